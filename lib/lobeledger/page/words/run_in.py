"""Words of the break-in: how, on which springs, with what fuel and heat, and why not at all.

How, and who says so?             `run_answer`, `speed_span`
What should be minded?            `run_cautions`
On which springs?                 `run_springs`
What does it burn?                `run_fuel`
Must it not be run?               `reasons_not_to_run`
"""

from __future__ import annotations

import functools
import math

from lobeledger import units
from lobeledger.assess.figures import Figure
from lobeledger.assess.limits import Caution
from lobeledger.choice.run_in import RunInPlan
from lobeledger.page.words.comparison import Comparison
from lobeledger.page.words.limits import ToldLimit

__all__ = ["reasons_not_to_run", "run_answer", "run_cautions", "run_fuel", "run_springs", "speed_span"]

# Broken limits of parts that hurt engine or people when it is turned; money, vacuum and highest speed do not.
_NOT_TO_BE_RUN = ("card", "pairing", "coil_bind", "retainer")


def reasons_not_to_run(comparison: Comparison, candidate_id: str) -> list[ToldLimit]:
    """Why a candidate must not be turned over as it is; empty when nothing forbids it."""
    return [told for told in comparison.broken(candidate_id) if told.limit in _NOT_TO_BE_RUN]


def run_springs(plan: RunInPlan, system: str) -> list[str]:
    s, show = plan.springs, functools.partial(units.show, system=system)

    def told(seat: float, load: float, stress: float) -> str:
        nose = f", nose stress {show(stress, 'stress')} at cranking" if math.isfinite(stress) else ""
        return f"{show(seat, 'load')} seat load, {show(load, 'load')} open load{nose}"

    texts = [f"As fitted: {told(s.seat_n.value, s.open_n.value, s.stress_pa.value)}."]
    if s.is_lightened:
        c = plan.candidate
        ways = ["without the inner springs"] if c.is_run_in_without_inner else []
        ways += [f"with rockers of {c.run_in_rocker_ratio:g}"] if c.run_in_rocker_ratio is not None else []
        texts[0] += (
            f" For the break-in, {' and '.join(ways)}: "
            f"{told(s.run_in_seat_n.value, s.run_in_open_n.value, s.run_in_stress_pa.value)}."
        )
    if s.usual_open_n is not None:
        usual = show(s.usual_open_n, "load")
        above = s.run_in_open_n.value > s.usual_open_n
        text = f"A usual open load for breaking in a flat cam is up to about {usual}: this is " + (
            "above it." if above else "within it."
        )
        ways = []
        if above and s.inner_out_open_n is not None:
            ways.append(f"without the inner springs it would be {show(s.inner_out_open_n, 'load')}")
        if above and s.ratio_for_usual is not None:
            ways.append(
                f"rockers of {math.floor(100.0 * s.ratio_for_usual) / 100.0:.2f} or less would bring it down to {usual}"
            )
        said = " and ".join(ways)
        texts.append(text + (f" {said[0].upper()}{said[1:]}." if said else ""))
        if s.run_in_stress_pa.value > plan.candidate.stress_caution_pa:
            texts.append(
                "Crank as little as you can: the lobe nose then bears more than "
                f"{show(plan.candidate.stress_caution_pa, 'stress')}, where our caution begins (we guessed it)."
            )
    return texts


def run_fuel(plan: RunInPlan, system: str) -> list[str]:
    if not plan.steps:
        if plan.candidate.is_fitted:
            return ["No fuel: it is already broken in."]
        return ["No fuel is charged to a lobe break-in: first start and ring seating are the same for every cam."]
    show = functools.partial(units.show, system=system)

    def ranged(figure: Figure) -> str:
        low, high = (show(end, "volume", unit=False) for end in figure[1:])
        return f"{show(figure.value, 'volume')} ({low} to {high})"

    texts = [
        "Fuel for "
        + ", ".join(f"step {i}: {ranged(step.fuel_m3)}" for i, step in enumerate(plan.steps, 1))
        + (f"; in all {ranged(plan.fuel_m3)}" if len(plan.steps) > 1 else "")
        + ". This is on the high side (we guessed the efficiency at light load). Have half as much again in the tank."
    ]
    heat, brake = plan.heat_w, max(step.brake_w for step in plan.steps)
    low, high = (show(end, "heat", unit=False) for end in heat[1:])
    shares = ", ".join(
        f"{where} {share.value:.0%} ({show(heat.value * share.value, 'heat')})"
        for where, share in plan.heat_shares.items()
    )
    texts.append(
        f"Heat to carry away in the hottest step: about {show(heat.value, 'heat')} ({low} to {high}), what the fuel "
        f"holds less {show(brake, 'power')} at the crank. We guessed where it goes: {shares}. In the car the load is "
        "less, and so is all of this."
    )
    return texts


def _rpm(speed: float) -> str:
    """A speed to set on a tachometer: to 50 rpm."""
    return f"{50.0 * round(speed / 50.0):,.0f}"


def speed_span(low: float, high: float) -> str:
    """Two speeds to set on a tachometer, or the one they share."""
    return _rpm(low) if _rpm(low) == _rpm(high) else f"{_rpm(low)} to {_rpm(high)}"


def run_answer(plan: RunInPlan) -> str:
    """The run-in in a sentence: minutes and speeds, and who says so."""
    if plan.candidate.is_fitted:
        return "Already fitted and broken in."
    if not plan.steps:
        if plan.candidate.follower == "roller":
            return (
                "No lobe break-in for rollers: a first start with oil everywhere, new rings seated under load, the "
                "first oil change as for any fresh engine."
            )
        return "Your build sheet asks for no break-in at speed."
    low = min(min(step.from_rpm, step.to_rpm) for step in plan.steps)
    high = max(max(step.from_rpm, step.to_rpm) for step in plan.steps)
    sources = {True: "your sheet", False: "shop rule of thumb"}
    source = (
        sources[plan.is_time_given]
        if plan.is_time_given == plan.is_speed_given
        else f"minutes from {sources[plan.is_time_given]}, speed from {sources[plan.is_speed_given]}"
    )
    how = "held at" if low == high else "at"
    text = f"{plan.time_s / 60.0:.3g} minutes {how} {speed_span(low, high)} rpm ({source})."
    if plan.candidate.follower == "roller":
        return text
    return f"{text} Straight to speed and no idling, so it must fire at once."


def run_cautions(plan: RunInPlan) -> list[str]:
    """What should be minded about this run-in."""
    return [_caution(each) for each in plan.cautions]


def _caution(caution: Caution) -> str:
    if caution.what == "no_run_in":
        return "Your build sheet asks for no break-in of a flat cam: only the part maker can say so."
    if caution.what == "short_dyno_time":
        return "The dyno time on your sheet is shorter than the break-in."
    assert caution.have is not None
    if caution.what == "slow_run_in":
        return (
            f"The slowest step, {caution.have.value:,.0f} rpm, is below what is usual for a flat cam "
            "(2,000 rpm and more): too little oil is thrown at the lobes unless the part maker says otherwise."
        )
    if caution.what == "varied_speed":
        return (
            f"We vary the speed from about {caution.have.low:,.0f} to {caution.have.high:,.0f} rpm: stay "
            "within what the part maker says, and write it as run_in_lowest_speed and run_in_highest_speed."
        )
    return (
        f"On the break-in springs the valves may float from {caution.have.low:,.0f} rpm on, below the "
        f"{caution.limit:,.0f} rpm of the plan: run it slower or on the full springs."
    )
