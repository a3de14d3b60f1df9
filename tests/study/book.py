"""What the book has to tell: every change that a snapshot shows has its event, in the tick in which it came.

Beside it what needs no memory of the core's: what may stand after a stop, when the contactor may be asked for, and
inputs of the board that keep heat away for as long as they are seen.
"""

from __future__ import annotations

from typing import Any, Final

from controller.core.tick import Core
from controller.model import (
    FITTED_DOOR,
    FITTED_LEVEL,
    FITTED_SMOKE,
    INPUT_ARMED,
    INPUT_DOOR_OPEN,
    INPUT_LEVEL_GOOD,
    INPUT_SMOKE,
    INPUT_STOP_CLOSED,
    Outcome,
    OvenView,
    Preheat,
    Presence,
    Quench,
    Resume,
    RowState,
    Snapshot,
    Start,
    StopAll,
    StopOven,
    TankOff,
)
from tests.study.rule import RuleError

ON: Final = frozenset({"heat_up", "soak", "cool", "prompt", "withheld"})
OPEN: Final = ON | {"waiting_for_arm"}
OVEN_HEATS: Final = ("heat_up", "soak")
TANK_HEATS: Final = ("preheat", "in_band")
ACTS: Final = ("trip", "withhold", "alert")


class Book:
    """Looks at every tick. `latched` and the soaks that were told outlive the process, as the core's state does."""

    def __init__(self) -> None:
        self._latched: tuple[str, ...] = ()
        self._soaks: set[tuple[int | None, int]] = set()
        self.new_process()

    def new_process(self) -> None:
        """The core was built anew from its state: no run is on, nothing is warmed, no board was met."""
        self._before: Snapshot | None = None
        self._armed = False
        self._silent = True
        self._boots: int | None = None
        self._reboot_told = False
        self._rows: tuple[RowState, ...] | None = None
        self._acting: set[str] = set()

    def taken(self, wish: object, outcome: Outcome) -> None:
        """A wish was accepted in this tick, whose stops are the last thing in it. Raises RuleError."""
        kinds = {event.kind for event in outcome.events}
        oven, tank, command = outcome.snapshot.oven, outcome.snapshot.tank, outcome.command
        wanted = ""
        if isinstance(wish, (StopOven, StopAll)):
            over = oven.phase in ("ready", "ended", "tripped") and oven.resumable_run_id is None
            if not over or oven.setpoint_c is not None or command.oven_duty > 0.0:
                raise RuleError(f"the oven was stopped and is in {oven.phase}, {command}, to go on: {oven}")
        elif isinstance(wish, Start):
            wanted = "run_started"
        elif isinstance(wish, Resume):
            wanted = "run_resumed"
        elif isinstance(wish, Preheat):
            wanted = "tank_on"
        elif isinstance(wish, Quench):
            wanted = "quench_declared"
        elif isinstance(wish, Presence):
            wanted = "presence"
        if isinstance(wish, (TankOff, StopAll)):
            over = tank.phase in ("off", "tripped") and tank.setpoint_c is None
            if not over or command.tank_duty > 0.0:
                raise RuleError(f"the tank was switched off and is in {tank.phase}, {command}")
        if wanted and wanted not in kinds:
            raise RuleError(f"{wish} was accepted without {wanted}: {kinds}")

    def look(self, core: Core, outcome: Outcome, latched: tuple[str, ...]) -> None:
        """One tick. Raises RuleError."""
        told = {(event.kind, event.data.get("run_id")) for event in outcome.events}
        kinds = {kind for kind, _ in told}
        self._contactor(core, outcome)
        self._inputs(core, outcome)
        self._board(core, outcome, kinds)
        if latched != self._latched:
            self._latches(outcome, latched)
        if outcome.snapshot.rows is not self._rows:
            self._cleared(outcome)
        before = self._before
        self._oven(before.oven if before is not None else None, outcome.snapshot.oven, told, kinds)
        self._tank(before, outcome.snapshot, kinds)
        self._before = outcome.snapshot

    # --- heat has its reason -------------------------------------------------------------------------------

    def _contactor(self, core: Core, outcome: Outcome) -> None:
        command, view = outcome.command, outcome.snapshot
        oven, tank = view.oven.phase, view.tank.phase
        if command.contactor:
            if oven not in OVEN_HEATS and tank not in TANK_HEATS:
                raise RuleError(f"the contactor is wanted with the oven in {oven} and the tank in {tank}")
            if not view.board.armed or view.verdict == "trip" or core.interlocks.acting("oven_over_program"):
                raise RuleError(f"the contactor is wanted, {view.board}, {view.verdict}")
        if command.work and oven not in ON and view.tank.setpoint_c is None:
            raise RuleError(f"arming is kept for work, with the oven in {oven} and no oil to be warmed")

    def _inputs(self, core: Core, outcome: Outcome) -> None:
        frame, board, command = core.sensing.frame, core.board, outcome.command
        if core.silent or frame is None or board is None:
            return
        inputs, fitted = frame.inputs, board.fitted
        if command.oven_duty > 0.0 and fitted & FITTED_DOOR and inputs & INPUT_DOOR_OPEN:
            raise RuleError(f"duty {command.oven_duty:.3f} asked for the oven with its door open")
        if command.tank_duty > 0.0 and fitted & FITTED_LEVEL and not inputs & INPUT_LEVEL_GOOD:
            raise RuleError(f"duty {command.tank_duty:.3f} asked for the tank with its oil low")
        against = not inputs & INPUT_STOP_CLOSED or (fitted & FITTED_SMOKE and inputs & INPUT_SMOKE)
        if against and outcome.snapshot.verdict != "trip":
            raise RuleError("the stop circuit is open or there is smoke, and the verdict is not trip")

    # --- every change has its event ------------------------------------------------------------------------

    def _board(self, core: Core, outcome: Outcome, kinds: set[str]) -> None:
        board, frame, silent = core.reading.board, core.sensing.frame, core.silent
        self._reboot_told = self._reboot_told or "board_rebooted" in kinds
        if board is not None and board.boots != self._boots:
            if self._boots is None:
                if "board_found" not in kinds:
                    raise RuleError("a board was met and the book was not told")
            elif not self._reboot_told:
                raise RuleError(f"boot {board.boots} follows {self._boots} and the book was not told")
            self._boots = board.boots
            self._reboot_told = False
        if silent != self._silent:
            self._silent = silent
            if ("board_lost" if silent else "board_back") not in kinds:
                raise RuleError(f"silent: {silent}, and the book was not told")
        if silent or frame is None:
            return
        armed = bool(frame.inputs & INPUT_ARMED)
        if armed != outcome.snapshot.board.armed:
            raise RuleError(f"the board says armed {armed}, the snapshot does not")
        if armed != self._armed:
            self._armed = armed
            if ("armed" if armed else "disarmed") not in kinds:
                raise RuleError(f"armed: {armed}, and the book was not told")

    def _latches(self, outcome: Outcome, latched: tuple[str, ...]) -> None:
        told = {(event.kind, event.data.get("interlock")) for event in outcome.events}
        for name in self._latched:
            if name not in latched and ("trip_reset", name) not in told:
                raise RuleError(f"the trip {name} stands no longer and nobody has reset it")
        for name in latched:
            if name not in self._latched and ("interlock_tripped", name) not in told:
                raise RuleError(f"the trip {name} stands and the book was not told")
        self._latched = latched

    def _cleared(self, outcome: Outcome) -> None:
        """Of the rows that acted; one that is not known now may act on."""
        self._rows = rows = outcome.snapshot.rows
        told = {event.data.get("interlock") for event in outcome.events
                if event.kind in ("interlock_cleared", "trip_reset")}  # fmt: skip
        for row in rows:
            if row.state in ACTS:
                if not row.text.startswith("Not known"):
                    self._acting.add(row.name)
            elif row.name in self._acting:
                self._acting.discard(row.name)
                if row.name not in told:
                    raise RuleError(f"{row.name} is {row.state} again and the book was not told")

    def _oven(self, before: OvenView | None, oven: OvenView, told: set[tuple[str, Any]], kinds: set[str]) -> None:
        was: str = "ready"
        run_was: int | None = None
        phase, run = oven.phase, oven.run_id
        paused_was = False
        if before is not None:
            was, run_was = before.phase, before.run_id
            paused_was = was == "withheld" and before.resumable_run_id == run_was
        paused = phase == "withheld" and oven.resumable_run_id == run
        same = run == run_was
        if "soak_begun" in kinds:
            self._soaks.add((run, oven.temper_index))
        if phase == "soak" and (run, oven.temper_index) not in self._soaks:
            self._untold("soak_begun", was, oven)
        on = same and was in ON and phase in ON
        if on and not paused and "board_rebooted" in kinds and "run_resumed" not in kinds:
            raise RuleError(f"run {run} goes on after a reboot of the board, {was}, {phase}")
        if same and phase == was and paused == paused_was:
            return
        if phase in OPEN:
            new = was not in OPEN or not same or (paused_was and not paused)
            if new and ("run_started", run) not in told and ("run_resumed", run) not in told:
                self._untold("run_started or run_resumed", was, oven)
            if paused and (not paused_was or not same) and ("run_paused", run) not in told:
                self._untold("run_paused", was, oven)
        if was in OPEN and (phase not in OPEN or not same) and ("run_ended", run_was) not in told:
            waited = "arm_wait_over" in kinds and oven.resumable_run_id == run_was
            if not waited:
                self._untold("run_ended", was, oven)
        self._phase(was, oven, kinds)

    def _phase(self, was: str, oven: OvenView, kinds: set[str]) -> None:
        """What a phase is entered with; one that was withheld, or in which a run goes on, was told before."""
        phase = oven.phase
        if phase in (was, "withheld") or (was == "withheld" and phase != "waiting_for_arm"):
            return
        wanted = {
            "waiting_for_arm": "arm_wanted", "heat_up": "heat_up", "prompt": "prompt_asked", "ended": "run_ended",
        }.get(phase, "")  # fmt: skip
        if was == "heat_up" and phase == "soak":
            wanted = "soak_begun"
        elif was in ("heat_up", "soak") and phase == "cool":
            wanted = "soak_done"
        if wanted and wanted not in kinds:
            self._untold(wanted, was, oven)
        if was == "waiting_for_arm" and phase == "ready" and not kinds & {"arm_wait_over", "request_accepted"}:
            self._untold("arm_wait_over", was, oven)
        if was == "prompt" and phase in OVEN_HEATS and "prompt_confirmed" not in kinds:
            self._untold("prompt_confirmed", was, oven)

    def _untold(self, kind: str, was: str, oven: OvenView) -> None:
        raise RuleError(f"from {was} to {oven.phase}, run {oven.run_id}, and the book has no {kind}")

    def _tank(self, before: Snapshot | None, view: Snapshot, kinds: set[str]) -> None:
        was: str = "off"
        target_was: float | None = None
        if before is not None:
            was, target_was = before.tank.phase, before.tank.setpoint_c
        tank = view.tank
        if tank.setpoint_c != target_was and ("tank_off" if tank.setpoint_c is None else "tank_on") not in kinds:
            raise RuleError(f"the oil's target went from {target_was} to {tank.setpoint_c} and the book was not told")
        if tank.phase == "waiting_for_arm" and was in TANK_HEATS and not kinds & {"arm_wanted", "tank_on"}:
            raise RuleError(f"the oil waits for the arm button, from {was}, and the book was not told")
        if tank.phase == "in_band" and was == "preheat" and "oil_ready" not in kinds:
            raise RuleError("the oil is in band and the book was not told")
