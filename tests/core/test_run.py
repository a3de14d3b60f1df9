"""Whole runs in simulated time: what the smith does, what the oven does, and the wrong thing first."""

from __future__ import annotations

from math import nan

import pytest

from controller.core.program import TRANSITIONS
from controller.core.resume import aged
from controller.model import (
    Confirm,
    LoadItem,
    Preheat,
    Presence,
    Program,
    Quench,
    Resume,
    Start,
    StopAll,
    StopOven,
    Temper,
)
from tests.core.rig import Rig, limits, program


def test_a_temper_from_start_to_end_soaks_on_the_steel() -> None:
    rig = Rig()
    rig.start(program(Temper(205.0, 1200.0)))
    rig.run(7200.0, lambda: rig.phase() == "soak")
    assert abs(rig.shop.oven.core_c - 205.0) < 8.0, "the soak begins on the steel, not on the air"
    rig.run(7200.0, lambda: rig.phase() == "ended")
    assert rig.tripped() == []
    ended = next(event for event in rig.events if event.kind == "run_ended")
    done = ended.data["tempers"][0]
    assert ended.data["outcome"] == "ended"
    assert done["in_band_s"] == pytest.approx(1200.0, abs=1.0)
    assert abs(done["equivalent_c"] - 205.0) < 3.0
    assert done["part_peak_c"] < 212.0
    command = rig.tick().command
    assert (command.oven_duty, command.contactor, command.work) == (0.0, False, False)


def test_heat_waits_for_the_hand_at_the_machine_and_not_for_longer_than_five_minutes() -> None:
    rig = Rig()
    rig.run(3.0)
    rig.tick(Start(program(), rig.load))
    assert rig.phase() == "waiting_for_arm"
    rig.run(290.0)
    assert rig.shop.oven.energy_in_j == 0.0
    assert rig.phase() == "waiting_for_arm"
    rig.run(15.0)
    assert rig.phase() == "ready"
    assert "arm_wait_over" in rig.kinds()
    rig.shop.press("arm")
    rig.run(120.0)
    assert rig.shop.oven.energy_in_j == 0.0, "an old wish is not carried out by a later press"


def test_the_arm_button_alone_starts_nothing() -> None:
    rig = Rig()
    rig.arm()
    rig.run(60.0)
    assert rig.shop.oven.energy_in_j == 0.0


def test_stop_ends_the_run_and_the_heat_in_one_tick() -> None:
    rig = Rig()
    rig.start()
    rig.run(120.0)
    assert rig.outcome is not None
    assert rig.outcome.command.oven_duty > 0.0
    assert rig.tick(StopAll()).command.oven_duty == 0.0
    assert rig.phase() == "ready"
    rig.run(1.0)
    assert not rig.shop.board.oven_on


def test_a_second_start_is_refused_and_says_why() -> None:
    rig = Rig()
    rig.start()
    rig.tick(Start(program(), rig.load))
    assert rig.refusal() == ["run_on"]


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        (program(Temper(400.0, 600.0)), "too_hot"),
        (program(Temper(2000.0, 600.0)), "too_hot"),
        (program(Temper(nan, 600.0)), "temper_invalid"),
        (program(Temper(205.0, nan)), "temper_invalid"),
        (program(Temper(205.0, -1.0)), "temper_invalid"),
        (program(Temper(205.0, 40.0 * 86400.0)), "too_long"),
        (program(*[Temper(205.0, 36000.0)] * 2), "too_long"),
    ],
)
def test_programs_that_cannot_be_are_refused_with_a_reason(wrong: Program, code: str) -> None:
    rig = Rig()
    rig.arm()
    rig.tick(Start(wrong, rig.load))
    assert code in rig.refusal()
    assert rig.phase() == "ready"


def test_every_reason_is_given_at_once() -> None:
    rig = Rig()
    rig.arm()
    rig.shop.fault("door_open", True)
    rig.shop.fault("stop_pressed", True)
    rig.run(2.0)
    rig.tick(Start(program(Temper(400.0, 600.0)), rig.load))
    assert {"too_hot", "door", "stop_circuit"} <= set(rig.refusal())


