"""Forms: what a person is asked, and what their answers say in a sheet.

What is asked?                          `Form`, `Group`, `Field`
What did they say?                      `Understood`
One answer as a sheet writes it         `written`, `FieldTrouble`
A field made from a value of the sheet  `field_at`, `unit_of`
The build sheet after an answer         `applied`, `trouble_by_key`
How a word is spelled on the page       `american`

Unit, range and meaning of a field are those of its Spec. A box is empty where the sheet says nothing: what the library
takes then stands in it in grey, with its origin below. Numbers go into the sheet as they were typed.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from lobeledger import units
from lobeledger.errors import BuildError
from lobeledger.page.words.figures import ORIGIN_WORDS
from lobeledger.page.words.flips import input_text
from lobeledger.parts.build import Build, Datum
from lobeledger.parts.spec import Spec
from lobeledger.sheet.change import change
from lobeledger.sheet.edit import without_lines

__all__ = [
    "Field", "FieldTrouble", "Form", "Group", "Understood", "american", "applied", "field_at", "number_text",
    "trouble_by_key", "unit_of", "unlike", "written",
]  # fmt: skip


# -- what is asked, what was said ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Field:
    """One thing asked.

    kind: "number", "text", "choice" (a list to pick from), "radio" (the same, all of it in sight) or "tick" ("yes" or
    ""). value: what stands in it. ghost: what the library takes where it stays empty. hint: what it means, or where
    that comes from. when: (key of another field, the values of it with which this one is asked), all of them. acts:
    what can be done with it, (name, text). asks: whether a change of it makes the form anew. path: the line of the
    sheet it stands for.
    """

    key: str
    label: str
    kind: str = "number"
    unit: str = ""
    value: str = ""
    ghost: str = ""
    hint: str = ""
    options: tuple[tuple[str, str], ...] = ()
    when: tuple[tuple[str, tuple[str, ...]], ...] = ()
    acts: tuple[tuple[str, str], ...] = ()
    asks: bool = False
    path: str = ""


@dataclass(frozen=True)
class Group:
    """Fields under a heading; folded: shown once its heading is pressed; half: two stand side by side."""

    title: str
    fields: tuple[Field, ...]
    folded: bool = False
    note: str = ""
    half: bool = False


@dataclass(frozen=True)
class Form:
    """A form and the text of its button."""

    title: str
    groups: tuple[Group, ...]
    button: str = "Apply changes"

    @property
    def fields(self) -> dict[str, Field]:
        """Its fields by key."""
        return {each.key: each for group in self.groups for each in group.fields}

    def as_data(self) -> dict[str, Any]:
        """Plain data, for a page."""
        return dataclasses.asdict(self)


@dataclass(frozen=True)
class Understood:
    """What answers say: changes of the sheet by path, lines to take out of it, and one sentence for a person.

    wrong: by key of the field, one sentence each; nothing is to be changed while there is any.
    """

    changes: Mapping[str, Any] = field(default_factory=dict)
    gone: tuple[str, ...] = ()
    wrong: Mapping[str, str] = field(default_factory=dict)
    said: str = ""


class FieldTrouble(ValueError):
    """An answer cannot be taken; the text is one sentence for beside its field."""


# -- one answer ------------------------------------------------------------------------------------------------

# SI unit of a Spec -> the kind of figure in whose unit a form asks for it.
_KINDS = {
    "m": "lift", "rad": "angle", "N": "load", "N/m": "rate", "kg": "mass", "rpm": "rpm", "m/s": "speed",
}  # fmt: skip
# Where the same SI unit is asked for in another.
_KIND_AT = {"vehicle.booster_vacuum": "vacuum"}
_FUEL = {"us": "gal", "metric": "L"}
# What people write for a unit -> what a sheet writes.
_MARKS = {
    '"': "in", "″": "in", "''": "in", "inch": "in", "inches": "in", "°": "deg", "degrees": "deg", "degree": "deg",
    "lb": "lbf", "lbs": "lbf", "lb/in": "lbf/in", "lbs/in": "lbf/in", "rpm": "rpm", "hg": "inHg", "inhg": "inHg",
}  # fmt: skip
_UNIT_WORDS = {"deg": "degrees"}
_ANSWER = re.compile(r"([+-]?(?:\d[\d,]*\.?\d*|[.,]\d+))\s*(.*)")


def unit_of(spec: Spec, path: str, system: str, currency: str) -> str:
    """The unit a form asks for a field in, as a sheet spells it; empty for bare numbers.

    >>> unit_of(Spec("quantity", "bore", unit="m"), "engine.bore", "us", "USD")
    'in'
    >>> unit_of(Spec("quantity", "fuel", unit="money/m**3"), "shop.fuel_price", "metric", "EUR")
    'EUR/L'
    """
    if spec.kind != "quantity":
        return ""
    if "money" in spec.unit:
        return spec.unit.replace("money", currency).replace("m**3", _FUEL[system])
    kind = _KIND_AT.get(path) or _KINDS.get(spec.unit)
    if kind:
        return units.sheet_unit(kind, system)
    match = _ANSWER.fullmatch(spec.example.strip('"'))
    return match[2] if match else spec.unit


def number_text(value: float) -> str:
    """A number as a sheet writes it: no more digits than it needs.

    >>> number_text(0.29), number_text(4800.0), number_text(102.36200000000001)
    ('0.29', '4800', '102.362')
    """
    return f"{value:.7g}" if abs(value) < 1e6 else f"{value:.0f}"


def _numbers(text: str) -> list[str]:
    """What a number may mean; a comma may part thousands or decimals.

    >>> _numbers("3,480"), _numbers("4,03"), _numbers("1,234,5"), _numbers(".29")
    (['3480', '3.480'], ['4.03'], [], ['.29'])
    """
    if "," not in text:
        return [text]
    found = []
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", text):
        found.append(text.replace(",", ""))
    if text.count(",") == 1 and "." not in text:
        found.append(text.replace(",", "."))
    return found


def written(spec: Spec, text: str, label: str, *, unit: str = "", currency: str = "") -> Any:
    """An answer as a sheet holds it: a quantity with its unit, a bare number, true or false, or words.

    unit: the one asked for; a number may name its own. Raises FieldTrouble with one sentence.

    >>> bore = Spec("quantity", "cylinder bore", unit="m", low=0.03, high=0.2)
    >>> written(bore, "4.030", "Bore", unit="in"), written(bore, "102,4 mm", "Bore", unit="in")
    ('4.030 in', '102.4 mm')
    >>> written(bore, "40", "Bore", unit="in")
    Traceback (most recent call last):
    lobeledger.page.words.forms.FieldTrouble: Bore lies between 1.181 and 7.874 in; this is 40.
    """
    text = text.strip()
    if spec.kind == "flag":
        return text == "yes"
    if spec.kind not in ("quantity", "number"):
        return text
    match = _ANSWER.fullmatch(text)
    found = _numbers(match[1]) if match else []
    if not match or not found:
        raise FieldTrouble(
            f"{label} is a number{f' in {_UNIT_WORDS.get(unit, unit)}' if unit else ''}; this is '{text[:24]}'."
        )
    own = match[2].strip()
    if own and spec.kind == "number":
        raise FieldTrouble(f"{label} is a bare number, without '{own[:12]}'.")
    unit = _MARKS.get(own.lower(), own) if own else unit
    try:
        fits = [each for each in found if _inside(spec, each, unit, currency)]
    except FieldTrouble as trouble:
        raise FieldTrouble(f"{label}: {trouble}") from None
    if len(fits) == 2 and spec.unit == "money":
        fits = fits[:1]  # no price has three decimals
    if len(fits) == 2:
        raise FieldTrouble(f"Write {fits[0]} or {fits[1]}: the comma can mean either.")
    if not fits:
        raise FieldTrouble(_range_text(spec, found[0], label, unit, currency))
    if spec.whole and float(fits[0]) != int(float(fits[0])):
        raise FieldTrouble(f"{label} is a whole number; this is {fits[0]}.")
    if spec.kind == "number":
        number = float(fits[0])
        return int(number) if number.is_integer() else number
    number_said = f"0{fits[0]}" if fits[0].startswith(".") else fits[0]
    return f"{number_said} {unit}"


def _in_si(spec: Spec, number: str, unit: str, currency: str) -> float:
    if spec.kind == "number":
        return float(number)
    try:
        return units.quantity(f"{number} {unit}", spec.unit, currency=currency or None)
    except units.UnitTrouble as trouble:
        raise FieldTrouble(f"{trouble}.") from None


def _inside(spec: Spec, number: str, unit: str, currency: str) -> bool:
    value, slack = _in_si(spec, number, unit, currency), 1e-9
    return spec.low - slack * abs(spec.low) <= value <= spec.high + slack * abs(spec.high)


def _range_text(spec: Spec, number: str, label: str, unit: str, currency: str) -> str:
    one, unit = _in_si(spec, "1", unit, currency), _UNIT_WORDS.get(unit, unit)
    low, high = (f"{end / one:,.4g}" if abs(end / one) < 1e4 else f"{end / one:,.0f}" for end in (spec.low, spec.high))
    if math.isinf(spec.high):
        return f"{label} is at least {low} {unit}".rstrip() + f"; this is {number}."
    return f"{label} lies between {low} and {high} {unit}".rstrip() + f"; this is {number}."


# -- a field from a value of the sheet ---------------------------------------------------------------------------


def field_at(
    build: Build,
    path: str,
    spec: Spec,
    datum: Datum | None,
    system: str,
    *,
    label: str = "",
    key: str = "",
    when: tuple[tuple[str, tuple[str, ...]], ...] = (),
) -> Field:
    """The field of one line of the sheet: what it says stands in it, what the library takes instead in grey."""
    unit = unit_of(spec, path, system, build.currency)
    name = american(label or input_text(build, path).removeprefix("the ").split(";")[0])
    name = f"{name[:1].upper()}{name[1:]}"
    shown = "" if datum is None else _shown(spec, datum, unit, build.currency)
    is_said = datum is not None and datum.written
    hint = "" if datum is None or is_said else f"empty: {_origin(datum)}"
    asked = Field(key or path, name, value=shown if is_said else "", when=when, path=path)
    if spec.kind in ("choice", "flag"):
        words = spec.choices if spec.kind == "choice" else ("yes", "no")
        empty = f"{shown} ({_origin(datum)})" if datum else "not said"
        options = ((("", american(empty)),) if not is_said else ()) + tuple((word, american(word)) for word in words)
        return dataclasses.replace(asked, kind="choice", options=options)
    return dataclasses.replace(
        asked,
        kind="text" if spec.kind == "text" else "number",
        unit="°" if unit == "deg" else unit,
        ghost="" if is_said else shown,
        hint=hint,
    )


# Sheets spell either way; the page spells as the trade does where these engines are built.
_AMERICAN = {
    "centre": "center", "tyre": "tire", "carburettor": "carburetor", "aluminium": "aluminum", "labour": "labor",
}  # fmt: skip


def american(text: str) -> str:
    """A text in American spelling.

    >>> american("Tyre diameter, centre to centre")
    'Tire diameter, center to center'
    """
    for word, said in _AMERICAN.items():
        text = text.replace(word, said).replace(word.capitalize(), said.capitalize())
    return text


def _origin(datum: Datum) -> str:
    return ORIGIN_WORDS.get(datum.origin, datum.origin)


def _shown(spec: Spec, datum: Datum, unit: str, currency: str) -> str:
    """A value as it stands in its box, in the form's unit; digits as written where the sheet has the same unit."""
    if spec.kind == "flag":
        return "yes" if datum.value else "no"
    if spec.kind != "quantity":
        return str(datum.value) if spec.kind != "number" else number_text(float(datum.value))
    match = _ANSWER.fullmatch(datum.text)
    if match and match[2] == unit and "," not in match[1]:
        return match[1]
    return number_text(float(f"{float(datum.value) / units.quantity(f'1 {unit}', spec.unit, currency=currency):.5g}"))


