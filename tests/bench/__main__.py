"""Measures, prints the table, and fails where a line is missed: `make bench`."""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from tests.bench import control, page, service, streams
from tests.shop import tank_figures


class Line(NamedTuple):
    """One row: what, the figure, its target in words, and whether it is met."""

    what: str
    figure: str
    target: str
    met: bool


def lines() -> list[Line]:
    table: list[Line] = []

    def add(what: str, value: float, unit: str, target: float, least: bool = False) -> None:
        met = value >= target if least else value <= target
        sign = ">=" if least else "<="
        table.append(Line(what, f"{value:.3g} {unit}".strip(), f"{sign} {target:g}", met))

    speed = control.speed()
    add("a tick of the core, median, us", speed.tick_us, "", 20.0)
    add("a whole rehearsal against real time", speed.times_real_time, "times", 3000.0, least=True)
    ovens = control.ovens(24)
    print(f"  24 ovens, seeds {ovens.seeds}", file=sys.stderr)
    add("load overshoot p95, part sensor, K", ovens.overshoot_p95_k, "", 2.0)
    add("load RMS in the last hour p95, part sensor, K", ovens.rms_p95_k, "", 0.3)
    add("error of the temper as equivalent temperature p95, K", ovens.equivalent_p95_k, "", 1.5)
    add("ovens that did not end", float(ovens.unfinished), "", 0.0)
    tanks = control.preheats(12)
    print(f"  12 tanks, seeds {tanks.first_seed} to {tanks.first_seed + 11}", file=sys.stderr)
    add("predicted preheat time after one preheat, worst of 12, %", tanks.worst_percent, "", 7.0)
    add("quench rise against the trade's rule, %", abs(tank_figures.quench_rule_error()) * 100.0, "", 12.0)
    start = service.start_against_bare()
    add("resident memory against bare FastAPI + uvicorn", start.memory_ratio, "times", 1.25)
    add("CPU to first response against the same", start.cpu_ratio, "times", 1.35)
    with tempfile.TemporaryDirectory() as directory:
        live = service.live(Path(directory))
    add("worst lateness of a tick under 50 streams, ms", live.worst_lateness_ms, "", 100.0)
    add("worst lateness of a tick under 50 streams and a full disk, ms", live.full_disk_lateness_ms, "", 100.0)
    print(f"  full disk: {live.record_trouble}", file=sys.stderr)
    add("sessions that the board ended meanwhile", float(live.dead_mans), "", 0.0)
    add("stop from the phone to the heater's output off, worst of 7, s", live.stop_s, "", 0.5)
    add("SIGTERM with streams open, process gone, s", live.gone_s, "", 1.0)
    message = streams.message_cost()
    print(f"  a stream message: {message.ours_us:.0f} us, FastAPI's own {message.fastapi_us:.0f} us", file=sys.stderr)
    add("CPU of a stream message, 50 clients, against FastAPI's own", message.ratio, "times", 0.5)
    shown = page.cost()
    add("the page's script and style, gzip, kB", shown.gzip_kb, "", 40.0)
    print(f"  chart, worst of 38: {shown.chart_worst_ms:.0f} ms", file=sys.stderr)
    add("an update of its chart at a sixth of CPU speed, median, ms", shown.chart_ms, "", 50.0)
    return table


def main() -> int:
    began = time.monotonic()
    table = lines()
    width = max(len(line.what) for line in table)
    for line in table:
        print(f"{line.what:{width}}  {line.figure:>12}  {line.target:>8}  {'met' if line.met else 'MISSED'}")
    print(f"{time.monotonic() - began:.0f} s")
    return 0 if all(line.met for line in table) else 1


def median_of(measure: Callable[[], float], times: int = 3) -> float:
    """The median of a few measurements of one run."""
    return statistics.median(measure() for _ in range(times))


if __name__ == "__main__":
    sys.exit(main())
