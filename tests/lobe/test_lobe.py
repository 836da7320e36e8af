"""The lobe as a curve: durations, areas and derivatives against closed forms and published motions."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import cumulative_simpson

from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.lobe.lift import Lobe, from_functions, seat_lobe_lift_m, valve_lift_m
from motion_sources import ALPHA, BASE, LIFT, NOSE, PROGRAMS, Motion, circular_arc_cam

IN = 0.0254  # m, exact
ProgramCase = tuple[str, Callable[[Array], Motion], float, float]


def mirrored(rise: tuple[Array, Array, Array, Array]) -> Lobe:
    """A whole lobe from its opening side (theta from the end of the base circle to the nose)."""
    theta, lift, velocity, acceleration = rise
    return Lobe(
        np.concatenate([theta - theta[-1], theta[-1] - theta[-2::-1]]),
        np.concatenate([lift, lift[-2::-1]]),
        np.concatenate([velocity, -velocity[-2::-1]]),
        np.concatenate([acceleration, acceleration[-2::-1]]),
    )


def arc_lobe(nodes: int = 2001) -> Lobe:
    """Bevan's circular-arc cam in metres."""
    cam = circular_arc_cam(nodes)
    return mirrored((cam.theta, cam.lift * IN, cam.velocity * IN, cam.acceleration * IN))


def program_lobe(motion: Callable[[Array], Motion], *, lift_m: float, period_rad: float, nodes: int) -> Lobe:
    """Rise and fall by one published dwell-to-dwell program, no dwell at the top."""

    def share(theta: Array) -> Array:
        return np.clip(1.0 - np.abs(theta) / period_rad, 0.0, 1.0)

    return from_functions(
        np.linspace(-period_rad, period_rad, nodes),
        lambda theta: lift_m * motion(share(theta))[0],
        lambda theta: -np.sign(theta) * lift_m / period_rad * motion(share(theta))[1],
        lambda theta: lift_m / period_rad**2 * motion(share(theta))[2],
    )


def bump(power: int, *, lift_m: float, half_rad: float, nodes: int = 801) -> Lobe:
    """L (1 - u^2)^power, u = theta / half: closes with power - 1 derivatives at zero."""
    k = power

    def u(theta: Array) -> Array:
        return theta / half_rad

    return from_functions(
        np.linspace(-half_rad, half_rad, nodes),
        lambda t: lift_m * (1 - u(t) ** 2) ** k,
        lambda t: -2 * k * lift_m / half_rad * u(t) * (1 - u(t) ** 2) ** (k - 1),
        lambda t: 2 * k * lift_m / half_rad**2 * (1 - u(t) ** 2) ** (k - 2) * ((2 * k - 1) * u(t) ** 2 - 1),
    )


# ------------------------------------------------------------------------------------------- circular-arc cam


@pytest.mark.parametrize("lift_in", [0.002, 0.006, 0.050, 0.100, 0.120, 0.200, 0.400, 0.499])
def test_duration_of_circular_arc_cam_bevan_example_9_5(lift_in: float) -> None:
    """T. Bevan, The Theory of Machines, 3rd ed., ex. 9-5, p. 300: s = C (1 - cos theta) on the flank,
    s = 1.5 cos(alpha - theta) - 1 on the nose, so the angle at a lift is an arc cosine; crank = 2 cam."""
    cam = circular_arc_cam()
    at_junction = cam.flank_centre * (1.0 - math.cos(cam.junction_rad))
    if lift_in < at_junction:
        from_nose = ALPHA - math.acos(1.0 - lift_in / cam.flank_centre)
    else:
        from_nose = math.acos((lift_in + BASE - NOSE) / cam.nose_centre)
    # The acceleration jumps where flank meets nose; elsewhere the grid of 0.03 deg leaves 1e-9.
    assert arc_lobe().duration_crank_rad(lift_in * IN) == pytest.approx(4.0 * from_nose, abs=1e-7)


def test_lift_of_circular_arc_cam_bevan_example_9_5() -> None:
    """Printed lift 0.5 in, angle of action 110 deg."""
    lobe = arc_lobe()
    assert lobe.greatest_lift_m == pytest.approx(LIFT * IN, rel=1e-12)
    assert math.degrees(lobe.theta_cam_rad[-1] - lobe.theta_cam_rad[0]) == pytest.approx(110.0, abs=1e-9)


