"""Typed messages for frame bodies. The field lists below are the protocol: the layout number is made of them.

Numbers are decimal, without `+`, without leading zeros, `-` only where a field is signed, and must fit.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from controller.model import Board, Telemetry
from controller.wire.frames import crc16

GREET: Final = "H,<min>,<max>"
SET: Final = "S,<sid>,<seq>,<oven>,<tank>,<flags>"
LIMIT: Final = "L,<sid>,<seq>,<which>,<limit>"
BOOT: Final = "B,<proto>,<firmware>,<reset_cause>,<boots>,<trips>"
HELLO: Final = (
    "H,<proto>,<firmware>,<layout>,<sid>,<chip>,<oven_flash>,<tank_flash>,"
    "<oven_limit>,<tank_off>,<tank_limit>,<fitted>,<window_ms>"
)
ANSWER: Final = "A,<seq>,<code>"
TELEMETRY: Final = (
    "T,<tseq>,<ms>,<sid>,<oven>,<oven_limit>,<tank>,<tank_limit>,<part>,<cold>,<faults>,<inputs>,<outputs>,"
    "<oven_on_ms>,<tank_on_ms>,<trips>,<arm_left_s>,<arms>,<resets>,<last_seq>,<age_ms>,<bad_frames>,<overruns>"
)
FIELD_LISTS: Final = (GREET, SET, LIMIT, BOOT, HELLO, ANSWER, TELEMETRY)
PROTOCOL: Final = 1
LAYOUT: Final = crc16("\n".join(FIELD_LISTS).encode())

FLAG_SOUNDER: Final = 1
FLAG_AGITATOR: Final = 2
FLAG_CONTACTOR: Final = 4
FLAG_WORK: Final = 8
FLAG_TRIP: Final = 16

DONE: Final = 0
WRONG_SESSION: Final = 2


class BootMessage(NamedTuple):
    proto: int
    firmware: int
    reset_cause: int
    boots: int
    trips: int


class HelloMessage(NamedTuple):
    proto: int
    firmware: int
    layout: int
    sid: int
    chip: int
    oven_flash: int
    tank_flash: int
    oven_limit: int
    tank_off: int
    tank_limit: int
    fitted: int
    window_ms: int


class AnswerMessage(NamedTuple):
    seq: int
    code: int


Message = BootMessage | HelloMessage | AnswerMessage | Telemetry

_SIGNED: Final = frozenset(
    {"oven_flash", "tank_flash", "oven_limit", "tank_off", "tank_limit", "oven", "tank", "part", "cold"}
)
_WORD: Final = "(0|[1-9][0-9]{0,4})"
_LONG: Final = "(0|[1-9][0-9]{0,9})"
_SIGNED_FIELD: Final = "(0|-?[1-9][0-9]{0,9})"
_FAULTS: Final = "([-OGVRXN]{5})"
SIGNED_MAX: Final = 2**31 - 1


def _shape(fields: str) -> re.Pattern[bytes]:
    """The strict form of a message from the board, from its field list."""
    kind, *names = fields.replace("<", "").replace(">", "").split(",")
    forms = []
    for name in names:
        if name == "faults":
            forms.append(_FAULTS)
        elif name == "ms":
            forms.append(_LONG)
        else:
            forms.append(_SIGNED_FIELD if name in _SIGNED else _WORD)
    return re.compile(",".join([kind, *forms]).encode())


_BOOT: Final = _shape(BOOT)
_HELLO: Final = _shape(HELLO)
_ANSWER: Final = _shape(ANSWER)
_TELEMETRY: Final = _shape(TELEMETRY)
_ANY_HELLO: Final = re.compile(f"H,{_WORD},[0-9]+,{_WORD}(?:,[^,]*)*".encode())


def _words_fit(numbers: tuple[int, ...]) -> bool:
    return max(numbers) <= 65535


def _telemetry(body: bytes) -> Telemetry | None:
    found = _TELEMETRY.fullmatch(body)
    if found is None:
        return None
    groups = found.groups()
    head = tuple(map(int, groups[:9]))
    tail = tuple(map(int, groups[10:]))
    signed = head[3:]
    if head[1] > 0xFFFFFFFF or head[0] > 65535 or head[2] > 65535 or max(tail) > 65535:
        return None
    if max(signed) > SIGNED_MAX or min(signed) < -SIGNED_MAX - 1:
        return None
    return Telemetry._make((*head, groups[9].decode(), *tail))


def parse(body: bytes) -> Message | None:
    """The board's message in a frame body; None when its type, count, form or a value is wrong."""
    kind = body[:2]
    if kind == b"T,":
        return _telemetry(body)
    if kind == b"A,":
        found = _ANSWER.fullmatch(body)
        numbers = tuple(map(int, found.groups())) if found else ()
        return AnswerMessage(*numbers) if numbers and _words_fit(numbers) else None
    if kind == b"H,":
        found = _HELLO.fullmatch(body)
        numbers = tuple(map(int, found.groups())) if found else ()
        limits = numbers[5:10]
        if not numbers or not _words_fit(numbers[:5] + numbers[10:]):
            return None
        if max(limits) > SIGNED_MAX or min(limits) < -SIGNED_MAX - 1:
            return None
        return HelloMessage(*numbers)
    if kind == b"B,":
        found = _BOOT.fullmatch(body)
        numbers = tuple(map(int, found.groups())) if found else ()
        return BootMessage(*numbers) if numbers and _words_fit(numbers) else None
    return None


def greet_body(lowest: int, highest: int) -> bytes:
    """`H`: the range of protocol versions spoken."""
    return b"H,%d,%d" % (lowest, highest)


def set_body(sid: int, seq: int, oven: int, tank: int, flags: int) -> bytes:
    """`S`: duties in thousandths and the flags."""
    return b"S,%d,%d,%d,%d,%d" % (sid, seq, oven, tank, flags)


def limit_body(sid: int, seq: int, which: int, limit: int) -> bytes:
    """`L`: a limit in hundredths on the chip's own scale; which: 0 oven, 1 tank heater off, 2 tank trip."""
    return b"L,%d,%d,%d,%d" % (sid, seq, which, limit)


def board(boot: BootMessage, hello: HelloMessage) -> Board:
    """What the board said of itself in the two frames of its answer to a greeting."""
    return Board(
        hello.proto, hello.firmware, boot.reset_cause, boot.boots, boot.trips, hello.layout, hello.sid, hello.chip,
        hello.oven_flash, hello.tank_flash, hello.oven_limit, hello.tank_off, hello.tank_limit, hello.fitted,
        hello.window_ms,
    )  # fmt: skip


def foreign_hello(body: bytes) -> tuple[int, int] | None:
    """Protocol and layout of an `H` that is whole but not of our form, as another layout's may be; else None."""
    found = _ANY_HELLO.fullmatch(body)
    return (int(found[1]), int(found[2])) if found else None
