"""The ramp at the foot of a card's lobe, and the geometry a follower allows.

`Ramp`, `with_ramp`, `FlatLimits`, `RollerLimits`
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import clarabel
import numpy as np
import scipy.sparse as sp
from scipy.optimize import brentq

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution, OutOfRange
from lobeledger.parts.card import Card
from lobeledger.units import rad

__all__ = ["FlatLimits", "Ramp", "RollerLimits", "with_ramp"]

SEGMENTS = 96
GRID_STEP_RAD = rad(0.25)


@dataclass(frozen=True)
class FlatLimits:
    """What a flat follower asks of a lobe.

    |ds/dtheta| <= face radius - edge; base radius + s + s'' >= least nose radius.
    """

    face_diameter_m: float
    edge_m: float
    least_nose_radius_m: float

    @property
    def greatest_eccentricity_m(self) -> float:
        """Greatest |ds/dtheta|: contact stays this far inside the face."""
        return self.face_diameter_m / 2.0 - self.edge_m


@dataclass(frozen=True)
class RollerLimits:
    """What a roller follower asks of a lobe.

    |ds/dtheta| <= tan(pressure angle)(base radius + wheel radius + s), and no undercut at the nose.
    grinder_radius_m: of the wheel that grinds its hollow flanks (`grind`); infinite where that is not asked.
    """

    wheel_radius_m: float
    pressure_angle_rad: float
    least_nose_radius_m: float
    grinder_radius_m: float = math.inf

    def __post_init__(self) -> None:
        if not self.grinder_radius_m > self.wheel_radius_m:
            raise OutOfRange(
                f"grinder_radius_m is {self.grinder_radius_m}; it must be larger than the follower's wheel "
                f"({self.wheel_radius_m}), which runs in the same hollow"
            )


Limits = FlatLimits | RollerLimits


@dataclass(frozen=True)
class Ramp:
    """Ramp velocity, per radian of cam angle: nominal, and the range a card may hide.

    is_rising: the lobe may gather speed all along the ramp (a hydraulic lobe, whose lowest quoted lift is no end of a
    ramp but a point on the rise); otherwise velocity is constant down to a quarter of the ramp's height (solid: the
    lash is taken up at one velocity wherever it is).
    """

    velocity_m_per_rad: float
    low_m_per_rad: float
    high_m_per_rad: float
    is_rising: bool = False


def ramp_as_given(card: Card, side: str, ramp: Ramp) -> Ramp:
    """The ramp velocity the card gives for one flank, or else `ramp`."""
    own = card.opening_ramp if side == "opening" else card.closing_ramp
    return ramp if own is None else Ramp(own.velocity_m_per_rad, own.low_m_per_rad, own.high_m_per_rad, ramp.is_rising)


def top_of_ramp(
    quoted: list[tuple[float, float]], ramp: Ramp, seat_m: float, ramp_lift_m: float | None
) -> tuple[float, float]:
    """Lift and cam angle (from the nose) at which the ramp ends.

    A hydraulic card quotes its lowest duration at the ramp top. A solid lobe's ramp ends at seat_m, where lash and the
    train's static give are taken up, below the lowest quoted lift: its angle follows from a constant jerk c off the
    ramp, s = top + v x + c x^3/6, through the two lowest quoted points (the rise of least peak jerk). Where lash and
    give take up more than the lowest quoted lift, or only one duration is known, the ramp ends at that lift.
    A ramp lift that the card itself gives takes the place of seat_m.
    """
    first_m, at_rad = quoted[0]
    top = seat_m if ramp_lift_m is None else ramp_lift_m
    if top >= first_m * 0.999 or len(quoted) < 2:
        return first_m, at_rad
    v = ramp.velocity_m_per_rad
    second_m, second_rad = quoted[1]
    gap = at_rad - second_rad

    def miss(x: float) -> float:
        """How far the cubic through the first point misses the second; x from ramp top to the first."""
        c = (first_m - top - v * x) / x**3
        return top + v * (x + gap) + c * (x + gap) ** 3 - second_m

    far = (first_m - top) / v
    near = far * 1e-6
    if miss(near) * miss(far) > 0:
        if ramp_lift_m is not None:
            raise NoSolution(
                "the ramp this card gives is steeper than the lobe between its two lowest quoted lifts; check the "
                "ramp's velocity"
            )
        return first_m, at_rad
    return top, at_rad + float(brentq(miss, near, far))


def minimiser(
    eq: sp.csr_matrix,
    eq_rhs: Array,
    cost: Array,
    below: sp.csr_matrix,
    below_rhs: Array,
    quadratic: Array | None,
) -> Array | None:
    """The minimiser of 1/2 z'Qz + cost'z, or None when nothing satisfies the rows; the status is read first."""
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    diagonal = np.zeros(cost.size) if quadratic is None else quadratic
    solution = clarabel.DefaultSolver(
        sp.diags(diagonal).tocsc(),
        cost,
        sp.vstack([eq, below]).tocsc(),
        np.concatenate([eq_rhs, below_rhs]),
        [clarabel.ZeroConeT(eq.shape[0]), clarabel.NonnegativeConeT(below.shape[0])],
        settings,
    ).solve()
    status = str(solution.status)
    if status in ("Solved", "AlmostSolved"):
        return np.asarray(solution.x)
    if status in ("PrimalInfeasible", "AlmostPrimalInfeasible"):
        return None
    raise NoSolution(f"the lobe solver stopped without an answer ({status}); change the card slightly and try again")


def with_ramp(
    out: Array, top_m: float, velocity: float, bend: float, is_rising: bool, motion: tuple[Array, Array, Array]
) -> tuple[Array, Array, Array]:
    """Motion with the ramp put below it: `out` is the cam angle beyond the ramp top, slopes fall outwards.

    Straight: constant velocity down to a quarter of the ramp's height, then a parabola into the base circle. Rising:
    one cubic from rest, s = a0 x^2/2 + j x^3/6, that meets lift, velocity v and acceleration b at the top after
    L = 3 (2 v/3 - sqrt(4 v^2/9 - 2 b top/3)) / b; from its three equations. With b at its most, 2 v^2/(3 top), a0 is 0.
    """
    lift, slope, accel = motion
    if not is_rising:
        foot = 0.25 * top_m
        straight, blend = (top_m - foot) / velocity, 2.0 * foot / velocity
        on_straight = (out > 0) & (out <= straight)
        on_blend = (out > straight) & (out < straight + blend)
        beyond = out >= straight + blend
        left = straight + blend - out
        rise = velocity / blend
        return (
            np.select([on_straight, on_blend, beyond], [top_m - velocity * out, rise * left**2 / 2, 0.0], lift),
            np.select([on_straight, on_blend, beyond], [-velocity, -rise * left, 0.0], slope),
            np.select([on_straight, on_blend, beyond], [0.0, rise, 0.0], accel),
        )
    bend = min(max(bend, 0.0), 2.0 * velocity**2 / (3.0 * top_m))
    # The root written so that it holds at b = 0 too.
    root = math.sqrt(max(4.0 * velocity**2 / 9.0 - 2.0 * bend * top_m / 3.0, 0.0))
    length = 2.0 * top_m / (2.0 * velocity / 3.0 + root)
    gain = 2.0 * (bend - velocity / length)
    first, jerk = bend - gain, gain / length
    on_ramp, beyond = (out > 0) & (out < length), out >= length
    x = length - out
    return (
        np.select([on_ramp, beyond], [first * x**2 / 2 + jerk * x**3 / 6, 0.0], lift),
        np.select([on_ramp, beyond], [-(first * x + jerk * x**2 / 2), 0.0], slope),
        np.select([on_ramp, beyond], [first + jerk * x, 0.0], accel),
    )
