"""Programs: the same keys in a file and in the JSON of a start."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import field_validator

from controller.model import Program, Temper
from controller.profiles.reading import parse
from controller.schema import Table, keys_table, number, several, single_line, words, yes_no


class TemperKeys(Table):
    """One temper as it is written."""

    temperature_c: float = number("what the steel is soaked at", "°C", 60, 260)
    soak_min: float = number("time in band", "min", 1, 600)
    ramp_c_per_h: float | None = number(
        "how fast the setpoint climbs", "K/h", 10, 2000, default=None, left_out="as fast as allowed"
    )
    band_c: float = number("how far the steel may be off while the soak counts", "K", 1, 20, default=5.0)
    cool_below_c: float = number(
        "temperature of the steel at which the next temper may begin", "°C", 30, 150, default=60.0
    )
    prompt: str | None = words("a question that a hand answers before this temper's heat-up", default=None, shortest=1)

    @field_validator("prompt")
    @classmethod
    def _one_line(cls, value: str | None) -> str | None:
        return None if value is None else single_line(value)


class ProgramKeys(Table):
    """A program as it is written."""

    name: str = words("what it is called", default="", longest=60, left_out="made from its first temper")
    tempers: tuple[TemperKeys, ...] = several("one table a temper", 1, 6)
    until_equivalent: bool = yes_no(
        "a soak ends when the tempering parameter is what the full soak would give, not by the clock", default=False
    )
    use: str = words("what it is for", default="", longest=500)
    note: str = words("what to look out for", default="", longest=1000)
    source: str = words("where the figures come from, and how sure they are", default="", longest=500)

    @field_validator("name")
    @classmethod
    def _one_line(cls, value: str) -> str:
        return single_line(value) if value else value


def parse_program(source: str | Mapping[str, Any], *, name: str = "program") -> Program:
    """A program from the text of a file or from decoded JSON. Raises ProfileError with every fault.

    `name` stands before each fault. Temperatures are °C, times minutes in the source and seconds in the type.
    """
    keys = parse(ProgramKeys, source, name)
    first = keys.tempers[0]
    return Program(
        name=keys.name or f"{first.temperature_c:g} °C for {first.soak_min:g} min",
        tempers=tuple(
            Temper(
                temperature_c=temper.temperature_c,
                soak_s=temper.soak_min * 60.0,
                ramp_c_per_h=temper.ramp_c_per_h,
                band_c=temper.band_c,
                cool_below_c=temper.cool_below_c,
                prompt=temper.prompt,
            )
            for temper in keys.tempers
        ),
        until_equivalent=keys.until_equivalent,
        use=keys.use,
        note=keys.note,
        source=keys.source,
    )


def program_to_dict(program: Program) -> dict[str, Any]:
    """The program with the keys of a file, ready for JSON: `parse_program` makes the same program of it."""
    return {
        "name": program.name,
        "tempers": [
            {
                "temperature_c": temper.temperature_c,
                # A minute is no power of two: without the rounding 7.1 min would come back as 7.1000000000000005.
                "soak_min": round(temper.soak_s / 60.0, 9),
                "ramp_c_per_h": temper.ramp_c_per_h,
                "band_c": temper.band_c,
                "cool_below_c": temper.cool_below_c,
                "prompt": temper.prompt,
            }
            for temper in program.tempers
        ],
        "until_equivalent": program.until_equivalent,
        "use": program.use,
        "note": program.note,
        "source": program.source,
    }


def program_schema_table() -> str:
    """Every key of a program, as a Markdown table."""
    return keys_table(ProgramKeys)
