"""One bit of the guard's state flips while the oven is over its limit and the host goes on asking for heat."""

from __future__ import annotations

from typing import Any

from tests.firmware.guard.host import ffi
from tests.firmware.guard.tape import Player, frame, guard

HOT = 32_000
"""Over the constant as well as over the host's limit."""
OFF_MS = 600
WATCHED_MS = 2_000
MOMENTS = (0, 250, 450, 700)
"""Milliseconds after the oven got too hot: before the first sample that shows it, between the two, after the trip."""


def failures(library: Any = None, moments: tuple[int, ...] = MOMENTS) -> tuple[int, list[str]]:
    """How many flips were tried, and which left heat on for more than 0.6 s."""
    player = Player(guard(2047, library))
    player.play([("wait", 500), ("ready",), ("stream", 11, 1_000, 0, 4)])
    board = player.board
    assert board.oven_on
    player.sense(1, HOT)
    board._wait_for(player.sample)
    board.transmit()
    bytes_of_guard = board.library.guard_bytes()
    memory = ffi.buffer(board.c, board.library.board_bytes())
    head = bytes(memory[: bytes_of_guard + 256])
    frames = b"".join(frame(f"S,{player.sid},{player.seq + n},1000,0,4") for n in range(1, 12))
    found = []
    tried = 0
    for byte in range(bytes_of_guard):
        for bit in range(8):
            for moment in moments:
                memory[: len(head)] = head
                last = board.library.board_heat_after(board.c, byte, bit, moment, WATCHED_MS, frames)
                tried += 1
                if last >= OFF_MS:
                    found.append(f"bit {bit} of byte {byte} flipped after {moment} ms: heat {last} ms later")
    return tried, found
