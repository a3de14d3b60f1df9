"""Words from the board to trusted temperatures: faults, range, jumps, frozen words."""

from __future__ import annotations

from dataclasses import replace
from math import isnan

import pytest

from controller.core.facts import Facts
from controller.core.sensing import Sensing, Sensor, _UnmovedOil
from controller.model import Board, Telemetry
from controller.thermocouple import shown_c
from tests.core.rig import limits

BOARD = Board(1, 1, 1, 1, 0, 56694, 77, 31855, 31000, 11000, 29655, 8700, 9000, 2047, 1000)


def frame(ms: int = 1000, *, oven: int = 20000, limit: int = 20000, tank: int = 5000, faults: str = "-----",
          cold: int = 2400, outputs: int = 0, on_ms: int = 0, part: int = 20000) -> Telemetry:  # fmt: skip
    return Telemetry(
        0, ms, 77, oven, limit, tank, tank, part, cold, faults, 2, outputs, on_ms, 0, 0, 0, 0, 0, 0, 0, 0, 0
    )


def fitted_as(faults: str) -> Board:
    """A board whose greeting, too, says that the sensors with the letter N are not there."""
    missing = sum(1 << place for place, letter in enumerate(faults) if letter == "N")
    return BOARD._replace(fitted=BOARD.fitted & ~missing)


def sensed(sensing: Sensing) -> Facts:
    facts = Facts()
    sensing.fill(facts, BOARD, 0.0, limits())
    return facts


def test_the_straight_line_of_the_chip_is_corrected() -> None:
    sensing = Sensing(limits())
    word = round(shown_c(31855, "K", 230.0, 25.0) * 100)
    # The chip's straight line reads 2.89 K low at 230 °C with its block at 25 °C (computed from the ITS-90 functions).
    assert word / 100 == pytest.approx(230.0 - 2.89, abs=0.02)
    sensing.take(frame(oven=word, limit=word, cold=2500), BOARD, 0.0, 0.0)
    assert sensed(sensing).oven_c == pytest.approx(230.0, abs=0.02)


@pytest.mark.parametrize("letter", "OGVRX")
def test_a_bad_letter_is_unknown_at_once_and_good_at_once(letter: str) -> None:
    sensing = Sensing(limits())
    sensing.take(frame(1000), BOARD, 0.0, 0.0)
    sensing.take(frame(1250, oven=0, faults=letter + "----"), BOARD, 0.0, 0.0)
    facts = sensed(sensing)
    assert isnan(facts.oven_c)
    assert isnan(facts.oven_max_c)
    assert facts.oven_bad == 1.0
    assert facts.oven_bad_hot == 0.0, "without heat it is no trip"
    sensing.take(frame(1500), BOARD, 0.0, 0.0)
    assert sensed(sensing).oven_bad == 0.0


def test_three_bad_in_a_row_under_heat_trip_and_two_do_not() -> None:
    for bad, trips in ((2, 0.0), (3, 1.0)):
        sensing = Sensing(limits())
        sensing.take(frame(1000), BOARD, 0.5, 0.0)
        for number in range(bad):
            sensing.take(frame(1250 + 250 * number, faults="O----"), BOARD, 0.5, 0.0)
        sensing.take(frame(3000), BOARD, 0.5, 0.0)
        assert sensed(sensing).oven_bad_hot == trips


def test_five_bad_of_twenty_under_heat_trip_and_four_do_not() -> None:
    for bad, trips in ((4, 0.0), (5, 1.0)):
        sensing = Sensing(limits())
        for number in range(20):
            letter = "O" if number % 2 == 0 and number // 2 < bad else "-"
            sensing.take(frame(1000 + 250 * number, faults=f"{letter}----"), BOARD, 0.5, 0.0)
        assert sensed(sensing).oven_bad_hot == trips


def test_the_part_sensor_alone_never_makes_the_oven_bad() -> None:
    sensing = Sensing(limits())
    for number in range(10):
        sensing.take(frame(1000 + 250 * number, faults="----O"), BOARD, 0.5, 0.0)
    facts = sensed(sensing)
    assert (facts.oven_bad, facts.oven_bad_hot, facts.part_bad) == (0.0, 0.0, 1.0)
    assert isnan(facts.part_c)


def test_a_limit_sensor_that_is_not_fitted_leaves_the_control_sensor() -> None:
    sensing = Sensing(limits())
    sensing.take(frame(faults="-N---"), fitted_as("-N---"), 0.0, 0.0)
    facts = sensed(sensing)
    assert facts.oven_bad == 0.0
    assert facts.oven_max_c == facts.oven_c


