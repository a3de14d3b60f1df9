"""What clients may ask: each route, each status, and that nothing wrong reaches the desk."""

from __future__ import annotations

import json
import math
import random
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from controller.core.tank import SCHEDULE_MAX_S
from controller.model import (
    Answer,
    Confirm,
    Forecast,
    LoadItem,
    Preheat,
    Presence,
    Quench,
    Reason,
    Resume,
    Start,
    StopAll,
    StopOven,
    TankOff,
)
from controller.web import parts
from tests.edges.web_rig import HOME, Rehearsal, Rig, problem_of

START = "/api/v1/oven/start"
ROOT = Path(__file__).parents[2]


@pytest.fixture
def rig() -> Rig:
    return Rig()


# --- wishes --------------------------------------------------------------------------------------------------------


def test_a_start_by_name_is_202_with_run_and_phase(rig: Rig) -> None:
    rig.desk.answer = Answer(run_id=7, phase="waiting_for_arm")
    answer = rig.post(START, {"program": "straw"})
    assert answer.status_code == 202
    assert answer.json() == {"run_id": 7, "phase": "waiting_for_arm"}
    wish, who = rig.desk.asked[0]
    assert isinstance(wish, Start)
    assert (wish.program.name, wish.load, who) == ("straw", (), "phone 1")


def test_a_whole_program_and_its_load(rig: Rig) -> None:
    program = {"name": "mine", "tempers": [{"temperature_c": 200.5, "soak_min": 1.5}], "until_equivalent": True}
    load = [
        {"mass_kg": 0.5, "section_mm": 12},
        {"section_mm": 20, "length_mm": 200, "stock": 1, "piece": 2},
        {"mass_kg": 1},
    ]
    assert rig.post(START, {"program": program, "load": load}).status_code == 202
    wish = rig.desk.asked[0][0]
    assert isinstance(wish, Start)
    assert wish.program.until_equivalent
    assert (wish.program.tempers[0].temperature_c, wish.program.tempers[0].soak_s) == (200.5, 90.0)
    assert wish.load[0] == LoadItem(0.5, 12.0)
    # A round bar 20 mm across and 200 mm long: 62.83 cm3, by hand.
    assert wish.load[1].mass_kg == pytest.approx(0.49323, abs=1e-5)
    assert (wish.load[1].section_mm, wish.load[1].stock, wish.load[1].piece) == (20.0, 1, 2)
    # 1 kg is 127.4 cm3, a cube of 50.3 mm.
    assert wish.load[2].section_mm == pytest.approx(50.3, abs=0.05)


@pytest.mark.parametrize(
    ("path", "body", "status", "wish"),
    [
        ("/stop", None, 200, StopAll()),
        ("/oven/stop", None, 200, StopOven()),
        ("/oven/resume", {"run_id": 5}, 202, Resume(5)),
        ("/oven/confirm", {"prompt_id": "t2"}, 200, Confirm("t2")),
        ("/oven/confirm", {"prompt_id": "door", "answer": False}, 200, Confirm("door", False)),
        ("/tank/preheat", {}, 202, Preheat()),
        ("/tank/preheat", {"target_c": 55}, 202, Preheat(55.0)),
        # What smiths were taught goes to the core, which answers with the oil's reasons (test_run.py).
        ("/tank/preheat", {"target_c": 150}, 202, Preheat(150.0)),
        ("/tank/preheat", {"ready_at": "2027-01-15T09:30:00+01:00"}, 202, Preheat(None, 1800.0)),
        ("/tank/preheat", {"ready_at": "2027-01-15T07:59:30Z"}, 202, Preheat(None, 0.0)),
        ("/tank/preheat", {"gentle": True}, 202, Preheat(None, None, True)),
        ("/tank/off", None, 200, TankOff()),
        ("/tank/quench", None, 200, Quench()),
        ("/tank/quench", {"mass_kg": 0.4, "part_c": 820, "piece": 2}, 200, Quench(0.4, 820.0, 2)),
        ("/tank/quench", {"mass_kg": 0.4, "another": True}, 200, Quench(0.4, another=True)),
        ("/presence", {}, 200, Presence()),
        ("/presence", None, 200, Presence()),
    ],
)
def test_each_wish_reaches_the_desk(rig: Rig, path: str, body: Any, status: int, wish: object) -> None:
    answer = rig.post(f"/api/v1{path}", body)
    assert answer.status_code == status
    assert answer.json()["phase"] == "heat_up"
    # By all that it says: whether a quench is another part's does not count in a comparison.
    assert [repr(asked) for asked, _ in rig.desk.asked] == [repr(wish)]


