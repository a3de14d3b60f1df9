"""The power cut: of the board, of the computer, of both. Nothing heats by itself afterwards, and the run can go on."""

from __future__ import annotations

import json

import pytest

from controller.core.resume import aged
from controller.core.tick import Core
from controller.model import LoadItem, Resume, Temper
from controller.wire.link import Link
from tests.core.rig import Rig, limits, program

DARK_S = 90.0
WATCHED_S = 300.0


def in_its_soak(seed: int) -> Rig:
    """A run twenty minutes into its soak."""
    rig = Rig(limits(), seed=seed, load=(LoadItem(0.1, 6.0),))
    rig.start(program(Temper(150.0, 2400.0)))
    rig.run(3600.0, until=lambda: rig.core.oven.run is not None and rig.core.oven.run.now.soak_done_s > 1200.0)
    assert rig.phase() == "soak"
    return rig


def host_starts_anew(rig: Rig, gap_s: float) -> None:
    """Another process with what the last one left in the book, through JSON as there."""
    state = json.loads(json.dumps(rig.core.state()))
    rig.core = Core(limits(), state=aged(state, gap_s))
    rig.link = Link()
    rig.link.port_changed("")
    rig.out = b""


@pytest.mark.parametrize("cut", ["board", "computer", "both"])
@pytest.mark.parametrize("seed", [0, 11])
def test_after_a_power_cut_nothing_heats_until_it_is_armed_and_resumed(cut: str, seed: int) -> None:
    rig = in_its_soak(seed)
    had = rig.core.oven.state()
    assert had is not None
    board = rig.shop.board
    if cut != "computer":
        board.power_cut()
    # Without power the oven cools, and whoever still has some finds nobody to talk to.
    for _ in range(round(DARK_S / 0.25)):
        if cut == "board":
            rig.tick()
        else:
            rig.shop.exchange(b"", 0.25)
            rig.now_s += 0.25
    if cut != "computer":
        board.power_on()
    if cut != "board":
        host_starts_anew(rig, DARK_S)
    began_s = rig.now_s
    heated = []
    while rig.now_s < began_s + WATCHED_S:
        rig.tick()
        heated.append(board.oven_on or board.tank_on)
    assert not any(heated), f"seed {seed}: heat came back by itself"
    run_id = had["run_id"]
    assert rig.core.oven.resumable_run_id == run_id
    rig.tick(Resume(run_id))
    assert rig.phase() == "waiting_for_arm"
    rig.run(20.0)
    assert not board.oven_on
    rig.arm()
    rig.run(3600.0, until=lambda: rig.phase() == "soak")
    run = rig.core.oven.run
    assert run is not None
    # The soak goes on where it was. Cooling and heating again temper a little more, which counts too, as it should.
    assert 1200.0 <= had["done"][0]["soak_done_s"] <= run.now.soak_done_s <= had["done"][0]["soak_done_s"] + 120.0
    assert run.now.trace.equivalent_s >= had["done"][0]["equivalent_s"]
    rig.run(3600.0, until=lambda: rig.phase() == "ended")
    assert rig.phase() == "ended"
    assert rig.tripped() == []


def test_the_offer_says_how_long_it_stood_and_what_the_steel_has_had() -> None:
    rig = in_its_soak(0)
    host_starts_anew(rig, 2.6 * 3600.0)
    rig.run(3.0)
    (offered,) = [event.text for event in rig.events if event.kind == "run_resumable"]
    minutes = round(rig.core.oven.resumed_run().now.trace.equivalent_s / 60.0)  # type: ignore[union-attr]
    assert 19 <= minutes <= 30
    assert offered == (
        "Run 1 was cut off and can go on. It has stood for 2 h 36 min. "
        f"Temper 1 has done what {minutes} min at its temperature would."
    )
