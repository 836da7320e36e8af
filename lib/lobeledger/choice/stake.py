"""What is at stake: how likely a loss is, what it does to the cost, what knowing or acting is worth.

All of it for a comparison                `stake` -> `Stakes`, one `Stake` a candidate
What do factors and a record change?      `odds_after`, `posterior` (both from `breakin`)
What does the shop's record change?        `record_changes`
What does bad luck cost?                  `realised_costs`
Which input moves the cost most?          `tornado` -> `Bar`
Which precaution pays?                    `precautions_by_worth` -> `Worth`, `with_precaution`
Of which group is an input?               `group_of`
What is it worth to know?                 `expected_values`, `worth_of_perfect_information`,
                                          `worth_of_knowing_losses`, `worth_of_knowing_inputs`

Break-evens come first: how likely a loss must be before the other choice is the cheaper. Chances are opinions,
'about 1 in n builds, worth w builds'. A sheet names the factors present and the precautions taken in
`[candidates.failure]`, `factors = "used-lifters no-paste"` and `precautions = "gauge"`; their sizes stand in
data/factors.csv and data/precautions.csv, assumed, with wide ranges. A factor whose switch holds comes on by the
figures, unless `factors_off` names it. The shop's record goes in beside them as
`seen_losses = 1` and `seen_builds = 25`; it is taken to be of builds without the factors. Factors multiply odds and
are taken as independent, so two names for one trouble count twice.

Two doubts are kept apart. The *expected* cost spreads a loss over all builds: its range says how well the inputs
are known. The *realised* cost is that of one build, in which the loss happens or does not.
"""

from __future__ import annotations

import dataclasses
import math
import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import betaincinv

from lobeledger.arrays import Array
from lobeledger.assess.figures import Figure
from lobeledger.choice import cost
from lobeledger.choice.flips import net_cost
from lobeledger.choice.results import CandidateResult, Decision
from lobeledger.doubt import draws
from lobeledger.doubt.chance import odds_after, posterior
from lobeledger.doubt.draws import Lookup
from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build, risk_data
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.pairing import unpriced_lines
from lobeledger.parts.rules import RiskFactor
from lobeledger.parts.spec import replaced

__all__ = [
    "COUNT",
    "GROUPS",
    "Bar",
    "FactorShown",
    "Information",
    "Pair",
    "Stake",
    "Stakes",
    "Worth",
    "expected_values",
    "group_of",
    "odds_after",
    "posterior",
    "precautions_by_worth",
    "realised_costs",
    "record_changes",
    "stake",
    "tornado",
    "with_precaution",
    "worth_of_knowing_inputs",
    "worth_of_knowing_losses",
    "worth_of_perfect_information",
]

COUNT = 1_000_000
GROUPS = (
    "chance of a loss",
    "cost of a loss",
    "prices and labour",
    "upkeep",
    "use",
    "constants of the physics",
    "torque and what it is worth",
)


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
class Worth:
    """What a precaution does: loss saved on average less its own cost, everything on it included; money."""

    id: str
    text: str
    origin: str
    worth: Figure
    loss_saved: float
    price: float
    chance_before: float
    chance_after: float

    @property
    def pays(self) -> bool:
        """Whether it saves more than it costs, at the values as given."""
        return self.worth.value > 0.0


@dataclass(frozen=True)
class Information:
    """What it is worth to know something before choosing: the most one should pay to find it out; money."""

    what: str
    worth: float


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


@dataclass(frozen=True)
class Stakes:
    """What is at stake in a comparison; `count` builds were drawn."""

    decision: Decision
    stakes: tuple[Stake, ...]
    pairs: tuple[Pair, ...]
    information: tuple[Information, ...]
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
        raise OutOfRange(f"count is {count}; at least 1000 builds are drawn to tell the dearest 5 % of them")
    build = decision.build
    realised: dict[str, Array] = {}
    stakes = []
    for result in decision.results:
        costs, lost = realised_costs(build, result, count=count, seed=seed)
        realised[result.candidate.id] = costs
        stakes.append(_stake(build, result, costs, lost))
    pairs = tuple(_pairs(build, decision.results, realised))
    passing = decision.running
    information = (_information_on_losses(build, passing), *worth_of_knowing_inputs(build, passing))
    return Stakes(decision, tuple(stakes), pairs, information, count)


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
    sizes: Any = 1.0
    for path in draws.factor_paths(build, c):
        sizes = sizes * drawn(path)
    if draws.factor_paths(build, c):
        chance = odds_after(chance, [_repeated(sizes, count)])
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
        factors = [plain(each) for each in draws.factor_paths(build, candidate)]
        low, high = (odds_after(float(betaincinv(prior.alpha, prior.beta, q)), factors) for q in (0.05, 0.95))
        return float(low), float(high)
    datum = build.data[path]
    if datum.low is None or datum.high is None or not datum.low < datum.high:
        return None
    return datum.low, datum.high


