"""The harness itself, with a small program of its own on the emulated chip: where it must follow the chip, it does."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from tests.firmware.emulator.build import harness
from tests.firmware.emulator.machine import CYCLES_A_MS, EEPROM, OVERRUN, PINS, RESET, SENT, Happened, Machine

NO_CHIPS = bytes([1, 0, 1, 1, 1, 2])


@pytest.fixture(scope="session")
def probe(tmp_path_factory: pytest.TempPathFactory) -> Path:
    elf = tmp_path_factory.mktemp("probe") / "probe.elf"
    source = Path(__file__).with_name("probe.c")
    words = ["avr-gcc", "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", "-Wall", "-Wextra", "-Werror"]
    subprocess.run([*words, "-o", str(elf), str(source)], check=True)
    return elf


@pytest.fixture
def machine(probe: Path) -> Iterator[Machine]:
    found = Machine(harness(), probe)
    found.watch(bytes([0, 0, 0xE0]), NO_CHIPS)
    found.power_on()
    yield found
    found.close()


def sent(happened: Happened) -> bytes:
    return bytes(event.a for event in happened.events if event.kind == SENT)


def kinds(happened: Happened, kind: int) -> list[int]:
    return [event.cycle for event in happened.events if event.kind == kind]


def test_causes_of_resets_and_the_watchdogs_time(machine: Machine) -> None:
    assert sent(machine.advance(10 * CYCLES_A_MS)) == b"1"
    machine.external_reset()
    assert sent(machine.advance(10 * CYCLES_A_MS)) == b"2"
    began = machine.advance(5 * CYCLES_A_MS, b"j").cycle
    happened = machine.advance(400 * CYCLES_A_MS)
    (reset,) = kinds(happened, RESET)
    assert 240 < (reset - began) / CYCLES_A_MS < 260
    assert sent(happened) == b"8"
    assert kinds(happened, PINS)[0] == reset  # the pin that was high falls with the reset, not later


def test_bytes_take_ten_bits_and_the_fourth_unread_is_lost(machine: Machine) -> None:
    machine.advance(35 * CYCLES_A_MS)
    happened = machine.advance(100 * CYCLES_A_MS, b"s12345")
    lost = kinds(happened, OVERRUN)
    assert [b - a for a, b in pairwise(lost)] == [pytest.approx(4166.67, abs=1.0)]
    assert sent(happened) == b"t234"
    assert (happened.received, happened.lost) == (6, 2)
    assert [event.c & 0x40 for event in happened.events if event.kind == PINS][-1] == 0x40  # the program saw DOR


def test_a_pin_reads_what_lies_on_it(machine: Machine) -> None:
    for levels in (0x00, 0x2A, 0x3F):
        machine.inputs(bytes([0, levels, 0]))
        assert sent(machine.advance(20 * CYCLES_A_MS, b"i"))[-1] == levels


def test_a_store_where_the_chip_has_no_memory_is_lost(machine: Machine) -> None:
    """As on the chip. Put into what lies behind the emulator's memory, it broke the emulator at its next reset."""
    assert sent(machine.advance(100 * CYCLES_A_MS, b"o"))[-1:] == b"p"
    machine.external_reset()
    assert sent(machine.advance(10 * CYCLES_A_MS, b"a"))[-2:] == b"2b"
    machine.power_off()
    machine.power_on()
    assert sent(machine.advance(10 * CYCLES_A_MS, b"a"))[-2:] == b"1b"


def test_the_eeprom_stays_and_its_writes_are_seen_the_ram_does_not(machine: Machine) -> None:
    happened = machine.advance(20 * CYCLES_A_MS, b"e")
    assert [(e.a, e.c) for e in happened.events if e.kind == EEPROM] == [(5, ord("e"))]
    machine.power_off()
    dark = machine.advance(1000 * CYCLES_A_MS)
    assert not dark.powered
    assert dark.cycle - happened.cycle >= 1000 * CYCLES_A_MS
    machine.power_on(2)
    assert machine.eeprom()[5] == ord("e")
    stack = machine.ram(0x700, 64)
    machine.power_on(3)
    assert machine.ram(0x700, 64) != stack


def test_a_program_counter_off_the_end_comes_round_and_a_jam_stays(machine: Machine) -> None:
    machine.advance(20 * CYCLES_A_MS)
    assert sent(machine.advance(20 * CYCLES_A_MS, b"w"))[1:] == b"0"  # through the start, without a reset
    machine.jam(2, machine.program_counter())
    happened = machine.advance(1000 * CYCLES_A_MS)
    assert len(kinds(happened, RESET)) >= 1
    machine.jam(0)
    machine.advance(300 * CYCLES_A_MS)
    assert sent(machine.advance(20 * CYCLES_A_MS, b"a")) == b"b"


def test_same_calls_give_the_same_trace_and_branches_leave_none(probe: Path) -> None:
    hashes = []
    for branch in (False, True):
        machine = Machine(harness(), probe)
        machine.watch(bytes([0, 0, 0xE0]), NO_CHIPS)
        machine.power_on(7)
        machine.advance(150 * CYCLES_A_MS, b"abcs123e")
        if branch:
            with machine.branch():
                machine.advance(1000 * CYCLES_A_MS, b"zzz")
                assert machine.trace_hash() not in hashes
        machine.advance(333 * CYCLES_A_MS, b"xyz")
        hashes.append(machine.trace_hash())
        machine.advance(CYCLES_A_MS * 100)
        hashes.append(machine.trace_hash())
        machine.close()
    assert hashes[:2] == hashes[2:]
    assert hashes[0] != hashes[1]
