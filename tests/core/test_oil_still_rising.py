"""Oil that goes on rising after a quench, and quenches that only look like it."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, nan
from random import Random

import pytest

from controller.core.facts import NEVER, Facts
from controller.core.watch_tank import TankWatch
from controller.model import Preheat, Quench
from tests.core.rig import Rig
from tests.study import normal

STEP_K = 8.0


def acts_at_s(oil_c: Callable[[float], float], until_s: int = 590) -> int | None:
    """When the watch first calls it a fire, s after the quench at 0; `oil_c`: the rise over 50 °C, K, s after it."""
    watch, facts = TankWatch(13_000.0, 1000.0), Facts()
    for name in Facts.__slots__:
        setattr(facts, name, NEVER)
    for at_s in range(-601, until_s):
        facts.tank_c = facts.tank_limit_c = facts.tank_max_c = 50.0 + (oil_c(at_s) if at_s >= 0 else 0.0)
        watch.second(facts, 0.0, False, 90.0)
        if facts.oil_still_rising >= 0.0:
            return at_s
    return None


def quench(rise_k: float, lag_s: float, at_s: float) -> float:
    """The reading's share of one quench: steel and sensor hand on its heat one after the other, each within `lag_s`."""
    x = max(0.0, at_s) / lag_s
    return rise_k * (1.0 - (1.0 + x) * exp(-x))


@pytest.mark.parametrize("k_per_min", [10.5, 12.0, 15.0, 18.0, 20.0, 30.0, 60.0])
def test_a_fire_is_told_90_s_after_the_step_however_fast_it_is(k_per_min: float) -> None:
    """From 18 K a minute on it rises by 3 K in 10 s for as long as it burns: that is not a new step each minute."""
    at_s = acts_at_s(lambda s: quench(STEP_K, 4.0, s) + k_per_min / 60.0 * s)
    assert at_s is not None
    assert 90 <= at_s <= 100


@pytest.mark.parametrize("k_per_min", [0.0, 5.0, 8.0])
def test_oil_that_settles_or_is_warmed_after_a_quench_is_no_fire(k_per_min: float) -> None:
    assert acts_at_s(lambda s: quench(STEP_K, 4.0, s) + k_per_min / 60.0 * s) is None


@pytest.mark.parametrize("began_s", [100.0, 200.0, 400.0])
def test_a_fire_that_begins_later_is_told_within_two_minutes(began_s: float) -> None:
    at_s = acts_at_s(lambda s: quench(STEP_K, 4.0, s) + 12.0 / 60.0 * max(0.0, s - began_s))
    assert at_s is not None
    assert at_s - began_s <= 120.0


@pytest.mark.parametrize(("rise_k", "lag_s"), [(11.0, 20.0), (12.0, 20.0), (15.0, 20.0), (16.0, 25.0)])
@pytest.mark.parametrize("second_s", [120.0, 300.0, 500.0])
def test_a_second_quench_too_slow_to_be_a_step_is_no_fire(rise_k: float, lag_s: float, second_s: float) -> None:
    def oil_c(at_s: float) -> float:
        return quench(STEP_K, 4.0, at_s) + quench(rise_k, lag_s, at_s - second_s)

    slow = max(oil_c(s + 10.0) - oil_c(s) for s in range(int(second_s), int(second_s) + 90))
    assert slow < 3.0, "this one would be a step"
    assert acts_at_s(oil_c) is None


def test_a_reading_that_is_missing_now_and_then_puts_the_alarm_off_by_no_more_than_it_is_missing() -> None:
    at_s = acts_at_s(lambda s: nan if s % 45 == 44 else quench(STEP_K, 4.0, s) + 0.25 * s)
    assert at_s is not None
    assert 90 <= at_s <= 120


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("k_per_min", [12.0, 16.0])
def test_a_fire_under_a_noisy_reading_is_one_step_and_told(k_per_min: float, seed: int) -> None:
    """0.4 K of plumes on a chip of quarter degrees: without them a step ended each minute, and another one began."""
    rng = Random(f"noisy fire {seed}")
    noise = [rng.gauss(0.0, 0.4) for _ in range(601)]
    at_s = acts_at_s(lambda s: round(4.0 * (quench(6.0, 2.0, s) + k_per_min / 60.0 * s + noise[s])) / 4.0)
    print(seed, at_s)
    assert at_s is not None
    assert at_s <= 150