def test_one_sensor_only_needs_a_cut_out_and_stays_below_230() -> None:
    single = 1951 & ~2
    rig = Rig(fitted=single)
    rig.run(3.0)
    rig.tick(Start(program(), rig.load))
    assert "oven_one_sensor" in rig.refusal()
    rig = Rig(limits(cutout="manual-reset thermostat, 280 °C"), fitted=single)
    rig.arm()
    rig.tick(Start(program(Temper(240.0, 600.0)), rig.load))
    assert rig.refusal() == ["too_hot"]
    rig.tick(Start(program(Temper(230.0, 600.0)), rig.load))
    assert rig.phase() == "heat_up"


def test_an_oven_hotter_than_asked_must_cool_first() -> None:
    rig = Rig(oven_c=180.0)
    rig.arm()
    rig.tick(Start(program(Temper(150.0, 600.0)), rig.load))
    assert rig.refusal() == ["oven_hot"]


def test_a_double_temper_cools_between_and_asks_for_the_hand() -> None:
    rig = Rig()
    rig.start(program(Temper(200.0, 300.0, cool_below_c=80.0), Temper(180.0, 300.0, prompt="Turn the piece over.")))
    rig.run(4 * 3600.0, lambda: rig.phase() == "prompt")
    assert rig.shop.oven.core_c < 82.0
    assert rig.outcome is not None
    assert rig.outcome.command.oven_duty == 0.0
    prompt = rig.outcome.snapshot.prompt
    assert prompt is not None
    assert prompt.text == "Turn the piece over."
    rig.tick(Confirm("not this one"))
    assert rig.refusal() == ["no_such_prompt"]
    rig.tick(Confirm(prompt.id))
    assert rig.phase() == "heat_up"
    rig.run(4 * 3600.0, lambda: rig.phase() == "ended")
    assert rig.tripped() == []
    assert len(next(e for e in rig.events if e.kind == "run_ended").data["tempers"]) == 2


def test_a_no_to_the_programs_question_heats_nothing_and_is_asked_on() -> None:
    rig = Rig()
    rig.start(program(Temper(205.0, 1200.0, prompt="Is the steel dry?")))
    prompt = rig.core.prompt()
    assert prompt is not None
    rig.tick(Confirm(prompt.id, False))
    taken = rig.events[-1]
    assert (taken.kind, taken.data["phase"]) == ("request_accepted", "prompt")
    assert "is not done" in taken.text
    rig.run(30.0)
    assert rig.phase() == "prompt"
    assert rig.core.prompt() == prompt
    assert rig.shop.oven.energy_in_j == 0.0
    rig.tick(Confirm(prompt.id))
    assert rig.phase() == "heat_up"


def test_a_ramp_is_kept() -> None:
    rig = Rig()
    rig.start(program(Temper(120.0, 60.0, ramp_c_per_h=100.0)))
    rig.run(1800.0)
    assert 20.0 + 50.0 - 12.0 < rig.shop.oven.core_c < 20.0 + 50.0 + 12.0


def test_without_a_part_sensor_the_estimate_leads_and_shows_its_error() -> None:
    rig = Rig(part_sensor=False)
    rig.start(program(Temper(205.0, 600.0)))
    rig.run(3 * 3600.0, lambda: rig.phase() == "ended")
    assert rig.phase() == "ended"
    assert rig.outcome is not None
    oven = rig.outcome.snapshot.oven
    assert not oven.part_measured
    assert oven.part_error_c is not None
    assert oven.part_error_c >= 10.0
    assert abs(rig.shop.oven.core_c - 205.0) < 20.0


def in_soak_with_a_ramp() -> Rig:
    """A minute into the soak of a temper whose steel is to rise by 300 K an hour at the most."""
    rig = Rig()
    rig.start(program(Temper(120.0, 3600.0, ramp_c_per_h=300.0)))
    rig.run(2 * 3600.0, lambda: rig.phase() == "soak")
    rig.run(60.0)
    return rig


def cold_steel_keeps_its_ramp(rig: Rig) -> None:
    """From here on it heats up again, as slowly as it is to, and soaks for the rest of its time."""
    cold_c, n = rig.shop.oven.core_c, len(rig.events)
    assert cold_c < 90.0
    rig.run(2.0)
    assert rig.phase() == "heat_up"
    rig.run(300.0)
    assert cold_c + 3.0 < rig.shop.oven.core_c < cold_c + 25.0 + 12.0
    rig.run(7200.0, lambda: rig.phase() == "ended")
    told = [one.kind for one in rig.events[n:] if one.kind in ("soak_begun", "run_ended")]
    assert told == ["soak_begun", "run_ended"]
    assert next(e for e in rig.events if e.kind == "run_ended").data["tempers"][0]["in_band_s"] >= 3600.0


