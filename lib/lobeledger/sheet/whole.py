"""From a sheet's tables to a whole Build.

`build_of`
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from typing import Any

from lobeledger.parts.build import Build, Datum, risk_data
from lobeledger.parts.candidate import NOT_FOR_FITTED, Candidate, Failure
from lobeledger.parts.car import Block, DischargePoint
from lobeledger.parts.conditions import Fact
from lobeledger.parts.pairing import pairing_data, without_prices
from lobeledger.parts.rules import Remedy
from lobeledger.parts.spec import Spec, key_of, spec_of
from lobeledger.sheet.card import card_of
from lobeledger.sheet.checks import check_candidate, check_follower_keys, check_risk_ids
from lobeledger.sheet.fields import (
    FIELDS,
    KEYS,
    LONGEST_NOTE,
    MOST_CANDIDATES,
    ONLY,
    SAME_AS_INTAKE,
    SCHEMA,
    SHARED,
    SHEET_PARTS,
    TOP_KEYS,
)  # fmt: skip
from lobeledger.sheet.reader import Reader
from lobeledger.sheet.refusal import quoted
from lobeledger.sheet.tables import (
    read_discharge,
    read_factors,
    read_measures,
    read_pairing,
    read_precautions,
    read_remedies,
    read_run_in,
)
from lobeledger.units import SYSTEMS

__all__ = ["build_of"]

_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
_CURRENCY = re.compile(r"[A-Z]{3}")
_NAME = Spec("text", "name of the build", example='"Sunday car"')
_CURRENCY_SPEC = Spec("text", "the sheet's currency in three capital letters", example='"USD"')
_NOTE = Spec("text", "a remark", example='"..."', optional=True)
_SYSTEM = Spec("choice", "the units that pages and sheets open in", example='"metric"', choices=SYSTEMS)
# SI unit of a field -> units in which only one of the two systems writes it.
_TOLD_BY = {
    "m": (("in", "inch", "inches", "thou", "mil", "ft"), ("mm", "cm", "m", "um", "micrometer")),
    "N": (("lbf",), ("N", "kN", "newton")),
    "N/m": (("lbf/in",), ("N/mm", "N/m", "kN/m")),
}


def build_of(tree: Mapping[str, Any], *, where: str, source: str) -> Build:
    """The Build that a sheet's tables describe. where: names the sheet in errors. source: its text, kept with it.

    Raises BuildError.
    """
    reader = Reader(where)
    if "schema" not in tree:
        reader.fail("schema", f"is missing; open the sheet with schema = {SCHEMA}")
    schema = tree["schema"]
    if isinstance(schema, bool) or schema != SCHEMA:
        reader.fail("schema", f"is {quoted(schema)}; this version reads schema = {SCHEMA}")
    reader.known(tree, TOP_KEYS, "")
    for key, spec in (("name", _NAME), ("currency", _CURRENCY_SPEC)):
        if key not in tree:
            reader.fail(key, f"is missing; it is the {spec.doc}, written like {key} = {spec.example}")
    name = reader.text(tree["name"], "name")
    currency = tree["currency"]
    if not isinstance(currency, str) or not _CURRENCY.fullmatch(currency):
        reader.fail("currency", f"is {quoted(currency)}; write three capital letters, such as USD")
    reader.currency = currency
    note = reader.text(tree.get("note", ""), "note", longest=LONGEST_NOTE, empty=True)
    parts = {
        key: reader.made(part, reader.values(part, tree.get(key, {}), key, key, {}), key)
        for key, part in SHEET_PARTS.items()
    }
    shared = {key: _shared(reader, part, tree.get(key, {}), key) for key, part in SHARED.items()}
    found = reader.lines(tree.get("candidates", []), "candidates", MOST_CANDIDATES)
    if not found:
        reader.fail("candidates", "is missing; add at least one [[candidates]] block")
    candidates = tuple(_candidate(reader, each, i, shared, parts["block"]) for i, each in enumerate(found, start=1))
    parts["block"] = _as_block_of_fitted(reader, parts["block"], candidates)
    built = reader.made(
        Build,
        {
            "name": name,
            "currency": currency,
            "note": note,
            **parts,
            "discharge": _discharge(reader),
            "candidates": candidates,
            "data": reader.data,
            "source": source,
            "system": reader.scalar(_SYSTEM, tree["system"], "system") if "system" in tree else _system_of(reader),
            "factors": read_factors(),
            "precautions": tuple(p for p in read_precautions() if reader.is_ours or not p.price_money),
            "run_in": read_run_in(),
            "measures": read_measures(),
            "remedies": _remedies(reader, tree.get("remedies", {})),
            "pairing": read_pairing() if reader.is_ours else without_prices(read_pairing()),
        },
        "",
    )
    return dataclasses.replace(built, data={**reader.data, **risk_data(built), **pairing_data(built)})


def _system_of(reader: Reader) -> str:
    """The units a sheet was written in: metric where more of its lengths and loads are metric than not."""
    # Written once for all candidates, a line counts once.
    written = {datum.line: datum for datum in reader.data.values() if datum.written and datum.unit in _TOLD_BY}
    us = metric = 0
    for datum in written.values():
        unit = re.sub(r"^[\s+\-\d.eE]+", "", datum.text).strip()
        us_units, metric_units = _TOLD_BY[datum.unit]
        us += unit in us_units
        metric += unit in metric_units
    return "metric" if metric > us else "us"


def _candidate(
    reader: Reader, table: Any, position: int, shared: Mapping[str, Mapping[str, Any]], block: Block
) -> Candidate:
    path = f"candidates[{position}]"
    table = reader.table(table, path)
    if "id" not in table:
        reader.fail(path, 'has no id; give it a short name, such as id = "h-flat"')
    name = table["id"]
    if not isinstance(name, str) or not _ID.fullmatch(name):
        reader.fail(
            f"{path}.id",
            f"is {quoted(name)}; use 1 to 40 small letters, digits and hyphens, such as h-flat",
        )
    path = f"candidates.{name}"
    if f"{path}.id" in reader.data:
        reader.fail(f"{path}.id", "is used by two candidates; give each its own id")
    reader.known(table, KEYS[Candidate], path)
    check_follower_keys(reader, table, path)
    follower = table["follower"] if isinstance(table.get("follower"), str) else ""
    facts: dict[str, Fact] = {}
    values = reader.values(
        Candidate,
        table,
        path,
        "candidate",
        facts,
        skip=("intake", "exhaust", "valvetrain", "springs", "failure"),
        needed=ONLY.get(follower, ()),
    )
    for key, part in SHARED.items():
        at = f"{path}.{key}"
        read = reader.values(part, table.get(key, {}), at, key, facts, base=(key, shared[key]))
        values[key] = reader.made(part, read, at)
    at = f"{path}.failure"
    values["failure"] = reader.made(Failure, reader.values(Failure, table.get("failure", {}), at, "failure", facts), at)
    check_risk_ids(reader, values["failure"], values["follower"], at, is_fitted=bool(values["fitted"]))
    ratio = values["valvetrain"].rocker_ratio
    for side in ("intake", "exhaust"):
        at = f"{path}.{side}"
        raw = table.get(side)
        if raw is None:
            reader.fail(
                at,
                f"is missing; write a [candidates.{side}] table with the card's figures"
                + (f', or exhaust = "{SAME_AS_INTAKE}"' if side == "exhaust" else ""),
            )
        if side == "exhaust" and isinstance(raw, str):
            if raw != SAME_AS_INTAKE:
                reader.fail(at, f'is {quoted(raw)}; write a card, or exhaust = "{SAME_AS_INTAKE}"')
            raw = table["intake"]
        values[side] = card_of(reader, raw, at, ratio)
        if side == "exhaust" and table["exhaust"] == SAME_AS_INTAKE:
            reader.note_lines(at, f"{path}.intake")
    check_candidate(reader, values, path, block)
    # Written as false, it is what it is when nobody writes it.
    values["fitted"] = values["fitted"] or None
    if values["fitted"]:
        _as_fitted(reader, values, path)
    return reader.made(Candidate, values, path)


def _as_fitted(reader: Reader, values: dict[str, Any], path: str) -> None:
    """The cam that is in the engine: its block's parts and hours of fitting stay in the sheet and count for nothing."""
    values["parts"] = ()
    for at in [each for each in reader.data if each.startswith(f"{path}.parts.")]:
        del reader.data[at]
    for name in NOT_FOR_FITTED:
        spec, at = spec_of(Candidate, name), f"{path}.{key_of(name)}"
        values[name] = None if spec.optional else 0.0
        old = reader.data.pop(at, None)
        if old is not None and not spec.optional:
            reader.data[at] = dataclasses.replace(
                old,
                value=0.0,
                low=None,
                high=None,
                text=f"0 {spec.unit}",
                origin="given",
                note="already fitted",
                written=True,
                line=at,
            )


