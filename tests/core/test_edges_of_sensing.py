"""The edges of sensing: what a fresh sensor says, the ends of its range, how time counts, who was heated."""

from __future__ import annotations

from math import isnan

import pytest

from controller.core.facts import Facts
from controller.core.sensing import Sensing, Sensor, _Frozen, _FrozenOil, _FrozenOven
from controller.thermocouple import MAX6675, true_c_hundredths
from tests.core.rig import limits
from tests.core.test_sensing import BOARD, first_frozen_s, fitted_as, frame, sensed

CHIP, COLD = 31855, 2500


def took(sensor: Sensor, word: int, times: int = 1, *, letter: str = "-", hot: bool = True) -> Sensor:
    for _ in range(times):
        sensor.take(CHIP, word, COLD, letter, 0.25, hot)
    return sensor


def test_a_sensor_that_was_never_heard_is_not_fitted_and_knows_nothing() -> None:
    fresh = Sensor("K", True)
    assert (fresh.fitted, fresh.fault, fresh.bad_hot) == (False, "N", False)
    assert isnan(fresh.value_c)
    assert (fresh.good_s, fresh.jump_s, fresh.jump_trip_s, fresh.same_s) == (0.0, 0.0, 0.0, 0.0)


def test_a_sensor_that_is_no_longer_fitted_shows_nothing() -> None:
    sensor = took(took(Sensor("K", True), 20000), 0, letter="N")
    assert (sensor.fitted, sensor.fault) == (False, "N")
    assert isnan(sensor.value_c)


@pytest.mark.parametrize("word", [-90, -3000, 0, 20000])
def test_the_first_word_of_all_is_a_new_one(word: int) -> None:
    sensor = took(Sensor("K", False), word)
    assert sensor.same_s == 0.0
    assert took(sensor, word).same_s == 0.25
    assert took(sensor, word + 25).same_s == 0.0


def test_both_ends_of_the_range_belong_to_it() -> None:
    # A MAX31856 linearises by itself, so that its words are the temperatures.
    for word, good in ((-4000, True), (-4001, False), (90000, True), (90001, False)):
        assert true_c_hundredths(31856, "K", word, COLD) == word / 100.0
        sensor = Sensor("K", False)
        sensor.take(31856, word, COLD, "-", 0.25, True)
        assert (sensor.fault == "-") == good
        assert isnan(sensor.value_c) != good


def test_a_bad_word_ends_every_count_but_that_of_a_jump() -> None:
    sensor = took(Sensor("K", True), 20000, 8)
    assert (sensor.good_s, sensor.same_s) == (2.0, 1.75)
    took(sensor, 30000)
    assert (sensor.jump_s, sensor.jump_trip_s) == (0.25, 0.25)
    took(sensor, 0, letter="O")
    assert (sensor.good_s, sensor.jump_s, sensor.jump_trip_s, sensor.same_s) == (0.0, 0.25, 0.25, 0.0)


def test_thirty_good_seconds_and_no_fewer_end_a_bad_sensor() -> None:
    sensor = took(Sensor("K", True), 0, 3, letter="O")
    assert sensor.bad_hot
    assert took(sensor, 20000, 119).bad_hot, "29.75 s"
    assert not took(sensor, 20000).bad_hot, "30 s"


def test_only_bad_words_under_heat_count_and_each_good_one_moves_them_on() -> None:
    sensor = Sensor("K", True)
    for _ in range(4):
        took(took(sensor, 0, letter="O"), 20000, 3)
    assert not sensor.bad_hot
    assert took(sensor, 0, letter="O").bad_hot, "the fifth of seventeen words"
    sensor = Sensor("K", True)
    for _ in range(4):
        took(took(sensor, 0, letter="O"), 20000, 3)
    took(took(sensor, 20000, 5), 0, letter="O")
    # The first of the five lies 21 words back, or nearly: twenty are looked at.
    assert not sensor.bad_hot
    cold = took(Sensor("K", True), 0, 10, letter="O", hot=False)
    assert not cold.bad_hot


