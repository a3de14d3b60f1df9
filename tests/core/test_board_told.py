"""What the board says over and over, late, or beside something else: told once, believed only while it is new."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from controller.core.tick import Core
from controller.model import Event, Preheat, Reading, Start, Temper
from controller.wire.frames import encode
from controller.wire.link import Link
from tests.core.rig import Rig, limits, program


def listened(rig: Rig, seconds: float, spoil: Callable[[Reading], Reading]) -> list[Event]:
    """The shop as `rig` has it, but what the board says goes through `spoil`."""
    events: list[Event] = []
    for _ in range(round(seconds / 0.25)):
        rig.now_s += 0.25
        rig.link.receive(rig.shop.exchange(rig.out, 0.25), rig.now_s)
        rig.outcome = rig.core.tick(rig.now_s, spoil(rig.link.take_reading()), [])
        rig.out = rig.link.send(rig.outcome.command, rig.now_s)
        events += rig.outcome.events
    return events


def test_a_frame_that_is_told_over_and_over_is_no_proof_and_takes_the_heat() -> None:
    """A converter that repeats itself, or a board whose clock stands still."""
    rig = Rig()
    rig.start()
    rig.run(20.0)
    frame = rig.core.sensing.frame
    assert frame is not None
    assert rig.core.command.oven_duty > 0.0
    events = listened(rig, 1.75, lambda reading: reading._replace(frames=(frame,)))
    assert rig.core.command.oven_duty == 0.0
    assert "board_lost" in [event.kind for event in events]


@pytest.mark.parametrize("every", [2, 3, 4, 5, 6, 7])
@pytest.mark.parametrize("last_only", [False, True])
def test_readings_that_come_late_do_not_look_like_a_board_that_does_not_drive_as_asked(
    every: int, last_only: bool
) -> None:
    rig = Rig(load=())
    rig.start(program(Temper(250.0, 3600.0)))
    rig.run(20.0)
    for tick in range(480):
        rig.now_s += 0.25
        rig.link.receive(rig.shop.exchange(rig.out, 0.25), rig.now_s)
        rig.out = b""
        if tick % every:
            continue
        reading = rig.link.take_reading()
        if last_only:
            reading = reading._replace(frames=reading.frames[-1:])
        rig.outcome = rig.core.tick(rig.now_s, reading, [])
        rig.out = rig.link.send(rig.outcome.command, rig.now_s)
        rig.events += rig.outcome.events
    assert rig.tripped() == []
    assert not rig.core.silent


SAME_SHAPE, ANOTHER_SHAPE = b"H,1,1,12345,0,31855,31000,11000,0,0,0,31,1000", b"H,2,1,12345,4100,31855,31000,11000"


@pytest.mark.parametrize("board", [SAME_SHAPE, ANOTHER_SHAPE])
def test_a_board_that_does_not_fit_is_told_once_and_not_with_each_greeting(board: bytes) -> None:
    link, core = Link(), Core(limits())
    link.port_changed("")
    kinds: list[str] = []
    for tick in range(240):
        now_s = 0.25 * tick
        outcome = core.tick(now_s, link.take_reading(), [])
        kinds += [event.kind for event in outcome.events]
        if link.send(outcome.command, now_s).startswith(b"!H,"):
            link.receive(encode(b"B,1,1,1,7,0") + encode(board), now_s)
    assert kinds.count("board_incompatible") == 1
    assert core.facts.incompatible == 1.0


def test_one_boot_of_the_board_is_one_in_the_book() -> None:
    rig = Rig()
    rig.arm()
    rig.shop.fault("board_reboot")
    rig.run(10.0)
    assert rig.kinds().count("board_rebooted") == 1
    rig.shop.fault("board_reboot")
    rig.run(10.0)
    assert rig.kinds().count("board_rebooted") == 2


def test_a_boot_that_is_seen_before_its_greeting_is_one_in_the_book() -> None:
    rig = Rig()
    rig.arm()
    events = listened(rig, 1.0, lambda reading: reading)
    board = rig.link.take_reading().board or rig.core.board
    assert board is not None
    early = [frame._replace(ms=5 + n) for n, frame in enumerate((rig.core.sensing.frame,) * 2) if frame is not None]
    events += rig.core.tick(rig.now_s + 0.25, Reading(board=board, frames=(early[0],)), []).events
    later = Reading(board=board._replace(boots=board.boots + 1), frames=(early[1],))
    events += rig.core.tick(rig.now_s + 0.5, later, []).events
    assert [event.kind for event in events].count("board_rebooted") == 1


def booted(rig: Rig, boots: int, *later_ms: int) -> list[str]:
    """One tick with a greeting of so many boots more (0: without one) and frames of these times; what is told."""
    board, frame = rig.core.board, rig.core.sensing.frame
    assert board is not None
    assert frame is not None
    frames = tuple(frame._replace(ms=ms) for ms in later_ms)
    rig.now_s += 0.25
    greeted = board._replace(boots=board.boots + boots) if boots else board
    reading = Reading(board=greeted, frames=frames)
    return [event.kind for event in rig.core.tick(rig.now_s, reading, []).events]


def test_a_boot_that_came_with_frames_from_before_it_does_not_hide_the_next_one() -> None:
    """A late tick has the last frame before the boot, its greeting and the first frame after it in one reading. The
    next boot comes after 25 days, when the board's clock is no longer seen to go back."""
    rig = Rig()
    rig.start()
    rig.run(5.0)
    ms = rig.core.sensing.frame.ms if rig.core.sensing.frame else 0
    assert booted(rig, 1, ms + 250, 250).count("board_rebooted") == 1
    assert "board_rebooted" not in booted(rig, 0, 0x70000000) + booted(rig, 0, 0x90000000)
    rig.core.oven.paused = False
    assert booted(rig, 1, 250).count("board_rebooted") == 1
    assert rig.core.oven.paused


