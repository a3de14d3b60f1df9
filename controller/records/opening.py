"""Opening the book: what the last process left is ended and taken over, and what a new one is to be given is read."""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Final, NamedTuple

from . import rows
from .plain import table_of, text_of
from .schema import (
    RecordsError,
    hold_for_writing,
    open_for_writing,
    open_unwritable,
    prepare_file,
)
from .standing import Standing
from .trouble import is_read_only, read_only, sentence, takes_nothing

NOT_KNOWN: Final = '{"latched":null}'
"""A stored state of which no latches are known: a core takes it as a trip."""
_log = logging.getLogger(__name__)


class Found(NamedTuple):
    """What the book says at the start; `state_at`: the wall time of the core's state, 0 where that is not known."""

    next_run_id: int
    next_event_id: int
    state: str | None
    state_at: float


class Opened(NamedTuple):
    """A book that this process holds, by `lock_file`, until it closes that.

    `connection` None: the disk takes nothing, as `refusal` says, and it was only read. `cut_off`: runs that a crash
    left open. `book` is its mark, `standing` the file beside it. `stands_known`: whether the state that was found tells
    what stood.
    """

    lock_file: int
    connection: sqlite3.Connection | None
    found: Found
    cut_off: tuple[int, ...]
    standing: Standing
    book: str
    stands_known: bool
    refusal: str = ""


def open_book(path: Path, wall: Callable[[], float]) -> Opened:
    """End what a crash left open, and read what a new core is to be given.

    Where the disk is full or read-only the book is only read, and what is open in it stays open until it can be
    written (`settle`). Raises RecordsError.
    """
    new = True
    with suppress(OSError):
        new = path.stat().st_size == 0
    try:
        prepare_file(path)
    except RecordsError as error:
        if takes_nothing(error.__cause__, path) is None:
            raise
    lock_file = hold_for_writing(path)
    try:
        if is_read_only(path.parent):
            # Asked beforehand: SQLite opens such a book for writing, and fails at the first row.
            return _open_unwritable(path, wall, lock_file, RecordsError(read_only(path)))
        try:
            return _open_with_room(path, wall, lock_file, new)
        except RecordsError as error:
            if takes_nothing(error.__cause__, path) is None:
                raise
            return _open_unwritable(path, wall, lock_file, error)
    except BaseException:
        os.close(lock_file)
        raise


def settle(connection: sqlite3.Connection, state: str | None) -> tuple[int, ...]:
    """End the runs that a crash left open; answers their numbers. `state`: the newest of the core that was kept."""
    ended = rows.close_open_runs(connection, state)
    rows.withdraw_ended_run(connection)
    return ended


def _open_with_room(path: Path, wall: Callable[[], float], lock_file: int, new: bool) -> Opened:
    connection = open_for_writing(path, wall)
    standing = Standing(path)
    beside = Standing(path).begin(None, 0)
    try:
        book = _take_over(connection, standing)
        cut_off = settle(connection, _find(connection).state)
        found = _find(connection)
        laid_down = standing.lay_down()
        # No room for the file may have been no room for what came last, with a book that takes a little again. In a
        # new book nothing stood, unless it takes the place of one whose last state is still beside it.
        of_another = found.state is None and beside is not None
        stands_known = standing.readable and not of_another and (laid_down or new)
        if not stands_known and found.state is None:
            # A core that only knows that nothing is known tells nothing, and so is not stored: the next start is to
            # know as little, should this one end before anything happens.
            _store(connection, NOT_KNOWN, wall())
    except sqlite3.Error as error:
        connection.close()
        raise RecordsError(sentence(error, path)) from error
    return Opened(lock_file, connection, found, cut_off, standing, book, stands_known)


def _take_over(connection: sqlite3.Connection, standing: Standing) -> str:
    """What the last process could only keep beside the book, into the book; answers its mark."""
    book, taken = rows.which_book(connection)
    kept = standing.begin(book, taken)
    if kept is None or kept.state is None:
        return book
    _store(connection, kept.state, kept.at, taken=kept.number)
    standing.void(kept.number)
    _log.warning("The book had not taken what came last; trips and the run come from %s.", standing.path)
    return book


def _store(connection: sqlite3.Connection, state: str, at: float, taken: int | None = None) -> None:
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("BEGIN IMMEDIATE")
    rows.store_state(connection, state, at)
    if taken is not None:
        rows.take_over(connection, taken)
    connection.execute("COMMIT")


def _open_unwritable(path: Path, wall: Callable[[], float], lock_file: int, why: RecordsError) -> Opened:
    standing = Standing(path)
    try:
        with closing(open_unwritable(path)) as connection:
            found = _find(connection)
            cut_off = tuple(number for (number,) in connection.execute("SELECT id FROM runs WHERE ended_at IS NULL"))
            book, taken = rows.which_book(connection)
            kept = standing.begin(book, taken)
            if kept is not None:
                found = found._replace(state=kept.state, state_at=kept.at)
            if not rows.may_go_on(connection, found.state):
                found = found._replace(state=text_of({**table_of(found.state), "run": None}))
    except (sqlite3.Error, RecordsError):
        raise why from None
    # Where the file takes nothing now, it took nothing at the end of the process before.
    stands_known = standing.write(book, found.state, found.state_at or wall()) and standing.readable
    return Opened(lock_file, None, found, cut_off, standing, book, stands_known, str(why))


def _find(connection: sqlite3.Connection) -> Found:
    (run_id,) = connection.execute("SELECT coalesce(max(id), 0) FROM runs").fetchone()
    (event_id,) = connection.execute("SELECT coalesce(max(id), 0) FROM events").fetchone()
    state, at = rows.stored_state(connection) or (None, 0.0)
    return Found(int(run_id) + 1, int(event_id) + 1, state, max(at, 0.0))
