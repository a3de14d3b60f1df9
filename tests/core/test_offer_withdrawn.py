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
