"""Every kind of event the core can make, with what it means. DEVELOPERS.md carries the same table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

KINDS: Final[Mapping[str, str]] = {
    "request_accepted": "a request was taken; run_id and phase where they came of it",
    "request_refused": "a request was not taken, with every reason",
    "board_found": "a board answered the greeting",
    "board_lost": "no telemetry for 1.5 s",
    "board_back": "telemetry again, same boot",
    "board_rebooted": "the board started anew",
    "board_incompatible": "board and daemon do not speak the same protocol or layout",
    "armed": "the arm button allowed heat",
    "disarmed": "arming ended: lapse, trip, stop circuit, boot or silence",
    "arm_wanted": "something waits for the arm button",
    "arm_wait_over": "nobody pressed the arm button within 5 min",
    "button_pressed": "the arm button was pressed: somebody is there",
    "interlock_alert": "a row of the interlock table alerts",
    "interlock_withheld": "a row withholds heat",
    "interlock_tripped": "a row tripped; heat is off until it is reset at the machine",
    "interlock_cleared": "a row holds again",
    "trip_reset": "a latched trip was reset by hand at the machine",
    "reset_refused": "the reset button was held while a cause still stood",
    "run_started": "a run was accepted",
    "heat_up": "a temper begins to heat",
    "soak_begun": "the part is in band",
    "soak_done": "a soak is done and another temper follows",
    "prompt_asked": "the program waits for a hand",
    "prompt_confirmed": "the hand's work is done",
    "run_paused": "the run waits for the arm button and for resume",
    "run_resumed": "a paused or cut-off run goes on",
    "run_resumable": "a run was cut off by a restart and can go on",
    "run_ended": "a run is over: ended, stopped or tripped, with what each temper did",
    "tank_on": "the oil got a target",
    "tank_off": "the oil lost its target",
    "oil_ready": "the oil is in band and steady",
    "oil_left_band": "the oil is out of its band",
    "presence_wanted": "5 min until the oil's heat is withheld",
    "presence": "somebody said that they are there",
    "quench_declared": "the smith quenched, with mass and forecast if given",
    "quench_seen": "a step in the oil, taken as a quench",
    "quench_asked": "the arm button was pressed beside ready oil: was that a quench?",
    "quench_measured": "what a quench did to the oil, beside what was expected",
    "temper_wanted": "quenched 20 min or an hour ago, and no run is on",
    "stir_wanted": "the oil is nearly ready and lies in layers",
}
