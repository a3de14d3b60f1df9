"""Every mistake of `mutants.py` in guard.c is noticed: by the model of the rules, or by the flipped bits."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.firmware.guard import flips
from tests.firmware.guard.host import compiled, guard_text, loaded
from tests.firmware.guard.model import Model
from tests.firmware.guard.mutants import MUTANTS, Mutant
from tests.firmware.guard.strategies import tapes
from tests.firmware.guard.tape import Player, Step, guard
from tests.firmware.guard.test_agreement import HEATED, SEED, WRITTEN

FITTED = 2047
QUICK = ("-O0", "-w")
SHORT: list[list[Step]] = [
    [*HEATED, ("sense", 0, 31_000), ("wait", 200), ("sense", 0, 31_000, "O"), ("wait", 400), ("sense", 0, 31_000),
     ("wait", 200), ("wait", 300)],
    [*HEATED, *[("duty", 500, 0, 0), ("wait", 40), ("duty", 500, 0, 4), ("wait", 990)] * 18],
    [("wait", 500), ("ready",), ("contact", "level_good", False), ("wait", 300), ("stream", 12, 0, 500, 4)],
    [*HEATED, ("limit", 0, 29_000), ("limit", 0, 30_500), ("duty", 0, 0, 4), ("limit", 0, 31_001),
     ("limit", 0, 30_500)],
    [("wait", 500), ("greet",), ("limit", 0, 30_000), ("arm",), ("stream", 8, 500, 0, 4), ("duty", 500, 300, 4),
     ("wait", 1_500)],
    [("wait", 500), ("hold", 2_300), ("wait", 300)],
    [*HEATED, ("sense", 0, 31_000), ("wait", 600), ("sense", 0, 29_000), ("hold",), ("wait", 300), ("sense", 0, 0, "X"),
     ("sense", 1, 0, "X"), ("hold",), ("wait", 300)],
    [*HEATED, ("sense", 1, 0, "V"), ("wait", 800), ("sense", 1, 2_000), ("hold", 2_300), ("wait", 300)],
    [*HEATED, ("greet",), ("limit", 0, 30_500)],
    WRITTEN["every trip and its reset"],
    WRITTEN["heat lost and found"],
    WRITTEN["five of twenty"],
    WRITTEN["warm oil stirs on"],
    WRITTEN["a host that only greets"],
    [*HEATED, ("greet",), ("wait", 100), ("duty", 0, 500, 4), ("wait", 2_500), ("duty", 0, 0, 4, 1, 1)],
    [*HEATED, ("greet",), ("send", "S,0,1,0,0,0"), ("greet", 2, 2), ("send", "S,0,1,0,0,0"),
     ("send", "S,{sid},1,0,0,0")],
    [("wait", 500), ("greet",), ("limit", 0, 30_000), ("limit", 1, 9_000), ("arm",), ("duty", 0, 300, 4),
     ("duty", 300, 0, 4), ("stream", 8, 300, 0, 4), ("duty", 0, 0, 4, 0), ("limit", 0, 30_500), ("wait", 300),
     ("stream", 8, 300, 0, 4), ("limit", 0, 30_500), ("limit", 0, 29_000), ("limit", 0, 31_001), ("wait", 600)],
    [*HEATED, ("stream", 60, 0, 0, 0), ("stream", 430, 0, 0, 0), ("contact", "level_good", False), ("wait", 300),
     ("contact", "level_good", True), ("duty", 0, 0, 4), ("sense", 0, 0, "O"), ("stream", 12, 0, 0, 4)],
    [*HEATED, ("stream", 2, 0, 0, 4), ("stream", 3, 990, 10, 4), ("stream", 30, 990, 10, 4), ("stream", 30, 10, 10, 4)],
    [*HEATED, *[("limit", 0, 30_000), ("wait", 500)] * 6],
    [*HEATED, ("sense", 2, 9_000), ("stream", 8, 0, 500, 4), ("sense", 2, 8_800), ("stream", 8, 0, 500, 4),
     ("sense", 2, 8_700), ("stream", 8, 0, 500, 4)],
    [*HEATED, ("duty", 0, 0, 20), ("arm",), ("wait", 300), ("hold",), ("greet",), ("duty", 0, 0, 16), ("wait", 1_000),
     ("duty", 0, 0, 16), ("power",), ("wait", 500), ("hold",), ("power", 2), ("wait", 500), ("power",), ("wait", 500)],
    [("contact", "arm_button", True), ("power",), ("wait", 400), ("contact", "reset_button", True), ("wait", 400),
     ("power",), ("wait", 3_000)],
    [("wait", 500), ("ready",), ("wait", 61_000), ("arm",), ("wait", 300)],
    [("wait", 500), ("greet",), ("raw", b"!H,1,1*0000\n"), ("raw", b"!H,1,1*E"), ("wait", 60), ("raw", b"D59\n"),
     ("send", "H,01,1"), ("send", "H,1,1*0000"), ("send", "S,{sid},1,00,0,0"), ("duty", 1_001, 0, 4), ("wait", 300)],
    [*HEATED, ("stream", 8, 0, 0, 0), ("stream", 8, 0, 0, 8)],
    [("wait", 500), ("sense", 0, 31_000), ("wait", 200), ("sense", 0, 0, "O"), ("wait", 400), ("sense", 0, 31_000),
     ("wait", 200), ("wait", 300)],
    [*HEATED, ("contact", "stop_closed", False), ("wait", 300), ("contact", "stop_closed", True), ("wait", 300)],
    WRITTEN["contacts that flutter"],
    WRITTEN["fifteen minutes"],
    WRITTEN["half an hour of noise"],
]  # fmt: skip


@cache
def expected() -> list[tuple[int, list[Step], list[str]]]:
    """Tapes with what the model of the rules says to them: some written, some drawn."""
    drawn: list[list[Step]] = []

    @seed(SEED)
    @settings(
        max_examples=12, deadline=None, database=None, suppress_health_check=list(HealthCheck), phases=[Phase.generate]
    )
    @given(tape=tapes())
    def collect(tape: list[Step]) -> None:
        drawn.append(tape)

    collect()
    cases = [(1, [*HEATED, ("duty", 0, 500, 4), ("stream", 8, 500, 0, 4)])]
    cases += [(FITTED, tape) for tape in [*SHORT, *drawn]]
    return [(fitted, tape, Player(Model(fitted=fitted)).play(tape)) for fitted, tape in cases]


def differs(library: Any) -> bool:
    """The guard says or does something that the model does not."""
    for fitted, tape, should in expected():
        player = Player(guard(fitted, library))
        for step in tape:
            player.play([step])
            if player.found != should[: len(player.found)]:
                return True
    return False


def ages_wrap(library: Any) -> bool:
    """Two silences of 2^31 ms after a press and heat: nothing of them is young again."""
    player = Player(guard(FITTED, library))
    player.play(HEATED)
    board = player.board
    for _ in range(2):
        board.library.board_stall(board.c, 1 << 31)
        board.library.board_step(board.c)
    player.sense(0, 0, "O")
    player.play([("wait", 1_000)])
    return bool(board.trips)


def survives(mutant: Mutant) -> bool:
    library = loaded(compiled(guard_text().replace(mutant.right, mutant.wrong), QUICK))
    return not differs(library) and not ages_wrap(library) and not flips.failures(library, moments=(0,))[1]


def test_the_guard_itself_survives() -> None:
    library = loaded(compiled(guard_text(), QUICK))
    assert not differs(library)
    assert not ages_wrap(library)


@pytest.mark.parametrize("mutant", MUTANTS, ids=[mutant.name for mutant in MUTANTS])
def test_the_text_of_a_mutant_occurs_once(mutant: Mutant) -> None:
    assert guard_text().count(mutant.right) == 1
    assert mutant.right != mutant.wrong


def test_every_mutant_is_killed() -> None:
    with ThreadPoolExecutor(2) as workers:
        list(workers.map(lambda mutant: compiled(guard_text().replace(mutant.right, mutant.wrong), QUICK), MUTANTS))
    survivors = [mutant.name for mutant in MUTANTS if survives(mutant)]
    print(f"{len(MUTANTS) - len(survivors)} of {len(MUTANTS)} mutants killed")
    assert survivors == []
