"""A lobe from a catalogue card, with its band.

What lobe does this card describe?     `lobe_from_card` -> `CardLobe` (a nominal lobe and its extremes)
What must a lobe keep to?              `FlatLimits`, `RollerLimits`
Why is this card impossible?           `what_would_give`

Many lobes fit a card: it fixes a few points of a curve. Those that also keep to the follower's geometry
form a convex set (all constraints are linear in lift, slope, acceleration and piecewise-constant jerk), so
the questions 'which is the smoothest?' and 'how far can the nose deceleration or the area lie from it?'
have exact answers on the grid.

Method, on one flank of a symmetric lobe (a symmetric card has a symmetric smoothest lobe, and every
symmetric measure takes its extremes on symmetric lobes too):

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

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import clarabel
import numpy as np
import scipy.sparse as sp
from scipy.optimize import brentq

from lobeledger.errors import NoSolution
from lobeledger.lobe import Array, Lobe
from lobeledger.parts import Card
from lobeledger.units import cam_rad_from_crank_rad, rad

__all__ = ["CardLobe", "FlatLimits", "Ramp", "RollerLimits", "WayOut", "lobe_from_card", "what_would_give"]

SEGMENTS = 96
GRID_STEP_RAD = rad(0.25)
# Scaled excess over the limits that still counts as none: finer than any face or base circle is made.
FITS = 1e-6


@dataclass(frozen=True)
class FlatLimits:
    """What a flat follower asks of a lobe.

    |ds/dtheta| <= face radius - edge; base radius + s + s'' >= least nose radius.
    """

    face_diameter_m: float
    edge_m: float
    least_nose_radius_m: float

    @property
    def greatest_eccentricity_m(self) -> float:
        """Greatest |ds/dtheta|: contact stays this far inside the face."""
        return self.face_diameter_m / 2.0 - self.edge_m


@dataclass(frozen=True)
class RollerLimits:
    """What a roller follower asks of a lobe.

    |ds/dtheta| <= tan(pressure angle)(base radius + wheel radius + s), and no undercut at the nose.
    """

    wheel_radius_m: float
    pressure_angle_rad: float
    least_nose_radius_m: float


Limits = FlatLimits | RollerLimits


@dataclass(frozen=True)
class Ramp:
    """Ramp velocity, per radian of cam angle: nominal, and the range a card may hide."""

    velocity_m_per_rad: float
    low_m_per_rad: float
    high_m_per_rad: float


@dataclass(frozen=True, eq=False)
class CardLobe:
    """A card's lobes: `nominal`, and admissible `extremes` by name; all on one grid.

    least_jerk_m_per_rad3: least possible peak jerk of each part of the flank, ramp first.
    stack: lift, velocity and acceleration of all members, shape (members, 3, n).
    """

    nominal: Lobe
    extremes: dict[str, Lobe]
    least_jerk_m_per_rad3: tuple[float, ...]
    ramp_top_cam_rad: float
    stack: Array = field(repr=False)

    @property
    def members(self) -> tuple[Lobe, ...]:
        """Nominal first, then the extremes."""
        return (self.nominal, *self.extremes.values())

    def band(self, measure: Callable[[Lobe], float]) -> tuple[float, float, float]:
        """A measure over the family: nominal, low, high."""
        values = [measure(lobe) for lobe in self.members]
        return values[0], min(values), max(values)


def _ramp_top(card: Card, ramp: Ramp, seat_m: float) -> tuple[float, float]:
    """Lift and cam angle (from the nose) at which the ramp ends.

    A hydraulic card quotes its lowest duration at the ramp top. A solid lobe's ramp ends just past the lash,
    below the lowest quoted lift: its angle follows from a constant jerk c off the ramp,
    s = top + v x + c x^3/6, through the two lowest quoted points (the rise of least peak jerk). Where the
    lash takes up more than the lowest quoted lift, or only one duration is known, the ramp ends at that lift.
    """
    first = card.lowest
    at_rad = cam_rad_from_crank_rad(first.duration_rad) / 2.0
    top = 1.05 * seat_m
    if top >= first.at_m * 0.999 or len(card.points) < 2:
        return first.at_m, at_rad
    v = ramp.velocity_m_per_rad
    second = card.points[1]
    gap = at_rad - cam_rad_from_crank_rad(second.duration_rad) / 2.0

    def miss(x: float) -> float:
        """How far the cubic through the first point misses the second; x from ramp top to the first."""
        c = (first.at_m - top - v * x) / x**3
        return top + v * (x + gap) + c * (x + gap) ** 3 - second.at_m

    far = (first.at_m - top) / v
    near = far * 1e-6
    if miss(near) * miss(far) > 0:
        return first.at_m, at_rad
    return top, at_rad + float(brentq(miss, near, far))


class _Flank:
    """One flank in scaled variables: x = theta / ramp-top angle, y = lift / lobe lift.

    Unknowns: lift, slope and acceleration at the nodes, jerk on the segments, the ramp velocity, and one
    spare variable t (a peak to be minimised, a face radius, a lift ...). Clarabel's form is
    minimise 1/2 z'Pz + q'z with b - A z in a cone; free variables need no bounds there.
    """

    def __init__(self, card: Card, limits: Limits, base_radius_m: float, ramp: Ramp, seat_m: float) -> None:
        n = self.n = SEGMENTS
        self.top_m, self.top_rad = _ramp_top(card, ramp, seat_m)
        self.lift_m, self.limits, self.base_m, self.ramp = card.lobe_lift_m, limits, base_radius_m, ramp
        self.points = [
            (cam_rad_from_crank_rad(p.duration_rad) / 2.0 / self.top_rad, p.at_m / self.lift_m)
            for p in card.points
            if p.at_m > self.top_m
        ]
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
            self.rows(1, (a[n], 1)),
        ]
        rhs: list[Array | list[float]] = [
            np.zeros(3 * n),
            [1.0],
            [0.0],
            [self.top_m / self.lift_m],
            [0.0],
            [0.0],
        ]
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

    def jerk_rows(self, caps: Array) -> tuple[sp.csr_matrix, Array]:
        """|jerk| <= cap on every segment; an infinite cap means 'at most t'."""
        free = ~np.isfinite(caps)
        weight, bound = np.where(free, -1.0, 0.0), np.where(free, 0.0, caps)
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
        ramp = self.ramp
        low, high = (ramp.velocity_m_per_rad,) * 2 if nominal_ramp else (ramp.low_m_per_rad, ramp.high_m_per_rad)
        bounds = self.rows(2, (np.array([self.ramp_v] * 2), np.array([1.0, -1.0])))
        below = sp.vstack([bounds, *(rows for rows, _ in inequalities)])
        below_rhs = np.concatenate([np.array([high, -low]) / self.slope_unit, *(bound for _, bound in inequalities)])
        settings = clarabel.DefaultSettings()
        settings.verbose = False
        diagonal = np.zeros(self.size) if quadratic is None else quadratic
        solution = clarabel.DefaultSolver(
            sp.diags(diagonal).tocsc(),
            cost,
            sp.vstack([self.eq, below]).tocsc(),
            np.concatenate([self.eq_rhs, below_rhs]),
            [clarabel.ZeroConeT(self.eq.shape[0]), clarabel.NonnegativeConeT(below.shape[0])],
            settings,
        ).solve()
        status = str(solution.status)
        if status in ("Solved", "AlmostSolved"):
            return np.asarray(solution.x)
        if status in ("PrimalInfeasible", "AlmostPrimalInfeasible"):
            return None
        raise NoSolution(
            f"the lobe solver stopped without an answer ({status}); change the card slightly and try again"
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
        # Ramp: constant velocity down to a quarter of its height, then a parabola into the base circle.
        foot = 0.25 * self.top_m
        straight, blend = (self.top_m - foot) / ramp, 2.0 * foot / ramp
        out = np.abs(theta) - self.top_rad
        on_straight = (out > 0) & (out <= straight)
        on_blend = (out > straight) & (out < straight + blend)
        beyond = out >= straight + blend
        left = straight + blend - out
        lift = np.select(
            [on_straight, on_blend, beyond], [self.top_m - ramp * out, ramp / blend * left**2 / 2, 0.0], lift
        )
        slope = np.select([on_straight, on_blend, beyond], [-ramp, -ramp / blend * left, 0.0], slope)
        accel = np.select([on_straight, on_blend, beyond], [0.0, ramp / blend, 0.0], accel)
        return Lobe(theta, lift, np.asarray(slope * np.sign(theta), dtype=np.float64), accel)

    def reach_rad(self) -> float:
        """Half the lobe with its slowest ramp."""
        return self.top_rad + 1.25 * self.top_m / self.ramp.low_m_per_rad


def lobe_from_card(
    card: Card,
    limits: Limits,
    *,
    base_radius_m: float,
    ramp: Ramp,
    seat_m: float,
    jerk_allowance: float = 1.2,
    shape_allowance: float = 3.0,
) -> CardLobe:
    """The card's nominal lobe and the extremes of all admissible ones.

    Raises NoSolution when no lobe fits the card within the follower's limits; `what_would_give` says why.
    """
    flank = _Flank(card, limits, base_radius_m, ramp, seat_m)
    geometry = flank.geometry()
    caps = np.full(flank.n, np.inf)
    least: list[float] = []
    for part, (segments, (x, y)) in enumerate(flank.parts):
        z = flank.solve(flank.unit(flank.t), geometry, flank.jerk_rows(caps))
        if z is None:
            raise NoSolution("no lobe fits this card within the follower's limits")
        least.append(float(z[flank.t]))
        if part == 0:
            caps[segments] = jerk_allowance * least[-1]
        else:
            # However little jerk a part needs, the deceleration may still fall from its mean to nothing.
            caps[segments] = max(shape_allowance * least[-1], 2.0 * (1.0 - y) / x**3)
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
    middle = flank.lobe(nominal, half)
    members = (middle, *extremes.values())
    stack = np.stack([[m.lift_m, m.velocity_m_per_rad, m.acceleration_m_per_rad2] for m in members])
    return CardLobe(
        nominal=middle,
        extremes=extremes,
        least_jerk_m_per_rad3=tuple(value * flank.jerk_unit for value in least),
        ramp_top_cam_rad=flank.top_rad,
        stack=stack,
    )


@dataclass(frozen=True)
class WayOut:
    """One change that, alone, makes an impossible card possible. `kind` is how `units.show` shows it."""

    what: str
    value: float
    kind: str


def what_would_give(
    card: Card, limits: Limits, *, base_radius_m: float, ramp: Ramp, seat_m: float
) -> tuple[WayOut, ...]:
    """For an impossible card: each single change that makes it possible, and by how much.

    The face diameter and the base circle enter the constraints linearly and are found as variables of the
    same program; lift, durations and pressure angle by bisection, to a tenth of a degree or better.
    """

    def flank(points_card: Card = card, points_limits: Limits = limits) -> _Flank:
        return _Flank(points_card, points_limits, base_radius_m, ramp, seat_m)

    def fits(points_card: Card = card, points_limits: Limits = limits) -> bool:
        try:
            return flank(points_card, points_limits).least_excess() < FITS
        except NoSolution:
            # A solver that gives up on an extreme card has not shown that the change helps.
            return False

    def solved(here: _Flank, geometry: tuple[sp.csr_matrix, Array]) -> Array | None:
        try:
            return here.solve(here.unit(here.t), geometry)
        except NoSolution:
            return None

    def edge(possible: Callable[[float], bool], far: float, steps: int = 9) -> float | None:
        """Least share of the way to `far` (from 0) at which it becomes possible."""
        # Too much of a change can be impossible too (a nose too sharp), so look along the way first.
        marks = [far * share for share in (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1)]
        found = next((k for k, mark in enumerate(marks) if possible(mark)), None)
        if found is None:
            return None
        low, high = (marks[found - 1] if found else 0.0), marks[found]
        for _ in range(steps):
            middle = (low + high) / 2
            low, high = (low, middle) if possible(middle) else (middle, high)
        return high

    ways: list[WayOut] = []
    if isinstance(limits, FlatLimits):
        here = flank()
        z = solved(here, here.geometry(face_is_free=True))
        if z is not None:
            face = 2.0 * (float(z[here.t]) * here.slope_unit + limits.edge_m)
            ways.append(WayOut("a lifter face of at least", face, "lift"))
        z = solved(here, here.geometry(base_is_free=True))
        base = math.inf if z is None else float(z[here.t]) * here.lift_m + limits.least_nose_radius_m
        if base < 2.0 * base_radius_m:
            ways.append(WayOut("a base circle radius of at least", base, "lift"))
    if isinstance(limits, RollerLimits):
        more = edge(
            lambda extra: fits(points_limits=replace(limits, pressure_angle_rad=limits.pressure_angle_rad + extra)),
            rad(25.0),
        )
        if more is not None:
            ways.append(WayOut("a pressure angle of at least", limits.pressure_angle_rad + more, "angle"))
    top = card.points[-1].at_m

    def with_lift(cut: float) -> Card:
        return replace(card, lobe_lift_m=card.lobe_lift_m - cut)

    cut = edge(lambda c: fits(with_lift(c)), 0.98 * (card.lobe_lift_m - top))
    if cut is not None:
        ways.append(WayOut("a lobe lift of at most", card.lobe_lift_m - cut, "lift"))

    def longer(extra_rad: float) -> Card:
        points = tuple(replace(p, duration_rad=p.duration_rad + extra_rad) for p in card.points)
        return replace(card, points=points)

    extra = edge(lambda e: fits(longer(e)), min(rad(80.0), rad(420.0) - card.lowest.duration_rad))
    if extra is not None:
        ways.append(WayOut("a longer duration at every quoted lift, by", extra, "angle"))

    if len(card.points) > 1:
        last = card.points[-1]

        def shorter(cut_rad: float) -> Card:
            moved = replace(last, duration_rad=last.duration_rad - cut_rad)
            return replace(card, points=(*card.points[:-1], moved))

        cut = edge(lambda c: fits(shorter(c)), 0.5 * (last.duration_rad - rad(40.0)))
        if cut is not None:
            ways.append(WayOut("a shorter duration at the highest quoted lift, by", cut, "angle"))
    return tuple(ways)
