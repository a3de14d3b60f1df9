"""A run as CSV and as JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any, Final

from .plain import rfc3339
from .readers import Book, elapsed

# Heading with its unit, column of the record.
CSV_COLUMNS: Final = (
    ("Time (UTC)", "at"),
    ("Time since start (s)", "t_s"),
    ("Phase", "phase"),
    ("Temper", "temper_index"),
    ("Oven (°C)", "oven_c"),
    ("Oven limit sensor (°C)", "oven_limit_c"),
    ("Part (°C)", "part_c"),
    ("Part ± (°C)", "part_error_c"),
    ("Part measured (1 yes)", "part_measured"),
    ("Setpoint (°C)", "setpoint_c"),
    ("Air target (°C)", "air_target_c"),
    ("Oven duty asked (0-1)", "asked_duty"),
    ("Oven duty applied (0-1)", "applied_duty"),
    ("Soak done (s)", "soak_done_s"),
    ("Equivalent time (s)", "equivalent_s"),
    ("Tank (°C)", "tank_c"),
    ("Tank limit sensor (°C)", "tank_limit_c"),
    ("Tank setpoint (°C)", "tank_setpoint_c"),
    ("Tank duty asked (0-1)", "tank_asked_duty"),
    ("Tank duty applied (0-1)", "tank_applied_duty"),
)
_LINES: Final = 500


def trace_csv(book: Book, run_id: int) -> Iterator[str]:
    """A run's samples as CSV (RFC 4180), a few hundred lines at a time; what is not known is empty.

    Temperatures are °C. A run that is not in the book gives the heading alone.
    """
    text = io.StringIO()
    lines = csv.writer(text)
    lines.writerow(heading for heading, _ in CSV_COLUMNS)
    for number, (t_s, row) in enumerate(elapsed(book.samples(run_id)), 1):
        values: dict[str, Any] = dict(row) | {"t_s": t_s}
        values["at"] = rfc3339(row["at"])
        values["temper_index"] = None if row["temper_index"] is None else row["temper_index"] + 1
        lines.writerow(values[name] for _, name in CSV_COLUMNS)
        if number % _LINES == 0:
            yield text.getvalue()
            text.seek(0)
            text.truncate()
    yield text.getvalue()


def run_json(book: Book, run_id: int) -> dict[str, Any] | None:
    """A run with all that belongs to it, and its `trace`; None when it is not in the book."""
    run = book.run(run_id)
    return None if run is None else run | {"trace": book.trace(run_id)}
