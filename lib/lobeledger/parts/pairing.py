"""Parts that go together: what a candidate needs besides its cam, and what cannot be put together at all.

What must I buy, change or measure?     `order_list` -> `OrderLine`
What did the sheet forget?              `added_lines`; which of it has no price? `unpriced_lines`
What cannot go together?                `stops`
What pushrod length is needed?          `pushrod_length_change_m`
Where does the oil band travel?         `oil_band_travel_m`
What do the rules look at?              `facts`, `conditions`, `Condition`
Where do their prices come from?        `pairing_data`, `rule_of`, `without_prices`

The rules are data (`PairingRule`, read from pairing.csv): a rule says when it holds, what to do and why. A rule
holds when all its conditions do, words parted by spaces: `follower=roller` (one of several: `a|b`),
`open_load>300_lbf`, `lists=gear` (a price line serves that need) or `lacks=gear`. A price line says what it serves
(`serves = "gear"`); a need that nothing serves is added to the cost at the rule's own price. Common practice, not
a substitute for the part makers' instructions.
"""

from __future__ import annotations

import dataclasses
import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass

from lobeledger import units
from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Build, Datum
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.rules import PairingRule

__all__ = [
    "Condition",
    "OrderLine",
    "added_lines",
    "conditions",
    "facts",
    "oil_band_travel_m",
    "order_list",
    "pairing_data",
    "pushrod_length_change_m",
    "rule_of",
    "stops",
    "unpriced_lines",
    "without_prices",
]

# Facts a rule may ask for: the words a fact may be, or the unit of a number.
_WORDS: dict[str, tuple[str, ...]] = {
    "always": ("yes",),
    "follower": ("flat", "roller"),
    "lifter": ("hydraulic", "solid"),
    "lifter_state": ("new", "used"),
    "core": ("iron", "steel"),
    "provision": ("none", "link-bar-retrofit", "factory-guides"),
    "retention": ("none", "plate", "button"),
    "gear": ("iron", "steel", "bronze", "polymer"),
    "eccentric": ("yes", "no"),
    "studs": ("unknown", "pressed", "screw-in", "shaft"),
    "kind_change": ("yes", "no", "unknown"),
    "inner_spring": ("yes", "no"),
    "bind": ("short", "enough"),
    "retainer": ("short", "enough"),
    "oil_band": ("unknown", "partly", "low", "high", "inside"),
}
_NUMBERS = {"open_load": "N", "rocker_ratio": "", "pushrod_change": "m"}
_CONDITION = re.compile(r"([a-z_]+)([=>])(\S+)")


@dataclass(frozen=True)
class Condition:
    """One condition of a rule: `fact` is one of `words`, or above `above` (SI)."""

    fact: str
    words: tuple[str, ...] = ()
    above: float = 0.0