def test_a_soak_that_was_paused_and_has_gone_cold_heats_up_again_with_its_ramp() -> None:
    rig = in_soak_with_a_ramp()
    rig.shop.fault("board_reboot")
    rig.run(2400.0)
    rig.shop.press("arm")
    rig.run(1.5)
    rig.tick(Resume(1))
    assert rig.refusal() == []
    cold_steel_keeps_its_ramp(rig)


def test_a_soak_whose_door_stood_open_till_it_was_cold_heats_up_again_with_its_ramp() -> None:
    rig = in_soak_with_a_ramp()
    rig.shop.fault("door_open")
    rig.run(600.0)
    rig.shop.fault("door_open", False)
    cold_steel_keeps_its_ramp(rig)


def test_an_open_door_withholds_heat_and_shutting_it_goes_on() -> None:
    rig = Rig()
    rig.start()
    rig.run(300.0)
    rig.shop.fault("door_open", True)
    rig.run(1.0)
    assert rig.phase() == "withheld"
    assert rig.outcome is not None
    assert rig.outcome.command.oven_duty == 0.0
    rig.run(20.0)
    rig.shop.fault("door_open", False)
    rig.run(1.0)
    assert rig.phase() == "heat_up"
    rig.run(2 * 3600.0, lambda: rig.phase() == "ended")
    assert rig.tripped() == []


def test_a_pulled_cable_takes_the_heat_off_and_a_short_gap_goes_on_by_itself() -> None:
    rig = Rig()
    rig.start()
    rig.run(120.0)
    rig.cable = False
    rig.run(2.5)
    assert rig.phase() == "withheld"
    assert not rig.shop.board.oven_on
    assert rig.outcome is not None
    assert not rig.outcome.snapshot.board.connected
    assert rig.outcome.snapshot.oven.temperature_c is None
    rig.run(10.0)
    rig.cable = True
    rig.run(5.0)
    assert rig.phase() == "heat_up"


def test_a_long_gap_needs_the_arm_button_and_resume() -> None:
    rig = Rig()
    rig.start()
    rig.run(300.0)
    rig.cable = False
    rig.run(75.0)
    rig.cable = True
    rig.run(5.0)
    assert rig.phase() == "withheld"
    run_id = rig.core.oven.resumable_run_id
    assert run_id is not None
    heat_j = rig.shop.oven.energy_in_j
    rig.shop.press("arm")
    rig.run(30.0)
    assert rig.shop.oven.energy_in_j == heat_j, "arming alone does not go on"
    rig.tick(Resume(run_id))
    rig.run(5.0)
    assert rig.phase() == "heat_up"
    assert rig.shop.oven.energy_in_j > heat_j


def test_a_run_cut_off_by_a_restart_goes_on_with_the_temper_it_has_had() -> None:
    rig = Rig()
    rig.start(program(Temper(205.0, 1200.0)))
    rig.run(7200.0, lambda: rig.phase() == "soak")
    rig.run(600.0)
    state = rig.core.state()
    again = Rig(state=state, oven_c=100.0)
    again.run(3.0)
    assert again.phase() == "ready"
    assert again.core.oven.resumable_run_id == 1
    again.tick(Resume(2))
    assert again.refusal() == ["not_resumable"]
    again.shop.press("arm")
    again.run(2.0)
    again.tick(Resume(1))
    again.run(7200.0, lambda: again.phase() == "ended")
    done = next(e for e in again.events if e.kind == "run_ended").data["tempers"][0]
    assert done["in_band_s"] == pytest.approx(1200.0, abs=1.0)
    assert again.core.state()["next_run_id"] == 2


def test_a_trip_ends_the_run_is_stored_and_only_the_reset_button_clears_it() -> None:
    rig = Rig()
    rig.start()
    rig.run(200.0)
    rig.shop.fault("oven_sensor_open", True)
    rig.run(3.0)
    assert rig.phase() == "tripped"
    assert not rig.shop.board.oven_on
    state = rig.core.state()
    assert "oven_sensor_lost" in state["latched"]
    rig.tick(Start(program(), rig.load))
    assert "oven_sensor_lost" in rig.refusal()
    rig.shop.press("reset")
    rig.run(4.0)
    assert rig.phase() == "tripped", "the cause still stands"
    assert "reset_refused" in rig.kinds()
    rig.shop.fault("oven_sensor_open", False)
    rig.run(40.0)
    assert rig.phase() == "tripped", "nothing clears by itself"
    rig.shop.press("reset")
    rig.run(5.0)
    assert rig.phase() == "ready"
    assert rig.shop.board.trips == 0


