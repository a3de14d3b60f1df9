"""The simulated tank against heat balances and the figures of the study that its model comes from."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import pytest

from controller.sim.oil import (
    MINERAL,
    VEGETABLE,
    OilKind,
    heater_w_per_m2_k,
    steel_c,
    steel_j_per_kg,
)
from controller.sim.tank import SHEATH_DIAMETER_M, STEP_S, Tank, TankParameters

NO_LOSS = replace(TankParameters.typical(), outside_w_per_m2_k=0.0, surface_w_per_m2_k=0.0)


def preheat_s(tank: Tank, target_c: float) -> float:
    """At full power, until the upper layer is at `target_c`."""
    seconds = 0.0
    while tank.upper_c < target_c:
        tank.step(STEP_S)
        seconds += STEP_S
        assert seconds < 4 * 3600
    return seconds


def adiabatic_c(oil: OilKind, oil_kg: float, oil_c: float, mass_kg: float, part_c: float) -> float:
    """Where oil and steel meet when nothing is lost, by halving."""
    low, high = oil_c, part_c
    for _ in range(60):
        middle = 0.5 * (low + high)
        taken = oil_kg * (oil.j_per_kg(middle) - oil.j_per_kg(oil_c))
        given = mass_kg * (steel_j_per_kg(part_c) - steel_j_per_kg(middle))
        low, high = (middle, high) if taken < given else (low, middle)
    return low


def quench_peak_c(tank: Tank, mass_kg: float, part_c: float = 845.0, section_mm: float = 20.0) -> float:
    tank.quench(mass_kg, part_c, section_mm)
    peak_c = tank.upper_c
    for _ in range(round(900 / STEP_S)):
        tank.step(0.0)
        peak_c = max(peak_c, tank.upper_c)
        if tank.part_c is None:
            break
    return peak_c


@pytest.mark.parametrize("seed", range(6))
def test_energy_in_is_energy_stored_and_lost(seed: int) -> None:
    print(f"seed {seed}")
    tank = Tank(TankParameters.draw(Random(seed)))
    at_start = tank.stored_j()
    for _ in range(1200):
        tank.step(STEP_S)
    tank.stirred = True
    tank.quench(0.5, 845.0, 12.0)
    for _ in range(600):
        tank.step(0.3 * STEP_S)
    tank.stray_w = 800.0
    for _ in range(600):
        tank.step(0.0)
    balance = tank.energy_in_j - tank.energy_lost_j - (tank.stored_j() - at_start)
    assert tank.energy_in_j > 1e5
    assert abs(balance) < 1e-4 * tank.energy_in_j


def test_stirred_oil_without_losses_heats_as_its_heat_balance_says() -> None:
    """P t = enthalpy of oil, wall and sheath; the rate is about P/(V rho cp)."""
    tank = Tank(NO_LOSS)
    tank.stirred = True
    seconds = preheat_s(tank, 60.0)
    rise_k = 40.0
    oil_j = tank.oil_kg * (VEGETABLE.j_per_kg(60.0) - VEGETABLE.j_per_kg(20.0))
    assert oil_j == pytest.approx(0.010 * (920.0 - 0.65 * 5.0) * (1950.0 + 2.7 * 20.0) * rise_k, rel=1e-9)
    # What is not in the oil is in the steel of wall and heater: the wall is a little colder than the oil.
    steel_j = tank.stored_j() - Tank(NO_LOSS).stored_j() - oil_j
    assert NO_LOSS.heater_w * seconds == pytest.approx(oil_j + steel_j, rel=1e-6)
    assert 0.03 * oil_j < steel_j < 0.12 * oil_j


@pytest.mark.parametrize(
    ("w_per_cm2", "superheat_k"), [(1.0, 42.0), (2.0, 68.0), (3.1, 92.0), (5.0, 127.0), (8.0, 171.0)]
)
def test_sheath_superheat_in_still_vegetable_oil(w_per_cm2: float, superheat_k: float) -> None:
    """The study's table for 60 °C (Churchill and Chu, checked there against another library); stirring
    divides it by 1.6 to 2.6."""

    def settle(stirred: bool) -> float:
        rise_k = 50.0
        for _ in range(200):
            h = heater_w_per_m2_k(VEGETABLE, 60.0 + rise_k, 60.0, SHEATH_DIAMETER_M, stirred)
            rise_k = 0.5 * rise_k + 0.5 * w_per_cm2 * 1e4 / h
        return rise_k

    still_k = settle(stirred=False)
    assert still_k == pytest.approx(superheat_k, abs=0.6)
    assert 1.5 < still_k / settle(stirred=True) < 2.75


@pytest.mark.parametrize(
    ("oil", "volume_l", "oil_c", "rise_k"),
    [
        (VEGETABLE, 8.3454, 55.0, 33.8),  # one US gallon to the pound
        (MINERAL, 8.3454, 50.0, 37.0),
        (VEGETABLE, 5.0, 55.0, 55.0),
        (VEGETABLE, 10.0, 55.0, 28.0),
        (VEGETABLE, 20.0, 55.0, 15.0),
    ],
)
def test_rise_of_a_quench_from_845_c(oil: OilKind, volume_l: float, oil_c: float, rise_k: float) -> None:
    """The study's figures for one kilogram, within 6 %; at what temperature it was filled it does not say."""
    oil_kg = oil.density(20.0) * volume_l / 1000.0
    assert adiabatic_c(oil, oil_kg, oil_c, 1.0, 845.0) - oil_c == pytest.approx(rise_k, rel=0.06)


