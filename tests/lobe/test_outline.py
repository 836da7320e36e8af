"""Outlines all round the cam, against closed forms and published examples.

Independent of the library: circles, polygons' normals and finite differences of the drawn curve.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import library_defaults
import motion_sources as source
from lobeledger.errors import OutOfRange
from lobeledger.lobe.card import CardLobe, lobe_from_card
from lobeledger.lobe.lift import Lobe, from_functions
from lobeledger.lobe.outline import (
    Profile,
    face_travel,
    flat_profile,
    greatest_chord_error_m,
    grinding,
    pose,
    roller_profile,
    turned,
    wheel_can_grind,
)
from lobeledger.lobe.ramp import GRID_STEP_RAD, FlatLimits, Ramp, RollerLimits
from lobeledger.parts.card import Card, CardPoint

IN = 0.0254
DEG = math.pi / 180.0


def bevan_lobe(nodes: int = 2001) -> Lobe:
    """The whole circular-arc cam of Bevan's example 9-5, both flanks, in metres, angle 0 at the nose."""
    cam = source.circular_arc_cam(nodes)
    theta = np.concatenate([cam.theta - source.ALPHA, source.ALPHA - cam.theta[-2::-1]])
    both = [np.concatenate([v, sign * v[-2::-1]]) * IN for v, sign in zip(cam[4:7], (1, -1, 1), strict=True)]
    return Lobe(theta, *both)


def card_lobe() -> CardLobe:
    """Invented card with unlike flanks, mild enough for a flat face."""
    points = tuple(
        CardPoint(at_m=at * IN, duration_rad=(o + c) * DEG, opening_rad=o * DEG)
        for at, o, c in ((0.006, 128, 140), (0.050, 104, 113), (0.200, 56, 62))
    )
    per_deg = IN / DEG
    return lobe_from_card(
        Card(lobe_lift_m=0.285 * IN, points=points),
        FlatLimits(0.842 * IN, 0.0005, 0.0015),
        base_radius_m=0.55 * IN,
        ramp=Ramp(0.0005 * per_deg, 0.0003 * per_deg, 0.0009 * per_deg),
        seat_m=0.006 * IN,
        **library_defaults.CARD,
    )


CARD = card_lobe().nominal
FLAT = flat_profile(CARD, base_radius_m=0.55 * IN)
ROLLER = roller_profile(CARD, base_radius_m=0.55 * IN, roller_radius_m=0.375 * IN)


def distance_to_circle(profile: Profile, x: float, y: float, radius: float) -> np.ndarray:
    return np.abs(np.hypot(profile.x_m - x, profile.y_m - y) - radius)


# ------------------------------------------------------------------------------------------ published shapes


def test_circular_arc_cam_bevan_9_5() -> None:
    """T. Bevan, The Theory of Machines, 3rd ed., ex. 9-5, p. 300 (seen): the outline made from the LIFT must be the
    drawing again: base circle 1.125 in, flank arcs about centres 4.477 in (exact 4.4759) from the axis, nose arc of
    0.125 in about a centre 1.5 in from it. Every point lies on one of the four arcs, to 1e-9 in."""
    profile = flat_profile(bevan_lobe(), base_radius_m=source.BASE * IN)
    theta = profile.theta_cam_rad
    cam = source.circular_arc_cam()
    assert cam.flank_centre == pytest.approx(4.477, abs=0.0015)  # the book's three decimals, rounded on the way
    centre, junction = cam.flank_centre * IN, source.ALPHA - cam.junction_rad
    tight = 1e-9 * IN
    assert np.max(distance_to_circle(profile, 0.0, 0.0, source.BASE * IN)[np.abs(theta) > source.ALPHA]) < tight
    nose = np.abs(theta) < junction - 1e-9
    assert np.max(distance_to_circle(profile, 1.5 * IN, 0.0, 0.125 * IN)[nose]) < tight
    for sign in (-1.0, 1.0):
        flank = (sign * theta > junction + 1e-9) & (sign * theta < source.ALPHA)
        # The flank's centre lies on the far side of the axis, on the line to where the flank leaves the base circle.
        x, y = -centre * math.cos(source.ALPHA), -sign * centre * math.sin(source.ALPHA)
        assert np.max(distance_to_circle(profile, x, y, centre + source.BASE * IN)[flank]) < tight


