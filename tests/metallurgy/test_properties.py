"""Whatever steel and question: a sound answer, a reason or a sentence; and what must be monotonous is."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from controller.commands.shipped import load_shipped
from controller.metallurgy.harden_plan import plan_harden
from controller.metallurgy.hardenability import critical_diameter_mm, required_ideal_mm
from controller.metallurgy.hardness import parameter_f, tempered_hrc
from controller.metallurgy.ladder import Rung, judge_ladder
from controller.metallurgy.steel import Elements
from controller.metallurgy.temper_plan import plan_temper
from controller.metallurgy.tempered import Known
from controller.profiles.steels import known_steel

STEELS = [known_steel(profile) for profile in load_shipped().steels.values()]
ANY = st.floats(allow_nan=True, allow_infinity=True)
COMPOSITIONS = st.builds(
    Elements, c=st.floats(0.1, 1.3), mn=st.floats(0, 2), si=st.floats(0, 2), ni=st.floats(0, 4), cr=st.floats(0, 3),
    mo=st.floats(0, 1), v=st.floats(0, 0.5),
)  # fmt: skip
KNOWN = st.one_of(COMPOSITIONS.map(lambda e: Known(elements=e)), st.sampled_from(STEELS).map(lambda s: Known(steel=s)))
FEW = settings(max_examples=80, deadline=None, derandomize=True)


def answer(ask: Callable[[], dict[str, Any]]) -> dict[str, Any] | str:
    """The answer, or the sentences of a wrong question."""
    try:
        return ask()
    except ValueError as error:
        return str(error)


@FEW
@given(KNOWN, st.one_of(ANY, st.floats(60, 700)), st.one_of(ANY, st.floats(600, 1e5)))
def test_a_temper_gets_a_number_a_reason_or_a_sentence(known: Known, temperature_c: float, time_s: float) -> None:
    plan = answer(lambda: plan_temper(known, temperature_c=temperature_c, time_s=time_s))
    if isinstance(plan, str):
        assert plan.endswith(".")
        return
    json.dumps(plan, allow_nan=False)
    if plan["hardness_hrc"] is None:
        assert plan["reason"]
    else:
        assert plan["low_hrc"] < plan["hardness_hrc"] < plan["high_hrc"]
        assert plan["sources"]


@FEW
@given(KNOWN, st.one_of(ANY, st.floats(20, 66)), st.floats(1200, 20000))
def test_backwards_it_hits_or_says_why_not(known: Known, wanted: float, time_s: float) -> None:
    plan = answer(lambda: plan_temper(known, hardness_hrc=wanted, time_s=time_s))
    if isinstance(plan, str):
        assert plan.endswith(".")
        return
    json.dumps(plan, allow_nan=False)
    if plan["temperature_c"] is None:
        assert plan["reason"]
    else:
        assert 60.0 <= plan["temperature_c"] <= 260.0
        assert abs(plan["hardness_hrc"] - wanted) <= 1.1


@FEW
@given(st.floats(0.3, 1.0), st.floats(150, 600), st.floats(5, 60))
def test_hotter_is_softer(carbon: float, temperature_c: float, more_k: float) -> None:
    plain = Elements(carbon, 0.7, 0.25)
    cold = tempered_hrc(plain, parameter_f(temperature_c, 3600.0))
    hot = tempered_hrc(plain, parameter_f(temperature_c + more_k, 3600.0))
    assert hot < cold + 0.05


@FEW
@given(st.floats(2, 300), st.floats(0.02, 5.0), st.floats(1.01, 3.0))
def test_a_deeper_steel_or_a_harsher_quench_hardens_a_thicker_bar(ideal_mm: float, h: float, more: float) -> None:
    bar_mm = critical_diameter_mm(ideal_mm, h)
    assert 0.0 < bar_mm < ideal_mm
    assert math.isclose(required_ideal_mm(bar_mm, h), ideal_mm, rel_tol=1e-6)
    assert critical_diameter_mm(ideal_mm * more, h) > bar_mm
    assert critical_diameter_mm(ideal_mm, h * more) > bar_mm


@FEW
@given(st.one_of(COMPOSITIONS, st.sampled_from(STEELS)), st.one_of(ANY, st.floats(0.5, 300)), st.booleans())
def test_hardening_gets_numbers_or_reasons(steel: object, section_mm: float, flat: bool) -> None:
    elements = steel if isinstance(steel, Elements) else steel.elements  # type: ignore[attr-defined]
    known = None if isinstance(steel, Elements) else steel
    plan = answer(lambda: plan_harden(known, elements, section_mm, flat=flat))  # type: ignore[arg-type]
    if isinstance(plan, str):
        assert plan.endswith(".")
        return
    json.dumps(plan, allow_nan=False)
    for field in ("ac1_c", "ac3_c", "ideal_diameter_mm", "critical_diameter_mm", "mildest_quench"):
        assert plan[field] is not None or plan["reasons"][field], field


RUNGS = st.builds(
    Rung, st.sampled_from(["air", "oil", "water", "brine", "milk"]),
    st.one_of(st.none(), st.sampled_from([40, 50, 60])),
    st.one_of(st.none(), st.sampled_from([45, 55, 65])), st.one_of(st.none(), st.sampled_from(["skates", "cuts hard"])),
)  # fmt: skip


@FEW
@given(st.one_of(ANY, st.floats(1, 60)), st.lists(RUNGS, max_size=4), st.booleans())
def test_any_ladder_is_judged_or_told(coupon_mm: float, rungs: list[Rung], flat: bool) -> None:
    found = answer(lambda: judge_ladder(coupon_mm, rungs, STEELS, flat=flat))
    if isinstance(found, str):
        assert found.endswith(".")
        return
    json.dumps(found, allow_nan=False)
    assert found["class"]
    assert found["next_test"]
