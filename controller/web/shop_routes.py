"""The shop as it is now, and what a person wants of it."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from controller.model import LoadItem, Presence, StopAll, StopOven, TankOff

from . import bodies
from .documents import told
from .parts import API, Parts, accepted, ask, ask_stop, device_of, in_the_book
from .problems import reply


def shop_routes(parts: Parts) -> APIRouter:
    """Status and stream, stop and presence."""
    routes = APIRouter(prefix=API)
    desk = parts.desk

    @routes.get("/status", openapi_extra=told("Status"))
    async def status() -> Response:
        """All that is known of the shop now."""
        return reply(parts.teller.status())

    @routes.get("/stream", openapi_extra=told("", kind="text/event-stream", problems=(503,)))
    async def stream(request: Request) -> Response:
        """Server-sent events: `snapshot` twice a second or on change, `event` as they happen."""
        last = request.headers.get("last-event-id", "")
        number = int(last) if last.isascii() and last.isdecimal() and len(last) < 19 else None

        content = await parts.hub.listen(number, device_of(request).id)
        headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
        return StreamingResponse(content, headers=headers, media_type="text/event-stream")

    @routes.post("/stop", openapi_extra=told("Taken", problems=(409, 503)))
    async def stop(request: Request) -> Response:
        """Both zones' heat off, now, whatever stands in the body. Answered when the book has it, or 0.3 s later."""
        return await ask_stop(parts, StopAll(), request)

    @routes.post("/presence", openapi_extra=told("Taken", body=bodies.PresenceBody, problems=(409, 422, 503)))
    async def presence(request: Request) -> Response:
        """Somebody is with the oil."""
        bodies.read(bodies.PresenceBody, await request.body())
        return accepted(await ask(desk, Presence(), request), 200)

    return routes


def oven_routes(parts: Parts) -> APIRouter:
    """The oven's runs."""
    routes = APIRouter(prefix=f"{API}/oven")
    desk = parts.desk

    @routes.post(
        "/start",
        status_code=202,
        openapi_extra=told("RunTaken", status=202, body=bodies.StartBody, problems=(409, 422, 503)),
    )
    async def start(request: Request) -> Response:
        """Begin a program; not armed, it waits for the arm button."""
        wish = bodies.start_wish(await request.body(), parts.catalogue.programs)
        await in_the_book(parts.book, wish.load)
        return accepted(await ask(desk, wish, request), 202, run=True)

    @routes.post("/forecast", openapi_extra=told("ForecastTold", body=bodies.StartBody, problems=(422, 503)))
    async def forecast(request: Request) -> Response:
        """When a start with this body would begin to soak, and be done, if heat came now. Nothing is started."""
        wish = bodies.start_wish(await request.body(), parts.catalogue.programs)
        await in_the_book(parts.book, wish.load)
        return reply(parts.teller.forecast(wish))

    @routes.post("/stop", openapi_extra=told("Taken", problems=(409, 503)))
    async def stop(request: Request) -> Response:
        """End the run, or the wait for the arm button. Whatever stands in the body. Answered as /stop is."""
        return await ask_stop(parts, StopOven(), request)

    @routes.post(
        "/resume",
        status_code=202,
        openapi_extra=told("RunTaken", status=202, body=bodies.ResumeBody, problems=(409, 422, 503)),
    )
    async def resume(request: Request) -> Response:
        """Go on with a run that was paused or cut off."""
        wish = bodies.resume_wish(await request.body())
        return accepted(await ask(desk, wish, request), 202, run=True)

    @routes.post("/confirm", openapi_extra=told("Taken", body=bodies.ConfirmBody, problems=(409, 422, 503)))
    async def confirm(request: Request) -> Response:
        """Answer the question that the program, or a check, asks."""
        wish = bodies.confirm_wish(await request.body())
        return accepted(await ask(desk, wish, request), 200)

    return routes


def tank_routes(parts: Parts) -> APIRouter:
    """The oil."""
    routes = APIRouter(prefix=f"{API}/tank")
    desk = parts.desk

    @routes.post(
        "/preheat",
        status_code=202,
        openapi_extra=told("Taken", status=202, body=bodies.PreheatBody, problems=(409, 422, 503)),
    )
    async def preheat(request: Request) -> Response:
        """Warm the oil, now or so that it is ready at a time."""
        teller = parts.teller
        wish = bodies.preheat_wish(await request.body(), now=teller.now(), speed=teller.speed())
        return accepted(await ask(desk, wish, request), 202)

    @routes.get("/margins", openapi_extra=told("Margins"))
    async def margins() -> Response:
        """How far each limit of this tank lies from its oil's lowest flash point; null without an oil."""
        own = parts.catalogue.own_tank
        oil = None if own is None else own.oil
        return reply(
            {
                "oil": None if oil is None else oil.label or oil.name,
                "bath_min_c": None if oil is None else oil.bath_min_c,
                "bath_max_c": None if oil is None else oil.bath_max_c,
                "ceiling_c": None if own is None else own.ceiling_c,
                "limit_c": None if own is None else own.limit_c,
                "trip_c": None if own is None else own.trip_c,
                "flash_point_c": None if oil is None else oil.flash_low_c,
            }
        )

    @routes.post("/off", openapi_extra=told("Taken", problems=(409, 503)))
    async def off(request: Request) -> Response:
        """No heat for the oil. Whatever stands in the body."""
        return accepted(await ask(desk, TankOff(), request), 200)

    @routes.post("/quench", openapi_extra=told("QuenchTaken", body=bodies.QuenchBody, problems=(409, 422, 503)))
    async def quench(request: Request) -> Response:
        """Say that something was quenched: for the book and for the checks of the oil. It is taken whatever it was;
        `remarks` says where it was too heavy, or not taken as a new one."""
        wish = bodies.quench_wish(await request.body())
        await in_the_book(parts.book, [] if wish.piece is None else [LoadItem(0.0, 0.0, None, wish.piece)])
        return accepted(await ask(desk, wish, request), 200, remarks=True)

    return routes
