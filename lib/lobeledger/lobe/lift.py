"""The lobe: lift over cam angle with its derivatives.

What does the lobe do at an angle?     `Lobe`, `from_functions`
How long is it open?                   `Lobe.duration_crank_rad`, `Lobe.crossings_cam_rad`
How much does it open?                 `Lobe.lift_area_m_rad`
What does the valve see?               `valve_lift_m`, `seat_lobe_lift_m`

Cam angle is measured from the point of greatest lift; negative angles are the opening flank.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lobeledger.arrays import Array
from lobeledger.errors import OutOfRange
from lobeledger.units import both, crank_rad_from_cam_rad

__all__ = ["Lobe", "from_functions", "seat_lobe_lift_m", "valve_lift_m"]


@dataclass(frozen=True, eq=False)
class Lobe:
    """One lobe on a uniform grid of cam angle, shape (n,), angle 0 at greatest lift.

    The derivatives are per radian of cam angle. Where the third derivative jumps, the second is
    continuous and the values on both sides of a node agree.
    """

    theta_cam_rad: Array
    lift_m: Array
    velocity_m_per_rad: Array
    acceleration_m_per_rad2: Array

    @property
    def greatest_lift_m(self) -> float:
        """Lobe lift at the nose."""
        return float(self.lift_m.max())

    def crossings_cam_rad(self, lobe_lift_m: float) -> tuple[float, float]:
        """Cam angles at which the lift passes `lobe_lift_m`, opening and closing.

        Found by inverse Hermite interpolation on the grid (lift and slope), so finer than the grid.
        Raises OutOfRange when the lobe does not reach that lift, or its curve does not come down to it.
        """
        if not 0.0 < lobe_lift_m < self.greatest_lift_m:
            raise OutOfRange(
                f"a lift of {both(lobe_lift_m, 'lift')} is not between zero and the lobe's "
                f"{both(self.greatest_lift_m, 'lift')}"
            )
        above = np.flatnonzero(self.lift_m > lobe_lift_m)
        if above[0] == 0 or above[-1] == self.lift_m.size - 1:
            raise OutOfRange(
                f"the lobe is already above {both(lobe_lift_m, 'lift')} where its curve begins or ends; "
                "give it down to the base circle"
            )
        return (
            self._cross(int(above[0]) - 1, lobe_lift_m),
            self._cross(int(above[-1]), lobe_lift_m),
        )

    def _cross(self, i: int, lift: float) -> float:
        step = self.theta_cam_rad[i + 1] - self.theta_cam_rad[i]
        s0, s1 = self.lift_m[i], self.lift_m[i + 1]
        d0, d1 = self.velocity_m_per_rad[i] * step, self.velocity_m_per_rad[i + 1] * step
        cubic = np.array([2 * s0 - 2 * s1 + d0 + d1, -3 * s0 + 3 * s1 - 2 * d0 - d1, d0, s0 - lift])
        # Newton kept inside its bracket: where the curve leaves a flat end, plain Newton creeps or jumps out.
        low, high, x = 0.0, 1.0, (lift - s0) / (s1 - s0)
        for _ in range(80):
            miss = ((cubic[0] * x + cubic[1]) * x + cubic[2]) * x + cubic[3]
            if (miss > 0.0) == (s1 > s0):
                high = x
            else:
                low = x
            slope = (3 * cubic[0] * x + 2 * cubic[1]) * x + cubic[2]
            new = x - miss / slope if slope != 0.0 else low
            if not low < new < high:
                new = (low + high) / 2.0
            if abs(new - x) < 1e-15:
                break
            x = new
        return float(self.theta_cam_rad[i] + x * step)

    def duration_crank_rad(self, lobe_lift_m: float) -> float:
        """Duration above a lobe lift, in crank radians."""
        opening, closing = self.crossings_cam_rad(lobe_lift_m)
        return crank_rad_from_cam_rad(closing - opening)

    def lift_area_m_rad(self, above_m: float = 0.0) -> float:
        """Area under the lift curve above a lobe lift, metres times cam radians."""
        return float(np.trapezoid(np.maximum(self.lift_m - above_m, 0.0), self.theta_cam_rad))


def from_functions(
    theta_cam_rad: Array,
    lift: Callable[[Array], Array],
    velocity: Callable[[Array], Array],
    acceleration: Callable[[Array], Array],
) -> Lobe:
    """A lobe from known functions of cam angle, for checks against published curves."""
    return Lobe(theta_cam_rad, lift(theta_cam_rad), velocity(theta_cam_rad), acceleration(theta_cam_rad))


def valve_lift_m(lobe_lift_m: Array, rocker_ratio: float, lash_m: float = 0.0) -> Array:
    """Valve lift = ratio x lobe lift - lash, never below zero (rigid valvetrain).

    >>> round(float(valve_lift_m(np.array([0.01]), 1.5, 0.0005)[0]), 6)
    0.0145
    """
    return np.maximum(rocker_ratio * lobe_lift_m - lash_m, 0.0)


def seat_lobe_lift_m(*, lifter: str, lash_m: float, rocker_ratio: float, hydraulic_seat_m: float) -> float:
    """Lobe lift at which the valve leaves its seat.

    Solid lifters: hot lash over the rocker ratio. Hydraulic lifters have no lash, but leak-down and give
    take up the ramp; `hydraulic_seat_m` is that lift (common practice quotes seat durations there).
    """
    if lifter == "solid":
        return lash_m / rocker_ratio
    return hydraulic_seat_m
