"""The board twin's contacts and buttons: debouncing, presses of the arm button, holds of the reset button.

Times are whole milliseconds since the board booted. After a boot nothing is known: a contact counts neither
as safe nor as tripped until it has stood still for its debouncing time, and a button that is down since the
boot counts as no press. A contact that has not stood still for half a second is not safe.
"""

from __future__ import annotations

from typing import Final

from ..model import (
    FITTED_AGITATOR,
    FITTED_DOOR,
    FITTED_LEVEL,
    FITTED_SMOKE,
    INPUT_AGITATOR_TURNING,
    INPUT_ARM_BUTTON,
    INPUT_DOOR_OPEN,
    INPUT_LEVEL_GOOD,
    INPUT_RESET_BUTTON,
    INPUT_SMOKE,
    INPUT_STOP_CLOSED,
)

NEVER: Final = 1 << 62
"""A time that does not come."""

STOP_MS: Final = 20
CONTACT_MS: Final = 100
PRESS_MS: Final = 50
HOLD_MS: Final = 2_000
FLUTTER_MS: Final = 500

DOOR, STOP, LEVEL, AGITATOR, SMOKE, ARM, RESET = range(7)
"""Where a contact lies in `Inputs.raw`."""

_PRESS: Final = 7
_CHANNELS: Final = (
    (DOOR, CONTACT_MS, True),
    (STOP, STOP_MS, False),
    (LEVEL, CONTACT_MS, False),
    (AGITATOR, CONTACT_MS, False),
    (SMOKE, CONTACT_MS, False),
    (ARM, CONTACT_MS, True),
    (RESET, CONTACT_MS, True),
    (ARM, PRESS_MS, True),
)
"""(contact, debouncing time, state taken for granted until it has settled); the last one makes presses."""

_WAIT_MS: Final = {contact: wait for contact, wait, _ in _CHANNELS[:_PRESS]}
_BITS: Final = (
    INPUT_DOOR_OPEN,
    INPUT_STOP_CLOSED,
    INPUT_LEVEL_GOOD,
    INPUT_AGITATOR_TURNING,
    INPUT_SMOKE,
    INPUT_ARM_BUTTON,
    INPUT_RESET_BUTTON,
)
_FITTED: Final = {DOOR: FITTED_DOOR, LEVEL: FITTED_LEVEL, AGITATOR: FITTED_AGITATOR, SMOKE: FITTED_SMOKE}
_SAFE: Final = {DOOR: False, STOP: True, LEVEL: True, AGITATOR: True, SMOKE: False}


class Inputs:
    """Seven contacts, as they are (`raw`) and as the board believes them (`stable`, `settled`)."""

    __slots__ = ("_calm", "_ignored", "bits", "raw", "reset_ready", "settled", "since", "stable")

    def __init__(self, fitted: int, raw: list[bool]) -> None:
        self.raw = raw
        self.since = [0] * len(raw)
        self._calm = [0] * len(raw)
        self.stable = [granted for _, _, granted in _CHANNELS]
        self.settled = [False] * len(_CHANNELS)
        self._ignored = {contact for contact, bit in _FITTED.items() if not fitted & bit}
        for contact in self._ignored:
            self.stable[contact] = _SAFE[contact]
        self.reset_ready = False
        self.bits = 0
        self._make_bits()

    def set(self, contact: int, closed: bool, now: int) -> bool:
        """A contact changes at `now`; False when it was so already."""
        if self.raw[contact] == closed:
            return False
        if now >= self.since[contact] + _WAIT_MS[contact]:
            self._calm[contact] = now
        self.raw[contact] = closed
        self.since[contact] = now
        return True

    def step(self, now: int) -> tuple[bool, bool, int]:
        """Take over what has stood still long enough: (arm pressed, reset held, when to look again)."""
        pressed = False
        due = NEVER
        for channel, (contact, wait, _) in enumerate(_CHANNELS):
            raw = self.raw[contact]
            ready = self.since[contact] + wait
            if contact in self._ignored or (self.settled[channel] and raw == self.stable[channel] and now >= ready):
                continue
            if now < ready:
                unsafe_from = self._calm[contact] + FLUTTER_MS if contact in _SAFE else NEVER
                if now < unsafe_from:
                    due = min(due, ready, unsafe_from)
                    continue
                raw = not _SAFE[contact]
                due = min(due, ready)
            pressed = pressed or (channel == _PRESS and raw and not self.stable[channel])
            self.stable[channel] = raw
            self.settled[channel] = True
        if not self.stable[RESET]:
            self.reset_ready = True
        held = False
        if self.reset_ready and self.raw[RESET]:
            ready = self.since[RESET] + HOLD_MS
            held = now >= ready
            if held:
                self.reset_ready = False
            else:
                due = min(due, ready)
        self._make_bits()
        return pressed, held, due

    def is_open(self, contact: int) -> bool:
        """The contact has settled since the boot and is open (False for one that is not fitted)."""
        return self.settled[contact] and not self.stable[contact]

    def _make_bits(self) -> None:
        self.bits = sum(bit for bit, stable in zip(_BITS, self.stable, strict=False) if stable)
