"""Critical temperatures, hardenability and the hardening plan against published and computed values with sources."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special

from controller.commands.shipped import load_shipped
from controller.metallurgy import conduction, critical, hardenability
from controller.metallurgy.harden_plan import plan_harden
from controller.metallurgy.steel import Elements, Steel
from controller.profiles.steels import known_steel

IN = 25.4


@pytest.fixture(scope="module")
def steels() -> dict[str, Steel]:
    return {name: known_steel(profile) for name, profile in load_shipped().steels.items()}


E1045 = Elements(0.45, 0.75, 0.25)
E4140 = Elements(0.40, 0.87, 0.25, 0.0, 0.95, 0.2)
E4340 = Elements(0.40, 0.70, 0.25, 1.82, 0.80, 0.25)
E5160 = Elements(0.60, 0.87, 0.25, 0.0, 0.80)


def test_andrews() -> None:
    # JISI 203 (1965) 721, published coefficients.
    assert critical.ac1_andrews_c(E1045) == pytest.approx(722.25, abs=0.05)
    assert critical.ac1_andrews_c(E4140) == pytest.approx(737.02, abs=0.05)
    assert critical.ac3_andrews_c(E1045) == pytest.approx(785.0, abs=0.05)
    assert critical.ac3_andrews_c(E4340) == pytest.approx(773.0, abs=0.05)
    assert critical.ac3_andrews_c(E5160) == pytest.approx(763.93, abs=0.05)


def test_van_bohemen() -> None:
    # Mater. Sci. Technol. 28 (2012) 487, published coefficients.
    for elements, ms_c in ((E1045, 328.03), (E4140, 331.56), (E4340, 304.97), (E5160, 264.07)):
        assert critical.ms_van_bohemen_c(elements) == pytest.approx(ms_c, abs=0.05)


@pytest.mark.parametrize(
    ("elements", "measured_c", "tolerance"),
    # Measured (published): Wentzien et al., steel research international 95 (2024) 2400210.
    [
        (Elements(0.41, 0.86, 0.30, 0.11, 1.06, 0.23), 310, 30),
        (Elements(0.41, 0.70, 0.25, 1.80, 0.80, 0.25), 301, 30),
        (Elements(0.60, 0.85, 0.25, 0.0, 0.75), 265, 35),
        (Elements(0.51, 0.72, 0.27, 0.0, 0.94, 0.0, 0.2), 318, 40),
        (Elements(0.60, 0.72, 0.20, 0.20, 0.17, 0.03), 270, 35),
        (Elements(0.84, 0.62, 0.23, 0.0, 0.04), 221, 40),
        (Elements(1.02, 0.36, 0.33, 0.2, 1.41), 143, 60),
        (Elements(0.90, 1.07, 0.30, 0.0, 0.49, w=0.63), 200, 70),
        (Elements(0.48, 0.27, 0.67, 0.14, 1.2, w=2.34), 295, 45),
    ],
)
def test_measured_ms(elements: Elements, measured_c: float, tolerance: float) -> None:
    found = critical.critical(None, elements)
    assert found.ms_c == pytest.approx(measured_c, abs=tolerance)
    assert found.ms_low_c < found.ms_c < found.ms_high_c


@pytest.mark.parametrize(
    ("grade", "ac1_c", "ac3_c"),
    # ASM approximate critical temperatures (from memory); A2, D2, L6 published data sheets. 15 °C.
    [("1060", 725, 765), ("1080", 730, 735), ("4130", 760, 810), ("4140", 730, 805), ("4340", 725, 775),
     ("5160", 710, 765), ("52100", 725, 770), ("6150", 750, 790), ("9260", 745, 815), ("D2", 788, 845),
     ("A2", 793, 840), ("L6", 720, 760)],
)  # fmt: skip
def test_critical_temperatures_of_grades(steels: dict[str, Steel], grade: str, ac1_c: float, ac3_c: float) -> None:
    found = critical.critical(steels[grade], steels[grade].elements)
    assert found.ac1_c == pytest.approx(ac1_c, abs=15)
    assert found.ac3_c == pytest.approx(ac3_c, abs=15)


@pytest.mark.parametrize(("ms_c", "fraction"), [(350, 0.028), (300, 0.0486), (150, 0.2528)])
def test_retained_austenite(ms_c: float, fraction: float) -> None:
    # Koistinen and Marburger, Acta Metall. 7 (1959) 59 (published).
    assert critical.retained_austenite(ms_c) == pytest.approx(fraction, abs=0.0005)


def test_a255() -> None:
    # Worked example of SAE 4118 modified and formulas, published transcription of A255.
    f, base = hardenability.factor, hardenability.carbon_base_in
    assert base(0.22) == pytest.approx(0.119, abs=0.0055)
    for element, percent, value in (("si", 0.18, 1.126), ("mo", 0.25, 1.75), ("cu", 0.1, 1.04), ("v", 0.05, 1.09)):
        assert f(element, percent) == pytest.approx(value, abs=0.0055)
    for carbon, inches in ((0.30, 0.162), (0.45, 0.2251), (0.60, 0.2621), (0.70, 0.283)):
        assert base(carbon) == pytest.approx(inches, abs=0.0005)
    assert f("mn", 1.5) == pytest.approx(6.53, abs=0.005)
    assert f("ni", 1.82) == pytest.approx(1.6888, abs=0.002)
    example = Elements(0.22, 0.80, 0.18, 0.10, 0.43, 0.25, 0.05, cu=0.10)
    assert hardenability.ideal_diameter_mm(example) / IN == pytest.approx(1.94, abs=0.02)


@pytest.mark.parametrize(
    ("grade", "inches"), [("1045", 0.91), ("1080", 1.22), ("4130", 2.48), ("4140", 4.78), ("4340", 6.75)]
)
def test_ideal_diameter_of_grades(steels: dict[str, Steel], grade: str, inches: float) -> None:
    # Computed from the A255 formulas at the middle of the grade's range.
    assert hardenability.ideal_diameter_mm(steels[grade].elements) / IN == pytest.approx(inches, abs=0.05)


@pytest.mark.parametrize(
    ("ideal_in", "h", "bar_in"),
    # Computed: half-temperature time of an infinite cylinder's centre (rule of Grossmann, Asimow and Urban 1939).
    [(1, 0.35, 0.194), (1, 1.0, 0.453), (2, 1.0, 1.292), (3, 0.5, 1.709), (4, 0.35, 2.201), (4, 0.02, 0.185)],
)
def test_critical_diameter(ideal_in: float, h: float, bar_in: float) -> None:
    found_mm = hardenability.critical_diameter_mm(ideal_in * IN, h)
    assert found_mm / IN == pytest.approx(bar_in, abs=0.003)
    assert hardenability.required_ideal_mm(found_mm, h) == pytest.approx(ideal_in * IN, rel=1e-6)


@pytest.mark.parametrize(
    ("medium", "how", "low", "high"),
    # Grossmann and Bain's table (still and violent published, the rest from memory).
    [("oil", "none", 0.25, 0.30), ("oil", "strong", 0.5, 0.8), ("water", "none", 0.9, 1.0), ("water", "violent", 4, 4),
     ("brine", "none", 2, 2), ("brine", "violent", 5, 5), ("air", "none", 0.02, 0.02), ("oil", "mild", 0.30, 0.35),
     ("oil", "moderate", 0.35, 0.40), ("oil", "good", 0.4, 0.5), ("water", "mild", 1.0, 1.1),
     ("water", "moderate", 1.2, 1.3), ("water", "good", 1.4, 1.5), ("water", "strong", 1.6, 2.0)],
)  # fmt: skip
def test_severities(medium: str, how: str, low: float, high: float) -> None:
    assert hardenability.SEVERITY_PER_IN[medium][how] == (low, high)
    assert low <= hardenability.severity_per_in(medium, how) <= high


@pytest.mark.parametrize(
    ("bi", "root", "constant"),
    # Incropera and DeWitt, table 5.1 (published).
    [(0.1, 0.4417, 1.0246), (1.0, 1.2558, 1.2071), (10.0, 2.1795, 1.5677)],
)
def test_one_term(bi: float, root: float, constant: float) -> None:
    first = conduction.cylinder_terms(bi)[0]
    assert first[:2] == pytest.approx((root, constant), abs=0.0001)


def test_the_series_against_scipy() -> None:
    x = np.linspace(0.0, 18.5, 200)
    ours = np.array([conduction.bessel_j0_j1(float(value)) for value in x])
    assert np.allclose(ours[:, 0], special.j0(x), atol=1e-9)
    assert np.allclose(ours[:, 1], special.j1(x), atol=1e-9)
    for bi in (0.003, 0.05, 0.7, 3.0, 40.0):
        roots = [term[0] for term in conduction.cylinder_terms(bi)]
        assert roots == sorted(roots)
        assert np.allclose([z * special.j1(z) - bi * special.j0(z) for z in roots], 0.0, atol=1e-8)
        half = optimize.brentq(lambda fo, bi=bi: conduction.cylinder_temperature(bi, fo) - 0.5, 0.05, 1e4 / 1.0)
        assert conduction.half_temperature_fo(bi) == pytest.approx(half, rel=1e-9)


@pytest.mark.parametrize(
    ("bi", "fo", "centre", "surface"), [(1.0, 0.5, 0.54859, 0.35279), (0.1, 5.0, 0.3863, 0.36769)]
)
def test_the_series(bi: float, fo: float, centre: float, surface: float) -> None:
    # Exact series of 60 terms (computed).
    assert conduction.cylinder_temperature(bi, fo) == pytest.approx(centre, abs=0.0002)
    assert conduction.cylinder_temperature(bi, fo, surface=True) == pytest.approx(surface, abs=0.0002)


@pytest.mark.parametrize(("bar_mm", "minutes"), [(6.0, 4.8), (12.7, 10.2), (25.4, 20.4), (50.8, 40.7)])
def test_time_to_come_to_heat(bar_mm: float, minutes: float) -> None:
    # Lumped: rho c (d/4) / h with h = 20 W/m2K (computed); three of it for 25.4 mm are 61 min, "an hour an inch".
    assert conduction.oven_time_constant_s(bar_mm) / 60.0 == pytest.approx(minutes, abs=0.1)


# --- The plan --------------------------------------------------------------------------------------------


def plan(steel: Steel, section_mm: float, **more: object) -> dict[str, object]:
    return plan_harden(steel, steel.elements, section_mm, **more)  # type: ignore[arg-type]


def test_a_thin_coupon_of_4140_hardens_in_air_and_its_bar_does_not(steels: dict[str, Steel]) -> None:
    """Its ideal diameter is 4.8 in; 3 to 6 mm need 3.3 to 4.7 in still air, a 25 mm bar far more (computed)."""
    thin, bar = plan(steels["4140"], 6.0), plan(steels["4140"], 25.0)
    assert thin["mildest_quench"] == "air"
    assert bar["mildest_quench"] == "oil"
    assert bar["result"] == "through"
    assert any("still air" in text for text in plan(steels["4140"], 6.0, quench="oil")["warnings"])  # type: ignore[attr-defined]


def test_1045_takes_oil_only_when_thin(steels: dict[str, Steel]) -> None:
    """Rounds under 6.35 mm may be quenched in oil (a heat treater's guide, published); 2.5 mm tolerance."""
    oil = plan(steels["1045"], 25.0, quench="oil")
    assert oil["critical_diameter_mm"] == pytest.approx(6.35, abs=2.5)
    assert oil["result"] == "not"
    water = plan(steels["1045"], 25.0)
    assert (water["mildest_quench"], water["result"]) == ("water", "shell")


def test_air_hardening_steel_in_water_is_warned_of(steels: dict[str, Steel]) -> None:
    for grade in ("A2", "D2", "S7"):
        found = plan(steels[grade], 20.0, quench="water")
        assert found["mildest_quench"] == "air"
        assert any("crack" in text for text in found["warnings"])  # type: ignore[attr-defined]
        assert any("harsher" in text for text in found["warnings"])  # type: ignore[attr-defined]
        assert found["ideal_diameter_mm"] is None
        assert found["reasons"]["ideal_diameter_mm"]  # type: ignore[index]
        assert found["tempers"] == 2


def test_where_the_magnet_misleads(steels: dict[str, Steel]) -> None:
    for grade in ("A2", "D2", "H13", "S7", "S1", "S5"):
        assert not plan(steels[grade], 20.0)["magnet"]["useful"]  # type: ignore[index]
    for grade in ("1045", "1075", "1095", "5160", "O1", "W1"):
        found = plan(steels[grade], 20.0)["magnet"]
        assert found["useful"]  # type: ignore[index]
        assert "while heating" in found["text"]  # type: ignore[index]


def test_every_grade_has_a_plan_or_the_reason(steels: dict[str, Steel]) -> None:
    for steel in steels.values():
        for section_mm in (3.0, 12.0, 25.0, 60.0):
            found = plan(steel, section_mm)
            for field in ("ac1_c", "ac3_c", "ms_c", "ideal_diameter_mm", "critical_diameter_mm", "mildest_quench"):
                assert found[field] is not None or found["reasons"][field], (steel.name, field)  # type: ignore[index]
            assert 0.0 < found["retained_austenite_fraction"] < 0.5  # type: ignore[operator]
            assert found["warnings"]
            assert len(found["rules"]) >= 4  # type: ignore[arg-type]
            assert found["sources"]


def test_the_embrittlement_range_against_the_temper(steels: dict[str, Steel]) -> None:
    assert any("brittle" in text for text in plan(steels["4140"], 20.0, temper_c=300.0)["warnings"])  # type: ignore[attr-defined]
    assert not any("brittle" in text for text in plan(steels["4140"], 20.0, temper_c=205.0)["warnings"])  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("elements", "section_mm", "more", "said"),
    [(E1045, 0.0, {}, "section"), (E1045, float("nan"), {}, "section"), (E1045, 20.0, {"quench": "milk"}, "air, oil"),
     (Elements(0.08), 20.0, {}, "does not harden"), (E1045, 20.0, {"agitation": "wild"}, "violent")],
)  # fmt: skip
def test_a_wrong_question(elements: Elements, section_mm: float, more: dict[str, str], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        plan_harden(None, elements, section_mm, **more)  # type: ignore[arg-type]


def test_the_magnet_is_not_advised_where_it_misleads(steels: dict[str, Steel]) -> None:
    assert "Try the magnet often on the way up." in plan(steels["1084"], 20.0)["rules"]
    assert "Try the magnet often on the way up." not in plan(steels["S5"], 20.0)["rules"]
