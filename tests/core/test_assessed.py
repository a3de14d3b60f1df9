"""Sequences that a safety assessor tried and that once went wrong."""

from __future__ import annotations

import json
from dataclasses import replace
from math import inf, nan
from typing import Any, Final

import pytest

from controller.core.resume import aged, run_to_state
from controller.model import LoadItem, Preheat, Program, Resume, Start, StopOven, Temper
from tests.core.rig import Rig, limits, program

FULL_KIT = 1951


def test_a_stirrer_that_stands_keeps_the_heat_off_for_good() -> None:
    rig = Rig()
    rig.arm()
    rig.tick(Preheat(50.0))
    rig.run(20.0)
    rig.shop.fault("agitator_stuck", True)
    rig.run(10.0)
    heat_j = rig.shop.tank.energy_in_j
    rig.run(300.0)
    assert rig.shop.tank.energy_in_j == heat_j
    assert rig.core.tank.phase == "withheld"
    rig.shop.fault("agitator_stuck", False)
    rig.run(5.0)
    assert rig.core.tank.phase == "preheat"


def test_a_count_of_resets_that_falls_is_no_hold_of_the_button() -> None:
    rig = Rig()
    rig.start()
    rig.run(60.0)
    rig.shop.fault("oven_sensor_open", True)
    rig.run(3.0)
    rig.shop.fault("oven_sensor_open", False)
    rig.run(40.0)
    frame = rig.core.sensing.frame
    assert frame is not None
    rig.core._resets = 3
    rig.core._buttons(frame._replace(resets=0))
    assert "oven_sensor_lost" in rig.core.interlocks.latched


def test_pressing_reset_again_and_again_does_not_clear_an_oven_that_still_rises() -> None:
    rig = Rig()
    rig.arm()
    rig.run(130.0)
    rig.shop.fault("contactor_welded", True)
    rig.shop.fault("oven_relay_welded", True)
    rig.run(300.0, lambda: "oven_rising_off" in rig.tripped())
    for _ in range(4):
        rig.shop.press("reset")
        rig.run(5.0)
        assert "oven_rising_off" in rig.core.interlocks.latched


def test_a_run_cut_off_at_a_question_asks_it_again() -> None:
    rig = Rig()
    rig.start(program(Temper(205.0, 600.0, prompt="Washed and dry?")))
    assert rig.phase() == "prompt"
    again = Rig(state=rig.core.state())
    again.arm()
    again.tick(Resume(1))
    assert again.phase() == "prompt"
    again.run(5.0)
    assert again.shop.oven.energy_in_j == 0.0


def test_a_run_that_goes_on_meets_todays_limits() -> None:
    rig = Rig()
    rig.start(program(Temper(260.0, 600.0)))
    rig.run(30.0)
    again = Rig(limits(cutout="thermostat"), fitted=FULL_KIT & ~2, state=rig.core.state())
    again.arm()
    again.tick(Resume(1))
    assert again.refusal() == ["too_hot"]
    assert again.phase() == "ready"


def stored() -> dict[str, Any]:
    """The state of a run that a restart cut off in its heat-up, as it comes from the book."""
    rig = Rig()
    rig.start()
    rig.run(30.0)
    return dict(json.loads(json.dumps(rig.core.state())))


STORED: Final = stored()
NUMBERS: Final = ("index", "forecast_s", "ran_s", "lost_s", "run_id", "away_s")


def changed(path: tuple[Any, ...], value: object) -> dict[str, Any]:
    """The stored state with one value another, or (`...`) missing."""
    state: dict[str, Any] = json.loads(json.dumps(STORED))
    inner: Any = state
    for key in path[:-1]:
        inner = inner[key]
    if value is ...:
        del inner[path[-1]]
    else:
        inner[path[-1]] = value
    return state


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("run",), []),
        (("run",), "run 1"),
        (("run",), {"run_id": 5, "program": {}}),
        (("run", "run_id"), ...),
        (("run", "index"), 3),
        (("run", "index"), -1),
        (("run", "program", "tempers"), []),
        (("run", "program", "name"), None),
        (("run", "program", "tempers", 0, "temperature_c"), "205"),
        (("run", "program", "tempers", 0, "soak_s"), nan),
        (("run", "program", "tempers", 0, "prompt"), 7),
        (("run", "load", 0, "section_mm"), 0.0),
        (("run", "done"), []),
        (("run", "done", 0), 1.0),
        (("run", "done", 0, "soak_done_s"), 1e9),
        (("run", "done", 0, "soak_done_s"), -1.0),
        (("run", "done", 0, "equivalent_s"), nan),
        (("run", "done", 0, "equivalent_s"), 1e300),
        (("run", "done", 0, "part_peak_c"), inf),
        (("run", "done", 0, "air_peak_c"), "hot"),
        *((("run", name), value) for name in NUMBERS for value in (nan, inf, None, [])),
    ],
)  # fmt: skip
def test_a_damaged_state_is_no_offer_and_is_told_in_words(path: tuple[Any, ...], value: object) -> None:
    rig = Rig(state=dict(aged(changed(path, value), 60.0) or {}))
    rig.arm()
    told = [event.text for event in rig.events if event.kind in ("run_lapsed", "run_resumable")]
    assert told == ["What was stored of the run that was cut off is damaged; start anew."]
    assert rig.core.oven.resumable_run_id is None
    assert rig.core.state()["run"] is None
    rig.tick(Resume(1))
    assert rig.refusal() == ["not_resumable"]
    rig.tick(Start(program(), rig.load))
    assert rig.phase() == "heat_up"