HEATED = [
    # oven duty asked, tank duty asked, outputs, the counts of on-time move: heat in the oven, heat in the tank
    (0.0, 0.0, 0, False, False, False),
    (0.01, 0.0, 0, False, True, False),
    (0.0, 0.01, 0, False, False, True),
    (0.0, 0.0, 1, False, True, False),
    (0.0, 0.0, 2, False, False, True),
    (0.0, 0.0, 4, False, False, False),
    (0.0, 0.0, 0, True, True, False),
]


@pytest.mark.parametrize(("oven", "tank", "outputs", "counts", "oven_hot", "tank_hot"), HEATED)
def test_a_zone_counts_as_heated_by_duty_output_or_on_time(
    oven: float, tank: float, outputs: int, counts: bool, oven_hot: bool, tank_hot: bool
) -> None:
    sensing = Sensing(limits())
    sensing.take(frame(1000), BOARD, 0.0, 0.0)
    assert sensing.oven_heat_s_ago >= 1e9
    sensing.take(frame(1250, outputs=outputs, on_ms=30 if counts else 0), BOARD, oven, tank)
    assert (sensing.oven_heat_s_ago, sensing.tank_heat_s_ago) == pytest.approx(
        (0.0 if oven_hot else 1e9, 0.0 if tank_hot else 1e9), abs=1.0
    )
    assert (sensing.oven_heat_s_ago == 0.0, sensing.tank_heat_s_ago == 0.0) == (oven_hot, tank_hot)
    sensing.take(frame(1750, on_ms=30 if counts else 0), BOARD, 0.0, 0.0)
    assert (sensing.oven_heat_s_ago == 0.5, sensing.tank_heat_s_ago == 0.5) == (oven_hot, tank_hot)


def test_heat_counts_for_120_s_and_no_more_for_either_sensor_of_its_zone() -> None:
    # Duty once, then 120 s of board time in steps of 4 s; one more bad word within that time counts, later none.
    for place, faults, zone in ((0, "O----", 0), (1, "-O---", 0), (2, "--O--", 1), (3, "---O-", 1)):
        for late_ms, counts in ((0, True), (250, False)):
            sensing = Sensing(limits())
            sensing.take(frame(0), BOARD, 1.0 - zone, float(zone))
            for n in range(1, 30):
                sensing.take(frame(4000 * n), BOARD, 0.0, 0.0)
            sensor = sensing.sensors[place]
            sensor._bits = 0b11
            sensing.take(frame(120_000 + late_ms, faults=faults), BOARD, 0.0, 0.0)
            assert sensor.bad_hot == counts, (place, late_ms)


def test_the_part_sensor_never_counts_as_heated() -> None:
    sensing = Sensing(limits())
    for n in range(10):
        sensing.take(frame(250 * n, faults="----O"), BOARD, 1.0, 1.0)
    assert not sensing.part.bad_hot
    assert sensed(sensing).part_bad == 1.0
    sensing.take(frame(2500, faults="----N"), fitted_as("----N"), 1.0, 1.0)
    assert sensed(sensing).part_bad == 0.0


def test_a_gap_of_the_board_counts_for_five_seconds_at_most() -> None:
    sensing = Sensing(limits())
    assert sensing.take(frame(0), BOARD, 0.0, 0.0) == 0.25
    assert sensing.take(frame(4900), BOARD, 0.0, 0.0) == 4.9
    assert sensing.take(frame(20_000), BOARD, 0.0, 0.0) == 5.0


def test_the_terminal_block_is_judged_by_its_distance_from_25_c_where_the_chip_tells_it() -> None:
    sensing = Sensing(limits())
    sensing.take(frame(0, cold=7031), BOARD, 0.0, 0.0)
    assert sensed(sensing).cold_off_middle_k == pytest.approx(45.31)
    facts = Facts()
    sensing.fill(facts, BOARD._replace(chip=MAX6675), 0.0, limits())
    assert facts.cold_off_middle_k == 0.0


