"""What a sheet may hold: its tables, their keys, and how much of each.

Which tables and keys?             `TOP_KEYS`, `SHEET_PARTS`, `SHARED`, `LINES`, `FIELDS`, `KEYS`
What belongs to one follower?      `ONLY`
What is no longer read?            `RETIRED`
How long may it be?                `LARGEST_SHEET_BYTES`, `MOST_CANDIDATES`, `LONGEST_NAME`, `LONGEST_NOTE`, ...
"""

from __future__ import annotations

import dataclasses
import re
from typing import Any

from lobeledger.parts.candidate import Candidate, Failure, Price, Springs, Valvetrain
from lobeledger.parts.car import Block, Engine, FlowPoint, Vehicle
from lobeledger.parts.card import CardPoint
from lobeledger.parts.spec import Spec, key_of
from lobeledger.parts.use import Limits, Model, Shop, SpeedBand, Use

__all__ = [
    "DEEPEST", "FIELDS", "KEYS", "LARGEST_SHEET_BYTES", "LINES", "LONGEST_NAME", "LONGEST_NOTE", "LONGEST_QUANTITY",
    "FACT_KEYS", "MOST_CANDIDATES", "NUMBER_TEXT", "ONLY", "RETIRED", "SAME_AS_INTAKE", "SCHEMA", "SHARED",
    "SHEET_PARTS", "TOP_KEYS", "WORDS",
]  # fmt: skip

SCHEMA = 1
LARGEST_SHEET_BYTES = 1_000_000
MOST_CANDIDATES = 24
MOST_LINES = 100
LONGEST_NAME = 80
LONGEST_NOTE = 2000
LONGEST_QUANTITY = 60
DEEPEST = 12

NUMBER_TEXT = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?\s*")
# Keys that only one kind of follower has; the other kind refuses them.
ONLY = {
    "flat": ("face_diameter", "crown_radius", "lobe_taper"),
    "roller": ("wheel_diameter", "wheel_width"),
}
FACT_KEYS = ("follower", "lifter", "core", "run_in_school")
LINES: dict[tuple[type[Any], str], tuple[type[Any], str, int]] = {
    # (part, field) -> part of one line, prefix of its defaults, most lines
    (Engine, "flow"): (FlowPoint, "flow", MOST_LINES),
    (Use, "bands"): (SpeedBand, "band", MOST_LINES),
    (Candidate, "parts"): (Price, "price", MOST_LINES),
}
SHEET_PARTS: dict[str, type[Any]] = {
    "engine": Engine,
    "block": Block,
    "vehicle": Vehicle,
    "use": Use,
    "shop": Shop,
    "limits": Limits,
    "model": Model,
}
SHARED: dict[str, type[Any]] = {"valvetrain": Valvetrain, "springs": Springs}
# Keys that older sheets hold and nothing is reckoned from any more: they are passed over, and stay in the file.
RETIRED = {"vehicle": ("weight",), "model": ("torque_trust",)}
TOP_KEYS = ("schema", "name", "currency", "note", "system", *SHEET_PARTS, *SHARED, "remedies", "candidates")
SAME_AS_INTAKE = "same as intake"

# part -> (key in the sheet, field name, Spec) of every field
FIELDS: dict[type[Any], tuple[tuple[str, str, Spec], ...]] = {
    part: tuple((key_of(f.name), f.name, f.metadata["spec"]) for f in dataclasses.fields(part))
    for part in (
        *SHEET_PARTS.values(),
        *SHARED.values(),
        *(line for line, _, _ in LINES.values()),
        Candidate,
        CardPoint,
        Failure,
    )
}
KEYS = {part: tuple(key for key, _, _ in fields) for part, fields in FIELDS.items()}
# Keys that hold words, where "350" stays text when a value is changed.
WORDS = {"name", "note", "currency"} | {
    key for fields in FIELDS.values() for key, _, spec in fields if spec.kind in ("text", "choice")
}
