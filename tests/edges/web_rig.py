"""A web side with everything behind it scripted: a desk that notes each wish, a book, devices, a simulated shop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx

from controller.model import (
    Answer,
    BoardView,
    Forecast,
    LoadItem,
    OvenView,
    Program,
    Prompt,
    RowState,
    Snapshot,
    TankView,
    Temper,
    Wish,
)
from controller.web import Access, create_app

PORT = 8420
HOME = f"http://127.0.0.1:{PORT}"
NOW = 1_800_000_000.0
"""2027-01-15T08:00:00Z."""

BOARD: dict[str, Any] = {
    "connected": True,
    "armed": True,
    "arm_left_s": 600,
    "trips": 0,
    "firmware": 3,
    "fitted": 31,
    "incompatible": None,
    "port_text": "",
    "data_age_s": 0.1,
    "presses": 2,
}
OVEN: dict[str, Any] = {
    "temperature_c": 204.6,
    "setpoint_c": 205.0,
    "asked_duty": 0.3,
    "applied_duty": 0.25,
    "part_measured": False,
    "verdict": "permit",
    "phase": "soak",
    "program": "straw",
    "run_id": 7,
    "temper_index": 0,
    "temper_count": 2,
    "soak_done_s": 600.0,
    "soak_total_s": 3600.0,
    "ends_in_s": 3000.0,
    "lost_s": 0.0,
}
TANK: dict[str, Any] = {"temperature_c": 21.0, "asked_duty": 0.0, "verdict": "permit", "phase": "off", "ready": False}


def _made(kind: Any, values: Mapping[str, Any]) -> Any:
    return kind(**(dict.fromkeys(kind._fields) | dict(values)))


def snapshot(
    *,
    board: Mapping[str, Any] | None = None,
    oven: Mapping[str, Any] | None = None,
    tank: Mapping[str, Any] | None = None,
    rows: tuple[RowState, ...] = (),
    prompt: Prompt | None = None,
    fire: bool = False,
) -> Snapshot:
    """A shop in its soak; what is not given is not known."""
    return Snapshot(
        at_s=100.0,
        board=_made(BoardView, BOARD | dict(board or {})),
        verdict="permit",
        rows=rows,
        prompt=prompt,
        presence_left_s=None,
        oven=_made(OvenView, OVEN | dict(oven or {})),
        tank=_made(TankView, TANK | dict(tank or {})),
        fire=fire,
    )


class Desk:
    """Answers each wish with `answer`, or never with None."""

    def __init__(self) -> None:
        self.now = snapshot()
        self.age_s = 0.1
        self.answer: Answer | None = Answer(run_id=7, phase="heat_up")
        self.asked: list[tuple[Wish, str]] = []
        self.arrived_s: list[float | None] = []
        self.futures: list[Future[Answer]] = []
        self.timely = True
        self.foreseen: list[tuple[Program, tuple[LoadItem, ...]]] = []
        self.foresight: Forecast | None = Forecast(1800.0, 5400.0, 450.0, 900.0, False)

    def snapshot(self) -> tuple[Snapshot, float]:
        return self.now, self.age_s

    def ask(self, wish: Wish, who: str, arrived_s: float | None = None) -> Future[Answer]:
        self.asked.append((wish, who))
        self.arrived_s.append(arrived_s)
        future: Future[Answer] = Future()
        self.futures.append(future)
        if self.answer is not None:
            future.set_result(self.answer)
        return future

    def forecast(self, program: Program, load: tuple[LoadItem, ...]) -> Forecast | None:
        self.foreseen.append((program, load))
        return self.foresight

    def on_time(self) -> bool:
        return self.timely

    def figures(self) -> Mapping[str, float]:
        return {"ticks": 12.0, "worst_lateness_s": 0.25}


@dataclass(frozen=True)
class Device:
    id: int
    label: str
    role: str
    created_at: float = NOW
    last_seen_at: float | None = None
    revoked_at: float | None = None


class Devices:
    def __init__(self) -> None:
        self.by_hash: dict[str, Device] = {}
        self.revoked_by: list[tuple[int, str]] = []
        self.trouble: Exception | None = None

    def add(self, label: str, role: str, token_sha256: str) -> Device:
        if self.trouble is not None:
            raise self.trouble
        self.by_hash[token_sha256] = Device(len(self.by_hash) + 1, label, role)
        return self.by_hash[token_sha256]

    def find_by_hash(self, token_sha256: str) -> Device | None:
        found = self.by_hash.get(token_sha256)
        return None if found is None or found.revoked_at is not None else found

    def touch(self, device_id: int) -> None:
        for sha256, device in self.by_hash.items():
            if device.id == device_id:
                self.by_hash[sha256] = replace(device, last_seen_at=NOW)

    def revoke(self, device_id: int, who: str) -> bool:
        self.revoked_by.append((device_id, who))
        for sha256, device in self.by_hash.items():
            if device.id == device_id and device.revoked_at is None:
                self.by_hash[sha256] = replace(device, revoked_at=NOW)
                return True
        return False

    def list(self) -> list[Device]:
        return list(self.by_hash.values())


class Book:
    def __init__(self) -> None:
        self.diary: list[dict[str, Any]] = []
        self.trouble: Exception | None = None

    def happened(self, kind: str) -> None:
        self.diary.append({"id": len(self.diary) + 1, "kind": kind, "text": "It was so.", "data": {}})

    def runs(self, *, limit: int = 50, before_id: int | None = None) -> list[dict[str, Any]]:
        if self.trouble is not None:
            raise self.trouble
        return [{"id": number} for number in (9, 8, 7) if before_id is None or number < before_id][:limit]

    def run(self, run_id: int) -> dict[str, Any] | None:
        return {"id": run_id, "program_name": "straw"} if run_id in (7, 8, 9) else None

    def trace_csv(self, run_id: int) -> list[str]:
        return ["at,oven_c,part_c\r\n", "2027-01-15T08:00:00.000Z,20.5,\r\n"]

    def record_pdf(self, run_id: int) -> bytes | None:
        if isinstance(self.trouble, ImportError):
            raise self.trouble
        return b"%PDF-1.4" if run_id in (7, 8, 9) else None

    def events(self, *, after_id: int | None = None, limit: int = 200) -> list[dict[str, Any]]:
        if self.trouble is not None:
            raise self.trouble
        if after_id is None:
            return self.diary[-limit:]
        return [event for event in self.diary if event["id"] > after_id][:limit]

    def stock(self) -> list[dict[str, Any]]:
        return [{"id": 1}]

    def pieces(self) -> list[dict[str, Any]]:
        return [{"id": 2}]

    def stock_item(self, stock_id: int) -> dict[str, Any] | None:
        return next((bar for bar in self.stock() if bar["id"] == stock_id), None)

    def ladder(self, stock_id: int) -> list[dict[str, Any]]:
        return []

    def file_tests(self, stock_id: int) -> list[dict[str, Any]]:
        return []

    def piece(self, piece_id: int) -> dict[str, Any] | None:
        return next((piece for piece in self.pieces() if piece["id"] == piece_id), None)


class Rehearsal:
    def __init__(self) -> None:
        self.pressed: list[str] = []
        self.on = {"oven_sensor_open": False, "door_open": False}
        self.pace = 1.0

    def press(self, button: Any) -> None:
        self.pressed.append(button)

    def fault(self, name: str, on: bool) -> None:
        self.on[name] = on

    def faults(self) -> Mapping[str, bool]:
        return dict(self.on)

    def set_speed(self, speed: float) -> None:
        self.pace = speed

    def speed(self) -> float:
        return self.pace


@dataclass
class Rig:
    """The application and all behind it. `get` and `post` go as the operator's script unless told otherwise."""

    rehearsal: Rehearsal | None = None
    page_dir: Path | None = None
    record_error: type[Exception] = OSError
    desk: Desk = field(default_factory=Desk)
    book: Book = field(default_factory=Book)
    devices: Devices = field(default_factory=Devices)
    now_s: float = 0.0
    trouble: str | None = None
    kept: Callable[[], Future[None]] | None = None
    alerts: Any = None

    def __post_init__(self) -> None:
        self.access = Access(self.devices, now_s=lambda: self.now_s)
        straw = Program("straw", (Temper(205.0, 3600.0),))
        self.app = create_app(
            desk=self.desk,
            book=self.book,
            devices=self.devices,
            catalogue=SimpleNamespace(
                programs={"straw": straw}, oil_records=[{"name": "thin"}], steels=[{"name": "x"}], own_tank=None
            ),
            access=self.access,
            mode="shop" if self.rehearsal is None else "rehearsal",
            units="C",
            rehearsal=self.rehearsal,
            allowed_hosts=["ovenhand.local", "shop-pi"],
            port=PORT,
            wall=lambda: NOW,
            page_dir=self.page_dir,
            record_error=self.record_error,
            record_trouble=lambda: self.trouble,
            record_kept=self.kept,
            writer=None,  # type: ignore[arg-type]  # what is entered of steel is tried on the real book
            alerts=self.alerts,
        )
        self.operator = self.paired("operator")
        self.viewer = self.paired("viewer")

    def paired(self, role: str) -> str:
        return self.access.pair(self.access.new_code(role), "phone")[0]

    def ask(
        self, method: str, path: str, *, client: str = "127.0.0.1", raises: bool = True, **how: Any
    ) -> httpx.Response:
        """One request, with exactly the headers given."""

        async def one() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app, client=(client, 5000), raise_app_exceptions=raises)
            async with httpx.AsyncClient(transport=transport, base_url=HOME) as web:
                return await web.request(method, path, **how)

        return asyncio.run(one())

    def get(self, path: str, token: str | None = None) -> httpx.Response:
        return self.ask("GET", path, headers=bearer(token or self.operator))

    def post(self, path: str, body: Any = None, token: str | None = None) -> httpx.Response:
        """`body`: JSON values, or bytes as they are."""
        how: dict[str, Any] = {"content": body} if isinstance(body, bytes) else {"json": body}
        if body is None:
            how = {}
        return self.ask("POST", path, headers=bearer(token or self.operator), **how)


def bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


def problem_of(answer: httpx.Response, status: int) -> list[str]:
    """The codes of a problem document, after checking that it is one."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    content = answer.json()
    assert content["status"] == status
    assert content["type"] == "about:blank"
    assert all(set(reason) == {"code", "text"} and reason["text"] for reason in content["reasons"])
    return [reason["code"] for reason in content["reasons"]]
