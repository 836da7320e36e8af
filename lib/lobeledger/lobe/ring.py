"""A smooth curve round a full turn through scattered readings, and how far it may be off.

How does the curve look at an angle?   `basis`, `evaluate`
How is it fitted?                      `fit_ring` -> `RingFit` (one stiffness), `fit_adaptive` (stiffness by angle)
How sure is it?                        `RingFit.variances`, `RingFit.covariance`

The curve is a periodic quintic spline on `count` equal intervals of the turn. It minimises

    sum (y_i - s(theta_i))^2 / var_i + integral s'''(theta)^2 / q(theta) dtheta,

which is also the posterior mean of a curve whose third derivative is white noise of power q (G. Wahba, Spline
Models for Observational Data, SIAM 1990, ch. 1-2, from memory). On a ring the quintic B-splines couple five
neighbours on either side; with the coefficients numbered in a folded order (0, n-1, 1, n-2 ...) the system is
banded, so that a fit costs a tenth of a millisecond and its variances (Takahashi's recursion for the inverse
inside the band) as little.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution, OutOfRange

__all__ = ["Adaption", "RingFit", "basis", "evaluate", "fit_adaptive", "fit_ring"]

Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]
ORDER = 6  # B-splines that live on one interval: degree five plus one
BAND = 2 * (ORDER - 1)  # half band-width in folded order
TURN = 2.0 * math.pi


@functools.cache
def _cardinal() -> Array:
    """Power coefficients in u (0 to 1 across an interval) of the six B-splines alive on it, shape (6, 6)."""
    spline = BSpline.basis_element(np.arange(ORDER + 1.0), extrapolate=False)
    powers = np.zeros((ORDER, ORDER))
    for which in range(ORDER):
        piece = ORDER - 1 - which
        for p in range(ORDER):
            at = piece + (0.5 if p == ORDER - 1 else 0.0)  # the fifth derivative jumps at the knots
            powers[which, p] = spline.derivative(p)(at) / math.factorial(p)
    return powers


def _derived(count: int, derivative: int) -> Array:
    powers = _cardinal()
    for _ in range(derivative):
        powers = powers[:, 1:] * np.arange(1, powers.shape[1]) * (count / TURN)
    return powers


def basis(angle_rad: Array, count: int, derivative: int = 0) -> tuple[Whole, Array]:
    """First coefficient's number, and the six B-splines (or their derivative per radian), at each angle.

    angle_rad: any angles, taken round the turn. count: intervals of the turn, even, 12 or more.

    >>> first, rows = basis(np.array([0.3]), 36)
    >>> round(float(rows.sum()), 12)
    1.0
    """
    if count < 2 * ORDER or count % 2:
        raise OutOfRange(f"a ring of {count} intervals; use an even number of 12 or more")
    x = np.mod(angle_rad, TURN) * (count / TURN)
    first = np.minimum(x.astype(np.int64), count - 1)
    powers = _derived(count, derivative)
    return first, np.vander(x - first, powers.shape[1], increasing=True) @ powers.T


def evaluate(coefficients: Array, angle_rad: Array, derivative: int = 0) -> Array:
    """The spline, or its derivative per radian, at each angle."""
    count = coefficients.size
    first, rows = basis(np.asarray(angle_rad, dtype=np.float64), count, derivative)
    near = coefficients[(first[:, None] + np.arange(ORDER)) % count]
    return np.asarray((rows * near).sum(axis=1))


@functools.cache
def _gram(count: int) -> Array:
    """Integral over one interval of the products of third derivatives, shape (6, 6)."""
    powers = _derived(count, 3)
    k = np.arange(powers.shape[1])
    return powers @ (1.0 / (k[:, None] + k + 1.0) * (TURN / count)) @ powers.T


# --------------------------------------------------------------------------------------------- banded kernels


@njit(cache=True, nogil=True)
def _fold(i: int, n: int) -> int:
    i %= n
    return 2 * i if i < n // 2 else 2 * (n - 1 - i) + 1


@njit(cache=True, nogil=True)
def _add(band: Array, first: int, block: Array, scale: float) -> None:
    n = band.shape[0]
    for a in range(6):
        pa = _fold(first + a, n)
        for b in range(6):
            pb = _fold(first + b, n)
            if pa >= pb:
                band[pb, pa - pb] += scale * block[a, b]


@njit(cache=True, nogil=True)
def _add_row(band: Array, first: int, row: Array, scale: float) -> None:
    n = band.shape[0]
    for a in range(6):
        pa = _fold(first + a, n)
        for b in range(6):
            pb = _fold(first + b, n)
            if pa >= pb:
                band[pb, pa - pb] += scale * row[a] * row[b]


@njit(cache=True, nogil=True)
def _factor(band: Array) -> bool:
    """Cholesky in place; false when the matrix is not positive definite."""
    n, width = band.shape
    for j in range(n):
        for k in range(max(0, j - width + 1), j):
            below = band[k, j - k]
            if below != 0.0:
                for i in range(j, min(n, k + width)):
                    band[j, i - j] -= below * band[k, i - k]
        if not band[j, 0] > 0.0:
            return False
        root = math.sqrt(band[j, 0])
        for d in range(min(width, n - j)):
            band[j, d] /= root
    return True


@njit(cache=True, nogil=True)
def _solve(factor: Array, right: Array) -> Array:
    n, width = factor.shape
    x = right.copy()
    for j in range(n):
        x[j] /= factor[j, 0]
        for d in range(1, min(width, n - j)):
            x[j + d] -= factor[j, d] * x[j]
    for j in range(n - 1, -1, -1):
        for d in range(1, min(width, n - j)):
            x[j] -= factor[j, d] * x[j + d]
        x[j] /= factor[j, 0]
    return x


@njit(cache=True, nogil=True)
def _inverse_in_band(factor: Array) -> Array:
    """Elements of the inverse inside the band (Takahashi, Fagan and Chin 1973, from memory)."""
    n, width = factor.shape
    inverse = np.zeros_like(factor)
    for j in range(n - 1, -1, -1):
        reach = min(width - 1, n - 1 - j)
        for d in range(reach, -1, -1):
            total = 0.0
            for k in range(1, reach + 1):
                if d == 0:
                    element = inverse[j, k]
                else:
                    low = min(j + d, j + k)
                    element = inverse[low, abs(d - k)]
                total += element * factor[j, k]
            inverse[j, d] = ((1.0 / factor[j, 0] if d == 0 else 0.0) - total) / factor[j, 0]
    return inverse


@njit(cache=True, nogil=True)
def _between(band: Array, first: int, row: Array) -> float:
    """row' M row for a symmetric M of which the band is known."""
    n = band.shape[0]
    total = 0.0
    for a in range(6):
        pa = _fold(first + a, n)
        for b in range(6):
            pb = _fold(first + b, n)
            total += row[a] * row[b] * (band[pb, pa - pb] if pa >= pb else band[pa, pb - pa])
    return total


