"""kill -9: nothing heats after it, nothing finished is lost, what was not finished says so and goes on."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

from controller.records import Book, database_path
from tests.shop.process import shop
from tests.study.kills import finished_and_unfinished, kills


def test_killed_at_drawn_instants_nothing_stays_on_and_the_book_is_whole(tmp_path: Path) -> None:
    seed = random.randrange(2**31)
    print(f"seed {seed}")
    tally = kills(3, seed, tmp_path)
    print("\n".join(tally.lines()))
    assert tally.kills == 3


def test_a_finished_run_stays_and_one_cut_off_goes_on_with_what_was_done_to_the_steel(tmp_path: Path) -> None:
    seen: dict[str, Any] = finished_and_unfinished(tmp_path, 5)
    finished, cut_off = sorted(seen["runs"], key=lambda run: run["id"])
    assert (finished["outcome"], cut_off["outcome"]) == ("stopped", "cut off")
    assert cut_off["ending"]
    assert seen["status"]["oven"]["resumable_run_id"] == cut_off["id"]
    assert seen["status"]["oven"]["asked_duty"] == 0.0
    assert seen["resumed"] == 202
    before, after = seen["before"], seen["after"]
    # The core's state is kept every ten seconds of a run, so that a kill costs no more of the soak than that.
    for done in ("soak_done_s", "equivalent_s"):
        assert before[done] > 0.0
        assert before[done] - 12.0 <= after[done] <= before[done] + 12.0, done


def test_a_declared_quench_is_answered_and_after_a_kill_the_book_has_it_with_its_event(tmp_path: Path) -> None:
    with shop(tmp_path, speed=5.0) as running:
        running.until(lambda: running.status()["tank"]["temperature_c"] is not None)
        heavy = running.post("tank/quench", {"mass_kg": 19.0})
        assert heavy.status_code == 200
        assert [one["code"] for one in heavy.json()["remarks"]] == ["oil_enough"]
        for mass_kg in (0.4, 0.5, 0.6):  # other masses at once: other parts in the same oil
            answer = running.post("tank/quench", {"mass_kg": mass_kg})
            assert "second" in [one["code"] for one in answer.json()["remarks"]]
        running.until(lambda: running.client.get("/api/v1/events", params={"limit": 9}).json()[-1]["id"] > 3)
        running.kill()
    book = Book(database_path(tmp_path))
    events = [event for event in book.events() if event["kind"] == "quench_declared"]
    rows = list(reversed(book.quenches()))
    assert 1 <= len(rows) == len(events)
    assert [row["mass_kg"] for row in rows] == [event["data"]["mass_kg"] for event in events]
    assert [row["at"] for row in rows] == [event["at"] for event in events]
    assert rows[0]["before_c"] is not None
    assert book.verify() == []
