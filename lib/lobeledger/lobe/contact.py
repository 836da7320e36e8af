"""Stress, oil film and flash heat where lobe and follower meet.

How stiff and how curved is the pair?     `combined_modulus_pa`, `combined_radius_m`
How hard does a line contact press?       `hertz_line`, `LINE_SHEAR_SHARE`, `LINE_SHEAR_DEPTH_SHARE`
How hard does an oval contact press?      `hertz_ellipse`, `ellipse_axis_ratio`,
                                          `circle_greatest_shear_share`,
                                          `hamrock_brewe_axis_ratio` (approximate, to check against)
What does the lobe of a flat lifter bear? `crowned_face_contact`
What does the lobe of a roller bear?      `roller_lobe_contact`
Is there oil between them?                `oval_film_m`, `line_film_m`, `film_ratio`, `lubrication_regime`,
                                          `entrainment_reversal`
How hot is the rubbing spot?              `flash_temperature_rise_k`

Two elastic moduli are in use in the books. Here E* is the contact modulus, 1/E* = sum (1 - nu^2)/E; the
film formulas were written with E' = 2 E*, and these functions take E* and double it themselves.
x runs across the lobe, the way the surfaces move; y along the lobe, parallel to the camshaft. Loads, radii
and speeds broadcast against one another, so that a whole turn of the cam is one call. Stresses are those of
smooth, elastic bodies without friction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from lobeledger.arguments import positive, worst_shown
from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.lobe.ellipse import (
    LONGEST_RATIO,
    combined_radius_m,
    curvature_ratio,
    ellipse_of,
    pressing_load_n,
    spread_over,
)

__all__ = [
    "LINE_SHEAR_DEPTH_SHARE",
    "LINE_SHEAR_SHARE",
    "CrownedContact",
    "LineContact",
    "crowned_face_contact",
    "hertz_line",
    "roller_lobe_contact",
]

# Under a line contact the shear on the axis, p0 z (1 - z/sqrt(1 + z^2)) with z in half-widths, is greatest
# at z^2 = (sqrt(5) - 1)/2. Johnson, Contact Mechanics, prints 0.30 p0 at 0.78 half-widths (from memory).
LINE_SHEAR_DEPTH_SHARE = math.sqrt((math.sqrt(5.0) - 1.0) / 2.0)
LINE_SHEAR_SHARE = LINE_SHEAR_DEPTH_SHARE * (3.0 - math.sqrt(5.0)) / 2.0


@dataclass(frozen=True, slots=True)
class LineContact:
    """A line contact: half-width (m), greatest pressure and greatest shear stress below it (Pa)."""

    half_width_m: Array
    peak_pressure_pa: Array
    greatest_shear_pa: Array


@dataclass(frozen=True, slots=True)
class CrownedContact:
    """A crowned lifter face on a lobe of finite width.

    peak_pressure_pa        greatest pressure; at a lobe edge it is the smooth figure, a sharp edge adds to it
    half_width_m            half-width across the lobe where the pressure is greatest
    half_length_m           half the length of lobe really touched
    free_half_length_m      half-length the oval would have on an endless lobe
    truncated               True where the oval reaches past an edge of the lobe
    share_beyond_edge       share of the endless lobe's load that would have been borne beyond the edges
    edge_load_share         load per length at the nearer edge, as a share of the greatest anywhere
    """

    peak_pressure_pa: Array
    half_width_m: Array
    half_length_m: Array
    free_half_length_m: Array
    truncated: NDArray[np.bool_]
    share_beyond_edge: Array
    edge_load_share: Array


def hertz_line(load_n: ArrayLike, *, radius_m: ArrayLike, length_m: ArrayLike, modulus_pa: ArrayLike) -> LineContact:
    """Line contact of relative radius R over a length L: b = sqrt(4 W R/(pi L E*)), p0 = sqrt(W E*/(pi R L)).

    load_n W, radius_m R (see `combined_radius_m`), length_m L, modulus_pa E*. The greatest shear, 0.3003 p0,
    lies 0.786 b below the surface. End effects are left out. Source: Johnson, Contact Mechanics,
    section 4.2(c). Raises OutOfRange for a negative load or a radius that is not finite and positive.

    >>> contact = hertz_line(24100.0, radius_m=0.02, length_m=0.02, modulus_pa=109.18e9)
    >>> round(float(contact.peak_pressure_pa) / 1e6), round(float(contact.half_width_m) * 1e3, 3)
    (1447, 0.53)
    """
    load = pressing_load_n(load_n)
    positive(radius_m=radius_m, length_m=length_m, modulus_pa=modulus_pa)
    radius, length = np.asarray(radius_m, dtype=float), np.asarray(length_m, dtype=float)
    modulus = np.asarray(modulus_pa, dtype=float)
    half_width = np.sqrt(4.0 * load * radius / (math.pi * length * modulus))
    pressure = np.sqrt(load * modulus / (math.pi * radius * length))
    return LineContact(half_width, pressure, LINE_SHEAR_SHARE * pressure)


@njit(cache=True, nogil=True)
def _parabola(reach: float, low: float, high: float) -> float:
    """Integral of reach^2 - u^2 over the part of low..high where it is positive."""
    start, stop = max(low, -reach), min(high, reach)
    if stop <= start:
        return 0.0
    return reach * reach * (stop - start) - (stop**3 - start**3) / 3.0


@njit(cache=True, nogil=True)
def _crowned(
    load: float, radius_x: float, radius_y: float, width: float, offset: float, modulus: float
) -> tuple[float, float, float, float, float, float]:
    """One crowned face on a lobe of finite width; the derivation stands in `crowned_face_contact`."""
    half_width, free, pressure, _ = ellipse_of(load, radius_x, radius_y, modulus)
    low, high = -0.5 * width - offset, 0.5 * width - offset
    if load <= 0.0:
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if low <= -free and free <= high:
        return pressure, half_width, free, free, 0.0, 0.0
    target = 4.0 * free**3 / 3.0
    beyond = 1.0 - _parabola(free, low, high) / target
    # With both edges inside the reach the balance is a square root; the balance is convex in the reach, so
    # from the farther edge, or from there on, Newton's method comes down on the root without overshooting.
    far = max(abs(low), abs(high))
    reach = math.sqrt((target + (high**3 - low**3) / 3.0) / width)
    if reach < far:
        reach = far
        for _ in range(100):
            start, stop = max(low, -reach), min(high, reach)
            step = (_parabola(reach, low, high) - target) / (2.0 * reach * (stop - start))
            reach -= step
            if abs(step) <= 1.0e-14 * reach:
                break
    peak_at = min(max(0.0, low), high)
    most = reach * reach - peak_at * peak_at
    scale = math.sqrt(most) / free
    start, stop = max(low, -reach), min(high, reach)
    edge = min(abs(low), abs(high))
    at_edge = max(reach * reach - edge * edge, 0.0) / most
    return pressure * scale, half_width * scale, 0.5 * (stop - start), free, beyond, at_edge


@njit(cache=True, nogil=True)
def _crowned_many(
    load: Array, radius_x: Array, radius_y: Array, width: Array, offset: Array, modulus: Array, out: Array
) -> None:
    for i in range(load.size):
        out[0, i], out[1, i], out[2, i], out[3, i], out[4, i], out[5, i] = _crowned(
            load[i], radius_x[i], radius_y[i], width[i], offset[i], modulus[i]
        )


def crowned_face_contact(
    load_n: ArrayLike,
    *,
    cam_radius_m: ArrayLike,
    crown_radius_m: ArrayLike,
    lobe_width_m: ArrayLike,
    modulus_pa: ArrayLike,
    contact_offset_m: ArrayLike = 0.0,
) -> CrownedContact:
    """Contact of a spherically crowned lifter face with a lobe of finite width.

    load_n: W, square to the face. cam_radius_m: rho of the lobe. crown_radius_m: Rc, math.inf for a face
    without crown. lobe_width_m: w. modulus_pa: E*. contact_offset_m: y0, where the contact sits along the
    lobe, from the middle of its width (`follower.taper_contact_offset_m` plus the lifter's own offset).

    Relative radii 1/Rx = 1/rho + 1/Rc and Ry = Rc. While Hertz's oval fits on the lobe it is exact. Where it
    reaches past an edge the face is cut into slices along y: Hertz's load per length,
    q = q0 (1 - (y - y0)^2/a^2) with q0 = 3 W/(4 a), is in proportion to how far the undeformed surfaces
    overlap, and the factor 3 W/(4 a^3) does not depend on W. That factor is kept, the overlap raised until
    the slices on the lobe bear W again, and each slice is a line contact, so p is proportional to sqrt(q).
    Limits: Hertz's oval when nothing is cut off, line contact when the crown vanishes.

    What it leaves out: a sharp lobe edge under load carries a spike of stress of its own (elastic theory has
    no bound for it, a real edge yields or is rounded), so `truncated` is a warning, not only a correction.
    Against a numerical half-space solver, on an invented nose, the peak came out 0.3 to 1.2 % high with the
    contact 1.6 mm or more from the edge, but 9 % low at 0.3 mm from it.
    Raises OutOfRange for a negative load, a cusp, a flank too hollow for the face, or a contact that lies so
    far off the lobe that no part of the face is near it (offset beyond Rc).
    Source: Hertz's solution as in `hertz_ellipse`; slices on a foundation, the idea of simplified contact
    theory (Johnson, Contact Mechanics, section 4.3, elastic foundation model, from memory), derived here.

    >>> nose = crowned_face_contact(1500.0, cam_radius_m=0.009, crown_radius_m=1.14, lobe_width_m=0.0122,
    ...                             modulus_pa=115e9, contact_offset_m=0.003)
    >>> round(float(nose.peak_pressure_pa) / 1e6), bool(nose.truncated)
    (1132, True)
    """
    load = pressing_load_n(load_n)
    positive(lobe_width_m=lobe_width_m, modulus_pa=modulus_pa)
    rho, crown = np.asarray(cam_radius_m, dtype=float), np.asarray(crown_radius_m, dtype=float)
    offset = np.asarray(contact_offset_m, dtype=float)
    if np.any(np.isnan(crown)) or np.any(crown <= 0.0):
        raise OutOfRange(
            f"crown_radius_m is {worst_shown(crown)}; it must be above zero (math.inf for a face without crown)."
        )
    if not np.all(np.isfinite(offset)) or np.any(np.abs(offset) >= crown):
        raise OutOfRange(
            "contact_offset_m must be a finite number smaller than the crown radius; check crown and taper."
        )
    radius_x = combined_radius_m(rho, crown)
    if np.any(np.isinf(radius_x)):
        raise OutOfRange("cam_radius_m and crown_radius_m are both infinite; two flats have no Hertz contact.")
    shape, (w, rx, ry, width, y0, e) = spread_over(load, radius_x, crown, lobe_width_m, offset, modulus_pa)
    # Without crown the oval is endless. A crown this flat differs from none by less than the digits carried.
    ry = np.minimum(ry, 0.1 * LONGEST_RATIO * rx)
    curvature_ratio(ry / rx)
    out = np.empty((6, w.size))
    _crowned_many(w, rx, ry, width, y0, e, out)
    pressure, half_width, half_length, free, beyond, edge = out.reshape((6, *shape))
    return CrownedContact(pressure, half_width, half_length, free, beyond > 0.0, beyond, edge)


def roller_lobe_contact(
    load_n: ArrayLike,
    *,
    cam_radius_m: ArrayLike,
    roller_radius_m: float,
    lobe_width_m: float,
    wheel_width_m: float,
    modulus_pa: ArrayLike,
) -> LineContact:
    """Line contact of a roller on its lobe: 1/R = 1/rho + 1/Rr over the narrower of lobe and wheel.

    load_n: square to the surface (`follower.roller_normal_load_n`). cam_radius_m: positive convex, infinite
    straight, negative hollow (`follower.roller_cam_radius_m`). The wheel's crown and edge stress are left
    out, and so is any tilt. Source: Johnson, Contact Mechanics, section 4.2(c). Raises OutOfRange for a
    negative load, a cusp, or a hollow no wider than the wheel.

    >>> hollow = roller_lobe_contact(1500.0, cam_radius_m=-0.3, roller_radius_m=0.0095, lobe_width_m=0.012,
    ...                              wheel_width_m=0.0107, modulus_pa=115e9)
    >>> round(float(hollow.peak_pressure_pa) / 1e6)
    723
    """
    positive(roller_radius_m=roller_radius_m, lobe_width_m=lobe_width_m, wheel_width_m=wheel_width_m)
    radius = combined_radius_m(cam_radius_m, roller_radius_m)
    return hertz_line(load_n, radius_m=radius, length_m=min(lobe_width_m, wheel_width_m), modulus_pa=modulus_pa)
