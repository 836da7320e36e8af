"""The engine around the cam: valve events, slider-crank, compression, road speed, friction, knock caution.

When do the valves open and close?         `valve_events`, `lobe_separation_cam_deg`, `advance_crank_deg`,
                                           `overlap_crank_deg`
What does a degree wheel reading say?      `intake_from_events`, `exhaust_from_events`
Where is the piston?                       `piston_drop_m`, `piston_drop_slope_m_per_rad`,
                                           `crank_rad_at_piston_drop`, `mean_piston_speed_m_per_s`
How long does it dwell at the top?         `dwell_crank_rad`, `dwell_series_drop_m`
How big is the cylinder?                   `swept_volume_m3`, `displacement_m3`, `clearance_volume_m3`,
                                           `clearance_volume_from_parts_m3`, `compression_ratio`,
                                           `cylinder_volume_m3`
What compression does the cam leave?       `trapped_compression_ratio`
Will the fuel stand it?                    `knock_limited_ratio`
What does it turn on the road?             `cruise_rpm`
What does it take to motor it?             `total_fmep_pa`; friction without pumping is in `friction`

Continuous crank angles are radians after top dead centre (`crank_rad`). Named valve events and the numbers
of a cam card stay in degrees, as the trade writes them, with shaft and datum in the name
(`ivc_crank_deg_abdc`: inlet closing, crank degrees after bottom dead centre).
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from lobeledger.arguments import finite, positive
from lobeledger.arrays import Num
from lobeledger.errors import OutOfRange

__all__ = [
    "LobeTiming",
    "TrappedCompression",
    "ValveEvents",
    "advance_crank_deg",
    "clearance_volume_from_parts_m3",
    "clearance_volume_m3",
    "compression_ratio",
    "crank_rad_at_piston_drop",
    "cruise_rpm",
    "cylinder_volume_m3",
    "displacement_m3",
    "dwell_crank_rad",
    "dwell_series_drop_m",
    "exhaust_from_events",
    "intake_from_events",
    "knock_limited_ratio",
    "lobe_separation_cam_deg",
    "mean_piston_speed_m_per_s",
    "overlap_crank_deg",
    "piston_drop_m",
    "piston_drop_slope_m_per_rad",
    "swept_volume_m3",
    "total_fmep_pa",
    "trapped_compression_ratio",
    "valve_events",
]


class ValveEvents(NamedTuple):
    """The four events, overlap, lobe separation and advance of one cylinder at one lift datum.

    A negative event lies on the other side of its dead centre: ivo_crank_deg_btdc = -4 opens 4 degrees after.
    """

    ivo_crank_deg_btdc: float
    ivc_crank_deg_abdc: float
    evo_crank_deg_bbdc: float
    evc_crank_deg_atdc: float
    overlap_crank_deg: float
    lobe_separation_cam_deg: float
    advance_crank_deg: float


class LobeTiming(NamedTuple):
    """Duration and centreline of one lobe (crank degrees; ATDC for the intake, BTDC for the exhaust)."""

    duration_crank_deg: float
    centreline_crank_deg: float


class TrappedCompression(NamedTuple):
    """Trapped (dynamic) compression ratio and the lift datum of the inlet closing it was reckoned from."""

    ratio: float
    ivc_crank_deg_abdc: float
    datum: str


def _crank(*, stroke_m: Any, rod_length_m: Any) -> Any:
    """Crank radius after checking that the rod is longer than it; numbers, or arrays of draws."""
    positive(stroke_m=stroke_m, rod_length_m=rod_length_m)
    if np.any(rod_length_m <= stroke_m / 2.0):
        raise OutOfRange(
            f"rod_length_m is {float(np.min(rod_length_m)):g}; the crank cannot turn unless it exceeds half the stroke "
            f"({float(np.max(stroke_m)) / 2.0:g} m)."
        )
    return stroke_m / 2.0


# --------------------------------------------------------------------------------------------- valve events


def lobe_separation_cam_deg(
    *, intake_centreline_crank_deg_atdc: float, exhaust_centreline_crank_deg_btdc: float
) -> float:
    """Lobe separation (cam degrees) from the two centrelines (crank degrees): LSA = (ICL + ECL)/2.

    Each centreline is measured from the overlap top dead centre. Their sum is the crank angle between the
    lobes; half of it is the cam angle. Source: definition, trade usage.

    >>> lobe_separation_cam_deg(intake_centreline_crank_deg_atdc=106.0,
    ...     exhaust_centreline_crank_deg_btdc=114.0)
    110.0
    """
    finite(
        intake_centreline_crank_deg_atdc=intake_centreline_crank_deg_atdc,
        exhaust_centreline_crank_deg_btdc=exhaust_centreline_crank_deg_btdc,
    )
    return (intake_centreline_crank_deg_atdc + exhaust_centreline_crank_deg_btdc) / 2.0


def advance_crank_deg(*, lobe_separation_cam_deg: float, intake_centreline_crank_deg_atdc: float) -> float:
    """Advance (crank degrees) of a cam as installed: LSA - ICL; positive when the intake lobe comes early.

    Straight up means ICL equals LSA as a number. Source: definition, trade usage.

    >>> advance_crank_deg(lobe_separation_cam_deg=110.0, intake_centreline_crank_deg_atdc=106.0)
    4.0
    """
    finite(
        lobe_separation_cam_deg=lobe_separation_cam_deg,
        intake_centreline_crank_deg_atdc=intake_centreline_crank_deg_atdc,
    )
    return lobe_separation_cam_deg - intake_centreline_crank_deg_atdc


def overlap_crank_deg(
    *, intake_duration_crank_deg: float, exhaust_duration_crank_deg: float, lobe_separation_cam_deg: float
) -> float:
    """Overlap (crank degrees) from durations at one datum and lobe separation: (Di + De)/2 - 2 LSA.

    Negative when the exhaust closes before the intake opens. Source: definition, symmetric lobes.

    >>> overlap_crank_deg(
    ...     intake_duration_crank_deg=230.0, exhaust_duration_crank_deg=236.0, lobe_separation_cam_deg=110.0
    ... )
    13.0
    """
    positive(
        intake_duration_crank_deg=intake_duration_crank_deg,
        exhaust_duration_crank_deg=exhaust_duration_crank_deg,
    )
    finite(lobe_separation_cam_deg=lobe_separation_cam_deg)
    return (intake_duration_crank_deg + exhaust_duration_crank_deg) / 2.0 - 2.0 * lobe_separation_cam_deg


def valve_events(
    *,
    intake_duration_crank_deg: float,
    exhaust_duration_crank_deg: float,
    intake_centreline_crank_deg_atdc: float,
    exhaust_centreline_crank_deg_btdc: float,
) -> ValveEvents:
    """Opening and closing of both valves from durations (one datum, crank degrees) and centrelines.

    IVO = Di/2 - ICL before TDC; IVC = Di/2 + ICL - 180 after BDC; EVO = De/2 + ECL - 180 before BDC;
    EVC = De/2 - ECL after TDC; overlap = IVO + EVC. The lobes are taken as symmetric about their centrelines,
    so an asymmetric lobe's own events must be read from its lift curve. The datum of the events is that of
    the durations. Source: definition. Raises OutOfRange for a duration outside 0 to 720.

    >>> events = valve_events(intake_duration_crank_deg=230, exhaust_duration_crank_deg=236,
    ...     intake_centreline_crank_deg_atdc=110, exhaust_centreline_crank_deg_btdc=110)
    >>> events.ivo_crank_deg_btdc, events.ivc_crank_deg_abdc, events.overlap_crank_deg
    (5.0, 45.0, 13.0)
    """
    for name, value in (("intake", intake_duration_crank_deg), ("exhaust", exhaust_duration_crank_deg)):
        if not 0.0 < value < 720.0:
            raise OutOfRange(f"The {name} duration is {value} crank degrees; it must lie between 0 and 720.")
    lsa = lobe_separation_cam_deg(
        intake_centreline_crank_deg_atdc=intake_centreline_crank_deg_atdc,
        exhaust_centreline_crank_deg_btdc=exhaust_centreline_crank_deg_btdc,
    )
    ivo = intake_duration_crank_deg / 2.0 - intake_centreline_crank_deg_atdc
    evc = exhaust_duration_crank_deg / 2.0 - exhaust_centreline_crank_deg_btdc
    return ValveEvents(
        ivo_crank_deg_btdc=ivo,
        ivc_crank_deg_abdc=intake_duration_crank_deg / 2.0 + intake_centreline_crank_deg_atdc - 180.0,
        evo_crank_deg_bbdc=exhaust_duration_crank_deg / 2.0 + exhaust_centreline_crank_deg_btdc - 180.0,
        evc_crank_deg_atdc=evc,
        overlap_crank_deg=ivo + evc,
        lobe_separation_cam_deg=lsa,
        advance_crank_deg=advance_crank_deg(
            lobe_separation_cam_deg=lsa, intake_centreline_crank_deg_atdc=intake_centreline_crank_deg_atdc
        ),
    )


def intake_from_events(*, ivo_crank_deg_btdc: float, ivc_crank_deg_abdc: float) -> LobeTiming:
    """Intake duration and centreline (crank degrees ATDC) from opening and closing at one lift.

    Di = IVO + 180 + IVC; ICL = Di/2 - IVO. The centreline is the middle of the event, which is the lobe's
    nose only when the lobe is symmetric. Source: definition.

    >>> intake_from_events(ivo_crank_deg_btdc=5.0, ivc_crank_deg_abdc=45.0)
    LobeTiming(duration_crank_deg=230.0, centreline_crank_deg=110.0)
    """
    return _timing(ivo_crank_deg_btdc, ivc_crank_deg_abdc, "intake")


def exhaust_from_events(*, evo_crank_deg_bbdc: float, evc_crank_deg_atdc: float) -> LobeTiming:
    """Exhaust duration and centreline (crank degrees BTDC) from opening and closing at one lift.

    De = EVO + 180 + EVC; ECL = De/2 - EVC. Source: definition; the centreline is the middle of the event.

    >>> exhaust_from_events(evo_crank_deg_bbdc=48.0, evc_crank_deg_atdc=8.0)
    LobeTiming(duration_crank_deg=236.0, centreline_crank_deg=110.0)
    """
    return _timing(evc_crank_deg_atdc, evo_crank_deg_bbdc, "exhaust")


def _timing(near_tdc_deg: float, near_bdc_deg: float, which: str) -> LobeTiming:
    duration = near_tdc_deg + 180.0 + near_bdc_deg
    if not 0.0 < duration < 720.0:
        raise OutOfRange(
            f"The {which} events give a duration of {duration} crank degrees; check their signs: "
            "it must lie between 0 and 720."
        )
    return LobeTiming(duration, duration / 2.0 - near_tdc_deg)


# --------------------------------------------------------------------------------------------- slider-crank


def piston_drop_m(crank_rad: Num, *, stroke_m: Any, rod_length_m: Any) -> Num:
    """Piston travel below top dead centre (m) at a crank angle (rad after TDC), no pin offset.

    y = R (1 - cos t) + L - sqrt(L^2 - R^2 sin^2 t), R half the stroke, L the rod's centre distance. Any
    angle. Source: Heywood, *Internal Combustion Engine Fundamentals*, ch. 2, eqs 2.4-2.6 (from memory).
    Raises OutOfRange when the rod is no longer than the crank radius.

    >>> round(float(piston_drop_m(math.radians(90), stroke_m=3.48, rod_length_m=5.70)), 5)
    2.01207
    """
    radius = _crank(stroke_m=stroke_m, rod_length_m=rod_length_m)
    # Both differences are written as sums of squares: 1 - cos loses all digits near TDC, where dwell is read.
    half, sine = np.sin(0.5 * crank_rad), np.sin(crank_rad)
    sag = (radius * sine) ** 2 / (rod_length_m + np.sqrt(rod_length_m**2 - (radius * sine) ** 2))
    drop: Num = 2.0 * radius * half**2 + sag
    return drop


def piston_drop_slope_m_per_rad(crank_rad: Num, *, stroke_m: float, rod_length_m: float) -> Num:
    """Rate of piston drop with crank angle dy/dt (m/rad); times angular speed it is the piston's velocity.

    dy/dt = R sin t (1 + R cos t / sqrt(L^2 - R^2 sin^2 t)). Source: derivative of `piston_drop_m`.
    Raises OutOfRange when the rod is no longer than the crank radius.
    """
    radius = _crank(stroke_m=stroke_m, rod_length_m=rod_length_m)
    sine, cosine = np.sin(crank_rad), np.cos(crank_rad)
    slope: Num = radius * sine * (1.0 + radius * cosine / np.sqrt(rod_length_m**2 - (radius * sine) ** 2))
    return slope


def crank_rad_at_piston_drop(drop_m: float, *, stroke_m: float, rod_length_m: float) -> float:
    """Crank angle after TDC (rad, 0 to pi) at which the piston has dropped `drop_m`.

    From the triangle of crank, rod and bore axis: sin^2(t/2) = y (2 L - y) / (4 R (R + L - y)), the
    half-angle form of the law of cosines. Raises OutOfRange for a drop outside the stroke.

    >>> round(math.degrees(crank_rad_at_piston_drop(1.74, stroke_m=3.48, rod_length_m=5.70)), 4)
    81.2205
    """
    radius = _crank(stroke_m=stroke_m, rod_length_m=rod_length_m)
    if not 0.0 <= drop_m <= stroke_m:
        raise OutOfRange(f"drop_m is {drop_m:g}; the piston drops between 0 and the stroke ({stroke_m:g} m).")
    square = drop_m * (2.0 * rod_length_m - drop_m) / (4.0 * radius * (radius + rod_length_m - drop_m))
    # Rounding can carry the square past one by an ulp at the full stroke; the range was checked above.
    return 2.0 * math.asin(math.sqrt(min(square, 1.0)))


def dwell_crank_rad(drop_m: float, *, stroke_m: float, rod_length_m: float) -> float:
    """Total crank angle about TDC (rad) over which the piston is within `drop_m` of the top.

    Twice `crank_rad_at_piston_drop`: why a dial indicator alone finds TDC poorly. Raises as that function.

    >>> round(math.degrees(dwell_crank_rad(0.0005, stroke_m=3.48, rod_length_m=5.70)) / 2, 2)
    1.2
    """
    return 2.0 * crank_rad_at_piston_drop(drop_m, stroke_m=stroke_m, rod_length_m=rod_length_m)


def dwell_series_drop_m(crank_rad: Num, *, stroke_m: float, rod_length_m: float) -> Num:
    """Drop near TDC by the first term of its series (m): y = (R/2) t^2 (1 + R/L); within 0.5 % to 10 degrees.

    For hand checks and lessons; `piston_drop_m` is exact. Source: series of the slider-crank equation.
    """
    radius = _crank(stroke_m=stroke_m, rod_length_m=rod_length_m)
    drop: Num = 0.5 * radius * crank_rad**2 * (1.0 + radius / rod_length_m)
    return drop


def mean_piston_speed_m_per_s(speed_rpm: Num, *, stroke_m: float) -> Num:
    """Mean piston speed (m/s) = 2 S N/60. Source: definition (Heywood, eq. 2.9, from memory).

    >>> round(mean_piston_speed_m_per_s(2400.0, stroke_m=0.140), 3)
    11.2
    """
    positive(stroke_m=stroke_m)
    speed: Num = 2.0 * stroke_m * speed_rpm / 60.0
    return speed


# -------------------------------------------------------------------------------------------------- volumes


def swept_volume_m3(*, bore_m: float, stroke_m: float) -> float:
    """Swept volume of one cylinder (m3) = pi B^2 S / 4. Source: definition.

    >>> round(swept_volume_m3(bore_m=4.00, stroke_m=3.48), 3)  # inches in, cubic inches out
    43.731
    """
    positive(bore_m=bore_m, stroke_m=stroke_m)
    return math.pi * bore_m**2 * stroke_m / 4.0


def displacement_m3(*, bore_m: float, stroke_m: float, cylinders: int) -> float:
    """Displacement of the engine (m3): swept volume times the number of cylinders. Source: definition."""
    if cylinders < 1:
        raise OutOfRange(f"cylinders is {cylinders}; an engine has at least one.")
    return cylinders * swept_volume_m3(bore_m=bore_m, stroke_m=stroke_m)


def clearance_volume_m3(*, swept_volume_m3: float, compression_ratio: float) -> float:
    """Clearance volume (m3) that gives a static compression ratio: Vd/(r - 1). Source: definition.

    Raises OutOfRange when the ratio is not above one.
    """
    positive(swept_volume_m3=swept_volume_m3)
    if not compression_ratio > 1.0:
        raise OutOfRange(f"compression_ratio is {compression_ratio}; it must exceed 1.")
    return swept_volume_m3 / (compression_ratio - 1.0)


def compression_ratio(*, swept_volume_m3: float, clearance_volume_m3: float) -> float:
    """Static compression ratio 1 + Vd/Vc. Source: definition."""
    positive(swept_volume_m3=swept_volume_m3, clearance_volume_m3=clearance_volume_m3)
    return 1.0 + swept_volume_m3 / clearance_volume_m3


def clearance_volume_from_parts_m3(
    *,
    chamber_volume_m3: float,
    gasket_bore_m: float,
    gasket_thickness_m: float,
    bore_m: float,
    deck_clearance_m: float,
    piston_dish_volume_m3: float = 0.0,
) -> float:
    """Clearance volume (m3) from what a builder measures: chamber, compressed gasket, deck, piston top.

    Vc = V_chamber + pi/4 (Dg^2 tg + B^2 deck) + V_dish. `deck_clearance_m` is positive with the piston below
    the deck; a dome is a negative dish. Ring-land crevice (order 1 cm3, assumed) is left out. Source:
    geometry. Raises OutOfRange when nothing is left.
    """
    positive(chamber_volume_m3=chamber_volume_m3, gasket_bore_m=gasket_bore_m, bore_m=bore_m)
    volume = (
        chamber_volume_m3
        + math.pi / 4.0 * (gasket_bore_m**2 * gasket_thickness_m + bore_m**2 * deck_clearance_m)
        + piston_dish_volume_m3
    )
    if not volume > 0.0:
        raise OutOfRange(f"The clearance volume comes to {volume:g} m3; check the dome, deck and chamber figures.")
    return volume


def cylinder_volume_m3(
    crank_rad: Num, *, bore_m: float, stroke_m: float, rod_length_m: float, compression_ratio: float
) -> Num:
    """Volume above the piston (m3) at a crank angle (rad after TDC): Vc + pi B^2/4 y(t).

    Source: Heywood, ch. 2, eq. 2.4 (from memory). Raises OutOfRange for impossible geometry.
    """
    swept = swept_volume_m3(bore_m=bore_m, stroke_m=stroke_m)
    clearance = clearance_volume_m3(swept_volume_m3=swept, compression_ratio=compression_ratio)
    drop = piston_drop_m(crank_rad, stroke_m=stroke_m, rod_length_m=rod_length_m)
    volume: Num = clearance + swept / stroke_m * drop
    return volume


def trapped_compression_ratio(
    *,
    ivc_crank_deg_abdc: float,
    datum: str,
    stroke_m: float,
    rod_length_m: float,
    compression_ratio: float,
) -> TrappedCompression:
    """Trapped (dynamic) compression ratio from inlet closing: V(IVC)/Vc, tagged with its lift datum.

    The same engine reads higher from a closing quoted at more lift, so the datum ("seat", "0.006 in lobe
    lift") is part of the answer and may not be empty. Needs no bore: everything scales with it. Compression
    that begins after the gas has really stopped flowing is later than any geometric datum at speed. Source:
    definition. Raises OutOfRange when closing lies outside 0 to 180 degrees after BDC.

    >>> low = trapped_compression_ratio(ivc_crank_deg_abdc=60, datum="seat", stroke_m=3.48, rod_length_m=5.70,
    ...     compression_ratio=10)
    >>> round(low.ratio, 3), low.datum
    (8.274, 'seat')
    """
    if not datum.strip():
        raise OutOfRange("The lift datum of the inlet closing is empty; name it, such as 'seat' or '0.050 in lobe'.")
    if not 0.0 <= ivc_crank_deg_abdc < 180.0:
        raise OutOfRange(
            f"ivc_crank_deg_abdc is {ivc_crank_deg_abdc}; inlet closing must lie from 0 to 180 degrees after BDC."
        )
    if not compression_ratio > 1.0:
        raise OutOfRange(f"compression_ratio is {compression_ratio}; it must exceed 1.")
    drop = piston_drop_m(math.radians(180.0 + ivc_crank_deg_abdc), stroke_m=stroke_m, rod_length_m=rod_length_m)
    ratio = 1.0 + (compression_ratio - 1.0) * float(drop) / stroke_m
    return TrappedCompression(ratio, ivc_crank_deg_abdc, datum)


def knock_limited_ratio(octane_aki: float, *, ratio_at_91: float, ratio_per_octane: float) -> float:
    """Trapped compression ratio above which an engine begins to need care on a fuel: a caution, not a forecast.

    ratio_at_91 + ratio_per_octane (octane - 91), octane (R+M)/2. Both figures are common practice, not physics: chamber
    shape, spark, mixture, water temperature and altitude all move the limit. They belong to one inlet-closing datum.
    Raises OutOfRange for octane or ratio not above zero.

    >>> [round(knock_limited_ratio(o, ratio_at_91=8.3, ratio_per_octane=0.1), 2) for o in (87, 91, 105)]
    [7.9, 8.3, 9.7]
    """
    positive(octane_aki=octane_aki, ratio_at_91=ratio_at_91)
    return ratio_at_91 + ratio_per_octane * (octane_aki - 91.0)


# ------------------------------------------------------------------------------------------ road and friction


def cruise_rpm(vehicle_speed_m_per_s: Num, *, axle_ratio: float, top_gear_ratio: float, tyre_diameter_m: float) -> Num:
    """Engine speed (rpm) at a road speed (m/s): 60 v i_axle i_gear / (pi d_tyre), no slip.

    In trade units it is mph x axle x gear x 336.1 / tyre inches. `top_gear_ratio` is engine turns a turn of
    the propeller shaft (1 direct, 0.7 overdrive). The loaded tyre rolls 2-4 % smaller than it measures and a
    converter that is not locked slips another few per cent (both assumed): the true speed is the higher.
    Source: definition. Raises OutOfRange for ratios or a tyre not above zero.

    >>> mph, inch = 0.44704, 0.0254
    >>> round(cruise_rpm(60 * mph, axle_ratio=3.55, top_gear_ratio=1.0, tyre_diameter_m=27 * inch), 0)
    2652.0
    """
    positive(axle_ratio=axle_ratio, top_gear_ratio=top_gear_ratio, tyre_diameter_m=tyre_diameter_m)
    if np.any(np.asarray(vehicle_speed_m_per_s) < 0.0):
        raise OutOfRange("vehicle_speed_m_per_s is negative; give the speed forward.")
    speed: Num = 60.0 * vehicle_speed_m_per_s * axle_ratio * top_gear_ratio / (math.pi * tyre_diameter_m)
    return speed


def total_fmep_pa(speed_rpm: Num) -> Num:
    """Total motored friction mean effective pressure (Pa) of a spark-ignition engine at wide-open throttle.

    fmep = 0.97 + 0.15 (N/1000) + 0.05 (N/1000)^2 bar. A fit to motored four-cylinder engines of the 1960s and
    1970s, so it holds some wide-open pumping too and must not meet a pumping term (`friction.friction_mep` has none):
    use +-20 %. Valid about 500-6500 rpm (range assumed).
    Source: Barnes-Moss, as Heywood, eq. 13.6 (from memory). Raises OutOfRange below zero.

    >>> round(total_fmep_pa(2000.0))
    147000
    """
    if np.any(np.asarray(speed_rpm) < 0.0):
        raise OutOfRange("speed_rpm is negative; give the engine speed as a positive number.")
    thousands = speed_rpm / 1000.0
    fmep: Num = 1e5 * (0.97 + 0.15 * thousands + 0.05 * thousands**2)
    return fmep
