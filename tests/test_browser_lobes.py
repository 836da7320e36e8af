"""The lobes page as a hobbyist and a teacher meet it: move a card, turn the cam, take readings in, take the outline."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from browser_support import LOADING_MS, Served, browser, served, watched  # noqa: F401

pytestmark = pytest.mark.browser

READY = ".ll-lobes .ll-answer"
PATHS = ".ll-lobes .js-plotly-plot .scatterlayer path"
LINES = f"() => [...document.querySelectorAll('{PATHS}')].map((p) => p.getAttribute('d'))"


def open_page(served: Served, browser: Any) -> tuple[Any, Any]:  # noqa: F811
    page, watch = watched(browser, 1366, 768)
    page.goto(served.page("lobes"))
    page.locator(READY).first.wait_for(timeout=LOADING_MS)
    page.locator(".ll-lobes .js-plotly-plot .scatterlayer path").first.wait_for(timeout=60_000)
    return page, watch


def turn_to(page: Any, title: str) -> None:
    page.locator(".ll-pages [role=tab]").filter(has_text=title).first.click()


def test_a_card_moved_by_keyboard_redraws_motion_and_the_share(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    page.wait_for_function(
        "() => document.querySelector('.ll-lobes .ll-answer').innerText.includes('% of the lift area')"
    )
    answer = page.locator(READY).first.inner_text()
    before = page.evaluate(LINES)
    knob = page.locator(".ll-set-candidates-h-flat-intake-lobe-lift input[type=range]")
    for _ in range(4):
        knob.press("ArrowLeft")
    page.wait_for_function(
        f"(before) => JSON.stringify(({LINES})()) !== JSON.stringify(before)", arg=before, timeout=15_000
    )
    page.wait_for_function(
        "(before) => document.querySelector('.ll-lobes .ll-answer').innerText !== before", arg=answer, timeout=15_000
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= 1366
    watch.assert_clean()
    page.context.close()


def test_the_cam_turns_under_both_followers(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    turn_to(page, "Outline")
    page.get_by_text("roller, 0.750 in wheel").first.wait_for(timeout=15_000)
    before = page.evaluate(LINES)
    page.locator(".ll-turn input[type=range]").press("ArrowRight")
    page.wait_for_function(
        f"(before) => JSON.stringify(({LINES})()) !== JSON.stringify(before)", arg=before, timeout=15_000
    )
    watch.assert_clean()
    page.context.close()


def test_readings_of_a_shop_are_taken_in(served: Served, browser: Any, tmp_path: Path) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    turn_to(page, "Readings")
    bad = tmp_path / "bad.csv"
    bad.write_text("cam angle (deg),lobe lift (in)\n0,0.1\n1,oops\n", encoding="utf-8")
    good = served.folder / "data" / "readings" / "invented-intake.csv"
    for file, text in ((bad, "line 3 of bad.csv"), (good, "duration at 0.050 in")):
        with page.expect_file_chooser() as asked:
            page.locator("button.ll-readings-upload").press("Enter")
        asked.value.set_files(file)
        page.get_by_text(text).first.wait_for(timeout=30_000)
    watch.assert_clean()
    page.context.close()


def test_the_outline_is_handed_out_as_a_drawing(served: Served, browser: Any, tmp_path: Path) -> None:  # noqa: F811
    import ezdxf

    page, watch = open_page(served, browser)
    page.locator(".ll-files").press("Enter")
    page.locator(".ll-get-dxf").wait_for(state="visible", timeout=60_000)
    with page.expect_download(timeout=120_000) as asked:
        page.locator(".ll-get-dxf").press("Enter")
    file = tmp_path / asked.value.suggested_filename
    asked.value.save_as(file)
    assert not ezdxf.readfile(file).audit().has_errors
    watch.assert_clean()
    page.context.close()
