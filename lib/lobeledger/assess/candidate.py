"""What physics says of one candidate: figures with low and high, limits broken, cautions.

What does this candidate do?          `assess` -> `Assessment`
What lobe is on its card?             `candidate_lobe`
At which speeds is torque known?      `SPEED_GRID_RPM`

Warm calls are cheap: lobes, stresses and torque curves are kept by what they depend on, and only what use or
money moves is made anew.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lobeledger import units
from lobeledger.assess.figures import NOT_FOR_THIS, Figure, FuelUse, spread
from lobeledger.assess.limits import Broken, Impossible, broken_limits, cautions
from lobeledger.engine import breathing
from lobeledger.engine import crank as engine
from lobeledger.engine.cycle import (
    CRANK_GRID_RAD,
    SPEED_GRID_RPM,
    crank_effective_area_m2,
    crank_lift_m,
    displacement_m3,
    seat_lift_m,
    torque_curve_n_m,
    valve_timing,
)
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe import contact, follower
from lobeledger.lobe.card import (
    CardLobe,
    FlatLimits,
    Ramp,
    RollerLimits,
    WayOut,
    lobe_from_card,
    what_would_give,
)
from lobeledger.lobe.lift import Array, Lobe
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.car import DischargePoint, Engine, Vehicle
from lobeledger.parts.card import Card
from lobeledger.parts.use import Limits, Model
from lobeledger.train import rigid as valvetrain
from lobeledger.train.of_candidate import limit_rpm, search_from_rpm, train_of

__all__ = ["SPEED_GRID_RPM", "Assessment", "assess", "candidate_lobe"]


@dataclass(frozen=True)
class Assessment:
    """Physics of one candidate. Without lobes (an impossible card) the figures that need them are missing.

    torque_n_m: over `cycle.SPEED_GRID_RPM`; empty without lobes.
    """

    candidate: Candidate
    figures: Mapping[str, Figure]
    broken: tuple[Broken, ...]
    cautions: tuple[str, ...]
    fuel: FuelUse
    intake: CardLobe | None = None
    exhaust: CardLobe | None = None
    torque_family_share: float = 0.0
    torque_n_m: Array = field(default_factory=lambda: np.zeros(0))


# -- lobes ------------------------------------------------------------------------------------------------


@functools.lru_cache(maxsize=256)
def _lobe(
    card: Card,
    limits: FlatLimits | RollerLimits,
    base_m: float,
    ramp: Ramp,
    seat_m: float,
    first: float,
    rest: float,
) -> CardLobe:
    return lobe_from_card(
        card,
        limits,
        base_radius_m=base_m,
        ramp=ramp,
        seat_m=seat_m,
        jerk_allowance=first,
        shape_allowance=rest,
    )


@functools.lru_cache(maxsize=64)
def _ways(
    card: Card, limits: FlatLimits | RollerLimits, base_m: float, ramp: Ramp, seat_m: float
) -> tuple[WayOut, ...]:
    return what_would_give(card, limits, base_radius_m=base_m, ramp=ramp, seat_m=seat_m)


def _ramp(model: Model, lifter: str) -> Ramp:
    """The ramp of a candidate's lobes: of even velocity for a solid lifter, rising all along for a hydraulic one."""
    if lifter == "solid":
        return Ramp(
            model.ramp_velocity_m_per_rad, model.ramp_velocity_low_m_per_rad, model.ramp_velocity_high_m_per_rad
        )
    return Ramp(
        model.hydraulic_ramp_velocity_m_per_rad,
        model.hydraulic_ramp_velocity_low_m_per_rad,
        model.hydraulic_ramp_velocity_high_m_per_rad,
        is_rising=True,
    )


def _limits(candidate: Candidate, model: Model, limits: Limits) -> FlatLimits | RollerLimits:
    if candidate.follower == "flat":
        assert candidate.face_diameter_m is not None
        return FlatLimits(candidate.face_diameter_m, model.face_edge_m, model.least_nose_radius_m)
    assert candidate.wheel_diameter_m is not None
    return RollerLimits(candidate.wheel_diameter_m / 2.0, limits.pressure_angle_rad, model.least_nose_radius_m)


def candidate_lobe(build: Build, candidate: Candidate, which: str = "intake") -> CardLobe:
    """The lobes a candidate's intake or exhaust card leaves open, on its follower.

    Kept as `assess` keeps them: the same card is the same object. Raises NoSolution, with what alone would make it
    possible, when no lobe fits.
    """
    c, model = candidate, build.model
    card, lash = (c.intake, c.intake_lash_m) if which == "intake" else (c.exhaust, c.exhaust_lash_m)
    limits, ramp = _limits(c, model, build.limits), _ramp(model, c.lifter)
    base, seat = c.valvetrain.base_circle_radius_m, seat_lift_m(c, model, lash)
    try:
        return _lobe(card, limits, base, ramp, seat, model.jerk_allowance, model.shape_allowance)
    except NoSolution as trouble:
        ways = [
            f"{way.what} {units.show(way.value, way.kind, toward='down' if 'at most' in way.what else 'up')}"
            for way in _ways(card, limits, base, ramp, seat)
        ]
        hint = f"; one of these alone would do: {', '.join(ways)}" if ways else ""
        raise NoSolution(f"{c.name}, {which}: {trouble}{hint}") from None