@pytest.mark.parametrize("second_s", [40.0, 50.0, 65.0])
def test_two_quenches_within_a_minute_or_so_are_no_fire(second_s: float) -> None:
    assert acts_at_s(lambda s: quench(11.0, 4.0, s) + quench(11.0, 4.0, s - second_s)) is None


@pytest.mark.parametrize("stray_w", [4000.0, 8000.0, 16_000.0])
def test_burning_oil_in_a_typical_tank_is_told(stray_w: float) -> None:
    rig = Rig(load=(), tank_c=45.0)
    rig.arm()
    rig.tick(Preheat(50.0))
    rig.run(700.0)
    rig.shop.tank.quench(0.3, 845.0, 8.0)
    rig.shop.tank.stray_w = stray_w
    begun_s = rig.now_s
    rig.run(150.0, rig.core.interlocks.fire)
    print(stray_w, "W", rig.now_s - begun_s, "s", rig.core.interlocks.latched, rig.core.facts.tank_max_c)
    assert rig.core.interlocks.fire()
    assert rig.now_s - begun_s <= 130.0


@pytest.mark.parametrize("seed", [3100028, 3200261])
def test_tanks_whose_slow_quenches_once_tripped_do_not(seed: int) -> None:
    """A slow second quench that was called a fire; and one whose mass was taken for the first one's, with a third one
    ten minutes after the first, that were called a stuck relay."""
    used = normal.tank(seed)
    assert used.tripped == ()
    assert used.ended


def noisy(oil_c: Callable[[float], float], seed: int) -> Callable[[float], float]:
    """As a quarter-degree chip shows it with 0.4 K of noise."""
    rng = Random(seed)
    return lambda s: round(4.0 * (oil_c(s) + rng.gauss(0.0, 0.4))) / 4.0


@pytest.mark.parametrize("k_per_min", [10.5, 11.0, 12.0, 15.0])
@pytest.mark.parametrize("seed", range(4))
def test_a_fire_is_told_through_noise_just_over_its_line_as_well(k_per_min: float, seed: int) -> None:
    print("seed", seed)
    at_s = acts_at_s(noisy(lambda s: quench(20.0, 4.0, s) + k_per_min / 60.0 * s, seed))
    assert at_s is not None
    assert at_s <= 180


@pytest.mark.parametrize("k_per_min", [4.0, 6.5, 9.0])
@pytest.mark.parametrize("seed", range(4))
def test_noise_on_an_even_rise_does_not_excuse_a_stuck_relay(k_per_min: float, seed: int) -> None:
    """3 K within 10 s come of noise alone, and a step explains a rise for ten minutes."""
    print("seed", seed)
    watch, facts = TankWatch(18_300.0, 2000.0), Facts()
    for name in Facts.__slots__:
        setattr(facts, name, NEVER)
    oil_c = noisy(lambda s: 50.0 + k_per_min / 60.0 * max(0.0, s), seed)
    for at_s in range(-900, round(40.0 / k_per_min * 60.0)):
        facts.tank_c = facts.tank_max_c = oil_c(at_s)
        watch.second(facts, 0.0, False, 90.0)
        if facts.tank_rising_off_k >= 4.0:
            break
    assert facts.tank_rising_off_k >= 4.0, "told before the limit"


@pytest.mark.parametrize(("kg", "section_mm", "oil_c"), [(1.8, 6.0, 48.0), (2.0, 12.0, 45.0), (1.6, 6.0, 50.0)])
def test_a_heavy_quench_in_a_preheat_that_nobody_declared_is_no_stuck_relay(
    kg: float, section_mm: float, oil_c: float
) -> None:
    """Heat was on as it went in, and the oil is over its limit two minutes from its first step."""
    rig = Rig(tank_c=oil_c)
    rig.arm()
    rig.tick(Preheat(60.0))
    rig.run(20.0)
    rig.shop.tank.quench(kg, 845.0, section_mm)
    limit_c = rig.core.limits.tank_limit_c
    assert limit_c is not None
    rig.run(60.0, lambda: rig.core.facts.tank_max_c >= limit_c)
    assert rig.core.facts.tank_max_c >= limit_c
    rig.run(400.0)
    assert rig.tripped() == []
    assert rig.core.command.tank_duty == 0.0


