"""Hertz's ellipse of contact: axis ratios by elliptic integrals, and the shear below."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike

from lobeledger.arguments import positive, worst_shown
from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange

__all__ = [
    "EllipseContact",
    "circle_greatest_shear_share",
    "combined_modulus_pa",
    "combined_radius_m",
    "ellipse_axis_ratio",
    "hamrock_brewe_axis_ratio",
    "hertz_ellipse",
]


# Ratio of the relative radii beyond which a contact is a line for every purpose here.
LONGEST_RATIO = 1.0e12


@dataclass(frozen=True, slots=True)
class EllipseContact:
    """An oval contact: half-axes along x and y (m), greatest pressure (Pa), approach of the bodies (m)."""

    half_width_x_m: Array
    half_length_y_m: Array
    peak_pressure_pa: Array
    approach_m: Array


def pressing_load_n(load_n: ArrayLike) -> Array:
    """The load as an array, refused where it pulls instead of presses."""
    load = np.asarray(load_n, dtype=float)
    if not np.all(np.isfinite(load) & (load >= 0.0)):
        raise OutOfRange(
            f"load_n is {worst_shown(load)}; it must be zero or more: a negative load means the follower has left "
            "the lobe, so lower the speed or mask those angles."
        )
    return load


def combined_modulus_pa(
    *, first_modulus_pa: float, first_poisson: float, second_modulus_pa: float, second_poisson: float
) -> float:
    """Contact modulus E* (Pa) of two bodies: 1/E* = (1 - nu1^2)/E1 + (1 - nu2^2)/E2.

    Source: Johnson, Contact Mechanics, section 4.2. Raises OutOfRange for a Poisson's ratio outside 0 to 0.5.

    >>> round(combined_modulus_pa(first_modulus_pa=200e9, first_poisson=0.29, second_modulus_pa=200e9,
    ...                           second_poisson=0.29) / 1e9, 2)
    109.18
    """
    positive(first_modulus_pa=first_modulus_pa, second_modulus_pa=second_modulus_pa)
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
def ellipse_of(load: float, radius_x: float, radius_y: float, modulus: float) -> tuple[float, float, float, float]:
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
        out[0, i], out[1, i], out[2, i], out[3, i] = ellipse_of(load[i], radius_x[i], radius_y[i], modulus[i])


@njit(cache=True, nogil=True)
def _axis_ratios(ratio: Array, out: Array) -> None:
    for i in range(ratio.size):
        if ratio[i] >= 1.0:
            out[i] = 1.0 / _short_over_long(ratio[i])[0]
        else:
            out[i] = _short_over_long(1.0 / ratio[i])[0]


def spread_over(*values: ArrayLike) -> tuple[tuple[int, ...], list[Array]]:
    """Shape of the arguments together, and each of them spread over it and laid flat."""
    arrays = np.broadcast_arrays(*[np.asarray(value, dtype=float) for value in values])
    return arrays[0].shape, [np.ascontiguousarray(array).ravel() for array in arrays]


def curvature_ratio(radius_ratio: Array) -> None:
    if np.any(radius_ratio > LONGEST_RATIO) or np.any(radius_ratio < 1.0 / LONGEST_RATIO):
        raise OutOfRange(f"one relative radius is over {LONGEST_RATIO:g} times the other; treat it as a line contact.")


def ellipse_axis_ratio(radius_ratio: ArrayLike) -> Array:
    """Half-axis ratio a_y/b_x of an oval contact from the ratio of its relative radii Ry/Rx, exactly.

    Solves Ry/Rx = [(a/b)^2 E - K]/[K - E], K and E the complete elliptic integrals. Valid for ratios from
    1e-12 to 1e12; outside raises OutOfRange. Source: Johnson, Contact Mechanics, eq. 4.28 (from memory).

    >>> ellipse_axis_ratio([1.0, 3.0]).round(4).tolist()
    [1.0, 2.072]
    """
    positive(radius_ratio=radius_ratio)
    ratio = np.asarray(radius_ratio, dtype=float)
    curvature_ratio(ratio)
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
    positive(radius_ratio=radius_ratio)
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
    load = pressing_load_n(load_n)
    positive(radius_x_m=radius_x_m, radius_y_m=radius_y_m, modulus_pa=modulus_pa)
    shape, (w, rx, ry, e) = spread_over(load, radius_x_m, radius_y_m, modulus_pa)
    curvature_ratio(ry / rx)
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
