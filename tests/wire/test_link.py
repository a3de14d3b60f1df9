"""The host's end: greeting, session, sequence, limits. The board's side is written by hand here."""

from __future__ import annotations

from math import inf, nan

import pytest

from controller.model import BoardLimits, Command
from controller.wire.frames import encode
from controller.wire.link import Link, thousandths

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
    "ends", [encode(b"B,1,1,8,2,0"), b"".join(telemetry(0, n) for n in range(3)), encode(b"A,1,2")]
)
def test_a_session_that_is_over_is_greeted_anew(ends: bytes) -> None:
    link = opened()
    link.send(Command(), 0.2)
    link.receive(ends, 0.5)
    assert not link.greeted
    assert lines(link.send(Command(oven_duty=1.0), 1.0)) == ["H,1,1"]


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
