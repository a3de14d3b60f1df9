"""Hardness from composition: tempered martensite after Grange and Baughman, and martensite as quenched.

HV = base(C, P) + sum of k(P) x percent, P = (°F + 460) (18 + log10 h) / 1000 (Trans. ASM 48 (1956) 165). The table
of k is from memory, held up by the paper's own measurements. The base surface is fitted here, not published: to 17
plain carbon heats of Hollomon and Jaffe 1945 and of Grange and Baughman 1956, from the open data set of Raiipa
Technologies (CC BY 4.0; Kaggle, rgerschtzsauer); `python -m tests.metallurgy.fit` fits it again and prints how far
it was off for steels that it had not seen. Below about 300 °C an hour half of the Cr, Ni, Mo and V increments counts
(computed here: the whole reads too hard on heats of the same laboratory).
"""

from __future__ import annotations

from itertools import pairwise
from math import log10, sqrt
from typing import Final

from controller.metallurgy.scales import hrc_of_hv
from controller.metallurgy.steel import Elements

SHORTEST_S, LONGEST_S = 600.0, 115_200.0
"""The measured times, 10 min to 32 h; the time shift fails in seconds."""
COLDEST_C, HOTTEST_C = 90.0, 660.0
HARDEST_P, SOFTEST_P = 11.8, 31.0
LEAST_CARBON, MOST_CARBON = 0.25, 1.15
EDGE_CARBON: Final = (0.30, 1.05)
EDGE_HRC: Final = 2.0
"""What the band is widened by beyond `EDGE_CARBON`: there the surface hangs on one heat."""
MOST: Final = (("mn", 2.1), ("si", 2.0), ("ni", 4.0), ("cr", 1.6), ("mo", 0.4), ("v", 0.25), ("w", 0.1), ("cu", 0.5),
               ("al", 0.1))  # fmt: skip
"""Percent up to which the increments were measured or nearly so."""

_P: Final = (20.0, 22.0, 24.0, 26.0, 28.0, 30.0)
_HV_PER_PERCENT: Final = {
    "mn": (35.0, 25.0, 30.0, 30.0, 30.0, 25.0), "si": (65.0, 60.0, 30.0, 30.0, 30.0, 30.0),
    "ni": (5.0, 3.0, 6.0, 8.0, 8.0, 6.0), "cr": (50.0, 55.0, 55.0, 55.0, 55.0, 55.0),
    "mo": (40.0, 90.0, 160.0, 220.0, 240.0, 210.0), "mo with cr": (20.0, 45.0, 80.0, 110.0, 120.0, 105.0),
    "v": (0.0, 30.0, 85.0, 150.0, 210.0, 150.0),
}  # fmt: skip
_BASE: Final = (
    -44.2367, -156.8147, -288.2119, 795.4797,
    886.4765, -134.0593, 712.4392, -1759.6125,
    -385.2066, -33.7678, -337.4714, 945.4286,
)  # fmt: skip
"""Printed by `python -m tests.metallurgy.fit`, 2026-11-25: 344 rows of 17 heats, from 10 min and 20 HRC up."""

BAND_KNOTS: Final = (14.0, 17.5, 20.5, 24.0, 28.0)
_BAND: Final = {
    True: ((-2.8, 2.4), (-2.6, 1.9), (-3.1, 2.1), (-3.2, 2.4), (-4.2, 2.6)),
    False: ((-5.1, 0.8), (-5.3, 0.7), (-5.8, 1.5), (-5.1, 1.9), (-7.1, 1.9)),
}
"""Plain and alloyed, at each knot: 5 and 95 % points of measured less predicted, heats left out one at a time, every
laboratory in it (the alloyed heats of one read 3 HRC softer than those of the other: the band is not even)."""
FEW_HEATS: Final = {True: 1.25, False: 1.08}
"""Points of so few heats lie too far in. Plain and alloyed, so that a band drawn without the heat as well holds near
nine of ten of its rows (computed by the same command)."""
SOURCES: Final = (
    "Grange and Baughman, Trans. ASM 48 (1956) 165: increments of the elements (from memory)",
    "Base surface fitted here (not published) to Hollomon and Jaffe 1945 and Grange and Baughman 1956, from the open "
    "data set of Raiipa Technologies (CC BY 4.0)",
)


def parameter_f(temperature_c: float, time_s: float) -> float:
    """Grange and Baughman's parameter of a temper (°C, s), degrees Rankine times log hours by thousand."""
    return (temperature_c * 1.8 + 491.67) * (18.0 + log10(time_s / 3600.0)) / 1000.0


def is_plain(elements: Elements) -> bool:
    """A plain carbon steel: no alloy beyond what is always in it."""
    e = elements
    return e.cr < 0.2 and e.ni < 0.2 and e.mo < 0.05 and e.v < 0.03 and e.si < 0.5 and e.mn < 1.2 and e.w < 0.1


