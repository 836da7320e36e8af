"""Families of lobes to draw from: weights, one draw for both cams, what holds for every draw, further ranges."""

from __future__ import annotations

import functools
import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from library_defaults import CARD
from lobeledger.errors import OutOfRange
from lobeledger.lobe.card import lobe_from_card
from lobeledger.lobe.family import EXTREMES, UNIFORMS, LobeDraws, LobeFamily, family_from_card, lobe_draws
from lobeledger.lobe.flat import flat_cam_radius_m
from lobeledger.lobe.outline import grinding, roller_profile
from lobeledger.lobe.ramp import Ramp
from test_lobe_card import BASE, DEG, FACE, IN, PER_DEG, RAMP, WHEEL, card

RISING = Ramp(0.0012 * PER_DEG, 0.0009 * PER_DEG, 0.0018 * PER_DEG, is_rising=True)
GROUND = replace(WHEEL, grinder_radius_m=0.1)
CARDS = {
    "hydraulic flat": (card(0.325, (0.006, 294), (0.050, 244), (0.200, 150)), FACE, RISING, 0.006),
    "solid flat": (card(0.332, (0.020, 284), (0.050, 252), (0.200, 158)), FACE, RAMP, 0.0149),
    "hydraulic roller": (card(0.365, (0.006, 296), (0.050, 246), (0.200, 164)), GROUND, RISING, 0.006),
    "one duration": (card(0.365, (0.050, 246)), GROUND, RISING, 0.006),
}


@functools.cache
def family(name: str, tolerance_deg: float = 0.0, seats_in: tuple[float, float] | None = None) -> LobeFamily:
    the_card, limits, ramp, seat = CARDS[name]
    return family_from_card(
        the_card, limits, base_radius_m=BASE, ramp=ramp, seat_m=seat * IN, jerk_allowance=1.2, shape_allowance=3.0,
        lowest_tolerance_rad=tolerance_deg * DEG, seat_ends_m=seats_in and (seats_in[0] * IN, seats_in[1] * IN),
    )  # fmt: skip


def drawn(count: int, ramp: Ramp, seed: int = 1) -> LobeDraws:
    return lobe_draws(np.random.default_rng(seed).random((count, UNIFORMS)), ramp)


def at(place: float, s: float, e: int = 0, d: float = 0.0, h: float = 0.0) -> LobeDraws:
    shares = np.zeros((1, len(EXTREMES)))
    shares[0, e] = 1.0
    return LobeDraws(np.array([place]), np.array([s]), shares, np.array([d]), np.array([h]))


def test_draws_follow_their_laws():
    """Ramp and duration triangular, s triangular from 0, shares Dirichlet of ones (each Beta(1, 7)): Kolmogorov-Smirnov
    against scipy.stats at 20,000 draws, where a law off by 2 % of probability would fail."""
    ramp = Ramp(1.2, 0.9, 1.8)
    draws = drawn(20000, ramp)
    low, mid, high = ramp.low_m_per_rad, ramp.velocity_m_per_rad, ramp.high_m_per_rad
    velocity = mid + np.where(draws.ramp < 0, draws.ramp * (mid - low), draws.ramp * (high - mid))
    laws = (
        (velocity, stats.triang((mid - low) / (high - low), low, high - low)),
        (draws.s, stats.triang(0.0)),
        (draws.d, stats.triang(0.5, -1.0, 2.0)),
        (draws.h, stats.triang(0.5, -1.0, 2.0)),
        (draws.e[:, 3], stats.beta(1, len(EXTREMES) - 1)),
    )
    for values, law in laws:
        assert stats.kstest(values, law.cdf).statistic < 0.013
    assert np.allclose(draws.e.sum(axis=1), 1.0)


@pytest.mark.parametrize("name", CARDS)
def test_corners_are_the_members(name):
    """At a corner of the draw the lobe is the member itself: nominal, the two ramp ends, every extreme."""
    whole = family(name)
    nominal = whole.draw(at(0.0, 0.0))[0]
    inner = whole.card_lobe.nominal.lift_m
    side = (nominal.size - inner.size) // 2
    assert np.array_equal(nominal[side : nominal.size - side], inner)
    assert np.array_equal(whole.draw(at(-1.0, 0.0))[0], whole.stack[0, 0])
    assert np.array_equal(whole.draw(at(1.0, 0.0))[0], whole.stack[2, 0])
    for k, extreme in enumerate(whole.names):
        assert np.array_equal(whole.draw(at(0.3, 1.0, EXTREMES.index(extreme)))[0], whole.stack[3 + k, 0])


@pytest.mark.parametrize("name", CARDS)
def test_every_draw_meets_the_card(name):
    """The card's points are met by all draws but for what the ramp's end velocities leave to the grid (0.1 deg)."""
    the_card, _, ramp, _ = CARDS[name]
    whole = family(name)
    draws = drawn(40, ramp)
    for i in range(40):
        lobe = whole.lobe(draws, i)
        for point in the_card.points:
            assert lobe.duration_crank_rad(point.at_m) == pytest.approx(point.duration_rad, abs=0.1 * DEG)


def test_flat_draws_stay_on_the_face_and_off_the_cusp():
    """Linear limits hold for what is mixed: face travel and nose radius over 500 draws."""
    whole = family("solid flat")
    motion = whole.motion(drawn(500, RAMP))
    assert np.abs(motion[:, 1]).max() <= FACE.greatest_eccentricity_m * (1.0 + 1e-5)
    radius = flat_cam_radius_m(motion[:, 0], motion[:, 2], base_radius_m=BASE)
    assert radius.min() >= FACE.least_nose_radius_m * (1.0 - 1e-3)


