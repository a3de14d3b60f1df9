"""What makes one simulated oven different from another, and what is laid into it.

Ranges: geometry and estimates of a study of toaster ovens (20 to 30 L, 1200 to 1800 W); nothing was measured.
"Assumed" marks what even that study did not give.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from random import Random
from typing import Final

from ..model import LoadItem

STEEL_KG_PER_M3: Final = 7850.0
LARGEST_LOAD_M2: Final = 0.09
"""Plan area of a load at most, m²."""


def log_uniform(rng: Random, low: float, high: float) -> float:
    return low * math.exp(rng.random() * math.log(high / low))


@dataclass(frozen=True, slots=True)
class OvenParameters:
    """One oven. The defaults make a pleasant one; `draw` makes any that the ranges allow."""

    volume_l: float = 25.0
    heater_w: float = 1500.0
    mains_ratio: float = 1.0
    mains_drift: float = 0.003
    element_j_per_k: float = 100.0
    element_m2: float = 0.040
    element_emissivity: float = 0.85
    wall_mm: float = 0.5
    inside_w_per_m2_k: float = 6.0
    wall_shell_w_per_m2_k: float = 4.5
    shell_mm: float = 0.5
    shell_w_per_m2_k: float = 10.0
    glass_mm: float = 4.0
    glass_w_per_m2_k: float = 12.0
    rack_kg: float = 0.7
    rack_load_w_per_k: float = 0.4
    load_emissivity: float = 0.6
    load_exposed: float = 0.8
    load_sees_element: float = 0.2
    leak_w_per_k: float = 0.25
    door_w_per_k: float = 25.0
    thermostat_c: float = 330.0
    thermostat_differential_c: float = 18.0
    thermostat_s: float = 80.0

    @classmethod
    def typical(cls) -> OvenParameters:
        return cls()

    @classmethod
    def draw(cls, rng: Random) -> OvenParameters:
        """Any oven of the ranges: uniform, element and drift logarithmic."""
        u = rng.uniform
        return cls(
            volume_l=u(20.0, 30.0),
            heater_w=u(1200.0, 1800.0),
            mains_ratio=u(0.90, 1.10),
            mains_drift=u(0.002, 0.008),
            element_j_per_k=log_uniform(rng, 60.0, 220.0),
            element_m2=u(0.030, 0.050),
            element_emissivity=u(0.75, 0.90),
            wall_mm=u(0.4, 0.7),
            inside_w_per_m2_k=u(4.0, 9.0),
            wall_shell_w_per_m2_k=u(3.0, 7.0),
            shell_mm=u(0.4, 0.7),
            shell_w_per_m2_k=u(8.0, 12.0),
            glass_mm=u(3.0, 5.0),
            glass_w_per_m2_k=u(10.0, 14.0),
            rack_kg=u(0.35, 1.1),
            rack_load_w_per_k=u(0.2, 1.0),  # assumed
            load_emissivity=u(0.25, 0.80),
            load_exposed=u(0.6, 0.95),
            load_sees_element=u(0.10, 0.30),
            leak_w_per_k=u(0.1, 0.5),
            thermostat_c=330.0 + u(-8.0, 8.0),  # assumed: the dial at its maximum
            thermostat_differential_c=u(10.0, 25.0),
            thermostat_s=u(40.0, 120.0),
        )


@dataclass(frozen=True, slots=True)
class Steel:
    """A load as the oven sees it. Exposed area and half section in m."""

    mass_kg: float
    area_m2: float
    view: float
    half_section_m: float

    @classmethod
    def of(cls, items: Iterable[LoadItem], parameters: OvenParameters) -> Steel:
        mass_kg = plan_m2 = half_m = 0.0
        for item in items:
            mass_kg += item.mass_kg
            plan_m2 += item.mass_kg / (STEEL_KG_PER_M3 * item.section_mm / 1000.0)
            half_m = max(half_m, item.section_mm / 2000.0)
        plan_m2 = min(plan_m2, LARGEST_LOAD_M2)
        p = parameters
        view = p.load_sees_element * p.load_emissivity * plan_m2 / LARGEST_LOAD_M2
        return cls(mass_kg, 2.0 * plan_m2 * p.load_exposed, view, half_m)


NOTHING: Final = Steel(0.0, 0.0, 0.0, 0.0)


def load_j_per_kg(t_c: float) -> float:
    """Enthalpy of the load's steel, the integral of cp = 450 + 0.40 (t - 20) J/(kg K), zero at 20 °C."""
    above_k = t_c - 20.0
    return above_k * (450.0 + 0.20 * above_k)
