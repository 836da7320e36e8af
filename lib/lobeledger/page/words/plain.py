"""Which words a text may not have: the retired ones anywhere, the hard ones on the first screen.

One name for one thing               `RETIRED`, `retired_in`
Never on the first screen            `NEVER_FIRST`, `hard_in`
What the first screen says           `first_screen`
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from lobeledger.page.words.board import board_of
from lobeledger.page.words.comparison import Comparison

__all__ = ["NEVER_FIRST", "RETIRED", "first_screen", "hard_in", "retired_in"]

# A word that is not said any more (a pattern) -> the one name of that thing.
RETIRED: Mapping[str, str] = {
    "run-in": "break-in",
    "(?:is|was|were|be) run in": "broken in",
    "(?:a|the|expected|one|dear|each|of) loss(?:es)?(?! of (?:head|pressure))": "failure",
    "lost in|(?:a|the) lost lobe|is lost once": "failure",
    "first cost": "up-front cost",
    "costs? of owning": "total cost",
    "highest speed": "top rpm",
    "rigid limit": "float rpm if nothing flexed",
    "carburettors?": "carburetor",
    "tyres?": "tire",
    "aluminium": "aluminum",
    "centrelines?": "centerline",
    "centres?": "center",
    "labour": "labor",
    "colours?": "color",
    "grey": "gray",
    "neighbours?": "neighbor",
    "(?:milli)?metres?": "millimeter",
    "catalogue": "catalog",
    "vapours?": "vapor",
    "towards": "toward",
    "run-out": "runout",
    "give or take": "plus or minus",
    "comes? nearest": "comes closest",
    "would take": "to fix it",
    "burned gas left": "exhaust left in the cylinder",
    "reckon(?:s|ed)?": "assumes",
    "mend(?:s|ed)?": "fix",
    "opinions?": "estimate",
    "deposits?": "core charge",
    "uncertain values": "inputs varied",
}

# What the first screen does not say; each stands for what follows one click or scroll below.
NEVER_FIRST = (
    "jerk",
    "linear program",
    "poisson",
    "modulus",
    "damping ratio",
    "polytropic",
    "torque trust",
    "mach",
    "residual",
    "nominal",
    "draws?",
    "drawn",
    "opinions?",
    "odds multiplier",
    "harmonics?",
    "rigid limit",
    "share of the best lobe",
    "best lobe",
    "asinh",
    "posterior",
    "[a-z]+_[a-z_]+",
)

_RETIRED = {re.compile(rf"(?<![\w-])(?:{old})(?![\w-])", re.IGNORECASE): new for old, new in RETIRED.items()}
_HARD = [re.compile(rf"(?<![\w-])(?:{word})(?![\w-])", re.IGNORECASE) for word in NEVER_FIRST]


def retired_in(text: str) -> list[tuple[str, str]]:
    """Each retired word of a text, with the name that took its place.

    >>> retired_in("The cost of owning counts the run-in.")
    [('run-in', 'break-in'), ('cost of owning', 'total cost')]
    >>> retired_in("The total cost counts the break-in.")
    []
    """
    return [(match.group(0), new) for pattern, new in _RETIRED.items() for match in pattern.finditer(text)]


def hard_in(text: str) -> list[str]:
    """Each word of a text that the first screen must not say.

    >>> hard_in("The nominal lobe's jerk is in run_in_time."), hard_in("It meets every limit in every try.")
    (['jerk', 'nominal', 'run_in_time'], [])
    """
    return [match.group(0) for pattern in _HARD for match in pattern.finditer(text)]


def first_screen(comparison: Comparison) -> Iterator[str]:
    """Every text of the first screen of the choose page: the answer, then the board, its sentences included."""
    yield comparison.answer
    board = board_of(comparison)
    yield board.cost_head
    for row in board.rows:
        yield from (row.name, row.mark, row.tries, row.stop, row.cost, row.span)
        for cell in row.cells:
            yield from (cell.head, cell.standing, cell.room, cell.sentence)