# -- what does not depend on use or money ---------------------------------------------------------------


@dataclass(frozen=True)
class _Key:
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
    "follower", "lifter", "intake", "exhaust", "lobe_separation_rad", "intake_centreline_rad", "intake_lash_m",
    "exhaust_lash_m", "lifter_mass_kg", "face_diameter_m", "crown_radius_m", "lobe_taper_m", "wheel_diameter_m",
    "wheel_width_m", "lobe_modulus_pa", "follower_modulus_pa", "valvetrain", "springs",
)  # fmt: skip


def _key(build: Build, candidate: Candidate) -> _Key:
    ranges: dict[str, tuple[float, float]] = {}
    for path, short in _RANGED.items():
        datum = build.data.get(path.format(id=candidate.id))
        if datum is not None and datum.low is not None and datum.high is not None and datum.low < datum.high:
            ranges[short] = (datum.low, datum.high)
    mechanical = tuple(getattr(candidate, name) for name in _MECHANICAL)
    limits = build.limits
    return _Key(
        (mechanical, build.engine, build.vehicle, build.model, build.discharge, limits.pressure_angle_rad, tuple(ranges.items())),
        build.engine, build.vehicle, limits, build.model, build.discharge, candidate, ranges,
    )  # fmt: skip


# Paths whose ranges move a figure -> the name the measures below know them by.
_RANGED = {
    **{
        f"candidates.{{id}}.valvetrain.{key}": key
        for key in (
            "rocker_inertia", "rocker_pushrod_radius", "pushrod_mass", "intake_valve_mass", "exhaust_valve_mass",
            "retainer_mass", "locks_mass", "rocker_ratio", "base_circle_radius", "lobe_width",
        )
    },
    **{
        f"candidates.{{id}}.springs.{key}": key
        for key in ("seat_load", "rate", "inner_seat_load", "inner_rate", "installed_height", "coil_bind", "retainer_to_seal", "spring_mass")
    },
    **{
        f"candidates.{{id}}.{key}": key
        for key in (
            "lifter_mass", "crown_radius", "lobe_taper", "lobe_modulus", "follower_modulus", "wheel_diameter",
            "wheel_width", "intake_lash", "exhaust_lash",
        )
    },
    "engine.compression": "compression",
    "model.mach_index_peak": "mach_index_peak",
    "model.hydraulic_seat": "hydraulic_seat",
    "model.idle_efficiency": "idle_efficiency",
    "model.idle_accessory": "idle_accessory",
    "model.cranking_polytropic": "cranking_polytropic",
    "model.indicated_efficiency": "indicated_efficiency",
}  # fmt: skip


@dataclass(frozen=True)
class _Mechanics:
    """Everything about a candidate that neither use nor money moves."""

    figures: Mapping[str, Figure]
    impossible: tuple[Impossible, ...]
    intake: CardLobe | None
    exhaust: CardLobe | None
    torque: Array
    torque_low: Array
    torque_high: Array
    torque_family_share: float
    mean_area_m2: float
    stress: Callable[[float], Figure]


@functools.lru_cache(maxsize=256)
def _mechanics(key: _Key) -> _Mechanics:
    c, model = key.candidate, key.model
    limits = _limits(c, model, key.limits)
    ramp, base = _ramp(model, c.lifter), c.valvetrain.base_circle_radius_m
    lobes: dict[str, CardLobe] = {}
    impossible: list[Impossible] = []
    for which, card, lash in (
        ("intake", c.intake, c.intake_lash_m),
        ("exhaust", c.exhaust, c.exhaust_lash_m),
    ):
        seat = seat_lift_m(c, model, lash)
        if not seat > 0.0:
            what = f"{which}_lash of '{c.id}'" if c.lifter == "solid" else "model.hydraulic_seat"
            raise OutOfRange(f"{what} is zero, so the valve would have no seat to leave; give a value above zero")
        try:
            lobes[which] = _lobe(card, limits, base, ramp, seat, model.jerk_allowance, model.shape_allowance)
        except NoSolution as trouble:
            impossible.append(Impossible(which, card, str(trouble), _ways(card, limits, base, ramp, seat)))
    figures: dict[str, Figure] = {}
    _springs_and_mass(key, figures)
    if impossible:
        nothing = np.full(SPEED_GRID_RPM.size, math.nan)
        return _Mechanics(
            figures, tuple(impossible), lobes.get("intake"), lobes.get("exhaust"), nothing, nothing, nothing, 0.0, math.nan,
            lambda rpm: NOT_FOR_THIS,
        )  # fmt: skip
    intake, exhaust = lobes["intake"], lobes["exhaust"]
    _motion(key, intake, exhaust, limits, figures)
    from_rpm = search_from_rpm(figures["rigid_limit"].value)
    elastic = [limit_rpm(train_of(c, which, model), lobes[which].nominal, from_rpm) for which in ("intake", "exhaust")]
    figures["elastic_limit"] = Figure.exact(min(elastic))
    figures["stress_cranking"] = _nose_stress(key, intake, exhaust, figures, model.cranking_speed_rpm)
    mean_area = _breathing(key, intake, exhaust, figures)
    nominal, low, high, family = _torque(key, intake, exhaust)
    return _Mechanics(
        figures, (), intake, exhaust, nominal, low, high, family, mean_area,
        functools.lru_cache(maxsize=64)(lambda rpm: _nose_stress(key, intake, exhaust, figures, rpm)),
    )  # fmt: skip


