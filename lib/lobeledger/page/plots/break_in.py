"""Figures of the break-in page: results in, plain plotly figures out.

Which input moves the cost most?          `tornado_figure`
Which lobe is losing lift?                `wear_figure`
"""

from __future__ import annotations

import textwrap

from lobeledger.choice.stake import Stakes
from lobeledger.page.palette import INK
from lobeledger.page.plots.compare import Figure, base_figure, styles, trace
from lobeledger.page.words.break_in import input_name
from lobeledger.page.words.wear import VERDICT_WORDS
from lobeledger.record.wear import Watch
from lobeledger.units import from_si, shown_unit

__all__ = ["tornado_figure", "wear_figure"]

_MOST_BARS = 10


def tornado_figure(stakes: Stakes, candidate_id: str) -> Figure:
    """Total cost with one input at a time at its low and at its high, widest swing on top."""
    build = stakes.decision.build
    one = stakes.of(candidate_id)
    bars = one.bars[:_MOST_BARS][::-1]
    names = ["<br>".join(textwrap.wrap(input_name(build, bar.path), 34)) for bar in bars]
    middle = one.owning.value
    look = styles(stakes.decision)[candidate_id]
    traces = []
    for text, ends, pattern in (
        ("at its low", [bar.at_low for bar in bars], "/"),
        ("at its high", [bar.at_high for bar in bars], ""),
    ):
        traces.append(
            trace(
                "bar",
                orientation="h",
                y=names,
                x=[end - middle for end in ends],
                base=middle,
                name=text,
                customdata=ends,
                marker={
                    "color": "white" if pattern else look.colour,
                    "line": {"color": INK, "width": 0.8},
                    "pattern": {"shape": pattern, "fgcolor": look.colour, "bgcolor": "white", "size": 6},
                },
                hovertemplate=f"%{{y}} {text}: %{{customdata:,.0f}} {build.currency}<extra></extra>",
            )
        )
    return base_figure(
        traces,
        x=f"total cost [{build.currency}]",
        height=70 + 30 * max(4, len(bars)),
        barmode="overlay",
        bargap=0.3,
        shapes=[
            {
                "type": "line",
                "x0": middle,
                "x1": middle,
                "yref": "paper",
                "y0": 0,
                "y1": 1,
                "line": {"color": INK, "width": 1},
            }
        ],
    )


def wear_figure(watch: Watch, system: str) -> Figure:
    """Lift lost by each lobe with its 95 % interval, and the limit."""
    unit = shown_unit("lift", system)
    limit = from_si(watch.limit_m, "lift", system)
    traces = []
    for verdict, symbol, colour in (
        ("go on", "circle", "#2f80b7"),
        ("watch", "diamond", "#c76a1a"),
        ("stop", "x", "#7a1f1f"),
    ):
        lobes = [lobe for lobe in watch.lobes if lobe.verdict == verdict]
        values = [from_si(lobe.loss.loss_m, "lift", system) for lobe in lobes]
        reach = [from_si(lobe.loss.high_m - lobe.loss.loss_m, "lift", system) for lobe in lobes]
        traces.append(
            trace(
                "scatter",
                x=[lobe.name for lobe in lobes],
                y=values,
                mode="markers",
                name=VERDICT_WORDS[verdict],
                marker={"symbol": symbol, "size": 10, "color": colour, "line": {"color": INK, "width": 1}},
                error_y={"type": "data", "array": reach, "color": INK, "thickness": 1.2, "width": 4},
                hovertemplate=f"%{{x}}: %{{y:.4f}} {unit} lost<extra></extra>",
            )
        )
    return base_figure(
        traces,
        x="lobe",
        y=f"lift lost [{unit}]",
        xaxis={"type": "category", "categoryorder": "array", "categoryarray": [lobe.name for lobe in watch.lobes]},
        shapes=[
            {
                "type": "line",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": limit,
                "y1": limit,
                "line": {"color": "#7a1f1f", "width": 1.5, "dash": "dash"},
            }
        ],
        annotations=[
            {
                "xref": "paper",
                "x": 1,
                "y": limit,
                "text": "limit",
                "showarrow": False,
                "xanchor": "right",
                "yanchor": "bottom",
            }
        ],
    )
