"""Sheets to print: self-contained HTML, every value escaped.

The customer's sheet, two pages       `write_customer_sheet`, `customer_sheet_html`
Candidates side by side               `side_table_html`
"""

from __future__ import annotations

import datetime
import math
from pathlib import Path
from typing import Any

import markupsafe

from lobeledger.assess.figures import NOT_FOR_THIS, column
from lobeledger.choice import cost
from lobeledger.choice.results import CandidateResult
from lobeledger.choice.run_in import run_in_plan
from lobeledger.lobe.outline import flat_profile, roller_profile
from lobeledger.page.palette import style_of
from lobeledger.page.paper.quote import letterhead
from lobeledger.page.plots.compare import lift_figure, torque_figure
from lobeledger.page.plots.drawing import Measures, lobe_drawing
from lobeledger.page.plots.on_paper import (
    GROUP_WORDS,
    cost_axis,
    cost_bar_svg,
    cost_chart_svg,
    curves_svg,
    group_key_svg,
)
from lobeledger.page.templates import style_text, templates
from lobeledger.page.words.comparison import LIMITS, Comparison
from lobeledger.page.words.figures import band_text, chance_text, in_tries, money_text, value_text
from lobeledger.page.words.guesses import guess_texts
from lobeledger.page.words.judged import (
    LIMIT_NAMES,
    judged_text,
    limit_standing,
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
    "side_by_side",
    "side_table_html",
    "write_customer_sheet",
]

MOST_SHOWN = 5
# What a customer is shown, in the order they ask for it.
_GROUPS = (
    ("What it gives", ("gain", "intake_lift", "lifter_duration", "breathing_speed")),
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
    "valve_duration",
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
    "A compressed spring can throw parts: use the proper compressor and safety glasses.",
)


def write_customer_sheet(comparison: Comparison, path: str | Path, *, replace: bool = False) -> Path:
    """Write the customer's sheet. Raises BuildError when the file exists and `replace` is not given."""
    return write_text_atomically(path, customer_sheet_html(comparison), replace=replace)


