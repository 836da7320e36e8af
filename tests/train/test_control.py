"""Whether a train is under control at a speed: cycles, step and start, an independent integrator, pump-up, tongues,
neighbouring cards.

Sources are named beside each check.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from pathlib import Path

import numpy as np
import pytest

import dynamics_references as references
from lobeledger import read_build
from lobeledger.assess.lobes import candidate_lobe, follower_limits, ramp_of, ramp_room_m
from lobeledger.errors import OutOfRange
from lobeledger.lobe.card import lobe_from_card
from lobeledger.lobe.lift import Lobe
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.train import rigid
from lobeledger.train.control import (
    NEIGHBOUR_RPM,
    Allowed,
    Control,
    allowed_by,
    control_at,
    useful_limit,
    weakest,
    weakest_rung,
)
from lobeledger.train.elastic import Train, opening_cam_rad
from lobeledger.train.motion import run
from lobeledger.train.of_candidate import train_of

ALLOWED = Allowed(1.0e-4, 2.5e-4, 2.5e-4)
INCH, DEG = 0.0254, math.pi / 180.0


@functools.cache
def build(name: str) -> Build:
    return read_build(Path(__file__).parents[2] / "data" / "builds" / f"{name}.toml")


@functools.cache
def shipped(name: str, candidate: str, which: str) -> tuple[Train, Lobe]:
    b = build(name)
    c = b.candidate(candidate)
    return train_of(c, which, b.model, b.engine.exhaust_valve_m), candidate_lobe(b, c, which).nominal


SOLID = [("weekend-racer", "s-flat", "exhaust"), ("budget-cruiser", "s-roller", "intake")]
HYDRAULIC = [("weekend-racer", "h-roller", "intake"), ("budget-cruiser", "h-flat", "exhaust")]


def use_of(cycles) -> float:
    """The solid rule, written here from what a run tells."""
    last = cycles[-2:]
    return max(*(p.greatest_gap_m / ALLOWED.gap_m for p in last), *(p.seat_bounce_m / ALLOWED.bounce_m for p in last))


# ------------------------------------------------------------------------------------------------- what is measured


def test_thresholds_come_from_the_sheet():
    model = build("budget-cruiser").model
    assert allowed_by(model) == ALLOWED
    wider = dataclasses.replace(model, separation_allowed_m=2e-4)
    assert allowed_by(wider).gap_m == 2e-4
    with pytest.raises(OutOfRange, match="gap_m is 0"):
        Allowed(0.0, 1e-4, 1e-4)


@pytest.mark.parametrize("case", SOLID)
def test_four_cycles_say_what_sixteen_do(case):
    """Same answer at every speed of a ladder, and the same use within 5 % where it matters, below 1.2."""
    train, lobe = shipped(*case)
    train = dataclasses.replace(train, gas_n=0.0)
    for rpm in np.arange(5600.0, 7400.0, 300.0):
        got = control_at(train, lobe, rpm, ALLOWED)
        long = [use_of(run(train, lobe, r, cycles=16, samples=0).cycles) for r in (rpm, rpm - NEIGHBOUR_RPM)]
        expected = long[0] if long[0] <= 1.0 else min(long)
        assert got.holds == (expected <= 1.0)
        if expected < 1.2:
            assert got.use == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("case", SOLID)
def test_spread_with_step_and_start(case):
    """What is measured hardly depends on how it was marched: steps of 1e-5 to 1e-9, starts from runs at other speeds.

    The spread over all of them stays within 12 % of the threshold while use is below 1.2 (measured over five solid
    trains of the shipped builds, 5,600 to 8,200 rpm: half of them within 1.5 %, the worst 10 %). Beyond a use of 3 the
    motion repeats itself no more and its figures mean nothing but that control is lost.
    """
    train, lobe = shipped(*case)
    seen = 0
    for rpm in np.arange(5700.0, 7300.0, 400.0):
        uses = [use_of(run(train, lobe, rpm, cycles=4, samples=0, tolerance=t).cycles) for t in (1e-5, 1e-6, 1e-9)]
        for other in (rpm - 150.0, rpm + 60.0):
            state = run(train, lobe, other, cycles=3, samples=0, tolerance=1e-6).state
            uses.append(use_of(run(train, lobe, rpm, cycles=4, samples=0, tolerance=1e-6, start=state).cycles))
        if uses[1] < 1.2:
            seen += 1
            assert max(uses) - min(uses) < 0.12
    assert seen >= 2


@pytest.mark.parametrize(
    ("case", "rpm"),
    [
        (("weekend-racer", "s-flat", "exhaust"), 7750.0),
        (("budget-cruiser", "s-roller", "intake"), 7000.0),
        (("budget-cruiser", "s-flat", "intake"), 7000.0),
    ],
)
def test_first_event_is_an_independent_integrators(case, rpm):
    """scipy's DOP853 stopped at every contact (tests/dynamics_references.py): where the lifter leaves (within the
    quarter degree in which its damper lets go before the surfaces part), where it lands (0.1 deg), how far it goes
    (1 %); with gas and dry friction in it."""
    train, lobe = shipped(*case)
    assert train.stem_friction_n > 0.0 and (train.gas_n > 0.0) == (case[2] == "exhaust")
    expected = references.first_event(train, lobe, rpm)
    assert expected.gap_m > 2e-5
    got = run(train, lobe, rpm, cycles=1, samples=7200, tolerance=1e-6)
    open_ = got.valve_lift_m[0] > 2.0 * train.seat_load_n / train.seat_stiffness_n_per_m
    apart = np.flatnonzero((got.contact_n[0] <= 0.0) & open_)
    leaves = apart[0]
    lands = leaves + int(np.argmax(got.contact_n[0][leaves:] > 0.0))
    assert -0.3 < math.degrees(got.theta_cam_rad[leaves] - expected.leaves_rad) < 0.1
    assert math.degrees(got.theta_cam_rad[lands]) == pytest.approx(math.degrees(expected.lands_rad), abs=0.1)
    assert got.last.greatest_gap_m == pytest.approx(expected.greatest_gap_m, rel=0.01)


# ---------------------------------------------------------------------------------------------------------- pump-up


@pytest.mark.parametrize("case", HYDRAULIC)
def test_pump_up_in_chunks_is_forty_cycles_in_one_go(case):
    """A run of 40 cycles, its column judged at the end: the same answer at every speed, for fewer cycles."""
    train, lobe = shipped(*case)
    answers, cycles = [], 0
    for rpm in np.arange(4800.0, 7000.0, 200.0):
        got = control_at(train, lobe, rpm, ALLOWED)
        columns = [
            p.column_m for p in run(dataclasses.replace(train, gas_n=0.0), lobe, rpm, cycles=40, samples=0).cycles
        ]
        assert got.holds == (max(columns) <= ALLOWED.column_m)
        assert got.ruled == "pump-up"
        answers.append(got.holds)
        cycles += got.cycles
    assert answers[0] and not answers[-1]
    assert cycles < 20 * len(answers)


def test_gas_only_helps_a_hydraulic_train():
    """Why only the shut throttle is run for one: gas presses its oil down."""
    train, lobe = shipped("budget-cruiser", "h-flat", "exhaust")
    assert train.gas_n > 0.0
    for rpm in (5800.0, 6100.0, 6400.0):
        with_gas = max(p.column_m for p in run(train, lobe, rpm, cycles=20, samples=0).cycles)
        without = max(
            p.column_m for p in run(dataclasses.replace(train, gas_n=0.0), lobe, rpm, cycles=20, samples=0).cycles
        )
        assert with_gas <= without + 2e-6


def test_a_lifter_that_cannot_pump_is_judged_as_solid():
    """Set to next to no preload, its clip stops the plunger before it has risen by what is allowed."""
    train, lobe = shipped("weekend-racer", "h-roller", "intake")
    stopped = dataclasses.replace(train, oil=dataclasses.replace(train.oil, travel_up_m=5e-5))
    got = control_at(stopped, lobe, 7500.0, ALLOWED)
    assert got.ruled in ("separation", "seat bounce")
    assert control_at(train, lobe, 7500.0, ALLOWED).ruled == "pump-up"


# ------------------------------------------------------------------------------------------------- gas and friction


def held_open(height_m: float) -> Lobe:
    theta = np.linspace(-math.pi, math.pi, 5)
    return Lobe(theta, np.full(5, height_m), np.zeros(5), np.zeros(5))


def test_gas_adds_to_the_rockers_load_and_goes_by_the_square():
    """At a crawl the rocker's tip carries springs and gas: statics, worked here."""
    train, lobe = shipped("budget-cruiser", "s-flat", "exhaust")
    plain = dataclasses.replace(train, gas_n=0.0, stem_friction_n=0.0)
    loaded = dataclasses.replace(plain, gas_n=500.0)
    a, b = (run(t, lobe, 150.0, cycles=1, samples=7200) for t in (plain, loaded))
    opens = opening_cam_rad(loaded, lobe)
    for past in (0.2, 0.5, 0.8, 1.3):
        at = int(np.argmin(np.abs(a.theta_cam_rad - opens - past * train.gas_span_cam_rad)))
        expected = 500.0 * max(1.0 - past, 0.0) ** 2
        window = slice(at - 12, at + 13)  # the train rings a little
        more = (b.rocker_tip_n[0] - a.rocker_tip_n[0])[window].mean()
        # springs press a little less, since the loaded valve lifts a little less
        assert more == pytest.approx(expected, abs=6.0)


