"""The frozen result of a comparison: facts, in SI and money.

What came out?                         `Decision`, `CandidateResult`
When does risk turn the choice?        `BreakEven`
What flips the verdict?                `Flip`
What would pay to be measured?         `MeasureNext`
Why this one?                          `Reason`: `Lead`, `CostGaps`, `Out`, `Doubt`, `Shortfall`,
                                       `SafeSpeeds`, `BreakEven`, `Flip`
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from lobeledger.arrays import Array
from lobeledger.assess.candidate import Assessment
from lobeledger.assess.figures import Figure
from lobeledger.assess.limits import Broken
from lobeledger.choice.cost import CostLine
from lobeledger.doubt.limits import JudgedLimit
from lobeledger.doubt.standing import HOLDS, OUT, mended_draws, standing_of
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
    "MeasureNext",
    "Out",
    "Reason",
    "STOPS",
    "SafeSpeeds",
    "Shortfall",
    "is_assumption",
    "nearest_of",
]


@dataclass(frozen=True)
class CandidateResult:
    """One candidate: its physics, what it costs, and how surely it meets each limit.

    broken: limits that the figures as given break. limits: those with a measure, each with its chance. net_draws: cost
    of owning less what the torque is worth; cost_draws: the same with what falling short costs; joint_draws: per draw,
    the chance that every limit is met. binding_limit: what holds the best possible lobe back over most of its flank, a
    key of `task.LIMIT_WORDS`; empty where that was not looked for.
    """

    assessment: Assessment
    figures: Mapping[str, Figure]
    lines: tuple[CostLine, ...]
    line_ranges: tuple[Figure, ...]
    broken: tuple[Broken, ...]
    limits: tuple[JudgedLimit, ...]
    gain_draws: Array = field(repr=False)
    net_draws: Array = field(repr=False)
    cost_draws: Array = field(repr=False)
    joint_draws: Array = field(repr=False)
    binding_limit: str = ""

    @property
    def candidate(self) -> Candidate:
        """The candidate itself."""
        return self.assessment.candidate

    @property
    def passes(self) -> bool:
        """Whether the figures as given break no limit."""
        return not self.broken

    @property
    def stops(self) -> tuple[Broken, ...]:
        """What stops it whatever the draws: a card no lobe fits, parts that do not go together, a missing price."""
        return tuple(b for b in self.broken if b.limit in STOPS)

    @property
    def chance_all(self) -> float:
        """How surely it meets every limit."""
        return 0.0 if self.stops else float(self.joint_draws.mean())

    @property
    def standing(self) -> str:
        """`holds`, `in doubt` or `out`."""
        return standing_of(self.chance_all)

    @property
    def mended_chance(self) -> float:
        """How surely it meets what no remedy with a price mends."""
        if self.stops:
            return 0.0
        return float(mended_draws([each.draws for each in self.limits], self.net_draws.size).mean())

    @property
    def unsure(self) -> tuple[JudgedLimit, ...]:
        """The limits that it is not sure of, and that no remedy with a price makes sure."""
        return tuple(
            each for each in self.limits if each.standing != "holds" and float(each.draws.mended.mean()) < HOLDS
        )

    def limit(self, key: str) -> JudgedLimit | None:
        """One of its limits; None where it has none of that kind."""
        return next((each for each in self.limits if each.limit == key), None)


# Limits that are met or not, whatever the draws.
STOPS = ("card", "pairing", "unpriced")


# Chances nearer to one another than this are not told apart: the error of a share of 64 trials.
SAME_CHANCE = 0.05


def nearest_of(results: Sequence[CandidateResult]) -> CandidateResult:
    """The result that comes nearest to holding: of those as sure as the surest, within what trials tell, the cheapest.

    Where none can be built, the one that is stopped by least.
    """
    able = [r for r in results if not r.stops]
    if not able:
        return min(results, key=lambda r: (len(r.stops), len(r.broken), sum(b.short_share for b in r.broken)))
    surest = max(r.mended_chance for r in able)
    near = [r for r in able if r.mended_chance >= surest - SAME_CHANCE]
    return min(near, key=lambda r: r.figures["expected"].value)


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
    """The change of one input that changes the winner: `now` to `then` (SI or money).

    change_share: relative. own_ranges: the change in units of the input's own range to that side, 1 or less where it
    may be true today; None where it has no range.
    """

    path: str
    now: float
    then: float
    change_share: float
    new_winner_id: str | None
    own_ranges: float | None = None


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
    """A limit of the leader that is not sure to be met."""

    candidate_id: str
    limit: str


@dataclass(frozen=True)
class Shortfall:
    """What falling short must cost the owner before the dearer, surer candidate is the better buy (money)."""

    cheaper_id: str
    dearer_id: str
    money: float


@dataclass(frozen=True)
class SafeSpeeds:
    """Up to which speed nine of ten tries hold, by candidate, the fastest first (rpm; NaN: less than was looked at)."""

    speeds_rpm: tuple[tuple[str, float], ...]


Reason = Lead | CostGaps | Out | Doubt | Shortfall | SafeSpeeds | BreakEven | Flip


@dataclass(frozen=True)
class MeasureNext:
    """Something that can be measured or asked, and what knowing it is worth.

    what: its key. candidate_id: whose, empty where it is of all. minutes: of a mechanic's time. worth_money: what the
    choice gains by it on average, before the minutes are paid. could_change: whether it could change who leads. at_m:
    of a duration, the lobe lift at which it is asked for.
    """

    what: str
    candidate_id: str
    minutes: float
    worth_money: float
    minutes_money: float
    could_change: bool
    at_m: float | None = None


@dataclass(frozen=True)
class Decision:
    """What a comparison found, as facts: no unit system, no sentence.

    results: one a candidate, in the sheet's order. winner_id: None where nothing holds. order: the candidates in the
    running, the least mean cost first, what falling short costs in it. tied_ids: all that cannot be told from the
    winner, the winner first; one entry when the lead is clear. ahead_share: share of draws in which the winner beats
    the best of the others in the running. regret_money: what knowing everything beforehand would save on average.
    shortfalls: sums at which a surer candidate becomes the better buy, where what falling short costs was not given.
    flips: smallest change first, of flips_searched inputs moved. reasons: in the order in which they are told. trials:
    valvetrains run a candidate at most, 0 where the speed was judged by the one that is given. measured_at_shortfall:
    what falling short was taken to cost for `measure_next` where the sheet does not say (the break-even sum); None
    where it says, or nothing is at stake.
    """

    build: Build
    results: tuple[CandidateResult, ...]
    winner_id: str | None
    order: tuple[str, ...]
    tied_ids: tuple[str, ...]
    ahead_share: float
    regret_money: float
    shortfalls: tuple[Shortfall, ...]
    break_evens: tuple[BreakEven, ...]
    flips: tuple[Flip, ...]
    reasons: tuple[Reason, ...]
    measure_next: tuple[MeasureNext, ...] = ()
    flips_searched: int = 0
    trials: int = 0
    measured_at_shortfall: float | None = None

    @property
    def rivals(self) -> tuple[CandidateResult, ...]:
        """All but the leader that are not out, the least mean cost first, whether they may lead or are in doubt."""
        others = [r for r in self.results if not r.stops and r.mended_chance > OUT and r.candidate.id != self.winner_id]
        return tuple(sorted(others, key=lambda r: r.figures["expected"].value))

    @property
    def running(self) -> tuple[CandidateResult, ...]:
        """The results that are in the running, the leader first."""
        return tuple(self.result(each) for each in self.order)

    @property
    def nearest_id(self) -> str:
        """The candidate that comes nearest to holding: whom to talk about when none does."""
        return nearest_of(self.results).candidate.id

    def result(self, candidate_id: str) -> CandidateResult:
        """The result of one candidate; OutOfRange names the nearest id if there is none."""
        wanted = self.build.candidate(candidate_id)
        return next(r for r in self.results if r.candidate.id == wanted.id)


def is_assumption(datum: Datum) -> bool:
    """Whether a value was neither given nor follows from what was: assumed, common practice or handbook."""
    return datum.origin in ("assumed", "common practice", "handbook")
