"""A back-up brought back, a damaged book read as far as it goes: nothing that can be kept is lost."""

from __future__ import annotations

import argparse
import json
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.commands import records as command
from controller.model import Event
from controller.records import (
    Book,
    Devices,
    Records,
    RecordsError,
    RunStart,
    database_path,
    in_words,
    readable,
    restore,
)
from controller.records.rows import SAMPLE_COLUMNS

WALL_S = 1_700_000_000.0
PAGE = 4096


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return database_path(tmp_path / "data")


def opened(path: Path) -> Records:
    return Records(path, wall=lambda: WALL_S, mono=lambda: 50.0)


def write_runs(
    path: Path, numbers: range, *, samples: int = 50, state: dict[str, object] | None = None, cut_off: int = 0
) -> None:
    """Runs that ended, but for the one that is `cut_off`."""
    records = opened(path)
    for number in numbers:
        records.run_started(RunStart(number, {"name": f"drift {number}"}, [], "phone"))
        records.put_events([Event("note", 1.0, f"of run {number}")], run_id=number)
        values = {"run_id": number, "at": WALL_S, "mono_s": 50.0, "oven_c": 200.0}
        records.put_samples([tuple(values.get(name) for name in SAMPLE_COLUMNS)] * samples)
        if number != cut_off:
            records.run_ended(number, outcome="ended", ending="Done.")
        assert records.flush(30.0)
    if state is not None:
        records.put_state(state)
    assert records.flush(30.0)
    assert records.close(10.0)


def wall() -> float:
    return WALL_S


def names(path: Path) -> list[str]:
    return sorted(run["program_name"] for run in Book(path).runs(limit=1000))


def test_a_backup_comes_back_and_the_former_book_stays_beside_it(path: Path, tmp_path: Path) -> None:
    write_runs(path, range(1, 3))
    copy = Book(path).backup(tmp_path / "copy.db")
    write_runs(path, range(3, 5))
    done = restore(path, copy, wall)
    assert sorted(file.name for file in path.parent.iterdir()) == [
        "ovenhand.db", "ovenhand.db.before-20231114-221320", "ovenhand.db.lock", "ovenhand.db.standing",
    ]  # fmt: skip
    assert done.kept_old == path.with_name("ovenhand.db.before-20231114-221320")
    assert names(path) == ["drift 1", "drift 2"]
    assert names(done.kept_old) == ["drift 1", "drift 2", "drift 3", "drift 4"]
    assert names(copy) == ["drift 1", "drift 2"]
    assert path.stat().st_mode & 0o077 == 0
    records = opened(path)
    assert records.next_run_id == 3
    assert records.close(10.0)


def leave_a_log(path: Path, change: str) -> dict[str, bytes]:
    """What a kill right after this change leaves: the book, and the log that it stands in."""
    killed = sqlite3.connect(path)
    killed.execute(change)
    killed.commit()
    left = {name: path.with_name(name).read_bytes() for name in ("ovenhand.db", "ovenhand.db-wal")}
    killed.close()
    for name, content in left.items():
        path.with_name(name).write_bytes(content)
    return left


def test_what_was_only_in_the_former_books_log_is_kept_with_it(path: Path, tmp_path: Path) -> None:
    write_runs(path, range(1, 2))
    copy = Book(path).backup(tmp_path / "copy.db")
    leave_a_log(path, "UPDATE runs SET program_name = 'only in the log'")
    done = restore(path, copy, wall)
    assert done.kept_old is not None
    assert names(path) == ["drift 1"]
    assert names(done.kept_old) == ["only in the log"]


