"""Figures of lobes: numbers in, plotly figures out as plain data and layout.

How does the lobe move its follower?              `motion_figure`
What do both lobes of one lift look like?         `overlaid_figure`
How does the follower ride on the turning cam?    `riding_figure`; `riding_animation` moves by itself
What does the shape ask, and of what limits?      `shape_figure`

A lobe comes as a `ShownLobe` (with its band) or as a `Profile`; flat and roller keep their colour, dash and marker
(`palette`). The moving picture holds all it needs: play and slider work on a saved page with no kernel behind it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from lobeledger import units
from lobeledger.errors import OutOfRange
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.outline import Profile, grinding, pose, turned
from lobeledger.page.palette import INK, CandidateStyle, style_of
from lobeledger.page.plots.compare import Figure, axis, faint, layout_of

__all__ = [
    "ShownLobe",
    "motion_figure",
    "overlaid_figure",
    "riding_animation",
    "riding_figure",
    "shape_figure",
]


MOST_FRAMES = 72
_OUTLINE_POINTS = 120
_BODY = "#e8ecf0"
_QUIET = "#5b6875"


class ShownLobe(NamedTuple):
    """A lobe with its band, the words it is called by, and how it is drawn."""

    name: str
    lobe: CardLobe
    style: CandidateStyle


# ------------------------------------------------------------------------------------------------ common


def _line(x: Any, y: Any, *, line: dict[str, Any], **more: Any) -> dict[str, Any]:
    # Plotly drops points it thinks too near to a straight line, which makes polygons of lobes.
    return {"type": "scatter", "mode": "lines", "x": x, "y": y, "line": {"simplify": False, **line}, **more}


def _yaxis(row: int) -> str:
    return f"y{row + 1}" if row else "y"


def _note(x: Any, y: Any, text: str, **more: Any) -> dict[str, Any]:
    return {"x": x, "y": y, "text": text, "showarrow": False, "font": {"size": 14, "color": _QUIET}, **more}


def _rows(*shares: float, gap: float = 0.05) -> list[list[float]]:
    """Domains of stacked charts by their shares of the height, the first at the top."""
    room = (1.0 - gap * (len(shares) - 1)) / sum(shares)
    top, domains = 1.0, []
    for share in shares:
        domains.append([max(top - share * room, 0.0), top])
        top -= share * room + gap
    return domains


def _limit(axis: str, value: float) -> dict[str, Any]:
    line = {"color": INK, "width": 1.2, "dash": "dash"}
    return {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": axis, "y0": value, "y1": value, "line": line}


def _checked(profile: Profile, flat: bool) -> Profile:
    if profile.is_flat != flat:
        raise OutOfRange(f"a {'flat' if flat else 'roller'} follower's profile is wanted; the other kind was given.")
    return profile


_FLAT, _ROLLER = style_of("flat", 0), style_of("roller", 0)


# ------------------------------------------------------------------------------------------------ motion


def motion_figure(shown: Sequence[ShownLobe], *, face_diameter_m: float | None = None, system: str = "us") -> Figure:
    """Lift, velocity and acceleration of lobes over cam angle, one above the other, with what each card leaves open.

    face_diameter_m: adds the greatest velocity such a flat face allows, half its diameter per cam radian.
    """
    if not shown:
        raise OutOfRange("there is no lobe to draw; give at least one.")
    unit = units.shown_unit("lift", system)
    # Lengths per degree are small: thousandths of an inch, or micrometres.
    small, small_unit = (1e3, "0.001 in") if system == "us" else (1e3, "µm")
    per_m, per_deg = units.from_si(1.0, "lift", system), math.radians(1.0)
    scales = (per_m, per_m * small * per_deg, per_m * small * per_deg**2)
    names = (f"lobe lift<br>[{unit}]", f"velocity<br>[{small_unit}/°]", f"acceleration<br>[{small_unit}/°²]")
    words = (("lift", unit, ".4f"), ("velocity", f"{small_unit} per cam degree", ".2f"),
             ("acceleration", f"{small_unit} per cam degree squared", ".3f"))  # fmt: skip
    traces: list[dict[str, Any]] = []
    for each in shown:
        angle = np.degrees(each.lobe.nominal.theta_cam_rad)
        for row in range(3):
            values = each.lobe.stack[:, row] * scales[row]
            at = {"xaxis": "x", "yaxis": _yaxis(row)}
            quiet = {"legendgroup": each.name, "showlegend": False, "hoverinfo": "skip", **at}
            traces += [
                _line(angle, values.max(axis=0), line={"width": 0}, **quiet),
                _line(
                    angle,
                    values.min(axis=0),
                    line={"width": 0},
                    fill="tonexty",
                    fillcolor=faint(each.style.colour),
                    **quiet,
                ),
            ]
        for row in range(3):
            what, of, digits = words[row]
            traces.append(
                _line(
                    angle,
                    each.lobe.stack[0, row] * scales[row],
                    name=each.name,
                    legendgroup=each.name,
                    showlegend=row == 0,
                    line={"color": each.style.colour, "dash": each.style.dash, "width": 2},
                    xaxis="x",
                    yaxis=_yaxis(row),
                    hovertemplate=f"<b>{each.name}</b><br>{what} %{{y:{digits}}} {of}<br>"
                    "%{x:.1f}° of cam from the nose<br>computed from the card; "
                    "shaded: every lobe the card allows<extra></extra>",
                )
            )
    shapes: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    if face_diameter_m is not None:
        limit = face_diameter_m / 2.0 * scales[1]
        shapes = [_limit("y2", limit), _limit("y2", -limit)]
        face = units.show(face_diameter_m, "lift", system)
        notes.append(
            _note(1.0, limit, f"edge of a {face} flat face", xref="paper", yref="y2", xanchor="right", yanchor="bottom")
        )
    widest = max(float(np.degrees(each.lobe.nominal.theta_cam_rad[-1])) for each in shown)
    axes: dict[str, Any] = {
        "xaxis": axis(
            title={"text": "cam angle from greatest lift [°], opening on the left", "standoff": 6},
            range=[-widest, widest],
            dtick=20,
            anchor="y3",
        )
    }
    for row, domain in enumerate(_rows(0.3, 0.32, 0.38)):
        axes[_yaxis(row).replace("y", "yaxis")] = axis(
            domain=domain, title={"text": names[row], "standoff": 6}, anchor="x", zeroline=True
        )
    return {"data": traces, "layout": layout_of(560, **axes, shapes=shapes, annotations=notes, hovermode="closest")}


# ----------------------------------------------------------------------------------------------- outlines


def _thinned(profile: Profile, points: int = _OUTLINE_POINTS) -> NDArray[np.intp]:
    """Nodes enough for the eye: evenly spread over way and turning together, first and last kept."""
    way = np.hypot(np.diff(profile.x_m), np.diff(profile.y_m))
    direction = np.unwrap(np.arctan2(np.diff(profile.y_m), np.diff(profile.x_m)))
    turning = np.abs(np.gradient(direction))
    measure = np.concatenate([[0.0], np.cumsum(way / way.sum() + turning / turning.sum())])
    wanted = np.linspace(0.0, float(measure[-1]), points)
    return np.unique(np.searchsorted(measure, wanted).clip(0, profile.x_m.size - 1))


def _plain(values: Any, per_m: float, digits: int) -> list[float]:
    """Numbers short enough to be sent seventy times."""
    return [round(float(v) * per_m, digits) for v in np.atleast_1d(values)]


class _Scene:
    """Both followers side by side over their cams, and the lift below: traces at any cam angle."""

    def __init__(self, flat: Profile, roller: Profile, face_diameter_m: float, system: str) -> None:
        self.flat, self.roller = _checked(flat, True), _checked(roller, False)
        self.face_m, self.system = face_diameter_m, system
        self.per_m = units.from_si(1.0, "lift", system)
        self.digits = 4 if system == "us" else 3
        self.unit = units.shown_unit("lift", system)
        assert roller.roller_radius_m is not None
        self.wheel_m = roller.roller_radius_m
        lift = max(float(p.lift_m.max()) for p in (flat, roller))
        base = max(flat.base_radius_m, roller.base_radius_m)
        self.below_m = -1.08 * (base + lift)
        self.above_m = base + lift + 2.6 * self.wheel_m
        # A pane is about 1.6 times as wide as high.
        self.reach_m = max(0.8 * (self.above_m - self.below_m), 1.1 * face_diameter_m / 2.0)
        self.kept = {id(p): _thinned(p) for p in (flat, roller)}

    def xy(self, x_m: Any, y_m: Any) -> dict[str, list[float]]:
        return {"x": _plain(x_m, self.per_m, self.digits), "y": _plain(y_m, self.per_m, self.digits)}

    def lobe(self, profile: Profile, theta: float) -> list[dict[str, list[float]]]:
        """The turned outline, and a mark from the axis to the nose that shows the turning."""
        whole = turned(profile, theta)
        kept = self.kept[id(profile)]
        nose = math.pi / 2.0 - theta
        reach = profile.base_radius_m * np.array([0.25, 0.8])
        return [
            self.xy(whole.x_m[kept], whole.y_m[kept]),
            self.xy(reach * math.cos(nose), reach * math.sin(nose)),
        ]

    def moving(self, theta: float) -> list[dict[str, Any]]:
        """x, y (and text) of every trace that moves, in the order of `traces`."""
        length = self.above_m - self.below_m
        out: list[dict[str, Any]] = []
        at = pose(self.flat, theta)
        out += self.lobe(self.flat, theta)
        half, top = self.face_m / 2.0, at.height_m + 0.28 * length
        out.append(self.xy([-half, half, half, -half, -half], [at.height_m, at.height_m, top, top, at.height_m]))
        out.append(self.xy([0.0, 0.0], [at.height_m, self.above_m]))
        out.append(self.xy([at.contact_x_m] * 2, [at.contact_y_m, at.contact_y_m + 0.16 * length]))
        out.append(self.xy(at.contact_x_m, at.contact_y_m))
        lift_text = f"lift {units.show(at.lift_m, 'lift', self.system)}"
        off = units.show(abs(at.contact_x_m), "lift", self.system)
        out.append({"text": [f"{lift_text}<br>off axis by<br>{off}"]})
        at = pose(self.roller, theta)
        out += self.lobe(self.roller, theta)
        # The body is forked about the wheel: drawn behind it, down to just below the axle.
        arm, low, top = 1.12 * self.wheel_m, at.height_m - 0.3 * self.wheel_m, at.height_m + 0.28 * length
        out.append(self.xy([-arm, arm, arm, -arm, -arm], [low, low, top, top, low]))
        round_ = np.linspace(0.0, 2.0 * math.pi, 49)
        out.append(self.xy(self.wheel_m * np.cos(round_), at.height_m + self.wheel_m * np.sin(round_)))
        out.append(self.xy([0.0, 0.0], [at.height_m, self.above_m]))
        end = 0.16 * length
        out.append(
            self.xy(
                [at.contact_x_m, at.contact_x_m + end * at.normal_x],
                [at.contact_y_m, at.contact_y_m + end * at.normal_y],
            )
        )
        out.append(self.xy(at.contact_x_m, at.contact_y_m))
        push = math.degrees(math.atan2(abs(at.normal_x), at.normal_y))
        out.append({"text": [f"{lift_text}<br>pressure angle<br>{push:.1f}°"]})
        turn = (theta + math.pi) % (2.0 * math.pi) - math.pi
        out.append({"x": [round(math.degrees(turn), 2)], "y": _plain(at.lift_m, self.per_m, self.digits)})
        return out

    def traces(self, theta: float) -> list[dict[str, Any]]:
        """The whole picture: moving traces first, then what stays."""
        still = {"hoverinfo": "skip", "showlegend": False}

        def side(style: CandidateStyle, axes: dict[str, str], wheel: bool) -> list[dict[str, Any]]:
            body = _line([], [], fill="toself", fillcolor=_BODY, line={"color": INK, "width": 1.5}, **axes, **still)
            outline = {"color": style.colour, "width": 2.5}
            push = {"symbol": "arrow", "angleref": "previous", "size": [0, 12], "color": INK}
            touch = {"size": 9, "symbol": style.marker, "color": style.colour, "line": {"color": "white", "width": 1.5}}
            said = {"x": [0.5 * self.reach_m * self.per_m], "y": [0.62 * self.below_m * self.per_m]}
            return [
                _line([], [], fill="toself", fillcolor=faint(style.colour), line=outline, **axes, **still),
                _line([], [], line={"color": style.colour, "width": 3, "dash": "dot"}, **axes, **still),
                body,
                *([{**body, "fillcolor": "white"}] if wheel else []),
                _line([], [], line={"color": _QUIET, "width": 1, "dash": "dashdot"}, **axes, **still),
                {**_line([], [], line={"color": INK, "width": 2.5}, **axes, **still),
                 "mode": "lines+markers", "marker": push},
                {"type": "scatter", "mode": "markers", "marker": touch, **axes, **still},
                {"type": "scatter", "mode": "text", "textposition": "middle right",
                 "textfont": {"size": 14, "color": INK}, **said, **axes, **still},
            ]  # fmt: skip

        left, right, low = ({"xaxis": f"x{k}", "yaxis": f"y{k}"} for k in ("", "2", "3"))
        shown = [*side(_FLAT, left, False), *side(_ROLLER, right, True)]
        shown.append(
            {"type": "scatter", "mode": "markers", **low, **still,
             "marker": {"size": 11, "symbol": "circle", "color": INK, "line": {"color": "white", "width": 1.5}}}
        )  # fmt: skip
        for trace, now in zip(shown, self.moving(theta), strict=True):
            trace.update(now)
        axis = {"size": 8, "symbol": "cross-thin", "line": {"width": 2, "color": INK}}
        for where in (left, right):
            shown.append(
                {"type": "scatter", "mode": "markers", "x": [0.0], "y": [0.0], "marker": axis, **where, **still}
            )
        open_ = np.flatnonzero(self.roller.lift_m > 0.0)
        kept = slice(max(int(open_[0]) - 4, 0), int(open_[-1]) + 5) if open_.size else slice(None)
        every = self.roller.theta_cam_rad[kept][::4]
        shown.append(
            _line(
                [-180.0, *_plain(np.degrees(every), 1.0, 2), 180.0],
                [0.0, *_plain(self.roller.lift_m[kept][::4], self.per_m, self.digits), 0.0],
                line={"color": INK, "width": 1.5},
                showlegend=False,
                hovertemplate=f"lobe lift %{{y:.3f}} {self.unit} at %{{x:.0f}}°<extra></extra>",
                **low,
            )
        )
        return shown

    def layout(self) -> dict[str, Any]:
        span = [self.below_m * self.per_m, self.above_m * self.per_m]
        reach = self.reach_m * self.per_m
        bare = {"visible": False, "fixedrange": True}

        def pane(x: list[float], which: str) -> dict[str, Any]:
            return {
                f"xaxis{which}": {**bare, "domain": x, "range": [-reach, reach], "anchor": f"y{which}",
                                  "constrain": "domain"},
                f"yaxis{which}": {**bare, "domain": [0.25, 1.0], "range": span, "anchor": f"x{which}",
                                  "scaleanchor": f"x{which}", "constrain": "domain"},
            }  # fmt: skip

        wheel = units.show(2.0 * self.wheel_m, "lift", self.system)
        face = units.show(self.face_m, "lift", self.system)
        axes = {
            **pane([0.0, 0.49], ""),
            **pane([0.51, 1.0], "2"),
            "xaxis3": axis(
                domain=[0.0, 1.0], anchor="y3", range=[-180, 180], dtick=30, fixedrange=True,
                title={"text": "cam angle from greatest lift [°], opening on the left", "standoff": 4},
            ),
            "yaxis3": axis(
                domain=[0.0, 0.17], anchor="x3", fixedrange=True, rangemode="tozero", nticks=4,
                title={"text": f"lift [{self.unit}]", "standoff": 4},
            ),
        }  # fmt: skip
        heads = [
            _note(x, 1.0, f"<b>{text}</b>", xref="paper", yref="paper", xanchor="left", yanchor="top",
                  font={"size": 14, "color": style.colour})
            for x, text, style in (
                (0.01, f"flat face, {face}", _FLAT),
                (0.52, f"roller, {wheel} wheel", _ROLLER),
            )
        ]  # fmt: skip
        return layout_of(540, **axes, annotations=heads, hovermode="closest", showlegend=False)


def riding_figure(
    flat: Profile, roller: Profile, *, theta_cam_rad: float, face_diameter_m: float, system: str = "us"
) -> Figure:
    """Both lobes of one lift with their followers at a cam angle: the cam turns clockwise, they go up and down.

    The arrow from the contact shows which way the lobe pushes; below, the lift with a dot at the angle.
    Redraws in place for another angle: the traces match one to one.
    """
    scene = _Scene(flat, roller, face_diameter_m, system)
    return {"data": scene.traces(theta_cam_rad), "layout": scene.layout()}


def riding_animation(
    flat: Profile,
    roller: Profile,
    *,
    face_diameter_m: float,
    frames: int = MOST_FRAMES,
    start_cam_rad: float = math.radians(-60.0),
    system: str = "us",
) -> Figure:
    """`riding_figure` over a whole turn of the cam, with a play button and a slider, everything in the figure itself.

    frames: steps a turn, 8 to 72.
    """
    if not 8 <= frames <= MOST_FRAMES:
        raise OutOfRange(f"frames is {frames}; it must lie between 8 and {MOST_FRAMES}.")
    scene = _Scene(flat, roller, face_diameter_m, system)
    angles = [-math.pi + 2.0 * math.pi * k / frames for k in range(frames)]
    first = min(range(frames), key=lambda k: abs(angles[k] - start_cam_rad))
    count = len(scene.moving(0.0))
    names = [f"{math.degrees(angle):.0f}°" for angle in angles]
    moving = [
        {"name": name, "data": scene.moving(angle), "traces": list(range(count))}
        for name, angle in zip(names, angles, strict=True)
    ]
    at_once = {"mode": "immediate", "transition": {"duration": 0}, "frame": {"duration": 0, "redraw": False}}
    play = {
        "mode": "immediate",
        "fromcurrent": True,
        "transition": {"duration": 0},
        "frame": {"duration": 60, "redraw": False},
    }
    layout = scene.layout()
    layout["margin"] = {"l": 10, "r": 12, "t": 8, "b": 96}
    layout["height"] = 600
    layout["updatemenus"] = [
        {
            "type": "buttons", "direction": "left", "showactive": False, "x": 0.0, "y": 0.0, "xanchor": "left",
            "yanchor": "top", "pad": {"t": 62, "r": 8}, "bgcolor": "white", "bordercolor": INK,
            "buttons": [
                {"label": "Play", "method": "animate", "args": [None, play]},
                {"label": "Pause", "method": "animate", "args": [[None], at_once]},
            ],
        }
    ]  # fmt: skip
    layout["sliders"] = [
        {
            "active": first, "x": 0.13, "len": 0.87, "y": 0.0, "yanchor": "top", "pad": {"t": 52, "b": 4},
            "currentvalue": {"visible": False}, "ticklen": 0, "minorticklen": 0,
            "font": {"size": 11, "color": "rgba(0,0,0,0)"},
            "steps": [{"label": name, "method": "animate", "args": [[name], at_once]} for name in names],
        }
    ]  # fmt: skip
    return {"data": scene.traces(angles[first]), "layout": layout, "frames": moving}


def overlaid_figure(flat: Profile, roller: Profile, *, system: str = "us") -> Figure:
    """Both lobes of one lift laid over each other in the cam's own plane, nose up, with the base circle."""
    per_m, unit = units.from_si(1.0, "lift", system), units.shown_unit("lift", system)
    traces: list[dict[str, Any]] = []
    for profile, style, name in (
        (_checked(roller, False), _ROLLER, "lobe for the roller"),
        (_checked(flat, True), _FLAT, "lobe for the flat face"),
    ):
        lobe, kept = turned(profile, 0.0), _thinned(profile, 360)
        rho = [
            "straight" if not math.isfinite(r) or abs(r) > 10.0 else units.show(r, "lift", system)
            for r in profile.radius_of_curvature_m[kept]
        ]
        traces.append(
            _line(
                lobe.x_m[kept] * per_m,
                lobe.y_m[kept] * per_m,
                name=name,
                line={"color": style.colour, "dash": style.dash, "width": 2.5},
                customdata=rho,
                hovertemplate=f"<b>{name}</b><br>radius %{{customdata}}, minus means a hollow flank<extra></extra>",
            )
        )
    turn = np.linspace(0.0, 2.0 * math.pi, 121)
    base = flat.base_radius_m * per_m
    traces.append(
        _line(base * np.cos(turn), base * np.sin(turn), name="base circle", hoverinfo="skip",
              line={"color": _QUIET, "dash": "dashdot", "width": 1})
    )  # fmt: skip
    return {
        "data": traces,
        "layout": layout_of(
            440,
            xaxis=axis(title={"text": f"[{unit}]", "standoff": 6}, constrain="domain", zeroline=True),
            yaxis=axis(title={"text": f"toward the nose [{unit}]", "standoff": 6}, scaleanchor="x", constrain="domain"),
            legend={"orientation": "v", "x": 0.68, "y": 1.0, "yanchor": "top", "font": {"size": 14}},
            hovermode="closest",
        ),
    }


