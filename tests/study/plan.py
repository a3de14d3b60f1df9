"""What happens in one seeded world: the kit, the shop file, the programs, the faults and when.

Everything is drawn from one `random.Random`, so that a seed is a world.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random
from types import SimpleNamespace
from typing import Final

from controller.core.limits import Limits, derive
from controller.model import (
    FITTED_AGITATOR,
    FITTED_DOOR,
    FITTED_LEVEL,
    FITTED_OVEN_CURRENT,
    FITTED_OVEN_LIMIT,
    FITTED_PART,
    FITTED_SMOKE,
    FITTED_TANK_CURRENT,
    FITTED_TANK_LIMIT,
    LoadItem,
    Oil,
    Program,
    Temper,
)
from controller.sim.shop import FULL_KIT, NEEDS_OIL
from controller.sim.tank import TankParameters

OILS: Final = (
    Oil("canola", "vegetable", 290.0, 40.0, 65.0, 0.915, 2000.0),
    Oil("fast quench oil", "quench", 160.0, 40.0, 80.0, 0.86, 1900.0),
    Oil("thin quench oil", "quench", 145.0, 30.0, 60.0, 0.85, 1900.0),
    Oil("old motor oil", "motor", 200.0, 40.0, 60.0, 0.88, 1900.0),
)
LINE_FAULTS: Final = (
    "to_board_lost", "to_board_spoilt", "to_board_doubled", "to_board_delayed", "to_board_cut",
    "to_host_lost", "to_host_spoilt", "to_host_doubled", "to_host_delayed", "to_host_cut", "both_cut",
)  # fmt: skip
HOST_FAULTS: Final = ("host_stall", "host_restart", "host_restart_resets_board", "clock_forward", "clock_back")
"""`clock_forward` and `clock_back` step the clock that ticks are given: worse than any step of the wall clock."""
PLACES: Final = ("oven", "oven_limit", "tank", "tank_limit", "part")
PROBE_FAULTS: Final = tuple(f"{place}_{what}" for place in PLACES for what in ("reads_low", "reads_high", "fallen_out"))
POWER_FAULTS: Final = ("board_power_cut", "torn_power_cut", "power_cut_of_both")
MOMENTARY: Final = frozenset({"board_hang", "board_reboot", "quench", *HOST_FAULTS, "torn_power_cut"})


@dataclass(frozen=True)
class Act:
    """Something that happens at `at_s`: a fault on or off, a button, or a wish from a phone."""

    at_s: float
    what: str
    value: object = None


@dataclass(frozen=True)
class Plan:
    """One world."""

    seed: int
    duration_s: float
    limits: Limits
    fitted: int
    chip: int
    load: tuple[LoadItem, ...]
    tank: TankParameters
    oven_c: float
    tank_c: float
    room_c: float
    start_ms: int
    boots: int
    step_s: tuple[float, ...]
    faults: tuple[str, ...]
    acts: tuple[Act, ...]


def draw(seed: int, fault_names: tuple[str, ...]) -> Plan:
    """The world of this seed; `fault_names`: what the simulated shop itself can have."""
    rng = Random(f"world {seed}")
    duration_s = min(2400.0, 150.0 + rng.expovariate(1.0 / 220.0))
    has_tank = rng.random() < 0.8
    tank = TankParameters.draw(rng)
    oil = rng.choice(OILS[:3]) if rng.random() < 0.92 else rng.choice((None, OILS[3]))
    fitted = _kit(rng, has_tank)
    limits = _limits(rng, has_tank, tank, oil)
    load = tuple(
        LoadItem(round(rng.uniform(0.05, 2.0), 2), rng.choice((3.0, 6.0, 12.0, 20.0))) for _ in range(rng.randint(0, 2))
    )
    faults, acts = _faults(rng, duration_s, fault_names)
    acts += _life(rng, duration_s, load, limits)
    acts.sort(key=lambda act: act.at_s)
    return Plan(
        seed=seed,
        duration_s=duration_s,
        limits=limits,
        fitted=fitted,
        chip=rng.choice((31855, 31855, 31856, 6675)),
        load=load,
        tank=tank,
        oven_c=rng.choice((20.0, rng.uniform(20.0, 280.0))),
        tank_c=rng.choice((20.0, rng.uniform(20.0, 88.0))),
        room_c=rng.choice((20.0, rng.uniform(2.0, 38.0))),
        start_ms=rng.choice((0, 0, 2**32 - rng.randrange(1, 300_000))),
        boots=rng.choice((1, 1, 65_535)),
        step_s=rng.choice(((0.25,), (0.25,), (0.1, 0.25, 0.4), (0.05, 0.3))),
        faults=faults,
        acts=tuple(acts),
    )


def _kit(rng: Random, has_tank: bool) -> int:
    fitted = FULL_KIT
    for bit, share in (
        (FITTED_OVEN_LIMIT, 0.9), (FITTED_TANK_LIMIT, 0.7), (FITTED_PART, 0.7), (FITTED_DOOR, 0.6),
        (FITTED_LEVEL, 0.6), (FITTED_AGITATOR, 0.6), (FITTED_SMOKE, 0.5),
    ):  # fmt: skip
        if rng.random() >= share:
            fitted &= ~bit
    if rng.random() < 0.25:
        fitted |= FITTED_OVEN_CURRENT | FITTED_TANK_CURRENT
    return fitted if has_tank else fitted & ~(NEEDS_OIL | FITTED_TANK_CURRENT)


def _limits(rng: Random, has_tank: bool, tank: TankParameters, oil: Oil | None) -> Limits:
    zone = SimpleNamespace
    shop = zone(
        units="C",
        altitude_m=rng.choice((0.0, 0.0, 1500.0, 3500.0)),
        oven=zone(
            limit_c=rng.choice((300.0, 300.0, 275.0, 250.0)), boost_cap_c=rng.choice((12.0, 12.0, 0.0, 25.0)),
            independent_cutout="at 320 °C" if rng.random() < 0.7 else "", thermocouple="K", heater_w=1500.0,
        ),
        tank=zone(
            thermocouple="K", heater_w=tank.heater_w * rng.uniform(0.95, 1.05), volume_l=tank.volume_l
        ) if has_tank else None,
        circuit=zone(shared=rng.random() < 0.6),
    )  # fmt: skip
    return derive(shop, oil if has_tank else None)  # type: ignore[arg-type]


def program(rng: Random, limits: Limits) -> Program:
    """A program, mostly one that this oven may run, with soaks short enough for a short world."""
    highest_c = min(260.0, limits.oven_limit_c - 15.0) if rng.random() < 0.95 else 280.0
    tempers = tuple(
        Temper(
            rng.uniform(90.0, highest_c), rng.choice((60.0, 120.0, 300.0, 3600.0)),
            ramp_c_per_h=rng.choice((None, None, 300.0)), band_c=rng.choice((5.0, 2.0, 10.0)),
            cool_below_c=rng.choice((60.0, 100.0, 150.0)), prompt=rng.choice((None, None, "Turn the steel.")),
        )
        for _ in range(rng.randint(1, 3))
    )  # fmt: skip
    return Program("drawn", tempers, rng.random() < 0.2)


def _faults(rng: Random, duration_s: float, names: tuple[str, ...]) -> tuple[tuple[str, ...], list[Act]]:
    """One, two or three faults at random instants; most pass after a while. A power cut always ends."""
    groups = (names, names, names, LINE_FAULTS, HOST_FAULTS, PROBE_FAULTS, POWER_FAULTS)
    chosen: list[str] = []
    acts: list[Act] = []
    for _ in range(rng.choice((1, 1, 2, 2, 3))):
        name = rng.choice(rng.choice(groups))
        if name in chosen:
            continue
        chosen.append(name)
        at_s = rng.uniform(0.0, duration_s * 0.8)
        acts.append(Act(at_s, name, True))
        if name in MOMENTARY:
            continue
        ends = name in POWER_FAULTS or rng.random() < 0.7
        if ends:
            acts.append(Act(at_s + rng.choice((0.3, 1.0, 3.0, 20.0, rng.uniform(1.0, 200.0))), name, False))
    return tuple(chosen), acts


def _life(rng: Random, duration_s: float, load: tuple[LoadItem, ...], limits: Limits) -> list[Act]:
    """What a smith does: arm, start, warm oil, look in, quench, stop, reset and go on."""
    armed_s = rng.uniform(0.0, 6.0)
    acts = [Act(armed_s, "arm"), Act(armed_s + rng.uniform(0.5, 4.0), "start", (program(rng, limits), load))]
    if rng.random() < 0.6:
        acts.append(Act(rng.uniform(1.0, 20.0), "preheat", _target(rng)))
    for _ in range(rng.randint(0, 6)):
        what = rng.choice(
            ("arm", "arm", "reset", "stop", "stop_all", "resume", "resume", "presence", "quench_declared",
             "quench_both", "tank_off", "start", "preheat", "confirm", "cold_steel", "unload")
        )  # fmt: skip
        value: object = None
        if what == "start":
            value = (program(rng, limits), load)
        elif what == "preheat":
            value = _target(rng)
        elif what in ("quench_declared", "quench_both"):
            value = (rng.uniform(0.05, 1.5), rng.uniform(700.0, 900.0))
        acts.append(Act(rng.uniform(5.0, duration_s), what, value))
    if rng.random() < 0.6:
        # After all that, a careful smith: everything mended, reset, arm, resume or start anew.
        at_s = duration_s * 0.85
        acts += [Act(at_s, "mend"), Act(at_s + 32.0, "reset"), Act(at_s + 36.0, "arm")]
        acts.append(Act(at_s + 38.0, rng.choice(("resume", "start")), (program(rng, limits), load)))
    return [replace(act, at_s=min(act.at_s, duration_s)) for act in acts]


def _target(rng: Random) -> tuple[float | None, float | None]:
    return rng.choice((None, rng.uniform(30.0, 60.0))), rng.choice((None, None, None, rng.uniform(60.0, 3000.0)))