@pytest.mark.parametrize("place", range(5))
def test_a_fitted_sensor_that_is_called_not_fitted_gives_no_reading(place: int) -> None:
    """By its greeting the board has it, so what holds for a zone with one sensor does not hold here."""
    sensing = Sensing(limits())
    letters = "".join("N" if here == place else "-" for here in range(5))
    sensing.take(frame(faults=letters), BOARD, 0.0, 0.0)
    facts = sensed(sensing)
    assert sensing.sensors[place].fault == "X"
    assert (facts.oven_bad, facts.tank_bad, facts.part_bad) == (
        float(place < 2),
        float(place in (2, 3)),
        float(place == 4),
    )


@pytest.mark.parametrize(
    ("faults", "zone"), [("O----", "oven"), ("-O---", "oven"), ("--O--", "tank"), ("---O-", "tank")]
)
@pytest.mark.parametrize("over", [False, True])
def test_what_one_sensor_says_at_the_trip_is_not_hidden_by_the_loss_of_the_other(
    faults: str, zone: str, over: bool
) -> None:
    """Below it the highest is not known, as ever; at it or over it the one that is left is enough."""
    sensing, known = Sensing(limits()), limits()
    trip_c = known.oven_limit_c if zone == "oven" else known.oil_trip_c
    assert trip_c is not None
    word = round(shown_c(31855, "K", trip_c + (2.0 if over else -2.0), 24.0) * 100)
    sensing.take(frame(oven=word, limit=word, tank=word, faults=faults), BOARD, 0.0, 0.0)
    hottest_c = sensed(sensing).oven_max_c if zone == "oven" else sensed(sensing).tank_max_c
    assert hottest_c == pytest.approx(trip_c + 2.0, abs=0.1) if over else isnan(hottest_c)


def test_without_an_oil_one_sensor_alone_says_nothing_of_the_highest() -> None:
    sensing, facts = Sensing(limits()), Facts()
    sensing.take(frame(tank=60_000, faults="---O-"), BOARD, 0.0, 0.0)
    sensing.fill(facts, BOARD, 0.0, replace(limits(), oil_trip_c=None))
    assert isnan(facts.tank_max_c)


def test_a_boards_counts_of_on_time_that_start_again_are_no_heat() -> None:
    for restarted, heated in ((False, True), (True, False)):
        sensing = Sensing(limits())
        sensing.take(frame(1000, on_ms=40_000), BOARD, 0.0, 0.0)
        sensing.take(frame(1250, on_ms=40_000), BOARD, 0.0, 0.0)
        assert sensing.oven_heat_s_ago > 1e8
        if restarted:
            sensing.forget_time()
        sensing.take(frame(250, on_ms=0), BOARD, 0.0, 0.0)
        assert (sensing.oven_heat_s_ago == 0.0) is heated
        assert sensing.tank_heat_s_ago > 1e8
        sensing.take(frame(500, on_ms=200), BOARD, 0.0, 0.0)
        assert sensing.oven_heat_s_ago == 0.0


def test_on_time_that_the_first_frame_after_a_boot_tells_of_is_heat() -> None:
    sensing = Sensing(limits())
    sensing.take(frame(1000, on_ms=40), BOARD, 0.0, 0.0)
    sensing.forget_time()
    sensing.take(frame(250, on_ms=40), BOARD, 0.0, 0.0)
    assert sensing.oven_heat_s_ago == 0.0


def test_milliseconds_that_go_back_are_a_boot_that_nobody_has_told_of() -> None:
    sensing = Sensing(limits())
    assert not sensing.went_back(frame(5000))
    sensing.take(frame(5000), BOARD, 0.0, 0.0)
    assert not sensing.went_back(frame(5000))
    assert not sensing.went_back(frame(5000 + 0x7FFFFFFF))
    assert sensing.went_back(frame(5000 + 0x80000000))
    assert sensing.went_back(frame(4999))
    sensing.forget_time()
    assert not sensing.went_back(frame(4999))


def test_silence_makes_everything_unknown() -> None:
    sensing = Sensing(limits())
    sensing.take(frame(), BOARD, 0.0, 0.0)
    facts = Facts()
    sensing.fill(facts, BOARD, 1.49, limits())
    assert facts.oven_c > 190.0
    sensing.fill(facts, BOARD, 1.5, limits())
    assert isnan(facts.oven_c)
    assert isnan(facts.oven_bad)
    assert isnan(facts.cold_off_middle_k)


def jump(sensor: Sensor, to: int, seconds: float) -> None:
    for _ in range(round(seconds * 4)):
        sensor.take(31856, to, 2400, "-", 0.25, False)


