"""Branches of guard.c that only a broken board or an odd kit takes, and the list of those that nothing takes."""

from __future__ import annotations

from pathlib import Path

from tests.firmware.guard.branches import NEVER, not_taken, surprises
from tests.firmware.guard.host import HostBoard, guard_text
from tests.firmware.guard.tape import Player, guard
from tests.firmware.guard.test_agreement import HEATED, compare

DEVELOPERS = Path(__file__).parents[3] / "DEVELOPERS.md"
STABLE_PLACE, STOP_CLOSED = 22, 1 << 1


def heated(fitted: int = 31) -> Player:
    player = Player(guard(fitted))
    player.play([*HEATED, ("duty", 1_000, 0, 4), ("wait", 1_000)])
    player.duty(1_000, 0, 4)
    assert player.board.oven_on
    return player


def run_without_samples(player: Player, ms: int) -> list[bool]:
    """For every millisecond, whether the oven's heater was on; the host goes on commanding."""
    board: HostBoard = player.board
    on = []
    for passed in range(ms):
        if passed % 250 == 0:
            player.duty(1_000, 0, 4)
        board.library.board_run(board.c, 1)
        on.append(board.oven_on)
    return on


def test_samples_older_than_500_ms_are_none() -> None:
    """The sampler stands still while everything else goes on."""
    player = heated()
    to_the_next = 200 - player.board.uptime_ms % 200
    player.wait(to_the_next)
    on = run_without_samples(player, 2_000)
    assert all(on[:500])
    assert not any(on[500:])
    assert player.board.armed, "a sampler that stands still is for the watchdog to mend, not a trip"
    player.wait(400)
    assert player.board.oven_on


def test_a_stop_circuit_that_never_stood_still_since_the_boot_lets_nothing_arm() -> None:
    """It bounces too fast to be believed open or closed: no trip, and a press is counted but does not arm."""
    board = guard(31)
    player = Player(board)
    for turn in range(48):
        board.arm_button = 20 <= turn < 40
        board.stop_closed = turn % 2 == 0
        player.wait(10)
        assert not board.armed
    board.stop_closed = True
    player.wait(250)
    assert (board.trips, board.armed) == (0, False)
    player.listen()
    arms = [line.split(",")[17] for line in player.found if line.startswith("T,")][-1]
    assert arms == "1"
    player.play([("arm",), ("wait", 10)])
    assert board.armed


def test_a_flipped_stop_circuit_takes_the_heat_with_the_very_next_s() -> None:
    """The bit that says "closed" flips; an S comes before the board has looked at its contacts again."""
    player = heated()
    board: HostBoard = player.board
    place = board.get(STABLE_PLACE)
    assert board.memory[place][0] & STOP_CLOSED
    board.memory[place] = bytes([board.memory[place][0] & ~STOP_CLOSED])
    player.duty(1_000, 0, 4)
    assert not board.oven_on
    assert not board.contactor
    assert board.armed


def test_a_limit_sensor_without_its_zone_is_told_and_watches_nothing() -> None:
    """Kit 1 + 2 + 8: the tank's limit sensor is wired, the tank is not."""
    compare(11, [*HEATED, ("sense", 3, 12_000), ("stream", 8, 500, 0, 4), ("duty", 0, 0, 3), ("wait", 3_000)])


# --- the list ---


def test_what_is_never_taken_stands_in_the_source_and_in_developers_md() -> None:
    lines = [line.strip() for line in guard_text().splitlines()]
    table = DEVELOPERS.read_text()
    for never in NEVER:
        assert lines.count(never.text) == 1, never.text
        escaped = never.text.replace("|", "\\|")
        assert f"| `{escaped}` | {never.branches} | {never.reason} |" in table, never.text


def test_a_branch_that_is_not_taken_and_not_known_is_told() -> None:
    report = """
        3:   12:    if (a && b) {
branch  0 taken 3 (fallthrough)
branch  1 taken 0
call    2 returned 3
        -:   13:    }
    #####:   14:    if (c) {
branch  0 never executed
branch  1 never executed
"""
    found = not_taken(report)
    assert found == {"if (a && b) {": 1, "if (c) {": 2}
    told = surprises(found)
    assert "if (a && b) {: 1 branches not taken, 0 known" in told
    assert len(told) == 2 + len(NEVER), "those of the list are missing in this report, which is told as well"
