"""Bytes to frame bodies and back: `!` BODY `*` CCCC line feed, CRC-16 over BODY. No I/O, no clock.

The CRC has polynomial 0x1021 and initial value 0xFFFF (CRC-16/IBM-3740; "123456789" gives 29B1).
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from typing import Final

LONGEST: Final = 180
SILENCE_S: Final = 0.050
_FRAME: Final = re.compile(rb"([ -)+-~]+)\*([0-9A-F]{4})\n")
"""What follows a `!`: BODY of printable ASCII without `*`, and its check."""


def crc16(body: bytes) -> int:
    """The frame's check over BODY."""
    return crc_hqx(body, 0xFFFF)


def encode(body: bytes) -> bytes:
    """The whole frame around BODY (printable ASCII without `*`)."""
    return b"!%b*%04X\n" % (body, crc_hqx(body, 0xFFFF))


class FrameDecoder:
    """Finds frames in a stream cut anywhere. `bad_frames` counts each `!` that became no well-formed frame.

    A whole frame whose fields turn out to be wrong is counted by whoever parses it, with `refuse()`.
    """

    __slots__ = ("_half", "_heard_s", "bad_frames")

    def __init__(self) -> None:
        self._half = b""
        self._heard_s = 0.0
        self.bad_frames = 0

    def refuse(self) -> None:
        """Count a frame that was whole but whose body meant nothing."""
        self.bad_frames += 1

    def forget(self) -> None:
        """Drop a half frame without counting it (the port was closed)."""
        self._half = b""

    def feed(self, data: bytes, now_s: float) -> list[bytes]:
        """The bodies that became whole with `data`, which arrived at now_s (monotonic s). Never raises.

        Nothing in `data` is no sign of life: it only lets the silence be noticed.
        """
        half = self._half
        if half and now_s - self._heard_s >= SILENCE_S:
            self.bad_frames += 1
            self._half = half = b""
        if not data:
            return []
        self._heard_s = now_s
        bodies: list[bytes] = []
        # Every part but the first begins where a `!` stood; a `!` restarts whatever came before it.
        first, *parts = (half + data).split(b"!")
        del first
        last = len(parts) - 1
        self._half = b""
        for number, part in enumerate(parts):
            found = _FRAME.match(part)
            if found and found.end() < LONGEST and crc_hqx(found[1], 0xFFFF) == int(found[2], 16):
                bodies.append(found[1])
            elif number == last and b"\n" not in part and len(part) + 1 < LONGEST:
                self._half = b"!" + part
            else:
                self.bad_frames += 1
        return bodies
