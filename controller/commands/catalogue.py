"""The profiles of this installation and the shop's own tank, as the web shows and plans with them."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from controller.commands.shipped import Library, ShopFile, load_shipped, unknown
from controller.core.limits import oil_refusal
from controller.model import Oil, Program
from controller.profiles import SteelProfile
from controller.settings import refused_oil
from controller.web.ports import OwnTank

log = logging.getLogger("ovenhand")


@dataclass(frozen=True)
class Catalogue:
    """Steels, which no limit rests on, are read when they are first asked for."""

    library: Library
    directory: Path
    shop_file: ShopFile | None = None

    @property
    def programs(self) -> Mapping[str, Program]:
        return self.library.programs

    @property
    def oil_records(self) -> Any:
        return [oil.model_dump(mode="json") for oil in self.library.oils.values()]

    @property
    def steels(self) -> Any:
        return [steel.model_dump(mode="json") for steel in self.grades.values()]

    @cached_property
    def grades(self) -> Mapping[str, SteelProfile]:
        library = load_shipped(self.directory, ("steels",))
        for line in library.problems:
            log.warning("%s", line)
        return library.steels

    def oil(self, name: str) -> tuple[Oil, str]:
        """An oil of the profiles, or the tank's own, and why it is not used at all ("" where it may be).

        Raises ValueError with what would be right.
        """
        own = self.own_tank
        if own is not None and own.oil is not None and own.oil.name == name:
            return own.oil, own.refusal
        if name in self.library.oils:
            return _with_refusal(self.library.oils[name].oil())
        refused = refused_oil(name)
        raise ValueError(f"oil {refused}" if refused else unknown("oil", name, self.library.oils))

    @property
    def own_tank(self) -> OwnTank | None:
        """The shop file's tank; None without one."""
        found = self.shop_file
        if found is None or found.shop.tank is None:
            return None
        refusal = _with_refusal(found.oil)[1] if found.oil else oil_refusal(None)
        limits = found.limits
        return OwnTank(
            found.oil, found.shop.tank.volume_l, found.shop.altitude_m, refusal,
            limits.oil_ceiling_c, limits.tank_limit_c, limits.oil_trip_c,
        )  # fmt: skip


def _with_refusal(oil: Oil) -> tuple[Oil, str]:
    """An oil without a flash point is planned with, and allows nothing: the plan itself says so."""
    return oil, "" if oil.flash_low_c is None else oil_refusal(oil)
