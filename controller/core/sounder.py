"""What the sounder at the machine says: one pattern for each urgency, told apart without looking."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

from controller.model import Event

STANDING_S: Final = 1800.0
"""How long a standing trip sounds from the last one on, as on the board by itself."""


class Pattern(NamedTuple):
    """So many tones of `on_s` with `off_s` between, then `pause_s`; ticks come four times a second."""

    tones: int
    on_s: float
    off_s: float
    pause_s: float

    def sounds(self, at_s: float) -> bool:
        """Whether it sounds so many seconds after it began."""
        one_s = self.on_s + self.off_s
        within_s = at_s % (self.tones * one_s - self.off_s + self.pause_s)
        return within_s < self.tones * one_s and within_s % one_s < self.on_s


FIRE: Final = Pattern(3, 0.5, 0.5, 1.5)
"""The evacuation signal of ISO 8201: three half-second tones, then a longer pause (from memory)."""
TRIP: Final = Pattern(1, 1.5, 0.0, 0.5)
HAND: Final = Pattern(2, 0.5, 0.5, 2.5)
NEWS: Final = Pattern(1, 0.5, 0.0, 30.0)

CALLS: Final[Mapping[str, tuple[Pattern, float]]] = {
    "run_ended": (HAND, 20.0),
    "prompt_asked": (HAND, 20.0),
    "run_paused": (HAND, 20.0),
    "oil_ready": (HAND, 12.0),
    "oil_left_band": (HAND, 12.0),
    "presence_wanted": (HAND, 32.0),
    "temper_wanted": (HAND, 20.0),
    "stir_wanted": (HAND, 4.0),
    "quench_asked": (NEWS, 1.0),
    "soak_begun": (NEWS, 1.0),
    "quench_seen": (NEWS, 1.0),
}
"""By kind of event: its pattern, and for how long."""


class Sounder:
    """Follows the events and the standing trip. Safe to ask once a tick."""

    def __init__(self) -> None:
        self._pattern = HAND
        self._at_s = 0.0
        self._left_s = 0.0
        self._standing_s = 0.0
        self._fire = False

    def sounds(self, events: Iterable[Event], tripped: bool, fire: bool, passed_s: float) -> bool:
        """Whether it sounds in this tick. `passed_s`: since the last one."""
        self._at_s += passed_s
        self._left_s -= passed_s
        self._standing_s = self._standing_s + passed_s if tripped or fire else 0.0
        if fire and not self._fire:
            self._standing_s = 0.0
        self._fire = fire
        for event in events:
            if event.kind in ("interlock_tripped", "board_tripped_again"):
                self._standing_s = 0.0
            call = CALLS.get(event.kind)
            # What wants a hand is not cut short by news.
            if call is not None and (call[0] is HAND or self._left_s <= 0.0):
                self._pattern, self._left_s = call
                self._at_s = 0.0
        if (tripped or fire) and self._standing_s < STANDING_S:
            return (FIRE if fire else TRIP).sounds(self._standing_s)
        return self._left_s > 0.0 and self._pattern.sounds(self._at_s)