def test_stock_and_pieces_that_the_book_does_not_have_are_refused_all_at_once(rig: Rig) -> None:
    load = [{"mass_kg": 1, "stock": 1, "piece": 9}, {"mass_kg": 1, "stock": 5}, {"mass_kg": 1, "stock": 4}]
    answer = rig.post(START, {"program": "straw", "load": load})
    assert problem_of(answer, 422) == ["no_stock", "no_stock", "no_piece"]
    assert "There is no piece 9 in the book" in answer.json()["detail"]
    assert problem_of(rig.post("/api/v1/tank/quench", {"piece": 3}), 422) == ["no_piece"]
    assert rig.desk.asked == []


@pytest.mark.parametrize("path", ["/stop", "/oven/stop", "/tank/off"])
@pytest.mark.parametrize("body", [b"", b"{", b"\xff", b'{"why": NaN}', b"[1]"])
def test_a_stop_is_taken_whatever_stands_in_its_body(rig: Rig, path: str, body: bytes) -> None:
    assert rig.post(f"/api/v1{path}", body).status_code == 200
    assert len(rig.desk.asked) == 1


def test_a_quench_is_answered_with_what_there_is_to_say_of_it(rig: Rig) -> None:
    rig.desk.answer = Answer(phase="in_band", remarks=(Reason("oil_enough", "Too much steel for this oil."),))
    answer = rig.post("/api/v1/tank/quench", {"mass_kg": 9})
    said = {"phase": "in_band", "remarks": [{"code": "oil_enough", "text": "Too much steel for this oil."}]}
    assert (answer.status_code, answer.json()) == (200, said)
    rig.desk.answer = Answer(phase="in_band")
    assert rig.post("/api/v1/tank/quench").json() == {"phase": "in_band", "remarks": []}
    assert rig.post("/api/v1/tank/off").json() == {"phase": "in_band"}


def test_a_refusal_is_409_with_every_reason(rig: Rig) -> None:
    rig.desk.answer = Answer((Reason("busy", "A run is on."), Reason("door", "The door is open.")))
    answer = rig.post(START, {"program": "straw"})
    assert problem_of(answer, 409) == ["busy", "door"]
    assert answer.json()["reasons"][1]["text"] == "The door is open."


def test_no_tick_is_503_and_the_wish_is_not_cancelled(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "ANSWER_WITHIN_S", 0.01)
    rig.desk.answer = None
    assert problem_of(rig.post("/api/v1/stop"), 503) == ["no_answer"]
    assert not rig.desk.futures[0].cancelled(), "a tick that answers late must not meet a cancelled future"
    rig.desk.futures[0].set_result(Answer())


def test_no_tick_within_three_seconds_is_what_the_service_waits() -> None:
    assert parts.ANSWER_WITHIN_S == 3.0


# --- what a start would bring ----------------------------------------------------------------------------------------


def test_a_forecast_says_by_the_clock_when_a_start_would_be_done_and_starts_nothing(rig: Rig) -> None:
    answer = rig.post("/api/v1/oven/forecast", {"program": "straw", "load": [{"mass_kg": 0.5, "section_mm": 12}]})
    assert answer.status_code == 200
    assert answer.json() == {
        "soak_begins_at": "2027-01-15T08:30:00.000Z", "soak_begins_error_s": 450.0,
        "ends_at": "2027-01-15T09:30:00.000Z", "ends_error_s": 900.0, "too_long": False, "reason": None,
    }  # fmt: skip
    assert rig.desk.foreseen[0][1] == (LoadItem(0.5, 12.0),)
    assert rig.desk.asked == []


