"""Reading tables of indicator readings: what is understood, what is put right, what is refused and in which words."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lobeledger.errors import BuildError
from lobeledger.lobe.card_check import compare_with_card, lobe_separation
from lobeledger.lobe.readings import lobe_from_readings
from lobeledger.page.words.lobes import card_sentence
from lobeledger.parts.card import Card, CardPoint
from lobeledger.sheet.readings_file import ReadingsTable, read_readings, readings_from_text
from lobeledger.sheet.tables import DATA_DIR
from motion_sources import polynomial_345
from readings_coverage import demo_tables, ramped

DEG, IN = math.pi / 180.0, 0.0254
SHIPPED = sorted((DATA_DIR / "readings").glob("*.csv"))


def bump(angle_deg: float) -> float:
    """An invented lobe of 0.300 in on a flat base circle, inches, nose at 180 degrees."""
    u = (angle_deg - 180.0) / 70.0
    return 0.3 * (1.0 - u * u) ** 3 if abs(u) < 1.0 else 0.0


def table(
    header: str = "cam angle (deg),lobe lift (in)",
    row: Callable[[float], str] = lambda a: f"{a:g},{round(bump(a) / 0.0005) * 0.0005:.4f}",
    step: float = 4.0,
) -> list[str]:
    """Lines of a good table."""
    return [header, *(row(a) for a in np.arange(0.0, 360.0, step))]


def read(lines: list[str], **options: str | bool) -> ReadingsTable:
    return readings_from_text("\n".join(lines), "the table", **options)


# ---------------------------------------------------------------------------------------- what is understood


@pytest.mark.parametrize(
    "header, shaft, place",
    [
        ("cam angle (deg),lobe lift (in)", "cam", "lobe"),
        ("Cam Angle [degrees], Lifter Lift [inch]", "cam", "lobe"),
        ("camshaft position (°),tappet lift (in)", "cam", "lobe"),
        ("cam degrees (deg),cam lift (in)", "cam", "lobe"),
        ("cam angle deg,valve lift in", "cam", "valve"),
        ("crank angle (deg),intake valve lift (in)", "crank", "valve"),
    ],
)
def test_headers_in_plain_words(header: str, shaft: str, place: str) -> None:
    got = read(table(header))
    assert (got.shaft, got.lift_at) == (shaft, place)
    assert len(got.lift_m) == 90 and got.lines[0] == 2
    assert max(got.lift_m) == pytest.approx(0.300 * IN, rel=1e-12)
    assert got.angle_cam_rad[45] == pytest.approx(180 * DEG / (2 if shaft == "crank" else 1), rel=1e-12)
    assert got.lift_step_m == pytest.approx(0.0005 * IN, rel=1e-12)


def test_bare_lift_is_taken_as_lobe_lift_and_said_so() -> None:
    got = read(table("cam angle (deg),lift (in)"))
    assert got.lift_at == "lobe"
    assert got.handled == ("the column 'lift (in)' does not say where the lift was read; taken as lobe lift",)


@pytest.mark.parametrize(
    "unit, in_unit, step_m", [("mm", 25.4, 1e-5), ("thou", 1000.0, 0.001 * 0.0254), ("in", 1.0, None)]
)
def test_units_of_lift_agree(unit: str, in_unit: float, step_m: float | None) -> None:
    """1 in = 25.4 mm = 1000 thou, exactly."""
    places = {"mm": 2, "thou": 0, "in": 4}[unit]
    got = read(table(f"cam angle (deg),lobe lift ({unit})", lambda a: f"{a:g},{bump(a) * in_unit:.{places}f}"))
    np.testing.assert_allclose(
        got.lift_m, [bump(a) * IN for a in np.arange(0, 360, 4)], atol=0.51 * 10**-places / in_unit * IN
    )
    if step_m:
        assert got.lift_step_m == pytest.approx(step_m, rel=1e-9)


def test_angle_in_radians() -> None:
    got = read(table("cam angle (rad),lobe lift (in)", lambda a: f"{a * DEG:.6f},{bump(a):.4f}"))
    assert got.angle_cam_rad[-1] == pytest.approx(356 * DEG, abs=1e-6)


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_any_of_three_separators_comments_and_blank_lines(mark: str) -> None:
    lines = [line.replace(",", mark) for line in table()]
    got = read(["# invented", "", lines[0], "# half way", *lines[1:], "", mark])
    assert got.lines[0] == 5 and len(got.lines) == 90


def test_decimal_comma_between_semicolons() -> None:
    got = read([line.replace(",", ";").replace(".", ",") for line in table()])
    assert max(got.lift_m) == pytest.approx(0.3 * IN) and "decimal comma" in got.handled[0]


def test_a_degree_sign_from_a_spreadsheet_and_a_byte_order_mark(tmp_path: Path) -> None:
    text = "\n".join(table("cam angle (°),lobe lift (in)"))
    for number, raw in enumerate((text.encode("cp1252"), text.encode("utf-8-sig"))):
        path = tmp_path / f"lobe é {number}.csv"
        path.write_bytes(raw)
        assert read_readings(path).shaft == "cam"


def test_one_column_of_two_lobes() -> None:
    lines = table("crank angle (deg),inlet valve lift (in),exhaust valve lift (in)",
                  lambda a: f"{2 * a:g},{bump(a):.4f},{bump(a - 40):.4f}")  # fmt: skip
    assert read(lines, lobe="intake").lift_m[45] == pytest.approx(0.3 * IN)
    assert read(lines, lobe="exhaust").lift_m[55] == pytest.approx(0.3 * IN)
    with pytest.raises(BuildError, match="2 columns of lift .* say which lobe is wanted, intake or exhaust"):
        read(lines)
    with pytest.raises(BuildError, match="no column of exhaust lift"):
        read(table("cam angle (deg),intake lift (in)"), lobe="exhaust")
    with pytest.raises(BuildError, match="neither intake nor exhaust"):
        read(lines, lobe="left")


def test_columns_left_unread_are_said() -> None:
    got = read(table("cam angle (deg),lobe lift (in),who", lambda a: f"{a:g},{bump(a):.4f},me"))
    assert got.handled == ("columns left unread: who",)


# ------------------------------------------------------------------------------------------ what is put right


def test_missing_lifts_are_left_out_and_named() -> None:
    lines = table()
    lines[10], lines[11], lines[30] = "36,", "40,-", "116,n/a"
    got = read(lines)
    assert len(got.lift_m) == 87
    assert got.handled == ("no lift on lines 11, 12, 31; those angles are left out",)


def test_repeated_angles_are_averaged_and_named() -> None:
    lines = table()
    lines.insert(40, lines[40].split(",")[0] + f",{float(lines[40].split(',')[1]) + 0.002:.4f}")
    got = read(lines)
    assert len(got.lift_m) == 90
    assert got.lift_m[39] == pytest.approx((float(lines[41].split(",")[1]) + 0.001) * IN)
    assert got.handled == ("angles read more than once are averaged (line 41)",)


def test_nought_and_360_are_one_angle() -> None:
    got = read([*table(), "360,0.0000"])
    assert len(got.lift_m) == 90 and "averaged (line 2)" in got.handled[0]


def test_backwards_tables_are_turned_round() -> None:
    lines = table()
    got = read([lines[0], *lines[:0:-1]])
    assert list(got.angle_cam_rad) == sorted(got.angle_cam_rad)
    assert "runs backwards down the table" in got.handled[0] and got.lines[0] == 91


def test_shuffled_tables_are_sorted_and_the_first_line_named() -> None:
    lines = table()
    lines[20], lines[21] = lines[21], lines[20]
    got = read(lines)
    assert got.lift_m == read(table()).lift_m
    assert got.handled == ("rows do not stand in order of angle (first at line 22); put in rising order",)


def test_a_wheel_passing_nought_is_in_order() -> None:
    lines = table()
    got = read([lines[0], *lines[31:], *lines[1:31]])
    assert got.handled == () and got.lift_m == read(table()).lift_m


def test_a_wheel_that_counts_against_the_rotation() -> None:
    got = read(table(), against_rotation=True)
    assert got.angle_cam_rad[0] == pytest.approx(-356 * DEG) and "against the cam's rotation" in got.handled[0]
    assert not any("backwards" in sentence for sentence in got.handled)


@settings(max_examples=30)
@given(order=st.permutations(range(45)))
def test_order_never_matters(order: list[int]) -> None:
    lines = table(step=8.0)
    got = read([lines[0], *(lines[1 + k] for k in order)])
    assert (got.angle_cam_rad, got.lift_m) == (read(lines).angle_cam_rad, read(lines).lift_m)


# --------------------------------------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    "header, says",
    [
        ("angle (deg),lobe lift (in)", "does not say which shaft.*write 'cam angle"),
        ("cma angle (deg),lobe lift (in)", "did you mean 'cam angle"),
        ("cam crank angle (deg),lobe lift (in)", "which shaft"),
        ("cam angle (deg),lobe lfit (in)", "no column for a lift; in 'lobe lfit .in.', did you mean 'l"),
        ("cam angel (deg),lobe lift (in)", "no column for an angle; in 'cam angel .deg.', did you mean"),
        ("cam angle (deg),lobe lift", "'lobe lift' of the table has no unit; write .in or mm. after it"),
        ("cam angle,lobe lift (in)", "'cam angle' of the table has no unit; write .deg. after it"),
        ("cam angle (deg),lobe lift (inc)", "the unit 'inc'; did you mean 'in"),
        ("cam angle (deg),lobe lift (deg)", "the unit 'deg'"),
        ("cam angle (deg),lobe valve lift (in)", "both lobe and valve"),
        ("0,0.0000", "begins with numbers"),
        ("time,temperature", "no column for an angle"),
    ],
)
def test_headers_that_leave_something_open(header: str, says: str) -> None:
    with pytest.raises(BuildError, match=says):
        read(table(header))


def test_two_angles_are_too_many() -> None:
    lines = table("cam angle (deg),crank angle (deg),lobe lift (in)", lambda a: f"{a:g},{2 * a:g},{bump(a):.4f}")
    with pytest.raises(BuildError, match="2 columns of angle"):
        read(lines)


@pytest.mark.parametrize(
    "line, text, says",
    [
        (30, "116,0.12x", "line 31 of the table: '0.12x' under 'lobe lift .in.' is not a number"),
        (30, "116,0.12,0.13", "line 31 of the table has 3 cells under 2 column names"),
        (30, "116", "line 31 of the table has 1 cells"),
        (30, ",0.12", "line 31 of the table: '' under 'cam angle .deg.' is not a number"),
        (30, "116,nan", "line 31 .* is not a number"),
        (30, "116,inf", "line 31 .* is not a number"),
        (30, "116,7.62", "line 31 of the table: 7.62 in is more than any valve lifts"),
        (41, "156,0.2500", "lines 41 and 42 of the table give one angle two lifts 0.044 in .1.12 mm. apart"),
    ],
)
def test_bad_rows_are_named(line: int, text: str, says: str) -> None:
    lines = table()
    lines[line] = text
    with pytest.raises(BuildError, match=says):
        read(lines)


def test_more_than_one_turn_is_refused_with_the_likely_reason() -> None:
    twice = table(row=lambda a: f"{2 * a:g},{bump(a):.4f}")
    with pytest.raises(BuildError, match="cover 712 degrees.*write 'crank angle .deg.'"):
        read(twice)
    assert read(["crank angle (deg),lobe lift (in)", *twice[1:]]).angle_cam_rad[-1] == pytest.approx(356 * DEG)


@pytest.mark.parametrize("lines", [[], ["# nothing"], table()[:20], [*table(), *["0,0"] * 5000]])
def test_tables_of_odd_size_are_refused(lines: list[str]) -> None:
    with pytest.raises(BuildError, match="is empty|holds 19 readings|has 5090 rows"):
        read(lines)


def test_lifts_all_nought_are_refused() -> None:
    with pytest.raises(BuildError, match=r"every lift in the table is zero; check the column 'lobe lift \(in\)'"):
        read(table(row=lambda a: f"{a:g},0.0000"))


def test_files_that_are_not_there(tmp_path: Path) -> None:
    with pytest.raises(BuildError, match="cannot be read .* give the path of a CSV file"):
        read_readings(tmp_path / "none.csv")
    with pytest.raises(BuildError, match="cannot be read"):
        read_readings(tmp_path)


@settings(max_examples=60)
@given(st.text(max_size=400))
def test_any_text_is_read_or_refused_in_one_sentence(text: str) -> None:
    try:
        readings_from_text(text)
    except BuildError as error:
        assert "\n" not in str(error) and len(str(error)) < 600


@settings(max_examples=60)
@given(st.lists(st.text(alphabet="0123456789.,;-+eE xn", max_size=14), min_size=20, max_size=60))
def test_any_rows_are_read_or_refused_in_one_sentence(rows: list[str]) -> None:
    try:
        readings_from_text("\n".join(["cam angle (deg),lobe lift (in)", *rows]))
    except BuildError as error:
        assert "\n" not in str(error) and len(str(error)) < 600


# ----------------------------------------------------------------------------------------- the invented tables


def test_the_shipped_tables_are_those_of_the_recipe() -> None:
    """Frozen: the files hold what demo_tables computes, to one step of the dial (a last bit may round otherwise)."""
    made = demo_tables()
    assert [path.name for path in SHIPPED] == sorted(made)
    for path in SHIPPED:
        ours, theirs = read_readings(path), readings_from_text(made[path.name])
        assert ours.angle_cam_rad == theirs.angle_cam_rad and ours.lines == theirs.lines
        np.testing.assert_allclose(ours.lift_m, theirs.lift_m, atol=1.01 * ours.lift_step_m)
        assert path.read_text(encoding="utf-8").startswith("# INVENTED readings, nothing was measured")


def test_the_worn_lobe_is_found_worn_and_the_good_one_good() -> None:
    """From file to sentence. The truth is the recipe's: 3-4-5 over 72 degrees, 0.290 in; wear about 0.010 in at the
    nose of the exhaust; intake centreline 106, separation 110 degrees."""
    known = ramped(polynomial_345, 72.0)
    read_lobes = {}
    for path in SHIPPED:
        got = read_readings(path)
        read_lobes[path.stem] = lobe_from_readings(
            got.angle_cam_rad, got.lift_m, lift_step_m=got.lift_step_m, lines=got.lines, handled=got.handled
        )
    intake, exhaust = read_lobes["invented-intake"], read_lobes["invented-exhaust-worn"]
    assert any("no lift on line" in s for s in intake.handled) and any("0.003" in s for s in intake.handled)
    assert any("crank angles halved" in s for s in exhaust.handled)
    theta = np.linspace(0.0, math.pi / 2, 20001)
    lift = known.motion(theta)[0]
    points = tuple(
        CardPoint(at_m=x * IN, duration_rad=4.0 * float(theta[np.flatnonzero(lift > x * IN)[-1]])) for x in (0.05, 0.2)
    )
    card = Card(lobe_lift_m=0.290 * IN, points=points)
    checks = compare_with_card(
        intake, exhaust, intake_card=card, exhaust_card=card,
        lobe_separation_rad=110 * DEG, intake_centreline_rad=106 * DEG,
    )  # fmt: skip
    differs = {(check.which, check.what, check.at_m): check.differs for check in checks}
    assert differs["exhaust", "lift", None] and not differs["intake", "lift", None]
    assert not differs["", "separation", None] and not differs["intake", "centreline", None]
    assert not differs["intake", "duration", 0.05 * IN]
    worn = next(check for check in checks if (check.which, check.what) == ("exhaust", "lift"))
    said = card_sentence(worn, "us")
    assert "0.010 in under the card" in said or "0.011 in under the card" in said
    assert lobe_separation(intake, exhaust).value == pytest.approx(110 * DEG, abs=0.5 * DEG)
