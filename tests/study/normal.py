"""Normal use of seeded ovens and tanks: doors, cold steel, unloading, double tempers, weak mains, quenches.

One function an oven and one a tank, so that the share in `make test` and the whole in `make study` are the same.
Each gives the rows that tripped and whether the run came to its end.
"""

from __future__ import annotations

import random
from types import SimpleNamespace
from typing import Final, NamedTuple

from controller.core.limits import Limits, derive
from controller.model import (
    FITTED_AGITATOR,
    FITTED_DOOR,
    FITTED_TANK_LIMIT,
    LoadItem,
    Oil,
    Preheat,
    Presence,
    Program,
    Quench,
    Start,
    Temper,
)
from controller.sim.shop import FULL_KIT, SimShop
from tests.core.rig import CANOLA, Rig, limits

PRESENT_EVERY_S: Final = 1500.0
MINERAL: Final = Oil("fast quench oil", "quench", 160.0, 40.0, 80.0, 0.86, 1900.0)
CHIPS: Final = (31855, 31855, 31856, 6675)


class Used(NamedTuple):
    """What came of it. `ended`: the run, or for a tank: it became ready."""

    seed: int
    tripped: tuple[str, ...]
    ended: bool
    simulated_s: float
    withheld: tuple[str, ...]


class ChipRig(Rig):
    """A rig whose board has other converters."""

    def __init__(
        self, limits_: Limits, *, seed: int, fitted: int, chip: int,
        load: tuple[LoadItem, ...] = (LoadItem(0.3, 12.0),), part_sensor: bool = True,
    ) -> None:  # fmt: skip
        super().__init__(limits_, seed=seed, load=load)
        self.shop = SimShop(seed, load=load, part_sensor=part_sensor, fitted=fitted, chip=chip)


def _used(rig: Rig, seed: int, ended: bool) -> Used:
    withheld = sorted({e.data["interlock"] for e in rig.events if e.kind == "interlock_withheld"})
    return Used(seed, tuple(rig.tripped()), ended, rig.now_s, tuple(withheld))


def open_door(rig: Rig, seconds: float) -> None:
    """Open it, wait, shut it."""
    rig.shop.fault("door_open", True)
    rig.run(seconds)
    rig.shop.fault("door_open", False)


def oven(seed: int, hours: float = 7.0) -> Used:
    """A double temper with a falling setpoint in between, and everything that a shop does to it."""
    rng = random.Random(f"oven {seed}")
    load = (LoadItem(rng.choice((0.05, 0.1, 0.3, 1.0, 2.0)), rng.choice((3.0, 6.0, 12.0, 20.0))),)
    door_switch, chip = rng.random() < 0.5, rng.choice(CHIPS)
    rig = ChipRig(
        limits(), seed=seed, load=load, part_sensor=rng.random() < 0.7,
        fitted=FULL_KIT if door_switch else FULL_KIT & ~FITTED_DOOR, chip=chip,
    )  # fmt: skip
    rig.arm()
    second_c = rng.choice((150.0, 190.0, 205.0, 230.0))
    first = Temper(rng.choice((180.0, 205.0, 230.0, 258.0)), rng.choice((600.0, 1500.0)),
                   ramp_c_per_h=rng.choice((None, None, 400.0)), cool_below_c=rng.choice((60.0, 70.0)))  # fmt: skip
    rig.tick(Start(Program("use", (first, Temper(second_c, 900.0))), load))
    rig.run(rng.uniform(60.0, 400.0))
    open_door(rig, rng.uniform(5.0, 60.0))
    rig.run(2 * 3600.0, lambda: rig.phase() in ("soak", "tripped"))
    rig.run(rng.uniform(60.0, 500.0))
    if rng.random() < 0.4:
        rig.shop.fault(rng.choice(("mains_low", "mains_high")), True)
    open_door(rig, rng.uniform(5.0, 60.0))
    rig.run(rng.uniform(60.0, 300.0))
    if rng.random() < 0.6:
        open_door(rig, rng.uniform(5.0, 30.0))
        rig.shop.fault("cold_steel", True)
    rig.run(rng.uniform(300.0, 1200.0))
    for name in ("mains_low", "mains_high"):
        rig.shop.fault(name, False)
    if rng.random() < 0.5:
        # A door opened to cool, while the first soak is over.
        rig.run(2 * 3600.0, lambda: rig.phase() in ("cool", "tripped", "ended"))
        open_door(rig, rng.uniform(20.0, 60.0))
    rig.run(hours * 3600.0 - rig.now_s, lambda: rig.phase() in ("ended", "tripped"))
    ended = rig.phase() == "ended"
    open_door(rig, rng.uniform(10.0, 40.0))
    rig.shop.set_load(())
    rig.run(900.0)
    return _used(rig, seed, ended)


