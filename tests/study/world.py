"""One seeded world: link, core, twin and plant in simulated time, with faults, a smith and a judge."""

from __future__ import annotations

import json
from dataclasses import dataclass
from random import Random
from typing import Final

from controller.core.tick import Core
from controller.model import (
    Confirm,
    Outcome,
    Preheat,
    Presence,
    Quench,
    Request,
    Resume,
    Start,
    StopAll,
    StopOven,
    TankOff,
    Wish,
)
from controller.pump import Pump
from controller.sim.faults import FAULTS
from controller.sim.shop import Initial, SimShop
from controller.wire.link import Link
from tests.study.excess import Excess, Passed
from tests.study.judge import BoardJudge, HostJudge
from tests.study.line import Way
from tests.study.plan import LINE_FAULTS, MOMENTARY, PLACES, PROBE_FAULTS, Act, draw

# The world has a line of its own, and cuts the power itself.
OUT_OF_PLACE: Final = {"oven_probe_out": 0, "oven_probe_slipped": 0, "tank_probe_out": 2, "part_probe_off": 4}
SHOP_FAULTS: Final = tuple(sorted(set(FAULTS) - {"cable_pulled", "frames_corrupted", "board_power_cut"}))
PLAIN: Final[dict[str, Wish]] = {
    "stop": StopOven(), "stop_all": StopAll(), "presence": Presence(), "tank_off": TankOff(),
}  # fmt: skip
TIMEOUT_S: Final = 0.4
BUFFER_BYTES: Final = 4096
LINE_SHARE: Final = (0.05, 0.2, 0.5)


@dataclass(frozen=True)
class Result:
    """What came of one world."""

    seed: int
    simulated_s: float
    faults: tuple[str, ...]
    heated_s: float
    trips: tuple[str, ...]
    runs: int
    passed: tuple[Passed, ...]
    state_bytes: int


