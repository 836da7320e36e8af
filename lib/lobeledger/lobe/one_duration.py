"""A card that quotes one duration only, or none near its ramp: what the usual shape of a lobe says of the rest.

Which cards may it stand for?          `completed` -> `Completed`

One duration at 0.050 in of lobe lift says nothing of the ramp below it nor of the flank above. Between the ramp's top
and the nose, though, valve cams are much alike: over the angle x from the nose (1 at the ramp's top) their lift over
the ramp follows

    y = (1 - x^2)^p,    p = 1.75, from 1.45 (fuller) to 2.2 (leaner),

which passes within some four crank degrees through the durations at 0.006, 0.020, 0.050 and 0.200 in of usual cards for
pushrod engines, flat and roller (assumed: fitted to cards remembered, no published source). A one-duration card is
completed with the ramp's top and, where its own lift is low, one lift above it, and solved like any other; once with
the usual exponent, once each with the two ends; the family takes each extreme from the card that goes farthest, so that
the band shows what was not said. A card of several durations that begins far above its ramp (at 0.050 in, say) is given
the ramp's top in the same way: taken for the top of a ramp itself, its lowest duration made a seat duration some 40
crank degrees too long, and without a band.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from lobeledger.errors import NoSolution
from lobeledger.parts.card import Card, CardPoint
from lobeledger.units import both

__all__ = ["Completed", "completed"]

# Exponents of the shape: usual, fuller, leaner (assumed, see above).
USUAL, FULLER, LEANER = 1.75, 1.45, 2.2
# Share of the rise over the ramp where a second duration is put, and up to which the card's own lift is a low one.
_UPPER, _LOW = 0.55, 0.35
# Share of the rise above which the lowest of several durations says too little of the ramp (assumed: no lift usually
# quoted lies near it, 0.020 in being below and 0.050 in above on all usual lobes).
_FAR = 0.07
# Between these a card's durations lie (`parts.card`).
_SHORTEST_RAD, _LONGEST_RAD = math.radians(40.0), math.radians(420.0)


@dataclass(frozen=True)
class Completed:
    """Cards that a card may stand for. usual: to be tried in this order, the first that has a lobe is the nominal one.

    others: by name, beside it. A card of several durations that begins at its ramp stands for itself alone.
    """

    usual: tuple[Card, ...]
    others: dict[str, Card]


def _angle(y: float, exponent: float) -> float:
    """Angle from the nose over that of the ramp's top at a share of the rise: x = sqrt(1 - y^(1/p))."""
    return math.sqrt(1.0 - y ** (1.0 / exponent))


def _with(card: Card, top_m: float, exponent: float, *, upper: bool) -> Card:
    own = card.lowest
    rise = card.lobe_lift_m - top_m
    share = max((own.at_m - top_m) / rise, 0.0)
    whole = own.duration_rad / _angle(share, exponent)

    def at(lift_m: float, part: float) -> CardPoint:
        duration = whole * _angle(part, exponent)
        if not _SHORTEST_RAD <= duration <= _LONGEST_RAD:
            raise NoSolution(
                f"with its one duration of {math.degrees(own.duration_rad):.0f} deg the lobe would have "
                f"{math.degrees(duration):.0f} deg at {both(lift_m, 'lift')}; check it and the lift it is quoted at"
            )
        opening = None if own.opening_rad is None else own.opening_rad * duration / own.duration_rad
        return replace(own, at_m=lift_m, duration_rad=duration, opening_rad=opening)

    points = list(card.points)
    if share > 0.0:
        points.insert(0, at(top_m, 0.0))
    if upper:
        points.append(at(top_m + _UPPER * rise, _UPPER))
    return replace(card, points=tuple(points))


def completed(card: Card, seat_m: float) -> Completed:
    """The cards a card may stand for; seat_m: lobe lift that the ramp must take up.

    >>> from lobeledger.units import DEG_RAD, INCH_M
    >>> point = CardPoint(at_m=0.050 * INCH_M, duration_rad=224 * DEG_RAD)
    >>> card = Card(lobe_lift_m=0.320 * INCH_M, points=(point,))
    >>> for each in completed(card, 0.006 * INCH_M).usual[0].points:
    ...     print(f"{each.at_m / INCH_M:.3f} in {each.duration_rad / DEG_RAD:.0f} deg")
    0.006 in 273 deg
    0.050 in 224 deg
    0.179 in 147 deg
    """
    own_m = card.lowest.at_m
    top_m = min(card.ramp_lift_m or seat_m, own_m)
    if len(card.points) > 1:
        # A card that gives its ramp says where that ends by itself.
        says_ramp = card.ramp_lift_m is not None or card.opening_ramp is not None or card.closing_ramp is not None
        if says_ramp or own_m - top_m < _FAR * (card.lobe_lift_m - top_m):
            return Completed((card,), {})
        usual = [_with(card, top_m, p, upper=False) for p in (USUAL, LEANER, FULLER)]
        ends = {
            "fuller flanks": _with(card, top_m, FULLER, upper=False),
            "leaner flanks": _with(card, top_m, LEANER, upper=False),
        }
        return Completed((*usual, card), ends)
    # A duration quoted within a hair of the ramp's top is the ramp top's: a lift of its own there would have no flank.
    if own_m - top_m < 0.004 * (card.lobe_lift_m - top_m):
        top_m = own_m
    upper = (own_m - top_m) / (card.lobe_lift_m - top_m) < _LOW
    tries = ((True, False) if upper else (False,), (USUAL, LEANER, FULLER))
    usual = [_with(card, top_m, p, upper=u) for u in tries[0] for p in tries[1]]
    return Completed(
        tuple(usual),
        {
            "fuller flanks": _with(card, top_m, FULLER, upper=upper),
            "leaner flanks": _with(card, top_m, LEANER, upper=upper),
        },
    )
