"""Every limit against a figure worked out by hand, for shops with one zone, another oil, another thermocouple."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from controller.core.limits import Limits, LimitsError, derive, oil_refusal
from controller.model import Oil, Reason
from tests.core.rig import CANOLA, limits

OVEN = {"limit_c": 290.0, "boost_cap_c": 8.0, "independent_cutout": "", "thermocouple": "J", "heater_w": 1350.0}
TANK = {"thermocouple": "N", "heater_w": 900.0, "volume_l": 8.0}


def shop(oven: dict[str, Any] | None, tank: dict[str, Any] | None, *, shared: bool = True) -> Limits:
    """Limits of a shop with these parts, at sea level."""
    return derive(
        SimpleNamespace(
            units="F", altitude_m=0.0, circuit=SimpleNamespace(shared=shared),
            oven=SimpleNamespace(**oven) if oven else None, tank=SimpleNamespace(**tank) if tank else None,
        ),  # type: ignore[arg-type]
        CANOLA if tank else None,
    )  # fmt: skip


def test_what_the_shop_file_says_is_handed_on() -> None:
    found = shop(OVEN, TANK)
    assert (found.units, found.shared_circuit) == ("F", True)
    assert (found.oven, found.oven_kind, found.oven_heater_w, found.boost_cap_c) == (True, "J", 1350.0, 8.0)
    assert (found.tank, found.tank_kind, found.tank_heater_w, found.tank_volume_l) == (True, "N", 900.0, 8.0)
    assert found.oven_limit_c == 290.0
    assert found.independent_cutout is False
    assert shop({**OVEN, "independent_cutout": "at 320 °C"}, TANK).independent_cutout is True
    assert shop(OVEN, TANK, shared=False).shared_circuit is False


def test_a_shop_without_an_oven_or_without_a_tank_has_none_of_its_figures() -> None:
    found = shop(None, TANK)
    assert (found.oven, found.oven_kind, found.oven_heater_w, found.oven_limit_c) == (False, "K", 0.0, 0.0)
    assert (found.boost_cap_c, found.independent_cutout) == (0.0, False)
    assert found.for_board(31855)[0] is None
    found = shop(OVEN, None)
    assert (found.tank, found.tank_kind, found.tank_heater_w, found.tank_volume_l) == (False, "K", 0.0, 0.0)
    assert (found.oil_refusal, found.tank_limit_c, found.oil_trip_c, found.boil_over_c) == ("", None, None, None)
    assert found.for_board(31855)[1:] == (None, None)


def test_water_in_the_oil_is_warned_of_ten_kelvin_below_its_boiling_point() -> None:
    # 99.97 °C at 101.325 kPa (IAPWS-95).
    assert limits().boil_over_c == pytest.approx(99.974 - 10.0, abs=0.01)


@pytest.mark.parametrize(
    ("flash_c", "bath_max_c", "ceiling_c"),
    [
        (290.0, 65.0, 65.0),  # the oil's own range
        (290.0, 120.0, 90.0),  # the tank's limit: boiling water less 5 K, or 90 °C
        (125.0, 65.0, 125.0 - 55.6 - 10.0),  # 100 °F below the flash point and the sensors' 10 K
    ],
)
def test_the_baths_ceiling_is_the_lowest_of_four_and_the_bath_stays_5_k_below(
    flash_c: float, bath_max_c: float, ceiling_c: float
) -> None:
    found = limits(oil=replace(CANOLA, flash_low_c=flash_c, bath_max_c=bath_max_c))
    assert found.oil_ceiling_c == pytest.approx(ceiling_c)
    assert found.bath_max_c() == pytest.approx(ceiling_c - 5.0)
    middle_c = round((40.0 + bath_max_c) / 2)
    assert found.bath_target_c() == pytest.approx(min(middle_c, ceiling_c - 5.0))


def test_the_target_of_an_oil_with_a_low_ceiling_is_5_k_below_it() -> None:
    # Middle of 40 to 65: 52; the ceiling with this flash point is 54.4, so 49.4.
    assert limits(oil=replace(CANOLA, flash_low_c=120.0)).bath_target_c() == pytest.approx(49.4)


def test_half_an_oil_has_no_target() -> None:
    found = limits()
    assert replace(found, oil=None).bath_target_c() is None
    assert replace(found, oil_ceiling_c=None).bath_target_c() is None


def test_the_range_must_begin_5_k_below_the_ceiling() -> None:
    # Flash 115: ceiling 49.4, the highest bath 44.4.
    just = replace(CANOLA, flash_low_c=115.0)
    assert limits(oil=replace(just, bath_min_c=44.39)).oil_refusal == ""
    assert "flashes too low (115 °C)" in limits(oil=replace(just, bath_min_c=44.41)).oil_refusal
    assert "flashes too low" in limits(oil=replace(just, bath_min_c=50.0)).oil_refusal


def test_an_oil_that_just_has_its_margins_is_heated() -> None:
    assert 100.0 - 55.6 - 10.0 - 5.0 == 29.4
    assert limits(oil=replace(CANOLA, flash_low_c=100.0, bath_min_c=29.4)).oil_refusal == ""
    # The lowest alarm that is allowed, 45 °C: 82.8 less 50 °F less 10 K.
    assert 82.8 - 27.8 - 10.0 == 45.0
    assert limits(oil=replace(CANOLA, flash_low_c=82.8, bath_min_c=5.0)).oil_refusal == ""
    assert limits(oil=replace(CANOLA, flash_low_c=82.7, bath_min_c=5.0)).oil_refusal != ""


def test_what_has_no_limit_sends_none() -> None:
    assert replace(limits(), tank_limit_c=None).for_board(31855).tank_off is None
    assert replace(limits(), oil_trip_c=None).for_board(31855).tank_trip is None


def test_the_flash_point_of_a_constant_of_the_board_is_no_limit_of_its_own() -> None:
    # A shop limit of 300 °C on a MAX31855's scale is far below the board's own constants (310 and 110 °C).
    highest = limits().for_board(31855, 10**6, 10**6)
    assert limits().for_board(31855) == (highest[0], highest[1], min(11_000, highest[2] or 0))
    assert replace(limits(), oven_limit_c=400.0).for_board(31855)[0] == 31_000


@pytest.mark.parametrize("label", ["", "Old tin"])
def test_each_refusal_names_the_oil_and_what_would_be_right(label: str) -> None:
    name = label or "canola"
    oil = replace(CANOLA, label=label)
    cases: list[tuple[Oil | None, str, str]] = [
        (None, "No oil is named in the shop file, so the tank is not heated.", "Name one under [tank] oil."),
        (replace(oil, kind="motor"), f"{name} is not heated: its flash point", "additives give toxic fume. Use a"),
        (replace(oil, condition="wet"), f"{name} is wet, so it is not heated", "."),
        (replace(oil, flash_low_c=None), f"The flash point of {name} is not known, so the tank is not heated. Enter",
         "Enter flash_point_c from the oil's safety data sheet."),
    ]  # fmt: skip
    for refused, begins, ends in cases:
        text = oil_refusal(refused)
        assert text.startswith(begins)
        assert ends in text
        assert "XX" not in text
    text = limits(oil=replace(oil, flash_low_c=80.0)).oil_refusal
    assert text.startswith(f"{name} flashes too low (80 °C) to be warmed to its bath range with the margins the")
    assert text.endswith("trade's codes ask for. Use an oil with a higher flash point.")


def test_several_reasons_are_one_sentence_after_another() -> None:
    assert str(LimitsError([Reason("a", "One."), Reason("b", "Two.")])) == "One. Two."
