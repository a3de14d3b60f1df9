"""The alerts in the book: what was told, what still waits to be sent, who has seen it.

A row for each alert and channel; the row of the page, which needs no sending, carries who has seen it. An
alert is committed with its event in one piece, and marked as delivered after it was: a kill in between sends
it twice, never not at all. One that is held back has the page's row alone, not delivered and due later.
"""

from __future__ import annotations

import json
import logging
import sqlite3
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, Final, TypeVar, get_args

from ..model import GIVEN_UP, Alert, Event, Urgency
from .batch import Writing
from .plain import storable, text_of
from .records import Records

T = TypeVar("T")

PAGE: Final = "page"
REMEMBERED: Final = 200
LAST_S: Final = 1e11
"""No wall time is as late (the year 5138), and none is negative: such a row is damaged."""

_log = logging.getLogger(__name__)


def insertion(alert: Alert, channels: Sequence[str]) -> Writing:
    """Writes the alert for the page and each of these channels."""
    return partial(_insert, alert=alert, channels=channels)


def _insert(connection: sqlite3.Connection, alert: Alert, channels: Sequence[str]) -> None:
    told = text_of(alert)
    connection.executemany(
        "INSERT INTO alerts (event_id, channel, created_at, due_at, delivered_at, told) VALUES (?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (event_id, channel) DO UPDATE SET delivered_at = coalesce(delivered_at, excluded.delivered_at)",
        [
            (alert.event_id, storable(channel), alert.at, alert.at, alert.at if channel == PAGE else None, told)
            for channel in (PAGE, *channels)
        ],
    )


def _alert(told: str) -> Alert:
    alert = Alert(**json.loads(told))
    texts = (alert.kind, alert.subject, alert.headline, alert.text)
    if not (
        type(alert.event_id) is int and 0.0 <= alert.at < LAST_S and alert.urgency in get_args(Urgency)
        and all(isinstance(text, str) for text in texts)
    ):  # fmt: skip
        raise ValueError("it is no alert")
    return alert


def _event(row: sqlite3.Row) -> Event:
    return Event(row["kind"], row["mono_s"], row["text"], dict(json.loads(row["data"])))


def _readable(rows: Sequence[sqlite3.Row], made: Callable[[sqlite3.Row], T]) -> list[T]:
    """What is made of each row; one that cannot be read is told to the log and costs no other."""
    found = []
    for row in rows:
        try:
            found.append(made(row))
        except (ValueError, TypeError, RecursionError) as error:
            _log.warning("An alert in the book cannot be read and is left out (row %d: %s).", row["id"], error)
    return found


class Outbox:
    """What `Teller` and its channels leave for the book, and what they find there after a restart.

    A row that cannot be read is skipped and told to the log; RecordsError is raised where none can be.
    """

    def __init__(self, records: Records) -> None:
        self._records = records

    def before(self) -> list[tuple[Alert, float | None, str | None]]:
        """The newest alerts, oldest first: alert, when it was seen (wall s) and by whom. Raises RecordsError."""
        rows = self._rows(
            "SELECT id, told, seen_at, seen_by FROM (SELECT * FROM alerts WHERE channel = ? AND told <> ''"
            " AND delivered_at IS NOT NULL ORDER BY id DESC LIMIT ?) ORDER BY id",
            (PAGE, REMEMBERED),
        )
        return _readable(rows, lambda row: (_alert(row["told"]), row["seen_at"], row["seen_by"]))

    def waiting(self) -> list[tuple[str, Alert]]:
        """What was not delivered, not seen and not given up, oldest first: channel, alert. Raises RecordsError.

        Every trip and fire, and the newest of the rest.
        """
        rows = self._rows(
            "SELECT id, channel, told FROM (SELECT id, channel, told, row_number() OVER (ORDER BY id DESC) AS place,"
            " CASE WHEN json_valid(told) THEN json_extract(told, '$.urgency') END AS urgency FROM alerts"
            " WHERE delivered_at IS NULL AND seen_at IS NULL AND last_error IS NOT ? AND told <> '' AND channel <> ?)"
            " WHERE place <= ? OR urgency IN ('trip', 'fire') ORDER BY id DESC",
            (GIVEN_UP, PAGE, REMEMBERED),
        )
        return _readable(rows[::-1], lambda row: (row["channel"], _alert(row["told"])))

    def held(self) -> list[tuple[Event, Alert]]:
        """What is held back still, oldest first, with its event. Raises RecordsError."""
        rows = self._rows(
            "SELECT alerts.id, told, kind, mono_s, text, data FROM alerts JOIN events ON events.id = event_id"
            " WHERE channel = ? AND delivered_at IS NULL AND told <> '' ORDER BY event_id",
            (PAGE,),
        )
        return _readable(rows, lambda row: (_event(row), _alert(row["told"])))

    def hold(self, alert: Alert, due_at: float) -> None:
        """Keep one that is not told before `due_at` (wall s), through a power cut; `insertion` then tells it."""
        self._records.put(partial(_hold, alert=alert, due_at=due_at), durable=True)

    def let_go(self, event_id: int) -> None:
        """What was held back is not to be told any more."""
        self._records.put(partial(_let_go, number=event_id))

    def _rows(self, query: str, values: Sequence[Any]) -> list[sqlite3.Row]:
        def read(connection: sqlite3.Connection) -> list[sqlite3.Row]:
            # A damaged letter shall not cost the rows around it.
            connection.text_factory = lambda text: text.decode("utf-8", "replace")
            return connection.execute(query, values).fetchall()

        return self._records.read(read)

    def report(self, channel: str, alert: Alert, attempts: int, fault: str, done: bool, *, at: float) -> None:
        """How a try ended; `done`: delivered. GIVEN_UP as its `fault`: it is not tried again."""
        if alert.event_id < 0:
            return
        self._records.put(
            partial(_report, channel=channel, number=alert.event_id, attempts=attempts, fault=fault or None,
                    at=at if done else None)
        )  # fmt: skip

    def mark_seen(self, event_id: int, who: str, at: float) -> None:
        """Somebody has seen it, on whichever channel."""
        self._records.put(partial(_seen, number=event_id, who=who, at=at))


def _hold(connection: sqlite3.Connection, alert: Alert, due_at: float) -> None:
    connection.execute(
        "INSERT OR IGNORE INTO alerts (event_id, channel, created_at, due_at, told) VALUES (?, ?, ?, ?, ?)",
        (alert.event_id, PAGE, alert.at, due_at, text_of(alert)),
    )


def _let_go(connection: sqlite3.Connection, number: int) -> None:
    connection.execute(
        "DELETE FROM alerts WHERE event_id = ? AND channel = ? AND delivered_at IS NULL", (number, PAGE)
    )


def _report(
    connection: sqlite3.Connection, channel: str, number: int, attempts: int, fault: str | None, at: float | None
) -> None:
    connection.execute(
        "UPDATE alerts SET attempts = ?, last_error = ?, delivered_at = ? WHERE event_id = ? AND channel = ?",
        (attempts, fault, at, number, channel),
    )


def _seen(connection: sqlite3.Connection, number: int, who: str, at: float) -> None:
    connection.execute(
        "UPDATE alerts SET seen_at = ?, seen_by = ? WHERE event_id = ? AND seen_at IS NULL", (at, storable(who), number)
    )