def test_the_trade_s_rule_of_a_gallon_to_the_pound() -> None:
    """Published: about 38 K (70 °F) with 1 US gallon to the pound; the target is to come within 12 %."""
    rises_k = [
        adiabatic_c(oil, oil.density(20.0) * 8.3454e-3, oil_c, 1.0, 845.0) - oil_c
        for oil, oil_c in ((VEGETABLE, 55.0), (MINERAL, 50.0))
    ]
    assert sum(rises_k) / 2.0 == pytest.approx(38.0, rel=0.12)


@pytest.mark.parametrize("volume_l", [5.0, 10.0, 20.0])
def test_stirred_the_reading_peaks_below_the_heat_balance_and_still_above_it(volume_l: float) -> None:
    """The study: 0.83 of the adiabatic rise when stirred; the upper layer 1.06 to 1.27 of it when not."""
    kind = replace(TankParameters.typical(), volume_l=volume_l)
    shares = []
    for stirred in (True, False):
        tank = Tank(kind, start_c=55.0)
        tank.stirred = stirred
        rise_k = adiabatic_c(tank.oil, tank.oil_kg, 55.0, 1.0, 845.0) - 55.0
        shares.append((quench_peak_c(tank, 1.0) - 55.0) / rise_k)
    assert shares[0] == pytest.approx(0.83, abs=0.05)
    assert 1.06 <= shares[1] <= 1.27


@pytest.mark.parametrize(
    ("volume_l", "heater_w", "minutes"), [(5.0, 1000.0, 6.0), (10.0, 1000.0, 12.0), (20.0, 500.0, 55.0)]
)
def test_preheat_from_20_to_55_c(volume_l: float, heater_w: float, minutes: float) -> None:
    kind = replace(TankParameters.typical(), volume_l=volume_l, heater_w=heater_w, heater_cm2=0.35 * heater_w)
    tank = Tank(kind)
    tank.stirred = True
    assert preheat_s(tank, 55.0) / 60.0 == pytest.approx(minutes, rel=0.08)


def test_unstirred_oil_stays_cold_below_the_heater() -> None:
    """The study: 36 K (26 to 47) colder when the sensor reads 55 °C."""
    tank = Tank(TankParameters.typical())
    preheat_s(tank, 55.0)
    assert 26.0 < tank.upper_c - tank.lower_c < 47.0
    tank.stirred = True
    for _ in range(120):
        tank.step(0.0)
    assert abs(tank.upper_c - tank.lower_c) < 0.5


def test_three_kilograms_in_five_litres_would_boil_water() -> None:
    """The study: 142 K, to be refused."""
    oil_kg = VEGETABLE.density(20.0) * 0.005
    assert adiabatic_c(VEGETABLE, oil_kg, 55.0, 3.0, 845.0) - 55.0 == pytest.approx(142.0, rel=0.06)


def test_a_part_in_the_oil_cools_through_the_three_stages_and_is_taken_out() -> None:
    tank = Tank(TankParameters.typical(), start_c=55.0)
    tank.stirred = True
    tank.quench(1.0, 845.0, 20.0)
    at_s: dict[int, float] = {}
    seconds = 0.0
    while tank.part_c is not None:
        for mark_c in (650, 350, 100):
            if tank.part_c < mark_c:
                at_s.setdefault(mark_c, seconds)
        tank.step(0.0)
        seconds += STEP_S
        assert seconds < 900.0
    boiling_k_per_s = 300.0 / (at_s[350] - at_s[650])
    convection_k_per_s = 250.0 / (at_s[100] - at_s[350])
    assert boiling_k_per_s > 3.0 * convection_k_per_s


def test_steel_enthalpy_there_and_back() -> None:
    for t_c in (20.0, 100.0, 333.0, 725.0, 845.0, 1000.0):
        assert steel_c(steel_j_per_kg(t_c)) == pytest.approx(t_c, abs=1e-9)
    assert steel_j_per_kg(845.0) == pytest.approx(569_800.0, rel=1e-6)  # between 541 and 573 kJ/kg


def test_viscosity_of_vegetable_oil_falls_as_published_between_38_and_60_c() -> None:
    """Diamante and Lan 2014: 21 to 30 kJ/mol (dynamic viscosity), that is to 0.585 .. 0.465 of it.

    The table, which is from memory, lies at the steep end of that.
    """
    ratio = VEGETABLE.viscosity_m2_per_s(60.0) / VEGETABLE.viscosity_m2_per_s(38.0)
    ratio *= VEGETABLE.density(60.0) / VEGETABLE.density(38.0)
    inverse_k = 1.0 / 311.15 - 1.0 / 333.15
    assert math.exp(-30_000.0 / 8.314 * inverse_k) < ratio < math.exp(-21_000.0 / 8.314 * inverse_k)


def test_faults_of_the_tank() -> None:
    tank = Tank(TankParameters.typical())
    tank.element_open = True
    tank.step(STEP_S)
    assert tank.power_w == 0.0
    tank.stray_w = 4000.0
    for _ in range(240):
        tank.step(0.0)
    assert tank.upper_c > 40.0
