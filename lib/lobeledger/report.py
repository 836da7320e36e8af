"""Sheets to print: self-contained HTML, every value escaped.

The customer's sheet, two pages       `write_customer_sheet`, `customer_sheet_html`
A quote for one candidate             `quote_html`
Candidates side by side               `side_table_html`
The run-in, with columns to fill in   `write_run_sheet`, `run_sheet_html`
"""

from __future__ import annotations

import datetime
import functools
import importlib.resources
import math
from html import escape
from pathlib import Path
from typing import Any

import jinja2
import markupsafe

from lobeledger import cost, units
from lobeledger.errors import BuildError
from lobeledger.figures import NOT_FOR_THIS, Figure, band_text, column, value_text
from lobeledger.files import write_text_atomically
from lobeledger.follower import crown_height_m
from lobeledger.palette import GROUP_SHADES, INK
from lobeledger.results import CandidateResult, Comparison, chance_text, is_assumption, money_text
from lobeledger.runin import RunInPlan, run_in_plan

__all__ = [
    "customer_sheet_html",
    "quote_html",
    "run_sheet_html",
    "side_by_side",
    "side_table_html",
    "style_text",
    "templates",
    "write_customer_sheet",
    "write_run_sheet",
]

MOST_SHOWN = 5

# What a customer is shown, in the order they ask for it.
_GROUPS = (
    ("What it gives", ("gain", "intake_lift", "valve_duration", "breathing_speed")),
    ("How it behaves", ("vacuum", "residual", "dynamic_compression", "cruise")),
    ("What its parts must bear", ("rigid_limit", "open_load", "coil_bind", "stress_cranking")),
    ("What it costs", ("first_cost", "owning", "chance", "net")),
)

# Figure -> the hard limit it is judged by.
_LIMIT_OF = {
    "vacuum": "vacuum",
    "rigid_limit": "speed",
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


@functools.cache
def templates() -> jinja2.Environment:
    """The sheets' templates, with escaping on."""
    # StrictUndefined: a name missing from a sheet is our mistake and must not print as nothing.
    return jinja2.Environment(
        loader=jinja2.PackageLoader("lobeledger"), autoescape=True, undefined=jinja2.StrictUndefined
    )


def write_customer_sheet(comparison: Comparison, path: str | Path, *, replace: bool = False) -> Path:
    """Write the customer's sheet. Raises BuildError when the file exists and `replace` is not given."""
    return write_text_atomically(path, customer_sheet_html(comparison), replace=replace)


def _ranked(comparison: Comparison) -> list[CandidateResult]:
    """Passing candidates first, each by what decides."""

    def net(result: CandidateResult) -> float:
        value = result.figures["net"].value
        return value if math.isfinite(value) else math.inf

    return sorted(comparison.results, key=lambda r: (not r.passes, net(r)))


def customer_sheet_html(comparison: Comparison, *, date: datetime.date | None = None) -> str:
    """The customer's sheet as one HTML page that prints on two."""
    build = comparison.build
    ranked = _ranked(comparison)
    shown, rest = ranked[:MOST_SHOWN], ranked[MOST_SHOWN:]
    template = templates().get_template("customer_sheet.html.j2")
    return template.render(
        title=f"{build.name}: cam and lifter choice",
        style=markupsafe.Markup(style_text()),
        build=build,
        date=(date or datetime.date.today()).isoformat(),
        answer=comparison.answer,
        reasons=comparison.reasons[:6],
        **side_by_side(comparison, shown),
        band_note="Money and chances: 5 to 95 % of trials with the uncertain values varied.",
        left_out=", ".join(r.candidate.name for r in rest),
        years=f"{build.use.years:g}",
        cost_chart=markupsafe.Markup(cost_chart_svg(shown, build.currency)),
        cost_rows=_cost_rows(comparison, shown),
        run_in=_run_in(shown),
        risks=[b.text for b in comparison.break_evens if shown[0].candidate.id in (b.flat_id, b.roller_id)][:3]
        + [_risk(comparison, r) for r in shown],
        cautions=[(r.candidate.name, r.assessment.cautions) for r in shown[:2] if r.assessment.cautions],
        safety=_SAFETY,
        assumed=_assumed(comparison),
    )


def side_by_side(comparison: Comparison, shown: list[CandidateResult]) -> dict[str, Any]:
    """Heads and rows of the side-by-side table, as the templates take them: `shown` and `groups`."""
    system, currency = comparison.system, comparison.build.currency
    tie = len(comparison.tied_ids) > 1
    heads = [
        {
            "name": r.candidate.name,
            "is_winner": r.candidate.id in comparison.tied_ids,
            "mark": "tie" if tie else "our answer",
        }
        for r in shown
    ]
    groups = []
    for title, keys in _GROUPS:
        rows = []
        for key in keys:
            col = column(key)
            cells = []
            for result in shown:
                figure = result.figures.get(key, NOT_FOR_THIS)
                cells.append(
                    {
                        "value": value_text(col, figure.value, system, currency),
                        "band": band_text(col, figure, system, currency),
                        "is_broken": any(b.limit == _LIMIT_OF.get(key) for b in result.broken),
                    }
                )
            rows.append({"heading": col.heading, "meaning": col.meaning, "cells": cells})
        groups.append({"title": title, "rows": rows})
    return {"shown": heads, "groups": groups}


def side_table_html(comparison: Comparison) -> str:
    """The side-by-side table for a screen: all candidates in the sheet's order."""
    template = templates().get_template("side_table.html.j2")
    return template.render(**side_by_side(comparison, list(comparison.results)))


def quote_html(comparison: Comparison, *, candidate_id: str | None = None, date: datetime.date | None = None) -> str:
    """A quote for one candidate (the answer, unless told otherwise): what is paid at the start, line by line.

    Upkeep and risk are not billed and stay out. Validity and terms are left for the shop to fill in. Raises
    BuildError when no candidate passes and none is named.
    """
    chosen = candidate_id or comparison.winner_id
    if chosen is None:
        raise BuildError("there is nothing to quote: no candidate passes every limit; name one, or change the limits")
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
    total = sum(float(line.amount) for line in result.lines if line.is_first and line.group != "surprises") + deposits
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
            cautions=result.assessment.cautions,
            broken=[b.text for b in result.broken],
        )
    )


