"""What bounds a lobe: the task set to its designer, and every limit as rows of a linear program.

What must the lobe keep to?          `LobeTask`, `LIMITS`, `LIMIT_WORDS`, `PRICED`
What load may a flat face carry?     `allowed_flat_load_n`, `line_load_n`
How far is a motion from its limits? `limit_rows` (slacks and their slopes), `limit_uses` (shares used)

`limit_uses` goes through the textbook functions of `follower`, `contact` and `valvetrain`, `limit_rows` through its own
algebra, so that the one checks the other.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.lobe import contact, flat, roller
from lobeledger.lobe.ramp import FlatLimits, RollerLimits
from lobeledger.train import rigid as valvetrain
from lobeledger.units import cam_rad_from_crank_rad

__all__ = [
    "LIMITS",
    "LIMIT_WORDS",
    "PRICED",
    "LobeTask",
    "Rows",
    "allowed_flat_load_n",
    "limit_rows",
    "limit_uses",
    "line_load_n",
]

LIMITS = ("jerk", "springs", "stress", "face", "angle", "velocity", "nose", "hollow", "lift", "no dip")
LIMIT_WORDS = {
    "jerk": "sharpness (jerk)",
    "springs": "the springs",
    "stress": "contact stress",
    "face": "the lifter's face",
    "angle": "the pressure angle",
    "velocity": "the velocity limit",
    "nose": "the least nose radius",
    "hollow": "the grinding wheel in the hollow flank",
    "lift": "the greatest lift",
    "no dip": "having to keep rising",
}
# What has a price, as named in `LobeTask` or its `limits`: an amount in its own unit that people think in, in words.
PRICED: dict[str, tuple[float, str]] = {
    "jerk_m_per_rad3": (0.01, "0.01 m/rad^3 of sharpness (jerk)"),
    "stress_pa": (1e7, "10 MPa of allowed contact stress"),
    "seat_load_n": (10.0, "10 N of seat load"),
    "rate_n_per_m": (1e3, "1 N/mm of spring rate"),
    "moving_mass_kg": (1e-3, "1 g of moving mass at the lifter"),
    "rated_rpm": (100.0, "100 rpm of rated speed"),
    "least_load_n": (10.0, "10 N of load to spare on the lobe"),
    "base_radius_m": (1e-3, "1 mm of base circle radius"),
    "lobe_width_m": (1e-3, "1 mm of lobe width"),
    "wheel_width_m": (1e-3, "1 mm of wheel width"),
    "greatest_lift_m": (1e-4, "0.1 mm of lobe lift"),
    "greatest_velocity_m_per_rad": (1e-4, "0.1 mm/rad of greatest velocity"),
    "face_diameter_m": (1e-3, "1 mm of lifter face diameter"),
    "wheel_radius_m": (1e-3, "1 mm of wheel radius"),
    "pressure_angle_rad": (math.radians(1.0), "1 degree of pressure angle"),
    "least_nose_radius_m": (1e-4, "0.1 mm of least nose radius"),
    "grinding_radius_m": (1e-2, "10 mm of grinding wheel radius"),
    "ramp_velocity_m_per_rad": (1e-4, "0.1 mm/rad of ramp velocity"),
}


@dataclass(frozen=True, kw_only=True)
class LobeTask:
    """Everything that bounds a lobe. Hashable, so that results can be kept by it.

    limits: the follower's geometry, shared with cards. duration_crank_rad: between the ramp tops, where the lobe has
    lifted ramp_top_m and moves at ramp_velocity_m_per_rad (per cam radian). seat_lift_m: lobe lift at which the valve
    leaves its seat; area counts from there. jerk_m_per_rad3: per cam radian. Mass and loads as in `valvetrain`; lash_m
    at the valve. rated_rpm, low_rpm: crank speeds between which the stress limit holds; springs hold the lifter on the
    lobe up to rated_rpm (1 + spring_margin), with least_load_n to spare. modulus_pa: contact modulus E*.
    Flat: crown_radius_m (math.inf: line contact) and contact_offset_m along the lobe. Roller: wheel_width_m,
    grinding_radius_m (math.inf: no hollow flank). greatest_velocity_m_per_rad: a limit on ds/dtheta of its own.
    ramp_acceleration_m_per_rad2: what a ramp that rises all along has reached at its top; 0 for one of even velocity.
    through: further points the lobe must pass, each (lobe lift in m, duration in crank radians).
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
    ramp_acceleration_m_per_rad2: float = 0.0
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
            "ramp_velocity_m_per_rad", "seat_lift_m", "seat_load_n", "rate_n_per_m", "low_rpm", "least_load_n",
            "lash_m",
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
        most = 2.0 * self.ramp_velocity_m_per_rad**2 / (3.0 * self.ramp_top_m)
        if not 0.0 <= self.ramp_acceleration_m_per_rad2 <= most * (1.0 + 1e-9):
            raise OutOfRange(
                f"ramp_acceleration_m_per_rad2 is {self.ramp_acceleration_m_per_rad2:g}; it must lie between zero and "
                f"{most:g}, what a rise of even jerk has at this ramp's top."
            )
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


