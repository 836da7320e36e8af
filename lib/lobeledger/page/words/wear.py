"""Sentences of the wear watch.

What does an inspection say?      `watch_answer`, `lobe_text`
How fast does the lash move?      `growth_answer`
"""

from __future__ import annotations

import math

from lobeledger.record.wear import Growth, Lobe, Watch
from lobeledger.units import from_si, shown_unit

__all__ = ["VERDICT_WORDS", "growth_answer", "length_text", "lobe_text", "watch_answer"]

# What a verdict is called: the record's own word -> what a person reads.
VERDICT_WORDS = {"go on": "OK to run", "watch": "watch", "stop": "stop"}


def length_text(value_m: float, system: str, *, unit: bool = True) -> str:
    """A small length with one digit more than a lift is shown with."""
    number = f"{from_si(value_m, 'lift', system):.{4 if system == 'us' else 3}f}"
    return f"{number} {shown_unit('lift', system)}" if unit else number


def lobe_text(lobe: Lobe, limit_m: float, system: str) -> str:
    """What one lobe has lost and what to make of it, without a full stop."""
    loss, limit = lobe.loss, length_text(limit_m, system)
    said = f"{lobe.name} has lost {length_text(loss.loss_m, system)} of lobe lift"
    said += f" ({length_text(loss.low_m, system, unit=False)} to {length_text(loss.high_m, system)})"
    if lobe.reason == "limit":
        return f"{said}, at or beyond the limit of {limit}"
    if lobe.reason == "neighbours" and lobe.excess_m is not None:
        return f"{said}, {length_text(lobe.excess_m, system)} more than its neighbors"
    if lobe.reason == "gain":
        more = length_text(-loss.loss_m, system)
        return f"{lobe.name} reads {more} more lift than before, which wear cannot do: measure it again"
    if lobe.reason == "unclear":
        return f"{said}; these readings cannot rule out that it is beyond {limit}: use a finer dial"
    if lobe.excess_m is None:
        return f"{said}; too few neighbors to compare it with"
    return f"{said}, within what the readings can tell from its neighbors"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def watch_answer(watch: Watch, system: str) -> str:
    """What the inspection says: the worst lobe, how many like it, and whether the readings themselves are sound."""
    verdict = watch.verdict
    alike = [x for x in watch.lobes if x.verdict == verdict]
    if verdict == "go on":
        answer = f"OK to run: none of the {len(watch.lobes)} lobes stands out from its neighbors or nears the limit."
    else:
        rest = f"; so do {len(alike) - 1} more" if len(alike) > 2 else "; so does one more" if len(alike) == 2 else ""
        more = f" ('{verdict}'{rest})" if rest else ""
        answer = f"{verdict.capitalize()}: {lobe_text(watch.worst, watch.limit_m, system)}{more}."
    if verdict == "stop":
        answer += " Inspect lobe and lifter before you run it again."
    if watch.low_kinds:
        answer += (
            f" All {' and '.join(watch.low_kinds)} lobes read lower by about the same: check the indicator's setup "
            "before taking anything apart."
        )
    if not watch.trusted:
        answer += (
            f" Lift lost scatters {watch.scatter_ratio:.1f} times as much as the stated uncertainty allows, so we "
            "used the scatter we saw."
        )
    return answer


def growth_answer(growth: Growth, system: str, *, name: str = "The lash") -> str:
    """How fast a lash moves, and when it reaches its limit if it goes on so."""
    limit, way = length_text(growth.limit_m, system), "opens" if growth.opens else "closes"
    if growth.verdict == "stop":
        return f"Stop: {name} is beyond {limit}; find out what wears before it is set again and run on."
    rate = length_text(100.0 * growth.rate_m_per_h, system)
    low, high = (
        length_text(100.0 * r, system, unit=False) for r in (growth.rate_low_m_per_h, growth.rate_high_m_per_h)
    )
    moves = f"{name} {way} by {rate} in 100 h ({low} to {high})"
    best, earliest, latest = growth.hours_left, growth.hours_left_low, growth.hours_left_high
    if math.isinf(earliest):
        end = f"{limit} is not in sight"
    elif math.isinf(latest):
        end = f"{limit} may be reached after {earliest:.0f} h more, or never"
    else:
        end = f"{limit} is reached after {best:.0f} h more ({earliest:.0f} to {latest:.0f}) if it goes on so"
    return f"{_upper(VERDICT_WORDS[growth.verdict])}: {moves}; {end}."
