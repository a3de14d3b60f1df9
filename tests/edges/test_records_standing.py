"""What the book does not take is kept beside it: no restart forgets a trip or the end of a run, full disk or not."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.commands.serve import _cores
from controller.core.interlocks import NOT_KNOWN
from controller.model import Event
from controller.records import Book, Records, RecordsError, database_path, restore, writer
from controller.records.standing import SLOT, Standing
from tests.edges.test_records_writer import Clock, clear_the_disk, fill_the_disk, left_behind, no_room, opened

STOOD = {"latched": ["smoke"], "run": {"run_id": 7}, "next_run_id": 8}
NOW = {"latched": ["smoke", "oven_limit"], "run": None, "next_run_id": 8}
LATER = {"latched": [], "run": None, "next_run_id": 8}
MOST = 40_000
"""Bytes of a file: the log that a kill leaves cannot grow any more, and both places beside it can be written."""


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + 20.0
    while not true():
        assert time.monotonic() < end, "not within 20 s"
        time.sleep(0.01)


def beside(path: Path) -> Standing:
    return Standing(path)


def kept(path: Path) -> Any:
    """The newest that is whole in the file, whichever book it is of."""
    return Standing(path).begin(None, 0)


def killed(path: Path) -> Path:
    """The book as it would be found had the process been killed now."""
    copy = database_path(path.parent.with_name(path.parent.name + " killed"))
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limits[1], limits[1]))
    shutil.copytree(path.parent, copy.parent)
    resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    return copy


@pytest.mark.parametrize("room", [True, False], ids=["room again", "still full"])
@pytest.mark.parametrize("end", ["kill", "close"])
def test_a_trip_and_a_runs_end_that_came_on_a_full_disk_stand_at_the_next_start(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, end: str, room: bool
) -> None:
    left_behind(path, clock, killed=True, ended=False)
    with no_room(monkeypatch, MOST):
        # An hour between tries: a trip does not wait for the next one.
        records = opened(path, clock, retry_s=3600.0, samples_every_s=3600.0)
        assert records.trouble is not None
        assert records.stands_known
        assert records.state() == STOOD
        records.put_state(NOW)
        if end == "kill":
            until(lambda: kept(path) is not None and "oven_limit" in kept(path).state)
            path = killed(path)
        assert not records.close(10.0)
        assert "Do not end" not in records.trouble
    clock.go(60.0)
    if not room:
        with no_room(monkeypatch, MOST):
            again = opened(path, clock, retry_s=3600.0, samples_every_s=3600.0)
            assert again.trouble is not None
            assert again.stands_known
            assert (again.state(), again.state_age_s) == (NOW, 60.0)
            assert not again.close(10.0)
    again = opened(path, clock)
    assert again.trouble is None
    assert (again.state(), again.state_age_s) == (NOW, 60.0)
    run = Book(path).run(7) or {}
    assert (run["outcome"], run["ending"]) == (
        "cut off", "It is not known how the run ended: the book did not get its end."
    )  # fmt: skip
    again.put_state(LATER)
    assert again.close(10.0)
    last = opened(path, clock)
    assert last.state() == LATER, "what the book has taken over counts no more"
    assert last.close(10.0)
    assert Book(path).verify() == []


def test_a_disk_that_fills_up_while_the_service_runs_and_is_cleared_leaves_nothing_that_counts(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    left_behind(path, clock, killed=True, ended=False)
    with no_room(monkeypatch, MOST):
        records = opened(path, clock, retry_s=0.05)
        records.put_state(NOW)
        until(lambda: kept(path) is not None and "oven_limit" in kept(path).state)
    until(lambda: records.trouble is None)
    assert records.flush(20.0)
    assert kept(path) is None
    records.put_state(LATER)
    assert records.close(10.0)
    last = opened(path, clock)
    assert last.state() == LATER
    assert last.close(10.0)


@pytest.mark.parametrize("left", ["no file", "a file that takes nothing"])
def test_a_full_disk_with_nothing_beside_the_book_is_said_and_no_start_goes_without_a_trip(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, left: str
) -> None:
    """The trip is one that nothing can judge; the hold of reset at the machine lets go of it."""
    left_behind(path, clock, killed=True, ended=False)
    file = beside(path).path
    if left == "no file":
        file.unlink()
    else:
        file.unlink()
        file.mkdir()
    with no_room(monkeypatch, MOST):
        records = opened(path, clock, retry_s=3600.0)
        assert not records.stands_known
        assert "Do not end the service before the book is written again" in (records.trouble or "")
        assert _cores(None, records)(None).state()["latched"] == ["smoke", NOT_KNOWN]
        assert not records.close(10.0)


def test_a_book_that_takes_a_little_again_and_no_file_beside_it_is_no_start_without_a_trip(
    path: Path, clock: Clock
) -> None:
    records = opened(path, clock)
    assert records.stands_known, "in a new book nothing stood"
    assert records.close(10.0)
    beside(path).path.unlink()
    beside(path).path.mkdir()
    records = opened(path, clock)
    assert _cores(None, records)(None).state()["latched"] == [NOT_KNOWN], "of that process too"
    assert records.close(10.0)
    left_behind(path, clock, killed=False, ended=True)
    records = opened(path, clock)
    assert records.trouble is None
    assert _cores(None, records)(None).state()["latched"] == ["smoke", NOT_KNOWN]
    assert records.close(10.0)


def test_in_a_new_book_beside_a_file_that_cannot_be_read_it_is_not_known_what_stood(path: Path, clock: Clock) -> None:
    beside(path).path.mkdir(parents=True)
    records = opened(path, clock)
    assert not records.stands_known
    assert records.close(10.0)


def test_a_new_book_in_place_of_a_moved_one_knows_that_nothing_is_known_until_something_is(
    path: Path, clock: Clock
) -> None:
    """A start that ends before anything happens stores no state of its core; the next one is to trip all the same."""
    left_behind(path, clock, killed=False, ended=True)
    left = Standing(path)
    assert left.lay_down()
    left.begin("a book that was moved away", 0)
    assert left.write("a book that was moved away", '{"latched": ["smoke"]}', 1.0)
    for file in path.parent.glob("ovenhand.db*"):
        if not file.name.endswith(".standing"):
            file.unlink()
    for _ in range(3):
        records = opened(path, clock)
        assert _cores(None, records)(None).state()["latched"] == [NOT_KNOWN]
        assert records.close(10.0)


def test_what_an_earlier_process_left_beside_does_not_say_that_the_disk_takes_anything_now(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A state from a disk that was full; then the card went read-only under a trip that it did not take."""
    assert laid_down(path).write("a", '{"latched": []}', 1.0)
    again = beside(path)
    found = again.begin("a", 0)
    assert found is not None

    def takes_nothing(*_: Any) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as patched:
        patched.setattr(os, "pwrite", takes_nothing)
        assert not again.write("a", found.state, found.at)
    assert again.write("a", found.state, found.at)


