"""Torque of a candidate over speed, with its band."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.inputs import MechanicalInputs, band_of, ranges_of
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
from lobeledger.parts.car import Engine
from lobeledger.parts.use import Model

__all__ = ["TorqueBand", "torque_band", "weighed_torque", "widened"]

# Key of a range -> field whose ends are run through the gas exchange.
_ENGINE_MOVES = {
    "runner_area_share": "runner_area_share",
    "bore": "bore_m",
    "stroke": "stroke_m",
    "rod": "rod_m",
    "compression": "compression",
    "intake_valve": "intake_valve_m",
    "exhaust_valve": "exhaust_valve_m",
    "throat_share": "throat_share",
}
_MODEL_MOVES = {
    "charge_heating": "charge_heating_k",
    "exhaust_back_pressure": "exhaust_back_pressure_pa",
    "exhaust_reference_speed": "exhaust_reference_speed_rpm",
    "runner_entry_loss": "runner_entry_loss",
    "runner_friction": "runner_friction",
    "air_fuel": "air_fuel",
    "ambient_pressure": "ambient_pressure_pa",
    "ambient_temperature": "ambient_temperature_k",
}


@dataclass(frozen=True, eq=False)
class TorqueBand:
    """Torque over the speed grid (N m): nominal, low, high; with the shortest and the longest runner, where its length
    has a range. family_share: the share by which the card's own band moves it."""

    nominal: Array
    low: Array
    high: Array
    by_runner: tuple[Array, Array] | None
    family_share: float


Curve = Callable[..., Array]


def _curve_of(key: MechanicalInputs, intake: CardLobe, exhaust: CardLobe) -> Curve:
    """Torque over the speed grid, as it is but for what is given."""
    timing = valve_timing(key.candidate, key.model)

    def curve(
        lobe_i: Lobe = intake.nominal,
        lobe_e: Lobe = exhaust.nominal,
        *,
        level: str = "coefficient",
        engine_: Engine = key.engine,
        model: Model = key.model,
    ) -> Array:
        return torque_curve_n_m(engine_, model, key.discharge, lobe_i, lobe_e, timing, level)

    return curve


def _with_moves(nominal: Array, moves: Sequence[Array]) -> tuple[Array, Array]:
    """Low and high: moves of one input at a time, added as the root of the sum of their squares."""
    down = np.sqrt(sum(np.minimum(move, 0.0) ** 2 for move in moves))
    up = np.sqrt(sum(np.maximum(move, 0.0) ** 2 for move in moves))
    return nominal - down, nominal + up


def torque_band(key: MechanicalInputs, intake: CardLobe, exhaust: CardLobe) -> TorqueBand:
    """Torque of a candidate over `SPEED_GRID_RPM`, with the band of its card, its valves' flow, burn and friction.

    What the other ranges of the sheet do takes longer: `widened`.
    """
    eng, model, timing = key.engine, key.model, valve_timing(key.candidate, key.model)
    curve = _curve_of(key, intake, exhaust)
    nominal = curve()
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
        moves += [curve(level=level) - nominal for level in ("low", "high")]
    efficiency = band_of(key, "indicated_efficiency", model.indicated_efficiency)
    friction = model.friction_scale * engine.total_fmep_pa(SPEED_GRID_RPM) * displacement_m3(eng) / (4.0 * math.pi)
    moves += [
        (nominal + friction) * (end / model.indicated_efficiency - 1.0) for end in (efficiency.low, efficiency.high)
    ]
    moves += [0.2 * friction, -0.2 * friction]
    runner = ranges_of(key, "runner_length").get("runner_length")
    by_runner = None
    if runner is not None:
        by_runner = (
            curve(engine_=replace(eng, runner_length_m=runner[0])),
            curve(engine_=replace(eng, runner_length_m=runner[1])),
        )
        moves += [each - nominal for each in by_runner]
    return TorqueBand(nominal, *_with_moves(nominal, moves), by_runner, family)


@functools.lru_cache(maxsize=256)
def widened(key: MechanicalInputs, intake: CardLobe, exhaust: CardLobe, band: TorqueBand) -> TorqueBand:
    """The band with every other range of engine, flow table, air and pipes in it: a gas exchange for each end.

    Lines of a flow table move together: a bench that reads high reads high at every lift.
    """
    curve, nominal = _curve_of(key, intake, exhaust), band.nominal
    put: Any = replace
    moves = [band.low - nominal, band.high - nominal]
    for name, pair in ranges_of(key, *_ENGINE_MOVES, *_MODEL_MOVES).items():
        for end in pair:
            if name in _ENGINE_MOVES:
                there = curve(engine_=put(key.engine, **{_ENGINE_MOVES[name]: end}))
            else:
                there = curve(model=put(key.model, **{_MODEL_MOVES[name]: end}))
            moves.append(there - nominal)
    rows = {each.key: each for each in key.ranges if each.key.startswith("flow.")}
    for which in (0, 1) if rows else ():
        points = []
        for i, point in enumerate(key.engine.flow):
            ends = {side: rows.get(f"flow.{i}.{side}") for side in ("intake", "exhaust")}
            moved = {f"{side}_m3_per_s": each[1 + which] for side, each in ends.items() if each is not None}
            points.append(put(point, **moved))
        moves.append(curve(engine_=replace(key.engine, flow=tuple(points))) - nominal)
    low, high = _with_moves(nominal, moves)
    return replace(band, low=low, high=high)


def weighed_torque(build: Build, curve: Array) -> float:
    """Torque averaged over each band of speed, weighed by the share of time spent there."""
    total = 0.0
    for band in build.use.bands:
        at = np.linspace(band.from_rpm, band.to_rpm, 9)
        total += band.share * float(np.interp(at, SPEED_GRID_RPM, curve).mean())
    return total
