"""What the walk of the table leaves behind: events and rows in words, with every field, at every change."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from math import nan

import pytest

from controller.core.interlocks import NOT_KNOWN, PERMIT, TRIP, WITHHOLD, Interlocks, _strange_row
from controller.core.table import TABLE, Row
from controller.core.tick import Core
from controller.memory import Memory, freeze, thaw
from controller.model import Event, Resume, RowState, Start
from controller.web.status import status
from controller.words import sentence
from tests.core.rig import Rig, limits, program
from tests.core.test_interlocks import ALL_FITTED, good_facts, limit_of, settled
from tests.edges.web_rig import snapshot

KINDS = {"alert": "interlock_alert", "withhold": "interlock_withheld", "trip": "interlock_tripped"}
LATCHED = [row for row in TABLE if row.latched and row.action == "trip"]
LOOSE = [row for row in TABLE if row not in LATCHED]
BY_NAME = {row.name: row for row in TABLE}


def acted(row: Row) -> tuple[Interlocks, list[Event]]:
    """The table after this row's fact stood at its limit for long enough, at 7 s."""
    interlocks, facts, events = settled()
    setattr(facts, row.fact, limit_of(row))
    interlocks.evaluate(facts, row.bear_s + 0.25, 7.0, events)
    return interlocks, events


def shown(interlocks: Interlocks, row: Row) -> RowState:
    return next(one for one in interlocks.rows() if one.name == row.name)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_the_book_is_told_what_acts_with_its_zone_and_advice(row: Row) -> None:
    _, events = acted(row)
    data = {"interlock": row.name, "zone": row.zone, "advice": row.advice}
    assert Event(KINDS[row.action], 7.0, row.text, data) in events


@pytest.mark.parametrize("row", LOOSE, ids=lambda row: row.name)
def test_the_book_is_told_what_is_good_again(row: Row) -> None:
    interlocks, facts, events = settled()
    setattr(facts, row.fact, limit_of(row))
    interlocks.evaluate(facts, row.bear_s + 0.25, 7.0, events)
    interlocks.evaluate(good_facts(), 1e4, 9.0, events)
    data = {"interlock": row.name, "zone": row.zone, "advice": row.advice}
    assert Event("interlock_cleared", 9.0, row.good, data) in events


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_a_row_in_words_in_each_of_its_states(row: Row) -> None:
    interlocks, facts, _ = settled()
    assert shown(interlocks, row) == RowState(row.name, "good", row.good, "", row.zone)
    assert shown(acted(row)[0], row) == RowState(row.name, row.action, row.text, row.advice, row.zone)
    setattr(facts, row.fact, nan)
    interlocks.evaluate(facts, 0.25, 1.0, [])
    state = "alert" if row.action == "alert" else "withhold"
    advice = "This needs a fresh reading from the board."
    assert shown(interlocks, row) == RowState(row.name, state, f"Not known now: {row.good}", advice, row.zone)
    if row.needs:
        interlocks.evaluate(good_facts(ALL_FITTED & ~row.needs), 0.25, 2.0, [])
        assert shown(interlocks, row) == RowState(row.name, "not fitted", row.good, "", row.zone)


@pytest.mark.parametrize("row", LATCHED, ids=lambda row: row.name)
def test_a_hold_of_reset_tells_what_it_dropped_and_what_it_could_not(row: Row) -> None:
    interlocks, _ = acted(row)
    facts = good_facts()
    setattr(facts, row.fact, limit_of(row))
    events: list[Event] = []
    assert not interlocks.reset(facts, 8.0, events)
    refused = events[-1]
    assert (refused.kind, refused.at_s) == ("reset_refused", 8.0)
    assert row.name in refused.data["interlocks"]
    named = " ".join(BY_NAME[name].text for name in refused.data["interlocks"])
    assert refused.text == f"Not reset yet. {named} Then hold reset again."
    events = []
    assert interlocks.reset(good_facts(), 9.0, events)
    assert Event("trip_reset", 9.0, row.good, {"interlock": row.name}) in events
    assert shown(interlocks, row) == RowState(row.name, "good", row.good, "", row.zone)
    # Nothing of it is left: the fault must be borne anew.
    if row.bear_s > 1.0 and [one.fact for one in TABLE].count(row.fact) == 1:
        interlocks.evaluate(facts, row.bear_s - 0.5, 10.0, events)
        assert not interlocks.acting(row.name)