def _ranked(comparison: Comparison) -> list[CandidateResult]:
    """The candidates in the running first, the leader first of all; the others by how surely they meet every limit.

    Where none is in the running, the one that comes closest stands first.
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
    mended = {limit.remedy_id for r in shown for limit in r.limits if limit.standing != "holds"}
    guesses, others = guess_texts(build, comparison.system, remedies=mended)
    template = templates().get_template("customer_sheet.html.j2")
    return template.render(
        title=f"{build.name}: cam and lifter choice",
        style=markupsafe.Markup(style_text()),
        build=build,
        date=(date or datetime.date.today()).isoformat(),
        answer=comparison.answer,
        reasons=comparison.reasons[:6],
        shop=letterhead(build),
        board=_board(comparison, shown),
        curves=_curves(comparison, shown),
        lobes=_lobes(comparison, shown),
        **side_by_side(comparison, shown, on_paper=True),
        next_texts=[text for text in comparison.next_texts if text not in comparison.reasons[:6]],
        fixes=_fixes(comparison, shown),
        untried=comparison.decision.trials == 0,
        left_out=", ".join(r.candidate.name for r in rest),
        years=f"{build.use.years:g}",
        cost_chart=markupsafe.Markup(cost_chart_svg(shown, build.currency)),
        cost_rows=_cost_rows(comparison, shown),
        failure_rows=_failure_rows(comparison, shown),
        run_in=_run_in(build, shown),
        evens=evens,
        cautions=_cautions(comparison, shown[:2]),
        safety=_safety(shown),
        guesses=guesses,
        others=others,
    )


# How a limit stands, told apart in grey print by its mark.
_MARKS = {"holds": "●", "in doubt": "◐", "out": "✕"}


def _board(comparison: Comparison, shown: list[CandidateResult]) -> dict[str, Any]:
    """A row a cam: cost of owning as a bar with its range, then each limit with the room left."""
    build, system, currency = comparison.build, comparison.system, comparison.build.currency
    most = cost_axis(shown)
    keys = [key for key in LIMITS if any(r.limit(key) is not None for r in shown)]
    heads = []
    for key in keys:
        need = need_text(build, next(limit for r in shown if (limit := r.limit(key)) is not None), system)
        heads.append(need[:1].upper() + need[1:])
    rows = []
    for result, head in zip(shown, _heads(comparison, shown), strict=True):
        owning = result.figures["owning"]
        low, high = (f"{round(end, -1):,.0f}" for end in owning[1:])
        text = f"{round(owning.value, -1):,.0f} {currency}" if math.isfinite(owning.value) else "-"
        span = f"{low} to {high}" if math.isfinite(owning.value) else ""
        spoken = f"total cost of {result.candidate.name}: {text}, likely {span}"
        shade = style_of(result.candidate.follower, 2).colour
        standing, tries = standing_text(result)
        stops = ", ".join(LIMIT_NAMES[b.limit] for b in result.stops)
        rows.append(
            head
            | {
                "bar": markupsafe.Markup(cost_bar_svg(result, most, shade=shade, spoken=spoken)),
                "cost": text,
                "span": span,
                "standing": f"{_MARKS[standing]} {standing}",
                "tries": tries or stops,
                "limits": [_limit_cell(comparison, result, key) for key in keys],
            }
        )
    return {"heads": heads, "rows": rows}


def _limit_cell(comparison: Comparison, result: CandidateResult, key: str) -> dict[str, str]:
    limit = result.limit(key)
    if limit is None:
        return {"standing": "-", "room": "", "tries": "", "fix": ""}
    fix = remedy_price_text(comparison.build, limit) if limit.standing != "holds" else ""
    return {
        "standing": f"{_MARKS[limit_standing(limit)]} {limit_standing(limit)}",
        "room": room_text(comparison.build, limit, comparison.system),
        "tries": in_tries(limit.chance),
        "fix": f"fix: {fix.removeprefix('about ')}" if fix else "",
    }


def _curves(comparison: Comparison, shown: list[CandidateResult]) -> dict[str, Any]:
    """Torque of each cam against the mean of them; the valve lifts where fewer than two have a torque to compare."""
    known = [r for r in comparison.results if r.assessment.torque_n_m.size and r.assessment.intake is not None]
    is_torque = len(known) > 1
    drawn = torque_figure(comparison) if is_torque else lift_figure(comparison)
    title = "Torque against the average cam, % (shaded: your rpm)" if is_torque else "Valve lift"
    drawn["layout"]["xaxis"]["title"]["text"] = "engine rpm" if is_torque else "crank angle from overlap TDC, °"
    return {
        "title": title,
        "svg": markupsafe.Markup(curves_svg(drawn, [r.candidate.name if r in shown else "" for r in known])),
    }


def _lobes(comparison: Comparison, shown: list[CandidateResult]) -> list[Any]:
    """The intake lobes of the leading flat and the leading roller under their lifters, else of the first two."""
    able = [r for r in shown if r.assessment.intake is not None]
    first = [next((r for r in able if r.candidate.follower == kind), None) for kind in ("flat", "roller")]
    pair = [r for r in first if r is not None]
    if len(pair) < 2:
        pair = able[:2]
    pictures = []
    for result in pair:
        c, lobe = result.candidate, result.assessment.intake
        assert lobe is not None
        base = c.valvetrain.base_circle_radius_m
        profile = (
            flat_profile(lobe.nominal, base_radius_m=base)
            if c.wheel_diameter_m is None
            else roller_profile(lobe.nominal, base_radius_m=base, roller_radius_m=c.wheel_diameter_m / 2.0)
        )
        measures = Measures(c.valvetrain.lobe_width_m, face_diameter_m=c.face_diameter_m)
        svg = lobe_drawing(profile, measures, system=comparison.system, width_px=170.0, text_px=9.5, full_size=True)
        pictures.append({"name": c.name, "svg": markupsafe.Markup(svg)})
    return pictures


def _heads(comparison: Comparison, shown: list[CandidateResult]) -> list[dict[str, Any]]:
    tie = len(comparison.tied_ids) > 1
    return [
        {
            "name": r.candidate.name,
            "is_winner": r.candidate.id in (comparison.tied_ids or (comparison.nearest_id,)),
            "is_fitted": r.candidate.is_fitted,
            "mark": "tie" if tie else "our pick" if comparison.winner_id else "comes closest",
        }
        for r in shown
    ]


def side_by_side(comparison: Comparison, shown: list[CandidateResult], *, on_paper: bool = False) -> dict[str, Any]:
    """Heads and rows of the side-by-side table, as the templates take them: `shown` and `groups`."""
    system, currency = comparison.system, comparison.build.currency
    groups = []
    if not on_paper:  # on paper the board has them
        title = "Room left at each limit, and how surely it is met"
        groups.append({"title": title, "rows": _limit_rows(comparison, shown)})
    for title, keys in _GROUPS:
        if on_paper and title == "What it costs":
            continue  # the table of money says it, part by part
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
                        "hint": f"the best lobe is limited by {comparison.held_back_by(result.candidate.id)}"
                        if key == "share_of_best" and result.binding_limit
                        else "",
                        "is_broken": any(b.limit == _LIMIT_OF.get(key) for b in result.broken),
                    }
                )
            if on_paper and all(cell["value"] == "-" for cell in cells):
                continue
            rows.append({"heading": col.heading, "meaning": col.meaning, "cells": cells})
        groups.append({"title": title, "rows": rows})
    return {"shown": _heads(comparison, shown), "groups": groups}


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
                    "is_broken": limit_standing(limit) == "out",
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


def _cost_rows(comparison: Comparison, shown: list[CandidateResult]) -> list[dict[str, Any]]:
    """One row a group of cost, totals for the start and for the whole."""
    sums = [{g: sum(float(line.amount) for line in r.lines if line.group == g) for g in cost.GROUPS} for r in shown]
    rows: list[dict[str, Any]] = []

    def row(text: str, values: list[float], *, group: str = "") -> None:
        key = markupsafe.Markup(group_key_svg(group)) if group else ""
        cells = [f"{v:,.0f}" for v in values]
        rows.append({"text": text, "key": key, "cells": cells, "is_total": text.startswith(("Up-front", "Total"))})

    for group, first in cost.GROUPS.items():
        if first:
            row(GROUP_WORDS[group], [s[group] for s in sums], group=group)
    deposits = [sum(p.core_charge_money * p.quantity for p in r.candidate.parts) for r in shown]
    if any(deposits):
        row("Core charges (refunded)", deposits)
    row("Up-front cost", [r.figures["first_cost"].value for r in shown])
    for group, first in cost.GROUPS.items():
        if not first:
            row(GROUP_WORDS[group], [s[group] for s in sums], group=group)
    row(
        f"Total cost over {comparison.build.use.years:g} years",
        [r.figures["owning"].value for r in shown],
    )
    return rows


def _failure_rows(comparison: Comparison, shown: list[CandidateResult]) -> list[dict[str, Any]]:
    """How likely each is lost, by what, and what that costs."""
    money = money_text(comparison.build)
    odds = [(chance_text(r.figures["chance"].value), r.candidate.failure.what) for r in shown]
    costs = [money(r.candidate.failure.cost_money) for r in shown]

    def cell(value: str, band: str = "") -> dict[str, Any]:
        return {"value": value, "band": band, "is_broken": False}

    return [
        {"heading": "Odds of failure", "meaning": "", "cells": [cell(*each) for each in odds]},
        {"heading": "What one failure costs", "meaning": "", "cells": [cell(each) for each in costs]},
    ]


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
