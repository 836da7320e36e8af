"""Figures of the valvetrain page: what an elastic train does, as plain plotly figures.

Force on the lobe and valve lift over a turn     `force_figure`
Force, gap and bounce over speed                 `speed_figure`
Cam, follower and valve at one angle             `motion_figure_at`
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.outline import Profile, turned
from lobeledger.page.palette import INK, CandidateStyle
from lobeledger.page.plots.compare import Figure, axis, base_figure, faint, layout_of, trace
from lobeledger.train.elastic import Train
from lobeledger.train.motion import Run, SpeedPoint
from lobeledger.units import from_si, shown_unit

__all__ = ["force_figure", "motion_figure_at", "speed_figure"]

_RED = "#7a1f1f"


def _rigid_lift_m(train: Train, lobe: Lobe, theta: Any) -> Any:
    lift = np.interp(theta, lobe.theta_cam_rad, lobe.lift_m, left=0.0, right=0.0)
    return np.maximum(train.ratio * lift - train.lash_m, 0.0)


def force_figure(run: Run, train: Train, lobe: Lobe, style: CandidateStyle, system: str) -> Figure:
    """Contact force over cam angle in the last cycle; below, valve lift beside that of a rigid train."""
    force, lift = shown_unit("load", system), shown_unit("lift", system)
    per_n, per_m = from_si(1.0, "load", system), from_si(1.0, "lift", system)
    angle = np.degrees(run.theta_cam_rad)
    traces = [
        trace(
            "scatter",
            x=angle,
            y=run.contact_n[-1] * per_n,
            mode="lines",
            name="force on the lobe",
            line={"color": style.colour, "width": 2},
            hovertemplate=f"%{{y:,.0f}} {force} at %{{x:.0f}} cam deg<extra></extra>",
        ),
        trace(
            "scatter",
            x=angle,
            y=run.seat_n[-1] * per_n,
            mode="lines",
            name="force on the seat",
            line={"color": "#9aa5b1", "width": 1.2, "dash": "dot"},
            hoverinfo="skip",
        ),
        trace(
            "scatter",
            x=angle,
            y=run.valve_lift_m[-1] * per_m,
            yaxis="y2",
            mode="lines",
            name="valve lift",
            line={"color": "#2f80b7", "width": 2},
            hovertemplate=f"%{{y:.3f}} {lift} at %{{x:.0f}} cam deg<extra></extra>",
        ),
        trace(
            "scatter",
            x=angle,
            y=_rigid_lift_m(train, lobe, run.theta_cam_rad) * per_m,
            yaxis="y2",
            mode="lines",
            name="with no flex",
            line={"color": INK, "width": 1.2, "dash": "dash"},
            hoverinfo="skip",
        ),
    ]
    reach = max(100.0, float(np.degrees(np.abs(lobe.theta_cam_rad).max())))
    return base_figure(
        traces,
        x="cam angle from the nose [deg]",
        y=f"force [{force}]",
        height=430,
        xaxis={"range": [-reach, reach], "anchor": "y2"},
        yaxis={"domain": [0.42, 1.0]},
        yaxis2=axis(domain=[0.0, 0.34], title={"text": f"lift [{lift}]"}),
    )


def speed_figure(
    points: Sequence[SpeedPoint],
    loss_rpm: float | None,
    band: tuple[float, float] | None,
    highest_rpm: float,
    system: str,
) -> Figure:
    """Least and peak force on the lobe over speed; below, the gap after a loss and the bounce on the seat."""
    force, lift = shown_unit("load", system), shown_unit("lift", system)
    per_n, per_m = from_si(1.0, "load", system), from_si(1.0, "lift", system)
    x = [p.crank_rpm for p in points]
    traces = [
        _line(x, [p.peak_contact_n * per_n for p in points], "peak force", "#08456b", "dot", f"%{{y:,.0f}} {force}"),
        _line(x, [p.least_contact_n * per_n for p in points], "least force", "#8c3b00", "solid", f"%{{y:,.0f}} {force}"),
        _line(x, [p.greatest_gap_m * per_m for p in points], "gap off the lobe", _RED, "dash", f"%{{y:.4f}} {lift}", "y2"),
        _line(x, [p.seat_bounce_m * per_m for p in points], "bounce on the seat", "#4f6b85", "dashdot", f"%{{y:.4f}} {lift}", "y2"),
    ]  # fmt: skip
    shapes: list[dict[str, Any]] = [_upright(highest_rpm, INK, "dash")]
    notes = [{"x": highest_rpm, "yref": "paper", "y": 1.0, "text": "top rpm", "showarrow": False, "xanchor": "right"}]
    if loss_rpm is not None:
        shapes.append(_upright(loss_rpm, _RED, "solid"))
        notes.append(
            {"x": loss_rpm, "yref": "paper", "y": 0.93, "text": "first touch", "showarrow": False, "xanchor": "left"}
        )
    if band is not None:
        shapes.append(
            {
                "type": "rect", "xref": "x", "x0": band[0], "x1": band[1], "yref": "paper", "y0": 0.0, "y1": 1.0,
                "fillcolor": faint(_RED), "line": {"width": 0}, "layer": "below",
            }
        )  # fmt: skip
    return base_figure(
        traces,
        x="engine rpm",
        y=f"force on the lobe [{force}]",
        height=430,
        xaxis={"anchor": "y2", "tickformat": ","},
        yaxis={"domain": [0.42, 1.0], "rangemode": "tozero"},
        yaxis2=axis(domain=[0.0, 0.34], title={"text": f"[{lift}]"}, rangemode="tozero"),
        shapes=shapes,
        annotations=notes,
    )


def _line(x: Any, y: Any, name: str, colour: str, dash: str, hover: str, yaxis: str = "y") -> dict[str, Any]:
    return trace(
        "scatter",
        x=x,
        y=y,
        yaxis=yaxis,
        mode="lines",
        name=name,
        line={"color": colour, "dash": dash, "width": 2},
        hovertemplate=f"{name}: {hover} at %{{x:,.0f}} rpm<extra></extra>",
    )


def _upright(x: float, colour: str, dash: str) -> dict[str, Any]:
    return {
        "type": "line",
        "x0": x,
        "x1": x,
        "yref": "paper",
        "y0": 0.0,
        "y1": 1.0,
        "line": {"color": colour, "dash": dash, "width": 1.4},
    }


def _follower_outline(base: float, top: float, wheel: float | None) -> tuple[Array, Array]:
    """Outline of the follower standing on the lobe's top: a face, or a wheel of that radius; m."""
    half = 0.6 * base
    if wheel is None:
        high = top + 1.4 * base
        return np.array([-half, half, half, -half, -half]), np.array([top, top, high, high, top])
    around = np.linspace(0.0, 2.0 * math.pi, 49)
    return wheel * np.cos(around), top + wheel + wheel * np.sin(around)


