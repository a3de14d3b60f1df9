"""A recorded run through today's core: the same, tick for tick, and a difference said in words."""

from __future__ import annotations

import argparse
import json
import pickle
import pickletools
import random
import re
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.commands import replay as command
from controller.commands.replay import CannotReplayError, Replay, replay, request_of, said
from controller.commands.replay_book import Stretch, Then, coverage
from controller.core import interlocks
from controller.core.table import TABLE
from controller.core.tick import Core
from controller.memory import Memory, MemoryUnknownError, freeze, thaw
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
    Wish,
)
from controller.pump import Pump
from controller.records import Book, Records, RunRecorder, database_path, writer
from controller.records.batch import commit
from controller.records.tape import TapeEntry, TapeKind, request_payload
from controller.sim.shop import SimShop
from controller.wire.link import Link
from tests.core.rig import limits

WALL_S = 1_700_000_000.0
BAR = (LoadItem(0.3, 12.0),)


class Night:
    """A shop in lock-step whose every step is recorded, as the service does it."""

    def __init__(
        self, data: Path, seed: int = 3, *, state: Any = None, at_s: float = 0.0, shop: SimShop | None = None
    ) -> None:
        self.now_s = at_s
        self.shop = shop or SimShop(seed, load=BAR)
        self.records = Records(database_path(data), wall=lambda: WALL_S + self.now_s, mono=lambda: self.now_s)
        self.pump = Pump(lambda _: Core(limits(), state=state or self.records.state()), Link())
        self.recorder = RunRecorder(
            self.records, state=lambda: self.pump.core.state(), now_s=self.now_s, memory=lambda: self.pump.memory()
        )
        self.out = b""
        self.number = 0
        self.step(b"", (), True)
        self.step(b"", (), True, port="")

    def step(
        self, data: bytes, requests: Sequence[Request], force: bool, port: str | None = None
    ) -> list[Outcome]:
        if port is not None:
            self.pump.link.port_changed(port)
        wrote, outcomes = self.pump.step(data, self.now_s, requests, force)
        forced = bool(outcomes) and not self.pump.reading.frames
        self.recorder.took(
            self.now_s, WALL_S + self.now_s, data=data, requests=requests, forced=forced, wrote=wrote,
            outcomes=outcomes, port=port,
        )  # fmt: skip
        self.out += wrote
        return outcomes

    def run(self, seconds: float, wish: Wish | None = None) -> None:
        for _ in range(round(seconds / 0.25)):
            self.now_s += 0.25
            data = self.shop.exchange(self.out, 0.25)
            self.out = b""
            requests: tuple[Request, ...] = ()
            if wish is not None:
                self.number += 1
                requests, wish = (Request(self.number, wish, "phone 1"),), None
            self.step(data, requests, bool(requests))

    def arm(self) -> None:
        self.run(1.0)
        self.shop.press("arm", held_s=0.2)
        self.run(1.0)

    def close(self) -> None:
        assert self.records.flush(20.0)
        self.records.close(20.0)


def start(soak_s: float = 300.0) -> Start:
    return Start(Program("night", (Temper(160.0, soak_s),)), BAR)


def a_run_with_faults(data: Path) -> Book:
    """A run through an open door, a lost cable, a sensor that opens and a stop; run 1 of the book."""
    night = Night(data)
    night.run(40.0)
    night.arm()
    night.run(200.0, start())
    night.shop.fault("door_open", True)
    night.run(20.0)
    night.shop.fault("door_open", False)
    night.run(60.0)
    night.step(b"", (), True, port="The cable was pulled.")
    night.now_s += 3.0
    night.step(b"", (), True, port="")
    night.shop.exchange(b"", 3.0)
    night.run(200.0)
    night.run(100.0, Preheat(50.0))
    night.run(30.0, Presence())
    night.run(10.0, StopOven())
    night.close()
    return Book(database_path(data))


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Book:
    return a_run_with_faults(tmp_path_factory.mktemp("book"))


