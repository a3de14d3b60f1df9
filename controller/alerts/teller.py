"""What was told, to whom, and whether anybody has seen it: in memory, with the book behind it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, Protocol

from controller.alerts.rules import AGAIN_AFTER_S, ENDS_WITH_THE_SERVICE, LASTS, is_over, what_to_tell
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

    `clock_at`: wall time, s, to a local clock time. `mark_seen`: leaves (event_id, who, at) for the book. `told_late`:
    leaves for the book an alert that `look` tells, with the channels by which it is sent. `hold`: leaves there one that
    is not to be said before a wall time; `let_go` takes it out again by its number, as over or replaced by another.
    `before`: what the book remembers, oldest first: (alert, when it was seen or None, by whom). `held`: what an earlier
    process held back, with its event.
    """

    def __init__(
        self,
        ways: Sequence[Way],
        *,
        units: Units,
        clock_at: Callable[[float], str],
        mark_seen: Callable[[int, str, float], object],
        told_late: Callable[[Alert, Sequence[str]], object] = lambda alert, channels: None,
        hold: Callable[[Alert, float], object] = lambda alert, due_at: None,
        let_go: Callable[[int], object] = lambda event_id: None,
        before: Iterable[tuple[Alert, float | None, str | None]] = (),
        held: Iterable[tuple[Event, Alert]] = (),
    ) -> None:
        self.ways = tuple(ways)
        self._units: Units = units
        self._clock_at = clock_at
        self._mark_seen = mark_seen
        self._told_late = told_late
        self._hold, self._let_go = hold, let_go
        self._lock = threading.Lock()
        self._told: dict[int, Alert] = {}
        self._seen: dict[int, tuple[float, str | None]] = {}
        self._last: dict[str, float] = {}
        self._held: dict[str, tuple[Event, Alert]] = {}
        for alert, seen_at, seen_by in before:
            self._keep(alert, alert.at)
            if seen_at is not None:
                self._seen[alert.event_id] = (seen_at, seen_by)
        for event, alert in held:
            if event.kind in ENDS_WITH_THE_SERVICE:
                let_go(alert.event_id)
            else:
                self._held[alert.subject] = (event, alert)

    def consider(self, event: Event, snapshot: Snapshot, event_id: int, at: float) -> Alert | None:
        """Tell what is to be told of this event, which happened at wall time `at`; None when nothing is, or not yet."""
        told = what_to_tell(
            event, snapshot, units=self._units, clock_in=lambda seconds: self._clock_at(at + seconds)
        )
        alert = told and Alert(event_id, event.kind, told.urgency, told.subject, told.headline, told.text, at)
        with self._lock:
            over = {subject for subject, (held, _) in self._held.items() if is_over(held, event)}
            if alert is not None and alert.subject in self._held:
                over.add(alert.subject)
            gone = [self._held.pop(subject)[1] for subject in over]
            due_at = None
            again = (
                alert is not None and alert.urgency not in ("trip", "fire") and self._lately(alert.subject, at)
            )
            if alert is not None and not again:
                self._keep(alert, at)
            elif alert is not None and event.kind in LASTS:
                self._held[alert.subject] = (event, alert)
                due_at = self._last[alert.subject] + AGAIN_AFTER_S
        for one in gone:
            self._let_go(one.event_id)
        if alert is not None and due_at is not None:
            self._hold(alert, due_at)
        if alert is None or again:
            return None
        for way in self.ways:
            way.give(alert)
        return alert

    def look(self, at: float) -> None:
        """Every few seconds: tell what was not said again at once and lasts. `at`: wall time, s."""
        with self._lock:
            due = [alert for subject, (_, alert) in self._held.items() if not self._lately(subject, at)]
            for alert in due:
                del self._held[alert.subject]
                self._keep(alert, at)
        for alert in due:
            self._told_late(alert, self.takers(alert))
            for way in self.ways:
                way.give(alert)

    def _lately(self, subject: str, at: float) -> bool:
        # A wall clock that was set back must not silence anything: only a small step forward is "again".
        return 0.0 <= at - self._last.get(subject, float("-inf")) < AGAIN_AFTER_S

    def takers(self, alert: Alert) -> tuple[str, ...]:
        """The channels by which it is sent, by their names."""
        return tuple(way.name for way in self.ways if way.takes(alert))

    def _keep(self, alert: Alert, at: float) -> None:
        self._told[alert.event_id] = alert
        self._last[alert.subject] = at
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
