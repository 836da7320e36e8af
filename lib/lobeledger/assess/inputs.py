"""What the mechanics of a candidate depend on, and the ranges known of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from lobeledger.engine import breathing
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.car import DischargePoint, Engine, Vehicle
from lobeledger.parts.use import Limits, Model

__all__ = []


@dataclass(frozen=True)
class MechanicalInputs:
    """What the mechanics depend on; the parts themselves ride along uncompared."""

    values: tuple[Any, ...]
    engine: Engine = field(compare=False)
    vehicle: Vehicle = field(compare=False)
    limits: Limits = field(compare=False)
    model: Model = field(compare=False)
    discharge: tuple[DischargePoint, ...] = field(compare=False)
    candidate: Candidate = field(compare=False)
    ranges: Mapping[str, tuple[float, float]] = field(compare=False)


_MECHANICAL = (
    "follower",
    "lifter",
    "intake",
    "exhaust",
    "lobe_separation_rad",
    "intake_centreline_rad",
    "intake_lash_m",
    "exhaust_lash_m",
    "lifter_mass_kg",
    "face_diameter_m",
    "crown_radius_m",
    "lobe_taper_m",
    "wheel_diameter_m",
    "wheel_width_m",
    "lobe_modulus_pa",
    "follower_modulus_pa",
    "valvetrain",
    "springs",
)


def mechanical_inputs(build: Build, candidate: Candidate) -> MechanicalInputs:
    ranges: dict[str, tuple[float, float]] = {}
    for path, short in _RANGED.items():
        datum = build.data.get(path.format(id=candidate.id))
        if datum is not None and datum.low is not None and datum.high is not None and datum.low < datum.high:
            ranges[short] = (datum.low, datum.high)
    mechanical = tuple(getattr(candidate, name) for name in _MECHANICAL)
    limits = build.limits
    return MechanicalInputs(
        (
            mechanical,
            build.engine,
            build.vehicle,
            build.model,
            build.discharge,
            limits.pressure_angle_rad,
            tuple(ranges.items()),
        ),
        build.engine,
        build.vehicle,
        limits,
        build.model,
        build.discharge,
        candidate,
        ranges,
    )


# Paths whose ranges move a figure -> the name the measures below know them by.
_RANGED = {
    **{
        f"candidates.{{id}}.valvetrain.{key}": key
        for key in (
            "rocker_inertia",
            "rocker_pushrod_radius",
            "pushrod_mass",
            "intake_valve_mass",
            "exhaust_valve_mass",
            "retainer_mass",
            "locks_mass",
            "rocker_ratio",
            "base_circle_radius",
            "lobe_width",
        )
    },
    **{
        f"candidates.{{id}}.springs.{key}": key
        for key in (
            "seat_load",
            "rate",
            "inner_seat_load",
            "inner_rate",
            "installed_height",
            "coil_bind",
            "retainer_to_seal",
            "spring_mass",
        )
    },
    **{
        f"candidates.{{id}}.{key}": key
        for key in (
            "lifter_mass",
            "crown_radius",
            "lobe_taper",
            "lobe_modulus",
            "follower_modulus",
            "wheel_diameter",
            "wheel_width",
            "intake_lash",
            "exhaust_lash",
        )
    },
    "engine.compression": "compression",
    "model.mach_index_peak": "mach_index_peak",
    "model.hydraulic_seat": "hydraulic_seat",
    "model.idle_efficiency": "idle_efficiency",
    "model.idle_accessory": "idle_accessory",
    "model.cranking_polytropic": "cranking_polytropic",
    "model.indicated_efficiency": "indicated_efficiency",
}


def ranges_of(key: MechanicalInputs, *names: str, **renamed: str) -> dict[str, tuple[float, float]]:
    """The ranges known of these inputs; renamed: what a measure calls an input -> its name among the ranges."""
    wanted = {**dict(zip(names, names, strict=True)), **renamed}
    return {name: key.ranges[own] for name, own in wanted.items() if own in key.ranges}


def band_of(key: MechanicalInputs, name: str, value: float) -> breathing.Band:
    low, high = key.ranges.get(name, (value, value))
    return breathing.Band(low, value, high)
