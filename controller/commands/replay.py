"""`ovenhand replay`: a recorded run once more, through today's core, tick for tick."""

from __future__ import annotations

import json
import os
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from controller.commands.records import whole_number
from controller.commands.replay_book import BACK_S, Stretch, Then, coverage, events_about
from controller.commands.shipped import load_shipped, read_shop
from controller.core.limits import Limits, derive
from controller.core.tick import Core
from controller.memory import MemoryUnknownError, thaw
from controller.model import (
    Confirm,
    LoadItem,
    Outcome,
    Preheat,
    Presence,
    Program,
    Quench,
    Request,
    Resume,
    Start,
    StopAll,
    StopOven,
    TankOff,
    Temper,
)
from controller.pump import Pump
from controller.records import Book, RecordsError, TapeEntry, TapeKind, database_path, default_data_directory
from controller.settings import ShopFileError, conservative_shop
from controller.wire.frames import FrameDecoder
from controller.words import say_duration

DIFFERS: Final = 1
WHOLE_S: Final = 2.0
"""A tape that lacks less of its run is whole: a sample comes once a second."""
_WISHES: Final = {
    wish.__name__: wish for wish in (StopOven, Resume, Confirm, Preheat, TankOff, Quench, Presence, StopAll)
}


def add_arguments(parser: ArgumentParser) -> None:
    """The replay's options."""
    parser.add_argument("run", type=whole_number, metavar="RUN", help="number of the run (see `ovenhand records list`)")
    parser.add_argument("--data", type=Path, metavar="DIR", help="where the record is kept")
    parser.add_argument("--shop", type=Path, metavar="FILE", help="with this file's limits, not the recorded ones")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the outcome there as JSON")
    parser.epilog = "Exit code: 0 the same commands in every tick, 1 a tick differs, 2 it cannot be replayed."


class CannotReplayError(Exception):
    """The tape does not serve; the text says why."""


@dataclass(slots=True)
class Replay:
    """How it went. `differs`: the first tick that differs, in words, "" when none does. Times in s."""

    run_id: int
    other_limits: bool = False
    ticks: int = 0
    from_s: float | None = None
    until_s: float = 0.0
    restarts: int = 0
    damaged: str = ""
    differs: str = ""
    tick: int | None = None
    added: tuple[str, ...] = ()
    """What today's core remembers and the recorded one did not: taken as in a new core."""
    stretches: list[Stretch] = field(default_factory=list)
    run_s: float = 0.0
    covered_s: float | None = None
    """How much of the run's `run_s` was replayed; None where a tick differs, for the rest was not looked at."""
    is_open: bool = False

    def length_s(self) -> float:
        """How long the replayed parts are together; the clock of a process says nothing about the next one's."""
        return sum(one.until_s - one.from_s for one in self.stretches)


