"""One reading of one sheet: values with their units, ranges and origins, noted as they are read.

`Reader`: its `value` reads one value, `values` the fields of a part, `default` what nobody wrote
"""

from __future__ import annotations

import dataclasses
import difflib
import functools
import math
import re
import unicodedata
from collections.abc import Mapping
from typing import Any, NoReturn, TypeVar

from lobeledger.errors import OutOfRange
from lobeledger.parts.build import Datum
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.conditions import Fact
from lobeledger.parts.spec import ORIGINS, Spec
from lobeledger.sheet.fields import (
    FACT_KEYS,
    FIELDS,
    KEYS,
    LINES,
    LONGEST_NAME,
    LONGEST_NOTE,
    LONGEST_QUANTITY,
    NUMBER_TEXT,
    RETIRED,
)
from lobeledger.sheet.files import on_one_line
from lobeledger.sheet.refusal import kind_of, nearest, quoted, refuse
from lobeledger.sheet.tables import LIBRARY_CURRENCY, Default, default_for
from lobeledger.units import UnitTrouble, quantity

__all__ = ["Reader"]

_T = TypeVar("_T")
# A sheet may spell a choice the American way.
_ALSO = {"aluminum": "aluminium", "carburetor": "carburettor"}

_si = functools.lru_cache(maxsize=16384)(quantity)


