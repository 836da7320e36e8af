"""Sheets to print: self-contained HTML, every value escaped.

The customer's sheet, two pages       `write_customer_sheet`, `customer_sheet_html`
A quote for one candidate             `quote_html`
Candidates side by side               `side_table_html`
"""

from __future__ import annotations

import datetime
import math
from html import escape
from pathlib import Path
from typing import Any

import markupsafe

from lobeledger.assess.figures import NOT_FOR_THIS, column
from lobeledger.choice import cost
from lobeledger.choice.results import CandidateResult, is_assumption
from lobeledger.choice.run_in import run_in_plan
from lobeledger.errors import BuildError
from lobeledger.page.palette import GROUP_SHADES, INK
from lobeledger.page.templates import style_text, templates
from lobeledger.page.words.comparison import LIMITS, Comparison, compared_data
from lobeledger.page.words.figures import band_text, chance_text, in_tries, money_text, value_text
from lobeledger.page.words.flips import input_text
from lobeledger.page.words.judged import (
    LIMIT_NAMES,
    judged_text,
    met_text,
    need_text,
    remedy_price_text,
    remedy_text,
    room_text,
    standing_text,
)
from lobeledger.page.words.run_in import run_answer
from lobeledger.parts.build import Build
from lobeledger.sheet.files import write_text_atomically

__all__ = [
    "customer_sheet_html",
    "quote_html",
    "side_by_side",
    "side_table_html",
    "write_customer_sheet",
]

MOST_SHOWN = 5
# What a customer is shown, in the order they ask for it.
_GROUPS = (
    ("What it gives", ("gain", "intake_lift", "valve_duration", "breathing_speed")),
    ("Street manners", ("vacuum", "residual", "dynamic_compression", "cruise")),
    (
        "Load on the parts",
        (
            "speed_use",
            "useful_limit",
            "safe_speed",
            "rigid_limit",
            "open_load",
            "coil_bind",
            "stress_cranking",
            "share_of_best",
        ),
    ),
    ("What it costs", ("first_cost", "owning", "chance", "expected")),
)
# Left out on paper, which has two pages: said by the rows of the limits, the table of costs, the risks or the cautions,
# the same for every candidate, or for the shop only.
_ON_SCREEN_ONLY = (
    "rigid_limit", "share_of_best", "coil_bind", "speed_use", "first_cost", "chance", "stress_cranking", "cruise",
)  # fmt: skip
# Figure -> the hard limit it is judged by.
_LIMIT_OF = {
    "vacuum": "vacuum",
    "speed_use": "speed",
    "coil_bind": "coil_bind",
    "retainer": "retainer",
    "first_cost": "budget",
}
_SAFETY = (
    "A running engine: exhaust led outside, fire extinguisher at hand, fuel lines checked, hands, hair and clothes "
    "off belts and fan.",
    "Hot oil, coolant and exhaust burn; let it cool before opening anything.",
    "Springs under load throw parts: use the proper compressor and glasses.",
)


def write_customer_sheet(comparison: Comparison, path: str | Path, *, replace: bool = False) -> Path:
    """Write the customer's sheet. Raises BuildError when the file exists and `replace` is not given."""
    return write_text_atomically(path, customer_sheet_html(comparison), replace=replace)


def _ranked(comparison: Comparison) -> list[CandidateResult]:
    """The candidates in the running first, the leader first of all; the others by how surely they meet every limit.

    Where none is in the running, the one that comes nearest stands first.
    """
    order = comparison.decision.order or (comparison.nearest_id,)

    def place(result: CandidateResult) -> tuple[float, float, float]:
        cost = result.figures["expected"].value
        cost = cost if math.isfinite(cost) else math.inf
        at = order.index(result.candidate.id) if result.candidate.id in order else len(order)
        return (at, -result.chance_all, cost)

    return sorted(comparison.results, key=place)


