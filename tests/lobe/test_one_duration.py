"""Cards of one duration: the shape they are completed with, the width of their bands, and what would narrow them."""

from __future__ import annotations

import functools
import math
from dataclasses import replace

import pytest

from library_defaults import CARD
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe.card import USUAL_LIFTS_M, lobe_from_card, most_open
from lobeledger.lobe.flank import CardLobe
from lobeledger.lobe.one_duration import completed
from lobeledger.lobe.ramp import Ramp
from lobeledger.lobe.ways_out import what_would_give
from lobeledger.parts.card import CardPoint
from test_lobe_card import BASE, DEG, FACE, IN, PER_DEG, RAMP, WHEEL, card

RISING = Ramp(0.0012 * PER_DEG, 0.0009 * PER_DEG, 0.0018 * PER_DEG, is_rising=True)
# Cards of three lifts (invented, as in the shipped builds), by follower and lifter: lift, seat, limits, ramp, points.
CARDS = {
    "hydraulic flat": (0.325, 0.006, FACE, RISING, ((0.006, 294), (0.050, 244), (0.200, 150))),
    "hydraulic roller": (0.365, 0.006, WHEEL, RISING, ((0.006, 296), (0.050, 246), (0.200, 164))),
    "solid flat": (0.332, 0.0149, FACE, RAMP, ((0.020, 284), (0.050, 252), (0.200, 158))),
    "solid roller": (0.410, 0.0153, WHEEL, RAMP, ((0.020, 286), (0.050, 256), (0.200, 178))),
}


@functools.cache
def solved(name: str, only: int | None) -> CardLobe:
    lift, seat, limits, ramp, points = CARDS[name]
    chosen = points if only is None else (points[only],)
    return lobe_from_card(card(lift, *chosen), limits, base_radius_m=BASE, ramp=ramp, seat_m=seat * IN, **CARD)


@pytest.mark.parametrize("only", [0, 1, 2])
@pytest.mark.parametrize("name", CARDS)
def test_band_of_one_duration_holds_the_whole_card(name, only):
    """The card's own durations lie inside, at whatever lift the one was quoted; the quoted one is met."""
    points = CARDS[name][4]
    lobes = solved(name, only)
    for i, (at, duration) in enumerate(points):
        _, low, high = lobes.band(lambda lobe, at=at: lobe.duration_crank_rad(at * IN))
        if i == only:
            assert low == pytest.approx(duration * DEG, abs=0.1 * DEG)
            assert high == pytest.approx(duration * DEG, abs=0.1 * DEG)
        else:
            assert low < duration * DEG < high
            assert high - low > 5.0 * DEG


@pytest.mark.parametrize("name", CARDS)
def test_band_of_one_is_wider_than_that_of_three(name):
    """Area over 0.050 in, least to greatest."""

    def width(lobes: CardLobe) -> float:
        _, low, high = lobes.band(lambda lobe: lobe.lift_area_m_rad(0.050 * IN))
        return high - low

    assert width(solved(name, 1)) > 2.0 * width(solved(name, None))


@pytest.mark.parametrize("name", CARDS)
def test_two_durations_far_above_the_ramp_leave_it_open(name):
    """Of 0.050 and 0.200 in: both are met, and what the whole card says near its ramp lies inside the band.

    The lower was taken for the top of a ramp: a seat duration 40 crank degrees too long, without a band.
    """
    lift, seat, limits, ramp, points = CARDS[name]
    two = card(lift, *points[1:])
    lobes = lobe_from_card(two, limits, base_radius_m=BASE, ramp=ramp, seat_m=seat * IN, **CARD)
    for at, duration in points[1:]:
        _, low, high = lobes.band(lambda lobe, at=at: lobe.duration_crank_rad(at * IN))
        assert low == pytest.approx(duration * DEG, abs=0.1 * DEG)
        assert high == pytest.approx(duration * DEG, abs=0.1 * DEG)
    at, duration = points[0]
    _, low, high = lobes.band(lambda lobe: lobe.duration_crank_rad(at * IN))
    assert low < duration * DEG < high
    assert most_open(lobes).at_m == pytest.approx(at * IN)


def test_a_card_that_begins_at_its_ramp_or_gives_it_stands_for_itself():
    for two in (
        card(0.325, (0.020, 270), (0.200, 150)),
        replace(card(0.325, (0.050, 244), (0.200, 150)), ramp_lift_m=0.006 * IN),
    ):
        assert completed(two, 0.006 * IN).usual == (two,) and not completed(two, 0.006 * IN).others
    two = card(0.325, (0.050, 244), (0.200, 150))
    found = completed(two, 0.006 * IN)
    assert found.usual[-1] == two and set(found.others) == {"fuller flanks", "leaner flanks"}
    assert all(point in each.points for each in found.usual for point in two.points)


