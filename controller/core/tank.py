"""The quench tank: preheat, hold in band, presence, quenches declared and seen."""

from __future__ import annotations

from collections.abc import Mapping
from math import inf, isfinite
from typing import Any, Final, Literal

from controller.core.facts import NEVER, Facts
from controller.core.heating import tank_loop
from controller.core.interlocks import PERMIT, TRIP
from controller.core.limits import Limits
from controller.core.moment import Moment
from controller.core.quenches import Quenches
from controller.core.warming import WATCHED_S, Warming
from controller.metallurgy.oils import why_not_hotter
from controller.metallurgy.quench_plan import TankHeat, tank_heat
from controller.model import FITTED_AGITATOR, FITTED_LEVEL, FITTED_TANK_LIMIT, Preheat, Reason

TankPhase = Literal["off", "scheduled", "waiting_for_arm", "preheat", "in_band", "too_hot", "withheld", "tripped"]
ARM_WAIT_S: Final = 300.0
BAND_K: Final = 3.0
AGREE_K: Final = 5.0
STEADY_S: Final = 60.0
PRESENCE_S: Final = 1800.0
PRESENCE_WARNING_S: Final = 300.0
SCHEDULE_MAX_S: Final = 12.0 * 3600.0
# Oil that was filled in, or stood for a week, may have water under it: warmed gently, so that it dries instead of
# boiling at the sheath. At the hardest load a shop file may have (3.1 W/cm²) this is 1.1 W/cm², some 45 K over the oil.
GENTLE_DUTY: Final = 0.35
REST_S: Final = 7.0 * 24.0 * 3600.0
DRY_C: Final = 50.0
QUENCH_EXPLAINS_S: Final = 600.0
STILL_AGITATOR_S: Final = 1.0
UNITS_MIN_C: Final = 20.0
LOOP_S: Final = 1.0


