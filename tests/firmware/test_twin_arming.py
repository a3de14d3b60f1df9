"""Arming by hand, and what ends it, at its limit values (design chapter 5)."""

from __future__ import annotations

import pytest

from tests.firmware.twin_rig import CONTACTOR, EVERYTHING, TRIP, WORK, Rig

MINUTE = 60_000
HOUR = 60 * MINUTE


@pytest.mark.parametrize(("held", "counts"), [(49, 0), (50, 1), (5_000, 1)])
def test_a_press_is_50_ms_closed_after_open(held: int, counts: int) -> None:
    rig = Rig()
    rig.until(300)
    rig.press(held)
    rig.pass_ms(200)
    assert rig.board.armed == bool(counts)
    assert rig.telemetry()["arms"] == counts


def test_a_bouncing_press_counts_once() -> None:
    rig = Rig()
    rig.until(300)
    for closed in (True, False, True, False, True):
        rig.board.arm_button = closed
        rig.pass_ms(9)
    rig.pass_ms(41)
    assert rig.telemetry()["arms"] == 1


def test_a_button_held_since_the_boot_does_not_arm_until_it_was_released() -> None:
    rig = Rig()
    rig.board.arm_button = True
    rig.board.power_cut()
    rig.board.power_on()
    rig.pass_ms(10_000)
    assert not rig.board.armed
    seen = rig.telemetry()
    assert (seen["arms"], int(seen["inputs"]) & 64) == (0, 64)
    rig.board.arm_button = False
    rig.press()
    assert rig.board.armed


def test_no_frame_arms() -> None:
    rig = Rig()
    rig.greet()
    rig.limits()
    for flags in range(16):
        assert rig.duty(1, 0, flags) == 5
        rig.pass_ms(50)
    assert not rig.board.armed


@pytest.mark.parametrize("cause", ["trip", "stop circuit"])
def test_a_press_that_cannot_arm_is_counted_all_the_same(cause: str) -> None:
    rig = Rig()
    rig.until(300)
    if cause == "trip":
        rig.greet()
        rig.duty(0, 0, TRIP)
    else:
        rig.board.stop_closed = False
    rig.press()
    assert not rig.board.armed
    assert rig.telemetry()["arms"] == 1


def test_arming_lasts_15_minutes_without_heat() -> None:
    rig = Rig()
    rig.until(300)
    rig.greet()
    rig.pass_ms(50)
    rig.board.arm_button = True
    rig.pass_ms(50)
    start = rig.board.uptime_ms
    rig.board.arm_button = False
    assert rig.telemetry()["arm_left_s"] == 899
    rig.greet()
    rig.until(start + 250)
    rig.keep(start + 15 * MINUTE - 250)
    assert rig.duty(0, 0, CONTACTOR) == 0
    rig.until(start + 15 * MINUTE - 1)
    assert rig.board.armed
    assert rig.board.contactor
    rig.pass_ms(1)
    assert not rig.board.armed
    assert not rig.board.contactor
    seen = rig.telemetry()
    assert (seen["arm_left_s"], int(seen["inputs"]) & 32) == (0, 0)


def test_an_answered_s_with_duty_0_and_without_flag_8_does_not_renew_the_15_minutes() -> None:
    rig = Rig().ready()
    before = int(rig.telemetry()["arm_left_s"])
    rig.run(60_000)
    assert before - int(rig.telemetry()["arm_left_s"]) in (60, 61)


@pytest.mark.parametrize("what", ["heat", "flag 8"])
def test_heat_or_flag_8_keep_it_from_lapsing_never_beyond_12_hours(what: str) -> None:
    rig = Rig()
    rig.until(300)
    rig.greet()
    rig.limits()
    rig.pass_ms(50)
    rig.board.arm_button = True
    rig.pass_ms(50)
    start = rig.board.uptime_ms
    oven, flags = (150, CONTACTOR) if what == "heat" else (0, WORK)
    rig.keep(start + 12 * HOUR - 1_500, oven, flags)
    assert rig.duty(oven, 0, flags) == 0
    seen = rig.telemetry()
    assert int(seen["arm_left_s"]) in (0, 1)
    rig.until(start + 12 * HOUR - 1)
    assert rig.board.armed
    rig.pass_ms(1)
    assert not rig.board.armed
    assert rig.duty(150, 0, CONTACTOR | WORK) == 5


