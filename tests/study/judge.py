"""What must hold in every world, looked at in every step: at the twin's outputs, at the host's commands, in the book.

The judge keeps a model of its own of arming, sessions and freshness, from the bytes that reached the board and
from what the smith did; it asks the twin only what a meter at the terminals would show.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Mapping
from typing import Any, Final

from controller.core.tick import Core
from controller.model import (
    FITTED_LEVEL,
    FITTED_SMOKE,
    Outcome,
    Preheat,
    Request,
    Resume,
    Snapshot,
    Start,
    StopAll,
    StopOven,
    TankOff,
)
from controller.sim.shop import SimShop
from tests.study.book import Book
from tests.study.rule import RuleError

SET: Final = re.compile(rb"!(S,(\d+),(\d+),(\d+),(\d+),(\d+))\*([0-9A-F]{4})\n")
GREET: Final = re.compile(rb"!(H,(\d+),(\d+))\*([0-9A-F]{4})\n")
HELLO: Final = re.compile(rb"!H,\d+,\d+,\d+,(\d+),")
FLAG_CONTACTOR, FLAG_WORK = 4, 8
SETPOINT_MAX_C: Final = 260.0
POWER_OF_S: Final = 1.0
"""The plant's power is the mean of its last step, half a second that may have begun while a contactor was welded."""
NOISE_K: Final = 4.0
"""Chip steps, noise and cold junction between a true temperature and what the board compares."""
WORSE: Final = ("permit", "withhold", "trip")
TOLD: Final = frozenset({
    "interlock_withheld", "interlock_tripped", "board_lost", "board_found", "board_back", "board_rebooted",
    "board_incompatible", "run_paused", "disarmed", "tank_withheld",
})  # fmt: skip


def sets(data: bytes) -> list[tuple[int, int, int, int, int]]:
    """The S frames in these bytes that came through whole."""
    found = []
    for body, *fields, check in SET.findall(data):
        if crc_hqx(body, 0xFFFF) == int(check, 16):
            sid, seq, oven, tank, flags = map(int, fields)
            found.append((sid, seq, oven, tank, flags))
    return found


