"""Once a second: the facts that need a memory, of how the oven and the oil answer to what is done to them.

A rule that does not arise now is NEVER; one that cannot be judged for want of a reading is NaN only where
the reading itself is what the rule is about, because the sensor rows already withhold for a missing one.
"""

from __future__ import annotations

from collections import deque
from itertools import islice, pairwise
from math import fsum, nan
from typing import Final

from controller.core.facts import NEVER, UNKNOWN, Facts
from controller.core.watch_stir import ANSWER_K, HandStirring, SinceFall
from controller.metallurgy.quench_plan import ROOM_C, tank_heat
from controller.model import Oil

HALF_DUTY: Final = 0.5
FULL_DUTY: Final = 0.9
# Of one circuit for both zones that is used up an oven may get less, and needs longer to show what it does.
SHARED_DUTY: Final = 0.4
# Below this also the half of a weak oven's power, less its loss, still warms it; further up it may only hold it.
SHARED_BELOW_C: Final = 100.0
WHOLE_CIRCUIT: Final = 0.99
FULL_FOR_S: Final = 120
SHARED_FOR_S: Final = 300
NO_RISE_K: Final = 3.0
# Seconds without heat in such a time, one for each bad sample, that do not begin it anew. The heat is back after two,
# in which a shut oven falls by 0.8 K and does not rise: three of them are still less than the rise that is asked for.
FLICKER_S: Final = 3
LOST_K: Final = 0.9
DOOR_ANSWER_S: Final = 90.0
DOOR_RISE_K: Final = 3.0
DOOR_FALL_K: Final = 5.0
# More than a shut oven's air falls in these 30 s, whatever its heater did before.
SHUT_FALL_K: Final = 15.0
FALLS_ON_S: Final = 10
FALLS_ON_K: Final = 5.0 * FALLS_ON_S / 30.0
OFF_PEAK_UNTIL_S: Final = 90.0
BEFORE_OFF_S: Final = 300
# A shop warms up over a day by less than this; a stuck relay heats an oven a hundred times as fast.
OFF_DRIFT_K_PER_S: Final = 10.0 / 3600.0
# No oven loses its heat as fast as this behind a shut door: with the contactor open the drawn ones fall by at most
# 0.4 K a second, with an open door by 1.5 K and more even on a slow probe.
FAST_FALL_K: Final = 6.0
FAST_FALL_S: Final = 5
OPENED_LATELY_S: Final = 240.0
FELL_LATELY_S: Final = 600.0
FIRE_K_PER_MIN: Final = 10.0
FIRE_LASTS_S: Final = 60.0
FORECAST_K: Final = 15.0
STEP_K: Final = 3.0
# Where nobody stirs a heater warms the oil above it, and that by up to 1.43 times what it would do to the whole.
UNSTIRRED: Final = 1.5
# So long a heater's sheath goes on giving what it was given.
SHEATH_S: Final = 15
# In 10 s: the least fire gives 1.7 K.
LEVEL_K: Final = 1.0
CLOSE_K: Final = 15.0
# The least of a stuck relay's half-minutes over the greatest: quenches come and go, one a minute as well.
EVEN: Final = 0.75
OIL_SHARE: Final = 0.25
WARMING_S: Final = 600
# A gentle preheat asks for 0.35; oil that is held asks for less than this.
LEAST_GIVEN: Final = 0.34
MOSTLY: Final = 0.9
# Oils differ by a tenth in what a litre takes; their tank's loss follows from the litres.
ANY_OIL: Final = Oil("any oil", "quench", 200.0, 40.0, 80.0, 0.875, 2000.0)
ANY_OIL_J_PER_K_L: Final = 0.875 * 2000.0
WATCHED: Final = (
    "asked_applied_oven", "asked_applied_tank", "oil_step", "oil_still_rising", "oven_disagree_k", "oven_fall_asked",
    "oven_fall_k", "oven_fall_unanswered", "oven_frozen_s", "oven_no_rise_k", "oven_over_rising_k",
    "oven_rising_off_k", "quench_forecast_c", "tank_apart_k", "tank_fall_k", "tank_frozen_s", "tank_hot_c",
    "tank_no_rise", "tank_rising_off_k",
)  # fmt: skip
"""The facts that are looked at once a second, and only while the board is heard."""


