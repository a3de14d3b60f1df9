"""The file, its readers, its exports, and the command: what was written is found, and mistakes are told."""

from __future__ import annotations

import argparse
import csv
import errno
import io
import json
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.cli import main
from controller.commands import records as command
from controller.model import Event
from controller.records import (
    Book,
    Records,
    RecordsError,
    RunStart,
    database_path,
    default_data_directory,
    run_json,
    trace_csv,
)
from controller.records.export import CSV_COLUMNS
from controller.records.rows import SAMPLE_COLUMNS
from controller.records.schema import migrate
from controller.records.tables import MIGRATIONS, Migration

WALL_S = 1_700_000_000.0
PROGRAM = {"name": "drift", "tempers": [{"temperature_c": 232.0, "soak_s": 3600.0}]}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return database_path(tmp_path)


def test_a_backup_is_on_its_stick_before_it_is_said_to_be(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = Records(path, wall=lambda: WALL_S, mono=lambda: 0.0)
    assert records.close(10.0)
    stick = tmp_path / "stick"
    stick.mkdir()
    copy = stick / "copy.db"
    flushed, named = os.fsync, []

    def fails(number: int) -> None:
        if Path(f"/proc/self/fd/{number}").readlink() == stick:
            named.append(copy.exists())
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        flushed(number)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fails)
        with pytest.raises(RecordsError, match="was not written"):
            Book(path).backup(copy)
    assert named == [True], "flushed once, under its name"
    assert list(stick.iterdir()) == []
    assert Book(Book(path).backup(copy)).verify() == []


def opened(path: Path) -> Records:
    return Records(path, wall=lambda: WALL_S, mono=lambda: 50.0)


def row(run_id: int, second: int, **known: object) -> tuple[object, ...]:
    values = {"run_id": run_id, "at": WALL_S + second, "mono_s": 50.0 + second, **known}
    return tuple(values.get(name) for name in SAMPLE_COLUMNS)


def with_a_run(path: Path, seconds: int = 20, *, ended: bool = True) -> None:
    records = opened(path)
    records.run_started(RunStart(1, PROGRAM, [{"mass_kg": 0.4, "section_mm": 12.0}], "Håkon's phone"))
    records.put_events([Event("soak_started", 51.0, "Soaking at 232 °C.", {"temper": 0})], run_id=1)
    samples = [
        row(1, at, oven_c=200 + at / 100, part_c=150.0 if at == 7 else 199.5, temper_index=0, phase="soak")
        for at in range(seconds)
    ]
    records.put_samples(samples)
    if ended:
        records.run_ended(1, outcome="ended", ending="Done.", at=WALL_S + seconds, mono_s=50.0 + seconds)
    assert records.flush(30.0)
    assert records.close(10.0)


# --- the file ------------------------------------------------------------------------------------------


