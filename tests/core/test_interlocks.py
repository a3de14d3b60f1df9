"""The interlock table, walked row by row: a new row is tested the day it is added."""

from __future__ import annotations

from math import inf, nan

import pytest

from controller.core.facts import NEVER, Facts
from controller.core.interlocks import NOT_KNOWN, PERMIT, TRIP, WITHHOLD, Interlocks, standing
from controller.core.table import TABLE, Row
from controller.model import Event
from tests.core.rig import limits

ALL_FITTED = 2047
LIMITS = limits()


def good_facts(fitted: int = ALL_FITTED) -> Facts:
    """Facts of a shop in which every row holds."""
    facts = Facts()
    for name in Facts.__slots__:
        setattr(facts, name, NEVER)
    for row in TABLE:
        if row.proven:
            setattr(facts, row.fact, 0.0)
    facts.fitted = fitted
    facts.armed = True
    return facts


def settled() -> tuple[Interlocks, Facts, list[Event]]:
    interlocks, facts, events = Interlocks(LIMITS), good_facts(), []
    verdict = interlocks.evaluate(facts, 0.25, 0.0, events)
    assert (verdict.oven, verdict.tank, verdict.contactor) == (PERMIT, PERMIT, True)
    return interlocks, facts, events


def limit_of(row: Row) -> float:
    return float(getattr(LIMITS, row.limit)) if isinstance(row.limit, str) else row.limit


def level(row: Row, verdict: object) -> int:
    return max(verdict.oven if row.zone != "tank" else 0, verdict.tank if row.zone != "oven" else 0)  # type: ignore[attr-defined]


EXPECTED = {"alert": PERMIT, "withhold": WITHHOLD, "trip": TRIP}


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_a_value_at_its_limit_acts_after_it_was_borne_and_just_below_holds(row: Row) -> None:
    interlocks, facts, events = settled()
    below = limit_of(row) - 1e-6 * max(1.0, abs(limit_of(row)))
    setattr(facts, row.fact, below)
    others = [one for one in TABLE if one.fact == row.fact and limit_of(one) <= below]
    if not others:
        assert level(row, interlocks.evaluate(facts, row.bear_s + 1.0, 1.0, events)) == PERMIT
    interlocks, facts, events = settled()
    setattr(facts, row.fact, limit_of(row))
    if row.bear_s:
        verdict = interlocks.evaluate(facts, row.bear_s - 0.25, 1.0, events)
        assert not interlocks.acting(row.name)
    verdict = interlocks.evaluate(facts, row.bear_s, 2.0, events)
    assert interlocks.acting(row.name)
    assert level(row, verdict) >= EXPECTED[row.action]
    if row.action == "trip":
        assert (verdict.oven, verdict.tank, verdict.contactor) == (TRIP, TRIP, False)
    told = [event for event in events if event.data.get("interlock") == row.name]
    assert len(told) == 1
    assert told[0].text == row.text


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_an_unknown_takes_the_heat_away_in_the_same_tick_and_comes_back_by_itself(row: Row) -> None:
    interlocks, facts, events = settled()
    setattr(facts, row.fact, nan)
    verdict = interlocks.evaluate(facts, 0.25, 1.0, events)
    assert level(row, verdict) == (PERMIT if row.action == "alert" else WITHHOLD)
    assert not interlocks.latched
    assert any(one.name == row.name and one.state != "good" for one in interlocks.rows())
    setattr(facts, row.fact, NEVER)
    assert level(row, interlocks.evaluate(facts, 0.25, 2.0, events)) == PERMIT


def advice_of(interlocks: Interlocks, row: Row) -> str:
    return next(one.advice for one in interlocks.rows() if one.name == row.name)


