"""One flank of a card's lobe as a program of least jerk, and the lobes that come of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy.sparse as sp

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.ramp import (
    GRID_STEP_RAD,
    SEGMENTS,
    FlatLimits,
    Limits,
    Ramp,
    minimiser,
    ramp_as_given,
    top_of_ramp,
    with_ramp,
)
from lobeledger.parts.card import Card
from lobeledger.units import cam_rad_from_crank_rad

__all__ = []

# Scaled excess over the limits that still counts as none: finer than any face or base circle is made.
FITS = 1e-6


def _quoted(card: Card, side: str) -> list[tuple[float, float]]:
    """(lobe lift, cam angle from the nose) of the card's points on one flank, by rising lift."""
    return [(at_m, cam_rad_from_crank_rad(crank_rad)) for at_m, crank_rad in card.flank_crank_rad(side)]


class Flank:
    """One flank in scaled variables: x = theta / ramp-top angle, y = lift / lobe lift.

    Unknowns: lift, slope and acceleration at the nodes, jerk on the segments, the ramp velocity, and one
    spare variable t (a peak to be minimised, a face radius, a lift ...). Clarabel's form is
    minimise 1/2 z'Pz + q'z with b - A z in a cone; free variables need no bounds there.
    """

    def __init__(
        self,
        card: Card,
        limits: Limits,
        base_radius_m: float,
        ramp: Ramp,
        seat_m: float,
        side: str = "opening",
    ) -> None:
        n = self.n = SEGMENTS
        quoted, ramp = _quoted(card, side), ramp_as_given(card, side, ramp)
        self.top_m, self.top_rad = top_of_ramp(quoted, ramp, seat_m, card.ramp_lift_m)
        self.lift_m, self.limits, self.base_m, self.ramp = card.lobe_lift_m, limits, base_radius_m, ramp
        self.points = [(angle / self.top_rad, at_m / self.lift_m) for at_m, angle in quoted if at_m > self.top_m]
        self.slope_unit = self.lift_m / self.top_rad
        self.accel_unit = self.lift_m / self.top_rad**2
        self.jerk_unit = self.lift_m / self.top_rad**3
        self.y, self.v, self.a = (k * (n + 1) + np.arange(n + 1) for k in range(3))
        self.j = 3 * (n + 1) + np.arange(n)
        self.ramp_v, self.t = 4 * n + 3, 4 * n + 4
        self.size = 4 * n + 5
        self._grid()
        self._equalities()

    def _grid(self) -> None:
        """Nodes from the nose outwards, and the parts of the flank, ramp first, as (segments, outer end).

        Every part ends on a node. On a uniform grid the segment that straddles a quoted lift falls to one
        part or the other by rounding, and since the outer part may use ten times the jerk of the inner one,
        that alone moved the inner part's least jerk by a third. A quoted lift nearer to its neighbour than a
        segment gets no part of its own.
        """
        n = self.n
        ends = [(1.0, self.top_m / self.lift_m)]
        for x, level in self.points:
            if ends[-1][0] - x >= 1.0 / n and x >= 1.0 / n:
                ends.append((x, level))
        widths = np.array([x for x, _ in ends]) - np.array([*(x for x, _ in ends[1:]), 0.0])
        # Two segments each, the others by width: largest remainders, so that they add up to n.
        share = np.maximum(n - 2 * len(ends), 0) * widths
        counts = 2 + np.floor(share).astype(int)
        counts[np.argsort(np.floor(share) - share)[: n - int(counts.sum())]] += 1
        starts = n - np.cumsum(counts)
        nodes = [np.zeros(1)]
        for width, count, (x, _) in zip(widths[::-1], counts[::-1], ends[::-1], strict=True):
            nodes.append(x - width + width * np.arange(1, count + 1) / count)
        self.nodes = np.concatenate(nodes)
        self.dx = np.diff(self.nodes)
        self.parts = [
            (np.arange(start, start + count), end) for start, count, end in zip(starts, counts, ends, strict=True)
        ]

    # -- rows ---------------------------------------------------------------------------------------
    def rows(self, count: int, *terms: tuple[Any, Any]) -> sp.csr_matrix:
        """`count` rows, each term a (column or columns, coefficient or coefficients) pair."""
        row = np.arange(count)
        rows, cols, vals = [], [], []
        for column, value in terms:
            rows.append(row)
            cols.append(np.broadcast_to(column, count))
            vals.append(np.broadcast_to(np.asarray(value, float), count))
        return sp.csr_matrix(
            (np.concatenate(vals), (np.concatenate(rows), np.concatenate(cols))), shape=(count, self.size)
        )

    def _equalities(self) -> None:
        n, dx = self.n, self.dx
        y, v, a, j = self.y, self.v, self.a, self.j
        blocks = [
            self.rows(n, (y[1:], 1), (y[:-1], -1), (v[:-1], -dx), (a[:-1], -(dx**2) / 2), (j, -(dx**3) / 6)),
            self.rows(n, (v[1:], 1), (v[:-1], -1), (a[:-1], -dx), (j, -(dx**2) / 2)),
            self.rows(n, (a[1:], 1), (a[:-1], -1), (j, -dx)),
            self.rows(1, (y[0], 1)),
            self.rows(1, (v[0], 1)),
            self.rows(1, (y[n], 1)),
            self.rows(1, (v[n], 1), (self.ramp_v, 1)),
        ]
        rhs: list[Array | list[float]] = [np.zeros(3 * n), [1.0], [0.0], [self.top_m / self.lift_m], [0.0]]
        if not self.ramp.is_rising:
            blocks.append(self.rows(1, (a[n], 1)))
            rhs.append([0.0])
        for x, level in self.points:
            i = self.segment(x)
            d = x - self.nodes[i]
            blocks.append(self.rows(1, (y[i], 1), (v[i], d), (a[i], d**2 / 2), (j[i], d**3 / 6)))
            rhs.append([level])
        self.eq, self.eq_rhs = sp.vstack(blocks).tocsr(), np.concatenate([np.asarray(b) for b in rhs])

    def segment(self, x: Any) -> Any:
        """The segment (or segments) in which x lies."""
        return np.clip(np.searchsorted(self.nodes, x, side="right") - 1, 0, self.n - 1)

    def geometry(self, *, face_is_free: bool = False, base_is_free: bool = False) -> tuple[sp.csr_matrix, Array]:
        """Rows (A, b) of A z <= b: rising flank and the follower's own limits; t may replace one of them.

        The slope is a parabola on each segment, so it lies between the least and the greatest of its two end
        values and of where the end tangents meet, slope + acceleration x step / 2 (convex hull of a Bezier
        curve). Bounding the nodes alone is a trap: with enough jerk the slope bulges past its limit between
        them, and a card that no follower can meet passes.
        """
        n, half = self.n, self.dx / 2.0
        y, v, a = self.y[:-1], self.v[:-1], self.a[:-1]
        rows = [self.rows(n + 1, (self.v, 1.0)), self.rows(n, (v, 1.0), (a, half))]
        rhs = [np.zeros(n + 1), np.zeros(n)]
        if isinstance(self.limits, FlatLimits):
            reach = self.limits.greatest_eccentricity_m / self.slope_unit
            free = -1.0 if face_is_free else 0.0
            rows.append(self.rows(n + 1, (self.v, -1.0), (self.t, free)))
            rows.append(self.rows(n, (v, -1.0), (a, -half), (self.t, free)))
            rhs.append(np.full(2 * n + 1, 0.0 if face_is_free else reach))
            room = (self.base_m - self.limits.least_nose_radius_m) / self.lift_m
            rows.append(
                self.rows(
                    n + 1,
                    (self.y, -1.0),
                    (self.a, -1.0 / self.top_rad**2),
                    (self.t, -1.0 if base_is_free else 0.0),
                )
            )
            rhs.append(np.full(n + 1, 0.0 if base_is_free else room))
        else:
            tangent = math.tan(self.limits.pressure_angle_rad)
            reach = self.base_m + self.limits.wheel_radius_m
            rows.append(self.rows(n + 1, (self.v, -1.0 / self.top_rad), (self.y, -tangent)))
            # The lift's own bend within a segment is small against the slope's and is left out.
            steep, turn = -1.0 / self.top_rad - tangent * half, -half / self.top_rad
            rows.append(self.rows(n, (v, steep), (a, turn), (y, -tangent)))
            rhs.append(np.full(2 * n + 1, tangent * reach / self.lift_m))
            # At the nose the slope is zero and the pitch curvature radius is P^2/(P - s''), P = reach + lift.
            pitch = reach + self.lift_m
            least = self.limits.wheel_radius_m + self.limits.least_nose_radius_m
            rows.append(self.rows(1, (self.a[0], -1.0)))
            rhs.append(np.array([(pitch**2 / least - pitch) / self.accel_unit]))
        return sp.vstack(rows).tocsr(), np.concatenate(rhs)

    def jerk_rows(self, caps: Array, need: float = 1.0) -> tuple[sp.csr_matrix, Array]:
        """|jerk| <= cap on every segment; an infinite cap means 'at most t times need'."""
        free = ~np.isfinite(caps)
        weight, bound = np.where(free, -need, 0.0), np.where(free, 0.0, caps)
        up = self.rows(self.n, (self.j, 1.0), (self.t, weight))
        down = self.rows(self.n, (self.j, -1.0), (self.t, weight))
        return sp.vstack([up, down]).tocsr(), np.concatenate([bound, bound])

    # -- solving --------------------------------------------------------------------------------------
    def solve(
        self,
        cost: Array,
        *inequalities: tuple[sp.csr_matrix, Array],
        nominal_ramp: bool = True,
        quadratic: Array | None = None,
    ) -> Array | None:
        """The minimiser, or None when no lobe satisfies the constraints; the status is read first."""
        bounds, limit = self.ramp_rows(nominal_ramp)
        below = sp.vstack([bounds, *(rows for rows, _ in inequalities)])
        below_rhs = np.concatenate([limit, *(bound for _, bound in inequalities)])
        return minimiser(self.eq, self.eq_rhs, cost, below, below_rhs, quadratic)

    def ramp_rows(self, nominal: bool) -> tuple[sp.csr_matrix, Array]:
        """Rows (A, b) of A z <= b that hold the ramp velocity at its nominal value, or within its range.

        A rising ramp may have reached, at its top, no more acceleration than one of constant jerk from rest:
        a <= 2 v^2 / (3 top), here its tangent at the nominal velocity, which lies below it.
        """
        ramp = self.ramp
        middle = ramp.velocity_m_per_rad
        low, high = (middle, middle) if nominal else (ramp.low_m_per_rad, ramp.high_m_per_rad)
        bounds = self.rows(2, (np.array([self.ramp_v] * 2), np.array([1.0, -1.0])))
        limits = np.array([high, -low]) / self.slope_unit
        if not ramp.is_rising:
            return bounds, limits
        slope = 4.0 * middle / (3.0 * self.top_m)
        top = self.a[self.n]
        reached = self.rows(1, (top, self.accel_unit), (self.ramp_v, -slope * self.slope_unit))
        scale = 1.0 / self.accel_unit
        return (
            sp.vstack([bounds, scale * reached, self.rows(1, (top, -1.0))]).tocsr(),
            np.concatenate([limits, [-scale * slope * middle / 2.0, 0.0]]),
        )

    def least_excess(self) -> float:
        """By how much (scaled) the limits must be overstepped; zero when a lobe fits.

        A bisection works close to the edge of the possible, where the plain question 'is there a lobe?' can
        leave an interior-point solver without an answer. This program always has one.
        """
        rows, bound = self.geometry()
        z = self.solve(self.unit(self.t), (rows + self.rows(rows.shape[0], (self.t, -1.0)), bound))
        if z is None:
            raise NoSolution("no curve passes through this card's points; check its lifts and durations")
        return float(z[self.t])

    def unit(self, *columns: Any, value: float | Array = 1.0) -> Array:
        """A cost of `value` on the columns, nothing elsewhere."""
        cost = np.zeros(self.size)
        for column in columns:
            cost[column] = value
        return cost

    # -- from unknowns to a lobe ----------------------------------------------------------------------
    def lobe(self, z: Array, half_rad: float) -> Lobe:
        """The whole lobe, ramps included, on a uniform grid reaching `half_rad` either side."""
        steps = math.ceil(half_rad / GRID_STEP_RAD)
        theta: Array = np.arange(-steps, steps + 1, dtype=np.float64) * GRID_STEP_RAD
        x = np.abs(theta) / self.top_rad
        i = self.segment(x)
        d = x - self.nodes[i]
        y, v, a, j = z[self.y][i], z[self.v][i], z[self.a][i], z[self.j][i]
        lift = self.lift_m * (y + d * (v + d * (a / 2 + d * j / 6)))
        slope = self.slope_unit * (v + d * (a + d * j / 2))
        accel = self.accel_unit * (a + d * j)
        ramp = float(z[self.ramp_v]) * self.slope_unit
        out = np.abs(theta) - self.top_rad
        bend = float(z[self.a[self.n]]) * self.accel_unit if self.ramp.is_rising else 0.0
        lift, slope, accel = with_ramp(out, self.top_m, ramp, bend, self.ramp.is_rising, (lift, slope, accel))
        return Lobe(theta, lift, np.asarray(slope * np.sign(theta), dtype=np.float64), accel)

    def area_cost(self) -> Array:
        """The cost that is the area below the lift (scaled): trapezoids."""
        weights = np.zeros(self.n + 1)
        weights[1:] += self.dx / 2.0
        weights[:-1] += self.dx / 2.0
        return self.unit(self.y, value=weights)

    def reach_rad(self) -> float:
        """Half the lobe with its slowest ramp."""
        return self.top_rad + (3.0 if self.ramp.is_rising else 1.25) * self.top_m / self.ramp.low_m_per_rad


