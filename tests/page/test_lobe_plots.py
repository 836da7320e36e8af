"""Figures of lobes: every figure is one plotly accepts, draws what was computed, and can be read in grey."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest

import lobeledger.page.plots.lobes as lobe_plots
from lobeledger.errors import OutOfRange
from lobeledger.lobe.outline import Profile, pose, roller_profile, turned
from lobeledger.page.palette import style_of
from lobeledger.page.panels.chart import LiveChart
from lobeledger.page.plots.lobes import (
    MOST_FRAMES,
    ShownLobe,
    motion_figure,
    overlaid_figure,
    riding_animation,
    riding_figure,
    shape_figure,
)
from test_outline import CARD, DEG, FLAT, IN, ROLLER, card_lobe

FACE = 0.842 * IN
FAMILY = card_lobe()
SYSTEMS = pytest.mark.parametrize("system", ["us", "metric"])
PER_M = {"us": 1.0 / IN, "metric": 1000.0}
LIMITS = {
    "least_nose_radius_m": 0.0015,
    "pressure_angle_limit_rad": 30 * DEG,
    "face_diameter_m": FACE,
    "face_edge_m": 0.0005,
}


def accepted(figure: dict[str, Any]) -> go.Figure:
    """Plotly's own check of every property."""
    return go.Figure(figure)


def named(figure: dict[str, Any], name: str) -> dict[str, Any]:
    return next(t for t in figure["data"] if t.get("name") == name and t.get("showlegend", True))


# ---------------------------------------------------------------------------------------------------- motion


@SYSTEMS
def test_motion_draws_the_family(system: str) -> None:
    """Nominal inside the band; the scale is the lobe's own, by hand: lift in in or mm, slopes per cam degree."""
    figure = motion_figure([ShownLobe("one", FAMILY, style_of("flat", 0))], face_diameter_m=FACE, system=system)
    accepted(figure)
    data = figure["data"]
    for row in range(3):
        high, low, nominal = data[2 * row]["y"], data[2 * row + 1]["y"], data[6 + row]["y"]
        assert np.all(low <= nominal) and np.all(nominal <= high)
    assert data[6]["y"].max() == pytest.approx(CARD.lift_m.max() * PER_M[system])
    steepest = np.gradient(CARD.lift_m * PER_M[system] * 1e3, CARD.theta_cam_rad / DEG).max()
    assert data[7]["y"].max() == pytest.approx(steepest, rel=0.01)
    bend = (
        np.gradient(np.gradient(CARD.lift_m, CARD.theta_cam_rad / DEG), CARD.theta_cam_rad / DEG) * PER_M[system] * 1e3
    )
    assert data[8]["y"].max() == pytest.approx(bend.max(), rel=0.05)


def test_motion_marks_the_edge_of_the_face() -> None:
    """The trade's limit of a 0.842 in face: 0.00735 in per cam degree."""
    figure = motion_figure([ShownLobe("one", FAMILY, style_of("flat", 0))], face_diameter_m=FACE)
    levels = sorted(shape["y0"] for shape in figure["layout"]["shapes"])
    assert levels == pytest.approx([-7.35, 7.35], abs=0.005)
    assert any("0.842 in" in note["text"] for note in figure["layout"]["annotations"])
    assert motion_figure([ShownLobe("one", FAMILY, style_of("flat", 0))])["layout"]["shapes"] == []


def test_motion_tells_lobes_apart_in_grey() -> None:
    """Colour, dash and name differ, and so do the greys (luma) of the two colours."""
    shown = [ShownLobe(kind, FAMILY, style_of(kind, 0)) for kind in ("flat", "roller")]
    lines = [named(motion_figure(shown), each.name)["line"] for each in shown]
    assert lines[0]["dash"] != lines[1]["dash"] and lines[0]["color"] != lines[1]["color"]
    with pytest.raises(OutOfRange, match="there is no lobe to draw"):
        motion_figure([])


# --------------------------------------------------------------------------------------------------- riding


def drawn(trace: dict[str, Any]) -> np.ndarray:
    return np.column_stack([trace["x"], trace["y"]]).astype(float)


