"""`ovenhand plan temper` and `plan harden`: the contract's fields, null with a reason, one sentence a fault."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from controller.cli import main


def planned(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    assert main(["plan", *words]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_temper_has_the_fields_of_the_contract(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "plan.json"
    asked = ("--steel", "4140", "--temperature-c", "205", "--time-s", "3600", "--json", str(file))
    plan = planned(capsys, "temper", *asked)
    assert json.loads(file.read_text(encoding="utf-8")) == plan
    # 54.4 HRC at 204.4 °C for 1 h: Grange and Baughman 1956 (published), for a heat of the grade.
    assert plan["low_hrc"] < 54.4 < plan["high_hrc"]
    assert plan["hardness_hrc"] == pytest.approx(54.4, abs=1.5)
    assert plan["model"] == "known grade"
    assert plan["sources"]
    assert isinstance(plan["warnings"], list)


def test_temper_backwards(capsys: pytest.CaptureFixture[str]) -> None:
    plan = planned(capsys, "temper", "--composition", "C=0.6,Mn=0.87,Cr=0.8", "--hardness-hrc", "57")
    assert 150.0 <= plan["temperature_c"] <= 260.0
    assert plan["time_s"] == 3600.0
    assert plan["hardness_hrc"] == pytest.approx(57.0, abs=0.3)


def test_null_has_its_reason(capsys: pytest.CaptureFixture[str]) -> None:
    plan = planned(capsys, "temper", "--steel", "H13", "--temperature-c", "205", "--time-s", "7200")
    assert plan["hardness_hrc"] is plan["low_hrc"] is plan["high_hrc"] is None
    assert "540 to 650 °C" in plan["reason"]
    plan = planned(capsys, "harden", "--steel", "O1", "--section-mm", "25")
    assert plan["ideal_diameter_mm"] is plan["critical_diameter_mm"] is None
    assert "A255" in plan["reasons"]["ideal_diameter_mm"]


def test_harden_has_the_fields_of_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    plan = planned(capsys, "harden", "--composition", "C=0.40,Mn=0.87,Si=0.25,Cr=0.95,Mo=0.2", "--section-mm", "25",
                   "--quench", "oil")  # fmt: skip
    # Andrews 1965 and van Bohemen 2012, published coefficients.
    assert plan["ac1_c"] == pytest.approx(737, abs=1)
    assert plan["ms_c"] == pytest.approx(332, abs=1)
    assert plan["ac3_c"] is not None
    assert 100.0 < plan["ideal_diameter_mm"] < 140.0
    assert 0.0 < plan["critical_diameter_mm"] < plan["ideal_diameter_mm"]
    assert plan["retained_austenite_fraction"] == pytest.approx(0.034, abs=0.002)
    assert plan["result"] == "through"
    assert plan["warnings"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("temper --composition C=12 --temperature-c 205 --time-s 3600", "C is 12 %"),
        ("temper --steel 41400 --temperature-c 205 --time-s 3600", 'Probably "4140" was meant'),
        ("temper --steel 1045 --hardness-hrc 66", "cannot have 66 HRC"),
        ("temper --steel 1045 --temperature-c 900 --time-s 3600", "900 °C is no temper"),
        ("temper --steel 1045 --temperature-c 205", "needs its time"),
        ("harden --steel 1045 --section-mm -3", "section of -3 mm"),
        ("harden --steel 1045 --section-mm 20 --quench milk", "air, oil, water, brine"),
    ],
)
def test_one_sentence_a_fault_and_exit_2(capsys: pytest.CaptureFixture[str], words: str, said: str) -> None:
    assert main(["plan", *words.split()]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert said in told.err
    assert "Traceback" not in told.err


def test_neither_grade_nor_composition_is_a_mistake() -> None:
    with pytest.raises(SystemExit) as caught:
        main(["plan", "temper", "--temperature-c", "205", "--time-s", "3600"])
    assert caught.value.code == 2


def test_a_sheet_is_json_for_programs_and_a_page_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "sheet", "--steel", "5160", "--section-mm", "20", "--use", "struck tool"]) == 0
    told = capsys.readouterr()
    assert json.loads(told.out)["program"]["tempers"][0]["temperature_c"] == 260.0
    for title in ("Coupon", "Hardening", "Quench", "Temper", "Checks", "Cautions"):
        assert f"\n{title}\n" in told.err


def test_a_ladder(capsys: pytest.CaptureFixture[str]) -> None:
    words = "--coupon-mm 12 --rung air=cuts-easily --rung oil=55..60 --origin axle --sparks 0.4,0.6"
    found = planned(capsys, "ladder", *words.split())
    assert found["class"] == "oil hardening"
    assert "4140" in [grade["name"] for grade in found["grades"]]
    open_ended = planned(capsys, "ladder", "--coupon-mm", "12", "--rung", "air=..40", "--rung", "oil=65..")
    assert open_ended["carbon_high"] == 2.5


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("ladder --coupon-mm 12", "The ladder is empty"),
        ("ladder --coupon-mm 12 --rung air=skates --rung oil=cuts-easily", "contradict each other"),
        ("ladder --coupon-mm 12 --rung oil=licks", "is no rung"),
        ("ladder --coupon-mm 12 --rung oil", "is no rung"),
        ("ladder --coupon-mm 12 --rung oil=skates --sparks much", "are no sparks"),
        ("ladder --coupon-mm 12 --rung oil=skates --origin moon", "Nothing is known of the origin"),
        ("sheet --steel 5160 --section-mm 20 --use spoon", "no use"),
        ("sheet --steel 4130 --section-mm 20 --use knife", "makes no knife"),
    ],
)
def test_wrong_ladders_and_sheets(capsys: pytest.CaptureFixture[str], words: str, said: str) -> None:
    assert main(["plan", *words.split()]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert said in told.err
