"""Steps of the oil: a quench that was declared or not, and oil that goes on rising after it, which is a fire."""

from __future__ import annotations

from math import fsum
from typing import Final

from controller.core.facts import NEVER, Facts
from controller.core.oil_past import OilPast

FIRE_K_PER_MIN: Final = 10.0
FIRE_LASTS_S: Final = 60.0
FORECAST_K: Final = 15.0
STEP_K: Final = 3.0
# In 10 s: the least fire gives 1.7 K.
LEVEL_K: Final = 1.0
EXPLAINS_S: Final = 600.0
"""So long a quench explains that the oil rises."""


class QuenchWatch:
    """The recognition of a quench by its step. `step_k`: of one that nobody had declared, in this second.

    `since_quench_s`: since one was declared or, undeclared, filled in. `since_declared_s`: since anything was said of
    one. `since_step_s`: since the reading began to step, `since_sure_step_s`: since it last did beyond any noise.
    """

    def __init__(self, past: OilPast) -> None:
        self._oil = past
        self.since_quench_s = self.since_declared_s = 1e9
        self.since_step_s = self.since_sure_step_s = 1e9
        self._stepping_s = 0.0
        self._levelled = True
        self._fast_s = 0.0
        self._step_from_c = 0.0
        self._forecast_after_c: float | None = None
        self._given_since_s = 0.0
        self.step_k: float | None = None

    def declared(self, forecast_after_c: float | None, *, filled_in: bool, second: bool) -> None:
        """A quench was declared: see `TankWatch.declared`."""
        if not second:
            self._given_since_s = 0.0
        # Whatever it was taken for, a part may go in now: that explains a rise, and outlives no forecast.
        self.since_declared_s = 0.0
        if not filled_in:
            self.since_quench_s = 0.0
        elif self.since_quench_s > EXPLAINS_S:
            # Nobody had declared it: its time began with its step, and so ends the time for which it explains a rise.
            self.since_quench_s = min(self.since_step_s, EXPLAINS_S)
        self._forecast_after_c = forecast_after_c

    def forget(self, gap_s: float) -> None:
        """After `gap_s` without a reading: nothing is compared with what was before; a quench is as old as it is."""
        self._stepping_s = self._fast_s = 0.0
        self.since_quench_s += gap_s
        self.since_declared_s += gap_s
        self.since_step_s += gap_s
        self.since_sure_step_s += gap_s
        self.step_k = None

    def second(self, facts: Facts, asked: float, tank_limit_c: float | None) -> None:
        """One second, after the past has taken it: the duty asked, and the tank limit (None without an oil)."""
        self._given_since_s += asked
        self.since_quench_s += 1.0
        self.since_declared_s += 1.0
        self.since_step_s += 1.0
        self.since_sure_step_s = 0.0 if self._sure_step() else self.since_sure_step_s + 1.0
        self._step(facts, tank_limit_c)
        # Declared up to 2 min before the step, or after it: nobody has to be asked. A second one later is asked about.
        facts.oil_step = float(self.since_step_s <= 60.0 and self.since_quench_s - self.since_step_s > 120.0)
        facts.oil_still_rising = self._still_rising(facts.tank_max_c, tank_limit_c)
        forecast_c = self._forecast_c()
        facts.quench_forecast_c = NEVER if forecast_c is None else forecast_c

    def _forecast_c(self) -> float | None:
        return self._forecast_after_c if self.since_quench_s <= EXPLAINS_S else None

    def _sure_step(self) -> bool:
        """A rise by 3 K within 10 s in means of 5 s: one that noise on an even rise does not make, which would excuse a
        stuck relay for ever."""
        past = self._oil.last(15)
        return len(past) == 15 and fsum(past[-5:]) - fsum(past[:5]) >= 5.0 * self._oil.line_k(10, STEP_K)

    def _step(self, facts: Facts, tank_limit_c: float | None) -> None:
        """A rise of 3 K within 10 s that levels off within 60 s below the tank limit is taken as a quench.

        One that goes on is one step for as long as it rises as fast as a fire would: if it began anew every minute, it
        would never be 90 s old.
        """
        self.step_k = None
        oil = self._oil
        rise_k = oil.change_k(10)
        if self._stepping_s > 0.0:
            self._stepping_s += 1.0
            if rise_k == NEVER:
                return
            if rise_k < 0.5 and self._stepping_s <= 61.0:
                below = tank_limit_c is None or facts.tank_max_c < tank_limit_c
                if below and self.since_quench_s > EXPLAINS_S:
                    self.step_k = facts.tank_c - self._step_from_c
                self._stepping_s = 0.0
                # By means of 5 s: in one noisy reading a fire may seem to have levelled off.
                past = oil.last(15)
                self._levelled = not fsum(past[-5:]) - fsum(past[-15:-10]) >= 5.0 * LEVEL_K
            elif rise_k < oil.line_k(10, FIRE_K_PER_MIN * 9.0 / 60.0) and self._stepping_s > 60.0:
                self._stepping_s = 0.0
        elif rise_k >= oil.line_k(10, STEP_K):
            self._stepping_s = 1.0
            self._step_from_c = oil.read_c[-11]
            # A noisy reading ends the step of a fire, and begins another, again and again: it is as old as the first.
            if self._fast_s <= (FIRE_LASTS_S if self._levelled else 0.0) or self.since_step_s > EXPLAINS_S:
                self.since_step_s = 0.0
            self._levelled = False

    def _still_rising(self, hottest_c: float, tank_limit_c: float | None) -> float:
        """How much faster than the least fire the oil rises 90 s after a step, K/min, or its excess over a forecast, K.

        It must have risen so for a minute: another quench within these ten minutes, too slow to be a step of its own,
        has given its heat away by then. What the heater gave since the forecast warms the oil too, up to its limit.
        """
        oil = self._oil
        over_k = oil.change_k(60) - oil.line_k(60, FIRE_K_PER_MIN)
        if over_k != NEVER:
            # A reading below the line now and then is noise; a quench that is over stays below it.
            fast_s = min(self._fast_s, FIRE_LASTS_S + 1.0)
            self._fast_s = self._fast_s + 1.0 if over_k >= 0.0 else max(0.0, fast_s - 2.0)
        worst = NEVER
        if 90.0 <= self.since_step_s <= EXPLAINS_S and self.since_quench_s >= 90.0 and self._fast_s > FIRE_LASTS_S:
            worst = over_k
        explained_c = self._forecast_c()
        if explained_c is not None:
            explained_c += FORECAST_K
            if tank_limit_c is not None and oil.heat_j_per_k > 0.0:
                warmed_c = explained_c + oil.heater_w * self._given_since_s / oil.heat_j_per_k
                explained_c = max(explained_c, min(warmed_c, tank_limit_c))
            over_k = hottest_c - explained_c
            worst = max(worst, over_k) if over_k == over_k else worst
        return worst
