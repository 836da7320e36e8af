"""Friction of the engine, each part apart, and what it costs in fuel. Pumping is never in it.

What do crank and pistons rub?            `crankshaft_fmep_pa`, `reciprocating_fmep_pa`, `gas_load_fmep_pa`
What does the valvetrain take?            `follower_fmep_pa` (cam and follower alone), `valvetrain_fmep_pa` (all of it)
What do oil and water pump take?          `accessory_fmep_pa`
All of it, by two published fits?         `component_friction`, `chen_flynn_friction` -> `FrictionMep`
All of it, at the share of the way between them that a model takes?   `friction_mep`
How much fuel does a little more friction burn?   `marginal_fuel_m3`
How many main bearings?                   `main_bearing_count`

Mean effective pressures over the displacement of the whole engine (Pa). Both fits are without pumping: take that from
the cycle, or from the pressures across the piston. A motored figure (`crank.total_fmep_pa`) holds some pumping and
must not meet a pumping term. The follower's own term is one function, so torque, fuel and cost speak of one figure.
The two fits part company above about 3,000 rpm: they are the low and the high of a band, not a truth and an error.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from lobeledger.arguments import not_negative, positive
from lobeledger.errors import OutOfRange

__all__ = [
    "FrictionMep",
    "accessory_fmep_pa",
    "chen_flynn_friction",
    "component_friction",
    "crankshaft_fmep_pa",
    "follower_fmep_pa",
    "friction_mep",
    "gas_load_fmep_pa",
    "main_bearing_count",
    "marginal_fuel_m3",
    "reciprocating_fmep_pa",
    "valvetrain_fmep_pa",
]

# Journals of pushrod engines as shares of the bore: 2.45 in and 2.10 in on a 4.00 in bore, each about 0.85 in long
# (common practice for V8s of this kind; no source).
_MAIN_JOURNAL, _CRANKPIN, _JOURNAL_LENGTH = 0.60, 0.52, 0.21
# Peak pressure of a fired cycle over the motored one, for the term of `chen_flynn_friction` that grows with it: about
# 3.4 at full load, 1.7 at idle; its weight is small and one figure serves both (assumed).
_PEAK_OVER_MOTORED = 3.0
_FOLLOWERS = ("flat", "roller")


class FrictionMep(NamedTuple):
    """Friction mean effective pressure (Pa) = `unloaded_pa` + `gas_load_pa` x intake pressure over ambient."""

    unloaded_pa: Any
    gas_load_pa: Any

    def at(self, intake_over_ambient: Any) -> Any:
        """Friction mep (Pa) at an intake pressure over ambient: 1 at full throttle, about 0.3 at idle.

        >>> FrictionMep(70e3, 20e3).at(0.5)
        80000.0
        """
        return self.unloaded_pa + self.gas_load_pa * intake_over_ambient


def main_bearing_count(cylinders: int) -> int:
    """Main bearings: half the cylinders and one more for eight and above (a vee), else one more than the cylinders.

    Common practice, no source; an inline six has seven and a V8 five. A vee of six has four, which this does not know.

    >>> main_bearing_count(8), main_bearing_count(6)
    (5, 7)
    """
    if cylinders < 1:
        raise OutOfRange(f"cylinders is {cylinders}; there is at least one.")
    return cylinders // 2 + 1 if cylinders >= 8 else cylinders + 1


def _mm(**lengths_m: Any) -> Any:
    """Lengths in the millimetres that the component fit is written in, checked."""
    positive(**lengths_m)
    return tuple(1000.0 * np.asarray(length, dtype=float) for length in lengths_m.values())


def crankshaft_fmep_pa(speed_rpm: Any, *, bore_m: Any, stroke_m: Any, cylinders: int, main_bearings: int) -> Any:
    """Main bearings and seals (Pa): seals + oil film + oil churned through the journals.

    1.22e5 D/(B2 S n) + 3.03e-4 N D3 L m/(B2 S n) + 1.35e-10 D2 N2 m/n kPa, lengths in mm, D and L of a main journal
    (0.60 and 0.21 of the bore, common practice), m bearings, n cylinders. Source: Patton, Nitschke and Heywood, SAE
    890836 (from memory; about 1000-6000 rpm, assumed).

    >>> round(float(crankshaft_fmep_pa(2000.0, bore_m=0.1, stroke_m=0.1, cylinders=8, main_bearings=5)))
    3848
    """
    positive(speed_rpm=speed_rpm)
    b, s = _mm(bore_m=bore_m, stroke_m=stroke_m)
    d, length = _MAIN_JOURNAL * b, _JOURNAL_LENGTH * b
    swept = b**2 * s * cylinders
    seals, film = 1.22e5 * d / swept, 3.03e-4 * speed_rpm * d**3 * length * main_bearings / swept
    return 1e3 * (seals + film + 1.35e-10 * d**2 * speed_rpm**2 * main_bearings / cylinders)


def reciprocating_fmep_pa(speed_rpm: Any, *, bore_m: Any, stroke_m: Any) -> Any:
    """Pistons, rings and rod bearings without the gas behind the rings (Pa).

    294 Sp/B + 4.06e4 (1 + 1000/N)/B2 + 3.03e-4 N D3 L/(B2 S) kPa, B, S, D, L in mm, Sp in m/s; D and L of a crankpin
    (0.52 and 0.21 of the bore, common practice). Source: as `crankshaft_fmep_pa` (from memory).

    >>> round(float(reciprocating_fmep_pa(2000.0, bore_m=0.1, stroke_m=0.1)))
    27479
    """
    positive(speed_rpm=speed_rpm)
    b, s = _mm(bore_m=bore_m, stroke_m=stroke_m)
    d, length, piston_speed = _CRANKPIN * b, _JOURNAL_LENGTH * b, 2.0 * s * 1e-3 * speed_rpm / 60.0
    skirts, rings = 294.0 * piston_speed / b, 4.06e4 * (1.0 + 1000.0 / speed_rpm) / b**2
    return 1e3 * (skirts + rings + 3.03e-4 * speed_rpm * d**3 * length / (b**2 * s))


def gas_load_fmep_pa(speed_rpm: Any, *, stroke_m: Any, compression_ratio: Any) -> Any:
    """What gas pressure behind the rings adds at full throttle (Pa); in proportion to intake over ambient below it.

    6.89 (0.088 r + 0.182 r^(1.33 - 0.0238 Sp)) kPa, r the compression ratio, Sp in m/s. Source: as
    `crankshaft_fmep_pa` (from memory).

    >>> round(float(gas_load_fmep_pa(2000.0, stroke_m=0.09, compression_ratio=9.0)))
    22485
    """
    positive(speed_rpm=speed_rpm, stroke_m=stroke_m)
    r = np.asarray(compression_ratio, dtype=float)
    if not np.all(r > 1.0):
        raise OutOfRange(f"compression_ratio is {compression_ratio}; it must exceed 1.")
    piston_speed = 2.0 * stroke_m * speed_rpm / 60.0
    return 6.89e3 * (0.088 * r + 0.182 * r ** (1.33 - 0.0238 * piston_speed))


def follower_fmep_pa(speed_rpm: Any, *, follower: str, valves: int, cylinders: int, stroke_m: Any) -> Any:
    """Cam and follower alone (Pa), pushrod engine: flat falls as speed rises, roller grows and stays small.

    Flat 400 (1 + 1000/N) v/(S n), roller 0.0050 N v/(S n) kPa, S in mm, v valves of the whole engine, n cylinders.
    This is the whole difference between the followers: bearings, rockers and guides are in `valvetrain_fmep_pa`. Spring
    loads do not appear: a fit to typical ones. Source: as `crankshaft_fmep_pa` (from memory).

    >>> [round(float(follower_fmep_pa(2000.0, follower=f, valves=16, cylinders=8, stroke_m=0.1))) for f in _FOLLOWERS]
    [12000, 200]
    """
    positive(speed_rpm=speed_rpm)
    (s,) = _mm(stroke_m=stroke_m)
    if valves < 1 or cylinders < 1:
        raise OutOfRange(f"valves is {valves} and cylinders {cylinders}; both are at least one.")
    if follower not in _FOLLOWERS:
        raise OutOfRange(f"follower is '{follower}'; it is flat or roller.")
    scale = valves / (s * cylinders)
    if follower == "flat":
        return 1e3 * 400.0 * (1.0 + 1000.0 / speed_rpm) * scale
    return 1e3 * 0.0050 * speed_rpm * scale


def valvetrain_fmep_pa(
    speed_rpm: Any,
    *,
    follower: str,
    bore_m: Any,
    stroke_m: Any,
    cylinders: int,
    main_bearings: int,
    valves: int,
    valve_lift_m: Any,
) -> Any:
    """The whole valvetrain (Pa): cam bearings, followers (`follower_fmep_pa`), and what slides to and fro.

    244 N m/(B2 S n) + follower + 0.5 h^1.5 N^0.5 v/(B S n) + 32.1 (1 + 1000/N) h v/(S n) kPa, lengths in mm, h the
    greatest valve lift, as many cam bearings as mains; the coefficients of a pushrod engine. Source: as
    `crankshaft_fmep_pa` (from memory).

    >>> round(float(valvetrain_fmep_pa(2000.0, follower="flat", bore_m=0.1, stroke_m=0.1, cylinders=8,
    ...     main_bearings=5, valves=16, valve_lift_m=0.011)))
    23061
    """
    b, s, lift = _mm(bore_m=bore_m, stroke_m=stroke_m, valve_lift_m=valve_lift_m)
    bearings = 244.0 * speed_rpm * main_bearings / (b**2 * s * cylinders)
    film = 0.5 * lift**1.5 * speed_rpm**0.5 * valves / (b * s * cylinders)
    mixed = 32.1 * (1.0 + 1000.0 / speed_rpm) * lift * valves / (s * cylinders)
    own = follower_fmep_pa(speed_rpm, follower=follower, valves=valves, cylinders=cylinders, stroke_m=stroke_m)
    return own + 1e3 * (bearings + film + mixed)


def accessory_fmep_pa(speed_rpm: Any) -> Any:
    """Oil pump, water pump and an alternator that charges nothing (Pa): 6.23 + 5.22e-3 N - 1.79e-7 N2 kPa.

    A fan, a charging alternator and a steering pump come on top. Source: as `crankshaft_fmep_pa` (from memory).

    >>> round(float(accessory_fmep_pa(2000.0)))
    15954
    """
    positive(speed_rpm=speed_rpm)
    return 1e3 * (6.23 + 5.22e-3 * speed_rpm - 1.79e-7 * speed_rpm**2)


def component_friction(
    speed_rpm: Any,
    *,
    follower: str,
    bore_m: Any,
    stroke_m: Any,
    cylinders: int,
    compression_ratio: Any,
    valve_lift_m: Any,
    main_bearings: int | None = None,
) -> FrictionMep:
    """Friction by components, two valves a cylinder: crank, pistons, valvetrain and pumps. No windage.

    Extrapolated above about 6,000 rpm, where it reads low. Source: Patton, Nitschke and Heywood, SAE 890836 (from
    memory).
    """
    bearings = main_bearing_count(cylinders) if main_bearings is None else main_bearings
    size = {"bore_m": bore_m, "stroke_m": stroke_m}
    unloaded = (
        crankshaft_fmep_pa(speed_rpm, **size, cylinders=cylinders, main_bearings=bearings)
        + reciprocating_fmep_pa(speed_rpm, **size)
        + valvetrain_fmep_pa(
            speed_rpm,
            follower=follower,
            **size,
            cylinders=cylinders,
            main_bearings=bearings,
            valves=2 * cylinders,
            valve_lift_m=valve_lift_m,
        )
        + accessory_fmep_pa(speed_rpm)
    )
    return FrictionMep(unloaded, gas_load_fmep_pa(speed_rpm, stroke_m=stroke_m, compression_ratio=compression_ratio))


def chen_flynn_friction(
    speed_rpm: Any, *, follower: str, stroke_m: Any, cylinders: int, compression_ratio: Any, ambient_pressure_pa: Any
) -> FrictionMep:
    """Friction by peak pressure and piston speed: 0.4 bar + 0.005 p_max + 0.09 Sp + 0.0009 Sp2 (bar, m/s).

    p_max is three times the motored p r^1.3 (assumed). The fit knows no follower: it is taken to stand midway, so half
    the difference of `follower_fmep_pa` is added for a flat and taken off for a roller, and both fits differ by the
    same for one change of follower (assumed). Source: the form of Chen and Flynn, SAE 650733, with coefficients common
    for spark ignition (from memory).

    >>> flat, roller = (chen_flynn_friction(2000.0, follower=f, stroke_m=0.09, cylinders=8, compression_ratio=9.0,
    ...     ambient_pressure_pa=1e5).at(1.0) for f in _FOLLOWERS)
    >>> round(float(flat + roller) / 2), round(float(flat - roller))
    (123338, 13111)
    """
    positive(speed_rpm=speed_rpm, stroke_m=stroke_m, ambient_pressure_pa=ambient_pressure_pa)
    valves = 2 * cylinders
    flat, roller = (
        follower_fmep_pa(speed_rpm, follower=kind, valves=valves, cylinders=cylinders, stroke_m=stroke_m)
        for kind in _FOLLOWERS
    )
    own = follower_fmep_pa(speed_rpm, follower=follower, valves=valves, cylinders=cylinders, stroke_m=stroke_m)
    piston_speed = 2.0 * stroke_m * speed_rpm / 60.0
    unloaded = 40e3 + 9e3 * piston_speed + 90.0 * piston_speed**2 + own - 0.5 * (flat + roller)
    peak = _PEAK_OVER_MOTORED * ambient_pressure_pa * np.asarray(compression_ratio, dtype=float) ** 1.3
    return FrictionMep(unloaded, 0.005 * peak)


def friction_mep(
    speed_rpm: Any,
    *,
    follower: str,
    bore_m: Any,
    stroke_m: Any,
    cylinders: int,
    compression_ratio: Any,
    valve_lift_m: Any,
    ambient_pressure_pa: Any,
    between: Any,
    scale: Any = 1.0,
) -> FrictionMep:
    """Friction of the engine without pumping, `between` the two fits and times `scale`.

    between: 0 is `component_friction`, 1 `chen_flynn_friction`; at idle they agree to some 10 %, at 7,000 rpm the
    second is nearly twice the first. Every number may be an array of draws. `.at(1.0)` is full throttle.

    >>> engine = dict(follower="flat", bore_m=0.1024, stroke_m=0.0884, cylinders=8, compression_ratio=9.0,
    ...     valve_lift_m=0.011, ambient_pressure_pa=99e3)
    >>> [round(float(friction_mep(4000.0, **engine, between=b).at(1.0)) / 1e3) for b in (0.0, 0.5, 1.0)]
    [118, 154, 190]
    """
    not_negative(between=between)
    positive(scale=scale)
    if not np.all(np.asarray(between, dtype=float) <= 1.0):
        raise OutOfRange(f"between is {between}; it runs from 0, the one fit, to 1, the other.")
    shared = {
        "follower": follower,
        "stroke_m": stroke_m,
        "cylinders": cylinders,
        "compression_ratio": compression_ratio,
    }
    one = component_friction(speed_rpm, bore_m=bore_m, valve_lift_m=valve_lift_m, **shared)
    other = chen_flynn_friction(speed_rpm, ambient_pressure_pa=ambient_pressure_pa, **shared)
    return FrictionMep(*(scale * (a + between * (b - a)) for a, b in zip(one, other, strict=True)))


def marginal_fuel_m3(
    *,
    time_s: Any,
    speed_rpm: Any,
    displacement_m3: Any,
    friction_mep_pa: Any,
    marginal_efficiency: Any,
    heating_value_j_per_kg: Any,
    density_kg_per_m3: Any,
) -> Any:
    """Fuel (m3) that a little friction more burns at unchanged brake load and speed.

    Fuel over work is nearly a straight line at one speed (Willans); its slope gives the work that the next drop of fuel
    does. The engine's mean efficiency at light load is the wrong one: it also carries the fuel that is burned at no
    load. Friction work = mep x displacement x turns/2. Source: Willans line, as Heywood, ch. 13, and Ross and An, SAE
    930329 (both from memory).

    >>> round(1000 * marginal_fuel_m3(time_s=3600.0, speed_rpm=2000.0, displacement_m3=0.00573, friction_mep_pa=13.4e3,
    ...     marginal_efficiency=0.38, heating_value_j_per_kg=43.9e6, density_kg_per_m3=745.0), 3)
    0.371
    """
    positive(
        marginal_efficiency=marginal_efficiency,
        heating_value_j_per_kg=heating_value_j_per_kg,
        density_kg_per_m3=density_kg_per_m3,
        displacement_m3=displacement_m3,
    )
    not_negative(time_s=time_s, speed_rpm=speed_rpm, friction_mep_pa=friction_mep_pa)
    work_j = friction_mep_pa * displacement_m3 * time_s * speed_rpm / 120.0
    return work_j / (marginal_efficiency * heating_value_j_per_kg * density_kg_per_m3)
