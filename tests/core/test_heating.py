"""The loops: simple-pid as we drive it against an independent discrete PID, and what it must never do."""

from __future__ import annotations

import random
from math import inf, nan

import pytest

from controller.core import heating
from controller.core.heating import Loop, PartLoop, oven_loop, tank_loop


def test_the_loop_equals_an_independent_discrete_pi_with_clamped_integral() -> None:
    seed = random.randrange(2**32)
    print("seed", seed)
    rng = random.Random(seed)
    gain, integral_s, target_c = 0.02, 150.0, 200.0
    loop = Loop(gain, integral_s, 1000.0, 0.0)
    integral, measured_c = 0.0, 190.0
    for _ in range(500):
        measured_c += rng.uniform(-1.5, 1.5)
        dt_s = rng.choice((0.25, 0.25, 0.5, 1.0))
        error = target_c - measured_c
        # Textbook discrete PI (rectangle rule), the integral kept within the output's range.
        integral = min(1.0, max(0.0, integral + gain / integral_s * error * dt_s))
        expected = min(1.0, max(0.0, gain * error + integral))
        assert loop.step(target_c, measured_c, dt_s) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("wrong", [nan, inf, -inf, 1e12])
def test_a_number_that_is_none_gives_no_duty_and_poisons_nothing(wrong: float) -> None:
    loop = oven_loop()
    loop.step(205.0, 200.0, 0.25)
    assert loop.step(205.0, wrong, 0.25) == 0.0
    assert loop.step(wrong, 200.0, 0.25) == 0.0
    assert loop.step(205.0, 200.0, wrong) == 0.0
    assert 0.0 < loop.step(205.0, 200.0, 0.25) <= 1.0


def test_a_time_step_of_nothing_gives_no_duty() -> None:
    assert oven_loop().step(205.0, 200.0, 0.0) == 0.0


def test_far_below_is_full_power_and_far_above_none() -> None:
    for loop, band_k in ((oven_loop(), heating.OVEN_BAND_K), (tank_loop(), heating.TANK_BAND_K)):
        assert loop.step(205.0, 205.0 - band_k - 1.0, 0.25) == 1.0
        assert loop.step(205.0, 205.0 + band_k + 1.0, 0.25) == 0.0


def test_the_integral_does_not_wind_up_while_heat_is_withheld() -> None:
    loop, untouched = oven_loop(), oven_loop()
    for one in (loop, untouched):
        one.step(205.0, 100.0, 0.25)
    untouched.withheld()
    for _ in range(4000):
        loop.withheld()
    assert loop.step(205.0, 200.0, 0.25) == pytest.approx(untouched.step(205.0, 200.0, 0.25))


def test_the_air_loop_takes_the_heat_back_before_a_slow_reading_is_there() -> None:
    """Air that rises at 1.5 K/s, its reading 25 s late: full power ends while the air itself is under its target."""
    loop = oven_loop()
    air_c = reading_c = 40.0
    while loop.step(217.0, reading_c, 1.0) >= 1.0:
        air_c += 1.5
        reading_c += (air_c - reading_c) / 25.0
        assert air_c < 217.0
    assert air_c > 180.0, "nor does it creep there"


def test_what_was_before_a_pause_says_nothing_about_where_the_reading_is_going() -> None:
    loop, fresh = oven_loop(), oven_loop()
    for second in range(60):
        loop.step(217.0, 60.0 + 1.5 * second, 1.0)
    loop.withheld()
    assert loop.step(217.0, 120.0, 1.0) == fresh.step(217.0, 120.0, 1.0) == 1.0
    assert loop.step(217.0, 215.0, 1.0) == fresh.step(217.0, 215.0, 1.0)


def test_the_air_target_stays_between_its_floor_and_the_boost() -> None:
    loop = PartLoop()
    assert loop.step(205.0, 20.0, 12.0, 1.0) == 217.0
    loop.withheld()
    assert loop.step(205.0, 260.0, 12.0, 1.0) == 205.0 - heating.PART_BELOW_K
    loop.withheld()
    for _ in range(20000):
        target_c = loop.step(205.0, 202.0, 12.0, 1.0)
    assert target_c == 217.0, "the integral ends at the boost"
    loop.withheld()
    assert loop.step(205.0, 204.0, 0.0, 1.0) == 205.0, "without a boost the air never goes above the setpoint"


def test_steel_that_comes_fast_is_met_with_cooler_air() -> None:
    slow, fast = PartLoop(), PartLoop()
    for second in range(120):
        at_slow = slow.step(205.0, 198.0 + 0.001 * second, 12.0, 1.0)
        at_fast = fast.step(205.0, 186.0 + 0.1 * second, 12.0, 1.0)
    assert at_fast < at_slow
