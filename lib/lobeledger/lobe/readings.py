"""A lobe from readings of a dial indicator and a degree wheel, and how far the readings can be trusted.

What lobe is this?                      `lobe_from_readings` -> `ReadLobe` (lobe, 95 % bands, residuals, noise)
The indicator stood on the valve?       `lobe_lift_from_valve`
How long, where, how high?              `ReadLobe.duration`, `ReadLobe.centreline`, `ReadLobe.greatest_lift`
How far apart are intake and exhaust?   `lobe_separation`
Is it what the card says?               `compare_with_card`, `CardCheck`
Why not just take differences?          `differenced`, `Differenced`

Readings have a step (the dial's), a scatter in angle (the wheel's pointer, backlash), a zero of lift that is
only as good as the dial, and a zero of angle that is wrong by a fixed amount. The scatter moves a reading by
lift slope times angle error: on a flank ten times the dial's own uncertainty. The fixed amount moves the whole lobe and
nothing in one table shows it, so it enters the centreline and nothing else.

The curve is `ring_spline.fit_adaptive`. Its band is 1.96 times the root of

    noise variance + 1.7 (estimated smoothing bias)^2, averaged over three degrees where that is more,

because the noise alone covers the acceleration on average and not where it changes fast. At the first steps of
lift, which the dial does not show, bias cannot be estimated; there 0.6 of what the prior thinks is hidden stands
in where it is more. `tests/readings_coverage.py` measures, region by region, how often the bands hold: lift
everywhere, acceleration in every region of a lobe whose acceleration is continuous. At the tip of a kink itself
about half the bands miss the acceleration, and where it jumps (arcs joined to arcs, harmonic flanks) they do not
hold within about four cam degrees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lobeledger.errors import OutOfRange
from lobeledger.lobe.lift import Array, Lobe
from lobeledger.lobe.ring import Adaption, RingFit, fit_adaptive
from lobeledger.parts.card import Card
from lobeledger.units import cam_rad_from_crank_rad, crank_rad_from_cam_rad, deg, from_si, rad, show

__all__ = [
    "CardCheck",
    "Differenced",
    "Figure",
    "LobeReadings",
    "ReadLobe",
    "compare_with_card",
    "differenced",
    "lobe_from_readings",
    "lobe_lift_from_valve",
    "lobe_separation",
]

TURN = 2.0 * math.pi
INTERVALS = 180
GRID_STEP_RAD = rad(0.25)
COVER = 1.96  # standard deviations of a 95 % band
_INCH = 0.0254

# Two stop readings, each good to 0.5 crank degree, give top dead centre to 0.35 crank degree: half in cam degrees.
WHEEL_ZERO_ERROR_CAM_RAD = rad(0.175)  # assumed
CENTRELINE_BELOW_TOP_M = 0.050 * _INCH  # common practice: equal lift either side, 0.050 in below greatest lift
RAMP_M_PER_RAD = 0.0005 * _INCH / rad(1.0)  # assumed: a solid lobe's ramp, where a lash hides it
# What a printed card leaves open: half of its last digit (assumed: whole crank degrees, thousandths of an inch).
CARD_ANGLE_ROUNDING_RAD = rad(0.5)
CARD_LIFT_ROUNDING_M = 0.0005 * _INCH

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


class Figure(NamedTuple):
    """A figure and the half-width of its 95 % band, both in the same SI unit."""

    value: float
    half_width: float

    @property
    def low(self) -> float:
        """Lower end of the band."""
        return self.value - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the band."""
        return self.value + self.half_width


class LobeReadings(NamedTuple):
    """Readings brought to the lobe: cam angle, lobe lift, the step of that lift, their lines, and what was done."""

    angle_cam_rad: Array
    lobe_lift_m: Array
    lift_step_m: float
    lines: tuple[int, ...]
    handled: tuple[str, ...]


class Differenced(NamedTuple):
    """Differences of raw readings; angle as read, derivatives per cam radian."""

    angle_cam_rad: Array
    velocity_m_per_rad: Array
    acceleration_m_per_rad2: Array


