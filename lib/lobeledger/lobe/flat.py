"""Geometry of a flat-faced follower: eccentricity, face needed, curvature, crown and taper, speeds, outline.

How large a face?                     `flat_contact_eccentricity_m`, `flat_face_radius_needed_m`,
                                      `flat_velocity_limit_m_per_rad`, `flat_velocity_limit_m_per_cam_deg`
How sharp is the cam?                 `flat_cam_radius_m`, `flat_least_base_radius_m`
How do the surfaces slide?            `flat_surface_speeds_m_per_s`, `flat_entrainment_m_per_s`, `flat_sliding_m_per_s`
Crown and taper?                      `crown_radius_m`, `crown_height_m`, `lobe_taper_rad`, `taper_contact_offset_m`
What does it look like?               `flat_outline_m`
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange

__all__ = [
    "Outline",
    "SurfaceSpeeds",
    "crown_height_m",
    "crown_radius_m",
    "flat_cam_radius_m",
    "flat_contact_eccentricity_m",
    "flat_entrainment_m_per_s",
    "flat_face_radius_needed_m",
    "flat_least_base_radius_m",
    "flat_outline_m",
    "flat_sliding_m_per_s",
    "flat_surface_speeds_m_per_s",
    "flat_velocity_limit_m_per_cam_deg",
    "flat_velocity_limit_m_per_rad",
    "lobe_taper_rad",
    "taper_contact_offset_m",
]


Values = float | Array


class SurfaceSpeeds(NamedTuple):
    """Speeds (m/s) of the two surfaces past their contact, positive the way the lobe surface runs."""

    cam_m_per_s: Array
    follower_m_per_s: Array


class Outline(NamedTuple):
    """A closed curve in the cam's own plane (m), the cam axis at 0, 0."""

    x_m: Array
    y_m: Array


def flat_contact_eccentricity_m(velocity_m_per_rad: Values) -> Array:
    """Distance (m) of the contact from the lifter's axis, across the lobe: e = ds/dtheta.

    Positive on the opening flank. Valid for a flat face square to its motion; a crown of radius Rc draws
    it inwards by about the share (Rb + s)/Rc of itself, one or two per cent on usual lifters.
    Source: Norton, Design of Machinery, flat-faced follower;
    Bevan, The Theory of Machines (from memory).

    >>> float(flat_contact_eccentricity_m(0.0095))
    0.0095
    """
    return np.asarray(velocity_m_per_rad, dtype=float) + 0.0


def flat_face_radius_needed_m(
    velocity_m_per_rad: Values, *, edge_margin_m: float = 0.0, contact_offset_m: float = 0.0
) -> float:
    """Least lifter face radius (m) that keeps the contact on the face: max sqrt(s'^2 + y0^2) + margin.

    edge_margin_m: face kept free at its rim, such as the chamfer. contact_offset_m: y0, distance of the
    contact from the lifter axis along the lobe (crown and taper, see `taper_contact_offset_m`); leave it at
    zero for the trade's theoretical figure. Raises OutOfRange for a negative margin.
    Source: geometry; with y0 = 0 the rule e = ds/dtheta of Norton, Design of Machinery (from memory).

    >>> round(flat_face_radius_needed_m(0.003, contact_offset_m=0.004, edge_margin_m=0.001), 6)
    0.006
    """
    not_negative(edge_margin_m=edge_margin_m)
    reach = np.hypot(np.asarray(velocity_m_per_rad, dtype=float), contact_offset_m)
    return float(np.max(reach)) + edge_margin_m


def flat_velocity_limit_m_per_rad(face_diameter_m: float, *, edge_margin_m: float = 0.0) -> float:
    """Greatest lobe velocity ds/dtheta (m per cam radian) a flat face allows: half its diameter less margin.

    Source: e = ds/dtheta turned round (from memory). Raises OutOfRange when nothing of the face is left.

    >>> round(flat_velocity_limit_m_per_rad(0.02), 6)
    0.01
    """
    positive(face_diameter_m=face_diameter_m)
    not_negative(edge_margin_m=edge_margin_m)
    limit = face_diameter_m / 2.0 - edge_margin_m
    if limit <= 0.0:
        raise OutOfRange(
            f"edge_margin_m is {edge_margin_m:g}; it must be less than half the face diameter "
            f"({face_diameter_m / 2.0:g} m)."
        )
    return limit


