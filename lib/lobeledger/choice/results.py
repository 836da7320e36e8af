"""The frozen result of a comparison: facts, in SI and money.

What came out?                         `Decision`, `CandidateResult`
When does risk turn the choice?        `BreakEven`
What flips the verdict?                `Flip`
Why this one?                          `Reason`: `Lead`, `CostGaps`, `Out`, `Doubt`, a `BreakEven`, a `Flip`
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from lobeledger.arrays import Array
from lobeledger.assess.candidate import Assessment
from lobeledger.assess.figures import Figure
from lobeledger.assess.limits import Broken, Caution
from lobeledger.choice.cost import CostLine
from lobeledger.parts.build import Build, Datum
from lobeledger.parts.candidate import Candidate

__all__ = [
    "BreakEven",
    "CandidateResult",
    "CostGaps",
    "Decision",
    "Doubt",
    "Flip",
    "Lead",
    "Out",
    "Reason",
    "is_assumption",
    "nearest_of",
]


@dataclass(frozen=True)
class CandidateResult:
    """One candidate: its physics, what it costs, and whether it passes.

    binding_limit: what holds the best possible lobe back over most of its flank, a key of `task.LIMIT_WORDS`; empty
    where that was not looked for.
    """

    assessment: Assessment
    figures: Mapping[str, Figure]
    lines: tuple[CostLine, ...]
    line_ranges: tuple[Figure, ...]
    broken: tuple[Broken, ...]
    net_draws: Array = field(repr=False)
    binding_limit: str = ""

    @property
    def candidate(self) -> Candidate:
        """The candidate itself."""
        return self.assessment.candidate

    @property
    def passes(self) -> bool:
        """Whether no hard limit is broken."""
        return not self.broken


def nearest_of(results: Sequence[CandidateResult]) -> CandidateResult:
    """The result that breaks fewest limits, by least."""
    return min(results, key=lambda r: (len(r.broken), sum(b.short_share for b in r.broken)))


@dataclass(frozen=True)
class BreakEven:
    """For a flat and a roller: chance of losing the flat at which both cost the same, the roller's held fixed.

    chance is None when there is none between 0 and 1; `cheaper_id` is then the cheaper one whatever happens,
    and with a chance it is the cheaper one at the flat's own chance of loss. has_factors: whether factors or
    precautions have moved that chance from the opinion.
    """

    flat_id: str
    roller_id: str
    chance: float | None
    flat_chance: float
    cheaper_id: str
    has_factors: bool


@dataclass(frozen=True)
class Flip:
    """The change of one input that changes the winner: `now` to `then` (SI or money); `change_share` is relative."""

    path: str
    now: float
    then: float
    change_share: float
    new_winner_id: str | None


@dataclass(frozen=True)
class Lead:
    """What sets the winner apart from the next: what the next costs more to own (less, below zero), and the gain in
    torque over it with what that is worth at the owner's price; money and shares."""

    winner_id: str
    second_id: str
    dearer_money: float
    gain_share: float
    worth_money: float


@dataclass(frozen=True)
class CostGaps:
    """Where the next differs most in cost from the winner: groups of cost, and by how much more."""

    second_id: str
    gaps: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Out:
    """A candidate that is out; its broken limits stand in its result."""

    candidate_id: str


@dataclass(frozen=True)
class Doubt:
    """A limit that the winner passes by its nominal figure only."""

    candidate_id: str
    caution: Caution


Reason = Lead | CostGaps | Out | Doubt | BreakEven | Flip


@dataclass(frozen=True)
class Decision:
    """What a comparison found, as facts: no unit system, no sentence.

    results: one a candidate, in the sheet's order. winner_id: None when nothing passes. tied_ids: all that
    cannot be told from the winner, the winner first; one entry when the lead is clear. ahead_share: share of
    draws in which the winner beats the best of the others that pass. flips: smallest change first. reasons: in the
    order in which they are told.
    """

    build: Build
    results: tuple[CandidateResult, ...]
    winner_id: str | None
    tied_ids: tuple[str, ...]
    ahead_share: float
    break_evens: tuple[BreakEven, ...]
    flips: tuple[Flip, ...]
    reasons: tuple[Reason, ...]

    @property
    def passing(self) -> tuple[CandidateResult, ...]:
        """The results that pass every limit, the winner first."""
        return tuple(sorted((r for r in self.results if r.passes), key=lambda r: r.figures["net"].value))

    @property
    def nearest_id(self) -> str:
        """The candidate that breaks fewest limits, by least: whom to talk about when none passes."""
        return nearest_of(self.results).candidate.id

    def result(self, candidate_id: str) -> CandidateResult:
        """The result of one candidate; OutOfRange names the nearest id if there is none."""
        wanted = self.build.candidate(candidate_id)
        return next(r for r in self.results if r.candidate.id == wanted.id)


def is_assumption(datum: Datum) -> bool:
    """Whether a value was neither given nor follows from what was: assumed, common practice or handbook."""
    return datum.origin in ("assumed", "common practice", "handbook")
