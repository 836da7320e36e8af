"""Charts for paper: results in, SVG text out.

What does each choice cost, by what it is spent on?    `cost_chart_svg`, its key `group_key_svg`
Its cost and range, as one bar of a table              `cost_bar_svg`, `cost_axis`
Where does the torque differ, how do valves move?      `curves_svg`

Lines are those of the charts on the screen (`plots.compare`), so that paper never shows another curve. Shades and
dashes are the palette's: grey print tells them apart.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from typing import Any

from lobeledger.choice.results import CandidateResult
from lobeledger.page.palette import GROUP_HATCHES, GROUP_SHADES, INK
from lobeledger.page.plots.compare import Figure

__all__ = ["GROUP_WORDS", "cost_axis", "cost_bar_svg", "cost_chart_svg", "curves_svg", "group_key_svg"]

# Group of cost -> what a customer reads.
GROUP_WORDS = {
    "parts": "Parts",
    "machining": "Machining",
    "fitting": "Fitting",
    "break-in": "Break-in",
    "freight and tax": "Freight and tax",
    "surprises": "To keep aside for surprises",
    "upkeep": "Upkeep",
    "fuel lost to friction": "Fuel lost to friction",
    "risk of failure": "Average cost of a failure",
}
_GRID, _QUIET = "#c3ccd5", "#55616e"
_SVG_DASHES = {"solid": "", "dash": "7 4", "dot": "2 3", "dashdot": "8 3 2 3"}
# A bar this many times as long as the middle one is cut, so that it does not flatten the others.
_OUTLIER = 3.0


def cost_axis(shown: Sequence[CandidateResult]) -> float:
    """The cost at which the bars of a table end: the greatest upper end, or less where one dwarfs the others."""
    highs = sorted(r.figures["owning"].high for r in shown if math.isfinite(r.figures["owning"].high))
    if not highs:
        return 1.0
    return max(min(highs[-1], _OUTLIER * highs[len(highs) // 2]), 1.0)


def cost_bar_svg(result: CandidateResult, most: float, *, shade: str, spoken: str, width: float = 190.0) -> str:
    """One bar: the cost as given, and a line over its 5 to 95 %; a cut end where it passes `most`."""
    owning = result.figures["owning"]
    if not math.isfinite(owning.value):
        return ""
    scale = (width - 8.0) / most
    value, low, high = (min(v, most) * scale for v in owning)
    out = [
        f'<svg viewBox="0 0 {width:.0f} 16" style="width:{width:.0f}px;max-width:100%" role="img" '
        f'aria-label="{escape(spoken, quote=True)}">',
        f'<rect x="0" y="3" width="{value:.1f}" height="10" fill="{shade}" stroke="{INK}" stroke-width=".6"/>',
        f'<path d="M{low:.1f} 1v14M{low:.1f} 8H{high:.1f}M{high:.1f} 1v14" stroke="{INK}" stroke-width="1.3"/>',
    ]
    if owning.high > most * 1.0001:
        out.append(f'<path d="M{width - 14:.1f} 0l4 16h4l-4 -16z" fill="white" stroke="{INK}" stroke-width=".6"/>')
    return "".join(out) + "</svg>"


def curves_svg(
    figure: Figure, names: Sequence[str], *, width: float = 350.0, height: float = 205.0, text: float = 9.5
) -> str:
    """The lines of a chart of `plots.compare` as SVG, its shaded spans behind them, names below.

    names: the full names by which the cams' lines are called below the chart, in their order; an empty one leaves the
    line out. Edges of bands are left out.
    """
    drawn = [each for each in figure["data"] if each.get("mode") == "lines" and each["line"].get("width")]
    # Lines of one cam go together; by its place, for two cams may be called alike.
    whose = [each.get("legendgroup") or str(i) for i, each in enumerate(drawn)]
    called = dict(zip(dict.fromkeys(whose), names, strict=True))
    drawn, whose = (
        [each for each, key in zip(drawn, whose, strict=True) if called[key]],
        [k for k in whose if called[k]],
    )
    layout = figure["layout"]
    shapes = [each for each in layout.get("shapes", ()) if each["type"] == "rect"]
    xs = [float(v) for each in drawn for v in each["x"]]
    ys = [float(v) for each in drawn for v in each["y"] if math.isfinite(float(v))]
    if not xs or not ys:
        return ""
    first, last = layout["xaxis"].get("range") or (min(xs), max(xs))
    first = max(float(first), min(xs))
    last = min(float(last), max(xs))
    span = max(ys) - min(ys) or 1.0
    low, high = min(ys) - 0.05 * span, max(ys) + 0.05 * span
    left, right, top, bottom = text * 3.4, text * 1.7, 6.0, text * 2.9
    wide, tall = width - left - right, height - top - bottom

    def px(x: float, y: float) -> tuple[float, float]:
        return left + (x - first) / (last - first) * wide, top + (high - y) / (high - low) * tall

    body = []
    for each in shapes:
        x0, x1 = (px(min(max(float(each[end]), first), last), 0.0)[0] for end in ("x0", "x1"))
        body.append(
            f'<rect x="{x0:.1f}" y="{top}" width="{x1 - x0:.1f}" height="{tall:.1f}" fill="{each["fillcolor"]}" '
            f'opacity="{each["opacity"]:.2f}"/>'
        )
    body += _axes(layout, (first, last), (low, high), px, (left, top, wide, tall), text)
    legend, y = [], height + text * 0.5
    for key, each in zip(whose, drawn, strict=True):
        points = [
            px(float(a), float(b))
            for a, b in zip(each["x"], each["y"], strict=True)
            if first <= float(a) <= last and math.isfinite(float(b))
        ]
        dash = _SVG_DASHES[each["line"].get("dash", "solid")]
        look = f'fill="none" stroke="{each["line"]["color"]}" stroke-width="1.8"' + (
            f' stroke-dasharray="{dash}"' if dash else ""
        )
        body.append(f'<path d="M{"L".join(f"{a:.1f} {b:.1f}" for a, b in points)}" {look}/>')
        if key in called:
            legend.append(f'<path d="M{left:.1f} {y - text * 0.33:.1f}h26" {look}/>')
            name = called.pop(key)
            legend.append(f'<text x="{left + 32:.1f}" y="{y:.1f}">{escape(name)}</text>')
            y += text * 1.3
    spoken = f"{layout['yaxis']['title']['text']} over {layout['xaxis']['title']['text']}"
    return (
        f'<svg viewBox="0 0 {width:.0f} {y:.0f}" role="img" aria-label="{escape(spoken, quote=True)}" '
        f'font-size="{text:g}" fill="{INK}">' + "".join(body) + "".join(legend) + "</svg>"
    )


def _axes(
    layout: dict[str, Any],
    across: tuple[float, float],
    up: tuple[float, float],
    px: Any,
    box: tuple[float, float, float, float],
    text: float,
) -> list[str]:
    left, top, wide, tall = box
    out = []
    step = _nice((across[1] - across[0]) / 6.0)
    at = math.ceil(across[0] / step) * step
    while at <= across[1] + 1e-9:
        x = px(at, up[0])[0]
        out.append(f'<path d="M{x:.1f} {top}V{top + tall:.1f}" stroke="{_GRID}" stroke-width=".5"/>')
        out.append(f'<text x="{x:.1f}" y="{top + tall + text * 1.15:.1f}" text-anchor="middle">{at:,.0f}</text>')
        at += step
    step = _nice((up[1] - up[0]) / 5.0)
    digits = max(0, -math.floor(math.log10(step)))
    at = math.ceil(up[0] / step) * step
    while at <= up[1] + 1e-9:
        y = px(across[0], at)[1]
        is_zero = abs(at) < step / 1e3
        look = f'stroke="{INK if is_zero else _GRID}" stroke-width="{0.9 if is_zero else 0.5}"'
        out.append(f'<path d="M{left} {y:.1f}h{wide:.1f}" {look}/>')
        said = f"{0.0 if is_zero else at:,.{digits}f}"
        out.append(f'<text x="{left - 4:.1f}" y="{y + text * 0.35:.1f}" text-anchor="end">{said}</text>')
        at += step
    out.append(
        f'<rect x="{left}" y="{top}" width="{wide:.1f}" height="{tall:.1f}" fill="none" stroke="{INK}" '
        'stroke-width=".7"/>'
    )
    name = layout["xaxis"]["title"]["text"]
    out.append(
        f'<text x="{left + wide / 2:.1f}" y="{top + tall + text * 2.35:.1f}" text-anchor="middle" fill="{_QUIET}">'
        f"{escape(name)}</text>"
    )
    return out


def cost_chart_svg(shown: Sequence[CandidateResult], currency: str) -> str:
    """Stacked bars of what each cam costs in all, by where it goes; the table below it is the key (`group_key_svg`)."""
    width, bar, gap, left, top = 720.0, 11.0, 4.5, 190.0, 4.0
    most = max((r.figures["owning"].value for r in shown), default=1.0) * 1.02 or 1.0
    scale = (width - left - 20.0) / most
    height = top + len(shown) * (bar + gap) + 14.0
    out = [
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'aria-label="Total cost by where it goes" font-size="10.5" fill="{INK}">' + _hatches()
    ]
    for i, result in enumerate(shown):
        y = top + i * (bar + gap)
        name = result.candidate.name if len(result.candidate.name) <= 34 else result.candidate.name[:33] + "…"
        out.append(
            f'<text x="{left - 6:.0f}" y="{y + bar * 0.8:.1f}" text-anchor="end" font-size="10">{escape(name)}</text>'
        )
        x = left
        for group in GROUP_SHADES:
            amount = sum(float(line.amount) for line in result.lines if line.group == group)
            w = amount * scale
            if w > 0.05:
                out.append(
                    f'<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="{bar}" fill="{_filled(group)}" '
                    f'stroke="{INK}" stroke-width=".5">'
                    f"<title>{escape(GROUP_WORDS[group])}: {amount:,.0f} {escape(currency)}</title></rect>"
                )
                x += w
    axis = top + len(shown) * (bar + gap) + 2.0
    step = _nice(most / 6.0)
    value = 0.0
    while value <= most:
        at = left + value * scale
        out.append(f'<path d="M{at:.1f} {top - 4:.1f}V{axis:.1f}" stroke="#9aa5b1" stroke-width=".4" fill="none"/>')
        out.append(f'<text x="{at:.1f}" y="{axis + 9:.1f}" text-anchor="middle" font-size="9">{value:,.0f}</text>')
        value += step
    out.append("</svg>")
    return "".join(out)


def group_key_svg(group: str) -> str:
    """A patch of the shade in which the bars show a group of cost."""
    return (
        '<svg class="key" viewBox="0 0 9 9" aria-hidden="true">'
        f'<rect x=".5" y=".5" width="8" height="8" fill="{_filled(group)}" stroke="{INK}" stroke-width=".6"/></svg>'
    )


def _nice(step: float) -> float:
    power = 10.0 ** math.floor(math.log10(step)) if step > 0 else 1.0
    return next(power * m for m in (1, 2, 5, 10) if power * m >= step)


def _filled(group: str) -> str:
    return f"url(#hatch-{list(GROUP_SHADES).index(group)})" if group in GROUP_HATCHES else GROUP_SHADES[group]


def _hatches() -> str:
    """Patterns of the costs after the start, so that grey print tells them from those at the start."""
    lines = {"/": "M0 6L6 0", ".": "M2 2h2v2h-2z", "x": "M0 0L6 6M0 6L6 0"}
    patterns = []
    for group, hatch in GROUP_HATCHES.items():
        ink = "white" if group == "risk of failure" else INK
        patterns.append(
            f'<pattern id="hatch-{list(GROUP_SHADES).index(group)}" width="6" height="6" patternUnits="userSpaceOnUse">'
            f'<rect width="6" height="6" fill="{GROUP_SHADES[group]}"/>'
            f'<path d="{lines[hatch]}" stroke="{ink}" stroke-width=".8" fill="none"/></pattern>'
        )
    return f"<defs>{''.join(patterns)}</defs>"
