"""The break-in page as a shop meets it: risks ticked, sheets handed out, the record kept, wear judged.

The keyboard does everything a mouse could.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from browser_support import LOADING_MS, Served, browser, served, watched  # noqa: F401

pytestmark = pytest.mark.browser

READY = ".ll-break-in .ll-answer"


def open_page(served: Served, browser: Any) -> tuple[Any, Any]:  # noqa: F811
    page, watch = watched(browser, 1366, 768)
    page.goto(served.page("break_in"))
    page.locator(READY).first.wait_for(timeout=LOADING_MS)
    page.locator(".ll-break-in .ll-list").first.wait_for(timeout=LOADING_MS)
    return page, watch


def turn_to(page: Any, title: str) -> None:
    page.locator(".ll-pages [role=tab]").filter(has_text=title).first.click()


def test_first_screen_holds_the_answer_and_the_order_list(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    box = page.locator(READY).first.bounding_box()
    assert box["y"] + box["height"] < 768
    assert "30 minutes at 2,000 to 3,000 rpm" in page.locator(f"{READY} h2").inner_text()
    assert page.get_by_text("camshaft and lifters").first.is_visible()
    assert page.get_by_text("panels.break_in()").count() == 0, "no code on the page"
    assert page.evaluate("document.documentElement.scrollWidth") <= 1366
    page.locator("#ll-bar a").filter(has_text="choose").click()
    page.locator(".ll-choose .ll-answer").wait_for(timeout=LOADING_MS)
    watch.assert_clean()
    page.context.close()


def test_a_factor_ticked_by_keyboard_moves_the_stakes(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    turn_to(page, "At stake")
    page.locator(".ll-break-in .js-plotly-plot .bars path").first.wait_for(timeout=60_000)
    reasons = page.locator(".ll-break-in .ll-reasons").first
    before = reasons.inner_text()
    page.get_by_role("button", name="Odds of failure", exact=True).press("Enter")
    page.locator(".ll-factors-used-lifters input").press("Space")
    page.wait_for_function(
        "(before) => document.querySelector('.ll-break-in .ll-reasons').innerText !== before",
        arg=before,
        timeout=15_000,
    )
    assert "used lifters" in reasons.inner_text()
    watch.assert_clean()
    page.context.close()


def test_sheets_to_print_are_handed_out(served: Served, browser: Any, tmp_path: Path) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    page.locator(".ll-files").press("Enter")
    page.locator(".ll-get-orders").wait_for(state="visible", timeout=60_000)
    for name, word in (("orders", "Order list"), ("run", "Run")):
        with page.expect_download(timeout=120_000) as asked:
            page.locator(f".ll-get-{name}").press("Enter")
        file = tmp_path / f"{name}.html"
        asked.value.save_as(file)
        text = file.read_text(encoding="utf-8")
        assert word in text and "Hydraulic flat, 204 deg" in text and "<script" not in text
    watch.assert_clean()
    page.context.close()


def test_record_and_wear_on_the_invented_sample(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    turn_to(page, "Record")
    page.locator(".ll-record-which select").select_option(label="Invented sample, nothing is kept")
    page.get_by_text("flat: 1 failed of 2").first.wait_for(timeout=15_000)
    turn_to(page, "Wear")
    page.locator(".ll-wear-build select").select_option(index=0)
    page.locator("button.ll-wear-load").press("Enter")
    page.get_by_text("Stop: 3 exhaust has lost").first.wait_for(timeout=15_000)
    page.locator(".ll-break-in .scatterlayer .point").first.wait_for(timeout=15_000)
    watch.assert_clean()
    assert not list((served.folder / "data").glob("shop.sqlite*")), "looking and the sample leave no file"
    page.context.close()
