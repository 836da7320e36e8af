"""What buys more speed before a candidate leaves its lobe, and what each way costs elsewhere.

What would raise the limit by so much?     `remedies_of` -> `PricedRemedy`

Each change is tried alone on the elastic train (`speed_limits.what_buys`). More spring presses harder on the nose:
the stress that follows is computed with the candidate's own contact. Money is told where the sheet knows a price.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from lobeledger.assess.candidate import assess
from lobeledger.assess.lobes import candidate_lobe
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.train.loss import Remedy, what_buys
from lobeledger.train.of_candidate import SEARCH_TO_RPM, train_of

__all__ = ["PricedRemedy", "remedies_of"]


@dataclass(frozen=True)
class PricedRemedy:
    """One change that alone would do, or cannot within its bound (`remedy.to_value` None).

    open_load_n, stress_pa: spring load at full lift and nose stress at cranking with the change; None where it moves
    neither. price_money: what the sheet says the parts cost, None where it does not say.
    """

    remedy: Remedy
    open_load_n: float | None
    stress_pa: float | None
    price_money: float | None


def remedies_of(build: Build, candidate: Candidate, which: str, extra_rpm: float = 500.0) -> tuple[PricedRemedy, ...]:
    """What each change alone must be to hold contact `extra_rpm` further, with its price elsewhere.

    Raises NoSolution for a card no lobe fits, or where contact is not lost at all.
    """
    lobe = candidate_lobe(build, candidate, which).nominal
    train = train_of(candidate, which, build.model, build.engine.exhaust_valve_m)
    found = []
    for remedy in what_buys(train, lobe, extra_rpm, low_rpm=1000.0, high_rpm=SEARCH_TO_RPM):
        open_load = stress = price = None
        if remedy.to_value is not None and remedy.what in ("seat_load", "rate"):
            share = remedy.to_value / remedy.from_value
            figures = assess(build, _with_springs(candidate, remedy.what, share)).figures
            open_load = figures["open_load"].value
            stress = figures["stress_cranking"].value
            price = candidate.spring_set_price_money or None
        found.append(PricedRemedy(remedy, open_load, stress, price))
    return tuple(found)


def _with_springs(candidate: Candidate, what: str, share: float) -> Candidate:
    """The candidate with the seat loads or the rates of all its springs multiplied."""
    springs = candidate.springs
    changed = springs.scaled(load=share) if what == "seat_load" else springs.scaled(rate=share)
    return dataclasses.replace(candidate, springs=changed)
