"""What changes the answer: the change of one input after which another candidate leads, or none does.

Smallest change first                  `flips` -> `Search`
What a candidate costs in a draw       `net_cost`

Nothing is listed by hand: a lookup that listens tells which inputs of money, limits and chance the comparison reads,
and each is moved, all its draws at once, from a quarter to fourfold. Inputs of physics are known by their draws: where
the answer follows one of them, the regression that values knowing it (`worth`) says where within its own range it
turns.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.choice import cost
from lobeledger.choice.results import CandidateResult, Flip
from lobeledger.choice.worth import value_of_knowing
from lobeledger.doubt.drawn import Drawn
from lobeledger.doubt.draws import DRAWS, Lookup, chance_draws, draws, in_every_draw
from lobeledger.doubt.limits import remedy_price
from lobeledger.doubt.standing import HOLDS, LimitDraws, expected_cost, lead_of, mended_draws
from lobeledger.parts.build import Build
from lobeledger.parts.spec import field_at

__all__ = ["Search", "flips", "net_cost"]

# How far an input is moved either way, and to which share the change is found.
_FURTHEST = 4.0
_WITHIN = 2e-6
# The least room an input must have to be moved at all.
_LEAST_ROOM = 0.01
# A regression over many inputs finds some by chance: a turn must stand this far above what shuffles give.
_SURELY = 4.0
# What nobody decides or measures: constants of the physics are moved by their ranges alone, counts are part of the
# plan.
_NOT_MOVED = ("model.", ".quantity")


@dataclass(frozen=True)
class Search:
    """The flips found, smallest change first, and how many inputs were moved to find them."""

    flips: tuple[Flip, ...]
    searched: int


def net_cost(lines: list[cost.CostLine], worth: Any, gain: Any) -> Any:
    """Cost of owning less what the torque gain is worth: worth of 1 % times the gain in per cent."""
    return cost.cost_of_owning(lines) - worth * 100.0 * gain


class _Race:
    """Who leads when the values of the sheet are looked up in another way."""

    def __init__(self, build: Build, results: Sequence[CandidateResult]) -> None:
        self.build = build
        self.results = [r for r in results if not r.stops]
        # As `_judged` would find them with every value as it is.
        is_priced = build.limits.shortfall_money is not None
        self.kept = {r.candidate.id: (r.cost_draws, is_priced or r.mended_chance >= HOLDS) for r in self.results}

    def leader(self, value: Lookup, affected: Callable[[str], bool] = lambda _: True) -> str | None:
        """The candidate with the least mean cost among those in the running; None where none is."""
        costs = {}
        for result in self.results:
            name = result.candidate.id
            expected, sure = self._judged(result, value) if affected(name) else self.kept[name]
            if sure:
                costs[name] = expected
        return lead_of(costs).order[0] if costs else None

    def _judged(self, result: CandidateResult, value: Lookup) -> tuple[Array, bool]:
        """Cost per draw, and whether the candidate is in the running."""
        lines = cost.cost_lines(self.build, result.candidate, result.assessment.fuel, value)
        gain = result.gain_draws
        net = in_every_draw(net_cost(lines, value("limits.torque_worth"), gain))
        first = cost.first_cost(lines, result.candidate, value)
        limits = []
        for each in result.limits:
            ok = each.draws.ok
            if each.need_path:
                figure = first if each.limit == "budget" else each.values
                ok = in_every_draw(each.side * (figure - value(each.need_path)) >= 0.0)
            remedy = each.draws.remedy
            if remedy is not None and each.remedy_id and float(remedy.max()) > 0.0:
                remedy = remedy_price(self.build, result.candidate, each.remedy_id, value)
            limits.append(LimitDraws(each.limit, ok, remedy, each.draws.mends))
        if self.build.limits.shortfall_money is not None:
            return expected_cost(net, limits, value("limits.shortfall")), True
        return expected_cost(net, limits), float(mended_draws(limits, DRAWS).mean()) >= HOLDS


def flips(build: Build, results: Sequence[CandidateResult], order: Sequence[str]) -> Search:
    """Changes of one input that change who leads, smallest relative change first; one a direction of an input.

    order: the candidates in the running, the leader first; nothing is searched where none is.
    """
    if not order:
        return Search((), 0)
    race, base = _Race(build, results), draws(build)
    heard: dict[str, None] = {}

    def listening(path: str) -> Any:
        heard[path] = None
        return base(path)

    race.leader(_through_odds(build, listening))
    found: list[Flip] = []
    lines: set[str] = set()
    for path in heard:
        line = _line(build, path)
        if line in lines or any(part in path for part in _NOT_MOVED):
            continue
        lines.add(line)
        now = float(np.mean(base(path)))
        if now > 0.0:
            found += _moves(build, race, base, path, line, order[0])
    ranged = _within_ranges(build, results, order)
    return Search(tuple(sorted([*found, *ranged[0]], key=lambda flip: abs(flip.change_share))), len(lines) + ranged[1])


def _through_odds(build: Build, value: Lookup) -> Lookup:
    """`value`, with each chance of loss made of its odds by `value` too: what multiplies them is heard and moved."""

    def looked_up(path: str) -> Any:
        found = value(path)
        if path.endswith(".failure.chance"):
            return chance_draws(build, build.candidate(path.split(".")[1]), value)
        return found

    return looked_up


def _line(build: Build, path: str) -> str:
    """The line of the sheet a path stands on; its own name where it is not one of the sheet's values."""
    datum = build.data.get(path)
    return path if datum is None else datum.line


