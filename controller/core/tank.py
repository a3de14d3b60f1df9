"""The quench tank: preheat, hold in band, presence, quenches declared and seen."""

from __future__ import annotations

from math import isfinite
from typing import Final, Literal

from controller.core.facts import NEVER, Facts
from controller.core.heating import tank_loop
from controller.core.interlocks import PERMIT, TRIP
from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.metallurgy.oils import why_not_hotter
from controller.metallurgy.quench import PART_C, oil_after_c
from controller.model import Preheat, Quench, Reason

TankPhase = Literal["off", "scheduled", "waiting_for_arm", "preheat", "in_band", "too_hot", "withheld", "tripped"]
ARM_WAIT_S: Final = 300.0
BAND_K: Final = 3.0
AGREE_K: Final = 5.0
STEADY_S: Final = 60.0
PRESENCE_S: Final = 1800.0
PRESENCE_WARNING_S: Final = 300.0
SCHEDULE_MAX_S: Final = 12.0 * 3600.0
# Heat that goes into walls and room on the way: the nameplate forecast is stretched by it (simulated 5..20 l).
LOSSES: Final = 1.15
UNITS_MIN_C: Final = 20.0
LOOP_S: Final = 1.0


class Tank:
    """One zone. `target_c` None: off."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self.phase: TankPhase = "off"
        self.target_c: float | None = None
        self.asked_duty = 0.0
        self.ready_expected_s: float | None = None
        self.alone_s = 0.0
        self._in_band = False
        self._steady_s = 0.0
        self._ready_in_s: float | None = None
        self._waiting_s: float | None = None
        self._warned = False
        self._loop = tank_loop()
        self._since_loop_s = LOOP_S

    # --- what a person asks --------------------------------------------------------------------------------

    def refusals(self, wish: Preheat) -> list[Reason]:
        """Everything that speaks against this preheat, beyond the interlocks."""
        limits = self._limits
        if not limits.tank:
            return [Reason("no_tank", "The shop file has no [tank], so there is no oil to warm.")]
        if limits.oil is None:
            return [Reason("oil_refused", limits.oil_refusal)]
        reasons = []
        if limits.tank_heater_w <= 0.0:
            reasons.append(Reason("no_heater", "The tank has no heater in the shop file; it is only watched."))
        highest_c = limits.bath_max_c()
        target_c = wish.target_c
        if target_c is not None and highest_c is not None:
            if not isfinite(target_c) or target_c < UNITS_MIN_C:
                reasons.append(Reason("target_low", f"The target must be between 20 and {highest_c:g} °C."))
            elif target_c > highest_c:
                reasons.append(Reason("target_high", why_not_hotter(limits.oil, target_c, highest_c)))
        if wish.ready_in_s is not None and not 0.0 <= wish.ready_in_s <= SCHEDULE_MAX_S:
            reasons.append(Reason("ready_at", "ready_at must lie within the next 12 hours."))
        return reasons

    def preheat(self, wish: Preheat, moment: Moment) -> None:
        """Warm the oil now, or so that it is ready in `ready_in_s`; waits for the arm button."""
        self.target_c = self._limits.bath_target_c() if wish.target_c is None else wish.target_c
        self._ready_in_s = wish.ready_in_s
        self._waiting_s = None if moment.armed else 0.0
        self._in_band = False
        self._steady_s = 0.0
        self.present()
        moment.happened("tank_on", "The oil is to be warmed.", target_c=self.target_c)
        self._settle_phase(moment)

    def off(self, moment: Moment, why: str = "Switched off by hand.") -> None:
        """No target, no heat."""
        if self.target_c is not None:
            moment.happened("tank_off", why)
        self.target_c = self._ready_in_s = self._waiting_s = self.ready_expected_s = None
        self.asked_duty = 0.0
        self._in_band = False
        self.phase = "off" if self.phase != "tripped" else self.phase
        self._loop.withheld()

    def present(self) -> None:
        """Somebody is with the oil."""
        self.alone_s = 0.0
        self._warned = False

    def forecast_c(self, wish: Quench, oil_c: float) -> float | None:
        """The oil after this quench, adiabatic, °C; None without mass, oil or reading."""
        if wish.mass_kg is None or self._limits.oil is None or not isfinite(oil_c):
            return None
        part_c = PART_C if wish.part_c is None else wish.part_c
        return oil_after_c(wish.mass_kg, part_c, oil_c, self._limits.oil_heat_j_per_k())

    @property
    def ready(self) -> bool:
        """The oil is in band, steady, and both sensors agree."""
        return self.phase == "in_band"

    @property
    def presence_left_s(self) -> float | None:
        """Until the heat is withheld for want of somebody there; None while nothing is heated."""
        return None if self.target_c is None else max(0.0, PRESENCE_S - self.alone_s)

    @property
    def stirring(self) -> bool:
        """Phases in which the stirrer is to turn."""
        return self.target_c is not None and self.phase in ("preheat", "in_band", "too_hot", "withheld")

    @property
    def heating(self) -> bool:
        """Phases in which heat may be asked for."""
        return self.phase in ("preheat", "in_band")

    # --- each tick -----------------------------------------------------------------------------------------

    def board_lost_its_arming(self, moment: Moment) -> None:
        """After a reboot or a lapse the oil waits for the arm button again."""
        if self.target_c is not None and self._waiting_s is None:
            self._waiting_s = 0.0
            moment.happened("arm_wanted", "Press the arm button to go on warming the oil.")

    def sense(self, facts: Facts, dt_s: float) -> None:
        """Before the interlocks: presence, and whether the oil is known."""
        facts.oil_unknown = float(self._limits.tank and self._limits.oil is None)
        if self.target_c is None or self.phase == "scheduled":
            self.alone_s = 0.0
            facts.presence_wanted_s = NEVER
        else:
            self.alone_s += dt_s
            facts.presence_wanted_s = self.alone_s

    def step(self, moment: Moment) -> None:
        """After the interlocks: the phase and the asked duty."""
        self.asked_duty = 0.0
        if moment.verdict.tank == TRIP:
            if self.target_c is not None:
                self.off(moment, "An interlock tripped.")
            self.phase = "tripped"
            return
        if self.phase == "tripped":
            self.phase = "off"
        if self.target_c is None:
            return
        dt_s = moment.dt_s
        if self._ready_in_s is not None:
            self._ready_in_s -= dt_s
        if self._waiting_s is not None and not self._waited(moment):
            return
        self._watch_band(moment)
        self._settle_phase(moment)
        if not self._warned and self.alone_s >= PRESENCE_S - PRESENCE_WARNING_S:
            self._warned = True
            moment.happened("presence_wanted", "Is somebody with the oil? Its heat goes off in 5 min.")
        if not self.heating or moment.verdict.tank != PERMIT:
            self._loop.withheld()
            self._since_loop_s = LOOP_S
        elif self._since_loop_s + dt_s >= LOOP_S:
            self.asked_duty = self._loop.step(self.target_c, moment.facts.tank_c, self._since_loop_s + dt_s)
            self._since_loop_s = 0.0
        else:
            self._since_loop_s += dt_s
            self.asked_duty = self._loop.duty

    def second(self, facts: Facts) -> None:
        """Once a second: when the oil will be ready, from watts, litres and heat capacity."""
        limits = self._limits
        self.ready_expected_s = None
        if self.target_c is None or not isfinite(facts.tank_c) or limits.tank_heater_w <= 0.0:
            return
        if self._in_band:
            self.ready_expected_s = 0.0
            return
        rise_k = max(0.0, self.target_c - facts.tank_c)
        warm_s = LOSSES * rise_k * limits.oil_heat_j_per_k() / limits.tank_heater_w + STEADY_S
        self.ready_expected_s = max(warm_s, self._ready_in_s or 0.0)

    # --- inside --------------------------------------------------------------------------------------------

    def _waited(self, moment: Moment) -> bool:
        """False when the wait for the arm button is given up."""
        if moment.armed:
            self._waiting_s = None
            return True
        self._waiting_s = (self._waiting_s or 0.0) + moment.dt_s
        if self._waiting_s >= ARM_WAIT_S:
            moment.happened("arm_wait_over", "Nobody pressed the arm button within 5 min.")
            self.off(moment, "Nobody pressed the arm button within 5 min.")
            return False
        return True

    def _watch_band(self, moment: Moment) -> None:
        facts, target_c = moment.facts, self.target_c
        if target_c is None:
            return
        oil_c, second_c = facts.tank_c, facts.tank_limit_c
        agree = second_c != second_c or abs(oil_c - second_c) <= AGREE_K
        if abs(oil_c - target_c) <= BAND_K and agree:
            self._steady_s += moment.dt_s
        else:
            self._steady_s = 0.0
        if self._steady_s >= STEADY_S and not self._in_band:
            self._in_band = True
            moment.happened("oil_ready", "The oil is ready.", target_c=target_c)
        elif self._in_band and not abs(oil_c - target_c) <= 2.0 * BAND_K:
            self._in_band = False
            moment.happened("oil_left_band", "The oil has left its band.")

    def _settle_phase(self, moment: Moment) -> None:
        oil_c, target_c = moment.facts.tank_c, self.target_c
        if target_c is None:
            self.phase = "off"
        elif self._waiting_s is not None:
            self.phase = "waiting_for_arm"
        elif self._scheduled(oil_c, target_c):
            self.phase = "scheduled"
        elif moment.verdict.tank != PERMIT:
            over = oil_c > target_c + 2.0 * BAND_K
            self.phase = "too_hot" if over else "withheld"
        elif oil_c > target_c + 2.0 * BAND_K:
            self.phase = "too_hot"
        else:
            self.phase = "in_band" if self._in_band else "preheat"

    def _scheduled(self, oil_c: float, target_c: float) -> bool:
        """Whether it is still too early to begin warming."""
        if self._ready_in_s is None:
            return False
        rise_k = max(0.0, target_c - oil_c) if isfinite(oil_c) else target_c
        warm_s = LOSSES * rise_k * self._limits.oil_heat_j_per_k() / max(1.0, self._limits.tank_heater_w)
        if self._ready_in_s > warm_s + STEADY_S:
            return True
        self._ready_in_s = None
        return False