def _some(key: _Key, *names: str, **renamed: str) -> dict[str, tuple[float, float]]:
    """The ranges known of these inputs; renamed: what a measure calls an input -> its name among the ranges."""
    wanted = {**dict(zip(names, names, strict=True)), **renamed}
    return {name: key.ranges[own] for name, own in wanted.items() if own in key.ranges}


def _springs_and_mass(key: _Key, figures: dict[str, Figure]) -> None:
    """Moving mass, spring loads and clearances; they need the cards' lifts but no lobe."""
    c, v, s = key.candidate, key.candidate.valvetrain, key.candidate.springs

    def mass(
        *, valve_mass: float, lifter_mass: float, pushrod_mass: float, rocker_inertia: float,
        rocker_pushrod_radius: float, retainer_mass: float, locks_mass: float, spring_mass: float,
        rocker_ratio: float = v.rocker_ratio,
    ) -> float:  # fmt: skip
        return valvetrain.moving_mass_at_lifter_kg(
            lifter_kg=lifter_mass,
            pushrod_kg=pushrod_mass,
            rocker_inertia_kg_m2=rocker_inertia,
            rocker_pushrod_radius_m=rocker_pushrod_radius,
            valve_side_kg=valvetrain.valve_side_mass_kg(
                valve_kg=valve_mass, retainer_kg=retainer_mass, locks_kg=locks_mass, spring_kg=spring_mass
            ),
            ratio=rocker_ratio,
        )

    inputs = dict(
        lifter_mass=c.lifter_mass_kg, pushrod_mass=v.pushrod_mass_kg, rocker_inertia=v.rocker_inertia_kg_m2,
        rocker_pushrod_radius=v.rocker_pushrod_radius_m, retainer_mass=v.retainer_mass_kg, locks_mass=v.locks_mass_kg,
        spring_mass=s.spring_mass_kg,
    )  # fmt: skip
    shared = _some(key, *inputs)
    for which in ("intake", "exhaust"):
        ranges = {**shared, **_some(key, valve_mass=f"{which}_valve_mass")}
        figures[f"{which}_mass"] = spread(mass, {**inputs, "valve_mass": getattr(v, f"{which}_valve_mass_kg")}, ranges)
    # `intake_mass` and `exhaust_mass` hold the ratio fixed: limit and stress move it in mass and load together.
    ratio = _some(key, "rocker_ratio")
    figures["mass"] = spread(
        mass,
        {**inputs, "valve_mass": v.intake_valve_mass_kg, "rocker_ratio": v.rocker_ratio},
        {**shared, **_some(key, valve_mass="intake_valve_mass"), **ratio},
    )

    full = c.greatest_lift_at_m
    loads = dict(
        seat_load=s.seat_load_n,
        inner_seat_load=s.inner_seat_load_n,
        rate=s.rate_n_per_m,
        inner_rate=s.inner_rate_n_per_m,
    )
    seat_ranges, rate_ranges = _some(key, "seat_load", "inner_seat_load"), _some(key, "rate", "inner_rate")
    figures["seat_load"] = spread(
        lambda seat_load, inner_seat_load, **_: seat_load + inner_seat_load, loads, seat_ranges
    )
    figures["rate"] = spread(lambda rate, inner_rate, **_: rate + inner_rate, loads, rate_ranges)
    figures["open_load"] = spread(
        lambda seat_load, inner_seat_load, rate, inner_rate, rocker_ratio: float(
            valvetrain.open_load_n(
                seat_load + inner_seat_load, rate_n_per_m=rate + inner_rate, valve_lift_m=full(rocker_ratio)
            )
        ),
        {**loads, "rocker_ratio": v.rocker_ratio},
        {**seat_ranges, **rate_ranges, **ratio},
    )
    figures["coil_bind"] = spread(
        lambda installed_height, coil_bind, rocker_ratio: valvetrain.coil_bind_clearance_m(
            installed_height_m=installed_height, coil_bind_height_m=coil_bind, greatest_valve_lift_m=full(rocker_ratio)
        ),
        dict(installed_height=s.installed_height_m, coil_bind=s.coil_bind_m, rocker_ratio=v.rocker_ratio),
        _some(key, "installed_height", "coil_bind", "rocker_ratio"),
    )
    figures["retainer"] = spread(
        lambda retainer_to_seal, rocker_ratio: valvetrain.retainer_to_seal_clearance_m(
            retainer_to_seal_closed_m=retainer_to_seal, greatest_valve_lift_m=full(rocker_ratio)
        ),
        dict(retainer_to_seal=s.retainer_to_seal_m, rocker_ratio=v.rocker_ratio),
        _some(key, "retainer_to_seal", "rocker_ratio"),
    )


