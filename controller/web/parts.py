"""What the routes share, and how they ask the shop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response

from controller.model import (
    Answer,
    Desk,
    LoadItem,
    Reason,
    RehearsalControls,
    StopAll,
    StopOven,
    Wish,
)

from .access import Access
from .ports import Book, Catalogue, Device, Devices
from .problems import Problem, problem, reply
from .status import Teller
from .stream import StreamHub

ANSWER_WITHIN_S: Final = 3.0
KEPT_WITHIN_S: Final = 0.3
"""A card takes a commit in some 20 ms; one that takes longer must not keep anybody from knowing that heat is off."""
API: Final = "/api/v1"


@dataclass(frozen=True, slots=True)
class Parts:
    """Everything that a route may use."""

    desk: Desk
    book: Book
    devices: Devices
    catalogue: Catalogue
    access: Access
    rehearsal: RehearsalControls | None
    teller: Teller
    hub: StreamHub
    port: int
    kept: Callable[[], Future[None]]


def device_of(request: Request) -> Device:
    """Who asks; the guard has put it there."""
    device: Device = request.state.device
    return device


def who(request: Request) -> str:
    """The asker as the book names it, such as "phone 2"."""
    device = device_of(request)
    return f"{device.label} {device.id}"


async def in_the_book(book: Book, load: Sequence[LoadItem]) -> None:
    """Raises a Problem (422) with every stock and piece of a load that the book does not have."""
    stocks = {item.stock for item in load if item.stock is not None}
    pieces = {item.piece for item in load if item.piece is not None}
    if stocks or pieces:
        reasons = await asyncio.to_thread(_unknown, book, stocks, pieces)
        if reasons:
            raise Problem(422, reasons)


def _unknown(book: Book, stocks: set[int], pieces: set[int]) -> list[Reason]:
    known = {row["id"] for row in book.stock()} if stocks else set()
    right = "leave the number out, or enter it first."
    return [
        *(Reason("no_stock", f"There is no stock {one} in the book; {right}") for one in sorted(stocks - known)),
        *(
            Reason("no_piece", f"There is no piece {one} in the book; {right}")
            for one in sorted(pieces)
            if book.piece(one) is None
        ),
    ]


async def ask(desk: Desk, wish: Wish, request: Request) -> Answer:
    """The tick's answer to what this request wants.

    Raises a Problem: 409 with every reason for a refusal, 503 when no tick answers in time. The wish is
    not taken back then: a cancelled future would meet the tick in the middle of its answer.
    """
    future = asyncio.wrap_future(desk.ask(wish, who(request), request.state.arrived_s))
    done, _ = await asyncio.wait((future,), timeout=ANSWER_WITHIN_S)
    if not done:
        raise problem(
            503,
            "no_answer",
            "No answer in time; it may still be done. Look at the status, and at the oven. To be sure of no heat, "
            "use the stop switch at the machine.",
        )
    answer = future.result()
    if answer.reasons:
        raise Problem(409, answer.reasons)
    return answer


async def ask_stop(parts: Parts, wish: StopAll | StopOven, request: Request) -> Response:
    """The tick's answer to a stop, once the card has it too: what somebody saw stopped, no restart offers."""
    answer = await ask(parts.desk, wish, request)
    if parts.teller.record_trouble() is None:
        kept = asyncio.wrap_future(parts.kept())
        done, _ = await asyncio.wait((kept,), timeout=KEPT_WITHIN_S)
        if done:
            kept.exception()  # is trouble of the record, and told as that
        else:
            kept.cancel()
    return accepted(answer, 200)


def accepted(answer: Answer, status: int, *, run: bool = False, remarks: bool = False) -> Response:
    """The answer to a wish that was taken."""
    content: dict[str, Any] = {"phase": answer.phase}
    if remarks:
        content["remarks"] = [remark._asdict() for remark in answer.remarks]
    return reply({"run_id": answer.run_id} | content if run else content, status)
