"""The rules with a memory, second by second, on made-up readings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import exp, nan

import pytest

from controller.core.facts import NEVER, Facts
from controller.core.interlocks import WITHHOLD, Interlocks
from controller.core.watch import unheard
from controller.core.watch_oven import OvenWatch
from controller.core.watch_tank import TankWatch
from controller.model import FITTED_OVEN_LIMIT, FITTED_TANK_LIMIT, Event, Preheat, Start, Temper
from controller.sim.shop import FULL_KIT
from tests.core.rig import Rig, limits, program


def no_facts() -> Facts:
    """Facts of a zone that nothing is wrong with, without a reading yet."""
    facts = Facts()
    for name in Facts.__slots__:
        setattr(facts, name, NEVER)
    return facts


class Oven:
    """An oven's rules and what they are shown. `worst`: the highest each fact was."""

    def __init__(self, *, door_fitted: bool = False) -> None:
        self.watch, self.facts = OvenWatch(door_fitted), no_facts()
        self.worst: dict[str, float] = {}

    def second(
        self, reading_c: float, *, limit_c: float | None = None, asked: float = 0.0, target_c: float | None = None
    ) -> None:
        """`limit_c`: what the second sensor shows, where that differs."""
        facts = self.facts
        facts.oven_c = reading_c
        facts.oven_limit_c = reading_c if limit_c is None else limit_c
        self.watch.second(facts, asked, asked > 0.0, target_c, False, target_c is not None)
        for name in ("oven_rising_off_k", "oven_no_rise_k", "oven_fall_k", "oven_fall_asked"):
            self.worst[name] = max(self.worst.get(name, NEVER), getattr(facts, name))


class Tank:
    """An oil's rules and what they are shown. `worst`: the highest each fact was; `steps`: quenches that were seen."""

    def __init__(self, heater_w: float = 1000.0, heat_j_per_k: float = 18_300.0) -> None:
        self.watch, self.facts = TankWatch(heat_j_per_k, heater_w), no_facts()
        self.worst: dict[str, float] = {}
        self.steps: list[float] = []

    def second(self, reading_c: float, *, asked: float = 0.0) -> None:
        facts = self.facts
        facts.tank_c = facts.tank_limit_c = facts.tank_max_c = reading_c
        self.watch.second(facts, asked, asked > 0.0, 90.0)
        if self.watch.step_k is not None:
            self.steps.append(self.watch.step_k)
        for name in ("tank_rising_off_k", "tank_no_rise", "tank_fall_k", "oil_still_rising", "oil_step"):
            self.worst[name] = max(self.worst.get(name, NEVER), getattr(facts, name))


def test_an_oven_that_warmed_with_the_shop_while_the_board_was_off_is_no_stuck_relay() -> None:
    oven = Oven()
    for _ in range(300):
        oven.second(5.0)
    oven.watch.forget(4.0 * 3600.0)
    for _ in range(600):
        oven.second(16.0)
    assert oven.worst["oven_rising_off_k"] < 5.0


def test_a_relay_that_sticks_is_seen_after_a_gap_as_before_it() -> None:
    oven = Oven()
    for _ in range(300):
        oven.second(5.0)
    oven.watch.forget(60.0)
    for at_s in range(150):
        oven.second(16.0 + 0.3 * at_s)
    assert oven.worst["oven_rising_off_k"] >= 5.0


def stuck_relay(reads_c: Callable[[int, float], tuple[float, float]]) -> float | None:
    """How far a stuck relay heats an idle oven of 20 °C before it is told, K; `reads_c`: of second and true °C."""
    oven = Oven()
    for at_s in range(300):
        control_c, limit_c = reads_c(at_s, 20.0)
        oven.second(control_c, limit_c=limit_c)
    for at_s in range(600):
        true_c = 20.0 + 0.3 * at_s
        control_c, limit_c = reads_c(at_s, true_c)
        oven.second(control_c, limit_c=limit_c)
        if oven.facts.oven_rising_off_k >= 5.0:
            return true_c - 20.0
    return None


