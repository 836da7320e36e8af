"""What was filled in because a build sheet does not say, in words and with how far off it may be.

What did we guess, for a customer?     `guess_texts`
One such value with its range          `guess_text`

Only what an owner or builder can answer is said; the rest, numbers of the calculation, is counted and stands on the
choose page.
"""

from __future__ import annotations

import math
from collections.abc import Collection

from lobeledger import units
from lobeledger.choice.results import is_assumption
from lobeledger.page.words.comparison import compared_data
from lobeledger.page.words.flips import input_text
from lobeledger.parts.build import Build, Datum

__all__ = ["guess_text", "guess_texts"]

# The end of a path -> what an owner or builder calls it. Prices of the library's tables have their names there.
_NAMES = {
    "shop.labour_rate": "shop labor",
    "shop.dyno_rate": "dyno with operator",
    "shop.fuel_price": "fuel",
    "shop.run_in_oil": "break-in oil, filters, first service",
    "shop.freight": "freight, of the price of parts",
    "shop.contingency": "set aside for surprises",
    "use.hours_a_year": "engine hours a year",
    "engine.runner_length": "length of an intake runner",
    "vehicle.booster_vacuum": "vacuum the brakes want",
    "limits.coil_bind_clearance": "room wanted before coil bind",
    "limits.retainer_clearance": "room wanted at the valve seals",
    "limits.torque_worth": "what 1% more torque is worth",
    "run_in_time": "minutes of break-in",
    "run_in_speed": "speed of the break-in",
    "lash_check_every": "engine hours between lash checks",
    "lash_check_labour": "work of a lash check",
    "spring_change_every": "engine hours a set of springs lasts",
    "spring_labour": "work of a spring change",
    "spring_set_price": "a set of springs",
    "lifter_service_every": "engine hours between lifter services",
    "lifter_service_price": "parts of a lifter service",
    "lifter_labour": "work of a lifter service",
    "fitting_time": "work to fit it",
    "failure.cost": "cost of a failure",
}
_KINDS = {"m": "lift", "kg": "mass", "N": "load", "N/m": "rate"}
_SHARES = ("shop.freight", "shop.contingency")


def _name(build: Build, path: str) -> str:
    """What people call the value at a path; empty for a number of the calculation."""
    if path.startswith("candidates."):
        tail = path.split(".", 2)[2]
        return _NAMES.get(tail, "") or (input_text(build, path) if tail.endswith(".price") else "")
    if path.partition(".")[0] in ("remedies", "pairing", "precautions"):
        return input_text(build, path) if path.endswith(".price") else ""
    return _NAMES.get(path, "")


def _plain(number: float) -> str:
    """A number to two figures, whole from a hundred on, without zeros that say nothing."""
    if not number:
        return "0"
    digits = max(0, 1 - math.floor(math.log10(abs(number))))
    text = f"{round(number, digits):,.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def guess_text(build: Build, datum: Datum, system: str) -> str:
    """A value and its low and high for a person, the unit once: '115 (80 to 160) USD/h'."""
    unit, scale = "", 1.0
    if datum.unit in _KINDS:
        kind = _KINDS[datum.unit]
        unit, scale = units.shown_unit(kind, system), units.from_si(1.0, kind, system)
    elif datum.path in _SHARES:
        unit, scale = "%", 100.0
    elif datum.unit == f"{build.currency}/m**3":
        unit = f"{build.currency}/{units.shown_unit('volume', system)}"
        scale = 1.0 / units.from_si(1.0, "volume", system)
    elif datum.unit == "s":
        unit, scale = "min", 1.0 / 60.0
    elif datum.unit == "Pa":
        unit, scale = units.shown_unit("vacuum", system), units.from_si(1.0, "vacuum", system)
    else:
        unit = datum.unit
    said = _plain(float(datum.value) * scale)
    if datum.low is not None and datum.high is not None and datum.low < datum.high:
        said += f" ({_plain(datum.low * scale)} to {_plain(datum.high * scale)})"
    return f"{said}{'' if unit == '%' else ' '}{unit}".strip()


def guess_texts(build: Build, system: str, *, remedies: Collection[str] = ()) -> tuple[list[str], int]:
    """Every guess with a range that an owner or builder could answer, and how many more numbers were filled in.

    Cams that share a value are named together. remedies: ids of the fixes that are spoken of; prices of others are
    counted only.
    """
    found: dict[str, dict[str, list[str]]] = {}
    others = 0
    for datum in compared_data(build):
        if not is_assumption(datum):
            continue
        name = _name(build, datum.path)
        is_ranged = datum.low is not None and datum.high is not None and datum.low < datum.high
        if datum.path.startswith("remedies.") and datum.path.split(".")[1] not in remedies:
            name = ""
        if not name or not is_ranged or not isinstance(datum.value, (int, float)):
            others += 1
            continue
        owner = datum.path.split(".")[1] if datum.path.startswith("candidates.") else ""
        owners = found.setdefault(name, {}).setdefault(guess_text(build, datum, system), [])
        if owner not in owners:
            owners.append(owner)
    said = [
        f"{name}: {'; '.join(text + _whose(build, owners) for text, owners in values.items())}"
        for name, values in found.items()
    ]
    return said, others


def _whose(build: Build, owners: list[str]) -> str:
    """Whose a value is, to follow it: nothing where it is everyone's, a kind of lifter, or names."""
    if owners == [""] or len(owners) == len(build.candidates):
        return ""
    kinds = {
        "flat": lambda c: c.follower == "flat",
        "roller": lambda c: c.follower == "roller",
        "solid": lambda c: c.lifter == "solid",
        "hydraulic": lambda c: c.lifter == "hydraulic",
    }
    for word, belongs in kinds.items():
        if {c.id for c in build.candidates if belongs(c)} == set(owners):
            return f" for {word}"
    return f" for {' and '.join(build.candidate(each).name for each in owners)}"
