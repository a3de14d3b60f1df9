"""The service's own thread: read, tick, write, hand on. Telemetry drives it; silence drives it too.

An exception in this thread sends zero duty and ends the process: a dead thread in a living process would be
the worst of both. A watchdog thread ends the process when that takes too long, or when ticks stop.
"""

from __future__ import annotations

import contextlib
import logging
import os
import socket
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from typing import Final, Protocol

from controller.core.requests import STOPS
from controller.model import (
    Answer,
    Confirm,
    Forecast,
    LoadItem,
    Outcome,
    Preheat,
    Program,
    Reason,
    Request,
    Resume,
    Snapshot,
    Start,
    StopAll,
    StopOven,
    TankOff,
    Wish,
)
from controller.pump import Pump

SILENCE_TICK_S: Final = 0.4
# Longer, and a silent board would be fed less often than every 500 ms.
READ_S: Final = 0.1
LATE_S: Final = 0.100
REQUESTS: Final = 64
FAIL_EXIT_S: Final = 2.0
STALLED_S: Final = 10.0
KEEP_ALIVE_S: Final = 3.0
# The clocks of host and board part by less than this (a ceramic resonator is good to 0.5 %, from memory);
# more is a late tick.
CLOCK_DRIFT: Final = 0.01

ENDED_BY: Final[Mapping[type, tuple[type, ...]]] = {
    Start: (StopAll, StopOven),
    Resume: (StopAll, StopOven),
    Confirm: (StopAll, StopOven),
    Preheat: (StopAll, TankOff),
}
"""Wishes for heat, and the stops that end them before they were begun."""

ENDING: Final = Answer((Reason("ending", "The service is ending: heat is off and nothing new is begun."),))
BUSY: Final = Answer((Reason("busy", "Too much is being asked at once. Wait a moment."),))
STOPPED: Final = Answer((Reason("stopped", "Stop was pressed after this was asked. Ask again if it is still wanted."),))

log = logging.getLogger("ovenhand")


class Port(Protocol):
    """What the service needs of a serial port."""

    def read(self, timeout_s: float) -> bytes: ...
    def write(self, data: bytes) -> None: ...
    def changed(self) -> str | None: ...
    def wake(self) -> None: ...
    def close(self) -> None: ...


class Recorder(Protocol):
    """What the service needs of the record."""

    def took(
        self, now_s: float, wall: float, *, data: bytes, requests: Sequence[Request], forced: bool, wrote: bytes,
        outcomes: Sequence[Outcome], port: str | None,
    ) -> object: ...  # fmt: skip