class World:
    """`run` plays the plan; it raises `RuleError`, or whatever the program itself raises."""

    def __init__(self, seed: int) -> None:
        self.plan = plan = draw(seed, SHOP_FAULTS)
        self._rng = Random(f"chances of {seed}")
        self.shop = SimShop(
            seed, load=plan.load, start_c=plan.room_c, chip=plan.chip, fitted=plan.fitted, tank=plan.tank,
            initial=Initial(plan.oven_c, plan.tank_c, boots=plan.boots, start_ms=plan.start_ms),
        )  # fmt: skip
        limits = plan.limits
        self.board_judge = BoardJudge(self.shop, limits.oven_limit_c, limits.tank_limit_c, limits.oil_trip_c)
        self.host_judge = HostJudge(limits)
        self.excess = [Excess(0, limits.oven_limit_c)]
        if limits.tank_limit_c is not None:
            self.excess.append(Excess(1, limits.tank_limit_c))
        self.to_board, self.to_host = Way(Random(f"to board {seed}")), Way(Random(f"to host {seed}"))
        self.now_s = 0.0
        self.clock_s = 1000.0
        self._saved = "{}"
        self._out = b""
        self._down_until_s: float | None = None
        self._down_restarts = False
        self._resets_board = False
        self._wishes: list[Wish] = []
        self._number = 0
        self._waiting = b""
        self._ticked_s = 0.0
        self._later: list[Act] = []
        self._disturbed = False
        self.heated_s = 0.0
        self.outcome: Outcome | None = None
        self._process()

    def _process(self) -> None:
        state = json.loads(self._saved)
        self.pump = Pump(lambda _: Core(self.plan.limits, state=state), Link())
        self.pump.link.port_changed("")
        self.host_judge.new_process()

    # --- the whole of it -----------------------------------------------------------------------------------

    def run(self) -> Result:
        """Play it to its end."""
        plan = self.plan
        acts = list(plan.acts)
        while self.now_s < plan.duration_s:
            while acts and acts[0].at_s <= self.now_s:
                self._act(acts.pop(0))
            while self._later and self._later[0].at_s <= self.now_s:
                self._act(self._later.pop(0))
            self._step(self._rng.choice(plan.step_s))
        for one in self.excess:
            one.close()
        judge = self.host_judge
        trips = tuple(text for _, kind, text in judge.events if kind == "interlock_tripped")
        passed = tuple(passed for one in self.excess for passed in one.passed)
        runs = len(judge.ended_runs) + (judge.active_run is not None)
        return Result(plan.seed, self.now_s, plan.faults, self.heated_s, trips, runs, passed, len(self._saved))

    def _step(self, dt_s: float) -> None:
        shop, judge = self.shop, self.board_judge
        from_s = self.now_s
        data = self.to_board.carry(self._out, from_s)
        self._out = b""
        judge.to_board_delay_s = max(judge.to_board_delay_s, self.to_board.delay_s)
        judge.before(from_s)
        judge.delivered(data, from_s)
        back = shop.exchange(data, dt_s)
        self.now_s = shop.now_s
        judge.after(back, from_s, self.now_s)
        self.heated_s += sum(judge.on_s)
        welded = shop.contactor_welded and (shop.oven_welded or shop.tank_welded)
        for zone, one in enumerate(self.excess):
            one.step(shop, None if welded else judge.hottest_c(zone), self._disturbed)
        self._disturbed = shop.tank.part_c is not None
        self._waiting = (self._waiting + self.to_host.carry(back, self.now_s))[-BUFFER_BYTES:]
        self._host(self.now_s)

    def _host(self, now_s: float) -> None:
        """The daemon's part: on frames, on a wish, or every 0.4 s."""
        if self._down_until_s is not None:
            if now_s < self._down_until_s:
                return
            self._down_until_s = None
            if self._down_restarts:
                self._come_back()
        clock_s = now_s + self.clock_s
        data, self._waiting = self._waiting, b""
        force = bool(self._wishes) or now_s - self._ticked_s >= TIMEOUT_S
        requests = self._requests()
        core_before = self.pump.core
        link = self.pump.link
        link.receive(data, clock_s)
        pending = link.pending
        out, outcomes = self.pump.step(b"", clock_s, requests, force)
        self._out += out
        if not outcomes:
            self._wishes = [request.wish for request in requests]
            return
        self._ticked_s = now_s
        (self.outcome,) = outcomes
        judge = self.host_judge
        judge.asked(requests)
        # The judge knows true seconds; the clock that ticks are given may have been stepped.
        if pending:
            judge.heard_s = now_s
        judge.told(core_before, self.outcome, now_s, self.board_judge.held_s, pending)
        self._latched(bool(core_before.interlocks.latched), now_s)
        if self.outcome.events:
            # The daemon stores the state whenever something happened.
            self._saved = json.dumps(core_before.state())

    def _latched(self, latched: bool, now_s: float) -> None:
        """When the host's trip began to stand, for the board's judge."""
        if not latched:
            self.board_judge.latched_s = None
        elif self.board_judge.latched_s is None:
            self.board_judge.latched_s = now_s

    def _requests(self) -> list[Request]:
        wishes, self._wishes = self._wishes, []
        requests = []
        for wish in wishes:
            self._number += 1
            requests.append(Request(self._number, wish, "phone"))
        return requests

    def _go_down(self, seconds: float, restarts: bool, resets_board: bool) -> None:
        self._down_until_s = max(self._down_until_s or 0.0, self.now_s + seconds)
        self._down_restarts |= restarts
        self._resets_board |= resets_board
        if restarts:
            self._saved = json.dumps(self.pump.core.state())
            self._wishes.clear()

    def _come_back(self) -> None:
        """A new process: its clock may be another boot's; bytes of the old one may still lie in the buffer."""
        if self._rng.random() < 0.5:
            self.clock_s = self._rng.uniform(-self.now_s, 5000.0)
        if self._rng.random() < 0.5:
            self._waiting = b""
        if self._resets_board and self.shop.board.powered:
            self.shop.board.reset()
            self.board_judge.deaf_s = self.now_s + 0.3
        self._down_restarts = self._resets_board = False
        self._process()

    # --- what happens --------------------------------------------------------------------------------------

    def _act(self, act: Act) -> None:
        what, on = act.what, act.value is True
        if what in FAULTS and what != "board_power_cut":
            self._shop_fault(what, on)
        elif what in LINE_FAULTS:
            self._line_fault(what, on)
        elif what in PROBE_FAULTS:
            self._probe_fault(what, on)
        elif what.startswith(("host_", "clock_", "torn_", "power_", "board_power")):
            self._power_or_host(what, on)
        else:
            self._smith(what, act.value)

    def _shop_fault(self, name: str, on: bool) -> None:
        if name.startswith("board_") and not self.shop.board.powered:
            return
        self.shop.fault(name, on)
        self._disturbed = True
        judge = self.board_judge
        if name in ("board_hang", "board_reboot"):
            judge.deaf_s = self.now_s + 0.35
        place = next((i for i, sensor in enumerate(PLACES) if name.startswith(f"{sensor}_sensor_")), None)
        place = OUT_OF_PLACE.get(name, place)
        if place is not None:
            self._lies(place, name, on)
            if name.endswith(("_open", "_dead", "_short")) and self.shop.probes.letters.get(place):
                judge.bad_since.setdefault(place, self.now_s)
            elif place not in self.shop.probes.letters:
                judge.bad_since.pop(place, None)

    def _lies(self, place: int, name: str, on: bool) -> None:
        lying = self.board_judge.lying.setdefault(place, set())
        (lying.add if on else lying.discard)(name)

    def _line_fault(self, name: str, on: bool) -> None:
        ways = [self.to_board] if name.startswith("to_board") else [self.to_host]
        if name.startswith("both"):
            ways = [self.to_board, self.to_host]
        share = self._rng.choice(LINE_SHARE) if on else 0.0
        for way in ways:
            if name.endswith("cut"):
                way.cut = on
            elif name.endswith("delayed"):
                way.delay_s = self._rng.choice((0.3, 0.8, 1.5, 5.0)) if on else 0.0
            else:
                setattr(way, name.rsplit("_", 1)[1], share)

    def _probe_fault(self, name: str, on: bool) -> None:
        place = next(i for i in (1, 3, 0, 2, 4) if name.startswith(PLACES[i] + "_"))
        self._lies(place, name, on)
        probes = self.shop.probes
        if name.endswith("fallen_out"):
            (probes.astray.add if on else probes.astray.discard)(place)
            return
        if on:
            sign = 1.0 if name.endswith("high") else -1.0
            probes.offset_k[place] = sign * self._rng.choice((5.0, 15.0, 40.0, 150.0))
        else:
            probes.offset_k.pop(place, None)

    def _power_or_host(self, name: str, on: bool) -> None:
        board, rng = self.shop.board, self._rng
        judge = self.board_judge
        if name == "host_stall":
            self._go_down(rng.choice((0.5, 1.9, 3.0, 20.0, 70.0)), False, False)
        elif name.startswith("host_restart"):
            self._go_down(rng.choice((0.2, 1.0, 5.0, 30.0, 90.0)), True, name.endswith("board"))
        elif name.startswith("clock_"):
            self.clock_s += rng.choice((0.3, 2.0, 61.0, 4000.0)) * (1.0 if name == "clock_forward" else -1.0)
        elif name == "torn_power_cut":
            board.power_cut(rng.choice((1, 2)))
            self._after(1.0, "board_power_cut", False)
        elif on:
            board.power_cut()
            if name == "power_cut_of_both":
                self._go_down(1e9, True, False)
        elif not board.powered:
            board.power_on()
            judge.deaf_s = self.now_s + 0.3
        if name == "power_cut_of_both" and not on:
            self._down_until_s = self.now_s + rng.uniform(0.5, 40.0)

    def _after(self, seconds: float, what: str, value: object) -> None:
        self._later.append(Act(self.now_s + seconds, what, value))
        self._later.sort(key=lambda act: act.at_s)

    def _smith(self, what: str, value: object) -> None:
        """Buttons, hands in the shop, and the phone."""
        shop, wishes = self.shop, self._wishes
        view = self.outcome.snapshot if self.outcome else None
        if what == "arm":
            shop.press("arm")
            self.board_judge.pressed_s = self.now_s
        elif what == "reset":
            # Who presses again while it is still down goes on with the same hold.
            if not shop.board.reset_button:
                self.board_judge.held_s = self.now_s
            shop.press("reset")
        elif what == "mend":
            self._mend()
        elif what == "cold_steel":
            shop.fault("cold_steel", True)
            self._disturbed = True
        elif what == "unload":
            shop.set_load(())
            self._disturbed = True
        elif what in ("quench_declared", "quench_both") and isinstance(value, tuple):
            mass_kg, part_c = value
            wishes.append(Quench(mass_kg=mass_kg if self._rng.random() < 0.7 else None, part_c=part_c))
            if what == "quench_both":
                shop.tank.quench(mass_kg, part_c, 12.0)
        elif what == "start" and isinstance(value, tuple):
            wishes.append(Start(*value))
        elif what == "preheat" and isinstance(value, tuple):
            wishes.append(Preheat(*value))
        elif what == "resume":
            run_id = view.oven.resumable_run_id if view else None
            wishes.append(Resume(1 if run_id is None else run_id))
        elif what == "confirm":
            wishes.append(Confirm(view.prompt.id if view and view.prompt else "door", self._rng.random() < 0.5))
        else:
            wishes.append(PLAIN[what])

    def _mend(self) -> None:
        for name in self.plan.faults:
            if name not in MOMENTARY:
                self._act(Act(self.now_s, name, False))


def play(seed: int) -> Result:
    """The world of this seed, to its end."""
    return World(seed).run()
