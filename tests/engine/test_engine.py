"""The engine room against handbooks, definitions and its own geometry."""

from __future__ import annotations

import math

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from lobeledger.engine.crank import (
    advance_crank_deg,
    clearance_volume_from_parts_m3,
    clearance_volume_m3,
    compression_ratio,
    crank_rad_at_piston_drop,
    cruise_rpm,
    cylinder_volume_m3,
    displacement_m3,
    dwell_crank_rad,
    dwell_series_drop_m,
    exhaust_from_events,
    intake_from_events,
    knock_limited_ratio,
    lobe_separation_cam_deg,
    mean_piston_speed_m_per_s,
    overlap_crank_deg,
    piston_drop_m,
    piston_drop_slope_m_per_rad,
    swept_volume_m3,
    total_fmep_pa,
    trapped_compression_ratio,
    valve_events,
)
from lobeledger.errors import OutOfRange

# Geometry of the published checks, in inches: every formula here scales, so inches in give inches out.
STROKE, ROD, BORE = 3.48, 5.70, 4.00
CRANK = {"stroke_m": STROKE, "rod_length_m": ROD}
ureg = pint.UnitRegistry()

strokes = st.floats(0.05, 0.12)
rod_ratios = st.floats(1.3, 2.5)  # rod over stroke
angles = st.floats(0.0, 2.0 * math.pi)


# Heywood, Internal Combustion Engine Fundamentals, ch. 2, eqs 2.4-2.6 (formula from memory, values computed
# twice by hand arithmetic); printed to 1e-5 in.
@pytest.mark.parametrize(("deg", "drop"), [(10.0, 0.034448), (90.0, 2.01207)])
def test_heywood_piston_drop(deg: float, drop: float) -> None:
    assert piston_drop_m(math.radians(deg), **CRANK) == pytest.approx(drop, abs=1e-5)


def test_heywood_half_stroke_angle() -> None:
    # Half stroke at 81.2205 degrees after TDC; printed to 1e-4 degree.
    assert math.degrees(crank_rad_at_piston_drop(STROKE / 2, **CRANK)) == pytest.approx(81.2205, abs=1e-4)


@given(strokes, rod_ratios, angles)
def test_rod_keeps_its_length(stroke: float, ratio: float, angle: float) -> None:
    """Crankpin to wrist pin is the rod, whatever formula gave the wrist pin's height."""
    rod, radius = ratio * stroke, stroke / 2
    wrist = radius + rod - piston_drop_m(angle, stroke_m=stroke, rod_length_m=rod)
    pin = complex(radius * math.cos(angle), radius * math.sin(angle))
    assert abs(wrist - pin) == pytest.approx(rod, rel=1e-12)


@given(strokes, rod_ratios, st.floats(0.05, 6.2))
def test_slope_is_the_derivative_of_drop(stroke: float, ratio: float, angle: float) -> None:
    geometry = {"stroke_m": stroke, "rod_length_m": ratio * stroke}
    h = 1e-3
    points = np.array([angle - 2 * h, angle - h, angle + h, angle + 2 * h])
    fourth_order = float(np.dot([1.0, -8.0, 8.0, -1.0], piston_drop_m(points, **geometry))) / (12.0 * h)
    assert piston_drop_slope_m_per_rad(angle, **geometry) == pytest.approx(fourth_order, abs=1e-9 * stroke)


@given(strokes, rod_ratios, st.floats(1e-6, 1.0))
def test_drop_and_angle_invert_each_other(stroke: float, ratio: float, share: float) -> None:
    geometry = {"stroke_m": stroke, "rod_length_m": ratio * stroke}
    angle = crank_rad_at_piston_drop(share * stroke, **geometry)
    assert float(piston_drop_m(angle, **geometry)) == pytest.approx(share * stroke, rel=1e-9)


def test_drop_angle_agrees_with_a_root_finder() -> None:
    found = brentq(lambda t: float(piston_drop_m(t, **CRANK)) - 0.7, 0.0, math.pi, xtol=1e-14)
    assert crank_rad_at_piston_drop(0.7, **CRANK) == pytest.approx(found, abs=1e-12)


