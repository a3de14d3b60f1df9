"""From the book and the profiles to what the plans take: a bar with all that is known of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from controller.metallurgy.ladder import ONE_FILE, Rung, judge_ladder
from controller.metallurgy.scales import file_band
from controller.metallurgy.steel import Elements, elements_of, parse_composition
from controller.metallurgy.stock import PieceTested
from controller.metallurgy.temper_plan import plan_temper
from controller.metallurgy.tempered import Known
from controller.profiles.steels import find_steel, known_steel
from controller.toml_text import shown

from .ports import Book, Catalogue
from .steel_bodies import SteelBody

_SHOWN_C, _SHOWN_S = 205.0, 3600.0
"""The temper by which a page shows how far a stock's tests have narrowed its band."""
_BAND: Final = ("hardness_hrc", "low_hrc", "high_hrc")


def composition_of(given: object) -> Elements:
    """From an object of symbols and percent, or `C=0.42,Mn=0.7`. Raises ValueError with every fault."""
    if isinstance(given, str):
        return parse_composition(given)
    right = 'right is an object as {"C": 0.42, "Mn": 0.7}, or the text "C=0.42,Mn=0.7".'
    if not isinstance(given, dict):
        raise ValueError(f"composition is {shown(given)}; {right}")
    for symbol, percent in given.items():
        if isinstance(percent, bool) or not isinstance(percent, (int, float)):
            raise ValueError(f"composition {symbol[:20]} is {shown(percent)}; right is a number of percent by weight.")
    return elements_of(given)


def known_of(body: SteelBody, catalogue: Catalogue, book: Book) -> Known:
    """The steel that a body names. Raises ValueError with what would be right."""
    if sum(value is not None for value in (body.steel, body.composition, body.stock)) != 1:
        raise ValueError("Right is one of steel (a grade), composition, and stock (a number of the book).")
    if body.steel is not None:
        return Known(steel=known_steel(find_steel(body.steel, catalogue.grades)))
    if body.composition is not None:
        return Known(elements=composition_of(body.composition))
    assert body.stock is not None
    stock = book.stock_item(body.stock)
    if stock is None:
        raise ValueError(f"There is no stock {body.stock} in the book; leave the number out, or enter it first.")
    return known_stock(stock, catalogue, book)


def known_stock(stock: Mapping[str, Any], catalogue: Catalogue, book: Book) -> Known:
    """All that the book knows of a bar: grade, composition or ladder, and its tested pieces."""
    pieces = tuple(tested(book.file_tests(stock["id"])))
    if stock["grade"] and stock["grade"] in catalogue.grades:
        return Known(steel=known_steel(catalogue.grades[stock["grade"]]), pieces=pieces)
    if stock["composition"]:
        return Known(elements=elements_of(stock["composition"]), pieces=pieces)
    judged, _ = ladder_of(stock, catalogue, book)
    if judged is None or judged["carbon_low"] is None:
        return Known(pieces=pieces)
    carbon = (judged["carbon_low"], min(judged["carbon_high"], 1.1))
    return Known(carbon=carbon, alloyed=judged["alloyed"], pieces=pieces)


def tested(rows: Iterable[Mapping[str, Any]]) -> Iterable[PieceTested]:
    """File tests as pieces; those without a temper say nothing of tempering."""
    for row in rows:
        if row["temper_c"] is not None and row["temper_s"] is not None:
            low, high = band_of(row)
            yield PieceTested(row["temper_c"], row["temper_s"], low, high, row["by_hand"], f"test {row['id']}")


def band_of(row: Mapping[str, Any]) -> tuple[float | None, float | None]:
    """Between what skates and what bites, HRC. Raises ValueError for a test that is none or contradicts itself."""
    if row["one_file"] is not None:
        if row["skates_hrc"] is not None or row["bites_hrc"] is not None:
            raise ValueError("Right is graded files, or what one ordinary file does: one of the two.")
        _, low, high = ONE_FILE[row["one_file"]]
        return low, high
    band = file_band(row["skates_hrc"], row["bites_hrc"])
    return band.low_hrc, band.high_hrc


def ladder_of(stock: Mapping[str, Any], catalogue: Catalogue, book: Book) -> tuple[dict[str, Any] | None, str]:
    """What the ladder says, or None and why not. Rungs on the newest coupon's size count, of each quench the last."""
    rows = book.ladder(stock["id"])
    if not rows:
        return None, "No rung yet. Begin with still air: the mildest quench first."
    size = (rows[-1]["section_mm"], rows[-1]["flat"])
    last = {row["medium"]: row for row in rows if (row["section_mm"], row["flat"]) == size}
    rungs = [Rung(_plain(medium), row["skates_hrc"], row["bites_hrc"], row["one_file"]) for medium, row in last.items()]
    steels = [known_steel(profile) for profile in catalogue.grades.values()]
    try:
        judged = judge_ladder(size[0], rungs, steels, flat=size[1], origin=stock["origin"])
    except ValueError as error:
        return None, str(error).replace("\n", " ")
    return judged, ""


def told_tests(stock: Mapping[str, Any], catalogue: Catalogue, book: Book) -> dict[str, Any]:
    """A stock's file tests, and how far they have narrowed what is expected of it."""
    rows = book.file_tests(stock["id"])
    known = known_stock(stock, catalogue, book)
    told = {name: _shown(each) for name, each in (("before", _without(known)), ("now", known))}
    tests = []
    for row in rows:
        low, high = band_of(row)
        tests.append(row | {"low_hrc": low, "high_hrc": high})
    teaching = sum(piece.teaches for piece in known.pieces)
    return {"tests": tests, "teaching": teaching, "temperature_c": _SHOWN_C, "time_s": _SHOWN_S} | told


def _without(known: Known) -> Known:
    return Known(known.steel, known.elements, known.carbon, known.alloyed)


def _shown(known: Known) -> dict[str, Any] | None:
    if known.steel is None and known.elements is None and known.carbon is None:
        return None
    plan = plan_temper(known, temperature_c=_SHOWN_C, time_s=_SHOWN_S)
    return {name: plan[name] for name in _BAND} | {"model": plan["model"], "reason": plan["reason"]}


def _plain(medium: str) -> str:
    return "air" if medium == "still air" else medium
