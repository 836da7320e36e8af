"""Breathing: what the valves let through, how the engine idles, what filling gives at the crank.

How much area does a lifted valve open?    `curtain_area_m2`, `port_area_m2`, `discharge_coefficient`,
                                           `effective_area_m2`
What does a flow-bench figure mean?        `flow_bench_velocity_m_per_s`, `flow_bench_effective_area_m2`
How fast does gas go through it?           `sound_speed_m_per_s`, `choked_pressure_ratio`, `flow_function`,
                                           `orifice_mass_flux_kg_per_s_m2`
Where does the intake run out?             `mach_index`, `mean_effective_area_m2`, `mean_inlet_mach_index`,
                                           `speed_at_mach_index_rpm`, `peak_power_speed_band_rpm`
What does overlap cost at idle?            `overlap_integrals_m_rad`, `overlap_factor_deg_per_m`,
                                           `residual_fraction`, `idle_vacuum`
What should a compression gauge read?      `cranking_pressure_gauge_pa`
What does a measured air flow mean?        `volumetric_efficiency`
What torque is left at the crank?          `bmep_pa`, `torque_n_m`, `power_w`

Crank angles are radians. Lifts are valve lifts, net of lash. What the cylinder takes in is in `filling`.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from lobeledger.errors import NoSolution, OutOfRange

__all__ = [
    "FLOW_BENCH_28_INH2O_PA",
    "GAS_CONSTANT_J_PER_KG_K",
    "PUBLISHED_KNEE",
    "Band",
    "IdleVacuum",
    "OverlapIntegrals",
    "bmep_pa",
    "choked_pressure_ratio",
    "cranking_pressure_gauge_pa",
    "curtain_area_m2",
    "discharge_coefficient",
    "effective_area_m2",
    "flow_bench_effective_area_m2",
    "flow_bench_velocity_m_per_s",
    "flow_function",
    "idle_vacuum",
    "mach_index",
    "mean_effective_area_m2",
    "mean_inlet_mach_index",
    "orifice_mass_flux_kg_per_s_m2",
    "overlap_factor_deg_per_m",
    "overlap_integrals_m_rad",
    "peak_power_speed_band_rpm",
    "port_area_m2",
    "power_w",
    "residual_fraction",
    "sound_speed_m_per_s",
    "speed_at_mach_index_rpm",
    "torque_n_m",
    "volumetric_efficiency",
]

Num = TypeVar("Num", float, NDArray[np.float64])
Array = NDArray[np.float64]

GAS_CONSTANT_J_PER_KG_K = 287.05
"""Specific gas constant of dry air (handbook); used for burned gas too, which differs by about 1 %."""

FLOW_BENCH_28_INH2O_PA = 28.0 * 249.0889
"""The trade's usual test drop, 28 inches of water (conventional, 4 C), in pascal."""


class Band(NamedTuple):
    """A figure with the low and high it may take."""

    low: float
    nominal: float
    high: float


PUBLISHED_KNEE = Band(0.50, 0.55, 0.60)
"""Mean inlet Mach index at which volumetric efficiency is published to fall away."""


def _positive(**values: Any) -> None:
    for name, value in values.items():
        if not np.all(np.isfinite(value)) or not np.all(np.asarray(value) > 0.0):
            raise OutOfRange(f"{name} is {value}; it must be a finite number above zero.")


def _not_negative(**values: Any) -> None:
    for name, value in values.items():
        if not np.all(np.isfinite(value)) or not np.all(np.asarray(value) >= 0.0):
            raise OutOfRange(f"{name} is {value}; it must be a finite number, zero or above.")


def _gamma(**values: float) -> None:
    for name, value in values.items():
        if not 1.0 < value < 1.7:
            raise OutOfRange(f"{name} is {value}; a ratio of specific heats lies between 1 and 1.7.")


# ----------------------------------------------------------------------------------------------- valve areas