@pytest.mark.parametrize(
    "reads_c",
    [
        pytest.param(lambda at_s, c: (c, nan if at_s % 60 == 0 else c), id="the second sensor bad once a minute"),
        pytest.param(lambda at_s, c: (nan if at_s % 60 == 0 else c,) * 2, id="both bad once a minute"),
        pytest.param(lambda at_s, c: (c, nan), id="the second sensor lost"),
        pytest.param(lambda at_s, c: (nan, c), id="the first sensor lost"),
    ],
)
def test_a_bad_sample_or_a_lost_sensor_does_not_hide_a_stuck_relay(
    reads_c: Callable[[int, float], tuple[float, float]],
) -> None:
    risen_k = stuck_relay(reads_c)
    assert risen_k is not None
    # Of a cold oven 15 K are asked for.
    assert risen_k < 18.0


@pytest.mark.parametrize("rested_h", [0.1, 14.0, 72.0])
def test_a_relay_that_sticks_after_days_at_rest_is_seen_as_soon_as_after_minutes(rested_h: float) -> None:
    oven = Oven()
    for _ in range(round(rested_h * 3600.0)):
        oven.second(20.0)
    assert oven.worst["oven_rising_off_k"] <= 0.0
    for at_s in range(60):
        oven.second(20.0 + 0.3 * at_s)
        if oven.worst["oven_rising_off_k"] >= 5.0:
            break
    # Of a cold oven 15 K are asked for.
    assert at_s <= 51


def test_a_shop_that_warms_up_over_the_day_is_no_stuck_relay() -> None:
    oven = Oven()
    for at_s in range(4 * 3600):
        oven.second(10.0 + 8.0 / 3600.0 * at_s)
    assert oven.worst["oven_rising_off_k"] < 1.0


def test_a_bad_sample_while_the_door_is_open_is_no_reason_for_a_trip_when_it_is_shut() -> None:
    oven = Oven()
    for _ in range(100):
        oven.second(200.0)
    for at_s in range(300):
        oven.second(200.0 - 0.4 * at_s, limit_c=nan if at_s == 180 else None)
    for at_s in range(300):
        oven.second(min(120.0, 80.0 + 0.5 * at_s))
    assert oven.worst["oven_rising_off_k"] < 5.0


def test_a_sensor_that_comes_back_shows_its_offset_and_no_rise() -> None:
    oven = Oven()
    for _ in range(200):
        oven.second(150.0, limit_c=nan)
    for _ in range(200):
        oven.second(150.0, limit_c=165.0)
    assert oven.worst["oven_rising_off_k"] < 5.0


def test_a_reading_that_fell_during_a_gap_asks_no_question_about_the_door() -> None:
    oven = Oven()
    for _ in range(200):
        oven.second(200.0, asked=0.8, target_c=205.0)
    oven.watch.forget(90.0)
    for _ in range(200):
        oven.second(190.0, asked=0.8, target_c=205.0)
    assert oven.worst["oven_fall_asked"] < 0.5


def test_a_door_that_was_opened_before_a_gap_excuses_no_longer_than_without_one() -> None:
    oven = Oven(door_fitted=True)
    oven.facts.door_open = 1.0
    oven.second(200.0)
    oven.facts.door_open = 0.0
    oven.second(200.0)
    assert oven.watch.opened_lately()
    oven.watch.forget(300.0)
    assert not oven.watch.opened_lately()


def test_oil_that_warmed_with_the_shop_while_the_board_was_off_was_not_quenched_in() -> None:
    tank = Tank()
    for _ in range(900):
        tank.second(5.0)
    tank.watch.forget(4.0 * 3600.0)
    for _ in range(1300):
        tank.second(16.0)
    assert tank.steps == []
    assert tank.worst["tank_rising_off_k"] < 4.0
    assert tank.worst["oil_step"] < 0.5


def test_a_quench_from_before_a_gap_is_as_old_as_it_is() -> None:
    tank = Tank()
    tank.watch.declared(70.0)
    tank.second(50.0)
    assert tank.facts.quench_forecast_c == 70.0
    tank.watch.forget(300.0)
    tank.second(50.0)
    assert tank.facts.quench_forecast_c == 70.0
    tank.watch.forget(300.0)
    tank.second(50.0)
    assert tank.facts.quench_forecast_c == NEVER


