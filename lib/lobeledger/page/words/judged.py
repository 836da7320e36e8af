"""Limits under doubt, in words: what is likely, how sure it is, what mends it; and what to measure next.

One limit of one candidate                `judged_text`, `LIMIT_NAMES`
How surely a candidate meets all of them  `standing_text`, `met_text`; of one, `limit_standing`
Room left to one of them                  `room_text`, `need_text`
What fixes it, at which price             `remedy_text`, `remedy_price_text`
What to measure or ask next               `measure_text`, one of them: `measured_text`
"""

from __future__ import annotations

import numpy as np

from lobeledger import units
from lobeledger.choice.results import CandidateResult, MeasureNext
from lobeledger.doubt.limits import JudgedLimit
from lobeledger.doubt.standing import HOLDS, OUT, all_of, standing_of
from lobeledger.page.words.figures import given_money_text, in_tries, money_text, near_money
from lobeledger.parts.build import Build

__all__ = [
    "LIMIT_NAMES",
    "is_ordered",
    "is_untried",
    "judged_text",
    "limit_standing",
    "measure_text",
    "measured_text",
    "met_text",
    "need_text",
    "remedy_price_text",
    "remedy_text",
    "room_text",
    "standing_text",
]

LIMIT_NAMES = {
    "speed": "valve control at top rpm",
    "vacuum": "idle vacuum",
    "coil_bind": "coil bind",
    "retainer": "retainer to seal",
    "budget": "budget",
    "card": "cam card",
    "pairing": "parts that go together",
    "unpriced": "missing prices",
}


def judged_text(build: Build, limit: JudgedLimit, system: str) -> str:
    """What is likely and how sure it is that the limit is met, without a full stop."""
    if limit.limit == "speed":
        return _speed_text(build, limit, system)
    if limit.limit == "budget":
        money = money_text(build)
        span = f"{near_money(limit.have.low):,.0f} to {money(limit.have.high)}"
        return (
            f"up-front cost is likely {span} against a budget of {given_money_text(build)(limit.need)} ({_held(limit)})"
        )
    low, high, need = (units.show(v, limit.kind, system) for v in (limit.have.low, limit.have.high, limit.need))
    number, _, unit = low.partition(" ")
    span = f"{number} to {high}" if high.endswith(unit) else f"{low} to {high}"
    if limit.limit == "vacuum":
        return f"idle vacuum should read {span}; the brakes want {need} ({_held(limit)})"
    what = "clearance to coil bind" if limit.limit == "coil_bind" else "clearance from retainer to seal"
    return f"{what} is {span}; at least {need} is wanted ({_held(limit)})"


def _held(limit: JudgedLimit) -> str:
    return f"holds in {in_tries(limit.chance)}"


def standing_text(result: CandidateResult) -> tuple[str, str]:
    """Where a candidate stands and in how many tries it meets every limit; the latter empty where a stop decides.

    What the order list has machined counts as done.
    """
    if result.stops:
        return result.standing, ""
    chance = _as_ordered(result)
    return standing_of(chance), "tries to come" if is_untried(result) else in_tries(chance)


def is_ordered(limit: JudgedLimit) -> bool:
    """Whether what mends a limit is on the order list already, at its own price there."""
    return limit.draws.remedy is not None and not np.any(limit.draws.remedy)


def limit_standing(limit: JudgedLimit) -> str:
    """Where one limit stands, with what the order list has machined done."""
    return standing_of(float(limit.draws.mended.mean())) if is_ordered(limit) else limit.standing


def is_untried(result: CandidateResult) -> bool:
    """Whether the valvetrain was not yet run with what is not sure varied: a first answer."""
    speed = result.limit("speed")
    return speed is not None and not speed.trials[1]


def _as_ordered(result: CandidateResult) -> float:
    """How surely it meets every limit with what is on its order list and nothing else."""
    shares = (each.draws.mended if is_ordered(each) else each.draws.ok for each in result.limits)
    return float(all_of(shares, result.joint_draws.size).mean())


# What a remedy puts on the engine, in the few words that a sentence has room for.
_MENDED_BY = {
    "vacuum-pump": "a vacuum pump",
    "stiffer-springs": "stiffer springs",
    "taller-seats": "spring seats cut deeper",
    "shorter-guides": "shortened valve guides",
}
# Less than this between two chances is not worth telling apart.
_SAME_TRIES = 0.005


