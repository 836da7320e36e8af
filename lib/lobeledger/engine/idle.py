"""Overlap, residual gas, idle vacuum, cranking pressure.

How much do the valves overlap?       `overlap_integrals_m_rad`, `overlap_factor_deg_per_m`
How much burned gas stays?            `residual_fraction`; is its fit at home here? `residual_fit_stretch`
What does the gauge read at idle?     `idle_vacuum` -> `IdleVacuum`, one case or thousands of draws
What does it read in gear?            the same with `converter_load_mep_pa` in its load
What does it pump while cranking?     `cranking_pressure_gauge_pa`
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize.elementwise import find_root

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Array
from lobeledger.engine.friction import FrictionMep
from lobeledger.engine.ports import GAS_CONSTANT_J_PER_KG_K
from lobeledger.errors import OutOfRange

__all__ = [
    "RESIDUAL_FIT_END_DEG_S_PER_M",
    "STOICHIOMETRIC_AIR_FUEL",
    "IdleVacuum",
    "OverlapIntegrals",
    "converter_load_mep_pa",
    "cranking_pressure_gauge_pa",
    "idle_vacuum",
    "overlap_factor_deg_per_m",
    "overlap_integrals_m_rad",
    "residual_fit_stretch",
    "residual_fraction",
]

# Overlap factor over revolutions a second up to which the residual correlation is called at home (assumed).
RESIDUAL_FIT_END_DEG_S_PER_M = 0.08
STOICHIOMETRIC_AIR_FUEL = 14.6


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
    of_deg_per_m: Any, rev_per_s: Any, pi_pa: Any, pe_pa: Any, phi: Any, compression: Any, backflow_scale: Any = 1.0
) -> Any:
    # One logarithm for both powers: this is the inner loop of thousands of draws.
    log_ratio = np.log(pi_pa / pe_pa)
    driven = np.sqrt((pe_pa - pi_pa) * 1e-5)
    backflow = backflow_scale * 1.266 * of_deg_per_m / rev_per_s * np.exp(-0.87 * log_ratio) * driven
    return backflow + 0.632 * phi * np.exp(-0.74 * log_ratio) / compression


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
    fraction = float(
        _residual(
            overlap_factor_deg_per_m,
            speed_rpm / 60.0,
            intake_pressure_pa,
            exhaust_pressure_pa,
            equivalence_ratio,
            compression_ratio,
        )
    )
    if fraction >= 1.0:
        raise OutOfRange(
            f"The residual correlation gives {fraction:.2f}, which no cylinder can hold; the overlap "
            f"is too large for {speed_rpm:g} rpm at this intake pressure."
        )
    return fraction


def residual_fit_stretch(overlap_factor_deg_per_m: Any, *, speed_rpm: Any) -> Any:
    """How far outside its fit the residual correlation is asked: 1 inside, growing with overlap over speed, 3 at most.

    The backflow term grows as overlap factor over speed (deg s/m). The fit rests on road engines at about 1,000 rpm and
    more, so OF/N up to 0.08 is called inside (assumed: the data's range was not seen). Beyond it a doubt about the
    backflow is to be multiplied by this. Raises OutOfRange for a speed not above zero or a negative factor.

    >>> [round(float(residual_fit_stretch(of, speed_rpm=rpm)), 2) for of, rpm in ((0.8, 700), (1.6, 700), (9.0, 1100))]
    [1.0, 1.71, 3.0]
    """
    positive(speed_rpm=speed_rpm)
    not_negative(overlap_factor_deg_per_m=overlap_factor_deg_per_m)
    asked = overlap_factor_deg_per_m / (speed_rpm / 60.0)
    return np.clip(asked / RESIDUAL_FIT_END_DEG_S_PER_M, 1.0, 3.0)


def converter_load_mep_pa(speed_rpm: Any, *, stall_speed_rpm: Any, stall_mep_pa: Any) -> Any:
    """Mean pressure (Pa) that a torque converter takes from an idling engine in gear, the vehicle held by its brakes.

    A stalled converter takes torque as the square of speed, so mep = stall mep x (N/N_stall)^2; `stall_mep_pa` is what
    the engine gives at the stall speed by which the converter is sold. A looser converter takes less. Source: capacity
    of a converter, T = (N/K)^2, Gillespie, Fundamentals of Vehicle Dynamics, ch. 2 (from memory). Raises OutOfRange
    unless all are above zero.

    >>> round(float(converter_load_mep_pa(700.0, stall_speed_rpm=1750.0, stall_mep_pa=5.0e5)))
    80000
    """
    positive(speed_rpm=speed_rpm, stall_speed_rpm=stall_speed_rpm, stall_mep_pa=stall_mep_pa)
    return stall_mep_pa * (speed_rpm / stall_speed_rpm) ** 2


class IdleVacuum(NamedTuple):
    """An idling engine: floats for one case, arrays for draws.

    `vacuum_pa` is below ambient, and zero where it does not idle at all (`idles` says which); there the other figures
    are those at ambient pressure. `fuel_kg_per_s` is for one cylinder. `in_fit_range`: the residual correlation was
    asked within what its fit rests on (`residual_fit_stretch`) and gave less than half a cylinder of burned gas.
    """

    vacuum_pa: Any
    manifold_pressure_pa: Any
    residual_fraction: Any
    fuel_kg_per_s: Any
    idles: Any
    in_fit_range: Any


def idle_vacuum(
    *,
    speed_rpm: Any,
    overlap_factor_deg_per_m: Any,
    swept_volume_m3: Any,
    trapped_volume_m3: Any,
    compression_ratio: Any,
    friction: FrictionMep,
    load_mep_pa: Any,
    indicated_efficiency: Any,
    fuel_heating_value_j_per_kg: Any,
    air_fuel_ratio: Any,
    ambient_pressure_pa: Any,
    exhaust_pressure_pa: Any,
    backflow_scale: Any = 1.0,
    fresh_temperature_k: Any = 330.0,
    residual_temperature_k: Any = 900.0,
    gas_constant_j_per_kg_k: float = GAS_CONSTANT_J_PER_KG_K,
) -> IdleVacuum:
    """Idle manifold vacuum from the balance of work at the crank. Every argument may be a number or an array of draws.

    Gross indicated mep = friction + (p_e - p_i) + load. Gross indicated work is efficiency x heat of the fuel that
    finds air; the charge fills `trapped_volume_m3` (at the seat closing of the inlet) at p_i, less the residual of
    `residual_fraction`'s correlation, and mixes at constant pressure: T = (1-x) T_fresh + x T_residual. Fuel beyond the
    stoichiometric 14.6 (Heywood, app. D, from memory) burns without air and does nothing.

    `friction` holds no pumping (`friction.friction_mep`): the pumping is (p_e - p_i), once. `load_mep_pa` is fan,
    charging and steering pump, and in gear `converter_load_mep_pa`; oil and water pump are in the friction. Mep values
    refer to one cylinder's `swept_volume_m3`. backflow_scale multiplies the residual's backflow; its distance from one
    is stretched by `residual_fit_stretch`, so that a draw of it is wider where the fit was not made.

    Temperatures are assumed. Burn instability is not modelled: a residual above about 0.3 (common practice) hunts or
    misfires. Source: our own balance. No bands here: draw the inputs. Some milliseconds for 2,000 draws. Where no
    pressure up to ambient carries the engine `idles` is False. Raises OutOfRange for bad input.
    """
    positive(
        speed_rpm=speed_rpm,
        swept_volume_m3=swept_volume_m3,
        trapped_volume_m3=trapped_volume_m3,
        friction=friction,
        indicated_efficiency=indicated_efficiency,
        fuel_heating_value_j_per_kg=fuel_heating_value_j_per_kg,
        air_fuel_ratio=air_fuel_ratio,
        ambient_pressure_pa=ambient_pressure_pa,
        exhaust_pressure_pa=exhaust_pressure_pa,
        fresh_temperature_k=fresh_temperature_k,
        residual_temperature_k=residual_temperature_k,
    )
    not_negative(
        overlap_factor_deg_per_m=overlap_factor_deg_per_m, load_mep_pa=load_mep_pa, backflow_scale=backflow_scale
    )
    if not np.all(np.asarray(indicated_efficiency) < 1.0) or not np.all(np.asarray(compression_ratio) > 1.0):
        raise OutOfRange("indicated_efficiency must stay below 1, and compression_ratio exceed 1.")
    if not np.all(np.asarray(exhaust_pressure_pa) >= np.asarray(ambient_pressure_pa)):
        raise OutOfRange("exhaust_pressure_pa is below ambient_pressure_pa; at idle it is ambient or a little above.")
    stretch = residual_fit_stretch(overlap_factor_deg_per_m, speed_rpm=speed_rpm)
    case = _IdleCase(
        overlap_factor_deg_per_m,
        np.asarray(speed_rpm, dtype=float) / 60.0,
        compression_ratio,
        exhaust_pressure_pa,
        np.maximum(1.0 + (backflow_scale - 1.0) * stretch, 0.0),
        # A lean mixture leaves air in what stays behind; a rich one counts as one.
        np.minimum(STOICHIOMETRIC_AIR_FUEL / np.asarray(air_fuel_ratio, dtype=float), 1.0),
        trapped_volume_m3 / (gas_constant_j_per_kg_k * (1.0 + air_fuel_ratio)),
        indicated_efficiency
        * fuel_heating_value_j_per_kg
        * np.minimum(np.asarray(air_fuel_ratio, dtype=float) / STOICHIOMETRIC_AIR_FUEL, 1.0)
        / swept_volume_m3,
        friction.unloaded_pa + load_mep_pa + exhaust_pressure_pa,
        1.0 - friction.gas_load_pa / ambient_pressure_pa,
        fresh_temperature_k,
        residual_temperature_k,
    )
    return _solved(_IdleCase(*np.broadcast_arrays(*case)), np.asarray(ambient_pressure_pa, dtype=float), stretch)


class _IdleCase(NamedTuple):
    """What the balance needs of one case, products taken beforehand."""

    overlap_factor: Any
    rev_per_s: Any
    compression: Any
    exhaust_pa: Any
    backflow: Any
    phi: Any
    fuel_per_density: Any  # fuel (kg) = this x fresh share x p/T
    work_per_fuel: Any  # gross mep (Pa) = this x fuel (kg)
    load_pa: Any  # load, friction and pumping at no intake pressure
    relief: Any  # by how much that falls a pascal of intake pressure

    fresh_k: Any
    residual_k: Any

    def charge(self, pressure_pa: Any) -> tuple[Any, Any]:
        """Residual fraction and fuel (kg a cycle) at an intake pressure."""
        x = _residual(
            self.overlap_factor, self.rev_per_s, pressure_pa, self.exhaust_pa, self.phi, self.compression, self.backflow
        )
        # Where the correlation exceeds one there is no fresh charge, hence no work: the balance is just the load.
        fresh = np.maximum(1.0 - x, 0.0)
        mixed_k = fresh * self.fresh_k + (1.0 - fresh) * self.residual_k
        return x, self.fuel_per_density * fresh * pressure_pa / mixed_k


def _surplus_pa(pressure_pa: Any, *arguments: Any) -> Any:
    case = _IdleCase(*arguments)
    return case.work_per_fuel * case.charge(pressure_pa)[1] - case.load_pa + case.relief * pressure_pa


def _solved(case: _IdleCase, ambient_pa: Any, stretch: Any) -> IdleVacuum:
    """The least pressure that carries the engine; the surplus only rises with pressure, so there is one."""
    low, high = np.broadcast_arrays(1e-3 * ambient_pa, ambient_pa, case.load_pa)[:2]
    idles = _surplus_pa(high, *case) >= 0.0
    # A case that does not idle is given a load of nothing, so that every bracket holds a root; it is overwritten below.
    solvable = case._replace(load_pa=np.where(idles, case.load_pa, case.relief * 0.5 * high))
    found = find_root(_surplus_pa, (low, high), args=tuple(solvable), tolerances={"xatol": 0.01, "xrtol": 1e-9})
    pressure = np.where(idles, found.x, high)
    residual, fuel_kg = case.charge(pressure)
    in_range = (np.broadcast_to(stretch, np.shape(residual)) <= 1.0) & (residual < 0.5)
    vacuum = np.where(idles, high - pressure, 0.0)
    fuel_rate = fuel_kg * case.rev_per_s / 2.0
    if vacuum.ndim == 0:
        return IdleVacuum(
            float(vacuum), float(pressure), float(residual), float(fuel_rate), bool(idles), bool(in_range)
        )
    return IdleVacuum(vacuum, pressure, residual, fuel_rate, idles, in_range)


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
