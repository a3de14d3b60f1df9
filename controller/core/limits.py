"""Every limit the core works with, derived once from the shop file and the oil, in an order that is checked.

Highest setpoint <= shop limit - boost cap - 15, and bath setpoint <= ceiling - 5 <= tank limit <= oil trip.
Nothing changes a limit while the core runs: `Limits` is frozen and belongs to one `Core`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from controller.metallurgy.oils import ALARM_BELOW_FLASH_K, BELOW_BOILING_K, SENSOR_BUDGET_K, TANK_LIMIT_C
from controller.metallurgy.water import boiling_point_c
from controller.model import BoardLimits, Oil, Reason
from controller.settings import CONDITIONS_REFUSED, Shop
from controller.thermocouple import Kind, can_read, limit_hundredths

SETPOINT_MAX_C: Final = 260.0
SETPOINT_MAX_ONE_SENSOR_C: Final = 230.0
MARGIN_OVER_BOOST_K: Final = 15.0

# 100 °F below the flash point as the design temperature of a bath (common practice).
DESIGN_BELOW_FLASH_K: Final = 55.6
OIL_TRIP_C: Final = 110.0
# So far below water's boiling point here the smith is warned of water in the oil (the sensors' error budget).
BOIL_WATCH_K: Final = 10.0
# An oil that is refused for its low flash point is still watched, but not so low that a warm shop alarms.
LOWEST_ALARM_C: Final = 45.0
BATH_BELOW_CEILING_K: Final = 5.0


class LimitsError(ValueError):
    """The shop file and the oil do not fit together; `reasons` holds all of it."""

    def __init__(self, reasons: list[Reason]) -> None:
        super().__init__(" ".join(reason.text for reason in reasons))
        self.reasons = tuple(reasons)


@dataclass(frozen=True, slots=True)
class Limits:
    """°C, W, litres. `oil` and `oil_ceiling_c` are None without an oil that may be heated, and
    `oil_refusal` says why; the tank's limit and trip stand for any oil."""

    units: str
    oven: bool
    oven_kind: Kind
    oven_heater_w: float
    oven_limit_c: float
    boost_cap_c: float
    independent_cutout: bool
    tank: bool
    tank_kind: Kind
    tank_heater_w: float
    tank_volume_l: float
    oil: Oil | None
    oil_refusal: str
    oil_ceiling_c: float | None
    tank_limit_c: float | None
    oil_trip_c: float | None
    shared_circuit: bool
    boil_over_c: float | None = None

    def setpoint_max_c(self, one_sensor: bool) -> float:
        """The highest setpoint this oven may be given, °C."""
        return SETPOINT_MAX_ONE_SENSOR_C if one_sensor else SETPOINT_MAX_C

    def boost_c(self, setpoint_c: float) -> float:
        """How far the air may be driven above this setpoint, K; negative: the setpoint itself is too high."""
        return min(self.boost_cap_c, self.oven_limit_c - MARGIN_OVER_BOOST_K - setpoint_c)

    def bath_max_c(self) -> float | None:
        """The highest bath setpoint, °C, or None without an oil."""
        return None if self.oil_ceiling_c is None else self.oil_ceiling_c - BATH_BELOW_CEILING_K

    def bath_target_c(self) -> float | None:
        """The bath setpoint when nobody asks for another: the middle of the oil's range, °C."""
        if self.oil is None or self.oil_ceiling_c is None:
            return None
        middle = round((self.oil.bath_min_c + self.oil.bath_max_c) / 2)
        return min(float(middle), self.oil_ceiling_c - BATH_BELOW_CEILING_K)

    def oil_heat_j_per_k(self) -> float:
        """Heat capacity of the oil in the tank, J/K (0 without an oil)."""
        if self.oil is None:
            return 0.0
        return self.tank_volume_l * self.oil.density_kg_per_l * self.oil.heat_capacity_j_per_kg_k

    def fits(self, chip: int) -> bool:
        """Whether the board's chips read the thermocouples of the zones that are wanted."""
        kinds = [kind for kind, wanted in ((self.oven_kind, self.oven), (self.tank_kind, self.tank)) if wanted]
        return all(can_read(chip, kind) for kind in kinds)

    def for_board(self, chip: int, oven_flash: int = 31_000, tank_flash: int = 11_000) -> BoardLimits:
        """The same limits on the chip's own scale, hundredths, rounded down; none for chips that do not fit.

        Without its limits a board gives no heat. It refuses one above its own constant (`oven_flash`,
        `tank_flash`), as a limit at that constant can be on a scale that shows more than is true.
        """
        if not self.fits(chip):
            return BoardLimits(None, None, None)
        tank = self.tank and self.oil is not None
        return BoardLimits(
            _on_chip(chip, self.oven_kind, self.oven_limit_c, oven_flash) if self.oven else None,
            _on_chip(chip, self.tank_kind, self.tank_limit_c, tank_flash) if tank else None,
            _on_chip(chip, self.tank_kind, self.oil_trip_c, tank_flash) if tank else None,
        )


