"""The ladder on coupons of unknown stock: classes, carbon, grades that remain, the next test, contradictions."""

from __future__ import annotations

from typing import Any

import pytest

from controller.commands.shipped import load_shipped
from controller.metallurgy import hardenability as hard
from controller.metallurgy.hardenability import required_ideal_mm
from controller.metallurgy.ladder import ORIGINS, Rung, judge_ladder
from controller.metallurgy.steel import Steel
from controller.profiles.steels import known_steel

EASY, HARD, SKATES = "cuts easily", "cuts hard", "skates"


@pytest.fixture(scope="module")
def steels() -> list[Steel]:
    return [known_steel(profile) for profile in load_shipped().steels.values()]


def one_file(**results: str) -> list[Rung]:
    return [Rung(medium, one_file=result) for medium, result in results.items()]


def names(found: dict[str, Any]) -> set[str]:
    return {grade["name"] for grade in found["grades"]}


@pytest.mark.parametrize(
    ("bar_mm", "h", "inches"),
    # Ideal diameter for half martensite at a round's centre (computed from Grossmann's rule).
    [(3.2, 0.02, 3.3), (6.35, 0.02, 4.66), (9.5, 0.25, 1.66), (12.7, 0.35, 1.65), (12.7, 1.0, 1.06), (19.0, 0.5, 1.79),
     (19.0, 5.0, 0.92), (6.35, 2.0, 0.53)],
)  # fmt: skip
def test_required_ideal_diameters(bar_mm: float, h: float, inches: float) -> None:
    assert required_ideal_mm(bar_mm, h) / 25.4 == pytest.approx(inches, abs=0.04)


def test_oil_hardening_stock(steels: list[Steel]) -> None:
    found = judge_ladder(12.0, one_file(air=EASY, oil=SKATES), steels, origin="coil or leaf spring")
    assert found["class"] == "oil hardening"
    assert {"5160", "O1"} <= names(found)
    assert not {"A2", "D2", "1045"} & names(found)
    assert found["grades"][0]["name"] in ORIGINS["coil or leaf spring"]
    assert found["first_plan"]["quench"] == "oil"
    assert found["first_plan"]["low_hrc"] < found["first_plan"]["hardness_hrc"] < found["first_plan"]["high_hrc"]


def test_water_hardening_stock_with_graded_files(steels: list[Steel]) -> None:
    rungs = [*one_file(air=EASY, oil=EASY), Rung("water", skates_hrc=55, bites_hrc=60)]
    found = judge_ladder(12.0, rungs, steels, origin="axle")
    assert found["class"] == "water hardening"
    # 53 to 62 HRC as quenched is 0.34 to 0.52 % C, backwards through the published polynomial.
    assert (found["carbon_low"], found["carbon_high"]) == (0.34, 0.52)
    assert "1045" in names(found)
    assert "4140" not in names(found)
    assert found["ideal_low_mm"] < 23.0 < found["ideal_high_mm"]


def test_a_thin_coupon_hard_in_air_is_not_called_air_hardening(steels: list[Steel]) -> None:
    """A 6 mm coupon of 4140 hardens in air, its 25 mm bar does not (computed: 4.66 in needed, 4.78 there)."""
    found = judge_ladder(6.0, one_file(air=SKATES), steels)
    assert "thin" in found["class"]
    assert {"4140", "A2"} <= names(found)
    assert "10 to 13 mm" in found["next_test"]
    assert any("where a thick bar may not" in warning for warning in found["warnings"])
    thick = judge_ladder(12.0, one_file(air=SKATES), steels)
    assert thick["class"] == "air hardening"
    assert "10 to 13 mm" not in thick["next_test"]
    assert {"A2", "D2", "S7"} <= names(thick)


def test_mild_steel_does_not_harden(steels: list[Steel]) -> None:
    found = judge_ladder(12.0, one_file(air=EASY, oil=EASY, water=EASY, brine=EASY), steels)
    assert "does not harden" in found["class"]
    assert found["first_plan"] is None
    assert found["carbon_high"] == 0.3


