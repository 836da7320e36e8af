"""What a choice costs to own, line by line.

Which lines, how much?               `cost_lines`, `CostLine`, `GROUPS`
What is paid at the start?           `first_cost`
How likely is a loss, before factors? `opinion`, `factor_paths`
What does it cost over the years?    `cost_of_owning`, `expected_loss`, `cost_without_loss`
How sure is that?                    `draws`, `DRAWS`

One formula serves the nominal figure, the draws behind its range and the search for what flips a verdict:
`cost_lines` asks a `Lookup` for each value by its path in the build sheet, and a Lookup may answer with a
number or with an array of draws. One line of a sheet, or of the defaults, is drawn once (`Datum.line`), so what two
candidates share (a labour rate, a price nobody wrote) cancels in their difference, as it does in life.
"""

from __future__ import annotations

import functools
import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import betaincinv

from lobeledger.arrays import Array
from lobeledger.assess.figures import FuelUse
from lobeledger.choice.chance import ChancePrior, chance_prior, odds_after, posterior
from lobeledger.choice.run_in import run_in_charges, run_in_fuel_m3
from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.pairing import added_lines, rule_of

__all__ = [
    "DRAWS",
    "GROUPS",
    "CostLine",
    "FuelUse",
    "Lookup",
    "chance_path",
    "cost_lines",
    "cost_of_owning",
    "cost_without_loss",
    "draws",
    "expected_loss",
    "factor_paths",
    "first_cost",
    "nominal",
    "opinion",
    "symmetric_draws",
]

DRAWS = 2000
# Line group -> whether it is paid at the start. The order is that of the sheets.
GROUPS: dict[str, bool] = {
    "parts": True,
    "machining": True,
    "fitting": True,
    "run-in": True,
    "freight and tax": True,
    "surprises": True,
    "upkeep": False,
    "fuel for the valvetrain": False,
    "risk of a loss": False,
}
Lookup = Callable[[str], Any]


@dataclass(frozen=True)
class CostLine:
    """One line of what a candidate costs; `amount` is money, or an array of draws of it, for `count` of a `unit`."""

    group: str
    text: str
    amount: Any
    count: float = 1.0
    unit: str = ""

    @property
    def is_first(self) -> bool:
        """Whether it is paid at the start."""
        return GROUPS[self.group]


def chance_path(candidate: Candidate) -> str:
    """Path under which the chance of loss is looked up; as a chance, it enters the cost linearly.

    It is the chance after the factors at work and the precautions taken; without any it is the opinion itself.
    """
    return f"candidates.{candidate.id}.failure.chance"


def factor_paths(build: Build, candidate: Candidate) -> list[str]:
    """Paths of what multiplies a candidate's odds of loss: the factors at work, then the precautions taken."""
    return [f"factors.{f.id}.odds" for f in build.factors_on(candidate)] + [
        f"precautions.{p.id}.odds" for p in build.precautions_on(candidate)
    ]


def opinion(build: Build, candidate: Candidate) -> ChancePrior | None:
    """The chance of loss before any factor: the sheet's opinion, updated by the shop's record if it gives one.

    The record is taken to be of builds without the factors. None when the sheet says that every build is lost.
    """
    failure = candidate.failure
    if failure.one_in <= 1.0:
        return None
    prior = chance_prior(one_in=failure.one_in, worth_builds=failure.worth_builds)
    if failure.seen_losses is None or failure.seen_builds is None:
        return prior
    return posterior(prior, failure.seen_losses, failure.seen_builds)


def _opinion_chance(build: Build, candidate: Candidate) -> float:
    """The mean of the opinion; 1 / n to the last digit where there is no record."""
    if candidate.failure.seen_builds is None or candidate.failure.one_in <= 1.0:
        return 1.0 / float(candidate.failure.one_in)
    found = opinion(build, candidate)
    return found.mean if found is not None else 1.0


def _whose(build: Build, path: str) -> Candidate:
    return build.candidate(path.split(".")[1])


def nominal(build: Build, overrides: dict[str, float] | None = None) -> Lookup:
    """A Lookup of the values as given, some of them replaced."""
    changed = overrides or {}
    data = build.data

    def value(path: str) -> Any:
        if path in changed:
            return changed[path]
        if path.endswith(".failure.chance"):
            c = _whose(build, path)
            return odds_after(_opinion_chance(build, c), [value(each) for each in factor_paths(build, c)])
        if path.startswith("pairing."):
            return _rule_range(build, path)[1]
        return data[path].value

    return value


