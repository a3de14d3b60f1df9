"""Falling while heating: what is a sensor that lies outside, and what is heat that has just come back."""

from __future__ import annotations

from math import exp, nan

import pytest

from tests.core.test_watch import Oven


def shut(oven: Oven) -> Oven:
    oven.facts.door_open = 0.0
    oven.watch.door_shut_s = 1e9
    return oven


def test_a_slow_reading_that_is_turned_by_the_heat_has_not_fallen_out() -> None:
    """Off for a while, then on: it falls on behind the air, less and less (a drawn oven: 1.1 K in the last 10 s)."""
    oven = shut(Oven(door_fitted=True))
    for _ in range(60):
        oven.second(204.0, target_c=240.0)
    for at_s in range(90):
        reading_c = 194.0 + 10.0 * exp(-at_s / 12.0) + max(0.0, 0.4 * (at_s - 40))
        oven.second(reading_c, asked=0.9, target_c=240.0)
    assert oven.worst["oven_fall_k"] < 5.0


@pytest.mark.parametrize(("above_k", "slow_s"), [(180.0, 10.0), (180.0, 60.0), (45.0, 60.0), (45.0, 120.0)])
def test_a_sensor_that_falls_out_is_told_31_s_later(above_k: float, slow_s: float) -> None:
    """Of first order, to 20 °C: a bare junction in air has some 10 s, a sheathed one 60 to 120 (from memory)."""
    oven = shut(Oven(door_fitted=True))
    for _ in range(60):
        oven.second(20.0 + above_k, asked=0.9, target_c=240.0)
    told_s = None
    for at_s in range(1, 120):
        oven.second(20.0 + above_k * exp(-at_s / slow_s), asked=0.9, target_c=240.0)
        if told_s is None and oven.facts.oven_fall_k >= 5.0:
            told_s = at_s
    assert told_s is not None
    assert told_s <= 31


def test_reversed_wires_are_told_as_soon_as_the_row_says() -> None:
    """The reading falls as the air rises, faster and faster."""
    oven = shut(Oven(door_fitted=True))
    for at_s in range(60):
        oven.second(20.0 - 0.005 * at_s * at_s, asked=1.0, target_c=240.0)
        if oven.facts.oven_fall_k >= 5.0:
            break
    assert at_s == 32, "the first at which 0.005 (t^2 - (t - 30)^2) is 5 K"


@pytest.mark.parametrize("bad_at_s", [None, 3])
def test_a_door_that_was_open_and_is_shut_again_is_not_asked_about(bad_at_s: int | None) -> None:
    """Held at nearly full duty by weak mains; no door switch: the reading is back but for 6 K, and rising slowly."""
    oven = Oven()
    for _ in range(130):
        oven.second(252.0, asked=0.57, target_c=258.0)
    for at_s, reading_c in enumerate((190.0, 143.0, 150.0, 180.0, 205.0, 220.0, 230.0, 240.0, 244.0)):
        oven.second(nan if at_s == bad_at_s else reading_c, asked=1.0, target_c=258.0)
    for at_s in range(100):
        oven.second(min(246.5, 245.0 + 0.02 * at_s), asked=0.7, target_c=258.0)
        assert oven.facts.oven_fall_asked == 0.0
    assert oven.facts.oven_fall_unanswered == 0.0


def test_a_door_that_stands_open_is_asked_about_from_its_lowest_reading_on() -> None:
    oven = Oven()
    for _ in range(130):
        oven.second(252.0, asked=0.57, target_c=258.0)
    asked_at_s = None
    for at_s in range(90):
        oven.second(252.0 - 0.5 * at_s, asked=1.0, target_c=258.0)
        if asked_at_s is None and oven.facts.oven_fall_asked:
            asked_at_s = at_s
    assert asked_at_s is not None
    assert asked_at_s <= 11
    low_c = oven.facts.oven_c
    for rise_k in (1.0, 2.0, 2.9):
        oven.second(low_c + rise_k, target_c=258.0)
        assert oven.facts.oven_fall_asked == 1.0
    oven.second(low_c + 3.0, target_c=258.0)
    assert oven.facts.oven_fall_asked == 0.0


