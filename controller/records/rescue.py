"""A damaged book, and a back-up brought back: what can still be read, kept in a new file beside the old one."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, NamedTuple

from .plain import table_of, text_of
from .readers import Book
from .rows import run_number, stored_state, which_book
from .schema import RecordsError, hold_for_writing, migrate, open_for_writing
from .standing import Standing, flush
from .trouble import is_damage, is_of_the_disk, sentence

# In an order in which what belongs to a row comes after it.
TABLES: Final = {
    "runs": "runs",
    "interruptions": "interruptions of runs",
    "samples": "samples",
    "tape": "blocks of tape",
    "events": "events",
    "requests": "requests",
    "gaps": "gaps",
    "core_state": "states of the core",
    "calibrations": "calibrations",
    "tunings": "tunings",
    "stock": "lots of stock",
    "pieces": "pieces",
    "quenches": "quenches",
    "piece_steps": "steps of pieces",
    "ladder": "rungs of ladders",
    "file_tests": "file tests",
    "devices": "paired devices",
    "alerts": "alerts",
}
_CHUNK: Final = 500


class Readable(NamedTuple):
    """What of one table can be read: `rows` of it, and whether that is `whole`."""

    table: str
    rows: int
    whole: bool


class Restored(NamedTuple):
    """`kept_old`: where the former book lies now, None when there was none. `read`: what of each table came over
    where only a part could be read."""

    path: Path
    kept_old: Path | None
    read: tuple[Readable, ...]


def readable(path: Path) -> list[Readable]:
    """What can be read of each table of a book, damaged or not; empty when nothing can."""
    found = []
    with closing(_open(path)) as connection:
        for table in _tables(connection):
            whole, rows = True, 0
            for part in _rows(connection, table):
                if part is None:
                    whole = False
                else:
                    rows += len(part)
            found.append(Readable(table, rows, whole))
    return found


def in_words(found: Sequence[Readable]) -> list[str]:
    """A sentence for each table that is not whole, then one for all that can be read."""
    told = [
        f"The {TABLES[one.table]} cannot be read whole: {one.rows} of them can." for one in found if not one.whole
    ]
    parts = [f"{one.rows} {TABLES[one.table]}" for one in found if one.rows]
    told.append(f"What can be kept: {', '.join(parts)}." if parts else "Nothing of it can be read.")
    return told


def restore(path: Path, source: Path, wall: Callable[[], float], *, only_readable: bool = False) -> Restored:
    """Bring the book of `path` back from `source`; the former one stays beside it under another name.

    `only_readable`: take what can be read of a damaged `source`. Raises RecordsError, with nothing changed,
    while a service has the book open, and where `source` is not whole and that was not asked for. Trips that
    stand in either file stand afterwards, and a device that was shut out in the former book stays shut out; a run is
    only offered to go on as the former book had it, for what was done to its steel since is not in a back-up.
    """
    if not os.path.isfile(source):  # Path.is_file raises for a name that is too long
        raise RecordsError(f"There is no file {source}: name a back-up.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise RecordsError(f"{path.parent} cannot be made ({error.strerror}): name another data directory.") from error
    lock = hold_for_writing(path)
    fresh = path.with_name(path.name + ".restoring")
    try:
        _remove(fresh)
        read = _fill(fresh, source, wall, only_readable)
        _carry_state(fresh, path, same=path.exists() and source.samefile(path))
        if path.exists():
            _carry_revocations(fresh, path)
        kept = _put_in_place(path, fresh, wall())
        return Restored(path, kept, read)
    except OSError as error:
        raise RecordsError(f"The book was not restored ({error.strerror}); the former one is as it was.") from error
    except sqlite3.Error as error:
        why = sentence(error, source if is_damage(error) else path)
        raise RecordsError(f"The book was not restored; the former one is as it was. {why}") from error
    finally:
        _remove(fresh)
        os.close(lock)


def _open(path: Path) -> sqlite3.Connection:
    """For reading, however damaged it is."""
    try:
        return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
    except sqlite3.Error as error:
        raise RecordsError(sentence(error, path)) from error


def _tables(connection: sqlite3.Connection) -> list[str]:
    try:
        there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except sqlite3.Error:
        return []
    return [table for table in TABLES if table in there]


def _rows(connection: sqlite3.Connection, table: str) -> Iterator[list[tuple[Any, ...]] | None]:
    """A table's rows in pieces, by their numbers: from the front as far as it goes, then from the back.

    None stands for a place that cannot be read.
    """
    last, stopped = -(2**63), False
    while not stopped:
        query = f"SELECT rowid, * FROM {table} WHERE rowid > ? ORDER BY rowid LIMIT {_CHUNK}"
        rows, stopped = _some(connection, query, (last,))
        if rows:
            last = rows[-1][0]
            yield [row[1:] for row in rows]
        elif not stopped:
            return
    yield None
    first, stopped = 2**63 - 1, False
    while not stopped:
        query = f"SELECT rowid, * FROM {table} WHERE rowid > ? AND rowid < ? ORDER BY rowid DESC LIMIT {_CHUNK}"
        rows, stopped = _some(connection, query, (last, first))
        if rows:
            first = rows[-1][0]
            yield [row[1:] for row in rows]
        elif not stopped:
            return


def _some(connection: sqlite3.Connection, query: str, values: tuple[Any, ...]) -> tuple[list[tuple[Any, ...]], bool]:
    """Rows up to where the file is damaged, and whether it is."""
    rows: list[tuple[Any, ...]] = []
    try:
        for row in connection.execute(query, values):
            rows.append(row)
    except sqlite3.Error:
        return rows, True
    return rows, False


def _fill(fresh: Path, source: Path, wall: Callable[[], float], only_readable: bool) -> tuple[Readable, ...]:
    """Make `fresh` from `source`."""
    if not only_readable:
        book = Book(source)
        problems = book.verify()
        if problems:
            raise RecordsError(
                "\n".join([*problems, *in_words(readable(source))])
                + f"\n{source} was not restored: name a sound back-up, or take what can be read of this one with "
                "--readable."
            )
        book.backup(fresh)
        with closing(open_for_writing(fresh, wall)):
            return ()
    os.close(os.open(fresh, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(_open(source)) as damaged, closing(sqlite3.connect(fresh, isolation_level=None)) as target:
        migrate(target, fresh, wall)
        tables = _tables(damaged)
        if not tables:
            raise RecordsError(f"Nothing of {source} can be read: name a back-up.")
        read = tuple(_copy(damaged, target, table) for table in tables)
        _drop_orphans(target)
    return read


def _copy(damaged: sqlite3.Connection, target: sqlite3.Connection, table: str) -> Readable:
    """What can be read of one table, into the new file; a row that its rules refuse is left out."""
    columns = [row[1] for row in target.execute(f"PRAGMA table_info({table})")]
    there = [row[1] for row in damaged.execute(f"PRAGMA table_info({table})")]
    taken = [(name, at) for at, name in enumerate(there) if name in columns]
    names = ", ".join(name for name, _ in taken)
    insert = f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({', '.join('?' * len(taken))})"
    whole, rows = True, 0
    target.execute("BEGIN")
    for part in _rows(damaged, table):
        if part is None:
            whole = False
            continue
        for row in part:
            try:
                rows += target.execute(insert, [row[at] for _, at in taken]).rowcount
            except sqlite3.Error as error:
                if is_of_the_disk(error):
                    raise
                whole = False
    target.execute("COMMIT")
    return Readable(table, rows, whole)


def _drop_orphans(target: sqlite3.Connection) -> None:
    """A row whose run, piece or stock was lost stays, without its number where that may be empty."""
    while True:
        broken = target.execute("PRAGMA foreign_key_check").fetchall()
        if not broken:
            return
        target.execute("BEGIN")
        for table, row, parent, which in broken:
            keys = target.execute(f"PRAGMA foreign_key_list({table})").fetchall()
            column = next(key[3] for key in keys if key[0] == which and key[2] == parent)
            may_be_empty = not next(c[3] for c in target.execute(f"PRAGMA table_info({table})") if c[1] == column)
            if table in ("events", "requests"):
                # They are only ever added to; here a file is made anew, so the rule stands back for it.
                target.execute(f"DROP TRIGGER IF EXISTS {table}_no_update")
            change = f"UPDATE {table} SET {column} = NULL" if may_be_empty else f"DELETE FROM {table}"
            target.execute(f"{change} WHERE rowid = ?", (row,))
        target.execute("COMMIT")
        for table in ("events", "requests"):
            target.execute(
                f"CREATE TRIGGER IF NOT EXISTS {table}_no_update BEFORE UPDATE ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} are only added to'); END"
            )


def _state_of(path: Path) -> tuple[dict[str, Any], float] | None:
    """The core's stored state and its wall time, None where there is none or it cannot be read."""
    try:
        with closing(_open(path)) as connection:
            found = stored_state(connection)
        return None if found is None else (table_of(found[0]), found[1])
    except (sqlite3.Error, RecordsError):
        return None


