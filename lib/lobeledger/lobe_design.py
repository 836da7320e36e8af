"""The best possible lobe: the most lift area a follower, its springs and its steel allow.

What bounds a lobe?                      `LobeTask`, `LIMITS`
Which lobe opens the valve most?         `best_lobe` -> `BestLobe` (lobe, what binds where, prices)
What is another newton, millimetre worth?  `BestLobe.prices`, `PRICED`
How near does a card come to it?         `share_of_best` -> `ShareOfBest`
Where does the roller overtake the flat? `flat_and_roller`
Which spring rate suits best?            `best_over_rate`
What load may a crowned face carry?      `allowed_flat_load_n`

The task: greatest lift area between the ramp tops of a given duration, starting at the ramp's lift and velocity,
on one flank of a symmetric lobe. Unknown is the jerk, constant on each of 240 segments, so that acceleration is a
broken line, velocity a row of parabolas and lift a row of cubics, and a limit kept at the nodes (and where the
velocity's end tangents meet) is kept between them, up to the bend of the lift within a quarter of a degree.

    jerk         |s'''| <= jerk limit (assumed, the same for flat and roller)
    springs      r (F + k (r s - lash)) + m omega^2 s'' >= least load, at the rated speed and a margin above it
    stress       Hertz pressure <= allowed pressure, at the rated and at the lowest speed (the load is linear in
                 omega^2, so no speed between is worse)
    face         |s'| <= face radius - edge                                  flat
    angle        |s'| <= tan(pressure angle) (Rb + Rr + s)                   roller
    velocity     |s'| <= greatest velocity, if one is given
    nose         radius of curvature of the lobe >= least nose radius
    hollow       a hollow flank no tighter than the grinding wheel           roller
    lift         s <= greatest lift, if one is given
    no dip       the flank only rises

On a flat face with line contact every row is linear: one linear program, and its answer is the best there is on
that grid. A crowned face carries a load that grows faster than its cam's radius (to the power 1.3 or so), and
tangents to a convex curve stay below it: each program keeps the true limit, each is better than the one before,
and a few settle it. A roller's curvature and normal load are linearised too, with a trust region; that answer is
a local best. Prices are the programs' multipliers: area gained per unit of a limit.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import clarabel
import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

from lobeledger import contact, follower, valvetrain
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe import Array, Lobe
from lobeledger.lobe_card import CardLobe, FlatLimits, RollerLimits
from lobeledger.units import cam_rad_from_crank_rad, rad

__all__ = [
    "LIMITS",
    "PRICED",
    "BestLobe",
    "LobeTask",
    "ShareOfBest",
    "allowed_flat_load_n",
    "best_lobe",
    "best_over_rate",
    "flat_and_roller",
    "share_of_best",
    "task_of_card",
]

SEGMENTS = 240
GRID_STEP_RAD = rad(0.25)
# Elastic excess of a linearised limit, in shares of the limit, is charged this much (scaled area is below one).
_PENALTY = 4.0
_FITS = 1e-6
# Programs a roller gets before a trust region steps in.
_FREE_TURNS = 9

LIMITS = ("jerk", "springs", "stress", "face", "angle", "velocity", "nose", "hollow", "lift", "no dip")
# How to make room in each limit: words, figure, which way it must go, and its value as people read it.
_ROOM: dict[str, tuple[str, str, float, float, str]] = {
    "jerk": ("a jerk limit of at least", "jerk_m_per_rad3", 1.0, 1.0, "m/rad^3"),
    "springs": ("a seat load of at least", "seat_load_n", 1.0, 1.0, "N"),
    "stress": ("an allowed contact stress of at least", "stress_pa", 1.0, 1e-6, "MPa"),
    "face": ("a lifter face of at least", "face_diameter_m", 1.0, 1e3, "mm"),
    "angle": ("a pressure angle of at least", "pressure_angle_rad", 1.0, 180.0 / math.pi, "degrees"),
    "velocity": ("a greatest velocity of at least", "greatest_velocity_m_per_rad", 1.0, 1e3, "mm/rad"),
    "nose": ("a least nose radius of at most", "least_nose_radius_m", -1.0, 1e3, "mm"),
    "hollow": ("a grinding wheel of a radius of at most", "grinding_radius_m", -1.0, 1e3, "mm"),
    "lift": ("a greatest lift of at least", "greatest_lift_m", 1.0, 1e3, "mm"),
}

# What has a price, as named in `LobeTask` or its `limits`.
PRICED = (
    "jerk_m_per_rad3",
    "stress_pa",
    "seat_load_n",
    "rate_n_per_m",
    "moving_mass_kg",
    "rated_rpm",
    "least_load_n",
    "base_radius_m",
    "lobe_width_m",
    "greatest_lift_m",
    "greatest_velocity_m_per_rad",
    "face_diameter_m",
    "wheel_radius_m",
    "pressure_angle_rad",
    "least_nose_radius_m",
    "grinding_radius_m",
    "ramp_velocity_m_per_rad",
)


@dataclass(frozen=True, kw_only=True)
class LobeTask:
    """Everything that bounds a lobe. Hashable, so that results can be kept by it.

    limits: the follower's geometry, shared with cards. duration_crank_rad: between the ramp tops, where the lobe
    has lifted ramp_top_m and moves at ramp_velocity_m_per_rad (per cam radian). seat_lift_m: lobe lift at which the
    valve leaves its seat; area counts from there. Mass and loads as in `valvetrain`; lash_m at the valve.
    rated_rpm, low_rpm: crank speeds between which the stress limit holds; springs hold the lifter on the lobe up to
    rated_rpm (1 + spring_margin), with least_load_n to spare. modulus_pa: contact modulus E*. Flat: crown_radius_m (math.inf: line contact) and
    contact_offset_m along the lobe. Roller: wheel_width_m, grinding_radius_m. through: further points the lobe must
    pass, each (lobe lift in m, duration in crank radians).
    """

    limits: FlatLimits | RollerLimits
    base_radius_m: float
    ramp_top_m: float
    ramp_velocity_m_per_rad: float
    duration_crank_rad: float
    seat_lift_m: float
    jerk_m_per_rad3: float
    stress_pa: float
    modulus_pa: float
    lobe_width_m: float
    moving_mass_kg: float
    ratio: float
    seat_load_n: float
    rate_n_per_m: float
    rated_rpm: float
    low_rpm: float = 0.0
    spring_margin: float = 0.0
    least_load_n: float = 0.0
    lash_m: float = 0.0
    crown_radius_m: float = math.inf
    contact_offset_m: float = 0.0
    wheel_width_m: float = math.inf
    grinding_radius_m: float = 0.1
    greatest_lift_m: float | None = None
    greatest_velocity_m_per_rad: float | None = None
    through: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        for name in (
            "base_radius_m", "ramp_top_m", "duration_crank_rad", "jerk_m_per_rad3", "stress_pa", "modulus_pa",
            "lobe_width_m", "moving_mass_kg", "ratio", "rated_rpm", "crown_radius_m", "wheel_width_m",
            "grinding_radius_m",
        ):  # fmt: skip
            if not getattr(self, name) > 0.0:
                raise OutOfRange(f"{name} is {getattr(self, name):g}; it must be above zero.")
        for name in (
            "ramp_velocity_m_per_rad", "seat_lift_m", "seat_load_n", "rate_n_per_m", "low_rpm", "least_load_n", "lash_m",
        ):  # fmt: skip
            if not (math.isfinite(getattr(self, name)) and getattr(self, name) >= 0.0):
                raise OutOfRange(f"{name} is {getattr(self, name):g}; it must be finite, zero or more.")
        if not self.spring_margin > -1.0:
            raise OutOfRange(f"spring_margin is {self.spring_margin:g}; it is a share of the rated speed above -1.")
        if self.low_rpm > self.rated_rpm:
            raise OutOfRange(f"low_rpm is {self.low_rpm:g}; it must not exceed rated_rpm ({self.rated_rpm:g}).")
        if self.seat_lift_m > self.ramp_top_m or self.ratio * self.ramp_top_m < self.lash_m:
            raise OutOfRange("the valve must leave its seat on the ramp: seat_lift_m and lash_m reach past ramp_top_m.")
        top = self.greatest_velocity_m_per_rad
        if top is not None and top <= self.ramp_velocity_m_per_rad:
            raise OutOfRange(f"greatest_velocity_m_per_rad is {top:g}; it must be above the ramp's.")
        if self.greatest_lift_m is not None and self.greatest_lift_m <= self.ramp_top_m:
            raise OutOfRange(f"greatest_lift_m is {self.greatest_lift_m:g}; it must be above ramp_top_m.")
        for lift_m, duration_rad in self.through:
            if not (lift_m > self.ramp_top_m and 0.0 < duration_rad < self.duration_crank_rad):
                raise OutOfRange("a point of `through` must lie above ramp_top_m and inside duration_crank_rad.")
        if isinstance(self.limits, RollerLimits) and self.grinding_radius_m <= self.limits.wheel_radius_m:
            raise OutOfRange("grinding_radius_m must be larger than the roller wheel, which runs in the same hollow.")

    @property
    def flank_cam_rad(self) -> float:
        """Cam angle from the nose to the ramp top."""
        return cam_rad_from_crank_rad(self.duration_crank_rad) / 2.0

    def cam_speed_rad_per_s(self, low: bool = False) -> float:
        """Cam speed at the rated (or the lowest) crank speed."""
        return float(valvetrain.cam_speed_rad_per_s(self.low_rpm if low else self.rated_rpm))

    def moved(self, name: str, value: float) -> LobeTask:
        """A copy with one figure of the task or of its `limits` changed."""
        if hasattr(self.limits, name):
            return replace(self, limits=replace(self.limits, **{name: value}))  # type: ignore[arg-type]
        return replace(self, **{name: value})  # type: ignore[arg-type]

    def figure(self, name: str) -> float | None:
        """A figure of the task or of its `limits`; None where this follower has no such limit."""
        value: float | None = getattr(self.limits, name, getattr(self, name, None))
        return value


@dataclass(frozen=True, eq=False)
class BestLobe:
    """The best lobe of a task.

    lobe: with ramps, on the grid cards use. area_m_rad: lift area above the seat between the ramp tops (m x cam
    rad). theta_cam_rad: nodes of one flank, nose outwards; binding: the limit that holds each node's lobe back ("" where
    none does). prices: d(area)/d(figure) for every figure of `PRICED` this task has, in m rad per that figure's own
    unit. programs: linear programs solved.
    """

    task: LobeTask
    lobe: Lobe
    area_m_rad: float
    theta_cam_rad: Array
    binding: NDArray[np.str_]
    prices: Mapping[str, float]
    programs: int
    jerk_m_per_rad3: Array = field(repr=False)
    motion: Array = field(repr=False)

    @property
    def greatest_lift_m(self) -> float:
        """Lobe lift at the nose."""
        return float(self.motion[0, 0])

    def bound_share(self) -> dict[str, float]:
        """Share of the flank each limit rules, greatest first."""
        names, counts = np.unique(self.binding, return_counts=True)
        order = np.argsort(-counts)
        return {str(names[i]): float(counts[i]) / self.binding.size for i in order if names[i]}

    def motion_at(self, theta_cam_rad: ArrayLike) -> Array:
        """Lift, slope (ds/dtheta, falling from the nose) and acceleration between the ramp tops, shape (3, ...)."""
        theta = np.abs(np.asarray(theta_cam_rad, dtype=float))
        return _between(self.theta_cam_rad, self.motion, self.jerk_m_per_rad3, theta)

    def worth(self, figure: str, by: float) -> float:
        """Share of the lift area gained, to first order, by `by` more of a figure of `PRICED` (its own SI unit)."""
        return self.prices[figure] * by / self.area_m_rad

    def use_of_limits(self, theta_cam_rad: ArrayLike) -> dict[str, Array]:
        """How much of each limit is used at some angles between the ramp tops: 1 is all of it."""
        s, v, a = self.motion_at(theta_cam_rad)
        task = self.task
        return {name: use(task, s, v, a) for name, use in _uses(task).items()}


# -- limits as slacks ---------------------------------------------------------------------------------------


class _Rows(NamedTuple):
    """Rows slack(s, v, a) >= 0 at the nodes `at`, with their slopes; scale: what makes the slack a share."""

    name: str
    at: NDArray[np.int64]
    slack: Array
    by_lift: Array | float
    by_slope: Array | float
    by_accel: Array | float
    scale: float
    linear: bool


@functools.lru_cache(maxsize=256)
def _crowned_table(
    crown_m: float, width_m: float, offset_m: float, modulus_pa: float, stress_pa: float
) -> tuple[CubicSpline, float, float]:
    """Logarithm of the allowed load over the logarithm of the cam radius, from 0.2 mm to 1 m."""
    radius = np.geomspace(2e-4, 1.0, 72)

    def pressure(load: Array) -> Array:
        return contact.crowned_face_contact(
            load, cam_radius_m=radius, crown_radius_m=crown_m, lobe_width_m=width_m, modulus_pa=modulus_pa,
            contact_offset_m=offset_m,
        ).peak_pressure_pa  # fmt: skip

    # Pressure grows with the load to a power between 1/3 (oval) and 1/2 (line); secants on logarithms settle fast.
    before = _line_load_n(radius, width_m=width_m, modulus_pa=modulus_pa, stress_pa=stress_pa)
    miss = np.log(pressure(before) / stress_pa)
    log_before = np.log(before)
    log_load = log_before - 2.5 * miss
    for _ in range(30):
        new = np.log(pressure(np.exp(log_load)) / stress_pa)
        if np.max(np.abs(new)) < 1e-11:
            break
        step = log_load - log_before
        power = np.where(np.abs(step) > 1e-12, (new - miss) / np.where(step == 0.0, 1.0, step), 0.4)
        log_before, miss = log_load, new
        log_load = log_load - new / np.clip(power, 0.25, 0.6)
    else:
        raise NoSolution(f"no load brings this face to {stress_pa / 1e6:.0f} MPa; check crown, width and offset")
    x = np.log(radius)
    return CubicSpline(x, log_load), float(x[0]), float(x[-1])


def _line_load_n(cam_radius_m: ArrayLike, *, width_m: float, modulus_pa: float, stress_pa: float) -> Array:
    """Load (N) that brings a line contact of radius R and length L to a pressure: W = pi R L p^2/E*.

    Source: Johnson, Contact Mechanics, section 4.2(c), turned round.

    >>> load = _line_load_n(0.02, width_m=0.02, modulus_pa=109.18e9, stress_pa=1447e6)
    >>> round(float(load), -2)
    24100.0
    """
    return np.asarray(math.pi * width_m * stress_pa**2 / modulus_pa * np.asarray(cam_radius_m, dtype=float))


def allowed_flat_load_n(
    cam_radius_m: ArrayLike,
    *,
    crown_radius_m: float,
    lobe_width_m: float,
    modulus_pa: float,
    stress_pa: float,
    contact_offset_m: float = 0.0,
) -> tuple[Array, Array]:
    """Load (N) that brings a flat lifter's contact to a pressure, and its slope over the cam's radius (N/m).

    `contact.crowned_face_contact` turned round; the slope is what the tangent needs. crown_radius_m = math.inf is
    line contact, linear in the radius. Valid for cam radii of 0.2 mm to 1 m; raises OutOfRange outside.

    >>> load, slope = allowed_flat_load_n(0.009, crown_radius_m=1.14, lobe_width_m=0.0122, modulus_pa=115e9,
    ...                                   stress_pa=1132.4e6, contact_offset_m=0.003)
    >>> round(float(load), -1), round(float(slope * 0.009 / load), 2)
    (1500.0, 1.29)
    """
    radius = np.asarray(cam_radius_m, dtype=float)
    if math.isinf(crown_radius_m):
        line = _line_load_n(1.0, width_m=lobe_width_m, modulus_pa=modulus_pa, stress_pa=stress_pa)
        return np.asarray(line * radius), np.broadcast_to(line, radius.shape)
    if not np.all((radius >= 2e-4 * 0.999) & (radius <= 1.0)):
        raise OutOfRange(
            f"cam_radius_m reaches from {float(np.min(radius)):g} to {float(np.max(radius)):g}; this face is known from "
            "0.0002 to 1 m."
        )
    curve, _, _ = _crowned_table(crown_radius_m, lobe_width_m, contact_offset_m, modulus_pa, stress_pa)
    x = np.log(radius)
    load = np.exp(curve(x))
    return load, load * curve(x, 1) / radius


def _spring_rows(task: LobeTask) -> tuple[float, float]:
    """Spring load at the lifter as constant + slope x lobe lift (N, N/m): r (F - k lash) + r^2 k s."""
    r = task.ratio
    return r * (task.seat_load_n - task.rate_n_per_m * task.lash_m), r * r * task.rate_n_per_m


def _curvature(reach: Array, v: Array, a: Array) -> tuple[Array, Array, Array, Array]:
    """Curvature of the wheel centre's path and its slopes by lift, velocity and acceleration (see `follower`)."""
    q = reach**2 + v**2
    top = reach**2 + 2.0 * v**2 - reach * a
    k = top / q**1.5
    return k, (2.0 * reach - a) / q**1.5 - 3.0 * top * reach / q**2.5, 4.0 * v / q**1.5 - 3.0 * top * v / q**2.5, (
        -reach / q**1.5
    )