def test_friction_holds_back_both_ways():
    """At a crawl the tip presses harder on the way up than on the way down at the same lift: by twice the friction."""
    train, lobe = shipped("budget-cruiser", "s-flat", "intake")
    train = dataclasses.replace(train, stem_friction_n=25.0)
    got = run(train, lobe, 300.0, cycles=1, samples=7200)
    lift, tip, speed = got.valve_lift_m[0], got.rocker_tip_n[0], got.valve_speed_m_per_s[0]
    nose = int(np.argmax(lift))
    for height in (0.003, 0.005, 0.007):
        up, down = int(np.argmax(lift > height)), nose + int(np.argmax(lift[nose:] < height))
        turned = [v / math.hypot(v, 0.05) for v in (speed[up], speed[down])]
        pair = [tip[i - 20 : i + 21].mean() for i in (up, down)]
        assert pair[0] - pair[1] == pytest.approx(25.0 * (turned[0] - turned[1]), abs=5.0)


def test_static_give_is_what_the_pushrod_sees():
    """Raise a held cam until the valve leaves its seat: lash over ratio and the static give, within a few per cent.

    The seat's own give is left out of the figure; it is some hundredth of it.
    """
    train, _ = shipped("budget-cruiser", "s-flat", "intake")
    train = dataclasses.replace(train, stem_friction_n=0.0)
    expected = train.lash_m / train.ratio + train.static_give_m
    for share, opened in ((0.94, False), (1.06, True)):
        got = run(train, held_open(expected * share), 600.0, cycles=6, samples=50)
        lift = got.valve_lift_m[-1].mean() - train.seat_load_n / train.seat_stiffness_n_per_m
        assert (lift > 0.0) == opened


