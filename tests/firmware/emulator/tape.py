"""The same operations, in the same order, on the board twin and on the emulated board; what differs is told.

Operations lie 100 ms off the samples and windows, and clear of the dead-man's end, because on a real line a frame
takes its time. Of the telemetry a field is compared where the twin's stood still around it; answers are compared all.
"""

from __future__ import annotations

from collections.abc import Iterable
from random import Random
from typing import Any

from controller.sim.board import Board
from controller.sim.board_sensors import Sample
from controller.sim.board_store import TripStore
from tests.firmware.emulator.board import EmulatedBoard
from tests.firmware.twin_rig import TELEMETRY, bodies, frame

COMPARED = (
    "oven", "oven_limit", "tank", "tank_limit", "part", "cold", "faults", "inputs", "trips", "arms", "resets",
    "last_seq", "bad_frames", "overruns",
)  # fmt: skip
STEP_MS = 200
CONTACTS = ("door_open", "stop_closed", "level_good", "agitator_turning", "smoke")
NOISE = (b"!S,1,2,3*", b"!H,1,1*FFFF\n", b"!!!", b"garbage\r\n", b"!S,1,1,0,0,0,0*0000\n", b"!" + b"x" * 200)


class Pair:
    """Both boards, moved together. `differences` is empty while they agree."""

    def __init__(self, seed: int, fitted: int) -> None:
        self.rng = Random(seed)
        self.fitted = fitted
        self.twin = Board(fitted=fitted, eeprom=bytes(TripStore().cells))
        self.avr = EmulatedBoard(fitted=fitted)
        self.sample = Sample((2000, 2000, 2000, 2000, 2000), "-----", 2100)
        self.sids = ["0", "0"]
        self.seq = 0
        self.log: list[str] = []
        self.differences: list[str] = []
        self.frames: tuple[list[list[str]], list[list[str]]] = ([], [])
        self.answers: tuple[list[list[str]], list[list[str]]] = ([], [])
        self._half = b""

    # --- time ---

    def step(self, ms: int = STEP_MS) -> None:
        """Some milliseconds pass on both."""
        self.twin.advance(ms, lambda: self.sample)
        self.avr.set_sample(self.sample)
        self.avr.advance(ms)
        self._hear(0, self.twin.transmit())
        *whole, self._half = (self._half + self.avr.transmit()).split(b"\n")
        self._hear(1, b"".join(line + b"\n" for line in whole))

    def _hear(self, side: int, data: bytes) -> None:
        for fields in bodies(data):
            if fields[0] == "T":
                self.frames[side].append(fields[1:])
                continue
            if fields[0] == "H":
                self.sids[side] = fields[4]
                fields[4] = "sid"
            if fields[0] in "BH":
                fields[2] = "firmware"
            self.answers[side].append(fields)

    def compare_answers(self, what: str) -> None:
        twin, avr = self.answers
        if twin != avr:
            self.differences.append(f"after {what}: the twin answered {twin}, the board {avr}")
        twin.clear()
        avr.clear()

    def compare_telemetry(self) -> None:
        """Frame by frame, by their own numbers."""
        twin, avr = ({int(frame[0]): frame for frame in frames} for frames in self.frames)
        for tseq in sorted(avr):
            near = [twin.get(tseq + k) for k in (-1, 0, 1)]
            if None in near:
                continue
            for name in (*COMPARED, "armed", "session"):
                values = {_field(frame, name) for frame in near if frame}
                if len(values) == 1 and _field(avr[tseq], name) not in values:
                    self.differences.append(f"frame {tseq}: {name} is {_field(avr[tseq], name)}, twin: {values}")
        for outputs in (3, 28):
            self._compare_outputs(twin, avr, outputs)

    def _compare_outputs(self, twin: dict[int, list[str]], avr: dict[int, list[str]], mask: int) -> None:
        place = TELEMETRY.index("outputs")
        for tseq in sorted(avr):
            near = [twin.get(tseq + k) for k in (-1, 0, 1)]
            values = {int(frame[place]) & mask for frame in near if frame}
            if None not in near and len(values) == 1 and int(avr[tseq][place]) & mask not in values:
                self.differences.append(f"frame {tseq}: outputs {avr[tseq][place]}, twin {near[1][place]}")  # type: ignore[index]

    # --- operations ---

    def say(self, body: str) -> None:
        """A frame with `{sid}` to each; both hear it now."""
        self.twin.receive(frame(body.replace("{sid}", self.sids[0])))
        self.avr.receive(frame(body.replace("{sid}", self.sids[1])))

    def _clear_of_the_end(self) -> bool:
        guard = self.twin._guard
        ends = (guard.fed_ms + 2_000, guard.good_s_ms + 60_000)
        return all(abs(guard.now - end) > 90 for end in ends)

    def operate(self) -> str:
        """One operation of the tape; what it was."""
        rng = self.rng
        kind = rng.choices(
            ("duty", "stream", "greet", "limit", "press", "hold", "contact", "sample", "noise", "wait", "odd"),
            (20, 14, 5, 6, 10, 8, 5, 8, 3, 6, 8),
        )[0]  # fmt: skip
        while not self._clear_of_the_end():
            self.step()
        getattr(self, f"_{kind}")()
        self.step()
        self.step()
        return kind

    def _next(self) -> int:
        self.seq = (self.seq + 1) % 65536
        return self.seq

    def _duty(self) -> None:
        oven = self.rng.choice((0, 0, 300, 500, 1000))
        tank = self.rng.choice((0, 0, 250, 500))
        flags = self.rng.choice((4, 4, 4, 5, 6, 12, 15, 0, 20))
        self.say(f"S,{{sid}},{self._next()},{oven},{tank},{flags}")

    def _stream(self) -> None:
        oven, tank, flags = self.rng.choice(((1000, 0, 4), (400, 500, 4), (0, 600, 6), (0, 0, 12)))
        for _ in range(self.rng.randrange(3, 15)):
            self.say(f"S,{{sid}},{self._next()},{oven},{tank},{flags}")
            self.step()

    def _greet(self) -> None:
        self.say(self.rng.choice(("H,1,1", "H,1,1", "H,1,255", "H,2,9")))
        self.step()
        self.seq = 0
        if self.rng.random() < 0.8:
            for which, limit in ((0, 30_000), (1, 9_000), (2, 10_500)):
                self.say(f"L,{{sid}},{self._next()},{which},{limit}")
                self.step()

    def _limit(self) -> None:
        which = self.rng.choice((0, 1, 2, 2, 3))
        limit = self.rng.choice((2999, 3000, 9000, 11_000, 11_001, 31_000, 31_001, -5))
        self.say(f"L,{{sid}},{self._next()},{which},{limit}")

    def _press(self) -> None:
        self._button("arm_button", self.rng.choice((1, 2, 3)))

    def _hold(self) -> None:
        self._button("reset_button", self.rng.choice((5, 13, 13, 13)))

    def _button(self, name: str, steps: int) -> None:
        for state in (True, False):
            setattr(self.twin, name, state)
            setattr(self.avr, name, state)
            for _ in range(steps):
                self.step()
            steps = 2

    def _contact(self) -> None:
        name = self.rng.choice(CONTACTS)
        for state in (self.rng.random() < 0.5, name in ("stop_closed", "level_good", "agitator_turning")):
            setattr(self.twin, name, state)
            setattr(self.avr, name, state)
            for _ in range(self.rng.randrange(1, 8)):
                self.step()

    def _sample(self) -> None:
        """Something else on the chips, for some samples; then all is cold and good again, mostly."""
        rng = self.rng
        for _ in range(rng.randrange(1, 4)):
            values = [rng.choice((2000, 5000, 8975, 9000, 10_500, 28_000, 30_000, 30_025)) for _ in range(5)]
            if rng.random() < 0.5:
                values = [2000] * 5
            letters = "".join(rng.choice("-----------OGVX") for _ in range(5))
            values = [value if letter == "-" else 0 for value, letter in zip(values, letters, strict=True)]
            a, b, c, d, e = values
            cold = rng.choice((1900, 2100, 3000))
            self.sample = Sample((a, b, c, d, e), letters, 0 if letters[0] == "X" else cold)
            for _ in range(rng.randrange(1, 6)):
                self.step()
        if rng.random() < 0.8:
            self.sample = Sample((2000, 2000, 2000, 2000, 2000), "-----", 2100)

    def _noise(self) -> None:
        data = self.rng.choice(NOISE)
        self.twin.receive(data)
        self.avr.receive(data)
        self.step()

    def _wait(self) -> None:
        for _ in range(self.rng.choice((3, 12, 12, 40, 320))):
            self.step()

    def _odd(self) -> None:
        """What fits its fields and makes no sense, or comes from elsewhere."""
        rng = self.rng
        body = rng.choice((
            f"S,{{sid}},{(self.seq + rng.choice((0, -1, 1001, 5000))) % 65536},500,0,4",
            f"S,{{sid}},{self._next()},1001,0,4", f"S,{{sid}},{self._next()},0,65535,4",
            f"S,{{sid}},{self._next()},500,0,32", f"S,9999,{self._next()},500,0,4",
            f"S,9999,{self._next()},0,0,4", f"S,0,{self._next()},0,0,4",
        ))  # fmt: skip
        self.say(body)