def _rows_at(task: LobeTask, s: Array, v: Array, a: Array, step: float) -> list[_Rows]:
    """Every limit but jerk as rows, linearised about one motion; slacks are exact there."""
    n = s.size - 1
    nodes, inner = np.arange(n + 1), np.arange(n)
    half = step / 2.0
    si, vi, ai = s[:-1], v[:-1], a[:-1]
    unit = task.jerk_m_per_rad3 * step * task.flank_cam_rad
    rows = [
        _Rows("no dip", nodes[1:-1], -v[1:-1], 0.0, -1.0, 0.0, unit, True),
        _Rows("no dip", inner, -(vi + half * ai), 0.0, -1.0, -half, unit, True),
    ]
    if task.greatest_lift_m is not None:
        first = np.zeros(1, dtype=np.int64)
        rows.append(_Rows("lift", first, task.greatest_lift_m - s[:1], -1.0, 0.0, 0.0, task.greatest_lift_m, True))
    if task.greatest_velocity_m_per_rad is not None:
        top = task.greatest_velocity_m_per_rad
        rows.append(_Rows("velocity", nodes, top + v, 0.0, 1.0, 0.0, top, True))
        rows.append(_Rows("velocity", inner, top + vi + half * ai, 0.0, 1.0, half, top, True))
    seat, stiff = _spring_rows(task)
    inertia = task.moving_mass_kg * task.cam_speed_rad_per_s() ** 2
    load = seat + stiff * s
    pull = inertia * (1.0 + task.spring_margin) ** 2
    rows.append(_Rows("springs", nodes, load + pull * a - task.least_load_n, stiff, 0.0, pull, max(seat, 1e-9), True))
    low = task.moving_mass_kg * task.cam_speed_rad_per_s(low=True) ** 2
    speeds = (inertia,) if low == inertia else (inertia, low)
    if isinstance(task.limits, FlatLimits):
        reach = task.limits.greatest_eccentricity_m
        rows.append(_Rows("face", nodes, reach + v, 0.0, 1.0, 0.0, reach, True))
        rows.append(_Rows("face", inner, reach + vi + half * ai, 0.0, 1.0, half, reach, True))
        rho, least = task.base_radius_m + s + a, task.limits.least_nose_radius_m
        rows.append(_Rows("nose", nodes, rho - least, 1.0, 0.0, 1.0, task.base_radius_m, True))
        if math.isfinite(task.stress_pa):
            line = math.isinf(task.crown_radius_m)
            allowed, slope = allowed_flat_load_n(
                rho if line else np.maximum(rho, 2e-4),
                crown_radius_m=task.crown_radius_m,
                lobe_width_m=task.lobe_width_m,
                modulus_pa=task.modulus_pa,
                stress_pa=task.stress_pa,
                contact_offset_m=task.contact_offset_m,
            )
            for m in speeds:
                rows.append(
                    _Rows(
                        "stress", nodes, allowed - load - m * a, slope - stiff, 0.0, slope - m, max(seat, 1e-9), line
                    )
                )
        return rows
    wheel = task.limits.wheel_radius_m
    tangent = math.tan(task.limits.pressure_angle_rad)
    reach_s = task.base_radius_m + wheel + s
    scale = tangent * (task.base_radius_m + wheel)
    rows.append(_Rows("angle", nodes, tangent * reach_s + v, tangent, 1.0, 0.0, scale, True))
    # The lift's own bend within a segment is small against the slope's and is left out.
    turn = tangent * (reach_s[:-1] + half * vi) + vi + half * ai
    rows.append(_Rows("angle", inner, turn, tangent, 1.0 + tangent * half, half, scale, True))
    k, k_s, k_v, k_a = _curvature(reach_s, v, a)
    least = wheel + task.limits.least_nose_radius_m
    rows.append(_Rows("nose", nodes, 1.0 - least * k, -least * k_s, -least * k_v, -least * k_a, 1.0, False))
    if math.isfinite(task.grinding_radius_m):
        hollow = task.grinding_radius_m - wheel
        rows.append(_Rows("hollow", nodes, 1.0 + hollow * k, hollow * k_s, hollow * k_v, hollow * k_a, 1.0, False))
    else:
        base = task.base_radius_m
        rows.append(_Rows("hollow", nodes, base * k, base * k_s, base * k_v, base * k_a, 1.0, False))
    if math.isfinite(task.stress_pa):
        # 1/R = kappa/(1 - Rr kappa) + 1/Rr, so that R = Rr (1 - Rr kappa) and the allowed load is linear in kappa.
        width = min(task.lobe_width_m, task.wheel_width_m)
        most = float(
            _line_load_n(wheel, width_m=width, modulus_pa=task.modulus_pa, stress_pa=task.stress_pa)
        )
        tilt = v / reach_s
        lean = np.sqrt(1.0 + tilt**2)
        lean_v = tilt / (lean * reach_s)
        lean_s = -tilt * lean_v
        for m in speeds:
            axial = load + m * a
            rows.append(
                _Rows(
                    "stress",
                    nodes,
                    most * (1.0 - wheel * k) - axial * lean,
                    -most * wheel * k_s - stiff * lean - axial * lean_s,
                    -most * wheel * k_v - axial * lean_v,
                    -most * wheel * k_a - m * lean,
                    max(seat, 1e-9),
                    False,
                )
            )
    return rows