def test_a_forecast_counts_in_a_rehearsals_own_seconds() -> None:
    rehearsal = Rehearsal()
    rehearsal.pace = 10.0
    told = Rig(rehearsal=rehearsal).post("/api/v1/oven/forecast", {"program": "straw"}).json()
    assert (told["ends_at"], told["ends_error_s"]) == ("2027-01-15T08:09:00.000Z", 90.0)


def test_no_forecast_is_null_with_the_reason_and_one_too_long_says_so(rig: Rig) -> None:
    rig.desk.foresight = None
    told = rig.post("/api/v1/oven/forecast", {"program": "straw"}).json()
    assert (told["ends_at"], told["soak_begins_at"]) == (None, None)
    assert "no forecast" in told["reason"]
    rig.desk.foresight = Forecast(1800.0, 46_800.0, 450.0, 900.0, True)
    told = rig.post("/api/v1/oven/forecast", {"program": "straw"}).json()
    assert told["too_long"] is True
    assert "13 h; the longest is 11 h" in told["reason"]


@pytest.mark.parametrize("body", [{}, {"program": "plum"}, {"program": "straw", "load": [{"mass_kg": 1, "piece": 9}]}])
def test_a_forecast_refuses_what_a_start_refuses(rig: Rig, body: Any) -> None:
    problem_of(rig.post("/api/v1/oven/forecast", body), 422)
    assert rig.desk.foreseen == []


# --- bodies that are wrong -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "codes", "says"),
    [
        ({}, ["missing"], "program is missing"),
        ({"program": "plum"}, ["not_allowed"], "Known: straw"),
        ({"program": 3}, ["wrong_type"], "the name of a program (straw)"),
        ({"program": None}, ["wrong_type"], "null"),
        ({"program": "straw", "speed": 2}, ["unknown_key"], "speed"),
        ({"program": "straw", "load": {}}, ["wrong_type"], "load"),
        ({"program": "straw", "load": [{}]}, ["not_allowed"], "mass_kg, or section_mm and length_mm"),
        ({"program": "straw", "load": [{"mass_kg": True}]}, ["wrong_type"], "true"),
        ({"program": "straw", "load": [{"mass_kg": "1"}]}, ["wrong_type"], "mass_kg"),
        ({"program": "straw", "load": [{"mass_kg": 0.004}]}, ["out_of_range"], "0.005 to 20 kg"),
        ({"program": "straw", "load": [{"mass_kg": 20.1}]}, ["out_of_range"], "0.005 to 20 kg"),
        ({"program": "straw", "load": [{"mass_kg": 1, "section_mm": 201}]}, ["out_of_range"], "1 to 200 mm"),
        ({"program": "straw", "load": [{"section_mm": 20, "length_mm": 2001}]}, ["out_of_range"], "5 to 2000 mm"),
        ({"program": "straw", "load": [{"section_mm": 200, "length_mm": 2000}]}, ["not_allowed"], "493 kg"),
        ({"program": "straw", "load": [{"mass_kg": 1, "stock": 1.5}]}, ["wrong_type"], "stock"),
        ({"program": "straw", "load": [{"mass_kg": 1, "piece": 2**63}]}, ["out_of_range"], "a whole number from 1 up."),
        ({"program": "straw", "load": [{"mass_kg": 1}] * 51}, ["out_of_range"], "load"),
        ({"program": {"tempers": []}}, ["out_of_range"], "tempers"),
        ({"program": {"tempers": [{"temperature_c": True, "soak_min": 60}]}}, ["wrong_type"], "temperature_c"),
        ({"program": {"tempers": [{"temperature_c": 261, "soak_min": 60}]}}, ["out_of_range"], "60 to 260"),
        ({"program": {"tempers": [{"temperature_c": 205, "soak_min": 0.5}]}}, ["out_of_range"], "1 to 600"),
        ([], ["wrong_type"], "object in braces"),
        ("straw", ["wrong_type"], "object in braces"),
    ],
)  # fmt: skip
def test_a_wrong_start_is_422_and_says_what_is_right(rig: Rig, body: Any, codes: list[str], says: str) -> None:
    answer = rig.post(START, json.dumps(body).encode())
    assert problem_of(answer, 422) == codes
    assert says in answer.json()["detail"]
    assert rig.desk.asked == []