def test_one_trip_that_is_reset_leaves_the_other_standing() -> None:
    first, second = [row for row in LATCHED if row.name != "board_trip"][:2]
    interlocks, facts, events = settled()
    setattr(facts, first.fact, limit_of(first))
    setattr(facts, second.fact, limit_of(second))
    interlocks.evaluate(facts, 1e3, 1.0, events)
    assert not interlocks.reset(facts, 2.0, events)
    left = events[-1].data["interlocks"]
    assert {first.name, second.name} <= set(left)
    assert events[-1].text == f"Not reset yet. {' '.join(BY_NAME[name].text for name in left)} Then hold reset again."
    verdict = interlocks.evaluate(facts, 0.25, 3.0, events)
    assert verdict == (TRIP, TRIP, False, True)


def test_a_trip_that_is_not_latched_says_so_beside_one_that_is() -> None:
    loose = [row for row in LOOSE if row.action == "trip"]
    for rows in [LATCHED[:1] + loose[:1], loose[:1] + LATCHED[-1:], loose[:1]]:
        interlocks, facts, events = settled()
        for row in rows:
            setattr(facts, row.fact, limit_of(row))
        verdict = interlocks.evaluate(facts, 1e3, 1.0, events)
        assert verdict.latched == any(row.latched for row in rows)


@pytest.mark.parametrize("row", [row for row in TABLE if row.action == "withhold"], ids=lambda row: row.name)
def test_a_withhold_is_its_own_zones_only(row: Row) -> None:
    interlocks, facts, events = settled()
    setattr(facts, row.fact, limit_of(row))
    verdict = interlocks.evaluate(facts, row.bear_s + 0.25, 1.0, events)
    if row.zone == "both":
        assert (verdict.oven, verdict.tank) == (WITHHOLD, WITHHOLD)
    elif row.name != "oven_over_program":
        others = [one for one in TABLE if one is not row and one.fact == row.fact and limit_of(one) <= limit_of(row)]
        other = verdict.tank if row.zone == "oven" else verdict.oven
        assert other == PERMIT or others


def test_a_trip_of_an_earlier_process_stands_from_the_first_look() -> None:
    interlocks = Interlocks(limits(), ["oven_limit"])
    assert interlocks.evaluate(good_facts(), 0.25, 0.0, []) == (TRIP, TRIP, False, True)
    assert interlocks.evaluate(good_facts(), 0.25, 0.25, []) == (TRIP, TRIP, False, True)


def test_a_replay_with_another_limit_looks_anew_at_once() -> None:
    interlocks, facts, events = settled()
    facts.oven_max_c = 280.0
    assert interlocks.evaluate(facts, 0.25, 1.0, events).oven == PERMIT
    interlocks.rebind(replace(limits(), oven_limit_c=270.0))
    interlocks.evaluate(facts, 0.25, 2.0, events)
    assert interlocks.acting("oven_limit")
    interlocks.rebind(replace(limits(), oven_limit_c=300.0))
    for _ in range(4):
        interlocks.evaluate(good_facts(), 100.0, 3.0, events)
    assert interlocks.evaluate(facts, 0.25, 4.0, events).latched


def test_a_replay_with_another_limit_lets_go_at_once_and_holds_the_new_one() -> None:
    row = BY_NAME["oil_ceiling"]
    interlocks, facts, events = settled()
    setattr(facts, row.fact, limit_of(row))
    assert interlocks.evaluate(facts, row.bear_s + 0.25, 1.0, events).tank == WITHHOLD
    interlocks.rebind(replace(limits(), oven_limit_c=270.0))
    facts = good_facts()
    for at_s in (2.0, 3.0, 4.0):
        assert interlocks.evaluate(facts, 1e4, at_s, events).tank == PERMIT
    facts.oven_max_c = 280.0
    assert interlocks.evaluate(facts, 0.25, 5.0, events).oven == TRIP


