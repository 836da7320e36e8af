"""Units: conversions against the published factors, and what a person may write.

The factors are those of A. Thompson and B. N. Taylor, Guide for the Use of the International System of
Units (SI), NIST Special Publication 811, 2008 edition, appendix B.8. Page not seen: from memory, except where
a row says that the figure was read in a reproduction.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lobeledger.units import (
    SYSTEMS,
    UnitTrouble,
    cam_rad_from_crank_rad,
    crank_rad_from_cam_rad,
    deg,
    from_si,
    quantity,
    rad,
    show,
    shown_unit,
)

# unit as written, SI unit, factor as printed (six decimals: half a unit of the last digit is the tolerance)
NIST_SP_811_B8 = [
    ("1 in", "m", "2.54e-02"),  # exact
    ("1 ft", "m", "3.048e-01"),  # exact; reproduction read
    ("1 lb", "kg", "4.535924e-01"),  # reproduction read (0.453 592 37)
    ("1 lbf", "N", "4.448222e+00"),  # reproduction read
    ("1 lbf/in", "N/m", "1.751268e+02"),
    ("1 psi", "Pa", "6.894757e+03"),  # reproduction read
    ("1 kpsi", "Pa", "6.894757e+06"),
    ("1 inHg", "Pa", "3.386389e+03"),  # conventional; reproduction read
    ("1 inH2O", "Pa", "2.490889e+02"),  # conventional
    ("1 ft**3/min", "m**3/s", "4.719474e-04"),
    ("1 gal", "m**3", "3.785412e-03"),  # US liquid
    ("1 mph", "m/s", "4.4704e-01"),  # exact
    ("1 deg", "rad", "1.745329e-02"),
    ("1 ft*lbf", "N*m", "1.355818e+00"),
    ("1 hp", "W", "7.456999e+02"),  # 550 ft lbf/s; reproduction read (745.7)
    ("1 oz", "kg", "2.834952e-02"),
    ("1 thou", "m", "2.54e-05"),  # the mil of the table; exact
    ("1 kgf", "N", "9.80665e+00"),  # exact
]


@pytest.mark.parametrize(("text", "si", "printed"), NIST_SP_811_B8, ids=[row[0] for row in NIST_SP_811_B8])
def test_factor_nist_sp_811_appendix_b8(text: str, si: str, printed: str) -> None:
    mantissa, _, power = printed.partition("e")
    half_digit = 0.5 * 10.0 ** (int(power) - len(mantissa.partition(".")[2]))
    exact = len(mantissa.partition(".")[2]) < 6
    tolerance = 1e-12 * float(printed) if exact else half_digit * 1.0001
    assert abs(quantity(text, si) - float(printed)) <= tolerance


def test_revolution_is_two_pi_radians() -> None:
    assert quantity("60 rpm", "rad/s") == pytest.approx(2.0 * math.pi, rel=1e-12)
    assert quantity("750 rpm", "rpm") == 750.0
    assert deg(math.pi) == pytest.approx(180.0, rel=1e-15)
    assert rad(180.0) == pytest.approx(math.pi, rel=1e-15)


def test_cam_turns_half_as_far_as_the_crank() -> None:
    assert cam_rad_from_crank_rad(rad(212.0)) == pytest.approx(rad(106.0), rel=1e-15)
    assert crank_rad_from_cam_rad(cam_rad_from_crank_rad(1.234)) == 1.234


def test_money_needs_its_own_currency() -> None:
    assert quantity("120 USD/h", "money/h", currency="USD") == 120.0
    assert quantity("2 USD/min", "money/h", currency="USD") == pytest.approx(120.0, rel=1e-12)
    assert quantity("3.785411784 USD/gal", "money/m**3", currency="USD") == pytest.approx(1000.0, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "si", "says"),
    [
        ("4.03", "m", "no unit"),
        ("in", "m", "does not start with a number"),
        ("4,030 in", "m", "comma"),
        ("4 mil", "m", "thou"),
        ("4 mils", "m", "thou"),
        ("180 cfm", "m**3/s", "ft**3/min"),
        ('4"', "m", "in for inches"),
        ("108°", "rad", "deg"),
        ("120 $/h", "money/h", "three letters"),
        ("€120", "money", "three letters"),
        ("120 /h", "money/h", "names no currency"),
        ("120 money", "money", "names no currency"),
        ("120 EUR", "money", "not this sheet's currency (USD)"),
        ("115 lb", "N", "lbf or N"),
        ("50 kg", "N", "lbf or N"),
        ("300 lb/in", "N/m", "lbf/in"),
        ("300 lbf", "N/m", "wrong kind"),
        ("120 lbf", "kg", "g, kg or lb"),
        ("4 kg", "m", "wrong kind"),
        ("4 frobs", "m", "not a unit known here"),
        ("3 1/2 in", "m", "not a unit known here"),
        ("4 __import__('os')", "m", "not a unit known here"),
        ("25 degC", "K", "kelvin"),
        ("77 degF", "K", "kelvin"),
        ("1e999 in", "m", "not a finite number"),
        ("nan in", "m", "does not start with a number"),
        ("inf in", "m", "does not start with a number"),
        ("4 " + "x" * 100, "m", "too long"),
    ],
)
def test_what_cannot_be_read_says_what_would_be_right(text: str, si: str, says: str) -> None:
    with pytest.raises(UnitTrouble) as caught:
        quantity(text, si, currency="USD")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["4 in**9**9**9", "4 in^9^9^9", "4 in**99999999", "9 in*9**9"])
def test_a_unit_cannot_keep_the_computer_busy(text: str) -> None:
    # That it ends at all is what is asked: taken as arithmetic, these powers never would.
    with pytest.raises(UnitTrouble):
        quantity(text, "m")


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=70))
def test_any_text_gives_a_finite_number_or_unit_trouble(text: str) -> None:
    for body in (text, f"4 {text}"):
        try:
            assert math.isfinite(quantity(body, "m"))
        except UnitTrouble as trouble:
            assert str(trouble)


@given(st.floats(min_value=-1e6, max_value=1e6, allow_subnormal=False))
def test_number_and_unit_are_read_as_written(value: float) -> None:
    assert quantity(f"{value!r} mm", "m") == pytest.approx(value * 1e-3, rel=1e-14, abs=1e-300)


def test_show_in_both_systems() -> None:
    assert show(0.0127, "lift") == "0.500 in"
    assert show(0.0127, "lift", "metric") == "12.70 mm"
    assert show(math.pi / 2.0, "angle") == "90.0°"
    assert show(0.125, "share") == "12.5%"
    assert show(1000.0, "load", "metric", unit=False) == "1,000"
    # 1 Btu (IT) is 1055.056 J: NIST SP 811, 2008, appendix B.9 (from memory).
    assert show(94.0 * 745.69987, "heat") == "94 hp" and show(70337.0, "heat", "metric") == "70 kW"
    assert show(3.048, "landing") == "10.0 ft/s" and show(3.048, "landing", "metric") == "3.05 m/s"


@pytest.mark.parametrize("system", SYSTEMS)
def test_shown_figures_convert_back(system: str) -> None:
    for kind, si, text in (("lift", "m", "1 in"), ("rate", "N/m", "1 lbf/in"), ("vacuum", "Pa", "1 inHg")):
        value = quantity(text, si)
        unit = {"in": "in", "mm": "mm", "lbf/in": "lbf/in", "N/mm": "N/mm", "inHg": "inHg", "kPa": "kPa"}
        back = quantity(f"{from_si(value, kind, system)!r} {unit[shown_unit(kind, system)]}", si)
        assert back == pytest.approx(value, rel=1e-12)