# -- limits as slacks ---------------------------------------------------------------------------------------


class Rows(NamedTuple):
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
def _crowned_table(crown_m: float, width_m: float, offset_m: float, modulus_pa: float, stress_pa: float) -> CubicSpline:
    """Logarithm of the allowed load over the logarithm of the cam radius, from 0.2 mm to 1 m."""
    radius = np.geomspace(2e-4, 1.0, 72)

    def pressure(load: Array) -> Array:
        return contact.crowned_face_contact(
            load, cam_radius_m=radius, crown_radius_m=crown_m, lobe_width_m=width_m, modulus_pa=modulus_pa,
            contact_offset_m=offset_m,
        ).peak_pressure_pa  # fmt: skip

    # Pressure grows with the load to a power between 1/3 (oval) and 1/2 (line); secants on logarithms settle fast.
    before = line_load_n(radius, width_m=width_m, modulus_pa=modulus_pa, stress_pa=stress_pa)
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
    return CubicSpline(np.log(radius), log_load)


def line_load_n(cam_radius_m: ArrayLike, *, width_m: float, modulus_pa: float, stress_pa: float) -> Array:
    """Load (N) that brings a line contact of radius R and length L to a pressure: W = pi R L p^2/E*.

    Source: Johnson, Contact Mechanics, section 4.2(c), turned round.

    >>> load = line_load_n(0.02, width_m=0.02, modulus_pa=109.18e9, stress_pa=1447e6)
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
    (1500.0, 1.32)
    """
    radius = np.asarray(cam_radius_m, dtype=float)
    if math.isinf(crown_radius_m):
        line = line_load_n(1.0, width_m=lobe_width_m, modulus_pa=modulus_pa, stress_pa=stress_pa)
        return np.asarray(line * radius), np.broadcast_to(line, radius.shape)
    if not np.all((radius >= 2e-4 * 0.999) & (radius <= 1.0)):
        raise OutOfRange(
            f"cam_radius_m reaches from {float(np.min(radius)):g} to {float(np.max(radius)):g}; "
            "this face is known from 0.0002 to 1 m."
        )
    curve = _crowned_table(crown_radius_m, lobe_width_m, contact_offset_m, modulus_pa, stress_pa)
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
    return (
        k,
        (2.0 * reach - a) / q**1.5 - 3.0 * top * reach / q**2.5,
        4.0 * v / q**1.5 - 3.0 * top * v / q**2.5,
        -reach / q**1.5,
    )


class _Pressing(NamedTuple):
    """What presses follower on lobe along one motion: springs alone, and the masses that inertia adds by speed."""

    seat_n: float
    stiffness_n_per_m: float
    spring_load_n: Array
    inertias_kg_per_s2: tuple[float, ...]

    @property
    def scale_n(self) -> float:
        """Load by which slacks are scaled."""
        return max(self.seat_n, 1e-9)