def test_area_of_circular_arc_cam_is_its_integral() -> None:
    """Twice C (t - sin t) to the junction plus 1.5 sin(alpha - t) - (alpha - t) on the nose (Bevan's cam)."""
    cam = circular_arc_cam()
    t, rest = cam.junction_rad, ALPHA - cam.junction_rad
    flank = cam.flank_centre * (t - math.sin(t))
    nose = cam.nose_centre * math.sin(rest) - (BASE - NOSE) * rest
    assert arc_lobe().lift_area_m_rad() == pytest.approx(2.0 * (flank + nose) * IN, rel=1e-6)


# ------------------------------------------------------------------------------------------- motion programs


@pytest.mark.parametrize(("name", "motion", "peak_velocity", "peak_acceleration"), PROGRAMS)
def test_peak_factors_through_from_functions(
    name: str, motion: Callable[[Array], Motion], peak_velocity: float, peak_acceleration: float
) -> None:
    """Norton, Design of Machinery, ch. 8, table of peak factors (from memory): C_v h/beta, C_a h/beta^2."""
    lift, period = 0.008, math.radians(65.0)
    lobe = program_lobe(motion, lift_m=lift, period_rad=period, nodes=19201)
    # Printed to five figures, so 1e-4.
    assert np.max(lobe.velocity_m_per_rad) * period / lift == pytest.approx(peak_velocity, rel=1e-4)
    assert np.min(lobe.velocity_m_per_rad) * period / lift == pytest.approx(-peak_velocity, rel=1e-4)
    factor = lobe.acceleration_m_per_rad2 * period**2 / lift
    assert np.max(factor) == pytest.approx(peak_acceleration, rel=1e-4)
    assert np.min(factor) == pytest.approx(-peak_acceleration, rel=1e-4)


@pytest.mark.parametrize(("name", "motion", "peak_velocity", "peak_acceleration"), PROGRAMS)
def test_programs_rise_half_in_half_the_period(
    name: str, motion: Callable[[Array], Motion], peak_velocity: float, peak_acceleration: float
) -> None:
    """All six are point-symmetric, so the duration at half lift is one period of cam, two of crank, and the
    area of rise and fall is lift x period."""
    lift, period = 0.008, math.radians(65.0)
    lobe = program_lobe(motion, lift_m=lift, period_rad=period, nodes=1601)
    assert lobe.duration_crank_rad(lift / 2.0) == pytest.approx(2.0 * period, abs=1e-9)
    assert lobe.lift_area_m_rad() == pytest.approx(lift * period, rel=1e-6)


@pytest.mark.parametrize(("name", "motion", "peak_velocity", "peak_acceleration"), PROGRAMS)
def test_derivatives_integrate_back_to_lift(
    name: str, motion: Callable[[Array], Motion], peak_velocity: float, peak_acceleration: float
) -> None:
    """Acceleration to velocity to lift by Simpson's rule, from the base circle, and the lobe closes."""
    lift, period = 0.008, math.radians(65.0)
    lobe = program_lobe(motion, lift_m=lift, period_rad=period, nodes=6401)
    half = slice(0, 3201)  # simple harmonic jumps in acceleration at the ends: integrate the rise alone
    theta = lobe.theta_cam_rad[half]
    velocity = cumulative_simpson(lobe.acceleration_m_per_rad2[half], x=theta, initial=0.0)
    back = cumulative_simpson(lobe.velocity_m_per_rad, x=lobe.theta_cam_rad, initial=0.0)
    assert np.max(np.abs(velocity - lobe.velocity_m_per_rad[half])) < 1e-6 * peak_velocity * lift / period
    assert np.max(np.abs(back - lobe.lift_m)) < 1e-7 * lift
    assert abs(back[-1]) < 1e-9 * lift


# ------------------------------------------------------------------------------------------------- crossings


