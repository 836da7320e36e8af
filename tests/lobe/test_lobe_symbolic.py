"""Two families of motion differentiated by sympy: derivatives, curvature and contact against the library's formulas.

The curves are written once as symbols; slope, acceleration and the curvature of the lobe's own outline follow by
sympy's differentiation, not by the library's. Motion programs: 3-4-5 polynomial and cycloidal, Norton, Design of
Machinery, ch. 8 (from memory), on a dwell-rise half lobe of 60 degrees and 8 mm.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from lobeledger.lobe import flat, roller
from lobeledger.lobe.lift import from_functions

sympy = pytest.importorskip("sympy")

THETA = sympy.Symbol("theta", real=True)
BETA, RISE_M = math.radians(60.0), 0.008
# A base circle that leaves the flat lobe convex: the definition of curvature knows no sign of radius past a cusp.
BASE_M, WHEEL_M = 0.050, 0.010
X = THETA / sympy.Float(BETA, 30)
FAMILIES = {
    "3-4-5": RISE_M * (10 * X**3 - 15 * X**4 + 6 * X**5),
    "cycloidal": RISE_M * (X - sympy.sin(2 * sympy.pi * X) / (2 * sympy.pi)),
}
# Greatest velocity and acceleration factors of the families: 15/8 and 10/sqrt(3); 2 and 2 pi (Norton, from memory).
PEAKS = {"3-4-5": (1.875, 10.0 / math.sqrt(3.0)), "cycloidal": (2.0, 2.0 * math.pi)}
ANGLES = np.linspace(0.001, BETA - 0.001, 241)


def numbers(expression):
    return np.asarray(sympy.lambdify(THETA, expression, "numpy")(ANGLES), dtype=float)


def curvature(x, y):
    """Signed curvature of a plane curve of theta, by its definition (x'y'' - y'x'') / (x'^2 + y'^2)^(3/2)."""
    dx, dy = sympy.diff(x, THETA), sympy.diff(y, THETA)
    return numbers((dx * sympy.diff(dy, THETA) - dy * sympy.diff(dx, THETA)) / (dx**2 + dy**2) ** sympy.Rational(3, 2))


@pytest.mark.parametrize("family", FAMILIES)
def test_derivatives_and_peaks(family):
    s = FAMILIES[family]
    functions = [sympy.lambdify(THETA, sympy.diff(s, THETA, n), "numpy") for n in range(3)]
    lobe = from_functions(ANGLES, *functions)
    step = ANGLES[1] - ANGLES[0]
    # The lobe's own arrays hang together: each is the slope of the one before, to the order of the difference.
    assert np.gradient(lobe.lift_m, step)[1:-1] == pytest.approx(lobe.velocity_m_per_rad[1:-1], abs=2e-6)
    velocity, acceleration = PEAKS[family]
    fine = np.linspace(0.0, BETA, 20001)
    assert functions[1](fine).max() == pytest.approx(velocity * RISE_M / BETA, rel=1e-6)
    assert functions[2](fine).max() == pytest.approx(acceleration * RISE_M / BETA**2, rel=1e-6)


@pytest.mark.parametrize("family", FAMILIES)
def test_flat_lobe_radius_is_base_plus_lift_plus_second_derivative(family):
    s = FAMILIES[family]
    first, second = sympy.diff(s, THETA), sympy.diff(s, THETA, 2)
    # Envelope of the face: r = (Rb + s) n + s' t with n = (cos, sin), t = (-sin, cos).
    x = (BASE_M + s) * sympy.cos(THETA) - first * sympy.sin(THETA)
    y = (BASE_M + s) * sympy.sin(THETA) + first * sympy.cos(THETA)
    ours = flat.flat_cam_radius_m(numbers(s), numbers(second), base_radius_m=BASE_M)
    assert ours == pytest.approx(1.0 / curvature(x, y), rel=1e-9)
    assert flat.flat_contact_eccentricity_m(numbers(first)) == pytest.approx(numbers(first), rel=1e-12)


@pytest.mark.parametrize("family", FAMILIES)
def test_roller_pitch_curvature_and_pressure_angle(family):
    s = FAMILIES[family]
    first, second = sympy.diff(s, THETA), sympy.diff(s, THETA, 2)
    reach = BASE_M + WHEEL_M + s
    x, y = reach * sympy.cos(THETA), reach * sympy.sin(THETA)
    ours = roller.roller_pitch_curvature_per_m(
        numbers(s), numbers(first), numbers(second), base_radius_m=BASE_M, roller_radius_m=WHEEL_M
    )
    assert ours == pytest.approx(curvature(x, y), rel=1e-9)
    # The normal of the pitch curve against the follower's line, from the tangent's own direction.
    lean = np.arctan2(numbers(sympy.diff(reach, THETA)), numbers(reach))
    angle = roller.roller_pressure_angle_rad(numbers(s), numbers(first), base_radius_m=BASE_M, roller_radius_m=WHEEL_M)
    assert angle == pytest.approx(lean, abs=1e-12)