def test_circular_arc_cam_curvature_and_contact_bevan_9_5() -> None:
    """The same cam: radius of curvature 5.601 in all along the flank (4.4759 + 1.125) and 0.125 in along the nose;
    greatest contact distance 1.0043 in at the junction, 12.967 deg after the flank's start (derived, 4-5 digits)."""
    profile = flat_profile(bevan_lobe(20001), base_radius_m=source.BASE * IN)
    from_start = np.degrees(profile.theta_cam_rad + source.ALPHA)
    rho = profile.radius_of_curvature_m / IN
    assert rho[(from_start > 0.01) & (from_start < 12.96)] == pytest.approx(5.6009, abs=5e-5)
    assert rho[np.abs(np.degrees(profile.theta_cam_rad)) < 55 - 12.975] == pytest.approx(0.125, abs=1e-9)
    top = int(np.argmax(profile.eccentricity_m))
    assert from_start[top] == pytest.approx(12.967, abs=0.005)
    run = face_travel(profile, face_diameter_m=2.2 * IN, lobe_width_m=0.5 * IN)
    assert run.opening_m / IN == pytest.approx(1.0043, abs=1e-4)
    assert run.closing_m == pytest.approx(run.opening_m, rel=1e-12)
    assert run.travel_m / IN == pytest.approx(2.0086, abs=2e-4)
    assert run.face_share == pytest.approx(1.0043 / 1.1, abs=1e-4)
    assert run.needed_face_for_whole_width_m / IN == pytest.approx(2.0 * math.hypot(1.0043, 0.25), abs=2e-4)
    made = grinding(profile)
    assert made.least_nose_radius_m / IN == pytest.approx(0.125, abs=1e-9)
    assert made.largest_wheel_radius_m == math.inf


def eccentric_circle(e: float, r_c: float, r_r: float) -> Lobe:
    """A roller on a circle of radius r_c whose centre lies e from the axis, R = r_c + r_r:
    lift = e cos + sqrt(R^2 - e^2 sin^2) - (R - e)."""
    reach = r_c + r_r
    theta = np.linspace(-math.pi, math.pi, 1441)[1:-1]
    root = np.sqrt(reach**2 - (e * np.sin(theta)) ** 2)
    lift = e * np.cos(theta) + root - (reach - e)
    slope = -e * np.sin(theta) - e**2 * np.sin(theta) * np.cos(theta) / root
    bend = (
        -e * np.cos(theta) - e**2 * np.cos(2.0 * theta) / root - (e**2 * np.sin(theta) * np.cos(theta)) ** 2 / root**3
    )
    return Lobe(theta, lift, slope, bend)


def test_roller_on_an_eccentric_circle() -> None:
    """Identity: the outline is that circle again (1e-12 m), its radius of curvature r_c everywhere (1e-9), and
    sin(phi) = e sin(theta)/(r_c + r_r). e 6, r_c 20, r_r 8 mm."""
    e, r_c, r_r = 0.006, 0.020, 0.008
    lobe = eccentric_circle(e, r_c, r_r)
    # It never rests on a base circle, so the ends are brought to the lowest point exactly.
    profile = roller_profile_of_ends(lobe, base_radius_m=r_c - e, roller_radius_m=r_r)
    assert np.max(distance_to_circle(profile, e, 0.0, r_c)) < 1e-12
    assert profile.radius_of_curvature_m == pytest.approx(r_c, rel=1e-9)
    assert np.sin(profile.pressure_angle_rad) == pytest.approx(
        -e * np.sin(profile.theta_cam_rad) / (r_c + r_r), abs=1e-9
    )
    assert grinding(profile).largest_wheel_radius_m == math.inf


