"""Each limit of a candidate under doubt: how surely it is met, what room there is, and what mends it at which price.

`judged_limits` -> `JudgedLimit`

The limits that have a measure are judged in every draw; a need that is not sure (`booster_vacuum`, `budget`) is drawn
as well. Draws are the same for all candidates where they share a line of the sheet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.figures import Figure
from lobeledger.assess.inputs import MechanicalInputs
from lobeledger.doubt.drawn import Drawn
from lobeledger.doubt.draws import DRAWS, Lookup, in_every_draw, taxed_labour_rate
from lobeledger.doubt.idle import vacuum_draws
from lobeledger.doubt.speed import MOST_TRIALS, SpeedTrials, Wanted, speed_trials
from lobeledger.doubt.standing import LimitDraws
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.pairing import order_list
from lobeledger.parts.rules import Remedy
from lobeledger.train import rigid

__all__ = ["STIFFER", "JudgedLimit", "judged_limits", "remedy_price", "spread_of", "trials_of", "wanted_speed"]

# Springs tried as a remedy are this much stiffer (common practice: the next set in a catalogue; no source).
STIFFER = 1.15
# A speed held more surely than this needs no stiffer springs, and springs that add less than this are no remedy
# (assumed: about what 64 tries can tell).
_SURELY_HELD, _LEAST_HELP = 0.98, 0.05
# What the order list does of itself about a clearance that is too small on paper.
_MACHINED = {"coil_bind": "coil-bind", "retainer": "retainer-seal"}


@dataclass(frozen=True)
class JudgedLimit:
    """One limit of one candidate.

    have: the figure as given, with the 5 and 95 % of its draws; need: what is asked of it; both in SI as `kind` says.
    For the speed, `have` is the use of what is allowed at the wanted speed, and the need is 1. side: +1 where the
    figure must not lie below the need, -1 where not above. need_path, values: where the sheet has the need, and the
    figure in every draw, of what is judged by comparing them. draws: whether it is met in each draw, and its remedy's
    price there. remedy_id: what mends it, empty where nothing with a price does. trials: of the speed, how many held of
    how many.
    """

    limit: str
    have: Figure
    need: float
    kind: str
    side: int
    draws: LimitDraws
    need_path: str = ""
    values: Any = None
    remedy_id: str = ""
    trials: tuple[int, int] = (0, 0)

    @property
    def chance(self) -> float:
        """How surely it is met."""
        return self.draws.chance

    @property
    def standing(self) -> str:
        """`holds`, `in doubt` or `out`."""
        return self.draws.standing

    @property
    def room(self) -> float:
        """Room left to the need as given, in SI; negative where it falls short."""
        return self.side * (self.have.value - self.need)


def spread_of(nominal: float, values: Any) -> Figure:
    """5 to 95 % of the draws, reaching to the nominal value; that value alone when nothing varies."""
    if not isinstance(values, np.ndarray) or float(np.ptp(values)) == 0.0:
        return Figure.exact(float(nominal))
    low, high = np.quantile(values, (0.05, 0.95))
    return Figure(float(nominal), min(float(low), float(nominal)), max(float(high), float(nominal)))


def wanted_speed(build: Build) -> Wanted:
    """The highest speed with its range."""
    datum, top = build.data["use.highest_speed"], build.use.highest_speed_rpm
    low, high = (top if end is None else end for end in (datum.low, datum.high))
    return Wanted(top, low, high, datum.line)


def trials_of(build: Build, inputs: MechanicalInputs, candidate: Candidate, most: int = MOST_TRIALS) -> SpeedTrials:
    """The trials at the wanted speed of one candidate; kept by what they are made from."""
    return speed_trials(inputs, candidate.id, wanted_speed(build), most=most)


def judged_limits(
    build: Build,
    candidate: Candidate,
    inputs: MechanicalInputs,
    figures: Mapping[str, Figure],
    value: Lookup,
    *,
    first_cost: Any,
    trials: SpeedTrials | None,
) -> tuple[JudgedLimit, ...]:
    """Every limit of a candidate that has a measure. value: draws (`draws.draws`). first_cost: draws of it (money).

    trials: None for a card that no lobe fits; speed and vacuum are then not judged, the card alone stops it.
    """
    found = _clearances(build, candidate, inputs, figures, value)
    if trials is not None:
        found.append(_speed(build, candidate, inputs, trials, value))
        if build.vehicle.brake_booster:
            found.append(_vacuum(build, candidate, inputs, figures, value))
    budget = value("limits.budget")
    ok = in_every_draw(first_cost <= budget)
    have = spread_of(figures["first_cost"].value, first_cost)
    found.append(
        JudgedLimit("budget", have, build.limits.budget_money, "money", -1, LimitDraws("budget", ok), "limits.budget")
    )
    return tuple(found)


def _clearances(
    build: Build, candidate: Candidate, inputs: MechanicalInputs, figures: Mapping[str, Figure], value: Lookup
) -> list[JudgedLimit]:
    drawn = Drawn(inputs)
    ratio = drawn("rocker_ratio")
    lifts = (
        rigid.valve_lift_m(drawn(f"{which}.lobe_lift"), ratio=ratio, lash_m=drawn(f"{which}_lash"))
        for which in ("intake", "exhaust")
    )
    lift = np.maximum(*lifts)
    bind = rigid.coil_bind_clearance_m(
        installed_height_m=drawn("installed_height"), coil_bind_height_m=drawn("coil_bind"), greatest_valve_lift_m=lift
    )
    retainer = rigid.retainer_to_seal_clearance_m(
        retainer_to_seal_closed_m=drawn("retainer_to_seal"), greatest_valve_lift_m=lift
    )
    does = {line.rule for line in order_list(build, candidate)}
    found = []
    for limit, clear, least, need in (
        ("coil_bind", bind, "coil_bind_clearance", build.limits.coil_bind_clearance_m),
        ("retainer", retainer, "retainer_clearance", build.limits.retainer_clearance_m),
    ):
        ok = in_every_draw(clear >= value(f"limits.{least}"))
        remedy = _remedy_for(build, candidate, limit)
        price = None if remedy is None else _price(build, candidate, remedy, value)
        if _MACHINED[limit] in does:
            price = np.zeros(DRAWS)  # the order list already has the work, at its own price
        # Seats and guides can be cut only so far: beyond it the springs are the wrong ones.
        reach = np.inf if remedy is None or remedy.reach_m is None else remedy.reach_m
        mends = in_every_draw(clear + reach >= value(f"limits.{least}"))
        if not mends.any():
            remedy, price = None, None
        draws = LimitDraws(limit, ok, price, mends)
        have = spread_of(figures[limit].value, clear)
        found.append(
            JudgedLimit(limit, have, need, "lift", 1, draws, f"limits.{least}", clear, remedy.id if remedy else "")
        )
    return found


def _speed(
    build: Build, candidate: Candidate, inputs: MechanicalInputs, trials: SpeedTrials, value: Lookup
) -> JudgedLimit:
    nominal = trials.nominal.use
    have = Figure.exact(nominal)
    if trials.uses:
        low, high = np.quantile(np.minimum(trials.uses, 99.0), (0.05, 0.95))
        have = Figure(nominal, min(float(low), nominal), max(float(high), nominal))
    remedy = _remedy_for(build, candidate, "speed")
    price = None
    mends: Any = 1.0
    if remedy is not None and trials.uses and float(trials.ok.mean()) < _SURELY_HELD:
        stiffer = speed_trials(inputs, candidate.id, wanted_speed(build), most=trials.most, spring_scale=STIFFER)
        # Springs that help as good as nothing are no remedy; what they help is counted by degrees.
        if float(stiffer.ok.mean()) >= float(trials.ok.mean()) + _LEAST_HELP:
            price, mends = _price(build, candidate, remedy, value), stiffer.ok
    by = remedy.id if remedy is not None and price is not None else ""
    draws = LimitDraws("speed", trials.ok, price, mends)
    met = (trials.met, len(trials.uses))
    return JudgedLimit("speed", have, 1.0, "use", -1, draws, remedy_id=by, trials=met)


def _vacuum(
    build: Build, candidate: Candidate, inputs: MechanicalInputs, figures: Mapping[str, Figure], value: Lookup
) -> JudgedLimit:
    vacuum = vacuum_draws(inputs, candidate.id, figures)
    ok = in_every_draw(vacuum >= value("vehicle.booster_vacuum"))
    remedy = _remedy_for(build, candidate, "vacuum")
    price = None if remedy is None else _price(build, candidate, remedy, value)
    draws = LimitDraws("vacuum", ok, price)
    have = spread_of(figures["vacuum"].value, vacuum)
    need = build.vehicle.booster_vacuum_pa
    mends = remedy.id if remedy else ""
    return JudgedLimit("vacuum", have, need, "vacuum", 1, draws, "vehicle.booster_vacuum", vacuum, mends)


def _remedy_for(build: Build, candidate: Candidate, limit: str) -> Remedy | None:
    """The first remedy of a limit that holds for this candidate and has a price."""
    facts = build.facts(candidate)
    for remedy in build.remedies:
        if remedy.limit == limit and remedy.price_money is not None and remedy.when.holds(facts):
            if remedy.also == "springs" and candidate.spring_set_price_money is None:
                continue
            return remedy
    return None


def remedy_price(build: Build, candidate: Candidate, remedy_id: str, value: Lookup) -> Array:
    """What the remedy of that id costs a candidate in each draw (money)."""
    return _price(build, candidate, next(each for each in build.remedies if each.id == remedy_id), value)


def _price(build: Build, candidate: Candidate, remedy: Remedy, value: Lookup) -> Array:
    """What a remedy costs in each draw (money): goods with freight and tax, labour, and the allowance for surprises."""
    goods, hours = value(f"remedies.{remedy.id}.price"), value(f"remedies.{remedy.id}.time")
    if remedy.also == "springs":
        goods = goods + value(f"candidates.{candidate.id}.spring_set_price")
        hours = hours + value(f"candidates.{candidate.id}.spring_labour")
    carried = goods * (1.0 + value("shop.freight")) * (1.0 + value("shop.tax"))
    total = (carried + hours * taxed_labour_rate(build, value)) * (1.0 + value("shop.contingency"))
    return in_every_draw(total)