def customer_sheet_html(comparison: Comparison, *, date: datetime.date | None = None) -> str:
    """The customer's sheet as one HTML page that prints on two."""
    build = comparison.build
    ranked = _ranked(comparison)
    shown, rest = ranked[:MOST_SHOWN], ranked[MOST_SHOWN:]
    own = [b for b in comparison.break_evens if shown[0].candidate.id in (b.flat_id, b.roller_id)]
    # What the reasons say is not said again.
    evens = [text for b in own[:3] if (text := comparison.break_even_text(b)) not in comparison.reasons[:6]]
    template = templates().get_template("customer_sheet.html.j2")
    return template.render(
        title=f"{build.name}: cam and lifter choice",
        style=markupsafe.Markup(style_text()),
        build=build,
        date=(date or datetime.date.today()).isoformat(),
        answer=comparison.answer,
        reasons=comparison.reasons[:6],
        **side_by_side(comparison, shown, on_paper=True),
        band_note="Money, chances and limits: 5 to 95% of tries with the uncertain values varied.",
        next_texts=[text for text in comparison.next_texts if text not in comparison.reasons[:6]],
        fixes=_fixes(comparison, shown),
        untried=comparison.decision.trials == 0,
        left_out=", ".join(r.candidate.name for r in rest),
        years=f"{build.use.years:g}",
        cost_chart=markupsafe.Markup(cost_chart_svg(shown, build.currency)),
        cost_rows=_cost_rows(comparison, shown),
        run_in=_run_in(build, shown),
        risks=[*evens, *(_risk(comparison, r) for r in shown)],
        cautions=_cautions(comparison, shown[:2]),
        safety=_safety(shown),
        assumed=_assumed(comparison),
    )


def side_by_side(comparison: Comparison, shown: list[CandidateResult], *, on_paper: bool = False) -> dict[str, Any]:
    """Heads and rows of the side-by-side table, as the templates take them: `shown` and `groups`."""
    system, currency = comparison.system, comparison.build.currency
    tie = len(comparison.tied_ids) > 1
    heads = [
        {
            "name": r.candidate.name,
            "is_winner": r.candidate.id in (comparison.tied_ids or (comparison.nearest_id,)),
            "mark": "tie" if tie else "our pick" if comparison.winner_id else "comes nearest",
        }
        for r in shown
    ]
    groups = [{"title": "Room left at each limit, and how surely it is met", "rows": _limit_rows(comparison, shown)}]
    for title, keys in _GROUPS:
        rows = []
        for key in keys:
            if on_paper and key in _ON_SCREEN_ONLY:
                continue
            col = column(key)
            cells = []
            for result in shown:
                figure = result.figures.get(key, NOT_FOR_THIS)
                cells.append(
                    {
                        "value": value_text(col, figure.value, system, currency),
                        "band": band_text(col, figure, system, currency),
                        "fix": "",
                        "hint": f"the best lobe is held back by {comparison.held_back_by(result.candidate.id)}"
                        if key == "share_of_best" and result.binding_limit
                        else "",
                        "is_broken": any(b.limit == _LIMIT_OF.get(key) for b in result.broken),
                    }
                )
            if on_paper and all(cell["value"] == "-" for cell in cells):
                continue
            rows.append({"heading": col.heading, "meaning": col.meaning, "cells": cells})
        groups.append({"title": title, "rows": rows})
    return {"shown": heads, "groups": groups}


def _limit_rows(comparison: Comparison, shown: list[CandidateResult]) -> list[dict[str, Any]]:
    """One row for where each candidate stands, then one for each limit that any of them has."""
    build, system = comparison.build, comparison.system
    cells = []
    for result in shown:
        standing, tries = standing_text(result)
        stops = ", ".join(LIMIT_NAMES[b.limit] for b in result.stops)
        cells.append({"value": standing, "band": tries or stops, "fix": "", "hint": "", "is_broken": standing == "out"})
    rows = [
        {
            "heading": "All limits together",
            "meaning": "holds in 9 of 10 tries or more; out in 1 or less",
            "cells": cells,
        }
    ]
    for key in LIMITS:
        first = next((limit for r in shown if (limit := r.limit(key)) is not None), None)
        if first is None:
            continue
        cells = []
        for result in shown:
            limit = result.limit(key)
            if limit is None:
                cells.append({"value": "-", "band": "", "fix": "", "hint": "", "is_broken": False})
                continue
            fix = remedy_price_text(build, limit) if limit.standing != "holds" else ""
            cells.append(
                {
                    "value": room_text(build, limit, system),
                    "band": in_tries(limit.chance),
                    "fix": f"fix: {fix.removeprefix('about ')}" if fix else "",
                    "hint": judged_text(build, limit, system) + (f"; fix: {remedy_text(build, limit)}" if fix else ""),
                    "is_broken": limit.standing == "out",
                }
            )
        heading = need_text(build, first, system)
        rows.append(
            {
                "heading": heading[:1].upper() + heading[1:],
                "meaning": "room left by the figures as given",
                "cells": cells,
            }
        )
    return rows


