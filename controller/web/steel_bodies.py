"""What clients send about steel: stock, pieces, rungs of the ladder, file tests, and what is to be planned."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, field_validator

from controller.schema import number, one_of, single_line, words, yes_no

from .bodies import HEAVIEST_KG, LIGHTEST_KG, Body, book_number

Medium = Literal["air", "oil", "water", "brine"]
OneFile = Literal["skates", "cuts hard", "cuts easily"]


def composition(meaning: str) -> Any:
    """Percent by weight; what counts and how much is checked by the rules of the plans."""
    extra: dict[str, Any] = {"right": 'an object as {"C": 0.42, "Mn": 0.7}, or the text "C=0.42,Mn=0.7"'}
    return Field(None, description=meaning, json_schema_extra=extra)


def note() -> Any:
    return words("anything worth knowing later", default="", longest=500)


class Named(Body):
    name: str = words("what it is called in the shop", shortest=1, longest=60)
    note: str = note()

    @field_validator("name")
    @classmethod
    def _one_line(cls, value: str) -> str:
        return single_line(value)


class StockBody(Named):
    """A bar or lot. Grade or composition as far as they are known; neither for what the scrap heap gave."""

    grade: str | None = words("its grade", default=None, longest=60)
    composition: Any = composition("from its certificate, percent by weight")
    section_mm: float | None = number("diameter or thickness", "mm", 1, 200, default=None)
    origin: str | None = words("what it was, if it is scrap", default=None, longest=60)


class PieceBody(Named):
    """One tool in the making."""

    stock: int | None = book_number("the number of its stock", default=None)
    mass_kg: float | None = number("what it weighs", "kg", LIGHTEST_KG, HEAVIEST_KG, default=None)
    section_mm: float | None = number("its thickest section", "mm", 1, 200, default=None)
    use: str | None = words("what it is for", default=None, longest=60)
    tag: str | None = words("what is stamped on it or hangs on it", default=None, longest=60)


class FileBody(Body):
    skates_hrc: float | None = number("the hardest graded file that skates", "HRC", 20, 70, default=None)
    bites_hrc: float | None = number("the softest graded file that bites", "HRC", 20, 70, default=None)
    one_file: OneFile | None = one_of("what one ordinary file does", default=None)
    note: str = note()


class RungBody(FileBody):
    """One quench of a coupon, and what a file says of it."""

    medium: Medium = one_of("what it was quenched in; air is still air")
    section_mm: float = number("the coupon's diameter or thickness", "mm", 1, 60)
    flat: bool = yes_no("whether the coupon is a plate", default=False)
    hardened_from_c: float | None = number("how hot it was", "°C", 600, 1300, default=None)


class FileTestBody(FileBody):
    """A file test of a piece or coupon; with its temper it teaches what this stock does."""

    piece: int | None = book_number("the piece that was tested", default=None)
    run: int | None = book_number("the run that tempered it", default=None)
    temper_c: float | None = number("its temper, where it was no run of this oven", "°C", 60, 705, default=None)
    temper_s: float | None = number("how long", "s", 1, 604_800, default=None)
    by_hand: bool = yes_no("whether the colours were run by hand", default=False)


class SteelBody(Body):
    """One of steel, composition and stock."""

    steel: str | None = words("a grade", default=None, longest=60)
    composition: Any = composition("percent by weight")
    stock: int | None = book_number("stock of the book, with all that was learned of it", default=None)


class TemperPlanBody(SteelBody):
    """A temperature with its time, or a wanted hardness."""

    temperature_c: float | None = number("the temper", "°C", 0, 2000, default=None)
    time_s: float | None = number("how long; for a wanted hardness 3600 if left out", "s", 0, 1e7, default=None)
    hardness_hrc: float | None = number("the hardness that is wanted", "HRC", 0, 100, default=None)


class HardenPlanBody(SteelBody):
    section_mm: float = number("diameter or thickness", "mm", 0, 10_000)
    quench: str | None = words(
        "the quench; left out, the mildest that hardens it", default=None, right="oil, water, brine or air"
    )
    agitation: str = words("none, mild, moderate, good, strong or violent", default="", longest=20)
    flat: bool = yes_no("a plate's thickness, not a round's diameter", default=False)
    temper_c: float | None = number("the temper that is to follow, for its risks", "°C", 0, 2000, default=None)


class QuenchPlanBody(Body):
    """Oil, litres and temperature are this shop's own, as it is now, where they are left out."""

    oil: str | None = words("an oil of the profiles", default=None, longest=60)
    volume_l: float | None = number("litres of oil", "L", 1, 400, default=None)
    oil_c: float | None = number("the oil before the quench", "°C", -20, 250, default=None)
    mass_kg: float = number("what one part weighs", "kg", 0.001, 50)
    part_c: float | None = number("how hot it goes in", "°C", 100, 1300, default=None)
    count: float = number("parts alike, one after the other", "", 1, 1e6, default=1)


class SheetBody(SteelBody):
    """What it is for, or how hard it is to be."""

    section_mm: float = number("diameter or thickness", "mm", 0, 10_000)
    use: str | None = words("what it is for", default=None, longest=60)
    hardness_hrc: float | None = number("the hardness that is wanted", "HRC", 0, 100, default=None)
    quench: str | None = words(
        "the quench; left out, the mildest that hardens it", default=None, right="oil, water, brine or air"
    )
    flat: bool = yes_no("a plate's thickness, not a round's diameter", default=False)


TABLES: tuple[type[Body], ...] = (
    StockBody, PieceBody, RungBody, FileTestBody, TemperPlanBody, HardenPlanBody, QuenchPlanBody, SheetBody,
)  # fmt: skip
