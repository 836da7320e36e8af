"""Limits under doubt: how sure is it that each is met, that all are, and what that makes of the cost.

How surely is a limit met?               `LimitDraws`, `standing_of`, `HOLDS`, `OUT`
How surely are all met?                  `joint_draws`
What does it cost, remedies included?    `expected_cost`
Who leads, and by how much?              `lead_of` -> `Lead`
When does falling short decide?          `break_even_shortfall`
How sure is a share from a few trials?   `share_is_settled`

A limit is met or not in each draw of what is not known; draws are shared wherever two candidates share an input, so
shares of different candidates or limits are never multiplied. Classes are words only: no sum depends on them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import betainc, betaincc

from lobeledger.arrays import Array

__all__ = [
    "HOLDS",
    "OUT",
    "STANDINGS",
    "TIE_SHARE",
    "Lead",
    "LimitDraws",
    "all_of",
    "break_even_shortfall",
    "expected_cost",
    "joint_draws",
    "lead_of",
    "mended_draws",
    "share_is_settled",
    "standing_of",
]

# A limit met in nine of ten draws holds, in one of ten it is out; between them it is in doubt (assumed: usual odds).
HOLDS = 0.9
OUT = 0.1
STANDINGS = ("holds", "in doubt", "out")
# A lead in fewer than four of five draws is a tie (assumed).
TIE_SHARE = 0.8


@dataclass(frozen=True)
class LimitDraws:
    """One limit of one candidate. ok: per draw, 1 where it is met, 0 where not, or the chance of it between.

    remedy: what mends it where it is not met, per draw, in money; None where nothing with a price does. mends: per
    draw, the chance that this remedy is enough.
    """

    limit: str
    ok: Array
    remedy: Array | None = None
    mends: Any = 1.0

    @property
    def chance(self) -> float:
        """Share of the draws in which it is met."""
        return float(self.ok.mean())

    @property
    def standing(self) -> str:
        """`holds`, `in doubt` or `out`."""
        return standing_of(self.chance)

    @property
    def mended(self) -> Array:
        """Per draw, the chance that it is met once its remedy has been bought where it was not."""
        return self.ok if self.remedy is None else np.asarray(self.ok + (1.0 - self.ok) * self.mends)


def standing_of(chance: float) -> str:
    """The word for a chance of being met.

    >>> standing_of(0.95), standing_of(0.5), standing_of(0.05)
    ('holds', 'in doubt', 'out')
    """
    return "holds" if chance >= HOLDS else "out" if chance <= OUT else "in doubt"


def joint_draws(limits: Sequence[LimitDraws], draws: int) -> Array:
    """Per draw, the chance that all these limits are met; all ones without limits.

    >>> first, second = LimitDraws("a", np.array([1.0, 1.0, 0.0])), LimitDraws("b", np.array([1.0, 0.0, 0.0]))
    >>> float(joint_draws([first, second], 3).mean().round(3))
    0.333
    """
    return all_of((each.ok for each in limits), draws)


def mended_draws(limits: Sequence[LimitDraws], draws: int) -> Array:
    """Per draw, the chance that all limits are met once what has a price and mends them has been bought.

    >>> bare = LimitDraws("a", np.array([1.0, 0.25]))
    >>> mended_draws([bare, LimitDraws("b", np.array([0.0, 0.0]), np.array([9.0, 9.0]))], 2).tolist()
    [1.0, 0.25]
    """
    return all_of((each.mended for each in limits), draws)


def all_of(shares: Iterable[Array], draws: int) -> Array:
    """Per draw, the chance that all hold of which these are the chances; all ones without any."""
    together: Array = np.ones(draws)
    for each in shares:
        together = together * each
    return together


def expected_cost(net: Array, limits: Sequence[LimitDraws], shortfall: Any = None) -> Array:
    """Cost per draw with what falling short costs: C + sum of (1 - ok) mends x remedy + (1 - J) x shortfall.

    J: the chance that all limits hold once what mends them has been bought; falling short of two of them costs what
    falling short of one does, as `break_even_shortfall` has it. net: cost of owning less the worth of the torque.
    shortfall: what the owner loses by falling short (money, a number or draws); None where it was not given, so that
    such a limit costs nothing here and must be told otherwise.

    >>> short = LimitDraws("vacuum", np.array([1.0, 0.0]), np.array([590.0, 590.0]))
    >>> expected_cost(np.array([2867.0, 2867.0]), [short]).tolist()
    [2867.0, 3457.0]
    """
    total = np.array(net, dtype=float)
    for each in limits:
        if each.remedy is not None:
            total = total + (1.0 - each.ok) * each.mends * each.remedy
    if shortfall is not None:
        total = total + (1.0 - mended_draws(limits, len(total))) * shortfall
    return total


@dataclass(frozen=True)
class Lead:
    """Who costs least by the mean of the draws.

    order: ids, the leader first; means: their mean costs. ahead: share of draws in which the leader beats each of the
    others, in that order. regret: what knowing everything beforehand would save on average (money).
    """

    order: tuple[str, ...]
    means: tuple[float, ...]
    ahead: tuple[float, ...]
    ahead_of_all: float
    regret: float

    @property
    def tied(self) -> tuple[str, ...]:
        """The leader and all that cannot be told from it."""
        return (self.order[0], *(i for i, share in zip(self.order[1:], self.ahead, strict=True) if share < TIE_SHARE))


def lead_of(costs: Mapping[str, Array]) -> Lead:
    """Rank candidates by their mean cost over shared draws; equal draws count half. At least one candidate.

    >>> lead = lead_of({"a": np.array([1.0, 2.0, 3.0, 4.0]), "b": np.array([2.0, 3.0, 2.0, 5.0])})
    >>> lead.order, lead.ahead, lead.regret
    (('a', 'b'), (0.75,), 0.25)
    """
    order = tuple(sorted(costs, key=lambda each: float(costs[each].mean())))
    first = costs[order[0]]

    def beats(other: Array) -> float:
        difference = other - first
        return float(np.mean(difference > 0) + 0.5 * np.mean(difference == 0))

    others = [costs[each] for each in order[1:]]
    best = np.min(others, axis=0) if others else None
    regret = float(np.mean(first - np.minimum(first, best))) if best is not None else 0.0
    return Lead(
        order,
        tuple(float(costs[each].mean()) for each in order),
        tuple(beats(each) for each in others),
        1.0 if best is None else beats(best),
        regret,
    )


def break_even_shortfall(
    *, cheaper_cost: float, cheaper_chance: float, dearer_cost: float, dearer_chance: float
) -> float | None:
    """What falling short must cost the owner before the dearer, surer candidate is the better buy (money).

    rho* = (C_b - C_a) / (J_b - J_a) for a dearer b with the larger chance J; None where b is not surer or not dearer.

    >>> round(break_even_shortfall(
    ...     cheaper_cost=4897, cheaper_chance=0.395, dearer_cost=10966, dearer_chance=0.908), 1)
    11830.4
    """
    if not (dearer_chance > cheaper_chance and dearer_cost > cheaper_cost):
        return None
    return (dearer_cost - cheaper_cost) / (dearer_chance - cheaper_chance)


def share_is_settled(met: int, trials: int, *, sure: float = 0.95, low: float = OUT) -> bool:
    """Whether so many of so many trials tell already that a share lies above `HOLDS` or below `low`.

    Jeffreys' posterior Beta(met + 1/2, trials - met + 1/2).

    >>> share_is_settled(16, 16), share_is_settled(19, 19), share_is_settled(10, 19)
    (False, True, False)
    """
    if not trials:
        return False
    a, b = met + 0.5, trials - met + 0.5
    above, below = float(betaincc(a, b, HOLDS)), float(betainc(a, b, low))
    return max(above, below) > sure and math.isfinite(above)
