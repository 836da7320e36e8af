"""Exported outlines: read back by the drawing library and by the csv module, against the profile itself."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import ezdxf
import numpy as np
import pytest

from lobeledger.errors import BuildError, OutOfRange
from lobeledger.lobe.outline import Profile, flat_profile, roller_profile
from lobeledger.page.paper.profile import (
    CARD_ORIGIN,
    LAYERS,
    profile_csv_text,
    profile_dxf_text,
    write_profile_csv,
    write_profile_dxf,
)
from lobeledger.sheet import files
from test_outline import CARD, FLAT, IN, ROLLER, bevan_lobe

TITLE = "Invented lobe, intake, \u00fc"
MM = 1e3
BOTH = pytest.mark.parametrize("profile", [FLAT, ROLLER], ids=["flat", "roller"])


def read_dxf(text: str) -> ezdxf.document.Drawing:
    return ezdxf.read(io.StringIO(text))


@BOTH
def test_dxf_read_back(profile: Profile, tmp_path: Path) -> None:
    """ezdxf 1.4 reads the file again: every vertex within 1e-6 mm of the outline, closed, in millimetres, audited
    without errors and without repairs."""
    path = write_profile_dxf(profile, tmp_path / "lobe.dxf", title=TITLE, origin=CARD_ORIGIN)
    drawing = ezdxf.readfile(path)
    audit = drawing.audit()
    assert not audit.has_errors and not audit.has_fixes
    assert drawing.header["$INSUNITS"] == 4  # millimetres: DXF reference, header variables
    assert drawing.header["$MEASUREMENT"] == 1  # metric
    space = drawing.modelspace()
    (lobe,) = space.query('LWPOLYLINE[layer=="LOBE"]')
    assert lobe.closed
    points = np.array(list(lobe.get_points("xy")))
    assert points.shape == (profile.x_m.size - 1, 2)
    assert np.max(np.abs(points[:, 0] - profile.x_m[:-1] * MM)) < 1e-6
    assert np.max(np.abs(points[:, 1] - profile.y_m[:-1] * MM)) < 1e-6
    (circle,) = space.query("CIRCLE")
    assert circle.dxf.radius == pytest.approx(profile.base_radius_m * MM, abs=1e-9)
    assert tuple(circle.dxf.center) == (0.0, 0.0, 0.0)
    cross = space.query('LINE[layer=="CENTRE"]')
    assert len(cross) == 2
    assert all((line.dxf.start + line.dxf.end).magnitude < 1e-12 for line in cross)


def test_dxf_pitch_curve_is_the_rollers_alone() -> None:
    flat, roller = (read_dxf(profile_dxf_text(p, title=TITLE, origin=CARD_ORIGIN)).modelspace() for p in (FLAT, ROLLER))
    assert len(flat.query('LWPOLYLINE[layer=="PITCH CURVE"]')) == 0
    (pitch,) = roller.query('LWPOLYLINE[layer=="PITCH CURVE"]')
    centres = np.array(list(pitch.get_points("xy"))) / MM
    # Every centre is a wheel's radius from the outline.
    assert ROLLER.roller_radius_m is not None
    away = np.hypot(centres[:, 0] - ROLLER.x_m[:-1], centres[:, 1] - ROLLER.y_m[:-1])
    assert away == pytest.approx(ROLLER.roller_radius_m, abs=1e-9)


@BOTH
def test_dxf_layers_and_notes(profile: Profile) -> None:
    drawing = read_dxf(profile_dxf_text(profile, title=TITLE, origin=CARD_ORIGIN))
    names = {layer.dxf.name for layer in drawing.layers} - {"0", "Defpoints"}
    assert names == set(LAYERS) - ({"PITCH CURVE"} if profile.is_flat else set())
    assert {entity.dxf.layer for entity in drawing.modelspace()} == names
    notes = [text.dxf.text for text in drawing.modelspace().query("TEXT")]
    assert notes[0] == TITLE
    assert "unit: millimeter" in notes
    assert any("do not grind a cam from it" in note for note in notes)


def test_dxf_of_the_circular_arc_cam_bevan_9_5() -> None:
    """T. Bevan, The Theory of Machines, 3rd ed., ex. 9-5, p. 300 (seen): on paper again, in millimetres: farthest
    point base radius + lift = 1.625 in = 41.275 mm from the axis, nose arc of 3.175 mm about 38.1 mm."""
    profile = flat_profile(bevan_lobe(), base_radius_m=1.125 * IN)
    drawing = read_dxf(profile_dxf_text(profile, title="Example 9-5", origin="handbook"))
    (lobe,) = drawing.modelspace().query('LWPOLYLINE[layer=="LOBE"]')
    points = np.array(list(lobe.get_points("xy")))
    reach = np.hypot(points[:, 0], points[:, 1])
    assert reach.max() == pytest.approx(41.275, abs=1e-6)
    nose = points[points[:, 0] > 40.5]  # the nose arc begins at 38.1 + 3.175 cos(42.03 deg) = 40.46
    assert len(nose) > 100
    assert np.hypot(nose[:, 0] - 38.1, nose[:, 1]) == pytest.approx(3.175, abs=1e-6)


@BOTH
def test_csv_read_back(profile: Profile, tmp_path: Path) -> None:
    """Python's csv module: angle, lift in both units, radius, polar angle, x and y, to the digits written."""
    path = write_profile_csv(profile, tmp_path / "lobe.csv", title=TITLE, origin=CARD_ORIGIN)
    lines = path.read_text(encoding="utf-8").splitlines()
    heads = [line for line in lines if line.startswith("#")]
    assert heads[0] == f"# {TITLE}"
    assert any(line.startswith("# origin: worked out from a catalog card") for line in heads)
    assert any("degrees of the CAM" in line for line in heads)
    assert any("base circle: 13.9700 mm radius (0.5500 in)" in line for line in heads)
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    table = {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
    assert list(table) == ["cam_angle_deg", "lift_mm", "lift_in", "radius_mm", "polar_angle_deg", "x_mm", "y_mm"]
    assert np.max(np.abs(np.radians(table["cam_angle_deg"]) - profile.theta_cam_rad)) < 1e-8
    assert np.max(np.abs(table["lift_mm"] - profile.lift_m * MM)) < 1e-7
    assert np.max(np.abs(table["lift_in"] * 25.4 - table["lift_mm"])) < 5e-7  # exact inch, eight decimals
    assert np.max(np.abs(table["x_mm"] - profile.x_m * MM)) < 1e-7
    assert np.max(np.abs(table["y_mm"] - profile.y_m * MM)) < 1e-7
    polar = np.radians(table["polar_angle_deg"])
    assert table["radius_mm"] * np.cos(polar) == pytest.approx(table["x_mm"], abs=2e-6)
    assert (rows[0]["x_mm"], rows[0]["y_mm"]) == (rows[-1]["x_mm"], rows[-1]["y_mm"])
    assert not any("-0.0000000" in line.split(",") for line in lines)


@pytest.mark.parametrize("write", [write_profile_csv, write_profile_dxf])
def test_an_existing_file_stays(write: object, tmp_path: Path) -> None:
    assert callable(write)
    path = tmp_path / "mine.txt"
    path.write_text("mine")
    with pytest.raises(BuildError, match="exists already"):
        write(FLAT, path, title=TITLE, origin=CARD_ORIGIN)
    assert path.read_text() == "mine"
    write(FLAT, path, title=TITLE, origin=CARD_ORIGIN, replace=True)
    assert path.read_text(encoding="utf-8") != "mine"
    assert [each.name for each in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("write", [write_profile_csv, write_profile_dxf])
def test_never_half_written(write: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk fails while the file is flushed: the old file is whole, and nothing else is left behind."""
    assert callable(write)
    path = tmp_path / "mine.txt"
    path.write_text("mine")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files.os, "fsync", full)
    with pytest.raises(BuildError, match="No space left on device"):
        write(FLAT, path, title=TITLE, origin=CARD_ORIGIN, replace=True)
    assert path.read_text() == "mine"
    assert [each.name for each in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("text_of", [profile_csv_text, profile_dxf_text])
def test_what_is_refused(text_of: object) -> None:
    assert callable(text_of)
    undercut = roller_profile(CARD, base_radius_m=0.10 * IN, roller_radius_m=0.70 * IN)
    with pytest.raises(OutOfRange, match=r"the lobe is undercut at -?\d+\.\d cam degrees .* cannot be made"):
        text_of(undercut, title=TITLE, origin=CARD_ORIGIN)
    with pytest.raises(OutOfRange, match="origin is empty"):
        text_of(FLAT, title=TITLE, origin=" ")
    with pytest.raises(OutOfRange, match="title is empty"):
        text_of(FLAT, title="", origin=CARD_ORIGIN)


def test_a_title_stays_on_its_line() -> None:
    """Text from outside cannot add lines to the table or groups to the drawing."""
    title = "one\nLINE\n  0\nENDSEC"
    table = profile_csv_text(FLAT, title=title, origin=CARD_ORIGIN).splitlines()
    assert table[0] == "# one LINE 0 ENDSEC"
    drawing = read_dxf(profile_dxf_text(FLAT, title=title, origin=CARD_ORIGIN))
    assert not drawing.audit().has_errors
    assert drawing.modelspace().query("TEXT")[0].dxf.text == "one LINE 0 ENDSEC"
    assert math.isclose(drawing.modelspace().query("CIRCLE")[0].dxf.radius, 13.97)
