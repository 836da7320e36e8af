"""Sheets for the customer: self-contained, escaped, complete, never overwritten unasked."""

from __future__ import annotations

import datetime
import functools
import re
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
import tomlkit

import lobeledger as ll
from lobeledger.choice import cost
from lobeledger.choice.run_in import run_in_plan
from lobeledger.page.panels.choose import _footer
from lobeledger.page.paper import customer as report
from lobeledger.page.paper.order import order_sheet_html
from lobeledger.page.paper.quote import quote_html
from lobeledger.page.paper.run_in import run_sheet_html
from lobeledger.page.plots.compare import margin_figure
from lobeledger.page.plots.on_paper import cost_chart_svg
from lobeledger.page.words.comparison import LIMITS
from lobeledger.page.words.figures import in_tries
from lobeledger.page.words.flips import input_text
from lobeledger.page.words.guesses import guess_texts
from lobeledger.page.words.judged import remedy_price_text, room_text
from lobeledger.page.words.run_in import run_answer
from paper_support import Page
from shipped_builds import compared

BUILDS = Path(__file__).parents[2] / "data" / "builds"
NAMES = ("budget-cruiser", "towing-engine", "weekend-racer")
DAY = datetime.date(2031, 2, 3)


@functools.cache
def shipped(name: str, system: str = "us") -> ll.Comparison:
    return compared(name) if system == "us" else ll.compare(ll.read_build(BUILDS / f"{name}.toml"), system=system)


def plain(name: str) -> dict[str, object]:
    return tomllib.loads((BUILDS / f"{name}.toml").read_text(encoding="utf-8"))


def built(tree: dict[str, object], system: str = "us") -> ll.Comparison:
    return ll.compare(ll.build_from_text(tomlkit.dumps(tree)), system=system)


def sheet(comparison: ll.Comparison) -> Page:
    page = Page(report.customer_sheet_html(comparison, date=DAY))
    assert page.open == []
    return page


def squeezed(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@functools.cache
def many() -> ll.Comparison:
    """Seven candidates, the first four of the sheet and three dearer copies of the first."""
    tree = plain("towing-engine")
    base = tree["candidates"][0]
    copies = [{**base, "id": f"copy-{i}", "name": f"Copy number {i}", "fitting_time": f"{20 + i} h"} for i in range(3)]
    return built({**tree, "candidates": [*tree["candidates"], *copies]})


@functools.cache
def impossible() -> ll.Comparison:
    tree = plain("budget-cruiser")
    tree["candidates"][1]["intake"]["lobe_lift"] = "0.450 in"
    return built(tree)


@functools.cache
def hostile() -> ll.Comparison:
    tree = plain("budget-cruiser")
    tree["name"] = "<script>alert('build')</script> & \"Sons\""
    tree["note"] = "</p><img src=x onerror=alert(1)> & 'quoted'"
    for i, c in enumerate(tree["candidates"]):
        c["name"] = f"<b onclick=\"x()\">Choice & 'co' {i}</b>"
        c["failure"]["what"] = "</li></ul><script>loss()</script>"
        for p in c["parts"]:
            p["item"] = "</title></svg><script src='http://example.invalid/x.js'></script>"
    return built(tree)


# -- self-contained ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("make", [lambda: shipped("budget-cruiser"), lambda: shipped("weekend-racer"), hostile, many])
def test_a_sheet_asks_for_nothing_from_outside(make):
    html = report.customer_sheet_html(make(), date=DAY)
    for tag, attributes in Page(html).tags:
        assert tag not in ("script", "link", "iframe", "object", "embed", "base", "img", "form"), tag
        for key, value in attributes.items():
            assert key not in ("src", "href", "srcset", "data", "action", "xlink:href"), (tag, key, value)
            assert not key.startswith("on"), (tag, key)
    if make is not hostile:
        assert "://" not in html
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)[1]
    assert "url(" not in style and "@import" not in style and "&lt;" not in style and len(style) > 500


def test_every_value_is_escaped():
    c = hostile()
    for html in (
        report.customer_sheet_html(c, date=DAY),
        quote_html(c, candidate_id="h-flat", date=DAY),
        report.side_table_html(c),
    ):
        page = Page(html)
        assert page.open == []
        names = {tag for tag, _ in page.tags}
        assert not names & {"script", "img"} and "onclick" not in {key for _, each in page.tags for key in each}
        # A name is its text, mark-up and all.
        assert "<b onclick=\"x()\">Choice & 'co' 0</b>" in page.text
    assert "<script>alert('build')</script> & \"Sons\"" in sheet(c).text
    assert "http://example.invalid/x.js" in Page(quote_html(c, candidate_id="h-flat", date=DAY)).text


