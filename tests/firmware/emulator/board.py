"""The emulated board with the face of the board twin: contacts, outputs and time in milliseconds, bytes in and out.

So whatever runs on `controller.sim.board.Board` (the simulated shop, a tape of operations) runs on the firmware too.
What the twin knows from inside (trips, arming) is taken from the telemetry here, up to 250 ms late.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from controller.model import OUTPUT_AGITATOR, OUTPUT_CONTACTOR, OUTPUT_OVEN, OUTPUT_SOUNDER, OUTPUT_TANK
from controller.sim.board_sensors import Sample
from tests.firmware.emulator.build import firmware, harness
from tests.firmware.emulator.machine import (
    CRASH,
    CYCLES_A_MS,
    OVERRUN,
    PINS,
    RESET,
    SENT,
    Event,
    Machine,
    PinMap,
)
from tests.firmware.emulator.store import image

ARMED_BIT: Final = 32
SELECTS: Final = ("SELECT_OVEN", "SELECT_OVEN_LIMIT", "SELECT_TANK", "SELECT_TANK_LIMIT", "SELECT_PART")
NOWHERE: Final = 255
OUTPUTS: Final = {
    OUTPUT_OVEN: "OVEN_HEATER",
    OUTPUT_TANK: "TANK_HEATER",
    OUTPUT_CONTACTOR: "CONTACTOR",
    OUTPUT_SOUNDER: "SOUNDER",
    OUTPUT_AGITATOR: "AGITATOR",
}
HEATERS: Final = OUTPUT_OVEN | OUTPUT_TANK
SENSE_MS: Final = 200
SENSE_CYCLES: Final = SENSE_MS * CYCLES_A_MS
SENSE_AT_MS: Final = 190
"""Where in each 200 ms of the board's uptime the chips get their new words."""
COLD_GOOD: Final = Sample((2000, 2000, 2000, 2000, 2000), "-----", 2100)


def word_31855(value: int, letter: str, cold: int) -> int:
    """MAX31855: 14 bits of 1/4 °C, cut down; fault bit, 12 bits of 1/16 °C, short to supply, to ground, open."""
    fault = {"O": 1, "G": 2, "V": 4}.get(letter, 0)
    quarter = 7000 if letter == "R" else value // 25  # 1750 °C: beyond type K
    return (quarter & 0x3FFF) << 18 | bool(fault) << 16 | (round(cold / 6.25) & 0xFFF) << 4 | fault


