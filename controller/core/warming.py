"""When the oil will be ready: from watts and litres, then from the slope, then from earlier preheats.

What a preheat took, less what the tank lost meanwhile, over its rise is the tank's own heat capacity. It is kept for
the next one, whose forecast so knows the wall, layers that nobody stirred, litres that are not quite the shop file's
and a mains voltage that is not the plate's. Joules are on-time times plate watts.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from math import isfinite
from typing import Any, Final

from controller.metallurgy.quench_plan import ROOM_C, TankHeat

STEP_K: Final = 5.0
SLOPE_S: Final = 240
SLOPE_LEAST_S: Final = 120
SLOPE_LEAST_K: Final = 2.0
# The sheath and the sensor lag behind the heater when heat begins (simulated tanks).
LAG_S: Final = 25.0
LEARN_FROM_K: Final = 8.0
LEARN: Final = 0.6
"""Weight of the newest preheat against what was known before."""
LEAST_SHARE, MOST_SHARE = 0.3, 4.0
"""Of watts and litres: a learned figure outside of it is a slip, not a tank."""
WATCHED_S: Final = 300


class Warming:
    """One tank's warming. Without a heater only the slope says anything."""

    def __init__(self, heat: TankHeat, heater_w: float, state: Mapping[str, Any] | None = None) -> None:
        self._heat = heat
        self._heater_w = heater_w
        known = (state or {}).get("j_per_k")
        self.learned_j_per_k: float | None = None
        if isinstance(known, (int, float)) and self._sound(float(known)):
            self.learned_j_per_k = float(known)
        self._net_j = 0.0
        self._from_c: float | None = None
        self._to_c = 0.0
        self._past: deque[tuple[float, float]] = deque(maxlen=SLOPE_S + 1)
        self.warming_s = 0.0

    def state(self) -> dict[str, Any]:
        """What the next process should know, as plain data."""
        return {"j_per_k": self.learned_j_per_k}

    def _sound(self, value: float) -> bool:
        return LEAST_SHARE <= value / max(1.0, self._heat.whole_j_per_k) <= MOST_SHARE

    def begin(self) -> None:
        """A preheat begins: nothing of an earlier one belongs to it."""
        self._past.clear()
        self._from_c = None
        self._net_j = 0.0
        self.warming_s = 0.0

    def second(self, oil_c: float, on_s: float, near: bool) -> None:
        """One second of warming; `on_s` of it the heater was on. `near`: the oil has come into its band."""
        self.warming_s += 1.0
        if not isfinite(oil_c):
            self._past.clear()
            return
        self._past.append((oil_c, on_s))
        if near:
            return
        if self._from_c is None:
            self._from_c = oil_c
        self._to_c = oil_c
        self._net_j += self._heater_w * on_s - self._loss_w(oil_c)

    def learn(self) -> None:
        """The oil is ready: what the way took is kept, if it was long enough to say something."""
        if self._from_c is None or self._to_c - self._from_c < LEARN_FROM_K:
            return
        value = self._net_j / (self._to_c - self._from_c)
        if self._sound(value):
            before = value if self.learned_j_per_k is None else self.learned_j_per_k
            self.learned_j_per_k = LEARN * value + (1.0 - LEARN) * before

    def left_s(self, oil_c: float, target_c: float) -> float | None:
        """Seconds of heat from this oil to that; None where it is not known or never comes."""
        if not isfinite(oil_c):
            return None
        if oil_c >= target_c:
            return 0.0
        if self._heater_w <= 0.0:
            return self._by_slope_alone(oil_c, target_c)
        power_w = self._heater_w * self._share()
        j_per_k = self._j_per_k()
        # What was learned holds the lag already.
        left_s = max(0.0, LAG_S - self.warming_s) if self.learned_j_per_k is None else 0.0
        here_c = oil_c
        while here_c < target_c:
            next_c = min(target_c, here_c + STEP_K)
            net_w = power_w - self._loss_w(0.5 * (here_c + next_c))
            if net_w < 0.05 * power_w:
                return None
            left_s += j_per_k * (next_c - here_c) / net_w
            here_c = next_c
        return left_s

    # --- inside --------------------------------------------------------------------------------------------

    def _loss_w(self, oil_c: float) -> float:
        return self._heat.loss_w_per_k * max(0.0, oil_c - ROOM_C)

    def _j_per_k(self) -> float:
        """Learned, or by the slope of this preheat, or from watts and litres."""
        if self.learned_j_per_k is not None:
            return self.learned_j_per_k
        slope = self._slope_j_per_k()
        return self._heat.whole_j_per_k if slope is None else slope

    def _share(self) -> float:
        """The share of full power it gets: less where the oven has a part of the circuit."""
        past = list(self._past)[-SLOPE_LEAST_S:]
        if len(past) < 60:
            return 1.0
        share = sum(on_s for _, on_s in past) / len(past)
        return min(1.0, share) if share > 0.1 else 1.0

    def _slope_j_per_k(self) -> float | None:
        """From the last minutes of this preheat."""
        past = self._past
        if len(past) <= SLOPE_LEAST_S:
            return None
        risen_k = past[-1][0] - past[0][0]
        if risen_k < SLOPE_LEAST_K:
            return None
        given_j = sum(self._heater_w * on_s - self._loss_w(oil_c) for oil_c, on_s in past)
        value = given_j / risen_k
        return value if self._sound(value) else None

    def _by_slope_alone(self, oil_c: float, target_c: float) -> float | None:
        past = self._past
        if len(past) <= SLOPE_LEAST_S:
            return None
        k_per_s = (past[-1][0] - past[0][0]) / (len(past) - 1)
        return (target_c - oil_c) / k_per_s if k_per_s > 0.002 else None
