"""Figures of best lobes, readings and the flat-or-roller study.

Card against the best, and what binds       `best_figure`
Readings, their fit, and plain differences  `readings_figure`
Flat against roller over duration           `study_figure`
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.best.design import BestLobe
from lobeledger.best.share import ShareOfBest
from lobeledger.best.task import LIMIT_WORDS
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.readings import Differenced, ReadLobe
from lobeledger.page.palette import INK, CandidateStyle, style_of
from lobeledger.page.plots.compare import Figure, axis, base_figure, faint, trace
from lobeledger.units import deg, from_si, shown_unit

__all__ = ["best_figure", "readings_figure", "study_figure"]


def _crank(lobe: Lobe) -> Array:
    return np.asarray(2.0 * np.degrees(lobe.theta_cam_rad))


def best_figure(card: Lobe, share: ShareOfBest, style: CandidateStyle, system: str) -> Figure:
    """Lift of the card and of the best lobes over crank angle; below, how much of each limit the best one uses."""
    unit, per_m = shown_unit("lift", system), from_si(1.0, "lift", system)
    traces: list[dict[str, Any]] = []
    for name, lobe, dash, width in (
        ("this card", card, "solid", 2.4),
        ("best at its lift", share.best_at_its_lift.lobe, "dash", 1.8),
        ("best, no cap on lift", share.best_free.lobe, "dot", 1.8),
    ):
        kept = slice(None, None, 2)
        traces.append(
            trace(
                "scatter",
                x=_crank(lobe)[kept],
                y=(lobe.lift_m * per_m)[kept],
                mode="lines",
                name=name,
                line={"color": style.colour if dash == "solid" else INK, "dash": dash, "width": width},
                hovertemplate=f"{name}: %{{y:.3f}} {unit} at %{{x:.0f}} deg<extra></extra>",
            )
        )
    traces += _uses(share.best_at_its_lift)
    return base_figure(
        traces,
        x="crank angle from the nose [deg]",
        y=f"lobe lift [{unit}]",
        height=430,
        yaxis={"domain": [0.44, 1.0], "rangemode": "tozero"},
        yaxis2=axis(domain=[0.0, 0.34], title={"text": "share of limit used"}, range=[0.0, 1.08]),
        xaxis={"anchor": "y2"},
    )


_LIMIT_LOOKS = (
    ("#1c2530", "solid"),
    ("#08456b", "dot"),
    ("#8c3b00", "dash"),
    ("#2f80b7", "dashdot"),
    ("#c76a1a", "longdash"),
)


def _uses(best: BestLobe) -> list[dict[str, Any]]:
    """How near the best lobe stands to each limit that holds it somewhere."""
    names = list(best.bound_share())[:5]
    theta = np.linspace(-best.theta_cam_rad.max(), best.theta_cam_rad.max(), 161)
    uses = best.use_of_limits(theta)
    found = []
    for place, (colour, dash) in enumerate(_LIMIT_LOOKS):
        name = names[place] if place < len(names) else ""
        values = np.clip(uses[name], 0.0, 1.05) if name in uses else np.full_like(theta, math.nan)
        words = LIMIT_WORDS.get(name, name)
        found.append(
            trace(
                "scatter",
                x=2.0 * np.degrees(theta),
                y=values,
                yaxis="y2",
                mode="lines",
                name=words or " ",
                showlegend=name in uses,
                line={"color": colour, "dash": dash, "width": 1.5},
                hovertemplate=f"{words}: %{{y:.0%}} of it used<extra></extra>",
            )
        )
    return found


def readings_figure(read: ReadLobe, plain: Differenced, style: CandidateStyle, system: str) -> Figure:
    """Acceleration with its 95 % band, plain differences beside it as the lesson, and residuals of lift below."""
    per_m = from_si(1.0, "lift", system)
    small = 1000.0 * per_m
    unit = "0.001 in" if system == "us" else "µm"
    theta = np.degrees(read.lobe.theta_cam_rad)
    near = np.abs(theta) <= 100.0
    per_deg2 = small * math.radians(1.0) ** 2
    accel = read.lobe.acceleration_m_per_rad2 * per_deg2
    band = read.acceleration_band_m_per_rad2 * per_deg2
    shift = read.centre_wheel_rad
    at = np.degrees([math.remainder(float(a) - shift, 2.0 * math.pi) for a in plain.angle_cam_rad])
    order = np.argsort(at)
    shown = order[np.abs(at[order]) <= 100.0]
    span = float(np.max(np.abs(accel[near]) + band[near])) * 1.35
    traces = [
        trace(
            "scatter",
            x=at[shown],
            y=np.clip(plain.acceleration_m_per_rad2[shown] * per_deg2, -span, span),
            mode="lines+markers",
            name="readings differenced, unsmoothed",
            line={"color": "#9aa5b1", "width": 0.8},
            marker={"size": 3, "color": "#9aa5b1"},
            hoverinfo="skip",
        ),
        trace(
            "scatter",
            x=np.concatenate([theta[near], theta[near][::-1]]),
            y=np.concatenate([(accel + band)[near], (accel - band)[near][::-1]]),
            mode="lines",
            fill="toself",
            fillcolor=faint(style.colour),
            line={"width": 0},
            name="95% sure",
            hoverinfo="skip",
        ),
        trace(
            "scatter",
            x=theta[near],
            y=accel[near],
            mode="lines",
            name="curve",
            line={"color": style.colour, "width": 2},
            hovertemplate=f"%{{y:.3f}} {unit}/deg² at %{{x:.1f}} cam deg<extra></extra>",
        ),
        trace(
            "scatter",
            x=np.degrees(read.reading_cam_rad),
            y=read.residual_m * small,
            yaxis="y2",
            mode="markers",
            name="reading minus curve",
            marker={"size": 4, "color": INK, "symbol": "circle-open"},
            hovertemplate=f"%{{y:.2f}} {unit} at %{{x:.1f}} cam deg<extra></extra>",
        ),
    ]
    return base_figure(
        traces,
        x="cam angle from the centerline [deg]",
        y=f"acceleration [{unit}/deg²]",
        height=430,
        xaxis={"range": [-100.0, 100.0], "anchor": "y2"},
        yaxis={"domain": [0.36, 1.0], "range": [-span, span]},
        yaxis2=axis(domain=[0.0, 0.27], title={"text": f"off the curve [{unit}]"}),
    )


def study_figure(found: Mapping[str, Array], at_text: str, system: str) -> Figure:
    """Greatest lift of the best flat and the best roller over duration, and the roller's area over the flat's."""
    unit, per_m = shown_unit("lift", system), from_si(1.0, "lift", system)
    x = [deg(float(d)) for d in found["duration_crank_rad"]]
    traces = []
    for follower in ("flat", "roller"):
        style = style_of(follower, 0)
        traces.append(
            trace(
                "scatter",
                x=x,
                y=found[f"{follower}_lift_m"] * per_m,
                mode="lines+markers",
                name=f"best {follower}, lift",
                line={"color": style.colour, "dash": style.dash, "width": 2},
                marker={"symbol": style.marker, "size": 7, "color": style.colour},
                hovertemplate=f"best {follower}: %{{y:.3f}} {unit} at %{{x:.0f}} deg<extra></extra>",
            )
        )
    traces.append(
        trace(
            "scatter",
            x=x,
            y=100.0 * (found["roller_over_flat_area"] - 1.0),
            yaxis="y2",
            mode="lines+markers",
            name="roller's area over the flat's",
            line={"color": INK, "width": 1.5, "dash": "dash"},
            marker={"symbol": "diamond-open", "size": 8, "color": INK},
            hovertemplate="%{y:+.1f}% area at %{x:.0f} deg<extra></extra>",
        )
    )
    return base_figure(
        traces,
        x=f"duration {at_text} [crank deg]",
        y=f"greatest lobe lift [{unit}]",
        height=380,
        yaxis={"domain": [0.42, 1.0]},
        yaxis2=axis(domain=[0.0, 0.3], title={"text": "area [%]"}, zeroline=True),
        xaxis={"anchor": "y2"},
    )
