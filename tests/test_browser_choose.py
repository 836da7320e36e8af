"""The choose page as a customer meets it, through both doors: answer, sliders, a mistake, saving, sheets.

The keyboard does everything a mouse could.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from browser_support import LAB_NOTEBOOK, LOADING_MS, Served, browser, run_all, served, watched  # noqa: F401

pytestmark = pytest.mark.browser

READY = ".ll-choose .ll-answer"
CHART = ".ll-choose .ll-chart-box .scatterlayer path"


def open_page(served: Served, browser: Any, *, width: int = 1366, height: int = 768) -> tuple[Any, Any]:  # noqa: F811
    page, watch = watched(browser, width, height)
    page.goto(served.page("choose"))
    page.locator(READY).wait_for(timeout=LOADING_MS)
    page.locator(CHART).first.wait_for(timeout=60_000)
    return page, watch


def until(page: Any, script: str, before: Any) -> None:
    """Wait until what `script` says differs from what it said before."""
    page.wait_for_function(f"(before) => JSON.stringify(({script})()) !== before", arg=before, timeout=60_000)


def state(page: Any, script: str) -> str:
    return str(page.evaluate(f"() => JSON.stringify(({script})())"))


def open_files(page: Any) -> None:
    """Open the tray of what is opened, saved and handed out."""
    if page.locator(".ll-files[aria-expanded=false]").count():
        page.locator(".ll-files").press("Enter")
        page.locator(".ll-files[aria-expanded=true]").wait_for(timeout=15_000)
        page.locator("button.ll-upload").wait_for(state="visible", timeout=15_000)


def choose_file(page: Any, file: Path) -> None:
    """Press the button and answer the file window, all by keyboard."""
    open_files(page)
    with page.expect_file_chooser() as asked:
        page.locator("button.ll-upload").press("Enter")
    asked.value.set_files(file)


ANSWER = "() => document.querySelector('.ll-choose .ll-answer').dataset.answer"
BOARD = "() => document.querySelector('.ll-choose .ll-board').textContent"
TABLE = "() => document.querySelector('.ll-choose .ll-side-table').textContent"
LINES = f"() => [...document.querySelectorAll('{CHART}')].map((p) => p.getAttribute('d'))"
SMALLEST = """() => Math.min(...[...document.querySelectorAll('.ll-panel *')]
  .filter((e) => e.checkVisibility() && [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim()))
  .map((e) => parseFloat(getComputedStyle(e).fontSize)))"""


def set_number(page: Any, name: str, value: float) -> None:
    box = page.locator(f".{name} input[type=number]")
    box.fill(f"{value:g}")
    box.press("Tab")


def test_first_screen_holds_answer_board_and_chart(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    assert page.title() == "Lobe Ledger"
    box = page.locator(READY).bounding_box()
    assert box["y"] + box["height"] < 768, "the answer stands on the first screen"
    for part in (".ll-board", ".ll-chart-box .ll-chart"):
        box = page.locator(part).bounding_box()
        assert box["y"] + box["height"] <= 768, part
    assert page.locator(".ll-board tbody tr").count() == 4
    assert page.locator(".ll-board .lim .chip").count() == 20, "five limits of four cams"
    assert page.evaluate(SMALLEST) >= 14.0
    assert page.get_by_text("panels.choose()").count() == 0, "no code on the page"
    assert page.get_by_text("The same in plain cells").locator("visible=true").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= 1366
    watch.assert_clean()
    page.context.close()


def test_a_slider_moved_by_keyboard_changes_answer_board_and_table(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    shown = [(script, state(page, script)) for script in (ANSWER, BOARD, TABLE)]
    knob = page.locator(".ll-set-use-years input[type=range]")
    knob.focus()
    knob.press("ArrowLeft")
    assert knob.get_attribute("aria-label") == "Years you'll own it" and knob.get_attribute("aria-valuetext") == "7"
    for script, before in shown:
        until(page, script, before)
    watch.assert_clean()
    page.context.close()


def test_a_number_typed_moves_the_chart_and_leaves_the_old_lines_in_grey(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    lines = state(page, LINES)
    set_number(page, "ll-set-use-highest-speed", 5600)
    until(page, LINES, lines)
    page.locator(".ll-chart-box [data-ghosts='4']").wait_for(timeout=15_000)
    assert page.locator(".ll-set-use-highest-speed .ll-was").inner_text() == "was 4,800 rpm"
    watch.assert_clean()
    page.context.close()


def test_undo_redo_and_keep_as_baseline(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    start, years = state(page, ANSWER), page.locator(".ll-set-use-years input[type=number]")
    set_number(page, "ll-set-use-years", 3)
    page.locator(".ll-change", has_text="less to own than when opened").wait_for(timeout=15_000)
    moved = state(page, ANSWER)
    assert page.locator(".ll-board ins").count() == 4
    page.locator(".ll-undo").press("Enter")
    until(page, ANSWER, moved)
    assert state(page, ANSWER) == start and years.input_value() == "8"
    page.locator(".ll-undo").press("Control+y")
    until(page, ANSWER, start)
    assert years.input_value() == "3"
    page.locator(".ll-keep").press("Enter")
    page.locator(".ll-change").wait_for(state="detached", timeout=15_000)
    assert page.locator(".ll-board ins").count() == 0
    watch.assert_clean()
    page.context.close()


@pytest.mark.parametrize(("width", "height"), [(800, 1280), (390, 844)])
def test_the_answer_stays_in_sight_while_a_slider_moves(
    served: Served,  # noqa: F811
    browser: Any,  # noqa: F811
    width: int,
    height: int,
) -> None:
    page, watch = open_page(served, browser, width=width, height=height)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    knob = page.locator(".ll-set-limits-budget input[type=range]")
    knob.scroll_into_view_if_needed()
    knob.focus()
    before = state(page, ANSWER)
    knob.press("Home")
    until(page, ANSWER, before)
    top, slider = page.locator(READY).bounding_box(), knob.bounding_box()
    assert top["y"] >= 0.0 and top["y"] + top["height"] <= slider["y"] < height
    watch.assert_clean()
    page.context.close()


def test_the_page_prints_on_two_sheets(served: Served, browser: Any, tmp_path: Path) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    page.locator(".ll-choose .ll-reasons").get_by_text("Measure next").wait_for(timeout=90_000)
    page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(500)
    pdf = tmp_path / "page.pdf"
    page.pdf(path=pdf, format="A4")
    said = subprocess.run(["pdftotext", "-layout", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    sheets = said.rstrip("\f\n").split("\f")
    assert len(sheets) == 2
    for words in (
        "Budget cruiser (invented)",
        "Choose Hydraulic flat, 204 deg",
        "in doubt",
        "engine rpm",
        "Why, and what",
    ):
        assert words in sheets[0], words
    assert "All figures" in sheets[1] and "Lobe nose stress" in sheets[1]
    assert "Undo" not in said and "What you can change" not in said
    watch.assert_clean()
    page.context.close()


def test_every_control_is_reached_by_the_keyboard(served: Served, browser: Any) -> None:  # noqa: F811
    page, _ = open_page(served, browser)
    seen = set()
    open_files(page)
    page.locator(".ll-picker select").focus()
    for _ in range(60):
        page.keyboard.press("Tab")
        seen.add(page.evaluate("(document.activeElement.closest('[class*=ll-]') || document.activeElement).className"))
        seen.add(
            page.evaluate(
                "(document.activeElement.closest('[data-key], .ll-fold') || document.activeElement).className"
            )
        )
    reached = " ".join(seen)
    for name in ("ll-system", "ll-keep", "ll-files", "ll-fresh", "ll-save", "ll-get-quote", "ll-reset",
                 "ll-set-use-highest-speed", "ll-set-use-years", "ll-fold", "ll-enter-sheet"):  # fmt: skip
        assert name in reached, (name, reached)
    page.context.close()


def test_a_mistake_is_one_sentence_and_recovery_needs_no_reload(served: Served, browser: Any, tmp_path: Path) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    before = state(page, ANSWER)
    bad = tmp_path / "räder.toml"
    text = (served.folder / "data" / "builds" / "towing-engine.toml").read_text(encoding="utf-8")
    bad.write_text(text.replace("[engine]", "[engin]", 1), encoding="utf-8")
    choose_file(page, bad)
    error = page.locator(".ll-error[role=alert]")
    error.wait_for(timeout=15_000)
    said = error.inner_text()
    assert "räder.toml" in said and "engine" in said and "Traceback" not in said and "\n" not in said.strip()
    assert state(page, ANSWER) == before
    good = tmp_path / "good.toml"
    good.write_text(text, encoding="utf-8")
    choose_file(page, good)
    until(page, ANSWER, before)
    error.wait_for(state="detached", timeout=15_000)
    watch.assert_clean()
    page.context.close()


def test_save_and_reload(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    years = int(re.search(r"over (\d+) years", state(page, ANSWER)).group(1))  # type: ignore[union-attr]
    knob = page.locator(".ll-set-use-years input[type=range]")
    knob.focus()
    for _ in range(3):
        knob.press("ArrowRight")
    # The answer names its years, so what is read is the third press's, not one on the way to it.
    page.locator(READY, has_text=f"over {years + 3} years").wait_for(timeout=30_000)
    moved = state(page, ANSWER)
    open_files(page)
    page.locator(".ll-save-name input").fill("our own ü")
    page.locator(".ll-save-name input").press("Tab")
    page.locator(".ll-save").press("Enter")
    page.locator(".ll-note").get_by_text("Saved").wait_for(timeout=15_000)
    assert (served.folder / "data" / "builds" / "our own ü.toml").exists()
    page.reload()
    page.locator(READY).wait_for(timeout=LOADING_MS)
    page.locator(".ll-picker select").select_option("our own ü")
    page.wait_for_function(f"(said) => JSON.stringify(({ANSWER})()) === said", arg=moved, timeout=15_000)
    watch.assert_clean()
    page.context.close()


@pytest.mark.parametrize("build", ["budget-cruiser", "towing-engine", "weekend-racer"])
def test_customer_sheet_prints_on_two_pages(served: Served, browser: Any, tmp_path: Path, build: str) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    if build != "budget-cruiser":
        before = state(page, ANSWER)
        page.locator(".ll-picker select").select_option(build)
        until(page, ANSWER, before)
    # The doubt follows the first answer, and may change its words.
    page.locator(".ll-choose .ll-reasons").get_by_text("Measure next").wait_for(timeout=90_000)
    answer = page.locator(READY).get_attribute("data-answer")
    open_files(page)
    with page.expect_download(timeout=120_000) as hoped:
        page.locator(".ll-get-sheet").press("Enter")
    sheet = tmp_path / "sheet.html"
    hoped.value.save_as(sheet)
    paper, paper_watch = watched(browser)
    paper.goto(sheet.as_uri())
    assert paper.locator(".answer").inner_text() == answer
    for size in ("A4", "Letter"):
        pdf = tmp_path / f"{size}.pdf"
        paper.pdf(path=pdf, format=size, prefer_css_page_size=False)
        said = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True).stdout
        pages = next(line.split()[-1] for line in said.splitlines() if line.startswith("Pages"))
        assert pages == "2", (build, size, pages)
    assert [u for u in paper_watch.outside if not u.startswith("file:")] == []
    watch.assert_clean()
    paper.context.close()
    page.context.close()


def test_quote_and_table_are_handed_out(served: Served, browser: Any, tmp_path: Path) -> None:  # noqa: F811
    page, watch = open_page(served, browser)
    open_files(page)
    for which, ending in (("quote", "-quote.html"), ("table", "-table.csv"), ("build", ".toml")):
        with page.expect_download(timeout=120_000) as hoped:
            page.locator(f".ll-get-{which}").press("Enter")
        assert hoped.value.suggested_filename.endswith(ending)
        target = tmp_path / hoped.value.suggested_filename
        hoped.value.save_as(target)
        assert target.stat().st_size > 500
    watch.assert_clean()
    page.context.close()


def test_narrow_screen_needs_no_sideways_scroll(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_page(served, browser, width=820, height=1100)
    assert page.evaluate("document.documentElement.scrollWidth") <= 820
    watch.assert_clean()
    page.context.close()


def test_notebook_door(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = watched(browser)
    page.goto(served.lab("choose", workspace="choose"))
    run_all(page)
    panel = page.locator(f"{LAB_NOTEBOOK} .ll-choose")
    panel.locator(".ll-answer").wait_for(timeout=90_000)
    panel.locator(".js-plotly-plot .scatterlayer path").first.wait_for(timeout=60_000)
    # The kernel hears a slider only once the plain cells below the panel have run: three comparisons with their tries.
    busy = "() => [...document.querySelectorAll('.jp-InputPrompt')].some((each) => each.textContent.includes('*'))"
    page.wait_for_function(f"() => !({busy})()", timeout=120_000)
    before = panel.locator(".ll-answer").inner_text()
    knob = panel.locator(".ll-set-use-years input[type=range]")
    knob.focus()
    knob.press("ArrowLeft")
    page.wait_for_function(
        "(before) => document.querySelector('.ll-choose .ll-answer').textContent !== before", arg=before, timeout=15_000
    )
    assert page.locator(f"{LAB_NOTEBOOK} .jp-OutputArea-output[data-mime-type*='stderr']").count() == 0
    watch.assert_clean()
    page.context.close()
