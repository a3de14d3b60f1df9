"""Heat that is interrupted again and again: what even the slowest oven makes of it is asked of every oven."""

from __future__ import annotations

from collections import deque
from math import exp, nan, sqrt
from random import Random

import pytest

from controller.core.facts import NEVER
from controller.core.heat_account import ROUGH, HeatAccount
from controller.core.slowest import Slowest, after, begun
from controller.model import FITTED_DOOR, FITTED_OVEN_LIMIT, LoadItem, Start, Temper
from controller.sim.shop import FULL_KIT
from tests.core.rig import Rig, limits, program
from tests.core.test_watch import Oven


def interrupted(account: HeatAccount, seconds: int, reading_c: float = 60.0, *, shut: bool = False) -> float:
    """Full heat but for every tenth second; what the last second says."""
    said = NEVER
    for at in range(1, seconds + 1):
        said = account.second(reading_c, float(at % 10 != 0), shut)
    return said


def begun_at(reading_c: float = 60.0) -> HeatAccount:
    account = HeatAccount()
    account.begin(reading_c)
    return account


@pytest.mark.parametrize("from_c", [20.0, 60.0, 120.0, 180.0])
@pytest.mark.parametrize(("every_s", "lost_s"), [(5, 1), (30, 1), (40, 5), (100, 58)])
@pytest.mark.parametrize("door_fitted", [False, True])
def test_the_slowest_oven_itself_is_never_told(from_c: float, every_s: int, lost_s: int, door_fitted: bool) -> None:
    """With its probe above or below what is inside, its elements cold or hot; lost as seconds or as a gap."""
    for first in (begun(from_c), Slowest(0.7, from_c, from_c + 15.0), Slowest(0.7, from_c, from_c - 15.0)):
        oven, watched = first, Oven(door_fitted=door_fitted)
        at = 0
        while at < 3600:
            gap_s = lost_s if lost_s > 3 and at % every_s == every_s - 1 else 0
            for _ in range(max(0, gap_s - 2)):
                oven = after(oven, 0.0, 1.0)
            if gap_s:
                watched.watch.missed(float(gap_s))
            lost = gap_s > 0 or at % every_s == every_s - 1
            oven = after(oven, 0.0 if lost else 1.0, 1.0)
            watched.second(oven.probe_c, asked=0.0 if lost else 1.0, target_c=400.0)
            assert watched.facts.oven_no_rise_k < 0.0, at
            at += 1


@pytest.mark.parametrize("from_c", [20.0, 60.0, 120.0, 180.0])
def test_the_slowest_oven_under_full_heat_is_never_told_by_its_means(from_c: float) -> None:
    """The windows would tell it: from cold elements, and close to the hottest that it can be."""
    for first in (begun(from_c), Slowest(0.7, from_c, from_c + 15.0), Slowest(0.7, from_c, from_c - 15.0)):
        oven, account, few = first, HeatAccount(ROUGH), deque([first.probe_c] * 20, maxlen=20)
        for at in range(3600):
            oven = after(oven, 1.0, 1.0)
            few.append(oven.probe_c)
            assert account.second(sum(few) / 20.0, 1.0, False) == NEVER, at


def test_a_rise_by_3_k_begins_it_anew_and_less_does_not() -> None:
    told_s = next(at for at in range(1, 600) if interrupted(begun_at(), at) >= 0.0)
    account = begun_at()
    interrupted(account, told_s - 1)
    assert account.second(62.9, 1.0, False) == pytest.approx(0.1)
    account = begun_at()
    interrupted(account, told_s - 1)
    assert account.second(63.0, 1.0, False) == NEVER
    assert interrupted(account, 100, 63.0) == NEVER
    assert interrupted(account, 200, 63.0) == 3.0


