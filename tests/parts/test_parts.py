"""Parts: every field says its unit, range and meaning, and no part is made with a wrong value."""

from __future__ import annotations

import ast
import dataclasses
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lobeledger.errors import OutOfRange
from lobeledger.parts import build, candidate, car, card, rules, use
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate, Springs
from lobeledger.parts.car import Engine, FlowPoint
from lobeledger.parts.card import Card, CardPoint
from lobeledger.parts.spec import key_of, replaced, spec_of
from lobeledger.parts.use import SpeedBand, Use
from lobeledger.sheet.open import build_from_text, read_build, starter_sheet
from lobeledger.sheet.tables import DATA_DIR
from lobeledger.units import quantity

PARTS: list[type[Any]] = [
    part
    for leaf in (build, candidate, car, card, rules, use)
    for part in (getattr(leaf, name) for name in leaf.__all__)
    if isinstance(part, type)
    and dataclasses.is_dataclass(part)
    and any("spec" in f.metadata for f in dataclasses.fields(part))
]
FIELDS = [(part, f) for part in PARTS for f in dataclasses.fields(part)]
IDS = [f"{part.__name__}.{f.name}" for part, f in FIELDS]
_IN = 0.0254
_DEG = math.pi / 180.0
BUILD = build_from_text(starter_sheet())


def test_there_are_parts() -> None:
    assert {Engine, Candidate, Springs, Use} <= set(PARTS)
    assert len(FIELDS) > 100


@pytest.mark.parametrize(("part", "each"), FIELDS, ids=IDS)
def test_every_field_says_what_it_holds(part: type[Any], each: Any) -> None:
    spec = spec_of(part, each.name)
    assert spec.doc and not spec.doc.endswith(".")
    assert spec.kind in ("quantity", "number", "choice", "flag", "text", "part", "parts")
    if spec.kind == "quantity":
        assert spec.unit
        assert spec.low < spec.high and math.isfinite(spec.low) and math.isfinite(spec.high)
        value = quantity(ast.literal_eval(spec.example), spec.unit, currency="USD")
        assert spec.low <= value <= spec.high
        assert key_of(each.name) != each.name, "the unit belongs in the name"
    if spec.kind == "number":
        assert spec.low < spec.high
        if spec.example:
            assert spec.low <= float(spec.example) <= spec.high
    if spec.kind == "choice":
        assert len(set(spec.choices)) == len(spec.choices) >= 2


@pytest.mark.parametrize("part", PARTS, ids=[p.__name__ for p in PARTS])
def test_no_two_fields_share_a_key(part: type[Any]) -> None:
    keys = [key_of(f.name) for f in dataclasses.fields(part)]
    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("part", PARTS, ids=[p.__name__ for p in PARTS])
def test_parts_are_frozen(part: type[Any]) -> None:
    assert part.__dataclass_params__.frozen  # type: ignore[attr-defined]


def _engine(**other: Any) -> Engine:
    return dataclasses.replace(BUILD.engine, **other)


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("bore_m", math.nan, "finite"),
        ("bore_m", math.inf, "finite"),
        ("bore_m", -0.1, "outside"),
        ("bore_m", "0.1", "finite number"),
        ("bore_m", True, "finite number"),
        ("bore_m", None, "finite number"),
        ("cylinders", 8.5, "whole number"),
        ("cylinders", 0, "outside"),
        ("head_material", "aluminum", "did you mean 'aluminium'"),
    ],
)
def test_an_engine_refuses(name: str, value: Any, says: str) -> None:
    with pytest.raises(OutOfRange, match=says) as caught:
        _engine(**{name: value})
    assert "\n" not in str(caught.value)


def test_an_engine_whose_dimensions_contradict_one_another_is_refused() -> None:
    with pytest.raises(OutOfRange, match="too short for a stroke"):
        _engine(rod_m=0.06, stroke_m=0.12)
    with pytest.raises(OutOfRange, match="1.25 times the bore"):
        _engine(intake_valve_m=0.08, exhaust_valve_m=0.07)


def test_flow_tables_rise() -> None:
    def point(lift: float) -> FlowPoint:
        return FlowPoint(lift_m=lift, intake_m3_per_s=0.05, exhaust_m3_per_s=0.04)

    assert len(_engine(flow=(point(0.002), point(0.004))).flow) == 2
    with pytest.raises(OutOfRange, match="rising lift"):
        _engine(flow=(point(0.004), point(0.004)))


def test_springs_leave_room_before_coil_bind() -> None:
    springs = BUILD.candidates[0].springs
    with pytest.raises(OutOfRange, match="not below the installed height"):
        dataclasses.replace(springs, coil_bind_m=springs.installed_height_m)
    nested = dataclasses.replace(springs, inner_seat_load_n=200.0, inner_rate_n_per_m=20000.0)
    assert nested.total_seat_load_n == springs.seat_load_n + 200.0
    assert nested.total_rate_n_per_m == springs.rate_n_per_m + 20000.0


def _point(at_in: float, duration_deg: float) -> CardPoint:
    return CardPoint(at_m=at_in * _IN, duration_rad=duration_deg * _DEG)


