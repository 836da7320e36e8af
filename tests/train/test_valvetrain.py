"""Masses, springs, loads and the rigid limit against worked examples and mechanics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import eigvalsh_tridiagonal

from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.train import rigid as v
from motion_sources import circular_arc_cam, over_angle, simple_harmonic

IN, FT, LBF = 0.0254, 0.3048, 4.4482216152605  # exact

# --------------------------------------------------------------------------------------------------- springs


def test_spring_sadhu_singh_example_8_3() -> None:
    """Sadhu Singh, Machine Design-I, ex. 8.3, p. 229: 40 N, d 3 mm, C 6, 15 coils, G 84 GPa."""
    stress = v.helical_spring_stress_pa(40.0, wire_diameter_m=0.003, mean_diameter_m=0.018)
    assert stress / 1e6 == pytest.approx(85.05, abs=0.005)  # MPa, as printed
    rate = v.helical_spring_rate_n_per_m(
        wire_diameter_m=0.003, mean_diameter_m=0.018, active_coils=15.0, shear_modulus_pa=84e9
    )
    assert rate / 1e3 == pytest.approx(9.72, abs=0.005)  # N/mm, as printed
    assert v.wahl_factor(6.0) == pytest.approx(1.2525, abs=0.00005)


def test_spring_sadhu_singh_example_8_1() -> None:
    """Same book, ex. 8.1, p. 227: d 4.25, D 34 mm, 6.25 N/mm, G 84 GPa, 7800 kg/m3; K 1.184, n 13.9."""
    assert v.wahl_factor(8.0) == pytest.approx(1.184, abs=0.0005)
    coils = v.helical_active_coils(
        wire_diameter_m=0.00425, mean_diameter_m=0.034, rate_n_per_m=6250.0, shear_modulus_pa=84e9
    )
    assert coils == pytest.approx(13.9, abs=0.06)  # 13.945; the book takes 14
    # The surge frequency is recomputed, 97.4 Hz: the transcription we read mixes units in this step.
    mass = v.spring_active_mass_kg(
        wire_diameter_m=0.00425, mean_diameter_m=0.034, active_coils=coils, density_kg_per_m3=7800.0
    )
    surge = v.spring_surge_hz(rate_n_per_m=6250.0, active_mass_kg=mass)
    assert surge == pytest.approx(97.4, abs=0.05)


def test_valve_spring_bhandari_example_10_4() -> None:
    """V. B. Bhandari, Machine Design, ex. 10.4, p. 410: 150 N closed, 300 N open, 5 mm lift, d 4, D 24 mm."""
    pair = v.nested_springs(seat_loads_n=[150.0], rates_n_per_m=[(300.0 - 150.0) / 0.005])
    opened = v.open_load_n(pair.seat_load_n, rate_n_per_m=pair.rate_n_per_m, valve_lift_m=0.005)
    assert float(opened) == pytest.approx(300.0, rel=1e-12)
    coils = v.helical_active_coils(
        wire_diameter_m=0.004, mean_diameter_m=0.024, rate_n_per_m=pair.rate_n_per_m, shear_modulus_pa=81.37e9
    )
    assert coils == pytest.approx(6.28, abs=0.005)


def test_bergstraesser_lies_within_2_5_percent_of_wahl() -> None:
    """Shigley, Mechanical Engineering Design (from memory): the two factors differ little for C 4 to 12."""
    ratios = [v.bergstraesser_factor(index) / v.wahl_factor(index) for index in np.linspace(4.0, 12.0, 33)]
    assert max(abs(ratio - 1.0) for ratio in ratios) < 0.025


@pytest.mark.parametrize(("ends_held", "formula"), [(2, v.spring_surge_hz), (1, v.spring_surge_one_end_free_hz)])
def test_surge_formula_against_a_chain_of_masses(ends_held: int, formula: object) -> None:
    """First natural frequency of 400 small masses on 400 small springs (scipy's eigenvalues), 0.2 %."""
    rate, mass, links = 40000.0, 0.09, 400
    link, bead = rate * links, mass / links
    if ends_held == 2:
        diagonal = np.full(links - 1, 2.0 * link / bead)
        beside = np.full(links - 2, -link / bead)
    else:
        # The free end is half a bead on one link; scaled to stay symmetric.
        diagonal = np.full(links, 2.0 * link / bead)
        beside = np.full(links - 1, -link / bead)
        beside[-1] *= math.sqrt(2.0)
    lowest = eigvalsh_tridiagonal(diagonal, beside, select="i", select_range=(0, 0))[0]
    found = formula(rate_n_per_m=rate, active_mass_kg=mass)  # type: ignore[operator]
    assert found == pytest.approx(math.sqrt(lowest) / (2.0 * math.pi), rel=0.002)


def test_a_third_of_the_spring_moves_with_the_valve() -> None:
    """Kinetic energy of a uniform spring held at one end, in 10,000 pieces, is a third's."""
    pieces = 10000
    speed = (np.arange(pieces) + 0.5) / pieces
    energy_share = float(np.mean(speed**2))
    with_spring = v.valve_side_mass_kg(valve_kg=0.1, retainer_kg=0.02, locks_kg=0.005, spring_kg=0.09)
    without = v.valve_side_mass_kg(valve_kg=0.1, retainer_kg=0.02, locks_kg=0.005, spring_kg=0.0)
    assert with_spring - without == pytest.approx(0.09 * energy_share, rel=1e-7)


def test_seat_load_and_height_agree_with_the_free_spring() -> None:
    """A spring of 2.2 in free length and 350 lbf/in: two ways to its load at 1.75 in agree."""
    rate = 350.0 * LBF / IN
    tall = float(v.spring_load_n(1.80 * IN, free_length_m=2.2 * IN, rate_n_per_m=rate))
    short = float(v.spring_load_n(1.75 * IN, free_length_m=2.2 * IN, rate_n_per_m=rate))
    shimmed = v.seat_load_at_height_n(tall, rate_n_per_m=rate, installed_height_m=1.80 * IN, new_height_m=1.75 * IN)
    assert tall / LBF == pytest.approx(140.0, rel=1e-9)
    assert shimmed == pytest.approx(short, rel=1e-12)


def test_break_in_without_the_inner_spring() -> None:
    both = v.nested_springs(seat_loads_n=[400.0, 160.0], rates_n_per_m=[52000.0, 21000.0])
    outer = v.nested_springs(seat_loads_n=[400.0], rates_n_per_m=[52000.0])
    lift = 0.012
    saved = v.open_load_n(both.seat_load_n, rate_n_per_m=both.rate_n_per_m, valve_lift_m=lift) - v.open_load_n(
        outer.seat_load_n, rate_n_per_m=outer.rate_n_per_m, valve_lift_m=lift
    )
    assert float(saved) == pytest.approx(160.0 + 21000.0 * lift, rel=1e-12)


# ---------------------------------------------------------------------------------------------------- masses


@given(
    st.floats(0.05, 0.3),
    st.floats(0.0, 0.15),
    st.floats(0.0, 1e-4),
    st.floats(0.01, 0.04),
    st.floats(0.1, 0.4),
    st.floats(1.0, 2.0),
)
def test_mass_at_the_lifter_has_the_energy_of_all_parts(
    lifter: float, pushrod: float, inertia: float, arm: float, valve: float, ratio: float
) -> None:
    """Parts given the speeds a rigid rocker gives them hold the kinetic energy of one mass at the lifter."""
    speed = 3.0
    parts = lifter * speed**2 + pushrod * speed**2 + inertia * (speed / arm) ** 2 + valve * (speed * ratio) ** 2
    mass = v.moving_mass_at_lifter_kg(
        lifter_kg=lifter,
        pushrod_kg=pushrod,
        rocker_inertia_kg_m2=inertia,
        rocker_pushrod_radius_m=arm,
        valve_side_kg=valve,
        ratio=ratio,
    )
    assert mass * speed**2 == pytest.approx(parts, rel=1e-12)


# ------------------------------------------------------------------------------------------- load on the lobe

TRAIN = {"moving_mass_kg": 0.7, "ratio": 1.5, "seat_load_n": 530.0, "rate_n_per_m": 61000.0}


def test_inertia_force_sarkar_illustration_9_2() -> None:
    """B. K. Sarkar, Theory of Machines, 1st ed. 2002, illus. 9-2, p. 247: 177.6 and 78.9 m/s2.

    Simple harmonic motion, 4 cm in 60 degrees up and 90 down, cam at 300 rpm, that is crank at 600.
    One kilogram at the lifter then adds the acceleration itself to the spring's load.
    """
    for degrees, expected in ((60.0, 177.6), (90.0, 78.9)):
        lift, _, bend = over_angle(simple_harmonic, rise=0.04, period_rad=math.radians(degrees), nodes=4001)
        one = TRAIN | {"moving_mass_kg": 1.0}
        moving = v.contact_force_n(lift, bend, crank_rpm=600.0, **one)
        still = v.contact_force_n(lift, bend, crank_rpm=0.0, **one)
        inertia = (moving - still)[1:]  # at lift zero the valve rests on its seat
        assert np.max(inertia) == pytest.approx(expected, rel=0.005)
        assert np.min(inertia) == pytest.approx(-expected, rel=0.005)


def test_inertia_force_bevan_example_9_5() -> None:
    """T. Bevan, The Theory of Machines, 3rd ed., ex. 9-5, p. 300: 5891 ft/s2, then -1974 ft/s2 on top.

    The cam turns at 1200 rpm, the crank of a four-stroke engine then at 2400.
    """
    cam = circular_arc_cam()
    one = TRAIN | {"moving_mass_kg": 1.0}
    lift, bend = cam.lift * IN, cam.acceleration * IN
    inertia = v.contact_force_n(lift, bend, crank_rpm=2400.0, **one) - v.contact_force_n(
        lift, bend, crank_rpm=0.0, **one
    )
    assert inertia[1] / FT == pytest.approx(5891.0, rel=0.002)
    assert inertia[-1] / FT == pytest.approx(-1974.0, rel=0.002)


def test_rigid_limit_of_bevan_cam_in_closed_form() -> None:
    """On Bevan's nose, -s'' = 1.5 in cos(a) and s = 1.5 in cos(a) - 1 in, so the limit is a formula.

    F/(-s'') falls with lift when the load at s = -1 in, carried back along the rate, is positive: it binds
    on the tip; otherwise at the start of the nose.
    """
    cam = circular_arc_cam(200001)
    lift, bend = cam.lift * IN, cam.acceleration * IN
    mass, ratio, rate = 0.7, 1.0, 40000.0
    for seat, where in (
        (rate * 1.0 * IN + 500.0, cam.theta[-1]),
        (rate * 1.0 * IN - 500.0, cam.junction_rad),
    ):
        limit = v.rigid_limit_rpm(lift, bend, moving_mass_kg=mass, ratio=ratio, seat_load_n=seat, rate_n_per_m=rate)
        angle = cam.theta[-1] - where
        arm = 1.5 * IN * math.cos(angle)
        cam_speed = math.sqrt((seat + rate * (arm - 1.0 * IN)) / (mass * arm))
        assert float(limit.crank_rpm) == pytest.approx(2.0 * cam_speed * 30.0 / math.pi, rel=1e-5)
        assert cam.theta[int(limit.at_index)] == pytest.approx(where, abs=1e-4)


def lobe(size: float) -> tuple[Array, Array]:
    """An invented smooth hump, 1 - cos over 130 cam degrees, for properties only."""
    x = np.linspace(0.0, 1.0, 361)
    turn = 2.0 * np.pi / math.radians(130.0)
    bend = size * turn**2 / 2.0 * np.cos(2.0 * np.pi * x)
    return size * (1.0 - np.cos(2.0 * np.pi * x)) / 2.0, bend


@given(
    mass=st.floats(0.2, 1.5),
    seat=st.floats(100.0, 1500.0),
    rate=st.floats(1e4, 2e5),
    lash=st.floats(0.0, 7e-4),
)
def test_at_the_limit_the_least_force_is_just_zero(mass: float, seat: float, rate: float, lash: float) -> None:
    """Below the limit every open angle presses; at it the least force is zero, at the index reported."""
    lift, bend = lobe(0.008)
    train = {"moving_mass_kg": mass, "ratio": 1.5, "seat_load_n": seat, "rate_n_per_m": rate, "lash_m": lash}
    limit = v.rigid_limit_rpm(lift, bend, **train)
    speed, at = float(limit.crank_rpm), int(limit.at_index)
    force = v.contact_force_n(lift, bend, crank_rpm=speed, **train)
    opened = v.valve_lift_m(lift, ratio=1.5, lash_m=lash) > 0.0
    assert abs(force[at]) < 1e-9 * seat
    assert np.min(force[opened]) > -1e-9 * seat
    assert np.min(v.contact_force_n(lift, bend, crank_rpm=0.999 * speed, **train)[opened]) > 0.0
    assert np.min(v.contact_force_n(lift, bend, crank_rpm=1.001 * speed, **train)) < 0.0
    needed = v.seat_load_needed_n(
        lift, bend, crank_rpm=speed, moving_mass_kg=mass, ratio=1.5, rate_n_per_m=rate, lash_m=lash
    )
    assert float(needed) == pytest.approx(seat, rel=1e-9, abs=1e-6)


@given(st.floats(1.01, 9.0))
def test_limit_goes_with_root_of_load_over_mass(times: float) -> None:
    lift, bend = lobe(0.008)
    base = float(v.rigid_limit_rpm(lift, bend, **TRAIN).crank_rpm)
    stiff = TRAIN | {"seat_load_n": 530.0 * times, "rate_n_per_m": 61000.0 * times}
    heavy = TRAIN | {"moving_mass_kg": 0.7 * times}
    assert float(v.rigid_limit_rpm(lift, bend, **stiff).crank_rpm) == pytest.approx(base * math.sqrt(times))
    assert float(v.rigid_limit_rpm(lift, bend, **heavy).crank_rpm) == pytest.approx(base / math.sqrt(times))


def test_families_of_lobes_and_masses_are_the_single_answers() -> None:
    """Two-dimensional calls give what single calls give, one by one."""
    lifts, bends = (np.stack(parts) for parts in zip(*(lobe(size) for size in (0.006, 0.007, 0.008)), strict=True))
    masses = np.array([0.6, 0.7, 0.8])
    many = v.rigid_limit_rpm(lifts, bends, **(TRAIN | {"moving_mass_kg": masses}))
    for row, mass in enumerate(masses):
        one = v.rigid_limit_rpm(lifts[row], bends[row], **(TRAIN | {"moving_mass_kg": mass}))
        assert many.crank_rpm[row] == one.crank_rpm
        assert many.at_index[row] == one.at_index
    over_masses = v.rigid_limit_rpm(lifts[0], bends[0], **(TRAIN | {"moving_mass_kg": masses[:, None]}))
    assert over_masses.crank_rpm.shape == (3, 1)
    needed = v.seat_load_needed_n(
        lifts[0],
        bends[0],
        crank_rpm=np.array([5000.0, 6000.0]),
        moving_mass_kg=0.7,
        ratio=1.5,
        rate_n_per_m=61000.0,
    )
    assert needed.shape == (2,)


def test_no_limit_without_deceleration() -> None:
    limit = v.rigid_limit_rpm(np.array([0.001, 0.002]), np.array([0.01, 0.01]), **TRAIN)
    assert math.isinf(float(limit.crank_rpm))
    assert int(limit.at_index) == -1
    with pytest.raises(OutOfRange, match="no spring is needed"):
        v.seat_load_needed_n(
            np.array([0.001]),
            np.array([0.01]),
            crank_rpm=5000.0,
            moving_mass_kg=0.7,
            ratio=1.5,
            rate_n_per_m=61000.0,
        )


def test_a_ramp_that_slows_within_the_lash_does_not_limit_the_speed() -> None:
    """While the lash is open the springs press on the seat, so slowing there is not theirs to bear."""
    lift, bend = np.array([0.0002, 0.0003, 0.006, 0.008]), np.array([-0.002, -0.001, -0.010, -0.016])
    whole = v.rigid_limit_rpm(lift, bend, lash_m=0.0006, **TRAIN)
    lifted = v.rigid_limit_rpm(lift[2:], bend[2:], lash_m=0.0006, **TRAIN)
    assert whole.crank_rpm == lifted.crank_rpm
    assert int(whole.at_index) == 3


def test_lash_leaves_the_valve_shut_and_the_lobe_free() -> None:
    lift, bend = lobe(0.008)
    shut = 1.5 * lift <= 0.0005
    force = v.contact_force_n(lift, bend, crank_rpm=3000.0, lash_m=0.0005, **TRAIN)
    assert np.all(force[shut] == 0.0)
    assert np.count_nonzero(shut) > 2
    assert np.all(force[~shut] > 0.0)


def test_wrong_values_are_refused_in_words() -> None:
    with pytest.raises(OutOfRange, match="moving_mass_kg is 0; it must be a finite number above zero"):
        v.rigid_limit_rpm(np.array([0.001]), np.array([-0.01]), **(TRAIN | {"moving_mass_kg": 0}))
    with pytest.raises(OutOfRange, match="loose above its free length"):
        v.spring_load_n(0.06, free_length_m=0.05, rate_n_per_m=1e4)
    with pytest.raises(OutOfRange, match="one of each for every spring"):
        v.nested_springs(seat_loads_n=[100.0], rates_n_per_m=[])
    with pytest.raises(OutOfRange, match="a coil is wider than its wire"):
        v.helical_spring_stress_pa(10.0, wire_diameter_m=0.01, mean_diameter_m=0.01)
    with pytest.raises(OutOfRange, match="above 1"):
        v.wahl_factor(1.0)
    with pytest.raises(OutOfRange, match="stay below"):
        v.seat_load_at_height_n(100.0, rate_n_per_m=1e4, installed_height_m=0.045, new_height_m=0.06)
