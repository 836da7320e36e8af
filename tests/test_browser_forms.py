"""The forms as a builder meets them: a card typed in by keyboard, what is wrong beside its field, nothing that moves.

Each form stands in a notebook of its own, so that only the form is tried; what a page does with the new build is the
page's own test.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import nbformat
import pytest
from axe_playwright_python.sync_playwright import Axe

from browser_support import Served, browser, serve, watched  # noqa: F401

pytestmark = pytest.mark.browser

LOADING_MS = 240_000
KINDS = ("CamForm", "CamsForm", "BuildForm", "PricesForm", "SpringsForm", "LiftersForm")
CODE = """
import ipywidgets as w
import lobeledger as ll
from lobeledger.page.panels import form
state = {"build": ll.read_build("../data/builds/budget-cruiser.toml")}
said = w.HTML("<div id='taken'></div>")
def take(build, words):
    state["build"] = build
    shown.refresh()
    said.value = f"<div id='taken'>{words} {[c.name for c in build.candidates]}</div>"
shown = form.%s(lambda: state["build"], take)
w.VBox([shown, said])
"""
STANDARD = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
TOPS = """() => [...document.querySelectorAll('.lf .lf-box, .lf button')]
  .map((e) => Math.round(e.getBoundingClientRect().top))"""
# Three cards of our own, (label, group, text): each as its fields come by Tab, what is asked being read off the labels.
CARDS = {
    "Card A": [
        ("Its name", "Cam", "Card A"), ("Advertised, at lift", "How it is quoted", "0.006"),
        ("Advertised", "Intake lobe", "262"), ("Duration", "Intake lobe", "210"),
        ("Higher duration", "Intake lobe", "114"), ("Lift", "Intake lobe", ".288"),
        ("Advertised", "Exhaust lobe", "270"), ("Duration", "Exhaust lobe", "218"),
        ("Higher duration", "Exhaust lobe", "122"), ("Lift", "Exhaust lobe", ".295"),
        ("Lobe separation", "Position and price", "112"), ("Intake centerline", "Position and price", "108"),
        ("Price of the cam", "Position and price", "305"),
    ],
    "Card B": [
        ("Its name", "Cam", "Card B"), ("Advertised, at lift", "How it is quoted", "0.006"),
        ("Advertised", "Intake lobe", "258"), ("Duration", "Intake lobe", "206"), ("Lift", "Intake lobe", "0.280"),
        ("Same as intake", "Exhaust lobe", None), ("Lobe separation", "Position and price", "110"),
    ],
    "Book C": [
        ("opening and closing events", "Cam", None), ("Its name", "Cam", "Book C"),
        ("Events, at lift", "How it is quoted", "0.050"),
        ("Opens before TDC", "Intake lobe", "-4"), ("Closes after BDC", "Intake lobe", "32"),
        ("Lift", "Intake lobe", "0.28"), ("Opens before BDC", "Exhaust lobe", "38"),
        ("Closes after TDC", "Exhaust lobe", "-6"), ("Lift", "Exhaust lobe", "0.28"),
    ],
}  # fmt: skip


@pytest.fixture(scope="module")
def forms(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A notebook for each form, served."""
    books = {}
    for kind in KINDS:
        book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(CODE % kind)])
        book.metadata.kernelspec = {"name": "python3", "display_name": "Python 3", "language": "python"}
        books[f"try_{kind.lower()}"] = book
    with serve(tmp_path_factory.mktemp("forms"), books) as running:
        yield running


def open_form(forms: Served, browser: Any, kind: str, width: int = 1366, height: int = 768) -> tuple[Any, Any]:  # noqa: F811
    page, watch = watched(browser, width, height)
    page.goto(forms.page(f"try_{kind.lower()}"), timeout=LOADING_MS)
    page.locator("form.lf").wait_for(timeout=LOADING_MS)
    page.wait_for_timeout(1000)
    return page, watch


def fill(page: Any, card: list[tuple[str, str, str | None]]) -> None:
    for label, group, text in card:
        field = page.locator(f"section[aria-label='{group}']").get_by_label(label, exact=True)
        field.focus()
        if text is None:
            page.keyboard.press("Space")
        else:
            page.keyboard.type(text)


def taken(page: Any, words: str) -> str:
    page.wait_for_function(
        "(words) => document.querySelector('#taken')?.textContent.includes(words)", arg=words, timeout=60_000
    )
    return str(page.locator("#taken").text_content())