@pytest.mark.parametrize("share", [1e-4, 0.02, 0.25, 0.5, 0.77, 0.999])
def test_crossing_of_a_cubic_is_exact(share: float) -> None:
    """A flank L (1 - 3 u^2 + 2 u^3) on two grid cells: the Hermite cubic is the curve itself, so the crossing
    is a root of that polynomial (numpy.roots)."""
    lift, half = 0.008, 1.1
    theta = np.array([-half, 0.0, half])
    lobe = Lobe(theta, np.array([0.0, lift, 0.0]), np.zeros(3), np.array([6.0, -6.0, 6.0]) * lift / half**2)
    roots = np.roots([2.0, -3.0, 0.0, 1.0 - share])
    (u,) = (float(r.real) for r in roots if abs(r.imag) < 1e-9 and 0.0 < r.real < 1.0)
    opening, closing = lobe.crossings_cam_rad(share * lift)
    assert opening == pytest.approx(-u * half, abs=1e-12)
    assert closing == pytest.approx(u * half, abs=1e-12)


def test_crossing_error_falls_with_the_fourth_power_of_the_grid() -> None:
    """Hermite interpolation: halving the step divides the error by 16 (theory), by more than 12 in fact."""
    exact = math.sqrt(1.0 - 0.25 ** (1.0 / 5.0))  # (1 - u^2)^5 = 1/4

    def worst(nodes: int) -> float:
        # Averaged over shifted grids, since the error of one crossing depends on where in its cell it falls.
        errors = []
        for shift in np.linspace(0.0, 1.0, 16, endpoint=False):
            step = 2.4 / nodes
            theta = np.arange(-1.2, 1.2, step) + shift * step
            theta = theta[np.abs(theta) < 1.0]
            one = bump(5, lift_m=1.0, half_rad=1.0)  # only for its shape's sake: closed, one hump
            assert one.greatest_lift_m == 1.0
            lobe = Lobe(theta, (1 - theta**2) ** 5, -10 * theta * (1 - theta**2) ** 4, 0.0 * theta)
            errors.append(abs(lobe.crossings_cam_rad(0.25)[1] - exact))
        return max(errors)

    assert worst(40) / worst(80) > 12.0
    assert worst(80) < 1e-5


def test_lift_not_reached_is_refused() -> None:
    lobe = arc_lobe()
    for lift in (0.0, -0.001, LIFT * IN, 0.02):
        with pytest.raises(OutOfRange, match=r"is not between zero and the lobe's 0\.500 in \(12\.70 mm\)"):
            lobe.duration_crank_rad(lift)


def test_curve_that_does_not_come_down_is_refused() -> None:
    """Readings that stop short of the base circle have no duration there; wrapping round gives nonsense."""
    whole = arc_lobe()
    cut = slice(900, -1)
    part = Lobe(
        whole.theta_cam_rad[cut],
        whole.lift_m[cut],
        whole.velocity_m_per_rad[cut],
        whole.acceleration_m_per_rad2[cut],
    )
    with pytest.raises(OutOfRange, match="begins or ends"):
        part.duration_crank_rad(0.006 * IN)


# ----------------------------------------------------------------------------------------------- valve side


def test_valve_lift_is_ratio_times_lift_less_lash() -> None:
    """Definition: 0.320 in x 1.5 - 0.022 in = 0.458 in; nothing below the lash; hydraulic has none."""
    lift = np.array([0.0, 0.010, 0.022 / 1.5, 0.020, 0.320]) * IN
    assert valve_lift_m(lift, 1.5, 0.022 * IN) / IN == pytest.approx([0.0, 0.0, 0.0, 0.008, 0.458], abs=1e-12)
    assert valve_lift_m(lift, 1.5) / IN == pytest.approx([0.0, 0.015, 0.022, 0.030, 0.480], abs=1e-12)


def test_seat_lift_of_solid_is_lash_over_ratio() -> None:
    """Definition: 0.022 in / 1.5 = 0.014667 in; there the valve lift is just zero. Hydraulic: as quoted."""
    solid = seat_lobe_lift_m(lifter="solid", lash_m=0.022 * IN, rocker_ratio=1.5, hydraulic_seat_m=0.006 * IN)
    assert solid / IN == pytest.approx(0.014667, abs=5e-7)
    assert valve_lift_m(np.array([solid]), 1.5, 0.022 * IN)[0] == pytest.approx(0.0, abs=1e-18)
    seat = 0.006 * IN
    assert seat_lobe_lift_m(lifter="hydraulic", lash_m=0.0, rocker_ratio=1.5, hydraulic_seat_m=seat) == seat


