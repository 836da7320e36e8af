"""Motion of a candidate's lobes: lift, duration, acceleration, the rigid limit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from lobeledger import units
from lobeledger.arrays import Array
from lobeledger.assess.figures import NOT_FOR_THIS, Figure, spread
from lobeledger.assess.inputs import MechanicalInputs, ranges_of
from lobeledger.assess.springs import valve_side_kg
from lobeledger.lobe import flat, roller
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.ramp import FlatLimits, RollerLimits
from lobeledger.parts.card import Card
from lobeledger.train import rigid as valvetrain
from lobeledger.units import INCH_M

__all__ = []


def worse_of_both(
    measure: Callable[[str, CardLobe], Figure], intake: CardLobe, exhaust: CardLobe, worst: Callable[..., Any]
) -> Figure:
    """The worse of the two lobes, value by value and end by end: the milder lobe may have the wider band."""
    pair = measure("intake", intake), measure("exhaust", exhaust)
    return Figure(*(float(worst(ends)) for ends in zip(*pair, strict=True)))


def seat_duration(key: MechanicalInputs, which: str, lobe: CardLobe, above_seat_m: float = 0.0) -> Figure:
    """Crank angle (rad) with the valve further than above_seat_m, at the valve, off its seat."""
    return _off_seat(key, which, lobe, above_seat_m, lambda member, lift: member.duration_crank_rad(lift))


def seat_side(key: MechanicalInputs, which: str, lobe: CardLobe, side: str) -> Figure:
    """Crank angle (rad) between the valve's seat and its greatest lift, on the "opening" or "closing" side."""
    k = 0 if side == "opening" else 1
    return _off_seat(
        key, which, lobe, 0.0, lambda member, lift: units.crank_rad_from_cam_rad(abs(member.crossings_cam_rad(lift)[k]))
    )


def _lifter_duration(lobe: CardLobe) -> Figure:
    """Crank angle (rad) with the lobe lifted more than 0.050 in, as cams are sold, with what the card leaves open."""
    at_m = 0.050 * INCH_M
    found = [each.duration_crank_rad(at_m) for each in lobe.members if each.greatest_lift_m > at_m]
    return Figure(found[0], min(found), max(found)) if len(found) == len(lobe.members) else NOT_FOR_THIS


def _off_seat(
    key: MechanicalInputs, which: str, lobe: CardLobe, above_seat_m: float, angle: Callable[[Lobe, float], float]
) -> Figure:
    """An angle of every member at the lobe lift that takes the valve above_seat_m off its seat, with its range."""
    c, model = key.candidate, key.model
    if c.lifter == "solid":
        lash = c.intake_lash_m if which == "intake" else c.exhaust_lash_m
        inputs, ranges = dict(lash=lash), ranges_of(key, lash=f"{which}_lash")
    else:
        inputs, ranges = dict(hydraulic_seat=model.hydraulic_seat_m), ranges_of(key, "hydraulic_seat")

    def duration(*, rocker_ratio: float, lash: float = 0.0, hydraulic_seat: float = 0.0) -> Array:
        lobe_lift = (lash + above_seat_m) / rocker_ratio + hydraulic_seat
        return np.array([angle(member, lobe_lift) for member in lobe.members])

    inputs["rocker_ratio"] = c.valvetrain.rocker_ratio
    return spread(duration, inputs, {**ranges, **ranges_of(key, "rocker_ratio")})


