"""The moving picture on a page of its own, as a class keeps it: play, pause, slider, no network."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import plotly.graph_objects as go
import pytest

from browser_support import browser, watched  # noqa: F401
from lobeledger.page.plots.lobes import riding_animation
from test_outline import FLAT, IN, ROLLER

pytestmark = pytest.mark.browser

SHOWN = "() => document.querySelector('.js-plotly-plot').data[15].x[0]"


def test_play_pause_and_slider(browser: Any, tmp_path: Path) -> None:  # noqa: F811
    page_file = tmp_path / "riding.html"
    go.Figure(riding_animation(FLAT, ROLLER, face_diameter_m=0.842 * IN)).write_html(
        page_file, include_plotlyjs=True, auto_play=False
    )
    page, watch = watched(browser)
    page.goto(page_file.as_uri())
    page.wait_for_selector(".js-plotly-plot .slider-group")
    assert page.evaluate(SHOWN) == -60.0
    page.get_by_text("Play", exact=True).click()
    page.wait_for_function(f"({SHOWN})() > -40.0", timeout=20_000)
    page.get_by_text("Pause", exact=True).click()
    page.wait_for_timeout(300)
    stopped = page.evaluate(SHOWN)
    page.wait_for_timeout(400)
    assert page.evaluate(SHOWN) == stopped
    rail = page.locator(".slider-rail-rect").bounding_box()
    page.mouse.click(rail["x"] + 0.5 * rail["width"], rail["y"] + rail["height"] / 2)
    page.wait_for_function(f"Math.abs(({SHOWN})()) < 10.0", timeout=10_000)
    # All of it stands in a window of 1366 by 768.
    box = page.locator(".js-plotly-plot").bounding_box()
    assert box["y"] + box["height"] <= 768
    # Plotly drops the promise of an animation that Pause interrupts, which the page reports as 'undefined'.
    assert [error for error in watch.errors if error != "undefined"] == []
    assert [url for url in watch.outside if not url.startswith("file://")] == []
