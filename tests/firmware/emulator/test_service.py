"""The unmodified service on the release firmware through a pseudo-terminal, at the clock's own pace. Longer runs of
the same kind (a whole temper, a jam, a power cut) are in the study."""

from __future__ import annotations

from pathlib import Path

from tests.firmware.emulator.service_runs import cable_and_kill


def test_a_pulled_cable_and_a_killed_service_leave_no_heat(tmp_path: Path) -> None:
    cable_and_kill(tmp_path)
