"""The status has the contract's names, and says null where nothing is known."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from controller.model import TRIP_BITS, Prompt, RowState
from tests.edges.web_rig import Rehearsal, Rig, snapshot

OVEN_KEYS = {
    "verdict", "temperature_c", "limit_temperature_c", "part_c", "part_error_c", "part_measured", "setpoint_c",
    "air_target_c", "asked_duty", "applied_duty", "phase", "program", "run_id", "soak_done_s", "soak_total_s",
    "equivalent_s", "ends_at", "resumable_run_id",
}  # fmt: skip
TANK_KEYS = {
    "verdict", "temperature_c", "limit_temperature_c", "setpoint_c", "asked_duty", "applied_duty", "phase", "ready",
    "ready_expected_s", "ceiling_c", "limit_c", "flash_point_c",
}  # fmt: skip
TOP_KEYS = {"mode", "now", "board", "verdict", "oven", "tank", "interlocks", "prompt", "presence_expires_s"}
BOARD_KEYS = {"connected", "armed", "arm_expires_s", "trips", "firmware"}


@pytest.fixture
def rig() -> Rig:
    return Rig()


def status(rig: Rig) -> dict[str, Any]:
    answer = rig.get("/api/v1/status")
    assert answer.status_code == 200
    content = answer.json()
    assert isinstance(content, dict)
    return content


def test_every_key_of_the_contract_is_there(rig: Rig) -> None:
    content = status(rig)
    assert set(content) >= TOP_KEYS
    assert set(content["board"]) >= BOARD_KEYS
    assert set(content["oven"]) >= OVEN_KEYS
    assert set(content["tank"]) >= TANK_KEYS


def test_a_book_that_takes_nothing_says_so_in_the_status() -> None:
    rig = Rig()
    assert status(rig)["record_trouble"] is None
    rig.trouble = "The disk is full: free some space."
    assert status(rig)["record_trouble"] == "The disk is full: free some space."


def test_values_and_unknowns(rig: Rig) -> None:
    content = status(rig)
    assert content["mode"] == "shop"
    assert content["now"] == "2027-01-15T08:00:00.000Z"
    assert content["oven"]["temperature_c"] == 204.6
    assert content["oven"]["part_c"] is None
    assert content["oven"]["program"] == "straw"
    # 3000 s after the snapshot, which was made 0.1 s ago.
    assert content["oven"]["ends_at"] == "2027-01-15T08:49:59.900Z"
    assert content["board"]["arm_expires_s"] == 600
    assert content["board"]["trips"] == []
    assert content["prompt"] is None


def test_all_trips_have_their_names(rig: Rig) -> None:
    rig.desk.now = snapshot(board={"trips": sum(TRIP_BITS), "armed": False, "arm_left_s": 5})
    board = status(rig)["board"]
    assert board["trips"] == ["over_oven", "over_tank", "sensor_oven", "sensor_tank", "stop", "level", "smoke",
                              "stuck", "record", "host"]  # fmt: skip
    assert board["arm_expires_s"] is None, "null when not armed"


def test_a_number_that_is_none_is_null(rig: Rig) -> None:
    rig.desk.now = snapshot(oven={"temperature_c": math.nan, "ends_in_s": math.inf}, tank={"limit_c": -math.inf})
    content = status(rig)
    assert content["oven"]["temperature_c"] is None
    assert content["oven"]["ends_at"] is None
    assert content["tank"]["limit_c"] is None


def test_a_snapshot_that_is_old_is_no_connected_board(rig: Rig) -> None:
    rig.desk.age_s = 6.0
    content = status(rig)
    assert content["board"]["connected"] is False
    assert content["data_age_s"] == 6.0
    assert "No data" in content["sentence_c"]["text"]


def test_interlocks_have_the_four_states_of_the_contract(rig: Rig) -> None:
    rows = tuple(RowState(f"row_{state[:3]}", state, "It is so.", "Do that.", "oven")
                 for state in ("good", "alert", "withhold", "not fitted"))  # fmt: skip
    rig.desk.now = snapshot(rows=rows, prompt=Prompt("t2", "Turn the drift."))
    content = status(rig)
    assert [row["state"] for row in content["interlocks"]] == ["good", "good", "withhold", "not fitted"]
    assert [row["alert"] for row in content["interlocks"]] == [False, True, False, False]
    assert content["interlocks"][2]["advice"] == "Do that."
    assert content["prompt"] == {"id": "t2", "text": "Turn the drift."}


def test_the_sentence_is_said_in_both_units(rig: Rig) -> None:
    rig.desk.now = snapshot(oven={"phase": "heat_up", "soak_done_s": None, "soak_in_s": 1200.0})
    content = status(rig)
    assert "205 °C" in content["sentence_c"]["text"]
    assert "401 °F" in content["sentence_f"]["text"]
    assert "{in:1200}" in content["sentence_c"]["text"]
    assert set(content["sentence_c"]) == {"text", "advice"}


def test_clock_times_come_true_in_a_fast_rehearsal() -> None:
    rehearsal = Rehearsal()
    rehearsal.pace = 10.0
    rig = Rig(rehearsal=rehearsal)
    rig.desk.now = snapshot(oven={"phase": "heat_up", "soak_done_s": None, "soak_in_s": 1200.0})
    content = status(rig)
    assert content["mode"] == "rehearsal"
    assert content["oven"]["ends_at"] == "2027-01-15T08:04:59.900Z", "3000 s of the shop are 300 s of the clock"
    assert "{in:120}" in content["sentence_c"]["text"]


def test_fire_is_said(rig: Rig) -> None:
    rig.desk.now = snapshot(fire=True)
    content = status(rig)
    assert content["fire"] is True
    assert "fire" in json.dumps(content["sentence_c"])
