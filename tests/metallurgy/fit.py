"""Fits the base surface of tempered hardness and measures every model: `python -m tests.metallurgy.fit --data FILE`.

FILE is a table of measured tempering hardness in the columns of the open data set of Raiipa Technologies (CC BY 4.0;
Kaggle, rgerschtzsauer). It is no part of this project; the coefficients and the figures printed here are.
Everything that is printed was predicted for steels left out of the fit, one at a time.
"""

from __future__ import annotations

import argparse
import csv
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from controller.commands.shipped import load_shipped
from controller.metallurgy.hardness import (
    BAND_KNOTS,
    EDGE_CARBON,
    EDGE_HRC,
    FEW_HEATS,
    HARDEST_P,
    SOFTEST_P,
    band_hrc,
    base_terms,
    increments_hv,
    is_plain,
    parameter_f,
    refusal,
)
from controller.metallurgy.scales import hrc_of_hv, hv_of_hrc
from controller.metallurgy.steel import Elements
from controller.metallurgy.stock import PieceTested
from controller.metallurgy.tempered import Known, curve_hardness, known_band, predict
from controller.profiles.steels import known_steel

COLUMNS = {"c": "C", "mn": "Mn", "si": "Si", "ni": "Ni", "cr": "Cr", "mo": "Mo", "v": "V", "cu": "Cu"}
OTHER_TABLE = {
    # Rows of one laboratory read from the table of the other; the heats named in profiles/steels.
    ("Penha, 2010", "AISI-SAE 4140"): ("4140", 0), ("Grange and Baughman, 1956", "AISI-SAE 4140"): ("4140", 1),
    ("Penha, 2010", "AISI-SAE 4340"): ("4340", 0), ("Grange and Baughman, 1956", "AISI-SAE 4340"): ("4340", 1),
    ("Penha, 2010", "AISI-SAE 6150"): ("6150", 0), ("Grange and Baughman, 1956", "AISI-SAE 6145"): ("6150", 1),
    ("Penha, 2010", "AISI-SAE 5160"): ("5160", 1),
    ("Hollomon and Jaffe, 1945", "0,89%C - plain carbon steel"): ("1084", 0),
    ("Grange and Baughman, 1956", "AISI-SAE 1080"): ("1084", 1),
    ("Hollomon and Jaffe, 1945", "0,98%C - plain carbon steel"): ("W1", 1),
    ("Hollomon and Jaffe, 1945", "1,15%C - plain carbon steel"): ("W1", 0),
    ("Grange and Baughman, 1956", "AISI-SAE 1050"): ("1045", 0),
    ("Grange and Baughman, 1956", "AISI-SAE 1049"): ("1045", 0),
    ("Hollomon and Jaffe, 1945", "0,74%C - plain carbon steel"): ("1080", 0),
}  # fmt: skip


@dataclass(frozen=True)
class Row:
    laboratory: str
    steel: str
    elements: Elements
    time_s: float
    temperature_c: float
    hardness_hrc: float
    aluminium: float

    @property
    def heat(self) -> tuple[str, str, float]:
        return self.laboratory, self.steel, self.elements.c

    @property
    def p(self) -> float:
        return parameter_f(self.temperature_c, self.time_s)


def read(path: Path) -> list[Row]:
    """The rows that a model may be asked about: in its range, on the Rockwell C scale, and steel without aluminium."""
    with path.open(encoding="utf-8") as file:
        rows = [_row(found) for found in csv.DictReader(line for line in file if not line.startswith("#"))]
    return [row for row in rows if row is not None]


def _row(found: dict[str, str]) -> Row | None:
    def value(start: str) -> float:
        name = next(column for column in found if column.startswith(start))
        try:
            return float(found[name])
        except ValueError:
            return 0.0

    elements = Elements(**{key: value(f"{symbol} (") for key, symbol in COLUMNS.items()})
    row = Row(found["Source"].strip(), found["Steel type"].strip(), elements, value("Tempering time"),
              value("Tempering temperature"), value("Final hardness"), value("Al ("))  # fmt: skip
    usable = row.hardness_hrc >= 20.0 and row.aluminium < 0.1
    return row if usable and not refusal(row.elements, row.temperature_c, row.time_s) else None


