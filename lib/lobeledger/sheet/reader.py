"""Build sheets: from the text a person wrote to frozen parts, and back.

How is a sheet read?              `read_build`, `build_from_text`, `build_from_bytes`
How is one value changed?         `change`
How is a build saved?             `write_build`, `sheet_text`
Where do I start?                 `starter_sheet`

A sheet is TOML with `schema = 1`. A quantity is text with its unit ("4.030 in") or a table that also says
how well it is known: `{ value = "4.030 in", pm = "0.001 in", origin = "measured" }`, or with `low` and
`high` in place of `pm`. Counts and pure ratios are bare numbers. [valvetrain] and [springs] are shared by all
candidates; a candidate's own [candidates.springs] wins line by line; what nobody wrote comes from the table
of defaults. Whatever is wrong is said in one sentence as a BuildError.
"""

from __future__ import annotations

import dataclasses
import datetime
import difflib
import functools
import json
import math
import os
import re
import tomllib
import unicodedata
from collections.abc import Mapping, MutableMapping
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from lobeledger.errors import BuildError, OutOfRange
from lobeledger.parts.build import Build, Datum, risk_data
from lobeledger.parts.candidate import UPKEEP_PRICES, Candidate, Failure, Price, Springs, Valvetrain
from lobeledger.parts.car import Block, DischargePoint, Engine, FlowPoint, Vehicle
from lobeledger.parts.card import Card, CardPoint, CardRamp
from lobeledger.parts.pairing import pairing_data, without_prices
from lobeledger.parts.spec import ORIGINS, Spec, key_of, spec_of
from lobeledger.parts.use import Limits, Model, Shop, SpeedBand, Use
from lobeledger.sheet.files import on_one_line, write_text_atomically
from lobeledger.sheet.tables import (
    LIBRARY_CURRENCY,
    Default,
    default_for,
    read_discharge,
    read_factors,
    read_pairing,
    read_precautions,
    read_run_in,
)
from lobeledger.units import UnitTrouble, quantity

__all__ = [
    "LARGEST_SHEET_BYTES",
    "MOST_CANDIDATES",
    "SCHEMA",
    "build_from_bytes",
    "build_from_text",
    "change",
    "read_build",
    "sheet_text",
    "starter_sheet",
    "write_build",
]

SCHEMA = 1
LARGEST_SHEET_BYTES = 1_000_000
MOST_CANDIDATES = 24
_MOST_LINES = 100
_MOST_DURATIONS = 12
_LONGEST_LINE = 4000
_LONGEST_NAME = 80
_LONGEST_NOTE = 2000
_LONGEST_QUANTITY = 60
_DEEPEST = 12
_T = TypeVar("_T")
_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
_CURRENCY = re.compile(r"[A-Z]{3}")
_NUMBER_TEXT = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?\s*")
# Changes made by `change` follow the sheet's own text after this line, as TOML of their own.
_MARK = "\n# ---- changed afterwards, by path ----\n"
# Keys that only one kind of follower has; the other kind refuses them.
_ONLY = {
    "flat": ("face_diameter", "crown_radius", "lobe_taper"),
    "roller": ("wheel_diameter", "wheel_width"),
}
_TAG_KEYS = ("follower", "lifter", "core", "run_in_school")
_LINES: dict[tuple[type[Any], str], tuple[type[Any], str, int]] = {
    # (part, field) -> part of one line, prefix of its defaults, most lines
    (Engine, "flow"): (FlowPoint, "flow", _MOST_LINES),
    (Use, "bands"): (SpeedBand, "band", _MOST_LINES),
    (Candidate, "parts"): (Price, "price", _MOST_LINES),
}
_SHEET_PARTS: dict[str, type[Any]] = {
    "engine": Engine,
    "block": Block,
    "vehicle": Vehicle,
    "use": Use,
    "shop": Shop,
    "limits": Limits,
    "model": Model,
}
_SHARED: dict[str, type[Any]] = {"valvetrain": Valvetrain, "springs": Springs}
_TOP_KEYS = ("schema", "name", "currency", "note", *_SHEET_PARTS, *_SHARED, "candidates")
_PAIRS = (
    (("seat_load_low", "seat_load_high"), "seat_load_low_n", "seat_load_high_n"),
    (("open_load_low", "open_load_high"), "open_load_low_n", "open_load_high_n"),
)
_SAME = "same as intake"
_LOBE_LIFT = Spec("quantity", "lobe lift", unit="m", example='"0.290 in"', low=0.001, high=0.02)
_VALVE_LIFT = Spec("quantity", "valve lift", unit="m", example='"0.435 in"', low=0.001, high=0.03)
_RAMP_LIFT = Spec("quantity", "lift at which the ramps end", unit="m", example='"0.012 in"', low=1e-5, high=0.003)
_RAMP_VELOCITY = Spec(
    "quantity", "ramp velocity, per cam angle", unit="m/rad", example='"0.0005 in/deg"', low=1e-5, high=7.5e-3
)
_CLOSING = Spec(
    "quantity",
    "crank degrees from the greatest lift to that lift, closing",
    unit="rad",
    example='"109 deg"',
    low=math.radians(15.0),
    high=math.radians(300.0),
)
_POINT_KEYS = ("at", "duration", "opening", "closing")
_CARD_KEYS = (
    "lobe_lift",
    "valve_lift",
    "durations",
    "quoted_at",
    "ramp_lift",
    "ramp_velocity",
    "closing_ramp_velocity",
)
_QUOTED_AT = Spec("choice", "where lifts are quoted", example='"lobe"', choices=("lobe", "valve"), optional=True)
_NAME = Spec("text", "name of the build", example='"Sunday car"')
_CURRENCY_SPEC = Spec("text", "the sheet's currency in three capital letters", example='"USD"')
_NOTE = Spec("text", "a remark", example='"..."', optional=True)
_si = functools.lru_cache(maxsize=16384)(quantity)
# part -> (key in the sheet, field name, Spec) of every field
_FIELDS: dict[type[Any], tuple[tuple[str, str, Spec], ...]] = {
    part: tuple((key_of(f.name), f.name, f.metadata["spec"]) for f in dataclasses.fields(part))
    for part in (
        *_SHEET_PARTS.values(),
        *_SHARED.values(),
        *(line for line, _, _ in _LINES.values()),
        Candidate,
        CardPoint,
        Failure,
    )
}
_KEYS = {part: tuple(key for key, _, _ in fields) for part, fields in _FIELDS.items()}
# Keys that hold words, where "350" stays text when a value is changed.
_WORDS = {"name", "note", "currency"} | {
    key for fields in _FIELDS.values() for key, _, spec in fields if spec.kind in ("text", "choice")
}


