"""Once a second: how the oven answers to its heat and to its door. `NEVER` and NaN as in `watch.py`."""

from __future__ import annotations

from collections import deque
from itertools import islice
from math import fsum, nan
from typing import Final

from controller.core.facts import NEVER, Facts
from controller.core.heat_account import ROUGH, HeatAccount

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
# Of a time without telemetry, whatever its length, two seconds are looked at when it is over.
LOOKED_AT_S: Final = 2
# Of a flutter with a memory of 1 to 20 s, 0.3 to 0.9 are left in a mean of so many seconds.
MEAN_S: Final = 20
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
# Warm steel that is laid into a cold oven takes its air up by so much more than the 5 K of the row.
COLD_LINE_C: Final = 60.0
COLD_MORE_K: Final = 10.0
# No oven loses its heat as fast as this behind a shut door: with the contactor open the drawn ones fall by at most
# 0.4 K a second, with an open door by 1.5 K and more even on a slow probe.
FAST_FALL_K: Final = 6.0
FAST_FALL_S: Final = 5
OPENED_LATELY_S: Final = 240.0
FELL_LATELY_S: Final = 600.0


class OvenWatch:
    """The oven's own rules. `asking`: the question about the door is open."""

    def __init__(self, door_fitted: bool = False) -> None:
        self.door_fitted = door_fitted
        self.asking = False
        self._past: deque[float] = deque(maxlen=SHARED_FOR_S + 1)
        self._half_s = 0
        self._shares: deque[float] = deque(maxlen=SHARED_FOR_S + 1)
        self._account = HeatAccount()
        self._rough = HeatAccount(ROUGH)
        self._few: deque[float] = deque(maxlen=MEAN_S)
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
        self, facts: Facts, asked: float, on: bool, air_target_c: float | None, withheld_over: bool, active: bool,
        gave: float | None = None,
    ) -> None:
        """One second: the duty asked, whether the output was on, the air target, whether the row
        `oven_over_program` has taken the heat off, and the duty that the board `gave`, where that is known. Without an
        `active` run nothing is asked about the door: an oven that cools after its run is no question."""
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
        self._no_rise(facts, air_target_c, asked if gave is None else gave)
        self._falling(facts)
        self._rising_off(facts, asked, on)
        self._over_rising(facts, asked, on, withheld_over)

    def missed(self, gap_s: float) -> None:
        """After `gap_s` without telemetry that pauses nothing: the time of these rules goes on, without readings and
        without heat, and nothing is compared as if less time had gone by."""
        seconds = int(gap_s) - LOOKED_AT_S
        if seconds <= 0:
            return
        self._past.extend([nan] * seconds)
        self._shares.extend([0.0] * seconds)
        self._half_s = 0
        self._account.missed(seconds)
        self._rough.missed(seconds)
        self.door_shut_s += seconds
        self.since_fast_fall_s += seconds
        self._since_unanswered_s += seconds

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
        self._account.begin(nan)
        self._few.clear()
        self._rough.begin(nan)
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

    def _no_rise(self, facts: Facts, air_target_c: float | None, gave: float) -> None:
        below = air_target_c is not None and facts.oven_c < air_target_c - 10.0
        facts.oven_no_rise_k = NEVER
        # A bad sample says neither, and the account goes on through it.
        if air_target_c is None or facts.oven_c >= air_target_c - 10.0 or self.asking or self.door_shut_s == 0.0:
            self._account.begin(facts.oven_c)
        else:
            facts.oven_no_rise_k = self._account.second(facts.oven_c, min(gave, self._shares[-1]), self.door_fitted)
        facts.oven_no_rise_k = max(facts.oven_no_rise_k, self._flutters(facts.oven_c, air_target_c, gave))
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

    def _flutters(self, reading_c: float, air_target_c: float | None, gave: float) -> float:
        """What the mean of a reading lacks that rises and falls by so much that neither windows nor questions about
        the door come to an end. A question takes the heat off, and begins nothing anew."""
        if reading_c == reading_c:
            self._few.append(reading_c)
        mean_c = fsum(self._few) / MEAN_S if len(self._few) == MEAN_S else nan
        if air_target_c is None or mean_c >= air_target_c - 10.0 or self.door_shut_s == 0.0:
            self._rough.begin(mean_c)
            return NEVER
        return self._rough.second(mean_c, min(gave, self._shares[-1]), self.door_fitted)

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
        with what it shows then, once. From a cold oven 15 K are asked for: a load that is warm from its quench, or from
        the temper before, warms it as it lies there and waits for its start.
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
            rise_k = hottest_c - self._peak_c
            facts.oven_rising_off_k = rise_k - (COLD_MORE_K if self._peak_c < COLD_LINE_C else 0.0)
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
        # A bad sample at that instant is none to compare with.
        if self._quiet_s <= 30.0 or self._quiet_c != self._quiet_c:
            self._quiet_c = facts.oven_c
        else:
            facts.oven_over_rising_k = facts.oven_c - self._quiet_c