def test_without_a_board_or_a_frame_nothing_is_known() -> None:
    sensing, facts = Sensing(limits()), Facts()
    sensing.fill(facts, BOARD, 0.0, limits())
    assert isnan(facts.oven_c)
    sensing.take(frame(0), BOARD, 0.0, 0.0)
    sensing.fill(facts, None, 0.0, limits())
    assert isnan(facts.oven_c)
    sensing.fill(facts, BOARD, 1.5, limits())
    assert isnan(facts.oven_c)
    sensing.fill(facts, BOARD, 1.49, limits())
    assert facts.oven_c == pytest.approx(200.0, abs=5.0)


def test_a_word_that_stands_is_counted_from_its_first_whole_second_at_duty() -> None:
    watch = _Frozen()
    assert watch.stood_s(0.0, 100.0, 1.0) == 0.0
    assert watch.stood_s(1.0, 102.9, 1.0) == 0.0, "the other sensor has to move by 3 K"
    assert watch.stood_s(2.0, 103.0, 1.0) == 2.0
    assert watch.stood_s(2.0, 103.0, 1.0) == 2.0, "no new frame since"
    assert watch.stood_s(3.0, 101.0, 1.0) == 3.0
    assert watch.stood_s(1.0, 104.0, 1.0) == 0.0, "a new word"
    assert watch.stood_s(2.0, 107.0, 1.0) == 1.0
    assert watch.stood_s(3.0, 107.0, 0.2) == 0.0, "too little duty"
    assert watch.stood_s(4.0, 110.0, 0.21) == 1.0
    watch = _Frozen()
    watch.stood_s(0.99, 100.0, 1.0)
    assert watch.stood_s(1.0, 103.0, 1.0) == pytest.approx(0.01)


def test_a_single_oven_sensor_is_counted_from_its_first_whole_second_at_duty() -> None:
    watch = _FrozenOven()
    for n in range(1, 400):
        assert watch.stood_s(float(n), 50.0, 0.2) == 0.0, "too little duty"
    stood = [watch.stood_s(float(n), 50.0, 1.0) for n in range(1, 400)]
    first = next(n for n, seconds in enumerate(stood) if seconds)
    assert stood == [0.0] * first + [float(n + 1) for n in range(first, 399)]
    assert watch.stood_s(0.99, 50.0, 1.0) == 0.0


def test_a_single_oil_sensor_is_counted_until_a_quarter_of_the_heat_were_5_k() -> None:
    # A quarter of 1000 W into 2 kJ/K: 0.125 K/s, 5 K after 40 s.
    watch = _FrozenOil(1000.0, 2000.0)
    assert [watch.stood_s(float(n), 50.0, 0.9) for n in range(1, 43)] == [0.0] * 39 + [40.0, 41.0, 42.0]
    assert watch.stood_s(43.0, 50.0, 0.89) == 0.0
    assert watch.stood_s(0.99, 50.0, 1.0) == 0.0
    assert [watch.stood_s(float(n), 50.0, 1.0) for n in range(1, 41)] == [0.0] * 39 + [40.0]
    assert _FrozenOil(1000.0, 1.0).k_per_s == 250.0
    assert _FrozenOil(1000.0, 0.0).k_per_s == 0.0


def test_a_limit_sensor_alone_is_watched_as_well_and_nothing_fitted_is_borne() -> None:
    alone = first_frozen_s("N-N--", 1.0, 1.0)
    assert None not in alone
    assert first_frozen_s("NNNNN", 1.0, 1.0) == (None, None)


@pytest.mark.parametrize("faults", ["-NNNN", "NN-NN"])
def test_a_terminal_block_that_moves_shows_that_the_first_chip_lives(faults: str) -> None:
    found = []
    for moves in (0, 25):
        sensing, facts, board = Sensing(limits()), Facts(), fitted_as(faults)
        worst_s = 0.0
        for second in range(1, 601):
            now = frame(second * 1000, faults=faults, oven=5000, cold=2400 + moves * (second % 2))
            sensing.take(now, board, 1.0, 1.0)
            sensing.frozen(facts, board, 1.0, 1.0)
            worst_s = max(worst_s, facts.oven_frozen_s, facts.tank_frozen_s)
        found.append(worst_s)
    assert found[0] > 60.0
    assert found[1] == 0.0
