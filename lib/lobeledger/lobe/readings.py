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

from lobeledger import units
from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.reading_fit import (
    ADAPTION,
    BIAS_BLUR_RAD,
    BIAS_FACTOR,
    GRID_STEP_RAD,
    INTERVALS,
    MOST_SLIPS,
    TURN,
    UNSEEN_BIAS_SHARE,
    WHEEL_ZERO_ERROR_CAM_RAD,
    LaidOut,
    as_readings,
    dial_lift,
    laid_out,
    zones_of,
)
from lobeledger.lobe.ring import RingFit, fit_adaptive
from lobeledger.units import INCH_M, crank_rad_from_cam_rad, deg, rad

__all__ = ["Differenced", "Figure", "ReadLobe", "differenced", "lobe_from_readings"]

COVER = 1.96  # standard deviations of a 95 % band
CENTRELINE_BELOW_TOP_M = 0.050 * INCH_M  # common practice: equal lift either side, 0.050 in below greatest lift


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
                f"the lift does not pass {units.both(lobe_lift_m, 'lift')} cleanly here; choose a lift on the flanks"
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
        raise OutOfRange(
            f"the dial's step is {units.both(lift_step_m, 'lift', digits=1)}; it must lie above 0 and not above "
            f"{units.both(0.0005, 'lift')}"
        )
    if angle_error_cam_rad is not None and not 0.0 <= angle_error_cam_rad <= rad(5.0):
        raise OutOfRange(f"the angle error is {deg(angle_error_cam_rad):.2f} cam degrees; it lies between 0 and 5")
    if not 0.0 <= wheel_zero_error_cam_rad <= math.pi:
        raise OutOfRange(f"the wheel's zero error is {deg(wheel_zero_error_cam_rad):.2f} degrees; at most half a turn")
    laid = laid_out(*as_readings(angle_cam_rad, lobe_lift_m, lines), lift_step_m)
    sentences = list(handled)
    if abs(laid.level) > lift_step_m / 2.0:
        level = dial_lift(laid.level)
        sentences.append(f"the indicator read {level} on the base circle; that is taken off every reading")
    fit, slips = _fitted(laid, lift_step_m, angle_error_cam_rad)
    if 0 < slips.size <= MOST_SLIPS:
        for k in slips:
            off = dial_lift(float(fit.residuals[k]))
            sentences.append(
                f"line {laid.line[k]:.0f} ({deg(laid.angle[k]):.1f} cam degrees) lies {off} "
                "off the curve, far beyond its scatter; skipped as a misread"
            )
        kept = np.delete(np.arange(laid.angle.size), slips)
        laid = laid_out(laid.angle[kept], laid.lift[kept] + laid.level, laid.line[kept], lift_step_m)
        fit, _ = _fitted(laid, lift_step_m, angle_error_cam_rad)
    elif slips.size:
        sentences.append(
            f"{slips.size} readings lie further off the curve than their scatter allows, too many to be misreads; "
            "the angle error given may be too small"
        )
    return _assembled(laid, fit, lift_step_m, angle_error_cam_rad, wheel_zero_error_cam_rad, sentences)


def _fitted(laid: LaidOut, step: float, angle_error: float | None) -> tuple[RingFit, NDArray[np.int64]]:
    raised, unseen = zones_of(laid, step)
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
    laid: LaidOut, fit: RingFit, step: float, angle_error: float | None, wheel_zero: float, sentences: list[str]
) -> ReadLobe:
    half_turn = round(math.pi / GRID_STEP_RAD)
    grid: Array = np.arange(-half_turn, half_turn + 1, dtype=np.float64) * GRID_STEP_RAD
    middle = (laid.angle[laid.first] + laid.angle[laid.last]) / 2.0
    raw = fit.curve(grid + middle)
    raised, unseen = zones_of(laid, step)
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
            f"{deg(angle_error):.2f} given; the ranges are too narrow until that is fixed"
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


def differenced(angle_cam_rad: ArrayLike, lift_m: ArrayLike) -> Differenced:
    """Velocity and acceleration by differences of neighbouring readings: shown beside the fit, never used.

    With steps a and b to the neighbours: s' = (s+ - s-) / (a + b), s'' = 2 (s+ / b - s (1/a + 1/b) + s- / a) / (a + b).
    A lift error of standard deviation u gives an acceleration error of u sqrt(6) / step^2: 0.0005 in of rounding
    alone, read every degree, is more than the acceleration of a whole lobe.
    """
    angle, lift, _ = as_readings(angle_cam_rad, lift_m, None)
    a, b = np.diff(angle)[:-1], np.diff(angle)[1:]
    if min(a.min(), b.min()) <= 0.0:
        raise OutOfRange("two readings at one angle cannot be differenced; keep one of them")
    velocity = (lift[2:] - lift[:-2]) / (a + b)
    acceleration = 2.0 * (lift[2:] / b - lift[1:-1] * (1.0 / a + 1.0 / b) + lift[:-2] / a) / (a + b)
    return Differenced(angle[1:-1], velocity, acceleration)