def _former_state(path: Path) -> tuple[dict[str, Any], float] | None:
    """The former book's, or what was kept beside it since; what was kept counts where the book or its mark is lost."""
    book, taken = None, 0
    with suppress(sqlite3.Error, RecordsError, TypeError), closing(_open(path)) as connection:
        book, taken = which_book(connection)
    standing = Standing(path)
    kept = standing.begin(book, taken)
    found = _state_of(path) if kept is None or kept.state is None else (table_of(kept.state), kept.at)
    if standing.readable:
        return found
    state, at = found or ({}, 0.0)
    return {**state, "latched": [*_latched(state), None]}, at


def _latched(*states: dict[str, Any]) -> list[Any]:
    """The latches of all of them; None among them stands for what cannot be read, and the core takes it for a trip."""
    found: list[Any] = []
    for state in states:
        names = state.get("latched", [])
        found += [name for name in (names if isinstance(names, list) else [None]) if name not in found]
    return found


def _may_go_on(path: Path, run_id: int) -> bool:
    """Whether this book has the run as cut off, or not ended yet; False where that cannot be read."""
    try:
        with closing(_open(path)) as connection:
            query = "SELECT 1 FROM runs WHERE id = ? AND coalesce(outcome, 'cut off') = 'cut off'"
            return connection.execute(query, (run_id,)).fetchone() is not None
    except (sqlite3.Error, RecordsError):
        return False