@dataclass(frozen=True, eq=False)
class ReadLobe:
    """A lobe from readings.

    lobe: on a uniform grid over the whole turn, angle 0 at the centreline (equal lift either side), lift from
    the base circle. lift_band_m, velocity_band_m_per_rad, acceleration_band_m_per_rad2: half-widths of the
    pointwise 95 % bands on that grid; lift's contains the base circle's own zero.
    reading_cam_rad, reading_lift_m, residual_m: readings used, in the lobe's angle and lift.
    residual_share: residual over its expected standard deviation.
    angle_error_cam_rad: standard deviation of the angle's random error, given or found from the scatter
    (found_angle_error_cam_rad, found in either case).
    base_level_m: what the indicator read on the base circle; base_zero_m: standard uncertainty of that zero.
    base_scatter_m: standard deviation of the readings there. centre_wheel_rad: centreline on the wheel, cam.
    wheel_zero_error_cam_rad: half-width of the wheel's fixed error. handled: what was done, in sentences.
    """

    lobe: Lobe
    lift_band_m: Array
    velocity_band_m_per_rad: Array
    acceleration_band_m_per_rad2: Array
    reading_cam_rad: Array
    reading_lift_m: Array
    residual_m: Array
    residual_share: Array
    lift_step_m: float
    angle_error_cam_rad: float
    found_angle_error_cam_rad: float
    base_level_m: float
    base_zero_m: float
    base_scatter_m: float
    centre_wheel_rad: float
    wheel_zero_error_cam_rad: float
    handled: tuple[str, ...]
    _fit: RingFit = field(repr=False)
    _shift_rad: float = field(repr=False)

    @property
    def greatest_lift(self) -> Figure:
        """Greatest lobe lift, metres."""
        top = int(self.lobe.lift_m.argmax())
        return Figure(float(self.lobe.lift_m[top]), float(self.lift_band_m[top]))

    def duration(self, lobe_lift_m: float) -> Figure:
        """Duration above a lobe lift, crank radians. Raises OutOfRange where the lobe does not pass that lift."""
        flanks = self._flanks(lobe_lift_m)
        cam = flanks.closing - flanks.opening
        variance = flanks.opening_variance + flanks.closing_variance - 2.0 * flanks.covariance
        # A base circle read too low moves both crossings outwards: added, not in squares.
        zero = self.base_zero_m * (1.0 / flanks.opening_slope - 1.0 / flanks.closing_slope)
        return Figure(
            crank_rad_from_cam_rad(cam), crank_rad_from_cam_rad(COVER * math.sqrt(max(variance, 0.0) + zero**2))
        )

    def _centre(self, lobe_lift_m: float) -> Figure:
        flanks = self._flanks(lobe_lift_m)
        variance = flanks.opening_variance + flanks.closing_variance + 2.0 * flanks.covariance
        zero = self.base_zero_m * (1.0 / flanks.opening_slope + 1.0 / flanks.closing_slope)
        half = COVER * math.sqrt(max(variance, 0.0) + zero**2) / 2.0
        return Figure(self.centre_wheel_rad + (flanks.opening + flanks.closing) / 2.0, half)

    def centreline(self, lobe_lift_m: float | None = None) -> Figure:
        """Cam angle on the wheel midway between equal lifts, radians, wheel's fixed error included.

        lobe_lift_m: the lift either side; by default 0.050 in below the greatest (common practice).
        """
        at = self.greatest_lift.value - CENTRELINE_BELOW_TOP_M if lobe_lift_m is None else lobe_lift_m
        centre = self._centre(at)
        return Figure(centre.value, math.hypot(centre.half_width, self.wheel_zero_error_cam_rad))

    def skew(self, lobe_lift_m: float) -> Figure:
        """How far the midpoint at a lift lies behind that near the nose, cam radians: 0 for a symmetric lobe."""
        top = self._centre(self.greatest_lift.value - CENTRELINE_BELOW_TOP_M)
        here = self._centre(lobe_lift_m)
        return Figure(here.value - top.value, math.hypot(here.half_width, top.half_width))

    def _flanks(self, lobe_lift_m: float) -> _Flanks:
        opening, closing = (float(at) for at in self.lobe.crossings_cam_rad(lobe_lift_m))
        slopes = self._fit.curve(np.array([opening, closing]) + self._shift_rad, 1)
        if not slopes[0] > 0.0 > slopes[1]:
            raise OutOfRange(
                f"the lift does not pass {lobe_lift_m * 1e3:.3f} mm cleanly here; choose a lift on the flanks"
            )
        at = np.array([opening, closing]) + self._shift_rad
        noise, posterior, bias = self._fit.variances(at)
        here = np.interp([opening, closing], self.lobe.theta_cam_rad, self.lift_band_m) / COVER
        spread = np.maximum(here**2 - self.base_zero_m**2, noise) / slopes**2
        both = self._fit.covariance(float(at[0]), float(at[1]))
        # The two crossings move together only as far as the errors of the two flanks are correlated.
        share = both / math.sqrt(float(posterior[0] * posterior[1]))
        together = -share * math.sqrt(float(spread[0] * spread[1]))  # the slopes have opposite signs
        return _Flanks(
            opening, closing, float(slopes[0]), float(slopes[1]), float(spread[0]), float(spread[1]), together
        )


