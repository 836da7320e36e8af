"""What is at stake: how likely a loss is, what it does to the cost, what knowing or acting is worth.

All of it for a comparison                `stake` -> `Stakes`, one `Stake` a candidate
What do factors and a record change?      `odds_after`, `posterior` (both from `breakin`)
What does the shop's record change?        `record_changes`
What does bad luck cost?                  `realised_costs`
Which input moves the cost most?          `tornado` -> `Bar`
What is it worth to know?                 `measure.measure_next`

Break-evens come first: how likely a loss must be before the other choice is the cheaper. Chances are opinions of builds
done with good practice, 'about 1 in n builds, worth w builds': what is left out of it multiplies the odds, and doing it
is neither a price nor a gain. A sheet names the factors present and the precautions taken in
`[candidates.failure]`, `factors = "used-lifters no-paste"` and `precautions = "gauge"`; their sizes stand in
data/factors.csv and data/precautions.csv, assumed, with wide ranges. A factor whose switch holds comes on by the
figures, unless `factors_off` names it. The shop's record goes in beside them as
`seen_losses = 1` and `seen_builds = 25`; it is taken to be of builds without the factors. Factors multiply odds and
are taken as independent, so two names for one trouble count twice.

Two doubts are kept apart. The *expected* cost spreads a loss over all builds: its range says how well the inputs
are known. The *realised* cost is that of one build, in which the loss happens or does not.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import betaincinv

from lobeledger.arrays import Array
from lobeledger.assess.figures import Figure
from lobeledger.choice import cost
from lobeledger.choice.precautions import LeftOut, Worth, left_out_by_loss, precautions_by_worth
from lobeledger.choice.results import CandidateResult, Decision
from lobeledger.doubt import draws
from lobeledger.doubt.chance import odds_after, posterior
from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.rules import RiskFactor

__all__ = [
    "COUNT",
    "Bar",
    "FactorShown",
    "Pair",
    "Stake",
    "Stakes",
    "odds_after",
    "posterior",
    "realised_costs",
    "record_changes",
    "stake",
    "tornado",
]

COUNT = 1_000_000


# -- results ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FactorShown:
    """A factor of this follower: its size, whether it is at work, and whether the figures switched it on."""

    factor: RiskFactor
    is_on: bool
    is_automatic: bool


@dataclass(frozen=True)
class Bar:
    """Cost of owning with one input at its low and at its high, the rest as given; money."""

    path: str
    at_low: float
    at_high: float

    @property
    def swing(self) -> float:
        """Distance between the two costs."""
        return abs(self.at_high - self.at_low)


@dataclass(frozen=True)
class Pair:
    """Share of trials in which the flat is the cheaper to own: on average, and with luck in one build."""

    flat_id: str
    roller_id: str
    expected_share: float
    realised_share: float


@dataclass(frozen=True)
class Stake:
    """What is at stake with one candidate. opinion: the mean chance before factors; money in the sheet's currency."""

    candidate: Candidate
    opinion: float
    factors: tuple[FactorShown, ...]
    chance: Figure
    expected_loss: Figure
    owning: Figure
    realised: Figure
    lost_share: float
    bars: tuple[Bar, ...]
    precautions: tuple[Worth, ...]
    left_out: tuple[LeftOut, ...]


@dataclass(frozen=True)
class Stakes:
    """What is at stake in a comparison; `count` builds were drawn."""

    decision: Decision
    stakes: tuple[Stake, ...]
    pairs: tuple[Pair, ...]
    count: int

    def of(self, candidate_id: str) -> Stake:
        """The stake of one candidate; OutOfRange names the nearest id if there is none."""
        wanted = self.decision.build.candidate(candidate_id).id
        return next(s for s in self.stakes if s.candidate.id == wanted)


def stake(decision: Decision, *, count: int = COUNT, seed: int = 1) -> Stakes:
    """What is at stake with every candidate of a comparison.

    count: builds drawn for the realised cost; seed: of those draws, the same seed giving the same figures.
    Raises OutOfRange when count is below 1000, too few for a 5 % end.
    """
    if count < 1000:
        raise OutOfRange(f"count is {count}; at least 1000 builds are drawn to tell the costliest 5% of them")
    build = decision.build
    realised: dict[str, Array] = {}
    stakes = []
    for result in decision.results:
        costs, lost = realised_costs(build, result, count=count, seed=seed)
        realised[result.candidate.id] = costs
        stakes.append(_stake(build, result, costs, lost))
    pairs = tuple(_pairs(build, decision.results, realised))
    return Stakes(decision, tuple(stakes), pairs, count)


def _stake(build: Build, result: CandidateResult, costs: Array, lost: int) -> Stake:
    c, figures = result.candidate, result.figures
    on = {f.id for f in build.factors_on(c)}
    mean, (low, high) = float(np.mean(costs)), _ends(costs)
    # A rare, dear loss can carry the mean past the 95 % end.
    realised = Figure(mean, min(low, mean), max(high, mean))
    prior = draws.opinion(build, c)
    opinion = 1.0 if prior is None else prior.mean
    return Stake(
        candidate=c,
        opinion=opinion,
        factors=tuple(FactorShown(f, f.id in on, build.is_automatic(f, c)) for f in build.factors_for(c)),
        chance=figures["chance"],
        expected_loss=figures["expected_loss"],
        owning=figures["owning"],
        realised=realised,
        lost_share=lost / len(costs),
        bars=tuple(tornado(build, result)),
        precautions=tuple(precautions_by_worth(build, result)),
        left_out=tuple(left_out_by_loss(build, result)),
    )


