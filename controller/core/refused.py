"""A board that takes nothing: it answers, and refuses its limits, what it is asked, or every frame.

It gives no heat then, so there is nothing to withhold; but a run would wait for ever with nothing said.
"""

from __future__ import annotations

from typing import Final

from controller.core.moment import Moment
from controller.model import Reading, Refusal
from controller.words import REFUSALS

REFUSED_S: Final = 10.0
"""A greeting, three limits and the first answer take half a second; limits are sent again every half second."""


class Refused:
    """`what`: None, or what the board has not taken for REFUSED_S: "frames" (no session holds), "limits", "duty"."""

    def __init__(self) -> None:
        self.what: Refusal | None = None
        self._for_s = 0.0

    def second(self, reading: Reading, moment: Moment) -> None:
        """Once a second of board time, while the board is heard."""
        found = _refused(reading)
        self._for_s = 0.0 if found is None else self._for_s + 1.0
        if found is None or self._for_s < REFUSED_S:
            self.what = None
            return
        if self.what is None:
            code = reading.answer
            moment.happened("board_refuses", REFUSALS[found][0], which=found, answer=code)
        self.what = found


def _refused(reading: Reading) -> Refusal | None:
    if reading.incompatible is not None:
        return None  # which is told by itself
    if not reading.limits_set:
        return "limits" if reading.answer == 0 else "frames"
    return None if reading.answer in (None, 0) else "duty"