def roller_profile_of_ends(lobe: Lobe, *, base_radius_m: float, roller_radius_m: float) -> Profile:
    """`roller_profile` of a lobe that fills the whole turn but for its lowest point."""
    # The curve ends a quarter of a degree from its lowest point, with 1e-8 m of lift or so: cut the last nodes' lift
    # off by adding the lowest point itself just inside half a turn.
    edge = math.pi * (1.0 - 1e-12)
    theta = np.concatenate([[-edge], lobe.theta_cam_rad, [edge]])

    def ended(values: np.ndarray, end: float) -> np.ndarray:
        return np.concatenate([[end], values, [end]])

    e = (lobe.lift_m.max() - lobe.lift_m.min()) / 2.0
    reach = base_radius_m + e + roller_radius_m
    whole = Lobe(
        theta,
        ended(lobe.lift_m, 0.0),
        ended(lobe.velocity_m_per_rad, 0.0),
        ended(lobe.acceleration_m_per_rad2, e - e**2 / reach),
    )
    profile = roller_profile(whole, base_radius_m=base_radius_m, roller_radius_m=roller_radius_m)
    inner = slice(2, -2)  # without the two points of base circle that close the turn
    return Profile(
        base_radius_m,
        roller_radius_m,
        *(
            getattr(profile, name)[inner]
            for name in (
                "theta_cam_rad",
                "lift_m",
                "velocity_m_per_rad",
                "acceleration_m_per_rad2",
                "x_m",
                "y_m",
                "radius_of_curvature_m",
                "pressure_angle_rad",
                "eccentricity_m",
            )
        ),
    )


def tangent_cam() -> tuple[Lobe, float, float]:
    """Half flanks of a tangent cam under a roller, s = (r1 + r2)(1 - cos)/cos, closed by a nose at rest: 25 + 10 mm.

    Only its straight flanks are looked at.
    """
    r1, r2 = 0.025, 0.010
    start, flank = 60 * DEG, 15 * DEG
    theta = np.linspace(-start, start, 2401)
    t = start - np.abs(theta)
    on = t <= flank
    t = np.minimum(t, flank)
    sec = 1.0 / np.cos(t)
    lift = (r1 + r2) * (sec - 1.0)
    slope = -np.sign(theta) * (r1 + r2) * sec * np.tan(t)
    bend = (r1 + r2) * (sec * np.tan(t) ** 2 + sec**3)
    return Lobe(theta, lift, np.where(on, slope, 0.0), np.where(on, bend, 0.0)), r1, r2


def test_tangent_cam_has_straight_flanks() -> None:
    """Tangent cam with roller, s = (r1 + r2)(1 - cos theta)/cos theta (theory-of-machines texts; formula seen):
    curvature nought along the flank (1e-9 of the base circle's), every point on the tangent to the base circle."""
    lobe, r1, r2 = tangent_cam()
    profile = roller_profile(lobe, base_radius_m=r1, roller_radius_m=r2)
    degrees = np.degrees(profile.theta_cam_rad)
    flank = (degrees > -60.0 + 1e-6) & (degrees < -45.0 - 1e-6)
    assert np.max(np.abs(profile.curvature_per_m[flank])) < 1e-9 / r1 * 10
    # The tangent at polar angle -60 deg: points at distance r1 along that normal.
    along = profile.x_m * math.cos(-60 * DEG) + profile.y_m * math.sin(-60 * DEG)
    assert along[flank] == pytest.approx(r1, rel=1e-12)


def worst_curvature_error(profile: Profile) -> float:
    """Circle through three neighbouring points of the outline against the formula, over the sharpest curvature."""
    x, y = profile.x_m, profile.y_m
    dx, dy = np.diff(x), np.diff(y)
    sides = np.hypot(dx[:-1], dy[:-1]) * np.hypot(dx[1:], dy[1:]) * np.hypot(x[2:] - x[:-2], y[2:] - y[:-2])
    drawn = 2.0 * (dx[:-1] * dy[1:] - dy[:-1] * dx[1:]) / sides
    ours = profile.curvature_per_m[1:-1]
    # Between the ramp tops; at the ramp's foot the acceleration jumps, and the curvature with it.
    core = np.abs(profile.theta_cam_rad[1:-1]) < 60 * DEG
    return float(np.max(np.abs(drawn - ours)[core]) / np.max(np.abs(ours[core])))


def test_curvature_is_that_of_the_drawn_curve(monkeypatch: pytest.MonkeyPatch) -> None:
    """Independent of the formulas: within 2 % on the library's own grid (the jerk jumps between pieces), and the
    difference shrinks with the grid, to 0.5 % at a quarter of the step."""
    coarse = [worst_curvature_error(p) for p in (FLAT, ROLLER)]
    monkeypatch.setattr("lobeledger.lobe.flank.GRID_STEP_RAD", GRID_STEP_RAD / 4.0)
    fine_lobe = card_lobe().nominal
    fine = [
        worst_curvature_error(flat_profile(fine_lobe, base_radius_m=0.55 * IN)),
        worst_curvature_error(roller_profile(fine_lobe, base_radius_m=0.55 * IN, roller_radius_m=0.375 * IN)),
    ]
    assert max(coarse) < 0.02
    assert max(fine) < 0.005


