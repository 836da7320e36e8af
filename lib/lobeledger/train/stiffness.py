"""Stiffness, surge and damping of the valvetrain's parts.

How stiff are the parts?       `pushrod_stiffness_n_per_m`, `beam_tip_stiffness_n_per_m`, `stiffness_at_valve_n_per_m`,
                               `oil_column_stiffness_n_per_m`
How fast does oil leak?        `oil_leak_n_s_per_m`, `oil_leak_from_test_n_s_per_m`
"""

from __future__ import annotations

import math

from lobeledger.errors import OutOfRange

__all__ = [
    "beam_tip_stiffness_n_per_m",
    "oil_column_stiffness_n_per_m",
    "oil_leak_from_test_n_s_per_m",
    "oil_leak_n_s_per_m",
    "pushrod_stiffness_n_per_m",
    "stiffness_at_valve_n_per_m",
]

# Carbon steel: handbook, from memory (200 to 212 GPa).
STEEL_YOUNG_MODULUS_PA = 2.05e11


def check_part(part: str, *, positive: tuple[str, ...] = (), not_negative: tuple[str, ...] = (), of: object) -> None:
    """Refuse a part with a number that no such part has."""
    for names, low, words in ((positive, False, "above zero"), (not_negative, True, "zero or more")):
        for name in names:
            value = getattr(of, name)
            if not (math.isfinite(value) and (value > 0.0 or (low and value == 0.0))):
                raise OutOfRange(f"{name} of the {part} is {value}; it must be a finite number {words}")


def pushrod_stiffness_n_per_m(
    *, outer_diameter_m: float, wall_m: float, length_m: float, modulus_pa: float = STEEL_YOUNG_MODULUS_PA
) -> float:
    """Stiffness (N/m) of a tube under end load: E A/L, A = pi (outer - wall) wall.

    Valid for a straight tube well below its buckling load; cups and ball ends are left out, so a real pushrod gives
    a little more. Source: elementary strength of materials. modulus: 205 GPa, steel (handbook, from memory).

    >>> round(pushrod_stiffness_n_per_m(outer_diameter_m=7.94e-3, wall_m=2.03e-3, length_m=0.200) / 1e6, 1)
    38.6
    """
    if not 0.0 < wall_m <= outer_diameter_m / 2.0:
        raise OutOfRange(f"wall_m is {wall_m}; it lies between zero and half the outer diameter ({outer_diameter_m} m)")
    if not (length_m > 0.0 and modulus_pa > 0.0):
        raise OutOfRange(f"length_m {length_m} and modulus_pa {modulus_pa} must be above zero")
    return modulus_pa * math.pi * (outer_diameter_m - wall_m) * wall_m / length_m


def beam_tip_stiffness_n_per_m(
    *, arm_m: float, second_moment_m4: float, modulus_pa: float = STEEL_YOUNG_MODULUS_PA
) -> float:
    """Stiffness (N/m) at the tip of one rocker arm taken as a cantilever: 3 E I/L^3.

    second_moment_m4: of the arm's section. Short, deep arms give more than this (shear). Source: elementary beam
    theory; Shigley, Mechanical Engineering Design, table of beams (from memory).

    >>> round(beam_tip_stiffness_n_per_m(arm_m=0.036, second_moment_m4=6.0e-9) / 1e6, 1)
    79.1
    """
    if not (arm_m > 0.0 and second_moment_m4 > 0.0 and modulus_pa > 0.0):
        raise OutOfRange(f"arm_m {arm_m}, second_moment_m4 {second_moment_m4} and modulus_pa must be above zero")
    return 3.0 * modulus_pa * second_moment_m4 / arm_m**3


