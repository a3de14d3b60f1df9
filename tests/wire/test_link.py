"""The host's end: greeting, session, sequence, limits. The board's side is written by hand here."""

from __future__ import annotations

import random
from math import inf, nan

import pytest

from controller.model import BoardLimits, Command
from controller.wire.frames import encode
from controller.wire.link import LIMIT_RETRY_S, Link, thousandths

HELLO = "H,1,1,{layout},{sid},31855,31000,11000,31000,11000,11000,1951,1000"
LIMITS = BoardLimits(29655, 8700, 9000)


def hello(sid: int = 77, layout: int = 56694) -> bytes:
    return encode(b"B,1,1,1,1,0") + encode(HELLO.format(sid=sid, layout=layout).encode())


def telemetry(sid: int, tseq: int = 1) -> bytes:
    return encode(f"T,{tseq},1000,{sid},2000,2000,2000,2000,2000,2400,-----,2,0,0,0,0,0,0,0,0,0,0,0".encode())


def lines(data: bytes) -> list[str]:
    return [line[1:-5].decode() for line in data.split(b"\n") if line]


def opened() -> Link:
    link = Link()
    link.port_changed("")
    assert lines(link.poll(0.0)) == ["H,1,1"]
    link.receive(hello(), 0.1)
    assert link.greeted
    return link


def test_greets_every_300_ms_until_it_is_answered() -> None:
    link = Link()
    assert link.poll(0.0) == b"", "no port, no greeting"
    link.port_changed("")
    assert lines(link.poll(0.0)) == ["H,1,1"]
    assert link.poll(0.29) == b""
    assert lines(link.poll(0.30)) == ["H,1,1"]
    link.receive(hello(), 0.4)
    assert link.poll(1.0) == b""


def test_sends_limits_after_the_greeting_and_no_duty_before_they_are_answered() -> None:
    link = opened()
    sent = lines(link.send(Command(oven_duty=1.0, contactor=True, limits=LIMITS), 0.2))
    assert sent == ["L,77,1,0,29655", "L,77,2,1,8700", "L,77,3,2,9000", "S,77,4,0,0,4"]
    assert not link.take_reading().limits_set
    link.receive(encode(b"A,1,0") + encode(b"A,2,0"), 0.3)
    assert lines(link.send(Command(oven_duty=0.5, tank_duty=0.5, limits=LIMITS), 0.4)) == ["S,77,5,500,0,0"]
    assert lines(link.send(Command(limits=LIMITS), 0.71)) == ["L,77,6,2,9000", "S,77,7,0,0,0"]
    link.receive(encode(b"A,6,0"), 0.8)
    assert link.take_reading().limits_set
    assert lines(link.send(Command(oven_duty=0.5, tank_duty=0.25, limits=LIMITS), 0.9)) == ["S,77,8,500,250,0"]


def test_limits_that_are_not_wanted_are_not_sent() -> None:
    link = opened()
    sent = lines(link.send(Command(limits=BoardLimits(29655, None, None)), 0.2))
    assert sent[0] == "L,77,1,0,29655"
    assert len(sent) == 2
    link.receive(encode(b"A,1,0"), 0.3)
    assert link.take_reading().limits_set


def test_the_flags() -> None:
    link = opened()
    command = Command(sounder=True, agitator=True, contactor=True, work=True, trip=True)
    assert lines(link.send(command, 0.2)) == ["S,77,1,0,0,31"]


def test_the_sequence_wraps() -> None:
    link = opened()
    last = ""
    for number in range(65537):
        last = lines(link.send(Command(), 0.2 + number * 1e-6))[-1]
    assert last.startswith("S,77,1,")


def test_the_newest_answer_to_an_s_of_this_session() -> None:
    link = opened()
    assert link.take_reading().answer is None
    link.send(Command(), 0.2)
    link.receive(encode(b"A,1,5"), 0.3)
    assert link.take_reading().answer == 5
    link.receive(encode(b"A,999,0"), 0.3)
    assert link.take_reading().answer == 5, "an answer to nothing we sent"


@pytest.mark.parametrize(
    "ends",
    [
        encode(b"B,1,1,8,2,0"),
        telemetry(0, 1) + telemetry(0, 2),
        telemetry(76, 1) + telemetry(76, 2),
        encode(b"A,1,2"),
    ],
)
def test_a_session_that_is_over_is_greeted_anew(ends: bytes) -> None:
    link = opened()
    link.send(Command(), 0.2)
    link.receive(ends, 0.5)
    assert not link.greeted
    assert lines(link.send(Command(oven_duty=1.0), 1.0)) == ["H,1,1"]


