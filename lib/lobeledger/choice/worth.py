"""What is knowing worth: the money that a measurement saves on average by letting the choice follow it.

What would knowing everything save?      `value_of_knowing_all`
What would knowing these inputs save?    `value_of_knowing` -> `Knowing`

By regression on the draws already made: the costs of the acts are regressed on what would be known, and the act that is
best by the fitted costs is compared with the one that is best on average (M. Strong, J. E. Oakley, A. Brennan,
'Estimating multiparameter partial expected value of perfect information from a probabilistic sensitivity analysis
sample', Medical Decision Making 34 (2014) 311-326; from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lobeledger.arrays import Array

__all__ = ["Knowing", "value_of_knowing", "value_of_knowing_all"]

# A value is told only where it is twice the most that sixteen shuffles of the inputs would give: noise alone makes a
# regression look useful. Of 200 useless inputs near a tie this tells of one or two; three times the mean of eight
# shuffles told of 16 to 33.
_CLEAR_OF_NOISE = 2.0
_SHUFFLES = 16
# A gain below this share of the costs is none, and needs no shuffles to say so.
_NOTHING = 1e-6
# Columns up to which a full basis of splines, or of squares and products, is affordable with 2,000 draws.
_SPLINE_COLUMNS = 3
_PRODUCT_COLUMNS = 8
_KNOTS = (0.1, 0.25, 0.4, 0.5, 0.6, 0.75, 0.9)


class Knowing(NamedTuple):
    """worth: money, 0 where it cannot be told from noise; raw: as fitted; noise: the most that shuffles of
    the inputs give; best: per draw, the act that is best by the fit."""

    worth: float
    raw: float
    noise: float
    best: Array


def value_of_knowing_all(costs: Array) -> float:
    """What perfect knowledge saves on average: least mean cost less mean least cost; costs (acts, draws).

    >>> value_of_knowing_all(np.array([[1.0, 3.0], [2.0, 1.0]]))
    0.5
    """
    return float(costs.mean(axis=1).min() - costs.min(axis=0).mean())


def value_of_knowing(costs: Array, known: Array, *, seed: int = 0) -> Knowing:
    """What knowing the inputs of `known` (draws, columns) saves on average; costs (acts, draws).

    Columns without spread are left out; nothing is known without any. Columns are fitted with cubic splines up to
    three, with squares and products up to eight, straight beyond.
    """
    told = known[:, known.std(axis=0) > 0.0]
    if told.shape[1] == 0 or costs.shape[0] < 2:
        return Knowing(0.0, 0.0, 0.0, np.full(costs.shape[1], int(costs.mean(axis=1).argmin())))
    basis = _basis(told)
    # Normal equations of some ten standardised columns: a hundredth of the time of a QR of 2,000 rows. The ridge is far
    # below what the draws tell.
    gram = basis.T @ basis + 1e-9 * len(basis) * np.eye(basis.shape[1])
    best = int(costs.mean(axis=1).argmin())
    difference = (costs - costs[best]).T

    def fitted(d: Array) -> Array:
        return np.asarray(basis @ np.linalg.solve(gram, basis.T @ d))

    def saved(fit: Array) -> float:
        return float(fit.mean(axis=0).min() - fit.min(axis=1).mean())

    as_drawn = fitted(difference)
    raw, follows = saved(as_drawn), as_drawn.argmin(axis=1)
    if raw <= _NOTHING * float(np.abs(costs).mean()):
        return Knowing(0.0, raw, raw, follows)
    # A shuffle of the inputs is a shuffle of the costs, so one factorisation serves all.
    rng = np.random.default_rng(seed)
    noise = max(saved(fitted(difference[rng.permutation(len(difference))])) for _ in range(_SHUFFLES))
    worth = raw if raw > _CLEAR_OF_NOISE * noise else 0.0
    return Knowing(worth, raw, noise, follows)


def _basis(known: Array) -> Array:
    z = (known - known.mean(axis=0)) / known.std(axis=0)
    columns = [np.ones(len(z))]
    for x in z.T:
        columns += [x, x**2]
        if z.shape[1] <= _SPLINE_COLUMNS:
            columns += [x**3, *(np.maximum(x - knot, 0.0) ** 3 for knot in np.quantile(x, _KNOTS))]
    if z.shape[1] <= _PRODUCT_COLUMNS:
        columns += [z[:, i] * z[:, j] for i in range(z.shape[1]) for j in range(i)]
    return np.stack(columns, axis=1)