def unlike(asked: Field, answer: str) -> bool:
    """Whether an answer says anything else than what stood there."""
    return answer.strip() != asked.value


# -- the sheet after an answer -----------------------------------------------------------------------------------


def applied(build: Build, said: Understood, keys: Mapping[str, str]) -> tuple[Build, Understood]:
    """The build after an answer, or the same build and the answer with what was wrong beside its field.

    keys: path of the sheet -> key of the field that asks for it; what belongs to none is said under "form".
    """
    if said.wrong or not (said.changes or said.gone):
        return build, said
    try:
        after = without_lines(build, said.gone) if said.gone else build
        return (change(after, said.changes) if said.changes else after), said
    except BuildError as trouble:
        return build, dataclasses.replace(said, wrong=trouble_by_key(str(trouble), build.name, keys))


def trouble_by_key(message: str, where: str, keys: Mapping[str, str]) -> dict[str, str]:
    """A refusal of the sheet as {key of the field: sentence}: the field of the nearest path around the one it names."""
    rest = message.partition(f"{where}: ")[2] or message.partition(": ")[2] or message
    path, mark, why = rest.partition(": ")
    if not mark or " " in path:
        path, why = "", rest
    sentence = why.strip()
    sentence = f"{sentence[:1].upper()}{sentence[1:]}".rstrip(".") + "."
    steps = path.split(".")
    while steps and steps != [""]:
        here = ".".join(steps)
        key = next((k for p, k in keys.items() if p == here), None) or next(
            (k for p, k in keys.items() if p.startswith(f"{here}.") and len(steps) > 2), None
        )
        if key is not None:
            return {key: sentence}
        steps.pop()
    return {"form": f"{path}: {sentence}" if path else sentence}
