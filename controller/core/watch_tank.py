"""Once a second: how the oil answers to its heat. `NEVER` and NaN as in `watch.py`."""

from __future__ import annotations

from math import fsum
from typing import Final

from controller.core.facts import NEVER, Facts
from controller.core.oil_past import PAST_S, OilPast
from controller.core.watch_quench import EXPLAINS_S, QuenchWatch
from controller.core.watch_stir import ANSWER_K, HandStirring, SinceFall
from controller.metallurgy.quench_plan import ROOM_C, tank_heat
from controller.model import Oil

HALF_DUTY: Final = 0.5
FULL_DUTY: Final = 0.9
CLOSE_K: Final = 15.0
# The least of a stuck relay's half-minutes over the greatest: quenches come and go, one a minute as well.
EVEN: Final = 0.75
OIL_SHARE: Final = 0.25
# A gentle preheat asks for 0.35; oil that is held asks for less than this.
LEAST_GIVEN: Final = 0.34
MOSTLY: Final = 0.9
# Oils differ by a tenth in what a litre takes; their tank's loss follows from the litres.
ANY_OIL: Final = Oil("any oil", "quench", 200.0, 40.0, 80.0, 0.875, 2000.0)
ANY_OIL_J_PER_K_L: Final = 0.875 * 2000.0


