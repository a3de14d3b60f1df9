"""The live stream: the snapshot first, events by number, and an end when it is told."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from controller.web import stream as stream_module
from tests.edges.web_rig import PORT, Rig, problem_of, snapshot

PATIENCE_S = 20.0
"""Only so that a broken test ends."""


class Listener:
    """An open stream on the application itself, without a server between."""

    def __init__(self, rig: Rig, token: str, *headers: tuple[bytes, bytes]) -> None:
        self.messages: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self.gone = asyncio.Event()
        self.rest = b""
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET", "scheme": "http",
            "path": "/api/v1/stream", "raw_path": b"/api/v1/stream", "root_path": "", "query_string": b"",
            "headers": [(b"host", f"127.0.0.1:{PORT}".encode()), (b"authorization", f"Bearer {token}".encode()),
                        *headers],
            "client": ("127.0.0.1", 4000), "server": ("127.0.0.1", PORT),
        }  # fmt: skip
        self.task = asyncio.create_task(rig.app(scope, self._receive, self._send))

    async def _receive(self) -> dict[str, Any]:
        await self.gone.wait()
        return {"type": "http.disconnect"}

    async def _send(self, message: Any) -> None:
        await self.messages.put(message)

    async def start(self) -> dict[str, str]:
        message = await self.messages.get()
        assert message["status"] == 200
        return {name.decode(): value.decode() for name, value in message["headers"]}

    async def next(self, name: str | None = None) -> tuple[str, Any, int | None]:
        """The next message of this name: name, data, number."""
        while True:
            while b"\n\n" not in self.rest:
                self.rest += (await self.messages.get()).get("body", b"")
            block, self.rest = self.rest.split(b"\n\n", 1)
            fields = dict(line.split(": ", 1) for line in block.decode().split("\n"))
            if name in (None, fields["event"]):
                number = int(fields["id"]) if "id" in fields else None
                return fields["event"], json.loads(fields["data"]), number

    async def leave(self) -> None:
        self.gone.set()
        await self.task


def play(scene: Callable[[], Awaitable[None]]) -> None:
    async def patient() -> None:
        async with asyncio.timeout(PATIENCE_S):
            await scene()

    asyncio.run(patient())


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def still(monkeypatch: pytest.MonkeyPatch) -> None:
    """No snapshot but the first and those of a change."""
    monkeypatch.setattr(stream_module, "SNAPSHOT_EVERY_S", 1000.0)
    monkeypatch.setattr(stream_module, "LOOK_EVERY_S", 0.002)


def test_the_first_message_is_the_snapshot_with_the_number_to_go_on_from(rig: Rig) -> None:
    async def scene() -> None:
        rig.book.happened("armed")
        listener = Listener(rig, rig.viewer)
        headers = await listener.start()
        assert headers["content-type"].startswith("text/event-stream")
        assert headers["cache-control"] == "no-store"
        name, data, number = await listener.next()
        assert (name, number) == ("snapshot", 1)
        assert data == rig.app.state.hub._teller.status()
        await listener.leave()

    play(scene)


def test_snapshots_go_on_twice_a_second() -> None:
    assert stream_module.SNAPSHOT_EVERY_S == 0.5


def test_snapshots_come_without_a_change_too(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "SNAPSHOT_EVERY_S", 0.002)
    monkeypatch.setattr(stream_module, "LOOK_EVERY_S", 0.002)

    async def scene() -> None:
        listener = Listener(rig, rig.operator)
        for _ in range(4):
            assert (await listener.next("snapshot"))[1]["oven"]["phase"] == "soak"
        await listener.leave()

    play(scene)


@pytest.mark.usefixtures("still")
@pytest.mark.parametrize(
    "change",
    [
        {"oven": {"phase": "cool"}},
        {"board": {"armed": False}},
        {"board": {"trips": 16}},
        {"tank": {"verdict": "withhold"}},
    ],
)
def test_a_change_is_sent_at_once(rig: Rig, change: dict[str, Any]) -> None:
    async def scene() -> None:
        listener = Listener(rig, rig.operator)
        await listener.next("snapshot")
        await listener.next("snapshot")
        rig.desk.now = snapshot(**change)
        data = (await listener.next("snapshot"))[1]
        assert data == rig.app.state.hub._teller.status()
        await listener.leave()

    play(scene)


def test_events_come_by_their_numbers_and_only_new_ones(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "SNAPSHOT_EVERY_S", 0.002)
    monkeypatch.setattr(stream_module, "LOOK_EVERY_S", 0.002)

    async def scene() -> None:
        rig.book.happened("armed")
        listener = Listener(rig, rig.operator)
        await listener.next("snapshot")
        rig.book.happened("heat_up")
        rig.book.happened("soak_begun")
        assert [(await listener.next("event"))[1]["kind"] for _ in range(2)] == ["heat_up", "soak_begun"]
        await listener.leave()

    play(scene)


@pytest.mark.parametrize(("last", "kinds"), [(b"1", [2, 3]), (b"0", [1, 2, 3]), (b"2", [3])])
def test_a_phone_that_was_away_gets_what_it_missed(rig: Rig, last: bytes, kinds: list[int]) -> None:
    async def scene() -> None:
        for _ in range(3):
            rig.book.happened("armed")
        listener = Listener(rig, rig.operator, (b"last-event-id", last))
        assert [(await listener.next("event"))[2] for _ in kinds] == kinds
        await listener.leave()

    play(scene)


def test_a_phone_that_was_away_for_weeks_gets_the_newest_and_holds_up_nobody(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream_module, "SNAPSHOT_EVERY_S", 0.002)
    monkeypatch.setattr(stream_module, "LOOK_EVERY_S", 0.002)
    asked: list[int | None] = []
    events = rig.book.events

    def counted(*, after_id: int | None = None, limit: int = 200) -> list[dict[str, Any]]:
        asked.append(after_id)
        return events(after_id=after_id, limit=limit)

    monkeypatch.setattr(rig.book, "events", counted)

    async def scene() -> None:
        for _ in range(5000):
            rig.book.happened("presence")
        here, away = Listener(rig, rig.operator), Listener(rig, rig.viewer, (b"last-event-id", b"1"))
        await here.next("snapshot")
        first = 5001 - stream_module.EVENTS_BEHIND
        assert (await away.next("event"))[2] == first
        rig.book.happened("interlock_tripped")
        assert (await here.next("event"))[1]["kind"] == "interlock_tripped"
        looks = [after for after in asked if after is not None]
        assert min(looks) >= first - 1
        for listener in (here, away):
            await listener.leave()

    play(scene)


@pytest.mark.parametrize("last", [b"99", b"-1", b"x", b"9" * 40, b""])
def test_a_number_that_is_none_of_ours_gets_what_is_new(rig: Rig, last: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "SNAPSHOT_EVERY_S", 0.002)
    monkeypatch.setattr(stream_module, "LOOK_EVERY_S", 0.002)

    async def scene() -> None:
        rig.book.happened("armed")
        listener = Listener(rig, rig.operator, (b"last-event-id", last))
        assert (await listener.next("snapshot"))[2] == 1
        rig.book.happened("heat_up")
        assert (await listener.next("event"))[2] == 2
        await listener.leave()

    play(scene)


@pytest.mark.usefixtures("still")
def test_close_from_another_thread_ends_every_stream_and_lets_none_begin(rig: Rig) -> None:
    async def scene() -> None:
        listeners = [Listener(rig, rig.operator) for _ in range(5)]
        for listener in listeners:
            await listener.next("snapshot")
        assert rig.app.state.hub.clients == 5
        thread = threading.Thread(target=rig.app.state.hub.close)
        thread.start()
        await asyncio.gather(*(listener.task for listener in listeners))
        thread.join()
        assert rig.app.state.hub.clients == 0
        rig.app.state.hub.close()

    play(scene)
    assert problem_of(rig.get("/api/v1/stream"), 503) == ["ending"]


def test_close_before_anybody_listened(rig: Rig) -> None:
    rig.app.state.hub.close()
    assert problem_of(rig.get("/api/v1/stream"), 503) == ["ending"]


def test_the_stream_of_a_device_that_is_revoked_ends(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "SNAPSHOT_EVERY_S", 0.002)
    monkeypatch.setattr(stream_module, "LOOK_EVERY_S", 0.002)

    async def scene() -> None:
        listener = Listener(rig, rig.viewer)
        await listener.next("snapshot")
        rig.devices.revoke(2, "phone 1")
        await listener.task
        assert rig.app.state.hub.clients == 0

    play(scene)


def test_a_book_out_of_reach_does_not_stop_the_snapshots(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "SNAPSHOT_EVERY_S", 0.002)
    monkeypatch.setattr(stream_module, "LOOK_EVERY_S", 0.002)
    rig.book.trouble = OSError("The card is gone.")

    async def scene() -> None:
        listener = Listener(rig, rig.operator)
        for _ in range(3):
            await listener.next("snapshot")
        await listener.leave()

    play(scene)


@pytest.mark.usefixtures("still")
def test_the_hub_encodes_once_for_all_and_rests_when_nobody_listens(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[dict[str, Any]] = []
    encode = stream_module.encoded

    def counted(content: Any) -> bytes:
        made.append(content)
        return encode(content)

    async def scene() -> None:
        listeners = [Listener(rig, rig.operator) for _ in range(3)]
        for listener in listeners:
            await listener.next("snapshot")
        monkeypatch.setattr(stream_module, "encoded", counted)
        rig.desk.now = snapshot(oven={"phase": "cool"})
        for listener in listeners:
            while (await listener.next("snapshot"))[1]["oven"]["phase"] != "cool":
                pass
        assert sum(content["oven"]["phase"] == "cool" for content in made) == 1
        for listener in listeners:
            await listener.leave()
        await rig.app.state.hub._task
        assert rig.app.state.hub.clients == 0

    play(scene)


def test_a_slow_client_keeps_the_newest_snapshot_and_a_bounded_row_of_events() -> None:
    async def scene() -> None:
        client = stream_module._Client(0, 1)
        for number in range(1000):
            client.snapshot = b"snapshot %d;" % number
            client.events.append(b"event %d;" % number)
        waiting = client.take()
        assert waiting.count(b"event") == stream_module.EVENTS_BEHIND
        assert b"event 999;" in waiting
        assert b"event 0;" not in waiting
        assert waiting.endswith(b"snapshot 999;")
        assert client.take() == b""

    play(scene)


@pytest.mark.usefixtures("still")
def test_more_streams_than_a_shop_has_screens_are_503(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "MOST_CLIENTS", 1)

    async def scene() -> None:
        first = Listener(rig, rig.operator)
        await first.next("snapshot")
        second = Listener(rig, rig.operator)
        assert (await second.messages.get())["status"] == 503
        await second.leave()
        await first.leave()

    play(scene)
