"""The simulated thermocouples and chips."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import pytest

from controller.model import SENSORS, LoadItem
from controller.sim.oven import STEP_S, Oven
from controller.sim.oven_parameters import OvenParameters
from controller.sim.probes import (
    OVEN,
    OVEN_LIMIT,
    PART,
    TANK,
    AirProbe,
    ProbeParameters,
    Probes,
    cold_hundredths,
)
from controller.sim.tank import Tank, TankParameters
from controller.thermocouple import CHIPS, MAX6675, MAX31855, MAX31856, true_c_hundredths

CHECKS = {
    check["id"]: check
    for check in tomllib.loads(
        (Path(__file__).parent.parent / "edges" / "its90_checks.toml").read_text(encoding="utf-8")
    )["check"]
}
PLAIN = AirProbe(lag_s=30.0, air_share=1.0, radiation_k_per_w_m2=0.0)


class Bench:
    """Sensors in an oven and a tank whose temperatures are set by hand."""

    def __init__(
        self, chip: int = MAX31855, kind: ProbeParameters | None = None, start_c: float = 20.0
    ) -> None:
        self.oven = Oven(OvenParameters.typical(), Random(0), start_c, 20.0)
        self.tank = Tank(TankParameters.typical(), start_c, 20.0)
        self.probes = Probes(kind or ProbeParameters.typical(chip), chip, Random(0), self.oven, self.tank)

    def air(self, t_c: float) -> None:
        self.oven.air_c = self.oven.wall_c = self.oven.element_c = t_c
        self.oven.element_k4 = (t_c + 273.15) ** 4

    def run(self, seconds: float, air_c: Callable[[float], float]) -> None:
        for step in range(round(seconds / STEP_S)):
            self.air(air_c((step + 1) * STEP_S))
            self.probes.advance(self.oven, self.tank)


def quiet(lag_s: float = 30.0) -> ProbeParameters:
    return ProbeParameters(AirProbe(lag_s, 1.0, 0.0), AirProbe(lag_s, 1.0, 0.0), noise_k=0.0)


def test_a_step_reaches_63_percent_after_one_time_constant() -> None:
    check: dict[str, Any] = CHECKS["step_63"]
    bench = Bench(kind=quiet())
    bench.run(30.0, lambda _: 120.0)
    assert (bench.probes.now_c[OVEN] - 20.0) / 100.0 == pytest.approx(
        check["expected"], abs=check["tolerance"]
    )


def test_a_ramp_is_followed_one_time_constant_behind() -> None:
    check: dict[str, Any] = CHECKS["ramp_lag"]
    k_per_s = check["inputs"]["rate_K_min"] / 60.0
    bench = Bench(kind=quiet(check["inputs"]["tau_s"]))
    bench.run(600.0, lambda s: 20.0 + k_per_s * s)
    # A target held over each half second is a quarter second late on average.
    lag_k = bench.oven.air_c - 0.25 * k_per_s - bench.probes.now_c[OVEN]
    assert lag_k == pytest.approx(check["expected"], abs=0.2)


@pytest.mark.parametrize("chip", CHIPS)
@pytest.mark.parametrize("t_c", [20.0, 60.0, 150.0, 230.0, 300.0, 400.0])
def test_what_the_chip_shows_corrects_to_what_was_there(chip: int, t_c: float) -> None:
    """Within the rounding of the chip; a MAX6675 keeps its cold junction to itself (0.5 K)."""
    bench = Bench(chip, quiet(), t_c)
    sample = bench.probes.sample(1.0)
    for place in (OVEN, OVEN_LIMIT, TANK, PART):
        found = true_c_hundredths(chip, "K", sample.values[place], sample.cold)
        assert found == pytest.approx(t_c, abs={MAX31855: 0.20, MAX6675: 0.40, MAX31856: 0.02}[chip])
    assert sample.faults == "-----"


def test_chips_round_to_their_own_steps() -> None:
    """The words of the data sheets lie on the grids: 1/4 and 1/16 °C, 1/128 and 1/64 °C with a MAX31856."""
    for chip, share in ((MAX31855, 4.0), (MAX6675, 4.0), (MAX31856, 128.0)):
        probes = Bench(chip).probes
        seen = {probes.sample(1.0).values[OVEN] for _ in range(200)}
        assert len(seen) >= 2
        for value in seen:
            assert abs(value / 100.0 * share - round(value / 100.0 * share)) <= 0.005 * share + 1e-9
    for name in ("max31855_word_a", "max31855_word_h"):
        cold = CHECKS[name]["expected"]["cj_C"]
        assert cold_hundredths(MAX31855, cold + 0.02) == round(cold * 100)
    for name in ("max31856_cj_a", "max31856_cj_b", "max31856_cj_c"):
        cold = CHECKS[name]["expected"]
        assert cold_hundredths(MAX31856, cold + 0.005) == round(cold * 100)


def test_a_max6675_shows_nothing_below_zero() -> None:
    assert Bench(MAX6675, quiet(), -20.0).probes.sample(1.0).values[OVEN] == 0
    assert Bench(MAX31855, quiet(), -20.0).probes.sample(1.0).values[OVEN] < -1500


def test_a_temperature_outside_the_chip_s_table_is_out_of_range() -> None:
    bench = Bench(kind=quiet(0.5))
    bench.run(10.0, lambda _: 1400.0)
    sample = bench.probes.sample(1.0)
    assert sample.faults[:4] == "RR--"
    assert sample.values[OVEN] == 0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_is_as_large_as_it_is_said_to_be(seed: int) -> None:
    print(f"seed {seed}")
    kind = ProbeParameters.draw(Random(seed), MAX31856)
    bench = Bench(MAX31856, kind)
    bench.probes = Probes(kind, MAX31856, Random(seed), bench.oven, bench.tank)
    values = [bench.probes.sample(1.0).values[TANK] / 100.0 for _ in range(4000)]
    mean = sum(values) / len(values)
    spread = (sum((v - mean) ** 2 for v in values) / len(values)) ** 0.5
    assert spread == pytest.approx(kind.noise_k, rel=0.1)
    assert mean == pytest.approx(20.0, abs=0.02)


def test_samples_lie_between_the_last_two_states() -> None:
    bench = Bench(MAX31856, quiet(5.0))
    bench.run(10.0, lambda _: 200.0)
    shown = [bench.probes.sample(share / 4).values[OVEN] / 100.0 for share in range(5)]
    assert shown[0] == pytest.approx(bench.probes.before_c[OVEN], abs=0.01)
    assert shown[4] == pytest.approx(bench.probes.now_c[OVEN], abs=0.01)
    steps = [b - a for a, b in pairwise(shown)]
    assert max(steps) == pytest.approx(min(steps), abs=0.05)


def test_glowing_elements_make_an_air_sensor_read_high() -> None:
    bench = Bench(kind=ProbeParameters(control=AirProbe(5.0, 0.85, 3.0e-4), noise_k=0.0))
    bench.air(200.0)
    bench.oven.element_k4 = (600.0 + 273.15) ** 4
    for _ in range(400):
        bench.probes.advance(bench.oven, bench.tank)
    reading_c = bench.probes.now_c[OVEN]
    balance = 3.0e-4 * 5.670374419e-8 * (873.15**4 - (reading_c + 273.15) ** 4)
    assert reading_c == pytest.approx(200.0 + balance, abs=0.01)
    assert 5.0 < reading_c - 200.0 < 12.0


def test_the_part_s_sensor_reads_the_part_and_a_little_of_the_air() -> None:
    bench = Bench(kind=ProbeParameters(part_contact=0.02, noise_k=0.0))
    bench.oven.set_load((LoadItem(1.0, 20.0),), at_c=150.0)
    bench.run(120.0, lambda _: 250.0)
    assert bench.probes.now_c[PART] == pytest.approx(150.0 + 0.02 * 100.0, abs=0.01)
    bench.probes.astray.add(PART)
    bench.run(200.0, lambda _: 250.0)
    assert bench.probes.now_c[PART] == pytest.approx(250.0, abs=0.01)


def test_a_probe_that_has_fallen_out_reads_little_more_than_the_room() -> None:
    bench = Bench(kind=quiet(5.0), start_c=200.0)
    bench.oven.shell_c = 60.0
    bench.probes.astray.add(OVEN)
    bench.run(60.0, lambda _: 200.0)
    assert bench.probes.now_c[OVEN] == pytest.approx(22.0, abs=0.1)
    assert bench.probes.now_c[OVEN_LIMIT] == pytest.approx(200.0, abs=0.1)


def test_swapped_wires_fall_while_the_oven_heats() -> None:
    """The study's sensing notes: reversed K on the linear chip, cold junction 25 °C, 100 reads -50."""
    bench = Bench(kind=quiet(), start_c=100.0)
    bench.probes.cold_c = 25.0
    bench.probes.reversed.add(OVEN)
    assert bench.probes.sample(1.0).values[OVEN] / 100.0 == pytest.approx(-50.0, abs=0.3)