def test_a_start_that_knows_what_stood_adds_nothing_to_it(path: Path, clock: Clock) -> None:
    left_behind(path, clock, killed=False, ended=True)
    records = opened(path, clock)
    assert records.stands_known
    assert _cores(None, records)(None).state()["latched"] == ["smoke"]
    assert records.close(10.0)


def damage(path: Path, text: bytes) -> None:
    """The stored state of the core, overwritten."""
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE core_state SET state = CAST(? AS TEXT)", (text,))
    connection.close()


@pytest.mark.parametrize(
    "text",
    [
        "5", "[]", "null", '{"latched":null}', '{"latched":["smoke",null],"run":[]}', "", '{"latched":["smo',
        "[" * 5000,
    ],
)  # fmt: skip
def test_a_stored_state_of_wrong_content_is_no_start_without_a_trip(path: Path, clock: Clock, text: str) -> None:
    left_behind(path, clock, killed=False, ended=True)
    damage(path, text.encode())
    records = opened(path, clock)
    core = _cores(None, records)(None)
    assert NOT_KNOWN in core.state()["latched"]
    records.put_state(core.state())
    assert records.close(10.0)
    copy = Book(path).backup(path.with_name("copy.db"))
    damage(path, text.encode())
    restore(path, copy, clock.wall)
    records = opened(path, clock)
    assert NOT_KNOWN in _cores(None, records)(None).state()["latched"]
    assert records.close(10.0)


