"""The judge of the book judged: a core that keeps one thing to itself, or leaves one thing undone, is found out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from controller.core import gate, interlocks
from controller.core.oven_run import OvenRun
from controller.core.table import TABLE
from controller.core.tick import Core
from controller.model import (
    Command,
    LoadItem,
    Outcome,
    Presence,
    Program,
    Reading,
    Request,
    StopAll,
    StopOven,
    TankOff,
    Temper,
    Wish,
)
from controller.sim.shop import FULL_KIT
from tests.study.plan import Act, Plan, draw
from tests.study.rule import RuleError
from tests.study.world import World

LOAD = (LoadItem(0.05, 3.0),)
SHORT = Program(
    "short",
    (Temper(75.0, 6.0, cool_below_c=90.0), Temper(74.0, 10.0, band_c=20.0, prompt="Turn the steel.")),
)
DAY: tuple[Act, ...] = (
    Act(1.0, "arm"),
    Act(3.0, "start", (SHORT, LOAD)),
    Act(4.0, "preheat", (30.0, None)),
    Act(9.0, "door_open", True),
    Act(12.0, "door_open", False),
    Act(14.0, "presence"),
    Act(20.0, "board_reboot", True),
    Act(24.0, "resume"),
    Act(26.0, "arm"),
    Act(150.0, "quench_declared", (0.5, 800.0)),
    *(Act(at_s, "confirm") for at_s in (152.0, 153.0, 154.0, 155.0, 156.0, 157.0)),
    Act(160.0, "to_host_cut", True),
    Act(165.0, "to_host_cut", False),
    Act(170.0, "tank_off"),
    Act(171.0, "start", (SHORT, LOAD)),
    Act(175.0, "stop_pressed", True),
    Act(176.0, "stop_pressed", False),
    Act(180.0, "reset"),
    Act(184.0, "start", (SHORT, LOAD)),
    Act(186.0, "stop"),
    Act(188.0, "preheat", (30.0, None)),
    Act(189.0, "stop_all"),
    Act(190.0, "start", (SHORT, LOAD)),
)
MUST_BE_TOLD = (
    "run_started", "run_resumed", "run_paused", "run_ended", "arm_wait_over", "heat_up", "soak_begun", "soak_done",
    "prompt_asked", "prompt_confirmed", "trip_reset", "interlock_tripped", "interlock_withheld", "interlock_cleared",
    "armed", "disarmed", "arm_wanted", "board_found", "board_lost", "board_back", "board_rebooted", "tank_on",
    "tank_off", "oil_ready", "presence", "quench_declared",
)  # fmt: skip
"""Every kind of event that a change of the snapshot, or a wish that was taken, must have beside it."""


@pytest.fixture
def day(monkeypatch: pytest.MonkeyPatch) -> Callable[..., World]:
    """A world in which all of it happens within minutes, or the world of these acts."""

    def made(acts: tuple[Act, ...] = DAY, duration_s: float = 500.0) -> World:
        def script(seed: int, names: tuple[str, ...]) -> Plan:
            return replace(
                draw(seed, names), faults=(), acts=acts, duration_s=duration_s, fitted=FULL_KIT, chip=31855, load=LOAD,
                oven_c=76.0, tank_c=24.0, room_c=20.0, start_ms=0, boots=1, step_s=(0.25,),
            )  # fmt: skip

        monkeypatch.setattr("tests.study.world.draw", script)
        return World(3)

    return made


def outcomes(monkeypatch: pytest.MonkeyPatch, change: Callable[[Outcome], Outcome]) -> None:
    """`change` gets every outcome on its way out of the core."""
    original = Core.tick

    def spoilt(core: Core, now_s: float, reading: Reading, requests: Sequence[Request]) -> Outcome:
        return change(original(core, now_s, reading, requests))

    monkeypatch.setattr(Core, "tick", spoilt)


def commands(monkeypatch: pytest.MonkeyPatch, **changed: Any) -> None:
    original = gate.command

    def spoilt(*args: Any, **kwargs: Any) -> Command:
        return original(*args, **kwargs)._replace(**changed)

    monkeypatch.setattr(gate, "command", spoilt)


def test_the_day_keeps_every_rule_and_has_all_of_it(day: Callable[..., World]) -> None:
    world = day()
    world.run()
    assert set(MUST_BE_TOLD) <= {kind for _, kind, _ in world.host_judge.events}


@pytest.mark.parametrize("kind", MUST_BE_TOLD)
def test_what_is_kept_from_the_book_is_found_out(
    monkeypatch: pytest.MonkeyPatch, day: Callable[..., World], kind: str
) -> None:
    outcomes(
        monkeypatch,
        lambda outcome: outcome._replace(events=tuple(event for event in outcome.events if event.kind != kind)),
    )
    with pytest.raises(RuleError):
        day().run()


@pytest.mark.parametrize(
    ("stop", "said"),
    [
        (StopOven, "the oven was stopped"),
        (StopAll, "was stopped|was switched off"),
        (TankOff, "the tank was switched off"),
    ],
)
def test_a_stop_that_does_nothing_is_found_out(
    monkeypatch: pytest.MonkeyPatch, day: Callable[..., World], stop: type[Wish], said: str
) -> None:
    original = Core.tick

    def deaf(core: Core, now_s: float, reading: Reading, requests: Sequence[Request]) -> Outcome:
        heard = [replace(one, wish=Presence()) if isinstance(one.wish, stop) else one for one in requests]
        return original(core, now_s, reading, heard)

    monkeypatch.setattr(Core, "tick", deaf)
    with pytest.raises(RuleError, match=said):
        day().run()


def test_a_contactor_that_is_always_wanted_is_found_out(
    monkeypatch: pytest.MonkeyPatch, day: Callable[..., World]
) -> None:
    commands(monkeypatch, contactor=True)
    with pytest.raises(RuleError, match="the contactor is wanted"):
        day().run()


def test_arming_that_is_kept_for_nothing_is_found_out(
    monkeypatch: pytest.MonkeyPatch, day: Callable[..., World]
) -> None:
    commands(monkeypatch, work=True)
    with pytest.raises(RuleError, match="arming is kept for work"):
        day().run()


@pytest.mark.parametrize(
    ("row", "fault", "said"),
    [
        ("door", "door_open", "with its door open"),
        ("level", "level_low", "with its oil low"),
        ("smoke", "smoke", "there is smoke"),
    ],
)
def test_a_row_that_is_not_looked_at_is_found_out(
    monkeypatch: pytest.MonkeyPatch, day: Callable[..., World], row: str, fault: str, said: str
) -> None:
    rows = (row, "level_heating", "board_trip")
    table = tuple(replace(one, limit=1e9) if one.name in rows else one for one in TABLE)
    monkeypatch.setattr(interlocks, "TABLE", table)
    with pytest.raises(RuleError, match=f"{said}|the board says that it has tripped"):
        day((*DAY[:3], Act(8.0, fault, True)), 30.0).run()


def test_a_trip_that_a_restart_forgets_is_found_out(monkeypatch: pytest.MonkeyPatch, day: Callable[..., World]) -> None:
    state = Core.state
    monkeypatch.setattr(Core, "state", lambda core: {**state(core), "latched": []})
    acts = (Act(1.0, "arm"), Act(5.0, "stop_pressed", True), Act(6.0, "stop_pressed", False), Act(9.0, "host_restart"))
    with pytest.raises(RuleError, match="the trip stop_circuit stands no longer"):
        day(acts, 110.0).run()


def test_a_run_that_is_not_paused_for_a_reboot_is_found_out(
    monkeypatch: pytest.MonkeyPatch, day: Callable[..., World]
) -> None:
    monkeypatch.setattr(OvenRun, "pause", lambda *args: None)
    with pytest.raises(RuleError, match="goes on after a reboot"):
        day().run()