def unheard(facts: Facts) -> None:
    """While the board is silent none of them is known: a row that bears minutes bears no reading from before."""
    for name in WATCHED:
        setattr(facts, name, UNKNOWN)


class OvenWatch:
    """The oven's own rules. `asking`: the question about the door is open."""

    def __init__(self, door_fitted: bool = False) -> None:
        self.door_fitted = door_fitted
        self.asking = False
        self._past: deque[float] = deque(maxlen=SHARED_FOR_S + 1)
        self._half_s = 0
        self._shares: deque[float] = deque(maxlen=SHARED_FOR_S + 1)
        self.door_shut_s = 1e9
        self.since_fast_fall_s = 1e9
        self._asked_s = 0.0
        self._asked_low_c = 0.0
        self._said_no = False
        self._since_unanswered_s = 1e9
        self._off_s = 0.0
        self._before: deque[float] = deque(maxlen=BEFORE_OFF_S)
        self._peak_c = NEVER
        self._peak_of: set[int] = set()
        self._quiet_s = 0.0
        self._quiet_c = NEVER

    def second(
        self, facts: Facts, asked: float, on: bool, air_target_c: float | None, withheld_over: bool, active: bool
    ) -> None:
        """One second: the duty asked, whether the output was on, the air target, and whether the row
        `oven_over_program` has taken the heat off. Without an `active` run nothing is asked about the door: an
        oven that cools after its run is no question."""
        if not active and self.asking:
            self.asking = self._said_no = False
            self._past.clear()
        self.door_shut_s = 0.0 if facts.door_open >= 0.5 else self.door_shut_s + 1.0
        self._past.append(facts.oven_c)
        past = self._past
        fast = len(past) > FAST_FALL_S and past[-1 - FAST_FALL_S] - past[-1] >= FAST_FALL_K
        self.since_fast_fall_s = 0.0 if fast else self.since_fast_fall_s + 1.0
        self._half_s = self._half_s + 1 if asked > HALF_DUTY else 0
        # Less than nine tenths is only a share where the circuit gives no more.
        self._shares.append(asked if asked >= FULL_DUTY or facts.duty_sum >= WHOLE_CIRCUIT else 0.0)
        self._no_rise(facts, air_target_c)
        self._falling(facts)
        self._rising_off(facts, asked, on)
        self._over_rising(facts, asked, on, withheld_over)

    def opened_lately(self) -> bool:
        """Whether the door was open within four minutes, by its switch, or without one by how fast the reading fell.

        Where a switch says that it is shut, a reading that falls so fast is a loose wire.
        """
        return (self.door_shut_s if self.door_fitted else self.since_fast_fall_s) < OPENED_LATELY_S

    def answer(self, it_is_the_door: bool) -> None:
        """The smith's answer to "is the door open?"."""
        self._said_no = self.asking and not it_is_the_door

    def reset(self) -> None:
        """After a reset at the machine: the rules start afresh.

        But not the rest line of an oven that fell under heat within the last ten minutes: its door may still be open,
        and once it is shut the air is as hot as before. Such an oven has no relay that is stuck.
        """
        since_s, rest = self._since_unanswered_s, (self._off_s, self._peak_c, self._peak_of)
        self.__init__(self.door_fitted)  # type: ignore[misc]
        if since_s <= FELL_LATELY_S:
            self._since_unanswered_s = since_s
            self._off_s, self._peak_c, self._peak_of = rest

    def forget(self, gap_s: float) -> None:
        """After `gap_s` without a reading, or a reboot of the board: nothing is compared with what was read before.

        A question about the door falls: what it was asked for is forgotten.
        """
        self.asking = self._said_no = False
        self._past.clear()
        self._before.clear()
        self._half_s = 0
        self._shares.clear()
        self.door_shut_s += gap_s
        self.since_fast_fall_s += gap_s
        self._since_unanswered_s += gap_s
        self._off_s = self._quiet_s = 0.0

    def _fell_k(self, seconds: int, asked_s: int) -> float:
        """How far the reading fell over these seconds, if the duty was asked for as long; NEVER otherwise."""
        past = self._past
        if asked_s <= seconds or len(past) <= seconds:
            return NEVER
        fell_k = past[-1 - seconds] - past[-1]
        return fell_k if fell_k == fell_k else NEVER

    def _no_rise(self, facts: Facts, air_target_c: float | None) -> None:
        below = air_target_c is not None and facts.oven_c < air_target_c - 10.0
        facts.oven_no_rise_k = NEVER
        if not below or self.asking:
            return
        for seconds, share in ((FULL_FOR_S, FULL_DUTY), (SHARED_FOR_S, SHARED_DUTY)):
            if seconds == SHARED_FOR_S and not facts.oven_c < SHARED_BELOW_C:
                continue
            unheated_s = self._unheated_s(seconds, share)
            # A switch that saw the door open had the heat taken off for it.
            opened = self.door_fitted and self.door_shut_s <= seconds
            if unheated_s <= (0 if opened else FLICKER_S) and len(self._past) > seconds:
                missing_k = self._missing_k(seconds) - LOST_K * unheated_s
                facts.oven_no_rise_k = max(facts.oven_no_rise_k, missing_k)

    def _unheated_s(self, seconds: int, share: float) -> int:
        """How many of these last seconds had less than this share of the heat; all of them if the first had, or where
        there is no such past."""
        shares = self._shares
        if len(shares) <= seconds or shares[-1 - seconds] < share:
            return seconds
        return sum(one < share for one in islice(shares, len(shares) - 1 - seconds, None))

    def _missing_k(self, seconds: int) -> float:
        """What the reading lacks of a rise by 3 K in these seconds.

        A reading that fell is the business of the falling rows: an opened door looks like that, where no switch says
        that it is shut. A dead element shows as a reading that stands still, or slides by less than they look for.
        """
        known = [c for c in islice(self._past, len(self._past) - 1 - seconds, None) if c == c]
        shut = self.door_fitted and self.door_shut_s > seconds
        # From its lowest: a door that was open for a moment is a dip that the heat has filled again.
        return NO_RISE_K - (known[-1] - min(known)) if shut or max(known) - known[-1] < DOOR_FALL_K else NEVER

    def _falling(self, facts: Facts) -> None:
        facts.oven_fall_k = NEVER
        if self.door_fitted:
            facts.oven_fall_asked = facts.oven_fall_unanswered = 0.0
            # Heat that came back a moment ago turns a slow reading by and by: it must fall on at the pace of the row.
            if self.door_shut_s >= 60.0:
                fell_k = self._fell_k(30, self._half_s)
                if fell_k >= SHUT_FALL_K or self._fell_k(FALLS_ON_S, self._half_s) >= FALLS_ON_K:
                    facts.oven_fall_k = fell_k
            return
        if not self.asking and self._fell_k(120, self._half_s) >= DOOR_FALL_K:
            known = [c for c in self._past if c == c]
            low_c = min(known[-121:])
            # A door that is shut again has answered before it is asked about: half of the fall is back at least, which
            # an oven that stands open and creeps up under full heat has not.
            self.asking = facts.oven_c < low_c + max(DOOR_RISE_K, (max(known) - low_c) / 2.0)
            self._asked_low_c = facts.oven_c
            self._asked_s = 0.0
        if self.asking:
            self._asked_s += 1.0
            self._asked_low_c = min(self._asked_low_c, facts.oven_c)
            if facts.oven_c >= self._asked_low_c + DOOR_RISE_K and not self._said_no:
                self.asking = False
                self._past.clear()
        lasting = self.asking and (self._said_no or self._asked_s > DOOR_ANSWER_S)
        facts.oven_fall_asked = float(self.asking)
        facts.oven_fall_unanswered = float(lasting)
        self._since_unanswered_s += 1.0
        if lasting:
            self._since_unanswered_s = 0.0
            self.asking = self._said_no = False
            self._past.clear()

    def _rising_off(self, facts: Facts, asked: float, on: bool) -> None:
        """The rise over the highest reading around switching off, by whichever sensors read.

        From 5 min before it, longer than an open door is asked about: when it is shut, the air is as hot as then again.
        A bad sample stands for nothing: the rest goes on from where it was. A sensor that was bad from the start joins
        with what it shows then, once.
        """
        facts.oven_rising_off_k = NEVER
        known = {at: c for at, c in enumerate((facts.oven_c, facts.oven_limit_c)) if c == c}
        if known:
            self._before.append(max(known.values()))
        if asked > 0.0 or on:
            self._off_s = 0.0
            return
        if not known:
            return
        hottest_c = max(known.values())
        if self._off_s == 0.0:
            self._peak_c = max(self._before)
            self._peak_of.clear()
        self._off_s += 1.0
        if self._off_s <= OFF_PEAK_UNTIL_S or not known.keys() <= self._peak_of:
            self._peak_c = max(self._peak_c, hottest_c)
            self._peak_of |= known.keys()
        if self._off_s > OFF_PEAK_UNTIL_S:
            facts.oven_rising_off_k = hottest_c - self._peak_c
            if hottest_c > self._peak_c:
                # After what the oven does, and no further: a line that rose by itself would hide a relay that sticks
                # after a day at rest.
                self._peak_c += OFF_DRIFT_K_PER_S

    def _over_rising(self, facts: Facts, asked: float, on: bool, withheld_over: bool) -> None:
        """A relay stuck closed, seen while the over-program row has taken the heat off."""
        facts.oven_over_rising_k = NEVER
        if not withheld_over or asked > 0.0 or on:
            self._quiet_s = 0.0
            return
        self._quiet_s += 1.0
        if self._quiet_s <= 30.0:
            self._quiet_c = facts.oven_c
        else:
            facts.oven_over_rising_k = facts.oven_c - self._quiet_c


