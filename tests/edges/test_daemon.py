"""The tick thread: what drives it, what it answers, and how it ends, on a clock that the test moves."""

from __future__ import annotations

import contextlib
import logging
import os
import pty
import queue
import socket
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from controller.commands.serve import _cores
from controller.core.tick import Core
from controller.daemon import ENDING, REQUESTS, Lateness, Service, notify_systemd
from controller.model import Answer, LoadItem, Outcome, Presence, Program, Request, Start, StopAll, Temper, Wish
from controller.pump import Pump
from controller.serial_port import SerialPort
from controller.sim.shop import SimShop
from controller.wire.frames import encode
from controller.wire.link import Link
from tests.core.rig import Rig, limits

PROGRAM = Program("test temper", (Temper(205.0, 1200.0),))
LOAD = (LoadItem(0.3, 12.0),)


class ShopPort:
    """The simulated shop as a port: a read lets a quarter second pass, or as long as it may wait in silence."""

    def __init__(self) -> None:
        self.shop = SimShop(load=LOAD)
        self.text = ""
        self.told: str | None = None
        self.silent = False
        self.now_s = 0.0
        self.written: list[tuple[float, bytes]] = []
        self.closed = self.woken = 0
        self._to_board = b""

    def read(self, timeout_s: float) -> bytes:
        passing_s = timeout_s if self.silent else 0.25
        self.now_s += passing_s
        sent, self._to_board = self._to_board, b""
        data = self.shop.exchange(sent, passing_s)
        return b"" if self.silent else data

    def write(self, data: bytes) -> None:
        self.written.append((self.now_s, data))
        self._to_board += data

    def changed(self) -> str | None:
        if self.text == self.told:
            return None
        self.told = self.text
        return self.text

    def wake(self) -> None:
        self.woken += 1

    def close(self) -> None:
        self.closed += 1


class Diary:
    """A recorder that keeps what it gets, and fails when it is told to."""

    def __init__(self) -> None:
        self.outcomes: list[Outcome] = []
        self.requests: list[Request] = []
        self.broken = False

    def took(self, now_s: float, wall: float, *, outcomes: Sequence[Outcome], **rest: Any) -> object:
        if self.broken:
            raise RuntimeError("a promise of ours is broken")
        self.outcomes += outcomes
        self.requests += rest["requests"]
        return ()


def service_on(port: ShopPort, diary: Diary | None = None, die: Callable[[int], object] = lambda code: None) -> Service:
    pump = Pump(lambda _: Core(limits()), Link())
    return Service(pump, port, now_s=lambda: port.now_s, wall=lambda: 1.7e9, recorder=diary, die=die)


def step(service: Service, times: int = 1) -> None:
    for _ in range(times):
        service._once()


def heating(port: ShopPort, service: Service) -> Future[Answer]:
    """An armed shop with a run that heats."""
    step(service, 8)
    port.shop.press("arm")
    step(service, 4)
    future = service.ask(Start(PROGRAM, LOAD), "phone 1")
    step(service, 12)
    assert service.snapshot()[0].oven.asked_duty > 0.5
    return future


def duties(frame: bytes) -> tuple[str, ...]:
    """Oven and tank of the last S frame in these bytes."""
    last = [line for line in frame.split(b"\n") if line.startswith(b"!S,")][-1]
    return tuple(last.split(b"*")[0].decode().split(",")[3:5])


def test_a_telemetry_frame_drives_a_tick_and_each_tick_feeds_the_board() -> None:
    port, diary = ShopPort(), Diary()
    service = service_on(port, diary)
    first = len(diary.outcomes)
    assert first == 1, "what the core says before there is a port"
    step(service, 20)
    assert len(diary.outcomes) == first + 20
    assert service.figures()["ticks"] == 20
    assert service.snapshot()[0].board.connected
    assert sum(b"!S," in data for _, data in port.written) >= 17  # the first ones greet


