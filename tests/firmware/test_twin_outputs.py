"""Heater windows, carry-over, contactor, hangs and power cuts of the board twin (design chapter 5)."""

from __future__ import annotations

import pytest

from tests.firmware.twin_rig import CONTACTOR, EVERYTHING, Rig


def trace(rig: Rig, oven: int, tank: int, windows: int = 1) -> list[tuple[list[int], list[int]]]:
    """For each window the milliseconds, counted from its start, in which oven and tank were on."""
    assert rig.board.uptime_ms % 1000 == 0
    found = []
    for _ in range(windows):
        on: tuple[list[int], list[int]] = ([], [])
        for ms in range(1000):
            if ms % 250 == 0:
                rig.duty(oven, tank)
            if rig.board.oven_on:
                on[0].append(ms)
            if rig.board.tank_on:
                on[1].append(ms)
            rig.pass_ms(1)
        found.append(on)
    return found


@pytest.mark.parametrize(
    ("oven", "tank"),
    [(500, 0), (0, 500), (300, 700), (700, 300), (980, 20), (20, 980), (1000, 0), (0, 1000), (333, 333)],
)
def test_the_oven_starts_the_window_and_the_tank_ends_it(oven: int, tank: int) -> None:
    rig = Rig().ready()
    trace(rig, oven, tank)
    for oven_on, tank_on in trace(rig, oven, tank, 3):
        assert oven_on == list(range(oven))
        assert tank_on == list(range(1000 - tank, 1000))


def test_duties_on_two_circuits_may_overlap() -> None:
    rig = Rig().ready()
    trace(rig, 1000, 600)
    ((oven_on, tank_on),) = trace(rig, 1000, 600)
    assert (len(oven_on), len(tank_on)) == (1000, 600)


@pytest.mark.parametrize(
    "pair", [(10, 990), (15, 985), (19, 981), (990, 10), (985, 15), (1, 999), (500, 500), (505, 495)]
)
def test_duties_with_a_sum_of_1000_never_overlap_not_even_with_a_carry(pair: tuple[int, int]) -> None:
    rig = Rig().ready()
    trace(rig, 7, 9)
    trace(rig, *pair)
    windows = trace(rig, *pair, 40)
    for oven_on, tank_on in windows:
        assert not set(oven_on) & set(tank_on)
    for zone in (0, 1):
        total = sum(len(on[zone]) for on in windows)
        assert abs(total - 40 * pair[zone]) <= 40, "what is carried over is not lost"


@pytest.mark.parametrize(
    ("duty", "pattern"),
    [(20, [20] * 4), (19, [0, 38, 0, 38]), (10, [0, 20, 0, 20]), (7, [0, 0, 21, 0]), (1, [0] * 19 + [20])],
)
@pytest.mark.parametrize("zone", [0, 1])
def test_less_than_20_ms_is_carried_over(zone: int, duty: int, pattern: list[int]) -> None:
    rig = Rig().ready()
    duties = (duty, 0) if zone == 0 else (0, duty)
    rig.duty(*duties)
    rig.pass_ms(999)
    rig.duty(*duties)
    rig.pass_ms(1)
    rig.board.take_on_s()
    for expected in pattern:
        rig.run(1000, *duties)
        assert round(rig.board.take_on_s()[zone] * 1000) in (expected, expected - 1, expected + 1)


def test_duty_0_acts_at_once_and_anything_else_at_the_next_window() -> None:
    rig = Rig().ready()
    rig.duty(1000, 0)
    rig.pass_ms(500)
    assert not rig.board.oven_on, "it came after the window had begun"
    rig.duty(1000, 0)
    rig.pass_ms(500)
    assert rig.board.oven_on
    rig.pass_ms(300)
    rig.duty(200, 0)
    assert rig.board.oven_on, "200 acts at the next window"
    rig.duty(0, 0)
    assert not rig.board.oven_on
    rig.duty(1000, 0)
    rig.pass_ms(699)
    assert not rig.board.oven_on
    rig.pass_ms(1)
    assert rig.board.oven_on


def test_a_zero_for_one_zone_leaves_the_other() -> None:
    rig = Rig().ready()
    rig.run(1_100, 1000, 1000)
    assert rig.board.outputs & 3 == 3
    rig.duty(0, 1000)
    assert rig.board.outputs & 3 == 2


def test_a_bad_sample_ends_the_windows_heat() -> None:
    rig = Rig().ready()
    rig.run(1_000, 1000, 0)
    rig.duty(1000, 0)
    rig.faults[1] = "G"
    rig.pass_ms(200)
    rig.faults[1] = "-"
    rig.pass_ms(799)
    assert not rig.board.oven_on
    rig.duty(1000, 0)
    rig.pass_ms(1)
    assert rig.board.oven_on


def test_heaters_wait_100_ms_for_the_contactor() -> None:
    rig = Rig().ready()
    rig.duty(0, 0, 0)
    rig.pass_ms(950)
    rig.duty(1000, 0, CONTACTOR)
    assert rig.board.contactor
    rig.pass_ms(99)
    assert not rig.board.oven_on
    rig.pass_ms(1)
    assert rig.board.oven_on


def test_no_heat_without_the_contactor_wanted() -> None:
    rig = Rig().ready()
    rig.board.take_on_s()
    rig.run(5_000, 1000, 0, 0)
    assert not rig.board.contactor
    assert rig.board.take_on_s() == (0.0, 0.0)


def test_opening_the_contactor_takes_the_heaters_with_it() -> None:
    rig = Rig().ready()
    rig.run(1_500, 1000, 0)
    rig.duty(1000, 0, 0)
    assert rig.board.outputs == 0