def test_drop_at_the_dead_centres_is_exact() -> None:
    assert piston_drop_m(0.0, **CRANK) == 0.0
    assert float(piston_drop_m(math.pi, **CRANK)) == pytest.approx(STROKE, rel=1e-15)
    assert crank_rad_at_piston_drop(0.0, **CRANK) == 0.0
    assert crank_rad_at_piston_drop(STROKE, **CRANK) == pytest.approx(math.pi, abs=1e-7)


# Swept volume by definition; printed to 0.001 in3 (and 0.01 for eight).
def test_swept_volume_and_displacement() -> None:
    assert swept_volume_m3(bore_m=BORE, stroke_m=STROKE) == pytest.approx(43.731, abs=5e-4)
    assert displacement_m3(bore_m=BORE, stroke_m=STROKE, cylinders=8) == pytest.approx(349.85, abs=5e-3)


# Trapped ratio by definition, static 10.0. The hand arithmetic this list comes from gave 8.275 at 60 degrees;
# the exact figure is 8.27446, which rounds to 8.274 (closed form sqrt(5.7^2 - 0.75 x 1.74^2) = 5.49721).
# Half a unit in the last printed digit.
@pytest.mark.parametrize(("ivc", "ratio"), [(40, 9.234), (50, 8.801), (60, 8.274), (70, 7.659), (80, 6.963)])
def test_trapped_ratio_by_definition(ivc: float, ratio: float) -> None:
    found = trapped_compression_ratio(ivc_crank_deg_abdc=ivc, datum="seat", compression_ratio=10.0, **CRANK)
    assert found.ratio == pytest.approx(ratio, abs=5e-4)
    assert found.datum == "seat"


def test_trapped_ratio_is_the_ratio_of_cylinder_volumes() -> None:
    volume = cylinder_volume_m3(math.radians(180 + 63), bore_m=BORE, compression_ratio=9.3, **CRANK)
    clearance = clearance_volume_m3(
        swept_volume_m3=swept_volume_m3(bore_m=BORE, stroke_m=STROKE), compression_ratio=9.3
    )
    found = trapped_compression_ratio(ivc_crank_deg_abdc=63, datum="seat", compression_ratio=9.3, **CRANK)
    assert found.ratio == pytest.approx(float(volume) / clearance, rel=1e-12)


@given(strokes, rod_ratios, st.floats(7.0, 14.0), st.floats(0.0, 120.0))
def test_later_closing_traps_less(stroke: float, ratio: float, compression: float, ivc: float) -> None:
    def trapped(angle: float) -> float:
        return trapped_compression_ratio(
            ivc_crank_deg_abdc=angle,
            datum="seat",
            compression_ratio=compression,
            stroke_m=stroke,
            rod_length_m=ratio * stroke,
        ).ratio

    assert trapped(ivc + 1.0) < trapped(ivc) <= compression * (1 + 1e-12)


# Series of the slider-crank near TDC; the drop of 0.0005 in spans +-1.20 degrees; tolerance 1 % of that angle
# and 0.5 % of the drop at 10 degrees.
def test_dwell_about_tdc() -> None:
    assert math.degrees(dwell_crank_rad(0.0005, **CRANK)) / 2 == pytest.approx(1.20, rel=0.01)
    ten = math.radians(10.0)
    assert dwell_series_drop_m(ten, **CRANK) == pytest.approx(float(piston_drop_m(ten, **CRANK)), rel=0.005)


def test_series_error_shrinks_with_the_square_of_the_angle() -> None:
    def error(deg: float) -> float:
        t = math.radians(deg)
        return 1.0 - float(dwell_series_drop_m(t, **CRANK)) / float(piston_drop_m(t, **CRANK))

    assert error(10.0) / error(5.0) == pytest.approx(4.0, rel=0.02)


# Timing arithmetic by definition: 5 BTDC / 45 ABDC is 230 degrees on a 110 centreline; 230/236 on 110
# overlaps 13 degrees. Exact.
def test_timing_arithmetic() -> None:
    assert intake_from_events(ivo_crank_deg_btdc=5, ivc_crank_deg_abdc=45) == (230.0, 110.0)
    assert (
        overlap_crank_deg(intake_duration_crank_deg=230, exhaust_duration_crank_deg=236, lobe_separation_cam_deg=110)
        == 13.0
    )