def test_a_silent_board_is_still_fed_at_least_every_half_second() -> None:
    port = ShopPort()
    service = service_on(port)
    step(service, 12)
    port.silent = True
    port.written.clear()
    begun_s = port.now_s
    step(service, 60)
    times = [begun_s, *(at_s for at_s, data in port.written if data)]
    assert port.now_s - begun_s > 5.0
    assert max(later - earlier for earlier, later in pairwise(times)) <= 0.5 + 1e-6
    assert not service.snapshot()[0].board.connected


def test_a_wish_is_answered_by_the_tick_that_takes_it() -> None:
    port, diary = ShopPort(), Diary()
    service = service_on(port, diary)
    accepted = heating(port, service).result(0)
    assert accepted.reasons == ()
    assert accepted.run_id == 1
    refused = service.ask(Start(PROGRAM), "phone 2")
    assert not refused.done()
    step(service)
    assert [reason.code for reason in refused.result(0).reasons] == ["run_on"]
    assert [request.who for request in diary.requests] == ["phone 1", "phone 2"]


def test_asking_wakes_the_port_so_that_a_stop_need_not_wait_for_telemetry() -> None:
    port = ShopPort()
    service = service_on(port)
    heating(port, service)
    port.silent = True
    woken = port.woken
    future = service.ask(StopAll(), "phone 1")
    assert port.woken == woken + 1
    step(service)
    assert future.result(0).reasons == ()
    assert duties(port.written[-1][1]) == ("0", "0")


def test_a_flood_is_answered_at_once_and_does_not_grow() -> None:
    service = service_on(ShopPort())
    waiting = [service.ask(Presence(), "script") for _ in range(REQUESTS)]
    one_more = service.ask(Presence(), "script")
    assert [reason.code for reason in one_more.result(0).reasons] == ["busy"]
    step(service)
    assert all(future.result(0).reasons == () for future in waiting)


def test_a_wish_given_up_by_its_asker_harms_nothing() -> None:
    port = ShopPort()
    service = service_on(port)
    future = service.ask(StopAll(), "phone 1")
    assert future.cancel()
    after = service.ask(StopAll(), "phone 1")
    step(service)
    assert after.result(0).reasons == ()


def test_a_pulled_cable_is_told_and_a_plugged_one_greeted_anew() -> None:
    port = ShopPort()
    service = service_on(port)
    step(service, 8)
    port.text, port.silent = "The cable is out.", True
    step(service, 30)
    board = service.snapshot()[0].board
    assert not board.connected
    assert board.port_text == "The cable is out."
    port.text, port.silent = "", False
    port.written.clear()
    step(service, 8)
    assert any(data.startswith(b"!H,") for _, data in port.written)
    assert service.snapshot()[0].board.connected


class Waiting(ShopPort):
    """As the shop's port, but a read takes its time; `wake` ends it."""

    def __init__(self) -> None:
        super().__init__()
        self.words: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.free = True

    def read(self, timeout_s: float) -> bytes:
        if not self.free:
            with contextlib.suppress(queue.Empty):
                self.words.get(timeout=timeout_s)
        return super().read(timeout_s)

    def wake(self) -> None:
        super().wake()
        self.words.put("woken")


def test_stop_sends_zero_duty_last_and_answers_who_still_waits() -> None:
    port = Waiting()
    service = service_on(port)
    heating(port, service)
    assert duties(port.written[-1][1]) != ("0", "0")
    port.free = False
    service.start()
    service.stop()
    service.stop()
    assert service.join(10.0)
    assert duties(port.written[-1][1]) == ("0", "0")
    assert service.heat_off.is_set()
    late = service.ask(Start(PROGRAM), "phone 1")
    assert late.result(0) == ENDING
    assert not service.on_time()