def flat_velocity_limit_m_per_cam_deg(face_diameter_m: float, *, edge_margin_m: float = 0.0) -> float:
    """The same limit as the trade quotes it, in metres of lobe lift per CAM degree.

    A 0.842 in face allows 0.00735 in per cam degree:

    >>> round(flat_velocity_limit_m_per_cam_deg(0.842 * 0.0254) / 0.0254, 5)
    0.00735
    """
    return math.radians(flat_velocity_limit_m_per_rad(face_diameter_m, edge_margin_m=edge_margin_m))


def flat_cam_radius_m(lift_m: Values, acceleration_m_per_rad2: Values, *, base_radius_m: float) -> Array:
    """Radius of curvature of the lobe (m) under a flat follower: rho = Rb + s + s''.

    Zero is a cusp; a negative value means that no lobe can give this motion to a flat face.
    Source: Norton, Design of Machinery; Shigley and Uicker, Theory of Machines and Mechanisms (from memory).

    >>> round(float(flat_cam_radius_m(0.007, -0.012, base_radius_m=0.014)), 6)
    0.009
    """
    positive(base_radius_m=base_radius_m)
    lift, bend = np.asarray(lift_m, dtype=float), np.asarray(acceleration_m_per_rad2, dtype=float)
    return np.asarray(base_radius_m + lift + bend)


def flat_least_base_radius_m(
    lift_m: Values, acceleration_m_per_rad2: Values, *, least_cam_radius_m: float = 0.0
) -> float:
    """Least base circle radius (m) for which rho = Rb + s + s'' stays at or above least_cam_radius_m.

    With the default it is the base radius at which the lobe just comes to a cusp. May be negative when the
    motion has no point of lift + acceleration below zero. Source: condition C + f + f'' > 0 for all theta,
    course notes on disk cams with flat-faced followers.

    >>> round(flat_least_base_radius_m(0.008, -0.015, least_cam_radius_m=0.002), 6)
    0.009
    """
    not_negative(least_cam_radius_m=least_cam_radius_m)
    bend = np.asarray(lift_m, dtype=float) + np.asarray(acceleration_m_per_rad2, dtype=float)
    return least_cam_radius_m - float(np.min(bend))


def flat_surface_speeds_m_per_s(
    lift_m: Values,
    acceleration_m_per_rad2: Values,
    *,
    base_radius_m: float,
    cam_speed_rad_per_s: Values,
) -> SurfaceSpeeds:
    """Speeds (m/s) of lobe and lifter face past the moving contact: omega (Rb + s + s'') and omega s''.

    The contact travels over the lobe at omega rho and over the face at omega s''; the face itself does not
    move sideways. Lifter rotation is left out. Source: Dyson; Dowson, Harrison and Taylor 1986 (from memory).

    >>> speeds = flat_surface_speeds_m_per_s(0.0, 0.01, base_radius_m=0.014, cam_speed_rad_per_s=100.0)
    >>> round(float(speeds.cam_m_per_s), 6), round(float(speeds.follower_m_per_s), 6)
    (2.4, 1.0)
    """
    rho = flat_cam_radius_m(lift_m, acceleration_m_per_rad2, base_radius_m=base_radius_m)
    omega = np.asarray(cam_speed_rad_per_s, dtype=float)
    return SurfaceSpeeds(omega * rho, omega * np.asarray(acceleration_m_per_rad2, dtype=float))


def flat_entrainment_m_per_s(
    lift_m: Values,
    acceleration_m_per_rad2: Values,
    *,
    base_radius_m: float,
    cam_speed_rad_per_s: Values,
) -> Array:
    """Mean speed (m/s) at which oil is drawn into the contact: u = omega/2 (Rb + s + 2 s'').

    Signed: it passes through zero where -2 s'' = Rb + s and runs backwards over the nose of most flat lobes.
    Source: Dyson; Dowson, Harrison and Taylor 1986 (from memory).

    >>> float(flat_entrainment_m_per_s(0.006, -0.01, base_radius_m=0.014, cam_speed_rad_per_s=100.0))
    0.0
    """
    cam, face = flat_surface_speeds_m_per_s(
        lift_m,
        acceleration_m_per_rad2,
        base_radius_m=base_radius_m,
        cam_speed_rad_per_s=cam_speed_rad_per_s,
    )
    return (cam + face) / 2.0


def flat_sliding_m_per_s(lift_m: Values, *, base_radius_m: float, cam_speed_rad_per_s: Values) -> Array:
    """Sliding speed (m/s) of the lobe across the lifter face: omega (Rb + s), lifter rotation left out.

    Source: Dyson; Dowson, Harrison and Taylor 1986 (from memory).

    >>> round(float(flat_sliding_m_per_s(0.007, base_radius_m=0.014, cam_speed_rad_per_s=100.0)), 6)
    2.1
    """
    positive(base_radius_m=base_radius_m)
    return np.asarray(cam_speed_rad_per_s, dtype=float) * (base_radius_m + np.asarray(lift_m, dtype=float))


