"""Charts and controls never fall behind: with the time to initialise gone, and on a slow computer.

A widget's model has two seconds to initialise; one that misses them hears nothing for ever after. The first test takes
the time away from every model; the second slows the browser down, as a busy or old computer does.
"""

from __future__ import annotations

import os
import time
from typing import Any

import pytest

from browser_support import LOADING_MS, Served, browser, served, watched  # noqa: F401

pytestmark = pytest.mark.browser

# Seconds after loading at which another build is chosen on the slow computer; more by LOBELEDGER_STALE_WAITS=8,12,...
WAITS_S = [float(each) for each in os.environ.get("LOBELEDGER_STALE_WAITS", "8,16").split(",")]
SLOWED = 5
LAST_WORD_S = 14.0

# The page's own timers are spoilt only for the two seconds that a model is given.
NO_TIME = """() => {
  const timeout = AbortSignal.timeout.bind(AbortSignal);
  const until = Date.now() + 30000;
  AbortSignal.timeout = (ms) => timeout(ms === 2000 && Date.now() < until ? 1 : ms);
}"""

# Names in each chart of the page that has any, and the cams of the board, as they stand.
CHARTS = """() => [...document.querySelectorAll('.ll-choose .js-plotly-plot')].map((g) =>
  [...new Set((g._fullData || []).flatMap((t) => t.type === 'bar' ? [...t.y] : [t.name]))]
    .filter((name) => name && !/^trace |break-even|5 to 95|, before$/.test(name)))"""
BOARD = "() => [...document.querySelectorAll('.ll-choose .ll-board .name')].map((each) => each.textContent)"


def stale_charts(page: Any) -> list[list[str]]:
    """Charts that show another build than the board does; scrolled through, for those out of sight may wait."""
    page.evaluate("() => document.querySelector('.ll-choose .ll-more').scrollIntoView()")
    page.wait_for_timeout(1500)
    cams = page.evaluate(BOARD)
    charts = page.evaluate(CHARTS)
    assert len(charts) == 4, charts
    return [
        names
        for names in charts
        if not names or not all(any(cam.startswith(name.rstrip("…")[:20]) for cam in cams) for name in names)
    ]


def choose(page: Any, build: str) -> None:
    """Choose a build and wait until the board has it and the charts had their time."""
    before = page.evaluate(BOARD)
    page.locator(".ll-picker select").select_option(build)
    page.wait_for_function(
        f"(before) => JSON.stringify(({BOARD})()) !== JSON.stringify(before)", arg=before, timeout=90_000
    )
    page.wait_for_timeout(1000 * LAST_WORD_S)


def test_models_that_had_no_time_to_initialise_are_replaced(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = watched(browser)
    page.add_init_script(f"({NO_TIME})()")
    page.goto(served.page("choose"))
    page.locator(".ll-choose .ll-board").wait_for(timeout=LOADING_MS)
    page.locator(".ll-choose .js-plotly-plot .main-svg").first.wait_for(timeout=LOADING_MS)
    page.wait_for_timeout(45_000)
    assert [error for error in watch.errors if "nitialize" in error], "no model was made deaf: the test tests nothing"
    choose(page, "weekend-racer")
    assert stale_charts(page) == []
    # Controls and files too: what the kernel says reaches them.
    years = page.locator(".ll-set-use-years input[type=number]")
    was = years.input_value()
    years.fill("3")
    years.press("Tab")
    page.locator(".ll-undo:not([aria-disabled=true])").click()
    page.wait_for_function(
        "(was) => document.querySelector('.ll-set-use-years input[type=number]').value === was", arg=was, timeout=20_000
    )
    page.locator(".ll-files").click()
    with page.expect_download(timeout=30_000) as hoped:
        page.locator(".ll-get-table").click()
    assert hoped.value.suggested_filename.endswith("-table.csv")
    page.context.close()


@pytest.mark.parametrize("wait_s", WAITS_S)
def test_no_chart_is_stale_on_a_slow_computer(served: Served, browser: Any, wait_s: float) -> None:  # noqa: F811
    page, _ = watched(browser)
    page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
    page.goto(served.page("choose"))
    page.locator(".ll-picker select").wait_for(timeout=LOADING_MS)
    end = time.monotonic() + wait_s
    while time.monotonic() < end:
        page.wait_for_timeout(250)
    choose(page, "weekend-racer")
    stale = stale_charts(page)
    assert stale == [], stale
    page.context.close()
