"""What went into the oil, one row a quench: written from the core's events, in one piece with each of them."""

from __future__ import annotations

import sqlite3
from functools import partial
from math import isfinite
from typing import Final

from ..model import Event, Snapshot
from .batch import Writing, in_order
from .plain import storable

SEEN: Final = "Seen in the oil and not declared; the mass is an estimate from the rise."


class QuenchBook:
    """Follows the events of one process; what it began itself it may fill in later, and nothing else.

    `quench_declared` {`as_what`, `mass_kg`?, `part_c`?, `piece`?}: "first" and "second" are a row, "fills" adds to
    the last one, "again" is nothing. `quench_seen` {`known`, `rise_k`, `mass_kg`}: a row unless it is of a quench
    that is known. `quench_measured` {`rise_k`}: how far the oil rose over all of what went in since the first.
    """

    def __init__(self) -> None:
        self._mono_s: float | None = None
        self._from_c: float | None = None

    def writing(self, event: Event, snapshot: Snapshot, at: float) -> Writing | None:
        """What is to be written beside this event of that tick, None for nothing."""
        data, oil_c = event.data, snapshot.tank.temperature_c
        if event.kind == "quench_declared" and data["as_what"] in ("first", "second"):
            if data["as_what"] == "first" or self._mono_s is None:
                self._from_c = oil_c
            self._mono_s = event.at_s
            named = (data.get("piece"), at, event.at_s, 1, data.get("mass_kg"), data.get("part_c"))
            return partial(_insert, row=(*named, snapshot.tank.oil, _rounded(oil_c), None, ""))
        if event.kind == "quench_seen" and not data["known"]:
            self._from_c = None if oil_c is None else oil_c - data["rise_k"]
            self._mono_s = event.at_s
            named = (None, at, event.at_s, 0, _rounded(data["mass_kg"]), None)
            return partial(_insert, row=(*named, snapshot.tank.oil, _rounded(self._from_c), _rounded(oil_c), SEEN))
        if self._mono_s is None:
            return None
        if event.kind == "quench_declared" and data["as_what"] == "fills":
            said = (data.get("mass_kg"), data.get("part_c"), data.get("piece"))
            return partial(_fill_in, mono_s=self._mono_s, said=said)
        if event.kind == "quench_measured" and self._from_c is not None:
            after_c = _rounded(self._from_c + data["rise_k"])
            return partial(_measured, mono_s=self._mono_s, after_c=after_c, text=event.text)
        return None


def _rounded(value: float | None) -> float | None:
    """To a hundredth; None for what is no number."""
    return round(value, 2) if value is not None and isfinite(value) else None


def _insert(connection: sqlite3.Connection, row: tuple[float | str | None, ...]) -> None:
    # A piece that the book does not know is left out, not invented.
    connection.execute(
        "INSERT INTO quenches (piece_id, at, mono_s, declared, mass_kg, part_c, oil, before_c, after_c, note)"
        " VALUES ((SELECT id FROM pieces WHERE id = ?), ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        row,
    )


_NEWEST: Final = "id = (SELECT max(id) FROM quenches) AND mono_s = ?"
"""The newest row, and only if it is the one that is meant: should it never have reached the disk, none is."""


def _fill_in(
    connection: sqlite3.Connection, mono_s: float, said: tuple[float | None, float | None, int | None]
) -> None:
    connection.execute(
        "UPDATE quenches SET declared = 1, mass_kg = coalesce(?, mass_kg), part_c = coalesce(?, part_c),"
        f" piece_id = coalesce((SELECT id FROM pieces WHERE id = ?), piece_id), note = '' WHERE {_NEWEST}",
        (*said, mono_s),
    )


def _measured(connection: sqlite3.Connection, mono_s: float, after_c: float | None, text: str) -> None:
    connection.execute(f"UPDATE quenches SET after_c = ?, note = ? WHERE {_NEWEST}", (after_c, storable(text), mono_s))


def both(first: Writing | None, second: Writing | None) -> Writing | None:
    """Two writings as one, in that order; either may be none."""
    if first is None or second is None:
        return first or second
    return partial(in_order, first=first, second=second)