@pytest.mark.parametrize("missing", ["wanted", "armed", "session", "trip", "stop circuit"])
def test_what_the_contactor_needs(missing: str) -> None:
    rig = Rig()
    rig.until(500)
    rig.greet()
    if missing != "armed":
        rig.press()
    flags = 0 if missing == "wanted" else CONTACTOR
    rig.duty(0, 0, flags)
    assert rig.board.contactor == (missing not in ("wanted", "armed"))
    if missing == "session":
        rig.pass_ms(2_000)
    elif missing == "trip":
        rig.duty(0, 0, CONTACTOR | 16)
    elif missing == "stop circuit":
        rig.board.stop_closed = False
        rig.pass_ms(20)
    assert not rig.board.contactor


def test_on_time_counters_count_real_milliseconds_and_wrap() -> None:
    rig = Rig().ready()
    before = rig.telemetry()
    rig.run(2000 - rig.board.uptime_ms % 1000, 300, 600)
    start = rig.telemetry()
    rig.run(200_000, 300, 600)
    after = rig.telemetry()
    ms = int(after["ms"]) - int(start["ms"])
    assert before["oven_on_ms"] == 0
    for name, duty in (("oven_on_ms", 300), ("tank_on_ms", 600)):
        counted = (int(after[name]) - int(start[name])) % 65536
        assert abs(counted - (ms * duty // 1000) % 65536) <= 750
    assert ms * 600 // 1000 > 65536, "the tank's counter has wrapped"


def test_take_on_s_adds_up_to_the_duty() -> None:
    rig = Rig().ready()
    rig.run(1_000, 450, 550)
    rig.board.take_on_s()
    total = [0.0, 0.0]
    for _ in range(37):
        rig.run(1_000, 450, 550)
        for zone, seconds in enumerate(rig.board.take_on_s()):
            total[zone] += seconds
    assert total == pytest.approx([37 * 0.45, 37 * 0.55], abs=0.001)


def test_on_times_are_told_while_the_output_is_still_on() -> None:
    rig = Rig().ready()
    rig.run(1_000, 800, 0)
    rig.board.take_on_s()
    rig.duty(800, 0)
    rig.pass_ms(300)
    assert rig.board.oven_on
    assert rig.board.take_on_s() == (0.3, 0.0)
    rig.pass_ms(700)
    assert rig.board.take_on_s() == (0.5, 0.0)
    rig.duty(800, 0)
    assert rig.telemetry()["oven_on_ms"] == 800 + 250


def test_a_window_that_a_stall_made_late_gets_no_heat() -> None:
    rig = Rig().ready()
    rig.duty(1000, 1000)
    rig.pass_ms(900)
    rig.board.hang(0.2)
    rig.pass_ms(200)
    rig.duty(1000, 1000)
    rig.board.take_on_s()
    rig.pass_ms(899)
    assert rig.board.take_on_s() == (0.0, 0.0)
    rig.duty(1000, 1000)
    rig.pass_ms(501)
    assert rig.board.take_on_s() == (0.5, 0.5)


# --- hangs, resets, power ---------------------------------------------------------------------------------


def test_a_hang_is_off_within_300_ms_and_boots_with_the_watchdogs_mark() -> None:
    rig = Rig(boots=5).ready()
    rig.run(3_000, 1000, 0)
    rig.duty(1000, 0)
    rig.board.take_on_s()
    rig.board.hang(60)
    rig.pass_ms(249)
    assert rig.board.oven_on, "a hang leaves the pins as they were"
    rig.pass_ms(51)
    assert rig.board.outputs == 0
    assert rig.board.take_on_s()[0] <= 0.3
    assert rig.heard[-1] == ["B", "1", "1", "8", "6", "0"]
    assert not rig.board.armed
    assert rig.board.uptime_ms < 300
    assert rig.duty(1000, 0) == 2, "frames of the old session do not heat"


def test_a_short_hang_loses_what_came_meanwhile_and_nothing_else() -> None:
    rig = Rig().ready()
    rig.run(500, 300, 0)
    rig.board.hang(0.2)
    assert rig.say("S,1,1,0,0,0") == []
    rig.pass_ms(300)
    seen = rig.telemetry()
    assert rig.board.armed
    assert seen["overruns"] == 1
    assert seen["sid"] == rig.sid


def test_power_loss_is_off_at_once_and_power_back_heats_nothing() -> None:
    rig = Rig().ready()
    rig.run(2_500, 1000, 1000)
    rig.board.power_cut()
    assert rig.board.outputs == 0
    assert [rig.board.oven_on, rig.board.tank_on, rig.board.contactor] == [False] * 3
    assert rig.say("H,1,1") == []
    rig.pass_ms(5_000)
    rig.board.take_on_s()
    rig.board.power_on()
    rig.greet()
    assert rig.telemetry()["arms"] == 0
    assert rig.duty(1000, 0) == 5
    rig.press()
    assert rig.duty(1000, 0) == 6, "limits must be set anew after a boot"
    rig.pass_ms(1_900)
    assert rig.board.take_on_s() == (0.0, 0.0)


@pytest.mark.parametrize("cause", [1, 2, 4, 8])
def test_the_cause_of_a_reset_is_told(cause: int) -> None:
    rig = Rig(EVERYTHING, boots=65535)
    rig.board.reset(cause)
    rig.pass_ms(1)
    assert rig.heard[-1] == ["B", "1", "1", str(cause), "0", "0"]
