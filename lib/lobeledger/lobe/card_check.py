"""A lobe that was read against the card it should follow.

`compare_with_card` -> `CardCheck`; `lobe_separation`
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lobeledger.errors import OutOfRange
from lobeledger.lobe.reading_fit import TURN
from lobeledger.lobe.readings import CENTRELINE_BELOW_TOP_M, Figure, ReadLobe
from lobeledger.parts.card import Card
from lobeledger.units import INCH_M, cam_rad_from_crank_rad, crank_rad_from_cam_rad, rad

__all__ = ["CardCheck", "compare_with_card", "lobe_separation"]


# What a printed card leaves open: half of its last digit (assumed: whole crank degrees, thousandths of an inch).
CARD_ANGLE_ROUNDING_RAD = rad(0.5)
CARD_LIFT_ROUNDING_M = 0.0005 * INCH_M


@dataclass(frozen=True)
class CardCheck:
    """One figure of the card against the readings, SI.

    what: lift, duration, separation or centreline. which: intake, exhaust, or empty for what both share. at_m: the
    lobe lift a duration is read at. kind: how `units.show` shows it. open_: what card and readings leave open;
    `differs` when further off than that. `read` is not finite where the lobe does not pass that lift on both flanks.
    """

    what: str
    which: str
    kind: str
    read: Figure
    card: float
    open_: float
    differs: bool
    at_m: float | None = None


def lobe_separation(intake: ReadLobe, exhaust: ReadLobe) -> Figure:
    """Cam angle between the centrelines, radians; both read on one setting of the wheel, so its zero cancels."""
    one = intake._centre(intake.greatest_lift.value - CENTRELINE_BELOW_TOP_M)
    other = exhaust._centre(exhaust.greatest_lift.value - CENTRELINE_BELOW_TOP_M)
    apart = abs(math.remainder(one.value - other.value, TURN))
    return Figure(apart, math.hypot(one.half_width, other.half_width))


def _checked(
    what: str, which: str, kind: str, read: Figure, card: float, rounding: float, at_m: float | None = None
) -> CardCheck:
    open_ = read.half_width + rounding
    return CardCheck(what, which, kind, read, card, open_, abs(read.value - card) > open_, at_m)


def compare_with_card(
    intake: ReadLobe | None,
    exhaust: ReadLobe | None,
    *,
    intake_card: Card | None,
    exhaust_card: Card | None,
    lobe_separation_rad: float | None = None,
    intake_centreline_rad: float | None = None,
) -> tuple[CardCheck, ...]:
    """Each figure of the card against what was read.

    lobe_separation_rad: cam radians, checked when both lobes are given. intake_centreline_rad: crank radians
    after top dead centre, checked when the wheel's zero is the top dead centre of valve overlap.
    A figure differs when it is off by more than the readings' 95 % band plus half the card's last digit
    (assumed: whole crank degrees, thousandths of an inch). Figures the lobe does not reach are told as such.
    """
    checks: list[CardCheck] = []
    for name, read, card in (("intake", intake, intake_card), ("exhaust", exhaust, exhaust_card)):
        if read is None or card is None:
            continue
        checks.append(_checked("lift", name, "lift", read.greatest_lift, card.lobe_lift_m, CARD_LIFT_ROUNDING_M))
        for point in card.points:
            rounding = CARD_ANGLE_ROUNDING_RAD
            try:
                duration = read.duration(point.at_m)
            except OutOfRange:
                nowhere = Figure(math.nan, math.nan)
                checks.append(
                    CardCheck("duration", name, "angle", nowhere, point.duration_rad, rounding, True, point.at_m)
                )
                continue
            checks.append(_checked("duration", name, "angle", duration, point.duration_rad, rounding, point.at_m))
    if intake is not None and exhaust is not None and lobe_separation_rad is not None:
        apart, rounding = lobe_separation(intake, exhaust), cam_rad_from_crank_rad(CARD_ANGLE_ROUNDING_RAD)
        checks.append(_checked("separation", "", "angle", apart, lobe_separation_rad, rounding))
    if intake is not None and intake_centreline_rad is not None:
        cam = intake.centreline()
        atdc = math.remainder(crank_rad_from_cam_rad(cam.value), 2.0 * TURN)
        there = Figure(atdc, crank_rad_from_cam_rad(cam.half_width))
        checks.append(_checked("centreline", "intake", "angle", there, intake_centreline_rad, CARD_ANGLE_ROUNDING_RAD))
    return tuple(checks)
