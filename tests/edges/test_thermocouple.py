"""Thermocouples and boiling water against NIST, IAPWS and a reference library."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
import thermocouple_its90

from controller.metallurgy.water import air_pressure_pa, boiling_point_c, saturation_c
from controller.thermocouple import (
    HIGHEST_C,
    KINDS,
    LOWEST_C,
    LOWEST_INVERSE_C,
    MAX6675,
    MAX31855,
    MAX31856,
    Kind,
    emf_mv,
    limit_hundredths,
    seebeck_mv_per_k,
    shown_c,
    temperature_c,
    true_c,
    true_c_hundredths,
)

CHECKS = tomllib.loads((Path(__file__).parent / "its90_checks.toml").read_text(encoding="utf-8"))["check"]


def checks(prefix: str) -> list[Any]:
    found = [pytest.param(c, id=c["id"]) for c in CHECKS if c["id"].startswith(prefix)]
    assert found, f"no check value starts with {prefix}"
    return found


def test_every_check_value_carries_its_source_and_mark() -> None:
    marks = {"published", "reference-library", "common-practice", "from-memory"}
    assert all(c["source"] and c["how_sure"] in marks for c in CHECKS)


@pytest.mark.parametrize("check", checks("emf_"))
def test_emf(check: dict[str, Any]) -> None:
    mv = emf_mv(check["inputs"]["type"], check["inputs"]["t_C"])
    assert mv == pytest.approx(check["expected"], abs=5e-7)  # as many digits as are given: far inside 0.0005


@pytest.mark.parametrize("check", checks("seebeck_"))
def test_seebeck(check: dict[str, Any]) -> None:
    uv_per_k = 1000.0 * seebeck_mv_per_k(check["inputs"]["type"], check["inputs"]["t_C"])
    assert uv_per_k == pytest.approx(check["expected"], abs=check["tolerance"])


@pytest.mark.parametrize("check", checks("inv_"))
def test_inverse(check: dict[str, Any]) -> None:
    t_c = temperature_c(check["inputs"]["type"], check["inputs"]["emf_mV"])
    assert t_c == pytest.approx(check["expected"], abs=0.001)


@pytest.mark.parametrize("check", checks("cjc_"))
def test_cold_junction_is_added_as_emf(check: dict[str, Any]) -> None:
    given = check["inputs"]
    t_c = temperature_c(given["type"], given["emf_mV"] + emf_mv(given["type"], given["cj_C"]))
    assert t_c == pytest.approx(check["expected"], abs=0.001)


@pytest.mark.parametrize("kind", KINDS)
def test_every_whole_degree_agrees_with_the_reference_library(kind: Kind) -> None:
    library = thermocouple_its90.get(kind)
    assert (LOWEST_C[kind], HIGHEST_C[kind]) == library.range
    for degree in range(int(LOWEST_C[kind]), int(HIGHEST_C[kind]) + 1):
        assert emf_mv(kind, degree) == pytest.approx(library.emf(float(degree)), abs=1e-12)
        assert seebeck_mv_per_k(kind, degree) == pytest.approx(library.seebeck(float(degree)), abs=1e-9)
        if degree >= LOWEST_INVERSE_C[kind]:
            assert temperature_c(kind, library.emf(float(degree))) == pytest.approx(degree, abs=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_outside_the_range_is_refused_with_the_range(kind: Kind) -> None:
    for t_c in (LOWEST_C[kind] - 0.01, HIGHEST_C[kind] + 0.01, math.nan, math.inf, -math.inf):
        with pytest.raises(ValueError, match=f"type {kind} is defined from"):
            emf_mv(kind, t_c)
        with pytest.raises(ValueError, match=f"type {kind} is defined from"):
            seebeck_mv_per_k(kind, t_c)
    too_low, too_high = emf_mv(kind, LOWEST_INVERSE_C[kind]) - 0.001, emf_mv(kind, HIGHEST_C[kind]) + 0.001
    for mv in (too_low, too_high, math.nan, math.inf, -math.inf):
        with pytest.raises(ValueError, match=f"type {kind} gives"):
            temperature_c(kind, mv)


@pytest.mark.parametrize("check", checks("max31855_err_"))
def test_max31855_error_table(check: dict[str, Any]) -> None:
    true, cold = check["inputs"]["true_C"], check["inputs"]["cj_C"]
    assert shown_c(MAX31855, "K", true, cold) - true == pytest.approx(check["expected"], abs=0.001)


@pytest.mark.parametrize("check", checks("max31855_fix_"))
def test_max31855_corrected(check: dict[str, Any]) -> None:
    shown, cold = check["inputs"]["displayed_C"], check["inputs"]["cj_C"]
    assert true_c(MAX31855, "K", shown, cold) == pytest.approx(check["expected"], abs=0.001)
    hundredths = true_c_hundredths(MAX31855, "K", round(shown * 100), round(cold * 100))
    assert hundredths == pytest.approx(check["expected"], abs=0.001)


@pytest.mark.parametrize("check", checks("max6675_err_"))
def test_max6675_error(check: dict[str, Any]) -> None:
    true, cold = check["inputs"]["true_C"], check["inputs"]["cj_C"]
    assert shown_c(MAX6675, "K", true, cold) - true == pytest.approx(check["expected"], abs=0.001)


@pytest.mark.parametrize(
    ("kind", "full_c", "slope_uv_per_k"),
    [("K", 1000, 41.276), ("J", 1000, 57.953), ("N", 1000, 36.256), ("T", 400, 52.18)],
)
def test_the_lines_of_the_max31855_pass_through_the_end_of_the_table(
    kind: Kind, full_c: float, slope_uv_per_k: float
) -> None:
    """K's slope is the data sheet's; the rule that it equals E(full scale) confirms the other three."""
    assert 1000.0 * emf_mv(kind, full_c) / full_c == pytest.approx(slope_uv_per_k, abs=0.0006)
    assert shown_c(MAX31855, kind, full_c, 0.0) == pytest.approx(full_c, abs=0.02)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("chip", [MAX31855, MAX31856])
def test_shown_and_true_are_each_other_s_reverse(chip: int, kind: Kind) -> None:
    for cold in (-20.0, 0.0, 23.4, 70.0):
        for true in range(-150, 400, 7):
            back = true_c(chip, kind, shown_c(chip, kind, true, cold), cold)
            assert back == pytest.approx(true, abs=2e-4), (chip, kind, true, cold)


def test_a_shorted_pair_reads_the_cold_junction() -> None:
    for chip in (MAX31855, MAX6675):
        assert true_c(chip, "K", 31.5, 31.5) == pytest.approx(31.5, abs=1e-4)


def test_max6675_takes_type_k_only_and_chips_are_known() -> None:
    with pytest.raises(ValueError, match="made for type K"):
        true_c(MAX6675, "J", 200.0, 25.0)
    with pytest.raises(ValueError, match="31855, 6675 and 31856"):
        shown_c(31850, "K", 200.0, 25.0)


def test_max6675_without_a_cold_junction_is_half_a_kelvin_off_at_most() -> None:
    for cold in range(5, 71):
        shown = round(100.0 * shown_c(MAX6675, "K", 230.0, cold))
        assert true_c_hundredths(MAX6675, "K", shown, 0) == pytest.approx(230.0, abs=0.5)


def test_hundredths_outside_the_table_are_not_a_number() -> None:
    assert math.isnan(true_c_hundredths(MAX31855, "K", 200_000, 2500))
    assert math.isnan(true_c_hundredths(MAX31855, "T", 50_000, 2500))
    assert math.isnan(true_c_hundredths(MAX31855, "K", -30_000, 2500))
    assert math.isnan(true_c_hundredths(MAX31855, "K", 20_000, 300_000))
    assert true_c_hundredths(MAX31856, "K", 23_051, -300_000) == pytest.approx(230.51)


def test_limits_round_down_and_a_warmer_block_only_trips_earlier_by_little() -> None:
    assert limit_hundredths(MAX31856, "K", 300.0) == 30_000
    for limit_c in (60.0, 90.0, 110.0, 230.0, 275.0, 300.0, 310.0):
        for chip in (MAX31855, MAX6675):
            hundredths = limit_hundredths(chip, "K", limit_c)
            at_ten = true_c(chip, "K", hundredths / 100.0, 10.0)
            assert limit_c - 0.011 < at_ten <= limit_c
            for cold in range(10, 71, 5):
                acts_at = true_c(chip, "K", hundredths / 100.0, cold)
                assert limit_c - 0.63 <= acts_at <= limit_c, (chip, limit_c, cold)
    # The design's example: a MAX31855 reads 271.5 where it is 275 (cold junction 25 °C).
    assert shown_c(MAX31855, "K", 275.0, 25.0) == pytest.approx(271.5, abs=0.06)


@pytest.mark.parametrize("check", checks("isa_"))
def test_standard_atmosphere(check: dict[str, Any]) -> None:
    assert air_pressure_pa(check["inputs"]["h_m"]) == pytest.approx(check["expected"], abs=0.1)


@pytest.mark.parametrize("check", checks("boil_isa_"))
def test_boiling_point_with_altitude(check: dict[str, Any]) -> None:
    assert boiling_point_c(check["inputs"]["h_m"]) == pytest.approx(check["expected"], abs=0.0015)


@pytest.mark.parametrize("check", [c for c in checks("boil_") if "p_Pa" in c.values[0]["inputs"]])
def test_boiling_point_with_pressure(check: dict[str, Any]) -> None:
    assert saturation_c(check["inputs"]["p_Pa"]) == pytest.approx(check["expected"], abs=0.0015)


@pytest.mark.parametrize("check", checks("boil_slope"))
def test_boiling_point_slope(check: dict[str, Any]) -> None:
    slope_k_per_kpa = saturation_c(101_825.0) - saturation_c(100_825.0)
    assert slope_k_per_kpa == pytest.approx(check["expected"], abs=check["tolerance"])


def test_water_outside_the_equations_is_refused() -> None:
    for altitude_m in (-501.0, 11_001.0, math.nan):
        with pytest.raises(ValueError, match="altitude"):
            boiling_point_c(altitude_m)
    for pressure_pa in (600.0, 23e6, math.nan):
        with pytest.raises(ValueError, match="water boils"):
            saturation_c(pressure_pa)