def test_the_same_state_without_damage_is_offered_and_goes_on() -> None:
    rig = Rig(state=dict(aged(STORED, 60.0) or {}))
    rig.arm()
    rig.tick(Resume(1))
    assert rig.refusal() == []
    assert rig.phase() == "heat_up"


def test_a_start_in_the_tick_of_the_reset_is_answered() -> None:
    rig = Rig()
    rig.arm()
    rig.shop.fault("stop_pressed", True)
    rig.run(2.0)
    rig.shop.fault("stop_pressed", False)
    rig.run(2.0)
    rig.shop.press("reset")
    for _ in range(40):
        rig.tick(Start(program(), rig.load))
    assert rig.phase() in ("waiting_for_arm", "ready")


def test_a_long_gap_in_which_the_oven_cools_pauses_and_does_not_trip() -> None:
    rig = Rig()
    rig.start(program(Temper(205.0, 3600.0)))
    rig.run(7200.0, lambda: rig.phase() == "soak")
    rig.cable = False
    rig.run(1800.0)
    rig.cable = True
    rig.run(60.0)
    assert rig.tripped() == []
    assert rig.core.oven.resumable_run_id == 1


def test_an_open_question_about_the_door_ends_with_the_run() -> None:
    rig = Rig(fitted=FULL_KIT & ~1024)
    rig.start()
    rig.run(400.0)
    rig.shop.fault("door_open", True)
    rig.run(200.0, lambda: rig.core.oven_watch.asking)
    assert rig.core.prompt() is not None
    rig.tick(StopOven())
    rig.run(200.0)
    assert rig.tripped() == []


def test_a_refused_request_is_no_presence() -> None:
    rig = Rig()
    rig.arm()
    rig.tick(Preheat(50.0))
    rig.run(1000.0)
    alone_s = rig.core.tank.alone_s
    rig.tick(Resume(99))
    rig.tick(StopOven())
    assert rig.core.tank.alone_s >= alone_s


def test_programs_and_loads_that_cannot_be_worked_with_end_nothing() -> None:
    rig = Rig(part_sensor=False)
    rig.arm()
    nan = float("nan")
    wrong = [
        (Program("empty", ()), "tempers"),
        (program(*[Temper(205.0, 60.0)] * 7), "tempers"),
        (program(Temper(205.0, 60.0, ramp_c_per_h=0.0)), "temper_invalid"),
        (program(Temper(205.0, 60.0, ramp_c_per_h=nan)), "temper_invalid"),
        (program(Temper(205.0, 60.0, band_c=nan)), "temper_invalid"),
        (program(Temper(205.0, 60.0, cool_below_c=nan)), "temper_invalid"),
    ]
    for one, code in wrong:
        rig.tick(Start(one, rig.load))
        assert code in rig.refusal()
    for item in (LoadItem(0.1, 0.0), LoadItem(0.0, 5.0), LoadItem(nan, 5.0), LoadItem(0.1, nan)):
        rig.tick(Start(program(), (item,)))
        assert rig.refusal() == ["load_invalid"]
    assert rig.phase() == "ready"


def test_a_clock_that_steps_back_makes_everything_unknown() -> None:
    rig = Rig()
    rig.start()
    rig.run(60.0)
    rig.cable = False
    rig.now_s -= 1000.0
    rig.tick()
    assert rig.outcome is not None
    assert rig.outcome.command.oven_duty == 0.0


def test_the_state_of_a_run_knows_its_phase() -> None:
    rig = Rig()
    rig.start()
    rig.run(60.0)
    run = rig.core.oven.run
    assert run is not None
    assert rig.core.state()["run"] == {**run_to_state(run, "heat_up")}
    assert replace(rig.load[0]) == run.load[0]
