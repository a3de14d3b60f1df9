"""What the watches count beside their readings, over a gap: begun anew where it says what was done to the zone, older
by the gap where it says how long ago something was."""

from __future__ import annotations

from math import nan

import pytest

from controller.core.facts import NEVER
from tests.core.test_watch import Oven, Tank

GAP_S = 90.0


# --- The oven ------------------------------------------------------------------------------------------------


def test_a_reading_that_fell_fast_before_a_gap_excuses_no_longer_than_without_one() -> None:
    oven = Oven()
    for at_s in range(20):
        oven.second(200.0 - 10.0 * max(0, at_s - 14))
    assert oven.watch.opened_lately()
    oven.watch.forget(300.0)
    oven.second(150.0)
    assert not oven.watch.opened_lately()


def test_an_oven_over_its_program_is_measured_after_a_gap_from_what_it_shows_then() -> None:
    """The heat was taken off before the gap; what the air did in it nobody saw."""
    oven = Oven()

    def withheld(seconds: int, reading_c: float) -> float:
        worst_k = NEVER
        for _ in range(seconds):
            oven.facts.oven_c = oven.facts.oven_limit_c = reading_c
            oven.watch.second(oven.facts, 0.0, False, 180.0, True, True)
            worst_k = max(worst_k, oven.facts.oven_over_rising_k)
        return worst_k

    assert withheld(60, 210.0) == 0.0
    oven.watch.forget(GAP_S)
    assert withheld(30, 215.0) == NEVER
    assert withheld(30, 215.0) == 0.0
    assert withheld(1, 217.5) >= 2.0, "a stuck relay is seen after a gap as before it"


def test_a_bad_sample_in_the_second_that_is_compared_with_hides_no_stuck_relay() -> None:
    """The heat has been off for 30 s in an oven over its program, and just that reading is bad."""
    oven = Oven()
    worst_k = NEVER
    for at_s in range(1, 41):
        oven.facts.oven_c = oven.facts.oven_limit_c = nan if at_s in (30, 31) else 210.0 + 0.3 * max(0, at_s - 30)
        oven.watch.second(oven.facts, 0.0, False, 180.0, True, True)
        if oven.facts.oven_over_rising_k == oven.facts.oven_over_rising_k:
            worst_k = max(worst_k, oven.facts.oven_over_rising_k)
    assert worst_k >= 2.0


def test_a_sensor_that_is_bad_when_the_heat_goes_off_once_more_shows_its_offset_and_no_rise() -> None:
    """It read well while the heat was off before: that is no word about where it stands now."""
    oven = Oven()
    for _ in range(100):
        oven.second(150.0, limit_c=150.0)
    for _ in range(10):
        oven.second(150.0, limit_c=nan, asked=0.5, target_c=160.0)
    for _ in range(200):
        oven.second(150.0, limit_c=nan)
    for _ in range(200):
        oven.second(150.0, limit_c=165.0)
    assert oven.worst["oven_rising_off_k"] < 5.0


def fallen_under_heat(oven: Oven) -> None:
    """Until the question about the door is open."""
    for at_s in range(400):
        oven.second(200.0 - 0.1 * at_s, asked=0.8, target_c=205.0)
        assert oven.facts.oven_fall_unanswered == 0.0
        if oven.watch.asking:
            return
    raise AssertionError("nothing was asked")


@pytest.mark.parametrize("answered", [False, True])
def test_a_question_about_the_door_from_before_a_gap_is_asked_and_answered_anew(answered: bool) -> None:
    oven = Oven()
    fallen_under_heat(oven)
    if answered:
        oven.watch.answer(False)
    oven.watch.forget(GAP_S)
    for _ in range(200):
        oven.second(180.0, asked=0.8, target_c=205.0)
        assert (oven.facts.oven_fall_asked, oven.facts.oven_fall_unanswered) == (0.0, 0.0)
    # A no from before the gap answers no question of after it.
    fallen_under_heat(oven)


def test_a_hot_reading_from_before_a_gap_hides_no_relay_that_sticks_after_it() -> None:
    oven = Oven()
    for _ in range(300):
        oven.second(200.0, asked=0.3, target_c=200.0)
    oven.watch.forget(GAP_S)
    for at_s in range(150):
        oven.second(100.0 + 0.3 * at_s)
    assert oven.worst["oven_rising_off_k"] >= 5.0


@pytest.mark.parametrize(("gap_s", "afresh"), [(GAP_S, False), (700.0, True)])
def test_a_fall_from_before_a_gap_keeps_the_rest_line_over_a_reset_no_longer_than_without_one(
    gap_s: float, afresh: bool
) -> None:
    oven = Oven()
    fallen_under_heat(oven)
    oven.watch.answer(False)
    oven.second(150.0, asked=0.8, target_c=205.0)
    assert oven.facts.oven_fall_unanswered == 1.0
    oven.watch.forget(gap_s)
    for _ in range(100):
        oven.second(150.0)
    assert oven.facts.oven_rising_off_k > NEVER
    oven.watch.reset()
    oven.second(150.0)
    assert (oven.facts.oven_rising_off_k == NEVER) is afresh


