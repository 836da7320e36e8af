"""Words and tables of the valvetrain page.

How fast can it turn?                 `limit_sentence`; how sure, and where below is it weakest? `control_reasons`
What stands beside it?                `touch_reason`, `limit_reasons`
How do its springs stand?             `spring_tables`
What buys more speed?                 `remedy_table`
How sure is the first touch?          `band_table`
"""

from __future__ import annotations

import math

from lobeledger.assess.remedies import PricedRemedy
from lobeledger.doubt.speed import SEARCHED_FROM
from lobeledger.page.words.break_in import Row, Table
from lobeledger.page.words.limits import LOST_WORDS
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.train.control import Control, UsefulLimit
from lobeledger.train.loss import LossBand
from lobeledger.train.motion import SpeedPoint
from lobeledger.train.of_candidate import SEARCH_TO_RPM, Surge
from lobeledger.units import INCH_M, deg, show

__all__ = [
    "band_table",
    "control_reasons",
    "limit_reasons",
    "limit_sentence",
    "remedy_table",
    "spring_tables",
    "touch_reason",
]

_INPUT_WORDS = {
    "valvetrain_stiffness": "stiffness at the valve (assumed)",
    "valvetrain_damping": "damping (assumed)",
    "spring_damping": "damping of the springs (assumed)",
    "spring_active_share": "share of a spring that moves (assumed)",
    "oil_bulk_modulus": "air in the oil (assumed)",
    "seat_load": "seat load",
    "rate": "spring rate",
    "spring_mass": "spring mass",
    "lifter_mass": "lifter mass",
    "valve_mass": "valve mass",
    "pushrod_mass": "pushrod mass",
    "rocker_inertia": "rocker inertia",
}


_REMEDY_WORDS = {
    "lifter_mass": "lifter mass",
    "valve_mass": "valve mass",
    "seat_load": "seat load",
    "rate": "spring rate",
    "stiffness": "stiffness at the valve",
}


def limit_sentence(limit: UsefulLimit, highest_rpm: float) -> str:
    """The answer: up to which speed the valve is under control, how far that is from top rpm, what ends it."""
    if limit.fails is None:
        return f"Valve control holds to {limit.searched_to_rpm:,.0f} rpm, as far as we looked."
    lost = LOST_WORDS[limit.fails.ruled]
    if limit.crank_rpm <= 0.0:
        return (
            f"Valve control is lost at {limit.fails.crank_rpm:,.0f} rpm already, the lowest rpm we looked at: {lost}."
        )
    away = limit.crank_rpm - highest_rpm
    where = f"{_ten(abs(away))} {'over' if away >= 0 else 'under'} your top rpm"
    return f"Valve control holds to {_ten(limit.crank_rpm)} rpm, {where}; beyond it {lost}."


def _ten(rpm: float) -> str:
    """To ten rpm, as near as a limit is looked for."""
    return f"{round(rpm, -1):,.0f}"


def control_reasons(
    other: UsefulLimit, limit: UsefulLimit, safe_rpm: float, rung: Control, at_top: Control, highest_rpm: float
) -> list[str]:
    """What stands beside the answer once it has been looked for.

    other: of the other valve. safe_rpm: what nine of ten tries of both valves hold; NaN where half the highest speed is
    too much. rung: where below the highest speed control is weakest; at_top: control at the highest.
    """
    said = []
    if other.crank_rpm < limit.crank_rpm:
        said.append(f"The other valve loses control first, above {_ten(other.crank_rpm)} rpm, and decides.")
    if not math.isfinite(safe_rpm):
        said.append(
            f"With all that is not sure, fewer than nine of ten tries hold even {SEARCHED_FROM * highest_rpm:,.0f} rpm."
        )
    else:
        said.append(f"With all that is not sure, nine of ten tries of both valves hold to {_ten(safe_rpm)} rpm.")
    if limit.crank_rpm >= highest_rpm:
        used = f"{at_top.use:.0%} of what is allowed is used up at {highest_rpm:,.0f} rpm"
        if rung.use > at_top.use:
            said.append(
                f"On the way up control is weakest at {rung.crank_rpm:,.0f} rpm, where {rung.use:.0%} of what is "
                f"allowed is used up ({used}): pass through, do not hold it there."
            )
        else:
            said.append(f"{used}; nowhere below is it more.")
    return said


def touch_reason(candidate: Candidate, loss_rpm: float, loss_cam_rad: float | None, band: LossBand | None) -> str:
    """The first touch, a note beside the limit."""
    if loss_rpm >= SEARCH_TO_RPM or loss_cam_rad is None:
        return f"Up to {SEARCH_TO_RPM:,.0f} rpm the lifter does not leave the lobe even by a hair."
    side = "opening" if loss_cam_rad < 0 else "closing"
    what = (
        "the lifter first goes slack"
        if candidate.lifter == "hydraulic"
        else "the lifter first leaves the lobe by a hair"
    )
    sure = f" ({band.low_rpm:,.0f} to {band.high_rpm:,.0f})" if band is not None else ""
    return (
        f"First touch, a note: at {loss_rpm:,.0f} rpm{sure} {what}, {abs(deg(loss_cam_rad)):.0f} cam degrees off the "
        f"nose on the {side} side. That harms nothing by itself."
    )


