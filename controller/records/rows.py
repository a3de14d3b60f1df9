"""What is written where: one function a kind of row, each on the write connection within its transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from ..model import Answer, Event, Request, Snapshot
from .plain import storable, table_of, text_of
from .tape import KEPT_RUNS

SAMPLE_COLUMNS: Final = (
    "run_id",
    "at",
    "mono_s",
    "phase",
    "temper_index",
    "oven_c",
    "oven_limit_c",
    "part_c",
    "part_error_c",
    "part_measured",
    "setpoint_c",
    "air_target_c",
    "asked_duty",
    "applied_duty",
    "soak_done_s",
    "equivalent_s",
    "tank_c",
    "tank_limit_c",
    "tank_setpoint_c",
    "tank_asked_duty",
    "tank_applied_duty",
)

_INSERT_SAMPLE: Final = (
    f"INSERT INTO samples ({', '.join(SAMPLE_COLUMNS)}) VALUES "
    f"((SELECT id FROM runs WHERE id = ?), {', '.join('?' * (len(SAMPLE_COLUMNS) - 1))})"
)

_CUT_OFF: Final = "The service ended while the run was on (power, a crash or a restart)."
_NOT_KNOWN: Final = "It is not known how the run ended: the book did not get its end."


class RunStart(NamedTuple):
    """A run as it begins: `program` and `load` as JSON values, hashes of what it was started with."""

    run_id: int
    program: Mapping[str, Any]
    load: Any
    who: str
    settings_hash: str = ""
    profiles_hash: str = ""
    core_state: Mapping[str, Any] = {}


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def sample_of(snapshot: Snapshot, run_id: int | None, at: float) -> tuple[Any, ...]:
    """A snapshot as a row of `SAMPLE_COLUMNS`: 0.01 °C and 0.1 % of duty are finer than any sensor here."""
    oven, tank = snapshot.oven, snapshot.tank
    return (
        run_id,
        round(at, 3),
        round(snapshot.at_s, 3),
        oven.phase if run_id is not None else None,
        oven.temper_index if run_id is not None else None,
        _rounded(oven.temperature_c, 2),
        _rounded(oven.limit_temperature_c, 2),
        _rounded(oven.part_c, 2),
        _rounded(oven.part_error_c, 2),
        None if oven.part_c is None else int(oven.part_measured),
        _rounded(oven.setpoint_c, 2),
        _rounded(oven.air_target_c, 2),
        _rounded(oven.asked_duty, 3),
        _rounded(oven.applied_duty, 3),
        _rounded(oven.soak_done_s, 1),
        _rounded(oven.equivalent_s, 1),
        _rounded(tank.temperature_c, 2),
        _rounded(tank.limit_temperature_c, 2),
        _rounded(tank.setpoint_c, 2),
        _rounded(tank.asked_duty, 3),
        _rounded(tank.applied_duty, 3),
    )


def insert_samples(connection: sqlite3.Connection, samples: Sequence[Sequence[Any]]) -> None:
    connection.executemany(_INSERT_SAMPLE, samples)


def insert_event(
    connection: sqlite3.Connection, number: int, event: Event, run_id: int | None, at: float
) -> None:
    """`run_id` is the run's that is on, unless the event's data name another."""
    named = event.data.get("run_id", run_id)
    # A run that the book does not know (one named in a refused request) is left out, not invented.
    connection.execute(
        "INSERT INTO events (id, run_id, at, mono_s, kind, text, data)"
        " VALUES (?, (SELECT id FROM runs WHERE id = ?), ?, ?, ?, ?, ?)",
        (
            number,
            named if isinstance(named, int) else run_id,
            at,
            event.at_s,
            event.kind,
            storable(event.text),
            text_of(event.data),
        ),
    )


def insert_request(
    connection: sqlite3.Connection, request: Request, answer: Answer, at: float, mono_s: float
) -> None:
    connection.execute(
        "INSERT INTO requests (number, at, mono_s, who, wish, details, accepted, reasons, run_id, phase)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, (SELECT id FROM runs WHERE id = ?), ?)",
        (
            request.id,
            at,
            mono_s,
            storable(request.who),
            type(request.wish).__name__,
            text_of(request.wish),
            not answer.reasons,
            text_of(answer.reasons),
            answer.run_id,
            answer.phase,
        ),
    )


def insert_device_request(
    connection: sqlite3.Connection, wish: str, details: Mapping[str, Any], who: str, at: float, mono_s: float
) -> None:
    """A device that was paired or shut out, and by whom. No tick answers it, so its number is 0."""
    connection.execute(
        "INSERT INTO requests (number, at, mono_s, who, wish, details, accepted, reasons)"
        " VALUES (0, ?, ?, ?, ?, ?, 1, '[]')",
        (at, mono_s, storable(who), wish, text_of(details)),
    )


def insert_run(connection: sqlite3.Connection, start: RunStart, at: float, mono_s: float) -> None:
    """Open a run; the number of one that had ended takes that one up again. Old tapes make room."""
    if reopen_run(connection, start.run_id, at, mono_s):
        return
    connection.execute(
        "INSERT INTO runs (id, program_name, program, load, who, started_at, started_mono_s, last_seen_at,"
        " settings_hash, profiles_hash, core_state) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            start.run_id,
            storable(str(start.program.get("name", ""))),
            text_of(start.program),
            text_of(start.load),
            storable(start.who),
            at,
            mono_s,
            at,
            start.settings_hash,
            start.profiles_hash,
            text_of(start.core_state),
        ),
    )
    connection.execute(
        "DELETE FROM tape WHERE run_id NOT IN (SELECT id FROM runs ORDER BY id DESC LIMIT ?)", (KEPT_RUNS,)
    )


def reopen_run(connection: sqlite3.Connection, run_id: int, at: float, mono_s: float) -> bool:
    """Take up a run of this number again, leaving its interruption in the book; False when there is none."""
    row = connection.execute("SELECT ended_at, outcome, ending FROM runs WHERE id = ?", (run_id,)).fetchone()
    if row is None:
        return False
    if row[0] is not None:
        connection.execute(
            "INSERT INTO interruptions (run_id, cut_at, resumed_at, resumed_mono_s, outcome, ending)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (run_id, row[0], at, mono_s, row[1], row[2]),
        )
        connection.execute(
            "UPDATE runs SET ended_at = NULL, ended_mono_s = NULL, outcome = NULL, ending = NULL,"
            " last_seen_at = ? WHERE id = ?",
            (at, run_id),
        )
    return True


def end_run(
    connection: sqlite3.Connection,
    run_id: int,
    *,
    outcome: str,
    ending: str,
    tempers: Any,
    at: float,
    mono_s: float,
) -> None:
    connection.execute(
        "UPDATE runs SET ended_at = ?, ended_mono_s = ?, last_seen_at = ?, outcome = ?, ending = ?,"
        " tempers = ? WHERE id = ?",
        (at, mono_s, at, outcome, storable(ending), text_of(tempers), run_id),
    )


def close_open_runs(connection: sqlite3.Connection, state: str | None) -> tuple[int, ...]:
    """End the runs that the last process left open, when they were last seen; answers their numbers.

    Last seen is the wall time of the run's newest sample or event, whichever is later. `state`: the newest that the
    last process kept; a run that it does not know was over then, however that came.
    """
    kept = table_of(state)
    run = kept.get("run")
    on = run_number(run) if isinstance(run, dict) else 0
    rows = connection.execute(
        "SELECT id, last_seen_at, started_mono_s,"
        " (SELECT at FROM samples WHERE run_id = runs.id ORDER BY id DESC LIMIT 1),"
        " (SELECT mono_s FROM samples WHERE run_id = runs.id ORDER BY id DESC LIMIT 1),"
        " (SELECT at FROM events WHERE run_id = runs.id ORDER BY id DESC LIMIT 1),"
        " (SELECT mono_s FROM events WHERE run_id = runs.id ORDER BY id DESC LIMIT 1)"
        " FROM runs WHERE ended_at IS NULL"
    ).fetchall()
    for run_id, last_seen_at, started_mono_s, *pairs in rows:
        seen = [(last_seen_at, started_mono_s)]
        seen += [(at, mono_s) for at, mono_s in (pairs[:2], pairs[2:]) if at is not None]
        at, mono_s = max(seen)
        ending = _NOT_KNOWN if "run" in kept and run_id != on else _CUT_OFF
        end_run(connection, run_id, outcome="cut off", ending=ending, tempers=(), at=at, mono_s=mono_s)
    return tuple(row[0] for row in rows)


def withdraw_ended_run(connection: sqlite3.Connection) -> None:
    """A run that the stored state still offers is offered no more unless the book has it as cut off.

    What was stopped or tripped is over, and a run that the book does not know cannot go on in it.
    """
    found = stored_state(connection)
    if found is not None and not may_go_on(connection, found[0]):
        store_state(connection, text_of({**table_of(found[0]), "run": None}), found[1])


def may_go_on(connection: sqlite3.Connection, state: str | None) -> bool:
    """Whether a run that this state offers, if any, is one that was cut off, or is left open as by a crash."""
    run = table_of(state).get("run")
    if not isinstance(run, dict):
        return True
    query = "SELECT 1 FROM runs WHERE id = ? AND coalesce(outcome, 'cut off') = 'cut off'"
    return connection.execute(query, (run_number(run),)).fetchone() is not None


def run_number(run: Mapping[str, Any]) -> int:
    """The number of a run that a stored state offers; 0, which no run has, for what is none."""
    number = run.get("run_id")
    return number if type(number) is int and 0 < number < 2**63 else 0


def which_book(connection: sqlite3.Connection) -> tuple[str, int]:
    """The book's own mark, and up to which number it has taken over what was kept beside it."""
    book, taken = connection.execute("SELECT book, taken FROM standing").fetchone()
    return book, taken


def take_over(connection: sqlite3.Connection, number: int) -> None:
    """What was kept beside the book up to this number counts no more: its state is in this transaction, or a newer."""
    connection.execute("UPDATE standing SET taken = ?", (number,))


def append_block(connection: sqlite3.Connection, run_id: int, block: bytes) -> None:
    """The run's next block of the tape; nothing when the book does not know the run."""
    connection.execute(
        "INSERT INTO tape (run_id, block, entries)"
        " SELECT id, (SELECT count(*) FROM tape WHERE run_id = ?1), ?2 FROM runs WHERE id = ?1",
        (run_id, block),
    )


def stored_state(connection: sqlite3.Connection) -> tuple[str, float] | None:
    """The core's newest state in the book and its wall time; what is no UTF-8 in it becomes question marks."""
    row = connection.execute("SELECT CAST(state AS BLOB), at FROM core_state").fetchone()
    return None if row is None else (row[0].decode("utf-8", "replace"), row[1])


def store_state(connection: sqlite3.Connection, state: str, at: float) -> None:
    connection.execute("INSERT OR REPLACE INTO core_state (id, at, state) VALUES (1, ?, ?)", (at, state))