# --- The oil -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("duty", "every", "told_s"),
    [
        pytest.param(0.2, 1, None, id="less than a gentle preheat"),
        pytest.param(1.0, 2, None, id="with many breaks"),
        pytest.param(0.7, 1, 600, id="enough, which counts from after the gap"),
    ],
)
def test_heat_from_before_a_gap_is_not_counted_among_what_the_oil_was_given(
    duty: float, every: int, told_s: int | None
) -> None:
    tank = Tank()
    for at_s in range(600):
        tank.second(30.0 + 0.03 * at_s, asked=1.0)
    assert tank.worst["tank_no_rise"] < 0.0
    tank.watch.forget(GAP_S)
    found = None
    for at_s in range(800):
        tank.second(48.0, asked=0.0 if at_s % every else duty)
        if found is None and tank.facts.tank_no_rise >= 0.0:
            found = at_s
    assert found == told_s


@pytest.mark.parametrize(("from_c", "after_s"), [(30.0, 780), (75.5, 300)])
def test_a_heater_is_off_after_a_gap_for_as_long_as_it_was_seen_to_be(from_c: float, after_s: int) -> None:
    """It may have been on until the gap's last second, and the oil takes that heat up for minutes."""
    tank = Tank()
    for _ in range(900):
        tank.second(from_c)
    assert tank.facts.tank_rising_off_k > NEVER
    tank.watch.forget(GAP_S)
    first_s = None
    for at_s in range(1, 1000):
        tank.second(min(from_c + 0.02 * at_s, 89.0))
        if first_s is None and tank.facts.tank_rising_off_k > NEVER:
            first_s = at_s
    assert first_s == after_s + 1
    assert tank.worst["tank_rising_off_k"] >= 4.0


def test_oil_that_its_own_heater_warms_close_to_the_limit_is_no_stuck_relay() -> None:
    """Also for five minutes after that: what the heater still holds goes into the oil as evenly."""
    tank = Tank()
    for at_s in range(600):
        tank.second(55.0 + 0.05 * at_s, asked=0.6)
    for _ in range(300):
        tank.second(85.0)
    assert tank.worst["tank_rising_off_k"] == NEVER
    tank.second(85.0)
    assert tank.facts.tank_rising_off_k > NEVER


def test_a_step_that_a_gap_cut_off_is_no_quench() -> None:
    tank = Tank()
    for at_s in range(40):
        tank.second(50.0 + 0.5 * max(0, at_s - 25))
    assert tank.facts.oil_step == 1.0
    tank.watch.forget(GAP_S)
    for _ in range(120):
        tank.second(51.0)
    assert tank.steps == []


def test_a_step_from_before_a_gap_is_as_old_as_it_is() -> None:
    tank = Tank()
    for at_s in range(40):
        tank.second(50.0 + 0.5 * max(0, at_s - 25))
    assert tank.facts.oil_step == 1.0
    tank.watch.forget(GAP_S)
    tank.second(57.0)
    assert tank.facts.oil_step == 0.0


def test_a_fast_rise_from_before_a_gap_is_not_counted_on_to_a_fire() -> None:
    """A second quench after the gap, too slow to be a step: neither rise lasts for the minute that a fire does."""
    tank = Tank()
    for at_s in range(115):
        tank.second(20.0 + 0.35 * at_s)
    tank.watch.forget(GAP_S)
    for at_s in range(100):
        tank.second(60.0 + 0.25 * at_s)
    assert tank.worst["oil_still_rising"] < 0.0
    for at_s in range(100, 125):
        tank.second(60.0 + 0.25 * at_s)
    assert tank.worst["oil_still_rising"] >= 0.0, "a fire is told after a gap as before it"


@pytest.mark.parametrize("cause", ["a declared quench", "a step"])
@pytest.mark.parametrize(("gap_s", "told"), [(GAP_S, False), (400.0, True)])
def test_what_explains_a_rise_explains_it_no_longer_for_a_gap(cause: str, gap_s: float, told: bool) -> None:
    """Close to the limit five minutes are enough; a quench explains a rise for ten, the gap among them."""
    tank = Tank()
    for at_s in range(60):
        tank.second(72.0 + (0.5 * min(8, max(0, at_s - 40)) if cause == "a step" else 0.0))
    if cause == "a declared quench":
        tank.watch.declared(None)
    tank.watch.forget(gap_s)
    for at_s in range(330):
        tank.second(76.0 + 0.03 * at_s)
    assert (tank.facts.tank_rising_off_k >= 4.0) is told