def fitted(rows: Sequence[Row]) -> Any:
    """The coefficients of the base surface from plain carbon rows, each weighted so that it counts in HRC."""
    count: dict[tuple[str, str, float], int] = defaultdict(int)
    for row in rows:
        count[row.heat] += 1
    left, right = [], []
    for row in rows:
        hrc = min(row.hardness_hrc, 67.0)
        slope = hv_of_hrc(min(hrc + 1.0, 68.0)) - hv_of_hrc(max(hrc - 1.0, 20.0))
        weight = 1.0 / slope / count[row.heat] ** 0.25
        left.append(weight * np.array(base_terms(row.elements.c, row.p)))
        right.append(weight * (hv_of_hrc(hrc) - increments_hv(row.elements, row.p)))
    return np.linalg.lstsq(np.array(left), np.array(right), rcond=None)[0]


def error_hrc(row: Row, coefficients: Any) -> float:
    """Measured less predicted."""
    hv = float(np.dot(coefficients, base_terms(row.elements.c, row.p))) + increments_hv(row.elements, row.p)
    return row.hardness_hrc - hrc_of_hv(hv)


def left_out(rows: Sequence[Row]) -> list[tuple[Row, float]]:
    """Each row with its error from a surface fitted without its heat."""
    plain = [row for row in rows if is_plain(row.elements)]
    whole = fitted(plain)
    errors = []
    for heat in sorted({row.heat for row in rows}):
        mine = [row for row in rows if row.heat == heat]
        surface = fitted([row for row in plain if row.heat != heat]) if is_plain(mine[0].elements) else whole
        errors += [(row, error_hrc(row, surface)) for row in mine]
    return errors


def quantiles(errors: Sequence[tuple[Row, float]], *, plain: bool) -> list[tuple[float, float]]:
    """At each knot the 5 and 95 % points of the errors near it, every heat with the same weight."""
    found = []
    for index, knot in enumerate(BAND_KNOTS):
        low = BAND_KNOTS[index - 1] if index else knot - 4.0
        high = BAND_KNOTS[index + 1] if index + 1 < len(BAND_KNOTS) else knot + 4.0
        near = [(row, error) for row, error in errors if is_plain(row.elements) == plain and low < row.p < high]
        found.append(_weighted(near))
    return found


def _weighted(near: Sequence[tuple[Row, float]]) -> tuple[float, float]:
    count: dict[tuple[str, str, float], int] = defaultdict(int)
    for row, _ in near:
        count[row.heat] += 1
    ordered = sorted((error, 1.0 / count[row.heat] ** 0.5) for row, error in near)
    errors = [error for error, _ in ordered]
    reached = np.cumsum([weight for _, weight in ordered])
    centre = (reached - 0.5 * np.array([weight for _, weight in ordered])) / reached[-1]
    low, high = np.interp([0.05, 0.95], centre, errors)
    return float(low), float(high)


def held_without_heat(errors: Sequence[tuple[Row, float]], inner: Sequence[tuple[Row, float]]) -> dict[str, float]:
    """Percent of rows within a band drawn, as the fit was, without their own heat."""
    held: dict[str, list[bool]] = defaultdict(list)
    for heat in sorted({row.heat for row, _ in errors}):
        others = [(row, error) for row, error in inner if row.heat != heat]
        mine = [(row, error) for row, error in errors if row.heat == heat]
        plain = is_plain(mine[0][0].elements)
        points = quantiles(others, plain=plain)
        for row, error in mine:
            low, high = (
                FEW_HEATS[plain] * float(np.interp(row.p, BAND_KNOTS, side)) for side in zip(*points, strict=True)
            )
            edge = 0.0 if EDGE_CARBON[0] <= row.elements.c <= EDGE_CARBON[1] else EDGE_HRC
            for name in ("all", "plain" if plain else "alloy", "to 300 °C" if row.temperature_c <= 300 else "above"):
                held[name].append(low - edge <= error <= high + edge)
    return {name: 100.0 * sum(values) / len(values) for name, values in held.items()}


