"""What was told, to whom, and whether anybody has seen it: in memory, with the book behind it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, Protocol

from controller.alerts.rules import AGAIN_AFTER_S, what_to_tell
from controller.model import Alert, Event, Snapshot
from controller.words import Units

KEPT: Final = 200
TEST: Final = "test"


class Way(Protocol):
    """A way to a person (see `channel.Channel`)."""

    name: str

    def takes(self, alert: Alert) -> bool: ...
    def give(self, alert: Alert) -> None: ...
    def seen(self, event_id: int) -> None: ...
    def state(self) -> Mapping[str, Any]: ...
    def stop(self) -> None: ...


class Teller:
    """Chooses what is told and hands it to every channel. Safe from any thread; nothing here waits.

    `clock_at`: wall time, s, to a local clock time. `mark_seen`: leaves (event_id, who, at) for the book.
    `before`: what the book remembers, oldest first: (alert, when it was seen or None, by whom).
    """

    def __init__(
        self,
        ways: Sequence[Way],
        *,
        units: Units,
        clock_at: Callable[[float], str],
        mark_seen: Callable[[int, str, float], object],
        before: Iterable[tuple[Alert, float | None, str | None]] = (),
    ) -> None:
        self.ways = tuple(ways)
        self._units: Units = units
        self._clock_at = clock_at
        self._mark_seen = mark_seen
        self._lock = threading.Lock()
        self._told: dict[int, Alert] = {}
        self._seen: dict[int, tuple[float, str | None]] = {}
        self._last: dict[str, float] = {}
        for alert, seen_at, seen_by in before:
            self._keep(alert)
            if seen_at is not None:
                self._seen[alert.event_id] = (seen_at, seen_by)

    def consider(self, event: Event, snapshot: Snapshot, event_id: int, at: float) -> Alert | None:
        """Tell what is to be told of this event, which happened at wall time `at`; None when nothing is."""
        told = what_to_tell(
            event, snapshot, units=self._units, clock_in=lambda seconds: self._clock_at(at + seconds)
        )
        if told is None:
            return None
        alert = Alert(event_id, event.kind, told.urgency, told.subject, told.headline, told.text, at)
        with self._lock:
            # A wall clock that was set back must not silence anything: only a small step forward is "again".
            again = 0.0 <= at - self._last.get(told.subject, float("-inf")) < AGAIN_AFTER_S
            if again and told.urgency not in ("trip", "fire"):
                return None
            self._keep(alert)
        for way in self.ways:
            way.give(alert)
        return alert

    def takers(self, alert: Alert) -> tuple[str, ...]:
        """The channels by which it is sent, by their names."""
        return tuple(way.name for way in self.ways if way.takes(alert))

    def _keep(self, alert: Alert) -> None:
        self._told[alert.event_id] = alert
        self._last[alert.subject] = alert.at
        while len(self._told) > KEPT:
            oldest = next(iter(self._told))
            self._seen.pop(oldest, None)
            del self._told[oldest]
        if len(self._last) > KEPT:
            self._last = {told.subject: told.at for told in self._told.values()}

    def seen(self, event_id: int, who: str, at: float) -> bool:
        """Somebody has seen it: no further channel is asked. False when there is no such alert."""
        with self._lock:
            if event_id not in self._told:
                return False
            if event_id in self._seen:
                return True
            self._seen[event_id] = (at, who)
        for way in self.ways:
            way.seen(event_id)
        self._mark_seen(event_id, who, at)
        return True

    def recent(self) -> list[dict[str, Any]]:
        """The newest first: `id`, `kind`, `urgency`, `headline`, `text`, `at`, `seen_at`, `seen_by`; times in s."""
        with self._lock:
            return [
                {
                    "id": alert.event_id, "kind": alert.kind, "urgency": alert.urgency, "headline": alert.headline,
                    "text": alert.text, "at": alert.at,
                    "seen_at": self._seen.get(alert.event_id, (None, None))[0],
                    "seen_by": self._seen.get(alert.event_id, (None, None))[1],
                }
                for alert in reversed(self._told.values())
            ]  # fmt: skip

    def channels(self) -> list[Mapping[str, Any]]:
        """Each channel's state (see `Channel.state`)."""
        return [way.state() for way in self.ways]

    def test(self, at: float) -> int:
        """Send a test message by every channel, at any hour; answers how many channels there are."""
        alert = Alert(-1, TEST, "trip", TEST, "This is a test from the oven.", "Nothing has happened.", at)
        for way in self.ways:
            way.give(alert)
        return len(self.ways)
