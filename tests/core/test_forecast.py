"""The forecast before a start: the same code that refuses a run of more than 11 h."""

from __future__ import annotations

from math import log, nan

import pytest

from controller.core.estimate import lag_s
from controller.core.forecast import forecast
from controller.model import LoadItem, Program, Start, Temper
from tests.core.rig import Rig, limits, program

BAR = (LoadItem(0.3, 20.0),)


def test_air_climbs_then_the_steel_lags_behind_it() -> None:
    told = forecast(program(Temper(205.0, 3600.0)), BAR, limits(), None)
    # First order: 185 K shrink to the 5 K of the band in lag x ln(185 / 5), after the air's 185 K at 0.6 K/s.
    by_hand_s = 185.0 / 0.6 + lag_s(205.0, 20.0) * log(185.0 / 5.0)
    assert told.soak_in_s == pytest.approx(by_hand_s)
    assert told.ends_in_s == pytest.approx(by_hand_s + 3600.0)
    assert told.soak_error_s == pytest.approx(0.25 * by_hand_s)
    assert told.ends_error_s == pytest.approx(told.soak_error_s)
    assert not told.too_long


def test_a_sensor_on_the_steel_allows_a_boost_and_starts_where_the_steel_is() -> None:
    cold = forecast(program(), BAR, limits(), None)
    assert forecast(program(), BAR, limits(), 20.0).soak_in_s < cold.soak_in_s
    assert forecast(program(), BAR, limits(), 204.0).soak_in_s < 60.0


def test_a_ramp_a_cool_and_a_second_soak_are_counted() -> None:
    ramped = Temper(120.0, 600.0, ramp_c_per_h=100.0, cool_below_c=70.0)
    assert forecast(program(ramped), BAR, limits(), None).soak_in_s == pytest.approx(3600.0)
    both = forecast(program(ramped, ramped), BAR, limits(), None)
    assert both.ends_in_s == pytest.approx(3600.0 + 600.0 + 45 * 60.0 + 1800.0 + 600.0)
    assert both.ends_error_s == pytest.approx(0.25 * 5400.0 + 0.6 * 45 * 60.0)


@pytest.mark.parametrize("hours", [9.0, 10.5, 11.1])
def test_what_is_foretold_as_too_long_is_what_a_start_refuses(hours: float) -> None:
    long = program(Temper(205.0, hours * 3600.0))
    rig = Rig(load=BAR, part_sensor=False)
    rig.arm()
    told = rig.core.oven.forecast(long, BAR, None)
    assert told is not None
    rig.tick(Start(long, BAR))
    assert (rig.refusal() == ["too_long"]) == told.too_long == (told.ends_in_s > 11 * 3600.0)


@pytest.mark.parametrize(
    ("asked", "load"),
    [
        (Program("none", ()), BAR),
        (program(*[Temper(205.0, 60.0)] * 7), BAR),
        (program(Temper(nan, 60.0)), BAR),
        (program(Temper(205.0, nan)), BAR),
        (program(), (LoadItem(nan, 20.0),)),
        (program(), (LoadItem(0.3, 0.0),)),
    ],
)
def test_numbers_that_cannot_be_give_no_forecast(asked: Program, load: tuple[LoadItem, ...]) -> None:
    assert Rig().core.oven.forecast(asked, load, None) is None


def test_a_shop_without_an_oven_gives_none() -> None:
    assert Rig(limits(oven=False)).core.oven.forecast(program(), BAR, None) is None


def test_the_foretold_soak_begins_within_its_error() -> None:
    """Seed 0 is the typical oven; the share of drawn ovens that stay within is in `core/forecast.py`."""
    for part_sensor in (True, False):
        rig = Rig(load=BAR, part_sensor=part_sensor)
        rig.arm()
        told = rig.core.oven.forecast(program(), BAR, 20.0 if part_sensor else None)
        assert told is not None
        rig.tick(Start(program(), BAR))
        began_s = rig.now_s
        rig.run(2 * 3600.0, lambda rig=rig: rig.phase() == "soak")
        assert abs(rig.now_s - began_s - told.soak_in_s) <= told.soak_error_s