def test_curvature_by_finite_differences_3_4_5() -> None:
    """3-4-5 rise (Norton, Design of Machinery, ch. 8, from memory), h 10, beta 75 deg, Rb 30 mm, both ways: radius of
    the drawn curve is Rb + s + s'' to 0.1 %, and least cusp-free base radius 24.395 mm agrees with the first
    undercut."""
    h, beta = 0.010, 75 * DEG
    lift, velocity, acceleration = source.over_angle(source.polynomial_345, rise=h, period_rad=beta, nodes=3001)
    theta = np.linspace(-beta, 0.0, 3001)
    lobe = Lobe(
        np.concatenate([theta, -theta[-2::-1]]),
        *(np.concatenate([v, s * v[-2::-1]]) for v, s in ((lift, 1), (velocity, -1), (acceleration, 1))),
    )
    profile = flat_profile(lobe, base_radius_m=0.030)
    x, y = profile.x_m, profile.y_m
    dx, dy = np.gradient(x, profile.theta_cam_rad), np.gradient(y, profile.theta_cam_rad)
    rho = np.hypot(dx, dy)
    # At the very nose the two quintics meet with a kink in s'', which a difference across it cannot see.
    core = (np.abs(profile.theta_cam_rad) < 0.99 * beta) & (np.abs(profile.theta_cam_rad) > 1e-3)
    assert rho[core] == pytest.approx(profile.radius_of_curvature_m[core], rel=1e-3)
    assert grinding(flat_profile(lobe, base_radius_m=0.02440)).undercut_at_cam_rad == ()
    assert grinding(flat_profile(lobe, base_radius_m=0.02439)).undercut_at_cam_rad != ()
    assert grinding(flat_profile(lobe, base_radius_m=0.02439)).largest_wheel_radius_m == 0.0


# ----------------------------------------------------------------------------------- closed, and one with the lift


@pytest.mark.parametrize("profile", [FLAT, ROLLER], ids=["flat", "roller"])
def test_closed_and_whole(profile: Profile) -> None:
    assert profile.theta_cam_rad[0] == -math.pi and profile.theta_cam_rad[-1] == math.pi
    assert (profile.x_m[0], profile.y_m[0]) == (profile.x_m[-1], profile.y_m[-1])
    steps = np.diff(profile.theta_cam_rad)
    assert steps == pytest.approx(0.25 * DEG, rel=1e-9)
    far = np.abs(profile.theta_cam_rad) > 95 * DEG
    assert np.hypot(profile.x_m, profile.y_m)[far] == pytest.approx(profile.base_radius_m, rel=1e-12)
    # Goes round once, counter-clockwise: the polygon's area lies above the base circle's.
    x, y = profile.x_m, profile.y_m
    area = float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2.0)
    assert math.pi * profile.base_radius_m**2 < area < math.pi * (profile.base_radius_m + profile.lift_m.max()) ** 2


@given(st.floats(-200.0, 200.0))
@settings(max_examples=60, deadline=None)
def test_the_face_rests_on_the_highest_point(angle_deg: float) -> None:
    """Independent of the contact formulas: a flat face stands as high as the highest point of the turned lobe."""
    at = pose(FLAT, angle_deg * DEG)
    lobe = turned(FLAT, angle_deg * DEG)
    top = int(np.argmax(lobe.y_m))
    # Between two points of the outline the curve stands higher by rho step^2 / 8 at most.
    step = float(FLAT.theta_cam_rad[1] - FLAT.theta_cam_rad[0])
    sagitta = float(FLAT.radius_of_curvature_m.max()) * step**2 / 8.0
    assert sagitta < 3e-7
    assert -1e-12 < at.height_m - lobe.y_m[top] < 1.01 * sagitta
    assert lobe.x_m[top] == pytest.approx(at.contact_x_m, abs=3e-4)
    assert at.height_m == pytest.approx(FLAT.base_radius_m + at.lift_m, rel=1e-12)


