"""Every mutant that is let live has a reason, and the lines it speaks of are still in the source."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.study.fast import ROOT
from tests.study.prove import Change, change, mutant, reasons

HEADER = "function,before,after,reason\n"
DIFF = """# controller.core.gate.x_clean__mutmut_3: survived
--- controller/core/gate.py
+++ controller/core/gate.py
@@ -1,3 +1,3 @@
 def clean(duty):
-    return duty if duty > 0.0 else 0.0
+    return duty if duty >= 0.0 else 0.0
"""


def test_a_line_of_the_results() -> None:
    found = mutant("    controller.core.limits.xǁLimitsErrorǁ__init____mutmut_3: survived")
    assert found is not None
    assert found[1:] == ("limits", "LimitsError.__init__", "survived")
    found = mutant("controller.core.interlocks.x__row_state__mutmut_12: no tests")
    assert found is not None
    assert found[1:] == ("interlocks", "_row_state", "no tests")
    assert mutant("To show the results:") is None


def test_what_a_mutant_changes() -> None:
    assert change("clean", DIFF) == Change(
        "clean", "return duty if duty > 0.0 else 0.0", "return duty if duty >= 0.0 else 0.0"
    )


def test_a_reason_must_be_given(tmp_path: Path) -> None:
    (tmp_path / "gate.csv").write_text(HEADER + "clean,a,b,the same at the edge\n", "utf-8")
    assert reasons("gate", tmp_path) == {Change("clean", "a", "b"): "the same at the edge"}
    assert reasons("limits", tmp_path) == {}
    (tmp_path / "gate.csv").write_text(HEADER + "clean,a,b, \n", "utf-8")
    with pytest.raises(ValueError, match=r"gate\.csv: clean, b: no reason is given"):
        reasons("gate", tmp_path)


@pytest.mark.parametrize("file", ["sensing", "limits", "interlocks", "gate"])
def test_the_reasons_speak_of_lines_that_are_still_there(file: str) -> None:
    source = (ROOT / "controller/core" / f"{file}.py").read_text("utf-8")
    text = " / ".join(line.strip() for line in source.splitlines())
    assert [changed.before for changed in reasons(file) if changed.before not in text] == []
