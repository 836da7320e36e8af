"""Build sheets: shipped ones read, changes and files round-trip, what is wrong is said in one sentence."""

from __future__ import annotations

import functools
import math
import os
import re
import stat
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lobeledger.errors import BuildError
from lobeledger.parts.build import Build
from lobeledger.parts.spec import ORIGINS, replaced
from lobeledger.sheet.change import change, write_build
from lobeledger.sheet.fields import LARGEST_SHEET_BYTES, MOST_CANDIDATES
from lobeledger.sheet.files import on_one_line, write_text_atomically
from lobeledger.sheet.open import build_from_text, read_build, starter_sheet
from lobeledger.sheet.tables import DATA_DIR

SHIPPED = sorted((DATA_DIR / "builds").glob("*.toml"))
IN = 0.0254
DEG = math.pi / 180.0
LBF = 4.4482216152605  # 0.45359237 kg times 9.80665 m/s2, both exact
# The starter without its remarks, so that a test can put one line in the place of another.
SHEET = re.sub(r"(?m)^#.*\n|\s+#.*$", "", starter_sheet())


@functools.cache
def shipped(name: str) -> Build:
    return read_build(DATA_DIR / "builds" / f"{name}.toml")


def refused(text: str, where: str = "sheet.toml") -> str:
    """The one sentence with which a sheet is refused."""
    with pytest.raises(BuildError) as caught:
        build_from_text(text, where)
    message = str(caught.value)
    assert message.startswith(where)
    assert_one_sentence(message)
    return message


def assert_one_sentence(message: str) -> None:
    assert message.isprintable(), repr(message)
    assert len(message) < 1000
    assert "Traceback" not in message


def with_line(old: str, new: str) -> str:
    assert SHEET.count(old) >= 1, old
    return SHEET.replace(old, new, 1)


# ------------------------------------------------------------------ shipped builds


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_builds_read(path: Path) -> None:
    build = read_build(path)
    kinds = {(c.follower, c.lifter) for c in build.candidates}
    assert kinds == {(f, k) for f in ("flat", "roller") for k in ("hydraulic", "solid")}
    assert "invented" in build.name.lower() and "invented" in build.note.lower()
    assert "INVENTED" in path.read_text(encoding="utf-8").split("schema")[0]
    for each in build.candidates:
        assert 2 <= len(each.intake.points) and 2 <= len(each.exhaust.points)
        assert each.intake.points[0].at_m == pytest.approx((0.006 if each.lifter == "hydraulic" else 0.020) * IN)
        assert sum(p.price_money * p.quantity for p in each.parts) > 0
        assert each.springs.coil_bind_m < each.springs.installed_height_m


def test_three_builds_are_shipped() -> None:
    assert [p.stem for p in SHIPPED] == ["budget-cruiser", "towing-engine", "weekend-racer"]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_every_value_says_where_it_came_from(path: Path) -> None:
    build = read_build(path)
    for at, datum in build.data.items():
        assert datum.path == at
        assert datum.origin in ORIGINS
        assert datum.text
        if datum.low is not None and datum.high is not None:
            assert datum.low <= datum.value <= datum.high  # type: ignore[operator]
    for each in build.candidates:
        for sub in (
            "springs.rate",
            "valvetrain.rocker_ratio",
            "failure.cost",
            "parts.0.price",
            "fitting_time",
        ):
            assert f"candidates.{each.id}.{sub}" in build.data


# ------------------------------------------------------------------ what is read, and from where


def test_values_arrive_in_si() -> None:
    build = shipped("budget-cruiser")
    assert build.engine.bore_m == pytest.approx(4.030 * IN, rel=1e-12)
    assert build.engine.cylinders == 8 and isinstance(build.engine.cylinders, int)
    one = build.candidate("h-flat")
    assert one.springs.seat_load_n == pytest.approx(110.0 * LBF, rel=1e-12)
    assert one.springs.rate_n_per_m == pytest.approx(290.0 * LBF / IN, rel=1e-12)
    assert one.intake.points[1].duration_rad == pytest.approx(204.0 * DEG, rel=1e-12)
    assert build.shop.fuel_price_money_per_m3 == pytest.approx(3.40 / 0.003785411784, rel=1e-9)
    assert one.run_in_time_s == 1800.0


def test_a_range_is_kept_with_its_origin() -> None:
    bore = shipped("budget-cruiser").data["engine.bore"]
    assert bore.origin == "measured" and bore.written and bore.unit == "m" and bore.text == "4.030 in"
    assert bore.low == pytest.approx(4.029 * IN, rel=1e-12)
    assert bore.high == pytest.approx(4.031 * IN, rel=1e-12)
    hours = shipped("budget-cruiser").data["candidates.h-flat.fitting_time"]
    assert (hours.low, hours.value, hours.high) == (7.0, 9.0, 12.0)
    assert shipped("budget-cruiser").data["candidates.h-flat.intake.lobe_lift"].origin == "card"


