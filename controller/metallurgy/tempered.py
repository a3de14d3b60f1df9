"""Hardness after tempering by what is known of the steel, with a 90 % band, or the reason why there is no number.

In this order: this stock's own tested pieces, the grade's published curves shifted in time (Hollomon and Jaffe,
C = 20), the composition, the class. Two published curves of one grade that disagree are both shown.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import sqrt
from typing import Final

from controller.metallurgy import hardness, tempering
from controller.metallurgy.steel import Elements, Steel, TemperCurve, written
from controller.metallurgy.stock import PieceTested, Residual, offset_of

KNOWN_HRC: Final = ((220.0, 3.3), (300.0, 4.3), (400.0, 5.2))
"""°C and half the 90 % band around one table of the grade: 278 rows of one laboratory or heat read from another's
table of that grade, shifted in time (computed by `python -m tests.metallurgy.fit`)."""
PARALLEL_K: Final = 80.0
SLACK_K: Final = 5.0
"""How far a table's ends are carried on straight."""
ALLOY_HRC: Final = ((205.0, 2.4), (315.0, 4.7), (435.0, 8.0), (600.0, 13.0))
"""°C and how much too soft the plain surface reads alloyed steels, in the mean of 640 measured rows (computed)."""
FACTOR_OF_TIME: Final = 3.0
"""A secondary-hardening steel's table holds for its own time within this factor."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What one table of the grade says by itself."""

    hardness_hrc: float
    schedule: str
    source: str
    mark: str


@dataclass(frozen=True, slots=True)
class Predicted:
    """A hardness with its 90 % band and the model that gave it. None: no number, and `reason` says why."""

    hardness_hrc: float | None
    low_hrc: float | None
    high_hrc: float | None
    model: str
    reason: str = ""
    warnings: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    reach: str = ""
    tables: tuple[Shown, ...] = ()


@dataclass(frozen=True, slots=True)
class Known:
    """All that is known of the bar: its grade, its composition, a class with a carbon guess, its tested pieces."""

    steel: Steel | None = None
    elements: Elements | None = None
    carbon: tuple[float, float] | None = None
    alloyed: bool | None = None
    pieces: tuple[PieceTested, ...] = ()


def curve_hardness(curve: TemperCurve, temperature_c: float, time_s: float) -> float | None:
    """HRC from a table, its temperature shifted by the parameter to the table's own time; None outside the table."""
    p = tempering.parameter(temperature_c, time_s)
    return read_curve(curve, tempering.equivalent_temperature_c(p, curve.time_s))


def read_curve(curve: TemperCurve, temperature_c: float) -> float | None:
    """HRC at a temperature of the table, straight between its points; None more than 5 K outside it."""
    ts, hs = curve.temperatures_c, curve.hardness_hrc
    if not ts[0] - SLACK_K <= temperature_c <= ts[-1] + SLACK_K:
        return None
    i = max(0, min(bisect_right(ts, temperature_c) - 1, len(ts) - 2))
    return hs[i] + (hs[i + 1] - hs[i]) * (temperature_c - ts[i]) / (ts[i + 1] - ts[i])


def known_band(tables: int, spread_hrc: float, temperature_c: float) -> float:
    """Half the 90 % band around the middle of a grade's tables that lie `spread_hrc` apart.

    The scatter of one table against another holds that of two heats; against the middle of n it is smaller.
    """
    one = _straight(temperature_c, KNOWN_HRC)
    return max(one * sqrt((1.0 + 1.0 / max(tables, 1)) / 2.0), spread_hrc / 2.0 + 1.0)


def predict(known: Known, temperature_c: float, time_s: float) -> Predicted:
    """Hardness after one temper of this steel at a temperature (°C) for a time (s)."""
    found = _by_model(known, temperature_c, time_s)
    return _of_stock(known, found, temperature_c, time_s) if known.pieces and found.hardness_hrc is not None else found


def _by_model(known: Known, temperature_c: float, time_s: float) -> Predicted:
    tried: list[Predicted] = []
    if known.steel is not None:
        tried.append(_of_grade(known.steel, temperature_c, time_s))
    elements = known.elements or (known.steel.elements if known.steel else None)
    table_only = known.steel is not None and bool(known.steel.table_only)
    if not table_only and not (tried and tried[0].hardness_hrc is not None):
        if elements is not None:
            tried.append(_of_composition(elements, temperature_c, time_s))
        elif known.carbon is not None:
            tried.append(_of_class(known.carbon, known.alloyed, temperature_c, time_s))
    if not tried:
        return Predicted(None, None, None, "none", "Nothing is known of this steel: temper a coupon.")
    found = next((one for one in tried if one.hardness_hrc is not None), None)
    if found is None:
        reason = " ".join(dict.fromkeys(one.reason for one in tried))
        return Predicted(None, None, None, tried[0].model, reason, sources=tried[0].sources, tables=tried[0].tables)
    skipped = tuple(f"Not by the {one.model}: {one.reason}" for one in tried if one.hardness_hrc is None)
    return replace(found, warnings=(*skipped, *found.warnings))


