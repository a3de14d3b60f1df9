"""The oven's heat: where the steel is, what it is to be, and the duty that is asked for it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from controller.core.estimate import ROOM_C, PartEstimate
from controller.core.facts import UNKNOWN, Facts
from controller.core.heating import PartLoop, oven_loop
from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.core.program import Run
from controller.core.sensing import SILENT_S
from controller.model import LoadItem

LOOP_S: Final = 1.0
# Heat that the elements still hold carries the air on for about this long (simulated ovens, the fastest door).
NEAR_AHEAD_S: Final = 8.0
NEAR_LIMIT_K: Final = 6.0
NEAR_BAND_K: Final = 10.0
FAR_BELOW_K: Final = 10.0


class OvenHeat:
    """The part's temperature, the setpoint and the air target, °C, and the duty 0..1 that they ask for."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self.asked_duty = 0.0
        self.setpoint_c: float | None = None
        self.air_target_c: float | None = None
        self.estimate = PartEstimate()
        self.part_c: float | None = None
        self.part_error_c: float | None = None
        self.part_measured = False
        self.part_known = False
        self._unseen_s = 0.0
        self._loop = oven_loop()
        self._part_loop = PartLoop()
        self._since_loop_s = LOOP_S
        self._hot_c: float | None = None
        self._room_left = 0.0

    def _sense_part(self, moment: Moment) -> None:
        """The part as its sensor reads it, else as it is estimated, with the error of either.

        `part_known`: it is measured, or the air is known that it is estimated from. Time that went by without is
        counted by the given clock, since the board's own comes with its frames only.
        """
        facts, dt_s = moment.facts, moment.dt_s
        self.part_measured = facts.part_c == facts.part_c
        self.part_known = self.part_measured or facts.oven_c == facts.oven_c
        self._unseen_s += moment.passed_s
        if not self.part_known:
            self.estimate.step(UNKNOWN, UNKNOWN, self._unseen_s)
            self._unseen_s = 0.0
        elif dt_s > 0.0:
            if self._unseen_s - dt_s > SILENT_S:
                self.estimate.step(UNKNOWN, UNKNOWN, self._unseen_s - dt_s)
            self.estimate.step(facts.oven_c, facts.part_c, dt_s)
            self._unseen_s = 0.0
        self._say_part(facts)

    def _load(self, facts: Facts, items: Sequence[LoadItem], hottest_c: float | None = None) -> None:
        """Other steel from here on: as its sensor reads it, else cold as the room, at most at hottest_c."""
        if self.part_measured:
            self.estimate.load(items, facts.part_c)
        else:
            self.estimate.load(items, ROOM_C, hottest_c)
        self._say_part(facts)

    def _say_part(self, facts: Facts) -> None:
        self.part_c = facts.part_c if self.part_measured else self.estimate.part_c
        if self.part_measured:
            self.part_error_c = 2.5
        else:
            self.part_error_c = None if self.part_c is None else self.estimate.error_c(facts.oven_c)

    def _boost_k(self, setpoint_c: float) -> float:
        return max(0.0, self._limits.boost_c(setpoint_c))

    def _setpoint(self, run: Run, dt_s: float) -> float:
        """The setpoint now: the temper's own, or on its ramp towards it."""
        temper = run.temper
        if temper.ramp_c_per_h is None or self.part_c is None:
            return temper.temperature_c
        if run.ramp_c is None:
            run.ramp_c = min(self.part_c, temper.temperature_c)
        # A ramp waits for steel that cannot follow it.
        if self.part_c >= run.ramp_c - 20.0:
            run.ramp_c = min(temper.temperature_c, run.ramp_c + temper.ramp_c_per_h * dt_s / 3600.0)
        return run.ramp_c

    def _ask_duty(self, run: Run, moment: Moment) -> None:
        """Once a second, as the board's window is; between, and in a tick without a frame, the last duty stands
        (the silence row ends it after 1.5 s)."""
        self._since_loop_s += moment.dt_s
        dt_s = self._since_loop_s
        if dt_s < LOOP_S:
            self.asked_duty = min(self._loop.duty, self._room_left)
            return
        self._since_loop_s = 0.0
        facts = moment.facts
        self.setpoint_c = setpoint_c = self._setpoint(run, dt_s)
        if self.part_measured:
            boost_k = self._boost_k(run.temper.temperature_c)
            self.air_target_c = self._part_loop.step(setpoint_c, facts.part_c, boost_k, dt_s)
        else:
            self.air_target_c = setpoint_c
        self._room_left = self._room(facts, dt_s)
        self.asked_duty = min(self._loop.step(self.air_target_c, facts.oven_c, dt_s), self._room_left)

    def _room(self, facts: Facts, dt_s: float) -> float:
        """The share of full power that the hotter sensor leaves, looking some seconds ahead: a slow control sensor
        does not see how near its limit the air is when a door is shut again."""
        hot_c = facts.oven_max_c
        rate = max(0.0, hot_c - self._hot_c) / dt_s if self._hot_c is not None and dt_s > 0.0 else 0.0
        self._hot_c = hot_c
        room = (self._limits.oven_limit_c - NEAR_LIMIT_K - hot_c - NEAR_AHEAD_S * rate) / NEAR_BAND_K
        return min(1.0, room) if room > 0.0 else 0.0

    def _climbs(self, facts: Facts) -> bool:
        """Whether the control sensor is still far below its target and nothing holds the heat back that it asks for."""
        target_c = self.air_target_c
        return target_c is None or (facts.oven_c < target_c - FAR_BELOW_K and self._room_left >= self._loop.duty)
