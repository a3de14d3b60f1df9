"""How every profile is read: one text or table in, one type or every fault out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from controller.schema import Table, check
from controller.toml_text import Fault, Parsed, TextError, read_toml, shown

ProfileT = TypeVar("ProfileT", bound=Table)


class ProfileError(TextError):
    """A profile cannot be used; `faults` has all of it, `lines()` says it."""


def parse(model: type[ProfileT], source: object, name: str) -> ProfileT:
    """The typed table of a TOML text or of decoded JSON. Raises ProfileError with every fault, `name` before each."""
    if isinstance(source, str):
        parsed = read_toml(source)
    elif isinstance(source, Mapping):
        parsed = Parsed(dict(source), {}, frozenset(), ())
    else:
        text = f"{shown(source)} is no {name}; right is a table with its keys."
        raise ProfileError(name, [Fault("", None, "wrong_type", text)])
    made, faults = check(model, parsed)
    if made is None:
        raise ProfileError(name, faults)
    return made
