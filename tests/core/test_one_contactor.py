"""Oven and oil hang on one contactor: heat that the oil loses to the oven's row is told, and its cause named."""

from __future__ import annotations

import pytest

from controller.model import Preheat, Start
from controller.words import sentence
from tests.core.rig import Rig, program
from tests.study.world import World


def both_at_work() -> Rig:
    rig = Rig(oven_c=20.0, tank_c=20.0)
    rig.arm()
    rig.tick(Start(program(), rig.load))
    rig.tick(Preheat(50.0))
    rig.run(30.0)
    assert (rig.phase(), rig.core.tank.phase) == ("heat_up", "preheat")
    assert rig.core.command.tank_duty > 0.0
    return rig


def told(rig: Rig) -> list[str]:
    return [event.kind for event in rig.events if event.kind == "tank_withheld"]


def test_oil_that_loses_its_heat_because_the_oven_is_not_known_is_told() -> None:
    """World 60024670: one sensor of the oven had told its row long before; a second made the comparison with the
    program unknown, which opens the contactor, and nothing told that the oil lost its heat."""
    world = World(60024670)
    world.run()
    found = [at_s for at_s, kind, _ in world.host_judge.events if kind == "tank_withheld"]
    assert found == [pytest.approx(162.75, abs=0.5)]


def test_an_oven_that_runs_away_is_named_for_the_oil_too() -> None:
    rig = both_at_work()
    rig.shop.fault("oven_relay_welded", True)
    rig.run(3600.0, lambda: rig.core.interlocks.acting("oven_over_program"))
    assert told(rig) == ["tank_withheld"]
    assert rig.outcome is not None
    headline, advice = sentence(rig.outcome.snapshot, units="C", data_age_s=0.0)
    assert headline.startswith("No heat: ")
    assert "No heat for the oil: " + headline.removeprefix("No heat: ") in advice


def test_without_oil_to_be_warmed_nothing_is_told_of_it() -> None:
    rig = Rig()
    rig.start()
    rig.run(5.0)
    rig.shop.fault("oven_limit_sensor_open", True)
    rig.shop.fault("oven_sensor_open", True)
    rig.run(5.0)
    assert told(rig) == []