def _carry_state(fresh: Path, former: Path, *, same: bool) -> None:
    """No trip is forgotten by a restore, and no run goes on from an older soak than it has had.

    How long a run has stood is counted from when the state that offers it was kept.
    """
    new, new_at = _state_of(fresh) or ({}, 0.0)
    found = _former_state(former)
    old, at = found or ({}, new_at)
    numbers = [state.get("next_run_id") for state in (new, old)]
    kept = old if found is not None else new if same else {}
    with closing(sqlite3.connect(fresh, isolation_level=None)) as connection:
        run = kept.get("run") if isinstance(kept.get("run"), dict) else None
        if run and not connection.execute("SELECT 1 FROM runs WHERE id = ?", (run_number(run),)).fetchone():
            run = None
        if run and not same and not _may_go_on(former, run_number(run)):
            run = None
        number = max((number for number in numbers if isinstance(number, int)), default=1)
        merged = {**new, **kept, "latched": _latched(new, old), "run": run, "next_run_id": number}
        connection.execute(
            "INSERT OR REPLACE INTO core_state (id, at, state) VALUES (1, ?, ?)", (at, text_of(merged))
        )
        # Another book from now on: what was kept beside the former one is in its state, and counts no more.
        connection.execute("UPDATE standing SET book = lower(hex(randomblob(16))), taken = 0")
        connection.execute("PRAGMA journal_mode=DELETE")


def _carry_revocations(fresh: Path, former: Path) -> None:
    """Nobody who was shut out is let in again by a restore, as far as the former book can be read."""
    with closing(_open(former)) as connection, closing(sqlite3.connect(fresh, isolation_level=None)) as target:
        if "devices" not in _tables(connection):
            return
        names = [column[1] for column in connection.execute("PRAGMA table_info(devices)")]
        for part in _rows(connection, "devices"):
            for row in part or ():
                with suppress(sqlite3.IntegrityError):  # rubbish that could be read
                    target.execute(
                        "UPDATE devices SET revoked_at = :revoked_at WHERE token_sha256 = :token_sha256"
                        " AND revoked_at IS NULL",
                        dict(zip(names, row, strict=True)),
                    )


def _put_in_place(path: Path, fresh: Path, wall_s: float) -> Path | None:
    """The new file under the book's name; the former one, with its log, under a name with the time."""
    kept = None
    flush(fresh)
    if path.exists():
        stamp = datetime.fromtimestamp(wall_s, UTC).strftime("%Y%m%d-%H%M%S")
        kept = path.with_name(f"{path.name}.before-{stamp}")
        if kept.exists():
            raise RecordsError(f"{kept} is there already: wait a second, then restore again.")
        _fold_in_log(path)
        try:
            os.link(path, kept)
        except OSError:
            shutil.copy2(path, kept)  # a card with a file system that knows no links
        # The log of the former file must not be taken for the new one's.
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size:
            log.rename(kept.with_name(kept.name + "-wal"))
    for end in ("-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    fresh.replace(path)
    try:
        flush(path.parent)
    except OSError as error:
        raise RecordsError(
            f"{path} is restored, but its disk gave an error ({error.strerror}): check the card, and that the book is "
            "there after the next start of the machine."
        ) from error
    return kept


def _fold_in_log(path: Path) -> None:
    """What stands only in the former book's log, into the book: a restore killed half-way leaves it whole.

    A book that is too damaged for that keeps its log beside it.
    """
    with suppress(sqlite3.Error), closing(sqlite3.connect(path, isolation_level=None)) as former:
        former.execute("PRAGMA synchronous=FULL")
        former.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _remove(path: Path) -> None:
    for end in ("", "-wal", "-shm", "-journal", ".part", ".part-journal"):
        path.with_name(path.name + end).unlink(missing_ok=True)
