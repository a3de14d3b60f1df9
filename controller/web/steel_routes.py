"""Stock and pieces, the ladder, file tests, and the plans. What computes or looks at the disk runs beside the loop.

The metallurgy is loaded when it is first asked for: the service starts the sooner.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import asdict
from typing import Any, TypeVar

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from controller.model import Reason
from controller.profiles import find_steel

from .addresses import ID, id_of
from .bodies import Body, read
from .documents import told
from .parts import API, Parts, who
from .ports import Book, ShopWriter
from .problems import Problem, problem, reply
from .steel_bodies import (
    FileBody,
    FileTestBody,
    HardenPlanBody,
    PieceBody,
    QuenchPlanBody,
    RungBody,
    SheetBody,
    StockBody,
    TemperPlanBody,
)  # fmt: skip

T = TypeVar("T")
READS = (422, 503)
HAS_ID = (404, 422, 503)


def sound(work: Callable[[], T]) -> T:
    """The plan's answer; its faults as a Problem (422), one reason a sentence."""
    try:
        return work()
    except ValueError as error:
        raise Problem(422, [Reason("not_allowed", line) for line in str(error).splitlines() if line]) from None


def stock_of(book: Book, number: int) -> dict[str, Any]:
    """A bar or lot. Raises a Problem (404)."""
    found = book.stock_item(number)
    if found is None:
        raise problem(404, "no_stock", f"There is no stock {number} in the book.")
    return found


def steel_routes(parts: Parts, writer: ShopWriter) -> APIRouter:
    """The smith's own steel."""
    routes = APIRouter(prefix=API)
    book, catalogue = parts.book, parts.catalogue

    @routes.get("/stock", openapi_extra=told("StockLine", many=True, problems=(503,)))
    def stock() -> Response:
        """The bars and lots of steel."""
        return reply(book.stock())

    @routes.post("/stock", status_code=201, openapi_extra=told("StockLine", status=201, body=StockBody, problems=READS))
    async def add_stock(request: Request) -> Response:
        """Enter a bar or lot."""
        body = read(StockBody, await request.body())

        def add() -> dict[str, Any]:
            values = body.model_dump()
            if body.composition is not None:
                from .steel import composition_of

                made = asdict(sound(lambda: composition_of(body.composition)))
                values["composition"] = {name.capitalize(): value for name, value in made.items() if value}
            if body.grade is not None:
                values["grade"] = sound(lambda: find_steel(body.grade or "", catalogue.grades).name)
            return stock_of(book, writer.add_stock(values))

        return reply(await asyncio.to_thread(add), 201)

    @routes.get("/stock/{id}", openapi_extra=told("StockLine", numbers=(ID,), problems=HAS_ID))
    def one_stock(request: Request) -> Response:
        """A bar or lot."""
        return reply(stock_of(book, id_of(request)))

    def ladder_told(number: int) -> dict[str, Any]:
        from .steel import ladder_of

        bar = stock_of(book, number)
        judged, why = ladder_of(bar, catalogue, book)
        return {"rungs": book.ladder(number), "judged": judged, "reason": why}

    @routes.get("/stock/{id}/ladder", openapi_extra=told("LadderTold", numbers=(ID,), problems=HAS_ID))
    def ladder(request: Request) -> Response:
        """Its rungs, what they say, and the next useful test."""
        return reply(ladder_told(id_of(request)))

    @routes.post(
        "/stock/{id}/ladder",
        status_code=201,
        openapi_extra=told("LadderTold", status=201, body=RungBody, numbers=(ID,), problems=HAS_ID),
    )
    async def add_rung(request: Request) -> Response:
        """One quench of a coupon, and what a file says of it."""
        number, body, asker = id_of(request), read(RungBody, await request.body()), who(request)

        def add() -> dict[str, Any]:
            from .steel import band_of

            stock_of(book, number)
            low, _ = sound(lambda: band_of(body.model_dump()))
            values = body.model_dump() | {"stock_id": number, "file_skates": (low or 0.0) >= 50.0}
            values["medium"] = "still air" if body.medium == "air" else body.medium
            writer.add_rung(values, asker)
            return ladder_told(number)

        return reply(await asyncio.to_thread(add), 201)

    @routes.get("/stock/{id}/filetests", openapi_extra=told("FileTestsTold", numbers=(ID,), problems=HAS_ID))
    def file_tests(request: Request) -> Response:
        """Its file tests, and what they have taught."""
        from .steel import told_tests

        return reply(told_tests(stock_of(book, id_of(request)), catalogue, book))

    @routes.post(
        "/stock/{id}/filetests",
        status_code=201,
        openapi_extra=told("FileTestsTold", status=201, body=FileTestBody, numbers=(ID,), problems=HAS_ID),
    )
    async def add_file_test(request: Request) -> Response:
        """A band between the file that skates and the one that bites, with the temper where there was one."""
        number, body, asker = id_of(request), read(FileTestBody, await request.body()), who(request)

        def add() -> dict[str, Any]:
            from .steel import told_tests

            bar = stock_of(book, number)
            values = _tested(body, number, parts)
            writer.add_file_test(values | {"stock_id": number}, asker)
            return told_tests(bar, catalogue, book)

        return reply(await asyncio.to_thread(add), 201)

    return routes


