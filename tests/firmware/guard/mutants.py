"""Mistakes that somebody could make in guard.c: each is a piece of its text and what stands there instead."""

# ruff: noqa: E501  (a piece of text and its substitute stand side by side)

from __future__ import annotations

from typing import NamedTuple


class Mutant(NamedTuple):
    """`right` occurs in guard.c exactly once."""

    name: str
    right: str
    wrong: str


MUTANTS = (
    Mutant("a limit is passed only when it is exceeded", "value >= limit || value >= flash", "value > limit || value > flash"),
    Mutant("only the host's limit counts", "value >= limit || value >= flash", "value >= limit"),
    Mutant("only the constant counts", "value >= limit || value >= flash", "value >= flash"),
    Mutant("limits are looked up crosswise", "return which == 0 ? OVEN_FLASH : TANK_FLASH;", "return which != 0 ? OVEN_FLASH : TANK_FLASH;"),
    Mutant("one sample trips", "return again && g->over[sensor] != 0 ?", "return g->over[sensor] != 0 ?"),
    Mutant("no over-temperature trips", "return again && g->over[sensor] != 0 ?", "return again && g->over[sensor] == 0 ?"),
    Mutant("a bad sample starts the count of hot ones anew", "    if (!good) {\n        return 0;\n    }", "    if (!good) {\n        g->over[sensor] = 0;\n        return 0;\n    }"),
    Mutant("bad samples count without heat", "const bool counts = !good && had_heat(g, zone);", "const bool counts = !good;"),
    Mutant("bad samples never count", "const bool counts = !good && had_heat(g, zone);", "const bool counts = false;"),
    Mutant("three bad samples in a row do not trip", "(g->history[sensor] & BAD_IN_A_ROW) == BAD_IN_A_ROW ||", "false ||"),
    Mutant("five bad samples of twenty do not trip", "ones(g->history[sensor]) >= BAD_OF_HISTORY;", "false;"),
    Mutant("heat goes on with a bad sample", "good = good && g->sample.letter[sensor] == '-';", "good = good || g->sample.letter[sensor] == '-';"),
    Mutant("the last sensor alone decides", "good = good && g->sample.letter[sensor] == '-';", "good = g->sample.letter[sensor] == '-';"),
    Mutant("the tank is never too hot", "            g->hot = 1;", "            g->hot = 0;"),
    Mutant("too hot never clears", "            g->hot = 0;", "            g->hot = 1;"),
    Mutant("too hot clears at once", "highest <= in_force(g, 1) - HEATER_OFF_CLEARS", "highest <= in_force(g, 1)"),
    Mutant("the tank's heater-off is not asked", "(g->hot == 0 && stable(g, CONTACT_LEVEL))", "stable(g, CONTACT_LEVEL)"),
    Mutant("the oil level is not asked", "(g->hot == 0 && stable(g, CONTACT_LEVEL))", "g->hot == 0"),
    Mutant("no dead-man", "g->age[AGE_FED] >= SESSION_ENDS_MS || g->age[AGE_FED_AGAIN] >= SESSION_ENDS_MS", "false"),
    Mutant("a limit feeds the dead-man", "        g->limit[which] = limit;\n", "        g->limit[which] = limit;\n        g->age[AGE_FED] = g->age[AGE_FED_AGAIN] = 0;\n"),
    Mutant("a limit may be raised while its zone heats", "(limit > g->limit[which] && g->duty[which == 0 ? 0 : 1] != 0)", "false"),
    Mutant("a limit over the constant is taken", "limit > flash_of((uint8_t)which) ||", "false ||"),
    Mutant("any sequence is good", "return ahead >= 1 && ahead <= SEQUENCE_AHEAD ? DONE : SEQUENCE;", "return DONE;"),
    Mutant("a sequence may stand still", "ahead >= 1 && ahead <= SEQUENCE_AHEAD", "ahead <= SEQUENCE_AHEAD"),
    Mutant("any session is good", "g->sid == 0 || sid != g->sid", "g->sid == 0"),
    Mutant("session 0 is one", "g->sid == 0 || sid != g->sid", "sid != g->sid"),
    Mutant("duty 0 in a refused S is passed over", "    if (none) {\n        no_duty(g);\n    }", ""),
    Mutant("codes 4, 5 and 6 leave the duty", "        no_duty(g);\n        return code;", "        return code;"),
    Mutant("limits need not be set", "(g->limits_set & needed) == needed", "true"),
    Mutant("one limit of the tank is enough", "(g->limits_set & needed) == needed", "(g->limits_set & needed) != 0"),
    Mutant("a trip leaves the board armed", "        g->age[AGE_TRIP] = 0;\n    }\n    disarm(g);\n}\n\n/* What is left", "        g->age[AGE_TRIP] = 0;\n    }\n}\n\n/* What is left"),
    Mutant("a press arms a tripped board", "if (standing(g) == 0 && stable(g, CONTACT_STOP) && g->age[AGE_GOOD_S]", "if (stable(g, CONTACT_STOP) && g->age[AGE_GOOD_S]"),
    Mutant("a press that cannot arm is not counted", "    g->arms++;\n    if (standing(g) == 0", "    if (standing(g) == 0 && ++g->arms"),
    Mutant("a minute of silence leaves it armed", "arm_left(g) == 0 || g->age[AGE_GOOD_S] >= SILENCE_DISARMS_MS", "arm_left(g) == 0"),
    Mutant("arming never lapses", "g->armed != SURE || arm_left(g) == 0 ||", "g->armed != SURE ||"),
    Mutant("flag 8 does not keep it armed", "(flags & FLAG_WORK) != 0 && g->armed == SURE", "false"),
    Mutant("a button held since the boot arms", "contact == CONTACT_PRESS && closed && !stable(g, contact)", "contact == CONTACT_PRESS && closed && (!stable(g, contact) || !(g->settled & BIT(contact)))"),
    Mutant("a hold of the button repeats itself", "        g->reset_ready = 0;\n        return true;", "        return true;"),
    Mutant("a hold clears everything", "(before & bit) != 0 && !cause_gone(g, bit)", "false"),
    Mutant("over-temperature clears at the limit", "in_force(g, (uint8_t)(2 * zone)) - OVER_CLEARS", "in_force(g, (uint8_t)(2 * zone))"),
    Mutant("over-temperature clears without a good sensor", "    return heard;\n", "    return true;\n"),
    Mutant("a sensor trip clears at once", "(g->zone_good[zone] == SURE && g->age[AGE_BAD + zone] >= SENSOR_GOOD_MS)", "g->zone_good[zone] == SURE"),
    Mutant("flag 16 is passed over", "(flags & FLAG_TRIP) != 0 && g->age[AGE_HOLD]", "false && g->age[AGE_HOLD]"),
    Mutant("flag 16 has no second of grace", "(flags & FLAG_TRIP) != 0 && g->age[AGE_HOLD] >= HOLD_GRACE_MS", "(flags & FLAG_TRIP) != 0"),
    Mutant("the stop circuit is not watched", "if (is_open(g, CONTACT_STOP)) {", "if (false) {"),
    Mutant("a contact that flutters is never believed", "contact < CONTACT_ARM && g->age[AGE_CALM", "false && g->age[AGE_CALM"),
    Mutant("a contact that stood still counts as fluttering", "g->age[AGE_CALM + contact] = 0;", ";"),
    Mutant("a smoke contact that flutters is safe", "closed = contact == CONTACT_DOOR || contact == CONTACT_SMOKE;", "closed = contact == CONTACT_DOOR;"),
    Mutant("smoke is not watched", "if (stable(g, CONTACT_SMOKE)) {", "if (false) {"),
    Mutant("a lost level trips a cold tank", "is_open(g, CONTACT_LEVEL) && had_heat(g, 1)", "is_open(g, CONTACT_LEVEL)"),
    Mutant("a lost level never trips", "is_open(g, CONTACT_LEVEL) && had_heat(g, 1)", "false"),
    Mutant("current while off is not watched", "g->age[AGE_QUIET + zone] >= STUCK_MS", "false"),
    Mutant("current trips while the output is on", "(g->currents & BIT(zone)) == 0 || heating(g, zone)", "(g->currents & BIT(zone)) == 0"),
    Mutant("the contactor needs no arming", "(g->flags & FLAG_CONTACTOR) != 0 && g->armed == SURE &&", "(g->flags & FLAG_CONTACTOR) != 0 &&"),
    Mutant("the contactor is always wanted", "(g->flags & FLAG_CONTACTOR) != 0 && g->armed == SURE &&", "g->armed == SURE &&"),
    Mutant("heaters do not wait for the contactor", "contactor && g->age[AGE_CONTACTOR] >= CONTACTOR_WAIT_MS", "contactor"),
    Mutant("heat that was taken comes back in the same window", "        if (!allowed[zone]) {\n            g->on[zone] = 0;\n        }\n", ""),
    Mutant("the tank starts the window", "zone == 0 ? into < g->on[0] :", "true ? into < g->on[zone] :"),
    Mutant("short on-times are lost", "rest < SHORTEST_ON_MS ? rest : SHORTEST_ON_MS - 1", "0U"),
    Mutant("carried time overlaps", "sum > WINDOW_MS && g->duty[0] + g->duty[1] <= FULL_DUTY", "false"),
    Mutant("the sounder stops with the host", "shown = g->kept;", "shown = 0;"),
    Mutant("a trip is silent", "        shown |= FLAG_SOUNDER;", "        shown |= 0;"),
    Mutant("a session without an S silences a trip", "g->sid == 0 || g->age[AGE_GOOD_S] >= SESSION_ENDS_MS;", "g->sid == 0;"),
    Mutant("a trip sounds for ever", "standing(g) != 0 && g->age[AGE_TRIP] < SOUND_MS", "standing(g) != 0"),
    Mutant("what was kept on stays on", "            g->kept = 0;\n", ""),
    Mutant("a new session keeps the flags", "        g->flags = g->kept = 0;\n", "        g->kept = 0;\n"),
    Mutant("a new session keeps the duty", "        g->flags = g->kept = 0;\n        no_duty(g);\n", "        g->flags = g->kept = 0;\n"),
    Mutant("a new session disarms", "        g->flags = g->kept = 0;\n        no_duty(g);\n", "        g->flags = g->kept = 0;\n        disarm(g);\n"),
    Mutant("trips are not stored", "    g->slots_due = 3;\n", ""),
    Mutant("a damaged record is no trip", "        trips |= TRIP_RECORD;\n", ""),
    Mutant("the check of a frame is not looked at", "return crc == guard_crc(g->body, (uint8_t)(g->length - 5));", "return true;"),
    Mutant("the fields end at any *", "return at == end;", "return *at == '*';"),
    Mutant("a number may begin with 0", "(*text == '0' && (negative || (text[1] >= '0' && text[1] <= '9')))", "false"),
    Mutant("a duty over 1000 is taken", "duty[0] > FULL_DUTY || duty[1] > FULL_DUTY ||", "false ||"),
    Mutant("a zone that is not fitted is heated", "(duty[0] != 0 && !zone_fitted(0)) ||\n        (duty[1] != 0 && !zone_fitted(1))", "false"),
    Mutant("half a frame is never dropped", "g->in_frame && g->age[AGE_BYTE] >= HALF_FRAME_MS", "false"),
    Mutant("an age wraps", "g->age[age] > OLDEST - elapsed ? OLDEST : g->age[age] + elapsed", "g->age[age] + elapsed"),
)  # fmt: skip
