"""One tape, three boards: the firmware's guard, the model of the rules and the board twin say and do the same."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, given, seed, settings

from tests.firmware.guard.model import Model
from tests.firmware.guard.strategies import EVERYTHING, kits, tapes
from tests.firmware.guard.tape import Step, guard, played, twin

SEED = int(os.environ.get("OVENHAND_SEED", "20261125"))
EXAMPLES = int(os.environ.get("OVENHAND_EXAMPLES", "120"))


def compare(fitted: int, tape: list[Step]) -> None:
    of_the_model = played(Model(fitted=fitted), tape)
    for name, board in (("guard.c", guard(fitted)), ("the twin", twin(fitted))):
        found = played(board, tape)
        for place, (said, should) in enumerate(zip(found, of_the_model, strict=False)):
            assert said == should, f"{name}, {place}: {said}\nshould be {should}\nseed {SEED}"
        assert len(found) == len(of_the_model), name


@seed(SEED)
@settings(
    max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck), print_blob=True
)
@given(fitted=kits, tape=tapes())
def test_guard_model_and_twin_agree_on_any_tape(fitted: int, tape: list[Step]) -> None:
    compare(fitted, tape)


HEATED = [("wait", 500), ("ready",), ("stream", 12, 500, 500, 4)]
WRITTEN: dict[str, list[Step]] = {
    "heat lost and found": [*HEATED, ("sense", 1, 2_000, "O"), ("stream", 2, 500, 500, 4), ("sense", 1, 2_000),
                            ("stream", 12, 500, 500, 4)],
    "five of twenty": [*HEATED, *[("sense", 2, 2_000, "G"), ("stream", 1, 500, 500, 4), ("sense", 2, 2_000),
                                  ("stream", 2, 500, 500, 4)] * 8],
    "fifteen minutes": [*HEATED, *[("stream", 200, 0, 0, 4)] * 20],
    "two hours at work": [*HEATED, *[("stream", 240, 10, 0, 12)] * 4, ("stream", 240, 0, 0, 8)],
    "half an hour of noise": [("wait", 500), ("greet",), ("duty", 0, 0, 16), ("duty", 0, 0, 3), ("wait", 1_810_000)],
    "a host that only greets": [
        ("wait", 500), ("greet",), ("duty", 0, 0, 17), ("duty", 0, 0, 2), *[("greet",), ("wait", 240)] * 12,
        ("duty", 0, 0, 2), ("wait", 250), *[("greet",), ("wait", 240)] * 12, ("wait", 3_000),
        *[("greet",), ("wait", 1_990)] * 4, ("duty", 0, 0, 0), ("wait", 2_500), ("hold",), ("greet",), ("wait", 300),
    ],
    "contacts that flutter": [
        *HEATED, ("flutter", "door_open", 90, 8), ("flutter", "agitator_turning", 50, 20), ("duty", 500, 500, 4),
        ("flutter", "level_good", 90, 5), ("duty", 500, 500, 4), ("flutter", "level_good", 90, 4), ("wait", 200),
        ("contact", "level_good", True), ("wait", 200), ("hold",), ("ready",), ("flutter", "stop_closed", 10, 43),
        ("contact", "stop_closed", True), ("wait", 10), ("duty", 500, 0, 4), ("wait", 200),
        ("flutter", "stop_closed", 10, 60), ("hold",), ("contact", "stop_closed", True), ("hold",), ("ready",),
        ("flutter", "smoke", 90, 7), ("wait", 90), ("hold",), ("contact", "smoke", False), ("wait", 200), ("hold",),
    ],
    "warm oil stirs on": [("wait", 500), ("sense", 3, 7_000), ("greet",), ("duty", 0, 0, 2), ("wait", 600_000),
                          ("sense", 3, 6_400), ("wait", 1_000)],
    "every trip and its reset": [
        *HEATED, ("sense", 0, 31_000), ("wait", 600), ("hold",), ("sense", 0, 28_000), ("wait", 200), ("hold",),
        ("ready",), ("stream", 8, 0, 500, 4), ("contact", "level_good", False), ("wait", 200), ("hold",),
        ("contact", "level_good", True), ("wait", 200), ("hold",), ("contact", "smoke", True), ("wait", 200),
        ("hold",), ("contact", "smoke", False), ("wait", 200), ("hold",), ("ready",), ("weld", True, False),
        ("stream", 3, 0, 0, 4), ("hold",), ("weld", False, False), ("hold",), ("ready",), ("stream", 8, 500, 0, 4),
        ("sense", 1, 0, "X"), ("stream", 4, 500, 0, 4), ("hold",), ("sense", 1, 2_000), ("wait", 28_100), ("hold",),
    ],
}  # fmt: skip


@pytest.mark.parametrize("fitted", [EVERYTHING, 31, 3])
@pytest.mark.parametrize("name", WRITTEN)
def test_guard_model_and_twin_agree_on_a_written_tape(name: str, fitted: int) -> None:
    compare(fitted, WRITTEN[name])
