"""A run that went on, then waited in vain for the arm button, is offered again; dropped, its end is told."""

from __future__ import annotations

import json

import pytest

from controller.model import LoadItem, Resume, Start, StopOven, Wish
from tests.core.rig import Rig, program


@pytest.mark.parametrize("wish", [StopOven(), Start(program(), (LoadItem(0.3, 12.0),))])
def test_a_run_dropped_after_a_vain_wait_has_its_end_told_once(wish: Wish) -> None:
    first = Rig()
    first.start()
    first.run(60.0)
    rig = Rig(state=json.loads(json.dumps(first.core.state())), oven_c=60.0)
    rig.run(3.0)
    rig.tick(Resume(1))
    assert rig.refusal() == []
    rig.run(320.0)
    assert rig.kinds().count("arm_wait_over") == 1
    assert rig.core.oven.resumable_run_id == 1
    rig.tick(wish)
    ended = [event.data for event in rig.events if event.kind == "run_ended"]
    assert [(data["run_id"], data["outcome"]) for data in ended] == [(1, "stopped")]
    assert rig.core.oven.resumable_run_id is None
    rig.tick(StopOven())
    assert [event.data["run_id"] for event in rig.events if event.kind == "run_ended"].count(1) == 1


def offered_for(hours: float) -> Rig:
    """A shop where a run that was cut off has been offered for so long."""
    first = Rig()
    first.start()
    first.run(60.0)
    state = json.loads(json.dumps(first.core.state()))
    rig = Rig(state={**state, "run": {**state["run"], "away_s": hours * 3600.0}})
    rig.run(3.0)
    return rig


def age_h(rig: Rig) -> float:
    return float(rig.core.state()["run"]["away_s"]) / 3600.0


def test_a_wait_in_vain_does_not_begin_the_day_of_the_offer_anew() -> None:
    rig = offered_for(23.0)
    rig.tick(Resume(1))
    rig.run(100.0)
    assert age_h(rig) == pytest.approx(23.0 + 103.0 / 3600.0, abs=0.001), "a restart now forgets nothing of it either"
    rig.run(210.0)
    assert rig.core.oven.resumable_run_id == 1
    assert age_h(rig) == pytest.approx(23.0 + 313.0 / 3600.0, abs=0.001)
    rig.now_s += 3300.0
    rig.run(3.0)
    assert rig.core.oven.resumable_run_id is None
    assert rig.core.state()["run"] is None
    ended = [event.data["outcome"] for event in rig.events if event.kind == "run_ended"]
    assert ended == ["stopped"]
    assert rig.kinds().count("run_lapsed") == 1


def test_a_run_that_went_on_or_was_dropped_leaves_no_age_behind() -> None:
    rig = offered_for(23.0)
    rig.tick(Start(program(), (LoadItem(0.3, 12.0),)))
    rig.run(2.0)
    assert rig.phase() == "waiting_for_arm"
    assert age_h(rig) < 0.001
    again = offered_for(23.0)
    again.arm()
    again.tick(Resume(1))
    again.run(5.0)
    assert again.phase() == "heat_up"
    assert "away_s" not in again.core.state()["run"]


def test_a_restart_while_a_resumed_run_waits_for_the_button_loses_nothing() -> None:
    first = Rig()
    first.start()
    first.run(60.0)
    second = Rig(state=json.loads(json.dumps(first.core.state())), oven_c=60.0)
    second.run(3.0)
    second.tick(Resume(1))
    second.run(5.0)
    assert second.phase() == "waiting_for_arm"
    third = Rig(state=json.loads(json.dumps(second.core.state())), oven_c=60.0)
    third.run(3.0)
    assert third.core.oven.resumable_run_id == 1
    assert third.core.command.oven_duty == 0.0
