"""What was asked of a zone, and what the board reports that it drove."""

from __future__ import annotations

from collections import deque
from math import fsum
from typing import Final

from controller.core.facts import NEVER


class Delivery:
    """Compares what was asked of a zone with what the board reports it drove, over half a minute."""

    WINDOW_S: Final = 31
    BREAK_S: Final = 10
    """After so long that cannot be compared another heat begins; less is a flicker, and the window goes on."""
    SETTLE_S: Final = 2
    """After a flicker the loop asks again within a second, and the board drives it from its next window on."""

    def __init__(self) -> None:
        self._difference_s: deque[float] = deque(maxlen=self.WINDOW_S)
        self._asked_before = 0.0
        self._break_s = self._settle_s = 0

    def forget(self) -> None:
        """The board may be heating less than asked, and rightly: what was so far says nothing about what comes."""
        self._difference_s.clear()
        self._settle_s = 0

    def second(self, comparable: bool, asked: float, on_s: float) -> float:
        """The difference as a share of full power; NEVER while the two cannot be compared.

        A duty acts in the window after the one it was asked in, so each second is compared with the one before.
        """
        before, self._asked_before = self._asked_before, asked
        if not comparable:
            self._break_s += 1
            if self._break_s >= self.BREAK_S:
                self._difference_s.clear()
            self._settle_s = self.SETTLE_S if self._difference_s else 0
            return NEVER
        self._break_s = 0
        if self._settle_s > 0:
            self._settle_s -= 1
            return NEVER
        self._difference_s.append(before - on_s)
        if len(self._difference_s) < self.WINDOW_S:
            return NEVER
        return abs(fsum(self._difference_s)) / self.WINDOW_S