@njit(cache=True, nogil=True)
def _expected_jerk_power(c: Array, inverse: Array, gram: Array) -> Array:
    """Expected integral of s'''^2 over each interval: that of the mean curve plus that of its uncertainty."""
    n = c.size
    out = np.zeros(n)
    for k in range(n):
        for a in range(6):
            pa = _fold(k + a, n)
            for b in range(6):
                pb = _fold(k + b, n)
                spread = inverse[pb, pa - pb] if pa >= pb else inverse[pa, pb - pa]
                out[k] += gram[a, b] * (c[pa] * c[pb] + spread)
    return out


@njit(cache=True, nogil=True)
def _at(c: Array, first: int, row: Array) -> float:
    total = 0.0
    for a in range(6):
        total += row[a] * c[_fold(first + a, c.size)]
    return total


@njit(cache=True, nogil=True)
def _system(first: Whole, rows: Array, value: Array, variance: Array, power: Array, gram: Array) -> tuple[Array, Array]:
    """Band of the folded system, data and prior together, and its right-hand side."""
    n = power.size
    band = np.zeros((n, BAND + 1))
    right = np.zeros(n)
    for i in range(value.size):
        weight = 1.0 / variance[i]
        _add_row(band, first[i], rows[i], weight)
        for a in range(6):
            right[_fold(first[i] + a, n)] += weight * rows[i, a] * value[i]
    for k in range(n):
        _add(band, k, gram, 1.0 / power[k])
    return band, right


