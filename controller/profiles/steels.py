"""Steels: what is known of each grade, and the plain values that the plans compute with."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from controller.metallurgy.steel import Elements, HardenedTo, Steel, TemperCurve
from controller.profiles.figures import Figure, Figures, Sourced, Span, Statement, figure
from controller.profiles.reading import parse
from controller.schema import keys_table, nearest, number, one_of, several, table, words

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


class HardenIn(Sourced):
    """A quench that hardens the grade, the mildest first, and the round bar up to which it does."""

    medium: Literal["air", "oil", "water", "brine"] = one_of("what to quench in")
    to_mm: float | None = number("the thickest round bar that it hardens; left out: no limit is known", "mm", 1, 500,
                                 default=None)  # fmt: skip


class SteelProfile(Figures):
    """A grade with all that is known of it here."""

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
    table_only: Statement | None = table("why its tables hold for their own time only", default=None)
    needs_temper_c: Span | None = figure(
        "the tempering it is made for, where an oven does not reach it", "°C", 300, 750, default=None
    )
    harden_in: tuple[HardenIn, ...] = several("quenches that harden it, the mildest first", 0, 4, default=())
    temper_tables: tuple[TemperTable, ...] = several("hardness after tempering", 0, 10, key="temper_table", default=())

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


_SCHEDULE = re.compile(r"(?P<hours>\d+(?:\.\d+)?) h(?: x(?P<times>\d))?")
UNSTATED_S = 3600.0
"""What is taken for a table whose source does not say how long: makers ask for one to two hours."""


def schedule_s(schedule: str) -> float | None:
    """The whole time of a schedule such as "2 h x2" in seconds; None where it does not say."""
    found = _SCHEDULE.fullmatch(schedule.strip())
    if found is None:
        return None
    return float(found["hours"]) * int(found["times"] or 1) * 3600.0


def known_steel(profile: SteelProfile) -> Steel:
    """The plain values of a grade, for the plans."""
    return Steel(
        name=profile.name,
        family=profile.family,
        elements=Elements(**profile.composition.model_dump(exclude={"source", "mark"})),
        ac1_c=profile.ac1_c.value,
        ac3_or_accm_c=profile.ac3_or_accm_c.value,
        ms_c=(profile.ms_c.low, profile.ms_c.high),
        austenitise_c=(profile.austenitise_c.low, profile.austenitise_c.high),
        quench=profile.quench.text,
        twice=profile.double_temper.text == "needed",
        embrittlement=profile.embrittlement.text,
        slow_cool=profile.slow_cool_embrittlement.text,
        note=profile.note,
        table_only=profile.table_only.text if profile.table_only else "",
        needs_temper_c=(profile.needs_temper_c.low, profile.needs_temper_c.high) if profile.needs_temper_c else None,
        harden_in=tuple(HardenedTo(step.medium, step.to_mm) for step in profile.harden_in),
        curves=tuple(_curve(table) for table in profile.temper_tables),
        marks={
            key: (figure.source, figure.mark)
            for key in ("composition", "ac1_c", "ac3_or_accm_c", "ms_c", "austenitise_c", "quench")
            if isinstance(figure := getattr(profile, key), Sourced)
        },
    )


def _curve(given: TemperTable) -> TemperCurve:
    time_s = schedule_s(given.schedule)
    return TemperCurve(
        temperatures_c=given.temperatures_c,
        hardness_hrc=given.hardness_hrc,
        time_s=UNSTATED_S if time_s is None else time_s,
        time_stated=time_s is not None,
        schedule=given.schedule,
        source=given.source,
        mark=given.mark,
    )


def find_steel(name: str, known: Mapping[str, SteelProfile]) -> SteelProfile:
    """The grade of that name, capitals and AISI or SAE before it or not. Raises ValueError with what was meant."""
    plain = re.sub(r"^(aisi|sae)[\s-]*", "", name.strip().lower()).replace(" ", "").replace("-", "")
    for key, profile in known.items():
        if key.lower().replace(" ", "").replace("-", "") == plain:
            return profile
    meant = nearest(plain, [key.lower() for key in known])
    spelled = next((key for key in known if key.lower() == meant), None)
    probably = f' Probably "{spelled}" was meant.' if spelled else ""
    raise ValueError(f'There is no steel "{name[:60]}".{probably} The steels are: {", ".join(sorted(known))}.')