def held_by_stock(rows: Sequence[Row], pieces: int, seed: int = 5) -> float:
    """Percent of a heat's rows, 150 to 330 °C, in the band after others of its rows as pieces tested by file (±2.5)."""
    random = Random(seed)
    heats: dict[tuple[str, str, float], list[Row]] = defaultdict(list)
    for row in rows:
        if 150.0 <= row.temperature_c <= 330.0:
            heats[row.heat].append(row)
    held = []
    for mine in heats.values():
        for _ in range(12 if len(mine) > pieces + 1 else 0):
            asked, *others = random.sample(mine, pieces + 1)
            found = predict(
                Known(elements=asked.elements, pieces=tuple(_filed(one, random) for one in others)),
                asked.temperature_c,
                asked.time_s,
            )
            held.append((found.low_hrc or 99.0) <= asked.hardness_hrc <= (found.high_hrc or 0.0))
    return 100.0 * sum(held) / len(held) if held else float("nan")


def _filed(row: Row, random: Random) -> PieceTested:
    middle = row.hardness_hrc + random.uniform(-2.5, 2.5)
    return PieceTested(row.temperature_c, row.time_s, middle - 2.5, middle + 2.5)


def held_by_class(rows: Sequence[Row]) -> dict[str, float]:
    """Percent of rows in the band of a carbon guess, ±0.1 % and off by up to that, alloy told or not."""
    random = Random(5)
    held: dict[str, list[bool]] = defaultdict(list)
    for row in rows:
        guess = row.elements.c + random.uniform(-0.1, 0.1)
        for name, alloyed in (("not told", None), ("told", not is_plain(row.elements))):
            known = Known(carbon=(guess - 0.1, guess + 0.1), alloyed=alloyed)
            found = predict(known, row.temperature_c, row.time_s)
            if found.hardness_hrc is not None:
                held[f"alloy {name}"].append((found.low_hrc or 0.0) <= row.hardness_hrc <= (found.high_hrc or 0.0))
    return {name: 100.0 * sum(values) / len(values) for name, values in held.items()}


def by_class(row: Row) -> str:
    alloy = "plain" if is_plain(row.elements) else "alloy"
    carbon = "to 0.45 %C" if row.elements.c <= 0.45 else "to 0.75 %C" if row.elements.c <= 0.75 else "over 0.75 %C"
    edges = (150.0, 235.0, 300.0, 420.0, 550.0)
    names = ("90-150", "151-235", "236-300", "301-420", "421-550", "551-660")
    return f"| {alloy} | {carbon} | {names[sum(row.temperature_c > edge for edge in edges)]} |"


def table(errors: Sequence[tuple[Row, float]]) -> Iterable[str]:
    """Rows of a Markdown table: bias, scatter and how much the 90 % band holds, by carbon, alloy and temperature."""
    yield "| steel | carbon | °C | rows | heats | bias, HRC | RMS, HRC | in the 90 % band |"
    yield "| --- " * 8 + "|"
    groups: dict[str, list[tuple[Row, float]]] = defaultdict(list)
    for row, error in errors:
        groups[by_class(row)].append((row, error))
        groups["| all | | |"].append((row, error))
        groups[f"| {'plain' if is_plain(row.elements) else 'alloy'} | all | all |"].append((row, error))
        groups[f"| {row.laboratory} | all | all |"].append((row, error))
    for name, mine in sorted(groups.items()):
        values = np.array([error for _, error in mine])
        held = [low <= error <= high for row, error in mine for low, high in [band_hrc(row.elements, row.p)]]
        heats = len({row.heat for row, _ in mine})
        rms = float(np.sqrt(np.mean(values**2)))
        yield (f"{name} {len(mine)} | {heats} | {np.mean(values):+.1f} | {rms:.1f} | {100.0 * np.mean(held):.0f} % |")


