"""The disk full, held up, damaged, read-only or from the future: heat stays safe, ticks go on, what can be kept is."""

from __future__ import annotations

import os
import random
import resource
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import FileIO
from pathlib import Path
from typing import Any

import psutil
import pytest

from controller.cli import main
from controller.model import Event
from controller.records import Book, Records, RecordsError, database_path, restore
from controller.web.parts import KEPT_WITHIN_S
from tests.shop.process import ShopProcess, shop

BODY = {"program": {"name": "disk", "tempers": [{"temperature_c": 150, "soak_min": 60}]},
        "load": [{"mass_kg": 0.3, "section_mm": 10}]}  # fmt: skip


@contextmanager
def small_disk(directory: Path, *, read_only: bool = False) -> Iterator[bool]:
    """`directory` as a disk of its own of 3 MB; False where that takes root."""
    directory.mkdir(parents=True, exist_ok=True)
    if os.geteuid() != 0:
        yield False
        return
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "small", str(directory)], check=True)
    try:
        if read_only:
            subprocess.run(["mount", "-o", "remount,ro", str(directory)], check=True)
        yield True
    finally:
        subprocess.run(["umount", "--lazy", str(directory)], check=True)


def _fill(file: FileIO) -> None:
    with suppress(OSError):
        while True:
            file.write(b"x" * 4096)