def test_every_fault_is_said_at_once(rig: Rig) -> None:
    body = {
        "program": {"tempers": [{"temperature_c": 300, "soak_min": True}], "colour": "blue"},
        "load": [{"mass_kg": 99}, {"mass_kg": 1, "weight": 2}],
        "when": "now",
    }
    answer = rig.post(START, body)
    codes = problem_of(answer, 422)
    assert sorted(codes) == ["out_of_range", "out_of_range", "unknown_key", "unknown_key", "unknown_key", "wrong_type"]
    for word in ("temperature_c", "soak_min", "colour", "mass_kg", "weight", "when"):
        assert word in answer.json()["detail"]


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"nul", b"\xff\xfe", b'{"program": NaN}', b'{"program": "straw", "load": [{"mass_kg": Infinity}]}',
     b'{"program": "straw", "load": [{"mass_kg": -Infinity}]}', b'{"program": "straw", "program": "straw"}',
     b'{"program": "straw", "load": [{"mass_kg": 1e400}]}', b"[" * 60_000, b'{"program": "\\ud800"}',
     b'{"program": ' + b"9" * 5000 + b"}", b'{"program": {"tempers": [{"temperature_c": 1e999, "soak_min": 1}]}}'],
)  # fmt: skip
def test_what_is_no_strict_json_is_422(rig: Rig, body: bytes) -> None:
    problem_of(rig.post(START, body), 422)
    assert rig.desk.asked == []


@pytest.mark.parametrize("path", ["/oven/start", "/oven/resume", "/oven/confirm", "/tank/preheat"])
def test_an_empty_body_never_brings_heat(rig: Rig, path: str) -> None:
    answer = rig.post(f"/api/v1{path}", b"")
    assert problem_of(answer, 422) == ["syntax"]
    assert "The body is empty" in answer.json()["detail"]
    assert rig.desk.asked == []


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/oven/resume", {}), ("/oven/resume", {"run_id": True}), ("/oven/resume", {"run_id": "7"}),
        ("/oven/resume", {"run_id": 0}), ("/oven/resume", {"run_id": 7.5}), ("/oven/confirm", {}),
        ("/oven/confirm", {"prompt_id": 3}), ("/oven/confirm", {"prompt_id": "t", "answer": 1}),
        ("/tank/preheat", {"target_c": "55"}), ("/tank/preheat", {"target_c": 500}),
        ("/tank/preheat", {"target": 55}), ("/tank/preheat", {"ready_at": "soon"}),
        ("/tank/preheat", {"ready_at": "2027-01-15T09:00:00"}), ("/tank/preheat", {"ready_at": 1800000000}),
        ("/tank/preheat", {"ready_at": "2027-01-15T07:58:00Z"}), ("/tank/preheat", {"ready_at": "2027-02-15"}),
        ("/tank/preheat", {"ready_at": "2029-01-15T07:58:00Z"}),
        ("/tank/preheat", {"ready_at": "0001-01-01T00:00+14:00"}),
        ("/tank/quench", {"mass_kg": False}), ("/tank/quench", {"part_c": 99}), ("/tank/quench", {"piece": -1}),
        ("/presence", {"who": "me"}), ("/presence", [1]),
    ],
)  # fmt: skip
def test_wrong_bodies_of_the_other_wishes_are_422(rig: Rig, path: str, body: Any) -> None:
    problem_of(rig.post(f"/api/v1{path}", json.dumps(body).encode()), 422)
    assert rig.desk.asked == []