def _as_block_of_fitted(reader: Reader, block: Block, candidates: tuple[Candidate, ...]) -> Block:
    """The block with the kind of lifter and the base circle now fitted, where a candidate says them and it does not."""
    fitted = next((each for each in candidates if each.is_fitted), None)
    if fitted is None:
        return block
    at, note = "block.fitted_lifter", f"as '{fitted.id}', which is fitted"
    if block.fitted_lifter == "unknown":
        reader.data[at] = dataclasses.replace(
            reader.data[at], value=fitted.follower, text=fitted.follower, origin="computed", note=note, written=True
        )
        block = dataclasses.replace(block, fitted_lifter=fitted.follower)
    elif block.fitted_lifter != fitted.follower:
        reader.fail(at, f"is {block.fitted_lifter}, but '{fitted.id}', which is fitted, is {fitted.follower}; fix one")
    at, radius = "block.fitted_base_circle_radius", reader.data[f"candidates.{fitted.id}.valvetrain.base_circle_radius"]
    if block.fitted_base_circle_radius_m is None and radius.written:
        reader.data[at] = dataclasses.replace(radius, path=at, low=None, high=None, origin="computed", note=note)
        block = dataclasses.replace(block, fitted_base_circle_radius_m=fitted.valvetrain.base_circle_radius_m)
    return block


