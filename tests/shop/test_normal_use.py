"""Normal use must not trip: seeded ovens and tanks with doors, cold steel, unloading and quenches."""

from __future__ import annotations

import random

import pytest

from controller.model import LoadItem, Preheat, Presence, Program, Quench, Start, Temper
from tests.core.rig import Rig, limits
from tests.study import normal

OVENS = 6
TANKS = 6


def open_door(rig: Rig, seconds: float) -> None:
    rig.shop.fault("door_open", True)
    rig.run(seconds)
    rig.shop.fault("door_open", False)


@pytest.mark.parametrize("door_switch", [True, False])
@pytest.mark.parametrize("seed", range(1, OVENS + 1))
def test_an_oven_in_normal_use_does_not_trip(seed: int, door_switch: bool) -> None:
    print("seed", seed)
    rng = random.Random(seed)
    load = (LoadItem(rng.choice((0.1, 0.3, 1.0, 2.0)), rng.choice((6.0, 12.0, 20.0))),)
    rig = Rig(
        limits(), seed=seed, load=load, part_sensor=rng.random() < 0.7, fitted=None if door_switch else 1951 & ~1024
    )
    rig.arm()
    rig.tick(Start(Program("use", (Temper(230.0, 1500.0, cool_below_c=70.0), Temper(190.0, 900.0))), load))
    rig.run(rng.uniform(60.0, 400.0))
    open_door(rig, rng.uniform(5.0, 60.0))
    rig.run(2 * 3600.0, lambda: rig.phase() == "soak")
    rig.run(rng.uniform(60.0, 600.0))
    open_door(rig, rng.uniform(5.0, 60.0))
    rig.run(rng.uniform(60.0, 300.0))
    rig.shop.fault("cold_steel", True)
    rig.run(5 * 3600.0, lambda: rig.phase() in ("ended", "tripped"))
    assert rig.tripped() == []
    assert rig.phase() == "ended"
    rig.shop.set_load(())
    open_door(rig, 30.0)
    rig.run(900.0)
    assert rig.tripped() == []


@pytest.mark.parametrize("seed", range(1, TANKS + 1))
def test_a_tank_in_normal_use_does_not_trip(seed: int) -> None:
    print("seed", seed)
    rng = random.Random(seed)
    rig = Rig(limits(), seed=seed)
    rig.arm()
    rig.tick(Preheat(rng.uniform(42.0, 55.0)))
    for _ in range(4):
        rig.run(1500.0)
        rig.tick(Presence())
    assert rig.tripped() == []
    for number in range(3):
        mass_kg = rng.uniform(0.05, 0.4)
        if number % 2:
            rig.tick(Quench(mass_kg=mass_kg))
        rig.shop.tank.quench(mass_kg, rng.uniform(780.0, 870.0), rng.choice((8.0, 20.0)))
        rig.run(rng.uniform(300.0, 1200.0))
    rig.run(1800.0)
    assert rig.tripped() == []


@pytest.mark.parametrize("seed", [20261143, 20261162])
def test_ovens_that_once_tripped_when_a_door_was_shut_again_do_not(seed: int) -> None:
    """A slow control sensor at 258 °C beside a limit sensor at 298, and air that shot over twice after the door."""
    used = normal.oven(seed)
    assert used.tripped == ()
    assert used.ended
