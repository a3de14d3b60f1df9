"""Pairing: a code that is read off the machine is exchanged, once, for a token.

There are no passwords. A code is short because a person types it, so it lives for minutes and takes few wrong
tries; the token is long, and only its SHA-256 is kept.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable
from typing import Final, Literal, NamedTuple

from .ports import Device, Devices
from .problems import problem

ALPHABET: Final = "ABCDEFGHJKMNPQRSTVWXYZ23456789"
"""30 letters and digits: none that are taken for another (I, L, O, U, 0 and 1)."""
CODE_LENGTH: Final = 8
CODE_LASTS_S: Final = 300.0
WRONG_TRIES: Final = 5
MOST_CODES: Final = 8
TOKEN_BYTES: Final = 32

Role = Literal["operator", "viewer"]


class _Code(NamedTuple):
    code: str
    role: Role
    made_s: float


class Access:
    """Codes and tokens of one service. Safe from any thread.

    Wrong tries are counted for all clients together: an address costs an attacker nothing. After the fifth, every
    code is void and nobody pairs for five minutes, or until a new code is made at the machine.
    """

    def __init__(self, devices: Devices, *, now_s: Callable[[], float] = time.monotonic) -> None:
        self._devices = devices
        self._now_s = now_s
        self._lock = threading.Lock()
        self._codes: list[_Code] = []
        self._wrong_s: list[float] = []

    def new_code(self, role: str) -> str:
        """A code for one device. ValueError for a role that is neither "operator" nor "viewer"."""
        if role not in ("operator", "viewer"):
            raise ValueError(f"role {role!r}: operator or viewer")
        kind: Role = "operator" if role == "operator" else "viewer"
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        with self._lock:
            self._forget_old()
            self._wrong_s.clear()
            self._codes = [*self._codes[-(MOST_CODES - 1) :], _Code(code, kind, self._now_s())]
        return code

    def pair(self, code: str, label: str) -> tuple[str, Role, Device]:
        """Token, role and device for a code. Waits for the disk.

        Raises a Problem: 401 for a wrong code, 429 after too many. What the disk refuses is raised as it is, and
        the code stays good.
        """
        taken = self._take(code)
        token = secrets.token_urlsafe(TOKEN_BYTES)
        try:
            device = self._devices.add(label, taken.role, token_sha256(token))
        except BaseException:
            with self._lock:
                self._codes.append(taken)
            raise
        return token, taken.role, device

    def device_of(self, token: str) -> Device | None:
        """The device with this token, None when there is none or it was revoked."""
        return self._devices.find_by_hash(token_sha256(token))

    def _take(self, code: str) -> _Code:
        typed = "".join(code.split()).replace("-", "").upper().encode("utf-8", "replace")
        with self._lock:
            self._forget_old()
            if len(self._wrong_s) >= WRONG_TRIES:
                wait_s = max(1, round(self._wrong_s[-1] + CODE_LASTS_S - self._now_s()))
                raise problem(
                    429,
                    "too_many_tries",
                    "Too many wrong codes. Ask for a new code at the machine, or wait five minutes.",
                    {"retry-after": str(wait_s)},
                )
            found = [kept for kept in self._codes if hmac.compare_digest(kept.code.encode(), typed)]
            if found:
                self._codes.remove(found[0])
                return found[0]
            self._wrong_s.append(self._now_s())
            if len(self._wrong_s) >= WRONG_TRIES:
                self._codes.clear()
        raise problem(
            401,
            "wrong_code",
            "This code is not good: mistyped, used before, or older than five minutes. The machine shows a new one.",
            {"www-authenticate": "Bearer"},
        )

    def _forget_old(self) -> None:
        now_s = self._now_s()
        self._codes = [kept for kept in self._codes if now_s - kept.made_s < CODE_LASTS_S]
        # A full row of wrong tries lapses as a whole, five minutes after the last.
        if len(self._wrong_s) >= WRONG_TRIES:
            if now_s - self._wrong_s[-1] >= CODE_LASTS_S:
                self._wrong_s.clear()
        else:
            self._wrong_s = [at_s for at_s in self._wrong_s if now_s - at_s < CODE_LASTS_S]


def token_sha256(token: str) -> str:
    """What is kept of a token: 64 lowercase hexadecimal digits."""
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()
