"""Geometry of a roller follower: pressure angle, curvature, undercut, speed, outline.

How steep does it push?               `roller_pressure_angle_rad`, `roller_side_thrust_n`, `roller_normal_load_n`
How sharp or hollow is the cam?       `roller_pitch_curvature_per_m`, `roller_pitch_radius_of_curvature_m`,
                                      `roller_cam_radius_m`, `roller_undercut`, `roller_least_nose_radius_m`,
                                      `roller_least_hollow_radius_m`
How large must the base circle be?    `roller_least_base_radius_m`
How fast does it roll?                `roller_rolling_speed_m_per_s`
What does it look like?               `roller_pitch_outline_m`, `roller_outline_m`
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lobeledger.arguments import positive
from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.lobe.flat import Outline, Values

__all__ = [
    "roller_cam_radius_m",
    "roller_least_base_radius_m",
    "roller_least_hollow_radius_m",
    "roller_least_nose_radius_m",
    "roller_normal_load_n",
    "roller_outline_m",
    "roller_pitch_curvature_per_m",
    "roller_pitch_outline_m",
    "roller_pitch_radius_of_curvature_m",
    "roller_pressure_angle_rad",
    "roller_rolling_speed_m_per_s",
    "roller_side_thrust_n",
    "roller_undercut",
]


def _pitch_reach(lift_m: Values, base_radius_m: float, roller_radius_m: float) -> Array:
    """Distance (m) of the roller's centre from the cam axis: Rb + Rr + s."""
    positive(base_radius_m=base_radius_m, roller_radius_m=roller_radius_m)
    return base_radius_m + roller_radius_m + np.asarray(lift_m, dtype=float)


def roller_pressure_angle_rad(
    lift_m: Values, velocity_m_per_rad: Values, *, base_radius_m: float, roller_radius_m: float
) -> Array:
    """Angle (rad) between the contact force and the lifter's motion: tan(phi) = s'/(Rb + Rr + s), signed.

    Source: Norton, Design of Machinery; Shigley and Uicker, with zero offset (from memory). Course notes give
    about 30 degrees as the usual limit of a translating roller follower: a rule of thumb.

    >>> phi = roller_pressure_angle_rad(0.0, 0.0236, base_radius_m=0.014, roller_radius_m=0.0096)
    >>> round(math.degrees(float(phi)), 6)
    45.0
    """
    reach = _pitch_reach(lift_m, base_radius_m, roller_radius_m)
    return np.asarray(np.arctan2(np.asarray(velocity_m_per_rad, dtype=float), reach))


def roller_least_base_radius_m(
    lift_m: Values,
    velocity_m_per_rad: Values,
    *,
    roller_radius_m: float,
    greatest_pressure_angle_rad: float,
) -> float:
    """Least base circle radius (m) that keeps the pressure angle within its limit at every angle.

    Rb = max(|s'|/tan(phi_max) - s) - Rr. Source: `roller_pressure_angle_rad` turned round. Raises OutOfRange
    for a limit outside 0 to 90 degrees.

    >>> limit = math.radians(30.0)
    >>> round(roller_least_base_radius_m(0.004, 0.013, roller_radius_m=0.0095,
    ...                                  greatest_pressure_angle_rad=limit), 5)
    0.00902
    """
    positive(roller_radius_m=roller_radius_m)
    if not 0.0 < greatest_pressure_angle_rad < math.pi / 2.0:
        raise OutOfRange(
            f"greatest_pressure_angle_rad is {greatest_pressure_angle_rad:g}; it must lie between 0 and pi/2."
        )
    speed = np.abs(np.asarray(velocity_m_per_rad, dtype=float))
    need = speed / math.tan(greatest_pressure_angle_rad) - np.asarray(lift_m, dtype=float)
    return float(np.max(need)) - roller_radius_m


def roller_side_thrust_n(axial_load_n: Values, *, pressure_angle_rad: Values) -> Array:
    """Side load (N) of the lifter on its bore from the load along its axis: F tan(phi), friction left out.

    Source: equilibrium of the lifter, derived.

    >>> round(float(roller_side_thrust_n(1000.0, pressure_angle_rad=math.radians(45.0))), 6)
    1000.0
    """
    return np.asarray(axial_load_n, dtype=float) * np.tan(pressure_angle_rad)


