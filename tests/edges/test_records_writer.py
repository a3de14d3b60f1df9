"""The writer: a crash or a full disk loses nothing that was left for it, and nobody who leaves it waits."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

import controller
from controller.model import Answer, Event, Preheat, Reason, Request
from controller.records import (
    Book,
    Devices,
    Outbox,
    Records,
    RecordsError,
    RunStart,
    ShopWriter,
    database_path,
    trouble,
    writer,
)
from controller.records import devices as devices_module
from controller.records import shop as shop_module
from controller.records.batch import Batch, Item, commit
from controller.records.rows import SAMPLE_COLUMNS

PROGRAM = {"name": "drift", "tempers": [{"temperature_c": 232.0, "soak_s": 3600.0}]}


class Clock:
    """Both clocks, moved by hand."""

    def __init__(self) -> None:
        self.mono_s = 100.0
        self.wall_s = 1_700_000_000.0

    def mono(self) -> float:
        return self.mono_s

    def wall(self) -> float:
        return self.wall_s

    def go(self, seconds: float) -> None:
        self.mono_s += seconds
        self.wall_s += seconds


def sample(run_id: int | None, clock: Clock, oven_c: float = 200.0) -> tuple[object, ...]:
    known = {"run_id": run_id, "at": clock.wall_s, "mono_s": clock.mono_s, "oven_c": oven_c, "phase": "soak"}
    return tuple(known.get(name) for name in SAMPLE_COLUMNS)


def opened(path: Path, clock: Clock, **options: float) -> Records:
    return Records(path, wall=clock.wall, mono=clock.mono, **options)  # type: ignore[arg-type]


@pytest.fixture
def records(path: Path, clock: Clock) -> Iterator[Records]:
    # An hour between looks: what these tests see was written because it was asked for, not by the clock.
    book = opened(path, clock, samples_every_s=3600.0, retry_s=3600.0)
    yield book
    book.close(10.0)


def counted(path: Path, table: str) -> int:
    with sqlite3.connect(path) as connection:
        (count,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
    connection.close()
    return int(count)


def fill_the_disk(records: Records) -> sqlite3.Connection:
    """From now the file may not grow: SQLite answers as it does on a full disk. Answers what `clear_the_disk` needs."""

    def fill(connection: sqlite3.Connection) -> sqlite3.Connection:
        connection.execute("PRAGMA max_page_count = 1")
        return connection

    return records.write(fill).result(10)


def clear_the_disk(full: sqlite3.Connection) -> None:
    """Room again. A job is refused while the disk is full, so the pragma goes in before the next try."""
    full.execute("PRAGMA max_page_count = 1000000")


def test_a_run_with_everything_is_read_back_as_it_was(path: Path, clock: Clock, records: Records) -> None:
    start = RunStart(7, PROGRAM, [{"mass_kg": 0.4, "section_mm": 12.0}], "phone 2", "aa", "bb", {"latch": []})
    records.run_started(start)
    numbers = records.put_events([Event("soak_started", 101.0, "Soaking.", {"temper": 0})], run_id=7)
    records.put_samples([sample(7, clock)])
    refused = Answer((Reason("not_fitted", "There is no tank."),))
    records.put_request(Request(3, Preheat(50.0), "script"), refused)
    clock.go(3600)
    records.run_ended(7, outcome="ended", ending="The last soak is done.", tempers=[{"in_band_s": 3600.0}])
    assert records.flush()
    book = Book(path)
    run = book.run(7)
    assert run is not None
    assert (run["program"], run["who"], run["outcome"]) == (PROGRAM, "phone 2", "ended")
    assert (run["settings_hash"], run["profiles_hash"]) == ("aa", "bb")
    assert run["duration_s"] == 3600.0
    assert run["started_at"] == "2023-11-14T22:13:20.000Z"
    assert run["tempers"] == [{"in_band_s": 3600.0}]
    assert [(event["id"], event["kind"], event["data"]) for event in run["events"]] == [
        (numbers[0], "soak_started", {"temper": 0})
    ]
    assert [row["oven_c"] for row in book.trace(7)] == [200.0]
    (request,) = book.requests()
    assert (request["who"], request["wish"], request["accepted"]) == ("script", "Preheat", False)
    assert request["details"] == {"target_c": 50.0, "ready_in_s": None, "gentle": False}
    assert request["reasons"] == [{"code": "not_fitted", "text": "There is no tank."}]
    assert book.core_state(7) == {"latch": []}
    assert records.dropped == 0
    assert records.trouble is None


def test_an_event_is_on_disk_without_waiting_for_the_samples_turn(path: Path, records: Records) -> None:
    records.put_events([Event("board_silent", 1.0, "The board is silent.")])
    until = time.monotonic() + 20
    while not Book(path).events():
        assert time.monotonic() < until, "the event waited for the samples' turn, an hour away"
        time.sleep(0.01)


def test_a_kill_in_mid_write_loses_nothing_that_was_finished(path: Path, clock: Clock) -> None:
    root = Path(controller.__file__).parents[1]
    child = subprocess.Popen(
        [sys.executable, __file__, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(root)},
    )
    assert child.stdout is not None
    finished = 0
    for line in child.stdout:
        finished = int(line)
        if finished == 12:
            break
    child.send_signal(signal.SIGKILL)
    child.wait(10)
    finished = max([finished, *(int(line) for line in child.stdout)])
    child.stdout.close()
    assert finished >= 12
    records = opened(path, clock)
    try:
        book = Book(path)
        runs = {run["id"]: run for run in book.runs(limit=10_000)}
        for number in range(1, finished + 1):
            assert runs[number]["outcome"] == "ended"
            assert len(list(book.samples(number))) == 5
            assert [event["kind"] for event in book.events(run_id=number)] == ["run_started", "run_ended"]
        assert {run["outcome"] for run in runs.values()} <= {"ended", "cut off"}
        assert set(records.cut_off) == {run["id"] for run in runs.values() if run["outcome"] == "cut off"}
        assert records.next_run_id == max(runs) + 1
        assert book.verify() == []
        assert book.open_runs() == []
    finally:
        assert records.close(10.0)


def test_a_run_left_open_is_cut_off_when_it_was_last_seen_and_may_be_resumed(
    path: Path, clock: Clock
) -> None:
    records = opened(path, clock)
    records.run_started(RunStart(1, PROGRAM, [], "machine"))
    for _ in range(5):
        clock.go(1)
        records.put_samples([sample(1, clock)])
    last_seen = clock.wall_s
    assert records.close(10.0)
    clock.go(600)
    records = opened(path, clock)
    assert records.cut_off == (1,)
    run = Book(path).run(1)
    assert run is not None
    assert run["outcome"] == "cut off"
    assert run["ended_at"] == "2023-11-14T22:13:25.000Z"
    assert last_seen == 1_700_000_005.0
    records.run_resumed(1)
    clock.go(60)
    records.put_samples([sample(1, clock)])
    records.run_ended(1, outcome="ended", ending="Done.")
    assert records.flush(10.0)
    run = Book(path).run(1)
    assert run is not None
    assert run["outcome"] == "ended"
    assert [(gap["cut_at"], gap["resumed_at"]) for gap in run["interruptions"]] == [
        ("2023-11-14T22:13:25.000Z", "2023-11-14T22:23:25.000Z")
    ]
    assert run["duration_s"] is None
    assert [row["t_s"] for row in Book(path).trace(1)] == [0.0, 1.0, 2.0, 3.0, 4.0, 664.0]
    assert records.close(10.0)


def test_a_full_disk_is_said_and_its_events_come_when_there_is_room(
    path: Path, clock: Clock, records: Records
) -> None:
    records.run_started(RunStart(1, PROGRAM, [], "machine"))
    disk = fill_the_disk(records)
    big = "x" * 5000
    numbers = records.put_events([Event("note", float(at), big) for at in range(40)], run_id=1)
    records.put_samples([sample(1, clock)])
    assert not records.flush()
    assert records.trouble is not None
    assert records.trouble.startswith("The disk is full: free some space")
    clock.go(30)
    records.run_ended(1, outcome="stopped", ending="Stopped from the phone.")
    records.put_state({"latches": ["over_oven"]})
    assert Book(path).events() == []
    clear_the_disk(disk)
    assert records.flush()
    assert records.trouble is None
    assert records.dropped == 0
    assert [event["id"] for event in Book(path).events()] == list(numbers)
    run = Book(path).run(1)
    assert run is not None
    assert (run["outcome"], run["samples"]) == ("stopped", 1)
    assert records.state() == {"latches": ["over_oven"]}
    (gap,) = Book(path).gaps()
    assert gap["lost"] == 0
    assert gap["text"].startswith("The disk is full")
    assert (gap["from_at"], gap["until_at"]) == ("2023-11-14T22:13:20.000Z", "2023-11-14T22:13:50.000Z")


def test_a_full_disk_whose_path_is_no_utf8_is_written_again_when_there_is_room(tmp_path: Path, clock: Clock) -> None:
    path = database_path(tmp_path / os.fsdecode(b"caf\xe9"))
    records = opened(path, clock, samples_every_s=3600.0, retry_s=3600.0)
    disk = fill_the_disk(records)
    records.put_events([Event("note", 1.0, "x" * 5000)] * 40)
    assert not records.flush()
    assert records.trouble is not None
    assert "caf?" in records.trouble
    clear_the_disk(disk)
    assert records.flush()
    (gap,) = Book(path).gaps()
    assert "caf?" in gap["text"]
    assert records.close(10.0)


def test_who_waits_for_a_write_is_told_that_the_disk_is_full(records: Records, clock: Clock) -> None:
    devices = Devices(records, wall=clock.wall)
    disk = fill_the_disk(records)
    with pytest.raises(RecordsError, match="The disk is full"):
        devices.add("x" * 20_000, "viewer", "0" * 64)
    assert devices.list() == []
    clear_the_disk(disk)
    assert devices.add("phone", "viewer", "0" * 64).label == "phone"


def test_a_full_queue_never_waits_and_counts_what_it_drops(path: Path, clock: Clock) -> None:
    records = opened(path, clock, samples_every_s=3600.0, retry_s=3600.0, most_diary=50, most_samples=10)
    held = threading.Event()
    entered = threading.Event()

    def hold(connection: sqlite3.Connection) -> None:
        entered.set()
        assert held.wait(30)

    future = records.write(hold)
    assert entered.wait(10)
    done = threading.Event()

    def leave_far_too_much() -> None:
        records.put_events(Event("note", float(at), "n") for at in range(200))
        records.put_samples(sample(None, clock) for _ in range(200))
        for _ in range(400):
            records.put_tape(1, b"")
        done.set()

    threading.Thread(target=leave_far_too_much, daemon=True).start()
    try:
        assert done.wait(20), "leaving something waited for a writer that does nothing"
        # Fifty fit the diary, one of them the job that is being done; ten samples; 240 blocks of tape.
        assert records.dropped == 200 - 49 + 200 - 10 + 400 - 240
    finally:
        held.set()
    future.result(10)
    assert records.close(10.0)
    assert counted(path, "events") == 49
    assert counted(path, "samples") == 10


def test_a_disk_that_hangs_is_said_and_what_was_lost_is_in_the_book(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = opened(path, clock, samples_every_s=0.01, retry_s=3600.0, most_diary=10, most_samples=10)
    gates = [threading.Event(), threading.Event()]
    entered = [threading.Event(), threading.Event()]

    def hold(at: int) -> None:
        entered[at].set()
        assert gates[at].wait(30)

    records.put(lambda connection: hold(0))
    assert entered[0].wait(10)
    assert records.trouble is None
    with monkeypatch.context() as half_a_minute_later:
        half_a_minute_later.setattr(writer, "HANGS_S", 0.0)
        assert records.trouble is not None
        assert records.trouble.startswith(f"The disk that holds {path} does not answer: check the card")
    records.put(lambda connection: hold(1))
    clock.go(60)
    records.put_samples([sample(None, clock)] * 100)
    records.put_events([Event("note", 1.0, "n")] * 100)
    clock.go(60)
    gates[0].set()
    assert entered[1].wait(10)
    records.put_samples([sample(None, clock)] * 100)  # while the gap of the first is being written
    records.put_events([Event("note", 1.0, "n")] * 100)
    gates[1].set()
    until = time.monotonic() + 20
    while len(Book(path).gaps()) < 2:
        assert time.monotonic() < until, "nothing more came, and the rest was in no gap"
        time.sleep(0.01)
    assert records.trouble is None
    gaps = Book(path).gaps()
    assert sum(gap["lost"] for gap in gaps) == records.dropped
    assert records.dropped == 400 - counted(path, "events") - counted(path, "samples")
    assert {gap["text"] for gap in gaps} == {"The disk took less than what came."}
    assert [(gap["from_at"], gap["until_at"]) for gap in gaps] == [
        ("2023-11-14T22:14:20.000Z", "2023-11-14T22:15:20.000Z"),
        ("2023-11-14T22:15:20.000Z", "2023-11-14T22:15:20.000Z"),
    ]
    assert records.close(10.0)
    assert len(Book(path).gaps()) == 2


def test_an_entry_at_fault_does_not_hold_up_the_others(path: Path, records: Records) -> None:
    records.put(lambda connection: connection.execute("INSERT INTO samples (at) VALUES ('noon')"))
    records.put_events([Event("note", 1.0, "kept")])
    assert not records.flush()
    assert records.flush()
    assert records.dropped == 1
    assert records.trouble is None
    assert [event["text"] for event in Book(path).events()] == ["kept"]


def test_a_job_that_fails_is_undone_whole_and_its_error_handed_back(path: Path, records: Records) -> None:
    def half(connection: sqlite3.Connection) -> None:
        connection.execute("INSERT INTO stock (name, created_at) VALUES ('bar', 1.0)")
        raise LookupError("no such bar")

    with pytest.raises(LookupError, match="no such bar"):
        records.write(half).result(10)
    assert Book(path).stock() == []


def test_what_a_slow_disk_did_not_write_in_time_is_not_written_behind_ones_back(
    path: Path, clock: Clock, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop, people = ShopWriter(records, wall=clock.wall), Devices(records, wall=clock.wall)
    stock = shop.add_stock({"name": "bar"})
    lost = people.add("lost phone", "operator", "b" * 64)
    gate, entered = threading.Event(), threading.Event()

    def hold(connection: sqlite3.Connection) -> None:
        entered.set()
        assert gate.wait(30)

    records.put(hold)
    assert entered.wait(10)
    monkeypatch.setattr(shop_module, "WRITE_TIMEOUT_S", 0.01)
    monkeypatch.setattr(devices_module, "WRITE_TIMEOUT_S", 0.01)
    for _ in range(2):
        with pytest.raises(RecordsError, match=r"in time, and nothing was written\. Try again"):
            shop.add_file_test({"stock_id": stock, "skates_hrc": 60.0}, "phone 1")
    with pytest.raises(RecordsError, match=r"in time, and nothing was written\. Try again"):
        people.add("phone", "operator", "a" * 64)
    with pytest.raises(RecordsError, match="The device is shut out, but the disk did not answer in time"):
        people.revoke(lost.id)
    gate.set()
    assert records.flush()
    assert records.dropped == 0
    assert Book(path).file_tests(stock) == []
    (device,) = Book(path).devices()
    assert device["label"] == "lost phone"
    assert device["revoked_at"] is not None


def test_a_job_that_has_begun_cannot_be_taken_back_and_that_is_said(
    path: Path, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    gate, entered = threading.Event(), threading.Event()

    def slowly(connection: sqlite3.Connection) -> None:
        entered.set()
        assert gate.wait(30)
        connection.execute("INSERT INTO stock (name, created_at) VALUES ('bar', 1.0)")

    begun = records.write(slowly)
    assert entered.wait(10)
    with monkeypatch.context() as patch:
        patch.setattr(records, "write", lambda _: begun)
        with pytest.raises(RecordsError, match="It may still be written: look before you try again"):
            records.written(slowly, 0.01)
    gate.set()
    assert records.flush()
    assert [one["name"] for one in Book(path).stock()] == ["bar"]


def test_a_job_that_was_taken_back_holds_up_no_failing_batch(path: Path, records: Records) -> None:
    disk = fill_the_disk(records)
    gate, entered = threading.Event(), threading.Event()

    def hold(connection: sqlite3.Connection) -> None:
        entered.set()
        assert gate.wait(30)

    first = records.write(hold)
    assert entered.wait(10)
    big = records.write(lambda connection: connection.execute(
        "INSERT INTO stock (name, created_at) VALUES (?, 1.0)", ("x" * 20_000,)
    ))  # fmt: skip
    after = records.write(lambda connection: None)
    assert after.cancel()
    gate.set()
    first.result(10)
    with pytest.raises(RecordsError, match="The disk is full"):
        big.result(10)
    clear_the_disk(disk)
    assert records.flush()


def test_what_json_does_not_know_and_utf8_cannot_hold_is_recorded_all_the_same(
    path: Path, records: Records
) -> None:
    data = {"peak_c": float("nan"), "band": (1, 2), "odd": SimpleNamespace(a=1), "run_id": "seven"}
    records.put_events([Event("note", 1.0, "half \ud800 a pair", data)])
    assert records.flush()
    (event,) = Book(path).events()
    assert event["text"] == "half ? a pair"
    assert event["data"]["peak_c"] is None
    assert event["data"]["band"] == [1, 2]
    assert event["data"]["odd"] == "namespace(a=1)"
    assert event["run_id"] is None


def test_events_and_requests_are_only_added_to(records: Records) -> None:
    records.put_events([Event("note", 1.0, "stays")])
    for change in ("DELETE FROM events", "UPDATE events SET text = ''"):
        with pytest.raises(sqlite3.IntegrityError, match="only added to"):
            records.write(lambda connection, change=change: connection.execute(change)).result(10)


def test_numbers_of_events_and_the_state_go_on_after_a_restart(path: Path, clock: Clock) -> None:
    records = opened(path, clock)
    assert records.state() is None
    assert records.put_events([Event("note", 1.0, "a"), Event("note", 2.0, "b")]) == (1, 2)
    records.put_state({"latches": ["smoke"]})
    assert records.close(10.0)
    records = opened(path, clock)
    assert records.state() == {"latches": ["smoke"]}
    assert records.put_events([Event("note", 3.0, "c")]) == (3,)
    assert records.close(10.0)
    assert not records.flush()
    records.put_events([Event("note", 4.0, "after closing")])
    assert records.dropped == 2


@pytest.mark.parametrize(
    ("outcome", "offered"),
    [("cut off", True), (None, True), ("stopped", False), ("tripped", False), ("ended", False)],
)
def test_a_run_that_is_over_in_the_book_is_offered_by_no_stored_state(
    path: Path, clock: Clock, outcome: str | None, offered: bool
) -> None:
    records = opened(path, clock)
    records.run_started(RunStart(1, PROGRAM, [], "machine"))
    if outcome is not None:
        records.run_ended(1, outcome=outcome, ending="Stopped by hand.")
    kept = {"latched": ["smoke"], "next_run_id": 2, "ran_s": 1.50, "what": "8 °C"}
    records.put_state(kept | {"run": {"run_id": 1, "ran_s": 9.0}})
    assert records.flush()
    assert records.close(10.0)
    records = opened(path, clock)
    assert records.state() == kept | {"run": {"run_id": 1, "ran_s": 9.0} if offered else None}
    records.put_state(kept | {"run": {"run_id": 2}})  # one that the book does not know
    assert records.close(10.0)
    records = opened(path, clock)
    assert records.state() == kept | {"run": None}
    assert records.close(10.0)


def test_a_second_process_may_not_write_the_same_book(path: Path, clock: Clock, records: Records) -> None:
    records.run_started(RunStart(1, PROGRAM, [], "machine"))
    assert records.flush()
    with pytest.raises(RecordsError, match="Another Ovenhand is using"):
        opened(path, clock)
    assert Book(path).open_runs() == [1]


def test_run_ends_are_flushed_to_the_card_and_ordinary_batches_are_not(path: Path, records: Records) -> None:
    assert records.flush()
    seen: list[int] = []

    def look(connection: sqlite3.Connection) -> None:
        seen.append(connection.execute("PRAGMA synchronous").fetchone()[0])

    connection = sqlite3.connect(path, isolation_level=None)
    commit(connection, Batch([Item(look)], [], [], None), None, 0.0)
    commit(connection, Batch([Item(look, durable=True)], [], [], None), None, 0.0)
    connection.close()
    assert seen == [1, 2]  # SQLite: 1 NORMAL, 2 FULL


def test_a_trip_and_a_changed_latch_are_flushed_to_the_card(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also while no run is on: whoever sees a trip may well pull the plug."""
    records.put_state({"latched": [], "ran_s": 0})
    assert records.flush()
    seen: list[int] = []

    def committed(connection: sqlite3.Connection, *rest: object) -> object:
        done = commit(connection, *rest)  # type: ignore[arg-type]
        seen.append(connection.execute("PRAGMA synchronous").fetchone()[0])
        return done

    def after(*left: Callable[[], object]) -> list[int]:
        seen.clear()
        with records.together():
            for leave in left:
                leave()
        until = time.monotonic() + 20
        while not seen:
            assert time.monotonic() < until
            time.sleep(0.005)
        return list(seen)

    def happens(kind: str) -> Callable[[], object]:
        return lambda: records.put_events([Event(kind, 1.0, kind, {"interlock": "smoke"})])

    def keeps(**state: object) -> Callable[[], object]:
        return lambda: records.put_state(state)

    monkeypatch.setattr(writer, "commit", committed)
    normal, full = [1], [2]  # SQLite: 1 NORMAL, 2 FULL
    assert after(happens("armed"), keeps(latched=[], ran_s=1)) == normal
    assert after(happens("interlock_tripped")) == full
    assert after(keeps(latched=["smoke"], ran_s=1)) == full
    assert after(happens("armed"), keeps(latched=["smoke"], ran_s=2)) == normal
    assert after(happens("trip_reset"), keeps(latched=[], ran_s=2)) == full


