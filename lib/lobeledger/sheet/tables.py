"""Data tables and where their numbers come from.

Where are the tables?                        `DATA_DIR`, `data_dir`
What does a sheet get for a missing value?   `read_defaults`, `Default`, `default_for`
How well does a valve flow?                  `read_discharge`
What moves a risk, what helps?               `read_factors`, `read_precautions`
Which parts go together?                     `read_pairing`
How is it run in?                            `read_run_in`
Who says so?                                 `read_table`, `Table`, `provenance_of`

Every table opens with comment lines naming its source, edition, page, units, date, checker and grade; a table
without them is refused when it is read.
"""

from __future__ import annotations

import csv
import functools
import io
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from lobeledger.errors import BuildError, OutOfRange
from lobeledger.parts.car import DischargePoint
from lobeledger.parts.conditions import Conditions, Fact, parse
from lobeledger.parts.rules import Measure, PairingRule, Precaution, Remedy, RiskFactor, RunInLine
from lobeledger.parts.spec import ORIGINS
from lobeledger.sheet.files import on_one_line
from lobeledger.units import UnitTrouble, quantity

__all__ = [
    "DATA_DIR",
    "GRADES",
    "LIBRARY_CURRENCY",
    "PROVENANCE",
    "Default",
    "Table",
    "data_dir",
    "default_for",
    "provenance_of",
    "read_defaults",
    "read_discharge",
    "read_factors",
    "read_pairing",
    "read_precautions",
    "read_run_in",
    "read_table",
]

PROVENANCE = ("source", "edition", "page", "units", "date", "checker", "grade")
GRADES = ("measured", "catalogue", "handbook", "estimated")
# All prices in the tables.
LIBRARY_CURRENCY = "USD"
_STATEMENT = re.compile(r"^\s*([a-z]+)\s*:\s*(\S.*?)\s*$")
# The folder that comes with the library: beside `lib` in its tree.
DATA_DIR = Path(__file__).resolve().parents[3] / "data"


def data_dir() -> Path:
    """The folder of tables and demonstration builds; the variable LOBELEDGER_DATA points elsewhere."""
    elsewhere = os.environ.get("LOBELEDGER_DATA")
    return Path(elsewhere) if elsewhere else DATA_DIR


@dataclass(frozen=True)
class Table:
    """One CSV with its provenance; `rows` hold text, one mapping a line."""

    name: str
    provenance: dict[str, str]
    columns: tuple[str, ...]
    rows: tuple[dict[str, str], ...]


@dataclass(frozen=True)
class Default:
    """What a sheet gets when it says nothing.

    path: as in a sheet, "candidate." standing for any candidate. when: what must hold of it. value, low, high: text
    with unit; a value "=block.lifter_bore" takes over another value of the sheet. origin: one of parts.ORIGINS.
    """

    path: str
    when: Conditions
    value: str
    low: str
    high: str
    origin: str
    note: str


def provenance_of(text: str) -> dict[str, str]:
    """The statements of a table's opening comment: `# source: ...`, several on a line parted by semicolons.

    >>> provenance_of("# edition: 1988; page: not seen" + chr(10) + "# units: none" + chr(10) + "a,b")
    {'edition': '1988', 'page': 'not seen', 'units': 'none'}
    """
    found: dict[str, str] = {}
    for line in text.splitlines():
        if not line.startswith("#"):
            break
        for piece in line.lstrip("# ").split(";"):
            match = _STATEMENT.match(piece)
            if match and match.group(1) in (*PROVENANCE, "origin"):
                found.setdefault(match.group(1), match.group(2))
    return found


def read_table(name: str) -> Table:
    """A table of the data folder by file name; BuildError when it is missing or does not say its origin."""
    return _read_table(str(data_dir() / name))


@functools.lru_cache(maxsize=32)
def _read_table(path_text: str) -> Table:
    path = Path(path_text)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        raise BuildError(
            f"the table {path.name} cannot be read in {on_one_line(str(path.parent), longest=200)}; "
            "reinstall the data folder or point LOBELEDGER_DATA at it"
        ) from None
    provenance = provenance_of(text)
    missing = [word for word in PROVENANCE if word not in provenance]
    if missing:
        raise BuildError(
            f"the table {path.name} does not say its {', '.join(missing)}; open it with '# {missing[0]}: ...'"
        )
    if provenance["grade"] not in GRADES:
        raise BuildError(f"the table {path.name} has the grade '{provenance['grade']}'; use {', '.join(GRADES)}")
    body = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    reader = csv.DictReader(io.StringIO(body), strict=True)
    columns = tuple(reader.fieldnames or ())
    rows = []
    for number, row in enumerate(reader, start=1):
        if None in row or None in row.values():
            raise BuildError(f"line {number} of the table {path.name} does not have {len(columns)} columns")
        origin = row.get("origin", provenance.get("origin"))
        if origin not in ORIGINS:
            raise BuildError(
                f"line {number} of the table {path.name} has the origin '{origin or ''}'; "
                f"use one of {', '.join(ORIGINS)}"
            )
        rows.append({key: value.strip() for key, value in row.items()})
    return Table(name=path.name, provenance=provenance, columns=columns, rows=tuple(rows))


