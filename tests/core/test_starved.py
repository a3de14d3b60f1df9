"""A host that is starved of time: the board takes the heat by its dead-man, and the cooling oven is no fault."""

from __future__ import annotations

from controller.model import Temper
from tests.core.rig import Rig, program


def test_an_oven_that_cools_because_the_board_ended_the_session_is_not_called_faulty() -> None:
    rig = Rig()
    rig.start(program(Temper(205.0, 3600.0)))
    rig.run(420.0)
    # Each second frame from the host is lost for minutes: sessions end and open again, and little heat gets through.
    for _ in range(80):
        rig.run(1.0)
        rig.cable = False
        rig.run(2.5)
        rig.cable = True
    assert rig.tripped() == []


def test_a_sensor_that_falls_while_the_heat_does_get_through_still_trips() -> None:
    rig = Rig()
    rig.start(program(Temper(205.0, 3600.0)))
    rig.run(200.0)
    rig.shop.fault("oven_probe_out", True)
    rig.run(400.0, lambda: bool(rig.tripped()) or rig.phase() == "tripped")
    assert rig.phase() in ("tripped", "withheld")