def test_as_far_as_heat_can_go_is_accepted_and_further_is_dropped() -> None:
    for step_k, follows in ((16.9, True), (17.1, False)):
        sensor = Sensor("K", True)
        jump(sensor, 20000, 1.0)
        jump(sensor, 20000 + round(step_k * 100), 0.25)
        assert (sensor.value_c > 200.0) == follows


def test_a_lasting_jump_is_unknown_after_a_second_and_afresh_after_ten() -> None:
    sensor = Sensor("K", True)
    jump(sensor, 20000, 1.0)
    jump(sensor, 60000, 0.75)
    assert sensor.value_c == 200.0, "dropped; the last accepted value stands"
    jump(sensor, 60000, 0.25)
    assert isnan(sensor.value_c)
    assert sensor.jump_s >= 1.0
    jump(sensor, 60000, 9.0)
    assert sensor.jump_trip_s >= 10.0
    jump(sensor, 60000, 0.25)
    assert sensor.value_c == 600.0


def test_a_jump_that_comes_back_is_forgotten() -> None:
    sensor = Sensor("K", True)
    jump(sensor, 20000, 1.0)
    jump(sensor, 60000, 2.0)
    jump(sensor, 20000, 0.25)
    assert (sensor.value_c, sensor.jump_s) == (200.0, 0.0)
    # It is told once, so that it is not lost between the frames of one reading.
    assert [sensor.jumped_s(), sensor.jumped_s()] == [2.0, 0.0]


def test_a_new_jump_is_counted_from_its_own_beginning_and_the_longest_of_a_reading_is_told_once() -> None:
    sensor = Sensor("K", True)
    jump(sensor, 20000, 1.0)
    jump(sensor, 60000, 3.0)
    jump(sensor, 20000, 0.25)
    jump(sensor, 60000, 5.0)
    jump(sensor, 20000, 0.25)
    jump(sensor, 60000, 2.0)
    jump(sensor, 20000, 0.25)
    jump(sensor, 60000, 0.5)
    assert [sensor.jumped_s(), sensor.jumped_s()] == [5.0, 0.5]
    jump(sensor, 20000, 0.25)
    jump(sensor, 60000, 1.0)
    sensor.forget()
    assert sensor.jumped_s() == 0.0


def test_a_jump_that_lasted_is_told_although_another_began_in_the_same_reading() -> None:
    sensing = Sensing(limits())
    sensing.take(frame(0), BOARD, 0.0, 0.0)
    for n in range(1, 42):
        sensing.take(frame(250 * n, limit=60_000), BOARD, 0.0, 0.0)
    sensing.take(frame(250 * 42), BOARD, 0.0, 0.0)
    assert sensing.oven_limit.jump_s == 0.25, "it is another one, back from what was believed"
    assert sensed(sensing).oven_jump_trip_s >= 10.0


def test_a_jump_that_lasted_is_told_although_its_last_frame_is_not_the_readings_last() -> None:
    sensing = Sensing(limits())
    sensing.take(frame(0), BOARD, 0.0, 0.0)
    for n in range(1, 42):
        sensing.take(frame(250 * n, limit=60_000), BOARD, 0.0, 0.0)
    assert sensing.oven_limit.jump_s == 0.0, "from here on it is believed"
    assert sensed(sensing).oven_jump_trip_s >= 10.0
    assert sensed(sensing).oven_jump_trip_s == 0.0


def test_a_word_out_of_range_is_bad() -> None:
    sensor = Sensor("K", True)
    jump(sensor, 95000, 0.25)
    assert sensor.fault == "R"
    assert isnan(sensor.value_c)


def test_a_frozen_word_counts_only_under_duty_while_the_other_sensor_moves() -> None:
    for duty, moves, stands in ((0.5, True, True), (0.1, True, False), (0.5, False, False)):
        sensing, facts = Sensing(limits()), Facts()
        for second in range(70):
            other = 20000 + (second * 25 if moves else 25 * (second % 2))
            for quarter in range(4):
                ms = 1000 + second * 1000 + quarter * 250
                cold = 2400
                sensing.take(frame(ms, oven=20000, limit=other, cold=cold), BOARD, duty, 0.0)
            sensing.frozen(facts, BOARD, duty, 0.0)
        assert (facts.oven_frozen_s >= 60.0) == stands, (duty, moves)


