"""A bench for the emulated board: the twin's bench, with the time that bytes and answers take on a real line."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from tests.firmware.emulator.board import EmulatedBoard
from tests.firmware.emulator.machine import CYCLES_A_MS
from tests.firmware.twin_rig import CONTACTOR, TELEMETRY, Rig, bodies, crc, frame

ANSWER_MS = 400
"""What is not answered by then is not answered: two answers to a greeting behind a telemetry frame take 80 ms."""
STATE = (
    "_in", "cycle", "reset_cycle", "received", "outputs", "jammed", "crashes", "overruns", "_sense_cycle", "_half",
    "_sample",
)  # fmt: skip
LISTS = ("edges", "resets", "events", "_on_cycles", "_taken_cycles", "_out", "telemetry")


def _sound(line: bytes) -> bool:
    body, star, check = line[1:].rpartition(b"*")
    printable = all(32 <= byte <= 126 for byte in line)
    return line.startswith(b"!") and printable and bool(star) and check == f"{crc(body):04X}".encode()


class Bench(Rig):
    """The emulated board with its sensors in the tester's hand. Answers take time here, so time passes in `say`."""

    board: EmulatedBoard  # type: ignore[assignment]

    def __init__(self, fitted: int = 31, **board: Any) -> None:
        self.board = EmulatedBoard(fitted=fitted, **board)
        self.values = [2_000] * 5
        self.faults = ["-"] * 5
        self.cold = 2_100
        self.samples = 0
        self.sid = self.seq = 0
        self.heard: list[list[str]] = []
        self._partial = b""
        self.strict = True
        """A line that is no whole frame fails; else it is passed over, as after a reset in mid-frame."""

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self.board.close()

    def sense_now(self) -> None:
        """The chips say what `values` and `faults` are, at once."""
        self.board.set_sample(self.sense())

    def _listen(self) -> list[list[str]]:
        *whole, self._partial = (self._partial + self.board.transmit()).split(b"\n")
        if not self.strict:
            whole = [line[line.rfind(b"!") :] for line in whole]
            whole = [line for line in whole if _sound(line)]
        new = bodies(b"".join(line + b"\n" for line in whole))
        self.heard += new
        return new

    def say(self, *lines: str) -> list[list[str]]:
        return self.say_raw(b"".join(map(frame, lines)), sum(2 if line[0] == "H" else 1 for line in lines))

    def say_raw(self, data: bytes, answers: int) -> list[list[str]]:
        """These bytes, then time until that many answers have come, or `ANSWER_MS` after the last byte."""
        self._listen()
        self.board.receive(data)
        found: list[list[str]] = []
        left = ANSWER_MS + len(data) * 10 // 38
        while left > 0 and len(found) < answers:
            self.board.advance(2, self.sense)
            left -= 2
            found += [fields for fields in self._listen() if fields[0] != "T"]
        return found

    def telemetry(self) -> dict[str, object]:
        """The next whole telemetry frame."""
        self._listen()
        start = len(self.heard)
        for _ in range(160):
            self.pass_ms(2)
            frames = [fields for fields in self.heard[start:] if fields[0] == "T"]
            if frames:
                break
        return {
            name: value if name == "faults" else int(value)
            for name, value in zip(TELEMETRY, frames[-1][1:], strict=True)
        }

    def send_duty(self, oven: int = 0, tank: int = 0, flags: int = CONTACTOR, sid: int | None = None) -> None:
        """An S on its way; nobody waits for its answer."""
        self.seq = (self.seq + 1) % 65536
        self.board.receive(frame(f"S,{self.sid if sid is None else sid},{self.seq},{oven},{tank},{flags}"))

    def stream(self, ms: int, oven: int = 0, tank: int = 0, flags: int = CONTACTOR, every_ms: int = 250) -> None:
        """The host repeats its S; answers are not waited for."""
        left = ms
        while left > 0:
            self.send_duty(oven, tank, flags)
            self.pass_ms(min(left, every_ms))
            left -= every_ms

    def hold_reset(self, ms: int = 2_100) -> None:
        super().hold_reset(ms)

    def ready(self) -> Bench:
        if self.board.uptime_ms < 500:
            self.until(500)
        self.greet()
        self.limits()
        self.press()
        self.pass_ms(300)
        assert self.board.armed
        return self

    def heated(self, oven: int = 1000, tank: int = 0) -> Bench:
        """Ready, and the heater has been on for a second or two."""
        self.ready()
        self.stream(2500, oven, tank)
        assert self.board.heating
        return self

    @contextmanager
    def branch(self) -> Iterator[None]:
        """What happens inside never was, once it is left: on the board and here; also when the emulator died."""
        board = self.board
        state = {name: getattr(board, name) for name in STATE}
        lists = {name: getattr(board, name)[:] for name in LISTS}
        contacts = dict(board.contacts)
        own = (self.values[:], self.faults[:], self.sid, self.seq, self.heard[:], self._partial)
        try:
            with board.machine.branch():
                yield
        finally:
            self.strict = True
            for name, value in (state | lists).items():
                setattr(board, name, value)
            board.contacts = contacts
            self.values, self.faults, self.sid, self.seq, self.heard, self._partial = own


def on_after_ms(board: EmulatedBoard, cycle: int, mask: int = 3) -> float:
    """How long after that cycle one of these outputs was last seen on, ms; 0 if never since."""
    last = cycle
    on = False
    for at, outputs in board.edges:
        if at <= cycle:
            on = bool(outputs & mask)
            continue
        if on:
            last = at
        on = bool(outputs & mask)
    if on:
        last = board.cycle
    return (last - cycle) / CYCLES_A_MS