def curtain_area_m2(valve_lift_m: Num, *, valve_diameter_m: float) -> Num:
    """Curtain area (m2) under a lifted valve: pi D L. Source: Heywood, ch. 6 (from memory).

    Raises OutOfRange for a negative lift.
    """
    _positive(valve_diameter_m=valve_diameter_m)
    _not_negative(valve_lift_m=valve_lift_m)
    area: Num = math.pi * valve_diameter_m * valve_lift_m
    return area


def port_area_m2(throat_diameter_m: float, *, stem_diameter_m: float = 0.0) -> float:
    """Area (m2) of the throat under the seat less the stem: pi (D^2 - d^2)/4. Source: geometry.

    Raises OutOfRange when the stem fills the throat.
    """
    _positive(throat_diameter_m=throat_diameter_m)
    _not_negative(stem_diameter_m=stem_diameter_m)
    if stem_diameter_m >= throat_diameter_m:
        raise OutOfRange(
            f"stem_diameter_m is {stem_diameter_m:g}; it must be less than the throat ({throat_diameter_m:g} m)."
        )
    return math.pi / 4.0 * (throat_diameter_m**2 - stem_diameter_m**2)


def discharge_coefficient(
    valve_lift_m: Num,
    *,
    valve_diameter_m: float,
    table_lift_over_diameter: ArrayLike,
    table_coefficient: ArrayLike,
) -> Num:
    """Discharge coefficient at a valve lift, linear in L/D between the points of a measured or assumed table.

    The table's L/D must rise and cover the lift (start it at 0): nothing is extrapolated. Coefficients must
    lie in (0, 1]. Typical sharp-seat intake valves: 0.65-0.7 at low lift, 0.6 or less at L/D 0.25 (Heywood,
    ch. 6, from memory). Raises OutOfRange for a bad table or a lift outside it.

    >>> float(discharge_coefficient(0.005, valve_diameter_m=0.05, table_lift_over_diameter=[0, 0.2],
    ...     table_coefficient=[0.7, 0.6]))
    0.65
    """
    _positive(valve_diameter_m=valve_diameter_m)
    _not_negative(valve_lift_m=valve_lift_m)
    ratio = np.asarray(table_lift_over_diameter, dtype=float)
    coefficient = np.asarray(table_coefficient, dtype=float)
    if ratio.ndim != 1 or ratio.shape != coefficient.shape or ratio.size == 0 or np.any(np.diff(ratio) <= 0.0):
        raise OutOfRange("The discharge table must have rising L/D and one coefficient for each.")
    if not (np.all(coefficient > 0.0) and np.all(coefficient <= 1.0)):
        raise OutOfRange("A discharge coefficient must lie above 0 and at most at 1.")
    asked = np.asarray(valve_lift_m) / valve_diameter_m
    # An ulp of slack lets the table end exactly at the valve's full lift.
    if np.min(asked) < ratio[0] - 1e-12 or np.max(asked) > ratio[-1] + 1e-12:
        raise OutOfRange(
            f"Lift over diameter runs from {np.min(asked):.3f} to {np.max(asked):.3f}, but the "
            f"discharge table only from {ratio[0]:.3f} to {ratio[-1]:.3f}; extend the table."
        )
    found: Num = np.interp(asked, ratio, coefficient)
    return found


def effective_area_m2(
    valve_lift_m: Num,
    *,
    valve_diameter_m: float,
    table_lift_over_diameter: ArrayLike,
    table_coefficient: ArrayLike,
    throat_area_m2: float | None = None,
    valves_per_cylinder: int = 1,
) -> Num:
    """Effective flow area (m2) of a cylinder's valves at a lift: n C min(pi D L, throat).

    Without `throat_area_m2` the throat is pi D^2/4 of the valve, so the curtain rules up to L/D = 0.25; give
    the throat from `port_area_m2` where it is known. The coefficient belongs to the lesser of the two areas:
    a table made on curtain area alone already holds the fall beyond L/D 0.25, so do not carry it past there.
    Source: Heywood, ch. 6 (from memory); the cap is geometry. Raises as `discharge_coefficient`.
    """
    if valves_per_cylinder < 1:
        raise OutOfRange(f"valves_per_cylinder is {valves_per_cylinder}; there is at least one.")
    throat = port_area_m2(valve_diameter_m) if throat_area_m2 is None else throat_area_m2
    _positive(throat_area_m2=throat)
    coefficient: Any = discharge_coefficient(
        valve_lift_m,
        valve_diameter_m=valve_diameter_m,
        table_lift_over_diameter=table_lift_over_diameter,
        table_coefficient=table_coefficient,
    )
    curtain: Any = curtain_area_m2(valve_lift_m, valve_diameter_m=valve_diameter_m)
    area: Num = valves_per_cylinder * coefficient * np.minimum(curtain, throat)
    return area


