"""The unmodified service as a process: pseudo-terminal, pyserial, a real HTTP client."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.shop.process import shop

SHORT = {"name": "short", "tempers": [{"temperature_c": 80, "soak_min": 2, "band_c": 8}]}
LOAD = [{"mass_kg": 0.1, "section_mm": 4}]


def test_a_whole_temper_and_its_record(tmp_path: Path) -> None:
    with shop(tmp_path) as running:
        waiting = running.post("oven/start", {"program": SHORT, "load": LOAD})
        assert waiting.status_code == 202
        assert waiting.json()["phase"] == "waiting_for_arm"
        run_id = waiting.json()["run_id"]
        running.arm()
        running.until(lambda: running.status()["oven"]["phase"] in ("heat_up", "soak"))
        again = running.post("oven/start", {"program": SHORT})
        assert again.status_code == 409
        assert [reason["code"] for reason in again.json()["reasons"]] == ["run_on"]
        running.until(lambda: running.status()["oven"]["phase"] == "ended", 120.0)
        running.until(lambda: running.status()["oven"]["applied_duty"] == 0.0)
        running.until(lambda: running.client.get(f"/api/v1/runs/{run_id}").json().get("outcome") == "ended")
        book_program = running.client.get(f"/api/v1/runs/{run_id}").json()["program"]
        assert running.post("oven/start", {"program": book_program, "load": LOAD}).status_code in (202, 409)
        running.post("stop")
        lines = running.client.get(f"/api/v1/runs/{run_id}/trace.csv").text.splitlines()
        assert len(lines) > 60
        kinds = [event["kind"] for event in running.client.get("/api/v1/events?limit=200").json()]
        assert "soak_begun" in kinds
        assert "run_ended" in kinds
        assert running.terminate() < 5.0


def test_the_pulled_cable_shows_and_heals(tmp_path: Path) -> None:
    with shop(tmp_path) as running:
        running.arm()
        assert running.post("oven/start", {"program": SHORT, "load": LOAD}).status_code == 202
        running.post("rehearsal", {"fault": "cable_pulled", "on": True})
        running.until(lambda: not running.status()["board"]["connected"])
        status = running.status()
        assert status["oven"]["temperature_c"] is None
        assert status["oven"]["phase"] == "withheld"
        running.post("rehearsal", {"fault": "cable_pulled", "on": False})
        running.until(lambda: bool(running.status()["board"]["connected"]))


def test_a_killed_service_offers_the_run_again_and_goes_on_only_by_hand(tmp_path: Path) -> None:
    with shop(tmp_path) as running:
        running.arm()
        run_id = running.post("oven/start", {"program": SHORT, "load": LOAD}).json()["run_id"]
        running.until(lambda: running.status()["oven"]["phase"] in ("heat_up", "soak"))
        running.kill()
    with shop(tmp_path) as running:
        running.until(lambda: bool(running.status()["board"]["connected"]))
        status = running.status()
        assert status["oven"]["resumable_run_id"] == run_id
        assert status["oven"]["phase"] == "ready"
        assert status["oven"]["asked_duty"] == 0.0
        assert running.post("oven/resume", {"run_id": run_id}).json()["phase"] == "waiting_for_arm"
        running.arm()
        running.until(lambda: running.status()["oven"]["phase"] == "ended", 120.0)
        assert running.client.get(f"/api/v1/runs/{run_id}").json()["outcome"] == "ended"


def test_rubbish_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    with shop(tmp_path) as running:
        running.arm()
        wrong = [
            b"", b"[]", b"nonsense", b'{"program": NaN}', b'{"program": "no such thing"}',
            b'{"program": "drift", "x": 1}', b'{"program": {"name": "x", "tempers": []}}',
            b'{"program": "drift", "load": [{"mass_kg": -1, "section_mm": 5}]}',
            b'{"program": {"name": "x", "tempers": [{"temperature_c": 2000, "soak_min": 60}]}}',
            b'{"program": {"name": "x", "tempers": [{"temperature_c": 205, "soak_min": 57600}]}}',
            b'{"program": {"name": "x", "tempers": [{"temperature_c": true, "soak_min": 60}]}}',
            b'{"program": {"name": "x", "tempers": [{"temperature_c": "205", "soak_min": 60}]}}',
        ]  # fmt: skip
        for body in wrong:
            answer = running.client.post(
                "/api/v1/oven/start", content=body, headers={"Content-Type": "application/json"}
            )
            assert answer.status_code == 422, (body, answer.text)
            assert answer.headers["content-type"].startswith("application/problem+json")
            assert answer.json()["reasons"], body
        large = running.client.post("/api/v1/oven/start", content=b" " * 10_000_000)
        assert large.status_code == 413
        assert running.status()["oven"]["phase"] == "ready"
        assert running.client.get("/api/v1/runs").json() == []


def test_only_one_service_works_in_a_directory(tmp_path: Path) -> None:
    with shop(tmp_path) as running:
        second = subprocess.run(
            [sys.executable, "-m", "controller", "serve", "--rehearsal", "--data", str(tmp_path), "--port", "0"],
            capture_output=True, text=True, timeout=20, check=False, cwd=Path(__file__).parents[2],
        )  # fmt: skip
        assert second.returncode == 2
        assert "Another service" in second.stderr
        assert "Traceback" not in second.stderr
        assert running.answers()
