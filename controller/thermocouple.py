"""Thermocouples: the ITS-90 reference functions of types K, J, N and T, and what three chips make of them.

Coefficients: NIST SRD 60, from NIST Monograph 175 (the functions of IEC 60584-1). Temperatures are °C, emf is
mV with the reference junction at 0 °C. Pure functions, nothing is measured here.

The forward functions hold from -270 °C (J: -210 °C); the inverse ones, like NIST's own polynomials, from
-200 °C (J: -210 °C). A value outside, or NaN, raises `ValueError`; only `true_c_hundredths` answers NaN.

What a chip shows is not ITS-90. A MAX31855 and a MAX6675 turn volts into degrees along one straight line
(a MAX31855K reads 2.9 K low at 230 °C), a MAX31856 has the table inside. `true_c` corrects what is shown,
`shown_c` goes the other way. Cold-junction temperatures are never added to a reading: the emf of the cold
junction is.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, Literal, NamedTuple

Kind = Literal["K", "J", "N", "T"]
KINDS: Final[tuple[Kind, ...]] = ("K", "J", "N", "T")

MAX31855: Final = 31855
MAX6675: Final = 6675
MAX31856: Final = 31856
CHIPS: Final = (MAX31855, MAX6675, MAX31856)

LIMIT_COLD_C: Final = 10.0
"""Cold junction for which limits are converted: a warmer terminal block makes the board trip earlier."""

UNREPORTED_COLD_C: Final = 25.0
"""Cold junction taken for a MAX6675, which reports none."""

_SLOPE_31855_MV_PER_K: Final[dict[Kind, float]] = {"K": 0.041276, "J": 0.057953, "N": 0.036256, "T": 0.05218}
"""K: MAX31855 data sheet 19-5793. J, N and T: from memory; as with K they equal E(1000 °C)/1000 (T: 400)."""
_SLOPE_6675_MV_PER_K: Final = 0.041
"""MAX6675 data sheet 19-2235."""


class Forward(NamedTuple):
    """emf in mV is the sum of c[i]*t**i up to `t_max_c`, the highest power first."""

    t_max_c: float
    powers: tuple[float, ...]
    slopes: tuple[float, ...]


class Inverse(NamedTuple):
    """Temperature in °C is the sum of d[i]*mv**i up to `mv_max`, the highest power first."""

    mv_max: float
    powers: tuple[float, ...]


def _forward(t_max_c: float, *ascending: float) -> Forward:
    slopes = tuple(i * c for i, c in enumerate(ascending))[1:]
    return Forward(t_max_c, ascending[::-1], slopes[::-1])


def _inverse(mv_max: float, *ascending: float) -> Inverse:
    return Inverse(mv_max, ascending[::-1])


LOWEST_C: Final[dict[Kind, float]] = {"K": -270.0, "J": -210.0, "N": -270.0, "T": -270.0}
HIGHEST_C: Final[dict[Kind, float]] = {"K": 1372.0, "J": 1200.0, "N": 1300.0, "T": 400.0}
LOWEST_INVERSE_C: Final[dict[Kind, float]] = {"K": -200.0, "J": -210.0, "N": -200.0, "T": -200.0}

# fmt: off
_FORWARD: Final[dict[Kind, tuple[Forward, ...]]] = {
    "K": (
        _forward(0.0, 0.0, 0.039450128025, 2.3622373598e-05, -3.2858906784e-07, -4.9904828777e-09,
                 -6.7509059173e-11, -5.7410327428e-13, -3.1088872894e-15, -1.0451609365e-17,
                 -1.9889266878e-20, -1.6322697486e-23),
        _forward(1372.0, -0.017600413686, 0.038921204975, 1.8558770032e-05, -9.9457592874e-08,
                 3.1840945719e-10, -5.6072844889e-13, 5.6075059059e-16, -3.2020720003e-19,
                 9.7151147152e-23, -1.2104721275e-26),
    ),
    "J": (
        _forward(760.0, 0.0, 0.050381187815, 3.047583693e-05, -8.568106572e-08, 1.3228195295e-10,
                 -1.7052958337e-13, 2.0948090697e-16, -1.2538395336e-19, 1.5631725697e-23),
        _forward(1200.0, 296.45625681, -1.4976127786, 0.0031787103924, -3.1847686701e-06,
                 1.5720819004e-09, -3.0691369056e-13),
    ),
    "N": (
        _forward(0.0, 0.0, 0.026159105962, 1.0957484228e-05, -9.3841111554e-08, -4.6412039759e-11,
                 -2.6303357716e-12, -2.2653438003e-14, -7.6089300791e-17, -9.3419667835e-20),
        _forward(1300.0, 0.0, 0.025929394601, 1.571014188e-05, 4.3825627237e-08, -2.5261169794e-10,
                 6.4311819339e-13, -1.0063471519e-15, 9.9745338992e-19, -6.0863245607e-22,
                 2.0849229339e-25, -3.0682196151e-29),
    ),
    "T": (
        _forward(0.0, 0.0, 0.038748106364, 4.4194434347e-05, 1.1844323105e-07, 2.0032973554e-08,
                 9.0138019559e-10, 2.2651156593e-11, 3.6071154205e-13, 3.8493939883e-15,
                 2.8213521925e-17, 1.4251594779e-19, 4.8768662286e-22, 1.079553927e-24,
                 1.3945027062e-27, 7.9795153927e-31),
        _forward(400.0, 0.0, 0.038748106364, 3.329222788e-05, 2.0618243404e-07, -2.1882256846e-09,
                 1.0996880928e-11, -3.0815758772e-14, 4.547913529e-17, -2.7512901673e-20),
    ),
}

_K_BUMP_MV, _K_BUMP_PER_K2, _K_BUMP_C = 0.1185976, -0.0001183432, 126.9686
"""Type K above 0 °C has a further term, a0 * exp(a1 * (t - a2)**2)."""

_INVERSE: Final[dict[Kind, tuple[Inverse, ...]]] = {
    "K": (
        _inverse(0.0, 0.0, 25.173462, -1.1662878, -1.0833638, -0.8977354, -0.37342377, -0.086632643,
                 -0.010450598, -0.00051920577),
        _inverse(20.644, 0.0, 25.08355, 0.07860106, -0.2503131, 0.0831527, -0.01228034, 0.0009804036,
                 -4.41303e-05, 1.057734e-06, -1.052755e-08),
        _inverse(math.inf, -131.8058, 48.30222, -1.646031, 0.05464731, -0.0009650715, 8.802193e-06,
                 -3.11081e-08),
    ),
    "J": (
        _inverse(0.0, 0.0, 19.528268, -1.2286185, -1.0752178, -0.59086933, -0.17256713, -0.028131513,
                 -0.002396337, -8.3823321e-05),
        _inverse(42.919, 0.0, 19.78425, -0.2001204, 0.01036969, -0.0002549687, 3.585153e-06,
                 -5.344285e-08, 5.09989e-10),
        _inverse(math.inf, -3113.58187, 300.543684, -9.9477323, 0.17027663, -0.00143033468, 4.73886084e-06),
    ),
    "N": (
        _inverse(0.0, 0.0, 38.436847, 1.1010485, 5.2229312, 7.2060525, 5.8488586, 2.7754916, 0.77075166,
                 0.11582665, 0.0073138868),
        _inverse(20.613, 0.0, 38.6896, -1.08267, 0.0470205, -2.12169e-06, -0.000117272, 5.3928e-06,
                 -7.98156e-08),
        _inverse(math.inf, 19.72485, 33.00943, -0.3915159, 0.009855391, -0.0001274371, 7.767022e-07),
    ),
    "T": (
        _inverse(0.0, 0.0, 25.949192, -0.21316967, 0.79018692, 0.42527777, 0.13304473, 0.020241446,
                 0.0012668171),
        _inverse(math.inf, 0.0, 25.928, -0.7602961, 0.04637791, -0.002165394, 6.048144e-05, -7.293422e-07),
    ),
}
# fmt: on


def _check_range(kind: Kind, t_c: float) -> None:
    lowest_c, highest_c = LOWEST_C[kind], HIGHEST_C[kind]
    if not lowest_c <= t_c <= highest_c:
        raise ValueError(f"type {kind} is defined from {lowest_c:g} to {highest_c:g} °C, not at {t_c}")


def emf_mv(kind: Kind, t_c: float) -> float:
    """The emf of a pair of type `kind` at `t_c`, reference junction at 0 °C."""
    _check_range(kind, t_c)
    return _emf_mv(kind, t_c)


def _emf_mv(kind: Kind, t_c: float) -> float:
    pieces = _FORWARD[kind]
    piece = pieces[0] if t_c <= pieces[0].t_max_c else pieces[1]
    mv = 0.0
    for c in piece.powers:
        mv = mv * t_c + c
    if kind == "K" and t_c > 0.0:
        mv += _K_BUMP_MV * math.exp(_K_BUMP_PER_K2 * (t_c - _K_BUMP_C) ** 2)
    return mv


def seebeck_mv_per_k(kind: Kind, t_c: float) -> float:
    """The slope of `emf_mv` at `t_c`."""
    _check_range(kind, t_c)
    return _slope_mv_per_k(kind, t_c)


def _slope_mv_per_k(kind: Kind, t_c: float) -> float:
    pieces = _FORWARD[kind]
    piece = pieces[0] if t_c <= pieces[0].t_max_c else pieces[1]
    slope = 0.0
    for c in piece.slopes:
        slope = slope * t_c + c
    if kind == "K" and t_c > 0.0:
        away_k = t_c - _K_BUMP_C
        slope += 2.0 * _K_BUMP_PER_K2 * away_k * _K_BUMP_MV * math.exp(_K_BUMP_PER_K2 * away_k * away_k)
    return slope


_MV_RANGE: Final = {k: (_emf_mv(k, LOWEST_INVERSE_C[k]), _emf_mv(k, HIGHEST_C[k])) for k in KINDS}


def temperature_c(kind: Kind, mv: float) -> float:
    """The temperature at which a pair of type `kind` gives `mv`, to better than 0.001 K.

    NIST's inverse polynomial (within 0.06 K) and one Newton step on the forward function.
    """
    lowest_mv, highest_mv = _MV_RANGE[kind]
    if not lowest_mv <= mv <= highest_mv:
        raise ValueError(f"type {kind} gives {lowest_mv:.3f} to {highest_mv:.3f} mV between "
                         f"{LOWEST_INVERSE_C[kind]:g} and {HIGHEST_C[kind]:g} °C, not {mv}")  # fmt: skip
    for piece in _INVERSE[kind]:
        if mv <= piece.mv_max:
            break
    t_c = 0.0
    for d in piece.powers:
        t_c = t_c * mv + d
    return t_c - (_emf_mv(kind, t_c) - mv) / _slope_mv_per_k(kind, t_c)


def _chip_slope_mv_per_k(chip: int, kind: Kind) -> float | None:
    """The straight line of a chip, None for one that linearises by table."""
    if chip == MAX31855:
        return _SLOPE_31855_MV_PER_K[kind]
    if chip == MAX6675 and kind == "K":
        return _SLOPE_6675_MV_PER_K
    if chip == MAX6675:
        raise ValueError(f"a MAX6675 is made for type K, not for type {kind}")
    if chip == MAX31856:
        return None
    raise ValueError(f"chip {chip} is not known; it is one of 31855, 6675 and 31856")


def can_read(chip: int, kind: Kind) -> bool:
    """Whether the chip is made for this pair: a MAX6675 for type K only."""
    return chip != MAX6675 or kind == "K"


def true_c(chip: int, kind: Kind, shown_c: float, cold_c: float) -> float:
    """The ITS-90 temperature of a junction that `chip` shows as `shown_c`, its cold junction at `cold_c`.

    Raises `ValueError` for an unknown chip, for a MAX6675 with another pair than K (a warm terminal block
    would make it trip late) and for what a pair of this type cannot give.
    """
    slope_mv_per_k = _chip_slope_mv_per_k(chip, kind)
    if slope_mv_per_k is None:
        return shown_c
    return temperature_c(kind, slope_mv_per_k * (shown_c - cold_c) + emf_mv(kind, cold_c))


def shown_c(chip: int, kind: Kind, true_c: float, cold_c: float) -> float:
    """What an ideal `chip` shows, before it rounds, for a junction at `true_c`; the reverse of `true_c()`."""
    slope_mv_per_k = _chip_slope_mv_per_k(chip, kind)
    if slope_mv_per_k is None:
        return true_c
    return cold_c + (emf_mv(kind, true_c) - emf_mv(kind, cold_c)) / slope_mv_per_k


def limit_hundredths(chip: int, kind: Kind, limit_c: float) -> int:
    """A limit in hundredths on the chip's own scale, rounded down, for a cold junction at `LIMIT_COLD_C`.

    A warmer block only makes the chip show more, so that the board trips earlier: type K by at most 0.6 K up
    to 70 °C, the others by more, because the lines of their chips fit them worse near room temperature.
    """
    return math.floor(shown_c(chip, kind, limit_c, LIMIT_COLD_C) * 100.0)


@lru_cache(maxsize=512)
def true_c_hundredths(chip: int, kind: Kind, shown_hundredths: int, cold_hundredths: int) -> float:
    """`true_c` for the whole numbers of a telemetry frame; NaN where the pair cannot give such a voltage, and for a
    pair that the chip cannot read.

    A MAX6675 reports no cold junction (its field is 0 and means nothing): `UNREPORTED_COLD_C` is taken, which
    leaves 0.5 K for a block between 5 and 70 °C. Kept for the last 512 different words, because a
    quarter-degree chip repeats itself and this is called for every sensor in every tick; 4096 were found again no
    more often in a temper with warm oil, and took a day to fill.
    """
    cold_c = UNREPORTED_COLD_C if chip == MAX6675 else cold_hundredths / 100.0
    if not can_read(chip, kind):
        return math.nan
    slope_mv_per_k = _chip_slope_mv_per_k(chip, kind)
    try:
        if slope_mv_per_k is None:
            return shown_hundredths / 100.0
        cold_mv = emf_mv(kind, cold_c)
        return temperature_c(kind, slope_mv_per_k * (shown_hundredths / 100.0 - cold_c) + cold_mv)
    except ValueError:
        return math.nan
