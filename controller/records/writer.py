"""The record's one writer: a thread that owns the write connection and takes what others leave for it.

Nobody who leaves something waits, and nothing that goes wrong here reaches them. What is left stays in
bounded lanes in memory until the disk has it, so a disk that fills up and is cleared again has cost nothing
but the time; what no longer fits its lane is counted, and the book says so itself (table `gaps`).
"""

from __future__ import annotations

import json
import logging
import os
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeoutError
from contextlib import closing, contextmanager, suppress
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, Final, TypeVar

from ..model import Answer, Event, Request
from . import rows
from .batch import Batch, Gap, Item, Writing, awaited, commit, in_order
from .plain import storable, text_of
from .schema import (
    RecordsError,
    hold_for_writing,
    open_for_writing,
    open_read_only,
    open_without_room,
    prepare_file,
)
from .standing import Standing
from .trouble import full, has_no_room, sentence

T = TypeVar("T")
_OF_A_TRIP: Final = ("interlock_tripped", "trip_reset")
_KEPT: Final = "What comes meanwhile is kept in memory, as long as it fits."
_NOT_KEPT: Final = (
    "Do not end the service before the book is written again: a trip that stands, and the end of a run, would be lost."
)
_TOO_SLOW: Final = "The disk took less than what came."
_log = logging.getLogger(__name__)

SAMPLES_EVERY_S: Final = 3.0
RETRY_S: Final = 5.0
HANGS_S: Final = 30.0  # a commit takes a tenth of a second, on a bad card now and then a few
MOST_DIARY: Final = 20_000  # events, requests, run boundaries, jobs: days of ordinary events
MOST_SAMPLES: Final = 7_200  # two hours
MOST_TAPE: Final = 240  # two hours of half-minute blocks, about 5 MB
_BATCH: Final = 2_000
_TAPE_BATCH: Final = 24  # a lead-in and what came meanwhile


