"""The interlock table's figures, written down by hand: of the design's chapter on interlocks, or of the Decision in
DEVELOPERS.md that is named in a row. Nothing here is read from the code, so that a figure which changes there has
to be changed here too, with its reason. "ours": the figure stands in neither.

Where a cause takes minutes to see, its times and kelvins are in the rules that give the fact (tests of the watches);
the row then only says that it was seen: a limit of 0.5 for yes or no, of 0 for what is missing to a figure.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest

from controller.core.table import TABLE, Row

ROWS = {row.name: row for row in TABLE}
# The bits of `fitted` on the wire.
OVEN_LIMIT, TANK_LIMIT, PART, LEVEL, AGITATOR, SMOKE, DOOR = 2, 8, 16, 128, 256, 512, 1024


class Expected(NamedTuple):
    """What must hold (`below`), what happens else, for how long it is borne and when it is over (`clear`, None: below
    the same figure; `clear_k` less). `cause`: what the sentence must name. `decision`: where the row
    or its figure comes from, if not from the design."""

    zone: str
    kind: str
    below: float | str
    cause: str
    borne_s: float = 0.0
    clear: float | str | None = None
    clear_k: float = 0.0
    needs: int = 0
    proven: bool = False
    latched: bool = True
    decision: str = ""


EXPECTED = {
    # No telemetry for 1.5 s; clears with telemetry. That the next word is to be under 1 s old: ours.
    "board_silent": Expected("both", "withhold", 1.5, "No word from the board", clear=1.0),
    # Wrong layout or protocol: no heat, until one side is updated.
    "board_protocol": Expected("both", "withhold", 0.5, "do not fit together"),
    # A MAX6675 reads type K only (its datasheet).
    "board_chip": Expected(
        "both", "withhold", 0.5, "type K only", decision="doctor asks the core whether shop file and board fit"
    ),
    # A trip is always both zones'. The board stores its own, so the core keeps no latch of it.
    "board_trip": Expected("both", "trip", 0.5, "board has tripped", latched=False),
    # Stop circuit, smoke or CO: trip; by the input, and by hand.
    "stop_circuit": Expected("both", "trip", 0.5, "stop circuit is open"),
    "smoke": Expected("both", "trip", 0.5, "smoke or CO contact", needs=SMOKE),
    # Outside -20 to 70 °C: 45 K from the middle; withheld until it is back inside. The 2 s and the 2 K: ours.
    "cold_junction": Expected("both", "withhold", 45.0, "terminals", borne_s=2.0, clear=43.0),
    # The sum of duties is at most 1, shared out by itself. That a sum over it withholds all the same, and that one and
    # a half of the wire's thousandths are no excess: ours.
    "shared_circuit": Expected("both", "withhold", 1.0015, "asked for more"),
    # A table's presence in the shop file means that the zone is wanted; `fitted` must agree.
    "oven_fitted": Expected("oven", "withhold", 0.5, "none is fitted"),
    # Bad word or fault bit: heat off at once; under heat a trip, as the board's rule. Good for 30 s, then by hand.
    "oven_sensor": Expected("oven", "withhold", 0.5, "no good reading"),
    "oven_sensor_lost": Expected("oven", "trip", 0.5, "lost while the oven was heating"),
    # Either oven sensor at the shop's limit or over it; by hand, 20 K below.
    "oven_limit": Expected("oven", "trip", "oven_limit_c", "passed its limit", clear="oven_limit_c", clear_k=20.0),
    # Over the first setpoint by 15 K: the start is refused, nothing else.
    "oven_hot": Expected("oven", "alert", 15.0, "so the start was refused"),
    # None acceptable for 1 s: withhold; for 10 s: trip.
    "oven_jump": Expected("oven", "withhold", 1.0, "jumped further than heat can"),
    "oven_jump_lasting": Expected("oven", "trip", 10.0, "did not come back"),
    # Unchanged for 60 s; the Decision is about a single one.
    "oven_frozen": Expected(
        "oven",
        "trip",
        60.0,
        "stands still while the oven heats",
        decision="one sensor is judged by the slowest oven there could be",
    ),
    # The air target and 25 K, for 20 s; until it is under the air target and 5 K.
    "oven_over_program": Expected(
        "oven", "withhold", 25.0, "well above what the program asks", borne_s=20.0, clear=5.0
    ),
    # Still rising after 30 s without duty: trip. That a rise is 2 K: ours.
    "oven_over_rising": Expected("oven", "trip", 2.0, "goes on heating with its heat taken off"),
    "oven_over_again": Expected("oven", "trip", 2.0, "twice in one run", decision="an oven that runs away twice trips"),
    # More than 5 K over the highest reading around switching off; the Decision says what lets go of it.
    "oven_rising_off": Expected(
        "oven", "trip", 5.0, "rising with its heat off", proven=True, decision="a latch that takes minutes to judge"
    ),
    # Under full heat for 120 s: less than 3 K.
    "oven_no_rise": Expected("oven", "trip", 0.0, "did not warm"),
    # 5 K in 30 s with the door known to be shut: trip. Without a switch it is asked about first.
    "oven_falling": Expected("oven", "trip", 5.0, "with its door shut", needs=DOOR),
    "oven_falling_asked": Expected("oven", "withhold", 0.5, "Is the door open?"),
    "oven_falling_lasting": Expected("oven", "trip", 0.5, "it was not the door"),
    # For 300 s; the design has 15 K.
    "oven_disagree": Expected(
        "oven",
        "trip",
        25.0,
        "two oven sensors disagree",
        borne_s=300.0,
        needs=OVEN_LIMIT,
        decision="two oven sensors may differ by 25 K",
    ),
    # The setpoint and 8 K, for 60 s; until it is under the setpoint and 3 K.
    "part_over": Expected("oven", "withhold", 8.0, "steel is hotter", borne_s=60.0, clear=3.0, needs=PART),
    # Lost: an alert, with an estimate to go on by; without one withheld and asked about. The 2 s of both: ours.
    "part_sensor": Expected("oven", "alert", 0.5, "goes on with an estimate", borne_s=2.0, needs=PART),
    "part_unknown": Expected(
        "oven",
        "withhold",
        0.5,
        "mass and section are not known",
        borne_s=2.0,
        needs=PART,
        decision="steel neither measured nor known asks",
    ),
    # Withheld while it is open.
    "door": Expected("oven", "withhold", 0.5, "door is open", needs=DOOR),
    # One sensor only: no heat without the independent cut-out that the shop file names.
    "oven_one_sensor": Expected("oven", "withhold", 0.5, "no independent cut-out"),
    # More than 10 % of full.
    "oven_delivery": Expected("oven", "trip", 0.1, "did not drive the oven"),
    # After a reboot or a silence of more than 60 s: withheld until arm and resume.
    "run_paused": Expected("oven", "withhold", 0.5, "The run is paused"),
    # 4 h past the predicted end, counted by the fact; until presence. The 1 s beneath: ours.
    "run_too_long": Expected("oven", "withhold", 0.0, "four hours past", clear=-1.0),
    "tank_fitted": Expected("tank", "withhold", 0.5, "none is fitted"),
    # Either tank sensor at the oil's trip or over it; by hand, with the oil under 60 °C.
    "oil_trip": Expected("tank", "trip", "oil_trip_c", "passed its trip temperature", clear=60.0),
    "tank_sensor": Expected("tank", "withhold", 0.5, "no good reading"),
    "tank_sensor_lost": Expected("tank", "trip", 0.5, "lost while the oil was heating"),
    # No flash point; motor, transmission, used oil: no heat for the tank.
    "oil_unknown": Expected("tank", "withhold", 0.5, "must not be heated"),
    # At the bath's ceiling or over it; until 3 K below.
    "oil_ceiling": Expected(
        "tank", "withhold", "oil_ceiling_c", "over its ceiling", clear="oil_ceiling_c", clear_k=3.0
    ),
    # At the tank's limit or over it: off until 3 K below; a trip where its own heater did it.
    "tank_limit": Expected(
        "tank", "withhold", "tank_limit_c", "too hot to quench in", clear="tank_limit_c", clear_k=3.0
    ),
    "tank_limit_heating": Expected(
        "tank", "trip", "tank_limit_c", "heater took the oil to its limit", clear="tank_limit_c", clear_k=3.0
    ),
    # Unchanged for 60 s; the Decision is about a single one.
    "tank_frozen": Expected(
        "tank",
        "trip",
        60.0,
        "stands still while the oil heats",
        decision="heat that a single oil sensor does not answer",
    ),
    # Under a quarter of the rise that watts and litres predict.
    "tank_no_rise": Expected("tank", "trip", 0.0, "hardly warmed"),
    # More than 10 K apart for 120 s while heating, or 3 K down in 60 s.
    "tank_apart": Expected("tank", "trip", 10.0, "far apart", borne_s=120.0, needs=TANK_LIMIT),
    "tank_falling": Expected("tank", "trip", 3.0, "fell while its heater was on"),
    # More than 4 K in 10 min; the Decision says what lets go of it.
    "tank_rising_off": Expected(
        "tank", "trip", 4.0, "rising with its heater off", proven=True, decision="a latch that takes minutes to judge"
    ),
    # A step: told, and offered for the book.
    "oil_step": Expected("tank", "alert", 0.5, "rose at once"),
    # Still rising 90 s after a step, or over a forecast: look for fire.
    "oil_still_rising": Expected("tank", "trip", 0.0, "Look for fire"),
    # Wet oil boils over near 100 °C: a caution of the design, that it is told is ours, and the 3 K are the ceiling's.
    "boil_over": Expected("tank", "alert", "boil_over_c", "boiling water", clear="boil_over_c", clear_k=3.0),
    "oil_over_target": Expected(
        "tank",
        "alert",
        2.0,
        "passed its target twice",
        decision="over its band the oil stays without contactor until it is back in it",
    ),
    # The forecast after the quench is over the tank's limit: a warning.
    "oil_enough": Expected("tank", "alert", "tank_limit_c", "too much steel"),
    # Low: the tank is unavailable; under heat a trip.
    "level": Expected("tank", "withhold", 0.5, "level is low", needs=LEVEL),
    "level_heating": Expected("tank", "trip", 0.5, "level fell while the tank was heating", needs=LEVEL),
    # 3 s after it was commanded on.
    "agitator": Expected("tank", "withhold", 3.0, "stirrer does not turn", needs=AGITATOR),
    "tank_delivery": Expected("tank", "trip", 0.1, "did not drive the tank"),
    # Heated for 30 min without presence.
    "presence": Expected("tank", "withhold", 1800.0, "30 min"),
}


def test_each_row_is_written_down_and_nothing_else() -> None:
    assert [row.name for row in TABLE] == list(EXPECTED)


@pytest.mark.parametrize("name", EXPECTED)
def test_a_row_has_the_figures_that_were_decided(name: str) -> None:
    row, expected = ROWS[name], EXPECTED[name]
    found = (
        row.zone, row.action, row.limit, row.bear_s, row.clear, row.clear_below_k, row.needs, row.proven, row.latched,
    )  # fmt: skip
    assert found == (
        expected.zone, expected.kind, expected.below, expected.borne_s, expected.clear, expected.clear_k,
        expected.needs, expected.proven, expected.latched,
    )  # fmt: skip


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_what_a_row_says_is_three_sentences_of_its_own(row: Row) -> None:
    said = (row.good, row.text, row.advice)
    assert len(set(said)) == 3
    assert all(len(one) > 10 and one.endswith((".", "?")) for one in said)
    assert EXPECTED[row.name].cause in row.text
    assert EXPECTED[row.name].cause not in row.good
    # A trip, and nothing else, is let go of by hand at the machine.
    assert ("hold the reset button at the machine" in row.advice) == (row.action == "trip")


@pytest.mark.parametrize("name", [name for name, expected in EXPECTED.items() if expected.decision])
def test_the_decision_that_a_row_names_is_recorded(name: str) -> None:
    text = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text("utf-8")
    assert f", {EXPECTED[name].decision}.** " in text


def test_no_two_rows_fail_with_the_same_sentence() -> None:
    assert len({row.text for row in TABLE}) == len(TABLE)
