"""What is done to the release binary again and again: silence, jams, flipped bits. Tests run a share, the study all.

Each campaign starts from one board that heats and branches from there, so that a trial costs only its own time.
"""

from __future__ import annotations

import re
import subprocess
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from tests.firmware.emulator.machine import (
    CYCLES_A_MS,
    JAM_NONE,
    JAM_NOW,
    JAM_NOW_NO_INTERRUPTS,
    JAM_WHEN_REACHED,
)
from tests.firmware.emulator.rig import Bench, on_after_ms

HEATERS = 3
OFF_BY_SILENCE_MS = 2_050
OFF_BY_WATCHDOG_MS = 300
OFF_OVER_LIMIT_MS = 600 + 20
RAM = (0x100, 0x900)
OVER_FLASH_C = 31_100


@dataclass
class Result:
    """`failures` name the trials; `off_ms` how long heat lasted in each."""

    trials: int = 0
    off_ms: list[float] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    notes: Counter[str] = field(default_factory=Counter)

    def text(self) -> str:
        times = f"{min(self.off_ms):.1f} to {max(self.off_ms):.1f} ms" if self.off_ms else "none"
        notes = ", ".join(f"{what}: {count}" for what, count in sorted(self.notes.items()))
        failed = f"{len(self.failures)} failures"
        return f"{self.trials} trials, {failed}, off after {times}" + (f" ({notes})" if notes else "")


# --- silence ---


def dead_man(bench: Bench, phases: int) -> Result:
    """Heat on in both zones; the last S at `phases` places of a window; off within 2.05 s of its arrival."""
    result = Result()
    board = bench.board
    for phase in range(phases):
        with bench.branch():
            bench.pass_ms(phase * 1000 // phases)
            before = board.received
            bench.send_duty(500, 500)
            while board.received < before + 20:
                board.advance(1)
            bench.pass_ms(10)
            arrived = board.cycle - 10 * CYCLES_A_MS
            bench.pass_ms(3_000)
            off_ms = on_after_ms(board, arrived)
            result.trials += 1
            result.off_ms.append(off_ms)
            if off_ms > OFF_BY_SILENCE_MS or board.heating:
                result.failures.append(f"phase {phase}: {off_ms:.1f} ms")
    return result


# --- jams ---


def instructions(elf: Path) -> list[int]:
    """Byte address of every instruction of the program."""
    listing = subprocess.run(["avr-objdump", "-d", str(elf)], capture_output=True, text=True, check=True).stdout
    return [int(address, 16) for address in re.findall(r"^\s*([0-9a-f]+):\t", listing, re.MULTILINE)]


def jams(bench: Bench, elf: Path, number: int, seed: int) -> Result:
    """The program stands still at `number` of its instructions while it heats and the host goes on commanding.

    Where the program comes past within 1.2 s it jams by itself, elsewhere it is put there; every third one with the
    interrupts off. The jam is lifted after 0.6 s in every other trial, so that the board boots anew while S frames of
    the old session go on coming; otherwise it stays.
    """
    rng = Random(seed)
    places = instructions(elf)
    chosen = rng.sample(places, min(number, len(places)))
    result = Result()
    for trial, pc in enumerate(chosen):
        with bench.branch():
            bench.strict = False
            bench.stream(rng.randrange(1000), 1000)
            what = _one_jam(bench, pc, trial, result)
            if what:
                result.failures.append(f"jam at {pc:#06x}, trial {trial}, seed {seed}: {what}")
            result.trials += 1
    return result


def _one_jam(bench: Bench, pc: int, trial: int, result: Result) -> str:
    board, machine = bench.board, bench.board.machine
    machine.jam(JAM_WHEN_REACHED, pc)
    for _ in range(120):
        bench.send_duty(1000)
        board.advance(10)
        if board.jammed or len(board.resets) > 1:
            break
    reached = board.jammed or len(board.resets) > 1
    result.notes["reached by itself" if reached else "put there"] += 1
    if reached:
        began = board.cycle - 10 * CYCLES_A_MS
    else:
        if not board.heating:
            result.notes["no heat when put there"] += 1
        machine.jam(JAM_NOW_NO_INTERRUPTS if trial % 3 == 0 else JAM_NOW, pc)
        began = board.cycle
    bench.stream(600, 1000)
    off_ms = on_after_ms(board, began)
    result.off_ms.append(off_ms)
    if trial % 2:
        machine.jam(JAM_NONE)
    checked = board.cycle
    bench.stream(3_000, 1000)
    if off_ms > OFF_BY_WATCHDOG_MS + (10 if reached else 0):
        return f"off after {off_ms:.1f} ms"
    if on_after_ms(board, checked) or board.heating:
        return "heat came back"
    return "" if board.resets[-1][0] > began else "no reset"


# --- flipped bits ---


def flips(bench: Bench, number: int, seed: int, until_ms: int = 4_000) -> Result:
    """One bit of the memory flips while it heats; the host falls silent. Heat ends within 2.05 s of its last S."""
    rng = Random(seed)
    result = Result()
    for trial in range(number):
        at, bit = rng.randrange(*RAM), rng.randrange(8)
        with bench.branch():
            board = bench.board
            bench.strict = False
            bench.pass_ms(rng.randrange(250))
            bench.send_duty(1000)
            bench.pass_ms(20)
            last_s = board.cycle
            bench.pass_ms(rng.randrange(200))
            board.advance_cycles(rng.randrange(10 * CYCLES_A_MS))
            resets, crashes = len(board.resets), board.crashes
            board.machine.flip(at, bit)
            bench.pass_ms(until_ms)
            off_ms = on_after_ms(board, last_s)
            result.trials += 1
            result.off_ms.append(off_ms)
            result.notes["reset" if len(board.resets) > resets else "ran on"] += 1
            result.notes["left the memories"] += board.crashes > crashes
            if off_ms > OFF_BY_SILENCE_MS or board.heating:
                result.failures.append(f"bit {bit} of {at:#05x}, trial {trial}, seed {seed}: {off_ms:.1f} ms")
    return result


def flips_over_limit(bench: Bench, number: int, seed: int) -> Result:
    """One bit flips, then the oven goes over the constant limit while the host goes on commanding heat."""
    rng = Random(seed)
    result = Result()
    for trial in range(number):
        at, bit = rng.randrange(*RAM), rng.randrange(8)
        with bench.branch():
            board = bench.board
            bench.strict = False
            bench.stream(rng.randrange(1, 250), 1000)
            board.machine.flip(at, bit)
            bench.stream(rng.randrange(1, 200), 1000)
            bench.values[0] = bench.values[1] = OVER_FLASH_C
            bench.sense_now()
            began = board.cycle
            bench.stream(4_000, 1000)
            off_ms = on_after_ms(board, began)
            result.trials += 1
            result.off_ms.append(off_ms)
            result.notes["reset" if len(board.resets) > 1 else "ran on"] += 1
            if off_ms > OFF_OVER_LIMIT_MS or board.heating:
                result.failures.append(f"bit {bit} of {at:#05x}, trial {trial}, seed {seed}: {off_ms:.1f} ms")
    return result


def shares(total: int, parts: int) -> Iterator[int]:
    """`total` in `parts` nearly equal parts."""
    for part in range(parts):
        yield total // parts + (part < total % parts)
