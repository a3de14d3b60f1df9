"""The lanes in which others leave what is to be written, and the count of what found no room in them.

Nobody who leaves something waits for the disk. What is left stays here until the disk has it, so a disk that fills up
and is cleared again has cost nothing but the time.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import islice
from typing import Any, Final

from .batch import Batch, Gap, Item

MOST_DIARY: Final = 20_000  # events, requests, run boundaries, jobs: days of ordinary events
MOST_SAMPLES: Final = 7_200  # two hours
MOST_TAPE: Final = 240  # two hours of half-minute blocks, about 5 MB
_BATCH: Final = 2_000
_TAPE_BATCH: Final = 24  # a lead-in and what came meanwhile


class Lanes:
    """Diary, samples, tape, and the newest state of the core. Every method may be called from any thread.

    Only the writer's thread takes out (`forget`, `withdraw_jobs`), so the front of a lane stays as `take` gave it.
    `state`: the core's newest that the last process kept; not `in_the_book`: it is to be written there. `dropped`
    counts what was lost.
    """

    def __init__(
        self, state: str | None, *, in_the_book: bool, wall: Callable[[], float], most_diary: int, most_samples: int
    ) -> None:
        self._wall = wall
        self._most_diary, self._most_samples = most_diary, most_samples
        self._changed = threading.Condition()
        self._diary: deque[Item] = deque()
        self._samples: deque[Sequence[Any]] = deque()
        self._tape: deque[tuple[int, bytes]] = deque()
        self._state = None if in_the_book else state
        self._stored_state = state
        self._weighty: tuple[Any, ...] = ()
        self._wanted = self._hurried = self._closed = False
        self.dropped = 0
        self._lost = 0  # for want of room, and in no gap of the book yet
        self._lost_since = 0.0

    # --- for whoever leaves something ----------------------------------------------------------------

    @contextmanager
    def together(self) -> Iterator[None]:
        """Nothing is taken meanwhile."""
        with self._changed:
            yield

    def leave(self, item: Item) -> bool:
        """Into the diary, to be written at once; False when it found no room."""
        with self._changed:
            if self._closed or len(self._diary) >= self._most_diary:
                self._drop()
                return False
            self._diary.append(item)
            self._wake(hurry=item.future is not None)
            return True

    def leave_samples(self, samples: Iterable[Sequence[Any]]) -> None:
        with self._changed:
            for sample in samples:
                if len(self._samples) < self._most_samples and not self._closed:
                    self._samples.append(sample)
                else:
                    self._drop()

    def leave_tape(self, run_id: int, entries: bytes) -> None:
        with self._changed:
            if len(self._tape) < MOST_TAPE and not self._closed:
                self._tape.append((run_id, entries))
            else:
                self._drop()

    def leave_state(self, text: str, state: Mapping[str, Any], *, at_once: bool) -> None:
        """`text` is `state` as it is written. It takes the place of one that still waits; one that is stored already
        is not written again."""
        weighty = _weighty(state)
        with self._changed:
            if text != (self._state or self._stored_state) and not self._closed:
                self._state = text
                hurry = weighty != self._weighty
                self._weighty = weighty
                if at_once or hurry:
                    self._wake(hurry=hurry)

    def close(self) -> None:
        """Nothing more is taken in."""
        with self._changed:
            self._closed = True
            self._changed.notify()

    def _drop(self) -> None:
        """Count what found no room, with the lock held; the next commit says so in the book."""
        self.dropped += 1
        if not self._closed:
            if not self._lost:
                self._lost_since = self._wall()
            self._lost += 1

    def _wake(self, *, hurry: bool) -> None:
        """Have the writer look now, with the lock held. `hurry`: somebody waits for it, or a trip changed."""
        self._wanted = True
        self._hurried = self._hurried or hurry
        self._changed.notify()

    # --- for the writer ------------------------------------------------------------------------------

    @property
    def stored_state(self) -> str | None:
        """The newest state that is in the book, or was found beside it."""
        return self._stored_state

    @property
    def waiting_state(self) -> str | None:
        """The newest state where the book does not have it."""
        with self._changed:
            return self._state

    def lost(self) -> tuple[int, float]:
        """How much no gap in the book tells of yet, and since when."""
        with self._changed:
            return self._lost, self._lost_since

    def empty(self) -> bool:
        with self._changed:
            return not (self._samples or self._tape or self._state or self._diary)

    def wait(self, timeout_s: float, *, patient: bool) -> bool:
        """Until something is to be written at once, or so long; whether the lanes are closed, so that nothing follows
        what `take` now gives. `patient`: only what is in a hurry ends the wait."""
        with self._changed:
            self._changed.wait_for(
                lambda: self._closed or self._hurried or (self._wanted and not patient), timeout_s
            )
            return self._closed

    def take(self) -> Batch:
        """What is to be committed next; it stays in its lanes until `forget`."""
        with self._changed:
            self._wanted = self._hurried = False
            return Batch(
                list(islice(self._diary, _BATCH)),
                list(islice(self._samples, _BATCH)),
                list(islice(self._tape, _TAPE_BATCH)),
                self._state,
            )

    def forget(self, batch: Batch, *, spoilt: int, gap: Gap | None) -> None:
        """Out of the lanes with what is committed. `spoilt`: entries of it that could not be recorded."""
        lanes: tuple[tuple[deque[Any], list[Any]], ...] = (
            (self._diary, batch.items),
            (self._samples, batch.samples),
            (self._tape, batch.tape),
        )
        with self._changed:
            for lane, done in lanes:
                for _ in done:
                    lane.popleft()
            if batch.state is not None:
                self._stored_state = batch.state
                if self._state == batch.state:
                    self._state = None
            self.dropped += spoilt
            if gap is not None:
                self._lost -= gap.lost
                self._lost_since = gap.until_at
            if len(batch.items) == _BATCH or len(batch.samples) == _BATCH or len(batch.tape) == _TAPE_BATCH:
                self._wanted = True

    def withdraw_jobs(self, batch: Batch) -> None:
        """Out of the diary with what somebody waits for, of a batch that failed: it is not tried again."""
        with self._changed:
            for _ in batch.items:
                self._diary.popleft()
            self._diary.extendleft(item for item in reversed(batch.items) if item.future is None)

    def give_up(self) -> list[Item]:
        """Count what the disk never took, once closed; answers what of the diary that is."""
        with self._changed:
            self.dropped += len(self._diary) + len(self._samples) + len(self._tape)
            return list(self._diary)


def _weighty(state: Mapping[str, Any]) -> tuple[Any, ...]:
    """What of a state may not wait for the next try of a disk that takes nothing: the latches, and which run is on."""
    run = state.get("run")
    return (state.get("latched"), run.get("run_id") if isinstance(run, Mapping) else None)
