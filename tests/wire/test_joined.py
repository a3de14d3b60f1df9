"""The host's link and the board twin over a line that is slow, loses bytes and garbles them."""

from __future__ import annotations

import random

import pytest

from controller.model import OUTPUT_AGITATOR, OUTPUT_SOUNDER, BoardLimits, Command
from controller.wire.link import Link
from tests.firmware.twin_rig import Rig

LIMITS = BoardLimits(29_000, 8_000, 10_000)
STEP_MS = 10


class Line:
    """Both ends and the bytes between them. `one_way_ms`: how long bytes are under way. `harm` 0..1 a chunk. `deaf`:
    nothing reaches the host, which still has a tick every 250 ms."""

    def __init__(self, one_way_ms: int = 0, seed: int = 0) -> None:
        self.rig, self.link = Rig(), Link()
        self.one_way_ms = one_way_ms
        self.chance = random.Random(seed)
        self.harm = 0.0
        self.deaf = False
        self.ms = 0
        self.to_host: list[tuple[int, bytes]] = []
        self.to_board: list[tuple[int, bytes]] = []
        self.greetings = 0
        self.link.port_changed("")

    def carried(self, data: bytes) -> bytes:
        if not data or self.chance.random() >= self.harm:
            return data
        place = self.chance.randrange(len(data))
        kind = self.chance.randrange(3)
        if kind == 0:
            return b""
        if kind == 1:
            return data[:place]
        return data[:place] + bytes([self.chance.randrange(256)]) + data[place + 1 :]

    def run(self, seconds: float, command: Command) -> None:
        for _ in range(round(seconds * 1000 / STEP_MS)):
            self.ms += STEP_MS
            self.rig.board.advance(STEP_MS, self.rig.sense)
            self.to_host.append((self.ms + self.one_way_ms, self.carried(self.rig.board.transmit())))
            while self.to_host and self.to_host[0][0] <= self.ms:
                heard = self.to_host.pop(0)[1]
                self.link.receive(b"" if self.deaf else heard, self.ms / 1000)
            if self.link.pending or (self.deaf and self.ms % 250 == 0):
                self.link.take_reading()
                sent = self.link.send(command, self.ms / 1000)
            else:
                sent = self.link.poll(self.ms / 1000)
            self.greetings += sent.count(b"!H")
            self.to_board.append((self.ms + self.one_way_ms, self.carried(sent)))
            while self.to_board and self.to_board[0][0] <= self.ms:
                self.rig.board.receive(self.to_board.pop(0)[1])


@pytest.mark.parametrize("one_way_ms", [0, 20, 100, 150, 160, 200, 260, 300, 400])
def test_a_slow_line_opens_one_session_and_keeps_it(one_way_ms: int) -> None:
    line = Line(one_way_ms)
    line.run(4, Command(limits=LIMITS))
    greetings = line.greetings
    assert line.link.greeted
    assert line.link.take_reading().limits_set
    line.run(6, Command(limits=LIMITS))
    assert line.greetings == greetings
    assert line.link.take_reading().answer == 0


@pytest.mark.parametrize("one_way_ms", [0, 200])
def test_a_line_that_garbles_frames_never_heats_unarmed_and_heals(one_way_ms: int) -> None:
    seed = random.randrange(2**32)
    print("seed", seed)
    line = Line(one_way_ms, seed)
    heating = Command(oven_duty=1.0, contactor=True, limits=LIMITS)
    line.harm = 0.3
    line.run(60, heating)
    assert line.link.bad_frames > 0
    assert line.rig.board.take_on_s() == (0.0, 0.0), "nobody has armed it"
    line.harm = 0.0
    line.run(6, heating)
    reading = line.link.take_reading()
    assert line.link.greeted
    assert (reading.limits_set, reading.answer) == (True, 5), "well understood, and refused: not armed"


def test_a_host_that_hears_nothing_leaves_a_trip_sounding_and_warm_oil_stirred() -> None:
    """The board's line to the host breaks; the other way goes on. Then the board trips."""
    line = Line()
    line.rig.values[2] = 7_000
    asked = Command(agitator=True, limits=LIMITS)
    line.run(4, asked)
    assert line.rig.board.outputs == OUTPUT_AGITATOR
    line.deaf = True
    line.run(8, asked)
    assert line.rig.board.outputs == OUTPUT_AGITATOR
    line.rig.board.stop_closed = False
    line.run(0.2, asked)
    line.rig.board.stop_closed = True
    for _ in range(20):
        line.run(30, asked)
        assert line.rig.board.outputs == OUTPUT_AGITATOR | OUTPUT_SOUNDER
    line.deaf = False
    line.run(2, asked)
    assert line.link.greeted
    assert line.rig.board.outputs == OUTPUT_AGITATOR, "whoever is heard decides"
    assert line.rig.board.trips == 16
