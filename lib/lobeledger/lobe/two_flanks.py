"""Two unlike flanks of a card's lobe in one program: they meet over the nose."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import scipy.sparse as sp

from lobeledger.arrays import Array
from lobeledger.lobe.flank import Flank, Solved, falling_jerk, jerk_allowed, possible
from lobeledger.lobe.grind import ground
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.ramp import Limits, Ramp, minimiser
from lobeledger.parts.card import Card

__all__: list[str] = []


class TwoFlanks:
    """Both flanks of a lobe that is not symmetric, in one program: unknowns of the opening flank, then of the closing.

    They share the nose: the same lift, no slope, and one acceleration, and it is only through that acceleration
    that either flank knows of the other. The spare variable is shared too, so that a peak is one over both.
    """

    def __init__(self, opening: Flank, closing: Flank) -> None:
        self.opening, self.closing = opening, closing
        self.flanks = (opening, closing)
        self.size = opening.size + closing.size
        self.starts = (0, opening.size)
        # Scaled accelerations and jerks of the closing flank in the opening flank's units.
        self.accel_ratio = closing.accel_unit / opening.accel_unit
        self.jerk_ratio = closing.jerk_unit / opening.jerk_unit
        width = (1, self.size)
        nose = sp.lil_matrix(width)
        nose[0, opening.a[0]], nose[0, opening.size + closing.a[0]] = 1.0, -self.accel_ratio
        spare = sp.lil_matrix(width)
        spare[0, opening.t], spare[0, opening.size + closing.t] = 1.0, -1.0
        self.eq = sp.csr_matrix(sp.vstack([sp.block_diag([opening.eq, closing.eq]), nose, spare]))
        self.eq_rhs = np.concatenate([opening.eq_rhs, closing.eq_rhs, [0.0, 0.0]])

    def both(self, *rows: tuple[sp.csr_matrix, Array]) -> tuple[sp.csr_matrix, Array]:
        """The opening flank's rows and the closing flank's, side by side."""
        (a, b), (c, d) = rows
        return sp.csr_matrix(sp.block_diag([a, c])), np.concatenate([b, d])

    def joined(self, *parts: Array) -> Array:
        """One vector from the opening flank's and the closing flank's."""
        return np.concatenate(parts)

    def solve(
        self,
        cost: Array,
        *inequalities: tuple[sp.csr_matrix, Array],
        nominal_ramp: bool = True,
        quadratic: Array | None = None,
    ) -> Array | None:
        """As `Flank.solve`, over both flanks."""
        rows = [self.both(*(flank.ramp_rows(nominal_ramp) for flank in self.flanks)), *inequalities]
        below = sp.csr_matrix(sp.vstack([r for r, _ in rows]))
        return minimiser(self.eq, self.eq_rhs, cost, below, np.concatenate([b for _, b in rows]), quadratic)

    def allowed_jerk(
        self, each_geometry: list[tuple[sp.csr_matrix, Array]], jerk_allowance: float, shape_allowance: float
    ) -> tuple[list[float], list[Array]]:
        """Greatest need of each part (m/rad^3, the needier flank's), and the allowed jerk of each flank (scaled).

        Each flank's own need is found first, as if it stood alone; then, part by part, the least common multiple
        of those needs with which both flanks meet at one nose acceleration. So neither flank comes first, a
        lobe's mirror image has the mirrored band, and equal flanks get what a symmetric card gets.
        """
        geometry = self.both(*each_geometry)
        needs: list[list[float]] = []
        for flank, rows in zip(self.flanks, each_geometry, strict=True):
            least, _ = jerk_allowed(flank, rows, jerk_allowance, shape_allowance)
            floors = [0.0, *(falling_jerk(x, y) / shape_allowance for _, (x, y) in flank.parts[1:])]
            needs.append([max(pair) for pair in zip(least, floors, strict=True)])
        caps = [np.full(flank.n, np.inf) for flank in self.flanks]
        cost = self.joined(self.opening.unit(self.opening.t), np.zeros(self.closing.size))
        at_least_one = sp.csr_matrix(([-1.0], ([0], [self.opening.t])), shape=(1, self.size)), np.array([-1.0])
        greatest: list[float] = []
        for part in range(max(len(flank.parts) for flank in self.flanks)):
            now = [need[min(part, len(need) - 1)] for need in needs]
            jerk = self.both(*(f.jerk_rows(c, n) for f, c, n in zip(self.flanks, caps, now, strict=True)))
            z = possible(self.solve(cost, geometry, jerk, at_least_one))
            times = float(z[self.opening.t])
            allowance = jerk_allowance if part == 0 else shape_allowance
            for flank, cap, need in zip(self.flanks, caps, now, strict=True):
                if part < len(flank.parts):
                    cap[flank.parts[part][0]] = allowance * times * need
            greatest.append(max(n * f.jerk_unit for n, f in zip(now, self.flanks, strict=True)))
        return greatest, caps

    def lobe(self, z: Array, half_rad: float) -> Lobe:
        """The whole lobe: the opening flank at negative cam angles, the closing flank at positive ones."""
        first = self.opening.lobe(z[: self.opening.size], half_rad)
        second = self.closing.lobe(z[self.opening.size :], half_rad)
        closing = first.theta_cam_rad > 0.0
        return Lobe(
            first.theta_cam_rad,
            np.where(closing, second.lift_m, first.lift_m),
            np.where(closing, second.velocity_m_per_rad, first.velocity_m_per_rad),
            np.where(closing, second.acceleration_m_per_rad2, first.acceleration_m_per_rad2),
        )


def two_flanks(
    card: Card,
    limits: Limits,
    base_radius_m: float,
    ramp: Ramp,
    seat_m: float,
    jerk_allowance: float,
    shape_allowance: float,
) -> Solved:
    """The program of a card whose flanks differ."""
    opening, closing = (Flank(card, limits, base_radius_m, ramp, seat_m, side) for side in ("opening", "closing"))
    pair = TwoFlanks(opening, closing)
    grounds = [ground(flank) for flank in pair.flanks]
    geometry = pair.both(*(each.rows for each in grounds))
    least, caps = pair.allowed_jerk([each.rows for each in grounds], jerk_allowance, shape_allowance)
    within = (geometry, pair.both(*(f.jerk_rows(c) for f, c in zip(pair.flanks, caps, strict=True))))
    # Integral of jerk squared over both flanks, per cam angle; scaled to be of the order of one.
    scale = least[0] / opening.jerk_unit
    weights = (2.0 / scale**2, 2.0 / scale**2 * pair.jerk_ratio**2 * closing.top_rad / opening.top_rad)
    smooth = pair.joined(*(f.unit(f.j, value=w * f.dx) for f, w in zip(pair.flanks, weights, strict=True)))
    smooth[opening.t] = 1e-6
    nominal = possible(pair.solve(np.zeros(pair.size), *within, quadratic=smooth))
    peak = pair.both(
        *(
            (f.rows(f.n + 1, (f.a, -ratio), (f.t, -1.0)), np.zeros(f.n + 1))
            for f, ratio in zip(pair.flanks, (1.0, pair.accel_ratio), strict=True)
        )
    )
    whole = pair.joined(*(flank.area_cost() * flank.top_rad / opening.top_rad for flank in pair.flanks))
    nothing = (np.zeros(opening.size), np.zeros(closing.size))
    first, second = (flank.segment(0.35) for flank in pair.flanks)
    asks: dict[str, tuple[Array, tuple[Any, ...]]] = {
        "least peak deceleration": (pair.joined(opening.unit(opening.t), nothing[1]), (*within, peak)),
        "greatest nose deceleration": (pair.joined(opening.unit(opening.a[0]), nothing[1]), within),
        "greatest deceleration off the nose": (pair.joined(opening.unit(opening.a[first]), nothing[1]), within),
        "greatest deceleration off the nose, closing": (
            pair.joined(nothing[0], closing.unit(closing.a[second])),
            within,
        ),
        "greatest area": (-whole, within),
        "least area": (whole, within),
    }
    half = max(flank.reach_rad() for flank in pair.flanks)

    def ask(cost: Array, rows: tuple[Any, ...]) -> Lobe | None:
        z = pair.solve(cost, *rows, nominal_ramp=False)
        return None if z is None else pair.lobe(z, half)

    return Solved(
        pair.lobe(nominal, half),
        {name: functools.partial(ask, cost, rows) for name, (cost, rows) in asks.items()},
        tuple(least),
        (opening.top_rad, closing.top_rad),
        min(each.wheel_radius_m for each in grounds),
    )
