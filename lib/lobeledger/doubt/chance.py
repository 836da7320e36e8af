"""What is at stake in a run-in: the chance of a loss. The run-in itself is in `runin`.

How likely is a loss, and how sure?        `chance_prior`, `ChancePrior`
What does the shop's record say to it?     `posterior`
What do factors make of it?                `odds_after`
When does the risk turn the choice?        `break_even_chance`
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lobeledger.errors import OutOfRange

__all__ = ["ChancePrior", "break_even_chance", "chance_prior", "odds_after", "posterior"]


@dataclass(frozen=True)
class ChancePrior:
    """An opinion about the chance of loss as a Beta distribution with these two parameters."""

    alpha: float
    beta: float

    @property
    def mean(self) -> float:
        """Expected chance: alpha / (alpha + beta)."""
        return self.alpha / (self.alpha + self.beta)


def chance_prior(*, one_in: float, worth_builds: float) -> ChancePrior:
    """'About 1 in n builds, this sure' as Beta(w/n, w - w/n): mean 1/n, worth w builds of experience.

    Beta-Binomial conjugacy: seeing k losses in m builds turns it into Beta(alpha + k, beta + m - k).
    Raises OutOfRange when n is not above 1.

    >>> chance_prior(one_in=40, worth_builds=80).mean
    0.025
    """
    if one_in <= 1.0 or worth_builds <= 0.0:
        raise OutOfRange(
            f"one_in is {one_in:g} and worth_builds {worth_builds:g}; a chance is 1 in more than 1, worth more than 0"
        )
    alpha = worth_builds / one_in
    return ChancePrior(alpha, worth_builds - alpha)


def posterior(prior: ChancePrior, losses: int, builds: int) -> ChancePrior:
    """The opinion after `losses` in `builds`: Beta(alpha + losses, beta + builds - losses).

    Beta-Binomial conjugacy; A. Gelman and others, Bayesian Data Analysis, 3rd ed., 2013, sec. 2.4 (from memory).
    Raises OutOfRange unless 0 <= losses <= builds.

    >>> round(posterior(ChancePrior(1.0, 1.0), 3, 27).mean * 29, 12)
    4.0
    """
    if not 0 <= losses <= builds:
        raise OutOfRange(f"{losses} failures in {builds} builds; failures lie between 0 and the number of builds")
    return ChancePrior(prior.alpha + losses, prior.beta + builds - losses)


def odds_after(prior: Any, factors: Sequence[Any]) -> Any:
    """Chance of loss once its odds, chance / (1 - chance), are multiplied by every factor.

    p' = p m / (1 - p + p m), m the product of the factors: the same as odds' = odds x m, and sound at 0 and 1.
    Factors are taken as independent of one another; two that mean the same thing count twice. Floats or arrays.
    Raises OutOfRange when a chance is outside 0 to 1 or a factor is not above 0.

    >>> odds_after(0.2, [2.0, 2.0])
    0.5
    """
    if not np.all((np.asarray(prior) >= 0.0) & (np.asarray(prior) <= 1.0)):
        raise OutOfRange(f"the chance of failure is {prior}; it lies between 0 and 1")
    if not len(factors):
        return prior
    product: Any = 1.0
    for factor in factors:
        if not np.all(np.asarray(factor) > 0.0):
            raise OutOfRange(f"a factor multiplies the odds by {factor}; it must be above 0")
        product = product * factor
    return prior * product / (1.0 - prior + prior * product)


def break_even_chance(
    *,
    cost_without_loss: float,
    loss: float,
    other_cost_without_loss: float,
    other_chance: float,
    other_loss: float,
) -> float | None:
    """Chance of loss at which this choice costs as much as the other, the other's own chance held fixed.

    cost + p x loss = other cost + other chance x other loss, solved for p. None when there is no such
    chance between 0 and 1: then one of the two is cheaper whatever happens.

    >>> break_even_chance(cost_without_loss=1000, loss=4000, other_cost_without_loss=1500,
    ...     other_chance=0.01, other_loss=5000)
    0.1375
    """
    if loss <= 0.0:
        return None
    chance = (other_cost_without_loss + other_chance * other_loss - cost_without_loss) / loss
    return chance if 0.0 <= chance <= 1.0 else None
