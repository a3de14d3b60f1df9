"""The cells of a board's EEPROM, made by hand: two records of the trips, two of the boot counter."""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Sequence

from controller.sim.board_store import SLOT_BYTES, TripStore
from tests.firmware.emulator.machine import EEPROM_BYTES

BOOTS_AT = 16


def _boots(number: int) -> bytes:
    body = struct.pack(">H", number % 65536)
    return body + struct.pack(">H", crc_hqx(body, 0xFFFF))


def image(boots_before: int = 0, trips: int = 0, slots: Sequence[str] = ("whole", "whole")) -> bytes:
    """A board that has booted so often and holds these trips; a slot is `whole` or `damaged`."""
    store = TripStore()
    store.save(trips)
    for slot, state in enumerate(slots):
        store.cells[slot * SLOT_BYTES] ^= state == "damaged"
    boots = _boots(boots_before - 1) + _boots(boots_before)
    cells = bytes(store.cells).ljust(BOOTS_AT, b"\xff") + boots
    return cells.ljust(EEPROM_BYTES, b"\xff")