@pytest.mark.parametrize(
    ("lift_in", "points", "says"),
    [
        (0.290, (), "at least one"),
        (0.030, (_point(0.006, 250),), "a lobe lifts between"),
        (0.290, (_point(0.050, 210), _point(0.050, 200)), "two durations"),
        (0.290, (_point(0.006, 210), _point(0.050, 210)), "is not below"),
        (0.290, (_point(0.006, 260), _point(0.300, 100)), "not below the lobe lift"),
    ],
)
def test_a_card_refuses(lift_in: float, points: tuple[CardPoint, ...], says: str) -> None:
    with pytest.raises(OutOfRange, match=says):
        Card(lobe_lift_m=lift_in * _IN, points=points)


@given(st.permutations([(0.006, 262.0), (0.050, 212.0), (0.200, 118.0)]))
def test_a_card_sorts_its_points(order: list[tuple[float, float]]) -> None:
    card = Card(lobe_lift_m=0.290 * _IN, points=tuple(_point(*each) for each in order))
    assert [p.at_m for p in card.points] == sorted(p.at_m for p in card.points)
    assert card.lowest.duration_rad == pytest.approx(262.0 * _DEG)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=4))
def test_shares_add_up_to_one_or_are_refused(shares: list[float]) -> None:
    bands = tuple(SpeedBand(from_rpm=1000.0, to_rpm=2000.0, share=s) for s in shares)
    if abs(sum(shares) - 1.0) <= 0.005:
        assert dataclasses.replace(BUILD.use, bands=bands).bands == bands
    else:
        with pytest.raises(OutOfRange, match="add up to"):
            dataclasses.replace(BUILD.use, bands=bands)


def test_a_band_runs_upwards() -> None:
    with pytest.raises(OutOfRange, match="must be above from"):
        SpeedBand(from_rpm=3000.0, to_rpm=3000.0, share=1.0)


def test_two_candidates_cannot_share_an_id() -> None:
    with pytest.raises(OutOfRange, match="two candidates have the id"):
        dataclasses.replace(BUILD, candidates=(BUILD.candidates[0], BUILD.candidates[0]))
    with pytest.raises(OutOfRange, match="no candidate"):
        dataclasses.replace(BUILD, candidates=())


def test_a_candidate_is_found_by_id_or_the_nearest_is_named() -> None:
    assert BUILD.candidate("h-roller") is BUILD.candidates[1]
    with pytest.raises(OutOfRange, match="did you mean 'h-roller'"):
        BUILD.candidate("h-rollr")
    with pytest.raises(OutOfRange, match="there are h-flat, h-roller"):
        BUILD.candidate("zzz")


def test_what_is_known_of_a_value_cannot_be_changed_behind_its_back() -> None:
    with pytest.raises(TypeError):
        BUILD.data["engine.bore"] = None  # type: ignore[index]
    with pytest.raises(dataclasses.FrozenInstanceError):
        BUILD.engine.bore_m = 0.1  # type: ignore[misc]


def test_spread_is_a_multiple_of_the_value() -> None:
    sheet = starter_sheet().replace(
        '\nbore = "4.030 in"', '\nbore = { value = "4.000 in", pm = "0.040 in", origin = "measured" }'
    )
    build = build_from_text(sheet)
    low, high = build.spread("engine.bore")
    assert low == pytest.approx(0.99, rel=1e-12)
    assert high == pytest.approx(1.01, rel=1e-12)
    assert build.spread("engine.stroke") == (1.0, 1.0)
    assert build.spread("nothing.here") == (1.0, 1.0)


def test_replaced_changes_one_value_of_a_copy() -> None:
    changed = replaced(BUILD, "candidates.h-flat.springs.rate", 60000.0)
    assert changed.candidate("h-flat").springs.rate_n_per_m == 60000.0
    assert BUILD.candidate("h-flat").springs.rate_n_per_m != 60000.0
    assert changed.candidate("h-roller") is BUILD.candidate("h-roller")
    assert replaced(BUILD, "use.years", 8.0).use.years == 8.0
    priced = replaced(BUILD, "candidates.h-roller.parts.1.price", 700.0)
    assert [p.price_money for p in priced.candidates[1].parts] == [420.0, 700.0, 260.0]


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        ("use.yeers", 8.0, "did you mean 'years'"),
        ("candidates.nobody.fitting_time", 7.0, "there is no 'nobody'"),
        ("use.years", -1.0, "outside"),
        ("candidates.h-flat.parts.9.price", 1.0, "there is no '9'"),
    ],
)
def test_replaced_refuses(path: str, value: Any, says: str) -> None:
    with pytest.raises(OutOfRange, match=says):
        replaced(BUILD, path, value)


@pytest.mark.parametrize("path", sorted((DATA_DIR / "builds").glob("*.toml")), ids=lambda p: p.stem)
def test_every_numeric_datum_of_a_build_names_a_field(path: Path) -> None:
    """What a result perturbs by path must reach the field of that path."""
    build: Build = read_build(path)
    for datum in build.data.values():
        card_figure = any(side in datum.path for side in (".intake.", ".exhaust."))
        if isinstance(datum.value, bool) or not isinstance(datum.value, (int, float)) or card_figure:
            continue
        assert replaced(build, datum.path, datum.value) == build, datum.path
