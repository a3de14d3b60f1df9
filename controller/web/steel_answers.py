"""What the service answers about steel: stock, pieces, ladder, file tests, plans. For the document, as `answers`."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from controller.profiles.steels import SteelProfile

from .answers import Celsius, ProblemReason, Rfc3339, RunLine, Seconds, TemperLine, Told


class StockLine(Told):
    id: int
    name: str
    grade: str | None
    composition: dict[str, float] | None = Field(description="symbol to percent by weight")
    section_mm: float | None
    origin: str = Field(description="what it was, if it is scrap")
    created_at: Rfc3339
    used_up_at: Rfc3339 | None
    note: str


class PieceLine(Told):
    id: int
    stock_id: int | None
    name: str
    mass_kg: float | None
    section_mm: float | None
    plan: dict[str, Any]
    tag: str | None
    created_at: Rfc3339
    finished_at: Rfc3339 | None
    note: str


class PieceRun(RunLine):
    tempers: list[TemperLine]


class FileTest(Told):
    id: int
    stock_id: int | None
    piece_id: int | None
    run_id: int | None
    at: Rfc3339
    who: str
    skates_hrc: float | None
    bites_hrc: float | None
    one_file: str | None
    temper_c: Celsius | None
    temper_s: Seconds | None
    by_hand: bool
    note: str


class DeclaredQuench(Told):
    at: Rfc3339
    who: str
    mass_kg: float | None
    part_c: Celsius | None


class Quenched(Told):
    """What a quench did to the oil."""

    id: int
    piece_id: int | None
    at: Rfc3339
    mono_s: Seconds | None
    declared: bool = Field(description="false: seen in the oil, its mass estimated from the rise")
    mass_kg: float | None
    part_c: Celsius | None
    oil: str | None
    before_c: Celsius | None = Field(description="the oil, °C")
    after_c: Celsius | None = Field(description="the oil at its warmest after it, where it was measured")
    note: str


class Piece(PieceLine):
    piece_steps: list[dict[str, Any]]
    quenches: list[Quenched]
    file_tests: list[FileTest]
    declared_quenches: list[DeclaredQuench]
    runs: list[PieceRun]


class RungLine(Told):
    id: int
    stock_id: int
    at: Rfc3339
    who: str
    medium: Literal["still air", "oil", "water", "brine"]
    section_mm: float | None
    flat: bool
    hardened_from_c: Celsius | None
    file_skates: bool
    skates_hrc: float | None
    bites_hrc: float | None
    one_file: str | None
    note: str


# --- Steel and plans: the fields of the contract; more may stand beside them ------------------------------------


class Open(Told):
    model_config = ConfigDict(defer_build=True, extra="allow")


class Judged(Open):
    ideal_low_mm: float | None
    ideal_high_mm: float | None
    carbon_low: float | None = Field(description="percent")
    carbon_high: float | None = Field(description="percent")
    grades: list[dict[str, Any]] = Field(description="those that remain possible, with what speaks for and against")
    next_test: str
    warnings: list[str]


class LadderTold(Told):
    rungs: list[RungLine]
    judged: Judged | None
    reason: str = Field(description='why nothing follows from it; "" where something does')


class TestBand(FileTest):
    low_hrc: float | None = Field(description="null: open on that side")
    high_hrc: float | None


class Expected(Told):
    hardness_hrc: float | None
    low_hrc: float | None
    high_hrc: float | None
    model: str
    reason: str


class FileTestsTold(Told):
    tests: list[TestBand]
    teaching: int = Field(description="tests that teach: of a known temper, with a band closed on both sides")
    temperature_c: Celsius = Field(description="the temper of `before` and `now`")
    time_s: Seconds
    before: Expected | None = Field(description="expected without the tests")
    now: Expected | None


class TemperPlan(Open):
    hardness_hrc: float | None
    low_hrc: float | None = Field(description="of the 90 % band")
    high_hrc: float | None = Field(description="of the 90 % band")
    model: str
    warnings: list[str]
    sources: list[str]
    temperature_c: Celsius | None
    time_s: Seconds | None
    reason: str = Field(description='why a value is null; "" where none is')


class HardenPlan(Open):
    ac1_c: Celsius | None
    ac3_c: Celsius | None
    ms_c: Celsius | None
    ideal_diameter_mm: float | None
    critical_diameter_mm: float | None
    retained_austenite_fraction: float | None
    warnings: list[str]
    reasons: dict[str, str] = Field(description="why a value is null, by its name")


class QuenchPlan(Open):
    rise_k: float
    after_c: Celsius
    allowed: bool
    reasons: list[ProblemReason] = Field(description="why it is not allowed")


class SheetSection(Told):
    name: str
    title: str
    lines: list[str]


class SheetTold(Open):
    title: str
    wanted_hrc: float
    sections: list[SheetSection]
    program: dict[str, Any] | None = Field(description="as a start takes it; null where this oven cannot")


class UseTold(Open):
    name: str
    low_hrc: float
    high_hrc: float
    source: str


class Choices(Told):
    uses: list[UseTold]
    origins: list[str]
    media: list[str]
    one_file: list[str]


TABLES: dict[str, type[BaseModel]] = {
    table.__name__: table
    for table in (
        SteelProfile, StockLine, PieceLine, Piece, LadderTold, FileTestsTold, TemperPlan, HardenPlan, QuenchPlan,
        SheetTold, Choices,
    )
}  # fmt: skip
