"""The paired devices: kept in the book, answered from memory."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from .plain import storable
from .records import Records
from .rows import insert_device_request
from .schema import RecordsError

TOUCH_EVERY_S: Final = 60.0
WRITE_TIMEOUT_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class Device:
    """A paired phone or script. Times are wall time, seconds since 1970."""

    id: int
    label: str
    role: str
    created_at: float
    last_seen_at: float | None = None
    revoked_at: float | None = None


class Devices:
    """The devices of one book. Safe from any thread; finding one costs no look at the disk."""

    def __init__(self, records: Records, *, wall: Callable[[], float]) -> None:
        self._records = records
        self._wall = wall
        self._lock = threading.Lock()
        self._by_hash = dict(records.read(_read_all))

    def add(self, label: str, role: str, token_sha256: str) -> Device:
        """Store a device and that it was paired, waiting until it is on the card. `role`: "operator" or "viewer".

        Raises RecordsError when the disk does not take it in time, ValueError for an unknown role or a hash that is
        not 64 hexadecimal digits or is there already.
        """
        if role not in ("operator", "viewer"):
            raise ValueError(f"role {role!r}: operator or viewer")
        if len(token_sha256) != 64 or set(token_sha256) - set("0123456789abcdef"):
            raise ValueError("token_sha256: 64 lowercase hexadecimal digits")
        at = self._wall()
        label = storable(label)

        def insert(connection: sqlite3.Connection) -> int:
            try:
                cursor = connection.execute(
                    "INSERT INTO devices (label, role, token_sha256, created_at) VALUES (?, ?, ?, ?)",
                    (label, role, token_sha256, at),
                )
            except sqlite3.IntegrityError as error:
                raise ValueError("this token is paired already") from error
            number = int(cursor.lastrowid or 0)
            details = {"device": number, "label": label, "role": role}
            insert_device_request(connection, "Pair", details, f"{label} {number}", at, self._records.mono_s())
            return number

        number = self._records.written(insert, WRITE_TIMEOUT_S)
        device = Device(number, label, role, at)
        with self._lock:
            self._by_hash[token_sha256] = device
        return device

    def find_by_hash(self, token_sha256: str) -> Device | None:
        """The device with this token, None when there is none or it was revoked."""
        with self._lock:
            device = self._by_hash.get(token_sha256)
        return None if device is None or device.revoked_at is not None else device

    def list(self) -> list[Device]:
        """Every device that was ever paired, oldest first."""
        with self._lock:
            return sorted(self._by_hash.values(), key=lambda device: device.id)

    def revoke(self, device_id: int, who: str = "the machine") -> bool:
        """Shut a device out, from now, and note `who` did; False when there is none, or it was revoked before.

        Raises RecordsError when the disk does not take it in time: the device is shut out all the same, until the
        service starts again or, if it is written late, for good.
        """
        at = self._wall()
        with self._lock:
            found = [
                (sha256, device)
                for sha256, device in self._by_hash.items()
                if device.id == device_id and device.revoked_at is None
            ]
            for sha256, device in found:
                self._by_hash[sha256] = replace(device, revoked_at=at)
        if not found:
            return False
        details = {"device": device_id, "label": found[0][1].label}

        def shut_out(connection: sqlite3.Connection) -> None:
            connection.execute("UPDATE devices SET revoked_at = ? WHERE id = ?", (at, device_id))
            insert_device_request(connection, "Revoke", details, who, at, self._records.mono_s())

        try:
            self._records.write(shut_out).result(WRITE_TIMEOUT_S)
        except TimeoutError as error:
            # Not withdrawn: that it is written late is what was wanted.
            raise RecordsError(
                "The device is shut out, but the disk did not answer in time: look again after the next start of the "
                "service."
            ) from error
        return True

    def touch(self, device_id: int) -> None:
        """The device was seen now; stored at most once a minute, and nobody waits for it."""
        at = self._wall()
        with self._lock:
            for sha256, device in self._by_hash.items():
                if device.id == device_id:
                    if device.last_seen_at is not None and 0 <= at - device.last_seen_at < TOUCH_EVERY_S:
                        return
                    self._by_hash[sha256] = replace(device, last_seen_at=at)
                    break
            else:
                return
        self._records.put(
            lambda connection: connection.execute(
                "UPDATE devices SET last_seen_at = ? WHERE id = ?", (at, device_id)
            )
        )


def _read_all(connection: sqlite3.Connection) -> list[tuple[str, Device]]:
    rows = connection.execute(
        "SELECT token_sha256, id, label, role, created_at, last_seen_at, revoked_at FROM devices ORDER BY id"
    )
    return [(sha256, Device(*rest)) for sha256, *rest in rows]
