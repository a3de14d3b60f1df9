"""The sentence of every state: what it says, and how it must be said."""

from __future__ import annotations

import re
from typing import Any

import pytest

from controller.core.table import TABLE
from controller.model import TRIP_BITS
from controller.words import (
    BOARD_TRIPS,
    CAUSES,
    REFUSALS,
    in_units,
    say_difference,
    say_duration,
    say_temperature,
    sentence,
)
from tests.page.shop_states import OIL_READY, SOAK, STATES, rows, run, snap

# One for each row of the table of sentences that the page was designed by, and the states beside them.
SAID = {
    "nothing_on": ("Everything is cold.", "Press the arm button at the oven, then choose a program."),
    "nothing_on_armed": ("Everything is cold.", "Choose a program when the steel is in."),
    "nothing_on_hot": ("Nothing is on, but the oven is still 148 °C.", "Choose a program when the steel is in."),
    "no_board": (
        "No board has answered yet.",
        "No serial port was found. Plug in the board. Nothing is heated from here until it answers.",
    ),
    "board_silent": (
        "No data for 6 s. The numbers below are old.",
        "Look at the cable and at the board's supply. The board keeps its own limits. Look at the oven.",
    ),
    "incompatible": (
        "The board's program and this one do not fit together.",
        "The board runs firmware 1. Their message layout differs. Update the older of the two; until then there is "
        "no heat.",
    ),
    "waiting_for_arm": ("Waiting for your hand at the oven.", "Press the arm button there. Lapses in 4 min."),
    "heat_up": ("Bringing the drift to 205 °C. Soak from about {in:900}.", "Nothing to do."),
    "soak": ("Soaking the drift. 23 of 60 min, done {in:2220}.", "Nothing to do. You will be called when it ends."),
    "soak_second": (
        "Soaking the double temper. 23 of 60 min, done {in:2220}.",
        "Temper 1 of 2. Nothing to do. You will be called when it ends.",
    ),
    "cool": ("Cooling the drift, now 120 °C.", "Temper 2 of 2 comes next. You will be called if it needs your hand."),
    "prompt": ("Rinse the part and put it back.", "Then confirm here."),
    "prompt_long": (
        "The program waits for your hand.",
        "Take the part out, look at its colour, rinse it in warm water, dry it and put it back. Then confirm here.",
    ),
    "prompt_door": (
        "The oven is cooling while it heats. Is the door open?",
        "Answer here. If it is, shut it and the heat comes back.",
    ),
    "withheld_door": ("No heat: the oven door is open.", "Shut it and the soak goes on. 4 min lost so far."),
    "paused": ("The drift is paused.", "Press the arm button at the oven, then Resume. 12 min lost so far."),
    "resumable": (
        "A run was cut off and can go on.",
        "Press Resume, then the arm button at the oven. A new start drops it.",
    ),
    "trip_oven": (
        "Stopped: the oven passed its limit. Heat is off.",
        "Likely causes: a relay stuck closed, a sensor out of its place, the oven's own thermostat bypassed. "
        "Let it cool 20 °C below the limit. Then hold the reset button at the machine for 2 s.",
    ),
    "trip_board": (
        "Stopped: the stop circuit was opened. Heat is off.",
        "Release stop when all is well, or look for a loose wire. Then hold the reset button at the machine for 2 s.",
    ),
    "ended": ("The drift is done.", "It may come out. Gloves: the oven is still 210 °C."),
    "oil_scheduled": (
        "The oil will be ready at {in:7200}.",
        "It starts by itself while armed. Somebody must be there then.",
    ),
    "oil_waiting": ("Waiting for your hand at the machine.", "Press the arm button to warm the oil."),
    "oil_preheat": ("Warming the oil to 55 °C. Ready about {in:900}.", "Stay with it. Presence runs out in 22 min."),
    "oil_ready": ("The oil is ready, 55 °C and steady.", "Stir, then quench. Presence runs out in 22 min."),
    "oil_presence_soon": (
        "Is somebody with the oil? Its heat goes off in 4 min.",
        "Press I am here, or the arm button.",
    ),
    "oil_too_hot": ("The oil is too hot, 91 °C.", "Do not quench. Stir, and wait until it has cooled."),
    "oil_withheld": (
        "No heat for the oil: nobody says they are with it.",
        "Say that you are here, or press the arm button.",
    ),
    "both": (
        "The oil is ready, 55 °C and steady.",
        "Stir, then quench. Presence runs out in 22 min. Soaking the drift. 23 of 60 min, done {in:2220}.",
    ),
    "part_lost": (
        "Soaking the drift. 23 of 60 min, done {in:2220}.",
        "Nothing to do. You will be called when it ends. The sensor on the steel is lost. The run goes on with an "
        "estimate. Look at its wire when the oven is cold. The estimate is less sure.",
    ),
    "fire": (
        "The oil may catch fire. Heat is off. Keep away.",
        "Switch off at the wall from a distance. Metal lid on only if it is safe. Class B or K extinguisher, never "
        "water. Never move the tank. Get everybody out and call the fire service if it burns.",
    ),
}


