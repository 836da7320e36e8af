"""The best possible lobe: the most lift area a follower, its springs and its steel allow.

Which lobe opens the valve most?         `best_lobe` -> `BestLobe` (lobe, what binds where, prices)
What is another newton, millimetre worth? `BestLobe.prices`, `BestLobe.worth`
Which spring rate suits best?            `best_over_rate`
For other solvers to check               `Program`, `solve_program` -> `Answer`

What bounds a lobe is `lobe_task`'s; cards and followers are set against the best in `lobe_share`.

The task: greatest lift area between the ramp tops of a given duration, starting at the ramp's lift and velocity,
on one flank of a symmetric lobe. Unknown is the jerk, constant on each of 240 segments, so that acceleration is a
broken line, velocity a row of parabolas and lift a row of cubics, and a limit kept at the nodes (and where the
velocity's end tangents meet) is kept between them, up to the bend of the lift within a quarter of a degree.

    jerk         |s'''| <= jerk limit (assumed, the same for flat and roller)
    springs      r (F + k (r s - lash)) + m omega^2 s'' >= least load, at the rated speed and a margin above it
    stress       Hertz pressure <= allowed pressure, at the rated and at the lowest speed (the load is linear in
                 omega^2, so no speed between is worse)
    face         |s'| <= face radius - edge                                  flat
    angle        |s'| <= tan(pressure angle) (Rb + Rr + s)                   roller
    velocity     |s'| <= greatest velocity, if one is given
    nose         radius of curvature of the lobe >= least nose radius
    hollow       a hollow flank no tighter than the grinding wheel           roller
    lift         s <= greatest lift, if one is given
    no dip       the flank only rises

On a flat face with line contact every row is linear: one linear program, and its answer is the best there is on
that grid. A crowned face carries a load that grows faster than the cam's radius (to the power 1.3 to 1.45) while the
pressed oval fits on the lobe, and slower once the lobe's edges cut it off; a few programs with tangents to that curve
settle it. A roller's curvature and normal load are linearised too, and a trust region steps in where full steps do not
settle. Both are local bests; tests start rollers elsewhere and come to the same lobe. Prices are the last program's
multipliers: area gained per unit of a limit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import clarabel
import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike, NDArray

from lobeledger.arrays import Array
from lobeledger.best.task import LIMITS, PRICED, LobeTask, limit_rows, limit_uses
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.ramp import FlatLimits, with_ramp
from lobeledger.units import DEG_RAD, cam_rad_from_crank_rad, rad

__all__ = ["Answer", "BestLobe", "Program", "best_lobe", "best_over_rate", "solve_program"]

SEGMENTS = 240
GRID_STEP_RAD = rad(0.25)
# Overstepping a linearised limit, in shares of the limit, is charged this much (scaled area is below one).
_PENALTY = 4.0
_FITS = 1e-6
# Programs a roller gets before a trust region steps in.
_FREE_TURNS = 9
# How to make room in each limit: words, figure, which way it must go, and its value as people read it.
_ROOM: dict[str, tuple[str, str, float, float, str]] = {
    "jerk": ("a jerk limit of at least", "jerk_m_per_rad3", 1.0, 1.0, "m/rad^3"),
    "springs": ("a seat load of at least", "seat_load_n", 1.0, 1.0, "N"),
    "stress": ("an allowed contact stress of at least", "stress_pa", 1.0, 1e-6, "MPa"),
    "face": ("a lifter face of at least", "face_diameter_m", 1.0, 1e3, "mm"),
    "angle": ("a pressure angle of at least", "pressure_angle_rad", 1.0, 1.0 / DEG_RAD, "degrees"),
    "velocity": ("a greatest velocity of at least", "greatest_velocity_m_per_rad", 1.0, 1e3, "mm/rad"),
    "nose": ("a least nose radius of at most", "least_nose_radius_m", -1.0, 1e3, "mm"),
    "hollow": ("a grinding wheel of a radius of at most", "grinding_radius_m", -1.0, 1e3, "mm"),
    "lift": ("a greatest lift of at least", "greatest_lift_m", 1.0, 1e3, "mm"),
}


@dataclass(frozen=True, eq=False)
class BestLobe:
    """The best lobe of a task.

    lobe: with ramps, on the grid cards use. area_m_rad: lift area above the seat between the ramp tops (m x cam
    rad). theta_cam_rad: nodes of one flank, nose outwards; motion: lift, slope and acceleration there, shape (3, n);
    binding: the limit that holds each node's lobe back ("" where none does). prices: d(area)/d(figure) for every figure
    of `PRICED` this task has, in m rad per that figure's own unit. programs: linear programs solved.
    """

    task: LobeTask
    lobe: Lobe
    area_m_rad: float
    theta_cam_rad: Array
    binding: NDArray[np.str_]
    prices: Mapping[str, float]
    programs: int
    jerk_m_per_rad3: Array = field(repr=False)
    motion: Array = field(repr=False)

    @property
    def greatest_lift_m(self) -> float:
        """Lobe lift at the nose."""
        return float(self.motion[0, 0])

    def bound_share(self) -> dict[str, float]:
        """Share of the flank each limit rules, greatest first."""
        names, counts = np.unique(self.binding, return_counts=True)
        order = np.argsort(-counts)
        return {str(names[i]): float(counts[i]) / self.binding.size for i in order if names[i]}

    def motion_at(self, theta_cam_rad: ArrayLike) -> Array:
        """Lift, slope (ds/dtheta, falling from the nose) and acceleration between the ramp tops, shape (3, ...)."""
        theta = np.abs(np.asarray(theta_cam_rad, dtype=float))
        return _between(self.theta_cam_rad, self.motion, self.jerk_m_per_rad3, theta)

    def worth(self, figure: str, by: float) -> float:
        """Share of the lift area gained, to first order, by `by` more of a figure of `PRICED` (its own SI unit)."""
        return self.prices[figure] * by / self.area_m_rad

    def worths(self) -> dict[str, float]:
        """Share of the lift area gained, to first order, by a usual amount of each figure in words, greatest first."""
        found = {PRICED[name][1]: self.worth(name, PRICED[name][0]) for name in self.prices}
        return dict(sorted(found.items(), key=lambda item: -abs(item[1])))

    def use_of_limits(self, theta_cam_rad: ArrayLike) -> dict[str, Array]:
        """How much of each limit is used at some angles between the ramp tops: 1 is all of it."""
        s, v, a = self.motion_at(theta_cam_rad)
        task = self.task
        return {name: use(task, s, v, a) for name, use in limit_uses(task).items()}


# -- the program --------------------------------------------------------------------------------------------


def _between(nodes: Array, motion: Array, jerk: Array, theta: Array) -> Array:
    """Lift, slope and acceleration between nodes; jerk is constant on each segment."""
    i = np.clip(np.searchsorted(nodes, theta, side="right") - 1, 0, jerk.size - 1)
    d = theta - nodes[i]
    s, v, a = motion[:, i]
    j = jerk[i]
    return np.stack([s + d * (v + d * (a / 2.0 + d * j / 6.0)), v + d * (a + d * j / 2.0), a + d * j])


class Program(NamedTuple):
    """minimise cost . z with equal z = equal_to and below z <= below_to; free variables."""

    cost: Array
    equal: sp.csr_matrix
    equal_to: Array
    below: sp.csr_matrix
    below_to: Array


class Answer(NamedTuple):
    """Minimiser and multipliers: how much the least cost rises per unit taken from a right-hand side."""

    z: Array
    equal: Array
    below: Array


def solve_program(program: Program) -> Answer | None:
    """The minimiser by Clarabel, or None when the rows contradict each other; the status is read first."""
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = 1e-9
    settings.max_iter = 200
    size, equals = program.cost.size, program.equal.shape[0]
    solution = clarabel.DefaultSolver(
        sp.csc_matrix((size, size)),
        program.cost,
        sp.vstack([program.equal, program.below]).tocsc(),
        np.concatenate([program.equal_to, program.below_to]),
        [clarabel.ZeroConeT(equals), clarabel.NonnegativeConeT(program.below.shape[0])],
        settings,
    ).solve()
    status = str(solution.status)
    if status in ("Solved", "AlmostSolved"):
        duals = np.asarray(solution.z)
        return Answer(np.asarray(solution.x), duals[:equals], duals[equals:])
    if status in ("PrimalInfeasible", "AlmostPrimalInfeasible"):
        return None
    raise NoSolution(f"the lobe program stopped without an answer ({status}); change the limits slightly and try again")


class _Flank:
    """One flank, scaled: x = theta / flank, y = lift / unit. Unknowns y, v, a at the nodes, j, one elastic t."""

    def __init__(self, task: LobeTask, segments: int) -> None:
        n = self.n = segments
        self.task, self.flank = task, task.flank_cam_rad
        self.step = self.flank / n
        self.unit = (
            0.5
            * self.flank
            * (
                task.limits.greatest_eccentricity_m
                if isinstance(task.limits, FlatLimits)
                else math.tan(task.limits.pressure_angle_rad) * (task.base_radius_m + task.limits.wheel_radius_m)
            )
        )
        if task.greatest_lift_m is not None:
            self.unit = min(self.unit, task.greatest_lift_m)
        self.units = self.unit / self.flank ** np.arange(4.0)
        self.y, self.v, self.a = (k * (n + 1) + np.arange(n + 1) for k in range(3))
        self.j = 3 * (n + 1) + np.arange(n)
        self.t = 4 * n + 3
        self.size = 4 * n + 4
        self.jerk = task.jerk_m_per_rad3 / self.units[3]
        self.nodes = np.linspace(0.0, self.flank, n + 1)
        self._fixed()

    def rows(self, count: int, *terms: tuple[Any, Any]) -> sp.csr_matrix:
        """`count` rows, each term a (column or columns, coefficient or coefficients) pair."""
        row = np.arange(count)
        cols = np.concatenate([np.broadcast_to(column, count) for column, _ in terms])
        vals = np.concatenate([np.broadcast_to(np.asarray(value, float), count) for _, value in terms])
        return sp.csr_matrix((vals, (np.tile(row, len(terms)), cols)), shape=(count, self.size))

    def _fixed(self) -> None:
        n, h, task = self.n, 1.0 / self.n, self.task
        y, v, a, j = self.y, self.v, self.a, self.j
        blocks = [
            self.rows(n, (y[1:], 1), (y[:-1], -1), (v[:-1], -h), (a[:-1], -(h**2) / 2), (j, -(h**3) / 6)),
            self.rows(n, (v[1:], 1), (v[:-1], -1), (a[:-1], -h), (j, -(h**2) / 2)),
            self.rows(n, (a[1:], 1), (a[:-1], -1), (j, -h)),
            self.rows(1, (v[0], 1)),
            self.rows(1, (y[n], 1)),
            self.rows(1, (v[n], 1)),
            self.rows(1, (a[n], 1)),
        ]
        to = [
            np.zeros(3 * n + 1),
            np.array(
                [
                    task.ramp_top_m / self.unit,
                    -task.ramp_velocity_m_per_rad / self.units[1],
                    task.ramp_acceleration_m_per_rad2 / self.units[2],
                ]
            ),
        ]
        self.ramp_row = 3 * n + 2
        for lift_m, duration_rad in task.through:
            x = cam_rad_from_crank_rad(duration_rad) / 2.0 / self.flank
            i = min(int(x * n), n - 1)
            d = x - i * h
            blocks.append(self.rows(1, (y[i], 1), (v[i], d), (a[i], d**2 / 2), (j[i], d**3 / 6)))
            to.append(np.array([lift_m / self.unit]))
        self.equal, self.equal_to = sp.vstack(blocks).tocsr(), np.concatenate(to)
        # Area of the cubics, exactly: h (y0 + y1)/2 + h^2 (v0 - v1)/12; the velocities cancel but at the ends.
        self.cost = np.zeros(self.size)
        self.cost[y[:-1]] -= h / 2.0
        self.cost[y[1:]] -= h / 2.0
        self.cost[v[0]] -= h**2 / 12.0
        self.cost[v[n]] += h**2 / 12.0
        share = 1.0 / self.jerk
        self.jerk_rows = sp.vstack([self.rows(n, (j, share)), self.rows(n, (j, -share))]).tocsr()

    def motion(self, z: Array) -> Array:
        """Lift, slope, acceleration at the nodes in metres and radians, shape (3, n + 1)."""
        return np.stack([z[c] * u for c, u in zip((self.y, self.v, self.a), self.units[:3], strict=True)])

    def program(
        self, about: Array | None, *, trust: float | None = None, relax: str = ""
    ) -> tuple[Program, list[tuple[str, NDArray[np.int64], float]]]:
        """The program linearised about a motion (without: linear rows alone), and what its `below` rows are.

        relax: this limit's rows may give by t, with t as the cost. Otherwise linearised rows may give by t at a
        penalty, so that a program always has an answer where the linear rows have one.
        """
        n = self.n
        start = about if about is not None else np.stack([np.full(n + 1, self.task.ramp_top_m), *np.zeros((2, n + 1))])
        jerk_rows = self.jerk_rows
        if relax == "jerk":
            jerk_rows = (jerk_rows + self.rows(2 * n, (self.t, -1.0))).tocsr()
        below, to = [jerk_rows], [np.ones(2 * n)]
        what: list[tuple[str, NDArray[np.int64], float]] = [
            ("jerk", np.tile(np.arange(n), 2), self.task.jerk_m_per_rad3)
        ]
        s, v, a = start
        for row in limit_rows(self.task, s, v, a, self.step):
            if about is None and not row.linear:
                continue
            by = [
                np.broadcast_to(np.asarray(d, float), row.at.shape) / row.scale
                for d in (row.by_lift, row.by_slope, row.by_accel)
            ]
            give = -1.0 if relax == row.name or (not relax and not row.linear) else 0.0
            terms = [(c[row.at], -d * u) for c, d, u in zip((self.y, self.v, self.a), by, self.units[:3], strict=True)]
            if give:
                terms.append((np.full(row.at.size, self.t), give))
            below.append(self.rows(row.at.size, *terms))
            here = sum(d * start[k][row.at] for k, d in enumerate(by))
            to.append(row.slack / row.scale - here)
            what.append((row.name, row.at, row.scale))
        below.append(self.rows(1, (self.t, -1.0)))
        to.append(np.zeros(1))
        what.append(("", np.zeros(1, dtype=np.int64), 1.0))
        if trust is not None and about is not None:
            middle = start[2] / self.units[2]
            below += [self.rows(n + 1, (self.a, 1.0)), self.rows(n + 1, (self.a, -1.0))]
            to += [middle + trust, trust - middle]
            what += [("trust", np.arange(n + 1), 1.0)] * 2
        cost = self.cost.copy()
        if relax:
            cost[:] = 0.0
        cost[self.t] = 1.0 if relax else _PENALTY
        return Program(cost, self.equal, self.equal_to, sp.vstack(below).tocsr(), np.concatenate(to)), what

    def excess(self, motion: Array) -> float:
        """Greatest share by which a linearised limit is overstepped."""
        s, v, a = motion
        return max(
            (float(np.max(-r.slack)) / r.scale for r in limit_rows(self.task, s, v, a, self.step) if not r.linear),
            default=0.0,
        )


class _Found(NamedTuple):
    answer: Answer
    motion: Array
    what: list[tuple[str, NDArray[np.int64], float]]
    programs: int
    excess: float


def _search(flank: _Flank, start: Array | None) -> _Found | None:
    """Linear programs until nothing is gained; None when the linear rows contradict each other.

    A crowned face needs no trust region: only one row a node is curved, and gently. A roller first gets some programs
    without one: they settle in four to seven, while a rise step by step along curved limits creeps. Only where that
    fails does a trust region take over, from the best lobe met so far.
    """
    flat = isinstance(flank.task.limits, FlatLimits)
    programs = 0
    if start is None:
        program, what = flank.program(None)
        answer = solve_program(program)
        programs += 1
        if answer is None:
            return None
        start = flank.motion(answer.z)
        if all(row.linear for row in limit_rows(flank.task, start[0], start[1], start[2], flank.step)):
            return _Found(answer, start, what, programs, 0.0)

    def judged(motion: Array) -> tuple[float, float]:
        """Scaled area less the penalty on the overstepped limit, and that excess."""
        excess = max(flank.excess(motion), 0.0)
        return float(flank.cost[flank.y] @ motion[0]) / flank.unit + _PENALTY * excess, excess

    motion, (merit, _) = start, judged(start)
    best_motion, best_merit = motion, merit
    trust: float | None = None
    for turn in range(80):
        if turn == _FREE_TURNS and not flat:
            motion, merit = best_motion, best_merit
            trust = max(0.25 * float(np.max(np.abs(motion[2]))) / flank.units[2], 1.0)
        program, what = flank.program(motion, trust=trust)
        answer = solve_program(program)
        programs += 1
        if answer is None:
            return None
        new = flank.motion(answer.z)
        new_merit, excess = judged(new)
        hoped = float(flank.cost[flank.y] @ new[0]) / flank.unit + _PENALTY * max(float(answer.z[flank.t]), 0.0)
        promised, gained = merit - hoped, merit - new_merit
        # Rough limits (a jerk that turns within one segment) leave the programs less exact; then less is asked.
        settled = abs(promised) < (2e-8 if turn < 25 else 2e-6) and (abs(gained) < 2e-6 or gained > 0.0)
        if trust is None or gained >= 0.1 * promised:
            motion, merit = new, new_merit
            if trust is not None and gained > 0.7 * promised:
                trust *= 2.0
        elif trust is not None:
            trust *= 0.3
        if new_merit < best_merit:
            best_motion, best_merit = new, new_merit
        if settled:
            return _Found(answer, new, what, programs, excess)
    raise NoSolution("the search for the best lobe did not settle; change the limits slightly and try again")


# -- the answer ---------------------------------------------------------------------------------------------


def _feasible(task: LobeTask, segments: int) -> bool:
    try:
        found = _search(_Flank(task, segments), None)
    except NoSolution:
        return False
    return found is not None and found.excess <= 1e-5


def _cause(flank: _Flank, about: Array | None) -> str:
    """Which single limit, moved how far, would let a lobe exist; in words.

    Programs in which one limit at a time may give say which are worth trying; the figure is then found on the task
    itself, to some per cent of its way.
    """
    n, task = flank.n, flank.task
    start = about if about is not None else np.stack([np.full(n + 1, task.ramp_top_m), *np.zeros((2, n + 1))])
    ways: list[str] = []
    for name in dict.fromkeys(
        ["jerk", *(row.name for row in limit_rows(task, start[0], start[1], start[2], flank.step))]
    ):
        if name not in _ROOM:
            continue
        try:
            answer = solve_program(flank.program(start, relax=name)[0])
        except NoSolution:
            continue
        if answer is None or answer.z[flank.t] < _FITS:
            continue
        words, figure, way, factor, unit = _ROOM[name]
        value = task.figure(figure)
        assert value is not None
        low, high = 1.0, 0.0
        for grown in (1.03, 1.1, 1.25, 1.6, 2.5, 4.0):
            try:
                moved = task.moved(figure, value * grown**way)
            except OutOfRange:
                break
            if _feasible(moved, n // 2):
                high = grown
                break
            low = grown
        if not high:
            continue
        for _ in range(4):
            middle = math.sqrt(low * high)
            low, high = (low, middle) if _feasible(task.moved(figure, value * middle**way), n // 2) else (middle, high)
        ways.append(f"{words} {value * high**way * factor:.3g} {unit}")
    if not ways:
        return "no single limit is to blame, so relax several, lengthen the duration or drop a point it must pass"
    return "it would take " + " or ".join(ways)


def _prices(flank: _Flank, found: _Found) -> dict[str, float]:
    """d(area)/d(figure) by the envelope theorem: multipliers times how each figure moves its rows' slacks."""
    task, answer = flank.task, found.answer
    gain = 2.0 * flank.unit * flank.flank
    s, v, a = found.motion
    duals: list[Array] = []
    start = 0
    for _, at, _ in found.what:
        duals.append(answer.below[start : start + at.size])
        start += at.size
    # The jerk rows come first, then the limits in the order of `limit_rows`, as many as this program had.
    prices = {"jerk_m_per_rad3": gain * float(duals[0].sum()) / task.jerk_m_per_rad3}
    prices["ramp_velocity_m_per_rad"] = -gain * float(answer.equal[flank.ramp_row] / flank.units[1])
    nonlinear = any(not row.linear for row in limit_rows(task, s, v, a, flank.step))
    for name in PRICED:
        value = task.figure(name)
        if name in prices or value is None or not math.isfinite(value):
            continue
        if name == "grinding_radius_m" and isinstance(task.limits, FlatLimits):
            continue
        step = 1e-5 * value if value else 1e-3
        ends = []
        for side in (1.0, -1.0):
            if value + side * step < 0.0:
                side = 0.0
            moved = task.moved(name, value + side * step)
            rows = [r for r in limit_rows(moved, s, v, a, flank.step) if nonlinear or r.linear]
            ends.append((side, rows))
        width = (ends[0][0] - ends[1][0]) * step
        total = 0.0
        for dual, (_, _, scale), up, down in zip(duals[1:], found.what[1:], ends[0][1], ends[1][1], strict=False):
            total += float(dual @ (up.slack - down.slack)) / (width * scale)
        prices[name] = gain * total
    return prices


