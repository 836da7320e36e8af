"""What an entry of the shop's record may say, checked before it is stored, and how it stands in a CSV.

What may be written?          `KINDS`, `Field`, `READINGS`, `RESULTS`, `LOSSES`
What has been written?        `Entry`; in SI units: `value_si`, `uncertainty_si`, `in_si`
Is this fit to store?         `checked`, `text_of`, `date_of`
How does it stand in a table? `CSV_COLUMNS`, `csv_rows`, `disarmed`, `rearmed`
How is a mistake told?        `choice_of`, `with_article`
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import difflib
import io
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, NamedTuple

from lobeledger.errors import BuildError
from lobeledger.sheet.files import on_one_line
from lobeledger.units import UnitTrouble, kelvin, quantity

__all__ = [
    "CSV_COLUMNS",
    "KINDS",
    "LOSSES",
    "READINGS",
    "RESULTS",
    "Entry",
    "Field",
    "checked",
    "choice_of",
    "csv_rows",
    "date_of",
    "disarmed",
    "in_si",
    "rearmed",
    "text_of",
    "uncertainty_si",
    "value_si",
    "with_article",
]

_LONGEST_TEXT = 100_000  # a CSV reader takes 131,072 characters a field
LOSSES = ("wiped lobe", "roller failure")
RESULTS = ("ok", *LOSSES, "other")


class _Reading(NamedTuple):
    """SI unit of a reading, and the plausible range in it: catches inches written for millimetres."""

    unit: str
    low: float
    high: float


READINGS: Mapping[str, _Reading] = MappingProxyType(
    {
        "lobe lift": _Reading("m", 0.0005, 0.015),
        "valve lift": _Reading("m", 0.0005, 0.025),
        "lash": _Reading("m", 0.0, 0.003),
        "oil pressure": _Reading("Pa", 0.0, 2.0e6),
        "oil temperature": _Reading("K", 230.0, 500.0),
        "coolant temperature": _Reading("K", 230.0, 450.0),
    }
)


@dataclass(frozen=True)
class Field:
    """One thing an entry says. sort: text, json, date, number, count, build or candidate (the id of one)."""

    name: str
    sort: str = "text"
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float = 0.0
    high: float = math.inf

    @property
    def column(self) -> str:
        """Its name in a CSV: a reference goes by the name of what it points at."""
        return self.sort if self.sort in ("build", "candidate") else self.name


_BUILD = Field("build_id", "build", required=True)
_ANY_BUILD = Field("build_id", "build")
_CANDIDATE = Field("candidate_id", "candidate", required=True)
_ANY_CANDIDATE = Field("candidate_id", "candidate")
_DATE = Field("date", "date", required=True)
_HOURS = Field("hours", "number", high=1e6)
_NOTE = Field("note")
KINDS: Mapping[str, tuple[Field, ...]] = MappingProxyType(
    {
        "build": (Field("name", required=True), _DATE, Field("sheet"), _NOTE),
        "candidate": (
            _BUILD,
            Field("name", required=True),
            Field("follower", required=True, choices=("flat", "roller")),
            Field("lifter", required=True, choices=("hydraulic", "solid")),
            Field("code"),
            _NOTE,
        ),
        "plan": (_BUILD, _ANY_CANDIDATE, _DATE, Field("plan", "json", required=True), _NOTE),
        "reading": (
            _BUILD,
            _ANY_CANDIDATE,
            _DATE,
            Field("what", required=True, choices=tuple(READINGS)),
            Field("value", "number", required=True, low=-1e9, high=1e9),
            Field("unit", required=True),
            Field("uncertainty", "number", high=1e9),
            Field("place"),
            Field("cylinder", "count", low=1, high=16),
            Field("valve", choices=("intake", "exhaust")),
            Field("stage", choices=("before", "after")),
            _HOURS,
            _NOTE,
        ),
        "outcome": (_CANDIDATE, _DATE, Field("result", required=True, choices=RESULTS), _HOURS, _NOTE),
        "note": (_ANY_BUILD, _DATE, Field("text", required=True)),
    }
)
# made_at tells which of two versions is the later; version is written for the reader's information and not read back.
CSV_COLUMNS = (
    "kind",
    "ref",
    "made_at",
    "version",
    *dict.fromkeys(each.column for fields in KINDS.values() for each in fields),
)


@dataclass(frozen=True)
class Entry:
    """One version of one entry; `entry["value"]` reads a field, None where it says nothing."""

    kind: str
    id: int
    version: int
    made_at: str
    withdrawn: bool
    why: str
    uid: str
    values: Mapping[str, Any] = field(repr=False)

    def __getitem__(self, name: str) -> Any:
        """A field by name; an unknown name raises KeyError."""
        return self.values[name]


# -- what may be written --------------------------------------------------------------------------------------


def choice_of(text: str, choices: tuple[str, ...]) -> str:
    """The nearest valid choice, or all of them."""
    near = difflib.get_close_matches(text, choices, n=1)
    return f"did you mean {near[0]}?" if near else f"choose {', '.join(choices)}"


def with_article(kind: str) -> str:
    """A kind with its article."""
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"


def text_of(name: str, value: object) -> str:
    """Text that can be stored; raises BuildError."""
    if not isinstance(value, str):
        raise BuildError(f"{name} is {on_one_line(repr(value))}; write text")
    if len(value) > _LONGEST_TEXT:
        raise BuildError(f"{name} has {len(value):,} characters; keep it under {_LONGEST_TEXT:,}")
    if "\0" in value or any("\ud800" <= c <= "\udfff" for c in value):
        raise BuildError(f"{name} has a character that cannot be stored; write plain text")
    return value


def date_of(name: str, value: object) -> str:
    """A date as text that sorts; raises BuildError."""
    if isinstance(value, datetime.date):
        return value.isoformat()[:10]
    with contextlib.suppress(TypeError, ValueError):
        # fromisoformat alone would also take 20261125 and 2026-W48-3, which do not sort as text.
        if re.fullmatch(r"\d{4}-\d\d-\d\d", str(value), re.ASCII):
            return datetime.date.fromisoformat(str(value)).isoformat()
    raise BuildError(f"{name} is {on_one_line(repr(value))}; write a date such as 2026-11-25")


def _json(name: str, value: object) -> str:
    try:
        parsed = json.loads(value) if isinstance(value, str) else value
        return text_of(name, json.dumps(parsed, ensure_ascii=False, allow_nan=False))
    except (TypeError, ValueError, RecursionError):
        raise BuildError(f"{name} is not JSON; write an object or a list of texts and finite numbers") from None


def _number(each: Field, value: object) -> float | int:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BuildError(f"{each.name} is {on_one_line(repr(value))}; write a finite number")
    if each.sort == "count" and value != int(value):
        raise BuildError(f"{each.name} is {value:g}; write a whole number")
    if not each.low <= value <= each.high:
        limits = f"from {each.low:g} to {each.high:g}" if math.isfinite(each.high) else f"of {each.low:g} or more"
        raise BuildError(f"{each.name} is {value:g}; write a number {limits}")
    return int(value) if each.sort == "count" else float(value)


def in_si(what: str, value: float, unit: str, *, step: bool = False) -> float:
    """A reading in its SI unit; `step`: a difference, for which a scale's zero does not count."""
    target = READINGS[what].unit
    if target == "K":
        try:
            return kelvin(value, unit, step=step)
        except UnitTrouble as trouble:
            raise BuildError(f"unit of {what}: {on_one_line(str(trouble), longest=150)}") from None
    try:
        return value * quantity(f"1 {unit}", target)
    except UnitTrouble as trouble:
        raise BuildError(f"unit of {what}: {on_one_line(str(trouble), longest=150)}") from None


