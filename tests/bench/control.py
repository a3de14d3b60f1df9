"""Speed of the core and of a rehearsal, and how well drawn ovens are controlled, on the true temperatures."""

from __future__ import annotations

import random
import statistics
import time
from typing import NamedTuple

from controller.metallurgy.tempering import TemperTrace, equivalent_temperature_c, parameter
from controller.model import LoadItem, Program, Start, Temper
from tests.core.rig import Rig
from tests.shop.tank_figures import preheat_errors


class Speed(NamedTuple):
    tick_us: float
    times_real_time: float


class Ovens(NamedTuple):
    seeds: list[int]
    overshoot_p95_k: float
    rms_p95_k: float
    equivalent_p95_k: float
    unfinished: int


class Preheats(NamedTuple):
    first_seed: int
    worst_percent: float


def preheats(count: int) -> Preheats:
    """Fresh tanks, each warmed twice: how far the second forecast was off at the worst."""
    first = random.randrange(1, 2**31)
    errors = preheat_errors(range(first, first + count)).later
    return Preheats(first, max(abs(error) for error in errors) * 100.0)


def speed() -> Speed:
    """An hour and a half of a temper in lock-step: the median tick, and the whole against the clock."""
    rig = Rig(load=(LoadItem(0.5, 20.0),))
    rig.arm()
    rig.tick(Start(Program("bench", (Temper(205.0, 3600.0),)), rig.load))
    whole = time.perf_counter()
    began_s = rig.now_s
    rig.run(5400.0)
    times = (rig.now_s - began_s) / (time.perf_counter() - whole)
    rig = Rig(load=(LoadItem(0.5, 20.0),))
    rig.arm()
    rig.tick(Start(Program("bench", (Temper(205.0, 3600.0),)), rig.load))
    taken = []
    tick = rig.core.tick
    for _ in range(8000):
        rig.now_s += 0.25
        rig.link.receive(rig.shop.exchange(rig.out, 0.25), rig.now_s)
        reading = rig.link.take_reading()
        before = time.perf_counter()
        outcome = tick(rig.now_s, reading, ())
        taken.append(time.perf_counter() - before)
        rig.out = rig.link.send(outcome.command, rig.now_s)
    return Speed(statistics.median(taken) * 1e6, times)


def ovens(count: int) -> Ovens:
    """Fresh ovens with a thermocouple on the steel: 205 °C for 90 min. The seeds are drawn anew each time."""
    seeds = [random.randrange(1, 2**31) for _ in range(count)]
    overshoot, rms, equivalent, unfinished = [], [], [], 0
    for seed in seeds:
        rng = random.Random(seed)
        load = (LoadItem(round(rng.uniform(0.1, 2.0), 2), round(rng.uniform(5.0, 25.0), 1)),)
        rig = Rig(seed=seed, load=load)
        rig.arm()
        rig.tick(Start(Program("bench", (Temper(205.0, 5400.0),)), load))
        peak, squares, trace = 0.0, [], TemperTrace(205.0)
        while rig.now_s < 8 * 3600.0 and rig.phase() not in ("ended", "tripped"):
            rig.tick()
            core_c = rig.shop.oven.core_c
            peak = max(peak, core_c)
            trace.add(core_c, 0.25)
            if rig.phase() == "soak":
                squares.append((core_c - 205.0) ** 2)
        if rig.phase() != "ended":
            unfinished += 1
            continue
        last = squares[-4 * 3600 :]
        overshoot.append(peak - 205.0)
        rms.append((sum(last) / len(last)) ** 0.5)
        teq_c = equivalent_temperature_c(parameter(205.0, trace.equivalent_s), 5400.0)
        equivalent.append(abs(teq_c - 205.0))
    return Ovens(seeds, _p95(overshoot), _p95(rms), _p95(equivalent), unfinished)


def _p95(values: list[float]) -> float:
    return sorted(values)[min(len(values) - 1, int(0.95 * len(values)))] if values else float("inf")