@pytest.mark.parametrize(
    ("fact", "row", "bear_s"), [("tank_apart_k", "tank_apart", 120), ("oven_disagree_k", "oven_disagree", 300)]
)
def test_a_reading_from_before_a_silence_is_not_borne_to_a_trip(fact: str, row: str, bear_s: int) -> None:
    rules, facts = Interlocks(limits()), no_facts()
    events: list[Event] = []
    facts.fitted = FULL_KIT
    setattr(facts, fact, 30.0)
    for _ in range(3):
        rules.evaluate(facts, 1.0, 0.0, events)
    unheard(facts)
    for _ in range(2 * bear_s):
        verdict = rules.evaluate(facts, 1.0, 0.0, events)
    assert not rules.acting(row)
    assert (verdict.oven, verdict.tank) == (WITHHOLD, WITHHOLD)
    setattr(facts, fact, 30.0)
    for _ in range(bear_s):
        rules.evaluate(facts, 1.0, 0.0, events)
    assert rules.acting(row), "what was borne before it counts on"


def test_every_fact_of_the_watches_is_unknown_in_silence() -> None:
    facts, seen = no_facts(), Facts()
    OvenWatch().second(seen, 0.0, False, None, False, False)
    TankWatch(18_300.0, 1000.0).second(seen, 0.0, False, 90.0)
    written = {name for name in Facts.__slots__ if getattr(seen, name) == getattr(seen, name)} - {"armed", "fitted"}
    unheard(facts)
    assert len(written) >= 12
    assert {name for name in written if getattr(facts, name) == getattr(facts, name)} == set()


def fallen(seconds_open: int) -> Oven:
    """An oven without a door switch whose door was opened in its soak, until it is called an unexplained fall and its
    heat goes off; the door then stays open for so long."""
    oven = Oven()
    for _ in range(600):
        oven.second(200.0, asked=0.8, target_c=205.0)
    asked, at_s, off_s = 0.9, 0, 0
    while off_s < seconds_open:
        at_s += 1
        oven.second(max(45.0, 200.0 - 2.0 * at_s), asked=asked, target_c=205.0 if asked else None)
        if oven.facts.oven_fall_unanswered >= 0.5:
            asked = 0.0
        off_s += asked == 0.0
    return oven


@pytest.mark.parametrize("reset_s", [None, 5, 400])
def test_an_oven_that_tripped_with_its_door_open_may_be_reset_and_its_door_shut(reset_s: int | None) -> None:
    oven = fallen(reset_s or 5)
    if reset_s is not None:
        oven.watch.reset()
    for _ in range(150):
        oven.second(45.0)
    for at_s in range(600):
        oven.second(min(100.0, 45.0 + at_s))
    assert oven.worst["oven_rising_off_k"] < 5.0


@pytest.mark.parametrize(
    "reset_s", [pytest.param(700, id="long after the fall"), pytest.param(None, id="after another trip")]
)
def test_after_other_resets_a_stuck_relay_is_told_from_where_the_oven_is(reset_s: int | None) -> None:
    if reset_s is not None:
        oven = fallen(reset_s)
    else:
        oven = Oven()
        for _ in range(300):
            oven.second(300.0, asked=0.9, target_c=205.0)
        for at_s in range(100):
            oven.second(300.0 - 2.35 * at_s)
    oven.watch.reset()
    for _ in range(100):
        oven.second(65.0)
    for at_s in range(60):
        oven.second(65.0 + 0.3 * at_s)
        if oven.worst["oven_rising_off_k"] >= 5.0:
            break
    assert at_s <= 20


def test_a_stuck_relay_after_such_a_reset_is_told_at_what_the_oven_had_before_its_door_was_opened() -> None:
    oven = fallen(5)
    oven.watch.reset()
    for at_s in range(1000):
        oven.second(45.0 + 0.3 * at_s)
        if oven.worst["oven_rising_off_k"] >= 5.0:
            break
    assert oven.facts.oven_c == pytest.approx(205.0, abs=1.0)


# --- Heat that shows nothing ---------------------------------------------------------------------------------