def flow_bench_velocity_m_per_s(*, test_drop_pa: float, density_kg_per_m3: float) -> float:
    """Ideal velocity (m/s) at a small test drop, incompressible: sqrt(2 dp/rho). Valid below 10 kPa.

    Source: Bernoulli. At 28 inH2O and 1.2 kg/m3:

    >>> round(flow_bench_velocity_m_per_s(test_drop_pa=FLOW_BENCH_28_INH2O_PA, density_kg_per_m3=1.2), 1)
    107.8
    """
    _positive(test_drop_pa=test_drop_pa, density_kg_per_m3=density_kg_per_m3)
    if test_drop_pa > 1.0e4:
        raise OutOfRange(f"test_drop_pa is {test_drop_pa:g}; the incompressible reading holds below 10 kPa.")
    return math.sqrt(2.0 * test_drop_pa / density_kg_per_m3)


def flow_bench_effective_area_m2(
    flow_m3_per_s: Num, *, test_drop_pa: float = FLOW_BENCH_28_INH2O_PA, density_kg_per_m3: float = 1.2
) -> Num:
    """Effective area (m2) behind a flow-bench reading: Q over the ideal velocity at the test drop.

    Defaults: 28 inH2O and air of 1.2 kg/m3 (assumed; benches correct to their own standard air). Divide by
    the curtain or throat area for a coefficient. Source: definition. Raises OutOfRange as
    `flow_bench_velocity_m_per_s`.
    """
    _not_negative(flow_m3_per_s=flow_m3_per_s)
    area: Num = flow_m3_per_s / flow_bench_velocity_m_per_s(
        test_drop_pa=test_drop_pa, density_kg_per_m3=density_kg_per_m3
    )
    return area


# ------------------------------------------------------------------------------------------ compressible flow


def sound_speed_m_per_s(
    temperature_k: Num, *, gamma: float = 1.4, gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K
) -> Num:
    """Speed of sound (m/s) of an ideal gas: sqrt(gamma R T).

    >>> round(float(sound_speed_m_per_s(298.15)), 1)
    346.1
    """
    _gamma(gamma=gamma)
    _positive(temperature_k=temperature_k, gas_constant_j_per_kg_k=gas_constant_j_per_kg_k)
    speed: Num = np.sqrt(gamma * gas_constant_j_per_kg_k * temperature_k)
    return speed


def choked_pressure_ratio(*, gamma: float = 1.4) -> float:
    """Downstream over upstream stagnation pressure at which an orifice chokes: (2/(g+1))^(g/(g-1)).

    Source: Heywood, app. C (from memory).

    >>> round(choked_pressure_ratio(gamma=1.4), 5)
    0.52828
    """
    _gamma(gamma=gamma)
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def flow_function(pressure_ratio: Num, *, gamma: float = 1.4) -> Num:
    """Dimensionless orifice flow m' sqrt(R T0)/(A p0) at static-over-stagnation pressure r (0 to 1).

    Subcritical: sqrt(2 g/(g-1) (r^(2/g) - r^((g+1)/g))); choked: sqrt(g) (2/(g+1))^((g+1)/(2(g-1))).
    Source: Heywood, app. C (from memory). Raises OutOfRange outside 0 to 1.

    >>> round(float(flow_function(0.9)), 5), round(float(flow_function(0.3)), 5)
    (0.42258, 0.68473)
    """
    critical = choked_pressure_ratio(gamma=gamma)
    ratio = np.asarray(pressure_ratio, dtype=float)
    if not (np.all(ratio >= 0.0) and np.all(ratio <= 1.0)):
        raise OutOfRange(f"pressure_ratio is {pressure_ratio}; downstream over upstream lies between 0 and 1.")
    # Below the critical ratio the throat stays at it: that is choking, not a clip.
    throat = np.maximum(ratio, critical)
    power = throat ** (1.0 / gamma)
    value: Num = power * np.sqrt(np.maximum(2.0 * gamma / (gamma - 1.0) * (1.0 - throat / power), 0.0))
    return value