def checked(kind: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of an entry made fit to store; references are looked up later, inside the transaction."""
    known = {each.name: each for each in KINDS[kind]}
    for name in values:
        if name not in known:
            raise BuildError(
                f"{with_article(kind)} has no '{on_one_line(str(name))}'; {choice_of(str(name), tuple(known))}"
            )
    said: dict[str, Any] = {}
    for name, each in known.items():
        value = values.get(name)
        if value is None or (isinstance(value, str) and not value.strip()):
            if each.required:
                raise BuildError(f"{with_article(kind)} needs its {each.column}")
            said[name] = None
        elif each.sort == "date":
            said[name] = date_of(name, value)
        elif each.sort == "json":
            said[name] = _json(name, value)
        elif each.sort in ("number", "count"):
            said[name] = _number(each, value)
        elif each.sort in ("build", "candidate"):
            if isinstance(value, bool) or not isinstance(value, int):
                raise BuildError(f"{name} is {on_one_line(repr(value))}; give the number that add_{each.sort} returned")
            said[name] = value
        else:
            said[name] = text_of(name, value)
            if each.choices and value not in each.choices:
                raise BuildError(f"{name} is '{on_one_line(value)}'; {choice_of(value, each.choices)}")
    if kind == "reading":
        what, limits = said["what"], READINGS[said["what"]]
        si = in_si(what, said["value"], said["unit"])
        if not limits.low <= si <= limits.high:
            raise BuildError(
                f"{what} is {said['value']:g} {said['unit']}, which is {si:.4g} {limits.unit}; it must lie from "
                f"{limits.low:g} to {limits.high:g} {limits.unit}, so look at the number and its unit"
            )
    return said


def value_si(e: Entry) -> float:
    """The value of a reading in its SI unit."""
    return in_si(e["what"], e["value"], e["unit"])


def uncertainty_si(e: Entry) -> float | None:
    """The standard uncertainty of a reading in its SI unit, if it was written down."""
    return None if e["uncertainty"] is None else in_si(e["what"], e["uncertainty"], e["unit"], step=True)


def disarmed(text: str) -> str:
    """Text led by an apostrophe where a spreadsheet would run it as a formula."""
    return "'" + text if re.match(r"'*[=+\-@\t\r]", text) else text


def rearmed(text: str) -> str:
    """The text before `disarmed`."""
    return text[1:] if re.match(r"'+[=+\-@\t\r]", text) else text


def csv_rows(raw: bytes) -> list[tuple[int, dict[str, str]]]:
    """Rows with the line each begins on; columns are checked, values not yet."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BuildError("it is not UTF-8 text; save it as 'CSV UTF-8'") from None
    skipped = 0
    while text.startswith("#"):
        _, _, text = text.partition("\n")
        skipped += 1
    head = text.partition("\n")[0]
    # Spreadsheets in countries with a decimal comma part their columns by semicolons.
    mark = ";" if head.count(";") > head.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    rows: list[tuple[int, dict[str, str]]] = []
    columns: list[str] = []
    start = 1
    try:
        for cells in reader:
            line, start = start + skipped, reader.line_num + 1
            if not any(cell.strip() for cell in cells):
                continue
            if not columns:
                columns = [cell.strip() for cell in cells]
                _check_columns(columns)
                continue
            if len(cells) != len(columns):
                raise BuildError(f"line {line}: it has {len(cells)} cells where the head has {len(columns)}")
            row = dict(zip(columns, cells, strict=True))
            row["kind"], row["ref"] = row["kind"].strip(), row.get("ref", "").strip()
            if row["kind"] not in KINDS:
                raise BuildError(
                    f"line {line}: kind is '{on_one_line(row['kind'])}'; {choice_of(row['kind'], tuple(KINDS))}"
                )
            rows.append((line, row))
    except csv.Error as error:
        raise BuildError(f"line {reader.line_num + skipped}: {on_one_line(str(error))}") from None
    if not rows:
        raise BuildError("it has no rows; the first line names the columns, each further line is one entry")
    return rows


def _check_columns(columns: list[str]) -> None:
    for column in columns:
        if column not in CSV_COLUMNS:
            raise BuildError(f"the column '{on_one_line(column)}' is not known; {choice_of(column, CSV_COLUMNS)}")
        if columns.count(column) > 1:
            raise BuildError(f"the column '{column}' stands twice; keep one")
    if "kind" not in columns:
        raise BuildError("it has no column 'kind'; say on each row what it is: " + ", ".join(KINDS))
