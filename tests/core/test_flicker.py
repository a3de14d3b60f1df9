"""A wire that flickers hides neither an oven that does not answer nor a relay that sticks."""

from __future__ import annotations

import pytest

from controller.core.facts import NEVER
from controller.core.watch_oven import FLICKER_S, FULL_FOR_S
from controller.model import FITTED_OVEN_LIMIT, Start, Temper
from controller.sim.shop import FULL_KIT
from tests.core.rig import Rig, limits, program
from tests.core.test_watch import Oven


def told_s(
    oven: Oven, lost_every: int, *, k_per_s: float = 0.0, lost_k: float = 0.0, seconds: int = 600, from_c: float = 60.0
) -> int | None:
    """When an oven at full heat is said not to rise. Every so many seconds one is without heat, and costs lost_k."""
    reading_c = from_c
    for at in range(1, seconds + 1):
        lost = lost_every > 0 and at % lost_every == 0
        reading_c += -lost_k if lost else k_per_s
        oven.second(reading_c, asked=0.0 if lost else 1.0, target_c=from_c + 140.0)
        if oven.facts.oven_no_rise_k >= 0.0:
            return at
    return None


@pytest.mark.parametrize(("lost_every", "seconds"), [(0, 121), (100, 121), (50, 121), (41, 121)])
def test_an_oven_that_does_not_answer_is_told_though_a_second_is_lost_now_and_then(
    lost_every: int, seconds: int
) -> None:
    assert told_s(Oven(), lost_every) == seconds
    assert told_s(Oven(door_fitted=True), lost_every) == seconds


@pytest.mark.parametrize(("lost_every", "seconds"), [(FULL_FOR_S // (FLICKER_S + 1), 196), (10, 205), (5, 222)])
def test_with_more_seconds_lost_than_that_it_is_told_by_what_the_slowest_would_do(
    lost_every: int, seconds: int
) -> None:
    assert told_s(Oven(), lost_every) == seconds
    assert told_s(Oven(door_fitted=True), lost_every) == seconds


@pytest.mark.parametrize("lost_every", [100, 50, 41])
def test_a_weak_oven_that_loses_heat_in_those_seconds_is_no_dead_one(lost_every: int) -> None:
    """3 K in 2 min are asked of it; two seconds without heat cost a shut oven 0.8 K. So weak it is only hot: at 60 °C
    the slowest of the study rises five times as fast."""
    assert told_s(Oven(), lost_every, k_per_s=0.026, lost_k=0.8, from_c=200.0) is None


def test_seconds_before_the_heat_are_no_flicker() -> None:
    oven = Oven()
    for _ in range(60):
        oven.second(60.0, target_c=200.0)
    assert told_s(oven, 0) == 121


def test_a_door_that_its_switch_saw_open_is_no_flicker() -> None:
    """Its heat is taken off for those seconds, and the air is to come back first."""
    oven = Oven(door_fitted=True)
    for at in range(1, 240):
        oven.facts.door_open = float(60 <= at < 64)
        oven.second(60.0, asked=0.0 if 60 <= at < 64 else 1.0, target_c=200.0)
        assert (oven.facts.oven_no_rise_k == NEVER) == (at < 64 + FULL_FOR_S), at


@pytest.mark.parametrize("phase", range(4))
def test_a_probe_above_everything_is_told_though_its_wire_flickers(phase: int) -> None:
    """The only sensor is out of the oven, and gives one bad sample every 50 s."""
    rig = Rig(limits(cutout="manual reset thermostat"), fitted=FULL_KIT & ~FITTED_OVEN_LIMIT, part_sensor=False)
    rig.shop.fault("oven_probe_out")
    rig.arm()
    rig.tick(Start(program(Temper(200.0, 3600.0)), rig.load))
    for at in range(200 * 4):
        rig.shop.fault("oven_sensor_open", at % 200 == phase + 40)
        rig.tick()
        if rig.tripped():
            break
    assert rig.tripped() == ["oven_no_rise"]
    assert rig.now_s < 150.0


@pytest.mark.parametrize("door_fitted", [True, False])
def test_a_reading_that_falls_fast_behind_a_door_that_is_known_to_be_shut_excuses_nothing(door_fitted: bool) -> None:
    oven = Oven(door_fitted=door_fitted)
    for at in range(400):
        oven.second(180.0 if at == 300 else 200.0, asked=0.3, target_c=205.0)
    assert oven.watch.opened_lately() is not door_fitted
    oven.facts.door_open = 1.0
    oven.second(200.0, target_c=205.0)
    assert oven.watch.opened_lately()
