"""Drawn tanks with any single fault while the oil is warmed and held: how far over its limit does the oil get?

`python -m tests.study tanks 500 --seed 1` runs all of it; `worst_of` runs some. The limit is the tank's
heater-off limit. What the sheath still holds when its current ends goes into the oil afterwards, and a sensor may
read wrong by as much as the drawn probes do: both are worked out for each run and taken off.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from random import Random
from typing import Final

from controller.model import Preheat, Presence
from controller.sim.faults import FAULTS
from tests.core.rig import Rig
from tests.shop.tank_figures import limits_of, oil_of

OTHERS: Final = (
    "contactor_welded", "terminal_block_hot", "level_low", "agitator_stuck", "board_hang", "board_reboot",
    "board_power_cut", "cable_pulled", "frames_corrupted", "stop_pressed", "smoke",
)  # fmt: skip
TANK_FAULTS: Final = tuple(name for name in FAULTS if name.startswith("tank_") or name in OTHERS)
STEP_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Run:
    """One tank, one fault. `over_limit_k`: of the hottest oil; `explained_k`: what the sheath held when it passed
    the limit, or at the end of its current; `read_low_k`: how far both sensors read below that oil then."""

    seed: int
    fault: str
    target_c: float
    limit_c: float
    hottest_c: float
    explained_k: float
    read_low_k: float
    tripped: tuple[str, ...]

    @property
    def over_limit_k(self) -> float:
        return self.hottest_c - self.limit_c

    @property
    def unexplained_k(self) -> float:
        """What neither the sheath nor the sensors explain, K; below 0: nothing is left to explain."""
        return self.over_limit_k - self.explained_k - self.read_low_k


def one(seed: int, fault: str | None = None) -> Run:
    """Warm the oil of this seed's tank, let the fault come at some time, and watch for 45 min more."""
    rng = Random(f"tank fault {seed}")
    name = rng.choice(TANK_FAULTS) if fault is None else fault
    start_c = rng.uniform(12.0, 40.0)
    kind = Rig(seed=seed, load=()).shop.tank.parameters
    oil = oil_of(kind.vegetable)
    limits = limits_of(kind, oil)
    highest_c, limit_c = limits.bath_max_c(), limits.tank_limit_c
    assert highest_c is not None
    assert limit_c is not None
    rig = Rig(limits, seed=seed, load=(), tank_c=start_c)
    tank = rig.shop.tank
    rig.arm()
    target_c = rng.uniform(oil.bath_min_c, highest_c)
    rig.tick(Preheat(target_c))
    at_s = rig.now_s + rng.uniform(0.0, 1500.0)
    hottest_c = sheath_k = read_low_k = 0.0
    faulty = False
    end_s = at_s + 2700.0
    present_s = rig.now_s
    while rig.now_s < end_s:
        if not faulty and rig.now_s >= at_s:
            faulty = True
            rig.shop.fault(name, True)
        if rig.now_s - present_s > 1500.0:
            present_s = rig.now_s
            rig.tick(Presence())
        rig.run(STEP_S)
        oil_kg_j = tank.oil_kg * (1.0 - kind.lower_share) * tank.oil.heat_capacity(tank.upper_c)
        held_k = 0.4 * kind.heater_cm2 * (tank.sheath_c - tank.upper_c) / oil_kg_j
        if tank.upper_c < limit_c:
            sheath_k = held_k
        if tank.upper_c > hottest_c:
            hottest_c = tank.upper_c
            read_c = max((c for c in (rig.core.facts.tank_c, rig.core.facts.tank_limit_c) if c == c), default=hottest_c)
            read_low_k = max(0.0, hottest_c - read_c)
        if hottest_c > limit_c + 60.0:
            break
    return Run(seed, name, target_c, limit_c, hottest_c, sheath_k, read_low_k, tuple(dict.fromkeys(rig.tripped())))


def worst_of(runs: Iterable[Run]) -> dict[str, Run]:
    """The run of each fault whose oil came nearest to its limit, or furthest over it."""
    worst: dict[str, Run] = {}
    for run in runs:
        if run.fault not in worst or run.over_limit_k > worst[run.fault].over_limit_k:
            worst[run.fault] = run
    return worst


def table(first: int, count: int) -> bool:
    """Play these seeds and print the table; True when no oil went over its limit."""
    runs = []
    for seed in range(first, first + count):
        runs.append(one(seed))
        run = runs[-1]
        if run.over_limit_k > 0.0:
            print(f"seed {run.seed} {run.fault}: {run.over_limit_k:.2f} K over {run.limit_c:.1f}, sheath "
                  f"{run.explained_k:.2f}, sensors {run.read_low_k:.2f}, {run.tripped}", flush=True)  # fmt: skip
    over = [run for run in runs if run.over_limit_k > 0.0]
    print(f"{count} tanks, seeds {first} to {first + count - 1}: {len(over)} over their limit")
    print("| fault | runs | worst over its limit, K | sheath and sensors explain, K | hottest oil, °C |")
    print("| --- | --- | --- | --- | --- |")
    for name, run in sorted(worst_of(runs).items(), key=lambda item: -item[1].over_limit_k):
        times = sum(one_.fault == name for one_ in runs)
        explained = run.explained_k + run.read_low_k
        print(f"| {name} | {times} | {run.over_limit_k:.1f} | {explained:.1f} | {run.hottest_c:.1f} |")
    print(f"worst that neither explains: {max(run.unexplained_k for run in runs):.2f} K", flush=True)
    return not over