# ---------------------------------------------------------------------------------------------------- useful limit


def test_a_tongue_below_ends_the_walk(monkeypatch):
    """A train that fails between 5,030 and 5,170 rpm and holds again above: the limit lies below the tongue."""
    train, lobe = shipped(*SOLID[0])

    def at(train, lobe, crank_rpm, allowed):
        bad = 5030.0 < crank_rpm < 5170.0 or crank_rpm > 6000.0
        return Control(crank_rpm, 2.0 if bad else 0.5, "separation", 1e-4, 4)

    monkeypatch.setattr("lobeledger.train.control.control_at", at)
    found = useful_limit(train, lobe, ALLOWED, low_rpm=4000.0, high_rpm=9000.0)
    assert 5020.0 <= found.crank_rpm <= 5030.0 and not found.fails.holds
    assert found.cycles >= 4 * 12
    narrow = useful_limit(train, lobe, ALLOWED, low_rpm=5200.0, high_rpm=9000.0)
    assert 5990.0 <= narrow.crank_rpm <= 6000.0
    assert useful_limit(train, lobe, ALLOWED, low_rpm=5200.0, high_rpm=5900.0).crank_rpm == math.inf
    assert useful_limit(train, lobe, ALLOWED, low_rpm=6100.0, high_rpm=7000.0).crank_rpm == 0.0


def test_useful_limit_holds_below_and_fails_above():
    train, lobe = shipped(*SOLID[1])
    found = useful_limit(train, lobe, ALLOWED, low_rpm=4000.0, high_rpm=12000.0)
    assert control_at(train, lobe, found.crank_rpm, ALLOWED).holds
    assert 0.0 < found.fails.crank_rpm + NEIGHBOUR_RPM - found.crank_rpm and found.fails.use > 1.0
    with pytest.raises(OutOfRange, match="no ladder"):
        useful_limit(train, lobe, ALLOWED, low_rpm=4000.0, high_rpm=3000.0)


