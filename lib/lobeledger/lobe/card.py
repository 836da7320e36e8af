"""A lobe from a catalogue card, with its band.

What lobe does this card describe?     `lobe_from_card` -> `CardLobe` (a nominal lobe and its extremes)
Only its smoothest?                    `smoothest_lobe`
Which figure would narrow it most?     `most_open` -> `Open`
Lobes drawn from all that it leaves?   `family.LobeFamily`
What must a lobe keep to?              `FlatLimits`, `RollerLimits`; the grinder's wheel: `grind`
What lies below its flank?             `Ramp`, `with_ramp`
Why is this card impossible?           `what_would_give`

Many lobes fit a card: it fixes a few points of a curve. Those that also keep to the follower's geometry
form a convex set (all constraints are linear in lift, slope, acceleration and piecewise-constant jerk), so
the questions 'which is the smoothest?' and 'how far can the nose deceleration or the area lie from it?'
have exact answers on the grid.

Method, on one flank of a symmetric lobe (a symmetric card has a symmetric smoothest lobe, and every
symmetric measure takes its extremes on symmetric lobes too); where a card gives its flanks apart, on both flanks
in one program, with one lift and one acceleration at the nose (`TwoFlanks`):

1. The flank is split at the quoted lifts. From the ramp inwards, each part's least possible peak jerk is
   found, the parts before it held to their allowance (1.2 for the first, `shape_allowance` for the others).
2. Admissible is every lobe whose jerk stays within those allowances, part by part; a part that needs almost
   none may still use what takes its mean deceleration to nothing within it.
3. The nominal lobe is the admissible one with the least integral of jerk squared: strictly convex, unique.
4. The extremes are admissible lobes too: least peak deceleration, greatest deceleration at the nose and
   off it, greatest and least area between the ramp tops.

What a competent grinder would cut is held to by the jerk allowances and, for rollers, by the wheel that grinds the
hollow flank (`grind`). A card of one duration is completed from the usual shape of a lobe, three times over
(`one_duration`).

Judging each part by its own need matters: the rise off the ramp needs so much jerk that a single bound for
the whole lobe leaves the nose free, and both the lobe of least peak jerk and the band then say little
(`tests/test_lobe_card.py` measures both on lobes whose truth is known).
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.flank import CardLobe, Flank, Solved, family_of, jerk_allowed, possible
from lobeledger.lobe.grind import ground
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.one_duration import completed
from lobeledger.lobe.ramp import Limits, Ramp
from lobeledger.lobe.two_flanks import two_flanks
from lobeledger.parts.card import Card
from lobeledger.units import INCH_M

__all__ = ["CardLobe", "Open", "lobe_from_card", "most_open", "smoothest_lobe"]

# Lifts at which durations are usually quoted (common practice).
USUAL_LIFTS_M = tuple(at * INCH_M for at in (0.006, 0.020, 0.050, 0.100, 0.200))


def _one_flank(
    card: Card,
    limits: Limits,
    base_radius_m: float,
    ramp: Ramp,
    seat_m: float,
    jerk_allowance: float,
    shape_allowance: float,
) -> Solved:
    """The program of a card whose flanks are alike."""
    flank = Flank(card, limits, base_radius_m, ramp, seat_m)
    held = ground(flank)
    least, caps = jerk_allowed(flank, held.rows, jerk_allowance, shape_allowance)
    within = (held.rows, flank.jerk_rows(caps))
    smooth = flank.unit(flank.j, value=2.0 * flank.dx / least[0] ** 2)
    # Nothing else uses the spare variable here; a whisker of curvature keeps it determined.
    smooth[flank.t] = 1e-6
    nominal = possible(flank.solve(np.zeros(flank.size), *within, quadratic=smooth))
    peak = (flank.rows(flank.n + 1, (flank.a, -1.0), (flank.t, -1.0)), np.zeros(flank.n + 1))
    off_nose = flank.segment(0.35)
    area = flank.area_cost()
    asks: dict[str, tuple[Array, tuple[Any, ...]]] = {
        "least peak deceleration": (flank.unit(flank.t), (*within, peak)),
        "greatest nose deceleration": (flank.unit(flank.a[0]), within),
        "greatest deceleration off the nose": (flank.unit(flank.a[off_nose]), within),
        "greatest area": (-area, within),
        "least area": (area, within),
    }
    half = flank.reach_rad()

    def ask(cost: Array, rows: tuple[Any, ...]) -> Lobe | None:
        z = flank.solve(cost, *rows, nominal_ramp=False)
        return None if z is None else flank.lobe(z, half)

    return Solved(
        flank.lobe(nominal, half),
        {name: functools.partial(ask, cost, rows) for name, (cost, rows) in asks.items()},
        tuple(value * flank.jerk_unit for value in least),
        (flank.top_rad, flank.top_rad),
        held.wheel_radius_m,
    )


def _solved(card: Card, *rest: Any) -> Solved:
    return (_one_flank if card.is_symmetric else two_flanks)(card, *rest)


def _first_possible(cards: Iterable[Card], *rest: Any) -> Solved:
    """Of the cards that one of a single duration may usually stand for, the first that has a lobe."""
    for each in cards:
        try:
            return _solved(each, *rest)
        except NoSolution as trouble:
            last = trouble
    raise last


def smoothest_lobe(
    card: Card,
    limits: Limits,
    *,
    base_radius_m: float,
    ramp: Ramp,
    seat_m: float,
    jerk_allowance: float,
    shape_allowance: float,
) -> Lobe:
    """The nominal lobe of `lobe_from_card` without its extremes, in a third of the time. Raises as that does."""
    rest = (limits, base_radius_m, ramp, seat_m, jerk_allowance, shape_allowance)
    return _first_possible(completed(card, seat_m).usual, *rest).nominal


def lobe_from_card(
    card: Card,
    limits: Limits,
    *,
    base_radius_m: float,
    ramp: Ramp,
    seat_m: float,
    jerk_allowance: float,
    shape_allowance: float,
) -> CardLobe:
    """The card's nominal lobe and the extremes of all admissible ones.

    seat_m: lobe lift that the ramp must take up: of a solid lobe lash over ratio and the train's static give.
    A card of one duration is solved for the usual, a fuller and a leaner shape (`one_duration`), each extreme being the
    farthest of the three: its band is wide, and `most_open` says which duration would narrow it.
    Raises NoSolution when no lobe fits the card within the follower's limits; `what_would_give` says why.
    """
    rest = (limits, base_radius_m, ramp, seat_m, jerk_allowance, shape_allowance)
    cards = completed(card, seat_m)
    solved = _first_possible(cards.usual, *rest)
    if not cards.others:
        return solved.family()
    more: dict[str, Solved] = {}
    for name, each in cards.others.items():
        try:
            more[name] = _solved(each, *rest)
        except NoSolution:
            continue  # no lobe of that shape runs on this follower: it is none of those the card may mean
    return _widest(solved, more)


def _off_nose(lobe: Lobe, side: float) -> float:
    """Acceleration at a third of the way down a flank, as the programs ask for it."""
    ends = lobe.theta_cam_rad[lobe.lift_m > 0.0]
    return float(np.interp(side * 0.3 * abs(ends[0]), lobe.theta_cam_rad, lobe.acceleration_m_per_rad2))


# What each extreme makes as small as it can.
_ASKED: dict[str, Callable[[Lobe], float]] = {
    "least peak deceleration": lambda lobe: float(-lobe.acceleration_m_per_rad2.min()),
    "greatest nose deceleration": lambda lobe: float(lobe.acceleration_m_per_rad2[lobe.theta_cam_rad.size // 2]),
    "greatest deceleration off the nose": lambda lobe: _off_nose(lobe, -1.0),
    "greatest deceleration off the nose, closing": lambda lobe: _off_nose(lobe, 1.0),
    "greatest area": lambda lobe: -lobe.lift_area_m_rad(),
    "least area": lambda lobe: lobe.lift_area_m_rad(),
}


def _widest(usual: Solved, others: dict[str, Solved]) -> CardLobe:
    """The family over several cards: the usual one's nominal lobe, the others' too, each extreme where it is most."""
    extremes: dict[str, Lobe] = {}
    for name in usual.asks:
        found = [lobe for each in (usual, *others.values()) if (lobe := each.asks[name]()) is not None]
        if found:
            extremes[name] = min(found, key=_ASKED[name])
    extremes |= {name: each.nominal for name, each in others.items()}
    wheel_m = min(each.grinding_radius_m for each in (usual, *others.values()))
    return family_of(usual.nominal, extremes, usual.least_jerk_m_per_rad3, usual.ramp_tops_cam_rad, wheel_m)


@dataclass(frozen=True)
class Open:
    """The quotable duration that a card leaves widest open: at which lobe lift, and its range (crank rad)."""

    at_m: float
    low_rad: float
    high_rad: float


def most_open(lobes: CardLobe, at_m: Sequence[float] = USUAL_LIFTS_M) -> Open:
    """Of the lifts at which durations are usually quoted, the one where this card's lobes differ most.

    What a grinder could be asked for that would narrow the lobe most; lifts below the ramp's top are left out, since
    the valve does not see them. Raises OutOfRange when no lift lies on the lobe.
    """
    found = []
    nominal = lobes.nominal
    top_m = float(np.interp(-lobes.ramp_top_cam_rad, nominal.theta_cam_rad, nominal.lift_m))
    for lift_m in at_m:
        if 0.98 * top_m < lift_m < 0.98 * nominal.greatest_lift_m:
            found_rad = [lobe.duration_crank_rad(lift_m) for lobe in lobes.members]
            found.append(Open(lift_m, min(found_rad), max(found_rad)))
    if not found:
        raise OutOfRange("none of these lifts lies on the lobe")
    return max(found, key=lambda o: o.high_rad - o.low_rad)