def word_6675(value: int, letter: str) -> int:
    """MAX6675: 12 bits of 1/4 °C, open."""
    return max(value // 25, 0) << 3 & 0x7FF8 | (4 if letter in "OGV" else 0)


def word_31856(value: int) -> int:
    """MAX31856: 19 bits of 1/128 °C, at the top of 24."""
    return (round(value * 1.28) & 0x7FFFF) << 5


def status_31856(letter: str) -> int:
    """MAX31856: open 1, over- or under-voltage 2, thermocouple out of range 64."""
    return {"O": 1, "G": 2, "V": 2, "R": 64}.get(letter, 0)


class _Contact:
    """A contact as the twin has it: True is closed (for the door: open). `low`: the pin's level when True."""

    def __init__(self, pin: str, low: bool) -> None:
        self.pin, self.low = pin, low

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    def __get__(self, board: EmulatedBoard, owner: type) -> bool:
        return board.contacts[self.name]

    def __set__(self, board: EmulatedBoard, closed: bool) -> None:
        if board.contacts[self.name] != bool(closed):
            board.contacts[self.name] = bool(closed)
            board.set_levels()


class EmulatedBoard:
    """The release firmware on an emulated ATmega328P. The power is on unless `power` is False.

    `eeprom`: all of its bytes, None: those of a board that was set up well and never booted. To read: `machine`,
    `pins`, `edges` (cycle and output bits of every change of the outputs), `resets` (cycle and cause), `crashes`
    (accesses and jumps out of the memories), `overruns`.
    """

    def __init__(
        self,
        *,
        chip: int = 31855,
        fitted: int = 31,
        eeprom: bytes | None = None,
        seed: int = 1,
        power: bool = True,
        elf: Path | None = None,
    ) -> None:
        self.chip, self.fitted, self.seed = chip, fitted, seed
        self.machine = Machine(harness(), elf or firmware(chip, fitted))
        self.pins = PinMap(fitted)
        select = [self.pins.pins[f"SELECT_{line}"] for line in range(3)]
        self.machine.watch(self.pins.mask(*OUTPUTS.values()), bytes(part for line in select for part in line))
        self._output_pins = [(bit, *self.pins.pins[name]) for bit, name in OUTPUTS.items()]
        self.contacts = dict.fromkeys(_CONTACTS, False) | {"stop_closed": True, "level_good": True}
        self.set_levels()
        for channel in ("ADC_OVEN_CURRENT", "ADC_TANK_CURRENT"):
            self.machine.analogue(self.pins.numbers[channel], 0)
        self._sample: Sample | None = None
        self.set_sample(COLD_GOOD)
        self.dead: dict[int, int] = {}
        self._in = b""
        self._out = bytearray()
        self._half = b""
        self.telemetry: list[str] = []
        self.cycle = self.reset_cycle = self.received = 0
        self.outputs = 0
        self.jammed = False
        self.edges: list[tuple[int, int]] = []
        self.resets: list[tuple[int, int]] = []
        self.crashes = self.overruns = 0
        self.events: list[Event] = []
        self.keep_events = False
        self._sense_cycle = 0
        self._on_cycles = [0, 0]
        self._taken_cycles = [0, 0]
        self.machine.write_eeprom(image() if eeprom is None else eeprom)
        if power:
            self.power_on()

    door_open = _Contact("DOOR", low=False)
    stop_closed = _Contact("STOP", low=True)
    level_good = _Contact("LEVEL", low=True)
    agitator_turning = _Contact("AGITATOR_TURNING", low=True)
    smoke = _Contact("SMOKE", low=False)
    arm_button = _Contact("ARM", low=True)
    reset_button = _Contact("RESET", low=True)

    def close(self) -> None:
        self.machine.close()

    def __enter__(self) -> EmulatedBoard:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- power ---

    def power_on(self) -> None:
        self.machine.power_on(self.seed)
        self._run(0)

    def power_cut(self) -> None:
        """The power goes. The EEPROM stays; `machine.write_eeprom` may tear it."""
        self.machine.power_off()
        self.machine.drop_pending()
        self._run(0)

    def reset(self) -> None:
        """An external reset, as opening the port gives."""
        self.machine.external_reset()
        self._run(0)

    # --- contacts, sensors, outputs ---

    def set_levels(self) -> None:
        levels = [0xFF, 0xFF, 0xFF]
        for name, contact in _CONTACTS.items():
            port, bit = self.pins.pins[contact.pin]
            if self.contacts[name] == contact.low:
                levels[port] &= ~(1 << bit)
        self.machine.inputs(bytes(levels))

    def set_current(self, oven_v: float, tank_v: float) -> None:
        """What the current sensors give."""
        self.machine.analogue(self.pins.numbers["ADC_OVEN_CURRENT"], round(oven_v * 1000))
        self.machine.analogue(self.pins.numbers["ADC_TANK_CURRENT"], round(tank_v * 1000))

    def set_welded(self, oven: bool, tank: bool) -> None:
        self.set_current(2.5 if oven else 0.0, 2.5 if tank else 0.0)

    def set_sample(self, sample: Sample) -> None:
        """What the chips say from now on; a letter `X` is a chip that is not there."""
        if sample == self._sample:
            return
        before = self._sample
        self._sample = sample
        for place, (value, letter) in enumerate(zip(sample.values, sample.faults, strict=True)):
            if before and (value, letter, sample.cold) == (before.values[place], before.faults[place], before.cold):
                continue
            self._set_chip(place, value, letter, sample.cold)

    def _output_of(self, place: int) -> int:
        """Of a chip; one that is not fitted is not there at all."""
        return self.pins.numbers[SELECTS[place]] if self.fitted >> place & 1 else NOWHERE

    def _set_chip(self, place: int, value: int, letter: str, cold: int) -> None:
        output = self._output_of(place)
        dead = 2 if letter in "XN" else 0
        if self.chip == 31855:
            word, cold_word, status = word_31855(value, letter, cold), 0, 0
        elif self.chip == 6675:
            word, cold_word, status = word_6675(value, letter), 0, 0
        else:
            word, status = word_31856(value), status_31856(letter)
            cold_word = (round(cold * 0.64) & 0x3FFF) << 2
        self.machine.chip(
            place, kind=self.chip, output=output, word=word, cold=cold_word, status=status, dead=dead
        )

    def set_word(self, place: int, word: int, dead: int = 0) -> None:
        """A word of the tester's own, until the next `set_sample` that differs."""
        output = self._output_of(place)
        self.machine.chip(place, kind=self.chip, output=output, word=word, dead=dead)
        self._sample = None

    def set_bus(self, level: int) -> None:
        """No chip answers any more: the data line stays low (1) or high (2)."""
        for place in range(5):
            self.set_word(place, 0, level)

    @property
    def oven_on(self) -> bool:
        return bool(self.outputs & OUTPUT_OVEN)

    @property
    def tank_on(self) -> bool:
        return bool(self.outputs & OUTPUT_TANK)

    @property
    def heating(self) -> bool:
        return bool(self.outputs & HEATERS)

    @property
    def contactor(self) -> bool:
        return bool(self.outputs & OUTPUT_CONTACTOR)

    def take_on_s(self) -> tuple[float, float]:
        """Seconds for which the oven's and the tank's pins were on since the last call."""
        taken, self._taken_cycles = self._taken_cycles, list(self._on_cycles)
        oven, tank = (on - before for on, before in zip(self._on_cycles, taken, strict=True))
        return oven / CYCLES_A_MS / 1000, tank / CYCLES_A_MS / 1000

    def on_s(self) -> tuple[float, float]:
        """Seconds for which they were on since the board was made."""
        oven, tank = self._on_cycles
        return oven / CYCLES_A_MS / 1000, tank / CYCLES_A_MS / 1000

    # --- time ---

    @property
    def uptime_ms(self) -> int:
        """Milliseconds since the last reset."""
        return (self.cycle - self.reset_cycle) // CYCLES_A_MS

    @property
    def now_ms(self) -> float:
        """Milliseconds since the board was made."""
        return self.cycle / CYCLES_A_MS

    def advance(self, dt_ms: int, sense: Callable[[], Sample] | None = None) -> None:
        """`dt_ms` pass; `sense` is asked for the chips' words every 200 ms of the board's uptime."""
        end = self.cycle + dt_ms * CYCLES_A_MS
        while self.cycle < end:
            until = end
            if sense:
                if self.cycle >= self._sense_cycle:
                    self.set_sample(sense())
                    slot = (self.cycle - self.reset_cycle + (SENSE_MS - SENSE_AT_MS) * CYCLES_A_MS) // SENSE_CYCLES
                    self._sense_cycle = self.reset_cycle + slot * SENSE_CYCLES + SENSE_AT_MS * CYCLES_A_MS
                until = min(end, self._sense_cycle)
            self._run(until - self.cycle)

    def advance_cycles(self, cycles: int) -> None:
        """So many cycles of 1/16 µs pass."""
        self._run(cycles)

    def _run(self, cycles: int) -> None:
        start = self.cycle
        data, self._in = self._in, b""
        happened = self.machine.advance(cycles, data)
        self.received = happened.received
        self.jammed = happened.jammed
        if self.keep_events:
            self.events += happened.events
        on_since = start
        for event in happened.events:
            if event.kind == SENT:
                self._out.append(event.a)
            elif event.kind == PINS:
                self._count_on(event.cycle - on_since)
                on_since = event.cycle
                self._see_outputs(event)
            elif event.kind == RESET:
                self.resets.append((event.cycle, event.a))
                self.reset_cycle = event.cycle
                self._sense_cycle = event.cycle
            elif event.kind == CRASH:
                self.crashes += 1
            elif event.kind == OVERRUN:
                self.overruns += 1
        self._count_on(happened.cycle - on_since)
        self.cycle = happened.cycle

    def _count_on(self, cycles: int) -> None:
        if self.outputs & OUTPUT_OVEN:
            self._on_cycles[0] += cycles
        if self.outputs & OUTPUT_TANK:
            self._on_cycles[1] += cycles

    def _see_outputs(self, event: Event) -> None:
        levels = (event.a, event.b, event.c)
        self.outputs = sum(bit for bit, port, place in self._output_pins if levels[port] >> place & 1)
        self.edges.append((event.cycle, self.outputs))

    # --- the line ---

    def receive(self, data: bytes) -> None:
        """These bytes go onto the line with the next advance."""
        self._in += data

    def transmit(self) -> bytes:
        """What the board has sent since the last call."""
        data = bytes(self._out)
        self._out.clear()
        *lines, self._half = (self._half + data).split(b"\n")
        for line in lines:
            if line.startswith(b"!T,"):
                self.telemetry = line[3:].split(b"*")[0].decode(errors="replace").split(",")
        return data

    @property
    def trips(self) -> int:
        """As the newest telemetry that was taken says."""
        return int(self.telemetry[14]) if self.telemetry else 0

    @property
    def armed(self) -> bool:
        return bool(self.telemetry and int(self.telemetry[10]) & ARMED_BIT)


_CONTACTS: Final = {name: found for name, found in vars(EmulatedBoard).items() if isinstance(found, _Contact)}