def _binding(flank: _Flank, found: _Found) -> NDArray[np.str_]:
    """The limit with the greatest multiplier at each node; a segment's jerk counts for its inner node."""
    n = flank.n
    weight = np.zeros((len(LIMITS), n + 1))
    start = 0
    for name, at, _ in found.what:
        if name in LIMITS:
            np.add.at(weight[LIMITS.index(name)], at, np.maximum(found.answer.below[start : start + at.size], 0.0))
        start += at.size
    weight[LIMITS.index("jerk"), n] = weight[LIMITS.index("jerk"), n - 1]
    names = np.array(LIMITS)[weight.argmax(axis=0)]
    cap = flank.task.greatest_lift_m
    if cap is not None:
        # A lobe that rests at its greatest lift is held there by that lift, not by having to rise.
        names[(names == "no dip") & (found.motion[0] > cap * (1.0 - 1e-6))] = "lift"
    return np.where(weight.max(axis=0) > 1e-6 * weight.max(), names, "")


def _whole_lobe(task: LobeTask, nodes: Array, motion: Array, jerk: Array) -> Lobe:
    """The lobe with its ramps as on cards' lobes (`lobe_card.with_ramp`), on a uniform grid, zero at both ends."""
    top, speed, flank = task.ramp_top_m, task.ramp_velocity_m_per_rad, float(nodes[-1])
    # Without a ramp velocity nothing leads down to the base circle; a lobe that starts on it needs no ramp.
    reach = 3.0 * top / speed if speed > 0.0 else 0.0
    steps = math.ceil((flank + reach) / GRID_STEP_RAD) + 1
    theta: Array = np.arange(-steps, steps + 1, dtype=np.float64) * GRID_STEP_RAD
    out = np.abs(theta) - flank
    s, v, a = _between(nodes, motion, jerk, np.minimum(np.abs(theta), flank))
    if speed > 0.0:
        bend = task.ramp_acceleration_m_per_rad2
        s, v, a = with_ramp(out, top, speed, bend, bend > 0.0, (s, v, a))
    else:
        s, v, a = (np.where(out <= 0.0, each, 0.0) for each in (s, v, a))
    return Lobe(theta, s, np.asarray(v * np.sign(theta), dtype=np.float64), a)


