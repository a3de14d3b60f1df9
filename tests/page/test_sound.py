"""The page's voice, in a real browser: silent before a tap, then it calls for a trip and for a hand."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.page.browser import chromium
from tests.page.fake import Script
from tests.page.test_page import opened

# Notes every tone that is really asked of the browser's own audio, and whether it may be heard.
SPY = """
window.tones = [];
const start = OscillatorNode.prototype.start;
OscillatorNode.prototype.start = function (at) {
  window.tones.push([this.context.state, this.frequency.value]);
  return start.call(this, at);
};
window.contexts = [];
const Real = AudioContext;
window.AudioContext = function () { const made = new Real(); window.contexts.push(made); return made; };
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def tones(page: Page) -> list[tuple[str, float]]:
    return [(state, pitch) for state, pitch in page.evaluate("window.tones")]


def until(page: Page, holds: str) -> None:
    """Waits for an expression; the page's own policy forbids the browser's usual way, which evaluates a text."""
    for _ in range(100):
        if page.evaluate(holds):
            return
        page.wait_for_timeout(50)
    pytest.fail(f"{holds} did not come true within 5 s")


def tapped(page: Page) -> None:
    """One tap on nothing in particular, as a finger gives it."""
    assert page.evaluate("window.contexts.length") == 0, "no audio is made before a gesture"
    page.touchscreen.tap(160, 60)
    until(page, "window.contexts.length === 1 && window.contexts[0].state === 'running'")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [("soak", "trip_oven", "Stopped"), ("soak", "prompt", "Rinse"), ("soak", "ended", "done"),
     ("oil_preheat", "oil_ready", "ready"), ("oil_ready", "oil_presence_soon", "")],
)  # fmt: skip
def test_it_calls_for_what_is_new(browser: Browser, before: str, after: str, says: str) -> None:
    script = Script(before)
    with opened(browser, script, prepared=SPY, touch=True) as page:
        expect(page.locator("main h1")).to_be_visible()
        tapped(page)
        assert tones(page) == []
        script.state = after
        until(page, "window.tones.length > 0")
        expect(page.locator(".top")).to_contain_text(says)
        heard = tones(page)
        assert {state for state, _ in heard} == {"running"}
        # A trip is told from a hand that is wanted by ear: two pitches against one.
        assert len({pitch for _, pitch in heard}) == (2 if after == "trip_oven" else 1)
        page.wait_for_timeout(900)
        assert tones(page) == heard, "two more snapshots of the same state, and no second call"


def test_without_a_tap_there_is_no_sound(browser: Browser) -> None:
    script = Script("soak")
    with opened(browser, script, prepared=SPY, touch=True) as page:
        expect(page.locator(".top h1")).to_contain_text("Soaking")
        script.state = "trip_oven"
        expect(page.locator(".top h1")).to_contain_text("Stopped")
        assert (tones(page), page.evaluate("window.contexts.length")) == ([], 0)
        # The first tap in a tripped shop is answered: a trip stands until somebody has reset it.
        tapped(page)
        until(page, "window.tones.length > 0")


def test_the_sound_can_be_tried(browser: Browser) -> None:
    with opened(browser, Script("soak"), "Shop", prepared=SPY, touch=True) as page:
        page.get_by_role("button", name="Try the sound").tap()
        expect(page.locator("#said")).to_contain_text("Three tones.")
        assert [state for state, _ in tones(page)] == ["running"] * 3