def test_a_chip_whose_block_temperature_still_moves_is_not_frozen() -> None:
    sensing, facts = Sensing(limits()), Facts()
    for second in range(70):
        sensing.take(
            frame(1000 + second * 1000, oven=20000, limit=20000 + second * 25, cold=2400 + 6 * (second % 2)),
            BOARD, 0.5, 0.0,
        )  # fmt: skip
        sensing.frozen(facts, BOARD, 0.5, 0.0)
    assert facts.oven_frozen_s == 0.0


def test_the_board_time_wraps() -> None:
    sensing = Sensing(limits())
    sensing.take(frame(2**32 - 100), BOARD, 0.0, 0.0)
    assert sensing.take(frame(150), BOARD, 0.0, 0.0) == pytest.approx(0.25)


def test_after_a_reboot_the_boards_time_starts_again() -> None:
    """Without it a board that starts at 0 ms would seem to have been silent for 49 days."""
    sensing = Sensing(limits())
    sensing.take(frame(3_600_000), BOARD, 0.0, 0.0)
    sensing.forget_time()
    assert sensing.take(frame(100), BOARD, 0.0, 0.0) == 0.25
    assert sensing.take(frame(400), BOARD, 0.0, 0.0) == pytest.approx(0.3)


def test_after_a_gap_a_far_reading_is_taken_and_without_one_it_is_a_jump() -> None:
    for gap, taken in ((True, True), (False, False)):
        sensing = Sensing(limits())
        sensing.take(frame(1000), BOARD, 0.0, 0.0)
        if gap:
            sensing.forget_readings()
        sensing.take(frame(1250, oven=12000), BOARD, 0.0, 0.0)
        facts = sensed(sensing)
        assert (facts.oven_c < 150.0) == taken
        assert (facts.oven_jump_s == 0.0) == taken


def first_frozen_s(faults: str, oven_duty: float, tank_duty: float) -> tuple[float | None, float | None]:
    """All words standing still: when oven and tank are first called frozen for a minute, s; None: never."""
    sensing, facts, board = Sensing(limits()), Facts(), fitted_as(faults)
    found: list[float | None] = [None, None]
    for second in range(1, 601):
        sensing.take(frame(second * 1000, faults=faults, oven=5000, limit=5000), board, oven_duty, tank_duty)
        sensing.frozen(facts, board, oven_duty, tank_duty)
        for place, stood_s in enumerate((facts.oven_frozen_s, facts.tank_frozen_s)):
            if found[place] is None and stood_s >= 60.0:
                found[place] = second
    return found[0], found[1]


def test_a_single_sensor_is_called_frozen_only_once_the_slowest_zone_had_moved_by_5_k() -> None:
    oven_s, tank_s = first_frozen_s("-N-N-", 1.0, 1.0)
    assert oven_s is not None
    # 1200 W at twice 0.9 of the voltage into 5.2 kJ/K behind a slow element and probe: between two and four minutes.
    assert 120.0 < oven_s < 240.0
    # 1000 W warm 10 l of 0.915 kg/l and 2.0 kJ/(kg K) by 3 K in 55 s: sure after five minutes at the earliest.
    assert tank_s == pytest.approx(300.0, abs=1.5)


def test_where_no_zone_need_move_a_still_word_says_nothing() -> None:
    assert first_frozen_s("-N-N-", 0.2, 0.08) == (None, None), "too little duty"
    assert first_frozen_s("-----", 1.0, 1.0) == (None, None), "two sensors that stand still together: a soak"
    assert first_frozen_s("NNNN-", 1.0, 1.0) == (None, None), "nothing is fitted"


def still(watch: _UnmovedOil, from_s: int, to_s: int, duty: float) -> list[tuple[int, bool, float]]:
    """A word that stands still, by the second: what changes, as (second, no more heat, for how long it is frozen)."""
    told: list[tuple[int, bool, float]] = []
    for second in range(from_s, to_s):
        stood_s = watch.stood_s(float(second), duty)
        if not told or (watch.unmoved, stood_s > 0.0) != (told[-1][1], told[-1][2] > 0.0):
            told.append((second, watch.unmoved, stood_s))
    return told


def test_a_single_oil_sensor_that_does_not_answer_3_k_of_heat_within_a_minute_gets_no_more() -> None:
    # 1000 W into 10 kJ/K: 0.1 K/s, 3 K after 30 s of full heat. The first second's look is none to count from.
    assert still(_UnmovedOil(1000.0, 10_000.0), 1, 299, 1.0) == [(1, False, 0.0), (60, True, 0.0)]
    # At a duty of 0.25 it takes 120 s; a binary figure, so that the edge is exact.
    assert still(_UnmovedOil(1024.0, 8192.0), 1, 120, 0.25) == [(1, False, 0.0), (96, True, 0.0)]
    assert still(_UnmovedOil(1024.0, 8192.0), 0, 96, 0.25) == [(0, False, 0.0)]
    assert still(_UnmovedOil(1024.0, 8192.0), 0, 97, 0.25) == [(0, False, 0.0), (96, True, 0.0)]


