"""The simulated shop: an oven, a tank, their thermocouples and the board twin, joined by time alone.

`exchange` is the only thing that moves it: the host's bytes go in, some time passes, the board's bytes come
out. Nothing here looks at a clock, and the same calls from the same seed give the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from random import Random
from typing import Final, Literal

from ..model import (
    FITTED_AGITATOR,
    FITTED_DOOR,
    FITTED_LEVEL,
    FITTED_OVEN,
    FITTED_OVEN_LIMIT,
    FITTED_PART,
    FITTED_SMOKE,
    FITTED_TANK,
    FITTED_TANK_LIMIT,
    OUTPUT_AGITATOR,
    LoadItem,
)
from .board import Board
from .board_sensors import Sample
from .faults import FAULTS, MOMENTARY, Line, apply
from .oven import STEP_S, Oven
from .oven_parameters import OvenParameters
from .probes import ProbeParameters, Probes
from .tank import Tank, TankParameters

FULL_KIT: Final = (
    FITTED_OVEN | FITTED_OVEN_LIMIT | FITTED_TANK | FITTED_TANK_LIMIT | FITTED_PART
    | FITTED_LEVEL | FITTED_AGITATOR | FITTED_SMOKE | FITTED_DOOR
)  # fmt: skip
"""All but the current sensors."""
NEEDS_OIL: Final = FITTED_TANK | FITTED_TANK_LIMIT | FITTED_LEVEL | FITTED_AGITATOR
STEP_MS: Final = round(STEP_S * 1000)
CHUNK_MS: Final = 250
"""The board never runs further than this ahead of what the shop does to it."""
PRESS_S: Final[Mapping[str, float]] = {"arm": 0.3, "reset": 2.5}
"""How long a button is held when nothing else is said."""


@dataclass(frozen=True, slots=True)
class Initial:
    """How a shop is found. None: as warm as the room. The rest as `Board` takes it."""

    oven_c: float | None = None
    tank_c: float | None = None
    boots: int = 1
    eeprom: bytes | None = None
    start_ms: int = 0


class SimShop:
    """A whole shop. Seed 0 is the pleasant one; any other draws oven, tank and sensors from their ranges.

    `load`: what lies in the oven from the start. `start_c`: the room, and all that `initial` does not say
    otherwise. `fitted`: bits of `model.FITTED_*`, None: the full kit without current sensors; `part_sensor`
    and `oil` take bits away from it. To read: `oven`, `tank`, `probes`, `board`, `now_s`.
    """

    def __init__(
        self,
        seed: int = 0,
        *,
        load: Iterable[LoadItem] = (),
        part_sensor: bool = True,
        start_c: float = 20.0,
        chip: int = 31855,
        fitted: int | None = None,
        oil: bool = True,
        initial: Initial | None = None,
        oven: OvenParameters | None = None,
        tank: TankParameters | None = None,
        probes: ProbeParameters | None = None,
    ) -> None:
        first = initial or Initial()
        kit = FULL_KIT if fitted is None else fitted
        kit &= ~((0 if part_sensor else FITTED_PART) | (0 if oil else NEEDS_OIL))
        rng = Random(seed)
        typical = seed == 0
        oven_kind = OvenParameters.typical() if typical else OvenParameters.draw(rng)
        tank_kind = TankParameters.typical() if typical else TankParameters.draw(rng)
        probe_kind = ProbeParameters.typical(chip) if typical else ProbeParameters.draw(rng, chip)
        oven_c = start_c if first.oven_c is None else first.oven_c
        self.oven: Oven = Oven(oven or oven_kind, Random(f"mains {seed}"), oven_c, start_c)
        self.tank: Tank = Tank(tank or tank_kind, start_c if first.tank_c is None else first.tank_c, start_c)
        self.set_load(load)
        self.probes: Probes = Probes(
            probes or probe_kind, chip, Random(f"probes {seed}"), self.oven, self.tank
        )
        self.board: Board = Board(
            fitted=kit, chip=chip, boots=first.boots, eeprom=first.eeprom, start_ms=first.start_ms
        )
        self.line: Line = Line(Random(f"line {seed}"))
        self.oven_welded = self.tank_welded = self.contactor_welded = self.agitator_stuck = False
        self._faults = dict.fromkeys(FAULTS, False)
        self._now_ms = 0
        self._owed_ms = 0.0
        self._release_ms: dict[str, int] = {}
        self._into_ms = self._from_ms = 0
        self._oven_on_s = self._tank_on_s = 0.0

    @property
    def now_s(self) -> float:
        return self._now_ms / 1000

    # --- what a person does ------------------------------------------------------------------------------

    def set_load(self, items: Iterable[LoadItem]) -> None:
        """Put a run's load into the oven, as cold as the room; an empty one clears the oven."""
        self.oven.set_load(items)

    def press(self, button: Literal["arm", "reset"], held_s: float | None = None) -> None:
        """Press a button of the machine now; it is let go after `held_s` of simulated time."""
        if button not in PRESS_S:
            raise ValueError(f"no button is called {button!r}; there are 'arm' and 'reset'")
        setattr(self.board, f"{button}_button", True)
        held = PRESS_S[button] if held_s is None else held_s
        self._release_ms[button] = self._now_ms + max(1, round(held * 1000))

    def fault(self, name: str, on: bool = True) -> None:
        """Switch a fault of `FAULTS` on or off; `ValueError` for a name that is not one of them."""
        apply(self, name, on)
        self._faults[name] = on and name not in MOMENTARY

    def fault_names(self) -> tuple[str, ...]:
        return tuple(FAULTS)

    def faults(self) -> Mapping[str, bool]:
        """Every fault, and whether it is on."""
        return dict(self._faults)

    def weld(self, oven: bool, tank: bool) -> None:
        self.oven_welded, self.tank_welded = oven, tank
        self.board.set_welded(oven, tank)

    # --- time --------------------------------------------------------------------------------------------

    def exchange(self, data: bytes, dt_s: float) -> bytes:
        """The host's bytes arrive now, then `dt_s` pass. All that the board sent meanwhile."""
        board, line = self.board, self.line
        if data:
            board.receive(line.carry(data))
        self._owed_ms += dt_s * 1000.0
        left = round(self._owed_ms)
        self._owed_ms -= left
        while left > 0:
            chunk = min(left, CHUNK_MS - self._into_ms % CHUNK_MS)
            if self._release_ms:
                chunk = min(chunk, min(self._release_ms.values()) - self._now_ms)
            self._run(chunk)
            left -= chunk
        return line.carry(board.transmit())

    def _run(self, chunk_ms: int) -> None:
        """One stretch of time in which nobody touches anything."""
        board = self.board
        self._from_ms = board.uptime_ms - self._into_ms
        board.advance(chunk_ms, self._sense)
        oven_on_s, tank_on_s = board.take_on_s()
        live = board.contactor or self.contactor_welded
        self._oven_on_s += chunk_ms / 1000 if self.oven_welded and live else oven_on_s
        self._tank_on_s += chunk_ms / 1000 if self.tank_welded and live else tank_on_s
        self._now_ms += chunk_ms
        self._into_ms += chunk_ms
        turning = bool(board.outputs & OUTPUT_AGITATOR) and not self.agitator_stuck
        if turning != self.tank.stirred:
            self.tank.stirred = board.agitator_turning = turning
        if self._release_ms:
            self._let_go()
        if self._into_ms == STEP_MS:
            self._into_ms = 0
            self.oven.step(self._oven_on_s)
            self.tank.step(self._tank_on_s)
            self.probes.advance(self.oven, self.tank)
            self._oven_on_s = self._tank_on_s = 0.0

    def _let_go(self) -> None:
        for button, at_ms in list(self._release_ms.items()):
            if at_ms <= self._now_ms:
                del self._release_ms[button]
                setattr(self.board, f"{button}_button", False)

    def _sense(self) -> Sample:
        """The plant is half a step behind the board: a sample lies between its last two states."""
        share = (self.board.uptime_ms - self._from_ms) / STEP_MS
        return self.probes.sample(min(max(share, 0.0), 1.0))