class Reader:
    """One reading of one sheet: where it is, its currency, and the data gathered on the way."""

    def __init__(self, where: str) -> None:
        self.where = on_one_line(where, longest=120)
        self.currency = ""
        self.data: dict[str, Datum] = {}

    def fail(self, path: str, why: str) -> NoReturn:
        refuse(self.where, path, why)

    # ------------------------------------------------------------------ shapes

    def table(self, value: Any, path: str) -> Mapping[str, Any]:
        if not isinstance(value, Mapping):
            how = "in braces, such as { ... }" if path.rpartition(".")[2].isdigit() else f"such as [{path}]"
            self.fail(path, f"is {kind_of(value)} but must be a table, {how}")
        return value

    def lines(self, value: Any, path: str, most: int) -> list[Any]:
        if not isinstance(value, list):
            self.fail(path, f"is {kind_of(value)} but must be a list of tables, such as [[{path}]]")
        if len(value) > most:
            self.fail(path, f"has {len(value)} entries; at most {most} are read")
        return value

    def known(self, table: Mapping[str, Any], keys: tuple[str, ...], path: str) -> None:
        for key in table:
            if key not in keys and key not in RETIRED.get(path, ()):
                at = f"{path}.{key}" if path else key
                self.fail(at, f"there is no such key{nearest(key, keys)}")

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
                self.fail(f"{said_at}.origin", f"is {quoted(origin)}; it must be one of {', '.join(ORIGINS)}")
            note = self.text(raw.get("note", ""), f"{said_at}.note", longest=LONGEST_NOTE, empty=True)
        read = self.scalar(spec, body, said_at)
        if spec.exact and (pm_raw, low_raw, high_raw) != (None, None, None):
            self.fail(said_at, f"takes no pm, low or high: {spec.exact}")
        low = high = None
        if pm_raw is not None:
            if low_raw is not None or high_raw is not None:
                self.fail(said_at, "has both pm and low or high; use pm, or low and high, not both")
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
            text=on_one_line(body if isinstance(body, str) else plain_text(body), longest=LONGEST_NAME),
            origin=origin,
            note=note,
            line=said_at,
        )
        return read

    def note_lines(self, path: str, written_at: str) -> None:
        """What was noted under `path` stands under `written_at` in the sheet, and is one line with it."""
        for at, datum in list(self.data.items()):
            if at.startswith(f"{path}."):
                line = written_at + datum.line.removeprefix(path)
                self.data[at] = dataclasses.replace(datum, line=line)

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
            self.fail(at, f"is {quoted(body)}; it must be true or false, without quotes ({spec.doc})")
        if spec.kind == "choice":
            body = _ALSO.get(body, body) if isinstance(body, str) else body
            if isinstance(body, str) and body in spec.choices:
                return body
            near = difflib.get_close_matches(str(body), spec.choices, n=1) if isinstance(body, str) else []
            self.fail(
                at,
                f"is {quoted(body)}; it must be one of {', '.join(spec.choices)} ({spec.doc})"
                + (f"; did you mean '{near[0]}'?" if near else ""),
            )
        # A list of words that may be left out may be emptied again.
        longest = LONGEST_NOTE if spec.optional else LONGEST_NAME
        return self.text(body, at, longest=longest, empty=spec.optional)

    def number_in(self, spec: Spec, body: Any, at: str) -> float:
        """A number in the Spec's unit: text with a unit for a quantity, bare for a number."""
        example = self.example(spec)
        if spec.kind == "quantity":
            if isinstance(body, (int, float)) and not isinstance(body, bool):
                self.fail(at, f"is {quoted(body)}, a number without a unit; write one in quotes, such as {example}")
            if not isinstance(body, str):
                self.fail(at, f"is {kind_of(body)}; write text with a unit, such as {example} ({spec.doc})")
            if len(body) > LONGEST_QUANTITY or not body.isprintable():
                self.fail(at, f"is {quoted(body)}, which is too long or has hidden characters; write {example}")
            try:
                return _si(body, spec.unit, currency=self.currency or None)
            except UnitTrouble as trouble:
                self.fail(at, f"{trouble}; for example {example} ({spec.doc})")
        if isinstance(body, str) and len(body) <= LONGEST_QUANTITY and NUMBER_TEXT.fullmatch(body):
            body = float(body)
        if isinstance(body, bool) or not isinstance(body, (int, float)):
            self.fail(at, f"is {quoted(body)}; it must be a bare number, such as {spec.example} ({spec.doc})")
        try:
            number = float(body)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            self.fail(at, f"is {quoted(body)}; it must be a finite number, such as {spec.example} ({spec.doc})")
        if spec.whole and at.rpartition(".")[2] not in ("pm", "low", "high"):
            if number != int(number):
                self.fail(at, f"is {quoted(body)}; it is a count and must be a whole number ({spec.doc})")
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

    def text(self, body: Any, at: str, *, longest: int = LONGEST_NAME, empty: bool = False) -> str:
        if not isinstance(body, str):
            self.fail(at, f"is {kind_of(body)}; it must be text in quotes")
        if len(body) > longest:
            self.fail(at, f"has {len(body)} characters; at most {longest} are read")
        # Line ends are welcome in notes only; hidden characters (controls, direction marks) nowhere.
        shown = body.replace("\r\n", "\n").replace("\n", "").replace("\t", "") if longest > LONGEST_NAME else body
        if any(unicodedata.category(c)[0] == "C" or unicodedata.category(c) in ("Zl", "Zp") for c in shown):
            self.fail(at, f"is {quoted(body)}, which has hidden or control characters; type it again without them")
        if not empty and not body.strip():
            self.fail(at, "is empty; write a word or two")
        return body

    # ------------------------------------------------------------------ defaults

    def default(self, spec: Spec, path: str, prefix: str, key: str, facts: dict[str, Fact], needed: bool) -> Any:
        """The value of a key nobody wrote; BuildError when the table of defaults has none."""
        row = default_for(f"{prefix}.{key}", facts)
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
        self.data[path] = dataclasses.replace(datum, path=path)
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
        facts: dict[str, Fact],
        *,
        base: tuple[str, Mapping[str, Any]] = ("", {}),
        skip: tuple[str, ...] = (),
        needed: tuple[str, ...] = (),
    ) -> dict[str, Any]:
        """Field values of a part: its own table, then the shared one, then the defaults."""
        table = self.table(table, path)
        self.known(table, KEYS[part], path)
        out: dict[str, Any] = {}
        for key, name, spec in FIELDS[part]:
            if key in skip:
                continue
            at = f"{path}.{key}"
            if spec.kind == "parts":
                out[name] = self.part_lines(part, name, key, spec, table, at, facts)
            elif key in table:
                out[name] = self.value(spec, table[key], at, at, "given")
            elif key in base[1]:
                out[name] = self.value(spec, base[1][key], at, f"{base[0]}.{key}", "given")
            else:
                out[name] = self.default(spec, at, prefix, key, facts, key in needed)
            if part is Candidate and key in FACT_KEYS and out[name] is not None:
                facts[key] = out[name]
        return out

    def part_lines(
        self,
        part: type[Any],
        name: str,
        key: str,
        spec: Spec,
        table: Mapping[str, Any],
        path: str,
        facts: dict[str, Fact],
    ) -> tuple[Any, ...]:
        line, prefix, most = LINES[part, name]
        if key not in table:
            if spec.optional:
                return ()
            self.fail(path, f"is missing; it is the list of {spec.doc}")
        found = self.lines(table[key], path, most)
        if len(found) < spec.low:
            self.fail(path, f"is empty; it needs at least {spec.low:.0f} entry ({spec.doc})")
        return tuple(
            self.made(line, self.values(line, each, f"{path}.{i}", prefix, facts), f"{path}.{i}")
            for i, each in enumerate(found)
        )


def plain_text(value: Any) -> str:
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
    reader = Reader("defaults.csv")
    reader.currency = LIBRARY_CURRENCY
    raw: dict[str, Any] = {"value": row.value, "origin": row.origin, "note": row.note}
    if row.low or row.high:
        raw |= {"low": row.low, "high": row.high}
    reader.value(spec, raw, row.path, row.path, row.origin)
    return dataclasses.replace(reader.data[row.path], written=False, line=f"{row.path} {row.when.text}".rstrip())