def _uses(task: LobeTask) -> dict[str, Callable[[LobeTask, Array, Array, Array], Array]]:
    """Each limit of a task as 'used share' of the motion, from the textbook functions of `contact` and `valvetrain`.

    Deliberately not from the rows above, so that the one checks the other.
    """

    def axial(t: LobeTask, s: Array, a: Array, rpm: float) -> Array:
        return valvetrain.contact_force_n(
            s, a, crank_rpm=rpm, moving_mass_kg=t.moving_mass_kg, ratio=t.ratio, seat_load_n=t.seat_load_n,
            rate_n_per_m=t.rate_n_per_m, lash_m=t.lash_m,
        )  # fmt: skip

    def springs(t: LobeTask, s: Array, v: Array, a: Array) -> Array:
        rpm = t.rated_rpm * (1.0 + t.spring_margin)
        at_rest = axial(t, s, np.zeros_like(a), rpm)
        return (at_rest - axial(t, s, a, rpm)) / (at_rest - t.least_load_n)

    def stress(t: LobeTask, s: Array, v: Array, a: Array) -> Array:
        worst = np.zeros_like(s)
        for rpm in {t.rated_rpm, t.low_rpm}:
            load = np.maximum(axial(t, s, a, rpm), 0.0)
            if isinstance(t.limits, FlatLimits):
                radius = follower.flat_cam_radius_m(s, a, base_radius_m=t.base_radius_m)
                if math.isinf(t.crown_radius_m):
                    pressure = contact.hertz_line(
                        load, radius_m=radius, length_m=t.lobe_width_m, modulus_pa=t.modulus_pa
                    ).peak_pressure_pa
                else:
                    pressure = contact.crowned_face_contact(
                        load, cam_radius_m=radius, crown_radius_m=t.crown_radius_m, lobe_width_m=t.lobe_width_m,
                        modulus_pa=t.modulus_pa, contact_offset_m=t.contact_offset_m,
                    ).peak_pressure_pa  # fmt: skip
            else:
                wheel, base = t.limits.wheel_radius_m, t.base_radius_m
                angle = follower.roller_pressure_angle_rad(s, v, base_radius_m=base, roller_radius_m=wheel)
                pressure = contact.roller_lobe_contact(
                    follower.roller_normal_load_n(load, pressure_angle_rad=angle),
                    cam_radius_m=follower.roller_cam_radius_m(s, v, a, base_radius_m=base, roller_radius_m=wheel),
                    roller_radius_m=wheel, lobe_width_m=t.lobe_width_m,
                    wheel_width_m=min(t.wheel_width_m, t.lobe_width_m), modulus_pa=t.modulus_pa,
                ).peak_pressure_pa  # fmt: skip
            worst = np.maximum(worst, pressure)
        return worst / t.stress_pa

    found: dict[str, Callable[[LobeTask, Array, Array, Array], Array]] = {"springs": springs}
    if math.isfinite(task.stress_pa):
        found["stress"] = stress
    if task.greatest_lift_m is not None:
        cap = task.greatest_lift_m
        found["lift"] = lambda t, s, v, a: s / cap
    if task.greatest_velocity_m_per_rad is not None:
        top = task.greatest_velocity_m_per_rad
        found["velocity"] = lambda t, s, v, a: np.abs(v) / top
    if isinstance(task.limits, FlatLimits):
        reach, least = task.limits.greatest_eccentricity_m, task.limits.least_nose_radius_m
        found["face"] = lambda t, s, v, a: np.abs(v) / reach
        found["nose"] = lambda t, s, v, a: (
            least / np.maximum(follower.flat_cam_radius_m(s, a, base_radius_m=t.base_radius_m), 1e-12)
        )
    else:
        wheel, base, phi = task.limits.wheel_radius_m, task.base_radius_m, task.limits.pressure_angle_rad
        least, grinding = task.limits.least_nose_radius_m, task.grinding_radius_m

        def radius(s: Array, v: Array, a: Array) -> Array:
            return follower.roller_cam_radius_m(s, v, a, base_radius_m=base, roller_radius_m=wheel)

        found["angle"] = lambda t, s, v, a: (
            np.abs(follower.roller_pressure_angle_rad(s, v, base_radius_m=base, roller_radius_m=wheel)) / phi
        )
        found["nose"] = lambda t, s, v, a: np.where(radius(s, v, a) >= -wheel, least / radius(s, v, a), 0.0)
        if math.isfinite(grinding):
            found["hollow"] = lambda t, s, v, a: np.where(radius(s, v, a) < -wheel, -grinding / radius(s, v, a), 0.0)
    return found


