"""Steel without a sensor: never taken as hot while it may be cold, and never as cooled while it may be hot."""

from __future__ import annotations

import json
from math import nan

import pytest

from controller.core.estimate import FASTEST, PartEstimate, lag_s
from controller.core.tick import Core
from controller.model import LoadItem, Resume, Temper
from controller.wire.link import Link
from tests.core.rig import Rig, limits, program

STEEL = LoadItem(0.3, 12.0)
BAR = LoadItem(2.0, 25.0)


def in_soak(load: LoadItem = STEEL, *tempers: Temper) -> Rig:
    """Without a sensor on the steel, a minute into its soak."""
    rig = Rig(load=(load,), part_sensor=False)
    rig.start(program(*tempers or (Temper(205.0, 3600.0, band_c=10.0),)))
    rig.run(2 * 3600.0, lambda: rig.phase() == "soak")
    rig.run(60.0)
    return rig


def soaked_s(rig: Rig) -> float:
    run = rig.core.oven.run
    assert run is not None
    return run.now.soak_done_s


def restart(rig: Rig) -> None:
    """Another process at the same shop."""
    rig.core = Core(limits(), state=json.loads(json.dumps(rig.core.state())))
    rig.link = Link()
    rig.link.port_changed("")
    rig.out = b""
    rig.run(5.0)


def test_behind_air_that_is_not_known_the_steel_is_as_cold_as_it_can_be() -> None:
    estimate = PartEstimate()
    estimate.load((STEEL,), 200.0)
    estimate.step(205.0, nan, 0.25)
    before_c = estimate.part_c
    assert before_c is not None
    estimate.step(nan, nan, 1.0)
    # By hand: one second towards the room's 20 °C, as the fastest tenth of the loads goes.
    fallen_k = (before_c - 20.0) * FASTEST / lag_s(before_c, 12.0)
    assert estimate.part_c == pytest.approx(before_c - fallen_k)
    for _ in range(3600):
        estimate.step(nan, nan, 1.0)
    assert estimate.part_c == pytest.approx(20.0, abs=0.1)
    assert estimate.hottest_c == pytest.approx(205.0, abs=0.1), "the oven may have stayed as hot as it was"
    assert estimate.error_c(nan) > 180.0


def test_what_went_by_unseen_fades_once_the_air_is_known() -> None:
    estimate = PartEstimate()
    estimate.load((STEEL,), 20.0, 205.0)
    errors = []
    for _ in range(6):
        errors.append(estimate.error_c(100.0))
        for _ in range(600):
            estimate.step(100.0, nan, 1.0)
    assert errors == sorted(errors, reverse=True)
    assert errors[0] > 185.0
    assert errors[-1] == pytest.approx(10.0, abs=1.0)
    assert estimate.part_c == pytest.approx(100.0, abs=2.0)


def test_a_measured_value_ends_all_doubt() -> None:
    estimate = PartEstimate()
    estimate.load((STEEL,), 20.0, 205.0)
    estimate.step(nan, 150.0, 0.25)
    assert (estimate.part_c, estimate.hottest_c) == (150.0, 150.0)


def test_steel_that_nobody_spoke_of_is_between_room_and_air() -> None:
    estimate = PartEstimate()
    assert estimate.hottest_c is None
    estimate.step(nan, nan, 5.0)
    assert (estimate.part_c, estimate.error_c(nan)) == (None, 16.0)
    estimate.step(180.0, nan, 0.0)
    assert (estimate.part_c, estimate.hottest_c) == (20.0, 180.0)
    cold = PartEstimate()
    cold.step(5.0, nan, 0.0)
    assert cold.part_c == 5.0, "in a cold shop no warmer than its air"


def test_an_hour_without_heat_and_without_a_reading_is_no_soak() -> None:
    rig = in_soak()
    rig.shop.fault("board_reboot")
    rig.run(121.0)
    rig.shop.fault("oven_sensor_open")
    before_s = soaked_s(rig)
    rig.run(3300.0)
    assert rig.tripped() == []
    assert soaked_s(rig) == before_s
    part_c = rig.core.oven.part_c
    assert part_c is not None
    assert part_c < rig.shop.oven.core_c
    rig.shop.fault("oven_sensor_open", False)
    rig.run(31.0)
    rig.shop.press("arm")
    rig.run(1.5)
    rig.tick(Resume(1))
    rig.run(60.0)
    assert rig.phase() != "ended"
    assert soaked_s(rig) == before_s


