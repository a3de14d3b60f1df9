"""An account of the heat that an oven was really given, and of what its reading made of it.

Beside the windows of full heat, which a few seconds without any begin anew: whatever interrupts the heat again and
again interrupts this one only by what the heat that was lost would have done.
"""

from __future__ import annotations

from math import nan
from typing import Final, NamedTuple

from controller.core.facts import NEVER
from controller.core.slowest import Slowest, after, begun


class Sizes(NamedTuple):
    """Judged from `lost_s` seconds without heat on, where `expected_k` are: a rise by `rise_k` from the lowest, or a
    fall by `fall_k` from the highest, begins it anew."""

    lost_s: int
    expected_k: float
    rise_k: float
    fall_k: float


# With fewer seconds without heat the windows judge, and as they ever did.
EXACT: Final = Sizes(4, 5.0, 3.0, 5.0)
# For means of a reading that flutters, which by chance move this far apart, but not by as much as is expected.
ROUGH: Final = Sizes(0, 20.0, 12.0, 12.0)


class HeatAccount:
    """Runs from where the reading last rose, beside the slowest oven with the same heat."""

    __slots__ = ("_from_c", "_high_c", "_lost_s", "_low_c", "_model", "_sizes", "_unseen")

    def __init__(self, sizes: Sizes = EXACT) -> None:
        self._sizes = sizes
        self.begin(nan)

    def begin(self, reading_c: float) -> None:
        """Anew from this reading, °C; NaN: from the next one that is known."""
        self._from_c = self._low_c = self._high_c = reading_c
        self._model: Slowest = begun(reading_c)
        self._lost_s = 0
        self._unseen = False

    def missed(self, seconds: int) -> None:
        """So many seconds that nobody looked at, without heat; what the door did meanwhile is not known."""
        for _ in range(seconds):
            self._model = after(self._model, 0.0, 1.0)
        self._lost_s += seconds
        self._unseen = True

    def second(self, reading_c: float, given: float, shut: bool) -> float:
        """What lacks of the rise, K, where even the slowest oven would have risen as far as expected; NEVER otherwise.

        `given`: the duty as the board drove it, 0..1; 0 in a second that was lost to full heat. A reading that fell is
        the business of the falling rows, unless the door is known to be `shut`.
        """
        if self._from_c != self._from_c:
            self.begin(reading_c)
            return NEVER
        self._model = after(self._model, given, 1.0)
        self._lost_s += given <= 0.0
        if reading_c != reading_c:
            return NEVER
        self._low_c = min(self._low_c, reading_c)
        self._high_c = max(self._high_c, reading_c)
        fell = self._high_c - reading_c >= self._sizes.fall_k
        if (fell and (self._unseen or not shut)) or reading_c - self._low_c >= self._sizes.rise_k:
            self.begin(reading_c)
            return NEVER
        if fell:
            # A sensor that leaves a hot oven: no oven gets from the cold reading to where it was before.
            self._from_c = self._low_c = self._high_c = reading_c
            self._model = Slowest(self._model.element, reading_c, reading_c)
        if self._model.probe_c < self._low_c:
            # This oven holds its heat better than the slowest: from here on as the slowest would from here.
            self._model = Slowest(self._model.element, self._low_c, self._low_c)
            self._from_c = self._low_c
        expected_k = self._model.probe_c - self._from_c
        judged = self._lost_s >= self._sizes.lost_s and expected_k >= self._sizes.expected_k
        return self._sizes.rise_k - (reading_c - self._low_c) if judged else NEVER
