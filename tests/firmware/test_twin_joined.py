"""The host's link and the board twin, which read the wire each for itself, joined end to end."""

from __future__ import annotations

from controller.model import BoardLimits, Command
from controller.sim import board_frames
from controller.wire import frames, messages
from controller.wire.link import Link
from tests.firmware.twin_rig import Rig, frame


def test_both_ends_have_the_same_fields_in_the_same_order() -> None:
    assert board_frames.FIELD_LISTS == messages.FIELD_LISTS
    assert board_frames.LAYOUT == messages.LAYOUT == 56694


def test_both_ends_and_the_bench_make_the_same_frames() -> None:
    for body in ("H,1,1", "S,65535,1,0,1000,31", "L,1,2,0,-2147483648"):
        assert board_frames.encode(body.encode()) == frames.encode(body.encode()) == frame(body)


def joined(rig: Rig, link: Link, command: Command, seconds: float, step: int = 0) -> None:
    """`step`: how many bytes are handed over at a time, 0 all of them."""
    for _ in range(round(seconds * 4)):
        rig.board.advance(250, rig.sense)
        now_s = rig.samples * 0.2
        sent = rig.board.transmit()
        for place in range(0, len(sent), step or len(sent) or 1):
            link.receive(sent[place : place + step] if step else sent, now_s)
        asked = link.send(command, now_s)
        for place in range(0, len(asked), step or len(asked) or 1):
            rig.board.receive(asked[place : place + step] if step else asked)


def test_a_greeting_limits_and_heat_go_through_whole_and_by_single_bytes() -> None:
    command = Command(oven_duty=0.5, contactor=True, limits=BoardLimits(29_000, 8_000, 10_000))
    for step in (0, 1, 7):
        rig, link = Rig(), Link()
        link.port_changed("")
        joined(rig, link, Command(limits=command.limits), 3, step)
        assert link.greeted
        assert link.take_reading().limits_set
        rig.press()
        rig.board.take_on_s()
        joined(rig, link, command, 10, step)
        reading = link.take_reading()
        assert reading.answer == 0
        assert reading.board is not None
        assert (reading.board.fitted, reading.board.layout) == (31, 56694)
        newest = reading.frames[-1]
        assert (newest.bad_frames, newest.trips, newest.sid) == (0, 0, reading.board.sid)
        assert 4.0 <= rig.board.take_on_s()[0] <= 5.0
        assert link.bad_frames == 0


def test_a_watchdog_reset_is_found_and_greeted_anew_and_nothing_heats() -> None:
    command = Command(oven_duty=1.0, contactor=True, limits=BoardLimits(29_000, 8_000, 10_000))
    rig, link = Rig(), Link()
    link.port_changed("")
    joined(rig, link, Command(limits=command.limits), 3)
    rig.press()
    joined(rig, link, command, 4)
    assert rig.board.oven_on
    rig.board.hang(5)
    joined(rig, link, command, 0.5)
    rig.board.take_on_s()
    joined(rig, link, command, 10)
    reading = link.take_reading()
    assert reading.board is not None
    assert (reading.board.boots, reading.board.reset_cause, reading.answer) == (2, 8, 5)
    assert rig.board.take_on_s() == (0.0, 0.0)