def motion_figures(
    key: MechanicalInputs,
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
        side = valve_side_kg(c, which)
        return spread(
            lambda mass, seat, rate, rocker_ratio: valvetrain.rigid_limit_rpm(
                lobe.stack[:, 0], lobe.stack[:, 2], moving_mass_kg=mass + side * (rocker_ratio**2 - v.rocker_ratio**2),
                ratio=rocker_ratio, seat_load_n=seat, rate_n_per_m=rate, lash_m=lash,
            ).crank_rpm,
            dict(mass=mass.value, seat=seat.value, rate=rate.value, rocker_ratio=v.rocker_ratio),
            dict(mass=mass[1:], seat=seat[1:], rate=rate[1:], **ranges_of(key, "rocker_ratio")),
        )  # fmt: skip

    figures["rigid_limit"] = worse_of_both(rigid, intake, exhaust, min)
    for which, card, lash in (
        ("intake", c.intake, c.intake_lash_m),
        ("exhaust", c.exhaust, c.exhaust_lash_m),
    ):
        figures[f"{which}_lift"] = _net_lift(key, which, card, lash)
    figures["seat_duration"] = seat_duration(key, "intake", intake)
    figures["lifter_duration"] = _lifter_duration(intake)
    figures["valve_duration"] = seat_duration(key, "intake", intake, above_seat_m=0.050 * INCH_M)

    def nose_radius(_: str, lobe: CardLobe) -> Figure:
        def least(base_circle_radius: float, wheel_diameter: float = 0.0) -> Array:
            radius = cam_radius_m(key, lobe.stack, base_circle_radius, wheel_diameter)
            return np.where(radius > 0.0, radius, np.inf).min(axis=1)

        inputs = dict(base_circle_radius=base)
        if not isinstance(limits, FlatLimits):
            inputs["wheel_diameter"] = 2.0 * limits.wheel_radius_m
        return spread(least, inputs, ranges_of(key, *inputs))

    figures["nose_radius"] = worse_of_both(nose_radius, intake, exhaust, min)
    if isinstance(limits, FlatLimits):
        figures["travel"] = worse_of_both(
            lambda _, lobe: over_family(np.abs(lobe.stack[:, 1]).max(axis=1)), intake, exhaust, max
        )
        figures["pressure_angle"] = NOT_FOR_THIS
    else:
        figures["travel"] = NOT_FOR_THIS

        def pressure_angle(_: str, lobe: CardLobe) -> Figure:
            return spread(
                lambda base_circle_radius, wheel_diameter: np.abs(
                    roller.roller_pressure_angle_rad(
                        lobe.stack[:, 0],
                        lobe.stack[:, 1],
                        base_radius_m=base_circle_radius,
                        roller_radius_m=wheel_diameter / 2.0,
                    )
                ).max(axis=1),
                dict(base_circle_radius=base, wheel_diameter=2.0 * limits.wheel_radius_m),
                ranges_of(key, "base_circle_radius", "wheel_diameter"),
            )

        figures["pressure_angle"] = worse_of_both(pressure_angle, intake, exhaust, max)


def _net_lift(key: MechanicalInputs, which: str, card: Card, lash: float) -> Figure:
    """Greatest valve lift (m) net of lash or of what a hydraulic lifter takes up."""
    c = key.candidate
    hydraulic = c.lifter != "solid"
    inputs = dict(rocker_ratio=c.valvetrain.rocker_ratio, taken_up=key.model.hydraulic_seat_m if hydraulic else lash)
    ranges = ranges_of(key, "rocker_ratio", taken_up="hydraulic_seat" if hydraulic else f"{which}_lash")

    def lift(rocker_ratio: float, taken_up: float) -> float:
        return rocker_ratio * card.lobe_lift_m - taken_up * (rocker_ratio if hydraulic else 1.0)

    return spread(lift, inputs, ranges)


def over_family(family: Array) -> Figure:
    return Figure(float(family[0]), float(family.min()), float(family.max()))


def cam_radius_m(key: MechanicalInputs, motion: Array, base_m: float, wheel_diameter_m: float) -> Array:
    """Cam radius of curvature (m) from lift, slope and acceleration on axis 1; hollow is negative.

    Convex parts are held at the least radius a lobe may have. Off the nose nothing else bounds a roller's lobe,
    and a base circle smaller than nominal would be ground with another, blunter, lobe of the same card.
    """
    lift, slope, accel = motion[:, 0], motion[:, 1], motion[:, 2]
    least = key.model.least_nose_radius_m
    if key.candidate.follower == "flat":
        return np.maximum(flat.flat_cam_radius_m(lift, accel, base_radius_m=base_m), least)
    wheel_m = wheel_diameter_m / 2.0
    radius = roller.roller_cam_radius_m(lift, slope, accel, base_radius_m=base_m, roller_radius_m=wheel_m)
    return np.where(radius < -wheel_m, radius, np.maximum(radius, least))