def test_devices_are_found_listed_and_shut_out(path: Path, clock: Clock) -> None:
    records = opened(path, clock)
    devices = Devices(records, wall=clock.wall)
    phone = devices.add("phone", "operator", "a" * 64)
    devices.add("tablet", "viewer", "b" * 64)
    assert devices.find_by_hash("a" * 64) == phone
    assert devices.find_by_hash("c" * 64) is None
    clock.go(5)
    devices.touch(phone.id)
    assert devices.revoke(phone.id)
    assert not devices.revoke(phone.id)
    assert not devices.revoke(99)
    assert devices.find_by_hash("a" * 64) is None
    with pytest.raises(ValueError, match="paired already"):
        devices.add("again", "viewer", "b" * 64)
    with pytest.raises(ValueError, match="operator or viewer"):
        devices.add("x", "owner", "d" * 64)
    with pytest.raises(ValueError, match="64 lowercase"):
        devices.add("x", "viewer", "the token itself")
    assert records.close(10.0)
    records = opened(path, clock)
    again = Devices(records, wall=clock.wall)
    assert again.list() == devices.list()
    assert again.find_by_hash("a" * 64) is None
    assert [device["label"] for device in Book(path).devices()] == ["phone", "tablet"]
    assert all("token_sha256" not in device for device in Book(path).devices())
    assert records.close(10.0)