# -- what can be done ---------------------------------------------------------------------------------------


def with_precaution(build: Build, candidate_id: str, precaution_id: str) -> Build:
    """A build whose candidate takes one more precaution; OutOfRange when there is none of that id for it.

    For trying: the sheet's own text is not changed. To keep it, write it in the sheet.
    """
    candidate = build.candidate(candidate_id)
    known = [p.id for p in build.precautions_for(candidate)]
    if precaution_id not in known:
        raise OutOfRange(
            f"there is no precaution '{precaution_id}' for {candidate.name}; there are {', '.join(known) or 'none'}"
        )
    taken = candidate.failure.precaution_ids
    if precaution_id in taken:
        return build
    path = f"candidates.{candidate.id}.failure.precautions"
    changed = replaced(build, path, " ".join((*taken, precaution_id)))
    return dataclasses.replace(changed, data={**build.data, **risk_data(changed)})


def precautions_by_worth(build: Build, result: CandidateResult) -> list[Worth]:
    """Each precaution not yet taken, best first: cost of owning without it less cost of owning with it.

    Its price bears freight, tax and the allowance for surprises like any other. Each is judged alone: two that
    act on the same trouble do not add up. Left out is what cannot be priced in the sheet's currency. The range is 5 to
    95 % of the difference over shared draws.
    """
    c, fuel = result.candidate, result.assessment.fuel
    found = []
    for each in build.precautions_for(c):
        if each.id in c.failure.precaution_ids:
            continue
        after = with_precaution(build, c.id, each.id)
        other = after.candidate(c.id)
        if len(unpriced_lines(after, other)) > len(unpriced_lines(build, c)):
            continue  # what it takes has no price in the sheet's currency, so its worth is not known
        lines = cost.cost_lines(build, c, fuel, draws.nominal(build))
        new_lines = cost.cost_lines(after, other, fuel, draws.nominal(after))
        worth = cost.cost_of_owning(lines) - cost.cost_of_owning(new_lines)
        saved = cost.expected_loss(lines) - cost.expected_loss(new_lines)
        trials = cost.cost_of_owning(cost.cost_lines(build, c, fuel, draws.draws(build))) - cost.cost_of_owning(
            cost.cost_lines(after, other, fuel, draws.draws(after))
        )
        low, high = np.quantile(trials, (0.05, 0.95))
        path = draws.chance_path(c)
        found.append(
            Worth(
                id=each.id,
                text=each.text,
                origin=each.origin,
                worth=Figure(float(worth), min(float(low), float(worth)), max(float(high), float(worth))),
                loss_saved=float(saved),
                price=float(saved - worth),
                chance_before=float(draws.nominal(build)(path)),
                chance_after=float(draws.nominal(after)(path)),
            )
        )
    return sorted(found, key=lambda w: -w.worth.value)


# -- what it is worth to know -------------------------------------------------------------------------------


def expected_values(payoffs: Sequence[Sequence[float]], probabilities: Sequence[float]) -> Array:
    """Expected payoff of each choice: one row a choice, one column a state, a probability a state.

    H. Raiffa, Decision Analysis, 1968 (from memory). OutOfRange unless the probabilities add up to 1.

    >>> expected_values([[10, 8, 6], [14, 15, 2], [7, 8, 9]], [0.2, 0.4, 0.4]).round(9).tolist()
    [7.6, 9.6, 8.2]
    """
    table, p = np.asarray(payoffs, dtype=float), np.asarray(probabilities, dtype=float)
    if table.ndim != 2 or p.ndim != 1 or table.shape[1] != len(p):
        raise OutOfRange(
            f"payoffs of shape {table.shape} do not go with {p.size} probabilities; give a row a choice and a column "
            "a state"
        )
    if np.any(p < 0.0) or abs(float(p.sum()) - 1.0) > 1e-9:
        raise OutOfRange(f"the probabilities add up to {p.sum():.6g}; they must not be negative and add up to 1")
    return np.asarray(table @ p)


def worth_of_perfect_information(payoffs: Sequence[Sequence[float]], probabilities: Sequence[float]) -> float:
    """Expected gain from knowing the state before choosing: E[max] - max E. Payoffs as in `expected_values`.

    >>> round(worth_of_perfect_information([[10, 8, 6], [14, 15, 2], [7, 8, 9]], [0.2, 0.4, 0.4]), 9)
    2.8
    """
    best = float(expected_values(payoffs, probabilities).max())
    known = np.asarray(payoffs, dtype=float).max(axis=0) @ np.asarray(probabilities, dtype=float)
    # Rounding alone could make it less than nothing.
    return max(0.0, float(known) - best)