class Records:
    """The record book, open for writing by this process alone.

    `path` is the file. `wall` and `mono` are the two clocks, asked when something is left without a time of
    its own. Opening applies migrations and ends runs that a crash left open as "cut off" (`cut_off` lists
    them), later where the disk is full. Raises RecordsError with a sentence for the smith where the file cannot be
    used. Every method may
    be called from any thread; none but `flush` and `close` waits, and none raises for trouble of the disk.
    `dropped` counts what was lost. `stands_known`: whether `state` tells what stood; False where the disk was full at
    the end and what came last could not be kept beside the book either (see `Standing`).
    """

    def __init__(
        self,
        path: Path | str,
        *,
        wall: Callable[[], float],
        mono: Callable[[], float],
        samples_every_s: float = SAMPLES_EVERY_S,
        retry_s: float = RETRY_S,
        most_diary: int = MOST_DIARY,
        most_samples: int = MOST_SAMPLES,
    ) -> None:
        self.path = Path(path)
        self._wall, self._mono = wall, mono
        self._samples_every_s, self._retry_s = samples_every_s, retry_s
        self._most_diary, self._most_samples = most_diary, most_samples
        self._ready = threading.Condition()
        self._alone = threading.Lock()
        self._diary: deque[Item] = deque()
        self._samples: deque[Sequence[Any]] = deque()
        self._tape: deque[tuple[int, bytes]] = deque()
        self._state_text: str | None = None
        self._stored_state: str | None = None
        self._standing = Standing(self.path)
        self._book, self._taken = "", 0
        self.stands_known = True
        self.state_age_s: float | None = None
        self._weighty: tuple[Any, ...] = ()
        self._wanted = self._closing = False
        self.dropped = 0
        self._trouble: str | None = None
        self._trouble_since = 0.0
        self._lost = 0  # for want of room, and in no gap of the book yet
        self._lost_since = 0.0
        self._committing_since_s: float | None = None
        self._connection: sqlite3.Connection | None = None
        new = True
        with suppress(OSError):
            new = self.path.stat().st_size == 0
        try:
            prepare_file(self.path)
        except RecordsError as error:
            if not has_no_room(error.__cause__, self.path):
                raise
        self._lock_file = hold_for_writing(self.path)
        try:
            self._open(new)
        except BaseException:
            os.close(self._lock_file)
            raise
        self._thread = threading.Thread(target=self._work, name="records", daemon=True)
        self._thread.start()

    def _open(self, new: bool) -> None:
        """End what a crash left open, and read what a new core is to be given.

        Where the disk is full the book is only read, and the writer opens it, first of all, once there is room.
        """
        try:
            connection = open_for_writing(self.path, self._wall)
            try:
                self._take_over(connection)
                self.cut_off = _settle(connection)
                self._read_book(connection)
                # No room for the file may have been no room for what came last, with a book that takes a little again.
                self.stands_known = self._standing.lay_down() or new
            except sqlite3.Error as error:
                connection.close()
                raise RecordsError(sentence(error, self.path)) from error
            self._connection = connection
        except RecordsError as error:
            if not has_no_room(error.__cause__, self.path):
                raise
            self._open_later(error)

    def _take_over(self, connection: sqlite3.Connection) -> None:
        """What the last process could only keep beside the book, into the book."""
        self._book, self._taken = rows.which_book(connection)
        kept = self._standing.begin(self._book, self._taken)
        if kept is None or kept.state is None:
            return
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("BEGIN IMMEDIATE")
        rows.store_state(connection, kept.state, kept.at)
        rows.take_over(connection, kept.number)
        connection.execute("COMMIT")
        self._taken = self._standing.void(kept.number)
        _log.warning("The book had not taken what came last; trips and the run come from %s.", self._standing.path)

    def _open_later(self, why: RecordsError) -> None:
        try:
            with closing(open_without_room(self.path)) as connection:
                self._read_book(connection)
                self.cut_off = tuple(
                    number for (number,) in connection.execute("SELECT id FROM runs WHERE ended_at IS NULL")
                )
                self._book, self._taken = rows.which_book(connection)
                kept = self._standing.begin(self._book, self._taken)
                if kept is not None:
                    self._stored_state, self.state_age_s = kept.state, self._wall() - kept.at
                if not rows.may_go_on(connection, self._stored_state):
                    self._stored_state = text_of({**json.loads(self._stored_state or "{}"), "run": None})
        except (sqlite3.Error, RecordsError, ValueError, TypeError):
            raise why from None
        # Where the file takes nothing now, it took nothing at the end of the process before.
        at = self._wall() - (self.state_age_s or 0.0)
        self.stands_known = self._standing.write(self._book, self._stored_state, at)
        self._state_text = self._stored_state
        self._trouble, self._trouble_since = self._in_trouble(full(self.path), self.stands_known), self._wall()
        _log.error("%s", self._trouble)
        self._diary.append(Item(_settle, durable=True))

    def _read_book(self, connection: sqlite3.Connection) -> None:
        (newest,) = connection.execute("SELECT coalesce(max(id), 0) FROM runs").fetchone()
        self.next_run_id = int(newest) + 1
        (newest,) = connection.execute("SELECT coalesce(max(id), 0) FROM events").fetchone()
        self._next_event_id = int(newest) + 1
        row = connection.execute("SELECT state, at FROM core_state").fetchone()
        self._stored_state = row[0] if row else None
        self.state_age_s = self._wall() - row[1] if row and row[1] > 0.0 else None

    def read(self, do: Callable[[sqlite3.Connection], T]) -> T:
        """What `do` gives of what is committed, on a connection that only reads. Raises RecordsError."""
        try:
            if self._connection is None:
                # Without room a reader may need the book for itself, so one after the other.
                with self._alone:
                    opened = open_without_room if self._connection is None else open_read_only
                    with closing(opened(self.path)) as connection:
                        return do(connection)
            with closing(open_read_only(self.path)) as connection:
                return do(connection)
        except sqlite3.Error as error:
            raise RecordsError(sentence(error, self.path)) from error

    def state(self) -> Mapping[str, Any] | None:
        """The core's newest stored state, None before the first."""
        if self._stored_state is None:
            return None
        state = json.loads(self._stored_state)
        return state if isinstance(state, dict) else {"latched": None}

    def mono_s(self) -> float:
        """The monotonic clock by which rows are stamped."""
        return self._mono()

    @property
    def trouble(self) -> str | None:
        """A sentence for the smith while the disk takes nothing, or has not answered for half a minute."""
        # By the clock of the machine, as the thread itself waits: a disk hangs for real, whatever shop is simulated.
        since_s = self._committing_since_s
        if self._trouble is None and since_s is not None and time.monotonic() - since_s >= HANGS_S:
            return self._in_trouble(
                f"The disk that holds {self.path} does not answer: check the card and its mounting.", False
            )
        return self._trouble

    # --- what others leave ---------------------------------------------------------------------------

    @contextmanager
    def together(self) -> Iterator[None]:
        """What this thread leaves meanwhile comes into one commit, with the newest state: all of it, or nothing.

        The writer waits as long; so this is for leaving things, not for working them out.
        """
        with self._ready:
            yield

    def put_events(
        self,
        events: Iterable[Event],
        *,
        run_id: int | None = None,
        at: float | None = None,
        beside: Callable[[Event, int], Writing | None] | None = None,
    ) -> tuple[int, ...]:
        """Record what happened, at once. Answers the numbers the events have in the book.

        `run_id`: the run that is on, unless an event's data name another. `at`: wall time, default now.
        `beside`: given an event and its number, what is to be written in one piece with it, if anything.
        A trip, its reset, and what is written beside an event (an alert that may wait for the morning) stay on the
        card through a power cut once they are there.
        """
        at = self._wall() if at is None else at
        numbers = []
        with self._ready:
            for event in events:
                number = self._next_event_id
                self._next_event_id += 1
                numbers.append(number)
                insert: Writing = partial(rows.insert_event, number=number, event=event, run_id=run_id, at=at)
                more = None if beside is None else beside(event, number)
                do = insert if more is None else partial(in_order, first=insert, second=more)
                self._leave(Item(do, durable=event.kind in _OF_A_TRIP or more is not None))
        return tuple(numbers)

    def put_request(self, request: Request, answer: Answer, *, at: float | None = None) -> None:
        """Record who wanted what, and how it was answered, at once."""
        at = self._wall() if at is None else at
        self.put(partial(rows.insert_request, request=request, answer=answer, at=at, mono_s=self._mono()))

    def put_samples(self, samples: Iterable[Sequence[Any]]) -> None:
        """Leave rows of `rows.SAMPLE_COLUMNS`; committed together every few seconds, to spare the card."""
        with self._ready:
            for sample in samples:
                if len(self._samples) < self._most_samples and not self._closing:
                    self._samples.append(sample)
                else:
                    self._drop()

    def put_tape(self, run_id: int, entries: bytes) -> None:
        """Leave framed entries (`tape.frame`) as the run's next block; compressed by the writer."""
        with self._ready:
            if len(self._tape) < MOST_TAPE and not self._closing:
                self._tape.append((run_id, entries))
            else:
                self._drop()

    def put_state(self, state: Mapping[str, Any], *, at_once: bool = True) -> None:
        """Keep the core's state for the next start; what is stored already is not written again.

        Not `at_once`: with the next samples. Latches that changed stay on the card through a power cut. While the disk
        takes nothing they are kept beside the book, and so is the run, or that it is over.
        """
        text = text_of(state)
        weighty = _weighty(state)
        with self._ready:
            if text != (self._state_text or self._stored_state) and not self._closing:
                self._state_text = text
                hurry = weighty != self._weighty
                self._weighty = weighty
                if at_once or hurry:
                    self._wake(hurry=hurry)

    def run_started(
        self, start: rows.RunStart, *, at: float | None = None, mono_s: float | None = None
    ) -> None:
        """Open a run. The number of a run that had ended (cut off, say) goes on with that run."""
        at = self._wall() if at is None else at
        mono_s = self._mono() if mono_s is None else mono_s
        self.put(partial(rows.insert_run, start=start, at=at, mono_s=mono_s), durable=True)

    def run_resumed(self, run_id: int, *, at: float | None = None, mono_s: float | None = None) -> None:
        """Open a run again that a power cut or a kill had ended; the gap stays in the book."""
        at = self._wall() if at is None else at
        mono_s = self._mono() if mono_s is None else mono_s
        self.put(partial(rows.reopen_run, run_id=run_id, at=at, mono_s=mono_s), durable=True)

    def run_ended(
        self,
        run_id: int,
        *,
        outcome: str,
        ending: str,
        tempers: Any = (),
        at: float | None = None,
        mono_s: float | None = None,
    ) -> None:
        """Close a run. `outcome`: "ended", "stopped", "tripped" or "cut off"; `ending`: how, in a sentence.

        Once this is on the card it stays there through a power cut.
        """
        at = self._wall() if at is None else at
        mono_s = self._mono() if mono_s is None else mono_s
        end = partial(
            rows.end_run, run_id=run_id, outcome=outcome, ending=ending, tempers=tempers, at=at, mono_s=mono_s
        )
        self.put(end, durable=True)

    def write(self, do: Callable[[sqlite3.Connection], T]) -> Future[T]:
        """Run `do` on the write connection, in its own savepoint; the future is done once it is committed.

        The future fails with RecordsError when the disk does not take it, with what `do` raised otherwise. It can be
        cancelled until the writer comes to it.
        """
        future: Future[T] = Future()
        with self._ready:
            if not self._leave(Item(do, durable=True, future=future)):
                text = self.trouble or "The record is closed, or too busy just now."
                future.set_exception(RecordsError(text))
        return future

    def written(self, do: Callable[[sqlite3.Connection], T], timeout_s: float) -> T:
        """What `do` gave, as soon as it is committed.

        Raises RecordsError when the disk does not take it in time: it is not written then, or the text says that it
        may still be.
        """
        future = self.write(do)
        try:
            return future.result(timeout_s)
        except FutureTimeoutError as error:
            if future.cancel():
                raise RecordsError("The disk did not answer in time, and nothing was written. Try again.") from error
            if future.done():
                return future.result()
            raise RecordsError(
                "The disk did not answer in time. It may still be written: look before you try again."
            ) from error

    def flush(self, timeout_s: float = 5.0) -> bool:
        """Wait until all that was left before is committed; False when the disk did not take it in time."""
        before = self.dropped
        try:
            while True:
                self.write(lambda connection: None).result(timeout_s)
                with self._ready:
                    if not (self._samples or self._tape or self._state_text or self._diary):
                        return self.dropped == before
        except (RecordsError, FutureTimeoutError):
            return False

    def close(self, timeout_s: float = 1.0) -> bool:
        """Write what is left and close; False when the disk did not take it all in that time."""
        with self._ready:
            self._closing = True
            self._ready.notify()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            beside = threading.Thread(target=self._keep_beside, name="standing", daemon=True)
            beside.start()
            beside.join(timeout_s)
        return not self._thread.is_alive() and self.trouble is None

    def put(self, do: Writing, *, durable: bool = False) -> None:
        """Leave anything else to be written at once, without an answer. `durable`: through a power cut."""
        with self._ready:
            self._leave(Item(do, durable))

    def _leave(self, item: Item) -> bool:
        """Into the diary lane, with the lock held."""
        if self._closing or len(self._diary) >= self._most_diary:
            self._drop()
            return False
        self._diary.append(item)
        self._wake(hurry=item.future is not None)
        return True

    def _drop(self) -> None:
        """Count what found no room, with the lock held; the next commit says so in the book."""
        self.dropped += 1
        if not self._closing:
            if not self._lost:
                self._lost_since = self._wall()
            self._lost += 1

    def _wake(self, *, hurry: bool = False) -> None:
        """Have the thread look now. In trouble only a job, for which somebody waits, or a trip hurries the next try."""
        if self._trouble is None or hurry:
            self._wanted = True
            self._ready.notify()

    # --- the writer's thread -------------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            with self._ready:
                if not self._wanted and not self._closing:
                    self._ready.wait(self._retry_s if self._trouble else self._samples_every_s)
                self._wanted = False
                closing = self._closing
                batch = Batch(
                    list(islice(self._diary, _BATCH)),
                    list(islice(self._samples, _BATCH)),
                    list(islice(self._tape, _TAPE_BATCH)),
                    self._state_text,
                )
                lost = self._lost
            if any(batch) or lost:
                if self._commit(batch):
                    self._forget(batch)
                elif closing:
                    break
            elif closing:
                break
        self._finish()

    def _finish(self) -> None:
        """Nothing more comes (`_closing` is set): count what the disk never took, let go of the file."""
        with self._ready:
            self.dropped += len(self._diary) + len(self._samples) + len(self._tape)
        for item in self._diary:
            if item.future is not None and awaited(item.future):
                item.future.set_exception(RecordsError("The record was closed before this was written."))
        try:
            if self._connection is not None:
                self._connection.close()
        except sqlite3.Error as error:
            _log.warning("%s", sentence(error, self.path))
        os.close(self._lock_file)

    def _forget(self, batch: Batch) -> None:
        """Take what is committed out of the lanes: only this thread takes out, their front is unchanged."""
        with self._ready:
            lanes: tuple[tuple[deque[Any], list[Any]], ...] = (
                (self._diary, batch.items),
                (self._samples, batch.samples),
                (self._tape, batch.tape),
            )
            for lane, done in lanes:
                for _ in done:
                    lane.popleft()
            if batch.state is not None:
                self._stored_state = batch.state
                if self._state_text == batch.state:
                    self._state_text = None
            if len(batch.items) == _BATCH or len(batch.samples) == _BATCH or len(batch.tape) == _TAPE_BATCH:
                self._wanted = True

    def _commit(self, batch: Batch) -> bool:
        """Commit a batch and answer those who wait; False, and none of it in the file, when that failed."""
        gap = self._gap()
        self._committing_since_s = time.monotonic()
        try:
            if batch.state is not None and _latched(batch.state) != _latched(self._stored_state):
                batch = batch._replace(durable=True)
            if batch.state is not None and self._standing.number > self._taken:
                batch = batch._replace(durable=True, taken=self._standing.number)
            if self._connection is None:
                with self._alone:
                    self._connection = open_for_writing(self.path, self._wall)
                self._book, _ = rows.which_book(self._connection)  # somebody may have put another in its place
            done = commit(self._connection, batch, gap, self._wall())
        except Exception as error:
            # Whatever it was, this thread must live: the shop goes on, and the next try may succeed.
            self._failed(error, batch)
            return False
        finally:
            self._committing_since_s = None
        with self._ready:
            self.dropped += done.spoilt
            if gap is not None:
                self._lost -= gap.lost
                self._lost_since = gap.until_at
        if batch.taken is not None:
            self._taken = self._standing.void(batch.taken)
        if self._trouble is not None:
            self._standing.lay_down()
            _log.warning("The record is being written again.")
            self._trouble = None
        for future, value, fault in done.answers:
            if fault is None:
                future.set_result(value)
            else:
                future.set_exception(fault)
        return True

    def _gap(self) -> Gap | None:
        """What the book is to say of what it did not get since the last commit, None for nothing."""
        with self._ready:
            lost, since = self._lost, self._lost_since
        if self._trouble is None:
            return Gap(since, self._wall(), lost, _TOO_SLOW) if lost else None
        from_at = min(since, self._trouble_since) if lost else self._trouble_since
        return Gap(from_at, self._wall(), lost, self._trouble)

    def _failed(self, error: Exception, batch: Batch) -> None:
        """Undo the batch, say so once, and answer those who wait; the rest stays in its lanes."""
        cause = error.__cause__ or error  # opening the book has put the disk's answer into words of its own
        if has_no_room(cause, self.path):
            said = full(self.path)
        else:
            said = str(error) if isinstance(cause, RecordsError) else sentence(cause, self.path)
        text = self._in_trouble(said, self._keep_beside())
        if self._trouble is None:
            self._trouble_since = self._wall()
            _log.error("%s", text)
        self._trouble = text
        try:
            if self._connection is not None and self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
        except sqlite3.Error as failure:
            _log.warning("%s", sentence(failure, self.path))
        with self._ready:
            kept = [item for item in batch.items if item.future is None]
            rest = islice(self._diary, len(batch.items), None)
            self._diary = deque((*kept, *rest))
        for item in batch.items:
            if item.future is not None and awaited(item.future):
                item.future.set_exception(RecordsError(text))


    def _keep_beside(self) -> bool:
        """Keep the state that the book has not taken in the file beside it; False when that cannot be done either."""
        with self._ready:
            state = self._state_text
        return self._standing.whole() if state is None else self._standing.write(self._book, state, self._wall())

    def _in_trouble(self, said: str, kept: bool) -> str:
        """All that the smith is told; a path need not be UTF-8, and the book is told it."""
        return storable(f"{said} {_KEPT}" if kept else f"{said} {_KEPT} {_NOT_KEPT}")


def _settle(connection: sqlite3.Connection) -> tuple[int, ...]:
    """End the runs that a crash left open; answers their numbers."""
    ended = rows.close_open_runs(connection)
    rows.withdraw_ended_run(connection)
    return ended


def _latched(state: str | None) -> Any:
    """The latches of a stored state; None where there are none in it."""
    value = json.loads(state) if state else None
    return value.get("latched") if isinstance(value, dict) else None


def _weighty(state: Mapping[str, Any]) -> tuple[Any, ...]:
    """What of a state may not wait for the next try of a disk that takes nothing: the latches, and which run is on."""
    run = state.get("run")
    return (state.get("latched"), run.get("run_id") if isinstance(run, Mapping) else None)
