"""The recorder and the tape: what the tick thread hands over is what is read back."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.model import (
    IDLE,
    BoardView,
    Event,
    Outcome,
    OvenView,
    Preheat,
    Quench,
    Reason,
    Request,
    Snapshot,
    Start,
    StopOven,
    TankView,
    Wish,
)
from controller.records import (
    Book,
    Records,
    RecordsError,
    RunRecorder,
    RunStart,
    ShopWriter,
    TapeKind,
    database_path,
)
from controller.records.tape import BLOCK_S, KEPT_RUNS, LEAD_IN_S, compress, entries_of, frame
from tests.core.test_tank import ready_rig

WALL_S = 1_700_000_000.0
PROGRAM = {"name": "drift", "tempers": [{"temperature_c": 232.0, "soak_s": 3600.0}]}


def snapshot(at_s: float, *, oven_c: float = 200.0, tank_setpoint_c: float | None = None) -> Snapshot:
    board = BoardView(True, True, 600, 0, 1, 7, None, "", 0.1, 1)
    oven = OvenView(
        temperature_c=oven_c, limit_temperature_c=None, part_c=198.124, part_error_c=0.5, part_measured=True,
        setpoint_c=205.0, air_target_c=206.0, asked_duty=0.25, applied_duty=0.25, verdict="permit",
        phase="soak", program="drift", run_id=None, temper_index=0, temper_count=1, band_c=5.0,
        soak_done_s=12.0, soak_total_s=3600.0, equivalent_s=11.0, soak_in_s=None, ends_in_s=None, lost_s=0.0,
        wait_left_s=None, resumable_run_id=None,
    )  # fmt: skip
    tank = TankView(
        temperature_c=40.0, limit_temperature_c=40.5, setpoint_c=tank_setpoint_c, asked_duty=0.0,
        applied_duty=0.0, verdict="permit", phase="off", ready=False, ready_expected_s=None, ceiling_c=None,
        limit_c=None, flash_point_c=None, oil=None,
    )  # fmt: skip
    return Snapshot(at_s, board, "permit", (), None, None, oven, tank, False)


class Daemon:
    """Feeds a recorder four ticks a second, as the tick thread does."""

    def __init__(self, records: Records, state: Callable[[], dict[str, object]] = dict) -> None:
        self.now_s = 1000.0
        self.recorder = RunRecorder(
            records, state=state, now_s=self.now_s, settings_hash="aa", profiles_hash="bb"
        )

    def tick(
        self,
        *events: tuple[str, dict[str, object]],
        requests: tuple[Request, ...] = (),
        silent: bool = False,
        **views: float,
    ) -> tuple[int, ...]:
        self.now_s += 0.25
        happened = tuple(Event(kind, self.now_s, kind, data) for kind, data in events)
        return self.recorder.took(
            self.now_s,
            WALL_S + self.now_s,
            data=b"" if silent else b"!T,%d*0000\n" % round(self.now_s * 4),
            requests=requests,
            forced=silent,
            wrote=b"!S*0000\n",
            outcomes=[Outcome(IDLE, happened, snapshot(self.now_s, **views))],
        )

    def ticks(self, seconds: float, **views: float) -> None:
        for _ in range(round(seconds * 4)):
            self.tick(**views)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return database_path(tmp_path)


@pytest.fixture
def records(path: Path) -> Iterator[Records]:
    book = Records(path, wall=lambda: WALL_S, mono=lambda: 0.0, samples_every_s=3600.0)
    yield book
    book.close(10.0)


STARTED = ("run_started", {"run_id": 1, "program": PROGRAM, "load": [], "who": "phone 2"})
ENDED = ("run_ended", {"run_id": 1, "outcome": "ended", "tempers": [{"in_band_s": 3600.0}]})


def test_samples_come_once_a_second_while_a_run_is_on_and_not_otherwise(path: Path, records: Records) -> None:
    daemon = Daemon(records)
    daemon.ticks(30)
    daemon.tick(STARTED)
    assert daemon.recorder.run_id == 1
    daemon.ticks(60)
    daemon.tick(ENDED)
    assert daemon.recorder.run_id is None
    daemon.ticks(30)
    assert records.flush()
    trace = Book(path).trace(1)
    assert [row["t_s"] for row in trace] == [float(second) for second in range(61)]
    assert len(Book(path).recent(1000)) == 61
    row = trace[0]
    assert (row["part_c"], row["part_measured"], row["phase"]) == (198.12, True, "soak")
    assert (row["oven_limit_c"], row["tank_limit_c"]) == (None, 40.5)
    assert row["at"] == "2023-11-14T22:30:30.250Z"


def test_samples_go_on_without_a_run_while_the_tank_has_a_target(path: Path, records: Records) -> None:
    daemon = Daemon(records)
    daemon.ticks(10, tank_setpoint_c=50.0)
    daemon.ticks(10)
    assert records.flush()
    rows = Book(path).recent(1000)
    assert len(rows) == 10
    assert {(row["run_id"], row["phase"], row["tank_setpoint_c"]) for row in rows} == {(None, None, 50.0)}


def test_a_run_is_written_from_its_events(path: Path, records: Records) -> None:
    daemon = Daemon(records, state=lambda: {"latches": ["smoke"]})
    daemon.tick(STARTED)
    daemon.tick(("soak_started", {"temper": 0}))
    daemon.tick(ENDED, ("oven_ready", {}))
    assert records.flush()
    run = Book(path).run(1)
    assert run is not None
    assert (run["program_name"], run["who"], run["outcome"]) == ("drift", "phone 2", "ended")
    assert (run["ending"], run["tempers"]) == ("run_ended", [{"in_band_s": 3600.0}])
    assert (run["settings_hash"], run["profiles_hash"], run["duration_s"]) == ("aa", "bb", 0.5)
    assert [event["kind"] for event in run["events"]] == ["run_started", "soak_started", "run_ended"]
    assert [event["kind"] for event in Book(path).events()][-1] == "oven_ready"
    assert Book(path).core_state(1) == {"latches": ["smoke"]}
    assert records.state() == {"latches": ["smoke"]}


def test_requests_are_recorded_with_the_answer_the_tick_gave(path: Path, records: Records) -> None:
    daemon = Daemon(records)
    preheat, stop = Request(5, Preheat(55.0), "phone 1"), Request(6, StopOven(), "script")
    reason = Reason("no_oil", "Name an oil in the shop file.")
    assert daemon.tick(requests=(preheat, stop)) == ()
    daemon.tick(("request_refused", {"request_id": 5, "reasons": (reason,)}))
    daemon.tick(("request_accepted", {"request_id": 6, "phase": "ready"}))
    daemon.tick(("request_accepted", {"request_id": 77}))
    assert records.flush()
    stopped, refused = Book(path).requests()
    assert (stopped["number"], stopped["accepted"], stopped["phase"]) == (6, True, "ready")
    assert (refused["number"], refused["who"], refused["wish"]) == (5, "phone 1", "Preheat")
    assert refused["reasons"] == [{"code": "no_oil", "text": "Name an oil in the shop file."}]


def test_the_state_of_a_run_is_kept_between_events_too(path: Path, records: Records) -> None:
    soak = {"soak_done_s": 0}
    daemon = Daemon(records, state=lambda: dict(soak))
    daemon.tick(STARTED)
    soak["soak_done_s"] = 1000
    daemon.ticks(9)
    assert records.flush()
    assert records.state() == {"soak_done_s": 0}
    daemon.ticks(1)
    assert records.flush()
    assert records.state() == {"soak_done_s": 1000}


def test_the_tape_gives_back_every_byte_with_its_time(path: Path, records: Records) -> None:
    daemon = Daemon(records, state=lambda: {"phase": "ready"})
    daemon.ticks(2 * BLOCK_S)
    first_s = daemon.now_s - 2 * BLOCK_S
    daemon.tick(STARTED, requests=(Request(1, StopOven(), "machine"),))
    daemon.tick(silent=True)
    daemon.ticks(BLOCK_S)
    daemon.tick(ENDED)
    daemon.ticks(2 * BLOCK_S)
    assert records.flush()
    entries = list(Book(path).tape(1))
    steps = [entry for entry in entries if entry.kind in (TapeKind.READ, TapeKind.SILENCE)]
    assert [entry.now_s for entry in steps] == [first_s + 0.25 * (at + 1) for at in range(len(steps))]
    assert len(steps) == round(3 * BLOCK_S * 4) + 3
    assert all(entry.payload == b"!T,%d*0000\n" % round(entry.now_s * 4) for entry in steps if entry.payload)
    (silence,) = (entry for entry in entries if entry.kind is TapeKind.SILENCE)
    assert silence.payload == b""
    (request,) = (entry for entry in entries if entry.kind is TapeKind.REQUEST)
    assert request.payload == b'{"id":1,"who":"machine","wish":"StopOven","details":{}}'
    assert request.now_s == first_s + 2 * BLOCK_S + 0.25
    assert sum(entry.kind is TapeKind.WROTE for entry in entries) == len(steps)
    states = [entry for entry in entries if entry.kind is TapeKind.STATE]
    assert entries[0] == states[0]
    assert {entry.payload for entry in states} == {b'{"phase":"ready"}'}
    assert [entry.now_s for entry in entries] == sorted(entry.now_s for entry in entries)


def test_a_run_soon_after_another_has_its_whole_lead_in_and_no_more(path: Path, records: Records) -> None:
    daemon = Daemon(records)
    daemon.ticks(2 * LEAD_IN_S)
    daemon.tick(STARTED)
    daemon.tick(ENDED)
    daemon.ticks(120)
    daemon.tick(("run_started", STARTED[1] | {"run_id": 2}))
    begun_s = daemon.now_s
    daemon.tick(("run_ended", ENDED[1] | {"run_id": 2}))
    assert records.flush()
    lead_s = begun_s - next(Book(path).tape(2)).now_s
    assert LEAD_IN_S - BLOCK_S <= lead_s <= LEAD_IN_S + BLOCK_S


def test_the_tapes_of_the_last_fifty_runs_are_kept(path: Path, records: Records) -> None:
    block = frame(1.0, TapeKind.READ, b"!T*0000\n")
    for number in range(1, KEPT_RUNS + 4):
        records.run_started(RunStart(number, PROGRAM, [], "machine"))
        records.put_tape(number, block)
        records.put_tape(number, block)
        records.run_ended(number, outcome="ended", ending="Done.")
        assert records.flush()
    book = Book(path)
    kept = [run["id"] for run in book.runs(limit=100) if list(book.tape(run["id"]))]
    assert kept == list(range(KEPT_RUNS + 3, 3, -1))
    assert len(book.runs(limit=100)) == KEPT_RUNS + 3
    assert [entry.payload for entry in book.tape(KEPT_RUNS)] == [b"!T*0000\n"] * 2


def test_a_damaged_block_is_named_and_not_played(path: Path, records: Records) -> None:
    records.run_started(RunStart(1, PROGRAM, [], "machine"))
    records.put_tape(1, frame(1.0, TapeKind.READ, b"!"))
    records.write(lambda connection: connection.execute("UPDATE tape SET entries = x'00'")).result(10)
    assert records.flush()
    records.write(lambda connection: connection.execute("UPDATE tape SET entries = x'00'")).result(10)
    with pytest.raises(RecordsError, match="Run 1, block 0: a block of the tape is damaged"):
        list(Book(path).tape(1))
    assert len(Book(path).verify()) == 1


@pytest.mark.parametrize("cut", range(1, 15))
def test_a_block_that_ends_within_an_entry_is_refused(cut: int) -> None:
    raw = frame(1.0, TapeKind.READ, b"ab")
    assert list(entries_of(compress(raw))) == [(1.0, TapeKind.READ, b"ab")]
    with pytest.raises(ValueError, match="ends within an entry"):
        list(entries_of(zlib.compress(raw[:cut])))


def test_a_start_keeps_the_whole_program_on_the_tape() -> None:
    from controller.model import LoadItem, Program, Temper
    from controller.records.tape import request_payload

    wish = Start(Program("drift", (Temper(232.0, 3600.0),)), (LoadItem(0.4, 12.0),))
    text = request_payload(Request(9, wish, "phone")).decode()
    assert '"temperature_c":232.0,"soak_s":3600.0,"ramp_c_per_h":null' in text
    assert '"load":[{"mass_kg":0.4,"section_mm":12.0,"stock":null,"piece":null}]' in text


def test_a_run_that_the_book_does_not_know_gets_no_samples_of_its_own(path: Path, records: Records) -> None:
    daemon = Daemon(records)
    daemon.tick(("run_resumed", {"run_id": 42}))
    daemon.ticks(3)
    assert records.flush()
    assert records.dropped == 0
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT DISTINCT run_id FROM samples").fetchall() == [(None,)]
    connection.close()
    assert Book(path).verify() == []


def declared(as_what: str, **data: object) -> tuple[str, dict[str, object]]:
    return "quench_declared", {"as_what": as_what, "mass_kg": None, "part_c": None, "piece": None} | data


def test_a_quench_is_a_row_with_what_the_oil_did(path: Path, records: Records) -> None:
    piece = ShopWriter(records, wall=lambda: WALL_S).add_piece({"name": "drift"})
    daemon = Daemon(records)
    daemon.tick(declared("first", piece=piece))
    daemon.tick(declared("again"))
    daemon.tick(declared("fills", mass_kg=0.4, part_c=845.0))
    daemon.tick(("quench_seen", {"known": True, "rise_k": 5.0, "mass_kg": 0.37, "marked": False}))
    daemon.tick(("quench_measured", {"rise_k": 9.126}))
    daemon.tick(declared("first", mass_kg=0.3, piece=piece + 1))
    daemon.tick(declared("second", mass_kg=0.2))
    daemon.tick(("quench_measured", {"rise_k": 12.0}))
    daemon.tick(("quench_seen", {"known": False, "rise_k": 5.0, "mass_kg": 0.5, "marked": True}))
    assert records.flush()
    book = Book(path)
    told = [
        (one["piece_id"], one["declared"], one["mass_kg"], one["part_c"], one["before_c"], one["after_c"])
        for one in reversed(book.quenches())
    ]
    assert told == [
        (piece, True, 0.4, 845.0, 40.0, 49.13),
        (None, True, 0.3, None, 40.0, None),  # measured with the one that followed it; a piece nobody knows is none
        (None, True, 0.2, None, 40.0, 52.0),
        (None, False, 0.5, None, 35.0, 40.0),
    ]
    assert [one["id"] for one in (book.piece(piece) or {})["quenches"]] == [1]
    assert book.quenches(limit=1)[0]["note"].startswith("Seen in the oil")
    assert book.quenches()[-1]["at"] == "2023-11-14T22:30:00.250Z"
    assert len(book.events()) == 9
    # Its mass is said afterwards: now it is one that was declared.
    daemon.tick(declared("fills", mass_kg=0.6))
    assert records.flush()
    newest = book.quenches(limit=1)[0]
    assert (newest["declared"], newest["mass_kg"], newest["note"]) == (True, 0.6, "")


def test_another_process_fills_in_no_quench_of_the_one_before(path: Path, records: Records) -> None:
    Daemon(records).tick(declared("first", mass_kg=0.4))
    again = Daemon(records)
    again.tick(declared("fills", mass_kg=9.0))
    again.tick(("quench_measured", {"rise_k": 30.0}))
    assert records.flush()
    (one,) = Book(path).quenches()
    assert (one["mass_kg"], one["after_c"]) == (0.4, None)


def test_a_quench_that_never_reached_the_book_is_not_mistaken_for_the_one_before(path: Path, records: Records) -> None:
    daemon = Daemon(records)
    daemon.tick(declared("first", mass_kg=0.4))
    daemon.tick(declared("first", mass_kg=0.5))
    records.write(lambda connection: connection.execute("DELETE FROM quenches WHERE id = 2")).result(5)
    daemon.tick(("quench_measured", {"rise_k": 30.0}))
    assert records.flush()
    (one,) = Book(path).quenches()
    assert (one["mass_kg"], one["after_c"]) == (0.4, None)


def test_a_quench_and_its_event_are_in_the_book_together_or_not_at_all(path: Path, records: Records) -> None:
    daemon = Daemon(records)
    records.write(lambda connection: connection.execute("DROP TABLE piece_steps")).result(5)
    records.write(lambda connection: connection.execute("ALTER TABLE quenches RENAME TO away")).result(5)
    daemon.tick(declared("first", mass_kg=0.4))
    assert records.flush() is False or records.dropped == 1
    assert Book(path).events() == []


def test_what_the_core_says_of_real_quenches_is_what_the_book_has(path: Path, records: Records) -> None:
    rig = ready_rig()
    recorder = RunRecorder(records, state=dict, now_s=rig.now_s)

    def ticks(seconds: float, *wishes: Wish) -> None:
        for number in range(round(seconds * 4)):
            outcome = rig.tick(*wishes if number == 0 else ())
            recorder.took(
                rig.now_s, WALL_S, data=b"", requests=(), forced=False, wrote=b"", outcomes=[outcome], port=None
            )

    oil_c = rig.core.facts.tank_c
    rig.shop.tank.quench(0.4, 845.0, 12.0)
    ticks(320.0, Quench(mass_kg=0.4, part_c=845.0))
    ticks(400.0)
    rig.shop.tank.quench(0.4, 845.0, 12.0)
    ticks(200.0)
    assert records.flush()
    seen, said = Book(path).quenches()
    assert (said["declared"], said["mass_kg"], said["part_c"], said["oil"]) == (True, 0.4, 845.0, "canola")
    assert said["before_c"] == pytest.approx(oil_c, abs=0.5)
    measured = next(event for event in rig.events if event.kind == "quench_measured")
    assert said["after_c"] - said["before_c"] == pytest.approx(measured.data["rise_k"], abs=0.02)
    assert measured.data["rise_k"] > 5.0
    assert said["note"] == measured.text
    assert (seen["declared"], seen["piece_id"]) == (False, None)
    assert seen["mass_kg"] == pytest.approx(0.4, rel=0.5)