def test_weakest_rung_is_the_ladders_worst():
    """Against every rung tried one by one."""
    train, lobe = shipped(*SOLID[0])
    tried = [control_at(train, lobe, rpm, ALLOWED) for rpm in (5500.0, 5600.0, 5700.0, 5800.0)]
    got = weakest_rung(train, lobe, ALLOWED, low_rpm=5450.0, below_rpm=5900.0)
    assert got == weakest(tried)
    with pytest.raises(OutOfRange, match="no rung"):
        weakest_rung(train, lobe, ALLOWED, low_rpm=5410.0, below_rpm=5490.0)


def test_weakest_is_the_worse_valve():
    pair = [Control(5000.0, 0.3, "separation", 3e-5, 4), Control(5000.0, 1.2, "seat bounce", 3e-4, 8)]
    assert weakest(pair) == Control(5000.0, 1.2, "seat bounce", 3e-4, 12)


# ----------------------------------------------------------------------------------------------- neighbouring cards


def neighbour(candidate: Candidate, longer_rad: float, higher_m: float) -> Candidate:
    """The candidate with its intake's lowest duration and lift moved."""
    card = candidate.intake
    low = dataclasses.replace(card.points[0], duration_rad=card.points[0].duration_rad + longer_rad)
    moved = dataclasses.replace(card, lobe_lift_m=card.lobe_lift_m + higher_m, points=(low, *card.points[1:]))
    return dataclasses.replace(candidate, intake=moved)


def limits_of(b: Build, c: Candidate) -> dict[str, tuple[float, float, float]]:
    """Nominal, low and high of the intake's limits: over the card's lobes and the ends of ramp velocity."""
    train, ramp = train_of(c, "intake", b.model, b.engine.exhaust_valve_m), ramp_of(b.model, c.lifter)
    lobes = []
    for v in (ramp.velocity_m_per_rad, ramp.low_m_per_rad, ramp.high_m_per_rad):
        made = lobe_from_card(
            c.intake, follower_limits(c, b.model, b.limits.pressure_angle_rad),
            base_radius_m=c.valvetrain.base_circle_radius_m, ramp=dataclasses.replace(ramp, velocity_m_per_rad=v),
            seat_m=ramp_room_m(c, "intake", b.model),
            jerk_allowance=b.model.jerk_allowance, shape_allowance=b.model.shape_allowance,
        )  # fmt: skip
        lobes += made.members if v == ramp.velocity_m_per_rad else [made.nominal]
    useful = [useful_limit(train, lobe, ALLOWED, low_rpm=3500.0, high_rpm=12000.0).crank_rpm for lobe in lobes]
    stiff = [
        float(
            rigid.rigid_limit_rpm(
                lobe.lift_m, lobe.acceleration_m_per_rad2, moving_mass_kg=train.rigid_mass_at_lifter_kg,
                ratio=train.ratio, seat_load_n=train.seat_load_n, rate_n_per_m=train.rate_n_per_m, lash_m=train.lash_m,
            ).crank_rpm
        )
        for lobe in lobes
    ]  # fmt: skip
    s = c.springs
    clear = s.installed_height_m - s.coil_bind_m - train.ratio * c.intake.lobe_lift_m + train.lash_m
    return {
        "useful": (useful[0], min(useful), max(useful)),
        "rigid": (stiff[0], min(stiff), max(stiff)),
        "coil bind": (clear, clear - 0.02 * INCH, clear + 0.02 * INCH),  # springs are measured to 0.010 in each
    }


@pytest.mark.parametrize(("name", "candidate"), [("weekend-racer", "s-flat"), ("budget-cruiser", "h-roller")])
def test_neighbouring_cards_differ_by_no_more_than_their_bands(name, candidate):
    """A walk over cards 2 degrees and 0.005 in apart: no limit's step is wider than the two bands that meet there.

    The first loss of contact goes from 4,237 to 6,034 rpm in one such step, and took a candidate from out to in.
    """
    b = build(name)
    start = b.candidate(candidate)
    walk = [(-2.0, 0.0), (0.0, 0.0), (2.0, 0.0), (2.0, 0.005)]
    found = [limits_of(b, neighbour(start, d * DEG, lift * INCH)) for d, lift in walk]
    for one, other in zip(found, found[1:], strict=False):
        for limit, (value, low, high) in one.items():
            there, its_low, its_high = other[limit]
            # a band reaches from the lower of the two values up, or from the upper one down
            down, up = (value - low, its_high - there) if value > there else (high - value, there - its_low)
            assert abs(value - there) <= down + up, (limit, one[limit], other[limit])