def _random_value(source: random.Random, depth: int = 0) -> Any:
    keys = ("program", "load", "tempers", "temperature_c", "soak_min", "mass_kg", "section_mm", "name", "x")
    kinds = 9 if depth < 4 else 7
    kind = source.randrange(kinds)
    if kind == 7:
        return [_random_value(source, depth + 1) for _ in range(source.randrange(4))]
    if kind == 8:
        return {source.choice(keys): _random_value(source, depth + 1) for _ in range(source.randrange(5))}
    values = (None, source.random() < 0.5, source.choice(("", "straw!", "\ud800", "\x00", "ü" * 300)),
              source.choice((0, -1, 10**30, 2**63)), source.choice((math.nan, math.inf, -math.inf, 1e308)),
              source.uniform(-1e6, 1e6), source.choice(("NaN", "205", "true")))  # fmt: skip
    return values[kind]


def test_200_random_bad_bodies_are_refused_and_never_reach_the_desk(rig: Rig) -> None:
    seed = random.randrange(2**32)
    print(f"seed {seed}")
    source = random.Random(seed)
    paths = ("/oven/start", "/oven/resume", "/oven/confirm")
    for number in range(200):
        body = json.dumps(_random_value(source)).encode()
        if number % 3 == 0:
            flipped = bytearray(body)
            flipped[source.randrange(len(body))] ^= 1 << source.randrange(8)
            body = bytes(flipped)
        answer = rig.post(f"/api/v1{source.choice(paths)}", body)
        problem_of(answer, 422)
    assert rig.desk.asked == []


# --- reading -------------------------------------------------------------------------------------------------------


def test_profiles_and_book_are_lists(rig: Rig) -> None:
    programs = rig.get("/api/v1/programs").json()
    assert [(program["name"], program["tempers"][0]["soak_min"]) for program in programs] == [("straw", 60.0)]
    assert rig.get("/api/v1/oils").json() == [{"name": "thin"}]
    assert rig.get("/api/v1/steels").json() == [{"name": "x"}]
    assert rig.get("/api/v1/runs?limit=2").json() == [{"id": 9}, {"id": 8}]
    assert rig.get("/api/v1/runs?before_id=8").json() == [{"id": 7}]
    assert rig.get("/api/v1/runs/7").json()["program_name"] == "straw"
    assert rig.get("/api/v1/stock").json() == [{"id": 1}]
    assert rig.get("/api/v1/pieces").json() == [{"id": 2}]
    rig.book.happened("armed")
    rig.book.happened("heat_up")
    assert [event["id"] for event in rig.get("/api/v1/events?after_id=1").json()] == [2]


def test_a_trace_is_the_books_own_csv(rig: Rig) -> None:
    answer = rig.get("/api/v1/runs/7/trace.csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == 'attachment; filename="run-7.csv"'
    assert answer.text == "".join(rig.book.trace_csv(7))


@pytest.mark.parametrize("path", ["/runs/6", "/runs/6/trace.csv"])
def test_a_run_that_is_not_there_is_404(rig: Rig, path: str) -> None:
    assert problem_of(rig.get(f"/api/v1{path}"), 404) == ["no_run"]


@pytest.mark.parametrize(
    "path",
    ["/runs/x", "/runs/0", f"/runs/{2**63}", f"/runs/{'9' * 5000}", "/runs/7.0", "/runs/\u0667", "/runs/+7",
     "/runs/x/trace.csv", "/runs?limit=0", "/runs?limit=1001", "/runs?limit=", "/events?after_id=-1"],
)  # fmt: skip
def test_a_wrong_number_in_the_address_is_422(rig: Rig, path: str) -> None:
    answer = rig.get(f"/api/v1{path}")
    assert problem_of(answer, 422) == ["not_allowed"]
    assert "right is a whole number from" in answer.json()["detail"]
    assert str(2**63 - 1) not in answer.json()["detail"], "nobody reads nineteen digits"


def test_every_fault_of_an_address_is_said_at_once(rig: Rig) -> None:
    answer = rig.get("/api/v1/events?limit=many&after_id=NaN&since=3")
    assert problem_of(answer, 422) == ["not_allowed", "not_allowed", "unknown_key"]
    assert "right is limit or after_id" in answer.json()["detail"]


def test_a_limit_that_is_left_out_is_the_one_in_the_document(rig: Rig) -> None:
    for number in range(250):
        rig.book.happened(f"event {number}")
    document = rig.get("/api/v1/openapi.json").json()
    said = {
        entry["name"]: entry["schema"].get("default")
        for entry in document["paths"]["/api/v1/events"]["get"]["parameters"]
    }
    assert said == {"limit": 200, "after_id": None}
    assert len(rig.get("/api/v1/events").json()) == said["limit"]
    assert len(rig.get("/api/v1/events?limit=1000").json()) == 250


def test_the_web_starts_without_the_first_version_of_pydantic() -> None:
    # A parameter of FastAPI's own in any route imports it: a twelfth of the time to start.
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); from tests.edges.web_rig import Rig, Rehearsal; "
        "Rig(); Rig(rehearsal=Rehearsal()); sys.exit('pydantic.v1' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(ROOT)], check=False, timeout=60).returncode == 0


