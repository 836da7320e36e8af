"""Everybody can use the pages: axe-core finds nothing, the parts are landmarks, the keyboard's place is seen.

axe-core is an open rule engine, carried by axe-playwright-python. It is run on each page as it opens, on every tab of
it, and with every fold opened in turn, so that forms and tables out of sight are seen too.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from browser_support import Served, browser, served, watched  # noqa: F401

pytestmark = pytest.mark.browser

PATIENCE_MS = 120_000
PAGES = ("choose", "lobes", "valvetrain", "break_in")
STANDARD = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
# Good practice beyond the standard that a screen reader's user finds their way by.
WAYS = [
    "region",
    "landmark-one-main",
    "landmark-no-duplicate-main",
    "landmark-unique",
    "page-has-heading-one",
    "skip-link",
]
# Violations by page and rule that are known and not mended yet, the most nodes in one look; empty: nothing is found.
OUTSTANDING: dict[str, dict[str, int]] = {}
TABS = "[role=tab]"
# Folds of every kind: ours with a button, the browser's own, the accordion of ipywidgets.
FOLDS = (
    "button[aria-expanded=false], details:not([open]) > summary, "
    ".jupyter-widget-Collapse:not(.jupyter-widget-Collapse-open) > .jupyter-widget-Collapse-header"
)
MOST_FOLDS = 40


@pytest.fixture(scope="module", params=PAGES)
def opened(request: pytest.FixtureRequest, served: Served, browser: Any) -> Iterator[tuple[str, Any]]:  # noqa: F811
    """A page and its name, opened once for all its tests: the keyboard from its start, then sizes, then every fold."""
    page, _ = watched(browser, 1366, 768)
    page.goto(served.page(request.param), timeout=PATIENCE_MS)
    page.locator(".ll-answer").first.wait_for(timeout=PATIENCE_MS)
    page.wait_for_timeout(4000)  # charts of the first tab are drawn by then; access does not hang on them
    yield request.param, page
    page.context.close()


def found_on(page: Any) -> dict[str, list[str]]:
    """Rules that are broken, with the nodes that break them."""
    options = {"resultTypes": ["violations"], "runOnly": {"type": "tag", "values": STANDARD}}
    options["rules"] = {rule: {"enabled": True} for rule in WAYS}
    answer = Axe().run(page, options=options).response
    assert answer["testEngine"]["name"] == "axe-core"
    return {each["id"]: [node["html"][:160] for node in each["nodes"]] for each in answer["violations"]}


def looks(page: Any) -> list[tuple[str, dict[str, list[str]]]]:
    """What is found as the page stands, on each tab, and with each fold opened in turn."""
    found = [("as it opens", found_on(page))]
    tabs = page.locator(f"{TABS}:visible")
    for i in range(max(1, tabs.count())):
        if tabs.count():
            tabs.nth(i).click()
            page.wait_for_timeout(1200)
            found.append((f"tab {tabs.nth(i).inner_text()}", found_on(page)))
        for _ in range(MOST_FOLDS):
            closed = page.locator(FOLDS).locator("visible=true").and_(page.locator(":not([data-looked-at])"))
            if not closed.count():
                break
            fold = closed.first.element_handle()  # this very one: once marked, the locator finds the next
            words = fold.inner_text().strip()
            fold.evaluate("each => each.dataset.lookedAt = 'yes'")
            fold.click()
            page.wait_for_timeout(700)
            found.append((f"fold {words}", found_on(page)))
    return found


def test_axe_sees_what_is_wrong(browser: Any) -> None:  # noqa: F811
    page, _ = watched(browser)
    page.set_content("<html><body><input type=range><p style='color:#bbb'>pale</p></body></html>")
    assert {"label", "color-contrast", "html-has-lang", "landmark-one-main"} <= set(found_on(page))
    page.context.close()


def test_the_parts_of_a_page_are_landmarks_and_the_bar_can_be_skipped(opened: tuple[str, Any]) -> None:
    _, page = opened
    assert page.locator("main").count() == 1 and page.locator("main .ll-panel").count() == 1
    assert page.get_by_role("navigation", name="Lobe Ledger pages").count() == 1
    assert page.locator("main").get_by_role("heading", level=1).count() == 1, "of those that are shown"
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Tab")
    skip = page.locator("#ll-skip")
    assert skip.evaluate("each => each === document.activeElement")
    assert skip.bounding_box()["y"] >= 0, "it is seen once the keyboard is on it"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "rendered_cells"
    page.keyboard.press("Tab")
    assert page.evaluate("document.querySelector('main').contains(document.activeElement)")


def test_the_keyboards_place_is_seen(opened: tuple[str, Any]) -> None:
    _, page = opened
    page.evaluate("document.querySelector('main').focus()")
    unseen, places = [], 0
    script = """() => {
        const now = document.activeElement;
        if (!document.querySelector('main').contains(now)) return null;
        const style = getComputedStyle(now);
        const ring = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
        return [ring || style.boxShadow !== 'none', now.outerHTML.slice(0, 120)];
    }"""
    for _ in range(60):
        page.keyboard.press("Tab")
        said = page.evaluate(script)
        if said is None:
            break
        places += 1
        if not said[0]:
            unseen.append(said[1])
    assert places > 5 and not unseen, "\n".join(unseen)


def test_enlarged_to_twice_the_size_nothing_is_cut_off_sideways(opened: tuple[str, Any]) -> None:
    _, page = opened
    page.set_viewport_size({"width": 683, "height": 384})  # what 1366 by 768 holds at 200 %
    page.wait_for_timeout(1500)
    assert page.evaluate("document.documentElement.scrollWidth") <= 683
    assert (
        page.evaluate("(() => { const m = document.querySelector('main'); return m.scrollWidth - m.clientWidth; })()")
        <= 1
    )
    page.set_viewport_size({"width": 1366, "height": 768})
    page.wait_for_timeout(1500)


def test_an_open_tooltip_can_be_read_by_everybody(opened: tuple[str, Any]) -> None:
    name, page = opened
    terms = page.locator("main .ll-term").locator("visible=true")
    heads = page.locator(".ll-board thead .ll-term")
    if name == "choose":  # a tooltip closes when its piece is sent anew: the full result is awaited
        page.locator(".ll-choose .ll-reasons").get_by_text("Measure next").wait_for(timeout=90_000)
        page.wait_for_timeout(1000)
        assert heads.count() > 0, "heads of the board explain themselves"
    for term in [*heads.all(), *terms.all()[:2]]:
        term.focus()
        page.keyboard.press("Enter")
        tip = page.locator(f"[id='{term.get_attribute('popovertarget')}']")
        tip.wait_for(state="visible", timeout=5_000)
        box = tip.bounding_box()
        assert 0 <= box["x"] and box["x"] + box["width"] <= 1366 and 0 <= box["y"] and box["y"] + box["height"] <= 768
        assert found_on(page) == {}, term.inner_text()
        page.keyboard.press("Escape")
        tip.wait_for(state="hidden", timeout=5_000)


def test_axe_finds_nothing(opened: tuple[str, Any]) -> None:
    name, page = opened
    too_many, counted = [], {}
    for where, rules in looks(page):
        for rule, nodes in rules.items():
            counted[rule] = max(counted.get(rule, 0), len(nodes))
            if len(nodes) > OUTSTANDING.get(name, {}).get(rule, 0):
                too_many.append(f"{where}: {rule}, {len(nodes)} nodes, the first {nodes[0]}")
    print(f"\n{name}: {counted}")
    assert not too_many, "\n".join([f"{name}: {counted}", *too_many])