@pytest.mark.parametrize("make", [lambda: shipped("towing-engine"), hostile, many, impossible])
def test_the_chart_is_valid_xml_with_a_bar_for_every_group(make):
    c = make()
    shown = list(c.results)
    root = ET.fromstring(cost_chart_svg(shown, c.build.currency))
    bars = [e for e in root.iter("rect") if e.find("title") is not None]
    # Widths stand in the ratio of the money they show.
    widths = sum(float(e.get("width")) for e in bars)
    money = sum(r.figures["owning"].value for r in shown)
    biggest = max(bars, key=lambda e: float(e.get("width")))
    most = max(sum(float(line.amount) for line in r.lines if line.group == g) for r in shown for g in cost.GROUPS)
    assert float(biggest.get("width")) / widths == pytest.approx(most / money, rel=0.005)
    # Everything lies on the picture.
    width = float(root.get("viewBox").split()[2])
    assert all(float(e.get("x")) + float(e.get("width")) <= width for e in bars)


# -- complete ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_says_what_the_comparison_says(name):
    c = shipped(name)
    text = sheet(c).text
    assert squeezed(c.answer) in text
    assert c.build.name in text and squeezed(c.build.note) in text and "2031-02-03" in text
    for reason in c.reasons[:6]:
        assert squeezed(reason) in text
    for r in c.results:
        assert r.candidate.name in text
        assert f"{r.figures['owning'].value:,.0f}" in text and f"{r.figures['first_cost'].value:,.0f}" in text
    # First the one that the answer names, then the rest in the running, then by how surely they do.
    first = list(c.decision.order) or [c.nearest_id]
    ranked = [c.result(each) for each in first]
    ranked += sorted(
        (r for r in c.results if r not in ranked), key=lambda r: (-r.chance_all, r.figures["expected"].value)
    )
    for r in ranked[:2]:
        for caution in c.cautions(r.candidate.id):
            assert squeezed(caution) in text
    for caution in ("exhaust led outside", "fire extinguisher", "A compressed spring", "Hot oil"):
        assert caution in text
    assert "maker's own instruction comes before" in text and "not a guarantee" in text


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_lists_what_was_assumed(name):
    c = shipped(name)
    page = report.customer_sheet_html(c, date=DAY)
    listed = squeezed(Page(page).text.split("Numbers we filled in, with how far off they may be")[1])
    said, others = guess_texts(
        c.build, "us", remedies={x.remedy_id for r in c.results for x in r.limits if x.standing != "holds"}
    )
    assert len(said) > 5
    for text in said:
        assert squeezed(text) in listed
        # A guess is a name, a number, and how far off it may be.
        assert re.match(r"[a-zA-Z0-9% '-]+: [\d.,]+ \([\d.,]+ to [\d.,]+\)", text), text
    assert f"and {others} more numbers of the calculation" in listed
    shown = squeezed(Page(_footer(c)).text)
    for d in c.build.data.values():
        if d.origin in ("assumed", "common practice", "handbook"):
            assert squeezed(input_text(c.build, d.path)) in shown and squeezed(d.text) in shown, d.path


@pytest.mark.parametrize("name", NAMES)
def test_no_key_or_id_of_a_sheet_is_printed(name):
    c = shipped(name)
    keys = {d.path.split(".")[-1] for d in c.build.data.values()}
    keys = {key for key in keys if "_" in key}
    ids = {each.id for each in c.build.candidates}
    for html in (
        report.customer_sheet_html(c, date=DAY),
        quote_html(c, candidate_id=c.nearest_id, date=DAY),
        report.side_table_html(c),
        _footer(c),
    ):
        # As a whole word: 'h-flat' is an id, and 'torque trust' a key without its stroke.
        text = Page(html).text
        assert not [each for each in keys | ids if re.search(rf"(?<![\w-]){re.escape(each)}(?![\w-])", text)]
        assert "model." not in text and "candidates." not in text
    for word in ("poisson", "torque trust", "kelvin", "GPa", "modulus", "**"):
        assert word.lower() not in sheet(c).text.lower(), word