def roller_normal_load_n(axial_load_n: Values, *, pressure_angle_rad: Values) -> Array:
    """Load (N) between wheel and lobe, square to the surface: F/cos(phi); use it for contact stress.

    Source: equilibrium of the lifter, derived.

    >>> round(float(roller_normal_load_n(1000.0, pressure_angle_rad=math.radians(60.0))), 6)
    2000.0
    """
    return np.asarray(axial_load_n, dtype=float) / np.cos(pressure_angle_rad)


def roller_pitch_curvature_per_m(
    lift_m: Values,
    velocity_m_per_rad: Values,
    acceleration_m_per_rad2: Values,
    *,
    base_radius_m: float,
    roller_radius_m: float,
) -> Array:
    """Curvature (1/m) of the path of the wheel's centre round the cam; negative where it is hollow.

    kappa = [P^2 + 2 s'^2 - P s'']/[P^2 + s'^2]^1.5 with P = Rb + Rr + s.
    Source: curvature in polar coordinates; Norton, Design of Machinery (from memory).

    >>> at_rest = roller_pitch_curvature_per_m(0.0, 0.0, 0.0, base_radius_m=0.015, roller_radius_m=0.01)
    >>> round(float(at_rest), 6)
    40.0
    """
    reach = _pitch_reach(lift_m, base_radius_m, roller_radius_m)
    speed = np.asarray(velocity_m_per_rad, dtype=float)
    bend = np.asarray(acceleration_m_per_rad2, dtype=float)
    return np.asarray((reach**2 + 2.0 * speed**2 - reach * bend) / (reach**2 + speed**2) ** 1.5)


def roller_pitch_radius_of_curvature_m(
    lift_m: Values,
    velocity_m_per_rad: Values,
    acceleration_m_per_rad2: Values,
    *,
    base_radius_m: float,
    roller_radius_m: float,
) -> Array:
    """Radius of curvature (m) of the path of the wheel's centre; infinite where that path is straight.

    Source: as `roller_pitch_curvature_per_m`, whose reciprocal it is.

    >>> at_rest = roller_pitch_radius_of_curvature_m(0.0, 0.0, 0.0, base_radius_m=0.015, roller_radius_m=0.01)
    >>> round(float(at_rest), 6)
    0.025
    """
    kappa = roller_pitch_curvature_per_m(
        lift_m,
        velocity_m_per_rad,
        acceleration_m_per_rad2,
        base_radius_m=base_radius_m,
        roller_radius_m=roller_radius_m,
    )
    with np.errstate(divide="ignore"):
        return np.asarray(np.divide(1.0, kappa))


def roller_cam_radius_m(
    lift_m: Values,
    velocity_m_per_rad: Values,
    acceleration_m_per_rad2: Values,
    *,
    base_radius_m: float,
    roller_radius_m: float,
) -> Array:
    """Radius of curvature (m) of the lobe under a roller: that of the wheel centre's path less Rr.

    Positive: convex. Infinite: straight. Below -Rr: hollow flank. Between -Rr and 0: undercut, a lobe that
    cannot be made (`roller_undercut`). Source: parallel curves; Norton, Design of Machinery (from memory).

    >>> at_rest = roller_cam_radius_m(0.0, 0.0, 0.0, base_radius_m=0.015, roller_radius_m=0.01)
    >>> round(float(at_rest), 6)
    0.015
    """
    pitch = roller_pitch_radius_of_curvature_m(
        lift_m,
        velocity_m_per_rad,
        acceleration_m_per_rad2,
        base_radius_m=base_radius_m,
        roller_radius_m=roller_radius_m,
    )
    return pitch - roller_radius_m


def roller_undercut(cam_radius_m: Values, *, roller_radius_m: float) -> NDArray[np.bool_]:
    """True where the lobe would be undercut: the wheel centre's path turns tighter than the wheel itself.

    cam_radius_m as `roller_cam_radius_m` gives it: undercut lies from -Rr to 0, a cusp at 0 included.
    Source: parallel curves; Norton, Design of Machinery (from memory).

    >>> roller_undercut(np.array([0.003, -0.002, -0.2]), roller_radius_m=0.01).tolist()
    [False, True, False]
    """
    positive(roller_radius_m=roller_radius_m)
    rho = np.asarray(cam_radius_m, dtype=float)
    return np.asarray((rho <= 0.0) & (rho >= -roller_radius_m))


