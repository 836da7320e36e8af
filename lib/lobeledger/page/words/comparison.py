"""A comparison as a person reads it: a decision with the units in which it is told.

Compare the candidates of a build      `compare` -> `Comparison`
The same in other units                `Comparison.in_units`
What was read, of the compared         `compared_data`
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from lobeledger.assess.figures import COLUMNS, NOT_FOR_THIS
from lobeledger.best.task import LIMIT_WORDS
from lobeledger.choice.decision import decide
from lobeledger.choice.results import BreakEven, CandidateResult, Decision, Flip, is_assumption
from lobeledger.doubt.speed import MOST_TRIALS
from lobeledger.errors import OutOfRange
from lobeledger.page.words.answer import answer_text, reason_texts
from lobeledger.page.words.flips import FlipWords, break_even_text, flip_text, flip_words, no_flip_text
from lobeledger.page.words.judged import measure_text, measured_text
from lobeledger.page.words.limits import ToldLimit, told_cautions, told_limits
from lobeledger.parts.build import Build, Datum
from lobeledger.units import SYSTEMS

__all__ = ["LIMITS", "Comparison", "compare", "compared_data"]


@dataclass(frozen=True)
class Comparison:
    """The frozen result of `compare`: what was found, and the units of its sentences.

    decision: the facts. system: "us" or "metric"; the table's units stand in its column names. Raises OutOfRange for
    another system.
    """

    decision: Decision
    system: str = "us"

    def __post_init__(self) -> None:
        _check(self.system)

    def in_units(self, system: str) -> Comparison:
        """The same decision told in other units; nothing is computed anew."""
        return dataclasses.replace(self, system=system)

    # -- facts ---------------------------------------------------------------------------------------------

    @property
    def build(self) -> Build:
        """The build that was compared."""
        return self.decision.build

    @property
    def results(self) -> tuple[CandidateResult, ...]:
        """One result a candidate, in the sheet's order."""
        return self.decision.results

    @property
    def winner_id(self) -> str | None:
        """The candidate that leads; None when nothing passes."""
        return self.decision.winner_id

    @property
    def tied_ids(self) -> tuple[str, ...]:
        """All that cannot be told from the winner, the winner first; one entry when the lead is clear."""
        return self.decision.tied_ids

    @property
    def ahead_share(self) -> float:
        """Share of draws in which the winner beats the best of the others that pass."""
        return self.decision.ahead_share

    @property
    def break_evens(self) -> tuple[BreakEven, ...]:
        """For each flat and roller, the chance of a loss at which both cost the same."""
        return self.decision.break_evens

    @property
    def flips(self) -> tuple[Flip, ...]:
        """Changes of one input that change the winner, smallest first."""
        return self.decision.flips

    @property
    def nearest_id(self) -> str:
        """The candidate that comes nearest to holding: whom to talk about when none does."""
        return self.decision.nearest_id

    def result(self, candidate_id: str) -> CandidateResult:
        """The result of one candidate; OutOfRange names the nearest id if there is none."""
        return self.decision.result(candidate_id)

    # -- words ---------------------------------------------------------------------------------------------

    @property
    def answer(self) -> str:
        """The choice, a tie, or what the nearest would need."""
        return answer_text(self.decision, self.system)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why, and the smallest change that flips it."""
        return reason_texts(self.decision, self.system)

    @property
    def verdict(self) -> str:
        """Plain sentences: the answer or a tie, its margin, the reasons, the smallest change that flips it."""
        return "\n".join([self.answer, *self.reasons])

    def broken(self, candidate_id: str) -> tuple[ToldLimit, ...]:
        """The limits that a candidate breaks, and what would mend each."""
        result = self.result(candidate_id)
        return told_limits(self.build, result.candidate, result.broken, self.system)

    def cautions(self, candidate_id: str) -> tuple[str, ...]:
        """What to watch with a candidate."""
        return told_cautions(self.build, self.result(candidate_id).assessment.cautions, self.system)

    def held_back_by(self, candidate_id: str) -> str:
        """What holds the best possible lobe back; empty where that was not looked for."""
        return LIMIT_WORDS.get(self.result(candidate_id).binding_limit, "")

    def break_even_text(self, even: BreakEven) -> str:
        """A break-even as a sentence."""
        return break_even_text(self.build, even)

    def flip_words(self, flip: Flip) -> FlipWords:
        """The input of a flip in words, its value now and then."""
        return flip_words(self.build, flip, self.system)

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
            row["binding_limit"] = self.held_back_by(c.id)
            row["limits_broken"] = "; ".join(told.text for told in self.broken(c.id))
            row["cautions"] = " ".join(self.cautions(c.id))
            row |= {"standing": result.standing, "chance_all_limits": result.chance_all}
            row |= {f"chance_{name}": _chance(result, name) for name in LIMITS}
            rows.append(row)
        return pd.DataFrame(rows)

    @property
    def measure_next(self) -> pd.DataFrame:
        """What can be measured or asked next, the worthiest first, its minutes paid.

        Columns: measure, candidate (an id, empty where it is of all), minutes, worth_money (before the minutes are
        paid), minutes_money, could_change_answer, text.
        """
        names = ["measure", "candidate", "minutes", "worth_money", "minutes_money", "could_change_answer", "text"]
        rows = [
            (m.what, m.candidate_id, m.minutes, m.worth_money, m.minutes_money, m.could_change, told)
            for m in self.decision.measure_next
            for told in (measured_text(self.build, m, self.system),)
        ]
        return pd.DataFrame(rows, columns=names)

    @property
    def measure_text(self) -> str:
        """The one that pays most, as a sentence."""
        decision = self.decision
        return measure_text(self.build, decision.measure_next, self.system, decision.measured_at_shortfall)

    @property
    def next_texts(self) -> tuple[str, ...]:
        """What would change our pick, and what to measure next; empty as long as neither has been looked for."""
        decision = self.decision
        if not (decision.flips_searched or decision.measure_next):
            return ()
        change = []
        if decision.winner_id is not None and decision.flips_searched:
            flips = decision.flips
            none = no_flip_text(decision.flips_searched)
            change.append(flip_text(self.build, flips[0], self.system) if flips else none)
        return (*change, self.measure_text)

    @property
    def assumptions(self) -> pd.DataFrame:
        """Every value not given, of what is compared.

        Columns: path, value as written, low, high, unit, origin, and whether the sheet says so.
        """
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
            for datum in compared_data(self.build)
            if not datum.written or is_assumption(datum)
        ]
        names = ["path", "written", "value", "low", "high", "unit", "origin", "from", "note"]
        return pd.DataFrame(rows, columns=names)

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
                "measure_next": plain(self.measure_next),
                "break_even": [
                    {
                        "flat": b.flat_id,
                        "roller": b.roller_id,
                        "chance": b.chance,
                        "cheaper": b.cheaper_id,
                        "text": self.break_even_text(b),
                    }
                    for b in self.break_evens
                ],
                "flips": [
                    {
                        "path": f.path,
                        "now": words.now,
                        "then": words.then,
                        "change_share": f.change_share,
                        "winner": f.new_winner_id,
                    }
                    for f, words in ((f, self.flip_words(f)) for f in self.flips)
                ],
                "assumptions": plain(self.assumptions),
            },
            indent=1,
            ensure_ascii=False,
            default=_plain_number,
        )


def compared_data(build: Build) -> list[Datum]:
    """The values read from a sheet that the comparison has in it: none of a candidate that was left out since."""
    kept = {each.id for each in build.candidates}
    return [
        datum
        for datum in build.data.values()
        if not datum.path.startswith("candidates.") or datum.path.split(".")[1] in kept
    ]


# Limits in the order in which they are told.
LIMITS = ("speed", "vacuum", "coil_bind", "retainer", "budget")


def _chance(result: CandidateResult, name: str) -> float:
    """Chance of one limit; NaN where the candidate has none of that kind."""
    limit = result.limit(name)
    return math.nan if limit is None else limit.chance


def _plain_number(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(type(value).__name__)


def _check(system: str) -> None:
    if system not in SYSTEMS:
        raise OutOfRange(f"system is '{system}'; it is {' or '.join(SYSTEMS)}")


def compare(
    build: Build,
    *,
    system: str | None = None,
    step: Callable[[float, float], None] | None = None,
    details: bool = False,
    trials: int = MOST_TRIALS,
) -> Comparison:
    """Compare a build's candidates.

    system: "us" or "metric", the units of the sentences, the sheet's own unless told; the table's units stand in its
    column names. step, details, trials: as in `decide`. Raises OutOfRange for another system.
    """
    system = build.system if system is None else system
    _check(system)
    return Comparison(decide(build, step=step, details=details, trials=trials), system)
