"""A lobe from a catalogue card, with its band.

What lobe does this card describe?     `lobe_from_card` -> `CardLobe` (a nominal lobe and its extremes)
What must a lobe keep to?              `FlatLimits`, `RollerLimits`
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

Judging each part by its own need matters: the rise off the ramp needs so much jerk that a single bound for
the whole lobe leaves the nose free, and both the lobe of least peak jerk and the band then say little
(`tests/test_lobe_card.py` measures both on lobes whose truth is known).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution
from lobeledger.lobe.flank import CardLobe, Flank, family_of, jerk_allowed, two_flank_lobe
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.ramp import Limits, Ramp
from lobeledger.parts.card import Card

__all__ = ["CardLobe", "lobe_from_card"]


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

    Raises NoSolution when no lobe fits the card within the follower's limits; `what_would_give` says why.
    """
    if not card.is_symmetric:
        return two_flank_lobe(card, limits, base_radius_m, ramp, seat_m, jerk_allowance, shape_allowance)
    flank = Flank(card, limits, base_radius_m, ramp, seat_m)
    geometry = flank.geometry()
    least, caps = jerk_allowed(flank, geometry, jerk_allowance, shape_allowance)
    within = (geometry, flank.jerk_rows(caps))
    smooth = flank.unit(flank.j, value=2.0 * flank.dx / least[0] ** 2)
    # Nothing else uses the spare variable here; a whisker of curvature keeps it determined.
    smooth[flank.t] = 1e-6
    nominal = flank.solve(np.zeros(flank.size), *within, quadratic=smooth)
    if nominal is None:
        raise NoSolution("no lobe fits this card within the follower's limits")
    peak = (flank.rows(flank.n + 1, (flank.a, -1.0), (flank.t, -1.0)), np.zeros(flank.n + 1))
    off_nose = flank.segment(0.35)
    area = np.zeros(flank.n + 1)
    area[1:] += flank.dx / 2.0
    area[:-1] += flank.dx / 2.0
    asks: dict[str, tuple[Array, tuple[Any, ...]]] = {
        "least peak deceleration": (flank.unit(flank.t), (*within, peak)),
        "greatest nose deceleration": (flank.unit(flank.a[0]), within),
        "greatest deceleration off the nose": (flank.unit(flank.a[off_nose]), within),
        "greatest area": (flank.unit(flank.y, value=-area), within),
        "least area": (flank.unit(flank.y, value=area), within),
    }
    half = flank.reach_rad()
    extremes: dict[str, Lobe] = {}
    for name, (cost, rows) in asks.items():
        z = flank.solve(cost, *rows, nominal_ramp=False)
        if z is not None:
            extremes[name] = flank.lobe(z, half)
    needed = tuple(value * flank.jerk_unit for value in least)
    return family_of(flank.lobe(nominal, half), extremes, needed, flank.top_rad, flank.top_rad)