# ----------------------------------------------------------------------------------------------- properties

lifts = st.floats(0.002, 0.018)
halves = st.floats(0.8, 1.8)
powers = st.integers(3, 9)


@settings(max_examples=40, deadline=None)
@given(powers, lifts, halves)
def test_area_of_a_bump_is_a_wallis_ratio(power: int, lift: float, half: float) -> None:
    """Integral of (1 - u^2)^k over -1..1 is 2 (2k)!!/(2k+1)!! (any table of integrals; from memory)."""
    wallis = math.prod(2 * i / (2 * i + 1) for i in range(1, power + 1))
    area = bump(power, lift_m=lift, half_rad=half).lift_area_m_rad()
    assert area == pytest.approx(2.0 * lift * half * wallis, rel=1e-8)


@settings(max_examples=40, deadline=None)
@given(powers, lifts, halves)
def test_closed_lobe_returns_to_base(power: int, lift: float, half: float) -> None:
    lobe = bump(power, lift_m=lift, half_rad=half)
    up = cumulative_simpson(lobe.velocity_m_per_rad, x=lobe.theta_cam_rad, initial=0.0)
    turn = cumulative_simpson(lobe.acceleration_m_per_rad2, x=lobe.theta_cam_rad, initial=0.0)
    # Simpson's own error on 801 nodes: fourth power of the step, 1e-7 for the sharpest of these lobes.
    assert abs(up[-1]) < 1e-7 * lift
    assert abs(turn[-1]) < 1e-6 * lift / half
    assert up[lobe.lift_m.size // 2] == pytest.approx(lift, rel=1e-7)


@settings(max_examples=40, deadline=None)
@given(powers, lifts, halves, st.floats(0.02, 0.95))
def test_duration_of_a_bump_closed_form(power: int, lift: float, half: float, share: float) -> None:
    """(1 - u^2)^k = share at u = sqrt(1 - share^(1/k)); crank duration is four times that, by `half`."""
    lobe = bump(power, lift_m=lift, half_rad=half)
    u = math.sqrt(1.0 - share ** (1.0 / power))
    assert lobe.duration_crank_rad(share * lift) == pytest.approx(4.0 * u * half, rel=1e-8)


@settings(max_examples=40, deadline=None)
@given(powers, lifts, halves, st.floats(0.3, 3.0), st.floats(0.5, 2.0))
def test_scaling_lift_and_angle(power: int, lift: float, half: float, taller: float, wider: float) -> None:
    """Area goes with lift and with angle; durations at the same share of lift go with angle alone."""
    one = bump(power, lift_m=lift, half_rad=half)
    other = bump(power, lift_m=taller * lift, half_rad=wider * half)
    assert other.lift_area_m_rad() == pytest.approx(taller * wider * one.lift_area_m_rad(), rel=1e-12)
    longer = other.duration_crank_rad(0.3 * taller * lift)
    assert longer == pytest.approx(wider * one.duration_crank_rad(0.3 * lift), rel=1e-9)


@settings(max_examples=20, deadline=None)
@given(powers, lifts, halves, st.floats(0.0, 0.6))
def test_area_is_the_sum_of_durations(power: int, lift: float, half: float, above: float) -> None:
    """Layer by layer: the area above a lift is the integral over higher lifts of the duration there, so
    durations and areas, found by different routes, must tell the same story; and durations only shrink."""
    lobe = bump(power, lift_m=lift, half_rad=half)
    # Gauss-Legendre in w, lift = top - (top - above) w^2, since the duration has a square root at the nose.
    x, weight = np.polynomial.legendre.leggauss(40)
    w = (x + 1.0) / 2.0
    room = lift * (1.0 - above)
    levels = lift - room * w**2
    durations = np.array([lobe.duration_crank_rad(level) / 2.0 for level in levels])
    assert np.all(np.diff(durations) > 0)
    layers = float(np.sum(weight / 2.0 * durations * 2.0 * room * w))
    # The trapezium rule clips one cell on each side at the level: an error of second order in the step.
    assert lobe.lift_area_m_rad(above_m=above * lift) == pytest.approx(layers, rel=1e-4)