def test_a_frozen_chip_repeats_its_word_with_its_cold_junction() -> None:
    bench = Bench()
    before = bench.probes.sample(1.0)
    bench.probes.freeze(OVEN, True)
    bench.run(3600.0, lambda _: 200.0)
    sample = bench.probes.sample(1.0)
    assert (sample.values[OVEN], sample.cold) == (before.values[OVEN], before.cold)
    assert sample.values[OVEN_LIMIT] > 15_000
    bench.probes.freeze(OVEN, False)
    assert bench.probes.sample(1.0).values[OVEN] > 15_000


def test_letters_stand_in_the_place_of_their_sensor() -> None:
    bench = Bench(start_c=150.0)
    for place, letter in enumerate("OGVRX"):
        bench.probes.letters[place] = letter
    sample = bench.probes.sample(1.0)
    assert sample.faults == "OGVRX"
    assert sample.values == (0,) * len(SENSORS)


def test_the_terminal_block_wanders_slowly_and_stays_near_the_room() -> None:
    bench = Bench()
    colds = []
    for _ in range(24):
        bench.run(600.0, lambda _: 150.0)
        colds.append(bench.probes.cold_c)
    assert max(colds) - min(colds) > 0.1
    assert all(22.0 < cold < 27.0 for cold in colds)


def test_the_same_seed_gives_the_same_samples() -> None:
    runs = [[Bench().probes.sample(0.5) for _ in range(3)] for _ in range(2)]
    assert runs[0] == runs[1]
