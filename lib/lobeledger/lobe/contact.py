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
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from lobeledger.errors import OutOfRange

__all__ = [
    "FLASH_COEFFICIENT",
    "LINE_SHEAR_DEPTH_SHARE",
    "LINE_SHEAR_SHARE",
    "CrownedContact",
    "EllipseContact",
    "LineContact",
    "circle_greatest_shear_share",
    "combined_modulus_pa",
    "combined_radius_m",
    "crowned_face_contact",
    "ellipse_axis_ratio",
    "entrainment_reversal",
    "film_ratio",
    "flash_temperature_rise_k",
    "hamrock_brewe_axis_ratio",
    "hertz_ellipse",
    "hertz_line",
    "line_film_m",
    "lubrication_regime",
    "oval_film_m",
    "roller_lobe_contact",
]

Array = NDArray[np.float64]

# Under a line contact the shear on the axis, p0 z (1 - z/sqrt(1 + z^2)) with z in half-widths, is greatest
# at z^2 = (sqrt(5) - 1)/2. Johnson, Contact Mechanics, prints 0.30 p0 at 0.78 half-widths (from memory).
LINE_SHEAR_DEPTH_SHARE = math.sqrt((math.sqrt(5.0) - 1.0) / 2.0)
LINE_SHEAR_SHARE = LINE_SHEAR_DEPTH_SHARE * (3.0 - math.sqrt(5.0)) / 2.0

# Blok 1937, for a contact with Hertz's pressure between like bodies at high speed (from memory); the exact
# integral is 1.1115.
FLASH_COEFFICIENT = 1.11

# Ratio of the relative radii beyond which a contact is a line for every purpose here.
_LONGEST_RATIO = 1.0e12


@dataclass(frozen=True, slots=True)
class LineContact:
    """A line contact: half-width (m), greatest pressure and greatest shear stress below it (Pa)."""

    half_width_m: Array
    peak_pressure_pa: Array
    greatest_shear_pa: Array


@dataclass(frozen=True, slots=True)
class EllipseContact:
    """An oval contact: half-axes along x and y (m), greatest pressure (Pa), approach of the bodies (m)."""

    half_width_x_m: Array
    half_length_y_m: Array
    peak_pressure_pa: Array
    approach_m: Array


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


def _positive(**values: Any) -> None:
    """Raise OutOfRange unless every value is finite and above zero."""
    for name, value in values.items():
        found = np.asarray(value, dtype=float)
        if not np.all(np.isfinite(found) & (found > 0.0)):
            raise OutOfRange(f"{name} is {_shown(found)}; it must be a finite number above zero.")


def _not_negative(**values: Any) -> None:
    """Raise OutOfRange unless every value is finite and zero or more."""
    for name, value in values.items():
        found = np.asarray(value, dtype=float)
        if not np.all(np.isfinite(found) & (found >= 0.0)):
            raise OutOfRange(f"{name} is {_shown(found)}; it must be a finite number, zero or more.")


def _load(load_n: ArrayLike) -> Array:
    """The load as an array, refused where it pulls instead of presses."""
    load = np.asarray(load_n, dtype=float)
    if not np.all(np.isfinite(load) & (load >= 0.0)):
        raise OutOfRange(
            f"load_n is {_shown(load)}; it must be zero or more: a negative load means the follower has left "
            "the lobe, so lower the speed or mask those angles."
        )
    return load


def _shown(values: Array) -> str:
    """The worst value of an array in words fit for a message."""
    if values.ndim == 0:
        return f"{float(values):g}"
    bad = values[~np.isfinite(values)]
    return f"{float(bad[0]):g}" if bad.size else f"as low as {float(np.min(values)):g}"


# ---------------------------------------------------------------------------------------------------- pairs


