"""A stock's own offset: what tested pieces teach, how the band narrows, and what teaches nothing."""

from __future__ import annotations

from math import sqrt
from random import Random

import pytest

from controller.metallurgy.steel import Elements
from controller.metallurgy.stock import NINETY, PieceTested, Residual, offset_of, within_hrc
from controller.metallurgy.temper_plan import plan_temper
from controller.metallurgy.tempered import Known, predict

STEEL = Elements(0.6, 0.8, 0.25)


def after(pieces: tuple[PieceTested, ...], temperature_c: float = 230.0) -> tuple[float, float]:
    found = predict(Known(elements=STEEL, pieces=pieces), temperature_c, 3600.0)
    assert found.hardness_hrc is not None
    assert found.low_hrc is not None
    assert found.high_hrc is not None
    return found.hardness_hrc, found.high_hrc - found.low_hrc


def piece(middle_hrc: float, temperature_c: float = 230.0, half: float = 2.0) -> PieceTested:
    return PieceTested(temperature_c, 3600.0, middle_hrc - half, middle_hrc + half)


def test_one_piece_moves_the_number_part_of_the_way_and_narrows_the_band() -> None:
    before, wide = after(())
    found, narrow = after((piece(before - 2.0),))
    assert before - 2.0 < found < before
    assert narrow < wide


def test_more_pieces_narrow_it_further_and_end_at_the_stocks_own() -> None:
    before, _ = after(())
    found = [after(tuple([piece(before - 2.0)] * count)) for count in (1, 2, 4, 16)]
    assert [width for _, width in found] == sorted((width for _, width in found), reverse=True)
    assert [hrc for hrc, _ in found] == sorted((hrc for hrc, _ in found), reverse=True)
    assert found[-1][0] == pytest.approx(before - 2.0, abs=0.3)


def test_far_from_the_tested_temper_it_teaches_less() -> None:
    before, _ = after((), 200.0)
    near = after(tuple([piece(before - 2.0, 200.0)] * 4), 200.0)[1]
    far = after(tuple([piece(before - 4.0, 350.0)] * 4), 200.0)[1]
    assert near < far


def test_a_wide_file_band_teaches_less_than_a_narrow_one() -> None:
    before, _ = after(())
    assert after((piece(before - 2.0, half=1.0),))[0] < after((piece(before - 2.0, half=5.0),))[0]


def test_by_hand_and_open_bands_teach_nothing() -> None:
    before = after(())
    by_hand = PieceTested(230.0, 3600.0, 50.0, 52.0, by_hand=True)
    open_band = PieceTested(230.0, 3600.0, 65.0, None)
    assert after((by_hand, open_band)) == before
    assert predict(Known(elements=STEEL, pieces=(by_hand,)), 230.0, 3600.0).model == "composition"


def test_it_says_from_how_many_pieces() -> None:
    for count, said in ((1, "1 tested piece "), (3, "3 tested pieces ")):
        found = predict(Known(elements=STEEL, pieces=tuple([piece(57.0)] * count)), 230.0, 3600.0)
        assert found.model == "stock tested here"
        assert said in found.warnings[0]


def test_a_piece_far_off_is_named() -> None:
    found = predict(Known(elements=STEEL, pieces=(piece(30.0),)), 230.0, 3600.0)
    assert any("hardened through" in warning for warning in found.warnings)


def test_the_offset_is_the_normal_laws() -> None:
    """Prior N(0, 2), one piece at +3 with error 1 and 0.75 within: weights 1/4 and 1/1.5625 = 0.64 (by hand)."""
    half = NINETY * sqrt(4.0 + within_hrc(0.0) ** 2)
    found = offset_of([Residual(3.0, 1.0, 0.0)], -half, half)
    assert found.hrc == pytest.approx(3.0 * 0.64 / (0.25 + 0.64))
    assert found.error_hrc == pytest.approx(sqrt(1.0 / 0.89))


def test_the_band_holds_nine_of_ten_stocks() -> None:
    """Stocks drawn from the prior, tested 1 to 5 times: the next piece's true hardness lies in its band (seed 7)."""
    random = Random(7)
    held = 0
    for _ in range(4000):
        offset = random.gauss(0.0, 1.5)
        half = NINETY * sqrt(1.5**2 + within_hrc(0.0) ** 2)
        errors = [Residual(offset + random.gauss(0.0, sqrt(1.0 + within_hrc(0.0) ** 2)), 1.0, 0.0)
                  for _ in range(random.randint(1, 5))]  # fmt: skip
        found = offset_of(errors, -half, half)
        held += abs(offset + random.gauss(0.0, within_hrc(0.0)) - found.hrc) <= found.half_band_hrc
    assert 0.88 <= held / 4000 <= 0.92


def test_the_plan_uses_the_pieces() -> None:
    plan = plan_temper(Known(elements=STEEL, pieces=(piece(56.0), piece(56.0))), temperature_c=230.0, time_s=3600.0)
    assert plan["model"] == "stock tested here"
    assert plan["high_hrc"] - plan["low_hrc"] < 5.0
