"""Limits in their order, and the figures they come from."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import limits as limits_module
from controller.thermocouple import true_c
from tests.core.rig import CANOLA, limits


def test_margins_are_differences() -> None:
    # 29 CFR 1910.126(a)(2): 50 °F below the flash point; as a difference 27.78 K (published).
    assert limits_module.ALARM_BELOW_FLASH_K >= 50.0 / 1.8 - 0.005
    # 100 °F as a difference 55.56 K (common practice).
    assert limits_module.DESIGN_BELOW_FLASH_K >= 100.0 / 1.8 - 0.005


def test_a_vegetable_oil_is_bounded_by_water_not_by_its_flash_point() -> None:
    found = limits()
    assert found.tank_limit_c == 90.0
    assert found.oil_trip_c == 110.0
    assert found.oil_ceiling_c == 65.0


def test_a_low_flash_point_lowers_every_limit_in_order() -> None:
    found = limits(oil=replace(CANOLA, flash_low_c=135.0))
    assert found.oil_trip_c == pytest.approx(135.0 - 27.8 - 10.0)
    assert found.oil_ceiling_c is not None
    assert found.oil_ceiling_c <= 135.0 - 55.6 - 10.0
    highest_c = found.bath_max_c()
    assert highest_c is not None
    assert found.tank_limit_c is not None
    assert highest_c <= found.tank_limit_c <= found.oil_trip_c


def test_high_ground_lowers_the_tank_limit_with_the_boiling_point() -> None:
    # 2,000 m: water boils at 93.32 °C (IAPWS-95 with the standard atmosphere).
    assert limits(altitude_m=2000.0).tank_limit_c == pytest.approx(93.32 - 5.0, abs=0.1)


@pytest.mark.parametrize("kind", ["motor", "transmission", "used"])
def test_oils_that_are_never_heated(kind: str) -> None:
    found = limits(oil=replace(CANOLA, kind=kind))
    assert found.oil is None
    assert found.for_board(31855).tank_off is None
    assert "not heated" in found.oil_refusal


def test_an_oil_without_a_flash_point_or_with_too_low_a_one_is_refused_with_the_reason() -> None:
    assert "safety data sheet" in limits(oil=replace(CANOLA, flash_low_c=None)).oil_refusal
    assert "flashes too low" in limits(oil=replace(CANOLA, flash_low_c=80.0)).oil_refusal


def test_the_boost_is_lowered_where_it_does_not_fit() -> None:
    found = limits(limit_c=280.0)
    assert found.boost_c(205.0) == 12.0
    assert found.boost_c(260.0) == 5.0
    assert found.boost_c(270.0) < 0.0


@pytest.mark.parametrize("chip", [31855, 31856, 6675])
def test_the_board_never_gets_a_limit_above_the_shops(chip: int) -> None:
    sent = limits().for_board(chip)
    assert sent.oven_trip is not None
    for cold_c in (10.0, 25.0, 60.0):
        assert true_c(chip, "K", sent.oven_trip / 100.0, cold_c) <= 300.0 + 0.01
    assert true_c(chip, "K", sent.oven_trip / 100.0, 10.0) > 299.9


def test_oil_that_may_not_be_heated_is_still_watched() -> None:
    for oil in (None, replace(CANOLA, kind="motor"), replace(CANOLA, flash_low_c=None)):
        found = limits(oil=oil)
        assert found.oil_trip_c == 110.0
        assert found.tank_limit_c == 90.0
    found = limits(oil=replace(CANOLA, flash_low_c=90.0))
    assert found.oil is None
    assert found.oil_trip_c == pytest.approx(90.0 - 27.8 - 10.0)
    assert limits(tank=False).oil_trip_c is None


@pytest.mark.parametrize("chip", [31855, 31856, 6675])
def test_no_limit_is_sent_that_the_board_would_refuse(chip: int) -> None:
    """An oil trip of 110 °C is 110.29 °C on a MAX6675's scale: more than the board's constant, 110.00 °C."""
    sent = limits().for_board(chip)
    assert sent.tank_trip is not None
    assert sent.tank_trip <= 11_000
    lower = limits().for_board(chip, oven_flash=28_000, tank_flash=8_500)
    assert lower == (28_000, 8_500, 8_500)


def test_an_oven_limit_above_300_is_refused_with_the_reason() -> None:
    with pytest.raises(limits_module.LimitsError, match="highest allowed is 300 °C") as told:
        limits(limit_c=300.5)
    assert [reason.code for reason in told.value.reasons] == ["oven_limit_high"]
    assert limits(limit_c=300.0).oven_limit_c == 300.0


def test_without_an_oil_there_is_no_bath_and_nothing_to_warm() -> None:
    found = limits(oil=None)
    assert (found.bath_target_c(), found.bath_max_c(), found.oil_heat_j_per_k()) == (None, None, 0.0)
    # 10 l of 0.915 kg/l and 2.0 kJ/(kg K); the middle of 40 to 65 °C, rounded to even.
    assert limits().oil_heat_j_per_k() == pytest.approx(18_300.0)
    assert limits().bath_target_c() == 52.0


@pytest.mark.parametrize(("condition", "says"), [("used", "new oil"), ("wet", "water")])
def test_used_or_wet_oil_is_not_heated_whatever_its_kind(condition: str, says: str) -> None:
    found = limits(oil=replace(CANOLA, condition=condition))
    assert found.oil is None
    assert says in found.oil_refusal


def test_one_sensor_alone_is_trusted_less_high() -> None:
    assert (limits().setpoint_max_c(True), limits().setpoint_max_c(False)) == (230.0, 260.0)


def test_a_board_that_cannot_read_the_thermocouples_gets_no_limits_and_so_gives_no_heat() -> None:
    assert replace(limits(), tank_kind="J").for_board(6675) == (None, None, None)
    unwanted = replace(limits(), tank_kind="J", tank=False)
    assert unwanted.for_board(6675).oven_trip is not None, "a zone that is not wanted does not matter"
