"""How a figure, a sum or a chance is written for a person.

A figure of the comparison table, its band      `value_text`, `band_text`
A sum of money, a chance of failure             `money_text`, `given_money_text`, `near_money`, `chance_text`
How surely something holds, in tries            `in_tries`
A text that gives both units, in one of them    `in_one_system`
Where a number comes from                       `ORIGIN_WORDS`
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from lobeledger import units
from lobeledger.assess.figures import Column, Figure
from lobeledger.parts.build import Build

__all__ = [
    "ORIGIN_WORDS",
    "band_text",
    "chance_text",
    "given_money_text",
    "in_one_system",
    "in_tries",
    "money_text",
    "near_money",
    "value_text",
]

# Where a number comes from, in words: origin -> what a person reads.
ORIGIN_WORDS = {
    "given": "your sheet",
    "measured": "measured",
    "card": "cam card",
    "computed": "worked out",
    "handbook": "from a book",
    "common practice": "shop rule of thumb",
    "assumed": "our guess",
}


def value_text(col: Column, value: float, system: str, currency: str, *, unit: bool = True) -> str:
    """One value of a column for a person; a dash where the figure does not exist."""
    if not math.isfinite(value):
        return "-"
    if col.kind == "money":
        return f"{value:,.0f}" + (f" {currency}" if unit else "")
    if col.kind:
        return units.show(value, col.kind, system, unit=unit)
    return f"{value * col.scale:.0f}" if col.key == "run_in_time" else f"{value * col.scale:.2f}"


def band_text(col: Column, figure: Figure, system: str, currency: str) -> str:
    """Low to high of a figure, or nothing when it has no band worth showing."""
    low, high = (value_text(col, end, system, currency, unit=False) for end in figure[1:])
    return "" if low == high else f"{low} to {high}"


def money_text(build: Build) -> Callable[[float], str]:
    """A writer of sums in the build's currency for sentences: from 100 up to the nearest ten, below that to the unit.

    What a person has written on the sheet goes through `given_money_text`, which leaves it as it is.
    """
    return lambda amount: f"{near_money(amount):,.0f} {build.currency}"


def given_money_text(build: Build) -> Callable[[float], str]:
    """A writer of sums that stand on the sheet, in its currency, to the unit."""
    return lambda amount: f"{amount:,.0f} {build.currency}"


def near_money(amount: float) -> float:
    """A sum as a sentence says it: from 100 up to the nearest ten, below that to the unit.

    >>> near_money(2501.6), near_money(-664.9), near_money(64.6)
    (2500.0, -660.0, 65)
    """
    return round(amount, -1) if abs(amount) >= 100.0 else round(amount)


def chance_text(chance: float) -> str:
    """A chance of failure as people say it; a common one with a digit more, for 1 in 2.5 is not 1 in 2.

    >>> chance_text(0.025), chance_text(0.4), chance_text(0.7), chance_text(0.0)
    ('1 in 40 builds', '1 in 2.5 builds', '70% of builds', 'never')
    """
    if chance <= 0.0:
        return "never"
    if chance > 0.5:
        return f"{chance:.0%} of builds"
    builds = 1.0 / chance
    return f"1 in {builds:.2g} builds" if builds < 9.5 else f"1 in {builds:,.0f} builds"


def in_tries(chance: float) -> str:
    """A chance as people count it; never all or none where it was drawn.

    >>> in_tries(0.971), in_tries(0.5), in_tries(1.0), in_tries(0.9999), in_tries(0.0)
    ('97 of 100 tries', '50 of 100 tries', 'every try', '99 of 100 tries', 'none of 100 tries')
    """
    if chance >= 1.0:
        return "every try"
    if chance <= 0.0:
        return "none of 100 tries"
    return f"{min(max(round(100.0 * chance), 1), 99)} of 100 tries"


_NUMBERS = r"-?\d[\d.,]*(?: to -?\d[\d.,]*)?"
_US_UNITS = r"(?:in|ft|lbf/in|lbf·ft|lbf|ksi|psi|inHg|°F|mph|miles|gal|qt|oz|lb)"
_METRIC_UNITS = r"(?:mm|m|N/mm|N·m|N|MPa|kPa|°C|km/h|km|L|ml|g|kg)"
_BOTH = tuple(
    re.compile(rf"({_NUMBERS} {first})(?![\w/·]) \(({_NUMBERS} {second})\)")
    for first, second in ((_US_UNITS, _METRIC_UNITS), (_METRIC_UNITS, _US_UNITS))
)


def in_one_system(text: str, system: str) -> str:
    """A text of the library's tables with each figure in the units wanted alone, where it gives both.

    >>> in_one_system("at least 0.080 in (2.0 mm)", "metric"), in_one_system("above 105 °C (220 °F), boiling", "us")
    ('at least 2.0 mm', 'above 220 °F, boiling')
    >>> in_one_system("about 10 degrees (either side)", "us")
    'about 10 degrees (either side)'
    """
    us_first, metric_first = _BOTH
    text = us_first.sub(r"\1" if system == "us" else r"\2", text)
    return metric_first.sub(r"\2" if system == "us" else r"\1", text)
