"""What a field of a part holds, and the check made when a part is made.

Which fields, which units?       `Spec`, `spec_of`, `key_of`
How is a field declared?         `amount`, `number`, `choice`, `flag`, `words`, `table`, `tables`
Change one value                 `replaced`
Which field is behind a path?    `field_at`, `meaning_at`
Where may a value come from?     `ORIGINS`

A field's `Spec` is the one place that says its unit, range and meaning: the build sheet is read by it,
defaults are looked up by it and panels take their limits from it. Parts know nothing of files.
"""

from __future__ import annotations

import dataclasses
import difflib
import functools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from lobeledger.errors import OutOfRange

__all__ = [
    "ORIGINS",
    "Part",
    "Spec",
    "amount",
    "check_ordered",
    "choice",
    "flag",
    "field_at",
    "key_of",
    "meaning_at",
    "number",
    "replaced",
    "spec_of",
    "table",
    "tables",
    "words",
]

ORIGINS = ("given", "measured", "card", "computed", "handbook", "common practice", "assumed")


@dataclass(frozen=True)
class Spec:
    """What a field holds.

    kind: "quantity" (text with a unit), "number" (bare ratio or count), "choice", "flag", "text",
    "part" (a table of its own) or "parts" (an array of tables).
    unit: the SI unit (pint spelling) of a quantity; `money` stands for the sheet's currency.
    low, high: least and greatest value allowed, in `unit`.
    exact: why a sheet may give it no range of its own (pm, low, high); empty where it may, and then the range moves
    some figure's band or the draws.
    """

    kind: str
    doc: str
    unit: str = ""
    example: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    whole: bool = False
    optional: bool = False
    exact: str = ""


# TOML keys are field names without their unit; longest suffix first.
_SUFFIXES = (
    "_money_per_h",
    "_money_per_m3",
    "_n_per_m",
    "_m3_per_s",
    "_m_per_s",
    "_m_per_rad",
    "_kg_m2",
    "_kg_per_m3",
    "_n_s_per_m",
    "_j_per_kg",
    "_money",
    "_rpm",
    "_rad",
    "_kg",
    "_pa",
    "_h",
    "_k",
    "_m",
    "_n",
    "_s",
)


@functools.cache
def key_of(name: str) -> str:
    """The build sheet's key for a field: its name without the unit.

    >>> key_of("bore_m"), key_of("rate_n_per_m"), key_of("years")
    ('bore', 'rate', 'years')
    """
    for suffix in _SUFFIXES:
        if name.endswith(suffix) and len(name) > len(suffix):
            return name[: -len(suffix)]
    return name


def _field(spec: Spec, default: Any) -> Any:
    return field(default=default, metadata={"spec": spec})


def amount(
    unit: str, example: str, doc: str, low: float, high: float, *, optional: bool = False, exact: str = ""
) -> Any:
    spec = Spec("quantity", doc, unit=unit, example=example, low=low, high=high, optional=optional, exact=exact)
    return _field(spec, None if optional else dataclasses.MISSING)


def number(
    doc: str,
    low: float,
    high: float,
    *,
    whole: bool = False,
    example: str = "",
    optional: bool = False,
    exact: str = "",
) -> Any:
    exact = exact or ("it is a count" if whole else "")
    spec = Spec("number", doc, low=low, high=high, whole=whole, example=example, optional=optional, exact=exact)
    return _field(spec, None if optional else dataclasses.MISSING)


def choice(doc: str, *choices: str, optional: bool = False) -> Any:
    spec = Spec("choice", doc, choices=choices, example=f'"{choices[0]}"', optional=optional)
    return _field(spec, None if optional else dataclasses.MISSING)


def flag(doc: str, *, optional: bool = False) -> Any:
    spec = Spec("flag", doc, example="true", optional=optional)
    return _field(spec, None if optional else dataclasses.MISSING)


def words(doc: str, *, default: str | None = None) -> Any:
    spec = Spec("text", doc, example='"..."', optional=default is not None)
    return _field(spec, dataclasses.MISSING if default is None else default)


def table(doc: str) -> Any:
    return field(metadata={"spec": Spec("part", doc)})


def tables(doc: str, *, least: int = 1) -> Any:
    spec = Spec("parts", doc, low=least, optional=least == 0)
    return _field(spec, () if least == 0 else dataclasses.MISSING)