class _Flanks(NamedTuple):
    """Where both flanks pass a lift, cam radians from the centreline, with variances of those angles."""

    opening: float
    closing: float
    opening_slope: float
    closing_slope: float
    opening_variance: float
    closing_variance: float
    covariance: float


# ------------------------------------------------------------------------------------------------ bringing in


def _as_readings(angle: ArrayLike, lift: ArrayLike, lines: Sequence[int] | None) -> tuple[Array, Array, Array]:
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
        raise OutOfRange(f"the lash is {lash_m * 1e3:.3f} mm; it lies between 0 and 2 mm")
    angle, valve, line = _as_readings(angle_cam_rad, valve_lift_m, lines)
    level, scatter = _base_level(valve, lift_step_m)
    lift = valve - level
    handled = [f"lobe lift is (valve lift + {show(lash_m, 'lift')} lash) / {rocker_ratio:g}, valvetrain taken as rigid"]
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
            f"and closing are left out: the lash hides the lobe below {show(hidden, 'lift')} there"
        )
    return LobeReadings(
        angle[keep],
        lobe[keep],
        lift_step_m / rocker_ratio,
        tuple(int(k) for k in line[keep]),
        tuple(handled),
    )


class _Laid(NamedTuple):
    """Readings laid out with the lobe in the middle of the turn."""

    angle: Array
    lift: Array
    line: Array
    level: float
    scatter: float
    first: int  # first and last reading that clearly lift
    last: int
    threshold: float


