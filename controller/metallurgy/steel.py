"""What the plans know of a steel: plain values, no files."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Final

SYMBOLS: Final = ("c", "mn", "si", "ni", "cr", "mo", "v", "w", "cu", "al", "b")
UNCOUNTED: Final = ("p", "s", "n", "ti", "nb", "sn", "as", "o", "h", "ca", "co", "pb", "zr")
"""Stand on certificates as well; taken, and left out of every model here."""
HIGHEST: Final[Mapping[str, float]] = {
    "c": 2.5, "mn": 3.0, "si": 3.0, "ni": 6.0, "cr": 14.0, "mo": 6.0, "v": 5.0, "w": 20.0, "cu": 2.0,
    "al": 2.0, "b": 0.02,
}  # fmt: skip
"""Percent by weight; more of it is a slip of the pen, or no steel for this shop."""
LOWEST_CARBON: Final = 0.05


@dataclass(frozen=True, slots=True)
class Elements:
    """Percent by weight."""

    c: float
    mn: float = 0.0
    si: float = 0.0
    ni: float = 0.0
    cr: float = 0.0
    mo: float = 0.0
    v: float = 0.0
    w: float = 0.0
    cu: float = 0.0
    al: float = 0.0
    b: float = 0.0


@dataclass(frozen=True, slots=True)
class TemperCurve:
    """Hardness after tempering for one time, as one source has it. `time_s` is 1 h where the source is silent."""

    temperatures_c: tuple[float, ...]
    hardness_hrc: tuple[float, ...]
    time_s: float
    time_stated: bool
    schedule: str
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class HardenedTo:
    """A quench and the round bar up to which it hardens the grade, mm; None: no limit is known."""

    medium: str
    to_mm: float | None


@dataclass(frozen=True, slots=True)
class Steel:
    """A known grade. `marks`: key to (source, how sure)."""

    name: str
    family: str
    elements: Elements
    ac1_c: float
    ac3_or_accm_c: float
    ms_c: tuple[float, float]
    austenitise_c: tuple[float, float]
    quench: str
    twice: bool
    embrittlement: str
    slow_cool: str
    note: str = ""
    table_only: str = ""
    needs_temper_c: tuple[float, float] | None = None
    harden_in: tuple[HardenedTo, ...] = ()
    curves: tuple[TemperCurve, ...] = ()
    marks: Mapping[str, tuple[str, str]] = field(default_factory=dict)


def elements_of(given: Mapping[str, float]) -> Elements:
    """A composition from symbols and percent. Raises ValueError with every fault, one sentence each."""
    known = {symbol.capitalize(): symbol for symbol in SYMBOLS}
    found: dict[str, float] = {}
    faults = []
    for symbol, percent in given.items():
        name = known.get(symbol.strip().capitalize())
        if symbol.strip().lower() in UNCOUNTED and 0.0 <= percent <= 20.0:
            continue
        if name is None:
            faults.append(f'"{symbol[:20]}" is no element that counts here; these are {", ".join(known)}.')
        elif name in found:
            faults.append(f"{name.capitalize()} stands there twice; right is once.")
        elif isinstance(percent, bool) or not 0.0 <= percent <= HIGHEST[name]:
            faults.append(
                f"{name.capitalize()} is {percent:g} %; right is a number from 0 to {HIGHEST[name]:g} % by weight."
                + (" Above 2.1 % carbon it is cast iron." if name == "c" and percent > 2.1 else "")
            )
        else:
            found[name] = float(percent)
    if "c" not in found and not any("C is " in fault for fault in faults):
        faults.append("Carbon is missing; right is C=0.42 or the like, with the other elements as far as known.")
    elif found.get("c", 1.0) < LOWEST_CARBON:
        faults.append(f"C is {found['c']:g} %; right is at least {LOWEST_CARBON:g} %; below it steel does not harden.")
    if faults:
        raise ValueError(" ".join(faults))
    return Elements(**found)


def parse_composition(text: str) -> Elements:
    """`C=0.42,Mn=0.7` in percent by weight. Raises ValueError with every fault, one sentence each."""
    given: dict[str, float] = {}
    faults = []
    for part in re.split(r"[,;\s]+", text.strip()):
        symbol, equals, number = part.partition("=")
        try:
            if not equals or symbol in given:
                raise ValueError(part)
            given[symbol] = float(number)
        except ValueError:
            faults.append(f'"{part[:40]}" is no part of a composition; right is C=0.42,Mn=0.7, each element once.')
    if faults:
        raise ValueError(" ".join(faults))
    return elements_of(given)


def written(elements: Elements) -> str:
    """`C 0.42, Mn 0.7 %`, without what is not there."""
    parts = [(part.name.capitalize(), getattr(elements, part.name)) for part in fields(elements)]
    return ", ".join(f"{name} {value:g}" for name, value in parts if value) + " %"