def _both(
    measure: Callable[[str, CardLobe], Figure], intake: CardLobe, exhaust: CardLobe, worst: Callable[..., Any]
) -> Figure:
    """The worse of the two lobes, value by value and end by end: the milder lobe may have the wider band."""
    pair = measure("intake", intake), measure("exhaust", exhaust)
    return Figure(*(float(worst(ends)) for ends in zip(*pair, strict=True)))


def _valve_side_kg(c: Candidate, which: str) -> float:
    v: Any = c.valvetrain
    return valvetrain.valve_side_mass_kg(
        valve_kg=getattr(v, f"{which}_valve_mass_kg"), retainer_kg=v.retainer_mass_kg, locks_kg=v.locks_mass_kg,
        spring_kg=c.springs.spring_mass_kg,
    )  # fmt: skip


def _seat_duration(key: _Key, which: str, lobe: CardLobe, above_seat_m: float = 0.0) -> Figure:
    """Crank angle (rad) with the valve further than above_seat_m, at the valve, off its seat."""
    return _off_seat(key, which, lobe, above_seat_m, lambda member, lift: member.duration_crank_rad(lift))


def _seat_side(key: _Key, which: str, lobe: CardLobe, side: str) -> Figure:
    """Crank angle (rad) between the valve's seat and its greatest lift, on the "opening" or "closing" side."""
    k = 0 if side == "opening" else 1
    return _off_seat(
        key, which, lobe, 0.0, lambda member, lift: units.crank_rad_from_cam_rad(abs(member.crossings_cam_rad(lift)[k]))
    )


def _off_seat(
    key: _Key, which: str, lobe: CardLobe, above_seat_m: float, angle: Callable[[Lobe, float], float]
) -> Figure:
    """An angle of every member at the lobe lift that takes the valve above_seat_m off its seat, with its range."""
    c, model = key.candidate, key.model
    if c.lifter == "solid":
        lash = c.intake_lash_m if which == "intake" else c.exhaust_lash_m
        inputs, ranges = dict(lash=lash), _some(key, lash=f"{which}_lash")
    else:
        inputs, ranges = dict(hydraulic_seat=model.hydraulic_seat_m), _some(key, "hydraulic_seat")

    def duration(*, rocker_ratio: float, lash: float = 0.0, hydraulic_seat: float = 0.0) -> Array:
        lobe_lift = (lash + above_seat_m) / rocker_ratio + hydraulic_seat
        return np.array([angle(member, lobe_lift) for member in lobe.members])

    inputs["rocker_ratio"] = c.valvetrain.rocker_ratio
    return spread(duration, inputs, {**ranges, **_some(key, "rocker_ratio")})


