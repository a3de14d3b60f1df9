"""The part's temperature where no thermocouple sits on it: one lump behind the air, with its error.

Heat reaches the part by convection and radiation together. The coefficients are those of the simulated
ovens (inside film 4..9 W/m²K, plus the radiation of the walls), so the estimate is common to all ovens; its
error is stated wide enough for that: with air control alone the steel of 200 simulated ovens ended 6.3 K
(median) and 15.6 K (95 %) from the air.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from controller.model import LoadItem

DENSITY_KG_PER_M3: Final = 7850.0
FILM_W_PER_M2_K: Final = 7.0
EMISSIVITY: Final = 0.55
STEFAN_BOLTZMANN: Final = 5.670374419e-8
STEADY_ERROR_K: Final = 10.0
LAG_ERROR_SHARE: Final = 0.3
DEFAULT_ITEM: Final = LoadItem(mass_kg=0.5, section_mm=20.0)


def heat_capacity_j_per_kg_k(t_c: float) -> float:
    """Of carbon steel between 0 and 300 °C, J/kgK (the simulation's own line)."""
    return 450.0 + 0.40 * (t_c - 20.0)


def lag_s(t_c: float, section_mm: float) -> float:
    """Time constant of a bar or plate of this section near t_c, s: rho c a / (2 h), a the half section."""
    kelvin = t_c + 273.15
    transfer = FILM_W_PER_M2_K + 4.0 * EMISSIVITY * STEFAN_BOLTZMANN * kelvin**3
    return DENSITY_KG_PER_M3 * heat_capacity_j_per_kg_k(t_c) * (section_mm / 1000.0) / (2.0 * transfer)


class PartEstimate:
    """°C of the slowest piece of the load. Follows the measured value while there is one."""

    __slots__ = ("_section_mm", "part_c")

    def __init__(self) -> None:
        self.part_c: float | None = None
        self._section_mm = DEFAULT_ITEM.section_mm

    def load(self, items: Sequence[LoadItem], part_c: float | None) -> None:
        """A new load, at the temperature of the room unless something better is known."""
        self._section_mm = max(item.section_mm for item in items or (DEFAULT_ITEM,))
        self.part_c = part_c

    def step(self, air_c: float, measured_c: float, dt_s: float) -> None:
        """Move on by dt_s. A NaN leaves the estimate where it is."""
        if measured_c == measured_c:
            self.part_c = measured_c
        elif air_c == air_c:
            if self.part_c is None:
                self.part_c = air_c
            self.part_c += (air_c - self.part_c) * min(1.0, dt_s / lag_s(self.part_c, self._section_mm))

    def error_c(self, air_c: float) -> float:
        """The estimate's error, K: larger while the part still lags behind the air."""
        if self.part_c is None or air_c != air_c:
            return STEADY_ERROR_K
        return float((STEADY_ERROR_K**2 + (LAG_ERROR_SHARE * (air_c - self.part_c)) ** 2) ** 0.5)
