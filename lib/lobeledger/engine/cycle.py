"""The cycle: valve lift over crank angle, flow area, torque by filling and emptying.

When is the valve open, and how far?     `ValveTiming`, `valve_timing`, `crank_lift_m`
How much area is that?                   `crank_effective_area_m2`; known up to which lift? `flow_data_end_m`
What torque is left?                     `torque_curve_n_m` over `SPEED_GRID_RPM`

Crank angle zero is the firing top dead centre; the overlap TDC is 2 pi. The intake runner has inertia and one mode,
the exhaust has none: torque here serves to compare candidates in one engine, never as a dynamometer figure.
"""

from __future__ import annotations

import functools
import math
from typing import NamedTuple

import numpy as np

from lobeledger.arrays import Array
from lobeledger.engine import breathing, filling, ports, runner
from lobeledger.engine import crank as engine
from lobeledger.engine.burn import BurnEstimate
from lobeledger.lobe.lift import Lobe, seat_lobe_lift_m
from lobeledger.parts.candidate import CamAndTrain
from lobeledger.parts.car import DischargePoint, Engine
from lobeledger.parts.use import Model

__all__ = [
    "CRANK_GRID_RAD",
    "SPEED_GRID_RPM",
    "burn_of",
    "ValveTiming",
    "crank_effective_area_m2",
    "crank_lift_m",
    "displacement_m3",
    "flow_data_end_m",
    "seat_lift_m",
    "torque_curve_n_m",
    "valve_timing",
]

SPEED_GRID_RPM = np.array([*np.arange(1000.0, 9001.0, 500.0), 10000.0])
CRANK_GRID_RAD = np.radians(np.arange(0.0, 721.0, 1.0))


def seat_lift_m(candidate: CamAndTrain, model: Model, lash_m: float) -> float:
    """Lobe lift at which a candidate's valve leaves its seat, for one valve's lash."""
    return seat_lobe_lift_m(
        lifter=candidate.lifter,
        lash_m=lash_m,
        rocker_ratio=candidate.valvetrain.rocker_ratio,
        hydraulic_seat_m=model.hydraulic_seat_m,
    )


def crank_lift_m(
    lobe_lift_m: Array, theta_cam_rad: Array, centre_crank_rad: float, ratio: float, seat_m: float
) -> Array:
    """Valve lift net of lash or take-up on the crank grid, zero at the firing TDC."""
    at = (CRANK_GRID_RAD - centre_crank_rad) / 2.0
    return ratio * np.maximum(np.interp(at, theta_cam_rad, lobe_lift_m, left=0.0, right=0.0) - seat_m, 0.0)


def crank_effective_area_m2(
    lift: Array, eng: Engine, discharge: tuple[DischargePoint, ...], which: str, level: str
) -> Array:
    """Effective area on the crank grid: from the flow table if there is one, else from the discharge table.

    level: "coefficient", or "low" or "high" for the ends of its band. A flow table has a band only above its last lift.
    """
    doubt = ports.beyond_table_doubt_share(
        lift,
        table_end_lift_m=flow_data_end_m(eng, discharge, which),
        valve_diameter_m=getattr(eng, f"{which}_valve_m"),
    )
    widened: Array = 1.0 + {"coefficient": 0.0, "low": -1.0, "high": 1.0}[level] * doubt
    if eng.flow:
        at = np.array([0.0, *(p.lift_m for p in eng.flow)])
        flow = np.array([0.0, *(getattr(p, f"{which}_m3_per_s") for p in eng.flow)])
        area = ports.flow_bench_effective_area_m2(flow, test_drop_pa=eng.flow_test_pa)
        return widened * np.interp(lift, at, area)
    diameter = getattr(eng, f"{which}_valve_m")
    ratio = np.array([p.lift_over_diameter for p in discharge])
    coefficient = np.array([getattr(p, level) for p in discharge])
    return widened * ports.effective_area_m2(
        lift,
        valve_diameter_m=diameter,
        table_lift_over_diameter=ratio,
        table_coefficient=coefficient,
        throat_area_m2=ports.port_area_m2(diameter * eng.throat_share),
    )


def flow_data_end_m(eng: Engine, discharge: tuple[DischargePoint, ...], which: str) -> float:
    """Valve lift (m) up to which flow figures are known: the last line of the flow table, else of the discharge table."""
    if eng.flow:
        return eng.flow[-1].lift_m
    return discharge[-1].lift_over_diameter * float(getattr(eng, f"{which}_valve_m"))


class ValveTiming(NamedTuple):
    ratio: float
    intake_centre_rad: float
    exhaust_centre_rad: float
    intake_seat_m: float
    exhaust_seat_m: float


