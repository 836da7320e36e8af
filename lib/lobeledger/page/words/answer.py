"""The answer of a comparison and its reasons, in plain sentences.

Which cam, by how much?      `answer_text`
Why?                         `reason_texts`
"""

from __future__ import annotations

from lobeledger.choice.results import BreakEven, CandidateResult, CostGaps, Decision, Doubt, Flip, Lead, Out, Reason
from lobeledger.page.words.figures import money_text
from lobeledger.page.words.flips import break_even_text, flip_text
from lobeledger.page.words.limits import caution_text, told_limits
from lobeledger.parts.build import Build

__all__ = ["answer_text", "reason_texts"]

# Difference in torque that is not worth a word.
_SAME_TORQUE_SHARE = 0.0005


def answer_text(decision: Decision, system: str) -> str:
    """The choice, a tie, or what the nearest would need, in one or two sentences."""
    build, results, passing = decision.build, decision.results, decision.passing
    money = money_text(build)
    years = f"{build.use.years:g} years"
    if not passing:
        nearest = decision.result(decision.nearest_id)
        if len(results) == 1:
            only = f"{nearest.candidate.name}, the only candidate, does not pass every limit"
            return f"{only}; it would need {_gives(build, nearest, system)}."
        return (
            f"None of the {len(results)} candidates passes every limit; {nearest.candidate.name} comes nearest "
            f"and would need {_gives(build, nearest, system)}."
        )
    best = passing[0]
    owning = best.figures["owning"]
    cost_text = f"{money(owning.value)} to own over {years} ({owning.low:,.0f} to {owning.high:,.0f})"
    if len(results) == 1:
        return f"{best.candidate.name}, the only candidate, passes every limit, at {cost_text}."
    if len(passing) == 1:
        return f"Choose {best.candidate.name}: it alone passes every limit, at {cost_text}."
    lead = passing[1].figures["net"].value - best.figures["net"].value
    trials = f"in {decision.ahead_share:.0%} of trials with prices, times and chances varied"
    if len(decision.tied_ids) > 1:
        *first, last = (build.candidate(t).name for t in decision.tied_ids)
        return (
            f"A tie between {'; '.join(first)} and {last}: {best.candidate.name} leads by {money(lead)}, too little "
            f"to tell them apart (it still does {trials}). Choose between them on other grounds."
        )
    return (
        f"Choose {best.candidate.name}: {cost_text}. It leads {passing[1].candidate.name} by {money(lead)} once torque "
        f"is credited, and still does {trials}."
    )


def _gives(build: Build, result: CandidateResult, system: str) -> str:
    """What would mend all that is broken; each mend may itself be a choice."""
    return "; and ".join(told.give for told in told_limits(build, result.candidate, result.broken, system))


def reason_texts(decision: Decision, system: str) -> tuple[str, ...]:
    """Each reason as a sentence or two, in the order of the decision."""
    return tuple(_reason(decision, reason, system) for reason in decision.reasons)


def _reason(decision: Decision, reason: Reason, system: str) -> str:
    build = decision.build
    match reason:
        case Lead():
            return _lead(build, reason)
        case CostGaps():
            money = money_text(build)
            parts = [f"{group} ({money(abs(gap))} {'more' if gap > 0 else 'less'})" for group, gap in reason.gaps]
            return f"Where {build.candidate(reason.second_id).name} differs most in cost: {' and '.join(parts)}."
        case Out():
            result = decision.result(reason.candidate_id)
            why = "; ".join(told.text for told in told_limits(build, result.candidate, result.broken, system))
            return f"{result.candidate.name} is out: {why}. It would take {_gives(build, result, system)}."
        case Doubt():
            name = build.candidate(reason.candidate_id).name
            return f"{name} passes by its nominal figures only. {caution_text(build, reason.caution, system)}"
        case BreakEven():
            return break_even_text(build, reason)
        case Flip():
            return flip_text(build, reason, system)


def _lead(build: Build, lead: Lead) -> str:
    money = money_text(build)
    best, second = build.candidate(lead.winner_id).name, build.candidate(lead.second_id).name
    dearer, gains = lead.dearer_money, lead.gain_share
    cheaper = f"{money(abs(dearer))} {'less' if dearer >= 0 else 'more'} to own than {second}"
    if abs(gains) < _SAME_TORQUE_SHARE:
        return f"{best} costs {cheaper}; over the speeds used both give much the same torque."
    pull = f"{abs(gains):.1%} {'more' if gains > 0 else 'less'} torque over the speeds used"
    price = money(build.limits.torque_worth_money)
    return f"{best} costs {cheaper} and gives {pull}, which at {price} for each 1 % is worth {money(lead.worth_money)}."
