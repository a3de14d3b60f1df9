"""All that core and link remember, as bytes for the tape, and back: so that a replay begins exactly where it was.

Pickled, but read back with nothing allowed except our own types of the core and the link. Rows of the interlock table
and limits are kept by reference: a replay looks at what was remembered with today's table, and with other limits if it
is given some. What was worked out once from watts, litres or the kind of thermocouple stays as it was recorded.
"""

from __future__ import annotations

import collections
import io
import pickle
from collections.abc import Iterator
from dataclasses import fields
from typing import Any, Final, NamedTuple

from controller.core.limits import Limits
from controller.core.table import TABLE, Row
from controller.core.tick import Core
from controller.wire.link import Link

_OURS: Final = ("controller.core.", "controller.wire.", "controller.model", "controller.metallurgy.", "simple_pid.pid")
_ROWS: Final = {row.name: row for row in TABLE}
PROTOCOL: Final = 5


class MemoryUnknownError(ValueError):
    """These bytes are no memory of this version; the text says why."""


class Memory(NamedTuple):
    """`remake`: the core is to be made anew for what the board says is fitted (a shop without a file). `added`: what
    today's types have and the remembered ones had not; it stands as in a new core."""

    core: Core
    link: Link
    remake: bool
    added: tuple[str, ...] = ()


class _Writer(pickle.Pickler):
    def persistent_id(self, value: Any) -> Any:
        if isinstance(value, Row):
            return "row", value.name
        if isinstance(value, Limits):
            return "limits", {field.name: getattr(value, field.name) for field in fields(value)}
        return None


class _Reader(pickle.Unpickler):
    def __init__(self, data: bytes, limits: Limits | None) -> None:
        super().__init__(io.BytesIO(data))
        self._limits = limits

    def persistent_load(self, reference: Any) -> Any:
        kind, value = reference
        if kind == "row":
            if value not in _ROWS:
                raise MemoryUnknownError(f"it knows an interlock {value!r}, which this version has not")
            return _ROWS[value]
        return self._limits or Limits(**value)

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) == ("collections", "deque"):
            return collections.deque
        found = super().find_class(module, name) if module.startswith(_OURS) and "." not in name else None
        # Types only, and the one function that a loop is given in a clock's place: nothing else is ever called.
        if isinstance(found, type) or (module, name) == ("controller.core.heating", "_no_clock"):
            return found
        raise MemoryUnknownError(f"it names {module}.{name}, which no memory holds")


def freeze(memory: Memory) -> bytes:
    """The bytes of core and link as they are between two ticks."""
    buffer = io.BytesIO()
    _Writer(buffer, PROTOCOL).dump((memory.core, memory.link, memory.remake))
    return buffer.getvalue()


def thaw(data: bytes, limits: Limits | None = None) -> Memory:
    """What `freeze` was given; with `limits` in the place of those that were in force.

    Raises MemoryUnknownError for bytes of another version, or of something else.
    """
    try:
        core, link, remake = _Reader(data, limits).load()
        if not (isinstance(core, Core) and isinstance(link, Link)):
            raise MemoryUnknownError("it holds something else")
        core.interlocks.rebind(core.limits)
        added = sorted({*_complete(core, Core(core.limits), set()), *_complete(link, Link(), set())})
    except MemoryUnknownError:
        raise
    except Exception as error:
        raise MemoryUnknownError(f"it cannot be read by this version ({error})") from error
    return Memory(core, link, bool(remake), tuple(added))


def _complete(old: Any, new: Any, seen: set[int]) -> Iterator[str]:
    """Give `old` what only `new` has, and so on in what they hold; names of what was given."""
    if type(old) is not type(new) or id(old) in seen or not type(new).__module__.startswith(_OURS):
        return
    seen.add(id(old))
    names = [*getattr(new, "__dict__", ()), *(name for kind in type(new).__mro__ for name in _slots(kind))]
    if isinstance(new, tuple):
        return
    for name in names:
        if not hasattr(new, name):
            continue
        if hasattr(old, name):
            yield from _complete(getattr(old, name), getattr(new, name), seen)
        else:
            object.__setattr__(old, name, getattr(new, name))
            yield f"{type(new).__name__}.{name}"


def _slots(kind: type) -> tuple[str, ...]:
    slots = kind.__dict__.get("__slots__", ())
    return (slots,) if isinstance(slots, str) else tuple(slots)