def _ends(values: Array) -> tuple[float, float]:
    """5 and 95 % by order statistics: the value at or above which the share lies; no sorting of the whole."""
    n = len(values)
    at = (math.ceil(0.05 * n) - 1, math.ceil(0.95 * n) - 1)
    parted = np.partition(values, at)
    return float(parted[at[0]]), float(parted[at[1]])


def record_changes(build: Build, seen: Mapping[str, tuple[int, int]]) -> dict[str, int]:
    """Changes of a build (`sheet.change.change`) that let the shop's record speak: losses and builds by follower.

    A follower of which nothing is on record stays with its opinion.
    """
    found: dict[str, int] = {}
    for c in build.candidates:
        losses, builds = seen.get(c.follower, (0, 0))
        if builds:
            stem = f"candidates.{c.id}.failure"
            found |= {f"{stem}.seen_losses": losses, f"{stem}.seen_builds": builds}
    return found


# -- bad luck -----------------------------------------------------------------------------------------------


def realised_costs(build: Build, result: CandidateResult, *, count: int = COUNT, seed: int = 1) -> tuple[Array, int]:
    """Cost of owning of `count` single builds, in each of which the loss happens or not; and how many lost it.

    The cost without a loss and the factors' sizes repeat the draws that candidates share; the chance is drawn
    anew from its Beta distribution for each build, then whether the loss happens, then its cost. The generator
    hangs on seed and candidate, so that luck is not shared between candidates.
    """
    c = result.candidate
    drawn = draws.draws(build)
    rng = np.random.default_rng([seed, zlib.crc32(c.id.encode())])
    prior = draws.opinion(build, c)
    chance: Any = np.ones(count) if prior is None else rng.beta(prior.alpha, prior.beta, count)
    sizes = draws.odds_multipliers(build, c, drawn)
    if sizes:
        chance = odds_after(chance, [_repeated(math.prod(sizes), count)])
    lost = np.flatnonzero(rng.random(count) < chance)
    base = cost.cost_without_loss(cost.cost_lines(build, c, result.assessment.fuel, drawn))
    costs = _repeated(base, count)
    datum = build.data[f"candidates.{c.id}.failure.cost"]
    if datum.low is not None and datum.high is not None and datum.low < datum.high:
        costs[lost] += rng.triangular(datum.low, float(datum.value), datum.high, len(lost))
    else:
        costs[lost] += float(datum.value)
    return costs, len(lost)


def _repeated(values: Any, count: int) -> Array:
    """Draws repeated to a length, or one number that often; always a new array."""
    if isinstance(values, np.ndarray):
        return np.resize(values, count)
    return np.full(count, float(values))


def _pairs(build: Build, results: Iterable[CandidateResult], realised: dict[str, Array]) -> list[Pair]:
    drawn = draws.draws(build)
    owning = {
        r.candidate.id: draws.in_every_draw(
            cost.cost_of_owning(cost.cost_lines(build, r.candidate, r.assessment.fuel, drawn))
        )
        for r in results
    }
    kinds = {r.candidate.id: r.candidate.follower for r in results}
    return [
        Pair(flat, roller, _cheaper(owning[flat], owning[roller]), _cheaper(realised[flat], realised[roller]))
        for flat in kinds
        if kinds[flat] == "flat"
        for roller in kinds
        if kinds[roller] == "roller"
    ]


def _cheaper(one: Array, other: Array) -> float:
    """Share of draws in which `one` is cheaper; equal draws count half."""
    n = len(one)
    return float(np.count_nonzero(one < other) + 0.5 * np.count_nonzero(one == other)) / n


# -- which input moves the cost -----------------------------------------------------------------------------


def tornado(build: Build, result: CandidateResult) -> list[Bar]:
    """Cost of owning at the low and the high of each uncertain input by itself, widest swing first.

    The ends of a chance are the 5 and 95 % of the opinion, after the factors as given; the other inputs go to
    the ends of their range. As in the draws, the friction of a run-in stays at its nominal speed.
    """
    c, fuel = result.candidate, result.assessment.fuel
    plain = draws.nominal(build)
    asked: dict[str, None] = {}

    def listening(path: str) -> Any:
        asked[path] = None
        return plain(path)

    cost.cost_lines(build, c, fuel, listening)

    def owning(path: str, value: float) -> float:
        return float(cost.cost_of_owning(cost.cost_lines(build, c, fuel, draws.nominal(build, {path: value}))))

    bars = []
    for path in (*asked, *draws.factor_paths(build, c)):
        ends = _ends_of(build, c, path)
        if ends is not None:
            bars.append(Bar(path, owning(path, ends[0]), owning(path, ends[1])))
    return sorted(bars, key=lambda bar: -bar.swing)


def _ends_of(build: Build, candidate: Candidate, path: str) -> tuple[float, float] | None:
    if path == draws.chance_path(candidate):
        prior = draws.opinion(build, candidate)
        if prior is None:
            return None
        plain = draws.nominal(build)
        factors = draws.odds_multipliers(build, candidate, plain)
        low, high = (odds_after(float(betaincinv(prior.alpha, prior.beta, q)), factors) for q in (0.05, 0.95))
        return float(low), float(high)
    datum = build.data[path]
    if datum.low is None or datum.high is None or not datum.low < datum.high:
        return None
    return datum.low, datum.high