def test_a_signal_in_the_middle_of_a_wish_holds_up_neither(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its handler runs in the thread that asks, which may hold the serial port's lock at that moment."""
    master, slave = pty.openpty()
    port = SerialPort(os.ttyname(slave))
    service = Service(Pump(lambda _: Core(limits()), Link()), port, now_s=time.monotonic, wall=lambda: 1.7e9)
    step(service)
    assert port.text == ""
    signalled: list[None] = []
    monkeypatch.setattr("serial.Serial.cancel_read", lambda self: signalled.append(service.stop()))
    asking = threading.Thread(target=service.ask, args=(StopAll(), "phone 1"), daemon=True)
    asking.start()
    asking.join(10.0)
    assert not asking.is_alive()
    assert signalled == [None]
    service.start()
    assert service.join(10.0)
    assert service.heat_off.is_set()
    port.close()
    for end in (master, slave):
        os.close(end)


def test_a_broken_promise_takes_the_heat_off_and_ends_the_process(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("controller.daemon.FAIL_EXIT_S", 0.0)
    port, diary = Waiting(), Diary()
    died: queue.SimpleQueue[int] = queue.SimpleQueue()
    service = service_on(port, diary, died.put)
    heating(port, service)
    told = threading.Event()
    service.on_failure = told.set
    diary.broken = True
    port.free = False
    with caplog.at_level(logging.CRITICAL, "ovenhand"):
        service.start()
        unanswered = service.ask(Start(PROGRAM), "phone 2")  # wakes it: its next step fails
        assert service.join(10.0)
    assert service.failed
    assert told.is_set()
    assert duties(port.written[-1][1]) == ("0", "0")
    assert unanswered.result(10.0).reasons
    assert not service.on_time()
    assert died.get(timeout=10.0) == 70


def test_ticks_that_stand_still_end_the_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.daemon.STALLED_S", 0.0)
    port = Waiting()
    died: queue.SimpleQueue[int] = queue.SimpleQueue()
    service = service_on(port, None, died.put)
    port.free = False
    service.start()
    assert died.get(timeout=10.0) == 71
    service.stop()
    assert service.join(10.0)


def test_without_a_shop_file_the_core_is_made_for_the_board_that_answers() -> None:
    made: list[int | None] = []

    def make(fitted: int | None) -> Core:
        made.append(fitted)
        return Core(limits())

    port = ShopPort()
    service = Service(
        Pump(make, Link(), remake=True), port, now_s=lambda: port.now_s, wall=lambda: 1.7e9, die=lambda code: None
    )
    step(service, 12)
    assert made == [None, port.shop.board.fitted]


@pytest.mark.parametrize("stopped", [True, False])
def test_the_core_made_for_the_board_knows_what_the_first_one_has_learnt(stopped: bool) -> None:
    night = Rig()
    night.start()
    night.run(60.0)
    found = SimpleNamespace(state=night.core.state, state_age_s=22.0 * 3600.0, next_run_id=2, stands_known=True)
    pump = Pump(_cores(None, found), Link(), remake=True)  # type: ignore[arg-type]
    said: list[str] = []

    def go(now_s: float, data: bytes = b"", wish: Wish | None = None) -> bytes:
        wrote, outcomes = pump.step(data, now_s, () if wish is None else (Request(1, wish, "phone 1"),), True)
        said.extend(event.kind for outcome in outcomes for event in outcome.events)
        return wrote

    go(0.0)
    go(3600.0, wish=StopAll() if stopped else None)
    shop, to_board, first = SimShop(), b"", pump.core
    pump.link.port_changed("")
    for tick in range(20):
        to_board = go(3600.0 + 0.25 * tick, shop.exchange(to_board, 0.25))
    assert pump.core is not first
    assert said.count("run_resumable") == 1, "as the process began, and not again by the core made for the board"
    if stopped:
        assert pump.core.oven.resumable_run_id is None
    else:
        state = pump.core.state()["run"]
        assert state["run_id"] == 1
        assert state["away_s"] == pytest.approx(23.0 * 3600.0, abs=10.0), "the hour without a board counts"


def test_the_core_is_not_made_for_a_board_that_does_not_fit() -> None:
    """It would stay so when that board is replaced."""
    made: list[int | None] = []

    def make(fitted: int | None) -> Core:
        made.append(fitted)
        return Core(limits())

    pump = Pump(make, Link(), remake=True)
    pump.link.port_changed("")
    pump.step(b"", 0.0, (), True)
    misfit = encode(b"B,1,1,1,7,0") + encode(b"H,1,1,12345,0,31855,31000,11000,0,0,0,0,1000")
    pump.step(misfit, 0.25, (), True)
    assert pump.core.facts.incompatible == 1.0
    pump.link.port_changed("")
    shop, to_board = SimShop(), b""
    for tick in range(8):
        to_board, _ = pump.step(shop.exchange(to_board, 0.25), 1.0 + 0.25 * tick, (), True)
    assert made == [None, shop.board.fitted]


# --- lateness ------------------------------------------------------------------------------------------------


def ticked(offsets_s: Sequence[float], *, rate: float = 1.0, scale: float = 1.0) -> Lateness:
    """Ticks for frames a quarter second apart, each handled so much later than it was sent."""
    lateness = Lateness()
    for number, offset_s in enumerate(offsets_s):
        sent_s = number * 0.25
        lateness.tick(1000.0 + sent_s * rate + offset_s, round(sent_s * 1000), scale)
    return lateness


def test_ticks_on_time_are_not_late() -> None:
    lateness = ticked([0.02, 0.03, 0.01, 0.025] * 50)
    assert lateness.late == 0
    assert lateness.worst_s <= 0.03


def test_one_late_tick_is_counted_once_with_how_late_it_was() -> None:
    lateness = ticked([0.01] * 20 + [0.31] + [0.01] * 20)
    assert lateness.late == 1
    assert lateness.worst_s == pytest.approx(0.30, abs=0.01)


def test_a_stall_makes_every_frame_late_that_came_meanwhile() -> None:
    lateness = ticked([0.0] * 20 + [0.8, 0.55, 0.3, 0.05] + [0.0] * 20)
    assert lateness.late == 3


@pytest.mark.parametrize("rate", [0.995, 1.005], ids=["fast board", "slow board"])
def test_a_resonator_half_a_percent_off_makes_no_tick_late(rate: float) -> None:
    assert ticked([0.01] * 4000, rate=rate).late == 0


def test_in_a_rehearsal_lateness_is_counted_in_seconds_of_the_wall() -> None:
    lateness = ticked([0.0] * 20 + [1.0] + [0.0] * 20, scale=20.0)
    assert lateness.late == 0
    assert lateness.worst_s == pytest.approx(0.05, abs=0.001)


def test_a_board_that_starts_anew_is_not_late() -> None:
    lateness = ticked([0.0] * 20)
    lateness.tick(1100.0, 250, 1.0)
    lateness.tick(1100.25, 500, 1.0)
    assert lateness.late == 0


# --- systemd -------------------------------------------------------------------------------------------------


def test_systemd_is_told_on_the_socket_it_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        notify_systemd("WATCHDOG=1")
        assert listener.recv(64) == b"WATCHDOG=1"


def test_a_socket_that_nobody_holds_or_reads_costs_no_tick(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.daemon.KEEP_ALIVE_S", 0.0)
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    service = service_on(ShopPort())
    step(service, 8)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(tmp_path / "full"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "full"))
        ticking = threading.Thread(target=step, args=(service, 600), daemon=True)  # more than a queue holds
        ticking.start()
        ticking.join(30.0)
        assert not ticking.is_alive()
        heard = 0
        deaf.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while deaf.recv(64) == b"WATCHDOG=1":
                heard += 1
        assert 0 < heard < 600


def test_without_systemd_nothing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notify_systemd("READY=1")