def combined_modulus_pa(
    *, first_modulus_pa: float, first_poisson: float, second_modulus_pa: float, second_poisson: float
) -> float:
    """Contact modulus E* (Pa) of two bodies: 1/E* = (1 - nu1^2)/E1 + (1 - nu2^2)/E2.

    Source: Johnson, Contact Mechanics, section 4.2. Raises OutOfRange for a Poisson's ratio outside 0 to 0.5.

    >>> round(combined_modulus_pa(first_modulus_pa=200e9, first_poisson=0.29, second_modulus_pa=200e9,
    ...                           second_poisson=0.29) / 1e9, 2)
    109.18
    """
    _positive(first_modulus_pa=first_modulus_pa, second_modulus_pa=second_modulus_pa)
    for name, poisson in (("first_poisson", first_poisson), ("second_poisson", second_poisson)):
        if not 0.0 <= poisson <= 0.5:
            raise OutOfRange(f"{name} is {poisson:g}; Poisson's ratio lies between 0 and 0.5.")
    return 1.0 / ((1.0 - first_poisson**2) / first_modulus_pa + (1.0 - second_poisson**2) / second_modulus_pa)


def combined_radius_m(first_radius_m: ArrayLike, second_radius_m: ArrayLike) -> Array:
    """Relative radius (m) of two surfaces in one plane: 1/R = 1/R1 + 1/R2.

    A hollow surface has a negative radius, a flat one math.inf; two flats give an infinite radius. Raises
    OutOfRange for a radius of zero and where the hollow is as tight as the other surface, or tighter.
    Source: Johnson, Contact Mechanics, section 4.1.

    >>> combined_radius_m([0.02, 0.02, -0.06], [0.02, math.inf, 0.02]).round(6).tolist()
    [0.01, 0.02, 0.03]
    """
    first, second = np.asarray(first_radius_m, dtype=float), np.asarray(second_radius_m, dtype=float)
    for name, radius in (("first_radius_m", first), ("second_radius_m", second)):
        if np.any(np.isnan(radius)) or np.any(radius == 0.0):
            raise OutOfRange(f"{name} holds zero or no number; a cusp cannot carry a load.")
    curvature = 1.0 / first + 1.0 / second
    hollow = (first < 0.0) | (second < 0.0)
    if np.any(curvature < 0.0) or np.any(hollow & (curvature == 0.0)):
        raise OutOfRange(
            "a hollow surface is as tight as the one that should run in it, or tighter; its radius must be "
            "the larger of the two (hollow surfaces count negative)."
        )
    with np.errstate(divide="ignore"):
        return np.asarray(np.divide(1.0, curvature))


# ----------------------------------------------------------------------------------------------------- line


def hertz_line(load_n: ArrayLike, *, radius_m: ArrayLike, length_m: ArrayLike, modulus_pa: ArrayLike) -> LineContact:
    """Line contact of relative radius R over a length L: b = sqrt(4 W R/(pi L E*)), p0 = sqrt(W E*/(pi R L)).

    load_n W, radius_m R (see `combined_radius_m`), length_m L, modulus_pa E*. The greatest shear, 0.3003 p0,
    lies 0.786 b below the surface. End effects are left out. Source: Johnson, Contact Mechanics,
    section 4.2(c). Raises OutOfRange for a negative load or a radius that is not finite and positive.

    >>> contact = hertz_line(24100.0, radius_m=0.02, length_m=0.02, modulus_pa=109.18e9)
    >>> round(float(contact.peak_pressure_pa) / 1e6), round(float(contact.half_width_m) * 1e3, 3)
    (1447, 0.53)
    """
    load = _load(load_n)
    _positive(radius_m=radius_m, length_m=length_m, modulus_pa=modulus_pa)
    radius, length = np.asarray(radius_m, dtype=float), np.asarray(length_m, dtype=float)
    modulus = np.asarray(modulus_pa, dtype=float)
    half_width = np.sqrt(4.0 * load * radius / (math.pi * length * modulus))
    pressure = np.sqrt(load * modulus / (math.pi * radius * length))
    return LineContact(half_width, pressure, LINE_SHEAR_SHARE * pressure)


# --------------------------------------------------------------------------------------------------- ellipse