@njit(cache=True, nogil=True)
def _solve_once(
    first: Whole, rows: Array, value: Array, variance: Array, power: Array, gram: Array
) -> tuple[bool, Array, Array]:
    """Folded coefficients and the inverse inside the band, for fixed variances and jerk power."""
    band, right = _system(first, rows, value, variance, power, gram)
    if not _factor(band):
        return False, right, band
    return True, _solve(band, right), _inverse_in_band(band)


@njit(cache=True, nogil=True)
def _blurred(values: Array, half: int) -> Array:
    """Mean over neighbours round the ring with a triangular weight."""
    n = values.size
    out = np.zeros(n)
    for k in range(n):
        weights = 0.0
        for d in range(-half, half + 1):
            weight = 1.0 - abs(d) / (half + 1.0)
            weights += weight
            out[k] += weight * values[(k + d) % n]
        out[k] /= weights
    return out


@njit(cache=True, nogil=True)
def _adapt(
    first: Whole,
    rows: Array,
    slope_rows: Array,
    value: Array,
    gram: Array,
    value_variance: float,
    angle_variance: float,
    angle_is_free: bool,
    power: Array,
    slope_square: Array,
    rounds: int,
    settled: bool,
    near: int,
    least_share: float,
    raised: Mask,
    raised_share: float,
    unseen: Mask,
    unseen_factor: float,
) -> tuple[bool, float]:
    """Fixed-point rounds for jerk power, slopes and angle variance; `power` and `slope_square` are updated."""
    n, m = power.size, value.size
    variance = np.zeros(m)
    for turn in range(rounds):
        for i in range(m):
            variance[i] = value_variance + angle_variance * slope_square[i]
        fine, c, inverse = _solve_once(first, rows, value, variance, power, gram)
        if not fine:
            return False, angle_variance
        expected = _expected_jerk_power(c, inverse, gram)
        for i in range(m):
            slope_square[i] = _at(c, first[i], slope_rows[i]) ** 2
        if angle_is_free and turn >= 4:
            found, wanted = 0.0, 0.0
            for i in range(m):
                share = angle_variance * slope_square[i] / (value_variance + angle_variance * slope_square[i])
                miss = value[i] - _at(c, first[i], rows[i])
                found += share * miss * miss / variance[i]
                wanted += share * (1.0 - _between(inverse, first[i], rows[i]) / variance[i])
            if wanted > 0.0:
                angle_variance = max(angle_variance * found / wanted, 1e-8)
        if turn < 3 and not settled:
            power[:] = expected.mean()
            continue
        power[:] = _blurred(expected, near)
        total, members = 0.0, 0
        for k in range(n):
            if raised[k]:
                total += expected[k]
                members += 1
        greatest = 0.0
        for k in range(n):
            if raised[k]:
                power[k] = max(power[k], raised_share * total / members)
                if not unseen[k]:
                    greatest = max(greatest, power[k])
        for k in range(n):
            if unseen[k]:
                power[k] = max(power[k], unseen_factor * greatest)
        floor = least_share * power.max()
        for k in range(n):
            power[k] = max(power[k], floor)
    return True, angle_variance


