"""What each field of the wire means, for the tables of `firmware_notes/wire.md`."""

from __future__ import annotations

import re

from controller.wire.messages import FIELD_LISTS, LAYOUT

SID = "the session"
TEMPERATURE = "hundredths of °C, chip scale; 0 when its letter is not `-`"
FLASH = "hundredths of °C: the constant in the program"
IN_FORCE = "hundredths of °C: the limit in force"
WRAPS = "counter, wraps"

GREET = {
    "min": "lowest protocol the host speaks",
    "max": "highest one, not below min",
}
DUTY = {
    "sid": SID,
    "seq": "1 to 1000 ahead of the last good one",
    "oven": "duty of the oven, thousandths",
    "tank": "duty of the tank, thousandths",
    "flags": "sum of: 1 sounder, 2 agitator, 4 contactor wanted, 8 work under way, 16 trip (the host found something)",
}
LIMIT = {
    "sid": SID,
    "seq": "as in S",
    "which": "0 oven trip, 1 tank heater-off, 2 tank trip",
    "limit": "hundredths of °C, 3000 to the constant",
}
BOOT = {
    "proto": "protocol of the board: 1",
    "firmware": "number of the firmware",
    "reset_cause": "sum of: 1 power-on, 2 external, 4 brown-out, 8 watchdog",
    "boots": "boots so far, this one included; wraps",
    "trips": "standing trips, as in T",
}
GREETING = {
    "proto": "protocol of the board: 1",
    "firmware": "number of the firmware",
    "layout": "see below",
    "sid": "the new session; 0: none was opened",
    "chip": "converter: 31855, 31856 or 6675",
    "oven_flash": FLASH + ", 31000",
    "tank_flash": FLASH + ", 11000",
    "oven_limit": IN_FORCE + " for the oven's trip",
    "tank_off": IN_FORCE + " for the tank's heater-off",
    "tank_limit": IN_FORCE + " for the tank's trip",
    "fitted": "sum of: 1 oven, 2 oven limit, 4 tank, 8 tank limit, 16 part sensor; 32, 64 current "
    "sensor of oven, of tank; 128 oil level; 256 agitator; 512 smoke or CO; 1024 door",
    "window_ms": "length of the heaters' window: 1000",
}
ANSWER = {
    "seq": "the sequence number of the S or L",
    "code": "see below",
}
TELEMETRY = {
    "tseq": "number of this frame; wraps",
    "ms": "milliseconds since the boot, modulo 2^32; later means a difference below 2^31",
    "sid": "the open session, 0: none",
    "oven": "oven, control sensor: " + TEMPERATURE,
    "oven_limit": "oven, limit sensor: likewise",
    "tank": "tank, control sensor: likewise",
    "tank_limit": "tank, limit sensor: likewise",
    "part": "part sensor: likewise",
    "cold": "hundredths of °C: cold junction at the oven's chip, or at the first one fitted; a 6675 sends 0",
    "faults": "five characters, one a sensor in the order above: `-` good, `O` open, `G` short to ground, "
    "`V` short to supply, `R` out of range, `X` no valid word from the chip, `N` not fitted",
    "inputs": "sum of: 1 oven door open, 2 stop circuit closed, 4 oil level good, 8 agitator turning, "
    "16 smoke or CO, 32 armed, 64 arm button down, 128 reset button down",
    "outputs": "sum of: 1 oven heater, 2 tank heater, 4 contactor, 8 sounder, 16 agitator",
    "oven_on_ms": "milliseconds that the oven's output was on; wraps",
    "tank_on_ms": "milliseconds that the tank's output was on; wraps",
    "trips": "sum of: 1 oven over its limit, 2 tank over its limit, 4 oven sensor, 8 tank sensor, "
    "16 stop circuit, 32 oil level, 64 smoke or CO, 128 heater current while off, 256 stored record damaged, "
    "512 by the host",
    "arm_left_s": "whole seconds until arming ends, the lesser of the 15 minutes' and the 12 hours' rest; 0: not armed",
    "arms": "presses of the arm button since the boot; wraps",
    "resets": "completed holds of the reset button since the boot; wraps",
    "last_seq": "last good sequence number of the session",
    "age_ms": "time since the last good S (the boot counts as one); stays at 65535",
    "bad_frames": WRAPS,
    "overruns": "received bytes or bursts that were lost; wraps",
}
CODES = {
    0: "done",
    1: "out of range (rule 12), a duty above 1000, flags above 31, which above 2",
    2: "another session, or none is open",
    3: "stale sequence",
    4: "tripped",
    5: "not armed",
    6: "the limits of that zone were not all set since the boot",
}


MESSAGES = {
    "greet": GREET,
    "duty": DUTY,
    "limit": LIMIT,
    "boot": BOOT,
    "greeting": GREETING,
    "answer": ANSWER,
    "telemetry": TELEMETRY,
}
"""In the order of the field lists."""

RANGES = {
    ("greet", "min"): "1..255",
    ("greet", "max"): "1..255",
    ("limit", "limit"): "signed 32 bits",
    ("telemetry", "ms"): "0..4294967295",
    ("telemetry", "faults"): "5 characters",
    **{("greeting", name): "signed" for name in GREETING if name.endswith(("_flash", "_limit", "_off"))},
    **{
        ("telemetry", name): "signed" for name in ("oven", "oven_limit", "tank", "tank_limit", "part", "cold")
    },
}
"""What fits the field, where it is not a whole number of 16 bits."""


def tables() -> dict[str, str]:
    """The generated blocks of the text. ValueError if a field has no meaning, or a meaning no field."""
    made = {}
    for (message, meanings), listed in zip(MESSAGES.items(), FIELD_LISTS, strict=True):
        names = re.findall(r"<(\w+)>", listed)
        if names != list(meanings):
            raise ValueError(f"{message}: the fields {names} are not the explained {list(meanings)}")
        rows = [
            f"| {name} | {RANGES.get((message, name), '0..65535')} | {meanings[name]} |" for name in names
        ]
        made[message] = "\n".join(
            [f"`{listed}`", "", "| field | fits | meaning |", "| --- | --- | --- |", *rows]
        )
    made["layout"] = "\n".join(["```", *FIELD_LISTS, "```", "", f"They give {LAYOUT}."])
    made["codes"] = "\n".join(
        ["| code | meaning |", "| --- | --- |", *(f"| {c} | {m} |" for c, m in CODES.items())]
    )
    return made
