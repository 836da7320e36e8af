"""True outlines of a lobe for either follower, all round the cam, and the follower that rides on them.

What does the lobe look like, all round?    `flat_profile`, `roller_profile` -> `Profile`
Where is the follower at this angle?        `pose` -> `Pose`, `turned`
Can it be ground, is it undercut?           `grinding` -> `Grinding`, `wheel_can_grind`
How does the contact cross the face?        `face_travel` -> `FaceTravel`
How well does a polygon stand for it?       `greatest_chord_error_m`

The same lift gives two different lobes. A knife edge would trace Rb + s itself; a roller touches beside its line, and
its lobe is leaner on the flanks and may be hollow; a flat face touches farther out still, and its lobe is the leanest
and always convex. Profiles are kept in the cam's own
plane, the cam axis at 0, 0, and the follower at cam angle 0 (greatest lift) on the x axis. `pose` and `turned` stand
in the engine: the follower goes up and down the y axis and the cam turns clockwise under it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.lobe import flat, roller
from lobeledger.lobe.flat import Outline
from lobeledger.lobe.lift import Lobe

__all__ = [
    "FaceTravel",
    "Grinding",
    "Pose",
    "Profile",
    "face_travel",
    "flat_profile",
    "greatest_chord_error_m",
    "grinding",
    "pose",
    "roller_profile",
    "turned",
    "wheel_can_grind",
]

# A lobe whose curve ends must have come down to the base circle: finer than any dial reads.
_AT_REST_M = 1e-8
_AT_REST_M_PER_RAD = 1e-6


@dataclass(frozen=True, eq=False)
class Profile:
    """A lobe all round the cam, arrays of shape (n,); the last point is the first again, a whole turn on.

    theta_cam_rad runs from -pi to pi about the nose. radius_of_curvature_m is the lobe's own: positive convex,
    infinite straight, negative hollow. pressure_angle_rad and eccentricity_m are of the contact: a flat face has no
    pressure angle and a contact that wanders across it, a roller the other way about.
    roller_radius_m is None for a flat follower.
    """

    base_radius_m: float
    roller_radius_m: float | None
    theta_cam_rad: Array
    lift_m: Array
    velocity_m_per_rad: Array
    acceleration_m_per_rad2: Array
    x_m: Array
    y_m: Array
    radius_of_curvature_m: Array
    pressure_angle_rad: Array
    eccentricity_m: Array

    @property
    def is_flat(self) -> bool:
        return self.roller_radius_m is None

    @property
    def curvature_per_m(self) -> Array:
        """Curvature of the lobe (1/m): positive convex, zero straight, negative hollow; infinite at a cusp."""
        with np.errstate(divide="ignore"):
            return np.asarray(np.divide(1.0, self.radius_of_curvature_m))


def _whole_turn(lobe: Lobe) -> tuple[Array, Array, Array, Array]:
    """Angle, lift, velocity and acceleration from -pi to pi: the lobe at its own nodes, the base circle beside it.

    Nothing is interpolated. The base circle goes on in the lobe's own step from either end.
    """
    theta = lobe.theta_cam_rad
    if theta[0] <= -math.pi or theta[-1] >= math.pi:
        raise OutOfRange(
            f"the lobe reaches from {math.degrees(theta[0]):.1f} to {math.degrees(theta[-1]):.1f} cam degrees; "
            "it must lie within half a turn either side of its nose"
        )
    for end in (0, -1):
        if abs(lobe.lift_m[end]) > _AT_REST_M or abs(lobe.velocity_m_per_rad[end]) > _AT_REST_M_PER_RAD:
            raise OutOfRange(
                f"the lobe has a lift of {lobe.lift_m[end] * 1e3:.4f} mm and a slope of "
                f"{lobe.velocity_m_per_rad[end] * 1e3:.4f} mm/rad where its curve ends; give it down to the base circle"
            )
    # A whole number of equal steps on each side, as near to the lobe's own as it goes.
    step = float(theta[1] - theta[0])
    before = max(1, math.ceil((theta[0] + math.pi) / step - 1e-6))
    after = max(1, math.ceil((math.pi - theta[-1]) / step - 1e-6))
    whole = np.concatenate(
        [np.linspace(-math.pi, theta[0], before + 1)[:-1], theta, np.linspace(theta[-1], math.pi, after + 1)[1:]]
    )

    def padded(values: Array) -> Array:
        return np.concatenate([np.zeros(before), values, np.zeros(after)])

    return whole, padded(lobe.lift_m), padded(lobe.velocity_m_per_rad), padded(lobe.acceleration_m_per_rad2)


def _closed(outline: Outline) -> Outline:
    """The last point is the first to the last bit, so that every reader sees a closed curve."""
    x, y = outline.x_m.copy(), outline.y_m.copy()
    x[-1], y[-1] = x[0], y[0]
    return Outline(x, y)


def flat_profile(lobe: Lobe, *, base_radius_m: float) -> Profile:
    """The lobe that gives this lift to a flat face, all round: x, y as `flat.flat_outline_m`.

    Radius of curvature Rb + s + s''; contact at e = s' from the lifter's axis. Source: envelope of the face, derived;
    Norton, Design of Machinery (from memory). Raises OutOfRange for a lobe that does not come down to its base
    circle within the turn, or a base radius that is not above zero.

    >>> from lobeledger.lobe.lift import from_functions
    >>> still = from_functions(np.linspace(-1.0, 1.0, 9), np.zeros_like, np.zeros_like, np.zeros_like)
    >>> profile = flat_profile(still, base_radius_m=0.014)
    >>> round(float(np.hypot(profile.x_m, profile.y_m).max()), 6), bool(profile.x_m[0] == profile.x_m[-1])
    (0.014, True)
    """
    theta, lift, velocity, acceleration = _whole_turn(lobe)
    outline = _closed(flat.flat_outline_m(theta, lift, velocity, base_radius_m=base_radius_m))
    return Profile(
        base_radius_m=base_radius_m,
        roller_radius_m=None,
        theta_cam_rad=theta,
        lift_m=lift,
        velocity_m_per_rad=velocity,
        acceleration_m_per_rad2=acceleration,
        x_m=outline.x_m,
        y_m=outline.y_m,
        radius_of_curvature_m=flat.flat_cam_radius_m(lift, acceleration, base_radius_m=base_radius_m),
        pressure_angle_rad=np.zeros_like(theta),
        eccentricity_m=flat.flat_contact_eccentricity_m(velocity),
    )


def roller_profile(lobe: Lobe, *, base_radius_m: float, roller_radius_m: float) -> Profile:
    """The lobe that gives this lift to a roller, all round: x, y as `roller.roller_outline_m`.

    Pressure angle tan(phi) = s'/(Rb + Rr + s); curvature as `roller.roller_cam_radius_m`. eccentricity_m is the
    contact's distance from the follower's line, Rr sin(phi). Sources as in `follower`. Raises as `flat_profile`.

    >>> from lobeledger.lobe.lift import from_functions
    >>> still = from_functions(np.linspace(-1.0, 1.0, 9), np.zeros_like, np.zeros_like, np.zeros_like)
    >>> profile = roller_profile(still, base_radius_m=0.014, roller_radius_m=0.01)
    >>> round(float(np.hypot(profile.x_m, profile.y_m).max()), 6)
    0.014
    """
    theta, lift, velocity, acceleration = _whole_turn(lobe)
    outline = _closed(
        roller.roller_outline_m(theta, lift, velocity, base_radius_m=base_radius_m, roller_radius_m=roller_radius_m)
    )
    angle = roller.roller_pressure_angle_rad(
        lift, velocity, base_radius_m=base_radius_m, roller_radius_m=roller_radius_m
    )
    return Profile(
        base_radius_m=base_radius_m,
        roller_radius_m=roller_radius_m,
        theta_cam_rad=theta,
        lift_m=lift,
        velocity_m_per_rad=velocity,
        acceleration_m_per_rad2=acceleration,
        x_m=outline.x_m,
        y_m=outline.y_m,
        radius_of_curvature_m=roller.roller_cam_radius_m(
            lift, velocity, acceleration, base_radius_m=base_radius_m, roller_radius_m=roller_radius_m
        ),
        pressure_angle_rad=angle,
        eccentricity_m=roller_radius_m * np.sin(angle),
    )


# ------------------------------------------------------------------------------------------- in the engine


class Pose(NamedTuple):
    """Follower and contact at one cam angle, in the engine: y is up along the follower's line, x to the right.

    height_m: y of the flat face, or of the roller's centre. normal_x, normal_y: direction (unit) in which the lobe
    pushes the follower.
    """

    theta_cam_rad: float
    lift_m: float
    height_m: float
    contact_x_m: float
    contact_y_m: float
    normal_x: float
    normal_y: float


def _motion_at(profile: Profile, theta_cam_rad: float) -> tuple[float, float]:
    """Lift and velocity between two nodes: the cubic through lift and slope at both."""
    turn = (theta_cam_rad + math.pi) % (2.0 * math.pi) - math.pi
    i = int(np.clip(np.searchsorted(profile.theta_cam_rad, turn, side="right") - 1, 0, profile.theta_cam_rad.size - 2))
    h = float(profile.theta_cam_rad[i + 1] - profile.theta_cam_rad[i])
    u = (turn - float(profile.theta_cam_rad[i])) / h
    s0, s1 = (float(v) for v in profile.lift_m[i : i + 2])
    d0, d1 = (float(v) * h for v in profile.velocity_m_per_rad[i : i + 2])
    a, b = 2.0 * (s0 - s1) + d0 + d1, 3.0 * (s1 - s0) - 2.0 * d0 - d1
    return ((a * u + b) * u + d0) * u + s0, ((3.0 * a * u + 2.0 * b) * u + d0) / h


def pose(profile: Profile, theta_cam_rad: float) -> Pose:
    """Where follower and contact are when the cam stands at theta_cam_rad (any number of turns), in the engine.

    The cam turns clockwise as theta grows, so that the opening flank comes first. Flat: the face is at Rb + s and the
    contact at x = -s'. Roller: the centre is at P = Rb + Rr + s and the contact at Rr below it along the normal.
    Source: the profile's own equations in the turned frame, derived.

    >>> from lobeledger.lobe.lift import from_functions
    >>> still = from_functions(np.linspace(-1.0, 1.0, 9), np.zeros_like, np.zeros_like, np.zeros_like)
    >>> at = pose(roller_profile(still, base_radius_m=0.014, roller_radius_m=0.01), 0.3)
    >>> round(at.height_m, 6), round(at.contact_y_m, 6)
    (0.024, 0.014)
    """
    lift, velocity = _motion_at(profile, theta_cam_rad)
    if profile.roller_radius_m is None:
        face = profile.base_radius_m + lift
        return Pose(theta_cam_rad, lift, face, -velocity, face, 0.0, 1.0)
    centre = profile.base_radius_m + profile.roller_radius_m + lift
    path = math.hypot(centre, velocity)
    normal_x, normal_y = velocity / path, centre / path
    return Pose(
        theta_cam_rad,
        lift,
        centre,
        -profile.roller_radius_m * normal_x,
        centre - profile.roller_radius_m * normal_y,
        normal_x,
        normal_y,
    )


def turned(profile: Profile, theta_cam_rad: float) -> Outline:
    """The lobe as it stands in the engine at a cam angle: turned so that this angle points up the follower's line.

    >>> from lobeledger.lobe.lift import from_functions
    >>> still = from_functions(np.linspace(-1.0, 1.0, 9), np.zeros_like, np.zeros_like, np.zeros_like)
    >>> bool(turned(flat_profile(still, base_radius_m=0.014), 0.5).y_m.max() < 0.014 + 1e-12)
    True
    """
    turn = math.pi / 2.0 - theta_cam_rad
    cos, sin = math.cos(turn), math.sin(turn)
    return Outline(cos * profile.x_m - sin * profile.y_m, sin * profile.x_m + cos * profile.y_m)


# ------------------------------------------------------------------------------------------------ making it


class Grinding(NamedTuple):
    """What a profile asks of the grinding wheel.

    least_nose_radius_m: least convex radius (zero or below: undercut). undercut_at_cam_rad: angles at which the lobe
    is undercut, empty if it is not. hollow_radius_m: least radius of a hollow flank, infinite if none.
    hollow_at_cam_rad: its angle, nan if none. largest_wheel_radius_m: largest grinding wheel that reaches everywhere.
    """

    least_nose_radius_m: float
    undercut_at_cam_rad: tuple[float, ...]
    hollow_radius_m: float
    hollow_at_cam_rad: float
    largest_wheel_radius_m: float


def grinding(profile: Profile) -> Grinding:
    """Nose radius, undercut and hollow flank of a profile, and the largest wheel that can grind it.

    A convex lobe is ground by any wheel; a hollow flank only by one of smaller radius than the hollow's least. An
    undercut lobe cannot be ground by any (largest wheel zero). Under a flat face a lobe is never hollow: there a
    negative Rb + s + s'' is undercut. Source: curvature of parallel curves; Norton, Design of Machinery (from memory).

    >>> from lobeledger.lobe.lift import from_functions
    >>> still = from_functions(np.linspace(-1.0, 1.0, 9), np.zeros_like, np.zeros_like, np.zeros_like)
    >>> grinding(flat_profile(still, base_radius_m=0.014)).largest_wheel_radius_m
    inf
    """
    rho, theta = profile.radius_of_curvature_m, profile.theta_cam_rad
    if profile.roller_radius_m is None:
        bad = rho <= 0.0
        return Grinding(
            float(rho.min()), tuple(theta[bad].tolist()), math.inf, math.nan, 0.0 if bad.any() else math.inf
        )
    wheel = profile.roller_radius_m
    bad = roller.roller_undercut(rho, roller_radius_m=wheel)
    hollow = roller.roller_least_hollow_radius_m(rho, roller_radius_m=wheel)
    at = math.nan if math.isinf(hollow) else float(theta[np.where(rho < -wheel, rho, -np.inf).argmax()])
    return Grinding(
        roller.roller_least_nose_radius_m(rho, roller_radius_m=wheel),
        tuple(theta[bad].tolist()),
        hollow,
        at,
        0.0 if bad.any() else hollow,
    )


def wheel_can_grind(profile: Profile, *, grinding_wheel_radius_m: float) -> bool:
    """Whether a grinding wheel of this radius reaches every part of the lobe; its dressing and wear are left out.

    >>> from lobeledger.lobe.lift import from_functions
    >>> still = from_functions(np.linspace(-1.0, 1.0, 9), np.zeros_like, np.zeros_like, np.zeros_like)
    >>> wheel_can_grind(flat_profile(still, base_radius_m=0.014), grinding_wheel_radius_m=0.25)
    True
    """
    if not grinding_wheel_radius_m > 0.0:
        raise OutOfRange(f"grinding_wheel_radius_m is {grinding_wheel_radius_m:g}; it must be above zero.")
    return grinding_wheel_radius_m < grinding(profile).largest_wheel_radius_m


# ------------------------------------------------------------------------------------------- across the face


class FaceTravel(NamedTuple):
    """How the contact crosses a flat lifter's face.

    opening_m, closing_m: how far it runs out from the lifter's axis on either side, across the lobe. travel_m: both
    together. face_share: the farther one over half the face diameter. needed_face_diameter_m: least face for a contact
    at the lobe's middle. needed_face_for_whole_width_m: least face on which a line across the whole lobe stays, with
    the lobe's middle offset along the cam.
    """

    opening_m: float
    closing_m: float
    travel_m: float
    face_share: float
    needed_face_diameter_m: float
    needed_face_for_whole_width_m: float


def face_travel(
    profile: Profile, *, face_diameter_m: float, lobe_width_m: float, lobe_offset_m: float = 0.0
) -> FaceTravel:
    """The run of the contact over a flat face, against the face's diameter and the lobe's width.

    e = s'; a line of half-width w/2, its middle lobe_offset_m from the lifter's axis along the cam, needs a face of
    radius sqrt(e^2 + (w/2 + offset)^2). A crowned face touches near its middle and needs the first figure only.
    Source: geometry. Raises OutOfRange for a roller profile, or a width or diameter not above zero.

    >>> from lobeledger.lobe.lift import from_functions
    >>> slope = from_functions(np.linspace(-1.0, 1.0, 201), lambda t: 0.004 * (1 - t**2) ** 2,
    ...     lambda t: -0.016 * t * (1 - t**2), lambda t: -0.016 * (1 - 3 * t**2))
    >>> run = face_travel(flat_profile(slope, base_radius_m=0.015), face_diameter_m=0.02, lobe_width_m=0.008)
    >>> round(run.opening_m, 5), round(run.travel_m, 5), round(run.face_share, 3)
    (0.00616, 0.01232, 0.616)
    """
    if not profile.is_flat:
        raise OutOfRange("the contact of a roller does not travel over a face; give a flat follower's profile.")
    if not (face_diameter_m > 0.0 and lobe_width_m > 0.0):
        raise OutOfRange("face_diameter_m and lobe_width_m must be above zero.")
    e = profile.eccentricity_m
    opening, closing = max(float(e.max()), 0.0), max(float(-e.min()), 0.0)
    farthest = max(opening, closing)
    return FaceTravel(
        opening_m=opening,
        closing_m=closing,
        travel_m=opening + closing,
        face_share=farthest / (face_diameter_m / 2.0),
        needed_face_diameter_m=2.0 * farthest,
        needed_face_for_whole_width_m=2.0 * math.hypot(farthest, lobe_width_m / 2.0 + abs(lobe_offset_m)),
    )


def greatest_chord_error_m(profile: Profile) -> float:
    """Greatest distance (m) of the curve from the straight lines between its points: chord^2 / (8 rho).

    Source: sagitta of an arc, small against its radius.

    >>> from lobeledger.lobe.lift import from_functions
    >>> still = from_functions(np.linspace(-1.0, 1.0, 2001), np.zeros_like, np.zeros_like, np.zeros_like)
    >>> round(greatest_chord_error_m(flat_profile(still, base_radius_m=0.016)) * 1e9, 2)
    2.0
    """
    chord = np.hypot(np.diff(profile.x_m), np.diff(profile.y_m))
    bend = np.abs(profile.curvature_per_m)
    return float(np.max(chord**2 * np.maximum(bend[1:], bend[:-1]) / 8.0))
