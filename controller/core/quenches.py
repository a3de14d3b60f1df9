"""Quenches as they happen: declared, marked by a press, or seen; forecast, then measured against it.

Nothing here decides about heat. What the interlocks need of a quench stays in `watch_quench.QuenchWatch`.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any, Final

from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.metallurgy.quench import PART_C, oil_after_c, steel_enthalpy_kj_per_kg
from controller.metallurgy.quench_plan import TankHeat, cooling_s, expected_rise_k, heaviest_kg
from controller.model import Quench

FILL_IN_S: Final = 600.0
"""So long after a quench its mass may be filled in."""
SAME_S: Final = 10.0
"""Two declarations alike within this are one quench, declared from two phones or by a second tap."""
MARK_S: Final = 120.0
MEASURE_S: Final = 300.0
TEMPER_AFTER_S: Final = (1200.0, 3600.0)
"""When to say that hardened steel waits for its temper: it is as brittle as it will ever be (common practice, no
source: temper as soon as the hand can hold it)."""
FORGET_S: Final = 12.0 * 3600.0
STRETCH_LOW, STRETCH_HIGH = 0.6, 1.6
NEVER_S: Final = float("inf")


class Quenches:
    """One tank's quenches. `learned`: what this tank's reading does over what the litres say."""

    def __init__(self, limits: Limits, heat: TankHeat, state: Mapping[str, Any] | None = None) -> None:
        state = state or {}
        self._limits = limits
        self._heat = heat
        learned = state.get("learned", 1.0)
        self.learned = 1.0
        if isinstance(learned, (int, float)) and STRETCH_LOW <= learned <= STRETCH_HIGH:
            self.learned = float(learned)
        waiting = state.get("untempered_s")
        self.untempered_s: float | None = None
        if isinstance(waiting, (int, float)) and 0.0 <= waiting < FORGET_S:
            self.untempered_s = float(waiting)
        self.since_s = NEVER_S
        self.next_in_s: float | None = None
        self.takes_kg: float | None = None
        self._mark_s = NEVER_S
        self._last: Quench | None = None
        self._from_c = self._peak_c = float("nan")
        self._given_j = 0.0
        self._rise_k: tuple[float, ...] | None = None
        self._after_c: float | None = None
        self._measuring = False
        self._stirred = True

    def state(self) -> dict[str, Any]:
        """What the next process should know."""
        return {"learned": self.learned, "untempered_s": self.untempered_s}

    # --- what a person says --------------------------------------------------------------------------------

    def marked(self, moment: Moment) -> None:
        """The arm button was pressed beside oil that is ready: perhaps that was a quench. The page asks."""
        self._mark_s = 0.0
        moment.happened("quench_asked", "The arm button was pressed beside ready oil. Was that a quench?")

    def forecast_c(self, wish: Quench, oil_c: float) -> float | None:
        """The oil after this quench, adiabatic, °C; None without mass, oil or reading."""
        if wish.mass_kg is None or self._limits.oil is None or not isfinite(oil_c):
            return None
        return oil_after_c(wish.mass_kg, _part_c(wish), oil_c, self._limits.oil_heat_j_per_k())

    def declare(self, wish: Quench, oil_c: float, stirred: bool) -> tuple[str, float | None]:
        """What kind of declaration this is, and the oil afterwards, °C, if that can be said.

        "again": the one before, once more. "fills": the mass of the one before, unless it is said to be another's.
        "second": another part, while the heat of the first is still on its way. "first": a quench.
        """
        last, since_s = self._last, self.since_s
        alike = last is not None and (wish == last or wish.mass_kg is None) and (not wish.another or last.another)
        if alike and since_s <= SAME_S:
            return "again", self._after_c
        lacks_mass = last is not None and last.mass_kg is None and since_s <= FILL_IN_S
        if lacks_mass and wish.mass_kg is not None and not wish.another:
            self._last = wish
            self._expect(wish, self._from_c, more=False)
            return "fills", self._after_c
        more = since_s <= MEASURE_S and self._after_c is not None and wish.mass_kg is not None
        self._last = wish
        if not more:
            self._begin(oil_c)
            # Over the heat of one whose mass nobody said there is nothing to measure.
            self._measuring = since_s > MEASURE_S
        self._stirred = stirred
        self.since_s = 0.0
        self._expect(wish, oil_c, more=more)
        return ("second" if more else "first"), self._after_c

    def seen(self, from_c: float, rise_k: float) -> tuple[float | None, bool]:
        """A step that was taken as a quench: its estimated mass, and whether a press had marked it."""
        marked = self._mark_s <= MARK_S + FILL_IN_S
        self._mark_s = NEVER_S
        if self.since_s > FILL_IN_S:
            self._begin(from_c)
            self._last = Quench()
            self.since_s = 0.0
        if self._heat.whole_j_per_k <= 0.0 or not isfinite(rise_k):
            # Oil of which nothing is known says nothing about a mass.
            return None, marked
        after_c = from_c + rise_k
        given = 1000.0 * (steel_enthalpy_kj_per_kg(PART_C) - steel_enthalpy_kj_per_kg(after_c))
        share = expected_rise_k(self._heat, from_c, 1.0, PART_C, True)[1] * self._heat.whole_j_per_k / given
        return rise_k * self._heat.whole_j_per_k / (given * share * self.learned), marked

    # --- each second ---------------------------------------------------------------------------------------

    def second(self, oil_c: float, tempering: bool, moment: Moment) -> None:
        """Measure what a quench did, and count how long its steel waits for the oven."""
        self.since_s += 1.0
        self._mark_s += 1.0
        self._wait(tempering, moment)
        self._outlook(oil_c)
        if not self._measuring or not isfinite(oil_c):
            return
        self._peak_c = max(self._peak_c, oil_c)
        if self.since_s >= MEASURE_S:
            self._measuring = False
            self._measured(moment)

    def _begin(self, oil_c: float) -> None:
        self._measuring = True
        self._from_c = self._peak_c = oil_c
        self._given_j = 0.0
        self._rise_k = None
        self._after_c = None
        self.untempered_s = 0.0 if self._limits.oven else None

    def _expect(self, wish: Quench, oil_c: float, *, more: bool) -> None:
        """The forecast of this declaration; a second part's heat comes on top of the first one's."""
        base_c = self._after_c if more and self._after_c is not None else oil_c
        after_c = self.forecast_c(wish, base_c)
        if after_c is None or wish.mass_kg is None:
            return
        rise_k = expected_rise_k(self._heat, base_c, wish.mass_kg, _part_c(wish), self._stirred)
        before = self._rise_k if more and self._rise_k else (0.0, 0.0, 0.0)
        self._rise_k = tuple(old + self.learned * new for old, new in zip(before, rise_k, strict=True))
        self._after_c = after_c

    def _measured(self, moment: Moment) -> None:
        rise_k = self._peak_c - self._from_c
        if self._rise_k is None or self._after_c is None or not isfinite(rise_k):
            return
        low_k, expected_k, high_k = self._rise_k
        if rise_k > 1.1 * high_k + 1.0:
            text = (
                f"The oil rose by {rise_k:.0f} K, not by {expected_k:.0f}. Was it more or hotter steel, is there less "
                "oil than the shop file says, or was it not stirred?"
            )
        elif rise_k < 0.9 * low_k - 1.0:
            text = (
                f"The oil rose by {rise_k:.0f} K, not by {expected_k:.0f}. Was it less or cooler steel, or did the "
                "heat stay where the sensor is not? Stir."
            )
        else:
            text = f"The oil rose by {rise_k:.0f} K; {expected_k:.0f} were expected."
            if expected_k > 3.0:
                stretch = 0.5 * self.learned + 0.5 * self.learned * rise_k / expected_k
                self.learned = min(STRETCH_HIGH, max(STRETCH_LOW, stretch))
        moment.happened(
            "quench_measured", text, rise_k=rise_k, expected_k=expected_k, low_k=low_k, high_k=high_k,
            adiabatic_k=self._after_c - self._from_c, learned=self.learned,
        )  # fmt: skip

    def _wait(self, tempering: bool, moment: Moment) -> None:
        if tempering or (self.untempered_s or 0.0) >= FORGET_S:
            self.untempered_s = None
        if self.untempered_s is None:
            return
        before_s, self.untempered_s = self.untempered_s, self.untempered_s + 1.0
        for after_s in TEMPER_AFTER_S:
            if before_s < after_s <= self.untempered_s:
                text = f"Quenched {after_s / 60.0:.0f} min ago, not yet tempering."
                moment.happened("temper_wanted", f"{text} Hard steel cracks by itself.", since_s=after_s)

    def _outlook(self, oil_c: float) -> None:
        """How much steel the oil takes now, and how long until it takes the last quench once more."""
        limits = self._limits
        limit_c = limits.tank_limit_c
        self.takes_kg = self.next_in_s = None
        if limits.oil is None or limit_c is None or not isfinite(oil_c):
            return
        self.takes_kg = heaviest_kg(oil_c, PART_C, limit_c, limits.oil_heat_j_per_k())
        if self.since_s < FORGET_S:
            rise_k = 0.0 if self._after_c is None else self._after_c - self._from_c
            again_c = min(limits.oil.bath_max_c, limit_c - rise_k)
            self.next_in_s = cooling_s(self._heat.whole_j_per_k, self._heat.loss_w_per_k, oil_c, again_c)


def _part_c(wish: Quench) -> float:
    return PART_C if wish.part_c is None else wish.part_c