def _valve_traces(base: float, valve: float, rigid: float, per_m: float) -> list[dict[str, Any]]:
    """The valve where it is and where a rigid train would have it, and its seat; lengths m, sized by the base circle."""
    traces: list[dict[str, Any]] = []
    middle, width = 4.2 * base, 0.9 * base
    for place, dash, colour, name in ((rigid, "dash", "#7b8794", "with no flex"), (valve, "solid", INK, "the valve")):
        # The valve opens downwards; its lift is drawn three times as large as it is.
        y = -3.0 * place
        x = np.array(
            [
                middle - width,
                middle + width,
                middle + 0.12 * base,
                middle + 0.12 * base,
                middle - 0.12 * base,
                middle - 0.12 * base,
                middle - width,
            ]
        )
        stem = 2.2 * base
        ys = np.array([y, y, y + 0.25 * base, y + stem, y + stem, y + 0.25 * base, y])
        traces.append(
            trace(
                "scatter",
                x=x * per_m,
                y=ys * per_m,
                mode="lines",
                name=name,
                line={"color": colour, "dash": dash, "width": 1.6},
                hoverinfo="skip",
            )
        )
    seat = np.array([middle - 1.35 * width, middle - width, math.nan, middle + width, middle + 1.35 * width])
    traces.append(
        trace(
            "scatter",
            x=seat * per_m,
            y=np.zeros(5),
            mode="lines",
            line={"color": INK, "width": 4},
            hoverinfo="skip",
            showlegend=False,
        )
    )
    return traces


def motion_figure_at(
    run: Run, train: Train, lobe: Lobe, profile: Profile, theta_cam_rad: float, style: CandidateStyle, system: str
) -> Figure:
    """Cam and follower, and the valve beside them where it is and where a rigid train would have it."""
    per_m = from_si(1.0, "lift", system)
    outline = turned(profile, theta_cam_rad)
    lift = float(np.interp(theta_cam_rad, lobe.theta_cam_rad, lobe.lift_m, left=0.0, right=0.0))
    turn = math.remainder(theta_cam_rad, 2.0 * math.pi)
    valve = float(np.interp(turn, run.theta_cam_rad, run.valve_lift_m[-1]))
    force = float(np.interp(turn, run.theta_cam_rad, run.contact_n[-1]))
    rigid = float(_rigid_lift_m(train, lobe, turn))
    base = profile.base_radius_m
    top = base + lift
    body = {"color": INK, "width": 1.5}
    traces = [
        trace(
            "scatter", x=outline.x_m * per_m, y=outline.y_m * per_m, mode="lines", fill="toself",
            fillcolor=faint(style.colour), line={"color": style.colour, "width": 2}, hoverinfo="skip", showlegend=False,
        )
    ]  # fmt: skip
    box_x, box_y = _follower_outline(base, top, profile.roller_radius_m)
    traces.append(
        trace("scatter", x=box_x * per_m, y=box_y * per_m, mode="lines", line=body, hoverinfo="skip", showlegend=False)
    )
    traces += _valve_traces(base, valve, rigid, per_m)
    unit, load = shown_unit("lift", system), shown_unit("load", system)
    words = (
        f"valve {valve * per_m:.3f} {unit}, rigid {rigid * per_m:.3f} {unit}<br>"
        f"force on the lobe {from_si(force, 'load', system):,.0f} {load}"
    )
    return {
        "data": traces,
        "layout": layout_of(
            360,
            xaxis={"visible": False, "range": [-1.9 * base * per_m, 6.4 * base * per_m]},
            yaxis={"visible": False, "scaleanchor": "x", "range": [-2.6 * base * per_m, 3.4 * base * per_m]},
            annotations=[
                {
                    "xref": "paper",
                    "x": 1.0,
                    "yref": "paper",
                    "y": 0.0,
                    "xanchor": "right",
                    "yanchor": "bottom",
                    "text": words,
                    "showarrow": False,
                    "align": "right",
                }
            ],
        ),
    }
