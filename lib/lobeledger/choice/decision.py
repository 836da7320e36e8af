"""Which cam, what it costs to own, why, and what would change it.

Compare the candidates of a build      `decide` -> `results.Decision`
Draws of a gain in torque              `gain_draws`

Hard limits come first. Among those that pass, the least 'cost less what the torque is worth' wins: the cost
of owning over the years of use, less the owner's price of 1 % more torque times the percentage gained. That
price is an input like any other, so the trade between money and torque is in the open. Doubt is carried
through by draws that candidates share where they share an input; a lead that holds in fewer than four of five
draws is called a tie.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.best_lobe import lobe_share_of
from lobeledger.assess.candidate import Assessment, assess
from lobeledger.assess.figures import Figure
from lobeledger.assess.limits import Broken, Way, cautions, doubts
from lobeledger.choice import cost
from lobeledger.choice.flips import flips, net_cost
from lobeledger.choice.results import BreakEven, CandidateResult, CostGaps, Decision, Doubt, Flip, Lead, Out, Reason
from lobeledger.doubt import draws
from lobeledger.doubt.chance import break_even_chance
from lobeledger.errors import NoSolution
from lobeledger.parts.build import Build
from lobeledger.parts.frozen import Frozen
from lobeledger.train.of_candidate import limit_band

__all__ = ["TIE_SHARE", "decide", "gain_draws"]

TIE_SHARE = 0.8


# -- money --------------------------------------------------------------------------------------------------


def _range(nominal: float, values: Any) -> Figure:
    """5 to 95 % of the draws, reaching to the nominal value; that value alone when nothing varies.

    Where a range lies all on one side of its value, or a loss is rare, the nominal may lie beyond 5 or 95 %.
    """
    if not isinstance(values, np.ndarray):
        return Figure.exact(float(nominal))
    low, high = np.quantile(values, (0.05, 0.95))
    return Figure(float(nominal), min(float(low), float(nominal)), max(float(high), float(nominal)))


def _gains(assessments: list[Assessment]) -> dict[str, float]:
    """Torque over the speeds used against the least of the candidates that have a lobe; 0 where unknown."""
    torques = {a.candidate.id: a.figures["torque"].value for a in assessments if "torque" in a.figures}
    least = min(torques.values(), default=1.0)
    return {a.candidate.id: torques.get(a.candidate.id, least) / least - 1.0 for a in assessments}


def gain_draws(build: Build, assessment: Assessment, gain: float) -> Array:
    """Draws of a gain: one doubt about the model, shared by all, and one about this card's own lobes."""
    shared = draws.symmetric_draws("model.torque_trust")
    own = draws.symmetric_draws(f"candidates.{assessment.candidate.id}.torque")
    return gain * (1.0 + build.model.torque_trust * shared) + assessment.torque_family_share * own


def _result(build: Build, assessment: Assessment, gain: float) -> CandidateResult:
    candidate, fuel = assessment.candidate, assessment.fuel
    plain, drawn = draws.nominal(build), draws.draws(build)
    lines, line_draws = (cost.cost_lines(build, candidate, fuel, value) for value in (plain, drawn))
    figures = dict(assessment.figures)
    figures["chance"] = _range(plain(draws.chance_path(candidate)), drawn(draws.chance_path(candidate)))
    figures["first_cost"] = _range(cost.first_cost(lines, candidate), cost.first_cost(line_draws, candidate))
    figures["expected_loss"] = _range(cost.expected_loss(lines), cost.expected_loss(line_draws))
    figures["owning"] = _range(cost.cost_of_owning(lines), cost.cost_of_owning(line_draws))
    gained = gain_draws(build, assessment, gain)
    net_draws = np.broadcast_to(net_cost(line_draws, drawn("limits.torque_worth"), gained), (draws.DRAWS,))
    figures["net"] = _range(net_cost(lines, plain("limits.torque_worth"), gain), np.asarray(net_draws))
    if "torque" in assessment.figures:
        figures["gain"] = _range(gain, gained)
    broken = list(assessment.broken)
    first, budget = figures["first_cost"], build.limits.budget_money
    over = first.value - budget
    if over > 0:
        # Rounded up, so that it really is enough.
        more = Way("budget", float(math.ceil(over)), "money")
        short = over / max(budget, 1.0)
        broken.append(Broken("budget", "first_cost", first, budget, "money", -1, short, (more,)))
    ranges = tuple(_range(a.amount, b.amount) for a, b in zip(lines, line_draws, strict=True))
    frozen = Frozen(figures)
    return CandidateResult(assessment, frozen, tuple(lines), ranges, tuple(broken), np.asarray(net_draws))


