"""Opening the record's one file, and bringing an older one up to date."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Final

from .tables import MIGRATIONS, Migration
from .trouble import comes_of_read_only, damaged, is_damage, is_read_only, takes_nothing

FILE_NAME: Final = "ovenhand.db"
OLDEST_SQLITE: Final = (3, 37, 0)  # STRICT tables
APPLICATION_ID: Final = 0x4F76656E  # "Oven": tells our file from any other SQLite file


class RecordsError(Exception):
    """The record cannot be used; the text is one sentence for the smith that says what would be right."""


class DamagedError(RecordsError):
    """What is damaged is the book itself."""


def _applied(connection: sqlite3.Connection) -> int | None:
    """The number of the newest migration in the file; 0: a new file; None: a file of something else."""
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if "migrations" in tables:
        (owner,) = connection.execute("PRAGMA application_id").fetchone()
        if owner != APPLICATION_ID:
            return None
        (newest,) = connection.execute("SELECT coalesce(max(number), 0) FROM migrations").fetchone()
        return int(newest)
    return None if tables else 0


def _refuse_foreign(path: Path, applied: int | None) -> int:
    if applied is None:
        raise RecordsError(
            f"{path} is not a record of this shop: move it away, or name another data directory."
        )
    if applied > len(MIGRATIONS):
        raise RecordsError(
            f"{path} was written by a newer Ovenhand (its migration {applied}, this one knows "
            f"{len(MIGRATIONS)}): install that version again, or name another data directory. "
            "The file was left as it is."
        )
    return applied


def open_read_only(path: Path) -> sqlite3.Connection:
    """A connection that cannot write, usable from any one thread at a time.

    Raises RecordsError where there is no file, or it is not a record that this version can read, DamagedError where it
    is one that cannot be read.
    """
    try:
        there = path.is_file()
    except OSError as error:
        raise RecordsError(
            f"{path} cannot be looked for ({error.strerror}): name the data directory that the service uses."
        ) from error
    if not there:
        raise RecordsError(f"There is no record at {path}: name the data directory that the service uses.")
    connection = None
    try:
        connection = _for_reading(path)
        _refuse_foreign(path, _applied(connection))
    except sqlite3.Error as error:
        if connection is not None:
            connection.close()
        if (said := takes_nothing(error, path)) is not None:
            raise RecordsError(said) from error
        if is_damage(error) and (path.name == FILE_NAME or error.sqlite_errorcode != sqlite3.SQLITE_NOTADB):
            raise DamagedError(damaged(path)) from error
        if is_damage(error):
            raise RecordsError(
                f"{path} cannot be read as a record book ({error}): name one, or restore a back-up."
            ) from error
        raise RecordsError(
            f"{path} cannot be read ({error}): check its permissions, or restore a back-up."
        ) from error
    except RecordsError:
        if connection is not None:
            connection.close()
        raise
    return connection


def _connected(path: Path, how: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?{how}", uri=True, check_same_thread=False, isolation_level=None
    )
    connection.row_factory = sqlite3.Row
    return connection


def _for_reading(path: Path) -> sqlite3.Connection:
    """One that has looked into the file. Where nothing can be written, a log's index neither; without a log the file is
    all there is, and is read by itself."""
    connection = _connected(path, "mode=ro")
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error as error:
        connection.close()
        if comes_of_read_only(error, path) and not _logged(path):
            return _connected(path, "immutable=1")
        raise
    return connection


def _logged(path: Path) -> bool:
    """Whether part of the book is in a log beside it, or may be."""
    try:
        return path.with_name(path.name + "-wal").stat().st_size > 0
    except FileNotFoundError:
        return False
    except OSError:
        return True


def open_unwritable(path: Path) -> sqlite3.Connection:
    """As `open_read_only`, on a disk that takes nothing and of a book that nobody else has open, with today's tables.

    Even to read a book there has to be room for its log's index. A connection that has the book to itself keeps the
    index in memory; others wait for it, so it may not stay open. Where no log was left the file is all there is, and is
    read by itself.
    """
    try:
        connection = open_read_only(path)
    except RecordsError:
        logged = _logged(path)
        connection = _connected(path, "mode=rw" if logged else "immutable=1")
        for pragma in ("locking_mode=EXCLUSIVE", "query_only=ON") if logged else ():
            connection.execute(f"PRAGMA {pragma}")
    try:
        if _refuse_foreign(path, _applied(connection)) < len(MIGRATIONS):
            raise RecordsError(f"{path} is of an older version, and there is no room to bring it up to date.")
    except BaseException:
        connection.close()
        raise
    return connection


def prepare_file(path: Path) -> None:
    """Refuse what may not be opened for writing, before anything is touched; make the file private.

    The record holds the hashes of the phones' tokens, hence 0600.
    """
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        raise RecordsError(
            f"This Python carries SQLite {sqlite3.sqlite_version}; "
            f"{'.'.join(map(str, OLDEST_SQLITE))} or newer is needed."
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if path.is_file() and path.stat().st_size > 0:
            open_read_only(path).close()
        else:
            os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    except OSError as error:
        raise RecordsError(
            f"The record cannot be made at {path} ({error.strerror}): give the service a data directory "
            "that it may write to."
        ) from error


def hold_for_writing(path: Path) -> int:
    """Hold the book for this process until it ends, however it ends. Raises RecordsError when it is held."""
    lock = path.with_name(path.name + ".lock")
    try:
        if is_read_only(path.parent):
            lock_file = os.open(lock, os.O_RDONLY | os.O_CLOEXEC)
        else:
            lock_file = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise RecordsError(
            takes_nothing(error, path) or f"{path.parent} may not be written ({error.strerror}): check its permissions."
        ) from error
    try:
        fcntl.flock(lock_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(lock_file)
        raise RecordsError(
            f"Another Ovenhand is using {path}: stop it first, or name another data directory."
        ) from error
    return lock_file


def open_for_writing(path: Path, wall: Callable[[], float]) -> sqlite3.Connection:
    """The write connection to a prepared file, with every migration applied. Raises RecordsError.

    WAL, so that readers never wait for the writer nor it for them. `synchronous=NORMAL` for what comes every
    few seconds: a power cut may then lose the last commits but cannot damage the file, and the card is
    spared a flush each time; what must not be lost (ends of runs, trips, answers) asks for FULL. The WAL is folded back
    every 1000 pages (4 MB, SQLite's own default): about four hours of samples touch the same few pages
    again and again, so a longer WAL writes the card less, and 4 MB are still read back within a second.
    """
    connection = None
    try:
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=5.0)
        for pragma in (
            "journal_mode=WAL",
            "synchronous=NORMAL",
            "wal_autocheckpoint=1000",
            "foreign_keys=ON",
            "trusted_schema=OFF",
        ):
            connection.execute(f"PRAGMA {pragma}")
        migrate(connection, path, wall)
    except (sqlite3.Error, RecordsError) as error:
        if connection is not None:
            connection.close()
        if isinstance(error, RecordsError):
            raise
        if (said := takes_nothing(error, path)) is not None:
            raise RecordsError(said) from error
        if is_damage(error):
            raise DamagedError(damaged(path)) from error
        raise RecordsError(
            f"{path} cannot be written ({error}): free some space, check its permissions, or "
            "restore a back-up."
        ) from error
    return connection


def migrate(
    connection: sqlite3.Connection,
    path: Path,
    wall: Callable[[], float],
    migrations: tuple[Migration, ...] = MIGRATIONS,
) -> int:
    """Apply what is missing, each migration with its own row in one transaction; answers how many."""
    applied = _refuse_foreign(path, _applied(connection))
    for migration in migrations[applied:]:
        connection.execute("BEGIN IMMEDIATE")
        try:
            if migration.number == 1:
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(
                    "CREATE TABLE migrations (number INTEGER PRIMARY KEY, name TEXT NOT NULL, "
                    "applied_at REAL NOT NULL) STRICT"
                )
            for statement in migration.statements:
                connection.execute(statement)
            connection.execute(
                "INSERT INTO migrations VALUES (?, ?, ?)", (migration.number, migration.name, wall())
            )
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")
    return len(migrations) - applied
