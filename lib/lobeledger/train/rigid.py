"""From lobe to valve: moving mass, springs, and how fast the lot can turn before it leaves the lobe.

What moves?                               `valve_side_mass_kg`, `moving_mass_at_lifter_kg`
What does the valve see?                  `valve_lift_m`, `cam_speed_rad_per_s`
What do the springs press?                `spring_load_n`, `seat_load_at_height_n`, `open_load_n`,
                                          `nested_springs`, `lifter_spring_load_n`
Do the parts clear?                       `solid_height_m`, `coil_bind_clearance_m`,
                                          `retainer_to_seal_clearance_m`
Will the spring itself stand it?          `spring_surge_hz`, `spring_surge_one_end_free_hz`,
                                          `spring_active_mass_kg`, `helical_spring_rate_n_per_m`,
                                          `helical_active_coils`, `wahl_factor`, `bergstraesser_factor`,
                                          `helical_spring_stress_pa`
What is the load on the lobe at speed?    `contact_force_n`
How fast before it leaves the lobe?       `rigid_limit_rpm`, `seat_load_needed_n`

Everything here is rigid: pushrod and rocker do not bend, so real trains part company earlier. Loads and
masses 'at the lifter' are those felt along the lifter's axis. ratio is valve lift over lobe lift. theta is
the CAM angle in radians, lift the lobe lift (m), acceleration d2s/dtheta2 (m/rad2); speeds named
`crank_rpm` are crankshaft speeds, and the cam turns half as fast.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lobeledger.arguments import not_negative, positive
from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange

__all__ = [
    "RigidLimit",
    "SpringPair",
    "bergstraesser_factor",
    "cam_speed_rad_per_s",
    "coil_bind_clearance_m",
    "contact_force_n",
    "helical_active_coils",
    "helical_spring_rate_n_per_m",
    "helical_spring_stress_pa",
    "lifter_spring_load_n",
    "moving_mass_at_lifter_kg",
    "nested_springs",
    "open_load_n",
    "retainer_to_seal_clearance_m",
    "rigid_limit_rpm",
    "seat_load_at_height_n",
    "seat_load_needed_n",
    "solid_height_m",
    "spring_active_mass_kg",
    "spring_load_n",
    "spring_surge_hz",
    "spring_surge_one_end_free_hz",
    "valve_lift_m",
    "valve_side_mass_kg",
    "wahl_factor",
]


class SpringPair(NamedTuple):
    """Springs that work side by side as one: load on the seat (N) and rate (N/m)."""

    seat_load_n: float
    rate_n_per_m: float


class RigidLimit(NamedTuple):
    """Crank speed (rpm) at which the springs can just hold the lifter on the lobe, and where that is.

    `at_index` counts along the last axis of the lobe arrays. A motion with no deceleration while the valve is
    open has no limit: crank_rpm is infinite and at_index is -1.
    """

    crank_rpm: Array
    at_index: NDArray[np.int64]


# --------------------------------------------------------------------------------------------------- masses


def valve_side_mass_kg(*, valve_kg: float, retainer_kg: float, locks_kg: float, spring_kg: float) -> float:
    """Mass (kg) that moves with the valve: valve + retainer + locks + a third of the spring.

    One third: the kinetic energy of a uniform spring held at one end. Source: Rayleigh's method; Den Hartog,
    Mechanical Vibrations (from memory).

    >>> round(valve_side_mass_kg(valve_kg=0.120, retainer_kg=0.027, locks_kg=0.006, spring_kg=0.096), 6)
    0.185
    """
    positive(valve_kg=valve_kg)
    not_negative(retainer_kg=retainer_kg, locks_kg=locks_kg, spring_kg=spring_kg)
    return valve_kg + retainer_kg + locks_kg + spring_kg / 3.0


def moving_mass_at_lifter_kg(
    *,
    lifter_kg: float,
    pushrod_kg: float,
    rocker_inertia_kg_m2: float,
    rocker_pushrod_radius_m: float,
    valve_side_kg: float,
    ratio: float,
) -> float:
    """Mass (kg) which, put at the lifter, resists as the whole train does.

    m = lifter + pushrod + J/a^2 + valve side * ratio^2, J the rocker's moment of inertia about its pivot and
    a its arm on the pushrod side. Valid for a rigid train of constant ratio.
    Source: equal kinetic energy, derived; Norton, Design of Machinery, lumped models (from memory).

    >>> round(moving_mass_at_lifter_kg(lifter_kg=0.1, pushrod_kg=0.06, rocker_inertia_kg_m2=4.0e-5,
    ...     rocker_pushrod_radius_m=0.02, valve_side_kg=0.2, ratio=1.5), 6)
    0.71
    """
    positive(
        lifter_kg=lifter_kg,
        rocker_pushrod_radius_m=rocker_pushrod_radius_m,
        valve_side_kg=valve_side_kg,
        ratio=ratio,
    )
    not_negative(pushrod_kg=pushrod_kg, rocker_inertia_kg_m2=rocker_inertia_kg_m2)
    rocker_kg = rocker_inertia_kg_m2 / rocker_pushrod_radius_m**2
    return lifter_kg + pushrod_kg + rocker_kg + valve_side_kg * ratio**2


# --------------------------------------------------------------------------------------------------- motion


def valve_lift_m(lobe_lift_m: ArrayLike, *, ratio: ArrayLike, lash_m: ArrayLike = 0.0) -> Array:
    """Valve lift (m) from lobe lift: ratio * lobe lift less the lash, zero until the lash is taken up.

    lash_m is measured at the valve, hot, zero for a hydraulic lifter in working order. Rigid train.
    Source: definition of lash.

    >>> valve_lift_m(np.array([0.0002, 0.008]), ratio=1.5, lash_m=0.0005).round(6).tolist()
    [0.0, 0.0115]
    """
    positive(ratio=ratio)
    not_negative(lash_m=lash_m)
    gross = np.asarray(ratio, dtype=float) * np.asarray(lobe_lift_m, dtype=float)
    # The valve rests on its seat until the lash is used up: a stop, not a correction of the value.
    return np.asarray(np.maximum(gross - np.asarray(lash_m, dtype=float), 0.0))


def cam_speed_rad_per_s(crank_rpm: ArrayLike) -> Array:
    """Cam speed (rad/s) of a four-stroke engine from its crank speed (rpm): rpm * 2 pi/60/2.

    Source: definition.

    >>> round(float(cam_speed_rad_per_s(6000.0)), 3)
    314.159
    """
    return np.asarray(np.asarray(crank_rpm, dtype=float) * (math.pi / 60.0))


# -------------------------------------------------------------------------------------------------- springs


def spring_load_n(height_m: ArrayLike, *, free_length_m: float, rate_n_per_m: float) -> Array:
    """Load (N) of a linear spring held at a height: k (free length - height).

    Raises OutOfRange when the height exceeds the free length: the spring is then loose.
    Source: Hooke's law.

    >>> round(float(spring_load_n(0.045, free_length_m=0.055, rate_n_per_m=50000.0)), 6)
    500.0
    """
    positive(height_m=height_m, free_length_m=free_length_m, rate_n_per_m=rate_n_per_m)
    height = np.asarray(height_m, dtype=float)
    if np.any(height > free_length_m):
        raise OutOfRange(
            f"height_m reaches {float(np.max(height)):g}; the spring is loose above its free length of "
            f"{free_length_m:g} m."
        )
    return np.asarray(rate_n_per_m * (free_length_m - height))


def seat_load_at_height_n(
    seat_load_n: float, *, rate_n_per_m: float, installed_height_m: float, new_height_m: float
) -> float:
    """Seat load (N) after the installed height is changed by shims or retainers: F + k (old - new height).

    Source: Hooke's law. Raises OutOfRange when the spring would be loose.

    A shim of 0.030 in under a 350 lbf/in spring adds 10.5 lbf:

    >>> lbf, inch = 4.4482216152605, 0.0254
    >>> round(seat_load_at_height_n(120 * lbf, rate_n_per_m=350 * lbf / inch, installed_height_m=1.80 * inch,
    ...                             new_height_m=1.77 * inch) / lbf, 3)
    130.5
    """
    positive(rate_n_per_m=rate_n_per_m, installed_height_m=installed_height_m, new_height_m=new_height_m)
    not_negative(seat_load_n=seat_load_n)
    load = seat_load_n + rate_n_per_m * (installed_height_m - new_height_m)
    if load < 0.0:
        raise OutOfRange(
            f"new_height_m is {new_height_m:g}; the spring is loose there, so stay below "
            f"{installed_height_m + seat_load_n / rate_n_per_m:g} m."
        )
    return load


def open_load_n(seat_load_n: ArrayLike, *, rate_n_per_m: ArrayLike, valve_lift_m: ArrayLike) -> Array:
    """Load (N) of the valve spring at a valve lift: seat load + rate * lift. Source: Hooke's law.

    >>> lbf, inch = 4.4482216152605, 0.0254
    >>> round(float(open_load_n(120 * lbf, rate_n_per_m=350 * lbf / inch, valve_lift_m=0.5 * inch)) / lbf, 3)
    295.0
    """
    not_negative(seat_load_n=seat_load_n, valve_lift_m=valve_lift_m)
    positive(rate_n_per_m=rate_n_per_m)
    lift = np.asarray(valve_lift_m, dtype=float)
    return np.asarray(np.asarray(seat_load_n, dtype=float) + np.asarray(rate_n_per_m, dtype=float) * lift)


def nested_springs(*, seat_loads_n: Sequence[float], rates_n_per_m: Sequence[float]) -> SpringPair:
    """One spring in place of several, one inside the other: loads and rates add up.

    Each seat load is that spring's own at its own installed height (an inner spring often sits on a step).
    A run-in with the inner spring out is the same call with the outer spring alone. Friction of a damper is
    left out. Source: springs side by side share one travel.

    >>> nested_springs(seat_loads_n=[400.0, 150.0], rates_n_per_m=[50000.0, 20000.0])
    SpringPair(seat_load_n=550.0, rate_n_per_m=70000.0)
    """
    if len(seat_loads_n) != len(rates_n_per_m) or not seat_loads_n:
        raise OutOfRange(
            f"seat_loads_n has {len(seat_loads_n)} and rates_n_per_m {len(rates_n_per_m)} values; give one "
            "of each for every spring."
        )
    not_negative(seat_loads_n=seat_loads_n)
    positive(rates_n_per_m=rates_n_per_m)
    return SpringPair(float(sum(seat_loads_n)), float(sum(rates_n_per_m)))


def lifter_spring_load_n(
    lobe_lift_m: ArrayLike,
    *,
    ratio: ArrayLike,
    seat_load_n: ArrayLike,
    rate_n_per_m: ArrayLike,
    lash_m: ArrayLike = 0.0,
) -> Array:
    """Load (N) of the valve spring felt at the lifter, valve open: ratio (seat load + rate * lift).

    Zero while the valve rests on its seat (the seat then carries the spring; the small plunger spring of a
    hydraulic lifter is left out). Rigid train, no friction. Source: principle of virtual work, derived.

    >>> lifter_spring_load_n(np.array([0.0, 0.006]), ratio=1.5, seat_load_n=500.0,
    ...                      rate_n_per_m=60000.0).round(6).tolist()
    [0.0, 1560.0]
    """
    not_negative(seat_load_n=seat_load_n)
    positive(rate_n_per_m=rate_n_per_m)
    lift = valve_lift_m(lobe_lift_m, ratio=ratio, lash_m=lash_m)
    seat, rate = np.asarray(seat_load_n, dtype=float), np.asarray(rate_n_per_m, dtype=float)
    return np.where(lift > 0.0, np.asarray(ratio, dtype=float) * (seat + rate * lift), 0.0)


def solid_height_m(*, total_coils: float, wire_diameter_m: float) -> float:
    """Height (m) at which a spring of round wire with squared and ground ends is solid: N d.

    Source: Shigley, Mechanical Engineering Design, table of end conditions (from memory). A measured coil
    bind height goes before this one.

    >>> round(solid_height_m(total_coils=6.5, wire_diameter_m=0.005), 6)
    0.0325
    """
    positive(total_coils=total_coils, wire_diameter_m=wire_diameter_m)
    return total_coils * wire_diameter_m


def coil_bind_clearance_m(*, installed_height_m: Any, coil_bind_height_m: Any, greatest_valve_lift_m: Any) -> Any:
    """Travel (m) left in the spring at full valve lift; negative when the coils would bind before it. Numbers or draws.

    Shops want at least 0.060 in (common practice, no source). Source: definition.

    >>> round(coil_bind_clearance_m(installed_height_m=1.80, coil_bind_height_m=1.15,
    ...                             greatest_valve_lift_m=0.55), 6)
    0.1
    """
    positive(installed_height_m=installed_height_m, coil_bind_height_m=coil_bind_height_m)
    not_negative(greatest_valve_lift_m=greatest_valve_lift_m)
    return installed_height_m - coil_bind_height_m - greatest_valve_lift_m


def retainer_to_seal_clearance_m(*, retainer_to_seal_closed_m: Any, greatest_valve_lift_m: Any) -> Any:
    """Gap (m) left between retainer and stem seal at full valve lift; negative when they would meet. Numbers or draws.

    Shops want at least 0.060 in (common practice, no source). Source: definition.

    >>> round(retainer_to_seal_clearance_m(retainer_to_seal_closed_m=0.60, greatest_valve_lift_m=0.55), 6)
    0.05
    """
    not_negative(retainer_to_seal_closed_m=retainer_to_seal_closed_m, greatest_valve_lift_m=greatest_valve_lift_m)
    return retainer_to_seal_closed_m - greatest_valve_lift_m


def spring_surge_hz(*, rate_n_per_m: float, active_mass_kg: float) -> float:
    """First surge frequency (Hz) of a helical spring between two plates: f = 1/2 sqrt(k/m).

    m is the mass of the active coils (`spring_active_mass_kg`). Source: Shigley, Mechanical Engineering
    Design, critical frequency of helical springs.

    >>> round(spring_surge_hz(rate_n_per_m=40000.0, active_mass_kg=0.1), 2)
    316.23
    """
    positive(rate_n_per_m=rate_n_per_m, active_mass_kg=active_mass_kg)
    return 0.5 * math.sqrt(rate_n_per_m / active_mass_kg)


def spring_surge_one_end_free_hz(*, rate_n_per_m: float, active_mass_kg: float) -> float:
    """First surge frequency (Hz) of a helical spring with one end free: f = 1/4 sqrt(k/m).

    Source: Shigley, critical frequency of helical springs (from memory).

    >>> round(spring_surge_one_end_free_hz(rate_n_per_m=40000.0, active_mass_kg=0.1), 2)
    158.11
    """
    return spring_surge_hz(rate_n_per_m=rate_n_per_m, active_mass_kg=active_mass_kg) / 2.0


def spring_active_mass_kg(
    *, wire_diameter_m: float, mean_diameter_m: float, active_coils: float, density_kg_per_m3: float
) -> float:
    """Mass (kg) of the active coils of round wire: pi^2 d^2 D N rho/4 (pitch left out).

    Source: Shigley, critical frequency of helical springs (from memory).

    >>> round(spring_active_mass_kg(wire_diameter_m=0.004, mean_diameter_m=0.03, active_coils=5.0,
    ...                             density_kg_per_m3=7800.0), 5)
    0.04619
    """
    _coil_index(wire_diameter_m, mean_diameter_m)
    positive(active_coils=active_coils, density_kg_per_m3=density_kg_per_m3)
    section_m2 = math.pi * wire_diameter_m**2 / 4.0
    return density_kg_per_m3 * section_m2 * math.pi * mean_diameter_m * active_coils


def helical_spring_rate_n_per_m(
    *, wire_diameter_m: float, mean_diameter_m: float, active_coils: float, shear_modulus_pa: float
) -> float:
    """Rate (N/m) of a helical spring of round wire: k = G d^4/(8 D^3 N).

    Source: Sadhu Singh, Machine Design-I, ex. 8.3; Shigley. Raises OutOfRange when the coil is not wider
    than its wire.

    >>> round(helical_spring_rate_n_per_m(wire_diameter_m=0.003, mean_diameter_m=0.018, active_coils=15.0,
    ...                                   shear_modulus_pa=84.0e9), 1)
    9722.2
    """
    _coil_index(wire_diameter_m, mean_diameter_m)
    positive(active_coils=active_coils, shear_modulus_pa=shear_modulus_pa)
    return shear_modulus_pa * wire_diameter_m**4 / (8.0 * mean_diameter_m**3 * active_coils)


def helical_active_coils(
    *, wire_diameter_m: float, mean_diameter_m: float, rate_n_per_m: float, shear_modulus_pa: float
) -> float:
    """Number of active coils that gives a rate: N = G d^4/(8 D^3 k). Source: as the rate, turned round.

    >>> round(helical_active_coils(wire_diameter_m=0.00425, mean_diameter_m=0.034, rate_n_per_m=6250.0,
    ...                            shear_modulus_pa=84.0e9), 2)
    13.95
    """
    _coil_index(wire_diameter_m, mean_diameter_m)
    positive(rate_n_per_m=rate_n_per_m, shear_modulus_pa=shear_modulus_pa)
    return shear_modulus_pa * wire_diameter_m**4 / (8.0 * mean_diameter_m**3 * rate_n_per_m)


def _coil_index(wire_diameter_m: float, mean_diameter_m: float) -> float:
    """Spring index C = D/d after checking that such a coil can exist."""
    positive(wire_diameter_m=wire_diameter_m, mean_diameter_m=mean_diameter_m)
    if mean_diameter_m <= wire_diameter_m:
        raise OutOfRange(
            f"mean_diameter_m is {mean_diameter_m:g}; a coil is wider than its wire ({wire_diameter_m:g} m)."
        )
    return mean_diameter_m / wire_diameter_m


def wahl_factor(spring_index: float) -> float:
    """Stress factor of a helical spring for curvature and direct shear: (4C-1)/(4C-4) + 0.615/C.

    spring_index: C = mean diameter over wire diameter, above 1; usual springs lie from 4 to 12.
    Source: Sadhu Singh, Machine Design-I, ex. 8.1 and 8.3.

    >>> round(wahl_factor(6.0), 4)
    1.2525
    """
    if not spring_index > 1.0:
        raise OutOfRange(f"spring_index is {spring_index:g}; it must be above 1 (4 to 12 is usual).")
    return (4.0 * spring_index - 1.0) / (4.0 * spring_index - 4.0) + 0.615 / spring_index


def bergstraesser_factor(spring_index: float) -> float:
    """Stress factor of a helical spring after Bergstraesser: (4C+2)/(4C-3); within 2.5 % of Wahl's.

    spring_index: C = mean diameter over wire diameter, above 1; usual springs lie from 4 to 12.
    Source: Shigley, Mechanical Engineering Design (from memory).

    >>> round(bergstraesser_factor(6.0), 4)
    1.2381
    """
    if not spring_index > 1.0:
        raise OutOfRange(f"spring_index is {spring_index:g}; it must be above 1 (4 to 12 is usual).")
    return (4.0 * spring_index + 2.0) / (4.0 * spring_index - 3.0)


def helical_spring_stress_pa(load_n: float, *, wire_diameter_m: float, mean_diameter_m: float) -> float:
    """Greatest shear stress (Pa) in the wire under a load, Wahl's factor included: K 8 F D/(pi d^3).

    Source: Sadhu Singh, Machine Design-I, ex. 8.3.

    >>> round(helical_spring_stress_pa(40.0, wire_diameter_m=0.003, mean_diameter_m=0.018) / 1e6, 2)
    85.05
    """
    index = _coil_index(wire_diameter_m, mean_diameter_m)
    not_negative(load_n=load_n)
    return wahl_factor(index) * 8.0 * load_n * mean_diameter_m / (math.pi * wire_diameter_m**3)


# ----------------------------------------------------------------------------------------- force and limits


def contact_force_n(
    lobe_lift_m: ArrayLike,
    acceleration_m_per_rad2: ArrayLike,
    *,
    crank_rpm: ArrayLike,
    moving_mass_kg: ArrayLike,
    ratio: ArrayLike,
    seat_load_n: ArrayLike,
    rate_n_per_m: ArrayLike,
    lash_m: ArrayLike = 0.0,
) -> Array:
    """Force (N) between lifter and lobe along the lifter's axis at a crank speed: spring + m omega^2 s''.

    A negative value means that the rigid train has already left the lobe there: the figure says by how much
    the springs fall short. Zero while the valve rests on its seat. All arguments broadcast; give speed or
    mass a trailing axis of one to get one row for each. Friction and bending are left out.
    Source: Newton's second law at the lifter.

    >>> force = contact_force_n(0.008, -0.016, crank_rpm=6000.0, moving_mass_kg=0.7, ratio=1.5,
    ...                         seat_load_n=530.0, rate_n_per_m=61000.0)
    >>> round(float(force), 1)
    787.6
    """
    positive(moving_mass_kg=moving_mass_kg)
    not_negative(crank_rpm=crank_rpm)
    spring = lifter_spring_load_n(
        lobe_lift_m, ratio=ratio, seat_load_n=seat_load_n, rate_n_per_m=rate_n_per_m, lash_m=lash_m
    )
    open_valve = valve_lift_m(lobe_lift_m, ratio=ratio, lash_m=lash_m) > 0.0
    mass, bend = np.asarray(moving_mass_kg, dtype=float), np.asarray(acceleration_m_per_rad2, dtype=float)
    inertia = mass * cam_speed_rad_per_s(crank_rpm) ** 2 * bend
    return np.where(open_valve, spring + inertia, 0.0)


def _along_lobe(value: ArrayLike) -> Array:
    """A figure per spring, mass or lobe, given an axis of one to run along the lobe."""
    return np.asarray(value, dtype=float)[..., np.newaxis]


def rigid_limit_rpm(
    lobe_lift_m: ArrayLike,
    acceleration_m_per_rad2: ArrayLike,
    *,
    moving_mass_kg: ArrayLike,
    ratio: ArrayLike,
    seat_load_n: ArrayLike,
    rate_n_per_m: ArrayLike,
    lash_m: ArrayLike = 0.0,
) -> RigidLimit:
    """Crank speed (rpm) at which the springs can just hold a rigid train on the lobe.

    The least, over the angles where the valve is open and the lobe slows it (s'' < 0), of
    sqrt(F/(m (-s''))), turned from cam rad/s into crank rpm. The lobe arrays run along their last axis, with
    leading axes for a family of lobes; mass, ratio, springs and lash broadcast against those leading axes
    (so twenty masses with one lobe give twenty limits). As fine as the angle grid. Bending of the train
    brings the true limit down. Source: Newton's second law at the lifter, derived.

    >>> lift, bend = np.array([0.002, 0.006, 0.008]), np.array([0.02, -0.01, -0.016])
    >>> limit = rigid_limit_rpm(lift, bend, moving_mass_kg=np.array([0.7, 0.8]), ratio=1.5, seat_load_n=530.0,
    ...                         rate_n_per_m=61000.0)
    >>> limit.crank_rpm.round(1).tolist(), limit.at_index.tolist()
    ([7851.8, 7344.7], [2, 2])
    """
    positive(moving_mass_kg=moving_mass_kg, ratio=ratio)
    lift, bend = np.atleast_1d(np.asarray(lobe_lift_m, float)), np.asarray(acceleration_m_per_rad2, float)
    load = lifter_spring_load_n(
        lift,
        ratio=_along_lobe(ratio),
        seat_load_n=_along_lobe(seat_load_n),
        rate_n_per_m=_along_lobe(rate_n_per_m),
        lash_m=_along_lobe(lash_m),
    )
    slowed = (load > 0.0) & (bend < 0.0)
    # A lobe at rest would divide by zero; those angles cannot bind and are left out by the mask.
    with np.errstate(divide="ignore", invalid="ignore"):
        squared = np.where(slowed, load / (_along_lobe(moving_mass_kg) * -bend), np.inf)
    least = np.asarray(np.min(squared, axis=-1))
    index = np.where(np.isinf(least), -1, np.argmin(squared, axis=-1))
    return RigidLimit(np.asarray(np.sqrt(least) * (60.0 / math.pi)), np.asarray(index, dtype=np.int64))


def seat_load_needed_n(
    lobe_lift_m: ArrayLike,
    acceleration_m_per_rad2: ArrayLike,
    *,
    crank_rpm: ArrayLike,
    moving_mass_kg: ArrayLike,
    ratio: ArrayLike,
    rate_n_per_m: ArrayLike,
    lash_m: ArrayLike = 0.0,
) -> Array:
    """Least seat load (N) that holds a rigid train of this rate on the lobe up to a crank speed.

    max over the open, slowed part of the lobe of m omega^2 (-s'')/ratio - rate * valve lift. Negative when
    the rate alone is enough. Axes as in `rigid_limit_rpm`. Source: that formula turned round.

    >>> need = seat_load_needed_n(np.array([0.006, 0.008]), np.array([-0.01, -0.016]), crank_rpm=7000.0,
    ...                           moving_mass_kg=0.7, ratio=1.5, rate_n_per_m=61000.0)
    >>> round(float(need), 1)
    271.0
    """
    positive(moving_mass_kg=moving_mass_kg, rate_n_per_m=rate_n_per_m)
    not_negative(crank_rpm=crank_rpm)
    bend = np.asarray(acceleration_m_per_rad2, dtype=float)
    lift = valve_lift_m(np.atleast_1d(lobe_lift_m), ratio=_along_lobe(ratio), lash_m=_along_lobe(lash_m))
    pull = _along_lobe(moving_mass_kg) * _along_lobe(cam_speed_rad_per_s(crank_rpm)) ** 2 * -bend
    need = pull / _along_lobe(ratio) - _along_lobe(rate_n_per_m) * lift
    worst = np.max(np.where((lift > 0.0) & (bend < 0.0), need, -np.inf), axis=-1)
    if np.any(np.isinf(worst)):
        raise OutOfRange("the lobe never slows the open valve, so no spring is needed; check the lift arrays.")
    return np.asarray(worst)