class TankWatch:
    """The oil's own rules, and the recognition of a quench by its step. `stir_explains`: see `HandStirring`."""

    def __init__(self, heat_j_per_k: float, heater_w: float) -> None:
        self.stir_explains = False
        self._stirring = HandStirring(heater_w / heat_j_per_k if heat_j_per_k > 0.0 else 0.0)
        self._since_fall = SinceFall()
        self._heat_j_per_k = heat_j_per_k
        self._heater_w = heater_w
        self._loss_w_per_k = tank_heat(ANY_OIL, heat_j_per_k / ANY_OIL_J_PER_K_L).loss_w_per_k
        self._past: deque[float] = deque(maxlen=WARMING_S + 1)
        self._given: deque[float] = deque(maxlen=WARMING_S)
        self._given_s = 0.0
        self._lit_s = 0
        self._half_s = self._full_s = 0
        self._off_s = 0.0
        self._since_quench_s = self._since_declared_s = 1e9
        self._since_step_s = self._since_sure_step_s = 1e9
        self._stepping_s = 0.0
        self._levelled = True
        self._fast_s = 0.0
        self._step_from_c = 0.0
        self._forecast_after_c: float | None = None
        self._given_since_s = 0.0
        self.step_k: float | None = None

    def declared(self, forecast_after_c: float | None, *, filled_in: bool = False, second: bool = False) -> None:
        """A quench was declared; `forecast_after_c`: the oil afterwards, °C, if the mass was given.

        `filled_in`: the mass of one that was declared or seen before, whose time goes on. `second`: its forecast comes
        on top of the one before, and not on what the oil is now.
        """
        if not second:
            self._given_since_s = 0.0
        # Whatever it was taken for, a part may go in now: that explains a rise, and outlives no forecast.
        self._since_declared_s = 0.0
        if not filled_in:
            self._since_quench_s = 0.0
        elif self._since_quench_s > 600.0:
            # Nobody had declared it: its time began with its step, and so ends the time for which it explains a rise.
            self._since_quench_s = min(self._since_step_s, 600.0)
        self._forecast_after_c = forecast_after_c

    def forget(self, gap_s: float) -> None:
        """After `gap_s` without a reading, or a reboot of the board: nothing is compared with what was read before.

        A quench from before it is as old as it is.
        """
        self._past.clear()
        self._given.clear()
        self._given_s = 0.0
        self._lit_s = 0
        self._half_s = self._full_s = 0
        self._off_s = self._stepping_s = self._fast_s = 0.0
        self._stirring.forget()
        self._since_fall.forget()
        self._since_quench_s += gap_s
        self._since_declared_s += gap_s
        self._since_step_s += gap_s
        self._since_sure_step_s += gap_s
        self.step_k = None

    def second(self, facts: Facts, asked: float, on: bool, tank_limit_c: float | None) -> None:
        """One second: the duty asked, whether the output was on, and the tank limit (None without an oil)."""
        self._past.append(facts.tank_c)
        before = self._given[0] if len(self._given) == WARMING_S else 0.0
        self._given_s += asked - before
        self._lit_s += (asked > 0.0) - (before > 0.0)
        self._given.append(asked)
        self._given_since_s += asked
        self._half_s = self._half_s + 1 if asked > HALF_DUTY else 0
        self._full_s = self._full_s + 1 if asked >= FULL_DUTY else 0
        self._since_quench_s += 1.0
        self._since_declared_s += 1.0
        self._since_step_s += 1.0
        self._since_sure_step_s = 0.0 if self._sure_step() else self._since_sure_step_s + 1.0
        self._off_s = 0.0 if asked > 0.0 or on else self._off_s + 1.0
        self._step(facts, tank_limit_c)
        facts.tank_fall_k = self._fallen_k(asked)
        facts.tank_no_rise = self._no_rise()
        facts.tank_rising_off_k = self._rising_off_k(facts.tank_max_c, tank_limit_c)
        heated = facts.tank_heat_s_ago <= 120.0
        # From the last second of a step on: a heavy quench gives its heat away in more than one.
        quench = self._since_quench_s <= 600.0 or min(self._since_step_s, self._since_sure_step_s) <= 120.0
        facts.tank_hot_c = facts.tank_max_c if heated and not quench else NEVER
        # Two sensors are compared only where heat is asked for: warm oil lies in layers when nobody stirs.
        apart_k = abs(facts.tank_c - facts.tank_limit_c)
        facts.tank_apart_k = apart_k if asked > 0.0 and apart_k == apart_k else NEVER
        # Declared up to 2 min before the step, or after it: nobody has to be asked. A second one later is asked about.
        facts.oil_step = float(self._since_step_s <= 60.0 and self._since_quench_s - self._since_step_s > 120.0)
        facts.oil_still_rising = self._still_rising(facts.tank_max_c, tank_limit_c)
        if self._since_quench_s <= 600.0 and self._forecast_after_c is not None:
            facts.quench_forecast_c = self._forecast_after_c
        else:
            facts.quench_forecast_c = NEVER

    def _change_k(self, seconds: int) -> float:
        """How far the oil rose over these seconds; NEVER when there is no such past."""
        past = self._past
        if len(past) <= seconds:
            return NEVER
        rise_k = past[-1] - past[-1 - seconds]
        return rise_k if rise_k == rise_k else NEVER

    def _line_k(self, seconds: int, least_k: float) -> float:
        """The rise over these seconds from which on it is more than warming: `least_k`, or what the heater may show.

        By the heat that was asked for in them, and shortly before: none that a stuck relay gives. The heater of a usual
        tank (up to 6 K a minute) shows less than either.
        """
        if self._heat_j_per_k <= 0.0:
            return least_k
        k_per_s = UNSTIRRED * self._heater_w / self._heat_j_per_k
        if k_per_s * seconds <= least_k:
            return least_k
        given_s = fsum(islice(self._given, max(0, len(self._given) - seconds - SHEATH_S), None))
        return max(least_k, k_per_s * min(given_s, seconds))

    def _sure_step(self) -> bool:
        """A rise by 3 K within 10 s in means of 5 s: one that noise on an even rise does not make, which would excuse a
        stuck relay for ever."""
        past = list(islice(self._past, max(0, len(self._past) - 15), None))
        return len(past) == 15 and fsum(past[-5:]) - fsum(past[:5]) >= 5.0 * self._line_k(10, STEP_K)

    def _step(self, facts: Facts, tank_limit_c: float | None) -> None:
        """A rise of 3 K within 10 s that levels off within 60 s below the tank limit is taken as a quench.

        One that goes on is one step for as long as it rises as fast as a fire would: if it began anew every minute, it
        would never be 90 s old.
        """
        self.step_k = None
        rise_k = self._change_k(10)
        if self._stepping_s > 0.0:
            self._stepping_s += 1.0
            if rise_k == NEVER:
                return
            if rise_k < 0.5 and self._stepping_s <= 61.0:
                below = tank_limit_c is None or facts.tank_max_c < tank_limit_c
                if below and self._since_quench_s > 600.0:
                    self.step_k = facts.tank_c - self._step_from_c
                self._stepping_s = 0.0
                # By means of 5 s: in one noisy reading a fire may seem to have levelled off.
                past = list(self._past)
                self._levelled = not fsum(past[-5:]) - fsum(past[-15:-10]) >= 5.0 * LEVEL_K
            elif rise_k < self._line_k(10, FIRE_K_PER_MIN * 9.0 / 60.0) and self._stepping_s > 60.0:
                self._stepping_s = 0.0
        elif rise_k >= self._line_k(10, STEP_K):
            self._stepping_s = 1.0
            self._step_from_c = self._past[-11]
            # A noisy reading ends the step of a fire, and begins another, again and again: it is as old as the first.
            if self._fast_s <= (FIRE_LASTS_S if self._levelled else 0.0) or self._since_step_s > 600.0:
                self._since_step_s = 0.0
            self._levelled = False

    def _fall_k(self, seconds: int) -> float:
        change_k = self._change_k(seconds)
        return -change_k if change_k != NEVER and self._half_s > seconds else NEVER

    def _fallen_k(self, asked: float) -> float:
        """The fall over the last minute under heat; or what of it no stir by hand explains."""
        fall_k = self._fall_k(60)
        if not self.stir_explains:
            return fall_k
        stirring, past = self._stirring, self._past
        recent_c = islice(past, max(0, len(past) - 61), None)
        if self._since_fall.second(self._change_k(60), past[-1], asked, WARMING_S):
            # The fall is none of the heater's, which is judged from here on.
            self._full_s = 0
        return stirring.second(fall_k, recent_c, past[-1], asked, self._off_s)

    def _no_rise(self) -> float:
        """Below 0 while the oil gained a quarter of what watts and litres give in 5 min of full heat.

        Or in 10 min, with few breaks, of as much heat as a gentle preheat or a shared circuit gives: a quarter of what
        is left of it over twice the loss of such a tank by geometry, so that oil that is only held, or cannot get any
        warmer, is none.
        """
        if self._heat_j_per_k <= 0.0:
            return NEVER
        worst, rise_k = NEVER, self._change_k(300)
        if rise_k != NEVER and self._full_s > 300:
            worst = OIL_SHARE * self._heater_w * 300.0 / self._heat_j_per_k - rise_k
        since = self._since_fall
        if since.since_s > WARMING_S:
            rise_k, seconds = self._change_k(WARMING_S), float(WARMING_S)
            given_s, lit_s = self._given_s, float(self._lit_s)
        elif self._heater_w * since.given_s >= ANSWER_K * self._heat_j_per_k:
            rise_k, seconds, given_s, lit_s = since.risen_k, since.since_s, since.given_s, since.lit_s
        else:
            return worst
        if rise_k != NEVER and lit_s >= MOSTLY * seconds and given_s >= LEAST_GIVEN * seconds:
            lost_j = 2.0 * self._loss_w_per_k * max(0.0, self._past[-1] - ROOM_C) * seconds
            worst = max(worst, OIL_SHARE * (self._heater_w * given_s - lost_j) / self._heat_j_per_k - rise_k)
        return worst

    def _rising_off_k(self, hottest_c: float, tank_limit_c: float | None) -> float:
        """The rise over 10 min with the heater off, and no more than ten times that of the middle minute.

        A stuck relay heats evenly (7 K or more in 10 min); quenches that nobody declared come in minutes of their own,
        however slowly the oil hands their heat on and however many there are. Close to the oil's limit four minutes are
        enough, every half of them much alike: an oven that runs keeps the contactor closed, also for a stuck relay of
        the tank. Without a heater there is no relay to stick: the tank is warmed with hot scrap.
        """
        if self._heater_w <= 0.0:
            # Known, not only not arisen, so that a latch of another shop file can be let go.
            return 0.0
        if min(self._since_declared_s, self._since_sure_step_s) <= 600.0:
            return NEVER
        worst = NEVER
        if self._off_s > 780.0 and len(self._past) > 600:
            minutes = self._rises_k(10, 58)
            rise_k = fsum(minutes)
            minutes.sort()
            worst = min(rise_k, 5.0 * (minutes[4] + minutes[5])) if rise_k == rise_k else NEVER
        close = tank_limit_c is not None and hottest_c >= tank_limit_c - CLOSE_K
        if close and self._off_s > 300.0 and len(self._past) > 260:
            halves = self._rises_k(8, 30)
            if min(halves) >= EVEN * max(halves):
                worst = max(worst, fsum(halves))
        return worst

    def _rises_k(self, number: int, apart_s: int) -> list[float]:
        """The rise in each of so many stretches of time up to now, K.

        By means of 21 s: a single reading of a quarter-degree chip is a step off now and then, or bad.
        """
        past = list(islice(self._past, len(self._past) - number * apart_s - 21, None))
        levels = []
        for begin in range(0, len(past), apart_s):
            known = [c for c in past[begin : begin + 21] if c == c]
            levels.append(fsum(known) / len(known) if known else nan)
        return [later - earlier for earlier, later in pairwise(levels)]

    def _still_rising(self, hottest_c: float, tank_limit_c: float | None) -> float:
        """How much faster than the least fire the oil rises 90 s after a step, K/min, or its excess over a forecast, K.

        It must have risen so for a minute: another quench within these ten minutes, too slow to be a step of its own,
        has given its heat away by then. What the heater gave since the forecast warms the oil too, up to its limit.
        """
        over_k = self._change_k(60) - self._line_k(60, FIRE_K_PER_MIN)
        if over_k != NEVER:
            # A reading below the line now and then is noise; a quench that is over stays below it.
            fast_s = min(self._fast_s, FIRE_LASTS_S + 1.0)
            self._fast_s = self._fast_s + 1.0 if over_k >= 0.0 else max(0.0, fast_s - 2.0)
        worst = NEVER
        if 90.0 <= self._since_step_s <= 600.0 and self._since_quench_s >= 90.0 and self._fast_s > FIRE_LASTS_S:
            worst = over_k
        if self._since_quench_s <= 600.0 and self._forecast_after_c is not None:
            explained_c = self._forecast_after_c + FORECAST_K
            if tank_limit_c is not None and self._heat_j_per_k > 0.0:
                warmed_c = explained_c + self._heater_w * self._given_since_s / self._heat_j_per_k
                explained_c = max(explained_c, min(warmed_c, tank_limit_c))
            over_k = hottest_c - explained_c
            worst = max(worst, over_k) if over_k == over_k else worst
        return worst


