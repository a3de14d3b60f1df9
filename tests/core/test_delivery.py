"""What was asked of the board and what it drove, compared over half a minute, also with a flicker in between."""

from __future__ import annotations

import pytest

from controller.core.delivery import Delivery
from controller.core.facts import NEVER
from controller.model import LoadItem, Preheat, Start, Temper
from tests.core.rig import Rig, limits, program


def after(seconds: int, *, asked: float = 0.3, on_s: float = 1.0, break_at: range = range(0)) -> list[float]:
    """What is shown second by second, after the first second of heat."""
    delivery = Delivery()
    delivery.second(True, asked, asked)
    return [delivery.second(at not in break_at, asked, on_s) for at in range(1, seconds + 1)]


@pytest.mark.parametrize(("broken_s", "told_s"), [(0, 30), (1, 33), (9, 41)])
def test_a_flicker_puts_the_comparison_off_and_does_not_begin_it_anew(broken_s: int, told_s: int) -> None:
    """One second of the window was before the board drove too much; after a flicker two are left out."""
    shown = after(45, break_at=range(20, 20 + broken_s))
    assert next(at for at, value in enumerate(shown, start=1) if value != NEVER) == told_s
    assert shown[told_s - 1] > 0.65


def test_what_was_before_a_longer_break_does_not_count() -> None:
    shown = after(75, break_at=range(20, 30))
    assert next(at for at, value in enumerate(shown, start=1) if value != NEVER) == 60


def test_what_the_board_drives_less_around_a_flicker_is_left_out() -> None:
    """Its heat goes off at once, and is asked for again a second later and driven from its next window on."""
    delivery = Delivery()
    shown = [delivery.second(True, 1.0, 0.0)]
    for at in range(3, 120):
        lost = at % 5
        shown.append(delivery.second(lost != 0, 1.0, 0.0 if lost in (0, 1, 2) else 1.0))
    assert max(shown) == 0.0


def test_what_is_forgotten_counts_no_more_and_nothing_is_left_out_after_it() -> None:
    delivery = Delivery()
    for _ in range(25):
        delivery.second(True, 1.0, 0.0)
    delivery.second(False, 1.0, 0.0)
    delivery.forget()
    shown = [delivery.second(True, 1.0, 0.0) for _ in range(31)]
    assert shown[:30] == [NEVER] * 30
    assert shown[30] == 1.0


def heating() -> Rig:
    """Both zones at full heat, at separate circuits."""
    load = (LoadItem(3.0, 25.0),)
    rig = Rig(limits(), load=load, tank_c=15.0)
    rig.arm()
    rig.tick(Start(program(Temper(205.0, 36_000.0)), load))
    rig.tick(Preheat(60.0))
    rig.run(3.0)
    return rig


@pytest.mark.parametrize("phase", range(4))
@pytest.mark.parametrize(("fault", "every"), [("oven_sensor_open", 20), ("tank_sensor_open", 40)])
def test_a_wire_that_flickers_is_no_board_that_does_not_obey(fault: str, every: int, phase: int) -> None:
    """One bad sample in 5 or 10 s: the heat goes off for it, which is not what was asked a second before."""
    rig = heating()
    for at in range(90 * 4):
        rig.shop.fault(fault, at % every == phase)
        rig.tick()
    assert rig.tripped() == []
    assert rig.core.command.oven_duty > 0.9


@pytest.mark.parametrize("phase", range(4))
def test_a_board_that_does_not_obey_is_told_though_a_wire_flickers(phase: int) -> None:
    """The oven is driven at full heat, of which 0.7 was asked; one bad sample every 12 s."""
    rig = heating()
    began_s = rig.now_s
    for at in range(90 * 4):
        rig.shop.fault("oven_sensor_open", at % 48 == phase + 20)
        command = rig.tick().command
        # What the core takes for sent is 0.7, what reaches the board is all of it.
        rig.core.command = command._replace(oven_duty=0.7 * command.oven_duty)
        if rig.tripped():
            break
    assert rig.tripped() == ["oven_delivery"]
    assert rig.now_s - began_s < 60.0