# -- the program --------------------------------------------------------------------------------------------


def _between(nodes: Array, motion: Array, jerk: Array, theta: Array) -> Array:
    """Lift, slope and acceleration between nodes; jerk is constant on each segment."""
    i = np.clip(np.searchsorted(nodes, theta, side="right") - 1, 0, jerk.size - 1)
    d = theta - nodes[i]
    s, v, a = motion[:, i]
    j = jerk[i]
    return np.stack([s + d * (v + d * (a / 2.0 + d * j / 6.0)), v + d * (a + d * j / 2.0), a + d * j])


class Program(NamedTuple):
    """minimise cost . z with equal z = equal_to and below z <= below_to; free variables."""

    cost: Array
    equal: sp.csr_matrix
    equal_to: Array
    below: sp.csr_matrix
    below_to: Array


class Answer(NamedTuple):
    """Minimiser and multipliers: how much the least cost rises per unit taken from a right-hand side."""

    z: Array
    equal: Array
    below: Array


def solve_program(program: Program) -> Answer | None:
    """The minimiser by Clarabel, or None when the rows contradict each other; the status is read first."""
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = 1e-9
    settings.max_iter = 200
    size, equals = program.cost.size, program.equal.shape[0]
    solution = clarabel.DefaultSolver(
        sp.csc_matrix((size, size)),
        program.cost,
        sp.vstack([program.equal, program.below]).tocsc(),
        np.concatenate([program.equal_to, program.below_to]),
        [clarabel.ZeroConeT(equals), clarabel.NonnegativeConeT(program.below.shape[0])],
        settings,
    ).solve()
    status = str(solution.status)
    if status in ("Solved", "AlmostSolved"):
        duals = np.asarray(solution.z)
        return Answer(np.asarray(solution.x), duals[:equals], duals[equals:])
    if status in ("PrimalInfeasible", "AlmostPrimalInfeasible"):
        return None
    raise NoSolution(f"the lobe program stopped without an answer ({status}); change the limits slightly and try again")


