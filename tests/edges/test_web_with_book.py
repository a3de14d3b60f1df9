"""The web on the real record book: pairing that outlives a restart, runs, traces and missed events."""

from __future__ import annotations

import asyncio
import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from controller.commands.catalogue import Catalogue
from controller.commands.shipped import load_shipped
from controller.model import Event
from controller.records import Book, Devices, Records, RecordsError, RunStart, ShopWriter, database_path, trace_csv
from controller.records.rows import SAMPLE_COLUMNS
from controller.web import Access, create_app
from tests.edges.schema_check import answer_faults
from tests.edges.web_rig import HOME, NOW, PORT, Desk, bearer, problem_of

SECONDS = 1200


class Shop:
    """A service on a real file, without a server."""

    def __init__(self, directory: Path) -> None:
        self.desk = Desk()
        self.path = database_path(directory)
        self.records = Records(self.path, wall=lambda: NOW, mono=lambda: 50.0)
        self.devices = Devices(self.records, wall=lambda: NOW)
        self.access = Access(self.devices)
        self.app: FastAPI = create_app(
            desk=self.desk,
            book=Book(self.path),
            devices=self.devices,
            catalogue=Catalogue(load_shipped(directory), directory),
            access=self.access,
            mode="shop",
            units="C",
            rehearsal=None,
            allowed_hosts=[],
            port=PORT,
            wall=lambda: NOW,
            record_error=RecordsError,
            writer=ShopWriter(self.records, wall=lambda: NOW),
        )

    def ask(self, method: str, path: str, token: str = "", **how: Any) -> httpx.Response:
        async def one() -> httpx.Response:
            async with httpx.AsyncClient(transport=httpx.ASGITransport(app=self.app), base_url=HOME) as web:
                return await web.request(method, f"/api/v1{path}", headers=bearer(token) if token else {}, **how)

        return asyncio.run(one())

    def pair(self, label: str) -> str:
        answer = self.ask("POST", "/pair", json={"code": self.access.new_code("operator"), "label": label})
        assert answer.status_code == 200
        token = answer.json()["token"]
        assert isinstance(token, str)
        return token


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = Shop(tmp_path)
    yield made
    made.records.close()


def write_a_run(records: Records) -> None:
    records.run_started(RunStart(1, {"name": "drift", "tempers": []}, [], "phone 1"))
    records.put_events([Event("heat_up", 51.0, "Heating."), Event("soak_begun", 60.0, "In band.")], run_id=1)
    rows = [
        {"run_id": 1, "at": NOW + at, "mono_s": 50.0 + at, "phase": "soak", "oven_c": 200.5} for at in range(SECONDS)
    ]
    records.put_samples(tuple(row.get(name) for name in SAMPLE_COLUMNS) for row in rows)
    records.run_ended(1, outcome="ended", ending="Done.", at=NOW + SECONDS, mono_s=50.0 + SECONDS)
    assert records.flush(10.0)


def test_a_pairing_outlives_a_restart_and_a_revocation_too(tmp_path: Path) -> None:
    first = Shop(tmp_path)
    kept, lost = first.pair("bench"), first.pair("old phone")
    assert first.ask("POST", "/devices/2/revoke", kept).status_code == 200
    first.records.close()
    second = Shop(tmp_path)
    assert [device["label"] for device in second.ask("GET", "/devices", kept).json()] == ["bench", "old phone"]
    assert problem_of(second.ask("GET", "/devices", lost), 401) == ["wrong_token"]
    audit = [(one["wish"], one["who"], one["details"]["device"]) for one in Book(second.path).requests()]
    assert audit == [("Revoke", "bench 1", 2), ("Pair", "old phone 2", 2), ("Pair", "bench 1", 1)]
    second.records.close()


def test_a_run_its_trace_and_its_events(shop: Shop) -> None:
    token = shop.pair("bench")
    write_a_run(shop.records)
    assert [run["program_name"] for run in shop.ask("GET", "/runs", token).json()] == ["drift"]
    run = shop.ask("GET", "/runs/1", token).json()
    assert (run["outcome"], run["samples"]) == ("ended", SECONDS)
    assert [event["kind"] for event in shop.ask("GET", "/events?after_id=1", token).json()] == ["soak_begun"]
    trace = shop.ask("GET", "/runs/1/trace.csv", token).text
    assert trace == "".join(trace_csv(Book(shop.path), 1)), "the same as the command exports"
    rows = list(csv.DictReader(io.StringIO(trace)))
    assert len(rows) == SECONDS
    assert rows[0]["at"] == "2027-01-15T08:00:00.000Z"
    assert (rows[-1]["oven_c"], rows[-1]["part_c"]) == ("200.5", "")
    assert shop.ask("GET", "/stock", token).json() == []
    assert shop.ask("GET", "/pieces", token).json() == []


def test_what_the_book_and_the_profiles_answer_is_what_the_document_says(shop: Shop) -> None:
    token = shop.pair("bench")
    shop.pair("old phone")
    write_a_run(shop.records)
    document = shop.ask("GET", "/openapi.json", token).json()
    asked = [
        ("GET", "/runs", "/runs"), ("GET", "/runs/{id}", "/runs/1"),
        ("GET", "/runs/{id}/trace.csv", "/runs/1/trace.csv"),
        ("GET", "/events", "/events"), ("GET", "/devices", "/devices"), ("GET", "/stock", "/stock"),
        ("GET", "/pieces", "/pieces"), ("GET", "/programs", "/programs"), ("GET", "/oils", "/oils"),
        ("GET", "/steels", "/steels"), ("POST", "/devices/{id}/revoke", "/devices/2/revoke"),
    ]  # fmt: skip
    for method, named, path in asked:
        answer = shop.ask(method, path, token)
        assert answer.status_code == 200
        assert answer_faults(document, method, f"/api/v1{named}", answer) == []
    shop.records.close()
    shop.path.unlink()
    assert answer_faults(document, "GET", "/api/v1/runs", shop.ask("GET", "/runs", token)) == []


def test_a_book_that_cannot_be_read_is_503_with_the_books_own_sentence(shop: Shop) -> None:
    token = shop.pair("bench")
    write_a_run(shop.records)
    shop.records.close()
    shop.path.unlink()
    answer = shop.ask("GET", "/runs", token)
    assert problem_of(answer, 503) == ["record"]
    assert "record" in answer.json()["detail"]