def test_candidate_wins_over_sheet_wins_over_defaults() -> None:
    build = shipped("budget-cruiser")
    # written by the candidate
    assert build.data["candidates.h-roller.valvetrain.pushrod_mass"].text == "54 g"
    # written once for all
    shared = build.data["candidates.h-flat.valvetrain.intake_valve_mass"]
    assert shared.text == "116 g" and shared.origin == "measured" and shared.written
    # written by nobody
    assumed = build.data["candidates.h-flat.valvetrain.locks_mass"]
    assert not assumed.written and assumed.origin == "common practice" and assumed.low is not None
    assert build.candidate("h-flat").springs.spring_mass_kg == pytest.approx(0.095)


def test_defaults_follow_the_kind_of_candidate() -> None:
    build = build_from_text(SHEET)
    flat, roller = build.candidates
    assert (flat.core, roller.core) == ("iron", "steel")
    assert flat.wheel_diameter_m is None and roller.face_diameter_m is None
    assert flat.springs.seat_load_n == pytest.approx(115 * LBF) and roller.springs.seat_load_n == pytest.approx(
        140 * LBF
    )
    assert roller.run_in_time_s == 0.0 and flat.run_in_time_s == 1800.0
    assert (flat.failure.what, roller.failure.what) == ("wiped lobe", "axle or needle failure")


def test_a_face_is_as_wide_as_the_bore_unless_written() -> None:
    build = build_from_text(with_line("[vehicle]", '[block]\nlifter_bore = "0.904 in"\n[vehicle]'))
    assert build.candidates[0].face_diameter_m == pytest.approx(0.904 * IN)
    datum = build.data["candidates.h-flat.face_diameter"]
    assert datum.origin == "computed" and not datum.written and datum.text == "0.904 in"


def test_a_card_at_the_valve_is_divided_by_the_rocker_ratio() -> None:
    build = shipped("towing-engine")
    card = build.candidate("h-roller").intake
    assert card.quoted_at == "valve"
    assert card.lobe_lift_m == pytest.approx(0.480 / 1.6 * IN, rel=1e-12)
    assert [p.at_m / IN for p in card.points] == pytest.approx([0.006, 0.050, 0.200], rel=1e-12)
    datum = build.data["candidates.h-roller.intake.lobe_lift"]
    assert datum.text == "0.480 in" and "rocker ratio of 1.6" in datum.note
    # the same card, written at the lobe
    same = change(
        build,
        {
            "candidates.h-roller.intake": {
                "lobe_lift": "0.300 in",
                "durations": [
                    {"at": "0.006 in", "duration": "254 deg"},
                    {"at": "0.050 in", "duration": "202 deg"},
                    {"at": "0.200 in", "duration": "120 deg"},
                ],
            }
        },
    ).candidate("h-roller")
    assert same.intake.lobe_lift_m == pytest.approx(card.lobe_lift_m, rel=1e-12)
    assert [p.at_m for p in same.intake.points] == pytest.approx([p.at_m for p in card.points], rel=1e-12)


def test_a_valve_lift_beside_lobe_lift_durations_converts_the_lift_alone() -> None:
    build = build_from_text(with_line('lobe_lift = "0.285 in"', 'valve_lift = "0.4275 in"'))
    card = build.candidates[0].intake
    assert card.lobe_lift_m == pytest.approx(0.285 * IN, rel=1e-12)
    assert card.points[1].at_m == pytest.approx(0.050 * IN, rel=1e-12)


def test_a_single_pattern_cam_takes_one_line() -> None:
    one = build_from_text(SHEET).candidates[0]
    assert one.exhaust == one.intake


@pytest.mark.parametrize("lead", ["\ufeff", ""])
@pytest.mark.parametrize("ends", ["\n", "\r\n"])
def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path: Path, lead: str, ends: str) -> None:
    path = tmp_path / "böse Mappe.toml"
    path.write_bytes((lead + starter_sheet().replace("\n", ends)).encode("utf-8"))
    assert read_build(path).engine == build_from_text(starter_sheet()).engine


def test_another_currency_needs_every_price() -> None:
    text = SHEET.replace('"USD"', '"EUR"').replace(" USD", " EUR")
    message = refused(text)
    assert "shop.labour_rate" in message and "EUR" in message and "115 EUR/h" in message


# ------------------------------------------------------------------ refusals, each in one sentence