# -------------------------------------------------------------------------------------------------- shape


def _bent(kappa_per_m: Any, flat: Profile) -> Any:
    """Curvature as the shape chart draws it."""
    return np.arcsinh(np.asarray(kappa_per_m) * flat.base_radius_m)


def _shape_traces(flat: Profile, roller: Profile, kept: slice, system: str) -> list[dict[str, Any]]:
    """Curvature of both lobes, the roller's pressure angle, the contact on the flat face."""
    per_m, unit = units.from_si(1.0, "lift", system), units.shown_unit("lift", system)
    traces: list[dict[str, Any]] = []
    for profile, style, name in ((flat, _FLAT, "flat face"), (roller, _ROLLER, "roller")):
        at = np.degrees(profile.theta_cam_rad[kept])
        kappa = profile.curvature_per_m[kept]
        radius = ["straight" if abs(k) < 0.1 else units.show(1.0 / k, "lift", system) for k in kappa]
        traces.append(
            _line(
                at, _bent(kappa, flat), name=name, legendgroup=name,
                line={"color": style.colour, "dash": style.dash, "width": 2},
                customdata=radius, xaxis="x", yaxis="y",
                hovertemplate=f"<b>lobe for the {name}</b><br>radius %{{customdata}} at %{{x:.1f}}°"
                "<br>minus means a hollow flank<extra></extra>",
            )
        )  # fmt: skip
    traces.append(
        _line(
            np.degrees(roller.theta_cam_rad[kept]), np.degrees(roller.pressure_angle_rad[kept]),
            showlegend=False, legendgroup="roller", line={"color": _ROLLER.colour, "dash": _ROLLER.dash, "width": 2},
            xaxis="x", yaxis="y2",
            hovertemplate="<b>roller</b><br>pressure angle %{y:.1f}° at %{x:.1f}°<extra></extra>",
        )
    )  # fmt: skip
    traces.append(
        _line(
            np.degrees(flat.theta_cam_rad[kept]), flat.eccentricity_m[kept] * per_m,
            showlegend=False, legendgroup="flat face", line={"color": _FLAT.colour, "dash": _FLAT.dash, "width": 2},
            xaxis="x", yaxis="y3",
            hovertemplate=f"<b>flat face</b><br>contact %{{y:.3f}} {unit} from the lifter's axis at %{{x:.1f}}°"
            "<extra></extra>",
        )
    )  # fmt: skip
    return traces