def limit_rows(task: LobeTask, s: Array, v: Array, a: Array, step: float) -> list[Rows]:
    """Every limit but jerk as rows, linearised about one motion; slacks are exact there."""
    seat, stiff = _spring_rows(task)
    inertia = task.moving_mass_kg * task.cam_speed_rad_per_s() ** 2
    low = task.moving_mass_kg * task.cam_speed_rad_per_s(low=True) ** 2
    pressing = _Pressing(seat, stiff, seat + stiff * s, (inertia,) if low == inertia else (inertia, low))
    rows = _motion_rows(task, s, v, a, step)
    pull = inertia * (1.0 + task.spring_margin) ** 2
    slack = pressing.spring_load_n + pull * a - task.least_load_n
    rows.append(Rows("springs", np.arange(s.size), slack, stiff, 0.0, pull, pressing.scale_n, True))
    if isinstance(task.limits, FlatLimits):
        return rows + _flat_rows(task, task.limits, pressing, (s, v, a), step)
    return rows + _roller_rows(task, task.limits, pressing, (s, v, a), step)


def _motion_rows(task: LobeTask, s: Array, v: Array, a: Array, step: float) -> list[Rows]:
    """Limits of the motion itself: no dip, lift, velocity."""
    n = s.size - 1
    nodes, inner = np.arange(n + 1), np.arange(n)
    half = step / 2.0
    vi, ai = v[:-1], a[:-1]
    unit = task.jerk_m_per_rad3 * step * task.flank_cam_rad
    rows = [
        Rows("no dip", nodes[1:-1], -v[1:-1], 0.0, -1.0, 0.0, unit, True),
        Rows("no dip", inner, -(vi + half * ai), 0.0, -1.0, -half, unit, True),
    ]
    if task.greatest_lift_m is not None:
        first = np.zeros(1, dtype=np.int64)
        rows.append(Rows("lift", first, task.greatest_lift_m - s[:1], -1.0, 0.0, 0.0, task.greatest_lift_m, True))
    if task.greatest_velocity_m_per_rad is not None:
        top = task.greatest_velocity_m_per_rad
        rows.append(Rows("velocity", nodes, top + v, 0.0, 1.0, 0.0, top, True))
        rows.append(Rows("velocity", inner, top + vi + half * ai, 0.0, 1.0, half, top, True))
    return rows


def _flat_rows(
    task: LobeTask, limits: FlatLimits, pressing: _Pressing, motion: tuple[Array, Array, Array], step: float
) -> list[Rows]:
    """Limits of a flat face: its rim, the nose, the stress."""
    s, v, a = motion
    nodes, inner, half = np.arange(s.size), np.arange(s.size - 1), step / 2.0
    vi, ai = v[:-1], a[:-1]
    _, stiff, load, speeds = pressing
    rows = []
    reach = limits.greatest_eccentricity_m
    rows.append(Rows("face", nodes, reach + v, 0.0, 1.0, 0.0, reach, True))
    rows.append(Rows("face", inner, reach + vi + half * ai, 0.0, 1.0, half, reach, True))
    rho, least = task.base_radius_m + s + a, limits.least_nose_radius_m
    rows.append(Rows("nose", nodes, rho - least, 1.0, 0.0, 1.0, task.base_radius_m, True))
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
                Rows("stress", nodes, allowed - load - m * a, slope - stiff, 0.0, slope - m, pressing.scale_n, line)
            )
    return rows