@pytest.mark.parametrize("number", ["[]", "{}", "null", "true", "-1", "1.5", str(2**63), '"7"'])
def test_a_run_of_no_number_is_not_offered_and_stops_neither_start_nor_restore(
    path: Path, clock: Clock, number: str
) -> None:
    left_behind(path, clock, killed=False, ended=False)
    copy = Book(path).backup(path.with_name("copy.db"))
    text = f'{{"latched":["smoke"],"run":{{"run_id":{number}}},"next_run_id":8}}'.encode()
    damage(path, text)
    restore(path, copy, clock.wall)
    damage(path, text)
    records = opened(path, clock)
    assert records.state() == STOOD | {"run": None}
    assert records.close(10.0)


def test_a_stored_trip_of_damaged_letters_still_trips(path: Path, clock: Clock) -> None:
    left_behind(path, clock, killed=False, ended=True)
    copy = Book(path).backup(path.with_name("copy.db"))
    for again in (lambda: None, lambda: restore(path, copy, clock.wall)):
        damage(path, b'{"latched":["smo\xff"],"run":null}')
        again()
        records = opened(path, clock)
        assert _cores(None, records)(None).state()["latched"][-1] == "smo\ufffd"
        assert records.close(10.0)


def test_what_another_program_holds_up_at_the_end_is_kept_beside(path: Path, clock: Clock) -> None:
    left_behind(path, clock, killed=False, ended=True)
    records = opened(path, clock, samples_every_s=3600.0)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    records.put_state(NOW)
    assert not records.close(0.3)
    found = killed(path)
    other.execute("ROLLBACK")
    other.close()
    records.close(10.0)
    again = opened(found, clock)
    assert again.state() == NOW
    assert again.close(10.0)


def test_what_was_kept_beside_one_book_overrules_no_other(path: Path, clock: Clock) -> None:
    left_behind(path, clock, killed=False, ended=True)
    other = database_path(path.parent.with_name("other"))
    left_behind(other, clock, killed=False, ended=True)
    with sqlite3.connect(path) as connection:
        (mark,) = connection.execute("SELECT book FROM standing").fetchone()
    connection.close()
    assert beside(other).write(mark, '{"latched":["oven_trip"],"run":null}', clock.wall())
    records = opened(other, clock)
    assert (records.state() or {})["latched"] == ["smoke"]
    records.put_state(LATER)
    assert records.close(10.0)
    again = opened(other, clock)
    assert again.state() == LATER
    assert again.close(10.0)


@pytest.mark.parametrize("damaged", [False, True])
def test_a_restore_takes_what_was_kept_beside_the_former_book_and_then_it_counts_no_more(
    path: Path, tmp_path: Path, clock: Clock, damaged: bool
) -> None:
    left_behind(path, clock, killed=False, ended=False)
    copy = Book(path).backup(tmp_path / "copy.db")
    with sqlite3.connect(path) as connection:
        (mark,) = connection.execute("SELECT book FROM standing").fetchone()
    connection.close()
    assert beside(path).write(mark, '{"latched":["oven_trip"],"run":null,"next_run_id":9}', clock.wall())
    if damaged:
        path.write_bytes(b"\0" * 5000)
    restore(path, copy, clock.wall)
    records = opened(path, clock)
    assert records.state() == {"latched": ["smoke", "oven_trip"], "run": None, "next_run_id": 9}
    records.put_state(LATER)
    assert records.close(10.0)
    again = opened(path, clock)
    assert again.state() == LATER
    assert again.close(10.0)
    assert Book(path).verify() == []