def test_a_run_with_faults_gives_the_same_commands_in_every_tick(book: Book) -> None:
    happened = {event["kind"] for event in book.events(limit=1000)}
    assert happened >= {"board_lost", "board_back", "interlock_withheld", "run_ended"}
    done = replay(1, book.tape(1))
    assert done.differs == ""
    assert done.ticks > 2000
    assert done.restarts == 0
    assert done.until_s - (done.from_s or 0.0) > 500.0


def test_another_limit_shows_as_the_first_tick_that_differs_in_words(book: Book) -> None:
    lower = limits(limit_c=155.0)
    done = replay(1, book.tape(1), lower)
    assert done.tick is not None
    assert 160 < done.tick < 200, "at the start"
    assert "Then: oven" in done.differs
    assert "Now: " in done.differs
    assert "too near the oven's limit of 155 °C" in done.differs


def test_another_rule_in_the_table_shows_too(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    deaf = tuple(replace(row, limit=2.0) if row.name == "door" else row for row in TABLE)
    monkeypatch.setattr(interlocks, "TABLE", deaf)
    done = replay(1, book.tape(1))
    assert done.differs
    assert "Then: oven 0 %" in done.differs
    assert "Now: oven " in done.differs


def test_a_row_that_was_loosened_since_is_named_from_the_book(
    book: Book, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    deaf = tuple(replace(row, limit=2.0) if row.name == "door" else row for row in TABLE)
    monkeypatch.setattr(interlocks, "TABLE", deaf)
    assert ask("1", "--data", str(book.path.parent)) == 1
    assert "No interlock acts now. What acted then does not now: The oven door is open.\n" in capsys.readouterr().out


def test_what_stood_when_the_tape_began_is_known_from_its_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    night = Night(tmp_path)
    night.arm()
    night.run(400.0, start(3000.0))
    night.shop.fault("door_open", True)
    night.run(800.0)
    night.shop.fault("door_open", False)
    night.run(60.0)
    night.run(5.0, StopOven())
    night.close()
    book = Book(database_path(tmp_path))
    entry = book.run(1)
    assert entry is not None
    tape = list(book.tape(1))
    opened = next(event["mono_s"] for event in entry["events"] if event["data"].get("interlock") == "door")
    begin = next(at for at, one in enumerate(tape) if one.kind is TapeKind.MEMORY and one.now_s > opened)
    deaf = tuple(replace(row, limit=2.0) if row.name == "door" else row for row in TABLE)
    monkeypatch.setattr(interlocks, "TABLE", deaf)
    done = replay(1, tape[begin:], events=())
    assert "What acted then does not now: The oven door is open." in done.differs


@pytest.mark.parametrize("began_anew", [False, True])
def test_a_tape_that_lost_its_end_says_how_much_of_the_run_is_not_on_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], began_anew: bool
) -> None:
    night = Night(tmp_path)
    night.arm()
    night.run(20.0)
    night.run(55.0, start())
    night.close()  # killed: the block of the tape that was open is lost
    if began_anew:
        Records(database_path(tmp_path), wall=lambda: WALL_S + 90.0, mono=lambda: 90.0).close(20.0)
    out = tmp_path / "out.json"
    assert ask("1", "--data", str(tmp_path), "--json", str(out)) == 0
    said, told = capsys.readouterr().out, json.loads(out.read_text())
    assert told["open"] is not began_anew
    assert told["run_s"] == pytest.approx(54.0, abs=2.0)
    assert 20.0 < told["covered_s"] < 50.0
    missing = round(told["run_s"] - told["covered_s"])
    if began_anew:
        assert said.endswith(f"; {missing} s of the run's {told['run_s']:.0f} s are not on the tape.\n"), said
    else:
        assert "; the run is open; " in said
        assert said.endswith(f"{missing} s of the run's {told['run_s']:.0f} s so far are not on the tape.\n"), said


