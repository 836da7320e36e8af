"""Words of what flips the verdict, and of the odds at which a roller pays.

What an input is called                             `input_text`
An input, its value now and the one that flips      `flip_words` -> `FlipWords`
The smallest change that flips the verdict          `flip_text`, `no_flip_text`
The odds of failure at which two cost the same       `break_even_text`
"""

from __future__ import annotations

from typing import Any, NamedTuple

from lobeledger import units
from lobeledger.choice.results import BreakEven, Flip
from lobeledger.page.words.figures import chance_text
from lobeledger.page.words.judged import LIMIT_NAMES
from lobeledger.parts.build import Build
from lobeledger.parts.rules import Remedy
from lobeledger.parts.spec import meaning_at

__all__ = ["FlipWords", "break_even_text", "flip_text", "flip_words", "input_text", "no_flip_text"]


class FlipWords(NamedTuple):
    """An input of a flip in words, its value now and then as the sheet would write it."""

    what: str
    now: str
    then: str


# The last key of a path -> what people call it; any other is called by its own meaning in the sheet.
_LABELS = {
    "shop.labour_rate": "the labor rate",
    "shop.dyno_rate": "the dyno rate",
    "shop.fuel_price": "the price of fuel",
    "use.hours_a_year": "engine hours a year",
    "use.years": "years you'll own it",
    "use.highest_speed": "top rpm",
    "limits.torque_worth": "what 1% more torque is worth",
    "limits.budget": "the budget",
    "limits.shortfall": "what falling short costs",
    "vehicle.booster_vacuum": "the vacuum the brakes want",
    "failure.chance": "the odds of failure",
    "failure.cost": "cost if it fails",
    "fitting_time": "install hours",
    "dyno_time": "dyno time",
    "lash_check_every": "hours between lash checks",
    "spring_change_every": "hours between spring changes",
    "spring_set_price": "the price of a set of springs",
    "lifter_service_every": "hours between lifter services",
}


def input_text(build: Build, path: str) -> str:
    """What the input at a path of the sheet is called, without whose it is."""
    if path.startswith("candidates."):
        _, candidate_id, *rest = path.split(".")
        if rest[0] == "parts" and rest[-1] == "price":
            return f"the price of '{build.candidate(candidate_id).parts[int(rest[1])].item}'"
        return _LABELS.get(".".join(rest), "") or meaning_at(build, path)
    return _LABELS.get(path, "") or _of_the_library(build, path) or meaning_at(build, path)


def flip_words(build: Build, flip: Flip, system: str) -> FlipWords:
    """The input of a flip, its value now and then."""
    path = flip.path
    what = input_text(build, path)
    if path.startswith("candidates."):
        what = f"{what} ({build.candidate(path.split('.')[1]).name})"
    values = (flip.now, flip.then)
    datum = build.data.get(path)
    if path.endswith(".failure.chance"):
        now, then = (chance_text(v) for v in values)
    elif path == "vehicle.booster_vacuum":
        now, then = (units.show(v, "vacuum", system) for v in values)
    elif datum is None or not datum.text or not isinstance(datum.value, (int, float)):
        now, then = (f"{v:.3g}" for v in values)
    else:
        unit = datum.unit.replace(build.currency, "money")
        now, then = (units.rewritten(v, datum.text, unit, build.currency) for v in values)
    return FlipWords(what, now, then)


def _of_the_library(build: Build, path: str) -> str:
    """What a line of the library's own tables is called; empty for a value of the sheet."""
    table, _, rest = path.partition(".")
    name, _, key = rest.partition(".")
    rows: Any = {
        "pairing": build.pairing,
        "remedies": build.remedies,
        "precautions": build.precautions,
        "factors": build.factors,
    }.get(table)
    if rows is None:
        return ""
    row = next((each for each in rows if each.id == name), None)
    if isinstance(row, Remedy):
        return f"the {key} of a fix for {LIMIT_NAMES[row.limit]}"
    if key == "odds":
        return f"how much this raises the odds of failure: {getattr(row, 'text', '')}"
    text = getattr(row, "item", "") or getattr(row, "text", "")
    return f"the {key} of {text}" if text else ""


def flip_text(build: Build, flip: Flip, system: str) -> str:
    """The smallest change that changes the answer, as a sentence."""
    words = flip_words(build, flip, system)
    then = f"{build.candidate(flip.new_winner_id).name} leads" if flip.new_winner_id else "no cam is sure to do"
    way = "up" if flip.change_share > 0 else "down"
    inside = " It may be that today: the change lies inside its own range." if (flip.own_ranges or 9.0) <= 1.0 else ""
    return (
        f"What would change our pick: {words.what} {way} from {words.now} to {words.then} ({flip.change_share:+.0%}); "
        f"then {then}.{inside}"
    )


def no_flip_text(searched: int) -> str:
    """What is said where no change of one input changes the answer."""
    return f"What would change our pick: nothing among the {searched} inputs we moved, each alone."


def break_even_text(build: Build, even: BreakEven) -> str:
    """The odds of a flat-cam failure at which it and a roller cost the same, as a sentence."""
    flat, roller = build.candidate(even.flat_id), build.candidate(even.roller_id)
    what = flat.failure.what
    if even.chance is None:
        cheaper, dearer = (flat, roller) if even.cheaper_id == flat.id else (roller, flat)
        return f"{cheaper.name} costs less to own than {dearer.name} whatever the odds of flat-cam failure ({what})."
    estimate = "with what this build does and leaves out they are now" if even.has_factors else "today's estimate is"
    return (
        f"{roller.name} costs less to own than {flat.name} only if the odds of flat-cam failure ({what}) are worse "
        f"than {chance_text(even.chance)}; {estimate} {chance_text(even.flat_chance)}."
    )