def _discharge(reader: Reader) -> tuple[DischargePoint, ...]:
    """The shipped discharge table, noted as one assumed value unless a flow table makes it unneeded."""
    points = read_discharge()
    if "engine.flow.0.lift" not in reader.data:
        first, last = points[0], points[-1]
        text = f"{first.coefficient:g} at low lift, {last.coefficient:g} at high lift"
        reader.data["discharge"] = Datum(
            "discharge",
            text,
            None,
            None,
            "",
            text,
            "handbook",
            "table discharge.csv, from memory",
            written=False,
        )
    return points


def _remedies(reader: Reader, table: Any) -> tuple[Remedy, ...]:
    """The remedies at the sheet's own prices where it gives them; in another currency without the library's."""
    table = reader.table(table, "remedies")
    shipped = read_remedies()
    reader.known(table, tuple(remedy.id for remedy, _ in shipped), "remedies")
    found = []
    for remedy, ranges in shipped:
        at = f"remedies.{remedy.id}"
        own = reader.table(table.get(remedy.id, {}), at)
        reader.known(own, tuple(ranges), at)
        values: dict[str, Any] = {}
        for key, name in (("price", "price_money"), ("time", "time_h")):
            spec, (low, middle, high) = spec_of(Remedy, name), ranges[key]
            if key in own:
                values[name] = reader.value(spec, own[key], f"{at}.{key}", f"{at}.{key}", "given")
            elif key == "price" and not reader.is_ours:
                values[name] = None
            else:
                unit = reader.unit(spec)
                text = f"{middle:g} {unit}"
                reader.data[f"{at}.{key}"] = Datum(
                    f"{at}.{key}", middle, low, high, unit, text, remedy.origin, f"remedy: {remedy.text}", written=False
                )
        found.append(dataclasses.replace(remedy, **values))
    return tuple(found)


def _shared(reader: Reader, part: type[Any], table: Any, path: str) -> Mapping[str, Any]:
    """A sheet-level table every candidate falls back on; read once here so that no error in it hides."""
    table = reader.table(table, path)
    reader.known(table, KEYS[part], path)
    scratch = Reader(reader.where)
    scratch.currency = reader.currency
    for key, _, spec in FIELDS[part]:
        if key in table:
            scratch.value(spec, table[key], f"{path}.{key}", f"{path}.{key}", "given")
    return table
