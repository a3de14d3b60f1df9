"""The sentence: what is going on and what to do, in plain words, made from a snapshot in one place.

The page and the alerts both say what stands here. Whole sentences, the cause before the advice, no codes. A
clock time stands as `{in:SECONDS}`, that many seconds from now: who shows the sentence knows the local clock.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Final, Literal, NamedTuple

from controller.model import TRIP_BITS, OvenView, RowState, Snapshot, TankView

Units = Literal["C", "F"]

NO_DATA_AFTER_S: Final = 1.5
PRESENCE_SOON_S: Final = 300.0
# Skin is burnt by metal or oil at 60 °C in seconds; 45 °C is taken as the line below which it is merely warm
# (from memory of contact-temperature standards).
WARM_C: Final = 45.0
LONGEST_NAME: Final = 20
RESET: Final = "Then hold the reset button at the machine for 2 s."
UNKNOWN_ROW: Final = "Not known now"
OPENS_THE_CONTACTOR: Final = "oven_over_program"
"""The row of the oven that takes the heat of both."""
STRANGE_ROW: Final = "A trip of another version stands"
"""How the text of a latch begins whose row this version has not, or has as something milder, by the same name."""


class State(NamedTuple):
    """How one phase of one zone is said. The lowest `urgency` speaks when both zones have something to say."""

    urgency: int
    headline: str
    advice: str


# --- The states as data; the fields in braces are made by `_oven_fields` and `_tank_fields` -----------------

OVEN_STATES: Final[Mapping[str, State]] = {
    "prompt": State(15, "The program waits for your hand.", "{question} Then confirm here."),
    "withheld": State(20, "No heat: {cause}.", "{advice}{lost}"),
    "paused": State(25, "{The} is paused.", "Press the arm button at the oven, then Resume.{lost}"),
    "waiting_for_arm": State(30, "Waiting for your hand at the oven.", "Press the arm button there.{lapses}"),
    "ended": State(42, "{The} is done.", "It may come out. {still_hot}"),
    "soak": State(50, "Soaking {the}. {soaked}{done}.", "{temper}Nothing to do. You will be called when it ends."),
    "heat_up": State(51, "Bringing {the} to {target}.{soak_from}", "{temper}Nothing to do."),
    "cool": State(52, "Cooling {the}{part_now}.", "{next_temper}"),
    "resumable": State(
        53, "A run was cut off and can go on.", "Press Resume, then the arm button at the oven. A new start drops it."
    ),
}

TANK_STATES: Final[Mapping[str, State]] = {
    "too_hot": State(10, "The oil is too hot{oil_now}.", "Do not quench. Stir, and wait until it has cooled."),
    "presence": State(
        18, "Is somebody with the oil? Its heat goes off in {presence}.", "Press I am here, or the arm button."
    ),
    "withheld": State(21, "No heat for the oil: {cause}.", "{advice}"),
    "waiting_for_arm": State(31, "Waiting for your hand at the machine.", "Press the arm button to warm the oil."),
    "in_band": State(40, "The oil is ready{oil_steady}.", "Stir, then quench.{presence_left}"),
    "preheat": State(54, "Warming the oil to {target}.{ready_from}", "Stay with it.{presence_left}"),
    "scheduled": State(
        60, "The oil will be ready{ready_at}.", "It starts by itself while armed. Somebody must be there then."
    ),
}

FIRE: Final = (
    "The oil may catch fire. Heat is off. Keep away.",
    "Switch off at the wall from a distance. Metal lid on only if it is safe. Class B or K extinguisher, never "
    "water. Never move the tank. Get everybody out and call the fire service if it burns.",
)

_ANEW: Final = (
    "Switch the board off and on. If it stays so, look at the cable, stop the service and run `ovenhand doctor`: the "
    "line loses what is sent, or the board's program is not the one that came with this one."
)
# A board that is heard and takes nothing, by what it does not take.
REFUSALS: Final[Mapping[str, tuple[str, str]]] = {
    "frames": ("The board is heard but takes nothing, so there is no heat.", _ANEW),
    "limits": ("The board does not take its limits, so there is no heat.", _ANEW),
    "duty": ("The board refuses the heat that it is asked for.", _ANEW),
}

# Short causes for the headline: row of the interlock table -> (cause, advice or "" for the row's own).
CAUSES: Final[Mapping[str, tuple[str, str]]] = {
    "board_silent": ("no word from the board", ""),
    "board_protocol": ("the board's program does not fit this one", ""),
    "board_chip": ("the board's chips cannot read these thermocouples", ""),
    "board_trip": ("the board has tripped", ""),
    "stop_circuit": ("the stop circuit is open", ""),
    "smoke": ("smoke or CO in the shop", ""),
    "cold_junction": ("the terminal block is too hot or too cold", ""),
    "shared_circuit": ("one circuit cannot feed both", ""),
    "oven_fitted": ("the board has no oven", ""),
    "oven_sensor": ("an oven sensor gives no good reading", ""),
    "oven_sensor_lost": ("an oven sensor was lost under heat", ""),
    "oven_limit": ("the oven passed its limit", ""),
    "oven_jump": ("an oven reading jumped", ""),
    "oven_jump_lasting": ("an oven reading jumped and stayed there", ""),
    "oven_frozen": ("an oven reading stands still", ""),
    "oven_over_program": ("the oven is well above the program", ""),
    "oven_over_rising": ("the oven heats though it is switched off", ""),
    "oven_rising_off": ("the oven heats though it is switched off", ""),
    "oven_over_again": ("the oven ran away twice in one run", ""),
    "oven_no_rise": ("the oven was heated and does not warm", ""),
    "oven_falling": ("the oven reading fell under heat", ""),
    "oven_falling_asked": ("the oven cools while it heats", ""),
    "oven_falling_lasting": ("the oven reading fell, and no door", ""),
    "oven_disagree": ("the two oven sensors disagree", ""),
    "part_over": ("the steel is hotter than asked", ""),
    "part_sensor": ("the sensor on the steel is lost", ""),
    "part_unknown": ("the steel is neither measured nor known", ""),
    "oven_hot": ("the oven is hotter than asked", ""),
    "door": ("the oven door is open", "Shut it and the {work} goes on."),
    "oven_one_sensor": (
        "one oven sensor and no cut-out named",
        "Fit the limit sensor, or a manual-reset thermostat, and name that in the shop file.",
    ),
    "oven_delivery": ("the board drove the oven differently", ""),
    "run_paused": ("the run is paused", ""),
    "run_too_long": ("the run is four hours overdue", ""),
    "tank_fitted": ("the board has no tank", ""),
    "oil_trip": ("the oil passed its trip temperature", ""),
    "tank_sensor": ("an oil sensor gives no good reading", ""),
    "tank_sensor_lost": ("an oil sensor was lost under heat", ""),
    "oil_unknown": ("this oil must not be heated", ""),
    "oil_ceiling": ("it is over its ceiling", ""),
    "tank_limit": ("it is too hot to quench in", ""),
    "tank_limit_heating": ("the heater took the oil to its limit", ""),
    "tank_frozen": ("an oil reading stands still", ""),
    "tank_no_rise": ("the oil was heated and hardly warms", ""),
    "tank_apart": ("the two oil sensors are far apart", ""),
    "tank_falling": ("the oil reading fell under heat", ""),
    "tank_rising_off": ("the oil heats though it is switched off", ""),
    "oil_step": ("the oil rose as after a quench", ""),
    "oil_still_rising": ("the oil still rises after the quench", ""),
    "boil_over": ("it is nearly as hot as boiling water", ""),
    "oil_over_target": ("it passed its target twice", ""),
    "oil_enough": ("too much steel for this oil", ""),
    "level": ("the oil level is low", ""),
    "level_heating": ("the oil level fell under heat", ""),
    "agitator": ("the stirrer does not turn", ""),
    "tank_delivery": ("the board drove the tank differently", ""),
    "presence": ("nobody says they are with it", ""),
}

# What the board names when it has tripped by itself, the most dangerous first.
BOARD_TRIPS: Final[Mapping[str, tuple[str, str]]] = {
    "over_tank": ("the oil passed the board's limit", "Keep away until it has cooled. Relay stuck, or sensor moved."),
    "smoke": ("smoke or CO in the shop", "Leave, air the shop, look for fire from outside. A burning oven stays shut."),
    "over_oven": (
        "the oven passed the board's limit",
        "A relay may be stuck, or a sensor moved. Let it cool 20 °C below the limit.",
    ),
    "stuck": ("a heater draws current though switched off", "Its relay is most likely stuck closed."),
    "stop": ("the stop circuit was opened", "Release stop when all is well, or look for a loose wire."),
    "level": ("the oil level fell under heat", "Look for a leak; fill up when it is cool."),
    "sensor_oven": ("an oven sensor was lost", "Mend its wire and wait 30 s."),
    "sensor_tank": ("an oil sensor was lost", "Mend its wire and wait 30 s."),
    "record": ("the board's stored record was damaged", "Look at oven and tank before anything is heated."),
    "host": ("a trip is stored in the board", "The book says what it was. Look at the oven and the oil."),
}
DANGEROUS_FIRST: Final = (
    "smoke", "oil_trip", "oil_still_rising", "oven_over_rising", "oven_rising_off", "tank_rising_off",
)  # fmt: skip
STUCK: Final = frozenset({"oven_over_rising", "oven_rising_off", "tank_rising_off"})
# What to do about a question that is not the program's own, by its id.
ANSWERS: Final[Mapping[str, str]] = {
    "door": "Answer here. If it is, shut it and the heat comes back.",
    "part": "Confirm to go on by the air, less sure; or mend the sensor's wire; or stop.",
}
NOT_BEFORE_A_START: Final = frozenset({"run_paused", "run_too_long", "presence"})


# --- Numbers in words ------------------------------------------------------------------------------------------


def say_temperature(c: float | None, units: Units, digits: int = 0) -> str:
    """A temperature given in °C, said in the chosen units with so many digits, e.g. "205 °C" or "401 °F"."""
    if c is None or c != c:
        return "unknown"
    value = c if units == "C" else c * 1.8 + 32.0
    return f"{value:.{digits}f} °{units}"


def say_difference(k: float, units: Units, digits: int = 0) -> str:
    """A difference given in K: 20 K is 20 °C or 36 °F, never 68."""
    return f"{k if units == 'C' else k * 1.8:.{digits}f} °{units}"


def say_duration(seconds: float) -> str:
    """Seconds below a minute and a half, then minutes, then hours and minutes."""
    if seconds < 90.0:
        return f"{max(0.0, seconds):.0f} s"
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


_IN_TEXT: Final = re.compile(r"(?:(-?\d+(?:\.\d+)?) and )?(-?\d+(?:\.\d+)?) °C( (?:below|above|more|less)\b)?")


def in_units(text: str, units: Units) -> str:
    """The °C of a ready-made sentence in the chosen units; "20 °C below" is a difference, "below 60 °C" is not."""
    if units == "C":
        return text

    def other(match: re.Match[str]) -> str:
        first, value, after = match.groups()
        said = say_difference(float(value), units) if after else say_temperature(float(value), units)
        before = f"{float(first) * 1.8 + 32.0:.0f} and " if first else ""
        return f"{before}{said}{after or ''}"

    return _IN_TEXT.sub(other, text)


# --- The sentence ---------------------------------------------------------------------------------------------


def sentence(snapshot: Snapshot, *, units: Units, data_age_s: float) -> tuple[str, str]:
    """Headline and advice for this snapshot.

    `data_age_s`: how long ago the snapshot was made. Temperatures are said in `units`; clock times stand as
    `{in:SECONDS}` from now. Every text is one or more whole sentences.
    """
    if snapshot.fire:
        return FIRE
    if data_age_s > NO_DATA_AFTER_S:
        return _no_data(data_age_s)
    tripped = [row for row in snapshot.rows if row.state == "trip"]
    if snapshot.verdict == "trip" or tripped:
        return _trip(snapshot, tripped, units)
    board = snapshot.board
    if board.incompatible:
        return _incompatible(snapshot)
    if not board.connected:
        return _no_board(snapshot)
    if board.refuses:
        return REFUSALS[board.refuses]
    said = sorted(_zones(snapshot, units), key=lambda state: state.urgency)
    alert = _alert(snapshot.rows, units)
    if not said:
        headline, advice = _idle(snapshot, units)
        return headline, _join(alert, advice)
    first = said[0]
    return first.headline, _join(first.advice, alert, *(other.headline for other in said[1:]))


def _zones(snapshot: Snapshot, units: Units) -> Iterable[State]:
    """What oven and oil have to say, in no order; nothing from a zone that is off."""
    for states, name, fields in (
        (OVEN_STATES, _oven_state(snapshot), _oven_fields),
        (TANK_STATES, _tank_state(snapshot), _tank_fields),
    ):
        if name is not None:
            state = states[name]
            values = fields(snapshot, units)
            headline = state.headline.format_map(values)
            if name == "prompt" and snapshot.prompt and len(snapshot.prompt.text) <= 70:
                yield State(state.urgency, _full_stop(snapshot.prompt.text), _answer_here(snapshot.prompt.id))
            else:
                yield State(state.urgency, headline, state.advice.format_map(values).strip())


def _oven_state(snapshot: Snapshot) -> str | None:
    oven = snapshot.oven
    if snapshot.prompt is not None:
        return "prompt"
    if oven.phase == "withheld":
        named = _withholding(snapshot.rows, "oven")
        return "paused" if named is None or named.name == "run_paused" else "withheld"
    if oven.phase == "ready" and oven.resumable_run_id is not None:
        return "resumable"
    return oven.phase if oven.phase in OVEN_STATES else None


def _tank_state(snapshot: Snapshot) -> str | None:
    tank = snapshot.tank
    if any(row.name == "tank_limit" and _acts(row) for row in snapshot.rows):
        return "too_hot"
    left_s = snapshot.presence_left_s
    if tank.phase in ("preheat", "in_band") and left_s is not None and left_s <= PRESENCE_SOON_S:
        return "presence"
    return tank.phase if tank.phase in TANK_STATES else None


def _oven_fields(snapshot: Snapshot, units: Units) -> dict[str, str]:
    oven = snapshot.oven
    the = f"the {_short(oven.program)}" if oven.program else "the steel"
    working = "soak" if oven.soak_done_s else "program"
    cause, advice = _cause(_withholding(snapshot.rows, "oven"), units, working)
    many = oven.temper_count > 1
    left_s = _soak_left_s(oven)
    done_min, total_min = (oven.soak_done_s or 0.0) / 60.0, (oven.soak_total_s or 0.0) / 60.0
    about = "" if oven.part_measured else "about "
    return {
        "the": the,
        "The": the[0].upper() + the[1:],
        "question": _full_stop(snapshot.prompt.text) if snapshot.prompt else "",
        "cause": cause,
        "advice": advice,
        "lost": f" {say_duration(oven.lost_s)} lost so far." if oven.lost_s >= 60.0 else "",
        "lapses": "" if oven.wait_left_s is None else f" Lapses in {say_duration(oven.wait_left_s)}.",
        "still_hot": _still_hot(oven, units),
        "soaked": f"{int(done_min)} of {total_min:.0f} min",
        "done": "" if left_s is None else f", done {{in:{left_s:.0f}}}",
        "target": say_temperature(_target_c(oven), units),
        "soak_from": "" if oven.soak_in_s is None else f" Soak from about {{in:{oven.soak_in_s:.0f}}}.",
        "temper": f"Temper {oven.temper_index + 1} of {oven.temper_count}. " if many else "",
        "part_now": "" if oven.part_c is None else f", now {about}{say_temperature(oven.part_c, units)}",
        "next_temper": f"Temper {oven.temper_index + 2} of {oven.temper_count} comes next. You will be called if it "
        "needs your hand.",
    }


def _tank_fields(snapshot: Snapshot, units: Units) -> dict[str, str]:
    tank = snapshot.tank
    cause, advice = _cause(_withholding(snapshot.rows, "tank"), units, "heat")
    left_s, ready_s = snapshot.presence_left_s, tank.ready_expected_s
    now = say_temperature(tank.temperature_c, units)
    clock = "" if ready_s is None else f"{{in:{ready_s:.0f}}}"
    return {
        "cause": cause,
        "advice": advice,
        "target": say_temperature(tank.setpoint_c, units),
        "oil_now": "" if tank.temperature_c is None else f", {now}",
        "oil_steady": "" if tank.temperature_c is None else f", {now} and steady",
        "presence": "" if left_s is None else say_duration(left_s),
        "presence_left": "" if left_s is None else f" Presence runs out in {say_duration(left_s)}.",
        "ready_from": f" Ready about {clock}." if clock else "",
        "ready_at": f" at {clock}" if clock else " later",
    }


def _idle(snapshot: Snapshot, units: Units) -> tuple[str, str]:
    """Nothing is on: is everything cold, and would a start be taken?"""
    warm = [
        f"the {name} is still {say_temperature(zone.temperature_c, units)}"
        for name, zone in (("oven", snapshot.oven), ("oil", snapshot.tank))
        if zone.temperature_c is not None and zone.temperature_c >= WARM_C
    ]
    known = snapshot.oven.temperature_c is not None or snapshot.tank.temperature_c is not None
    headline = "Everything is cold." if known else "Nothing is on."
    if warm:
        headline = f"Nothing is on, but {' and '.join(warm)}."
    failing = [row for row in snapshot.rows if _acts(row) and row.zone != "tank" and row.name not in NOT_BEFORE_A_START]
    if failing:
        cause, advice = _cause(failing[0], units, "program")
        if failing[0].name == "door":
            advice = "Shut it before you start."
        return headline, f"Before a start: {cause}. {advice}"
    if snapshot.board.armed:
        return headline, "Choose a program when the steel is in."
    return headline, "Press the arm button at the oven, then choose a program."


def _no_data(age_s: float) -> tuple[str, str]:
    headline = f"No data for {say_duration(max(2.0, age_s))}. The numbers below are old."
    return headline, "The board keeps its own limits. Look at the oven."


def _no_board(snapshot: Snapshot) -> tuple[str, str]:
    board = snapshot.board
    why = _full_stop(board.port_text) if board.port_text else "Look at the cable and at the board's supply."
    if board.firmware is None or board.data_age_s is None:
        return "No board has answered yet.", f"{why} Nothing is heated from here until it answers."
    headline, advice = _no_data(board.data_age_s)
    return headline, f"{why} {advice}"


def _incompatible(snapshot: Snapshot) -> tuple[str, str]:
    firmware = snapshot.board.firmware
    runs = f"The board runs firmware {firmware}. " if firmware is not None else ""
    what = "message layout" if snapshot.board.incompatible == "layout" else "protocol version"
    return (
        "The board's program and this one do not fit together.",
        f"{runs}Their {what} differs. Update the older of the two; until then there is no heat.",
    )


def _trip(snapshot: Snapshot, tripped: list[RowState], units: Units) -> tuple[str, str]:
    """The host's own row if one stands, one of another version last, else what the board names."""
    bits = {name for bit, name in TRIP_BITS.items() if snapshot.board.trips & bit}
    named = [row for row in tripped if row.name != "board_trip" or _strange(row)]
    named.sort(key=_urgency)
    if named:
        cause, advice = _cause(named[0], units, "program")
        if named[0].name == "oven_limit" and not _strange(named[0]) and snapshot.oven.limit_c is not None:
            cause = f"the oven passed {say_temperature(snapshot.oven.limit_c, units)}"
    else:
        cause, advice = next(
            (said for name, said in BOARD_TRIPS.items() if name in bits),
            ("the board has tripped", "Look at the oven and the oil."),
        )
        advice = f"{in_units(advice, units)} {RESET}"
    end = " Heat is off."
    if "stuck" in bits or any(row.name in STUCK for row in named):
        # Of a relay that does not let go nobody says that the heat is off, and nobody is sent into the smoke.
        smoke = "smoke" in bits or any(row.name == "smoke" for row in named)
        end = "" if smoke else " Unplug it now."
    return f"Stopped: {cause}.{end}", advice