def _rule_range(build: Build, path: str) -> tuple[float, float, float]:
    """Low, middle and high of "pairing.cam-button.price" or ".time".

    Read from the rule and not from the data: a change tried out may call for a rule the sheet did not.
    """
    _, rule_id, key = path.split(".")
    rule = rule_of(build, rule_id)
    if key == "time":
        return rule.time_low_h, rule.time_h, rule.time_high_h
    low, middle, high = rule.price_low_money, rule.price_money, rule.price_high_money
    if low is None or middle is None or high is None:
        raise OutOfRange(f"the pairing rule '{rule_id}' has no price in {build.currency}")
    return low, middle, high


@functools.lru_cache(maxsize=2048)
def _uniform(path: str) -> Array:
    return _kept(np.random.default_rng(zlib.crc32(path.encode())).random(DRAWS))


def _kept(values: Array) -> Array:
    """Draws are kept and handed to many: nobody may write into them."""
    values.flags.writeable = False
    return values


@functools.lru_cache(maxsize=4096)
def _triangular(path: str, low: float, mode: float, high: float) -> Array:
    """Draws of a triangular distribution by inverse transform; the range is taken as its ends."""
    u, split = _uniform(path), (mode - low) / (high - low)
    rising = low + np.sqrt(u * (high - low) * (mode - low))
    falling = high - np.sqrt((1.0 - u) * (high - low) * (high - mode))
    return _kept(np.where(u < split, rising, falling))


def symmetric_draws(path: str) -> Array:
    """Draws of a triangular distribution from -1 to 1, always the same for one path."""
    return _triangular(path, -1.0, 0.0, 1.0)


@functools.lru_cache(maxsize=1024)
def _chance(path: str, alpha: float, beta: float) -> Array:
    return _kept(betaincinv(alpha, beta, _uniform(path)))


@functools.lru_cache(maxsize=1024)
def _odds(path: str, low: float, mode: float, high: float) -> Array:
    """Draws of an odds multiplier: triangular in its logarithm, so that half and double weigh the same."""
    return _kept(np.exp(_triangular(path, math.log(low), math.log(mode), math.log(high))))


def _opinion_line(build: Build, candidate: Candidate) -> str:
    """Where an opinion stands: one row of the defaults is one opinion; the shop's record makes it a candidate's own."""
    datum = build.data[f"candidates.{candidate.id}.failure.one_in"]
    is_own = datum.written or candidate.failure.seen_builds is not None
    return chance_path(candidate) if is_own else datum.line


def draws(build: Build) -> Lookup:
    """A Lookup that answers with draws where a value has a range, else with the value itself; one line, one draw."""
    data = build.data

    def value(path: str) -> Any:
        if path.endswith(".failure.chance"):
            c = _whose(build, path)
            prior = opinion(build, c)
            chance = 1.0 if prior is None else _chance(_opinion_line(build, c), prior.alpha, prior.beta)
            return odds_after(chance, [value(each) for each in factor_paths(build, c)])
        if path.startswith("pairing."):
            low, middle, high = _rule_range(build, path)
            return _triangular(path, low, middle, high) if low < high else middle
        datum = data[path]
        if datum.low is None or datum.high is None or not datum.low < datum.high:
            return datum.value
        if path.endswith(".odds"):
            return _odds(datum.line, datum.low, float(datum.value), datum.high)
        return _triangular(datum.line, datum.low, float(datum.value), datum.high)

    return value