def base_terms(carbon: float, p: float) -> tuple[float, ...]:
    """What the base surface's coefficients are multiplied with."""
    root, q = sqrt(carbon), (p - 22.0) / 10.0
    powers = (1.0, q, q * q, q * q * q)
    return (*powers, *(root * power for power in powers), *(carbon * power for power in powers))


def increment_hv_per_percent(element: str, p: float) -> float:
    """Grange and Baughman's factor, HV for each percent; held beyond the ends of their table (P_F 20 to 30)."""
    values = _HV_PER_PERCENT[element]
    return _straight(p, _P, values)


def increments_hv(elements: Elements, p: float) -> float:
    """What the elements add to the hardness of a plain steel of the same carbon, HV."""
    share = 0.5 + 0.5 * min(max((p - 18.0) / 2.0, 0.0), 1.0)
    with_chromium = "mo with cr" if 0.5 <= elements.cr <= 1.2 else "mo"
    slow = increment_hv_per_percent("mn", p) * elements.mn + increment_hv_per_percent("si", p) * elements.si
    k = increment_hv_per_percent
    fast = k("ni", p) * elements.ni + k("cr", p) * elements.cr + k("v", p) * elements.v
    return slow + share * (fast + increment_hv_per_percent(with_chromium, p) * elements.mo)


def tempered_hrc(elements: Elements, p: float) -> float:
    """HRC at the parameter, without asking whether the model reaches there (`refusal` says)."""
    carbon = min(max(elements.c, LEAST_CARBON), MOST_CARBON)
    base = sum(coefficient * term for coefficient, term in zip(_BASE, base_terms(carbon, p), strict=True))
    return hrc_of_hv(base + increments_hv(elements, p))


def band_hrc(elements: Elements, p: float) -> tuple[float, float]:
    """(low, high) to add to the predicted hardness for a 90 % band: the 5 and 95 % points of the errors on heats
    that the fit had not seen, near this parameter."""
    band = _BAND[is_plain(elements)]
    low = _straight(p, BAND_KNOTS, tuple(pair[0] for pair in band))
    high = _straight(p, BAND_KNOTS, tuple(pair[1] for pair in band))
    edge = 0.0 if EDGE_CARBON[0] <= elements.c <= EDGE_CARBON[1] else EDGE_HRC
    wider = FEW_HEATS[is_plain(elements)]
    return wider * low - edge, wider * high + edge


def refusal(elements: Elements, temperature_c: float, time_s: float) -> str:
    """Why the composition model gives no number here; empty where it does."""
    if not LEAST_CARBON <= elements.c <= MOST_CARBON:
        return f"The composition model holds from {LEAST_CARBON:g} to {MOST_CARBON:g} % C, not at {elements.c:g} %."
    for name, most in MOST:
        if getattr(elements, name) > most:
            return (
                f"The composition model reaches to {most:g} % {name.capitalize()}; this steel has "
                f"{getattr(elements, name):g} %. Temper and test a coupon."
            )
    return time_refusal(temperature_c, time_s)


def time_refusal(temperature_c: float, time_s: float) -> str:
    """Why no time and temperature shift is made here; empty where it is."""
    if not SHORTEST_S <= time_s <= LONGEST_S:
        return f"The models hold for 10 min to 32 h at heat, not for {time_s / 60.0:g} min."
    if not COLDEST_C <= temperature_c <= HOTTEST_C:
        return f"The models hold from {COLDEST_C:g} to {HOTTEST_C:g} °C, not at {temperature_c:g} °C."
    if not HARDEST_P <= parameter_f(temperature_c, time_s) <= SOFTEST_P:
        return "This time and temperature together lie outside what was measured."
    return ""


def as_quenched_hrc(carbon: float) -> float:
    """Hardness of full martensite, ASTM A255 IH (published) to 0.6 % C; above it stays flat, 64 to 67 measured."""
    c = min(carbon, 0.6)
    return 33.087 + 50.723 * c + 33.662 * c**2 - 2.7048 * c**3 - 107.02 * c**4 + 43.523 * c**5


def carbon_of_as_quenched(hrc: float) -> float:
    """Percent carbon whose full martensite has this hardness; 0.6 stands for 0.6 or more, 0.1 for 0.1 or less."""
    low, high = 0.10, 0.60
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if as_quenched_hrc(middle) < hrc else (low, middle)
    return (low + high) / 2.0


def _straight(x: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    if x <= xs[0]:
        return ys[0]
    for (low, low_y), (high, high_y) in pairwise(zip(xs, ys, strict=True)):
        if x <= high:
            return low_y + (high_y - low_y) * (x - low) / (high - low)
    return ys[-1]
