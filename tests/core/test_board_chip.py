"""A board whose chips cannot read the shop's thermocouples: told in words, no heat, and nothing falls over."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.model import BoardLimits, Start
from controller.sim.shop import SimShop
from controller.thermocouple import MAX6675, MAX31855, MAX31856, can_read
from tests.core.rig import Rig, limits, program


@pytest.mark.parametrize(("chip", "kind", "fits"), [(MAX6675, "K", True), (MAX6675, "J", False), (MAX6675, "N", False),
                                                    (MAX31855, "J", True), (MAX31856, "T", True)])  # fmt: skip
def test_a_max6675_reads_type_k_only(chip: int, kind: str, fits: bool) -> None:
    # MAX6675 data sheet 19-2235: for type K only.
    assert can_read(chip, kind) == fits  # type: ignore[arg-type]
    shop = replace(limits(), oven_kind=kind)  # type: ignore[arg-type]
    assert shop.fits(chip) == fits
    assert (shop.for_board(chip) == BoardLimits(None, None, None)) == (not fits)


def test_such_a_board_gives_no_heat_and_the_row_says_why() -> None:
    rig = Rig(replace(limits(), oven_kind="J"))
    rig.shop = SimShop(0, chip=MAX6675)
    rig.run(3.0)
    assert rig.outcome is not None
    row = next(row for row in rig.core.interlocks.rows() if row.name == "board_chip")
    assert row.state == "withhold"
    assert "type K only" in row.text
    rig.shop.press("arm")
    rig.run(1.5)
    rig.tick(Start(program(), rig.load))
    rig.run(5.0)
    assert "board_chip" in rig.refusal()
    assert rig.outcome.command.oven_duty == rig.outcome.command.tank_duty == 0.0
    assert not rig.tripped()


def test_type_k_on_the_same_chips_is_well() -> None:
    rig = Rig()
    rig.shop = SimShop(0, chip=MAX6675)
    rig.run(3.0)
    assert next(row for row in rig.core.interlocks.rows() if row.name == "board_chip").state == "good"