def piece_routes(parts: Parts, writer: ShopWriter) -> APIRouter:
    """The tools in the making."""
    routes = APIRouter(prefix=f"{API}/pieces")
    book = parts.book

    def piece_of(number: int) -> dict[str, Any]:
        found = book.piece(number)
        if found is None:
            raise problem(404, "no_piece", f"There is no piece {number} in the book.")
        return found

    @routes.get("", openapi_extra=told("PieceLine", many=True, problems=(503,)))
    def pieces() -> Response:
        """The tools in the making, the newest first."""
        return reply(book.pieces())

    @routes.post("", status_code=201, openapi_extra=told("Piece", status=201, body=PieceBody, problems=READS))
    async def add_piece(request: Request) -> Response:
        """Enter a tool in the making."""
        body = read(PieceBody, await request.body())

        def add() -> dict[str, Any]:
            if body.stock is not None and book.stock_item(body.stock) is None:
                raise problem(422, "no_stock", f"There is no stock {body.stock} in the book; leave the number out.")
            values = body.model_dump() | {"stock_id": body.stock, "plan": {"use": body.use} if body.use else None}
            return piece_of(writer.add_piece(values))

        return reply(await asyncio.to_thread(add), 201)

    @routes.get("/{id}", openapi_extra=told("Piece", numbers=(ID,), problems=HAS_ID))
    def piece(request: Request) -> Response:
        """A piece with its runs, quenches and file tests."""
        return reply(piece_of(id_of(request)))

    return routes


def plan_routes(parts: Parts) -> APIRouter:
    """Figures before anything is hot; nothing is changed by asking."""
    routes = APIRouter(prefix=f"{API}/plan")

    async def planned(request: Request, table: type[Body], name: str) -> Response:
        body = read(table, await request.body())

        def work() -> Any:
            from . import plans

            return sound(lambda: getattr(plans, name)(body, parts))

        return reply(await asyncio.to_thread(work))

    @routes.get("/choices", openapi_extra=told("Choices"))
    async def known() -> Response:
        """The uses, origins and quenches that the plans know."""
        from .plans import choices

        return reply(choices())

    @routes.post("/temper", openapi_extra=told("TemperPlan", body=TemperPlanBody, problems=READS))
    async def to_temper(request: Request) -> Response:
        """The hardness that a temper leaves, or the temper for a hardness, with its 90 % band."""
        return await planned(request, TemperPlanBody, "temper")

    @routes.post("/harden", openapi_extra=told("HardenPlan", body=HardenPlanBody, problems=READS))
    async def to_harden(request: Request) -> Response:
        """Heat, quench and what it does to this section, with the risks."""
        return await planned(request, HardenPlanBody, "harden")

    @routes.post("/quench", openapi_extra=told("QuenchPlan", body=QuenchPlanBody, problems=READS))
    async def to_quench(request: Request) -> Response:
        """How far a quench warms the oil, whether it may, and how many in a row."""
        return await planned(request, QuenchPlanBody, "quench")

    @routes.post("/sheet", openapi_extra=told("SheetTold", body=SheetBody, problems=READS))
    async def to_sheet(request: Request) -> Response:
        """One page for the forge, with a temper program as a start takes it."""
        return await planned(request, SheetBody, "sheet")

    return routes


def _tested(body: FileTestBody, stock: int, parts: Parts) -> dict[str, Any]:
    """The row of a file test. Raises a Problem (422) with what does not fit."""
    from .steel import band_of

    values = body.model_dump() | {"piece_id": body.piece, "run_id": body.run}
    sound(lambda: band_of(FileBody.model_construct(**values).model_dump()))
    reasons = []
    if body.piece is not None:
        piece = parts.book.piece(body.piece)
        if piece is None:
            reasons.append(Reason("no_piece", f"There is no piece {body.piece} in the book; leave the number out."))
        elif piece["stock_id"] not in (None, stock):
            text = f"Piece {body.piece} is of stock {piece['stock_id']}; right is a piece of stock {stock}."
            reasons.append(Reason("not_allowed", text))
    if (body.temper_c is None) != (body.temper_s is None):
        reasons.append(Reason("not_allowed", "A temper has a temperature and a time: temper_c and temper_s together."))
    if body.run is not None:
        if body.temper_c is not None:
            reasons.append(Reason("not_allowed", "Right is a run, or a temper with its time: one of the two."))
        values |= _of_run(parts, body.run, reasons)
    if reasons:
        raise Problem(422, reasons)
    return values


def _of_run(parts: Parts, number: int, reasons: list[Reason]) -> dict[str, Any]:
    """What a run was worth as a temper: all of its tempers, at the temperature of the hottest."""
    run = parts.book.run(number)
    done = [one for one in (run or {}).get("tempers", ()) if one.get("equivalent_s")]
    if not done:
        reasons.append(Reason("no_run", f"There is no run {number} in the book that has tempered anything."))
        return {}
    hottest = max(done, key=lambda one: float(one["temperature_c"]))
    same = [one["equivalent_s"] for one in done if one["temperature_c"] == hottest["temperature_c"]]
    return {"temper_c": hottest["temperature_c"], "temper_s": sum(same)}
