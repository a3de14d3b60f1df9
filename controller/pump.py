"""One step from bytes to bytes: link, core, link. No I/O, no clock; the daemon and lock-step runs use the same."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller.core.tick import Core
from controller.memory import Memory, freeze
from controller.model import IDLE, Outcome, Reading, Request
from controller.wire.link import Link


class Pump:
    """`make_core(fitted)`: a core for what a board says is fitted (None: no board was met yet).

    A shop without a file is made to fit the board, so its core is made anew at the first greeting, and is to be given
    what the one before has learnt (a stop may have been asked of it); `remake` is True for such a shop.
    """

    def __init__(self, make_core: Callable[[int | None], Core], link: Link, *, remake: bool = False) -> None:
        self._make_core = make_core
        self._remake = remake
        self.core = make_core(None)
        self.link = link
        self.reading = Reading()
        self._offered: int | None = None  # the run that the last tick offered to go on

    def step(self, data: bytes, now_s: float, requests: Sequence[Request], force: bool) -> tuple[bytes, list[Outcome]]:
        """Take bytes; if they held telemetry, or `force` says so, tick once. Returns the bytes to send.

        Without a tick the requests are not looked at; the caller keeps them for the next.
        """
        link = self.link
        if data:
            link.receive(data, now_s)
        if not (force or link.pending):
            return link.poll(now_s), []
        self.reading = reading = link.take_reading()
        told: int | None = None
        # A board that does not fit says nothing of the shop: the core is made for the one that replaces it.
        if self._remake and reading.board is not None and reading.incompatible is None:
            self._remake = False
            told, self.core = self._offered, self._make_core(reading.board.fitted)
        outcome = self.core.tick(now_s, reading, requests)
        if told is not None:
            # The core before has told of it; that this one offers the same run is no news.
            news = (one for one in outcome.events if (one.kind, one.data.get("run_id")) != ("run_resumable", told))
            outcome = outcome._replace(events=tuple(news))
        self._offered = outcome.snapshot.oven.resumable_run_id
        return link.send(outcome.command, now_s), [outcome]

    def idle(self, now_s: float) -> bytes:
        """The bytes that take all heat off."""
        return self.link.send(IDLE, now_s)

    def memory(self) -> bytes:
        """All that core and link remember between two steps, for the tape."""
        return freeze(Memory(self.core, self.link, self._remake))

    @classmethod
    def remembering(cls, memory: Memory, make_core: Callable[[int | None], Core]) -> Pump:
        """A pump that goes on from such a memory."""
        pump = cls.__new__(cls)
        pump._make_core, pump._remake = make_core, memory.remake
        pump.core, pump.link, pump.reading = memory.core, memory.link, memory.core.reading
        pump._offered = memory.core.oven.resumable_run_id
        return pump
