"""The release binary fits the chip with room to spare; the figures are printed."""

from __future__ import annotations

from tests.firmware.emulator.budgets import FLASH_BUDGET, RAM_BUDGET, STACK_BUDGET, measured
from tests.firmware.emulator.build import firmware


def test_flash_ram_and_stack_stay_in_their_budgets() -> None:
    use = measured(firmware(31855, 31))
    print(use.text())
    assert use.flash < FLASH_BUDGET
    assert use.static_ram < RAM_BUDGET
    assert 20 < use.stack < STACK_BUDGET
    assert use.static_ram + use.stack < 2048 - 256
