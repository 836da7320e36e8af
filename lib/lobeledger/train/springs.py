"""Valve springs as parts of the elastic train: from a coil or from two loads, shimmed, and with the inner out.

I know the coil                        `spring_from_coil` -> `CoilSpring`
I measured two loads                   `spring_from_loads`
A shim goes under it                   `shimmed`
What does the wire bear?               `CoilSpring.stress_pa` (Wahl), `CoilSpring.solid_height_m`
Is its surge clear of the cam?         `surge_ratio`, `resonant_surge_m`
The inner is out for the run-in        `without_inner`

Loads, rate, stress, coil bind and surge are the formulas of `valvetrain`; here they make one spring.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from lobeledger.errors import OutOfRange
from lobeledger.train import rigid as valvetrain
from lobeledger.train.elastic import Train, ValveSpring

__all__ = [
    "CLEAR_SURGE_RATIO",
    "CoilSpring",
    "resonant_surge_m",
    "shimmed",
    "spring_from_coil",
    "spring_from_loads",
    "surge_ratio",
    "without_inner",
]

# Spring frequency over that of the load from which surge is no concern: 13 in a spring maker's handbook, 15 to 20 in
# Shigley, Mechanical Engineering Design, critical frequency of helical springs (both from memory).
CLEAR_SURGE_RATIO = 13.0

STEEL_SHEAR_MODULUS_PA = 7.93e10
STEEL_DENSITY_KG_PER_M3 = 7850.0


@dataclass(frozen=True)
class CoilSpring:
    """A helical spring of round wire with closed and ground ends, standing at its installed height."""

    spring: ValveSpring
    wire_diameter_m: float
    mean_diameter_m: float
    total_coils: float
    installed_height_m: float

    @property
    def solid_height_m(self) -> float:
        """Height at which the coils bind, by the sum of the wires; a measured height goes before this one."""
        return valvetrain.solid_height_m(total_coils=self.total_coils, wire_diameter_m=self.wire_diameter_m)

    def stress_pa(self, valve_lift_m: float) -> float:
        """Greatest shear stress in the wire at a valve lift, Wahl's factor included (static load).

        Raises OutOfRange when the coils bind before that lift.
        """
        left = self.installed_height_m - valve_lift_m - self.solid_height_m
        if left < 0.0:
            raise OutOfRange(f"the coils bind {-left * 1e3:.2f} mm before a valve lift of {valve_lift_m * 1e3:.2f} mm")
        load = self.spring.seat_load_n + self.spring.rate_n_per_m * valve_lift_m
        return valvetrain.helical_spring_stress_pa(
            load, wire_diameter_m=self.wire_diameter_m, mean_diameter_m=self.mean_diameter_m
        )


def spring_from_coil(
    *,
    wire_diameter_m: float,
    mean_diameter_m: float,
    active_coils: float,
    total_coils: float,
    free_length_m: float,
    installed_height_m: float,
    damping_ratio: float,
    shear_modulus_pa: float = STEEL_SHEAR_MODULUS_PA,
    density_kg_per_m3: float = STEEL_DENSITY_KG_PER_M3,
) -> CoilSpring:
    """A spring from its coil: rate G d^4/(8 D^3 n), load by Hooke, mass of wire, half of the dead coils moving.

    Shear modulus 79.3 GPa and density 7,850 kg/m3 for spring steel (handbook, from memory).
    Source: Shigley, Mechanical Engineering Design, helical springs (from memory).

    >>> coil = spring_from_coil(wire_diameter_m=0.0044, mean_diameter_m=0.0316, active_coils=4.6, total_coils=6.6,
    ...                         free_length_m=0.0540, installed_height_m=0.0445, damping_ratio=0.02)
    >>> round(coil.spring.rate_n_per_m), round(coil.spring.seat_load_n), round(coil.spring.active_mass_kg, 4)
    (25596, 243, 0.0545)
    """
    if total_coils < active_coils:
        raise OutOfRange(f"total_coils is {total_coils}; it is not less than the active coils ({active_coils})")
    rate = valvetrain.helical_spring_rate_n_per_m(
        wire_diameter_m=wire_diameter_m,
        mean_diameter_m=mean_diameter_m,
        active_coils=active_coils,
        shear_modulus_pa=shear_modulus_pa,
    )
    load = valvetrain.spring_load_n(installed_height_m, free_length_m=free_length_m, rate_n_per_m=rate)
    active = valvetrain.spring_active_mass_kg(
        wire_diameter_m=wire_diameter_m,
        mean_diameter_m=mean_diameter_m,
        active_coils=active_coils,
        density_kg_per_m3=density_kg_per_m3,
    )
    dead = active * (total_coils - active_coils) / active_coils
    spring = ValveSpring(float(load), rate, active, dead / 2.0, damping_ratio=damping_ratio)
    return CoilSpring(spring, wire_diameter_m, mean_diameter_m, total_coils, installed_height_m)


def spring_from_loads(
    *,
    seat_height_m: float,
    seat_load_n: float,
    open_height_m: float,
    open_load_n: float,
    mass_kg: float,
    active_share: float,
    damping_ratio: float,
) -> ValveSpring:
    """A spring from two loads on a tester and its weight: rate = difference of loads over difference of heights.

    active_share: of the mass, in the coils that work (0.75, 0.65 to 0.85, assumed); half of the rest is the dead coil
    under the retainer. Source: Hooke's law.

    >>> s = spring_from_loads(seat_height_m=0.0457, seat_load_n=530.0, open_height_m=0.0337, open_load_n=1178.0,
    ...                       mass_kg=0.095, active_share=0.75, damping_ratio=0.02)
    >>> round(s.rate_n_per_m), round(s.active_mass_kg, 5), round(s.end_coil_kg, 5)
    (54000, 0.07125, 0.01188)
    """
    if not 0.0 < open_height_m < seat_height_m:
        raise OutOfRange(
            f"open_height_m is {open_height_m}; it lies between zero and the seat height ({seat_height_m})"
        )
    if not 0.0 < active_share <= 1.0:
        raise OutOfRange(f"active_share is {active_share}; it lies above zero and is at most 1")
    rate = (open_load_n - seat_load_n) / (seat_height_m - open_height_m)
    dead_kg = (1.0 - active_share) * mass_kg
    return ValveSpring(seat_load_n, rate, active_share * mass_kg, dead_kg / 2.0, damping_ratio=damping_ratio)


def shimmed(spring: ValveSpring, shim_m: float) -> ValveSpring:
    """The spring with a shim under it (negative: one taken out): the seat load grows by rate * shim.

    Coil bind comes nearer by the same travel. Raises OutOfRange when the spring would be loose.

    >>> shimmed(ValveSpring(500.0, 50000.0, 0.07, damping_ratio=0.02), 0.001).seat_load_n
    550.0
    """
    load = spring.seat_load_n + spring.rate_n_per_m * shim_m
    if load < 0.0:
        raise OutOfRange(f"without {-shim_m * 1e3:.2f} mm of shim the spring is loose; its load would be {load:.0f} N")
    return dataclasses.replace(spring, seat_load_n=load)


def surge_ratio(spring: ValveSpring, crank_rpm: float) -> float:
    """First surge frequency of a spring over the cam's turns: f/(crank rpm/120).

    From `CLEAR_SURGE_RATIO` up the cam's harmonics that meet the surge are too small to matter. Few valve springs of
    fast engines get there: below it the surge must be looked at (`motion.SpeedPoint.surge_m`).
    Source: Shigley, Mechanical Engineering Design, critical frequency of helical springs (from memory).

    >>> round(surge_ratio(ValveSpring(500.0, 40000.0, 0.1, damping_ratio=0.02), 3000.0), 2)
    12.65
    """
    if not crank_rpm > 0.0:
        raise OutOfRange(f"crank_rpm is {crank_rpm}; it must be above zero")
    surge_hz = valvetrain.spring_surge_hz(rate_n_per_m=spring.rate_n_per_m, active_mass_kg=spring.active_mass_kg)
    return surge_hz / (crank_rpm / 120.0)


def resonant_surge_m(spring: ValveSpring, harmonic_m: float) -> float:
    """Swing (m) of the middle of a spring as one harmonic of its end's motion meets its first surge: c/(pi z).

    harmonic_m: amplitude c of that harmonic in valve lift. Of the first mode alone, steady, on top of the middle's own
    share of the lift. Source: rod driven at one end, modal sum at resonance, derived; after Wahl, Mechanical Springs,
    chapter on surge (from memory).

    >>> round(resonant_surge_m(ValveSpring(500.0, 40000.0, 0.1, damping_ratio=0.02), 1.0e-4) * 1e3, 3)
    1.592
    """
    if not spring.damping_ratio > 0.0:
        raise OutOfRange("a spring without damping would swing without bound at resonance; give its damping_ratio")
    return harmonic_m / (math.pi * spring.damping_ratio)


def without_inner(train: Train) -> Train:
    """The train run in on its outer springs alone. Raises OutOfRange when there is no inner spring."""
    if len(train.springs) < 2:
        raise OutOfRange("the train has one spring only; there is no inner to take out")
    return dataclasses.replace(train, springs=train.springs[:1])