def test_a_book_out_of_reach_is_503_and_our_own_mistake_500(rig: Rig) -> None:
    rig.book.trouble = OSError("The card is gone. Put it back.")
    answer = rig.get("/api/v1/runs")
    assert problem_of(answer, 503) == ["record"]
    assert "Put it back" in answer.text
    rig.book.trouble = KeyError("oops")
    headers = {"authorization": f"Bearer {rig.operator}"}
    answer = rig.ask("GET", "/api/v1/runs", headers=headers, raises=False)
    assert problem_of(answer, 500) == ["broken"]
    assert "oops" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_run_is_printed_or_the_missing_package_is_named(rig: Rig) -> None:
    printed = rig.get("/api/v1/runs/7/record.pdf")
    assert (printed.status_code, printed.content) == (200, b"%PDF-1.4")
    assert printed.headers["content-type"] == "application/pdf"
    assert 'filename="run-7.pdf"' in printed.headers["content-disposition"]
    rig.book.trouble = ImportError("Printing needs one more package.")
    missing = rig.get("/api/v1/runs/7/record.pdf")
    assert problem_of(missing, 501) == ["not_installed"]
    assert "Printing needs one more package. The trace can be had as CSV." in missing.text


def test_a_printable_record_of_no_run_is_no_missing_package(rig: Rig) -> None:
    assert problem_of(rig.get("/api/v1/runs/77/record.pdf"), 404) == ["no_run"]
    assert problem_of(rig.get("/api/v1/runs/zero/record.pdf"), 422) == problem_of(rig.get("/api/v1/runs/zero"), 422)


def test_unknown_addresses_and_methods_are_problems(rig: Rig) -> None:
    assert problem_of(rig.get("/api/v1/nothing"), 404) == ["not_found"]
    assert problem_of(rig.get("/docs"), 404) == ["not_found"]
    answer = rig.get("/api/v1/oven/start")
    assert problem_of(answer, 405) == ["method"]
    assert answer.headers["allow"] == "POST"


def test_the_document_names_every_route_and_every_reference_resolves(rig: Rig) -> None:
    document = rig.get("/api/v1/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    assert {"/api/v1/status", "/api/v1/oven/start", "/api/v1/pair", "/api/v1/stream", "/healthz"} <= set(
        document["paths"]
    )
    assert "/api/v1/rehearsal" not in document["paths"]
    body = document["paths"]["/api/v1/oven/start"]["post"]["requestBody"]
    assert body["required"] is True
    schemas = document["components"]["schemas"]
    text = json.dumps(document)
    for path, methods in document["paths"].items():
        named = {part[1:-1] for part in path.split("/") if part.startswith("{")}
        for method in methods.values():
            assert named == {one["name"] for one in method.get("parameters", ()) if one["in"] == "path"}
    names = {part.split('"')[0] for part in text.split("#/components/schemas/")[1:]}
    assert "LoadBody" in names
    assert names <= set(schemas)


