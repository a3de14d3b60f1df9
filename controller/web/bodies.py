"""What clients send: strict JSON, every fault at once, typed wishes out.

The tables are checked by the same rules as the shop file, so a fault reads the same in both.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, ClassVar, Final, TypeVar

from pydantic import ConfigDict, Field, field_validator

from controller.model import Confirm, LoadItem, Preheat, Program, Quench, Reason, Resume, Start
from controller.profiles import ProfileError, parse_program
from controller.schema import Table, check, number, several, single_line, words, yes_no
from controller.toml_text import Fault, Parsed, shown

from .problems import Problem

STEEL_KG_PER_M3: Final = 7850.0
"""Density of carbon steel at room temperature (the trade's usual figure; from memory)."""
LIGHTEST_KG, HEAVIEST_KG = 0.005, 20.0
LARGEST_ID: Final = 2**63 - 1
MOST_PIECES: Final = 50
READY_WITHIN: Final = timedelta(hours=12)
CLOCKS_APART: Final = timedelta(seconds=60)


class Body(Table):
    """What a request carries. Its rules are built when they are first used: the service starts the sooner."""

    model_config = ConfigDict(defer_build=True)

    may_be_empty: ClassVar[bool] = False
    """Whether no body at all counts as one without keys. Never where heat could come of it."""


BodyT = TypeVar("BodyT", bound=Body)


class PairBody(Body):
    code: str = words("the code that the machine shows", shortest=1, longest=64)
    label: str = words("what the device is called", default="device", shortest=1, longest=60)

    @field_validator("label")
    @classmethod
    def _one_line(cls, value: str) -> str:
        return single_line(value)


def book_number(meaning: str, *, default: Any = ...) -> Any:
    """A number that the book has given out."""
    extra: dict[str, Any] = {"right": "a whole number from 1 up"}
    return Field(default, ge=1, le=LARGEST_ID, strict=True, description=meaning, json_schema_extra=extra)


class LoadBody(Body):
    """One piece: weighed (`mass_kg`), or a round bar (`section_mm` across, `length_mm` long)."""

    mass_kg: float | None = number("what it weighs", "kg", LIGHTEST_KG, HEAVIEST_KG, default=None)
    section_mm: float | None = number("its thickest section", "mm", 1, 200, default=None)
    length_mm: float | None = number("its length, where it was not weighed", "mm", 5, 2000, default=None)
    stock: int | None = book_number("number of its stock in the book", default=None)
    piece: int | None = book_number("its own number in the book", default=None)

    def wrong(self) -> str:
        """What is wrong with the measures together, "" when nothing is."""
        if self.mass_kg is None and (self.section_mm is None or self.length_mm is None):
            return "says too little; right is mass_kg, or section_mm and length_mm together."
        if not LIGHTEST_KG <= self.kg() <= HEAVIEST_KG:
            return f"is a round bar that weighs {self.kg():.3g} kg; right is {LIGHTEST_KG:g} to {HEAVIEST_KG:g} kg."
        return ""

    def kg(self) -> float:
        """The weight, or that of a round bar."""
        if self.mass_kg is not None:
            return self.mass_kg
        radius_m, length_m = (self.section_mm or 0.0) / 2000.0, (self.length_mm or 0.0) / 1000.0
        return STEEL_KG_PER_M3 * math.pi * radius_m**2 * length_m

    def item(self) -> LoadItem:
        """For the core. A section that is not given is the edge of a cube of that mass: of all shapes without a
        thin side the slowest to heat through, so a soak is rather counted late than early.
        """
        kg = self.kg()
        section_mm = self.section_mm if self.section_mm is not None else 1000.0 * math.cbrt(kg / STEEL_KG_PER_M3)
        return LoadItem(kg, section_mm, self.stock, self.piece)


class StartBody(Body):
    # Checked by the rules of the programs, which are not a table of ours.
    program: Any = Field(
        description="what the oven is to do",
        json_schema_extra={"right": "the name of a program, or a whole program"},
    )
    load: tuple[LoadBody, ...] = several("what is in the oven", 0, MOST_PIECES, default=())


class ResumeBody(Body):
    run_id: int = book_number("the run that can go on")


class ConfirmBody(Body):
    prompt_id: str = words("the question that is answered", shortest=1, longest=100)
    answer: bool = yes_no("the answer, where the question has two", default=True)


class PreheatBody(Body):
    # Wide on purpose: what smiths were taught (95 to 150 °C) is refused with the oil's reasons, not with a range.
    target_c: float | None = number("the oil's temperature; without it, the oil's own", "°C", 20, 260, default=None)
    ready_at: str | None = words(
        "when the oil is to be ready; without it, as soon as it can be",
        default=None,
        right="a time with date and zone (RFC 3339), as 2030-05-17T14:30:00Z",
        longest=40,
    )

    gentle: bool = yes_no("little heat, for water that may lie under the oil", default=False)

    @field_validator("ready_at")
    @classmethod
    def _a_time(cls, value: str | None) -> str | None:
        if value is not None and _time(value) is None:
            raise ValueError("right is a time with date and zone (RFC 3339), as 2030-05-17T14:30:00Z.")
        return value


class QuenchBody(Body):
    may_be_empty = True

    mass_kg: float | None = number("what was quenched", "kg", LIGHTEST_KG, HEAVIEST_KG, default=None)
    part_c: float | None = number("how hot it went in", "°C", 100, 1300, default=None)
    piece: int | None = book_number("its number in the book", default=None)
    another: bool = yes_no("another part, and not the mass of the quench just before", default=False)


class PresenceBody(Body):
    may_be_empty = True


class RehearsalBody(Body):
    """One of press, fault with on, or speed."""

    press: str | None = words("a button at the machine", default=None, right='"arm" or "reset"')
    fault: str | None = words("a fault", default=None)
    on: bool | None = yes_no("whether the fault is there", default=None)
    speed: float | None = number("how much faster than the clock", "", 1, 20, default=None)

    @field_validator("press")
    @classmethod
    def _a_button(cls, value: str | None) -> str | None:
        if value not in (None, "arm", "reset"):
            raise ValueError('right is "arm" or "reset".')
        return value


# --- From bytes to tables ----------------------------------------------------------------------------------------


def read(model: type[BodyT], body: bytes) -> BodyT:
    """The table that a body holds. Raises a Problem (422) with every fault."""
    made, faults = check(model, _parsed(model, body))
    if made is None:
        raise _wrong(faults)
    return made


def start_wish(body: bytes, programs: Mapping[str, Program]) -> Start:
    """The wish of a start, the program named or whole. Raises a Problem (422) with every fault."""
    parsed = _parsed(StartBody, body)
    made, faults = check(StartBody, parsed)
    program: Program | None = None
    if "program" in parsed.tree:
        program, more = _program(parsed.tree["program"], programs)
        faults = [*faults, *more]
    faults = [*faults, *_wrong_measures(parsed.tree.get("load"))]
    if made is None or program is None or faults:
        raise _wrong(faults)
    return Start(program, tuple(item.item() for item in made.load))


def resume_wish(body: bytes) -> Resume:
    return Resume(read(ResumeBody, body).run_id)


def confirm_wish(body: bytes) -> Confirm:
    made = read(ConfirmBody, body)
    return Confirm(made.prompt_id, made.answer)


def preheat_wish(body: bytes, *, now: datetime, speed: float) -> Preheat:
    """`now`: the wall clock. `speed`: how much faster than it the shop's time goes (a rehearsal's): `ready_at` is the
    wall's, and the twelve hours within which it must lie are the shop's."""
    made = read(PreheatBody, body)
    at = None if made.ready_at is None else _time(made.ready_at)
    if at is None:
        return Preheat(made.target_c, gentle=made.gentle)
    latest = now + READY_WITHIN / speed
    if not now - CLOCKS_APART <= at <= latest:
        right = "a time in the next 12 hours"
        if speed != 1.0:
            right = (
                f"a time until {rfc3339(latest)}, in which 12 hours pass in this rehearsal, {speed:g} times as fast "
                "as the clock"
            )
        text = f"ready_at is {shown(made.ready_at)}; right is {right}. Here it is {rfc3339(now)}."
        raise Problem(422, [Reason("out_of_range", text)])
    ready_in_s = max(0.0, (at - now).total_seconds()) * speed
    # The division by the speed was rounded to a microsecond.
    return Preheat(made.target_c, min(ready_in_s, READY_WITHIN.total_seconds()), made.gentle)


def quench_wish(body: bytes) -> Quench:
    made = read(QuenchBody, body)
    return Quench(made.mass_kg, made.part_c, made.piece, made.another)


def rehearsal_body(body: bytes) -> RehearsalBody:
    made = read(RehearsalBody, body)
    asked = sum(value is not None for value in (made.press, made.fault, made.speed))
    if asked != 1 or (made.fault is None) != (made.on is None):
        text = 'Right is one of {"press": …}, {"fault": …, "on": …} and {"speed": …}.'
        raise Problem(422, [Reason("not_allowed", text)])
    return made


def rfc3339(at: datetime) -> str:
    """A time in UTC with milliseconds."""
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def rfc3339_of(at: float | None) -> str | None:
    """Seconds since 1970 as RFC 3339 UTC, None when they are not known."""
    return None if at is None else rfc3339(datetime.fromtimestamp(at, UTC))


def _time(text: str) -> datetime | None:
    """The time that a text names; None when it is none, has no zone, or no calendar has it."""
    if len(text) < 16 or text[10:11] not in ("T", "t", " "):
        return None
    try:
        at = datetime.fromisoformat(text.upper())
        at.timestamp()
    except (ValueError, OverflowError):
        return None
    return None if at.tzinfo is None else at


def _program(given: object, programs: Mapping[str, Program]) -> tuple[Program | None, list[Fault]]:
    if isinstance(given, dict):
        try:
            return parse_program(given), []
        except ProfileError as error:
            return None, [fault._replace(text=f"program: {fault.text}") for fault in error.faults]
    known = ", ".join(sorted(programs)) or "none yet"
    if not isinstance(given, str):
        text = f"program is {shown(given)}; right is the name of a program ({known}), or a whole program."
        return None, [Fault("program", None, "wrong_type", text)]
    if given not in programs:
        return None, [Fault("program", None, "not_allowed", f"There is no program {shown(given)}. Known: {known}.")]
    return programs[given], []


def _wrong_measures(load: object) -> list[Fault]:
    """Faults of items whose values are right one by one, and not together."""
    faults = []
    for place, item in enumerate(load if isinstance(load, list) else [], 1):
        made = check(LoadBody, _whole(item))[0] if isinstance(item, dict) else None
        if made is not None and (text := made.wrong()):
            faults.append(Fault(f"load {place}", None, "not_allowed", f"load {place} {text}"))
    return faults


def _whole(tree: dict[str, Any]) -> Parsed:
    return Parsed(tree, {}, frozenset(), ())


def _wrong(faults: list[Fault]) -> Problem:
    return Problem(422, [Reason(fault.code, fault.text) for fault in faults])


class _NotJsonError(ValueError):
    pass


def _parsed(model: type[Body], body: bytes) -> Parsed:
    """The tree of a JSON object. Raises a Problem (422) for anything else."""
    if not body and model.may_be_empty:
        return _whole({})
    if not body:
        text = "The body is empty; right is a JSON object, {} where all keys may be left out."
        raise _wrong([Fault("", None, "syntax", text)])
    try:
        tree = json.loads(body.decode("utf-8"), parse_constant=_no_constant, object_pairs_hook=_once_each)
    except _NotJsonError as error:
        raise _wrong([Fault("", None, "syntax", str(error))]) from None
    except UnicodeDecodeError:
        raise _wrong([Fault("", None, "syntax", "The body is no text in UTF-8; right is JSON.")]) from None
    except (ValueError, RecursionError) as error:
        place = f" (line {error.lineno}, column {error.colno})" if isinstance(error, json.JSONDecodeError) else ""
        text = f"The body is not JSON{place}; right is an object in braces."
        raise _wrong([Fault("", None, "syntax", text)]) from None
    if not isinstance(tree, dict):
        text = f"The body is {shown(tree)}; right is an object in braces."
        raise _wrong([Fault("", None, "wrong_type", text)])
    return _whole(tree)


def _no_constant(name: str) -> Any:
    raise _NotJsonError(f"{name} is no number in JSON; leave out what is not known.")


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    tree = dict(pairs)
    if len(tree) != len(pairs):
        twice = sorted({name for name, _ in pairs if sum(name == other for other, _ in pairs) > 1})
        raise _NotJsonError(f"{shown(twice[0])} stands twice in one object.")
    return tree