def stiffness_at_valve_n_per_m(
    *, lobe_n_per_m: float, pushrod_n_per_m: float, rocker_n_per_m: float, ratio: float
) -> float:
    """Stiffness (N/m) felt at the valve with the cam held: 1/k = 1/rocker + ratio^2 (1/pushrod + 1/lobe).

    rocker: rocker, stud and stem together, as felt at the valve. The force in the pushrod is ratio times that at the
    valve, and its give counts ratio times there. Source: springs in series through a lever, derived.

    >>> round(stiffness_at_valve_n_per_m(lobe_n_per_m=2e8, pushrod_n_per_m=4e7, rocker_n_per_m=1e7, ratio=1.5) / 1e6, 3)
    5.97
    """
    for value in (lobe_n_per_m, pushrod_n_per_m, rocker_n_per_m, ratio):
        if not value > 0.0:
            raise OutOfRange(f"a stiffness or the ratio is {value}; all must be above zero")
    return 1.0 / (1.0 / rocker_n_per_m + ratio**2 * (1.0 / pushrod_n_per_m + 1.0 / lobe_n_per_m))


def oil_column_stiffness_n_per_m(
    *, bulk_modulus_pa: float, plunger_diameter_m: float, chamber_height_m: float
) -> float:
    """Stiffness (N/m) of trapped oil under a plunger: B A/H.

    chamber_height_m: chamber volume over plunger area. Air in the oil lowers the bulk modulus a great deal: clean
    engine oil has about 1.5 GPa, 1 % of air at low pressure leaves less than half (from memory).
    Source: definition of the bulk modulus.

    >>> round(oil_column_stiffness_n_per_m(bulk_modulus_pa=0.8e9, plunger_diameter_m=0.016,
    ...                                    chamber_height_m=0.004) / 1e6, 1)
    40.2
    """
    if not (bulk_modulus_pa > 0.0 and plunger_diameter_m > 0.0 and chamber_height_m > 0.0):
        raise OutOfRange("bulk modulus, plunger diameter and chamber height must be above zero")
    return bulk_modulus_pa * math.pi * plunger_diameter_m**2 / 4.0 / chamber_height_m


def oil_leak_n_s_per_m(
    *, plunger_diameter_m: float, radial_clearance_m: float, leak_length_m: float, viscosity_pa_s: float
) -> float:
    """Load over sinking speed (N s/m) of a plunger that leaks round itself: 12 mu L A^2/(pi D c^3).

    Laminar flow through a thin concentric ring, plunger at rest in the ring: Q = pi D c^3 dp/(12 mu L). A plunger that
    leans to one side leaks up to 2.5 times as much. Source: plane Poiseuille flow; Merritt, Hydraulic Control
    Systems, flow through annular passages (from memory).

    >>> round(oil_leak_n_s_per_m(plunger_diameter_m=0.016, radial_clearance_m=3.5e-6, leak_length_m=0.012,
    ...                          viscosity_pa_s=0.010) / 1e6, 1)
    27.0
    """
    for value in (plunger_diameter_m, radial_clearance_m, leak_length_m, viscosity_pa_s):
        if not value > 0.0:
            raise OutOfRange(f"a size or the viscosity is {value}; all must be above zero")
    area_m2 = math.pi * plunger_diameter_m**2 / 4.0
    return 12.0 * viscosity_pa_s * leak_length_m * area_m2**2 / (math.pi * plunger_diameter_m * radial_clearance_m**3)


def oil_leak_from_test_n_s_per_m(*, load_n: float, travel_m: float, time_s: float) -> float:
    """Load over sinking speed (N s/m) from a bench leak-down test: load * time/travel.

    The bench's fluid is thinner or thicker than hot engine oil; the figure goes with viscosity. Usual figures (common
    practice, no source): 50 lbf, 0.125 in, 10 to 40 s. Source: definition.

    >>> round(oil_leak_from_test_n_s_per_m(load_n=222.4, travel_m=3.175e-3, time_s=20.0) / 1e6, 2)
    1.4
    """
    if not (load_n > 0.0 and travel_m > 0.0 and time_s > 0.0):
        raise OutOfRange(f"load_n {load_n}, travel_m {travel_m} and time_s {time_s} must be above zero")
    return load_n * time_s / travel_m