def notify_systemd(state: str) -> None:
    """Tell systemd, where it started us (sd_notify protocol); silently nothing elsewhere.

    A socket that nobody holds, or that is full, costs this one word and never a tick.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        sock.connect("\0" + address[1:] if address.startswith("@") else address)
        sock.sendall(state.encode())


class Lateness:
    """How late ticks are, in seconds of the given clock: against the board's own milliseconds where it speaks.

    The least delay seen stands for "on time"; it may creep, because two clocks never run quite alike.
    """

    def __init__(self) -> None:
        self.ticks = self.late = 0
        self.worst_s = 0.0
        self._least: float | None = None
        self._before_s = 0.0
        self._last_ms: int | None = None

    def tick(self, now_s: float, board_ms: int | None, scale: float) -> None:
        """One tick at now_s for the frame the board sent at board_ms; `scale`: clock seconds per real second."""
        self.ticks += 1
        if board_ms is None:
            return
        if self._last_ms is None or not 0 <= board_ms - self._last_ms < 60_000:
            self._least = None
        self._last_ms = board_ms
        offset_s = now_s - board_ms / 1000.0
        creep_s = CLOCK_DRIFT * max(0.0, now_s - self._before_s)
        self._before_s = now_s
        self._least = offset_s if self._least is None else min(self._least + creep_s, offset_s)
        late_s = (offset_s - self._least) / scale
        self.worst_s = max(self.worst_s, late_s)
        self.late += late_s > LATE_S


class Service:
    """The desk that the web asks, and the thread that answers. `now_s`: the clock of this shop (scaled in a
    rehearsal); `wall`: seconds since 1970; `scale`: clock seconds per real second.

    When the thread fails, `failed` is set and `on_failure` called, which is to end the process in good order;
    a process that is still there two seconds later is ended by `die`.
    """

    def __init__(
        self, pump: Pump, port: Port, *, now_s: Callable[[], float], wall: Callable[[], float],
        recorder: Recorder | None = None, scale: Callable[[], float] = lambda: 1.0,
        die: Callable[[int], object] = os._exit,
    ) -> None:  # fmt: skip
        self.on_failure: Callable[[], object] = lambda: None
        self.pump = pump
        self._port = port
        self._now_s = now_s
        self._wall = wall
        self._recorder = recorder
        self._scale = scale
        self._die = die
        self._requests: list[Request] = []
        self._futures: dict[int, Future[Answer]] = {}
        self._number = 0
        self._stopped_s: dict[type, float] = {}
        self._asking = threading.Lock()
        self._stopping = False
        self._ended = threading.Event()
        self.failed = False
        self._beat_s = time.monotonic()
        self._fed_s = 0.0
        self.lateness = Lateness()
        now = now_s()
        self._tick_s = now
        # The first look, before there is a port: what an earlier process left (a run that can go on) is said here.
        wrote, outcomes = pump.step(b"", now, (), True)
        self._last: tuple[Snapshot, float] = (outcomes[0].snapshot, time.monotonic())
        if recorder is not None:
            recorder.took(now, wall(), data=b"", requests=(), forced=True, wrote=wrote, outcomes=outcomes, port=None)
        self.heat_off = threading.Event()
        self._thread = threading.Thread(target=self._run, name="tick", daemon=True)
        self._watchdog = threading.Thread(target=self._watch, name="watchdog", daemon=True)

    # --- the desk ------------------------------------------------------------------------------------------

    def snapshot(self) -> tuple[Snapshot, float]:
        """The last snapshot, and how many seconds ago it was made."""
        snapshot, made_s = self._last
        return snapshot, time.monotonic() - made_s

    def ask(self, wish: Wish, who: str, arrived_s: float | None = None) -> Future[Answer]:
        """Queue a wish for the next tick; what cannot be queued is answered at once, with the reason.

        `arrived_s`: when it was heard of (time.monotonic), default now. A wish for heat that was heard of before a
        stop of its zone was asked is dead. A stop is never refused for want of room: where there is none it shares
        the answer of one that waits.
        """
        future: Future[Answer] = Future()
        with self._asking:
            refused = self._refused(wish, arrived_s)
            if refused is not None:
                future.set_result(refused)
                return future
            if isinstance(wish, STOPS) and len(self._requests) >= REQUESTS:
                for waiting in self._requests:
                    if type(waiting.wish) is type(wish):
                        shared = self._futures[waiting.id]
                        if shared.cancelled():
                            shared = self._futures[waiting.id] = future
                        return shared
            self._number += 1
            self._futures[self._number] = future
            self._requests.append(Request(self._number, wish, who))
        self._port.wake()
        return future

    def _refused(self, wish: Wish, arrived_s: float | None) -> Answer | None:
        """Why it is not queued, with the lock held; None when it is."""
        if self._ended.is_set():
            return ENDING
        now_s = time.monotonic()
        if isinstance(wish, STOPS):
            self._stopped_s[type(wish)] = now_s
            return None
        arrived_s = now_s if arrived_s is None else arrived_s
        if any(self._stopped_s.get(stop, arrived_s) > arrived_s for stop in ENDED_BY.get(type(wish), ())):
            return STOPPED
        return BUSY if len(self._requests) >= REQUESTS else None

    def forecast(self, program: Program, load: tuple[LoadItem, ...]) -> Forecast | None:
        """When this program would begin to soak and be done, were it started now."""
        oven = self._last[0].oven
        return self.pump.core.oven.forecast(program, load, oven.part_c if oven.part_measured else None)

    def on_time(self) -> bool:
        """Whether ticks come when they should."""
        return self._thread.is_alive() and time.monotonic() - self._beat_s < 2.0

    def figures(self) -> Mapping[str, float]:
        """Counters for /metrics."""
        return {
            "ticks": float(self.lateness.ticks),
            "late_ticks": float(self.lateness.late),
            "worst_lateness_s": self.lateness.worst_s,
            "bad_frames": float(self.pump.link.bad_frames),
            "requests_waiting": float(len(self._requests)),
        }

    # --- life ----------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to tick."""
        self._thread.start()
        self._watchdog.start()

    def stop(self) -> None:
        """Heat off first: the thread sees it within READ_S, sends zero duty and ends. Returns at once.

        A signal's handler calls this in the main thread, perhaps in the middle of `ask`: so it takes no lock, and
        does not wake the port, which has one.
        """
        self._stopping = True

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread; True when it has ended."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    # --- the tick thread -----------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._once()
        except BaseException:
            self.failed = True
            log.exception("The control thread failed. Heat is taken off and the service ends.")
        self._heat_off()
        self._beat_s = time.monotonic()
        with self._asking:
            self._ended.set()
            unanswered, self._futures = self._futures, {}
        for future in unanswered.values():
            if future.set_running_or_notify_cancel():
                future.set_result(ENDING)
        if self.failed:
            self.on_failure()

    def _heat_off(self) -> None:
        try:
            self._port.write(self.pump.idle(self._now_s()))
        except Exception:
            # The board's own dead-man takes the heat off when nothing reaches it.
            log.exception("Zero duty could not be sent.")
        self.heat_off.set()

    def _once(self) -> None:
        data = self._port.read(READ_S / self._scale())
        now_s = self._now_s()
        text = self._port.changed()
        if text is not None:
            self.pump.link.port_changed(text)
            log.info("%s", text or "The serial port is open.")
        waiting = bool(self._requests)
        force = waiting or text is not None or now_s - self._tick_s >= SILENCE_TICK_S
        requests = self._take() if waiting else ()
        wrote, outcomes = self.pump.step(data, now_s, requests, force)
        if wrote:
            self._port.write(wrote)
        for outcome in outcomes:
            self._tick_s = now_s
            self._ticked(outcome, now_s)
        if self._recorder is not None and (data or wrote or outcomes or text is not None):
            forced = bool(outcomes) and not self.pump.reading.frames
            self._recorder.took(
                now_s, self._wall(), data=data, requests=requests, forced=forced, wrote=wrote, outcomes=outcomes,
                port=text,
            )  # fmt: skip
        # After the record has it: who has an answer may ask whether it is on the card.
        for outcome in outcomes:
            self._answer(outcome)
        self._beat_s = time.monotonic()
        if outcomes and self._beat_s - self._fed_s >= KEEP_ALIVE_S:
            self._fed_s = self._beat_s
            notify_systemd("WATCHDOG=1")

    def _take(self) -> tuple[Request, ...]:
        with self._asking:
            taken, self._requests = self._requests, []
        return tuple(taken)

    def _ticked(self, outcome: Outcome, now_s: float) -> None:
        self._last = (outcome.snapshot, time.monotonic())
        frames = self.pump.reading.frames
        self.lateness.tick(now_s, frames[-1].ms if frames else None, self._scale())

    def _answer(self, outcome: Outcome) -> None:
        for event in outcome.events:
            number = event.data.get("request_id")
            if number is not None:
                future = self._futures.pop(number, None)
                if future is not None and future.set_running_or_notify_cancel():
                    data = event.data
                    reasons = tuple(data.get("reasons", ()))
                    remarks = tuple(data.get("remarks", ()))
                    future.set_result(Answer(reasons, data.get("run_id"), data.get("phase"), remarks))

    def _watch(self) -> None:
        """Ends the process when ticks stand still, or when it outlives the tick thread's failure."""
        while not self._ended.wait(0.5):
            if not self._stopping and time.monotonic() - self._beat_s > STALLED_S:
                log.critical("No tick for %g s. The service ends; the board takes the heat off by itself.", STALLED_S)
                self._die(71)
                return
        if self.failed:
            time.sleep(FAIL_EXIT_S)
            self._die(70)
