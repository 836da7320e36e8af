"""Follower geometry against worked examples and exact curves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.lobe import flat, roller
from motion_sources import ALPHA, BASE, NOSE, PROGRAMS, circular_arc_cam, cycloidal, over_angle, polynomial_345

IN = 0.0254  # m, exact


def curvature_radius(x: Array, y: Array, theta: Array) -> Array:
    """Radius of curvature of a curve from finite differences, positive where it turns left."""
    dx, dy = np.gradient(x, theta, edge_order=2), np.gradient(y, theta, edge_order=2)
    ddx, ddy = np.gradient(dx, theta, edge_order=2), np.gradient(dy, theta, edge_order=2)
    return (dx**2 + dy**2) ** 1.5 / (dx * ddy - dy * ddx)


# ------------------------------------------------------------------------------- circular-arc cam, flat face


def test_circular_arc_cam_bevan_example_9_5_geometry() -> None:
    """T. Bevan, The Theory of Machines, 3rd ed., ex. 9-5, p. 300: centres at 4.477 and 1.5 in."""
    cam = circular_arc_cam()
    assert cam.flank_centre == pytest.approx(4.477, rel=0.0005)  # printed 4.477, exact 4.4759
    assert cam.nose_centre == pytest.approx(1.5, abs=1e-12)
    assert math.degrees(cam.junction_rad) == pytest.approx(12.967, abs=0.0005)


def test_circular_arc_cam_bevan_example_9_5_radius_of_curvature() -> None:
    """The lobe IS two arcs, so Rb + s + s'' must give back their radii: 5.601 in, 0.125 in."""
    cam = circular_arc_cam()
    rho = flat.flat_cam_radius_m(cam.lift, cam.acceleration, base_radius_m=BASE)
    assert np.allclose(rho[cam.on_flank], cam.flank_centre + BASE, rtol=1e-9, atol=0)
    assert rho[0] == pytest.approx(5.601, abs=0.0005)
    assert np.allclose(rho[~cam.on_flank], NOSE, rtol=1e-9, atol=0)


def test_circular_arc_cam_bevan_example_9_5_eccentricity() -> None:
    """Greatest contact eccentricity stands at the junction of flank and nose: 1.0043 in (recomputed)."""
    cam = circular_arc_cam(200001)
    needed = flat.flat_face_radius_needed_m(flat.flat_contact_eccentricity_m(cam.velocity))
    assert needed == pytest.approx(1.0043, abs=0.00005)


def test_circular_arc_cam_outline_is_the_two_arcs() -> None:
    """The outline drawn from the lift lies on the flank's and nose's own circles (Bevan, ex. 9-5)."""
    cam = circular_arc_cam()
    outline = flat.flat_outline_m(cam.theta, cam.lift, cam.velocity, base_radius_m=BASE)
    # The nose's centre lies towards full lift; the flank's centre opposite the end of the base circle.
    nose_x, nose_y = cam.nose_centre * math.cos(ALPHA), cam.nose_centre * math.sin(ALPHA)
    from_nose = np.hypot(outline.x_m - nose_x, outline.y_m - nose_y)[~cam.on_flank]
    from_flank = np.hypot(outline.x_m + cam.flank_centre, outline.y_m)[cam.on_flank]
    assert np.allclose(from_nose, NOSE, rtol=1e-9, atol=0)
    assert np.allclose(from_flank, cam.flank_centre + BASE, rtol=1e-9, atol=0)


def test_circular_arc_cam_entrainment_sign() -> None:
    """Rb + s + 2 s'': +10.08 in at flank start, -1.375 in at the tip (Bevan's cam; formula from memory)."""
    cam = circular_arc_cam()
    arm = 2.0 * flat.flat_entrainment_m_per_s(cam.lift, cam.acceleration, base_radius_m=BASE, cam_speed_rad_per_s=1.0)
    assert arm[0] == pytest.approx(10.08, rel=0.001)
    assert arm[-1] == pytest.approx(-1.375, rel=0.001)


# ------------------------------------------------------------------------------------------ motion programs


@pytest.mark.parametrize(("name", "motion", "peak_velocity", "peak_acceleration"), PROGRAMS)
def test_motion_program_peak_factors(name: str, motion: object, peak_velocity: float, peak_acceleration: float) -> None:
    """Norton, Design of Machinery, ch. 8 peak factors (from memory): C_v sets the face, C_a the curvature."""
    rise, period, base = 0.008, math.radians(65.0), 0.015
    lift, velocity, acceleration = over_angle(motion, rise=rise, period_rad=period, nodes=48001)  # type: ignore[arg-type]
    face = flat.flat_face_radius_needed_m(velocity)
    assert face * period / rise == pytest.approx(peak_velocity, rel=1e-4)
    rho = flat.flat_cam_radius_m(lift, acceleration, base_radius_m=base)
    bend = (rho - base - lift) * period**2 / rise
    assert np.max(bend) == pytest.approx(peak_acceleration, rel=1e-4)
    assert np.min(bend) == pytest.approx(-peak_acceleration, rel=1e-4)
    assert lift[0] == pytest.approx(0.0, abs=1e-15)
    assert lift[-1] == pytest.approx(rise, rel=1e-12)


@pytest.mark.parametrize(("name", "motion", "peak_velocity", "peak_acceleration"), PROGRAMS)
def test_motion_programs_in_these_tests_differentiate_back(
    name: str, motion: object, peak_velocity: float, peak_acceleration: float
) -> None:
    """The closed forms used here as sources are consistent: velocity and acceleration are the derivatives."""
    x = np.linspace(0.0, 1.0, 20001)
    lift, velocity, acceleration = motion(x)  # type: ignore[operator]
    assert np.max(np.abs(np.gradient(lift, x)[1:-1] - velocity[1:-1])) < 1e-6
    assert np.max(np.abs(np.gradient(velocity, x)[2:-2] - acceleration[2:-2])) < 5e-3


def test_least_base_radius_without_cusp() -> None:
    """-min(s + s''): 48.227 (cycloidal, h 10, 60 deg), 24.395 (3-4-5, h 10, 75 deg), recomputed to 1e-4."""
    for motion, period, expected in ((cycloidal, 60.0, 48.227), (polynomial_345, 75.0, 24.395)):
        lift, _, bend = over_angle(motion, rise=10.0, period_rad=math.radians(period), nodes=100001)
        assert flat.flat_least_base_radius_m(lift, bend) == pytest.approx(expected, rel=1e-4)


def test_cusp_is_a_cusp_of_the_drawn_outline() -> None:
    """At the least base radius the outline has a point; a little smaller, it turns back."""
    period = math.radians(60.0)
    lift, velocity, bend = over_angle(cycloidal, rise=0.010, period_rad=period, nodes=20001)
    theta = np.linspace(0.0, period, 20001)
    least = flat.flat_least_base_radius_m(lift, bend)

    def backward_steps(base: float) -> int:
        outline = flat.flat_outline_m(theta, lift, velocity, base_radius_m=base)
        along = -np.sin(theta[:-1]) * np.diff(outline.x_m) + np.cos(theta[:-1]) * np.diff(outline.y_m)
        return int(np.sum(along < 0.0))

    assert backward_steps(least * 1.001) == 0
    assert backward_steps(least * 0.98) > 0


def test_curvature_of_flat_outline_by_finite_differences() -> None:
    """3-4-5, h 10, beta 75 deg, Rb 30 mm: curvature of the drawn x, y equals Rb + s + s'' to 0.1 %."""
    period = math.radians(75.0)
    lift, velocity, bend = over_angle(polynomial_345, rise=0.010, period_rad=period, nodes=8001)
    theta = np.linspace(0.0, period, 8001)
    outline = flat.flat_outline_m(theta, lift, velocity, base_radius_m=0.030)
    rho = flat.flat_cam_radius_m(lift, bend, base_radius_m=0.030)
    drawn = curvature_radius(outline.x_m, outline.y_m, theta)
    assert np.allclose(drawn[4:-4], rho[4:-4], rtol=1e-3, atol=0)


# ---------------------------------------------------------------------------------------------------- roller


def eccentric_motion(theta: Array, *, eccentric: float, reach: float) -> tuple[Array, Array, Array]:
    """Motion of a roller of which the centre runs on a circle of radius `reach` set off by `eccentric`."""
    root = np.sqrt(reach**2 - (eccentric * np.sin(theta)) ** 2)
    way = eccentric * np.cos(theta) + root
    slope = -(eccentric**2) * np.sin(2.0 * theta) / (2.0 * root)
    bend = -(eccentric**2) * np.cos(2.0 * theta) / root - slope**2 / root
    least = reach - eccentric
    return way - least, -eccentric * np.sin(theta) + slope, -eccentric * np.cos(theta) + bend


def test_roller_on_eccentric_circle() -> None:
    """e 6, circle 20, wheel 8: pitch radius of curvature 28, sin(phi) = e sin(theta)/28 (identity)."""
    theta = np.linspace(0.0, 2.0 * np.pi, 721)
    lift, velocity, bend = eccentric_motion(theta, eccentric=6.0, reach=28.0)
    base = 28.0 - 6.0 - 8.0
    pitch = roller.roller_pitch_radius_of_curvature_m(lift, velocity, bend, base_radius_m=base, roller_radius_m=8.0)
    cam = roller.roller_cam_radius_m(lift, velocity, bend, base_radius_m=base, roller_radius_m=8.0)
    phi = roller.roller_pressure_angle_rad(lift, velocity, base_radius_m=base, roller_radius_m=8.0)
    assert np.allclose(pitch, 28.0, rtol=1e-9, atol=0)
    assert np.allclose(cam, 20.0, rtol=1e-9, atol=0)
    assert np.allclose(np.sin(-phi), 6.0 * np.sin(theta) / 28.0, rtol=0, atol=1e-9)
    outline = roller.roller_outline_m(theta, lift, velocity, base_radius_m=base, roller_radius_m=8.0)
    assert np.allclose(np.hypot(outline.x_m - 6.0, outline.y_m), 20.0, rtol=1e-9, atol=0)


def test_roller_on_tangent_cam_has_straight_flank() -> None:
    """s = (r1 + r2)(1 - cos)/cos, r1 + r2 = 35: a straight pitch curve and flank (course formula)."""
    theta = np.linspace(-0.5, 0.5, 101)
    lift = 35.0 * (1.0 - np.cos(theta)) / np.cos(theta)
    velocity = 35.0 * np.sin(theta) / np.cos(theta) ** 2
    bend = 35.0 * (1.0 + np.sin(theta) ** 2) / np.cos(theta) ** 3
    kappa = roller.roller_pitch_curvature_per_m(lift, velocity, bend, base_radius_m=25.0, roller_radius_m=10.0)
    assert np.max(np.abs(kappa * 35.0)) < 1e-9
    outline = roller.roller_outline_m(theta, lift, velocity, base_radius_m=25.0, roller_radius_m=10.0)
    assert np.allclose(outline.x_m, 25.0, rtol=1e-12, atol=0)
    assert np.allclose(outline.y_m, 35.0 * np.tan(theta), rtol=0, atol=1e-9)


def test_roller_flank_beyond_tangent_is_hollow() -> None:
    """A motion quicker than the tangent cam's needs a hollow flank; the drawn flank is the judge."""
    theta = np.linspace(-0.05, 0.05, 201)
    bend, base, wheel = 0.060, 0.014, 0.0095  # m: about 2.5 times the pitch radius
    lift, velocity = bend * theta**2 / 2.0, bend * theta
    rho = roller.roller_cam_radius_m(
        lift, velocity, np.full_like(theta, bend), base_radius_m=base, roller_radius_m=wheel
    )
    assert np.all(rho < -wheel)
    outline = roller.roller_outline_m(theta, lift, velocity, base_radius_m=base, roller_radius_m=wheel)
    drawn = curvature_radius(outline.x_m, outline.y_m, theta)
    assert np.allclose(drawn[4:-4], rho[4:-4], rtol=1e-3, atol=0)
    hollow = roller.roller_least_hollow_radius_m(rho, roller_radius_m=wheel)
    assert hollow == pytest.approx(np.min(np.abs(drawn[4:-4])), rel=1e-3)
    assert math.isinf(roller.roller_least_nose_radius_m(rho, roller_radius_m=wheel))


def test_roller_undercut_is_where_the_outline_runs_back() -> None:
    """A nose too sharp for its wheel: the drawn outline turns back exactly where undercut is reported."""
    theta = np.linspace(-0.15, 0.15, 3001)
    bend, base, wheel = -0.095, 0.014, 0.0095  # m
    lift, velocity = 0.010 + bend * theta**2 / 2.0, bend * theta
    rho = roller.roller_cam_radius_m(
        lift, velocity, np.full_like(theta, bend), base_radius_m=base, roller_radius_m=wheel
    )
    under = roller.roller_undercut(rho, roller_radius_m=wheel)
    assert under[1500]
    assert roller.roller_least_nose_radius_m(rho, roller_radius_m=wheel) < 0.0
    outline = roller.roller_outline_m(theta, lift, velocity, base_radius_m=base, roller_radius_m=wheel)
    pitch = roller.roller_pitch_outline_m(theta, lift, base_radius_m=base, roller_radius_m=wheel)
    same_way = np.diff(outline.x_m) * np.diff(pitch.x_m) + np.diff(outline.y_m) * np.diff(pitch.y_m)
    sure = under[:-1] == under[1:]  # a step across the border of the undercut may count either way
    assert np.count_nonzero(~sure) == 2
    assert np.array_equal((same_way < 0.0)[sure], under[:-1][sure])


def test_wide_roller_tends_to_a_flat_follower() -> None:
    """A wheel of 1 km radius is a flat face: cam radius Rb + s + s'' (limit)."""
    cam = circular_arc_cam()
    motion = (cam.lift * IN, cam.velocity * IN, cam.acceleration * IN)
    rho = roller.roller_cam_radius_m(*motion, base_radius_m=BASE * IN, roller_radius_m=1000.0)
    faced = flat.flat_cam_radius_m(motion[0], motion[2], base_radius_m=BASE * IN)
    assert np.allclose(rho, faced, rtol=5e-3, atol=0)


def test_roller_rolling_speed_is_the_speed_along_the_outline() -> None:
    """No slip: the contact runs along the drawn outline at u; length of the outline is the judge."""
    theta = np.linspace(0.0, 2.0 * np.pi, 20001)
    lift, velocity, bend = eccentric_motion(theta, eccentric=0.004, reach=0.026)
    base, wheel = 0.026 - 0.004 - 0.0095, 0.0095
    speed = roller.roller_rolling_speed_m_per_s(
        lift, velocity, bend, base_radius_m=base, roller_radius_m=wheel, cam_speed_rad_per_s=1.0
    )
    around = float(np.sum((speed[1:] + speed[:-1]) / 2.0 * np.diff(theta)))
    assert around == pytest.approx(2.0 * math.pi * 0.0165, rel=1e-6)


# ------------------------------------------------------------------------------------------- crown and taper


def test_taper_offset_by_brute_force() -> None:
    """The lowest gap between a sphere (R 45 in) and a lobe tilted 9 minutes lies at R sin(taper)."""
    crown, taper = 45.0 * IN, math.radians(9.0 / 60.0)
    y = np.linspace(-0.012, 0.012, 240001)
    face = crown - np.sqrt(crown**2 - y**2)
    gap = face - y * math.tan(taper)
    expected = flat.taper_contact_offset_m(crown_radius_m=crown, taper_rad=taper)
    assert y[np.argmin(gap)] == pytest.approx(expected, abs=2e-7)
    assert flat.taper_contact_offset_m(crown_radius_m=crown, taper_rad=0.0) == 0.0


@given(
    radius=st.floats(0.05, 100.0),
    face=st.floats(0.01, 0.05),
)
def test_crown_height_and_radius_are_each_other_turned_round(radius: float, face: float) -> None:
    height = flat.crown_height_m(radius, face_diameter_m=face)
    assert flat.crown_radius_m(height, face_diameter_m=face) == pytest.approx(radius, rel=1e-9)


# ------------------------------------------------------------------------------------------------ properties


@st.composite
def smooth_lobes(draw: st.DrawFn) -> tuple[Array, Array, Array, Array]:
    """A closed smooth lift of a few harmonics with exact derivatives, in metres over cam radians."""
    theta = np.linspace(0.0, 2.0 * np.pi, 4001)
    lift, velocity, bend = np.zeros_like(theta), np.zeros_like(theta), np.zeros_like(theta)
    for order in range(1, 5):
        size = draw(st.floats(-1.0, 1.0)) * 0.004 / order**2
        shift = draw(st.floats(0.0, 6.3))
        lift += size * np.cos(order * theta + shift)
        velocity -= size * order * np.sin(order * theta + shift)
        bend -= size * order**2 * np.cos(order * theta + shift)
    return theta, lift - np.min(lift), velocity, bend


@settings(max_examples=30, deadline=None)
@given(smooth_lobes())
def test_any_lobe_outlines_have_the_curvature_claimed(lobe: tuple[Array, Array, Array, Array]) -> None:
    theta, lift, velocity, bend = lobe
    outline = flat.flat_outline_m(theta, lift, velocity, base_radius_m=0.030)
    rho = flat.flat_cam_radius_m(lift, bend, base_radius_m=0.030)
    drawn = curvature_radius(outline.x_m, outline.y_m, theta)
    assert np.allclose(1.0 / drawn[4:-4], 1.0 / rho[4:-4], rtol=1e-3, atol=1e-3)
    outline = roller.roller_outline_m(theta, lift, velocity, base_radius_m=0.030, roller_radius_m=0.0095)
    rho = roller.roller_cam_radius_m(lift, velocity, bend, base_radius_m=0.030, roller_radius_m=0.0095)
    drawn = curvature_radius(outline.x_m, outline.y_m, theta)
    assert np.allclose(1.0 / drawn[4:-4], 1.0 / rho[4:-4], rtol=1e-3, atol=1e-3)


@settings(max_examples=30, deadline=None)
@given(smooth_lobes(), st.floats(10.0, 500.0))
def test_speeds_of_the_two_surfaces_add_up(lobe: tuple[Array, Array, Array, Array], omega: float) -> None:
    """Difference of the surface speeds is the sliding, mean is the entrainment."""
    theta, lift, velocity, bend = lobe
    cam, face = flat.flat_surface_speeds_m_per_s(lift, bend, base_radius_m=0.03, cam_speed_rad_per_s=omega)
    sliding = flat.flat_sliding_m_per_s(lift, base_radius_m=0.03, cam_speed_rad_per_s=omega)
    assert np.allclose(cam - face, sliding, rtol=1e-12, atol=1e-12)
    outline = flat.flat_outline_m(theta, lift, velocity, base_radius_m=0.03)
    path = np.hypot(np.gradient(outline.x_m, theta), np.gradient(outline.y_m, theta)) * omega
    assert np.allclose(path[2:-2], np.abs(cam[2:-2]), rtol=1e-4, atol=1e-6 * omega)
    contact = np.gradient(flat.flat_contact_eccentricity_m(velocity), theta) * omega
    assert np.allclose(contact[2:-2], face[2:-2], rtol=1e-4, atol=1e-6 * omega)


@given(st.floats(0.01, 0.05), st.floats(0.0, 0.002))
def test_velocity_limit_just_fits_the_face(face: float, margin: float) -> None:
    limit = flat.flat_velocity_limit_m_per_rad(face, edge_margin_m=margin)
    assert flat.flat_face_radius_needed_m(limit, edge_margin_m=margin) == pytest.approx(face / 2.0, rel=1e-12)


@given(st.floats(0.0, 0.01), st.floats(-0.02, 0.02), st.floats(0.3, 0.8))
def test_least_base_radius_meets_its_pressure_angle(lift: float, velocity: float, limit: float) -> None:
    base = roller.roller_least_base_radius_m(lift, velocity, roller_radius_m=0.0095, greatest_pressure_angle_rad=limit)
    if base > 1e-4:
        phi = roller.roller_pressure_angle_rad(lift, velocity, base_radius_m=base, roller_radius_m=0.0095)
        assert abs(float(phi)) == pytest.approx(limit, rel=1e-9)


def test_wrong_values_are_refused_in_words() -> None:
    with pytest.raises(OutOfRange, match="base_radius_m is 0; it must be a finite number above zero"):
        flat.flat_cam_radius_m(0.0, 0.0, base_radius_m=0)
    with pytest.raises(OutOfRange, match="less than half the face diameter"):
        flat.flat_velocity_limit_m_per_rad(0.02, edge_margin_m=0.01)
    with pytest.raises(OutOfRange, match="crown_height_m"):
        flat.crown_radius_m(0.0, face_diameter_m=0.02)
    with pytest.raises(OutOfRange, match="at most half its diameter"):
        flat.crown_radius_m(0.02, face_diameter_m=0.02)
    with pytest.raises(OutOfRange, match="at least half its diameter"):
        flat.crown_height_m(0.005, face_diameter_m=0.02)
    with pytest.raises(OutOfRange, match="between 0 and pi/2"):
        roller.roller_least_base_radius_m(0.0, 0.0, roller_radius_m=0.01, greatest_pressure_angle_rad=2.0)
    with pytest.raises(OutOfRange, match="roller_radius_m is nan"):
        roller.roller_pressure_angle_rad(0.0, 0.0, base_radius_m=0.014, roller_radius_m=math.nan)
