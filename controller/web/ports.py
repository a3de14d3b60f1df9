"""What the web needs of the other parts; the commands introduce them to each other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol

from controller.model import Program


class Device(Protocol):
    """A paired phone or script; times are seconds since 1970. `role`: "operator" or "viewer"."""

    @property
    def id(self) -> int: ...

    @property
    def label(self) -> str: ...

    @property
    def role(self) -> str: ...

    @property
    def created_at(self) -> float: ...

    @property
    def last_seen_at(self) -> float | None: ...

    @property
    def revoked_at(self) -> float | None: ...


class Devices(Protocol):
    """The paired devices. Finding and touching one is quick; adding and revoking wait for the disk, and are noted
    in the book with who did it."""

    def add(self, label: str, role: str, token_sha256: str) -> Device: ...

    def find_by_hash(self, token_sha256: str) -> Device | None: ...

    def touch(self, device_id: int) -> None: ...

    def revoke(self, device_id: int, who: str) -> bool: ...

    def list(self) -> Iterable[Device]: ...


class Book(Protocol):
    """The record book, for reading: JSON values, newest first where a limit is given. Calls look at the disk."""

    def runs(self, *, limit: int = 50, before_id: int | None = None) -> list[dict[str, Any]]: ...

    def run(self, run_id: int) -> dict[str, Any] | None: ...

    def piece(self, piece_id: int) -> dict[str, Any] | None: ...

    def trace_csv(self, run_id: int) -> Iterable[str]:
        """A run's samples as CSV, a few hundred lines at a time."""

    def events(self, *, after_id: int | None = None, limit: int = 200) -> list[dict[str, Any]]: ...

    def stock(self) -> list[dict[str, Any]]: ...

    def pieces(self) -> list[dict[str, Any]]: ...


class Catalogue(Protocol):
    """The profiles of this installation; oils and steels as JSON values."""

    @property
    def programs(self) -> Mapping[str, Program]: ...

    @property
    def oil_records(self) -> Any: ...

    @property
    def steels(self) -> Any: ...


class Alerts(Protocol):
    """What people were told. Answers from memory; times are seconds since 1970."""

    def recent(self) -> list[dict[str, Any]]: ...

    def channels(self) -> list[Mapping[str, Any]]: ...

    def seen(self, event_id: int, who: str, at: float) -> bool: ...

    def test(self, at: float) -> int: ...
