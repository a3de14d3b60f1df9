"""What went wrong with the disk, as a sentence that says what to do."""

from __future__ import annotations

import os
import sqlite3
from errno import ENOENT, EROFS
from pathlib import Path
from typing import Final

from .plain import storable

LEAST_ROOM: Final = 65_536
"""Bytes without which a book cannot be opened for writing: its log's index alone takes half of it."""

_KEPT: Final = "What comes meanwhile is kept in memory, as long as it fits."
_NOT_KEPT: Final = (
    "Do not end the service before the book is written again: a trip that stands, and the end of a run, would be lost."
)
_NOT_WRITTEN: Final = "Nothing more is written to it; a run that is on goes on."
_STANDS_BESIDE: Final = "What stands is kept beside it."
_STANDS_NOWHERE: Final = "What stands could not be kept beside it: a trip that stands would be lost with the service."
_DAMAGED: Final = (
    "{path} is damaged: stop the service, leave the file where it is, for trips that stand are taken from it, and "
    "restore a back-up, or what of it can be read: `ovenhand records verify` says how. The file stays beside."
)
_READ_ONLY: Final = (
    "The disk that holds {path} is read-only: mount it for writing. A card does that by itself when it fails: then "
    "make a back-up onto another disk, and replace it."
)
_ON_READ_ONLY: Final = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN)
_SENTENCES: Final = {
    sqlite3.SQLITE_FULL: "The disk is full: free some space on the disk that holds {path}.",
    sqlite3.SQLITE_IOERR: "The disk gave an error while {path} was written: check the card and its mounting; "
    "make a back-up now.",
    sqlite3.SQLITE_READONLY: "{path} may not be written: check its permissions, and whether the card has "
    "switched itself to read-only.",
    sqlite3.SQLITE_CANTOPEN: "{path} cannot be opened: check that its disk is there.",
    sqlite3.SQLITE_PERM: "{path} may not be written: check its permissions.",
    sqlite3.SQLITE_BUSY: "Another program holds {path}: close it.",
    sqlite3.SQLITE_LOCKED: "Another program holds {path}: close it.",
    sqlite3.SQLITE_NOMEM: "There is no memory left to write {path}: close other programs.",
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
}


def _code(error: BaseException) -> int | None:
    code = getattr(error, "sqlite_errorcode", None)
    if code == sqlite3.SQLITE_IOERR_SHORT_READ:
        return sqlite3.SQLITE_CORRUPT  # a log that somebody cut off: the disk gave what there is
    return None if code is None else code & 0xFF


def is_of_the_disk(error: BaseException) -> bool:
    """Whether waiting and trying the same again may help, as against a fault in what was to be written."""
    return isinstance(error, sqlite3.Error) and _code(error) in _SENTENCES


def is_damage(error: BaseException | None) -> bool:
    """Whether it is of what was read, as against the disk that was to be written."""
    return error is not None and _code(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def has_no_room(error: BaseException | None, path: Path) -> bool:
    """Whether it is for want of room on the disk that holds `path`. SQLite itself says so of the book and its log only,
    and of the log's index that it could not be opened or written. A disk that can hold no more files has no room for
    log and index either."""
    code = None if error is None else _code(error)
    if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN):
        try:
            disk = os.statvfs(path.parent)
        except OSError:
            return False
        no_file_left = disk.f_files != 0 and disk.f_favail == 0  # some file systems do not count them: 0 of 0
        return no_file_left or disk.f_bavail * disk.f_frsize < LEAST_ROOM
    return code == sqlite3.SQLITE_FULL


def is_read_only(directory: Path) -> bool:
    """Whether the disk that holds it takes nothing at all, by its mounting or because it has switched itself so.

    The flags of the mounting do not tell of the second, so it is asked for a file without a name. That costs the card a
    write, so ask only where something has failed, or once.
    """
    try:
        os.close(os.open(directory, os.O_TMPFILE | os.O_RDWR | os.O_CLOEXEC, 0o600))
    except OSError as error:
        return error.errno == EROFS
    return False


def takes_nothing(error: BaseException | None, path: Path) -> str | None:
    """A sentence where the disk that holds `path` is full or read-only, and this error comes of it."""
    if error is None:
        return None
    # Asked first: room made on a read-only disk would help nobody.
    if comes_of_read_only(error, path):
        return read_only(path)
    return full(path) if has_no_room(error, path) else None


def comes_of_read_only(error: BaseException, path: Path) -> bool:
    """Whether this error is one of those that the disk which holds `path` gives for being read-only, and it is so."""
    of_it = _code(error) in _ON_READ_ONLY or getattr(error, "errno", None) in (EROFS, ENOENT)
    return of_it and is_read_only(path.parent)


def read_only(path: Path) -> str:
    """One for the smith whose disk is read-only."""
    return _READ_ONLY.format(path=path)


def full(path: Path) -> str:
    """One for the smith whose disk is full."""
    return _SENTENCES[sqlite3.SQLITE_FULL].format(path=path)


def not_copied(error: BaseException, target: Path) -> str:
    """One for the smith whose copy did not come to be; which of two disks gave an error is not known."""
    if isinstance(error, OSError):
        return f"The back-up was not written to {target} ({error.strerror}): look at that disk, or name another place."
    if _code(error) in (None, sqlite3.SQLITE_IOERR):
        return f"The back-up was not written to {target} ({error})."
    return sentence(error, target)


def sentence(error: BaseException, path: Path) -> str:
    """One for the smith."""
    if (said := takes_nothing(error, path)) is not None:
        return said
    template = _SENTENCES.get(_code(error) or -1, "{path} could not be used ({error}).")
    return template.format(path=path, error=error)


def meanwhile(said: str, *, kept: bool) -> str:
    """That sentence, and what it means for a service that goes on. `kept`: what stands is kept beside the book.

    A path need not be UTF-8, and the book is told it.
    """
    return storable(f"{said} {_KEPT}" if kept else f"{said} {_KEPT} {_NOT_KEPT}")


def meanwhile_damaged(said: str, *, kept: bool) -> str:
    """That sentence of a damaged book, and what it means for a service that goes on."""
    return storable(f"{said} {_NOT_WRITTEN} {_STANDS_BESIDE if kept else _STANDS_NOWHERE}")


def damaged(path: Path) -> str:
    """One for the smith whose book is damaged."""
    return _DAMAGED.format(path=path)


def another(path: Path) -> str:
    """One for the smith whose book has another file in its place."""
    return (
        f"{path} is another file than the one that is written: put that back in its place, or stop the service and "
        "restore a back-up."
    )


def gone(path: Path) -> str:
    """One for the smith whose book was moved or deleted under the service."""
    return f"{path} is gone: put it back where it was, or stop the service and restore a back-up."


def hangs(path: Path) -> str:
    """One for the smith whose disk neither takes anything nor gives an error."""
    return f"The disk that holds {path} does not answer: check the card and its mounting."
