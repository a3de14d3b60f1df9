"""Hardness scales and what a file says of hardness.

Rockwell C to Vickers: ASTM E140 Table 1 (published). Brinell by the same table, carbide ball; above 50 HRC its public
transcriptions disagree (654 at 60 HRC from memory). E140 calls its conversions approximate: whole numbers, no more.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

LOWEST_HRC, HIGHEST_HRC = 20.0, 68.0
_HV: Final = (
    238, 243, 248, 254, 260, 266, 272, 279, 286, 294, 302, 310, 318, 327, 336, 345, 354, 363, 372, 382, 392, 402, 412,
    423, 434, 446, 458, 471, 484, 498, 513, 528, 544, 560, 577, 595, 613, 633, 653, 674, 697, 720, 746, 772, 800, 832,
    865, 900, 940,
)  # fmt: skip
_HBW: Final = ((20.0, 226.0), (30.0, 286.0), (40.0, 371.0), (50.0, 481.0), (55.0, 560.0))
FILES_HRC: Final = (40, 45, 50, 55, 60, 65)
"""A set of graded files as the trade sells it."""


def hv_of_hrc(hrc: float) -> float:
    """HV by E140, straight between its points. ValueError outside 20..68 HRC, where it is not defined."""
    if not LOWEST_HRC <= hrc <= HIGHEST_HRC:
        raise ValueError(f"the Rockwell C scale converts from {LOWEST_HRC:g} to {HIGHEST_HRC:g} HRC, not at {hrc:g}")
    index = min(int(hrc - LOWEST_HRC), len(_HV) - 2)
    return _HV[index] + (_HV[index + 1] - _HV[index]) * (hrc - LOWEST_HRC - index)


def hrc_of_hv(hv: float) -> float:
    """HRC by E140 backwards, carried on straight below 20 and above 68 HRC: for adding up, not for showing."""
    index = max(0, min(bisect_right(_HV, hv) - 1, len(_HV) - 2))
    return LOWEST_HRC + index + (hv - _HV[index]) / (_HV[index + 1] - _HV[index])


def hbw_of_hrc(hrc: float) -> float:
    """Brinell, carbide ball, by E140. ValueError outside 20..55 HRC: above, public transcriptions disagree."""
    for (low, low_hb), (high, high_hb) in pairwise(_HBW):
        if low <= hrc <= high:
            return low_hb + (high_hb - low_hb) * (hrc - low) / (high - low)
    raise ValueError(f"Brinell is given here from 20 to 55 HRC, not at {hrc:g}")


def strength_mpa(hv: float) -> tuple[float, float]:
    """(tensile, yield) strength; Pavlina and Van Tyne, JMEP 17 (2008) 888. ValueError outside 100..700 HV."""
    if not 100.0 <= hv <= 700.0:
        raise ValueError(f"strength is estimated from 100 to 700 HV, not at {hv:g}")
    return -99.8 + 3.734 * hv, -90.7 + 2.876 * hv


@dataclass(frozen=True, slots=True)
class FileBand:
    """Between the file that skates and the one that bites: a band, never one number. None: open on that side."""

    low_hrc: float | None
    high_hrc: float | None
    text: str

    @property
    def middle_hrc(self) -> float | None:
        return None if self.low_hrc is None or self.high_hrc is None else (self.low_hrc + self.high_hrc) / 2.0

    @property
    def error_hrc(self) -> float | None:
        """Half the band plus 1 HRC for the hand (a files' tolerance of 2 HRC, SAE J864, is in the band's edges)."""
        return None if self.low_hrc is None or self.high_hrc is None else (self.high_hrc - self.low_hrc) / 2.0 + 1.0


def file_band(skates_hrc: float | None, bites_hrc: float | None) -> FileBand:
    """The band of a test with graded files: the hardest that skates and the softest that bites.

    SAE J864: a file cuts steel 2 HRC softer than its mark and skates on steel 2 HRC harder. Raises ValueError for a
    test that contradicts itself or is none.
    """
    if skates_hrc is None and bites_hrc is None:
        raise ValueError("No file is given; right is the hardest file that skates, the softest that bites, or both.")
    for value in (skates_hrc, bites_hrc):
        if value is not None and not 35.0 <= value <= 70.0:
            raise ValueError(f"A file of {value:g} HRC is none of a graded set; right is a number from 35 to 70.")
    if skates_hrc is not None and bites_hrc is not None and not skates_hrc < bites_hrc:
        raise ValueError(
            f"The {skates_hrc:g} file skates and the {bites_hrc:g} file bites: a harder file bites where a softer one "
            "does. Right is a skating file below the biting one; clean and test again."
        )
    if bites_hrc is None:
        return FileBand(skates_hrc, None, f"above about {skates_hrc:g} HRC: no file of the set bites")
    if skates_hrc is None:
        return FileBand(None, bites_hrc, f"below about {bites_hrc:g} HRC: every file of the set bites")
    return FileBand(skates_hrc, bites_hrc, f"{skates_hrc:g} to {bites_hrc:g} HRC, each edge ±2 (SAE J864)")