@pytest.mark.parametrize(("fall_k", "shut", "unseen", "told"), [
    (4.9, False, False, True), (5.0, False, False, False), (5.0, True, False, True), (5.0, True, True, False),
])  # fmt: skip
def test_a_fall_that_a_door_may_have_made_begins_it_anew(fall_k: float, shut: bool, unseen: bool, told: bool) -> None:
    account = begun_at()
    interrupted(account, 150, shut=shut)
    if unseen:
        account.missed(1)
    assert (interrupted(account, 150, 60.0 - fall_k, shut=shut) >= 0.0) is told


def test_a_sample_that_is_bad_begins_nothing_anew() -> None:
    account = begun_at()
    interrupted(account, 100)
    assert interrupted(account, 50, nan) == NEVER
    assert interrupted(account, 100) == 3.0
    account.begin(nan)
    assert interrupted(account, 240, nan) == NEVER
    assert interrupted(account, 100) == NEVER
    assert interrupted(account, 200) == 3.0


def test_heat_that_is_hardly_interrupted_is_left_to_the_windows() -> None:
    account = begun_at()
    assert [account.second(60.0, float(at % 200 != 0), False) for at in range(1, 800)] == [NEVER] * 799
    assert account.second(60.0, 0.0, False) == 3.0


def test_an_oven_that_cooled_without_heat_is_judged_from_where_it_is() -> None:
    account = begun_at(200.0)
    for at in range(3600):
        account.second(120.0 + 80.0 * exp(-at / 600.0), 0.0, True)
    assert interrupted(account, 600, 120.0, shut=True) == 3.0


def test_close_to_its_target_and_while_its_door_is_open_nothing_is_counted() -> None:
    for near, door in ((True, False), (False, True), (False, False)):
        oven = Oven(door_fitted=door)
        for at in range(600):
            oven.facts.door_open = float(door and at % 50 == 0)
            # One second close to the target every 50.
            target_c = 65.0 if near and at % 50 == 0 else 200.0
            oven.second(60.0, asked=float(at % 10 != 0), target_c=target_c)
        assert (oven.worst["oven_no_rise_k"] >= 0.0) is not (near or door)


@pytest.mark.parametrize("gap_s", [4.0, 15.0, 60.0])
def test_a_gap_is_no_fast_fall_and_no_short_window(gap_s: float) -> None:
    """A shut oven falls behind it by 0.4 K a second, and its elements need their time again."""
    oven = Oven()
    for at in range(300):
        oven.second(200.0 + 0.05 * at, asked=1.0, target_c=250.0)
    oven.watch.missed(gap_s)
    low_c = 215.0 - 0.4 * gap_s
    for at in range(110):
        oven.second(low_c + 0.02 * at, asked=float(at >= 2), target_c=250.0)
        assert oven.facts.oven_no_rise_k < 0.0, at
    assert oven.worst["oven_fall_asked"] == 0.0
    assert not oven.watch.opened_lately()


@pytest.mark.parametrize("gap_s", [1.75, 5.0])
@pytest.mark.parametrize("fitted", [FULL_KIT, FULL_KIT & ~FITTED_OVEN_LIMIT])
def test_a_cable_that_is_lost_again_and_again_hides_no_sensor_out_of_the_oven(gap_s: float, fitted: int) -> None:
    rig = Rig(limits(cutout="manual reset thermostat"), fitted=fitted, part_sensor=False)
    rig.shop.fault("oven_probe_out")
    rig.arm()
    rig.tick(Start(program(Temper(200.0, 7200.0)), rig.load))
    while rig.now_s < 400.0 and not rig.tripped():
        rig.run(30.0, lambda: bool(rig.tripped()))
        rig.cable = False
        rig.run(gap_s)
        rig.cable = True
    assert rig.tripped() == ["oven_no_rise"]
    assert rig.now_s < 200.0
    assert rig.shop.oven.air_c < 160.0


