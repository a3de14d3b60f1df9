"""A run on paper, read back with another library (pypdf)."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from controller.cli import main
from controller.model import Event
from controller.records import Book, Records, RunStart, database_path
from controller.records.printed import EVENTS
from controller.records.rows import SAMPLE_COLUMNS

NOW = 1.7e9  # 2023-11-14 22:13:20 UTC
TEMPER = {"temperature_c": 205.0, "soak_s": 3600.0, "in_band_s": 3540.0, "part_peak_c": 206.4, "air_peak_c": 231.0,
          "equivalent_s": 3500.0, "equivalent_c": 204.2}  # fmt: skip


def book_with(
    directory: Path, *, name: str = "drift", samples: int = 0, events: int = 1, ended: bool = True, **columns: Any
) -> Book:
    """A book with one run of this name, so many seconds of samples and so many events."""
    records = Records(database_path(directory), wall=lambda: NOW, mono=lambda: 50.0)
    load = [{"mass_kg": 0.3, "section_mm": 12.0, "stock": 4, "piece": None}]
    records.run_started(RunStart(1, {"name": name, "tempers": []}, load, "phone 1"))
    records.put_events([Event("note", 51.0 + n, f"Event {n}.") for n in range(1, events + 1)], run_id=1)
    row = {"run_id": 1, "phase": "soak", "oven_c": 200.5, "part_c": 190.0, "part_error_c": 6.0, "part_measured": 0,
           "setpoint_c": 205.0} | columns  # fmt: skip
    records.put_samples(
        tuple((row | {"at": NOW + at, "mono_s": 50.0 + at}).get(column) for column in SAMPLE_COLUMNS)
        for at in range(samples)
    )
    if ended:
        records.run_ended(1, outcome="ended", ending="The last soak is done.", tempers=[TEMPER], at=NOW + 3600.0)
    assert records.close(10.0)
    return Book(database_path(directory))


def pages(book: Book) -> list[str]:
    content = book.record_pdf(1)
    assert content is not None
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(content)).pages]


def test_a_run_is_printed_with_how_it_went(tmp_path: Path) -> None:
    (page,) = pages(book_with(tmp_path, samples=3600))
    for told in (
        "Run 1: drift", "Started 2023-11-14 22:13:20 UTC by phone 1.",
        "Ended 2023-11-14 23:13:20 UTC. The last soak is done.", "0.30 kg, 12 mm thick, stock 4.",
        "1 205 60 59 206 60 min at 204 °C", "The steel was estimated, not measured, to within 6 °C at the worst.",
        "Event 1.", "Run 1, page 1. A record, not a certificate.",
    ):  # fmt: skip
        assert told in page, told


@pytest.mark.parametrize(
    ("columns", "told"),
    [
        ({"part_measured": 1}, "The steel was measured by a sensor of its own."),
        ({"part_c": None, "part_measured": None}, "The steel's temperature is not known."),
        ({"part_c": None, "part_measured": None, "oven_c": None, "setpoint_c": None}, "is not known."),
    ],
)
def test_what_is_known_of_the_steel_is_said(tmp_path: Path, columns: dict[str, Any], told: str) -> None:
    assert told in pages(book_with(tmp_path, samples=60, **columns))[0]


def test_a_run_that_is_on_and_has_no_samples_is_printed_as_that(tmp_path: Path) -> None:
    (page,) = pages(book_with(tmp_path, ended=False))
    assert "It is still open." in page
    assert "No samples of it are in the book." in page


def test_markup_and_letters_of_other_scripts_in_a_name_spoil_nothing(tmp_path: Path) -> None:
    (page,) = pages(book_with(tmp_path, name="<b>Dörn & \u7089</font>", samples=10))
    assert "Run 1: <b>Dörn & ?</font>" in page


def test_many_events_go_over_pages_and_the_rest_is_counted(tmp_path: Path) -> None:
    found = pages(book_with(tmp_path, events=EVENTS + 7))
    assert len(found) > 3
    assert f"Event {EVENTS}." in found[-1]
    assert f"Event {EVENTS + 1}." not in " ".join(found)
    assert "And 7 more, which `ovenhand records show 1` lists." in found[-1]


def test_a_run_is_printed_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    book_with(tmp_path, samples=10)
    export = ["records", "export", "1", "--format", "pdf", "--data", str(tmp_path)]
    assert main(export) == 2
    assert "name it with --output" in capsys.readouterr().err
    paper = tmp_path / "run.pdf"
    assert main([*export, "--output", str(paper)]) == 0
    assert PdfReader(paper).metadata.title == "Run 1: drift"  # type: ignore[union-attr]
    assert main([*export, "--output", str(paper)]) == 2
    assert "is there already" in capsys.readouterr().err
    other = tmp_path / "other.pdf"
    assert main(["records", "export", "2", *export[3:], "--output", str(other)]) == 2
    assert "There is no run 2" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "reportlab.lib.pagesizes", None)
    assert main([*export, "--output", str(other)]) == 2
    assert 'under "Everyday commands".' in capsys.readouterr().err
    assert not other.exists()
