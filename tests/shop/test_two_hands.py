"""Two phones, stale pages and a thousand hasty fingers at once: one truth, no run beside another, Stop always wins."""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx

from tests.shop.process import ShopProcess, shop

REQUESTS = 1000
HANDS = 4
STARTS = {"program": {"name": "hasty", "tempers": [{"temperature_c": 150, "soak_min": 5}]},
          "load": [{"mass_kg": 0.3, "section_mm": 10}]}  # fmt: skip


def hand(running: ShopProcess, seed: int, count: int) -> list[tuple[str, int]]:
    """One phone: random wishes, some of them of a page that is long out of date."""
    drawn = random.Random(seed)
    answers = []
    with httpx.Client(base_url=running.url, headers=dict(running.client.headers), timeout=20.0) as phone:
        for _ in range(count):
            path, body = drawn.choice([
                ("oven/start", STARTS), ("oven/start", STARTS), ("oven/stop", {}), ("stop", {}),
                ("oven/resume", {"run_id": drawn.randrange(1, 50)}), ("oven/confirm", {"prompt_id": "1-1"}),
                ("tank/preheat", {"target_c": 50}), ("tank/off", {}), ("presence", {}),
            ])  # fmt: skip
            answers.append((path, phone.post(f"/api/v1/{path}", json=body).status_code))
    return answers


def test_a_thousand_wishes_from_four_hands_make_one_story(tmp_path: Path) -> None:
    seed = random.randrange(2**31)
    print(f"seed {seed}")
    with shop(tmp_path, speed=5.0) as running:
        running.arm()
        with ThreadPoolExecutor(HANDS) as pool:
            work = [pool.submit(hand, running, seed + number, REQUESTS // HANDS) for number in range(HANDS)]
            answers = [answer for one in work for answer in one.result()]
        statuses = {status for _, status in answers}
        assert statuses <= {200, 202, 409, 422}, statuses
        # Stop, off and presence are never refused, whatever else is asked at the same time.
        assert {status for path, status in answers if path in ("stop", "oven/stop", "tank/off", "presence")} == {200}
        assert running.post("stop").status_code == 200
        status = running.status()
        assert (status["oven"]["asked_duty"], status["tank"]["asked_duty"]) == (0.0, 0.0)
        assert status["oven"]["phase"] in ("ready", "ended")
        running.until(lambda: running.status()["oven"]["applied_duty"] == 0.0, 10.0)
        story(running)


def story(running: ShopProcess) -> None:
    """The book's own order: a run begins only when none is on, and none is on after a stop."""
    on: int | None = None
    after = 0
    begun = stops = 0
    while True:
        events: list[dict[str, Any]] = running.client.get(
            "/api/v1/events", params={"after_id": after, "limit": 1000}
        ).json()
        if not events:
            break
        after = events[-1]["id"]
        for event in events:
            if event["kind"] == "run_started":
                assert on is None, f"run {event['data']['run_id']} beside run {on}"
                on, begun = event["data"]["run_id"], begun + 1
            elif event["kind"] == "run_ended":
                assert event["data"]["run_id"] == on
                on = None
            elif event["kind"] == "request_accepted" and event["data"]["wish"] in ("StopOven", "StopAll"):
                stops += 1
                assert on is None, "a stop was taken and the run goes on"
                assert "stop" in event["text"]
                assert event["data"]["who"] in event["text"]
    assert on is None
    assert stops > 10
    assert begun > 10


def test_a_script_without_a_token_or_from_a_foreign_page_does_nothing(tmp_path: Path) -> None:
    with shop(tmp_path, speed=5.0) as running:
        running.arm()
        for headers, status in (
            ({}, 401),
            ({"Origin": "http://evil.example"}, 403),
            ({"Origin": "http://evil.example", "Authorization": running.client.headers["Authorization"]}, 403),
            ({"Authorization": "Bearer nothing"}, 401),
        ):
            answer = httpx.post(f"{running.url}/api/v1/oven/start", json=STARTS, headers=headers, timeout=10.0)
            assert answer.status_code == status, headers
            assert answer.json()["reasons"]
        assert running.status()["oven"]["phase"] == "ready"
        assert running.status()["oven"]["run_id"] is None
