"""A book that is damaged, or is another, beneath the service that writes it: it is said, and made no worse."""

from __future__ import annotations

import errno
import os
import random
import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main
from controller.commands.serve import _cores
from controller.core.interlocks import NOT_KNOWN
from controller.model import Event
from controller.records import Book, Records, RecordsError, RunStart, look, restore, writer
from controller.records.look import hold
from controller.records.schema import DamagedError
from controller.records.standing import Standing
from tests.edges.test_records_writer import PROGRAM, Clock, opened

STOOD = {"latched": ["smoke"], "run": {"run_id": 7}, "next_run_id": 8}
NOW = {"latched": ["smoke", "oven_limit"], "run": None, "next_run_id": 8}
HOUR_S = 3600.0


@pytest.fixture
def records(path: Path, clock: Clock) -> Records:
    """A book with a run that is on and a trip that stands; it is left alone until somebody leaves something."""
    records = Records(path, wall=clock.wall, mono=clock.mono, samples_every_s=HOUR_S, retry_s=HOUR_S)
    records.run_started(RunStart(7, PROGRAM, [], "phone", "aa", "bb", {}))
    records.put_state(STOOD)
    records.put_events([Event("note", 1.0, "x" * 900) for _ in range(200)])
    assert records.flush(20.0)
    return records


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + 20.0
    while not true():
        assert time.monotonic() < end, "not within 20 s"
        time.sleep(0.01)


def log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def kept(path: Path) -> Any:
    return Standing(path).begin(None, 0)


def overwrite(file: Path, seed: int = 5) -> None:
    with file.open("r+b") as content:
        content.write(random.Random(seed).randbytes(file.stat().st_size))


def both_overwritten(path: Path) -> None:
    overwrite(path)
    overwrite(log_of(path))


def both_cut(path: Path) -> None:
    os.truncate(path, 0)
    os.truncate(log_of(path), 0)


def log_overwritten(path: Path) -> None:
    overwrite(log_of(path))


def log_cut(path: Path) -> None:
    os.truncate(log_of(path), 0)


def log_deleted(path: Path) -> None:
    log_of(path).unlink()


def of_another_program(path: Path) -> None:
    other = path.with_name("other.db")
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.close()
    path.write_bytes(other.read_bytes())
    os.truncate(log_of(path), 0)


DAMAGES = [both_overwritten, both_cut, log_overwritten, log_cut, log_deleted, of_another_program]


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("state", [NOW, None], ids=["new state", "nothing new"])
def test_damage_is_said_and_what_stands_is_kept_beside_the_book(
    path: Path, clock: Clock, records: Records, damage: Callable[[Path], None], state: Any
) -> None:
    damage(path)
    found = {file: file.read_bytes() for file in (path, log_of(path)) if file.exists()}
    clock.go(60.0)
    if state is not None:
        records.put_state(state)
    else:
        records.put_events([Event("note", 2.0, "What the book does not take.")])
    until(lambda: records.trouble is not None)
    told = records.trouble or ""
    assert told.startswith(f"{path} is damaged: stop the service, leave the file where it is")
    assert "restore a back-up" in told
    assert told.endswith("Nothing more is written to it; a run that is on goes on. What stands is kept beside it.")
    assert kept(path).state == ('{"latched":["smoke","oven_limit"],"run":null,"next_run_id":8}' if state else
        '{"latched":["smoke"],"run":{"run_id":7},"next_run_id":8}')  # fmt: skip
    assert kept(path).at == (clock.wall() if state else clock.wall() - 60.0), "a run is not offered for longer by it"
    with pytest.raises(RecordsError, match="is damaged: stop the service"):
        records.write(lambda connection: None).result(20.0)
    assert records.dropped == 0
    assert not records.close(20.0)
    assert {file: file.read_bytes() for file in found} == found, "written on, or its log folded into it"


@pytest.mark.parametrize("damage", DAMAGES)
def test_damage_is_said_at_the_end_of_the_service_with_nothing_left_to_write(
    path: Path, records: Records, damage: Callable[[Path], None]
) -> None:
    damage(path)
    assert not records.close(20.0)
    assert "is damaged" in (records.trouble or "")
    assert "smoke" in kept(path).state