# -- run sheet ---------------------------------------------------------------------------------------------

# Lines of the log: one about every four minutes, never more than fit on the page.
_LOG_MINUTES, _MOST_LOG_LINES = 4.0, 9
_ROLLER_LOG = ("fired, oil pressure there", "thermostat open, no leaks", "before it is shut down")


def write_run_sheet(comparison: Comparison, candidate_id: str, path: str | Path, *, replace: bool = False) -> Path:
    """Write the run sheet of one candidate. Raises BuildError when the file exists and `replace` is not given."""
    return write_text_atomically(path, run_sheet_html(comparison, candidate_id), replace=replace)


def run_sheet_html(comparison: Comparison, candidate_id: str, *, date: datetime.date | None = None) -> str:
    """The run sheet of one candidate as one HTML page that prints on two: maker's instruction, acts, log, costs.

    Raises OutOfRange when there is no such candidate.
    """
    build, system = comparison.build, comparison.system
    c = build.candidate(candidate_id)
    plan = run_in_plan(build, c)
    low, high = (f"{end:,.2f}" for end in plan.total_money[1:])
    return (
        templates()
        .get_template("run_sheet.html.j2")
        .render(
            title=f"{build.name}: run sheet",
            style=markupsafe.Markup(style_text()),
            build=build,
            candidate=c,
            plan=plan,
            date=(date or datetime.date.today()).isoformat(),
            answer=_run_answer(plan),
            springs=_run_springs(plan, system),
            notes=_run_notes(plan, system),
            log=_run_log(plan),
            step_texts=[_step_text(i, step.line.text, step.line.watch or "") for i, step in enumerate(plan.steps, 1)],
            other_school=_other_school(plan),
            turning="Pushrods seen turning" if c.follower == "flat" else "Pushrods steady",
            pressure_unit=units.shown_unit("pressure", system),
            temperature_unit="°F" if system == "us" else "°C",
            lift_unit=units.shown_unit("lift", system),
            cylinders=range(1, build.engine.cylinders + 1),
            lifts=[units.show(card.lobe_lift_m, "lift", system, unit=False) for card in (c.intake, c.exhaust)],
            fuel=_run_fuel(plan, system),
            charges=[(each.text, f"{each.amount:,.2f}") for each in plan.charges],
            total=f"{plan.total_money.value:,.2f}",
            total_note=(f"{low} to {high} with the uncertain values varied. " if low != high else "")
            + ("No dyno hours in the build sheet: run in on the car. " if not c.dyno_time_h else "")
            + "Labour to fit the parts is charged with the fitting.",
        )
    )


def _other_school(plan: RunInPlan) -> str:
    """What the other school does, where no maker's word and no speed of the sheet decides."""
    if not plan.steps or plan.school == "none" or plan.maker_instruction or plan.is_speed_given:
        return ""
    other = "varies it from 2,000 to 3,000 rpm" if plan.school == "hold" else "holds 3,500 rpm for 30 minutes"
    return f"Another school {other}; neither has a published source, and the build sheet chooses (run_in_school)."


