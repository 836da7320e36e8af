"""Hard limits and cautions: what stops a candidate, what only warns.

What is broken, and by how much?      `broken_limits` -> `Broken`
What should be watched?               `cautions`
Which card is impossible?             `Impossible`

A hard limit is judged by the nominal figure; where its band reaches past the limit, a caution says so.
Contact stress and spring loads only ever warn: their usual values are common practice without a source.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from typing import NamedTuple

from lobeledger import units
from lobeledger.assess.figures import Figure
from lobeledger.engine.cycle import seat_lift_m
from lobeledger.lobe.ways_out import WayOut
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.card import Card
from lobeledger.parts.pairing import added_lines, stops, unpriced_lines

__all__ = ["Broken", "Impossible", "broken_limits", "cautions", "doubts"]


# Overlap at the seat from which an exhaust tuned to it pulls charge through: assumed.
_LONG_OVERLAP_DEG = 70.0


class Broken(NamedTuple):
    """A hard limit that is broken. give: the change, in words, that would mend it.

    short_share: by how much of the limit, 1 where that has no measure: tells which candidate comes nearest.
    """

    limit: str
    text: str
    give: str
    short_share: float = 1.0


class Impossible(NamedTuple):
    """A card no lobe fits on this follower: which, why, and what would make it possible."""

    which: str
    card: Card
    reason: str
    ways: tuple[WayOut, ...]


def broken_limits(
    build: Build,
    candidate: Candidate,
    impossible: tuple[Impossible, ...],
    figures: Mapping[str, Figure],
    system: str,
) -> list[Broken]:
    """Hard limits broken by the nominal figures, each with its number and by how much."""
    limits, vehicle = build.limits, build.vehicle
    show = functools.partial(units.show, system=system)
    found: list[Broken] = []
    kind = "a flat lifter" if candidate.follower == "flat" else "a roller"
    for each in impossible:
        ways = (
            " or ".join(
                f"{way.what} {show(way.value, way.kind, toward='down' if 'at most' in way.what else 'up')}"
                for way in each.ways
            )
            or "another card"
        ) + f" for the {each.which}"
        found.append(
            Broken(
                "card",
                f"the {each.which} card ({show(each.card.lobe_lift_m, 'lift')} lobe lift) cannot be followed by "
                f"{kind} of this "
                f"size: {each.reason}",
                ways,
            )
        )
    for line in stops(build, candidate):
        found.append(
            Broken(
                "pairing",
                f"{line.what} cannot be used here: {line.why}",
                line.remedy,
            )
        )
    missing = unpriced_lines(build, candidate)
    if missing:
        # Left at nothing they would make the candidate look cheap: it cannot be judged.
        names = "; ".join(line.what for line in missing)
        found.append(
            Broken(
                "unpriced",
                f"what goes with it has no price in {build.currency} ({names})",
                f"price lines in {build.currency} that serve {', '.join(line.needs[0] for line in missing)}",
            )
        )
    for key, least, what in (
        ("coil_bind", limits.coil_bind_clearance_m, "clearance to coil bind"),
        ("retainer", limits.retainer_clearance_m, "clearance from retainer to seal"),
    ):
        have = figures[key].value
        if have < least:
            short = show(least - have, "lift")
            found.append(
                Broken(
                    key,
                    f"{what} is {show(have, 'lift')}, {short} short of {show(least, 'lift')}",
                    f"{show(least - have, 'lift', toward='up')} more {what}, or less lift",
                    (least - have) / least,
                )
            )
    if "rigid_limit" in figures:
        found += _speed(build, figures, show)
    if vehicle.brake_booster and "vacuum" in figures:
        have, need = figures["vacuum"].value, vehicle.booster_vacuum_pa
        if have < need:
            found.append(
                Broken(
                    "vacuum",
                    f"idle vacuum is {show(have, 'vacuum')}, {show(need - have, 'vacuum')} short of what the brake "
                    "booster needs",
                    "a vacuum pump or reservoir, brakes without a booster, or a higher idle",
                    (need - have) / need,
                )
            )
    return found


def _speed(build: Build, figures: Mapping[str, Figure], show: Callable[..., str]) -> list[Broken]:
    """Whether the valvetrain stays on its lobes: the elastic one decides, and the rigid one must have its margin."""
    top, margin = build.use.highest_speed_rpm, build.limits.speed_margin
    elastic, rigid = figures["elastic_limit"].value, figures["rigid_limit"].value
    if rigid < top * (1.0 + margin) and rigid / (1.0 + margin) <= elastic:
        return [
            Broken(
                "speed",
                f"the springs hold the lifters on the lobes up to {show(rigid, 'rpm')}, "
                f"{show(top * (1.0 + margin) - rigid, 'rpm')} short of the {show(top * (1.0 + margin), 'rpm')} wanted "
                f"({margin:.0%} above the highest speed)",
                f"a highest speed of {show(rigid / (1.0 + margin), 'rpm', toward='down')}, stiffer springs or less "
                "mass",
                1.0 - rigid / (top * (1.0 + margin)),
            )
        ]
    if elastic < top:
        return [
            Broken(
                "speed",
                f"its valvetrain leaves the lobe at {show(elastic, 'rpm')}, {show(top - elastic, 'rpm')} short of the "
                "highest speed",
                f"a highest speed of {show(elastic, 'rpm', toward='down')}, a stiffer or lighter valvetrain, or more "
                "spring",
                1.0 - elastic / top,
            )
        ]
    return []


def doubts(build: Build, figures: Mapping[str, Figure], system: str) -> list[str]:
    """Limits that the nominal figures keep and the bands do not."""
    show = functools.partial(units.show, system=system)
    limits, use, vehicle = build.limits, build.use, build.vehicle
    said: list[str] = []
    if "rigid_limit" in figures:
        for key, what, wanted in (
            ("elastic_limit", "the speed at which contact is lost", use.highest_speed_rpm),
            ("rigid_limit", "the rigid limit", use.highest_speed_rpm * (1.0 + limits.speed_margin)),
        ):
            figure = figures[key]
            if figure.low < wanted <= figure.value:
                said.append(
                    f"The band of {what} ({show(figure.low, 'rpm')} to {show(figure.high, 'rpm')}) reaches below the "
                    f"{show(wanted, 'rpm')} wanted: weigh the parts and measure the springs."
                )
    if (
        vehicle.brake_booster
        and "vacuum" in figures
        and figures["vacuum"].low < vehicle.booster_vacuum_pa <= figures["vacuum"].value
    ):
        said.append(
            f"Idle vacuum ({show(figures['vacuum'].low, 'vacuum')} to {show(figures['vacuum'].high, 'vacuum')}) may "
            f"fall short of the {show(vehicle.booster_vacuum_pa, 'vacuum')} the brake booster needs: try it before the "
            "car goes on the road."
        )
    return said


def cautions(build: Build, candidate: Candidate, figures: Mapping[str, Figure], system: str) -> list[str]:
    """What warns but does not forbid, and limits whose band reaches past them."""
    show = functools.partial(units.show, system=system)
    limits, vehicle = build.limits, build.vehicle
    said = doubts(build, figures, system)
    if "residual" in figures and figures["residual"].value > 0.30:
        said.append(
            f"At idle {show(figures['residual'].value, 'share')} of the charge is burned gas: expect it to hunt, and "
            "raise the idle."
        )
    stress = figures.get("stress_cranking")
    if stress is not None and stress.value > candidate.stress_caution_pa:
        spared = (
            ""
            if candidate.follower == "roller"
            else ": inner springs left out for the run-in spare it (what that is worth stands on the break-in page)"
            if candidate.springs.has_inner
            else ": rockers of a lower ratio for the run-in spare it"
        )
        said.append(
            f"Nose stress at cranking is {show(stress.value, 'stress')}, above "
            f"{show(candidate.stress_caution_pa, 'stress')}{spared}."
        )
    least = build.model.least_nose_radius_m
    if "nose_radius" in figures and figures["nose_radius"].value < 1.05 * least:
        said.append(
            f"The card as quoted asks for a nose as sharp as is allowed ({show(least, 'lift')} radius): check its "
            "durations, "
            "for stress and speed limit suffer from it."
        )
    for key, low, high, where in (
        ("seat_load", candidate.seat_load_low_n, candidate.seat_load_high_n, "closed"),
        ("open_load", candidate.open_load_low_n, candidate.open_load_high_n, "open"),
    ):
        load = figures[key].value
        if not low <= load <= high:
            side = "above" if load > high else "below"
            edge = high if load > high else low
            said.append(
                f"Spring load with the valve {where} is {show(load, 'load')}, {side} the usual {show(edge, 'load')} "
                "for this lifter."
            )
    if "dynamic_compression" in figures:
        allowed = (
            limits.knock_compression_iron
            if build.engine.head_material == "iron"
            else limits.knock_compression_aluminium
        )
        ratio = figures["dynamic_compression"].value
        if ratio > allowed:
            said.append(
                f"Dynamic compression of {ratio:.2f} is above {allowed:.1f}, where {build.engine.head_material} "
                "heads begin to need care on 91 octane"
                f" (this fuel: {vehicle.octane:g})."
            )
    if "torque" in figures and figures["overlap"].value > units.rad(_LONG_OVERLAP_DEG):
        said.append(
            f"Its long overlap ({show(figures['overlap'].value, 'angle')}) is valued too low: the torque estimate has "
            "no exhaust pipes to pull through it."
        )
    added = [line for line in added_lines(build, candidate) if line.price_money is not None]
    if added:
        said.append(
            "No price line serves these, so they are in the cost at the library's own prices: "
            f"{'; '.join(line.what for line in added)}. If a line pays for one, say so there with serves."
        )
    if (
        candidate.lifter == "solid"
        and seat_lift_m(candidate, build.model, candidate.intake_lash_m) > candidate.intake.lowest.at_m
    ):
        said.append(
            "The lash takes up more than the card's lowest quoted lift, so the valve leaves its seat off the ramp: "
            "follow the cam card's lash."
        )
    if "rigid_limit" in figures and "torque" not in figures:
        said.append(
            "The gas exchange finds no steady cycle at some of the speeds used, so no torque is credited to it."
        )
    if len(candidate.intake.points) < 3:
        said.append(
            "The card quotes fewer than three durations, which leaves the lobe's shape wide open: a duration at "
            "0.200 in narrows the bands."
        )
    return said