class _Flank:
    """One flank, scaled: x = theta / flank, y = lift / unit. Unknowns y, v, a at the nodes, j, one elastic t."""

    def __init__(self, task: LobeTask, segments: int) -> None:
        n = self.n = segments
        self.task, self.flank = task, task.flank_cam_rad
        self.step = self.flank / n
        self.unit = 0.5 * self.flank * (
            task.limits.greatest_eccentricity_m
            if isinstance(task.limits, FlatLimits)
            else math.tan(task.limits.pressure_angle_rad) * (task.base_radius_m + task.limits.wheel_radius_m)
        )
        if task.greatest_lift_m is not None:
            self.unit = min(self.unit, task.greatest_lift_m)
        self.units = self.unit / self.flank ** np.arange(4.0)
        self.y, self.v, self.a = (k * (n + 1) + np.arange(n + 1) for k in range(3))
        self.j = 3 * (n + 1) + np.arange(n)
        self.t = 4 * n + 3
        self.size = 4 * n + 4
        self.jerk = task.jerk_m_per_rad3 / self.units[3]
        self.nodes = np.linspace(0.0, self.flank, n + 1)
        self._fixed()

    def rows(self, count: int, *terms: tuple[Any, Any]) -> sp.csr_matrix:
        """`count` rows, each term a (column or columns, coefficient or coefficients) pair."""
        row = np.arange(count)
        cols = np.concatenate([np.broadcast_to(column, count) for column, _ in terms])
        vals = np.concatenate([np.broadcast_to(np.asarray(value, float), count) for _, value in terms])
        return sp.csr_matrix((vals, (np.tile(row, len(terms)), cols)), shape=(count, self.size))

    def _fixed(self) -> None:
        n, h, task = self.n, 1.0 / self.n, self.task
        y, v, a, j = self.y, self.v, self.a, self.j
        blocks = [
            self.rows(n, (y[1:], 1), (y[:-1], -1), (v[:-1], -h), (a[:-1], -(h**2) / 2), (j, -(h**3) / 6)),
            self.rows(n, (v[1:], 1), (v[:-1], -1), (a[:-1], -h), (j, -(h**2) / 2)),
            self.rows(n, (a[1:], 1), (a[:-1], -1), (j, -h)),
            self.rows(1, (v[0], 1)),
            self.rows(1, (y[n], 1)),
            self.rows(1, (v[n], 1)),
            self.rows(1, (a[n], 1)),
        ]
        to = [
            np.zeros(3 * n + 1),
            np.array([task.ramp_top_m / self.unit, -task.ramp_velocity_m_per_rad / self.units[1], 0.0]),
        ]
        self.ramp_row = 3 * n + 2
        for lift_m, duration_rad in task.through:
            x = cam_rad_from_crank_rad(duration_rad) / 2.0 / self.flank
            i = min(int(x * n), n - 1)
            d = x - i * h
            blocks.append(self.rows(1, (y[i], 1), (v[i], d), (a[i], d**2 / 2), (j[i], d**3 / 6)))
            to.append(np.array([lift_m / self.unit]))
        self.equal, self.equal_to = sp.vstack(blocks).tocsr(), np.concatenate(to)
        # Area of the cubics, exactly: h (y0 + y1)/2 + h^2 (v0 - v1)/12; the velocities cancel but at the ends.
        self.cost = np.zeros(self.size)
        self.cost[y[:-1]] -= h / 2.0
        self.cost[y[1:]] -= h / 2.0
        self.cost[v[0]] -= h**2 / 12.0
        self.cost[v[n]] += h**2 / 12.0
        share = 1.0 / self.jerk
        self.jerk_rows = sp.vstack([self.rows(n, (j, share)), self.rows(n, (j, -share))]).tocsr()

    def motion(self, z: Array) -> Array:
        """Lift, slope, acceleration at the nodes in metres and radians, shape (3, n + 1)."""
        return np.stack([z[c] * u for c, u in zip((self.y, self.v, self.a), self.units[:3], strict=True)])

    def program(
        self, about: Array | None, *, trust: float | None = None, relax: str = "", without: str = ""
    ) -> tuple[Program, list[tuple[str, NDArray[np.int64], float]]]:
        """The program linearised about a motion (without: linear rows alone), and what its `below` rows are.

        without: a limit left out. relax: this limit (its rows may give by t) with t as the cost; otherwise linearised rows may give by t at a
        penalty, so that a program always has an answer where the linear rows have one.
        """
        n = self.n
        start = about if about is not None else np.stack([np.full(n + 1, self.task.ramp_top_m), *np.zeros((2, n + 1))])
        jerk_rows = self.jerk_rows
        if relax in ("jerk", "all"):
            jerk_rows = (jerk_rows + self.rows(2 * n, (self.t, -1.0))).tocsr()
        below, to = [jerk_rows], [np.ones(2 * n)]
        what: list[tuple[str, NDArray[np.int64], float]] = [
            ("jerk", np.tile(np.arange(n), 2), self.task.jerk_m_per_rad3)
        ]
        s, v, a = start
        for row in _rows_at(self.task, s, v, a, self.step):
            if row.name == without or (about is None and not row.linear):
                continue
            by = [
                np.broadcast_to(np.asarray(d, float), row.at.shape) / row.scale
                for d in (row.by_lift, row.by_slope, row.by_accel)
            ]
            give = -1.0 if relax in (row.name, "all") or (not relax and not row.linear) else 0.0
            terms = [(c[row.at], -d * u) for c, d, u in zip((self.y, self.v, self.a), by, self.units[:3], strict=True)]
            if give:
                terms.append((np.full(row.at.size, self.t), give))
            below.append(self.rows(row.at.size, *terms))
            here = sum(d * start[k][row.at] for k, d in enumerate(by))
            to.append(row.slack / row.scale - here)
            what.append((row.name, row.at, row.scale))
        below.append(self.rows(1, (self.t, -1.0)))
        to.append(np.zeros(1))
        what.append(("", np.zeros(1, dtype=np.int64), 1.0))
        if trust is not None and about is not None:
            middle = start[2] / self.units[2]
            below += [self.rows(n + 1, (self.a, 1.0)), self.rows(n + 1, (self.a, -1.0))]
            to += [middle + trust, trust - middle]
            what += [("trust", np.arange(n + 1), 1.0)] * 2
        cost = self.cost.copy()
        if relax:
            cost[:] = 0.0
        cost[self.t] = 1.0 if relax else _PENALTY
        return Program(cost, self.equal, self.equal_to, sp.vstack(below).tocsr(), np.concatenate(to)), what

    def excess(self, motion: Array) -> float:
        """Greatest share by which a linearised limit is overstepped."""
        s, v, a = motion
        return max((float(np.max(-r.slack)) / r.scale for r in _rows_at(self.task, s, v, a, self.step) if not r.linear), default=0.0)