@pytest.mark.parametrize("row", [row for row in TABLE if row.bear_s > 1.0], ids=lambda row: row.name)
def test_what_was_borne_long_ago_or_while_not_fitted_is_forgotten(row: Row) -> None:
    alone = [one.fact for one in TABLE].count(row.fact) == 1
    for before in (1.0, 0.5):
        interlocks, facts, events = settled()
        setattr(facts, row.fact, limit_of(row))
        interlocks.evaluate(facts, before, 1.0, events)
        for at_s in range(20):
            interlocks.evaluate(good_facts(), 10.0, float(at_s), events)
        interlocks.evaluate(facts, row.bear_s - 0.25, 30.0, events)
        assert not interlocks.acting(row.name)
    if row.needs and alone:
        interlocks, facts, events = settled()
        interlocks.evaluate(good_facts(ALL_FITTED & ~row.needs), 10.0, 1.0, events)
        setattr(facts, row.fact, limit_of(row))
        interlocks.evaluate(facts, row.bear_s - 0.25, 2.0, events)
        assert not interlocks.acting(row.name)


@pytest.mark.parametrize(("oven", "tank"), [(True, False), (False, True)])
def test_a_shop_with_one_zone_has_its_rows_and_those_of_both(oven: bool, tank: bool) -> None:
    interlocks = Interlocks(limits(oven=oven, tank=tank, oil=None))
    interlocks.evaluate(good_facts(), 0.25, 0.0, [])
    for row, state in zip(TABLE, interlocks.rows(), strict=True):
        assert (state.state == "not fitted") == (row.zone == ("tank" if oven else "oven")), row.name


def test_a_board_with_the_oven_alone_has_nothing_that_needs_more() -> None:
    interlocks = Interlocks(limits())
    interlocks.evaluate(good_facts(1), 0.25, 0.0, [])
    for row, state in zip(TABLE, interlocks.rows(), strict=True):
        assert (state.state == "not fitted") == bool(row.needs and not row.needs & 1), row.name


def test_the_rows_are_all_there_before_the_first_look() -> None:
    assert [state.name for state in Interlocks(limits()).rows()] == [row.name for row in TABLE]


@pytest.mark.parametrize("name", [row.name for row in LATCHED if row.needs])
def test_the_core_drops_no_trip_in_the_tick_of_the_greeting(name: str) -> None:
    """The whole core: greeting and two frames in one reading, and the count of holds rises between the two."""
    rig = Rig()
    rig.run(5.0)
    reading = rig.link.take_reading()
    while not reading.frames:
        rig.link.receive(rig.shop.exchange(rig.out, 0.25), rig.now_s)
        reading = rig.link.take_reading()
    first = reading.frames[-1]._replace(resets=3)
    held = first._replace(ms=first.ms + 200, resets=4)
    core = Core(limits(), state={"latched": [name]})
    core.tick(0.0, reading._replace(board=None, frames=()), [])
    outcome = core.tick(0.25, reading._replace(frames=(first, held)), [])
    assert "trip_reset" not in [event.kind for event in outcome.events]
    assert name in core.interlocks.latched
    assert core.moment.verdict.oven == TRIP


@pytest.mark.parametrize("row", LATCHED, ids=lambda row: row.name)
def test_a_trip_that_was_reset_trips_and_latches_again(row: Row) -> None:
    interlocks, facts, events = settled()
    setattr(facts, row.fact, limit_of(row))
    for at_s in (1.0, 2.0):
        interlocks.evaluate(facts, row.bear_s + 0.25, at_s, events)
        assert row.name in interlocks.latched
        assert interlocks.reset(good_facts(), at_s, events)
        assert interlocks.evaluate(good_facts(), 0.25, at_s, events) == (PERMIT, PERMIT, True, False)


def test_what_an_earlier_process_left_standing_is_not_let_go_by_its_cause_coming_back() -> None:
    interlocks = Interlocks(limits(), ["board_trip"])
    facts = good_facts()
    setattr(facts, BY_NAME["board_trip"].fact, limit_of(BY_NAME["board_trip"]))
    interlocks.evaluate(facts, 0.25, 0.0, [])
    assert interlocks.evaluate(good_facts(), 0.25, 1.0, []).latched