def laid_down(path: Path) -> Standing:
    path.parent.mkdir(parents=True)
    standing = beside(path)
    assert standing.lay_down()
    return standing


def test_the_file_is_private_of_one_size_and_written_in_place(path: Path) -> None:
    standing = laid_down(path)
    first = standing.path.stat()
    assert (first.st_mode & 0o777, first.st_size) == (0o600, 2 * SLOT)
    assert first.st_blocks * 512 >= 2 * SLOT
    for number in range(5):
        assert standing.write("a", f'{{"latched":["{number}"]}}', float(number))
    last = standing.path.stat()
    assert (last.st_ino, last.st_size, last.st_blocks) == (first.st_ino, first.st_size, first.st_blocks)
    assert kept(path).state == '{"latched":["4"]}'
    assert standing.lay_down()
    assert kept(path).number == 5, "laid down already"


@pytest.mark.parametrize("torn", [1, 40, 4000])
def test_a_write_that_a_power_cut_tears_leaves_the_one_before(path: Path, torn: int) -> None:
    standing = laid_down(path)
    long = '{"latched":["' + "x" * 5000 + '"]}'
    for state in ('{"latched":["a"]}', '{"latched":["b"]}', long):
        assert standing.write("a", state, 1.0)
    content = bytearray(standing.path.read_bytes())
    at = next(slot for slot in (0, SLOT) if b"xxxxx" in content[slot : slot + SLOT])
    content[at + torn : at + 6000] = b"\x55" * (6000 - torn)
    standing.path.write_bytes(content)
    assert kept(path).state == '{"latched":["b"]}'
    again = beside(path)
    again.begin("a", 0)
    assert again.write("a", '{"latched":["c"]}', 1.0)
    assert kept(path).state == '{"latched":["c"]}'


def test_a_state_too_long_for_its_place_is_kept_without_its_run(path: Path) -> None:
    standing = laid_down(path)
    assert standing.write("a", '{"latched":["smoke"],"run":{"who":"' + "x" * SLOT + '"}}', 1.0)
    assert kept(path).state == '{"latched":["smoke"],"run":null}'
    assert not standing.write("a", '{"latched":["' + "x" * SLOT + '"]}', 1.0)
    assert kept(path).state == '{"latched":["smoke"],"run":null}'


def test_where_there_is_no_room_for_the_file_none_is_left_behind(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path.parent.mkdir(parents=True)
    with no_room(monkeypatch):
        assert not beside(path).lay_down()
    assert not beside(path).path.exists()
    assert not beside(path).write("a", "{}", 1.0)
    assert beside(path).begin("a", 0) is None


def test_void_ends_only_what_the_book_has_taken(path: Path) -> None:
    standing = laid_down(path)
    standing.write("a", '{"latched":[]}', 1.0)
    taken = standing.untaken
    standing.write("a", '{"latched":["smoke"]}', 2.0)
    standing.void(taken)
    assert kept(path).state == '{"latched":["smoke"]}'
    standing.void(standing.untaken)
    assert standing.untaken == 0
    assert kept(path) is None
    assert beside(path).begin("a", 0) is None


# --- a card that fails ---------------------------------------------------------------------------------------------


@contextmanager
def failing_flush(
    monkeypatch: pytest.MonkeyPatch, of: Callable[[Path], bool], error: int = errno.EIO
) -> Iterator[None]:
    """What is written may be there or not: the disk gives an error when it is to be flushed."""
    flushed = os.fsync

    def fails(number: int) -> None:
        if of(Path(f"/proc/self/fd/{number}").readlink()):
            raise OSError(error, os.strerror(error))
        flushed(number)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fails)
        yield


