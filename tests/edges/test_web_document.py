"""The OpenAPI document says what every route reads and answers, and what is answered is what it says."""

from __future__ import annotations

from typing import Any

import pytest

from controller.model import Answer, Reason, RowState
from tests.edges.schema_check import answer_faults, faults
from tests.edges.web_rig import HOME, Rehearsal, Rig, bearer, snapshot
from tests.page.shop_states import STATES

STATUS = "/api/v1/status"
START = "/api/v1/oven/start"


@pytest.fixture(scope="module")
def rig() -> Rig:
    return Rig(rehearsal=Rehearsal())


@pytest.fixture(scope="module")
def document(rig: Rig) -> dict[str, Any]:
    found = rig.get("/api/v1/openapi.json").json()
    assert isinstance(found, dict)
    return found


def routes(document: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [(method, path, route) for path, methods in document["paths"].items() for method, route in methods.items()]


def test_every_route_describes_what_it_answers(document: dict[str, Any]) -> None:
    silent = {"/healthz"}  # a status and nothing else, by the contract
    for method, path, route in routes(document):
        good = [code for code in route["responses"] if code.startswith("2")]
        assert good, (method, path)
        for code in good:
            content = route["responses"][code].get("content", {})
            assert bool(content) != (path in silent), (method, path)
            for media in content.values():
                assert media["schema"] not in ({}, {"type": "object"}), (method, path)


def test_every_route_has_its_problem_answers(document: dict[str, Any]) -> None:
    for method, path, route in routes(document):
        codes = set(route["responses"])
        public = path in ("/healthz", "/api/v1/pair")
        assert {"421", "500"} <= codes, (method, path)
        assert public or "401" in codes, (method, path)
        if method != "get":
            assert {"400", "403", "408", "413"} <= codes, (method, path)
        if "requestBody" in route or route.get("parameters"):
            assert "422" in codes, (method, path)
        if "{id}" in path:
            assert "404" in codes, (method, path)
        for code, answer in route["responses"].items():
            if code[0] in "45" and path != "/healthz":
                assert answer == {"$ref": f"#/components/responses/Problem{code}"}, (method, path)
    for told in document["components"]["responses"].values():
        assert told["content"] == {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    problem = document["components"]["schemas"]["Problem"]
    assert set(problem["required"]) == {"type", "title", "status", "detail", "reasons"}


@pytest.mark.parametrize("state", STATES)
def test_a_real_status_is_what_the_document_says(rig: Rig, document: dict[str, Any], state: str) -> None:
    rig.desk.now = STATES[state]()
    assert answer_faults(document, "GET", STATUS, rig.get(STATUS)) == []


def test_a_status_in_which_nothing_is_known_is_what_the_document_says(rig: Rig, document: dict[str, Any]) -> None:
    nothing = {"temperature_c": None, "asked_duty": float("nan"), "applied_duty": None, "program": None}
    row = RowState("door", "alert", "The door is open.", "", "oven")
    rig.desk.now = snapshot(oven=nothing, rows=(row,), board={"firmware": None, "data_age_s": None})
    rig.trouble = "The disk is full."
    assert answer_faults(document, "GET", STATUS, rig.get(STATUS)) == []
    rig.trouble = None


def test_the_check_itself_finds_what_is_wrong(rig: Rig, document: dict[str, Any]) -> None:
    status = rig.get(STATUS).json()
    schema = {"$ref": "#/components/schemas/Status"}
    assert list(faults(status, schema, document)) == []
    for spoilt in (
        {key: value for key, value in status.items() if key != "mode"},
        status | {"verdict": "perhaps"},
        status | {"oven": status["oven"] | {"part_c": "hot"}},
        status | {"oven": status["oven"] | {"phase": True}},
        status | {"tank": status["tank"] | {"asked_duty": 1.5}},
        status | {"interlocks": [{"name": "door"}]},
    ):
        assert list(faults(spoilt, schema, document)) != []


WISHES: list[tuple[str, Any]] = [
    ("/stop", None), ("/presence", {}), ("/oven/start", {"program": "straw"}), ("/oven/stop", None),
    ("/oven/forecast", {"program": "straw"}),
    ("/oven/resume", {"run_id": 7}), ("/oven/confirm", {"prompt_id": "t2"}), ("/tank/preheat", {"target_c": 55}),
    ("/tank/off", None), ("/tank/quench", {"mass_kg": 0.4}), ("/rehearsal", {"speed": 2}),
]  # fmt: skip


@pytest.mark.parametrize(("path", "body"), WISHES)
def test_what_a_wish_is_answered_is_what_the_document_says(
    rig: Rig, document: dict[str, Any], path: str, body: Any
) -> None:
    path = f"/api/v1{path}"
    rig.desk.answer = Answer(run_id=7, phase="heat_up")
    answers = [rig.post(path, body)]
    rig.desk.answer = Answer((Reason("busy", "A run is on."), Reason("door", "The door is open.")))
    answers += [rig.post(path, body), rig.post(path, b"{"), rig.post(path, body, rig.viewer)]
    answers += [rig.post(path, body, "none"), rig.post(path, b" " * 70_000)]
    answers += [rig.ask("POST", path, headers=bearer(rig.operator) | {"host": "elsewhere"})]
    answers += [rig.ask("POST", path, headers=bearer(rig.operator) | {"origin": f"{HOME}0"})]
    for answer in answers:
        assert answer_faults(document, "POST", path, answer) == []
    assert {answer.status_code for answer in answers} >= {401, 403, 413, 421}


def test_what_is_read_is_what_the_document_says(rig: Rig, document: dict[str, Any]) -> None:
    for path in ("/programs", "/devices", "/rehearsal"):
        assert answer_faults(document, "GET", f"/api/v1{path}", rig.get(f"/api/v1{path}")) == []
    assert answer_faults(document, "GET", "/api/v1/runs/{id}", rig.get("/api/v1/runs/6")) == []
    assert answer_faults(document, "GET", "/api/v1/runs/{id}", rig.get("/api/v1/runs/x")) == []
    assert answer_faults(document, "GET", "/metrics", rig.get("/metrics")) == []
    assert answer_faults(document, "GET", "/healthz", rig.get("/healthz")) == []
    rig.desk.timely = False
    assert answer_faults(document, "GET", "/healthz", rig.get("/healthz")) == []
    rig.desk.timely = True
    code = rig.access.new_code("viewer")
    assert answer_faults(document, "POST", "/api/v1/pair", rig.ask("POST", "/api/v1/pair", json={"code": code})) == []
    assert answer_faults(document, "POST", "/api/v1/pair", rig.ask("POST", "/api/v1/pair", json={"code": "X"})) == []


def test_what_is_read_and_written_is_described_apart_from_what_is_answered(document: dict[str, Any]) -> None:
    start = document["components"]["schemas"]["StartBody"]
    assert start["required"] == ["program"]
    assert document["paths"][START]["post"]["requestBody"]["required"] is True
