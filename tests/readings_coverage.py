"""How often the 95 % bands of a lobe from readings hold, region by region: `python tests/readings_coverage.py [tables]`

Simulated dial readings of known lobes: dial step 0.0005 in, zero of lift anywhere within a step, random angle
error of 0.25 cam degree, and a fixed angle offset of up to a degree, which is known here and taken out before the
comparison because nothing in a table shows it. `tests/test_lobe_readings.py` runs a smaller version.
"""

from __future__ import annotations

import functools
import math
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from library_defaults import CARD

sys.path[:0] = [str(Path(__file__).parents[1] / "lib"), str(Path(__file__).parent)]

from lobeledger.lobe.card import lobe_from_card  # noqa: E402
from lobeledger.lobe.ramp import FlatLimits, Ramp, RollerLimits  # noqa: E402
from lobeledger.lobe.readings import ReadLobe, lobe_from_readings  # noqa: E402
from lobeledger.parts.card import Card, CardPoint  # noqa: E402
from motion_sources import (  # noqa: E402
    Array,
    Motion,
    cycloidal,
    modified_sine,
    modified_trapezoid,
    polynomial_345,
    polynomial_4567,
    simple_harmonic,
)

IN, DEG, TURN = 0.0254, math.pi / 180.0, 2.0 * math.pi
PER_DEG = IN / DEG
STEP_M = 0.0005 * IN
JITTER_RAD = 0.25 * DEG
REGIONS = ("nose", "beside the nose", "upper flank", "middle flank", "lower flank", "flank start", "ramp top", "ramp",
           "ramp foot", "base circle")  # fmt: skip


class Known(NamedTuple):
    """A lobe known in closed form: motion over cam angle from the nose; where flank and ramp end, radians."""

    motion: Callable[[Array], Motion]
    half_rad: float
    foot_rad: float
    smooth: bool


def polynomial_3456(x: Array) -> Motion:
    """Single-dwell rise-fall 64 (z^3 - 3 z^4 + 3 z^5 - z^6), z = x/2. Norton, Design of Machinery, from memory."""
    u = 1.0 - x
    f = 1.0 - u * u
    return f**3, 6.0 * u * f**2, 24.0 * u * u * f - 6.0 * f * f


def ramp(x: Array, *, top: float, v: float, ease: float) -> tuple[Motion, float]:
    """Rise of constant velocity v with cosine ends of length `ease` and twice that; x from its foot. And its length."""
    level = (top - 1.5 * v * ease) / v

    def eased(t: Array, length: float) -> tuple[Array, Array, Array]:
        w = np.pi / length
        return t / 2.0 - np.sin(w * t) / (2.0 * w), (1.0 - np.cos(w * t)) / 2.0, w / 2.0 * np.sin(w * t)

    a, b = np.clip(x, 0.0, ease), np.clip(x - ease, 0.0, level)
    c = np.clip(x - ease - level, 0.0, 2.0 * ease)
    up, down = eased(a, ease), eased(c, 2.0 * ease)
    return (v * (up[0] + b + c - down[0]), v * (up[1] - down[1]), v * (up[2] - down[2])), level + 3.0 * ease


def ramped(program: Callable[[Array], Motion], half_deg: float, *, smooth: bool = True) -> Known:
    """A published rise and its mirror image, 0.281 in, over a ramp of 0.009 in at 0.0006 in per cam degree."""
    half, top, v, ease = half_deg * DEG, 0.009 * IN, 0.0006 * PER_DEG, 4.0 * DEG
    rise = 0.290 * IN - top
    start = ramp(np.zeros(1), top=top, v=v, ease=ease)[1] - 2.0 * ease + 2.0 * DEG

    def motion(theta: Array) -> Motion:
        away = np.abs(theta)
        main = program(np.clip(1.0 - away / half, 0.0, 1.0))
        below = ramp(half - away + start, top=top, v=v, ease=ease)[0]
        return (
            rise * main[0] + below[0],
            -np.sign(theta) * (rise / half * main[1] + below[1]),
            np.where(away < half, rise / half**2 * main[2], 0.0) + below[2],
        )

    return Known(motion, half, half + start, smooth)


