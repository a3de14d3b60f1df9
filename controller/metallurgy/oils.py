"""What an oil does as it warms: density, heat, viscosity; and how much hotter a heater's sheath is than the oil.

Every figure comes from the oil's file with its source. The heat transfer is free convection at a horizontal
cylinder (Churchill and Chu 1975, published), for any Rayleigh number.
"""

from __future__ import annotations

import math
from typing import Final

from controller.metallurgy.water import boiling_point_c
from controller.model import Oil

# 29 CFR 1910.126(a)(2) wants an alarm 50 °F below the flash point: as a difference 27.78 K (published).
ALARM_BELOW_FLASH_K: Final = 27.8
# The sensors' own error budget: wire, chip, cold junction, ordering (computed, RSS 3.9 K, sum 7.5 K).
SENSOR_BUDGET_K: Final = 10.0
TANK_LIMIT_C: Final = 90.0
BELOW_BOILING_K: Final = 5.0

GAS_J_PER_MOL_K: Final = 8.314
KELVIN: Final = 273.15
VEGETABLE_EA_J_PER_MOL: Final = 25_000.0
"""How steeply an oil thins: 21 to 30 kJ/mol for vegetable oils (Diamante and Lan 2014, published)."""
CONDUCTIVITY_W_PER_M_K: Final = 0.165
EXPANSION_PER_K: Final = 7.5e-4
"""Conductivity and cubic expansion of vegetable and mineral oils (from memory)."""
SHEATH_DIAMETER_M: Final = 0.008
"""A tubular heater of 8 mm (assumed; a thicker one is a little hotter)."""
THINNEST_C, THICKEST_C = 200.0, 0.0
ROOM_C: Final = 20.0


def density_kg_per_l(oil: Oil, t_c: float) -> float:
    """kg/L at t_c."""
    return oil.density_kg_per_l + oil.density_per_k * (t_c - 20.0)


def heat_capacity_j_per_kg_k(oil: Oil, t_c: float) -> float:
    """J/(kg K) at t_c; the oil's own figure is for 35 °C."""
    return oil.heat_capacity_j_per_kg_k + oil.heat_per_k * (t_c - 35.0)


def viscosity_mpa_s(oil: Oil, t_c: float) -> float | None:
    """mPa s at t_c, through the oil's points at 38 and 60 °C (Andrade's law); None without the first of them or
    outside 0..200 °C. Without the second it is carried on with `VEGETABLE_EA_J_PER_MOL` (assumed)."""
    at_38 = oil.viscosity_38c_mpa_s
    if at_38 is None or not THICKEST_C <= t_c <= THINNEST_C:
        return None
    slope_k = VEGETABLE_EA_J_PER_MOL / GAS_J_PER_MOL_K
    if oil.viscosity_60c_mpa_s is not None:
        slope_k = math.log(at_38 / oil.viscosity_60c_mpa_s) / (1.0 / (38.0 + KELVIN) - 1.0 / (60.0 + KELVIN))
    return at_38 * math.exp(slope_k * (1.0 / (t_c + KELVIN) - 1.0 / (38.0 + KELVIN)))


def thinning(oil: Oil, t_c: float) -> float | None:
    """The share of its viscosity in a cold shop (20 °C) that the oil has lost at t_c, 0..1; None where the oil's
    own two points are not both known."""
    if oil.viscosity_60c_mpa_s is None:
        return None
    cold, warm = viscosity_mpa_s(oil, ROOM_C), viscosity_mpa_s(oil, t_c)
    return None if cold is None or warm is None else 1.0 - warm / cold


def churchill_chu(rayleigh: float, prandtl: float) -> float:
    """Nusselt number of a horizontal cylinder in a fluid at rest (Churchill and Chu 1975, their equation 5)."""
    spread = math.pow(1.0 + math.pow(0.559 / prandtl, 9.0 / 16.0), 8.0 / 27.0)
    return math.pow(0.60 + 0.387 * math.pow(rayleigh, 1.0 / 6.0) / spread, 2.0)


def sheath_w_per_cm2(oil: Oil, oil_c: float, superheat_k: float) -> float | None:
    """What a sheath gives to oil at rest when it is `superheat_k` hotter, W/cm²; None outside the oil's figures."""
    film_c = oil_c + 0.5 * superheat_k
    viscosity = viscosity_mpa_s(oil, film_c)
    if viscosity is None or superheat_k <= 0.0:
        return None
    density = 1000.0 * density_kg_per_l(oil, film_c)
    diffusivity = CONDUCTIVITY_W_PER_M_K / (density * heat_capacity_j_per_kg_k(oil, film_c))
    kinematic = 0.001 * viscosity / density
    rayleigh = 9.81 * EXPANSION_PER_K * superheat_k * SHEATH_DIAMETER_M**3 / (kinematic * diffusivity)
    nusselt = churchill_chu(rayleigh, kinematic / diffusivity)
    return nusselt * CONDUCTIVITY_W_PER_M_K / SHEATH_DIAMETER_M * superheat_k / 10_000.0


def sheath_superheat_k(oil: Oil, oil_c: float, w_per_cm2: float) -> float | None:
    """How much hotter than oil at rest a sheath under this load is, K; None where the oil's figures do not reach.

    Stirring divides it by 1.6 to 2.6 (computed, 0.15 m/s past the heater).
    """
    if not 0.0 < w_per_cm2 < 100.0:
        return None
    low_k, high_k = 0.0, 2.0 * (THINNEST_C - oil_c)
    most = sheath_w_per_cm2(oil, oil_c, high_k)
    if most is None or most < w_per_cm2:
        return None
    for _ in range(50):
        middle_k = 0.5 * (low_k + high_k)
        given = sheath_w_per_cm2(oil, oil_c, middle_k)
        if given is not None and given < w_per_cm2:
            low_k = middle_k
        else:
            high_k = middle_k
    return 0.5 * (low_k + high_k)


def too_hot_c(oil: Oil, altitude_m: float) -> float:
    """The temperature the oil must stay below also right after a quench, °C: water's boiling point here less 5 K,
    the flash point less its margin, and never over 90. Raises ValueError for an impossible altitude."""
    water_c = min(TANK_LIMIT_C, boiling_point_c(altitude_m) - BELOW_BOILING_K)
    return water_c if oil.flash_low_c is None else min(water_c, oil.flash_low_c - ALARM_BELOW_FLASH_K - SENSOR_BUDGET_K)


def why_not_hotter(oil: Oil, wanted_c: float, highest_c: float) -> str:
    """What the smith is told who wants a bath over `highest_c`, with the figures of this oil."""
    told = [f"{wanted_c:g} °C is too hot a bath for {oil.label or oil.name}."]
    told.append("Water in the oil, which nobody sees, boils near 100 °C and throws the oil out of the tank.")
    if oil.smoke_low_c is not None:
        told.append(f"Oil ages and smokes the faster the hotter it is held; it smokes from {oil.smoke_low_c:g} °C.")
    gone, more = thinning(oil, highest_c), thinning(oil, min(wanted_c, THINNEST_C))
    if gone is not None and more is not None:
        told.append(
            f"At {highest_c:g} °C it is thinned by {100.0 * gone:.0f} % already (from 20 °C), which is what warming "
            f"is for; {wanted_c:g} °C would bring it to {100.0 * more:.0f} %."
        )
    told.append(f"{highest_c:g} °C is the nearest allowed.")
    return " ".join(told)