def _laid_out(angle: Array, lift: Array, line: Array, step: float) -> _Laid:
    """Base level taken off, the turn cut in the middle of the base circle; refuses what is not one lobe."""
    level, scatter = _base_level(lift, step)
    above = float(lift.max()) - level
    if level - float(lift.min()) > above:
        raise OutOfRange("the readings fall from the base circle instead of rising; change the sign of the lifts")
    if not LEAST_LIFT_M <= above <= GREATEST_LIFT_M:
        raise OutOfRange(
            f"the greatest lift above the base circle is {show(above, 'lift')} ({show(above, 'lift', 'metric')}); "
            "a lobe lifts between 0.040 and 0.790 in: check the unit and whether this is lobe or valve lift"
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
            f"{below.size} readings (the first on line {line[below].min():.0f}) lie more than {_fine(threshold)} below "
            f"{_fine(level)}, which would be the base circle; carry the readings round it, or mend its run-out"
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
    return _Laid(laid, lift[order] - level, line, level, scatter, first, last, threshold)


def _zones(laid: _Laid, step: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
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


# ---------------------------------------------------------------------------------------------------- the fit


def lobe_from_readings(
    angle_cam_rad: ArrayLike,
    lobe_lift_m: ArrayLike,
    *,
    lift_step_m: float,
    angle_error_cam_rad: float | None = None,
    wheel_zero_error_cam_rad: float = WHEEL_ZERO_ERROR_CAM_RAD,
    lines: Sequence[int] | None = None,
    handled: Sequence[str] = (),
) -> ReadLobe:
    """The lobe behind readings of lobe lift over cam angle.

    angle_cam_rad: in any order, any zero, rising with rotation, at most one turn. lobe_lift_m: over any zero.
    lift_step_m: what the dial was read to; a reading is uncertain by step / sqrt(12) (rectangular, GUM, JCGM 100,
    4.3.7, from memory). angle_error_cam_rad: standard deviation of the random error of an angle; left out, it is
    found from the scatter on the flanks. wheel_zero_error_cam_rad: half-width of the wheel's fixed error.
    lines, handled: line numbers for messages, and sentences to carry on.

    Raises OutOfRange when the readings are not one lobe on a base circle, with the line and what would be right.
    """
    if not 0.0 < lift_step_m <= 0.0005:
        raise OutOfRange(f"the dial's step is {lift_step_m * 1e3:.4f} mm; it must lie above 0 and not above 0.5 mm")
    if angle_error_cam_rad is not None and not 0.0 <= angle_error_cam_rad <= rad(5.0):
        raise OutOfRange(f"the angle error is {deg(angle_error_cam_rad):.2f} cam degrees; it lies between 0 and 5")
    if not 0.0 <= wheel_zero_error_cam_rad <= math.pi:
        raise OutOfRange(f"the wheel's zero error is {deg(wheel_zero_error_cam_rad):.2f} degrees; at most half a turn")
    laid = _laid_out(*_as_readings(angle_cam_rad, lobe_lift_m, lines), lift_step_m)
    sentences = list(handled)
    if abs(laid.level) > lift_step_m / 2.0:
        sentences.append(f"the indicator read {_fine(laid.level)} on the base circle; that is taken off every reading")
    fit, slips = _fitted(laid, lift_step_m, angle_error_cam_rad)
    if 0 < slips.size <= MOST_SLIPS:
        for k in slips:
            sentences.append(
                f"line {laid.line[k]:.0f} ({deg(laid.angle[k]):.1f} cam degrees) lies {_fine(float(fit.residuals[k]))} "
                "off the curve, far beyond its scatter; left out as a slip of reading"
            )
        kept = np.delete(np.arange(laid.angle.size), slips)
        laid = _laid_out(laid.angle[kept], laid.lift[kept] + laid.level, laid.line[kept], lift_step_m)
        fit, _ = _fitted(laid, lift_step_m, angle_error_cam_rad)
    elif slips.size:
        sentences.append(
            f"{slips.size} readings lie further off the curve than their scatter allows, too many to be slips; "
            "the angle error given may be too small"
        )
    return _assembled(laid, fit, lift_step_m, angle_error_cam_rad, wheel_zero_error_cam_rad, sentences)


def _fine(lift_m: float) -> str:
    """A small lift with the digits a dial shows."""
    return f"{from_si(lift_m, 'lift'):.4f} in"


def _fitted(laid: _Laid, step: float, angle_error: float | None) -> tuple[RingFit, NDArray[np.int64]]:
    raised, unseen = _zones(laid, step)
    start = rad(0.25) if angle_error is None else max(angle_error, 1e-5)
    fit = fit_adaptive(
        laid.angle,
        laid.lift,
        value_variance=max(step**2 / 12.0, laid.scatter**2),
        angle_variance=start**2,
        angle_is_free=angle_error is None,
        raised=raised,
        unseen=unseen,
        adaption=ADAPTION,
        count=INTERVALS,
    )
    spread = np.sqrt(fit.variance * np.maximum(1.0 - fit.leverage, 0.05))
    miss = np.abs(fit.residuals)
    return fit, np.flatnonzero((miss > 4.5 * spread) & (miss > 3.0 * step))


def _crossing_centre(angle: Array, lift: Array, at: float) -> float:
    """Midpoint of the outermost crossings of a level, by linear interpolation on a fine grid."""
    up = np.flatnonzero(lift > at)
    a, b = int(up[0]), int(up[-1])
    left = angle[a - 1] + (at - lift[a - 1]) / (lift[a] - lift[a - 1]) * (angle[a] - angle[a - 1])
    right = angle[b] + (lift[b] - at) / (lift[b] - lift[b + 1]) * (angle[b + 1] - angle[b])
    return (float(left) + float(right)) / 2.0


def _assembled(
    laid: _Laid, fit: RingFit, step: float, angle_error: float | None, wheel_zero: float, sentences: list[str]
) -> ReadLobe:
    half_turn = round(math.pi / GRID_STEP_RAD)
    grid: Array = np.arange(-half_turn, half_turn + 1, dtype=np.float64) * GRID_STEP_RAD
    middle = (laid.angle[laid.first] + laid.angle[laid.last]) / 2.0
    raw = fit.curve(grid + middle)
    raised, unseen = _zones(laid, step)
    interval = np.minimum((np.mod(grid + middle, TURN) * (INTERVALS / TURN)).astype(np.int64), INTERVALS - 1)
    level = float(raw[~raised[interval]].mean()) if (~raised[interval]).any() else 0.0
    top = float(raw.max()) - level
    centre = middle + _crossing_centre(grid, raw - level, top - CENTRELINE_BELOW_TOP_M)
    at = grid + centre
    interval = np.minimum((np.mod(at, TURN) * (INTERVALS / TURN)).astype(np.int64), INTERVALS - 1)
    lift = fit.curve(at) - level
    # The zero of lift is as good as the dial: readings on a still base circle all round the same way.
    base_zero = math.hypot(step / math.sqrt(12.0), laid.scatter / math.sqrt(max(int((~raised).sum()), 1)))
    prior_share = UNSEEN_BIAS_SHARE * _eased(unseen[interval], rad(2.0))
    bands: list[Array] = []
    for derivative in range(3):
        noise, posterior, bias = fit.variances(at, derivative)
        near_bias = BIAS_FACTOR * np.maximum(_eased(bias**2, BIAS_BLUR_RAD), bias**2)
        variance = noise + np.maximum(near_bias, prior_share * np.maximum(posterior - noise, 0.0))
        if derivative == 0:
            variance = variance + base_zero**2 * raised[interval]
        bands.append(COVER * np.sqrt(variance))
    lobe = Lobe(grid, lift, fit.curve(at, 1), fit.curve(at, 2))
    shown = np.mod(laid.angle - centre + math.pi, TURN) - math.pi
    order = np.argsort(shown)
    found = math.sqrt(fit.angle_variance) * (_scatter_ratio(fit, step) if angle_error is not None else 1.0)
    if angle_error is not None and found > 1.5 * angle_error and found > rad(0.05):
        sentences.append(
            f"the readings scatter as if angles were off by {deg(found):.2f} cam degrees, more than the "
            f"{deg(angle_error):.2f} given; the bands are too narrow unless that is mended"
        )
    return ReadLobe(
        lobe=lobe,
        lift_band_m=bands[0],
        velocity_band_m_per_rad=bands[1],
        acceleration_band_m_per_rad2=bands[2],
        reading_cam_rad=shown[order],
        reading_lift_m=laid.lift[order] - level,
        residual_m=fit.residuals[order],
        residual_share=(fit.residuals / np.sqrt(fit.variance * np.maximum(1.0 - fit.leverage, 0.05)))[order],
        lift_step_m=step,
        angle_error_cam_rad=math.sqrt(fit.angle_variance),
        found_angle_error_cam_rad=found,
        base_level_m=laid.level + level,
        base_zero_m=base_zero,
        base_scatter_m=laid.scatter,
        centre_wheel_rad=centre % TURN,
        wheel_zero_error_cam_rad=wheel_zero,
        handled=tuple(sentences),
        _fit=fit,
        _shift_rad=centre,
    )


def _eased(values: NDArray[np.generic], reach_rad: float) -> Array:
    """Triangular mean round the turn over the grid, which repeats its first angle at the end."""
    half = round(reach_rad / GRID_STEP_RAD)
    weights = np.bartlett(2 * half + 3)[1:-1]
    ring = np.asarray(values[:-1], dtype=np.float64)
    eased = np.convolve(np.concatenate([ring[-half:], ring, ring[:half]]), weights / weights.sum(), "valid")
    return np.concatenate([eased, eased[:1]])


def _scatter_ratio(fit: RingFit, step: float) -> float:
    """Residual scatter over the expected one where the angle error rules it."""
    rules = fit.variance > 4.0 * (step**2 / 12.0)
    if rules.sum() < 8:
        return 1.0
    expected = np.maximum(1.0 - fit.leverage[rules], 0.05)
    return math.sqrt(float((fit.residuals[rules] ** 2 / fit.variance[rules]).sum() / expected.sum()))


# ------------------------------------------------------------------------------------------------- the lesson


def differenced(angle_cam_rad: ArrayLike, lift_m: ArrayLike) -> Differenced:
    """Velocity and acceleration by differences of neighbouring readings: shown beside the fit, never used.

    With steps a and b to the neighbours: s' = (s+ - s-) / (a + b), s'' = 2 (s+ / b - s (1/a + 1/b) + s- / a) / (a + b).
    A lift error of standard deviation u gives an acceleration error of u sqrt(6) / step^2: 0.0005 in of rounding
    alone, read every degree, is more than the acceleration of a whole lobe.
    """
    angle, lift, _ = _as_readings(angle_cam_rad, lift_m, None)
    a, b = np.diff(angle)[:-1], np.diff(angle)[1:]
    if min(a.min(), b.min()) <= 0.0:
        raise OutOfRange("two readings at one angle cannot be differenced; keep one of them")
    velocity = (lift[2:] - lift[:-2]) / (a + b)
    acceleration = 2.0 * (lift[2:] / b - lift[1:-1] * (1.0 / a + 1.0 / b) + lift[:-2] / a) / (a + b)
    return Differenced(angle[1:-1], velocity, acceleration)


# ----------------------------------------------------------------------------------------------- against a card


@dataclass(frozen=True)
class CardCheck:
    """One figure of the card against the readings, SI; `differs` when beyond what both leave open."""

    what: str
    kind: str
    read: Figure
    card: float
    differs: bool
    sentence: str


def lobe_separation(intake: ReadLobe, exhaust: ReadLobe) -> Figure:
    """Cam angle between the centrelines, radians; both read on one setting of the wheel, so its zero cancels."""
    one = intake._centre(intake.greatest_lift.value - CENTRELINE_BELOW_TOP_M)
    other = exhaust._centre(exhaust.greatest_lift.value - CENTRELINE_BELOW_TOP_M)
    apart = abs(math.remainder(one.value - other.value, TURN))
    return Figure(apart, math.hypot(one.half_width, other.half_width))


def _checked(
    what: str, kind: str, read: Figure, card: float, rounding: float, words: tuple[str, str], system: str
) -> CardCheck:
    off = read.value - card
    open_ = read.half_width + rounding
    differs = abs(off) > open_
    if differs:
        sentence = (
            f"{what}: {show(abs(off), kind, system)} {words[off > 0.0]} the card "
            f"({show(read.value, kind, system)} give or take {show(read.half_width, kind, system, toward='up')}, "
            f"card {show(card, kind, system)})"
        )
    else:
        within = show(open_, kind, system, toward="up")
        sentence = f"{what}: as the card says, {show(card, kind, system)}, within {within}"
    return CardCheck(what, kind, read, card, differs, sentence)


def compare_with_card(
    intake: ReadLobe | None,
    exhaust: ReadLobe | None,
    *,
    intake_card: Card | None,
    exhaust_card: Card | None,
    lobe_separation_rad: float | None = None,
    intake_centreline_rad: float | None = None,
    system: str = "us",
) -> tuple[CardCheck, ...]:
    """Each figure of the card against what was read, as plain sentences.

    lobe_separation_rad: cam radians, checked when both lobes are given. intake_centreline_rad: crank radians
    after top dead centre, checked when the wheel's zero is the top dead centre of valve overlap.
    A figure differs when it is off by more than the readings' 95 % band plus half the card's last digit
    (assumed: whole crank degrees, thousandths of an inch). Figures the lobe does not reach are told as such.
    """
    checks: list[CardCheck] = []
    for name, read, card in (("intake", intake, intake_card), ("exhaust", exhaust, exhaust_card)):
        if read is None or card is None:
            continue
        what, words = f"{name} lobe lift", ("under", "over")
        lift = read.greatest_lift
        checks.append(_checked(what, "lift", lift, card.lobe_lift_m, CARD_LIFT_ROUNDING_M, words, system))
        for point in card.points:
            what = f"{name} duration at {show(point.at_m, 'lift', system)} of lobe lift"
            try:
                duration = read.duration(point.at_m)
            except OutOfRange:
                checks.append(
                    CardCheck(
                        what, "angle", Figure(math.nan, math.nan), point.duration_rad, True,
                        f"{what}: the lobe as read does not pass that lift on both flanks",
                    )
                )  # fmt: skip
                continue
            words = ("shorter than", "longer than")
            checks.append(_checked(what, "angle", duration, point.duration_rad, CARD_ANGLE_ROUNDING_RAD, words, system))
    if intake is not None and exhaust is not None and lobe_separation_rad is not None:
        checks.append(
            _checked(
                "lobe separation", "angle", lobe_separation(intake, exhaust), lobe_separation_rad,
                cam_rad_from_crank_rad(CARD_ANGLE_ROUNDING_RAD), ("closer than", "wider than"), system,
            )
        )  # fmt: skip
    if intake is not None and intake_centreline_rad is not None:
        cam = intake.centreline()
        atdc = math.remainder(crank_rad_from_cam_rad(cam.value), 2.0 * TURN)
        checks.append(
            _checked(
                "intake centreline", "angle", Figure(atdc, crank_rad_from_cam_rad(cam.half_width)),
                intake_centreline_rad, CARD_ANGLE_ROUNDING_RAD, ("earlier than", "later than"), system,
            )
        )  # fmt: skip
    return tuple(checks)