def cost_lines(build: Build, candidate: Candidate, fuel: FuelUse, value: Lookup) -> list[CostLine]:
    """Every line of the cost of owning one candidate over the years of use, in the sheet's currency.

    Freight is on goods, tax on goods and freight, the allowance for surprises on everything paid at the
    start. Upkeep counts running hours over the interval without rounding: an expected number of services. What goes
    with the cam and no line serves is added at the price of its rule (`pairing`); one without a price is left out here
    and stops the candidate (`limits`).
    """

    def own(key: str) -> Any:
        return value(f"candidates.{candidate.id}.{key}")

    labour, fuel_price = value("shop.labour_rate"), value("shop.fuel_price")
    lines: list[CostLine] = []
    goods: Any = 0.0
    for i, part in enumerate(candidate.parts):
        amount = own(f"parts.{i}.price") * own(f"parts.{i}.quantity")
        group = "machining" if part.group == "machining" else "parts"
        lines.append(CostLine(group, part.item, amount, part.quantity))
        if part.group != "machining":
            goods = goods + amount
    lines.append(CostLine("fitting", "Labour to fit it", own("fitting_time") * labour, candidate.fitting_time_h, "h"))
    for each in build.precautions_on(candidate):
        price = value(f"precautions.{each.id}.price")
        goods = goods + price
        if each.price_money > 0:
            lines.append(CostLine("parts", f"Precaution: {each.text}", price))
        if each.time_h > 0:
            time = value(f"precautions.{each.id}.time")
            lines.append(CostLine("fitting", f"Labour: {each.text}", time * labour, each.time_h, "h"))
    for needed in added_lines(build, candidate):
        if needed.price_money:
            amount = value(f"pairing.{needed.rule}.price") * needed.quantity
            lines.append(CostLine(needed.group, f"Needed as well: {needed.what}", amount, needed.quantity))
            if needed.group != "machining":
                goods = goods + amount
        if needed.time_h > 0:
            time = value(f"pairing.{needed.rule}.time") * needed.quantity
            taken = needed.time_h * needed.quantity
            lines.append(CostLine("fitting", f"Labour: {needed.what}", time * labour, taken, "h"))
    for charge in run_in_charges(build, candidate, fuel.displacement_m3, value):
        lines.append(CostLine("run-in", charge.text, charge.amount, charge.count, charge.unit))
    freight = value("shop.freight") * goods
    lines.append(CostLine("freight and tax", "Freight on goods", freight))
    lines.append(CostLine("freight and tax", "Tax on goods and freight", value("shop.tax") * (goods + freight)))
    start: Any = 0.0
    for line in lines:
        start = start + line.amount
    lines.append(CostLine("surprises", "Allowance for surprises", value("shop.contingency") * start))

    hours = value("use.hours_a_year") * value("use.years")
    if candidate.lash_check_every_h > 0:
        checks = hours / own("lash_check_every")
        lines.append(CostLine("upkeep", "Lash checks", checks * own("lash_check_labour") * labour))
    if candidate.spring_change_every_h > 0:
        changes = hours / own("spring_change_every")
        each = own("spring_set_price") + own("spring_labour") * labour
        lines.append(CostLine("upkeep", "Spring changes", changes * each))
    if candidate.lifter_service_every_h > 0:
        services = hours / own("lifter_service_every")
        each = own("lifter_service_price") + own("lifter_labour") * labour
        lines.append(CostLine("upkeep", "Lifter services", services * each))
    rubbed = run_in_fuel_m3(
        time_s=hours * 3600.0,
        speed_rpm=fuel.mean_speed_rpm,
        displacement_m3=fuel.displacement_m3,
        brake_pressure_pa=0.0,
        friction_pressure_pa=fuel.valvetrain_friction_pa * value("model.friction_scale"),
        indicated_efficiency=value("model.run_in_efficiency"),
        heating_value_j_per_kg=value("model.fuel_heating_value"),
        density_kg_per_m3=value("model.fuel_density"),
    )
    lines.append(
        CostLine(
            "fuel for the valvetrain",
            "Fuel for the rubbing of the followers (published fit, from memory)",
            rubbed * fuel_price,
        )
    )
    risk = value(chance_path(candidate)) * own("failure.cost")
    lines.append(CostLine("risk of a loss", f"Expected loss: {candidate.failure.what}", risk))
    return lines


def _total(amounts: list[Any]) -> Any:
    total: Any = 0.0
    for amount in amounts:
        total = total + amount
    return total


def first_cost(lines: list[CostLine], candidate: Candidate) -> Any:
    """Money paid at the start, deposits included (they come back, so they are not a cost of owning)."""
    deposits = sum(part.core_charge_money * part.quantity for part in candidate.parts)
    return _total([line.amount for line in lines if line.is_first]) + deposits


def cost_of_owning(lines: list[CostLine]) -> Any:
    """Everything over the years of use, the expected loss included."""
    return _total([line.amount for line in lines])


def expected_loss(lines: list[CostLine]) -> Any:
    """The part of the cost that is chance times cost of a loss."""
    return _total([line.amount for line in lines if line.group == "risk of a loss"])


def cost_without_loss(lines: list[CostLine]) -> Any:
    """Everything but the expected loss."""
    return _total([line.amount for line in lines if line.group != "risk of a loss"])