def _write_until_killed(path: Path) -> None:
    """The child of the kill test: run after run, each number on standard output once it is on disk."""
    clock = Clock()
    records = opened(path, clock)
    number = 0
    while True:
        number += 1
        records.run_started(RunStart(number, PROGRAM, [], "machine"))
        records.put_events([Event("run_started", clock.mono_s, "")], run_id=number)
        for _ in range(5):
            clock.go(1)
            records.put_samples([sample(number, clock)])
        records.put_events([Event("run_ended", clock.mono_s, "")], run_id=number)
        records.run_ended(number, outcome="ended", ending="Done.")
        assert records.flush(30.0)
        os.write(1, f"{number}\n".encode())


if __name__ == "__main__":
    _write_until_killed(Path(sys.argv[1]))


# --- A disk that is full when the book is opened -------------------------------------------------------------------


@contextmanager
def no_room(monkeypatch: pytest.MonkeyPatch, most: int = 4096) -> Iterator[None]:
    """No file of this process may grow beyond so many bytes, and the disk says that it has no room."""
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    monkeypatch.setattr(trouble, "LEAST_ROOM", 1 << 62)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, limits[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)


def left_behind(path: Path, clock: Clock, *, killed: bool, ended: bool) -> None:
    """A book with a device, a trip that stands and a run that the state offers; as a kill leaves it, or closed."""
    at_work = path if not killed else database_path(path.parent.with_name("at work"))
    records = opened(at_work, clock)
    Devices(records, wall=clock.wall).add("phone", "operator", "a" * 64)
    records.run_started(RunStart(7, PROGRAM, (), "phone 1"))
    if ended:
        records.run_ended(7, outcome="stopped", ending="Stopped by hand.")
    records.put_events([Event("interlock_tripped", 1.0, "text", {"interlock": "smoke"})])
    assert records.flush()
    records.put_state({"latched": ["smoke"], "run": {"run_id": 7}, "next_run_id": 8})
    assert records.flush()
    if killed:
        shutil.copytree(at_work.parent, path.parent)
    records.close(10.0)


