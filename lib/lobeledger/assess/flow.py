"""Valve events, compression, overlap, idle and breathing of a candidate."""

from __future__ import annotations

import math

import numpy as np

from lobeledger import units
from lobeledger.assess.figures import NOT_FOR_THIS, Figure, spread
from lobeledger.assess.inputs import MechanicalInputs, band_of, ranges_of
from lobeledger.assess.motion import over_family, seat_duration, seat_side
from lobeledger.engine import breathing, idle, ports
from lobeledger.engine import crank as engine
from lobeledger.engine.cycle import (
    CRANK_GRID_RAD,
    crank_effective_area_m2,
    crank_lift_m,
    valve_timing,
)
from lobeledger.errors import NoSolution
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.lift import Lobe
from lobeledger.parts.use import Model

__all__ = []


def breathing_figures(key: MechanicalInputs, intake: CardLobe, exhaust: CardLobe, figures: dict[str, Figure]) -> float:
    """Closing, compression, overlap, idle; returns the mean effective intake area (m2)."""
    c, eng, model = key.candidate, key.engine, key.model
    timing = valve_timing(c, model)
    opened, exhaust_opened = figures["seat_duration"], seat_duration(key, "exhaust", exhaust)
    if c.intake.is_symmetric:
        ivc = Figure(*(closing_abdc_rad(c.intake_centreline_rad, x) for x in opened))
    else:
        closing_side = seat_side(key, "intake", intake, "closing")
        ivc = Figure(*(closing_abdc_rad(c.intake_centreline_rad, 2.0 * x) for x in closing_side))
    figures["ivc"] = ivc
    gap = 2.0 * c.lobe_separation_rad
    if c.intake.is_symmetric and c.exhaust.is_symmetric:
        figures["overlap"] = Figure(*((i + e) / 2.0 - gap for i, e in zip(opened, exhaust_opened, strict=True)))
    else:
        # Overlap is the intake's opening side and the exhaust's closing side; the centrelines are of greatest lift.
        sides = seat_side(key, "intake", intake, "opening"), seat_side(key, "exhaust", exhaust, "closing")
        figures["overlap"] = Figure(*(i + e - gap for i, e in zip(*sides, strict=True)))
    datum = f"{units.both(timing.intake_seat_m, 'lift')} lobe lift"

    def trapped(*, closing: float, compression: float) -> float:
        return engine.trapped_compression_ratio(
            ivc_crank_deg_abdc=max(math.degrees(closing), 0.0),
            datum=datum,
            stroke_m=eng.stroke_m,
            rod_length_m=eng.rod_m,
            compression_ratio=compression,
        ).ratio

    inputs = dict(closing=ivc.value, compression=eng.compression)
    ranges = dict(closing=ivc[1:], **ranges_of(key, "compression"))
    figures["dynamic_compression"] = spread(trapped, inputs, ranges)
    figures["cranking_pressure"] = spread(
        lambda exponent, **rest: idle.cranking_pressure_gauge_pa(
            trapped_compression_ratio=trapped(**rest),
            polytropic_exponent=exponent,
            ambient_pressure_pa=model.ambient_pressure_pa,
        ),
        dict(**inputs, exponent=model.cranking_polytropic),
        {**ranges, **ranges_of(key, exponent="cranking_polytropic")},
    )
    swept = engine.swept_volume_m3(bore_m=eng.bore_m, stroke_m=eng.stroke_m)

    def factor(intake_lobe: Lobe, exhaust_lobe: Lobe) -> float:
        integrals = idle.overlap_integrals_m_rad(
            CRANK_GRID_RAD,
            intake_lift_m=crank_lift_m(
                intake_lobe.lift_m,
                intake_lobe.theta_cam_rad,
                timing.intake_centre_rad,
                timing.ratio,
                timing.intake_seat_m,
            ),
            exhaust_lift_m=crank_lift_m(
                exhaust_lobe.lift_m,
                exhaust_lobe.theta_cam_rad,
                timing.exhaust_centre_rad,
                timing.ratio,
                timing.exhaust_seat_m,
            ),
        )
        return idle.overlap_factor_deg_per_m(
            integrals,
            intake_valve_diameter_m=eng.intake_valve_m,
            exhaust_valve_diameter_m=eng.exhaust_valve_m,
            swept_volume_m3=swept,
        )

    figures["overlap_factor"] = over_family(
        np.array(
            [
                factor(intake.nominal, exhaust.nominal),
                *(factor(lobe, exhaust.extremes.get(name, exhaust.nominal)) for name, lobe in intake.extremes.items()),
            ]
        )
    )
    clearance = engine.clearance_volume_m3(swept_volume_m3=swept, compression_ratio=eng.compression)
    try:
        balance = idle.idle_vacuum(
            speed_rpm=key.idle_speed_rpm,
            overlap_factor_deg_per_m=figures["overlap_factor"].value,
            swept_volume_m3=swept,
            trapped_volume_m3=clearance * figures["dynamic_compression"].value,
            compression_ratio=eng.compression,
            friction_mep_pa=model.friction_scale * engine.total_fmep_pa(key.idle_speed_rpm),
            accessory_mep_pa=band_of(key, "idle_accessory", model.idle_accessory_pa),
            indicated_efficiency=band_of(key, "idle_efficiency", model.idle_efficiency),
            fuel_heating_value_j_per_kg=model.fuel_heating_value_j_per_kg,
            air_fuel_ratio=model.air_fuel,
            ambient_pressure_pa=model.ambient_pressure_pa,
            exhaust_pressure_pa=model.ambient_pressure_pa,
        )
        vacuum = balance.vacuum_pa
        figures["vacuum"] = Figure(vacuum.nominal, vacuum.low, vacuum.high)
        figures["residual"] = Figure.exact(balance.residual_fraction)
    except NoSolution:
        # It will not idle at this speed by this balance: no vacuum at all.
        figures["vacuum"] = Figure.exact(0.0)
        figures["residual"] = NOT_FOR_THIS
    lift = crank_lift_m(
        intake.nominal.lift_m,
        intake.nominal.theta_cam_rad,
        timing.intake_centre_rad,
        timing.ratio,
        timing.intake_seat_m,
    )
    area = crank_effective_area_m2(lift, eng, key.discharge, "intake", "coefficient")
    mean_area = breathing.mean_effective_area_m2(CRANK_GRID_RAD, area)
    band = breathing.peak_power_speed_band_rpm(
        mean_effective_area_m2=mean_area,
        bore_m=eng.bore_m,
        stroke_m=eng.stroke_m,
        sound_speed_m_per_s=sound_speed(model),
        index_band=band_of(key, "mach_index_peak", model.mach_index_peak),
    )
    figures["breathing_speed"] = Figure(band.nominal, band.low, band.high)
    return mean_area


def sound_speed(model: Model) -> float:
    return ports.sound_speed_m_per_s(model.ambient_temperature_k + model.charge_heating_k)


def closing_abdc_rad(centreline_rad: float, duration_rad: float) -> float:
    """Intake closing after BDC: IVC = D/2 + ICL - 180 deg (crank)."""
    return duration_rad / 2.0 + centreline_rad - math.pi
