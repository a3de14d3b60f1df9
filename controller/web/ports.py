"""What the web needs of the other parts; the commands introduce them to each other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from controller.model import Oil, Program

if TYPE_CHECKING:
    from controller.profiles import SteelProfile


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

    def record_pdf(self, run_id: int) -> bytes | None:
        """A run to print. Raises ImportError, with a sentence, where the package for it is not installed."""

    def events(self, *, after_id: int | None = None, limit: int = 200) -> list[dict[str, Any]]: ...

    def stock(self) -> list[dict[str, Any]]: ...

    def stock_item(self, stock_id: int) -> dict[str, Any] | None: ...

    def ladder(self, stock_id: int) -> list[dict[str, Any]]: ...

    def file_tests(self, stock_id: int) -> list[dict[str, Any]]: ...

    def pieces(self) -> list[dict[str, Any]]: ...


class ShopWriter(Protocol):
    """What the smith writes into the book. Waits for the disk; answers the new row's number."""

    def add_stock(self, values: Mapping[str, Any]) -> int: ...

    def add_piece(self, values: Mapping[str, Any]) -> int: ...

    def add_rung(self, values: Mapping[str, Any], who: str) -> int: ...

    def add_file_test(self, values: Mapping[str, Any], who: str) -> int: ...


class OwnTank(NamedTuple):
    """The shop's tank: its oil (None: none that may be heated), litres, height above the sea in m, why its oil is
    not used at all ("" where it may be), and the limits that follow from it, °C (None without an oil)."""

    oil: Oil | None
    volume_l: float
    altitude_m: float
    refusal: str
    ceiling_c: float | None = None
    limit_c: float | None = None
    trip_c: float | None = None


class Catalogue(Protocol):
    """The profiles of this installation; oils and steels as JSON values."""

    @property
    def programs(self) -> Mapping[str, Program]: ...

    @property
    def oil_records(self) -> Any: ...

    @property
    def steels(self) -> Any: ...

    @property
    def grades(self) -> Mapping[str, SteelProfile]: ...

    def oil(self, name: str) -> tuple[Oil, str]:
        """An oil and why it is not used at all ("" where it may be). Raises ValueError with what would be right."""

    @property
    def own_tank(self) -> OwnTank | None: ...


class Alerts(Protocol):
    """What people were told. Answers from memory; times are seconds since 1970."""

    def recent(self) -> list[dict[str, Any]]: ...

    def channels(self) -> list[Mapping[str, Any]]: ...

    def seen(self, event_id: int, who: str, at: float) -> bool: ...

    def test(self, at: float) -> int: ...