def test_a_second_boot_before_the_greeting_of_the_first_is_told() -> None:
    rig = Rig()
    rig.start()
    rig.run(5.0)
    assert booted(rig, 0, 250).count("board_rebooted") == 1
    assert booted(rig, 2, 500).count("board_rebooted") == 1


def test_a_trip_of_the_board_beside_one_that_stands_is_told_by_itself() -> None:
    rig = Rig()
    rig.arm()
    rig.shop.fault("stop_pressed")
    rig.run(1.0)
    rig.shop.fault("stop_pressed", False)
    rig.run(5.0)
    assert "board_tripped_again" not in rig.kinds()

    def stuck(reading: Reading) -> Reading:
        return reading._replace(frames=tuple(frame._replace(trips=frame.trips | 128) for frame in reading.frames))

    told = [event for event in listened(rig, 5.0, stuck) if event.kind == "board_tripped_again"]
    assert [(event.data["which"], event.text) for event in told] == [
        ("stuck", "The board has tripped again: a heater draws current though switched off.")
    ]


@pytest.mark.parametrize("powered", [True, False])
def test_a_start_does_not_wait_for_the_arm_button_longer_because_the_board_is_silent(powered: bool) -> None:
    """Else a press for something else, half a day later, would begin its heat."""
    rig = Rig()
    rig.run(3.0)
    rig.tick(Start(program(), rig.load))
    rig.run(10.0)
    if powered:
        rig.cable = False
    else:
        rig.shop.fault("board_power_cut")
    for _ in range(6):
        rig.now_s += 60.0
        rig.core.tick(rig.now_s, rig.link.take_reading(), [])
    assert rig.core.oven.phase == "ready"
    assert rig.core.oven.run is None


def test_a_long_burst_is_followed_by_a_tick_without_a_frame() -> None:
    rig = Rig()
    rig.start()
    rig.run(20.0)
    for _ in range(10):
        rig.now_s += 0.25
        rig.link.receive(rig.shop.exchange(rig.out, 0.25), rig.now_s)
    rig.core.tick(rig.now_s, rig.link.take_reading(), [])
    applied = rig.core.oven_applied
    rig.core.tick(rig.now_s + 0.25, rig.link.take_reading(), [])
    assert rig.core.oven_applied == applied


def test_a_level_that_fell_under_heat_is_not_reset_while_it_is_low() -> None:
    rig = Rig(tank_c=40.0)
    rig.arm()
    rig.tick(Preheat(50.0))
    rig.run(30.0)
    rig.shop.fault("level_low")
    rig.run(300.0)
    for low in (True, False):
        rig.shop.fault("level_low", low)
        rig.run(2.0)
        rig.shop.press("reset")
        rig.run(4.0)
        assert ("level_heating" in rig.core.interlocks.latched) is low


def test_a_hold_that_was_counted_in_a_silence_is_not_judged_by_figures_from_before_it() -> None:
    rig = Rig(state={"latched": ["oven_rising_off"]}, oven_c=60.0)
    rig.run(120.0)
    assert rig.core.facts.oven_rising_off_k < 0.0
    rig.cable = False
    rig.run(10.0)
    rig.shop.press("reset", held_s=2.5)
    rig.run(10.0)
    rig.cable = True
    rig.run(4.0)
    assert "reset_refused" in rig.kinds()
    assert "oven_rising_off" in rig.core.interlocks.latched


def test_a_boot_is_not_shown_as_heat() -> None:
    """The board's counts of on-time begin at 0 again, which is less than they were and no second at full power."""
    rig = Rig()
    rig.start()
    rig.run(60.0)
    rig.shop.fault("board_reboot")
    shown = []
    for _ in range(40):
        outcome = rig.tick()
        if "board_rebooted" in rig.kinds():
            shown.append(outcome.snapshot.oven.applied_duty)
    assert shown
    assert not any(shown[4:])


def test_a_press_that_was_counted_over_a_gap_is_nobodys_word() -> None:
    rig = Rig()
    rig.run(3.0)
    rig.cable = False
    rig.run(90.0)
    rig.shop.press("arm")
    rig.run(5.0)
    rig.cable = True
    rig.run(3.0)
    assert "button_pressed" not in rig.kinds()
    rig.shop.press("arm")
    rig.run(2.0)
    assert rig.kinds().count("button_pressed") == 1