class BoardJudge:
    """The rules of the board's chapter, watched from outside. Times are the simulated shop's seconds."""

    def __init__(self, shop: SimShop, oven_limit_c: float, tank_off_c: float | None, oil_trip_c: float | None) -> None:
        self._shop = shop
        self._limits_c = (oven_limit_c, 1e9 if tank_off_c is None else tank_off_c)
        self._trips_c = (oven_limit_c, 1e9 if oil_trip_c is None else oil_trip_c)
        self.on_s = [0.0, 0.0]
        take = shop.board.take_on_s

        def counted() -> tuple[float, float]:
            oven_s, tank_s = take()
            self.on_s[0] += oven_s
            self.on_s[1] += tank_s
            return oven_s, tank_s

        shop.board.take_on_s = counted  # type: ignore[method-assign]
        self._live_s = [-1e9, -1e9]
        self.pressed_s = self.held_s = -1e9
        self._disarmed_s = 0.0
        self._kept_s = self._good_s = -1e9
        self._sid = self._seq = 0
        self._duty = [0, 0]
        self._boots = shop.board.boots
        self.deaf_s = -1e9
        self.bad_since: dict[int, float] = {}
        self.lying: dict[int, set[str]] = {}
        self._since: dict[str, float] = {}
        self._over_since: list[float | None] = [None, None]
        self._energy_j = (0.0, 0.0)
        self.latched_s: float | None = None
        self.to_board_delay_s = 0.0

    # --- what reaches the board ----------------------------------------------------------------------------

    def delivered(self, data: bytes, now_s: float) -> None:
        """These bytes reach the board now."""
        board = self._shop.board
        if not data or not board.powered or now_s < self.deaf_s:
            return
        for body, lowest, highest, check in GREET.findall(data):
            if crc_hqx(body, 0xFFFF) == int(check, 16) and int(lowest) <= 1 <= int(highest):
                self._duty = [0, 0]
        for sid, seq, oven, tank, flags in sets(data):
            if oven == 0 and tank == 0:
                self._duty = [0, 0]
            if sid == self._sid and sid and 1 <= (seq - self._seq) % 65536 <= 1000:
                self._seq = seq
                self._good_s = now_s
                self._duty = [oven, tank]
                if flags & FLAG_WORK:
                    self._kept_s = now_s

    # --- one step ------------------------------------------------------------------------------------------

    def before(self, now_s: float) -> None:
        """Just before the step: what is known at its start."""
        shop, board = self._shop, self._shop.board
        self.on_s = [0.0, 0.0]
        self._trips_before = board.trips
        self._contactor_before = board.contactor
        self._energy_j = (shop.oven.energy_in_j, shop.tank.energy_in_j)
        for name, state in (
            ("stop", not board.stop_closed),
            ("level", bool(board.fitted & FITTED_LEVEL) and not board.level_good),
            ("smoke", bool(board.fitted & FITTED_SMOKE) and board.smoke),
            ("trips", bool(board.trips)),
        ):
            if state:
                self._since.setdefault(name, now_s)
            else:
                self._since.pop(name, None)

    def _lasting(self, name: str, now_s: float, seconds: float) -> bool:
        since = self._since.get(name)
        return since is not None and now_s - since >= seconds

    def after(self, back: bytes, from_s: float, now_s: float) -> None:
        """Just after it. Raises RuleError."""
        shop, board = self._shop, self._shop.board
        rebooted = board.boots != self._boots or not board.powered
        for zone in (0, 1):
            if self.on_s[zone] > 1e-9:
                self._heated(zone, from_s, now_s, rebooted)
        if self._trips_before and not board.trips and not now_s - 3.0 <= self.held_s + 2.0 <= now_s + 1e-6:
            raise RuleError(f"the board's trips {self._trips_before} went without a hold of the reset button")
        tripped, mains = self._lasting("trips", from_s, 1.0), shop.contactor_welded
        for zone, welded, power_w in (
            (0, shop.oven_welded, shop.oven.power_w), (1, shop.tank_welded, shop.tank.power_w)
        ):  # fmt: skip
            if welded and mains:
                self._live_s[zone] = now_s
            elif tripped and power_w > 0.0 and now_s - self._live_s[zone] > POWER_OF_S:
                raise RuleError(f"zone {zone} draws {power_w:.0f} W although the board has tripped")
        self._limits(from_s, now_s)
        self._remember(back, rebooted, now_s)

    def _heated(self, zone: int, from_s: float, now_s: float, rebooted: bool) -> None:
        board, on_s = self._shop.board, self.on_s[zone]
        name = ("oven", "tank")[zone]
        self._kept_s = max(self._kept_s, now_s) if self.pressed_s >= self._disarmed_s else self._kept_s
        if self.pressed_s < self._disarmed_s:
            raise RuleError(f"{name} heated {on_s:.3f} s without arming")
        if now_s - self.pressed_s > 12 * 3600.0 + 1.0:
            raise RuleError(f"{name} heated 12 h after the last press")
        fresh_s = self._good_s + 2.0 - from_s
        if on_s > max(0.0, fresh_s) + 0.002:
            raise RuleError(f"{name} heated {on_s:.3f} s, the last good S is {from_s - self._good_s:.2f} s old")
        if not self._duty[zone] and from_s >= self.deaf_s:
            raise RuleError(f"{name} heated {on_s:.3f} s after a duty of 0")
        if self._trips_before:
            raise RuleError(f"{name} heated {on_s:.3f} s with the trips {self._trips_before}")
        if not (self._contactor_before or board.contactor or rebooted):
            raise RuleError(f"{name} heated {on_s:.3f} s with the contactor open")
        if self.latched_s is not None and now_s - on_s > self.latched_s + min(self.to_board_delay_s, 2.0) + 2.7:
            raise RuleError(f"{name} heated {on_s:.3f} s, {now_s - self.latched_s:.1f} s after the host had tripped")
        if from_s < self.deaf_s + 0.7:
            return
        for place in (2 * zone, 2 * zone + 1):
            since = self.bad_since.get(place)
            if since is not None and board.fitted >> place & 1 and from_s - since >= 0.2:
                raise RuleError(f"{name} heated {on_s:.3f} s, {from_s - since:.2f} s after its sensor {place} went bad")
        for cause, wait_s in (("stop", 0.05), ("smoke", 0.15), ("level", 0.15)):
            if (cause != "level" or zone == 1) and self._lasting(cause, from_s, wait_s):
                raise RuleError(f"{name} heated {on_s:.3f} s with {cause} against it")

    def _limits(self, from_s: float, now_s: float) -> None:
        """No power into a zone one of whose honest sensors has been over its limit for longer than it may take."""
        shop = self._shop
        for zone in (0, 1):
            hot_c = self.hottest_c(zone)
            welded = shop.tank_welded if zone else shop.oven_welded
            limit_c = (self._trips_c if welded else self._limits_c)[zone]
            if hot_c is None or not hot_c >= limit_c + NOISE_K:
                self._over_since[zone] = None
                continue
            since = self._over_since[zone]
            if since is None:
                since = self._over_since[zone] = now_s
            power_w = shop.tank.power_w if zone else shop.oven.power_w
            told = not (0b001, 0b110)[zone] & ~shop.board._guard.sensors.limits_set
            wait_s = 2.0 if told else 5.5 + self.to_board_delay_s
            if power_w > 0.0 and from_s - since > wait_s and not (welded and shop.contactor_welded):
                raise RuleError(f"zone {zone} draws {power_w:.0f} W, {from_s - since:.1f} s over {limit_c:.0f} °C")

    def hottest_c(self, zone: int) -> float | None:
        """True temperature of the hottest fitted sensor of the zone that tells the truth, °C."""
        shop = self._shop
        honest = [
            shop.probes.now_c[place]
            for place in (2 * zone, 2 * zone + 1)
            if shop.board.fitted >> place & 1 and not self.lying.get(place)
        ]
        return max(honest, default=None)

    def _remember(self, back: bytes, rebooted: bool, now_s: float) -> None:
        board = self._shop.board
        if rebooted:
            self._boots = board.boots
            self._sid = 0
            self._duty = [0, 0]
            self._good_s = -1e9
            self._boot_s = now_s
            self._disarmed_s = now_s
            self._over_since = [None, None]
        if now_s - self._good_s > 2.0:
            self._duty = [0, 0]
        quiet_s = now_s - max(self._good_s, getattr(self, "_boot_s", 0.0))
        kept_s = max(self.pressed_s, self._kept_s)
        if board.trips or self._lasting("stop", now_s, 0.02) or quiet_s >= 60.1 or now_s - kept_s > 901.0:
            self._disarmed_s = now_s
        for sid in HELLO.findall(back):
            self._sid, self._seq, self._duty = int(sid), 0, [0, 0]


