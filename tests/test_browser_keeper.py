"""What a person has open goes with them from page to page and survives the end of kernel and server."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import pytest

import browser_support
from browser_support import LAB_NOTEBOOK, Served, Watch, browser, run_all, serve, served, watched  # noqa: F401

pytestmark = pytest.mark.browser

PATIENCE_MS = 120_000
TOLD_MS = 20_000  # a kernel or server that is gone is told within so long
NEW_KERNEL = (
    "(old) => (JSON.parse(document.querySelector('.ll-keeper-note data')?.value || '{}').kernel || old) !== old"
)
# Every model of the page misses anywidget's two seconds to initialise, and is deaf from then on.
DEAF = (
    "const real = AbortSignal.timeout.bind(AbortSignal);AbortSignal.timeout = (ms) => ms === 2000 ? real(1) : real(ms);"
)


def assert_tidy(watch: Watch) -> None:
    """Nothing was asked of other computers, and no error but those that pages live with.

    A model may be late on a busy computer (and is then replaced), and a chart may still speak while its page is left.
    """
    watch.errors = [e for e in watch.errors if "Cannot send" not in e and "Failed to initialize model" not in e]
    watch.assert_clean()


def open_page(page: Any, address: str) -> None:
    page.goto(address, timeout=PATIENCE_MS)
    page.locator(".ll-answer").first.wait_for(timeout=PATIENCE_MS)
    noted(page)


def noted(page: Any) -> dict[str, Any]:
    """What the kernel has told the page, once it has a copy of the sheet."""
    script = "() => JSON.parse(document.querySelector('.ll-keeper-note data')?.value || '{}')"
    page.wait_for_function(f"() => (({script})().sheet || '') !== '' && ({script})().desk !== ''", timeout=PATIENCE_MS)
    found: dict[str, Any] = page.evaluate(script)
    return found


def choose(page: Any, build: str) -> None:
    page.locator(".ll-picker select").select_option(build)
    page.wait_for_function(
        "(name) => JSON.parse(document.querySelector('.ll-keeper-note data').value).name === name",
        arg=build, timeout=PATIENCE_MS,
    )  # fmt: skip


def move(served: Served, page: Any) -> str:  # noqa: F811
    """Move the first slider of the page with the keyboard; answers what the sheet's copy then says."""
    before = noted(page)["sheet"]
    knob = page.locator(".ll-set-use-years [role=slider], .ll-set-use-years input[type=range]").first
    knob.focus()
    knob.press("ArrowRight")
    page.wait_for_function(
        "(before) => JSON.parse(document.querySelector('.ll-keeper-note data').value).sheet !== before",
        arg=before, timeout=PATIENCE_MS,
    )  # fmt: skip
    return years_in(noted(page)["sheet"])


def years_in(sheet: str) -> str:
    found = re.search(r'^years = "?([\d.]+)', sheet, re.MULTILINE)
    assert found, "the sheet's use.years"
    return found.group(1)


def picked(page: Any) -> str:
    chosen: str = page.locator(".ll-picker select").evaluate("each => each.selectedOptions[0].textContent")
    return chosen


def api(served: Served, path: str, method: str = "GET") -> Any:  # noqa: F811
    request = Request(f"http://127.0.0.1:{served.port}{path}", method=method)
    request.add_header("Authorization", f"token {served.token}")
    with urlopen(request, timeout=10) as answer:
        said = answer.read()
    return json.loads(said) if said else None


