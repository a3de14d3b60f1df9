"""How far a limit was passed, and whether the heat that was stored in the plant explains it.

While a zone is over its limit its plant is copied at the last moment at which anything was done to it (power,
a door, a quench). The copy then coasts without power; what really happened may not have gone further.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from random import Random
from typing import Final

from controller.sim.shop import SimShop
from tests.study.rule import RuleError

COAST_S: Final = 900.0
FALLING_S: Final = 90.0
STEP_S: Final = 0.5
SPREAD_K: Final = 0.5
HEATED_S: Final = 120.0


@dataclass(frozen=True)
class Passed:
    """One passing of a limit. `stored_kj`: heat of the element (sheath) above the air (oil) at that moment.

    `cause`: "heater" when the zone's heater had power within two minutes before; else a quench, a fire or a
    world that began hot.
    """

    zone: str
    cause: str
    limit_c: float
    excess_k: float
    explained_k: float
    source_c: float
    stored_kj: float

    def words(self) -> str:
        what = "the element" if self.zone == "oven" else "the sheath"
        return (
            f"{self.zone} ({self.cause}): {self.excess_k:.1f} K over {self.limit_c:.0f} °C; without power the plant "
            f"as it was goes {self.explained_k:.1f} K over: {what} stood at {self.source_c:.0f} °C and held "
            f"{self.stored_kj:.0f} kJ above what it heats"
        )


class Excess:
    """One zone of one world."""

    def __init__(self, zone: int, limit_c: float) -> None:
        self._zone = zone
        self._limit_c = limit_c
        self._kept: SimShop | None = None
        self._peak_c = 0.0
        self._powered_s = -1e9
        self._heated = False
        self._kept_s = self._last_s = 0.0
        self.passed: list[Passed] = []

    def step(self, shop: SimShop, hot_c: float | None, disturbed: bool) -> None:
        """After a step; `disturbed`: somebody or something acted on the plant in it."""
        power_w = shop.tank.power_w if self._zone else shop.oven.power_w
        if power_w > 0.0:
            self._powered_s = shop.now_s
        if hot_c is None or hot_c < self._limit_c:
            self.close()
            return
        if self._kept is None:
            self._heated = shop.now_s - self._powered_s < HEATED_S and shop.tank.part_c is None
        if self._kept is None or disturbed or power_w > 0.0:
            self._kept = _kept(shop)
            self._kept_s = shop.now_s
            self._peak_c = hot_c
        self._last_s = shop.now_s
        self._peak_c = max(self._peak_c, hot_c)

    def close(self) -> None:
        """Back under the limit, or the world ends: compare. Raises RuleError."""
        kept, self._kept = self._kept, None
        if kept is None:
            return
        oven, tank = kept.oven, kept.tank
        if self._zone:
            source_c, stored_j = tank.sheath_c, tank._sheath_j_per_k * (tank.sheath_c - tank.upper_c)
        else:
            source_c, stored_j = oven.element_c, oven.parameters.element_j_per_k * (oven.element_c - oven.air_c)
        peak_c = _coast(kept, self._zone, max(COAST_S, self._last_s - self._kept_s))
        cause = "heater" if self._heated else "quench, fire or begun hot"
        passed = Passed(
            ("oven", "tank")[self._zone], cause, self._limit_c, self._peak_c - self._limit_c, peak_c - self._limit_c,
            source_c, stored_j / 1000.0,
        )  # fmt: skip
        self.passed.append(passed)
        if self._peak_c > peak_c + SPREAD_K:
            raise RuleError(f"more than the stored heat explains: {passed.words()}")


def _kept(shop: SimShop) -> SimShop:
    kept = copy.copy(shop)
    kept.oven, kept.tank, kept.probes = copy.copy(shop.oven), copy.copy(shop.tank), copy.copy(shop.probes)
    kept.oven._rng = Random(0)
    return kept


def _coast(shop: SimShop, zone: int, seconds: float) -> float:
    """The highest reading of the zone, °C. An oil fire heats for longer than a quench: as long as the world did."""
    places = slice(2, 4) if zone else slice(0, 2)
    peak_c, fell_s, at_s = max(shop.probes.now_c[places]), 0.0, 0.0
    while at_s < seconds and fell_s < FALLING_S:
        shop.oven.step(0.0)
        shop.tank.step(0.0)
        shop.probes.advance(shop.oven, shop.tank)
        at_s += STEP_S
        now_c = max(shop.probes.now_c[places])
        fell_s = 0.0 if now_c > peak_c else fell_s + STEP_S
        peak_c = max(peak_c, now_c)
    return peak_c