def test_damage_is_seen_where_nothing_is_written(
    path: Path, clock: Clock, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert records.close(20.0)
    looked = Records(path, wall=clock.wall, mono=clock.mono, samples_every_s=0.02)
    assert looked.flush(20.0)
    monkeypatch.setattr(writer, "LOOK_EVERY_S", 0.05)
    both_overwritten(path)
    until(lambda: looked.trouble is not None)
    assert "is damaged" in (looked.trouble or "")
    assert not looked.close(20.0)


@pytest.mark.parametrize("reader", ["web", "service"])
def test_damage_that_only_a_reader_meets_is_trouble_of_the_record(
    path: Path, clock: Clock, records: Records, reader: str
) -> None:
    assert records.close(20.0)
    seen = Records(path, wall=clock.wall, mono=clock.mono, samples_every_s=0.02)
    with sqlite3.connect(path) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
    connection.close()
    with path.open("r+b") as content:
        content.seek(size * (pages - 30))
        content.write(b"\x55" * size * 20)
    read = {
        "web": lambda: Book(path, met=seen.met).events(limit=1000),
        "service": lambda: seen.read(lambda connection: connection.execute("SELECT * FROM events").fetchall()),
    }
    with pytest.raises(RecordsError, match="is damaged"):
        read[reader]()
    until(lambda: seen.trouble is not None)
    assert "is damaged: stop the service" in (seen.trouble or "")
    found = path.read_bytes()
    seen.put_state(NOW)
    until(lambda: kept(path) is not None and "oven_limit" in kept(path).state)
    assert not seen.close(20.0)
    assert path.read_bytes() == found


def test_a_reader_of_a_sound_book_is_no_trouble(path: Path, records: Records) -> None:
    book = Book(path, met=records.met)
    assert book.run(7) is not None
    with pytest.raises(RecordsError):
        book.backup(path)
    with pytest.raises(RecordsError, match="no such table"):
        records.read(lambda connection: connection.execute("SELECT * FROM nowhere"))
    assert records.flush(20.0)
    assert records.trouble is None
    assert records.close(20.0)


def test_a_log_that_alone_is_damaged_leaves_the_book_as_it_was_folded_last(
    path: Path, clock: Clock, records: Records
) -> None:
    assert records.close(20.0)
    again = Records(path, wall=clock.wall, mono=clock.mono, samples_every_s=HOUR_S, retry_s=HOUR_S)
    again.put_events([Event("note", 3.0, "In the log alone.")])
    assert again.flush(20.0)
    overwrite(log_of(path))
    again.put_state(NOW)
    until(lambda: again.trouble is not None)
    assert not again.close(20.0)
    last = Records(path, wall=clock.wall, mono=clock.mono)
    assert last.state() == NOW
    assert last.close(20.0)
    assert Book(path).verify() == []
    assert len(Book(path).events(limit=1000)) == 200


def test_another_file_in_the_books_place_is_said_until_the_book_is_back(path: Path, records: Records) -> None:
    copy = Book(path).backup(path.with_name("copy.db"))
    before = copy.read_bytes()
    away = path.rename(path.with_name("away.db"))
    copy.rename(path)
    records.put_state(NOW)
    until(lambda: records.trouble is not None)
    assert f"{path} is another file than the one that is written: put that back" in (records.trouble or "")
    assert "oven_limit" in kept(path).state
    assert path.read_bytes() == before
    away.rename(path)
    assert records.flush(20.0)
    assert records.trouble is None
    assert records.state() == NOW
    assert records.close(20.0)
    assert Book(path).verify() == []


def test_what_a_reader_met_in_another_file_in_the_books_place_is_not_the_books(
    path: Path, clock: Clock, records: Records
) -> None:
    assert records.close(20.0)
    records = Records(path, wall=clock.wall, mono=clock.mono, samples_every_s=HOUR_S, retry_s=HOUR_S)
    away = path.rename(path.with_name("away.db"))
    path.write_bytes(b"rubbish" * 2000)
    with pytest.raises(RecordsError, match="is damaged"):
        Book(path, met=records.met).runs()
    assert not records.flush(20.0)
    assert "is another file" in (records.trouble or "")
    away.rename(path)
    assert records.flush(20.0)
    assert records.close(20.0)


def test_a_trip_of_a_book_that_is_damaged_beneath_the_service_stands_after_the_restore(
    path: Path, clock: Clock, records: Records
) -> None:
    """It was in the book alone, and nothing new came before the end."""
    assert records.close(20.0)
    copy = Book(path).backup(path.with_name("copy.db"))
    tripped = Records(path, wall=clock.wall, mono=clock.mono, samples_every_s=HOUR_S)
    tripped.put_state(NOW)
    assert tripped.flush(20.0)
    both_overwritten(path)
    assert not tripped.close(20.0)
    with pytest.raises(RecordsError, match="is damaged: stop the service, leave the file where it is"):
        Records(path, wall=clock.wall, mono=clock.mono)
    restore(path, copy, clock.wall)
    last = Records(path, wall=clock.wall, mono=clock.mono)
    assert (last.state() or {})["latched"] == ["smoke", "oven_limit"]
    assert last.close(20.0)


def test_what_stands_for_the_file_takes_none_of_its_locks_away(path: Path, records: Records) -> None:
    os.close(hold(path))
    assert str(path.stat().st_ino) in Path("/proc/locks").read_text()
    other = sqlite3.connect(path, timeout=0.0)
    assert other.execute("PRAGMA locking_mode=EXCLUSIVE").fetchone() == ("exclusive",)
    other.close()
    assert log_of(path).exists(), "the last to close would have folded it in"
    assert records.close(20.0)
    assert not log_of(path).exists()


@pytest.mark.parametrize("cut", [0, 1, 3], ids=["its tables", "a page", "pages"])
def test_verify_says_of_a_damaged_book_what_can_be_done(
    path: Path, records: Records, capsys: pytest.CaptureFixture[str], cut: int
) -> None:
    assert records.close(20.0)
    copy = path.with_name("copy.db")
    shutil.copy(path, copy)
    with path.open("r+b") as content:
        if cut == 0:
            content.seek(100)
            content.write(b"\x55" * 2000)
        else:
            content.truncate(4096 * cut)
    capsys.readouterr()
    assert main(["records", "verify", "--data", str(path.parent)]) == 1
    told, more = capsys.readouterr()
    assert told.startswith(f"{path} is damaged: stop the service, leave the file where it is")
    assert "check its permissions" not in told + more
    assert f"`ovenhand records restore --readable {path}`" in more
    assert main(["records", "list", "--data", str(path.parent)]) == 2
    assert "is damaged: stop" in capsys.readouterr().err
    assert main(["serve", "--rehearsal", "--data", str(path.parent), "--host", "127.0.0.1", "--port", "1"]) == 2
    told = capsys.readouterr().err
    assert "is damaged: stop" in told
    assert "`ovenhand records verify` says how" in told


def test_a_book_cut_to_nothing_is_no_start_without_its_trip(path: Path, clock: Clock, records: Records) -> None:
    both_cut(path)
    assert not records.close(20.0)
    anew = Records(path, wall=clock.wall, mono=clock.mono)
    assert not anew.stands_known
    assert _cores(None, anew)(None).state()["latched"] == [NOT_KNOWN]
    assert anew.close(20.0)


def of_sqlite(code: int) -> sqlite3.Error:
    error = sqlite3.OperationalError("as the disk has it")
    error.sqlite_errorcode = code
    return error


@pytest.mark.parametrize(
    "error",
    [
        of_sqlite(sqlite3.SQLITE_PROTOCOL), of_sqlite(sqlite3.SQLITE_NOLFS), of_sqlite(sqlite3.SQLITE_INTERRUPT),
        of_sqlite(sqlite3.SQLITE_BUSY), OSError(errno.ESTALE, "Stale file handle"),
    ],
)  # fmt: skip
def test_what_only_keeps_a_look_from_the_book_is_no_damage(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """Called damaged it would not be written again before the next start."""
    records = opened(path, clock)
    with closing(sqlite3.connect(path)) as connection:
        (book,) = connection.execute("SELECT book FROM standing").fetchone()

    def fails(path: Path) -> sqlite3.Connection:
        if isinstance(error, OSError):
            raise RecordsError("It cannot be looked for.") from error
        raise error

    look.look_into(path, book)
    with monkeypatch.context() as patched:
        patched.setattr(look, "open_read_only", fails)
        look.look_into(path, book)
    assert records.close(10.0)


def test_what_a_reader_met_in_another_file_is_no_damage_of_the_book(path: Path, clock: Clock) -> None:
    """Somebody put one in its place and the book back again, between two looks."""
    records = opened(path, clock)
    met = RecordsError("It is damaged.")
    met.__cause__ = of_sqlite(sqlite3.SQLITE_CORRUPT)
    records.met(met)
    records.put_events([Event("tank_on", 1.0, "The oil is to be warmed.", {})])
    assert records.flush(10.0)
    assert records.trouble is None
    assert records.close(10.0)


def test_a_book_that_is_another_file_for_a_moment_is_not_damaged(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a first look finds, a second one has to find again."""
    records = opened(path, clock)
    seen: list[Path] = []

    def once(path: Path, book: str, *, thorough: bool = False) -> None:
        seen.append(path)
        if len(seen) == 1:
            raise DamagedError("It is damaged.")

    monkeypatch.setattr(writer, "look_into", once)
    records.put_events([Event("tank_on", 1.0, "The oil is to be warmed.", {})])
    assert records.flush(10.0)
    assert records.trouble is None
    assert len(seen) > 1
    assert records.close(10.0)