class Written(Pair):
    """Plays the guard's written tapes (`tests/firmware/guard/tape.py` says what a step does), on both boards."""

    welded = (False, False)

    def play(self, tape: Iterable[tuple[Any, ...]]) -> None:
        for word, *values in tape:
            getattr(self, word)(*values)
        self.wait(600)
        self.compare_answers("the tape")
        self.compare_telemetry()

    def wait(self, ms: int) -> None:
        """Where a relay is welded, current flows while the contactor is closed: looked at every 10 ms."""
        short = 10 if any(self.welded) else 250
        for part in (*[short] * (ms // short), ms % short):
            if part:
                self.step(part)
                live = self.avr.contactor
                self.avr.set_welded(*(weld and live for weld in self.welded))

    def greet(self) -> None:
        self.say("H,1,1")
        before = list(self.sids)
        while self.sids[1] == before[1]:
            self.step(10)
        self.seq = 0

    def duty(self, oven: int, tank: int, flags: int) -> None:
        self.say(f"S,{{sid}},{self._next()},{oven},{tank},{flags}")

    def stream(self, times: int, oven: int, tank: int, flags: int) -> None:
        for _ in range(times):
            self.duty(oven, tank, flags)
            self.wait(250)

    def contact(self, name: str, closed: bool) -> None:
        setattr(self.twin, name, closed)
        setattr(self.avr, name, closed)

    def flutter(self, name: str, every_ms: int, times: int) -> None:
        for turn in range(times):
            self.contact(name, turn % 2 == 0)
            self.wait(every_ms)

    def _down(self, name: str, before_ms: int, ms: int) -> None:
        self.contact(name, False)
        self.wait(before_ms)
        self.contact(name, True)
        self.wait(ms)
        self.contact(name, False)

    def hold(self) -> None:
        self._down("reset_button", 130, 2_020)

    def ready(self) -> None:
        self.greet()
        for which, limit in enumerate((30_000, 9_000, 10_500)):
            self.say(f"L,{{sid}},{self._next()},{which},{limit}")
        self._down("arm_button", 60, 80)

    def sense(self, place: int, value: int, letter: str = "-") -> None:
        values, letters = list(self.sample.values), list(self.sample.faults)
        values[place], letters[place] = value, letter
        a, b, c, d, e = values
        self.sample = Sample((a, b, c, d, e), "".join(letters), self.sample.cold)

    def weld(self, oven: bool, tank: bool) -> None:
        self.welded = (oven, tank)
        self.twin.set_welded(oven, tank)


def play_written(tape: Iterable[tuple[Any, ...]], fitted: int) -> Written:
    pair = Written(1, fitted)
    try:
        pair.play(tape)
    finally:
        pair.avr.close()
    return pair


def _field(frame: list[str], name: str) -> str:
    if name == "armed":
        return str(int(frame[TELEMETRY.index("inputs")]) >> 5 & 1)
    if name == "session":
        return str(frame[TELEMETRY.index("sid")] != "0")
    return frame[TELEMETRY.index(name)]


def play(seed: int, operations: int, fitted: int) -> Pair:
    """A whole tape; it stops at the first difference."""
    pair = Pair(seed, fitted)
    pair.twin.advance(500, lambda: pair.sample)
    pair.avr.advance(500)
    pair.step()
    pair._greet()
    pair._press()
    for _ in range(operations):
        what = pair.operate()
        pair.log.append(what)
        pair.compare_answers(what)
        if pair.differences:
            break
    pair.compare_telemetry()
    pair.avr.close()
    return pair
