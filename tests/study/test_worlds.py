"""A share of the seeded worlds, and the judge judged: a program that is spoilt on purpose must be found out."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import replace
from io import StringIO
from typing import Any

import pytest

from controller.core import gate, interlocks, tick
from controller.model import Command
from controller.sim.board_guard import Guard
from controller.sim.board_inputs import STOP
from controller.sim.shop import SimShop
from tests.study import campaign
from tests.study.campaign import one
from tests.study.judge import BoardJudge, HostJudge
from tests.study.plan import draw
from tests.study.rule import RuleError
from tests.study.world import Result, World, play

FIRST = 500_000
EACH = 14
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


def test_a_fire_that_burns_to_the_end_of_its_world_is_not_our_heat() -> None:
    """Its oil rises for longer than the judge once let the plant coast; the heater has been off since the trip."""
    result = play(9_003_611)
    (fire,) = [passed for passed in result.passed if passed.zone == "tank"]
    assert fire.excess_k > 500.0
    assert fire.excess_k <= fire.explained_k + 0.5


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


def mad_host(monkeypatch: pytest.MonkeyPatch) -> None:
    """A host that asks for everything at all times, whatever its interlocks say; only the board is judged."""
    command = gate.command

    def everything(*args: object, **kwargs: object) -> Command:
        sent = command(*args, **kwargs)  # type: ignore[arg-type]
        return sent._replace(oven_duty=0.6, tank_duty=0.4, contactor=True, work=True, trip=False)

    monkeypatch.setattr(tick.gate, "command", everything)
    monkeypatch.setattr(HostJudge, "told", lambda *args: None)
    monkeypatch.setattr(World, "_latched", lambda *args: None)


def test_a_mad_host_cannot_make_the_board_heat_where_it_must_not(monkeypatch: pytest.MonkeyPatch) -> None:
    mad_host(monkeypatch)
    assert sum(play(seed).heated_s > 0.0 for seed in range(1, 13)) > 6


def test_the_judge_finds_a_board_that_heats_unarmed(monkeypatch: pytest.MonkeyPatch) -> None:
    mad_host(monkeypatch)
    set_duty = Guard.set_duty

    def always(guard: Guard, *args: Any) -> int:
        guard.armed = not guard.trips and guard.inputs.stable[STOP]
        return set_duty(guard, *args)

    monkeypatch.setattr(Guard, "set_duty", always)
    assert "without arming" in found_out(SPOILT)


def test_the_judge_finds_a_board_that_forgets_its_dead_man(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.sim.board_guard.SILENCE_MS", 6_000)
    assert "the last good S is" in found_out(SPOILT)


def test_the_judge_finds_a_board_that_ignores_its_sensors(monkeypatch: pytest.MonkeyPatch) -> None:
    mad_host(monkeypatch)
    sample = Guard.sample

    def blind(guard: Guard, values: tuple[int, ...], faults: str) -> None:
        sample(guard, values, faults.translate({ord(letter): "-" for letter in "OGVX"}))

    monkeypatch.setattr(Guard, "sample", blind)
    assert "went bad" in found_out(SPOILT)


def test_the_judge_finds_a_board_without_limits(monkeypatch: pytest.MonkeyPatch) -> None:
    mad_host(monkeypatch)
    monkeypatch.setattr("controller.sim.board_sensors.Sensors._count", lambda *args: 0)
    monkeypatch.setattr("controller.sim.board_sensors.Sensors._tank_off", lambda *args: None)
    # Worlds that begin near their limits, or it would take a long time to pass them.
    monkeypatch.setattr("tests.study.world.draw", lambda *args: replace(draw(*args), oven_c=315.0, tank_c=80.0))
    assert "s over" in found_out(SPOILT)


def test_the_judge_finds_a_gate_that_lets_everything_through(monkeypatch: pytest.MonkeyPatch) -> None:
    command = gate.command

    def open_gate(*args: object, **kwargs: object) -> Command:
        return command(*args, **kwargs)._replace(oven_duty=0.2)  # type: ignore[arg-type]

    monkeypatch.setattr(tick.gate, "command", open_gate)
    assert "asked in phase" in found_out(SPOILT)


def test_the_judge_finds_a_core_that_forgets_its_trips(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(interlocks.Interlocks, "latched", property(lambda _: ()))
    assert found_out(SPOILT)


def test_the_judge_finds_a_book_that_is_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    step = interlocks.Interlocks._step

    def silent(self: object, *args: object) -> bool:
        return step(self, *args[:-1], [])  # type: ignore[arg-type]

    monkeypatch.setattr(interlocks.Interlocks, "_step", silent)
    assert "told" in found_out(SPOILT)


def power_after_a_trip(*, goes_on: bool) -> str:
    """What the judge says of a tripped board whose oven relay is welded, and whose contactor was until just now; or of
    one where power `goes_on` that comes out of nowhere."""
    shop = SimShop(0)
    judge = BoardJudge(shop, 275.0, None, None)

    def passes(seconds: float) -> None:
        for _ in range(round(seconds / 0.25)):
            from_s = shop.now_s
            judge.before(from_s)
            judge.after(shop.exchange(b"", 0.25), from_s, shop.now_s)

    try:
        passes(1.0)
        for fault in ("oven_relay_welded", "contactor_welded", "stop_pressed"):
            shop.fault(fault)
        passes(4.25)
        assert shop.board.trips
        assert shop.oven.power_w > 0.0
        shop.fault("contactor_welded", False)
        if goes_on:
            heat = shop.oven._heat
            shop.oven._heat = lambda on_s: heat(0.5)  # type: ignore[method-assign]
        passes(4.0)
    except RuleError as error:
        return str(error)
    return ""


def test_the_judge_knows_the_last_half_second_of_a_welded_contactor() -> None:
    """Seed 40002660 of 2026-11-26: the plant's power is a mean that ends after the contactor has opened."""
    assert power_after_a_trip(goes_on=False) == ""
    assert "although the board has tripped" in power_after_a_trip(goes_on=True)


def test_a_campaign_that_is_stopped_has_said_its_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(campaign, "FIGURES_EVERY", 2)
    said = StringIO()
    tally = campaign.worlds(range(FIRST, FIRST + 5), 1, said)
    figures = [line for line in said.getvalue().splitlines() if "simulated hours" in line]
    assert [line.split()[0] for line in figures] == ["2", "4"]
    assert tally.worlds == 5