@pytest.mark.parametrize("k_per_s", [0.0, 0.06, 0.1, 0.15])
def test_a_reading_that_slides_under_full_heat_behind_a_shut_door_is_no_rise(k_per_s: float) -> None:
    """With a switch that says that the door is shut, an opened door is no excuse."""
    oven = Oven(door_fitted=True)
    oven.facts.door_open = 0.0
    for at_s in range(140):
        oven.second(150.0 - k_per_s * at_s, asked=1.0, target_c=205.0)
    assert oven.worst["oven_no_rise_k"] >= 0.0


def test_a_door_that_its_switch_saw_open_excuses_a_fall_for_two_minutes() -> None:
    oven = Oven(door_fitted=True)
    for at_s in range(250):
        oven.facts.door_open = float(at_s == 100)
        oven.second(150.0 - (0.2 * max(0, at_s - 100)), asked=1.0, target_c=205.0)
        if 130 < at_s <= 220:
            assert oven.facts.oven_no_rise_k < 0.0
    assert oven.worst["oven_no_rise_k"] >= 0.0


@pytest.mark.parametrize(("duty", "told_s"), [(0.95, 120), (0.84, 300), (0.5, 300), (0.3, None)])
def test_an_oven_on_a_shared_circuit_is_judged_by_what_it_gets(duty: float, told_s: int | None) -> None:
    oven = Oven()
    oven.facts.duty_sum = 1.0
    found = None
    for at_s in range(400):
        oven.second(20.0, asked=duty, target_c=205.0)
        if found is None and oven.facts.oven_no_rise_k >= 0.0:
            found = at_s
    assert found == told_s


def test_a_hot_oven_that_half_a_circuit_only_holds_is_no_dead_element() -> None:
    """Shared circuit, drawn oven 118: half its power holds it at 200 °C."""
    oven = Oven()
    oven.facts.duty_sum = 1.0
    for _ in range(900):
        oven.second(200.0, asked=0.5, target_c=242.0)
    assert oven.worst["oven_no_rise_k"] < 0.0


def test_an_oven_that_could_have_more_is_not_judged_by_a_part() -> None:
    oven = Oven()
    oven.facts.duty_sum = 0.0
    for _ in range(400):
        oven.second(20.0, asked=0.84, target_c=205.0)
    assert oven.worst["oven_no_rise_k"] < 0.0


@pytest.mark.parametrize(("duty", "told_s"), [(1.0, 300), (0.7, 600), (0.35, 600), (0.2, None)])
def test_oil_that_does_not_answer_is_told_also_when_it_is_warmed_gently(duty: float, told_s: int | None) -> None:
    tank = Tank()
    found = None
    for at_s in range(800):
        tank.second(30.0, asked=duty)
        if found is None and tank.facts.tank_no_rise >= 0.0:
            found = at_s
    assert found == told_s


def test_a_flicker_of_the_heat_does_not_hide_that_the_oil_does_not_answer() -> None:
    tank = Tank()
    for at_s in range(700):
        tank.second(30.0, asked=0.0 if at_s % 100 == 0 else 1.0)
    assert tank.worst["tank_no_rise"] >= 0.0


@pytest.mark.parametrize(("oil_c", "duty"), [(60.0, 0.32), (80.0, 0.3)])
def test_oil_that_a_weak_heater_only_holds_is_no_dead_heater(oil_c: float, duty: float) -> None:
    """300 W in 10 L: at 60 °C it loses about a third of them."""
    tank = Tank(heater_w=300.0)
    for _ in range(1300):
        tank.second(oil_c, asked=duty)
    assert tank.worst["tank_no_rise"] < 0.0


ONE_TANK_SENSOR = FULL_KIT & ~FITTED_TANK_LIMIT


def test_a_sensor_above_the_oil_is_told_in_a_gentle_preheat() -> None:
    rig = Rig(limits(), fitted=ONE_TANK_SENSOR, load=())
    rig.arm()
    rig.shop.fault("tank_probe_out")
    rig.tick(Preheat(60.0, gentle=True))
    rig.run(900.0, lambda: bool(rig.tripped()))
    assert rig.tripped() == ["tank_no_rise"]
    assert rig.shop.tank.upper_c < 40.0


