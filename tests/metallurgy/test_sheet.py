"""The plan sheet: all sections filled, a program that the oven takes, fast, and honest where it cannot."""

from __future__ import annotations

import json
import time

import pytest

from controller.commands.shipped import load_shipped
from controller.metallurgy.sheet import Tank, plan_sheet
from controller.metallurgy.steel import Elements, Steel
from controller.metallurgy.stock import PieceTested
from controller.metallurgy.temper_plan import hardest_hrc
from controller.metallurgy.tempered import Known
from controller.metallurgy.uses import USES
from controller.profiles import parse_program
from controller.profiles.steels import known_steel


@pytest.fixture(scope="module")
def steels() -> dict[str, Steel]:
    return {name: known_steel(profile) for name, profile in load_shipped().steels.items()}


def lines(sheet: dict[str, object], name: str) -> str:
    return " ".join(next(one["lines"] for one in sheet["sections"] if one["name"] == name))  # type: ignore[attr-defined]


def test_every_grade_and_use_has_a_sheet(steels: dict[str, Steel]) -> None:
    for steel in steels.values():
        for use in USES:
            if (hardest_hrc(Known(steel=steel)) or 0.0) < USES[use].low_hrc:
                with pytest.raises(ValueError, match="makes no"):
                    plan_sheet(Known(steel=steel), 20.0, use=use)
                continue
            sheet = plan_sheet(Known(steel=steel), 20.0, use=use)
            json.dumps(sheet, allow_nan=False)
            names = [one["name"] for one in sheet["sections"]]
            assert names == ["coupon", "hardening", "quench", "temper", "checks", "cautions"]
            assert all(one["lines"] for one in sheet["sections"]), (steel.name, use)
            if sheet["program"] is not None:
                assert parse_program(sheet["program"]).tempers


def test_the_program_is_for_the_wanted_hardness(steels: dict[str, Steel]) -> None:
    sheet = plan_sheet(Known(steel=steels["5160"]), 20.0, hardness_hrc=56.0)
    assert sheet["temper"]["hardness_hrc"] == pytest.approx(56.0, abs=0.5)
    assert sheet["program"]["tempers"][0]["temperature_c"] == pytest.approx(sheet["temper"]["temperature_c"], abs=0.5)
    assert "nine of ten" in lines(sheet, "temper")


def test_air_hardening_steel_is_tempered_twice(steels: dict[str, Steel]) -> None:
    sheet = plan_sheet(Known(steel=steels["A2"]), 12.0, use="knife")
    assert len(sheet["program"]["tempers"]) == 2
    assert "twice" in lines(sheet, "temper")


def test_hot_work_steel_has_no_program(steels: dict[str, Steel]) -> None:
    sheet = plan_sheet(Known(steel=steels["H13"]), 20.0, use="hot chisel")
    assert sheet["program"] is None
    assert "540 to 650 °C" in lines(sheet, "temper")
    assert "reddens" in lines(sheet, "checks")


def test_where_the_oven_stops_it_says_so(steels: dict[str, Steel]) -> None:
    spring = plan_sheet(Known(steel=steels["1075"]), 5.0, use="spring")
    assert spring["program"] is None
    assert "hotter furnace" in lines(spring, "temper")
    struck = plan_sheet(Known(steel=steels["5160"]), 20.0, use="struck tool")
    assert struck["program"]["tempers"][0]["temperature_c"] == 260.0
    assert "still in the window" in lines(struck, "temper")


def test_the_tank_as_it_is_now(steels: dict[str, Steel]) -> None:
    warm = plan_sheet(Known(steel=steels["O1"]), 20.0, use="knife", tank=Tank("canola", 52.4, True))
    assert "52 °C, ready" in lines(warm, "quench")
    cold = plan_sheet(Known(steel=steels["O1"]), 20.0, use="knife", tank=Tank("canola", None, False))
    assert "not ready yet" in lines(cold, "quench")
    assert "preheat" in lines(plan_sheet(Known(steel=steels["O1"]), 20.0, use="knife"), "quench")


def test_a_tested_stock_needs_no_coupon(steels: dict[str, Steel]) -> None:
    pieces = (PieceTested(230.0, 3600.0, 53.0, 57.0), PieceTested(230.0, 3600.0, 53.0, 57.0))
    sheet = plan_sheet(Known(steel=steels["5160"], pieces=pieces), 20.0, use="struck tool")
    assert "tested 2 times" in lines(sheet, "coupon")
    assert sheet["temper"]["model"] == "stock tested here"


def test_unknown_stock_after_its_ladder() -> None:
    known = Known(carbon=(0.45, 0.65))
    sheet = plan_sheet(known, 16.0, use="struck tool", quench="oil")
    assert "unknown stock" in sheet["title"]
    assert "Quench in oil" in lines(sheet, "quench")
    assert "coupon" in lines(sheet, "coupon")
    assert sheet["harden"]["ideal_diameter_mm"] is None
    assert sheet["temper"]["model"] == "class"
    assert sheet["temper"]["high_hrc"] - sheet["temper"]["low_hrc"] > 6.0
    json.dumps(sheet, allow_nan=False)


@pytest.mark.parametrize(
    ("known", "more", "said"),
    [(Known(), {"use": "knife"}, "not known"), (Known(elements=Elements(0.5)), {}, "a use"),
     (Known(elements=Elements(0.5)), {"use": "spoon"}, "no use"),
     (Known(elements=Elements(0.5)), {"hardness_hrc": 66.0}, "cannot have")],
)  # fmt: skip
def test_a_wrong_question(known: Known, more: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        plan_sheet(known, 20.0, **more)  # type: ignore[arg-type]


def test_a_whole_plan_takes_less_processor_than_a_blink(steels: dict[str, Steel]) -> None:
    """Under 20 ms in the middle of all grades, fresh sections; processor time: a busy machine does not matter."""
    spent = []
    for index, steel in enumerate(steels.values()):
        start = time.process_time()
        plan_sheet(Known(steel=steel), 18.0 + 0.37 * index, use="struck tool")
        spent.append(time.process_time() - start)
    assert sorted(spent)[len(spent) // 2] < 0.020
