"""The oven: what a person asks of it, and each tick from the phase of its run to the asked duty.

What it is made of stands in files of its own, one upon the other: `oven_heat`, `oven_run`, `oven_offer`. They are one
object with one set of attributes, since a tape's memory holds it so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from math import isfinite
from typing import Any, Final

from controller.core import feasible
from controller.core import forecast as forecasts
from controller.core.facts import NEVER, Facts
from controller.core.feasible import HOTTER_AT_START_K
from controller.core.interlocks import TRIP, WITHHOLD
from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.core.oven_offer import OvenOffer
from controller.core.program import ACTIVE, Run
from controller.core.resume import run_to_state
from controller.model import Forecast, LoadItem, Program, Reason, Start
from controller.profiles import program_to_dict

ARM_WAIT_S: Final = 300.0
OVERDUE_S: Final = 4.0 * 3600.0
FALLING_WITHIN_K: Final = 20.0
UNDER_SETPOINT_K: Final = 5.0
# Below its band: as far as a ramp lets the steel fall behind.
FALLEN_K: Final = 20.0


class Oven(OvenOffer):
    """One zone. `asked_duty` is what it wants; the gate decides what leaves."""

    def __init__(self, limits: Limits, next_run_id: int, resumable: Mapping[str, Any] | None) -> None:
        super().__init__(limits, next_run_id, resumable)
        self._over_before = False
        self._refused_c: float | None = None
        self._by_air = False

    # --- what a person asks --------------------------------------------------------------------------------

    def refusals(self, program: Program, load: tuple[LoadItem, ...], facts: Facts) -> list[Reason]:
        """Everything that speaks against starting this program now, beyond the interlocks."""
        on = None if self.paused or self.phase in ("ended", "ready", "tripped") else self.run
        run_on = None if on is None else on.run_id
        return feasible.refusals(program, load, self._limits, facts, run_on)

    def forecast(self, program: Program, load: tuple[LoadItem, ...], part_c: float | None) -> Forecast | None:
        """What a start with the sensor on the steel at part_c (None: no such sensor) would bring, °C and s; None
        without an oven or with numbers that give none. Reads nothing that changes: safe from any thread."""
        return feasible.forecast(program, load, self._limits, part_c)

    def refused_as_too_hot(self, setpoint_c: float) -> None:
        """A start was refused for an oven above this first temper: the row about it shows until it has cooled."""
        self._refused_c = setpoint_c

    def start(self, wish: Start, who: str, moment: Moment) -> None:
        """Begin: a paused or cut-off run is dropped; heat waits for the arm button."""
        if self.run is not None and self.phase in ACTIVE:
            self._finish(moment, "stopped", "A new run was started.")
            self.phase = "ready"
        self._withdraw(moment, "A new run was started.")
        self.paused = False
        self._by_air = False
        self._refused_c = None
        facts = moment.facts
        part_c = facts.part_c if isfinite(facts.part_c) else None
        self._load(facts, wish.load)
        forecast = forecasts.forecast(wish.program, wish.load, self._limits, part_c).ends_in_s
        self._over_times = 0
        self.run = Run(self.next_run_id, wish.program, wish.load, who, forecast)
        self.next_run_id += 1
        self._go("start")
        self.waiting_s = 0.0
        self._back_to = "prompt" if wish.program.tempers[0].prompt else "heat_up"
        moment.happened(
            "run_started", f"Run {self.run.run_id} of {wish.program.name} was started.",
            run_id=self.run.run_id, program=program_to_dict(wish.program), load=[asdict(item) for item in wish.load],
            who=who, forecast_s=forecast,
        )  # fmt: skip
        if moment.armed:
            self._armed(moment)
        else:
            moment.happened("arm_wanted", "Press the arm button at the oven.", run_id=self.run.run_id)

    def stop(self, moment: Moment, why: str = "Stopped by hand.") -> None:
        """Heat off, the run ends; nothing to do is fine."""
        if self.run is not None and self.phase in ACTIVE | {"waiting_for_arm"}:
            self._finish(moment, "stopped", why)
            self._go("stop")
        elif self.phase == "ended":
            self._go("stop")
        self._withdraw(moment, why)

    def confirm(self, moment: Moment) -> None:
        """The hand's work is done: heat up."""
        self._go("confirmed")
        moment.happened("prompt_confirmed", "Confirmed.")
        self._begin_heat_up(moment)

    def go_by_air(self, moment: Moment) -> None:
        """The sensor on the steel is lost and the steel's size unknown: the smith says to go on all the same."""
        self._by_air = True
        moment.happened("prompt_confirmed", "It goes on by the air, with an estimate of the steel.")

    # --- each tick -----------------------------------------------------------------------------------------

    def sense(self, moment: Moment, over_program: bool, door: bool = False) -> None:
        """Before the interlocks: the part's temperature and the facts about the program.

        `over_program`: the row of that name acts. A second time within one run is a trip of its own: the open
        contactor ends the first one, and would let a stuck relay heat again and again. `door`: it was opened
        lately, and the air that shoots over when it is shut again is no runaway.
        """
        self._over_times += over_program and not self._over_before and not door
        self._over_before = over_program
        facts = moment.facts
        self._sense_part(moment)
        facts.paused = float(self.paused)
        facts.oven_over_times = float(self._over_times)
        target_c = self.air_target_c
        facts.oven_over_k = facts.part_over_k = NEVER
        facts.too_long_s = NEVER
        facts.part_unasked = 0.0
        if self._refused_c is not None and facts.oven_c < self._refused_c + HOTTER_AT_START_K:
            self._refused_c = None
        facts.oven_hot_k = NEVER if self._refused_c is None else facts.oven_c - self._refused_c
        run = self.run
        if run is None or self.phase not in ACTIVE:
            return
        facts.too_long_s = run.ran_s - run.forecast_s - OVERDUE_S - self._presence_renews_s
        under = self._back_to if self.phase == "withheld" else self.phase
        if under not in ("heat_up", "soak"):
            return
        facts.part_unasked = float(facts.part_bad >= 0.5 and not run.load and not self._by_air)
        if target_c is None:
            return
        # The part loop may take its air target well under the setpoint for a while, to stop the steel from
        # overshooting: an oven that is no hotter than about its setpoint has not run away.
        if self.setpoint_c is not None:
            target_c = max(target_c, self.setpoint_c - UNDER_SETPOINT_K)
        over_k = facts.oven_c - target_c
        self._settling_down = self._settling_down and over_k > FALLING_WITHIN_K
        facts.oven_over_k = NEVER if self._settling_down else over_k
        if self.part_measured and not self._settling_down:
            facts.part_over_k = facts.part_c - run.temper.temperature_c

    def leave_trip(self, moment: Moment) -> None:
        """Before the requests: when the trip is gone, a start may follow in the same tick."""
        if self.phase == "tripped" and moment.verdict.oven != TRIP:
            self._go("reset")

    def step(self, moment: Moment) -> None:
        """After the interlocks: move through the phases and ask for a duty."""
        self.asked_duty = 0.0
        if moment.verdict.oven == TRIP:
            self._trip(moment)
            return
        if self.phase == "waiting_for_arm":
            self._wait(moment)
        run = self.run
        if run is None or self.phase not in ACTIVE:
            self.setpoint_c = self.air_target_c = None
            return
        dt_s = moment.dt_s
        run.ran_s += dt_s
        self._note(run, moment.facts, dt_s)
        if not moment.armed and self.phase in ("heat_up", "soak") and dt_s > 0.0:
            self.pause(moment, "The board is no longer armed.")
        # Cooling and a question want no heat: a door opened for either holds nothing up.
        needs_heat = self._under() in ("heat_up", "soak")
        if self.paused or (moment.verdict.oven == WITHHOLD and needs_heat):
            self._withheld(run, moment)
            return
        if self.phase == "withheld":
            self._permit(run, moment)
        if self.phase == "heat_up":
            self._heat_up(run, moment)
        elif self.phase == "soak":
            self._soak(run, moment)
        elif self.phase == "cool":
            self._cool(run, moment)

    # --- inside --------------------------------------------------------------------------------------------

    def _wait(self, moment: Moment) -> None:
        if moment.armed:
            self._armed(moment)
            return
        self.waiting_s += moment.passed_s
        if self.waiting_s >= ARM_WAIT_S:
            run = self.run
            kept = run is not None and run.ran_s > 0.0
            if run is not None and kept:
                self.resumable = run_to_state(run, self._back_to)
                self._open = run
            elif run is not None:
                self._finish(moment, "stopped", "Nobody pressed the arm button within 5 min.")
            self.run = None
            self._go("wait_over")
            moment.happened("arm_wait_over", "Nobody pressed the arm button within 5 min.")

    def _trip(self, moment: Moment) -> None:
        if self.run is not None and self.phase in ACTIVE | {"waiting_for_arm"}:
            self._finish(moment, "tripped", "An interlock tripped.")
        if self.phase != "tripped":
            self._go("trip")
        self.setpoint_c = self.air_target_c = None

    def _withheld(self, run: Run, moment: Moment) -> None:
        if self.phase != "withheld":
            self._go("withhold")
        self._loop.withheld()
        self._part_loop.withheld()
        in_band = self.part_c is not None and abs(self.part_c - run.temper.temperature_c) <= run.temper.band_c
        if not in_band:
            run.lost_s += moment.dt_s

    def _permit(self, run: Run, moment: Moment) -> None:
        """On again. Steel that has fallen out of its soak heats up to it anew, and with its ramp."""
        temper = run.temper
        lowest_c = temper.temperature_c - temper.band_c - FALLEN_K
        fallen = self._back_to == "soak" and self.part_c is not None and self.part_c < lowest_c
        if fallen:
            self._back_to = "heat_up"
        self._go("permit")
        if fallen:
            self._begin_heat_up(moment)

    def _heat_up(self, run: Run, moment: Moment) -> None:
        self._ask_duty(run, moment)
        temper = run.temper
        if self.part_c is not None and self.part_c >= temper.temperature_c - temper.band_c:
            self._go("in_band")
            moment.happened("soak_begun", f"Soak {run.index + 1} has begun.", run_id=run.run_id)

    def _soak(self, run: Run, moment: Moment) -> None:
        self._ask_duty(run, moment)
        if not run.soaked():
            return
        self.asked_duty = 0.0
        self._loop.withheld()
        if run.last:
            self._finish(moment, "ended", "The last soak is done.")
            self._go("last_soak_done")
        else:
            self._go("soak_done")
            moment.happened("soak_done", f"Soak {run.index + 1} is done. Cooling.", run_id=run.run_id)

    def _cool(self, run: Run, moment: Moment) -> None:
        self.setpoint_c = self.air_target_c = None
        hottest_c = self.estimate.hottest_c
        if hottest_c is None or hottest_c >= run.temper.cool_below_c:
            return
        run.index += 1
        if run.temper.prompt:
            self._go("cooled_to_prompt")
            self._ask(moment)
        else:
            self._go("cooled")
            self._begin_heat_up(moment)