def test_roller_draws_can_be_ground():
    """A mixture of lobes that a wheel can cut is cut by nearly that wheel: 3 %, over 60 draws, read off the outline."""
    whole = family("hydraulic roller")
    draws = drawn(60, RISING)

    def hollow_m(lobe) -> float:
        profile = roller_profile(lobe, base_radius_m=BASE, roller_radius_m=WHEEL.wheel_radius_m)
        return float(grinding(profile).hollow_radius_m)

    members = [hollow_m(whole.lobe(at(p, 0.0), 0)) for p in (-1.0, 0.0, 1.0)]
    members += [hollow_m(whole.lobe(at(0.0, 1.0, EXTREMES.index(name)), 0)) for name in whole.names]
    assert min(hollow_m(whole.lobe(draws, i)) for i in range(60)) > 0.97 * min(members)


def test_ramp_velocity_is_free_within_its_range():
    """Velocity at the lowest quoted lift of a hydraulic lobe, over the draws: from near its low to its high end."""
    whole = family("hydraulic flat")
    draws = drawn(400, RISING)
    motion = whole.motion(draws._replace(s=np.zeros(400)))
    found = (
        np.array([np.interp(0.006 * IN, m[0][: m.shape[1] // 2], m[1][: m.shape[1] // 2]) for m in motion]) / PER_DEG
    )
    assert found.min() < 0.00096 and found.max() > 0.00168
    assert np.all((found > 0.00088) & (found < 0.00183))


def test_tolerance_of_the_lowest_duration():
    """d = 1 lengthens the lowest duration by its tolerance and leaves the others; in proportion between."""
    the_card, _, _, _ = CARDS["solid flat"]
    whole = family("solid flat", 1.0)
    low, *others = the_card.points
    for d in (-1.0, -0.4, 0.0, 1.0):
        lobe = whole.lobe(at(0.0, 0.0, d=d), 0)
        assert lobe.duration_crank_rad(low.at_m) == pytest.approx(low.duration_rad + d * DEG, abs=0.05 * DEG)
        for point in others:
            assert lobe.duration_crank_rad(point.at_m) == pytest.approx(point.duration_rad, abs=0.05 * DEG)
    assert np.allclose(whole.weights(drawn(50, RAMP)).sum(axis=1), 1.0)


def test_height_of_the_ramp():
    """h = -1 and 1 are the smoothest lobes for the ends of the room; every draw still meets the card."""
    the_card, limits, ramp, _ = CARDS["solid flat"]
    whole = family("solid flat", 1.0, (0.0135, 0.0165))
    assert whole.moves == ("duration", "ramp height")
    for h, seat_in in ((-1.0, 0.0135), (1.0, 0.0165)):
        alone = lobe_from_card(the_card, limits, base_radius_m=BASE, ramp=ramp, seat_m=seat_in * IN, **CARD).nominal
        lift = whole.draw(at(0.0, 0.0, h=h))[0]
        side = (lift.size - alone.lift_m.size) // 2
        assert np.allclose(lift[side : lift.size - side], alone.lift_m, atol=1e-12)
    lobe = whole.lobe(at(0.2, 0.3, d=0.0, h=0.5), 0)
    for point in the_card.points:
        assert lobe.duration_crank_rad(point.at_m) == pytest.approx(point.duration_rad, abs=0.1 * DEG)


def test_one_draw_serves_both_cams():
    """Cams of different cards share place, s and shares by name: two families with the same extremes weigh alike."""
    one, other = family("hydraulic flat"), family("hydraulic roller")
    assert one.names == other.names
    draws = drawn(30, RISING)
    assert np.array_equal(one.weights(draws), other.weights(draws))
    alone = family("one duration")
    w = alone.weights(draws)
    assert w.shape == (30, 3 + len(alone.names)) and np.allclose(w.sum(axis=1), 1.0)
    # shares of the common extremes stand in the same proportion
    assert np.allclose(w[:, 3] / w[:, 4], one.weights(draws)[:, 3] / one.weights(draws)[:, 4])


def test_an_end_without_a_lobe_is_replaced_by_a_nearer_one():
    """A ramp too quick for the card's own rise at its high end: the family ends where lobes end."""
    the_card, limits, _, seat = CARDS["solid flat"]
    wild = Ramp(0.0005 * PER_DEG, 0.0003 * PER_DEG, 0.02 * PER_DEG)
    whole = family_from_card(
        the_card, limits, base_radius_m=BASE, ramp=wild, seat_m=seat * IN, jerk_allowance=1.2, shape_allowance=3.0
    )
    assert whole.ramp_ends[0] == 1.0 and whole.ramp_ends[1] < 1.0


def test_lifts_of_2000_draws_are_quick():
    """A product of two matrices: well under what making one lobe takes."""
    whole, draws = family("solid flat"), drawn(2000, RAMP)
    begun = time.process_time()
    lift = whole.draw(draws)
    assert lift.shape == (2000, whole.theta_cam_rad.size)
    assert time.process_time() - begun < 0.5


def test_impossible_draws_are_refused():
    whole = family("hydraulic flat")
    for bad in (at(1.2, 0.0), at(0.0, -0.1), at(0.0, 0.0, d=2.0)):
        with pytest.raises(OutOfRange, match="draw of a lobe"):
            whole.draw(bad)
    with pytest.raises(OutOfRange, match="uniforms have shape"):
        lobe_draws(np.zeros((3, 4)), RAMP)
    the_card, limits, ramp, seat = CARDS["hydraulic flat"]
    plain = lobe_from_card(the_card, limits, base_radius_m=BASE, ramp=ramp, seat_m=seat * IN, **CARD)
    assert np.array_equal(plain.nominal.lift_m, whole.card_lobe.nominal.lift_m)
