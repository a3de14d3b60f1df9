"""What can go wrong in the simulated shop: a name, a sentence for the page, and what it does."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from random import Random
from typing import TYPE_CHECKING, Final

from ..model import SENSORS
from ..thermocouple import MAX6675, MAX31856
from .board import EXTERNAL
from .probes import COLD_WARMER_C, OVEN, PART, TANK

if TYPE_CHECKING:
    from .shop import SimShop

COLD_STEEL_KG: Final = 2.0
QUENCHED_KG, QUENCHED_C, QUENCHED_MM = 1.0, 845.0, 20.0
SLIPPED_SHARE: Final = 0.45
FIRE_W: Final = 4000.0
HOT_BLOCK_K: Final = 65.0
HANG_S: Final = 5.0
CORRUPTED_SHARE: Final = 0.2
"""Share of the chunks on the line in which a bit is flipped."""

_SENSOR_TEXT: Final = {
    "oven": "the oven's control thermocouple",
    "oven_limit": "the oven's limit thermocouple",
    "tank": "the tank's control thermocouple",
    "tank_limit": "the tank's limit thermocouple",
    "part": "the thermocouple on the part",
}

_Act = Callable[["SimShop", bool], None]


def _sensor_acts(place: int) -> dict[str, tuple[str, _Act]]:
    sensor = SENSORS[place]
    text = _SENSOR_TEXT[sensor]

    def letter(what: str) -> _Act:
        def act(shop: SimShop, on: bool) -> None:
            if on:
                shop.probes.letters[place] = what
            else:
                shop.probes.letters.pop(place, None)

        return act

    def short(shop: SimShop, on: bool) -> None:
        """A MAX6675 cannot see it and reads the terminal block; a MAX31856 says that the voltage is wrong."""
        if shop.board.chip != MAX6675:
            letter("V" if shop.board.chip == MAX31856 else "G")(shop, on)
        elif on:
            shop.probes.shorted.add(place)
        else:
            shop.probes.shorted.discard(place)

    return {
        f"{sensor}_sensor_open": (f"A wire of {text} is broken.", letter("O")),
        f"{sensor}_sensor_short": (f"A wire of {text} touches ground.", short),
        f"{sensor}_sensor_dead": (f"The chip of {text} does not answer.", letter("X")),
        f"{sensor}_sensor_frozen": (
            f"The chip of {text} repeats its last reading.",
            lambda shop, on: shop.probes.freeze(place, on),
        ),
    }


def _in_group(group: str, place: int) -> _Act:
    def act(shop: SimShop, on: bool) -> None:
        places: set[int] = getattr(shop.probes, group)
        (places.add if on else places.discard)(place)

    return act


def _attribute(part: str, name: str, with_fault: object, without: object) -> _Act:
    """A fault that is one attribute of the oven, the tank, the board or the shop itself."""

    def act(shop: SimShop, on: bool) -> None:
        setattr(getattr(shop, part) if part else shop, name, with_fault if on else without)

    return act


def _door(shop: SimShop, on: bool) -> None:
    shop.oven.door_open = on
    shop.board.door_open = on


def _slipped(shop: SimShop, on: bool) -> None:
    if on:
        shop.probes.slipped[OVEN] = SLIPPED_SHARE
    else:
        shop.probes.slipped.pop(OVEN, None)


def _welded(oven: bool) -> _Act:
    def act(shop: SimShop, on: bool) -> None:
        shop.weld(on if oven else shop.oven_welded, shop.tank_welded if oven else on)

    return act


def _cold_steel(shop: SimShop, on: bool) -> None:
    shop.oven.add_cold(COLD_STEEL_KG if on else 0.0)


def _quench(shop: SimShop, on: bool) -> None:
    shop.tank.quench(QUENCHED_KG, QUENCHED_C, QUENCHED_MM)


def _hang(shop: SimShop, on: bool) -> None:
    shop.board.hang(HANG_S)


def _reboot(shop: SimShop, on: bool) -> None:
    shop.board.reset(EXTERNAL)


def _power(shop: SimShop, on: bool) -> None:
    if on:
        shop.board.power_cut()
    else:
        shop.board.power_on()


_ACTS: Final[dict[str, tuple[str, _Act]]] = {
    "door_open": ("The oven's door is open.", _door),
    "cold_steel": ("Two kilograms of cold steel are laid beside the load.", _cold_steel),
    "quench": ("A kilogram of steel at 845 °C goes into the oil.", _quench),
    "stop_pressed": ("The stop button is pressed.", _attribute("board", "stop_closed", False, True)),
    "oven_relay_welded": ("The oven's relay conducts all the time.", _welded(True)),
    "tank_relay_welded": ("The tank's relay conducts all the time.", _welded(False)),
    "contactor_welded": ("The contactor no longer opens.", _attribute("", "contactor_welded", True, False)),
    "oven_element_open": (
        "The oven's elements are burnt out.",
        _attribute("oven", "elements_open", 1.0, 0.0),
    ),
    "oven_half_elements_open": (
        "Half of the oven's elements are burnt out.",
        _attribute("oven", "elements_open", 0.5, 0.0),
    ),
    "oven_thermostat_low": (
        "The oven's own thermostat is turned down to 150 °C.",
        _attribute("oven", "thermostat_dial_c", 150.0, None),
    ),
    "oven_timer_out": ("The oven's own timer has run out.", _attribute("oven", "timer_out", True, False)),
    "tank_element_open": ("The tank's heater is burnt out.", _attribute("tank", "element_open", True, False)),
    "mains_low": ("The mains voltage falls by a tenth.", _attribute("oven", "mains_step", 0.90, 1.0)),
    "mains_high": ("The mains voltage rises by a tenth.", _attribute("oven", "mains_step", 1.10, 1.0)),
    "oven_probe_out": ("The oven's control thermocouple has fallen out.", _in_group("astray", OVEN)),
    "oven_probe_slipped": ("The oven's control thermocouple is not pushed all the way in.", _slipped),
    "part_probe_off": ("The thermocouple has slipped off the part.", _in_group("astray", PART)),
    "tank_probe_out": ("The tank's control thermocouple hangs above the oil.", _in_group("astray", TANK)),
    "terminal_block_hot": (
        "Something heats the thermocouples' terminal block to 85 °C.",
        _attribute("probes", "block_warmer_k", HOT_BLOCK_K, COLD_WARMER_C),
    ),
    "oven_sensor_reversed": (
        "The wires of the oven's control thermocouple are swapped.",
        _in_group("reversed", OVEN),
    ),
    "tank_sensor_reversed": (
        "The wires of the tank's control thermocouple are swapped.",
        _in_group("reversed", TANK),
    ),
    "smoke": ("The smoke or CO alarm sounds.", _attribute("board", "smoke", True, False)),
    "level_low": ("The oil stands too low.", _attribute("board", "level_good", False, True)),
    "agitator_stuck": ("The agitator does not turn.", _attribute("", "agitator_stuck", True, False)),
    "oil_fire": (
        "The oil goes on getting hotter by itself, as if it burned.",
        _attribute("tank", "stray_w", FIRE_W, 0.0),
    ),
    "board_hang": ("The board's program stands still.", _hang),
    "board_reboot": ("The board starts again.", _reboot),
    "board_power_cut": ("The board has no power.", _power),
    "cable_pulled": ("The cable between board and computer is out.", _attribute("line", "cut", True, False)),
    "frames_corrupted": (
        "One message in five is damaged on its way.",
        _attribute("line", "share", CORRUPTED_SHARE, 0.0),
    ),
}
for _place in range(len(SENSORS)):
    _ACTS.update(_sensor_acts(_place))

FAULTS: Final[Mapping[str, str]] = {name: text for name, (text, _) in _ACTS.items()}
"""Every fault with its sentence for the page."""

MOMENTARY: Final = frozenset({"quench", "board_hang", "board_reboot"})
"""What happens once when it is switched on, and is off again at once."""


def apply(shop: SimShop, name: str, on: bool) -> None:
    """Do it, or undo it. `ValueError` with the known names for one that is not known."""
    if name not in _ACTS:
        raise ValueError(f"no fault is called {name!r}; known are {', '.join(sorted(_ACTS))}")
    if on or name not in MOMENTARY:
        _ACTS[name][1](shop, on)


class Line:
    """The serial cable. `cut`: nothing comes through. `share`: how often a bit is flipped, 0..1."""

    def __init__(self, rng: Random) -> None:
        self.cut = False
        self.share = 0.0
        self._rng = rng

    def carry(self, data: bytes) -> bytes:
        if self.cut:
            return b""
        if not data or self.share <= 0.0 or self._rng.random() >= self.share:
            return data
        spoilt = bytearray(data)
        spoilt[self._rng.randrange(len(spoilt))] ^= 1 << self._rng.randrange(8)
        return bytes(spoilt)