def _quote(value: Any) -> str:
    """A value as it should appear in a message: as written, bounded, on one line."""
    if isinstance(value, str):
        return f"'{on_one_line(value)}'"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**15:
        return "a very long number"
    return on_one_line(repr(value))


def _kind_of(value: Any) -> str:
    """What TOML calls a value."""
    for kind, word in (
        (bool, "true or false"),
        (str, "text"),
        (int, "a bare number"),
        (float, "a bare number"),
        (list, "a list"),
        (Mapping, "a table"),
        ((datetime.date, datetime.time), "a date or time"),
    ):
        if isinstance(value, kind):
            return word
    return "something else"


def _near(word: str, known: tuple[str, ...]) -> str:
    found = difflib.get_close_matches(on_one_line(word), known, n=1, cutoff=0.5)
    if not found:
        # A field name with its unit ("bore_m") or a longer word around the key.
        found = [k for k in known if len(k) > 2 and (word.startswith(k) or k.startswith(word) and len(word) > 2)][:1]
    return f"; did you mean '{found[0]}'?" if found else f"; known here: {', '.join(known)}"


class _Reader:
    """One reading of one sheet: where it is, its currency, and the data gathered on the way."""

    def __init__(self, where: str) -> None:
        self.where = on_one_line(where, longest=120)
        self.currency = ""
        self.data: dict[str, Datum] = {}

    def fail(self, path: str, why: str) -> NoReturn:
        place = f"{self.where}: {on_one_line(path, longest=120)}: " if path else f"{self.where}: "
        raise BuildError(place + on_one_line(why, longest=600)) from None

    # ------------------------------------------------------------------ shapes

    def table(self, value: Any, path: str) -> Mapping[str, Any]:
        if not isinstance(value, Mapping):
            how = "in braces, such as { ... }" if path.rpartition(".")[2].isdigit() else f"such as [{path}]"
            self.fail(path, f"is {_kind_of(value)} but must be a table, {how}")
        return value

    def lines(self, value: Any, path: str, most: int) -> list[Any]:
        if not isinstance(value, list):
            self.fail(path, f"is {_kind_of(value)} but must be a list of tables, such as [[{path}]]")
        if len(value) > most:
            self.fail(path, f"has {len(value)} entries; at most {most} are read")
        return value

    def known(self, table: Mapping[str, Any], keys: tuple[str, ...], path: str) -> None:
        for key in table:
            if key not in keys:
                at = f"{path}.{key}" if path else key
                self.fail(at, f"there is no such key{_near(key, keys)}")

    # ------------------------------------------------------------------ values

    def value(self, spec: Spec, raw: Any, path: str, said_at: str, origin: str, *, scale: float = 1.0) -> Any:
        """Read one value, note its Datum under `path`, return it; errors name `said_at`.

        `scale` multiplies a quantity after its unit was read: a lift at the valve becomes one at the lobe.
        """
        body, note = raw, ""
        low_raw = high_raw = pm_raw = None
        if isinstance(raw, Mapping):
            ranged = spec.kind in ("quantity", "number")
            self.known(
                raw,
                ("value", "pm", "low", "high", "origin", "note") if ranged else ("value", "origin", "note"),
                said_at,
            )
            if "value" not in raw:
                self.fail(said_at, f"is a table without value; write {{ value = {spec.example} }}")
            body = raw["value"]
            pm_raw, low_raw, high_raw = raw.get("pm"), raw.get("low"), raw.get("high")
            origin = raw.get("origin", origin)
            if origin not in ORIGINS:
                self.fail(f"{said_at}.origin", f"is {_quote(origin)}; it must be one of {', '.join(ORIGINS)}")
            note = self.text(raw.get("note", ""), f"{said_at}.note", longest=_LONGEST_NOTE, empty=True)
        read = self.scalar(spec, body, said_at)
        low = high = None
        if pm_raw is not None:
            if low_raw is not None or high_raw is not None:
                self.fail(said_at, "has both pm and low or high; give pm alone or low and high")
            half = self.number_in(spec, pm_raw, f"{said_at}.pm")
            if half < 0.0:
                self.fail(f"{said_at}.pm", "is negative; pm is half the range and not below zero")
            low, high = read - half, read + half
        elif low_raw is not None or high_raw is not None:
            if low_raw is None or high_raw is None:
                self.fail(said_at, "has one of low and high; give both, or pm")
            low = self.number_in(spec, low_raw, f"{said_at}.low")
            high = self.number_in(spec, high_raw, f"{said_at}.high")
            if not low <= read <= high:
                self.fail(said_at, "has a value that does not lie between its low and its high")
        for end, end_raw in ((low, low_raw), (high, high_raw)):
            if end is not None and not _within(end, spec):
                self.fail(
                    said_at,
                    "has a range reaching "
                    + self.outside(spec, end, body if end_raw is None else end_raw)
                    + f" ({spec.doc})",
                )
        if scale != 1.0:
            read, low, high = (None if v is None else v * scale for v in (read, low, high))
        self.data[path] = Datum(
            path=path,
            value=read,
            low=low,
            high=high,
            unit=self.unit(spec),
            text=on_one_line(body if isinstance(body, str) else _plain(body), longest=_LONGEST_NAME),
            origin=origin,
            note=note,
        )
        return read

    @property
    def is_ours(self) -> bool:
        """Whether the sheet's currency is that of the library's prices."""
        return self.currency == LIBRARY_CURRENCY

    def unit(self, spec: Spec) -> str:
        return spec.unit.replace("money", self.currency) if spec.kind == "quantity" else ""

    def scalar(self, spec: Spec, body: Any, at: str) -> Any:
        """One bare value of a Spec's kind, its range checked in the unit it was written in."""
        if spec.kind in ("quantity", "number"):
            number = self.number_in(spec, body, at)
            if not _within(number, spec):
                self.fail(at, f"is {self.outside(spec, number, body)} ({spec.doc})")
            return number
        if spec.kind == "flag":
            if isinstance(body, bool):
                return body
            if body in ("true", "false"):
                return body == "true"
            self.fail(at, f"is {_quote(body)}; it must be true or false, without quotes ({spec.doc})")
        if spec.kind == "choice":
            if isinstance(body, str) and body in spec.choices:
                return body
            near = difflib.get_close_matches(str(body), spec.choices, n=1) if isinstance(body, str) else []
            self.fail(
                at,
                f"is {_quote(body)}; it must be one of {', '.join(spec.choices)} ({spec.doc})"
                + (f"; did you mean '{near[0]}'?" if near else ""),
            )
        # A list of words that may be left out may be emptied again.
        longest = _LONGEST_NOTE if spec.optional else _LONGEST_NAME
        return self.text(body, at, longest=longest, empty=spec.optional)

    def number_in(self, spec: Spec, body: Any, at: str) -> float:
        """A number in the Spec's unit: text with a unit for a quantity, bare for a number."""
        example = self.example(spec)
        if spec.kind == "quantity":
            if isinstance(body, (int, float)) and not isinstance(body, bool):
                self.fail(at, f"is {_quote(body)}, a number without a unit; write one in quotes, such as {example}")
            if not isinstance(body, str):
                self.fail(at, f"is {_kind_of(body)}; write text with a unit, such as {example} ({spec.doc})")
            if len(body) > _LONGEST_QUANTITY or not body.isprintable():
                self.fail(at, f"is {_quote(body)}, which is too long or has hidden characters; write {example}")
            try:
                return _si(body, spec.unit, currency=self.currency or None)
            except UnitTrouble as trouble:
                self.fail(at, f"{trouble}; for example {example} ({spec.doc})")
        if isinstance(body, str) and len(body) <= _LONGEST_QUANTITY and _NUMBER_TEXT.fullmatch(body):
            body = float(body)
        if isinstance(body, bool) or not isinstance(body, (int, float)):
            self.fail(at, f"is {_quote(body)}; it must be a bare number, such as {spec.example} ({spec.doc})")
        try:
            number = float(body)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            self.fail(at, f"is {_quote(body)}; it must be a finite number, such as {spec.example} ({spec.doc})")
        if spec.whole and at.rpartition(".")[2] not in ("pm", "low", "high"):
            if number != int(number):
                self.fail(at, f"is {_quote(body)}; it is a count and must be a whole number ({spec.doc})")
            return int(number)
        return number

    def example(self, spec: Spec) -> str:
        """The Spec's example in the sheet's own currency, with quotes."""
        if "money" in spec.unit and self.currency:
            return spec.example.replace("USD", self.currency)
        return spec.example

    def outside(self, spec: Spec, number: float, body: Any) -> str:
        """'-4.03 in, outside 1.18 to 7.87 in': the limits in the unit the person wrote."""
        factor, unit = 1.0, spec.unit
        if spec.kind == "quantity" and isinstance(body, str):
            unit = re.sub(r"^\s*[+-]?[\d.]+([eE][+-]?\d+)?\s*", "", body).strip()
            factor = _si(f"1 {unit}", spec.unit, currency=self.currency or None)
        unit = f" {unit}" if unit else ""
        low, high = spec.low / factor, spec.high / factor
        return f"{number / factor:.5g}{unit}, outside {low:.4g} to {high:.4g}{unit}"

    def text(self, body: Any, at: str, *, longest: int = _LONGEST_NAME, empty: bool = False) -> str:
        if not isinstance(body, str):
            self.fail(at, f"is {_kind_of(body)}; it must be text in quotes")
        if len(body) > longest:
            self.fail(at, f"has {len(body)} characters; at most {longest} are read")
        # Line ends are welcome in notes only; hidden characters (controls, direction marks) nowhere.
        shown = body.replace("\r\n", "\n").replace("\n", "").replace("\t", "") if longest > _LONGEST_NAME else body
        if any(unicodedata.category(c)[0] == "C" or unicodedata.category(c) in ("Zl", "Zp") for c in shown):
            self.fail(at, f"is {_quote(body)}, which has hidden or control characters; type it again without them")
        if not empty and not body.strip():
            self.fail(at, "is empty; write a word or two")
        return body

    # ------------------------------------------------------------------ defaults

    def default(self, spec: Spec, path: str, prefix: str, key: str, tags: set[str], needed: bool) -> Any:
        """The value of a key nobody wrote; BuildError when the table of defaults has none."""
        row = default_for(f"{prefix}.{key}", tags)
        if row is None:
            if spec.optional and not needed:
                return None
            self.fail(path, f"is missing; it is the {spec.doc}, written like {key} = {self.example(spec)}")
        if row.value.startswith("="):
            other = self.data[row.value[1:]]
            self.data[path] = dataclasses.replace(other, path=path, origin=row.origin, note=row.note, written=False)
            return other.value
        datum = _default_datum(row, spec)
        if "money" in spec.unit and not self.is_ours:
            if spec.optional:
                return None
            if datum.value != 0.0:
                self.fail_for_price(path, spec)
            # Nothing is nothing in every currency.
            datum = dataclasses.replace(datum, text=f"0 {self.currency}", unit=self.unit(spec))
        self.data[path] = Datum(
            path, datum.value, datum.low, datum.high, datum.unit, datum.text, datum.origin, datum.note, False
        )
        return datum.value

    def fail_for_price(self, path: str, spec: Spec) -> NoReturn:
        self.fail(
            path,
            f"is missing, and the library's own figure is in {LIBRARY_CURRENCY}; write it in {self.currency}, "
            f"such as {path.rpartition('.')[2]} = {self.example(spec)} ({spec.doc})",
        )

    # ------------------------------------------------------------------ parts

    def made(self, part: type[_T], values: Mapping[str, Any], path: str) -> _T:
        try:
            return part(**values)
        except OutOfRange as trouble:
            self.fail(path, str(trouble))

    def values(
        self,
        part: type[Any],
        table: Any,
        path: str,
        prefix: str,
        tags: set[str],
        *,
        base: tuple[str, Mapping[str, Any]] = ("", {}),
        skip: tuple[str, ...] = (),
        needed: tuple[str, ...] = (),
    ) -> dict[str, Any]:
        """Field values of a part: its own table, then the shared one, then the defaults."""
        table = self.table(table, path)
        self.known(table, _KEYS[part], path)
        out: dict[str, Any] = {}
        for key, name, spec in _FIELDS[part]:
            if key in skip:
                continue
            at = f"{path}.{key}"
            if spec.kind == "parts":
                out[name] = self.part_lines(part, name, key, spec, table, at, tags)
            elif key in table:
                out[name] = self.value(spec, table[key], at, at, "given")
            elif key in base[1]:
                out[name] = self.value(spec, base[1][key], at, f"{base[0]}.{key}", "given")
            else:
                out[name] = self.default(spec, at, prefix, key, tags, key in needed)
            if part is Candidate and key in _TAG_KEYS and out[name] is not None:
                tags.add(out[name])
        return out

    def part_lines(
        self,
        part: type[Any],
        name: str,
        key: str,
        spec: Spec,
        table: Mapping[str, Any],
        path: str,
        tags: set[str],
    ) -> tuple[Any, ...]:
        line, prefix, most = _LINES[part, name]
        if key not in table:
            if spec.optional:
                return ()
            self.fail(path, f"is missing; it is the list of {spec.doc}")
        found = self.lines(table[key], path, most)
        if len(found) < spec.low:
            self.fail(path, f"is empty; it needs at least {spec.low:.0f} entry ({spec.doc})")
        return tuple(
            self.made(line, self.values(line, each, f"{path}.{i}", prefix, tags), f"{path}.{i}")
            for i, each in enumerate(found)
        )

    def card(self, table: Any, path: str, ratio: float) -> Card:
        """One lobe's card; a lift quoted at the valve is divided by the rocker ratio."""
        table = self.table(table, path)
        self.known(table, _CARD_KEYS, path)
        if ("lobe_lift" in table) == ("valve_lift" in table):
            self.fail(
                path,
                ("has both lobe_lift and valve_lift; keep" if "lobe_lift" in table else "has no lift; write")
                + ' one of them, such as lobe_lift = "0.290 in"',
            )
        key, spec = ("lobe_lift", _LOBE_LIFT) if "lobe_lift" in table else ("valve_lift", _VALVE_LIFT)
        at = f"{path}.{key}"
        lift = self.value(
            spec,
            table[key],
            f"{path}.lobe_lift",
            at,
            "card",
            scale=1.0 if key == "lobe_lift" else 1.0 / ratio,
        )
        quoted_at = self.value(
            _QUOTED_AT, table.get("quoted_at", "lobe"), f"{path}.quoted_at", f"{path}.quoted_at", "card"
        )
        scale = 1.0 if quoted_at == "lobe" else 1.0 / ratio
        at = f"{path}.durations"
        if "durations" not in table:
            self.fail(at, 'is missing; write durations = [{ at = "0.050 in", duration = "214 deg" }]')
        found = self.lines(table["durations"], at, _MOST_DURATIONS)
        points: list[CardPoint] = []
        for i, each in enumerate(found):
            here = f"{at}.{i}"
            point = self.card_point(self.table(each, here), here, scale)
            if points and point.at_m <= points[-1].at_m:
                self.fail(here, "does not lie at a higher lift than the line before; list durations by rising lift")
            points.append(point)
        values = {"lobe_lift_m": lift, "points": tuple(points), "quoted_at": quoted_at}
        if "ramp_lift" in table:
            at = f"{path}.ramp_lift"
            values["ramp_lift_m"] = self.value(_RAMP_LIFT, table["ramp_lift"], at, at, "card", scale=scale)
        opening = self.card_ramp(table, f"{path}.ramp_velocity", scale)
        closing = self.card_ramp(table, f"{path}.closing_ramp_velocity", scale)
        values |= {"opening_ramp": opening, "closing_ramp": opening if closing is None else closing}
        if quoted_at == "valve" or key == "valve_lift":
            self.note_conversion(path, ratio, lift=key == "valve_lift", points=quoted_at == "valve")
        return self.made(Card, values, path)

    def card_point(self, line: Mapping[str, Any], path: str, scale: float) -> CardPoint:
        """One quoted lift: its duration, or that duration's two sides, or the duration and one of them."""
        self.known(line, _POINT_KEYS, path)
        specs = {key: spec for key, _, spec in _FIELDS[CardPoint]} | {"closing": _CLOSING}
        sides = [key for key in ("opening", "closing") if key in line]
        if "at" not in line or ("duration" not in line and len(sides) < 2):
            sub = "duration" if "at" in line else "at"
            if len(sides) == 1:
                self.fail(path, f"has {sides[0]} alone; add duration or the other side, closing or opening")
            self.fail(f"{path}.{sub}", f"is missing; it is the {specs[sub].doc}, like {specs[sub].example}")
        if "duration" in line and len(sides) == 2:
            self.fail(path, "has duration, opening and closing; keep two of the three")
        read = {
            key: self.value(
                specs[key], line[key], f"{path}.{key}", f"{path}.{key}", "card", scale=scale if key == "at" else 1.0
            )
            for key in _POINT_KEYS
            if key in line
        }
        duration = read.get("duration")
        if duration is None:
            duration = read["opening"] + read["closing"]
        opening = read.get("opening")
        if opening is None and "closing" in read:
            opening = duration - read["closing"]
        return self.made(CardPoint, {"at_m": read["at"], "duration_rad": duration, "opening_rad": opening}, path)

    def card_ramp(self, table: Mapping[str, Any], path: str, scale: float) -> CardRamp | None:
        """A ramp velocity the card gives, with its range if it has one."""
        key = path.rpartition(".")[2]
        if key not in table:
            return None
        velocity = self.value(_RAMP_VELOCITY, table[key], path, path, "card", scale=scale)
        datum = self.data[path]
        low, high = (velocity if end is None else end for end in (datum.low, datum.high))
        return self.made(CardRamp, {"velocity_m_per_rad": velocity, "low_m_per_rad": low, "high_m_per_rad": high}, path)

    def note_conversion(self, path: str, ratio: float, *, lift: bool, points: bool) -> None:
        """Say beside each converted figure that it was quoted at the valve."""
        for at, datum in list(self.data.items()):
            if (lift and at == f"{path}.lobe_lift") or (
                points
                and (
                    (at.startswith(f"{path}.durations.") and at.endswith(".at"))
                    or at in (f"{path}.ramp_lift", f"{path}.ramp_velocity", f"{path}.closing_ramp_velocity")
                )
            ):
                note = f"at the valve, divided by a rocker ratio of {ratio:.4g}"
                self.data[at] = dataclasses.replace(datum, note=f"{datum.note}; {note}" if datum.note else note)

    def candidate(self, table: Any, position: int, shared: Mapping[str, Mapping[str, Any]], block: Block) -> Candidate:
        path = f"candidates[{position}]"
        table = self.table(table, path)
        if "id" not in table:
            self.fail(path, 'has no id; give it a short name, such as id = "h-flat"')
        name = table["id"]
        if not isinstance(name, str) or not _ID.fullmatch(name):
            self.fail(
                f"{path}.id",
                f"is {_quote(name)}; use 1 to 40 small letters, digits and hyphens, such as h-flat",
            )
        path = f"candidates.{name}"
        if f"{path}.id" in self.data:
            self.fail(f"{path}.id", "is used by two candidates; give each its own id")
        self.known(table, _KEYS[Candidate], path)
        follower = table.get("follower")
        if isinstance(follower, str) and follower in _ONLY:
            for other, keys in _ONLY.items():
                for key in keys:
                    if other != follower and key in table:
                        self.fail(
                            f"{path}.{key}",
                            f"belongs to a {other} follower, but this candidate's follower is {follower}; "
                            "remove one or the other",
                        )
        tags: set[str] = set()
        values = self.values(
            Candidate,
            table,
            path,
            "candidate",
            tags,
            skip=("intake", "exhaust", "valvetrain", "springs", "failure"),
            needed=_ONLY.get(follower, ()) if isinstance(follower, str) else (),
        )
        for key, part in _SHARED.items():
            at = f"{path}.{key}"
            read = self.values(part, table.get(key, {}), at, key, tags, base=(key, shared[key]))
            values[key] = self.made(part, read, at)
        at = f"{path}.failure"
        values["failure"] = self.made(Failure, self.values(Failure, table.get("failure", {}), at, "failure", tags), at)
        self.risk_ids(values["failure"], values["follower"], at)
        ratio = values["valvetrain"].rocker_ratio
        for side in ("intake", "exhaust"):
            at = f"{path}.{side}"
            raw = table.get(side)
            if raw is None:
                self.fail(
                    at,
                    f"is missing; write a [candidates.{side}] table with the card's figures"
                    + (f', or exhaust = "{_SAME}"' if side == "exhaust" else ""),
                )
            if side == "exhaust" and isinstance(raw, str):
                if raw != _SAME:
                    self.fail(at, f'is {_quote(raw)}; write a card, or exhaust = "{_SAME}"')
                raw = table["intake"]
            values[side] = self.card(raw, at, ratio)
        if values["lifter"] == "hydraulic":
            for side in ("intake", "exhaust"):
                if values[f"{side}_lash_m"] > 0.0:
                    self.fail(
                        f"{path}.{side}_lash",
                        "is above zero, but a hydraulic lifter takes up its lash; remove it or write solid",
                    )
        self.serves(values["parts"], path)
        for every, price in UPKEEP_PRICES.items():
            if values[every] > 0.0 and values[price] is None:
                self.fail_for_price(f"{path}.{key_of(price)}", spec_of(Candidate, price))
        for (low_key, high_key), low, high in _PAIRS:
            if values[low] > values[high]:
                self.fail(f"{path}.{low_key}", f"lies above {high_key}; swap them or mend one")
        face = values["face_diameter_m"]
        if face is not None and face > block.lifter_bore_m * (1.0 + 1e-9):
            self.fail(
                f"{path}.face_diameter",
                f"is {self.data[f'{path}.face_diameter'].text}, wider than block.lifter_bore "
                f"({self.data['block.lifter_bore'].text}); the lifter would not go in",
            )
        return self.made(Candidate, values, path)

    def build(self, tree: Mapping[str, Any], source: str) -> Build:
        if "schema" not in tree:
            self.fail("schema", f"is missing; open the sheet with schema = {SCHEMA}")
        schema = tree["schema"]
        if isinstance(schema, bool) or schema != SCHEMA:
            self.fail("schema", f"is {_quote(schema)}; this version reads schema = {SCHEMA}")
        self.known(tree, _TOP_KEYS, "")
        for key, spec in (("name", _NAME), ("currency", _CURRENCY_SPEC)):
            if key not in tree:
                self.fail(key, f"is missing; it is the {spec.doc}, written like {key} = {spec.example}")
        name = self.text(tree["name"], "name")
        currency = tree["currency"]
        if not isinstance(currency, str) or not _CURRENCY.fullmatch(currency):
            self.fail("currency", f"is {_quote(currency)}; write three capital letters, such as USD")
        self.currency = currency
        note = self.text(tree.get("note", ""), "note", longest=_LONGEST_NOTE, empty=True)
        parts = {
            key: self.made(part, self.values(part, tree.get(key, {}), key, key, set()), key)
            for key, part in _SHEET_PARTS.items()
        }
        shared = {key: self.shared(part, tree.get(key, {}), key) for key, part in _SHARED.items()}
        found = self.lines(tree.get("candidates", []), "candidates", MOST_CANDIDATES)
        if not found:
            self.fail("candidates", "is missing; add at least one [[candidates]] block")
        candidates = tuple(self.candidate(each, i, shared, parts["block"]) for i, each in enumerate(found, start=1))
        built = self.made(
            Build,
            {
                "name": name,
                "currency": currency,
                "note": note,
                **parts,
                "discharge": self.discharge(),
                "candidates": candidates,
                "data": self.data,
                "source": source,
                "factors": read_factors(),
                "precautions": tuple(p for p in read_precautions() if self.is_ours or not p.price_money),
                "run_in": read_run_in(),
                "pairing": read_pairing() if self.is_ours else without_prices(read_pairing()),
            },
            "",
        )
        return dataclasses.replace(built, data={**self.data, **risk_data(built), **pairing_data(built)})

    def risk_ids(self, failure: Failure, follower: str, path: str) -> None:
        """Refuse factors and precautions nobody knows, or those of the other follower."""
        for key, ids, rows in (
            ("factors", failure.factor_ids, read_factors()),
            ("factors_off", failure.off_ids, read_factors()),
            ("precautions", failure.precaution_ids, read_precautions()),
        ):
            known = tuple(row.id for row in rows if row.follower == follower)
            for name in ids:
                if name not in known:
                    self.fail(f"{path}.{key}", f"there is no '{name}' for a {follower} follower{_near(name, known)}")
        for each in read_precautions():
            if each.id in failure.precaution_ids and each.price_money and not self.is_ours:
                self.fail(
                    f"{path}.precautions",
                    f"the library's price of '{each.id}' is in {LIBRARY_CURRENCY} and this sheet is in "
                    f"{self.currency}; put what it costs among the parts and say the chance in one_in",
                )

    def serves(self, lines: tuple[Price, ...], path: str) -> None:
        """Refuse a need that no rule of pairing.csv knows."""
        known = tuple(dict.fromkeys(need for rule in read_pairing() for need in rule.needs))
        for i, line in enumerate(lines):
            for name in line.serve_names:
                if name not in known:
                    self.fail(
                        f"{path}.parts.{i}.serves", f"there is no need called '{on_one_line(name)}'{_near(name, known)}"
                    )

    def discharge(self) -> tuple[DischargePoint, ...]:
        """The shipped discharge table, noted as one assumed value unless a flow table makes it unneeded."""
        points = read_discharge()
        if "engine.flow.0.lift" not in self.data:
            first, last = points[0], points[-1]
            text = f"{first.coefficient:g} at low lift, {last.coefficient:g} at high lift"
            self.data["discharge"] = Datum(
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

    def shared(self, part: type[Any], table: Any, path: str) -> Mapping[str, Any]:
        """A sheet-level table every candidate falls back on; read once here so that no error in it hides."""
        table = self.table(table, path)
        self.known(table, _KEYS[part], path)
        scratch = _Reader(self.where)
        scratch.currency = self.currency
        for key, _, spec in _FIELDS[part]:
            if key in table:
                scratch.value(spec, table[key], f"{path}.{key}", f"{path}.{key}", "given")
        return table


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def _within(value: float, spec: Spec) -> bool:
    # The slack of the parts themselves, so that "0.842 in" is not refused by its last binary digit.
    slack = 1e-9 * max(abs(spec.low), abs(spec.high)) if math.isfinite(spec.low + spec.high) else 0.0
    return spec.low - slack <= value <= spec.high + slack


@functools.lru_cache(maxsize=1024)
def _default_datum(row: Default, spec: Spec) -> Datum:
    """A row of the table of defaults as a Datum, its texts read by the same path as a sheet's."""
    reader = _Reader("defaults.csv")
    reader.currency = LIBRARY_CURRENCY
    raw: dict[str, Any] = {"value": row.value, "origin": row.origin, "note": row.note}
    if row.low or row.high:
        raw |= {"low": row.low, "high": row.high}
    reader.value(spec, raw, row.path, row.path, row.origin)
    return dataclasses.replace(reader.data[row.path], written=False)


# ---------------------------------------------------------------------- text to tree


@functools.lru_cache(maxsize=8)
def _parsed(text: str, where: str) -> dict[str, Any]:
    """The TOML of a sheet; never changed by its callers, who copy first."""
    reader = _Reader(where)
    if not text.strip():
        reader.fail("", "the sheet is empty; copy one of the shipped builds and change it")
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            reader.fail("", f"line {number} has {len(line)} characters; at most {_LONGEST_LINE} are read")
    try:
        tree = tomllib.loads(text)
        deepest = _depth(tree)
    except tomllib.TOMLDecodeError as trouble:
        reader.fail("", _toml_trouble(str(trouble), text))
    except RecursionError:
        reader.fail("", f"tables or lists lie in one another too deeply; {_DEEPEST} levels are read")
    except ValueError as trouble:
        reader.fail("", f"the sheet is not valid TOML ({on_one_line(str(trouble))})")
    if deepest > _DEEPEST:
        reader.fail("", f"tables or lists lie {deepest} levels deep in one another; {_DEEPEST} are read")
    return tree


def _toml_trouble(message: str, text: str) -> str:
    """What the TOML reader said, with the line shown and, where it is plain, what to do about it."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    what = on_one_line(re.sub(r"\s*\(at .*\)$", "", message), longest=120)
    lines = text.split("\n")
    number = int(found.group(1)) if found else len(lines)
    line = on_one_line(lines[number - 1]) if number <= len(lines) else ""
    if re.search("overwrite|twice|[Dd]uplicate", what):
        return f"line {number} writes a key or table a second time ({line}); keep one"
    if not found:
        return f"the sheet is not valid TOML at its end ({what}); close what is left open"
    unquoted = re.search(r"=\s*[-+.\d]", line)
    advice = '; a quantity needs quotes, such as bore = "4.030 in"' if unquoted else ""
    return f"line {number}, column {found.group(2)}, is not valid TOML ({what}): {line}{advice}"


def _depth(tree: Any) -> int:
    """How deeply tables and lists lie in one another; RecursionError is the caller's."""
    inner = tree.values() if isinstance(tree, dict) else tree if isinstance(tree, list) else ()
    return 1 + max((_depth(each) for each in inner), default=0) if isinstance(tree, (dict, list)) else 0


def _copy(tree: Any) -> Any:
    if isinstance(tree, dict):
        return {key: _copy(each) for key, each in tree.items()}
    if isinstance(tree, list):
        return [_copy(each) for each in tree]
    return tree


def _split(source: str, where: str) -> tuple[str, dict[str, Any]]:
    """A sheet's own text, and the changes that follow it."""
    base, mark, tail = source.partition(_MARK)
    return base, dict(_parsed(tail, where)) if mark and tail.strip() else {}


def _tree_of(base: str, changes: Mapping[str, Any], where: str) -> dict[str, Any]:
    tree: dict[str, Any] = _copy(_parsed(base, where))
    for path, value in changes.items():
        _put(tree, path, value, where)
    return tree


def _put(tree: MutableMapping[str, Any], path: str, value: Any, where: str) -> None:
    """Set one value by path in a tree of tables and lists, making tables on the way."""
    reader = _Reader(where)
    steps = path.split(".")
    if not all(steps) or len(steps) > _DEEPEST:
        reader.fail(path, "is not a path; write one such as use.years or candidates.h-flat.fitting_time")
    here: Any = tree
    for depth, step in enumerate(steps):
        last = depth == len(steps) - 1
        if isinstance(here, list):
            at = _index(here, step)
            if at is None:
                reader.fail(path, f"there is no entry {_quote(step)}{_ids_of(here)}")
            if last:
                here[at] = value
            else:
                here = here[at]
        elif isinstance(here, MutableMapping):
            if last:
                # A card has one lift: the new one takes the place of the other.
                twin = {"lobe_lift": "valve_lift", "valve_lift": "lobe_lift"}.get(step)
                if twin is not None and twin in here and "durations" in here:
                    del here[twin]
                here[step] = value
            else:
                if step == "exhaust" and here.get(step) == _SAME:
                    here[step] = _copy(_unwrapped(here.get("intake", {})))
                elif step not in here:
                    here[step] = {}
                here = here[step]
        else:
            reader.fail(path, f"{_quote('.'.join(steps[:depth]))} is a value and has nothing inside it")


def _unwrapped(item: Any) -> Any:
    return item.unwrap() if hasattr(item, "unwrap") else item


def _index(lines: list[Any], step: str) -> int | None:
    for i, each in enumerate(lines):
        if isinstance(each, Mapping) and each.get("id") == step:
            return i
    named = any(isinstance(each, Mapping) and "id" in each for each in lines)
    if not named and step.isascii() and step.isdigit() and len(step) < 5 and int(step) < len(lines):
        return int(step)
    return None


def _ids_of(lines: list[Any]) -> str:
    ids = [str(each["id"]) for each in lines if isinstance(each, Mapping) and "id" in each]
    return f"; there are {', '.join(ids)}" if ids else f"; there are {len(lines)}, counted from 0"


# ---------------------------------------------------------------------- the public four


def build_from_text(text: str, where: str = "build sheet") -> Build:
    """A Build from the text of a sheet; `where` names it in errors. Raises BuildError.

    >>> build_from_text(starter_sheet()).candidates[0].id
    'h-flat'
    """
    if len(text) > LARGEST_SHEET_BYTES:
        _Reader(where).fail("", f"the sheet has {len(text)} characters; at most {LARGEST_SHEET_BYTES} are read")
    base, changes = _split(text.removeprefix("\ufeff"), where)
    source = base + _MARK + _lines_of(changes) if changes else base
    return _Reader(where).build(_tree_of(base, changes, where), source)


def read_build(path: str | os.PathLike[str]) -> Build:
    """Read a build sheet from a TOML file.

    Raises BuildError, always one sentence naming the file and the key: what is wrong and what would be right.
    """
    shown = on_one_line(str(path), longest=200)
    file = Path(path)
    try:
        # Size and kind are looked at first: no huge file, folder or device is ever opened.
        if file.is_dir():
            raise BuildError(f"{shown} is a folder; give the name of a build sheet in it{_sheets_in(file)}")
        if not file.exists():
            raise BuildError(f"there is no file {shown}{_sheets_near(file)}")
        if not file.is_file():
            raise BuildError(f"{shown} is not an ordinary file; give the name of a build sheet")
        size = file.stat().st_size
        if size > LARGEST_SHEET_BYTES:
            raise BuildError(
                f"{shown} has {size} bytes; a build sheet has at most {LARGEST_SHEET_BYTES}, so this is another file"
            )
        with file.open("rb") as stream:
            payload = stream.read(LARGEST_SHEET_BYTES + 1)
    except (OSError, ValueError) as trouble:
        reason = on_one_line(getattr(trouble, "strerror", None) or str(trouble))
        raise BuildError(f"{shown} cannot be read ({reason}); check its name and permissions") from None
    return build_from_bytes(payload, file.name)


def build_from_bytes(payload: bytes, where: str) -> Build:
    """A Build from the bytes of a sheet, as a file or an upload holds them. Raises BuildError."""
    if len(payload) > LARGEST_SHEET_BYTES:
        raise BuildError(
            f"{on_one_line(where, longest=120)} has {len(payload)} bytes; a build sheet has at most "
            f"{LARGEST_SHEET_BYTES}, so this is another file"
        )
    try:
        text = payload.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        raise BuildError(
            f"{on_one_line(where, longest=120)} is not UTF-8 text: byte {trouble.start + 1} cannot be "
            "read; save it as UTF-8 in your editor"
        ) from None
    return build_from_text(text.replace("\r\n", "\n"), where)


def _sheets_in(folder: Path) -> str:
    try:
        names = sorted(each.name for each in folder.iterdir() if _is_sheet(each))[:5]
    except OSError:
        names = []
    return f", such as {on_one_line(names[0], longest=80)}" if names else ""


def _is_sheet(file: Path) -> bool:
    """Whether a file could be a build sheet; settings of other programs begin with a dot."""
    return file.suffix == ".toml" and not file.name.startswith(".")


def _sheets_near(file: Path) -> str:
    """The nearest sheet name in the folder of a file that is not there."""
    try:
        names = [each.name for each in file.parent.iterdir() if _is_sheet(each)][:500]
    except OSError:
        return "; there is no such folder either"
    near = difflib.get_close_matches(file.name, names, n=1, cutoff=0.3)
    if near:
        return f"; did you mean {on_one_line(near[0], longest=80)}?"
    return "; there is no .toml file in that folder" if not names else f"; there is {on_one_line(sorted(names)[0])}"


def change(build: Build, changes: Mapping[str, Any]) -> Build:
    """The build with some values written anew by path, read again through the same checks as a file.

    A value is what a sheet would hold: "7 h", 8, true or a table with pm. What was known about the old value
    (its range, its origin) goes with it. Lines of a list are counted from 0. Raises BuildError.

    >>> build = build_from_text(starter_sheet())
    >>> change(build, {"use.years": 8, "candidates.h-flat.fitting_time": "7 h"}).use.years
    8.0
    >>> change(build, {"use.years": "8"}).data["use.years"].origin
    'given'
    """
    where = build.name
    base, made = _split(build.source, where)
    if not base.strip():
        _Reader(where).fail("", "this build was not read from a sheet, so it cannot be changed by path")
    for path, value in changes.items():
        # The latest change of a path goes last, so that it also wins over one of the list around it.
        made.pop(path, None)
        made[path] = _plain_tree(value, path, where)
    source = base + _MARK + _lines_of(made)
    if len(source) > LARGEST_SHEET_BYTES:
        _Reader(where).fail("", f"the changed sheet is longer than {LARGEST_SHEET_BYTES} characters")
    return _Reader(where).build(_tree_of(base, made, where), source)


def _plain_tree(value: Any, path: str, where: str, depth: int = 0) -> Any:
    """A changed value as TOML can hold it."""
    if depth > _DEEPEST:
        _Reader(where).fail(path, f"is nested more than {_DEEPEST} levels deep")
    if isinstance(value, Mapping):
        return {str(key): _plain_tree(each, path, where, depth + 1) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain_tree(each, path, where, depth + 1) for each in value]
    if isinstance(value, str):
        if path.rpartition(".")[2] not in _WORDS:
            # A panel hands over text; the sheet wants bare numbers and true or false bare.
            if value in ("true", "false"):
                return value == "true"
            if len(value) <= _LONGEST_QUANTITY and _NUMBER_TEXT.fullmatch(value):
                number = float(value)
                return int(number) if number.is_integer() and abs(number) < 1e15 else number
        if any("\ud800" <= c <= "\udfff" or c == "\x7f" for c in value):
            _Reader(where).fail(path, "has characters that cannot be saved")
        return str(value)
    if isinstance(value, (bool, int, float)):
        # numpy's floats are floats too, but print otherwise.
        return value if isinstance(value, (bool, int)) else float(value)
    _Reader(where).fail(path, f"is {_quote(value)}; give text with a unit, a number, true or false")


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{json.dumps(str(k))} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    return repr(value)


def _lines_of(changes: Mapping[str, Any]) -> str:
    return "".join(f"{json.dumps(path, ensure_ascii=False)} = {_toml(value)}\n" for path, value in changes.items())


def sheet_text(build: Build) -> str:
    """The text of a sheet that reads back to this build, with the comments of the sheet it came from.

    Raises BuildError when the build was changed by other means than `change`.
    """
    where = on_one_line(build.name)
    base, changes = _split(build.source, where)
    plain = _tree_of(base, changes, where) if base.strip() else {}
    if not plain or not _same_parts(build, build_from_text(build.source, where)):
        raise BuildError(
            f"{where}: this build does not agree with the sheet it came from, so it cannot be saved; "
            "make changes with change(), which keeps both together"
        )
    text = _with_comments(base, changes, plain, where) if changes else base
    return text if text.endswith("\n") else text + "\n"


def write_build(build: Build, path: str | os.PathLike[str], *, replace: bool = False) -> Path:
    """Save a build as a sheet that reads back to the same build, see `sheet_text`.

    An existing file is refused unless `replace` is true; a crash leaves the old file whole. Raises
    BuildError.
    """
    return write_text_atomically(path, sheet_text(build), replace=replace)


def _same_parts(one: Build, other: Build) -> bool:
    names = [f.name for f in dataclasses.fields(Build) if f.name not in ("data", "source")]
    return all(getattr(one, name) == getattr(other, name) for name in names)


def _with_comments(base: str, changes: Mapping[str, Any], plain: Mapping[str, Any], where: str) -> str:
    """The sheet's text with its changes folded in; without comments if they cannot be kept faithfully."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(base)
        for path, value in changes.items():
            _put(document, path, value, where)
        text = tomlkit.dumps(document)
        if tomllib.loads(text) == plain:
            return text
    except (TOMLKitError, tomllib.TOMLDecodeError, TypeError, ValueError, KeyError, IndexError):
        pass
    return tomlkit.dumps(plain)


def starter_sheet() -> str:
    """The text of a small sheet that reads as it stands, with a remark beside each line to change.

    >>> starter_sheet().splitlines()[0]
    '# A build sheet to start from: invented figures, to be replaced by yours.'
    """
    return _STARTER


_STARTER = """\
# A build sheet to start from: invented figures, to be replaced by yours.
# A quantity is a number and its unit in quotes; a ratio or count is a bare number.
# If you know how good a value is:
#   bore = { value = "4.030 in", pm = "0.001 in", origin = "measured" }
# What you leave out is taken from the library's table and listed as assumed.

schema = 1
name = "My build"
currency = "USD"                 # three letters; all prices are in it

[engine]
cylinders = 8
bore = "4.030 in"
stroke = "3.480 in"
rod = "5.700 in"                 # centre to centre
compression = 9.5                # static ratio
intake_valve = "1.94 in"         # head diameter
exhaust_valve = "1.50 in"

[vehicle]
brake_booster = true             # true makes idle vacuum a hard limit

[use]
highest_speed = "4800 rpm"       # the highest it will see
hours_a_year = "120 h"
years = 6
bands = [                        # where it spends its time; the shares add up to 1
  { from = "1500 rpm", to = "3000 rpm", share = 0.7 },
  { from = "3000 rpm", to = "5000 rpm", share = 0.3 },
]

[limits]
budget = "2500 USD"              # the most that may be spent at the start

[valvetrain]                     # shared by all candidates
rocker_ratio = 1.5

# One [[candidates]] block a cam: the figures of its card, and what must be bought with it.
[[candidates]]
id = "h-flat"                    # short, small letters
name = "Hydraulic flat"
follower = "flat"                # flat or roller
lifter = "hydraulic"             # hydraulic or solid
lobe_separation = "112 deg"
intake_centreline = "108 deg"    # as installed
exhaust = "same as intake"       # or a [candidates.exhaust] table like the one below

[candidates.intake]
lobe_lift = "0.285 in"           # or valve_lift
durations = [                    # crank degrees at lobe lifts; quoted_at = "valve" for valve lifts
  # unlike flanks: { at = "0.050 in", opening = "103 deg", closing = "107 deg" }, either side of the greatest lift
  { at = "0.006 in", duration = "260 deg" },
  { at = "0.050 in", duration = "210 deg" },
  { at = "0.200 in", duration = "114 deg" },
]

[[candidates.parts]]
item = "camshaft and lifters"
price = "320 USD"
serves = "lifters"

[[candidates]]
id = "h-roller"
name = "Hydraulic roller"
follower = "roller"
lifter = "hydraulic"
lobe_separation = "112 deg"
intake_centreline = "108 deg"
exhaust = "same as intake"

[candidates.intake]
lobe_lift = "0.315 in"
durations = [
  { at = "0.006 in", duration = "262 deg" },
  { at = "0.050 in", duration = "212 deg" },
  { at = "0.200 in", duration = "130 deg" },
]

[[candidates.parts]]
item = "camshaft"
price = "420 USD"

[[candidates.parts]]
item = "link-bar lifters"
price = "560 USD"
serves = "link-bars"

[[candidates.parts]]
item = "springs, retainers and locks"
price = "260 USD"
serves = "springs"
"""