def _fixes(comparison: Comparison, shown: list[CandidateResult]) -> str:
    """What mends each limit that one of the candidates is not sure to meet; prices stand in the table."""
    found: dict[str, str] = {}
    for result in shown:
        for limit in result.limits:
            if limit.standing != "holds" and remedy_price_text(comparison.build, limit):
                remedy = next(each for each in comparison.build.remedies if each.id == limit.remedy_id)
                found[limit.limit] = f"Fix for {LIMIT_NAMES[limit.limit]}: {remedy.text}. {remedy.caution}".strip()
    return " ".join(found.values())


def _cautions(comparison: Comparison, shown: list[CandidateResult]) -> list[tuple[str, str]]:
    """Names and what to watch with them; what holds for several is said once."""
    whose: dict[str, list[str]] = {}
    for result in shown:
        for text in comparison.cautions(result.candidate.id):
            whose.setdefault(text, []).append(result.candidate.name)
    said: dict[tuple[str, ...], list[str]] = {}
    for text, names in whose.items():
        said.setdefault(tuple(names), []).append(text)
    return [("; ".join(names), " ".join(texts)) for names, texts in said.items()]


def side_table_html(comparison: Comparison, before: Comparison | None = None) -> str:
    """The side-by-side table for a screen: all candidates in the sheet's order. before: a baseline with the same
    candidates; where a figure differs from it, what it was stands beside."""
    template = templates().get_template("side_table.html.j2")
    whole = side_by_side(comparison, list(comparison.results))
    old: dict[tuple[str, int], str] = {}
    ids = [r.candidate.id for r in comparison.results]
    if before is not None and [r.candidate.id for r in before.results] == ids:
        told = side_by_side(before.in_units(comparison.system), list(before.results))
        for row in (row for group in told["groups"] for row in group["rows"]):
            old |= {(row["heading"], i): cell["value"] for i, cell in enumerate(row["cells"])}
    for row in (row for group in whole["groups"] for row in group["rows"]):
        for i, cell in enumerate(row["cells"]):
            was = old.get((row["heading"], i), "-")
            cell["was"] = "" if was in ("-", cell["value"]) or cell["value"] == "-" else was
    return template.render(**whole)


def quote_html(comparison: Comparison, *, candidate_id: str | None = None, date: datetime.date | None = None) -> str:
    """A quote for one candidate (the answer, unless told otherwise): what is paid at the start, line by line.

    Upkeep and risk are not billed and stay out. Validity and terms are left for the shop to fill in. Raises
    BuildError when no candidate is in the running and none is named.
    """
    chosen = candidate_id or comparison.winner_id
    if chosen is None:
        raise BuildError("there is nothing to quote: no cam is sure to do; name one, or change the limits")
    result, build = comparison.result(chosen), comparison.build
    c = result.candidate
    lines: list[dict[str, str]] = []
    for line in result.lines:
        if not line.is_first or line.group == "surprises":
            continue
        amount = float(line.amount)
        lines.append(
            {
                "text": line.text,
                "quantity": f"{line.count:g} {line.unit}".strip(),
                "each": f"{amount / line.count:,.2f}" if line.count else "",
                "amount": f"{amount:,.2f}",
            }
        )
    deposits = sum(p.core_charge_money * p.quantity for p in c.parts)
    # Of the amounts as printed, so that they add up to the cent.
    total = math.fsum(
        round(float(line.amount), 2) for line in result.lines if line.is_first and line.group != "surprises"
    )
    total += round(deposits, 2)
    surprises = sum(float(line.amount) for line in result.lines if line.group == "surprises")
    return (
        templates()
        .get_template("quote.html.j2")
        .render(
            title=f"{build.name}: quote",
            style=markupsafe.Markup(style_text()),
            build=build,
            candidate=c,
            date=(date or datetime.date.today()).isoformat(),
            lines=lines,
            deposits=f"{deposits:,.2f}" if deposits else "",
            total=f"{total:,.2f}",
            surprises=f"{surprises:,.2f}",
            cautions=comparison.cautions(c.id),
            broken=[told.text for told in comparison.broken(c.id)],
            sure=_sure(comparison.build, result),
            doubts=_doubts(comparison, result),
        )
    )