@njit(cache=True, nogil=True)
def _integrals(kc: float) -> tuple[float, float]:
    """Complete elliptic integrals B and D of complementary modulus kc = b/a, without cancellation.

    B = int cos^2/Delta, D = int sin^2/Delta over a quarter turn, Delta = sqrt(cos^2 + kc^2 sin^2), so that
    K = B + D and E = B + kc^2 D. Bulirsch's descending transformation for the general complete integral
    (Numerische Mathematik 7, 1965, from memory) run for both numerators at once.
    """
    a_b, b_b, a_d, b_d = 1.0, 0.0, 0.0, 1.0
    p, e, em, qc = 1.0, kc, 1.0, kc
    for _ in range(40):
        f_b, f_d = a_b, a_d
        a_b += b_b / p
        a_d += b_d / p
        g = e / p
        b_b = 2.0 * (b_b + f_b * g)
        b_d = 2.0 * (b_d + f_d * g)
        p += g
        g = em
        em += qc
        if abs(g - qc) <= g * 1.0e-8:
            break
        qc = 2.0 * math.sqrt(e)
        e = qc * em
    scale = 0.5 * math.pi / (em * (em + p))
    return scale * (b_b + a_b * em), scale * (b_d + a_d * em)


@njit(cache=True, nogil=True)
def _short_over_long(ratio: float) -> tuple[float, float, float]:
    """Axis ratio b/a of the oval for a ratio of relative radii >= 1, with B and D at that ratio.

    Johnson, Contact Mechanics, eq. 4.28 in B and D: R_long/R_short = B/(kc^2 D). Newton's method on the
    logarithms, where the curve is nearly straight with a slope from -1.5 (circle) to -2 (line).
    """
    target = math.log(ratio)
    x = -0.64 * target
    b, d = 0.0, 0.0
    for _ in range(60):
        kc = math.exp(x)
        b, d = _integrals(kc)
        miss = math.log(b / d) - 2.0 * x - target
        m = (1.0 - kc) * (1.0 + kc)
        if m < 1.0e-4:
            slope = -1.5
        else:
            mc = kc * kc
            slope = -mc * ((d - b) / b - (b / mc - d) / d) / m - 2.0
        step = miss / slope
        x -= step
        # The oval is never shorter along the flatter direction: kc stays at or below one.
        x = min(x, 0.0)
        if abs(step) < 1.0e-13:
            break
    kc = math.exp(x)
    b, d = _integrals(kc)
    return kc, b, d


@njit(cache=True, nogil=True)
def _ellipse(load: float, radius_x: float, radius_y: float, modulus: float) -> tuple[float, float, float, float]:
    """Half-axes along x and y, greatest pressure and approach of one oval contact."""
    swap = radius_x > radius_y
    short_radius = radius_y if swap else radius_x
    long_radius = radius_x if swap else radius_y
    kc, b, d = _short_over_long(long_radius / short_radius)
    if load <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    long_half = (3.0 * load * long_radius * d / (math.pi * modulus)) ** (1.0 / 3.0)
    short_half = kc * long_half
    pressure = 1.5 * load / (math.pi * long_half * short_half)
    approach = 1.5 * load * (b + d) / (math.pi * long_half * modulus)
    if swap:
        return long_half, short_half, pressure, approach
    return short_half, long_half, pressure, approach


@njit(cache=True, nogil=True)
def _ellipses(load: Array, radius_x: Array, radius_y: Array, modulus: Array, out: Array) -> None:
    for i in range(load.size):
        out[0, i], out[1, i], out[2, i], out[3, i] = _ellipse(load[i], radius_x[i], radius_y[i], modulus[i])


@njit(cache=True, nogil=True)
def _axis_ratios(ratio: Array, out: Array) -> None:
    for i in range(ratio.size):
        if ratio[i] >= 1.0:
            out[i] = 1.0 / _short_over_long(ratio[i])[0]
        else:
            out[i] = _short_over_long(1.0 / ratio[i])[0]


def _spread(*values: ArrayLike) -> tuple[tuple[int, ...], list[Array]]:
    """Shape of the arguments together, and each of them spread over it and laid flat."""
    arrays = np.broadcast_arrays(*[np.asarray(value, dtype=float) for value in values])
    return arrays[0].shape, [np.ascontiguousarray(array).ravel() for array in arrays]


