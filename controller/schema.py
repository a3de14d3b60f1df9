"""From text to typed tables: every fault at once, each with its place, its line and what would be right.

Pydantic finds the faults, this module says them in sentences. The tables of keys in DEVELOPERS.md come from the
same models (`keys_table`).
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from types import NoneType, UnionType
from typing import Any, ClassVar, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic.fields import FieldInfo

from controller.toml_text import Fault, Parsed, Path, line_of, shown, where

TableT = TypeVar("TableT", bound="Table")


class Table(BaseModel):
    """A table of a file: frozen, unknown keys refused, a key may be given by the name it has in the file only."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    brief: ClassVar[str] = ""
    """How `keys_table` writes such a table on one line, instead of key by key."""


# --- Fields ----------------------------------------------------------------------------------------------


def number(
    meaning: str,
    unit: str,
    low: float,
    high: float,
    *,
    default: Any = ...,
    left_out: str = "",
) -> Any:
    """A finite number of that range; true and false, text, NaN and infinity are no numbers.

    `left_out` says in the table what holds without the key, where the default itself does not.
    """
    extra: dict[str, Any] = {"unit": unit, "left_out": left_out}
    return Field(default, ge=low, le=high, strict=True, allow_inf_nan=False, description=meaning,
                 json_schema_extra=extra)  # fmt: skip


def whole(meaning: str, low: int, high: int, *, default: Any = ...) -> Any:
    """A whole number of that range."""
    return Field(default, ge=low, le=high, strict=True, description=meaning)


def words(
    meaning: str, *, default: Any = ..., shortest: int = 0, longest: int = 200, left_out: str = "", right: str = "",
    secret: bool = False,
) -> Any:  # fmt: skip
    """Text in quotes. `right` says what is right where lengths do not; `secret`: never shown, copied or logged."""
    extra: dict[str, Any] = {"left_out": left_out, "right": right}
    return Field(default, min_length=shortest, max_length=longest, strict=True, description=meaning,
                 repr=not secret, exclude=secret or None, json_schema_extra=extra)  # fmt: skip


def yes_no(meaning: str, *, default: Any = ...) -> Any:
    """true or false; 0, 1 and "yes" are neither."""
    return Field(default, strict=True, description=meaning)


def one_of(meaning: str, *, default: Any = ..., left_out: str = "") -> Any:
    """One of the texts of the field's Literal."""
    return Field(default, description=meaning, json_schema_extra={"left_out": left_out})


def table(meaning: str, *, default: Any = ..., left_out: str = "") -> Any:
    """A table of its own."""
    return Field(default, description=meaning, json_schema_extra={"left_out": left_out})


def several(meaning: str, least: int, most: int, *, key: str | None = None, default: Any = ...) -> Any:
    """A list, frozen as a tuple; `key` is its name in the file where that is not the attribute's."""
    return Field(default, min_length=least, max_length=most, description=meaning, alias=key)


def single_line(value: str) -> str:
    """For a validator: text without line breaks and other control characters, and not blank."""
    if not value.strip() or not value.isprintable():
        raise ValueError("right is text on one line, without control characters.")
    return value.strip()


# --- Checking a tree against a model ---------------------------------------------------------------------


def check(model: type[TableT], parsed: Parsed) -> tuple[TableT | None, list[Fault]]:
    """The typed table (None with any fault) and every fault of the text and of its values."""
    faults = list(parsed.faults)
    made: TableT | None = None
    if parsed.tree or not faults:
        try:
            made = model.model_validate(parsed.tree)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                path: Path = tuple(detail["loc"])
                known = detail["type"] == "missing" and path in parsed.lost
                if not known and not _length_is_right(model, path, detail["type"], detail["input"]):
                    faults.append(_fault(model, parsed, path, detail["type"], detail["input"], detail.get("ctx", {})))
    return (None if faults else made), faults


def fault_at(parsed: Parsed, path: Path, code: str, text: str) -> Fault:
    """A fault that a rule of our own found; `text` goes on from the place, as "… is 3; right is 4."."""
    return Fault(where(path), line_of(parsed, path), code, f"{where(path)} {text}".strip())


