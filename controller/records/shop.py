"""What the smith writes into the book: stock and pieces, rungs of the ladder, file tests."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from typing import Any, Final

from .devices import WRITE_TIMEOUT_S
from .plain import storable, text_of
from .records import Records

_TABLES: Final[Mapping[str, tuple[str, ...]]] = {
    "stock": ("name", "grade", "composition", "section_mm", "origin", "note"),
    "pieces": ("stock_id", "name", "mass_kg", "section_mm", "plan", "tag", "note"),
    "ladder": (
        "stock_id", "medium", "section_mm", "flat", "hardened_from_c", "file_skates", "skates_hrc", "bites_hrc",
        "one_file", "note",
    ),
    "file_tests": (
        "stock_id", "piece_id", "run_id", "skates_hrc", "bites_hrc", "one_file", "temper_c", "temper_s", "by_hand",
        "note",
    ),
}  # fmt: skip
_JSON: Final = ("composition", "plan")


class ShopWriter:
    """Adds rows, each with who and when, and waits until they are on the card. Safe from any thread.

    Every method answers the new row's number and raises RecordsError when the disk does not take it in time; the text
    says whether it may still be written.
    """

    def __init__(self, records: Records, *, wall: Callable[[], float]) -> None:
        self._records = records
        self._wall = wall

    def add_stock(self, values: Mapping[str, Any]) -> int:
        """A bar or lot: `name`, and as far as known `grade`, `composition` (symbol to percent), `section_mm`,
        `origin`, `note`."""
        return self._add("stock", values, {"created_at": self._wall()})

    def add_piece(self, values: Mapping[str, Any]) -> int:
        """A tool in the making: `name`, and as far as known `stock_id`, `mass_kg`, `section_mm`, `plan`, `tag`,
        `note`."""
        return self._add("pieces", values, {"created_at": self._wall()})

    def add_rung(self, values: Mapping[str, Any], who: str) -> int:
        """One quench of a coupon of `stock_id` in `medium`, and what the files said."""
        return self._add("ladder", values, {"at": self._wall(), "who": storable(who)})

    def add_file_test(self, values: Mapping[str, Any], who: str) -> int:
        """A file test of `stock_id`, of a `piece_id` of it or a coupon, after a temper or none."""
        return self._add("file_tests", values, {"at": self._wall(), "who": storable(who)})

    def _add(self, table: str, values: Mapping[str, Any], stamped: Mapping[str, Any]) -> int:
        taken = {name: values[name] for name in _TABLES[table] if values.get(name) is not None}
        row = {name: _stored(name, value) for name, value in (taken | dict(stamped)).items()}

        def insert(connection: sqlite3.Connection) -> int:
            names = ", ".join(row)
            marks = ", ".join("?" * len(row))
            cursor = connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(row.values()))
            return int(cursor.lastrowid or 0)

        return self._records.written(insert, WRITE_TIMEOUT_S)


def _stored(name: str, value: Any) -> Any:
    if name in _JSON:
        return text_of(value)
    return storable(value) if isinstance(value, str) else value
