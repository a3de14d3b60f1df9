"""Reading the book, while it is being written or not: each call has its own connection that cannot write.

Answers are plain JSON values. Wall times (`*_at`) are RFC 3339 UTC; durations are from the monotonic clock.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final

from .plain import rfc3339
from .rows import SAMPLE_COLUMNS
from .schema import FILE_NAME, DamagedError, RecordsError, open_read_only
from .standing import flush
from .tape import TapeEntry, entries_of
from .trouble import is_damage, not_copied, sentence

_JSON_COLUMNS: Final = (
    "program",
    "load",
    "tempers",
    "core_state",
    "data",
    "details",
    "reasons",
    "composition",
    "plan",
    "parameters",
    "points",
    "state",
)
_BOOLEAN_COLUMNS: Final = ("accepted", "declared", "file_skates", "part_measured", "flat", "by_hand")
_CHUNK: Final = 1_000
_RESTART_S: Final = 60.0
_DRAWN: Final = ("oven_c", "part_c", "tank_c")
_RUN_LINE: Final = (
    "id, program_name, who, started_at, ended_at, outcome, ending,"
    " CASE WHEN NOT EXISTS (SELECT 1 FROM interruptions WHERE run_id = runs.id)"
    " THEN round(ended_mono_s - started_mono_s, 3) END AS duration_s"
)


def database_path(data_directory: Path | str) -> Path:
    """The book's file in a data directory."""
    return Path(data_directory) / FILE_NAME


def default_data_directory(environment: Mapping[str, str]) -> Path:
    """Where the book is unless a command is told otherwise.

    What systemd gives a service (`STATE_DIRECTORY`, the first of its list), else the user's data home (XDG
    Base Directory Specification).
    """
    if given := environment.get("STATE_DIRECTORY", ""):
        return Path(given.split(":")[0])
    home = environment.get("XDG_DATA_HOME", "")
    base = Path(home) if Path(home).is_absolute() else Path.home() / ".local" / "share"
    return base / "ovenhand"


def _values(row: sqlite3.Row) -> dict[str, Any]:
    """A row as JSON values."""
    return {name: _value(name, value) for name, value in dict(row).items()}


def _value(name: str, value: Any) -> Any:
    if value is None:
        return None
    if name == "at" or name.endswith("_at"):
        return rfc3339(value)
    if name in _JSON_COLUMNS:
        return json.loads(value)
    return bool(value) if name in _BOOLEAN_COLUMNS else value


