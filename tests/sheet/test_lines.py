"""A value knows the line it stands on, and one line is one draw wherever it is used."""

from __future__ import annotations

import re

import numpy as np
import pytest

from lobeledger.doubt import draws
from lobeledger.parts.build import Build
from lobeledger.sheet.change import change
from lobeledger.sheet.open import build_from_text, starter_sheet

# The starter with its roller made a second hydraulic flat, and its remarks left out.
BASE = re.sub(r"(?m)^#.*\n|\s+#.*$", "", starter_sheet())
TWIN = BASE.replace('id = "h-roller"', 'id = "h-two"').replace('follower = "roller"', 'follower = "flat"')
ONE, TWO = "candidates.h-flat.", "candidates.h-two."


def twins(*pairs: tuple[str, object], more: str = "") -> Build:
    build = build_from_text(TWIN + more)
    return change(build, dict(pairs)) if pairs else build


def test_lines_are_where_the_numbers_stand():
    build = twins((TWO + "failure.cost", {"value": "3000 USD", "low": "2000 USD", "high": "5000 USD"}))
    line = {path: datum.line for path, datum in build.data.items()}
    # written once in the shared table
    assert line[ONE + "valvetrain.rocker_ratio"] == line[TWO + "valvetrain.rocker_ratio"] == "valvetrain.rocker_ratio"
    # one row of the defaults; and the row that another kind would have is another line
    assert line[ONE + "fitting_time"] == line[TWO + "fitting_time"] == "candidate.fitting_time follower=flat"
    assert build_from_text(BASE).data["candidates.h-roller.fitting_time"].line != line[ONE + "fitting_time"]
    # written in one candidate
    assert line[ONE + "failure.cost"] == "failure.cost follower=flat"
    assert line[TWO + "failure.cost"] == TWO + "failure.cost"
    # a face as wide as the lifter bore stands on the line of the bore, and a copied card on the card it copies
    assert line[ONE + "face_diameter"] == line["block.lifter_bore"]
    assert line[ONE + "exhaust.lobe_lift"] == ONE + "intake.lobe_lift"
    assert line[ONE + "exhaust.durations.1.duration"] == ONE + "intake.durations.1.duration"
    assert line["shop.labour_rate"] == "shop.labour_rate" and line["use.years"] == "use.years"


def test_one_line_is_one_draw_and_two_lines_are_two():
    build = twins((TWO + "dyno_time", {"value": "2 h", "low": "1.5 h", "high": "3 h"}))
    drawn = draws.draws(build)
    for key in ("fitting_time", "failure.cost", "spring_set_price", "failure.chance"):
        assert np.array_equal(drawn(ONE + key), drawn(TWO + key)), key
    # the same figures, but written by somebody: it may differ from what the other has
    one, two = drawn(ONE + "dyno_time"), drawn(TWO + "dyno_time")
    assert sorted(one)[0] == pytest.approx(sorted(two)[0], rel=0.02)
    assert abs(np.corrcoef(one, two)[0, 1]) < 0.1


def test_an_opinion_of_its_own_or_a_record_is_a_draw_of_its_own():
    for pairs in (
        ((TWO + "failure.one_in", 40),),
        ((TWO + "failure.seen_losses", 1), (TWO + "failure.seen_builds", 40)),
    ):
        drawn = draws.draws(twins(*pairs))
        one, two = drawn(ONE + "failure.chance"), drawn(TWO + "failure.chance")
        assert abs(np.corrcoef(one, two)[0, 1]) < 0.1


def test_what_two_candidates_share_cancels_in_their_difference():
    """Two candidates alike in every line cost the same in every draw; by hand: labour x time, both on one line."""
    build = twins()
    drawn = draws.draws(build)
    spread = np.std(drawn(ONE + "fitting_time") * drawn("shop.labour_rate"))
    gap = (drawn(ONE + "fitting_time") - drawn(TWO + "fitting_time")) * drawn("shop.labour_rate")
    assert spread > 100.0 and not gap.any()
