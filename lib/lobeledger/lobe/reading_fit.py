"""How readings are laid out over a turn and weighed before the fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.lobe.ring import Adaption
from lobeledger.units import INCH_M, both, deg, rad

__all__ = ["LobeReadings", "lobe_lift_from_valve"]

# Two stop readings, each good to 0.5 crank degree, give top dead centre to 0.35 crank degree: half in cam degrees.
WHEEL_ZERO_ERROR_CAM_RAD = rad(0.175)  # assumed
TURN = 2.0 * math.pi
INTERVALS = 180
GRID_STEP_RAD = rad(0.25)
RAMP_M_PER_RAD = 0.0005 * INCH_M / rad(1.0)  # assumed: a solid lobe's ramp, where a lash hides it
FEWEST_BASE_READINGS = 8
FEWEST_LIFTED_READINGS = 16
WIDEST_GAP_RAD = rad(9.0)
LEAST_LIFT_M, GREATEST_LIFT_M = 0.001, 0.02  # as on cards
MOST_SLIPS = 3
# Settled by measured coverage (tests/readings_coverage.py), in cam degrees and steps of the dial.
EVENT_MARGIN_RAD = rad(10.0)
UNSEEN_MARGIN_RAD = rad(8.0)
UNSEEN_STEPS = 6.0
BIAS_BLUR_RAD = rad(3.0)
BIAS_FACTOR = 1.7
UNSEEN_BIAS_SHARE = 0.6
ADAPTION = Adaption()


class LobeReadings(NamedTuple):
    """Readings brought to the lobe: cam angle, lobe lift, the step of that lift, their lines, and what was done."""

    angle_cam_rad: Array
    lobe_lift_m: Array
    lift_step_m: float
    lines: tuple[int, ...]
    handled: tuple[str, ...]


def as_readings(angle: ArrayLike, lift: ArrayLike, lines: Sequence[int] | None) -> tuple[Array, Array, Array]:
    """Arrays by rising angle; refuses what cannot be a table of readings."""
    a, s = np.array(angle, dtype=np.float64), np.array(lift, dtype=np.float64)
    if a.ndim != 1 or a.shape != s.shape:
        raise OutOfRange(f"{a.size} angles and {s.size} lifts; give one lift for each angle")
    n = np.arange(1.0, a.size + 1.0) if lines is None else np.array(lines, dtype=np.float64)
    if n.shape != a.shape:
        raise OutOfRange(f"{n.size} line numbers for {a.size} readings; give one for each")
    bad = ~(np.isfinite(a) & np.isfinite(s))
    if bad.any():
        raise OutOfRange(f"line {n[bad][0]:.0f}: angle and lift must be finite numbers")
    if a.size < FEWEST_BASE_READINGS + FEWEST_LIFTED_READINGS:
        raise OutOfRange(f"only {a.size} readings; a lobe needs one every few cam degrees, base circle included")
    if np.ptp(a) > TURN * (1.0 + 1e-9):
        raise OutOfRange(
            f"the angles cover {deg(float(np.ptp(a))):.0f} cam degrees, more than one turn of the cam; "
            "if they were read on the crank, say crank angle"
        )
    order = np.argsort(a, kind="stable")
    return a[order], s[order], n[order]


def _base_level(lift: Array, step: float) -> tuple[float, float]:
    """Level that most readings share, and their standard deviation there."""
    ordered = np.sort(lift)
    width = max(2.2 * step, 0.004 * float(np.ptp(lift)))
    counts = np.searchsorted(ordered, ordered + width, side="right") - np.arange(ordered.size)
    best = int(counts.argmax())
    # A wide window half on the ramp would lift the base: the commonest reading centres it.
    members = ordered[best : best + counts[best]]
    level = float(np.median(members))
    members = lift[np.abs(lift - level) <= width]
    return float(members.mean()), float(members.std())


def lobe_lift_from_valve(
    angle_cam_rad: ArrayLike,
    valve_lift_m: ArrayLike,
    *,
    rocker_ratio: float,
    lash_m: float,
    lift_step_m: float,
    unseen_cam_rad: float | None = None,
    lines: Sequence[int] | None = None,
) -> LobeReadings:
    """Lobe lift = (valve lift + lash) / ratio where the valve is open (rigid valvetrain).

    While the valve is shut the lobe lies anywhere below lash / ratio: those readings next to the open valve are
    left out, over `unseen_cam_rad` on either side (by default lash / ratio over a ramp of 0.0005 in per cam
    degree, assumed, and 8 degrees more), and those further off are base circle, lobe lift nought. Without lash
    nothing is left out. Raises OutOfRange.
    """
    if not 1.0 <= rocker_ratio <= 2.2:
        raise OutOfRange(f"the rocker ratio is {rocker_ratio:g}; it lies between 1.0 and 2.2")
    if not 0.0 <= lash_m <= 0.002:
        raise OutOfRange(f"the lash is {both(lash_m, 'lift')}; it lies between 0 and {both(0.002, 'lift')}")
    angle, valve, line = as_readings(angle_cam_rad, valve_lift_m, lines)
    level, scatter = _base_level(valve, lift_step_m)
    lift = valve - level
    handled = [f"lobe lift is (valve lift + {both(lash_m, 'lift')} lash) / {rocker_ratio:g}, valvetrain taken as rigid"]
    if lash_m == 0.0:
        keep = np.ones(angle.size, dtype=bool)
        lobe = lift / rocker_ratio
    else:
        hidden = lash_m / rocker_ratio
        reach = hidden / RAMP_M_PER_RAD + rad(8.0) if unseen_cam_rad is None else unseen_cam_rad
        is_open = lift > max(1.2 * lift_step_m, 4.0 * scatter)
        if not is_open.any():
            raise OutOfRange("no reading shows the valve open; check the lift column and its unit")
        apart = np.abs(np.mod(angle[:, None] - angle[is_open][None, :] + math.pi, TURN) - math.pi).min(axis=1)
        keep = is_open | (apart > reach)
        lobe = np.where(is_open, (lift + lash_m) / rocker_ratio, 0.0)
        handled.append(
            f"{int((~keep).sum())} readings with the valve shut within {deg(reach):.0f} cam degrees of its opening "
            f"and closing are left out: the lash hides the lobe below {both(hidden, 'lift')} there"
        )
    return LobeReadings(
        angle[keep],
        lobe[keep],
        lift_step_m / rocker_ratio,
        tuple(int(k) for k in line[keep]),
        tuple(handled),
    )


class LaidOut(NamedTuple):
    """Readings laid out with the lobe in the middle of the turn."""

    angle: Array
    lift: Array
    line: Array
    level: float
    scatter: float
    first: int  # first and last reading that clearly lift
    last: int
    threshold: float


def laid_out(angle: Array, lift: Array, line: Array, step: float) -> LaidOut:
    """Base level taken off, the turn cut in the middle of the base circle; refuses what is not one lobe."""
    level, scatter = _base_level(lift, step)
    above = float(lift.max()) - level
    if level - float(lift.min()) > above:
        raise OutOfRange("the readings fall from the base circle instead of rising; change the sign of the lifts")
    if not LEAST_LIFT_M <= above <= GREATEST_LIFT_M:
        raise OutOfRange(
            f"the greatest lift above the base circle is {both(above, 'lift')}; "
            "a lobe lifts between 0.040 and 0.790 in (1 and 20 mm): check the unit and whether this is lobe or valve "
            "lift"
        )
    threshold = max(1.2 * step, 4.0 * scatter)
    up = lift - level > threshold
    base = int((np.abs(lift - level) <= threshold).sum())
    if base < FEWEST_BASE_READINGS:
        raise OutOfRange(
            f"only {base} readings lie on the base circle; give at least {FEWEST_BASE_READINGS}, so that the zero of "
            "lift is known"
        )
    below = np.flatnonzero(lift < level - threshold)
    if below.size > MOST_SLIPS:
        raise OutOfRange(
            f"{below.size} readings (first on line {line[below].min():.0f}) lie more than {dial_lift(threshold)} below "
            f"{dial_lift(level)}, which would be the base circle; carry the readings around it, or fix the runout"
        )
    # The run of lifted readings round the ring with most members is the lobe.
    n = angle.size
    start = int(np.flatnonzero(~up)[0])
    turned = np.roll(up, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(int), [0]])))
    begins, ends = edges[::2], edges[1::2]
    longest = int((ends - begins).argmax())
    begin, end = (int(begins[longest]) + start) % n, (int(ends[longest]) - 1 + start) % n
    members = int(ends[longest] - begins[longest])
    if members < FEWEST_LIFTED_READINGS:
        raise OutOfRange(
            f"only {members} readings in a row lie on the lobe; give at least {FEWEST_LIFTED_READINGS}, one every 2 to "
            "4 cam degrees"
        )
    middle = angle[begin] + np.mod(angle[end] - angle[begin], TURN) / 2.0
    laid = np.mod(angle - middle + math.pi, TURN) + middle - math.pi
    order = np.argsort(laid, kind="stable")
    laid, line = laid[order], line[order]
    first, last = int(np.flatnonzero(order == begin)[0]), int(np.flatnonzero(order == end)[0])
    # The readings next to the lobe may stand on its foot: the level is that of the others.
    far = (laid < laid[first] - UNSEEN_MARGIN_RAD) | (laid > laid[last] + UNSEEN_MARGIN_RAD)
    if int(far.sum()) >= FEWEST_BASE_READINGS:
        level, scatter = float(lift[order][far].mean()), float(lift[order][far].std())
    if first == 0 or last == n - 1:
        raise OutOfRange(
            f"the readings begin or end on the lobe (line {line[0 if first == 0 else -1]:.0f}); "
            "carry them down to the base circle on both sides"
        )
    gaps = np.diff(laid[first : last + 1])
    if gaps.max() > WIDEST_GAP_RAD:
        k = first + int(gaps.argmax())
        raise OutOfRange(
            f"no reading for {deg(float(gaps.max())):.0f} cam degrees on the lobe, between lines {line[k]:.0f} and "
            f"{line[k + 1]:.0f}; read at least every {deg(WIDEST_GAP_RAD):.0f} degrees there"
        )
    return LaidOut(laid, lift[order] - level, line, level, scatter, first, last, threshold)


def zones_of(laid: LaidOut, step: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Per interval of the ring: where the lobe lifts, and where its first steps hide the curve."""
    centres = (np.arange(INTERVALS) + 0.5) * (TURN / INTERVALS)
    middle = (laid.angle[laid.first] + laid.angle[laid.last]) / 2.0
    centres = np.mod(centres - middle + math.pi, TURN) + middle - math.pi
    clear = np.flatnonzero(laid.lift > max(UNSEEN_STEPS * step, laid.threshold))
    clear = clear[(clear >= laid.first) & (clear <= laid.last)]
    # Where readings are missing beside the lobe (a ramp under lash) the curve is unseen up to the next one.
    foot = min(laid.angle[laid.first] - UNSEEN_MARGIN_RAD, laid.angle[laid.first - 1])
    heel = max(laid.angle[laid.last] + UNSEEN_MARGIN_RAD, laid.angle[laid.last + 1])
    raised = (centres > foot - (EVENT_MARGIN_RAD - UNSEEN_MARGIN_RAD)) & (
        centres < heel + (EVENT_MARGIN_RAD - UNSEEN_MARGIN_RAD)
    )
    unseen = ((centres > foot) & (centres < laid.angle[clear[0]])) | (
        (centres < heel) & (centres > laid.angle[clear[-1]])
    )
    return raised, unseen


def dial_lift(lift_m: float) -> str:
    """A small lift with the digits a dial shows, in both systems."""
    return both(lift_m, "lift", digits=1)
