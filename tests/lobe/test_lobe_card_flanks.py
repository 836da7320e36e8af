"""Cards whose flanks differ, and cards that give their ramps: against lobes of known truth and closed forms.

All cards are invented. A flank's own checks (solver, discretisation, traps) are in test_lobe_card.py.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from library_defaults import CARD
from lobeledger.arrays import Array
from lobeledger.errors import BuildError, NoSolution, OutOfRange
from lobeledger.lobe import ramp
from lobeledger.lobe.card import CardLobe, lobe_from_card
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.two_flanks import two_flanks
from lobeledger.lobe.ways_out import what_would_give
from lobeledger.parts.card import Card, CardPoint, CardRamp
from lobeledger.sheet.open import build_from_text, starter_sheet
from test_lobe_card import (
    BASE,
    DEG,
    FACE,
    IN,
    LIFTS,
    PER_DEG,
    RAMP,
    SEVEN,
    THREE,
    WHEEL,
    WIDE,
    Known,
    peak_deceleration,
)


class Flank(Protocol):
    """A flank of known truth: lift over cam degrees from the nose (in), and its greatest deceleration (m/rad2)."""

    lift_in: float

    def lift(self, theta_deg: Array) -> Array: ...

    @property
    def peak(self) -> float: ...


@dataclass(frozen=True)
class Arcs:
    """A ramp, then a circular-arc flank, then a circular nose (geometry as in Bevan's example 9-5), inches.

    Its acceleration jumps, so no lobe of bounded jerk is quite it.
    """

    alpha_deg: float
    lift_in: float = 0.300
    ramp_top_in: float = 0.006
    base_in: float = 0.55
    nose_in: float = 0.20
    ramp_in_per_deg: float = 0.0005

    @property
    def nose_centre_in(self) -> float:
        return self.base_in + self.lift_in - self.nose_in

    def lift(self, theta_deg: Array) -> Array:
        base, d, alpha = self.base_in + self.ramp_top_in, self.nose_centre_in, math.radians(self.alpha_deg)
        flank = (d**2 - (base - self.nose_in) ** 2) / (2.0 * ((base - self.nose_in) - d * math.cos(alpha)))
        junction = math.asin(d * math.sin(alpha) / (flank + base - self.nose_in))
        t = alpha - np.radians(np.abs(theta_deg))
        speed = math.degrees(self.ramp_in_per_deg)
        start = math.asin(speed / flank)
        above = np.where(t < junction, flank * (1.0 - np.cos(t)), d * np.cos(alpha - t) + self.nose_in - base)
        foot = flank * (1.0 - math.cos(start)) - speed * (start - t)
        return np.maximum(self.ramp_top_in + np.where(t > start, above, foot), 0.0)

    @property
    def peak(self) -> float:
        """Nose: s'' = -d cos(angle), greatest at the angle of greatest lift."""
        return self.nose_centre_in * IN


def card_of(opening: Flank, closing: Flank, lifts_in: tuple[float, ...], *, to_deg: float | None = None) -> Card:
    """The card a maker would print of the lobe: crank degrees either side; to_deg rounds them."""
    theta = np.linspace(0.0, 110.0, 220001)
    points = []
    for at in lifts_in:
        sides = [2.0 * float(np.interp(-at, -flank.lift(theta), theta)) for flank in (opening, closing)]
        if to_deg is not None:
            sides = [round(side / to_deg) * to_deg for side in sides]
        points.append(CardPoint(at_m=at * IN, duration_rad=sum(sides) * DEG, opening_rad=sides[0] * DEG))
    return Card(lobe_lift_m=opening.lift_in * IN, points=tuple(points))


@functools.cache
def solved(the_card: Card, seat_in: float = 0.006) -> CardLobe:
    return lobe_from_card(the_card, WIDE, base_radius_m=BASE, ramp=RAMP, seat_m=seat_in * IN, **CARD)


def compared(result: CardLobe, the_card: Card, opening: Flank, closing: Flank) -> tuple[float, list[float], float]:
    """Nominal's greatest distance from the truth (in), areas of all members and of the truth between the lowest
    quoted points (in deg)."""
    theta = result.nominal.theta_cam_rad / DEG
    truth = np.where(theta < 0.0, opening.lift(theta), closing.lift(theta))
    first, last = (the_card.flank_crank_rad(side)[0][1] / 2.0 / DEG for side in ("opening", "closing"))
    inside = (theta > -first) & (theta < last)

    def area(lift_in: Array) -> float:
        return float(np.trapezoid(np.where(inside, lift_in, 0.0), theta))

    away = float(np.max(np.abs(result.nominal.lift_m / IN - truth)[inside]))
    return away, [area(m.lift_m / IN) for m in result.members], area(truth)


# Opening powers, closing powers, length of either flank (cam deg).
KNOWN = [
    ((2, 4, 6, 8), (2, 4, 6, 8), 64.0, 70.0),
    ((2, 4, 5, 6), (2, 4, 5, 6), 60.0, 72.0),
    ((2, 4, 6, 8), (2, 6, 8, 10), 64.0, 70.0),
    ((2, 6, 10, 14), (2, 4, 6, 8), 64.0, 70.0),
    ((2, 8, 14, 20), (2, 6, 10, 14), 70.0, 66.0),
]


@pytest.mark.parametrize("quoted", LIFTS)
@pytest.mark.parametrize("known", KNOWN)
def test_band_encloses_a_known_unlike_lobe(
    known: tuple[tuple[int, ...], tuple[int, ...], float, float], quoted: str
) -> None:
    """Polynomials (as in test_lobe_card.py) with unlike flanks: peak deceleration (to 0.1 %, the grid) and area of
    the truth lie inside the band, and the band still says something."""
    lifts, seat, top = LIFTS[quoted]
    opening, closing = (Known(p, top, flank_deg=f) for p, f in zip(known[:2], known[2:], strict=True))
    the_card = card_of(opening, closing, lifts)
    result = solved(the_card, seat)
    middle, low, high = result.band(peak_deceleration)
    truth = max(opening.peak, closing.peak)
    assert low <= truth * 1.001
    assert high >= truth * 0.999
    assert high / low < 2.1
    _, areas, true_area = compared(result, the_card, opening, closing)
    assert min(areas) <= true_area <= max(areas)
    assert middle == pytest.approx(truth, rel=0.15)


@pytest.mark.parametrize(
    "known",
    [*KNOWN, ((3, 4, 5), (4, 5, 6, 7), 64.0, 70.0), ((3, 4, 5), (4, 5, 6, 7), 68.0, 72.0)],
)
def test_seven_lifts_give_an_unlike_lobe_back(
    known: tuple[tuple[int, ...], tuple[int, ...], float, float],
) -> None:
    """Nominal within 0.003 in of the truth everywhere; peak and area inside the band.

    3-4-5 and 4-5-6-7 (Norton, Design of Machinery, ch. 8, from memory) come to rest at the nose without
    acceleration, which no valve cam does: the hardest case (measured 0.0027 in; others 0.0018 or less).
    """
    opening, closing = (Known(p, 0.006, flank_deg=f) for p, f in zip(known[:2], known[2:], strict=True))
    the_card = card_of(opening, closing, SEVEN)
    result = solved(the_card)
    away, areas, true_area = compared(result, the_card, opening, closing)
    assert away < 0.003
    _, low, high = result.band(peak_deceleration)
    assert low <= max(opening.peak, closing.peak) <= high
    assert min(areas) <= true_area <= max(areas)


def test_three_lifts_do_not_enclose_a_nose_at_rest() -> None:
    """A known limit, kept in sight: 3-4-5 and 4-5-6-7 flanks dwell at the nose, and three lifts say nothing of
    that; the truth's area then lies above the band, by less than 1 %."""
    opening, closing = Known((3, 4, 5), 0.006, flank_deg=64.0), Known((4, 5, 6, 7), 0.006, flank_deg=70.0)
    the_card = card_of(opening, closing, THREE)
    _, areas, true_area = compared(solved(the_card), the_card, opening, closing)
    assert max(areas) < true_area < 1.01 * max(areas)


@pytest.mark.parametrize("alphas", [(66.0, 66.0), (66.0, 72.0), (70.0, 66.0)])
@pytest.mark.parametrize("lifts", [THREE, SEVEN])
def test_band_encloses_circular_arcs_bevan_9_5(alphas: tuple[float, float], lifts: tuple[float, ...]) -> None:
    """Circular-arc flanks and nose, shaped as in T. Bevan, The Theory of Machines, 3rd ed., ex. 9-5, p. 300 (seen),
    with ramps: nose deceleration Rb + L - nose radius and area inside, lift within 0.003 in from either card."""
    opening, closing = Arcs(alphas[0]), Arcs(alphas[1])
    the_card = card_of(opening, closing, lifts)
    result = solved(the_card)
    _, low, high = result.band(peak_deceleration)
    assert low <= opening.peak <= high
    away, areas, true_area = compared(result, the_card, opening, closing)
    assert min(areas) <= true_area <= max(areas)
    assert away < (0.001 if lifts == SEVEN else 0.0035)


@pytest.mark.parametrize("known", [KNOWN[0], KNOWN[2], KNOWN[3]])
def test_card_rounded_to_half_a_degree(known: tuple[tuple[int, ...], tuple[int, ...], float, float]) -> None:
    """As read off a table of measured lifts: either side rounded to half a crank degree (up to 0.0008 in of lift
    on the steepest flank). Still within 0.003 in, peak and area inside."""
    opening, closing = (Known(p, 0.006, flank_deg=f) for p, f in zip(known[:2], known[2:], strict=True))
    the_card = card_of(opening, closing, SEVEN, to_deg=0.5)
    result = solved(the_card)
    away, areas, true_area = compared(result, the_card, opening, closing)
    assert away < 0.003
    _, low, high = result.band(peak_deceleration)
    assert low <= max(opening.peak, closing.peak) <= high
    assert min(areas) <= true_area <= max(areas)


# ------------------------------------------------------------------------------------------ how it is built

UNLIKE = Card(
    lobe_lift_m=0.285 * IN,
    points=tuple(
        CardPoint(at_m=at * IN, duration_rad=(o + c) * DEG, opening_rad=o * DEG)
        for at, o, c in ((0.006, 128, 140), (0.050, 104, 113), (0.200, 56, 62))
    ),
)


def mirrored(the_card: Card) -> Card:
    points = tuple(replace(p, opening_rad=p.duration_rad - (p.opening_rad or 0.0)) for p in the_card.points)
    return replace(the_card, points=points, opening_ramp=the_card.closing_ramp, closing_ramp=the_card.opening_ramp)


@pytest.mark.parametrize("limits", [FACE, WHEEL])
def test_each_side_meets_its_own_points(limits: ramp.Limits) -> None:
    """Every member passes every quoted point on either side to 1e-6 in, and is one smooth curve over the nose."""
    result = lobe_from_card(UNLIKE, limits, base_radius_m=BASE, ramp=RAMP, seat_m=0.006 * IN, **CARD)
    assert len(result.members) == 7
    for lobe in result.members:
        theta = lobe.theta_cam_rad
        for side, sign, which in (("opening", -1.0, 0), ("closing", 1.0, 1)):
            for at_m, crank_rad in UNLIKE.flank_crank_rad(side):
                angle = lobe.crossings_cam_rad(at_m)[which]
                slope = abs(np.interp(angle, theta, lobe.velocity_m_per_rad))
                assert abs(angle - sign * crank_rad / 2.0) * slope < 1e-6 * IN
        nose = theta.size // 2
        assert theta[nose] == 0.0
        assert lobe.lift_m[nose] == lobe.lift_m.max() == pytest.approx(UNLIKE.lobe_lift_m, abs=1e-7 * IN)
        assert abs(lobe.velocity_m_per_rad[nose]) < 1e-6 * IN
        # One acceleration at the nose: what either flank's own cubic says there agrees.
        step = theta[1] - theta[0]
        bend = lobe.acceleration_m_per_rad2[nose - 2 : nose + 3]
        left, right = 2.0 * bend[1] - bend[0], 2.0 * bend[3] - bend[4]
        assert left == pytest.approx(right, abs=1e-5 * abs(bend[2]) + 1e-9)
        jump = np.abs(np.diff(lobe.acceleration_m_per_rad2[np.abs(theta) < 0.9 * result.ramp_top_cam_rad]))
        assert jump.max() <= 3.6 * max(result.least_jerk_m_per_rad3) * step


def test_equal_flanks_give_the_symmetric_lobe() -> None:
    """The two-flank program on a symmetric card: the symmetric program's lobe (1e-5 in) and band (0.1 %)."""
    plain = replace(UNLIKE, points=tuple(replace(p, opening_rad=None) for p in UNLIKE.points))
    assert plain.is_symmetric
    one = solved(plain)
    two = two_flanks(plain, WIDE, BASE, RAMP, 0.006 * IN, 1.2, 3.0).family()
    assert np.max(np.abs(one.nominal.lift_m - two.nominal.lift_m)) < 1e-5 * IN
    assert two.band(peak_deceleration) == pytest.approx(one.band(peak_deceleration), rel=1e-3)
    assert two.band(Lobe.lift_area_m_rad) == pytest.approx(one.band(Lobe.lift_area_m_rad), rel=1e-3)


def test_said_halves_change_nothing() -> None:
    """A card that divides its durations in equal halves is the symmetric card, to the last bit."""
    halves = replace(UNLIKE, points=tuple(replace(p, opening_rad=p.duration_rad / 2.0) for p in UNLIKE.points))
    plain = replace(UNLIKE, points=tuple(replace(p, opening_rad=None) for p in UNLIKE.points))
    assert np.array_equal(solved(halves).stack, solved(plain).stack)


def test_mirror_image() -> None:
    """A lobe run backwards: the mirrored nominal lobe (1e-5 in), and every extreme as extreme as before (1e-6)."""
    one, other = solved(UNLIKE), solved(mirrored(UNLIKE))
    assert np.max(np.abs(one.nominal.lift_m - other.nominal.lift_m[::-1])) < 1e-5 * IN
    assert one.ramp_top_cam_rad == pytest.approx(other.closing_ramp_top_cam_rad)
    nose = one.nominal.theta_cam_rad.size // 2

    def asked(family: CardLobe) -> list[float]:
        """What each program made as small or as large as it could (the rest of such a lobe is not unique)."""
        theta = family.nominal.theta_cam_rad
        inside = (theta > -family.ramp_top_cam_rad) & (theta < family.closing_ramp_top_cam_rad)
        bend = {name: lobe.acceleration_m_per_rad2 for name, lobe in family.extremes.items()}
        return [
            -bend["least peak deceleration"].min(),
            -bend["greatest nose deceleration"][nose],
            *(float(family.extremes[name].lift_m[inside].sum()) for name in ("greatest area", "least area")),
        ]

    assert asked(other) == pytest.approx(asked(one), rel=1e-6)


def test_asymmetry_at_one_lift_goes_for_all() -> None:
    """Divided at 0.050 in alone, the other durations divide in the same share (assumed, said in the card)."""
    points = tuple(p if k == 1 else replace(p, opening_rad=None) for k, p in enumerate(UNLIKE.points))
    the_card = replace(UNLIKE, points=points)
    share = 104.0 / 217.0
    assert [a / DEG for _, a in the_card.flank_crank_rad("opening")] == pytest.approx([268 * share, 104, 118 * share])
    assert solved(the_card).nominal.crossings_cam_rad(0.050 * IN)[0] == pytest.approx(-52 * DEG, abs=1e-5)


@given(st.lists(st.floats(0.46, 0.54), min_size=3, max_size=3))
@settings(max_examples=25, deadline=None)
def test_sides_add_up_to_the_duration(shares: list[float]) -> None:
    points = tuple(
        replace(p, opening_rad=p.duration_rad * share) for p, share in zip(UNLIKE.points, shares, strict=True)
    )
    the_card = replace(UNLIKE, points=points)
    sides = [the_card.flank_crank_rad(side) for side in ("opening", "closing")]
    for p, (_, o), (_, c) in zip(points, *sides, strict=True):
        assert o + c == pytest.approx(p.duration_rad)


def test_least_face_is_that_of_the_steeper_flank() -> None:
    """Mean value theorem on either flank: 0.150 in in 20 cam degrees asks for more face than in 23."""
    points = tuple(
        CardPoint(at_m=at * IN, duration_rad=(o + c) * DEG, opening_rad=o * DEG)
        for at, o, c in ((0.006, 140, 156), (0.050, 116, 130), (0.200, 76, 84))
    )
    the_card = Card(lobe_lift_m=0.340 * IN, points=points)
    ways = what_would_give(the_card, FACE, base_radius_m=BASE, ramp=RAMP, seat_m=0.006 * IN)
    face = next(way.value for way in ways if way.what == "face")
    assert face == pytest.approx(2.0 * (0.150 * IN / (20 * DEG) + FACE.edge_m), rel=1e-3)


# ---------------------------------------------------------------------------------------------------- ramps


def given_ramp(in_per_deg: float, low: float | None = None, high: float | None = None) -> CardRamp:
    return CardRamp(
        velocity_m_per_rad=in_per_deg * PER_DEG,
        low_m_per_rad=(low or in_per_deg) * PER_DEG,
        high_m_per_rad=(high or in_per_deg) * PER_DEG,
    )


def test_given_ramps_win_over_the_default() -> None:
    """Each side runs at its own velocity, nominal and extremes; a range, if given, is the extremes' to use."""
    the_card = replace(UNLIKE, opening_ramp=given_ramp(0.0008), closing_ramp=given_ramp(0.0004, 0.00035, 0.00045))
    result = solved(the_card)
    for k, lobe in enumerate(result.members):
        opening = np.interp(-result.ramp_top_cam_rad - 0.01, lobe.theta_cam_rad, lobe.velocity_m_per_rad)
        closing = -np.interp(result.closing_ramp_top_cam_rad + 0.01, lobe.theta_cam_rad, lobe.velocity_m_per_rad)
        assert opening == pytest.approx(0.0008 * PER_DEG, rel=1e-5)
        assert 0.00035 * (1 - 1e-5) <= closing / PER_DEG <= 0.00045 * (1 + 1e-5)
        if k == 0:
            assert closing == pytest.approx(0.0004 * PER_DEG, rel=1e-5)
        # Down to the base circle on either side, and the whole grid is there.
        assert lobe.lift_m[0] == lobe.lift_m[-1] == 0.0


def test_given_ramp_lift() -> None:
    """A solid card that says where its ramp ends: constant velocity up to there, not up to 1.05 times the lash."""
    plain = Card(
        lobe_lift_m=0.320 * IN,
        points=tuple(
            CardPoint(at_m=a * IN, duration_rad=d * DEG) for a, d in ((0.020, 262), (0.050, 234), (0.200, 140))
        ),
    )
    ramp = given_ramp(0.0006)
    the_card = replace(plain, ramp_lift_m=0.012 * IN, opening_ramp=ramp, closing_ramp=ramp)
    assert the_card.is_symmetric
    lobe = solved(the_card, 0.0147).nominal
    slope = np.interp(lobe.crossings_cam_rad(0.0115 * IN)[0], lobe.theta_cam_rad, lobe.velocity_m_per_rad)
    assert slope == pytest.approx(0.0006 * PER_DEG, rel=1e-5)
    top = lobe.lift_m[np.searchsorted(lobe.theta_cam_rad, -solved(the_card, 0.0147).ramp_top_cam_rad)]
    assert top == pytest.approx(0.012 * IN, abs=0.0002 * IN)
    with pytest.raises(NoSolution, match="steeper than the lobe between its two lowest"):
        solved(replace(the_card, opening_ramp=given_ramp(0.0058), closing_ramp=given_ramp(0.0058)), 0.0147)


# ------------------------------------------------------------------------------------------- cards and sheets


def bad(**changes: object) -> Card:
    return replace(UNLIKE, **changes)  # type: ignore[arg-type]


def test_what_a_card_refuses() -> None:
    crossed = (UNLIKE.points[0], replace(UNLIKE.points[1], opening_rad=130 * DEG), UNLIKE.points[2])
    with pytest.raises(OutOfRange, match=r"on the opening side 0.050 in \(1.27 mm\) lies 130.0 deg from the greatest"):
        bad(points=crossed)
    none_left = (*UNLIKE.points[:-1], replace(UNLIKE.points[-1], opening_rad=100 * DEG, duration_rad=99 * DEG))
    with pytest.raises(OutOfRange, match=r"at 0.200 in \(5.08 mm\) is 1.01 of its .* either side of the greatest lift"):
        bad(points=none_left)
    with pytest.raises(OutOfRange, match=r"the ramp ends at 0.0100 in \(0.254 mm\); .* lowest quoted lift, 0.006 in"):
        bad(ramp_lift_m=0.010 * IN)
    with pytest.raises(OutOfRange, match="needs durations at two lifts"):
        bad(ramp_lift_m=0.004 * IN, points=UNLIKE.points[:1])
    with pytest.raises(OutOfRange, match="between its own low and high"):
        given_ramp(0.0005, 0.0006, 0.0007)


OLD_LINE = '{ at = "0.050 in", duration = "210 deg" },'


def sheet(line: str, *more: str) -> str:
    """The starter sheet with its first candidate's 0.050 in line, and lines of its card, replaced."""
    text = starter_sheet().replace(OLD_LINE, line, 1)
    return text.replace('lobe_lift = "0.285 in"', "\n".join(('lobe_lift = "0.285 in"', *more)), 1)


@pytest.mark.parametrize(
    "line",
    [
        '{ at = "0.050 in", opening = "101 deg", closing = "109 deg" },',
        '{ at = "0.050 in", duration = "210 deg", opening = "101 deg" },',
        '{ at = "0.050 in", duration = "210 deg", closing = "109 deg" },',
    ],
)
def test_sheet_reads_the_two_sides(line: str) -> None:
    build = build_from_text(sheet(line))
    point = build.candidates[0].intake.points[1]
    assert point.duration_rad == pytest.approx(210 * DEG)
    assert point.opening_rad == pytest.approx(101 * DEG)
    assert not build.candidates[0].intake.is_symmetric
    assert build.candidates[1].intake.is_symmetric
    # exhaust = "same as intake" takes the sides along
    assert build.candidates[0].exhaust.points == build.candidates[0].intake.points


def test_sheet_reads_ramps() -> None:
    build = build_from_text(
        sheet(
            OLD_LINE,
            'ramp_velocity = { value = "0.0006 in/deg", pm = "0.0001 in/deg" }',
            'closing_ramp_velocity = "0.0004 in/deg"',
            'ramp_lift = "0.005 in"',
        )
    )
    card = build.candidates[0].intake
    ramp = card.opening_ramp
    assert ramp is not None
    assert (ramp.velocity_m_per_rad, ramp.low_m_per_rad, ramp.high_m_per_rad) == pytest.approx(
        (0.0006 * PER_DEG, 0.0005 * PER_DEG, 0.0007 * PER_DEG)
    )
    assert card.closing_ramp is not None
    assert card.closing_ramp.low_m_per_rad == card.closing_ramp.high_m_per_rad == pytest.approx(0.0004 * PER_DEG)
    assert card.ramp_lift_m == pytest.approx(0.005 * IN)
    assert build.data["candidates.h-flat.intake.ramp_velocity"].origin == "card"
    plain = build_from_text(sheet(OLD_LINE, 'ramp_velocity = "0.0006 in/deg"')).candidates[0].intake
    assert plain.is_symmetric and plain.opening_ramp == plain.closing_ramp is not None


def test_sheet_converts_ramps_quoted_at_the_valve() -> None:
    build = build_from_text(
        sheet(OLD_LINE, 'quoted_at = "valve"', 'ramp_velocity = "0.0009 in/deg"', 'ramp_lift = "0.006 in"')
    )
    card = build.candidates[0].intake
    assert card.ramp_lift_m == pytest.approx(0.004 * IN)  # rocker ratio 1.5
    assert card.opening_ramp is not None and card.opening_ramp.velocity_m_per_rad == pytest.approx(0.0006 * PER_DEG)
    assert "rocker ratio of 1.5" in build.data["candidates.h-flat.intake.ramp_velocity"].note


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('{ at = "0.050 in", opening = "101 deg" },', "has opening alone; add duration or the other side"),
        (
            '{ at = "0.050 in", duration = "210 deg", opening = "101 deg", closing = "109 deg" },',
            "keep two of the three",
        ),
        ('{ at = "0.050 in" },', "is missing; it is the duration there, crank degrees"),
        (
            '{ at = "0.050 in", duration = "210 deg", opening = "205 deg" },',
            "is 0.98 of its duration",
        ),
        ('{ at = "0.050 in", duration = "210 deg", openning = "101 deg" },', "did you mean 'opening'"),
    ],
)
def test_sheet_refuses(line: str, message: str) -> None:
    with pytest.raises(BuildError, match=message):
        build_from_text(sheet(line))