def _sure(build: Build, result: CandidateResult) -> str:
    """How surely a candidate meets every limit, as a sentence; empty where something stops it."""
    if result.stops:
        return ""
    text = met_text(build, result)
    return f"{text[:1].upper()}{text[1:]}."


def _doubts(comparison: Comparison, result: CandidateResult) -> list[str]:
    """Each limit that is not sure to be met, and what mends it: not in the total of a quote."""
    said = []
    for limit in result.limits:
        if limit.standing == "holds":
            continue
        text = judged_text(comparison.build, limit, comparison.system)
        mends = remedy_text(comparison.build, limit)
        short = "To fix it" if limit.standing == "out" else "If it falls short"
        fix = f" {short}: {mends}, not in the total." if mends else ""
        said.append(f"{text[:1].upper()}{text[1:]}.{fix}")
    return said


def _cost_rows(comparison: Comparison, shown: list[CandidateResult]) -> list[dict[str, Any]]:
    """One row a group of cost, totals for the start and for the whole."""
    sums = [{g: sum(float(line.amount) for line in r.lines if line.group == g) for g in cost.GROUPS} for r in shown]
    rows: list[dict[str, Any]] = []

    def row(text: str, values: list[float], *, is_total: bool = False) -> None:
        rows.append({"text": text, "cells": [f"{v:,.0f}" for v in values], "is_total": is_total})

    for group, first in cost.GROUPS.items():
        if first:
            row(group.capitalize(), [s[group] for s in sums])
    deposits = [sum(p.core_charge_money * p.quantity for p in r.candidate.parts) for r in shown]
    if any(deposits):
        row("Deposits on old parts (come back)", deposits)
    row("First cost", [r.figures["first_cost"].value for r in shown], is_total=True)
    for group, first in cost.GROUPS.items():
        if not first:
            row(group.capitalize(), [s[group] for s in sums])
    row(
        f"Cost of owning over {comparison.build.use.years:g} years",
        [r.figures["owning"].value for r in shown],
        is_total=True,
    )
    return rows


def _run_in(build: Build, shown: list[CandidateResult]) -> list[str]:
    """How each candidate is run in; those with the same plan are named together."""
    plans: dict[str, list[str]] = {}
    for r in shown:
        plans.setdefault(run_answer(run_in_plan(build, r.candidate)), []).append(r.candidate.name)
    return [f"{'; '.join(names)}: {said}" for said, names in plans.items()]


def _safety(shown: list[CandidateResult]) -> list[str]:
    """What is dangerous, the part makers' word first; what stops the break-in of a flat where there is one."""
    said = ["The part maker's own instruction comes before anything here, for the break-in too.", *_SAFETY]
    if any(r.candidate.follower == "flat" and r.candidate.run_in_time_s > 0 for r in shown):
        said.append(
            "Break-in of flat tappets: stop on any noise, smoke or lost oil pressure; then drain, open the filter and "
            "read every lobe's lift."
        )
    return said


def _risk(comparison: Comparison, result: CandidateResult) -> str:
    c, money = result.candidate, money_text(comparison.build)
    chance = result.figures["chance"].value
    return (
        f"{c.name}: {c.failure.what}, about {chance_text(chance)}, {money(c.failure.cost_money)} each time; "
        f"expected {money(result.figures['expected_loss'].value)}."
    )


def _assumed(comparison: Comparison) -> list[str]:
    """What was filled in, in words, one entry a thing; candidates that share a value are named together.

    The numbers of the calculation itself, which no customer can answer, are counted only: the page lists them.
    """
    build = comparison.build
    found: dict[str, dict[str, list[str]]] = {}
    of_the_model = 0
    for datum in compared_data(build):
        if not is_assumption(datum):
            continue
        if datum.path.startswith("model."):
            of_the_model += 1
            continue
        owner = datum.path.split(".")[1] if datum.path.startswith("candidates.") else ""
        text = datum.text.replace("**2", "²").replace("**3", "³").replace("*", "·")
        # What a zero stands for is said to who writes a sheet, after a semicolon.
        label = input_text(build, datum.path).split(";")[0]
        owners = found.setdefault(label, {}).setdefault(text, [])
        if owner not in owners:
            owners.append(owner)
    items = [
        f"{label}: {', '.join(text + _whose(build, owners) for text, owners in values.items())}"
        for label, values in found.items()
    ]
    if of_the_model:
        items.append(f"and {of_the_model} numbers of the calculation itself, listed on the choose page")
    return items