def test_a_gap_in_the_last_part_of_a_heat_up_goes_on_by_itself() -> None:
    """Drawn oven 22 at full heat, 30 K in two minutes before it; it cooled for 40 s."""
    rig = Rig(seed=22, load=(LoadItem(1.0, 12.0),))
    rig.start(program(Temper(230.0, 3600.0)))
    rig.run(3600.0, lambda: rig.core.facts.oven_c >= 218.0)
    rig.cable = False
    rig.run(40.0)
    rig.cable = True
    rig.run(300.0)
    assert rig.tripped() == []
    assert rig.core.facts.oven_c >= 218.0


def test_means_are_judged_without_a_lost_second_and_by_a_greater_rise() -> None:
    account = HeatAccount(ROUGH)
    account.begin(60.0)
    told_s = next(at for at in range(1, 900) if account.second(60.0, 1.0, False) >= 0.0)
    assert told_s == 369
    assert account.second(71.9, 1.0, False) == pytest.approx(0.1)
    assert account.second(72.0, 1.0, False) == NEVER


@pytest.mark.parametrize(("sigma_k", "memory_s"), [(2.0, 1.0), (3.0, 3.0), (3.0, 10.0)])
@pytest.mark.parametrize("fitted", [FULL_KIT & ~FITTED_DOOR, FULL_KIT & ~FITTED_DOOR & ~FITTED_OVEN_LIMIT])
def test_a_sensor_in_moving_air_outside_the_oven_is_told(sigma_k: float, memory_s: float, fitted: int) -> None:
    """No door switch: whatever the reading does looks like a door that is opened and shut."""
    rng, now_k, keeps = Random("moving air"), 0.0, exp(-0.25 / memory_s)
    rig = Rig(limits(cutout="manual reset thermostat"), fitted=fitted, part_sensor=False)
    rig.shop.fault("oven_probe_out")
    rig.arm()
    rig.tick(Start(program(Temper(200.0, 7200.0)), rig.load))
    while rig.now_s < 1200.0 and not rig.tripped():
        now_k = keeps * now_k + sqrt(1.0 - keeps * keeps) * rng.gauss(0.0, sigma_k)
        rig.shop.probes.offset_k[0] = now_k
        rig.tick()
    assert rig.tripped() == ["oven_no_rise"]
    assert rig.now_s < 500.0
    assert rig.shop.oven.air_c < 300.0


def test_a_door_that_is_opened_again_and_again_in_a_heat_up_is_no_sensor_in_moving_air() -> None:
    rig = Rig(seed=6, load=(LoadItem(5.0, 25.0),), fitted=FULL_KIT & ~FITTED_DOOR)
    rig.start(program(Temper(230.0, 3600.0)))
    expected_k = NEVER
    for at in range(1800 * 4):
        rig.shop.fault("door_open", at % 520 >= 440)
        rig.tick()
        account = rig.core.oven_watch._rough
        expected_k = max(expected_k, account._model.probe_c - account._from_c)
    assert rig.tripped() == []
    assert expected_k < 10.0


def test_a_sensor_that_falls_out_of_a_hot_oven_is_told_behind_a_shut_door_too() -> None:
    """A bad sample every six seconds interrupts the heat. From the cold reading no oven gets to where it was before:
    what is expected is expected from there."""
    fitted = FULL_KIT & ~FITTED_OVEN_LIMIT
    rig = Rig(limits(cutout="yes", tank=False, oil=None), seed=0, fitted=fitted, part_sensor=False)
    rig.start(program(Temper(230.0, 3600.0)))
    out_s: float | None = None
    hottest_c = 0.0
    for quarter in range(1, 4 * 1800):
        rig.shop.fault("oven_sensor_open", quarter % 24 == 0)
        rig.tick()
        if out_s is None and quarter % 24 == 23 and rig.core.facts.oven_c >= 200.0:
            out_s = rig.now_s
            rig.shop.fault("oven_probe_out")
        hottest_c = max(hottest_c, rig.shop.oven.air_c)
        if rig.tripped():
            break
    assert rig.tripped() == ["oven_no_rise"]
    assert out_s is not None
    assert rig.now_s - out_s < 240.0
    assert hottest_c < 275.0
