"""Pairing: one use, five minutes, five wrong tries."""

from __future__ import annotations

import re

import httpx
import pytest

from controller.web.access import ALPHABET, token_sha256
from tests.edges.web_rig import HOME, PORT, Rig, problem_of

PAIR = "/api/v1/pair"


@pytest.fixture
def rig() -> Rig:
    return Rig()


def pair(rig: Rig, code: str, **more: object) -> httpx.Response:
    return rig.ask("POST", PAIR, json={"code": code, **more}, headers={"origin": HOME})


def test_a_code_has_8_of_30_letters_that_are_not_taken_for_each_other(rig: Rig) -> None:
    assert len(set(ALPHABET)) == 30
    assert not set("ILOU01") & set(ALPHABET)
    codes = {rig.access.new_code("operator") for _ in range(50)}
    assert len(codes) == 50
    assert all(re.fullmatch(f"[{ALPHABET}]{{8}}", code) for code in codes)
    with pytest.raises(ValueError, match="operator or viewer"):
        rig.access.new_code("admin")


@pytest.mark.parametrize("role", ["operator", "viewer"])
def test_a_code_is_exchanged_for_a_token_and_a_strict_cookie(rig: Rig, role: str) -> None:
    answer = pair(rig, rig.access.new_code(role), label="bench phone")
    assert answer.status_code == 200
    assert set(answer.json()) == {"token", "role"}
    assert answer.json()["role"] == role
    token = answer.json()["token"]
    assert len(token) >= 43, "256 bits in base64"
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith(f"ovenhand_{PORT}={token.lower()}")
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    kept = rig.devices.by_hash[token_sha256(token)]
    assert (kept.label, kept.role) == ("bench phone", role)
    assert token not in str(rig.devices.by_hash), "only its hash is kept"
    assert rig.get("/api/v1/status", token).status_code == 200


def test_a_code_works_once_typed_as_people_type(rig: Rig) -> None:
    code = rig.access.new_code("operator")
    assert pair(rig, f" {code[:4].lower()}-{code[4:]} ").status_code == 200
    assert problem_of(pair(rig, code), 401) == ["wrong_code"]


def test_a_script_may_pair_without_an_origin_but_not_another_page(rig: Rig) -> None:
    code = rig.access.new_code("operator")
    assert problem_of(rig.ask("POST", PAIR, json={"code": code}, headers={"origin": "http://evil.example"}), 403)
    assert rig.ask("POST", PAIR, json={"code": code}).status_code == 200


def test_a_code_lapses_after_five_minutes(rig: Rig) -> None:
    code, later = rig.access.new_code("operator"), rig.access.new_code("operator")
    rig.now_s = 299.0
    assert pair(rig, later).status_code == 200
    rig.now_s = 300.0
    assert problem_of(pair(rig, code), 401) == ["wrong_code"]


def test_five_wrong_tries_void_every_code_until_a_new_one_is_made(rig: Rig) -> None:
    code = rig.access.new_code("operator")
    for _ in range(5):
        assert problem_of(pair(rig, "WRONGWRG"), 401) == ["wrong_code"]
    answer = pair(rig, code)
    assert problem_of(answer, 429) == ["too_many_tries"]
    assert 0 < int(answer.headers["retry-after"]) <= 300
    assert pair(rig, rig.access.new_code("operator")).status_code == 200
    assert problem_of(pair(rig, code), 401) == ["wrong_code"]


def test_hammering_never_pairs_and_the_lock_lapses(rig: Rig) -> None:
    rig.access.new_code("operator")
    before = len(rig.devices.by_hash)
    statuses = [pair(rig, f"{number:08d}").status_code for number in range(60)]
    assert statuses == [401] * 5 + [429] * 55
    rig.now_s = 299.0
    assert pair(rig, "22222222").status_code == 429
    rig.now_s = 300.0
    assert pair(rig, "22222222").status_code == 401
    assert len(rig.devices.by_hash) == before


@pytest.mark.parametrize(
    "body",
    [{}, {"code": 12345678}, {"code": None}, {"code": ""}, {"code": "A" * 65}, {"code": "ABCD2345", "role": "operator"},
     {"code": "ABCD2345", "label": "a\nb"}, {"code": "ABCD2345", "label": ""}],
)  # fmt: skip
def test_a_malformed_pairing_is_422_and_costs_no_try(rig: Rig, body: object) -> None:
    code = rig.access.new_code("operator")
    for _ in range(6):
        problem_of(rig.ask("POST", PAIR, json=body), 422)
    assert pair(rig, code).status_code == 200


def test_a_disk_that_does_not_take_the_device_leaves_the_code_good(rig: Rig) -> None:
    code = rig.access.new_code("operator")
    rig.devices.trouble = OSError("The disk is full; free some space.")
    answer = pair(rig, code)
    assert problem_of(answer, 503) == ["record"]
    assert "free some space" in answer.text
    rig.devices.trouble = None
    assert pair(rig, code).status_code == 200
