"""Who may pass: whose host, whose page, how large, which device."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from controller.web import guard
from tests.edges.web_rig import HOME, PORT, Rig, bearer, problem_of

STATUS = "/api/v1/status"
STOP = "/api/v1/stop"
COOKIE = f"ovenhand_{PORT}"


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8420", "127.0.0.1:80", "127.0.0.1:8420.evil.example", "[::1", "ovenhand.local:x",
     "ovenhand.local@evil.example", "10.0.0.9", "0.0.0.0:8420", ":8420"],
)  # fmt: skip
def test_a_host_that_is_not_ours_is_421(rig: Rig, host: str) -> None:
    headers = bearer(rig.operator) | {"host": host}
    assert problem_of(rig.ask("GET", STATUS, headers=headers), 421) == ["foreign_host"]
    assert problem_of(rig.ask("POST", STOP, headers=headers), 421) == ["foreign_host"]
    assert rig.ask("GET", "/healthz", headers={"host": host}).status_code == 421
    assert rig.desk.asked == []


@pytest.mark.parametrize("host", ["127.0.0.1:8420", "localhost:8420", "SHOP-PI:8420", "ovenhand.local", "[::1]:8420"])
def test_our_own_names_pass(rig: Rig, host: str) -> None:
    assert rig.ask("GET", STATUS, headers=bearer(rig.operator) | {"host": host}).status_code == 200


def test_two_hosts_are_no_host(rig: Rig) -> None:
    headers = [("host", "127.0.0.1:8420"), ("host", "evil.example"), *bearer(rig.operator).items()]
    assert problem_of(rig.ask("GET", STATUS, headers=headers), 421) == ["foreign_host"]


def test_the_address_at_which_we_were_reached_is_ours(rig: Rig) -> None:
    async def from_a_new_address() -> int:
        sent: list[Any] = []

        async def receive() -> Any:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Any) -> None:
            sent.append(message)

        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET", "scheme": "http",
            "path": "/healthz", "raw_path": b"/healthz", "root_path": "", "query_string": b"",
            "headers": [(b"host", b"192.0.2.7:8420")], "client": ("192.0.2.9", 4000), "server": ("192.0.2.7", 8420),
        }  # fmt: skip
        await rig.app(scope, receive, send)
        return int(sent[0]["status"])

    assert asyncio.run(from_a_new_address()) == 200


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "http://127.0.0.1", "http://127.0.0.1:8421", "https://127.0.0.1:8420", "null", "",
     "http://127.0.0.1:8420.evil.example", "http://localhost:8420"],
)  # fmt: skip
def test_a_write_from_another_page_is_403_whatever_it_carries(rig: Rig, origin: str) -> None:
    for credentials in (bearer(rig.operator), {"cookie": f"{COOKIE}={rig.operator}"}, {}):
        headers = credentials | {"origin": origin}
        assert problem_of(rig.ask("POST", STOP, headers=headers), 403) == ["foreign_origin"]
    assert rig.desk.asked == []


def test_a_write_from_our_own_page_goes_by_the_cookie(rig: Rig) -> None:
    headers = {"origin": HOME, "cookie": f"other=1; {COOKIE}={rig.operator}"}
    assert rig.ask("POST", STOP, headers=headers).status_code == 200
    assert len(rig.desk.asked) == 1


def test_a_write_without_origin_needs_the_token(rig: Rig) -> None:
    assert problem_of(rig.ask("POST", STOP, headers={"cookie": f"{COOKIE}={rig.operator}"}), 401) == ["not_paired"]
    assert rig.desk.asked == []
    assert rig.ask("POST", STOP, headers=bearer(rig.operator)).status_code == 200


@pytest.mark.parametrize("value", ["Bearer ", "Bearer wrong", "Basic abc", "", "bearer \xff"])
def test_a_bad_token_is_401_even_beside_a_good_cookie(rig: Rig, value: str) -> None:
    headers = [(b"authorization", value.encode("latin-1")), (b"cookie", f"{COOKIE}={rig.operator}".encode())]
    answer = rig.ask("GET", STATUS, headers=headers)
    assert problem_of(answer, 401) == ["wrong_token"]
    assert answer.headers["www-authenticate"] == 'Bearer error="invalid_token"'  # RFC 6750, 3.1
    assert "Authorization: Bearer" in answer.json()["detail"]


@pytest.mark.parametrize("path", [STATUS, "/api/v1/programs", "/api/v1/openapi.json", "/api/v1/nothing", "/favicon.ico",
                                  "/docs", "/api/v1/stream", "/page", "//page/x"])  # fmt: skip
def test_unpaired_clients_get_401_for_all_but_the_page(rig: Rig, path: str) -> None:
    assert problem_of(rig.ask("GET", path, client="192.0.2.9"), 401) == ["not_paired"]
    assert problem_of(rig.ask("POST", path, headers={"origin": HOME}), 401) == ["not_paired"]


def test_unpaired_clients_get_the_page_with_its_headers(tmp_path: Path) -> None:
    (tmp_path / "index.html").write_text("<!doctype html><title>Shop</title>")
    (tmp_path / "style.css").write_text("body {}")
    rig = Rig(page_dir=tmp_path)
    first = rig.ask("GET", "/")
    assert first.status_code == 200
    assert "Shop" in first.text
    policy = first.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert first.headers["x-content-type-options"] == "nosniff"
    assert first.headers["referrer-policy"] == "no-referrer"
    assert rig.ask("GET", "/page/style.css").status_code == 200
    assert rig.ask("GET", "/page/%2e%2e/secret").status_code == 404
    assert problem_of(rig.ask("GET", "/page/none.js"), 404) == ["not_found"]


def test_every_answer_carries_the_headers_and_api_answers_are_not_stored(rig: Rig) -> None:
    for answer in (rig.get(STATUS), rig.get("/api/v1/nothing"), rig.ask("GET", STATUS), rig.post("/api/v1/oven/start")):
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["cache-control"] == "no-store"


def test_a_viewer_may_look_and_stop_and_nothing_else(rig: Rig) -> None:
    assert rig.get(STATUS, rig.viewer).status_code == 200
    assert rig.post(STOP, token=rig.viewer).status_code == 200
    before = len(rig.desk.asked)
    for path in ("/oven/start", "/oven/stop", "/oven/resume", "/oven/confirm", "/tank/preheat", "/tank/off",
                 "/tank/quench", "/presence", "/devices/1/revoke", "/plan/temper", "/nothing"):  # fmt: skip
        assert problem_of(rig.post(f"/api/v1{path}", {}, rig.viewer), 403) == ["viewer"]
    assert len(rig.desk.asked) == before


def test_a_body_over_64_kib_is_413_with_and_without_a_length(rig: Rig) -> None:
    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(9):
            yield b" " * 8192

    path = "/api/v1/oven/start"
    assert problem_of(rig.post(path, b" " * 65_537), 413) == ["too_large"]
    answer = rig.ask("POST", path, headers=bearer(rig.operator), content=pieces())
    assert problem_of(answer, 413) == ["too_large"]
    assert problem_of(rig.post(path, b" " * 65_536), 422) == ["syntax"]
    for length in ("-1", "9" * 30, "1e9"):
        headers = bearer(rig.operator) | {"content-length": length}
        assert problem_of(rig.ask("POST", STOP, headers=headers, content=b""), 413) == ["too_large"]
    assert rig.desk.asked == []


@pytest.mark.parametrize("path", ["/api/v1/tank/preheat", "/api/v1/oven/start"])
def test_a_request_that_breaks_off_or_dawdles_is_not_done(rig: Rig, path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_WITHIN_S", 0.01)

    async def send_half(then: Callable[[], Awaitable[Any]]) -> int:
        sent: list[Any] = []
        messages: list[Any] = [{"type": "http.request", "body": b"", "more_body": True}]

        async def receive() -> Any:
            return messages.pop() if messages else await then()

        async def send(message: Any) -> None:
            sent.append(message)

        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST", "scheme": "http",
            "path": path, "raw_path": path.encode(), "root_path": "", "query_string": b"",
            "headers": [(b"host", b"127.0.0.1:8420"), (b"authorization", f"Bearer {rig.operator}".encode())],
            "client": ("127.0.0.1", 4000), "server": ("127.0.0.1", 8420),
        }  # fmt: skip
        await rig.app(scope, receive, send)
        return int(sent[0]["status"])

    async def gone() -> Any:
        return {"type": "http.disconnect"}

    async def silence() -> Any:
        await asyncio.Event().wait()

    assert asyncio.run(send_half(gone)) == 400
    assert asyncio.run(send_half(silence)) == 408
    assert rig.desk.asked == []


def test_an_unpaired_client_cannot_send_a_large_body_to_the_pairing(rig: Rig) -> None:
    assert problem_of(rig.ask("POST", "/api/v1/pair", content=b" " * 70_000), 413) == ["too_large"]


def test_a_device_that_was_revoked_is_out_at_once(rig: Rig) -> None:
    assert rig.post("/api/v1/devices/2/revoke").status_code == 200
    assert rig.devices.revoked_by == [(2, "phone 1")]
    assert problem_of(rig.get(STATUS, rig.viewer), 401) == ["wrong_token"]
    assert problem_of(rig.post("/api/v1/devices/2/revoke"), 404) == ["no_device"]
    listed = rig.get("/api/v1/devices").json()
    assert [(device["role"], device["this"], device["revoked_at"] is None) for device in listed] == [
        ("operator", True, True),
        ("viewer", False, False),
    ]
    assert "sha256" not in str(listed)


def test_healthz_says_whether_ticks_are_on_time_and_nothing_else(rig: Rig) -> None:
    answer = rig.ask("GET", "/healthz", client="192.0.2.9")
    assert (answer.status_code, answer.content) == (200, b"")
    rig.desk.timely = False
    answer = rig.ask("GET", "/healthz", client="192.0.2.9")
    assert (answer.status_code, answer.content) == (503, b"")


def test_metrics_answer_to_loopback_and_to_paired_devices(rig: Rig) -> None:
    answer = rig.ask("GET", "/metrics")
    assert answer.status_code == 200
    assert "ovenhand_oven_temperature_celsius 204.6\n" in answer.text
    assert "ovenhand_ticks_total 12.0\n" in answer.text
    assert "ovenhand_worst_lateness_seconds 0.25\n" in answer.text
    assert "part_temperature" not in answer.text, "what is not known is left out"
    assert problem_of(rig.ask("GET", "/metrics", client="192.0.2.9"), 401) == ["not_paired"]
    assert rig.ask("GET", "/metrics", client="192.0.2.9", headers=bearer(rig.viewer)).status_code == 200


def test_a_websocket_is_closed(rig: Rig) -> None:
    sent: list[Any] = []

    async def nothing() -> Any:
        return {"type": "websocket.connect"}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(rig.app({"type": "websocket", "path": "/", "headers": []}, nothing, send))
    assert [message["type"] for message in sent] == ["websocket.close"]
