"""Torque of a candidate over speed, with its band."""

from __future__ import annotations

import math

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.inputs import MechanicalInputs, band_of
from lobeledger.engine import crank as engine
from lobeledger.engine.cycle import (
    SPEED_GRID_RPM,
    displacement_m3,
    flow_data_end_m,
    torque_curve_n_m,
    valve_timing,
)
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.lift import Lobe
from lobeledger.parts.build import Build

__all__ = []


def torque_band(key: MechanicalInputs, intake: CardLobe, exhaust: CardLobe) -> tuple[Array, Array, Array, float]:
    """Torque over the speed grid: nominal, low, high; and the share the card's own band moves it by."""
    eng, model, timing = key.engine, key.model, valve_timing(key.candidate, key.model)

    def curve(lobe_i: Lobe, lobe_e: Lobe, level: str = "coefficient") -> Array:
        return torque_curve_n_m(eng, model, key.discharge, lobe_i, lobe_e, timing, level)

    nominal = curve(intake.nominal, exhaust.nominal)
    moves = []
    for name in ("least area", "greatest area"):
        lobes = (intake.extremes.get(name, intake.nominal), exhaust.extremes.get(name, exhaust.nominal))
        moves.append(curve(*lobes) - nominal)
    family = float(np.nanmax(np.abs(moves)) / np.nanmax(nominal))
    # A measured flow table has a band only for a valve that lifts beyond its last line.
    lifts = (("intake", intake, timing.intake_seat_m), ("exhaust", exhaust, timing.exhaust_seat_m))
    is_beyond = any(
        timing.ratio * (float(np.max(lobe.nominal.lift_m)) - seat) > flow_data_end_m(eng, key.discharge, which)
        for which, lobe, seat in lifts
    )
    if not eng.flow or is_beyond:
        moves += [curve(intake.nominal, exhaust.nominal, level) - nominal for level in ("low", "high")]
    efficiency = band_of(key, "indicated_efficiency", model.indicated_efficiency)
    friction = model.friction_scale * engine.total_fmep_pa(SPEED_GRID_RPM) * displacement_m3(eng) / (4.0 * math.pi)
    moves += [
        (nominal + friction) * (end / model.indicated_efficiency - 1.0) for end in (efficiency.low, efficiency.high)
    ]
    moves += [0.2 * friction, -0.2 * friction]
    down = np.sqrt(sum(np.minimum(move, 0.0) ** 2 for move in moves))
    up = np.sqrt(sum(np.maximum(move, 0.0) ** 2 for move in moves))
    return nominal, nominal - down, nominal + up, family


def weighed_torque(build: Build, curve: Array) -> float:
    """Torque averaged over each band of speed, weighed by the share of time spent there."""
    total = 0.0
    for band in build.use.bands:
        at = np.linspace(band.from_rpm, band.to_rpm, 9)
        total += band.share * float(np.interp(at, SPEED_GRID_RPM, curve).mean())
    return total
