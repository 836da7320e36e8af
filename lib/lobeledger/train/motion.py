"""What an elastic valvetrain does at speed: contact force, loss of contact, bounce, spring surge.

What happens at one speed?             `run` -> `Run` (traces and every cycle)
And over a range of speeds?            `sweep` -> one `SpeedPoint` a speed, on any executor
How fast before it leaves the lobe?    `first_loss` -> `FirstLoss`
Which harmonic drives the surge?       `surge_order`, `lift_harmonics_m`

The parts are described by `train`, the march is in `motion_solver`. Speeds named `crank_rpm` are the crankshaft's;
the cam turns half as fast. Angles are the cam's, zero at the lobe's greatest lift. Contact counts while the valve
is off its seat, in the one stretch that holds the nose: chatter on the ramp before it and bounce on the seat after
it are told apart from the loss that ends control of the valve.

Every run begins at rest on the base circle and is a few cycles long. Springs forget a cycle's ringing to a third
in the next at usual speeds; `residual_m` says what is left. Hydraulic lifters leak and pump over hundreds of
cycles: nothing here claims that theirs has settled. A card's ramp foot jumps in acceleration (0.25 degree wide on
the usual grid): it rings the lobe contact and the train's higher modes a little at every opening, and on solid
lifters that ringing is there when the lash is taken up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.lift import Lobe
from lobeledger.train import solver as core
from lobeledger.train.elastic import (
    SPRING_MASSES,
    Train,
    ValveSpring,
    lobe_quintics,
    opening_cam_rad,
    packed,
    rest_state,
    spring_first_surge_hz,
)

__all__ = ["FirstLoss", "Run", "SpeedPoint", "first_loss", "lift_harmonics_m", "rows_at", "run", "surge_order", "sweep"]

TOLERANCE = 1e-8
# A loss that is mended so much further up is chatter at one speed, no limit; crank rpm.
LONE_RPM = 20.0


@dataclass(frozen=True)
class SpeedPoint:
    """One cycle at one speed. Forces at the lobe are along the lifter's axis.

    least_contact_n: while the valve is off its seat; zero when contact is lost. shortfall_n: the same, but below zero
    after a loss by the gap times the contact's stiffness: a measure that passes smoothly through the loss.
    loft_time_s and greatest_gap_m: lifter off the lobe, valve off its seat. loss_cam_rad: where that begins.
    landing_peak_n: greatest force after the loss. seating_speed_m_per_s: valve speed as it meets its seat;
    seat_bounce_m: how high it then jumps. surge_m: greatest departure of each spring's middle from its share of the
    valve's travel. least_spring_n: springs on the retainer; below zero they would leave it, which is not modelled.
    least_oil_n: least load on the oil column (hydraulic; else zero), the valve off its seat; below zero by its
    void times its stiffness once the plunger has run ahead of the oil, which is when the lifter pumps up. column_m: the
    column's length at the cycle's end over that of a lifter set to no preload and no clearance. residual_m: greatest
    difference of any mass's place between start and end of the cycle.
    """

    crank_rpm: float
    least_contact_n: float
    shortfall_n: float
    least_cam_rad: float
    peak_contact_n: float
    peak_cam_rad: float
    loss_cam_rad: float
    loft_time_s: float
    greatest_gap_m: float
    landing_peak_n: float
    seating_speed_m_per_s: float
    seating_cam_rad: float
    seat_bounce_m: float
    surge_m: tuple[float, ...]
    least_spring_n: float
    least_oil_n: float
    least_oil_cam_rad: float
    column_m: float
    residual_m: float
    steps: int

    @property
    def loses_contact(self) -> bool:
        """Whether the lifter leaves the lobe while the valve is off its seat."""
        return not self.shortfall_n > 0.0

    def held_n(self, judge: str) -> float:
        """What still holds the train together at its weakest moment: force at the "lobe", or load on the "column"."""
        return self.least_oil_n if judge == "column" else self.shortfall_n


@dataclass(frozen=True, eq=False)
class Run:
    """A run at one speed: `cycles` in order, and traces of shape (cycles, samples) over `theta_cam_rad`.

    state: where it ended, to go on from (`run(..., start=...)`).
    """

    cycles: tuple[SpeedPoint, ...]
    theta_cam_rad: Array
    contact_n: Array
    pushrod_n: Array
    rocker_tip_n: Array
    seat_n: Array
    spring_n: Array
    valve_lift_m: Array
    valve_speed_m_per_s: Array
    column_m: Array
    state: Array

    @property
    def last(self) -> SpeedPoint:
        """The last cycle, which has forgotten most of the start."""
        return self.cycles[-1]


@dataclass(frozen=True)
class FirstLoss:
    """Lowest crank speed at which contact is lost, the cam angle where, and what parted: "lobe" or "column".

    "column": the oil under the plunger of a hydraulic lifter is unloaded. The plunger's own spring and the supply
    still hold the lifter against the lobe with a few newtons, but the train has let go and the lifter pumps up.
    """

    crank_rpm: float
    at_cam_rad: float
    parted: str


def _cam_rad_per_s(crank_rpm: float) -> float:
    if not (math.isfinite(crank_rpm) and 60.0 <= crank_rpm <= 20000.0):
        raise OutOfRange(f"crank_rpm is {crank_rpm}; it lies between 60 and 20,000")
    return crank_rpm * math.pi / 60.0


def _march(
    train: Train,
    lobe: Lobe,
    crank_rpm: float,
    cycles: int,
    samples: int,
    tolerance: float,
    start: Array | None,
    cut: bool,
) -> tuple[Array, Array, Array]:
    """Rows, traces and end state of a run."""
    omega = _cam_rad_per_s(crank_rpm)
    if cycles < 1 or samples < 0:
        raise OutOfRange(f"cycles is {cycles} and samples {samples}; at least one cycle is run")
    if not 1e-12 <= tolerance <= 1e-3:
        raise OutOfRange(f"tolerance is {tolerance}; it lies between 1e-12 and 1e-3")
    p, springs = packed(train)
    quintics, begin, step = lobe_quintics(lobe)
    if train.gas_n > 0.0:
        p[core.P_GAS_FROM] = opening_cam_rad(train, lobe)
    state = rest_state(train)
    if start is not None:
        if start.shape != state.shape:
            raise OutOfRange(f"start has shape {start.shape}; this train's state has {state.shape}")
        state[:] = start
    rows, traces = np.zeros((cycles, core.ROW_COUNT)), np.zeros((cycles, samples, core.TRACE_COUNT))
    bad = core.march(
        state, omega, cycles, tolerance, cut, p, springs, train.spring_masses, quintics, begin, step, rows, traces
    )
    if bad:
        raise NoSolution(f"the motion at {crank_rpm:.0f} rpm could not be followed: its time step shrank to nothing")
    return rows, traces, state


def _point(crank_rpm: float, row: Array, springs: int) -> SpeedPoint:
    at = row.tolist()
    surge = (at[core.ROW_SURGE_OUTER], at[core.ROW_SURGE_INNER])[:springs]
    return SpeedPoint(
        crank_rpm=crank_rpm,
        least_contact_n=max(at[core.ROW_LEAST], 0.0),
        shortfall_n=at[core.ROW_LEAST],
        least_cam_rad=at[core.ROW_LEAST_ANGLE],
        peak_contact_n=at[core.ROW_PEAK],
        peak_cam_rad=at[core.ROW_PEAK_ANGLE],
        loss_cam_rad=at[core.ROW_LOSS_ANGLE],
        loft_time_s=at[core.ROW_LOFT_TIME],
        greatest_gap_m=at[core.ROW_GAP],
        landing_peak_n=at[core.ROW_LANDING],
        seating_speed_m_per_s=at[core.ROW_SEATING],
        seating_cam_rad=at[core.ROW_SEATING_ANGLE],
        seat_bounce_m=at[core.ROW_BOUNCE],
        surge_m=surge,
        least_spring_n=at[core.ROW_LEAST_SPRING],
        least_oil_n=at[core.ROW_LEAST_OIL],
        least_oil_cam_rad=at[core.ROW_LEAST_OIL_ANGLE],
        column_m=at[core.ROW_COLUMN],
        residual_m=at[core.ROW_RESIDUAL],
        steps=int(at[core.ROW_STEPS]),
    )


def run(
    train: Train,
    lobe: Lobe,
    crank_rpm: float,
    *,
    cycles: int = 3,
    samples: int = 720,
    tolerance: float = TOLERANCE,
    start: Array | None = None,
    cut_at_contacts: bool = True,
) -> Run:
    """Run the train over a lobe at a steady speed.

    start: a state to begin from (`Run.state` of another run of the same train), else at rest. tolerance: local error
    of a step in units of 10 mm and 100 m/s; the default keeps contact forces off the seat within 1 % of the peak below
    the first loss, mostly 0.1 % (tests/test_dynamics.py measures it). cut_at_contacts: False leaves contacts to the
    step control alone.
    Raises OutOfRange for a speed or lobe that makes no sense, NoSolution when the step shrinks to nothing.
    """
    rows, traces, state = _march(train, lobe, crank_rpm, cycles, samples, tolerance, start, cut_at_contacts)
    theta: Array = -math.pi + 2.0 * math.pi * np.arange(samples) / max(samples, 1)
    points = tuple(_point(crank_rpm, row, len(train.springs)) for row in rows)
    kept = (
        core.TRACE_LOBE, core.TRACE_PUSHROD, core.TRACE_TIP, core.TRACE_SEAT, core.TRACE_SPRING, core.TRACE_LIFT,
        core.TRACE_SPEED, core.TRACE_COLUMN,
    )  # fmt: skip
    channels = [np.ascontiguousarray(traces[:, :, i]) for i in kept]
    contact, pushrod, tip, seat, spring, lift, speed, column = channels
    return Run(points, theta, contact, pushrod, tip, seat, spring, lift, speed, column, state)


def rows_at(
    train: Train, lobe: Lobe, crank_rpm: float, *, cycles: int, tolerance: float, start: Array | None = None
) -> tuple[Array, Array]:
    """The march's own rows, (cycles, `solver.ROW_COUNT`), and the state it ended in: `run` without traces or names.

    For answers made of thousands of runs, where making a `SpeedPoint` of every cycle would count.
    """
    rows, _, state = _march(train, lobe, crank_rpm, cycles, 0, tolerance, start, True)
    return rows, state


def _at_speed(train: Train, lobe: Lobe, crank_rpm: float, cycles: int, tolerance: float) -> SpeedPoint:
    rows, _, _ = _march(train, lobe, crank_rpm, cycles, 0, tolerance, None, True)
    return _point(crank_rpm, rows[-1], len(train.springs))


def sweep(
    train: Train,
    lobe: Lobe,
    speeds_rpm: ArrayLike,
    *,
    cycles: int = 3,
    tolerance: float = TOLERANCE,
    executor: Executor | None = None,
) -> tuple[SpeedPoint, ...]:
    """The last of a few cycles at each crank speed, each begun at rest; one after the other, or on an executor.

    Any `concurrent.futures.Executor` will do: threads run side by side, since the march lets go of the
    interpreter; for processes or a cluster everything sent can be pickled. Work is in proportion to the speeds.
    """
    speeds = [float(s) for s in np.atleast_1d(np.asarray(speeds_rpm, dtype=float))]
    n = len(speeds)
    tasks = ([train] * n, [lobe] * n, speeds, [cycles] * n, [tolerance] * n)
    return tuple((map if executor is None else executor.map)(_at_speed, *tasks))


def first_loss(
    train: Train,
    lobe: Lobe,
    *,
    low_rpm: float,
    high_rpm: float,
    step_rpm: float = 50.0,
    within_rpm: float = 1.0,
    cycles: int = 4,
    tolerance: float = TOLERANCE,
    judge: str | None = None,
) -> FirstLoss | None:
    """Lowest crank speed at which the train lets go with the valve off its seat; None when there is none.

    judge: "lobe", lifter against lobe; "column", the load on a hydraulic lifter's oil. Left out, it is the column
    where there is one: there the lobe's own figure hugs zero once the train has let go and tells little.
    Surge cuts tongues of loss into the speeds, some 50 to 100 rpm wide, with contact held above them. So speeds are
    tried upward from low_rpm every step_rpm (four times as far apart while more than half of the figure at low_rpm is
    left); where three of them dip towards zero the bottom is looked for; a root, found to within_rpm, counts when
    contact is still lost LONE_RPM above it. At a lone speed the lifter only chatters as lash is taken up.
    Tried every 10 rpm with twelve cycles, 48 solid trains let go within 40 rpm of what is found here.
    With four cycles the figure mostly lies within 5 rpm of that of sixteen; where surge builds up a tongue, three
    cycles miss it and four find it (a solid roller train: 7,763 and 6,941 rpm; sixteen: 6,926).
    Raises NoSolution when contact is lost at low_rpm already.
    """
    if not (0.0 < low_rpm < high_rpm and step_rpm > 0.0 and within_rpm > 0.0):
        raise OutOfRange(f"speeds from {low_rpm} to {high_rpm} rpm by {step_rpm} make no range to search")

    judge = judge or ("column" if train.oil else "lobe")
    if judge not in ("lobe", "column") or (judge == "column" and not train.oil):
        raise OutOfRange(f"judge is {judge!r}; it is 'lobe', or 'column' for a hydraulic lifter")

    def shortfall(crank_rpm: float) -> float:
        return _at_speed(train, lobe, crank_rpm, cycles, tolerance).held_n(judge)

    before: tuple[float, float] | None = None
    below, at = low_rpm, shortfall(low_rpm)
    plenty = at / 2.0
    if math.isnan(at):
        raise NoSolution("the valve never leaves its seat on this lobe; check lash and lift")
    if at <= 0.0:
        raise NoSolution(f"contact is lost at {low_rpm:.0f} rpm already; begin the search lower")
    while below < high_rpm:
        above = min(below + (4.0 * step_rpm if at > plenty else step_rpm), high_rpm)
        there = shortfall(above)
        lost = None if there > 0.0 else (below, above)
        if lost is None and before is not None:
            bottom = _dip(before, (below, at), (above, there))
            if bottom is not None and not shortfall(bottom) > 0.0:
                lost = (before[0] if bottom < below else below, bottom)
        if lost is not None:
            speed = float(brentq(shortfall, *lost, xtol=within_rpm / 2.0, rtol=1e-9))
            beyond = min(speed + LONE_RPM, high_rpm)
            held = shortfall(beyond)
            if not held > 0.0:
                # The root may lie a hair on the holding side; the angle is read where contact is lost.
                point = _at_speed(train, lobe, min(speed + within_rpm, lost[1]), cycles, tolerance)
                angle = point.loss_cam_rad if math.isfinite(point.loss_cam_rad) else point.least_cam_rad
                return FirstLoss(speed, point.least_oil_cam_rad if judge == "column" else angle, judge)
            if not there > 0.0:
                above, there = beyond, held
        before, below, at = (below, at), above, there
    return None


def _dip(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float | None:
    """Where three points (speed, force), the middle one lowest, may reach zero: the vertex of their parabola."""
    if not b[1] < min(a[1], c[1]):
        return None
    curve = np.polyfit([a[0] - b[0], 0.0, c[0] - b[0]], [a[1], b[1], c[1]], 2)
    vertex = -curve[1] / (2.0 * curve[0])
    # A tongue is sharper than the parabola: looked at wherever as deep a dip again would reach zero.
    return float(b[0] + vertex) if 2.0 * np.polyval(curve, vertex) < min(a[1], c[1]) else None


def lift_harmonics_m(lobe: Lobe, orders: Sequence[int], *, points: int = 2048) -> Array:
    """Amplitude (m) of the lobe's lift at these harmonics of the cam's turn: 2 |c_n|.

    From a Fourier sum over equally spaced angles of a whole turn, lift zero off the lobe's grid (exact to rounding
    well below order points/2). Source: definition of the Fourier series.

    >>> theta = np.linspace(-math.pi, math.pi, 721)
    >>> wave = Lobe(theta, 0.004 * (1 + np.cos(theta)), -0.004 * np.sin(theta), -0.004 * np.cos(theta))
    >>> lift_harmonics_m(wave, [1, 2]).round(9).tolist()
    [0.004, 0.0]
    """
    quintics, begin, step = lobe_quintics(lobe)
    theta = -math.pi + 2.0 * math.pi * np.arange(points) / points
    place = (theta - begin) / step
    inside = (place >= 0.0) & (place < quintics.shape[0])
    i = np.where(inside, place, 0.0).astype(int)
    x = place - i
    lift = np.where(inside, sum(quintics[i, k] * x**k for k in range(6)), 0.0)
    wanted = np.asarray(orders, dtype=int)
    if np.any(wanted < 1) or np.any(wanted >= points // 4):
        raise OutOfRange(f"orders run from 1 to {points // 4 - 1}")
    return np.asarray(2.0 * np.abs(np.fft.rfft(lift)[wanted]) / points)


def surge_order(spring: ValveSpring, crank_rpm: float, *, masses: int = SPRING_MASSES) -> int:
    """The harmonic of the cam's turn nearest to the spring's first surge at a crank speed.

    >>> spring = ValveSpring(seat_load_n=500.0, rate_n_per_m=40000.0, active_mass_kg=0.1, damping_ratio=0.02)
    >>> surge_order(spring, 6000.0)
    6
    """
    return max(round(spring_first_surge_hz(spring, masses) / (_cam_rad_per_s(crank_rpm) / (2.0 * math.pi))), 1)