def _whose(build: Build, owners: list[str]) -> str:
    """Whose a value is, to follow it: nothing where it is everyone's, a kind of lifter, or names."""
    if owners == [""] or len(owners) == len(build.candidates):
        return ""
    kinds = {
        "flat": lambda c: c.follower == "flat",
        "roller": lambda c: c.follower == "roller",
        "solid": lambda c: c.lifter == "solid",
        "hydraulic": lambda c: c.lifter == "hydraulic",
    }
    for word, belongs in kinds.items():
        if {c.id for c in build.candidates if belongs(c)} == set(owners):
            return f" ({word})"
    return f" ({'; '.join(build.candidate(each).name for each in owners)})"


def cost_chart_svg(shown: list[CandidateResult], currency: str) -> str:
    """Stacked bars of cost of owning by group, with the 5 to 95 % range of the whole."""
    width, bar, gap, left, top = 720.0, 14.0, 10.0, 190.0, 32.0
    most = max((r.figures["owning"].high for r in shown), default=1.0) * 1.04 or 1.0
    scale = (width - left - 20.0) / most
    height = top + len(shown) * (bar + gap) + 20.0
    out = [
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="Cost of owning" font-size="10.5" '
        f'fill="{INK}">'
    ]
    x, y = left, 12.0
    for group, shade in GROUP_SHADES.items():
        if x > width - 150:
            x, y = left, y + 13.0
        out.append(
            f'<rect x="{x:.1f}" y="{y - 8:.1f}" width="9" height="9" fill="{shade}" stroke="{INK}" stroke-width=".5"/>'
        )
        out.append(f'<text x="{x + 12:.1f}" y="{y:.1f}" font-size="9">{escape(group)}</text>')
        x += 20.0 + 5.6 * len(group)
    for i, result in enumerate(shown):
        y = top + i * (bar + gap)
        name = result.candidate.name if len(result.candidate.name) <= 34 else result.candidate.name[:33] + "…"
        out.append(
            f'<text x="{left - 6:.0f}" y="{y + bar * 0.68:.1f}" text-anchor="end" font-size="10">{escape(name)}</text>'
        )
        x = left
        for group, shade in GROUP_SHADES.items():
            amount = sum(float(line.amount) for line in result.lines if line.group == group)
            w = amount * scale
            if w > 0.05:
                out.append(
                    f'<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="{bar}" fill="{shade}" stroke="{INK}" '
                    'stroke-width=".5">'
                    f"<title>{escape(group)}: {amount:,.0f} {escape(currency)}</title></rect>"
                )
                x += w
        low, high = (left + v * scale for v in result.figures["owning"][1:])
        middle = y + bar + 3.5
        out.append(
            f'<path d="M{low:.1f} {middle - 3:.1f}v6M{low:.1f} {middle:.1f}H{high:.1f}M{high:.1f} {middle - 3:.1f}v6" '
            f'stroke="{INK}" stroke-width="1.2" fill="none"/>'
        )
    axis = top + len(shown) * (bar + gap) + 2.0
    step = _nice(most / 6.0)
    value = 0.0
    while value <= most:
        at = left + value * scale
        out.append(f'<path d="M{at:.1f} {top - 4:.1f}V{axis:.1f}" stroke="#9aa5b1" stroke-width=".4" fill="none"/>')
        out.append(f'<text x="{at:.1f}" y="{axis + 11:.1f}" text-anchor="middle" font-size="9">{value:,.0f}</text>')
        value += step
    out.append("</svg>")
    return "".join(out)


def _nice(step: float) -> float:
    power = 10.0 ** math.floor(math.log10(step)) if step > 0 else 1.0
    return next(power * m for m in (1, 2, 5, 10) if power * m >= step)