def crown_radius_m(crown_height_m: float, *, face_diameter_m: float) -> float:
    """Radius (m) of the sphere whose cap rises by crown_height_m over a face: (d^2/4 + h^2)/(2 h).

    Raises OutOfRange for a height that is not above zero: a flat face has no crown radius; use math.inf.
    Source: spherical cap, geometry.

    A crown of 0.002 in over a 0.842 in face is a sphere of about 44 in:

    >>> round(crown_radius_m(0.002 * 0.0254, face_diameter_m=0.842 * 0.0254) / 0.0254, 1)
    44.3
    """
    positive(crown_height_m=crown_height_m, face_diameter_m=face_diameter_m)
    if crown_height_m > face_diameter_m / 2.0:
        raise OutOfRange(
            f"crown_height_m is {crown_height_m:g}; a cap over this face rises at most half its diameter "
            f"({face_diameter_m / 2.0:g} m)."
        )
    return (face_diameter_m**2 / 4.0 + crown_height_m**2) / (2.0 * crown_height_m)


def crown_height_m(crown_radius_m: float, *, face_diameter_m: float) -> float:
    """Height (m) of a spherical crown over a face: R - sqrt(R^2 - d^2/4), written so that no digits are lost.

    Source: spherical cap, geometry. Raises OutOfRange when the sphere is smaller than the face.

    >>> round(crown_height_m(45 * 0.0254, face_diameter_m=0.842 * 0.0254) / 0.0254, 5)
    0.00197
    """
    positive(crown_radius_m=crown_radius_m, face_diameter_m=face_diameter_m)
    half = face_diameter_m / 2.0
    if crown_radius_m < half:
        raise OutOfRange(
            f"crown_radius_m is {crown_radius_m:g}; a sphere over this face has at least half its diameter "
            f"({half:g} m) as radius."
        )
    return half**2 / (crown_radius_m + math.sqrt(crown_radius_m**2 - half**2))


def lobe_taper_rad(taper_across_lobe_m: float, *, lobe_width_m: float) -> float:
    """Taper angle (rad) of a lobe from the difference of its base radius between its two edges: atan(t/w).

    The difference is on the RADIUS: half of what a micrometer over the base circle shows.
    Source: geometry.

    A radius that falls 0.0012 in across a 0.48 in lobe is a taper of about 8.6 minutes of arc:

    >>> round(math.degrees(lobe_taper_rad(0.0012, lobe_width_m=0.48)) * 60.0, 1)
    8.6
    """
    positive(lobe_width_m=lobe_width_m)
    return math.atan(taper_across_lobe_m / lobe_width_m)


def taper_contact_offset_m(*, crown_radius_m: float, taper_rad: float) -> float:
    """Distance (m) along the lobe of the contact from the lifter axis: y0 = Rc sin(taper).

    This offset is the arm by which friction turns the lifter; without taper, or on a face worn flat and so
    resting on a lobe edge, it does not turn. The contact lies towards the higher edge of the lobe.
    Source: a sphere touches a tilted plane where its normal is the plane's, geometry.

    >>> round(taper_contact_offset_m(crown_radius_m=45 * 0.0254, taper_rad=0.0025) * 1000.0, 2)
    2.86
    """
    positive(crown_radius_m=crown_radius_m)
    return crown_radius_m * math.sin(taper_rad)


def flat_outline_m(theta_cam_rad: Array, lift_m: Array, velocity_m_per_rad: Array, *, base_radius_m: float) -> Outline:
    """True outline (m) of the lobe that gives this motion to a flat face.

    x = (Rb+s) cos(theta) - s' sin(theta), y = (Rb+s) sin(theta) + s' cos(theta): the envelope of the face as
    the follower is carried round the standing cam. The curve crosses itself where Rb + s + s'' < 0.
    Source: envelope of a line, derived; Rothbart, Cam Design Handbook, profile equations (from memory).

    >>> outline = flat_outline_m(np.array([0.0]), np.array([0.001]), np.array([0.002]), base_radius_m=0.014)
    >>> [round(float(outline.x_m[0]), 6), round(float(outline.y_m[0]), 6)]
    [0.015, 0.002]
    """
    positive(base_radius_m=base_radius_m)
    cos, sin = np.cos(theta_cam_rad), np.sin(theta_cam_rad)
    reach = base_radius_m + lift_m
    return Outline(reach * cos - velocity_m_per_rad * sin, reach * sin + velocity_m_per_rad * cos)