def _rpm(speed: float) -> str:
    """A speed to set on a tachometer: to 50 rpm."""
    return f"{50.0 * round(speed / 50.0):,.0f}"


def _span(low: float, high: float) -> str:
    return _rpm(low) if _rpm(low) == _rpm(high) else f"{_rpm(low)} to {_rpm(high)}"


def _run_answer(plan: RunInPlan) -> str:
    if not plan.steps:
        if plan.candidate.follower == "roller":
            return (
                "No lobe run-in for rollers: a first start with oil everywhere, a look for leaks, new rings seated "
                "under load, and the first oil change as for any fresh engine."
            )
        return "No run-in at speed is asked for in the build sheet."
    low = min(min(step.from_rpm, step.to_rpm) for step in plan.steps)
    high = max(max(step.from_rpm, step.to_rpm) for step in plan.steps)
    sources = {True: "the build sheet", False: "common practice"}
    source = (
        sources[plan.is_time_given]
        if plan.is_time_given == plan.is_speed_given
        else f"minutes from {sources[plan.is_time_given]}, speed from {sources[plan.is_speed_given]}"
    )
    how = "held at" if low == high else "at"
    text = f"{plan.time_s / 60.0:.3g} minutes {how} {_span(low, high)} rpm ({source})."
    if plan.candidate.follower == "roller":
        return text
    return f"{text} Straight to speed and no idling, so it must fire at once."


def _run_springs(plan: RunInPlan, system: str) -> list[str]:
    s, show = plan.springs, functools.partial(units.show, system=system)

    def told(seat: float, load: float, stress: float) -> str:
        nose = f", nose stress {show(stress, 'stress')} at cranking" if math.isfinite(stress) else ""
        return f"{show(seat, 'load')} closed, {show(load, 'load')} open{nose}"

    texts = [f"As fitted: {told(s.seat_n.value, s.open_n.value, s.stress_pa.value)}."]
    if s.is_lightened:
        c = plan.candidate
        ways = ["without the inner springs"] if c.is_run_in_without_inner else []
        ways += [f"with rockers of {c.run_in_rocker_ratio:g}"] if c.run_in_rocker_ratio is not None else []
        texts[0] += (
            f" For the run-in, {' and '.join(ways)}: "
            f"{told(s.run_in_seat_n.value, s.run_in_open_n.value, s.run_in_stress_pa.value)}."
        )
    if s.usual_open_n is not None:
        usual = show(s.usual_open_n, "load")
        above = s.run_in_open_n.value > s.usual_open_n
        text = f"Common practice for the run-in of a flat cam is up to about {usual} open: this is " + (
            "above it." if above else "within it."
        )
        ways = []
        if above and s.inner_out_open_n is not None:
            ways.append(f"without the inner springs it would be {show(s.inner_out_open_n, 'load')}")
        if above and s.ratio_for_usual is not None:
            ways.append(
                f"rockers of {math.floor(100.0 * s.ratio_for_usual) / 100.0:.2f} or less would bring it down to {usual}"
            )
        texts.append(text + (f" {' and '.join(ways).capitalize()}." if ways else ""))
        if s.run_in_stress_pa.value > plan.candidate.stress_caution_pa:
            texts.append(
                f"At cranking the nose bears more than the {show(plan.candidate.stress_caution_pa, 'stress')} above "
                "which to be careful (assumed): crank as little as you can."
            )
    return texts


def _run_notes(plan: RunInPlan, system: str) -> dict[str, str]:
    """What the build sheet adds to an act."""
    c, show = plan.candidate, functools.partial(units.from_si, system=system)
    unit, digits = units.shown_unit("lift", system), 4 if system == "us" else 3
    notes = {}
    if c.crown_radius_m is not None and c.face_diameter_m is not None and c.lobe_taper_m is not None:
        crown = crown_height_m(c.crown_radius_m, face_diameter_m=c.face_diameter_m)
        notes["gauge"] = (
            f"This sheet reckons with a crown of {show(crown, 'lift'):.{digits}f} {unit} over the face and a taper of "
            f"{show(c.lobe_taper_m, 'lift'):.{digits}f} {unit} across the lobe."
        )
    if c.lifter == "solid":
        notes["lash"] = (
            f"Hot: {units.show(c.intake_lash_m, 'lift', system)} intake, "
            f"{units.show(c.exhaust_lash_m, 'lift', system)} exhaust."
        )
    return notes