class HostJudge:
    """The host's commands and its book: what was asked, what was allowed, and whether it was told."""

    def __init__(self, limits: Any) -> None:
        self._limits = limits
        self._wishes: dict[int, Any] = {}
        self._told = Book()
        self.new_process()
        self.active_run: int | None = None
        self.ended_runs: set[int] = set()
        self.heard_s = -1e9
        self.events: list[tuple[float, str, str]] = []

    def new_process(self) -> None:
        """The core was built anew: nothing may heat by itself."""
        self._oven_may = self._tank_may = False
        self._rows: Mapping[str, str] | None = None
        self._rows_seen: object = None
        self._snapshot: Snapshot | None = None
        self._runs_here: set[int] = set()
        self._wishes = {}
        self._told.new_process()

    def asked(self, requests: list[Request]) -> None:
        self._wishes = {request.id: request.wish for request in requests}

    def told(self, core: Core, outcome: Outcome, now_s: float, held_s: float, heard: bool) -> None:
        """One tick. Raises RuleError."""
        latched = core.interlocks.latched
        self._happened(outcome, now_s, held_s)
        self._command(outcome, latched, now_s)
        frame = core.sensing.frame
        known = heard and frame is not None and frame.trips and not core.silent
        if known and outcome.snapshot.verdict != "trip":
            raise RuleError("the board says that it has tripped and the verdict is not trip")
        self._book(core, outcome)
        self._told.look(core, outcome, latched)
        self._snapshot = outcome.snapshot

    def _happened(self, outcome: Outcome, now_s: float, held_s: float) -> None:
        for event in outcome.events:
            kind, data = event.kind, event.data
            self.events.append((now_s, kind, str(data.get("interlock", "")) or event.text))
            if kind in ("request_accepted", "request_refused"):
                wish = self._wishes.pop(data["request_id"], None)
                if wish is None:
                    raise RuleError("an answer without a request")
                self._answered(wish, kind == "request_accepted", outcome)
            elif kind == "run_started":
                if self.active_run in self._runs_here:
                    raise RuleError(f"run {data['run_id']} was started while run {self.active_run} was not over")
                self.active_run = data["run_id"]
                self._runs_here.add(data["run_id"])
            elif kind == "run_resumed":
                self._runs_here.add(data["run_id"])
            elif kind == "run_ended":
                if data["run_id"] in self.ended_runs:
                    raise RuleError(f"run {data['run_id']} ended twice")
                self.ended_runs.add(data["run_id"])
                if data["run_id"] == self.active_run:
                    self.active_run = None
                self._oven_may = False
            elif kind == "run_paused":
                self._oven_may = False
            elif kind == "tank_off":
                self._tank_may = False
            elif kind == "trip_reset" and now_s - held_s > 95.0:
                raise RuleError(f"{data['interlock']} was reset and nobody held the button")
        if self._wishes:
            raise RuleError(f"no answer to {self._wishes}")

    def _answered(self, wish: object, accepted: bool, outcome: Outcome) -> None:
        if isinstance(wish, (StopOven, StopAll, TankOff)) and not accepted:
            raise RuleError("a stop was refused")
        if not accepted:
            return
        self._told.taken(wish, outcome)
        if isinstance(wish, (Start, Resume)):
            self._oven_may = True
        if isinstance(wish, (Start, StopOven, StopAll)) and self.active_run not in self._runs_here:
            # A run that was cut off is dropped by a stop or a new start; the book has its end since the restart.
            self.active_run = None
        if isinstance(wish, Preheat):
            self._tank_may = True
        if isinstance(wish, StopOven | StopAll):
            self._oven_may = False

    def _command(self, outcome: Outcome, latches: tuple[str, ...], now_s: float) -> None:
        command, view, limits = outcome.command, outcome.snapshot, self._limits
        latched = bool(latches)
        if command.trip != latched:
            raise RuleError(f"flag 16 is {command.trip} and the latches are {latches}")
        for zone, duty, phases, may in (
            (view.oven, command.oven_duty, ("heat_up", "soak"), self._oven_may),
            (view.tank, command.tank_duty, ("preheat", "in_band"), self._tank_may),
        ):
            if not 0.0 <= duty <= 1.0:
                raise RuleError(f"a duty of {duty}")
            if duty == 0.0:
                continue
            board = view.board
            allowed = zone.verdict == "permit" and zone.phase in phases and not latched and command.contactor
            if not (allowed and board.connected and board.armed and not board.trips):
                raise RuleError(f"duty {duty:.3f} asked in phase {zone.phase}, verdict {zone.verdict}, {board}")
            if not may:
                raise RuleError(
                    f"duty {duty:.3f} asked in phase {zone.phase} and nobody asked for it since the restart"
                )
            if now_s - self.heard_s > 1.5 + 1e-6:
                raise RuleError(f"duty {duty:.3f} asked, the last frame is {now_s - self.heard_s:.2f} s old")
        if limits.shared_circuit and command.oven_duty + command.tank_duty > 1.0 + 1e-9:
            raise RuleError("both heaters together ask for more than their one circuit gives")
        target_c, setpoint_c = view.oven.air_target_c, view.oven.setpoint_c
        if setpoint_c is not None and setpoint_c > SETPOINT_MAX_C:
            raise RuleError(f"a setpoint of {setpoint_c}")
        if target_c is not None and target_c > limits.oven_limit_c - 15.0 + 1e-6:
            raise RuleError(f"an air target of {target_c} with the limit at {limits.oven_limit_c}")
        oil_c = view.tank.setpoint_c
        if oil_c is not None and oil_c > limits.oil_ceiling_c - 5.0 + 1e-6:
            raise RuleError(f"an oil target of {oil_c}")

    def _book(self, core: Core, outcome: Outcome) -> None:
        """Whatever takes heat away is told in the tick in which it does."""
        kinds = {event.kind for event in outcome.events}
        view, before = outcome.snapshot, self._snapshot
        if before is not None:
            for was, now in ((before.oven, view.oven), (before.tank, view.tank)):
                worse = WORSE.index(now.verdict) > WORSE.index(was.verdict)
                if worse and was.phase not in ("ready", "ended", "off") and not kinds & TOLD:
                    raise RuleError(f"from {was.phase}, {was.verdict} to {now.verdict} and nothing was told: {kinds}")
        if view.rows is not self._rows_seen:
            self._rows_seen = view.rows
            rows = {row.name: row.state for row in view.rows if not row.text.startswith("Not known")}
            if self._rows is not None:
                told = {(event.kind, event.data.get("interlock")) for event in outcome.events}
                for name, state in rows.items():
                    was_state = self._rows.get(name, "good")
                    if state == was_state or "not fitted" in (state, was_state):
                        continue
                    kind = {"trip": "interlock_tripped", "withhold": "interlock_withheld",
                            "alert": "interlock_alert"}.get(state)  # fmt: skip
                    if kind is not None and (kind, name) not in told:
                        raise RuleError(f"{name} is {state} and the book was not told")
            self._rows = {**(self._rows or {}), **rows}
        run = self.active_run
        if run is not None:
            oven = view.oven
            kept = oven.resumable_run_id == run or (oven.run_id == run and oven.phase not in ("ready", "ended"))
            if not kept:
                raise RuleError(f"run {run} is neither on, nor over, nor to be resumed: {oven.phase}")
