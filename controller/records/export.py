"""A run as CSV and as JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any, Final

from .plain import rfc3339
from .readers import Book, elapsed
from .rows import SAMPLE_COLUMNS

# The record's own names, which carry their units, as in the JSON of a run and on the web.
CSV_COLUMNS: Final = ("at", "t_s", *(name for name in SAMPLE_COLUMNS if name not in ("run_id", "at", "mono_s")))
_LINES: Final = 500


def trace_csv(book: Book, run_id: int) -> Iterator[str]:
    """A run's samples as CSV (RFC 4180), a few hundred lines at a time; what is not known is empty.

    Temperatures are °C, `t_s` is since the run's start. A run that is not in the book gives the heading alone.
    """
    text = io.StringIO()
    lines = csv.writer(text)
    lines.writerow(CSV_COLUMNS)
    for number, (t_s, row) in enumerate(elapsed(book.samples(run_id)), 1):
        values: dict[str, Any] = dict(row) | {"t_s": t_s}
        values["at"] = rfc3339(row["at"])
        lines.writerow(values[name] for name in CSV_COLUMNS)
        if number % _LINES == 0:
            yield text.getvalue()
            text.seek(0)
            text.truncate()
    yield text.getvalue()


def run_json(book: Book, run_id: int) -> dict[str, Any] | None:
    """A run with all that belongs to it, and its `trace`; None when it is not in the book."""
    run = book.run(run_id)
    return None if run is None else run | {"trace": book.trace(run_id)}