def read_defaults() -> dict[str, tuple[Default, ...]]:
    """The defaults by path, the most specific of a path first."""
    return _defaults(str(data_dir() / "defaults.csv"))


@functools.lru_cache(maxsize=4)
def _defaults(path_text: str) -> dict[str, tuple[Default, ...]]:
    found: dict[str, list[Default]] = {}
    for row in _read_table(path_text).rows:
        try:
            when = parse(row["when"])
        except OutOfRange as trouble:
            raise BuildError(f"defaults.csv: {row['path']}: {trouble}") from None
        each = Default(
            path=row["path"],
            when=when,
            value=row["value"],
            low=row["low"],
            high=row["high"],
            origin=row["origin"],
            note=row["note"],
        )
        found.setdefault(each.path, []).append(each)
    return {path: tuple(sorted(rows, key=lambda r: -r.when.count)) for path, rows in found.items()}


def default_for(path: str, facts: Mapping[str, Fact] | None = None) -> Default | None:
    """The most specific default of a path that holds by the facts known so far; None when there is none.

    >>> default_for("candidate.core", {"follower": "flat", "lifter": "solid"}).value
    'iron'
    """
    return _default(str(data_dir() / "defaults.csv"), path, frozenset((facts or {}).items()))


@functools.lru_cache(maxsize=4096)
def _default(table: str, path: str, facts: frozenset[tuple[str, Fact]]) -> Default | None:
    known = dict(facts)
    return next((each for each in _defaults(table).get(path, ()) if each.when.holds(known)), None)


def read_discharge() -> tuple[DischargePoint, ...]:
    """The discharge coefficients shipped with the library, by rising lift over diameter."""
    return _discharge(str(data_dir() / "discharge.csv"))


@functools.lru_cache(maxsize=4)
def _discharge(path_text: str) -> tuple[DischargePoint, ...]:
    rows = _read_table(path_text).rows
    return tuple(DischargePoint(**{key: float(value) for key, value in row.items()}) for row in rows)


def read_factors() -> tuple[RiskFactor, ...]:
    """The risk factors shipped with the library."""
    return _factors(str(data_dir() / "factors.csv"))


@functools.lru_cache(maxsize=4)
def _factors(path_text: str) -> tuple[RiskFactor, ...]:
    found = []
    for row in _read_table(path_text).rows:
        try:
            found.append(
                RiskFactor(
                    id=row["id"],
                    follower=row["follower"],
                    kind=row["kind"],
                    low=_number_in(row, "low", "factors.csv"),
                    odds=_number_in(row, "odds", "factors.csv"),
                    high=_number_in(row, "high", "factors.csv"),
                    switch=None if row["switch"] == "off" else parse(row["switch"]),
                    text=row["text"],
                    reason=row["reason"],
                    origin=row["origin"],
                )
            )
        except OutOfRange as trouble:
            raise BuildError(f"factors.csv: {row['id']}: {trouble}") from None
    return tuple(found)


def read_precautions() -> tuple[Precaution, ...]:
    """The precautions shipped with the library, prices in USD; BuildError when one removes an unknown factor."""
    return _precautions(str(data_dir() / "precautions.csv"), str(data_dir() / "factors.csv"))


@functools.lru_cache(maxsize=4)
def _precautions(path_text: str, factors_text: str) -> tuple[Precaution, ...]:
    known = {(f.id, f.follower) for f in _factors(factors_text)}
    found = []
    for row in _read_table(path_text).rows:
        removes = tuple(row["removes"].split())
        for name in removes:
            if (name, row["follower"]) not in known:
                raise BuildError(
                    f"precautions.csv: {row['id']} removes '{name}', which factors.csv does not have for "
                    f"{row['follower']}; fix one of them"
                )
        found.append(
            Precaution(
                id=row["id"],
                follower=row["follower"],
                practice=row["practice"],
                price_money=_number_in(row, "price", "precautions.csv"),
                time_h=_number_in(row, "time", "precautions.csv"),
                removes=removes,
                low=_number_in(row, "low", "precautions.csv"),
                odds=_number_in(row, "odds", "precautions.csv"),
                high=_number_in(row, "high", "precautions.csv"),
                text=row["text"],
                origin=row["origin"],
            )
        )
    return tuple(found)


def read_pairing() -> tuple[PairingRule, ...]:
    """The rules of what goes with what, prices in USD; BuildError when one cannot be understood."""
    return _pairing(str(data_dir() / "pairing.csv"))