def keys_of(model: type[Table]) -> frozenset[str]:
    """The keys of a table as they stand in the file."""
    return frozenset(field.alias or name for name, field in model.model_fields.items())


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that was probably meant, or None."""
    return next(iter(difflib.get_close_matches(word.lower(), sorted(known), n=1, cutoff=0.55)), None)


def _length_is_right(model: type[Table], path: Path, kind: str, value: object) -> bool:
    """Pydantic counts only the entries that are right themselves, and would call a list short that is not."""
    field = field_at(model, path)
    if kind != "too_short" or field is None or not isinstance(value, (list, tuple)):
        return False
    return len(value) >= (_lengths(field)[0] or 0)


def _fault(
    model: type[Table], parsed: Parsed, path: Path, kind: str, value: object, context: Mapping[str, Any]
) -> Fault:
    place, line = where(path), line_of(parsed, path)
    field = field_at(model, path)
    if kind == "extra_forbidden":
        here = _model_at(model, path[:-1])
        if path[:-1] and here is not None and _secretive(here):
            return Fault(where(path[:-1]), line, "unknown_key", _unknown_unsaid(here, path))
        return Fault(place, line, "unknown_key", _unknown(model, path))
    if field is None:
        given = _given(field_at(model, path[:-1]), value)
        return Fault(place, line, "wrong_type", f"{place or 'The whole'} is {given}; right is a table.")
    if kind == "missing":
        return Fault(place, line, "missing", f"{place} is missing; right is {right(field)}: {field.description}.")
    given = _given(field, value, _model_at(model, path[:-1]))
    if kind == "value_error":
        return Fault(place, line, "not_allowed", f"{place} is {given}; {context['error']}")
    bounds = ("greater_than", "less_than", "finite", "too_", "string_too", "literal", "enum")
    code = "out_of_range" if kind.startswith(bounds) else "wrong_type"
    hint = _other_unit(field, value)
    return Fault(place, line, code, f"{place} is {given}; right is {right(field)}.{hint}")


def _given(field: FieldInfo | None, value: object, here: type[Table] | None = None) -> str:
    """A value as a fault may quote it: not one that is a secret, or stands where a table with one belongs, nor a text
    in the table `here` of a secret, which may have been written behind the wrong key."""
    bare = not isinstance(value, (Mapping, list, tuple))
    inner = table_of(field.annotation) if field is not None else None
    secret = field is not None and not field.repr
    secret = secret or (bare and inner is not None and _secretive(inner))
    beside = isinstance(value, str) and here is not None and any(not one.repr for one in here.model_fields.values())
    return "not right" if secret or beside else shown(value)


def _secretive(here: type[Table]) -> bool:
    """Whether it holds a secret, itself or in a table of its own."""
    inner = ((field, table_of(field.annotation)) for field in here.model_fields.values())
    return any(not field.repr or (table is not None and _secretive(table)) for field, table in inner)


def _unknown_unsaid(here: type[Table], path: Path) -> str:
    """As `_unknown`, without the key: beside a secret it may be the secret in the wrong place."""
    names = {field.alias or name: field for name, field in here.model_fields.items()}
    meant = nearest(str(path[-1]), names)
    said = f"{meant} is probably meant ({right(names[meant])})" if meant else f"the keys are {', '.join(names)}"
    return f"{where(path[:-1])} has a key that is not known here; {said}."


def _unknown(model: type[Table], path: Path) -> str:
    """Says which key was probably meant, here or in another table."""
    key = str(path[-1])
    here = _model_at(model, path[:-1]) or model
    names = {field.alias or name: field for name, field in here.model_fields.items()}
    meant = nearest(key, names)
    if meant:
        return f"{where(path)} is not a key here; {where((*path[:-1], meant))} is ({right(names[meant])})."
    for name, field in model.model_fields.items():
        other = table_of(field.annotation)
        if other is not None and key in {inner.alias or inner_name for inner_name, inner in other.model_fields.items()}:
            return f"{where(path)} is not a key here; it belongs under [{field.alias or name}]."
    return f"{where(path)} is not a key here; the keys are {', '.join(names)}."


def _other_unit(field: FieldInfo, value: object) -> str:
    """A hint where the number would be right in a unit that people mix up with ours."""
    low, high = _bounds(field)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or high is None or low is None:
        return ""
    if not high < value < 1e9 or not math.isfinite(value):
        return ""
    unit = _extra(field, "unit")
    in_c, in_min = (value - 32.0) / 1.8, value / 60.0
    if unit == "°C" and low <= in_c <= high:
        return f" That looks like °F: {value:g} °F is {in_c:.0f} °C."
    if unit == "min" and low <= in_min <= high:
        return f" Should these be seconds: {value:g} s are {in_min:g} min."
    return ""


# --- What is right ---------------------------------------------------------------------------------------


def right(field: FieldInfo) -> str:
    """What a field takes, in words."""
    if said := _extra(field, "right"):
        return said
    kinds = _kinds(field.annotation)
    unit = _extra(field, "unit")
    low, high = _bounds(field)
    text = " or ".join(_kind_in_words(kind) for kind in kinds if kind is not NoneType)
    if (inner := table_of(field.annotation)) and inner.brief:
        text = inner.brief
        if unit:
            text += f" with numbers from {_extra(field, 'low')} to {_extra(field, 'high')} {unit}"
    if low is not None and high is not None:
        text += f" from {low:g} to {high:g}" + (f" {unit}" if unit else "")
    shortest, longest = _lengths(field)
    if longest is not None:
        things = "characters" if str in kinds else "entries"
        text += f" of {shortest or 0} to {longest} {things}"
    return text


def keys_table(model: type[Table]) -> str:
    """The keys of a file as a Markdown table: key, unit, default, range, meaning."""
    rows = ["| key | unit | default | right is | meaning |", "| --- | --- | --- | --- | --- |"]
    rows += _key_rows(model, "")
    return "\n".join(rows) + "\n"


def _key_rows(model: type[Table], prefix: str) -> Iterable[str]:
    for name, field in model.model_fields.items():
        key = prefix + (field.alias or name)
        yield f"| `{key}` | {_extra(field, 'unit')} | {_default(field)} | {right(field)} | {field.description} |"
        inner = table_of(field.annotation)
        if inner and not inner.brief:
            many = any(get_origin(kind) is tuple for kind in _kinds(field.annotation))
            yield from _key_rows(inner, f"{key}[]." if many else f"{key}.")


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    if said := _extra(field, "left_out"):
        return said
    if field.default is None:
        return "none"
    if isinstance(field.default, tuple):
        return "none" if not field.default else ", ".join(map(str, field.default))
    return "its own" if isinstance(field.default, BaseModel) else f"`{shown(field.default)}`"


def field_at(model: type[Table], path: Path) -> FieldInfo | None:
    """The field of the model that a place in the text belongs to."""
    field: FieldInfo | None = None
    here: type[Table] | None = model
    for part in path:
        if isinstance(part, int):
            continue
        if here is None:
            return field
        field = next((f for name, f in here.model_fields.items() if (f.alias or name) == part), None)
        if field is None:
            return None
        here = table_of(field.annotation)
    # A place in a list belongs to the list's own table, which has no field of its own.
    return None if path and isinstance(path[-1], int) and here is not None else field


def table_of(annotation: object) -> type[Table] | None:
    """The table that an annotation holds, directly, as a choice or in a list."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next(filter(None, (table_of(inner) for inner in get_args(annotation))), None)


