"""What the shop knows and what it did: programs, oils and steels, the book, the paired devices.

Routes that look at the disk are plain functions: they run beside the event loop, never in it.
"""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from controller.profiles import program_to_dict

from .addresses import ID, Whole, id_of, query_of
from .bodies import LARGEST_ID, rfc3339_of
from .documents import told
from .parts import API, Parts, device_of, who
from .problems import Problem, problem, reply

MOST_AT_ONCE: Final = 1000
RUNS: Final = (
    Whole("limit", "query", 1, MOST_AT_ONCE, "how many at most", 50),
    Whole("before_id", "query", 1, LARGEST_ID, "only runs with a lower number"),
)
EVENTS: Final = (
    Whole("limit", "query", 1, MOST_AT_ONCE, "how many at most", 200),
    Whole("after_id", "query", 0, LARGEST_ID, "only events with a higher number, the oldest first"),
)


def profile_routes(parts: Parts) -> APIRouter:
    """Programs, oils and steels."""
    routes = APIRouter(prefix=API)
    catalogue = parts.catalogue

    @routes.get("/programs", openapi_extra=told("ProgramKeys", many=True))
    async def programs() -> Response:
        """Every program that can be started by its name, with the keys of a whole program."""
        return reply([program_to_dict(program) | {"name": name} for name, program in catalogue.programs.items()])

    @routes.get("/oils", openapi_extra=told("OilProfile", many=True))
    async def oils() -> Response:
        """Every oil, with the source of its figures."""
        return reply(catalogue.oil_records)

    @routes.get("/steels", openapi_extra=told("SteelProfile", many=True))
    async def steels() -> Response:
        """Every grade, with the source of its figures."""
        return reply(catalogue.steels)

    return routes


def book_routes(parts: Parts) -> APIRouter:
    """The book, for reading."""
    routes = APIRouter(prefix=API)
    book = parts.book

    @routes.get("/runs", openapi_extra=told("RunLine", many=True, numbers=RUNS, problems=(422, 503)))
    def runs(request: Request) -> Response:
        """The newest runs first; `before_id` for the ones before."""
        return reply(book.runs(**query_of(request, *RUNS)))

    @routes.get("/runs/{id}", openapi_extra=told("Run", numbers=(ID,), problems=(404, 422, 503)))
    def run(request: Request) -> Response:
        """All of a run but its trace."""
        number = id_of(request)
        found = book.run(number)
        if found is None:
            raise _no_run(number)
        return reply(found)

    @routes.get(
        "/runs/{id}/trace.csv", openapi_extra=told("", kind="text/csv", numbers=(ID,), problems=(404, 422, 503))
    )
    def trace(request: Request) -> Response:
        """A run's samples, one a second, as `ovenhand records export` writes them; what is not known is empty."""
        number = id_of(request)
        if book.run(number) is None:
            raise _no_run(number)
        headers = {"content-disposition": f'attachment; filename="run-{number}.csv"'}
        return StreamingResponse(book.trace_csv(number), headers=headers, media_type="text/csv; charset=utf-8")

    @routes.get(
        "/runs/{id}/record.pdf",
        openapi_extra=told("", kind="application/pdf", numbers=(ID,), problems=(404, 422, 501, 503)),
    )
    def printable(request: Request) -> Response:
        """A run to print and to sign: how it went, its chart, what happened."""
        number = id_of(request)
        try:
            content = book.record_pdf(number)
        except ImportError as error:
            raise problem(501, "not_installed", f"{error} The trace can be had as CSV.") from error
        if content is None:
            raise _no_run(number)
        headers = {"content-disposition": f'inline; filename="run-{number}.pdf"'}
        return Response(content, headers=headers, media_type="application/pdf")

    @routes.get("/events", openapi_extra=told("EventLine", many=True, numbers=EVENTS, problems=(422, 503)))
    def events(request: Request) -> Response:
        """The newest events, or those after a number, in order."""
        return reply(book.events(**query_of(request, *EVENTS)))

    return routes


def device_routes(parts: Parts) -> APIRouter:
    """The paired devices."""
    routes = APIRouter(prefix=f"{API}/devices")
    devices = parts.devices

    @routes.get("", openapi_extra=told("Device", many=True))
    async def paired(request: Request) -> Response:
        """Every device that was ever paired; `this` marks the one that asks."""
        own = device_of(request).id
        return reply(
            [
                {
                    "id": device.id,
                    "label": device.label,
                    "role": device.role,
                    "created_at": rfc3339_of(device.created_at),
                    "last_seen_at": rfc3339_of(device.last_seen_at),
                    "revoked_at": rfc3339_of(device.revoked_at),
                    "this": device.id == own,
                }
                for device in devices.list()
            ]
        )

    @routes.post("/{id}/revoke", openapi_extra=told("Revoked", numbers=(ID,), problems=(404, 422, 503)))
    def revoke(request: Request) -> Response:
        """Shut a device out, from now; its open streams end."""
        number = id_of(request)
        if not devices.revoke(number, who(request)):
            raise problem(404, "no_device", f"No device {number} is paired.")
        return reply({"id": number, "revoked": True})

    return routes


def _no_run(run_id: int) -> Problem:
    return problem(404, "no_run", f"There is no run {run_id} in the book.")
