"""The long campaigns on the release binary: `python -m tests.firmware.emulator.study [--seed N] [--share X] [--real]`.

Prints the figures of the board's report. `--only` picks campaigns, `--workers` says how many run at once, `--real` adds
the runs of the unmodified service that take real minutes. A trial over which the emulator itself crashed or hung is
listed as not judged and counts neither way. Exit code: 0 when every judged trial held, 1 when one did not, 2 when all
held but a campaign has judged less than 99 of 100 of its trials.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterable
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

MOST_NOT_JUDGED = 0.01
PORTION = 250


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


CAMPAIGNS: dict[str, tuple[str, Callable[[int, int], Result], int]] = {
    "dead-man": ("dead-man, phases of the window", _dead_man, 1_000),
    "jams": ("the program stands still, program counters", _jams, 1_000),
    "flips": ("random flips of RAM, host silent", _flips, 1_000),
    "over-limit": ("random flips of RAM, then the oven over its limit, host commanding heat", _over_limit, 1_000),
    "tapes": ("tapes against the twin, operations", _tape, 2_000),
    "written": ("the guard's written tapes of minutes and hours", _written, len(HOURS)),
}


def campaign(name: str, share: float, seed: int, workers: int) -> Result:
    """All of it, in portions shared out over the workers, portion n with seed + n; printed."""
    what, trial, whole = CAMPAIGNS[name]
    began = time.monotonic()
    result = Result()
    total = round(whole * share)
    parts = [total] if name in ("dead-man", "written") else list(shares(total, max(1, total // PORTION)))
    with ProcessPoolExecutor(workers) as pool:
        for part in pool.map(trial, parts, range(seed, seed + len(parts))):
            result.add(part)
    print(f"{what}, seed {seed}: {result.text()}; {time.monotonic() - began:.0f} s", flush=True)
    for failure in result.failures[:20]:
        print(f"  {failure}")
    for trial_name in result.not_judged:
        print(f"  not judged: {trial_name}")
    return result


def exit_code(results: Iterable[Result]) -> int:
    """What the study ends with; see above."""
    results = list(results)
    if any(result.failures for result in results):
        return 1
    unknown = any(result.trials == 0 or result.share_not_judged > MOST_NOT_JUDGED for result in results)
    return 2 if unknown or not results else 0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.firmware.emulator.study", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--share", type=float, default=1.0, help="of the whole numbers")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", nargs="+", choices=CAMPAIGNS, default=list(CAMPAIGNS))
    parser.add_argument("--real", action="store_true", help="also the runs of the service in real time")
    options = parser.parse_args()
    harness()
    print(measured(firmware(31855, 31)).text(), flush=True)
    results = [campaign(name, options.share, options.seed, options.workers) for name in options.only]
    if options.real:
        for what, run in RUNS.items():
            began = time.monotonic()
            with tempfile.TemporaryDirectory() as directory:
                run(Path(directory))
            print(f"{what}: {time.monotonic() - began:.0f} s", flush=True)
    return exit_code(results)


if __name__ == "__main__":
    raise SystemExit(main())