def _motion(
    key: _Key,
    intake: CardLobe,
    exhaust: CardLobe,
    limits: FlatLimits | RollerLimits,
    figures: dict[str, Figure],
) -> None:
    """Lifts, durations, geometry and the rigid limit speed."""
    c, v = key.candidate, key.candidate.valvetrain
    base = v.base_circle_radius_m

    def rigid(which: str, lobe: CardLobe) -> Figure:
        lash = c.intake_lash_m if which == "intake" else c.exhaust_lash_m
        mass, seat, rate = figures[f"{which}_mass"], figures["seat_load"], figures["rate"]
        side = _valve_side_kg(c, which)
        return spread(
            lambda mass, seat, rate, rocker_ratio: valvetrain.rigid_limit_rpm(
                lobe.stack[:, 0], lobe.stack[:, 2], moving_mass_kg=mass + side * (rocker_ratio**2 - v.rocker_ratio**2),
                ratio=rocker_ratio, seat_load_n=seat, rate_n_per_m=rate, lash_m=lash,
            ).crank_rpm,
            dict(mass=mass.value, seat=seat.value, rate=rate.value, rocker_ratio=v.rocker_ratio),
            dict(mass=mass[1:], seat=seat[1:], rate=rate[1:], **_some(key, "rocker_ratio")),
        )  # fmt: skip

    figures["rigid_limit"] = _both(rigid, intake, exhaust, min)
    for which, card, lash in (
        ("intake", c.intake, c.intake_lash_m),
        ("exhaust", c.exhaust, c.exhaust_lash_m),
    ):
        figures[f"{which}_lift"] = _net_lift(key, which, card, lash)
    figures["seat_duration"] = _seat_duration(key, "intake", intake)
    figures["valve_duration"] = _seat_duration(key, "intake", intake, above_seat_m=0.050 * 0.0254)

    def nose_radius(_: str, lobe: CardLobe) -> Figure:
        def least(base_circle_radius: float, wheel_diameter: float = 0.0) -> Array:
            radius = _cam_radius(key, lobe.stack, base_circle_radius, wheel_diameter)
            return np.where(radius > 0.0, radius, np.inf).min(axis=1)

        inputs = dict(base_circle_radius=base)
        if not isinstance(limits, FlatLimits):
            inputs["wheel_diameter"] = 2.0 * limits.wheel_radius_m
        return spread(least, inputs, _some(key, *inputs))

    figures["nose_radius"] = _both(nose_radius, intake, exhaust, min)
    if isinstance(limits, FlatLimits):
        figures["travel"] = _both(lambda _, lobe: _over(np.abs(lobe.stack[:, 1]).max(axis=1)), intake, exhaust, max)
        figures["pressure_angle"] = NOT_FOR_THIS
    else:
        figures["travel"] = NOT_FOR_THIS

        def pressure_angle(_: str, lobe: CardLobe) -> Figure:
            return spread(
                lambda base_circle_radius, wheel_diameter: np.abs(
                    follower.roller_pressure_angle_rad(
                        lobe.stack[:, 0],
                        lobe.stack[:, 1],
                        base_radius_m=base_circle_radius,
                        roller_radius_m=wheel_diameter / 2.0,
                    )
                ).max(axis=1),
                dict(base_circle_radius=base, wheel_diameter=2.0 * limits.wheel_radius_m),
                _some(key, "base_circle_radius", "wheel_diameter"),
            )

        figures["pressure_angle"] = _both(pressure_angle, intake, exhaust, max)


def _net_lift(key: _Key, which: str, card: Card, lash: float) -> Figure:
    """Greatest valve lift (m) net of lash or of what a hydraulic lifter takes up."""
    c = key.candidate
    hydraulic = c.lifter != "solid"
    inputs = dict(rocker_ratio=c.valvetrain.rocker_ratio, taken_up=key.model.hydraulic_seat_m if hydraulic else lash)
    ranges = _some(key, "rocker_ratio", taken_up="hydraulic_seat" if hydraulic else f"{which}_lash")

    def lift(rocker_ratio: float, taken_up: float) -> float:
        return rocker_ratio * card.lobe_lift_m - taken_up * (rocker_ratio if hydraulic else 1.0)

    return spread(lift, inputs, ranges)


def _over(family: Array) -> Figure:
    return Figure(float(family[0]), float(family.min()), float(family.max()))


def _cam_radius(key: _Key, motion: Array, base_m: float, wheel_diameter_m: float) -> Array:
    """Cam radius of curvature (m) from lift, slope and acceleration on axis 1; hollow is negative.

    Convex parts are held at the least radius a lobe may have. Off the nose nothing else bounds a roller's lobe,
    and a base circle smaller than nominal would be ground with another, blunter, lobe of the same card.
    """
    lift, slope, accel = motion[:, 0], motion[:, 1], motion[:, 2]
    least = key.model.least_nose_radius_m
    if key.candidate.follower == "flat":
        return np.maximum(follower.flat_cam_radius_m(lift, accel, base_radius_m=base_m), least)
    wheel_m = wheel_diameter_m / 2.0
    radius = follower.roller_cam_radius_m(lift, slope, accel, base_radius_m=base_m, roller_radius_m=wheel_m)
    return np.where(radius < -wheel_m, radius, np.maximum(radius, least))


