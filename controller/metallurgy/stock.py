"""A stock's own offset from the model, learned from its tempered and tested pieces.

Normal prior and normal errors. The prior is the model's own 90 % band, so what is learned from one piece is as much
as that band allows. How far a stock strays from a shifted model grows with the distance from the tested temper; how
much of it is set so that on the 32 measured heats, any 1 to 6 of whose rows were taken as tested pieces, the bands hold
near nine of ten of the others (computed; `python -m tests.metallurgy.fit` prints it). A narrower law, 0.5 HRC and
0.004 HRC/K, had held 79 to 89 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

NINETY: Final = 1.645
NEAR_HRC: Final = 0.75
HRC_PER_K: Final = 0.008
LEAST_BETWEEN_HRC: Final = 0.6
HAND_HRC: Final = 0.5
STRANGE: Final = 3.0
BY_HAND: Final = "Tempered by hand: without time and temperature no hardness is predicted; its file test stands."


@dataclass(frozen=True, slots=True)
class PieceTested:
    """A piece of this stock: its temper, or what its trace was worth, and the band of its file test.

    A temper by hand (colours run by residual heat, a torch) has no time and temperature to compare with, and an open
    band no middle: such a piece is kept, and teaches nothing.
    """

    temperature_c: float
    time_s: float
    low_hrc: float | None
    high_hrc: float | None
    by_hand: bool = False
    name: str = ""

    @property
    def teaches(self) -> bool:
        return not self.by_hand and self.low_hrc is not None and self.high_hrc is not None

    @property
    def middle_hrc(self) -> float:
        assert self.low_hrc is not None
        assert self.high_hrc is not None
        return (self.low_hrc + self.high_hrc) / 2.0

    @property
    def error_hrc(self) -> float:
        """Standard error of the test: anywhere in the band alike, and the hand."""
        assert self.low_hrc is not None
        assert self.high_hrc is not None
        return sqrt(((self.high_hrc - self.low_hrc) / 2.0) ** 2 / 3.0 + HAND_HRC**2)


@dataclass(frozen=True, slots=True)
class Residual:
    """A tested piece less what the model said of it, HRC; its test's standard error; its temper's distance, K."""

    hrc: float
    error_hrc: float
    distance_k: float


@dataclass(frozen=True, slots=True)
class Offset:
    """How far this stock lies from the model here, HRC; the standard error; pieces; what is left within the stock."""

    hrc: float
    error_hrc: float
    pieces: int
    within_hrc: float
    strange: int = 0

    @property
    def half_band_hrc(self) -> float:
        """Half a 90 % band."""
        return NINETY * sqrt(self.error_hrc**2 + self.within_hrc**2)


def within_hrc(distance_k: float) -> float:
    """Scatter within one stock at a distance from the tested temper."""
    return NEAR_HRC + HRC_PER_K * abs(distance_k)


def offset_of(residuals: Sequence[Residual], low_hrc: float, high_hrc: float) -> Offset:
    """The offset after these pieces; `low_hrc` and `high_hrc` are the model's 90 % band, to add to its number."""
    mean = (low_hrc + high_hrc) / 2.0
    whole = (high_hrc - low_hrc) / (2.0 * NINETY)
    nearest = min((abs(one.distance_k) for one in residuals), default=0.0)
    between = sqrt(max(whole**2 - within_hrc(0.0) ** 2, LEAST_BETWEEN_HRC**2))
    weight, total = 1.0 / between**2, mean / between**2
    strange = 0
    for one in residuals:
        variance = one.error_hrc**2 + within_hrc(one.distance_k) ** 2
        if abs(one.hrc - mean) > STRANGE * sqrt(between**2 + variance):
            strange += 1
        weight += 1.0 / variance
        total += one.hrc / variance
    return Offset(total / weight, sqrt(1.0 / weight), len(residuals), within_hrc(nearest), strange)
