"""The record's one writer: a thread that owns the write connection and commits what others leave in the lanes.

Nothing that goes wrong here reaches those who left it: the thread tries again until the disk takes it, and the book
says itself what it did not get (table `gaps`).
"""

from __future__ import annotations

import logging
import os
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

from . import rows
from .batch import Batch, Done, Gap, Item, awaited, commit
from .lanes import Lanes
from .look import hold, look_for, look_into
from .opening import Opened, settle
from .plain import table_of
from .schema import DamagedError, RecordsError, open_for_writing, open_read_only, open_unwritable
from .trouble import (
    damaged,
    gone,
    hangs,
    is_damage,
    is_read_only,
    meanwhile,
    meanwhile_damaged,
    read_only,
    sentence,
)

T = TypeVar("T")
_TOO_SLOW: Final = "The disk took less than what came."
_log = logging.getLogger(__name__)

HANGS_S: Final = 30.0  # a commit takes a tenth of a second, on a bad card now and then a few
AGAIN_S: Final = 0.1
LOOK_EVERY_S: Final = 30.0  # where nothing is written meanwhile; it takes a millisecond


class Writer:
    """Writes what comes into `lanes` to the book of `path` that was `opened`, from now until `close`.

    A book that the disk did not let open is opened first of all, as soon as it does. `samples_every_s`: how often it
    looks for what does not ask for it; `retry_s`: how long it leaves a disk alone that takes nothing.
    """

    def __init__(
        self,
        path: Path,
        opened: Opened,
        lanes: Lanes,
        *,
        wall: Callable[[], float],
        samples_every_s: float,
        retry_s: float,
    ) -> None:
        self._path, self._lanes, self._wall = path, lanes, wall
        self._samples_every_s, self._retry_s = samples_every_s, retry_s
        self._lock_file, self._connection = opened.lock_file, opened.connection
        self._standing, self._book = opened.standing, opened.book
        self._state_at = opened.found.state_at
        self._held: int | None = None
        self._witness: sqlite3.Connection | None = None
        self._met: RecordsError | None = None
        self._damaged = False
        self._looked_s = time.monotonic()
        self._alone = threading.Lock()
        self._trouble: str | None = None
        self._trouble_since = 0.0
        self._committing_since_s: float | None = None
        if self._connection is None:
            self._begin_trouble(meanwhile(opened.refusal, kept=opened.stands_known))
            lanes.leave(Item(partial(settle, state=opened.found.state), durable=True))
        else:
            self._hold()
        self._thread = threading.Thread(target=self._work, name="records", daemon=True)
        self._thread.start()

    @property
    def trouble(self) -> str | None:
        """A sentence for the smith while the disk takes nothing, or has not answered for half a minute."""
        # By the clock of the machine, as the thread itself waits: a disk hangs for real, whatever shop is simulated.
        since_s = self._committing_since_s
        if self._trouble is None and since_s is not None and time.monotonic() - since_s >= HANGS_S:
            return meanwhile(hangs(self._path), kept=False)
        return self._trouble

    def read(self, do: Callable[[sqlite3.Connection], T]) -> T:
        """What `do` gives of what is committed, on a connection that only reads. Raises RecordsError."""
        try:
            if self._connection is None:
                # On a full disk a reader may need the book for itself, so one after the other.
                with self._alone:
                    opened = open_unwritable if self._connection is None else open_read_only
                    with closing(opened(self._path)) as connection:
                        return do(connection)
            with closing(open_read_only(self._path)) as connection:
                return do(connection)
        except sqlite3.Error as error:
            told = RecordsError(sentence(error, self._path))
            self.met(told, error)
            raise told from error
        except RecordsError as error:
            self.met(error)
            raise

    def met(self, told: RecordsError, cause: BaseException | None = None) -> None:
        """Somebody who reads the book met this; the thread sees to it where the book is damaged."""
        if is_damage(cause or told.__cause__):
            self._met = told

    def close(self, timeout_s: float) -> bool:
        """Write what is left and close; False when the disk did not take it all in that time."""
        self._lanes.close()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            beside = threading.Thread(target=self._keep_beside, name="standing", daemon=True)
            beside.start()
            beside.join(timeout_s)
        return not self._thread.is_alive() and self.trouble is None

    def _work(self) -> None:
        while True:
            in_trouble = self._trouble is not None
            # Asked before anything is taken: what is left between the two comes with the next round.
            closed = self._lanes.wait(self._retry_s if in_trouble else self._samples_every_s, patient=in_trouble)
            batch = self._lanes.take()
            lost, _ = self._lanes.lost()
            anything = any(batch) or bool(lost)
            if anything or closed or self._look_is_due():
                written = self._write(batch)
                if closed and not (written and anything):
                    break
        self._finish()

    def _finish(self) -> None:
        """Nothing more comes: count what the disk never took, let go of the file."""
        for item in self._lanes.give_up():
            if item.future is not None and awaited(item.future):
                item.future.set_exception(RecordsError("The record was closed before this was written."))
        # The last to close folds the log into the book, page by page as it finds them. Of a damaged one the last is
        # one that cannot write, for the log may be all that is damaged.
        connections = [self._connection, self._witness] if self._damaged else [self._witness, self._connection]
        try:
            for connection in connections:
                if connection is not None:
                    connection.close()
        except sqlite3.Error as error:
            _log.warning("%s", sentence(error, self._path))
        if self._held is not None:
            os.close(self._held)
        os.close(self._lock_file)

    def _look_is_due(self) -> bool:
        unseen = self._met is not None and not self._damaged
        return unseen or time.monotonic() - self._looked_s >= LOOK_EVERY_S

    def _write(self, batch: Batch) -> bool:
        """Commit a batch and answer those who wait; False, and none of it in the file, when that failed."""
        gap = self._gap()
        self._committing_since_s = time.monotonic()
        try:
            if batch.state is not None and _latched(batch.state) != _latched(self._lanes.stored_state or "{}"):
                batch = batch._replace(durable=True)
            if batch.state is not None and self._standing.untaken:
                batch = batch._replace(durable=True, taken=self._standing.untaken)
            done = commit(self._open(), batch, gap, self._wall())
        except Exception as error:
            # Whatever it was, this thread must live: the shop goes on, and the next try may succeed.
            self._failed(error, batch)
            return False
        else:
            self._committed(batch, done, gap)
            return True
        finally:
            self._committing_since_s = None

    def _open(self) -> sqlite3.Connection:
        """The connection to a book that a start would find and could read. What has it open would write on into a file
        that is gone, or is damaged beneath it."""
        self._looked_s = time.monotonic()
        if self._connection is None:
            if not self._path.exists():
                raise RecordsError(gone(self._path))
            if is_read_only(self._path.parent):
                raise RecordsError(read_only(self._path))  # what is opened now would stay read-only
            with self._alone:
                self._connection = open_for_writing(self._path, self._wall)
            self._book, _ = rows.which_book(self._connection)  # somebody may have put another in its place
            self._met = None  # or that was met in the one before
            self._hold()
        elif self._damaged:
            raise DamagedError(damaged(self._path))
        else:
            self._look()
        return self._connection

    def _look(self) -> None:
        """Twice before a book is called damaged: that stays until the next start, and in a single look another file may
        have been in its place for a moment."""
        met, self._met = self._met, None
        for last in (False, True):
            look_for(self._path, self._held)
            try:
                look_into(self._path, self._book, thorough=met is not None)
            except DamagedError:
                if last:
                    look_for(self._path, self._held)
                    raise
                time.sleep(AGAIN_S)
            else:
                return

    def _hold(self) -> None:
        """What is needed later of a file that is sound now."""
        try:
            self._held = hold(self._path)
            self._witness = open_read_only(self._path)
        except (OSError, RecordsError) as error:
            # Without them it is written all the same; the next look says what is wrong.
            _log.warning("%s cannot be held: %s", self._path, error)

    def _gap(self) -> Gap | None:
        """What the book is to say of what it did not get since the last commit, None for nothing."""
        lost, since = self._lanes.lost()
        if self._trouble is None:
            return Gap(since, self._wall(), lost, _TOO_SLOW) if lost else None
        from_at = min(since, self._trouble_since) if lost else self._trouble_since
        return Gap(from_at, self._wall(), lost, self._trouble)

    def _committed(self, batch: Batch, done: Done, gap: Gap | None) -> None:
        self._lanes.forget(batch, spoilt=done.spoilt, gap=gap)
        if batch.state is not None:
            self._state_at = self._wall()
        if batch.taken is not None:
            self._standing.void(batch.taken)
        if self._trouble is not None:
            self._standing.lay_down()
            _log.warning("The record is being written again.")
            self._trouble = None
        for future, value, fault in done.answers:
            if fault is None:
                future.set_result(value)
            else:
                future.set_exception(fault)

    def _failed(self, error: Exception, batch: Batch) -> None:
        """Undo the batch, say so once, and answer those who wait; the rest stays in its lanes."""
        cause = error.__cause__ or error  # opening the book has put the disk's answer into words of its own
        hurt = isinstance(error, DamagedError) or is_damage(cause)
        # Before it is open another book may come in its place.
        self._damaged = self._damaged or (hurt and self._connection is not None)
        said = str(error) if isinstance(cause, RecordsError) else sentence(cause, self._path)
        if hurt:
            text = meanwhile_damaged(said, kept=self._keep_beside(all_of_it=True))
        else:
            text = meanwhile(said, kept=self._keep_beside(all_of_it=isinstance(cause, RecordsError)))
        if self._trouble is None:
            self._begin_trouble(text)
        else:
            self._trouble = text
        try:
            if self._connection is not None and self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
        except sqlite3.Error as failure:
            _log.warning("%s", sentence(failure, self._path))
        self._lanes.withdraw_jobs(batch)
        for item in batch.items:
            if item.future is not None and awaited(item.future):
                item.future.set_exception(RecordsError(text))

    def _begin_trouble(self, text: str) -> None:
        self._trouble, self._trouble_since = text, self._wall()
        _log.error("%s", text)

    def _keep_beside(self, *, all_of_it: bool = False) -> bool:
        """Keep the state that the book has not taken in the file beside it; False when that cannot be done either.

        `all_of_it`: the one that it has taken too, for nobody may be able to read it there.
        """
        state = self._lanes.waiting_state
        if state is None and all_of_it and (stored := self._lanes.stored_state) is not None:
            return self._standing.write(self._book, stored, self._state_at)
        return self._standing.whole() if state is None else self._standing.write(self._book, state, self._wall())


def _latched(state: str) -> Any:
    """The latches of a stored state; None where there are none in it."""
    return table_of(state).get("latched")
