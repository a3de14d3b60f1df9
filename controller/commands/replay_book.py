"""What the book knows beside a run's tape: which interlocks acted then, and how much of the run the tape holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from controller.core.table import TABLE
from controller.pump import Pump
from controller.records import Book

ACTED: Final = ("interlock_withheld", "interlock_tripped")
OVER: Final = ("interlock_cleared", "trip_reset")
BEFORE: Final = 1000
"""So many events before a run's own are looked at: far more than its lead-in of ten minutes brings."""
STEP_S: Final = 60.0
"""Between two samples of a run that is on; more is a time without a process."""
BACK_S: Final = 1.0
"""A clock that went back by more is that of another boot."""


class Stretch(NamedTuple):
    """What was replayed without a break, s of the clock of the boot that it was recorded in (the run's first is 0)."""

    boot: int
    from_s: float
    until_s: float


def events_about(book: Book, run: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The events of the run and of its lead-in, in order; those of an earlier boot left out."""
    own = [event["id"] for event in run["events"]]
    if not own:
        return []
    first = max(0, own[0] - BEFORE)
    events = book.events(after_id=first - 1, limit=own[-1] - first + 1)
    begins = next(place for place, event in enumerate(events) if event["id"] == own[0])
    for place in range(begins, 0, -1):
        if events[place]["mono_s"] < events[place - 1]["mono_s"] - BACK_S:
            return events[place:]
    return events


class Then:
    """Which interlocks kept heat away when the tape was recorded, as far as its memories and the events tell."""

    def __init__(self, events: Sequence[Mapping[str, Any]]) -> None:
        self._events: list[tuple[int, Mapping[str, Any]]] = []
        boot, before_s = 0, float("-inf")
        for event in events:
            boot += event["mono_s"] < before_s - BACK_S
            before_s = event["mono_s"]
            self._events.append((boot, event))
        self._stood: dict[str, str] = {}
        self._boot, self._from_s = 0, 0.0

    def begin(self, pump: Pump, boot: int, from_s: float) -> None:
        """From here on it goes on from what this pump remembers."""
        acting = pump.core.interlocks.acting
        self._stood = {row.name: row.text for row in TABLE if row.action != "alert" and acting(row.name)}
        self._boot, self._from_s = boot, from_s

    def acting(self, now_s: float) -> dict[str, str]:
        """Names and sentences of those that acted in the tick of `now_s`."""
        standing = dict(self._stood)
        for boot, event in self._events:
            if boot == self._boot and self._from_s <= event["mono_s"] <= now_s:
                name = str((event["data"] or {}).get("interlock"))
                if event["kind"] in ACTED:
                    standing[name] = event["text"]
                elif event["kind"] in OVER:
                    standing.pop(name, None)
        return standing


def coverage(samples: Iterable[Mapping[str, Any] | Any], stretches: Sequence[Stretch]) -> tuple[float, float]:
    """How long the run was on, as its samples tell, and how much of that lies in these stretches of its tape, s."""
    run_s = covered_s = 0.0
    boot, before_s = 0, None
    for sample in samples:
        now_s = float(sample["mono_s"])
        if before_s is not None:
            boot += now_s < before_s - BACK_S
            if 0.0 < now_s - before_s <= STEP_S:
                run_s += now_s - before_s
                both = (min(now_s, one.until_s) - max(before_s, one.from_s) for one in stretches if one.boot == boot)
                covered_s += max(0.0, max(both, default=0.0))
        before_s = now_s
    return run_s, covered_s
