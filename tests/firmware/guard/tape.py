"""A tape: things done to a board one after the other, and what it said and did meanwhile.

A step is a tuple of a word and its values; everything happens on a grid of 10 ms. Three boards can play it: the
firmware's guard, the model of the rules, and the board twin.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Iterable
from typing import Any

from controller.sim.board import Board
from controller.sim.board_sensors import Sample
from controller.sim.board_store import TripStore
from tests.firmware.guard.host import HostBoard
from tests.firmware.guard.model import Model

Step = tuple[Any, ...]
PAUSE_MS = {"greet": 60, "ready": 60, "duty": 10, "limit": 10, "send": 10}
"""So that no transmit buffer is ever full: how large it is, is no rule."""
CALM = Sample((2_000,) * 5, "-----", 2_100)


def frame(body: str) -> bytes:
    raw = body.encode("latin-1")
    return b"!%b*%04X\n" % (raw, crc_hqx(raw, 0xFFFF))


class Player:
    """Plays a tape on a board and writes down what it says (session numbers as first, second, ...) and its pins."""

    def __init__(self, board: Any) -> None:
        self.board = board
        self.sample = CALM
        self.sid = "0"
        self.seq = 0
        self.sids: dict[str, str] = {"0": "0"}
        self.found: list[str] = []

    def play(self, tape: Iterable[Step]) -> list[str]:
        for word, *values in tape:
            getattr(self, word)(*values)
            self.wait(PAUSE_MS.get(word, 0))
            self.listen()
            self.found.append(f"pins {self.board.outputs}")
        return self.found

    def listen(self) -> None:
        for line in self.board.transmit().decode("latin-1").splitlines():
            body, check = line[1:].rsplit("*", 1)
            assert line[0] == "!", line
            assert int(check, 16) == crc_hqx(body.encode("latin-1"), 0xFFFF), line
            fields = body.split(",")
            place = {"H": 4, "T": 3}.get(fields[0])
            if place:
                if fields[0] == "H":
                    self.sid, self.seq = fields[place], 0
                fields[place] = self.sids.setdefault(fields[place], f"session {len(self.sids)}")
            self.found.append(",".join(fields))

    # --- the steps ---

    def wait(self, ms: int) -> None:
        left = ms
        while left > 0:
            self.board.advance(min(left, 5_000), lambda: self.sample)
            self.listen()
            left -= 5_000

    def send(self, body: str) -> None:
        self.board.receive(frame(body.replace("{sid}", self.sid)))

    def raw(self, data: bytes) -> None:
        self.board.receive(data)

    def greet(self, lowest: int = 1, highest: int = 1) -> None:
        self.send(f"H,{lowest},{highest}")
        self.listen()

    def duty(self, oven: int, tank: int, flags: int, ahead: int = 1, sid_off: int = 0) -> None:
        seq = (self.seq + ahead) % 65536
        if sid_off == 0 and 1 <= ahead <= 1_000:
            self.seq = seq
        self.send(f"S,{(int(self.sid) + sid_off) % 65536},{seq},{oven},{tank},{flags}")

    def limit(self, which: int, limit: int) -> None:
        self.seq = (self.seq + 1) % 65536
        self.send(f"L,{self.sid},{self.seq},{which},{limit}")

    def stream(self, times: int, oven: int, tank: int, flags: int) -> None:
        for _ in range(times):
            self.duty(oven, tank, flags)
            self.wait(250)

    def contact(self, name: str, closed: bool) -> None:
        if isinstance(self.board, Model):
            self.board.set_contact(name, closed)
        else:
            setattr(self.board, name, closed)

    def flutter(self, name: str, every_ms: int, times: int) -> None:
        for turn in range(times):
            self.contact(name, turn % 2 == 0)
            self.wait(every_ms)

    def arm(self, held_ms: int = 60) -> None:
        self.contact("arm_button", False)
        self.wait(60)
        self.contact("arm_button", True)
        self.wait(held_ms)
        self.contact("arm_button", False)

    def hold(self, held_ms: int = 2_000) -> None:
        self.contact("reset_button", False)
        self.wait(100)
        self.contact("reset_button", True)
        self.wait(held_ms)
        self.contact("reset_button", False)

    def ready(self) -> None:
        """Greeted, all limits set, armed."""
        self.greet()
        for which, limit in enumerate((30_000, 9_000, 10_500)):
            self.limit(which, limit)
        self.arm()

    def sense(self, place: int, value: int, letter: str = "-") -> None:
        values, letters = list(self.sample.values), list(self.sample.faults)
        values[place], letters[place] = value, letter
        self.sample = Sample(tuple(values), "".join(letters), self.sample.cold)  # type: ignore[arg-type]

    def weld(self, oven: bool, tank: bool) -> None:
        if isinstance(self.board, Model):
            self.board.weld(oven, tank)
        else:
            self.board.set_welded(oven, tank)

    def power(self, torn: int = 0) -> None:
        if isinstance(self.board, Model):
            self.board.tear(torn)
            self.board.reset(1)
        else:
            self.board.power_cut(torn)
            self.board.power_on()

    def restart(self, cause: int) -> None:
        self.board.reset(cause)


def guard(fitted: int, library: Any = None) -> HostBoard:
    return HostBoard(fitted=fitted, eeprom=bytes(TripStore().cells), library=library)


def twin(fitted: int) -> Board:
    return Board(fitted=fitted)


def played(board: Any, tape: Iterable[Step]) -> list[str]:
    return Player(board).play(tape)