BORE = 'bore = "4.030 in"'
FLAT = 'follower = "flat"'
BAD: list[tuple[str, str, str, list[str]]] = [
    ("wrong key", BORE, 'boar = "4.030 in"', ["engine.boar", "did you mean 'bore'"]),
    ("key with unit", BORE, 'bore_m = "4.030 in"', ["engine.bore_m", "did you mean 'bore'"]),
    ("missing key", BORE, "", ["engine.bore", "missing", "cylinder bore", '"4.030 in"']),
    ("bare number", BORE, "bore = 4.03", ["engine.bore", "4.03", '"4.030 in"']),
    ("no quotes", BORE, "bore = 4.03 in", ["line", "bore = 4.03 in", "quotes"]),
    ("wrong kind of unit", BORE, 'bore = "4.03 kg"', ["engine.bore", "wrong kind", "in or mm"]),
    ("unknown unit", BORE, 'bore = "4.03 frob"', ["engine.bore", "frob", "in or mm"]),
    ("mil", BORE, 'bore = "4030 mil"', ["engine.bore", "mil", "thou"]),
    ("comma", BORE, 'bore = "4,030 in"', ["engine.bore", "comma"]),
    ("negative", BORE, 'bore = "-4.03 in"', ["engine.bore", "-4.03 in", "outside 1.181 to 7.874 in"]),
    ("not a number", BORE, 'bore = "nan in"', ["engine.bore", "nan"]),
    ("infinite", BORE, 'bore = "1e400 in"', ["engine.bore", "finite"]),
    ("list for value", BORE, 'bore = ["4.03 in"]', ["engine.bore", "a list"]),
    ("date for value", BORE, "bore = 1979-05-27", ["engine.bore", "a date"]),
    ("flag for value", BORE, "bore = true", ["engine.bore", "true or false"]),
    ("long unit", BORE, f'bore = "4.03 {"i" * 90}"', ["engine.bore", "too long"]),
    ("hidden character", BORE, 'bore = "4.03\\u200b in"', ["engine.bore", "hidden"]),
    ("stacked powers", BORE, 'bore = "4.03 in**9**9**9"', ["engine.bore", "not a unit"]),
    ("table without value", BORE, 'bore = { pm = "0.001 in" }', ["engine.bore", "value"]),
    ("odd key in value", BORE, 'bore = { value = "4.03 in", mp = "1 in" }', ["engine.bore.mp", "'pm'"]),
    ("negative pm", BORE, 'bore = { value = "4.03 in", pm = "-1 in" }', ["engine.bore.pm", "negative"]),
    ("bare pm", BORE, 'bore = { value = "4.03 in", pm = 0.001 }', ["engine.bore.pm", "0.001", "unit"]),
    (
        "pm too wide",
        BORE,
        'bore = { value = "4.03 in", pm = "4 in" }',
        ["engine.bore", "range reaching", "0.03 in"],
    ),
    (
        "pm and low",
        BORE,
        'bore = { value = "4.03 in", pm = "1 in", low = "3 in" }',
        ["engine.bore", "both pm"],
    ),
    ("low alone", BORE, 'bore = { value = "4.03 in", low = "4 in" }', ["engine.bore", "one of low and high"]),
    (
        "range aside",
        BORE,
        'bore = { value = "4.03 in", low = "4.1 in", high = "4.2 in" }',
        ["engine.bore", "between its low and its high"],
    ),
    (
        "odd origin",
        BORE,
        'bore = { value = "4.03 in", origin = "hearsay" }',
        ["engine.bore.origin", "measured"],
    ),
    ("count with fraction", "cylinders = 8", "cylinders = 8.5", ["engine.cylinders", "whole number"]),
    ("count as text", "cylinders = 8", 'cylinders = "8 off"', ["engine.cylinders", "bare number"]),
    ("count nan", "cylinders = 8", "cylinders = nan", ["engine.cylinders", "finite"]),
    ("count huge", "cylinders = 8", "cylinders = 1" + "0" * 400, ["engine.cylinders", "very long number"]),
    ("key twice", "cylinders = 8", "cylinders = 8\ncylinders = 6", ["line", "second time", "cylinders = 6"]),
    ("key twice in braces", BORE, 'bore = { value = "4 in", value = "5 in" }', ["line", "second time"]),
    ("table twice", "[vehicle]", "[engine]\n[vehicle]", ["line", "second time"]),
    ("wrong table", "[limits]", "[limit]", ["limit", "did you mean 'limits'"]),
    ("value for table", "schema = 1", "schema = 1\nshop = 3", ["shop", "a bare number", "a table"]),
    ("list for table", "[vehicle]", "[[vehicle]]", ["vehicle", "a list", "a table"]),
    ("table for list", "[[candidates]]", "[other]", ["candidates"]),
    ("no such choice", FLAT, 'follower = "flt"', ["candidates.h-flat.follower", "did you mean 'flat'"]),
    (
        "flag as text",
        "brake_booster = true",
        'brake_booster = "yes"',
        ["vehicle.brake_booster", "without quotes"],
    ),
    (
        "wheel on a flat",
        FLAT,
        FLAT + '\nwheel_width = "0.42 in"',
        ["candidates.h-flat.wheel_width", "roller"],
    ),
    ("face over bore", FLAT, FLAT + '\nface_diameter = "0.9 in"', ["face_diameter", "block.lifter_bore"]),
    (
        "hydraulic lash",
        FLAT,
        FLAT + '\nintake_lash = "0.02 in"',
        ["candidates.h-flat.intake_lash", "hydraulic"],
    ),
    ("loads reversed", FLAT, FLAT + '\nseat_load_low = "200 lbf"', ["seat_load_low", "above seat_load_high"]),
    ("same id", 'id = "h-roller"', 'id = "h-flat"', ["candidates.h-flat.id", "two candidates"]),
    ("id with space", 'id = "h-roller"', 'id = "H roller"', ["candidates[2].id", "small letters"]),
    ("no id", 'id = "h-roller"', "", ["candidates[2]", "no id"]),
    ("id a number", 'id = "h-roller"', "id = 7", ["candidates[2].id", "7"]),
    ("shares", "share = 0.3", "share = 0.4", ["use", "add up to 1.1"]),
    ("band reversed", 'to = "5000 rpm"', 'to = "2000 rpm"', ["use.bands.1", "above from"]),
    ("bands a number", "bands = [", "bandz = [", ["use.bandz", "bands"]),
    ("other currency", '"2500 USD"', '"2500 EUR"', ["limits.budget", "EUR", "USD"]),
    ("no currency", '"2500 USD"', '"2500"', ["limits.budget", "no unit"]),
    ("dollar sign", '"2500 USD"', '"2500 $"', ["limits.budget", "$", "three letters"]),
    ("bare money", '"2500 USD"', "2500", ["limits.budget", "2500 USD"]),
    ("currency case", 'currency = "USD"', 'currency = "usd"', ["currency", "capital"]),
    ("currency missing", 'currency = "USD"', "", ["currency", "missing"]),
    ("schema 2", "schema = 1", "schema = 2", ["schema", "2", "schema = 1"]),
    ("schema true", "schema = 1", "schema = true", ["schema", "true"]),
    ("schema missing", "schema = 1", "", ["schema", "missing"]),
    (
        "two lifts",
        'lobe_lift = "0.285 in"',
        'lobe_lift = "0.285 in"\nvalve_lift = "0.4 in"',
        ["h-flat.intake", "both"],
    ),
    ("no lift", 'lobe_lift = "0.285 in"', "", ["candidates.h-flat.intake", "no lift"]),
    ("lift at the lobe too high", '"0.285 in"', '"0.9 in"', ["intake.lobe_lift", "outside"]),
    ("duration reversed", '"260 deg"', '"200 deg"', ["candidates.h-flat.intake", "not below"]),
    ("durations unsorted", 'at = "0.006 in"', 'at = "0.06 in"', ["intake.durations.1", "rising lift"]),
    ("no durations", "durations = [", "durationz = [", ["durationz", "'durations'"]),
    ("duration a number", "durations = [", "durations = [ 5,", ["intake.durations.0", "a bare number"]),
    ("duration missing", ', duration = "260 deg"', "", ["intake.durations.0.duration", "missing"]),
    ("exhaust word", '"same as intake"', '"same"', ["candidates.h-flat.exhaust", "same as intake"]),
    ("exhaust missing", 'exhaust = "same as intake"', "", ["candidates.h-flat.exhaust", "missing"]),
    ("empty name", 'name = "My build"', 'name = " "', ["name", "empty"]),
    ("long name", 'name = "My build"', f'name = "{"x" * 90}"', ["name", "80"]),
    ("name with control", 'name = "My build"', 'name = "a\\u001b[2Jb"', ["name", "control"]),
    ("name with direction mark", 'name = "My build"', 'name = "a\\u202eb"', ["name", "hidden"]),
    (
        "ratio out of range",
        "rocker_ratio = 1.5",
        "rocker_ratio = 9",
        ["valvetrain.rocker_ratio", "outside 1 to 2.2"],
    ),
    (
        "error in a shared table nobody uses",
        "[valvetrain]",
        '[springs]\nrate = "300 lb/in"\n[valvetrain]',
        ["springs.rate", "lbf/in"],
    ),
    ("short rod", '"3.480 in"\nrod = "5.700 in"', '"4 in"\nrod = "2.1 in"', ["engine", "rod", "too short"]),
    (
        "lines of parts",
        'price = "320 USD"',
        'price = "320 USD"\ngroup = "part"',
        ["parts.0.group", "'parts'"],
    ),
    (
        "negative price",
        'price = "320 USD"',
        'price = "-320 USD"',
        ["candidates.h-flat.parts.0.price", "outside"],
    ),
    ("open quote", BORE, 'bore = "4.03 in', ["line", "not valid TOML"]),
]


