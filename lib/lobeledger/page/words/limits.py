"""Sentences of limits and cautions.

What is broken?                        `broken_text`
How is valve control lost?             `LOST_WORDS`
What would mend it?                    `mend_text`
What should be watched?                `caution_text`
The three, of one candidate            `ToldLimit`, `told_limits`, `told_cautions`
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

from lobeledger import units
from lobeledger.assess.limits import Broken, Caution, Way
from lobeledger.lobe.ways_out import WAY_WORDS
from lobeledger.page.words.figures import money_text
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate

__all__ = [
    "LOST_WORDS",
    "NO_REASON_TO_SKIP",
    "ToldLimit",
    "broken_text",
    "caution_text",
    "mend_text",
    "told_cautions",
    "told_limits",
]

# Beside every figure that could read as if leaving something out paid.
NO_REASON_TO_SKIP = (
    "A small saving on average is no reason to skip a precaution: the average spreads one costly failure over many "
    "builds, and the owner of the build that fails pays all of it."
)
_CLEARANCES = {"coil_bind": "clearance to coil bind", "retainer": "clearance from retainer to seal"}


class ToldLimit(NamedTuple):
    """A broken limit in words: its key, what is broken, the change that would mend it."""

    limit: str
    text: str
    give: str


def told_limits(build: Build, candidate: Candidate, broken: Iterable[Broken], system: str) -> tuple[ToldLimit, ...]:
    """Each broken limit in words."""
    return tuple(
        ToldLimit(b.limit, broken_text(build, candidate, b, system), mend_text(build, b, system)) for b in broken
    )


def told_cautions(build: Build, cautions: Iterable[Caution], system: str) -> tuple[str, ...]:
    """Each caution as a sentence."""
    return tuple(caution_text(build, each, system) for each in cautions)


def _numbers(fact: Broken | Caution) -> tuple[float, float]:
    """The nominal figure and what it is set against, of a fact that has them."""
    limit = fact.need if isinstance(fact, Broken) else fact.limit
    assert fact.have is not None and limit is not None
    return fact.have.value, limit


# -- broken limits -----------------------------------------------------------------------------------------


def broken_text(build: Build, candidate: Candidate, broken: Broken, system: str) -> str:
    """What is broken and by how much, without a full stop."""
    show = functools.partial(units.show, system=system)
    if broken.limit == "card":
        assert broken.card is not None
        kind = "a flat lifter" if candidate.follower == "flat" else "a roller"
        return (
            f"the {broken.subject} card ({show(broken.card.card.lobe_lift_m, 'lift')} lobe lift) won't work with "
            f"{kind} of this size: {broken.card.reason}"
        )
    if broken.limit == "pairing":
        (line,) = broken.lines
        return f"{line.what} won't work here: {line.why}"
    if broken.limit == "unpriced":
        return f"enter prices in {build.currency} for: {'; '.join(line.what for line in broken.lines)}"
    have, need = _numbers(broken)
    if broken.limit in _CLEARANCES:
        short = show(need - have, "lift")
        return f"{_CLEARANCES[broken.limit]} is {show(have, 'lift')}, {short} under the {show(need, 'lift')} wanted"
    if broken.limit == "speed":
        return f"its valves float below your top rpm, {show(need, 'rpm')} ({LOST_WORDS[broken.subject]})"
    if broken.limit == "vacuum":
        return (
            f"idle vacuum is {show(have, 'vacuum')}, {show(need - have, 'vacuum')} under what the brake booster needs"
        )
    return f"up-front cost is {money_text(build)(have)}, {_over_text(build, broken)} over the budget"


def _over_text(build: Build, broken: Broken) -> str:
    """What is missing in the budget, rounded once and upward: the break and its fix name one sum, and it is enough."""
    (more,) = broken.ways
    assert more.value is not None
    step = 10.0 if more.value >= 100.0 else 1.0
    return money_text(build)(step * math.ceil(more.value / step))


LOST_WORDS = {
    "separation": "the lifter leaves the lobe too far",
    "seat bounce": "the valve bounces off its seat too far",
    "pump-up": "the lifter pumps up",
}
_WAYS = {
    "lower_speed": "a lower top rpm",
    **WAY_WORDS,
    "less_lift": "less lift",
    "stiffer_valvetrain": "a stiffer or lighter valvetrain",
    "more_spring": "more spring",
    "vacuum_pump": "a vacuum pump or reservoir",
    "no_booster": "brakes without a booster",
    "higher_idle": "a higher idle",
}


def _way(way: Way, system: str) -> str:
    if way.value is None:
        return _WAYS[way.what]
    return f"{_WAYS[way.what]} {units.show(way.value, way.kind, system, toward='up' if way.side > 0 else 'down')}"


def mend_text(build: Build, broken: Broken, system: str) -> str:
    """The changes of which one would mend it, to follow 'To fix it:'."""
    if broken.limit == "card":
        ways = " or ".join(_way(way, system) for way in broken.ways) or "another card"
        return f"{ways} for the {broken.subject}"
    if broken.limit == "pairing":
        return broken.lines[0].remedy or ""
    if broken.limit == "unpriced":
        return f"price lines in {build.currency} that serve {', '.join(line.needs[0] for line in broken.lines)}"
    if broken.limit in _CLEARANCES:
        more, less = broken.ways
        assert more.value is not None
        short = units.show(more.value, more.kind, system, toward="up")
        return f"{short} more {_CLEARANCES[broken.limit]}, or {_way(less, system)}"
    if broken.limit == "budget":
        return f"{_over_text(build, broken)} more budget"
    *first, last = (_way(way, system) for way in broken.ways)
    return f"{', '.join(first)}, or {last}"


# -- cautions ----------------------------------------------------------------------------------------------


def caution_text(build: Build, caution: Caution, system: str) -> str:
    """One caution as a whole sentence."""
    return _CAUTIONS[caution.what](build, caution, functools.partial(units.show, system=system))


def _first_touch(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    have, top = _numbers(caution)
    return (
        f"Lifter and lobe first part, by a hair, at {show(have, 'rpm')}, below the {show(top, 'rpm')} wanted: harmless "
        "by itself, but a sign of little spring to spare."
    )


def _rigid_margin(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    have, wanted = _numbers(caution)
    return (
        f"If nothing flexed, the springs would hold to {show(have, 'rpm')}, less than the {show(wanted, 'rpm')} wanted "
        f"({build.limits.speed_margin:.0%} above top rpm)."
    )


def _residual(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    have, _ = _numbers(caution)
    return f"At idle {show(have, 'share')} of the charge is old exhaust: expect a hunting idle, and set it higher."


# Names of metals as sheets write them, in the spelling of the trade.
_METALS = {"aluminium": "aluminum"}
_SPARES = {
    "inner_out": "inner springs left out for the break-in bring it down (the break-in page says what that is worth)",
    "lower_ratio": "rockers of a lower ratio for the break-in bring it down",
}


def _stress(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    have, limit = _numbers(caution)
    spared = "".join(f": {_SPARES[way.what]}" for way in caution.ways)
    return f"Nose stress at cranking is {show(have, 'stress')}, above {show(limit, 'stress')}{spared}."


def _sharp_nose(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    _, least = _numbers(caution)
    return (
        f"The card as quoted makes the sharpest nose we allow ({show(least, 'lift')} radius): check its "
        "durations, because nose stress and float rpm suffer from it."
    )


def _load(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    load, edge = _numbers(caution)
    which, side = ("Seat" if caution.subject == "seat_load" else "Open"), ("above" if load > edge else "below")
    return f"{which} load is {show(load, 'load')}, {side} the usual {show(edge, 'load')} for this lifter."


def _knock(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    ratio, allowed = _numbers(caution)
    metal = _METALS.get(caution.subject, caution.subject)
    return (
        f"Dynamic compression of {ratio:.2f} is above {allowed:.1f}, where {metal} "
        f"heads begin to need care on {build.vehicle.octane:g} octane."
    )


def _stall(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    stall, slowest = _numbers(caution)
    return (
        f"The converter stalls at {show(stall, 'rpm')}, above the {show(slowest, 'rpm')} where your rpm begin: torque "
        "below stall is of little use, and the converter runs hot there."
    )


def _in_gear(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    have, need = _numbers(caution)
    return (
        f"In gear on the brakes vacuum falls to about {show(have, 'vacuum')}, below the {show(need, 'vacuum')} the "
        "brakes want. Test the brakes, stopped and in gear, before the car goes on the road."
    )


def _long_overlap(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    have, _ = _numbers(caution)
    return (
        f"Its long overlap ({show(have, 'angle')}) may be better than we show: the torque estimate has no exhaust pipes"
        " to pull through it, so we trust its gain less."
    )


def _beyond_flow(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    have, end = _numbers(caution)
    who = "Its valves lift up to" if caution.subject == "both" else f"Its {caution.subject} valve lifts"
    table = "your flow table" if build.engine.flow else "our table of valve flow"
    return (
        f"{who} {show(have, 'lift')}, past the {show(end, 'lift')} where {table} ends: above that we keep the flow "
        "it ends with, and trust the torque of this cam less."
    )


def _few_durations(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    quotes = "one duration" if caution.what == "one_duration" else "two durations"
    said = f"The {caution.subject} card gives only {quotes}, which makes the lobe's shape a guess"
    if not caution.ways or caution.have is None:
        return f"{said}: measure the lobe itself before you trust its figures."
    (more,) = caution.ways
    at, high = show(more.value, "lift"), show(caution.have.high, "angle")
    low = show(caution.have.low, "angle", unit=False)
    return (
        f"{said}: ask the grinder for the duration at {at}, which would narrow it most (today it may be {low} to "
        f"{high})."
    )


def _added_prices(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    return (
        "No price on your sheet for these, so we used our own: "
        f"{'; '.join(line.what for line in caution.lines)}. If one of your price lines pays for one, add serves to it."
    )


def _left_out(build: Build, caution: Caution, show: Callable[..., str]) -> str:
    what = "; ".join(f.text for f in build.factors if f.id in caution.subject.split())
    return f"Left out of good practice: {what}. {NO_REASON_TO_SKIP}"


def _always(text: str) -> Callable[[Build, Caution, Callable[..., str]], str]:
    return lambda build, caution, show: text


_CAUTIONS: dict[str, Callable[[Build, Caution, Callable[..., str]], str]] = {
    "first_touch": _first_touch,
    "rigid_margin": _rigid_margin,
    "residual": _residual,
    "stress": _stress,
    "sharp_nose": _sharp_nose,
    "left_out": _left_out,
    "load": _load,
    "knock": _knock,
    "stall": _stall,
    "in_gear": _in_gear,
    "long_overlap": _long_overlap,
    "added_prices": _added_prices,
    "lash_off_ramp": _always(
        "The lash is more than the card's lowest quoted lift, so the valve opens above the ramp: use the cam card's "
        "lash."
    ),
    "no_torque": _always("We can't estimate torque at some of your rpm, so this cam gets no torque credit."),
    "one_duration": _few_durations,
    "few_durations": _few_durations,
    "beyond_flow": _beyond_flow,
}