@njit(cache=True, nogil=True)
def _whole(
    first: Whole, rows: Array, value: Array, variance: Array, power: Array, gram: Array
) -> tuple[bool, Array, Array, Array, Array]:
    """In the ring's own order: coefficients, posterior covariance, noise covariance near its diagonal, and bias.

    With A = data + prior precision and P the prior's: posterior A^-1, noise A^-1 - A^-1 P A^-1 (only elements
    that share an interval are filled in), bias -A^-1 P c. Own loops: a threaded BLAS waits for busy cores.
    """
    n = power.size
    band, right = _system(first, rows, value, variance, power, gram)
    fine = _factor(band)
    posterior, noise = np.zeros((n, n)), np.zeros((n, n))
    c, bias = np.zeros(n), np.zeros(n)
    if not fine:
        return False, c, posterior, noise, bias
    folded = _solve(band, right)
    unit = np.zeros(n)
    for j in range(n):
        c[j] = folded[_fold(j, n)]
        unit[:] = 0.0
        unit[_fold(j, n)] = 1.0
        column = _solve(band, unit)
        for i in range(n):
            posterior[i, j] = column[_fold(i, n)]
    # P A^-1 and P c, interval by interval
    shrunk = np.zeros((n, n))
    pull = np.zeros(n)
    for k in range(n):
        for a in range(6):
            for b in range(6):
                weight = gram[a, b] / power[k]
                i, j = (k + a) % n, (k + b) % n
                pull[i] += weight * c[j]
                for m in range(n):
                    shrunk[i, m] += weight * posterior[j, m]
    for i in range(n):
        for m in range(n):
            bias[i] -= posterior[i, m] * pull[m]
        for d in range(-5, 6):
            j = (i + d) % n
            hidden = 0.0
            for m in range(n):
                hidden += posterior[i, m] * shrunk[m, j]
            noise[i, j] = posterior[i, j] - hidden
    return True, c, posterior, noise, bias


@njit(cache=True, nogil=True)
def _forms(first: Whole, rows: Array, matrix: Array) -> Array:
    """row' M row at each angle."""
    n = matrix.shape[0]
    out = np.zeros(first.size)
    for i in range(first.size):
        for a in range(6):
            for b in range(6):
                out[i] += rows[i, a] * rows[i, b] * matrix[(first[i] + a) % n, (first[i] + b) % n]
    return out


# ------------------------------------------------------------------------------------------------- the fits


@dataclass(frozen=True)
class Adaption:
    """How the stiffness follows the readings; the shares were settled by measured coverage.

    near: half-width in intervals over which jerk power is averaged (triangular weight).
    least_share: least power as a share of the greatest. raised_share: least power where the lobe lifts, as a
    share of its mean there. unseen_factor: power where the readings cannot show the curve (the first steps of
    lift), as a multiple of the greatest elsewhere.
    """

    near: int = 2
    least_share: float = 1e-6
    raised_share: float = 0.3
    unseen_factor: float = 10.0
    rounds: int = 24


@dataclass(frozen=True, eq=False)
class RingFit:
    """A fitted ring. Angles in radians round the turn, values in the unit of the readings.

    noise_covariance: of coefficients that share an interval, from the readings' noise alone (nought elsewhere);
    posterior_covariance adds what the prior thinks the smoothing hides; bias: of the coefficients, what smoothing
    would take off if the fitted curve were the truth.
    """

    coefficients: Array
    residuals: Array
    variance: Array
    leverage: Array
    jerk_power: Array
    angle_variance: float
    noise_covariance: Array = field(repr=False)
    posterior_covariance: Array = field(repr=False)
    bias: Array = field(repr=False)

    def curve(self, angle_rad: Array, derivative: int = 0) -> Array:
        """The curve or its derivative."""
        return evaluate(self.coefficients, angle_rad, derivative)

    def variances(self, angle_rad: Array, derivative: int = 0) -> tuple[Array, Array, Array]:
        """Noise variance, posterior variance and estimated smoothing bias at each angle."""
        first, rows = basis(angle_rad, self.coefficients.size, derivative)
        near = self.bias[(first[:, None] + np.arange(ORDER)) % self.bias.size]
        return (
            np.maximum(_forms(first, rows, self.noise_covariance), 0.0),
            np.maximum(_forms(first, rows, self.posterior_covariance), 0.0),
            np.asarray((rows * near).sum(axis=1)),
        )

    def covariance(self, one_rad: float, other_rad: float) -> float:
        """Posterior covariance of the values at two angles."""
        (f, r), (g, s) = (basis(np.array([at]), self.coefficients.size) for at in (one_rad, other_rad))
        n = self.coefficients.size
        block = self.posterior_covariance[np.ix_((f[0] + np.arange(ORDER)) % n, (g[0] + np.arange(ORDER)) % n)]
        return float(r[0] @ block @ s[0])


