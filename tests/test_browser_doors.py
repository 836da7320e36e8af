"""Both doors of the one server, in Chromium, on throw-away notebooks that exist only in the served copy."""

import json
import time
from collections.abc import Iterator
from typing import Any
from urllib.request import Request, urlopen

import nbformat
import pytest

from browser_support import LAB_NOTEBOOK, Served, browser, run_all, serve, watched  # noqa: F401

pytestmark = pytest.mark.browser


def _throwaway() -> Any:
    v4 = nbformat.v4
    slider = (
        "import ipywidgets\n"
        "from IPython.display import display\n"
        "turns = ipywidgets.IntSlider(value=3, max=9, description='turns')\n"
        "turns.add_class('throwaway')\n"
        "said = ipywidgets.Label('turns 3')\n"
        "turns.observe(lambda change: setattr(said, 'value', f'turns {change.new}'), 'value')\n"
        "display(turns, said)"
    )
    cells = [
        v4.new_markdown_cell("# Throw-away page\n\nA formula: $x^2$"),
        v4.new_code_cell("print('product', 6 * 7)"),
        v4.new_code_cell(slider),
    ]
    kernel = {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"}
    return v4.new_notebook(cells=cells, metadata={"kernelspec": kernel})


@pytest.fixture(scope="module")
def doors(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serve(tmp_path_factory.mktemp("doors"), {"choose": _throwaway(), "door_b": _throwaway()}) as running:
        yield running


def _turn_the_slider(scope: Any) -> None:
    knob = scope.locator(".throwaway [role=slider]")
    knob.focus()
    knob.press("ArrowRight")
    scope.get_by_text("turns 4", exact=True).wait_for(timeout=10_000)


@pytest.mark.parametrize("width", [1366, 420])
def test_voila_page_is_live_without_a_click(doors: Served, browser: Any, width: int) -> None:  # noqa: F811
    page, watch = watched(browser, width)
    page.goto(doors.page("choose"))
    page.locator(".throwaway").wait_for(state="visible", timeout=60_000)
    assert page.title() == "Lobe Ledger"
    assert page.get_by_text("product 42").is_visible()
    assert page.get_by_text("6 * 7").count() == 0  # code is stripped
    # typeset by the copy of MathJax the page carries: the watch below sees to it that none was fetched
    page.locator("mjx-container").first.wait_for(timeout=20_000)
    _turn_the_slider(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width  # no sideways scroll
    watch.assert_clean()
    page.context.close()


def _kernels(served: Served) -> list[Any]:
    request = Request(f"http://127.0.0.1:{served.port}/api/kernels")
    request.add_header("Authorization", f"token {served.token}")
    with urlopen(request, timeout=5) as answer:
        found: list[Any] = json.load(answer)
    return found


def test_leaving_a_page_ends_its_kernel(doors: Served, browser: Any) -> None:  # noqa: F811
    before = len(_kernels(doors))
    page, watch = watched(browser)
    page.goto(doors.page("choose"))
    page.locator(".throwaway").wait_for(state="visible", timeout=60_000)
    assert len(_kernels(doors)) == before + 1
    page.goto("about:blank")
    end = time.monotonic() + 10
    while len(_kernels(doors)) > before and time.monotonic() < end:
        time.sleep(0.1)
    assert len(_kernels(doors)) == before
    watch.assert_clean()
    page.context.close()


def test_link_bar_leads_to_the_other_pages_and_to_the_notebook(doors: Served, browser: Any) -> None:  # noqa: F811
    page, watch = watched(browser)
    page.goto(doors.page("choose"))
    page.locator(".throwaway").wait_for(state="visible", timeout=60_000)
    bar = page.locator("#ll-bar")
    assert bar.locator("[aria-current=page]").inner_text() == "choose"
    bar.get_by_role("link", name="door b", exact=True).click()
    page.locator(".throwaway").wait_for(state="visible", timeout=60_000)
    assert page.title() == "Lobe Ledger: door b"
    page.locator("#ll-bar .ll-lab").click()  # no token in the link: the cookie of the first visit must do
    page.locator(f"{LAB_NOTEBOOK} .jp-MarkdownCell h1").wait_for(state="visible", timeout=60_000)
    assert "/doc/tree/workbook/door_b.ipynb" in page.url
    watch.assert_clean()
    page.context.close()


def test_notebook_runs_in_jupyterlab(doors: Served, browser: Any) -> None:  # noqa: F811
    page, watch = watched(browser)
    page.goto(doors.lab("choose", workspace="doors"))
    run_all(page)
    panel = page.locator(LAB_NOTEBOOK)
    panel.locator(".throwaway").wait_for(state="visible", timeout=60_000)
    assert panel.locator(".jp-OutputArea-output", has_text="product 42").is_visible()
    _turn_the_slider(panel)
    assert page.locator(".Toastify__toast").count() == 0  # no news, no update notice
    watch.assert_clean()
    page.context.close()


def test_nothing_is_served_without_the_token(doors: Served, browser: Any) -> None:  # noqa: F811
    page, _ = watched(browser)
    page.goto(doors.page("choose").split("?")[0])
    assert "/login" in page.url
    page.context.close()