@pytest.mark.parametrize("name", NAMES)
def test_a_sheet_says_where_each_candidate_stands_and_what_room_is_left(name):
    c = shipped(name)
    text = sheet(c).text
    board = text.split("Total cost over")[1].split("Why")[0]
    for r in c.results:
        assert r.standing in board
        for limit in r.limits:
            assert room_text(c.build, limit, "us") in board and in_tries(limit.chance) in board
            if limit.standing != "holds" and remedy_price_text(c.build, limit):
                assert remedy_price_text(c.build, limit).removeprefix("about ") in board
    # What to measure next and what would change the pick are said once each.
    assert squeezed(c.measure_text) in text
    assert text.count("Measure next:") == 1
    assert text.count("What would change our pick:") == (1 if c.winner_id else 0)


def test_a_first_answer_claims_nothing_of_what_was_not_tried():
    # Another highest speed: valvetrains that were tried before would be taken as tried.
    first = ll.compare(ll.change(shipped("budget-cruiser").build, {"use.highest_speed": "4750 rpm"}), trials=0)
    text = sheet(first).text
    assert first.decision.trials == 0
    assert first.next_texts == () and "Measure next" not in text
    assert "we had not yet tried" in text and "we had not yet tried" not in sheet(shipped("budget-cruiser")).text


def test_the_money_on_a_sheet_adds_up():
    c = shipped("towing-engine")
    html = report.customer_sheet_html(c, date=DAY)
    body = html[html.index('<tbody class="money">') :]
    body = re.sub(r"<svg.*?</svg>", "", body[: body.index("</tbody>")])
    rows = re.findall(r"<tr( class=\"total\")?><th>(.*?)</th>(.*?)</tr>", body)
    assert len(rows) >= 11
    sums = [0.0] * len(c.results)
    first = None
    for total, heading, cells in rows:
        values = [float(v.replace(",", "")) for v in re.findall(r"<td>([\d,.-]+)</td>", cells)]
        assert len(values) == len(c.results)
        if not total:
            sums = [a + b for a, b in zip(sums, values, strict=True)]
            if heading.startswith("Core charges"):
                deposits = values
        else:
            # Ten rounded lines are good to ten halves.
            if first is None:
                first = values
            elif "deposits" in locals():
                sums = [a - b for a, b in zip(sums, deposits, strict=True)]
            assert sums == pytest.approx(values, abs=5.0), heading


def test_the_winner_is_marked_and_a_tie_on_all_that_tie():
    html = report.customer_sheet_html(shipped("towing-engine"), date=DAY)
    # Once on the board and once over the table.
    assert html.count('<span class="mark">our pick</span>') == 2
    tree = plain("budget-cruiser")
    base = tree["candidates"][0]
    tied = built({**tree, "candidates": [base, {**base, "id": "twin", "name": "Twin"}]})
    assert report.customer_sheet_html(tied, date=DAY).count('<span class="mark">tie</span>') == 4


@pytest.mark.parametrize("make", [lambda: shipped("budget-cruiser"), impossible, many])
def test_what_does_not_exist_is_a_dash_and_never_nan(make):
    c = make()
    for html in (report.customer_sheet_html(c, date=DAY), report.side_table_html(c)):
        page = Page(html)
        assert not re.search(r"\b([Nn]a[Nn]|inf|None)\b", page.text)
    if make is impossible:
        assert re.search(r"<td[^>]*>-</td>", report.customer_sheet_html(c, date=DAY))
        assert "won't work with" in sheet(c).text


def test_more_candidates_than_fit_are_named_behind_the_rest():
    c = many()
    page = report.customer_sheet_html(c, date=DAY)
    heads = re.search(r'<table class="side">\s*<thead>(.*?)</thead>', page, re.DOTALL)[1].count("<th>") - 1
    assert heads == report.MOST_SHOWN == 5
    text = Page(page).text
    assert "Also compared, and ranked lower" in text
    assert all(r.candidate.name in text for r in c.results)


def test_long_names_stay_whole_in_tables_and_are_cut_in_the_chart():
    tree = plain("budget-cruiser")
    long = "Hydraulic flat tappet camshaft of a rather long name, ground on order, 204 deg"
    tree["candidates"][0]["name"] = long
    c = built(tree)
    assert long in sheet(c).text
    chart = cost_chart_svg(list(c.results), "USD")
    assert long not in chart and long[:33] + "…" in chart


def test_metric_sheets_are_metric():
    us, metric = (sheet(shipped("budget-cruiser", s)).text for s in ("us", "metric"))
    figures = [text.split("What it gives")[1].split("Cautions")[0] for text in (us, metric)]
    assert " in " in figures[0] and "inHg" in figures[0] and " mm " not in figures[0]
    assert " mm " in figures[1] and "kPa" in figures[1] and "inHg" not in figures[1] and "lbf" not in figures[1]


