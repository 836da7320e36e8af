"""The lobes a candidate's cards leave open, on its follower.

Which lobes are they?                    `candidate_lobe`
Which duration would narrow them most?   `narrowing_duration`
"""

from __future__ import annotations

import dataclasses
import functools

from lobeledger import units
from lobeledger.engine.cycle import (
    seat_lift_m,
)
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.card import CardLobe, Open, lobe_from_card, most_open
from lobeledger.lobe.ramp import FlatLimits, Ramp, RollerLimits
from lobeledger.lobe.ways_out import WAY_WORDS, WayOut, what_would_give
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import CamAndTrain, Candidate
from lobeledger.parts.card import Card
from lobeledger.parts.use import Model

__all__ = ["candidate_lobe", "narrowing_duration"]


@functools.lru_cache(maxsize=256)
def kept_lobe(
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
def kept_ways(
    card: Card, limits: FlatLimits | RollerLimits, base_m: float, ramp: Ramp, seat_m: float
) -> tuple[WayOut, ...]:
    try:
        return what_would_give(card, limits, base_radius_m=base_m, ramp=ramp, seat_m=seat_m)
    except NoSolution:
        return ()  # a card that cannot even be completed: what is wrong with it has been said


def ramp_of(model: Model, lifter: str) -> Ramp:
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


def follower_limits(candidate: CamAndTrain, model: Model, pressure_angle_rad: float) -> FlatLimits | RollerLimits:
    if candidate.follower == "flat":
        assert candidate.face_diameter_m is not None
        return FlatLimits(candidate.face_diameter_m, model.face_edge_m, model.least_nose_radius_m)
    assert candidate.wheel_diameter_m is not None
    return RollerLimits(
        candidate.wheel_diameter_m / 2.0, pressure_angle_rad, model.least_nose_radius_m, model.grinding_radius_m
    )


def ramp_room_m(candidate: CamAndTrain, which: str, model: Model) -> float:
    """Lobe lift that the ramp of one lobe makes room for before the valve is to move.

    Solid: lash over ratio, and the give of the train its grinder had in mind (the model's: a cam is not ground anew for
    every spring). Hydraulic: what leak-down and give take up.
    """
    lash = candidate.intake_lash_m if which == "intake" else candidate.exhaust_lash_m
    return seat_lift_m(candidate, model, lash) + (model.ramp_give_m if candidate.lifter == "solid" else 0.0)


def with_its_ramps(candidate: Candidate, model: Model) -> Candidate:
    """A solid candidate whose cards say where their ramps end, so that its cams stay as ground under other rockers.

    Cards that give it themselves, or one duration only, are left as they are.
    """
    if candidate.lifter != "solid":
        return candidate

    def pinned(card: Card, which: str) -> Card:
        top_m = ramp_room_m(candidate, which, model)
        if card.ramp_lift_m is not None or len(card.points) < 2 or top_m >= card.lowest.at_m:
            return card
        return dataclasses.replace(card, ramp_lift_m=top_m)

    return dataclasses.replace(
        candidate, intake=pinned(candidate.intake, "intake"), exhaust=pinned(candidate.exhaust, "exhaust")
    )


def candidate_lobe(build: Build, candidate: Candidate, which: str = "intake") -> CardLobe:
    """The lobes a candidate's intake or exhaust card leaves open, on its follower.

    Kept as `assess` keeps them: the same card is the same object. Raises NoSolution, with what alone would make it
    possible, when no lobe fits.
    """
    c, model = candidate, build.model
    card = c.intake if which == "intake" else c.exhaust
    limits, ramp = follower_limits(c, model, build.limits.pressure_angle_rad), ramp_of(model, c.lifter)
    base = c.valvetrain.base_circle_radius_m
    seat = ramp_room_m(c, which, model)
    try:
        return kept_lobe(card, limits, base, ramp, seat, model.jerk_allowance, model.shape_allowance)
    except NoSolution as trouble:
        ways = [
            f"{WAY_WORDS[way.what]} {units.both(way.value, way.kind, toward='up' if way.side > 0 else 'down')}"
            for way in kept_ways(card, limits, base, ramp, seat)
        ]
        hint = f"; one of these alone would do: {', '.join(ways)}" if ways else ""
        raise NoSolution(f"{c.name}, {which}: {trouble}{hint}") from None


def narrowing_duration(lobes: CardLobe) -> Open | None:
    """The further duration that would narrow a card's lobes most; None where no usual lift lies on them."""
    try:
        return most_open(lobes)
    except OutOfRange:
        return None
