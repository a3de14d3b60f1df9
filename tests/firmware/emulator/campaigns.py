"""What is done to the release binary again and again: silence, jams, flipped bits. Tests run a share, the study all.

Each campaign starts from one board that heats and branches from there, so that a trial costs only its own time. Each
trial draws from its own seed and runs in a process of its own: where the emulator itself crashes or hangs, that trial
is listed as not judged, counted neither way, and the campaign goes on.
"""

from __future__ import annotations

import math
import re
import subprocess
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from tests.firmware.emulator.machine import (
    CYCLES_A_MS,
    JAM_NONE,
    JAM_NOW,
    JAM_NOW_NO_INTERRUPTS,
    JAM_WHEN_REACHED,
    EmulatorError,
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
    """`trials` were judged; `off_ms` how long heat lasted in each; `failures` and `not_judged` name theirs."""

    trials: int = 0
    off_ms: list[float] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    not_judged: list[str] = field(default_factory=list)
    notes: Counter[str] = field(default_factory=Counter)

    def add(self, part: Result) -> None:
        self.trials += part.trials
        self.off_ms += part.off_ms
        self.failures += part.failures
        self.not_judged += part.not_judged
        self.notes += part.notes

    @property
    def share_not_judged(self) -> float:
        """Of all trials that were begun; 0..1."""
        begun = self.trials + len(self.not_judged)
        return len(self.not_judged) / begun if begun else 0.0

    def text(self) -> str:
        times = f"{min(self.off_ms):.1f} to {max(self.off_ms):.1f} ms" if self.off_ms else "none"
        notes = ", ".join(f"{what}: {count}" for what, count in sorted(self.notes.items()))
        failed = f"{len(self.failures)} failures"
        unknown = f"{len(self.not_judged)} not judged ({100 * self.share_not_judged:.2g} %)"
        text = f"{self.trials} trials judged, {failed}, {unknown}, off after {times}"
        return text + (f" ({notes})" if notes else "")


@dataclass
class Trial:
    """From `began` (a cycle of the board) heat may last `limit_ms`."""

    began: int = 0
    limit_ms: float = math.inf


@contextmanager
def judged(bench: Bench, what: str, result: Result) -> Iterator[Trial]:
    """One trial, in a branch. Inside, nothing is added to `result` before the last thing asked of the emulator.

    Heat that had lasted too long already when the emulator died is a failure all the same.
    """
    trial = Trial()
    too_long = False
    try:
        with bench.branch():
            bench.strict = False
            try:
                yield trial
            except EmulatorError:
                too_long = on_after_ms(bench.board, trial.began) > trial.limit_ms
                raise
    except EmulatorError as died:
        if not too_long:
            result.not_judged.append(f"{what}: {died}")
            return
        result.failures.append(f"{what}: heat lasted too long before {died}")
    result.trials += 1


def trial_random(seed: int, trial: int) -> Random:
    """So that a trial is the same whatever became of those before it."""
    return Random(f"{seed} {trial}")


# --- silence ---


def dead_man(bench: Bench, phases: int) -> Result:
    """Heat on in both zones; the last S at `phases` places of a window; off within 2.05 s of its arrival."""
    result = Result()
    board = bench.board
    for phase in range(phases):
        with judged(bench, f"phase {phase}", result) as trial:
            bench.pass_ms(phase * 1000 // phases)
            before = board.received
            bench.send_duty(500, 500)
            while board.received < before + 20:
                board.advance(1)
            bench.pass_ms(10)
            arrived = board.cycle - 10 * CYCLES_A_MS
            trial.began, trial.limit_ms = arrived, OFF_BY_SILENCE_MS
            bench.pass_ms(3_000)
            off_ms = on_after_ms(board, arrived)
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
    for place, pc in enumerate(chosen):
        name = f"jam at {pc:#06x}, trial {place}, seed {seed}"
        with judged(bench, name, result):
            bench.stream(rng.randrange(1000), 1000)
            what = _one_jam(bench, pc, place, result)
            if what:
                result.failures.append(f"{name}: {what}")
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
    cold = not reached and not board.heating
    if reached:
        began = board.cycle - 10 * CYCLES_A_MS
    else:
        machine.jam(JAM_NOW_NO_INTERRUPTS if trial % 3 == 0 else JAM_NOW, pc)
        began = board.cycle
    bench.stream(600, 1000)
    off_ms = on_after_ms(board, began)
    if trial % 2:
        machine.jam(JAM_NONE)
    checked = board.cycle
    bench.stream(3_000, 1000)
    result.off_ms.append(off_ms)
    result.notes["reached by itself" if reached else "put there"] += 1
    result.notes["no heat when put there"] += cold
    if off_ms > OFF_BY_WATCHDOG_MS + (10 if reached else 0):
        return f"off after {off_ms:.1f} ms"
    if on_after_ms(board, checked) or board.heating:
        return "heat came back"
    return "" if board.resets[-1][0] > began else "no reset"


# --- flipped bits ---


def flips(bench: Bench, number: int, seed: int, until_ms: int = 4_000) -> Result:
    """One bit of the memory flips while it heats; the host falls silent. Heat ends within 2.05 s of its last S."""
    result = Result()
    for place in range(number):
        rng = trial_random(seed, place)
        at, bit = rng.randrange(*RAM), rng.randrange(8)
        name = f"bit {bit} of {at:#05x}, trial {place}, seed {seed}"
        with judged(bench, name, result) as trial:
            board = bench.board
            bench.pass_ms(rng.randrange(250))
            bench.send_duty(1000)
            bench.pass_ms(20)
            last_s = board.cycle
            trial.began, trial.limit_ms = last_s, OFF_BY_SILENCE_MS
            bench.pass_ms(rng.randrange(200))
            board.advance_cycles(rng.randrange(10 * CYCLES_A_MS))
            resets, crashes = len(board.resets), board.crashes
            board.machine.flip(at, bit)
            bench.pass_ms(until_ms)
            off_ms = on_after_ms(board, last_s)
            result.off_ms.append(off_ms)
            result.notes["reset" if len(board.resets) > resets else "ran on"] += 1
            result.notes["left the memories"] += board.crashes > crashes
            if off_ms > OFF_BY_SILENCE_MS or board.heating:
                result.failures.append(f"{name}: {off_ms:.1f} ms")
    return result


def flips_over_limit(bench: Bench, number: int, seed: int) -> Result:
    """One bit flips, then the oven goes over the constant limit while the host goes on commanding heat."""
    result = Result()
    for place in range(number):
        rng = trial_random(seed, place)
        at, bit = rng.randrange(*RAM), rng.randrange(8)
        name = f"bit {bit} of {at:#05x}, trial {place}, seed {seed}"
        with judged(bench, name, result) as trial:
            board = bench.board
            bench.stream(rng.randrange(1, 250), 1000)
            board.machine.flip(at, bit)
            bench.stream(rng.randrange(1, 200), 1000)
            bench.values[0] = bench.values[1] = OVER_FLASH_C
            bench.sense_now()
            began = board.cycle
            trial.began, trial.limit_ms = began, OFF_OVER_LIMIT_MS
            bench.stream(4_000, 1000)
            off_ms = on_after_ms(board, began)
            result.off_ms.append(off_ms)
            result.notes["reset" if len(board.resets) > 1 else "ran on"] += 1
            if off_ms > OFF_OVER_LIMIT_MS or board.heating:
                result.failures.append(f"{name}: {off_ms:.1f} ms")
    return result


def shares(total: int, parts: int) -> Iterator[int]:
    """`total` in `parts` nearly equal parts."""
    for part in range(parts):
        yield total // parts + (part < total % parts)