def test_what_two_boots_recorded_at_the_same_time_of_their_clocks_is_not_mistaken() -> None:
    """The clock begins anew with each boot: of the second nothing is on the tape."""
    samples = [{"mono_s": float(second)} for second in (*range(100, 200), *range(120, 160))]
    assert coverage(samples, [Stretch(0, 50.0, 190.0)]) == (99.0 + 39.0, 90.0)
    assert coverage(samples, [Stretch(0, 50.0, 190.0), Stretch(1, 130.5, 300.0)]) == (138.0, 90.0 + 28.5)
    acts = {"kind": "interlock_withheld", "text": "The door is open.", "data": {"interlock": "door"}}
    shut = {"kind": "interlock_cleared", "text": "", "data": {"interlock": "door"}}
    then = Then([{"mono_s": 100.0, **acts}, {"mono_s": 150.0, **shut}, {"mono_s": 130.0, **acts}])
    pump = Pump(lambda _: Core(limits()), Link())
    cases = ((0, 99.0, False), (0, 140.0, True), (0, 160.0, False), (1, 129.0, False), (1, 160.0, True))
    for boot, now_s, acted in cases:
        then.begin(pump, boot, 50.0)
        assert ("door" in then.acting(now_s)) is acted, (boot, now_s)


def test_a_restart_in_mid_run_goes_on_with_what_the_next_process_knew(tmp_path: Path) -> None:
    night = Night(tmp_path)
    night.arm()
    night.run(150.0, start())
    night.close()  # killed: its last state is in the book
    state = night.pump.core.state()
    again = Night(tmp_path, state=state, at_s=night.now_s + 20.0, shop=night.shop)
    night.shop.exchange(b"", 20.0)
    again.run(3.0)
    again.arm()
    again.run(60.0, Resume(1))
    again.close()
    done = replay(1, Book(database_path(tmp_path)).tape(1))
    assert (done.differs, done.restarts) == ("", 1)
    assert done.ticks > 800


@pytest.mark.parametrize("before_s", [30.0, 650.0])
def test_a_run_that_was_paused_and_resumed_in_one_process_is_one_tape(tmp_path: Path, before_s: float) -> None:
    """Soon after the process began, and when its lead-in no longer holds the beginning."""
    night = Night(tmp_path)
    night.run(before_s)
    night.arm()
    night.run(100.0, start())
    night.shop.fault("board_reboot", True)
    night.run(70.0)
    assert night.pump.core.oven.paused
    night.arm()
    night.run(60.0, Resume(1))
    assert not night.pump.core.oven.paused
    night.run(10.0, StopOven())
    night.close()
    tape = list(Book(database_path(tmp_path)).tape(1))
    times = [entry.now_s for entry in tape]
    assert times == sorted(times)
    done = replay(1, tape)
    assert (done.differs, done.restarts) == ("", 0)
    assert done.until_s - (done.from_s or 0.0) > 240.0


@pytest.mark.parametrize("waited_s", [40.0, 700.0])
def test_a_cut_off_run_taken_up_late_is_replayed_with_the_memory_of_its_own_process(
    tmp_path: Path, waited_s: float
) -> None:
    """Also when the beginning of the new process is too long ago to be in the lead-in."""
    night = Night(tmp_path)
    night.arm()
    night.run(100.0, start())
    night.close()
    again = Night(tmp_path, at_s=5000.0, shop=night.shop)
    again.run(waited_s)
    again.arm()
    again.run(60.0, Resume(1))
    again.run(10.0, StopOven())
    again.close()
    tape = list(Book(database_path(tmp_path)).tape(1))
    firsts = [entry.now_s for entry in tape if entry.kind is TapeKind.MEMORY and entry.payload[0]]
    assert len(firsts) == 2
    assert firsts[0] == 0.0
    assert firsts[1] == next(entry.now_s for entry in tape if entry.now_s >= 5000.0)
    done = replay(1, tape)
    assert (done.differs, done.restarts) == ("", 1)
    assert done.until_s > 5000.0 + waited_s
    assert done.length_s() < 1000.0, "the time without a process is not part of it"