@SYSTEMS
@pytest.mark.parametrize("angle_deg", [-180.0, -67.3, -20.0, 0.0, 41.0, 123.0])
def test_riding_followers_touch_and_do_not_cut(system: str, angle_deg: float) -> None:
    """In the drawing itself, to its rounding and its 120 points: the face lies on the lobe's highest point, the wheel
    a radius from it, both lobes give one lift, and the dot stands on the lift curve."""
    figure = riding_figure(FLAT, ROLLER, theta_cam_rad=angle_deg * DEG, face_diameter_m=FACE, system=system)
    accepted(figure)
    data, per_m = figure["data"], PER_M[system]
    lobe, face, contact = drawn(data[0]), drawn(data[2]), drawn(data[5])
    slack = 2e-5 * per_m
    assert lobe[:, 1].max() == pytest.approx(face[:, 1].min(), abs=slack)
    assert face[:, 0].max() == pytest.approx(FACE / 2.0 * per_m, abs=slack)
    assert contact[0, 1] == pytest.approx(face[:, 1].min(), abs=slack)
    lobe, wheel, contact = drawn(data[7]), drawn(data[10]), drawn(data[13])
    centre = np.array([0.0, (wheel[:, 1].max() + wheel[:, 1].min()) / 2.0])
    assert ROLLER.roller_radius_m is not None
    radius = ROLLER.roller_radius_m * per_m
    assert np.hypot(*(wheel - centre).T) == pytest.approx(radius, abs=slack)
    assert np.hypot(*(lobe - centre).T).min() == pytest.approx(radius, abs=2 * slack)
    assert np.hypot(*(contact[0] - centre)) == pytest.approx(radius, abs=slack)
    lifts = face[:, 1].min() - FLAT.base_radius_m * per_m, centre[1] - radius - ROLLER.base_radius_m * per_m
    assert lifts[0] == pytest.approx(lifts[1], abs=slack)
    assert data[15]["y"][0] == pytest.approx(lifts[0], abs=slack)
    said = pose(ROLLER, angle_deg * DEG)
    assert f"{math.degrees(math.atan2(abs(said.normal_x), said.normal_y)):.1f}°" in data[14]["text"][0]


def test_riding_redraws_in_place() -> None:
    """As a panel's slider does: the same chart shows the next angle, and what is shown already is not sent."""
    first, next_ = (riding_figure(FLAT, ROLLER, theta_cam_rad=a, face_diameter_m=FACE) for a in (-0.5, 0.4))
    chart = LiveChart("riding")
    assert chart.show(first) and not chart.show(first)
    live, rev = chart.live, chart.shown["rev"]
    assert chart.show(next_)
    assert chart.live is live and chart.shown["rev"] == rev + 1


def test_animation_holds_a_turn() -> None:
    """72 frames of 5 degrees, named by their angle, each with every moving trace of the still picture at that angle;
    under half a megabyte; nothing asked from outside."""
    figure = riding_animation(FLAT, ROLLER, face_diameter_m=FACE)
    accepted(figure)
    assert len(figure["frames"]) == MOST_FRAMES
    names = [frame["name"] for frame in figure["frames"]]
    assert names == [f"{-180 + 5 * k}°" for k in range(72)]
    steps = figure["layout"]["sliders"][0]["steps"]
    assert [step["args"][0][0] for step in steps] == names
    for frame, angle in zip(figure["frames"], range(-180, 180, 5), strict=True):
        if angle % 45 == 0:
            still = riding_figure(FLAT, ROLLER, theta_cam_rad=angle * DEG, face_diameter_m=FACE)["data"]
            for index, moved in zip(frame["traces"], frame["data"], strict=True):
                assert all(still[index][key] == value for key, value in moved.items())
    # What is shown first is the frame the slider stands on.
    active = figure["frames"][figure["layout"]["sliders"][0]["active"]]
    assert active["name"] == "-60°"
    assert all(figure["data"][0][key] == active["data"][0][key] for key in ("x", "y"))
    text = json.dumps(figure)
    assert len(text) < 500_000
    assert "http" not in text
    with pytest.raises(OutOfRange, match="between 8 and 72"):
        riding_animation(FLAT, ROLLER, face_diameter_m=FACE, frames=90)
    with pytest.raises(OutOfRange, match="a flat follower's profile is wanted"):
        riding_animation(ROLLER, ROLLER, face_diameter_m=FACE)