def _of_grade(steel: Steel, temperature_c: float, time_s: float) -> Predicted:
    model = "known grade"
    if not steel.curves:
        return Predicted(None, None, None, model, f"No tempering table of {steel.name} was found.")
    why = hardness.time_refusal(temperature_c, time_s)
    if why:
        return Predicted(None, None, None, model, why)
    shown, unread = [], []
    readings = [_read(steel, curve, temperature_c, time_s) for curve in steel.curves]
    for curve, hrc in zip(steel.curves, readings, strict=True):
        if hrc is None:
            unread.append(f"{curve.temperatures_c[0]:g} to {curve.temperatures_c[-1]:g} °C, {curve.schedule}")
        else:
            shown.append(Shown(round(hrc, 1), curve.schedule, curve.source, curve.mark))
    reach = "; ".join(f"{c.temperatures_c[0]:g} to {c.temperatures_c[-1]:g} °C ({c.schedule})" for c in steel.curves)
    if not shown:
        only = f" {steel.table_only} A table holds for its own time within a factor of 3." if steel.table_only else ""
        return Predicted(None, None, None, model, f"Outside the tables of {steel.name}: {'; '.join(unread)}.{only}")
    values = [one.hardness_hrc for one in shown] + _in_parallel(steel, readings, temperature_c, time_s)
    middle, spread = sum(values) / len(values), max(values) - min(values)
    if middle < 20.0:
        return Predicted(None, None, None, model, "Softer than 20 HRC, where the Rockwell C scale ends.")
    half = known_band(len(values), spread, temperature_c)
    warnings = []
    if spread > 1.5:
        warnings.append(f"The tables of {steel.name} disagree by {spread:.1f} HRC: both are shown, trust a coupon.")
    if all(one.mark == "from memory" for one in shown):
        warnings.append(f"What is known of {steel.name} here is from memory.")
        half += 1.0
    if any("relative" in one.source for one in shown):
        warnings.append("A table of the nearest measured relative is used.")
    if not all(curve.time_stated for curve in steel.curves):
        warnings.append("One table does not say its time; an hour is taken.")
    how = "its tables" if steel.table_only else "its tables, shifted in time by Hollomon and Jaffe with C = 20"
    return Predicted(middle, middle - half, middle + half, model,
                     warnings=tuple(warnings), sources=tuple(f"{one.source} ({one.mark})" for one in shown),
                     reach=f"{reach}: {how}", tables=tuple(shown))  # fmt: skip


def _read(steel: Steel, curve: TemperCurve, temperature_c: float, time_s: float) -> float | None:
    """A table's value: shifted in time, or, for a steel that hardens again, as it stands and near its own time only."""
    if not steel.table_only:
        return curve_hardness(curve, temperature_c, time_s)
    near = curve.time_s / FACTOR_OF_TIME <= time_s <= curve.time_s * FACTOR_OF_TIME
    return read_curve(curve, temperature_c) if near else None


def _in_parallel(
    steel: Steel, readings: Sequence[float | None], temperature_c: float, time_s: float
) -> list[float]:
    """Values of tables that end within 80 K: carried on in parallel to one that goes on.

    Where one of two tables that disagree ends, the middle would jump to the other, as if it were the better one.
    """
    there = next((i for i, value in enumerate(readings) if value is not None), None)
    if there is None or steel.table_only:
        return []
    found = []
    for curve, value in zip(steel.curves, readings, strict=True):
        if value is not None:
            continue
        here_c = tempering.equivalent_temperature_c(tempering.parameter(temperature_c, time_s), curve.time_s)
        end = 0 if here_c < curve.temperatures_c[0] else -1
        end_c = curve.temperatures_c[end]
        other = curve_hardness(steel.curves[there], end_c, curve.time_s)
        if abs(here_c - end_c) <= PARALLEL_K and other is not None:
            found.append((readings[there] or 0.0) + curve.hardness_hrc[end] - other)
    return found


