"""A board that is heard and refuses what it is sent: the smith is told, and nothing else changes."""

from __future__ import annotations

from typing import Any

import pytest

from controller.core.refused import REFUSED_S
from controller.model import Start
from controller.sim.board_guard import Guard
from controller.words import REFUSALS, sentence
from tests.core.rig import Rig, program

RANGE, SESSION, UNLIMITED = 1, 2, 6
set_limit, set_duty = Guard.set_limit, Guard.set_duty


def no_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Guard, "set_limit", lambda *_: RANGE)


def no_duty(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(guard: Guard, sid: int, seq: int, oven: int, tank: int, flags: int) -> int:
        return set_duty(guard, sid, seq, 0, 0, flags) or (UNLIMITED if oven else 0)

    monkeypatch.setattr(Guard, "set_duty", refuse)


def no_session(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Guard, "set_duty", lambda *_: SESSION)


def told(rig: Rig) -> tuple[str, str]:
    assert rig.outcome is not None
    return sentence(rig.outcome.snapshot, units="C", data_age_s=0.1)


@pytest.mark.parametrize(("refuse", "which"), [(no_limits, "limits"), (no_duty, "duty"), (no_session, "frames")])
def test_what_a_board_refuses_is_said_once_and_takes_ten_seconds(
    refuse: Any, which: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as spoilt:
        rig = Rig()
        rig.run(3.0)
        rig.shop.press("arm")
        rig.run(1.5)
        assert "board_refuses" not in rig.kinds()
        refuse(spoilt)
        rig.link.port_changed("")  # limits are asked for anew
        rig.tick(Start(program(), rig.load))
        assert rig.phase() == "heat_up", rig.refusal()
        rig.run(REFUSED_S - 2.0)
        assert "board_refuses" not in rig.kinds()
        rig.run(REFUSED_S)
        assert told(rig) == REFUSALS[which]
        rig.run(30.0)
        event = next(one for one in rig.events if one.kind == "board_refuses")
        assert (event.data["which"], event.text) == (which, REFUSALS[which][0])
        assert rig.kinds().count("board_refuses") == 1
        assert rig.outcome is not None
        assert rig.outcome.snapshot.board.refuses == which
        assert rig.outcome.snapshot.oven.applied_duty == 0.0
        assert rig.tripped() == []
    rig.run(3.0)
    assert rig.outcome.snapshot.board.refuses is None
    assert told(rig)[0].startswith("Bringing the test temper to 205 °C."), "the run goes on as soon as it is taken"


def test_a_silent_board_is_told_as_silent_and_a_good_one_as_nothing() -> None:
    rig = Rig()
    rig.start()
    rig.run(60.0)
    rig.cable = False
    rig.run(30.0)
    assert "board_refuses" not in rig.kinds()
    assert rig.outcome is not None
    assert rig.outcome.snapshot.board.refuses is None
