"""A trip says its figure, in the units that the smith chose."""

from __future__ import annotations

import pytest

from controller.words import sentence
from tests.core.rig import Rig


@pytest.mark.parametrize(
    ("units", "headline"),
    [("C", "Stopped: the oven passed 300 °C. Heat is off."), ("F", "Stopped: the oven passed 572 °F. Heat is off.")],
)
def test_the_headline_of_a_passed_limit_names_it(units: str, headline: str) -> None:
    rig = Rig(oven_c=310.0)
    rig.run(10.0, lambda: rig.phase() == "tripped")
    assert "oven_limit" in rig.tripped()
    assert rig.outcome is not None
    assert sentence(rig.outcome.snapshot, units=units, data_age_s=0.0)[0] == headline  # type: ignore[arg-type]