def _nominal(build: Build, path: str) -> float:
    datum = build.data.get(path)
    return float(datum.value) if datum is not None else float(np.mean(draws(build)(path)))


def _moves(build: Build, race: _Race, base: Lookup, path: str, line: str, leads: str) -> list[Flip]:
    """Where a factor on one line's draws, up and down, first changes who leads."""
    now = _nominal(build, path)
    is_chance = path.endswith(".failure.chance")

    def affected(name: str) -> bool:
        return not path.startswith("candidates.") or line != path or path.startswith(f"candidates.{name}.")

    def at(factor: float) -> str | None:
        def value(other: str) -> Any:
            drawn = base(other)
            if other == path or _line(build, other) == line:
                drawn = np.minimum(drawn * factor, 1.0) if is_chance else drawn * factor
            return drawn

        return race.leader(value if is_chance else _through_odds(build, value), affected)

    found = []
    for end in (_FURTHEST, 1.0 / _FURTHEST):
        far = _allowed(build, path, now, end)
        if far is None or at(far) == leads:
            continue
        same, other = 1.0, far
        while abs(math.log(other / same)) > _WITHIN * max(abs(math.log(other)), 0.05):
            middle = math.sqrt(same * other)
            same, other = (middle, other) if at(middle) == leads else (same, middle)
        found.append(Flip(path, now, now * other, other - 1.0, at(other), _in_ranges(build, path, now * other)))
    return found


def _in_ranges(build: Build, path: str, then: float) -> float | None:
    """A change in units of the input's own range to that side; None where it has none."""
    datum = build.data.get(path)
    if datum is None or datum.low is None or datum.high is None:
        return None
    room = datum.high - float(datum.value) if then > float(datum.value) else float(datum.value) - datum.low
    return abs(then - float(datum.value)) / room if room > 0.0 else None


def _allowed(build: Build, path: str, now: float, factor: float) -> float | None:
    """The furthest factor towards this one that a sheet may hold there; None where it may not move that way."""
    spec = field_at(build, path)
    low, high = (0.0, 1.0) if path.endswith(".failure.chance") else (spec.low, spec.high) if spec else (0.0, math.inf)
    if factor > 1.0:
        far = min(factor, high / now)
        return far if far > 1.0 + _LEAST_ROOM else None
    far = max(factor, low / now)
    return far if far < 1.0 - _LEAST_ROOM else None


def _within_ranges(build: Build, results: Sequence[CandidateResult], order: Sequence[str]) -> tuple[list[Flip], int]:
    """Inputs of physics on which the answer turns within their own ranges, and how many were looked at."""
    running = [r for r in results if r.candidate.id in order]
    columns: dict[str, tuple[str, Array, float]] = {}
    for result in running:
        drawn = Drawn(result.assessment.inputs)
        for each in result.assessment.inputs.ranges:
            path = _path_of(build, result.candidate.id, each.key)
            if path and each.key in drawn:
                columns.setdefault(each.line, (path, drawn(each.key), drawn.nominal(each.key)))
    if len(running) < 2:
        return [], len(columns)
    costs = np.stack([r.cost_draws for r in running])
    ids = [r.candidate.id for r in running]
    base = int(costs.mean(axis=1).argmin())
    found = []
    for path, drawn_values, now in columns.values():
        knowing = value_of_knowing(costs, np.asarray(drawn_values)[:, np.newaxis])
        turned = np.flatnonzero(knowing.best != base)
        if knowing.raw <= _SURELY * knowing.noise or not turned.size or not now:
            continue
        turned = turned[[_is_of(path, (ids[base], ids[int(k)])) for k in knowing.best[turned]]]
        if not turned.size:
            continue
        nearest = turned[np.abs(drawn_values[turned] - now).argmin()]
        then = float(drawn_values[nearest])
        share = then / now - 1.0
        found.append(Flip(path, now, then, share, ids[int(knowing.best[nearest])], _in_ranges(build, path, then)))
    return found, len(columns)


def _is_of(path: str, names: Sequence[str]) -> bool:
    """Whether an input belongs to one of these candidates, or to all."""
    return not path.startswith("candidates.") or path.split(".")[1] in names


def _path_of(build: Build, name: str, key: str) -> str:
    """The path in the sheet of a value among the mechanical inputs; empty where none has it."""
    own = f"candidates.{name}."
    tries: Mapping[str, None] = dict.fromkeys(
        (
            f"{own}{key}",
            f"{own}valvetrain.{key}",
            f"{own}springs.{key}",
            f"engine.{key}",
            f"model.{key}",
            f"vehicle.{key}",
        )
    )
    return next((path for path in tries if path in build.data), "")
