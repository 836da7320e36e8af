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
from lobeledger.units import INCH_M, cam_rad_from_crank_rad, crank_rad_from_cam_rad, rad, show

__all__ = ["CardCheck", "compare_with_card", "lobe_separation"]


# What a printed card leaves open: half of its last digit (assumed: whole crank degrees, thousandths of an inch).
CARD_ANGLE_ROUNDING_RAD = rad(0.5)
CARD_LIFT_ROUNDING_M = 0.0005 * INCH_M


@dataclass(frozen=True)
class CardCheck:
    """One figure of the card against the readings, SI; `differs` when beyond what both leave open."""

    what: str
    kind: str
    read: Figure
    card: float
    differs: bool
    sentence: str


def lobe_separation(intake: ReadLobe, exhaust: ReadLobe) -> Figure:
    """Cam angle between the centrelines, radians; both read on one setting of the wheel, so its zero cancels."""
    one = intake._centre(intake.greatest_lift.value - CENTRELINE_BELOW_TOP_M)
    other = exhaust._centre(exhaust.greatest_lift.value - CENTRELINE_BELOW_TOP_M)
    apart = abs(math.remainder(one.value - other.value, TURN))
    return Figure(apart, math.hypot(one.half_width, other.half_width))


def _checked(
    what: str, kind: str, read: Figure, card: float, rounding: float, words: tuple[str, str], system: str
) -> CardCheck:
    off = read.value - card
    open_ = read.half_width + rounding
    differs = abs(off) > open_
    if differs:
        sentence = (
            f"{what}: {show(abs(off), kind, system)} {words[off > 0.0]} the card "
            f"({show(read.value, kind, system)} give or take {show(read.half_width, kind, system, toward='up')}, "
            f"card {show(card, kind, system)})"
        )
    else:
        within = show(open_, kind, system, toward="up")
        sentence = f"{what}: as the card says, {show(card, kind, system)}, within {within}"
    return CardCheck(what, kind, read, card, differs, sentence)


def compare_with_card(
    intake: ReadLobe | None,
    exhaust: ReadLobe | None,
    *,
    intake_card: Card | None,
    exhaust_card: Card | None,
    lobe_separation_rad: float | None = None,
    intake_centreline_rad: float | None = None,
    system: str = "us",
) -> tuple[CardCheck, ...]:
    """Each figure of the card against what was read, as plain sentences.

    lobe_separation_rad: cam radians, checked when both lobes are given. intake_centreline_rad: crank radians
    after top dead centre, checked when the wheel's zero is the top dead centre of valve overlap.
    A figure differs when it is off by more than the readings' 95 % band plus half the card's last digit
    (assumed: whole crank degrees, thousandths of an inch). Figures the lobe does not reach are told as such.
    """
    checks: list[CardCheck] = []
    for name, read, card in (("intake", intake, intake_card), ("exhaust", exhaust, exhaust_card)):
        if read is None or card is None:
            continue
        what, words = f"{name} lobe lift", ("under", "over")
        lift = read.greatest_lift
        checks.append(_checked(what, "lift", lift, card.lobe_lift_m, CARD_LIFT_ROUNDING_M, words, system))
        for point in card.points:
            what = f"{name} duration at {show(point.at_m, 'lift', system)} of lobe lift"
            try:
                duration = read.duration(point.at_m)
            except OutOfRange:
                checks.append(
                    CardCheck(
                        what, "angle", Figure(math.nan, math.nan), point.duration_rad, True,
                        f"{what}: the lobe as read does not pass that lift on both flanks",
                    )
                )  # fmt: skip
                continue
            words = ("shorter than", "longer than")
            checks.append(_checked(what, "angle", duration, point.duration_rad, CARD_ANGLE_ROUNDING_RAD, words, system))
    if intake is not None and exhaust is not None and lobe_separation_rad is not None:
        checks.append(
            _checked(
                "lobe separation", "angle", lobe_separation(intake, exhaust), lobe_separation_rad,
                cam_rad_from_crank_rad(CARD_ANGLE_ROUNDING_RAD), ("closer than", "wider than"), system,
            )
        )  # fmt: skip
    if intake is not None and intake_centreline_rad is not None:
        cam = intake.centreline()
        atdc = math.remainder(crank_rad_from_cam_rad(cam.value), 2.0 * TURN)
        checks.append(
            _checked(
                "intake centreline", "angle", Figure(atdc, crank_rad_from_cam_rad(cam.half_width)),
                intake_centreline_rad, CARD_ANGLE_ROUNDING_RAD, ("earlier than", "later than"), system,
            )
        )  # fmt: skip
    return tuple(checks)