# -- comparing ---------------------------------------------------------------------------------------------


def decide(build: Build, *, step: Callable[[float, float], None] | None = None, details: bool = False) -> Decision:
    """Compare a build's candidates.

    Cold, it finds every candidate's lobes (both cores); after that only what changed is made anew. step(done, total) is
    called after each candidate; an exception it raises ends the comparison. details: whether to find what takes
    longer, some seconds a candidate when cold: how much of the best possible lobe each intake card uses and what holds
    the best back, and the band of the speed at which contact is lost. The verdict is the same without.
    """
    assessments: list[Assessment] = []
    with ThreadPoolExecutor(max_workers=2) as pool:
        for done in pool.map(functools.partial(assess, build), build.candidates):
            assessments.append(done)
            if step is not None:
                step(len(assessments), len(build.candidates))
    gains = _gains(assessments)
    results = tuple(_result(build, a, gains[a.candidate.id]) for a in assessments)
    if details:
        detailed: list[CandidateResult] = []
        with ThreadPoolExecutor(max_workers=2) as pool:
            for result in pool.map(functools.partial(_with_details, build), results):
                detailed.append(result)
                if step is not None:
                    step(len(detailed), len(results))
        results = tuple(detailed)
    passing = sorted((r for r in results if r.passes), key=lambda r: r.figures["net"].value)
    winner = passing[0] if passing else None
    tied, ahead = _ties(passing)
    break_evens = tuple(_break_evens(build, results))
    flipped = tuple(flips(build, results, gains, winner))
    return Decision(
        build=build,
        results=results,
        winner_id=winner.candidate.id if winner else None,
        tied_ids=tied,
        ahead_share=ahead,
        break_evens=break_evens,
        flips=flipped,
        reasons=tuple(_reasons(build, results, passing, break_evens, flipped)),
    )


def _with_details(build: Build, result: CandidateResult) -> CandidateResult:
    """A result with what takes longer: its intake card's share of the best lobe, and the band of its speed limit."""
    figures, holds = dict(result.figures), ""
    try:
        share = lobe_share_of(build, result.candidate)
        figures["share_of_best"] = Figure(*share.at_its_lift)
        holds = next(iter(share.best_at_its_lift.bound_share()), "")
    except NoSolution:
        pass
    intake, exhaust = result.assessment.intake, result.assessment.exhaust
    if intake is not None and exhaust is not None:
        bands = [limit_band(build, result.candidate, *pair) for pair in (("intake", intake), ("exhaust", exhaust))]
        # The band's searches begin elsewhere and may find the nominal a few rpm off: the verdict's own stands.
        nominal = figures["elastic_limit"].value
        low, high = min(b.low_rpm for b in bands), min(b.high_rpm for b in bands)
        figures["elastic_limit"] = figure = Figure(nominal, min(low, nominal), max(high, nominal))
        top = build.use.highest_speed_rpm
        figures["speed_margin"] = Figure(*(speed / top - 1.0 for speed in figure))
    frozen = Frozen(figures)
    warned = tuple(cautions(build, result.candidate, frozen))
    return dataclasses.replace(
        result,
        figures=frozen,
        binding_limit=holds,
        assessment=dataclasses.replace(result.assessment, figures=frozen, cautions=warned),
    )


def _ahead(one: CandidateResult, other: CandidateResult) -> float:
    """Share of the draws in which `one` is the cheaper; equal draws count half."""
    difference = other.net_draws - one.net_draws
    return float(np.mean(difference > 0) + 0.5 * np.mean(difference == 0))


