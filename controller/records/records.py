"""The record book, open for writing: what everybody else in the service leaves in it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeoutError
from contextlib import AbstractContextManager
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeVar

from ..model import Answer, Event, Request
from . import rows
from .batch import Item, Writing, in_order
from .lanes import MOST_DIARY, MOST_SAMPLES, Lanes
from .opening import open_book
from .plain import table_of, text_of
from .schema import RecordsError
from .writer import Writer

T = TypeVar("T")
_OF_A_TRIP: Final = ("interlock_tripped", "trip_reset")

SAMPLES_EVERY_S: Final = 3.0
RETRY_S: Final = 5.0


class Records:
    """The record book, open for writing by this process alone.

    `path` is the file. `wall` and `mono` are the two clocks, asked when something is left without a time of
    its own. Opening applies migrations and ends runs that a crash left open as "cut off" (`cut_off` lists
    them), later where the disk is full. Raises RecordsError with a sentence for the smith where the file cannot be
    used. Every method may be called from any thread; none but `written`, `flush` and `close` waits, and none but
    `read` and `written` raises for trouble of the disk. `stands_known`: whether `state` tells what stood; False where
    the disk was full at the end and what came last could not be kept beside the book either (see `Standing`).
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
        opened = open_book(self.path, wall)
        found = opened.found
        self.cut_off, self.stands_known = opened.cut_off, opened.stands_known
        self.next_run_id, self._next_event_id = found.next_run_id, found.next_event_id
        self.state_age_s = wall() - found.state_at if found.state_at else None
        self._lanes = Lanes(
            found.state,
            in_the_book=opened.connection is not None,
            wall=wall,
            most_diary=most_diary,
            most_samples=most_samples,
        )
        self._writer = Writer(
            self.path, opened, self._lanes, wall=wall, samples_every_s=samples_every_s, retry_s=retry_s
        )

    @property
    def dropped(self) -> int:
        """How many entries were lost."""
        return self._lanes.dropped

    @property
    def trouble(self) -> str | None:
        """A sentence for the smith while the disk takes nothing, or has not answered for half a minute."""
        return self._writer.trouble

    def met(self, error: RecordsError) -> None:
        """Somebody who reads the book met this: where the book is damaged, that is trouble of the record."""
        self._writer.met(error)

    def read(self, do: Callable[[sqlite3.Connection], T]) -> T:
        """What `do` gives of what is committed, on a connection that only reads. Raises RecordsError."""
        return self._writer.read(do)

    def state(self) -> Mapping[str, Any] | None:
        """The core's newest stored state, None before the first."""
        text = self._lanes.stored_state
        return None if text is None else table_of(text)

    def mono_s(self) -> float:
        """The monotonic clock by which rows are stamped."""
        return self._mono()

    def together(self) -> AbstractContextManager[None]:
        """What this thread leaves meanwhile comes into one commit, with the newest state: all of it, or nothing.

        The writer waits as long; so this is for leaving things, not for working them out.
        """
        return self._lanes.together()

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
        with self._lanes.together():
            for event in events:
                number = self._next_event_id
                self._next_event_id += 1
                numbers.append(number)
                insert: Writing = partial(rows.insert_event, number=number, event=event, run_id=run_id, at=at)
                more = None if beside is None else beside(event, number)
                do = insert if more is None else partial(in_order, first=insert, second=more)
                self._lanes.leave(Item(do, durable=event.kind in _OF_A_TRIP or more is not None))
        return tuple(numbers)

    def put_request(self, request: Request, answer: Answer, *, at: float | None = None) -> None:
        """Record who wanted what, and how it was answered, at once."""
        at = self._wall() if at is None else at
        self.put(partial(rows.insert_request, request=request, answer=answer, at=at, mono_s=self._mono()))

    def put_samples(self, samples: Iterable[Sequence[Any]]) -> None:
        """Leave rows of `rows.SAMPLE_COLUMNS`; committed together every few seconds, to spare the card."""
        self._lanes.leave_samples(samples)

    def put_tape(self, run_id: int, entries: bytes) -> None:
        """Leave framed entries (`tape.frame`) as the run's next block; compressed by the writer."""
        self._lanes.leave_tape(run_id, entries)

    def put_state(self, state: Mapping[str, Any], *, at_once: bool = True) -> None:
        """Keep the core's state for the next start; what is stored already is not written again.

        Not `at_once`: with the next samples. Latches that changed stay on the card through a power cut. While the disk
        takes nothing they are kept beside the book, and so is the run, or that it is over.
        """
        self._lanes.leave_state(text_of(state), state, at_once=at_once)

    def put(self, do: Writing, *, durable: bool = False) -> None:
        """Leave anything else to be written at once, without an answer. `durable`: through a power cut."""
        self._lanes.leave(Item(do, durable))

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
        if not self._lanes.leave(Item(do, durable=True, future=future)):
            future.set_exception(RecordsError(self.trouble or "The record is closed, or too busy just now."))
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

    def kept(self) -> Future[None]:
        """Done once all that was left before is on the card; fails with RecordsError where the disk takes nothing."""
        return self.write(lambda connection: None)

    def flush(self, timeout_s: float = 5.0) -> bool:
        """Wait until all that was left before is committed; False when the disk did not take it in time."""
        before = self.dropped
        try:
            while True:
                self.kept().result(timeout_s)
                if self._lanes.empty():
                    return self.dropped == before
        except (RecordsError, FutureTimeoutError):
            return False

    def close(self, timeout_s: float = 1.0) -> bool:
        """Write what is left and close; False when the disk did not take it all in that time."""
        return self._writer.close(timeout_s)
