"""The oven's run: which phase it is in, what is told and noted of it, when it will end."""

from __future__ import annotations

from typing import Final

from controller.core import forecast as forecasts
from controller.core import program as programs
from controller.core.facts import Facts
from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.core.oven_heat import LOOP_S, OvenHeat
from controller.core.program import ACTIVE, BACK, Cause, Phase, Run

# Air near its target over walls and 5 kg of steel that are still cold: good sensors stood up to 49 K apart for ten
# minutes (drawn ovens), where in a soak they stand up to 22 K apart.
HEAT_UP_APART_K: Final = 35.0


class OvenRun(OvenHeat):
    """One run at a time, in one phase of the table in `program`; it stays to be shown when it has ended."""

    def __init__(self, limits: Limits, next_run_id: int) -> None:
        super().__init__(limits)
        self.next_run_id = next_run_id
        self.phase: Phase = "ready"
        self._back_to: Phase = "heat_up"
        self.run: Run | None = None
        self.paused = False
        self.waiting_s = 0.0
        self._settling_down = False
        self.soak_in_s: float | None = None
        self.ends_in_s: float | None = None
        self._presence_renews_s = 0.0
        self._over_times = 0

    @property
    def prompt_text(self) -> str | None:
        """The open prompt of the program, or None."""
        return self.run.temper.prompt if self.phase == "prompt" and self.run else None

    @property
    def active(self) -> bool:
        """A run is on (also cooling, at a prompt or withheld)."""
        return self.phase in ACTIVE

    @property
    def heating(self) -> bool:
        """Phases in which heat may be asked for: the contactor is wanted."""
        return self.phase in ("heat_up", "soak")

    def pause(self, moment: Moment, text: str) -> None:
        """The board rebooted, was silent too long or lost its arming: go on only by hand."""
        if self.phase in ACTIVE and not self.paused and self.run is not None:
            if self.phase != "withheld":
                self._back_to = self.phase
                self._go("withhold")
            self.paused = True
            moment.happened("run_paused", text, run_id=self.run.run_id)

    def second(self) -> None:
        """Once a second: when the soak begins and when the run ends, as far as can be said."""
        self.soak_in_s = self.ends_in_s = None
        run = self.run
        if run is None or self.phase not in ACTIVE or self.part_c is None:
            return
        under = self._back_to if self.phase == "withheld" else self.phase
        left_s = 0.0
        if under in ("heat_up", "prompt"):
            boost_k = forecasts.boost_k(self._limits, run.temper, self.part_measured)
            self.soak_in_s = left_s = forecasts.heat_up_s(run.temper, run.load, self.part_c, boost_k)
        if under != "cool":
            left_s += run.soak_left_s()
        left_s += forecasts.after_first_s(
            run.program.tempers[run.index :], run.load, self._limits, self.part_measured
        )
        self.ends_in_s = left_s

    def present(self) -> None:
        """Somebody is here: an overdue run may go on for as long again."""
        if self.run is not None:
            self._presence_renews_s = max(0.0, self.run.ran_s - self.run.forecast_s)

    def _under(self) -> Phase:
        """The phase of the program, also while heat is withheld or the arm button is waited for."""
        return self._back_to if self.phase in ("withheld", "waiting_for_arm") else self.phase

    def sensors_may_differ_k(self, facts: Facts) -> float | None:
        """By how much more the two oven sensors may differ now than in a soak; None: they are not compared.

        They are in the soak, also while its heat is withheld, and in a heat-up once the control sensor is near its
        target, or the hotter one near its limit. The loop keeps the air below that limit for as long as the run lasts,
        so no other row would tell of a control sensor that has slipped far towards the room.
        """
        if self.phase == "soak" or (self.phase == "withheld" and self._back_to == "soak" and not self.paused):
            return 0.0
        return HEAT_UP_APART_K if self.phase == "heat_up" and not self._climbs(facts) else None

    def _go(self, cause: Cause) -> None:
        following = programs.next_phase(self.phase, cause)
        if cause == "withhold":
            self._back_to = self.phase
        self.phase = self._back_to if following == BACK else following

    def _armed(self, moment: Moment) -> None:
        self._go("armed")
        if self.phase == "heat_up":
            self._begin_heat_up(moment)
        elif self.phase == "prompt" and self.run:
            self._ask(moment)

    def _begin_heat_up(self, moment: Moment) -> None:
        run = self.run
        if run is None:
            return
        run.ramp_c = None
        self._since_loop_s = LOOP_S
        self._settling_down = True
        self._loop.withheld()
        self._part_loop.withheld()
        moment.happened("heat_up", f"Temper {run.index + 1} of {len(run.program.tempers)}: heating.", run_id=run.run_id)

    def _ask(self, moment: Moment) -> None:
        if self.run is not None:
            moment.happened("prompt_asked", self.run.temper.prompt or "", run_id=self.run.run_id)

    def _note(self, run: Run, facts: Facts, dt_s: float) -> None:
        """Peaks, tempering parameter and soak clock: on the part, whatever the phase is called. While it is neither
        measured nor estimated from air that is known, nothing counts."""
        done = run.now
        part_c, air_c = self.part_c, facts.oven_c
        if part_c is not None and self.part_known and dt_s > 0.0:
            done.trace.add(part_c, dt_s)
            if done.part_peak_c is None or part_c > done.part_peak_c:
                done.part_peak_c = part_c
            under = self._back_to if self.phase == "withheld" else self.phase
            if under == "soak" and abs(part_c - run.temper.temperature_c) <= run.temper.band_c:
                done.soak_done_s += dt_s
        if air_c == air_c and (done.air_peak_c is None or air_c > done.air_peak_c):
            done.air_peak_c = air_c

    def _finish(self, moment: Moment, outcome: str, text: str) -> None:
        """Close the run's book. It stays in `run` so that the page can show how it ended."""
        run = self.run
        self.asked_duty = 0.0
        self._over_times = 0
        self.paused = False
        self._presence_renews_s = 0.0
        self._loop.withheld()
        self.setpoint_c = self.air_target_c = self.soak_in_s = self.ends_in_s = None
        if run is not None:
            moment.happened(
                "run_ended", text, run_id=run.run_id, outcome=outcome, program=run.program.name,
                tempers=run.results(), lost_s=run.lost_s,
            )  # fmt: skip
