"""Which cam, what it costs to own, why, and what would change it.

Compare the candidates of a build      `decide` -> `results.Decision`
Draws of a gain in torque              `gain_draws`

Each limit is met with a chance; what is not met costs its remedy, or what falling short costs the owner. The least mean
of 'cost less what the torque is worth', with that in it, leads: the cost of owning over the years of use, less the
owner's price of 1 % more torque times the percentage gained. That price is an input like any other, so the trade
between money and torque is in the open. Where falling short has no price, only those lead that are sure of what no
remedy mends. Draws are shared where candidates share an input; a lead in fewer than four of five draws is called a tie.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

from lobeledger.arrays import Array, read_only
from lobeledger.assess.best_lobe import lobe_share_of
from lobeledger.assess.candidate import Assessment, assess, weighed_band
from lobeledger.assess.figures import Figure
from lobeledger.assess.limits import Broken, Way
from lobeledger.assess.torque import weighed_torque, widened
from lobeledger.choice import cost
from lobeledger.choice.flips import Search, flips, net_cost
from lobeledger.choice.measure import measure_next
from lobeledger.choice.results import (
    SAME_CHANCE,
    BreakEven,
    CandidateResult,
    CostGaps,
    Decision,
    Doubt,
    Flip,
    Lead,
    Out,
    Reason,
    SafeSpeeds,
    Shortfall,
    nearest_of,
)
from lobeledger.doubt import draws
from lobeledger.doubt.chance import break_even_chance
from lobeledger.doubt.drawn import Drawn
from lobeledger.doubt.limits import judged_limits, spread_of, trials_of, wanted_speed
from lobeledger.doubt.speed import MOST_TRIALS, SpeedTrials, safe_speed_of, useful_limit_of
from lobeledger.doubt.standing import HOLDS, OUT, break_even_shortfall, expected_cost, joint_draws, lead_of
from lobeledger.engine.doubt import torque_doubt_share, torque_gain_draws
from lobeledger.errors import NoSolution
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.frozen import Frozen

__all__ = ["SURE", "decide", "gain_draws"]

Item = TypeVar("Item")
Made = TypeVar("Made")

# A limit met more surely than this is not worth a word (assumed).
SURE = 0.99

# -- money --------------------------------------------------------------------------------------------------


def _reference(assessments: Sequence[Assessment]) -> Assessment | None:
    """The candidate that gains are told against: the least torque over the speeds used."""
    known = [a for a in assessments if "torque" in a.figures]
    return min(known, key=lambda a: a.figures["torque"].value) if known else None


def _gain(assessment: Assessment, reference: Assessment | None) -> float:
    """Torque over the speeds used against the reference, as given; 0 where unknown."""
    if reference is None or "torque" not in assessment.figures:
        return 0.0
    return assessment.figures["torque"].value / reference.figures["torque"].value - 1.0


def gain_draws(build: Build, assessment: Assessment, reference: Assessment | None) -> Array:
    """Draws of a candidate's gain in torque over the reference (`engine.doubt`): zero where torque is not known."""
    if reference is None or "torque" not in assessment.figures or assessment.torque is None or reference.torque is None:
        return np.zeros(draws.DRAWS)
    name, model = assessment.candidate.id, build.model

    def doubt(of: Assessment) -> float:
        return float(
            torque_doubt_share(
                of.figures["overlap"].value,
                base_share=model.torque_doubt,
                misleading_overlap_rad=model.torque_doubt_overlap_rad,
                growth_per_rad=model.torque_doubt_growth,
            )
        )

    by_runner, place = None, 0.0
    length = next((each for each in assessment.inputs.ranges if each.key == "runner_length"), None)
    if length is not None and assessment.torque.by_runner is not None and reference.torque.by_runner is not None:
        pairs = zip(assessment.torque.by_runner, reference.torque.by_runner, strict=True)
        shares = [weighed_torque(build, mine) / weighed_torque(build, its) - 1.0 for mine, its in pairs]
        if all(math.isfinite(share) for share in shares):
            by_runner = (shares[0], shares[1])
            drawn = Drawn(assessment.inputs)("runner_length")
            ends = (length.low, build.engine.runner_length_m, length.high)
            place = np.interp(drawn, ends, (-1.0, 0.0, 1.0))
    return torque_gain_draws(
        _gain(assessment, reference),
        doubt_share=doubt(assessment),
        reference_doubt_share=doubt(reference),
        own_error=draws.symmetric_draws(f"candidates.{name}.torque_model"),
        shared_error=draws.symmetric_draws("torque_model"),
        family_share=assessment.torque.family_share,
        family_error=draws.symmetric_draws(f"candidates.{name}.torque"),
        gain_by_runner_share=by_runner,
        runner_place=place,
    )


