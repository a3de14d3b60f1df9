"""The host's link and the board twin over a line that is slow, loses bytes and garbles them."""

from __future__ import annotations

import random

import pytest

from controller.model import BoardLimits, Command
from controller.wire.link import Link
from tests.firmware.twin_rig import Rig

LIMITS = BoardLimits(29_000, 8_000, 10_000)
STEP_MS = 10


class Line:
    """Both ends and the bytes between them. `one_way_ms`: how long bytes are under way. `harm` 0..1 a chunk."""

    def __init__(self, one_way_ms: int = 0, seed: int = 0) -> None:
        self.rig, self.link = Rig(), Link()
        self.one_way_ms = one_way_ms
        self.chance = random.Random(seed)
        self.harm = 0.0
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
                self.link.receive(self.to_host.pop(0)[1], self.ms / 1000)
            if self.link.pending:
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
