"""What the tests of the record share: given clocks, and where the book is."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.records import database_path
from tests.edges.test_records_writer import Clock


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return database_path(tmp_path / "data")