def test_three_cards_are_typed_in(forms: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_form(forms, browser, "CamForm")
    for name, card in CARDS.items():
        fill(page, card)
        began = time.monotonic()
        page.keyboard.press("Enter")
        said = taken(page, f"'{name}'")
        print(f"\n{name}: {len(card)} fields, {sum(len(text or 'x') + 1 for _, _, text in card)} keys, "
              f"taken in {time.monotonic() - began:.2f} s")  # fmt: skip
        assert f"Added {name}." in said
        page.wait_for_function("(n) => document.querySelector('.lf output').textContent.includes(n)", arg=name)
        assert page.get_by_label("Its name", exact=True).input_value() == "", "the form is ready for the next card"
    assert "lobe separation 110°" in page.locator(".lf output").text_content()
    watch.assert_clean()
    page.context.close()


def test_what_is_wrong_stands_beside_its_field_and_nothing_moves(forms: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_form(forms, browser, "CamForm")
    before = page.evaluate(TOPS)
    page.locator(".lf-use").focus()
    page.keyboard.press("Enter")
    page.locator(".lf-sum:has-text('6 things')").wait_for(timeout=60_000)
    assert page.evaluate(TOPS) == before
    assert (
        page.evaluate("document.activeElement.closest('.lf-field').querySelector('.lf-label').textContent")
        == "Its name"
    )
    noted = page.evaluate(
        "() => { const e = document.activeElement; return [e.getAttribute('aria-invalid'), "
        "document.getElementById(e.getAttribute('aria-describedby')).textContent]; }"
    )
    assert noted[0] == "true" and noted[1].startswith("Give it a name")
    page.keyboard.type("x")
    assert page.evaluate("document.activeElement.getAttribute('aria-invalid')") is None
    watch.assert_clean()
    page.context.close()


@pytest.mark.parametrize("kind", KINDS)
def test_every_form_can_be_used_by_everybody(forms: Served, browser: Any, kind: str) -> None:  # noqa: F811
    page, watch = open_form(forms, browser, kind)
    for fold in page.locator(".lf-fold").all():
        fold.focus()
        page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    found = Axe().run(page, context=".lf", options={"runOnly": {"type": "tag", "values": STANDARD}}).response
    assert found["passes"] and not found["violations"], [
        (each["id"], [node["html"][:120] for node in each["nodes"]]) for each in found["violations"]
    ]
    measured = page.evaluate(
        """() => { const seen = [...document.querySelectorAll('.lf *')].filter((e) => e.getClientRects().length);
        const box = (e) => (e.closest('label') ?? e).getBoundingClientRect();
        const size = (e) => Math.min(box(e).width, box(e).height);
        return {
          type: Math.min(...seen.map((e) => parseFloat(getComputedStyle(e).fontSize))),
          target: Math.min(...seen.filter((e) => e.matches('input, select, button')).map(size)),
          count: seen.filter((e) => e.matches('input, select')).length }; }"""
    )
    assert measured["type"] >= 14 and measured["target"] >= 24 and measured["count"] > 4, measured
    for width, height in ((1366, 768), (800, 1280), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(200)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    watch.assert_clean()
    page.context.close()


def test_what_is_typed_stays_until_it_is_taken(forms: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_form(forms, browser, "PricesForm")
    page.get_by_label("Timing set", exact=True).fill("99")
    page.get_by_label("Something else: what", exact=True).fill("freeze plugs")
    page.keyboard.press("Enter")
    page.locator(".lf-sum:has-text('1 thing')").wait_for(timeout=60_000)
    assert page.get_by_label("Timing set", exact=True).input_value() == "99"
    page.get_by_label("Its price", exact=True).fill("12")
    page.keyboard.press("Enter")
    taken(page, "Prices changed.")
    page.get_by_label("Freeze plugs", exact=True).wait_for(timeout=30_000)
    assert page.get_by_label("Something else: what", exact=True).input_value() == ""
    page.get_by_label("Cam", exact=True).select_option("h-roller")
    page.get_by_label("Link-bar lifters", exact=True).wait_for(timeout=30_000)
    watch.assert_clean()
    page.context.close()


def test_cams_are_copied_and_one_is_fitted_by_keyboard(forms: Served, browser: Any) -> None:  # noqa: F811
    page, watch = open_form(forms, browser, "CamsForm")
    page.get_by_role("button", name="Copy: Hydraulic flat, 204 deg", exact=True).press("Enter")
    taken(page, "204 deg, copy'")
    page.get_by_role("button", name="Remove: Hydraulic flat, 204 deg, copy", exact=True).press("Enter")
    taken(page, "Removed")
    page.get_by_label("In the engine now", exact=True).select_option("h-flat")
    hours = page.get_by_label("Hours the cam that is fitted has run", exact=True)
    hours.fill("900")
    hours.press("Enter")
    assert "is the cam you run now" in taken(page, "run now")
    watch.assert_clean()
    page.context.close()


def test_a_view_that_had_no_time_to_initialise_is_replaced(forms: Served, browser: Any) -> None:  # noqa: F811
    page, watch = watched(browser)
    page.add_init_script(
        "(() => { const timeout = AbortSignal.timeout.bind(AbortSignal); const until = Date.now() + 20000;"
        "AbortSignal.timeout = (ms) => timeout(ms === 2000 && Date.now() < until ? 1 : ms); })()"
    )
    page.goto(forms.page("try_camform"), timeout=LOADING_MS)
    page.locator("form.lf").wait_for(timeout=LOADING_MS)
    page.wait_for_timeout(22_000)
    assert [error for error in watch.errors if "nitialize" in error], "no model was made deaf: the test tests nothing"
    fill(page, CARDS["Card B"])
    page.keyboard.press("Enter")
    taken_or_not = page.locator(".lf output:has-text('Added Card B.')")
    taken_or_not.wait_for(timeout=40_000)
    page.context.close()
