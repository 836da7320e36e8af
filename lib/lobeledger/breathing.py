"""Breathing: what the valves let through, what the cylinder keeps, how the engine idles and pulls.

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
What does the cylinder trap?               `evo_state`, `fill_and_empty`, `volumetric_efficiency`
What torque is left at the crank?          `bmep_pa`, `torque_n_m`, `power_w`

Crank angles are radians; in `fill_and_empty` zero is the firing top dead centre, so the overlap TDC is 2 pi.
Lifts are valve lifts, net of lash. Everything here is still air: no pipe waves, hence no ram and no tuning.
Use it to rank candidates and for differences with a band, never as a dynamometer figure.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from lobeledger.engine import clearance_volume_m3, cylinder_volume_m3, swept_volume_m3
from lobeledger.errors import NoSolution, OutOfRange

__all__ = [
    "ASSUMED_BURN",
    "FLOW_BENCH_28_INH2O_PA",
    "GAS_CONSTANT_J_PER_KG_K",
    "PUBLISHED_KNEE",
    "Band",
    "BurnEstimate",
    "EvoState",
    "FillResult",
    "IdleVacuum",
    "OverlapIntegrals",
    "bmep_pa",
    "choked_pressure_ratio",
    "cranking_pressure_gauge_pa",
    "curtain_area_m2",
    "discharge_coefficient",
    "effective_area_m2",
    "evo_state",
    "fill_and_empty",
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
            f"stem_diameter_m is {stem_diameter_m:g}; it must be less than the throat "
            f"({throat_diameter_m:g} m)."
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
    if (
        ratio.ndim != 1
        or ratio.shape != coefficient.shape
        or ratio.size == 0
        or np.any(np.diff(ratio) <= 0.0)
    ):
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
        raise OutOfRange(
            f"pressure_ratio is {pressure_ratio}; downstream over upstream lies between 0 and 1."
        )
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
        raise OutOfRange(
            "The downstream pressure exceeds the upstream one; swap them and change the sign of the flow."
        )
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


def overlap_integrals_m_rad(
    crank_rad: Array, *, intake_lift_m: Array, exhaust_lift_m: Array
) -> OverlapIntegrals:
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
    summed = (
        intake_valve_diameter_m * integrals.intake_m_rad + exhaust_valve_diameter_m * integrals.exhaust_m_rad
    )
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
        raise OutOfRange(
            "exhaust_pressure_pa is below ambient_pressure_pa; at idle it is ambient or a little above."
        )

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
        return float(
            brentq(surplus_pa, 1e-3 * ambient_pressure_pa, ambient_pressure_pa, args=load, xtol=1e-3)
        )

    nominal = pressure(friction_mep_pa, indicated_efficiency.nominal, accessory_mep_pa.nominal)
    if nominal is None:
        raise NoSolution(
            f"No manifold pressure below ambient idles this engine at {speed_rpm:g} rpm: raise the "
            "idle speed, or lessen overlap, friction or accessory load."
        )
    best = pressure(
        friction_mep_pa * (1.0 - friction_spread), indicated_efficiency.high, accessory_mep_pa.low
    )
    worst = pressure(
        friction_mep_pa * (1.0 + friction_spread), indicated_efficiency.low, accessory_mep_pa.high
    )
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


# -------------------------------------------------------------------------------- filling and emptying model


class BurnEstimate(NamedTuple):
    """What the closed part of the cycle is assumed to do between inlet closing and exhaust opening.

    All assumed. `lost_fraction` lumps wall heat, dissociation and the rise of specific heat, which the
    constant ratio of specific heats leaves out; with these values full throttle opens the exhaust near 4
    bar, 1500 K.
    """

    air_fuel_ratio: float = 13.0
    fuel_heating_value_j_per_kg: float = 44.0e6
    combustion_efficiency: float = 0.92
    lost_fraction: float = 0.30
    compression_exponent: float = 1.32
    expansion_exponent: float = 1.30


ASSUMED_BURN = BurnEstimate()
"""`BurnEstimate` with its assumed values."""


class EvoState(NamedTuple):
    """Cylinder state as the exhaust valve opens."""

    pressure_pa: float
    temperature_k: float


class FillResult(NamedTuple):
    """One array entry a speed. Balances are relative leftovers of the last cycle and about 1e-12."""

    speed_rpm: Array
    volumetric_efficiency: Array
    residual_fraction: Array
    pumping_mep_pa: Array
    trapped_pressure_pa: Array
    trapped_temperature_k: Array
    fresh_kg: Array
    drawn_kg: Array
    lost_to_exhaust_kg: Array
    evo_pressure_pa: Array
    evo_temperature_k: Array
    exhaust_temperature_k: Array
    mass_imbalance: Array
    energy_imbalance: Array
    cycles: NDArray[np.int64]


# Positions in the state vector of the cylinder and of the running totals (fixed; numba reads them as
# constants).
_MASS, _ENERGY, _BURNED = 0, 1, 2
_STORE_MASS, _STORE_ENTHALPY, _STORE_BURNED = 3, 4, 5
_WORK, _DRAWN, _OUT, _OUT_ENTHALPY, _OUT_BURNED, _IN, _COOLED = 6, 7, 8, 9, 10, 11, 12
_STATES = 13

_SMOOTH = 2e-3  # pressure deficit below which the orifice law is smoothed, relative; see _psi
_TOLERANCE = 3e-5  # local error a step, relative to the state
_LONGEST_STEP = 0.12  # rad of crank
_SHORTEST_STEP = 1e-8  # rad of crank
_MOST_CYCLES = 60
_MOST_STEPS = 200_000  # a stroke; far beyond need, so that bad input ends instead of hanging


@njit(cache=True, nogil=True, error_model="numpy")
def _psi(ratio: float, gamma: float) -> float:
    """`flow_function` with its infinite slope at equal pressures replaced by a parabola in the last 0.2 %.

    There the quasi-steady law says that an endless rate of change follows a vanishing pressure difference,
    which no explicit step survives. Value and slope agree to about 0.1 % where the parabola begins.
    Results move by 0.02 % against a smoothing forty times narrower.
    """
    deficit = 1.0 - ratio
    if deficit < _SMOOTH:
        s = deficit / _SMOOTH
        return math.sqrt(2.0 * _SMOOTH) * s * (1.5 - 0.5 * s)
    power = ratio ** (1.0 / gamma)
    temperature_ratio = ratio / power
    if temperature_ratio <= 2.0 / (gamma + 1.0):
        return float(math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (2.0 * (gamma - 1.0))))
    return float(power * math.sqrt(2.0 * gamma / (gamma - 1.0) * (1.0 - temperature_ratio)))


@njit(cache=True, nogil=True, error_model="numpy")
def _rates(
    theta: float,
    y: Array,
    dy: Array,
    donor_h: float,
    donor_x: float,
    from_store: bool,
    omega: float,
    grid: tuple[float, float],
    areas: tuple[Array, Array],
    shape: tuple[float, ...],
    gas: tuple[float, ...],
    ports: tuple[float, ...],
) -> None:
    """Rates of change of the state with crank angle."""
    first, step = grid
    intake_area, exhaust_area = areas
    crank_radius, rod, clearance, piston_area = shape
    r_gas, cv_fresh, cv_burned = gas
    p_i, t_fresh, p_e, t_e, x_e, cooling = ports

    sine, cosine = math.sin(theta), math.cos(theta)
    root = math.sqrt(rod * rod - (crank_radius * sine) ** 2)
    volume = clearance + piston_area * (crank_radius * (1.0 - cosine) + rod - root)
    dvolume = piston_area * crank_radius * sine * (1.0 + crank_radius * cosine / root)

    mass = y[_MASS]
    x = y[_BURNED] / mass
    cv = cv_fresh + (cv_burned - cv_fresh) * x
    temperature = y[_ENERGY] / (mass * cv)
    pressure = mass * r_gas * temperature / volume

    place = (theta - first) / step
    cell = min(max(int(place), 0), intake_area.size - 2)
    share = place - cell
    a_i = intake_area[cell] + share * (intake_area[cell + 1] - intake_area[cell])
    a_e = exhaust_area[cell] + share * (exhaust_area[cell + 1] - exhaust_area[cell])

    for k in range(_STATES):
        dy[k] = 0.0

    flow_i = 0.0
    h_i = 0.0
    x_i = 0.0
    if a_i > 0.0:
        if pressure <= p_i:
            h_i, x_i = donor_h, donor_x
            cv_i = cv_fresh + (cv_burned - cv_fresh) * x_i
            t_up = h_i / (cv_i + r_gas)
            flow_i = a_i * p_i / math.sqrt(r_gas * t_up) * _psi(pressure / p_i, 1.0 + r_gas / cv_i) / omega
        else:
            h_i, x_i = (cv + r_gas) * temperature, x
            flow_i = (
                -a_i
                * pressure
                / math.sqrt(r_gas * temperature)
                * _psi(p_i / pressure, 1.0 + r_gas / cv)
                / omega
            )
        if flow_i < 0.0 or from_store:
            cooled = 0.0
            if flow_i < 0.0:
                cooled = cooling * (cv + r_gas) * (temperature - t_fresh)
            dy[_STORE_MASS] = -flow_i
            dy[_STORE_ENTHALPY] = -flow_i * (h_i - cooled)
            dy[_COOLED] = -flow_i * cooled
            dy[_STORE_BURNED] = -flow_i * x_i
        else:
            dy[_DRAWN] = flow_i

    flow_e = 0.0
    h_e = 0.0
    x_out = 0.0
    if a_e > 0.0:
        if pressure < p_e:
            cv_e = cv_fresh + (cv_burned - cv_fresh) * x_e
            h_e, x_out = (cv_e + r_gas) * t_e, x_e
            flow_e = a_e * p_e / math.sqrt(r_gas * t_e) * _psi(pressure / p_e, 1.0 + r_gas / cv_e) / omega
            dy[_IN] = flow_e
        else:
            h_e, x_out = (cv + r_gas) * temperature, x
            flow_e = (
                -a_e
                * pressure
                / math.sqrt(r_gas * temperature)
                * _psi(p_e / pressure, 1.0 + r_gas / cv)
                / omega
            )
            dy[_OUT] = -flow_e
            dy[_OUT_ENTHALPY] = -flow_e * h_e
            dy[_OUT_BURNED] = -flow_e * x_out

    dy[_MASS] = flow_i + flow_e
    dy[_ENERGY] = flow_i * h_i + flow_e * h_e - pressure * dvolume
    dy[_BURNED] = flow_i * x_i + flow_e * x_out
    dy[_WORK] = pressure * dvolume


@njit(cache=True, nogil=True, error_model="numpy")
def _advance(
    theta: float,
    end: float,
    y: Array,
    omega: float,
    grid: tuple[float, float],
    areas: tuple[Array, Array],
    shape: tuple[float, ...],
    gas: tuple[float, ...],
    ports: tuple[float, ...],
    tolerance: float,
) -> None:
    """Carry the state from one crank angle to another by the 3(2) pair of Bogacki and Shampine."""
    r_gas, cv_fresh, _ = gas
    k1, k2 = np.empty(_STATES), np.empty(_STATES)
    k3, k4 = np.empty(_STATES), np.empty(_STATES)
    trial, after = np.empty(_STATES), np.empty(_STATES)
    h = min(0.01, end - theta)
    h_next = h
    had_store = False
    fresh_rates = True
    donor_h, donor_x = (cv_fresh + r_gas) * ports[1], 0.0
    steps = 0
    while theta < end:
        steps += 1
        if steps > _MOST_STEPS:
            y[_MASS] = math.nan
            return
        empty = 1e-7 * y[_MASS]
        from_store = y[_STORE_MASS] > empty
        if from_store:
            # Well mixed, so draining it does not change what it is made of: constant within a step.
            donor_x = y[_STORE_BURNED] / y[_STORE_MASS]
            donor_h = y[_STORE_ENTHALPY] / y[_STORE_MASS]
        else:
            donor_h, donor_x = (cv_fresh + r_gas) * ports[1], 0.0
        if from_store != had_store:
            fresh_rates = True
            had_store = from_store
        if fresh_rates:
            _rates(theta, y, k1, donor_h, donor_x, from_store, omega, grid, areas, shape, gas, ports)
            fresh_rates = False
        h = min(h_next, _LONGEST_STEP, end - theta)
        last = h >= end - theta
        for k in range(_STATES):
            trial[k] = y[k] + 0.5 * h * k1[k]
        _rates(
            theta + 0.5 * h, trial, k2, donor_h, donor_x, from_store, omega, grid, areas, shape, gas, ports
        )
        for k in range(_STATES):
            trial[k] = y[k] + 0.75 * h * k2[k]
        _rates(
            theta + 0.75 * h, trial, k3, donor_h, donor_x, from_store, omega, grid, areas, shape, gas, ports
        )
        for k in range(_STATES):
            after[k] = y[k] + h * (2.0 * k1[k] + 3.0 * k2[k] + 4.0 * k3[k]) / 9.0
        _rates(theta + h, after, k4, donor_h, donor_x, from_store, omega, grid, areas, shape, gas, ports)
        error = 0.0
        for k in range(3):
            e = h * abs(-5.0 / 72.0 * k1[k] + k2[k] / 12.0 + k3[k] / 9.0 - 0.125 * k4[k])
            scale = y[_MASS] if k == _BURNED else y[k]
            error = max(error, e / scale)
        error /= tolerance
        bad = not (error < 1e30) or after[_MASS] <= 0.0 or after[_ENERGY] <= 0.0
        if (bad or error > 1.0) and h > _SHORTEST_STEP:
            h_next = 0.2 * h if bad else h * max(0.2, 0.9 * error ** (-1.0 / 3.0))
            continue
        if bad:
            y[_MASS] = math.nan
            return
        if from_store and after[_STORE_MASS] < 0.0 and h > _SHORTEST_STEP:
            # The store ran dry inside the step: shorten the step to end just there.
            used = y[_STORE_MASS] / (y[_STORE_MASS] - after[_STORE_MASS])
            h_next = max(_SHORTEST_STEP, min(used, 0.999) * h)
            continue
        theta = end if last else theta + h
        for k in range(_STATES):
            y[k] = after[k]
            k1[k] = k4[k]
        h_next = h * min(4.0, 0.9 * max(error, 1e-6) ** (-1.0 / 3.0))


@njit(cache=True, nogil=True, error_model="numpy")
def _volume_at(
    theta: float,
    shape: tuple[float, ...],
) -> float:
    crank_radius, rod, clearance, piston_area = shape
    root = math.sqrt(rod * rod - (crank_radius * math.sin(theta)) ** 2)
    return clearance + piston_area * (crank_radius * (1.0 - math.cos(theta)) + rod - root)


@njit(cache=True, nogil=True, error_model="numpy")
def _evo(
    mass: float,
    x: float,
    t_ivc: float,
    v_ivc: float,
    v_clearance: float,
    v_evo: float,
    r_gas: float,
    cv_burned: float,
    burn: tuple[float, ...],
) -> float:
    """Temperature at exhaust opening: polytropic compression, heat at TDC, polytropic expansion."""
    afr, heating_value, efficiency, lost, n_compression, n_expansion = burn
    t_2 = t_ivc * (v_ivc / v_clearance) ** (n_compression - 1.0)
    t_3 = t_2 + (1.0 - x) / afr * heating_value * efficiency * (1.0 - lost) / cv_burned
    return float(t_3 * (v_clearance / v_evo) ** (n_expansion - 1.0))


@njit(cache=True, nogil=True, error_model="numpy")
def _fill_speeds(
    speeds: Array,
    p_intake: Array,
    t_intake: float,
    p_exhaust: Array,
    grid: tuple[float, float],
    areas: tuple[Array, Array],
    window: tuple[float, float],
    shape: tuple[float, ...],
    gas: tuple[float, ...],
    burn: tuple[float, ...],
    given: tuple[float, float],
    rho_swept: float,
    cooling: float,
    out: Array,
    tolerance: float,
) -> int:
    """Cycle each speed until it repeats; each starts from the one before. Returns the failed index or -1."""
    r_gas, cv_fresh, cv_burned = gas
    theta_evo, theta_ivc = window
    p_given, t_given = given
    piston_area, crank_radius = shape[3], shape[0]
    swept = piston_area * 2.0 * crank_radius
    v_evo, v_ivc = _volume_at(theta_evo, shape), _volume_at(theta_ivc, shape)
    y = np.zeros(_STATES)
    store_mass = 0.0
    store_enthalpy = 0.0
    store_burned = 0.0
    x_trapped = 0.05
    m_trapped = p_intake[0] * v_ivc / (r_gas * (t_intake + 30.0))
    t_trapped = t_intake + 30.0
    t_exhaust = 1000.0
    x_exhaust = 1.0
    for i in range(speeds.size):
        omega = speeds[i] * 2.0 * math.pi / 60.0
        settled = False
        cycle = 0
        while cycle < _MOST_CYCLES and not settled:
            cycle += 1
            if p_given > 0.0:
                t_evo = t_given
                m_evo = p_given * v_evo / (r_gas * t_evo)
            else:
                m_evo = m_trapped
                t_evo = _evo(m_evo, x_trapped, t_trapped, v_ivc, shape[2], v_evo, r_gas, cv_burned, burn)
            for k in range(_STATES):
                y[k] = 0.0
            y[_MASS], y[_ENERGY], y[_BURNED] = m_evo, m_evo * cv_burned * t_evo, m_evo
            y[_STORE_MASS], y[_STORE_ENTHALPY], y[_STORE_BURNED] = store_mass, store_enthalpy, store_burned
            ports = (p_intake[i], t_intake, p_exhaust[i], t_exhaust, x_exhaust, cooling)
            _advance(theta_evo, math.pi, y, omega, grid, areas, shape, gas, ports, tolerance)
            work_blowdown = y[_WORK]
            _advance(math.pi, 3.0 * math.pi, y, omega, grid, areas, shape, gas, ports, tolerance)
            pumping = work_blowdown - y[_WORK]
            _advance(3.0 * math.pi, theta_ivc, y, omega, grid, areas, shape, gas, ports, tolerance)

            if not y[_MASS] > 0.0:
                return i
            x = y[_BURNED] / y[_MASS]
            cv = cv_fresh + (cv_burned - cv_fresh) * x
            t = y[_ENERGY] / (y[_MASS] * cv)
            cv_e_in = cv_fresh + (cv_burned - cv_fresh) * x_exhaust
            x_new, t_new = x_exhaust, t_exhaust  # of the exhaust that has left
            if y[_OUT] > 0.0:
                x_new = min(y[_OUT_BURNED] / y[_OUT], 1.0)
                t_new = y[_OUT_ENTHALPY] / (y[_OUT] * (cv_fresh + (cv_burned - cv_fresh) * x_new + r_gas))
            scale = m_trapped
            change = max(
                abs(y[_MASS] - m_trapped) / scale,
                abs(x - x_trapped),
                abs(t - t_trapped) / t_trapped,
                abs(y[_STORE_MASS] - store_mass) / scale,
            )
            t_back = t_new - cooling * (t_new - t_intake)
            change = max(change, 0.05 * abs(t_back - t_exhaust) / t_exhaust)

            lost_fresh = (y[_OUT] - y[_OUT_BURNED]) - y[_IN] * (1.0 - x_exhaust)
            mass_off = (y[_MASS] - m_evo) - (y[_DRAWN] + y[_IN] - y[_OUT] - (y[_STORE_MASS] - store_mass))
            energy_off = (y[_ENERGY] - m_evo * cv_burned * t_evo) - (
                y[_DRAWN] * (cv_fresh + r_gas) * t_intake
                + y[_IN] * (cv_e_in + r_gas) * t_exhaust
                - y[_OUT_ENTHALPY]
                - (y[_STORE_ENTHALPY] - store_enthalpy)
                - y[_COOLED]
                - y[_WORK]
            )
            out[0, i] = (y[_MASS] - y[_BURNED]) / rho_swept
            out[1, i] = x
            out[2, i] = pumping / swept
            out[3, i] = y[_MASS] * r_gas * t / v_ivc
            out[4, i] = t
            out[5, i] = y[_MASS] - y[_BURNED]
            out[6, i] = y[_DRAWN]
            out[7, i] = lost_fresh
            out[8, i] = m_evo * r_gas * t_evo / v_evo
            out[9, i] = t_evo
            out[10, i] = t_new
            out[11, i] = mass_off / y[_MASS]
            out[12, i] = energy_off / y[_ENERGY]
            out[13, i] = cycle

            m_trapped, x_trapped, t_trapped = y[_MASS], x, t
            store_mass, store_enthalpy, store_burned = y[_STORE_MASS], y[_STORE_ENTHALPY], y[_STORE_BURNED]
            t_exhaust, x_exhaust = t_back, x_new
            settled = change < 1e-4
        if not settled:
            return i
    return -1


def evo_state(
    *,
    trapped_kg: float,
    residual_fraction: float,
    trapped_temperature_k: float,
    volume_at_ivc_m3: float,
    clearance_volume_m3: float,
    volume_at_evo_m3: float,
    burn: BurnEstimate = ASSUMED_BURN,
    gamma_burned: float = 1.30,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> EvoState:
    """Pressure and temperature as the exhaust opens, by a plain energy estimate of the closed cycle.

    Polytropic compression from inlet closing to the clearance volume, all heat added there at constant
    volume (fuel of the fresh charge x heating value x efficiency x (1 - lost)), polytropic expansion to
    exhaust opening. The mass of the fuel itself (about 7 %) is left out. It feeds blowdown and residual,
    which depend on it weakly; it is no combustion model. Source: fuel-air cycle reasoning, Heywood, ch. 5;
    constants assumed.
    """
    _positive(
        trapped_kg=trapped_kg,
        trapped_temperature_k=trapped_temperature_k,
        volume_at_ivc_m3=volume_at_ivc_m3,
        clearance_volume_m3=clearance_volume_m3,
        volume_at_evo_m3=volume_at_evo_m3,
    )
    _gamma(gamma_burned=gamma_burned)
    _check_burn(burn)
    if not 0.0 <= residual_fraction <= 1.0:
        raise OutOfRange(f"residual_fraction is {residual_fraction}; it lies between 0 and 1.")
    temperature = _evo(
        trapped_kg,
        residual_fraction,
        trapped_temperature_k,
        volume_at_ivc_m3,
        clearance_volume_m3,
        volume_at_evo_m3,
        gas_constant_j_per_kg_k,
        gas_constant_j_per_kg_k / (gamma_burned - 1.0),
        tuple(float(v) for v in burn),
    )
    return EvoState(trapped_kg * gas_constant_j_per_kg_k * temperature / volume_at_evo_m3, float(temperature))


def _check_burn(burn: BurnEstimate) -> None:
    _positive(air_fuel_ratio=burn.air_fuel_ratio)
    _not_negative(fuel_heating_value_j_per_kg=burn.fuel_heating_value_j_per_kg)
    for name in ("combustion_efficiency", "lost_fraction"):
        if not 0.0 <= getattr(burn, name) <= 1.0:
            raise OutOfRange(f"{name} is {getattr(burn, name)}; it lies between 0 and 1.")
    for name in ("compression_exponent", "expansion_exponent"):
        if not 1.0 <= getattr(burn, name) <= 1.67:
            raise OutOfRange(
                f"{name} is {getattr(burn, name)}; a polytropic exponent lies between 1 and 1.67."
            )


def _event_window(angle: Array, intake: Array, exhaust: Array) -> tuple[float, float, float]:
    """Grid step, exhaust opening and intake closing (rad), after checking that the model can handle them."""
    if angle.ndim != 1 or angle.size < 20 or angle.shape != intake.shape or angle.shape != exhaust.shape:
        raise OutOfRange(
            "crank_rad and both effective areas must be arrays of one length, 20 points or more."
        )
    step = (angle[-1] - angle[0]) / (angle.size - 1)
    if not step > 0.0 or np.max(np.abs(np.diff(angle) - step)) > 1e-6 * step + 1e-12:
        raise OutOfRange("crank_rad must rise in equal steps.")
    _not_negative(intake_effective_area_m2=intake, exhaust_effective_area_m2=exhaust)
    open_i, open_e = np.nonzero(intake)[0], np.nonzero(exhaust)[0]
    if open_i.size == 0 or open_e.size == 0:
        raise OutOfRange("A valve never opens: its effective area is zero throughout.")
    if min(open_e[0], open_i[0]) == 0 or max(open_i[-1], open_e[-1]) == angle.size - 1:
        raise OutOfRange(
            "The grid must start before the first valve opens and end after the last has closed."
        )
    evo, ivc = float(angle[open_e[0] - 1]), float(angle[open_i[-1] + 1])
    if open_i[0] < open_e[0] or open_e[-1] > open_i[-1]:
        raise OutOfRange(
            "The exhaust must open and close before the intake does, counted from the firing TDC."
        )
    if not 0.0 < evo <= math.pi + 1e-9 or not 3.0 * math.pi - 1e-9 <= ivc < 4.0 * math.pi:
        raise OutOfRange(
            f"The exhaust opens at {math.degrees(evo):.0f} and the intake closes at "
            f"{math.degrees(ivc):.0f} crank degrees after the firing TDC; the model needs them from "
            "0 to 180 and from 540 to 720."
        )
    return float(step), min(evo, math.pi), max(ivc, 3.0 * math.pi)


def fill_and_empty(
    speed_rpm: ArrayLike,
    *,
    crank_rad: ArrayLike,
    intake_effective_area_m2: ArrayLike,
    exhaust_effective_area_m2: ArrayLike,
    bore_m: float,
    stroke_m: float,
    rod_length_m: float,
    compression_ratio: float,
    intake_pressure_pa: ArrayLike,
    intake_temperature_k: float,
    exhaust_pressure_pa: ArrayLike,
    reference_pressure_pa: float,
    reference_temperature_k: float,
    charge_heating_k: float = 25.0,
    port_cooling_fraction: float = 0.5,
    burn: BurnEstimate = ASSUMED_BURN,
    evo_given: EvoState | None = None,
    gamma_fresh: float = 1.38,
    gamma_burned: float = 1.30,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> FillResult:
    """Gas exchange of one cylinder at each speed: volumetric efficiency, residual, pumping, trapped state.

    One well-mixed zone between an intake and an exhaust of constant pressure and still air. Mass, energy and
    burned mass are followed from exhaust opening to inlet closing through quasi-steady compressible flow in
    whichever direction pressure drives it, carrying stagnation enthalpy. Gas pushed back into the intake
    port is kept (well mixed) and drawn in again first, next cycle if need be; gas sucked back from the
    exhaust has the mean composition of what went out. Either has lost `port_cooling_fraction` of its
    temperature excess over the fresh gas to the port walls (assumed 0.5): without that, hot gas handed to
    and fro heats a throttled engine with overlap without end. The cycle repeats until it settles to 1e-4.

    Arguments: `crank_rad` in equal steps (1 to 2 degrees serve), zero at the firing TDC, starting before
    exhaust opening and ending after inlet closing; effective areas of all valves of one cylinder on it, from
    the seat, straight between points. Pressures may be one figure or one a speed, since loss in the air
    cleaner and back pressure in the pipe grow with flow. `charge_heating_k` warms fresh gas at once on its
    way in (port, valve and wall heat together; assumed 25 K). `evo_given` fixes the state at exhaust
    opening; otherwise `evo_state` estimates it each cycle from what was trapped, with the assumptions in
    `burn`. Volumetric efficiency is fresh gas in the cylinder at inlet closing over reference density x
    swept volume.

    What is missing: pipe waves and ram (real engines gain about 5-15 % near their tuned speeds and lose
    elsewhere), wall heat during the exchange, fuel vapour (displaces about 2 % of the air), change of
    specific heat with temperature, charge stratification in overlap. Valid 300 to 10000 rpm. Source:
    filling-and-emptying method, Heywood, ch. 14 and app. C (from memory); step: Bogacki and Shampine, *Appl.
    Math. Lett.* 2 (1989) 321. Raises OutOfRange for input outside the above, NoSolution when the cycle does
    not settle.
    """
    speeds = np.atleast_1d(np.asarray(speed_rpm, dtype=float))
    if speeds.ndim != 1 or not (np.all(speeds >= 300.0) and np.all(speeds <= 10000.0)):
        raise OutOfRange(f"speed_rpm is {speeds}; the model holds from 300 to 10000 rpm.")
    _positive(
        intake_pressure_pa=intake_pressure_pa,
        exhaust_pressure_pa=exhaust_pressure_pa,
        intake_temperature_k=intake_temperature_k,
        reference_pressure_pa=reference_pressure_pa,
        reference_temperature_k=reference_temperature_k,
        gas_constant_j_per_kg_k=gas_constant_j_per_kg_k,
    )
    _gamma(gamma_fresh=gamma_fresh, gamma_burned=gamma_burned)
    _check_burn(burn)
    if not -50.0 <= charge_heating_k <= 150.0:
        raise OutOfRange(
            f"charge_heating_k is {charge_heating_k}; a believable figure lies between -50 and 150 K."
        )
    if not 0.0 <= port_cooling_fraction <= 1.0:
        raise OutOfRange(f"port_cooling_fraction is {port_cooling_fraction}; it lies between 0 and 1.")
    try:
        p_intake = np.broadcast_to(np.asarray(intake_pressure_pa, dtype=float), speeds.shape).copy()
        p_exhaust = np.broadcast_to(np.asarray(exhaust_pressure_pa, dtype=float), speeds.shape).copy()
    except ValueError:
        raise OutOfRange("Intake and exhaust pressure must be one figure or one for each speed.") from None
    swept = swept_volume_m3(bore_m=bore_m, stroke_m=stroke_m)
    clearance = clearance_volume_m3(swept_volume_m3=swept, compression_ratio=compression_ratio)
    # Called for its checks of the geometry.
    cylinder_volume_m3(
        0.0, bore_m=bore_m, stroke_m=stroke_m, rod_length_m=rod_length_m, compression_ratio=compression_ratio
    )
    angle = np.ascontiguousarray(crank_rad, dtype=float)
    intake = np.ascontiguousarray(intake_effective_area_m2, dtype=float)
    exhaust = np.ascontiguousarray(exhaust_effective_area_m2, dtype=float)
    step, evo, ivc = _event_window(angle, intake, exhaust)
    if evo_given is not None:
        _positive(evo_given=tuple(evo_given))
    out = np.zeros((14, speeds.size))
    failed = _fill_speeds(
        speeds,
        p_intake,
        float(intake_temperature_k + charge_heating_k),
        p_exhaust,
        (float(angle[0]), step),
        (intake, exhaust),
        (evo, ivc),
        (stroke_m / 2.0, float(rod_length_m), clearance, swept / stroke_m),
        (
            gas_constant_j_per_kg_k,
            gas_constant_j_per_kg_k / (gamma_fresh - 1.0),
            gas_constant_j_per_kg_k / (gamma_burned - 1.0),
        ),
        tuple(float(v) for v in burn),
        (0.0, 0.0) if evo_given is None else (float(evo_given.pressure_pa), float(evo_given.temperature_k)),
        reference_pressure_pa / (gas_constant_j_per_kg_k * reference_temperature_k) * swept,
        float(port_cooling_fraction),
        out,
        _TOLERANCE,
    )
    if failed >= 0:
        raise NoSolution(
            f"The gas exchange does not settle within {_MOST_CYCLES} cycles at {speeds[failed]:g} rpm: "
            "the cylinder draws back too much exhaust to fire steadily; lessen overlap or back pressure, or "
            "raise intake pressure, exhaust area or speed."
        )
    return FillResult._make([speeds, *out[:13], out[13].astype(np.int64)])


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


# --------------------------------------------------------------------------------------------------- torque


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
    gross = (
        gross_indicated_efficiency
        * reference_density_kg_per_m3
        * fuel_heating_value_j_per_kg
        / air_fuel_ratio
    )
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
