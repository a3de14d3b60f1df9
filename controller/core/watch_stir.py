"""What a stir by hand explains of a fall of the oil's reading, where no stirrer is fitted.

Unstirred oil lies in layers: the sensor is in the warm one, and who stirs, as the page asks, brings the cold one up.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from controller.core.facts import NEVER
from controller.metallurgy.quench_plan import ROOM_C

FALL_K: Final = 3.0
"""The row's own."""
COLD_SHARE: Final = 0.4
"""No tank has more of its oil below its heater; the rest of it is at least as warm as the room."""
COLD_K: Final = 10.0
"""In oil that is hardly warm the room may be colder than assumed."""
ANSWER_K: Final = 6.0
"""So much heat, spread over all of the oil, is given for the reading to rise again."""
ANSWER_SHARE: Final = 0.25
OFF_S: Final = 60.0


class HandStirring:
    """A fall under much heat that may be a stir, and what has to follow then.

    Only where a limit sensor is fitted: one sensor alone cannot tell a stir from air that the oil below it warms.
    """

    def __init__(self, k_per_s: float) -> None:
        """`k_per_s`: what full heat gives to all of the oil; 0 where that is not known, and then nothing explains."""
        self._k_per_s = k_per_s
        self._open = False
        self._high_c = self._low_c = 0.0
        self._given_k = 0.0

    def forget(self) -> None:
        """Nothing is compared with what was read before."""
        self._open = False

    def second(self, fall_k: float, recent_c: Iterable[float], oil_c: float, asked: float, off_s: float) -> float:
        """What is left of the fall, K: all of it, or NEVER while it may be a stir. What no stir explains is told once.

        `fall_k`: over the last minute under heat; `recent_c`: its readings; `off_s`: how long no heat was asked for.
        """
        if self._k_per_s <= 0.0:
            return fall_k
        if not self._open and fall_k >= FALL_K:
            self._open = True
            self._high_c = max(c for c in recent_c if c == c)
            self._low_c = oil_c
            self._given_k = 0.0
        if not self._open:
            return fall_k
        if off_s > OFF_S:
            # Without heat nothing has to answer to it, and warm oil cools.
            self._open = False
            return NEVER
        self._given_k += self._k_per_s * asked
        if oil_c != oil_c:
            return NEVER
        self._low_c = min(self._low_c, oil_c)
        fell_k = self._high_c - oil_c
        too_far = fell_k > max(COLD_K, COLD_SHARE * (self._high_c - ROOM_C))
        if not too_far and self._given_k < ANSWER_K:
            return NEVER
        self._open = False
        answered = oil_c - self._low_c >= ANSWER_SHARE * ANSWER_K
        return NEVER if answered and not too_far else max(fell_k, FALL_K)


class SinceFall:
    """What was asked of the heater since the reading fell, with much heat or little, and how far it came up again.

    `since_s`: how long ago; `given_s`, `lit_s`: seconds of full heat, and seconds with any.
    """

    def __init__(self) -> None:
        self.since_s = 1e9
        self.given_s = self.lit_s = self.risen_k = 0.0
        self._low_c = 0.0
        self._answered = True

    def forget(self) -> None:
        """Nothing is compared with what was read before."""
        self.since_s = 1e9

    def second(self, change_k: float, oil_c: float, asked: float, again_s: float) -> bool:
        """True where a fall begins. Before `again_s` another one counts only if the reading rose after the last one.

        `change_k`: over the last minute.
        """
        self.since_s += 1.0
        self.given_s += asked
        self.lit_s += float(asked > 0.0)
        if oil_c == oil_c:
            self._low_c = min(self._low_c, oil_c)
            self.risen_k = oil_c - self._low_c
            self._answered = self._answered or self.risen_k >= ANSWER_SHARE * ANSWER_K
        if not NEVER < change_k <= -FALL_K or not (self._answered or self.since_s > again_s):
            return False
        self.since_s = self.given_s = self.lit_s = self.risen_k = 0.0
        self._low_c = oil_c
        self._answered = False
        return True