class _Found(NamedTuple):
    answer: Answer
    motion: Array
    what: list[tuple[str, NDArray[np.int64], float]]
    programs: int
    excess: float


def _search(flank: _Flank, start: Array | None) -> _Found | None:
    """Linear programs until nothing is gained; None when the linear rows contradict each other.

    A crowned face needs no trust region, its tangents never promise too much. A roller first gets some programs
    without one: near its answer they settle in four or five, while a step-by-step rise along curved limits creeps.
    Only where that fails does a trust region take over, from the best lobe met so far.
    """
    flat = isinstance(flank.task.limits, FlatLimits)
    programs = 0
    if start is None:
        program, what = flank.program(None)
        answer = solve_program(program)
        programs += 1
        if answer is None:
            return None
        start = flank.motion(answer.z)
        if all(row.linear for row in _rows_at(flank.task, *start, flank.step)):
            return _Found(answer, start, what, programs, 0.0)

    def judged(motion: Array) -> tuple[float, float]:
        """Scaled area less the penalty on the overstepped limit, and that excess."""
        excess = max(flank.excess(motion), 0.0)
        return float(flank.cost[flank.y] @ motion[0]) / flank.unit + _PENALTY * excess, excess

    motion, (merit, _) = start, judged(start)
    best_motion, best_merit = motion, merit
    trust: float | None = None
    for turn in range(80):
        if turn == _FREE_TURNS and not flat:
            motion, merit = best_motion, best_merit
            trust = max(0.25 * float(np.max(np.abs(motion[2]))) / flank.units[2], 1.0)
        program, what = flank.program(motion, trust=trust)
        answer = solve_program(program)
        programs += 1
        if answer is None:
            return None
        new = flank.motion(answer.z)
        new_merit, excess = judged(new)
        hoped = float(flank.cost[flank.y] @ new[0]) / flank.unit + _PENALTY * max(float(answer.z[flank.t]), 0.0)
        promised, gained = merit - hoped, merit - new_merit
        # Rough limits (a jerk that turns within one segment) leave the programs less exact; then less is asked.
        settled = abs(promised) < (2e-8 if turn < 25 else 2e-6) and (abs(gained) < 2e-6 or gained > 0.0)
        if trust is None or gained >= 0.1 * promised:
            motion, merit = new, new_merit
            if trust is not None and gained > 0.7 * promised:
                trust *= 2.0
        elif trust is not None:
            trust *= 0.3
        if new_merit < best_merit:
            best_motion, best_merit = new, new_merit
        if settled:
            return _Found(answer, new, what, programs, excess)
    raise NoSolution("the search for the best lobe did not settle; change the limits slightly and try again")


# -- the answer ---------------------------------------------------------------------------------------------


def _feasible(task: LobeTask, segments: int) -> bool:
    try:
        found = _search(_Flank(task, segments), None)
    except NoSolution:
        return False
    return found is not None and found.excess <= 1e-5