def _run_log(plan: RunInPlan) -> list[str]:
    """The first column of the log: minutes and speeds, a line about every four minutes."""
    if not plan.steps:
        return list(_ROLLER_LOG)
    every = max(_LOG_MINUTES * 60.0, plan.time_s / _MOST_LOG_LINES)
    rows, start = [], 0.0
    for step in plan.steps:
        lines = max(1, round(step.time_s / every))
        for i in range(lines):
            ends = [(start + step.time_s * share / lines) / 60.0 for share in (i, i + 1)]
            rows.append(f"{ends[0]:.3g} to {ends[1]:.3g} min: {_span(step.from_rpm, step.to_rpm)}")
        start += step.time_s
    return rows


def _step_text(number: int, text: str, watch: str) -> str:
    return f"Step {number}: {text[0].lower() + text[1:]}." + (f" Watch {watch}." if watch else "")


def _run_fuel(plan: RunInPlan, system: str) -> list[str]:
    if not plan.steps:
        return ["No fuel is charged to a lobe run-in: first start and seating of rings are the same for every cam."]
    show = functools.partial(units.show, system=system)

    def ranged(figure: Figure) -> str:
        low, high = (show(end, "volume", unit=False) for end in figure[1:])
        return f"{show(figure.value, 'volume')} ({low} to {high})"

    texts = [
        "Fuel for "
        + ", ".join(f"step {i}: {ranged(step.fuel_m3)}" for i, step in enumerate(plan.steps, 1))
        + (f"; in all {ranged(plan.fuel_m3)}" if len(plan.steps) > 1 else "")
        + ". Have half as much again in the tank."
    ]
    heat, brake = plan.heat_w, max(step.brake_w for step in plan.steps)
    shares = ", ".join(
        f"{where} {share.value:.0%} ({_kw(heat.value * share.value)})" for where, share in plan.heat_shares.items()
    )
    texts.append(
        f"Heat to carry away in the hottest step: about {_kw(heat.value)} ({_kw(heat.low)} to {_kw(heat.high)}), what "
        f"the fuel holds less {_kw(brake)} at the crank. Shares assumed: {shares}. On the car the load is less, and so "
        "is all of this."
    )
    return texts


def _kw(power_w: float) -> str:
    return f"{power_w / 1000.0:.0f} kW"


def style_text() -> str:
    """The style of printed sheets."""
    return importlib.resources.files("lobeledger").joinpath("templates/sheet.css").read_text(encoding="utf-8")


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


def _run_in(shown: list[CandidateResult]) -> list[str]:
    texts = ["The cam maker's own instruction comes before anything here."]
    flats = [r.candidate for r in shown if r.candidate.run_in_time_s > 0]
    if flats:
        times = _ends([c.run_in_time_s / 60.0 for c in flats])
        speeds = _ends([c.run_in_speed_rpm for c in flats])
        texts.append(
            f"Flat tappets ({', '.join(c.name for c in flats)}): {times} minutes at about {speeds} rpm, "
            "varied, without idling; everything ready so that it fires at once (fuel, timing, coolant, primed oil). "
            "Stop on any "
            "noise, smoke or lost oil pressure. Then drain, open the filter, check lash or preload."
        )
    if any(r.candidate.run_in_time_s == 0 for r in shown):
        texts.append("Rollers need no lobe run-in; new rings still seat under load, and the first oil change stays.")
    return texts


def _ends(values: list[float]) -> str:
    """The least and the greatest of some values, or the one they share."""
    least, most = (f"{end(values):,.0f}" for end in (min, max))
    return least if least == most else f"{least} to {most}"


def _risk(comparison: Comparison, result: CandidateResult) -> str:
    c, money = result.candidate, money_text(comparison.build)
    chance = result.figures["chance"].value
    return (
        f"{c.name}: {c.failure.what}, about {chance_text(chance)}, {money(c.failure.cost_money)} each time; "
        f"expected {money(result.figures['expected_loss'].value)}."
    )


def _assumed(comparison: Comparison) -> list[str]:
    """Assumed values, one entry a key; candidates that share a value are named together."""
    found: dict[str, dict[str, list[str]]] = {}
    for datum in comparison.build.data.values():
        if not is_assumption(datum):
            continue
        steps = datum.path.split(".")
        owner = steps[1] if steps[0] == "candidates" else ""
        key = ".".join(steps[2:]) if owner else datum.path
        text = datum.text.replace("**2", "²").replace("**3", "³").replace("*", "·")
        found.setdefault(key, {}).setdefault(text, []).append(owner)
    everyone = len(comparison.build.candidates)
    items = []
    for key, values in found.items():
        label = key.split(".")[-1] if key.startswith("model.") else key.replace(".", " ")
        texts = [
            text if owners == [""] or len(owners) == everyone else f"{text} ({', '.join(owners)})"
            for text, owners in values.items()
        ]
        items.append(f"{label.replace('_', ' ')} {', '.join(texts)}")
    return items


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