def _on_chip(chip: int, kind: Kind, limit_c: float | None, highest: int) -> int | None:
    return None if limit_c is None else min(limit_hundredths(chip, kind, limit_c), highest)


def oil_refusal(oil: Oil | None) -> str:
    """Why the tank is not heated with this oil, whatever its temperatures; "" where it may be."""
    if oil is None:
        return "No oil is named in the shop file, so the tank is not heated. Name one under [tank] oil."
    if oil.kind in ("motor", "transmission", "used"):
        return (
            f"{oil.label or oil.name} is not heated: its flash point is not known once it was used, and its "
            "additives give toxic fume. Use a quench oil or a fresh vegetable oil."
        )
    if oil.condition in CONDITIONS_REFUSED:
        return f"{oil.label or oil.name} is {oil.condition}, so it is not heated: {CONDITIONS_REFUSED[oil.condition]}"
    if oil.flash_low_c is None:
        return (
            f"The flash point of {oil.label or oil.name} is not known, so the tank is not heated. "
            "Enter flash_point_c from the oil's safety data sheet."
        )
    return ""


def derive(shop: Shop, oil: Oil | None) -> Limits:
    """All limits for this shop. Raises LimitsError with every reason when they do not fit in order."""
    reasons: list[Reason] = []
    refusal = oil_refusal(oil) if shop.tank else ""
    ceiling_c = tank_limit_c = oil_trip_c = None
    if shop.tank:
        # Oil is watched whatever it is and however it became hot; only its heating depends on knowing it.
        tank_limit_c = min(TANK_LIMIT_C, boiling_point_c(shop.altitude_m) - BELOW_BOILING_K)
        oil_trip_c = OIL_TRIP_C
    if tank_limit_c is not None and oil_trip_c is not None and oil is not None and oil.flash_low_c is not None:
        flash_c = oil.flash_low_c
        below_alarm_c = flash_c - ALARM_BELOW_FLASH_K - SENSOR_BUDGET_K
        # Whatever the oil, the bath stays below the point where the tank's heater is taken off.
        ceiling_c = min(oil.bath_max_c, flash_c - DESIGN_BELOW_FLASH_K - SENSOR_BUDGET_K, tank_limit_c, below_alarm_c)
        if not refusal and (ceiling_c - BATH_BELOW_CEILING_K < oil.bath_min_c or below_alarm_c < LOWEST_ALARM_C):
            refusal = (
                f"{oil.label or oil.name} flashes too low ({flash_c:.0f} °C) to be warmed to its bath range "
                "with the margins the trade's codes ask for. Use an oil with a higher flash point."
            )
        tank_limit_c = min(tank_limit_c, max(below_alarm_c, LOWEST_ALARM_C))
        oil_trip_c = min(oil_trip_c, max(below_alarm_c, LOWEST_ALARM_C))
    if refusal:
        ceiling_c = None
    oven_limit_c = shop.oven.limit_c if shop.oven else 0.0
    if shop.oven and oven_limit_c > 300.0:
        reasons.append(Reason("oven_limit_high", f"oven.limit_c is {oven_limit_c:g}; the highest allowed is 300 °C."))
    if reasons:
        raise LimitsError(reasons)
    return Limits(
        units=shop.units,
        oven=shop.oven is not None,
        oven_kind=shop.oven.thermocouple if shop.oven else "K",
        oven_heater_w=shop.oven.heater_w if shop.oven else 0.0,
        oven_limit_c=oven_limit_c,
        boost_cap_c=shop.oven.boost_cap_c if shop.oven else 0.0,
        independent_cutout=bool(shop.oven and shop.oven.independent_cutout),
        tank=shop.tank is not None,
        tank_kind=shop.tank.thermocouple if shop.tank else "K",
        tank_heater_w=shop.tank.heater_w if shop.tank else 0.0,
        tank_volume_l=shop.tank.volume_l if shop.tank else 0.0,
        oil=oil if not refusal else None,
        oil_refusal=refusal,
        oil_ceiling_c=ceiling_c,
        tank_limit_c=tank_limit_c,
        oil_trip_c=oil_trip_c,
        shared_circuit=shop.circuit.shared,
        boil_over_c=boiling_point_c(shop.altitude_m) - BOIL_WATCH_K if shop.tank else None,
    )