class Tank:
    """One zone. `target_c` None: off."""

    def __init__(self, limits: Limits, state: Mapping[str, Any] | None = None) -> None:
        state = state or {}
        self._limits = limits
        heat = tank_heat(limits.oil, limits.tank_volume_l) if limits.oil else TankHeat(0.0, 0.0, 0.0)
        self._warming = Warming(heat, limits.tank_heater_w, _table(state, "warming"))
        self.quenches = Quenches(limits, heat, _table(state, "quenches"))
        rested_s = state.get("rested_s", 0.0)
        self._rested_s = float(rested_s) if isinstance(rested_s, (int, float)) and 0.0 <= rested_s < inf else 0.0
        self.gentle = bool(state.get("gentle", False))
        self._level_was_low = bool(state.get("level_was_low", False))
        # Oil that may not get so hot is dry when it was as hot as it may be.
        self._dry_c = min(DRY_C, limits.bath_max_c() or DRY_C)
        self._too_much = False
        self._over_times = 0
        self._was_under = False
        self._expected_s: float | None = None
        self._told_stir = False
        self._starts_in_s = 0.0
        self.phase: TankPhase = "off"
        self.target_c: float | None = None
        self.asked_duty = 0.0
        self.ready_expected_s: float | None = None
        self.alone_s = 0.0
        self._in_band = False
        self._steady_s = 0.0
        self._ready_in_s: float | None = None
        self._waiting_s: float | None = None
        self._press_wanted = False
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
        self._ready_in_s = wish.ready_in_s if self._heated else None
        self._waiting_s = None if (moment.armed and not self._press_wanted) or not self._heated else 0.0
        self._in_band = self._told_stir = False
        self._steady_s = 0.0
        self._expected_s = None
        self._over_times = 0
        self._was_under = False
        self._warming.begin()
        self.gentle |= wish.gentle or self._rested_s >= REST_S
        self.present()
        if not self._heated:
            text = "The oil is watched until it is warm; this tank has no heater."
        elif self.gentle:
            text = "The oil is to be warmed gently, for water that may lie under it."
        else:
            text = "The oil is to be warmed."
        moment.happened("tank_on", text, target_c=self.target_c, gentle=self.gentle)
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

    def pressed(self, moment: Moment) -> None:
        """The arm button: somebody is there, and beside ready oil perhaps a quench."""
        self._press_wanted = False
        if self.phase == "in_band" and moment.armed:
            self.quenches.marked(moment)
        self.present()

    def state(self) -> dict[str, Any]:
        """What the next process should know of this tank, as plain data."""
        return {
            "warming": self._warming.state(),
            "quenches": self.quenches.state(),
            "rested_s": round(self._rested_s),
            "gentle": self.gentle,
            "level_was_low": self._level_was_low,
        }

    @property
    def ready(self) -> bool:
        """The oil is in band, steady and stirred, both sensors agree, and no more steel was announced than it takes."""
        return self.phase == "in_band" and not self._too_much

    @property
    def working(self) -> bool:
        """Whether arming is to be kept from lapsing for it: a tank without a heater needs none."""
        return self.target_c is not None and self._heated

    @property
    def _heated(self) -> bool:
        return self._limits.tank_heater_w > 0.0

    @property
    def presence_left_s(self) -> float | None:
        """Until the heat is withheld for want of somebody there; None while nothing is heated."""
        if self.target_c is None or not self._heated or self.phase == "scheduled":
            return None
        return max(0.0, PRESENCE_S - self.alone_s)

    @property
    def stirring(self) -> bool:
        """Phases in which the stirrer is to turn."""
        return self.target_c is not None and self.phase in ("preheat", "in_band", "too_hot", "withheld")

    @property
    def heating(self) -> bool:
        """Phases in which heat may be asked for."""
        return self._heated and self.phase in ("preheat", "in_band")

    # --- each tick -----------------------------------------------------------------------------------------

    def board_lost_its_arming(self, moment: Moment) -> None:
        """After a reboot, a gap or a lapse the oil waits for a new press of the arm button.

        Where only the board's words were lost it is still armed, which is no word of anybody's for the time meanwhile.
        """
        if self.target_c is None or not self._heated:
            return
        self._press_wanted = True
        if self._waiting_s is None:
            self._waiting_s = 0.0
            moment.happened("arm_wanted", "Press the arm button to go on warming the oil.")

    def sense(self, facts: Facts) -> None:
        """Before the interlocks: presence, whether the oil is known, and whether it was filled up."""
        facts.oil_unknown = float(self._limits.tank and self._limits.oil is None)
        facts.oil_hottest_c = facts.tank_max_c
        facts.presence_wanted_s = NEVER
        # In the tick in which the table tells of it, with whose events the core's state is kept.
        if facts.fitted & FITTED_LEVEL and facts.level_low == facts.level_low:
            self.gentle |= self._level_was_low and facts.level_low < 0.5
            self._level_was_low = facts.level_low >= 0.5
        if self.target_c is None or not self._heated:
            self.alone_s = 0.0
            return
        if self.phase != "scheduled":
            facts.presence_wanted_s = self.alone_s

    def off_the_mains(self, moment: Moment) -> None:
        """The contactor has opened: told where it did so for the oven, whose row says nothing of oil that is warmed."""
        if self.target_c is not None and moment.verdict.tank != TRIP:
            moment.happened("tank_withheld", "No heat for the oil either: both hang on the contactor.")

    def step(self, moment: Moment) -> None:
        """After the interlocks: the phase and the asked duty."""
        self.asked_duty = 0.0
        self._rest(moment)
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
        # By the clock, not by the board's time, which stands still while it is silent. A scheduled start finds somebody
        # there, or none of its heat begins: presence counts from the last sign.
        self.alone_s += moment.passed_s
        if self._ready_in_s is not None:
            self._ready_in_s -= moment.passed_s
        if self._waiting_s is not None and not self._waited(moment):
            return
        self._watch_band(moment)
        self._settle_phase(moment)
        self._ask_for_presence(moment)
        # A single sensor that has not answered its heat gets none: see `_UnmovedOil`.
        if not self.heating or moment.verdict.tank != PERMIT or not moment.facts.tank_unmoved < 0.5:
            self._loop.withheld()
            self._since_loop_s = LOOP_S
        elif self._since_loop_s + dt_s >= LOOP_S:
            self.asked_duty = self._loop.step(self.target_c, moment.facts.tank_c, self._since_loop_s + dt_s)
            self._since_loop_s = 0.0
        else:
            self._since_loop_s += dt_s
            self.asked_duty = self._loop.duty
        if self.gentle:
            self.asked_duty = min(self.asked_duty, GENTLE_DUTY)

    def second(self, moment: Moment, on_s: float, tempering: bool) -> None:
        """Once a second: when the oil will be ready, whether it stirs, what a quench did.

        `on_s`: how long the heater was on in it. `tempering`: a run is on, so hardened steel does not wait.
        """
        facts = moment.facts
        self.quenches.second(facts.tank_c, tempering, moment)
        limit_c = self._limits.tank_limit_c
        self._too_much = limit_c is not None and facts.quench_forecast_c >= limit_c
        facts.oil_over_times = self._overs(facts)
        self.ready_expected_s = self._expected(facts, on_s)

    def _expected(self, facts: Facts, on_s: float) -> float | None:
        """Seconds until the oil is ready; None while that is not known."""
        target_c = self.target_c
        if target_c is None or not isfinite(facts.tank_c):
            return None
        if self._in_band:
            return 0.0
        if self.phase == "preheat":
            self._warming.second(facts.tank_c, on_s, near=facts.tank_c >= target_c - BAND_K)
        left_s = self._warm_s(facts.tank_c, target_c)
        if left_s is None:
            return None
        if self._expected_s is None and self.phase == "preheat":
            self._expected_s = left_s
        return max(left_s, self._ready_in_s or 0.0)

    def _warm_s(self, oil_c: float, target_c: float) -> float | None:
        """From this oil to ready: the warming, then the time it has to stay in band."""
        left_s = self._warming.left_s(oil_c, target_c - BAND_K)
        if left_s is None:
            return None
        if self.gentle:
            left_s = left_s / GENTLE_DUTY if self._warming.warming_s < WATCHED_S else left_s
        return left_s + max(0.0, STEADY_S - self._steady_s)

    def _overs(self, facts: Facts) -> float:
        """How often the oil went over its band since the preheat, without a quench to blame.

        Over its band the contactor is open, so a stuck relay heats it up to there again and again.
        """
        if self.target_c is None or not self._heated:
            self._over_times = 0
        elif facts.tank_c <= self.target_c + BAND_K:
            self._was_under = True
        elif self._was_under and facts.tank_c > self.target_c + 2.0 * BAND_K:
            self._was_under = False
            self._over_times += self.quenches.since_s > QUENCH_EXPLAINS_S
        return float(self._over_times)

    def _rest(self, moment: Moment) -> None:
        """Oil that stood for long, heard or not, may be wet, and is until it was held warm."""
        self._rested_s += moment.passed_s
        self.gentle |= self._heated and self._rested_s >= REST_S
        if moment.facts.tank_c >= DRY_C:
            self._rested_s = 0.0

    # --- inside --------------------------------------------------------------------------------------------

    def _waited(self, moment: Moment) -> bool:
        """False when the wait for the arm button is given up."""
        facts = moment.facts
        if not moment.armed and facts.stop_open == facts.stop_open:
            # Known to be disarmed: only a press arms it again.
            self._press_wanted = False
        if moment.armed and not self._press_wanted:
            self._waiting_s = None
            return True
        self._waiting_s = (self._waiting_s or 0.0) + moment.passed_s
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
        near = abs(oil_c - target_c) <= BAND_K
        fitted = bool(facts.fitted & FITTED_AGITATOR)
        if near and agree and not (fitted and facts.agitator_still_s >= STILL_AGITATOR_S):
            self._steady_s += moment.dt_s
        else:
            self._steady_s = 0.0
        if (near and not agree) or (near and not fitted):
            self._say_stir(moment)
        if self._steady_s >= STEADY_S and not self._in_band:
            self._in_band = True
            if target_c >= self._dry_c:
                self.gentle = False
            self._warming.learn()
            said = "The oil is ready." if fitted else "The oil is ready. Stir it before you quench."
            moment.happened(
                "oil_ready", said, target_c=target_c, took_s=self._warming.warming_s, expected_s=self._expected_s
            )
        elif self._in_band and not abs(oil_c - target_c) <= (2.0 if moment.verdict.tank == PERMIT else 1.0) * BAND_K:
            # A quench's swing is borne while the heat brings it back, the slow fall of oil without heat is not.
            self._in_band = False
            moment.happened("oil_left_band", "The oil has left its band.")

    def _say_stir(self, moment: Moment) -> None:
        if not self._told_stir:
            self._told_stir = True
            text = "Stir the oil: unstirred it is 26 to 47 °C less below its heater (simulated)."
            if not moment.facts.fitted & FITTED_TANK_LIMIT:
                # See `HandStirring`: of one sensor alone a stir under heat is a trip.
                text += " Switch its heat off for that: with one sensor a fall under heat counts as out of the oil."
            moment.happened("stir_wanted", text)

    def _ask_for_presence(self, moment: Moment) -> None:
        """5 min before the heat goes off, and 5 min before a scheduled start that nobody is there for."""
        if self._warned or not self._heated or self.alone_s < PRESENCE_S - PRESENCE_WARNING_S:
            return
        if self.phase == "scheduled":
            if self._starts_in_s > PRESENCE_WARNING_S:
                return
            text = "The oil is to start warming in 5 min. Is somebody there?"
        else:
            text = "Is somebody with the oil? Its heat goes off in 5 min."
        self._warned = True
        moment.happened("presence_wanted", text)

    def _settle_phase(self, moment: Moment) -> None:
        oil_c, target_c = moment.facts.tank_c, self.target_c
        if target_c is None:
            self.phase = "off"
        elif self._waiting_s is not None:
            self.phase = "waiting_for_arm"
        elif self._scheduled(oil_c, target_c):
            self.phase = "scheduled"
        elif oil_c > target_c + (BAND_K if self.phase == "too_hot" else 2.0 * BAND_K):
            # The contactor is open until the oil is back in its band: a stuck relay would make it chatter.
            self.phase = "too_hot"
        elif moment.verdict.tank != PERMIT or self.alone_s >= PRESENCE_S:
            # The table asks about presence once the schedule is over: not one tick of heat goes before its answer.
            self.phase = "withheld"
        else:
            self.phase = "in_band" if self._in_band else "preheat"

    def _scheduled(self, oil_c: float, target_c: float) -> bool:
        """Whether it is still too early to begin warming."""
        if self._ready_in_s is None:
            return False
        if self._ready_in_s > 0.0 and not isfinite(oil_c):
            # Not known is no reason to begin: when it should have begun is seen again with the next good reading.
            return True
        warm_s = self._warm_s(oil_c, target_c)
        # Oil whose warming cannot be foreseen is warmed at once, as is one that would be late.
        self._starts_in_s = self._ready_in_s - warm_s if warm_s is not None else 0.0
        if self._starts_in_s > 0.0:
            return True
        self._ready_in_s = None
        self._warming.begin()
        return False


def _table(state: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = state.get(name)
    return found if isinstance(found, Mapping) else {}
