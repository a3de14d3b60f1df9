"""The interlock table: what must hold before there is heat, one row for each cause.

A row says `fact < limit`, never the opposite, so that a NaN fails it. Rules that were tried on simulated
ovens and tanks in normal use (doors, cold steel, unloading, quenches) give the figures; those taken from a
standard or from the trade name it in `limits.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from controller.model import (
    FITTED_AGITATOR,
    FITTED_DOOR,
    FITTED_LEVEL,
    FITTED_OVEN_LIMIT,
    FITTED_PART,
    FITTED_SMOKE,
    FITTED_TANK_LIMIT,
)

Action = Literal["alert", "withhold", "trip"]
Zone = Literal["oven", "tank", "both"]


@dataclass(frozen=True, slots=True)
class Row:
    """One interlock.

    `fact`: the number of `Facts` that must stay below `limit` (a number, or a name in `Limits`). `bear_s`: how
    long a failure is borne; an unknown is never borne. `clear`: a withhold or alert ends below it; a trip's
    cause counts as gone below it. `good`, `text`, `advice`: the sentences while it holds, and when it does not.
    `needs`: the FITTED bit without which the row is not fitted. `latched`: False where the board keeps the latch.
    `proven`: True where a latch is let go only by a fact that was judged: NEVER, "it does not arise", is not enough.
    """

    name: str
    zone: Zone
    fact: str
    limit: float | str
    action: Action
    good: str
    text: str
    advice: str
    bear_s: float = 0.0
    clear: float | str | None = None
    clear_below_k: float = 0.0
    needs: int = 0
    latched: bool = True
    proven: bool = False


RESET: Final = "Then hold the reset button at the machine for 2 s."

BOARD_ROWS: Final = (
    Row("board_silent", "both", "board_silent_s", 1.5, "withhold",
        "The board reports four times a second.",
        "No word from the board.",
        "Look at the cable and at the board's supply. A board that hears nothing takes the heat off by itself.",
        clear=1.0),
    Row("board_protocol", "both", "incompatible", 0.5, "withhold",
        "Board and daemon speak the same protocol.",
        "The board's program and this one do not fit together.",
        "Update the side that is older; the Shop page names both versions."),
    Row("board_chip", "both", "chip_unfit", 0.5, "withhold",
        "The board's chips can read this type of thermocouple.",
        "The board's thermocouple chips (MAX6675) read type K only, and the shop file names another type.",
        "Fit type K thermocouples and say so in the shop file, or use a board with other chips."),
    Row("board_trip", "both", "board_trips", 0.5, "trip",
        "The board has no trip.",
        "The board has tripped.",
        "Look at what it names. " + RESET, latched=False),
    Row("stop_circuit", "both", "stop_open", 0.5, "trip",
        "The stop circuit is closed.",
        "The stop circuit is open.",
        "Somebody pressed stop, or a wire is off. Release it when all is well. " + RESET),
    Row("smoke", "both", "smoke", 0.5, "trip",
        "No smoke or CO alarm.",
        "The smoke or CO contact has closed.",
        "Leave the shop, air it, look for fire from outside. An oven on fire stays shut: door shut, switch off at the "
        "wall from a distance, leave and call. " + RESET, needs=FITTED_SMOKE),
    Row("cold_junction", "both", "cold_off_middle_k", 45.0, "withhold",
        "The terminal block is between -20 and 70 °C.",
        "The thermocouple terminals are too hot or too cold to measure with.",
        "Move the board's box away from the heat.", bear_s=2.0, clear=43.0),
    Row("shared_circuit", "both", "duty_sum", 1.0015, "withhold",
        "Oven and tank together stay within one circuit.",
        "Oven and tank asked for more than their one circuit gives.",
        "Nothing to do; this is shared out by itself. If it stays, report it."),
)  # fmt: skip

OVEN_ROWS: Final = (
    Row("oven_fitted", "oven", "oven_zone_missing", 0.5, "withhold",
        "The board has the oven's sensor and heater.",
        "The shop file has an oven, but the board says that none is fitted.",
        "Correct the shop file, or set up the board for an oven."),
    Row("oven_sensor", "oven", "oven_bad", 0.5, "withhold",
        "The oven's sensors read well.",
        "An oven sensor gives no good reading.",
        "Look for a loose, broken or touching thermocouple wire."),
    Row("oven_sensor_lost", "oven", "oven_bad_hot", 0.5, "trip",
        "No oven sensor was lost under heat.",
        "An oven sensor was lost while the oven was heating.",
        "Mend the thermocouple and wait until it has read well for 30 s. " + RESET),
    Row("oven_limit", "oven", "oven_max_c", "oven_limit_c", "trip",
        "The oven is under its limit.",
        "The oven passed its limit.",
        "Likely causes: a relay stuck closed, a sensor out of its place, the oven's own thermostat bypassed. "
        "Let it cool 20 °C below the limit. " + RESET, clear="oven_limit_c", clear_below_k=20.0),
    Row("oven_hot", "oven", "oven_hot_k", 15.0, "alert",
        "The oven is not too hot for a start that was asked for.",
        "The oven is more than 15 °C above the first temper that was asked for, so the start was refused.",
        "Open the door and wait; start again when this is good."),
    Row("oven_jump", "oven", "oven_jump_s", 1.0, "withhold",
        "The oven's readings move as heat can move.",
        "An oven reading jumped further than heat can.",
        "Look for a loose thermocouple wire or interference from the relay wiring."),
    Row("oven_jump_lasting", "oven", "oven_jump_trip_s", 10.0, "trip",
        "No jump of a reading has lasted.",
        "An oven reading jumped and did not come back.",
        "Look for a loose thermocouple wire. " + RESET),
    Row("oven_frozen", "oven", "oven_frozen_s", 60.0, "trip",
        "The oven's readings are alive.",
        "An oven reading stands still while the oven heats.",
        "The sensor's chip may hang: switch the board off and on, and look at its wiring. " + RESET),
    Row("oven_over_program", "oven", "oven_over_k", 25.0, "withhold",
        "The air keeps to the program.",
        "The oven is well above what the program asks.",
        "Wait. Likely causes: a relay stuck closed, or the sensor was moved.", bear_s=20.0, clear=5.0),
    Row("oven_over_rising", "oven", "oven_over_rising_k", 2.0, "trip",
        "The oven obeys when the heat is taken off.",
        "The oven goes on heating with its heat taken off.",
        "The relay is most likely stuck closed. Unplug the oven; test the relay before it is used again. " + RESET),
    Row("oven_over_again", "oven", "oven_over_times", 2.0, "trip",
        "The oven did not run away twice.",
        "The oven ran well above its program twice in one run.",
        "The relay is most likely stuck closed; only the contactor took the heat off. Unplug the oven; test the "
        "relay before it is used again. " + RESET),
    Row("oven_rising_off", "oven", "oven_rising_off_k", 5.0, "trip",
        "The oven does not heat by itself.",
        "The oven is rising with its heat off.",
        "The relay is most likely stuck closed. Unplug the oven; test the relay before it is used again. " + RESET,
        proven=True),
    Row("oven_no_rise", "oven", "oven_no_rise_k", 0.0, "trip",
        "The oven answers to its heat.",
        "Heated for minutes, and the oven did not warm.",
        "Likely causes: the oven's own timer or thermostat is off, an element is open, the plug is out, or the "
        "sensor fell from its place. " + RESET),
    Row("oven_falling", "oven", "oven_fall_k", 5.0, "trip",
        "The oven does not cool while it heats.",
        "The reading fell while the oven was heating with its door shut.",
        "The sensor may have fallen out, or its wires are reversed. " + RESET, needs=FITTED_DOOR),
    Row("oven_falling_asked", "oven", "oven_fall_asked", 0.5, "withhold",
        "The oven does not cool while it heats.",
        "The oven is cooling while it heats. Is the door open?",
        "Shut it and the heat comes back."),
    Row("oven_falling_lasting", "oven", "oven_fall_unanswered", 0.5, "trip",
        "No unexplained fall of the oven.",
        "The reading fell while the oven was heating, and it was not the door.",
        "The sensor may have fallen out, or its wires are reversed. " + RESET),
    Row("oven_disagree", "oven", "oven_disagree_k", 25.0, "trip",
        "The two oven sensors agree.",
        "The two oven sensors disagree.",
        "One of them was moved, or is failing. " + RESET, bear_s=300.0, needs=FITTED_OVEN_LIMIT),
    Row("part_over", "oven", "part_over_k", 8.0, "withhold",
        "The steel is not over its temperature.",
        "The steel is hotter than the program asks.",
        "Wait; the heat comes back when the steel has cooled.", bear_s=60.0, clear=3.0, needs=FITTED_PART),
    Row("part_sensor", "oven", "part_bad", 0.5, "alert",
        "The sensor on the steel reads well.",
        "The sensor on the steel is lost. The run goes on with an estimate.",
        "Look at its wire when the oven is cold. The estimate is less sure.", bear_s=2.0, needs=FITTED_PART),
    Row("part_unknown", "oven", "part_unasked", 0.5, "withhold",
        "The steel is measured, or its size is known.",
        "The sensor on the steel is lost, and the steel's mass and section are not known.",
        "Mend its wire, or answer here to go on by the air.", bear_s=2.0, needs=FITTED_PART),
    Row("door", "oven", "door_open", 0.5, "withhold",
        "The oven door is shut.",
        "The oven door is open.",
        "Shut it and the heat comes back.", needs=FITTED_DOOR),
    Row("oven_one_sensor", "oven", "cutout_missing", 0.5, "withhold",
        "The oven has a second sensor or a named independent cut-out.",
        "This oven has one sensor only and no independent cut-out is named in the shop file.",
        "Fit the limit sensor, or a manual-reset thermostat and name it under oven.independent_cutout."),
    Row("oven_delivery", "oven", "asked_applied_oven", 0.1, "trip",
        "The board drives the oven as it was asked.",
        "The board did not drive the oven as it was asked.",
        "Report this with the record of the run. " + RESET),
    Row("run_paused", "oven", "paused", 0.5, "withhold",
        "No run is paused.",
        "The run is paused.",
        "Press the arm button at the oven, then Resume."),
    Row("run_too_long", "oven", "too_long_s", 0.0, "withhold",
        "The run is not long overdue.",
        "The run is four hours past its expected end.",
        "Look at the oven, then say that you are here.", clear=-1.0),
)  # fmt: skip

TANK_ROWS: Final = (
    Row("tank_fitted", "tank", "tank_zone_missing", 0.5, "withhold",
        "The board has the tank's sensor and heater.",
        "The shop file has a tank, but the board says that none is fitted.",
        "Correct the shop file, or set up the board for a tank."),
    Row("oil_trip", "tank", "tank_max_c", "oil_trip_c", "trip",
        "The oil is far from its flash point.",
        "The oil passed its trip temperature.",
        "Heat off from a distance, metal lid on, nobody near. Class B or K extinguisher, never water. "
        "Wait until it is below 60 °C. " + RESET, clear=60.0),
    Row("tank_sensor", "tank", "tank_bad", 0.5, "withhold",
        "The oil's sensors read well.",
        "An oil sensor gives no good reading.",
        "Look for a loose, broken or touching thermocouple wire."),
    Row("tank_sensor_lost", "tank", "tank_bad_hot", 0.5, "trip",
        "No oil sensor was lost under heat.",
        "An oil sensor was lost while the oil was heating.",
        "Mend the thermocouple and wait until it has read well for 30 s. " + RESET),
    Row("oil_unknown", "tank", "oil_unknown", 0.5, "withhold",
        "The oil is known and may be heated.",
        "The oil is not known, or is one that must not be heated.",
        "Name a quench oil or a fresh vegetable oil in the shop file."),
    Row("oil_ceiling", "tank", "tank_max_c", "oil_ceiling_c", "withhold",
        "The oil is under its ceiling.",
        "The oil is over its ceiling.",
        "Wait, and stir.", clear="oil_ceiling_c", clear_below_k=3.0),
    Row("tank_limit", "tank", "tank_max_c", "tank_limit_c", "withhold",
        "The oil is cool enough to quench in.",
        "The oil is too hot to quench in.",
        "Wait until it has cooled.", clear="tank_limit_c", clear_below_k=3.0),
    Row("tank_limit_heating", "tank", "tank_hot_c", "tank_limit_c", "trip",
        "The tank heater never took the oil to its limit.",
        "The tank heater took the oil to its limit.",
        "Likely causes: a relay stuck closed, oil low, not stirred. " + RESET,
        clear="tank_limit_c", clear_below_k=3.0),
    Row("tank_frozen", "tank", "tank_frozen_s", 60.0, "trip",
        "The oil's readings are alive.",
        "An oil reading stands still while the oil heats.",
        "The sensor's chip may hang: switch the board off and on, and look at its wiring and the heater's. " + RESET),
    Row("tank_no_rise", "tank", "tank_no_rise", 0.0, "trip",
        "The oil answers to its heater.",
        "Heated for minutes, and the oil hardly warmed.",
        "Likely causes: the heater is open, its plug is out, or the sensor is out of the oil. " + RESET),
    Row("tank_apart", "tank", "tank_apart_k", 10.0, "trip",
        "The two oil sensors agree.",
        "The two oil sensors are far apart while the oil heats.",
        "One may be out of the oil, or the oil is not stirred. " + RESET, bear_s=120.0, needs=FITTED_TANK_LIMIT),
    Row("tank_falling", "tank", "tank_fall_k", 3.0, "trip",
        "The oil does not cool while it heats.",
        "The oil's reading fell while its heater was on.",
        "The sensor may be out of the oil. " + RESET),
    Row("tank_rising_off", "tank", "tank_rising_off_k", 4.0, "trip",
        "The oil does not heat by itself.",
        "The oil is rising with its heater off.",
        "The relay is most likely stuck closed. Unplug the tank; test the relay before it is used again. " + RESET,
        proven=True),
    Row("oil_step", "tank", "oil_step", 0.5, "alert",
        "No unexplained step in the oil.",
        "The oil rose at once, as after a quench.",
        "If you quenched, enter the mass in the book."),
    Row("oil_still_rising", "tank", "oil_still_rising", 0.0, "trip",
        "The oil settles after a quench.",
        "The oil is still rising after the quench. Look for fire.",
        "Heat off from a distance, metal lid on. Class B or K extinguisher, never water. " + RESET),
    Row("boil_over", "tank", "oil_hottest_c", "boil_over_c", "alert",
        "The oil is well below the boiling point of water.",
        "The oil is nearly as hot as boiling water. Water in it would throw it out of the tank.",
        "Stand back, nothing wet near it, heat off. It crackles or foams: leave it alone until it has cooled.",
        clear="boil_over_c", clear_below_k=3.0),
    Row("oil_over_target", "tank", "oil_over_times", 2.0, "alert",
        "The oil did not pass its target twice with its heater off.",
        "The oil passed its target twice with its heater off.",
        "The relay may be stuck closed, and only the contactor takes the heat off. Unplug the tank; test the relay."),
    Row("oil_enough", "tank", "quench_forecast_c", "tank_limit_c", "alert",
        "The oil can take the steel that was announced.",
        "That is too much steel for this oil.",
        "Quench less at a time, or use more oil."),
    Row("level", "tank", "level_low", 0.5, "withhold",
        "The oil level is good.",
        "The oil level is low.",
        "Fill up with the same oil before it is heated.", needs=FITTED_LEVEL),
    Row("level_heating", "tank", "level_low_hot", 0.5, "trip",
        "The oil level never fell under heat.",
        "The oil level fell while the tank was heating.",
        "A bare heater can light the oil. Look for a leak, fill up when it is cool. " + RESET, needs=FITTED_LEVEL),
    Row("agitator", "tank", "agitator_still_s", 3.0, "withhold",
        "The stirrer turns when it should.",
        "The stirrer does not turn.",
        "Free it, or stir by hand and keep the heater off.", needs=FITTED_AGITATOR),
    Row("tank_delivery", "tank", "asked_applied_tank", 0.1, "trip",
        "The board drives the tank as it was asked.",
        "The board did not drive the tank as it was asked.",
        "Report this with the record. " + RESET),
    Row("presence", "tank", "presence_wanted_s", 1800.0, "withhold",
        "Somebody is with the hot oil.",
        "Nobody has said for 30 min that they are with the oil.",
        "Say that you are here, or press the arm button."),
)  # fmt: skip

TABLE: Final = BOARD_ROWS + OVEN_ROWS + TANK_ROWS