@pytest.mark.parametrize(("old", "new", "says"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_a_bad_sheet_is_refused_in_one_sentence(old: str, new: str, says: list[str]) -> None:
    message = refused(with_line(old, new))
    for each in says:
        assert each in message, message


def test_a_sheet_cut_off_says_so() -> None:
    assert "at its end" in refused(SHEET.rstrip() + '\n[candidates.failure]\ncost = { value = "3 USD"')


def test_a_key_twice_on_the_last_line() -> None:
    assert "line 2 writes a key or table a second time (a = 2)" in refused("a = 1\na = 2")


@pytest.mark.parametrize("text", ["", " \n\n", "\ufeff"])
def test_an_empty_sheet(text: str) -> None:
    assert "empty" in refused(text)


def test_no_candidate() -> None:
    assert "candidates: is missing" in refused(SHEET.split("[[candidates]]")[0])
    assert "candidates" in refused(SHEET.split("[[candidates]]")[0].replace("schema = 1", "schema = 1\ncandidates = 3"))


def test_too_many_candidates() -> None:
    head, first = SHEET.split("[[candidates]]")[:2]
    many = "".join("[[candidates]]" + first.replace("h-flat", f"c{i}") for i in range(1000))
    assert f"at most {MOST_CANDIDATES}" in refused(head + many)
    allowed = "".join("[[candidates]]" + first.replace("h-flat", f"c{i}") for i in range(MOST_CANDIDATES))
    assert len(build_from_text(head + allowed).candidates) == MOST_CANDIDATES


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 3000 + "]" * 3000,
        "x = [\n" + "[\n" * 3000 + "]\n" * 3001,
        ".".join("a" * 1500) + " = 1",
        "[" + ".".join("a" * 1900) + "]",
        "x = [\n" + "{ y = [\n" * 400 + "] }\n" * 400 + "]",
        "x = " + "1" * 3000,
        "x = '" + "y" * 5000 + "'",
    ],
    ids=["list", "list over lines", "dotted key", "dotted table", "mixed", "long number", "long line"],
)
def test_deep_or_long_text_is_refused_quickly(text: str) -> None:
    # An end at all is what is asked: stacked lists once took minutes.
    refused(text)
    refused(SHEET.replace("schema = 1", "schema = 1\n" + text) if not text.startswith("[") else SHEET + text)


