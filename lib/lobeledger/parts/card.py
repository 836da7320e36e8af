"""A cam card: what its maker quotes of one lobe.

`Card`, `CardPoint`, `CardRamp`
"""

from __future__ import annotations

from dataclasses import dataclass

from lobeledger.errors import OutOfRange
from lobeledger.parts.spec import Part, amount
from lobeledger.units import DEG_RAD, both

__all__ = ["Card", "CardPoint", "CardRamp"]

# Why some fields take no range of their own.
_NAMES = "it names where something was measured; put the doubt into what was measured there"


@dataclass(frozen=True, kw_only=True)
class CardPoint(Part):
    """One quoted duration; `at` is a lobe lift (a card in valve lift is converted when it is read)."""

    at_m: float = amount("m", '"0.050 in"', "lift at which the duration is quoted", 1e-5, 0.02, exact=_NAMES)
    duration_rad: float = amount("rad", '"214 deg"', "duration there, crank degrees", 40 * DEG_RAD, 420 * DEG_RAD)
    opening_rad: float | None = amount(
        "rad",
        '"105 deg"',
        "crank degrees from that lift, opening, to the greatest lift; the rest of the duration is the closing side",
        15 * DEG_RAD,
        300 * DEG_RAD,
        optional=True,
    )


@dataclass(frozen=True, kw_only=True)
class CardRamp:
    """A ramp's velocity as a card gives it, per radian of cam angle at the lobe, and how well it is known."""

    velocity_m_per_rad: float
    low_m_per_rad: float
    high_m_per_rad: float

    def __post_init__(self) -> None:
        if not 0.0 < self.low_m_per_rad <= self.velocity_m_per_rad <= self.high_m_per_rad:
            raise OutOfRange("a ramp's velocity must lie above zero, and between its own low and high")


@dataclass(frozen=True, kw_only=True)
class Card:
    """A cam card's figures for one lobe, all in lobe lift; `quoted_at` keeps the card's own word.

    A card is of a lobe with equal flanks unless it says how a duration divides about the greatest lift
    (`CardPoint.opening_rad`) or gives the two ramps apart. ramp_lift_m: lift at which both ramps end.
    A centreline is the angle of greatest lift; with unlike flanks the middle between equal lifts lies beside it.
    """

    lobe_lift_m: float
    points: tuple[CardPoint, ...]
    quoted_at: str = "lobe"
    ramp_lift_m: float | None = None
    opening_ramp: CardRamp | None = None
    closing_ramp: CardRamp | None = None

    def __post_init__(self) -> None:
        if not 0.001 <= self.lobe_lift_m <= 0.02:
            raise OutOfRange(
                f"lobe lift is {both(self.lobe_lift_m, 'lift')}; a lobe lifts between 0.040 and 0.790 in (1 and 20 mm)"
            )
        if not self.points:
            raise OutOfRange("durations needs at least one entry")
        ordered = sorted(self.points, key=lambda p: p.at_m)
        for low, high in zip(ordered, ordered[1:], strict=False):
            if high.at_m == low.at_m:
                raise OutOfRange(f"two durations are quoted at {both(high.at_m, 'lift')}; keep one")
            if high.duration_rad >= low.duration_rad:
                raise OutOfRange(
                    f"the duration at {both(high.at_m, 'lift')}, {high.duration_rad / DEG_RAD:.0f} deg, is not below "
                    f"that at {both(low.at_m, 'lift')}, {low.duration_rad / DEG_RAD:.0f} deg"
                )
        if ordered[-1].at_m >= self.lobe_lift_m:
            raise OutOfRange(
                f"a duration is quoted at {both(ordered[-1].at_m, 'lift')}, not below the lobe lift of "
                f"{both(self.lobe_lift_m, 'lift')}"
            )
        object.__setattr__(self, "points", tuple(ordered))
        for p in ordered:
            share = 0.5 if p.opening_rad is None else p.opening_rad / p.duration_rad
            if not 0.3 <= share <= 0.7:
                raise OutOfRange(
                    f"the opening side at {both(p.at_m, 'lift')} is {share:.2f} of its duration, outside 0.3 to 0.7; "
                    "opening and closing are crank degrees either side of the greatest lift, not of a dead center"
                )
        for side in ("opening", "closing"):
            flank = self.flank_crank_rad(side)
            for (low_m, low_rad), (high_m, high_rad) in zip(flank, flank[1:], strict=False):
                if high_rad >= low_rad:
                    raise OutOfRange(
                        f"on the {side} side {both(high_m, 'lift')} lies {high_rad / DEG_RAD:.1f} deg from the "
                        f"greatest lift, not less than {both(low_m, 'lift')} at {low_rad / DEG_RAD:.1f} deg"
                    )
        if self.ramp_lift_m is not None:
            first = self.lowest.at_m
            if not 0.0 < self.ramp_lift_m <= first * (1.0 + 1e-9):
                raise OutOfRange(
                    f"the ramp ends at {both(self.ramp_lift_m, 'lift', digits=1)}; it must end above zero and not "
                    f"above the lowest quoted lift, {both(first, 'lift')}"
                )
            if self.ramp_lift_m < first * 0.999 and len(self.points) < 2:
                raise OutOfRange(
                    "a ramp that ends below the lowest quoted lift needs durations at two lifts, to find its angle"
                )

    @property
    def lowest(self) -> CardPoint:
        """The quoted point of least lift: the top of the ramp or above it."""
        return self.points[0]

    @property
    def is_symmetric(self) -> bool:
        """Whether both flanks are alike, as far as the card says."""
        return self.opening_ramp == self.closing_ramp and all(
            p.opening_rad is None or p.opening_rad == p.duration_rad / 2.0 for p in self.points
        )

    def flank_crank_rad(self, side: str) -> tuple[tuple[float, float], ...]:
        """(lobe lift, crank angle from the greatest lift) of every quoted point on one side, by rising lift.

        side: "opening" or "closing". Where a lift's duration is not divided, it is divided in the share of its
        neighbours: linear in lift between two that are, constant beyond (assumed: it leaves the flanks alike in
        shape, drawn out differently). A card that divides none is symmetric.

        >>> points = (CardPoint(at_m=0.001, duration_rad=200 * DEG_RAD, opening_rad=96 * DEG_RAD),
        ...           CardPoint(at_m=0.005, duration_rad=100 * DEG_RAD))
        >>> card = Card(lobe_lift_m=0.007, points=points)
        >>> [round(angle / DEG_RAD, 6) for _, angle in card.flank_crank_rad("closing")]
        [104.0, 52.0]
        """
        if side not in ("opening", "closing"):
            raise OutOfRange(f"side is '{side}'; it must be opening or closing")
        known = [(p.at_m, p.opening_rad / p.duration_rad) for p in self.points if p.opening_rad is not None]
        found = []
        for p in self.points:
            opening = p.opening_rad if p.opening_rad is not None else p.duration_rad * _between(known, p.at_m)
            found.append((p.at_m, opening if side == "opening" else p.duration_rad - opening))
        return tuple(found)


def _between(known: list[tuple[float, float]], x: float) -> float:
    """Linear between the known (x, share) pairs, constant beyond them; a half where none is known."""
    if not known:
        return 0.5
    if x <= known[0][0]:
        return known[0][1]
    for (x0, y0), (x1, y1) in zip(known, known[1:], strict=False):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return known[-1][1]
