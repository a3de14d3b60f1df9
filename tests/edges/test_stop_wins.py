"""Stop wins: over what was asked before it and comes late, over what comes in the same tick, over a full queue."""

from __future__ import annotations

import asyncio
import json
import sqlite3
import threading
import time
from collections.abc import AsyncIterator
from concurrent.futures import Future
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import pytest

from controller.core.tick import Core
from controller.daemon import ENDED_BY, REQUESTS, Service
from controller.model import (
    Answer,
    Confirm,
    LoadItem,
    Preheat,
    Presence,
    Program,
    Quench,
    Resume,
    Start,
    StopAll,
    StopOven,
    TankOff,
    Temper,
    Wish,
)
from controller.pump import Pump
from controller.records import Records, RunRecorder, database_path
from controller.records.rows import stored_state
from controller.wire.link import Link
from tests.core.rig import limits
from tests.edges.test_daemon import ShopPort, duties, heating, service_on, step
from tests.edges.web_rig import HOME, Book, Desk, Rig, bearer, problem_of

PROGRAM = Program("test temper", (Temper(160.0, 600.0),))
START = Start(PROGRAM, (LoadItem(0.3, 12.0),))
HEAT: tuple[Wish, ...] = (START, Resume(1), Confirm("1-1", True), Preheat(60.0))


def armed(port: ShopPort) -> Service:
    service = service_on(port)
    step(service, 8)
    port.shop.press("arm")
    step(service, 4)
    assert service.snapshot()[0].board.armed
    return service


def codes(future: Future[Answer]) -> list[str]:
    return [reason.code for reason in future.result(0).reasons]


def is_cold(port: ShopPort, service: Service) -> bool:
    step(service, 12)
    asked = service.snapshot()[0].oven.asked_duty
    return (asked, duties(port.written[-1][1])) == (0.0, ("0", "0"))


# --- asked before, come late -----------------------------------------------------------------------------------------


class Shop(Desk):
    """The real service as the desk: each wish is answered by a tick of its own."""

    def __init__(self) -> None:
        super().__init__()
        self.port = ShopPort()
        self.service = armed(self.port)

    def ask(self, wish: Wish, who: str, arrived_s: float | None = None) -> Future[Answer]:
        future = self.service.ask(wish, who, arrived_s)
        step(self.service)
        return future


class Late(Book):
    """A start that is heard of, and then held up, by a slow card or a weak radio, until it may go on."""

    def __init__(self) -> None:
        super().__init__()
        self.heard, self.may_go_on = threading.Event(), threading.Event()

    def hold_up(self) -> None:
        self.heard.set()
        assert self.may_go_on.wait(30.0)

    def piece(self, piece_id: int) -> dict[str, Any] | None:
        self.hold_up()
        return super().piece(piece_id)

    async def body(self) -> AsyncIterator[bytes]:
        yield b'{"program": '
        await asyncio.to_thread(self.hold_up)
        yield b'"straw"}'


@pytest.mark.parametrize("held_up_by", ["slow card", "weak radio"])
def test_a_start_that_was_asked_before_a_stop_and_comes_after_it_is_dead(held_up_by: str) -> None:
    desk, book = Shop(), Late()
    rig = Rig(desk=desk, book=book)
    how: dict[str, Any] = {"content": book.body()}
    if held_up_by == "slow card":
        how = {"json": {"program": "straw", "load": [{"mass_kg": 0.3, "section_mm": 12, "piece": 2}]}}

    async def both() -> list[httpx.Response]:
        transport = httpx.ASGITransport(app=rig.app, client=("127.0.0.1", 5000))
        async with httpx.AsyncClient(transport=transport, base_url=HOME, headers=bearer(rig.operator)) as web:

            async def stop() -> httpx.Response:
                assert await asyncio.to_thread(book.heard.wait, 30.0)
                answer = await web.post("/api/v1/stop")
                book.may_go_on.set()
                return answer

            return await asyncio.gather(web.post("/api/v1/oven/start", **how), stop())

    start, stop = asyncio.run(both())
    assert stop.status_code == 200
    assert problem_of(start, 409) == ["stopped"]
    assert is_cold(desk.port, desk.service)
    assert desk.service.snapshot()[0].oven.phase == "ready"
    assert rig.post("/api/v1/oven/start", {"program": "straw"}).status_code == 202, "asked again, it is begun"


@pytest.mark.parametrize("wish", HEAT)
@pytest.mark.parametrize("stop", [StopAll(), StopOven(), TankOff()])
def test_a_stop_ends_what_was_asked_of_its_zone_and_nothing_else(stop: Wish, wish: Wish) -> None:
    service = armed(ShopPort())
    before_s = time.monotonic()
    service.ask(stop, "phone 2")
    step(service)
    late = service.ask(wish, "phone 1", before_s)
    ends = isinstance(stop, ENDED_BY[type(wish)])
    assert ends == (isinstance(stop, StopAll) or isinstance(stop, TankOff) == isinstance(wish, Preheat))
    assert late.done() == ends
    if ends:
        assert codes(late) == ["stopped"]
    assert not service.ask(wish, "phone 1", time.monotonic()).done()


