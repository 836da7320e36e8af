"""No kept result outlives what it was made from.

Every field of a build is changed, one at a time, and a comparison with everything kept from before is held against one
made from nothing.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import pytest

import lobeledger as ll
from caches import forget, kept
from lobeledger.parts.build import Build
from lobeledger.parts.spec import key_of
from lobeledger.sheet.open import starter_sheet

BUILD = ll.build_from_text(starter_sheet())
OURS = ("factors.", "precautions.", "pairing.")  # the library's own tables, which a sheet does not hold


def words_and_flags(part: Any, path: str = "") -> Iterator[tuple[str, list[Any]]]:
    """(path, other values) of every choice and flag below a part."""
    for each in dataclasses.fields(part):
        spec, value = each.metadata.get("spec"), getattr(part, each.name)
        here = f"{path}.{key_of(each.name)}".strip(".")
        if dataclasses.is_dataclass(value):
            yield from words_and_flags(value, here)
        elif isinstance(value, tuple):
            for i, line in enumerate(value):
                if dataclasses.is_dataclass(line) and here != "discharge":
                    yield from words_and_flags(line, f"{here}.{getattr(line, 'id', i)}")
        elif spec is not None and value is not None and spec.kind == "choice":
            yield here, [word for word in spec.choices if word != value]
        elif spec is not None and spec.kind == "flag":
            yield here, [not value]


def numbers() -> Iterator[tuple[str, list[Any]]]:
    """(path, other values near by) of every number of the sheet and its defaults."""
    for path, datum in BUILD.data.items():
        value = datum.value
        if isinstance(value, (bool, str)) or path.startswith(OURS):
            continue
        step = 0.01 * abs(value) or 1e-4
        near = [value + step, value - step, value + 1, value - 1]
        yield path, [f"{v!r} {datum.unit}" if datum.unit else int(v) if v == int(v) else v for v in near]


def changed(path: str, others: list[Any]) -> Build | None:
    """The build with another value there: the first that the sheet may hold."""
    for other in others:
        try:
            return ll.change(BUILD, {path: other})
        except ll.BuildError:
            continue
    return None


PARTS = ("engine", "block", "vehicle", "use", "shop", "limits", "model", "candidates")
FIELDS = [
    *numbers(),
    *(each for each in words_and_flags(BUILD) if each[0].startswith(PARTS)),
]
RANGED = sorted(
    p
    for p, d in BUILD.data.items()
    if d.low is not None and d.high is not None and d.low < d.high and not p.startswith(OURS)
)


def told(build: Build) -> str:
    """All that a comparison tells, with few trials of speed: a stale one is as stale, and the walk is long."""
    return ll.compare(build, trials=2).to_json()


def from_nothing(build: Build) -> str:
    forget()
    return told(build)


def test_there_is_something_to_change_and_to_clear() -> None:
    ll.compare(BUILD)
    assert len(FIELDS) > 200 and len(RANGED) > 60 and len(kept()) > 10
    refused = [path for path, others in FIELDS if changed(path, others) is None]
    assert len(refused) < 12, refused


def hold(builds: list[tuple[str, Build]]) -> None:
    """Each build warm, after the one before it, against itself from nothing."""
    forget()
    told(BUILD)
    warm = {}
    for path, build in builds:
        warm[path] = told(build)
    stale = [path for path, build in builds if warm[path] != from_nothing(build)]
    assert not stale


def moved_field(at: int) -> tuple[str, Build] | None:
    path, others = FIELDS[at]
    build = changed(path, others)
    return None if build is None else (path, build)


def moved_range(path: str) -> tuple[str, Build]:
    datum = BUILD.data[path]
    narrower = {"low": 0.9 * datum.low + 0.1 * datum.high, "high": datum.high, "value": datum.value}
    narrower["low"] = min(narrower["low"], datum.value)
    unit = f" {datum.unit}" if datum.unit else ""
    table = {key: f"{v!r}{unit}" if unit else v for key, v in narrower.items()}
    return path, ll.change(BUILD, {path: table})


def test_a_few_fields_warm_and_from_nothing() -> None:
    """A few spread over the sheet; the slow test below takes all of them."""
    hold([b for b in map(moved_field, range(3, len(FIELDS), len(FIELDS) // 3)) if b])
    hold([moved_range(path) for path in RANGED[:: len(RANGED) // 2]])


@pytest.mark.slow
@pytest.mark.parametrize("part", range(8))
def test_every_field_warm_and_from_nothing(part: int) -> None:
    hold([b for b in map(moved_field, range(part, len(FIELDS), 8)) if b])


@pytest.mark.slow
@pytest.mark.parametrize("part", range(4))
def test_every_range_warm_and_from_nothing(part: int) -> None:
    hold([moved_range(path) for path in RANGED[part::4]])
