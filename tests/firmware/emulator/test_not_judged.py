"""When the emulator itself crashes or hangs over a trial, that one is listed and counted neither way; all goes on."""

from __future__ import annotations

import pytest

from tests.firmware.emulator import study
from tests.firmware.emulator.campaigns import Result, flips
from tests.firmware.emulator.machine import CYCLES_A_MS, EmulatorError
from tests.firmware.emulator.rig import Bench

SEED = 7


def die_in_a_branch(bench: Bench, hang: bool) -> None:
    with bench.branch():
        bench.board.machine.patience(1)
        bench.stream(500, 1000)
        bench.board.machine.fail(hang=hang)


@pytest.mark.parametrize(("hang", "words"), [(False, "crashed with SIGABRT"), (True, "hung")])
def test_a_branch_that_dies_never_was(heated: Bench, hang: bool, words: str) -> None:
    machine = heated.board.machine
    before = machine.trace_hash()
    heard = len(heated.heard)
    with heated.branch():
        heated.stream(500, 1000)
        with pytest.raises(EmulatorError, match=words):
            die_in_a_branch(heated, hang)
        heated.stream(500, 1000)
        assert heated.board.heating
    assert machine.trace_hash() == before
    assert len(heated.heard) == heard
    cycle = heated.board.cycle
    with heated.branch():
        heated.pass_ms(10)
        assert 0 <= heated.board.cycle - cycle - 10 * CYCLES_A_MS < 5, "within an instruction"


def test_a_trial_that_the_emulator_dies_over_is_named_and_the_others_are_judged(
    heated: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = flips(heated, 5, SEED)
    machine = heated.board.machine
    flip, calls = machine.flip, []

    def third_crashes(at: int, bit: int) -> None:
        calls.append(at)
        flip(at, bit)
        if len(calls) == 3:
            machine.fail(hang=False)

    monkeypatch.setattr(machine, "flip", third_crashes)
    result = flips(heated, 5, SEED)
    assert result.trials == 4
    assert len(result.not_judged) == 1
    assert f"trial 2, seed {SEED}: the emulator crashed" in result.not_judged[0]
    assert result.share_not_judged == 0.2
    assert "4 trials judged, 0 failures, 1 not judged (20 %)" in result.text()
    assert result.off_ms == whole.off_ms[:2] + whole.off_ms[3:]


def test_heat_that_lasted_too_long_before_the_emulator_died_is_a_failure(
    heated: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    pass_ms = heated.pass_ms

    def heats_on_and_crashes(ms: int) -> None:
        if ms == 4_000:
            heated.stream(3_000, 1000)
            heated.board.machine.fail(hang=False)
        pass_ms(ms)

    monkeypatch.setattr(heated, "pass_ms", heats_on_and_crashes)
    result = flips(heated, 1, SEED)
    assert (result.trials, len(result.failures), result.not_judged) == (1, 1, [])


GOOD, FAILED = Result(trials=1000), Result(trials=1000, failures=["heat"])
FEW, MANY = Result(trials=1000, not_judged=["one"]), Result(trials=100, not_judged=["one", "two"])


@pytest.mark.parametrize(
    ("results", "code"),
    [
        ([GOOD], 0),
        ([GOOD, FEW], 0),
        ([GOOD, FAILED], 1),
        ([MANY, FAILED], 1),
        ([GOOD, MANY], 2),
        ([Result(not_judged=["all"])], 2),
        ([Result()], 2),
        ([], 2),
    ],
)
def test_the_studys_exit_code_says_whether_a_judged_trial_failed(results: list[Result], code: int) -> None:
    assert study.exit_code(results) == code


def one_unknown(number: int, seed: int) -> Result:
    return Result(trials=number - 1, not_judged=[f"trial 3, seed {seed}: the emulator hung"])


def test_the_study_prints_the_share_and_each_trial_that_was_not_judged(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(study.CAMPAIGNS, "flips", ("fake", one_unknown, 500))
    result = study.campaign("flips", 1.0, 40, 1)
    printed = capsys.readouterr().out
    assert "fake, seed 40: 498 trials judged, 0 failures, 2 not judged (0.4 %)" in printed
    assert "not judged: trial 3, seed 40: the emulator hung" in printed
    assert "not judged: trial 3, seed 41: the emulator hung" in printed
    assert study.exit_code([result]) == 0