def test_without_heat_such_a_word_is_frozen_once_it_has_stood_as_long_again_and_for_five_minutes() -> None:
    watch = _UnmovedOil(1024.0, 8192.0)
    assert still(watch, 0, 97, 0.25)[-1] == (96, True, 0.0)
    assert still(watch, 97, 400, 0.0) == [(97, True, 0.0), (300, True, 300.0)]
    watch = _UnmovedOil(1024.0, 8192.0)
    assert still(watch, 0, 193, 0.125)[-1] == (192, True, 0.0)
    assert still(watch, 193, 500, 0.0) == [(193, True, 0.0), (384, True, 384.0)]


def test_no_oil_and_no_heater_promise_a_single_oil_sensor_no_movement() -> None:
    assert _UnmovedOil(1000.0, 1.0).k_per_s == 1000.0
    assert _UnmovedOil(1000.0, 0.0).k_per_s == 0.0
    assert _UnmovedOil(0.0, 1.0).k_per_s == 0.0


def test_a_word_that_moves_begins_the_account_of_its_heat_anew() -> None:
    for moved_s in (0.99, 58.0):
        watch = _UnmovedOil(3072.0, 8192.0)
        assert still(watch, 0, 301, 1.0)[-1] == (300, True, 300.0)
        assert watch.stood_s(moved_s, 1.0) == 0.0
        assert (watch.unmoved, watch.given_k) == (False, 0.0)
        assert still(watch, 59, 70, 0.0) == [(59, False, 0.0)], "no heat since"
    watch = _UnmovedOil(1024.0, 1024.0)
    watch.stood_s(0.5, 1.0)
    watch.stood_s(1.0, 1.0)
    assert watch.given_k == 0.5
    watch.stood_s(1.0, 1.0)
    assert watch.given_k == 0.5, "no new frame since"


@pytest.mark.parametrize(("faults", "told"), [("-N-N-", 1.0), ("-NN--", 0.0), ("-----", 0.0)])
def test_only_a_single_oil_sensor_has_its_heat_held_back(faults: str, told: float) -> None:
    sensing, facts, board = Sensing(limits()), Facts(), fitted_as(faults)
    for second in range(1, 120):
        sensing.take(frame(second * 1000, faults=faults), board, 0.0, 1.0)
        sensing.frozen(facts, board, 0.0, 1.0)
    assert facts.tank_unmoved == told


def test_a_second_oil_sensor_that_comes_back_gives_the_heat_free() -> None:
    sensing, facts = Sensing(limits()), Facts()
    told = []
    for second in range(1, 200):
        faults = "-N-N-" if second < 150 else "-----"
        sensing.take(frame(second * 1000, faults=faults), fitted_as(faults), 0.0, 1.0)
        sensing.frozen(facts, fitted_as(faults), 0.0, 1.0)
        told.append(facts.tank_unmoved)
    assert (told[148 - 1], told[-1]) == (1.0, 0.0)


def test_the_boards_own_clock_tells_how_long_it_was_silent() -> None:
    sensing = Sensing(limits())
    assert sensing.since_s(frame(5000)) == 0.0
    sensing.take(frame(0xFFFFFF00), BOARD, 0.0, 0.0)
    assert sensing.since_s(frame(90_000 - 0x100)) == 90.0
    assert sensing.since_s(frame(0xFFFFFE00)) == 0.0


@pytest.mark.parametrize(("bad_s", "believed"), [(0.25, False), (0.5, False), (1.5, True), (9.0, True)])
def test_a_jump_behind_a_bad_word_is_still_one_and_after_a_longer_loss_heat_may_have_gone(
    bad_s: float, believed: bool
) -> None:
    """100 K: at 60 K a second (and 2 K) heat needs 1.6 s for it, of which one counts as before without a loss."""
    sensor = Sensor("K", True)
    jump(sensor, 20000, 1.0)
    for _ in range(round(bad_s / 0.25)):
        sensor.take(31855, 0, 2400, "O", 0.25, False)
    jump(sensor, 10000, 0.25)
    assert (sensor.jump_s == 0.0) is believed
    jump(sensor, 10000, 9.5)
    assert sensor.jumped_s() == (0.0 if believed else 9.75)
    jump(sensor, 10000, 0.25)
    assert sensor.jumped_s() == (0.0 if believed else 10.0)