def roller_least_nose_radius_m(cam_radius_m: Values, *, roller_radius_m: float) -> float:
    """Least radius of curvature (m) of the lobe where its wheel centre's path is convex: the nose.

    Zero or negative means undercut. Infinite when no part is convex. Source: geometry.

    >>> roller_least_nose_radius_m(np.array([0.015, 0.006, -0.3]), roller_radius_m=0.01)
    0.006
    """
    positive(roller_radius_m=roller_radius_m)
    rho = np.asarray(cam_radius_m, dtype=float)
    return float(np.min(np.where(rho >= -roller_radius_m, rho, np.inf)))


def roller_least_hollow_radius_m(cam_radius_m: Values, *, roller_radius_m: float) -> float:
    """Least radius (m) of the hollow part of the lobe, a positive number; infinite when nothing is hollow.

    A grinding wheel must be smaller than this in radius, or it cannot reach the flank. Source: geometry.

    >>> roller_least_hollow_radius_m(np.array([0.015, 0.006, -0.3]), roller_radius_m=0.01)
    0.3
    """
    positive(roller_radius_m=roller_radius_m)
    rho = np.asarray(cam_radius_m, dtype=float)
    return float(np.min(np.where(rho < -roller_radius_m, -rho, np.inf)))


def roller_rolling_speed_m_per_s(
    lift_m: Values,
    velocity_m_per_rad: Values,
    acceleration_m_per_rad2: Values,
    *,
    base_radius_m: float,
    roller_radius_m: float,
    cam_speed_rad_per_s: Values,
) -> Array:
    """Speed (m/s) at which the contact runs over the lobe; with a wheel that does not slip, the entrainment.

    u = omega sqrt(P^2 + s'^2) (1 - Rr kappa), P and kappa as in `roller_pitch_curvature_per_m`: the speed of
    the wheel's centre round the standing cam, scaled from its path to the lobe surface inside it. A wheel
    really slips a little. Source: parallel curves, derived.

    >>> round(float(roller_rolling_speed_m_per_s(0.0, 0.0, 0.0, base_radius_m=0.015, roller_radius_m=0.01,
    ...                                          cam_speed_rad_per_s=100.0)), 6)
    1.5
    """
    kappa = roller_pitch_curvature_per_m(
        lift_m,
        velocity_m_per_rad,
        acceleration_m_per_rad2,
        base_radius_m=base_radius_m,
        roller_radius_m=roller_radius_m,
    )
    path = np.hypot(_pitch_reach(lift_m, base_radius_m, roller_radius_m), velocity_m_per_rad)
    return np.asarray(np.asarray(cam_speed_rad_per_s, dtype=float) * path * (1.0 - roller_radius_m * kappa))


def roller_pitch_outline_m(
    theta_cam_rad: Array, lift_m: Array, *, base_radius_m: float, roller_radius_m: float
) -> Outline:
    """Path (m) of the wheel's centre as the follower is carried round the standing cam.

    Source: definition of the pitch curve.

    >>> path = roller_pitch_outline_m(np.array([0.0]), np.array([0.001]), base_radius_m=0.014,
    ...                               roller_radius_m=0.01)
    >>> round(float(path.x_m[0]), 6)
    0.025
    """
    reach = _pitch_reach(lift_m, base_radius_m, roller_radius_m)
    return Outline(reach * np.cos(theta_cam_rad), reach * np.sin(theta_cam_rad))


def roller_outline_m(
    theta_cam_rad: Array,
    lift_m: Array,
    velocity_m_per_rad: Array,
    *,
    base_radius_m: float,
    roller_radius_m: float,
) -> Outline:
    """True outline (m) of the lobe that gives this motion to a roller: the centre's path moved in by Rr.

    Where the lobe is undercut the curve crosses itself. Source: parallel curves; Norton, Design of Machinery
    (from memory).

    >>> outline = roller_outline_m(np.array([0.0]), np.array([0.001]), np.array([0.0]), base_radius_m=0.014,
    ...                            roller_radius_m=0.01)
    >>> round(float(outline.x_m[0]), 6)
    0.015
    """
    reach = _pitch_reach(lift_m, base_radius_m, roller_radius_m)
    cos, sin = np.cos(theta_cam_rad), np.sin(theta_cam_rad)
    # Outward normal of the centre's path: its tangent s' n + P t turned by a right angle.
    shrink = roller_radius_m / np.hypot(reach, velocity_m_per_rad)
    radial = reach * (1.0 - shrink)
    across = velocity_m_per_rad * shrink
    return Outline(radial * cos - across * sin, radial * sin + across * cos)