def run(args: Namespace) -> int:
    """0: the same, 1: a tick differs, 2: a mistake of the user's or a tape of no use."""
    book = Book(database_path(args.data or default_data_directory(os.environ)))
    try:
        limits = read_shop(args.shop, load_shipped()).limits if args.shop else None
        entry = book.run(args.run)
        if entry is None:
            raise CannotReplayError(f"There is no run {args.run} in the book; `ovenhand records list` shows them.")
        done = replay(args.run, _until_damaged(book.tape(args.run)), limits, events_about(book, entry))
        done.is_open = entry["ended_at"] is None
        done.run_s, covered_s = coverage(book.samples(args.run), done.stretches)
        done.covered_s = None if done.differs else covered_s
    except (CannotReplayError, RecordsError) as error:
        print(error, file=sys.stderr)
        return 2
    except ShopFileError as error:
        print("\n".join(error.lines()), file=sys.stderr)
        return 2
    _tell(done)
    if args.json:
        try:
            args.json.write_text(json.dumps(_as_json(done), indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            print(f"{args.json} cannot be written: {error.strerror}.", file=sys.stderr)
            return 2
    return DIFFERS if done.differs else 0


def replay(
    run_id: int, tape: Iterable[TapeEntry | str], limits: Limits | None = None,
    events: Sequence[Mapping[str, Any]] = (),
) -> Replay:  # fmt: skip
    """Feed a tape to today's core and compare what it answers with what was answered then, up to the first difference.

    A text in the tape's place says that it is damaged from there. `limits`: others than the recorded ones. `events`:
    what the book has of it, which tells what acted then. Raises CannotReplayError where no part of it can be replayed.
    """
    done = Replay(run_id, limits is not None)
    then, boot = Then(events), 0
    pump: Pump | None = None
    step = _Step()
    for entry in tape:
        if isinstance(entry, str):
            done.damaged = entry
            break
        if step.complete(entry):
            if pump is not None:
                _compare(pump, step, done, then)
            step.clear()
        if done.differs:
            break
        if entry.kind is TapeKind.MEMORY:
            if pump is None or entry.payload[0]:
                boot += entry.now_s < done.until_s - BACK_S
                done.stretches.append(Stretch(boot, entry.now_s, entry.now_s))
                done.restarts += pump is not None
                pump, added = _pump(entry.payload[1:], limits)
                done.added = tuple(sorted({*done.added, *added}))
                then.begin(pump, boot, entry.now_s)
        else:
            step.take(entry)
    else:
        if pump is not None and step.any:
            _compare(pump, step, done, then)
    if done.from_s is None and not done.differs:
        raise CannotReplayError(
            done.damaged or f"Run {run_id} has no tape that can be replayed: only the last 50 runs keep theirs."
        )
    return done


class _Step:
    """The entries of one step of the pump, as they come."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """The next step begins."""
        self.now_s: float | None = None
        self.data, self.wrote = b"", b""
        self.forced = self.any = False
        self.port: str | None = None
        self.requests: list[Request] = []
        self._read = self._wrote = False

    def complete(self, entry: TapeEntry) -> bool:
        """Whether this entry begins another step than the ones taken so far."""
        if not self.any:
            return False
        later = entry.kind in (TapeKind.STATE, TapeKind.MEMORY) or entry.now_s != self.now_s
        return later or self._wrote or (self._read and entry.kind is not TapeKind.WROTE)

    def take(self, entry: TapeEntry) -> None:
        """Add an entry."""
        if entry.kind is TapeKind.STATE:
            return
        self.any = True
        self.now_s = entry.now_s
        if entry.kind is TapeKind.REQUEST:
            self.requests.append(request_of(entry.payload))
        elif entry.kind is TapeKind.PORT:
            self.port = entry.payload.decode()
        elif entry.kind is TapeKind.WROTE:
            self.wrote, self._wrote = entry.payload, True
        else:
            self.data, self.forced, self._read = entry.payload, entry.kind is TapeKind.SILENCE, True


def _pump(memory: bytes, limits: Limits | None) -> tuple[Pump, tuple[str, ...]]:
    """A pump that goes on from the memory, and what had to be added to it."""
    try:
        remembered = thaw(memory, limits)
    except MemoryUnknownError as error:
        raise CannotReplayError(f"The tape's memory does not serve: {error}.") from error

    def make(fitted: int | None) -> Core:
        return Core(limits or derive(conservative_shop(fitted or 0), None), state=remembered.core.state())

    return Pump.remembering(remembered, make), remembered.added


def _compare(pump: Pump, step: _Step, done: Replay, then: Then) -> None:
    now_s = step.now_s or 0.0
    done.from_s = now_s if done.from_s is None else done.from_s
    done.until_s = now_s
    done.stretches[-1] = done.stretches[-1]._replace(until_s=now_s)
    if step.port is not None:
        pump.link.port_changed(step.port)
    try:
        wrote, outcomes = pump.step(step.data, now_s, tuple(step.requests), step.forced)
    except (AttributeError, TypeError) as error:
        # Only where the remembered and today's types differ: what was recorded with this version runs as it ran.
        raise CannotReplayError(
            f"The tape was recorded by another version, whose memory does not serve today's core: {error}. Replay it "
            "with the version that recorded it."
        ) from error
    done.ticks += len(outcomes)
    if _compared(wrote, done.other_limits) != _compared(step.wrote, done.other_limits):
        done.tick = done.ticks
        done.differs = _in_words(done.length_s(), step.wrote, wrote, outcomes, then.acting(now_s))


def _compared(sent: bytes, other_limits: bool) -> bytes | list[bytes]:
    """What must be the same. That other limits are told to the board is known before; what they do is looked for."""
    return [body for body in FrameDecoder().feed(sent, 0.0) if body[:1] != b"L"] if other_limits else sent


def _in_words(after_s: float, then: bytes, now: bytes, outcomes: list[Outcome], acted: Mapping[str, str]) -> str:
    causes = []
    still: set[str] = set()
    for outcome in outcomes:
        acting = [row for row in outcome.snapshot.rows if row.state in ("withhold", "trip")]
        causes += [row.text for row in acting]
        still.update(row.name for row in acting)
        causes += [f"{event.text}" for event in outcome.events]
    because = " ".join(dict.fromkeys(causes)) or "No interlock acts now."
    no_more = [text for name, text in acted.items() if name not in still] if outcomes else []
    gone = f" What acted then does not now: {' '.join(no_more)}" if no_more else ""
    return f"{say_duration(after_s)} after the tape begins. Then: {said(then)}. Now: {said(now)}. {because}{gone}"


def said(sent: bytes) -> str:
    """What the host asked of the board with these bytes, in words."""
    parts = []
    for body in FrameDecoder().feed(sent, 0.0):
        fields = body.decode("ascii").split(",")
        if fields[0] == "S":
            oven, tank, flags = (int(value) for value in fields[3:6])
            named = [name for bit, name in _FLAGS if flags & bit]
            parts.append(f"oven {oven / 10:g} %, tank {tank / 10:g} %" + "".join(f", {name}" for name in named))
        elif fields[0] == "L":
            parts.append(f"limit {fields[3]} at {int(fields[4]) / 100:g} °C on the chip's scale")
        else:
            parts.append("a greeting")
    return "; ".join(parts) or "nothing"


_FLAGS: Final = ((1, "sounder"), (2, "stirrer"), (4, "contactor"), (8, "work under way"), (16, "trip"))


def request_of(payload: bytes) -> Request:
    """The request that a tape's entry holds. Raises CannotReplayError for what this version does not know."""
    told = json.loads(payload)
    details: dict[str, Any] = told["details"]
    try:
        if told["wish"] == "Start":
            program = details["program"]
            tempers = tuple(Temper(**temper) for temper in program["tempers"])
            load = tuple(LoadItem(**item) for item in details["load"])
            return Request(told["id"], Start(Program(**(program | {"tempers": tempers})), load), told["who"])
        make: Callable[..., Any] = _WISHES[told["wish"]]
        return Request(told["id"], make(**details), told["who"])
    except (KeyError, TypeError) as error:
        raise CannotReplayError(f"The tape holds a request that this version does not know ({error}).") from error


def _until_damaged(tape: Iterable[TapeEntry]) -> Iterable[TapeEntry | str]:
    """The tape as far as it can be read, then why not further."""
    try:
        yield from tape
    except RecordsError as error:
        yield str(error)


def _tell(done: Replay) -> None:
    length = say_duration(done.length_s())
    if done.differs:
        print(f"Run {done.run_id} differs at tick {done.tick}, {done.differs}")
    else:
        print(f"Run {done.run_id}: the same commands in all {done.ticks} ticks, {length}{_not_on_tape(done)}.")
    if done.restarts:
        print(f"The service was started anew {done.restarts} times in it.", file=sys.stderr)
    if done.added:
        print(
            f"Recorded by another version: {', '.join(done.added)} was not remembered and begins as new.",
            file=sys.stderr,
        )
    if done.damaged:
        print(f"Only as far as the tape can be read: {done.damaged}", file=sys.stderr)


def _not_on_tape(done: Replay) -> str:
    """What the reader would else take as replayed."""
    missing_s = done.run_s - (done.covered_s or 0.0)
    is_open = "; the run is open" if done.is_open else ""
    if missing_s < WHOLE_S:
        return is_open
    so_far = " so far" if done.is_open else ""
    return f"{is_open}; {say_duration(missing_s)} of the run's {say_duration(done.run_s)}{so_far} are not on the tape"


def _as_json(done: Replay) -> dict[str, Any]:
    return {
        "run_id": done.run_id, "ticks": done.ticks, "duration_s": done.length_s(),
        "restarts": done.restarts, "same": not done.differs, "tick": done.tick, "differs": done.differs,
        "damaged": done.damaged, "added": list(done.added), "open": done.is_open, "run_s": round(done.run_s, 3),
        "covered_s": None if done.covered_s is None else round(done.covered_s, 3),
    }  # fmt: skip
