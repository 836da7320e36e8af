"""Figures for the screen: results in, plotly figures out.

What does each choice cost?              `cost_figure`
How do the valves move?                  `lift_figure`
How far is each from its limits?         `margin_figure`
When does the risk turn the choice?      `risk_figure`
Where does the torque differ?            `torque_figure`
What is every figure made of?            `base_figure`, `layout_of`, `axis`, `trace`, `faint`, `styles`

Functions take a Comparison and return a figure as plain data; no widgets here. A candidate keeps one colour, dash
and marker everywhere (`palette`). Titles are left to the panel: a chart has its axis words and no more.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from lobeledger import units
from lobeledger.choice import cost
from lobeledger.choice.results import CandidateResult, Decision
from lobeledger.engine.cycle import CRANK_GRID_RAD, SPEED_GRID_RPM, crank_lift_m, valve_timing
from lobeledger.page.palette import FONT, GROUP_HATCHES, GROUP_SHADES, INK, QUIET, CandidateStyle, style_of
from lobeledger.page.words.comparison import LIMITS, Comparison
from lobeledger.page.words.figures import chance_text, in_tries
from lobeledger.page.words.judged import LIMIT_NAMES, room_text

__all__ = [
    "ASIDE",
    "GRID",
    "Figure",
    "axis",
    "base_figure",
    "cost_figure",
    "faint",
    "layout_of",
    "lift_figure",
    "margin_figure",
    "risk_figure",
    "styles",
    "torque_figure",
    "trace",
]

Figure = dict[str, Any]
"""A plotly figure as plain data and layout: building it checked, trace by trace, costs more than the physics."""

GRID = "#dde3e9"
ASIDE = {
    "orientation": "v",
    "x": 1.01,
    "y": 1.0,
    "xanchor": "left",
    "yanchor": "top",
    "font": {"size": 14},
    "traceorder": "normal",
}


def styles(comparison: Comparison | Decision) -> dict[str, CandidateStyle]:
    """Style of each candidate by id, by its place among those of its kind in the sheet."""
    found: dict[str, CandidateStyle] = {}
    seen = {"flat": 0, "roller": 0}
    for each in comparison.build.candidates:
        found[each.id] = style_of(each.follower, seen[each.follower])
        seen[each.follower] += 1
    return found


def trace(kind: str, **content: Any) -> dict[str, Any]:
    """One trace of a figure as plain data."""
    return {"type": kind, **content}


def axis(**more: Any) -> dict[str, Any]:
    """An axis in the house's looks."""
    shown = {"gridcolor": GRID, "zerolinecolor": "#7b8794", "linecolor": INK, "ticks": "outside", "automargin": True}
    return {**shown, **more}


def layout_of(height: int, **more: Any) -> dict[str, Any]:
    """A layout in the house's looks, without axes."""
    whole: dict[str, Any] = {
        "template": "none",
        "height": height,
        "autosize": True,
        "margin": {"l": 10, "r": 12, "t": 8, "b": 10},
        "font": {"size": 14, "color": INK, "family": FONT},
        "paper_bgcolor": "white",
        "plot_bgcolor": "white",
        "hoverlabel": {"align": "left", "bgcolor": "white", "font": {"size": 14}},
        # Hung from the figure's own top: hung from the plot, plotly mislays it when the figure finds its width.
        "legend": {"orientation": "h", "yref": "container", "y": 1.0, "yanchor": "top", "x": 0, "font": {"size": 14}},
        "uirevision": "keep",
    }
    return {**whole, **more}


def base_figure(traces: list[dict[str, Any]], *, x: str, y: str = "", height: int = 270, **layout: Any) -> Figure:
    """A figure of these traces in the house's looks; `layout` adds to it."""
    axes = {
        "xaxis": axis(title={"text": x, "standoff": 6, "font": {"size": 14}}),
        "yaxis": axis(title={"text": y, "standoff": 6, "font": {"size": 14}}),
    }
    for name in axes:
        axes[name].update(layout.pop(name, {}))
    whole = layout_of(height)
    if "legend" not in layout and sum("name" in each and each.get("showlegend", True) for each in traces) > 1:
        whole["margin"] = {**whole["margin"], "t": 34}
    return {"data": traces, "layout": {**whole, **axes, **layout}}


def faint(colour: str) -> str:
    """A colour for a band behind a line of it."""
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"rgba({r},{g},{b},0.18)"


