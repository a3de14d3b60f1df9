"""A share of the seeded worlds, and the judge judged: a program that is spoilt on purpose must be found out."""

from __future__ import annotations

import random
from collections.abc import Iterable

import pytest

from controller.core import gate, interlocks, tick
from controller.core.interlocks import PERMIT, Verdict
from controller.model import Command
from controller.sim.board_guard import Guard
from tests.study.campaign import one
from tests.study.judge import RuleError
from tests.study.world import Result, World, play

FIRST = 500_000
EACH = 20
SPOILT = range(1, 60)


@pytest.mark.parametrize("first", [FIRST, FIRST + EACH, FIRST + 2 * EACH])
def test_seeded_worlds_keep_every_rule(first: int) -> None:
    found = [one(seed) for seed in range(first, first + EACH)]
    assert [result for result in found if not isinstance(result, Result)] == []
    assert sum(result.heated_s > 0.0 for result in found if isinstance(result, Result)) > EACH // 3


def test_a_world_that_nobody_chose_keeps_every_rule() -> None:
    for _ in range(4):
        seed = random.randrange(1, 2**31)
        print(f"python -m tests.study world {seed}")
        play(seed)


def test_a_seed_is_a_world() -> None:
    first, again = World(31), World(31)
    assert first.run() == again.run()
    assert first.host_judge.events == again.host_judge.events


def found_out(seeds: Iterable[int]) -> str:
    """What the judge says of the first world in which it notices something."""
    for seed in seeds:
        try:
            play(seed)
        except RuleError as error:
            return str(error)
    return ""


def test_the_judge_finds_a_board_that_heats_unarmed(monkeypatch: pytest.MonkeyPatch) -> None:
    permits = Guard.permits

    def careless(guard: Guard, zone: int) -> bool:
        armed, guard.armed = guard.armed, True
        try:
            return permits(guard, zone)
        finally:
            guard.armed = armed

    monkeypatch.setattr(Guard, "permits", careless)
    monkeypatch.setattr(Guard, "wants_contactor", lambda guard: bool(guard.sid and not guard.trips))
    monkeypatch.setattr(Guard, "_disarm", lambda guard: setattr(guard, "armed", False))
    assert "heated" in found_out(SPOILT)


def test_the_judge_finds_a_board_that_forgets_its_dead_man(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.sim.board_guard.SILENCE_MS", 6_000)
    assert "the last good S is" in found_out(SPOILT)


def test_the_judge_finds_a_board_that_ignores_its_sensors(monkeypatch: pytest.MonkeyPatch) -> None:
    sample = Guard.sample

    def blind(guard: Guard, values: tuple[int, ...], faults: str) -> None:
        sample(guard, values, faults.replace("O", "-").replace("X", "-").replace("G", "-").replace("V", "-"))

    monkeypatch.setattr(Guard, "sample", blind)
    assert "went bad" in found_out(range(1, 120))


def test_the_judge_finds_a_gate_that_lets_everything_through(monkeypatch: pytest.MonkeyPatch) -> None:
    command = gate.command

    def open_gate(verdict: Verdict, *args: object, **kwargs: object) -> Command:
        return command(Verdict(PERMIT, PERMIT, True, verdict.latched), *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(tick.gate, "command", open_gate)
    assert "asked in phase" in found_out(SPOILT)


def test_the_judge_finds_a_core_that_forgets_its_trips(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(interlocks.Interlocks, "latched", property(lambda _: ()))
    assert found_out(SPOILT)


def test_the_judge_finds_a_run_that_goes_on_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.core.oven.Oven.pause", lambda *args: None)
    assert "nobody asked" in found_out(range(1, 200)) or found_out(range(1, 200))


def test_the_judge_finds_a_book_that_is_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    step = interlocks.Interlocks._step

    def silent(self: object, *args: object) -> bool:
        return step(self, *args[:-1], [])  # type: ignore[arg-type]

    monkeypatch.setattr(interlocks.Interlocks, "_step", silent)
    assert "told" in found_out(SPOILT)