def test_a_board_that_is_not_heard_any_more_is_left_to_itself_until_it_is() -> None:
    link = opened()
    assert link.send(Command(agitator=True), 0.2)
    link.receive(telemetry(77), 0.3)
    assert lines(link.send(Command(agitator=True), 3.29)) == ["S,77,2,0,0,2"]
    for tick in range(4, 400):
        assert link.send(Command(agitator=True), 3.3 + tick) == link.poll(3.3 + tick) == b""
    assert not link.greeted
    link.receive(b"noise*1234\n!H", 410.0)
    assert link.poll(410.0) == b""
    link.receive(b"\n" + telemetry(0), 410.1)
    assert lines(link.poll(410.1)) == ["H,1,1"]
    link.receive(hello(78), 410.2)
    assert lines(link.send(Command(), 410.3)) == ["S,78,1,0,0,0"]


def test_a_board_that_comes_back_with_other_firmware_is_greeted_and_named() -> None:
    """On a line without a port that could be lost; its telemetry has other fields than ours."""
    link = opened()
    assert link.send(Command(), 9.0) == b""
    for other in (b"S,78,1,0,0,0", b"noise"):
        link.receive(encode(other), 20.0)
        assert link.poll(20.0) == b"", "no telemetry: an echo of our own, or nothing at all"
    link.receive(encode(b"T,1,1000,0,2000,2000,-----,0,0"), 20.1)
    assert lines(link.poll(20.1)) == ["H,1,1"]
    link.receive(encode(b"B,1,1,1,2,0") + encode(b"H,1,1,1234,0,31855,9"), 20.2)
    assert link.take_reading().incompatible == "layout"
    assert not link.greeted


def test_another_port_is_greeted_at_once() -> None:
    link = opened()
    assert link.send(Command(), 9.0) == b""
    link.port_changed("")
    assert lines(link.poll(9.1)) == ["H,1,1"]


def test_another_layout_gets_no_duty_and_says_so() -> None:
    link = Link()
    link.port_changed("")
    link.poll(0.0)
    link.receive(hello(sid=0, layout=1) + telemetry(0), 0.1)
    reading = link.take_reading()
    assert reading.incompatible == "layout"
    assert len(reading.frames) == 1, "telemetry goes on"
    assert link.send(Command(oven_duty=1.0), 0.2) == b""
    assert lines(link.send(Command(oven_duty=1.0), 5.1)) == ["H,1,1"]


def test_a_lost_port_forgets_the_session_and_says_why() -> None:
    link = opened()
    link.receive(telemetry(77)[:20], 0.5)
    link.port_changed("The cable is out.")
    reading = link.take_reading()
    assert (reading.board, reading.frames, reading.port_text) == (None, (), "The cable is out.")
    assert link.send(Command(oven_duty=1.0), 0.6) == b""


def test_one_odd_telemetry_frame_does_not_end_a_session() -> None:
    link = opened()
    link.receive(telemetry(0, 1) + telemetry(77, 2) + telemetry(0, 3), 0.5)
    assert link.greeted


def test_a_greeting_whose_boot_frame_was_lost_opens_nothing_and_is_sent_again() -> None:
    link = Link()
    link.port_changed("")
    link.poll(0.0)
    link.receive(hello()[len(encode(b"B,1,1,1,1,0")) :], 0.1)
    assert not link.greeted
    assert link.take_reading().board is None, "no number of the boot is made up"
    assert lines(link.poll(0.3)) == ["H,1,1"]
    link.receive(hello(sid=78), 0.4)
    board = link.take_reading().board
    assert board is not None
    assert (board.boots, board.sid) == (1, 78)


@pytest.mark.parametrize(
    ("answer", "which"),
    [
        (b"H,2,9,56694,0,31855,31000,11000,31000,11000,11000,1951,1000", "protocol"),
        (b"H,1,9,56694,0,31855,31000,11000,31000,11000,11000,1951,1000", "protocol"),
        (b"H,1,9,56693,5,31855,31000,11000,31000,11000,11000,1951,1000", "layout"),
        (b"H,1,9,56693,5,31855,31000,11000,1951,1000", "layout"),
        (b"H,3,9,1", "protocol"),
    ],
)
def test_what_does_not_fit_is_named_and_gets_no_duty(answer: bytes, which: str) -> None:
    link = opened()
    link.receive(encode(b"B,1,9,1,1,0") + encode(answer), 0.5)
    assert link.take_reading().incompatible == which
    assert not link.greeted
    assert lines(link.send(Command(oven_duty=1.0, limits=LIMITS), 9.0)) == ["H,1,1"]
    link.receive(hello(), 9.1)
    assert link.take_reading().incompatible is None
    assert link.greeted