def arcs() -> Known:
    """Circular arcs on a flat follower, no ramp: acceleration jumps at the foot and where the arcs join."""
    base, lift, nose, alpha = 0.6 * IN, 0.29 * IN, 0.08 * IN, 60.0 * DEG
    arm = base + lift - nose
    flank = (arm**2 - (base - nose) ** 2) / (2.0 * ((base - nose) - arm * np.cos(alpha)))
    join = np.arcsin(arm * np.sin(alpha) / (flank + base - nose))

    def motion(theta: Array) -> Motion:
        x = alpha - np.abs(theta)
        on_flank, on_nose = (x >= 0.0) & (x < join), x >= join
        sign = -np.sign(theta)
        return (
            np.where(on_nose, arm * np.cos(theta) + nose - base, np.where(on_flank, flank * (1.0 - np.cos(x)), 0.0)),
            sign * np.where(on_nose, np.abs(arm * np.sin(theta)), np.where(on_flank, flank * np.sin(x), 0.0)),
            np.where(on_nose, -arm * np.cos(theta), np.where(on_flank, flank * np.cos(x), 0.0)),
        )

    return Known(motion, alpha, alpha, False)


def from_card(lift_in: float, points: tuple[tuple[float, float], ...], *, roller: bool, seat_in: float) -> Known:
    """The nominal lobe of an invented card."""
    card = Card(lobe_lift_m=lift_in * IN, points=tuple(CardPoint(at_m=a * IN, duration_rad=d * DEG) for a, d in points))
    limits = RollerLimits(0.375 * IN, 30 * DEG, 0.0015) if roller else FlatLimits(0.842 * IN, 0.0005, 0.0015)
    slope = Ramp(0.0005 * PER_DEG, 0.0003 * PER_DEG, 0.0009 * PER_DEG)
    lobe = lobe_from_card(card, limits, base_radius_m=0.55 * IN, ramp=slope, seat_m=seat_in * IN, **CARD).nominal
    theta = lobe.theta_cam_rad
    lift = CubicHermiteSpline(theta, lobe.lift_m, lobe.velocity_m_per_rad)
    half = lobe.crossings_cam_rad(max(1.05 * seat_in, 0.006) * IN)[1]
    foot = float(theta[np.flatnonzero(lobe.lift_m > 1e-9)[-1]])

    def motion(at: Array) -> Motion:
        inside = np.abs(at) < theta[-1]
        return (
            np.where(inside, lift(np.clip(at, theta[0], theta[-1])), 0.0),
            np.interp(at, theta, lobe.velocity_m_per_rad, 0.0, 0.0),
            np.interp(at, theta, lobe.acceleration_m_per_rad2, 0.0, 0.0),
        )

    return Known(motion, half, foot, True)


@functools.cache
def known_lobes() -> dict[str, Known]:
    """The lobes of the study."""
    return {
        "3-4-5": ramped(polynomial_345, 62.0),
        "4-5-6-7": ramped(polynomial_4567, 62.0),
        "3-4-5-6": ramped(polynomial_3456, 66.0),
        "card, flat": from_card(0.290, ((0.006, 262), (0.050, 212), (0.200, 118)), roller=False, seat_in=0.006),
        "card, roller": from_card(0.340, ((0.006, 276), (0.050, 224), (0.200, 142)), roller=True, seat_in=0.006),
        "card, solid": from_card(0.320, ((0.020, 262), (0.050, 234), (0.200, 140)), roller=False, seat_in=0.0147),
        "harmonic (jumps)": ramped(simple_harmonic, 62.0, smooth=False),
        "arcs (jumps)": arcs(),
    }


def uneven() -> Known:
    """Opens by 3-4-5 over 62 degrees, closes by 4-5-6-7 over 70: lift, slope and acceleration agree at the nose."""
    opening, closing = ramped(polynomial_345, 62.0), ramped(polynomial_4567, 70.0)

    def motion(theta: Array) -> Motion:
        pairs = zip(opening.motion(theta), closing.motion(theta), strict=True)
        one, two, three = (np.where(theta <= 0.0, a, b) for a, b in pairs)
        return one, two, three

    return Known(motion, closing.half_rad, closing.foot_rad, True)


@functools.cache
def other_lobes() -> dict[str, Known]:
    """Lobes that no constant of the fit was settled on."""
    return {
        "cycloidal": ramped(cycloidal, 70.0),
        "modified sine": ramped(modified_sine, 64.0),
        "modified trapezoid": ramped(modified_trapezoid, 66.0),
        "uneven flanks": uneven(),
    }


# Dials and wheels that no constant was settled on: step, angle error.
OTHER_READINGS = ((0.0005, 0.10), (0.0005, 0.50), (0.0010, 0.25), (0.0001, 0.25), (0.00005, 0.05))


class Table(NamedTuple):
    """Simulated readings: angle on the wheel, lift, and where the wheel puts the nose."""

    angle_rad: Array
    lift_m: Array
    nose_rad: float


