"""What physics says of one candidate: figures with low and high, limits broken, cautions.

What does this candidate do?          `assess` -> `Assessment`
Its torque over the speeds used?      `weighed_band`
What lobe is on its card?             `candidate_lobe`
At which speeds is torque known?      `SPEED_GRID_RPM`

Warm calls are cheap: lobes, stresses and torque curves are kept by what they depend on, and only what use or
money moves is made anew.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.figures import Figure, FuelUse, spread
from lobeledger.assess.flow import breathing_figures, sound_speed
from lobeledger.assess.inputs import MechanicalInputs, mechanical_inputs
from lobeledger.assess.limits import Broken, Caution, Impossible, broken_limits, cautions
from lobeledger.assess.lobes import follower_limits, kept_lobe, kept_ways, ramp_of, ramp_room_m
from lobeledger.assess.motion import motion_figures
from lobeledger.assess.springs import springs_and_mass
from lobeledger.assess.stress import nose_stress
from lobeledger.assess.torque import TorqueBand, torque_band, weighed_torque
from lobeledger.engine import breathing
from lobeledger.engine import crank as engine
from lobeledger.engine.cycle import (
    SPEED_GRID_RPM,
    displacement_m3,
    seat_lift_m,
)
from lobeledger.engine.friction import follower_fmep_pa
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.card import CardLobe
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.use import Model
from lobeledger.train.of_candidate import limit_rpm, search_from_rpm, train_of

__all__ = ["Assessment", "assess", "weighed_band"]


@dataclass(frozen=True)
class Assessment:
    """Physics of one candidate. Without lobes (an impossible card) the figures that need them are missing.

    inputs: what it was made from. torque: over `cycle.SPEED_GRID_RPM`; None without lobes.
    """

    candidate: Candidate
    inputs: MechanicalInputs
    figures: Mapping[str, Figure]
    broken: tuple[Broken, ...]
    cautions: tuple[Caution, ...]
    fuel: FuelUse
    intake: CardLobe | None = None
    exhaust: CardLobe | None = None
    torque: TorqueBand | None = None

    @property
    def torque_n_m(self) -> Array:
        """Torque as given (N m) over the speed grid; empty without lobes."""
        return np.zeros(0) if self.torque is None else self.torque.nominal


@dataclass(frozen=True)
class _Mechanics:
    """Everything about a candidate that neither use nor money moves."""

    figures: Mapping[str, Figure]
    impossible: tuple[Impossible, ...]
    intake: CardLobe | None
    exhaust: CardLobe | None
    torque: TorqueBand
    mean_area_m2: float


@functools.lru_cache(maxsize=256)
def _mechanics(key: MechanicalInputs) -> _Mechanics:
    c, model = key.candidate, key.model
    limits = follower_limits(c, model, key.pressure_angle_rad)
    ramp, base = ramp_of(model, c.lifter), c.valvetrain.base_circle_radius_m
    lobes: dict[str, CardLobe] = {}
    impossible: list[Impossible] = []
    for which, card in (("intake", c.intake), ("exhaust", c.exhaust)):
        seat = ramp_room_m(c, which, model)
        try:
            lobes[which] = kept_lobe(card, limits, base, ramp, seat, model.jerk_allowance, model.shape_allowance)
        except NoSolution as trouble:
            impossible.append(Impossible(which, card, str(trouble), kept_ways(card, limits, base, ramp, seat)))
    figures: dict[str, Figure] = {}
    springs_and_mass(key, figures)
    if impossible:
        nothing = np.full(SPEED_GRID_RPM.size, math.nan)
        nowhere = TorqueBand(nothing, nothing, nothing, None, 0.0)
        return _Mechanics(figures, tuple(impossible), lobes.get("intake"), lobes.get("exhaust"), nowhere, math.nan)
    intake, exhaust = lobes["intake"], lobes["exhaust"]
    motion_figures(key, intake, exhaust, limits, figures)
    from_rpm = search_from_rpm(figures["rigid_limit"].value)
    trains = {which: train_of(c, which, model, key.engine.exhaust_valve_m) for which in lobes}
    elastic = [limit_rpm(train, lobes[which].nominal, from_rpm) for which, train in trains.items()]
    figures["elastic_limit"] = Figure.exact(min(elastic))
    figures["stress_cranking"] = nose_stress(key, intake, exhaust, figures, model.cranking_speed_rpm)
    mean_area = breathing_figures(key, intake, exhaust, figures)
    return _Mechanics(figures, (), intake, exhaust, torque_band(key, intake, exhaust), mean_area)


def _check_seats(candidate: Candidate, model: Model) -> None:
    """Raise OutOfRange, naming the input, where a valve would have no seat to leave."""
    for which, lash in (("intake", candidate.intake_lash_m), ("exhaust", candidate.exhaust_lash_m)):
        if not seat_lift_m(candidate, model, lash) > 0.0:
            what = f"{which}_lash of '{candidate.id}'" if candidate.lifter == "solid" else "model.hydraulic_seat"
            raise OutOfRange(f"{what} is zero, so the valve would have no seat to leave; give a value above zero")


@functools.lru_cache(maxsize=512)
def _stress_at(key: MechanicalInputs, speed_rpm: float) -> Figure:
    """Nose stress at a speed, for a candidate whose cards have lobes."""
    mechanics = _mechanics(key)
    assert mechanics.intake is not None and mechanics.exhaust is not None
    return nose_stress(key, mechanics.intake, mechanics.exhaust, dict(mechanics.figures), speed_rpm)


def assess(build: Build, candidate: Candidate) -> Assessment:
    """All figures but money of one candidate, the hard limits it breaks and what to watch.

    Warm calls cost little: lobes, stresses and torque curves are kept, and only what use moves is made anew.
    """
    _check_seats(candidate, build.model)
    key = mechanical_inputs(build, candidate)
    mechanics = _mechanics(key)
    eng, use, model = build.engine, build.use, build.model
    figures = dict(mechanics.figures)
    figures["cruise"] = _cruise(build)
    figures["run_in_time"] = Figure.exact(candidate.run_in_time_s)
    valves = 2 * eng.cylinders
    mean_speed = sum(band.share * (band.from_rpm + band.to_rpm) / 2.0 for band in use.bands)
    if not mechanics.impossible:
        top = use.highest_speed_rpm
        figures["speed_margin"] = Figure(*(speed / top - 1.0 for speed in figures["elastic_limit"]))
        figures["stress_top"] = _stress_at(key, top)
        index = breathing.mean_inlet_mach_index(
            top, mean_effective_area_m2=mechanics.mean_area_m2, bore_m=eng.bore_m, stroke_m=eng.stroke_m, sound_speed_m_per_s=sound_speed(model)
        )  # fmt: skip
        figures["mach_index"] = Figure.exact(float(index))
        torque = weighed_band(build, mechanics.torque)
        if math.isfinite(torque.value):
            figures["torque"] = torque
    broken = broken_limits(build, candidate, mechanics.impossible, figures)
    pair = {"intake": mechanics.intake, "exhaust": mechanics.exhaust}
    lobes = {which: lobe for which, lobe in pair.items() if lobe is not None}
    return Assessment(
        candidate,
        key,
        figures,
        tuple(broken),
        tuple(cautions(build, candidate, figures, lobes)),
        FuelUse(
            displacement_m3(eng),
            float(
                follower_fmep_pa(
                    mean_speed,
                    follower=candidate.follower,
                    valves=valves,
                    cylinders=eng.cylinders,
                    stroke_m=eng.stroke_m,
                )
            ),
            mean_speed,
        ),
        mechanics.intake,
        mechanics.exhaust,
        None if mechanics.impossible else mechanics.torque,
    )


def weighed_band(build: Build, torque: TorqueBand) -> Figure:
    """Torque over the speeds used, weighed by time, with its band."""
    return Figure(*(weighed_torque(build, curve) for curve in (torque.nominal, torque.low, torque.high)))


def _cruise(build: Build) -> Figure:
    """Engine speed at the usual road speed in top gear (rpm)."""
    keys = {
        "cruise_speed": build.vehicle.cruise_speed_m_per_s,
        "axle_ratio": build.vehicle.axle_ratio,
        "top_gear_ratio": build.vehicle.top_gear_ratio,
        "tyre_diameter": build.vehicle.tyre_diameter_m,
    }
    data = {key: build.data[f"vehicle.{key}"] for key in keys}
    ranges = {key: (d.low, d.high) for key, d in data.items() if d.low is not None and d.high is not None}
    return spread(
        lambda cruise_speed, axle_ratio, top_gear_ratio, tyre_diameter: float(
            engine.cruise_rpm(
                cruise_speed, axle_ratio=axle_ratio, top_gear_ratio=top_gear_ratio, tyre_diameter_m=tyre_diameter
            )
        ),
        keys,
        ranges,
    )