def in_trouble(records: Records, state: dict[str, Any]) -> sqlite3.Connection:
    """The disk is full, and a state has come that the book does not take."""
    disk = fill_the_disk(records)
    with records.together():
        records.put_events([Event("note", 1.0, "x" * 5000)] * 40)
        records.put_state(state)
    until(lambda: records.trouble is not None)
    return disk


def test_what_may_have_been_kept_by_a_write_that_failed_overrules_no_newer_state(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = opened(path, clock, retry_s=3600.0, samples_every_s=3600.0)
    records.put_state(LATER | {"next_run_id": 7})
    assert records.flush(20.0)
    with failing_flush(monkeypatch, lambda file: file.name.endswith(".standing")):
        disk = in_trouble(records, LATER)
        assert "Do not end the service" in (records.trouble or "")
    assert "[]" in kept(path).state, "it is there all the same"
    clear_the_disk(disk)
    records.put_state(NOW)
    until(lambda: records.trouble is None)
    assert records.close(20.0)
    again = opened(path, clock)
    assert again.state() == NOW
    assert again.close(10.0)


def test_a_file_that_somebody_deletes_to_make_room_is_missed_and_that_is_said(path: Path, clock: Clock) -> None:
    records = opened(path, clock, retry_s=3600.0, samples_every_s=3600.0)
    disk = in_trouble(records, NOW)
    assert "Do not end the service" not in (records.trouble or "")
    assert kept(path) is not None
    beside(path).path.unlink()
    with pytest.raises(RecordsError, match="Do not end the service"):
        records.write(lambda connection: None).result(20.0)
    assert "Do not end the service" in (records.trouble or "")
    clear_the_disk(disk)
    assert records.flush(20.0)
    in_trouble(records, LATER)
    records.put_state(NOW)
    until(lambda: kept(path) is not None and "oven_limit" in kept(path).state)
    assert not records.close(20.0)


@pytest.mark.parametrize("restored", [False, True])
def test_a_file_that_cannot_be_read_is_no_start_without_a_trip_and_counts_no_more_after_it(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch, restored: bool
) -> None:
    left_behind(path, clock, killed=False, ended=True)
    copy = Book(path).backup(path.with_name("copy.db"))
    with sqlite3.connect(path) as connection:
        (mark,) = connection.execute("SELECT book FROM standing").fetchone()
    connection.close()
    standing = beside(path)
    for number in range(20):
        assert standing.write(mark, f'{{"latched":[],"run":null,"next_run_id":{number}}}', clock.wall())
    opens = Path.open

    def fails(self: Path, *options: Any, **more: Any) -> Any:
        if self.name.endswith(".standing"):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return opens(self, *options, **more)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "open", fails)
        if restored:
            restore(path, copy, clock.wall)
            patch.undo()
        records = opened(path, clock)
        assert records.stands_known == restored, "the restored book has it as a trip"
        core = _cores(None, records)(None)
        assert core.state()["latched"] == ["smoke", NOT_KNOWN]
    assert kept(path) is not None, "there still, lest a kill before the trip is in the book forgets it"
    records.put_state(core.state())
    assert records.close(10.0)
    again = opened(path, clock)
    assert again.stands_known
    assert (again.state() or {})["latched"] == ["smoke", NOT_KNOWN]
    assert again.close(10.0)


def test_a_new_book_in_place_of_one_that_was_moved_away_is_no_start_without_its_trip(path: Path, clock: Clock) -> None:
    records = opened(path, clock, retry_s=3600.0, samples_every_s=3600.0)
    in_trouble(records, NOW)
    assert not records.close(20.0)
    path.rename(path.with_name("moved to make room.db"))
    records = opened(path, clock)
    assert not records.stands_known
    core = _cores(None, records)(None)
    assert core.state()["latched"] == [NOT_KNOWN]
    records.put_state(core.state())
    assert records.close(20.0)
    again = opened(path, clock)
    assert again.stands_known
    assert (again.state() or {})["latched"] == [NOT_KNOWN]
    assert again.close(20.0)


