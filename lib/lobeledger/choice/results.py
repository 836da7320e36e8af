"""The frozen result of a comparison, and its table.

What came out?                         `Comparison`, `CandidateResult`
When does risk turn the choice?        `BreakEven`
What flips the verdict?                `Flip`
How is a chance or a sum written?      `money_text`, `chance_text`
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from lobeledger.arrays import Array
from lobeledger.assess.candidate import Assessment
from lobeledger.assess.figures import COLUMNS, NOT_FOR_THIS, Figure
from lobeledger.assess.limits import Broken
from lobeledger.choice.cost import CostLine
from lobeledger.parts.build import Build, Datum
from lobeledger.parts.candidate import Candidate

__all__ = [
    "BreakEven",
    "CandidateResult",
    "Comparison",
    "Flip",
    "chance_text",
    "is_assumption",
    "money_text",
    "nearest_of",
]


def money_text(build: Build) -> Callable[[float], str]:
    """A writer of sums in the build's currency, to the unit."""
    return lambda amount: f"{amount:,.0f} {build.currency}"


def chance_text(chance: float) -> str:
    """A chance of loss as people say it; a common one with a digit more, for 1 in 2.5 is not 1 in 2.

    >>> chance_text(0.025), chance_text(0.4), chance_text(0.7), chance_text(0.0)
    ('1 in 40 builds', '1 in 2.5 builds', '70% of builds', 'never')
    """
    if chance <= 0.0:
        return "never"
    if chance > 0.5:
        return f"{chance:.0%} of builds"
    builds = 1.0 / chance
    return f"1 in {builds:.2g} builds" if builds < 9.5 else f"1 in {builds:,.0f} builds"


@dataclass(frozen=True)
class CandidateResult:
    """One candidate: its physics, what it costs, and whether it passes.

    binding_limit: what holds the best possible lobe back over most of its flank, in words.
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
    and with a chance it is the cheaper one at the flat's own chance of loss.
    """

    flat_id: str
    roller_id: str
    chance: float | None
    flat_chance: float
    cheaper_id: str
    text: str


@dataclass(frozen=True)
class Flip:
    """The change of one input that changes the winner. `change_share` is relative to the value now."""

    path: str
    what: str
    now: str
    then: str
    change_share: float
    new_winner_id: str | None
    value: float


@dataclass(frozen=True)
class Comparison:
    """The frozen result of `compare`.

    results: one a candidate, in the sheet's order. winner_id: None when nothing passes. tied_ids: all that
    cannot be told from the winner, the winner first; one entry when the lead is clear. ahead_share: share of
    draws in which the winner beats the best of the others that pass.
    """

    build: Build
    system: str
    results: tuple[CandidateResult, ...]
    winner_id: str | None
    tied_ids: tuple[str, ...]
    ahead_share: float
    answer: str
    reasons: tuple[str, ...]
    break_evens: tuple[BreakEven, ...]
    flips: tuple[Flip, ...]

    @property
    def verdict(self) -> str:
        """Plain sentences: the answer or a tie, its margin, the reasons, the smallest change that flips it."""
        return "\n".join([self.answer, *self.reasons])

    @property
    def nearest_id(self) -> str:
        """The candidate that breaks fewest limits, by least: whom to talk about when none passes."""
        return nearest_of(self.results).candidate.id

    @property
    def table(self) -> pd.DataFrame:
        """One row a candidate; the columns are those of `figures.COLUMNS`, low and high beside each figure."""
        rows = []
        for result in self.results:
            c = result.candidate
            row: dict[str, Any] = {
                "candidate": c.id,
                "name": c.name,
                "follower": c.follower,
                "lifter": c.lifter,
                "passes": result.passes,
                "is_winner": c.id == self.winner_id,
                "currency": self.build.currency,
            }
            for column in COLUMNS:
                figure = result.figures.get(column.key, NOT_FOR_THIS)
                for suffix, value in zip(("", "_low", "_high"), figure, strict=True):
                    row[column.name + suffix] = value * column.scale
            row["binding_limit"] = result.binding_limit
            row["limits_broken"] = "; ".join(b.text for b in result.broken)
            row["cautions"] = " ".join(result.assessment.cautions)
            rows.append(row)
        return pd.DataFrame(rows)

    @property
    def assumptions(self) -> pd.DataFrame:
        """Every value not given: path, value as written, low, high, unit, origin, and whether the sheet says so."""
        rows = [
            {
                "path": datum.path,
                "written": datum.text,
                "value": datum.value,
                "low": datum.low,
                "high": datum.high,
                "unit": datum.unit,
                "origin": datum.origin,
                "from": "build sheet" if datum.written else "defaults",
                "note": datum.note,
            }
            for datum in self.build.data.values()
            if not datum.written or is_assumption(datum)
        ]
        names = ["path", "written", "value", "low", "high", "unit", "origin", "from", "note"]
        return pd.DataFrame(rows, columns=names)

    def result(self, candidate_id: str) -> CandidateResult:
        """The result of one candidate; OutOfRange names the nearest id if there is none."""
        wanted = self.build.candidate(candidate_id)
        return next(r for r in self.results if r.candidate.id == wanted.id)

    def to_json(self) -> str:
        """The whole result as JSON, figures by the table's column names; what does not exist is null."""

        def plain(frame: pd.DataFrame) -> list[dict[str, Any]]:
            return [
                {str(key): None if isinstance(v, float) and not math.isfinite(v) else v for key, v in row.items()}
                for row in frame.astype(object).where(frame.notna(), None).to_dict("records")
            ]

        return json.dumps(
            {
                "schema": 1,
                "build": self.build.name,
                "currency": self.build.currency,
                "winner": self.winner_id,
                "tied": list(self.tied_ids),
                "ahead_share": None if math.isnan(self.ahead_share) else self.ahead_share,
                "verdict": self.verdict,
                "table": plain(self.table),
                "break_even": [
                    {
                        "flat": b.flat_id,
                        "roller": b.roller_id,
                        "chance": b.chance,
                        "cheaper": b.cheaper_id,
                        "text": b.text,
                    }
                    for b in self.break_evens
                ],
                "flips": [
                    {
                        "path": f.path,
                        "now": f.now,
                        "then": f.then,
                        "change_share": f.change_share,
                        "winner": f.new_winner_id,
                    }
                    for f in self.flips
                ],
                "assumptions": plain(self.assumptions),
            },
            indent=1,
            ensure_ascii=False,
            default=_plain_number,
        )


def _plain_number(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(type(value).__name__)


def is_assumption(datum: Datum) -> bool:
    """Whether a value was neither given nor follows from what was: assumed, common practice or handbook."""
    return datum.origin in ("assumed", "common practice", "handbook")
