"""The whole numbers in addresses: strict, and every fault at once, like the bodies.

FastAPI's own parameters would do, but the first of them imports pydantic's whole first version: a twelfth of the
time that the service takes to start.
"""

from __future__ import annotations

from typing import Any, Final, Literal, NamedTuple

from starlette.requests import Request

from controller.model import Reason
from controller.toml_text import shown

from .bodies import LARGEST_ID
from .problems import Problem


class Whole(NamedTuple):
    """A whole number of that range; one in the query may be left out."""

    name: str
    place: Literal["path", "query"]
    low: int
    high: int
    meaning: str
    default: int | None = None

    def schema(self) -> dict[str, Any]:
        """As the OpenAPI document says it."""
        schema: dict[str, Any] = {"type": "integer", "minimum": self.low, "maximum": self.high}
        if self.default is not None:
            schema["default"] = self.default
        needed = self.place == "path"
        return {
            "name": self.name, "in": self.place, "required": needed, "description": self.meaning, "schema": schema,
        }  # fmt: skip

    def read(self, text: str) -> int | None:
        """The number; None for what is none, or lies outside the range."""
        if not (text.isascii() and text.isdecimal() and len(text) <= len(str(self.high))):
            return None
        return int(text) if self.low <= int(text) <= self.high else None


ID: Final = Whole("id", "path", 1, LARGEST_ID, "its number")


def described(*numbers: Whole) -> dict[str, Any]:
    """What a route adds to the OpenAPI document to say which numbers its address takes."""
    return {"parameters": [number.schema() for number in numbers]}


def id_of(request: Request) -> int:
    """The number in the path. Raises a Problem (422) for what is none."""
    text = request.path_params[ID.name]
    number = ID.read(text)
    if number is None:
        raise Problem(422, [_wrong(ID, text)])
    return number


def query_of(request: Request, *numbers: Whole) -> dict[str, Any]:
    """The numbers in the query by name, those left out by their default. Raises a Problem (422) with every fault."""
    known = {number.name: number for number in numbers}
    taken: dict[str, Any] = {number.name: number.default for number in numbers}
    reasons = []
    for name, text in request.query_params.multi_items():
        number = known.get(name)
        if number is None:
            right = " or ".join(known)
            reasons.append(Reason("unknown_key", f"{shown(name)} in the address is not known; right is {right}."))
        elif (value := number.read(text)) is None:
            reasons.append(_wrong(number, text))
        else:
            taken[name] = value
    if reasons:
        raise Problem(422, reasons)
    return taken


def _wrong(number: Whole, text: str) -> Reason:
    upwards = "up" if number.high == LARGEST_ID else f"to {number.high}"
    right = f"a whole number from {number.low} {upwards}"
    return Reason("not_allowed", f"{number.name} in the address is {shown(text)}; right is {right}.")