# --- Small parts ------------------------------------------------------------------------------------------------


def _acts(row: RowState) -> bool:
    return row.state in ("withhold", "trip") and not row.text.startswith(UNKNOWN_ROW)


def _strange(row: RowState) -> bool:
    return row.text.startswith(STRANGE_ROW)


def _urgency(row: RowState) -> int:
    """Where a trip stands among those that could be the headline: low ones speak."""
    if _strange(row):
        return 100
    return DANGEROUS_FIRST.index(row.name) if row.name in DANGEROUS_FIRST else 99


def _withholding(rows: Iterable[RowState], zone: str) -> RowState | None:
    """The row to name: one that acts before one that is merely not known, in the table's order."""
    here = [
        row
        for row in rows
        if row.state == "withhold" and (row.zone in (zone, "both") or row.name == OPENS_THE_CONTACTOR)
    ]
    return next((row for row in here if _acts(row)), here[0] if here else None)


def _cause(row: RowState | None, units: Units, work: str) -> tuple[str, str]:
    """Cause without a full stop, for behind a colon; and the advice, whole sentences."""
    if row is None:
        return "the checks are not all good", "Open the checks and see which one."
    if row.text.startswith(UNKNOWN_ROW):
        return "a reading is missing", row.advice
    own = row.text[:1].lower() + row.text[1:].rstrip(".")
    # A latch of another version may have the name of a row of ours, whose words are not its own.
    cause, advice = (own, "") if _strange(row) else CAUSES.get(row.name, (own, ""))
    return in_units(cause, units), in_units((advice or row.advice).replace("{work}", work), units)