@given(st.floats(180, 340), st.floats(180, 340), st.floats(95, 125), st.floats(95, 125))
def test_events_and_cards_go_both_ways(di: float, de: float, icl: float, ecl: float) -> None:
    events = valve_events(
        intake_duration_crank_deg=di,
        exhaust_duration_crank_deg=de,
        intake_centreline_crank_deg_atdc=icl,
        exhaust_centreline_crank_deg_btdc=ecl,
    )
    intake = intake_from_events(
        ivo_crank_deg_btdc=events.ivo_crank_deg_btdc, ivc_crank_deg_abdc=events.ivc_crank_deg_abdc
    )
    exhaust = exhaust_from_events(
        evo_crank_deg_bbdc=events.evo_crank_deg_bbdc, evc_crank_deg_atdc=events.evc_crank_deg_atdc
    )
    assert intake == pytest.approx((di, icl), abs=1e-9)
    assert exhaust == pytest.approx((de, ecl), abs=1e-9)
    assert events.overlap_crank_deg == pytest.approx(
        overlap_crank_deg(
            intake_duration_crank_deg=di,
            exhaust_duration_crank_deg=de,
            lobe_separation_cam_deg=events.lobe_separation_cam_deg,
        ),
        abs=1e-9,
    )


def test_advance_moves_every_event_earlier() -> None:
    """Turning the whole cam forward 4 degrees keeps separation and overlap and moves all events by 4."""
    straight = valve_events(
        intake_duration_crank_deg=268,
        exhaust_duration_crank_deg=276,
        intake_centreline_crank_deg_atdc=112,
        exhaust_centreline_crank_deg_btdc=112,
    )
    early = valve_events(
        intake_duration_crank_deg=268,
        exhaust_duration_crank_deg=276,
        intake_centreline_crank_deg_atdc=108,
        exhaust_centreline_crank_deg_btdc=116,
    )
    assert early.advance_crank_deg == 4.0 and straight.advance_crank_deg == 0.0
    assert early.lobe_separation_cam_deg == straight.lobe_separation_cam_deg == 112.0
    assert early.overlap_crank_deg == straight.overlap_crank_deg
    assert early.ivo_crank_deg_btdc - straight.ivo_crank_deg_btdc == 4.0
    assert early.ivc_crank_deg_abdc - straight.ivc_crank_deg_abdc == -4.0
    assert early.evo_crank_deg_bbdc - straight.evo_crank_deg_bbdc == 4.0
    assert early.evc_crank_deg_atdc - straight.evc_crank_deg_atdc == -4.0
    assert advance_crank_deg(lobe_separation_cam_deg=112, intake_centreline_crank_deg_atdc=108) == 4.0
    assert lobe_separation_cam_deg(intake_centreline_crank_deg_atdc=108, exhaust_centreline_crank_deg_btdc=116) == 112


# Trade formula rpm = mph x axle x 336 / tyre inches; the constant is printed to 336, exactly 63360/(60 pi) =
# 336.1. Units by pint 0.25. Tolerance: half a unit of the printed constant.
def test_cruise_speed_trade_constant() -> None:
    mph = float(ureg.Quantity(1.0, "mph").to("m/s").magnitude)
    inch = float(ureg.Quantity(1.0, "inch").to("m").magnitude)
    constant = cruise_rpm(mph, axle_ratio=1.0, top_gear_ratio=1.0, tyre_diameter_m=inch)
    assert constant == pytest.approx(336.0, abs=0.5)
    assert constant == pytest.approx(63360.0 / (60.0 * math.pi), rel=1e-12)
    overdrive = cruise_rpm(70 * mph, axle_ratio=3.73, top_gear_ratio=0.70, tyre_diameter_m=28 * inch)
    assert overdrive == pytest.approx(70 * 3.73 * 0.70 * constant / 28, rel=1e-12)


