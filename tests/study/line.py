"""A bad serial line, both ways: whole frames lost or doubled, bits flipped, bytes held back, a pulled cable."""

from __future__ import annotations

from random import Random


class Way:
    """One direction. Shares are chances per frame, 0..1; `delay_s` holds everything back; the order stays."""

    def __init__(self, rng: Random) -> None:
        self.cut = False
        self.lost = 0.0
        self.spoilt = 0.0
        self.doubled = 0.0
        self.delay_s = 0.0
        self._rng = rng
        self._held: list[tuple[float, bytes]] = []

    @property
    def clean(self) -> bool:
        """Nothing is done to what passes, and nothing is on its way."""
        return not (self.cut or self.lost or self.spoilt or self.doubled or self.delay_s or self._held)

    def carry(self, data: bytes, now_s: float) -> bytes:
        """What comes out at the far end now."""
        if data and not self.cut:
            if self.lost or self.spoilt or self.doubled:
                data = self._worsen(data)
            if not self.delay_s and not self._held:
                return data
            self._held.append((now_s + self.delay_s, data))
        out = b""
        while self._held and self._held[0][0] <= now_s:
            out += self._held.pop(0)[1]
        return out

    def _worsen(self, data: bytes) -> bytes:
        rng = self._rng
        out = b""
        for frame in data.splitlines(keepends=True):
            if rng.random() < self.lost:
                continue
            passed = frame
            if rng.random() < self.spoilt:
                broken = bytearray(frame)
                broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
                passed = bytes(broken)
            out += passed * (2 if rng.random() < self.doubled else 1)
        return out
