"""Cam motions from books, in closed form, for tests: lift, velocity and acceleration over cam angle.

`circular_arc_cam`: T. Bevan, The Theory of Machines, 3rd ed., ex. 9-5, p. 300 (inches and radians, as there).
`PROGRAMS`: dwell-to-dwell programs, lift in units of the rise h and angle in units of the period beta.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lobeledger.arrays import Array

Motion = tuple[Array, Array, Array]


class ArcCam(NamedTuple):
    """A circular-arc cam and its motion on a flat follower, opening side, theta from the end of the base."""

    flank_centre: float
    nose_centre: float
    junction_rad: float
    theta: Array
    lift: Array
    velocity: Array
    acceleration: Array
    on_flank: NDArray[np.bool_]


BASE, LIFT, NOSE, ALPHA = 1.125, 0.5, 0.125, np.radians(55.0)  # in, in, in, half the angle of action


def circular_arc_cam(nodes: int = 2001) -> ArcCam:
    """Geometry after the example; the flank is an arc tangent to base circle and nose."""
    nose_centre = BASE + LIFT - NOSE
    flank_centre = (nose_centre**2 - (BASE - NOSE) ** 2) / (2.0 * ((BASE - NOSE) - nose_centre * np.cos(ALPHA)))
    flank_radius = flank_centre + BASE
    junction = np.arcsin(nose_centre * np.sin(ALPHA) / (flank_radius - NOSE))
    theta = np.linspace(0.0, ALPHA, nodes)
    flank = theta < junction
    nose_arm = nose_centre * np.cos(ALPHA - theta)
    lift = np.where(flank, flank_centre * (1.0 - np.cos(theta)), nose_arm + NOSE - BASE)
    velocity = np.where(flank, flank_centre * np.sin(theta), nose_centre * np.sin(ALPHA - theta))
    acceleration = np.where(flank, flank_centre * np.cos(theta), -nose_arm)
    return ArcCam(float(flank_centre), float(nose_centre), float(junction), theta, lift, velocity, acceleration, flank)


def simple_harmonic(x: Array) -> Motion:
    return (
        (1.0 - np.cos(np.pi * x)) / 2.0,
        np.pi / 2.0 * np.sin(np.pi * x),
        np.pi**2 / 2.0 * np.cos(np.pi * x),
    )


def cycloidal(x: Array) -> Motion:
    turn = 2.0 * np.pi * x
    return x - np.sin(turn) / (2.0 * np.pi), 1.0 - np.cos(turn), 2.0 * np.pi * np.sin(turn)


def modified_trapezoid(x: Array) -> Motion:
    """Eighths 1-2-2-2-1: quarter sine, level, half cosine, level, quarter sine; symmetric."""
    peak = 8.0 * np.pi / (np.pi + 2.0)
    y = np.minimum(x, 1.0 - x)
    sine = np.sin(4.0 * np.pi * np.clip(y, 0.0, 0.125))
    fall = np.cos(4.0 * np.pi * np.clip(y - 0.375, 0.0, 0.125))
    half = peak * np.where(y < 0.125, sine, np.where(y < 0.375, 1.0, fall))
    # Integrated piece by piece: velocity and lift at the ends of the pieces are v1, s1 and v2, s2.
    w = 4.0 * np.pi
    v1, s1 = peak / w, peak * (0.125 / w - 1.0 / w**2)
    v2, s2 = v1 + peak * 0.25, s1 + v1 * 0.25 + peak * 0.25**2 / 2.0
    u, z = y - 0.125, y - 0.375
    speed = np.where(
        y < 0.125,
        peak / w * (1.0 - np.cos(w * y)),
        np.where(y < 0.375, v1 + peak * u, v2 + peak / w * np.sin(w * z)),
    )
    way = np.where(
        y < 0.125,
        peak * (y / w - np.sin(w * y) / w**2),
        np.where(y < 0.375, s1 + v1 * u + peak * u**2 / 2.0, s2 + v2 * z + peak / w**2 * (1.0 - np.cos(w * z))),
    )
    return np.where(x <= 0.5, way, 1.0 - way), speed, np.where(x <= 0.5, half, -half)


def modified_sine(x: Array) -> Motion:
    """Rothbart, Cam Design Handbook, 2004, p. 75."""
    c = 1.0 / (4.0 + np.pi)
    quick, slow = 4.0 * np.pi * x, 4.0 * np.pi * x / 3.0 + np.pi / 3.0
    ends = (x < 0.125) | (x > 0.875)
    lift = c * np.where(
        x < 0.125,
        np.pi * x - np.sin(quick) / 4.0,
        np.where(x <= 0.875, 2.0 + np.pi * x - 9.0 / 4.0 * np.sin(slow), 4.0 + np.pi * x - np.sin(quick) / 4.0),
    )
    velocity = c * np.pi * (1.0 - np.where(ends, np.cos(quick), 3.0 * np.cos(slow)))
    acceleration = 4.0 * np.pi**2 * c * np.where(ends, np.sin(quick), np.sin(slow))
    return lift, velocity, acceleration


def polynomial_345(x: Array) -> Motion:
    return (
        10.0 * x**3 - 15.0 * x**4 + 6.0 * x**5,
        30.0 * x**2 - 60.0 * x**3 + 30.0 * x**4,
        60.0 * x - 180.0 * x**2 + 120.0 * x**3,
    )


def polynomial_4567(x: Array) -> Motion:
    return (
        35.0 * x**4 - 84.0 * x**5 + 70.0 * x**6 - 20.0 * x**7,
        140.0 * x**3 - 420.0 * x**4 + 420.0 * x**5 - 140.0 * x**6,
        420.0 * x**2 - 1680.0 * x**3 + 2100.0 * x**4 - 840.0 * x**5,
    )


# Program, peak velocity and peak acceleration factors: Norton, Design of Machinery, ch. 8, table of peak
# factors, and Rothbart, Cam Design Handbook, 2004 (tables from memory, values recomputed from the motions).
PROGRAMS: list[tuple[str, Callable[[Array], Motion], float, float]] = [
    ("simple harmonic", simple_harmonic, 1.5708, 4.9348),
    ("cycloidal", cycloidal, 2.0, 6.2832),
    ("modified trapezoid", modified_trapezoid, 2.0, 4.8881),
    ("modified sine", modified_sine, 1.7596, 5.5280),
    ("3-4-5", polynomial_345, 1.875, 5.7735),
    ("4-5-6-7", polynomial_4567, 2.1875, 7.5132),
]


def over_angle(motion: Callable[[Array], Motion], *, rise: float, period_rad: float, nodes: int) -> Motion:
    """A program given a rise and a period: lift, ds/dtheta, d2s/dtheta2. Rothbart, app. B, p. 551."""
    lift, velocity, acceleration = motion(np.linspace(0.0, 1.0, nodes))
    return rise * lift, rise * velocity / period_rad, rise * acceleration / period_rad**2