def _alert(rows: Iterable[RowState], units: Units) -> str:
    """The first alert, text and advice; empty when there is none."""
    alerts = (row for row in rows if row.state == "alert" and not row.text.startswith(UNKNOWN_ROW))
    return next((in_units(f"{row.text} {row.advice}", units) for row in alerts), "")


def _target_c(oven: OvenView) -> float | None:
    return oven.setpoint_c if oven.target_c is None else oven.target_c


def _soak_left_s(oven: OvenView) -> float | None:
    if oven.temper_index + 1 >= oven.temper_count and oven.ends_in_s is not None:
        return oven.ends_in_s
    if oven.soak_done_s is None or oven.soak_total_s is None:
        return None
    return max(0.0, oven.soak_total_s - oven.soak_done_s)


def _still_hot(oven: OvenView | TankView, units: Units) -> str:
    if oven.temperature_c is None or oven.temperature_c < WARM_C:
        return "Press Stop to close the run."
    return f"Gloves: the oven is still {say_temperature(oven.temperature_c, units)}."


def _answer_here(prompt_id: str) -> str:
    return ANSWERS.get(prompt_id, "Then confirm here.")


def _short(name: str) -> str:
    plain = name.replace("{", "(").replace("}", ")").strip()
    return plain if len(plain) <= LONGEST_NAME else plain[: LONGEST_NAME - 1].rstrip() + "…"


def _full_stop(text: str) -> str:
    plain = text.replace("{", "(").replace("}", ")").strip()
    return plain if plain.endswith((".", "?", "!", "…")) else plain + "."


def _join(*parts: str) -> str:
    return " ".join(part for part in parts if part)