# Heywood, eq. 13.6, Barnes-Moss (from memory): 1.47 bar at 2000 and 3.67 bar at 6000 rpm; half a printed
# digit.
@pytest.mark.parametrize(("rpm", "bar"), [(2000.0, 1.47), (6000.0, 3.67)])
def test_heywood_barnes_moss_friction(rpm: float, bar: float) -> None:
    assert total_fmep_pa(rpm) / 1e5 == pytest.approx(bar, abs=0.005)


def test_mean_piston_speed_is_the_mean_of_the_instantaneous() -> None:
    # Rajput, A Textbook of IC Engines, 2nd ed. 2007, ex. 7.12: stroke 140 mm at 2400 rpm, 11.2 m/s.
    assert mean_piston_speed_m_per_s(2400.0, stroke_m=0.140) == pytest.approx(11.2, rel=1e-12)
    angle = np.linspace(0.0, math.pi, 20001)
    slope = piston_drop_slope_m_per_rad(angle, stroke_m=0.140, rod_length_m=0.24)
    mean = np.trapezoid(slope, angle) / math.pi * 2400 * 2 * math.pi / 60
    assert mean == pytest.approx(11.2, rel=1e-6)


@given(st.floats(5e-5, 1e-3), st.floats(6.0, 15.0))
def test_compression_ratio_and_clearance_invert(swept: float, ratio: float) -> None:
    clearance = clearance_volume_m3(swept_volume_m3=swept, compression_ratio=ratio)
    assert compression_ratio(swept_volume_m3=swept, clearance_volume_m3=clearance) == pytest.approx(ratio, rel=1e-12)


def test_clearance_from_parts_adds_up_in_cubic_centimetres() -> None:
    # Hand arithmetic: 64 cc chamber; gasket pi/4 10.4^2 x 0.1 = 8.495; deck pi/4 10.16^2 x 0.0635 = 5.148;
    # dish 5.
    found = clearance_volume_from_parts_m3(
        chamber_volume_m3=64e-6,
        gasket_bore_m=0.104,
        gasket_thickness_m=0.001,
        bore_m=0.1016,
        deck_clearance_m=0.000635,
        piston_dish_volume_m3=5e-6,
    )
    assert found * 1e6 == pytest.approx(82.643, abs=1e-3)


def test_a_better_fuel_bears_more_and_a_poorer_one_less() -> None:
    """Straight in octane through the figure at 91: 8.3 + 0.1 (87 - 91) = 7.9 (by hand)."""
    allowed = [knock_limited_ratio(o, ratio_at_91=8.3, ratio_per_octane=0.1) for o in (87.0, 91.0, 98.0)]
    assert allowed == pytest.approx([7.9, 8.3, 9.0])
    with pytest.raises(OutOfRange, match="octane_aki"):
        knock_limited_ratio(0.0, ratio_at_91=8.3, ratio_per_octane=0.1)


def test_impossible_engines_are_refused() -> None:
    with pytest.raises(OutOfRange, match="half the stroke"):
        piston_drop_m(0.1, stroke_m=0.1, rod_length_m=0.05)
    with pytest.raises(OutOfRange, match="drops between 0 and the stroke"):
        crank_rad_at_piston_drop(0.2, stroke_m=0.1, rod_length_m=0.2)
    with pytest.raises(OutOfRange, match="datum"):
        trapped_compression_ratio(ivc_crank_deg_abdc=60, datum=" ", compression_ratio=10, **CRANK)
    with pytest.raises(OutOfRange, match="after BDC"):
        trapped_compression_ratio(ivc_crank_deg_abdc=190, datum="seat", compression_ratio=10, **CRANK)
    with pytest.raises(OutOfRange, match="exceed 1"):
        clearance_volume_m3(swept_volume_m3=1e-4, compression_ratio=1.0)
    with pytest.raises(OutOfRange, match="check their signs"):
        intake_from_events(ivo_crank_deg_btdc=-100, ivc_crank_deg_abdc=-90)
    with pytest.raises(OutOfRange, match="above zero"):
        swept_volume_m3(bore_m=float("nan"), stroke_m=0.1)
    with pytest.raises(OutOfRange, match="at least one"):
        displacement_m3(bore_m=0.1, stroke_m=0.1, cylinders=0)