class Delivery:
    """Compares what was asked of a zone with what the board reports it drove, over half a minute."""

    WINDOW_S: Final = 31
    BREAK_S: Final = 10
    """After so long that cannot be compared another heat begins; less is a flicker, and the window goes on."""
    SETTLE_S: Final = 2
    """After a flicker the loop asks again within a second, and the board drives it from its next window on."""

    def __init__(self) -> None:
        self._difference_s: deque[float] = deque(maxlen=self.WINDOW_S)
        self._asked_before = 0.0
        self._break_s = self._settle_s = 0

    def forget(self) -> None:
        """The board may be heating less than asked, and rightly: what was so far says nothing about what comes."""
        self._difference_s.clear()
        self._settle_s = 0

    def second(self, comparable: bool, asked: float, on_s: float) -> float:
        """The difference as a share of full power; NEVER while the two cannot be compared.

        A duty acts in the window after the one it was asked in, so each second is compared with the one before.
        """
        before, self._asked_before = self._asked_before, asked
        if not comparable:
            self._break_s += 1
            if self._break_s >= self.BREAK_S:
                self._difference_s.clear()
            self._settle_s = self.SETTLE_S if self._difference_s else 0
            return NEVER
        self._break_s = 0
        if self._settle_s > 0:
            self._settle_s -= 1
            return NEVER
        self._difference_s.append(before - on_s)
        if len(self._difference_s) < self.WINDOW_S:
            return NEVER
        return abs(fsum(self._difference_s)) / self.WINDOW_S
