"""The long campaigns on the release binary: `python -m tests.firmware.emulator.study [--seed N] [--share X] [--real]`.

Prints the figures of the board's report. `--real` adds the runs of the unmodified service that take real minutes.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.firmware.emulator.budgets import measured
from tests.firmware.emulator.build import firmware, harness
from tests.firmware.emulator.campaigns import (
    Result,
    dead_man,
    flips,
    flips_over_limit,
    jams,
    shares,
)
from tests.firmware.emulator.rig import Bench
from tests.firmware.emulator.service_runs import RUNS
from tests.firmware.emulator.tape import play, play_written
from tests.firmware.emulator.test_tape import HOURS
from tests.firmware.guard.test_agreement import WRITTEN

WORKERS = 2


def _dead_man(number: int, seed: int) -> Result:
    with Bench() as bench:
        return dead_man(bench.heated(500, 500), number)


def _jams(number: int, seed: int) -> Result:
    with Bench() as bench:
        return jams(bench.heated(), firmware(31855, 31), number, seed)


def _flips(number: int, seed: int) -> Result:
    with Bench() as bench:
        return flips(bench.heated(), number, seed)


def _over_limit(number: int, seed: int) -> Result:
    with Bench() as bench:
        return flips_over_limit(bench.heated(), number, seed)


def _tape(number: int, seed: int) -> Result:
    pair = play(seed, number, 2047 & ~96)
    return Result(len(pair.log), failures=pair.differences)


def _written(number: int, seed: int) -> Result:
    """The `number` longest of the guard's written tapes."""
    result = Result()
    for name in sorted(HOURS)[:number]:
        pair = play_written(WRITTEN[name], 2047)
        result.trials += 1
        result.notes["telemetry frames compared"] += len(pair.frames[1])
        result.failures += [f"{name}: {difference}" for difference in pair.differences[:3]]
    return result


def _campaign(what: str, trial: Callable[[int, int], Result], total: int, seed: int) -> bool:
    """All of it, shared out over the workers; printed."""
    began = time.monotonic()
    whole = Result()
    parts = list(shares(total, 4 * WORKERS if total > 500 else WORKERS))
    with ProcessPoolExecutor(WORKERS) as pool:
        for part in pool.map(trial, parts, range(seed, seed + len(parts))):
            whole.trials += part.trials
            whole.off_ms += part.off_ms
            whole.failures += part.failures
            whole.notes += part.notes
    print(f"{what}, seed {seed}: {whole.text()}; {time.monotonic() - began:.0f} s", flush=True)
    for failure in whole.failures[:20]:
        print(f"  {failure}")
    return not whole.failures


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.firmware.emulator.study", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--share", type=float, default=1.0, help="of the whole numbers")
    parser.add_argument("--real", action="store_true", help="also the runs of the service in real time")
    options = parser.parse_args()
    harness()
    print(measured(firmware(31855, 31)).text(), flush=True)
    good = True
    for what, trial, total in (
        ("dead-man, phases of the window", _dead_man, 1_000),
        ("the program stands still, program counters", _jams, 1_000),
        ("random flips of RAM, host silent", _flips, 3_000),
        ("random flips of RAM, then the oven over its limit, host commanding heat", _over_limit, 1_000),
        ("tapes against the twin, operations", _tape, 2_000),
    ):
        good &= _campaign(what, trial, round(total * options.share), options.seed)
    written = _written(len(HOURS), 0)
    print(f"the guard's written tapes of minutes and hours: {written.text()}", flush=True)
    good &= not written.failures
    if options.real:
        for what, run in RUNS.items():
            began = time.monotonic()
            with tempfile.TemporaryDirectory() as directory:
                run(Path(directory))
            print(f"{what}: {time.monotonic() - began:.0f} s", flush=True)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