def test_the_build_goes_from_page_to_page_with_what_was_moved(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = watched(browser)
    open_page(page, served.page("choose"))
    assert "token=" not in page.url and re.search(r"desk=[0-9a-f]{16}", page.url)
    choose(page, "towing-engine")
    years = move(served, page)
    desk = noted(page)["desk"]
    for name in ("valvetrain", "choose"):
        page.locator("#ll-bar").get_by_role("link", name=name, exact=True).click()
        page.wait_for_url(f"**/{name}.ipynb*", timeout=PATIENCE_MS)
        page.locator(".ll-answer").first.wait_for(timeout=PATIENCE_MS)
        note = noted(page)
        assert (note["desk"], note["name"], years_in(note["sheet"])) == (desk, "towing-engine", years)
        assert picked(page) == "towing-engine"
    assert_tidy(watch)
    page.context.close()


def spare_ids(served: Served) -> set[str]:  # noqa: F811
    """Kernels that run and that no page uses."""
    runtime = served.folder.parent / "private" / "runtime"
    running = {each.stem.removeprefix("kernel-") for each in runtime.glob("kernel-*.json")}
    return running - {each["id"] for each in api(served, "/api/kernels")}


def test_a_page_takes_the_kernel_that_is_kept_ready(served: Served, browser: Any) -> None:  # noqa: F811
    end = time.monotonic() + 120
    while not spare_ids(served) and time.monotonic() < end:
        time.sleep(0.5)
    ready = spare_ids(served)
    page, watch = watched(browser)
    open_page(page, served.page("valvetrain") + "&desk=00112233445566aa")
    note = noted(page)
    assert note["kernel"] in ready and note["desk"] == "00112233445566aa", "it has the page's own environment"
    assert note["kernel"] in {each["id"] for each in api(served, "/api/kernels")}
    assert watch.outside == []
    page.context.close()


def test_two_tabs_do_not_mix_and_two_pages_of_one_desk_agree(served: Served, browser: Any) -> None:  # noqa: F811
    one, watch = watched(browser)
    open_page(one, served.page("choose"))
    other = one.context.new_page()
    open_page(other, served.page("choose"))
    assert noted(one)["desk"] != noted(other)["desk"]
    choose(other, "weekend-racer")
    assert noted(one)["name"] == "budget-cruiser" and picked(one) == "budget-cruiser"
    second = one.context.new_page()  # as a link opened in a tab of its own
    open_page(second, served.page("valvetrain") + f"&desk={noted(one)['desk']}")
    choose(second, "towing-engine")
    one.bring_to_front()
    one.evaluate("window.dispatchEvent(new Event('focus'))")
    one.wait_for_function(
        "() => JSON.parse(document.querySelector('.ll-keeper-note data').value).name === 'towing-engine'",
        timeout=PATIENCE_MS,
    )
    one.locator(".ll-note", has_text="another page").wait_for(timeout=PATIENCE_MS)
    assert noted(other)["name"] == "weekend-racer"
    assert_tidy(watch)
    one.context.close()


def test_a_kernel_that_ended_is_told_and_one_button_brings_all_back(
    served: Served,  # noqa: F811
    browser: Any,  # noqa: F811
    tmp_path: Path,
) -> None:
    page, _ = watched(browser)
    open_page(page, served.page("choose"))
    years = move(served, page)
    note = noted(page)
    begun = time.monotonic()
    api(served, f"/api/kernels/{note['kernel']}", "DELETE")
    banner = page.locator(".ll-lost[role=alert]")
    banner.wait_for(timeout=TOLD_MS)
    print(f"\nkernel gone: told after {time.monotonic() - begun:.1f} s")
    said = banner.inner_text()
    assert "no longer live" in said and "unsaved changes too" in said and "kernel" not in said
    assert page.locator(".ll-panel > .ll-gone").count() > 2
    assert page.locator(".ll-panel > .ll-gone").first.evaluate("each => each.inert")
    with page.expect_download() as hoped:
        banner.get_by_role("button", name="Save a copy of the build sheet").press("Enter")
    hoped.value.save_as(tmp_path / "copy.toml")
    assert years_in((tmp_path / "copy.toml").read_text(encoding="utf-8")) == years
    banner.get_by_role("button", name="Bring everything back").press("Enter")
    page.wait_for_function(NEW_KERNEL, arg=note["kernel"], timeout=PATIENCE_MS)
    again = noted(page)
    assert (again["desk"], years_in(again["sheet"])) == (note["desk"], years)
    assert page.locator(".ll-lost.ll-on").count() == 0
    page.context.close()


def test_a_model_that_is_deaf_raises_no_alarm_and_still_keeps(served: Served, browser: Any) -> None:  # noqa: F811
    page, _ = watched(browser)
    page.add_init_script(DEAF)
    open_page(page, served.page("choose"))
    choose(page, "towing-engine")
    page.wait_for_timeout(TOLD_MS)
    assert page.locator(".ll-lost.ll-on").count() == 0
    desk = noted(page)["desk"]
    assert f'"name": "{noted(page)["name"]}"' in (
        served.folder.parent / "private" / "desks" / f"{desk}.toml"
    ).read_text(encoding="utf-8")
    page.context.close()


@pytest.fixture(scope="module")
def impatient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server that soon lets go of pages that were closed."""
    launch = browser_support.launch
    before, launch.CLOSED_PAGE_S = launch.CLOSED_PAGE_S, 25
    try:
        with serve(tmp_path_factory.mktemp("impatient")) as running:
            yield running
    finally:
        launch.CLOSED_PAGE_S = before


def test_kernels_of_dead_tabs_are_let_go_and_those_of_open_pages_stay(impatient: Served, browser: Any) -> None:  # noqa: F811
    stays, _ = watched(browser)
    open_page(stays, impatient.page("valvetrain"))
    dies, _ = watched(browser)
    dies.add_init_script("navigator.sendBeacon = () => true")  # a browser that dies says nothing on leaving
    open_page(dies, impatient.page("valvetrain"))
    ours, theirs = noted(stays)["kernel"], noted(dies)["kernel"]
    dies.close()
    end = time.monotonic() + 90
    while theirs in {each["id"] for each in api(impatient, "/api/kernels")} and time.monotonic() < end:
        time.sleep(1)
    assert {each["id"] for each in api(impatient, "/api/kernels")} == {ours}
    assert stays.locator(".ll-lost.ll-on").count() == 0
    stays.context.close()
    dies.context.close()


def test_a_server_that_ended_is_told_and_what_was_open_comes_back_with_it(
    browser: Any,  # noqa: F811
    tmp_path: Path,
) -> None:
    page, _ = watched(browser)
    with serve(tmp_path) as running:
        open_page(page, running.page("choose"))
        years = move(running, page)
        note = noted(page)
    begun = time.monotonic()
    banner = page.locator(".ll-lost[role=alert]")
    banner.get_by_text("Lobe Ledger has been closed").wait_for(timeout=TOLD_MS)
    print(f"\nserver gone: told after {time.monotonic() - begun:.1f} s")
    with page.expect_download() as hoped:
        banner.get_by_role("button", name="Save a copy of the build sheet").click()
    hoped.value.save_as(tmp_path / "copy.toml")
    assert years_in((tmp_path / "copy.toml").read_text(encoding="utf-8")) == years
    banner.get_by_role("button", name="Bring everything back").click()
    page.wait_for_timeout(1000)
    assert banner.is_visible() and "chrome-error" not in page.url, "the page stays while nothing answers"
    with serve(tmp_path, port=running.port) as anew:  # the same private folder and, being free again, the same port
        assert anew.port == running.port
        fresh = page.context.new_page()  # as the launcher opens it; it also makes this browser known to the server
        fresh.goto(anew.page("valvetrain"), timeout=PATIENCE_MS)
        banner.get_by_text("running again").wait_for(timeout=TOLD_MS)
        banner.get_by_role("button", name="Bring everything back").click()
        page.wait_for_function(NEW_KERNEL, arg=note["kernel"], timeout=PATIENCE_MS)
        again = noted(page)
        assert (again["desk"], years_in(again["sheet"])) == (note["desk"], years)
        page.context.close()


def test_the_build_follows_into_the_notebook(served: Served, browser: Any) -> None:  # noqa: F811
    page, watch = watched(browser)
    open_page(page, served.page("valvetrain"))
    choose(page, "towing-engine")
    desk = noted(page)["desk"]
    page.locator("#ll-bar .ll-lab").click()
    page.wait_for_url("**/doc/**", timeout=PATIENCE_MS)
    run_all(page)
    page.locator(f"{LAB_NOTEBOOK} .ll-answer").first.wait_for(timeout=PATIENCE_MS)
    # the notebook's kernel hears its page once the plain cells below the panel have run
    page.wait_for_function(
        "() => JSON.parse(document.querySelector('.ll-keeper-note data')?.value || '{}').name === 'towing-engine'",
        timeout=PATIENCE_MS,
    )
    assert noted(page)["desk"] == desk and picked(page) == "towing-engine"
    assert_tidy(watch)
    page.context.close()
