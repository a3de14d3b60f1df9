"""The host's end of the line: greeting, layout, session, sequence, limits. Bytes in, typed messages out.

It owns half a frame, the session and the sequence, and nothing else. It does no I/O and knows no clock.
"""

from __future__ import annotations

from typing import Final

from controller.model import Board, BoardLimits, Command, Reading, Telemetry
from controller.wire import messages
from controller.wire.frames import FrameDecoder, encode
from controller.wire.messages import AnswerMessage, BootMessage, HelloMessage, Message

GREET_EVERY_S: Final = 0.3
GREET_MISFIT_EVERY_S: Final = 5.0
LIMIT_RETRY_S: Final = 0.5
# The board's telemetry may be one frame behind a greeting that it has just answered.
FOREIGN_FRAMES: Final = 3
NO_LIMITS: Final = BoardLimits(None, None, None)


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
        self._sid = 0
        self._greeted_s: float | None = None
        self._end_session()

    def _end_session(self) -> None:
        """Greet anew before anything else is sent."""
        self._sid = 0
        self._seq = 0
        self._answer: int | None = None
        self._sets: dict[int, None] = {}
        self._limit_seqs: dict[int, int] = {}
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
                continue
            self._take(message)
            taken.append(message)
        return tuple(taken)

    def take_reading(self) -> Reading:
        """What was heard since the last call."""
        frames = tuple(self._frames)
        self._frames.clear()
        return Reading(
            frames, self._board, self._incompatible, self._answer, self._limits_set(), self._port_text
        )  # fmt: skip

    def poll(self, now_s: float) -> bytes:
        """A greeting, if one is due."""
        if self._port_text or self._sid:
            return b""
        every_s = GREET_MISFIT_EVERY_S if self._incompatible else GREET_EVERY_S
        if self._greeted_s is not None and now_s - self._greeted_s < every_s:
            return b""
        self._greeted_s = now_s
        return encode(messages.greet_body(messages.PROTOCOL, messages.PROTOCOL))

    def send(self, command: Command, now_s: float) -> bytes:
        """The bytes for this tick: a greeting while no session is open, else limits that are due, and an S."""
        if not self._sid:
            return self.poll(now_s)
        sent = self._limits(command.limits or NO_LIMITS, now_s)
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
        seq = self._next_seq()
        self._sets[seq] = None
        if len(self._sets) > 64:
            del self._sets[next(iter(self._sets))]
        return sent + encode(messages.set_body(self._sid, seq, oven, tank, flags))

    def _next_seq(self) -> int:
        self._seq = (self._seq + 1) & 0xFFFF
        return self._seq

    def _limits(self, limits: BoardLimits, now_s: float) -> bytes:
        """The L frames that are not yet answered with 0, again every half second."""
        if limits != self._wanted:
            self._wanted = limits
            self._limits_done.clear()
            self._limits_sent_s = None
        if self._limits_set():
            return b""
        if self._limits_sent_s is not None and now_s - self._limits_sent_s < LIMIT_RETRY_S:
            return b""
        self._limits_sent_s = now_s
        self._limit_seqs.clear()
        sent = b""
        for which, limit in enumerate(limits):
            if limit is not None and which not in self._limits_done:
                seq = self._next_seq()
                self._limit_seqs[seq] = which
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
        if not self._sid:
            return
        if message.seq in self._limit_seqs:
            which = self._limit_seqs.pop(message.seq)
            if message.code == messages.DONE:
                self._limits_done.add(which)
        elif message.seq in self._sets:
            del self._sets[message.seq]
            self._answer = message.code
        else:
            return
        if message.code == messages.WRONG_SESSION:
            self._end_session()

    def _hello(self, message: HelloMessage) -> None:
        self._end_session()
        self._board = messages.board(self._boot, message)
        if message.proto != messages.PROTOCOL:
            self._incompatible = "protocol"
        elif message.layout != messages.LAYOUT or message.sid == 0:
            self._incompatible = "layout"
        else:
            self._incompatible = None
            self._sid = message.sid


def thousandths(duty: float) -> int:
    """A duty in whole thousandths, rounded down; NaN and anything below 0 is 0, anything above 1 is 1000."""
    if not duty > 0.0:
        return 0
    return 1000 if duty >= 1.0 else int(duty * 1000.0 + 1e-9)