def test_no_commit_of_a_stop_or_a_trip_leaves_one_half_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a kill after any commit leaves: a run that is over and not offered, a trip and its latch."""
    night = Night(tmp_path / "shop")
    night.arm()
    night.run(40.0, start())
    assert night.records.flush(20.0)
    left: list[tuple[str | None, Any, list[str], set[str]]] = []

    def committed(connection: sqlite3.Connection, *rest: Any) -> Any:
        done = commit(connection, *rest)
        (outcome,) = connection.execute("SELECT outcome FROM runs").fetchone()
        state = json.loads(connection.execute("SELECT state FROM core_state").fetchone()[0])
        told = connection.execute("SELECT data FROM events WHERE kind = 'interlock_tripped'").fetchall()
        tripped = {json.loads(data)["interlock"] for (data,) in told} - {"board_trip"}  # that one the board keeps
        left.append((outcome, state["run"], state["latched"], tripped))
        return done

    slow = Core.state

    def given_time(core: Core) -> Any:
        time.sleep(0.02)  # for the writer's thread, were there anything for it to take
        return slow(core)

    monkeypatch.setattr(writer, "commit", committed)
    monkeypatch.setattr(Core, "state", given_time)
    night.run(5.0, StopOven())
    night.shop.fault("smoke", True)
    night.run(3.0)
    night.close()
    assert left[-1] == ("stopped", None, ["smoke"], {"smoke"})
    for outcome, run, latched, told in left:
        assert (outcome == "stopped") == (run is None), left
        assert set(latched) == told, left


def test_a_tape_that_is_damaged_is_compared_as_far_as_it_can_be_read(book: Book) -> None:
    entries = list(book.tape(1))
    done = replay(1, [*entries[: len(entries) // 2], "Run 1, block 9: a block of the tape is damaged."])
    assert done.differs == ""
    assert done.damaged.startswith("Run 1, block 9")
    with pytest.raises(CannotReplayError, match="has no tape"):
        replay(1, [])


def test_one_bit_of_a_command_that_differs_is_found(book: Book) -> None:
    seed = random.randrange(2**31)
    print(f"seed {seed}")
    entries = list(book.tape(1))
    wrote = [at for at, entry in enumerate(entries) if entry.kind is TapeKind.WROTE]
    at = random.Random(seed).choice(wrote)
    payload = bytearray(entries[at].payload)
    payload[-3] ^= 1
    entries[at] = TapeEntry(entries[at].now_s, TapeKind.WROTE, bytes(payload))
    assert replay(1, entries).differs != ""


@pytest.mark.parametrize(
    "wish",
    [
        Start(Program("x", (Temper(160.0, 60.0, 200.0, 4.0, 50.0, "Turn?"),), True, "use"), (LoadItem(0.2, 8, 1, 2),)),
        StopOven(), Resume(3), Confirm("1-2", False), Preheat(50.0, 600.0), TankOff(), Quench(0.2, 830.0, 4, True),
        Presence(), StopAll(),
    ],
    ids=lambda wish: type(wish).__name__,
)  # fmt: skip
def test_every_wish_comes_back_from_the_tape_as_it_was(wish: Wish) -> None:
    request = Request(7, wish, "phone 2")
    assert repr(request_of(request_payload(request))) == repr(request)


def test_a_wish_of_another_version_is_said() -> None:
    with pytest.raises(CannotReplayError, match="does not know"):
        request_of(json.dumps({"id": 1, "who": "x", "wish": "Dance", "details": {}}).encode())


def test_bytes_in_words() -> None:
    assert said(b"") == "nothing"
    link = Link()
    link.port_changed("")
    assert said(link.poll(0.0)) == "a greeting"


# --- The memory --------------------------------------------------------------------------------------------


def test_a_memory_goes_on_exactly_as_the_one_it_was_taken_of(tmp_path: Path) -> None:
    night = Night(tmp_path)
    night.arm()
    night.run(40.0, start())
    core, link, *_ = thaw(freeze(Memory(night.pump.core, night.pump.link, False)))
    other = Pump.remembering(Memory(core, link, False), lambda _: Core(limits()))
    for _ in range(400):
        night.now_s += 0.25
        data = night.shop.exchange(night.out, 0.25)
        wrote, _ = night.pump.step(data, night.now_s, (), False)
        assert other.step(data, night.now_s, (), False)[0] == wrote
        night.out = wrote
    night.close()


class _Malice:
    def __reduce__(self) -> Any:
        return (print, ("never",))


@pytest.mark.parametrize("what", [_Malice(), argparse.Namespace(), ("no", "core", False), (1, 2)])
def test_nothing_but_our_own_types_is_read(what: Any, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(MemoryUnknownError):
        thaw(pickle.dumps(what, 5))
    with pytest.raises(MemoryUnknownError):
        thaw(b"rubbish")
    assert capsys.readouterr().out == ""


def test_a_memory_names_no_function_but_the_loops_clock() -> None:
    core = Core(limits())
    names = {value for _, value, _ in pickletools.genops(freeze(Memory(core, Link(), False))) if isinstance(value, str)}
    assert "_no_clock" in names
    assert not any("builtins" in name for name in names)


# --- The command ---------------------------------------------------------------------------------------------


def ask(*words: str) -> int:
    parser = argparse.ArgumentParser(prog="ovenhand replay")
    command.add_arguments(parser)
    return command.run(parser.parse_args(words))


def test_the_command_says_it_and_its_exit_code_too(
    book: Book, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = ("--data", str(book.path.parent))
    out = tmp_path / "out.json"
    assert ask("1", *data, "--json", str(out)) == 0
    assert re.fullmatch(r"Run 1: the same commands in all \d+ ticks, 11 min\.\n", capsys.readouterr().out)
    told = json.loads(out.read_text())
    assert (told["same"], told["open"]) == (True, False)
    assert told["run_s"] == pytest.approx(told["covered_s"], abs=2.0)
    assert told["run_s"] > 500.0
    assert ask("1", *data, "--json", str(tmp_path / "no" / "out.json")) == 2
    assert "out.json cannot be written: No such file" in capsys.readouterr().err
    shop = tmp_path / "shop.toml"
    shop.write_text('[oven]\nheater_w = 1500\nlimit_c = 155\n[tank]\nheater_w = 1000\nvolume_l = 12\noil = "canola"\n')
    assert ask("1", *data, "--shop", str(shop)) == 1
    assert "differs at tick" in capsys.readouterr().out
    assert ask("99", *data) == 2
    assert "There is no run 99" in capsys.readouterr().err
    with pytest.raises(SystemExit) as exit_:
        ask("9" * 23, *data)  # more than the book can hold: refused as `records show` refuses it, and no difference
    assert exit_.value.code == 2
    assert "whole number from 1 up" in capsys.readouterr().err
    assert ask("1", "--data", str(tmp_path / "nowhere")) == 2
    shop.write_text("[oven]\n")
    assert ask("1", *data, "--shop", str(shop)) == 2
    assert "heater_w is missing" in capsys.readouterr().err


def test_how_it_went_is_plain_data() -> None:
    assert Replay(1).differs == ""


def test_a_memory_of_a_version_that_knew_less_is_completed_and_that_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    taken = Pump.memory

    def knew_less(pump: Pump) -> bytes:
        had = pump.core.oven.__dict__.pop("paused"), pump.link.__dict__.pop("_foreign")
        try:
            return taken(pump)
        finally:
            pump.core.oven.paused, pump.link._foreign = had

    monkeypatch.setattr(Pump, "memory", knew_less)
    a_run_with_faults(tmp_path)
    monkeypatch.undo()
    assert ask("1", "--data", str(tmp_path)) == 0
    told = capsys.readouterr()
    assert "the same commands in all" in told.out
    assert "Recorded by another version: Link._foreign, Oven.paused was not remembered and begins as new." in told.err


def test_a_memory_that_does_not_serve_todays_core_is_a_sentence(
    book: Book, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def needs_more(core: Core, *_: object) -> Outcome:
        raise AttributeError("'Oven' object has no attribute '_more'")

    monkeypatch.setattr(Core, "tick", needs_more)
    assert ask("1", "--data", str(book.path.parent)) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "recorded by another version" in told.err
    assert "'_more'" in told.err