def _nose_stress(
    key: _Key, intake: CardLobe, exhaust: CardLobe, figures: Mapping[str, Figure], speed_rpm: float
) -> Figure:
    """Greatest contact pressure on the nose at a crank speed, the worse of intake and exhaust (Pa).

    The nose is where the lobe slows the open valve (s'' < 0). Its sharpest and hardest pressed point often lies
    beside the angle of greatest lift, so each lobe's is looked for, with nominal inputs, and followed from there.
    """
    c, v, model = key.candidate, key.candidate.valvetrain, key.model

    def one(which: str, lobe: CardLobe) -> Figure:
        lash = c.intake_lash_m if which == "intake" else c.exhaust_lash_m
        side = _valve_side_kg(c, which)

        def pressure(
            motion: Array, *, seat: float, rate: float, mass: float, rocker_ratio: float, base_circle_radius: float,
            lobe_width: float, lobe_modulus: float, follower_modulus: float, crown_radius: float = 0.0,
            lobe_taper: float = 0.0, wheel_diameter: float = 0.0, wheel_width: float = 0.0,
        ) -> Array:  # fmt: skip
            lift, slope, accel = motion[:, 0], motion[:, 1], motion[:, 2]
            load = valvetrain.contact_force_n(
                lift, accel, crank_rpm=speed_rpm, moving_mass_kg=mass + side * (rocker_ratio**2 - v.rocker_ratio**2),
                ratio=rocker_ratio, seat_load_n=seat, rate_n_per_m=rate, lash_m=lash,
            )  # fmt: skip
            # Above the rigid limit nothing presses on the nose; the limit itself is reported elsewhere.
            load = np.maximum(load, 0.0)
            modulus = contact.combined_modulus_pa(
                first_modulus_pa=lobe_modulus,
                first_poisson=model.poisson,
                second_modulus_pa=follower_modulus,
                second_poisson=model.poisson,
            )
            radius = _cam_radius(key, motion, base_circle_radius, wheel_diameter)
            if c.follower == "flat":
                taper = follower.lobe_taper_rad(lobe_taper, lobe_width_m=lobe_width)
                return contact.crowned_face_contact(
                    load,
                    cam_radius_m=radius,
                    crown_radius_m=crown_radius,
                    lobe_width_m=lobe_width,
                    modulus_pa=modulus,
                    contact_offset_m=follower.taper_contact_offset_m(crown_radius_m=crown_radius, taper_rad=taper),
                ).peak_pressure_pa
            angle = follower.roller_pressure_angle_rad(
                lift, slope, base_radius_m=base_circle_radius, roller_radius_m=wheel_diameter / 2.0
            )
            return contact.roller_lobe_contact(
                follower.roller_normal_load_n(load, pressure_angle_rad=angle),
                cam_radius_m=radius,
                roller_radius_m=wheel_diameter / 2.0,
                lobe_width_m=lobe_width,
                wheel_width_m=wheel_width,
                modulus_pa=modulus,
            ).peak_pressure_pa

        inputs = dict(
            seat=figures["seat_load"].value, rate=figures["rate"].value, mass=figures[f"{which}_mass"].value,
            rocker_ratio=v.rocker_ratio, base_circle_radius=v.base_circle_radius_m, lobe_width=v.lobe_width_m,
            lobe_modulus=c.lobe_modulus_pa, follower_modulus=c.follower_modulus_pa,
        )  # fmt: skip
        ranges = {
            "seat": figures["seat_load"][1:], "rate": figures["rate"][1:], "mass": figures[f"{which}_mass"][1:],
            **_some(key, "rocker_ratio", "base_circle_radius", "lobe_width", "lobe_modulus", "follower_modulus"),
        }  # fmt: skip
        if c.follower == "flat":
            assert c.crown_radius_m is not None and c.lobe_taper_m is not None
            inputs |= dict(crown_radius=c.crown_radius_m, lobe_taper=c.lobe_taper_m)
            ranges |= _some(key, "crown_radius", "lobe_taper")
        else:
            assert c.wheel_diameter_m is not None and c.wheel_width_m is not None
            inputs |= dict(wheel_diameter=c.wheel_diameter_m, wheel_width=c.wheel_width_m)
            ranges |= _some(key, "wheel_diameter", "wheel_width")
        # Where the flanks are alike the closing side stands for both; where not, the opening side follows it.
        nose = int(lobe.nominal.lift_m.argmax())
        half = lobe.stack[:, :, nose:]
        if not (c.intake if which == "intake" else c.exhaust).is_symmetric:
            half = np.concatenate([half, lobe.stack[:, :, :nose]], axis=2)
        slowed = (half[:, 2] < 0.0) & (v.rocker_ratio * half[:, 0] > lash)
        # Elsewhere the cam may be too hollow for the face; a still motion at full height keeps those places quiet.
        still = np.where(slowed[:, np.newaxis], half, half[:, :, :1])
        worst = np.where(slowed, pressure(still, **inputs), -1.0).argmax(axis=1)
        motion = np.take_along_axis(half, worst[:, np.newaxis, np.newaxis], axis=2)

        def there(**moved: float) -> Array:
            return pressure(motion, **moved)[:, 0]

        found = spread(there, inputs, ranges)
        return Figure(found.value, max(found.low, 0.0), found.high)

    return _both(one, intake, exhaust, max)


