"""The sounder: what it says can be told apart, ends by itself, and a trip is over everything else."""

from __future__ import annotations

import pytest

from controller.core.events import KINDS
from controller.core.sounder import CALLS, FIRE, HAND, NEWS, STANDING_S, TRIP, Pattern, Sounder
from controller.model import Event

TICK_S = 0.25


def heard(sounder: Sounder, seconds: float, *, tripped: bool = False, fire: bool = False, first: str = "") -> str:
    """What is heard in each quarter second: # or a dot."""
    events = (Event(first, 0.0, ""),) if first else ()
    said = []
    for _ in range(int(seconds / TICK_S)):
        said.append("#" if sounder.sounds(events, tripped, fire, TICK_S) else ".")
        events = ()
    return "".join(said)


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [(FIRE, "##..##..##......##..##.."), (TRIP, "######..######..######.."), (HAND, "##..##..........##..##.."),
     (NEWS, "##......................")],
)  # fmt: skip
def test_each_pattern_is_its_own(pattern: Pattern, expected: str) -> None:
    assert "".join("#" if pattern.sounds(tick * TICK_S) else "." for tick in range(24)) == expected


def test_a_call_begins_at_once_and_ends_by_itself() -> None:
    sounder = Sounder()
    assert heard(sounder, 8.0, first="oil_ready") == "##..##..........##..##.........."
    assert heard(sounder, 4.0)[:4] == "##.."
    assert "#" not in heard(sounder, 60.0)


def test_news_does_not_cut_short_what_wants_a_hand() -> None:
    sounder = Sounder()
    heard(sounder, 2.0, first="prompt_asked")
    assert heard(sounder, 8.0, first="soak_begun").count("#") == 8
    assert heard(Sounder(), 8.0, first="soak_begun").count("#") == 2


def test_a_standing_trip_sounds_half_an_hour_over_everything_and_again_when_it_comes_again() -> None:
    sounder = Sounder()
    said = heard(sounder, 16.0, tripped=True, first="oil_ready")
    assert said == ("######.." * 8)[1:] + "#"
    assert heard(sounder, 16.0, fire=True).count("##..##..##") == 4, "fire is told apart from a trip"
    assert "#" in heard(sounder, STANDING_S - 24.0, tripped=True)
    assert "#" not in heard(sounder, 60.0, tripped=True)[40:]
    heard(sounder, 1.0)
    assert "#" in heard(sounder, 3.0, tripped=True)


@pytest.mark.parametrize(
    ("first", "fire"), [("interlock_tripped", False), ("board_tripped_again", False), (None, True)]
)
def test_a_trip_or_a_fire_beside_a_trip_that_nobody_reset_is_heard(first: str | None, fire: bool) -> None:
    sounder = Sounder()
    heard(sounder, STANDING_S, tripped=True)
    assert "#" not in heard(sounder, 60.0, tripped=True)
    assert "#" in heard(sounder, 4.0, tripped=True, first=first, fire=fire)
    assert "#" in heard(sounder, STANDING_S - 60.0, tripped=True, fire=fire)[-40:]
    assert "#" not in heard(sounder, 120.0, tripped=True, fire=fire)[-40:]


def test_every_call_is_for_a_kind_of_event_that_there_is() -> None:
    assert set(CALLS) <= set(KINDS)


def test_an_idle_machine_is_silent() -> None:
    assert "#" not in heard(Sounder(), 100.0)
