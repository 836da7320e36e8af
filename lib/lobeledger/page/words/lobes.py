"""Words and tables of the lobes page.

How well does the card use its follower?      `share_sentence`, `share_table`
What is a limit worth?                        `worth_table`
What do the readings say?                     `readings_table`, `card_sentence`
Flat or roller over duration?                 `study_table`
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from lobeledger.arrays import Array
from lobeledger.best.design import BestLobe
from lobeledger.best.share import ShareOfBest
from lobeledger.best.task import LIMIT_WORDS
from lobeledger.lobe.card_check import CardCheck
from lobeledger.lobe.readings import ReadLobe
from lobeledger.page.words.break_in import Row, Table
from lobeledger.units import INCH_M, deg, from_si, quantity, show, shown_unit

__all__ = ["card_sentence", "readings_table", "share_sentence", "share_table", "study_table", "worth_table"]


def _percents(band: tuple[float, float, float]) -> str:
    low, high = (f"{100.0 * share:.0f}" for share in band[1:])
    return f"{low}%" if low == high else f"{low} to {high}%"


def share_sentence(name: str, share: ShareOfBest) -> str:
    """How much of the lift area its lifter allows a card uses, and what limits the rest."""
    rules = [LIMIT_WORDS.get(k, k) for k in share.best_at_its_lift.bound_share()][:3]
    held = f"; {', then '.join(rules)} limit the best lobe" if rules else ""
    return (
        f"{name} uses {_percents(share.at_its_lift)} of the lift area possible at this lift, "
        f"{_percents(share.free)} with no cap on lift{held}."
    )


def share_table(share: ShareOfBest, system: str) -> Table:
    """Which limit rules how much of the flank, at the card's lift and with the lift free."""
    capped, free = share.best_at_its_lift, share.best_free
    names = list(dict.fromkeys([*capped.bound_share(), *free.bound_share()]))
    rows = tuple(
        Row(
            (
                LIMIT_WORDS.get(name, name),
                f"{capped.bound_share().get(name, 0.0):.0%}",
                f"{free.bound_share().get(name, 0.0):.0%}",
            )
        )
        for name in names
    )
    lifts = [show(b.greatest_lift_m, "lift", system) for b in (capped, free)]
    heads = ("what limits it", f"of its flank, lift {lifts[0]}", f"of its flank, lift {lifts[1]}")
    raised = ", ".join(LIMIT_WORDS.get(_LIMIT_OF.get(k, k), k) for k in share.raised)
    intro = (
        f"The card itself goes beyond: {raised}. There we allowed the best lobe what the card takes." if raised else ""
    )
    return Table("What limits the best lobe", intro, heads, rows, (1, 2))


_LIMIT_OF = {
    "stress_pa": "stress",
    "spring_margin": "springs",
    "grinding_radius_m": "hollow",
    "least_nose_radius_m": "nose",
}


# A small step in each limit that people think in, in US units; the metric ones stand in `PRICED`.
_STEPS_US = {
    "jerk_m_per_rad3": ("0.5 in", "m", "0.5 in/rad^3 of sharpness (jerk)"),
    "stress_pa": ("1.5 ksi", "Pa", "1.5 ksi of allowed nose stress"),
    "seat_load_n": ("2 lbf", "N", "2 lbf of seat load"),
    "rate_n_per_m": ("5 lbf/in", "N/m", "5 lbf/in of spring rate"),
    "moving_mass_kg": ("1 g", "kg", "1 g of valvetrain weight at the lifter"),
    "rated_rpm": ("100 rpm", "rpm", "100 rpm of top rpm"),
    "least_load_n": ("2 lbf", "N", "2 lbf of load to spare on the lobe"),
    "base_radius_m": ("0.040 in", "m", "0.040 in of base circle radius"),
    "lobe_width_m": ("0.040 in", "m", "0.040 in of lobe width"),
    "wheel_width_m": ("0.040 in", "m", "0.040 in of wheel width"),
    "greatest_lift_m": ("0.004 in", "m", "0.004 in of lobe lift"),
    "greatest_velocity_m_per_rad": ("0.004 in", "m", "0.004 in/rad of lift velocity"),
    "face_diameter_m": ("0.040 in", "m", "0.040 in of lifter face diameter"),
    "wheel_radius_m": ("0.040 in", "m", "0.040 in of wheel radius"),
    "pressure_angle_rad": ("1 deg", "rad", "1 degree of pressure angle"),
    "least_nose_radius_m": ("0.004 in", "m", "0.004 in of least nose radius"),
    "grinding_radius_m": ("0.4 in", "m", "0.4 in of grinding wheel radius"),
    "ramp_velocity_m_per_rad": ("0.004 in", "m", "0.004 in/rad of ramp velocity"),
}