def best_lobe(task: LobeTask, *, segments: int = SEGMENTS) -> BestLobe:
    """The lobe of greatest lift area within the task's limits, with what binds and what more room is worth.

    Raises NoSolution, naming the limits that would have to give, when no lobe meets them all.
    """
    flank = _Flank(task, segments)
    found = _search(flank, None)
    if found is None or found.excess > 1e-5:
        raise NoSolution(f"no lobe meets these limits: {_cause(flank, None if found is None else found.motion)}")
    z = found.answer.z
    jerk = z[flank.j] * flank.units[3]
    area = -2.0 * flank.unit * flank.flank * float(flank.cost[: flank.t] @ z[: flank.t])
    return BestLobe(
        task=task,
        lobe=_whole_lobe(task, flank.nodes, found.motion, jerk),
        area_m_rad=area - 2.0 * flank.flank * task.seat_lift_m,
        theta_cam_rad=flank.nodes,
        binding=_binding(flank, found),
        prices=_prices(flank, found),
        programs=found.programs,
        jerk_m_per_rad3=jerk,
        motion=found.motion,
    )


def best_over_rate(task: LobeTask, rates_n_per_m: Sequence[float]) -> tuple[float, BestLobe]:
    """The spring rate, of those given, whose best lobe has the greatest area; the seat load stays.

    Rate times lift is a product of two unknowns, so the rate is scanned. Raises NoSolution when none works.
    """
    best: tuple[float, BestLobe] | None = None
    trouble = "no spring rate was given"
    for rate in rates_n_per_m:
        try:
            found = best_lobe(replace(task, rate_n_per_m=float(rate)))
        except NoSolution as problem:
            trouble = str(problem)
            continue
        if best is None or found.area_m_rad > best[1].area_m_rad:
            best = float(rate), found
    if best is None:
        raise NoSolution(trouble)
    return best
