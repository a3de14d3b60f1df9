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
from errno import EINVAL
from pathlib import Path
from typing import Final, NamedTuple
from zlib import crc32

from .plain import table_of, text_of

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
    """The file of the book at `path`. Every method may be called from any thread, and none raises for the disk.

    `untaken` is the number of the newest state that is in the file, or may be after a write that failed, and that the
    book has not taken over; 0 for none. `readable`: whether what was there could be read, or is made anew.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.with_name(path.name + ".standing")
        self.untaken = 0
        self.readable = True
        self._number = 0
        self._slot = 0
        self._newest: Kept | None = None
        self._refused = False
        self._lock = threading.Lock()

    def begin(self, book: str | None, taken: int) -> Kept | None:
        """What the book of this mark has not taken over: its commits know what was kept up to number `taken`.

        `book` None: whose mark cannot be read. What another book left counts for nothing.
        """
        found = [(kept, slot) for slot in (0, 1) if (kept := self._read(slot)) is not None]
        newest, self._slot = max(found, key=lambda one: one[0].number, default=(None, self._slot))
        self._number = taken if newest is None else max(taken, newest.number)
        left = None
        if newest is not None and newest.state is not None and newest.number > taken and book in (None, newest.book):
            left, self.untaken = newest, newest.number
        if not self.readable:
            # Counts no more once the book has a state that was made knowing of it.
            self._number = self.untaken = self._number + 1
        # Not what is known to be in the file: the first write asks the disk, whatever was left there.
        return left

    def whole(self) -> bool:
        """Whether the file is laid down."""
        try:
            return self.path.stat().st_size == 2 * SLOT
        except OSError:
            return False

    def lay_down(self) -> bool:
        """Make the file where it is not there; False where there is no room for it either."""
        with self._lock:
            return self.whole() or self._lay_down()

    def write(self, book: str, state: str | None, at: float) -> bool:
        """Keep a state, flushed to the card; False when the disk did not take that either.

        One that has not the room is kept without the run that it offers.
        """
        with self._lock:
            newest = self._newest
            if newest is not None and (newest.book, newest.state) == (book, state) and self.whole():
                return True
            return self._put(Kept(self._number + 1, book, at, state))

    def void(self, number: int) -> None:
        """The book has taken over what was kept up to `number`."""
        with self._lock:
            if self.untaken == number:
                self.untaken = 0
                if self.readable:
                    self._put(Kept(self._number + 1, "", 0.0, None))
                else:
                    self._remove()
                    self.readable = self._lay_down()

    def _lay_down(self) -> bool:
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

    def _put(self, kept: Kept) -> bool:
        self._newest = None
        content = _content(kept)
        if len(content) > SLOT and kept.state is not None:
            content = _content(kept._replace(state=text_of({**table_of(kept.state), "run": None})))
        if len(content) > SLOT or not self.whole():
            return False
        slot = 1 - self._slot
        # Counted before it is written: one that the disk says it did not take may be there all the same.
        self._number = kept.number
        if kept.state is not None:
            self.untaken = kept.number
        try:
            number = os.open(self.path, os.O_WRONLY | os.O_CLOEXEC)
            try:
                _write(number, content, slot * SLOT)
            finally:
                os.close(number)
        except OSError as error:
            if not self._refused:
                _log.warning("%s cannot be written (%s).", self.path, error.strerror)
            self._refused = True
            return False
        self._slot, self._newest, self._refused = slot, kept, False
        return True

    def _read(self, slot: int) -> Kept | None:
        """What a place holds; None where that is not whole."""
        try:
            with self.path.open("rb") as file:
                file.seek(slot * SLOT)
                content = file.read(SLOT)
        except FileNotFoundError:
            return None
        except OSError as error:
            _log.error("%s cannot be read (%s).", self.path, error.strerror)
            self.readable = False
            return None
        try:
            length, checksum = _HEAD.unpack_from(content)
            text = content[_HEAD.size : _HEAD.size + length]
            if len(text) != length or crc32(text) != checksum:
                return None
            number, book, at, state = json.loads(text)
            return Kept(int(number), str(book), float(at), None if state is None else str(state))
        except (struct.error, TypeError, ValueError):
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
    except OSError as error:
        # A file system that flushes directories by itself says that this cannot be asked of it.
        if error.errno != EINVAL or not path.is_dir():
            raise
    finally:
        os.close(number)
