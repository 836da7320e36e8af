"""Limits under doubt, in words: what is likely, how sure it is, what mends it; and what to measure next.

One limit of one candidate                `judged_text`, `LIMIT_NAMES`
How surely a candidate meets all of them  `standing_text`
Room left to one of them                  `room_text`, `need_text`
What mends it, at which price             `remedy_text`, `remedy_price_text`
What to measure or ask next               `measure_text`
"""

from __future__ import annotations

from lobeledger import units
from lobeledger.choice.results import CandidateResult, MeasureNext
from lobeledger.doubt.limits import JudgedLimit
from lobeledger.page.words.figures import in_tries, money_text
from lobeledger.parts.build import Build

__all__ = [
    "LIMIT_NAMES",
    "judged_text",
    "measure_text",
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
        span = f"{limit.have.low:,.0f} to {money(limit.have.high)}"
        return f"up-front cost is likely {span} against a budget of {money(limit.need)} ({_held(limit)})"
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
    """Where a candidate stands and in how many tries it meets every limit; the latter empty where a stop decides."""
    return result.standing, "" if result.stops else in_tries(result.chance_all)


def need_text(build: Build, limit: JudgedLimit, system: str) -> str:
    """What is asked of a limit, by name: 'idle vacuum, at least 14.0 inHg'."""
    if limit.limit == "speed":
        return f"valve control at {units.show(build.use.highest_speed_rpm, 'rpm', system)}"
    if limit.limit == "budget":
        return f"budget, {money_text(build)(limit.need)}"
    return f"{LIMIT_NAMES[limit.limit]}, at least {units.show(limit.need, limit.kind, system)}"


def room_text(build: Build, limit: JudgedLimit, system: str) -> str:
    """Room left to the need by the figures as given, or what is short: '1.6 inHg left', '0.020 in short'.

    Of the speed, the share of what is allowed that is still unused; a loss of control may exceed what is allowed many
    times over, and is not counted out beyond the double.
    """
    word = "left" if limit.room >= 0.0 else "short"
    if limit.limit == "speed":
        if limit.room < -1.0:
            return "over double"
        return f"{abs(limit.room):.0%} {'left' if limit.room >= 0.0 else 'over'}"
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


def measure_text(build: Build, rows: tuple[MeasureNext, ...], at_stake: float | None = None) -> str:
    """What pays to be measured or asked next, as a sentence."""
    money = money_text(build)
    paying = [row for row in rows if row.worth_money > row.minutes_money]
    if not paying:
        return "Measure next: nothing pays; what could be measured would not change what to buy."
    first = paying[0]
    text = next(each.text for each in build.measures if each.id == first.what)
    whose = f" of {build.candidate(first.candidate_id).name}" if first.candidate_id else ""
    stake = f", if falling short would cost you {money(at_stake)}" if at_stake is not None else ""
    turn = "could change the answer" if first.could_change else "could save a remedy"
    return (
        f"Measure next: {text}{whose}. {first.minutes:.0f} minutes, {money(first.minutes_money)} of your time; it is "
        f"worth about {money(first.worth_money)} and {turn}{stake}."
    )
