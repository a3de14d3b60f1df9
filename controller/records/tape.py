"""The tape: what went into the tick and what came out of it, byte for byte, so that a run can be replayed.

An entry is `now_s` (float64), kind (one byte) and length (uint32), big-endian, then the payload. Entries
follow each other; a block is a number of whole entries, compressed with zlib. A block that a power cut or a
failing card damaged costs that block, not the tape.
"""

from __future__ import annotations

import struct
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from enum import IntEnum
from typing import Any, Final, NamedTuple

from ..model import Request
from .plain import text_of

BLOCK_S: Final = 30.0
MEMORY_EVERY_S: Final = 300.0  # a replay can begin, or go on after a damaged block, at each of these
LEAD_IN_S: Final = 600.0  # the longest memory of any interlock: the tank's ten minutes
KEPT_RUNS: Final = 50
_HEAD: Final = struct.Struct(">dBI")


class TapeKind(IntEnum):
    """What an entry holds. READ and SILENCE are steps of the pump; WROTE is what the step answered."""

    STATE = 1  # JSON: the core's state, the hashes of settings and profiles
    READ = 2  # raw bytes from the port; may be empty
    SILENCE = 3  # as READ, but the tick was forced because no telemetry came
    REQUEST = 4  # JSON; belongs to the next READ or SILENCE
    WROTE = 5  # raw bytes to the port
    MEMORY = 6  # one byte: 1 for a process's first on a tape, else 0; then what core and link remember (`Pump.memory`)
    PORT = 7  # the port was opened (empty) or lost (why); belongs to the next READ or SILENCE


class TapeEntry(NamedTuple):
    now_s: float
    kind: TapeKind
    payload: bytes


def frame(now_s: float, kind: TapeKind, payload: bytes) -> bytes:
    """One entry as it stands in a block."""
    return _HEAD.pack(now_s, kind, len(payload)) + payload


def request_payload(request: Request) -> bytes:
    """A request as JSON: `id`, `who`, `wish` (the name of its type) and `details` (its fields)."""
    wish = {"id": request.id, "who": request.who, "wish": type(request.wish).__name__}
    return text_of({**wish, "details": request.wish}).encode()


def compress(entries: bytes) -> bytes:
    """A block from framed entries. Level 6: telemetry shrinks to about a fifth, more effort gains little."""
    return zlib.compress(entries, 6)


def entries_of(block: bytes) -> Iterator[TapeEntry]:
    """The entries of one compressed block. Raises ValueError where the block is damaged."""
    try:
        raw = zlib.decompress(block)
    except zlib.error as error:
        raise ValueError(f"a block of the tape is damaged ({error})") from error
    at = 0
    while at < len(raw):
        if at + _HEAD.size > len(raw):
            raise ValueError("a block of the tape ends within an entry")
        now_s, kind, length = _HEAD.unpack_from(raw, at)
        at += _HEAD.size
        if at + length > len(raw):
            raise ValueError("a block of the tape ends within an entry")
        yield TapeEntry(now_s, TapeKind(kind), raw[at : at + length])
        at += length


class TapeHead:
    """Collects the steps of the pump in memory and hands out blocks of about half a minute.

    Each block opens with the core's state as it was before the block's first step, every tenth with all that core
    and link remember. The blocks of the last ten minutes stay at hand: when a run starts they become its lead-in, so
    that a replay has what came before.
    """

    def __init__(
        self, state: Callable[[], Mapping[str, Any]], now_s: float, memory: Callable[[], bytes] | None = None
    ) -> None:
        self._state = state
        self._memory = memory
        self._remembered_s: float | None = None
        self._entries = bytearray()
        self._first_at: int | None = None  # where the open block's memory says whether it is a process's first
        self._recent: deque[tuple[float, bytes, int | None]] = deque()
        self._open(now_s)

    def _open(self, now_s: float) -> None:
        self._opened_s = now_s
        self._steps = 0
        self._entries += frame(now_s, TapeKind.STATE, text_of(self._state()).encode())
        first = self._remembered_s is None
        self._first_at = None
        if self._memory and (self._remembered_s is None or now_s - self._remembered_s >= MEMORY_EVERY_S):
            self._remembered_s = now_s
            self._first_at = len(self._entries) + _HEAD.size
            self._entries += frame(now_s, TapeKind.MEMORY, bytes((first,)) + self._memory())

    def step(
        self, now_s: float, data: bytes, requests: Iterable[Request], forced: bool, wrote: bytes,
        port: str | None = None,
    ) -> None:  # fmt: skip
        """One step of the pump. A step that brought and gave nothing leaves no entry."""
        before = len(self._entries)
        if port is not None:
            self._entries += frame(now_s, TapeKind.PORT, port.encode())
        for request in requests:
            self._entries += frame(now_s, TapeKind.REQUEST, request_payload(request))
        if data or forced:
            self._entries += frame(now_s, TapeKind.SILENCE if forced else TapeKind.READ, data)
        if wrote:
            self._entries += frame(now_s, TapeKind.WROTE, wrote)
        self._steps += len(self._entries) > before

    def turn(self, now_s: float, *, early: bool = False) -> bytes | None:
        """The block, if it is full (or `early` and not empty), and a new one is begun."""
        if not self._steps or not (early or now_s - self._opened_s >= BLOCK_S):
            return None
        block = bytes(self._entries)
        self._entries.clear()
        self._recent.append((now_s, block, self._first_at))
        while now_s - self._recent[0][0] > LEAD_IN_S:
            self._recent.popleft()
        self._open(now_s)
        return block

    def lead_in(self) -> list[bytes]:
        """The blocks of the last ten minutes, oldest first, without the one that is open.

        They begin with the first that holds a memory, and that is marked as a process's first: what another process
        left on the run's tape before is not to go on with what this one read.
        """
        recent = [(bytearray(block), first_at) for _, block, first_at in self._recent]
        while self._memory and recent and recent[0][1] is None:
            recent.pop(0)
        for block, first_at in (*recent, (self._entries, self._first_at)):
            if first_at is not None:
                block[first_at] = 1
                break
        return [bytes(block) for block, _ in recent]