@pytest.mark.parametrize("row", [row for row in TABLE if row.action == "trip" and row.latched], ids=lambda r: r.name)
def test_a_trip_is_latched_until_a_reset_with_its_cause_gone_and_survives_a_restart(row: Row) -> None:
    interlocks, facts, events = settled()
    setattr(facts, row.fact, inf)
    interlocks.evaluate(facts, row.bear_s + 1.0, 1.0, events)
    assert row.name in interlocks.latched
    again = Interlocks(LIMITS, interlocks.latched)
    verdict = again.evaluate(good_facts(), 0.25, 1.5, [])
    assert (verdict.oven, verdict.tank) == (TRIP, TRIP)
    assert verdict.latched
    interlocks.reset(facts, 2.0, events)
    assert row.name in interlocks.latched, "a cause that still stands cannot be reset"
    assert events[-1].kind == "reset_refused"
    told = " The last hold of reset did not help. Its cause still stood then."
    assert advice_of(interlocks, row) == row.advice + told
    setattr(facts, row.fact, getattr(good_facts(), row.fact))
    assert interlocks.evaluate(facts, 600.0, 3.0, events).oven == TRIP, "time alone clears no trip"
    interlocks.reset(facts, 4.0, events)
    assert interlocks.latched == ()
    setattr(facts, row.fact, inf)
    interlocks.evaluate(facts, row.bear_s + 1.0, 5.0, events)
    assert advice_of(interlocks, row) == row.advice, "of this trip no hold was refused"
    setattr(facts, row.fact, getattr(good_facts(), row.fact))
    interlocks.reset(facts, 6.0, events)
    assert interlocks.evaluate(facts, 0.25, 4.25, events).oven == PERMIT


@pytest.mark.parametrize("row", [row for row in TABLE if row.action == "withhold"], ids=lambda row: row.name)
def test_a_withhold_clears_below_its_clear_value_and_not_before(row: Row) -> None:
    interlocks, facts, events = settled()
    setattr(facts, row.fact, limit_of(row) + 1.0)
    interlocks.evaluate(facts, row.bear_s + 1.0, 1.0, events)
    assert interlocks.acting(row.name)
    clear = row.clear if row.clear is not None else row.limit
    clear_value = float(getattr(LIMITS, clear)) if isinstance(clear, str) else clear
    clear_value -= row.clear_below_k
    if clear_value < limit_of(row):
        setattr(facts, row.fact, clear_value)
        interlocks.evaluate(facts, 60.0, 2.0, events)
        assert interlocks.acting(row.name)
    setattr(facts, row.fact, clear_value - 0.01)
    interlocks.evaluate(facts, 60.0, 3.0, events)
    assert not interlocks.acting(row.name)
    assert events[-1].kind == "interlock_cleared"


@pytest.mark.parametrize("row", [row for row in TABLE if row.needs], ids=lambda row: row.name)
def test_what_is_not_fitted_says_so_and_is_never_called_good(row: Row) -> None:
    interlocks, facts, events = Interlocks(LIMITS), good_facts(ALL_FITTED & ~row.needs), []
    interlocks.evaluate(facts, 0.25, 0.0, events)
    state = next(one for one in interlocks.rows() if one.name == row.name)
    assert state.state == "not fitted"


def test_a_flickering_fault_still_acts() -> None:
    interlocks, facts, events = settled()
    for number in range(400):
        facts.oven_over_k = 30.0 if number % 2 else 0.0
        interlocks.evaluate(facts, 0.5, number * 0.5, events)
    assert interlocks.acting("oven_over_program")


def test_over_program_opens_the_contactor_and_lets_the_tank_wait() -> None:
    interlocks, facts, events = settled()
    facts.oven_over_k = 30.0
    verdict = interlocks.evaluate(facts, 21.0, 1.0, events)
    assert (verdict.oven, verdict.tank, verdict.contactor) == (WITHHOLD, WITHHOLD, False)


def test_nothing_known_at_all_forbids_both_zones() -> None:
    verdict = Interlocks(LIMITS).evaluate(Facts(), 0.25, 0.0, [])
    assert verdict.oven >= WITHHOLD
    assert verdict.tank >= WITHHOLD


def test_a_zone_without_a_place_in_the_shop_file_is_not_fitted() -> None:
    interlocks = Interlocks(limits(tank=False))
    interlocks.evaluate(good_facts(), 0.25, 0.0, [])
    assert {row.state for row in interlocks.rows() if row.zone == "tank"} == {"not fitted"}


def test_every_sentence_is_plain() -> None:
    for row in TABLE:
        for text in (row.good, row.text, row.advice):
            assert text.endswith((".", "?")), row.name
            assert "!" not in text
            assert "_" not in text.replace("oven.independent_cutout", "")
    assert len({row.name for row in TABLE}) == len(TABLE)


