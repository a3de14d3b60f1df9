"""What the book says of a request that was taken: a sentence of the trade, with who asked."""

from __future__ import annotations

from typing import get_args

import pytest

from controller.core.asked import sentence_of
from controller.core.requests import _HANDLERS
from controller.model import (
    Confirm,
    LoadItem,
    Preheat,
    Presence,
    Quench,
    Request,
    Resume,
    Start,
    StopAll,
    StopOven,
    TankOff,
    Wish,
)
from tests.core.rig import Rig, program

SAID = (
    (Start(program(), (LoadItem(0.3, 12.0),)), 'start "test temper" with 0.3 kg'),
    (Start(program(), (LoadItem(0.3, 12.0), LoadItem(0.25, 12.0))), 'start "test temper" with 0.55 kg in 2 pieces'),
    (Start(program()), 'start "test temper", the load not given'),
    (StopOven(), "stop the oven"),
    (StopAll(), "stop, all heat off"),
    (Resume(7), "go on with run 7"),
    (Confirm("7-1"), "go on, what the program waited for is done"),
    (Confirm("7-1", False), "wait on, what the program waits for is not done"),
    (Confirm("door", True), "the oven door is open"),
    (Confirm("door", False), "the oven door is not open"),
    (Confirm("part", True), "go on by the air"),
    (Confirm("part", False), "do not go on by the air"),
    (Preheat(), "warm the oil to its own temperature"),
    (Preheat(55.0, 5400.0, True), "warm the oil to 55 °C, ready in 1 h 30 min, gently"),
    (Preheat(None, 600.0), "warm the oil to its own temperature, ready in 10 min"),
    (TankOff(), "no heat for the oil"),
    (Quench(), "note a quench of a mass that is not given"),
    (Quench(0.8, 850.0, 3), "note a quench of 0.8 kg at 850 °C, piece 3"),
    (Presence(), "somebody is here, note it"),
)


@pytest.mark.parametrize(("wish", "said"), SAID)
def test_each_wish_is_said_in_the_shops_words_with_who_asked(wish: Wish, said: str) -> None:
    assert sentence_of(Request(1, wish, "phone 2")) == f"Asked by phone 2: {said}."
    assert sentence_of(Request(1, wish, "")) == f"Asked by nobody named: {said}."


def test_no_kind_of_wish_is_without_its_sentence() -> None:
    assert {type(wish) for wish, _ in SAID} == set(get_args(Wish)) == set(_HANDLERS)


def test_the_event_of_a_taken_and_of_a_refused_wish_says_what_and_who() -> None:
    rig = Rig()
    rig.start()
    taken = next(event for event in rig.events if event.kind == "request_accepted")
    assert taken.text == 'Asked by test: start "test temper" with 0.3 kg.'
    assert (taken.data["wish"], taken.data["who"], taken.data["run_id"]) == ("Start", "test", 1)
    rig.tick(Start(program(), rig.load))
    refused = next(event for event in rig.events if event.kind == "request_refused")
    assert (refused.data["wish"], refused.data["who"]) == ("Start", "test")
    assert [reason.code for reason in refused.data["reasons"]] == ["run_on"]