def test_a_restore_that_is_killed_half_way_leaves_the_former_book_as_it_was(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A trip that stands only in the log, and a kill at every step that moves or removes a file."""
    write_runs(path, range(1, 2), state={"latched": [], "run": None})
    copy = Book(path).backup(tmp_path / "copy.db")
    before = leave_a_log(path, "UPDATE core_state SET state = '{\"latched\":[\"smoke\"]}'")

    class KilledError(BaseException):
        """Nothing of ours catches it; what tidies up afterwards is left to go on, since it touches nothing else."""

    unlink = Path.unlink
    for step in range(20):
        for name, content in before.items():
            path.with_name(name).write_bytes(content)
        path.with_name("ovenhand.db.before-20231114-221320").unlink(missing_ok=True)
        path.with_name("ovenhand.db.before-20231114-221320-wal").unlink(missing_ok=True)
        left = step
        with monkeypatch.context() as patch:

            def killing(real: Callable[..., object]) -> Callable[..., object]:
                def call(*args: object, **options: object) -> object:
                    nonlocal left
                    if real is unlink and "restoring" in str(args[0]):
                        return real(*args, **options)
                    left -= 1
                    if left < 0:
                        raise KilledError
                    return real(*args, **options)

                return call

            for name in ("rename", "replace", "unlink"):
                patch.setattr(Path, name, killing(getattr(Path, name)))
            try:
                restore(path, copy, wall)
                break
            except KilledError:
                pass
        records = opened(path)
        assert records.state() == {"latched": ["smoke"]} or records.state() == {
            "latched": ["smoke"], "run": None, "next_run_id": 1,
        }, f"killed at step {step}"  # fmt: skip
        assert records.close(10.0)
        assert Book(path).verify() == []
    else:
        raise AssertionError("it was never done")
    assert step >= 3, "two ends of the log, and the book itself"


def test_a_file_that_is_no_book_is_told_as_that_and_changes_nothing(path: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "shop.toml"
    wrong.write_text('units = "C"\n' * 200)
    with pytest.raises(RecordsError, match=r"shop\.toml cannot be read as a record book .*: name one, or restore"):
        restore(path, wrong, wall)
    assert not path.exists()


def test_nothing_is_restored_while_a_service_has_the_book_open(path: Path, tmp_path: Path) -> None:
    write_runs(path, range(1, 2))
    copy = Book(path).backup(tmp_path / "copy.db")
    records = opened(path)
    with pytest.raises(RecordsError, match=r"Another Ovenhand is using .* stop it first"):
        restore(path, copy, wall)
    assert records.close(10.0)
    assert list(path.parent.glob("*before*")) == []


def test_no_trip_is_forgotten_by_a_restore_and_no_older_soak_goes_on(path: Path, tmp_path: Path) -> None:
    older = {"run_id": 1, "done": [{"soak_done_s": 60.0}]}
    newer = {"run_id": 1, "done": [{"soak_done_s": 3000.0}]}
    write_runs(path, range(1, 2), state={"latched": ["smoke"], "run": older, "next_run_id": 2}, cut_off=1)
    copy = Book(path).backup(tmp_path / "copy.db")
    write_runs(path, range(2, 4), state={"latched": ["oven_limit"], "run": newer, "next_run_id": 4})
    restore(path, copy, wall)
    records = opened(path)
    assert records.state() == {"latched": ["smoke", "oven_limit"], "run": newer, "next_run_id": 4}
    assert records.close(10.0)
    path.write_bytes(b"\0" * 5000)
    restore(path, copy, lambda: WALL_S + 1)
    records = opened(path)
    assert records.state() == {"latched": ["smoke"], "run": None, "next_run_id": 2}
    assert records.close(10.0)


@pytest.mark.parametrize(("outcome", "run"), [("cut off", {"run_id": 1}), ("stopped", None)])
def test_a_run_that_was_stopped_since_the_backup_is_not_offered_by_an_older_book(
    path: Path, tmp_path: Path, outcome: str, run: object
) -> None:
    offered = {"latched": [], "run": {"run_id": 1}, "next_run_id": 2}
    write_runs(path, range(1, 2), state=offered, cut_off=1)
    copy = Book(path).backup(tmp_path / "copy.db")
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE runs SET outcome = ?, ended_at = 0", (outcome,))
    connection.close()
    restore(path, copy, wall)
    records = opened(path)
    assert records.state() == offered | {"run": run}
    assert records.close(10.0)


def test_a_run_has_stood_since_the_former_book_kept_it_not_since_the_backup(path: Path, tmp_path: Path) -> None:
    offered = {"latched": [], "run": {"run_id": 1}, "next_run_id": 2}
    write_runs(path, range(1, 2), state=offered, cut_off=1)
    copy = Book(path).backup(tmp_path / "copy.db")
    kept_at = WALL_S + 30 * 3600.0
    records = Records(path, wall=lambda: kept_at, mono=lambda: 60.0)
    records.put_state(offered | {"tank": {}})
    assert records.close(10.0)
    restore(path, copy, lambda: kept_at + 600.0)
    records = Records(path, wall=lambda: kept_at + 600.0, mono=lambda: 0.0)
    assert (records.state(), records.state_age_s) == (offered | {"tank": {}}, 600.0)
    assert records.close(10.0)


def test_a_device_that_was_shut_out_since_the_backup_stays_shut_out(path: Path, tmp_path: Path) -> None:
    records = opened(path)
    people = Devices(records, wall=wall)
    lost = people.add("lost phone", "operator", "b" * 64)
    people.add("phone", "operator", "a" * 64)
    gone = people.add("gone before", "viewer", "c" * 64)
    assert people.revoke(gone.id)
    copy = Book(path).backup(tmp_path / "copy.db")
    assert people.revoke(lost.id)
    people.add("newer than the back-up", "viewer", "d" * 64)
    assert records.close(10.0)
    restore(path, copy, wall)
    records = opened(path)
    again = Devices(records, wall=wall)
    assert [(device.label, device.revoked_at) for device in again.list()] == [
        ("lost phone", WALL_S), ("phone", None), ("gone before", WALL_S),
    ]  # fmt: skip
    assert again.find_by_hash("b" * 64) is None
    assert again.find_by_hash("a" * 64) is not None
    assert records.close(10.0)


def test_a_run_that_is_not_in_the_restored_book_is_not_offered(path: Path, tmp_path: Path) -> None:
    write_runs(path, range(1, 2))
    copy = Book(path).backup(tmp_path / "copy.db")
    write_runs(path, range(2, 3), state={"latched": [], "run": {"run_id": 2}, "next_run_id": 3})
    restore(path, copy, wall)
    records = opened(path)
    assert records.state() == {"latched": [], "run": None, "next_run_id": 3}
    assert records.close(10.0)


def damage(path: Path, pages: range, seed: int) -> None:
    """Overwrite whole pages with noise."""
    content = bytearray(path.read_bytes())
    noise = random.Random(seed)
    for page in pages:
        content[page * PAGE : (page + 1) * PAGE] = noise.randbytes(PAGE)
    path.write_bytes(content)


@pytest.mark.parametrize("seed", range(6))
def test_of_a_damaged_book_everything_readable_is_kept(path: Path, tmp_path: Path, seed: int) -> None:
    write_runs(path, range(1, 11), samples=400)
    pages = path.stat().st_size // PAGE
    hit = random.Random(seed).randrange(30, pages - 1)
    damage(path, range(hit, hit + 2), seed)
    problems = Book(path).verify()
    found = readable(path)
    lost = [one.table for one in found if not one.whole]
    if not lost:  # the noise fell on pages of an index only, which can be made anew
        assert problems, f"seed {seed}: damage that nobody noticed"
    with pytest.raises(RecordsError, match="was not restored: name a sound back-up, or take what can be read"):
        restore(path, path, wall)
    done = restore(path, path, wall, only_readable=True)
    assert Book(path).verify() == [], f"seed {seed}"
    assert done.kept_old is not None
    kept = {one.table: one.rows for one in readable(path)}
    was = {one.table: one.rows for one in found}
    for table in ("runs", "events"):
        assert kept[table] == was[table], f"seed {seed}"
    # A row of these takes 34 bytes or more, so that two pages hold 240 at the most.
    assert kept["samples"] >= 4000 - 240, f"seed {seed}"
    write_runs(path, range(11, 12))
    assert "drift 11" in names(path)


def test_a_run_whose_row_is_lost_leaves_its_events_and_takes_its_tape(path: Path) -> None:
    write_runs(path, range(1, 3))
    records = opened(path)
    records.put_tape(2, b"")
    assert records.flush(10.0)
    assert records.close(10.0)
    with sqlite3.connect(path) as connection:
        connection.execute("DELETE FROM runs WHERE id = 2")
    connection.close()
    restore(path, path, wall, only_readable=True)
    assert Book(path).verify() == []
    assert [(event["run_id"], event["text"]) for event in Book(path).events()] == [(1, "of run 1"), (None, "of run 2")]
    assert list(Book(path).tape(2)) == []
    with sqlite3.connect(path) as connection, pytest.raises(sqlite3.IntegrityError, match="only added to"):
        connection.execute("UPDATE events SET text = ''")
    connection.close()


def test_what_is_lost_and_what_can_be_kept_is_said_in_words(path: Path) -> None:
    write_runs(path, range(1, 4))
    assert in_words(readable(path)) == ["What can be kept: 3 runs, 150 samples, 3 events."]
    path.write_bytes(b"\0" * 20_000)
    assert in_words(readable(path)) == ["Nothing of it can be read."]
    with pytest.raises(RecordsError, match=r"Nothing of .* can be read: name a back-up"):
        restore(path, path, wall, only_readable=True)
    assert path.read_bytes() == b"\0" * 20_000
    assert list(path.parent.glob("*restoring*")) == []


def test_a_file_of_a_newer_version_is_not_restored(path: Path, tmp_path: Path) -> None:
    write_runs(path, range(1, 2))
    copy = Book(path).backup(tmp_path / "copy.db")
    with sqlite3.connect(copy) as connection:
        connection.execute("INSERT INTO migrations VALUES (99, 'from the future', 0)")
    connection.close()
    with pytest.raises(RecordsError, match="written by a newer Ovenhand"):
        restore(path, copy, wall)
    assert names(path) == ["drift 1"]


# --- the command -----------------------------------------------------------------------------------------


def ask(*words: str) -> int:
    parser = argparse.ArgumentParser(prog="ovenhand records")
    command.add_arguments(parser)
    return command.run(parser.parse_args(words))


def test_verify_backup_and_restore_by_their_commands(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_runs(path, range(1, 6), samples=400)
    data = ("--data", str(path.parent))
    copy = tmp_path / "copy.db"
    assert ask("backup", str(copy), *data) == 0
    damage(path, range(40, 42), 1)
    capsys.readouterr()
    assert ask("verify", *data) == 1
    told = capsys.readouterr()
    assert "damaged" in told.out.splitlines()[0]
    assert "What can be kept: 5 runs" in told.out
    assert "records restore FILE" in told.err
    assert ask("restore", str(copy), *data) == 0
    told = capsys.readouterr()
    assert told.out == f"{path}\n"
    assert "The former book is " in told.err
    assert ask("verify", *data) == 0
    assert len(json.loads(_listed(capsys, data))) == 5
    assert ask("restore", str(tmp_path / "none.db"), *data) == 2
    assert "There is no file" in capsys.readouterr().err


def _listed(capsys: pytest.CaptureFixture[str], data: tuple[str, ...]) -> str:
    capsys.readouterr()
    assert ask("list", "--json", *data) == 0
    return capsys.readouterr().out
