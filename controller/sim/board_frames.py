"""The board's end of the line: reads the host's frames, keeps the pace of what it sends (design chapter 5).

It reads the text of the design for itself and borrows nothing from the host's end, so that a mistake in one
of the two shows when they are joined.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from typing import Final

LONGEST: Final = 180
"""Bytes of a frame, with `!` and line feed."""
SILENCE_MS: Final = 50
TRANSMIT_BYTES: Final = 384
CENTIBYTES_A_MS: Final = 384
"""What 38400 baud carry in a millisecond, in hundredths of a byte: ten bits a byte."""

FIELD_LISTS: Final = (
    "H,<min>,<max>",
    "S,<sid>,<seq>,<oven>,<tank>,<flags>",
    "L,<sid>,<seq>,<which>,<limit>",
    "B,<proto>,<firmware>,<reset_cause>,<boots>,<trips>",
    "H,<proto>,<firmware>,<layout>,<sid>,<chip>,<oven_flash>,<tank_flash>,<oven_limit>,<tank_off>,<tank_limit>,"
    "<fitted>,<window_ms>",
    "A,<seq>,<code>",
    "T,<tseq>,<ms>,<sid>,<oven>,<oven_limit>,<tank>,<tank_limit>,<part>,<cold>,<faults>,<inputs>,<outputs>,"
    "<oven_on_ms>,<tank_on_ms>,<trips>,<arm_left_s>,<arms>,<resets>,<last_seq>,<age_ms>,<bad_frames>,<overruns>",
)
"""The fields of every message, as the design prints them: three from the host, four from the board."""

LAYOUT: Final = crc_hqx("\n".join(FIELD_LISTS).encode(), 0xFFFF)

_WORD: Final = b"(0|[1-9][0-9]{0,4})"
_SIGNED: Final = b"(0|-?[1-9][0-9]{0,9})"
_FRAMES: Final = {
    kind: re.compile(b"!(" + kind + b"".join(b"," + field for field in fields) + rb")\*([0-9A-F]{4})\n")
    for kind, fields in ((b"S", [_WORD] * 5), (b"H", [_WORD] * 2), (b"L", [_WORD] * 3 + [_SIGNED]))
}

Frame = tuple[str, tuple[int, ...]]


def encode(body: bytes) -> bytes:
    """A whole frame around `body`."""
    return b"!%b*%04X\n" % (body, crc_hqx(body, 0xFFFF))


def _fits(kind: str, fields: tuple[int, ...]) -> bool:
    if kind == "H":
        return 1 <= fields[0] <= fields[1] <= 255
    if kind == "L":
        return max(fields[:3]) <= 65535 and -(2**31) <= fields[3] < 2**31
    return max(fields) <= 65535


def _parse(text: bytes) -> Frame | None:
    """The message in a whole frame, None if it is bad."""
    shape = _FRAMES.get(text[1:2])
    found = shape.fullmatch(text) if shape else None
    if found is None or len(text) > LONGEST:
        return None
    body, *numbers, check = found.groups()
    if crc_hqx(body, 0xFFFF) != int(check, 16):
        return None
    kind = text[1:2].decode()
    fields = tuple(map(int, numbers))
    return (kind, fields) if _fits(kind, fields) else None


class FrameReader:
    """Finds frames in the bytes as they come. `now` is in milliseconds."""

    __slots__ = ("_bad", "_half", "_heard_ms")

    def __init__(self) -> None:
        self._half = b""
        self._heard_ms = 0
        self._bad = 0

    def bad_frames(self, now: int) -> int:
        """How many `!` did not become a well-formed frame, modulo 65536."""
        if self._half and now - self._heard_ms >= SILENCE_MS:
            self._half = b""
            self._bad += 1
        return self._bad & 65535

    def receive(self, data: bytes, now: int) -> list[Frame]:
        """The messages that these bytes complete."""
        self.bad_frames(now)
        self._heard_ms = now
        text = self._half + data
        self._half = b""
        found: list[Frame] = []
        start = text.find(b"!")
        while start >= 0:
            following = text.find(b"!", start + 1)
            end = text.find(b"\n", start, following if following >= 0 else len(text)) + 1
            frame = _parse(text[start:end]) if end else None
            if frame:
                found.append(frame)
            elif end or following >= 0 or len(text) - start >= LONGEST:
                self._bad += 1
            else:
                self._half = text[start:]
            start = following
        return found


class Transmitter:
    """A transmit buffer that empties at the line's pace; what does not fit is lost as a whole frame."""

    __slots__ = ("_emptied_ms", "_left", "_sent")

    def __init__(self) -> None:
        self._sent: list[bytes] = []
        self.clear()

    def clear(self) -> None:
        """The board boots. What went out before is still to be taken."""
        self._left = 0
        self._emptied_ms = 0

    def send(self, now: int, *frames: bytes) -> bool:
        """Queue all of these frames, or none if they do not fit."""
        left = self._left - (now - self._emptied_ms) * CENTIBYTES_A_MS
        self._emptied_ms = now
        self._left = left = max(left, 0)
        left += 100 * sum(map(len, frames))
        if left > 100 * TRANSMIT_BYTES:
            return False
        self._left = left
        self._sent.extend(frames)
        return True

    def take(self) -> bytes:
        """What was sent since the last call."""
        data = b"".join(self._sent)
        self._sent.clear()
        return data