@pytest.mark.parametrize("ended", [False, True], ids=["open run", "ended run"])
@pytest.mark.parametrize("killed", [True, False], ids=["killed", "closed"])
def test_a_disk_that_is_full_at_the_start_forgets_nothing_and_is_written_once_there_is_room(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, killed: bool, ended: bool
) -> None:
    """Closed, there is no log and no room for one or its index: the file is read by itself."""
    left_behind(path, clock, killed=killed, ended=ended)
    assert path.with_name(path.name + "-wal").exists() == killed
    clock.go(60.0)
    with no_room(monkeypatch, 40_000 if killed else 4096):
        records = opened(path, clock, retry_s=0.05)
        assert records.cut_off == (() if ended else (7,))
        assert records.state() == {"latched": ["smoke"], "run": None if ended else {"run_id": 7}, "next_run_id": 8}
        assert (records.next_run_id, records.state_age_s) == (8, 60.0)
        devices = Devices(records, wall=clock.wall)
        assert devices.find_by_hash("a" * 64) is not None
        assert Outbox(records).waiting() == []
        assert records.trouble is not None
        assert "The disk is full: free some space" in records.trouble
        with pytest.raises(RecordsError, match="The disk is full"):
            devices.add("another", "viewer", "b" * 64)
        assert records.put_events([Event("interlock_cleared", 2.0, "text", {})]) == (2,)
        records.put_state({"latched": ["smoke", "level"], "run": None, "next_run_id": 8})
        records.run_started(RunStart(8, PROGRAM, (), "phone 1"))
        assert not records.flush(0.2)
    end = time.monotonic() + 20.0
    while records.trouble is not None and time.monotonic() < end:
        time.sleep(0.01)
    assert records.flush(20.0)
    assert records.trouble is None
    book = Book(path)
    assert [event["kind"] for event in book.events()] == ["interlock_tripped", "interlock_cleared"]
    first, second = (book.run(number) or {} for number in (7, 8))
    assert (first["outcome"], second["outcome"]) == ("stopped" if ended else "cut off", None)
    assert first["ending"].startswith("Stopped by hand" if ended else "The service ended while the run was on")
    assert [gap["lost"] for gap in book.gaps()] == [0]
    assert book.verify() == []
    records.close(10.0)
    again = opened(path, clock)
    assert (again.state() or {})["latched"] == ["smoke", "level"]
    again.close(10.0)


