"""Profiles: programs, oils and steels. Text in, types out, or every fault at once.

In oil and steel files every figure carries its source and a mark that says how sure it is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from controller.model import Program

from .oils import OilProfile, heater_in_words, oil_schema_table, parse_oil, tank_oil
from .programs import ProgramKeys, parse_program, program_schema_table, program_to_dict
from .reading import ProfileError
from .steels import SteelProfile, find_steel, known_steel, parse_steel, steel_schema_table

__all__ = [
    "PARSERS",
    "OilProfile",
    "ProfileError",
    "ProgramKeys",
    "SteelProfile",
    "find_steel",
    "heater_in_words",
    "known_steel",
    "oil_schema_table",
    "parse_oil",
    "parse_program",
    "parse_steel",
    "program_schema_table",
    "program_to_dict",
    "steel_schema_table",
    "tank_oil",
]

PARSERS: Final[Mapping[str, Callable[..., Program | OilProfile | SteelProfile]]] = {
    "programs": parse_program,
    "oils": parse_oil,
    "steels": parse_steel,
}
"""What reads the files of each folder of profiles."""
