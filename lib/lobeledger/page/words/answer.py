"""The answer of a comparison and its reasons, in plain sentences.

Which cam, by how much?      `answer_text`
Why?                         `reason_texts`
"""

from __future__ import annotations

import math

from lobeledger import units
from lobeledger.choice.results import (
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
)
from lobeledger.doubt.speed import SEARCHED_FROM
from lobeledger.page.words.figures import given_money_text, in_tries, money_text
from lobeledger.page.words.flips import break_even_text, flip_text
from lobeledger.page.words.judged import LIMIT_NAMES, judged_text, met_text, remedy_text
from lobeledger.page.words.limits import told_limits
from lobeledger.parts.build import Build

__all__ = ["answer_text", "reason_texts"]

# Difference in torque that is not worth a word.
_SAME_TORQUE_SHARE = 0.0005


def answer_text(decision: Decision, system: str) -> str:
    """The choice, a tie, or what comes closest and what it takes, in one or two sentences."""
    running = decision.running
    if not running:
        return _nothing_holds(decision, system)
    build, best = decision.build, running[0]
    money = money_text(build)
    name = best.candidate.name
    do = "Keep" if best.candidate.is_fitted else "Choose"
    cost = f"{money(best.figures['owning'].value)} over {build.use.years:g} years"
    sure = met_text(build, best) if best.limits else "nothing stops it"
    if len(decision.results) == 1:
        return f"{name} is the only cam: {cost}; {sure}."
    rivals = decision.rivals
    if not rivals:
        return f"{do} {name}: {cost}; {sure}. All others fail."
    second = rivals[0]
    lead = second.figures["expected"].value - best.figures["expected"].value
    if len(decision.tied_ids) > 1:
        *first, last = (build.candidate(t).name for t in decision.tied_ids)
        return (
            f"A tie: {'; '.join(first)} and {last}. {name} leads by {money(abs(lead))}, too little to tell them apart "
            f"(it stays ahead in {in_tries(decision.ahead_share)}). Choose between them by what matters to you; {sure}."
        )
    if lead < 0.0:
        return (
            f"{do} {name}: {cost}; {sure}. {second.candidate.name} would be {money(-lead)} better, but meets every "
            f"limit in only {in_tries(second.mended_chance)}{', fixes and all' if _is_mended(second) else ''}."
        )
    ahead = float((second.cost_draws > best.cost_draws).mean())
    return (
        f"{do} {name}: {cost}; {sure}. It is {money(lead)} better than {second.candidate.name}, torque and fixes "
        f"counted, and stays ahead in {in_tries(ahead)}."
    )


def _nothing_holds(decision: Decision, system: str) -> str:
    build, nearest = decision.build, decision.result(decision.nearest_id)
    name = nearest.candidate.name
    if nearest.stops:
        takes = _gives(build, nearest, system)
        if len(decision.results) == 1:
            return f"{name}, the only cam, can't be built as it stands. To fix it: {takes}."
        return f"None of the {len(decision.results)} cams can be built. {name} comes closest. To fix it: {takes}."
    short = "; ".join(judged_text(build, each, system) for each in nearest.unsure)
    only = ", the only cam," if len(decision.results) == 1 else ""
    none = "" if only else f"None of the {len(decision.results)} is sure to do. "
    return (
        f"{none}{name}{only} comes closest, at {money_text(build)(nearest.figures['owning'].value)} over "
        f"{build.use.years:g} years: {met_text(build, nearest)}. {_upper(short)}."
    )


def _is_mended(result: CandidateResult) -> bool:
    return any(each.draws.remedy is not None and each.standing != "holds" for each in result.limits)


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _gives(build: Build, result: CandidateResult, system: str) -> str:
    """What would mend all that stops it; each mend may itself be a choice."""
    return "; and ".join(told.give for told in told_limits(build, result.candidate, result.stops, system))


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
            return f"{build.candidate(reason.second_id).name} differs in cost mainly by {' and '.join(parts)}."
        case Out():
            return _out(decision.result(reason.candidate_id), build, system)
        case Doubt():
            result = decision.result(reason.candidate_id)
            limit = result.limit(reason.limit)
            assert limit is not None
            mends = remedy_text(build, limit)
            short = "To fix it" if limit.standing == "out" else "If it falls short"
            return f"{_upper(judged_text(build, limit, system))}.{f' {short}: {mends}.' if mends else ''}"
        case Shortfall():
            surer, cheaper = build.candidate(reason.dearer_id).name, build.candidate(reason.cheaper_id).name
            return (
                f"Pay for {surer} instead of {cheaper} only if falling short would cost you more than "
                f"{money_text(build)(reason.money)}."
            )
        case SafeSpeeds():
            return _safe_speeds(build, reason, system)
        case BreakEven():
            return break_even_text(build, reason)
        case Flip():
            return flip_text(build, reason, system)


def _safe_speeds(build: Build, safe: SafeSpeeds, system: str) -> str:
    told = []
    for each, rpm in safe.speeds_rpm:
        name = build.candidate(each).name
        lowest = units.show(SEARCHED_FROM * build.use.highest_speed_rpm, "rpm", system)
        told.append(
            f"{name} to {units.show(rpm, 'rpm', system)}" if math.isfinite(rpm) else f"{name} not even to {lowest}"
        )
    return f"Nine of ten tries keep control no further than this: {'; '.join(told)}."


def _out(result: CandidateResult, build: Build, system: str) -> str:
    name = result.candidate.name
    if result.stops:
        why = "; ".join(told.text for told in told_limits(build, result.candidate, result.stops, system))
        return f"{name} fails: {why}. To fix it: {_gives(build, result, system)}."
    every = result.unsure or [min(result.limits, key=lambda each: each.chance)]
    why = "; ".join(judged_text(build, each, system) for each in every)
    word = "fails" if any(each.standing == "out" for each in every) else "is in doubt"
    return f"{name} {word} ({', '.join(LIMIT_NAMES[each.limit] for each in every)}): {why}."


def _lead(build: Build, lead: Lead) -> str:
    money = money_text(build)
    best, second = build.candidate(lead.winner_id).name, build.candidate(lead.second_id).name
    dearer, gains = lead.dearer_money, lead.gain_share
    cheaper = f"{money(abs(dearer))} {'less' if dearer >= 0 else 'more'} to own than {second}"
    if abs(gains) < _SAME_TORQUE_SHARE:
        return f"{best} costs {cheaper}; torque is about the same."
    pull = f"{abs(gains):.1%} {'more' if gains > 0 else 'less'} torque at your rpm"
    price = given_money_text(build)(build.limits.torque_worth_money)
    return f"{best} costs {cheaper} and gives {pull}, which at {price} for each 1% is worth {money(lead.worth_money)}."
