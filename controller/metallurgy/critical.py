"""Critical temperatures from composition, the magnet, and austenite that stays."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt
from typing import Final

from controller.metallurgy.steel import Elements, Steel

MOST_CARBON_AC3: Final = 0.6
MATRIX_CARBON: Final = 0.75
"""Percent that is dissolved when steel with more than 0.8 % is hardened at 780 to 850 °C (0.6 to 0.75: computed)."""
CURIE_C: Final = 770.0
"""Pure iron loses its magnetism here (published)."""


@dataclass(frozen=True, slots=True)
class Critical:
    """°C. None where neither a value of the grade nor a formula reaches; `reasons` says why, by field."""

    ac1_c: float | None
    ac3_c: float | None
    ms_c: float
    ms_low_c: float
    ms_high_c: float
    austenitise_c: tuple[float, float] | None
    reasons: dict[str, str]
    sources: tuple[str, ...]


def ac1_andrews_c(e: Elements) -> float:
    """Andrews, JISI 203 (1965) 721 (published coefficients)."""
    return 723.0 - 10.7 * e.mn - 16.9 * e.ni + 29.1 * e.si + 16.9 * e.cr + 6.38 * e.w


def ac3_andrews_c(e: Elements) -> float:
    """Andrews 1965, short form; to 0.6 % C, and no Accm."""
    return 910.0 - 203.0 * sqrt(e.c) - 15.2 * e.ni + 44.7 * e.si + 104.0 * e.v + 31.5 * e.mo + 13.1 * e.w


def ms_van_bohemen_c(e: Elements, carbon: float | None = None) -> float:
    """van Bohemen, Mater. Sci. Technol. 28 (2012) 487; `carbon`: the percent that is dissolved."""
    c = e.c if carbon is None else carbon
    return 565.0 - 600.0 * (1.0 - exp(-0.96 * c)) - 31.0 * e.mn - 13.0 * e.si - 10.0 * e.cr - 18.0 * e.ni - 12.0 * e.mo


def retained_austenite(ms_c: float, quenched_to_c: float = 25.0) -> float:
    """Fraction of austenite left; Koistinen and Marburger, Acta Metall. 7 (1959) 59. Good to a factor of 1.5 to 2."""
    return exp(-0.011 * max(ms_c - quenched_to_c, 0.0))


def critical(steel: Steel | None, elements: Elements) -> Critical:
    """The grade's own values where it has them, formulas where not."""
    if steel is not None:
        low, high = steel.ms_c
        named = [("Ac1", "ac1_c"), ("Ac3 or Accm", "ac3_or_accm_c"), ("Ms", "ms_c"), ("hardening", "austenitise_c")]
        sources = tuple(f"{what}: {steel.marks[key][0]} ({steel.marks[key][1]})" for what, key in named)
        middle = (low + high) / 2.0
        return Critical(steel.ac1_c, steel.ac3_or_accm_c, middle, low, high, steel.austenitise_c, {}, sources)
    reasons: dict[str, str] = {}
    ac1_c: float | None = ac1_andrews_c(elements)
    ac3_c: float | None = ac3_andrews_c(elements)
    if elements.c > MOST_CARBON_AC3:
        ac3_c = None
        reasons["ac3_c"] = f"Andrews' Ac3 holds to {MOST_CARBON_AC3:g} % C and is no Accm; here are {elements.c:g} %."
    if max(elements.cr, elements.w, elements.mo) > 2.0 or elements.si > 2.2 or elements.ni > 5.0:
        ac1_c = ac3_c = None
        reasons["ac1_c"] = reasons["ac3_c"] = "The formulas hold for low-alloy steel; this one has more alloy."
    full_c = ms_van_bohemen_c(elements)
    if elements.c > 0.8:
        matrix_c = ms_van_bohemen_c(elements, min(elements.c, MATRIX_CARBON))
        ms_c, low_c, high_c = (full_c + matrix_c) / 2.0, full_c - 30.0, matrix_c + 30.0
    else:
        ms_c, low_c, high_c = full_c, full_c - 30.0, full_c + 30.0
    sources = (
        "Ac1, Ac3: Andrews, JISI 203 (1965) 721 (published; ±15 and ±25 °C from memory)",
        "Ms: van Bohemen, Mater. Sci. Technol. 28 (2012) 487 (published; ±30 °C to 0.9 % C, ±80 above, computed)",
    )
    return Critical(ac1_c, ac3_c, ms_c, low_c, high_c, _austenitise(elements, ac1_c, ac3_c), reasons, sources)


def _austenitise(e: Elements, ac1_c: float | None, ac3_c: float | None) -> tuple[float, float] | None:
    """Above Ac3 by 30 to 60 K; above Ac1 by 40 to 80 K where carbide is to stay (common practice, no source)."""
    if ac1_c is None:
        return None
    if e.c >= 0.75:
        return ac1_c + 40.0, ac1_c + 80.0
    upper_c = ac3_c if ac3_c is not None else max(ac1_c, ac3_andrews_c(e))
    return upper_c + 30.0, upper_c + 60.0


@dataclass(frozen=True, slots=True)
class Magnet:
    """What losing its magnetism says of a steel. `useful` False: it misleads. Only while heating."""

    useful: bool
    lost_c: float | None
    add_k: tuple[float, float] | None
    text: str


def magnet(elements: Elements, hardens_from_c: float | None) -> Magnet:
    """The magnet test for this steel (Curie point published; how much further to go: computed and common practice)."""
    heating = " Only while heating: on the way down it stays non-magnetic far below."
    if hardens_from_c is None or hardens_from_c >= 865.0 or elements.cr > 2.0 or elements.w > 1.0 or elements.si > 1.5:
        goal = f"{hardens_from_c:.0f} °C" if hardens_from_c is not None else "far hotter"
        text = f"The magnet misleads here: it lets go near 770 to 850 °C, and this steel hardens from {goal}." + heating
        return Magnet(False, None, None, text)
    if elements.c < 0.48:
        text = "The magnet lets go at 770 °C while ferrite is still there: go 40 to 60 K further." + heating
        return Magnet(True, CURIE_C, (40.0, 60.0), text)
    if elements.c <= 0.8:
        text = "The magnet lets go when the steel is all austenite: a good test. Go 15 to 30 K further." + heating
        return Magnet(True, 750.0, (15.0, 30.0), text)
    text = "The magnet lets go near 730 °C, as austenite begins: go 30 to 60 K further, not more." + heating
    return Magnet(True, 730.0, (30.0, 60.0), text)