def test_what_would_narrow_it_is_told():
    """A seat duration leaves the upper flank open, a duration high up the seat; given, it halves the band of area."""
    assert most_open(solved("hydraulic flat", 0)).at_m == pytest.approx(0.100 * IN)
    assert most_open(solved("hydraulic flat", 2)).at_m == pytest.approx(0.006 * IN)
    # below a solid ramp's top the valve does not see the lobe
    assert most_open(solved("solid flat", 1)).at_m == pytest.approx(0.020 * IN)
    lift, seat, limits, ramp, points = CARDS["hydraulic flat"]
    asked_in = most_open(solved("hydraulic flat", 0)).at_m / IN
    answer = solved("hydraulic flat", None).nominal.duration_crank_rad(asked_in * IN) / DEG

    def area_width(*chosen: tuple[float, float]) -> float:
        lobes = lobe_from_card(card(lift, *chosen), limits, base_radius_m=BASE, ramp=ramp, seat_m=seat * IN, **CARD)
        _, low, high = lobes.band(lambda lobe: lobe.lift_area_m_rad())
        return high - low

    assert area_width(points[0], (asked_in, answer)) < 0.5 * area_width(points[0])
    with pytest.raises(OutOfRange, match="none of these lifts"):
        most_open(solved("hydraulic flat", 0), [0.4 * IN])
    assert USUAL_LIFTS_M[0] == pytest.approx(0.006 * IN)


def test_completed_card_keeps_its_own_point_and_its_division():
    point = CardPoint(at_m=0.050 * IN, duration_rad=220 * DEG, opening_rad=108 * DEG)
    whole = completed(replace(card(0.320, (0.050, 220)), points=(point,)), 0.006 * IN)
    for each in (*whole.usual, *whole.others.values()):
        assert point in each.points
        for p in each.points:
            assert p.opening_rad / p.duration_rad == pytest.approx(108 / 220)
    assert set(whole.others) == {"fuller flanks", "leaner flanks"}
    several = card(0.320, (0.006, 270), (0.050, 220))
    assert completed(several, 0.006 * IN).usual == (several,) and not completed(several, 0.006 * IN).others


def test_shape_is_the_formula():
    """y = (1 - x^2)^1.75 at the three points, solved for x by hand: the one added at 0.55 of the rise."""
    low, own, high = completed(card(0.320, (0.050, 224)), 0.006 * IN).usual[0].points
    for p in (own, high):
        y = (p.at_m - 0.006 * IN) / (0.314 * IN)
        assert (1.0 - (p.duration_rad / low.duration_rad) ** 2) ** 1.75 == pytest.approx(y, rel=1e-9)
    assert high.duration_rad / low.duration_rad == pytest.approx(math.sqrt(1 - 0.55 ** (1 / 1.75)))


def test_lift_quoted_at_the_ramps_top_and_below_it():
    """A duration at the very lift that lash and give take up, or below it, is the ramp top's own."""
    for at in (0.0149, 0.0150, 0.012):
        lobes = lobe_from_card(card(0.332, (at, 290)), FACE, base_radius_m=BASE, ramp=RAMP, seat_m=0.0149 * IN, **CARD)
        assert lobes.nominal.duration_crank_rad(at * IN) == pytest.approx(290 * DEG, abs=0.1 * DEG)


def test_an_impossible_card_of_one_duration_says_what_would_do():
    """Too high a lobe for its duration on this face: cut to the lift it names, a lobe fits; a hair above, none."""
    one = card(0.360, (0.050, 200))
    with pytest.raises(NoSolution):
        lobe_from_card(one, FACE, base_radius_m=BASE, ramp=RISING, seat_m=0.006 * IN, **CARD)
    ways = what_would_give(one, FACE, base_radius_m=BASE, ramp=RISING, seat_m=0.006 * IN)
    lift_m = next(way.value for way in ways if "lift" in way.what)
    for times, fits in ((0.998, True), (1.02, False)):
        cut = replace(one, lobe_lift_m=lift_m * times)
        try:
            lobe_from_card(cut, FACE, base_radius_m=BASE, ramp=RISING, seat_m=0.006 * IN, **CARD)
        except NoSolution:
            assert not fits
        else:
            assert fits