def test_after_a_trip_a_start_is_refused_for_the_trip_and_not_for_the_run_that_it_ended() -> None:
    rig = Rig()
    rig.start()
    rig.run(10.0)
    rig.shop.fault("smoke")
    rig.run(2.0)
    rig.tick(Start(program(), rig.load))
    assert sorted(rig.refusal()) == ["board_trip", "smoke"]


def test_a_welded_relay_in_soak_trips() -> None:
    rig = Rig()
    rig.start(program(Temper(205.0, 3600.0)))
    rig.run(7200.0, lambda: rig.phase() == "soak")
    rig.run(300.0)
    rig.shop.fault("oven_relay_welded", True)
    rig.run(900.0, lambda: rig.phase() == "tripped")
    assert rig.phase() == "tripped"
    assert rig.shop.oven.air_c < 300.0


def test_open_elements_trip_in_heat_up() -> None:
    rig = Rig()
    rig.shop.fault("oven_element_open", True)
    rig.start()
    rig.run(400.0)
    assert rig.tripped()[:1] == ["oven_no_rise"]


def test_the_oil_is_warmed_held_and_called_ready_and_wants_presence() -> None:
    rig = Rig(limits(shared=True))
    rig.arm()
    rig.tick(Preheat(52.0))
    rig.run(3600.0, lambda: rig.core.tank.phase == "in_band")
    assert abs(rig.shop.tank.upper_c - 52.0) < 5.0
    rig.tick(Presence())
    rig.run(1790.0)
    assert "presence_wanted" in rig.kinds()
    assert rig.core.tank.phase == "in_band"
    rig.run(20.0)
    assert rig.core.tank.phase == "withheld"
    rig.tick(Presence())
    rig.run(2.0)
    assert rig.core.tank.phase == "in_band"
    rig.run(1.0)
    assert rig.tripped() == []


@pytest.mark.parametrize("wrong", [95.0, 150.0, 61.0, nan, -5.0, 1e9])
def test_a_bath_above_the_ceiling_is_refused_with_the_nearest_allowed(wrong: float) -> None:
    rig = Rig()
    rig.arm()
    rig.tick(Preheat(wrong))
    assert rig.refusal()[0] in ("target_high", "target_low")
    text = next(e.text for e in reversed(rig.events) if e.kind == "request_refused")
    assert "60 °C" in text


def test_a_quench_is_seen_and_does_not_trip() -> None:
    rig = Rig()
    rig.arm()
    rig.tick(Preheat(50.0))
    rig.run(3600.0, lambda: rig.core.tank.phase == "in_band")
    rig.shop.tank.quench(0.5, 845.0, 20.0)
    rig.run(300.0)
    assert "quench_seen" in rig.kinds()
    assert rig.tripped() == []


@pytest.mark.parametrize(("before_s", "asked"), [(5.0, False), (45.0, False), (240.0, True)])
def test_a_step_is_asked_about_unless_its_quench_was_declared_just_before(before_s: float, asked: bool) -> None:
    rig = Rig()
    rig.arm()
    rig.tick(Preheat(50.0))
    rig.run(3600.0, lambda: rig.core.tank.phase == "in_band")
    rig.tick(Quench(mass_kg=0.5))
    rig.run(before_s)
    rig.shop.tank.quench(0.5, 845.0, 20.0)
    rig.run(180.0)
    told = [event.data["interlock"] for event in rig.events if event.kind == "interlock_alert"]
    assert ("oil_step" in told) is asked
    assert rig.tripped() == []


def test_a_declared_quench_says_how_warm_the_oil_will_be() -> None:
    rig = Rig()
    rig.run(3.0)
    rig.tick(Quench(mass_kg=0.5))
    event = next(e for e in rig.events if e.kind == "quench_declared")
    # Trade's rule: one US gallon a pound (8.35 l/kg) warms the oil by about 38 K (published); 20 l/kg by 16 K.
    assert event.data["after_c"] - 20.0 == pytest.approx(38.0 * 8.345 / 20.0, rel=0.12)
    rig.tick(Quench(mass_kg=-1.0))
    assert rig.refusal() == ["mass"]
    rig.tick(Quench(mass_kg=nan))
    assert rig.refusal() == ["mass"]


