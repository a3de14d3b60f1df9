"""Steel over HTTP, on the real book and the shipped grades: stock, ladder, file tests, pieces and the plans."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.edges.schema_check import answer_faults
from tests.edges.test_web_with_book import Shop
from tests.edges.web_rig import problem_of, snapshot


class Steel:
    """One operator's requests; every answer is held against the published document."""

    def __init__(self, directory: Path) -> None:
        self.shop = Shop(directory)
        self.token = self.shop.pair("bench")
        self.document = self.shop.ask("GET", "/openapi.json", self.token).json()

    def get(self, path: str, named: str = "") -> Any:
        return self.held("GET", path, named, self.shop.ask("GET", path, self.token))

    def post(self, path: str, body: Any, named: str = "") -> Any:
        return self.held("POST", path, named, self.shop.ask("POST", path, self.token, json=body))

    def held(self, method: str, path: str, named: str, answer: Any) -> Any:
        assert answer_faults(self.document, method, f"/api/v1{named or path}", answer) == []
        return answer


@pytest.fixture
def steel(tmp_path: Path) -> Iterator[Steel]:
    made = Steel(tmp_path)
    yield made
    made.shop.records.close()


def test_a_bar_of_unknown_steel_climbs_the_ladder(steel: Steel) -> None:
    bar = steel.post("/stock", {"name": "leaf from the cart", "origin": "coil or leaf spring", "section_mm": 12})
    assert bar.status_code == 201
    number = bar.json()["id"]
    assert [one["name"] for one in steel.get("/stock").json()] == ["leaf from the cart"]
    path, named = f"/stock/{number}/ladder", "/stock/{id}/ladder"
    empty = steel.get(path, named).json()
    assert (empty["rungs"], empty["judged"]) == ([], None)
    assert "still air" in empty["reason"]
    first = steel.post(path, {"medium": "air", "section_mm": 12, "one_file": "cuts easily"}, named)
    assert first.status_code == 201
    assert "oil" in first.json()["judged"]["next_test"]
    second = steel.post(path, {"medium": "oil", "section_mm": 12, "skates_hrc": 58, "bites_hrc": 62}, named).json()
    assert second["judged"]["class"].startswith("oil hardening")
    assert {"5160", "9260"} & {grade["name"] for grade in second["judged"]["grades"]}
    assert [(rung["medium"], rung["file_skates"]) for rung in second["rungs"]] == [("still air", False), ("oil", True)]
    sheet = steel.post("/plan/sheet", {"stock": number, "section_mm": 12, "use": "spring"}).json()
    assert [section["name"] for section in sheet["sections"]] == [
        "coupon", "hardening", "quench", "temper", "checks", "cautions"
    ]  # fmt: skip


def test_rungs_that_contradict_each_other_are_a_sentence_and_stay_in_the_book(steel: Steel) -> None:
    number = steel.post("/stock", {"name": "bar"}).json()["id"]
    path, named = f"/stock/{number}/ladder", "/stock/{id}/ladder"
    steel.post(path, {"medium": "air", "section_mm": 12, "one_file": "skates"}, named)
    told = steel.post(path, {"medium": "oil", "section_mm": 12, "one_file": "cuts easily"}, named).json()
    assert told["judged"] is None
    assert "contradict" in told["reason"]
    assert len(told["rungs"]) == 2


def test_tested_pieces_narrow_what_is_expected_of_a_stock(steel: Steel) -> None:
    number = steel.post("/stock", {"name": "4140 bar", "grade": "aisi 4140", "section_mm": 25}).json()["id"]
    assert steel.get(f"/stock/{number}", "/stock/{id}").json()["grade"] == "4140"
    path, named = f"/stock/{number}/filetests", "/stock/{id}/filetests"
    piece = steel.post("/pieces", {"name": "drift", "stock": number, "mass_kg": 0.4, "use": "drift", "tag": "D1"})
    assert piece.status_code == 201
    asked = {"piece": piece.json()["id"], "skates_hrc": 50, "bites_hrc": 55, "temper_c": 205, "temper_s": 3600}
    told = steel.post(path, asked, named).json()
    assert told["teaching"] == 1
    assert told["now"]["high_hrc"] - told["now"]["low_hrc"] < told["before"]["high_hrc"] - told["before"]["low_hrc"]
    by_hand = steel.post(path, {"one_file": "skates", "temper_c": 230, "temper_s": 60, "by_hand": True}, named).json()
    assert by_hand["teaching"] == 1, "colours run by hand teach nothing"
    assert (by_hand["tests"][1]["low_hrc"], by_hand["tests"][1]["high_hrc"]) == (58.0, None)
    steel.shop.records.write(lambda connection: connection.execute(
        "INSERT INTO quenches (piece_id, at, mono_s, declared, mass_kg, oil, before_c, after_c)"
        " VALUES (?, 1.0, 2.0, 1, 0.4, 'canola', 52.0, 61.2)", (piece.json()["id"],)
    )).result(5)  # fmt: skip
    found = steel.get(f"/pieces/{piece.json()['id']}", "/pieces/{id}").json()
    assert [(one["before_c"], one["after_c"], one["part_c"]) for one in found["quenches"]] == [(52.0, 61.2, None)]
    assert (found["plan"], found["tag"], len(found["file_tests"])) == ({"use": "drift"}, "D1", 1)
    assert [one["name"] for one in steel.get("/pieces").json()] == ["drift"]


