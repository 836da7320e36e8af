"""Wear watch: is a lobe losing lift, is a lash growing, and how sure is that?

How well is a lift known?                `resolution_uncertainty_m`, `limits_uncertainty_m`, `repeats`, `Repeats`,
                                         `reading_uncertainty_m`
What does that mean on the degree wheel? `angle_uncertainty_deg`
What has one lobe lost?                  `lift_loss` -> `Loss`, `LIMIT_M`
Which lobe loses against its neighbours? `watch_lobes` -> `Watch`, `Lobe`; `family_threshold`, `FALSE_ALARM_SHARE`
How fast does the lash grow?             `lash_growth` -> `Growth`; `fit_line` -> `Line`, `crossing`

Uncertainties are standard uncertainties (one standard deviation) after JCGM 100:2008 (GUM) and NIST Technical Note
1297, 1994, both from memory unless a check in the tests says otherwise. Verdicts are 'stop', 'watch' and 'go on'. The
limit, 0.005 in of lobe lift lost, is assumed after common practice without a source.

Take readings with the ignition and the fuel pump disconnected and turn the engine by hand: springs are under load and
fingers are near them. An engine with a lobe that is wearing away spreads metal through its oil: do not run it again to
find out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, ndtr, ndtri, stdtr, stdtrit

from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.record.uncertainty import at_least
from lobeledger.units import INCH_M

__all__ = [
    "USUAL_CHECK_H",
    "FALSE_ALARM_SHARE",
    "LIMIT_M",
    "Growth",
    "Line",
    "Lobe",
    "Loss",
    "Watch",
    "crossing",
    "family_threshold",
    "fit_line",
    "lash_growth",
    "lift_loss",
    "watch_lobes",
]

LIMIT_M = 0.005 * INCH_M  # 0.005 in of lobe lift: assumed, common practice without a source
FALSE_ALARM_SHARE = 0.05  # of inspections of a sound engine, all lobes and all three tests together
# How that is shared out: against the neighbours, against the limit, and for lift that seems to grow.
_SHARES = {"neighbours": 0.02, "limit": 0.02, "gain": 0.01}
_LEAST_NEIGHBOURS = 3
_MAD = 1.4826  # median absolute deviation of a normal distribution to its standard deviation
_MAD_EFFICIENCY = 0.37  # of the median absolute deviation as an estimate of spread, normal distribution
_SURE = 0.95
USUAL_CHECK_H = 50.0  # to the next look at a lash, where the build sheet names no interval: assumed


@dataclass(frozen=True)
class Loss:
    """Lift lost by one lobe, m: value, standard uncertainty, 95 % interval, and the chance that it exceeds a limit."""

    loss_m: float
    uncertainty_m: float
    low_m: float
    high_m: float
    chance_over_limit: float


def lift_loss(
    before_m: float,
    after_m: float,
    *,
    uncertainty_m: float,
    after_uncertainty_m: float | None = None,
    limit_m: float = LIMIT_M,
) -> Loss:
    """What one lobe has lost between two readings of its lobe lift, m.

    loss = before - after; u = sqrt(u_before^2 + u_after^2), the two taken as independent, which is on the safe side
    when the same indicator took both; interval loss +- 1.96 u; chance over limit = Phi((loss - limit) / u), that is
    with no opinion held before measuring. uncertainty_m: of one reading (`reading_uncertainty_m`), of the one before if
    after_uncertainty_m is given too. GUM (JCGM 100:2008) 5.1.2 and annex G, from memory. Raises OutOfRange.

    >>> inch = 0.0254
    >>> x = lift_loss(0.2800 * inch, 0.2735 * inch, uncertainty_m=0.00044 * inch)
    >>> [round(v / inch, 4) for v in (x.loss_m, x.low_m, x.high_m)], round(x.chance_over_limit, 3)
    ([0.0065, 0.0053, 0.0077], 0.992)
    """
    later = uncertainty_m if after_uncertainty_m is None else after_uncertainty_m
    for name, value in (("before_m", before_m), ("after_m", after_m), ("limit_m", limit_m)):
        at_least(name, value)
    for name, value in (("uncertainty_m", uncertainty_m), ("after_uncertainty_m", later)):
        if not (math.isfinite(value) and value > 0.0):
            raise OutOfRange(f"{name} is {value:g}; no reading is exact, so give its standard uncertainty above 0")
    loss, u = before_m - after_m, math.hypot(uncertainty_m, later)
    reach = float(ndtri(0.975)) * u
    return Loss(loss, u, loss - reach, loss + reach, float(ndtr((loss - limit_m) / u)))


def family_threshold(tests: int, *, share: float, degrees_of_freedom: float = math.inf) -> float:
    """Standard deviations at which the highest of so many independent sound lobes stands out in `share` of cases.

    Z with P(Z < z)^tests = 1 - share (Sidak's correction for many comparisons, from memory); Student's t instead of the
    normal when the spread itself is estimated. Raises OutOfRange.

    >>> round(family_threshold(1, share=0.025), 3), round(family_threshold(16, share=0.05), 2)
    (1.96, 2.73)
    """
    if tests < 1 or not 0.0 < share < 1.0:
        raise OutOfRange(f"tests is {tests} and share {share:g}; give 1 or more tests and a share between 0 and 1")
    # expm1 and log1p: 1 - (1 - share)^(1/n) loses digits when written out.
    tail = -math.expm1(math.log1p(-share) / tests)
    if math.isinf(degrees_of_freedom):
        return float(-ndtri(tail))
    return float(-stdtrit(degrees_of_freedom, tail))


@dataclass(frozen=True)
class Lobe:
    """One lobe judged. excess_m: loss beyond the median of its neighbours; None with too few of them to compare.

    sure_share: chance that as many sound lobes would show no excess as great as this one. reason: limit, neighbours,
    gain, unclear, or empty; `unclear` is no alarm, it says that the reading is too coarse to clear the lobe.
    """

    name: str
    kind: str
    loss: Loss
    excess_m: float | None
    sure_share: float | None
    verdict: str
    reason: str


@dataclass(frozen=True)
class Watch:
    """An inspection of all lobes. common_m: median loss by kind. scatter_ratio: scatter seen over scatter expected.

    trusted: whether that scatter agrees with the stated uncertainty; if not, the scatter seen took its place.
    """

    lobes: tuple[Lobe, ...]
    verdict: str
    limit_m: float
    false_alarm_share: float
    common_m: dict[str, float]
    scatter_ratio: float
    trusted: bool

    @property
    def worst(self) -> Lobe:
        """The lobe with the worst verdict, the greatest loss among equals."""
        return max(self.lobes, key=lambda x: (_RANK[x.verdict], x.loss.loss_m))

    @property
    def low_kinds(self) -> tuple[str, ...]:
        """Kinds of which all lobes read lower by about the same: rather the indicator than wear."""
        return tuple(kind for kind, value in self.common_m.items() if value >= self.limit_m)


_RANK = {"go on": 0, "watch": 1, "stop": 2}


def _spread(losses: Array, u: Array, groups: list[Array]) -> tuple[float, bool, float]:
    """Scatter about the medians over what is expected, whether that is credible, and its degrees of freedom."""
    compared = [g for g in groups if g.size > _LEAST_NEIGHBOURS]
    free = sum(g.size - 1 for g in compared)
    if not free:
        return 1.0, True, math.inf
    scaled = np.concatenate([np.abs(losses[g] - np.median(losses[g])) / u[g] for g in compared])
    ratio = _MAD * float(np.median(scaled)) * math.sqrt(scaled.size / free)
    freedom = _MAD_EFFICIENCY * free
    # 95 % of honest uncertainties stay below this: the ratio's own spread is about 1 / sqrt(2 x freedom).
    return ratio, ratio <= 1.0 + 1.645 / math.sqrt(2.0 * freedom), freedom


def watch_lobes(
    before_m: ArrayLike,
    after_m: ArrayLike,
    *,
    names: Sequence[str],
    kinds: Sequence[str],
    uncertainty_m: ArrayLike,
    after_uncertainty_m: ArrayLike | None = None,
    limit_m: float = LIMIT_M,
) -> Watch:
    """Judge all lobes of a cam from their lobe lifts before and after, m.

    names: what each is called. kinds: intake or exhaust, or any words; only lobes of one kind are neighbours.
    uncertainty_m: of one reading, one number or one a lobe.

    Each lobe's loss is set against the median of its neighbours', which a few bad lobes do not move and which takes
    out a shift common to all (another day, another indicator); uncertainty of a median of m: sqrt(pi / 2m) times that
    of one (large m, normal; from memory; on the safe side for small m). Stop: the loss, or the excess over the
    neighbours, is at the limit or beyond and stands out. Watch: the excess stands out below the limit; or lift seems
    to have grown, which wear cannot do; or the chance of being over the limit is above 5 % (reason 'unclear').
    'Stands out' is `family_threshold` for all lobes, set so that all tests together raise a false alarm on at most
    FALSE_ALARM_SHARE of sound engines. If the losses scatter more than the uncertainty allows, the scatter seen takes
    its place. Raises OutOfRange.
    """
    before, after = np.asarray(before_m, dtype=float), np.asarray(after_m, dtype=float)
    count = before.size
    first = np.broadcast_to(np.asarray(uncertainty_m, dtype=float), (count,))
    later = first if after_uncertainty_m is None else np.broadcast_to(np.asarray(after_uncertainty_m, float), (count,))
    if before.ndim != 1 or not count or not count == after.size == len(names) == len(kinds):
        raise OutOfRange(
            f"there are {count} lifts before, {after.size} after, {len(names)} names and {len(kinds)} kinds; give one "
            "of each for every lobe"
        )
    single = [
        lift_loss(float(b), float(a), uncertainty_m=float(u), after_uncertainty_m=float(v), limit_m=limit_m)
        for b, a, u, v in zip(before, after, first, later, strict=True)
    ]
    losses = np.array([x.loss_m for x in single])
    u = np.array([x.uncertainty_m for x in single])
    groups = [np.array([i for i, k in enumerate(kinds) if k == kind]) for kind in dict.fromkeys(kinds)]
    ratio, trusted, freedom = _spread(losses, u, groups)
    scale, freedom = (1.0, math.inf) if trusted else (ratio, freedom)
    judged = []
    for i, loss in enumerate(single):
        others = np.array([j for j in range(count) if j != i and kinds[j] == kinds[i]], dtype=int)
        excess: float | None = None
        score = -math.inf
        if others.size >= _LEAST_NEIGHBOURS:
            excess = loss.loss_m - float(np.median(losses[others]))
            doubt = math.hypot(u[i], float(np.median(u[others])) * math.sqrt(math.pi / (2.0 * others.size)))
            score = excess / (scale * doubt)
        judged.append(_judge(names[i], kinds[i], loss, excess, score, count, freedom, scale, limit_m))
    common = {kinds[g[0]]: float(np.median(losses[g])) for g in groups}
    verdict = max((x.verdict for x in judged), key=_RANK.__getitem__)
    return Watch(tuple(judged), verdict, limit_m, FALSE_ALARM_SHARE, common, ratio, trusted)


def _judge(
    name: str,
    kind: str,
    loss: Loss,
    excess: float | None,
    score: float,
    count: int,
    freedom: float,
    scale: float,
    limit_m: float,
) -> Lobe:
    def stands_out(value: float, test: str) -> bool:
        return value > family_threshold(count, share=_SHARES[test], degrees_of_freedom=freedom)

    own = loss.loss_m / (scale * loss.uncertainty_m)
    verdict, reason = "go on", ""
    if loss.loss_m >= limit_m and stands_out(own, "limit"):
        verdict, reason = "stop", "limit"
    elif excess is not None and stands_out(score, "neighbours"):
        verdict, reason = ("stop" if excess >= limit_m else "watch"), "neighbours"
    elif stands_out(-own, "gain"):
        verdict, reason = "watch", "gain"
    elif loss.chance_over_limit > 1.0 - _SURE:
        verdict, reason = "watch", "unclear"
    sure: float | None = None
    if excess is not None:
        below = float(ndtr(score)) if math.isinf(freedom) else float(stdtr(freedom, score))
        sure = below**count
    return Lobe(name, kind, loss, excess, sure, verdict, reason)


@dataclass(frozen=True)
class Line:
    """A straight line intercept + slope x, its (co)variances, and the degrees of freedom behind them."""

    intercept: float
    slope: float
    intercept_variance: float
    slope_variance: float
    covariance: float
    degrees_of_freedom: float
    residual_spread: float

    def at(self, x: float) -> tuple[float, float]:
        """Value of the line at x and its standard uncertainty."""
        variance = self.intercept_variance + 2.0 * x * self.covariance + x * x * self.slope_variance
        return self.intercept + self.slope * x, math.sqrt(max(variance, 0.0))

    def factor(self, coverage: float) -> float:
        """Coverage factor: Student's t, or the normal quantile when the uncertainty was known beforehand."""
        share = 0.5 + coverage / 2.0
        known = math.isinf(self.degrees_of_freedom)
        return float(ndtri(share) if known else stdtrit(self.degrees_of_freedom, share))


def fit_line(x: ArrayLike, y: ArrayLike, *, uncertainty: ArrayLike | None = None) -> Line:
    """Least-squares line through points, any units.

    uncertainty: standard uncertainty of y, one number or one a point; then points weigh 1/u^2 and the line's
    uncertainty follows from u, unless chi-square exceeds its 95 % point: then the scatter seen takes its place. None:
    from the scatter alone, with n - 2 degrees of freedom. GUM (JCGM 100:2008) H.3, eq. (H.13), from memory, checked
    against its example. Raises OutOfRange for fewer than two points (three without uncertainty) or only one x.

    >>> line = fit_line([0.0, 1.0, 2.0], [1.0, 3.0, 5.0], uncertainty=0.1)
    >>> round(line.intercept, 9), round(line.slope, 9), round(line.slope_variance ** 0.5, 4)
    (1.0, 2.0, 0.0707)
    """
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    least = 3 if uncertainty is None else 2
    if xs.ndim != 1 or xs.shape != ys.shape or xs.size < least or not np.all(np.isfinite([xs, ys])):
        raise OutOfRange(f"there are {xs.size} x and {ys.size} y; a line needs {least} or more finite points")
    if np.ptp(xs) == 0.0:
        raise OutOfRange(f"all points lie at {xs[0]:g}; a line needs two different places")
    u = np.broadcast_to(np.asarray(1.0 if uncertainty is None else uncertainty, dtype=float), xs.shape)
    if not np.all(np.isfinite(u)) or np.any(u <= 0.0):
        raise OutOfRange("an uncertainty is not above 0; no reading is exact")
    w = 1.0 / u**2
    # About the weighted mean, so that late hours do not cancel digits away.
    centre = float(np.average(xs, weights=w))
    sxx = float(np.sum(w * (xs - centre) ** 2))
    slope = float(np.sum(w * (xs - centre) * ys)) / sxx
    level = float(np.average(ys, weights=w))
    chi2 = float(np.sum(w * (ys - level - slope * (xs - centre)) ** 2))
    free = xs.size - 2
    scale, freedom = 1.0, math.inf
    if free and (uncertainty is None or chi2 > float(chdtri(free, 1.0 - _SURE))):
        scale, freedom = chi2 / free, float(free)
    v_level, v_slope = scale / float(np.sum(w)), scale / sxx
    return Line(
        intercept=level - slope * centre,
        slope=slope,
        intercept_variance=v_level + centre**2 * v_slope,
        slope_variance=v_slope,
        covariance=-centre * v_slope,
        degrees_of_freedom=freedom,
        residual_spread=math.sqrt(chi2 / free) if free else 0.0,
    )


def crossing(line: Line, level: float, *, start: float, coverage: float = _SURE) -> tuple[float, float, float]:
    """Where a line coming from below reaches a level, seen from `start`: best, earliest and latest x.

    All x at which the line's coverage interval holds the level: (a + b x - level)^2 <= k^2 u^2(x), Fieller's theorem
    (from memory); k = `Line.factor`. No earlier than start; infinity where it is never reached or never surely so.
    """
    k2 = line.factor(coverage) ** 2
    # From `start`, for the sake of digits.
    value, u = line.at(start)
    short = level - value
    tilt = line.covariance + start * line.slope_variance
    a = line.slope**2 - k2 * line.slope_variance
    b = -short * line.slope - k2 * tilt
    c = short**2 - k2 * u**2
    best = 0.0 if short <= 0.0 else short / line.slope if line.slope > 0.0 else math.inf
    inside_now = c <= 0.0 or short <= 0.0
    root = b * b - a * c
    ends: list[float] = []
    if root >= 0.0 and a != 0.0:
        # The stable pair of roots.
        q = -(b + math.copysign(math.sqrt(root), b))
        ends = sorted([q / a, c / q if q else 0.0])
    elif a == 0.0 and b != 0.0:
        ends = [-c / (2.0 * b)]
    ahead = [e for e in ends if e > 0.0]
    if short <= 0.0 and c > 0.0:
        earliest, latest = 0.0, 0.0
    else:
        earliest = 0.0 if inside_now else (ahead[0] if ahead else math.inf)
        # A slope that may be zero or less never surely arrives; else the last root ahead ends the interval.
        surely = a > 0.0 and line.slope > 0.0
        latest = (ahead[-1] if ahead else 0.0) if surely else math.inf
    return start + best, start + earliest, start + latest


@dataclass(frozen=True)
class Growth:
    """How a lash moves: rate and 95 % interval (m/h, above 0 toward the limit), hours left and their interval.

    Hours count from the last reading; infinity where the limit may never be reached. opens: whether the limit lies
    above the first reading.
    """

    rate_m_per_h: float
    rate_low_m_per_h: float
    rate_high_m_per_h: float
    hours_left: float
    hours_left_low: float
    hours_left_high: float
    verdict: str
    opens: bool
    limit_m: float
    line: Line


def lash_growth(
    hours: ArrayLike,
    lash_m: ArrayLike,
    *,
    limit_m: float,
    uncertainty_m: ArrayLike | None = None,
    check_every_h: float = USUAL_CHECK_H,
) -> Growth:
    """Rate at which a lash moves toward a limit and the running hours left, each with a 95 % interval.

    hours: running hours at each reading since the lash was last set. limit_m: above the first reading for a lash that
    opens (wear of lobe, lifter or tip), below it for one that closes (a valve sinking into its seat). uncertainty_m: of
    one reading; None: from the scatter about the line, which takes three readings. check_every_h: hours to the next
    check (assumed 50). Wear need not go straight on: the interval holds only if it does. Stop: surely beyond the limit.
    Watch: surely moving, or the limit may be reached before the next check. Raises OutOfRange.
    """
    xs, ys = np.asarray(hours, dtype=float), np.asarray(lash_m, dtype=float)
    at_least("limit_m", limit_m)
    at_least("check_every_h", check_every_h)
    if np.any(xs < 0.0) or np.any(ys < 0.0):
        raise OutOfRange("an hour or a lash is below 0; give running hours and lash as read")
    if xs.size and ys.size and limit_m == ys[int(np.argmin(xs))]:
        raise OutOfRange(f"limit_m is {limit_m:g}, the first reading itself; give the lash that would be too much")
    opens = bool(xs.size and ys.size and limit_m > ys[int(np.argmin(xs))])
    sign = 1.0 if opens else -1.0
    line = fit_line(xs, sign * ys, uncertainty=uncertainty_m)
    last = float(xs.max())
    best, earliest, latest = (x - last for x in crossing(line, sign * limit_m, start=last))
    reach = line.factor(_SURE) * math.sqrt(line.slope_variance)
    now, doubt = line.at(last)
    beyond = now - line.factor(_SURE) * doubt > sign * limit_m
    moving = line.slope > reach
    verdict = "stop" if beyond else "watch" if moving or earliest <= check_every_h else "go on"
    rate = (line.slope, line.slope - reach, line.slope + reach)
    return Growth(*rate, best, earliest, latest, verdict, opens, limit_m, line)