def met_text(build: Build, result: CandidateResult) -> str:
    """How surely it meets every limit, with what mends it and as it stands, without a full stop.

    'it meets every limit in 97 of 100 tries', or 'with stiffer springs (about 180 USD more) it meets every limit in 97
    of 100 tries; as it stands it does not'. What the order list already does is no extra.
    """
    if is_untried(result):
        meets = "it meets every limit" if result.mended_chance >= HOLDS else "it does not meet every limit"
        return f"by the figures as given {meets}; we are still trying what is not sure"
    mended = [each for each in result.limits if each.draws.remedy is not None and each.standing != "holds"]
    if not mended or result.mended_chance - result.chance_all < _SAME_TRIES:
        if result.chance_all <= 0.0:
            return "it does not meet every limit"
        return f"it meets every limit in {in_tries(result.chance_all)}"
    extra = [each for each in mended if not is_ordered(each)]
    every = f"it meets every limit in {in_tries(result.mended_chance)}"
    if not extra:
        return f"with the machining on its order list {every}"
    bought = " and ".join(f"{_MENDED_BY[each.remedy_id]} ({remedy_price_text(build, each)} more)" for each in extra)
    # As it stands: with nothing bought that is not on the order list.
    bare = _as_ordered(result)
    if bare < _SAME_TRIES:
        return f"with {bought} {every}; as it stands it does not"
    return f"with {bought} {every}; as it stands in {'only ' if bare <= OUT else ''}{in_tries(bare)}"


def need_text(build: Build, limit: JudgedLimit, system: str) -> str:
    """What is asked of a limit, by name: 'idle vacuum, at least 14.0 inHg'."""
    if limit.limit == "speed":
        return f"valve control at {units.show(build.use.highest_speed_rpm, 'rpm', system)}"
    if limit.limit == "budget":
        return f"budget, {given_money_text(build)(limit.need)}"
    return f"{LIMIT_NAMES[limit.limit]}, at least {units.show(limit.need, limit.kind, system)}"


def room_text(build: Build, limit: JudgedLimit, system: str) -> str:
    """Room left to the need by the figures as given, or what is short: '1.6 inHg left', '0.020 in short'.

    Of the speed, the share of what is allowed that is still unused. Beyond that control is lost, by how much tells
    little; that the figures as given lose it says nothing of how many tries do.
    """
    word = "left" if limit.room >= 0.0 else "short"
    if limit.limit == "speed":
        # Beside a chance above even, 'fails' would contradict it: one draw is not the others.
        return (
            f"{limit.room:.0%} left" if limit.room >= 0.0 else "fails as given" if limit.chance < 0.5 else "at its edge"
        )
    if limit.limit == "budget":
        return f"{money_text(build)(abs(limit.room))} {word}"
    return f"{units.show(abs(limit.room), limit.kind, system)} {word}"


def _speed_text(build: Build, limit: JudgedLimit, system: str) -> str:
    top = units.show(build.use.highest_speed_rpm, "rpm", system)
    met, tried = limit.trials
    if not tried:
        word = "keeps" if limit.have.value <= 1.0 else "loses"
        return f"by the figures as given the valvetrain {word} control at {top}"
    # The chance is of all draws, learned from those that were run: both numbers are said, for they differ a little.
    ran = f"{tried} we ran in full" if met == tried else f"{met} of the {tried} we ran in full"
    return f"the valvetrain keeps control at {top} in {in_tries(limit.chance)} ({ran})"


def remedy_text(build: Build, limit: JudgedLimit) -> str:
    """What mends a limit and what that costs, without a full stop; empty where nothing with a price does."""
    price = remedy_price_text(build, limit)
    if not price:
        return ""
    remedy = next(each for each in build.remedies if each.id == limit.remedy_id)
    return f"{remedy.text}, {price}"


def remedy_price_text(build: Build, limit: JudgedLimit) -> str:
    """What the remedy of a limit costs on average, to the nearest ten; empty where nothing with a price mends it."""
    if not limit.remedy_id or limit.draws.remedy is None:
        return ""
    price = float(limit.draws.remedy.mean())
    return f"about {money_text(build)(round(price, -1))}" if price > 0.0 else "already in the cost"


def measured_text(build: Build, row: MeasureNext, system: str, *, says_whose: bool = False) -> str:
    """What is done, without a full stop: 'ask the grinder for one more duration, at 0.200 in of lobe lift'."""
    text = next(each.text for each in build.measures if each.id == row.what)
    if says_whose and row.candidate_id:
        text += f" of {build.candidate(row.candidate_id).name}"
    return text if row.at_m is None else f"{text}, at {units.show(row.at_m, 'lift', system)} of lobe lift"


def measure_text(build: Build, rows: tuple[MeasureNext, ...], system: str, at_stake: float | None = None) -> str:
    """What pays to be measured or asked next, as a sentence."""
    money = money_text(build)
    paying = [row for row in rows if row.worth_money > row.minutes_money]
    if not paying:
        return "Measure next: nothing pays. What you could measure would not change what to buy."
    first = paying[0]
    text = measured_text(build, first, system, says_whose=True)
    stake = f", if falling short would cost you {money(at_stake)}" if at_stake is not None else ""
    turn = "could change the answer" if first.could_change else "could save a fix"
    return (
        f"Measure next: {text}. {first.minutes:.0f} minutes, {money(first.minutes_money)} of your time; it is "
        f"worth about {money(first.worth_money)} and {turn}{stake}."
    )
