"""What can be done against a loss, and what it costs to leave good practice out.

Which precaution pays?                    `precautions_by_worth` -> `Worth`, `with_precaution`
What does good practice left out cost?    `left_out_by_loss` -> `LeftOut`

The opinion of a chance is of builds done with good practice. So its doing has neither a price nor a gain of its own,
what is left out of it multiplies the odds, and what goes beyond it is weighed by what it saves.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lobeledger.assess.figures import Figure
from lobeledger.choice import cost
from lobeledger.choice.results import CandidateResult
from lobeledger.doubt import draws
from lobeledger.doubt.draws import Lookup
from lobeledger.doubt.limits import spread_of
from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build, risk_data
from lobeledger.parts.pairing import unpriced_lines
from lobeledger.parts.rules import RiskFactor
from lobeledger.parts.spec import replaced

__all__ = ["LeftOut", "Worth", "left_out_by_loss", "precautions_by_worth", "with_precaution"]


@dataclass(frozen=True)
class Worth:
    """What a precaution does: loss saved on average less its own cost, everything on it included; money."""

    id: str
    text: str
    origin: str
    worth: Figure
    loss_saved: float
    price: float
    chance_before: float
    chance_after: float

    @property
    def pays(self) -> bool:
        """Whether it saves more than it costs, at the values as given."""
        return self.worth.value > 0.0


@dataclass(frozen=True)
class LeftOut:
    """What good practice left out would do: the chance with it left out, and the loss it adds on average; money."""

    factor: RiskFactor
    chance_after: float
    loss_added: Figure


def with_precaution(build: Build, candidate_id: str, precaution_id: str) -> Build:
    """A build whose candidate takes one more precaution; OutOfRange when there is none of that id for it.

    For trying: the sheet's own text is not changed. To keep it, write it in the sheet.
    """
    candidate = build.candidate(candidate_id)
    known = [p.id for p in build.precautions_for(candidate)]
    if precaution_id not in known:
        raise OutOfRange(
            f"there is no precaution '{precaution_id}' for {candidate.name}; there are {', '.join(known) or 'none'}"
        )
    taken = candidate.failure.precaution_ids
    if precaution_id in taken:
        return build
    path = f"candidates.{candidate.id}.failure.precautions"
    return _with_words(build, path, (*taken, precaution_id))


def _with_words(build: Build, path: str, words: Sequence[str]) -> Build:
    """A build with another list of factors or precautions, and what they assume."""
    changed = replaced(build, path, " ".join(words))
    return dataclasses.replace(changed, data={**build.data, **risk_data(changed)})


def precautions_by_worth(build: Build, result: CandidateResult) -> list[Worth]:
    """Each precaution not yet taken, best first: cost of owning without it less cost of owning with it.

    Good practice stands here only where it would take off a factor at work: else the opinion counts on it already.
    Its price bears freight, tax and the allowance for surprises like any other. Each is judged alone: two that
    act on the same trouble do not add up. Left out is what cannot be priced in the sheet's currency. The range is 5 to
    95 % of the difference over shared draws.
    """
    c, fuel = result.candidate, result.assessment.fuel
    plain, drawn = draws.nominal(build), draws.draws(build)
    lines, line_draws = (cost.cost_lines(build, c, fuel, value) for value in (plain, drawn))
    path = draws.chance_path(c)
    found = []
    on = {f.id for f in build.factors_on(c)}
    for each in build.precautions_for(c):
        if each.id in c.failure.precaution_ids or (each.practice == "good" and not on & set(each.removes)):
            continue
        after = with_precaution(build, c.id, each.id)
        other = after.candidate(c.id)
        if len(unpriced_lines(after, other)) > len(unpriced_lines(build, c)):
            continue  # what it takes has no price in the sheet's currency, so its worth is not known
        new_lines = cost.cost_lines(after, other, fuel, draws.nominal(after))
        worth = cost.cost_of_owning(lines) - cost.cost_of_owning(new_lines)
        saved = cost.expected_loss(lines) - cost.expected_loss(new_lines)
        trials = cost.cost_of_owning(line_draws) - cost.cost_of_owning(
            cost.cost_lines(after, other, fuel, draws.draws(after))
        )
        found.append(
            Worth(
                id=each.id,
                text=each.text,
                origin=each.origin,
                worth=spread_of(float(worth), trials),
                loss_saved=float(saved),
                price=float(saved - worth),
                chance_before=float(plain(path)),
                chance_after=float(draws.nominal(after)(path)),
            )
        )
    return sorted(found, key=lambda w: -w.worth.value)


def left_out_by_loss(build: Build, result: CandidateResult) -> list[LeftOut]:
    """What each piece of good practice would cost if it were left out, dearest first: the loss it adds on average.

    What its doing takes is in the labour to fit and in the run-in, and is not set against it: an average spreads a
    rare loss over many builds, and one owner pays it whole. The range is 5 to 95 % over shared draws.
    """
    c, fuel = result.candidate, result.assessment.fuel
    stem, on = f"candidates.{c.id}.failure", {f.id for f in build.factors_on(c)}

    def loss(of: Build, value: Lookup) -> Any:
        return cost.expected_loss(cost.cost_lines(of, of.candidate(c.id), fuel, value))

    now, now_draws = loss(build, draws.nominal(build)), loss(build, draws.draws(build))
    found = []
    for each in build.factors:
        if each.follower != c.follower or each.kind != "left out" or each.id in on:
            continue
        kept = [name for name in c.failure.off_ids if name != each.id]
        after = _with_words(build, f"{stem}.factors_off", kept)
        after = _with_words(after, f"{stem}.factors", (*c.failure.factor_ids, each.id))
        plain = draws.nominal(after)
        added = spread_of(float(loss(after, plain) - now), loss(after, draws.draws(after)) - now_draws)
        found.append(LeftOut(each, float(plain(draws.chance_path(c))), added))
    return sorted(found, key=lambda one: -one.loss_added.value)