def test_the_plans_have_the_contracts_fields(steel: Steel) -> None:
    told = steel.post("/plan/temper", {"steel": "4140", "temperature_c": 205, "time_s": 3600}).json()
    assert told["low_hrc"] < told["hardness_hrc"] < told["high_hrc"]
    assert {"model", "warnings", "sources", "temperature_c", "time_s"} <= set(told)
    composition = {"C": 0.4, "Mn": 0.85, "Cr": 0.95, "Mo": 0.2, "Si": 0.25}
    by_object = steel.post("/plan/temper", {"composition": composition, "hardness_hrc": 50}).json()
    text = ",".join(f"{name}={value}" for name, value in composition.items())
    assert by_object == steel.post("/plan/temper", {"composition": text, "hardness_hrc": 50}).json()
    harden = steel.post("/plan/harden", {"steel": "4140", "section_mm": 20, "quench": "oil"}).json()
    assert {"ac1_c", "ac3_c", "ms_c", "ideal_diameter_mm", "critical_diameter_mm", "retained_austenite_fraction",
            "warnings"} <= set(harden)  # fmt: skip
    quench = {"oil": "canola", "volume_l": 12, "oil_c": 55, "mass_kg": 0.5, "part_c": 850}
    told = steel.post("/plan/quench", quench).json()
    assert (told["allowed"], told["after_c"]) == (True, pytest.approx(55 + told["rise_k"]))
    assert steel.post("/plan/quench", quench | {"mass_kg": 8}).json()["allowed"] is False
    choices = steel.get("/plan/choices").json()
    assert "drift" in {use["name"] for use in choices["uses"]}
    assert choices["media"] == ["air", "oil", "water", "brine"]


def test_a_quench_is_planned_for_the_shops_own_tank_as_it_is_now(steel: Steel) -> None:
    missing = steel.post("/plan/quench", {"mass_kg": 0.5})
    assert problem_of(missing, 422) == ["not_allowed"]
    assert "this shop has none of its own" in missing.json()["detail"]


