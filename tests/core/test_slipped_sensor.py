"""A control sensor that is not pushed all the way in, from the start: the air is hotter than it shows."""

from __future__ import annotations

import pytest

from controller.model import FITTED_DOOR, SENSORS, LoadItem, Temper
from controller.sim.shop import FULL_KIT
from tests.core.rig import Rig, limits, program

TEMPER_C = 205.0


@pytest.mark.parametrize("share", [0.2, 0.45, 0.7])
@pytest.mark.parametrize(("part_sensor", "door_switch"), [(False, True), (False, False), (True, True)])
def test_a_slipped_control_sensor_is_told_before_the_steel_is_soft(
    share: float, part_sensor: bool, door_switch: bool
) -> None:
    """`share`: what it reads of what it should over the room. Kept off its limit by the loop the air would stand at
    280 °C for as long as the run may last, with no soak in which the two sensors were compared."""
    fitted = FULL_KIT if door_switch else FULL_KIT & ~FITTED_DOOR
    rig = Rig(limits(), seed=0, fitted=fitted, part_sensor=part_sensor)
    rig.shop.probes.slipped[0] = share
    rig.start(program(Temper(TEMPER_C, 3600.0)))
    begun_s = rig.now_s
    hottest_c = 0.0
    while not rig.tripped() and rig.now_s < begun_s + 1200.0:
        rig.tick()
        hottest_c = max(hottest_c, rig.shop.oven.load_c)
    assert rig.tripped() == ["oven_disagree"]
    assert rig.now_s - begun_s < 900.0
    assert hottest_c < TEMPER_C + 40.0
    assert rig.shop.oven.air_c < limits().oven_limit_c + 5.0


def test_one_that_has_slipped_only_a_little_is_told_in_the_soak() -> None:
    """By 46 K at 205 °C, which good sensors may show in a heat-up."""
    rig = Rig(limits(), seed=0, part_sensor=False)
    rig.shop.probes.slipped[0] = 0.8
    rig.start(program(Temper(TEMPER_C, 3600.0)))
    rig.run(3000.0, lambda: bool(rig.tripped()))
    assert rig.tripped() == ["oven_disagree"]
    assert rig.shop.oven.load_c < TEMPER_C + 60.0


@pytest.mark.parametrize(("seed", "mass_kg"), [(11, 3.0), (12, 5.0)])
def test_good_sensors_over_a_heavy_cold_load_do_not_disagree(seed: int, mass_kg: float) -> None:
    """The air stands near its target for ten minutes over cold walls and steel: up to 49 K between the two."""
    rig = Rig(limits(), seed=seed, load=(LoadItem(mass_kg, 30.0),), part_sensor=True)
    rig.start(program(Temper(260.0, 600.0)))
    rig.run(1500.0, lambda: bool(rig.tripped()))
    assert rig.tripped() == []


def test_while_the_steel_is_over_its_temperature_the_sensors_are_compared_on() -> None:
    """A hot part takes the heat off again and again in a soak; the five minutes of the row are counted over all of it.

    The limit sensor is the one that is moved: the loop does not see it.
    """
    rig = Rig(limits(), seed=0, part_sensor=True)
    rig.start(program(Temper(TEMPER_C, 7200.0)))
    rig.run(7200.0, lambda: rig.phase() == "soak")
    rig.run(120.0)
    rig.shop.probes.offset_k[SENSORS.index("oven_limit")] = -40.0
    rig.shop.probes.offset_k[SENSORS.index("part")] = 14.0
    rig.run(150.0, lambda: rig.phase() == "withheld")
    assert rig.phase() == "withheld"
    rig.run(400.0, lambda: bool(rig.tripped()))
    assert rig.tripped() == ["oven_disagree"]
    assert rig.phase() == "tripped"