def possible(found: Array | None) -> Array:
    """What a program found. Raises NoSolution where no lobe is possible."""
    if found is None:
        raise NoSolution("no lobe fits this card within the follower's limits")
    return found


def falling_jerk(x: float, y: float) -> float:
    """Jerk by which the deceleration beyond a point falls from its mean to nothing at the nose (scaled).

    However little jerk a part needs, that much it may use.
    """
    return 2.0 * (1.0 - y) / x**3


def jerk_allowed(
    flank: Flank, geometry: tuple[sp.csr_matrix, Array], jerk_allowance: float, shape_allowance: float
) -> tuple[list[float], Array]:
    """Least possible peak jerk of each part, ramp first, and the jerk allowed on every segment (scaled)."""
    caps = np.full(flank.n, np.inf)
    least: list[float] = []
    for part, (segments, (x, y)) in enumerate(flank.parts):
        z = possible(flank.solve(flank.unit(flank.t), geometry, flank.jerk_rows(caps)))
        least.append(float(z[flank.t]))
        if part == 0:
            caps[segments] = jerk_allowance * least[-1]
        else:
            caps[segments] = max(shape_allowance * least[-1], falling_jerk(x, y))
    return least, caps


@dataclass(frozen=True, eq=False)
class CardLobe:
    """A card's lobes: `nominal`, and admissible `extremes` by name; all on one grid.

    least_jerk_m_per_rad3: least possible peak jerk of each part of the flank, ramp first; of two unlike flanks
    the needier one's. ramp_top_cam_rad: cam angle of the ramp's top before the nose, and after it.
    grinding_radius_m: of a wheel that cuts every member (infinite: none is held to one).
    stack: lift, velocity and acceleration of all members, shape (members, 3, n).
    """

    nominal: Lobe
    extremes: dict[str, Lobe]
    least_jerk_m_per_rad3: tuple[float, ...]
    ramp_top_cam_rad: float
    closing_ramp_top_cam_rad: float
    stack: Array = field(repr=False)
    grinding_radius_m: float = math.inf

    @property
    def members(self) -> tuple[Lobe, ...]:
        """Nominal first, then the extremes."""
        return (self.nominal, *self.extremes.values())

    def band(self, measure: Callable[[Lobe], float]) -> tuple[float, float, float]:
        """A measure over the family: nominal, low, high."""
        values = [measure(lobe) for lobe in self.members]
        return values[0], min(values), max(values)


