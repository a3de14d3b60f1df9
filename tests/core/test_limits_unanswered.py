"""A board that has not taken its limits gets no duty, and that is not the board's fault."""

from __future__ import annotations

from controller.model import Preheat
from tests.core.rig import Rig, limits


def test_limits_that_never_arrive_keep_the_heat_away_without_a_trip() -> None:
    rig = Rig(limits())
    send = rig.link.send
    rig.link.send = lambda command, now_s: b"".join(  # type: ignore[method-assign]
        frame for frame in send(command, now_s).splitlines(keepends=True) if not frame.startswith(b"!L")
    )
    rig.arm()
    rig.tick(Preheat())
    rig.run(120.0)
    assert rig.tripped() == []
    assert rig.core.tank_applied == 0.0