@pytest.mark.parametrize(("above_k", "slow_s"), [(185.0, 1.0), (185.0, 3.0), (45.0, 2.0), (45.0, 5.0), (100.0, 5.0)])
def test_a_fast_sensor_that_falls_out_of_an_oven_held_with_little_heat_is_told_in_half_a_minute(
    above_k: float, slow_s: float
) -> None:
    """Its fall is over before the heat that it is answered with has lasted as long as the row wants."""
    oven = shut(Oven(door_fitted=True))
    for _ in range(60):
        oven.second(20.0 + above_k, asked=0.3, target_c=20.0 + above_k)
    told_s = None
    for at_s in range(1, 60):
        oven.second(20.0 + above_k * exp(-at_s / slow_s), asked=1.0, target_c=20.0 + above_k)
        if told_s is None and oven.facts.oven_fall_k >= 5.0:
            told_s = at_s
    assert told_s is not None
    assert told_s <= 31


@pytest.mark.parametrize("creeps_k_per_s", [0.0, 0.07])
def test_a_door_that_stands_open_is_asked_about_and_is_no_dead_element(creeps_k_per_s: float) -> None:
    """Under full heat an open oven creeps up from its lowest; drawn ones stand at 70 to 85 °C. The question takes the
    heat off."""
    oven = Oven()
    for _ in range(320):
        oven.second(205.0, asked=0.3, target_c=205.0)
    asked_at_s = None
    for at_s in range(180):
        heat = 1.0 if asked_at_s is None else 0.0
        oven.second(max(205.0 - 30.0 * at_s, 75.0 + creeps_k_per_s * min(at_s, 122)), asked=heat, target_c=205.0)
        if asked_at_s is None and oven.facts.oven_fall_asked:
            asked_at_s = at_s
        assert oven.facts.oven_no_rise_k < 0.0, at_s
    assert asked_at_s is not None
    assert asked_at_s <= 122


@pytest.mark.parametrize("holds", [1, 2, 5])
def test_however_often_reset_is_held_the_door_of_a_fallen_oven_may_be_shut(holds: int) -> None:
    oven = Oven()
    for _ in range(320):
        oven.second(205.0, asked=0.3, target_c=205.0)
    for at_s in range(240):
        asked = 0.0 if oven.worst.get("oven_fall_asked", 0.0) else 1.0
        oven.second(max(205.0 - 30.0 * at_s, 75.0), asked=asked, target_c=205.0)
    for _ in range(holds):
        oven.second(75.0)
        oven.watch.reset()
    for at_s in range(220):
        oven.second(min(75.0 + 5.0 * max(0, at_s - 100), 195.0))
    assert oven.facts.oven_rising_off_k < 5.0


@pytest.mark.parametrize("door_fitted", [False, True])
def test_a_dip_that_the_heat_fills_again_is_no_dead_element(door_fitted: bool) -> None:
    """A slow sensor, a door open for 20 s, full heat since: after two minutes it reads what it read on its way down."""
    oven = shut(Oven(door_fitted=door_fitted))
    for _ in range(130):
        oven.second(250.0, asked=0.3, target_c=270.0)
    for at_s in range(200):
        fallen_c = 250.0 - 5.0 * min(at_s, 21)
        reading_c = fallen_c if at_s <= 21 else 145.0 + 90.0 * (1.0 - exp(-(at_s - 21) / 35.0))
        oven.second(reading_c, asked=1.0, target_c=270.0)
        assert oven.facts.oven_no_rise_k < 0.0, at_s
    for _ in range(130):
        oven.second(reading_c, asked=1.0, target_c=270.0)
    assert oven.facts.oven_no_rise_k >= 0.0, "and once it stands still it is told as ever"
