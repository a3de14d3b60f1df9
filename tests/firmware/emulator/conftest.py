"""Boards that are ready, made once a process and branched from, never changed."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.firmware.emulator.rig import Bench


@pytest.fixture(scope="module")
def heated() -> Iterator[Bench]:
    """A board that has been heating its oven for two seconds. Only to be used inside `branch()`."""
    with Bench() as bench:
        yield bench.heated()


@pytest.fixture(scope="module")
def both_heated() -> Iterator[Bench]:
    """A board that heats oven and tank, half and half."""
    with Bench() as bench:
        yield bench.heated(500, 500)


@pytest.fixture(scope="module")
def ready() -> Iterator[Bench]:
    """A board that is greeted, limited and armed."""
    with Bench() as bench:
        yield bench.ready()
