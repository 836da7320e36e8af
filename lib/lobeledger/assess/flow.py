"""Valve events, compression, overlap, idle and breathing of a candidate."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from lobeledger import units
from lobeledger.assess.figures import NOT_FOR_THIS, Figure, spread
from lobeledger.assess.inputs import MechanicalInputs, band_of, ranges_of
from lobeledger.assess.motion import over_family, seat_duration, seat_side
from lobeledger.engine import breathing, friction, idle, ports
from lobeledger.engine import crank as engine
from lobeledger.engine.cycle import (
    CRANK_GRID_RAD,
    crank_effective_area_m2,
    crank_lift_m,
    valve_timing,
)
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
    figures["overlap_factor"] = _overlap_factor(key, intake, exhaust)
    _idle_figures(key, figures)
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


def _overlap_factor(key: MechanicalInputs, intake: CardLobe, exhaust: CardLobe) -> Figure:
    """Overlap factor of the nominal lobes, and over the extremes of both families."""
    eng, timing = key.engine, valve_timing(key.candidate, key.model)
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

    return over_family(
        np.array(
            [
                factor(intake.nominal, exhaust.nominal),
                *(factor(lobe, exhaust.extremes.get(name, exhaust.nominal)) for name, lobe in intake.extremes.items()),
            ]
        )
    )


def idle_inputs(key: MechanicalInputs, figures: Mapping[str, Figure]) -> dict[str, Figure]:
    """What `idle_of` asks for, by the names of a sheet: value, low and high. A draw of one goes in its place."""
    model, eng = key.model, key.engine
    stall = key.converter_stall_rpm
    plain = {
        "bore": eng.bore_m,
        "stroke": eng.stroke_m,
        "rod": eng.rod_m,
        "compression": eng.compression,
        "idle_speed": key.idle_speed_rpm,
        "friction_scale": model.friction_scale,
        "friction_between": model.friction_between,
        "idle_accessory": model.idle_accessory_pa,
        "idle_efficiency": model.idle_efficiency,
        "idle_air_fuel": model.idle_air_fuel,
        "idle_backflow": model.idle_backflow,
        "fuel_heating_value": model.fuel_heating_value_j_per_kg,
        "ambient_pressure": model.ambient_pressure_pa,
    }
    if key.transmission == "automatic":
        plain["idle_stall_mep"] = model.idle_stall_mep_pa
        plain["idle_stall_speed" if stall is None else "converter_stall"] = (
            model.idle_stall_speed_rpm if stall is None else stall
        )
    found = {name: Figure(*(band_of(key, name, value)[i] for i in (1, 0, 2))) for name, value in plain.items()}
    lifts = [figures[name] for name in ("intake_lift", "exhaust_lift")]
    found["valve_lift"] = Figure.exact(sum(lift.value for lift in lifts) / 2.0)
    return {**found, "overlap_factor": figures["overlap_factor"], "ivc": figures["ivc"]}


def idle_of(key: MechanicalInputs, *, in_gear: bool, values: Mapping[str, Any]) -> idle.IdleVacuum:
    """The idling engine of a candidate. values: numbers or arrays of draws under the names of `idle_inputs`.

    in_gear: with an automatic's converter stalled by the brakes; without it, as a gauge is read in neutral.
    """
    load = values["idle_accessory"]
    if in_gear:
        stall = values["converter_stall"] if "converter_stall" in values else values["idle_stall_speed"]
        load = load + idle.converter_load_mep_pa(
            values["idle_speed"], stall_speed_rpm=stall, stall_mep_pa=values["idle_stall_mep"]
        )
    bore, stroke, compression = (values[name] for name in ("bore", "stroke", "compression"))
    swept = engine.swept_volume_m3(bore_m=bore, stroke_m=stroke)
    drop = engine.piston_drop_m(math.pi + np.maximum(values["ivc"], 0.0), stroke_m=stroke, rod_length_m=values["rod"])
    return idle.idle_vacuum(
        speed_rpm=values["idle_speed"],
        overlap_factor_deg_per_m=values["overlap_factor"],
        swept_volume_m3=swept,
        trapped_volume_m3=swept * (1.0 / (compression - 1.0) + drop / stroke),
        compression_ratio=compression,
        friction=friction.friction_mep(
            values["idle_speed"],
            follower=key.candidate.follower,
            bore_m=bore,
            stroke_m=stroke,
            cylinders=key.engine.cylinders,
            compression_ratio=compression,
            valve_lift_m=values["valve_lift"],
            ambient_pressure_pa=values["ambient_pressure"],
            between=values["friction_between"],
            scale=values["friction_scale"],
        ),
        load_mep_pa=load,
        indicated_efficiency=values["idle_efficiency"],
        fuel_heating_value_j_per_kg=values["fuel_heating_value"],
        air_fuel_ratio=values["idle_air_fuel"],
        ambient_pressure_pa=values["ambient_pressure"],
        exhaust_pressure_pa=values["ambient_pressure"],
        backflow_scale=values["idle_backflow"],
    )


def _idle_figures(key: MechanicalInputs, figures: dict[str, Figure]) -> None:
    """Vacuum and residual at idle out of gear, as a gauge is read; with an automatic the vacuum in gear as well."""
    inputs = idle_inputs(key, figures)
    nominal = {name: figure.value for name, figure in inputs.items()}
    ranges = {name: figure[1:] for name, figure in inputs.items() if figure.low < figure.high}

    def vacuum(in_gear: bool) -> Figure:
        return spread(lambda **values: idle_of(key, in_gear=in_gear, values=values).vacuum_pa, nominal, ranges)

    balance = idle_of(key, in_gear=False, values=nominal)
    figures["vacuum"] = vacuum(in_gear=False)
    if key.transmission == "automatic":
        figures["vacuum_in_gear"] = vacuum(in_gear=True)
    figures["residual"] = Figure.exact(balance.residual_fraction) if balance.idles else NOT_FOR_THIS


def sound_speed(model: Model) -> float:
    return ports.sound_speed_m_per_s(model.ambient_temperature_k + model.charge_heating_k)


def closing_abdc_rad(centreline_rad: Any, duration_rad: Any) -> Any:
    """Intake closing after BDC: IVC = D/2 + ICL - 180 deg (crank). Numbers, or arrays of draws."""
    return duration_rad / 2.0 + centreline_rad - math.pi