def cost_figure(comparison: Comparison) -> Figure:
    """Cost of owning by what it is spent on, with the 5 to 95 % range of the whole."""
    results, currency = comparison.results[::-1], comparison.build.currency
    names = [_short(r) for r in results]
    traces: list[Any] = []
    for group, shade in GROUP_SHADES.items():
        amounts = [sum(float(line.amount) for line in r.lines if line.group == group) for r in results]
        details = [
            "<br>".join(f"{line.text}: {float(line.amount):,.0f}" for line in r.lines if line.group == group)
            for r in results
        ]
        traces.append(
            trace(
                "bar",
                y=names, x=amounts, name=group, orientation="h", customdata=details,
                marker={"color": shade, "line": {"color": INK, "width": 0.5}, "pattern": {"shape": GROUP_HATCHES.get(group, ""), "bgcolor": shade, "fgcolor": "white" if group == "risk of failure" else INK, "size": 6, "solidity": 0.2}},
                hovertemplate=f"<b>{group}</b>: %{{x:,.0f}} {currency}<br>%{{customdata}}<extra></extra>",
            )
        )  # fmt: skip
    owning = [r.figures["owning"] for r in results]
    traces.append(
        trace(
                "scatter",
            y=names, x=[f.value for f in owning], mode="markers", name="5 to 95%",
            marker={"symbol": "line-ns", "size": 9, "line": {"width": 2, "color": INK}, "color": INK},
            error_x={
                "type": "data", "array": [f.high - f.value for f in owning], "arrayminus": [f.value - f.low for f in owning],
                "color": INK, "thickness": 1.4, "width": 4,
            },
            customdata=[[f.low, f.high] for f in owning],
            hovertemplate="<b>%{y}</b><br>total cost %{x:,.0f} (%{customdata[0]:,.0f} to %{customdata[1]:,.0f}) " + currency + "<extra></extra>",
        )
    )  # fmt: skip
    return base_figure(
        traces,
        x=f"{currency} over {comparison.build.use.years:g} years",
        height=300,
        barmode="stack",
        bargap=0.35,
        legend=ASIDE,
    )


def _short(result: CandidateResult) -> str:
    name = result.candidate.name
    return name if len(name) <= 26 else name[:25] + "…"


def lift_figure(comparison: Comparison, height: int = 270) -> Figure:
    """Valve lift of intake and exhaust over crank angle about the overlap TDC, with the card's band."""
    system, look = comparison.system, styles(comparison)
    angle = np.degrees(CRANK_GRID_RAD) - 360.0
    kept = (angle > -285) & (angle < 285)
    per_m = units.from_si(1.0, "lift", system)
    traces: list[Any] = []
    for result in comparison.results:
        a, style = result.assessment, look[result.candidate.id]
        if a.intake is None or a.exhaust is None:
            continue
        timing = valve_timing(result.candidate, comparison.build.model)
        for which, lobe, centre, seat in (
            ("exhaust", a.exhaust, timing.exhaust_centre_rad, timing.exhaust_seat_m),
            ("intake", a.intake, timing.intake_centre_rad, timing.intake_seat_m),
        ):
            lifts = per_m * np.array([
                crank_lift_m(m.lift_m, m.theta_cam_rad, centre, timing.ratio, seat)[kept] for m in lobe.members
            ])  # fmt: skip
            opened = lifts.max(axis=0) > 0
            x, lifts = angle[kept][opened], lifts[:, opened]
            shared = {"legendgroup": result.candidate.id, "hoverinfo": "skip", "showlegend": False}
            traces += [
                trace("scatter", x=x, y=lifts.max(axis=0), mode="lines", line={"width": 0}, **shared),
                trace(
                "scatter",
                    x=x, y=lifts.min(axis=0), mode="lines", line={"width": 0}, fill="tonexty",
                    fillcolor=faint(style.colour), **shared,
                ),
                trace(
                "scatter",
                    x=x, y=lifts[0], mode="lines", name=_short(result), legendgroup=result.candidate.id,
                    showlegend=which == "exhaust", line={"color": style.colour, "dash": style.dash, "width": 2},
                    hovertemplate=f"<b>{result.candidate.name}</b>, {which}<br>%{{y:.3f}} {units.shown_unit('lift', system)} at %{{x:.0f}}°"
                    "<br>after lash or lifter take-up, worked out from the card; shaded: every lobe the card allows<extra></extra>",
                ),
            ]  # fmt: skip
    figure = base_figure(
        traces,
        x="crank degrees from overlap TDC",
        y=f"valve lift, {units.shown_unit('lift', system)}",
        height=height,
        xaxis={"dtick": 60},
        yaxis={"rangemode": "tozero"},
    )
    said = ", ".join(
        f"{r.candidate.name} {units.show(r.figures['intake_lift'].value, 'lift', system)}"
        for r in comparison.results
        if "intake_lift" in r.figures
    )
    return {**figure, "text": f"Valve lift over crank degrees. Most intake lift: {said}."}