def test_the_next_test_climbs_the_ladder(steels: list[Steel]) -> None:
    assert "oil" in judge_ladder(12.0, one_file(air=EASY), steels)["next_test"]
    assert "water" in judge_ladder(12.0, one_file(air=EASY, oil=HARD), steels)["next_test"]
    assert "oil" in judge_ladder(12.0, one_file(water=SKATES), steels)["next_test"]
    assert "Graded files" in judge_ladder(12.0, one_file(air=EASY, oil=SKATES), steels)["next_test"]
    graded = [Rung("air", None, 40), Rung("oil", 55, 60)]
    assert "205 °C" in judge_ladder(12.0, graded, steels)["next_test"]


def test_every_grade_remains_or_says_why_not(steels: list[Steel]) -> None:
    for rungs in (one_file(air=EASY, oil=SKATES), one_file(water=HARD), one_file(air=SKATES)):
        found = judge_ladder(10.0, rungs, steels)
        assert names(found) | {one["name"] for one in found["ruled_out"]} == {steel.name for steel in steels}
        assert not names(found) & {one["name"] for one in found["ruled_out"]}
        assert all(one["why"] for one in found["ruled_out"])


@pytest.mark.parametrize("size", [6.0, 12.0, 20.0])
def test_a_known_bar_is_never_ruled_out_by_its_own_ladder(steels: list[Steel], size: float) -> None:
    """What the computed hardenability of a grade would do in each quench leaves that grade in."""
    for steel in steels:
        if hard.refusal(steel.elements, steel.family) or steel.elements.c < 0.43:
            continue
        rungs = []
        for medium in hard.MEDIA:
            ideal_mm, h = hard.ideal_diameter_mm(steel.elements), hard.severity_per_in(medium)
            skin = hard.required_ideal_mm(size, h, surface=True)
            result = SKATES if skin <= ideal_mm else HARD if skin <= 1.4 * ideal_mm else EASY
            rungs.append(Rung(medium, one_file=result))
        assert steel.name in names(judge_ladder(size, rungs, steels)), (steel.name, size)


def test_weak_evidence_is_called_weak_and_rules_nothing_out(steels: list[Steel]) -> None:
    rungs = one_file(air=EASY, oil=SKATES)
    plain = judge_ladder(12.0, rungs, steels)
    weak = judge_ladder(12.0, rungs, steels, origin="bearing", spark_carbon=(0.9, 1.1))
    assert names(plain) == names(weak)
    assert weak["grades"][0]["name"] == "52100"
    assert any("weak" in text for text in weak["grades"][0]["for"])


@pytest.mark.parametrize(
    ("coupon_mm", "rungs", "said"),
    [
        (12.0, [], "empty"),
        (12.0, one_file(air=SKATES, oil=EASY), "contradict"),
        (12.0, one_file(milk=SKATES), "no rung"),
        (12.0, [Rung("oil", one_file=SKATES), Rung("oil", one_file=EASY)], "twice"),
        (12.0, [Rung("oil", 60, 55)], "skates and the 55 file bites"),
        (12.0, [Rung("oil")], "No file is given"),
        (12.0, [Rung("oil", one_file="licks")], "skates, cuts hard"),
        (0.0, one_file(oil=SKATES), "best 10 to 13"),
        (float("nan"), one_file(oil=SKATES), "best 10 to 13"),
    ],
)
def test_bad_input_gets_a_sentence(steels: list[Steel], coupon_mm: float, rungs: list[Rung], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        judge_ladder(coupon_mm, rungs, steels)


def test_every_fault_at_once(steels: list[Steel]) -> None:
    with pytest.raises(ValueError, match=r"(?s)coupon.*empty.*origin.*Sparks"):
        judge_ladder(0.0, [], steels, origin="moon", spark_carbon=(1.0, 0.5))
