"""Events of a candidate whose lobes have unlike flanks, by definition: angles either side of the greatest lift."""

from __future__ import annotations

import math

import pytest

from lobeledger import compare
from lobeledger.sheet.open import build_from_text, starter_sheet

DEG = math.pi / 180.0
LINES = """\
  { at = "0.006 in", duration = "260 deg" },
  { at = "0.050 in", duration = "210 deg" },
  { at = "0.200 in", duration = "114 deg" },
"""
# The same durations, opening quicker than closing: 6, 5 and 3 crank degrees off the middle.
UNLIKE = """\
  { at = "0.006 in", duration = "260 deg", opening = "124 deg" },
  { at = "0.050 in", duration = "210 deg", opening = "100 deg" },
  { at = "0.200 in", duration = "114 deg", opening = "54 deg" },
"""


def figures(lines: str) -> dict[str, float]:
    # A little less lift, so that the quicker flank still fits a 0.842 in face.
    text = starter_sheet().replace(LINES, lines, 1).replace('lobe_lift = "0.285 in"', 'lobe_lift = "0.278 in"', 1)
    result = compare(build_from_text(text)).results[0]
    assert result.assessment.intake is not None
    return {key: figure.value for key, figure in result.figures.items()}


def test_events_of_unlike_flanks() -> None:
    """Seat at 0.006 in; centreline 108, separation 112, so the exhaust's centreline is 116. By hand: like flanks
    close at 130 + 108 - 180 = 58 ABDC and overlap 22 + 14 = 36; unlike ones at 136 + 108 - 180 = 64 ABDC, opening at
    124 - 108 = 16 BTDC and the exhaust closing at 136 - 116 = 20 ATDC, overlap 36."""
    like, unlike = figures(LINES), figures(UNLIKE)
    assert like["ivc"] / DEG == pytest.approx(58.0, abs=0.01)
    assert unlike["ivc"] / DEG == pytest.approx(64.0, abs=0.01)
    assert like["overlap"] / DEG == pytest.approx(36.0, abs=0.01)
    assert unlike["overlap"] / DEG == pytest.approx(36.0, abs=0.01)
    assert unlike["seat_duration"] == pytest.approx(like["seat_duration"], rel=1e-6)
    # Later closing traps less.
    assert unlike["dynamic_compression"] < like["dynamic_compression"] - 0.2


def test_mirrored_flanks_press_the_nose_alike() -> None:
    """Run backwards, the worst nose pressure is the same: both flanks are looked at."""
    mirrored = UNLIKE.replace("opening", "closing")
    one, other = figures(UNLIKE), figures(mirrored)
    assert one["stress_cranking"] == pytest.approx(other["stress_cranking"], rel=1e-3)
    assert other["ivc"] / DEG == pytest.approx(124.0 + 108.0 - 180.0, abs=0.01)