def limit_reasons(rigid_rpm: float, loss_rpm: float, point: SpeedPoint, system: str) -> list[str]:
    """The rigid limit, and what the train does at the speed looked at."""
    said = [f"With no flex it would hold to {rigid_rpm:,.0f} rpm; flex and ringing cost the rest."]
    told = f"At {point.crank_rpm:,.0f} rpm: force on the lobe, the valve open, {show(point.least_contact_n, 'load', system, unit=False)} to {show(point.peak_contact_n, 'load', system)}"
    if math.isfinite(point.seating_speed_m_per_s):
        told += f", the valve lands at {show(point.seating_speed_m_per_s, 'landing', system)} and bounces {show(point.seat_bounce_m, 'lift', system)}"
    if point.loses_contact:
        told += f"; it is off the lobe for {1000.0 * point.loft_time_s:.1f} ms, by {show(point.greatest_gap_m, 'lift', system)}"
    said.append(told + ".")
    if loss_rpm < point.crank_rpm:
        said.append("Past its first touch no two cycles match: a single figure there means little.")
    return said


def spring_tables(candidate: Candidate, surges: tuple[Surge, ...], speed_rpm: float, system: str) -> list[Table]:
    """Loads, lifts to coil bind, and surge of the springs."""
    s, lift = candidate.springs, candidate.greatest_valve_lift_m
    rows = [
        Row(("seat load", show(s.total_seat_load_n, "load", system))),
        Row(("open load", show(candidate.greatest_open_load_n, "load", system))),
        Row(("spring rate", show(s.total_rate_n_per_m, "rate", system))),
        Row(("installed height", show(s.installed_height_m, "lift", system))),
        Row(("room to coil bind at full lift", show(s.installed_height_m - s.coil_bind_m - lift, "lift", system))),
    ]
    if s.has_inner:
        rows.append(
            Row(
                (
                    "open load with the inner out, for the break-in",
                    show(s.seat_load_n + s.rate_n_per_m * lift, "load", system),
                )
            )
        )
    shim = 0.030 * INCH_M
    rows.append(
        Row(
            (
                f"a shim of {show(shim, 'lift', system)} adds to seat and open load",
                show(s.total_rate_n_per_m * shim, "load", system),
            )
        )
    )
    waves = tuple(
        Row(
            (
                f"{'outer' if i == 0 else 'inner'} spring",
                f"{surge.first_hz:,.0f} Hz",
                f"{_ordinal(surge.order)} multiple of cam speed at {speed_rpm:,.0f} rpm",
                show(surge.amplitude_m, "lift", system),
            )
        )
        for i, surge in enumerate(surges)
    )
    return [
        Table("Springs", "", (), tuple(rows), (1,)),
        Table(
            "Surge",
            "Coils ringing at their own frequency, and what in the lobe sets them off.",
            ("", "first frequency", "driven by", "coils swing"),
            waves,
            (1, 3),
        ),
    ]


def _ordinal(number: int) -> str:
    last = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{last}"


def band_table(band: LossBand) -> Table:
    """What each doubt does to the first touch."""
    rows = [
        Row((_INPUT_WORDS.get(name, name), f"{low:+,.0f}", f"{high:+,.0f}"))
        for name, low, high in sorted(band.moves_rpm, key=lambda m: -max(abs(m[1]), abs(m[2])))
    ]
    lobes = [v - band.value_rpm for v in band.lobes_rpm[1:]]
    if lobes:
        rows.insert(0, Row(("other lobes that fit the card", f"{min(lobes):+,.0f}", f"{max(lobes):+,.0f}"), True))
    return Table(
        "How sure the first touch is",
        "rpm, each by itself at the low and at the high end of its range. It jumps where the valvetrain's ringing or "
        "spring surge meets the lobe, so both ends may lie on one side.",
        ("", "low", "high"),
        tuple(rows),
        (1, 2),
    )


def remedy_table(
    found: tuple[PricedRemedy, ...], build: Build, candidate: Candidate, which: str, extra_rpm: float, system: str
) -> Table:
    """What moves the first touch up by so many rpm, and what it costs elsewhere."""
    kinds = {"kg": "mass", "N": "load", "N/m": "rate"}
    valvetrain = candidate.valvetrain
    valve_kg = valvetrain.intake_valve_mass_kg if which == "intake" else valvetrain.exhaust_valve_mass_kg
    sheet_kg = {"lifter_mass": candidate.lifter_mass_kg, "valve_mass": valve_kg}
    rows = []
    for each in found:
        r = each.remedy

        # Of a mass the sheet's own figure is shown, less what the model takes off its share of it.
        own = sheet_kg.get(r.what, r.from_value) - r.from_value

        def value(amount: float, unit: str = r.unit, own: float = own) -> str:
            return show(amount + own, kinds[unit], system) if unit in kinds else f"x {amount:.2f}"

        to = "can't be done this way" if r.to_value is None else value(r.to_value)
        costs = []
        if each.open_load_n is not None and each.stress_pa is not None:
            costs.append(
                f"open load {show(each.open_load_n, 'load', system)}, nose stress {show(each.stress_pa, 'stress', system)}"
            )
        if each.price_money:
            costs.append(f"a set of springs {each.price_money:,.0f} {build.currency}")
        rows.append(Row((_REMEDY_WORDS[r.what], value(r.from_value), to, value(r.bound), "; ".join(costs))))
    return Table(
        f"How to gain {extra_rpm:,.0f} rpm",
        "Until the first touch; each change alone, as far as the limit shown; damping stays as it is. Where no price "
        "stands, your sheet has none.",
        ("", "now", "needed", "limit", "and costs"),
        tuple(rows),
        (1, 2, 3),
    )
