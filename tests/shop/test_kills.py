"""kill -9: nothing heats after it, nothing finished is lost, what was not finished says so and goes on."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

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
