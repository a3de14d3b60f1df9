"""The one way out: nothing leaves that is not proved allowed."""

from __future__ import annotations

from itertools import product
from math import inf, nan

import pytest

from controller.core.gate import clean, command
from controller.core.interlocks import PERMIT, TRIP, WITHHOLD, Verdict
from controller.model import Command


def out(verdict: Verdict, *, armed: bool = True, oven: float = 0.5, tank: float = 0.25, shared: bool = False,
        contactor: bool = True) -> Command:  # fmt: skip
    return command(verdict, armed, oven, tank, shared, contactor=contactor, sounder=False, agitator=False,
                   work=True, limits=None)  # fmt: skip


@pytest.mark.parametrize(
    ("asked", "leaves"),
    [(nan, 0.0), (-inf, 0.0), (-0.1, 0.0), (0.0, 0.0), (0.3, 0.3), (1.0, 1.0), (1.5, 1.0), (inf, 1.0)],
)
def test_only_a_share_of_full_power_leaves(asked: float, leaves: float) -> None:
    assert clean(asked) == leaves


def test_heat_leaves_only_with_permit_arming_and_contactor() -> None:
    for oven, tank, may_close, armed, wanted in product(
        (PERMIT, WITHHOLD, TRIP), (PERMIT, WITHHOLD, TRIP), (True, False), (True, False), (True, False)
    ):
        sent = out(Verdict(oven, tank, may_close, False), armed=armed, contactor=wanted)
        allowed = may_close and armed and wanted
        assert sent.contactor == allowed
        assert sent.oven_duty == (0.5 if allowed and oven == PERMIT else 0.0)
        assert sent.tank_duty == (0.25 if allowed and tank == PERMIT else 0.0)


def test_a_shared_circuit_never_gets_more_than_it_gives() -> None:
    verdict = Verdict(PERMIT, PERMIT, True, False)
    sent = out(verdict, oven=1.0, tank=1.0, shared=True)
    assert sent.oven_duty + sent.tank_duty == pytest.approx(1.0)
    assert sent.oven_duty == pytest.approx(0.5)
    sent = out(verdict, oven=0.6, tank=0.3, shared=True)
    assert (sent.oven_duty, sent.tank_duty) == (0.6, 0.3)
    sent = out(verdict, oven=1.0, tank=1.0, shared=False)
    assert (sent.oven_duty, sent.tank_duty) == (1.0, 1.0)


def test_a_latched_trip_is_told_to_the_board() -> None:
    assert out(Verdict(TRIP, TRIP, False, True)).trip
    assert not out(Verdict(TRIP, TRIP, False, False)).trip
