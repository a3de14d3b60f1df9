"""Figures of the oil that the measured table prints: preheat forecasts, quench rise. Run over drawn tanks."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from statistics import mean

from controller.commands.shipped import load_shipped
from controller.core.limits import Limits, derive
from controller.metallurgy.quench_plan import GALLON_PER_POUND_L_PER_KG, RULE_RISE_K, plan_quench
from controller.model import Oil, Preheat, Presence
from controller.settings import Shop
from tests.core.rig import Rig


@dataclass(frozen=True, slots=True)
class PreheatErrors:
    """Forecast when heat began over the time until ready, less 1: of each tank's first preheat and of later ones."""

    first: tuple[float, ...]
    later: tuple[float, ...]


def limits_of(rig_tank: object, oil: Oil) -> Limits:
    """The limits of a shop whose file says of this simulated tank what its plate and its measure say."""
    heater_w, volume_l = rig_tank.heater_w, rig_tank.volume_l  # type: ignore[attr-defined]
    shop = Shop.model_validate({
        "tank": {"heater_w": heater_w, "volume_l": volume_l, "oil": oil.name}, "circuit": {"shared": False},
    })  # fmt: skip
    return derive(shop, oil)


def oil_of(vegetable: bool) -> Oil:
    """The profile for a simulated oil."""
    profiles = load_shipped().oils
    return profiles["canola" if vegetable else "quench_medium"].oil()


def tank_rig(seed: int, *, start_c: float = 20.0, state: dict[str, object] | None = None) -> Rig:
    """A rig of the tank that this seed draws, with a shop file that fits it, armed."""
    found = Rig(seed=seed, load=())
    kind = found.shop.tank.parameters
    rig = Rig(limits_of(kind, oil_of(kind.vegetable)), seed=seed, load=(), state=state, tank_c=start_c)
    rig.arm()
    return rig


def preheat(rig: Rig, target_c: float) -> tuple[float, float] | None:
    """(forecast, real) seconds from the beginning of heat to ready; None where it is not ready within 5 h."""
    begun = len(rig.events)
    rig.tick(Preheat(target_c))
    for _ in range(18):
        rig.run(1000.0, lambda: rig.core.tank.phase == "in_band")
        rig.tick(Presence())
        for event in rig.events[begun:]:
            if event.kind == "oil_ready":
                return float(event.data["expected_s"]), float(event.data["took_s"])
    return None


def preheat_errors(seeds: range) -> PreheatErrors:
    """Two preheats of each drawn tank, the second from another start to another target with what was learned."""
    first, later = [], []
    for seed in seeds:
        rng = Random(f"preheat {seed}")
        rig = tank_rig(seed, start_c=rng.uniform(15.0, 22.0))
        once = preheat(rig, rng.uniform(48.0, 56.0))
        if once is None:
            continue
        first.append(once[0] / once[1] - 1.0)
        rig = tank_rig(seed, start_c=rng.uniform(15.0, 28.0), state=rig.core.state())
        twice = preheat(rig, rng.uniform(48.0, 56.0))
        if twice is not None:
            later.append(twice[0] / twice[1] - 1.0)
    return PreheatErrors(tuple(first), tuple(later))


def quench_rule_error() -> float:
    """Rise with a US gallon of oil to a pound of steel from 845 °C over the published 38 K, less 1: mean of a
    vegetable and a mineral quench oil."""
    plans = [plan_quench(oil_of(kind), GALLON_PER_POUND_L_PER_KG, 55.0, 1.0)["rise_k"] for kind in (True, False)]
    return mean(plans) / RULE_RISE_K - 1.0