def _result(
    build: Build, assessment: Assessment, reference: Assessment | None, trials: SpeedTrials | None
) -> CandidateResult:
    candidate, fuel = assessment.candidate, assessment.fuel
    plain, drawn = draws.nominal(build), draws.draws(build)
    lines, line_draws = (cost.cost_lines(build, candidate, fuel, value) for value in (plain, drawn))
    figures = dict(assessment.figures)
    first_draws = cost.first_cost(line_draws, candidate, drawn)
    figures["chance"] = spread_of(plain(draws.chance_path(candidate)), drawn(draws.chance_path(candidate)))
    figures["first_cost"] = spread_of(cost.first_cost(lines, candidate, plain), first_draws)
    figures["expected_loss"] = spread_of(cost.expected_loss(lines), cost.expected_loss(line_draws))
    figures["owning"] = spread_of(cost.cost_of_owning(lines), cost.cost_of_owning(line_draws))
    gain, gained = _gain(assessment, reference), gain_draws(build, assessment, reference)
    worth = drawn("limits.torque_worth")
    net = draws.in_every_draw(net_cost(line_draws, worth, gained))
    figures["net"] = spread_of(net_cost(lines, plain("limits.torque_worth"), gain), net)
    if "torque" in assessment.figures:
        figures["gain"] = spread_of(gain, gained)
    limits = judged_limits(build, candidate, assessment.inputs, figures, drawn, first_cost=first_draws, trials=trials)
    for each in limits:
        if each.limit in ("vacuum", "coil_bind", "retainer"):
            figures[each.limit] = each.have
        elif each.limit == "speed":
            figures["speed_use"] = each.have
    shortfall = drawn("limits.shortfall") if build.limits.shortfall_money is not None else None
    expected = expected_cost(net, [each.draws for each in limits], shortfall)
    figures["expected"] = Figure(float(expected.mean()), *(float(q) for q in np.quantile(expected, (0.05, 0.95))))
    ranges = tuple(spread_of(a.amount, b.amount) for a, b in zip(lines, line_draws, strict=True))
    return CandidateResult(
        assessment,
        Frozen(figures),
        tuple(lines),
        ranges,
        (*assessment.broken, *_broken_by(build, candidate, figures, trials)),
        limits,
        gained,
        net,
        read_only(expected),
        read_only(joint_draws([each.draws for each in limits], draws.DRAWS)),
    )


def _broken_by(
    build: Build, candidate: Candidate, figures: Mapping[str, Figure], trials: SpeedTrials | None
) -> list[Broken]:
    """The limits on speed and budget that the figures as given break."""
    found = []
    if trials is not None and not trials.nominal.holds:
        springs = candidate.spring_set_price_money or None
        ways = (Way("lower_speed"), Way("stiffer_valvetrain"), Way("more_spring", price_money=springs))
        top, use = build.use.highest_speed_rpm, figures["speed_use"]
        found.append(Broken("speed", trials.nominal.ruled, use, top, "rpm", 0, min(use.value - 1.0, 1.0), ways))
    first, budget = figures["first_cost"], build.limits.budget_money
    over = first.value - budget
    if over > 0:
        # Rounded up, so that it really is enough.
        more = Way("budget", float(math.ceil(over)), "money")
        short = over / max(budget, 1.0)
        found.append(Broken("budget", "first_cost", first, budget, "money", -1, short, (more,)))
    return found


# -- comparing ---------------------------------------------------------------------------------------------