@pytest.mark.parametrize("name", ["a_row_of_old", "door", "oil_step"], ids=["no row", "a withhold", "an alert"])
def test_a_trip_that_this_version_has_not_stands_after_a_restart_until_a_hold_of_reset(name: str) -> None:
    """A row that another version renamed, dropped or made milder: its latch is a trip that nothing here can judge."""
    interlocks, facts, events = Interlocks(LIMITS, (name, "smoke", name)), good_facts(), []
    assert interlocks.latched == ("smoke", name)
    for at_s in (0.0, 0.25, 600.0):
        assert interlocks.evaluate(facts, 0.25, at_s, events) == (TRIP, TRIP, False, True)
    shown = [row for row in interlocks.rows() if row.state == "trip"]
    assert [row.name for row in shown] == ["smoke", name]
    assert shown[-1].text == f'A trip of another version stands: "{name.replace("_", " ")}".'
    assert shown[-1].advice.endswith("Then hold the reset button at the machine for 2 s.")
    assert shown[-1].zone == "both"
    assert len(interlocks.rows()) == len(TABLE) + 1
    for zone in ("oven", "tank"):
        assert [row.name for row in interlocks.failing(zone)] == ["smoke", name]
    interlocks.rebind(LIMITS)
    assert interlocks.latched == ("smoke", name)
    facts.smoke = 1.0
    assert not interlocks.reset(facts, 601.0, events)
    assert interlocks.latched == ("smoke", name), "what cannot be judged is not let go before the rest"
    facts.smoke = NEVER
    again = Interlocks(LIMITS, interlocks.latched)
    again.evaluate(facts, 0.25, 602.0, [])
    events = []
    assert again.reset(facts, 603.0, events)
    assert [(event.kind, event.at_s, event.data["interlock"]) for event in events] == [
        ("trip_reset", 603.0, "smoke"), ("trip_reset", 603.0, name),
    ]  # fmt: skip
    assert events[-1].text == "A trip of another version was let go."
    assert again.latched == ()
    assert [row.name for row in again.rows() if row.state in ("good", "not fitted")] == [row.name for row in TABLE]
    assert again.evaluate(facts, 0.25, 604.0, events).oven == PERMIT


def test_a_start_that_does_not_know_what_stood_says_so_and_blames_no_version() -> None:
    interlocks, events = Interlocks(LIMITS, (NOT_KNOWN,)), []
    assert interlocks.evaluate(good_facts(), 0.25, 0.0, events) == (TRIP, TRIP, False, True)
    row = interlocks.rows()[-1]
    assert (row.name, row.state, row.zone) == (NOT_KNOWN, "trip", "both")
    assert row.text == "It is not known what stood before this start."
    assert "version" not in row.advice
    assert row.advice.endswith("Then hold the reset button at the machine for 2 s.")
    assert interlocks.reset(good_facts(), 1.0, events)
    assert events[-1].text == "What stood before counts as over."


@pytest.mark.parametrize("names", [None, 5, "smoke", {"smoke": 1}, True])
def test_latches_that_are_no_list_of_names_are_a_trip_that_is_not_known(names: object) -> None:
    assert standing(names) == (NOT_KNOWN,)
    interlocks = Interlocks(LIMITS, standing(names))
    assert interlocks.evaluate(good_facts(), 0.25, 0.0, []) == (TRIP, TRIP, False, True)
    assert interlocks.reset(good_facts(), 1.0, [])
    assert interlocks.latched == ()


def test_a_list_with_something_else_among_its_names_keeps_the_names() -> None:
    assert standing(["smoke", None]) == ("smoke", NOT_KNOWN)
    assert standing(("smoke", "level")) == ("smoke", "level")
    assert standing([]) == ()


def test_a_replay_takes_todays_limits_and_forgets_nothing() -> None:
    interlocks, facts, events = settled()
    facts.smoke = 1.0
    facts.oven_over_k = 26.0
    interlocks.evaluate(facts, 15.0, 1.0, events)
    interlocks.rebind(limits(limit_c=250.0))
    assert interlocks.latched == ("smoke",)
    interlocks.evaluate(facts, 4.9, 2.0, events)
    assert not interlocks.acting("oven_over_program")
    interlocks.evaluate(facts, 0.1, 3.0, events)
    assert interlocks.acting("oven_over_program"), "15 s of its 20 were borne before"
    facts.oven_max_c = 251.0
    interlocks.evaluate(facts, 0.25, 4.0, events)
    assert interlocks.acting("oven_limit"), "today's limit"


def test_a_replay_of_a_table_with_fewer_rows_starts_the_new_ones_afresh() -> None:
    interlocks, _, _ = settled()
    del interlocks._by_name["door"]
    interlocks.rebind(LIMITS)
    assert not interlocks.acting("door")
    assert interlocks._by_name["door"].failed_s == 0.0


