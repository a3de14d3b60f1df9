"""Thirty minutes of a whole shop in lock-step: simulated oven and oil, their chips, the firmware, link and core."""

from __future__ import annotations

from controller.core.tick import Core
from controller.model import LoadItem, Outcome, Request, Start, Temper, Wish
from controller.pump import Pump
from controller.sim.shop import SimShop
from controller.wire.link import Link
from tests.core.rig import limits, program
from tests.firmware.emulator.board import EmulatedBoard
from tests.firmware.emulator.shop import firmware_shop

TICK_S = 0.25
TEMPER_C = 205.0


class Loop:
    """The service's own step, driven by simulated time."""

    def __init__(self, shop: SimShop) -> None:
        self.shop = shop
        self.pump = Pump(lambda _: Core(limits()), Link())
        self.pump.link.port_changed("")
        self.now_s = 0.0
        self._out = b""
        self.outcomes: list[Outcome] = []

    def tick(self, *wishes: Wish) -> Outcome:
        data = self.shop.exchange(self._out, TICK_S)
        self.now_s += TICK_S
        requests = [Request(n + 1, wish, "test") for n, wish in enumerate(wishes)]
        self._out, outcomes = self.pump.step(data, self.now_s, requests, True)
        self.outcomes += outcomes
        return outcomes[-1]

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / TICK_S)):
            self.tick()


def test_thirty_minutes_of_a_temper_on_the_firmware() -> None:
    load = (LoadItem(0.3, 12.0),)
    shop = firmware_shop(load=load)
    board: EmulatedBoard = shop.board  # type: ignore[assignment]
    loop = Loop(shop)
    loop.run(3.0)
    shop.press("arm")
    loop.run(1.5)
    loop.tick(Start(program(Temper(TEMPER_C, 7200.0)), load))
    began_ms = board.now_ms
    loop.run(1800.0)
    core = loop.pump.core
    events = [event.kind for outcome in loop.outcomes for event in outcome.events]
    assert core.oven.phase == "soak", core.oven.phase
    assert abs(shop.oven.load_c - TEMPER_C) < 5.0
    assert "interlock_tripped" not in events
    assert board.trips == 0
    assert board.overruns == 0
    assert len(board.resets) == 1
    newest = loop.pump.reading.frames[-1]
    assert (newest.bad_frames, newest.trips, newest.last_seq) == (0, 0, newest.last_seq)
    assert loop.pump.link.bad_frames == 0
    asked_s = sum(outcome.command.oven_duty for outcome in loop.outcomes) * TICK_S
    on_s, _ = board.on_s()
    print(
        f"{(board.now_ms - began_ms) / 60_000:.1f} min: load at {shop.oven.load_c:.1f} °C, asked {asked_s:.1f} s of "
        f"heat, got {on_s:.1f} s, trace {board.machine.trace_hash():016x}"
    )
    assert abs(on_s - asked_s) < 5.0
    board.close()
