"""What is old stays old: the guard's ages stop at their greatest value."""

from __future__ import annotations

from tests.firmware.guard.tape import Player, guard
from tests.firmware.guard.test_agreement import HEATED


def test_what_is_old_does_not_become_young_again() -> None:
    """After 2^32 ms (49.7 days) without a tick less: no arming, no session, no "heat within 120 s"."""
    player = Player(guard(2047))
    player.play(HEATED)
    board = player.board
    assert board.armed
    assert board.contactor
    for _ in range(2):
        board.library.board_stall(board.c, 1 << 31)
        board.library.board_step(board.c)
    assert board.outputs == 0
    assert not board.armed
    player.sense(0, 0, "O")
    player.play([("wait", 2_000)])
    assert board.trips == 0, "the heat of 49.7 days ago does not count"