def test_each_run_in_is_told_as_its_run_sheet_tells_it():
    tree = plain("budget-cruiser")
    # A flat by the library, one held, a roller with a maker's run, a roller without: four plans, four sentences.
    tree["candidates"][1] |= {"run_in_time": "20 min", "run_in_school": "hold"}
    tree["candidates"][3] |= {"run_in_time": "10 min", "run_in_speed": "1800 rpm"}
    comparison = built(tree)
    text = sheet(comparison).text
    names = [c.name for c in comparison.build.candidates]
    for name, said in zip(
        names,
        ("30 minutes at 2,000", "20 minutes held at 3,500", "No lobe break-in", "10 minutes held at 1,800"),
        strict=True,
    ):
        assert f"{name}: {said}" in text
    for c in comparison.build.candidates:
        assert run_answer(run_in_plan(comparison.build, c)) in text
    assert "flat tappets: stop on any noise" in text
    tree["candidates"] = tree["candidates"][2:]
    assert "flat tappets: stop" not in sheet(built(tree)).text


def test_candidates_run_in_alike_are_named_together():
    names = [c.name for c in shipped("budget-cruiser").build.candidates]
    text = sheet(shipped("budget-cruiser")).text
    assert f"{names[0]}; {names[1]}: 30 minutes" in text or f"{names[1]}; {names[0]}: 30 minutes" in text


# -- the chart of room -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_the_chart_of_room_draws_what_the_limits_were_judged_by(name):
    c = shipped(name)
    figure = margin_figure(c)
    rows = figure["layout"]["yaxis"]["ticktext"]
    assert rows[0] == "top rpm" and ("idle vacuum" in rows) == c.build.vehicle.brake_booster
    for r, drawn in zip(c.results, figure["data"], strict=True):
        judged = [r.limit(key) for key in LIMITS if r.limit(key) is not None]
        assert len(drawn["x"]) == len(judged)
        bars = drawn["error_x"]
        for limit, x, less, more, text in zip(
            judged, drawn["x"], bars["arrayminus"], bars["array"], drawn["text"], strict=True
        ):
            # Left of zero is short, whichever way the limit faces; the bar is 5 to 95% of its draws.
            assert (x < 0.0) == (limit.room < 0.0)
            ends = sorted(limit.side * (end / limit.need - 1.0) * 100.0 for end in limit.have[1:])
            assert (x - less, x + more) == pytest.approx(ends)
            assert in_tries(limit.chance) in text


# -- files -------------------------------------------------------------------------------------------------


def test_a_sheet_is_written_once_and_replaced_only_when_told(tmp_path):
    place = tmp_path / "für den Kunden" / "sheet ü.html"
    place.parent.mkdir()
    c = shipped("budget-cruiser")
    assert ll.write_customer_sheet(c, place) == place
    first = place.read_bytes()
    assert Page(first.decode("utf-8")).open == []
    place.write_text("mine", encoding="utf-8")
    with pytest.raises(ll.BuildError, match="sheet ü.html"):
        ll.write_customer_sheet(c, place)
    assert place.read_text(encoding="utf-8") == "mine"
    ll.write_customer_sheet(c, place, replace=True)
    assert place.read_bytes() == first
    assert [p.name for p in place.parent.iterdir()] == ["sheet ü.html"]


# -- quotes and order lists --------------------------------------------------------------------------------


def amounts(html: str) -> list[float]:
    """The last cell of every row of a quote but the subtotal, as printed."""
    table = html[html.index('<table class="lines">') :]
    return [float(m.replace(",", "")) for m in re.findall(r"<td>([\d,]+\.\d\d)</td></tr>", table)]


@pytest.mark.parametrize("name", NAMES)
def test_the_lines_of_a_quote_add_up_to_its_total(name):
    c = shipped(name)
    for r in c.results:
        html = quote_html(c, candidate_id=r.candidate.id, date=DAY)
        *lines, total = amounts(html)
        assert sum(lines) == pytest.approx(total, abs=1e-9)
        surprises = sum(float(x.amount) for x in r.lines if x.group == "surprises")
        # Each line is rounded to the cent.
        assert total == pytest.approx(r.figures["first_cost"].value - surprises, abs=0.005 * len(lines))
        table = html[html.index('<table class="lines">') :]
        for line in re.findall(r"<td>([\d.]+)(?: h)?</td><td>([\d,]+\.\d\d)</td><td>([\d,]+\.\d\d)</td>", table):
            quantity, each, amount = (float(x.replace(",", "")) for x in line)
            assert quantity * each == pytest.approx(amount, abs=0.006)
        assert "<td>0.00</td>" not in html