def orifice_mass_flux_kg_per_s_m2(
    upstream_pressure_pa: Num,
    *,
    upstream_temperature_k: float,
    downstream_pressure_pa: float,
    gamma: float = 1.4,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> Num:
    """Mass flow per effective area (kg/s/m2) through an orifice from the upstream stagnation state.

    p0/sqrt(R T0) times `flow_function`. Source: Heywood, app. C (from memory). Upstream must be the higher
    pressure: OutOfRange otherwise.
    """
    _positive(
        upstream_pressure_pa=upstream_pressure_pa,
        upstream_temperature_k=upstream_temperature_k,
        gas_constant_j_per_kg_k=gas_constant_j_per_kg_k,
    )
    _not_negative(downstream_pressure_pa=downstream_pressure_pa)
    ratio: Any = downstream_pressure_pa / np.asarray(upstream_pressure_pa)
    if np.any(ratio > 1.0):
        raise OutOfRange("The downstream pressure exceeds the upstream one; swap them and change the sign of the flow.")
    flux: Num = (
        upstream_pressure_pa
        / math.sqrt(gas_constant_j_per_kg_k * upstream_temperature_k)
        * flow_function(ratio, gamma=gamma)
    )
    return flux


# ------------------------------------------------------------------------------------------ inlet Mach index


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
    _positive(
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
    _not_negative(effective_area_m2=area)
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
    _positive(bore_m=bore_m, stroke_m=stroke_m)
    one_rpm = mach_index(
        piston_area_m2=math.pi * bore_m**2 / 4.0,
        mean_piston_speed_m_per_s=2.0 * stroke_m / 60.0,
        effective_area_m2=mean_effective_area_m2,
        sound_speed_m_per_s=sound_speed_m_per_s,
    )
    _not_negative(speed_rpm=speed_rpm)
    index: Num = one_rpm * speed_rpm
    return index


def speed_at_mach_index_rpm(
    index: float, *, mean_effective_area_m2: float, bore_m: float, stroke_m: float, sound_speed_m_per_s: float
) -> float:
    """Engine speed (rpm) at which the mean inlet Mach index reaches `index`. See `mean_inlet_mach_index`."""
    _positive(index=index)
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


# ------------------------------------------------------------------------------------------ overlap and idle


class OverlapIntegrals(NamedTuple):
    """Lift integrals over the overlap (m rad of crank): intake up to equal lift, exhaust from there on."""

    intake_m_rad: float
    exhaust_m_rad: float


def overlap_integrals_m_rad(crank_rad: Array, *, intake_lift_m: Array, exhaust_lift_m: Array) -> OverlapIntegrals:
    """Integrate the lesser valve lift over the overlap (m rad), split where the two lifts are equal.

    A_i = integral of the intake lift from IVO to equal lift, A_e = integral of the exhaust lift from equal
    lift to EVC. Lifts are straight between grid points, and the crossing inside a step is found exactly.
    Both are zero without overlap. Use valve lift net of lash. Source: Fox, Cheng and Heywood, SAE 931025
    (definition from memory). Raises OutOfRange for angles that do not rise or negative lifts.
    """
    angle = np.asarray(crank_rad, dtype=float)
    intake, exhaust = np.asarray(intake_lift_m, dtype=float), np.asarray(exhaust_lift_m, dtype=float)
    if angle.ndim != 1 or angle.size < 2 or angle.shape != intake.shape or angle.shape != exhaust.shape:
        raise OutOfRange("crank_rad and both lifts must be arrays of one length.")
    if np.any(np.diff(angle) <= 0.0):
        raise OutOfRange("crank_rad must rise from point to point.")
    _not_negative(intake_lift_m=intake, exhaust_lift_m=exhaust)
    difference = intake - exhaust
    crossing = np.nonzero(difference[:-1] * difference[1:] < 0.0)[0]
    share = difference[crossing] / (difference[crossing] - difference[crossing + 1])
    where = angle[crossing] + share * (angle[crossing + 1] - angle[crossing])
    height = intake[crossing] + share * (intake[crossing + 1] - intake[crossing])
    angle = np.insert(angle, crossing + 1, where)
    intake, exhaust = np.insert(intake, crossing + 1, height), np.insert(exhaust, crossing + 1, height)
    step = np.diff(angle)
    lesser = np.minimum(intake, exhaust)
    area = 0.5 * step * (lesser[:-1] + lesser[1:])
    # A piece belongs to the intake where the intake is the smaller opening, judged at its middle.
    intake_rules = intake[:-1] + intake[1:] < exhaust[:-1] + exhaust[1:]
    return OverlapIntegrals(float(np.sum(area[intake_rules])), float(np.sum(area[~intake_rules])))


def overlap_factor_deg_per_m(
    integrals: OverlapIntegrals,
    *,
    intake_valve_diameter_m: float,
    exhaust_valve_diameter_m: float,
    swept_volume_m3: float,
    valves_per_cylinder: int = 1,
) -> float:
    """Overlap factor OF = (D_i A_i + D_e A_e)/V_d in crank degrees per metre, V_d of one cylinder.

    `valves_per_cylinder` counts intake (and exhaust) valves of one cylinder. About 0-1 for road cams, several
    for long ones. Source: Fox, Cheng and Heywood, SAE 931025 (from memory).
    """
    _positive(
        intake_valve_diameter_m=intake_valve_diameter_m,
        exhaust_valve_diameter_m=exhaust_valve_diameter_m,
        swept_volume_m3=swept_volume_m3,
        valves_per_cylinder=valves_per_cylinder,
    )
    _not_negative(integrals=integrals)
    summed = intake_valve_diameter_m * integrals.intake_m_rad + exhaust_valve_diameter_m * integrals.exhaust_m_rad
    return valves_per_cylinder * math.degrees(summed) / swept_volume_m3


def _residual(
    of_deg_per_m: float, rev_per_s: float, pi_pa: float, pe_pa: float, phi: float, compression: float
) -> float:
    ratio = pi_pa / pe_pa
    backflow = 1.266 * of_deg_per_m / rev_per_s * ratio**-0.87 * math.sqrt((pe_pa - pi_pa) * 1e-5)
    return float(backflow + 0.632 * phi * ratio**-0.74 / compression)


def residual_fraction(
    *,
    overlap_factor_deg_per_m: float,
    speed_rpm: float,
    intake_pressure_pa: float,
    exhaust_pressure_pa: float,
    equivalence_ratio: float,
    compression_ratio: float,
) -> float:
    """Residual mass fraction of a spark-ignition engine from overlap backflow and the clearance volume.

    x_r = 1.266 (OF/N) (p_i/p_e)^-0.87 sqrt(|p_e - p_i|) + 0.632 phi (p_i/p_e)^-0.74 / r_c, with OF in deg/m,
    N in rev/s and pressures in bar; phi at most one (rich mixtures count as one). A fit to few engines,
    mostly 1000 rpm and more (range from memory, not seen): low idle speeds and long overlap lie outside it.
    Source: Fox, Cheng and Heywood, SAE 931025 (from memory). Raises OutOfRange when the intake pressure
    exceeds the exhaust one, phi exceeds one, or the result reaches 1, where the fit means nothing.

    >>> round(residual_fraction(overlap_factor_deg_per_m=0.8, speed_rpm=1500, intake_pressure_pa=0.5e5,
    ...     exhaust_pressure_pa=1.0e5, equivalence_ratio=1.0, compression_ratio=10.0), 4)
    0.1579
    """
    _not_negative(overlap_factor_deg_per_m=overlap_factor_deg_per_m)
    _positive(
        speed_rpm=speed_rpm,
        intake_pressure_pa=intake_pressure_pa,
        exhaust_pressure_pa=exhaust_pressure_pa,
        equivalence_ratio=equivalence_ratio,
    )
    if intake_pressure_pa > exhaust_pressure_pa:
        raise OutOfRange(
            f"intake_pressure_pa ({intake_pressure_pa:g}) exceeds exhaust_pressure_pa "
            f"({exhaust_pressure_pa:g}); the correlation describes backflow, not scavenging."
        )
    if equivalence_ratio > 1.0:
        raise OutOfRange(f"equivalence_ratio is {equivalence_ratio}; pass 1 for a rich mixture.")
    if not compression_ratio > 1.0:
        raise OutOfRange(f"compression_ratio is {compression_ratio}; it must exceed 1.")
    fraction = _residual(
        overlap_factor_deg_per_m,
        speed_rpm / 60.0,
        intake_pressure_pa,
        exhaust_pressure_pa,
        equivalence_ratio,
        compression_ratio,
    )
    if fraction >= 1.0:
        raise OutOfRange(
            f"The residual correlation gives {fraction:.2f}, which no cylinder can hold; the overlap "
            f"is too large for {speed_rpm:g} rpm at this intake pressure."
        )
    return fraction


class IdleVacuum(NamedTuple):
    """Idle vacuum band (Pa below ambient) and the nominal state behind it.

    `vacuum_pa.low` is zero when the least favourable corner does not idle at all; `idles_at_worst` says so.
    """

    vacuum_pa: Band
    manifold_pressure_pa: float
    residual_fraction: float
    idles_at_worst: bool


def idle_vacuum(
    *,
    speed_rpm: float,
    overlap_factor_deg_per_m: float,
    swept_volume_m3: float,
    trapped_volume_m3: float,
    compression_ratio: float,
    friction_mep_pa: float,
    accessory_mep_pa: Band,
    indicated_efficiency: Band,
    fuel_heating_value_j_per_kg: float,
    air_fuel_ratio: float,
    ambient_pressure_pa: float,
    exhaust_pressure_pa: float,
    fresh_temperature_k: float = 330.0,
    residual_temperature_k: float = 900.0,
    friction_spread: float = 0.20,
    equivalence_ratio: float = 1.0,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> IdleVacuum:
    """Idle manifold vacuum as a band, from the balance of work at the crank of an unloaded engine.

    Gross indicated mep = friction mep + (p_e - p_i) + accessory mep, where the gross indicated work is
    indicated efficiency x fuel x heating value, the fuel is the fresh charge over (1 + air-fuel ratio), the
    charge fills `trapped_volume_m3` (at the seat closing of the inlet) at p_i, less the residual of
    `residual_fraction`'s correlation, and mixes at constant pressure: T = (1-x) T_fresh + x T_residual.

    Mep values refer to one cylinder's `swept_volume_m3`. Low and high come from the corners of friction
    (+-`friction_spread`), indicated efficiency (gross; about 0.25-0.33 at idle spark, assumed) and
    accessories. Temperatures and spread are assumed defaults. Burn instability is not modelled: a nominal
    `residual_fraction` above about 0.3 (common practice) will hunt or misfire. Source: our own balance; the
    correlation's warning at low speed applies, so trust differences between cams more than the figure.
    Raises NoSolution when no pressure up to ambient idles the nominal case, OutOfRange for bad input.
    """
    _positive(
        speed_rpm=speed_rpm,
        swept_volume_m3=swept_volume_m3,
        trapped_volume_m3=trapped_volume_m3,
        friction_mep_pa=friction_mep_pa,
        indicated_efficiency=indicated_efficiency,
        fuel_heating_value_j_per_kg=fuel_heating_value_j_per_kg,
        air_fuel_ratio=air_fuel_ratio,
        ambient_pressure_pa=ambient_pressure_pa,
        exhaust_pressure_pa=exhaust_pressure_pa,
        fresh_temperature_k=fresh_temperature_k,
        residual_temperature_k=residual_temperature_k,
        equivalence_ratio=equivalence_ratio,
    )
    _not_negative(overlap_factor_deg_per_m=overlap_factor_deg_per_m, accessory_mep_pa=accessory_mep_pa)
    for name, band in (
        ("accessory_mep_pa", accessory_mep_pa),
        ("indicated_efficiency", indicated_efficiency),
    ):
        if not band.low <= band.nominal <= band.high:
            raise OutOfRange(f"{name} is {tuple(band)}; low, nominal and high must rise.")
    if indicated_efficiency.high >= 1.0 or not 0.0 <= friction_spread < 1.0:
        raise OutOfRange("indicated_efficiency must stay below 1, and friction_spread between 0 and 1.")
    if not compression_ratio > 1.0 or equivalence_ratio > 1.0:
        raise OutOfRange("compression_ratio must exceed 1, and equivalence_ratio be 1 for a rich mixture.")
    if exhaust_pressure_pa < ambient_pressure_pa:
        raise OutOfRange("exhaust_pressure_pa is below ambient_pressure_pa; at idle it is ambient or a little above.")

    def residual(pressure_pa: float) -> float:
        return _residual(
            overlap_factor_deg_per_m,
            speed_rpm / 60.0,
            pressure_pa,
            exhaust_pressure_pa,
            equivalence_ratio,
            compression_ratio,
        )

    def surplus_pa(pressure_pa: float, friction_pa: float, efficiency: float, accessory_pa: float) -> float:
        x = residual(pressure_pa)
        # Where the correlation exceeds one there is no fresh charge, hence no work: the balance is just the
        # load.
        fresh = max(1.0 - x, 0.0)
        mixed_k = fresh * fresh_temperature_k + (1.0 - fresh) * residual_temperature_k
        charge_kg = pressure_pa * trapped_volume_m3 / (gas_constant_j_per_kg_k * mixed_k)
        fuel_kg = fresh * charge_kg / (1.0 + air_fuel_ratio)
        gross_pa = efficiency * fuel_kg * fuel_heating_value_j_per_kg / swept_volume_m3
        return float(gross_pa - friction_pa) - (exhaust_pressure_pa - pressure_pa) - accessory_pa

    def pressure(friction_pa: float, efficiency: float, accessory_pa: float) -> float | None:
        """Intake pressure at which the engine just carries itself; the surplus only rises with pressure."""
        load = (friction_pa, efficiency, accessory_pa)
        if surplus_pa(ambient_pressure_pa, *load) < 0.0:
            return None
        return float(brentq(surplus_pa, 1e-3 * ambient_pressure_pa, ambient_pressure_pa, args=load, xtol=1e-3))

    nominal = pressure(friction_mep_pa, indicated_efficiency.nominal, accessory_mep_pa.nominal)
    if nominal is None:
        raise NoSolution(
            f"No manifold pressure below ambient idles this engine at {speed_rpm:g} rpm: raise the "
            "idle speed, or lessen overlap, friction or accessory load."
        )
    best = pressure(friction_mep_pa * (1.0 - friction_spread), indicated_efficiency.high, accessory_mep_pa.low)
    worst = pressure(friction_mep_pa * (1.0 + friction_spread), indicated_efficiency.low, accessory_mep_pa.high)
    if best is None:  # cannot be: the best corner asks for less than the nominal one
        raise NoSolution("The most favourable corner does not idle although the nominal one does.")
    return IdleVacuum(
        vacuum_pa=Band(
            0.0 if worst is None else ambient_pressure_pa - worst,
            ambient_pressure_pa - nominal,
            ambient_pressure_pa - best,
        ),
        manifold_pressure_pa=nominal,
        residual_fraction=residual(nominal),
        idles_at_worst=worst is not None,
    )


def cranking_pressure_gauge_pa(
    *, trapped_compression_ratio: float, polytropic_exponent: float, ambient_pressure_pa: float
) -> float:
    """Compression gauge reading (Pa above ambient) at cranking: p_a (r_trapped^n - 1).

    `trapped_compression_ratio` from the seat closing of the inlet, since at cranking speed flow stops with
    the valve. The exponent is assumed: 1.2-1.3 for a warm engine in good order, throttle open. Leakage, a
    slow starter and the gauge's own volume all lower it. Source: polytropic law. Raises OutOfRange for a
    ratio not above 1 or an exponent outside 1 to 1.4. Disable ignition and fuel before a compression test.

    >>> round(cranking_pressure_gauge_pa(trapped_compression_ratio=8.0, polytropic_exponent=1.25,
    ...     ambient_pressure_pa=101325.0) / 6894.757)
    183
    """
    _positive(ambient_pressure_pa=ambient_pressure_pa)
    if not trapped_compression_ratio > 1.0 or not 1.0 <= polytropic_exponent <= 1.4:
        raise OutOfRange(
            f"The trapped ratio ({trapped_compression_ratio}) must exceed 1 and the exponent "
            f"({polytropic_exponent}) lie between 1 and 1.4."
        )
    return float(ambient_pressure_pa * (trapped_compression_ratio**polytropic_exponent - 1.0))


# ---------------------------------------------------------------------------------------- filling and torque


def volumetric_efficiency(
    air_flow_kg_per_s: float, *, displacement_m3: float, speed_rpm: float, density_kg_per_m3: float
) -> float:
    """Volumetric efficiency of a four-stroke from a measured air flow: m'/(rho V_d N/120).

    Source: definition (Heywood, eq. 2.27, from memory).

    >>> round(volumetric_efficiency(0.1271, displacement_m3=4.066e-3, speed_rpm=3600,
    ...     density_kg_per_m3=1.2255), 2)
    0.85
    """
    _positive(
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
    throttle rich mixture, assumed). `pumping_mep_pa` is positive as a loss. A total fmep fitted to motored
    engines holds some pumping already, so the two together lean low. Source: definition (Heywood, ch. 2,
    from memory).
    """
    _positive(
        reference_density_kg_per_m3=reference_density_kg_per_m3,
        gross_indicated_efficiency=gross_indicated_efficiency,
        fuel_heating_value_j_per_kg=fuel_heating_value_j_per_kg,
        air_fuel_ratio=air_fuel_ratio,
    )
    _not_negative(volumetric_efficiency=volumetric_efficiency, friction_mep_pa=friction_mep_pa)
    gross = gross_indicated_efficiency * reference_density_kg_per_m3 * fuel_heating_value_j_per_kg / air_fuel_ratio
    bmep: Num = gross * volumetric_efficiency - friction_mep_pa - pumping_mep_pa
    return bmep


def torque_n_m(bmep_pa: Num, *, displacement_m3: float) -> Num:
    """Torque (N m) of a four-stroke engine: bmep V_d/(4 pi). Source: Heywood, ch. 2 (from memory).

    >>> round(torque_n_m(1.0e6, displacement_m3=5.733e-3), 1)
    456.2
    """
    _positive(displacement_m3=displacement_m3)
    torque: Num = bmep_pa * displacement_m3 / (4.0 * math.pi)
    return torque


def power_w(torque_n_m: Num, *, speed_rpm: Num) -> Num:
    """Power (W): torque times 2 pi N/60. Source: definition."""
    power: Num = torque_n_m * speed_rpm * (2.0 * math.pi / 60.0)
    return power
