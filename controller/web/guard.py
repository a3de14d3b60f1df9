"""The one gate before every route: whose host, whose page, how large, who asks.

Plain http on a shop's network gives no secure context, so what counts is checked here: the Host allow-list keeps
out a name that was pointed at this machine, the exact Origin keeps out another page (and another port of this
host), the token keeps out everybody who was not paired. What is not named as public is closed.
"""

from __future__ import annotations

import asyncio
import ipaddress
import time
from collections.abc import Iterable
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .access import Access
from .ports import Device, Devices
from .problems import Problem, problem, response

LARGEST_BODY: Final = 65_536
BODY_WITHIN_S: Final = 10.0
LOOPBACK: Final = ("localhost", "127.0.0.1", "::1")
READS: Final = ("GET", "HEAD")
PAIR: Final = "/api/v1/pair"
STOP: Final = "/api/v1/stop"
SECURITY_HEADERS: Final = {
    "content-security-policy": "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; "
    "object-src 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cross-origin-resource-policy": "same-origin",
}


def cookie_name(port: int) -> str:
    """Browsers share cookies between the ports of a host: a rehearsal must not overwrite the shop's."""
    return f"ovenhand_{port}"


class Guard:
    """ASGI middleware. Puts into `scope["state"]`, for the routes behind it, the `device` and when the request was
    heard of (`arrived_s`, time.monotonic): its body, and looks into the book, may take seconds more."""

    def __init__(
        self, app: ASGIApp, *, access: Access, devices: Devices, allowed_hosts: Iterable[str], port: int
    ) -> None:
        self._app = app
        self._access = access
        self._devices = devices
        self._hosts = {host.lower().strip("[]").removesuffix(".") for host in (*LOOPBACK, *allowed_hosts)}
        self._port = port
        self._cookie = cookie_name(port)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        guarded = self._with_headers(scope, send)
        scope.setdefault("state", {})["arrived_s"] = time.monotonic()
        try:
            self._check(scope, Headers(scope=scope))
            if scope["method"] not in READS:
                receive = await _whole_body(receive)
        except Problem as trouble:
            await response(trouble)(scope, receive, guarded)
            return
        await self._app(scope, receive, guarded)

    def _with_headers(self, scope: Scope, send: Send) -> Send:
        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(SECURITY_HEADERS)
                headers.setdefault("cache-control", "no-cache" if _is_page(scope["path"]) else "no-store")
            await send(message)

        return guarded

    def _check(self, scope: Scope, headers: Headers) -> None:
        """Raises a Problem for a request that may not pass."""
        host = self._own_host(scope, headers.getlist("host"))
        writes = scope["method"] not in READS
        origins = headers.getlist("origin")
        if writes and origins and origins != [f"{scope['scheme']}://{host}"]:
            raise problem(403, "foreign_origin", "This request comes from another page. Use this machine's own page.")
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > 18 or int(length) > LARGEST_BODY:
            raise _too_large()
        path = scope["path"]
        device = self._device(headers, cookie=bool(origins) or not writes)
        scope["state"]["device"] = device
        if is_public(scope["method"], path) or (path == "/metrics" and not writes and _from_loopback(scope)):
            return
        if device is None:
            raise _not_paired(token="authorization" in headers, script=writes and not origins)
        self._devices.touch(device.id)
        if writes and device.role != "operator" and path != STOP:
            raise problem(403, "viewer", "This device was paired to look on, and may only stop. Pair it as operator.")

    def _own_host(self, scope: Scope, found: list[str]) -> str:
        host = found[0].lower() if len(found) == 1 else ""
        name, port = _name_and_port(host)
        server = scope.get("server")
        # The address at which the client reached this machine is ours too: a router may give out a new one.
        own = self._hosts | ({server[0]} if server and _is_address(server[0]) else set())
        if name not in own or port not in (None, self._port):
            raise problem(
                421,
                "foreign_host",
                f"This machine does not go by that address. Right is one of its own names or its address, "
                f"port {self._port}; other names belong under names in [network] of the shop file.",
            )
        return host

    def _device(self, headers: Headers, *, cookie: bool) -> Device | None:
        """Who asks. The cookie does not count for a write without an Origin: only the token shows that it is meant."""
        authorization = headers.get("authorization")
        if authorization is not None:
            kind, _, token = authorization.partition(" ")
            return self._access.device_of(token.strip()) if kind.lower() == "bearer" else None
        if not cookie:
            return None
        for part in ";".join(headers.getlist("cookie")).split(";"):
            name, _, token = part.strip().partition("=")
            if name == self._cookie and (device := self._access.device_of(token)) is not None:
                return device
        return None


async def _whole_body(receive: Receive) -> Receive:
    """Reads the body, which may come in chunks without a length, and gives it on in one piece."""
    body = bytearray()
    try:
        async with asyncio.timeout(BODY_WITHIN_S):
            more = True
            while more:
                message = await receive()
                if message["type"] != "http.request":
                    # Half a body must not pass for a whole one: an empty preheat is a wish of its own.
                    raise problem(400, "cut_off", "The request broke off. Send it again.")
                body += message.get("body", b"")
                if len(body) > LARGEST_BODY:
                    raise _too_large()
                more = message.get("more_body", False)
    except TimeoutError:
        raise problem(408, "too_slow", "The request did not arrive within 10 s. Send it again.") from None
    given = False

    async def once() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": bytes(body), "more_body": False}

    return once


def _is_page(path: str) -> bool:
    return path == "/" or path.startswith("/page/")


def is_public(method: str, path: str) -> bool:
    """Whether it answers without pairing."""
    if method in READS:
        return _is_page(path) or path == "/healthz"
    return method == "POST" and path == PAIR


def _name_and_port(host: str) -> tuple[str, int | None]:
    """Name and port of a Host header; ("", None) for what is none."""
    if host.startswith("["):
        name, bracket, rest = host[1:].partition("]")
        if not bracket:
            return "", None
    else:
        name, colon, after = host.partition(":")
        rest = colon + after
    if not rest:
        return name.removesuffix("."), None
    digits = rest[1:]
    if not (rest[0] == ":" and digits.isascii() and digits.isdecimal() and len(digits) <= 5):
        return "", None
    return name.removesuffix("."), int(digits)


def _is_address(text: str) -> bool:
    try:
        return not ipaddress.ip_address(text).is_unspecified
    except ValueError:
        return False


def _from_loopback(scope: Scope) -> bool:
    client = scope.get("client")
    try:
        return client is not None and ipaddress.ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _too_large() -> Problem:
    return problem(413, "too_large", "The request is larger than 64 KiB. No request of ours is.")


def _not_paired(*, token: bool, script: bool) -> Problem:
    if token:
        text = (
            "The token in the Authorization header is not one of a paired device: mistyped, or the device was shut "
            "out. Right is Authorization: Bearer, and the token from pairing; ovenhand pair gives a new code."
        )
        return problem(401, "wrong_token", text, {"www-authenticate": 'Bearer error="invalid_token"'})
    text = (
        "A request without an Origin header needs the token: Authorization: Bearer, and the token from pairing."
        if script
        else "This device is not paired. Enter the code that the machine shows."
    )
    return problem(401, "not_paired", text, {"www-authenticate": "Bearer"})
