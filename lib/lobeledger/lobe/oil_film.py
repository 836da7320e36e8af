"""Oil film and flash temperature between lobe and follower.

How thick is the film?                `oval_film_m`, `line_film_m`
Thick enough?                         `film_ratio`, `lubrication_regime`
Where does entrainment turn round?    `entrainment_reversal`
How hot does the contact flash?       `flash_temperature_rise_k`
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.lobe.ellipse import pressing_load_n

__all__ = [
    "FLASH_COEFFICIENT",
    "entrainment_reversal",
    "film_ratio",
    "flash_temperature_rise_k",
    "line_film_m",
    "lubrication_regime",
    "oval_film_m",
]

# Blok 1937, for a contact with Hertz's pressure between like bodies at high speed (from memory); the exact
# integral is 1.1115.
FLASH_COEFFICIENT = 1.11


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
    load = pressing_load_n(load_n)
    positive(
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
    load = pressing_load_n(load_per_length_n_per_m)
    positive(
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
    positive(first_roughness_m=first_roughness_m, second_roughness_m=second_roughness_m)
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
    load = pressing_load_n(load_per_length_n_per_m)
    not_negative(friction_coefficient=friction_coefficient, half_width_m=half_width_m)
    positive(
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
