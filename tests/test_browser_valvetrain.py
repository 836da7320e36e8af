"""The valvetrain page: answer first, a slider by keyboard, the speed map, what buys more speed."""

from __future__ import annotations

from typing import Any

import pytest

from browser_support import LOADING_MS, Served, browser, served, watched  # noqa: F401

pytestmark = pytest.mark.browser

READY = ".ll-valvetrain .ll-answer"


def open_page(served: Served, browser: Any) -> tuple[Any, Any]:  # noqa: F811
    page, watch = watched(browser, 1366, 768)
    page.goto(served.page("valvetrain"))
    page.locator(READY).first.wait_for(timeout=LOADING_MS)
    page.locator(".ll-valvetrain .js-plotly-plot .scatterlayer path").first.wait_for(timeout=60_000)
    return page, watch


def test_the_answer_moves_with_a_spring_and_the_map_is_drawn(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    answer = page.locator(READY).first.inner_text()
    assert "alve control holds to" in answer
    assert page.locator(READY).first.bounding_box()["y"] < 300
    knob = page.locator(".ll-set-candidates-h-flat-springs-seat-load input[type=range]")
    for _ in range(5):
        knob.press("ArrowRight")
    page.wait_for_function(
        "(before) => document.querySelector('.ll-valvetrain .ll-answer').innerText !== before",
        arg=answer,
        timeout=20_000,
    )
    page.locator(".ll-pages [role=tab]").filter(has_text="Speed map").first.click()
    page.get_by_text("top rpm").first.wait_for(timeout=20_000)
    assert page.evaluate("document.documentElement.scrollWidth") <= 1366
    watch.assert_clean()
    page.context.close()


def test_what_buys_500_rpm_arrives_by_itself(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    page.locator(".ll-pages [role=tab]").filter(has_text="How to gain").first.click()
    page.locator(".ll-buys .ll-list").first.wait_for(timeout=120_000)
    # the first touch has its low and high once the tries are in
    page.wait_for_function(
        r"() => / rpm \([\d,]+ to [\d,]+\) /.test(document.querySelector('.ll-valvetrain .ll-view-why').textContent)"
    )
    watch.assert_clean()
    page.context.close()
