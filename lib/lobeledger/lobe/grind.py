"""Lobes that a grinder can cut: the hollow flank of a roller's lobe against the grinding wheel.

What must a flank keep to?             `ground` -> `Ground`

A wheel cuts no hollow tighter than itself. With P = base radius + wheel + lift (the follower's wheel), the pitch
curve bends by kappa = (P^2 + 2 s'^2 - P s'')/(P^2 + s'^2)^(3/2); it is hollow below zero, and a grinding wheel of
radius G reaches it where kappa >= -1/(G - wheel). Turned round, acceleration stays below a bound that grows with
lift and slope,

    s'' <= P + 2 s'^2/P + (P^2 + s'^2)^(3/2)/(P (G - wheel)),

and the right-hand side is convex in P and s' (its Hessian's determinant is (1 + t^2)(6 + 3 t^2), t = s'/P, times a
square). A tangent to it anywhere lies below it everywhere: bounding acceleration by the tangent at a lobe near the one
looked for keeps the program linear and never lets a lobe through that the wheel cannot cut; and what mixes two lobes
that keep to the same tangents keeps to them too.

The wheel is asked for as long as it takes no more than twice the jerk that the card needs at all: the least hollow of
a card is otherwise had by jerking the lifter off its ramp, which no grinder does. A card that asks for more was cut
with a smaller wheel: the least bend within that jerk is found, and a little more is allowed, so that the answer does
not turn over as a card is moved across the edge. Both figures are assumed. Flat followers have no hollow lobes.
Source: curvature of a curve in polar form, do Carmo, Differential Geometry of Curves and Surfaces (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from lobeledger.arrays import Array
from lobeledger.lobe.flank import Flank, possible
from lobeledger.lobe.ramp import RollerLimits

__all__ = ["Ground", "ground"]

# Bend allowed over the least that a card needs: nearer to it the programs that follow have no inside to work in.
_ROOM = 1.05
# Jerk up to which a wheel is suited, over the least the card needs.
_JERK = 2.0

Rows = tuple[sp.csr_matrix, Array]


@dataclass(frozen=True, eq=False)
class Ground:
    """Rows (A, b) of A z <= b: the follower's own and the grinder's. wheel_radius_m: of a wheel that cuts all they let
    through, infinite where no lobe may be hollow."""

    rows: Rows
    wheel_radius_m: float


def ground(flank: Flank) -> Ground:
    """What one flank keeps to so that its follower can run on it and a wheel can cut it.

    Raises NoSolution when no lobe fits the card within the follower's limits.
    """
    plain = flank.geometry()
    limits = flank.limits
    if not isinstance(limits, RollerLimits) or math.isinf(limits.grinder_radius_m):
        return Ground(plain, math.inf)
    near = _solved(flank, flank.unit(flank.t), _both(plain, flank.jerk_rows(np.full(flank.n, np.inf))))
    within = _both(plain, flank.jerk_rows(np.full(flank.n, _JERK * float(near[flank.t]))))
    for _ in range(2):
        extra = _least_extra(flank, within, near)
        rows = _hollow(flank, near, extra)
        near = _solved(flank, np.zeros(flank.size), _both(within, rows))
    reach = limits.grinder_radius_m - limits.wheel_radius_m
    return Ground(_both(plain, rows), limits.wheel_radius_m + reach / (1.0 + extra))


def _both(first: Rows, second: Rows) -> Rows:
    return sp.csr_matrix(sp.vstack([first[0], second[0]])), np.concatenate([first[1], second[1]])


def _solved(flank: Flank, cost: Array, within: Rows) -> Array:
    """The flank of least cost within some rows; with a whisker of jerk squared, which makes it one of a kind."""
    whisker = flank.unit(flank.j, value=1e-7 * flank.dx)
    whisker[flank.t] = 1e-9
    return possible(flank.solve(cost, within, quadratic=whisker))


def _bound(flank: Flank, near: Array) -> tuple[Array, Array, Array, Array]:
    """The bound's two parts at the nodes of a flank, and the whole one's slopes in lift and in slope (SI)."""
    limits = flank.limits
    assert isinstance(limits, RollerLimits)
    reach = limits.grinder_radius_m - limits.wheel_radius_m
    p = flank.base_m + limits.wheel_radius_m + flank.lift_m * near[flank.y]
    v = flank.slope_unit * near[flank.v]
    chord = np.sqrt(p**2 + v**2)
    straight, hollow = p + 2.0 * v**2 / p, chord**3 / (p * reach)
    by_lift = 1.0 - 2.0 * v**2 / p**2 + (3.0 * chord - chord**3 / p**2) / reach
    by_slope = 4.0 * v / p + 3.0 * chord * v / (p * reach)
    return straight, hollow, by_lift, by_slope


def _rows(flank: Flank, near: Array, share: Array | float) -> Rows:
    """Acceleration under the bound's tangent at `near`; the spare variable adds `share` of its hollow part."""
    straight, hollow, by_lift, by_slope = _bound(flank, near)
    unit = flank.accel_unit
    rows = flank.rows(
        flank.n + 1,
        (flank.a, 1.0),
        (flank.y, -by_lift * flank.lift_m / unit),
        (flank.v, -by_slope * flank.slope_unit / unit),
        (flank.t, -share * hollow / unit),
    )
    at = by_lift * flank.lift_m * near[flank.y] + by_slope * flank.slope_unit * near[flank.v]
    return rows, (straight + hollow - at) / unit


def _least_extra(flank: Flank, within: Rows, near: Array) -> float:
    """By how much more than the wheel can cut the card's flank bends, with room; 0 where the wheel is small enough."""
    z = _solved(flank, flank.unit(flank.t), _both(within, _rows(flank, near, 1.0)))
    return max(_ROOM * (1.0 + float(z[flank.t])) - 1.0, 0.0)


def _hollow(flank: Flank, near: Array, extra: float) -> Rows:
    """The rows with that much more allowed."""
    rows, bound = _rows(flank, near, 0.0)
    _, hollow, _, _ = _bound(flank, near)
    return rows, bound + extra * hollow / flank.accel_unit