def shown(text: str) -> str:
    """As the page shows it: the clock token has become a clock time, at its longest."""
    return re.sub(r"\{in:\d+\}", "03:38 PM", text)


def well_said(headline: str, advice: str) -> None:
    """Whole sentences without codes or shouting; the headline can be read at arm's length."""
    assert len(shown(headline)) <= 70, headline
    for text in (headline, advice):
        assert text == text.strip()
        assert text.endswith((".", "?")), text
        assert "!" not in text
        assert "_" not in text
        assert "None" not in text
        assert "nan" not in text
        assert "  " not in text
        assert not re.search(r"\{(?!in:\d+\})", text), text


def test_every_state_has_its_sentence() -> None:
    assert set(SAID) == set(STATES)


@pytest.mark.parametrize("name", STATES)
def test_the_sentence_of_each_state(name: str) -> None:
    assert sentence(STATES[name](), units="C", data_age_s=0.2) == SAID[name]


@pytest.mark.parametrize("units", ["C", "F"])
@pytest.mark.parametrize("name", STATES)
def test_sentences_are_short_whole_and_calm(name: str, units: str) -> None:
    well_said(*sentence(STATES[name](), units=units, data_age_s=0.2))  # type: ignore[arg-type]


@pytest.mark.parametrize("name", STATES)
def test_fahrenheit_leaves_no_celsius_behind(name: str) -> None:
    assert "°C" not in " ".join(sentence(STATES[name](), units="F", data_age_s=0.2))


@pytest.mark.parametrize("which", REFUSALS)
def test_a_board_that_takes_nothing_is_said_before_what_oven_and_oil_would_say(which: Any) -> None:
    for name in ("soak", "oil_ready", "nothing_on"):
        snapshot = STATES[name]()
        refused = snapshot._replace(board=snapshot.board._replace(refuses=which))
        assert sentence(refused, units="C", data_age_s=0.2) == REFUSALS[which]
        well_said(*REFUSALS[which])
    tripped = STATES["trip_oven"]()
    told = sentence(tripped._replace(board=tripped.board._replace(refuses=which)), units="C", data_age_s=0.2)
    assert told == SAID["trip_oven"], "a trip comes first"


def test_old_data_is_said_first_but_never_over_a_fire() -> None:
    expected = ("No data for 6 s. The numbers below are old.", "The board keeps its own limits. Look at the oven.")
    assert sentence(STATES["soak"](), units="C", data_age_s=6.2) == expected
    assert sentence(STATES["trip_oven"](), units="C", data_age_s=6.2) == expected
    assert sentence(STATES["fire"](), units="C", data_age_s=6.2)[0].startswith("The oil may catch fire.")


def test_points_and_differences_convert_differently() -> None:
    # 0, 100 and -40 are the fixed points of the scales' definition; 20 K is 36 °F as a difference.
    assert [say_temperature(c, "F") for c in (0.0, 100.0, -40.0)] == ["32 °F", "212 °F", "-40 °F"]
    assert say_difference(20.0, "F") == "36 °F"
    assert in_units("Let it cool 20 °C below the limit.", "F") == "Let it cool 36 °F below the limit."
    assert in_units("Wait until it is below 60 °C.", "F") == "Wait until it is below 140 °F."
    assert in_units("between -20 and 70 °C.", "F") == "between -4 and 158 °F."
    assert in_units("at 240 °C, more than 15 °C above the first", "F") == "at 464 °F, more than 27 °F above the first"
    assert in_units("Let it cool 20 °C below the limit.", "C") == "Let it cool 20 °C below the limit."


def test_temperatures_and_durations() -> None:
    assert say_temperature(204.64, "C", 1) == "204.6 °C"
    assert say_temperature(None, "C") == "unknown"
    assert say_temperature(float("nan"), "F") == "unknown"
    said = [say_duration(s) for s in (0.0, 42.0, 89.0, 90.0, 1380.0, 7200.0, 8400.0)]
    assert said == ["0 s", "42 s", "89 s", "2 min", "23 min", "2 h", "2 h 20 min"]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_every_interlock_can_be_the_headline(row: object) -> None:
    """Each row acting alone during a soak, and the oil warm: named in the headline, in both units."""
    name, action, zone = row.name, row.action, row.zone  # type: ignore[attr-defined]
    assert name in CAUSES
    if action == "alert":
        return
    oven = {**SOAK, "phase": "tripped" if action == "trip" else "withheld"}
    tank = {**OIL_READY, "phase": "tripped" if action == "trip" else "withheld"}
    here = snap(
        oven={} if zone == "tank" else oven, tank=tank if zone == "tank" else {}, verdict=action,
        rows=rows(**{name: action}),
    )  # fmt: skip
    for units in ("C", "F"):
        headline, advice = sentence(here, units=units, data_age_s=0.0)
        well_said(headline, advice)
        if action == "trip":
            assert headline.startswith("Stopped: ")
            assert "reset button" in advice
            # Of a relay that does not let go nobody says that the heat is off.
            stuck = name in ("oven_rising_off", "oven_over_rising", "tank_rising_off")
            assert ("Unplug it now." in headline) is stuck
            assert ("Heat is off." in headline) is not stuck
        elif name not in ("run_paused", "tank_limit"):
            assert headline.startswith("No heat")
            assert CAUSES[name][0] in headline


