"""A cam card as a sheet writes it: lifts at the lobe or the valve, durations whole or divided, ramps.

A card of a sheet                  `card_of`
What a lift may be                 `LOBE_LIFT`, `VALVE_LIFT`
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

from lobeledger.parts.card import Card, CardPoint, CardRamp
from lobeledger.parts.spec import Spec
from lobeledger.sheet.fields import FIELDS
from lobeledger.sheet.reader import Reader

__all__ = ["LOBE_LIFT", "VALVE_LIFT", "card_of"]

_MOST_DURATIONS = 12
LOBE_LIFT = Spec("quantity", "lobe lift", unit="m", example='"0.290 in"', low=0.001, high=0.02)
VALVE_LIFT = Spec("quantity", "valve lift", unit="m", example='"0.435 in"', low=0.001, high=0.03)
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


def card_of(reader: Reader, table: Any, path: str, ratio: float) -> Card:
    """One lobe's card; a lift quoted at the valve is divided by the rocker ratio."""
    table = reader.table(table, path)
    reader.known(table, _CARD_KEYS, path)
    if ("lobe_lift" in table) == ("valve_lift" in table):
        reader.fail(
            path,
            ("has both lobe_lift and valve_lift; keep" if "lobe_lift" in table else "has no lift; write")
            + ' one of them, such as lobe_lift = "0.290 in"',
        )
    key, spec = ("lobe_lift", LOBE_LIFT) if "lobe_lift" in table else ("valve_lift", VALVE_LIFT)
    at = f"{path}.{key}"
    lift = reader.value(
        spec,
        table[key],
        f"{path}.lobe_lift",
        at,
        "card",
        scale=1.0 if key == "lobe_lift" else 1.0 / ratio,
    )
    quoted_at = reader.value(
        _QUOTED_AT, table.get("quoted_at", "lobe"), f"{path}.quoted_at", f"{path}.quoted_at", "card"
    )
    scale = 1.0 if quoted_at == "lobe" else 1.0 / ratio
    at = f"{path}.durations"
    if "durations" not in table:
        reader.fail(at, 'is missing; write durations = [{ at = "0.050 in", duration = "214 deg" }]')
    found = reader.lines(table["durations"], at, _MOST_DURATIONS)
    points: list[CardPoint] = []
    for i, each in enumerate(found):
        here = f"{at}.{i}"
        point = _point(reader, reader.table(each, here), here, scale)
        if points and point.at_m <= points[-1].at_m:
            reader.fail(here, "does not lie at a higher lift than the line before; list durations by rising lift")
        points.append(point)
    values = {"lobe_lift_m": lift, "points": tuple(points), "quoted_at": quoted_at}
    if "ramp_lift" in table:
        at = f"{path}.ramp_lift"
        values["ramp_lift_m"] = reader.value(_RAMP_LIFT, table["ramp_lift"], at, at, "card", scale=scale)
    opening = _ramp(reader, table, f"{path}.ramp_velocity", scale)
    closing = _ramp(reader, table, f"{path}.closing_ramp_velocity", scale)
    values |= {"opening_ramp": opening, "closing_ramp": opening if closing is None else closing}
    if quoted_at == "valve" or key == "valve_lift":
        _note_conversion(reader, path, ratio, lift=key == "valve_lift", points=quoted_at == "valve")
    return reader.made(Card, values, path)


def _point(reader: Reader, line: Mapping[str, Any], path: str, scale: float) -> CardPoint:
    """One quoted lift: its duration, or that duration's two sides, or the duration and one of them."""
    reader.known(line, _POINT_KEYS, path)
    specs = {key: spec for key, _, spec in FIELDS[CardPoint]} | {"closing": _CLOSING}
    sides = [key for key in ("opening", "closing") if key in line]
    if "at" not in line or ("duration" not in line and len(sides) < 2):
        sub = "duration" if "at" in line else "at"
        if len(sides) == 1:
            reader.fail(path, f"has {sides[0]} alone; add duration or the other side, closing or opening")
        reader.fail(f"{path}.{sub}", f"is missing; it is the {specs[sub].doc}, like {specs[sub].example}")
    if "duration" in line and len(sides) == 2:
        reader.fail(path, "has duration, opening and closing; keep two of the three")
    read = {
        key: reader.value(
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
    return reader.made(CardPoint, {"at_m": read["at"], "duration_rad": duration, "opening_rad": opening}, path)


def _ramp(reader: Reader, table: Mapping[str, Any], path: str, scale: float) -> CardRamp | None:
    """A ramp velocity the card gives, with its range if it has one."""
    key = path.rpartition(".")[2]
    if key not in table:
        return None
    velocity = reader.value(_RAMP_VELOCITY, table[key], path, path, "card", scale=scale)
    datum = reader.data[path]
    low, high = (velocity if end is None else end for end in (datum.low, datum.high))
    return reader.made(CardRamp, {"velocity_m_per_rad": velocity, "low_m_per_rad": low, "high_m_per_rad": high}, path)


def _note_conversion(reader: Reader, path: str, ratio: float, *, lift: bool, points: bool) -> None:
    """Say beside each converted figure that it was quoted at the valve."""
    for at, datum in list(reader.data.items()):
        if (lift and at == f"{path}.lobe_lift") or (
            points
            and (
                (at.startswith(f"{path}.durations.") and at.endswith(".at"))
                or at in (f"{path}.ramp_lift", f"{path}.ramp_velocity", f"{path}.closing_ramp_velocity")
            )
        ):
            note = f"at the valve, divided by a rocker ratio of {ratio:.4g}"
            reader.data[at] = dataclasses.replace(datum, note=f"{datum.note}; {note}" if datum.note else note)
