"""Debian's Chromium, headless, without the network services it would look for."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
PHONE = {"width": 360, "height": 740}


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser for one test."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()