def _ties(passing: list[CandidateResult]) -> tuple[tuple[str, ...], float]:
    if not passing:
        return (), math.nan
    if len(passing) == 1:
        return (passing[0].candidate.id,), 1.0
    shares = [_ahead(passing[0], other) for other in passing[1:]]
    tied = [passing[0].candidate.id]
    tied += [r.candidate.id for r, share in zip(passing[1:], shares, strict=True) if share < TIE_SHARE]
    best = np.min([other.net_draws for other in passing[1:]], axis=0)
    difference = best - passing[0].net_draws
    return tuple(tied), float(np.mean(difference > 0) + 0.5 * np.mean(difference == 0))


def _break_evens(build: Build, results: tuple[CandidateResult, ...]) -> list[BreakEven]:
    plain = draws.nominal(build)
    found = []
    for flat in (r for r in results if r.candidate.follower == "flat"):
        for roller in (r for r in results if r.candidate.follower == "roller"):
            base_flat, base_roller = (cost.cost_without_loss(list(r.lines)) for r in (flat, roller))
            p_flat, p_roller = (float(plain(draws.chance_path(r.candidate))) for r in (flat, roller))
            loss_flat, loss_roller = (r.candidate.failure.cost_money for r in (flat, roller))
            chance = break_even_chance(
                cost_without_loss=base_flat,
                loss=loss_flat,
                other_cost_without_loss=base_roller,
                other_chance=p_roller,
                other_loss=loss_roller,
            )
            flat_is_cheaper = base_flat + p_flat * loss_flat <= base_roller + p_roller * loss_roller
            cheaper = flat if flat_is_cheaper else roller
            has_factors = bool(draws.factor_paths(build, flat.candidate))
            ids = (flat.candidate.id, roller.candidate.id)
            found.append(BreakEven(*ids, chance, p_flat, cheaper.candidate.id, has_factors))
    return found


# -- why ---------------------------------------------------------------------------------------------------


def _reasons(
    build: Build,
    results: tuple[CandidateResult, ...],
    passing: list[CandidateResult],
    break_evens: tuple[BreakEven, ...],
    flipped: tuple[Flip, ...],
) -> list[Reason]:
    found: list[Reason] = []
    if len(passing) > 1:
        best, second = passing[0], passing[1]
        found.append(_lead(build, best, second))
        gaps = _biggest_gaps(best, second)
        if gaps:
            found.append(CostGaps(second.candidate.id, gaps))
    found += [Out(result.candidate.id) for result in results if result.broken]
    if passing:
        mine = passing[0].candidate.id
        found += [Doubt(mine, unsure) for unsure in doubts(build, passing[0].figures)]
        related = [b for b in break_evens if mine in (b.flat_id, b.roller_id)]
        alive = {r.candidate.id for r in passing}
        related = [b for b in related if {b.flat_id, b.roller_id} <= alive] or related
        if related:
            found.append(_nearest_break_even(related))
        found += flipped[:1]
    return found


def _nearest_break_even(items: list[BreakEven]) -> BreakEven:
    def far(b: BreakEven) -> float:
        return abs(math.log(max(b.chance, 1e-9) / b.flat_chance)) if b.chance is not None else math.inf

    return min(items, key=far)


def _lead(build: Build, best: CandidateResult, second: CandidateResult) -> Lead:
    gains = best.figures["gain"].value - second.figures["gain"].value
    return Lead(
        winner_id=best.candidate.id,
        second_id=second.candidate.id,
        dearer_money=second.figures["owning"].value - best.figures["owning"].value,
        gain_share=gains,
        worth_money=abs(gains) * 100.0 * build.limits.torque_worth_money,
    )


def _biggest_gaps(best: CandidateResult, second: CandidateResult) -> tuple[tuple[str, float], ...]:
    """The two groups of cost that separate two candidates most; none below one unit of money."""
    totals = []
    for result in (best, second):
        sums: dict[str, float] = {}
        for line in result.lines:
            sums[line.group] = sums.get(line.group, 0.0) + float(line.amount)
        totals.append(sums)
    gaps = {g: totals[1].get(g, 0.0) - totals[0].get(g, 0.0) for g in cost.GROUPS}
    top = sorted(gaps, key=lambda g: -abs(gaps[g]))[:2]
    return tuple((g, gaps[g]) for g in top if abs(gaps[g]) >= 1.0)