def test_migrations_are_applied_once_and_written_down(path: Path) -> None:
    opened(path).close(10.0)
    opened(path).close(10.0)
    with sqlite3.connect(path) as connection:
        applied = connection.execute("SELECT number, name, applied_at FROM migrations").fetchall()
    connection.close()
    assert applied == [(at.number, at.name, WALL_S) for at in MIGRATIONS]
    assert [at.number for at in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_a_later_migration_is_applied_to_an_older_file_and_keeps_what_is_in_it(path: Path) -> None:
    with_a_run(path)
    second = (*MIGRATIONS, Migration(len(MIGRATIONS) + 1, "colours", ("ALTER TABLE pieces ADD COLUMN colour TEXT",)))
    connection = sqlite3.connect(path, isolation_level=None)
    assert migrate(connection, path, lambda: WALL_S, second) == 1
    (columns,) = connection.execute("SELECT count(*) FROM pragma_table_info('pieces') WHERE name = 'colour'")
    assert columns == (1,)
    assert connection.execute("SELECT count(*) FROM samples").fetchone() == (20,)
    connection.close()


def test_a_migration_that_fails_half_way_leaves_the_file_as_it_was(path: Path) -> None:
    with_a_run(path)
    statements = ("CREATE TABLE half (a INTEGER)", "CREATE TABLE half (a INTEGER)")
    connection = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(sqlite3.OperationalError, match="already exists"):
        migrate(connection, path, lambda: WALL_S, (*MIGRATIONS, Migration(len(MIGRATIONS) + 1, "half", statements)))
    assert connection.execute("SELECT name FROM sqlite_master WHERE name = 'half'").fetchall() == []
    assert connection.execute("SELECT max(number) FROM migrations").fetchone() == (len(MIGRATIONS),)
    connection.close()


def test_a_file_of_a_newer_version_is_refused_and_left_as_it_is(path: Path) -> None:
    with_a_run(path)
    with sqlite3.connect(path) as connection:
        connection.execute("INSERT INTO migrations VALUES (99, 'from the future', 0)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(RecordsError, match=r"written by a newer Ovenhand .*install that version again"):
        opened(path)
    with pytest.raises(RecordsError, match="written by a newer Ovenhand"):
        Book(path).runs()
    assert path.read_bytes() == before


def _text(path: Path) -> None:
    path.write_text("not a database at all, but long enough to be one\n" * 100)


def _other(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipes (id INTEGER)")
    connection.close()


def _also_migrating(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE migrations (number INTEGER, name TEXT, applied_at REAL)")
    connection.close()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (_text, "is damaged: .*restore a back-up"),
        (_other, "is not a record of this shop"),
        (_also_migrating, "is not a record of this shop"),
    ],
)
def test_a_file_of_something_else_is_refused_and_left_as_it_is(
    path: Path, make: Callable[[Path], None], words: str
) -> None:
    make(path)
    before = path.read_bytes()
    with pytest.raises(RecordsError, match=words):
        opened(path)
    assert path.read_bytes() == before


def test_a_data_directory_that_cannot_be_made_is_told_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordsError, match="give the service a data directory that it may write to"):
        opened(tmp_path / "file" / "ovenhand.db")


def test_the_file_is_for_its_owner_only(path: Path) -> None:
    opened(path).close(10.0)
    assert path.stat().st_mode & 0o077 == 0


# --- reading -------------------------------------------------------------------------------------------


def test_runs_come_newest_first_a_page_at_a_time(path: Path) -> None:
    records = opened(path)
    for number in range(1, 8):
        records.run_started(RunStart(number, PROGRAM, [], "machine"))
        records.run_ended(number, outcome="ended", ending="Done.")
    assert records.close(10.0)
    book = Book(path)
    assert [run["id"] for run in book.runs(limit=3)] == [7, 6, 5]
    assert [run["id"] for run in book.runs(limit=3, before_id=5)] == [4, 3, 2]
    assert book.run(99) is None
    assert book.trace(99) == []


def test_a_thinned_trace_keeps_the_ends_and_every_extreme(path: Path) -> None:
    with_a_run(path, 5000)
    whole, thin = Book(path).trace(1), Book(path).trace(1, points=120)
    assert len(whole) == 5000
    assert len(thin) <= 122
    assert (thin[0], thin[-1]) == (whole[0], whole[-1])
    assert min(at["part_c"] for at in thin) == 150.0
    assert [at["t_s"] for at in thin] == sorted(at["t_s"] for at in thin)
    assert all(at in whole for at in thin)


def test_a_step_of_the_wall_clock_does_not_bend_the_trace(path: Path) -> None:
    records = opened(path)
    records.run_started(RunStart(1, PROGRAM, [], "machine"))
    for second, stepped_s in ((0, 0.0), (1, 0.0), (2, 3.0e7), (3, 3.0e7), (4, -500.0)):
        records.put_samples([row(1, second, at=WALL_S + second + stepped_s)])
    assert records.close(10.0)
    assert [at["t_s"] for at in Book(path).trace(1)] == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_events_follow_a_number_or_are_the_newest(path: Path) -> None:
    records = opened(path)
    records.put_events(Event("note", float(at), str(at)) for at in range(1, 11))
    assert records.close(10.0)
    book = Book(path)
    assert [at["text"] for at in book.events(after_id=8)] == ["9", "10"]
    assert [at["text"] for at in book.events(after_id=0, limit=2)] == ["1", "2"]
    assert [at["text"] for at in book.events(limit=2)] == ["9", "10"]


def test_a_piece_carries_its_steps_quenches_and_file_tests(path: Path) -> None:
    records = opened(path)
    for statement in (
        "INSERT INTO stock (id, name, composition, created_at) VALUES (1, 'bar', '{\"C\": 0.5}', 1.0)",
        "INSERT INTO pieces (id, stock_id, name, created_at) VALUES (1, 1, 'drift', 2.0)",
        "INSERT INTO quenches (id, piece_id, at, declared) VALUES (1, 1, 3.0, 1)",
        "INSERT INTO piece_steps (piece_id, at, step, quench_id, who) VALUES (1, 3.0, 'quenched', 1, 'me')",
        "INSERT INTO file_tests (stock_id, piece_id, at, who, skates_hrc) VALUES (1, 1, 4.0, 'me', 58)",
        "INSERT INTO ladder (stock_id, at, who, medium, file_skates) VALUES (1, 5.0, 'me', 'still air', 0)",
    ):
        records.write(lambda connection, statement=statement: connection.execute(statement)).result(10)
    assert records.close(10.0)
    book = Book(path)
    piece = book.piece(1)
    assert piece is not None
    assert [len(piece[at]) for at in ("piece_steps", "quenches", "file_tests")] == [1, 1, 1]
    assert piece["quenches"][0]["declared"] is True
    assert book.stock()[0]["composition"] == {"C": 0.5}
    assert [(at["medium"], at["file_skates"]) for at in book.ladder(1)] == [("still air", False)]
    assert [at["skates_hrc"] for at in book.file_tests(1)] == [58.0]
    assert book.piece(2) is None


def test_verify_finds_a_row_that_belongs_to_nothing(path: Path) -> None:
    with_a_run(path)
    assert Book(path).verify() == []
    with sqlite3.connect(path) as connection:
        connection.execute("DELETE FROM runs")
    connection.close()
    problems = Book(path).verify()
    assert len(problems) == 21  # twenty samples and an event
    assert "belongs to a row of runs that is not there" in problems[0]


def test_verify_finds_a_damaged_page(path: Path) -> None:
    with_a_run(path, 5000)
    content = bytearray(path.read_bytes())
    content[40 * 4096 : 41 * 4096] = b"\xff" * 4096
    path.write_bytes(content)
    assert any("damaged" in problem for problem in Book(path).verify())


def test_a_backup_is_whole_while_the_book_is_written_and_overwrites_nothing(
    path: Path, tmp_path: Path
) -> None:
    with_a_run(path)
    records = opened(path)
    records.run_started(RunStart(2, PROGRAM, [], "machine"))
    assert records.flush()
    copy = Book(path).backup(tmp_path / "copy.db")
    assert [run["id"] for run in Book(copy).runs()] == [2, 1]
    assert len(Book(copy).trace(1)) == 20
    assert Book(copy).verify() == []
    assert copy.stat().st_mode & 0o077 == 0
    with pytest.raises(RecordsError, match="is there already"):
        Book(path).backup(copy)
    with pytest.raises(RecordsError, match="was not written"):
        Book(path).backup(tmp_path / "nowhere" / "copy.db")
    assert records.close(10.0)


# --- exports -------------------------------------------------------------------------------------------


def test_csv_gives_back_every_sample_under_the_records_own_names(path: Path) -> None:
    with_a_run(path, 1203)
    pieces = list(trace_csv(Book(path), 1))
    assert len(pieces) == 3
    lines = list(csv.DictReader(io.StringIO("".join(pieces))))
    assert [float(line["oven_c"]) for line in lines] == [200 + at / 100 for at in range(1203)]
    assert [float(line["t_s"]) for line in lines] == list(range(1203))
    assert lines[7]["part_c"] == "150.0"
    assert (lines[0]["tank_c"], lines[0]["temper_index"]) == ("", "0")
    assert lines[1]["at"] == "2023-11-14T22:13:21.000Z"
    assert set(CSV_COLUMNS) == set(SAMPLE_COLUMNS) - {"run_id", "mono_s"} | {"t_s"}


def test_json_gives_back_the_run_with_its_trace_and_events(path: Path) -> None:
    with_a_run(path)
    run = json.loads(json.dumps(run_json(Book(path), 1), allow_nan=False))
    assert run["program"] == PROGRAM
    assert run["load"] == [{"mass_kg": 0.4, "section_mm": 12.0}]
    assert run["trace"] == Book(path).trace(1)
    assert run["events"][0]["text"] == "Soaking at 232 °C."
    assert run_json(Book(path), 2) is None


# --- the command ---------------------------------------------------------------------------------------


def ask(*words: str) -> int:
    parser = argparse.ArgumentParser(prog="ovenhand records")
    command.add_arguments(parser)
    return command.run(parser.parse_args(words))


def test_list_and_show_put_the_data_on_standard_output(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with_a_run(path)
    data = ("--data", str(path.parent))
    assert ask("list", *data) == 0
    out, err = capsys.readouterr()
    assert out.splitlines()[1].split() == [
        "1", "2023-11-14", "22:13:20", "drift", "ended", "0", "h", "00", "Håkon's", "phone",
    ]  # fmt: skip
    assert err == ""
    assert ask("list", "--json", *data) == 0
    assert json.loads(capsys.readouterr().out)[0]["outcome"] == "ended"
    assert ask("show", "1", *data) == 0
    out = capsys.readouterr().out
    assert "Run 1: drift, started by Håkon's phone" in out
    assert "2023-11-14 22:13:20  Soaking at 232 °C." in out
    assert ask("show", "1", "--json", *data) == 0
    assert json.loads(capsys.readouterr().out)["program"] == PROGRAM


def test_show_leaves_out_what_was_not_measured(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    records = opened(path)
    records.run_started(RunStart(1, PROGRAM, [], "phone"))
    tempers = [{"temperature_c": 232.0, "part_peak_c": None, "in_band_s": 0.0}]
    records.run_ended(1, outcome="stopped", ending="Stopped by hand.", tempers=tempers)
    assert records.flush(30.0)
    assert records.close(10.0)
    assert ask("show", "1", "--data", str(path.parent)) == 0
    assert "Temper 1  temperature_c 232.0, in_band_s 0.0\n" in capsys.readouterr().out


def test_export_writes_to_standard_output_or_a_new_file(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with_a_run(path)
    data = ("--data", str(path.parent))
    assert ask("export", "1", *data) == 0
    printed = capsys.readouterr().out
    assert printed.count("\n") == 21
    target = tmp_path / "run.csv"
    assert ask("export", "1", "--output", str(target), *data) == 0
    assert capsys.readouterr().out == ""
    assert target.read_bytes().decode() == "".join(trace_csv(Book(path), 1))
    assert ask("export", "1", "--output", str(target), *data) == 2
    assert "is there already" in capsys.readouterr().err
    assert ask("export", "1", "--format", "json", *data) == 0
    assert len(json.loads(capsys.readouterr().out)["trace"]) == 20


def test_verify_and_backup_say_what_they_found_and_made(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with_a_run(path, ended=False)
    data = ("--data", str(path.parent))
    assert ask("verify", *data) == 0
    out, err = capsys.readouterr()
    assert out == ""
    assert "Run 1 is open" in err
    assert "The book is sound." in err
    copy = tmp_path / "copy.db"
    assert ask("backup", str(copy), *data) == 0
    assert capsys.readouterr().out == f"{copy}\n"
    with sqlite3.connect(path) as connection:
        connection.execute("DELETE FROM runs")
    connection.close()
    assert ask("verify", *data) == 1
    assert "belongs to a row of runs" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("show", "9"), "There is no run 9: the newest is run 1."),
        (("export", "9"), "There is no run 9"),
        (("export", "1", "--output", "/nowhere/x.csv"), "was not written"),
        (("backup", "/nowhere/x.db"), "/nowhere/x.db (No such file or directory): look at that disk, or name another"),
        (("backup", ""), '"." is no name for a file'),
        (("backup", "/"), '"/" is no name for a file'),
        (("backup", "n" * 300), "(File name too long): look at that disk, or name another place."),
        (("restore", "n" * 300), "There is no file n"),
    ],
)
def test_a_mistake_is_told_on_standard_error_with_exit_2(
    path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    with_a_run(path)
    assert ask(*words, "--data", str(path.parent)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert told in err
    assert "Errno" not in err


@pytest.mark.parametrize("number", ["0", "-1", "1.5", "x", "٣", "9" * 30, "9" * 5000])
def test_a_number_that_is_none_is_refused(number: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exit_:
        ask("show", "--", number)
    assert exit_.value.code == 2
    assert "whole number from 1 up" in capsys.readouterr().err


def test_a_directory_without_a_book_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ask("list", "--data", str(tmp_path)) == 2
    assert "There is no record at" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    assert ask("list", "--data", str(tmp_path / ("n" * 300))) == 2
    assert "cannot be looked for (File name too long): name the data directory" in capsys.readouterr().err


def test_the_data_directory_is_the_services_or_the_users(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/home/smith")
    assert default_data_directory({"STATE_DIRECTORY": "/var/lib/ovenhand:/x"}) == Path("/var/lib/ovenhand")
    assert default_data_directory({"XDG_DATA_HOME": "/data"}) == Path("/data/ovenhand")
    assert default_data_directory({"XDG_DATA_HOME": "odd"}) == Path("/home/smith/.local/share/ovenhand")
    assert default_data_directory({}) == Path("/home/smith/.local/share/ovenhand")


def test_the_quenches_of_the_tank_are_a_list(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["records", "quenches", "--data", str(path.parent)]
    records = opened(path)
    for statement in (
        "INSERT INTO quenches (at, declared, mass_kg, part_c, oil, before_c, after_c, note)"
        " VALUES (1700000000, 1, 0.4, 845, 'canola', 52.04, 61.2, 'The oil rose by 9 K; 9 were expected.')",
        "INSERT INTO quenches (at, declared, mass_kg) VALUES (1700000600, 0, 0.51)",
    ):
        records.write(lambda connection, statement=statement: connection.execute(statement)).result(10)
    assert records.close(10.0)
    assert main(words) == 0
    _, seen, said = (line.split() for line in capsys.readouterr().out.splitlines())
    assert said[:7] == ["2023-11-14", "22:13:20", "0.40", "845", "canola", "52.0", "61.2"]
    assert said[8:11] == ["The", "oil", "rose"]
    assert seen == ["2023-11-14", "22:23:20", "0.51", "-", "-", "-", "-", "-"]
    assert main([*words, "--json", "--limit", "1"]) == 0
    assert [one["declared"] for one in json.loads(capsys.readouterr().out)] == [False]