def _cause(flank: _Flank, about: Array | None) -> str:
    """Which single limit, moved how far, would let a lobe exist; in words.

    Programs in which one limit at a time may give say which are worth trying; the figure is then found on the task
    itself, to some per cent of its way.
    """
    n, task = flank.n, flank.task
    start = about if about is not None else np.stack([np.full(n + 1, task.ramp_top_m), *np.zeros((2, n + 1))])
    ways: list[str] = []
    for name in dict.fromkeys(["jerk", *(row.name for row in _rows_at(task, *start, flank.step))]):
        if name not in _ROOM:
            continue
        try:
            answer = solve_program(flank.program(start, relax=name)[0])
        except NoSolution:
            continue
        if answer is None or answer.z[flank.t] < _FITS:
            continue
        words, figure, way, factor, unit = _ROOM[name]
        value = task.figure(figure)
        assert value is not None
        low, high = 1.0, 0.0
        for grown in (1.03, 1.1, 1.25, 1.6, 2.5, 4.0):
            try:
                moved = task.moved(figure, value * grown**way)
            except OutOfRange:
                break
            if _feasible(moved, n // 2):
                high = grown
                break
            low = grown
        if not high:
            continue
        for _ in range(4):
            middle = math.sqrt(low * high)
            low, high = (low, middle) if _feasible(task.moved(figure, value * middle**way), n // 2) else (middle, high)
        ways.append(f"{words} {value * high**way * factor:.3g} {unit}")
    if not ways:
        return "no single limit is to blame, so relax several, lengthen the duration or drop a point it must pass"
    return "it would take " + " or ".join(ways)


def _prices(flank: _Flank, found: _Found) -> dict[str, float]:
    """d(area)/d(figure) by the envelope theorem: multipliers times how each figure moves its rows' slacks."""
    task, answer = flank.task, found.answer
    gain = 2.0 * flank.unit * flank.flank
    s, v, a = found.motion
    duals: list[Array] = []
    start = 0
    for _, at, _ in found.what:
        duals.append(answer.below[start : start + at.size])
        start += at.size
    # The jerk rows come first, then the limits in the order of `_rows_at`, as many as this program had.
    prices = {"jerk_m_per_rad3": gain * float(duals[0].sum()) / task.jerk_m_per_rad3}
    prices["ramp_velocity_m_per_rad"] = -gain * float(answer.equal[flank.ramp_row]) / flank.units[1]
    nonlinear = any(not row.linear for row in _rows_at(task, s, v, a, flank.step))
    for name in PRICED:
        value = task.figure(name)
        if name in prices or value is None or not math.isfinite(value):
            continue
        if name == "grinding_radius_m" and isinstance(task.limits, FlatLimits):
            continue
        step = 1e-5 * value if value else 1e-3
        ends = []
        for side in (1.0, -1.0):
            if value + side * step < 0.0:
                side = 0.0
            moved = task.moved(name, value + side * step)
            rows = [r for r in _rows_at(moved, s, v, a, flank.step) if nonlinear or r.linear]
            ends.append((side, rows))
        width = (ends[0][0] - ends[1][0]) * step
        total = 0.0
        for dual, (_, _, scale), up, down in zip(duals[1:], found.what[1:], ends[0][1], ends[1][1], strict=False):
            total += float(dual @ (up.slack - down.slack)) / (width * scale)
        prices[name] = gain * total
    return prices


def _binding(flank: _Flank, found: _Found) -> NDArray[np.str_]:
    """The limit with the greatest multiplier at each node; a segment's jerk counts for its inner node."""
    n = flank.n
    weight = np.zeros((len(LIMITS), n + 1))
    start = 0
    for name, at, _ in found.what:
        if name in LIMITS:
            np.add.at(weight[LIMITS.index(name)], at, np.maximum(found.answer.below[start : start + at.size], 0.0))
        start += at.size
    weight[LIMITS.index("jerk"), n] = weight[LIMITS.index("jerk"), n - 1]
    names = np.array(LIMITS)[weight.argmax(axis=0)]
    cap = flank.task.greatest_lift_m
    if cap is not None:
        # A lobe that rests at its greatest lift is held there by that lift, not by having to rise.
        names[(names == "no dip") & (found.motion[0] > cap * (1.0 - 1e-6))] = "lift"
    return np.where(weight.max(axis=0) > 1e-6 * weight.max(), names, "")


def _whole_lobe(task: LobeTask, nodes: Array, motion: Array, jerk: Array) -> Lobe:
    """The lobe with its ramps on a uniform grid, zero at both ends.

    Ramp as on cards' lobes: constant velocity down to a quarter of its height, then a parabola into the base circle.
    """
    top, speed, flank = task.ramp_top_m, task.ramp_velocity_m_per_rad, float(nodes[-1])
    # Without a ramp velocity nothing leads down to the base circle; a lobe that starts on it needs no ramp.
    straight, blend = (0.75 * top / speed, 0.5 * top / speed) if speed > 0.0 else (0.0, 0.0)
    steps = math.ceil((flank + straight + blend) / GRID_STEP_RAD) + 1
    theta: Array = np.arange(-steps, steps + 1, dtype=np.float64) * GRID_STEP_RAD
    out = np.abs(theta) - flank
    s, v, a = _between(nodes, motion, jerk, np.minimum(np.abs(theta), flank))
    left = straight + blend - out
    where = [out <= 0.0, out <= straight, out < straight + blend]
    curve = speed / blend if blend > 0.0 else 0.0
    s = np.select(where, [s, top - speed * out, curve * left**2 / 2.0], 0.0)
    v = np.select(where, [v, np.full_like(v, -speed), -curve * left], 0.0)
    a = np.select(where, [a, np.zeros_like(a), np.full_like(a, curve)], 0.0)
    return Lobe(theta, s, np.asarray(v * np.sign(theta), dtype=np.float64), a)


def best_lobe(task: LobeTask, *, segments: int = SEGMENTS) -> BestLobe:
    """The lobe of greatest lift area within the task's limits, with what binds and what more room is worth.

    Raises NoSolution, naming the limits that would have to give, when no lobe meets them all.
    """
    flank = _Flank(task, segments)
    found = _search(flank, None)
    if found is None or found.excess > 1e-5:
        raise NoSolution(f"no lobe meets these limits: {_cause(flank, None if found is None else found.motion)}")
    z = found.answer.z
    jerk = z[flank.j] * flank.units[3]
    area = -2.0 * flank.unit * flank.flank * float(flank.cost[: flank.t] @ z[: flank.t])
    return BestLobe(
        task=task,
        lobe=_whole_lobe(task, flank.nodes, found.motion, jerk),
        area_m_rad=area - 2.0 * flank.flank * task.seat_lift_m,
        theta_cam_rad=flank.nodes,
        binding=_binding(flank, found),
        prices=_prices(flank, found),
        programs=found.programs,
        jerk_m_per_rad3=jerk,
        motion=found.motion,
    )


def best_over_rate(task: LobeTask, rates_n_per_m: Sequence[float]) -> tuple[float, BestLobe]:
    """The spring rate, of those given, whose best lobe has the greatest area; the seat load stays.

    Rate times lift is a product of two unknowns, so the rate is scanned. Raises NoSolution when none works.
    """
    best: tuple[float, BestLobe] | None = None
    trouble = "no spring rate was given"
    for rate in rates_n_per_m:
        try:
            found = best_lobe(replace(task, rate_n_per_m=float(rate)))
        except NoSolution as problem:
            trouble = str(problem)
            continue
        if best is None or found.area_m_rad > best[1].area_m_rad:
            best = float(rate), found
    if best is None:
        raise NoSolution(trouble)
    return best


# -- a card against the best --------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class ShareOfBest:
    """A card's lift area over the best possible lobe's, same ramp tops, ramp velocity and limits.

    at_its_lift: the best lobe lifts no more than the card. free: it may lift as high as the limits let it. Each is
    (nominal, low, high) over the card's family. Above 1 a member takes more of some limit than the nominal lobe.
    raised: limits the card's nominal lobe itself oversteps, and the figure used instead.
    """

    at_its_lift: tuple[float, float, float]
    free: tuple[float, float, float]
    best_at_its_lift: BestLobe
    best_free: BestLobe
    raised: Mapping[str, float]


def _area_between(lobe: Lobe, half_rad: float, above_m: float) -> float:
    """Lift area between -half and +half, by Simpson's rule on the lobe's cubics."""
    theta = np.linspace(-half_rad, half_rad, 2001)
    lift = np.interp(theta, lobe.theta_cam_rad, lobe.lift_m)
    # Between its own nodes the lobe is no broken line; the quarter-degree grid cuts corners by h^2 s''/12.
    bend = np.interp(theta, lobe.theta_cam_rad, lobe.acceleration_m_per_rad2)
    step = float(lobe.theta_cam_rad[1] - lobe.theta_cam_rad[0])
    return float(np.trapezoid(lift - step**2 / 12.0 * bend - above_m, theta))


def task_of_card(card: CardLobe, task: LobeTask) -> tuple[LobeTask, dict[str, float]]:
    """The task at a card's own ramp tops, each limit no tighter than what the card's nominal lobe takes.

    Jerk, for which no published limit exists, is the greatest any member of the card's family takes. Returned too:
    which limits had to be raised, and to what.
    """
    half = card.ramp_top_cam_rad
    lobe = card.nominal
    jerk = 0.0
    for member in card.members:
        inside = np.abs(member.theta_cam_rad) <= half
        change = np.diff(member.acceleration_m_per_rad2[inside]) / np.diff(member.theta_cam_rad[inside])
        jerk = max(jerk, float(np.abs(change).max()))
    inside = (np.abs(lobe.theta_cam_rad) <= half) & (lobe.theta_cam_rad >= 0.0)
    s, v, a = (x[inside] for x in (lobe.lift_m, lobe.velocity_m_per_rad, lobe.acceleration_m_per_rad2))
    at_top = int(np.argmax(np.abs(lobe.theta_cam_rad) <= half))
    outer = lobe.theta_cam_rad[at_top]
    d = -half - outer
    slope, bend = lobe.velocity_m_per_rad[at_top], lobe.acceleration_m_per_rad2[at_top]
    top = float(lobe.lift_m[at_top] + d * slope + d * d / 2.0 * bend)
    ramp = float(np.interp(-half - 2.0 * GRID_STEP_RAD, lobe.theta_cam_rad, lobe.velocity_m_per_rad))
    made = replace(
        task,
        ramp_top_m=max(top, task.seat_lift_m),
        ramp_velocity_m_per_rad=ramp,
        duration_crank_rad=4.0 * half,
        jerk_m_per_rad3=jerk,
        greatest_lift_m=lobe.greatest_lift_m,
        through=(),
    )
    raised: dict[str, float] = {}
    uses = {name: float(np.max(use(made, s, v, a))) for name, use in _uses(made).items()}
    if uses.get("stress", 0.0) > 1.0:
        raised["stress_pa"] = made.stress_pa * uses["stress"]
    if uses["springs"] > 1.0:
        raised["spring_margin"] = (1.0 + made.spring_margin) / math.sqrt(uses["springs"]) - 1.0
    if uses.get("hollow", 0.0) > 1.0:
        raised["grinding_radius_m"] = made.grinding_radius_m / uses["hollow"]
    if uses["nose"] > 1.0:
        raised["least_nose_radius_m"] = made.limits.least_nose_radius_m / uses["nose"]
    for name, value in raised.items():
        made = made.moved(name, value)
    return made, raised


def share_of_best(card: CardLobe, task: LobeTask) -> ShareOfBest:
    """How much of the area its follower allows a card uses: nominal, low and high over the card's family.

    task: the limits; its durations, ramp, jerk and lift cap are replaced by the card's (`task_of_card`). Two ways are
    reported. At the card's own lift says what another shape of the same height could gain; free lift says what the
    follower would allow if valve springs, guides and pistons left room for it. Raises NoSolution as `best_lobe` does.
    """
    at_lift, raised = task_of_card(card, task)
    capped = best_lobe(at_lift)
    free = best_lobe(replace(at_lift, greatest_lift_m=None))
    half, seat = card.ramp_top_cam_rad, task.seat_lift_m
    nominal, low, high = card.band(lambda lobe: _area_between(lobe, half, seat))

    def over(best: BestLobe) -> tuple[float, float, float]:
        return nominal / best.area_m_rad, low / best.area_m_rad, high / best.area_m_rad

    return ShareOfBest(over(capped), over(free), capped, free, raised)


# -- flat and roller ----------------------------------------------------------------------------------------


def _where_passed(flat: BestLobe, roller: BestLobe) -> float:
    """Lobe lift at which the roller's curve passes the flat's on the same flank; NaN where it never does."""
    theta = np.linspace(flat.task.flank_cam_rad, 0.0, 2000)
    first, second = flat.motion_at(theta)[0], roller.motion_at(theta)[0]
    # Both start alike on the ramp: what counts is the last time the flat is ahead.
    ahead = np.flatnonzero(first - second > 1e-6)
    if not ahead.size or ahead[-1] == theta.size - 1:
        return math.nan
    return float(first[ahead[-1] + 1])


def flat_and_roller(
    durations_crank_rad: Sequence[float], *, flat: LobeTask, roller: LobeTask, at_lift_m: float | None = None
) -> dict[str, Array]:
    """Best flat and best roller lobes over duration, at the limits the two tasks state.

    durations_crank_rad: between the ramp tops, or at the lobe lift at_lift_m (such as 0.050 in) if that is given;
    then each follower has the duration between ramp tops that its own best lobe needs for it, interpolated over a
    family of best lobes (a cubic that keeps their order). Columns, one value a duration: for each follower
    `_lift_m`, `_area_m_rad` (above its seat, cam radians), `_seat_crank_rad`, `_at_lift_crank_rad` (duration at
    at_lift_m or 0.050 in), and roller over flat in lift and area. `passed_at_m`: lobe lift at which, for one duration between
    ramp tops, the roller passes a flat that left the seat faster (NaN: never, or at_lift_m given).
    Durations no lobe can have within the limits are NaN.
    """
    wanted = np.asarray(durations_crank_rad, dtype=float)
    level = 0.050 * 0.0254 if at_lift_m is None else at_lift_m

    def at_seat(task: LobeTask, seat_rad: float) -> BestLobe | None:
        try:
            return best_lobe(replace(task, duration_crank_rad=seat_rad))
        except NoSolution:
            return None

    def figures(lobes: list[BestLobe | None]) -> Array:
        return np.array(
            [
                (math.nan,) * 4
                if b is None
                else (
                    b.greatest_lift_m,
                    b.area_m_rad,
                    b.task.duration_crank_rad,
                    b.lobe.duration_crank_rad(level) if b.greatest_lift_m > level else math.nan,
                )
                for b in lobes
            ]
        ).T

    names = ("lift_m", "area_m_rad", "seat_crank_rad", "at_lift_crank_rad")
    table: dict[str, Array] = {"duration_crank_rad": wanted}
    passed = np.full(wanted.size, math.nan)
    if at_lift_m is None:
        pair = [[at_seat(task, float(seat)) for seat in wanted] for task in (flat, roller)]
        found = [figures(lobes) for lobes in pair]
        passed = np.array([math.nan if f is None or r is None else _where_passed(f, r) for f, r in zip(*pair, strict=True)])
    else:
        found = []
        for task in (flat, roller):
            # How far a best lobe's two durations lie apart hardly depends on either, so a few tries bracket it.
            middle, gap = float(wanted.mean()), rad(45.0)
            for _ in range(2):
                lobe = best_lobe(replace(task, duration_crank_rad=middle + gap)).lobe
                gap = middle + gap - lobe.duration_crank_rad(level)
            seats = np.linspace(wanted.min() + gap - rad(6.0), wanted.max() + gap + rad(6.0), max(wanted.size, 5))
            known = figures([at_seat(task, float(seat)) for seat in seats])
            known = known[:, np.isfinite(known[3])]
            if known.shape[1] < 2:
                raise NoSolution("no best lobe exists near the durations asked for; relax a limit")
            # Outside the durations that have a lobe there is nothing to tell.
            curve = [PchipInterpolator(known[3], row, extrapolate=False) for row in known]
            found.append(np.stack([each(wanted) for each in curve]))
    for who, rows in zip(("flat", "roller"), found, strict=True):
        table |= {f"{who}_{name}": row for name, row in zip(names, rows, strict=True)}
    table["roller_over_flat_lift"] = table["roller_lift_m"] / table["flat_lift_m"]
    table["roller_over_flat_area"] = table["roller_area_m_rad"] / table["flat_area_m_rad"]
    table["passed_at_m"] = passed
    return table
