"""What stands, in a small file beside the book: for a disk that takes no state of the core any more.

The file has two places of fixed size, laid down full of bytes while there is room, so that writing over them needs
none. They are written in turn: a write that a power cut tears leaves the other as it was.
"""

from __future__ import annotations

import json
import logging
import os
import struct
import threading
from pathlib import Path
from typing import Final, NamedTuple
from zlib import crc32

from .plain import text_of

SLOT: Final = 32_768  # a run of the most tempers with a long load takes a tenth of it
_HEAD: Final = struct.Struct("<II")  # length and CRC-32 of the JSON that follows
_log = logging.getLogger(__name__)


class Kept(NamedTuple):
    """A state of the core as JSON (None: nothing that still counts), when it was kept, and of which book.

    Of two the one with the higher `number` is the newer.
    """

    number: int
    book: str
    at: float
    state: str | None


class Standing:
    """The file of the book at `path`. Every method may be called from any thread, and none raises for the disk."""

    def __init__(self, path: Path) -> None:
        self.path = path.with_name(path.name + ".standing")
        self.number = 0
        self._slot = 0
        self._newest: Kept | None = None
        self._lock = threading.Lock()

    def begin(self, book: str | None, taken: int) -> Kept | None:
        """What the book of this mark has not taken over: its commits know what was kept up to number `taken`.

        `book` None: whose mark cannot be read. What another book left counts for nothing.
        """
        found = [(kept, slot) for slot in (0, 1) if (kept := self._read(slot)) is not None]
        self.number = taken
        if not found:
            return None
        newest, self._slot = max(found, key=lambda one: one[0].number)
        self.number = max(taken, newest.number)
        if newest.state is None or newest.number <= taken or book not in (None, newest.book):
            return None
        self._newest = newest
        return newest

    def whole(self) -> bool:
        """Whether the file is laid down."""
        try:
            return self.path.stat().st_size == 2 * SLOT
        except OSError:
            return False

    def lay_down(self) -> bool:
        """Make the file where it is not there; False where there is no room for it either."""
        if self.whole():
            return True
        try:
            number = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
            try:
                # Of no pattern, lest a file system that packs files takes less room for them now than they need later.
                _write(number, os.urandom(2 * SLOT), 0)
            finally:
                os.close(number)
            flush(self.path.parent)
        except OSError as error:
            _log.warning("%s cannot be laid down (%s).", self.path, error.strerror)
            self._remove()
            return False
        return True

    def write(self, book: str, state: str | None, at: float) -> bool:
        """Keep a state, flushed to the card; False when the disk did not take that either.

        One that has not the room is kept without the run that it offers.
        """
        with self._lock:
            newest = self._newest
            if newest is not None and (newest.book, newest.state) == (book, state):
                return True
            return self._put(Kept(self.number + 1, book, at, state))

    def void(self, number: int) -> int:
        """The book has taken over what was kept up to `number`; answers up to where nothing counts any more."""
        with self._lock:
            newest = self._newest
            if newest is not None and newest.number == number:
                self._put(Kept(number + 1, newest.book, newest.at, None))
                return self.number
            return number

    def _put(self, kept: Kept) -> bool:
        content = _content(kept)
        if len(content) > SLOT and kept.state is not None:
            content = _content(kept._replace(state=text_of({**json.loads(kept.state), "run": None})))
        if len(content) > SLOT or not self.whole():
            return False
        slot = 1 - self._slot
        try:
            number = os.open(self.path, os.O_WRONLY | os.O_CLOEXEC)
            try:
                _write(number, content, slot * SLOT)
            finally:
                os.close(number)
        except OSError as error:
            _log.warning("%s cannot be written (%s).", self.path, error.strerror)
            return False
        self._slot, self.number, self._newest = slot, kept.number, kept
        return True

    def _read(self, slot: int) -> Kept | None:
        """What a place holds; None where that is not whole."""
        try:
            with self.path.open("rb") as file:
                file.seek(slot * SLOT)
                content = file.read(SLOT)
            length, checksum = _HEAD.unpack_from(content)
            text = content[_HEAD.size : _HEAD.size + length]
            if len(text) != length or crc32(text) != checksum:
                return None
            number, book, at, state = json.loads(text)
            return Kept(int(number), str(book), float(at), None if state is None else str(state))
        except (OSError, struct.error, TypeError, ValueError):
            return None

    def _remove(self) -> None:
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            _log.warning("%s cannot be removed (%s).", self.path, error.strerror)


def _content(kept: Kept) -> bytes:
    text = json.dumps(kept, ensure_ascii=False).encode()
    return _HEAD.pack(len(text), crc32(text)) + text


def _write(number: int, content: bytes, at: int) -> None:
    while content:
        done = os.pwrite(number, content, at)
        content, at = content[done:], at + done
    os.fsync(number)


def flush(path: Path) -> None:
    """A file or directory, onto the card. Raises OSError."""
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
