"""A long round bar in a quench: the exact series of its centre and its surface.

theta = sum of C_n J0(z_n r/R) exp(-z_n^2 Fo), z J1(z) = Bi J0(z), Bi = h R / k, Fo = a t / R^2 (any text on heat
transfer; roots and constants checked against Incropera and DeWitt's table 5.1).
"""

from __future__ import annotations

from functools import lru_cache
from math import exp
from typing import Final

_ZEROS: Final = ((0.0, 2.4048255577), (3.8317059702, 5.5200781103), (7.0155866698, 8.6537279129),
                 (10.1734681351, 11.7915344391), (13.3236919363, 14.9309177085),
                 (16.4706300509, 18.0710639679))  # fmt: skip
"""Zeros of J1 and of J0: each root lies between two of them."""


def bessel_j0_j1(x: float) -> tuple[float, float]:
    """J0 and J1 by their power series, for x from 0 to 19."""
    quarter = -0.25 * x * x
    term0, term1 = 1.0, 0.5 * x
    sum0, sum1 = term0, term1
    k = 0
    while abs(term0) > 1e-17 or abs(term1) > 1e-17:
        k += 1
        term0 *= quarter / (k * k)
        term1 *= quarter / (k * (k + 1))
        sum0 += term0
        sum1 += term1
    return sum0, sum1


OVEN_W_PER_M2K: Final = 20.0
_J_PER_M3K: Final = 7850.0 * 490.0


def oven_time_constant_s(round_mm: float) -> float:
    """Of a long round in an oven, s: rho c (d/4) / h with h 20 W/m2K; its Biot number is far below 0.1 (computed).

    After three of them it has come to 95 % of the way: an hour an inch, the trade's rule.
    """
    return _J_PER_M3K * round_mm / 4000.0 / OVEN_W_PER_M2K


@lru_cache(maxsize=512)
def cylinder_terms(bi: float, count: int = len(_ZEROS)) -> tuple[tuple[float, float, float], ...]:
    """(root, constant at the centre, constant at the surface) of the first terms (most: six). ValueError: Bi <= 0."""
    if not bi > 0.0:
        raise ValueError(f"a Biot number is above 0, not {bi}")
    terms = []
    for low, high in _ZEROS[:count]:
        z = _root(bi, low, high)
        j0, j1 = bessel_j0_j1(z)
        centre = 2.0 * j1 / (z * (j0 * j0 + j1 * j1))
        terms.append((z, centre, centre * j0))
    return tuple(terms)


def _root(bi: float, low: float, high: float) -> float:
    """Newton's steps, kept between the zeros; z J1 - Bi J0 changes its sign there once."""
    j0, j1 = bessel_j0_j1(high)
    rising = high * j1 - bi * j0 > 0.0
    z = (2.0 * bi) ** 0.5 if low == 0.0 and bi < 1.0 else (low + high) / 2.0
    for _ in range(60):
        j0, j1 = bessel_j0_j1(z)
        value = z * j1 - bi * j0
        low, high = (low, z) if (value > 0.0) == rising else (z, high)
        step = z - value / (z * j0 + bi * j1)
        new = step if low < step < high else (low + high) / 2.0
        if abs(new - z) < 1e-13 * max(1.0, z):
            return new
        z = new
    return z


def cylinder_temperature(bi: float, fo: float, *, surface: bool = False) -> float:
    """Excess temperature over the start's, at the centre or the surface; Fo > 0.03 for four figures."""
    place = 2 if surface else 1
    return sum(term[place] * exp(-term[0] * term[0] * fo) for term in cylinder_terms(bi))


@lru_cache(maxsize=512)
def half_temperature_fo(bi: float, *, surface: bool = False) -> float:
    """Fo at which half the excess is gone. At the surface of a hard quench that is at once: 0 then."""
    place = 2 if surface else 1
    # At the centre half is not gone before Fo 0.2, where a fourth term is below 1e-9.
    terms = cylinder_terms(bi) if surface else cylinder_terms(bi, 3)
    if surface and cylinder_temperature(bi, 0.02, surface=True) < 0.5:
        return 0.0
    fo = 0.2 + 0.35 / bi
    low, high = 0.0, 10.0 + 10.0 / bi
    for _ in range(80):
        value = slope = 0.0
        for term in terms:
            part = term[place] * exp(-term[0] * term[0] * fo)
            value += part
            slope -= term[0] * term[0] * part
        low, high = (fo, high) if value > 0.5 else (low, fo)
        step = fo - (value - 0.5) / slope if slope else low
        new = step if low < step < high else (low + high) / 2.0
        if abs(new - fo) < 1e-12 * max(1.0, fo):
            return new
        fo = new
    return fo