def _radius_ticks(flat: Profile, bottom: float, top: float, system: str) -> list[tuple[float, str]]:
    """Marks of round radii on the curvature axis, from bottom to top, those that do not crowd each other."""
    per_m = units.from_si(1.0, "lift", system)
    radii = (0.05, 0.1, 0.2, 0.5, 1.0, 5.0) if system == "us" else (1.0, 2.0, 5.0, 10.0, 25.0, 100.0)
    ticks = [(0.0, "straight")]
    ticks += [(float(_bent(per_m / r, flat)), f"{r:g}") for r in radii]
    ticks += [(float(_bent(-per_m / r, flat)), f"hollow {r:g}") for r in radii]
    clear: list[tuple[float, str]] = []
    for value, text in sorted(ticks, key=lambda tick: abs(tick[0])):
        if bottom < value < top and all(abs(value - other) > 0.09 * (top - bottom) for other, _ in clear):
            clear.append((value, text))
    return clear


def shape_figure(
    flat: Profile,
    roller: Profile,
    *,
    least_nose_radius_m: float,
    pressure_angle_limit_rad: float,
    face_diameter_m: float,
    face_edge_m: float = 0.0,
    grinding_wheel_radius_m: float | None = None,
    system: str = "us",
) -> Figure:
    """Curvature of both lobes, pressure angle of the roller and contact on the flat face, over cam angle with limits.

    The curvature axis is marked by radius and drawn in asinh(base radius / radius): straight lies between hollow and
    convex, and a flank of inches is told from straight as well as a nose of hundredths from a cusp.
    grinding_wheel_radius_m: adds the hollow that this wheel just reaches.
    """
    _checked(flat, True), _checked(roller, False)
    for name, value in (("least_nose_radius_m", least_nose_radius_m), ("face_diameter_m", face_diameter_m)):
        if not value > 0.0:
            raise OutOfRange(f"{name} is {value:g}; it must be above zero.")
    per_m, unit = units.from_si(1.0, "lift", system), units.shown_unit("lift", system)
    lifted = np.flatnonzero((flat.lift_m > 0.0) | (roller.lift_m > 0.0))
    kept = slice(max(int(lifted[0]) - 12, 0), int(lifted[-1]) + 13) if lifted.size else slice(None)
    angle = np.degrees(flat.theta_cam_rad[kept])
    traces = _shape_traces(flat, roller, kept, system)
    sharpest = float(_bent(1.0 / least_nose_radius_m, flat))
    lean = math.degrees(pressure_angle_limit_rad)
    edge = (face_diameter_m / 2.0 - face_edge_m) * per_m
    margin = f", {units.show(face_edge_m, 'lift', system)} of its rim kept free" if face_edge_m else ", its rim"
    shapes = [_limit("y", sharpest), _limit("y2", lean), _limit("y2", -lean), _limit("y3", edge), _limit("y3", -edge)]
    words = [
        (sharpest, "y", f"sharpest nose allowed, {units.show(least_nose_radius_m, 'lift', system)} radius", "bottom"),
        (lean, "y2", f"limit {lean:.0f}°", "bottom"),
        (edge, "y3", f"{units.show(face_diameter_m, 'lift', system)} face{margin}", "bottom"),
    ]
    hollow = [0.0]
    made = grinding(roller)
    if math.isfinite(made.hollow_radius_m):
        hollow.append(float(_bent(-1.0 / made.hollow_radius_m, flat)))
    if grinding_wheel_radius_m is not None:
        hollow.append(float(_bent(-1.0 / grinding_wheel_radius_m, flat)))
        shapes.append(_limit("y", hollow[-1]))
        wheel = units.show(grinding_wheel_radius_m, "lift", system)
        words.append((hollow[-1], "y", f"a grinding wheel of {wheel} radius reaches down to here", "top"))
    notes = [
        # What hangs below the hollow's line stands in the middle, clear of the flanks.
        _note(0.5 if anchor == "top" else 1.0, value, text, xref="paper", yref=axis, yanchor=anchor,
              xanchor="center" if anchor == "top" else "right")
        for value, axis, text, anchor in words
    ]  # fmt: skip
    # An undercut nose runs off the chart: past its limit how far does not matter.
    top, bottom = sharpest + 0.5, min(hollow) - 0.45
    clear = _radius_ticks(flat, bottom, top, system)
    domains = _rows(0.42, 0.29, 0.29, gap=0.06)
    reach = float(np.max(np.abs(angle)))
    lean_top = 1.25 * max(lean, float(np.degrees(np.max(np.abs(roller.pressure_angle_rad)))))
    edge_top = 1.25 * max(edge, float(np.max(np.abs(flat.eccentricity_m))) * per_m)
    axes = {
        "xaxis": axis(
            title={"text": "cam angle from greatest lift [°], opening on the left", "standoff": 6},
            anchor="y3", range=[-reach, reach], dtick=20,
        ),
        "yaxis": axis(
            domain=domains[0], anchor="x", range=[bottom, top], tickvals=[v for v, _ in clear],
            ticktext=[t for _, t in clear], title={"text": f"radius of<br>the lobe [{unit}]", "standoff": 6},
        ),
        "yaxis2": axis(
            domain=domains[1], anchor="x", range=[-lean_top, lean_top],
            title={"text": "roller's pressure<br>angle [°]", "standoff": 6},
        ),
        "yaxis3": axis(
            domain=domains[2], anchor="x", range=[-edge_top, edge_top],
            title={"text": f"contact from flat<br>lifter's axis [{unit}]", "standoff": 6},
        ),
    }  # fmt: skip
    return {"data": traces, "layout": layout_of(560, **axes, shapes=shapes, annotations=notes, hovermode="closest")}