# ------------------------------------------------------------------ files


def test_a_missing_file_offers_the_nearest_name() -> None:
    with pytest.raises(BuildError, match="there is no file .*; did you mean budget-cruiser.toml") as caught:
        read_build(DATA_DIR / "builds" / "budget-cruzer.toml")
    assert_one_sentence(str(caught.value))


def test_settings_of_other_programs_are_not_offered_as_sheets(tmp_path: Path) -> None:
    (tmp_path / ".budget.toml").write_text("", encoding="utf-8")
    with pytest.raises(BuildError, match="there is no .toml file in that folder"):
        read_build(tmp_path / "budget.toml")


def test_a_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(BuildError, match="no such folder"):
        read_build(tmp_path / "nowhere" / "x.toml")
    with pytest.raises(BuildError, match="no .toml file"):
        read_build(tmp_path / "x.toml")


def test_a_folder_is_refused() -> None:
    with pytest.raises(BuildError, match="is a folder; .* budget-cruiser.toml"):
        read_build(DATA_DIR / "builds")


def test_a_huge_file_is_refused_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "huge.toml"
    with path.open("wb") as out:
        out.truncate(50_000_000)  # a file with a hole: no disk is filled
    with pytest.raises(BuildError, match="has 50000000 bytes"):
        read_build(path)
    assert f"at most {LARGEST_SHEET_BYTES}" in refused("#" + "\n" * LARGEST_SHEET_BYTES)


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        (b'schema = 1\nname = "caf\xe9"\n', "byte 23"),
        (b"\xff\xfes\x00c\x00", "byte 1"),
        (bytes(range(256)), "not valid TOML|byte"),
        (b"PK\x03\x04" + b"\x00" * 100, "not valid TOML"),
    ],
)
def test_a_file_that_is_not_text(tmp_path: Path, payload: bytes, says: str) -> None:
    path = tmp_path / "odd.toml"
    path.write_bytes(payload)
    with pytest.raises(BuildError, match=says) as caught:
        read_build(path)
    assert_one_sentence(str(caught.value))


