"""Units: SI inside, the trade's or metric units at the edge, conversions nowhere else.

What does this text mean?           `quantity`, `money`, `UnitTrouble`
What temperature is that?           `kelvin`
How is it shown to a person?        `show`, `shown_unit`, `sheet_unit`, `from_si`, `rewritten`, `SYSTEMS`
Which shaft is this angle on?       `cam_rad_from_crank_rad`, `crank_rad_from_cam_rad`, `rad`, `deg`

A build sheet writes quantities as text with a unit ("4.030 in"). `pint` does the arithmetic; this room
adds what `pint` cannot know: currencies, and the three spellings it reads as something else
(`mil` is an angle to it, `cfm` a length, `$` nothing at all).
"""

from __future__ import annotations

import functools
import math
import re
from typing import Any

__all__ = [
    "DEG_RAD",
    "INCH_M",
    "LBF_N",
    "SYSTEMS",
    "UnitTrouble",
    "both",
    "cam_rad_from_crank_rad",
    "crank_rad_from_cam_rad",
    "deg",
    "from_si",
    "kelvin",
    "quantity",
    "rad",
    "rewritten",
    "sheet_unit",
    "show",
    "shown_unit",
]

SYSTEMS = ("us", "metric")
# For code that thinks in SI: the inch is exact, the pound-force follows from pound and standard gravity (NIST SP 811).
INCH_M = 0.0254
LBF_N = 4.4482216152605
DEG_RAD = math.pi / 180.0
_NUMBER = re.compile(r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")
# What a unit may be made of: letters, * / ^ ** ( ), and one-digit powers, not stacked. Anything else could be
# arithmetic in disguise, such as "in**9**9**9", which would never end.
_UNIT_CHARACTERS = re.compile(r"[A-Za-z\u00b5\u03bc\u00b2\u00b3_*/^(). \u00b7-]*")
_POWER = re.compile(r"\s*(?:\*\*|\^)\s*-?\d(?!\d|\s*(?:\*\*|\^))")
_LONGEST = 60
_ODD_NUMBER = re.compile(r"^\s*[+-]?\d+,\d+")
_CODE = re.compile(r"(?<![A-Za-z])([A-Z]{3})(?![A-Za-z])")
# Spellings that pint reads as something else, and what the trade means by them.
_TRAPS = {
    "mil": "pint reads 'mil' as an angle; write thou or 0.001 in",
    "mils": "pint reads 'mils' as an angle; write thou or 0.001 in",
    "cfm": "write ft**3/min",
    "$": "write the currency's three letters, such as USD",
    "€": "write the currency's three letters, such as EUR",
    "£": "write the currency's three letters, such as GBP",
    '"': "write in for inches",
    "°": "write deg for degrees",
}
# Thermometer scales count from another zero, which `quantity` refuses: K = (value + zero) x step.
_SCALES = {"degC": (273.15, 1.0), "degF": (459.67, 5.0 / 9.0), "kelvin": (0.0, 1.0), "K": (0.0, 1.0)}
# What a wrong kind of unit most often wanted to be: (dimension found, dimension needed) -> advice.
_ADVICE = {
    ("kg", "N"): "a spring load is a force: write lbf or N, not lb or kg",
    ("kg", "N/m"): "a spring rate is force over length: write lbf/in or N/mm",
    ("kg/m", "N/m"): "a spring rate is force over length: write lbf/in, not lb/in",
    ("N", "kg"): "a mass is wanted: write g, kg or lb, not lbf",
}
# One example a target unit, offered when the unit is missing or wrong.
_EXAMPLE = {
    "m": "in or mm",
    "rad": "deg",
    "kg": "g or kg",
    "N": "lbf or N",
    "N/m": "lbf/in or N/mm",
    "Pa": "inHg, psi or kPa",
    "kg*m**2": "kg*m**2",
    "rpm": "rpm",
    "h": "h",
    "s": "s or min",
    "m/s": "mph or km/h",
    "m**3/s": "ft**3/min or L/s",
    "K": "kelvin",
    "J/kg": "MJ/kg",
    "kg/m**3": "kg/m**3",
    "rad/s": "rpm",
    "N*s/m": "N*s/m",
    "m/rad": "in/deg or mm/deg",
    "Pa*s": "mPa*s",
}


class UnitTrouble(ValueError):
    """A quantity cannot be read; the text says what would be right, the caller adds where."""


@functools.cache
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("money = [money]")
    return registry


@functools.lru_cache(maxsize=4096)
def _factor(unit: str, target: str) -> float:
    """Multiplier from `unit` to `target`; raises UnitTrouble with advice."""
    import pint

    registry = _registry()
    bare = _POWER.sub("", unit.replace("H2O", "HO"))
    if not _UNIT_CHARACTERS.fullmatch(bare):
        raise UnitTrouble(f"'{unit}' is not a unit known here; write {_EXAMPLE.get(target, target)}")
    try:
        parsed = registry.parse_units(unit)
        wanted = registry.parse_units(target)
        if not registry.Quantity(1.0, parsed)._is_multiplicative:
            raise UnitTrouble(f"'{unit}' counts from another zero; write kelvin")
        return float(registry.Quantity(1.0, parsed).to(wanted).magnitude)
    except UnitTrouble:
        raise
    except pint.DimensionalityError:
        base = str(registry.Quantity(1.0, parsed).to_base_units().units)
        need = _EXAMPLE.get(target, target)
        for (found, needed), advice in _ADVICE.items():
            same = registry.parse_units(found).dimensionality == parsed.dimensionality
            if same and needed == target:
                raise UnitTrouble(advice) from None
        raise UnitTrouble(f"'{unit}' is the wrong kind of unit ({base}); write {need}") from None
    except Exception:
        raise UnitTrouble(f"'{unit}' is not a unit known here; write {_EXAMPLE.get(target, target)}") from None


def kelvin(value: float, scale: str, *, step: bool = False) -> float:
    """A temperature of the scale degF, degC or kelvin in K; `step`: a difference, for which its zero does not count.

    Raises UnitTrouble for another scale. NIST SP 811, 2008, appendix B.8 (from memory).

    >>> round(kelvin(205.0, "degF"), 2), kelvin(3.0, "degC", step=True)
    (369.26, 3.0)
    """
    if scale not in _SCALES:
        raise UnitTrouble(f"'{scale[:_LONGEST]}' is no temperature scale; write degF, degC or kelvin")
    zero, size = _SCALES[scale]
    return (value + (0.0 if step else zero)) * size


def quantity(text: str, target: str, *, currency: str | None = None) -> float:
    """Read text such as "4.030 in" into the unit `target` (a pint unit; `money` stands for the currency).

    Raises UnitTrouble when the number or unit is missing, not understood, of the wrong kind, or when
    money is named in another currency than the sheet's.

    >>> round(quantity("4.030 in", "m"), 6)
    0.102362
    >>> quantity("120 USD/h", "money/h", currency="USD")
    120.0
    """
    if len(text) > _LONGEST:
        raise UnitTrouble(f"'{text[:20]}...' is too long for a number and its unit")
    if _ODD_NUMBER.match(text):
        raise UnitTrouble(f"'{text}' has a comma in its number; write a decimal point and no thousands mark")
    for trap, advice in _TRAPS.items():
        if re.search(rf"(?<![A-Za-z]){re.escape(trap)}(?![A-Za-z])", text):
            raise UnitTrouble(f"'{trap}' cannot be read safely; {advice}")
    match = _NUMBER.match(text)
    example = _example(target, currency)
    if not match:
        raise UnitTrouble(f"'{text}' does not start with a number; write a number and its unit ({example})")
    number, unit = float(match.group(1)), match.group(2)
    if not unit:
        raise UnitTrouble(f"'{text}' has no unit; write one ({example})")
    if re.search("money", unit, re.IGNORECASE):
        raise UnitTrouble(f"'{text}' names no currency; write {example}")
    for code in _CODE.findall(unit):
        if code == currency:
            unit = re.sub(rf"\b{code}\b", "money", unit)
        elif "money" in target:
            raise UnitTrouble(
                f"'{code}' is not this sheet's currency"
                + (f" ({currency}); write {example}" if currency else "; the sheet names no currency at its top")
            )
    if "money" in target and "money" not in unit:
        raise UnitTrouble(f"'{text}' names no currency; write {example}")
    try:
        value = number * _factor(unit, target)
    except UnitTrouble as trouble:
        raise UnitTrouble(str(trouble).replace("money", currency or "money")) from None
    if not math.isfinite(value):
        raise UnitTrouble(f"'{text}' is not a finite number")
    return value


def _example(target: str, currency: str | None) -> str:
    if "money" in target:
        return target.replace("money", currency or "USD")
    return _EXAMPLE.get(target, target)


def rad(degrees: float) -> float:
    """Degrees to radians."""
    return math.radians(degrees)


def deg(radians: float) -> float:
    """Radians to degrees."""
    return math.degrees(radians)


def cam_rad_from_crank_rad(crank_rad: float) -> float:
    """The cam of a four-stroke engine turns half as far as the crank."""
    return crank_rad / 2.0


def crank_rad_from_cam_rad(cam_rad: float) -> float:
    """The crank of a four-stroke engine turns twice as far as the cam."""
    return cam_rad * 2.0


# kind of figure -> system -> (pint unit to convert to, text shown, decimals)
_SHOWN: dict[str, tuple[str, dict[str, tuple[str, str, int]]]] = {
    "lift": ("m", {"us": ("in", "in", 3), "metric": ("mm", "mm", 2)}),
    "length": ("m", {"us": ("in", "in", 3), "metric": ("mm", "mm", 1)}),
    "mass": ("kg", {"us": ("g", "g", 0), "metric": ("g", "g", 0)}),
    "load": ("N", {"us": ("lbf", "lbf", 0), "metric": ("N", "N", 0)}),
    "rate": ("N/m", {"us": ("lbf/in", "lbf/in", 0), "metric": ("N/mm", "N/mm", 1)}),
    "stress": ("Pa", {"us": ("kpsi", "ksi", 0), "metric": ("MPa", "MPa", 0)}),
    "vacuum": ("Pa", {"us": ("inHg", "inHg", 1), "metric": ("kPa", "kPa", 1)}),
    "pressure": ("Pa", {"us": ("psi", "psi", 0), "metric": ("kPa", "kPa", 0)}),
    "torque": ("N*m", {"us": ("lbf*ft", "lbf·ft", 0), "metric": ("N*m", "N·m", 0)}),
    "power": ("W", {"us": ("hp", "hp", 0), "metric": ("kW", "kW", 0)}),
    "angle": ("rad", {"us": ("deg", "°", 1), "metric": ("deg", "°", 1)}),
    "rpm": ("rpm", {"us": ("rpm", "rpm", 0), "metric": ("rpm", "rpm", 0)}),
    "volume": ("m**3", {"us": ("gal", "gal", 2), "metric": ("L", "L", 1)}),
    "share": ("dimensionless", {"us": ("percent", "%", 1), "metric": ("percent", "%", 1)}),
    "heat": ("W", {"us": ("hp", "hp", 0), "metric": ("kW", "kW", 0)}),
    "landing": ("m/s", {"us": ("ft/s", "ft/s", 1), "metric": ("m/s", "m/s", 2)}),
    "speed": ("m/s", {"us": ("mph", "mph", 0), "metric": ("km/h", "km/h", 0)}),
}


def from_si(value: float, kind: str, system: str = "us") -> float:
    """An SI figure in the unit in which `kind` is shown (`system`: "us" or "metric")."""
    si, shown = _SHOWN[kind]
    return value * _factor(shown[system][0], si) ** -1


def shown_unit(kind: str, system: str = "us") -> str:
    """The unit text in which `kind` is shown."""
    return _SHOWN[kind][1][system][1]


def sheet_unit(kind: str, system: str = "us") -> str:
    """The unit of a kind as a build sheet spells it.

    >>> sheet_unit("angle"), sheet_unit("rate", "metric")
    ('deg', 'N/mm')
    """
    return _SHOWN[kind][1][system][0]


def show(
    value: float, kind: str, system: str = "us", *, unit: bool = True, digits: int = 0, toward: str = "nearest"
) -> str:
    """An SI figure as text for a person, with its unit.

    digits: more decimals than the kind is shown with. toward: "up" or "down" rounds what is said to be enough so that
    it really is enough.

    >>> show(0.0127, "lift")
    '0.500 in'
    >>> show(0.0127, "lift", "metric")
    '12.70 mm'
    >>> show(0.02228342, "lift"), show(0.02228342, "lift", toward="up")
    ('0.877 in', '0.878 in')
    """
    number = from_si(value, kind, system)
    digits += _SHOWN[kind][1][system][2]
    if toward != "nearest":
        scale = 10.0**digits
        whole = math.ceil if toward == "up" else math.floor
        # What stands on a digit already must not be pushed to the next by the last bit.
        number = whole(number * scale - math.copysign(1e-9 * abs(number) * scale, 1 if toward == "up" else -1)) / scale
    text = f"{number:,.{digits}f}"
    if not unit:
        return text
    mark = shown_unit(kind, system)
    return text + ("" if mark in ("°", "%") else " ") + mark


def both(value: float, kind: str, *, digits: int = 0, toward: str = "nearest") -> str:
    """An SI figure in the US unit with the metric one beside it, for a sentence that serves every user.

    digits: more decimals than the kind is shown with. toward: as in `show`.

    >>> both(0.0127, "lift"), both(0.0000254, "lift", digits=1), both(5000.0, "rpm")
    ('0.500 in (12.70 mm)', '0.0010 in (0.025 mm)', '5,000 rpm')
    """
    us, metric = (show(value, kind, system, digits=digits, toward=toward) for system in SYSTEMS)
    return us if us == metric else f"{us} ({metric})"


def rewritten(value: float, text: str, target: str, currency: str | None = None) -> str:
    """A value in `target` written in the unit of `text`: what the user would write for it.

    >>> rewritten(0.0508, "4.030 in", "m")
    '2 in'
    """
    match = _NUMBER.match(text)
    unit = match.group(2) if match else ""
    number = value / quantity(f"1 {unit}", target, currency=currency) if unit else value
    digits = max(0, 3 - math.floor(math.log10(abs(number)))) if number else 0
    shown = f"{number:.{min(digits, 6)}f}" if digits else f"{number:,.0f}"
    shown = shown.rstrip("0").rstrip(".") if "." in shown else shown
    return f"{shown} {unit}".strip()