def test_what_keeps_the_heat_from_a_zone_is_named_in_the_tables_order() -> None:
    interlocks, facts, events = settled()
    facts.door_open = facts.tank_bad = facts.part_bad = 1.0
    facts.oven_c = facts.oven_limit_c = facts.oven_max_c = nan
    interlocks.evaluate(facts, 5.0, 1.0, events)
    assert [row.name for row in interlocks.failing("oven")] == ["oven_limit", "door"], "an alert keeps nothing away"
    assert [row.name for row in interlocks.failing("tank")] == ["tank_sensor"]
    unknown = next(row for row in interlocks.rows() if row.name == "oven_limit")
    assert (unknown.state, unknown.text) == ("withhold", "Not known now: The oven is under its limit.")
    facts.smoke = 1.0
    interlocks.evaluate(facts, 0.25, 2.0, events)
    assert [row.name for row in interlocks.failing("tank")] == ["smoke", "tank_sensor"]


def test_a_tripped_oven_keeps_the_tank_cold_too_and_says_so() -> None:
    interlocks, facts, events = settled()
    facts.oven_max_c = 300.0
    interlocks.evaluate(facts, 0.25, 1.0, events)
    assert [row.name for row in interlocks.failing("tank")] == ["oven_limit"]


@pytest.mark.parametrize(("fact", "fire"), [("oil_still_rising", True), ("tank_max_c", True), ("oven_max_c", False)])
def test_the_flash_alarm_is_the_oils(fact: str, fire: bool) -> None:
    interlocks, facts, events = settled()
    assert not interlocks.fire()
    setattr(facts, fact, 400.0)
    interlocks.evaluate(facts, 0.25, 1.0, events)
    assert interlocks.fire() == fire


def test_the_rows_in_words_are_made_anew_only_when_something_changed() -> None:
    interlocks, facts, events = settled()
    facts.door_open = 1.0
    interlocks.evaluate(facts, 0.25, 1.0, events)
    shown = interlocks.rows()
    interlocks.evaluate(facts, 0.25, 2.0, events)
    assert interlocks.rows() is shown
    facts.door_open = 0.0
    interlocks.evaluate(facts, 0.25, 3.0, events)
    assert interlocks.rows() is not shown


def test_a_hold_of_reset_with_nothing_latched_is_a_good_one() -> None:
    interlocks, facts, events = settled()
    assert interlocks.reset(facts, 1.0, events)
    assert events == []


KEPT = [row for row in TABLE if row.latched and row.needs and row.action == "trip"]


@pytest.mark.parametrize("row", KEPT, ids=lambda row: row.name)
def test_a_hold_in_the_tick_of_the_greeting_drops_no_trip_whose_cause_stands(row: Row) -> None:
    """Before the board has greeted nothing counts as fitted, and what is not fitted would be let go."""
    interlocks = Interlocks(limits(), [row.name])
    interlocks.evaluate(good_facts(0), 0.25, 0.0, [])
    facts, events = good_facts(), []
    setattr(facts, row.fact, limit_of(row))
    assert not interlocks.reset(facts, 0.25, events)
    assert [event.kind for event in events] == ["reset_refused"]
    assert interlocks.evaluate(facts, 0.25, 0.25, events) == (TRIP, TRIP, False, True)


@pytest.mark.parametrize("row", [row for row in TABLE if row.proven], ids=lambda row: row.name)
def test_a_latch_that_takes_minutes_to_judge_is_let_go_only_once_it_was_judged(row: Row) -> None:
    """After a restart its fact is NEVER for minutes, and a hold then would let go of a relay that is still stuck."""
    interlocks, facts, events = Interlocks(LIMITS, [row.name]), good_facts(), []
    setattr(facts, row.fact, NEVER)
    interlocks.evaluate(facts, 0.25, 0.0, events)
    assert not interlocks.reset(facts, 0.25, events)
    assert events[-1].kind == "reset_refused"
    assert "takes minutes" in events[-1].text
    assert "The last hold of reset did not help. It takes minutes without heat" in advice_of(interlocks, row)
    setattr(facts, row.fact, limit_of(row))
    assert not interlocks.reset(facts, 0.5, events)
    assert "takes minutes" not in events[-1].text
    setattr(facts, row.fact, limit_of(row) - 1.0)
    assert interlocks.reset(facts, 0.75, events)


def test_the_rules_about_rising_with_the_heat_off_take_minutes_to_judge() -> None:
    assert {row.name for row in TABLE if row.proven} == {"oven_rising_off", "tank_rising_off"}
