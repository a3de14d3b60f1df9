"""The board twin's outputs: slow time-proportioning, contactor, sounder and agitator (design chapter 5).

One window of 1000 ms serves both zones and runs since the boot. The oven's on-time starts it and the tank's
ends it, so that two duties with a sum of at most 1000 never overlap.
"""

from __future__ import annotations

from typing import Final

from ..model import OUTPUT_AGITATOR, OUTPUT_CONTACTOR, OUTPUT_OVEN, OUTPUT_SOUNDER, OUTPUT_TANK
from .board_guard import FLAG_AGITATOR, FLAG_SOUNDER, SILENCE_MS, SOUND_MS, Guard
from .board_inputs import NEVER

WINDOW_MS: Final = 1_000
SHORTEST_MS: Final = 20
CONTACTOR_WAIT_MS: Final = 100
WARM_OIL: Final = 6_500


class Outputs:
    """The pins. `update` is to be called when the guard says `changed` and when its own time has come."""

    __slots__ = (
        "_carry", "_guard", "_on", "_ready_ms", "_since", "_total", "_window", "bits",
    )  # fmt: skip

    def __init__(self, guard: Guard) -> None:
        self._guard = guard
        self._window = 0
        self._on = [0, 0]
        self._carry = [0, 0]
        self._ready_ms = 0
        self._since = [0, 0]
        self._total = [0, 0]
        self.bits = 0

    def on_ms(self, zone: int) -> int:
        """Milliseconds since the boot during which the zone's heater output was on."""
        guard = self._guard
        return self._total[zone] + (guard.now - self._since[zone] if guard.heating[zone] else 0)

    def update(self) -> int:
        """Set the pins as the guard allows now; the time of the next edge."""
        guard = self._guard
        guard.changed = False
        now = guard.now
        contactor = guard.wants_contactor()
        if contactor != guard.contactor:
            guard.contactor = contactor
            self._ready_ms = now + CONTACTOR_WAIT_MS
        allowed = [bool(contactor and guard.duty[zone] and guard.permits(zone)) for zone in (0, 1)]
        if now >= self._window + WINDOW_MS:
            self._open_window(now, allowed)
        on = self._on
        for zone in (0, 1):
            if not allowed[zone]:
                on[zone] = 0
        start = self._window
        tank_from = start + WINDOW_MS - on[1]
        ready = now >= self._ready_ms
        self._switch(0, ready and now < start + on[0])
        self._switch(1, ready and on[1] > 0 and now >= tank_from)
        edges = (start + WINDOW_MS, start + on[0], tank_from, self._ready_ms, self._signals())
        return min(edge for edge in edges if edge > now)

    def _open_window(self, now: int, allowed: list[bool]) -> None:
        """Share out the new window. A window that is met late, after a stall, gets no heat.

        Where what was carried over would make two zones overlap that share one circuit, the longer on-time
        yields and carries the rest itself.
        """
        self._window = now - now % WINDOW_MS
        duty = self._guard.duty
        wanted = [0, 0]
        on = self._on
        for zone in (0, 1):
            if allowed[zone] and now == self._window:
                wanted[zone] = duty[zone] + self._carry[zone]
            on[zone] = min(wanted[zone], WINDOW_MS) if wanted[zone] >= SHORTEST_MS else 0
        excess = on[0] + on[1] - WINDOW_MS
        if excess > 0 and duty[0] + duty[1] <= WINDOW_MS:
            on[1 if on[1] > on[0] else 0] -= excess
        for zone in (0, 1):
            self._carry[zone] = min(wanted[zone] - on[zone], SHORTEST_MS - 1)

    def _switch(self, zone: int, on: bool) -> None:
        guard = self._guard
        if on == guard.heating[zone]:
            return
        guard.heating[zone] = on
        if on:
            self._since[zone] = guard.now
        else:
            self._total[zone] += guard.now - self._since[zone]
            guard.heat_ms[zone] = guard.now

    def _signals(self) -> int:
        """Sounder and agitator; when a time of theirs runs out."""
        guard = self._guard
        shown, due, unheard_ms = guard.flags, NEVER, guard.good_s_ms + SILENCE_MS
        if not guard.sid:
            kept_until = guard.silent_ms + SOUND_MS
            if guard.now >= kept_until or not (guard.trips or guard.sensors.tank_heard > WARM_OIL):
                guard.kept = 0
            shown, unheard_ms = guard.kept, guard.now
            due = kept_until if shown else NEVER
        if guard.trips and guard.now < guard.sound_until_ms:
            if guard.now >= unheard_ms:
                shown |= FLAG_SOUNDER
            due = min(due, guard.sound_until_ms if guard.now >= unheard_ms else unheard_ms)
        self._make_bits(shown)
        return due

    def _make_bits(self, signals: int) -> None:
        guard = self._guard
        self.bits = (
            OUTPUT_OVEN * guard.heating[0]
            | OUTPUT_TANK * guard.heating[1]
            | OUTPUT_CONTACTOR * guard.contactor
            | (OUTPUT_SOUNDER if signals & FLAG_SOUNDER else 0)
            | (OUTPUT_AGITATOR if signals & FLAG_AGITATOR else 0)
        )
