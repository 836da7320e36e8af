"""What a choice costs to own, line by line.

Which lines, how much?               `cost_lines`, `CostLine`, `GROUPS`
What is paid at the start?           `first_cost`
What does it cost over the years?    `cost_of_owning`, `expected_loss`, `cost_without_loss`

One formula serves the nominal figure, the draws behind its range and the search for what flips a verdict:
`cost_lines` asks a `Lookup` (`doubt.draws`) for each value by its path in the build sheet, and a Lookup may answer with
a number or with an array of draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lobeledger.assess.figures import FuelUse
from lobeledger.choice.run_in import run_in_charges
from lobeledger.doubt.draws import Lookup, chance_path, taxed_labour_rate
from lobeledger.engine.friction import marginal_fuel_m3
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.pairing import added_lines

__all__ = ["CostLine", "GROUPS", "cost_lines", "cost_of_owning", "cost_without_loss", "expected_loss", "first_cost"]

# Line group -> whether it is paid at the start. The order is that of the sheets.
GROUPS: dict[str, bool] = {
    "parts": True,
    "machining": True,
    "fitting": True,
    "break-in": True,
    "freight and tax": True,
    "surprises": True,
    "upkeep": False,
    "fuel lost to friction": False,
    "risk of failure": False,
}


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


def _goods_and_fitting(build: Build, candidate: Candidate, value: Lookup, labour: Any) -> tuple[list[CostLine], Any]:
    """Lines of what is bought and fitted, and the money of it that is goods."""

    def own(key: str) -> Any:
        return value(f"candidates.{candidate.id}.{key}")

    lines: list[CostLine] = []
    goods: Any = 0.0
    for i, part in enumerate(candidate.parts):
        amount = own(f"parts.{i}.price") * own(f"parts.{i}.quantity")
        group = "machining" if part.group == "machining" else "parts"
        lines.append(CostLine(group, part.item, amount, part.quantity))
        if part.group != "machining":
            goods = goods + amount
    if not candidate.is_fitted:
        fitting = own("fitting_time") * labour
        lines.append(CostLine("fitting", "Labor to install it", fitting, candidate.fitting_time_h, "h"))
    for each in build.precautions_on(candidate):
        price = value(f"precautions.{each.id}.price")
        goods = goods + price
        if each.price_money > 0:
            lines.append(CostLine("parts", f"Precaution: {each.text}", price))
        if each.time_h > 0:
            time = value(f"precautions.{each.id}.time")
            lines.append(CostLine("fitting", f"Labor: {each.text}", time * labour, each.time_h, "h"))
    for needed in added_lines(build, candidate):
        if needed.price_money:
            amount = value(f"pairing.{needed.rule}.price") * needed.quantity
            lines.append(CostLine(needed.group, f"Also needed: {needed.what}", amount, needed.quantity))
            if needed.group != "machining":
                goods = goods + amount
        if needed.time_h > 0:
            time = value(f"pairing.{needed.rule}.time") * needed.quantity
            taken = needed.time_h * needed.quantity
            lines.append(CostLine("fitting", f"Labor: {needed.what}", time * labour, taken, "h"))
    return lines, goods


def _upkeep_lines(candidate: Candidate, value: Lookup, hours: Any, labour: Any) -> list[CostLine]:
    """Services over the hours of use."""

    def own(key: str) -> Any:
        return value(f"candidates.{candidate.id}.{key}")

    lines = []
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
    return lines


def cost_lines(build: Build, candidate: Candidate, fuel: FuelUse, value: Lookup) -> list[CostLine]:
    """Every line of the cost of owning one candidate over the years of use, in the sheet's currency.

    Freight is on goods, tax on goods and freight, tax on labour (where the sheet names one) on what is paid by the hour
    and on machining, the allowance for surprises on everything paid at the start. Upkeep counts running hours over the
    interval without rounding: an expected number of services. What goes with the cam and no line serves is added at the
    price of its rule (`pairing`); one without a price is left out here and stops the candidate (`limits`).
    """
    labour, fuel_price = value("shop.labour_rate"), value("shop.fuel_price")
    lines, goods = _goods_and_fitting(build, candidate, value, labour)
    for charge in run_in_charges(build, candidate, fuel.displacement_m3, value):
        lines.append(CostLine("break-in", charge.text, charge.amount, charge.count, charge.unit))
    freight = value("shop.freight") * goods
    lines.append(CostLine("freight and tax", "Freight on goods", freight))
    lines.append(CostLine("freight and tax", "Tax on goods and freight", value("shop.tax") * (goods + freight)))
    if build.shop.tax_labour > 0.0:
        work = _total([line.amount for line in lines if line.unit == "h" or line.group == "machining"])
        lines.append(CostLine("freight and tax", "Tax on labor", value("shop.tax_labour") * work))
    start: Any = 0.0
    for line in lines:
        start = start + line.amount
    lines.append(CostLine("surprises", "Allowance for surprises", value("shop.contingency") * start))

    hours = value("use.hours_a_year") * value("use.years")
    lines += _upkeep_lines(candidate, value, hours, taxed_labour_rate(build, value))
    rubbed = marginal_fuel_m3(
        time_s=hours * 3600.0,
        speed_rpm=fuel.mean_speed_rpm,
        displacement_m3=fuel.displacement_m3,
        friction_mep_pa=fuel.valvetrain_friction_pa * value("model.friction_scale"),
        marginal_efficiency=value("model.marginal_efficiency"),
        heating_value_j_per_kg=value("model.fuel_heating_value"),
        density_kg_per_m3=value("model.fuel_density"),
    )
    lines.append(
        CostLine(
            "fuel lost to friction",
            "Fuel lost to rubbing in the valvetrain (published fit, from memory)",
            rubbed * fuel_price,
        )
    )
    risk = value(chance_path(candidate)) * value(f"candidates.{candidate.id}.failure.cost")
    lines.append(CostLine("risk of failure", f"Average failure cost: {candidate.failure.what}", risk))
    return lines


def _total(amounts: list[Any]) -> Any:
    total: Any = 0.0
    for amount in amounts:
        total = total + amount
    return total


def first_cost(lines: list[CostLine], candidate: Candidate, value: Lookup) -> Any:
    """Money paid at the start, deposits included (they come back, so they are not a cost of owning)."""
    deposits: Any = 0.0
    for i, part in enumerate(candidate.parts):
        if part.core_charge_money > 0.0:
            deposits = deposits + value(f"candidates.{candidate.id}.parts.{i}.core_charge") * part.quantity
    return _total([line.amount for line in lines if line.is_first]) + deposits


def cost_of_owning(lines: list[CostLine]) -> Any:
    """Everything over the years of use, the expected loss included."""
    return _total([line.amount for line in lines])


def expected_loss(lines: list[CostLine]) -> Any:
    """The part of the cost that is chance times cost of a loss."""
    return _total([line.amount for line in lines if line.group == "risk of failure"])


def cost_without_loss(lines: list[CostLine]) -> Any:
    """Everything but the expected loss."""
    return _total([line.amount for line in lines if line.group != "risk of failure"])
