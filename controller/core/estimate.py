"""The part's temperature where no thermocouple sits on it: one lump behind the air, with its error.

The heat that reaches a part from air, walls, elements and rack is taken as one transfer coefficient, a straight
line in the part's temperature: the median over 24 simulated ovens with loads of 0.2..2 kg and sections of
8..25 mm under the part loop (35 W/m²K at 40 °C, 65 at 200 °C; a tenth of them below 0.55 of it, a tenth above
1.8). The error is stated wide enough for that, and for steel that settles away from the air: with air control
alone the steel of 200 simulated ovens ended 6.3 K (median) and 15.6 K (95 %) off.

While the air is not known, the steel is taken to be as cold as it can have become: behind air of the room, as fast as
a tenth of those loads would go. How much hotter it may be is part of the error, and fades once the air is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from controller.model import LoadItem

DENSITY_KG_PER_M3: Final = 7850.0
TRANSFER_W_PER_M2_K: Final = 28.0
TRANSFER_PER_C: Final = 0.17
STEADY_ERROR_K: Final = 10.0
# Of steel whose section nobody gave: nothing is known of its lag (95 % of the same ovens).
UNKNOWN_ERROR_K: Final = 16.0
LAG_ERROR_SHARE: Final = 0.45
# A tenth of those loads takes its heat up, and gives it off, faster than this many times the middle one.
FASTEST: Final = 1.8
ROOM_C: Final = 20.0
DEFAULT_ITEM: Final = LoadItem(mass_kg=0.5, section_mm=20.0)


def heat_capacity_j_per_kg_k(t_c: float) -> float:
    """Of carbon steel between 0 and 300 °C, J/kgK (the simulation's own line)."""
    return 450.0 + 0.40 * (t_c - 20.0)


def lag_s(t_c: float, section_mm: float) -> float:
    """Time constant of a bar or plate of this section near t_c, s: rho c a / (2 h), a the half section."""
    transfer = TRANSFER_W_PER_M2_K + TRANSFER_PER_C * max(0.0, t_c)
    return DENSITY_KG_PER_M3 * heat_capacity_j_per_kg_k(t_c) * (section_mm / 1000.0) / (2.0 * transfer)


class PartEstimate:
    """°C of the slowest piece of the load. Follows the measured value while there is one."""

    __slots__ = ("_air_c", "_section_mm", "_steady_error_k", "hottest_c", "part_c")

    def __init__(self) -> None:
        self.part_c: float | None = None
        self.hottest_c: float | None = None
        self._air_c: float | None = None
        self._section_mm = DEFAULT_ITEM.section_mm
        self._steady_error_k = UNKNOWN_ERROR_K

    def load(self, items: Sequence[LoadItem], part_c: float, hottest_c: float | None = None) -> None:
        """A new load at part_c, or between part_c and hottest_c where nobody knows."""
        self._steady_error_k = STEADY_ERROR_K if items else UNKNOWN_ERROR_K
        self._section_mm = max(item.section_mm for item in items or (DEFAULT_ITEM,))
        self.part_c = part_c
        self.hottest_c = part_c if hottest_c is None else max(part_c, hottest_c)

    def step(self, air_c: float, measured_c: float, dt_s: float) -> None:
        """Move on by dt_s. With air that is NaN `part_c` is the coldest that the steel can have become."""
        known = air_c == air_c
        if known:
            self._air_c = air_c
        if measured_c == measured_c:
            self.part_c = self.hottest_c = measured_c
            return
        if self.part_c is None or self.hottest_c is None:
            if not known:
                return
            # Nobody has said anything of this steel: cold as the room, at most as hot as the oven.
            self.part_c, self.hottest_c = min(ROOM_C, air_c), max(ROOM_C, air_c)
        part_c, hottest_c = self.part_c, self.hottest_c
        if known:
            self.part_c = self._after(part_c, air_c, dt_s)
            hottest_c = self._after(hottest_c, air_c, dt_s)
        else:
            last_c = hottest_c if self._air_c is None else self._air_c
            self.part_c = self._after(part_c, min(part_c, ROOM_C), FASTEST * dt_s)
            hottest_c = self._after(hottest_c, max(hottest_c, last_c), FASTEST * dt_s)
        self.hottest_c = max(self.part_c, hottest_c)

    def _after(self, steel_c: float, air_c: float, dt_s: float) -> float:
        return steel_c + (air_c - steel_c) * min(1.0, dt_s / lag_s(steel_c, self._section_mm))

    def error_c(self, air_c: float) -> float:
        """The estimate's error, K: larger while the part still lags behind the air, or may be hotter than said."""
        if self.part_c is None or self.hottest_c is None:
            return self._steady_error_k
        behind_k = LAG_ERROR_SHARE * (air_c - self.part_c) if air_c == air_c else 0.0
        unseen_k = self.hottest_c - self.part_c
        return float((self._steady_error_k**2 + behind_k**2 + unseen_k**2) ** 0.5)