@pytest.mark.parametrize("profile", [FLAT, ROLLER], ids=["flat", "roller"])
def test_thinned_outline_is_the_outline(profile: Profile) -> None:
    """120 of 1441 points, first and last kept: no dropped point lies further than 0.02 mm from the polygon kept."""
    kept = lobe_plots._thinned(profile)
    assert kept[0] == 0 and kept[-1] == profile.x_m.size - 1 and len(kept) <= 120
    worst = 0.0
    for a, b in zip(kept, kept[1:], strict=False):
        ax, ay, bx, by = profile.x_m[a], profile.y_m[a], profile.x_m[b], profile.y_m[b]
        x, y = profile.x_m[a : b + 1] - ax, profile.y_m[a : b + 1] - ay
        worst = max(worst, float(np.max(np.abs(x * (by - ay) - y * (bx - ax))) / math.hypot(bx - ax, by - ay)))
    assert worst < 2e-5


# ------------------------------------------------------------------------------------------- overlay and shape


def test_overlay_draws_both_nose_up() -> None:
    figure = overlaid_figure(FLAT, ROLLER, system="metric")
    accepted(figure)
    for name, profile in (("lobe for the flat face", FLAT), ("lobe for the roller", ROLLER)):
        trace = named(figure, name)
        lobe = turned(profile, 0.0)
        assert trace["y"].max() == pytest.approx(lobe.y_m.max() * 1e3, abs=1e-3)
        assert trace["x"][0] == pytest.approx(trace["x"][-1])
    dashes = {trace["line"]["dash"] for trace in figure["data"]}
    assert len(dashes) == 3


@SYSTEMS
def test_shape_axis_says_the_radius(system: str) -> None:
    """Where a curve crosses a tick, its radius is the tick's word: asinh(base radius / radius) turned round."""
    figure = shape_figure(FLAT, ROLLER, **LIMITS, system=system)
    accepted(figure)
    axis = figure["layout"]["yaxis"]
    assert "straight" in axis["ticktext"] and any(text.startswith("hollow") for text in axis["ticktext"])
    for value, text in zip(axis["tickvals"], axis["ticktext"], strict=True):
        if text != "straight":
            sign = -1.0 if text.startswith("hollow") else 1.0
            radius = sign * float(text.removeprefix("hollow ")) / PER_M[system]
            assert math.sinh(value) == pytest.approx(FLAT.base_radius_m / radius)
    for name, profile in (("flat face", FLAT), ("roller", ROLLER)):
        trace = named(figure, name)
        nose = int(np.argmin(np.abs(trace["x"])))
        middle = profile.radius_of_curvature_m[profile.theta_cam_rad.size // 2]
        assert FLAT.base_radius_m / math.sinh(trace["y"][nose]) == pytest.approx(middle, rel=1e-9)


def test_shape_limits() -> None:
    """Sharpest nose, 30 deg either way, face less its edge either way; and a grinding wheel when one is named."""
    figure = shape_figure(FLAT, ROLLER, **LIMITS, grinding_wheel_radius_m=0.1)
    levels: dict[str, list[float]] = {}
    for shape in figure["layout"]["shapes"]:
        levels.setdefault(shape["yref"], []).append(shape["y0"])
    assert sorted(levels["y2"]) == pytest.approx([-30.0, 30.0])
    assert max(levels["y3"]) == pytest.approx((0.842 / 2.0) - 0.0005 / IN)
    radii = sorted(FLAT.base_radius_m / math.sinh(level) for level in levels["y"])
    assert radii == pytest.approx([-0.1, 0.0015])
    assert len(shape_figure(FLAT, ROLLER, **LIMITS)["layout"]["shapes"]) == 5
    low, high = figure["layout"]["yaxis"]["range"]
    hollow = named(figure, "roller")["y"].min()
    assert low < hollow < 0.0 < high


def test_shape_of_an_undercut_lobe_runs_off_its_chart() -> None:
    """An undercut nose is drawn as far as it goes, and the chart keeps its scale."""
    undercut = roller_profile(CARD, base_radius_m=0.10 * IN, roller_radius_m=0.70 * IN)
    figure = shape_figure(FLAT, undercut, **LIMITS)
    accepted(figure)
    assert np.all(np.isfinite(figure["layout"]["yaxis"]["range"]))
    with pytest.raises(OutOfRange, match="face_diameter_m is 0"):
        shape_figure(FLAT, ROLLER, **{**LIMITS, "face_diameter_m": 0.0})