def _curvature_ratio(radius_ratio: Array) -> None:
    if np.any(radius_ratio > _LONGEST_RATIO) or np.any(radius_ratio < 1.0 / _LONGEST_RATIO):
        raise OutOfRange(f"one relative radius is over {_LONGEST_RATIO:g} times the other; treat it as a line contact.")


def ellipse_axis_ratio(radius_ratio: ArrayLike) -> Array:
    """Half-axis ratio a_y/b_x of an oval contact from the ratio of its relative radii Ry/Rx, exactly.

    Solves Ry/Rx = [(a/b)^2 E - K]/[K - E], K and E the complete elliptic integrals. Valid for ratios from
    1e-12 to 1e12; outside raises OutOfRange. Source: Johnson, Contact Mechanics, eq. 4.28 (from memory).

    >>> ellipse_axis_ratio([1.0, 3.0]).round(4).tolist()
    [1.0, 2.072]
    """
    _positive(radius_ratio=radius_ratio)
    ratio = np.asarray(radius_ratio, dtype=float)
    _curvature_ratio(ratio)
    flat = np.ascontiguousarray(ratio).ravel()
    out = np.empty_like(flat)
    _axis_ratios(flat, out)
    return out.reshape(ratio.shape)


def hamrock_brewe_axis_ratio(radius_ratio: ArrayLike) -> Array:
    """Approximate half-axis ratio, k = 1.0339 (Ry/Rx)^0.636, for checking only: within 3.5 % from 1.5 to 50.

    Source: Hamrock and Brewe 1983 (from memory).

    >>> round(float(hamrock_brewe_axis_ratio(3.0)), 3)
    2.079
    """
    _positive(radius_ratio=radius_ratio)
    return np.asarray(1.0339 * np.asarray(radius_ratio, dtype=float) ** 0.636)


def hertz_ellipse(
    load_n: ArrayLike, *, radius_x_m: ArrayLike, radius_y_m: ArrayLike, modulus_pa: ArrayLike
) -> EllipseContact:
    """Oval contact of relative radii Rx and Ry, exactly: half-axes, p0 = 3 W/(2 pi a b), approach.

    The long half-axis a follows from a^3 = 3 W R_long D/(pi E*), D = (K - E)/e^2; the short one from
    `ellipse_axis_ratio`. load_n W (zero gives zeros), modulus_pa E*. Raises OutOfRange for a negative load,
    radii that are not finite and positive, or a ratio of radii beyond 1e12.
    Source: Johnson, Contact Mechanics, section 4.2(b), eqs 4.25 to 4.28 (from memory).

    A ball of 10 mm radius on a flat, 5 N, E* 115.4 GPa, where the half-width cubed is 3 W R/(4 E*):

    >>> ball = hertz_ellipse(5.0, radius_x_m=0.010, radius_y_m=0.010, modulus_pa=115.4e9)
    >>> round(float(ball.half_width_x_m) * 1e6, 2)
    68.75
    >>> round((3 * 5.0 * 0.010 / (4 * 115.4e9)) ** (1 / 3) * 1e6, 2)
    68.75
    """
    load = _load(load_n)
    _positive(radius_x_m=radius_x_m, radius_y_m=radius_y_m, modulus_pa=modulus_pa)
    shape, (w, rx, ry, e) = _spread(load, radius_x_m, radius_y_m, modulus_pa)
    _curvature_ratio(ry / rx)
    out = np.empty((4, w.size))
    _ellipses(w, rx, ry, e, out)
    width, length, pressure, approach = out.reshape((4, *shape))
    return EllipseContact(width, length, pressure, approach)