def test_a_full_disk_without_a_book_or_with_an_older_one_is_refused(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stands in it, if anything, is not known then."""
    with no_room(monkeypatch), pytest.raises(RecordsError, match="free some space"):
        opened(path, clock)
    left_behind(path.parent.with_name("old") / path.name, clock, killed=False, ended=True)
    old = path.parent.with_name("old") / path.name
    with sqlite3.connect(old) as connection:
        connection.execute("DELETE FROM migrations WHERE number = (SELECT max(number) FROM migrations)")
        connection.execute("PRAGMA journal_mode=DELETE")
    connection.close()
    with no_room(monkeypatch), pytest.raises(RecordsError):
        opened(old, clock)
    records = opened(database_path(path.parent.with_name("room")), clock)
    records.close(10.0)


@pytest.mark.parametrize("index", [None, b"", b"x" * 3], ids=["no index", "an empty index", "an index cut short"])
def test_a_log_whose_index_has_no_room_is_read_without_it(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, index: bytes | None
) -> None:
    """As after a kill on a disk that is full but for blocks that are kept for root."""
    left_behind(path, clock, killed=True, ended=False)
    file = path.with_name(path.name + "-shm")
    file.unlink()
    if index is not None:
        file.write_bytes(index)
    clock.go(60.0)
    with no_room(monkeypatch):
        records = opened(path, clock, retry_s=3600.0)
        assert records.trouble is not None
        assert records.cut_off == (7,)
        assert records.state() == {"latched": ["smoke"], "run": {"run_id": 7}, "next_run_id": 8}
        assert Devices(records, wall=clock.wall).find_by_hash("a" * 64) is not None
        query = "SELECT count(*) FROM runs"
        with ThreadPoolExecutor(8) as readers:
            asked = [readers.submit(records.read, lambda book: book.execute(query).fetchone()[0]) for _ in range(32)]
            assert [answer.result(20.0) for answer in asked] == [1] * 32
        assert not records.close(10.0)
    records = opened(path, clock)
    assert (records.state() or {})["latched"] == ["smoke"]
    assert Book(path).verify() == []
    records.close(10.0)


def test_a_log_that_cannot_be_read_for_want_of_room_is_not_passed_over(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    left_behind(path, clock, killed=True, ended=False)
    log = path.with_name(path.name + "-wal")
    log.rename(log.with_name("away"))
    log.mkdir()
    with no_room(monkeypatch), pytest.raises(RecordsError):
        opened(path, clock)
    log.rmdir()
    log.with_name("away").rename(log)
    records = opened(path, clock)
    assert (records.state() or {})["latched"] == ["smoke"]
    records.close(10.0)


def test_who_reads_a_book_on_a_full_disk_is_told_that_it_is_full(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The book is sound; what was said before was to check its permissions or to restore a back-up."""
    left_behind(path, clock, killed=False, ended=True)
    book = Book(path)
    with no_room(monkeypatch):
        for read in (book.runs, book.events, book.verify, lambda: book.backup(tmp_path / "copy.db")):
            with pytest.raises(RecordsError) as told:
                read()
            assert str(told.value) == f"The disk is full: free some space on the disk that holds {path}."
    assert book.verify() == []


@pytest.mark.parametrize(
    ("left", "words"),
    [("no file", "cannot be opened: check that its disk is there."), ("rubbish", "is damaged: stop the service, ")],
)
def test_a_late_opening_that_fails_for_another_reason_says_that_one(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, left: str, words: str
) -> None:
    left_behind(path, clock, killed=False, ended=True)
    with no_room(monkeypatch):
        records = opened(path, clock, retry_s=0.05)
        path.rename(path.with_name("away"))
        if left == "no file":
            path.mkdir()
        else:
            path.write_bytes(b"rubbish" * 500)
    monkeypatch.undo()
    end = time.monotonic() + 20.0
    while words not in (records.trouble or "") and time.monotonic() < end:
        time.sleep(0.01)
    assert (records.trouble or "").startswith(f"{path} {words}")
    assert "free some space" not in (records.trouble or "")
    assert not records.close(10.0)


@pytest.mark.parametrize(
    ("blocks", "files", "left", "full"),
    [(1000, 500, 0, True), (1000, 500, 1, False), (1000, 0, 0, False), (15, 500, 100, True), (16, 500, 100, False)],
)
def test_a_disk_that_can_hold_no_more_files_has_no_room(
    path: Path, monkeypatch: pytest.MonkeyPatch, blocks: int, files: int, left: int, full: bool
) -> None:
    disk = SimpleNamespace(f_bavail=blocks, f_frsize=4096, f_files=files, f_favail=left)
    monkeypatch.setattr(trouble, "os", SimpleNamespace(statvfs=lambda _: disk))
    error = sqlite3.OperationalError("unable to open database file")
    error.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
    assert trouble.has_no_room(error, path) is full