def valve_timing(candidate: CamAndTrain, model: Model) -> ValveTiming:
    """Centrelines on the crank grid: the intake's after, the exhaust's before the overlap TDC at 2 pi."""
    exhaust_centreline = 2.0 * candidate.lobe_separation_rad - candidate.intake_centreline_rad
    return ValveTiming(
        candidate.valvetrain.rocker_ratio,
        2.0 * math.pi + candidate.intake_centreline_rad,
        2.0 * math.pi - exhaust_centreline,
        seat_lift_m(candidate, model, candidate.intake_lash_m),
        seat_lift_m(candidate, model, candidate.exhaust_lash_m),
    )


def burn_of(model: Model) -> BurnEstimate:
    """What the sheet's `[model]` assumes of the closed part of the cycle."""
    return BurnEstimate(
        air_fuel_ratio=model.air_fuel,
        fuel_heating_value_j_per_kg=model.fuel_heating_value_j_per_kg,
        combustion_efficiency=model.combustion_efficiency,
        lost_fraction=model.burn_lost,
        compression_exponent=model.compression_exponent,
        expansion_exponent=model.expansion_exponent,
    )


@functools.lru_cache(maxsize=512)
def torque_curve_n_m(
    eng: Engine,
    model: Model,
    discharge: tuple[DischargePoint, ...],
    intake: Lobe,
    exhaust: Lobe,
    timing: ValveTiming,
    level: str,
) -> Array:
    """Torque of the whole engine (N m) over SPEED_GRID_RPM, by filling and emptying through a runner with inertia.

    NaN at a speed where no steady cycle exists (a long overlap far below the speeds it is made for).
    """
    lifts = [
        crank_lift_m(lobe.lift_m, lobe.theta_cam_rad, centre, timing.ratio, seat)
        for lobe, centre, seat in (
            (intake, timing.intake_centre_rad, timing.intake_seat_m),
            (exhaust, timing.exhaust_centre_rad, timing.exhaust_seat_m),
        )
    ]
    throat_m2 = ports.port_area_m2(eng.intake_valve_m * eng.throat_share)
    filled = filling.fill_and_empty(
        SPEED_GRID_RPM,
        crank_rad=CRANK_GRID_RAD,
        intake_effective_area_m2=crank_effective_area_m2(lifts[0], eng, discharge, "intake", level),
        exhaust_effective_area_m2=crank_effective_area_m2(lifts[1], eng, discharge, "exhaust", level),
        bore_m=eng.bore_m,
        stroke_m=eng.stroke_m,
        rod_length_m=eng.rod_m,
        compression_ratio=eng.compression,
        runner_length_m=eng.runner_length_m,
        runner_area_m2=eng.runner_area_share * throat_m2,
        plenum_pressure_pa=model.ambient_pressure_pa,
        plenum_temperature_k=model.ambient_temperature_k,
        exhaust_pressure_pa=runner.exhaust_pressure_pa(
            SPEED_GRID_RPM,
            ambient_pressure_pa=model.ambient_pressure_pa,
            back_pressure_pa=model.exhaust_back_pressure_pa,
            reference_speed_rpm=model.exhaust_reference_speed_rpm,
        ),
        reference_pressure_pa=model.ambient_pressure_pa,
        reference_temperature_k=model.ambient_temperature_k,
        entry_loss=model.runner_entry_loss,
        friction_factor=model.runner_friction,
        plenum_exit_loss=model.plenum_exit_loss,
        charge_heating_k=model.charge_heating_k,
        burn=burn_of(model),
        gamma_fresh=model.gamma_fresh,
        gamma_burned=model.gamma_burned,
    )
    density = model.ambient_pressure_pa / (ports.GAS_CONSTANT_J_PER_KG_K * model.ambient_temperature_k)
    steady = filled.settled
    bmep = breathing.bmep_pa(
        filled.volumetric_efficiency[steady],
        reference_density_kg_per_m3=density,
        gross_indicated_efficiency=model.indicated_efficiency,
        fuel_heating_value_j_per_kg=model.fuel_heating_value_j_per_kg,
        air_fuel_ratio=model.air_fuel,
        friction_mep_pa=model.friction_scale * engine.total_fmep_pa(SPEED_GRID_RPM[steady]),
        pumping_mep_pa=filled.pumping_mep_pa[steady],
    )
    torque = np.full(SPEED_GRID_RPM.shape, np.nan)
    torque[steady] = breathing.torque_n_m(bmep, displacement_m3=displacement_m3(eng))
    return torque


def displacement_m3(eng: Engine) -> float:
    return engine.displacement_m3(bore_m=eng.bore_m, stroke_m=eng.stroke_m, cylinders=eng.cylinders)
