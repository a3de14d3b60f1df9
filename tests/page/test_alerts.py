"""Messages in the Shop place: what was told, "Seen", a channel that fails, and the test button."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.page.browser import chromium
from tests.page.fake import HOSTILE, Script
from tests.page.test_page import opened


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


def test_messages_are_listed_marked_as_seen_and_tried(browser: Browser) -> None:
    script = Script("soak")
    with opened(browser, script, "Shop", "F") as page:
        messages = page.locator("section").filter(has=page.get_by_role("heading", name="Messages"))
        expect(messages).to_contain_text(f"The oil is ready. {HOSTILE}")
        expect(messages).to_contain_text("Stopped: the oven passed 572\u00a0°F.")
        expect(messages).to_contain_text("seen by Shop phone 1")
        expect(messages).to_contain_text("my phone: The other end did not answer.")
        expect(messages).to_contain_text("2 waiting. 1 given up.")
        expect(messages).to_contain_text("mail: gets through")
        buttons = messages.get_by_role("button", name="Seen")
        expect(buttons).to_have_count(1)
        with page.expect_response("**/alerts/41/seen"):
            buttons.click()
        assert ("alerts/41/seen", {}) in script.asked
        messages.get_by_role("button", name="Send a test").click()
        expect(page.locator("#said")).to_contain_text("A test is on its way by 2 channels.")


def test_a_viewer_reads_and_presses_nothing(browser: Browser) -> None:
    with opened(browser, Script("soak", role="viewer"), "Shop") as page:
        messages = page.locator("section").filter(has=page.get_by_role("heading", name="Messages"))
        expect(messages).to_contain_text("The oil is ready.")
        expect(messages.get_by_role("button")).to_have_count(0)
