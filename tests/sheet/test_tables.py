"""Data tables: each says where it is from, each default fits a field, each number has an origin."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path
from typing import Any

import pytest

from lobeledger.errors import BuildError
from lobeledger.parts.candidate import Candidate, Failure, Price, Springs, Valvetrain
from lobeledger.parts.car import Block, Engine, Vehicle
from lobeledger.parts.spec import ORIGINS, key_of, spec_of
from lobeledger.parts.use import Limits, Model, Shop, SpeedBand, Use
from lobeledger.sheet.tables import (
    DATA_DIR,
    GRADES,
    PROVENANCE,
    default_for,
    read_defaults,
    read_discharge,
    read_factors,
    read_pairing,
    read_run_in,
    read_table,
)
from lobeledger.units import quantity

OWNER: dict[str, type[Any]] = {
    "engine": Engine,
    "block": Block,
    "vehicle": Vehicle,
    "use": Use,
    "shop": Shop,
    "limits": Limits,
    "model": Model,
    "valvetrain": Valvetrain,
    "springs": Springs,
    "candidate": Candidate,
    "failure": Failure,
    "price": Price,
}
# What a default may ask for: what is known of a candidate while its sheet is read.
KNOWN = {"follower", "lifter", "core", "run_in_school"}
KINDS = [
    {"follower": follower, "lifter": lifter, "core": core}
    for follower, lifter, core in itertools.product(("flat", "roller"), ("hydraulic", "solid"), ("iron", "steel"))
]
# What only the person knows: no default may ever stand in for it.
ASKED = {
    "engine.cylinders",
    "engine.bore",
    "engine.stroke",
    "engine.rod",
    "engine.compression",
    "engine.intake_valve",
    "engine.exhaust_valve",
    "use.bands",
    "use.highest_speed",
    "use.hours_a_year",
    "use.years",
    "limits.budget",
    "candidate.id",
    "candidate.name",
    "candidate.follower",
    "candidate.lifter",
    "candidate.intake",
    "candidate.exhaust",
    "candidate.lobe_separation",
    "candidate.intake_centreline",
    "candidate.valvetrain",
    "candidate.springs",
    "candidate.failure",
    "price.item",
    "price.price",
}
TABLES = sorted(DATA_DIR.rglob("*.csv"))
ROWS = [row for rows in read_defaults().values() for row in rows]


def _field(path: str) -> tuple[type[Any], str]:
    owner, _, key = path.partition(".")
    part = OWNER[owner]
    return part, next(f.name for f in dataclasses.fields(part) if key_of(f.name) == key)


def test_there_are_tables() -> None:
    assert {"defaults.csv", "discharge.csv"} <= {path.name for path in TABLES}


@pytest.mark.parametrize("path", TABLES, ids=[path.name for path in TABLES])
def test_every_table_says_where_it_is_from(path: Path) -> None:
    table = read_table(str(path.relative_to(DATA_DIR)))
    assert all(table.provenance[word] for word in PROVENANCE)
    assert table.provenance["grade"] in GRADES
    assert table.rows and table.columns
    for row in table.rows:
        assert row.get("origin", table.provenance.get("origin")) in ORIGINS


@pytest.mark.parametrize("row", ROWS, ids=[f"{r.path} {r.when.text}".strip() for r in ROWS])
def test_every_default_fits_a_field(row: Any) -> None:
    part, name = _field(row.path)  # StopIteration or KeyError: the path names no field
    spec = spec_of(part, name)
    assert row.when.asked <= KNOWN
    assert row.origin in ORIGINS
    if row.value.startswith("="):
        _field(row.value[1:])
        return
    if spec.kind == "quantity":
        low, value, high = (
            quantity(text or row.value, spec.unit, currency="USD") for text in (row.low, row.value, row.high)
        )
    elif spec.kind == "number":
        low, value, high = (float(text or row.value) for text in (row.low, row.value, row.high))
    else:
        assert not row.low and not row.high
        assert spec.kind != "choice" or row.value in spec.choices
        assert spec.kind != "flag" or row.value in ("true", "false")
        return
    assert bool(row.low) == bool(row.high)
    assert spec.low <= low <= value <= high <= spec.high


def test_one_default_decides_for_every_kind_of_candidate() -> None:
    for path, rows in read_defaults().items():
        assert len({frozenset(row.when.each) for row in rows}) == len(rows), path
        for kind in KINDS:
            fitting = [row for row in rows if row.when.holds(kind)]
            most = max((row.when.count for row in fitting), default=0)
            assert sum(row.when.count == most for row in fitting) <= 1, (path, kind)


def test_only_what_the_person_knows_has_no_default() -> None:
    lacking = set()
    for owner, part in OWNER.items():
        for each in dataclasses.fields(part):
            path = f"{owner}.{key_of(each.name)}"
            if each.metadata["spec"].optional:
                continue
            if not all(default_for(path, kind) for kind in KINDS):
                lacking.add(path)
    assert lacking == ASKED


def test_each_follower_gets_its_own_dimensions() -> None:
    for kind in KINDS:
        for key, follower in (
            ("face_diameter", "flat"),
            ("crown_radius", "flat"),
            ("lobe_taper", "flat"),
            ("wheel_diameter", "roller"),
            ("wheel_width", "roller"),
        ):
            assert (default_for(f"candidate.{key}", kind) is not None) == (follower == kind["follower"])


def test_the_most_specific_default_wins() -> None:
    one = default_for("springs.spring_mass", {"follower": "roller", "lifter": "solid", "core": "steel"})
    other = default_for("springs.spring_mass", {"follower": "roller", "lifter": "hydraulic", "core": "steel"})
    assert one is not None and other is not None
    assert (one.value, other.value) == ("135 g", "95 g")
    assert default_for("engine.bore") is None


def test_discharge_heywood_1988_chapter_6_from_memory() -> None:
    # J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, ch. 6, valve flow figures, from memory:
    # about 0.65 to 0.7 on curtain area at low lift, falling to about 0.6 or less at lift/diameter 0.25; +-0.1
    points = read_discharge()
    low = next(p for p in points if p.lift_over_diameter == 0.05)
    high = next(p for p in points if p.lift_over_diameter == 0.25)
    assert abs(low.coefficient - 0.675) <= 0.1
    assert abs(high.coefficient - 0.60) <= 0.1
    assert high.coefficient < low.coefficient


def test_discharge_rises_in_lift_and_stays_inside_its_range() -> None:
    points = read_discharge()
    lifts = [p.lift_over_diameter for p in points]
    assert lifts == sorted(set(lifts)) and lifts[0] == 0.0
    assert all(p.low < p.coefficient < p.high for p in points)


# ------------------------------------------------------------------ tables that must be refused

HEAD = """# source: a book; edition: 1
# page: 2; units: none
# date: 2026-01-01; checker: nobody
# grade: estimated
"""


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LOBELEDGER_DATA", str(tmp_path))
    return tmp_path


def test_the_data_folder_can_be_elsewhere(elsewhere: Path) -> None:
    (elsewhere / "defaults.csv").write_text(
        HEAD + "path,when,value,low,high,origin,note\nshop.tax,,0.2,,,assumed,\n", encoding="utf-8"
    )
    row = default_for("shop.tax")
    assert row is not None and row.value == "0.2"
    assert default_for("shop.freight") is None


@pytest.mark.parametrize("word", PROVENANCE)
def test_a_table_that_hides_its_origin_is_refused(elsewhere: Path, word: str) -> None:
    (elsewhere / f"no_{word}.csv").write_text(
        HEAD.replace(f"{word}:", "about:") + "a,origin\n1,assumed\n", encoding="utf-8"
    )
    with pytest.raises(BuildError, match=f"does not say its {word}"):
        read_table(f"no_{word}.csv")


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("grade", HEAD.replace("estimated", "superb") + "a,origin\n1,assumed\n", "grade 'superb'"),
        ("row_origin", HEAD + "a,origin\n1,assumed\n2,\n", "line 2 .* origin ''"),
        ("no_origin", HEAD + "a,b\n1,2\n", "line 1 .* origin ''"),
        ("odd_origin", HEAD + "a,origin\n1,hearsay\n", "origin 'hearsay'"),
        ("long_row", HEAD + "a,origin\n1,assumed,3\n", "does not have 2 columns"),
        ("short_row", HEAD + "a,origin\n1\n", "does not have 2 columns"),
    ],
)
def test_a_bad_table_is_refused(elsewhere: Path, name: str, text: str, says: str) -> None:
    (elsewhere / f"{name}.csv").write_text(text, encoding="utf-8")
    with pytest.raises(BuildError, match=says):
        read_table(f"{name}.csv")


def test_a_missing_table_is_one_sentence(elsewhere: Path) -> None:
    with pytest.raises(BuildError, match="cannot be read") as caught:
        read_table("nothing.csv")
    assert "\n" not in str(caught.value)


def test_speed_bands_have_no_default() -> None:
    assert not any(path.startswith("band.") for path in read_defaults())
    assert all(not f.metadata["spec"].optional for f in dataclasses.fields(SpeedBand))


@pytest.mark.parametrize(
    ("table", "old", "new"),
    [
        ("defaults.csv", "candidate.core,follower=flat", "candidate.core,follower=flap"),
        ("factors.csv", "lifter_state=used", "lifter_state=worn"),
        ("pairing.csv", "core=steel gear=iron", "core=wood gear=iron"),
        ("runin.csv", "lifter=hydraulic", "lifter=water"),
    ],
)
def test_every_table_refuses_a_condition_by_one_text(elsewhere: Path, table: str, old: str, new: str) -> None:
    for path in TABLES:
        if path.parent == DATA_DIR:
            text = path.read_text(encoding="utf-8")
            (elsewhere / path.name).write_text(text.replace(old, new) if path.name == table else text, encoding="utf-8")
    word = next(each for each in new.partition(",")[2].split() or new.split() if each not in old)
    says = f"{table}: .*the condition '{word}' is not known; write lists=, lacks=, follower=flat|roller, .*open_load>"
    with pytest.raises(BuildError, match=says.replace("|", r"\|")):
        for read in (read_defaults, read_factors, read_pairing, read_run_in):
            read()
