"""What a person wants, answered in the tick: accepted, or refused with every reason."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from controller.core.asked import DOOR_PROMPT, PART_PROMPT, sentence_of
from controller.core.moment import Moment
from controller.model import (
    Confirm,
    Preheat,
    Presence,
    Quench,
    Reason,
    Request,
    Resume,
    Start,
    StopAll,
    StopOven,
    TankOff,
)

if TYPE_CHECKING:
    from controller.core.tick import Core

# Rows that do not speak against a start: a paused run is dropped by it, an overdue one is over.
NOT_AT_START: Final = frozenset({"run_paused", "run_too_long", "presence", "part_unknown"})
# A run that goes on is on, may find its oven hot, and was not too long when it began.
NOT_AT_RESUME: Final = frozenset({"run_on", "oven_hot", "too_long"})
STOPS: Final = (StopAll, StopOven, TankOff)
DECLARED: Final[Mapping[str, str]] = {
    "first": "A quench was declared.",
    "second": "Another part went into the oil after the first.",
    "fills": "The mass of the quench was filled in.",
}
REMARKS: Final[Mapping[str, str]] = {
    "again": "Declared a moment ago; taken as the same quench.",
    "second": "Taken as another part in the same oil: its heat comes on top of the first one's.",
    "fills": "Taken as the mass of the quench before; of another part it has to be said that it is one.",
}


def stops_last(requests: Sequence[Request]) -> Sequence[Request]:
    """All of a tick's in their order, but the stops last: within a tick nothing is begun after a Stop."""
    return sorted(requests, key=lambda request: isinstance(request.wish, STOPS))


def answer(core: Core, request: Request, moment: Moment) -> None:
    """Do what was asked, or not; exactly one event says which."""
    wish = request.wish
    reasons, extra = _HANDLERS[type(wish)](core, wish, request.who, moment)
    asked = {"wish": type(wish).__name__, "who": request.who}
    if reasons:
        text = " ".join(reason.text for reason in reasons)
        moment.happened("request_refused", text, request_id=request.id, reasons=reasons, **asked)
    else:
        moment.happened("request_accepted", sentence_of(request), request_id=request.id, **asked, **extra)


_Answer = tuple[tuple[Reason, ...], dict[str, Any]]


def _interlocks(core: Core, zone: str) -> list[Reason]:
    failing = [row for row in core.interlocks.failing(zone) if row.name not in NOT_AT_START]
    if core.silent:
        # Without a word from the board nothing is known: one cause, not one for every row.
        failing = [row for row in failing if row.name == "board_silent" or row.state == "trip"]
        port = core.reading.port_text
        if port:
            tripped = [Reason(row.name, f"{row.text} {row.advice}") for row in failing if row.state == "trip"]
            return [Reason("board_silent", port), *tripped]
    return [Reason(row.name, f"{row.text} {row.advice}") for row in failing]


def _start(core: Core, wish: Start, who: str, moment: Moment) -> _Answer:
    reasons = core.oven.refusals(wish.program, wish.load, core.facts) + _interlocks(core, "oven")
    if any(reason.code == "oven_hot" for reason in reasons):
        core.oven.refused_as_too_hot(wish.program.tempers[0].temperature_c)
    if reasons:
        return tuple(reasons), {}
    core.oven.start(wish, who, moment)
    run = core.oven.run
    return (), {"run_id": run.run_id if run else None, "phase": core.oven.phase}


def _resume(core: Core, wish: Resume, who: str, moment: Moment) -> _Answer:
    reasons = core.oven.resume_refusals(wish.run_id) + _interlocks(core, "oven")
    run = core.oven.resumed_run()
    if not reasons and run is not None:
        # A run that goes on meets today's limits: the shop file or the board may be another than when it began.
        found = core.oven.refusals(run.program, run.load, core.facts)
        reasons = [one for one in found if one.code not in NOT_AT_RESUME]
    if reasons:
        return tuple(reasons), {}
    core.oven.resume(moment)
    return (), {"run_id": wish.run_id, "phase": core.oven.phase}


def _stop_oven(core: Core, wish: StopOven, who: str, moment: Moment) -> _Answer:
    core.oven.stop(moment)
    return (), {"phase": core.oven.phase}


