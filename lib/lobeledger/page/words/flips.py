"""Words of what flips the verdict, and of the chance at which a roller pays.

An input, its value now and the one that flips      `flip_words` -> `FlipWords`
The smallest change that flips the verdict          `flip_text`
The chance of loss at which two cost the same       `break_even_text`
"""

from __future__ import annotations

from typing import NamedTuple

from lobeledger import units
from lobeledger.choice.results import BreakEven, Flip
from lobeledger.page.words.figures import chance_text
from lobeledger.parts.build import Build

__all__ = ["LABELS", "FlipWords", "break_even_text", "flip_text", "flip_words"]


class FlipWords(NamedTuple):
    """An input of a flip in words, its value now and then as the sheet would write it."""

    what: str
    now: str
    then: str


LABELS = {
    "shop.labour_rate": "the labour rate",
    "shop.dyno_rate": "the dyno rate",
    "shop.fuel_price": "the price of fuel",
    "shop.run_in_oil": "the price of oil, filter and first service",
    "shop.freight": "the freight on goods",
    "shop.tax": "the tax on goods",
    "shop.contingency": "the allowance for surprises",
    "use.hours_a_year": "running hours a year",
    "use.years": "the years counted",
    "use.highest_speed": "the highest speed",
    "limits.torque_worth": "what 1 % more torque is worth",
    "limits.budget": "the budget",
    "vehicle.booster_vacuum": "the vacuum the booster needs",
    "failure.chance": "the chance of a loss",
    "failure.cost": "the cost of a loss",
    "fitting_time": "the time to fit it",
    "dyno_time": "its dyno time",
    "lash_check_every": "hours between lash checks",
    "spring_change_every": "hours between spring changes",
    "spring_set_price": "the price of a set of springs",
    "lifter_service_every": "hours between lifter services",
    "lash_check_labour": "the labour of a lash check",
    "spring_labour": "the labour of a spring change",
    "lifter_service_price": "the price of a lifter service",
    "lifter_labour": "the labour of a lifter service",
    "run_in_rocker_labour": "the labour of changing rockers for the run-in",
}


def flip_words(build: Build, flip: Flip, system: str) -> FlipWords:
    """The input of a flip, its value now and then."""
    path = flip.path
    what = LABELS.get(path, "")
    if path.startswith("candidates."):
        _, candidate_id, *rest = path.split(".")
        candidate = build.candidate(candidate_id)
        if rest[0] == "parts":
            what = f"the price of '{candidate.parts[int(rest[1])].item}'"
        else:
            what = LABELS[".".join(rest)]
        what = f"{what} ({candidate.name})"
    values = (flip.now, flip.then)
    if path.endswith(".failure.chance"):
        now, then = (chance_text(v) for v in values)
    elif path == "vehicle.booster_vacuum":
        now, then = (units.show(v, "vacuum", system) for v in values)
    else:
        datum = build.data[path]
        unit = datum.unit.replace(build.currency, "money")
        now, then = (units.rewritten(v, datum.text, unit, build.currency) for v in values)
    return FlipWords(what, now, then)


def flip_text(build: Build, flip: Flip, system: str) -> str:
    """The smallest change that flips the verdict, as a sentence."""
    words = flip_words(build, flip, system)
    then = f"{build.candidate(flip.new_winner_id).name} leads" if flip.new_winner_id else "nothing passes"
    way = "up" if flip.change_share > 0 else "down"
    return (
        f"The smallest single change that flips this: {words.what} {way} from {words.now} to {words.then} "
        f"({flip.change_share:+.0%}); then {then}."
    )


def break_even_text(build: Build, even: BreakEven) -> str:
    """The chance of losing a flat at which it and a roller cost the same, as a sentence."""
    flat, roller = build.candidate(even.flat_id), build.candidate(even.roller_id)
    what = flat.failure.what
    if even.chance is None:
        cheaper, dearer = (flat, roller) if even.cheaper_id == flat.id else (roller, flat)
        return f"{cheaper.name} is cheaper to own than {dearer.name} however likely a loss of the flat one ({what}) is."
    opinion = "with its factors and precautions it is now" if even.has_factors else "the opinion now is"
    return (
        f"{roller.name} is cheaper to own than {flat.name} only if a loss of the flat one ({what}) is likelier "
        f"than {chance_text(even.chance)}; {opinion} {chance_text(even.flat_chance)}."
    )
