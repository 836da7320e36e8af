"""The best possible lobe for a candidate of a build.

Which limits does this build set its lobe?   `task_for`
How much of the best does its card use?      `lobe_share_of`
Flat against roller on equal terms           `equal_tasks`

Answers are kept by the task, so asking again costs nothing.
"""

from __future__ import annotations

import functools
from dataclasses import replace

from lobeledger.assess.lobes import candidate_lobe
from lobeledger.best.share import ShareOfBest, share_of_best
from lobeledger.best.task import LobeTask
from lobeledger.engine.cycle import seat_lift_m
from lobeledger.lobe import ellipse, flat
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.ramp import FlatLimits, RollerLimits
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.train import rigid as valvetrain
from lobeledger.units import rad

__all__ = ["JERK_LIMIT_M_PER_RAD3", "equal_tasks", "lobe_share_of", "task_for"]

# No published limit exists; assumed, it belongs beside every figure made with it: what the hydraulic cards of the demo
# builds take on their rise, 0.6 to 0.85 m per cam radian cubed.
JERK_LIMIT_M_PER_RAD3 = 0.8


def task_for(
    build: Build, candidate: Candidate, which: str = "intake", *, jerk_m_per_rad3: float = JERK_LIMIT_M_PER_RAD3
) -> LobeTask:
    """The limits of a build and a candidate's parts as the task of its intake or exhaust lobe, nominal values.

    Ramp top and duration are those of the card's lowest quoted lift; `lobe_share_of` moves them to where the card's
    own flank begins. Contact stress is held to the candidate's caution level, which is common practice, between
    cranking and the highest speed; springs to the highest speed plus the margin wanted. The grinding wheel is the
    sheet's (`model.grinding_radius`), the one that card lobes are held to.
    """
    c, v, s, model = candidate, candidate.valvetrain, candidate.springs, build.model
    card, lash, valve_kg = (
        (c.intake, c.intake_lash_m, v.intake_valve_mass_kg)
        if which == "intake"
        else (c.exhaust, c.exhaust_lash_m, v.exhaust_valve_mass_kg)
    )
    seat = seat_lift_m(c, model, lash)
    modulus = ellipse.combined_modulus_pa(
        first_modulus_pa=c.lobe_modulus_pa,
        first_poisson=model.poisson,
        second_modulus_pa=c.follower_modulus_pa,
        second_poisson=model.poisson,
    )
    side = valvetrain.valve_side_mass_kg(
        valve_kg=valve_kg,
        retainer_kg=v.retainer_mass_kg,
        locks_kg=v.locks_mass_kg,
        spring_kg=s.spring_mass_kg,
    )
    mass = valvetrain.moving_mass_at_lifter_kg(
        lifter_kg=c.lifter_mass_kg,
        pushrod_kg=v.pushrod_mass_kg,
        rocker_inertia_kg_m2=v.rocker_inertia_kg_m2,
        rocker_pushrod_radius_m=v.rocker_pushrod_radius_m,
        valve_side_kg=side,
        ratio=v.rocker_ratio,
    )
    lowest = card.lowest
    limits: FlatLimits | RollerLimits
    if c.follower == "flat":
        assert c.face_diameter_m is not None and c.crown_radius_m is not None and c.lobe_taper_m is not None
        limits = FlatLimits(c.face_diameter_m, model.face_edge_m, model.least_nose_radius_m)
        crown, wheel_width = c.crown_radius_m, float("inf")
        taper = flat.lobe_taper_rad(c.lobe_taper_m, lobe_width_m=v.lobe_width_m)
        offset = flat.taper_contact_offset_m(crown_radius_m=crown, taper_rad=taper)
    else:
        assert c.wheel_diameter_m is not None and c.wheel_width_m is not None
        limits = RollerLimits(c.wheel_diameter_m / 2.0, build.limits.pressure_angle_rad, model.least_nose_radius_m)
        crown, wheel_width, offset = float("inf"), c.wheel_width_m, 0.0
    top = build.use.highest_speed_rpm
    return LobeTask(
        limits=limits,
        base_radius_m=v.base_circle_radius_m,
        ramp_top_m=max(lowest.at_m, 1.05 * seat if c.lifter == "solid" else seat),
        ramp_velocity_m_per_rad=(
            model.ramp_velocity_m_per_rad if c.lifter == "solid" else model.hydraulic_ramp_velocity_m_per_rad
        ),
        duration_crank_rad=lowest.duration_rad,
        seat_lift_m=seat,
        jerk_m_per_rad3=jerk_m_per_rad3,
        stress_pa=c.stress_caution_pa,
        modulus_pa=modulus,
        lobe_width_m=v.lobe_width_m,
        moving_mass_kg=mass,
        ratio=v.rocker_ratio,
        seat_load_n=s.total_seat_load_n,
        rate_n_per_m=s.total_rate_n_per_m,
        rated_rpm=top,
        low_rpm=min(model.cranking_speed_rpm, top),
        spring_margin=build.limits.speed_margin,
        lash_m=lash if c.lifter == "solid" else 0.0,
        crown_radius_m=crown,
        contact_offset_m=offset,
        wheel_width_m=wheel_width,
        grinding_radius_m=model.grinding_radius_m,
    )


@functools.lru_cache(maxsize=64)
def _share(card: CardLobe, task: LobeTask) -> ShareOfBest:
    return share_of_best(card, task)


def lobe_share_of(build: Build, candidate: Candidate, which: str = "intake") -> ShareOfBest:
    """How much of the lift area its follower allows a candidate's card uses; see `share_of_best`.

    Raises NoSolution for a card no lobe fits on this follower, or limits no lobe meets.
    """
    return _share(candidate_lobe(build, candidate, which), task_for(build, candidate, which))


def equal_tasks(build: Build, flat: Candidate, roller: Candidate) -> tuple[LobeTask, LobeTask]:
    """Tasks of a flat and a roller candidate from one ramp top, for `lobe_share.flat_and_roller`.

    The ramp ends where a hydraulic lifter opens the valve (`model.hydraulic_seat`). Jerk, ramp, seat and speed are
    equal; springs, masses, stress levels and geometry stay each candidate's own.
    """
    speed, ramp_top_m = build.model.hydraulic_ramp_velocity_m_per_rad, build.model.hydraulic_seat_m
    pair = [
        replace(
            task_for(build, each),
            ramp_top_m=ramp_top_m,
            ramp_velocity_m_per_rad=speed,
            ramp_acceleration_m_per_rad2=2.0 * speed**2 / (3.0 * ramp_top_m),
            seat_lift_m=ramp_top_m,
            lash_m=0.0,
            duration_crank_rad=rad(260.0),
        )
        for each in (flat, roller)
    ]
    return pair[0], pair[1]
