"""The release binary when the host falls silent, when its program stands still, when its memory is hurt."""

from __future__ import annotations

import os
import re
import subprocess

import pytest

from tests.firmware.emulator.build import firmware
from tests.firmware.emulator.campaigns import Result, dead_man, flips, flips_over_limit, jams
from tests.firmware.emulator.machine import CYCLES_A_MS, JAM_NONE, JAM_NOW
from tests.firmware.emulator.rig import Bench, on_after_ms
from tests.firmware.twin_rig import CONTACTOR, frame

SEED = int(os.environ.get("EMULATOR_SEED", "20"))
SHARE = float(os.environ.get("EMULATOR_SHARE", "1"))
"""Of what a commit runs; the study has the whole numbers."""


def told(what: str, result: Result) -> None:
    print(f"{what}, seed {SEED}: {result.text()}")
    assert not result.failures, result.failures[:10]
    assert result.share_not_judged <= 0.05, result.not_judged


def test_dead_man_over_200_phases_of_the_window(both_heated: Bench) -> None:
    result = dead_man(both_heated, 200)
    told("dead-man", result)
    assert result.trials == 200
    assert max(result.off_ms) > 1_400, "heat must have been on to be taken off"


def test_a_program_that_stands_still_anywhere_loses_heat_and_gets_none_back(heated: Bench) -> None:
    result = jams(heated, firmware(31855, 31), round(80 * SHARE), SEED)
    told("jams", result)
    assert result.notes["reached by itself"] > 10


def test_a_flipped_bit_of_memory_leaves_no_heat_beyond_the_rules(heated: Bench) -> None:
    told("flips of RAM, host silent", flips(heated, round(200 * SHARE), SEED))
    told("flips of RAM, then over the limit", flips_over_limit(heated, round(60 * SHARE), SEED))


PLACES = {"send_in": 2, "send_out": 2, "received_in": 1, "received_out": 1}
"""Places in main.c's two line buffers, and their bytes."""


def address(name: str, fitted: int = 31) -> int:
    """Where a variable of main.c lies in the data memory."""
    words = ["avr-nm", str(firmware(31855, fitted))]
    symbols = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    (found,) = re.findall(rf"^([0-9a-f]+) [bB] {name}\b", symbols, re.MULTILINE)
    return int(found, 16) & 0xFFFF


@pytest.mark.parametrize("name", PLACES)
def test_a_flipped_place_in_a_line_buffer_writes_nowhere_else_and_heals(heated: Bench, name: str) -> None:
    """Otherwise telemetry would march through the address space, and reach the output registers after minutes."""
    at = address(name)
    for bit in range(8 * PLACES[name]):
        with heated.branch():
            heated.strict = False
            board = heated.board
            heated.stream(250, 1000)
            board.machine.flip(at + bit // 8, bit % 8)
            heated.stream(1_000, 1000)
            place = int.from_bytes(board.machine.ram(at, PLACES[name]), "little")
            assert place < (320 if PLACES[name] == 2 else 64), (name, bit, place)
            assert board.crashes == 0, (name, bit)
            healed = len(heated.heard)
            heated.stream(1_000, 1000)
            assert [fields[0] for fields in heated.heard[healed:]].count("T") >= 3, (name, bit)
            assert board.heating
            assert len(board.resets) == 1


def test_a_flipped_channel_of_the_current_sensors_hides_no_welded_relay() -> None:
    with Bench(fitted=2047) as bench:
        bench.ready()
        bench.stream(500)
        at = address("channel", 2047)
        for bit in range(8):
            for welded in (1, 2):
                with bench.branch():
                    board = bench.board
                    board.machine.flip(at, bit)
                    bench.stream(20)
                    board.set_welded(welded == 1, welded == 2)
                    bench.stream(500)
                    assert board.trips & 128, (bit, welded)
                    board.set_welded(False, False)


def test_what_the_ram_holds_at_power_on_does_not_matter_and_the_same_run_leaves_the_same_trace() -> None:
    hashes = set()
    for seed in (1, 1, 2, 3, 4):
        with Bench(seed=seed) as bench:
            bench.heated(700, 300)
            bench.faults[1] = "O"
            bench.stream(1_500, 700, 300)
            hashes.add(bench.board.machine.trace_hash())
    assert len(hashes) == 1, hashes


def test_bytes_of_an_old_session_never_heat_after_a_reset(heated: Bench) -> None:
    """A whole buffer of S frames with running numbers waits on the line while the watchdog resets the board."""
    board = heated.board
    for cause in ("watchdog", "external", "power"):
        with heated.branch():
            heated.strict = False
            old, seq = heated.sid, heated.seq
            began = board.cycle
            if cause == "watchdog":
                board.machine.jam(JAM_NOW, board.machine.program_counter())
                heated.pass_ms(300)
                board.machine.jam(JAM_NONE)
            elif cause == "external":
                board.reset()
            else:
                board.power_cut()
                heated.pass_ms(100)
                board.power_on()
            assert len(board.resets) == 2
            reset = board.resets[-1][0]
            board.receive(b"".join(frame(f"S,{old},{seq + n},1000,0,{CONTACTOR}") for n in range(1, 400)))
            heated.pass_ms(4_000)
            heated.greet()
            heated.limits()
            for n in range(1, 100):
                board.receive(frame(f"S,{old},{seq + n},1000,0,{CONTACTOR}"))
                heated.pass_ms(50)
            assert on_after_ms(board, reset) == 0.0, cause
            assert (reset - began) / CYCLES_A_MS < 310


@pytest.mark.parametrize("duties", [(1000, 0), (0, 1000), (500, 500)])
def test_outputs_are_off_from_the_first_instruction_of_every_reset(ready: Bench, duties: tuple[int, int]) -> None:
    with ready.branch():
        ready.strict = False
        board = ready.board
        ready.stream(2_600, *duties)
        while not board.heating:
            ready.stream(50, *duties)
        board.reset()
        assert board.outputs == 0
        ready.pass_ms(3_000)
        assert on_after_ms(board, board.resets[-1][0], 7) == 0.0
