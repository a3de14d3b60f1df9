"""What answers before pairing: the page's files, the pairing itself and /healthz. /metrics answers to loopback."""

from __future__ import annotations

import asyncio
from pathlib import Path

from fastapi import APIRouter, FastAPI
from starlette.requests import Request
from starlette.responses import Response
from starlette.staticfiles import StaticFiles

from .bodies import PairBody, read
from .documents import told
from .guard import cookie_name
from .metrics import metrics
from .parts import API, Parts
from .problems import reply

COOKIE_LASTS_S = 400 * 24 * 3600
"""The longest that browsers keep one (RFC 6265bis)."""


def open_routes(parts: Parts) -> APIRouter:
    routes = APIRouter()

    @routes.head("/healthz", include_in_schema=False)
    @routes.get("/healthz", openapi_extra={"responses": {"503": {"description": "Ticks are late."}}})
    async def healthz() -> Response:
        """200 when ticks are on time, 503 when not."""
        return Response(status_code=200 if parts.desk.on_time() else 503)

    @routes.get("/metrics", openapi_extra=told("", kind="text/plain"))
    async def figures() -> Response:
        """Prometheus text."""
        snapshot, age_s = parts.desk.snapshot()
        text = metrics(snapshot, age_s, parts.desk.figures(), streams=parts.hub.clients)
        return Response(text, media_type="text/plain; version=0.0.4; charset=utf-8")

    @routes.post(f"{API}/pair", openapi_extra=told("Paired", body=PairBody, problems=(401, 422, 429, 503)))
    async def pair(request: Request) -> Response:
        """Exchange the code that the machine shows for a token and a cookie."""
        body = read(PairBody, await request.body())
        token, role, _ = await asyncio.to_thread(parts.access.pair, body.code, body.label)
        paired = reply({"token": token, "role": role})
        paired.set_cookie(
            cookie_name(parts.port),
            token,
            max_age=COOKIE_LASTS_S,
            httponly=True,
            samesite="strict",
            secure=request.url.scheme == "https",
        )
        return paired

    return routes


def serve_page(app: FastAPI, page_dir: Path) -> None:
    """The page's files under /page, its first one at /."""
    files = StaticFiles(directory=page_dir, check_dir=False)

    @app.api_route("/", methods=["GET", "HEAD"], include_in_schema=False)
    async def first(request: Request) -> Response:
        return await files.get_response("index.html", request.scope)

    app.mount("/page", files)