def known_errors(rows: Sequence[Row]) -> list[tuple[Row, float]]:
    """Rows of one laboratory read from another's table of the grade, shifted in time."""
    steels = {name: known_steel(profile) for name, profile in load_shipped().steels.items()}
    errors = []
    for row in rows:
        place = OTHER_TABLE.get((row.laboratory, row.steel))
        if place is None:
            continue
        found = curve_hardness(steels[place[0]].curves[place[1]], row.temperature_c, row.time_s)
        if found is not None:
            errors.append((row, row.hardness_hrc - found))
    return errors


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the coefficients, the bands and the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True, metavar="FILE", help="the measured rows, CSV")
    rows = read(parser.parse_args(arguments).data)
    plain = [row for row in rows if is_plain(row.elements)]
    print(f"{len(rows)} rows of {len({row.heat for row in rows})} heats; P_F from {HARDEST_P:g} to {SOFTEST_P:g}\n")
    print("base surface:", ", ".join(f"{value:.4f}" for value in fitted(plain)), "\n")
    errors = left_out(rows)
    # A heat at the edge of the carbon range is extrapolated to when it is left out; its own error says nothing of the
    # middle, and the band is widened at the edges instead.
    inner = [(row, error) for row, error in errors if 0.30 <= row.elements.c <= 1.05]
    for name, is_it in (("plain", True), ("alloy", False)):
        print(name, "5 and 95 %:", ", ".join(f"({low:.1f}, {high:.1f})" for low, high in quantiles(inner, plain=is_it)))
    for name, is_it in (("plain", True), ("alloy", False)):
        heats = defaultdict(list)
        for row, error in inner:
            if is_plain(row.elements) == is_it and 150.0 <= row.temperature_c <= 320.0:
                heats[row.heat].append(error)
        between = float(np.std([np.mean(values) for values in heats.values()], ddof=1))
        within = float(np.sqrt(np.mean([np.var(values) for values in heats.values()])))
        mean = float(np.mean([np.mean(values) for values in heats.values()]))
        print(f"{name}, 150 to 320 °C: mean {mean:+.2f}, between heats {between:.2f}, within a heat {within:.2f} HRC")
    print("\nComposition, each heat left out of the fit\n")
    print("\n".join(table(errors)))
    whole = held_without_heat(errors, inner)
    print("\nBand drawn without the heat as well:", ", ".join(f"{name} {held:.0f} %" for name, held in whole.items()))
    stock = ", ".join(f"{count}: {held_by_stock(rows, count):.0f} %" for count in (1, 2, 3, 4, 6))
    print("\nStock tested here, by pieces:", stock)
    print("\nCarbon guess alone:", ", ".join(f"{name} {held:.0f} %" for name, held in held_by_class(rows).items()))
    print("\nKnown grade from another heat's or laboratory's table\n")
    known = known_errors(rows)
    for low, high in ((0, 660), (0, 235), (235, 330), (330, 660)):
        mine = [(row, error) for row, error in known if low < row.temperature_c <= high]
        off = np.array([error for _, error in mine])
        held = 100.0 * np.mean([abs(error) <= known_band(1, 0.0, row.temperature_c) for row, error in mine])
        rms, most = np.sqrt(np.mean(off**2)), np.quantile(np.abs(off), 0.9)
        print(f"{low} to {high} °C: {len(mine)} rows, bias {off.mean():+.2f}, RMS {rms:.2f}, 90 % within {most:.2f} "
              f"HRC; the band holds {held:.0f} %")  # fmt: skip
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