def test_a_refused_limit_is_asked_again_and_holds_its_zone_back() -> None:
    link = opened()
    link.send(Command(limits=LIMITS), 0.2)
    link.receive(encode(b"A,1,0") + encode(b"A,2,0") + encode(b"A,3,1"), 0.3)
    command = Command(oven_duty=0.5, tank_duty=0.5, limits=LIMITS)
    assert lines(link.send(command, 0.4)) == ["S,77,5,500,0,0"]
    assert not link.take_reading().limits_set
    assert lines(link.send(command, 0.21 + LIMIT_RETRY_S)) == ["L,77,6,2,9000", "S,77,7,500,0,0"]


def test_limits_answered_after_they_were_sent_again_count() -> None:
    link = opened()
    link.send(Command(limits=LIMITS), 0.2)
    link.send(Command(limits=LIMITS), 0.8)
    link.receive(encode(b"A,1,0") + encode(b"A,2,0") + encode(b"A,3,0"), 0.9)
    assert link.take_reading().limits_set


def test_an_answer_to_an_earlier_limit_says_nothing_about_the_new_one() -> None:
    link = opened()
    link.send(Command(limits=LIMITS), 0.2)
    lower = LIMITS._replace(oven_trip=25000)
    assert lines(link.send(Command(oven_duty=1.0, limits=lower), 0.3))[0] == "L,77,5,0,25000"
    link.receive(encode(b"A,1,0") + encode(b"A,2,0") + encode(b"A,3,0"), 0.4)
    assert lines(link.send(Command(oven_duty=1.0, limits=lower), 0.5)) == ["S,77,9,0,0,0"]
    link.receive(encode(b"A,5,0"), 0.6)
    assert lines(link.send(Command(oven_duty=1.0, limits=lower), 0.7)) == ["S,77,10,1000,0,0"]


def test_a_command_without_limits_leaves_those_given() -> None:
    link = opened()
    link.send(Command(limits=LIMITS), 0.2)
    link.receive(encode(b"A,1,0") + encode(b"A,2,0") + encode(b"A,3,0"), 0.3)
    assert lines(link.send(Command(), 0.4)) == ["S,77,5,0,0,0"]
    assert lines(link.send(Command(oven_duty=0.5, limits=LIMITS), 0.5)) == ["S,77,6,500,0,0"]


def test_no_limits_yet_no_duty_and_none_are_set() -> None:
    link = opened()
    assert lines(link.send(Command(oven_duty=1.0, tank_duty=1.0), 0.2)) == ["S,77,1,0,0,0"]
    assert not link.take_reading().limits_set


def test_wrong_session_said_of_a_frame_of_the_session_before_does_not_end_this_one() -> None:
    """A slow board: two greetings went out, so the first session is over before its frames get there."""
    link = opened()
    link.send(Command(limits=LIMITS), 0.2)
    link.receive(hello(sid=78), 0.5)
    assert lines(link.send(Command(limits=LIMITS), 0.5))[0] == "L,78,1,0,29655"
    link.receive(b"".join(encode(b"A,%d,2" % seq) for seq in range(1, 5)), 0.6)
    assert link.greeted
    link.receive(b"".join(encode(b"A,%d,0" % seq) for seq in range(1, 5)), 0.7)
    reading = link.take_reading()
    assert (reading.limits_set, reading.answer) == (True, 0)
    link.send(Command(limits=LIMITS), 0.8)
    link.receive(encode(b"A,5,2"), 0.9)
    assert not link.greeted, "this one is ours"


def test_a_million_random_bytes_raise_nothing_and_are_counted() -> None:
    seed = random.randrange(2**32)
    print("seed", seed)
    data = random.Random(seed).randbytes(1_000_000)
    link = opened()
    heard = 0
    for start in range(0, len(data), 1009):
        heard += len(link.receive(data[start : start + 1009], 0.2))
    still_open = data.rfind(b"!") > data.rfind(b"\n") and len(data) - data.rfind(b"!") < 180
    assert link.bad_frames + heard + still_open == data.count(b"!")


def test_whole_frames_that_mean_nothing_are_counted() -> None:
    link = opened()
    link.receive(encode(b"A,01,0") + encode(b"Q,1") + encode(b"S,77,1,0,0,0") + encode(b"A,1,65536"), 0.2)
    assert link.bad_frames == 4


@pytest.mark.parametrize(
    ("duty", "sent"),
    [
        (nan, 0),
        (-inf, 0),
        (-0.1, 0),
        (0.0, 0),
        (0.0004, 0),
        (0.5, 500),
        (0.9999, 999),
        (1.0, 1000),
        (7.0, 1000),
        (inf, 1000),
    ],
)
def test_duties_are_thousandths_rounded_down(duty: float, sent: int) -> None:
    assert thousandths(duty) == sent