def test_a_book_that_is_moved_away_under_the_service_is_missed(path: Path, clock: Clock) -> None:
    records = opened(path, clock, retry_s=3600.0, samples_every_s=3600.0)
    records.put_state(LATER)
    assert records.flush(20.0)
    away = path.rename(path.with_name("moved to make room.db"))
    records.put_state(NOW)
    until(lambda: records.trouble is not None or records.state() == NOW)
    assert f"{path} is gone: put it back where it was" in (records.trouble or "")
    assert "oven_limit" in kept(path).state
    away.rename(path)
    assert records.flush(20.0)
    assert records.trouble is None
    assert records.close(20.0)
    again = opened(path, clock)
    assert again.state() == NOW
    assert again.close(20.0)


def test_a_book_that_is_moved_away_before_there_is_room_to_open_it_is_not_made_anew(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    left_behind(path, clock, killed=False, ended=False)
    with no_room(monkeypatch):
        records = opened(path, clock, retry_s=0.05)
        away = path.rename(path.with_name("moved to make room.db"))
    until(lambda: "is gone" in (records.trouble or "") or records.trouble is None)
    assert not path.exists()
    away.rename(path)
    assert records.flush(20.0)
    assert records.close(20.0)
    assert (Book(path).run(7) or {})["outcome"] == "cut off"


def test_a_disk_that_hangs_on_the_file_beside_the_book_is_said(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    left_behind(path, clock, killed=False, ended=True)
    beside(path).path.unlink()
    beside(path).path.mkdir()
    records = opened(path, clock)
    beside(path).path.rmdir()
    flushed, entered, gate = os.fsync, threading.Event(), threading.Event()

    def hangs(number: int) -> None:
        if Path(f"/proc/self/fd/{number}").readlink().name.endswith(".standing"):
            entered.set()
            assert gate.wait(30.0)
        flushed(number)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", hangs)
        patch.setattr(writer, "HANGS_S", 0.0)
        records.put_state(NOW)
        assert entered.wait(20.0)
        said = records.trouble
        gate.set()
        assert "does not answer: check the card" in (said or "")
        assert records.close(20.0)


def test_a_file_system_that_flushes_no_directory_is_as_good_as_any(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    with failing_flush(monkeypatch, Path.is_dir, errno.EINVAL):
        for _ in range(2):
            records = opened(path, clock)
            assert beside(path).whole()
            assert records.stands_known
            records.put_state(NOW)
            assert records.close(10.0)
        copy = Book(path).backup(path.with_name("copy.db"))
        restore(path, copy, clock.wall)
    assert Book(path).verify() == []


def test_a_restore_whose_last_flush_fails_is_not_said_to_have_changed_nothing(
    path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    left_behind(path, clock, killed=False, ended=True)
    copy = Book(path).backup(path.with_name("copy.db"))

    def the_last(file: Path) -> bool:
        return file.is_dir() and bool(list(path.parent.glob("*.before-*")))

    with failing_flush(monkeypatch, the_last), pytest.raises(RecordsError, match="is restored, but") as told:
        restore(path, copy, clock.wall)
    assert "is as it was" not in str(told.value)
    assert list(path.parent.glob("*.before-*"))
    assert Book(path).verify() == []


def test_a_restore_in_place_of_a_book_that_was_moved_away_takes_what_was_kept_beside_it(
    path: Path, clock: Clock
) -> None:
    left_behind(path, clock, killed=False, ended=False)
    copy = Book(path).backup(path.with_name("copy.db"))
    with sqlite3.connect(path) as connection:
        (mark,) = connection.execute("SELECT book FROM standing").fetchone()
    connection.close()
    assert beside(path).write(mark, '{"latched":["oven_trip"],"run":{"run_id":7},"next_run_id":9}', clock.wall())
    path.rename(path.with_name("damaged.db"))
    restore(path, copy, clock.wall)
    records = opened(path, clock)
    assert records.state() == {"latched": ["smoke", "oven_trip"], "run": None, "next_run_id": 9}
    assert records.close(10.0)