def decide(
    build: Build,
    *,
    step: Callable[[float, float], None] | None = None,
    details: bool = False,
    trials: int = MOST_TRIALS,
) -> Decision:
    """Compare a build's candidates.

    Cold, it finds every candidate's lobes and tries its valvetrain (both cores); after that only what changed is made
    anew. step(done, total) is called after each candidate; an exception it raises ends the comparison. trials:
    valvetrains drawn and run at the wanted speed, a candidate, at most; 0 for a first answer that takes the one that is
    given for sure. details: whether to find what takes longer when cold: how much of the best possible lobe each intake
    card uses and what holds it back, the speed up to which the valvetrain is under control (where the wanted one does
    not hold, in nine of ten tries too), and what the remaining ranges of the sheet do to the torque. The answer is the
    same without.
    """

    def one(candidate: Candidate) -> tuple[Assessment, SpeedTrials | None]:
        assessed = assess(build, candidate)
        if assessed.intake is None or assessed.exhaust is None:
            return assessed, None
        return assessed, trials_of(build, assessed.inputs, candidate, trials)

    found = _on_both_cores(one, build.candidates, step)
    reference = _reference([assessed for assessed, _ in found])
    results = tuple(_on_both_cores(lambda pair: _result(build, pair[0], reference, pair[1]), found, None))
    if details:
        results = tuple(_on_both_cores(functools.partial(_with_details, build), results, step))
    running = _in_the_running(build, results)
    lead = lead_of({r.candidate.id: r.cost_draws for r in running}) if running else None
    winner = next((r for r in results if lead is not None and r.candidate.id == lead.order[0]), None)
    break_evens = tuple(_break_evens(build, results))
    shortfalls = tuple(_shortfalls(build, results, winner))
    order = lead.order if lead is not None else ()
    search = flips(build, results, order) if trials else Search((), 0)
    # Where what falling short costs is not said, knowing is valued where it matters most: at the break-even.
    at_stake = shortfalls[0].money if shortfalls else None
    return Decision(
        build=build,
        results=results,
        winner_id=winner.candidate.id if winner else None,
        order=order,
        tied_ids=lead.tied if lead is not None else (),
        ahead_share=lead.ahead_of_all if lead is not None else math.nan,
        regret_money=lead.regret if lead is not None else 0.0,
        shortfalls=shortfalls,
        break_evens=break_evens,
        flips=search.flips,
        flips_searched=search.searched,
        reasons=tuple(_reasons(build, results, order, shortfalls, break_evens, search.flips)),
        measure_next=tuple(measure_next(build, results, order, at_stake)) if trials else (),
        measured_at_shortfall=at_stake,
        trials=max((len(run.uses) for _, run in found if run is not None), default=0),
    )


def _on_both_cores(
    work: Callable[[Item], Made], items: Sequence[Item], step: Callable[[float, float], None] | None
) -> list[Made]:
    """The work on each of the items, in their order; step(done, total) after each."""
    found: list[Made] = []
    with ThreadPoolExecutor(max_workers=2) as pool:
        for each in pool.map(work, items):
            found.append(each)
            if step is not None:
                step(len(found), len(items))
    return found


def _in_the_running(build: Build, results: Sequence[CandidateResult]) -> list[CandidateResult]:
    """Who may lead: all that nothing stops, if falling short has its price; else those sure of what no remedy mends."""
    if build.limits.shortfall_money is not None:
        return [r for r in results if not r.stops]
    return [r for r in results if r.mended_chance >= HOLDS]


def _shortfalls(build: Build, results: Sequence[CandidateResult], winner: CandidateResult | None) -> list[Shortfall]:
    """What falling short must cost before the next surer candidate is the better buy: the steps to and from the lead.

    Of all candidates those are steps that some cost of falling short makes the best (the lower hull of cost over
    chance). Where what it costs was given the answer has it in it, and nothing is left to say.
    """
    able = [r for r in results if not r.stops]
    if build.limits.shortfall_money is not None or not able:
        return []
    steps: list[CandidateResult] = []
    for each in sorted(able, key=lambda r: (r.figures["expected"].value, -r.mended_chance)):
        if steps and each.mended_chance <= steps[-1].mended_chance + SAME_CHANCE:
            continue
        while len(steps) > 1 and _rho(steps[-1], each) <= _rho(steps[-2], steps[-1]):
            steps.pop()
        steps.append(each)
    pairs = list(zip(steps, steps[1:], strict=False))
    lead = (winner or nearest_of(able)).candidate.id
    near = [pair for pair in pairs if lead in (pair[0].candidate.id, pair[1].candidate.id)] or pairs[:1]
    return [Shortfall(a.candidate.id, b.candidate.id, _rho(a, b)) for a, b in near]