def test_what_gives_no_heat_is_taken_however_late() -> None:
    service = armed(ShopPort())
    before_s = time.monotonic()
    service.ask(StopAll(), "phone 2")
    late = [service.ask(wish, "phone 1", before_s) for wish in (Presence(), Quench(), StopOven(), StopAll())]
    step(service)
    assert [codes(future) for future in late] == [[]] * 4


# --- in one tick -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stop", [StopAll(), StopOven()])
def test_of_two_hands_in_one_tick_the_one_that_stops_wins(stop: Wish) -> None:
    port = ShopPort()
    service = armed(port)
    stopped, begun = service.ask(stop, "phone 1"), service.ask(START, "phone 2")
    step(service)
    assert codes(stopped) == codes(begun) == []
    assert service.snapshot()[0].oven.phase in ("ready", "ended")
    assert is_cold(port, service)


# --- a full queue ----------------------------------------------------------------------------------------------------


def test_a_stop_is_taken_by_a_full_queue_and_floods_of_stops_do_not_grow() -> None:
    port = ShopPort()
    service = armed(port)
    service.ask(START, "phone 1")
    step(service, 12)
    assert service.snapshot()[0].oven.asked_duty > 0.5
    flood = [service.ask(Presence(), "script") for _ in range(REQUESTS)]
    first = service.ask(StopAll(), "phone 2")
    stops = [service.ask(StopAll(), "phone 2") for _ in range(10_000)]
    zones = [service.ask(wish, "phone 2") for wish in (StopOven(), TankOff())]
    assert service.figures()["requests_waiting"] == REQUESTS + 3
    assert codes(service.ask(START, "phone 1")) == ["busy"]
    step(service)
    assert duties(port.written[-1][1]) == ("0", "0")
    assert [codes(future) for future in (first, *zones, flood[-1])] == [[]] * 4
    assert all(codes(stop) == [] for stop in stops)
    assert service.figures()["requests_waiting"] == 0


def test_a_stop_that_its_asker_gave_up_is_no_answer_for_the_next() -> None:
    service = armed(ShopPort())
    for _ in range(REQUESTS):
        service.ask(StopAll(), "phone 1").cancel()
    after = service.ask(StopAll(), "phone 2")
    assert not after.cancelled()
    step(service)
    assert codes(after) == []


# --- on the card -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/api/v1/stop", "/api/v1/oven/stop"])
@pytest.mark.parametrize("fault", [None, OSError("the disk takes nothing")])
def test_a_stop_is_answered_when_the_card_has_it_or_has_refused_it(path: str, fault: Exception | None) -> None:
    kept: Future[None] = Future()
    rig = Rig(desk=Shop(), kept=lambda: kept)

    async def answered_before_and_after() -> tuple[bool, int]:
        transport = httpx.ASGITransport(app=rig.app, client=("127.0.0.1", 5000))
        async with httpx.AsyncClient(transport=transport, base_url=HOME, headers=bearer(rig.operator)) as web:
            stop = asyncio.create_task(web.post(path))
            for _ in range(1000):
                await asyncio.sleep(0)
            before = stop.done()
            kept.set_result(None) if fault is None else kept.set_exception(fault)
            return before, (await stop).status_code

    assert asyncio.run(answered_before_and_after()) == (False, 200)


def test_a_card_that_does_not_answer_keeps_nobody_waiting_for_a_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.web.parts.KEPT_WITHIN_S", 0.001)
    kept: Future[None] = Future()
    rig = Rig(desk=Shop(), kept=lambda: kept)
    assert rig.post("/api/v1/stop").status_code == 200
    assert kept.cancelled(), "nobody waits for it any more"


def test_a_stop_does_not_ask_a_card_that_takes_nothing() -> None:
    asked: list[Future[None]] = []

    def ask_it() -> Future[None]:
        asked.append(Future())
        return asked[-1]

    rig = Rig(desk=Shop(), kept=ask_it, trouble="The disk is full.")
    assert rig.post("/api/v1/stop").status_code == 200
    assert not asked


def test_what_somebody_has_an_answer_to_is_with_the_record_already(tmp_path: Path) -> None:
    """So that what asks whether the card has it asks for no less; and a kill then is one after the commit."""
    port = ShopPort()
    records = Records(database_path(tmp_path), wall=lambda: 1.7e9, mono=lambda: port.now_s)
    pump = Pump(lambda _: Core(limits()), Link())
    recorder = RunRecorder(records, state=lambda: pump.core.state(), now_s=port.now_s)
    service = Service(pump, port, now_s=lambda: port.now_s, wall=lambda: 1.7e9, recorder=recorder)
    heating(port, service)
    stopped = service.ask(StopOven(), "phone 2")
    found: list[Any] = []

    def look(_: Future[Answer]) -> None:
        records.kept().result(10.0)
        with closing(sqlite3.connect(database_path(tmp_path))) as card:
            found.extend(card.execute("SELECT outcome FROM runs").fetchone())
            state, _at = stored_state(card) or ("", 0.0)
            found.append(json.loads(state)["run"])

    stopped.add_done_callback(look)
    step(service)
    assert found == ["stopped", None]
    assert records.close()
