"""The oven: phases of a run, from setpoint to asked duty, with the soak counted on the steel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from math import isfinite
from typing import Any, Final

from controller.core import forecast as forecasts
from controller.core import program as programs
from controller.core.estimate import PartEstimate
from controller.core.facts import NEVER, Facts
from controller.core.heating import PartLoop, oven_loop
from controller.core.interlocks import TRIP, WITHHOLD
from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.core.program import BACK, Cause, Phase, Run
from controller.core.resume import OFFERED_S, offer_text, run_from_state, run_to_state
from controller.model import Forecast, LoadItem, Program, Reason, Start
from controller.profiles import program_to_dict

ARM_WAIT_S: Final = 300.0
OVERDUE_S: Final = 4.0 * 3600.0
HOTTER_AT_START_K: Final = 15.0
FALLING_WITHIN_K: Final = 20.0
LOOP_S: Final = 1.0
# Heat that the elements still hold carries the air on for about this long (simulated ovens, the fastest door).
NEAR_AHEAD_S: Final = 8.0
NEAR_LIMIT_K: Final = 6.0
NEAR_BAND_K: Final = 10.0
UNDER_SETPOINT_K: Final = 5.0
ACTIVE: Final = frozenset({"heat_up", "soak", "cool", "prompt", "withheld"})


class Oven:
    """One zone. `asked_duty` is what it wants; the gate decides what leaves."""

    def __init__(self, limits: Limits, next_run_id: int, resumable: Mapping[str, Any] | None) -> None:
        self._limits = limits
        self.next_run_id = next_run_id
        self.phase: Phase = "ready"
        self._back_to: Phase = "heat_up"
        self.run: Run | None = None
        self.resumable: Mapping[str, Any] | None = resumable
        self._offered_at_s: float | None = None
        self._told_resumable = False
        self.paused = False
        self._open: Run | None = None
        self.asked_duty = 0.0
        self.setpoint_c: float | None = None
        self.air_target_c: float | None = None
        self.estimate = PartEstimate()
        self.part_c: float | None = None
        self.part_error_c: float | None = None
        self.part_measured = False
        self._loop = oven_loop()
        self._part_loop = PartLoop()
        self.waiting_s = 0.0
        self._settling_down = False
        self.soak_in_s: float | None = None
        self.ends_in_s: float | None = None
        self._presence_renews_s = 0.0
        self._since_loop_s = LOOP_S
        self._over_before = False
        self._over_times = 0
        self._hot_c: float | None = None
        self._room_left = 0.0
        self._refused_c: float | None = None
        self._by_air = False

    # --- what a person asks --------------------------------------------------------------------------------

    def refusals(self, program: Program, load: tuple[LoadItem, ...], facts: Facts) -> list[Reason]:
        """Everything that speaks against starting this program now, beyond the interlocks."""
        limits = self._limits
        reasons: list[Reason] = []
        if not limits.oven:
            return [Reason("no_oven", "The shop file has no [oven], so there is nothing to start.")]
        if self.run is not None and not self.paused and self.phase not in ("ended", "ready"):
            reasons.append(Reason("run_on", f"Run {self.run.run_id} is on. Stop it first."))
        if not 1 <= len(program.tempers) <= programs.MOST_TEMPERS:
            return [*reasons, Reason("tempers", f"A program has 1 to {programs.MOST_TEMPERS} tempers.")]
        if not programs.usable_load(load):
            reasons.append(Reason("load_invalid", "Each piece needs a mass and a thickness above 0."))
        one_sensor = not facts.fitted & 2
        highest_c = limits.setpoint_max_c(one_sensor)
        for number, temper in enumerate(program.tempers, start=1):
            t_c = temper.temperature_c
            if not programs.usable(temper):
                reasons.append(
                    Reason("temper_invalid", f"Temper {number} has no usable temperature, soak, ramp, band or cool.")
                )
            elif t_c > highest_c:
                why = "with one oven sensor only" if one_sensor else "in this oven"
                reasons.append(
                    Reason("too_hot", f"Temper {number} asks {t_c:g} °C; the highest {why} is {highest_c:g} °C.")
                )
            elif limits.boost_c(t_c) < 0.0:
                reasons.append(
                    Reason("limit_too_low", f"Temper {number} asks {t_c:g} °C, too near the oven's limit of "
                           f"{limits.oven_limit_c:g} °C. {limits.oven_limit_c - 15:g} °C is possible.")
                )  # fmt: skip
        if any(reason.code in ("temper_invalid", "load_invalid") for reason in reasons):
            return reasons
        if program.tempers and facts.oven_c > program.tempers[0].temperature_c + HOTTER_AT_START_K:
            reasons.append(Reason("oven_hot", self._wait_text(facts.oven_c, program.tempers[0].temperature_c)))
        if forecasts.forecast(program, load, limits, facts.part_c if isfinite(facts.part_c) else None).too_long:
            reasons.append(Reason("too_long", "This program would take longer than 11 h. Divide it into two runs."))
        return reasons

    def forecast(self, program: Program, load: tuple[LoadItem, ...], part_c: float | None) -> Forecast | None:
        """What a start with the sensor on the steel at part_c (None: no such sensor) would bring, °C and s; None
        without an oven or with numbers that give none. Reads nothing that changes: safe from any thread."""
        usable = 0 < len(program.tempers) <= programs.MOST_TEMPERS and all(map(programs.usable, program.tempers))
        if not (self._limits.oven and usable and programs.usable_load(load)):
            return None
        return forecasts.forecast(program, load, self._limits, part_c)

    def refused_as_too_hot(self, setpoint_c: float) -> None:
        """A start was refused for an oven above this first temper: the row about it shows until it has cooled."""
        self._refused_c = setpoint_c

    def _wait_text(self, now_c: float, first_c: float) -> str:
        minutes = max(5, round((now_c - first_c - HOTTER_AT_START_K) / 2.0))
        return (
            f"The oven is at {now_c:.0f} °C, more than 15 °C above the first temper. "
            f"Open the door and wait about {minutes} min."
        )

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
        self.estimate.load(wish.load, forecasts.ROOM_C if part_c is None else part_c)
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

    def resume_refusals(self, run_id: int) -> list[Reason]:
        """Why this run cannot be resumed; empty when it can."""
        if self.resumable_run_id == run_id:
            return []
        known = self.resumable_run_id
        offer = f"Run {known} can be resumed." if known is not None else "No run is waiting to be resumed."
        return [Reason("not_resumable", f"Run {run_id} cannot be resumed. {offer}")]

    def resumed_run(self) -> Run | None:
        """The paused run, or the one that was cut off; None where its stored data make no run."""
        if self.paused or self.resumable is None:
            return self.run
        try:
            return run_from_state(self.resumable)
        except (KeyError, TypeError, ValueError):
            return None

    def resume(self, moment: Moment) -> None:
        """Go on with the paused or cut-off run, once the machine is armed, where it was: at a question of the
        program or in its cool, too; a soak begins with heating up to it."""
        if not self.paused and self.resumable is not None:
            self.run = self.resumed_run()
            if self.run is None:
                return
            self.estimate.load(self.run.load, None)
            left_in = self.resumable.get("phase")
            self._back_to = left_in if left_in in ("prompt", "cool") else "heat_up"
        run = self.run
        if run is None:
            return
        self._go("resume")
        self.resumable = self._open = None
        self.paused = False
        self.waiting_s = 0.0
        moment.happened("run_resumed", f"Run {run.run_id} goes on.", run_id=run.run_id)
        if moment.armed:
            self._armed(moment)
        else:
            moment.happened("arm_wanted", "Press the arm button at the oven.", run_id=run.run_id)

    def offer(self, moment: Moment) -> None:
        """Each tick: tell once of a run that was cut off; a day after that it is offered no longer."""
        if self.resumable is None:
            self._offered_at_s = None
            return
        run_id, away_s = self.resumable_run_id, float(self.resumable.get("away_s", 0.0))
        if self._offered_at_s is not None:
            away_s += max(0.0, moment.now_s - self._offered_at_s)
        self._offered_at_s = moment.now_s
        if away_s > OFFERED_S:
            self._withdraw(moment, "Nobody went on with it within 24 h.")
            moment.happened("run_lapsed", f"Run {run_id} was cut off more than 24 h ago; start anew.", run_id=run_id)
            return
        self.resumable = {**self.resumable, "away_s": away_s}
        if not self._told_resumable:
            self._told_resumable = True
            moment.happened("run_resumable", offer_text(self.resumable, away_s), run_id=run_id, away_s=away_s)

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

    @property
    def prompt_text(self) -> str | None:
        """The open prompt of the program, or None."""
        return self.run.temper.prompt if self.phase == "prompt" and self.run else None

    @property
    def resumable_run_id(self) -> int | None:
        """A paused run, or one cut off by a restart."""
        if self.paused and self.run is not None:
            return self.run.run_id
        return int(self.resumable["run_id"]) if self.resumable else None

    @property
    def active(self) -> bool:
        """A run is on (also cooling, at a prompt or withheld)."""
        return self.phase in ACTIVE

    @property
    def heating(self) -> bool:
        """Phases in which heat may be asked for: the contactor is wanted."""
        return self.phase in ("heat_up", "soak")

    # --- each tick -----------------------------------------------------------------------------------------

    def pause(self, moment: Moment, text: str) -> None:
        """The board rebooted, was silent too long or lost its arming: go on only by hand."""
        if self.phase in ACTIVE and not self.paused and self.run is not None:
            if self.phase != "withheld":
                self._back_to = self.phase
                self._go("withhold")
            self.paused = True
            moment.happened("run_paused", text, run_id=self.run.run_id)

    def sense(self, moment: Moment, over_program: bool, door: bool = False) -> None:
        """Before the interlocks: the part's temperature and the facts about the program.

        `over_program`: the row of that name acts. A second time within one run is a trip of its own: the open
        contactor ends the first one, and would let a stuck relay heat again and again. `door`: it was opened
        lately, and the air that shoots over when it is shut again is no runaway.
        """
        self._over_times += over_program and not self._over_before and not door
        self._over_before = over_program
        facts, dt_s = moment.facts, moment.dt_s
        self.estimate.step(facts.oven_c, facts.part_c, dt_s)
        self.part_measured = facts.part_c == facts.part_c
        self.part_c = facts.part_c if self.part_measured else self.estimate.part_c
        if self.part_measured:
            self.part_error_c = 2.5
        else:
            self.part_error_c = None if self.part_c is None else self.estimate.error_c(facts.oven_c)
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
            self._go("permit")
        if self.phase == "heat_up":
            self._heat_up(run, moment)
        elif self.phase == "soak":
            self._soak(run, moment)
        elif self.phase == "cool":
            self._cool(run, moment)

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

    def state(self) -> dict[str, Any] | None:
        """The run that would have to be resumed after a restart, as plain data; also one that waits for the button."""
        if self.run is not None and self.phase in ACTIVE | {"waiting_for_arm"}:
            return run_to_state(self.run, self._under())
        return dict(self.resumable) if self.resumable else None

    # --- inside --------------------------------------------------------------------------------------------

    def _under(self) -> Phase:
        """The phase of the program, also while heat is withheld or the arm button is waited for."""
        return self._back_to if self.phase in ("withheld", "waiting_for_arm") else self.phase

    def _go(self, cause: Cause) -> None:
        following = programs.next_phase(self.phase, cause)
        if cause == "withhold":
            self._back_to = self.phase
        self.phase = self._back_to if following == BACK else following

    def _boost_k(self, setpoint_c: float) -> float:
        return max(0.0, self._limits.boost_c(setpoint_c))

    def _wait(self, moment: Moment) -> None:
        if moment.armed:
            self._armed(moment)
            return
        self.waiting_s += moment.dt_s
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

    def _withdraw(self, moment: Moment, why: str) -> None:
        """It is no longer offered to go on. A run that had gone on here is open in the book, so its end is told."""
        run, self._open, self.resumable = self._open, None, None
        if run is not None:
            self.run = run
            self._finish(moment, "stopped", why)
            self.run = None

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

    def _note(self, run: Run, facts: Facts, dt_s: float) -> None:
        """Peaks, tempering parameter and soak clock: on the part, whatever the phase is called."""
        done = run.now
        part_c, air_c = self.part_c, facts.oven_c
        if part_c is not None and dt_s > 0.0:
            done.trace.add(part_c, dt_s)
            if done.part_peak_c is None or part_c > done.part_peak_c:
                done.part_peak_c = part_c
            under = self._back_to if self.phase == "withheld" else self.phase
            if under == "soak" and abs(part_c - run.temper.temperature_c) <= run.temper.band_c:
                done.soak_done_s += dt_s
        if air_c == air_c and (done.air_peak_c is None or air_c > done.air_peak_c):
            done.air_peak_c = air_c

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
        if self.part_c is None or self.part_c >= run.temper.cool_below_c:
            return
        run.index += 1
        if run.temper.prompt:
            self._go("cooled_to_prompt")
            self._ask(moment)
        else:
            self._go("cooled")
            self._begin_heat_up(moment)

    def _ask(self, moment: Moment) -> None:
        if self.run is not None:
            moment.happened("prompt_asked", self.run.temper.prompt or "", run_id=self.run.run_id)

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
