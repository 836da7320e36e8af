"""Hollow flanks held to a grinding wheel: the bound itself, cards within and beyond the wheel, no cliff between.

Sources are named beside each check.
"""

from __future__ import annotations

import functools
import math
from dataclasses import replace

import numpy as np
import pytest
import sympy

from library_defaults import CARD
from lobeledger.errors import OutOfRange
from lobeledger.lobe.card import lobe_from_card, smoothest_lobe
from lobeledger.lobe.flank import CardLobe
from lobeledger.lobe.outline import grinding, roller_profile
from lobeledger.lobe.ramp import Ramp, RollerLimits
from test_lobe_card import BASE, CASES, DEG, FACE, IN, PER_DEG, RAMP, WHEEL, card

GENTLE = card(0.340, (0.006, 276), (0.050, 224), (0.200, 142))
# A solid roller's: 30 crank degrees from 0.020 to 0.050 in.
SHARP = card(0.410, (0.020, 286), (0.050, 256), (0.200, 178))
RISING = Ramp(0.0012 * PER_DEG, 0.0009 * PER_DEG, 0.0018 * PER_DEG, is_rising=True)


@functools.cache
def solved(the_card, wheel_m: float, seat_in: float, ramp: Ramp = RISING) -> CardLobe:
    limits = replace(WHEEL, grinder_radius_m=wheel_m)
    return lobe_from_card(the_card, limits, base_radius_m=BASE, ramp=ramp, seat_m=seat_in * IN, **CARD)


def hollow_m(lobe) -> float:
    profile = roller_profile(lobe, base_radius_m=BASE, roller_radius_m=WHEEL.wheel_radius_m)
    return float(grinding(profile).hollow_radius_m)


def test_bound_is_the_curvature_of_a_curve_in_polar_form_and_convex():
    """kappa of (P cos a, P sin a), P = P(a), by sympy from the parametric formula; s'' at kappa = -1/R is the bound;
    its Hessian in (P, s') is positive definite on a grid. Source: any calculus text, curvature of a plane curve."""
    a, p, v, radius = sympy.symbols("a p v R", positive=True)
    bend = sympy.symbols("b", real=True)
    f = sympy.Function("f")(a)
    x, y = f * sympy.cos(a), f * sympy.sin(a)
    dx, dy = sympy.diff(x, a), sympy.diff(y, a)
    kappa = (dx * sympy.diff(dy, a) - dy * sympy.diff(dx, a)) / (dx**2 + dy**2) ** sympy.Rational(3, 2)
    kappa = kappa.subs(sympy.Derivative(f, (a, 2)), bend).subs(sympy.Derivative(f, a), v).subs(f, p)
    at = sympy.solve(sympy.Eq(sympy.simplify(kappa), -1 / radius), bend)[0]
    bound = p + 2 * v**2 / p + (p**2 + v**2) ** sympy.Rational(3, 2) / (p * radius)
    assert sympy.simplify(at - bound) == 0
    hessian = sympy.lambdify((p, v, radius), sympy.hessian(bound, (p, v)))
    for each in (0.015, 0.03):
        for slope in (0.0, 0.008, 0.02):
            assert np.all(np.linalg.eigvalsh(np.array(hessian(each, slope, 0.09), float)) > 0.0)


@pytest.mark.parametrize("wheel_m", [0.08, 0.1, 0.11])
def test_no_member_is_hollower_than_the_wheel(wheel_m):
    """Read off the outline (`outline.grinding`), which knows nothing of the program; half a per cent for its grid."""
    lobes = solved(GENTLE, wheel_m, 0.006)
    assert lobes.grinding_radius_m == pytest.approx(wheel_m)
    found = [hollow_m(lobe) for lobe in lobes.members]
    assert min(found) > 0.995 * wheel_m
    # and the bound is not kept by staying far from it
    assert min(found) < 1.02 * wheel_m


def test_without_a_wheel_the_same_card_is_hollower():
    assert hollow_m(solved(GENTLE, math.inf, 0.006).nominal) < 0.08
    assert solved(GENTLE, math.inf, 0.006).grinding_radius_m == math.inf


def test_a_card_beyond_the_wheel_is_cut_with_the_largest_that_does():
    """None of its lobes asks for less than the wheel it says, and a wheel of that size asked for outright is met."""
    lobes = solved(SHARP, 0.1, 0.0150, RAMP)
    wheel_m = lobes.grinding_radius_m
    assert 0.02 < wheel_m < 0.09
    found = [hollow_m(lobe) for lobe in lobes.members]
    assert min(found) > 0.99 * wheel_m and min(found) < 1.05 * wheel_m
    again = solved(SHARP, wheel_m * 0.95, 0.0150, RAMP)
    assert again.grinding_radius_m == pytest.approx(wheel_m * 0.95)


def test_nothing_jumps_where_a_card_leaves_the_wheel():
    """The rise a crank degree at a time across the edge: the wheel and the lobe move by little each time."""
    wheels, lifts = [], []
    for duration in np.arange(255.0, 262.0, 1.0):
        one = card(0.340, (0.006, duration + 49), (0.050, duration), (0.200, 142 + duration - 224))
        lobes = solved(one, 0.1, 0.006)
        wheels.append(lobes.grinding_radius_m)
        lifts.append(lobes.nominal.greatest_lift_m)
    steps = np.abs(np.diff(wheels))
    assert steps.max() < 0.012
    assert np.ptp(lifts) < 1e-9


def test_flat_lobes_are_left_alone_and_a_wheel_must_be_larger_than_the_rollers():
    case = CASES["hydraulic flat"]
    one = smoothest_lobe(case.card, FACE, base_radius_m=BASE, ramp=RAMP, seat_m=0.006 * IN, **CARD)
    assert np.array_equal(
        one.lift_m,
        lobe_from_card(case.card, FACE, base_radius_m=BASE, ramp=RAMP, seat_m=0.006 * IN, **CARD).nominal.lift_m,
    )
    with pytest.raises(OutOfRange, match="larger than the follower's wheel"):
        RollerLimits(0.0095, 30 * DEG, 0.0015, 0.009)