def test_a_press_while_armed_renews_the_12_hours() -> None:
    rig = Rig().ready()
    rig.keep(2 * HOUR, flags=WORK)
    rig.pass_ms(50)
    rig.board.arm_button = True
    rig.pass_ms(50)
    second = rig.board.uptime_ms
    rig.board.arm_button = False
    rig.keep(second + 12 * HOUR - 1_000, flags=WORK)
    rig.duty(0, 0, WORK)
    rig.pass_ms(999)
    assert rig.board.armed, "more than 13 hours after the first press"
    rig.pass_ms(1)
    assert not rig.board.armed


def test_flag_8_counts_only_in_a_good_s() -> None:
    rig = Rig().ready()
    rig.run(250, flags=0)
    for _ in range(15 * 60):
        rig.duty(0, 0, 0)
        rig.duty(0, 0, WORK, seq=rig.seq)
        rig.pass_ms(1_000)
    assert not rig.board.armed


@pytest.mark.parametrize("ever", [False, True])
def test_60_s_without_a_good_s_disarm_and_the_boot_counts_as_one(ever: bool) -> None:
    rig = Rig()
    rig.until(300)
    since = 0
    if ever:
        rig.pass_ms(20_000)
        rig.greet()
        rig.duty(0, 0, 0)
        since = rig.board.uptime_ms
    rig.press()
    rig.until(since + 59_999)
    assert rig.board.armed
    rig.pass_ms(1)
    assert not rig.board.armed
    rig.press()
    assert not rig.board.armed, "nothing arms while the host is silent"
    assert rig.telemetry()["arms"] == 2
    rig.greet()
    rig.press()
    assert not rig.board.armed, "a greeting is no good S"
    rig.duty(0, 0, 0)
    rig.press()
    assert rig.board.armed


def test_a_press_59_9_s_after_the_boot_arms_for_a_moment() -> None:
    rig = Rig()
    rig.until(59_900)
    rig.press(60)
    assert rig.board.armed == (rig.board.uptime_ms < 60_000)
    assert rig.telemetry()["arms"] == 1


def test_an_open_stop_circuit_disarms_after_20_ms() -> None:
    rig = Rig().ready()
    rig.run(2_000, oven=1000)
    rig.duty(1000, 0)
    rig.board.stop_closed = False
    rig.pass_ms(19)
    assert rig.board.armed
    assert rig.board.oven_on
    rig.pass_ms(1)
    assert not rig.board.armed
    assert not rig.board.oven_on
    assert not rig.board.contactor
    assert rig.board.trips == 16


def test_a_19_ms_glitch_of_the_stop_circuit_does_nothing() -> None:
    rig = Rig().ready()
    rig.board.stop_closed = False
    rig.pass_ms(19)
    rig.board.stop_closed = True
    rig.pass_ms(1_000)
    assert rig.board.armed
    assert rig.board.trips == 0


@pytest.mark.parametrize("how", ["trip", "boot", "watchdog"])
def test_a_trip_or_a_boot_disarms(how: str) -> None:
    rig = Rig(EVERYTHING).ready()
    if how == "trip":
        rig.duty(0, 0, TRIP)
    elif how == "boot":
        rig.board.power_cut()
        rig.board.power_on()
    else:
        rig.board.hang(1)
        rig.pass_ms(1_000)
    assert not rig.board.armed


def test_losing_the_arming_takes_the_duty_for_good() -> None:
    """After the next press nothing heats before the host asks anew."""
    rig = Rig().ready()
    rig.run(1_000, oven=1000)
    rig.board.stop_closed = False
    rig.pass_ms(30)
    rig.board.stop_closed = True
    rig.hold_reset()
    rig.greet()
    rig.duty(0, 0)
    rig.press()
    rig.board.take_on_s()
    rig.run(1_000, oven=0)
    assert rig.board.armed
    assert rig.board.take_on_s() == (0.0, 0.0)
