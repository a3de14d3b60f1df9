"""The trips a board remembers without power: two checksummed slots, as an EEPROM holds them.

A slot is six bytes: serial number, trips, CRC-16 of those four, each big-endian. Both slots are written one
after the other, so that a cut between or within the writes leaves one of them whole.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from typing import Final

SLOT_BYTES: Final = 6
STORE_BYTES: Final = 2 * SLOT_BYTES
RECORD_TRIP: Final = 256
"""The trip bit that says that a stored record was damaged."""


def _slot(serial: int, trips: int) -> bytes:
    body = struct.pack(">HH", serial, trips)
    return body + struct.pack(">H", crc_hqx(body, 0xFFFF))


def _newer(serial: int, other: int) -> bool:
    return (serial - other) % 65536 < 32768


class TripStore:
    """Two copies of the standing trips. `cells` are the bytes as they lie in the EEPROM (12 of them)."""

    __slots__ = ("cells", "serial")

    def __init__(self, cells: bytes | None = None) -> None:
        """`cells` None: a store that was written whole with no trips. Raises ValueError on a wrong length."""
        if cells is None:
            cells = _slot(0, 0) * 2
        if len(cells) != STORE_BYTES:
            raise ValueError(f"the store has {len(cells)} bytes, it must have {STORE_BYTES}")
        self.cells = bytearray(cells)
        self.serial = 0

    def load(self) -> int:
        """The trips to boot with: those of the newest whole slot, with 256 if either slot is damaged."""
        found: list[tuple[int, int]] = []
        for start in (0, SLOT_BYTES):
            cells = bytes(self.cells[start : start + SLOT_BYTES])
            serial, trips, _ = struct.unpack(">HHH", cells)
            if cells == _slot(serial, trips):
                found.append((serial, trips))
        if not found:
            self.serial = 0
            return RECORD_TRIP
        self.serial, trips = found[0]
        for serial, stored in found[1:]:
            if _newer(serial, self.serial):
                self.serial, trips = serial, stored
        return trips if len(found) == 2 else trips | RECORD_TRIP

    def save(self, trips: int) -> None:
        """Write both slots."""
        self.serial = (self.serial + 1) % 65536
        self.cells[:] = _slot(self.serial, trips) * 2

    def tear(self, slots: int) -> None:
        """Leave the last write half done in one slot (1) or both (2), as a cut of the power can."""
        for start in (SLOT_BYTES, 0)[:slots]:
            middle = start + SLOT_BYTES // 2
            self.cells[middle : start + SLOT_BYTES] = b"\xff" * (SLOT_BYTES - SLOT_BYTES // 2)
