"""What alone would make a card possible that no lobe fits.

`what_would_give` -> `WayOut`
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import scipy.sparse as sp

from lobeledger.arrays import Array
from lobeledger.errors import NoSolution
from lobeledger.lobe.flank import FITS, Flank
from lobeledger.lobe.one_duration import completed
from lobeledger.lobe.ramp import FlatLimits, Limits, Ramp, RollerLimits
from lobeledger.parts.card import Card, CardPoint
from lobeledger.units import rad

__all__ = ["WAY_WORDS", "WayOut", "what_would_give"]

# What a way out is called, its value to follow.
WAY_WORDS = {
    "face": "a lifter face of at least",
    "base_circle": "a base circle radius of at least",
    "pressure_angle": "a pressure angle of at least",
    "lobe_lift": "a lobe lift of at most",
    "longer": "a longer duration at every quoted lift, by",
    "shorter": "a shorter duration at the highest quoted lift, by",
}


@dataclass(frozen=True)
class WayOut:
    """One change that, alone, makes an impossible card possible.

    what: a key of `WAY_WORDS`. kind: how `units.show` shows it. side: +1 where this much or more will do, -1 where
    this much or less.
    """

    what: str
    value: float
    kind: str
    side: int = 1


def _longer(point: CardPoint, extra_rad: float) -> CardPoint:
    """The point with a longer duration, half of it on either side of the nose."""
    opening = None if point.opening_rad is None else point.opening_rad + extra_rad / 2.0
    return replace(point, duration_rad=point.duration_rad + extra_rad, opening_rad=opening)


@dataclass(frozen=True)
class _Trial:
    """A card set against its limits, to be tried with one thing changed."""

    card: Card
    limits: Limits
    base_radius_m: float
    ramp: Ramp
    seat_m: float

    def usual(self) -> tuple[Card, ...]:
        """The card in full; one of a single duration may stand for several."""
        return tuple(completed(self.card, self.seat_m).usual)

    def flanks(self, whole: Card) -> list[Flank]:
        """The flanks to judge, one of a card with equal flanks."""
        # With jerk unbounded, as here, the nose acceleration of one flank hardly binds the other's rise: a lobe is
        # possible when each of its flanks is.
        sides = ("opening",) if self.card.is_symmetric else ("opening", "closing")
        return [Flank(whole, self.limits, self.base_radius_m, self.ramp, self.seat_m, side) for side in sides]

    def fits(self) -> bool:
        """Whether a lobe is possible."""
        # One of the cards it may stand for is enough.
        for whole in self.usual():
            try:
                if all(flank.least_excess() < FITS for flank in self.flanks(whole)):
                    return True
            except NoSolution:
                # A solver that gives up on an extreme card has not shown that the change helps.
                continue
        return False

    def with_longer(self, extra_rad: float) -> _Trial:
        """Every duration longer."""
        return replace(self, card=replace(self.card, points=tuple(_longer(p, extra_rad) for p in self.card.points)))

    def with_shorter_top(self, cut_rad: float) -> _Trial:
        """The duration at the highest quoted lift shorter."""
        points = self.card.points
        return replace(self, card=replace(self.card, points=(*points[:-1], _longer(points[-1], -cut_rad))))

    def with_lift_cut(self, cut_m: float) -> _Trial:
        """Less lobe lift."""
        return replace(self, card=replace(self.card, lobe_lift_m=self.card.lobe_lift_m - cut_m))


def _solved(here: Flank, geometry: tuple[sp.csr_matrix, Array]) -> Array | None:
    try:
        return here.solve(here.unit(here.t), geometry)
    except NoSolution:
        return None


def _edge(possible: Callable[[float], bool], far: float, steps: int = 9) -> float | None:
    """Least share of the way to `far` (from 0) at which it becomes possible."""
    # Too much of a change can be impossible too (a nose too sharp), so look along the way first.
    marks = [far * share for share in (1 / 16, 1 / 8, 1 / 4, 1 / 2, 1)]
    found = next((k for k, mark in enumerate(marks) if possible(mark)), None)
    if found is None:
        return None
    low, high = (marks[found - 1] if found else 0.0), marks[found]
    for _ in range(steps):
        middle = (low + high) / 2
        low, high = (low, middle) if possible(middle) else (middle, high)
    return high


def _wider_or_larger(both: list[Flank], limits: FlatLimits, base_radius_m: float) -> list[WayOut]:
    """The face and the base circle that would do, both variables of the flanks' own programs."""
    ways = []
    found = [(here, _solved(here, here.geometry(face_is_free=True))) for here in both]
    faces = [2.0 * (float(z[here.t]) * here.slope_unit + limits.edge_m) for here, z in found if z is not None]
    if len(faces) == len(both):
        ways.append(WayOut("face", max(faces), "lift"))
    found = [(here, _solved(here, here.geometry(base_is_free=True))) for here in both]
    base = max(
        math.inf if z is None else float(z[here.t]) * here.lift_m + limits.least_nose_radius_m for here, z in found
    )
    if base < 2.0 * base_radius_m:
        ways.append(WayOut("base_circle", base, "lift"))
    return ways


def what_would_give(
    card: Card, limits: Limits, *, base_radius_m: float, ramp: Ramp, seat_m: float
) -> tuple[WayOut, ...]:
    """For an impossible card: each single change that makes it possible, and by how much.

    The face diameter and the base circle enter the constraints linearly and are found as variables of the
    same program; lift, durations and pressure angle by bisection, to a tenth of a degree or better.
    """
    given = _Trial(card, limits, base_radius_m, ramp, seat_m)
    ways: list[WayOut] = []
    if isinstance(limits, FlatLimits):
        ways += _wider_or_larger(given.flanks(given.usual()[0]), limits, base_radius_m)
    if isinstance(limits, RollerLimits):
        steep = limits.pressure_angle_rad
        more = _edge(
            lambda extra: replace(given, limits=replace(limits, pressure_angle_rad=steep + extra)).fits(), rad(25.0)
        )
        if more is not None:
            ways.append(WayOut("pressure_angle", steep + more, "angle"))
    last = card.points[-1]
    cut = _edge(lambda c: given.with_lift_cut(c).fits(), 0.98 * (card.lobe_lift_m - last.at_m))
    if cut is not None:
        ways.append(WayOut("lobe_lift", card.lobe_lift_m - cut, "lift", -1))
    extra = _edge(lambda e: given.with_longer(e).fits(), min(rad(80.0), rad(420.0) - card.lowest.duration_rad))
    if extra is not None:
        ways.append(WayOut("longer", extra, "angle"))
    if len(card.points) > 1:
        cut = _edge(lambda c: given.with_shorter_top(c).fits(), 0.5 * (last.duration_rad - rad(40.0)))
        if cut is not None:
            ways.append(WayOut("shorter", cut, "angle"))
    return tuple(ways)