def test_stop_and_off_are_fine_with_nothing_to_do() -> None:
    rig = Rig()
    rig.run(3.0)
    rig.tick(StopAll(), StopOven())
    assert rig.kinds().count("request_accepted") == 2


def test_without_a_board_nothing_heats_and_nothing_is_guessed() -> None:
    rig = Rig()
    rig.cable = False
    rig.run(5.0)
    rig.tick(Start(program(), (LoadItem(1.0, 20.0),)))
    assert "board_silent" in rig.refusal()
    assert rig.outcome is not None
    assert rig.outcome.snapshot.oven.temperature_c is None
    assert rig.outcome.snapshot.tank.temperature_c is None


def test_the_table_of_phases_lets_stop_and_trip_end_every_phase_with_heat() -> None:
    for phase in ("heat_up", "soak", "cool", "prompt", "withheld", "waiting_for_arm"):
        assert TRANSITIONS[(phase, "stop")] == "ready"  # type: ignore[index]
        assert TRANSITIONS[(phase, "trip")] == "tripped"  # type: ignore[index]
    assert ("tripped", "start") not in TRANSITIONS


def test_a_start_right_after_the_board_was_found_is_not_refused_for_want_of_a_second() -> None:
    rig = Rig()
    rig.cable = False
    rig.run(2.0)
    rig.cable = True
    rig.run(20.0, lambda: rig.outcome is not None and rig.outcome.snapshot.board.connected)
    rig.tick()
    rig.tick(Start(program(), rig.load))
    assert rig.refusal() == []
    assert rig.phase() == "waiting_for_arm"


def test_what_is_not_known_is_called_so() -> None:
    rig = Rig()
    rig.cable = False
    rig.run(2.0)
    row = next(one for one in rig.core.interlocks.rows() if one.name == "oven_rising_off")
    assert row.text.startswith("Not known now")
    assert "stuck closed" not in row.text + row.advice


def test_a_silent_board_is_one_reason_and_not_one_for_every_row() -> None:
    rig = Rig()
    rig.cable = False
    rig.run(2.0)
    rig.tick(Start(program(), rig.load))
    assert rig.refusal() == ["board_silent"]


def test_a_door_opened_to_cool_or_to_turn_the_piece_holds_nothing_up() -> None:
    rig = Rig()
    rig.start(program(Temper(150.0, 60.0, cool_below_c=80.0), Temper(150.0, 60.0, prompt="Turn it.")))
    rig.run(2 * 3600.0, lambda: rig.phase() == "cool")
    rig.shop.fault("door_open", True)
    rig.run(3600.0, lambda: rig.phase() == "prompt")
    assert rig.phase() == "prompt"
    prompt = rig.core.prompt()
    assert prompt is not None
    rig.tick(Confirm(prompt.id))
    rig.run(1.0)
    assert rig.phase() == "withheld", "heat waits for the door"
    assert rig.outcome is not None
    assert rig.outcome.command.oven_duty == 0.0
    rig.shop.fault("door_open", False)
    rig.run(2.0)
    assert rig.phase() == "heat_up"


def cut_off(gap_s: float | None) -> Rig:
    """A shop started anew so long after a run was cut off in its soak."""
    rig = Rig()
    rig.start(program(Temper(205.0, 1200.0)))
    rig.run(60.0)
    return Rig(state=dict(aged(rig.core.state(), gap_s) or {}))


@pytest.mark.parametrize(("gap_s", "offered"), [(None, True), (-5.0, True), (86_000.0, True), (86_401.0, False)])
def test_a_run_cut_off_is_offered_for_a_day(gap_s: float | None, offered: bool) -> None:
    rig = cut_off(gap_s)
    rig.run(3.0)
    assert rig.core.oven.resumable_run_id == (1 if offered else None)
    assert ("run_resumable" in rig.kinds(), "run_lapsed" in rig.kinds()) == (offered, not offered)
    assert (rig.core.state()["run"] is not None) == offered