def _model_at(model: type[Table], path: Path) -> type[Table] | None:
    here: type[Table] | None = model
    for part in path:
        if here is None:
            return None
        if not isinstance(part, int):
            fields = {field.alias or name: field for name, field in here.model_fields.items()}
            here = table_of(fields[part].annotation) if part in fields else None
    return here


def _kinds(annotation: object) -> tuple[object, ...]:
    return get_args(annotation) if get_origin(annotation) in (Union, UnionType) else (annotation,)


def _kind_in_words(kind: object) -> str:
    if get_origin(kind) is Literal:
        return " or ".join(shown(choice) for choice in get_args(kind))
    if get_origin(kind) is tuple:
        return "a list of texts in quotes" if str in get_args(kind) else "a list"
    names: dict[object, str] = {float: "a number", int: "a whole number", bool: "true or false", str: "text in quotes"}
    return names.get(kind, "a table")


def _extra(field: FieldInfo, key: str) -> str:
    extra = field.json_schema_extra
    return str(extra.get(key, "")) if isinstance(extra, dict) else ""


def _bounds(field: FieldInfo) -> tuple[float | None, float | None]:
    low = next((found.ge for found in field.metadata if hasattr(found, "ge")), None)
    high = next((found.le for found in field.metadata if hasattr(found, "le")), None)
    return low, high


def _lengths(field: FieldInfo) -> tuple[int | None, int | None]:
    shortest = next((found.min_length for found in field.metadata if hasattr(found, "min_length")), None)
    longest = next((found.max_length for found in field.metadata if hasattr(found, "max_length")), None)
    return shortest, longest
