"""What flips the verdict: the change of one input that changes the winner.

Smallest change first                  `flips`
Which inputs are tried, which not?     `inputs_tried`, `why_not_tried`
May a sheet hold this value?           `may_be`
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lobeledger.choice import cost
from lobeledger.choice.results import CandidateResult, Flip
from lobeledger.doubt import draws
from lobeledger.doubt.draws import Lookup
from lobeledger.parts.build import Build
from lobeledger.parts.spec import Spec, key_of

__all__ = ["flips", "inputs_tried", "may_be", "net_cost", "why_not_tried"]


def net_cost(lines: list[cost.CostLine], worth: Any, gain: Any) -> Any:
    """Cost of owning less what the torque gain is worth: worth of 1 % times the gain in per cent."""
    return cost.cost_of_owning(lines) - worth * 100.0 * gain


# What the cost asks for and is not tried, as a pattern of its path, with the reason. All else that is asked is tried.
_NOT_TRIED = (
    (r"model\..+", "a constant of the physics"),
    (r"(precautions|pairing|factors)\..+", "it stands in the library's tables and in no sheet"),
    (r"candidates\.[^.]+\.parts\.\d+\.quantity", "a count moves in whole steps"),
    (r"candidates\.[^.]+\.run_in_(speed|time)", "cost is not linear in it, and more than the cost hangs on it"),
)


def why_not_tried(path: str) -> str | None:
    """Why an input of the cost is not among those whose change could flip the verdict; None where it is."""
    return next((reason for pattern, reason in _NOT_TRIED if re.fullmatch(pattern, path)), None)


def inputs_tried(build: Build, results: tuple[CandidateResult, ...], gains: Mapping[str, float]) -> list[str]:
    """Paths of the inputs of net cost that are tried: what the candidates still in the race ask for.

    Read off the cost itself, so that a new line's input is among them without being named here.
    """
    plain = draws.nominal(build)
    asked: dict[str, None] = {}

    def listening(path: str) -> Any:
        asked[path] = None
        return plain(path)

    for result in results:
        if _may_win(result):
            _standing(build, result, gains[result.candidate.id], listening)
    return [path for path in asked if why_not_tried(path) is None]


def _may_win(result: CandidateResult) -> bool:
    """Whether nothing but money stops a candidate."""
    return all(b.limit == "budget" for b in result.broken)


def flips(
    build: Build,
    results: tuple[CandidateResult, ...],
    gains: Mapping[str, float],
    winner: CandidateResult | None,
) -> list[Flip]:
    """Changes of one input that change the winner, smallest relative change first; one a direction of an input.

    Costs are linear in every input looked at, or in its reciprocal where it is an interval between services (a
    chance of loss is taken as a chance), so one trial step gives the slope and the crossing; each crossing is
    then tried, nearest first, and kept if the winner really changes there. Values a build sheet may not hold
    are left out.
    """
    if winner is None:
        return []
    found: list[Flip] = []
    for path in inputs_tried(build, results, gains):
        now = float(draws.nominal(build)(path))
        if now <= 0.0:
            continue
        turned: set[bool] = set()
        for value in sorted(_crossings(build, results, gains, winner, path, now), key=lambda v: abs(v - now)):
            if (value > now) in turned:
                continue
            after = _winner_at(build, results, gains, {path: value})
            if after != winner.candidate.id:
                turned.add(value > now)
                found.append(_flip(path, now, value, after))
    found += [flip for flip in _limit_flips(build, results, winner) if may_be(build, flip.path, flip.then)]
    return sorted(found, key=lambda flip: abs(flip.change_share))


@dataclass(frozen=True)
class _Standing:
    net: float
    first: float


def _standing(build: Build, result: CandidateResult, gain: float, value: Lookup) -> _Standing:
    lines = cost.cost_lines(build, result.candidate, result.assessment.fuel, value)
    return _Standing(
        float(net_cost(lines, value("limits.torque_worth"), gain)), float(cost.first_cost(lines, result.candidate))
    )


def _affected(results: tuple[CandidateResult, ...], path: str) -> list[CandidateResult]:
    """Candidates whose cost a path can move; those stopped by anything but money are out of the race."""
    able = [r for r in results if _may_win(r)]
    return [r for r in able if not path.startswith("candidates.") or path.startswith(f"candidates.{r.candidate.id}.")]


def _crossings(
    build: Build,
    results: tuple[CandidateResult, ...],
    gains: Mapping[str, float],
    winner: CandidateResult,
    path: str,
    now: float,
) -> list[float]:
    """Values of an input just past where the winner meets another, or a first cost meets the budget."""

    def straight(x: float) -> float:
        """The input in which cost is linear: services come at hours over interval. It is its own inverse."""
        return 1.0 / x if path.endswith("_every") else x

    at = straight(now)
    step = 0.01 * at
    moved: dict[str, tuple[float, float]] = {}
    trial = draws.nominal(build, {path: straight(at + step)})
    for result in _affected(results, path):
        c = result.candidate.id
        there = _standing(build, result, gains[c], trial)
        moved[c] = (
            (there.net - result.figures["net"].value) / step,
            (there.first - result.figures["first_cost"].value) / step,
        )
    slope_w, first_slope_w = moved.get(winner.candidate.id, (0.0, 0.0))
    steps = []
    for result in results:
        slope, first_slope = moved.get(result.candidate.id, (0.0, 0.0))
        if result is not winner and slope_w != slope:
            steps.append((result.figures["net"].value - winner.figures["net"].value) / (slope_w - slope))
        if first_slope:
            steps.append((build.limits.budget_money - result.figures["first_cost"].value) / first_slope)
    # A whisker past the crossing, so that the other side of it is what is tried.
    past = [at + s * (1 + 1e-6) + math.copysign(1e-9 * at, s) for s in steps if s]
    values = [straight(p) for p in past if p > 0.0 or (p == 0.0 and straight(now) == now)]
    return [v for v in values if abs(v / now - 1.0) < 9.0 and may_be(build, path, v)]


def may_be(build: Build, path: str, value: float) -> bool:
    """Whether a build sheet may hold this value there."""
    if path.endswith(".failure.chance"):
        return 0.0 <= value <= 1.0
    part: Any = build
    spec: Spec | None = None
    for step in path.split("."):
        if isinstance(part, tuple):
            part = next(each for i, each in enumerate(part) if getattr(each, "id", str(i)) == step)
            continue
        each = next(f for f in dataclasses.fields(part) if key_of(f.name) == step)
        spec, part = each.metadata.get("spec"), getattr(part, each.name)
    return spec is not None and spec.low <= value <= spec.high


def _winner_at(
    build: Build, results: tuple[CandidateResult, ...], gains: Mapping[str, float], overrides: dict[str, float]
) -> str | None:
    value = draws.nominal(build, overrides)
    (path,) = overrides
    best: tuple[float, str] | None = None
    touched = {r.candidate.id for r in _affected(results, path)}
    for result in results:
        c = result.candidate.id
        if not _may_win(result):
            continue
        there = (
            _standing(build, result, gains[c], value)
            if c in touched
            else _Standing(result.figures["net"].value, result.figures["first_cost"].value)
        )
        if there.first <= build.limits.budget_money and (best is None or there.net < best[0]):
            best = (there.net, c)
    return best[1] if best else None


def _limit_flips(build: Build, results: tuple[CandidateResult, ...], winner: CandidateResult) -> list[Flip]:
    """Where a limit lets go of the winner, or lets in a better candidate that only it stops."""
    found = []
    others = sorted((r for r in results if r is not winner and r.passes), key=lambda r: r.figures["net"].value)
    margin = 1.0 + build.limits.speed_margin

    def fastest(result: CandidateResult) -> float:
        return min(result.figures["elastic_limit"].value, result.figures["rigid_limit"].value / margin)

    # `side`: +1 where a candidate's level must not lie below what is asked, -1 where not above.
    for path, limit, level, side in (
        ("limits.budget", "budget", lambda r: r.figures["first_cost"].value, -1.0),
        ("use.highest_speed", "speed", fastest, 1.0),
        ("vehicle.booster_vacuum", "vacuum", lambda r: r.figures["vacuum"].value, 1.0),
    ):
        now = float(draws.nominal(build)(path))
        if now <= 0.0 or (limit == "vacuum" and not build.vehicle.brake_booster):
            continue
        # Past the winner's own level only those with more in hand are still in the race.
        left = [r for r in others if side * level(r) > side * level(winner)]
        found.append(_flip(path, now, level(winner), left[0].candidate.id if left else None))
        barred = [
            r
            for r in results
            if [b.limit for b in r.broken] == [limit] and r.figures["net"].value < winner.figures["net"].value
        ]
        if barred:
            nearest = max(barred, key=lambda r: side * level(r))
            found.append(_flip(path, now, level(nearest), nearest.candidate.id))
    return found


def _flip(path: str, now: float, then: float, winner: str | None) -> Flip:
    return Flip(path, now, then, then / now - 1.0, winner)