def circle_greatest_shear_share(poisson: float) -> tuple[float, float]:
    """Greatest shear on the axis of a circular contact, as a share of p0, and its depth in half-widths.

    tau = |sigma_z - sigma_r|/2 with sigma_z = -1/(1 + z^2) and
    sigma_r = -(1 + nu)(1 - z atan(1/z)) + 1/(2 (1 + z^2)). Found by golden section over z from 0.05 to 2.
    Source: Johnson, Contact Mechanics, eqs 3.45 (from memory).

    >>> share, depth = circle_greatest_shear_share(0.3)
    >>> round(share, 3), round(depth, 2)
    (0.31, 0.48)
    """
    if not 0.0 <= poisson <= 0.5:
        raise OutOfRange(f"poisson is {poisson:g}; Poisson's ratio lies between 0 and 0.5.")

    def shear(z: float) -> float:
        axial = -1.0 / (1.0 + z * z)
        radial = -(1.0 + poisson) * (1.0 - z * math.atan2(1.0, z)) + 0.5 / (1.0 + z * z)
        return 0.5 * abs(axial - radial)

    low, high = 0.05, 2.0
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    while high - low > 1.0e-7:
        left, right = high - golden * (high - low), low + golden * (high - low)
        if shear(left) > shear(right):
            high = right
        else:
            low = left
    depth = 0.5 * (low + high)
    return shear(depth), depth


# ---------------------------------------------------------------------------------------- lobe and follower


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
    half_width, free, pressure, _ = _ellipse(load, radius_x, radius_y, modulus)
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
    load = _load(load_n)
    _positive(lobe_width_m=lobe_width_m, modulus_pa=modulus_pa)
    rho, crown = np.asarray(cam_radius_m, dtype=float), np.asarray(crown_radius_m, dtype=float)
    offset = np.asarray(contact_offset_m, dtype=float)
    if np.any(np.isnan(crown)) or np.any(crown <= 0.0):
        raise OutOfRange(
            f"crown_radius_m is {_shown(crown)}; it must be above zero (math.inf for a face without crown)."
        )
    if not np.all(np.isfinite(offset)) or np.any(np.abs(offset) >= crown):
        raise OutOfRange(
            "contact_offset_m must be a finite number smaller than the crown radius; check crown and taper."
        )
    radius_x = combined_radius_m(rho, crown)
    if np.any(np.isinf(radius_x)):
        raise OutOfRange("cam_radius_m and crown_radius_m are both infinite; two flats have no Hertz contact.")
    shape, (w, rx, ry, width, y0, e) = _spread(load, radius_x, crown, lobe_width_m, offset, modulus_pa)
    # Without crown the oval is endless. A crown this flat differs from none by less than the digits carried.
    ry = np.minimum(ry, 0.1 * _LONGEST_RATIO * rx)
    _curvature_ratio(ry / rx)
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
    _positive(roller_radius_m=roller_radius_m, lobe_width_m=lobe_width_m, wheel_width_m=wheel_width_m)
    radius = combined_radius_m(cam_radius_m, roller_radius_m)
    return hertz_line(load_n, radius_m=radius, length_m=min(lobe_width_m, wheel_width_m), modulus_pa=modulus_pa)


# ------------------------------------------------------------------------------------------------------ oil


def entrainment_reversal(
    entrainment_m_per_s: Array, *, half_width_m: Array, theta_cam_rad: Array, cam_speed_rad_per_s: float
) -> NDArray[np.bool_]:
    """True near a change of sign of the entrainment, where a steady film formula means nothing.

    A steady film needs the oil to pass the contact sooner than the speed changes: marked is every angle
    where 2 b/|u| exceeds |u|/|du/dt|, that is u^2 < 2 b |du/dt|. There a squeezed film carries for a moment,
    which these formulas do not know. theta_cam_rad rises evenly or not; the ends are not joined.
    Source: order of magnitude of the two times, derived here.

    >>> theta = np.linspace(-0.2, 0.2, 5)
    >>> entrainment_reversal(10.0 * theta, half_width_m=np.full(5, 2e-4), theta_cam_rad=theta,
    ...                      cam_speed_rad_per_s=300.0).tolist()
    [False, True, True, True, False]
    """
    speed = np.asarray(entrainment_m_per_s, dtype=float)
    change = np.gradient(speed, np.asarray(theta_cam_rad, dtype=float), axis=-1) * cam_speed_rad_per_s
    return np.asarray(speed**2 < 2.0 * np.asarray(half_width_m, dtype=float) * np.abs(change))


