"""Run-in: what is prepared, the steps at speed, what they burn and heat, what they cost.

How is this candidate run in?              `run_in_plan` -> `RunInPlan`, `RunInStep`
On which springs?                          `run_in_springs` -> `RunInSprings`, `ratio_for_open_load`
What does it burn?                         `step_fuel_m3`, `run_in_fuel_m3`
What heat must be carried away?            `run_in_heat_w`
What should be minded?                     `run_in_cautions`
What is kept of it?                        `plan_kept`
What does it cost?                         `run_in_charges` -> `Charge`; `cost.cost_lines` takes them from here

The part maker's instruction comes before anything here: its text is shown first, and its minutes and speed, written in
the build sheet, replace the library's. Two schools of common practice, neither with a published source: a flat cam
varied from 2,000 to 3,000 rpm for 20 to 30 minutes, or held at 3,500 rpm for 30 minutes. Rollers need no lobe run-in.
A running engine is dangerous: exhaust outside, fuel secured, hands and clothes off moving and hot parts.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from lobeledger.assess.candidate import assess
from lobeledger.assess.figures import NOT_FOR_THIS, Figure, spread
from lobeledger.assess.limits import Caution
from lobeledger.assess.lobes import with_its_ramps
from lobeledger.engine import crank as engine
from lobeledger.engine.cycle import displacement_m3
from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build, Datum
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.rules import RunInLine

__all__ = [
    "Charge",
    "RunInPlan",
    "RunInSprings",
    "RunInStep",
    "plan_kept",
    "ratio_for_open_load",
    "run_in_cautions",
    "run_in_charges",
    "run_in_fuel_m3",
    "run_in_heat_w",
    "run_in_plan",
    "run_in_springs",
    "step_fuel_m3",
]

Lookup = Callable[[str], Any]
# Below this a flat cam is thrown too little oil: common practice, no source.
_LEAST_FLAT_SPEED_RPM = 1700.0


def run_in_fuel_m3(
    *,
    time_s: Any,
    speed_rpm: Any,
    displacement_m3: Any,
    brake_pressure_pa: Any,
    friction_pressure_pa: Any,
    indicated_efficiency: Any,
    heating_value_j_per_kg: Any,
    density_kg_per_m3: Any,
) -> Any:
    """Fuel burned at one speed, four-stroke.

    Indicated work per cycle = (brake + friction mean pressure) x displacement; two revolutions a cycle;
    fuel = work / (efficiency x heating value x density). Definition of mean effective pressure, Heywood,
    Internal Combustion Engine Fundamentals, 1988, ch. 2 (from memory). Floats or arrays.

    >>> round(1000 * run_in_fuel_m3(time_s=1800, speed_rpm=2300, displacement_m3=0.00573,
    ...     brake_pressure_pa=1e5, friction_pressure_pa=1.5e5, indicated_efficiency=0.28,
    ...     heating_value_j_per_kg=43.9e6, density_kg_per_m3=745), 2)
    5.4
    """
    cycles = time_s * speed_rpm / 60.0 / 2.0
    work = cycles * (brake_pressure_pa + friction_pressure_pa) * displacement_m3
    return work / (indicated_efficiency * heating_value_j_per_kg * density_kg_per_m3)


def step_fuel_m3(
    *,
    time_s: Any,
    from_rpm: Any,
    to_rpm: Any,
    displacement_m3: Any,
    brake_pressure_pa: Any,
    friction_scale: Any,
    indicated_efficiency: Any,
    heating_value_j_per_kg: Any,
    density_kg_per_m3: Any,
) -> Any:
    """Fuel burned in a step whose speed is swept evenly between two speeds.

    Mean of `run_in_fuel_m3` over the sweep, friction by `engine.total_fmep_pa` times friction_scale. That friction is
    of second degree in speed, so the rate of fuel is of third degree, and Simpson's rule,
    (f(a) + 4 f(m) + f(b))/6, is exact.

    >>> round(1000 * step_fuel_m3(time_s=1800, from_rpm=2000, to_rpm=2600, displacement_m3=0.00573,
    ...     brake_pressure_pa=1e5, friction_scale=1, indicated_efficiency=0.28,
    ...     heating_value_j_per_kg=43.9e6, density_kg_per_m3=745), 2)
    5.58
    """

    def at(rpm: Any) -> Any:
        return run_in_fuel_m3(
            time_s=time_s,
            speed_rpm=rpm,
            displacement_m3=displacement_m3,
            brake_pressure_pa=brake_pressure_pa,
            friction_pressure_pa=friction_scale * engine.total_fmep_pa(rpm),
            indicated_efficiency=indicated_efficiency,
            heating_value_j_per_kg=heating_value_j_per_kg,
            density_kg_per_m3=density_kg_per_m3,
        )

    return (at(from_rpm) + 4.0 * at((from_rpm + to_rpm) / 2.0) + at(to_rpm)) / 6.0


def run_in_heat_w(
    *,
    fuel_m3: Any,
    time_s: Any,
    mean_speed_rpm: Any,
    displacement_m3: Any,
    brake_pressure_pa: Any,
    heating_value_j_per_kg: Any,
    density_kg_per_m3: Any,
) -> Any:
    """Heat the engine gives off: power in the fuel less brake power (W); all friction ends as heat.

    First law for an engine in steady state, Heywood 1988, ch. 3 (from memory); brake power = pressure x displacement x
    speed / 2.

    >>> round(run_in_heat_w(fuel_m3=0.0054, time_s=1800, mean_speed_rpm=2300, displacement_m3=0.00573,
    ...     brake_pressure_pa=1e5, heating_value_j_per_kg=43.9e6, density_kg_per_m3=745) / 1000)
    87
    """
    brake = brake_pressure_pa * displacement_m3 * mean_speed_rpm / 120.0
    return fuel_m3 * density_kg_per_m3 * heating_value_j_per_kg / time_s - brake


# -- which lines hold ----------------------------------------------------------------------------------------


def _holding(build: Build, candidate: Candidate, *stages: str) -> tuple[RunInLine, ...]:
    if candidate.is_fitted:
        return ()
    facts = build.facts(candidate)
    return tuple(line for line in build.run_in if line.stage in stages and line.when.holds(facts))


def _lines_at_speed(build: Build, candidate: Candidate) -> tuple[RunInLine, ...]:
    """The steps; none where the sheet asks for no run-in. OutOfRange when the table has none for it."""
    if not candidate.run_in_time_s > 0:
        return ()
    found = _holding(build, candidate, "step")
    if not found:
        raise OutOfRange(f"runin.csv has no step for '{candidate.id}'; add one for its follower and school")
    return found


# -- what it costs -------------------------------------------------------------------------------------------


def _speeds(candidate: Candidate, line: RunInLine, mean_rpm: Any) -> tuple[Any, Any]:
    """Speeds of a step: multiples of the mean, kept between the slowest and the fastest the maker names."""
    assert line.from_speed is not None and line.to_speed is not None
    low, high = candidate.run_in_lowest_speed_rpm or 0.0, candidate.run_in_highest_speed_rpm or math.inf
    ends = line.from_speed * mean_rpm, line.to_speed * mean_rpm
    if isinstance(mean_rpm, np.ndarray):
        return np.clip(ends[0], low, high), np.clip(ends[1], low, high)
    return min(max(ends[0], low), high), min(max(ends[1], low), high)


def _step_fuel(candidate: Candidate, line: RunInLine, value: Lookup, swept_m3: float) -> Any:
    own = _own(candidate, value)
    assert line.share is not None
    from_rpm, to_rpm = _speeds(candidate, line, own("run_in_speed"))
    return step_fuel_m3(
        time_s=line.share * own("run_in_time"),
        from_rpm=from_rpm,
        to_rpm=to_rpm,
        displacement_m3=swept_m3,
        brake_pressure_pa=value("model.run_in_load"),
        friction_scale=value("model.friction_scale"),
        indicated_efficiency=value("model.run_in_efficiency"),
        heating_value_j_per_kg=value("model.fuel_heating_value"),
        density_kg_per_m3=value("model.fuel_density"),
    )


def _own(candidate: Candidate, value: Lookup) -> Lookup:
    return lambda key: value(f"candidates.{candidate.id}.{key}")


@dataclass(frozen=True)
class Charge:
    """One charge of the run-in; `amount` is money, or an array of draws of it, for `count` of a `unit`."""

    text: str
    amount: Any
    count: float = 1.0
    unit: str = ""


def run_in_charges(build: Build, candidate: Candidate, swept_m3: float, value: Lookup) -> list[Charge]:
    """Every charge of the run-in in the sheet's currency; amounts may be draws.

    The dyno's hours hold set-up and run-in alike. Inner springs and rockers that are changed for the run-in are changed
    twice. The cam that is fitted has been run in.
    """
    if candidate.is_fitted:
        return []
    own, labour = _own(candidate, value), value("shop.labour_rate")
    found = []
    if candidate.dyno_time_h > 0:
        dyno = own("dyno_time") * value("shop.dyno_rate")
        found.append(Charge("Dyno with operator", dyno, candidate.dyno_time_h, "h"))
    found.append(Charge("Oil, filter, additive and first service", value("shop.run_in_oil")))
    steps = _lines_at_speed(build, candidate)
    if steps:
        burned: Any = 0.0
        for line in steps:
            burned = burned + _step_fuel(candidate, line, value, swept_m3)
        found.append(Charge("Fuel for the lobe break-in", burned * value("shop.fuel_price")))
    if candidate.is_run_in_without_inner:
        text = "Labor: inner springs out for the break-in and back"
        found.append(Charge(text, 2.0 * own("spring_labour") * labour, 2.0 * candidate.spring_labour_h, "h"))
    if candidate.run_in_rocker_labour_h is not None:
        text = "Labor: rockers of lower ratio on for the break-in and back"
        hours = 2.0 * candidate.run_in_rocker_labour_h
        found.append(Charge(text, 2.0 * own("run_in_rocker_labour") * labour, hours, "h"))
    return found


# -- springs -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RunInSprings:
    """Spring loads and nose stress as fitted and as run in; the two are the same where nothing is lightened.

    usual_open_n: the usual greatest open load for a run-in (common practice), None for rollers. rigid_limit_rpm:
    where the springs of the run-in can just hold a rigid valvetrain on the lobe. inner_out_open_n: open load without
    the inner springs, None where there are none or they are out already. ratio_for_usual: rocker ratio
    that brings the open load down to the usual, None where it is not above it or no ratio from 1 up does.
    """

    is_lightened: bool
    seat_n: Figure
    open_n: Figure
    stress_pa: Figure
    run_in_seat_n: Figure
    run_in_open_n: Figure
    run_in_stress_pa: Figure
    rigid_limit_rpm: Figure
    usual_open_n: float | None
    inner_out_open_n: float | None
    ratio_for_usual: float | None


def ratio_for_open_load(
    open_load_n: float, *, seat_load_n: float, rate_n_per_m: float, lobe_lift_m: float, lash_m: float
) -> float:
    """Rocker ratio at which a linear spring reaches an open load: ((F - F_seat)/k + lash) / lobe lift.

    From F = F_seat + k (r s - lash). Raises OutOfRange for a lift or rate not above zero.

    >>> round(ratio_for_open_load(1156.5, seat_load_n=578.0, rate_n_per_m=61294.0, lobe_lift_m=0.00825, lash_m=0.0), 3)
    1.144
    """
    if not lobe_lift_m > 0.0 or not rate_n_per_m > 0.0:
        raise OutOfRange(f"lobe_lift_m is {lobe_lift_m:g} and rate_n_per_m {rate_n_per_m:g}; both are above zero")
    return ((open_load_n - seat_load_n) / rate_n_per_m + lash_m) / lobe_lift_m


def _as_run_in(build: Build, candidate: Candidate) -> tuple[Build, Candidate]:
    """The candidate as it is run in, with a build whose known ranges fit it."""
    # Rockers of a lower ratio change what lash takes up at the lobe, but not where its ramp was ground to end.
    there = with_its_ramps(candidate, build.model).as_run_in
    root = f"candidates.{candidate.id}."
    data: dict[str, Datum] = dict(build.data)
    if candidate.is_run_in_without_inner:
        for key in ("inner_seat_load", "inner_rate"):
            data.pop(f"{root}springs.{key}", None)
    if candidate.run_in_rocker_ratio is not None:
        # The set of lower ratio is taken to be as true to its figure as the engine's own.
        path, share = (
            f"{root}valvetrain.rocker_ratio",
            candidate.run_in_rocker_ratio / candidate.valvetrain.rocker_ratio,
        )
        old = data.get(path)
        if old is not None and old.low is not None and old.high is not None:
            data[path] = dataclasses.replace(
                old, value=there.valvetrain.rocker_ratio, low=old.low * share, high=old.high * share
            )
    return dataclasses.replace(build, data=data), there


def run_in_springs(build: Build, candidate: Candidate) -> RunInSprings:
    """Seat load, open load and nose stress (cranking, full spring load) as fitted and as run in."""
    fitted = assess(build, candidate).figures
    is_lightened = candidate.as_run_in is not candidate
    there = assess(*_as_run_in(build, candidate)).figures if is_lightened else fitted
    usual = build.usual_run_in_load_n(candidate)
    inner_out = ratio = None
    light = candidate.as_run_in
    if candidate.follower == "flat" and candidate.springs.has_inner and not candidate.is_run_in_without_inner:
        bare = dataclasses.replace(light.springs, inner_seat_load_n=0.0, inner_rate_n_per_m=0.0)
        inner_out = dataclasses.replace(light, springs=bare).greatest_open_load_n
    if usual is not None and there["open_load"].value > usual:
        lobes = ((light.intake, light.intake_lash_m), (light.exhaust, light.exhaust_lash_m))
        least = min(
            ratio_for_open_load(
                usual,
                seat_load_n=light.springs.total_seat_load_n,
                rate_n_per_m=light.springs.total_rate_n_per_m,
                lobe_lift_m=card.lobe_lift_m,
                lash_m=lash,
            )
            for card, lash in lobes
        )
        ratio = least if least >= 1.0 else None
    return RunInSprings(
        is_lightened=is_lightened,
        seat_n=fitted["seat_load"],
        open_n=fitted["open_load"],
        stress_pa=fitted.get("stress_cranking", NOT_FOR_THIS),
        run_in_seat_n=there["seat_load"],
        run_in_open_n=there["open_load"],
        run_in_stress_pa=there.get("stress_cranking", NOT_FOR_THIS),
        rigid_limit_rpm=there.get("rigid_limit", NOT_FOR_THIS),
        usual_open_n=usual,
        inner_out_open_n=inner_out,
        ratio_for_usual=ratio,
    )


# -- the plan ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RunInStep:
    """One step at speed. fuel and heat hold for its minutes and speeds; their ranges are those of load, friction,
    efficiency and fuel."""

    line: RunInLine
    from_rpm: float
    to_rpm: float
    time_s: float
    fuel_m3: Figure
    brake_w: float
    heat_w: Figure


@dataclass(frozen=True)
class RunInPlan:
    """How one candidate is run in.

    maker_instruction: the part maker's own words, empty if the sheet has none; they come first. is_time_given,
    is_speed_given: whether the sheet, not the library, says minutes and mean speed. prepare to after: acts in order.
    heat_shares: where the heat goes, each with its range (assumed). charges: the run-in lines of the
    cost of owning. total_money: their sum, range by moving every uncertain input. cautions: what does not fit together.
    """

    candidate: Candidate
    school: str
    maker_instruction: str
    is_time_given: bool
    is_speed_given: bool
    prepare: tuple[RunInLine, ...]
    prime: tuple[RunInLine, ...]
    ready: tuple[RunInLine, ...]
    start: tuple[RunInLine, ...]
    steps: tuple[RunInStep, ...]
    stop: tuple[RunInLine, ...]
    restart: tuple[RunInLine, ...]
    after: tuple[RunInLine, ...]
    springs: RunInSprings
    fuel_m3: Figure
    heat_w: Figure
    heat_shares: Mapping[str, Figure]
    charges: tuple[Charge, ...]
    total_money: Figure
    cautions: tuple[Caution, ...]

    @property
    def acts(self) -> tuple[RunInLine, ...]:
        """Everything that is done, in order, without the steps at speed."""
        return (*self.prepare, *self.prime, *self.ready, *self.start, *self.restart, *self.after)

    @property
    def time_s(self) -> float:
        """Minutes at speed, in seconds."""
        return sum(step.time_s for step in self.steps)


def _banded(build: Build, measure: Callable[[Lookup], float], *, fixed: tuple[str, ...] = ()) -> Figure:
    """A measure with its band: every value it asks for is moved to the ends of its range, one at a time."""
    asked: dict[str, float] = {}

    def listening(path: str) -> Any:
        asked[path] = float(build.data[path].value)
        return asked[path]

    measure(listening)
    ranges = {}
    for path in asked:
        datum = build.data[path]
        if path not in fixed and datum.low is not None and datum.high is not None and datum.low < datum.high:
            ranges[path] = (datum.low, datum.high)
    return spread(lambda **moved: measure(moved.__getitem__), asked, ranges)


def _step(build: Build, candidate: Candidate, line: RunInLine, swept_m3: float) -> RunInStep:
    assert line.share is not None
    root = f"candidates.{candidate.id}."
    fixed = (f"{root}run_in_time", f"{root}run_in_speed")
    time = line.share * candidate.run_in_time_s
    from_rpm, to_rpm = _speeds(candidate, line, candidate.run_in_speed_rpm)
    mean = (from_rpm + to_rpm) / 2.0

    def fuel(value: Lookup) -> float:
        return float(_step_fuel(candidate, line, value, swept_m3))

    def heat(value: Lookup) -> float:
        return float(
            run_in_heat_w(
                fuel_m3=fuel(value),
                time_s=time,
                mean_speed_rpm=mean,
                displacement_m3=swept_m3,
                brake_pressure_pa=value("model.run_in_load"),
                heating_value_j_per_kg=value("model.fuel_heating_value"),
                density_kg_per_m3=value("model.fuel_density"),
            )
        )

    return RunInStep(
        line=line,
        from_rpm=from_rpm,
        to_rpm=to_rpm,
        time_s=time,
        fuel_m3=_banded(build, fuel, fixed=fixed),
        brake_w=build.model.run_in_load_pa * swept_m3 * mean / 120.0,
        heat_w=_banded(build, heat, fixed=fixed),
    )


def run_in_plan(build: Build, candidate: Candidate) -> RunInPlan:
    """The whole plan for one candidate of a build: acts, steps, springs, fuel, heat and charges."""
    swept = displacement_m3(build.engine)
    root = f"candidates.{candidate.id}."
    steps = tuple(_step(build, candidate, line, swept) for line in _lines_at_speed(build, candidate))
    springs = run_in_springs(build, candidate)
    shares = {
        line.where: Figure(line.share or 0.0, line.share_low or 0.0, line.share_high or 0.0)
        for line in _holding(build, candidate, "heat")
    }

    def fuel(value: Lookup) -> float:
        return math.fsum(float(_step_fuel(candidate, step.line, value, swept)) for step in steps)

    def total(value: Lookup) -> float:
        return math.fsum(float(each.amount) for each in run_in_charges(build, candidate, swept, value))

    charges = run_in_charges(build, candidate, swept, lambda path: build.data[path].value)

    def acts(stage: str) -> tuple[RunInLine, ...]:
        return _holding(build, candidate, stage)

    return RunInPlan(
        candidate=candidate,
        school=str(build.facts(candidate)["run_in_school"]),
        maker_instruction=(candidate.maker_instruction or "").strip(),
        is_time_given=_is_written(build, f"{root}run_in_time"),
        is_speed_given=_is_written(build, f"{root}run_in_speed"),
        prepare=acts("prepare"),
        prime=acts("prime"),
        ready=acts("ready"),
        start=acts("start"),
        steps=steps,
        stop=acts("stop"),
        restart=acts("restart"),
        after=acts("after"),
        springs=springs,
        fuel_m3=_banded(build, fuel, fixed=(f"{root}run_in_time", f"{root}run_in_speed"))
        if steps
        else Figure.exact(0.0),
        heat_w=max((step.heat_w for step in steps), default=Figure.exact(0.0)),
        heat_shares=shares,
        charges=tuple(charges),
        total_money=_banded(build, total),
        cautions=tuple(run_in_cautions(candidate, steps, springs)),
    )


def _is_written(build: Build, path: str) -> bool:
    datum = build.data.get(path)
    return datum is not None and datum.written


def run_in_cautions(candidate: Candidate, steps: tuple[RunInStep, ...], springs: RunInSprings) -> list[Caution]:
    """What is unusual or risky about a run-in as the sheet has it."""
    found: list[Caution] = []
    if candidate.is_fitted:
        return found
    if candidate.follower == "flat" and not steps:
        found.append(Caution("no_run_in"))
    slowest = Figure.exact(min((step.from_rpm for step in steps), default=math.inf))
    if candidate.follower == "flat" and slowest.value < _LEAST_FLAT_SPEED_RPM:
        found.append(Caution("slow_run_in", "run_in_speed", slowest, _LEAST_FLAT_SPEED_RPM, "rpm"))
    if steps and 0.0 < candidate.dyno_time_h * 3600.0 < candidate.run_in_time_s:
        found.append(Caution("short_dyno_time", "dyno_time"))
    top = max((max(step.from_rpm, step.to_rpm) for step in steps), default=0.0)
    if (
        candidate.maker_instruction
        and any(step.from_rpm != step.to_rpm for step in steps)
        and (candidate.run_in_lowest_speed_rpm is None or candidate.run_in_highest_speed_rpm is None)
    ):
        found.append(Caution("varied_speed", "run_in_speed", Figure(slowest.value, slowest.value, top), None, "rpm"))
    limit = springs.rigid_limit_rpm
    if top and math.isfinite(limit.low) and limit.low < top:
        found.append(Caution("run_in_springs", "rigid_limit", limit, top, "rpm"))
    return found


# -- to keep ------------------------------------------------------------------------------------------------


def plan_kept(plan: RunInPlan, currency: str) -> dict[str, Any]:
    """What a shop keeps of a plan: plain values with their units in the names, money in the sheet's currency."""
    return {
        "school": plan.school,
        "maker_instruction": plan.maker_instruction,
        "minutes": round(plan.time_s / 60.0, 3),
        "steps": [
            {"minutes": round(s.time_s / 60.0, 3), "from_rpm": round(s.from_rpm), "to_rpm": round(s.to_rpm)}
            for s in plan.steps
        ],
        "inner_springs": "out" if plan.candidate.is_run_in_without_inner else "in",
        "rocker_ratio": plan.candidate.as_run_in.valvetrain.rocker_ratio,
        "seat_load_N": round(plan.springs.run_in_seat_n.value, 1),
        "open_load_N": round(plan.springs.run_in_open_n.value, 1),
        "fuel_L": round(1000.0 * plan.fuel_m3.value, 2),
        f"cost_{currency}": round(plan.total_money.value, 2),
    }