@pytest.mark.parametrize("bit", TRIP_BITS)
def test_every_trip_of_the_board_is_named(bit: int) -> None:
    cause = BOARD_TRIPS[TRIP_BITS[bit]][0]
    here = snap(board={"trips": bit}, verdict="trip", oven={"phase": "tripped"}, rows=rows(board_trip="trip"))
    headline, advice = sentence(here, units="C", data_age_s=0.0)
    well_said(headline, advice)
    assert headline == f"Stopped: {cause}. {'Unplug it now.' if TRIP_BITS[bit] == 'stuck' else 'Heat is off.'}"
    assert advice.endswith("hold the reset button at the machine for 2 s.")


@pytest.mark.parametrize(
    ("tripped", "trips", "said"),
    [
        ({"tank_limit_heating": "trip", "tank_rising_off": "trip"}, 0,
         "Stopped: the oil heats though it is switched off. Unplug it now."),
        ({"oven_limit": "trip"}, 128, "Stopped: the oven passed its limit. Unplug it now."),
        ({"smoke": "trip", "oven_rising_off": "trip"}, 0, "Stopped: smoke or CO in the shop."),
        ({}, 64 + 128, "Stopped: smoke or CO in the shop."),
    ],
)  # fmt: skip
def test_whatever_is_named_first_a_stuck_relay_is_never_said_to_be_off(
    tripped: dict[str, str], trips: int, said: str
) -> None:
    here = snap(
        board={"trips": trips}, verdict="trip", oven={"phase": "tripped"}, rows=rows(board_trip="trip", **tripped)
    )
    assert sentence(here, units="C", data_age_s=0.0)[0] == said


def test_a_trip_speaks_before_a_ready_oil_and_names_the_host_s_cause() -> None:
    here = snap(oven=SOAK, tank=OIL_READY, verdict="trip", rows=rows(oven_frozen="trip", board_trip="trip"))
    assert sentence(here, units="C", data_age_s=0.0)[0] == "Stopped: an oven reading stands still. Heat is off."


def test_an_unknown_row_gives_way_to_one_that_acts() -> None:
    states = tuple(
        row._replace(state="withhold", text=f"Not known now: {row.text}", advice="This needs a fresh reading.")
        if row.name == "oven_limit" else row
        for row in rows(oven_sensor="withhold")
    )  # fmt: skip
    here = snap(oven={**SOAK, "phase": "withheld"}, verdict="withhold", rows=states)
    assert sentence(here, units="C", data_age_s=0.0)[0] == "No heat: an oven sensor gives no good reading."


def test_an_idle_shop_says_what_would_refuse_a_start() -> None:
    here = snap(rows=rows(door="withhold"))
    assert sentence(here, units="C", data_age_s=0.0) == (
        "Everything is cold.", "Before a start: the oven door is open. Shut it before you start."
    )  # fmt: skip


def test_a_ramp_names_the_temper_and_not_the_setpoint_on_its_way() -> None:
    here = snap(oven=run("heat_up", setpoint_c=140.0, target_c=205.0))
    assert sentence(here, units="C", data_age_s=0.0)[0] == "Bringing the drift to 205 °C."
    without = snap(oven=run("heat_up", setpoint_c=140.0, target_c=None))
    assert sentence(without, units="F", data_age_s=0.0)[0] == "Bringing the drift to 284 °F."


def test_a_hostile_program_name_stays_short_and_makes_no_clock() -> None:
    here = snap(oven=run("heat_up", program="{in:5} " + "x" * 200, soak_in_s=900.0))
    headline, advice = sentence(here, units="C", data_age_s=0.0)
    well_said(headline, advice)
    assert headline.count("{in:") == 1


def test_an_estimate_says_about() -> None:
    here = snap(oven=run("cool", part_measured=False, part_c=120.0, temper_count=2))
    assert sentence(here, units="C", data_age_s=0.0)[0] == "Cooling the drift, now about 120 °C."