def _of_composition(elements: Elements, temperature_c: float, time_s: float) -> Predicted:
    model = "composition"
    why = hardness.refusal(elements, temperature_c, time_s)
    if why:
        return Predicted(None, None, None, model, why)
    p = hardness.parameter_f(temperature_c, time_s)
    hrc = hardness.tempered_hrc(elements, p)
    if hrc < 20.0:
        return Predicted(None, None, None, model, "Softer than 20 HRC, where the Rockwell C scale ends.")
    low, high = hardness.band_hrc(elements, p)
    warnings = [f"From composition alone ({written(elements)}): a tested coupon is better."]
    if elements.si > 1.0:
        warnings.append("Of steels with so much silicon only one heat was measured.")
    if elements.c > 0.8:
        warnings.append("Above 0.8 % carbon the hardness also hangs on how hot it was hardened.")
    return Predicted(hrc, hrc + low, hrc + high, model, warnings=tuple(warnings), sources=hardness.SOURCES,
                     reach=f"{hardness.LEAST_CARBON:g} to {hardness.MOST_CARBON:g} % C, low alloy, 90 to 660 °C, "
                     "10 min to 32 h")  # fmt: skip


def _of_class(carbon: tuple[float, float], alloyed: bool | None, temperature_c: float, time_s: float) -> Predicted:
    """By a carbon guess: its ends, what alloy adds where the steel may have any, and the model's own error, all by
    themselves: the band takes them together as the root of their squares."""
    model = "class"
    ends = [Elements(min(max(end, hardness.LEAST_CARBON), hardness.MOST_CARBON), mn=0.7, si=0.25) for end in carbon]
    why = hardness.refusal(ends[0], temperature_c, time_s)
    if why:
        return Predicted(None, None, None, model, why)
    p = hardness.parameter_f(temperature_c, time_s)
    values = [hardness.tempered_hrc(end, p) for end in ends]
    bands = [hardness.band_hrc(end, p) for end in ends]
    alloy_hrc = 0.0 if alloyed is False else _straight(temperature_c, ALLOY_HRC)
    plain = sum(values) / 2.0
    middle = plain + alloy_hrc * (0.5 if alloyed else 0.25)
    if middle < 20.0:
        return Predicted(None, None, None, model, "Softer than 20 HRC, where the Rockwell C scale ends.")
    half = (max(values) - min(values)) / 2.0
    low = middle - sqrt(half**2 + min(low for low, _ in bands) ** 2 + (middle - plain) ** 2)
    high = middle + sqrt(half**2 + max(high for _, high in bands) ** 2 + (plain + alloy_hrc - middle) ** 2)
    high = max(min(high, hardness.as_quenched_hrc(max(carbon)) + 2.0), middle + 0.5)
    text = f"From a carbon guess of {carbon[0]:g} to {carbon[1]:g} % alone: temper and test a coupon first."
    return Predicted(middle, low, high, model, warnings=(text,), sources=hardness.SOURCES,
                     reach="plain carbon surface; alloy reads harder")  # fmt: skip


def _straight(x: float, points: Sequence[tuple[float, float]]) -> float:
    """Straight between the points, held at the ends."""
    if x <= points[0][0]:
        return points[0][1]
    for (low, low_y), (high, high_y) in pairwise(points):
        if x <= high:
            return low_y + (high_y - low_y) * (x - low) / (high - low)
    return points[-1][1]


def _of_stock(known: Known, found: Predicted, temperature_c: float, time_s: float) -> Predicted:
    """The prediction moved by this stock's tested pieces, its band from them and the scatter in a stock."""
    assert found.hardness_hrc is not None
    assert found.low_hrc is not None
    assert found.high_hrc is not None
    residuals = []
    for piece in known.pieces:
        if not piece.teaches:
            continue
        there = _by_model(known, piece.temperature_c, piece.time_s).hardness_hrc
        if there is not None:
            p = tempering.parameter(piece.temperature_c, piece.time_s)
            distance_k = tempering.equivalent_temperature_c(p, time_s) - temperature_c
            residuals.append(Residual(piece.middle_hrc - there, piece.error_hrc, distance_k))
    if not residuals:
        return found
    offset = offset_of(residuals, found.low_hrc - found.hardness_hrc, found.high_hrc - found.hardness_hrc)
    half = min(offset.half_band_hrc, (found.high_hrc - found.low_hrc) / 2.0)
    hrc = found.hardness_hrc + offset.hrc
    pieces = "1 tested piece" if offset.pieces == 1 else f"{offset.pieces} tested pieces"
    warnings = [f"Moved by {offset.hrc:+.1f} HRC from {pieces} of this stock, on top of the {found.model} model."]
    if offset.strange:
        warnings.append("A tested piece lies far from the rest of what is known: was it hardened through, and ground?")
    return replace(
        found,
        hardness_hrc=hrc,
        low_hrc=hrc - half,
        high_hrc=hrc + half,
        model="stock tested here",
        warnings=(*warnings, *found.warnings),
        sources=(f"{pieces} of this stock", *found.sources),
    )
