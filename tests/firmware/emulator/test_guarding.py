"""The release binary when the host falls silent, when its program stands still, when its memory is hurt."""

from __future__ import annotations

import os

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