@functools.lru_cache(maxsize=4)
def _pairing(path_text: str) -> tuple[PairingRule, ...]:
    found: list[PairingRule] = []
    for row in _read_table(path_text).rows:
        if any(row["id"] == each.id for each in found):
            raise BuildError(f"pairing.csv has two rules with the id '{row['id']}'; give each its own")
        try:
            found.append(
                PairingRule(
                    id=row["id"],
                    verb=row["verb"],
                    needs=tuple(row["needs"].split()),
                    when=parse(row["when"]),
                    per=row["per"],
                    group=row["group"],
                    price_low_money=_number_in(row, "price_low", "pairing.csv"),
                    price_money=_number_in(row, "price", "pairing.csv"),
                    price_high_money=_number_in(row, "price_high", "pairing.csv"),
                    time_low_h=_number_in(row, "time_low", "pairing.csv"),
                    time_h=_number_in(row, "time", "pairing.csv"),
                    time_high_h=_number_in(row, "time_high", "pairing.csv"),
                    item=row["item"],
                    reason=row["reason"],
                    remedy=row["remedy"],
                    caution=row["caution"],
                    tells=row["tells"],
                    origin=row["origin"],
                )
            )
        except OutOfRange as trouble:
            raise BuildError(f"pairing.csv: {row['id']}: {trouble}") from None
    return tuple(found)


def read_remedies() -> tuple[tuple[Remedy, dict[str, tuple[float, float, float]]], ...]:
    """What mends a limit, prices in USD, each with low, middle and high of its `price` and `time`."""
    return _remedies(str(data_dir() / "remedies.csv"))


@functools.lru_cache(maxsize=4)
def _remedies(path_text: str) -> tuple[tuple[Remedy, dict[str, tuple[float, float, float]]], ...]:
    found = []
    for row in _read_table(path_text).rows:
        ranges = {}
        for key in ("price", "time"):
            low, middle, high = (_number_in(row, name, "remedies.csv") for name in (f"{key}_low", key, f"{key}_high"))
            if not low <= middle <= high:
                raise BuildError(
                    f"remedies.csv: {row['id']} has a {key} outside its own range; write low, middle, high"
                )
            ranges[key] = (low, middle, high)
        try:
            remedy = Remedy(
                id=row["id"],
                limit=row["limit"],
                reach_m=quantity(row["reach"], "m") if row["reach"] else None,
                when=parse(row["when"]),
                also=row["also"],
                price_money=ranges["price"][1],
                time_h=ranges["time"][1],
                text=row["text"],
                caution=row["caution"],
                origin=row["origin"],
            )
        except (OutOfRange, UnitTrouble) as trouble:
            raise BuildError(f"remedies.csv: {row['id']}: {trouble}") from None
        found.append((remedy, ranges))
    return tuple(found)


def read_measures() -> tuple[Measure, ...]:
    """What can be measured or asked, and how long it takes."""
    return _measures(str(data_dir() / "measures.csv"))


@functools.lru_cache(maxsize=4)
def _measures(path_text: str) -> tuple[Measure, ...]:
    found = []
    for row in _read_table(path_text).rows:
        minutes = _number_in(row, "minutes", "measures.csv")
        try:
            found.append(Measure(id=row["id"], per=row["per"], minutes=minutes, text=row["text"], origin=row["origin"]))
        except OutOfRange as trouble:
            raise BuildError(f"measures.csv: {row['id']}: {trouble}") from None
    return tuple(found)


def read_run_in() -> tuple[RunInLine, ...]:
    """The lines of the run-in; BuildError when one cannot be understood or shares do not add up."""
    return _run_in(str(data_dir() / "runin.csv"))


@functools.lru_cache(maxsize=4)
def _run_in(path_text: str) -> tuple[RunInLine, ...]:
    found: list[RunInLine] = []
    for row in _read_table(path_text).rows:
        if any(row["id"] == each.id for each in found):
            raise BuildError(f"runin.csv has two lines with the id '{row['id']}'; give each its own")

        def number(key: str, row: dict[str, str] = row) -> float | None:
            return _number_in(row, key, "runin.csv") if row[key] else None

        try:
            found.append(
                RunInLine(
                    id=row["id"],
                    stage=row["stage"],
                    when=parse(row["when"]),
                    share_low=number("share_low"),
                    share=number("share"),
                    share_high=number("share_high"),
                    from_speed=number("from_speed"),
                    to_speed=number("to_speed"),
                    open_load_n=quantity(row["open_load"], "N") if row["open_load"] else None,
                    time_s=quantity(row["time"], "s") if row["time"] else None,
                    where=row["where"],
                    text=row["text"],
                    watch=row["watch"],
                    caution=row["caution"],
                    reason=row["reason"],
                    origin=row["origin"],
                )
            )
        except (OutOfRange, UnitTrouble) as trouble:
            raise BuildError(f"runin.csv: {row['id']}: {trouble}") from None
    # What shares one set of conditions is one whole.
    wholes: dict[tuple[str, str], float] = {}
    for each in found:
        if each.share is not None:
            key = each.stage, each.when.text
            wholes[key] = wholes.get(key, 0.0) + each.share
    for (stage, when), total in wholes.items():
        if abs(total - 1.0) > 1e-9:
            raise BuildError(f"runin.csv: the shares of {stage} {when} add up to {total:g}; they must add up to 1")
    return tuple(found)


def _number_in(row: dict[str, str], column: str, table: str) -> float:
    try:
        return float(row[column])
    except ValueError:
        raise BuildError(f"{table}: {row['id']} has the {column} '{row[column]}'; write a number") from None
