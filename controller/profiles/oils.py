"""Oils: what is known of each, and which oil the shop's tank holds after all."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from pydantic import ValidationInfo, field_validator

from controller.metallurgy.oils import sheath_superheat_k
from controller.model import Oil
from controller.profiles.figures import Figure, Figures, Span, figure
from controller.profiles.reading import parse
from controller.schema import keys_table, one_of, words, yes_no
from controller.settings import REFUSED_KINDS, Shop, ShopOil, fahrenheit_to_c
from controller.toml_text import shown

USUAL_BATH_C: Final = (40.0, 60.0)
UNKNOWN_OIL_KG_PER_L: Final = 0.88
UNKNOWN_OIL_J_PER_KG_K: Final = 1900.0
"""For an [[oil]] of which the shop file says nothing else: a usual bath, figures of mineral oils (from memory)."""
LEAST_BATH_RANGE_K: Final = 5.0
"""The bath's setpoint stays this far below its ceiling, so a narrower range could not be heated (chosen here)."""


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
    density_slope_kg_per_l_k: Figure | None = figure("its change with temperature", "kg/(L K)", -0.002, 0, default=None)
    heat_capacity_j_per_kg_k: Figure = figure("specific heat capacity at 35 °C", "J/(kg K)", 1500, 2600)
    heat_capacity_slope_j_per_kg_k2: Figure | None = figure(
        "its change with temperature", "J/(kg K²)", 0, 10, default=None
    )
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
            smoke_low_c=None if self.smoke_c is None else self.smoke_c.low,
            viscosity_38c_mpa_s=_value(self.viscosity_38c_mpa_s),
            viscosity_60c_mpa_s=_value(self.viscosity_60c_mpa_s),
            density_per_k=_value(self.density_slope_kg_per_l_k) or 0.0,
            heat_per_k=_value(self.heat_capacity_slope_j_per_kg_k2) or 0.0,
        )


def _value(figure_: Figure | None) -> float | None:
    return None if figure_ is None else figure_.value


def parse_oil(text: str, *, name: str = "oil") -> OilProfile:
    """An oil from the text of a file. Raises ProfileError with every fault."""
    return parse(OilProfile, text, name)


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


def heater_in_words(shop: Shop, oil: Oil | None) -> tuple[str, ...]:
    """How hot the heater's sheath runs in oil at rest, where its surface and the oil's figures are known."""
    tank = shop.tank
    if tank is None or oil is None or not tank.heater_area_cm2 or tank.heater_w <= 0.0:
        return ()
    load = tank.heater_w / tank.heater_area_cm2
    bath_c = (oil.bath_min_c + oil.bath_max_c) / 2.0
    superheat_k = sheath_superheat_k(oil, bath_c, load)
    if superheat_k is None:
        return ()
    return (
        f"At {load:.1f} W/cm² the heater's sheath runs about {superheat_k:.0f} K hotter than oil at rest, near "
        f"{bath_c + superheat_k:.0f} °C in a bath of {bath_c:.0f} °C (computed for an 8 mm sheath; stirring divides "
        "the difference by 1.6 to 2.6).",
    )


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
        condition=own.condition,
    )


def _flash(own: ShopOil, profile: OilProfile) -> tuple[float, list[str]]:
    """The flash point in force, and what to say of it: a lower one is taken; a higher one only for a clean oil
    whose data sheet somebody looked at again and put his name to."""
    stated_c, lowest_c = own.flash_point_c, profile.flash_low_c.value
    if stated_c is None or stated_c <= lowest_c:
        return (lowest_c if stated_c is None else stated_c), []
    if own.flash_point_confirmed and own.condition == "clean":
        return stated_c, [
            f"{own.name}: the flash point of {stated_c:g} °C is in force instead of the lowest credible one, "
            f"{lowest_c:g} °C, as confirmed: {own.flash_point_confirmed}."
        ]
    text = (
        f"{own.name}: flash_point_c of {stated_c:g} °C is above the lowest credible one, {lowest_c:g} °C, which stays "
        "in force. "
    )
    highest = profile.flash_typical_c.value if profile.flash_typical_c else lowest_c
    if stated_c > highest + 25.0 and lowest_c - 40.0 <= fahrenheit_to_c(stated_c) <= highest + 40.0:
        text += f"Is it °F? {stated_c:g} °F is {fahrenheit_to_c(stated_c):.0f} °C. "
    if own.condition != "clean":
        text += f'A higher one is never taken for oil that is {own.condition}, only with condition = "clean" and '
    else:
        text += "A higher one is taken only with "
    return lowest_c, [text + 'flash_point_confirmed = "who, when, which data sheet".']


def _careful(own: ShopOil, profile: OilProfile) -> tuple[Oil, tuple[str, ...]]:
    """The shop's values over a profile's: they lower the flash point and the ceiling; raising the former takes a
    confirmation, and nothing raises the latter."""
    told = []
    known = profile.oil()
    flash_c = known.flash_low_c
    if own.flash_point_c is not None:
        flash_c, said = _flash(own, profile)
        told += said
    highest_c = known.bath_max_c if own.bath_max_c is None else min(own.bath_max_c, known.bath_max_c)
    if own.bath_max_c is not None and highest_c < own.bath_max_c:
        told.append(f"{own.name}: bath_max_c of {own.bath_max_c:g} °C is lowered to the oil's {highest_c:g} °C.")
    lowest_c = known.bath_min_c if own.bath_min_c is None else own.bath_min_c
    if lowest_c > highest_c - LEAST_BATH_RANGE_K:
        # The two files together leave no room to quench in; a colder bath is the careful side.
        lowest_c = min(known.bath_min_c, highest_c - 2.0 * LEAST_BATH_RANGE_K)
        told.append(
            f"{own.name}: together with the oil's profile, the [[oil]] leaves no range for the bath, so it is "
            f"{lowest_c:g} to {highest_c:g} °C; right is a bath_min_c of {highest_c - LEAST_BATH_RANGE_K:g} °C or less."
        )
    oil = Oil(
        name=known.name,
        kind=own.kind if own.kind is not None and own.kind in REFUSED_KINDS else known.kind,
        flash_low_c=flash_c,
        bath_min_c=lowest_c,
        bath_max_c=highest_c,
        density_kg_per_l=own.density_kg_per_l or known.density_kg_per_l,
        heat_capacity_j_per_kg_k=own.heat_capacity_j_per_kg_k or known.heat_capacity_j_per_kg_k,
        label=known.label,
        note=own.note or known.note,
        source=known.source if own.flash_point_c is None else f"The shop file. {known.source}",
        smoke_low_c=known.smoke_low_c,
        viscosity_38c_mpa_s=known.viscosity_38c_mpa_s,
        viscosity_60c_mpa_s=known.viscosity_60c_mpa_s,
        density_per_k=known.density_per_k,
        heat_per_k=known.heat_per_k,
        condition=own.condition,
    )
    return oil, tuple(told)


def oil_schema_table() -> str:
    """Every key of an oil, as a Markdown table."""
    return keys_table(OilProfile)