def test_a_heater_that_holds_the_oil_over_its_limit_trips_two_minutes_after_the_step_of_a_quench() -> None:
    watch, facts = TankWatch(18_300.0, 1000.0), Facts()
    for name in Facts.__slots__:
        setattr(facts, name, NEVER)
    for at_s in range(-60, 300):
        facts.tank_c = facts.tank_max_c = 50.0 + (quench(45.0, 8.0, at_s) if at_s >= 0 else 0.0)
        watch.second(facts, 1.0, True, 90.0)
        if facts.tank_hot_c >= 90.0:
            break
    assert 120 <= at_s <= 180


@pytest.mark.parametrize(("seed", "kg", "oil_c"), [(0, 0.05, 38.0), (0, 0.2, 32.0), (2, 0.1, 40.0)])
def test_a_small_quench_that_was_declared_while_the_oil_is_warmed_is_no_fire(
    seed: int, kg: float, oil_c: float
) -> None:
    """The forecast knows no heater, which alone takes the oil 15 K over it."""
    rig = Rig(seed=seed, tank_c=oil_c)
    rig.arm()
    rig.tick(Preheat(60.0))
    rig.run(60.0)
    rig.shop.tank.quench(kg, 845.0, 8.0)
    rig.tick(Quench(kg, 845.0))
    rig.run(640.0)
    after_c = next(event.data["after_c"] for event in rig.events if event.kind == "quench_declared")
    assert rig.tripped() == []
    assert rig.core.facts.tank_c > after_c + 13.0


def declared_in_a_preheat(from_c: float, after_c: float, k_per_min: float, asked: float = 1.0) -> float | None:
    """How hot oil gets that rises so after a declared quench before it is called a fire, °C; 1 kW in 10 l give 3.3."""
    watch, facts = TankWatch(18_300.0, 1000.0), Facts()
    for name in Facts.__slots__:
        setattr(facts, name, NEVER)
    for at_s in range(-120, 590):
        if at_s == 0:
            watch.declared(after_c)
        facts.tank_c = facts.tank_max_c = from_c + k_per_min / 60.0 * max(0, at_s)
        watch.second(facts, asked, asked > 0.0, 90.0)
        if facts.oil_still_rising >= 0.0:
            return facts.tank_max_c
    return None


@pytest.mark.parametrize(
    ("from_c", "after_c", "k_per_min", "asked", "told_c"),
    [
        pytest.param(40.0, 45.0, 5.0, 0.0, 60.0, id="without heat 15 K over the forecast"),
        pytest.param(40.0, 45.0, 8.3, 1.0, 73.2, id="with heat as much more as it gave in these four minutes"),
        pytest.param(40.0, 45.0, 3.3, 1.0, None, id="the heater alone"),
        pytest.param(55.0, 60.0, 7.3, 1.0, 90.0, id="no further than the oil's limit"),
        pytest.param(60.0, 80.0, 9.0, 1.0, 95.0, id="a forecast over the limit as without heat"),
    ],
)
def test_what_the_heater_gave_explains_a_rise_over_the_forecast_up_to_the_limit(
    from_c: float, after_c: float, k_per_min: float, asked: float, told_c: float | None
) -> None:
    assert declared_in_a_preheat(from_c, after_c, k_per_min, asked) == (told_c and pytest.approx(told_c, abs=1.0))


@pytest.mark.parametrize(("second", "told_c"), [(True, 86.6), (False, 80.0)])
def test_the_heat_given_since_the_first_of_two_quenches_counts_for_the_second(second: bool, told_c: float) -> None:
    """Its forecast comes on top of the first one's, not on what the oil is now."""
    watch, facts = TankWatch(18_300.0, 1000.0), Facts()
    for name in Facts.__slots__:
        setattr(facts, name, NEVER)
    for at_s in range(400):
        if at_s == 120:
            watch.declared(60.0)
        if at_s == 240:
            watch.declared(65.0, second=second)
        facts.tank_c = facts.tank_max_c = 70.0 + max(0, at_s - 240) * 0.12
        watch.second(facts, float(at_s < 240), at_s < 240, 90.0)
        if facts.oil_still_rising >= 0.0:
            break
    assert facts.tank_max_c == pytest.approx(told_c, abs=0.5)