def test_the_trip_of_a_version_that_had_another_table_stands_until_a_hold_at_the_machine() -> None:
    """Renamed or dropped meanwhile: a restart forgets no trip, and says that this version does not know it."""
    rig = Rig(state={"latched": ["oven_ran_off"]}, oven_c=60.0)
    rig.run(3.0)
    rig.shop.press("arm")
    rig.run(1.5)
    rig.tick(Start(program(), rig.load), Resume(1))
    assert "oven_ran_off" in rig.refusal()
    assert rig.outcome is not None
    assert (rig.outcome.command.oven_duty, rig.outcome.command.contactor, rig.outcome.command.trip) == (0, 0, 1)
    said, advice = sentence(rig.outcome.snapshot, units="C", data_age_s=0.0)
    assert said == 'Stopped: a trip of another version stands: "oven ran off". Heat is off.'
    assert "This version has no such trip" in advice
    assert "hold the reset button at the machine" in advice
    again = Rig(state=json.loads(json.dumps(rig.core.state())), oven_c=60.0)
    again.core = thaw(freeze(Memory(again.core, again.link, False))).core
    again.run(3.0)
    assert again.core.state()["latched"] == ["oven_ran_off"]
    again.shop.press("reset", held_s=2.5)
    again.run(4.0)
    assert again.core.state()["latched"] == []
    assert [event.data for event in again.events if event.kind == "trip_reset"] == [{"interlock": "oven_ran_off"}]
    again.start()


@pytest.mark.parametrize("name", [row.name for row in TABLE if row.action != "trip"])
def test_a_trip_of_another_version_borrows_no_words_of_the_row_that_has_its_name_now(name: str) -> None:
    """It became milder: what that row advises ("Shut it and the program goes on.") lets go of no latch."""
    rig = Rig(state={"latched": [name]}, oven_c=60.0)
    rig.run(3.0)
    assert rig.outcome is not None
    here = rig.outcome.snapshot
    own, strange = (row for row in here.rows if row.name == name)
    assert (own.zone, strange.state) == (BY_NAME[name].zone, "trip")
    said, advice = sentence(here, units="C", data_age_s=0.0)
    assert said == f'Stopped: a trip of another version stands: "{name.replace("_", " ")}". Heat is off.'
    assert advice == strange.advice
    assert advice.endswith("Then hold the reset button at the machine for 2 s.")
    listed = status(here, 0.0, mode="shop", units="C", now=datetime(2026, 1, 1, tzinfo=UTC))["interlocks"]
    both = [row["text"] for row in listed if row["name"] == name]
    assert both == [own.text, strange.text], "the page shows one under the other"


@pytest.mark.parametrize("name", ["smoke", "oven_limit", "board_trip"])
def test_a_trip_that_can_be_judged_speaks_before_one_of_another_version_of_any_name(name: str) -> None:
    """A version to come may make these milder: the words go by the row's own text, not by its name."""
    tripped = RowState("oven_jump_lasting", "trip", "An oven reading jumped and stayed there.", "Look at it.", "oven")
    strange = _strange_row(name)
    here = snapshot(rows=(strange, tripped))._replace(verdict="trip")
    assert sentence(here, units="C", data_age_s=0.0)[1] == "Look at it."
    alone = sentence(here._replace(rows=(strange,)), units="C", data_age_s=0.0)
    assert alone[0] == f'Stopped: a trip of another version stands: "{name.replace("_", " ")}". Heat is off.'


TANK = {"rested_s": "long", "quenches": 7}


@pytest.mark.parametrize(
    ("latched", "tank"),
    [(None, TANK), (5, TANK), ("smoke", TANK), ([None], TANK), ({"a": 1}, TANK), ([], [1]), (None, "warm")],
)
def test_a_state_of_wrong_content_ends_no_service_and_is_a_trip_that_stands(latched: object, tank: object) -> None:
    state = {"latched": latched, "run": 3, "next_run_id": None, "tank": tank}
    rig = Rig(state=state, oven_c=60.0)
    rig.run(3.0)
    rig.shop.press("arm")
    rig.run(1.5)
    rig.tick(Start(program(), rig.load))
    assert NOT_KNOWN in rig.refusal()
    assert rig.core.state()["latched"] == [NOT_KNOWN]
    rig.shop.press("reset", held_s=2.5)
    rig.run(4.0)
    rig.start()
