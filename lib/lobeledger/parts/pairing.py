"""Parts that go together: what a candidate needs besides its cam, and what cannot be put together at all.

What must I buy, change or measure?     `order_list` -> `OrderLine`
What did the sheet forget?              `added_lines`; which of it has no price? `unpriced_lines`
What cannot go together?                `stops`
Where do their prices come from?        `pairing_data`, `rule_of`, `without_prices`

The rules are data (`PairingRule`, read from pairing.csv): a rule says when it holds (`conditions`), what to do and
why. A price line says what it serves (`serves = "gear"`); a need that nothing serves is added to the cost at the
rule's own price. Common practice, not a substitute for the part makers' instructions.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build, Datum
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.facts import pushrod_change_of
from lobeledger.parts.rules import PairingRule

__all__ = [
    "OrderLine",
    "added_lines",
    "order_list",
    "pairing_data",
    "rule_of",
    "stops",
    "unpriced_lines",
    "without_prices",
]


@dataclass(frozen=True)
class OrderLine:
    """One line of the order list.

    rule: id of the rule. price and time are those of one, with their range; a price of None is not known in the
    sheet's currency. covered_by: the sheet's own line that serves it, or another rule's; empty if none.
    is_added: the rule puts it into the cost. needs: what a price line may serve instead. change_m: the computed change
    of pushrod length, where known. remedy: what to do about it. caution: what else it asks.
    """

    rule: str
    verb: str
    what: str
    why: str
    origin: str
    quantity: int
    group: str
    price_money: float | None
    price_low_money: float | None
    price_high_money: float | None
    time_h: float
    time_low_h: float
    time_high_h: float
    covered_by: str = ""
    is_added: bool = False
    needs: tuple[str, ...] = ()
    change_m: float | None = None
    remedy: str = ""
    caution: str = ""

    @property
    def told(self) -> str:
        """Reason, remedy and caution, as far as the rule has them."""
        return "; ".join(part for part in (self.why, self.remedy, self.caution) if part)


# -- the list -----------------------------------------------------------------------------------------------


def order_list(
    build: Build, candidate: Candidate, rules: tuple[PairingRule, ...] | None = None
) -> tuple[OrderLine, ...]:
    """Everything that goes with a candidate, in the order of the rules (those of the build if none are given).

    Nothing goes with the cam that is fitted: what it needs is in the engine, and that it goes together it has shown.
    """
    if candidate.is_fitted:
        return ()
    if rules is None:
        return build.kept("order_list", candidate, lambda: order_list(build, candidate, build.pairing))
    served: dict[str, str] = {}
    for line in (each for each in candidate.parts if each.quantity > 0.0):
        for name in line.serve_names:
            served.setdefault(name, line.item)
    known, change = build.facts(candidate), pushrod_change_of(build.block, candidate)
    counts = {"build": 1, "valve": 2 * build.engine.cylinders, "cylinder": build.engine.cylinders}
    added: dict[tuple[str, ...], str] = {}
    found: list[OrderLine] = []
    for rule in rules:
        if not rule.when.holds(known):
            continue
        covered = next((served[need] for need in rule.needs if need in served), "")
        # Two rules may ask for the same thing; it is bought once.
        covered = covered or (added.get(rule.needs, "") if rule.costs else "")
        is_added = rule.costs and not covered
        if is_added and rule.needs:
            added[rule.needs] = rule.item
        found.append(
            OrderLine(
                rule=rule.id,
                verb=rule.verb,
                what=rule.item,
                why=rule.reason,
                remedy=rule.remedy,
                caution=rule.caution,
                origin=rule.origin,
                quantity=counts[rule.per],
                group=rule.group,
                price_money=rule.price_money,
                price_low_money=rule.price_low_money,
                price_high_money=rule.price_high_money,
                time_h=rule.time_h,
                time_low_h=rule.time_low_h,
                time_high_h=rule.time_high_h,
                covered_by=covered,
                is_added=is_added,
                needs=rule.needs,
                change_m=change if rule.tells == "pushrod_change" else None,
            )
        )
    return tuple(found)


def added_lines(build: Build, candidate: Candidate) -> tuple[OrderLine, ...]:
    """What no price line serves and a rule therefore puts into the cost."""
    return tuple(line for line in order_list(build, candidate) if line.is_added)


def unpriced_lines(build: Build, candidate: Candidate) -> tuple[OrderLine, ...]:
    """What is needed and in no price, the library's prices being in another currency than the sheet."""
    return tuple(line for line in added_lines(build, candidate) if line.price_money is None)


def stops(build: Build, candidate: Candidate) -> tuple[OrderLine, ...]:
    """What cannot go together; empty when all can."""
    return tuple(line for line in order_list(build, candidate) if line.verb == "stop")


# -- prices -------------------------------------------------------------------------------------------------


def without_prices(rules: tuple[PairingRule, ...]) -> tuple[PairingRule, ...]:
    """The rules without the library's prices, for a sheet in another currency; what costs nothing stays so."""
    return tuple(
        dataclasses.replace(rule, price_low_money=None, price_money=None, price_high_money=None)
        if rule.price_money
        else rule
        for rule in rules
    )


def rule_of(build: Build, rule_id: str) -> PairingRule:
    """The build's rule with this id; OutOfRange if there is none."""
    for rule in build.pairing:
        if rule.id == rule_id:
            return rule
    raise OutOfRange(f"there is no pairing rule '{rule_id}'; see pairing.csv")


def pairing_data(build: Build) -> dict[str, Datum]:
    """What the rules put into the cost of some candidate, so that every sheet lists it as the library's own figure."""
    found: dict[str, Datum] = {}
    for candidate in build.candidates:
        for line in added_lines(build, candidate):
            note = f"no price line serves it: {line.what}; {line.told}"
            for key, unit, low, value, high in (
                ("price", build.currency, line.price_low_money, line.price_money, line.price_high_money),
                ("time", "h", line.time_low_h, line.time_h, line.time_high_h),
            ):
                if value:
                    path = f"pairing.{line.rule}.{key}"
                    found[path] = Datum(path, value, low, high, unit, f"{value:g} {unit}", "assumed", note, False)
    return found
