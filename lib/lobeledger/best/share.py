"""A card, or one follower, against the best lobe possible.

How near does a card come to the best?     `share_of_best` -> `ShareOfBest`, `task_of_card`, `at_ramps_of`
Where does the roller overtake the flat?   `flat_and_roller`
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from lobeledger.arrays import Array
from lobeledger.best.design import BestLobe, best_lobe
from lobeledger.best.task import LobeTask, limit_uses
from lobeledger.errors import NoSolution
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.lift import Lobe
from lobeledger.units import INCH_M, rad

__all__ = ["ShareOfBest", "at_ramps_of", "flat_and_roller", "share_of_best", "task_of_card"]

# -- a card against the best --------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class ShareOfBest:
    """A card's lift area over the best possible lobe's, same ramp tops, ramp velocity and limits.

    at_its_lift: the best lobe lifts no more than the card. free: it may lift as high as the limits let it. Each is
    (nominal, low, high) over the card's family. Above 1 a member takes more of some limit than the nominal lobe.
    raised: limits the card's nominal lobe itself oversteps, and the figure used instead.
    """

    at_its_lift: tuple[float, float, float]
    free: tuple[float, float, float]
    best_at_its_lift: BestLobe
    best_free: BestLobe
    raised: Mapping[str, float]


def _area_between(lobe: Lobe, half_rad: float, above_m: float) -> float:
    """Lift area between -half and +half, by Simpson's rule on the lobe's cubics."""
    theta = np.linspace(-half_rad, half_rad, 2001)
    lift = np.interp(theta, lobe.theta_cam_rad, lobe.lift_m)
    # Between its own nodes the lobe is no broken line; the quarter-degree grid cuts corners by h^2 s''/12.
    bend = np.interp(theta, lobe.theta_cam_rad, lobe.acceleration_m_per_rad2)
    step = float(lobe.theta_cam_rad[1] - lobe.theta_cam_rad[0])
    return float(np.trapezoid(lift - step**2 / 12.0 * bend - above_m, theta))


def at_ramps_of(card: CardLobe, task: LobeTask) -> LobeTask:
    """The task moved to where a card's own flank begins: ramp top, its velocity there, and the duration between."""
    half, lobe = card.ramp_top_cam_rad, card.nominal
    # The ramp top lies between two nodes; inside it the flank's cubic is known at the next one.
    first = int(np.argmax(np.abs(lobe.theta_cam_rad) <= half))
    d = -half - float(lobe.theta_cam_rad[first])
    top = float(
        lobe.lift_m[first] + d * (lobe.velocity_m_per_rad[first] + d / 2.0 * lobe.acceleration_m_per_rad2[first])
    )
    inside = lobe.acceleration_m_per_rad2[first : first + 2]
    jerk = float(inside[1] - inside[0]) / float(lobe.theta_cam_rad[first + 1] - lobe.theta_cam_rad[first])
    bend = float(inside[0]) + d * jerk
    speed = float(lobe.velocity_m_per_rad[first]) + d * (float(inside[0]) + d / 2.0 * jerk)
    top = max(top, task.seat_lift_m)
    most = 2.0 * speed**2 / (3.0 * top)
    return replace(
        task,
        ramp_top_m=top,
        ramp_velocity_m_per_rad=speed,
        # On an even ramp only rounding is left of it.
        ramp_acceleration_m_per_rad2=min(bend, most) if bend > 1e-3 * most else 0.0,
        duration_crank_rad=4.0 * half,
    )


def task_of_card(card: CardLobe, task: LobeTask) -> tuple[LobeTask, dict[str, float]]:
    """The task at a card's own ramp tops and lift, each limit no tighter than what the card's nominal lobe takes.

    Jerk, for which no published limit exists, is the greatest any member of the card's family takes. Returned too:
    which limits had to be raised, and to what.
    """
    half, lobe = card.ramp_top_cam_rad, card.nominal
    jerk = 0.0
    for member in card.members:
        inside = np.abs(member.theta_cam_rad) <= half
        change = np.diff(member.acceleration_m_per_rad2[inside]) / np.diff(member.theta_cam_rad[inside])
        jerk = max(jerk, float(np.abs(change).max()))
    made = replace(at_ramps_of(card, task), jerk_m_per_rad3=jerk, greatest_lift_m=lobe.greatest_lift_m, through=())
    inside = (np.abs(lobe.theta_cam_rad) <= half) & (lobe.theta_cam_rad >= 0.0)
    s, v, a = (x[inside] for x in (lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2))
    raised: dict[str, float] = {}
    uses = {name: float(np.max(use(made, s, v, a))) for name, use in limit_uses(made).items()}
    if uses.get("stress", 0.0) > 1.0:
        raised["stress_pa"] = made.stress_pa * uses["stress"]
    if uses["springs"] > 1.0:
        raised["spring_margin"] = (1.0 + made.spring_margin) / math.sqrt(uses["springs"]) - 1.0
    if uses.get("hollow", 0.0) > 1.0:
        raised["grinding_radius_m"] = made.grinding_radius_m / uses["hollow"]
    if uses["nose"] > 1.0:
        raised["least_nose_radius_m"] = made.limits.least_nose_radius_m / uses["nose"]
    for name, value in raised.items():
        made = made.moved(name, value)
    return made, raised