def family_of(
    nominal: Lobe,
    extremes: dict[str, Lobe],
    least: tuple[float, ...],
    tops_rad: tuple[float, float],
    grinding_radius_m: float,
) -> CardLobe:
    """The lobes as one family, all on one grid: the longest lobe's, the others resting on the base circle beside it."""
    members = (nominal, *extremes.values())
    most = max(members, key=lambda m: m.theta_cam_rad.size)
    extremes = {name: on_grid(lobe, most.theta_cam_rad) for name, lobe in extremes.items()}
    nominal = on_grid(nominal, most.theta_cam_rad)
    members = (nominal, *extremes.values())
    stack = np.stack([[m.lift_m, m.velocity_m_per_rad, m.acceleration_m_per_rad2] for m in members])
    return CardLobe(
        nominal=nominal,
        extremes=extremes,
        least_jerk_m_per_rad3=least,
        ramp_top_cam_rad=tops_rad[0],
        closing_ramp_top_cam_rad=tops_rad[1],
        stack=stack,
        grinding_radius_m=grinding_radius_m,
    )


def on_grid(lobe: Lobe, theta_cam_rad: Array) -> Lobe:
    """The lobe on a longer grid of the same step, zero beyond its own ends; itself where it fills it."""
    missing = theta_cam_rad.size - lobe.theta_cam_rad.size
    if missing == 0:
        return lobe
    side = missing // 2
    lift, velocity, acceleration = (
        np.pad(a, (side, side)) for a in (lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2)
    )
    return Lobe(theta_cam_rad, lift, velocity, acceleration)


@dataclass(frozen=True, eq=False)
class Solved:
    """A card's smoothest lobe, and how to ask its program for others: a lobe, or None where there is none."""

    nominal: Lobe
    asks: dict[str, Callable[[], Lobe | None]]
    least_jerk_m_per_rad3: tuple[float, ...]
    ramp_tops_cam_rad: tuple[float, float]
    grinding_radius_m: float

    def family(self) -> CardLobe:
        """The family of the nominal lobe and every extreme that there is."""
        extremes = {name: lobe for name, ask in self.asks.items() if (lobe := ask()) is not None}
        return family_of(
            self.nominal, extremes, self.least_jerk_m_per_rad3, self.ramp_tops_cam_rad, self.grinding_radius_m
        )