def _breathing(key: _Key, intake: CardLobe, exhaust: CardLobe, figures: dict[str, Figure]) -> float:
    """Closing, compression, overlap, idle; returns the mean effective intake area (m2)."""
    c, eng, model, vehicle = key.candidate, key.engine, key.model, key.vehicle
    timing = valve_timing(c, model)
    opened, exhaust_opened = figures["seat_duration"], _seat_duration(key, "exhaust", exhaust)
    if c.intake.is_symmetric:
        ivc = Figure(*(_closing(c.intake_centreline_rad, x) for x in opened))
    else:
        closing_side = _seat_side(key, "intake", intake, "closing")
        ivc = Figure(*(_closing(c.intake_centreline_rad, 2.0 * x) for x in closing_side))
    figures["ivc"] = ivc
    gap = 2.0 * c.lobe_separation_rad
    if c.intake.is_symmetric and c.exhaust.is_symmetric:
        figures["overlap"] = Figure(*((i + e) / 2.0 - gap for i, e in zip(opened, exhaust_opened, strict=True)))
    else:
        # Overlap is the intake's opening side and the exhaust's closing side; the centrelines are of greatest lift.
        sides = _seat_side(key, "intake", intake, "opening"), _seat_side(key, "exhaust", exhaust, "closing")
        figures["overlap"] = Figure(*(i + e - gap for i, e in zip(*sides, strict=True)))
    datum = f"{units.show(timing.intake_seat_m, 'lift')} lobe lift"

    def trapped(*, closing: float, compression: float) -> float:
        return engine.trapped_compression_ratio(
            ivc_crank_deg_abdc=max(math.degrees(closing), 0.0), datum=datum, stroke_m=eng.stroke_m,
            rod_length_m=eng.rod_m, compression_ratio=compression,
        ).ratio  # fmt: skip

    inputs = dict(closing=ivc.value, compression=eng.compression)
    ranges = dict(closing=ivc[1:], **_some(key, "compression"))
    figures["dynamic_compression"] = spread(trapped, inputs, ranges)
    figures["cranking_pressure"] = spread(
        lambda exponent, **rest: breathing.cranking_pressure_gauge_pa(
            trapped_compression_ratio=trapped(**rest),
            polytropic_exponent=exponent,
            ambient_pressure_pa=model.ambient_pressure_pa,
        ),
        dict(**inputs, exponent=model.cranking_polytropic),
        {**ranges, **_some(key, exponent="cranking_polytropic")},
    )
    swept = engine.swept_volume_m3(bore_m=eng.bore_m, stroke_m=eng.stroke_m)

    def factor(intake_lobe: Lobe, exhaust_lobe: Lobe) -> float:
        integrals = breathing.overlap_integrals_m_rad(
            CRANK_GRID_RAD,
            intake_lift_m=crank_lift_m(intake_lobe.lift_m, intake_lobe.theta_cam_rad, timing.intake_centre_rad, timing.ratio, timing.intake_seat_m),
            exhaust_lift_m=crank_lift_m(exhaust_lobe.lift_m, exhaust_lobe.theta_cam_rad, timing.exhaust_centre_rad, timing.ratio, timing.exhaust_seat_m),
        )  # fmt: skip
        return breathing.overlap_factor_deg_per_m(
            integrals,
            intake_valve_diameter_m=eng.intake_valve_m,
            exhaust_valve_diameter_m=eng.exhaust_valve_m,
            swept_volume_m3=swept,
        )

    figures["overlap_factor"] = _over(
        np.array(
            [
                factor(intake.nominal, exhaust.nominal),
                *(factor(lobe, exhaust.extremes.get(name, exhaust.nominal)) for name, lobe in intake.extremes.items()),
            ]
        )
    )
    clearance = engine.clearance_volume_m3(swept_volume_m3=swept, compression_ratio=eng.compression)
    try:
        idle = breathing.idle_vacuum(
            speed_rpm=vehicle.idle_speed_rpm,
            overlap_factor_deg_per_m=figures["overlap_factor"].value,
            swept_volume_m3=swept,
            trapped_volume_m3=clearance * figures["dynamic_compression"].value,
            compression_ratio=eng.compression,
            friction_mep_pa=model.friction_scale * engine.total_fmep_pa(vehicle.idle_speed_rpm),
            accessory_mep_pa=_band(key, "idle_accessory", model.idle_accessory_pa),
            indicated_efficiency=_band(key, "idle_efficiency", model.idle_efficiency),
            fuel_heating_value_j_per_kg=model.fuel_heating_value_j_per_kg,
            air_fuel_ratio=model.air_fuel,
            ambient_pressure_pa=model.ambient_pressure_pa,
            exhaust_pressure_pa=model.ambient_pressure_pa,
        )
        vacuum = idle.vacuum_pa
        figures["vacuum"] = Figure(vacuum.nominal, vacuum.low, vacuum.high)
        figures["residual"] = Figure.exact(idle.residual_fraction)
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
        sound_speed_m_per_s=_sound(model),
        index_band=_band(key, "mach_index_peak", model.mach_index_peak),
    )
    figures["breathing_speed"] = Figure(band.nominal, band.low, band.high)
    return mean_area