def share_of_best(card: CardLobe, task: LobeTask) -> ShareOfBest:
    """How much of the area its follower allows a card uses: nominal, low and high over the card's family.

    task: the limits; its durations, ramp, jerk and lift cap are replaced by the card's (`task_of_card`). Two ways are
    reported. At the card's own lift says what another shape of the same height could gain; free lift says what the
    follower would allow if valve springs, guides and pistons left room for it. Raises NoSolution as `best_lobe` does.
    """
    at_lift, raised = task_of_card(card, task)
    capped = best_lobe(at_lift)
    free = best_lobe(replace(at_lift, greatest_lift_m=None))
    half, seat = card.ramp_top_cam_rad, task.seat_lift_m
    nominal, low, high = card.band(lambda lobe: _area_between(lobe, half, seat))

    def over(best: BestLobe) -> tuple[float, float, float]:
        return nominal / best.area_m_rad, low / best.area_m_rad, high / best.area_m_rad

    return ShareOfBest(over(capped), over(free), capped, free, raised)


# -- flat and roller ----------------------------------------------------------------------------------------


def _where_passed(flat: BestLobe, roller: BestLobe) -> float:
    """Lobe lift at which the roller's curve passes the flat's on the same flank; NaN where it never does."""
    theta = np.linspace(flat.task.flank_cam_rad, 0.0, 2000)
    first, second = flat.motion_at(theta)[0], roller.motion_at(theta)[0]
    # Both start alike on the ramp: what counts is the last time the flat is ahead.
    ahead = np.flatnonzero(first - second > 1e-6)
    if not ahead.size or ahead[-1] == theta.size - 1:
        return math.nan
    return float(first[ahead[-1] + 1])


def flat_and_roller(
    durations_crank_rad: Sequence[float], *, flat: LobeTask, roller: LobeTask, at_lift_m: float | None = None
) -> dict[str, Array]:
    """Best flat and best roller lobes over duration, at the limits the two tasks state.

    durations_crank_rad: between the ramp tops, or at the lobe lift at_lift_m (such as 0.050 in) if that is given; then
    each follower has the duration between ramp tops that its own best lobe needs for it, interpolated over a family of
    best lobes by a cubic that keeps their order. Durations no lobe can have within the limits are NaN.

    Columns, one value a duration. For each follower: `_lift_m`, `_area_m_rad` (above its seat, cam radians),
    `_seat_crank_rad` (between ramp tops), `_at_lift_crank_rad` (at at_lift_m, or 0.050 in). `roller_over_flat_lift`,
    `roller_over_flat_area`. `passed_at_m`: lobe lift at which, at one duration between ramp tops, the roller passes a
    flat that left the seat faster (NaN: never, or at_lift_m given).
    """
    wanted = np.asarray(durations_crank_rad, dtype=float)
    level = 0.050 * INCH_M if at_lift_m is None else at_lift_m

    def at_seat(task: LobeTask, seat_rad: float) -> BestLobe | None:
        try:
            return best_lobe(replace(task, duration_crank_rad=seat_rad))
        except NoSolution:
            return None

    def figures(lobes: list[BestLobe | None]) -> Array:
        return np.array(
            [
                (math.nan,) * 4
                if b is None
                else (
                    b.greatest_lift_m,
                    b.area_m_rad,
                    b.task.duration_crank_rad,
                    b.lobe.duration_crank_rad(level) if b.greatest_lift_m > level else math.nan,
                )
                for b in lobes
            ]
        ).T

    names = ("lift_m", "area_m_rad", "seat_crank_rad", "at_lift_crank_rad")
    table: dict[str, Array] = {"duration_crank_rad": wanted}
    passed = np.full(wanted.size, math.nan)
    if at_lift_m is None:
        pair = [[at_seat(task, float(seat)) for seat in wanted] for task in (flat, roller)]
        found = [figures(lobes) for lobes in pair]
        passed = np.array(
            [math.nan if f is None or r is None else _where_passed(f, r) for f, r in zip(*pair, strict=True)]
        )
    else:
        found = []
        for task in (flat, roller):
            # How far a best lobe's two durations lie apart hardly depends on either, so a few tries bracket it.
            middle, gap = float(wanted.mean()), rad(45.0)
            for _ in range(2):
                lobe = best_lobe(replace(task, duration_crank_rad=middle + gap)).lobe
                gap = middle + gap - lobe.duration_crank_rad(level)
            seats = np.linspace(wanted.min() + gap - rad(6.0), wanted.max() + gap + rad(6.0), max(wanted.size, 5))
            known = figures([at_seat(task, float(seat)) for seat in seats])
            known = known[:, np.isfinite(known[3])]
            if known.shape[1] < 2:
                raise NoSolution("no best lobe exists near the durations asked for; relax a limit")
            # Outside the durations that have a lobe there is nothing to tell.
            curve = [PchipInterpolator(known[3], row, extrapolate=False) for row in known]
            found.append(np.stack([each(wanted) for each in curve]))
    for who, rows in zip(("flat", "roller"), found, strict=True):
        table |= {f"{who}_{name}": row for name, row in zip(names, rows, strict=True)}
    table["roller_over_flat_lift"] = table["roller_lift_m"] / table["flat_lift_m"]
    table["roller_over_flat_area"] = table["roller_area_m_rad"] / table["flat_area_m_rad"]
    table["passed_at_m"] = passed
    return table