def spec_of(part: type[Any], name: str) -> Spec:
    """The Spec of one field of a part."""
    for each in dataclasses.fields(part):
        if each.name == name:
            spec: Spec = each.metadata["spec"]
            return spec
    raise KeyError(name)


class Part:
    """Base: every value is checked against its field's Spec when the part is made."""

    def __post_init__(self) -> None:
        for each in dataclasses.fields(self):  # type: ignore[arg-type]
            spec: Spec = each.metadata["spec"]
            value = getattr(self, each.name)
            if value is None and spec.optional:
                continue
            if spec.kind in ("quantity", "number"):
                _check_number(type(self).__name__, each.name, value, spec)
            elif spec.kind == "choice" and value not in spec.choices:
                near = difflib.get_close_matches(str(value), spec.choices, n=1)
                hint = f"; did you mean '{near[0]}'?" if near else ""
                raise OutOfRange(
                    f"{key_of(each.name)} is '{value}', which is not one of {', '.join(spec.choices)}{hint}"
                )
            elif spec.kind == "parts" and len(value) < spec.low:
                raise OutOfRange(f"{key_of(each.name)} needs at least {spec.low:.0f} entry")


def _check_number(part: str, name: str, value: Any, spec: Spec) -> None:
    where = f"{key_of(name)}"
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise OutOfRange(f"{where} is {value!r}, which is not a finite number")
    if spec.whole and value != int(value):
        raise OutOfRange(f"{where} is {value:g}; it is a count and must be a whole number")
    slack = 1e-9 * max(abs(spec.low), abs(spec.high)) if math.isfinite(spec.low + spec.high) else 0.0
    if not spec.low - slack <= value <= spec.high + slack:
        unit = f" {spec.unit}" if spec.unit else ""
        raise OutOfRange(f"{where} is {value:.5g}{unit}, outside {spec.low:.4g} to {spec.high:.4g}{unit} ({spec.doc})")


def check_ordered(name: str, low: float, value: float, high: float) -> None:
    if not low <= value <= high:
        raise OutOfRange(f"{name} multiplies the odds by {value:g}, outside its own range of {low:g} to {high:g}")


def field_at(part: Any, path: str) -> Spec | None:
    """The Spec of the field behind a path of the sheet below a part; None where there is none."""
    spec: Spec | None = None
    for step in path.split("."):
        if isinstance(part, tuple):
            part = next((each for i, each in enumerate(part) if getattr(each, "id", str(i)) == step), None)
            continue
        if part is None or not dataclasses.is_dataclass(part):
            return None
        each = next((f for f in dataclasses.fields(part) if key_of(f.name) == step), None)
        if each is None:
            return None
        spec, part = each.metadata.get("spec"), getattr(part, each.name)
    return spec


def meaning_at(part: Any, path: str) -> str:
    """What the field behind a path means, in the words of its Spec; the path itself where there is none."""
    spec = field_at(part, path)
    return spec.doc if spec is not None else path


_T = TypeVar("_T")


@functools.lru_cache(maxsize=256)
def _field_names(part: Any) -> dict[str, str]:
    return {key_of(f.name): f.name for f in dataclasses.fields(part)}


def replaced(part: _T, path: str | Iterable[str], value: Any) -> _T:
    """A copy of a part with one value changed; `path` as in a build sheet ("use.years").

    Candidates are addressed by id ("candidates.h-flat.fitting"), lines of a list by position
    ("candidates.h-flat.parts.0.price"). Values are in the field's own unit. Raises OutOfRange.
    """
    steps = path.split(".") if isinstance(path, str) else list(path)
    kind: Any = type(part)
    name = _field_names(kind).get(steps[0])
    if name is None:
        near = difflib.get_close_matches(steps[0], _field_names(kind), n=1)
        raise OutOfRange(
            f"there is no '{steps[0]}' in {type(part).__name__}" + (f"; did you mean '{near[0]}'?" if near else "")
        )
    old = getattr(part, name)
    if isinstance(old, tuple) and len(steps) > 1:
        at = next((i for i, each in enumerate(old) if getattr(each, "id", str(i)) == steps[1]), None)
        if at is None:
            raise OutOfRange(f"there is no '{steps[1]}' in {steps[0]}")
        new: Any = (
            *old[:at],
            replaced(old[at], steps[2:], value) if len(steps) > 2 else value,
            *old[at + 1 :],
        )
    elif len(steps) > 1:
        new = replaced(old, steps[1:], value)
    else:
        new = value
    return dataclasses.replace(part, **{name: new})  # type: ignore[type-var]
