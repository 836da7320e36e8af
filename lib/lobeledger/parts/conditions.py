"""One grammar of conditions, for every table that says when a line of it holds.

What does a cell say?                  `parse` -> `Conditions`
May they be asked?                     `FACTS`, the list of facts with the words or the unit of each
Do they hold?                          `Conditions.holds`

Conditions are words parted by spaces, and all of them must hold; none at all hold always:

    follower=flat            the fact is that word
    gear=iron|steel          it is one of these words
    open_load>300_lbf        a number is above that, with its unit
    lists=gear, lacks=gear   a price line serves that need, or none does (several: a|b, any of them)

pairing.csv, runin.csv and defaults.csv ask in `when`, factors.csv in `switch`. What a build says is `Build.facts`.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass

from lobeledger import units
from lobeledger.errors import OutOfRange

__all__ = ["FACTS", "Condition", "Conditions", "Fact", "parse"]

# What a fact may be: a word, a number (SI), or the set of needs that price lines serve.
Fact = str | float | frozenset[str]

# fact -> the words it may be, or the unit of its number ("" for a bare one)
FACTS: dict[str, tuple[str, ...] | str] = {
    "follower": ("flat", "roller"),
    "lifter": ("hydraulic", "solid"),
    "core": ("iron", "steel"),
    "fitted": ("yes", "no"),
    "proven": ("yes", "no"),
    "lobe_wear": "m",
    "lifter_state": ("new", "used"),
    "provision": ("none", "link-bar-retrofit", "factory-guides"),
    "retention": ("none", "plate", "button"),
    "gear": ("iron", "steel", "bronze", "polymer"),
    "eccentric": ("yes", "no"),
    "studs": ("unknown", "pressed", "screw-in", "shaft"),
    "fuel": ("carburettor", "injection"),
    "kind_change": ("yes", "no", "unknown"),
    "bind": ("short", "enough"),
    "retainer": ("short", "enough"),
    "oil_band": ("unknown", "partly", "low", "high", "inside"),
    "inner_spring": ("none", "in", "out"),
    "run_in_school": ("varied", "hold", "none"),
    "run_in_lobes": ("run", "none"),
    "run_in_rockers": ("low", "own"),
    "run_in_load": ("usual", "high"),
    "run_in_length": ("whole", "short"),
    "open_load": "N",
    "rocker_ratio": "",
    "pushrod_change": "m",
}
_SERVED = ("lists", "lacks")
_CONDITION = re.compile(r"([a-z_]+)([=>])(\S+)")


@dataclass(frozen=True)
class Condition:
    """One condition: `fact` is one of `words`, or above `above` (SI)."""

    fact: str
    words: tuple[str, ...] = ()
    above: float = 0.0

    def holds(self, facts: Mapping[str, Fact]) -> bool:
        """Whether it does; a fact that is not known makes nothing hold."""
        if self.fact in _SERVED:
            served = facts.get("served")
            if not isinstance(served, frozenset):
                return False
            return any(word in served for word in self.words) == (self.fact == "lists")
        value = facts.get(self.fact)
        return value > self.above if isinstance(value, float) else value in self.words


@dataclass(frozen=True)
class Conditions:
    """Conditions that must all hold; `count` tells how specific they are. text: as written."""

    text: str = ""
    each: tuple[Condition, ...] = ()

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.each)

    @property
    def asked(self) -> frozenset[str]:
        """The facts they ask for."""
        return frozenset(condition.fact for condition in self.each)

    def holds(self, facts: Mapping[str, Fact]) -> bool:
        """Whether all of them hold."""
        return all(condition.holds(facts) for condition in self.each)


@functools.lru_cache(maxsize=1024)
def parse(text: str) -> Conditions:
    """The conditions of a cell; OutOfRange names the first that cannot be understood, and what can be asked.

    >>> parse("follower=flat rocker_ratio>1.55").each
    (Condition(fact='follower', words=('flat',), above=0.0), Condition(fact='rocker_ratio', words=(), above=1.55))
    >>> parse("gear=iron|steel").holds({"gear": "steel"}), parse("").holds({})
    (True, True)
    """
    return Conditions(text, tuple(_condition(word) for word in text.split()))


def _condition(word: str) -> Condition:
    match = _CONDITION.fullmatch(word)
    fact, sign, rest = match.groups() if match else (word, "", "")
    known = FACTS.get(fact)
    if sign == ">" and isinstance(known, str):
        try:
            return Condition(fact, above=units.quantity(rest.replace("_", " "), known) if known else float(rest))
        except (units.UnitTrouble, ValueError) as trouble:
            raise OutOfRange(f"the condition '{word}' has no number with its unit ({trouble})") from None
    words = tuple(rest.split("|"))
    if sign == "=" and (fact in _SERVED or (isinstance(known, tuple) and set(words) <= set(known))):
        return Condition(fact, words=words)
    raise OutOfRange(
        f"the condition '{word}' is not known; write lists=, lacks=, "
        + ", ".join(f"{name}>" if isinstance(may, str) else f"{name}={'|'.join(may)}" for name, may in FACTS.items())
    )
