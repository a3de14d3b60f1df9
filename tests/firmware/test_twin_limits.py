"""Limits and sensors of the board twin, at their limit values (design chapter 5)."""

from __future__ import annotations

import pytest

from tests.firmware.twin_rig import CONTACTOR, Rig

OVEN, OVEN_LIMIT, TANK, TANK_LIMIT, PART = range(5)


def heating(oven: int = 400, tank: int = 400, *limits: int) -> Rig:
    """A board in ordinary work, just after a sample, with two seconds of heat behind it."""
    rig = Rig()
    rig.until(500)
    rig.greet()
    rig.limits(*limits)
    rig.press()
    rig.run(4_000 - rig.board.uptime_ms, oven, tank)
    rig.run(1_000, oven, tank)
    assert rig.board.oven_on == bool(oven)
    rig.duty(oven, tank)
    return rig


@pytest.mark.parametrize("sensor", [OVEN, OVEN_LIMIT])
@pytest.mark.parametrize(("limit", "at"), [(30_000, 30_000), (31_000, 31_000), (3_000, 3_000), (0, 31_000)])
def test_two_good_samples_at_the_oven_limit_trip(sensor: int, limit: int, at: int) -> None:
    for value, trips in ((at - 1, 0), (at, 1), (at + 5_000, 1)):
        rig = Rig()
        rig.until(500)
        rig.greet()
        if limit:
            rig.limit(0, limit)
        rig.until(1_000)
        rig.values[sensor] = value
        rig.pass_ms(399)
        assert rig.board.trips == 0, "one sample is not enough"
        rig.pass_ms(1)
        assert rig.board.trips == trips


@pytest.mark.parametrize("sensor", [TANK, TANK_LIMIT])
@pytest.mark.parametrize(("limit", "at"), [(10_500, 10_500), (11_000, 11_000), (None, 11_000)])
def test_two_good_samples_at_the_tank_limit_trip(sensor: int, limit: int | None, at: int) -> None:
    for value, trips in ((at - 1, 0), (at, 2)):
        rig = Rig()
        rig.until(500)
        rig.greet()
        if limit is not None:
            rig.limit(2, limit)
        rig.until(1_000)
        rig.values[sensor] = value
        rig.pass_ms(400)
        assert rig.board.trips == trips


def test_over_limit_is_off_within_600_ms() -> None:
    rig = heating()
    rig.pass_ms(1)
    rig.values[OVEN_LIMIT] = 30_000
    rig.pass_ms(600)
    assert rig.board.trips == 1
    assert rig.board.outputs & 7 == 0
    assert not rig.board.armed


def test_the_two_samples_must_be_of_one_sensor_and_in_a_row() -> None:
    rig = Rig()
    rig.until(1_000)
    for _ in range(10):
        rig.values[OVEN], rig.values[OVEN_LIMIT] = 31_000, 30_999
        rig.pass_ms(200)
        rig.values[OVEN], rig.values[OVEN_LIMIT] = 30_999, 31_000
        rig.pass_ms(200)
    assert rig.board.trips == 0


def test_a_bad_sample_between_neither_counts_nor_resets() -> None:
    rig = Rig()
    rig.until(1_000)
    rig.values[OVEN] = 31_000
    rig.pass_ms(200)
    rig.faults[OVEN] = "O"
    rig.pass_ms(1_000)
    assert rig.board.trips == 0
    rig.faults[OVEN] = "-"
    rig.pass_ms(200)
    assert rig.board.trips == 1


def test_a_good_sample_below_resets_the_count() -> None:
    rig = Rig()
    rig.until(1_000)
    for value in (31_000, 30_999) * 20:
        rig.values[OVEN] = value
        rig.pass_ms(200)
    assert rig.board.trips == 0


def test_the_part_sensor_has_no_limit_and_never_trips() -> None:
    rig = heating()
    rig.values[PART] = 120_000
    rig.run(2_000, 400, 400)
    rig.faults[PART] = "O"
    rig.run(10_000, 400, 400)
    assert rig.board.trips == 0
    assert rig.board.armed
    assert rig.telemetry()["part"] == 0


def test_tank_heater_off_acts_at_the_first_sample_without_a_trip_and_clears_3_degrees_below() -> None:
    rig = heating(0, 1000)
    assert rig.board.tank_on
    rig.values[TANK_LIMIT] = 8_999
    rig.pass_ms(200)
    assert rig.board.tank_on
    rig.values[TANK_LIMIT] = 9_000
    rig.pass_ms(200)
    assert not rig.board.tank_on
    assert rig.board.trips == 0
    assert rig.board.armed
    rig.values[TANK_LIMIT] = 8_701
    rig.run(3_000, 0, 1000)
    assert not rig.board.tank_on
    rig.values[TANK_LIMIT] = 8_700
    rig.run(2_000, 0, 1000)
    assert rig.board.tank_on


def test_tank_heater_off_does_not_touch_the_oven() -> None:
    rig = heating(1000, 0)
    rig.values[TANK] = 9_500
    rig.run(2_000, 1000, 0)
    assert rig.board.oven_on


def test_heater_off_is_never_above_the_flash_constant() -> None:
    rig = heating(0, 1000, 30_000, 11_000, 11_000)
    rig.values[TANK] = 11_000
    rig.pass_ms(200)
    assert not rig.board.tank_on
    assert rig.board.trips == 0
    rig.pass_ms(200)
    assert rig.board.trips == 2