@pytest.mark.parametrize(
    ("path", "body", "says"),
    [
        ("/plan/temper", {"steel": "4141", "temperature_c": 205, "time_s": 3600}, 'Probably "4140" was meant'),
        ("/plan/temper", {"steel": "4140", "temperature_c": 900, "time_s": 3600}, "900"),
        ("/plan/temper", {"steel": "4140", "hardness_hrc": 66}, "cannot have"),
        ("/plan/temper", {"composition": {"C": 12}, "hardness_hrc": 50}, "cast iron"),
        ("/plan/temper", {"composition": {"C": True}, "hardness_hrc": 50}, "true"),
        ("/plan/temper", {"composition": [1], "hardness_hrc": 50}, "right is an object"),
        ("/plan/temper", {"hardness_hrc": 50}, "one of steel"),
        ("/plan/temper", {"steel": "4140", "composition": "C=0.4", "hardness_hrc": 50}, "one of steel"),
        ("/plan/temper", {"stock": 9, "hardness_hrc": 50}, "no stock 9"),
        ("/plan/temper", {"steel": "4140", "hardness_hrc": "50"}, "hardness_hrc"),
        ("/plan/harden", {"steel": "4140", "section_mm": 20, "quench": "beer"}, "beer"),
        ("/plan/harden", {"steel": "4140"}, "section_mm is missing"),
        ("/plan/quench", {"oil": "canola", "volume_l": 0, "oil_c": 55, "mass_kg": 1}, "volume_l is 0"),
        ("/plan/quench", {"oil": "canola", "volume_l": True, "oil_c": 55, "mass_kg": 1}, "from 1 to 400 L"),
        ("/plan/quench", {"oil": "canola", "volume_l": 9, "oil_c": 55, "mass_kg": True}, "from 0.001 to 50 kg"),
        ("/plan/quench", {"oil": "motor oil", "volume_l": 9, "oil_c": 55, "mass_kg": 1}, "oil"),
        ("/plan/quench", {"oil": "canolla", "volume_l": 9, "oil_c": 55, "mass_kg": 1}, "canola"),
        ("/plan/sheet", {"steel": "4140", "section_mm": 20}, "a use"),
        ("/plan/sheet", {"steel": "4140", "section_mm": 20, "use": "violin"}, "violin"),
        ("/stock", {}, "name is missing"), ("/stock", {"name": " "}, "on one line"),
        ("/stock", {"name": "x", "grade": "414O"}, "4140"), ("/stock", {"name": "x", "colour": "red"}, "colour"),
        ("/stock/1/ladder", {"medium": "beer", "section_mm": 12, "one_file": "skates"}, "air"),
        ("/stock/1/ladder", {"medium": "oil", "section_mm": 12}, "No file is given"),
        ("/stock/1/ladder", {"medium": "oil", "one_file": "skates"}, "section_mm is missing"),
        ("/stock/1/ladder", {"medium": "oil", "section_mm": 9, "one_file": "skates", "bites_hrc": 55}, "of the two"),
        ("/stock/1/filetests", {"skates_hrc": 60, "bites_hrc": 50}, "skates"),
        ("/stock/1/filetests", {"one_file": "skates", "temper_c": 205}, "together"),
        ("/stock/1/filetests", {"one_file": "skates", "run": 3}, "no run 3"),
        ("/stock/1/filetests", {"one_file": "skates", "piece": 7}, "no piece 7"),
        ("/pieces", {"name": "x", "stock": 9}, "no stock 9"), ("/pieces", {"name": "x", "mass_kg": -1}, "mass_kg"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_422_in_a_sentence_and_changes_nothing(
    steel: Steel, path: str, body: Any, says: str
) -> None:
    steel.post("/stock", {"name": "bar"})
    named = path.replace("/1/", "/{id}/")
    answer = steel.post(path, body, named)
    problem_of(answer, 422)
    assert says in answer.json()["detail"]
    assert "\n" not in answer.json()["reasons"][0]["text"]
    assert len(steel.get("/stock").json()) == 1
    assert steel.get("/pieces").json() == []
    assert steel.get("/stock/1/ladder", "/stock/{id}/ladder").json()["rungs"] == []
    assert steel.get("/stock/1/filetests", "/stock/{id}/filetests").json()["tests"] == []


def test_what_is_not_there_is_404(steel: Steel) -> None:
    for path in ("/stock/9", "/stock/9/ladder", "/stock/9/filetests"):
        assert problem_of(steel.get(path, path.replace("9", "{id}")), 404) == ["no_stock"]
    assert problem_of(steel.get("/pieces/9", "/pieces/{id}"), 404) == ["no_piece"]
    rung = {"medium": "oil", "section_mm": 12, "one_file": "skates"}
    assert problem_of(steel.post("/stock/9/ladder", rung, "/stock/{id}/ladder"), 404) == ["no_stock"]


def test_a_viewer_reads_and_enters_nothing(steel: Steel) -> None:
    code = steel.shop.access.new_code("viewer")
    viewer = steel.shop.ask("POST", "/pair", json={"code": code}).json()["token"]
    assert steel.shop.ask("GET", "/stock", viewer).status_code == 200
    assert problem_of(steel.shop.ask("POST", "/stock", viewer, json={"name": "x"}), 403) == ["viewer"]


def test_no_strict_json_is_422_everywhere(steel: Steel) -> None:
    for path in ("/stock", "/pieces", "/plan/temper", "/plan/harden", "/plan/quench", "/plan/sheet"):
        for body in (b"", b"{", b"[]", b'{"section_mm": NaN}', b'{"name": "x", "name": "y"}'):
            answer = steel.shop.ask("POST", path, steel.token, content=body)
            problem_of(answer, 422)
    assert json.loads(steel.get("/stock").text) == []


def test_the_status_says_what_the_oil_takes(steel: Steel) -> None:
    tank = {"takes_kg": 2.5, "next_quench_in_s": 240.0, "untempered_s": None, "gentle": True}
    steel.shop.desk.now = snapshot(tank=tank)
    told = steel.get("/status").json()["tank"]
    assert {name: told[name] for name in tank} == tank