def _roller_rows(
    task: LobeTask, limits: RollerLimits, pressing: _Pressing, motion: tuple[Array, Array, Array], step: float
) -> list[Rows]:
    """Limits of a roller: pressure angle, nose and hollow, the stress."""
    s, v, a = motion
    nodes, inner, half = np.arange(s.size), np.arange(s.size - 1), step / 2.0
    vi, ai = v[:-1], a[:-1]
    _, stiff, load, speeds = pressing
    rows = []
    wheel = limits.wheel_radius_m
    tangent = math.tan(limits.pressure_angle_rad)
    reach_s = task.base_radius_m + wheel + s
    scale = tangent * (task.base_radius_m + wheel)
    rows.append(Rows("angle", nodes, tangent * reach_s + v, tangent, 1.0, 0.0, scale, True))
    # The lift's own bend within a segment is small against the slope's and is left out.
    turn = tangent * (reach_s[:-1] + half * vi) + vi + half * ai
    rows.append(Rows("angle", inner, turn, tangent, 1.0 + tangent * half, half, scale, True))
    k, k_s, k_v, k_a = _curvature(reach_s, v, a)
    least = wheel + limits.least_nose_radius_m
    rows.append(Rows("nose", nodes, 1.0 - least * k, -least * k_s, -least * k_v, -least * k_a, 1.0, False))
    if math.isfinite(task.grinding_radius_m):
        hollow = task.grinding_radius_m - wheel
        rows.append(Rows("hollow", nodes, 1.0 + hollow * k, hollow * k_s, hollow * k_v, hollow * k_a, 1.0, False))
    else:
        base = task.base_radius_m
        rows.append(Rows("hollow", nodes, base * k, base * k_s, base * k_v, base * k_a, 1.0, False))
    if math.isfinite(task.stress_pa):
        # 1/R = kappa/(1 - Rr kappa) + 1/Rr, so that R = Rr (1 - Rr kappa) and the allowed load is linear in kappa.
        width = min(task.lobe_width_m, task.wheel_width_m)
        most = float(line_load_n(wheel, width_m=width, modulus_pa=task.modulus_pa, stress_pa=task.stress_pa))
        tilt = v / reach_s
        lean = np.sqrt(1.0 + tilt**2)
        lean_v = tilt / (lean * reach_s)
        lean_s = -tilt * lean_v
        for m in speeds:
            axial = load + m * a
            rows.append(
                Rows(
                    "stress",
                    nodes,
                    most * (1.0 - wheel * k) - axial * lean,
                    -most * wheel * k_s - stiff * lean - axial * lean_s,
                    -most * wheel * k_v - axial * lean_v,
                    -most * wheel * k_a - m * lean,
                    pressing.scale_n,
                    False,
                )
            )
    return rows


def limit_uses(task: LobeTask) -> dict[str, Callable[[LobeTask, Array, Array, Array], Array]]:
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
                radius = flat.flat_cam_radius_m(s, a, base_radius_m=t.base_radius_m)
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
                angle = roller.roller_pressure_angle_rad(s, v, base_radius_m=base, roller_radius_m=wheel)
                pressure = contact.roller_lobe_contact(
                    roller.roller_normal_load_n(load, pressure_angle_rad=angle),
                    cam_radius_m=roller.roller_cam_radius_m(s, v, a, base_radius_m=base, roller_radius_m=wheel),
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
            least / np.maximum(flat.flat_cam_radius_m(s, a, base_radius_m=t.base_radius_m), 1e-12)
        )
    else:
        wheel, base, phi = task.limits.wheel_radius_m, task.base_radius_m, task.limits.pressure_angle_rad
        least, grinding = task.limits.least_nose_radius_m, task.grinding_radius_m

        def radius(s: Array, v: Array, a: Array) -> Array:
            return roller.roller_cam_radius_m(s, v, a, base_radius_m=base, roller_radius_m=wheel)

        found["angle"] = lambda t, s, v, a: (
            np.abs(roller.roller_pressure_angle_rad(s, v, base_radius_m=base, roller_radius_m=wheel)) / phi
        )
        found["nose"] = lambda t, s, v, a: np.where(radius(s, v, a) >= -wheel, least / radius(s, v, a), 0.0)
        if math.isfinite(grinding):
            found["hollow"] = lambda t, s, v, a: np.where(radius(s, v, a) < -wheel, -grinding / radius(s, v, a), 0.0)
    return found
