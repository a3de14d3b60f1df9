"""Stock, pieces, ladder and file tests in the book: what is written is what is read, and a piece knows its runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.model import Answer, Quench, Reason, Request
from controller.records import Book, Records, RecordsError, RunStart, ShopWriter, database_path

NOW = 1_800_000_000.0


def test_a_bar_its_ladder_and_a_piece_with_its_runs_and_tests(tmp_path: Path) -> None:
    records = Records(database_path(tmp_path), wall=lambda: NOW, mono=lambda: 5.0)
    shop, book = ShopWriter(records, wall=lambda: NOW), Book(database_path(tmp_path))
    bar = shop.add_stock({"name": "leaf from the cart \ud800", "origin": "coil or leaf spring", "section_mm": 12.0,
                          "composition": {"C": 0.6}})  # fmt: skip
    found = book.stock_item(bar)
    assert found is not None
    assert (found["name"], found["composition"], found["grade"]) == ("leaf from the cart ?", {"C": 0.6}, None)
    assert (found["origin"], found["created_at"]) == ("coil or leaf spring", "2027-01-15T08:00:00.000Z")
    shop.add_rung({"stock_id": bar, "medium": "oil", "section_mm": 12.0, "file_skates": True, "one_file": "skates",
                   "flat": True}, "phone 1")  # fmt: skip
    rung = book.ladder(bar)[0]
    assert (rung["medium"], rung["flat"], rung["file_skates"], rung["one_file"]) == ("oil", True, True, "skates")
    assert rung["who"] == "phone 1"
    piece = shop.add_piece({"stock_id": bar, "name": "drift", "mass_kg": 0.4, "plan": {"use": "drift"}})
    load = [{"mass_kg": 0.4, "section_mm": 12.0, "stock": bar, "piece": piece}]
    records.run_started(RunStart(1, {"name": "drift", "tempers": []}, load, "phone 1"))
    records.run_started(RunStart(2, {"name": "other", "tempers": []}, [{"piece": piece + 1}], "phone 1"))
    shop.add_file_test({"stock_id": bar, "piece_id": piece, "run_id": 1, "skates_hrc": 50.0, "bites_hrc": 55.0,
                        "temper_c": 205.0, "temper_s": 3600.0, "by_hand": True}, "phone 1")  # fmt: skip
    records.put_request(Request(1, Quench(0.4, 850.0, piece), "phone 1"), Answer(phase="off"))
    records.put_request(Request(2, Quench(0.4, 850.0, piece + 1), "phone 1"), Answer(phase="off"))
    records.put_request(Request(3, Quench(0.5, None, piece), "phone 1"), Answer((Reason("no", "No."),)))
    assert records.flush()
    told = book.piece(piece)
    assert told is not None
    assert [run["id"] for run in told["runs"]] == [1]
    assert [(one["mass_kg"], one["part_c"], one["who"]) for one in told["declared_quenches"]] == [
        (0.4, 850.0, "phone 1")
    ]
    assert (told["plan"], told["file_tests"][0]["by_hand"]) == ({"use": "drift"}, True)
    assert book.file_tests(bar)[0]["bites_hrc"] == 55.0
    assert book.stock_item(bar + 1) is None
    records.close()
    with pytest.raises(RecordsError):
        shop.add_stock({"name": "too late"})