def _finished(first: Whole, rows: Array, value: Array, variance: Array, power: Array, angle_variance: float) -> RingFit:
    n = power.size
    fine, coefficients, posterior, noise, bias = _whole(first, rows, value, variance, power, _gram(n))
    if not fine:
        raise NoSolution("these readings do not fix a curve; check that their angles are not all alike")
    near = coefficients[(first[:, None] + np.arange(ORDER)) % n]
    return RingFit(
        coefficients=coefficients,
        residuals=value - (rows * near).sum(axis=1),
        variance=variance,
        leverage=_forms(first, rows, posterior) / variance,
        jerk_power=power,
        angle_variance=angle_variance,
        noise_covariance=noise,
        posterior_covariance=posterior,
        bias=bias,
    )


def fit_ring(angle_rad: Array, value: Array, *, variance: Array, jerk_power: float, count: int = 180) -> RingFit:
    """The periodic quintic smoothing spline of one stiffness.

    variance: of each value. jerk_power: q above, (unit of value / rad^3)^2 rad.
    Equally spaced readings on `count` intervals: harmonic k comes out (1 + k^6 variance spacing / q)^-1 as high
    in the continuum (Wahba, ch. 2: the spline as a low-pass filter, from memory).

    >>> at = np.arange(90) * TURN / 90
    >>> fit = fit_ring(at, np.cos(2 * at), variance=np.full(90, 1e-4), jerk_power=1e4, count=90)
    >>> bool(np.allclose(fit.curve(at, 1), -2 * np.sin(2 * at), atol=1e-5))
    True
    """
    first, rows = basis(angle_rad, count)
    return _finished(first, rows, value, variance, np.full(count, jerk_power), 0.0)


def fit_adaptive(
    angle_rad: Array,
    value: Array,
    *,
    value_variance: float,
    angle_variance: float,
    angle_is_free: bool,
    raised: Mask,
    unseen: Mask,
    adaption: Adaption | None = None,
    count: int = 180,
) -> RingFit:
    """The smoothing spline whose stiffness and noise follow from the readings.

    var_i = value_variance + s'(theta_i)^2 angle_variance. The jerk power of each neighbourhood is what makes its
    expected integral of s'''^2 equal to the prior's (the fixed point of the EM rounds for the marginal
    likelihood, local REML). `angle_is_free`: the angle variance is a start, and is estimated from residuals.
    raised, unseen: per interval, where the curve lifts, and where the readings cannot show it (see `Adaption`).
    """
    how = adaption or Adaption()
    first, rows = basis(angle_rad, count)
    _, slope_rows = basis(angle_rad, count, 1)
    power = np.full(count, 40.0 * float(np.var(value)))
    slope_square = np.full(value.size, float(np.ptp(value)) ** 2 / 4.0)
    gram = _gram(count)

    def rounds(how_many: int, start: float, *, free: bool, settled: bool) -> float:
        fine, found = _adapt(
            first, rows, slope_rows, value, gram, value_variance, start, free, power, slope_square, how_many,
            settled, how.near, how.least_share, raised, how.raised_share, unseen, how.unseen_factor,
        )  # fmt: skip
        if not fine:
            raise NoSolution("the readings do not fix a curve; check that their angles are not all alike")
        return float(found)

    angle_variance = rounds(how.rounds, angle_variance, free=angle_is_free, settled=False)
    fit = _finished(first, rows, value, value_variance + angle_variance * slope_square, power, angle_variance)
    if not angle_is_free:
        return fit
    # The prior takes a lobe for rougher than it is, so its own estimate credits the curve with some of the
    # scatter; what the residuals of a nearly unbiased linear fit should be corrects that.
    share = angle_variance * slope_square / fit.variance
    wanted = share * (1.0 - 2.0 * fit.leverage + _forms(first, rows, fit.noise_covariance) / fit.variance)
    ratio = float((share * fit.residuals**2 / fit.variance).sum() / wanted.sum()) if wanted.sum() > 0.0 else 1.0
    angle_variance = max(angle_variance * ratio, 1e-8)
    rounds(how.rounds // 3, angle_variance, free=False, settled=True)
    return _finished(first, rows, value, value_variance + angle_variance * slope_square, power, angle_variance)