def read_known(
    lobe: Known, step_deg: float, number: int, *, jitter_rad: float = JITTER_RAD, dial_m: float = STEP_M
) -> Table:
    """One table of readings; `number` fixes its chances."""
    chance = np.random.default_rng(number)
    wheel = np.arange(0.0, 360.0, step_deg) * DEG
    nose = math.pi + chance.uniform(-1.0, 1.0) * DEG
    zero = chance.uniform(-0.5, 0.5) * dial_m
    true = np.mod(wheel - nose + chance.normal(0.0, jitter_rad, wheel.size) + math.pi, TURN) - math.pi
    return Table(wheel, np.round((lobe.motion(true)[0] + zero) / dial_m) * dial_m, nose)


def regions(lobe: Known, theta: Array) -> np.ndarray:
    """Number of the region (REGIONS) of each angle from the nose."""
    half, foot = lobe.half_rad / DEG, max(lobe.foot_rad / DEG, lobe.half_rad / DEG + 8.0)
    ramp_top = half + 5.0
    cuts = [
        0.0,
        6.0,
        0.2 * half + 3.0,
        0.4 * half,
        0.6 * half,
        0.8 * half,
        half - 3.0,
        ramp_top,
        max(foot - 6.0, ramp_top),
    ]
    return np.searchsorted([*cuts, foot + 4.0], np.abs(theta) / DEG, side="right") - 1


class Coverage(NamedTuple):
    """Share of tables whose band holds the truth, per region (opening regions, then closing), and elsewhere.

    per_region: shape (3, 20) for lift, velocity, acceleration; lobe: mean from foot to foot; turn: whole turn.
    worst: at the worst half degree of the lobe. width, error: root mean square half-width / 1.96 and error of
    acceleration per region, share of its peak.
    """

    per_region: Array
    lobe: Array
    turn: Array
    width: Array
    error: Array
    worst: Array
    found_jitter_rad: float


def coverage(
    lobe: Known,
    step_deg: float,
    tables: int,
    *,
    given: bool = False,
    first: int = 1000,
    jitter_rad: float = JITTER_RAD,
    dial_m: float = STEP_M,
) -> Coverage:
    """Coverage over `tables` tables; `given`: the angle error is told rather than found."""
    theta = np.arange(-180.0, 180.0, 0.5) * DEG
    truth = np.array(lobe.motion(theta))
    held, width, error = (np.zeros((3, theta.size)) for _ in range(3))
    jitter = 0.0
    for number in range(first, first + tables):
        table = read_known(lobe, step_deg, number, jitter_rad=jitter_rad, dial_m=dial_m)
        read = lobe_from_readings(
            table.angle_rad, table.lift_m, lift_step_m=dial_m, angle_error_cam_rad=jitter_rad if given else None
        )
        curve, band = on_the_wheel(read, theta + table.nose_rad)
        held += np.abs(curve - truth) <= band
        width += (band / 1.96) ** 2
        error += (curve - truth) ** 2
        jitter += read.found_angle_error_cam_rad / tables
    held /= tables
    place = regions(lobe, theta)
    members = [(place == k) & side for side in (theta <= 0.0, theta > 0.0) for k in range(len(REGIONS))]
    per_region = np.array([[h[m].mean() if m.any() else np.nan for m in members] for h in held])
    peak = np.abs(truth[2]).max()
    rms = [np.array([np.sqrt(x[2][place == k].mean() / tables) / peak if (place == k).any() else np.nan
                     for k in range(len(REGIONS))]) for x in (width, error)]  # fmt: skip
    on_lobe = place < len(REGIONS) - 1
    return Coverage(
        per_region, held[:, on_lobe].mean(axis=1), held.mean(axis=1), *rms, held[:, on_lobe].min(axis=1), jitter
    )


def on_the_wheel(read: ReadLobe, wheel_rad: Array) -> tuple[Array, Array]:
    """Lift, velocity, acceleration and their bands at wheel angles, shape (3, n) each."""
    at = np.mod(wheel_rad - read.centre_wheel_rad + math.pi, TURN) - math.pi
    lobe = read.lobe
    curves = (lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2)
    bands = (read.lift_band_m, read.velocity_band_m_per_rad, read.acceleration_band_m_per_rad2)
    return (
        np.array([np.interp(at, lobe.theta_cam_rad, y) for y in curves]),
        np.array([np.interp(at, lobe.theta_cam_rad, y) for y in bands]),
    )


