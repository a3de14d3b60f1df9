"""The smith's way through the page, on the real service: pair, arm, start, soak, finish, record."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page, expect

from tests.page.browser import PHONE, chromium
from tests.shop.process import ShopProcess, shop

PROGRAM = """
name = "short <b>temper</b>"
use = "A short one."
note = ""
source = "A test's own."

[[tempers]]
temperature_c = 80
soak_min = 2
band_c = 8
"""


def paired(page: Page, running: ShopProcess) -> None:
    page.goto(running.url)
    page.get_by_label("Code").fill(running.code())
    page.get_by_role("button", name="Pair").click()
    expect(page.get_by_role("heading", level=1)).not_to_contain_text("Pair")


def test_pair_arm_start_soak_finish_record(tmp_path: Path) -> None:
    own = tmp_path / "profiles" / "programs"
    own.mkdir(parents=True)
    (own / "short.toml").write_text(PROGRAM, encoding="utf-8")
    with shop(tmp_path) as running, chromium() as browser:
        page = browser.new_page(viewport=PHONE)  # type: ignore[arg-type]
        wrong: list[str] = []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        paired(page, running)
        head = page.get_by_role("heading", level=1)
        expect(page.locator("#line")).to_contain_text("Rehearsal: no real heat")
        page.get_by_role("button", name="Press arm").click()
        expect(page.locator("#line")).to_contain_text("Armed,")
        page.get_by_role("button", name="Start a temper").click()
        item = page.locator("main li", has_text="short <b>temper</b>")
        expect(item.get_by_role("heading")).to_have_text("short <b>temper</b>")
        item.get_by_role("button", name="Choose").click()
        page.locator("[name=section]").fill("4")
        page.locator("[name=mass]").fill("0.1")
        page.get_by_role("button", name="Next").click()
        expect(page.locator("dialog")).to_contain_text("0.1 kg, 4 mm thick")
        expect(page.locator("dialog")).to_contain_text("about")
        page.locator("dialog").get_by_role("button", name="Start", exact=True).click()
        expect(head).to_contain_text("Bringing")
        expect(head).to_contain_text("Soaking", timeout=60_000)
        expect(head).to_contain_text("is done", timeout=60_000)
        page.get_by_role("button", name="Book", exact=True).click()
        page.get_by_role("button", name="short <b>temper</b>").click()
        expect(page.locator("main")).to_contain_text("2 of 2 min in band")
        expect(page.get_by_role("link", name="Trace as CSV")).to_be_visible()
        assert wrong == []


def test_stop_is_always_in_reach_and_a_trip_says_what_to_do(tmp_path: Path) -> None:
    with shop(tmp_path) as running, chromium() as browser:
        page = browser.new_page(viewport={"width": 320, "height": 640})
        paired(page, running)
        for place in ("Now", "Programs", "Steel", "Book", "Shop"):
            page.get_by_role("button", name=place, exact=True).click()
            expect(page.locator("main h1").first).to_be_visible()
            box = page.locator("#stop").bounding_box()
            assert box is not None
            assert box["height"] >= 56
            assert box["y"] + box["height"] <= 640
            assert page.evaluate("document.documentElement.scrollWidth") <= 320, place
        page.get_by_role("button", name="Now", exact=True).click()
        running.arm()
        running.post("oven/start", {"program": "drift", "load": [{"mass_kg": 0.3, "section_mm": 12}]})
        running.until(lambda: running.status()["oven"]["asked_duty"] > 0)
        page.locator("#stop").click()
        running.until(lambda: running.status()["oven"]["phase"] == "ready")
        running.post("oven/start", {"program": "drift", "load": [{"mass_kg": 0.3, "section_mm": 12}]})
        running.until(lambda: running.status()["oven"]["asked_duty"] > 0)
        running.post("rehearsal", {"fault": "oven_sensor_open", "on": True})
        expect(page.get_by_role("alert")).to_contain_text("Stopped:", timeout=15_000)
        expect(page.get_by_role("alert")).to_contain_text("reset button")


def test_a_viewer_sees_and_may_only_stop(tmp_path: Path) -> None:
    with shop(tmp_path) as running, chromium() as browser:
        page = browser.new_page(viewport=PHONE)  # type: ignore[arg-type]
        page.goto(running.url)
        page.get_by_label("Code").fill(running.code("viewer"))
        page.get_by_role("button", name="Pair").click()
        expect(page.locator("#stop")).to_be_visible()
        expect(page.get_by_role("button", name="Warm the oil")).to_have_count(0)
        expect(page.get_by_role("button", name="Start a temper")).to_have_count(0)
        page.locator("#stop").click()
        expect(page.locator("#said")).to_contain_text("no heat is asked for")
