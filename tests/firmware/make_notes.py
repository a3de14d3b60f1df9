"""Makes the notes of the wire: the tables in `firmware_notes/wire.md`, all of `firmware_notes/vectors.csv`.

`python -m tests.firmware.make_notes` writes both; `test_notes.py` fails while what is committed differs from
what it makes.
"""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

from controller.sim.board import Board, Sample
from controller.sim.board_store import SLOT_BYTES, TripStore
from tests.firmware.twin_rig import OVEN_AND_TANK, TELEMETRY, bodies, frame
from tests.firmware.vector_cases import CASES, COLD
from tests.firmware.wire_meanings import tables

NOTES = Path(__file__).resolve().parents[2] / "firmware_notes"
COLUMNS = ("case", "at_ms", "what", "value")
FIRMWARE = 321
Row = tuple[str, int, str, str]


class Bench:
    """Plays one case on the twin and writes down what it answers."""

    def __init__(self, case: str) -> None:
        self.case = case
        self.rows: list[Row] = []
        self.board = Board(fitted=OVEN_AND_TANK)
        self.at = 0
        self.sid = "0"
        self._samples(COLD)

    def play(self, at: int, what: str, value: str) -> None:
        if what != "board":
            self._pass(at - self.at)
        if what == "pins":
            self._note(what, str(self.board.outputs))
        elif what == "telemetry":
            self._telemetry(value)
        else:
            self._note(what, value)
            getattr(self, f"_{what}")(value)
            self._replies(always=what in ("send", "raw"))

    def _note(self, what: str, value: str) -> None:
        self.rows.append((self.case, self.at, what, value))

    def _pass(self, ms: int) -> None:
        self.board.advance(ms, lambda: self.sample)
        self.at += ms
        self._replies()

    def _replies(self, always: bool = False) -> None:
        found = [fields for fields in bodies(self.board.transmit()) if fields[0] != "T"]
        for fields in found:
            if fields[0] == "H":
                self.sid = fields[4]
                fields[4] = "{sid}" if self.sid != "0" else "0"
            if fields[0] in "BH":
                assert fields[2] == str(FIRMWARE)
                fields[2] = "{firmware}"
            self._note("reply", ",".join(fields))
        if always and not found:
            self._note("no reply", "")

    def _telemetry(self, names: str) -> None:
        """The next T frame comes within 250 ms; nothing else is to happen in that time."""
        at = self.at
        left = 250 - self.board.uptime_ms % 250
        self.board.advance(left, lambda: self.sample)
        self.at += left
        frames = [fields[1:] for fields in bodies(self.board.transmit()) if fields[0] == "T"]
        seen = dict(zip(TELEMETRY, frames[-1], strict=True))
        if seen["sid"] == self.sid != "0":
            seen["sid"] = "{sid}"
        value = " ".join(f"{name}={seen[name]}" for name in names.split(","))
        self.rows.append((self.case, at, "telemetry", value))

    def _board(self, value: str) -> None:
        self.board.transmit()
        keys = dict(pair.split("=") for pair in value.split())
        store = TripStore()
        store.save(int(keys.pop("trips", "0")))
        for slot, state in enumerate(keys.pop("slots", "whole,whole").split(",")):
            store.cells[slot * SLOT_BYTES] ^= state == "damaged"
        fitted, boots = int(keys.pop("fitted")), int(keys.pop("boots"))
        self.board = Board(fitted=fitted, boots=boots, eeprom=bytes(store.cells), firmware=FIRMWARE)
        for contact, state in keys.items():
            setattr(self.board, contact, state == "1")

    def _send(self, value: str) -> None:
        self.board.receive(frame(value.replace("{sid}", self.sid)))

    def _raw(self, value: str) -> None:
        self.board.receive(bytes.fromhex(value))

    def _contact(self, value: str) -> None:
        name, state = value.split("=")
        setattr(self.board, name, state == "1")

    def _samples(self, value: str) -> None:
        *numbers, letters, cold = value.split()
        a, b, c, d, e = map(int, numbers)
        self.sample = Sample((a, b, c, d, e), letters, int(cold))

    def _power(self, value: str) -> None:
        if value == "off":
            self.board.power_cut()
        else:
            self.board.power_on()


def rows() -> list[Row]:
    found: list[Row] = []
    bench = Bench("")
    for line in CASES.strip().splitlines():
        if line.startswith("case "):
            found += bench.rows
            bench = Bench(line[5:].split(":")[0])
        elif line:
            at, what, *value = line.split(" ", 2)
            bench.play(int(at), what, value[0] if value else "")
    return found + bench.rows


def vectors() -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(rows())
    return text.getvalue()


def cases_table() -> str:
    lines = ["| case | what it shows |", "| --- | --- |"]
    for line in CASES.splitlines():
        if line.startswith("case "):
            name, shows = line[5:].split(": ", 1)
            lines.append(f"| {name} | {shows} |")
    return "\n".join(lines)


def wire(committed: str) -> str:
    """The text with every generated block made anew."""
    blocks = {**tables(), "cases": cases_table()}
    missing = set(blocks) - set(re.findall(r"<!-- made: (\w+) -->", committed))
    if missing:
        raise ValueError(f"wire.md has no place for {sorted(missing)}")
    return re.sub(
        r"(<!-- made: (\w+) -->\n).*?(<!-- end -->)",
        lambda match: f"{match[1]}{blocks[match[2]]}\n{match[3]}",
        committed,
        flags=re.DOTALL,
    )


if __name__ == "__main__":
    (NOTES / "vectors.csv").write_text(vectors())
    (NOTES / "wire.md").write_text(wire((NOTES / "wire.md").read_text()))