def test_the_day_goes_on_while_the_service_stands_idle_and_through_another_restart() -> None:
    rig = cut_off(86_300.0)
    rig.run(50.0)
    again = Rig(state=dict(aged(rig.core.state(), 30.0) or {}))
    again.run(10.0)
    assert again.core.oven.resumable_run_id == 1
    again.run(30.0)
    assert again.core.oven.resumable_run_id is None
    again.tick(Resume(1))
    assert again.refusal() == ["not_resumable"]


def test_an_oven_too_hot_for_a_start_is_a_row_until_it_has_cooled() -> None:
    rig = Rig(oven_c=180.0)
    rig.arm()
    rig.tick(Start(program(Temper(150.0, 600.0)), rig.load))
    rig.tick()
    row = next(one for one in rig.core.interlocks.rows() if one.name == "oven_hot")
    assert row.state == "alert"
    assert "was refused" in row.text
    rig.run(3600.0, lambda: rig.core.facts.oven_c < 164.5)
    row = next(one for one in rig.core.interlocks.rows() if one.name == "oven_hot")
    assert row.state == "good"
    rig.tick(Start(program(Temper(150.0, 600.0)), rig.load))
    assert rig.phase() in ("heat_up", "waiting_for_arm")


def test_a_lost_part_sensor_asks_only_where_the_steel_is_not_known() -> None:
    rig = Rig(load=())
    rig.start()
    rig.run(120.0)
    rig.shop.fault("part_sensor_open", True)
    rig.run(4.0)
    assert rig.phase() == "withheld"
    assert rig.outcome is not None
    assert rig.outcome.command.oven_duty == 0.0
    prompt = rig.outcome.snapshot.prompt
    assert prompt is not None
    rig.tick(Confirm(prompt.id, False))
    rig.run(5.0)
    assert rig.phase() == "withheld", "a no is no leave to go on"
    rig.tick(Confirm(prompt.id))
    rig.run(3.0)
    assert rig.phase() == "heat_up"
    assert rig.outcome.snapshot.prompt is None
    assert not rig.outcome.snapshot.oven.part_measured
    assert rig.core.oven.part_error_c is not None
    assert rig.core.oven.part_error_c >= 16.0, "air alone left the steel of 200 ovens 15.6 K off (95 %)"


def test_a_part_sensor_that_comes_back_ends_the_question_by_itself() -> None:
    rig = Rig(load=())
    rig.start()
    rig.run(60.0)
    rig.shop.fault("part_sensor_open", True)
    rig.run(4.0)
    assert rig.phase() == "withheld"
    rig.shop.fault("part_sensor_open", False)
    rig.run(6.0)
    assert rig.phase() == "heat_up"
    rig.shop.fault("part_sensor_open", True)
    rig.run(4.0)
    assert rig.phase() == "withheld", "asked again: nobody said to go on"
    rig.tick(Start(program(), (LoadItem(0.3, 12.0),)))
    assert rig.refusal() == ["run_on"]


def test_with_a_known_load_a_lost_part_sensor_is_an_alert_and_the_run_goes_on() -> None:
    rig = Rig()
    rig.start()
    rig.run(60.0)
    rig.shop.fault("part_sensor_open", True)
    rig.run(30.0)
    assert rig.phase() == "heat_up"
    row = next(one for one in rig.core.interlocks.rows() if one.name == "part_sensor")
    assert row.state == "alert"
    assert rig.core.oven.part_error_c is not None
    assert rig.core.oven.part_error_c >= 10.0


def test_a_start_without_a_board_is_refused_with_what_is_wrong_with_the_port() -> None:
    rig = Rig()
    rig.link.port_changed("The board is not there: plug it in.")
    rig.cable = False
    rig.tick()
    rig.tick(Start(program(), rig.load))
    refused = next(event for event in rig.events if event.kind == "request_refused")
    assert "The board is not there: plug it in." in [reason.text for reason in refused.data["reasons"]]
    assert "Not known now" not in refused.text


def test_within_a_tick_nothing_is_begun_after_a_stop() -> None:
    """Two phones, one tick: whoever pressed Start had not heard of the Stop."""
    rig = Rig()
    rig.start()
    rig.run(5.0)
    outcome = rig.tick(StopAll(), Start(program(), rig.load), Preheat(45.0))
    assert (outcome.command.oven_duty, outcome.command.tank_duty) == (0.0, 0.0)
    assert (rig.phase(), rig.core.tank.target_c) == ("ready", None)
    rig.run(5.0)
    assert rig.core.command.oven_duty == rig.core.command.tank_duty == 0.0