class Book:
    """The record book, open for reading. Raises RecordsError where it cannot be read.

    `path` is the file (see `database_path`). Nothing stays open between calls, so a slow reader holds
    nothing up. `met` is told of whatever is in the way of reading.
    """

    def __init__(self, path: Path | str, *, met: Callable[[RecordsError], None] = lambda error: None) -> None:
        self.path = Path(path)
        self._met = met

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(open_read_only(self.path)) as connection:
                try:
                    yield connection
                except (sqlite3.Error, json.JSONDecodeError) as error:
                    raise RecordsError(sentence(error, self.path)) from error
        except RecordsError as error:
            self._met(error)
            raise

    def _rows(self, query: str, values: Sequence[Any] = ()) -> list[dict[str, Any]]:
        with self._reading() as connection:
            return [_values(row) for row in connection.execute(query, values)]

    def _row(self, query: str, values: Sequence[Any] = ()) -> dict[str, Any] | None:
        found = self._rows(query, values)
        return found[0] if found else None

    # --- runs ------------------------------------------------------------------------------------------

    def runs(self, *, limit: int = 50, before_id: int | None = None) -> list[dict[str, Any]]:
        """The newest runs first: `id`, `program_name`, `who`, `started_at`, `ended_at`, `outcome`, `ending`,
        `duration_s` (null while it is on, and where it was interrupted: the clock of a process ends with it).
        """
        return self._rows(
            f"SELECT {_RUN_LINE} FROM runs WHERE ?1 IS NULL OR id < ?1 ORDER BY id DESC LIMIT ?2",
            (before_id, limit),
        )

    def run(self, run_id: int) -> dict[str, Any] | None:
        """All of a run but its trace, None when there is none of this number.

        The keys of `runs`, and `program`, `load`, `tempers`, `settings_hash`, `profiles_hash`, `samples` (how
        many), `tape_blocks`, `events`, `requests`, `interruptions`.
        """
        run = self._row(
            f"SELECT {_RUN_LINE}, program, load, tempers, settings_hash, profiles_hash,"
            " (SELECT count(*) FROM samples WHERE run_id = runs.id) AS samples,"
            " (SELECT count(*) FROM tape WHERE run_id = runs.id) AS tape_blocks FROM runs WHERE id = ?",
            (run_id,),
        )
        if run is None:
            return None
        of_run = "WHERE run_id = ? ORDER BY id"
        run["events"] = self._rows(f"SELECT * FROM events {of_run}", (run_id,))
        run["requests"] = self._rows(f"SELECT * FROM requests {of_run}", (run_id,))
        run["interruptions"] = self._rows(
            f"SELECT cut_at, resumed_at, outcome, ending FROM interruptions {of_run}", (run_id,)
        )
        return run

    def core_state(self, run_id: int) -> dict[str, Any] | None:
        """The core's state when the run started, None when there is no such run."""
        row = self._row("SELECT core_state FROM runs WHERE id = ?", (run_id,))
        return None if row is None else row["core_state"]

    def samples(self, run_id: int) -> Iterator[sqlite3.Row]:
        """A run's samples in order, `SAMPLE_COLUMNS` as stored (`at` in seconds), read a piece at a time.

        No transaction stays open between the pieces: a phone that reads slowly may not keep the writer from
        folding back its log.
        """
        columns = ", ".join(SAMPLE_COLUMNS)
        last = 0
        with self._reading() as connection:
            while True:
                rows = connection.execute(
                    f"SELECT id, {columns} FROM samples WHERE run_id = ? AND id > ? ORDER BY id LIMIT ?",
                    (run_id, last, _CHUNK),
                ).fetchall()
                if not rows:
                    return
                yield from rows
                last = rows[-1]["id"]

    def trace(self, run_id: int, *, points: int | None = None) -> list[dict[str, Any]]:
        """A run's samples as dicts with `t_s` since its start; at most about `points` of them.

        Thinning keeps the lowest and the highest oven, part and tank temperature of every stretch, so that
        no peak is lost, whole rows and in order.
        """
        timed = list(elapsed(self.samples(run_id)))
        if points is not None and len(timed) > points:
            timed = thinned(timed, points)
        answer = []
        for t_s, row in timed:
            values = {"t_s": t_s} | _values(row)
            del values["id"], values["run_id"]
            answer.append(values)
        return answer

    def trace_csv(self, run_id: int) -> Iterator[str]:
        """A run's trace as CSV, a few hundred lines at a time."""
        from .export import trace_csv  # it reads through this module

        return trace_csv(self, run_id)

    def record_pdf(self, run_id: int) -> bytes | None:
        """A run to print, None when there is none. Raises ImportError, with a sentence, without reportlab."""
        from .printed import run_pdf  # it reads through this module

        return run_pdf(self, run_id)

    def recent(self, seconds: int) -> list[dict[str, Any]]:
        """The newest samples, whichever run or preheat they belong to, oldest first: at most one a second."""
        return self._rows(
            "SELECT * FROM (SELECT * FROM samples ORDER BY id DESC LIMIT ?) ORDER BY id", (seconds,)
        )

    def tape(self, run_id: int) -> Iterator[TapeEntry]:
        """A run's tape from its lead-in to its end. Raises RecordsError at a damaged block."""
        with self._reading() as connection:
            numbers = [
                row[0]
                for row in connection.execute(
                    "SELECT block FROM tape WHERE run_id = ? ORDER BY block", (run_id,)
                )
            ]
            for number in numbers:
                row = connection.execute(
                    "SELECT entries FROM tape WHERE run_id = ? AND block = ?", (run_id, number)
                ).fetchone()
                try:
                    yield from entries_of(row[0])
                except ValueError as error:
                    raise RecordsError(f"Run {run_id}, block {number}: {error}.") from error

    # --- the diary --------------------------------------------------------------------------------------

    def events(
        self, *, after_id: int | None = None, limit: int = 200, run_id: int | None = None
    ) -> list[dict[str, Any]]:
        """Events in order: those after a number, or, without one, the newest `limit`."""
        if after_id is not None:
            return self._rows(
                "SELECT * FROM events WHERE id > ?1 AND (?2 IS NULL OR run_id = ?2) ORDER BY id LIMIT ?3",
                (after_id, run_id, limit),
            )
        return self._rows(
            "SELECT * FROM (SELECT * FROM events WHERE ?1 IS NULL OR run_id = ?1 ORDER BY id DESC LIMIT ?2)"
            " ORDER BY id",
            (run_id, limit),
        )

    def requests(self, *, limit: int = 200) -> list[dict[str, Any]]:
        """The newest requests first, with who made them and how they were answered."""
        return self._rows("SELECT * FROM requests ORDER BY id DESC LIMIT ?", (limit,))

    def gaps(self) -> list[dict[str, Any]]:
        """When the disk took nothing, and how many entries were lost by it."""
        return self._rows("SELECT * FROM gaps ORDER BY id")

    # --- the shop ---------------------------------------------------------------------------------------

    def stock_item(self, stock_id: int) -> dict[str, Any] | None:
        return self._row("SELECT * FROM stock WHERE id = ?", (stock_id,))

    def stock(self) -> list[dict[str, Any]]:
        return self._rows("SELECT * FROM stock ORDER BY id")

    def pieces(self) -> list[dict[str, Any]]:
        return self._rows("SELECT * FROM pieces ORDER BY id DESC")

    def piece(self, piece_id: int) -> dict[str, Any] | None:
        """A piece with its `piece_steps`, `quenches`, `file_tests`, `declared_quenches` and
        `runs`, None when there is none."""
        piece = self._row("SELECT * FROM pieces WHERE id = ?", (piece_id,))
        if piece is not None:
            for table in ("piece_steps", "quenches", "file_tests"):
                piece[table] = self._rows(
                    f"SELECT * FROM {table} WHERE piece_id = ? ORDER BY id", (piece_id,)
                )
            piece["declared_quenches"] = self._rows(
                "SELECT at, who, json_extract(details, '$.mass_kg') AS mass_kg,"
                " json_extract(details, '$.part_c') AS part_c FROM requests"
                " WHERE wish = 'Quench' AND accepted AND json_extract(details, '$.piece') = ? ORDER BY id",
                (piece_id,),
            )
            piece["runs"] = self._rows(
                f"SELECT {_RUN_LINE}, tempers FROM runs WHERE EXISTS (SELECT 1 FROM json_each(runs.load)"
                " WHERE json_extract(json_each.value, '$.piece') = ?) ORDER BY id",
                (piece_id,),
            )
        return piece

    def quenches(self, *, limit: int = 200) -> list[dict[str, Any]]:
        """The newest quenches first, declared or seen: `mass_kg`, `part_c`, the `oil` and how warm it was before and
        after, where that was measured."""
        return self._rows("SELECT * FROM quenches ORDER BY id DESC LIMIT ?", (limit,))

    def ladder(self, stock_id: int) -> list[dict[str, Any]]:
        return self._rows("SELECT * FROM ladder WHERE stock_id = ? ORDER BY id", (stock_id,))

    def file_tests(self, stock_id: int) -> list[dict[str, Any]]:
        return self._rows("SELECT * FROM file_tests WHERE stock_id = ? ORDER BY id", (stock_id,))

    def calibrations(self) -> list[dict[str, Any]]:
        return self._rows("SELECT * FROM calibrations ORDER BY id")

    def tunings(self) -> list[dict[str, Any]]:
        return self._rows("SELECT * FROM tunings ORDER BY id")

    def devices(self) -> list[dict[str, Any]]:
        """Every device that was ever paired, without the hashes of their tokens."""
        return self._rows(
            "SELECT id, label, role, created_at, last_seen_at, revoked_at FROM devices ORDER BY id"
        )

    # --- the file itself --------------------------------------------------------------------------------

    def verify(self) -> list[str]:
        """What is wrong with the file, a sentence each; empty when it is sound.

        A run that is on is no fault. Damaged blocks of the tape are found by reading them all. Raises
        RecordsError where there is no record at all.
        """
        try:
            open_read_only(self.path).close()
        except DamagedError as error:
            return [str(error)]
        problems: list[str] = []
        try:
            with self._reading() as connection:
                found = [text for (text,) in connection.execute("PRAGMA integrity_check(50)") if text != "ok"]
                problems += [f"The file is damaged: {' '.join(text.split())}." for text in found[:5]]
                if len(found) > 5:
                    problems.append(f"And {'at least ' * (len(found) >= 50)}{len(found) - 5} more of the kind.")
                for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check"):
                    problems.append(f"Row {row} of {table} belongs to a row of {parent} that is not there.")
                runs = [row["run_id"] for row in connection.execute("SELECT DISTINCT run_id FROM tape")]
            for run_id in runs:
                problems.extend(self._damaged_blocks(run_id))
        except RecordsError as error:
            problems.append(str(error))
        return problems

    def _damaged_blocks(self, run_id: int) -> Iterator[str]:
        try:
            for _ in self.tape(run_id):
                pass
        except RecordsError as error:
            yield str(error)

    def open_runs(self) -> list[int]:
        """The runs that have no end yet: one while the oven works, else cut off and not yet closed."""
        with self._reading() as connection:
            return [row[0] for row in connection.execute("SELECT id FROM runs WHERE ended_at IS NULL")]

    def backup(self, destination: Path | str) -> Path:
        """A whole copy of the book as it is now, while it is being written. Raises RecordsError.

        The copy gets its name only when it is whole, and has it on the card (or the stick, which may then be pulled)
        once this answers; a file that is there is never written over.
        """
        target = Path(destination)
        if not target.name:
            raise RecordsError(f'"{destination}" is no name for a file: name a new one.')
        partial = target.with_name(target.name + ".part")
        if os.path.exists(target):  # Path.exists raises for a name that is too long, or where it may not look
            raise RecordsError(f"{target} is there already: name another file.")
        try:
            partial.touch(mode=0o600, exist_ok=False)
            try:
                with self._reading() as source, closing(sqlite3.connect(partial)) as copy:
                    _copy(source, copy, target)
                partial.rename(target)
                try:
                    flush(target.parent)
                except OSError:
                    target.unlink(missing_ok=True)
                    raise
            finally:
                for end in ("", "-journal"):
                    partial.with_name(partial.name + end).unlink(missing_ok=True)
        except FileExistsError as error:
            raise RecordsError(f"{partial} is there already: delete it, or name another file.") from error
        except (OSError, sqlite3.Error) as error:
            raise RecordsError(not_copied(error, target)) from error
        return target


