"""What the slowest oven would do: how far even the weakest, heaviest and leakiest one moves its sensor.

For a single sensor whose word stands still there is no other to compare with. An oven that nobody has measured
is taken as the worst of the study's ranges in every respect at once, so that movement is expected only where
every oven would move.
"""

from __future__ import annotations

from typing import Final, NamedTuple

# Least power: 1200 W at 0.90 of the mains' voltage, once more in a dip to 0.90 (power goes with its square).
HEATER_W: Final = 1200.0 * 0.90**2 * 0.90**2
# The most that has to be warmed, J/K: inner wall 1500, rack and tray 1.1 kg at 520, door glass of 5 mm 470, and
# 5 kg of steel at 525; the element 220 J/K heats through about 600 K before it gives its power away.
CAPACITY_J_PER_K: Final = 1500.0 + 570.0 + 470.0 + 2625.0
ELEMENT_S: Final = 220.0 * 600.0 / HEATER_W
# The most that holding takes, W/K above the room: 540 W at 205 °C.
LOSS_W_PER_K: Final = 540.0 / 185.0
PROBE_S: Final = 40.0
ROOM_C: Final = 20.0


class Slowest(NamedTuple):
    """`element`: share of full power that it gives off, 0..1; `inside_c`, `probe_c`: °C."""

    element: float
    inside_c: float
    probe_c: float


def begun(reading_c: float) -> Slowest:
    """With cold elements, and everything inside as warm as the reading."""
    return Slowest(0.0, reading_c, reading_c)


def after(oven: Slowest, duty: float, dt_s: float) -> Slowest:
    """The slowest oven `dt_s` (at most a few seconds) later at this duty, 0..1."""
    element = oven.element + (duty - oven.element) * dt_s / ELEMENT_S
    heat_w = element * HEATER_W - LOSS_W_PER_K * (oven.inside_c - ROOM_C)
    inside_c = oven.inside_c + heat_w * dt_s / CAPACITY_J_PER_K
    return Slowest(element, inside_c, oven.probe_c + (inside_c - oven.probe_c) * dt_s / PROBE_S)
