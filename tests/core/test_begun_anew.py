"""What a boot of the board, a gap or a loss makes begin anew, and what it must not count."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from controller.core.facts import NEVER
from controller.core.sensing import Sensor
from controller.model import LoadItem, Reading, Resume, Temper
from tests.core.rig import Rig, program
from tests.core.test_board_told import listened
from tests.core.test_run import in_soak_with_a_ramp
from tests.core.test_sensing import jump


def boot(rig: Rig) -> None:
    rig.shop.fault("board_reboot")
    rig.run(6.0)
    assert rig.kinds().count("board_rebooted") == 1


def gap(rig: Rig, seconds: float = 65.0) -> None:
    rig.cable = False
    rig.run(seconds)
    rig.cable = True
    rig.run(3.0)


@pytest.mark.parametrize("lost", [boot, gap])
def test_an_oven_at_rest_is_measured_anew_after_a_boot_and_after_a_gap(lost: Callable[[Rig], None]) -> None:
    rig = Rig(oven_c=80.0)
    rig.run(130.0)
    assert rig.core.facts.oven_rising_off_k > NEVER
    lost(rig)
    assert rig.core.facts.oven_rising_off_k == NEVER
    rig.run(100.0)
    assert rig.core.facts.oven_rising_off_k > NEVER


@pytest.mark.parametrize("lost", [boot, gap])
def test_oil_at_rest_is_measured_anew_after_a_boot_and_after_a_gap(lost: Callable[[Rig], None]) -> None:
    rig = Rig()
    rig.run(800.0)
    assert rig.core.facts.tank_rising_off_k > NEVER
    lost(rig)
    assert rig.core.facts.tank_rising_off_k == NEVER


def test_a_door_and_a_step_from_before_a_gap_are_older_by_it() -> None:
    rig = Rig(oven_c=150.0, tank_c=40.0)
    rig.run(20.0)
    rig.shop.fault("door_open")
    rig.shop.tank.quench(0.5, 845.0, 12.0)
    rig.run(15.0)
    rig.shop.fault("door_open", False)
    rig.run(2.0)
    assert rig.core.oven_watch.opened_lately()
    assert rig.core.facts.oil_step == 1.0
    gap(rig, 245.0)
    assert not rig.core.oven_watch.opened_lately()
    assert rig.core.facts.oil_step == 0.0


def test_the_first_trip_after_a_boot_is_told_by_its_row_and_not_as_another_one() -> None:
    rig = Rig()
    rig.arm()
    rig.shop.fault("stop_pressed")
    rig.run(2.0)
    assert rig.core.facts.board_trips > 0.0

    frame = rig.core.sensing.frame
    assert frame is not None
    before_ms = frame.ms

    def stuck(reading: Reading) -> Reading:
        """From its first frame on it has another fault, and no word any more of the stop before its boot."""
        frames = (one._replace(trips=128) if one.ms < before_ms else one for one in reading.frames)
        return reading._replace(frames=tuple(frames))

    rig.shop.fault("stop_pressed", False)
    rig.shop.fault("board_reboot")
    kinds = [event.kind for event in listened(rig, 2.5, stuck)]
    assert "board_rebooted" in kinds
    assert "board_tripped_again" not in kinds
    assert rig.core.facts.board_trips == 128.0


def test_no_soak_counts_while_neither_the_steel_nor_the_air_is_known() -> None:
    rig = Rig(part_sensor=False, load=(LoadItem(0.3, 6.0),))
    rig.start(program(Temper(150.0, 3600.0)))
    rig.run(2 * 3600.0, lambda: rig.phase() == "soak")
    rig.run(60.0)
    run = rig.core.oven.run
    assert run is not None

    def lost(reading: Reading) -> Reading:
        frames = (frame._replace(faults="X" + frame.faults[1:]) for frame in reading.frames)
        return reading._replace(frames=tuple(frames))

    before_s = run.now.soak_done_s
    listened(rig, 0.5, lost)
    assert not rig.core.oven.part_known
    assert run.now.soak_done_s == before_s
    rig.run(0.5)
    assert run.now.soak_done_s == pytest.approx(before_s + 0.5)


def test_a_soak_that_goes_on_after_a_pause_heats_up_to_it_first() -> None:
    rig = Rig(load=(LoadItem(0.3, 6.0),))
    rig.start(program(Temper(150.0, 3600.0)))
    rig.run(2 * 3600.0, lambda: rig.phase() == "soak")
    rig.run(60.0)
    boot(rig)
    rig.shop.press("arm")
    rig.run(1.5)
    already = len(rig.events)
    rig.tick(Resume(1))
    rig.run(60.0, lambda: rig.phase() == "soak")
    told = [event.kind for event in rig.events[already:]]
    assert [kind for kind in told if kind in ("heat_up", "soak_begun")] == ["heat_up", "soak_begun"]


def test_losses_before_a_good_reading_leave_a_later_jump_no_more_room() -> None:
    """100 K: five seconds without a reading would explain them, but it read well since."""
    sensor = Sensor("K", True)
    jump(sensor, 20000, 1.0)
    for _ in range(20):
        sensor.take(31855, 0, 2400, "O", 0.25, False)
    jump(sensor, 20000, 1.0)
    assert sensor.value_c == pytest.approx(200.0)
    jump(sensor, 10000, 5.0)
    assert sensor.jump_s == pytest.approx(5.0)


def test_steel_that_fell_cold_in_its_soak_begins_its_ramp_where_it_is() -> None:
    rig = in_soak_with_a_ramp()
    rig.shop.fault("door_open")
    rig.run(600.0)
    cold_c, already = rig.shop.oven.core_c, len(rig.events)
    assert cold_c < 90.0
    rig.shop.fault("door_open", False)
    rig.run(30.0)
    assert [event.kind for event in rig.events[already:]].count("heat_up") == 1
    assert rig.core.oven.setpoint_c == pytest.approx(cold_c, abs=10.0)
