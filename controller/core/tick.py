"""The one object that decides about heat. `tick` does no I/O, knows no clock and owns no thread.

Always in this order: sensing and estimate, interlocks, requests, oven and tank, gate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from controller.core import gate
from controller.core.asked import DOOR_PROMPT, PART_PROMPT
from controller.core.delivery import Delivery
from controller.core.facts import NEVER, UNKNOWN, Facts
from controller.core.interlocks import NOT_KNOWN, TRIP, Interlocks, standing
from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.core.oven import Oven
from controller.core.quenches import FILL_IN_S
from controller.core.refused import Refused
from controller.core.requests import answer, stops_last
from controller.core.sensing import SILENT_S, Sensing
from controller.core.sounder import Sounder
from controller.core.tank import Tank
from controller.core.view import snapshot
from controller.core.watch import unheard
from controller.core.watch_oven import OvenWatch
from controller.core.watch_tank import TankWatch
from controller.model import (
    FITTED_AGITATOR,
    FITTED_DOOR,
    FITTED_OVEN,
    FITTED_OVEN_LIMIT,
    FITTED_TANK,
    FITTED_TANK_LIMIT,
    IDLE,
    INPUT_AGITATOR_TURNING,
    INPUT_ARMED,
    INPUT_DOOR_OPEN,
    INPUT_LEVEL_GOOD,
    INPUT_SMOKE,
    INPUT_STOP_CLOSED,
    OUTPUT_OVEN,
    OUTPUT_TANK,
    TRIP_BITS,
    Board,
    BoardLimits,
    Outcome,
    Prompt,
    Reading,
    Request,
    Telemetry,
)
from controller.words import BOARD_TRIPS

GAP_PAUSES_S: Final = 60.0
SECOND_S: Final = 1.0
PART_QUESTION: Final = "The steel is not measured. Go on by the air?"


class Core:
    """All decisions about heat, for one shop. `state`: what an earlier core's `state()` gave.

    Of a state that no core gave, what cannot be read counts as not known: a trip stands, and no run is offered.
    """

    def __init__(self, limits: Limits, *, next_run_id: int = 1, state: Mapping[str, Any] | None = None) -> None:
        state = state or {}
        first, tank = state.get("next_run_id", 1), state.get("tank")
        unknown = () if tank is None or isinstance(tank, Mapping) else (NOT_KNOWN,)
        self.limits = limits
        self.facts = Facts()
        self.sensing = Sensing(limits)
        self.interlocks = Interlocks(limits, (*standing(state.get("latched", ())), *unknown))
        self.oven = Oven(limits, max(next_run_id, first if isinstance(first, int) else 1), state.get("run"))
        self.tank = Tank(limits, None if unknown else tank)
        self.command = IDLE
        self.board: Board | None = None
        self._board_limits: BoardLimits | None = None
        self._chip_unfit = False
        self._misfit: str | None = None
        self._boot_seen = False
        self._trips = 0
        self.oven_watch = OvenWatch()
        self.tank_watch = TankWatch(limits.oil_heat_j_per_k(), limits.tank_heater_w)
        self._oven_delivery, self._tank_delivery = Delivery(), Delivery()
        self._oven_comparable = self._tank_comparable = True
        self.moment = Moment(self.facts)
        self._now_s: float | None = None
        self._frame_s: float | None = None
        # The first frame counts as a second gone by, so that the rules with a memory are known from then on.
        self._second_s = SECOND_S
        self._span_s = 0.0
        self.silent = True
        self._on_before: tuple[int, int] | None = None
        self._arms: int | None = None
        self._resets: int | None = None
        self._armed_before = False
        self._sounder = Sounder()
        self.refused = Refused()
        self._agitator_off_s = 0.0
        self.reading = Reading()
        self.oven_applied: float | None = None
        self.tank_applied: float | None = None

    def tick(self, now_s: float, reading: Reading, requests: Sequence[Request]) -> Outcome:
        """One tick. `now_s` is monotonic; `reading` what the link heard since the last tick."""
        moment = self.moment
        passed_s = 0.0 if self._now_s is None else min(max(0.0, now_s - self._now_s), 5.0)
        if self._now_s is not None and now_s < self._now_s:
            # A clock that steps back proves nothing about the age of what was heard before.
            self._frame_s = None
        self._now_s = now_s
        moment.now_s = now_s
        moment.events = []
        self.reading = reading
        self._greeting(reading)
        self._frames(reading, now_s)
        self._inputs()
        self.oven.sense(moment, self.interlocks.acting("oven_over_program"), self.oven_watch.opened_lately())
        self.tank.sense(self.facts)
        self._seconds()
        before = moment.verdict
        moment.verdict = self.interlocks.evaluate(self.facts, passed_s, now_s, moment.events)
        if before.contactor and not moment.verdict.contactor:
            self.tank.off_the_mains(moment)
        self.oven.leave_trip(moment)
        for request in stops_last(requests):
            answer(self, request, moment)
        self.oven.step(moment)
        self.tank.step(moment)
        self.oven.offer(moment)
        self._gate(passed_s)
        return Outcome(self.command, tuple(moment.events), snapshot(self))

    def state(self) -> dict[str, Any]:
        """What must survive a restart, as plain data: standing trips and the run that could go on."""
        run = self.oven.state()
        return {
            "latched": list(self.interlocks.latched),
            "run": run,
            "next_run_id": self.oven.next_run_id,
            "tank": self.tank.state(),
        }

    def prompt(self) -> Prompt | None:
        """The question that waits for a hand, or None."""
        run = self.oven.run
        text = self.oven.prompt_text
        if text is not None and run is not None:
            return Prompt(f"{run.run_id}-{run.index + 1}", text)
        if self.oven.active and self.interlocks.acting("part_unknown"):
            return Prompt(PART_PROMPT, PART_QUESTION)
        if self.oven_watch.asking and self.oven.active:
            return Prompt(DOOR_PROMPT, "The oven is cooling while it heats. Is the door open?")
        return None

    # --- 1 sensing -----------------------------------------------------------------------------------------

    def _greeting(self, reading: Reading) -> None:
        board = reading.board
        facts = self.facts
        facts.incompatible = float(reading.incompatible is not None)
        # It greets every five seconds: told once, and again when it is for another reason.
        if reading.incompatible is not None and reading.incompatible != self._misfit:
            which = reading.incompatible
            self.moment.happened("board_incompatible", "Board and daemon do not fit together.", which=which)
        self._misfit = reading.incompatible
        if board is not None and board is not self.board:
            self._new_board(board, reading)
        facts.chip_unfit = float(board is not None and self._chip_unfit)

    def _new_board(self, board: Board, reading: Reading) -> None:
        facts, moment = self.facts, self.moment
        before, self.board = self.board, board
        self._chip_unfit = not self.limits.fits(board.chip)
        facts.fitted = board.fitted
        self.oven_watch.door_fitted = bool(board.fitted & FITTED_DOOR)
        # Somebody stirs by hand; a second sensor keeps the limit if the fall was the first one's, out of the oil.
        stirs = board.fitted & (FITTED_AGITATOR | FITTED_TANK_LIMIT) == FITTED_TANK_LIMIT
        self.tank_watch.stir_explains = stirs
        self._board_limits = self.limits.for_board(board.chip, board.oven_flash, board.tank_flash)
        facts.oven_zone_missing = float(self.limits.oven and not board.fitted & FITTED_OVEN)
        facts.tank_zone_missing = float(self.limits.tank and not board.fitted & FITTED_TANK)
        single = not board.fitted & FITTED_OVEN_LIMIT
        facts.cutout_missing = float(self.limits.oven and single and not self.limits.independent_cutout)
        if before is None:
            moment.happened("board_found", "The board answers.", firmware=board.firmware, fitted=board.fitted)
        elif before.boots != board.boots and not (self._boot_seen and board.boots == before.boots + 1):
            self._rebooted()
        self._boot_seen = False

    def _rebooted(self) -> bool:
        """False where this tick has told of it already: frames from before and after it came with its greeting."""
        news = all(event.kind != "board_rebooted" for event in self.moment.events)
        if news:
            self.moment.happened("board_rebooted", "The board started anew.")
        self.sensing.forget_time()
        self.sensing.forget_readings()
        self.oven_watch.forget(0.0)
        self.tank_watch.forget(0.0)
        self._arms = self._resets = None
        self._on_before = (0, 0)
        self._trips = 0
        self.oven.pause(self.moment, "The board started anew.")
        self.tank.board_lost_its_arming(self.moment)
        return news

    def _frames(self, reading: Reading, now_s: float) -> None:
        """All frames feed sensing; `dt_s` becomes the board's time since the last fresh frame."""
        moment, board = self.moment, self.board
        moment.dt_s = 0.0
        if reading.board is None:
            self._arms = self._resets = None
        if reading.frames and reading.board is not None and board is not None and reading.incompatible is None:
            gap_s = self._gap_s(reading.frames[0], now_s)
            if gap_s > GAP_PAUSES_S:
                self.oven.pause(moment, "The board was silent for more than a minute.")
                self.tank.board_lost_its_arming(moment)
                self.oven_watch.forget(gap_s)
                self.tank_watch.forget(gap_s)
                # A press counted over a gap is nobody's word: the first frame only takes the count.
                self._arms = None
            if self.silent:
                # The oven went on cooling while nobody listened: the rule about jumps starts afresh.
                self.sensing.forget_readings()
            for frame in reading.frames:
                if self.sensing.went_back(frame):
                    # Its greeting, which says the same, is yet to come. A flag without one would hide the next boot.
                    self._boot_seen |= self._rebooted()
                moment.dt_s += self.sensing.take(frame, board, self.command.oven_duty, self.command.tank_duty)
                self._buttons(frame)
            if moment.dt_s > 0.0:
                # A frame that is told over and over proves nothing: what is fresh has a later time of the board.
                self._frame_s = now_s
                if gap_s <= GAP_PAUSES_S:
                    self.oven_watch.missed(gap_s)
        silent_s = UNKNOWN if self._frame_s is None else now_s - self._frame_s
        silent = not silent_s < SILENT_S
        if silent != self.silent:
            self.silent = silent
            if silent:
                moment.happened("board_lost", "No word from the board. Look at the oven.")
            else:
                moment.happened("board_back", "The board reports again.")
        self.sensing.fill(self.facts, board, silent_s, self.limits)

    def _gap_s(self, frame: Telemetry, now_s: float) -> float:
        """Since the frame before this one, by the later of both clocks: the host's may have been set back."""
        host_s = 0.0 if self._frame_s is None else now_s - self._frame_s
        return max(host_s, self.sensing.since_s(frame))

    def _buttons(self, frame: Telemetry) -> None:
        """Presses and completed holds are counted by the board since its boot."""
        if self._arms is not None and 0 < (frame.arms - self._arms) & 0xFFFF < 0x8000:
            self.moment.happened("button_pressed", "The arm button was pressed.")
            self.tank.pressed(self.moment)
            self.oven.present()
        # Only a count that went up is a hold: one that went down or far away is another boot's.
        held = self._resets is not None and 0 < (frame.resets - self._resets) & 0xFFFF < 0x8000
        if held and self.interlocks.reset(self.facts, self.moment.now_s, self.moment.events):
            self.oven_watch.reset()
        self._arms, self._resets = frame.arms, frame.resets

    # --- 2 the facts of the interlocks ---------------------------------------------------------------------

    def _inputs(self) -> None:
        facts, frame = self.facts, self.sensing.frame
        if frame is None or self.silent:
            for name in ("board_trips", "stop_open", "smoke", "door_open", "level_low", "level_low_hot"):
                setattr(facts, name, UNKNOWN)
            unheard(facts)
            facts.armed = self.moment.armed = False
            return
        inputs = frame.inputs
        facts.board_trips = float(frame.trips)
        if frame.trips != self._trips:
            self._new_trips(frame.trips)
        facts.stop_open = 0.0 if inputs & INPUT_STOP_CLOSED else 1.0
        facts.smoke = float(inputs & INPUT_SMOKE)
        facts.door_open = float(inputs & INPUT_DOOR_OPEN)
        facts.level_low = 0.0 if inputs & INPUT_LEVEL_GOOD else 1.0
        # Once it has tripped its cause is the low level, however long ago the heat was.
        hot = facts.tank_heat_s_ago <= 120.0 or self.interlocks.acting("level_heating")
        facts.level_low_hot = facts.level_low if hot else 0.0
        armed = bool(inputs & INPUT_ARMED)
        if armed != self._armed_before:
            self._armed_before = armed
            if armed:
                self.moment.happened("armed", "Armed at the machine.")
            else:
                self.moment.happened("disarmed", "No longer armed.")
                self.tank.board_lost_its_arming(self.moment)
        facts.armed = self.moment.armed = armed
        if inputs & INPUT_AGITATOR_TURNING or self.tank.target_c is None:
            self._agitator_off_s = 0.0
        elif self.command.agitator:
            self._agitator_off_s += self.moment.dt_s
        facts.agitator_still_s = self._agitator_off_s

    def _new_trips(self, trips: int) -> None:
        """The row tells the first trip of the board; one that comes while another stands would go untold."""
        before, self._trips = self._trips, trips
        came = trips & ~before if before else 0
        for bit, name in TRIP_BITS.items():
            # That of the host is told by the host's own row.
            if came & bit and name != "host":
                self.moment.happened(
                    "board_tripped_again", f"The board has tripped again: {BOARD_TRIPS[name][0]}.", which=name
                )

    def _seconds(self) -> None:
        """The rules with a memory are looked at once a second of board time."""
        frame, board = self.sensing.frame, self.board
        self._second_s += self.moment.dt_s
        self._span_s += self.moment.dt_s
        heard = self._heard()
        # What a long burst left over waits for the next reading: without one there is nothing to look at.
        if self._second_s < SECOND_S or self._span_s == 0.0 or frame is None or board is None:
            return
        self._second_s = min(self._second_s - SECOND_S, SECOND_S)
        facts, command = self.facts, self.command
        self.refused.second(self.reading, self.moment)
        # The board may have counted on-time before this process was there: the first look only takes the count.
        before = self._on_before or (frame.oven_on_ms, frame.tank_on_ms)
        self._on_before = (frame.oven_on_ms, frame.tank_on_ms)
        oven_s = ((frame.oven_on_ms - before[0]) & 0xFFFF) / 1000.0
        tank_s = ((frame.tank_on_ms - before[1]) & 0xFFFF) / 1000.0
        # Readings that come in bursts make a look's second longer or shorter, with as much more or less on-time in it.
        span_s, self._span_s = self._span_s, 0.0
        self.oven_applied, self.tank_applied = min(1.0, oven_s / span_s), min(1.0, tank_s / span_s)
        oven_on = oven_s > 0.0 or bool(frame.outputs & OUTPUT_OVEN)
        tank_on = tank_s > 0.0 or bool(frame.outputs & OUTPUT_TANK)
        self.sensing.frozen(facts, board, command.oven_duty, command.tank_duty)
        withheld = self.interlocks.acting("oven_over_program")
        oven_duty, tank_duty = (command.oven_duty, command.tank_duty) if heard else (0.0, 0.0)
        self.oven_watch.second(
            facts, oven_duty, oven_on, self.oven.air_target_c, withheld, self.oven.active, self.oven_applied
        )
        self.tank_watch.second(facts, tank_duty, tank_on, self.limits.tank_limit_c)
        if self.tank_watch.step_k is not None:
            rise_k = self.tank_watch.step_k
            known = self.tank.quenches.since_s <= FILL_IN_S
            mass_kg, marked = self.tank.quenches.seen(facts.tank_c - rise_k, rise_k)
            self.moment.happened(
                "quench_seen", "The oil rose as after a quench.", rise_k=rise_k, mass_kg=mass_kg, marked=marked,
                known=known,
            )  # fmt: skip
        if self.limits.tank_limit_c is not None and facts.tank_max_c >= self.limits.tank_limit_c - 3.0:
            self._tank_delivery.forget()
            self._tank_comparable = False
        facts.asked_applied_oven = self._oven_delivery.second(self._oven_comparable, command.oven_duty, oven_s / span_s)
        facts.asked_applied_tank = self._tank_delivery.second(self._tank_comparable, command.tank_duty, tank_s / span_s)
        self._oven_comparable = self._tank_comparable = True
        apart_k = abs(facts.oven_c - facts.oven_limit_c)
        excused_k = self.oven.sensors_may_differ_k(facts)
        judged = apart_k == apart_k and excused_k is not None and self.oven_watch.door_shut_s >= 300.0
        facts.oven_disagree_k = apart_k - (excused_k or 0.0) if judged else NEVER
        self.oven.second()
        self.tank.second(self.moment, tank_s, self.oven.active)

    def _heard(self) -> bool:
        """Whether the board takes what is asked: in its session, with its limits, armed and without a refusal.

        What was asked otherwise heated nothing and proves nothing: the link asks for nothing then, whatever is wanted
        here. A second is compared with what was asked only if all of its frames could be, each under its own command.
        """
        facts, frame = self.facts, self.sensing.frame
        heard = bool(
            frame is not None and frame.sid != 0
            and facts.armed and self.reading.answer == 0 and self.reading.limits_set
        )  # fmt: skip
        if self.moment.dt_s > 0.0:
            comparable = heard and self.command.contactor
            self._oven_comparable &= comparable and facts.oven_bad < 0.5
            self._tank_comparable &= comparable and facts.tank_bad < 0.5
        return heard

    # --- 5 gate --------------------------------------------------------------------------------------------

    def _gate(self, passed_s: float) -> None:
        oven, tank, moment = self.oven, self.tank, self.moment
        tripped = moment.verdict.oven == TRIP
        # Stirred also while its heat is withheld: a stirrer that stands is only seen when it is asked to turn.
        stirred = bool(self.facts.fitted & FITTED_AGITATOR) and tank.stirring
        self.command = gate.command(
            moment.verdict,
            moment.armed,
            oven.asked_duty,
            tank.asked_duty,
            self.limits.shared_circuit,
            contactor=oven.heating or tank.heating,
            sounder=self._sounder.sounds(moment.events, tripped, self.interlocks.fire(), passed_s),
            agitator=stirred,
            work=oven.active or tank.working,
            limits=self._board_limits,
        )
        duty_sum = self.command.oven_duty + self.command.tank_duty
        self.facts.duty_sum = duty_sum if self.limits.shared_circuit else 0.0
