"""Oil that is stirred by hand, and sensors that only seem to show it."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, nan

import pytest

from controller.core.facts import NEVER, Facts
from controller.core.watch_tank import TankWatch
from controller.model import FITTED_AGITATOR, FITTED_TANK_LIMIT, Preheat, TankOff
from controller.sim.shop import FULL_KIT
from controller.sim.tank import Tank
from tests.core.rig import Rig, limits

HEATER_W, HEAT_J_PER_K = 1000.0, 18_300.0
K_PER_S = HEATER_W / HEAT_J_PER_K
FALLS_AT_S = 400


class Oil:
    """Oil of 57 °C under heat, whose reading falls at 0. `fell_s`, `no_rise_s`: when the rows trip."""

    def __init__(self, *, stirrer_fitted: bool = False, heat_j_per_k: float = HEAT_J_PER_K) -> None:
        self.watch, self.facts = TankWatch(heat_j_per_k, HEATER_W), Facts()
        self.watch.stir_explains = not stirrer_fitted
        for name in Facts.__slots__:
            setattr(self.facts, name, NEVER)
        self.fell_s: int | None = None
        self.no_rise_s: int | None = None
        for at_s in range(-FALLS_AT_S, 0):
            self.second(at_s, 57.0 + K_PER_S * at_s)

    def second(self, at_s: int, oil_c: float, asked: float = 1.0) -> None:
        self.facts.tank_c = self.facts.tank_max_c = oil_c
        self.watch.second(self.facts, asked, asked > 0.0, 90.0)
        if self.fell_s is None and self.facts.tank_fall_k >= 3.0:
            self.fell_s = at_s
        if self.no_rise_s is None and self.facts.tank_no_rise >= 0.0:
            self.no_rise_s = at_s

    def run(self, oil_c: Callable[[float], float], seconds: int = 1200, asked: float = 1.0) -> None:
        for at_s in range(seconds):
            self.second(at_s, oil_c(at_s), asked)
            if self.fell_s is not None:
                break


def stirred(at_s: float, fall_k: float = 9.0, lag_s: float = 8.0, k_per_s: float = K_PER_S) -> float:
    """Cold oil comes up from below, and all of it is warmed on."""
    return 57.0 - fall_k * (1.0 - exp(-at_s / lag_s)) + k_per_s * at_s


def out_of_the_oil(at_s: float, lag_s: float, air_c: float = 27.0) -> float:
    return air_c + (57.0 - air_c) * exp(-at_s / lag_s)


@pytest.mark.parametrize("fall_k", [3.5, 9.0, 13.0])
@pytest.mark.parametrize("lag_s", [2.0, 8.0, 20.0])
def test_a_stir_by_hand_is_neither_a_sensor_out_of_the_oil_nor_a_dead_heater(fall_k: float, lag_s: float) -> None:
    oil = Oil()
    oil.run(lambda s: stirred(s, fall_k, lag_s))
    assert (oil.fell_s, oil.no_rise_s) == (None, None)


def test_cold_oil_that_is_filled_up_is_no_sensor_out_of_the_oil() -> None:
    oil = Oil()
    oil.run(lambda s: stirred(s, 4.0, 1.0))
    assert (oil.fell_s, oil.no_rise_s) == (None, None)


@pytest.mark.parametrize(
    ("air_c", "lag_s"),
    [(20.0, 2.0), (20.0, 8.0), (20.0, 90.0), (27.0, 8.0), (27.0, 90.0), (45.0, 8.0), (45.0, 90.0), (53.0, 30.0)],
)
def test_a_sensor_out_of_the_oil_is_told_before_the_heater_gave_six_kelvins_more(air_c: float, lag_s: float) -> None:
    """Also where the air above the oil is nearly as warm."""
    told_s = []
    for fitted in (True, False):
        oil = Oil(stirrer_fitted=fitted)
        oil.run(lambda s: out_of_the_oil(s, lag_s, air_c))
        assert oil.fell_s is not None
        told_s.append(oil.fell_s)
    print(air_c, lag_s, told_s)
    assert K_PER_S * (told_s[1] - told_s[0]) <= 6.1


def test_a_far_fall_is_told_at_once() -> None:
    oil = Oil()
    oil.run(lambda s: out_of_the_oil(s, 2.0))
    assert oil.fell_s is not None
    assert oil.fell_s <= 3


def test_a_heater_that_gives_nothing_after_a_stir_is_told() -> None:
    oil = Oil()
    oil.run(lambda s: stirred(s, k_per_s=0.0))
    assert oil.fell_s is not None
    assert K_PER_S * oil.fell_s <= 6.5


def test_a_stir_of_the_stirrer_that_is_fitted_explains_nothing() -> None:
    oil = Oil(stirrer_fitted=True)
    oil.run(stirred)
    assert oil.fell_s is not None
    assert oil.fell_s <= 10


def test_where_the_oil_is_not_known_nothing_is_explained() -> None:
    oil = Oil(heat_j_per_k=0.0)
    oil.run(stirred)
    assert oil.fell_s is not None


def test_oil_that_cools_after_a_stir_since_its_heat_was_switched_off_is_not_judged() -> None:
    oil = Oil()
    for at_s in range(20):
        oil.second(at_s, stirred(at_s))
    for at_s in range(20, 4000):
        oil.second(at_s, 49.0 - at_s / 200.0, asked=0.0)
    for at_s in range(4000, 5000):
        oil.second(at_s, 29.0 + K_PER_S * (at_s - 4000))
    assert (oil.fell_s, oil.no_rise_s) == (None, None)


def test_a_bad_sample_in_a_stir_is_passed_over_and_a_gap_ends_it() -> None:
    oil = Oil()
    oil.run(lambda s: nan if s % 7 == 3 else stirred(s), 30)
    oil.watch.forget(90.0)
    oil.run(lambda s: 40.0 + K_PER_S * s)
    assert (oil.fell_s, oil.no_rise_s) == (None, None)


def held_and_stirred(at_s: int) -> tuple[float, float]:
    """Oil of 57 °C that is held, and the duty: one stir costs it 6 K, which full heat brings back in two minutes."""
    if at_s < 0:
        return 57.0, 0.3
    if at_s < 125:
        return 57.0 - 6.0 * (1.0 - exp(-at_s / 5.0)) + K_PER_S * max(0, at_s - 15), 1.0
    return 57.0, 0.3


@pytest.mark.parametrize(("stirrer_fitted", "told"), [(False, False), (True, True)])
def test_held_oil_that_is_stirred_and_warmed_up_again_is_no_dead_heater(stirrer_fitted: bool, told: bool) -> None:
    """Only where somebody stirs by hand: over ten minutes much heat was given, and nothing was gained."""
    oil = Oil(stirrer_fitted=stirrer_fitted)
    oil.watch.forget(60.0)
    for at_s in range(-700, 900):
        oil.second(at_s, *held_and_stirred(at_s))
    assert (oil.no_rise_s is not None) is told


@pytest.mark.parametrize("duty", [0.35, 0.5, 1.0])
@pytest.mark.parametrize("again_s", [100, 10_000])
def test_a_heater_that_gives_nothing_is_told_after_six_kelvins_of_heat_however_gently(
    duty: float, again_s: int
) -> None:
    """From when it shows: a minute is compared, in which the oil had risen. Further falls begin nothing anew as long as
    nothing answered to the heat."""
    oil = Oil()
    for at_s in range(1000):
        falls_k = 4.0 * (1 + at_s // again_s) if duty < 0.5 else 4.0
        oil.second(at_s, 57.0 - falls_k, duty)
        if oil.no_rise_s is not None or oil.fell_s is not None:
            break
    assert (at_s - 45) * duty * K_PER_S <= 6.5


def test_a_second_stir_after_the_oil_was_warmed_again_is_a_stir_as_well() -> None:
    oil = Oil()
    for at_s in range(900):
        since_s, falls = at_s % 180, 1 + at_s // 180
        oil.second(at_s, 57.0 - 6.0 * (falls - exp(-since_s / 4.0)) + K_PER_S * at_s)
    assert (oil.fell_s, oil.no_rise_s) == (None, None)


class ByHand(Tank):
    """A tank whose smith stirs when the page says so."""

    hand = False

    @property
    def stirred(self) -> bool:
        return self.hand

    @stirred.setter
    def stirred(self, value: bool) -> None:
        """Nothing is fitted that the board could turn."""


def unstirred(seed: int, oil_c: float, fitted: int = FULL_KIT & ~FITTED_AGITATOR) -> tuple[Rig, ByHand]:
    rig = Rig(limits(heater_w=1000.0), fitted=fitted, seed=seed, tank_c=oil_c, load=())
    rig.shop.tank.__class__ = ByHand
    rig.arm()
    rig.tick(Preheat(60.0))
    tank = rig.shop.tank
    assert isinstance(tank, ByHand)
    return rig, tank


@pytest.mark.parametrize(("seed", "after_s", "for_s"), [(0, 5.0, 300.0), (4, 40.0, 15.0)])
def test_whoever_does_what_the_page_asks_and_stirs_gets_ready_oil(seed: int, after_s: float, for_s: float) -> None:
    rig, tank = unstirred(seed, 40.0)
    rig.run(1500.0, lambda: "stir_wanted" in rig.kinds())
    rig.run(after_s)
    before_c = rig.core.facts.tank_c
    tank.hand = True
    rig.run(15.0)
    assert rig.core.facts.tank_c < before_c - 2.5
    rig.run(for_s - 15.0)
    tank.hand = False
    rig.run(1200.0, lambda: rig.core.tank.ready)
    assert rig.tripped() == []
    assert rig.core.tank.ready


@pytest.mark.parametrize("follows", [0.0, 0.6, 0.8])
def test_of_one_sensor_alone_no_stir_explains_a_fall(follows: float) -> None:
    """Air under a lid that follows the oil answers to heat as oil does; out of it a lone sensor must trip at once."""
    rig, _ = unstirred(0, 45.0, FULL_KIT & ~FITTED_AGITATOR & ~FITTED_TANK_LIMIT)
    rig.run(5.0)
    assert rig.core.tank_watch.stir_explains is False
    oil = Oil(stirrer_fitted=True)
    oil.run(lambda s: 20.0 + (37.0 + K_PER_S * s) * (follows + (1.0 - follows) * exp(-s / 8.0)))
    assert oil.fell_s is not None
    assert oil.fell_s <= 20


@pytest.mark.parametrize("without", [0, FITTED_TANK_LIMIT])
def test_a_sensor_out_of_oil_that_nobody_stirs_is_told_at_once(without: int) -> None:
    rig, tank = unstirred(0, 45.0, FULL_KIT & ~FITTED_AGITATOR & ~without)
    rig.run(100.0)
    rig.shop.fault("tank_probe_out")
    rig.run(30.0, lambda: bool(rig.tripped()))
    assert rig.tripped()[0] == "tank_falling"
    assert tank.upper_c < 60.0


def test_whoever_has_one_sensor_stirs_with_the_heat_off_as_the_page_says() -> None:
    rig, tank = unstirred(0, 40.0, FULL_KIT & ~FITTED_AGITATOR & ~FITTED_TANK_LIMIT)
    rig.run(1500.0, lambda: "stir_wanted" in rig.kinds())
    said = next(event.text for event in rig.events if event.kind == "stir_wanted")
    assert "Switch its heat off for that" in said
    rig.tick(TankOff())
    before_c = rig.core.facts.tank_c
    tank.hand = True
    rig.run(15.0)
    assert rig.core.facts.tank_c < before_c - 2.5
    rig.run(60.0)
    rig.tick(Preheat(60.0))
    rig.run(285.0)
    tank.hand = False
    rig.run(1200.0, lambda: rig.core.tank.ready)
    assert rig.tripped() == []
    assert rig.core.tank.ready
