"""What one tick knows, handed to the zones: one object per core, rewritten in place."""

from __future__ import annotations

from controller.core.facts import Facts
from controller.core.interlocks import FORBID, Verdict
from controller.model import Event


class Moment:
    """`now_s` monotonic; `dt_s` board time since the last fresh frame, 0 without one; `events` of this tick."""

    __slots__ = ("armed", "dt_s", "events", "facts", "now_s", "verdict")

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self.now_s = 0.0
        self.dt_s = 0.0
        self.armed = False
        self.verdict: Verdict = FORBID
        self.events: list[Event] = []

    def happened(self, kind: str, text: str, **data: object) -> None:
        """Append an event of this tick."""
        self.events.append(Event(kind, self.now_s, text, data))