def _stop_all(core: Core, wish: StopAll, who: str, moment: Moment) -> _Answer:
    core.oven.stop(moment)
    core.tank.off(moment)
    return (), {"phase": core.oven.phase}


def _confirm(core: Core, wish: Confirm, who: str, moment: Moment) -> _Answer:
    prompt = core.prompt()
    if prompt is None or prompt.id != wish.prompt_id:
        now = f'The question now is "{prompt.id}".' if prompt else "Nothing is being asked now."
        return (Reason("no_such_prompt", f'There is no question "{wish.prompt_id}". {now}'),), {}
    if prompt.id == DOOR_PROMPT:
        core.oven_watch.answer(wish.answer)
    elif prompt.id == PART_PROMPT:
        if wish.answer:
            core.oven.go_by_air(moment)
    elif wish.answer:
        core.oven.confirm(moment)
    return (), {"phase": core.oven.phase}


def _preheat(core: Core, wish: Preheat, who: str, moment: Moment) -> _Answer:
    reasons = core.tank.refusals(wish) + _interlocks(core, "tank")
    if reasons:
        return tuple(reasons), {}
    core.tank.preheat(wish, moment)
    return (), {"phase": core.tank.phase}


def _tank_off(core: Core, wish: TankOff, who: str, moment: Moment) -> _Answer:
    core.tank.off(moment)
    return (), {"phase": core.tank.phase}


def _quench(core: Core, wish: Quench, who: str, moment: Moment) -> _Answer:
    mass_kg, part_c = wish.mass_kg, wish.part_c
    if mass_kg is not None and not (isfinite(mass_kg) and 0.0 < mass_kg <= 50.0):
        return (Reason("mass", "mass_kg must be above 0 and at most 50."),), {}
    if part_c is not None and not (isfinite(part_c) and 100.0 <= part_c <= 1300.0):
        return (Reason("part", "part_c must be between 100 and 1300 °C."),), {}
    kind, after_c = core.tank.quenches.declare(wish, core.facts.tank_c, core.facts.agitator_still_s < 1.0)
    core.tank.present()
    limit_c = core.limits.tank_limit_c
    taken = {"phase": core.tank.phase, "remarks": _remarks(kind, after_c, limit_c)}
    if kind == "again":
        moment.happened("quench_declared", REMARKS[kind], as_what=kind)
        return (), taken
    watched_c = after_c
    if kind == "fills" and after_c is not None:
        # It may as well have been another part that goes in now: the alarm waits for the hotter of the two.
        watched_c = max(after_c, core.tank.quenches.forecast_c(wish, core.facts.tank_c) or after_c)
    core.tank_watch.declared(watched_c, filled_in=kind == "fills", second=kind == "second")
    moment.happened(
        "quench_declared", DECLARED[kind], as_what=kind, mass_kg=mass_kg, part_c=part_c, piece=wish.piece,
        after_c=after_c, allowed=None if after_c is None or limit_c is None else after_c < limit_c,
    )  # fmt: skip
    return (), taken


def _remarks(kind: str, after_c: float | None, limit_c: float | None) -> tuple[Reason, ...]:
    """What whoever declared a quench should know of how it was taken."""
    said = [Reason(kind, REMARKS[kind])] if kind in REMARKS else []
    if after_c is not None and limit_c is not None and not after_c < limit_c:
        text = (
            f"Too much steel for this oil: it may reach {after_c:.0f} °C, and {limit_c:.0f} °C is its limit. Put "
            "nothing more in until it has cooled, lid at hand."
        )
        said.append(Reason("oil_enough", text))
    return tuple(said)


def _presence(core: Core, wish: Presence, who: str, moment: Moment) -> _Answer:
    core.tank.present()
    core.oven.present()
    moment.happened("presence", "Somebody is there.", who=who)
    return (), {}


_HANDLERS: Final[Mapping[type, Callable[[Core, Any, str, Moment], _Answer]]] = {
    Start: _start,
    StopOven: _stop_oven,
    StopAll: _stop_all,
    Resume: _resume,
    Confirm: _confirm,
    Preheat: _preheat,
    TankOff: _tank_off,
    Quench: _quench,
    Presence: _presence,
}