def _band(key: _Key, name: str, value: float) -> breathing.Band:
    low, high = key.ranges.get(name, (value, value))
    return breathing.Band(low, value, high)


def _sound(model: Model) -> float:
    return breathing.sound_speed_m_per_s(model.ambient_temperature_k + model.charge_heating_k)


def _closing(centreline_rad: float, duration_rad: float) -> float:
    """Intake closing after BDC: IVC = D/2 + ICL - 180 deg (crank)."""
    return duration_rad / 2.0 + centreline_rad - math.pi


def _torque(key: _Key, intake: CardLobe, exhaust: CardLobe) -> tuple[Array, Array, Array, float]:
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
    if not eng.flow:
        moves += [curve(intake.nominal, exhaust.nominal, level) - nominal for level in ("low", "high")]
    low_eff, high_eff = key.ranges.get("indicated_efficiency", (model.indicated_efficiency,) * 2)
    friction = model.friction_scale * engine.total_fmep_pa(SPEED_GRID_RPM) * displacement_m3(eng) / (4.0 * math.pi)
    moves += [(nominal + friction) * (end / model.indicated_efficiency - 1.0) for end in (low_eff, high_eff)]
    moves += [0.2 * friction, -0.2 * friction]
    down = np.sqrt(sum(np.minimum(move, 0.0) ** 2 for move in moves))
    up = np.sqrt(sum(np.maximum(move, 0.0) ** 2 for move in moves))
    return nominal, nominal - down, nominal + up, family


# -- a candidate in its use -------------------------------------------------------------------------------


def assess(build: Build, candidate: Candidate, system: str = "us") -> Assessment:
    """All figures but money of one candidate, the hard limits it breaks and what to watch.

    system: "us" or "metric", the units of the sentences. Warm calls cost little: lobes, stresses and torque curves are kept, and only what use moves is made anew.
    """
    mechanics = _mechanics(_key(build, candidate))
    eng, use, model, vehicle = build.engine, build.use, build.model, build.vehicle
    figures = dict(mechanics.figures)
    cruise = engine.cruise_rpm(
        vehicle.cruise_speed_m_per_s,
        axle_ratio=vehicle.axle_ratio,
        top_gear_ratio=vehicle.top_gear_ratio,
        tyre_diameter_m=vehicle.tyre_diameter_m,
    )
    figures["cruise"] = Figure.exact(float(cruise))
    figures["run_in_time"] = Figure.exact(candidate.run_in_time_s)
    valves = 2 * eng.cylinders
    mean_speed = sum(band.share * (band.from_rpm + band.to_rpm) / 2.0 for band in use.bands)
    friction = engine.valvetrain_fmep_flat_pa if candidate.follower == "flat" else engine.valvetrain_fmep_roller_pa
    if not mechanics.impossible:
        top = use.highest_speed_rpm
        figures["speed_margin"] = Figure(*(speed / top - 1.0 for speed in figures["elastic_limit"]))
        figures["stress_top"] = mechanics.stress(top)
        index = breathing.mean_inlet_mach_index(
            top, mean_effective_area_m2=mechanics.mean_area_m2, bore_m=eng.bore_m, stroke_m=eng.stroke_m, sound_speed_m_per_s=_sound(model)
        )  # fmt: skip
        figures["mach_index"] = Figure.exact(float(index))
        curves = (mechanics.torque, mechanics.torque_low, mechanics.torque_high)
        torque = Figure(*(_weighed(build, curve) for curve in curves))
        if math.isfinite(torque.value):
            figures["torque"] = torque
    broken = broken_limits(build, candidate, mechanics.impossible, figures, system)
    return Assessment(
        candidate,
        figures,
        tuple(broken),
        tuple(cautions(build, candidate, figures, system)),
        FuelUse(
            displacement_m3(eng),
            float(friction(mean_speed, valves=valves, cylinders=eng.cylinders, stroke_m=eng.stroke_m)),
            mean_speed,
        ),
        mechanics.intake,
        mechanics.exhaust,
        mechanics.torque_family_share,
        np.zeros(0) if mechanics.impossible else mechanics.torque,
    )


def _weighed(build: Build, curve: Array) -> float:
    """Torque averaged over each band of speed, weighed by the share of time spent there."""
    total = 0.0
    for band in build.use.bands:
        at = np.linspace(band.from_rpm, band.to_rpm, 9)
        total += band.share * float(np.interp(at, SPEED_GRID_RPM, curve).mean())
    return total
