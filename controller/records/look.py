"""A look at the book while it is written: whether its name still leads to the open file, and whether a start could
read it. What has it open goes on from the pages it has in memory, and would see neither.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from .schema import DamagedError, RecordsError, open_read_only
from .trouble import another, damaged, gone, is_damage

_READ_BY_A_START: Final = (
    "SELECT max(id) FROM runs",
    "SELECT max(id) FROM events",
    "SELECT CAST(state AS BLOB) FROM core_state",
)


def hold(path: Path) -> int:
    """A descriptor that only stands for the file.

    One that can read would, when it is closed, let go of the locks that SQLite has on the file (POSIX locks are the
    process's); and a number of device and inode may change or come again on some file systems once nobody has the file
    open.
    """
    return os.open(path, os.O_PATH | os.O_CLOEXEC)


def look_for(path: Path, held: int | None) -> None:
    """Whether the name still leads to the file that is `held`, if any is. Raises RecordsError where it does not."""
    try:
        there = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        raise RecordsError(gone(path)) from None
    if held is not None and not os.path.samestat(there, os.fstat(held)):
        raise RecordsError(another(path))


def look_into(path: Path, book: str, *, thorough: bool = False) -> None:
    """What the next start would read, as it would: through the file and its log, with no page remembered. `book`: its
    mark. `thorough`: every page of it.

    Raises DamagedError where that is damaged, or is no book; any other trouble is for the commit to meet.
    """
    try:
        with closing(open_read_only(path)) as connection:
            sound = connection.execute("SELECT 1 FROM standing WHERE book = ?", (book,)).fetchone() is not None
            for query in _READ_BY_A_START:
                connection.execute(query).fetchone()
            if thorough:
                sound &= connection.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
    except DamagedError:
        raise
    except RecordsError as error:
        # Of another program's making; what the disk or its file system said is its trouble.
        sound = error.__cause__ is not None
    except sqlite3.Error as error:
        sound = not (is_damage(error) or error.sqlite_errorcode == sqlite3.SQLITE_ERROR)  # a table is missing
    if not sound:
        raise DamagedError(damaged(path))
