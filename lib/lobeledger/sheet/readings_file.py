"""Tables of indicator readings: angle of cam or crank against lift of lobe or valve, as CSV.

What did the table say?     `read_readings`, `readings_from_text` -> `ReadingsTable`

A table has a row of column names in plain words with units, "cam angle (deg)" and "lobe lift (in)" or
"crank angle (deg)" and "valve lift (mm)"; lines that begin with # are comment. What can be put right without
guessing is, and is listed in sentences (`ReadingsTable.handled`); the rest is refused with its line.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import os
import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import NamedTuple

from lobeledger.errors import BuildError
from lobeledger.sheet.files import on_one_line
from lobeledger.units import INCH_M, both, cam_rad_from_crank_rad, deg, rad

__all__ = ["ReadingsTable", "read_readings", "readings_from_text"]

MOST_ROWS = 5000
FEWEST_ROWS = 24
LIFT_UNITS = {"in": INCH_M, "inch": INCH_M, "inches": INCH_M, "thou": 1e-3 * INCH_M, "mm": 1e-3}
ANGLE_UNITS = {"deg": rad(1.0), "degree": rad(1.0), "degrees": rad(1.0), "°": rad(1.0), "rad": 1.0}
SHAFTS = {"cam": "cam", "camshaft": "cam", "crank": "crank", "crankshaft": "crank"}
PLACES = {"lobe": "lobe", "tappet": "lobe", "lifter": "lobe", "cam": "lobe", "valve": "valve", "retainer": "valve"}
LOBES = {"intake": "intake", "inlet": "intake", "exhaust": "exhaust"}
BLANKS = {"", "-", "--", "\u2013", "n/a", "na", "missing", "?"}
# Two readings of one angle: further apart than backlash and scatter move a lift, it is a slip.
FURTHEST_REPEAT_M = 0.010 * INCH_M
GREATEST_READING_M = 0.030
_KNOWN = ("angle", "degrees", "position", "lift", *SHAFTS, *PLACES, *LOBES)
_UNIT = re.compile(r"^(.*?)\s*[(\[]\s*([^)\]]*?)\s*[)\]]\s*$")
_WORDS = re.compile(r"[a-z]+")
_GOOD = '"cam angle (deg)" or "crank angle (deg)", and "lobe lift (in)" or "valve lift (mm)"'


@dataclass(frozen=True)
class ReadingsTable:
    """One lobe's readings by rising angle.

    angle_cam_rad: cam angle as the wheel shows it (a crank angle is halved). lift_m: as the indicator shows it.
    shaft: "cam" or "crank"; lift_at: "lobe" or "valve". lift_step_m: the step the dial was read to, found as the
    greatest that divides every reading. lines: line of the file of each reading. handled: what was put right.
    """

    name: str
    angle_cam_rad: tuple[float, ...]
    lift_m: tuple[float, ...]
    lines: tuple[int, ...]
    shaft: str
    lift_at: str
    lift_step_m: float
    handled: tuple[str, ...]


class _Column(NamedTuple):
    place: int
    title: str
    words: tuple[str, ...]
    unit: str


def read_readings(path: str | os.PathLike[str], *, lobe: str = "", against_rotation: bool = False) -> ReadingsTable:
    """The readings in a CSV file; see `readings_from_text`. Raises BuildError."""
    shown = on_one_line(str(path), longest=200)
    try:
        raw = Path(path).read_bytes()
    except (OSError, ValueError) as trouble:
        reason = on_one_line(getattr(trouble, "strerror", None) or str(trouble))
        raise BuildError(f"{shown} cannot be read ({reason}); give the path of a CSV file of readings") from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")  # a spreadsheet's degree sign
    return readings_from_text(text, Path(path).name, lobe=lobe, against_rotation=against_rotation)


def readings_from_text(
    text: str, name: str = "the table", *, lobe: str = "", against_rotation: bool = False
) -> ReadingsTable:
    """The readings of one lobe in CSV text.

    lobe: "intake" or "exhaust" when the table holds a column of each. against_rotation: the wheel's numbers fall
    as the cam turns forwards (opening and closing flank would change places). Raises BuildError.
    """
    if lobe and lobe not in ("intake", "exhaust"):
        raise BuildError(f"the lobe '{on_one_line(lobe)}' is neither intake nor exhaust")
    handled: list[str] = []
    header, rows, comma = _rows(text, name)
    if comma:
        handled.append("numbers are written with a decimal comma; read as such")
    angle, lift, ignored = _columns(header, name, lobe)
    if ignored:
        handled.append(f"columns left unread: {', '.join(ignored)}")
    shaft = _shaft(angle, name)
    lift_at = _place(lift, handled)
    readings: list[tuple[float, Decimal, int]] = []  # angle and lift as written, line
    blank: list[int] = []
    for line, cells in rows:
        if len(cells) != len(header):
            raise BuildError(
                f"line {line} of {name} has {len(cells)} cells under {len(header)} column names; "
                "write one cell for each, and a decimal point in numbers"
            )
        if cells[angle.place].lower() in BLANKS and cells[lift.place].lower() in BLANKS:
            continue
        if cells[lift.place].lower() in BLANKS:
            blank.append(line)
            continue
        readings.append(
            (
                float(_number(cells[angle.place], line, angle.title, name, comma=comma)),
                _number(cells[lift.place], line, lift.title, name, comma=comma),
                line,
            )
        )
    if blank:
        handled.append(
            f"no lift on {_lines(blank)}; {'that angle is' if len(blank) == 1 else 'those angles are'} left out"
        )
    if not FEWEST_ROWS <= len(readings) <= MOST_ROWS:
        raise BuildError(f"{name} holds {len(readings)} readings; a lobe takes between {FEWEST_ROWS} and {MOST_ROWS}")
    return _table(readings, name, shaft, lift_at, angle, lift, handled, against_rotation)


def _rows(text: str, name: str) -> tuple[list[str], list[tuple[int, list[str]]], bool]:
    """Column names, and (line, cells) of each row; whether numbers carry a decimal comma."""
    lines = [(k, line) for k, line in enumerate(text.splitlines(), start=1)]
    lines = [(k, line) for k, line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise BuildError(f"{name} is empty; its first line names the columns: {_GOOD}")
    if len(lines) > MOST_ROWS + 1:
        raise BuildError(f"{name} has {len(lines) - 1} rows; a lobe takes at most {MOST_ROWS}")
    delimiter = next((mark for mark in ("\t", ";", ",") if mark in lines[0][1]), ",")
    try:
        cells = [(k, [cell.strip() for cell in next(csv.reader(io.StringIO(line), delimiter=delimiter))])
                 for k, line in lines]  # fmt: skip
    except csv.Error as trouble:
        raise BuildError(f"{name} is not a CSV table ({on_one_line(str(trouble))})") from None
    comma = delimiter != "," and any("," in cell and "." not in cell for _, row in cells[1:] for cell in row[:2])
    return cells[0][1], cells[1:], comma


def _column(place: int, title: str) -> _Column:
    match = _UNIT.match(title)
    bare, unit = (match.group(1), match.group(2).lower()) if match else (title, "")
    words = _WORDS.findall(bare.lower())
    if not match and words and len(words) > 1 and words[-1] in (*LIFT_UNITS, "deg", "rad"):
        unit = words.pop()
    return _Column(place, on_one_line(title), tuple(words), unit)


def _columns(header: list[str], name: str, lobe: str) -> tuple[_Column, _Column, list[str]]:
    columns = [_column(k, title) for k, title in enumerate(header)]
    if any(re.fullmatch(r"[-+.\d,]+", title) for title in header if title):
        raise BuildError(f"{name} begins with numbers; its first line must name the columns: {_GOOD}")
    angles = [
        c
        for c in columns
        if {"angle", "degrees", "position"} & set(c.words) or set(c.words) and set(c.words) <= set(SHAFTS)
    ]
    lifts = [c for c in columns if "lift" in c.words and c not in angles]
    others = [c for c in columns if c not in angles and c not in lifts]
    for kind, found in (("an angle", angles), ("a lift", lifts)):
        if not found:
            hint = _near(others)
            raise BuildError(f"{name} has no column for {kind}{hint}; name the columns {_GOOD}")
    if len(angles) > 1:
        raise BuildError(
            f"{name} has {len(angles)} columns of angle ({', '.join(c.title for c in angles)}); "
            "keep the one that was read"
        )
    if lobe:
        lifts = [c for c in lifts if not {LOBES[w] for w in c.words if w in LOBES} - {lobe}] or lifts
        named = [c for c in lifts if lobe in {LOBES[w] for w in c.words if w in LOBES}]
        if not named and any(w in LOBES for c in lifts for w in c.words):
            raise BuildError(f"{name} has no column of {lobe} lift, only {', '.join(c.title for c in lifts)}")
        lifts = named or lifts
    if len(lifts) > 1:
        raise BuildError(
            f"{name} has {len(lifts)} columns of lift ({', '.join(c.title for c in lifts)}); "
            "say which lobe is wanted, intake or exhaust, or keep one of them"
        )
    angle, lift = angles[0], lifts[0]
    for column, units, example in ((angle, ANGLE_UNITS, "deg"), (lift, LIFT_UNITS, "in or mm")):
        if column.unit not in units:
            near = difflib.get_close_matches(column.unit, units, n=1)
            hint = f"; did you mean '{near[0]}'?" if near else f"; write ({example}) after it"
            what = f"the unit '{on_one_line(column.unit)}'" if column.unit else "no unit"
            raise BuildError(f"the column '{column.title}' of {name} has {what}{hint}")
    return angle, lift, [c.title for c in others if c.title]


def _near(columns: list[_Column]) -> str:
    for column in columns:
        for word in column.words:
            near = difflib.get_close_matches(word, _KNOWN, n=1, cutoff=0.6)
            if near:
                return f"; in '{column.title}', did you mean '{near[0]}'?"
    return ""


def _shaft(angle: _Column, name: str) -> str:
    shafts = {SHAFTS[word] for word in angle.words if word in SHAFTS}
    if len(shafts) != 1:
        near = difflib.get_close_matches(" ".join(angle.words), ("cam angle", "crank angle"), n=1, cutoff=0.75)
        hint = f"; did you mean '{near[0]} ({angle.unit})'?" if near else ""
        raise BuildError(
            f"the column '{angle.title}' of {name} does not say which shaft turned the wheel{hint}; "
            "write 'cam angle (deg)' or 'crank angle (deg)': the crank turns twice as far"
        )
    return shafts.pop()


def _place(lift: _Column, handled: list[str]) -> str:
    places = {PLACES[word] for word in lift.words if word in PLACES}
    if len(places) > 1:
        raise BuildError(f"the column '{lift.title}' speaks of both lobe and valve; write 'lobe lift' or 'valve lift'")
    if not places:
        handled.append(f"the column '{lift.title}' does not say where the lift was read; taken as lobe lift")
    return places.pop() if places else "lobe"


def _number(cell: str, line: int, title: str, name: str, *, comma: bool) -> Decimal:
    text = cell.replace(",", ".") if comma and cell.count(",") == 1 and "." not in cell else cell
    try:
        value = Decimal(text.replace("\u2212", "-"))
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or abs(value) > 1_000_000 or len(text) > 40:
        raise BuildError(
            f"line {line} of {name}: '{on_one_line(cell)}' under '{title}' is not a number; "
            "write one, or leave the lift empty"
        )
    return value


def _lines(numbers: list[int]) -> str:
    """Line numbers as words, at most six of them."""
    shown = ", ".join(str(k) for k in numbers[:6]) + (" and others" if len(numbers) > 6 else "")
    return f"line{'s' if len(numbers) > 1 else ''} {shown}"


def _step(lifts: list[Decimal]) -> Decimal:
    """The greatest step that divides every reading as written."""
    places = max(0, *(-int(value.as_tuple().exponent) for value in lifts))
    whole = [int(value.scaleb(places)) for value in lifts]
    return Decimal(math.gcd(*whole)).scaleb(-places)


def _table(
    readings: list[tuple[float, Decimal, int]],
    name: str,
    shaft: str,
    lift_at: str,
    angle: _Column,
    lift: _Column,
    handled: list[str],
    against_rotation: bool,
) -> ReadingsTable:
    to_rad, to_m = ANGLE_UNITS[angle.unit], LIFT_UNITS[lift.unit]
    step_m = float(_step([value for _, value, _ in readings])) * to_m
    if step_m == 0.0:
        raise BuildError(f"every lift in {name} is zero; check the column '{lift.title}'")
    for _, value, line in readings:
        if abs(float(value)) * to_m > GREATEST_READING_M:
            raise BuildError(
                f"line {line} of {name}: {value} {lift.unit} is more than any valve lifts; "
                "check the number and the unit"
            )
    # A cam's full circle in the angle's own shaft.
    turn = 2.0 * math.pi * (2.0 if shaft == "crank" else 1.0)
    angles = [a * to_rad for a, _, _ in readings]
    covered = max(angles) - min(angles)
    if covered > turn * (1.0 + 1e-9):
        hint = (
            "; if the wheel sat on the crank, write 'crank angle (deg)'"
            if shaft == "cam"
            else "; keep one turn of the cam"
        )
        raise BuildError(
            f"the {shaft} angles of {name} cover {deg(covered):.0f} degrees, more than the {deg(turn):.0f} of one "
            f"cam turn{hint}"
        )
    if shaft == "crank":
        handled.append("crank angles halved to cam angles")
        angles = [cam_rad_from_crank_rad(a) for a in angles]
    if against_rotation:
        handled.append("the wheel counts against the cam's rotation; angles taken with their signs changed")
        angles = [-a for a in angles]
    _say_order(angles, [line for _, _, line in readings], handled, against_rotation)
    order = sorted(range(len(readings)), key=lambda k: angles[k])
    merged: list[tuple[float, list[float], list[int]]] = []
    for k in order:
        lift_m, line = float(readings[k][1]) * to_m, readings[k][2]
        if merged and angles[k] - merged[-1][0] < 1e-9:
            merged[-1][1].append(lift_m)
            merged[-1][2].append(line)
        else:
            merged.append((angles[k], [lift_m], [line]))
    if len(merged) > 1 and abs(merged[-1][0] - merged[0][0] - 2.0 * math.pi) < 1e-9:
        last = merged.pop()
        merged[0] = (merged[0][0], merged[0][1] + last[1], merged[0][2] + last[2])
    repeated: list[int] = []
    for _, values, lines in merged:
        if max(values) - min(values) > FURTHEST_REPEAT_M:
            each = " and ".join(str(k) for k in sorted(lines))
            apart = both(max(values) - min(values), "lift")
            raise BuildError(f"lines {each} of {name} give one angle two lifts {apart} apart; keep the right one")
        if len(values) > 1:
            repeated.append(min(lines))
    if repeated:
        handled.append(f"angles read more than once are averaged ({_lines(sorted(repeated))})")
    return ReadingsTable(
        name=name,
        angle_cam_rad=tuple(a for a, _, _ in merged),
        lift_m=tuple(sum(values) / len(values) for _, values, _ in merged),
        lines=tuple(min(lines) for _, _, lines in merged),
        shaft=shaft,
        lift_at=lift_at,
        lift_step_m=step_m,
        handled=tuple(handled),
    )


def _say_order(angles: list[float], lines: list[int], handled: list[str], against_rotation: bool) -> None:
    """Tell when rows do not stand by rising angle; one jump back by most of a turn is the wheel passing nought."""
    sign = -1.0 if against_rotation else 1.0  # the order as written
    moves = [sign * (b - a) for a, b in zip(angles, angles[1:], strict=False)]
    rises = [m for m in moves if m > 0.0 and m < math.pi]
    falls = [m for m in moves if m < 0.0 and m > -math.pi]
    if falls and not rises:
        handled.append(
            "the angle runs backwards down the table; put in rising order (if the cam itself was turned backwards, "
            "backlash shifts every angle)"
        )
    elif falls:
        first = next(k for k, m in enumerate(moves) if (m < 0.0) == (len(falls) <= len(rises)) and abs(m) < math.pi)
        handled.append(f"rows do not stand in order of angle (first at line {lines[first + 1]}); put in rising order")