def test_three_hours_without_a_word_leave_no_hot_steel() -> None:
    rig = in_soak(BAR)
    before_s = soaked_s(rig)
    rig.cable = False
    rig.run(3 * 3600.0)
    rig.cable, rig.out = True, b""
    rig.link.port_changed("")
    rig.run(5.0)
    oven = rig.core.oven
    assert oven.part_c is not None
    assert oven.part_error_c is not None
    assert oven.part_c < 30.0
    assert oven.part_c - oven.part_error_c <= rig.shop.oven.core_c <= oven.part_c + oven.part_error_c
    rig.shop.press("arm")
    rig.run(1.5)
    rig.tick(Resume(1))
    assert rig.refusal() == []
    rig.run(3600.0, lambda: soaked_s(rig) > before_s + 2.0)
    assert rig.shop.oven.core_c > 175.0, "the soak went on with steel that was still cold"


def test_a_tick_that_was_not_made_is_time_unseen_too() -> None:
    rig = in_soak(STEEL)
    before_s = soaked_s(rig)
    rig.shop.exchange(b"", 1800.0)
    rig.now_s += 1800.0
    rig.out = b""
    rig.tick()
    rig.run(5.0)
    assert rig.core.oven.part_c is not None
    assert rig.core.oven.part_c < 60.0
    assert soaked_s(rig) == pytest.approx(before_s, abs=0.5)


def test_a_cable_pulled_for_some_seconds_costs_a_little_soak_and_no_more() -> None:
    rig = in_soak(BAR)
    before_c = rig.core.oven.part_c
    rig.cable = False
    rig.run(10.0)
    rig.cable = True
    rig.run(5.0)
    assert before_c is not None
    assert rig.core.oven.part_c is not None
    assert before_c - 6.0 < rig.core.oven.part_c < before_c


def test_after_a_restart_steel_is_not_as_hot_as_the_oven() -> None:
    rig = Rig(load=(BAR,), part_sensor=False)
    rig.start(program(Temper(205.0, 3600.0)))
    rig.run(3600.0, lambda: rig.core.facts.oven_c >= 200.0)
    restart(rig)
    rig.tick(Resume(1))
    assert rig.refusal() == []
    assert rig.phase() == "heat_up"
    rig.run(2 * 3600.0, lambda: rig.phase() == "soak")
    assert rig.phase() == "soak"
    assert rig.shop.oven.core_c > 185.0


def test_a_start_in_an_oven_that_stayed_hot_begins_no_soak_with_cold_steel() -> None:
    rig = Rig(load=(STEEL,), part_sensor=False, oven_c=205.0)
    rig.run(1800.0, lambda: rig.core.facts.oven_c < 160.0)
    rig.start(program(Temper(150.0, 600.0)))
    rig.run(1.0)
    assert rig.phase() == "heat_up"


def test_what_may_still_be_hot_is_not_handed_over_as_cooled() -> None:
    rig = in_soak(STEEL, Temper(205.0, 90.0, band_c=10.0), Temper(205.0, 90.0, prompt="Turn it."))
    rig.run(600.0, lambda: rig.phase() == "cool")
    rig.run(130.0)  # longer, and a sensor that fails is no trip
    rig.shop.fault("oven_sensor_open")
    rig.run(3600.0)
    assert rig.phase() == "cool", "its air is not known: it may be hot"
    rig.shop.fault("oven_sensor_open", False)
    rig.run(60.0)
    restart(rig)
    rig.tick(Resume(1))
    rig.shop.press("arm")
    rig.run(2.0)
    assert rig.phase() == "cool", "another process has not seen it cool"
    rig.run(2 * 3600.0, lambda: rig.phase() == "prompt")
    assert rig.phase() == "prompt"
