"""The trips' records and the boot counter in the EEPROM, cut at every byte."""

from __future__ import annotations

import pytest

from controller.sim.board_store import TripStore
from tests.firmware.guard.host import STORE_LEFT, HostBoard, compiled, ffi, guard_text, loaded
from tests.firmware.guard.tape import Player

RECORD, HOST, SMOKE = 256, 512, 64


def board(trips: int) -> HostBoard:
    store = TripStore()
    store.save(trips)
    return HostBoard(fitted=2047, eeprom=bytes(store.cells))


@pytest.mark.parametrize("before", [0, SMOKE])
@pytest.mark.parametrize("cut", range(13))
def test_a_write_cut_at_any_byte_boots_tripped_or_as_before(cut: int, before: int) -> None:
    found = board(before)
    player = Player(found)
    player.play([("wait", 500), ("greet",)])
    untouched = bytes(found.cells)
    found.set(STORE_LEFT, cut)
    player.duty(0, 0, 16)
    player.wait(100)
    found.power_cut()
    written = bytes(found.cells)
    found.set(STORE_LEFT, -1)
    found.power_on()
    if written == untouched:
        assert found.trips == before, "nothing was changed yet"
    elif cut in (6, 12):
        assert found.trips == before | HOST
    else:
        assert found.trips & (RECORD | HOST), cut
        assert found.trips & before == before
    trips = found.trips
    found.power_cut()
    found.power_on()
    assert found.trips == trips, "the records are whole again"


@pytest.mark.parametrize("saves", [0, 1])
def test_a_second_cut_in_the_repair_forgets_no_cause(saves: int) -> None:
    """A trip's write is cut after any of its bytes, and the repair at the next boot after any of its own."""
    store = TripStore()
    for _ in range(saves):
        store.save(0)
    for first in range(13):
        for second in range(13):
            found = HostBoard(fitted=2047, eeprom=bytes(store.cells))
            player = Player(found)
            player.play([("wait", 500)])
            found.set(STORE_LEFT, first)
            found.smoke = True
            player.wait(200)
            assert found.trips == SMOKE
            found.power_cut()
            found.smoke = False
            found.set(STORE_LEFT, second)
            found.power_on()
            known = found.trips
            player.wait(50)
            found.power_cut()
            found.set(STORE_LEFT, -1)
            found.power_on()
            assert found.trips & known == known, (first, second)


def test_a_boot_number_is_never_given_twice_in_a_row() -> None:
    """The counter's writes are cut after each of their bytes; a boot whose write was cut told nobody its number."""
    library = loaded(compiled(guard_text()))
    cells = bytearray(b"\xff" * 8)
    boots = ffi.new("uint16_t *")
    record = ffi.new("uint8_t[4]")
    given: list[int] = []
    for turn in range(400):
        slot = library.guard_boots(ffi.from_buffer(cells), boots, record)
        assert slot in (0, 1)
        written = 4 if turn % 7 < 3 else turn % 4
        if written == 4:
            given.append(boots[0])
        cells[4 * slot : 4 * slot + written] = bytes(record[0:written])
    assert len(set(given)) == len(given) > 100


def test_the_boot_number_counts_and_wraps() -> None:
    library = loaded(compiled(guard_text()))
    cells = bytearray(b"\xff" * 8)
    boots = ffi.new("uint16_t *")
    record = ffi.new("uint8_t[4]")
    given = []
    for _ in range(65_600):
        slot = library.guard_boots(ffi.from_buffer(cells), boots, record)
        given.append(boots[0])
        cells[4 * slot : 4 * slot + 4] = bytes(record)
    assert given[1:] == [number % 65_536 for number in range(given[0] + 1, given[0] + 65_600)]