def _rho(cheaper: CandidateResult, dearer: CandidateResult) -> float:
    """The cost of falling short at which a cheaper and a surer candidate are equal; infinite where none is."""
    money = break_even_shortfall(
        cheaper_cost=cheaper.figures["expected"].value,
        cheaper_chance=cheaper.mended_chance,
        dearer_cost=dearer.figures["expected"].value,
        dearer_chance=dearer.mended_chance,
    )
    return math.inf if money is None else money


def _with_details(build: Build, result: CandidateResult) -> CandidateResult:
    """A result with what takes longer: share of the best lobe, useful limit, torque with every range in its band."""
    figures, holds = dict(result.figures), ""
    assessed = result.assessment
    try:
        share = lobe_share_of(build, result.candidate)
        figures["share_of_best"] = Figure(*share.at_its_lift)
        holds = next(iter(share.best_at_its_lift.bound_share()), "")
    except NoSolution:
        pass
    torque = assessed.torque
    if assessed.intake is not None and assessed.exhaust is not None and torque is not None:
        torque = widened(assessed.inputs, assessed.intake, assessed.exhaust, torque)
        if "torque" in figures:
            figures["torque"] = weighed_band(build, torque)
        name = result.candidate.id
        figures["useful_limit"] = useful_limit_of(assessed.inputs, name, build.use.highest_speed_rpm)
        speed = result.limit("speed")
        if speed is not None and speed.standing != "holds":
            figures["safe_speed"] = safe_speed_of(assessed.inputs, name, wanted_speed(build))
    frozen = Frozen(figures)
    return dataclasses.replace(
        result,
        figures=frozen,
        binding_limit=holds,
        assessment=dataclasses.replace(assessed, figures=frozen, torque=torque),
    )


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
    order: tuple[str, ...],
    shortfalls: tuple[Shortfall, ...],
    break_evens: tuple[BreakEven, ...],
    flipped: tuple[Flip, ...],
) -> list[Reason]:
    by_id = {r.candidate.id: r for r in results}
    running = [by_id[each] for each in order]
    found: list[Reason] = []
    if running:
        best = running[0]
        found += [Doubt(best.candidate.id, each.limit) for each in best.limits if each.chance < SURE]
    second = _second(results, order)
    if running and second is not None:
        found.append(_lead(build, running[0], second))
        gaps = _biggest_gaps(running[0], second)
        if gaps:
            found.append(CostGaps(second.candidate.id, gaps))
    told = nearest_of(results).candidate.id if not running else ""
    found += [Out(r.candidate.id) for r in results if r.candidate.id not in (*order, told)]
    found += shortfalls[:2]
    found += _safe_speeds(results)
    if running:
        mine = running[0].candidate.id
        related = [b for b in break_evens if mine in (b.flat_id, b.roller_id)]
        related = [b for b in related if {b.flat_id, b.roller_id} <= set(order)] or related
        if related:
            found.append(_nearest_break_even(related))
        found += flipped[:1]
    return found


def _safe_speeds(results: Sequence[CandidateResult]) -> list[SafeSpeeds]:
    """The speeds that are safe, of those that were looked for: where the wanted one does not hold."""
    known = [(r.candidate.id, r.figures["safe_speed"].value) for r in results if "safe_speed" in r.figures]
    if not known:
        return []
    return [SafeSpeeds(tuple(sorted(known, key=lambda each: -each[1] if math.isfinite(each[1]) else 0.0)))]


def _second(results: Sequence[CandidateResult], order: Sequence[str]) -> CandidateResult | None:
    """The one the leader is told against: the cheapest of the others that are not out."""
    rest = [r for r in results if r.candidate.id not in order[:1] and not r.stops and r.mended_chance > OUT]
    return min(rest, key=lambda r: r.figures["expected"].value, default=None)


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