def _worths(best: BestLobe, system: str) -> dict[str, float]:
    """Share of the lift area gained by a small step in each limit, in words of the system, greatest first."""
    if system != "us":
        return best.worths()
    steps = {name: _STEPS_US[name] for name in best.prices}
    found = {words: best.worth(name, quantity(step, unit)) for name, (step, unit, words) in steps.items()}
    return dict(sorted(found.items(), key=lambda item: -abs(item[1])))


def worth_table(share: ShareOfBest, system: str = "metric") -> Table:
    """What a usual amount more of each limit would be worth in lift area, to first order."""
    capped, free = (_worths(best, system) for best in (share.best_at_its_lift, share.best_free))
    rows = tuple(
        Row((words, f"{100.0 * capped.get(words, 0.0):+.2f}%", f"{100.0 * free.get(words, 0.0):+.2f}%"))
        for words in dict.fromkeys([*capped, *free])
        if max(abs(capped.get(words, 0.0)), abs(free.get(words, 0.0))) >= 5e-5
    )
    return Table(
        "What easing each limit gains",
        "Lift area gained for a small step in each limit.",
        ("", "at the card's lift", "no cap on lift"),
        rows,
        (1, 2),
    )


# What is read under and over the card, by what was read.
_OFF = {
    "lift": ("under", "over"),
    "duration": ("shorter than", "longer than"),
    "separation": ("closer than", "wider than"),
    "centreline": ("earlier than", "later than"),
}


def card_sentence(check: CardCheck, system: str) -> str:
    """One figure of the card against the readings, as a plain sentence."""
    what = {
        "lift": f"{check.which} lobe lift",
        "duration": f"{check.which} duration at {show(check.at_m or 0.0, 'lift', system)} of lobe lift",
        "separation": "lobe separation",
        "centreline": f"{check.which} centerline",
    }[check.what]
    if not math.isfinite(check.read.value):
        return f"{what}: the lobe as read does not pass that lift on both sides"
    card = show(check.card, check.kind, system)
    if not check.differs:
        return f"{what}: as the card says, {card}, within {show(check.open_, check.kind, system, toward='up')}"
    off = check.read.value - check.card
    read, give = (
        show(check.read.value, check.kind, system),
        show(check.read.half_width, check.kind, system, toward="up"),
    )
    return (
        f"{what}: {show(abs(off), check.kind, system)} {_OFF[check.what][off > 0.0]} the card "
        f"({read} plus or minus {give}, card {card})"
    )


def readings_table(read: ReadLobe, checks: Sequence[CardCheck], handled: Sequence[str], system: str) -> list[Table]:
    """Durations, centreline and lift of a read lobe with their bands, what was handled, and the card beside it."""
    rows = [
        Row(
            (
                "greatest lift",
                show(read.greatest_lift.value, "lift", system),
                show(read.greatest_lift.half_width, "lift", system, toward="up"),
            )
        )
    ]
    for at_in in (0.006, 0.020, 0.050, 0.100, 0.200):
        at_m = at_in * INCH_M
        if at_m >= 0.98 * read.greatest_lift.value:
            continue
        try:
            figure = read.duration(at_m)
        except ValueError:
            continue
        rows.append(
            Row(
                (
                    f"duration at {show(at_m, 'lift', system)}",
                    f"{deg(figure.value):.1f} crank deg",
                    f"{deg(figure.half_width):.1f}",
                )
            )
        )
    centre = read.centreline()
    rows.append(Row(("centerline on the wheel", f"{deg(centre.value):.1f} cam deg", f"{deg(centre.half_width):.1f}")))
    tables = [Table("", "", ("", "read", "plus or minus (95% sure)"), tuple(rows), (1, 2))]
    if checks:
        told = tuple(Row((card_sentence(c, system),), c.differs) for c in checks)
        tables.append(Table("Against the card", "", (), told))
    if handled:
        tables.append(Table("Fixed while reading", "", (), tuple(Row((sentence,)) for sentence in handled)))
    return tables


def study_table(found: Mapping[str, Array], system: str) -> Table:
    """Best flat and best roller over duration."""
    unit = shown_unit("lift", system)

    def lift(value: float) -> str:
        return "-" if math.isnan(value) else f"{from_si(value, 'lift', system):.3f}"

    def share(value: float) -> str:
        return "-" if math.isnan(value) else f"{100.0 * (value - 1.0):+.1f}%"

    rows = tuple(
        Row(
            (
                f"{deg(float(d)):.0f}",
                lift(float(found["flat_lift_m"][i])),
                lift(float(found["roller_lift_m"][i])),
                share(float(found["roller_over_flat_lift"][i])),
                share(float(found["roller_over_flat_area"][i])),
                lift(float(found["passed_at_m"][i])),
            )
        )
        for i, d in enumerate(found["duration_crank_rad"])
    )
    heads = (
        "duration, crank deg",
        f"best flat, {unit}",
        f"best roller, {unit}",
        "roller's lift",
        "roller's area",
        f"roller passes at, {unit}",
    )
    return Table("Best flat against best roller, at equal limits", "", heads, rows, (0, 1, 2, 3, 4, 5))
