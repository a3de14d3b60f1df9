"""The service's web side: every route behind one guard, every error a problem document."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any, Final, Literal

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from controller.model import Desk, RehearsalControls

from .access import Access
from .alert_routes import Silent, alert_routes
from .documents import document_of
from .guard import SECURITY_HEADERS, Guard
from .open_routes import open_routes, serve_page
from .parts import API, Parts
from .ports import Alerts, Book, Catalogue, Devices, ShopWriter
from .problems import Problem, problem, response
from .record_routes import book_routes, device_routes, profile_routes
from .rehearsal_routes import rehearsal_routes
from .shop_routes import oven_routes, shop_routes, tank_routes
from .status import Mode, Teller
from .steel_routes import piece_routes, plan_routes, steel_routes
from .stream import StreamHub

PAGE_DIRECTORY: Final = Path(__file__).parent / "page"


def create_app(
    *,
    desk: Desk,
    book: Book,
    devices: Devices,
    catalogue: Catalogue,
    access: Access,
    mode: Mode,
    units: Literal["C", "F"],
    rehearsal: RehearsalControls | None,
    allowed_hosts: list[str],
    port: int,
    wall: Callable[[], float],
    page_dir: Path | None = None,
    record_error: type[Exception] = OSError,
    record_trouble: Callable[[], str | None] = lambda: None,
    record_kept: Callable[[], Future[None]] | None = None,
    alerts: Alerts | None = None,
    writer: ShopWriter,
) -> FastAPI:
    """The application; `app.state.hub.close()` ends its streams, from any thread.

    `allowed_hosts`: this machine's names and addresses (loopback and the address at which a client reached it are
    always among them). `port`: the one that clients see. `wall`: seconds since 1970. `record_error`: what book and
    devices raise when the disk does not do its part; answered with 503 and its text. `record_trouble`: a sentence
    while the book takes nothing. `record_kept`: done once the card has what happened before; None: at once. `alerts`:
    what people were told; None: nobody is told anything. `writer`: takes what the smith enters of steel.
    """
    teller = Teller(desk, mode, units, wall, rehearsal, record_trouble)
    hub = StreamHub(teller, book, devices, record_error)
    parts = Parts(desk, book, devices, catalogue, access, rehearsal, teller, hub, port, record_kept or _kept_at_once)
    app = FastAPI(
        title="Ovenhand",
        version="1",
        description="Minds a tempering oven and a heated quench-oil tank.",
        openapi_url=f"{API}/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        # Every route encodes its own answer and describes it itself.
        default_response_class=Response,
        telemetry={
            "tracing": False,
            "metrics": False,
            "logs": False,
            "operation_spans": False,
            "auto_configure": False,
        },
    )
    for routes in (shop_routes, oven_routes, tank_routes, profile_routes, book_routes, device_routes, open_routes):
        app.include_router(routes(parts))
    app.include_router(alert_routes(parts, alerts or Silent()))
    if rehearsal is not None:
        app.include_router(rehearsal_routes(rehearsal))
    for own in (steel_routes(parts, writer), piece_routes(parts, writer), plan_routes(parts)):
        app.include_router(own)
    serve_page(app, PAGE_DIRECTORY if page_dir is None else page_dir)
    app.openapi = document_of(app)  # type: ignore[method-assign]
    app.add_middleware(Guard, access=access, devices=devices, allowed_hosts=allowed_hosts, port=port)
    _answer_errors(app, record_error)
    app.state.hub = hub
    return app


def _kept_at_once() -> Future[None]:
    done: Future[None] = Future()
    done.set_result(None)
    return done


def _answer_errors(app: FastAPI, record_error: type[Exception]) -> None:
    async def known(request: Request, error: Any) -> Response:
        return response(error)

    async def http(request: Request, error: Any) -> Response:
        code, text = _HTTP.get(error.status_code, ("refused", f"{error.detail}."))
        return response(problem(error.status_code, code, text, error.headers))

    async def disk(request: Request, error: Any) -> Response:
        return response(problem(503, "record", str(error) or "The disk did not answer in time. Try again."))

    async def broken(request: Request, error: Any) -> Response:
        # Outside of the guard, so that the headers are put on here.
        text = "Something of ours went wrong; the log says what. The board keeps its own limits. Look at the oven."
        return response(problem(500, "broken", text, SECURITY_HEADERS | {"cache-control": "no-store"}))

    app.add_exception_handler(Problem, known)
    app.add_exception_handler(HTTPException, http)
    app.add_exception_handler(record_error, disk)
    app.add_exception_handler(TimeoutError, disk)
    app.add_exception_handler(Exception, broken)


_HTTP: Final = {
    404: ("not_found", "There is nothing at this address."),
    405: ("method", "This address is not used in that way; allow says how."),
}
