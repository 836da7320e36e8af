"""Overlap, residual gas, idle vacuum, cranking pressure.

How much do the valves overlap?       `overlap_integrals_m_rad`, `overlap_factor_deg_per_m`
How much burned gas stays?            `residual_fraction`
What does the gauge read at idle?     `idle_vacuum` -> `IdleVacuum`
What does it pump while cranking?     `cranking_pressure_gauge_pa`
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Array
from lobeledger.engine.breathing import Band
from lobeledger.engine.ports import GAS_CONSTANT_J_PER_KG_K
from lobeledger.errors import NoSolution, OutOfRange

__all__ = [
    "IdleVacuum",
    "OverlapIntegrals",
    "cranking_pressure_gauge_pa",
    "idle_vacuum",
    "overlap_factor_deg_per_m",
    "overlap_integrals_m_rad",
    "residual_fraction",
]


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
    not_negative(intake_lift_m=intake, exhaust_lift_m=exhaust)
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
    positive(
        intake_valve_diameter_m=intake_valve_diameter_m,
        exhaust_valve_diameter_m=exhaust_valve_diameter_m,
        swept_volume_m3=swept_volume_m3,
        valves_per_cylinder=valves_per_cylinder,
    )
    not_negative(integrals=integrals)
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
    not_negative(overlap_factor_deg_per_m=overlap_factor_deg_per_m)
    positive(
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
    positive(
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
    not_negative(overlap_factor_deg_per_m=overlap_factor_deg_per_m, accessory_mep_pa=accessory_mep_pa)
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
    positive(ambient_pressure_pa=ambient_pressure_pa)
    if not trapped_compression_ratio > 1.0 or not 1.0 <= polytropic_exponent <= 1.4:
        raise OutOfRange(
            f"The trapped ratio ({trapped_compression_ratio}) must exceed 1 and the exponent "
            f"({polytropic_exponent}) lie between 1 and 1.4."
        )
    return float(ambient_pressure_pa * (trapped_compression_ratio**polytropic_exponent - 1.0))