def worth_of_knowing_losses(
    *, costs_without_loss: Sequence[float], chances: Sequence[float], losses: Sequence[float]
) -> float:
    """What it is worth to know beforehand, for each choice, whether it would be lost: min E - E[min].

    Losses of different choices are independent. Exact: P(cheapest > v) is the product over choices, summed over
    the values the cheapest may take. Zero for fewer than two choices.

    >>> worth_of_knowing_losses(costs_without_loss=[0.0, 30.0], chances=[0.1, 0.0], losses=[100.0, 0.0])
    7.0
    """
    base, p, loss = (np.asarray(v, dtype=float) for v in (costs_without_loss, chances, losses))
    if not base.shape == p.shape == loss.shape or base.ndim != 1:
        raise OutOfRange("costs_without_loss, chances and losses must be lists of one length, an entry a choice")
    if np.any((p < 0.0) | (p > 1.0)):
        raise OutOfRange("each chance must lie between 0 and 1")
    if len(base) < 2:
        return 0.0
    values = np.unique(np.concatenate([base, base + loss]))
    # beyond[j]: chance that even the cheapest costs more than values[j]
    is_beyond = (1.0 - p) * (base > values[:, None]) + p * (base + loss > values[:, None])
    beyond = is_beyond.prod(axis=1)
    cheapest = values[0] + float(np.sum(beyond[:-1] * np.diff(values)))
    return max(0.0, float(np.min(base + p * loss)) - float(cheapest))


# Pattern of an input's path -> its group, one of GROUPS.
_GROUP_OF = (
    (r".+\.(failure\.chance|odds)", "chance of a loss"),
    (r"candidates\.[^.]+\.failure\.cost", "cost of a loss"),
    (r"use\..+", "use"),
    (r"model\..+", "constants of the physics"),
    (r"limits\..+", "torque and what it is worth"),
    (r"candidates\.[^.]+\.(lash_check|spring|lifter)_.+", "upkeep"),
    (r"(shop|precautions|pairing|remedies)\..+", "prices and labour"),
    (r"candidates\.[^.]+\.(parts\..+|fitting_time|dyno_time|run_in_.+)", "prices and labour"),
)


def group_of(path: str) -> str:
    """The group of inputs a path belongs to, one of GROUPS; OutOfRange for a path that no group knows.

    >>> group_of("shop.labour_rate")
    'prices and labour'
    """
    found = next((group for pattern, group in _GROUP_OF if re.fullmatch(pattern, path)), None)
    if found is None:
        raise OutOfRange(f"no group of inputs holds '{path}'; name one in `stake._GROUP_OF`")
    return found


def _gain(result: CandidateResult) -> float:
    return result.figures["gain"].value if "gain" in result.figures else 0.0


def _mixed(build: Build, group: str | None) -> Lookup:
    """Draws of one group, the means of the draws of all others; of all groups where none is named."""
    drawn = draws.draws(build)

    def value(path: str) -> Any:
        values = drawn(path)
        if not isinstance(values, np.ndarray) or group is None or group_of(path) == group:
            return values
        return float(values.mean())

    return value


def _net_draws(build: Build, result: CandidateResult, group: str | None) -> Array:
    value = _mixed(build, group)
    lines = cost.cost_lines(build, result.candidate, result.assessment.fuel, value)
    gain: Any = result.gain_draws
    if group not in (None, "torque and what it is worth"):
        gain = float(np.mean(gain))
    return draws.in_every_draw(net_cost(lines, value("limits.torque_worth"), gain))


def worth_of_knowing_inputs(build: Build, passing: Sequence[CandidateResult]) -> list[Information]:
    """For each group of uncertain inputs, what it is worth to know it before choosing: min E - E[min] of net cost.

    By draws, the other groups at their means: right as far as cost is linear in each of those, which all but the
    intervals of upkeep and two efficiencies are. 'everything' is all groups at once. Zero for one choice alone.
    """
    found = []
    for group in (*GROUPS, None):
        worth = 0.0
        if len(passing) > 1:
            nets = np.stack([_net_draws(build, r, group) for r in passing])
            worth = max(0.0, float(nets.mean(axis=1).min() - nets.min(axis=0).mean()))
        found.append(Information(group or "everything above at once", worth))
    return found


def _information_on_losses(build: Build, passing: Sequence[CandidateResult]) -> Information:
    """Knowing which choices would be lost, the inputs at their means."""
    drawn, bases, chances, losses = draws.draws(build), [], [], []
    for r in passing:
        c = r.candidate
        chance, loss = drawn(draws.chance_path(c)), drawn(f"candidates.{c.id}.failure.cost")
        chances.append(float(np.mean(chance)))
        losses.append(float(np.mean(loss)))
        bases.append(float(np.mean(_net_draws(build, r, None))) - float(np.mean(chance * loss)))
    worth = worth_of_knowing_losses(costs_without_loss=bases, chances=chances, losses=losses)
    return Information("whether a lobe or roller would be lost", worth)