# --- the rehearsal -------------------------------------------------------------------------------------------------


def test_in_a_shop_there_is_no_rehearsal(rig: Rig) -> None:
    assert problem_of(rig.get("/api/v1/rehearsal"), 404) == ["not_found"]
    assert problem_of(rig.post("/api/v1/rehearsal", {"press": "arm"}), 404) == ["not_found"]


def test_a_rehearsal_has_buttons_faults_and_a_pace() -> None:
    rehearsal = Rehearsal()
    rig = Rig(rehearsal=rehearsal)
    path = "/api/v1/rehearsal"
    shown = rig.get(path).json()
    assert shown["speed"] == 1.0
    assert [set(fault) for fault in shown["faults"]] == [{"name", "text", "on"}] * 2
    assert "wire" in shown["faults"][0]["text"]
    assert rig.post(path, {"press": "arm"}).status_code == 200
    assert rig.post(path, {"press": "reset"}).status_code == 200
    assert rehearsal.pressed == ["arm", "reset"]
    assert rig.post(path, {"fault": "door_open", "on": True}).json()["faults"][1]["on"] is True
    assert rig.post(path, {"speed": 20}).json()["speed"] == 20.0
    for body in ({}, {"press": "both"}, {"press": "arm", "speed": 2}, {"fault": "door_open"}, {"on": True},
                 {"fault": "door_open", "on": 1}, {"speed": 0.5}, {"speed": 21}, {"speed": True}):  # fmt: skip
        problem_of(rig.post(path, body), 422)
    assert problem_of(rig.post(path, {"fault": "gremlins", "on": True}), 422) == ["not_allowed"]
    assert problem_of(rig.post(path, {"press": "arm"}, rig.viewer), 403) == ["viewer"]
    assert (rehearsal.pressed, rehearsal.pace) == (["arm", "reset"], 20.0)


def test_a_time_to_be_ready_counts_in_the_shops_own_seconds() -> None:
    rehearsal = Rehearsal()
    rehearsal.pace = 10.0
    rig = Rig(rehearsal=rehearsal)
    assert rig.post("/api/v1/tank/preheat", {"ready_at": "2027-01-15T08:10:00Z"}).status_code == 202
    assert rig.desk.asked[0][0] == Preheat(None, 6000.0)


@pytest.mark.parametrize(("speed", "latest", "too_late"), [
    (1.0, "2027-01-15T20:00:00Z", "2027-01-15T20:00:01Z"), (20.0, "2027-01-15T08:36:00Z", "2027-01-15T08:36:01Z"),
    (7.0, "2027-01-15T09:42:51.428571Z", "2027-01-15T09:42:52Z"),
])  # fmt: skip
def test_twelve_hours_to_be_ready_in_are_the_shops_own(speed: float, latest: str, too_late: str) -> None:
    """A core that gets no more than twelve hours never refuses what was let through here."""
    rehearsal = Rehearsal()
    rehearsal.pace = speed
    rig = Rig(rehearsal=rehearsal)
    assert rig.post("/api/v1/tank/preheat", {"ready_at": latest}).status_code == 202
    wish = rig.desk.asked[0][0]
    assert isinstance(wish, Preheat)
    assert wish.ready_in_s is not None
    assert SCHEDULE_MAX_S - 0.001 < wish.ready_in_s <= SCHEDULE_MAX_S
    answer = rig.post("/api/v1/tank/preheat", {"ready_at": too_late})
    assert problem_of(answer, 422) == ["out_of_range"]
    right = "in the next 12 hours" if speed == 1.0 else f"a time until {latest[:19]}"
    assert right in answer.json()["detail"]
    assert len(rig.desk.asked) == 1


def test_the_page_is_found_without_being_told(tmp_path: Path) -> None:
    rig = Rig(page_dir=tmp_path)
    assert problem_of(rig.ask("GET", "/", headers={"origin": HOME}), 404) == ["not_found"]
