"""The host's end of the line: greeting, layout, session, sequence, limits. Bytes in, typed messages out.

It owns half a frame, the session and the sequence, and nothing else. It does no I/O and knows no clock.
"""

from __future__ import annotations

from math import inf
from typing import Final

from controller.model import Board, BoardLimits, Command, Reading, Telemetry
from controller.wire import messages
from controller.wire.frames import FrameDecoder, encode
from controller.wire.messages import AnswerMessage, BootMessage, HelloMessage, Message

GREET_EVERY_S: Final = 0.3
GREET_MISFIT_EVERY_S: Final = 5.0
LIMIT_RETRY_S: Final = 0.5
DEAF_S: Final = 3.0
"""After so long without a word from the board, what we send may still arrive."""
FOREIGN_FRAMES: Final = 2
"""So many telemetry frames in a row with another session's number, and ours is over."""
REMEMBERED: Final = 64
"""Frames sent whose answer is still awaited; S at 4 Hz fills it in 16 s, far beyond the board's 2 s."""
_SET: Final = -1
"""Stands where an L has its `which`."""


class Link:
    """One board on one line. One owner, no locks."""

    def __init__(self) -> None:
        self._decoder = FrameDecoder()
        self._frames: list[Telemetry] = []
        self._port_text = "The board has not been looked for yet."
        self._forget()

    def _forget(self) -> None:
        self._boot: BootMessage | None = None
        self._board: Board | None = None
        self._incompatible: str | None = None
        self._greeted_s: float | None = None
        self._heard_s = inf
        self._deaf = False
        self._awaited: dict[int, int] = {}
        self._stale = 0
        self._end_session()

    def _end_session(self) -> None:
        """Greet anew before anything else is sent."""
        self._sid = 0
        self._seq = 0
        self._answer: int | None = None
        # On a slow line the board may have answered a second greeting before these frames reached it; it then
        # says "wrong session" to numbers that the next session uses again.
        self._stale += len(self._awaited)
        self._awaited = {}
        self._limits_done: set[int] = set()
        self._limits_sent_s: float | None = None
        self._wanted: BoardLimits | None = None
        self._foreign = 0

    @property
    def greeted(self) -> bool:
        """A session is open."""
        return self._sid != 0

    @property
    def bad_frames(self) -> int:
        """Frames from the board that were not well formed, since this link was made."""
        return self._decoder.bad_frames

    @property
    def pending(self) -> bool:
        """Telemetry waits to be read."""
        return bool(self._frames)

    def port_changed(self, port_text: str) -> None:
        """ "": a port was opened, everything starts anew; else the port is lost, and this is why."""
        self._port_text = port_text
        self._decoder.forget()
        self._frames.clear()
        self._forget()

    def receive(self, data: bytes, now_s: float) -> tuple[Message, ...]:
        """The messages that became whole with these bytes; never raises for what the line brings."""
        taken: list[Message] = []
        for body in self._decoder.feed(data, now_s):
            message = messages.parse(body)
            if message is None:
                self._decoder.refuse()
                if body.startswith(b"T,"):
                    # Telemetry of another layout: a board that was given other firmware, and waits to be greeted.
                    self._deaf = False
                self._look_for_foreign_hello(body)
                continue
            self._heard_s, self._deaf = now_s, False
            self._take(message)
            taken.append(message)
        return tuple(taken)

    def take_reading(self) -> Reading:
        """What was heard since the last call."""
        frames = tuple(self._frames)
        self._frames.clear()
        return Reading(frames, self._board, self._incompatible, self._answer, self._limits_set(), self._port_text)

    def poll(self, now_s: float) -> bytes:
        """A greeting, if one is due."""
        if self._port_text or self._sid or self._deaf:
            return b""
        every_s = GREET_MISFIT_EVERY_S if self._incompatible else GREET_EVERY_S
        if self._greeted_s is not None and now_s - self._greeted_s < every_s:
            return b""
        self._greeted_s = now_s
        return encode(messages.greet_body(messages.PROTOCOL, messages.PROTOCOL))

    def send(self, command: Command, now_s: float) -> bytes:
        """The bytes for this tick: a greeting while no session is open, else limits that are due, and an S.

        Nothing while a board that was in session is not heard: only a host that has fallen silent makes it sound a
        trip of its own and stir warm oil on, and a greeting would be a host that speaks. Its telemetry comes unasked.
        """
        if self._sid and now_s - self._heard_s >= DEAF_S:
            self._end_session()
            self._deaf = True
        if not self._sid:
            return self.poll(now_s)
        sent = self._limits(command.limits, now_s)
        ready = self._limits_done
        oven = thousandths(command.oven_duty) if 0 in ready else 0
        tank = thousandths(command.tank_duty) if {1, 2} <= ready else 0
        flags = (
            command.sounder * messages.FLAG_SOUNDER
            | command.agitator * messages.FLAG_AGITATOR
            | command.contactor * messages.FLAG_CONTACTOR
            | command.work * messages.FLAG_WORK
            | command.trip * messages.FLAG_TRIP
        )
        seq = self._next_seq(_SET)
        return sent + encode(messages.set_body(self._sid, seq, oven, tank, flags))

    def _next_seq(self, what: int) -> int:
        """The next sequence number, of which an answer is awaited from now on."""
        seq = self._seq = (self._seq + 1) & 0xFFFF
        self._awaited[seq] = what
        if len(self._awaited) > REMEMBERED:
            del self._awaited[next(iter(self._awaited))]
        return seq

    def _limits(self, limits: BoardLimits | None, now_s: float) -> bytes:
        """The L frames that are not yet answered with 0, again every half second. None: those given before."""
        if limits is not None and limits != self._wanted:
            self._wanted = limits
            self._limits_done.clear()
            self._limits_sent_s = None
            # An answer to an earlier value says nothing about this one.
            self._awaited = {seq: what for seq, what in self._awaited.items() if what == _SET}
        limits = self._wanted
        if limits is None or self._limits_set():
            return b""
        if self._limits_sent_s is not None and now_s - self._limits_sent_s < LIMIT_RETRY_S:
            return b""
        self._limits_sent_s = now_s
        sent = b""
        for which, limit in enumerate(limits):
            if limit is not None and which not in self._limits_done:
                seq = self._next_seq(which)
                sent += encode(messages.limit_body(self._sid, seq, which, limit))
        return sent

    def _limits_set(self) -> bool:
        wanted = self._wanted
        if wanted is None or not self._sid:
            return False
        return all(limit is None or which in self._limits_done for which, limit in enumerate(wanted))

    def _take(self, message: Message) -> None:
        if isinstance(message, Telemetry):
            self._frames.append(message)
            self._foreign = 0 if message.sid == self._sid else self._foreign + 1
            if self._sid and self._foreign >= FOREIGN_FRAMES:
                self._end_session()
        elif isinstance(message, AnswerMessage):
            self._answered(message)
        elif isinstance(message, BootMessage):
            self._boot = message
            # A B announces the answer to a greeting; alone it announces a boot, and the session is gone.
            self._end_session()
        elif isinstance(message, HelloMessage):
            self._hello(message)

    def _answered(self, message: AnswerMessage) -> None:
        wrong_session = message.code == messages.WRONG_SESSION
        if wrong_session and self._stale:
            self._stale -= 1
            return
        what = self._awaited.pop(message.seq, None)
        if what is None:
            return
        if wrong_session:
            self._end_session()
            return
        # The line keeps the order, so after an answer that is ours none of an earlier session can come.
        self._stale = 0
        if what == _SET:
            self._answer = message.code
        elif message.code == messages.DONE:
            self._limits_done.add(what)

    def _hello(self, message: HelloMessage) -> None:
        self._end_session()
        boot, self._boot = self._boot, None
        self._incompatible = misfit(message.proto, message.layout, message.sid)
        if boot is None:
            # Its `B` was lost on the way, and without the number of the boot a restart would go unseen.
            return
        self._board = messages.board(boot, message)
        if self._incompatible is None:
            self._sid = message.sid

    def _look_for_foreign_hello(self, body: bytes) -> None:
        """A board whose `H` has other fields cannot be understood, but the smith is to be told of it."""
        found = messages.foreign_hello(body)
        incompatible = misfit(*found) if found is not None else None
        if incompatible is not None:
            self._end_session()
            self._incompatible = incompatible


def misfit(proto: int, layout: int, sid: int | None = None) -> str | None:
    """What keeps this program and a board that answers so apart: "protocol", "layout", None: nothing."""
    if proto != messages.PROTOCOL:
        return "protocol"
    if layout != messages.LAYOUT:
        return "layout"
    # It opens no session for the protocol that we asked for, although it is the one that it names.
    return "protocol" if sid == 0 else None


def thousandths(duty: float) -> int:
    """A duty in whole thousandths, rounded down; NaN and anything below 0 is 0, anything above 1 is 1000."""
    if not duty > 0.0:
        return 0
    return 1000 if duty >= 1.0 else int(duty * 1000.0 + 1e-9)