@contextmanager
def full(running: ShopProcess, own_disk: bool) -> Iterator[None]:
    """No byte more: the small disk filled up, or without root the largest file that this process may write."""
    if own_disk:
        filler = running.directory / "filler"
        with filler.open("wb", buffering=0) as file:
            _fill(file)
        yield
        filler.unlink()
        return
    process = psutil.Process(running.process.pid)
    process.rlimit(resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    yield
    process.rlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


@contextmanager
def held_up(running: ShopProcess) -> Iterator[None]:
    """Somebody else writes and does not come to an end: every write waits five seconds, then fails."""
    other = sqlite3.connect(database_path(running.directory), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    yield
    other.execute("ROLLBACK")
    other.close()


def ticks(running: ShopProcess) -> float:
    text = running.client.get("/metrics").text
    return float(next(line for line in text.splitlines() if line.startswith("ovenhand_ticks_total ")).split()[1])


def alerts(running: ShopProcess) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = running.client.get("/api/v1/alerts").json()["alerts"]
    return found


def begun(running: ShopProcess) -> int:
    running.arm()
    return running.start(BODY)


def whole(alert: dict[str, Any]) -> str:
    """All that a phone shows of it."""
    return f"{alert['headline']} {alert['text']}"


def works_without_its_book(running: ShopProcess, words: str) -> None:
    """The smith is told, on the page and by an alert, and the shop goes on."""
    running.until(lambda: running.status()["record_trouble"] is not None, 40.0)
    status = running.status()
    assert words in status["record_trouble"]
    running.until(lambda: any(status["record_trouble"] in said for said in map(whole, alerts(running))))
    the_shop_goes_on(running)


def the_shop_goes_on(running: ShopProcess) -> None:
    """Ticks go on and are on time, and Stop works as ever."""
    assert running.status()["oven"]["phase"] == "heat_up"
    before = ticks(running)
    running.until(lambda: ticks(running) >= before + 20.0)
    assert running.status()["board"]["armed"], "the board was left without commands"
    assert running.post("stop").status_code == 200
    assert running.status()["oven"]["asked_duty"] == 0.0
    assert running.client.get("/healthz").status_code == 200


def nothing_was_lost(running: ShopProcess, run_id: int) -> None:
    running.until(lambda: running.status()["record_trouble"] is None, 40.0)
    book = Book(database_path(running.directory))
    running.until(lambda: (book.run(run_id) or {}).get("outcome") == "stopped")
    kinds = [event["kind"] for event in book.events(run_id=run_id)]
    assert kinds[0] == "run_started"
    assert kinds[-1] == "run_ended"
    told = [event for event in book.events(run_id=run_id, limit=10_000) if event["kind"] == "record_trouble"]
    assert len(told) == 1
    running.until(lambda: "record_back" in [event["kind"] for event in book.events(limit=10_000)])
    (gap,) = book.gaps()
    assert gap["lost"] == 0
    assert book.verify() == []
    assert not {"board_lost", "run_paused"} & set(kinds), "ticks came too late for the board"


def test_a_full_disk_costs_nothing_but_the_time_until_there_is_room(tmp_path: Path) -> None:
    directory = tmp_path / "data"
    with small_disk(directory) as own_disk, shop(directory, speed=5.0) as running:
        run_id = begun(running)
        with full(running, own_disk):
            works_without_its_book(running, "disk is full" if own_disk else "disk gave an error")
        nothing_was_lost(running, run_id)


@pytest.mark.parametrize("killed", [True, False], ids=["killed", "stopped"])
def test_a_disk_that_is_full_when_the_service_starts_costs_nothing_but_the_time(tmp_path: Path, killed: bool) -> None:
    """Page, sounder and alerts are there with every trip and run that stood; the phones stay paired."""
    directory = tmp_path / "data"
    with small_disk(directory) as own_disk:
        with shop(directory, speed=5.0) as running:
            run_id = begun(running)
            paired = running.client.headers["Authorization"]
            if not killed:
                running.terminate()
        filler = directory / "filler"
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        if own_disk:
            with filler.open("wb", buffering=0) as file:
                _fill(file)
        else:
            resource.setrlimit(resource.RLIMIT_FSIZE, (4096, limits[1]))
        try:
            running = ShopProcess(directory, 5.0)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        try:
            if not own_disk:
                assert running.process.wait(30.0) == 2, "a file that may not grow is no full disk, and nothing is known"
                return
            running.client.headers["Authorization"] = paired
            running.until(running.answers)
            running.until(lambda: running.status()["record_trouble"] is not None)
            assert "The disk is full: free some space" in running.status()["record_trouble"]
            running.until(lambda: running.status()["oven"]["resumable_run_id"] == run_id)
            running.until(lambda: any("The disk is full" in alert["headline"] for alert in alerts(running)))
            assert begun(running) > run_id
            the_shop_goes_on(running)
            filler.unlink()
            running.until(lambda: running.status()["record_trouble"] is None, 40.0)
            book = Book(database_path(directory))
            running.until(lambda: [run["outcome"] for run in book.runs()] == ["stopped", "cut off"])
            assert [gap["lost"] for gap in book.gaps()] == [0]
            assert book.verify() == []
        finally:
            running.kill()


@pytest.mark.parametrize("left", ["a run", "no run", "all in order"])
def test_a_card_that_is_read_only_when_the_service_starts_is_told_and_nothing_heats_before_a_hold_of_reset(
    tmp_path: Path, left: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """It may have been so when the last process ended, killed or not, with a trip or a stop that it could not keep."""
    directory = tmp_path / "data"
    with small_disk(directory) as own_disk:
        if not own_disk:
            return  # takes root, and has no substitute
        with shop(directory, speed=5.0) as running:
            run_id = begun(running)
            paired = running.client.headers["Authorization"]
            if left == "no run":
                assert running.post("stop").status_code == 200
            if left == "all in order":
                running.terminate()
        subprocess.run(["mount", "-o", "remount,ro", str(directory)], check=True)
        running = ShopProcess(directory, 5.0, log=tmp_path / "log")
        try:
            running.client.headers["Authorization"] = paired
            running.until(running.answers)
            running.until(lambda: running.status()["record_trouble"] is not None)
            assert "is read-only: mount it for writing." in running.status()["record_trouble"]
            running.until(lambda: any("is read-only" in whole(alert) for alert in alerts(running)))
            assert [run["id"] for run in running.client.get("/api/v1/runs").json()] == [run_id]
            running.until(lambda: bool(running.status()["board"]["connected"]))
            assert running.status()["verdict"] == "trip"
            assert "It is not known what stood before this start." in str(running.status()["interlocks"])
            assert running.post("oven/start", BODY).status_code == 409
            running.press("reset")
            running.until(lambda: running.status()["verdict"] != "trip")
            assert running.status()["oven"]["resumable_run_id"] is None, "nor is it known whether it was stopped"
            _commands_say_what_is_wrong(directory, capsys)
            assert begun(running) > run_id
            the_shop_goes_on(running)
            subprocess.run(["mount", "-o", "remount,rw", str(directory)], check=True)
            running.until(lambda: running.status()["record_trouble"] is None, 40.0)
            book = Book(database_path(directory))
            first = "stopped" if left == "no run" else "cut off"
            running.until(lambda: [run["outcome"] for run in book.runs()] == ["stopped", first])
            assert [gap["lost"] for gap in book.gaps()] == [0]
            assert book.verify() == []
        finally:
            running.kill()


def _commands_say_what_is_wrong(directory: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["pair", "--data", str(directory)]) == 2
    assert "pairs no phone now." in capsys.readouterr().err
    main(["doctor", "--data", str(directory)])
    assert f"missing: The disk that holds {directory} is read-only" in capsys.readouterr().out
    serve = ["serve", "--rehearsal", "--data", str(directory), "--host", "127.0.0.1", "--port", "1"]
    assert main(serve) == 2
    assert "Another service already works in" in capsys.readouterr().err
    with pytest.raises(RecordsError, match="Another Ovenhand is using"):
        Records(database_path(directory), wall=lambda: 1.7e9, mono=lambda: 0.0)


def test_a_book_on_a_read_only_disk_is_read_and_copied(tmp_path: Path) -> None:
    """A back-up stick, or the card of a machine that is to be saved."""
    directory = tmp_path / "stick"
    with small_disk(directory) as own_disk:
        path = database_path(directory)
        records = Records(path, wall=lambda: 1.7e9, mono=lambda: 0.0)
        records.put_events([Event("note", 1.0, "kept")])
        assert records.close(10.0)
        if own_disk:
            subprocess.run(["mount", "-o", "remount,ro", str(directory)], check=True)
        assert Book(path).verify() == []
        Book(path).backup(tmp_path / "copy.db")
        assert [event["text"] for event in Book(tmp_path / "copy.db").events()] == ["kept"]


def test_a_writer_that_is_held_up_holds_nothing_else_up(tmp_path: Path) -> None:
    with shop(tmp_path / "data", speed=5.0) as running:
        run_id = begun(running)
        with held_up(running):
            works_without_its_book(running, "Another program holds")
        nothing_was_lost(running, run_id)


def test_a_stop_waits_for_a_card_that_is_not_known_to_be_in_trouble(tmp_path: Path) -> None:
    with shop(tmp_path / "data", speed=5.0) as running:
        begun(running)
        with held_up(running):
            asked_s = time.monotonic()
            assert running.post("oven/stop").status_code == 200
            assert time.monotonic() - asked_s >= KEPT_WITHIN_S
            assert running.status()["oven"]["asked_duty"] == 0.0


def test_a_book_damaged_while_it_is_written_ends_no_tick_and_a_back_up_brings_it_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = random.randrange(2**31)
    print(f"seed {seed}")
    directory = tmp_path / "data"
    copy = tmp_path / "copy.db"
    with shop(directory, speed=5.0) as running:
        run_id = begun(running)
        assert main(["records", "backup", str(copy), "--data", str(directory)]) == 0
        for file in (database_path(directory), directory / "ovenhand.db-wal"):
            with file.open("r+b") as content:
                content.write(random.Random(seed).randbytes(file.stat().st_size))
        works_without_its_book(running, "is damaged: stop the service, leave the file where it is")
        answer = running.client.get("/api/v1/runs")
        assert answer.status_code >= 500
        assert "restore a back-up" in answer.text
        running.terminate()
        assert "The book did not take what came last." in (directory / "log").read_text()
    serve = ["serve", "--rehearsal", "--data", str(directory), "--host", "127.0.0.1", "--port", "1"]
    capsys.readouterr()
    assert main(serve) == 2, "a damaged book must not be written on"
    assert "restore a back-up" in capsys.readouterr().err
    assert main(["records", "restore", str(copy), "--data", str(directory)]) == 0
    with shop(directory, speed=5.0) as running:
        running.until(lambda: bool(running.status()["board"]["connected"]))
        assert Book(database_path(directory)).verify() == []
        (run,) = running.client.get("/api/v1/runs").json()
        assert (run["id"], run["outcome"]) == (run_id, "cut off")
        # What was done to its steel since the back-up is not known, so it is not offered to go on.
        assert running.status()["oven"]["resumable_run_id"] is None
        assert begun(running) > run_id


def test_a_disk_too_small_for_a_copy_is_the_one_that_is_named_and_nothing_is_left_on_it(tmp_path: Path) -> None:
    """A back-up onto a small stick, and a restore, whole or of what is readable, onto a small disk."""
    path = database_path(tmp_path / "data")
    seed = random.randrange(2**31)
    print(f"seed {seed}")
    noise = random.Random(seed)
    records = Records(path, wall=lambda: 1.7e9, mono=lambda: 0.0)
    records.put_events([Event("note", 1.0, f"{noise.getrandbits(8000):x}") for _ in range(2000)])
    assert records.flush(30.0)
    assert records.close(10.0)
    assert path.stat().st_size > 4_000_000
    with small_disk(tmp_path / "small") as own_disk:
        target = tmp_path / "small" / "copy.db"
        book = database_path(tmp_path / "small")
        limits = resource.getrlimit(resource.RLIMIT_FSIZE)
        if not own_disk:
            resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, limits[1]))
        try:
            with pytest.raises(RecordsError) as written:
                Book(path).backup(target)
            with pytest.raises(RecordsError) as restored:
                restore(book, path, lambda: 1.7e9)
            with pytest.raises(RecordsError) as rescued:
                restore(book, path, lambda: 1.7e9, only_readable=True)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        for told, named in ((written, target), (restored, book), (rescued, book)):
            assert str(path) not in str(told.value)
            assert str(named) in str(told.value)
            assert not own_disk or "The disk is full: free some space on the disk that holds" in str(told.value)
        assert "The book was not restored; the former one is as it was." in str(rescued.value)
        assert [file.name for file in (tmp_path / "small").iterdir()] == ["ovenhand.db.lock"]
    assert Book(path).verify() == []


def test_a_disk_without_a_book_that_may_not_be_written_and_one_from_the_future_start_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--rehearsal", "--host", "127.0.0.1", "--port", "1"]
    later = database_path(tmp_path / "later")
    with shop(later.parent):
        pass
    with sqlite3.connect(later) as connection:
        connection.execute("INSERT INTO migrations VALUES (9999, 'from the future', 0)")
    connection.close()
    before = later.read_bytes()
    capsys.readouterr()
    assert main(["serve", *words, "--data", str(later.parent)]) == 2
    assert "was written by a newer Ovenhand" in capsys.readouterr().err
    assert later.read_bytes() == before
    locked = tmp_path / "locked"
    with small_disk(locked, read_only=True) as own_disk:
        if not own_disk:
            locked.chmod(0o500)
        assert main(["serve", *words, "--data", str(locked)]) == 2
        told = capsys.readouterr().err
        assert f"cannot be used: {'it is read-only' if own_disk else ''}" in told
        assert "Name another with --data." in told
