"""The one way out for heat: asked duties and the verdict go in, the command comes out.

Nothing else makes a `Command` with a duty above 0. What cannot be proved allowed is 0.
"""

from __future__ import annotations

from controller.core.interlocks import PERMIT, Verdict
from controller.model import BoardLimits, Command


def clean(duty: float) -> float:
    """A duty in 0..1; anything that is not a number in that range above 0 becomes 0 or 1."""
    if not duty > 0.0:
        return 0.0
    return duty if duty < 1.0 else 1.0


def command(
    verdict: Verdict,
    armed: bool,
    oven_duty: float,
    tank_duty: float,
    shared_circuit: bool,
    *,
    contactor: bool,
    sounder: bool,
    agitator: bool,
    work: bool,
    limits: BoardLimits | None,
) -> Command:
    """What leaves for the board. `contactor`: a zone is in a phase that may heat."""
    close = contactor and verdict.contactor and armed
    oven = clean(oven_duty) if close and verdict.oven == PERMIT else 0.0
    tank = clean(tank_duty) if close and verdict.tank == PERMIT else 0.0
    if shared_circuit and oven + tank > 1.0:
        # One circuit for both: each gets its share, so that the sum stays within full power.
        share = 1.0 / (oven + tank)
        oven, tank = oven * share, tank * share
    return Command(oven, tank, sounder, agitator, close, work, verdict.latched, limits)