def _copy(source: sqlite3.Connection, copy: sqlite3.Connection, target: Path) -> None:
    try:
        source.backup(copy)
        # Without a log of its own the copy can be read from a card that may not be written.
        copy.execute("PRAGMA journal_mode=DELETE")
    except sqlite3.Error as error:
        if is_damage(error):
            raise
        raise RecordsError(not_copied(error, target)) from error


def elapsed(rows: Iterable[sqlite3.Row]) -> Iterator[tuple[float, sqlite3.Row]]:
    """Samples with the seconds since the first.

    By the monotonic clock, which no correction of the wall clock moves; across a restart (the one clock goes
    back, or no sample came for a minute) by the wall clock, which is all that is left.
    """
    t_s = 0.0
    before: sqlite3.Row | None = None
    for row in rows:
        if before is not None:
            step_s = row["mono_s"] - before["mono_s"]
            if not 0.0 <= step_s <= _RESTART_S:
                step_s = max(0.0, row["at"] - before["at"])
            t_s += step_s
        before = row
        yield round(t_s, 3), row


def thinned(timed: Sequence[tuple[float, sqlite3.Row]], points: int) -> list[tuple[float, sqlite3.Row]]:
    """At most about `points` samples: first, last, and each stretch's lowest and highest of `_DRAWN`."""
    stretches = max(1, points // (2 * len(_DRAWN)))
    keep = {0, len(timed) - 1}
    for stretch in range(stretches):
        part = range(stretch * len(timed) // stretches, (stretch + 1) * len(timed) // stretches)
        for name in _DRAWN:
            known = [(timed[at][1][name], at) for at in part if timed[at][1][name] is not None]
            keep.update(extreme(known)[1] for extreme in (min, max) if known)
    return [timed[at] for at in sorted(keep)]
