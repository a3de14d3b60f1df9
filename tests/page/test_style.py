"""Colours that can be read, and a page that is small."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import pytest

PAGE = Path(__file__).parents[2] / "controller" / "web" / "page"
CSS = (PAGE / "style.css").read_text(encoding="utf-8")


def palettes() -> list[dict[str, str]]:
    light, dark = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)[:2]
    return [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", text)) for text in (light, dark)]


def luminance(colour: str) -> float:
    """Relative luminance by WCAG 2 (published)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_black_on_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("palette", palettes(), ids=["light", "dark"])
def test_every_text_pair_is_above_five_and_the_rule_above_three_and_a_half(palette: dict[str, str]) -> None:
    for ground in ("paper", "card"):
        for text in ("ink", "muted", "steel", "straw", "plum", "good", "stop"):
            assert contrast(palette[text], palette[ground]) > 5.0, (text, ground)
        assert contrast(palette["rule"], palette[ground]) >= 3.5
    assert contrast(palette["on-stop"], palette["stop"]) >= 5.0


def test_script_and_style_fit_in_40_kb() -> None:
    files = [path.read_bytes() for path in PAGE.iterdir() if path.suffix in (".js", ".css")]
    assert sum(len(gzip.compress(data, 9)) for data in files) <= 40_000


def test_nothing_is_fetched_from_elsewhere_and_nothing_stands_inline() -> None:
    for path in PAGE.iterdir():
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text
        assert "https://" not in text
    page = (PAGE / "index.html").read_text(encoding="utf-8")
    assert " style=" not in page
    assert not re.search(r"<script(?![^>]*src=)", page)
    assert "innerHTML" not in "".join(path.read_text(encoding="utf-8") for path in PAGE.glob("*.js"))
