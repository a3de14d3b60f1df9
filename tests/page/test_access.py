"""Everybody can use it: the rules of axe on every state and place, contrast as it is really drawn, calm where asked."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import axe_playwright_python
import pytest
from playwright.sync_api import Browser, Page, expect

from controller.words import sentence
from tests.page.browser import PHONE, chromium
from tests.page.fake import Script, fake
from tests.page.shop_states import STATES
from tests.page.test_page import said

AXE: Final = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
RULES: Final = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]},
    "resultTypes": ["violations"],
}
PLACES: Final = ("Now", "Programs", "Steel", "Book", "Shop")

# Every text that is shown, with the contrast of its colour on the first ground behind it that is painted (WCAG 2,
# published); nothing of ours is half transparent where text stands.
CONTRAST: Final = """() => {
  const parts = (text) => text.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) => [r, g, b].map((c) => c / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4))
    .reduce((sum, c, index) => sum + c * [0.2126, 0.7152, 0.0722][index], 0);
  const ground = (one) => {
    for (let here = one; here; here = here.parentElement) {
      const painted = parts(getComputedStyle(here).backgroundColor);
      if (painted.length === 3 || painted[3] === 1) return painted;
    }
    return [255, 255, 255];
  };
  const found = [];
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const one = texts.currentNode.parentElement, text = texts.currentNode.textContent.trim();
    if (!text || !one.checkVisibility({ visibilityProperty: true })) continue;
    let opacity = 1;
    for (let here = one; here; here = here.parentElement) opacity *= Number(getComputedStyle(here).opacity);
    const [high, low] = [luminance(parts(getComputedStyle(one).color)), luminance(ground(one))].sort((a, b) => b - a);
    found.push([text.slice(0, 40), (high + 0.05) / (low + 0.05), opacity]);
  }
  return found;
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def violations(page: Page) -> list[tuple[str, list[str]]]:
    """What axe finds in the page as it stands, in light and in dark: rule and places."""
    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        told: dict[str, Any] = page.evaluate("(rules) => axe.run(document, rules)", RULES)
        found += [(f"{scheme}: {one['id']}", [node["html"] for node in one["nodes"]]) for one in told["violations"]]
        faint = [one for one in page.evaluate(CONTRAST) if one[1] < 5.0 or one[2] < 1.0]
        found += [(f"{scheme}: contrast below 5", [str(one) for one in faint])] if faint else []
    return found


def opened(browser: Browser, address: str, place: str = "") -> Page:
    # Only so that axe itself can be put into the page: its own policy allows no foreign script.
    context = browser.new_context(viewport=PHONE, bypass_csp=True, locale="en-GB")  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(f"{address}/#{place}")
    expect(page.locator("main h1")).to_be_visible()
    page.evaluate(AXE)
    return page


def test_the_check_finds_what_is_wrong(browser: Browser) -> None:
    with fake(Script("soak")) as address:
        page = opened(browser, address)
        page.evaluate(
            "document.querySelector('main').append("
            "Object.assign(document.createElement('img'), { src: '/page/icon.svg' }),"
            " Object.assign(document.createElement('p'), { textContent: 'faint', style: 'color: #888' }))"
        )
        names = [name for name, _ in violations(page)]
        assert "light: image-alt" in names
        assert "light: contrast below 5" in names


def test_no_state_breaks_a_rule(browser: Browser) -> None:
    script = Script("nothing_on", mode="rehearsal")
    with fake(script) as address:
        page = opened(browser, address)
        for state in STATES:
            script.state = state
            headline, _ = sentence(STATES[state](), units="C", data_age_s=0.1)
            expect(page.locator(".fire h1" if state == "fire" else ".top h1")).to_have_text(said(headline))
            assert violations(page) == [], state


def test_nothing_that_is_opened_breaks_a_rule(browser: Browser) -> None:
    script = Script("oil_ready", mode="rehearsal")
    with fake(script) as address:
        page = opened(browser, address)
        page.evaluate("document.querySelectorAll('main details').forEach((one) => { one.open = true; })")
        assert violations(page) == []
        for name in ("I quenched", "Oil off"):
            page.get_by_role("button", name=name).click()
            assert violations(page) == [], name
            if page.locator("dialog").is_visible():
                page.get_by_role("button", name="Back").click()
        script.silent = True
        expect(page.locator(".top h1")).to_contain_text("No data", timeout=10_000)
        assert violations(page) == []


@pytest.mark.parametrize("place", PLACES)
def test_no_place_breaks_a_rule(browser: Browser, place: str) -> None:
    with fake(Script("nothing_on_armed")) as address:
        page = opened(browser, address, place)
        page.wait_for_timeout(300)
        page.evaluate("document.querySelectorAll('main details').forEach((one) => { one.open = true; })")
        assert violations(page) == []
        if place == "Programs":
            page.get_by_role("button", name="Choose double temper").click()
            assert violations(page) == []
            page.get_by_role("button", name="Next").click()
            expect(page.locator("dialog")).to_contain_text("if heat comes now")
            assert violations(page) == []
        if place == "Book":
            page.locator("main button").first.click()
            expect(page.locator("main")).to_contain_text("Trace as CSV")
            assert violations(page) == []


def test_the_pairing_breaks_no_rule(browser: Browser) -> None:
    script = Script("soak")
    script.paired = False
    with fake(script) as address:
        page = opened(browser, address, "pair=WRONG234")
        page.get_by_role("button", name="Pair").click()
        expect(page.get_by_role("alert")).not_to_be_empty()
        assert violations(page) == []


def test_nothing_moves_where_less_motion_is_asked(browser: Browser) -> None:
    moving = (
        "[...document.querySelectorAll('*')].filter((one) => parseFloat(getComputedStyle(one).animationDuration) > 0"
        " || parseFloat(getComputedStyle(one).transitionDuration) > 0).map((one) => one.id || one.className)"
    )
    with fake(Script("soak")) as address:
        page = opened(browser, address)
        page.locator("#stop").click()
        expect(page.locator("#said")).not_to_be_empty()
        page.emulate_media(reduced_motion="no-preference")
        assert page.evaluate(moving) == ["said"], "the one thing that moves, so that the check is known to see it"
        page.emulate_media(reduced_motion="reduce")
        assert page.evaluate(moving) == []
