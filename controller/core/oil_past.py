"""What the oil read and what its heater was asked for in these minutes, and how far it rose by it."""

from __future__ import annotations

from collections import deque
from itertools import islice, pairwise
from math import fsum, nan
from typing import Final

from controller.core.facts import NEVER

PAST_S: Final = 600
# Where nobody stirs a heater warms the oil above it, and that by up to 1.43 times what it would do to the whole.
UNSTIRRED: Final = 1.5
# So long a heater's sheath goes on giving what it was given.
SHEATH_S: Final = 15


class OilPast:
    """Ten minutes, second by second. `heat_j_per_k` of all of the oil, 0 where that is not known; `heater_w`.

    `given_s`, `lit_s`: in them, seconds of full heat, and seconds with any.
    """

    def __init__(self, heat_j_per_k: float, heater_w: float) -> None:
        self.heat_j_per_k = heat_j_per_k
        self.heater_w = heater_w
        self.read_c: deque[float] = deque(maxlen=PAST_S + 1)
        self._given: deque[float] = deque(maxlen=PAST_S)
        self.given_s = 0.0
        self.lit_s = 0

    def forget(self) -> None:
        """Nothing is compared with what was read before."""
        self.read_c.clear()
        self._given.clear()
        self.given_s = 0.0
        self.lit_s = 0

    def second(self, oil_c: float, asked: float) -> None:
        self.read_c.append(oil_c)
        before = self._given[0] if len(self._given) == PAST_S else 0.0
        self.given_s += asked - before
        self.lit_s += (asked > 0.0) - (before > 0.0)
        self._given.append(asked)

    def last(self, seconds: int) -> list[float]:
        """The readings of so many seconds up to now, °C; fewer where there are no more."""
        return list(islice(self.read_c, max(0, len(self.read_c) - seconds), None))

    def change_k(self, seconds: int) -> float:
        """How far the oil rose over these seconds; NEVER when there is no such past."""
        past = self.read_c
        if len(past) <= seconds:
            return NEVER
        rise_k = past[-1] - past[-1 - seconds]
        return rise_k if rise_k == rise_k else NEVER

    def line_k(self, seconds: int, least_k: float) -> float:
        """The rise over these seconds from which on it is more than warming: `least_k`, or what the heater may show.

        By the heat that was asked for in them, and shortly before: none that a stuck relay gives. The heater of a usual
        tank (up to 6 K a minute) shows less than either.
        """
        if self.heat_j_per_k <= 0.0:
            return least_k
        k_per_s = UNSTIRRED * self.heater_w / self.heat_j_per_k
        if k_per_s * seconds <= least_k:
            return least_k
        given_s = fsum(islice(self._given, max(0, len(self._given) - seconds - SHEATH_S), None))
        return max(least_k, k_per_s * min(given_s, seconds))

    def rises_k(self, number: int, apart_s: int) -> list[float]:
        """The rise in each of so many stretches of time up to now, K.

        By means of 21 s: a single reading of a quarter-degree chip is a step off now and then, or bad.
        """
        past = self.last(number * apart_s + 21)
        levels = []
        for begin in range(0, len(past), apart_s):
            known = [c for c in past[begin : begin + 21] if c == c]
            levels.append(fsum(known) / len(known) if known else nan)
        return [later - earlier for earlier, later in pairwise(levels)]
