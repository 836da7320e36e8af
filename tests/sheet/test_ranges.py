"""Where a sheet may write a range, and where it is told why not."""

from __future__ import annotations

import pytest

import lobeledger as ll
from lobeledger.parts.candidate import Candidate, Failure, Price, Springs, Valvetrain
from lobeledger.parts.car import Block, Engine, FlowPoint, Vehicle
from lobeledger.parts.use import Limits, Model, Shop, SpeedBand, Use
from lobeledger.sheet.fields import FIELDS, SHEET_PARTS
from lobeledger.sheet.open import starter_sheet
from lobeledger.sheet.tables import read_defaults

BUILD = ll.build_from_text(starter_sheet())
PREFIXES = {
    **SHEET_PARTS,
    "candidate": Candidate,
    "valvetrain": Valvetrain,
    "springs": Springs,
    "failure": Failure,
    "price": Price,
    "flow": FlowPoint,
    "band": SpeedBand,
}
EXACT = [
    (room, key, spec)
    for room, part in {"engine": Engine, "block": Block, "vehicle": Vehicle, "use": Use, "shop": Shop, "limits": Limits,
                       "model": Model, "candidates.h-flat": Candidate, "candidates.h-flat.failure": Failure}.items()
    for key, _, spec in FIELDS[part]
    if spec.exact and f"{room}.{key}" in BUILD.data
]  # fmt: skip


def test_there_are_fields_that_take_no_range() -> None:
    assert len(EXACT) > 20 and all(spec.exact[0].islower() and not spec.exact.endswith(".") for _, _, spec in EXACT)


@pytest.mark.parametrize(("room", "key", "spec"), EXACT, ids=[f"{room}.{key}" for room, key, _ in EXACT])
def test_a_range_is_refused_with_the_reason(room: str, key: str, spec) -> None:
    datum = BUILD.data[f"{room}.{key}"]
    value = f"{datum.value!r} {datum.unit}" if datum.unit else datum.value
    with pytest.raises(ll.BuildError) as told:
        ll.change(BUILD, {f"{room}.{key}": {"value": value, "low": value, "high": value}})
    assert str(told.value).endswith(f"{room}.{key}: takes no pm, low or high: {spec.exact}")
    assert "\n" not in str(told.value)


def test_no_default_has_a_range_that_nothing_hears() -> None:
    specs = {f"{room}.{key}": spec for room, part in PREFIXES.items() for key, _, spec in FIELDS[part]}
    rows = [row for found in read_defaults().values() for row in found if row.path in specs]
    assert len(rows) > 100
    assert not [row.path for row in rows if specs[row.path].exact and (row.low or row.high)]


def test_a_key_of_older_sheets_is_passed_over() -> None:
    old = starter_sheet().replace("[vehicle]\n", '[vehicle]\nweight = { value = "3600 lb", pm = "100 lb" }\n')
    assert "weight" in old
    build = ll.build_from_text(old)
    assert build.vehicle == BUILD.vehicle and "vehicle.weight" not in build.data
