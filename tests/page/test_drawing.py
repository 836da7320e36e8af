"""Drawings of lobes: at true scale, read alone, the contact where the outline has it."""

from __future__ import annotations

import functools
import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

import lobeledger as ll
from lobeledger.assess.lobes import candidate_lobe
from lobeledger.errors import OutOfRange
from lobeledger.lobe.flat import crown_height_m
from lobeledger.lobe.outline import flat_profile, roller_profile
from lobeledger.page.plots.drawing import FULL_SIZE, Measures, across_drawing, lobe_drawing
from lobeledger.sheet.open import starter_sheet

IN = 0.0254
BUILD = ll.build_from_text(starter_sheet())
FLAT = Measures(0.48 * IN, face_diameter_m=0.842 * IN, crown_radius_m=45 * IN, lobe_taper_m=0.0012 * IN)
ROLLER = Measures(0.48 * IN, wheel_width_m=0.42 * IN)


@functools.cache
def profile_of(kind: str):
    lobe = candidate_lobe(BUILD, BUILD.candidates[0]).nominal
    if kind == "flat":
        return flat_profile(lobe, base_radius_m=0.55 * IN)
    return roller_profile(lobe, base_radius_m=0.55 * IN, roller_radius_m=0.375 * IN)


def drawn(kind: str, **more) -> ET.Element:
    return ET.fromstring(lobe_drawing(profile_of(kind), FLAT if kind == "flat" else ROLLER, **more))


def outline_px(picture: ET.Element) -> np.ndarray:
    d = next(p.get("d") for p in picture.iter("path") if p.get("d").endswith("Z"))
    return np.array([[float(v) for v in pair.split()] for pair in re.split("[ML]", d.rstrip("Z")) if pair])


def base_circle(picture: ET.Element) -> ET.Element:
    return next(c for c in picture.iter("circle") if c.get("stroke-dasharray"))


@pytest.mark.parametrize("kind", ["flat", "roller"])
def test_the_lobe_is_at_true_scale(kind):
    picture = drawn(kind)
    circle = base_circle(picture)
    radius = float(circle.get("r"))
    middle = np.array([float(circle.get("cx")), float(circle.get("cy"))])
    away = np.hypot(*(outline_px(picture) - middle).T)
    lift, base = float(profile_of(kind).lift_m.max()), 0.55 * IN
    # Two decimals of a pixel are printed, and every few points of the outline.
    assert away.min() == pytest.approx(radius, abs=0.02)
    assert away.max() / radius == pytest.approx((base + lift) / base, abs=0.002)


@pytest.mark.parametrize("kind", ["flat", "roller"])
def test_a_millimetre_is_one_where_full_size_is_asked(kind):
    picture = drawn(kind, width_px=180.0, text_px=9.5, full_size=True)
    # CSS: 96 px are an inch.
    assert float(base_circle(picture).get("r")) == pytest.approx(0.55 * 96.0, abs=0.01)
    assert "full size" in "".join(picture.itertext())
    assert FULL_SIZE * 25.4 == pytest.approx(96.0)
    # Without the room it is smaller, and does not say so.
    small = drawn(kind, width_px=120.0, text_px=9.5, full_size=True)
    assert float(base_circle(small).get("r")) < 50.0 and "full size" not in "".join(small.itertext())


@pytest.mark.parametrize("kind", ["flat", "roller"])
def test_the_contact_lies_on_outline_and_follower(kind):
    picture = drawn(kind)
    spot = next(c for c in picture.iter("circle") if c.get("fill", "").startswith("#") and c.get("stroke") is None)
    at = np.array([float(spot.get("cx")), float(spot.get("cy"))])
    outline = outline_px(picture)
    assert np.hypot(*(outline - at).T).min() < 2.0
    circle = base_circle(picture)
    per_m = float(circle.get("r")) / (0.55 * IN)
    off = abs(at[0] - float(circle.get("cx"))) / per_m
    assert off == pytest.approx(float(np.abs(profile_of(kind).eccentricity_m).max()), abs=2e-5)
    if kind == "roller":
        wheel = next(c for c in picture.iter("circle") if c.get("stroke-width") == "1.6")
        reach = math.hypot(at[0] - float(wheel.get("cx")), at[1] - float(wheel.get("cy")))
        assert reach == pytest.approx(float(wheel.get("r")), abs=0.02)


@pytest.mark.parametrize("kind", ["flat", "roller"])
@pytest.mark.parametrize("draw", [lobe_drawing, across_drawing])
def test_a_drawing_is_read_alone(kind, draw):
    picture = ET.fromstring(draw(profile_of(kind), FLAT if kind == "flat" else ROLLER, title="<Intake> & co"))
    assert float(picture.get("font-size")) >= 14.0
    assert picture.get("role") == "img" and "lobe" in picture.get("aria-label").lower()
    width = float(picture.get("viewBox").split()[2])
    texts = ["".join(t.itertext()) for t in picture.iter("text")]
    assert texts[0] == "<Intake> & co"
    # Every marker of the picture stands again before its line.
    markers = [t for t in texts if t.isdigit()]
    assert markers and all(markers.count(m) == 2 for m in markers)
    # About 0.62 of its size a letter: no line runs out of the picture.
    assert max(len(t) for t in texts) * 0.62 * 14.0 < width
    for each in picture.iter():
        if each.tag == "circle":
            assert 0.0 <= float(each.get("cx")) <= width


def test_numbers_stand_beside_their_names():
    said = " ".join("".join(t.itertext()) for t in drawn("flat").iter("text"))
    lift = float(profile_of("flat").lift_m.max()) / IN
    assert f"lobe lift {lift:.3f} in" in said and "base circle, across 1.100 in" in said
    assert "lifter face, across 0.842 in" in said
    metric = " ".join("".join(t.itertext()) for t in drawn("roller", system="metric").iter("text"))
    assert "roller, across 19.05 mm" in metric and " in" not in metric
    across = "".join(ET.fromstring(across_drawing(profile_of("flat"), FLAT)).itertext())
    crown = crown_height_m(45 * IN, face_diameter_m=0.842 * IN) / IN
    # Contact beside the middle: crown radius times taper over width, 45 x 0.0012/0.48 = 0.1125 in (geometry).
    assert f"crown of the face {crown:.4f} in" in across and re.search(r"turns it 0\.11[23] in", across)
    assert "taper across it 0.0012 in" in across and "60 times as high" in across
    unknown = "".join(ET.fromstring(across_drawing(profile_of("flat"), Measures(0.48 * IN, 0.842 * IN))).itertext())
    assert unknown.count("not known") == 2 and "turns it" not in unknown


def test_a_flat_lifter_needs_its_face():
    with pytest.raises(OutOfRange, match="face_diameter_m"):
        lobe_drawing(profile_of("flat"), ROLLER)
