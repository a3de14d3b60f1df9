"""What one tick knows, handed to the zones: one object per core, rewritten in place."""

from __future__ import annotations

from controller.core.facts import Facts
from controller.core.interlocks import FORBID, Verdict
from controller.model import Event


class Moment:
    """`now_s` monotonic; `passed_s` since the tick before by that clock, whether the board was heard or not, 0 when it
    steps back; `dt_s` board time since the last fresh frame, 0 without one; `events` of this tick."""

    __slots__ = ("_now_s", "armed", "dt_s", "events", "facts", "passed_s", "verdict")

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self._now_s: float | None = None
        self.passed_s = 0.0
        self.dt_s = 0.0
        self.armed = False
        self.verdict: Verdict = FORBID
        self.events: list[Event] = []

    @property
    def now_s(self) -> float:
        """The clock of this tick; set once in each."""
        return self._now_s or 0.0

    @now_s.setter
    def now_s(self, now_s: float) -> None:
        self.passed_s = 0.0 if self._now_s is None else max(0.0, now_s - self._now_s)
        self._now_s = now_s

    def happened(self, kind: str, text: str, **data: object) -> None:
        """Append an event of this tick."""
        self.events.append(Event(kind, self.now_s, text, data))