@given(st.floats(-200.0, 200.0))
@settings(max_examples=60, deadline=None)
def test_the_roller_touches_and_does_not_cut(angle_deg: float) -> None:
    """Independent of the contact formulas: the nearest point of the turned lobe is a wheel's radius away."""
    at = pose(ROLLER, angle_deg * DEG)
    lobe = turned(ROLLER, angle_deg * DEG)
    away = np.hypot(lobe.x_m, lobe.y_m - at.height_m)
    assert ROLLER.roller_radius_m is not None
    assert away.min() == pytest.approx(ROLLER.roller_radius_m, abs=5e-7)
    assert math.hypot(at.normal_x, at.normal_y) == pytest.approx(1.0)
    # The contact lies on the wheel, and on the lobe.
    assert math.hypot(at.contact_x_m, at.contact_y_m - at.height_m) == pytest.approx(ROLLER.roller_radius_m)
    gap = np.hypot(lobe.x_m - at.contact_x_m, lobe.y_m - at.contact_y_m).min()
    assert gap < 3e-4


def test_poses_meet_the_nodes_and_come_round() -> None:
    for profile in (FLAT, ROLLER):
        for i in (300, 700, 720, 760, 1200):
            theta = float(profile.theta_cam_rad[i])
            here, next_turn = pose(profile, theta), pose(profile, theta + 2.0 * math.pi)
            assert here.lift_m == pytest.approx(profile.lift_m[i], abs=1e-15)
            assert next_turn.height_m == pytest.approx(here.height_m, abs=1e-12)
            placed = turned(profile, theta)
            assert (placed.x_m[i], placed.y_m[i]) == pytest.approx((here.contact_x_m, here.contact_y_m), abs=1e-12)
            assert math.atan2(here.normal_x, here.normal_y) == pytest.approx(profile.pressure_angle_rad[i], abs=1e-12)
            assert -here.contact_x_m == pytest.approx(profile.eccentricity_m[i], abs=1e-12)


def test_opening_flank_comes_first_and_runs_out_to_the_left() -> None:
    """The cam turns clockwise: seen from the front of the engine, the opening contact lies left of the lifter."""
    opening = pose(FLAT, -40 * DEG)
    assert opening.contact_x_m < 0.0
    assert pose(FLAT, 40 * DEG).contact_x_m > 0.0
    a, b = turned(FLAT, 0.0), turned(FLAT, 10 * DEG)
    nose = int(np.argmax(FLAT.lift_m))
    assert b.x_m[nose] > a.x_m[nose]  # the nose has moved to the right, over the top


def test_both_lobes_give_the_same_lift() -> None:
    """Same lift, two outlines: equal on the base circle and at the nose; on the flanks a knife edge's lobe, Rb + s at
    every angle, encloses the roller's, which encloses the flat face's."""
    for p in (FLAT, ROLLER):
        assert np.hypot(p.x_m, p.y_m)[720] == pytest.approx(p.base_radius_m + CARD.greatest_lift_m, abs=1e-9)
    grid = np.linspace(-80 * DEG, 80 * DEG, 161)
    flat, roller = (
        np.interp(grid, np.unwrap(np.arctan2(p.y_m, p.x_m)[1:-1]), np.hypot(p.x_m, p.y_m)[1:-1]) for p in (FLAT, ROLLER)
    )
    edge = FLAT.base_radius_m + np.interp(grid, CARD.theta_cam_rad, CARD.lift_m)
    assert np.all(edge - roller > -1e-7) and (edge - roller).max() > 2e-4
    assert np.all(roller - flat > -1e-7) and (roller - flat).max() > 2e-4


# -------------------------------------------------------------------------------------------------- grinding