def margin_figure(comparison: Comparison) -> Figure:
    """Room of each candidate at each limit, in per cent of the limit, with 5 to 95% of its tries; below zero it fails.

    Of the speed, the room is what is left of the gap, seat bounce or pump-up that is allowed at top rpm.
    """
    look = styles(comparison)
    rows = [key for key in LIMITS if any(r.limit(key) is not None for r in comparison.results)]
    traces: list[Any] = []
    count = len(comparison.results)
    for i, result in enumerate(comparison.results):
        style = look[result.candidate.id]
        x, low, high, y, text = [], [], [], [], []
        for position, key in enumerate(rows):
            limit = result.limit(key)
            if limit is None or not limit.need or not math.isfinite(limit.have.value):
                continue
            nominal, *ends = (limit.side * (v / limit.need - 1.0) * 100.0 for v in limit.have)
            least, most = min(ends), max(ends)
            x.append(nominal)
            low.append(nominal - least)
            high.append(most - nominal)
            y.append(position + (i - (count - 1) / 2.0) * min(0.16, 0.7 / count))
            said = room_text(comparison.build, limit, comparison.system)
            spread = f" ({least:+,.0f} to {most:+,.0f}%)" if high[-1] + low[-1] > 0.0 else ""
            text.append(f"{LIMIT_NAMES[key]}: {said}{spread}<br>met in {in_tries(limit.chance)}")
        traces.append(
            trace(
                "scatter",
                x=x, y=y, mode="markers", name=_short(result), text=text,
                marker={"symbol": style.marker, "size": 9, "color": style.colour, "line": {"color": INK, "width": 0.8}},
                error_x={"type": "data", "array": high, "arrayminus": low, "color": style.colour, "thickness": 1.3, "width": 3},
                hovertemplate=f"<b>{result.candidate.name}</b><br>%{{text}}<extra></extra>",
            )
        )  # fmt: skip
    return base_figure(
        traces,
        x="room left [%], bars 5 to 95% of tries; below 0 fails",
        xaxis={"range": [-100, 200]},
        yaxis={"tickvals": list(range(len(rows))), "ticktext": [_SHORT_LIMITS[key] for key in rows], "autorange": "reversed", "zeroline": False},
        shapes=[{"type": "line", "x0": 0, "x1": 0, "yref": "paper", "y0": 0, "y1": 1, "line": {"color": INK, "width": 1.5}}],
    )  # fmt: skip


_SHORT_LIMITS = {
    "speed": "top rpm",
    "vacuum": "idle vacuum",
    "coil_bind": "coil bind",
    "retainer": "retainer",
    "budget": "budget",
}


def risk_figure(comparison: Comparison) -> Figure:
    """Cost of owning over the chance of losing a flat lobe; rollers at their own chance; break-evens marked."""
    look, currency = styles(comparison), comparison.build.currency
    chances = np.geomspace(0.001, 1.0, 60)
    traces: list[Any] = []
    for result in comparison.results:
        c, style = result.candidate, look[result.candidate.id]
        base = cost.cost_without_loss(list(result.lines))
        own = result.figures["chance"].value
        flat = c.follower == "flat"
        y = base + (chances if flat else np.full_like(chances, own)) * c.failure.cost_money
        traces.append(
            trace(
                "scatter",
                x=chances * 100, y=y, mode="lines", name=_short(result),
                line={"color": style.colour, "dash": style.dash, "width": 2},
                hovertemplate=f"<b>{c.name}</b><br>"
                + (f"if a {c.failure.what} comes in %{{x:.2g}}% of builds:" if flat else f"{c.failure.what} held at {chance_text(own)}:")
                + f" %{{y:,.0f}} {currency}<extra></extra>",
            )
        )  # fmt: skip
        if flat:
            traces.append(
                trace(
                "scatter",
                    x=[own * 100], y=[base + own * c.failure.cost_money], mode="markers", showlegend=False,
                    marker={"symbol": style.marker, "size": 10, "color": style.colour, "line": {"color": INK, "width": 1}},
                    hovertemplate=f"<b>{c.name}</b><br>today's estimate: {chance_text(own)}<extra></extra>",
                )
            )  # fmt: skip
    marks = [b for b in comparison.break_evens if b.chance is not None]
    by_id = {r.candidate.id: r for r in comparison.results}
    traces.append(
        trace(
                "scatter",
            x=[(b.chance or 0.0) * 100 for b in marks],
            y=[
                cost.cost_without_loss(list(by_id[b.flat_id].lines)) + (b.chance or 0.0) * by_id[b.flat_id].candidate.failure.cost_money
                for b in marks
            ],
            mode="markers", name="break-even", text=[comparison.break_even_text(b) for b in marks],
            marker={"symbol": "circle-open", "size": 13, "color": INK, "line": {"width": 2, "color": INK}},
            hovertemplate="%{text}<extra></extra>",
        )
    )  # fmt: skip
    return base_figure(
        traces,
        x="odds of a wiped lobe, % of builds",
        y=f"total cost, {currency}",
        xaxis={"type": "log", "tickvals": [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100], "range": [-1, 2]},
    )


