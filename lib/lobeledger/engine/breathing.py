"""Breathing: where the intake runs out, and what filling gives at the crank.

Where does the intake run out?             `mach_index`, `mean_effective_area_m2`, `mean_inlet_mach_index`,
                                           `speed_at_mach_index_rpm`, `peak_power_speed_band_rpm`
What does a measured air flow mean?        `volumetric_efficiency`
What torque is left at the crank?          `bmep_pa`, `torque_n_m`, `power_w`

Areas and flow through valves are in `ports`, overlap and idle in `idle`, friction in `friction`, what the cylinder
takes in is in `filling`. Crank angles are radians. Lifts are valve lifts, net of lash.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Array, Num
from lobeledger.errors import OutOfRange

__all__ = [
    "PUBLISHED_KNEE",
    "Band",
    "bmep_pa",
    "mach_index",
    "mean_effective_area_m2",
    "mean_inlet_mach_index",
    "peak_power_speed_band_rpm",
    "power_w",
    "speed_at_mach_index_rpm",
    "torque_n_m",
    "volumetric_efficiency",
]


class Band(NamedTuple):
    """A figure with the low and high it may take."""

    low: float
    nominal: float
    high: float


# Mean inlet Mach index at which volumetric efficiency is published to fall away.
PUBLISHED_KNEE = Band(0.50, 0.55, 0.60)


def mach_index(
    *,
    piston_area_m2: float,
    mean_piston_speed_m_per_s: float,
    effective_area_m2: float,
    sound_speed_m_per_s: float,
) -> float:
    """Inlet Mach index Z = A_p S_p/(A a), A the valve area times its mean flow coefficient.

    Published knees of volumetric efficiency lie at Z 0.5-0.6 but rest on other means of the coefficient: use
    it to rank, not as a limit. Source: Taylor; Heywood, ch. 6 (from memory); R. K. Rajput, *A Textbook of
    Internal Combustion Engines*, 2nd ed. 2007, ex. 7.12.
    """
    positive(
        piston_area_m2=piston_area_m2,
        mean_piston_speed_m_per_s=mean_piston_speed_m_per_s,
        effective_area_m2=effective_area_m2,
        sound_speed_m_per_s=sound_speed_m_per_s,
    )
    return piston_area_m2 * mean_piston_speed_m_per_s / (effective_area_m2 * sound_speed_m_per_s)


def mean_effective_area_m2(crank_rad: Array, effective_area_m2: Array) -> float:
    """Mean effective intake area (m2): (1/pi) integral of C A over the whole event in crank angle.

    Dividing by the stroke's pi and not by the duration lets a longer event count. Our own choice of mean, in
    the spirit of Taylor's. Trapezoidal rule. Raises OutOfRange when the angles do not rise or nothing opens.
    """
    angle, area = np.asarray(crank_rad, dtype=float), np.asarray(effective_area_m2, dtype=float)
    if angle.ndim != 1 or angle.shape != area.shape or angle.size < 2 or np.any(np.diff(angle) <= 0.0):
        raise OutOfRange("crank_rad must rise and have one effective area for each angle.")
    not_negative(effective_area_m2=area)
    mean = float(np.trapezoid(area, angle)) / math.pi
    if mean <= 0.0:
        raise OutOfRange("The valve never opens: its effective area is zero throughout.")
    return mean


def mean_inlet_mach_index(
    speed_rpm: Num,
    *,
    mean_effective_area_m2: float,
    bore_m: float,
    stroke_m: float,
    sound_speed_m_per_s: float,
) -> Num:
    """Mean inlet Mach index at an engine speed (rpm), from `mean_effective_area_m2`.

    Z = (pi B^2/4)(2 S N/60)/(A a). Source: see `mach_index`.
    """
    positive(bore_m=bore_m, stroke_m=stroke_m)
    one_rpm = mach_index(
        piston_area_m2=math.pi * bore_m**2 / 4.0,
        mean_piston_speed_m_per_s=2.0 * stroke_m / 60.0,
        effective_area_m2=mean_effective_area_m2,
        sound_speed_m_per_s=sound_speed_m_per_s,
    )
    not_negative(speed_rpm=speed_rpm)
    index: Num = one_rpm * speed_rpm
    return index


def speed_at_mach_index_rpm(
    index: float, *, mean_effective_area_m2: float, bore_m: float, stroke_m: float, sound_speed_m_per_s: float
) -> float:
    """Engine speed (rpm) at which the mean inlet Mach index reaches `index`. See `mean_inlet_mach_index`."""
    positive(index=index)
    return index / mean_inlet_mach_index(
        1.0,
        mean_effective_area_m2=mean_effective_area_m2,
        bore_m=bore_m,
        stroke_m=stroke_m,
        sound_speed_m_per_s=sound_speed_m_per_s,
    )


def peak_power_speed_band_rpm(
    *,
    mean_effective_area_m2: float,
    bore_m: float,
    stroke_m: float,
    sound_speed_m_per_s: float,
    index_band: Band = PUBLISHED_KNEE,
) -> Band:
    """Speed (rpm) around which breathing begins to fall away, low, nominal and high, from a band of Z.

    The band 0.5-0.6 is published (JSME, Rajput 0.55, Taylor and Heywood 0.5-0.6, the last two from memory) on
    other means of area; so rank by it. Raises OutOfRange when the band does not rise.
    """
    if not 0.0 < index_band.low <= index_band.nominal <= index_band.high:
        raise OutOfRange(f"index_band is {tuple(index_band)}; it must rise from above zero.")
    at_one = speed_at_mach_index_rpm(
        1.0,
        mean_effective_area_m2=mean_effective_area_m2,
        bore_m=bore_m,
        stroke_m=stroke_m,
        sound_speed_m_per_s=sound_speed_m_per_s,
    )
    return Band(index_band.low * at_one, index_band.nominal * at_one, index_band.high * at_one)


def volumetric_efficiency(
    air_flow_kg_per_s: float, *, displacement_m3: float, speed_rpm: float, density_kg_per_m3: float
) -> float:
    """Volumetric efficiency of a four-stroke from a measured air flow: m'/(rho V_d N/120).

    Source: definition (Heywood, eq. 2.27, from memory).

    >>> round(volumetric_efficiency(0.1271, displacement_m3=4.066e-3, speed_rpm=3600,
    ...     density_kg_per_m3=1.2255), 2)
    0.85
    """
    positive(
        air_flow_kg_per_s=air_flow_kg_per_s,
        displacement_m3=displacement_m3,
        speed_rpm=speed_rpm,
        density_kg_per_m3=density_kg_per_m3,
    )
    return air_flow_kg_per_s / (density_kg_per_m3 * displacement_m3 * speed_rpm / 120.0)


def bmep_pa(
    volumetric_efficiency: Num,
    *,
    reference_density_kg_per_m3: float,
    gross_indicated_efficiency: float,
    fuel_heating_value_j_per_kg: float,
    air_fuel_ratio: float,
    friction_mep_pa: Num,
    pumping_mep_pa: Num,
) -> Num:
    """Brake mean effective pressure (Pa): efficiency x VE x density x heating value / AFR - fmep - pmep.

    The efficiency is gross indicated (compression and expansion strokes only; about 0.32-0.38 at full
    throttle rich mixture, assumed). `pumping_mep_pa` is positive as a loss. `friction.friction_mep` holds no pumping;
    a total fmep fitted to motored engines holds some, so with it the sum leans low. Source: definition (Heywood,
    ch. 2, from memory).
    """
    positive(
        reference_density_kg_per_m3=reference_density_kg_per_m3,
        gross_indicated_efficiency=gross_indicated_efficiency,
        fuel_heating_value_j_per_kg=fuel_heating_value_j_per_kg,
        air_fuel_ratio=air_fuel_ratio,
    )
    not_negative(volumetric_efficiency=volumetric_efficiency, friction_mep_pa=friction_mep_pa)
    gross = gross_indicated_efficiency * reference_density_kg_per_m3 * fuel_heating_value_j_per_kg / air_fuel_ratio
    bmep: Num = gross * volumetric_efficiency - friction_mep_pa - pumping_mep_pa
    return bmep


def torque_n_m(bmep_pa: Num, *, displacement_m3: float) -> Num:
    """Torque (N m) of a four-stroke engine: bmep V_d/(4 pi). Source: Heywood, ch. 2 (from memory).

    >>> round(torque_n_m(1.0e6, displacement_m3=5.733e-3), 1)
    456.2
    """
    positive(displacement_m3=displacement_m3)
    torque: Num = bmep_pa * displacement_m3 / (4.0 * math.pi)
    return torque


def power_w(torque_n_m: Num, *, speed_rpm: Num) -> Num:
    """Power (W): torque times 2 pi N/60. Source: definition."""
    power: Num = torque_n_m * speed_rpm * (2.0 * math.pi / 60.0)
    return power
