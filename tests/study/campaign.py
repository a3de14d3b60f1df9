"""Many worlds, one after another or on several processes, and what came of them."""

from __future__ import annotations

import time
import traceback
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import Final, TextIO

from tests.study.excess import Passed
from tests.study.world import Result, play

FIGURES_EVERY: Final = 2500


@dataclass
class Tally:
    """The sum of a campaign. `broken`: seed and what was wrong."""

    worlds: int = 0
    simulated_s: float = 0.0
    heated: int = 0
    runs: int = 0
    tripped: int = 0
    state_bytes: int = 0
    broken: list[tuple[int, str]] = field(default_factory=list)
    trips: Counter[str] = field(default_factory=Counter)
    worst: dict[tuple[str, str], tuple[int, Passed]] = field(default_factory=dict)

    def add(self, result: Result) -> None:
        self.simulated_s += result.simulated_s
        self.heated += result.heated_s > 0.0
        self.runs += result.runs
        self.tripped += bool(result.trips)
        self.trips.update(set(result.trips))
        self.state_bytes = max(self.state_bytes, result.state_bytes)
        for passed in result.passed:
            key = (passed.zone, passed.cause)
            if key not in self.worst or self.worst[key][1].excess_k < passed.excess_k:
                self.worst[key] = (result.seed, passed)

    def lines(self) -> list[str]:
        """The figures in words."""
        lines = [
            f"{self.worlds} worlds, {self.simulated_s / 3600.0:.0f} simulated hours, {self.runs} runs; heat in "
            f"{self.heated} worlds, a trip in {self.tripped}; stored state at most {self.state_bytes} bytes",
            "rows that tripped: " + ", ".join(f"{name} {count}" for name, count in self.trips.most_common()),
        ]
        lines += [f"seed {seed}, {passed.words()}" for seed, passed in self.worst.values()]
        lines.append(f"invariants broken: {len(self.broken)}")
        lines += [f"  python -m tests.study world {seed}: {text}" for seed, text in self.broken]
        return lines


def one(seed: int) -> Result | tuple[int, str]:
    """A world, or its seed and what was wrong with it."""
    try:
        return play(seed)
    except Exception as error:
        where = "" if isinstance(error, AssertionError) else traceback.format_exc()
        return seed, f"{type(error).__name__}: {error} {where}".strip()


def worlds(seeds: Sequence[int], jobs: int, out: TextIO | None = None) -> Tally:
    """Play these seeds; progress goes to `out` every few hundred worlds."""
    tally = Tally()
    began_s = time.perf_counter()
    if jobs <= 1:
        _take(tally, map(one, seeds), began_s, out)
    else:
        with ProcessPoolExecutor(jobs) as pool:
            _take(tally, pool.map(one, seeds, chunksize=8), began_s, out)
    return tally


def _take(tally: Tally, results: Iterable[Result | tuple[int, str]], began_s: float, out: TextIO | None) -> None:
    for result in results:
        tally.worlds += 1
        if isinstance(result, Result):
            tally.add(result)
        else:
            tally.broken.append(result)
        if out is not None and (tally.worlds % 250 == 0 or not isinstance(result, Result)):
            per_s = tally.worlds / (time.perf_counter() - began_s)
            bad = f"; broken: {tally.broken[-1]}" if tally.broken else ""
            print(f"{tally.worlds} worlds, {per_s:.2f} a second{bad}", file=out, flush=True)
        if out is not None and tally.worlds % FIGURES_EVERY == 0:
            # So that a campaign that is stopped has its figures.
            print("\n".join(tally.lines()), file=out, flush=True)