def torque_figure(comparison: Comparison, against_id: str = "", height: int = 270) -> Figure:
    """Torque of each candidate over speed, the speeds used shaded: against the mean of them, or against one of them."""
    look, use = styles(comparison), comparison.build.use
    known = [r for r in comparison.results if r.assessment.torque_n_m.size]
    # Far above the highest speed torque nears zero, and shares of nothing would fill the chart.
    near = SPEED_GRID_RPM <= use.highest_speed_rpm * 1.15
    base = next((r for r in known if r.candidate.id == against_id), None)
    every = [r.assessment.torque_n_m for r in known]
    level = (
        base.assessment.torque_n_m
        if base is not None
        else np.nanmean(every, axis=0)
        if known
        else np.ones_like(SPEED_GRID_RPM)
    )
    traces: list[Any] = []
    for result in known:
        style = look[result.candidate.id]
        traces.append(
            trace(
                "scatter",
                x=SPEED_GRID_RPM[near], y=((result.assessment.torque_n_m / level - 1.0) * 100.0)[near], mode="lines", name=_short(result),
                line={"color": style.colour, "dash": style.dash, "width": 2.4, "shape": "spline"},
                hovertemplate=f"<b>{result.candidate.name}</b><br>%{{y:+.1f}}% at %{{x:,.0f}} rpm<br>estimate, for differences only<extra></extra>",
            )
        )  # fmt: skip
    top = max(b.share for b in use.bands)
    shapes = [
        {
            "type": "rect", "x0": b.from_rpm, "x1": b.to_rpm, "yref": "paper", "y0": 0, "y1": 1, "layer": "below",
            "fillcolor": "#22384d", "opacity": 0.05 + 0.11 * b.share / top, "line": {"width": 0},
        }
        for b in use.bands
    ]  # fmt: skip
    notes = [
        {
            "x": (b.from_rpm + b.to_rpm) / 2.0, "y": 0.01, "yref": "paper", "yanchor": "bottom", "showarrow": False,
            "text": f"{b.share:.0%} of the time", "font": {"size": 14, "color": QUIET},
        }
        for b in use.bands
    ]  # fmt: skip
    whom = "the average cam" if base is None else _short(base)
    said = ", ".join(f"{r.candidate.name} {r.figures['gain'].value:+.1%}" for r in known if "gain" in r.figures)
    figure = base_figure(
        traces, x="engine rpm (shaded: your rpm)", y="torque vs. average, %" if base is None else "torque vs. that cam, %",
        height=height, shapes=shapes, annotations=notes, xaxis={"range": [1000, max(use.highest_speed_rpm * 1.06, 2000)], "tickformat": ",d"},
        yaxis=_roomy(traces),
    )  # fmt: skip
    return {**figure, "text": f"Torque over engine speed against {whom}. At your rpm, over the weakest: {said}."}


def _roomy(traces: list[dict[str, Any]]) -> dict[str, Any]:
    """A vertical axis with room below the lines for what is written there."""
    found = [float(v) for each in traces for v in each["y"] if math.isfinite(v)]
    if not found:
        return {}
    span = max(max(found) - min(found), 1.0)
    return {"range": [min(found) - 0.22 * span, max(found) + 0.08 * span], "nticks": 6, "tickformat": "+.1~f"}
