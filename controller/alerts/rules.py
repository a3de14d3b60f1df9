"""Which events a person is told of, and how urgently. A test holds this against the core's list of events."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

from controller.model import Event, Snapshot, Urgency
from controller.words import Units, in_units, sentence

AGAIN_AFTER_S: Final = 600.0
"""Of one subject nothing but a trip is said twice within this: a flickering contact is one thing to see to."""


class Rule(NamedTuple):
    """`of`: what makes the event's subject beside its kind: keys of its data, or "text", its own."""

    urgency: Urgency
    of: tuple[str, ...] = ()


RULES: Final[Mapping[str, Rule]] = {
    "interlock_tripped": Rule("trip", ("interlock",)),
    "interlock_withheld": Rule("hand", ("interlock",)),
    "interlock_alert": Rule("hand", ("interlock",)),
    "board_lost": Rule("hand"),
    "board_incompatible": Rule("hand"),
    "board_tripped_again": Rule("trip", ("text",)),
    "board_refuses": Rule("hand", ("which",)),
    "record_trouble": Rule("hand", ("text",)),
    "prompt_asked": Rule("hand", ("run_id", "text")),
    "run_paused": Rule("hand", ("run_id",)),
    "run_resumable": Rule("hand", ("run_id",)),
    "run_lapsed": Rule("news", ("run_id",)),
    "run_ended": Rule("hand", ("run_id",)),
    "soak_begun": Rule("news", ("run_id", "text")),
    "arm_wait_over": Rule("news"),
    "oil_ready": Rule("hand"),
    "oil_left_band": Rule("hand"),
    "presence_wanted": Rule("hand"),
    "quench_seen": Rule("news"),
    "quench_asked": Rule("hand"),
    "quench_measured": Rule("news"),
    "temper_wanted": Rule("hand"),
    "stir_wanted": Rule("hand"),
}

NOT_TOLD: Final[Mapping[str, str]] = {
    "request_accepted": "whoever asked sees the answer",
    "request_refused": "whoever asked sees the answer",
    "board_found": "nothing to do",
    "record_back": "nothing to do",
    "board_back": "nothing to do",
    "board_rebooted": "a run that it paused is told as paused",
    "armed": "whoever armed stands there",
    "disarmed": "a trip is told by itself, a lapse wants nothing",
    "arm_wanted": "whoever started it sees it; when the wait is over, that is told",
    "button_pressed": "whoever pressed stands there",
    "interlock_cleared": "nothing to do",
    "trip_reset": "whoever reset it stands there",
    "reset_refused": "whoever holds the button reads the page",
    "run_started": "whoever started it sees it",
    "heat_up": "nothing to do",
    "soak_done": "the next temper follows by itself, or a prompt does",
    "prompt_confirmed": "whoever confirmed stands there",
    "run_resumed": "whoever resumed sees it",
    "tank_on": "whoever asked sees it",
    "tank_off": "whoever asked sees it, a cause is told as withheld",
    "tank_withheld": "the oven's row is told, which is the cause",
    "presence": "somebody is there",
    "quench_declared": "whoever quenched stands there",
}

LASTS: Final[Mapping[str, tuple[str, ...]]] = {
    "interlock_withheld": ("interlock_cleared", "interlock_tripped"),
    "interlock_alert": ("interlock_cleared",),
    "board_lost": ("board_back",),
    "board_incompatible": (),
    "board_refuses": (),
    "record_trouble": ("record_back",),
    "prompt_asked": ("prompt_confirmed", "run_ended"),
    "run_paused": ("run_resumed", "run_ended"),
    "run_resumable": ("run_resumed", "run_ended", "run_lapsed", "run_started"),
    "oil_ready": ("oil_left_band", "tank_off"),
    "oil_left_band": ("oil_ready", "tank_off"),
    "presence_wanted": ("presence", "button_pressed", "quench_declared", "tank_on", "tank_off"),
}
"""Kinds whose cause lasts until somebody comes, and the kinds that say that it is over (of the same row or run, where
both name one; a start, whose run is a new one, takes any offer away). What is not said again at once is said when
AGAIN_AFTER_S is over, if the cause then still lasts."""

