"""Steels: what is known of each grade; for display until the plans use it."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from controller.profiles.figures import Figure, Figures, Sourced, Span, Statement, figure
from controller.profiles.reading import parse
from controller.schema import keys_table, number, one_of, several, table, words

StrictNumber = Annotated[float, Field(strict=True, allow_inf_nan=False)]


class Composition(Sourced):
    """Nominal percent by weight."""

    c: float = number("carbon", "%", 0.05, 2.5)
    mn: float = number("manganese", "%", 0, 3, default=0.0)
    si: float = number("silicon", "%", 0, 3, default=0.0)
    ni: float = number("nickel", "%", 0, 6, default=0.0)
    cr: float = number("chromium", "%", 0, 14, default=0.0)
    mo: float = number("molybdenum", "%", 0, 6, default=0.0)
    v: float = number("vanadium", "%", 0, 5, default=0.0)
    w: float = number("tungsten", "%", 0, 20, default=0.0)


class TemperTable(Sourced):
    """Hardness after tempering as one source has it; tables are never mixed, each has its heat and schedule."""

    schedule: str = words("time and how often", shortest=1, longest=60)
    temperatures_c: tuple[StrictNumber, ...] = several("rising, °C", 2, 40)
    hardness_hrc: tuple[StrictNumber, ...] = several("one for each temperature, HRC", 2, 40)

    @field_validator("temperatures_c")
    @classmethod
    def _rising(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if not all(0.0 <= low < high <= 800.0 for low, high in pairwise(value)):
            raise ValueError("right are temperatures from 0 to 800 °C, each above the one before.")
        return value

    @field_validator("hardness_hrc")
    @classmethod
    def _as_many(cls, value: tuple[float, ...], info: ValidationInfo) -> tuple[float, ...]:
        temperatures = info.data.get("temperatures_c")
        if temperatures is not None and len(value) != len(temperatures):
            raise ValueError(f"right are {len(temperatures)} numbers, one for each temperature.")
        if not all(10.0 <= hrc <= 70.0 for hrc in value):
            raise ValueError("right are numbers from 10 to 70 HRC.")
        return value


class SteelProfile(Figures):
    """A grade with all that is known of it here; for display until the plans use it."""

    name: str = words("the grade", shortest=1, longest=60)
    family: Literal["plain", "alloy", "spring", "water", "oil", "air", "shock"] = one_of(
        "plain, alloy or spring steel, or how a tool steel hardens (shock: made to be struck)"
    )
    note: str = words("what to look out for", default="", longest=500)
    composition: Composition = table("percent by weight")
    ac1_c: Figure = figure("where austenite begins to form", "°C", 650, 900)
    ac3_or_accm_c: Figure = figure("where it is complete, or the carbide is gone", "°C", 680, 1000)
    ms_c: Span = figure("where martensite begins to form", "°C", 0, 500)
    austenitise_c: Span = figure("range to harden from", "°C", 700, 1250)
    quench: Statement = table("what to quench in")
    double_temper: Statement = table("whether two tempers are needed")
    embrittlement: Statement = table("tempering range that makes it brittle, °C")
    slow_cool_embrittlement: Statement = table("whether slow cooling through 375 to 575 °C makes it brittle")
    temper_tables: tuple[TemperTable, ...] = several("hardness after tempering", 1, 10, key="temper_table")

    @field_validator("ac3_or_accm_c")
    @classmethod
    def _above_ac1(cls, value: Figure, info: ValidationInfo) -> Figure:
        lower = info.data.get("ac1_c")
        if lower is not None and value.value < lower.value:
            raise ValueError(f"right is a value not below ac1_c, which is {lower.value:g}.")
        return value


def parse_steel(text: str, *, name: str = "steel") -> SteelProfile:
    """A grade from the text of a file. Raises ProfileError with every fault."""
    return parse(SteelProfile, text, name)


def steel_schema_table() -> str:
    """Every key of a steel, as a Markdown table."""
    return keys_table(SteelProfile)
