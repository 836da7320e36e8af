"""Hard limits and cautions: what stops a candidate, what only warns.

What is broken, by how much, what would mend it?  `broken_limits` -> `Broken`, `Way`
What should be watched?                           `cautions` -> `Caution`
Which limits do only the nominal figures keep?    `doubts` -> `Caution`
Which card is impossible?                         `Impossible`

Facts, in SI; the words room makes the sentences. A hard limit is judged by the nominal figure; where its band reaches
past the limit, a caution says so. Contact stress and spring loads only ever warn: their usual values are common
practice without a source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

from lobeledger.assess.figures import Figure
from lobeledger.assess.lobes import narrowing_duration
from lobeledger.engine.crank import knock_limited_ratio
from lobeledger.engine.cycle import flow_data_end_m, seat_lift_m
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.ways_out import WayOut
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.card import Card
from lobeledger.parts.pairing import OrderLine, added_lines, stops, unpriced_lines

__all__ = ["Broken", "Caution", "Impossible", "Way", "broken_limits", "cautions"]


# Burned gas of the charge above which an engine hunts at idle: common practice, no source.
_HUNTING_SHARE = 0.30


class Impossible(NamedTuple):
    """A card no lobe fits on this follower: which, why, and what would make it possible."""

    which: str
    card: Card
    reason: str
    ways: tuple[WayOut, ...]


@dataclass(frozen=True)
class Way:
    """One change that alone would mend what is broken.

    what: its key, which the words room knows. value: SI as `kind` says (how `units.show` shows it, or "money"); None
    where no number is known. side: +1 where so much or more will do, -1 where so much or less. price_money: what the
    sheet says it costs; None where it does not say.
    """

    what: str
    value: float | None = None
    kind: str = ""
    side: int = 1
    price_money: float | None = None


@dataclass(frozen=True)
class Broken:
    """A hard limit that is broken.

    limit: its key. subject: key of the figure judged, the card (intake, exhaust), or the rule of the pairing. have,
    need: the figure with its band and what is asked of it, in SI as `kind` says; None where the limit has no measure.
    side: +1 where the figure must not lie below the need, -1 where not above, 0 without a measure. short_share: by how
    much of the limit it is broken, 1 where that has no measure: tells which candidate comes nearest. ways: each alone
    would mend it. lines: the lines of the order list it is about. card: the card that cannot be followed.
    """

    limit: str
    subject: str
    have: Figure | None = None
    need: float | None = None
    kind: str = ""
    side: int = 0
    short_share: float = 1.0
    ways: tuple[Way, ...] = ()
    lines: tuple[OrderLine, ...] = ()
    card: Impossible | None = None


@dataclass(frozen=True)
class Caution:
    """What warns but does not forbid.

    what: its key. subject: what it is about, where one caution serves several. have, limit: the figure with its band
    and what it is set against, in SI as `kind` says. ways: what would spare it. lines: lines of the order list.
    """

    what: str
    subject: str = ""
    have: Figure | None = None
    limit: float | None = None
    kind: str = ""
    ways: tuple[Way, ...] = ()
    lines: tuple[OrderLine, ...] = ()


def broken_limits(
    build: Build, candidate: Candidate, impossible: tuple[Impossible, ...], figures: Mapping[str, Figure]
) -> list[Broken]:
    """Hard limits broken by the nominal figures, each with its number and by how much; all but the budget."""
    limits, vehicle = build.limits, build.vehicle
    found = [
        Broken("card", each.which, ways=tuple(Way(w.what, w.value, w.kind, w.side) for w in each.ways), card=each)
        for each in impossible
    ]
    found += [Broken("pairing", line.rule, lines=(line,)) for line in stops(build, candidate)]
    missing = tuple(unpriced_lines(build, candidate))
    if missing:
        # Left at nothing they would make the candidate look cheap: it cannot be judged.
        found.append(Broken("unpriced", "", lines=missing))
    for key, least in (
        ("coil_bind", limits.coil_bind_clearance_m),
        ("retainer", limits.retainer_clearance_m),
    ):
        have = figures[key]
        if have.value < least:
            short = least - have.value
            more = Way("clearance", short, "lift")
            found.append(Broken(key, key, have, least, "lift", 1, short / least, (more, Way("less_lift"))))
    if vehicle.brake_booster and "vacuum" in figures:
        have, need = figures["vacuum"], vehicle.booster_vacuum_pa
        if have.value < need:
            ways = (Way("vacuum_pump"), Way("no_booster"), Way("higher_idle"))
            found.append(Broken("vacuum", "vacuum", have, need, "vacuum", 1, (need - have.value) / need, ways))
    return found


def cautions(
    build: Build, candidate: Candidate, figures: Mapping[str, Figure], lobes: Mapping[str, CardLobe]
) -> list[Caution]:
    """What warns but does not forbid, and limits whose band reaches past them. lobes: of the cards that have one."""
    found = _of_speed(build, figures)
    found += _of_running(build, candidate, figures)
    found += _of_springs(candidate, figures)
    found += _of_gas(build, figures)
    added = tuple(line for line in added_lines(build, candidate) if line.price_money is not None)
    if added:
        found.append(Caution("added_prices", lines=added))
    if candidate.lifter == "solid":
        seat, lowest = seat_lift_m(candidate, build.model, candidate.intake_lash_m), candidate.intake.lowest.at_m
        if seat > lowest:
            found.append(Caution("lash_off_ramp", "intake", Figure.exact(seat), lowest, "lift"))
    if "rigid_limit" in figures and "torque" not in figures:
        found.append(Caution("no_torque"))
    left_out = [f.id for f in build.factors_on(candidate) if f.kind == "left out"]
    if left_out:
        found.append(Caution("left_out", " ".join(left_out)))
    found += _of_cards(candidate, lobes)
    return found


def _of_cards(candidate: Candidate, lobes: Mapping[str, CardLobe]) -> list[Caution]:
    """Cards of one or two durations: the one more that would narrow the lobe most, and what it may be."""
    found = []
    for which, lobe in lobes.items():
        count = len((candidate.intake if which == "intake" else candidate.exhaust).points)
        if count > 2:
            continue
        said = Caution("one_duration", which) if count == 1 else Caution("few_durations", which)
        asked = narrowing_duration(lobe)
        if asked is None:
            found.append(said)
            continue
        span = Figure(lobe.nominal.duration_crank_rad(asked.at_m), asked.low_rad, asked.high_rad)
        ways = (Way("one_more_duration", asked.at_m, "lift"),)
        found.append(replace(said, have=span, kind="angle", ways=ways))
    return found


def _of_speed(build: Build, figures: Mapping[str, Figure]) -> list[Caution]:
    """First touch and the rigid margin: notes beside the speed up to which the valvetrain is under control."""
    found = []
    if "rigid_limit" in figures:
        top = build.use.highest_speed_rpm
        touch, rigid, wanted = figures["elastic_limit"], figures["rigid_limit"], top * (1.0 + build.limits.speed_margin)
        if touch.value < top:
            found.append(Caution("first_touch", "elastic_limit", touch, top, "rpm"))
        if rigid.value < wanted:
            found.append(Caution("rigid_margin", "rigid_limit", rigid, wanted, "rpm"))
    return found


def _of_running(build: Build, candidate: Candidate, figures: Mapping[str, Figure]) -> list[Caution]:
    """Idle and the nose."""
    found = []
    if "residual" in figures and figures["residual"].value > _HUNTING_SHARE:
        found.append(Caution("residual", "residual", figures["residual"], _HUNTING_SHARE, "share"))
    stress = figures.get("stress_cranking")
    if stress is not None and stress.value > candidate.stress_caution_pa:
        ways: tuple[Way, ...] = ()
        if candidate.follower != "roller":
            ways = (Way("inner_out" if candidate.springs.has_inner else "lower_ratio"),)
        found.append(Caution("stress", "stress_cranking", stress, candidate.stress_caution_pa, "stress", ways))
    least = build.model.least_nose_radius_m
    if "nose_radius" in figures and figures["nose_radius"].value < 1.05 * least:
        found.append(Caution("sharp_nose", "nose_radius", figures["nose_radius"], least, "lift"))
    return found


def _of_springs(candidate: Candidate, figures: Mapping[str, Figure]) -> list[Caution]:
    """Spring loads outside what is usual for this lifter."""
    found = []
    for key, low, high in (
        ("seat_load", candidate.seat_load_low_n, candidate.seat_load_high_n),
        ("open_load", candidate.open_load_low_n, candidate.open_load_high_n),
    ):
        load = figures[key]
        if not low <= load.value <= high:
            found.append(Caution("load", key, load, high if load.value > high else low, "load"))
    return found


def _of_gas(build: Build, figures: Mapping[str, Figure]) -> list[Caution]:
    """Knock on this fuel, a converter against the speeds used, and overlap that the torque estimate misreads."""
    found = []
    limits, vehicle = build.limits, build.vehicle
    if "dynamic_compression" in figures:
        head = build.engine.head_material
        at_91 = limits.knock_compression_iron if head == "iron" else limits.knock_compression_aluminium
        allowed = knock_limited_ratio(vehicle.octane, ratio_at_91=at_91, ratio_per_octane=limits.knock_per_octane)
        if figures["dynamic_compression"].value > allowed:
            found.append(Caution("knock", head, figures["dynamic_compression"], allowed))
    stall = vehicle.converter_stall_rpm
    slowest = min(band.from_rpm for band in build.use.bands)
    if vehicle.transmission == "automatic" and stall is not None and stall > slowest:
        found.append(Caution("stall", "converter_stall", Figure.exact(stall), slowest, "rpm"))
    if "vacuum_in_gear" in figures and vehicle.brake_booster:
        need, in_gear = vehicle.booster_vacuum_pa, figures["vacuum_in_gear"]
        if in_gear.value < need <= figures["vacuum"].value:
            found.append(Caution("in_gear", "vacuum_in_gear", in_gear, need, "vacuum"))
    if "torque" in figures and figures["overlap"].value > build.model.torque_doubt_overlap_rad:
        limit = build.model.torque_doubt_overlap_rad
        found.append(Caution("long_overlap", "overlap", figures["overlap"], limit, "angle"))
    return found + _beyond_flow(build, figures)


def _beyond_flow(build: Build, figures: Mapping[str, Figure]) -> list[Caution]:
    """Valves that lift past the last line of what is known of their flow; the one that goes farther is told."""
    beyond = []
    for which in ("intake", "exhaust"):
        end = flow_data_end_m(build.engine, build.discharge, which)
        lift = figures.get(f"{which}_lift")
        if lift is not None and lift.value > end:
            beyond.append((lift.value - end, which, lift, end))
    if not beyond:
        return []
    _, which, lift, end = max(beyond)
    return [Caution("beyond_flow", which if len(beyond) == 1 else "both", lift, end, "lift")]
