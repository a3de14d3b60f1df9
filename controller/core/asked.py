"""What was asked and by whom, as the book says it of a request that was taken: one sentence a kind of wish."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from controller.model import (
    Confirm,
    LoadItem,
    Preheat,
    Presence,
    Quench,
    Request,
    Resume,
    Start,
    StopAll,
    StopOven,
    TankOff,
)

DOOR_PROMPT: Final = "door"
PART_PROMPT: Final = "part"
_QUESTIONS: Final[Mapping[tuple[str, bool], str]] = {
    (DOOR_PROMPT, True): "the oven door is open",
    (DOOR_PROMPT, False): "the oven door is not open",
    (PART_PROMPT, True): "go on by the air",
    (PART_PROMPT, False): "do not go on by the air",
}


def sentence_of(request: Request) -> str:
    """Such as `Asked by phone 2: start "straw" with 0.5 kg.` Temperatures are °C."""
    wish = request.wish
    return f"Asked by {request.who or 'nobody named'}: {_SAID[type(wish)](wish)}."


def _start(wish: Start) -> str:
    return f'start "{wish.program.name}"{_with(wish.load)}'


def _with(load: tuple[LoadItem, ...]) -> str:
    if not load:
        return ", the load not given"
    pieces = "" if len(load) == 1 else f" in {len(load)} pieces"
    return f" with {sum(item.mass_kg for item in load):.3g} kg{pieces}"


def _confirm(wish: Confirm) -> str:
    said = _QUESTIONS.get((wish.prompt_id, wish.answer))
    if said is None:
        done = "go on, what the program waited for is done"
        return done if wish.answer else "wait on, what the program waits for is not done"
    return said


def _preheat(wish: Preheat) -> str:
    target = "to its own temperature" if wish.target_c is None else f"to {wish.target_c:g} °C"
    ready = "" if wish.ready_in_s is None else f", ready in {_span(wish.ready_in_s)}"
    return f"warm the oil {target}{ready}{', gently' if wish.gentle else ''}"


def _span(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60.0), 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def _quench(wish: Quench) -> str:
    mass = "of a mass that is not given" if wish.mass_kg is None else f"of {wish.mass_kg:.3g} kg"
    heat = "" if wish.part_c is None else f" at {wish.part_c:g} °C"
    piece = "" if wish.piece is None else f", piece {wish.piece}"
    return f"note a quench {mass}{heat}{piece}"


_SAID: Final[Mapping[type, Callable[[Any], str]]] = {
    Start: _start,
    StopOven: lambda _: "stop the oven",
    StopAll: lambda _: "stop, all heat off",
    Resume: lambda wish: f"go on with run {wish.run_id}",
    Confirm: _confirm,
    Preheat: _preheat,
    TankOff: lambda _: "no heat for the oil",
    Quench: _quench,
    Presence: lambda _: "somebody is here, note it",
}
