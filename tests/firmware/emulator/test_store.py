"""What the board remembers without power: trips survive everything, and a record that is torn at any byte boots
tripped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from random import Random

import pytest

from tests.firmware.emulator.machine import EEPROM, JAM_NONE, JAM_NOW
from tests.firmware.emulator.rig import Bench
from tests.firmware.emulator.store import BOOTS_AT, image
from tests.firmware.twin_rig import CONTACTOR, TRIP

SEED = 8
HOST, RECORD = 512, 256
BOOTS_BYTES = 4
Write = tuple[int, int]


def writes_during(bench: Bench, what: Callable[[], None]) -> tuple[bytes, list[Write]]:
    """The cells before, and every byte that was then written, in order."""
    board = bench.board
    before = board.machine.eeprom()
    board.events.clear()
    board.keep_events = True
    what()
    bench.pass_ms(500)
    board.keep_events = False
    return before, [(event.a | event.b << 8, event.c) for event in board.events if event.kind == EEPROM]


def torn(before: bytes, writes: list[Write], rng: Random) -> Iterator[tuple[str, bytes]]:
    """The cells after the power went at any of these writes: between two, or within one."""
    for done in range(len(writes) + 1):
        cells = bytearray(before)
        for at, byte in writes[:done]:
            cells[at] = byte
        yield f"{done} of {len(writes)}", bytes(cells)
        if done < len(writes):
            at, byte = writes[done]
            for half in (0xFF, 0x00, rng.randrange(256)):
                if half not in (byte, cells[at]):
                    hurt = cells[:at] + bytes([half]) + cells[at + 1 :]
                    yield f"{done} and a byte half written as {half:#04x}", bytes(hurt)


def boots_with(bench: Bench, cells: bytes) -> int:
    """The trips that a board with these cells boots with."""
    with bench.branch():
        bench.strict = False
        board = bench.board
        board.power_cut()
        board.machine.write_eeprom(cells)
        board.power_on()
        trips = int(str(bench.telemetry()["trips"]))
        bench.pass_ms(500)
        assert int(str(bench.telemetry()["trips"])) == trips
        return trips


def host_trip(bench: Bench) -> None:
    assert bench.duty(0, 0, CONTACTOR | TRIP) == 0


def test_a_trip_survives_every_kind_of_boot(ready: Bench) -> None:
    board = ready.board
    with ready.branch():
        ready.strict = False
        host_trip(ready)
        ready.pass_ms(300)
        for boot in ("power", "external", "watchdog", "power"):
            if boot == "power":
                board.power_cut()
                board.seed += 1
                board.power_on()
            elif boot == "external":
                board.reset()
            else:
                board.machine.jam(JAM_NOW, board.machine.program_counter())
                ready.pass_ms(300)
                board.machine.jam(JAM_NONE)
            ready.sid = ready.seq = 0
            ready.pass_ms(600)
            assert ready.telemetry()["trips"] == HOST, boot
            ready.greet()
            ready.limits()
            ready.press()
            assert ready.duty(1000) == 4, boot


def test_a_record_torn_while_a_trip_is_stored_boots_tripped(ready: Bench) -> None:
    rng = Random(SEED)
    with ready.branch():
        before, writes = writes_during(ready, lambda: host_trip(ready))
    assert len(writes) >= 6
    assert boots_with(ready, before) == 0, "nothing was written yet"
    checked = 0
    for how, cells in torn(before, writes, rng):
        if cells != before:
            assert boots_with(ready, cells) & (HOST | RECORD), (how, SEED)
            checked += 1
    print(f"seed {SEED}: {checked} torn records of {len(writes)} writes boot tripped")


def test_a_record_torn_while_a_trip_is_cleared_or_while_booting_loses_no_trip(ready: Bench) -> None:
    rng = Random(SEED)
    with ready.branch():
        host_trip(ready)
        ready.pass_ms(300)
        with ready.branch():
            tripped, clearing = writes_during(ready, ready.hold_reset)
            cleared = ready.board.machine.eeprom()
        assert boots_with(ready, cleared) == 0
        for how, cells in torn(tripped, clearing, rng):
            if cells != cleared:
                one_slot_done = int(how.split()[0]) >= len(clearing) // 2
                assert boots_with(ready, cells) & (HOST | RECORD) or one_slot_done, (how, SEED)

        def power_cycle() -> None:
            ready.board.power_cut()
            ready.board.power_on()
            ready.pass_ms(300)

        with ready.branch():
            ready.strict = False
            tripped, booting = writes_during(ready, power_cycle)
        for how, cells in torn(tripped, booting, rng):
            assert boots_with(ready, cells) & (HOST | RECORD), (how, SEED)


@pytest.mark.parametrize("cells", [None, bytes(1024), bytes(range(256)) * 4], ids=["erased", "zeros", "anything"])
def test_a_board_without_a_record_boots_tripped_and_one_hold_makes_it_usable(cells: bytes | None) -> None:
    with Bench(eeprom=cells or b"\xff" * 1024) as bench:
        assert bench.telemetry()["trips"] == RECORD
        bench.strict = False
        bench.hold_reset(2_200)
        assert bench.telemetry()["trips"] == 0
        bench.board.power_cut()
        bench.board.power_on()
        assert bench.telemetry()["trips"] == 0


def test_boots_are_counted_and_sessions_of_nearby_boots_differ() -> None:
    with Bench(eeprom=image(boots_before=65_533)) as bench:
        bench.strict = False
        sids: dict[int, list[int]] = {}
        for _ in range(6):
            bench.until(500)
            for _ in range(3):
                hello, answer = bench.say("H,1,1")
                sids.setdefault(int(hello[4]), []).append(int(answer[4]))
            bench.board.power_cut()
            bench.board.power_on()
        assert list(sids) == [65_534, 65_535, 0, 1, 2, 3]
        for boot, later in pairwise(sids):
            assert not set(sids[boot]) & set(sids[later]), (boot, later)
        assert all(1 <= sid <= 65_535 and found.count(sid) == 1 for found in sids.values() for sid in found)


@pytest.mark.parametrize("cell", range(2 * BOOTS_BYTES))
def test_a_worn_cell_of_the_boot_counter_leaves_boots_that_differ(cell: int) -> None:
    with Bench(eeprom=image(boots_before=6)) as bench:
        bench.strict = False
        bench.board.machine.wear_out(BOOTS_AT + cell)
        boots = []
        for _ in range(6):
            bench.board.power_cut()
            bench.board.power_on()
            bench.until(500)
            hello, _ = bench.say("H,1,1")
            boots.append(int(hello[4]))
        assert all(later != boot for boot, later in pairwise(boots)), boots