@pytest.mark.parametrize("name", NAMES)
def test_a_quote_says_nothing_that_is_for_the_shop(name):
    c = shipped(name)
    for r in c.results:
        text = Page(quote_html(c, candidate_id=r.candidate.id, date=DAY)).text
        ours = [*c.cautions(r.candidate.id), *(told.text for told in c.broken(r.candidate.id))]
        assert not [each for each in ours if squeezed(each) in text]
        assert "surprises" not in text and "tries" not in text and "Lobe Ledger" not in text


@functools.cache
def of_a_shop() -> ll.Comparison:
    """A sheet that says all of the shop, in metric units, with tax on labour, part numbers and a free line."""
    tree = plain("budget-cruiser")
    tree |= {"system": "metric", "candidates": tree["candidates"][:1]}
    tree["shop"] |= {"name": "Corner Garage & Sons", "address": "12 Mill Lane\nUpper Town", "tax_number": "81-22"}
    tree["shop"] |= {"quote_number": "2031-017", "tax_labour": 0.05, "run_in_oil": "0 USD"}
    said = {"part_number": "AB-42", "supplier": "Northside Parts", "core_charge": "40 USD"}
    tree["candidates"][0]["parts"][0] |= said
    return ll.compare(ll.build_from_text(tomlkit.dumps(tree)), trials=0)


def test_a_quote_and_an_order_list_carry_what_the_sheet_says_of_the_shop():
    c = of_a_shop()
    quote = quote_html(c, candidate_id="h-flat", date=DAY)
    order = order_sheet_html(c, "h-flat", date=DAY)
    for html in (quote, order):
        text = Page(html).text
        for said in ("Corner Garage & Sons", "12 Mill Lane", "81-22", "No. 2031-017", "AB-42", "Northside Parts"):
            assert said in text, said
        assert "<td>0.00</td>" not in html and "40.00" in text
    assert "Break-in oil" not in Page(quote).text
    # 9 h at 95 USD/h, taxed at 5%: 42.75 USD.
    assert "Tax on labor and machining, 5%" in Page(quote).text and "<td>42.75</td>" in quote
    assert amounts(quote)[-1] == pytest.approx(sum(amounts(quote)[:-1]), abs=1e-9)
    # The number of the one that is handed out may be given on the page.
    assert "No. 2031-018" in Page(quote_html(c, candidate_id="h-flat", number="2031-018", date=DAY)).text


def test_metric_is_taken_from_the_sheet_by_every_paper():
    c = of_a_shop()
    assert c.system == "metric"
    for html in (
        report.customer_sheet_html(c, date=DAY),
        order_sheet_html(c, "h-flat", date=DAY),
        run_sheet_html(c, "h-flat", date=DAY),
    ):
        text = Page(html).text
        assert re.search(r"\d mm\b", text) and not re.search(r"\d (lbf|inHg|psi|ksi|°F)", text)
        assert not re.search(r"\d\.\d+ in\b", text)


def test_a_quote_bills_what_the_sheet_forgot_and_the_precautions():
    build = shipped("budget-cruiser").build
    bare = ll.change(
        build,
        {
            "candidates.h-roller.parts.2.serves": "",
            "candidates.h-roller.failure.precautions": "oiled-axles faster-idle",
        },
    )
    compared = ll.compare(bare, trials=0)
    starts = ("Also needed", "Precaution", "Labor:")
    added = [line for line in compared.result("h-roller").lines if line.text.startswith(starts)]
    assert len(added) >= 2
    html = quote_html(compared, candidate_id="h-roller", date=DAY)
    for line in added:
        what = line.text.partition(": ")[2]
        assert what.lower() in Page(html).text.lower() and f"{float(line.amount):,.2f}" in html


def test_there_is_no_quote_when_nothing_passes_and_none_is_named():
    build = ll.change(shipped("budget-cruiser").build, {"limits.budget": "1 USD"})
    c = ll.compare(build, trials=0)
    with pytest.raises(ll.BuildError, match="nothing to quote"):
        quote_html(c)
    assert "Hydraulic flat" in quote_html(c, candidate_id="h-flat")