def test_an_unreadable_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.toml"
    path.write_text(SHEET, encoding="utf-8")

    def locked(*_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied")

    # chmod would not stop a test run by root
    monkeypatch.setattr(Path, "open", locked)
    with pytest.raises(BuildError, match="cannot be read .Permission denied.") as caught:
        read_build(path)
    assert_one_sentence(str(caught.value))


@pytest.mark.skipif(sys.platform == "win32", reason="no such files there")
def test_a_pipe_or_an_impossible_name(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(BuildError, match="not an ordinary file"):
        read_build(tmp_path / "pipe.toml")
    for name in ("a\0b.toml", "x" * 5000 + ".toml", "\ud800.toml"):
        with pytest.raises(BuildError) as caught:
            read_build(tmp_path / name)
        assert_one_sentence(str(caught.value))


# ------------------------------------------------------------------ changing


def test_a_change_reads_through_the_same_checks() -> None:
    build = shipped("budget-cruiser")
    changed = change(build, {"use.years": "8.5", "candidates.h-flat.fitting_time": "7 h"})
    assert changed.use.years == 8.5
    assert changed.candidate("h-flat").fitting_time_h == 7.0
    assert build.candidate("h-flat").fitting_time_h == 9.0
    datum = changed.data["candidates.h-flat.fitting_time"]
    assert (datum.low, datum.high, datum.origin, datum.written) == (None, None, "given", True)
    kept = change(build, {"engine.bore": {"value": "4.040 in", "pm": "0.001 in", "origin": "measured"}})
    assert kept.data["engine.bore"].origin == "measured"


@pytest.mark.parametrize(
    ("path", "value", "field", "expected"),
    [
        ("vehicle.brake_booster", "false", "vehicle.brake_booster", False),
        ("vehicle.brake_booster", False, "vehicle.brake_booster", False),
        (
            "candidates.s-flat.springs.inner_rate",
            "90 lbf/in",
            "candidates.s-flat.springs.inner_rate",
            90 * LBF / IN,
        ),
        ("candidates.h-flat.core", "steel", "candidates.h-flat.core", "steel"),
        ("candidates.h-roller.parts.1.price", "400 USD", "candidates.h-roller.parts.1.price", 400.0),
        ("use.bands.0.to", "2600 rpm", "use.bands.0.to", 2600.0),
        ("valvetrain.rocker_ratio", 1.6, "candidates.s-roller.valvetrain.rocker_ratio", 1.6),
        ("candidates.h-flat.name", "350", "candidates.h-flat.name", "350"),
        ("model.air_fuel", "13", "model.air_fuel", 13.0),
        ("block.oil_band", "0.7 in", "block.oil_band", 0.7 * IN),
    ],
)
def test_what_can_be_changed(path: str, value: Any, field: str, expected: Any) -> None:
    changed = change(shipped("budget-cruiser"), {path: value})
    datum = changed.data[field]
    assert datum.value == (pytest.approx(expected, rel=1e-9) if isinstance(expected, float) else expected)
    assert datum.written


def test_a_single_pattern_cam_can_grow_an_exhaust_lobe_of_its_own() -> None:
    build = build_from_text(SHEET)
    changed = change(build, {"candidates.h-flat.exhaust.lobe_lift": "0.295 in"}).candidates[0]
    assert changed.exhaust.lobe_lift_m == pytest.approx(0.295 * IN)
    assert changed.intake.lobe_lift_m == pytest.approx(0.285 * IN)
    assert changed.exhaust.points == changed.intake.points
    valve = change(build, {"candidates.h-flat.intake.valve_lift": "0.435 in"}).candidates[0]
    assert valve.intake.lobe_lift_m == pytest.approx(0.290 * IN)


def test_changes_add_up_and_the_last_one_wins() -> None:
    build = shipped("budget-cruiser")
    many = build
    for years in (3, 4, 5):
        many = change(many, {"use.years": years, "limits.budget": f"{years}000 USD"})
    assert many.use.years == 5.0 and many.limits.budget_money == 5000.0
    assert many.source.count("use.years") == 1
    assert build_from_text(many.source).use == many.use
    whole = change(
        change(build, {"use.bands.0.share": 0.5, "use.bands.1.share": 0.4}),
        {"use.bands": [{"from": "1500 rpm", "to": "4000 rpm", "share": 1.0}]},
    )
    assert len(whole.use.bands) == 1
    assert change(whole, {"use.bands.0.to": "3900 rpm"}).use.bands[0].to_rpm == 3900.0


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"use.yeers": 8}, "did you mean 'years'"),
        ({"use.years": "eight"}, "use.years"),
        ({"use.years": -1}, "outside"),
        ({"use.years": math.nan}, "finite"),
        ({"use.years": None}, "None"),
        ({"use.years": object()}, "give text with a unit"),
        ({"candidates.nobody.fitting_time": "7 h"}, "there are h-flat, s-flat, h-roller, s-roller"),
        ({"candidates.0.fitting_time": "7 h"}, "there is no entry '0'"),
        ({"candidates.h-flat.parts.99.price": "1 USD"}, "there are 5, counted from 0"),
        ({"candidates.h-flat.fitting_time": 7}, "without a unit"),
        ({"candidates.h-flat.id.x": 7}, "nothing inside it"),
        ({"": 7}, "not a path"),
        ({"use..years": 7}, "not a path"),
        ({"candidates.h-flat.wheel_width": "0.4 in"}, "roller"),
        ({"engine.bore": {"value": "4 in", "pm": {"value": "1 in"}}}, "engine.bore"),
        ({"name": "a\x00b"}, "control"),
        ({"name": "\ud800"}, "cannot be saved"),
    ],
)
def test_a_change_that_cannot_be(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(BuildError) as caught:
        change(shipped("budget-cruiser"), changes)
    assert says in str(caught.value), str(caught.value)
    assert_one_sentence(str(caught.value))


# ------------------------------------------------------------------ writing


@pytest.mark.parametrize("name", [p.stem for p in SHIPPED])
def test_a_written_build_reads_back_the_same(tmp_path: Path, name: str) -> None:
    build = shipped(name)
    path = write_build(build, tmp_path / "copy.toml")
    again = read_build(path)
    assert again == build
    assert path.read_text(encoding="utf-8") == (DATA_DIR / "builds" / f"{name}.toml").read_text(encoding="utf-8")


def test_changes_are_written_and_remarks_kept(tmp_path: Path) -> None:
    changes: dict[str, Any] = {
        "use.years": "9",
        "candidates.h-flat.fitting_time": "7 h",
        "candidates.h-roller.springs.rate": {"value": "360 lbf/in", "pm": "10 lbf/in", "origin": "measured"},
        "candidates.s-roller.parts.1.price": "555 USD",
        "candidates.h-flat.intake.durations.1.duration": "206 deg",
        "use.bands.0.to": "2400 rpm",
        "model.air_fuel": 13.0,
    }
    build = change(shipped("budget-cruiser"), changes)
    text = write_build(build, tmp_path / "mine.toml").read_text(encoding="utf-8")
    again = read_build(tmp_path / "mine.toml")
    assert dict(again.data) == dict(build.data)
    assert all(getattr(again, part) == getattr(build, part) for part in ("engine", "use", "model", "candidates"))
    old = (DATA_DIR / "builds" / "budget-cruiser.toml").read_text(encoding="utf-8")
    remarks = [line for line in old.splitlines() if line.startswith("#")]
    assert remarks and [line for line in text.splitlines() if line.startswith("#")] == remarks
    assert "changed afterwards" not in text
    assert "# quoted" not in text and "the costs are counted over these" in text


def test_a_single_pattern_cam_changed_and_written(tmp_path: Path) -> None:
    build = change(shipped("weekend-racer"), {"candidates.s-flat.exhaust.lobe_lift": "0.335 in"})
    write_build(build, tmp_path / "mine.toml")
    again = read_build(tmp_path / "mine.toml").candidate("s-flat")
    assert again.exhaust.lobe_lift_m == pytest.approx(0.335 * IN)
    assert again == build.candidate("s-flat")


def test_an_existing_file_is_kept_unless_it_may_go(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(BuildError, match="exists already") as caught:
        write_build(shipped("budget-cruiser"), path)
    assert_one_sentence(str(caught.value))
    assert path.read_text(encoding="utf-8") == "precious"
    write_build(shipped("budget-cruiser"), path, replace=True)
    assert read_build(path).name == shipped("budget-cruiser").name
    assert [each.name for each in tmp_path.iterdir()] == ["mine.toml"]


def test_a_build_changed_behind_its_sheet_is_not_saved(tmp_path: Path) -> None:
    behind = replaced(shipped("budget-cruiser"), "use.years", 3.0)
    with pytest.raises(BuildError, match="does not agree with the sheet"):
        write_build(behind, tmp_path / "mine.toml")
    assert not list(tmp_path.iterdir())


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "mine.txt"
    write_text_atomically(path, "old")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BuildError, match="No space left"):
        write_text_atomically(path, "new", replace=True)
    assert path.read_text(encoding="utf-8") == "old"
    assert [each.name for each in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.skipif(sys.platform == "win32", reason="permissions and links as on POSIX")
def test_permissions_and_links_survive(tmp_path: Path) -> None:
    path = tmp_path / "mine.txt"
    write_text_atomically(path, "old")
    path.chmod(0o640)
    (tmp_path / "link.txt").symlink_to(path)
    write_text_atomically(tmp_path / "link.txt", "new", replace=True)
    assert path.read_text(encoding="utf-8") == "new"
    assert (tmp_path / "link.txt").is_symlink()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


@pytest.mark.parametrize("name", ["no/such/folder/x.txt", "a\0b.txt", "x" * 400])
def test_a_place_that_cannot_be_written(tmp_path: Path, name: str) -> None:
    with pytest.raises(BuildError) as caught:
        write_text_atomically(tmp_path / name, "text")
    assert_one_sentence(str(caught.value))
    with pytest.raises(BuildError, match="is a folder"):
        write_text_atomically(tmp_path, "text")


@given(st.text(max_size=300))
def test_odd_text_is_shown_on_one_line(text: str) -> None:
    shown = on_one_line(text)
    assert shown.isprintable() and len(shown) <= 60


# ------------------------------------------------------------------ anything gives a build or one sentence

FRAGMENTS = [
    '"4.030 in"',
    '"-1 in"',
    '"nan in"',
    '"120 USD/h"',
    '"5 lb"',
    "1e400",
    "nan",
    "true",
    "[]",
    "{}",
    "[[1]]",
    '{ value = "1 in", pm = "2 in" }',
    "{ value = 1 }",
    "1979-05-27T07:32:00Z",
    '"' + "x" * 200 + '"',
    "'''",
    "[candidates]",
    "[[candidates]]",
    "[candidates.springs]",
    "[use]",
    "\x00",
    "\u2028",
    "=",
    "#",
    "\\u0000",
    '"same as intake"',
    "0",
]


def assert_build_or_sentence(text: str) -> None:
    try:
        build = build_from_text(text, "fuzz.toml")
    except BuildError as trouble:
        assert_one_sentence(str(trouble))
    else:
        assert build.candidates


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_shipped_sheet_with_random_edits(data: st.DataObject) -> None:
    lines = SHIPPED[data.draw(st.integers(0, 2))].read_text(encoding="utf-8").split("\n")
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        what = data.draw(st.sampled_from(["drop", "twice", "cut", "insert", "value", "swap", "text"]))
        if what == "drop":
            del lines[at]
        elif what == "twice":
            lines.insert(at, lines[at])
        elif what == "cut":
            lines[at] = lines[at][: data.draw(st.integers(0, 30))]
        elif what == "insert":
            lines.insert(at, data.draw(st.sampled_from(FRAGMENTS)))
        elif what == "value":
            lines[at] = lines[at].split("=")[0] + "= " + data.draw(st.sampled_from(FRAGMENTS))
        elif what == "swap":
            other = data.draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        else:
            cut = data.draw(st.integers(0, len(lines[at])))
            lines[at] = lines[at][:cut] + data.draw(st.text(max_size=12)) + lines[at][cut:]
    assert_build_or_sentence("\n".join(lines))


VALUES = st.one_of(
    st.text(max_size=40),
    st.floats(allow_nan=True),
    st.integers(-(10**30), 10**30),
    st.booleans(),
    st.none(),
    st.sampled_from(["4.03 in", "0 in", "1e9 lbf", "9 kg", "260 deg", "12 h", "30 USD", "flat", "roller", "solid"]),
    st.dictionaries(st.sampled_from(["value", "pm", "low", "high", "origin", "x"]), st.text(max_size=10), max_size=4),
    st.lists(st.one_of(st.text(max_size=5), st.integers()), max_size=3),
)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_value_changed_to_anything(data: st.DataObject) -> None:
    build = shipped(data.draw(st.sampled_from([p.stem for p in SHIPPED])))
    path = data.draw(st.sampled_from(sorted(build.data)))
    if data.draw(st.booleans()):
        path = path.rpartition(".")[0] or path
    try:
        changed = change(build, {path: data.draw(VALUES)})
    except BuildError as trouble:
        assert_one_sentence(str(trouble))
    else:
        # What a change accepts is also kept by its source.
        assert build_from_text(changed.source).data == changed.data


@settings(max_examples=100, deadline=None)
@given(st.one_of(st.text(max_size=200), st.binary(max_size=200).map(lambda b: b.decode("latin-1"))))
def test_any_text_at_all(text: str) -> None:
    assert_build_or_sentence(text)
    assert_build_or_sentence("schema = 1\n" + text)


def test_the_starter_is_plain_toml_with_guidance() -> None:
    text = starter_sheet()
    assert tomllib.loads(text)["schema"] == 1
    assert "invented" in text.splitlines()[0]
    assert {c.follower for c in build_from_text(text).candidates} == {"flat", "roller"}