def oval_film_m(
    entrainment_m_per_s: ArrayLike,
    *,
    load_n: ArrayLike,
    radius_x_m: ArrayLike,
    axis_ratio: ArrayLike,
    modulus_pa: float,
    viscosity_pa_s: float,
    pressure_viscosity_per_pa: float,
) -> Array:
    """Least oil film (m) in an oval contact: H = 3.63 U^0.68 G^0.49 W^-0.073 (1 - exp(-0.68 k)), h = H Rx.

    U = eta |u|/(E' Rx), G = alpha E', W = w/(E' Rx^2), E' = 2 E*; u is the MEAN speed of the two surfaces
    past the contact, Rx the relative radius the way they move, k the half-axis ratio a_y/b_x. modulus_pa is
    E*; viscosity_pa_s at the inlet's temperature and ambient pressure. Fully flooded, steady, isothermal.
    NaN where u or the load is zero; mask the rest with `entrainment_reversal`.
    Source: Hamrock and Dowson, ASME J. Lubr. Tech. 99 (1977) 264.

    >>> film = oval_film_m(2.0, load_n=1000.0, radius_x_m=0.02, axis_ratio=10.0, modulus_pa=115e9,
    ...                    viscosity_pa_s=0.012, pressure_viscosity_per_pa=1.6e-8)
    >>> round(float(film) * 1e6, 2)
    0.2
    """
    load = _load(load_n)
    _positive(
        radius_x_m=radius_x_m,
        axis_ratio=axis_ratio,
        modulus_pa=modulus_pa,
        viscosity_pa_s=viscosity_pa_s,
        pressure_viscosity_per_pa=pressure_viscosity_per_pa,
    )
    radius, speed = np.asarray(radius_x_m, dtype=float), np.abs(np.asarray(entrainment_m_per_s, dtype=float))
    twice = 2.0 * modulus_pa
    u = _blank_zero(viscosity_pa_s * speed / (twice * radius))
    g = pressure_viscosity_per_pa * twice
    w = _blank_zero(load / (twice * radius**2))
    ends = -np.expm1(-0.68 * np.asarray(axis_ratio, dtype=float))
    return np.asarray(radius * 3.63 * u**0.68 * g**0.49 * w**-0.073 * ends)


def line_film_m(
    entrainment_m_per_s: ArrayLike,
    *,
    load_per_length_n_per_m: ArrayLike,
    radius_m: ArrayLike,
    modulus_pa: float,
    viscosity_pa_s: float,
    pressure_viscosity_per_pa: float,
) -> Array:
    """Least oil film (m) in a line contact: H = 2.65 U^0.70 G^0.54 W^-0.13, h = H R.

    U = eta |u|/(E' R), G = alpha E', W = w/(E' R) with w the load per length, E' = 2 E*; u is the MEAN speed
    of the surfaces past the contact, modulus_pa is E*. Fully flooded, steady, isothermal. NaN where u or the
    load is zero. Source: Dowson 1968; Dowson and Higginson (from memory).

    >>> film = line_film_m(2.0, load_per_length_n_per_m=1.0e5, radius_m=0.006, modulus_pa=115e9,
    ...                    viscosity_pa_s=0.012, pressure_viscosity_per_pa=1.6e-8)
    >>> round(float(film) * 1e6, 2)
    0.14
    """
    load = _load(load_per_length_n_per_m)
    _positive(
        radius_m=radius_m,
        modulus_pa=modulus_pa,
        viscosity_pa_s=viscosity_pa_s,
        pressure_viscosity_per_pa=pressure_viscosity_per_pa,
    )
    radius, speed = np.asarray(radius_m, dtype=float), np.abs(np.asarray(entrainment_m_per_s, dtype=float))
    twice = 2.0 * modulus_pa
    u = _blank_zero(viscosity_pa_s * speed / (twice * radius))
    w = _blank_zero(load / (twice * radius))
    return np.asarray(radius * 2.65 * u**0.70 * (pressure_viscosity_per_pa * twice) ** 0.54 * w**-0.13)


def _blank_zero(values: Array) -> Array:
    """NaN in place of zero: a film formula has nothing to say there, and zero film would be a claim."""
    return np.where(values > 0.0, values, np.nan)