@dataclass(frozen=True)
class OrderLine:
    """One line of the order list.

    rule: id of the rule. price and time are those of one, with their range; a price of None is not known in the
    sheet's currency. covered_by: the sheet's own line that serves it, or another rule's; empty if none.
    is_added: the rule puts it into the cost. needs: what a price line may serve instead. change_m: the computed change
    of pushrod length, where known.
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


def pushrod_length_change_m(*, seat_height_change_m: float, base_radius_change_m: float) -> float:
    """Change of pushrod length that keeps the rocker where it was.

    dL = -(dh + dr), all in m: dh change of the pushrod seat's height above the foot or wheel's contact, dr change
    of the base circle radius; both raise the lower end of the pushrod. Head, gasket and valve unchanged. From
    geometry. A lifter whose seat is 0.400 in higher on a base circle 0.015 in smaller wants a rod 0.385 in shorter:

    >>> inch = 0.0254
    >>> change = pushrod_length_change_m(seat_height_change_m=0.400 * inch, base_radius_change_m=-0.015 * inch)
    >>> round(change / inch, 3)
    -0.385
    """
    return -(seat_height_change_m + base_radius_change_m)


def oil_band_travel_m(*, band_height_m: float, base_radius_change_m: float, lobe_lift_m: float) -> tuple[float, float]:
    """Height of a lifter's oil band above the lower edge of its bore, on the base circle and at full lift (m).

    band_height_m is measured on the old base circle; a smaller one lowers the lifter by the difference of radii.
    From geometry; for lifters along the bore's axis. Raises OutOfRange for a negative lift.

    >>> [round(each, 4) for each in oil_band_travel_m(
    ...     band_height_m=0.0190, base_radius_change_m=-0.0005, lobe_lift_m=0.0085)]
    [0.0185, 0.027]
    """
    if lobe_lift_m < 0.0:
        raise OutOfRange(f"lobe_lift_m is {lobe_lift_m:g} m; a lift is not negative")
    low = band_height_m + base_radius_change_m
    return low, low + lobe_lift_m


# -- facts --------------------------------------------------------------------------------------------------


@functools.lru_cache(maxsize=512)
def conditions(when: str) -> tuple[Condition, ...]:
    """The conditions of a rule, from its words; OutOfRange names the first that cannot be understood.

    >>> conditions("follower=flat rocker_ratio>1.55")
    (Condition(fact='follower', words=('flat',), above=0.0), Condition(fact='rocker_ratio', words=(), above=1.55))
    """
    found: list[Condition] = []
    for word in when.split():
        match = _CONDITION.fullmatch(word)
        fact, sign, rest = match.groups() if match else (word, "", "")
        if sign == ">" and fact in _NUMBERS:
            try:
                unit = _NUMBERS[fact]
                above = units.quantity(rest.replace("_", " "), unit) if unit else float(rest)
            except (units.UnitTrouble, ValueError) as trouble:
                raise OutOfRange(f"the condition '{word}' has no number with its unit ({trouble})") from None
            found.append(Condition(fact, above=above))
            continue
        words = tuple(rest.split("|"))
        if sign != "=" or not (fact in ("lists", "lacks") or (fact in _WORDS and set(words) <= set(_WORDS[fact]))):
            raise OutOfRange(
                f"the condition '{word}' is not known; write lists=, lacks=, "
                + ", ".join(f"{name}={'|'.join(known)}" for name, known in _WORDS.items())
                + ", "
                + ", ".join(f"{name}>" for name in _NUMBERS)
            )
        found.append(Condition(fact, words=words))
    if not found:
        raise OutOfRange("a rule has no condition; write always=yes")
    return tuple(found)


def _pushrod_change(build: Build, candidate: Candidate) -> float | None:
    """Needed change of pushrod length; None where lifter height or the fitted base circle is not known."""
    fitted, seat = build.block.fitted_base_circle_radius_m, candidate.lifter_seat_change_m
    if fitted is None or seat is None:
        return None
    radius = candidate.valvetrain.base_circle_radius_m - fitted
    return pushrod_length_change_m(seat_height_change_m=seat, base_radius_change_m=radius)


def _oil_band(build: Build, candidate: Candidate) -> str:
    """Where the oil band travels: inside its bore, below or above it; or known not at all or in part."""
    block = build.block
    if block.oil_band_m is None:
        return "unknown"
    fitted = block.fitted_base_circle_radius_m
    change = 0.0 if fitted is None else candidate.valvetrain.base_circle_radius_m - fitted
    lift = max(candidate.intake.lobe_lift_m, candidate.exhaust.lobe_lift_m)
    low, high = oil_band_travel_m(band_height_m=block.oil_band_m, base_radius_change_m=change, lobe_lift_m=lift)
    if low <= 0.0:
        return "low"
    if block.lifter_bore_height_m is None:
        return "partly"
    return "high" if high >= block.lifter_bore_height_m else "partly" if fitted is None else "inside"


def _kind_change(build: Build, candidate: Candidate) -> str:
    """Whether the lifter kind changes. A block that offers rollers nothing has had flat lifters."""
    fitted = build.block.fitted_lifter
    if fitted == "unknown" and build.block.lifter_provision == "none":
        fitted = "flat"
    return "unknown" if fitted == "unknown" else "no" if fitted == candidate.follower else "yes"


def facts(build: Build, candidate: Candidate) -> dict[str, str | float]:
    """What the rules look at, by name: words, or numbers in SI."""
    block, springs, ratio = build.block, candidate.springs, candidate.valvetrain.rocker_ratio
    lift = candidate.greatest_valve_lift_m
    bind = springs.installed_height_m - springs.coil_bind_m - lift
    retainer = springs.retainer_to_seal_m - lift
    change = _pushrod_change(build, candidate)
    return {
        "always": "yes",
        "follower": candidate.follower,
        "lifter": candidate.lifter,
        "lifter_state": "used" if candidate.has_used_lifters else "new",
        "core": candidate.core,
        "provision": block.lifter_provision.replace(" ", "-"),
        "retention": block.cam_retention,
        "gear": block.distributor_gear,
        "eccentric": "yes" if block.fuel_pump_eccentric else "no",
        "studs": build.engine.rocker_studs,
        "kind_change": _kind_change(build, candidate),
        "inner_spring": "yes" if springs.inner_rate_n_per_m > 0.0 else "no",
        "bind": "short" if bind < build.limits.coil_bind_clearance_m else "enough",
        "retainer": "short" if retainer < build.limits.retainer_clearance_m else "enough",
        "oil_band": _oil_band(build, candidate),
        "open_load": candidate.greatest_open_load_n,
        "rocker_ratio": ratio,
        "pushrod_change": 0.0 if change is None else abs(change),
    }


# -- the list -----------------------------------------------------------------------------------------------


def _holds(condition: Condition, known: Mapping[str, str | float], served: Mapping[str, str]) -> bool:
    if condition.fact in ("lists", "lacks"):
        return any(word in served for word in condition.words) == (condition.fact == "lists")
    value = known[condition.fact]
    return value > condition.above if isinstance(value, float) else value in condition.words


def order_list(
    build: Build, candidate: Candidate, rules: tuple[PairingRule, ...] | None = None
) -> tuple[OrderLine, ...]:
    """Everything that goes with a candidate, in the order of the rules (those of the build if none are given)."""
    served: dict[str, str] = {}
    for line in (each for each in candidate.parts if each.quantity > 0.0):
        for name in line.serve_names:
            served.setdefault(name, line.item)
    known, change = facts(build, candidate), _pushrod_change(build, candidate)
    counts = {"build": 1, "valve": 2 * build.engine.cylinders, "cylinder": build.engine.cylinders}
    added: dict[tuple[str, ...], str] = {}
    found: list[OrderLine] = []
    for rule in build.pairing if rules is None else rules:
        if not all(_holds(each, known, served) for each in conditions(rule.when)):
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
                change_m=change if rule.id.startswith("pushrods") else None,
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
            note = f"no price line serves it: {line.what}; {line.why}"
            for key, unit, low, value, high in (
                ("price", build.currency, line.price_low_money, line.price_money, line.price_high_money),
                ("time", "h", line.time_low_h, line.time_h, line.time_high_h),
            ):
                if value:
                    path = f"pairing.{line.rule}.{key}"
                    found[path] = Datum(path, value, low, high, unit, f"{value:g} {unit}", "assumed", note, False)
    return found