ENDS_WITH_THE_SERVICE: Final = frozenset(
    {"board_incompatible", "prompt_asked", "run_paused", "run_resumable", "oil_ready", "oil_left_band",
     "presence_wanted"}
)  # fmt: skip
"""Kinds whose cause outlasts no restart: that takes the oil's heat away, and offers the run and greets the board anew,
of which the next process tells by itself."""

ROWS_NOT_TOLD: Final = frozenset(
    {"board_silent", "board_trip", "run_paused", "shared_circuit", "oven_fitted", "tank_fitted", "oil_unknown", "door"}
)
"""Rows whose withholding has an event of its own, or is seen by whoever stands there."""

OWN_HEADLINE: Final = frozenset(
    {
        "interlock_alert", "quench_seen", "quench_asked", "quench_measured", "temper_wanted", "stir_wanted",
        "run_lapsed", "record_trouble",
    }
)  # fmt: skip
"""Kinds that the page's headline does not speak of: "Everything is cold." is no title for a quench that went wrong."""

NOTHING: Final = "Nothing to do."
"""What the page says of a run that goes well, and no alert that asks for a hand."""

OF_THE_RUN: Final = frozenset({"soak_begun", "run_ended"})
"""Kinds of the oven alone: while the tank is on as well, the page's headline may be the oil's."""

_CLOCK: Final = re.compile(r"\{in:(-?\d+(?:\.\d+)?)\}")


class Told(NamedTuple):
    """What is to be said of an event."""

    urgency: Urgency
    subject: str
    headline: str
    text: str


def what_to_tell(
    event: Event, snapshot: Snapshot, *, units: Units, clock_in: Callable[[float], str]
) -> Told | None:
    """What a person is told of this event, None for nothing. `clock_in`: seconds from now to a local clock time."""
    rule = RULES.get(event.kind)
    if rule is None or _of_no_use(event):
        return None
    headline, advice = sentence(snapshot, units=units, data_age_s=0.0)
    if rule.urgency == "hand":
        advice = advice.replace(NOTHING, "").strip()
    urgency: Urgency = "fire" if snapshot.fire and rule.urgency == "trip" else rule.urgency
    about = {**event.data, "text": event.text}
    subject = ":".join((event.kind, *(str(about.get(key, "")) for key in rule.of)))
    own = in_units(event.text, units)
    own = "" if urgency == "fire" or own.rstrip(".") == headline.rstrip(".") else own
    of_the_other = event.kind in OF_THE_RUN and snapshot.tank.phase != "off"
    if own and (event.kind in OWN_HEADLINE or of_the_other):
        first, _, rest = own.partition(". ")
        parts = [f"{first}." if rest else first, rest, headline, advice.replace(own, "").strip()]
    else:
        parts = [headline, "" if own in advice else own, advice]
    parts = [_with_clock(part, clock_in) for part in parts if part]
    return Told(urgency, subject, parts[0], " ".join(parts[1:]))


def is_over(lasting: Event, event: Event) -> bool:
    """Whether this event says that the cause of that one is gone."""
    if event.kind not in LASTS.get(lasting.kind, ()):
        return False
    same = ("interlock",) if event.kind == "run_started" else ("run_id", "interlock")
    return all(lasting.data[key] == event.data[key] for key in same if key in lasting.data and key in event.data)


def _of_no_use(event: Event) -> bool:
    """A run that somebody stopped, or whose trip is told by itself; a row that is seen by whoever is there."""
    if event.kind == "run_ended":
        return event.data.get("outcome") != "ended"
    return event.kind == "interlock_withheld" and event.data.get("interlock") in ROWS_NOT_TOLD


def _with_clock(text: str, clock_in: Callable[[float], str]) -> str:
    return _CLOCK.sub(lambda match: clock_in(float(match[1])), text)