def film_ratio(film_m: ArrayLike, *, first_roughness_m: float, second_roughness_m: float) -> Array:
    """Film over composite roughness, lambda = h/sqrt(R1^2 + R2^2), both roughnesses of the same kind (Rq).

    Source: Stachowiak and Batchelor, Engineering Tribology (from memory). An Ra is about 0.8 Rq.

    >>> round(float(film_ratio(5e-7, first_roughness_m=3e-7, second_roughness_m=4e-7)), 6)
    1.0
    """
    _positive(first_roughness_m=first_roughness_m, second_roughness_m=second_roughness_m)
    return np.asarray(np.asarray(film_m, dtype=float) / math.hypot(first_roughness_m, second_roughness_m))


def lubrication_regime(ratio: float) -> str:
    """Name of the regime: boundary below a film ratio of 1, mixed to 3, full film above; labels, not limits.

    Source: Stachowiak and Batchelor; Hamrock, Schmid and Jacobson (from memory).

    >>> [lubrication_regime(value) for value in (0.4, 1.0, 3.5, math.nan)]
    ['boundary', 'mixed', 'full film', 'not defined']
    """
    if math.isnan(ratio):
        return "not defined"
    if ratio < 0.0:
        raise OutOfRange(f"ratio is {ratio:g}; a film is zero or thicker.")
    if ratio < 1.0:
        return "boundary"
    return "mixed" if ratio <= 3.0 else "full film"


# ----------------------------------------------------------------------------------------------------- heat


def flash_temperature_rise_k(
    load_per_length_n_per_m: ArrayLike,
    *,
    friction_coefficient: float,
    first_speed_m_per_s: ArrayLike,
    second_speed_m_per_s: ArrayLike,
    half_width_m: ArrayLike,
    conductivity_w_per_m_k: float,
    density_kg_per_m3: float,
    specific_heat_j_per_kg_k: float,
) -> Array:
    """Rise (K) of the hottest point of a sliding line contact above the bodies, like materials.

    1.11 mu w |u1 - u2|/[(sqrt|u1| + sqrt|u2|) sqrt(k rho c) sqrt(2 b)], w load per length, u the surfaces'
    speeds past the contact, 2 b Hertz's full width. Written with the sum of the roots because on a cam u2
    changes sign, where the textbook's |sqrt(u1) - sqrt(u2)| has no meaning; for like signs both are the same.
    Valid at high Peclet number (u b rho c/(2 k) above about 5); a surface that hardly moves past the contact
    is taken to accept no heat, which errs high. NaN where both surfaces stand still past the contact, zero
    where load or sliding is zero. Source: Blok 1937 (from memory), the coefficient derived by integration.

    >>> round(float(flash_temperature_rise_k(2.0e5, friction_coefficient=0.1, first_speed_m_per_s=4.0,
    ...     second_speed_m_per_s=-1.0, half_width_m=2.0e-4, conductivity_w_per_m_k=46.0,
    ...     density_kg_per_m3=7800.0, specific_heat_j_per_kg_k=460.0)), 1)
    144.0
    """
    load = _load(load_per_length_n_per_m)
    _not_negative(friction_coefficient=friction_coefficient, half_width_m=half_width_m)
    _positive(
        conductivity_w_per_m_k=conductivity_w_per_m_k,
        density_kg_per_m3=density_kg_per_m3,
        specific_heat_j_per_kg_k=specific_heat_j_per_kg_k,
    )
    first, second = (
        np.asarray(first_speed_m_per_s, dtype=float),
        np.asarray(second_speed_m_per_s, dtype=float),
    )
    half_width = np.asarray(half_width_m, dtype=float)
    heat = friction_coefficient * load * np.abs(first - second)
    effusivity = math.sqrt(conductivity_w_per_m_k * density_kg_per_m3 * specific_heat_j_per_kg_k)
    roots = np.sqrt(np.abs(first)) + np.sqrt(np.abs(second))
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = FLASH_COEFFICIENT * heat / (roots * effusivity * np.sqrt(2.0 * half_width))
    still = np.where(roots == 0.0, np.nan, 0.0)
    return np.asarray(np.where((heat > 0.0) & (half_width > 0.0), rise, still))
