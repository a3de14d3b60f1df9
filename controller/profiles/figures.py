"""Figures that say where they come from and how sure they are; both are shown wherever the figure is."""

from __future__ import annotations

from typing import Any, ClassVar, Literal

from pydantic import Field, ValidationInfo, field_validator

from controller.schema import Table, number, one_of, words

Mark = Literal["published", "computed here", "chosen here", "common practice, no source", "from memory"]


class Sourced(Table):
    """What every figure and statement carries."""

    source: str = words("where it comes from", shortest=1, longest=500)
    mark: Mark = one_of("how sure it is")


class Figure(Sourced):
    brief: ClassVar[str] = "{ value, source, mark }"
    value: float = number("the figure", "", -1e6, 1e6)


class Span(Sourced):
    brief: ClassVar[str] = "{ low, high, source, mark }"
    low: float = number("the lowest", "", -1e6, 1e6)
    high: float = number("the highest", "", -1e6, 1e6)

    @field_validator("high")
    @classmethod
    def _in_order(cls, value: float, info: ValidationInfo) -> float:
        low = info.data.get("low")
        if low is not None and value < low:
            raise ValueError(f"right is a number not below low, which is {low:g}.")
        return value


class Statement(Sourced):
    brief: ClassVar[str] = "{ text, source, mark }"
    text: str = words("what is said", shortest=1, longest=300)


def figure(meaning: str, unit: str, low: float, high: float, *, default: Any = ...) -> Any:
    """A Figure or a Span whose numbers lie in that range."""
    return Field(default, description=meaning, json_schema_extra={"unit": unit, "low": low, "high": high})


class Figures(Table):
    """A file of figures: keeps each in its range."""

    @field_validator("*")
    @classmethod
    def _in_range(cls, found: object, info: ValidationInfo) -> object:
        if not isinstance(found, (Figure, Span)) or info.field_name is None:
            return found
        extra = cls.model_fields[info.field_name].json_schema_extra
        assert isinstance(extra, dict)
        low, high, unit = extra["low"], extra["high"], extra["unit"]
        assert isinstance(low, (int, float))
        assert isinstance(high, (int, float))
        for value in (found.value,) if isinstance(found, Figure) else (found.low, found.high):
            if not low <= value <= high:
                raise ValueError(f"{value:g} in it is not right; right is a number from {low:g} to {high:g} {unit}.")
        return found