def _tank_limits(shop_tank: SimpleNamespace, oil: Oil) -> Limits:
    shop = SimpleNamespace(
        units="C", altitude_m=0.0,
        oven=SimpleNamespace(
            limit_c=300.0, boost_cap_c=12.0, independent_cutout="", thermocouple="K", heater_w=1500.0
        ),
        tank=shop_tank, circuit=SimpleNamespace(shared=False),
    )  # fmt: skip
    return derive(shop, oil)  # type: ignore[arg-type]


def tank(seed: int, hours: float = 3.0) -> Used:
    """A preheat, quenches told and not told, a higher target, and a warm tank left to itself."""
    rng = random.Random(f"tank {seed}")
    kit = FULL_KIT
    for bit in (FITTED_AGITATOR, FITTED_TANK_LIMIT):
        if rng.random() < 0.4:
            kit &= ~bit
    chip = rng.choice(CHIPS)
    parameters = SimShop(seed).tank.parameters
    # The shop file says what is on the plate and the fill mark, and which oil it is.
    rig = ChipRig(
        _tank_limits(SimpleNamespace(
            thermocouple="K", heater_w=round(parameters.heater_w * rng.uniform(0.93, 1.07)),
            volume_l=round(parameters.volume_l * rng.uniform(0.93, 1.07), 1),
        ), CANOLA if parameters.vegetable else MINERAL),
        seed=seed, fitted=kit, chip=chip,
    )  # fmt: skip
    rig.arm()
    rig.tick(Preheat(rng.uniform(42.0, 55.0)))
    _minded(rig, hours * 3600.0, lambda: rig.core.tank.ready)
    ready = rig.core.tank.ready
    heat_j_per_k = rig.core.limits.oil_heat_j_per_k()
    for number in range(3):
        # "Put nothing more in until it has cooled": a smith waits while the oil is over its ceiling.
        _minded(rig, 3600.0, lambda: not rig.core.interlocks.acting("oil_ceiling"))
        # As much steel as the oil can take: 12 K at most from 845 °C.
        mass_kg = min(rng.uniform(0.05, 0.8), 12.0 * heat_j_per_k / 560_000.0)
        if number % 2:
            rig.tick(Quench(mass_kg=mass_kg))
        rig.shop.tank.quench(mass_kg, rng.uniform(780.0, 870.0), rng.choice((4.0, 8.0, 20.0)))
        _minded(rig, rng.uniform(300.0, 1200.0))
    if rng.random() < 0.5:
        rig.tick(Preheat(min(60.0, rng.uniform(50.0, 60.0))))
        _minded(rig, 1800.0)
    rig.run(2400.0)
    return _used(rig, seed, ready)


def _minded(rig: Rig, seconds: float, until: object = None) -> None:
    """Time passes, and every 25 minutes somebody says that they are there."""
    end_s = rig.now_s + seconds
    while rig.now_s < end_s and not (callable(until) and until()):
        rig.run(min(PRESENT_EVERY_S, end_s - rig.now_s), until if callable(until) else None)  # type: ignore[arg-type]
        rig.tick(Presence())
