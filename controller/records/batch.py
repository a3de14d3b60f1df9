"""One transaction of the writer: what is committed together, or not at all."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial
from typing import Any, NamedTuple

from . import rows
from .tape import compress
from .trouble import is_of_the_disk

Writing = Callable[[sqlite3.Connection], Any]
_log = logging.getLogger(__name__)


def in_order(connection: sqlite3.Connection, first: Writing, second: Writing) -> None:
    """Two writings as one: both, or neither."""
    first(connection)
    second(connection)


class Item(NamedTuple):
    """Something to do on the write connection. `durable`: flushed to the card before it counts as done.

    `future`: who waits for it; cancelled before its turn came, it is not done.
    """

    do: Writing
    durable: bool = False
    future: Future[Any] | None = None


class Batch(NamedTuple):
    """`items` first, for samples and tape belong to runs that they open. `tape`: run and framed entries.

    `durable`: flushed to the card, as it is for the sake of any one item. `taken`: up to which number the state
    replaces what was kept beside the book, None for nothing.
    """

    items: list[Item]
    samples: list[Sequence[Any]]
    tape: list[tuple[int, bytes]]
    state: str | None
    durable: bool = False
    taken: int | None = None


class Gap(NamedTuple):
    """While the disk took nothing: wall times, how many entries were lost, and what was wrong."""

    from_at: float
    until_at: float
    lost: int
    text: str


class Done(NamedTuple):
    """`answers` for those who wait: future, value, fault. `spoilt`: entries that could not be recorded."""

    answers: list[tuple[Future[Any], Any, Exception | None]]
    spoilt: int


def awaited(future: Future[Any]) -> bool:
    """Whether somebody still waits. From now on it cannot be cancelled. For the writer's thread alone."""
    return not future.cancelled() and (future.running() or future.set_running_or_notify_cancel())


def commit(connection: sqlite3.Connection, batch: Batch, gap: Gap | None, at: float) -> Done:
    """Write a batch. Raises what the disk answered, with the transaction perhaps still open.

    An entry that is at fault itself is left out, logged and counted: it may not hold up the others.
    """
    blocks = [(run_id, compress(entries)) for run_id, entries in batch.tape]
    answers: list[tuple[Future[Any], Any, Exception | None]] = []
    spoilt = 0
    durable = batch.durable or any(item.durable for item in batch.items)
    connection.execute(f"PRAGMA synchronous={'FULL' if durable else 'NORMAL'}")
    connection.execute("BEGIN IMMEDIATE")
    if gap is not None:
        connection.execute("INSERT INTO gaps (from_at, until_at, lost, text) VALUES (?, ?, ?, ?)", gap)
    for item in batch.items:
        if item.future is not None and not awaited(item.future):
            continue
        value, fault = _in_savepoint(connection, item.do)
        if item.future is not None:
            answers.append((item.future, value, fault))
        else:
            spoilt += fault is not None
    if batch.samples:
        _, fault = _in_savepoint(connection, partial(rows.insert_samples, samples=batch.samples))
        spoilt += 0 if fault is None else len(batch.samples)
    for run_id, block in blocks:
        _, fault = _in_savepoint(connection, partial(rows.append_block, run_id=run_id, block=block))
        spoilt += fault is not None
    if batch.state is not None:
        rows.store_state(connection, batch.state, at)
    if batch.taken is not None:
        rows.take_over(connection, batch.taken)
    connection.execute("COMMIT")
    return Done(answers, spoilt)


def _in_savepoint(connection: sqlite3.Connection, do: Writing) -> tuple[Any, Exception | None]:
    """What `do` gave, or what it raised with its changes undone. Trouble of the disk is raised."""
    connection.execute("SAVEPOINT item")
    try:
        value = do(connection)
    except Exception as error:
        if is_of_the_disk(error):
            raise
        connection.execute("ROLLBACK TO item")
        connection.execute("RELEASE item")
        _log.error("an entry could not be recorded: %s", error)
        return None, error
    connection.execute("RELEASE item")
    return value, None
