"""Anything of ours as values that JSON knows."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Set
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from typing import Any


def plain(value: Any) -> Any:
    """`value` as dicts, lists, strings, numbers, booleans and None.

    Dataclasses and named tuples become dicts. NaN and infinity become None, for what is not a number is not
    known; what is of no known type becomes its text, because writing the record may not fail over it.
    """
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, str):
        return storable(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if is_dataclass(value) and not isinstance(value, type):
        return {entry.name: plain(getattr(value, entry.name)) for entry in fields(value)}
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return {name: plain(getattr(value, name)) for name in value._fields}
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple | Set):
        return [plain(entry) for entry in value]
    return storable(str(value))


def storable(text: str) -> str:
    """`text` with what no file can hold as UTF-8 (half a surrogate pair) replaced by question marks."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode()


def text_of(value: Any) -> str:
    """`value` as compact JSON."""
    return json.dumps(plain(value), allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def table_of(text: str | None) -> dict[str, Any]:
    """A stored state of the core; for what is none, what says to the core that it does not know what stood."""
    try:
        state = json.loads(text or "")
    except (ValueError, RecursionError):
        state = None
    return state if isinstance(state, dict) else {"latched": None}


def rfc3339(at: float | None) -> str | None:
    """Wall time as RFC 3339 UTC with milliseconds, None when it is not known."""
    if at is None:
        return None
    return datetime.fromtimestamp(at, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
