"""What to measure or ask next: what knowing it would gain the choice, against the minutes it takes.

`measure_next` -> `results.MeasureNext`

Knowing changes nothing unless an act waits on it. The acts are: take a candidate with its remedies bought now, or take
it and see; a remedy found needed later costs more (`limits.remedy_later`). What each measurement tells is a function of
the draws already made, and its worth follows by regression on them (`worth`). That it tells exactly is assumed: a
ceiling.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lobeledger.arrays import Array
from lobeledger.assess.lobes import narrowing_duration
from lobeledger.choice.results import CandidateResult, MeasureNext
from lobeledger.choice.worth import value_of_knowing
from lobeledger.doubt.drawn import Drawn, drawn_lobes, first_below
from lobeledger.doubt.draws import chance_path, draws, factor_paths
from lobeledger.doubt.idle import vacuum_of_known_lobes
from lobeledger.doubt.standing import mended_draws
from lobeledger.parts.build import Build

__all__ = ["measure_next"]

_MASSES = ("lifter_mass", "pushrod_mass", "intake_valve_mass", "exhaust_valve_mass", "retainer_mass", "locks_mass")
_SPRINGS = ("seat_load", "rate", "inner_seat_load", "inner_rate")
_LIVES = ("lash_check_every", "spring_change_every", "lifter_service_every")


def measure_next(
    build: Build, results: Sequence[CandidateResult], order: Sequence[str], at_stake: float | None = None
) -> list[MeasureNext]:
    """Everything that can be measured or asked, the worthiest first, its minutes paid at the shop's rate.

    order: the candidates in the running. at_stake: what falling short is taken to cost where the sheet does not say
    (money); with it all that nothing stops are weighed, as they are where none is in the running.
    """
    able = [r for r in results if r.candidate.id in order]
    if at_stake is not None or not able:
        able = [r for r in results if not r.stops]
    acts, whose = _acts(build, able, at_stake)
    if len(acts) < 2:
        return []
    costs = np.stack(acts)
    now = whose[int(costs.mean(axis=1).argmin())]
    found = []
    for measure in build.measures:
        for result in able if measure.per == "candidate" else (None,):
            columns = _told(build, able, measure.id, result)
            if not columns:
                continue
            knowing = value_of_knowing(costs, np.stack(list(columns.values()), axis=1))
            told = knowing.worth > 0.0 and any(whose[int(i)] != now for i in np.unique(knowing.best))
            pay = measure.minutes / 60.0 * build.shop.labour_rate_money_per_h
            owner = "" if result is None else result.candidate.id
            at_m = None if result is None or measure.id != "one_more_duration" else _asked_lift_m(result)
            found.append(MeasureNext(measure.id, owner, measure.minutes, knowing.worth, pay, told, at_m))
    return sorted(found, key=lambda each: -(each.worth_money - each.minutes_money))


def _acts(build: Build, able: Sequence[CandidateResult], at_stake: float | None) -> tuple[list[Array], list[str]]:
    """Cost of every act per draw, and whose candidate it is: remedies now, or wait and see."""
    value = draws(build)
    later = value("limits.remedy_later")
    shortfall: Any = at_stake
    if build.limits.shortfall_money is not None:
        shortfall = value("limits.shortfall")
    acts: list[Array] = []
    whose: list[str] = []
    for result in able:
        wait, bought, differs = result.net_draws, result.net_draws, False
        for each in result.limits:
            short = 1.0 - each.draws.ok
            remedy = each.draws.remedy
            if remedy is not None and float(remedy.max()) > 0.0 and float(short.max()) > 0.0:
                wait, bought, differs = wait + short * later * remedy, bought + remedy, True
        if shortfall is not None:
            bare = mended_draws([each.draws for each in result.limits], len(wait))
            wait, bought = wait + (1.0 - bare) * shortfall, bought + (1.0 - bare) * shortfall
        acts.append(wait)
        whose.append(result.candidate.id)
        if differs:
            acts.append(bought)
            whose.append(result.candidate.id)
    return acts, whose


def _told(
    build: Build, able: Sequence[CandidateResult], what: str, result: CandidateResult | None
) -> Mapping[str, Array]:
    """The draws that a measurement would tell, by line; empty where it tells nothing that is not known."""
    if result is not None:
        return _told_of_lobe(what, result)
    value = draws(build)
    if what == "gauge_vacuum":
        if not build.vehicle.brake_booster or able[0].assessment.intake is None:
            return {}
        return {"vacuum": vacuum_of_known_lobes(able[0].assessment.inputs, able[0].candidate.id, able[0].figures)}
    if what in ("weigh_parts", "test_springs", "weigh_spring", "train_stiffness"):
        keys = {
            "weigh_parts": _MASSES,
            "test_springs": _SPRINGS,
            "weigh_spring": ("spring_mass",),
            "train_stiffness": ("valvetrain_stiffness",),
        }[what]
        return {
            each.line: Drawn(r.assessment.inputs)(each.key)
            for r in able
            for each in r.assessment.inputs.ranges
            if each.key in keys
        }
    paths: list[str] = []
    for r in able:
        own = f"candidates.{r.candidate.id}."
        if what == "loss_record":
            paths += [chance_path(r.candidate), *factor_paths(build, r.candidate)]
        elif what == "loss_cost":
            paths.append(own + "failure.cost")
        elif what == "quote_fitting":
            paths.append(own + "fitting_time")
        elif what == "quote_parts":
            paths += [f"{own}parts.{i}.price" for i in range(len(r.candidate.parts))]
        elif what == "service_life":
            paths += [own + key for key in _LIVES]
    found = {}
    for path in paths:
        drawn = value(path)
        if isinstance(drawn, np.ndarray):
            found[build.data[path].line if path in build.data else path] = drawn
    return found


def _told_of_lobe(what: str, result: CandidateResult) -> Mapping[str, Array]:
    if result.assessment.intake is None or result.assessment.exhaust is None:
        return {}
    name = result.candidate.id
    lobes = drawn_lobes(result.assessment.inputs, name)
    if what == "ramp_speed":
        return {"ramp": lobes.draws.ramp}
    if what == "ramp_height":
        moves = {move for family in lobes.families.values() for move in family.moves}
        return {"height": lobes.draws.h} if "ramp height" in moves else {}
    if what == "read_lobe":
        return lobes.columns(name)
    asked_m = _asked_lift_m(result)
    if asked_m is None:
        return {}
    family = lobes.families["intake"]
    nose = family.theta_cam_rad.size // 2
    at, share = first_below(lobes.weights("intake") @ family.stack[:, 0, nose:], asked_m)
    return {"duration": at + share}


def _asked_lift_m(result: CandidateResult) -> float | None:
    """Lobe lift at which one more duration of the intake would narrow its lobe most; None where none is usual."""
    assert result.assessment.intake is not None
    asked = narrowing_duration(result.assessment.intake)
    return None if asked is None else asked.at_m