def test_a_sensor_above_the_oil_is_told_while_the_oven_has_its_part_of_the_circuit() -> None:
    rig = Rig(limits(shared=True), fitted=ONE_TANK_SENSOR, oven_c=150.0)
    rig.shop.fault("tank_probe_out")
    rig.arm()
    rig.tick(Start(program(Temper(230.0, 4 * 3600.0)), rig.load))
    rig.run(900.0, lambda: rig.phase() == "soak")
    rig.tick(Preheat(60.0))
    rig.run(900.0, lambda: bool(rig.tripped()))
    assert rig.tripped() == ["tank_no_rise"]
    assert rig.shop.tank.upper_c < 50.0


@pytest.mark.parametrize("fault", ["oven_probe_out", "oven_timer_out"])
def test_an_oven_that_does_not_answer_is_told_while_the_oil_has_its_part_of_the_circuit(fault: str) -> None:
    rig = Rig(
        limits(shared=True, cutout="manual reset thermostat"), fitted=FULL_KIT & ~FITTED_OVEN_LIMIT, part_sensor=False
    )
    rig.shop.fault(fault)
    rig.arm()
    rig.tick(Preheat(60.0))
    rig.tick(Start(program(Temper(200.0, 3600.0)), rig.load))
    rig.run(400.0, lambda: bool(rig.tripped()))
    assert rig.tripped() == ["oven_no_rise"]
    assert rig.shop.oven.air_c < 200.0


# --- A relay of the tank that is stuck closed ----------------------------------------------------------------


@pytest.mark.parametrize("heater_w", [1000.0, 1500.0])
def test_a_stuck_relay_of_the_tank_is_told_below_the_limit_while_the_oven_keeps_the_contactor_closed(
    heater_w: float,
) -> None:
    rig = Rig(limits(heater_w=heater_w), tank_c=52.0, oven_c=150.0)
    tank = rig.shop.tank
    tank.parameters = replace(tank.parameters, heater_w=heater_w, heater_cm2=heater_w / 3.0)
    rig.arm()
    rig.tick(Preheat(60.0))
    rig.tick(Start(program(Temper(205.0, 3 * 3600.0)), rig.load))
    rig.run(120.0)
    rig.shop.fault("tank_relay_welded")
    rig.run(1800.0, lambda: bool(rig.tripped()))
    assert rig.tripped()[0] == "tank_rising_off"
    assert rig.shop.tank.upper_c < 83.0
    limit_c = rig.core.limits.tank_limit_c
    assert limit_c is not None
    assert limit_c >= 90.0


@pytest.mark.parametrize("bad_every", [10_000, 60])
def test_oil_that_rises_evenly_close_to_its_limit_with_its_heater_off(bad_every: int) -> None:
    """At 3.3 K a minute, from 62 °C: told once it has been off for five minutes and is within 15 K of the limit."""
    tank = Tank()
    told_c = None
    for at_s in range(600):
        oil_c = 62.0 + 0.055 * at_s
        tank.second(nan if at_s % bad_every == bad_every - 1 else oil_c)
        if told_c is None and tank.facts.tank_rising_off_k >= 4.0:
            told_c = oil_c
    assert told_c is not None
    assert told_c < 80.0


@pytest.mark.parametrize("lag_s", [12.0, 15.0, 20.0])
@pytest.mark.parametrize("apart_s", [75, 100, 130])
def test_slow_quenches_close_to_the_limit_are_no_stuck_relay(lag_s: float, apart_s: int) -> None:
    """Four pieces, one after the other, none a step, close above what a bath is warmed to, its heater off for less time
    than the rule of ten minutes asks for."""
    tank = Tank()
    for at_s in range(780):
        times = [max(0.0, at_s - 310.0 - apart_s * number) / lag_s for number in range(4)]
        tank.second(72.0 + sum(3.0 * (1.0 - (1.0 + x) * exp(-x)) for x in times))
    assert tank.worst["oil_step"] < 0.5
    assert tank.worst["tank_rising_off_k"] < 4.0