def test_a_limit_lowered_below_the_oven_trips_with_the_next_two_samples() -> None:
    rig = heating()
    rig.values[OVEN] = 20_000
    rig.run(1_000, 400, 400)
    assert rig.limit(0, 19_000) == 0
    rig.pass_ms(400)
    assert rig.board.trips == 1


# --- sensors ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("letter", list("OGVRX"))
@pytest.mark.parametrize(("sensor", "zone"), [(OVEN, 0), (OVEN_LIMIT, 0), (TANK, 1), (TANK_LIMIT, 1)])
def test_the_first_bad_sample_takes_the_zones_heat_and_the_third_in_a_row_trips(
    sensor: int, zone: int, letter: str
) -> None:
    rig = heating(1000 * (1 - zone), 1000 * zone)
    on = (rig.board.oven_on, rig.board.tank_on)
    assert on[zone]
    rig.faults[sensor] = letter
    rig.pass_ms(200)
    assert rig.board.outputs & 3 == 0
    assert rig.board.trips == 0
    rig.pass_ms(200)
    assert rig.board.trips == 0
    rig.pass_ms(199)
    assert rig.board.trips == 0
    rig.pass_ms(1)
    assert rig.board.trips == (4, 8)[zone]


def test_a_bad_sample_takes_only_its_own_zone() -> None:
    rig = heating(1000, 0)
    rig.faults[TANK] = "O"
    rig.pass_ms(200)
    assert rig.board.oven_on


def pattern(rig: Rig, samples: str) -> None:
    """`x` a bad sample of the oven's limit sensor, `.` a good one."""
    for sample in samples:
        rig.faults[OVEN_LIMIT] = "O" if sample == "x" else "-"
        rig.run(200, 400, 0)


@pytest.mark.parametrize(
    ("samples", "trips"),
    [
        ("xx.xx" + "." * 40, 0),
        ("xxx", 4),
        ("xx.", 0),
        ("x...." * 3 + "x" + "." * 4, 0),
        ("x.x.x.x.x", 4),
        ("x" + "." * 15 + "x.x.", 0),
        ("x" + "." * 12 + "x.x.x.x", 4),  # the first and the last of twenty
        ("x" + "." * 13 + "x.x.x.x", 0),  # the first and the last of twenty-one
        ("x" + "." * 13 + "x.x.x.xx", 4),
    ],
)
def test_three_in_a_row_or_five_of_twenty(samples: str, trips: int) -> None:
    rig = heating()
    pattern(rig, samples)
    assert rig.board.trips == trips


def test_bad_samples_of_two_sensors_do_not_add_up() -> None:
    rig = heating()
    for sensor in (OVEN, OVEN_LIMIT) * 4:
        rig.faults = ["-"] * 5
        rig.faults[sensor] = "V"
        rig.run(200, 400, 400)
    assert rig.board.trips == 0


@pytest.mark.parametrize(("cold_s", "trips"), [(119, 4), (121, 0)])
def test_a_trip_needs_heat_within_120_s(cold_s: int, trips: int) -> None:
    rig = heating()
    rig.run(cold_s * 1000, 0, 0)
    rig.faults[OVEN] = "O"
    rig.run(800, 0, 0)
    assert rig.board.trips == trips


def test_a_zone_with_a_bad_sensor_is_unavailable_and_comes_back_with_it() -> None:
    rig = Rig()
    rig.faults[OVEN] = "X"
    rig.ready()
    rig.board.take_on_s()
    rig.run(5_000, 1000, 0)
    assert rig.board.trips == 0
    assert rig.board.take_on_s() == (0.0, 0.0)
    rig.faults[OVEN] = "-"
    rig.run(3_000, 1000, 0)
    assert rig.board.oven_on


def test_samples_without_heat_are_not_counted_later() -> None:
    rig = Rig()
    rig.faults[OVEN] = "X"
    rig.ready()
    rig.run(5_000, 0, 0)
    rig.faults[OVEN] = "-"
    rig.run(2_000, 1000, 0)
    rig.faults[OVEN] = "X"
    rig.run(400, 1000, 0)
    assert rig.board.trips == 0
    rig.run(200, 1000, 0)
    assert rig.board.trips == 4


def test_sensors_that_are_not_fitted_are_n_and_watched_by_nobody() -> None:
    rig = Rig(fitted=1)
    rig.values = [2_000, 40_000, 40_000, 40_000, 40_000]
    rig.faults = ["-", "O", "O", "X", "V"]
    rig.until(500)
    rig.greet()
    assert rig.limit(0, 20_000) == 0
    rig.press()
    rig.run(3_000, 1000, 0)
    assert rig.board.oven_on
    seen = rig.telemetry()
    assert seen["faults"] == "-NNNN"
    assert seen["oven"] == 2_000
    assert [seen[name] for name in ("oven_limit", "tank", "tank_limit", "part")] == [0, 0, 0, 0]
    assert seen["trips"] == 0


def test_samples_are_taken_every_200_ms() -> None:
    rig = Rig()
    rig.pass_ms(199)
    assert rig.samples == 0
    rig.pass_ms(1)
    assert rig.samples == 1
    rig.pass_ms(59_800)
    assert rig.samples == 300


@pytest.mark.parametrize("zone", [0, 1])
def test_no_heat_before_the_first_sample_of_a_boot(zone: int) -> None:
    rig = Rig()
    rig.greet()
    rig.limits()
    rig.press()
    assert rig.duty(1000 * (1 - zone), 1000 * zone, CONTACTOR) == 0
    rig.pass_ms(199 - rig.board.uptime_ms)
    assert rig.board.take_on_s() == (0.0, 0.0)
