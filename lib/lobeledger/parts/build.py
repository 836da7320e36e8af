"""A whole build sheet as frozen parts, and where each of its values came from.

All of it                          `Build`
Where did a value come from?       `Datum`
What do its risks assume?          `risk_data`
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from lobeledger.errors import OutOfRange
from lobeledger.parts.candidate import LIGHT_SPRINGS, Candidate
from lobeledger.parts.car import Block, DischargePoint, Engine, Vehicle
from lobeledger.parts.conditions import Fact
from lobeledger.parts.facts import facts_of, usual_run_in_load_n, whole_run_in_time_s
from lobeledger.parts.frozen import Frozen
from lobeledger.parts.rules import Measure, PairingRule, Precaution, Remedy, RiskFactor, RunInLine
from lobeledger.parts.use import Limits, Model, Shop, Use

__all__ = ["Build", "Datum", "risk_data"]

Made = TypeVar("Made")


@dataclass(frozen=True)
class Datum:
    """One value of a build with its history.

    path: as in the sheet, such as "candidates.h-flat.springs.rate". value, low, high: in `unit` (SI, or
    money, or nothing for bare numbers). text: as written. origin: one of ORIGINS. written: whether the sheet,
    not the library's defaults, supplied it. line: the place where the number stands, its own path when empty: a value
    written once in [valvetrain], or taken once from one row of defaults.csv, is one line for all candidates, and one
    line is drawn once.
    """

    path: str
    value: float | str | bool
    low: float | None
    high: float | None
    unit: str
    text: str
    origin: str
    note: str = ""
    written: bool = True
    line: str = ""

    def __post_init__(self) -> None:
        if not self.line:
            object.__setattr__(self, "line", self.path)


@dataclass(frozen=True, kw_only=True)
class Build:
    """A whole build sheet as parts; `data` says where each value came from, `system` in which units it is read."""

    name: str
    currency: str
    note: str
    engine: Engine
    block: Block
    vehicle: Vehicle
    use: Use
    shop: Shop
    limits: Limits
    model: Model
    discharge: tuple[DischargePoint, ...]
    candidates: tuple[Candidate, ...]
    data: Mapping[str, Datum] = field(repr=False)
    source: str = ""
    factors: tuple[RiskFactor, ...] = ()
    precautions: tuple[Precaution, ...] = ()
    pairing: tuple[PairingRule, ...] = ()
    run_in: tuple[RunInLine, ...] = ()
    remedies: tuple[Remedy, ...] = ()
    measures: tuple[Measure, ...] = ()
    system: str = "us"

    def __post_init__(self) -> None:
        if not self.candidates:
            raise OutOfRange("the sheet has no candidate; add at least one [[candidate]]")
        seen: set[str] = set()
        for each in self.candidates:
            if each.id in seen:
                raise OutOfRange(f"two candidates have the id '{each.id}'; give each its own")
            seen.add(each.id)
        fitted = [each.id for each in self.candidates if each.is_fitted]
        if len(fitted) > 1:
            raise OutOfRange(f"{fitted[0]} and {fitted[1]} are both fitted = true; only one cam is in the engine now")
        object.__setattr__(self, "data", Frozen(self.data))

    def candidate(self, candidate_id: str) -> Candidate:
        """The candidate with this id; OutOfRange names the nearest if there is none."""
        for each in self.candidates:
            if each.id == candidate_id:
                return each
        names = [c.id for c in self.candidates]
        near = difflib.get_close_matches(candidate_id, names, n=1)
        hint = f"; did you mean '{near[0]}'?" if near else f"; there are {', '.join(names)}"
        raise OutOfRange(f"no candidate '{candidate_id}'{hint}")

    @property
    def fitted(self) -> Candidate | None:
        """The cam that is in the engine now, if the sheet says which: what gains are told against."""
        return next((each for each in self.candidates if each.is_fitted), None)

    def kept(self, what: str, about: Candidate, make: Callable[[], Made]) -> Made:
        """What was made before of a candidate, else made now: a build never changes, and its rules are asked often.

        By the candidate itself and not by its id: variants of one candidate are tried beside each other.
        """
        store: dict[tuple[str, int], tuple[Candidate, Any]] = self.__dict__.setdefault("_kept", {})
        found = store.get((what, id(about)))
        if found is None or found[0] is not about:
            found = store[what, id(about)] = about, make()
        made: Made = found[1]
        return made

    def __getstate__(self) -> dict[str, Any]:
        return {name: value for name, value in self.__dict__.items() if name != "_kept"}

    def precautions_on(self, candidate: Candidate) -> tuple[Precaution, ...]:
        """The precautions a candidate takes, in the table's order.

        Good practice is counted on already: one of those stands here only where it takes off a factor. The time of the
        fitted cam for them is past.
        """
        if candidate.is_fitted:
            return ()

        def find() -> tuple[Precaution, ...]:
            against, taken = {f.id for f in self._factors_against(candidate)}, candidate.failure.precaution_ids
            return tuple(
                p for p in self.precautions if p.id in taken and (p.practice == "further" or against & set(p.removes))
            )

        return self.kept("precautions_on", candidate, find)

    def precautions_for(self, candidate: Candidate) -> tuple[Precaution, ...]:
        """The precautions a candidate could take; lighter springs only where there is an inner to take out."""
        if candidate.is_fitted:
            return ()
        return tuple(
            p
            for p in self.precautions
            if p.follower == candidate.follower and (p.id != LIGHT_SPRINGS or candidate.springs.has_inner)
        )

    def precautions_offered(self, candidate: Candidate) -> tuple[Precaution, ...]:
        """Those of `precautions_for` that go beyond good practice, or mend what a figure of the sheet brings on."""
        switched = {f.id for f in self.factors if f.switch is not None}
        return tuple(p for p in self.precautions_for(candidate) if p.practice == "further" or switched & set(p.removes))

    def facts(self, candidate: Candidate) -> Mapping[str, Fact]:
        """What the conditions of the tables look at in a candidate, by name; see `conditions.FACTS`."""
        return self.kept(
            "facts",
            candidate,
            lambda: Frozen(
                facts_of(
                    candidate,
                    engine=self.engine,
                    block=self.block,
                    vehicle=self.vehicle,
                    limits=self.limits,
                    run_in=self.run_in,
                )
            ),
        )

    def usual_run_in_load_n(self, candidate: Candidate) -> float | None:
        """The usual greatest open load for the run-in (runin.csv); None where none is usual, as for rollers."""
        return usual_run_in_load_n(self.run_in, self.facts(candidate))

    def factors_for(self, candidate: Candidate) -> tuple[RiskFactor, ...]:
        """The factors that could be there; those of a cam that has run only where it is fitted."""
        return tuple(
            f for f in self.factors if f.follower == candidate.follower and (candidate.is_fitted or not f.is_of_fitted)
        )

    def is_automatic(self, factor: RiskFactor, candidate: Candidate) -> bool:
        """Whether a candidate's own figures switch a factor on."""
        return self._is_switched(factor, candidate, self.facts(candidate))

    def _is_switched(self, factor: RiskFactor, candidate: Candidate, facts: Mapping[str, Fact]) -> bool:
        return factor.follower == candidate.follower and factor.switch is not None and factor.switch.holds(facts)

    def factors_on(self, candidate: Candidate) -> tuple[RiskFactor, ...]:
        """The factors at work: listed, or switched on by the figures and not said off, less what precautions remove."""

        def find() -> tuple[RiskFactor, ...]:
            taken = [p for p in self.precautions if p.id in candidate.failure.precaution_ids and p.id != LIGHT_SPRINGS]
            removed = {name for p in taken for name in p.removes}
            return tuple(f for f in self._factors_against(candidate) if f.id not in removed)

        return self.kept("factors_on", candidate, find)

    def _factors_against(self, candidate: Candidate) -> tuple[RiskFactor, ...]:
        """The factors at work before precautions take any off; lighter springs change the load itself."""
        failure, facts = candidate.failure, self.facts(candidate)
        # Lighter springs take away only a load that is usual without the inner ones: the figures know.
        lightened = {
            name
            for p in self.precautions
            if p.id == LIGHT_SPRINGS and p.id in failure.precaution_ids
            for name in p.removes
        }
        found = []
        for f in self.factors:
            by_itself = f.id not in failure.off_ids and self._is_switched(f, candidate, facts)
            by_word = f.id in failure.factor_ids and f.id not in lightened
            if by_itself or by_word:
                found.append(f)
        return tuple(found)

    def whole_run_in_time_s(self, candidate: Candidate) -> float | None:
        """The least time of a whole run-in at speed (runin.csv); None for rollers, and where the maker's word rules.

        None for the fitted cam too, which has been run in.
        """
        if candidate.has_maker_instruction or candidate.is_fitted:
            return None
        return whole_run_in_time_s(self.run_in, self.facts(candidate))

    def spread(self, path: str) -> tuple[float, float]:
        """Low and high of a value as multiples of it; (1, 1) where no range is known."""
        datum = self.data.get(path)
        if datum is None or datum.low is None or datum.high is None or not datum.value:
            return 1.0, 1.0
        value = float(datum.value)
        return datum.low / value, datum.high / value


def risk_data(build: Build) -> dict[str, Datum]:
    """What the factors and precautions at work assume, so that every sheet lists it."""
    found: dict[str, Datum] = {}

    def put(path: str, value: float, low: float | None, high: float | None, unit: str, origin: str, note: str) -> None:
        text = f"{value:g} {unit}".strip()
        found[path] = Datum(path, value, low, high, unit, text, origin, note, written=False)

    for candidate in build.candidates:
        for f in build.factors_on(candidate):
            put(
                f"factors.{f.id}.odds", f.odds, f.low, f.high, "", f.origin, f"multiplies the odds of failure: {f.text}"
            )
        for p in build.precautions_on(candidate):
            note = f"precaution: {p.text}"
            put(f"precautions.{p.id}.odds", p.odds, p.low, p.high, "", p.origin, f"multiplies the odds; {note}")
            put(f"precautions.{p.id}.price", p.price_money, None, None, build.currency, p.origin, note)
            put(f"precautions.{p.id}.time", p.time_h, None, None, "h", p.origin, note)
    return found