def test_hollow_flank_and_its_wheel() -> None:
    """A roller lobe quick off its ramp is hollow; the wheel must be smaller than the hollow, by the circle that
    touches: a circle of the hollow's radius fits its arc to second order."""
    per_deg = IN / DEG
    quick = lobe_from_card(
        Card(
            lobe_lift_m=0.38 * IN,
            points=tuple(
                CardPoint(at_m=a * IN, duration_rad=d * DEG) for a, d in ((0.006, 280), (0.05, 234), (0.2, 156))
            ),
        ),
        RollerLimits(0.375 * IN, 40 * DEG, 0.001),
        base_radius_m=0.55 * IN,
        ramp=Ramp(0.0005 * per_deg, 0.0003 * per_deg, 0.0009 * per_deg),
        seat_m=0.006 * IN,
        **library_defaults.CARD,
    ).nominal
    profile = roller_profile(quick, base_radius_m=0.55 * IN, roller_radius_m=0.375 * IN)
    made = grinding(profile)
    assert made.undercut_at_cam_rad == ()
    assert 0.02 < made.hollow_radius_m < 1.0
    assert made.largest_wheel_radius_m == made.hollow_radius_m
    assert wheel_can_grind(profile, grinding_wheel_radius_m=0.99 * made.hollow_radius_m)
    assert not wheel_can_grind(profile, grinding_wheel_radius_m=1.01 * made.hollow_radius_m)
    # Lay the wheel on the hollow's point from outside: a larger one cuts into the lobe beside it, a smaller does not.
    i = int(np.argmin(np.abs(profile.theta_cam_rad - made.hollow_at_cam_rad)))
    tx, ty = profile.x_m[i + 1] - profile.x_m[i - 1], profile.y_m[i + 1] - profile.y_m[i - 1]
    nx, ny = ty / math.hypot(tx, ty), -tx / math.hypot(tx, ty)
    near = slice(i - 8, i + 9)

    def deepest_cut_m(radius: float) -> float:
        x, y = profile.x_m[i] + radius * nx, profile.y_m[i] + radius * ny
        return float(np.max(radius - np.hypot(profile.x_m[near] - x, profile.y_m[near] - y)))

    assert deepest_cut_m(0.8 * made.hollow_radius_m) < 1e-7
    assert deepest_cut_m(1.5 * made.hollow_radius_m) > 1e-6


def test_undercut_of_a_roller_lobe() -> None:
    """A wheel larger than the path's own radius at the nose: undercut there and nowhere else."""
    small = roller_profile(CARD, base_radius_m=0.10 * IN, roller_radius_m=0.70 * IN)
    made = grinding(small)
    assert made.undercut_at_cam_rad
    assert made.least_nose_radius_m <= 0.0
    assert made.largest_wheel_radius_m == 0.0
    assert not wheel_can_grind(small, grinding_wheel_radius_m=0.01)
    assert np.max(np.abs(made.undercut_at_cam_rad)) < 60 * DEG


def test_chord_error_of_a_circle() -> None:
    """A circle of 16 mm by 1440 chords: r (1 - cos(step/2)) = 3.808e-5 mm (sagitta, exact)."""
    still = from_functions(np.linspace(-1.0, 1.0, 9), np.zeros_like, np.zeros_like, np.zeros_like)
    fine = Lobe(np.arange(-240, 241) * 0.25 * DEG, *(np.zeros(481) for _ in range(3)))
    assert greatest_chord_error_m(flat_profile(fine, base_radius_m=0.016)) == pytest.approx(
        0.016 * (1 - math.cos(0.125 * DEG)), rel=1e-4
    )
    assert flat_profile(still, base_radius_m=0.016).x_m.size > 20


# ------------------------------------------------------------------------------------------------- refusals


def test_what_is_refused() -> None:
    open_end = Lobe(np.linspace(-1, 1, 11), np.full(11, 0.001), np.zeros(11), np.zeros(11))
    with pytest.raises(OutOfRange, match=r"a lift of 1.0000 mm .* give it down to the base circle"):
        flat_profile(open_end, base_radius_m=0.015)
    too_long = Lobe(np.linspace(-4, 4, 11), np.zeros(11), np.zeros(11), np.zeros(11))
    with pytest.raises(OutOfRange, match="within half a turn either side"):
        flat_profile(too_long, base_radius_m=0.015)
    with pytest.raises(OutOfRange, match="base_radius_m is -1"):
        flat_profile(CARD, base_radius_m=-1.0)
    with pytest.raises(OutOfRange, match="does not travel over a face"):
        face_travel(ROLLER, face_diameter_m=0.02, lobe_width_m=0.01)
    with pytest.raises(OutOfRange, match="must be above zero"):
        face_travel(FLAT, face_diameter_m=0.0, lobe_width_m=0.01)
    with pytest.raises(OutOfRange, match="grinding_wheel_radius_m is 0"):
        wheel_can_grind(ROLLER, grinding_wheel_radius_m=0.0)
