"""Contact stress, oil film and flash heat against books, general libraries and independent sums."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ellipe, ellipk, elliprd, elliprf

from lobeledger.errors import OutOfRange
from lobeledger.lobe import contact as c
from lobeledger.lobe import ellipse, oil_film
from motion_sources import BASE, circular_arc_cam

IN = 0.0254  # m, exact
STEEL = ellipse.combined_modulus_pa(
    first_modulus_pa=200e9, first_poisson=0.29, second_modulus_pa=200e9, second_poisson=0.29
)

# ------------------------------------------------------------------------------------------------------ line


def test_line_boresi_schmidt_example_17_3() -> None:
    """Boresi and Schmidt, Advanced Mechanics of Materials, ex. 17.3, p. 621: 1445 and 433 MPa, to 0.5 %.

    Two steel cylinders, R 40 mm, 20 mm long, 24.1 kN, E 200 GPa, nu 0.29; half-width 0.530 mm recomputed.
    """
    radius = ellipse.combined_radius_m(0.040, 0.040)
    found = c.hertz_line(24100.0, radius_m=radius, length_m=0.020, modulus_pa=STEEL)
    assert found.peak_pressure_pa / 1e6 == pytest.approx(1445.0, rel=0.005)
    assert found.greatest_shear_pa / 1e6 == pytest.approx(433.0, rel=0.005)
    assert found.half_width_m * 1e3 == pytest.approx(0.530, abs=0.0005)


def test_line_subsurface_shear_johnson() -> None:
    """Johnson, Contact Mechanics (from memory): 0.300 p0 at 0.786 half-widths; here by brute force."""
    z = np.linspace(0.01, 3.0, 300001)
    shear = z * (1.0 - z / np.sqrt(1.0 + z**2))
    assert np.max(shear) == pytest.approx(c.LINE_SHEAR_SHARE, rel=1e-9)
    assert z[np.argmax(shear)] == pytest.approx(c.LINE_SHEAR_DEPTH_SHARE, abs=2e-5)
    assert c.LINE_SHEAR_SHARE == pytest.approx(0.3003, rel=0.002)
    assert c.LINE_SHEAR_DEPTH_SHARE == pytest.approx(0.786, rel=0.002)


def test_circle_subsurface_shear_johnson() -> None:
    """Johnson, Contact Mechanics (from memory): 0.310 p0 at 0.481 half-widths for nu = 0.3."""
    share, depth = ellipse.circle_greatest_shear_share(0.3)
    assert share == pytest.approx(0.310, rel=0.002)
    assert depth == pytest.approx(0.481, rel=0.002)


@given(st.floats(1.0, 5000.0), st.floats(0.003, 1.0), st.floats(0.005, 0.03))
def test_line_holds_its_load_and_fits_its_gap(load: float, radius: float, length: float) -> None:
    """Half an ellipse of pressure carries W, and it fits the gap: p0/b = E*/(2 R) (Johnson, ch. 4)."""
    found = c.hertz_line(load, radius_m=radius, length_m=length, modulus_pa=STEEL)
    width, pressure = float(found.half_width_m), float(found.peak_pressure_pa)
    assert math.pi / 2.0 * width * pressure * length == pytest.approx(load, rel=1e-12)
    assert pressure * 2.0 * radius == pytest.approx(STEEL * width, rel=1e-12)


# --------------------------------------------------------------------------------------------------- ellipse


def principal_radii(first: tuple[float, float], second: tuple[float, float], angle_rad: float) -> tuple[float, float]:
    """Relative radii (mm) of two bodies turned against each other; Boresi and Schmidt, eqs for A and B."""
    (r1, r11), (r2, r22) = first, second
    total = 1 / r1 + 1 / r2 + 1 / r11 + 1 / r22
    cross = (1 / r1 - 1 / r11) * (1 / r2 - 1 / r22) * math.sin(angle_rad) ** 2
    root = math.sqrt((1 / r1 + 1 / r2 - 1 / r11 - 1 / r22) ** 2 - 4.0 * cross)
    return 2.0 / (total + root), 2.0 / (total - root)


# What the examples read off a chart against B/A, and how far exact Hertz theory lies from that reading. Two
# digits read from a logarithmic chart turn out to be 1 to 4 % wrong; scipy's elliptic integrals side with us.
CHART_READINGS = [
    # example, relative radii (mm), load N, c_b, c_sigma, and exact over read for both
    (
        "17.1",
        principal_radii((60.0, 130.0), (80.0, 200.0), math.radians(60.0)),
        4500.0,
        0.77,
        0.724,
        1.036,
        0.992,
    ),
    (
        "17.2",
        principal_radii((4.76, 4.76), (18.24, -4.86), math.radians(60.0)),
        1750.0,
        0.32,
        1.00,
        1.026,
        0.991,
    ),
]


@pytest.mark.parametrize(("example", "radii_mm", "load", "cb", "csigma", "over_cb", "over_csigma"), CHART_READINGS)
def test_ellipse_boresi_schmidt_examples_17_1_and_17_2_chart(
    example: str,
    radii_mm: tuple[float, float],
    load: float,
    cb: float,
    csigma: float,
    over_cb: float,
    over_csigma: float,
) -> None:
    """Boresi and Schmidt, Advanced Mechanics of Materials, ex. 17.1 p. 607, 17.2 p. 609 (a ball in a race).

    b = c_b (P Delta)^(1/3), p0 = c_sigma b/Delta, Delta = 2 (1 - nu^2)/(E (A + B)); E 200 GPa, nu 0.29.
    The chart readings do NOT agree with exact theory within their last digit: the example's stresses of 1597
    and 2314 MPa are 2.8 and 1.6 % below ours. The exact coefficients are worked out from scipy's integrals
    here; ours must equal them, and the readings' own error is recorded.
    """
    rx, ry = (radius / 1e3 for radius in radii_mm)
    found = ellipse.hertz_ellipse(load, radius_x_m=rx, radius_y_m=ry, modulus_pa=STEEL)
    delta = 1.0 / (STEEL * 0.5 * (1.0 / rx + 1.0 / ry))
    our_cb = float(found.half_width_x_m) / (load * delta) ** (1.0 / 3.0)
    our_csigma = float(found.peak_pressure_pa) * delta / float(found.half_width_x_m)

    def miss(short: float) -> float:
        m = 1.0 - short**2
        return float((ellipe(m) / short**2 - ellipk(m)) / (ellipk(m) - ellipe(m))) - ry / rx

    short = brentq(miss, 1e-4, 0.9999, xtol=1e-15)
    m = 1.0 - short**2
    # From Hertz: c_b^3 = 3 k E/(2 pi) and c_sigma = 1/E, k = b/a and E the complete integral.
    exact_cb = (3.0 * short * float(ellipe(m)) / (2.0 * math.pi)) ** (1.0 / 3.0)
    exact_csigma = 1.0 / float(ellipe(m))
    assert our_cb == pytest.approx(exact_cb, rel=1e-9)
    assert our_csigma == pytest.approx(exact_csigma, rel=1e-9)
    assert our_cb / cb == pytest.approx(over_cb, abs=0.0005)
    assert our_csigma / csigma == pytest.approx(over_csigma, abs=0.0005)


# Hertz's own table of the half-axes, as reprinted in Timoshenko and Goodier, Theory of Elasticity, section on
# contact of two bodies (values from memory): theta in degrees, m, n.
HERTZ_TABLE = [
    (85, 1.061, 0.944),
    (80, 1.128, 0.893),
    (75, 1.202, 0.846),
    (70, 1.284, 0.802),
    (65, 1.378, 0.759),
    (60, 1.486, 0.717),
    (55, 1.611, 0.678),
    (50, 1.754, 0.641),
    (45, 1.926, 0.604),
    (40, 2.136, 0.567),
    (35, 2.397, 0.530),
    (30, 2.731, 0.493),
]
# Rows off by more than their last digit. D. H. Cooper, Hertzian contact-stress deformation coefficients,
# J. Appl. Mech. 36 (1969) 296 says in its abstract that the tables prepared by Hertz hold errors; these are
# the rows where scipy's integrals and ours agree with each other and not with the table.
HERTZ_TABLE_WRONG = {75, 70, 65, 55, 35}


@pytest.mark.parametrize(("theta_deg", "m", "n"), HERTZ_TABLE)
def test_ellipse_hertz_table_timoshenko_goodier(theta_deg: int, m: float, n: float) -> None:
    """cos(theta) = (B - A)/(A + B); a = m (3 W/(4 E* (A + B)))^(1/3), b likewise with n; three decimals."""
    cosine = math.cos(math.radians(theta_deg))
    a_curve, b_curve = 0.5 * (1.0 - cosine), 0.5 * (1.0 + cosine)  # A + B = 1
    found = ellipse.hertz_ellipse(1.0, radius_x_m=0.5 / b_curve, radius_y_m=0.5 / a_curve, modulus_pa=1.0)
    unit = 0.75 ** (1.0 / 3.0)
    tolerance = 0.0025 if theta_deg in HERTZ_TABLE_WRONG else 0.0006
    assert float(found.half_length_y_m) / unit == pytest.approx(m, abs=tolerance)
    assert float(found.half_width_x_m) / unit == pytest.approx(n, abs=tolerance)


def test_ellipse_exact_against_half_space_solver_figure() -> None:
    """Rx 0.2, Ry 0.6, W 1e-3, E* 1: a numerical half-space solver (tamaas 2.9.0) gave p0 0.12118, to 0.1 %.

    a/b 2.0720, a 0.09037, b 0.04362 recomputed from the exact integrals.
    """
    found = ellipse.hertz_ellipse(1e-3, radius_x_m=0.2, radius_y_m=0.6, modulus_pa=1.0)
    assert found.peak_pressure_pa == pytest.approx(0.12118, rel=0.001)
    assert found.half_length_y_m / found.half_width_x_m == pytest.approx(2.0720, abs=0.00005)
    assert found.half_length_y_m == pytest.approx(0.09037, abs=0.000005)
    assert found.half_width_x_m == pytest.approx(0.04362, abs=0.000005)


@pytest.mark.parametrize("ratio", [1.0 + 1e-9, 1.0001, 1.5, 3.0, 20.0, 100.0, 1e4])
def test_axis_ratio_solves_hertz_equation_in_scipy_integrals(ratio: float) -> None:
    """Ry/Rx = [(a/b)^2 E - K]/[K - E] (Johnson 4.28), K and E from scipy instead of our own.

    K - E over e^2 is Carlson's R_D/3 and E - (b/a)^2 K over e^2 is R_F - R_D/3: exact near the circle too.
    """
    short = 1.0 / float(ellipse.ellipse_axis_ratio(ratio))
    d = elliprd(0.0, short**2, 1.0) / 3.0
    b = elliprf(0.0, short**2, 1.0) - d
    assert b / (d * short**2) == pytest.approx(ratio, rel=1e-11)
    if ratio >= 1.5:
        m = 1.0 - short**2
        assert (ellipe(m) / short**2 - ellipk(m)) / (ellipk(m) - ellipe(m)) == pytest.approx(ratio, rel=1e-9)


def test_axis_ratio_hamrock_brewe_1983() -> None:
    """k = 1.0339 (Ry/Rx)^0.636 lies within 3.5 % of exact from 1.5 to 50 (Hamrock and Brewe 1983, memory)."""
    ratio = np.geomspace(1.5, 50.0, 200)
    off = ellipse.hamrock_brewe_axis_ratio(ratio) / ellipse.ellipse_axis_ratio(ratio) - 1.0
    assert np.max(np.abs(off)) < 0.035


def test_axis_ratio_of_a_nearly_round_contact_greenwood_1985() -> None:
    """Greenwood, J. Tribology 107 (1985) 501: a/b tends to (B/A)^(2/3) for small ellipticities."""
    ratio = np.array([1.001, 1.01, 1.05])
    assert np.allclose(ellipse.ellipse_axis_ratio(ratio), ratio ** (2.0 / 3.0), rtol=1e-3, atol=0)
    slope = np.log(ellipse.ellipse_axis_ratio(1.0 + 1e-6)) / np.log(1.0 + 1e-6)
    assert slope == pytest.approx(2.0 / 3.0, rel=1e-5)


def test_ellipse_greenwood_1985_equivalent_radius() -> None:
    """Same paper: a ball of radius (A B (A + B)/2)^(-1/3) gives the area, and so the pressure.

    A and B are the principal relative curvatures; tested to 3 % at a ratio of 5, where the simpler
    (A B)^(-1/2) is already too far out.
    """
    a, b = 1.0 / 0.05, 1.0 / 0.01
    oval = ellipse.hertz_ellipse(100.0, radius_x_m=1.0 / b, radius_y_m=1.0 / a, modulus_pa=STEEL)
    radius = (a * b * (a + b) / 2.0) ** (-1.0 / 3.0)
    ball = ellipse.hertz_ellipse(100.0, radius_x_m=radius, radius_y_m=radius, modulus_pa=STEEL)
    assert oval.peak_pressure_pa == pytest.approx(float(ball.peak_pressure_pa), rel=0.03)


def test_ball_hertz_closed_form() -> None:
    """a^3 = 3 W R/(4 E*), approach a^2/R, p0 = 3 W/(2 pi a^2): Johnson eqs 4.22 to 4.24 (from memory)."""
    found = ellipse.hertz_ellipse(50.0, radius_x_m=0.01, radius_y_m=0.01, modulus_pa=STEEL)
    half = (3.0 * 50.0 * 0.01 / (4.0 * STEEL)) ** (1.0 / 3.0)
    assert found.half_width_x_m == pytest.approx(half, rel=1e-12)
    assert found.half_length_y_m == pytest.approx(half, rel=1e-12)
    assert found.approach_m == pytest.approx(half**2 / 0.01, rel=1e-12)
    assert found.peak_pressure_pa == pytest.approx(1.5 * 50.0 / (math.pi * half**2), rel=1e-12)


radii = st.floats(0.003, 2.0)


@given(st.floats(1.0, 5000.0), radii, radii, st.floats(1.1, 30.0))
def test_oval_pressure_goes_with_cube_root_of_load(load: float, rx: float, ry: float, times: float) -> None:
    one = ellipse.hertz_ellipse(load, radius_x_m=rx, radius_y_m=ry, modulus_pa=STEEL)
    more = ellipse.hertz_ellipse(load * times, radius_x_m=rx, radius_y_m=ry, modulus_pa=STEEL)
    assert more.peak_pressure_pa / one.peak_pressure_pa == pytest.approx(times ** (1 / 3), rel=1e-12)
    line = c.hertz_line(load, radius_m=rx, length_m=0.01, modulus_pa=STEEL)
    heavy = c.hertz_line(load * times, radius_m=rx, length_m=0.01, modulus_pa=STEEL)
    assert heavy.peak_pressure_pa / line.peak_pressure_pa == pytest.approx(times**0.5, rel=1e-12)


@given(st.floats(1.0, 5000.0), radii, radii)
def test_oval_turned_by_a_right_angle_is_the_same_oval(load: float, rx: float, ry: float) -> None:
    one = ellipse.hertz_ellipse(load, radius_x_m=rx, radius_y_m=ry, modulus_pa=STEEL)
    turned = ellipse.hertz_ellipse(load, radius_x_m=ry, radius_y_m=rx, modulus_pa=STEEL)
    assert one.half_width_x_m == pytest.approx(float(turned.half_length_y_m), rel=1e-11)
    assert one.peak_pressure_pa == pytest.approx(float(turned.peak_pressure_pa), rel=1e-11)


@given(st.floats(1.0, 5000.0), radii, radii)
def test_oval_displacements_fit_the_gap(load: float, rx: float, ry: float) -> None:
    """Displacement under Hertz's pressure at the ends of the two axes equals approach less gap.

    On the axes of the oval, u(x, y) = p0 a b/(2 E*) int_0^inf (1 - x^2/(a^2+w) - y^2/(b^2+w)) dw/... , here
    through Carlson's R_F and R_D of scipy: a check of both half-axes and the approach together.
    """
    found = ellipse.hertz_ellipse(load, radius_x_m=rx, radius_y_m=ry, modulus_pa=STEEL)
    ax, ay, p0 = float(found.half_width_x_m), float(found.half_length_y_m), float(found.peak_pressure_pa)
    scale = p0 * ax * ay / (2.0 * STEEL)
    total = scale * 2.0 * elliprf(0.0, ax**2, ay**2)
    fall_x = scale * 2.0 / 3.0 * elliprd(0.0, ay**2, ax**2) * ax**2
    fall_y = scale * 2.0 / 3.0 * elliprd(0.0, ax**2, ay**2) * ay**2
    assert found.approach_m == pytest.approx(total, rel=1e-9)
    assert fall_x == pytest.approx(ax**2 / (2.0 * rx), rel=1e-9)
    assert fall_y == pytest.approx(ay**2 / (2.0 * ry), rel=1e-9)


def test_no_load_is_no_contact() -> None:
    found = ellipse.hertz_ellipse([0.0, 10.0], radius_x_m=0.01, radius_y_m=1.0, modulus_pa=STEEL)
    assert found.peak_pressure_pa[0] == 0.0
    assert found.half_width_x_m[0] == 0.0
    assert found.peak_pressure_pa[1] > 0.0


# ----------------------------------------------------------------------------------- crowned face on its lobe

CROWN, WIDTH, MODULUS = 45.0 * IN, 0.48 * IN, 115e9


def test_crowned_face_within_the_lobe_is_hertz() -> None:
    """Nothing cut off: exactly the oval of relative radii 1/(1/rho + 1/Rc) and Rc."""
    rho = np.array([0.009, 0.014, 0.1])
    found = c.crowned_face_contact(
        300.0, cam_radius_m=rho, crown_radius_m=CROWN, lobe_width_m=WIDTH, modulus_pa=MODULUS
    )
    oval = ellipse.hertz_ellipse(
        300.0, radius_x_m=1.0 / (1.0 / rho + 1.0 / CROWN), radius_y_m=CROWN, modulus_pa=MODULUS
    )
    assert not np.any(found.truncated)
    assert np.all(found.share_beyond_edge == 0.0)
    assert np.allclose(found.peak_pressure_pa, oval.peak_pressure_pa, rtol=1e-12, atol=0)
    assert np.allclose(found.half_width_m, oval.half_width_x_m, rtol=1e-12, atol=0)
    assert np.allclose(found.half_length_m, oval.half_length_y_m, rtol=1e-12, atol=0)


@pytest.mark.parametrize("crown", [1e4, 1e7, math.inf])
def test_face_without_crown_is_a_line(crown: float) -> None:
    """The crown gone, the slices share the load evenly: Hertz's line over the lobe's width, to 0.1 %."""
    found = c.crowned_face_contact(
        1500.0, cam_radius_m=0.009, crown_radius_m=crown, lobe_width_m=WIDTH, modulus_pa=MODULUS
    )
    line = c.hertz_line(1500.0, radius_m=0.009, length_m=WIDTH, modulus_pa=MODULUS)
    assert found.peak_pressure_pa == pytest.approx(float(line.peak_pressure_pa), rel=1e-3)
    assert found.half_width_m == pytest.approx(float(line.half_width_m), rel=1e-3)
    assert found.half_length_m == pytest.approx(WIDTH / 2.0, rel=1e-12)
    assert bool(found.truncated)
    assert found.edge_load_share == pytest.approx(1.0, rel=0.03)


def slices_by_quadrature(load: float, rho: float, crown: float, width: float, offset: float) -> tuple[float, float]:
    """Greatest pressure and share beyond the edges by quadrature and a root over the overlap."""
    rx = 1.0 / (1.0 / rho + 1.0 / crown)
    oval = ellipse.hertz_ellipse(load, radius_x_m=rx, radius_y_m=crown, modulus_pa=MODULUS)
    free, p0 = float(oval.half_length_y_m), float(oval.peak_pressure_pa)
    stiffness = 0.75 * load / free / (free**2 / (2.0 * crown))
    left, right = -width / 2.0, width / 2.0

    def borne(overlap: float, start: float, stop: float) -> float:
        def slice_load(y: float) -> float:
            return stiffness * max(overlap - (y - offset) ** 2 / (2.0 * crown), 0.0)

        reach = math.sqrt(2.0 * crown * overlap)
        ends = [min(max(end, start), stop) for end in (offset - reach, offset + reach)]
        return float(quad(slice_load, ends[0], ends[1], epsabs=1e-12, epsrel=1e-12)[0])

    most = 100.0 * (free**2 + width**2 + offset**2) / (2.0 * crown)
    overlap = brentq(lambda value: borne(value, left, right) - load, 1e-15, most, xtol=1e-18, rtol=1e-13)
    nearest = min(max(offset, left), right)
    greatest = stiffness * (overlap - (nearest - offset) ** 2 / (2.0 * crown))
    beyond = 1.0 - borne(free**2 / (2.0 * crown), left, right) / load
    return p0 * math.sqrt(greatest / (0.75 * load / free)), beyond


@pytest.mark.parametrize("offset", [0.0, 0.002, 0.003, 0.0045, 0.0061, 0.008])
@pytest.mark.parametrize("crown", [0.6, 1.14, 6.0])
def test_slices_against_quadrature(offset: float, crown: float) -> None:
    """The closed form equals the same slices summed by scipy, on the lobe, at its edge and beyond it."""
    for rho, load in ((0.009, 1500.0), (0.14, 2000.0)):
        found = c.crowned_face_contact(
            load,
            cam_radius_m=rho,
            crown_radius_m=crown,
            lobe_width_m=WIDTH,
            modulus_pa=MODULUS,
            contact_offset_m=offset,
        )
        pressure, beyond = slices_by_quadrature(load, rho, crown, WIDTH, offset)
        assert found.peak_pressure_pa == pytest.approx(pressure, rel=1e-7)
        assert found.share_beyond_edge == pytest.approx(beyond, abs=1e-9)
        assert bool(found.truncated) == (beyond > 1e-9)


@given(
    load=st.floats(50.0, 4000.0),
    rho=st.floats(0.004, 0.3),
    crown=st.floats(0.3, 20.0),
    offset=st.floats(-0.007, 0.007),
)
def test_crowned_face_properties(load: float, rho: float, crown: float, offset: float) -> None:
    """Cutting the oval never eases it; mirror images agree; the touched length lies on the lobe."""

    def face(y: float) -> c.CrownedContact:
        return c.crowned_face_contact(
            load,
            cam_radius_m=rho,
            crown_radius_m=crown,
            lobe_width_m=WIDTH,
            modulus_pa=MODULUS,
            contact_offset_m=y,
        )

    found, mirror = face(offset), face(-offset)
    oval = ellipse.hertz_ellipse(load, radius_x_m=1.0 / (1.0 / rho + 1.0 / crown), radius_y_m=crown, modulus_pa=MODULUS)
    if abs(offset) < WIDTH / 2.0:
        assert found.peak_pressure_pa >= oval.peak_pressure_pa * (1.0 - 1e-12)
    assert found.peak_pressure_pa == pytest.approx(float(mirror.peak_pressure_pa), rel=1e-11)
    assert found.half_length_m <= WIDTH / 2.0 * (1.0 + 1e-12)
    assert 0.0 <= found.share_beyond_edge <= 1.0
    assert 0.0 <= found.edge_load_share <= 1.0
    assert bool(found.truncated) == (abs(offset) + float(oval.half_length_y_m) > WIDTH / 2.0)


def test_crowned_face_is_continuous_where_the_oval_meets_the_edge() -> None:
    loads = np.linspace(200.0, 3000.0, 2801)
    found = c.crowned_face_contact(
        loads,
        cam_radius_m=0.009,
        crown_radius_m=CROWN,
        lobe_width_m=WIDTH,
        modulus_pa=MODULUS,
        contact_offset_m=0.0025,
    )
    assert 0 < np.count_nonzero(found.truncated) < loads.size
    assert np.max(np.abs(np.diff(found.peak_pressure_pa, n=2))) < 2e-5 * found.peak_pressure_pa[0]


# ---------------------------------------------------------------------------------------------------- roller


def test_roller_lobe_contact_boresi_schmidt_example_17_3_as_a_roller() -> None:
    """The two cylinders of ex. 17.3, p. 621 again, as lobe and wheel; the narrower of the two carries."""
    found = c.roller_lobe_contact(
        24100.0,
        cam_radius_m=0.040,
        roller_radius_m=0.040,
        lobe_width_m=0.025,
        wheel_width_m=0.020,
        modulus_pa=STEEL,
    )
    assert found.peak_pressure_pa / 1e6 == pytest.approx(1445.0, rel=0.005)


@given(st.floats(0.012, 5.0))
def test_hollow_flank_presses_less_than_straight_and_straight_less_than_nose(hollow: float) -> None:
    radius = np.array([-hollow, np.inf, hollow])
    found = c.roller_lobe_contact(
        1500.0,
        cam_radius_m=radius,
        roller_radius_m=0.0095,
        lobe_width_m=0.0122,
        wheel_width_m=0.0107,
        modulus_pa=MODULUS,
    )
    assert np.all(np.diff(found.peak_pressure_pa) > 0.0)


# ------------------------------------------------------------------------------------------------ oil, heat

OIL = {"modulus_pa": 115e9, "viscosity_pa_s": 0.012, "pressure_viscosity_per_pa": 1.6e-8}


def test_oval_film_hamrock_dowson_1977() -> None:
    """Hamrock and Dowson, ASME J. Lubr. Tech. 99 (1977) 264: H = 3.63 U^0.68 G^0.49 W^-0.073 (1 - e^-0.68k).

    U, G, W chosen as round numbers; the film must be Rx times the printed form.
    """
    u, g, w, k, rx = 1e-11, 5000.0, 1e-6, 3.0, 0.02
    twice = g / 2e-8
    eta = 0.01
    film = oil_film.oval_film_m(
        u * twice * rx / eta,
        load_n=w * twice * rx**2,
        radius_x_m=rx,
        axis_ratio=k,
        modulus_pa=twice / 2.0,
        viscosity_pa_s=eta,
        pressure_viscosity_per_pa=2e-8,
    )
    expected = 3.63 * u**0.68 * g**0.49 * w**-0.073 * (1.0 - math.exp(-0.68 * k)) * rx
    assert film == pytest.approx(expected, rel=1e-12)


@given(st.floats(1.1, 10.0), st.floats(0.1, 5.0))
def test_film_exponents(times: float, speed: float) -> None:
    """Speed 0.68 and 0.70, load -0.073 and -0.13: Hamrock and Dowson 1977; Dowson 1968 (line from memory)."""

    def oval(u: float, w: float) -> float:
        return float(oil_film.oval_film_m(u, load_n=w, radius_x_m=0.02, axis_ratio=8.0, **OIL))

    def line(u: float, w: float) -> float:
        return float(oil_film.line_film_m(u, load_per_length_n_per_m=w, radius_m=0.006, **OIL))

    assert oval(speed * times, 800.0) / oval(speed, 800.0) == pytest.approx(times**0.68, rel=1e-9)
    assert oval(speed, 800.0 * times) / oval(speed, 800.0) == pytest.approx(times**-0.073, rel=1e-9)
    assert line(speed * times, 1e5) / line(speed, 1e5) == pytest.approx(times**0.70, rel=1e-9)
    assert line(speed, 1e5 * times) / line(speed, 1e5) == pytest.approx(times**-0.13, rel=1e-9)
    assert oval(-speed, 800.0) == oval(speed, 800.0)


def test_long_oval_film_and_line_film_are_neighbours() -> None:
    """Two fits of one thing: a very long oval, its greatest load per length on a line, agree to 30 %."""
    rx, load = 0.009, 1500.0
    oval = ellipse.hertz_ellipse(load, radius_x_m=rx, radius_y_m=20.0, modulus_pa=115e9)
    k = float(oval.half_length_y_m / oval.half_width_x_m)
    long_film = oil_film.oval_film_m(3.0, load_n=load, radius_x_m=rx, axis_ratio=k, **OIL)
    per_length = 0.75 * load / float(oval.half_length_y_m)
    line_film = oil_film.line_film_m(3.0, load_per_length_n_per_m=per_length, radius_m=rx, **OIL)
    assert float(long_film / line_film) == pytest.approx(1.0, abs=0.3)


def test_film_says_nothing_where_nothing_is_drawn_in() -> None:
    film = oil_film.oval_film_m(np.array([0.0, 1.0]), load_n=800.0, radius_x_m=0.02, axis_ratio=8.0, **OIL)
    assert np.isnan(film[0])
    assert film[1] > 0.0
    unloaded = oil_film.line_film_m(1.0, load_per_length_n_per_m=0.0, radius_m=0.006, **OIL)
    assert np.isnan(unloaded)


def test_reversal_zone_of_bevan_cam_brackets_each_change_of_sign() -> None:
    """T. Bevan, ex. 9-5: entrainment jumps from +10.08 to -1.4 in and stays negative; the jump is marked."""
    cam = circular_arc_cam(721)
    omega = 2.0 * math.pi * 1200.0 / 60.0
    entrainment = omega / 2.0 * (BASE + cam.lift + 2.0 * cam.acceleration) * IN
    marked = oil_film.entrainment_reversal(
        entrainment,
        half_width_m=np.full(cam.theta.size, 2e-4),
        theta_cam_rad=cam.theta,
        cam_speed_rad_per_s=omega,
    )
    change = np.flatnonzero(np.diff(np.sign(entrainment)))
    assert change.size == 1
    assert marked[change[0] + 1]
    assert np.count_nonzero(marked) < 10


def test_flash_coefficient_by_integration() -> None:
    """Blok 1937 (coefficient from memory): 1.11 for Hertz's pressure, 1.128 for an even one.

    A fast body under a strip of heat q: T(x) = 1/sqrt(pi k rho c u) int q(s)/sqrt(x - s) ds. With
    q = (2 Q/(pi b)) sqrt(1 - s^2/b^2) its greatest value in units of Q/(sqrt(k rho c u) sqrt(2 b)) is the
    coefficient, 1.1115, at x = +0.652 b.
    """

    def rise(x: float) -> float:
        # s = x - r^2 takes the root out of the integrand.
        whole = quad(lambda r: 2.0 * math.sqrt(max(1.0 - (x - r * r) ** 2, 0.0)), 0.0, math.sqrt(x + 1.0))[0]
        return float(whole * 2.0 / math.pi / math.sqrt(math.pi) * math.sqrt(2.0))

    x = np.linspace(0.5, 0.8, 61)
    values = [rise(float(value)) for value in x]
    assert max(values) == pytest.approx(1.1115, abs=0.0005)
    assert x[int(np.argmax(values))] == pytest.approx(0.652, abs=0.006)
    assert pytest.approx(max(values), rel=0.003) == oil_film.FLASH_COEFFICIENT


HEAT = {
    "friction_coefficient": 0.1,
    "half_width_m": 2e-4,
    "conductivity_w_per_m_k": 46.0,
    "density_kg_per_m3": 7800.0,
    "specific_heat_j_per_kg_k": 460.0,
}


@given(st.floats(0.1, 10.0), st.floats(0.1, 10.0))
def test_flash_form_is_the_textbook_one_for_like_signs(first: float, second: float) -> None:
    """|u1 - u2|/(sqrt u1 + sqrt u2) = |sqrt u1 - sqrt u2| (Blok 1937, from memory), and 0.786/sqrt(b)."""
    rise = float(oil_film.flash_temperature_rise_k(2e5, first_speed_m_per_s=first, second_speed_m_per_s=second, **HEAT))
    effusivity = math.sqrt(46.0 * 7800.0 * 460.0)
    book = 1.11 * 0.1 * 2e5 * abs(math.sqrt(first) - math.sqrt(second)) / (effusivity * math.sqrt(4e-4))
    assert rise == pytest.approx(book, rel=1e-6, abs=1e-9)
    half_form = 0.786 * 0.1 * 2e5 * abs(math.sqrt(first) - math.sqrt(second)) / (effusivity * math.sqrt(2e-4))
    assert rise == pytest.approx(half_form, rel=0.003, abs=1e-9)


def test_flash_shares_heat_so_that_both_surfaces_reach_one_temperature() -> None:
    """With unlike signs the heat divides as the roots of the speeds; each body alone then gives our rise."""
    first, second, effusivity = 4.0, -1.0, math.sqrt(46.0 * 7800.0 * 460.0)
    heat = 0.1 * 2e5 * (first - second)
    rise = float(oil_film.flash_temperature_rise_k(2e5, first_speed_m_per_s=first, second_speed_m_per_s=second, **HEAT))
    share = math.sqrt(first) / (math.sqrt(first) + math.sqrt(-second))
    for part, speed in ((share, first), (1.0 - share, -second)):
        alone = 1.11 * part * heat / (effusivity * math.sqrt(speed) * math.sqrt(4e-4))
        assert rise == pytest.approx(alone, rel=1e-12)


def test_flash_at_rest_is_not_defined_and_without_load_is_zero() -> None:
    still = oil_film.flash_temperature_rise_k(
        np.array([2e5, 0.0, 2e5]),
        first_speed_m_per_s=np.array([0.0, 1.0, 2.0]),
        second_speed_m_per_s=np.array([0.0, -1.0, 2.0]),
        **HEAT,
    )
    assert np.isnan(still[0])
    assert still[1] == 0.0
    assert still[2] == 0.0


# -------------------------------------------------------------------------------------------------- refusals


def test_wrong_values_are_refused_in_words() -> None:
    with pytest.raises(OutOfRange, match="the follower has left the lobe"):
        c.crowned_face_contact(
            [100.0, -5.0], cam_radius_m=0.01, crown_radius_m=1.0, lobe_width_m=0.012, modulus_pa=MODULUS
        )
    with pytest.raises(OutOfRange, match="a cusp cannot carry a load"):
        ellipse.combined_radius_m(0.0, 0.01)
    with pytest.raises(OutOfRange, match="as tight as the one that should run in it"):
        c.roller_lobe_contact(
            100.0,
            cam_radius_m=-0.009,
            roller_radius_m=0.0095,
            lobe_width_m=0.012,
            wheel_width_m=0.011,
            modulus_pa=MODULUS,
        )
    with pytest.raises(OutOfRange, match="as tight as the one that should run in it"):
        c.crowned_face_contact(100.0, cam_radius_m=-0.3, crown_radius_m=1.0, lobe_width_m=0.012, modulus_pa=MODULUS)
    with pytest.raises(OutOfRange, match="math.inf for a face without crown"):
        c.crowned_face_contact(100.0, cam_radius_m=0.01, crown_radius_m=0.0, lobe_width_m=0.012, modulus_pa=MODULUS)
    with pytest.raises(OutOfRange, match="smaller than the crown radius"):
        c.crowned_face_contact(
            100.0,
            cam_radius_m=0.01,
            crown_radius_m=1.0,
            lobe_width_m=0.012,
            modulus_pa=MODULUS,
            contact_offset_m=1.5,
        )
    with pytest.raises(OutOfRange, match="two flats have no Hertz contact"):
        c.crowned_face_contact(
            100.0, cam_radius_m=math.inf, crown_radius_m=math.inf, lobe_width_m=0.012, modulus_pa=MODULUS
        )
    with pytest.raises(OutOfRange, match="treat it as a line contact"):
        ellipse.hertz_ellipse(1.0, radius_x_m=1e-8, radius_y_m=1e8, modulus_pa=MODULUS)
    with pytest.raises(OutOfRange, match="Poisson's ratio lies between 0 and 0.5"):
        ellipse.combined_modulus_pa(
            first_modulus_pa=2e11, first_poisson=0.6, second_modulus_pa=2e11, second_poisson=0.3
        )
    with pytest.raises(OutOfRange, match="film is zero or thicker"):
        oil_film.lubrication_regime(-0.1)
