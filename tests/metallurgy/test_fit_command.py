"""The fit command on rows made from the model itself: it finds the surface again and fills its table."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from controller.metallurgy.hardness import parameter_f, tempered_hrc
from controller.metallurgy.steel import Elements
from tests.metallurgy.fit import fitted, left_out, main, read

HEADER = (
    "Source,Steel type,Initial hardness (HRC) - post quenching,Tempering time (s),Tempering temperature (ºC),C (%wt),"
    "Mn (%wt),P (%wt),S (%wt),Si (%wt),Ni (%wt),Cr (%wt),Mo (%wt),V (%wt),Al (%wt),Cu (%wt),"
    "Final hardness (HRC) - post tempering"
)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve plain and four alloyed heats of our own invention, 0.3 HRC of noise (seed 3)."""
    random = Random(3)
    lines = ["# made rows", HEADER]
    for heat in range(16):
        carbon, chromium = 0.27 + 0.055 * heat, 0.9 if heat % 4 == 3 else 0.0
        elements = Elements(carbon, 0.7, 0.2, cr=chromium)
        for celsius in (100, 150, 205, 260, 315, 370, 430, 480, 540, 595):
            for seconds in (600, 3600, 86400):
                hrc = tempered_hrc(elements, parameter_f(celsius, seconds)) + random.gauss(0.0, 0.3)
                lines.append(
                    f"Made,heat {heat},?,{seconds},{celsius},{carbon},0.7,0,0,0.2,0,{chromium},0,0,0,0,{hrc:.1f}"
                )
    path = tmp_path_factory.mktemp("rows") / "rows.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_it_finds_the_surface_again(file: Path) -> None:
    rows = read(file)
    assert len(rows) > 350
    assert max(abs(error) for _, error in left_out([row for row in rows if 0.35 < row.elements.c < 0.95])) < 2.0
    assert len(fitted([row for row in rows if row.elements.cr == 0.0])) == 12


def test_it_prints_coefficients_bands_and_the_table(
    file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tests.metallurgy.fit.OTHER_TABLE", {("Made", "heat 3"): ("4140", 0)})
    assert main(["--data", str(file)]) == 0
    told = capsys.readouterr().out
    assert "base surface:" in told
    assert "| plain | all | all |" in told
    assert "| alloy | all | all |" in told
    assert "Band drawn without the heat" in told