class TankWatch:
    """The oil's own rules. `stir_explains`: see `HandStirring`."""

    def __init__(self, heat_j_per_k: float, heater_w: float) -> None:
        self.stir_explains = False
        self._oil = OilPast(heat_j_per_k, heater_w)
        self.quench = QuenchWatch(self._oil)
        self._stirring = HandStirring(heater_w / heat_j_per_k if heat_j_per_k > 0.0 else 0.0)
        self._since_fall = SinceFall()
        self._loss_w_per_k = tank_heat(ANY_OIL, heat_j_per_k / ANY_OIL_J_PER_K_L).loss_w_per_k
        self._half_s = self._full_s = 0
        self._off_s = 0.0

    @property
    def step_k(self) -> float | None:
        """The rise of a quench that nobody had declared and that has levelled off in this second, K."""
        return self.quench.step_k

    def declared(self, forecast_after_c: float | None, *, filled_in: bool = False, second: bool = False) -> None:
        """A quench was declared; `forecast_after_c`: the oil afterwards, °C, if the mass was given.

        `filled_in`: the mass of one that was declared or seen before, whose time goes on. `second`: its forecast comes
        on top of the one before, and not on what the oil is now.
        """
        self.quench.declared(forecast_after_c, filled_in=filled_in, second=second)

    def forget(self, gap_s: float) -> None:
        """After `gap_s` without a reading, or a reboot of the board: nothing is compared with what was read before.

        A quench from before it is as old as it is.
        """
        self._oil.forget()
        self.quench.forget(gap_s)
        self._stirring.forget()
        self._since_fall.forget()
        self._half_s = self._full_s = 0
        self._off_s = 0.0

    def second(self, facts: Facts, asked: float, on: bool, tank_limit_c: float | None) -> None:
        """One second: the duty asked, whether the output was on, and the tank limit (None without an oil)."""
        self._oil.second(facts.tank_c, asked)
        self._half_s = self._half_s + 1 if asked > HALF_DUTY else 0
        self._full_s = self._full_s + 1 if asked >= FULL_DUTY else 0
        self._off_s = 0.0 if asked > 0.0 or on else self._off_s + 1.0
        self.quench.second(facts, asked, tank_limit_c)
        facts.tank_fall_k = self._fallen_k(asked)
        facts.tank_no_rise = self._no_rise()
        facts.tank_rising_off_k = self._rising_off_k(facts.tank_max_c, tank_limit_c)
        heated = facts.tank_heat_s_ago <= 120.0
        # From the last second of a step on: a heavy quench gives its heat away in more than one.
        quench = self.quench
        stepped = min(quench.since_step_s, quench.since_sure_step_s) <= 120.0
        explained = stepped or quench.since_quench_s <= EXPLAINS_S
        facts.tank_hot_c = facts.tank_max_c if heated and not explained else NEVER
        # Two sensors are compared only where heat is asked for: warm oil lies in layers when nobody stirs.
        apart_k = abs(facts.tank_c - facts.tank_limit_c)
        facts.tank_apart_k = apart_k if asked > 0.0 and apart_k == apart_k else NEVER

    def _fallen_k(self, asked: float) -> float:
        """The fall over the last minute under heat; or what of it no stir by hand explains."""
        change_k, oil_c = self._oil.change_k(60), self._oil.read_c[-1]
        fall_k = -change_k if change_k != NEVER and self._half_s > 60 else NEVER
        if not self.stir_explains:
            return fall_k
        if self._since_fall.second(change_k, oil_c, asked, PAST_S):
            # The fall is none of the heater's, which is judged from here on.
            self._full_s = 0
        return self._stirring.second(fall_k, self._oil.last(61), oil_c, asked, self._off_s)

    def _no_rise(self) -> float:
        """Below 0 while the oil gained a quarter of what watts and litres give in 5 min of full heat.

        Or in 10 min, with few breaks, of as much heat as a gentle preheat or a shared circuit gives: a quarter of what
        is left of it over twice the loss of such a tank by geometry, so that oil that is only held, or cannot get any
        warmer, is none.
        """
        oil, since = self._oil, self._since_fall
        if oil.heat_j_per_k <= 0.0:
            return NEVER
        worst, rise_k = NEVER, oil.change_k(300)
        if rise_k != NEVER and self._full_s > 300:
            worst = OIL_SHARE * oil.heater_w * 300.0 / oil.heat_j_per_k - rise_k
        if since.since_s > PAST_S:
            rise_k, seconds = oil.change_k(PAST_S), float(PAST_S)
            given_s, lit_s = oil.given_s, float(oil.lit_s)
        elif oil.heater_w * since.given_s >= ANSWER_K * oil.heat_j_per_k:
            rise_k, seconds, given_s, lit_s = since.risen_k, since.since_s, since.given_s, since.lit_s
        else:
            return worst
        if rise_k != NEVER and lit_s >= MOSTLY * seconds and given_s >= LEAST_GIVEN * seconds:
            lost_j = 2.0 * self._loss_w_per_k * max(0.0, oil.read_c[-1] - ROOM_C) * seconds
            worst = max(worst, OIL_SHARE * (oil.heater_w * given_s - lost_j) / oil.heat_j_per_k - rise_k)
        return worst

    def _rising_off_k(self, hottest_c: float, tank_limit_c: float | None) -> float:
        """The rise over 10 min with the heater off, and no more than ten times that of the middle minute.

        A stuck relay heats evenly (7 K or more in 10 min); quenches that nobody declared come in minutes of their own,
        however slowly the oil hands their heat on and however many there are. Close to the oil's limit four minutes are
        enough, every half of them much alike: an oven that runs keeps the contactor closed, also for a stuck relay of
        the tank. Without a heater there is no relay to stick: the tank is warmed with hot scrap.
        """
        oil, quench = self._oil, self.quench
        if oil.heater_w <= 0.0:
            # Known, not only not arisen, so that a latch of another shop file can be let go.
            return 0.0
        if min(quench.since_declared_s, quench.since_sure_step_s) <= 600.0:
            return NEVER
        worst = NEVER
        if self._off_s > 780.0 and len(oil.read_c) > 600:
            minutes = oil.rises_k(10, 58)
            rise_k = fsum(minutes)
            minutes.sort()
            worst = min(rise_k, 5.0 * (minutes[4] + minutes[5])) if rise_k == rise_k else NEVER
        close = tank_limit_c is not None and hottest_c >= tank_limit_c - CLOSE_K
        if close and self._off_s > 300.0 and len(oil.read_c) > 260:
            halves = oil.rises_k(8, 30)
            if min(halves) >= EVEN * max(halves):
                worst = max(worst, fsum(halves))
        return worst
