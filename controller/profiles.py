"""Profiles: programs, oils and steels. Text in, types out, or every fault at once.

A program has the same keys in a file and in the JSON of a start. In oil and steel files every figure carries its
source and a mark that says how sure it is; both are shown wherever the figure is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import pairwise
from typing import Annotated, Any, ClassVar, Final, Literal, TypeVar

from pydantic import Field, ValidationInfo, field_validator

from controller.model import Oil, Program, Temper
from controller.schema import (
    Table,
    check,
    keys_table,
    number,
    one_of,
    several,
    single_line,
    table,
    words,
    yes_no,
)
from controller.settings import REFUSED_KINDS, Shop, ShopOil
from controller.toml_text import Fault, Parsed, TextError, read_toml, shown

Mark = Literal["published", "computed here", "chosen here", "common practice, no source", "from memory"]

USUAL_BATH_C: Final = (40.0, 60.0)
UNKNOWN_OIL_KG_PER_L: Final = 0.88
UNKNOWN_OIL_J_PER_KG_K: Final = 1900.0
"""For an [[oil]] of which the shop file says nothing else: a usual bath, figures of mineral oils (from memory)."""

StrictNumber = Annotated[float, Field(strict=True, allow_inf_nan=False)]
ProfileT = TypeVar("ProfileT", bound=Table)


class ProfileError(TextError):
    """A profile cannot be used; `faults` has all of it, `lines()` says it."""


# --- Programs --------------------------------------------------------------------------------------------


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
    keys = _parse(ProgramKeys, source, name)
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


# --- Figures that say where they come from ---------------------------------------------------------------


class Sourced(Table):
    """What every figure and statement carries."""

    source: str = words("where it comes from", shortest=1, longest=500)
    mark: Mark = one_of("how sure it is")


class Figure(Sourced):
    brief: ClassVar[str] = "{ value, source, mark }"
    value: float = number("the figure", "", -1e6, 1e6)


class Span(Sourced):
    brief: ClassVar[str] = "{ low, high, source, mark }"
    low: float = number("the lowest", "", -1e6, 1e6)
    high: float = number("the highest", "", -1e6, 1e6)

    @field_validator("high")
    @classmethod
    def _in_order(cls, value: float, info: ValidationInfo) -> float:
        low = info.data.get("low")
        if low is not None and value < low:
            raise ValueError(f"right is a number not below low, which is {low:g}.")
        return value


class Statement(Sourced):
    brief: ClassVar[str] = "{ text, source, mark }"
    text: str = words("what is said", shortest=1, longest=300)


def figure(meaning: str, unit: str, low: float, high: float, *, default: Any = ...) -> Any:
    """A Figure or a Span whose numbers lie in that range."""
    return Field(default, description=meaning, json_schema_extra={"unit": unit, "low": low, "high": high})


class Figures(Table):
    """A file of figures: keeps each in its range."""

    @field_validator("*")
    @classmethod
    def _in_range(cls, found: object, info: ValidationInfo) -> object:
        if not isinstance(found, (Figure, Span)) or info.field_name is None:
            return found
        extra = cls.model_fields[info.field_name].json_schema_extra
        assert isinstance(extra, dict)
        low, high, unit = extra["low"], extra["high"], extra["unit"]
        assert isinstance(low, (int, float))
        assert isinstance(high, (int, float))
        for value in (found.value,) if isinstance(found, Figure) else (found.low, found.high):
            if not low <= value <= high:
                raise ValueError(f"{value:g} in it is not right; right is a number from {low:g} to {high:g} {unit}.")
        return found


# --- Oils ------------------------------------------------------------------------------------------------


class OilProfile(Figures):
    """An oil with all that is known of it. Limits rest on `flash_low_c` alone, the lowest credible flash point."""

    name: str = words("what the shop file calls it", shortest=1, longest=60)
    label: str = words("what people call it", shortest=1, longest=120)
    kind: Literal["quench", "vegetable"] = one_of("quench: a mineral oil; motor, transmission and used oil have none")
    needs_data_sheet: bool = yes_no(
        "such oils differ so much that the tank is not heated before the shop file gives flash_point_c", default=False
    )
    note: str = words("what to look out for", default="", longest=500)
    flash_low_c: Figure = figure("lowest credible flash point", "°C", 30, 400)
    flash_typical_c: Figure | None = figure("usual flash point", "°C", 30, 400, default=None)
    fire_point_c: Figure | None = figure("fire point", "°C", 30, 450, default=None)
    autoignition_c: Figure | None = figure("auto-ignition", "°C", 150, 600, default=None)
    smoke_c: Span | None = figure("smoke point", "°C", 30, 400, default=None)
    bath_c: Span = figure("temperature to quench in", "°C", 10, 90)
    ceiling_c: Figure = figure("the bath is not heated over it", "°C", 20, 90)
    density_kg_per_l: Figure = figure("density at 20 °C", "kg/L", 0.7, 1.1)
    heat_capacity_j_per_kg_k: Figure = figure("specific heat capacity", "J/(kg K)", 1500, 2600)
    expansion_per_k: Figure | None = figure("cubic expansion", "1/K", 1e-4, 2e-3, default=None)
    viscosity_38c_mpa_s: Figure | None = figure("viscosity at 38 °C", "mPa s", 1, 500, default=None)
    viscosity_60c_mpa_s: Figure | None = figure("viscosity at 60 °C", "mPa s", 1, 500, default=None)

    @field_validator("flash_typical_c")
    @classmethod
    def _not_below_lowest(cls, value: Figure | None, info: ValidationInfo) -> Figure | None:
        lowest = info.data.get("flash_low_c")
        if value is not None and lowest is not None and value.value < lowest.value:
            raise ValueError(f"right is a value not below flash_low_c, which is {lowest.value:g}.")
        return value

    def oil(self) -> Oil:
        """What limits and forecasts need of it."""
        return Oil(
            name=self.name,
            kind=self.kind,
            flash_low_c=None if self.needs_data_sheet else self.flash_low_c.value,
            bath_min_c=self.bath_c.low,
            bath_max_c=self.ceiling_c.value,
            density_kg_per_l=self.density_kg_per_l.value,
            heat_capacity_j_per_kg_k=self.heat_capacity_j_per_kg_k.value,
            label=self.label,
            note=self.note,
            source=f"Flash point: {self.flash_low_c.source} ({self.flash_low_c.mark}).",
        )


def parse_oil(text: str, *, name: str = "oil") -> OilProfile:
    """An oil from the text of a file. Raises ProfileError with every fault."""
    return _parse(OilProfile, text, name)


def tank_oil(shop: Shop, profiles: Mapping[str, OilProfile]) -> tuple[Oil | None, tuple[str, ...]]:
    """The oil that `tank.oil` names, and what the smith should know about it.

    A profile under the shop's own [[oil]] of the same name: the more careful of the two holds. None without a
    tank or a name, and for a name that nothing knows (with a sentence that lists the known).
    """
    if shop.tank is None or not shop.tank.oil:
        return None, ()
    name = shop.tank.oil
    own = next((oil for oil in shop.oils if oil.name == name), None)
    if own is None:
        return _profile_oil(name, profiles, shop)
    return _careful(own, profiles[name]) if name in profiles else (_own_oil(own), ())


def _profile_oil(name: str, profiles: Mapping[str, OilProfile], shop: Shop) -> tuple[Oil | None, tuple[str, ...]]:
    if name not in profiles:
        known = ", ".join(sorted({*profiles, *(oil.name for oil in shop.oils)}))
        return None, (f"{shown(name)} is no known oil, so the tank is not heated; right is one of {known}.",)
    profile = profiles[name]
    told: tuple[str, ...] = ()
    if profile.flash_low_c.mark == "from memory" and not profile.needs_data_sheet:
        told = (
            f"The flash point of {name}, {profile.flash_low_c.value:g} °C, is from memory. Enter the one from its "
            "safety data sheet as flash_point_c of an [[oil]] of that name.",
        )
    return profile.oil(), told


def _own_oil(own: ShopOil) -> Oil:
    low_c, high_c = USUAL_BATH_C
    # One end given: the other is kept 10 K away from it at least.
    if own.bath_min_c is not None:
        low_c, high_c = own.bath_min_c, max(high_c, own.bath_min_c + 10.0)
    if own.bath_max_c is not None:
        low_c, high_c = (low_c if own.bath_min_c is not None else min(low_c, own.bath_max_c - 10.0)), own.bath_max_c
    return Oil(
        name=own.name,
        kind=own.kind or "quench",
        flash_low_c=own.flash_point_c,
        bath_min_c=low_c,
        bath_max_c=high_c,
        density_kg_per_l=own.density_kg_per_l or UNKNOWN_OIL_KG_PER_L,
        heat_capacity_j_per_kg_k=own.heat_capacity_j_per_kg_k or UNKNOWN_OIL_J_PER_KG_K,
        label=own.name,
        note=own.note,
        source="The shop file.",
    )


def _careful(own: ShopOil, profile: OilProfile) -> tuple[Oil, tuple[str, ...]]:
    """The shop's values over a profile's: they lower the flash point and the ceiling, never raise them."""
    told = []
    known = profile.oil()
    flash_c = known.flash_low_c
    if own.flash_point_c is not None:
        flash_c = min(own.flash_point_c, profile.flash_low_c.value) if flash_c is not None else own.flash_point_c
        if flash_c < own.flash_point_c:
            told.append(
                f"{own.name}: flash_point_c of {own.flash_point_c:g} °C is above the lowest credible one, "
                f"{flash_c:g} °C, which stays in force; a shop file may lower it, never raise it."
            )
    highest_c = known.bath_max_c if own.bath_max_c is None else min(own.bath_max_c, known.bath_max_c)
    if own.bath_max_c is not None and highest_c < own.bath_max_c:
        told.append(f"{own.name}: bath_max_c of {own.bath_max_c:g} °C is lowered to the oil's {highest_c:g} °C.")
    oil = Oil(
        name=known.name,
        kind=own.kind if own.kind is not None and own.kind in REFUSED_KINDS else known.kind,
        flash_low_c=flash_c,
        bath_min_c=known.bath_min_c if own.bath_min_c is None else own.bath_min_c,
        bath_max_c=highest_c,
        density_kg_per_l=own.density_kg_per_l or known.density_kg_per_l,
        heat_capacity_j_per_kg_k=own.heat_capacity_j_per_kg_k or known.heat_capacity_j_per_kg_k,
        label=known.label,
        note=own.note or known.note,
        source=known.source if own.flash_point_c is None else f"The shop file. {known.source}",
    )
    return oil, tuple(told)


# --- Steels ----------------------------------------------------------------------------------------------


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
    return _parse(SteelProfile, text, name)


# --- Common ----------------------------------------------------------------------------------------------


def _parse(model: type[ProfileT], source: object, name: str) -> ProfileT:
    if isinstance(source, str):
        parsed = read_toml(source)
    elif isinstance(source, Mapping):
        parsed = Parsed(dict(source), {}, frozenset(), ())
    else:
        text = f"{shown(source)} is no {name}; right is a table with its keys."
        raise ProfileError(name, [Fault("", None, "wrong_type", text)])
    made, faults = check(model, parsed)
    if made is None:
        raise ProfileError(name, faults)
    return made


def program_schema_table() -> str:
    """Every key of a program, as a Markdown table."""
    return keys_table(ProgramKeys)


def oil_schema_table() -> str:
    """Every key of an oil, as a Markdown table."""
    return keys_table(OilProfile)


def steel_schema_table() -> str:
    """Every key of a steel, as a Markdown table."""
    return keys_table(SteelProfile)


PARSERS: Final[Mapping[str, Callable[..., Program | OilProfile | SteelProfile]]] = {
    "programs": parse_program,
    "oils": parse_oil,
    "steels": parse_steel,
}
"""What reads the files of each folder of profiles."""
