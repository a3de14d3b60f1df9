"""What the service writes down of its secrets: nothing in its log, and in the book only what cannot be used."""

from __future__ import annotations

from pathlib import Path

import httpx

from tests.shop.process import shop


def test_no_code_and_no_token_is_in_the_log_and_no_token_in_the_book(tmp_path: Path) -> None:
    directory = tmp_path / "data"
    with shop(directory) as running:
        token = str(running.client.headers["Authorization"]).removeprefix("Bearer ")
        used, unused = running.code("viewer"), running.code("viewer")
        home = {"Origin": running.url}
        stranger = httpx.Client(base_url=running.url)
        for code in ("AAAAAAAA", unused.lower(), used, unused[::-1]):
            stranger.post("/api/v1/pair", json={"code": code, "label": "phone"}, headers=home)
        cookie = dict(stranger.cookies)
        stranger.get("/api/v1/status", headers={"Authorization": "Bearer wrong" + token})
        stranger.get(f"/api/v1/status?token={token}")
        running.arm()
        assert running.post("oven/start", {"program": "chisel"}).status_code == 202
        running.post("oven/start", {"program": {"name": "\x00", "tempers": "no"}})
        running.post("stop")
        stranger.close()
        running.terminate()
    log = (directory / "log").read_text()
    assert "http://127.0.0.1" in log, "the log itself is empty"
    secrets = (token, used, unused, *cookie.values())
    assert [secret for secret in secrets if secret.lower() in log.lower()] == []
    kept = b"".join(file.read_bytes() for file in directory.glob("ovenhand.db*"))
    assert b"chisel" in kept
    assert [secret for secret in (token, *cookie.values()) if secret.encode() in kept] == []
