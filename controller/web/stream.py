"""The live stream: one hub looks at the shop, encodes each message once and hands the bytes to every client.

A client that reads slowly misses snapshots (it gets the newest when it is back), and events only when it is far
behind; it never holds up the others. Events come from the book, by their numbers there, so that a phone that
was away asks for what it missed with Last-Event-ID, across a restart of the service as well; of more than
EVENTS_BEHIND it gets the newest so many.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from typing import Any, Final

from .ports import Book, Devices
from .problems import encoded, problem
from .status import Teller, change_key

LOOK_EVERY_S: Final = 0.1
SNAPSHOT_EVERY_S: Final = 0.5
MOST_CLIENTS: Final = 64
EVENTS_AT_ONCE: Final = 50
EVENTS_BEHIND: Final = 256


def message(name: str, data: bytes, number: int | None = None) -> bytes:
    """One server-sent event; `data` is JSON on one line."""
    numbered = b"" if number is None else b"id: %d\n" % number
    return numbered + b"event: " + name.encode("ascii") + b"\ndata: " + data + b"\n\n"


class _Client:
    """What waits for one client: the newest snapshot, and a bounded row of events."""

    def __init__(self, last_event: int, device_id: int) -> None:
        self.last_event = last_event
        self.device_id = device_id
        self.snapshot: bytes | None = None
        self.events: deque[bytes] = deque(maxlen=EVENTS_BEHIND)
        self.something = asyncio.Event()
        self.ended = False

    def take(self) -> bytes:
        waiting = b"".join(self.events) + (self.snapshot or b"")
        self.events.clear()
        self.snapshot = None
        self.something.clear()
        return waiting


class StreamHub:
    """All streams of one service. It works only while somebody listens."""

    def __init__(self, teller: Teller, book: Book, devices: Devices, record_error: type[Exception]) -> None:
        self._teller = teller
        self._book = book
        self._devices = devices
        self._record_error = record_error
        self._clients: set[_Client] = set()
        self._task: asyncio.Task[None] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._closed = False

    @property
    def clients(self) -> int:
        return len(self._clients)

    def close(self) -> None:
        """End every stream at once, and take no more. From any thread, more than once if need be."""
        # No lock: a signal's handler calls this in the very thread that may be inside `listen`.
        self._closed = True
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake)

    async def listen(self, last_event: int | None, device_id: int) -> AsyncIterator[bytes]:
        """The bytes for one client, the snapshot first. `last_event`: the last number that it has seen.

        The stream ends when the device is revoked. Raises a Problem (503) when the service is ending or too many
        listen.
        """
        self._loop = asyncio.get_running_loop()
        if self._closed:
            raise problem(503, "ending", "The service is ending. Look at the oven.")
        if len(self._clients) >= MOST_CLIENTS:
            raise problem(503, "too_many_streams", f"{MOST_CLIENTS} pages are open already. Close one.")
        newest = await self._newest_event()
        # Numbers above the newest are from another book; all that is in this one is then news, but old news.
        seen = newest if last_event is None or last_event > newest else last_event
        # All are served from one place in the book: who was away for weeks must not hold up what happens now.
        seen = max(seen, newest - EVENTS_BEHIND)
        return self._bytes(_Client(seen, device_id))

    async def _bytes(self, client: _Client) -> AsyncIterator[bytes]:
        self._clients.add(client)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._work())
        try:
            yield message("snapshot", encoded(self._teller.status()), client.last_event)
            while not self._over(client):
                await client.something.wait()
                if not self._over(client):
                    yield client.take()
        finally:
            self._clients.discard(client)

    def _over(self, client: _Client) -> bool:
        return self._closed or client.ended

    async def _work(self) -> None:
        try:
            await self._look()
        finally:
            # Should the look fail, the pages must not go on showing its last answer: they connect again.
            for client in self._clients:
                client.ended = True
            self._wake()

    async def _look(self) -> None:
        loop = asyncio.get_running_loop()
        shown: tuple[object, ...] | None = None
        due_s = loop.time()
        while self._clients and not self._closed:
            key = (*change_key(self._teller.desk.snapshot()[0]), self._teller.record_trouble())
            if key != shown or loop.time() >= due_s:
                shown, due_s = key, loop.time() + SNAPSHOT_EVERY_S
                data = message("snapshot", encoded(self._teller.status()))
                paired = {device.id for device in self._devices.list() if device.revoked_at is None}
                for client in self._clients:
                    client.snapshot = data
                    client.ended = client.device_id not in paired
                self._wake()
                await self._fetch_events()
            await asyncio.sleep(LOOK_EVERY_S)

    async def _fetch_events(self) -> None:
        after = min((client.last_event for client in self._clients), default=0)
        try:
            events = await asyncio.to_thread(self._book.events, after_id=after, limit=EVENTS_AT_ONCE)
        except self._record_error:
            # The book is out of reach: what the oven does is shown all the same, the events when it is back.
            return
        for event in events:
            data = message("event", encoded(event), event["id"])
            for client in self._clients:
                if event["id"] > client.last_event:
                    client.events.append(data)
                    client.last_event = event["id"]
                    client.something.set()

    async def _newest_event(self) -> int:
        try:
            newest: list[dict[str, Any]] = await asyncio.to_thread(self._book.events, limit=1)
        except self._record_error:
            return 0
        return int(newest[-1]["id"]) if newest else 0

    def _wake(self) -> None:
        for client in self._clients:
            client.something.set()