def told(name: str, c: Coverage) -> None:
    """Print one lobe's coverage."""
    n = len(REGIONS)
    print(f"{name}: angle error found {c.found_jitter_rad / DEG:.3f} deg")
    for d, what in enumerate(("lift", "velocity", "acceleration")):
        opening, closing = (" ".join(f"{x:.2f}" for x in c.per_region[d][part]) for part in (slice(n), slice(n, None)))
        print(
            f"  {what:13} lobe {c.lobe[d]:.3f} turn {c.turn[d]:.3f} least {np.nanmin(c.per_region[d]):.2f}"
            f" worst angle {c.worst[d]:.2f}"
            f" | {opening} | {closing}"
        )
    print(f"  acceleration, share of peak: band/1.96 {' '.join(f'{x:.3f}' for x in c.width)}")
    print(f"                               error     {' '.join(f'{x:.3f}' for x in c.error)}", flush=True)


DEMO_HEAD = """# INVENTED readings, nothing was measured: {what}
# source: computed by demo_tables of tests/readings_coverage.py from a lobe in closed form,
#         {lobe},
#         the wheel's zero at top dead centre of valve overlap; {scatter}
# edition: first; page: none
# units: as in the column names
# date: 2026-11-25; checker: nobody outside the project
# grade: estimated; origin: assumed
"""


def demo_tables() -> dict[str, str]:
    """The two tables in data/readings: a good intake and a worn exhaust lobe of one invented cam, by file name."""
    chance = np.random.default_rng(20261125)
    lobe = ramped(polynomial_345, 72.0)
    wheel = np.arange(0.0, 360.0, 2.0)
    off = wheel - 53.0 + chance.normal(0.0, 0.2, wheel.size)
    lift = np.round((lobe.motion((np.mod(off + 180.0, 360.0) - 180.0) * DEG)[0] / IN + 0.0031) / 0.0005) * 0.0005
    rows = [f"{a:.0f},{s:.4f}" for a, s in zip(wheel, lift, strict=True)]
    rows[150] = "300,"  # a reading that was forgotten
    rows.insert(21, f"40,{lift[20] + 0.0005:.4f}")  # one that was taken twice
    intake = DEMO_HEAD.format(
        what="a flat-tappet intake lobe in good order, indicator on the lifter, not zeroed",
        lobe="rise and fall of the 3-4-5 polynomial over 72 cam degrees each way on a 0.009 in ramp, 0.290 in in all",
        scatter="angles off by 0.2 cam degree at random, dial read to 0.0005 in, 0.0031 in on the base circle",
    )
    crank = np.arange(715.0, -1.0, -5.0)
    away = np.mod(crank / 2.0 - 303.0 + chance.normal(0.0, 0.2, crank.size) + 180.0, 360.0) - 180.0
    wear = 0.011 * IN * np.exp(-(((away - 4.0) / 24.0) ** 2))
    true = np.maximum(lobe.motion(away * DEG)[0] - wear, 0.0)
    exhaust = DEMO_HEAD.format(
        what="a worn flat-tappet exhaust lobe of the same cam, indicator on the lifter, read backwards",
        lobe="as the intake's, less wear of 0.011 in exp(-((angle - 4 deg)/24 deg)^2) in cam degrees from its nose",
        scatter="angles off by 0.2 cam degree at random, dial read to 0.01 mm",
    )
    back = [f"{a:.0f},{s:.2f}" for a, s in zip(crank, np.abs(np.round(true * 1e3, 2)), strict=True)]
    return {
        "invented-intake.csv": intake + "\n".join(["cam angle (deg),lobe lift (in)", *rows]) + "\n",
        "invented-exhaust-worn.csv": exhaust + "\n".join(["crank angle (deg),lobe lift (mm)", *back]) + "\n",
    }


def main(tables: int) -> None:
    """Print the tables."""
    begun = time.perf_counter()
    print(f"{tables} tables of readings each; coverage of the 95 % bands in {', '.join(REGIONS)}; opening | closing")
    for step in (1.0, 2.0):
        for given in (False, True):
            print(f"\nread every {step:g} cam degrees; angle error {'given' if given else 'found from the scatter'}")
            for name, lobe in (known_lobes() | other_lobes()).items():
                told(name, coverage(lobe, step, tables, given=given))
    print("\nother dials and wheels, read every 2 cam degrees, angle error found")
    for dial_in, jitter_deg in OTHER_READINGS:
        for name in ("3-4-5", "card, roller", "uneven flanks"):
            lobe = (known_lobes() | other_lobes())[name]
            c = coverage(lobe, 2.0, tables, jitter_rad=jitter_deg * DEG, dial_m=dial_in * IN)
            told(f"{name}, dial {dial_in:g} in, angle error {jitter_deg:g} deg", c)
    print(f"\n{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
