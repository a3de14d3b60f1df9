"""Time that goes by unheard: by which clock a gap is measured, and what has to count on through it."""

from __future__ import annotations

import pytest

from controller.core.facts import NEVER
from controller.model import Preheat, Temper
from tests.core.rig import Rig, program
from tests.core.test_board_told import listened


def test_a_gap_is_measured_by_the_boards_clock_where_the_hosts_was_set_back() -> None:
    """The board stays armed: nothing but the gap says that nobody knows what was done meanwhile."""
    rig = Rig()
    rig.start()
    rig.run(5.0)
    listened(rig, 90.0, lambda reading: reading._replace(frames=()))
    rig.now_s -= 89.0
    rig.run(3.0)
    assert rig.core.moment.armed
    assert "run_paused" in rig.kinds()
    assert rig.core.command.oven_duty == 0.0


@pytest.mark.parametrize("every", [2, 3, 5, 7])
def test_readings_that_come_late_do_not_look_like_a_board_that_does_not_drive_the_tank_as_asked(every: int) -> None:
    rig = Rig(load=(), tank_c=20.0)
    rig.arm()
    rig.tick(Preheat(60.0))
    rig.run(20.0)
    assert rig.core.command.tank_duty > 0.9
    for tick in range(480):
        rig.now_s += 0.25
        rig.link.receive(rig.shop.exchange(rig.out, 0.25), rig.now_s)
        rig.out = b""
        if tick % every:
            continue
        rig.outcome = rig.core.tick(rig.now_s, rig.link.take_reading(), [])
        rig.out = rig.link.send(rig.outcome.command, rig.now_s)
        rig.events += rig.outcome.events
    assert rig.tripped() == []
    assert rig.core.facts.asked_applied_tank > NEVER
    assert rig.core.tank_applied == pytest.approx(rig.core.command.tank_duty, abs=0.1)


@pytest.mark.parametrize("gap_s", [0.0, 600.0])
def test_a_schedule_goes_on_by_the_clock_while_the_board_is_silent(gap_s: float) -> None:
    rig = Rig(load=(), tank_c=20.0)
    rig.arm()
    rig.tick(Preheat(45.0, ready_in_s=2400.0))
    rig.run(60.0)
    expected_s = rig.core.tank.ready_expected_s
    assert expected_s is not None
    rig.cable = False
    rig.run(gap_s)
    rig.cable = True
    rig.run(5.0)
    left_s = rig.core.tank.ready_expected_s
    assert left_s == pytest.approx(expected_s - gap_s - 5.0, abs=2.0)


def test_steel_is_as_cold_as_it_can_be_after_a_tick_that_came_a_minute_late() -> None:
    """A process that stood still: the first reading after it is fresh, and says nothing of the time before."""
    rig = Rig(part_sensor=False, oven_c=100.0)
    rig.start(program(Temper(150.0, 3600.0)))
    rig.run(1500.0)
    before_c = rig.core.oven.part_c
    assert before_c is not None
    assert before_c > 130.0
    rig.shop.exchange(b"", 60.0)
    rig.now_s += 60.0
    rig.tick()
    assert rig.core.oven.part_known
    found_c = rig.core.oven.part_c
    assert found_c is not None
    assert found_c < before_c - 15.0
    assert found_c < rig.shop.oven.core_c
