"""Plays `firmware_notes/vectors.csv` on the emulated board."""

from __future__ import annotations

import csv
from itertools import groupby
from pathlib import Path

from controller.model import SENSORS
from controller.sim.board_sensors import Sample
from tests.firmware.emulator.board import EmulatedBoard
from tests.firmware.emulator.store import image
from tests.firmware.twin_rig import TELEMETRY, bodies, frame

VECTORS = Path(__file__).resolve().parents[3] / "firmware_notes" / "vectors.csv"
Row = dict[str, str]


def cases() -> dict[str, list[Row]]:
    with VECTORS.open(newline="") as file:
        return {name: list(rows) for name, rows in groupby(csv.DictReader(file), key=lambda row: row["case"])}


def on_a_step(value: int) -> int:
    """The temperature as a MAX31855 can show it. One just beside a quarter of a degree is meant to be on that side of
    it, and becomes the next quarter there."""
    into = value % 25
    return value - into if into == 0 or into > 12 else value - into + 25


class Player:
    """One case. `problems` says what differed."""

    def __init__(self, rows: list[Row]) -> None:
        self.rows = rows
        self.problems: list[str] = []
        self.sid = "0"
        self.expected: list[str] = []
        self.heard: list[list[str]] = []
        self._half = b""

    def play(self) -> list[str]:
        first = self.rows[0]
        assert first["what"] == "board"
        with self._made(first["value"]) as self.board:
            self.began = self.board.cycle
            for row in self.rows[1:]:
                self._row(row)
            self._pass(200)
            self._check_replies("the end")
        return self.problems

    def _made(self, value: str) -> EmulatedBoard:
        keys = dict(pair.split("=") for pair in value.split())
        slots = keys.pop("slots", "whole,whole").split(",")
        cells = image(boots_before=int(keys.pop("boots")) - 1, trips=int(keys.pop("trips", "0")), slots=slots)
        board = EmulatedBoard(fitted=int(keys.pop("fitted")), eeprom=cells, power=False)
        for contact, state in keys.items():
            setattr(board, contact, state == "1")
        board.power_on()
        return board

    def _row(self, row: Row) -> None:
        what, value = row["what"], row["value"]
        if what == "reply":
            self.expected.append(value)
        elif what != "no reply":
            self._until(int(row["at_ms"]))
            getattr(self, f"_{what}")(value)

    # --- time and answers ---

    def _pass(self, ms: int) -> None:
        self.board.advance(ms)
        *whole, self._half = (self._half + self.board.transmit()).split(b"\n")
        self.heard += bodies(b"".join(line + b"\n" for line in whole))

    def _until(self, at_ms: int) -> None:
        left = at_ms - round((self.board.cycle - self.began) / 16_000)
        if left > 0:
            self._pass(left)

    def _check_replies(self, when: str) -> None:
        """All answers so far, in order. A greeting's session number is the one that it gave."""
        found = [fields for fields in self.heard if fields[0] != "T"]
        self.heard = [fields for fields in self.heard if fields[0] == "T"]
        for fields in found:
            if fields[0] == "H" and fields[4] != "0":
                fields[4] = "{sid}"
            if fields[0] in "BH":
                fields[2] = "{firmware}"
        heard = [",".join(fields) for fields in found]
        if heard != self.expected:
            self.problems.append(f"by {when}: expected {self.expected}, heard {heard}")
        self.expected = []

    # --- what a row does ---

    def _send(self, value: str) -> None:
        self.board.receive(frame(value.replace("{sid}", self.sid)))
        if value.startswith("H,"):
            self.sid = self._future_sid()

    def _future_sid(self) -> str:
        """The number that the greeting will get, looked up in a branch that never was: the next rows need it now."""
        board = self.board
        waiting, found = board._in, self.sid
        with board.machine.branch():
            sent = bytes(event.a for event in board.machine.advance(150 * 16_000, waiting).events if event.kind == 1)
        for line in (self._half + bytes(board._out) + sent).split(b"\n"):
            if line.startswith(b"!H,"):
                found = line.decode().split(",")[4]
        return found

    def _raw(self, value: str) -> None:
        self.board.receive(bytes.fromhex(value))

    def _contact(self, value: str) -> None:
        name, state = value.split("=")
        setattr(self.board, name, state == "1")

    def _samples(self, value: str) -> None:
        *numbers, letters, cold = value.split()
        a, b, c, d, e = (on_a_step(int(number)) for number in numbers)
        self.board.set_sample(Sample((a, b, c, d, e), letters, int(cold)))

    def _power(self, value: str) -> None:
        self._pass(0)
        self._half = b""
        if value == "off":
            self.board.power_cut()
        else:
            self.board.power_on()

    def _pins(self, value: str) -> None:
        if self.board.outputs != int(value):
            at = round((self.board.cycle - self.began) / 16_000)
            self.problems.append(f"at {at} ms: outputs {self.board.outputs}, should be {value}")

    def _telemetry(self, value: str) -> None:
        """The next T frame that begins after now."""
        in_flight = bool(self._half)
        start = len(self.heard)
        for _ in range(80):
            self._pass(5)
            frames = [fields for fields in self.heard[start:] if fields[0] == "T"]
            if len(frames) > in_flight:
                break
        seen = dict(zip(TELEMETRY, frames[-1][1:], strict=True))
        if seen["sid"] == self.sid != "0":
            seen["sid"] = "{sid}"
        found = " ".join(f"{pair.split('=')[0]}={seen[pair.split('=')[0]]}" for pair in value.split())
        value = " ".join(
            f"{name}={on_a_step(int(wanted))}" if name in SENSORS else f"{name}={wanted}"
            for name, wanted in (pair.split("=") for pair in value.split())
        )
        if found != value:
            self.problems.append(f"telemetry {found}, should be {value}")


