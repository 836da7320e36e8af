"""The run sheet: how one candidate is run in, to print and fill in.

The sheet                         `write_run_sheet`, `run_sheet_html`
Its parts, for the screen too     `run_springs`, `run_fuel`, `step_text`
Must it not be run?               `reasons_not_to_run`
"""

from __future__ import annotations

import datetime
import functools
import math
from pathlib import Path

import markupsafe

from lobeledger import units
from lobeledger.assess.figures import Figure
from lobeledger.assess.limits import Broken
from lobeledger.choice.results import Comparison
from lobeledger.choice.run_in import RunInPlan, run_answer, run_in_plan, speed_span
from lobeledger.lobe.flat import crown_height_m
from lobeledger.page.paper.customer import style_text, templates
from lobeledger.sheet.files import write_text_atomically

__all__ = ["reasons_not_to_run", "run_fuel", "run_sheet_html", "run_springs", "step_text", "write_run_sheet"]

# Lines of the log: one about every four minutes, never more than fit on the page.
_LOG_MINUTES, _MOST_LOG_LINES = 4.0, 9
_ROLLER_LOG = ("fired, oil pressure there", "thermostat open, no leaks", "before it is shut down")


def write_run_sheet(comparison: Comparison, candidate_id: str, path: str | Path, *, replace: bool = False) -> Path:
    """Write the run sheet of one candidate. Raises BuildError when the file exists and `replace` is not given."""
    return write_text_atomically(path, run_sheet_html(comparison, candidate_id), replace=replace)


# Broken limits of parts that hurt engine or people when it is turned; money, vacuum and highest speed do not.
_NOT_TO_BE_RUN = ("card", "pairing", "coil_bind", "retainer")


def reasons_not_to_run(comparison: Comparison, candidate_id: str) -> list[Broken]:
    """Why a candidate must not be turned over as it is; empty when nothing forbids it."""
    return [b for b in comparison.result(candidate_id).broken if b.limit in _NOT_TO_BE_RUN]


def run_sheet_html(comparison: Comparison, candidate_id: str, *, date: datetime.date | None = None) -> str:
    """The run sheet of one candidate as one HTML page that prints on two: maker's instruction, acts, log, costs.

    Raises OutOfRange when there is no such candidate.
    """
    build, system = comparison.build, comparison.system
    c = build.candidate(candidate_id)
    plan = run_in_plan(build, c)
    low, high = (f"{end:,.2f}" for end in plan.total_money[1:])
    return (
        templates()
        .get_template("run_sheet.html.j2")
        .render(
            title=f"{build.name}: run sheet",
            style=markupsafe.Markup(style_text()),
            build=build,
            candidate=c,
            plan=plan,
            date=(date or datetime.date.today()).isoformat(),
            answer=run_answer(plan),
            stopped=[b.text for b in reasons_not_to_run(comparison, candidate_id)],
            springs=run_springs(plan, system),
            notes=_run_notes(plan, system),
            log=_run_log(plan),
            step_texts=[step_text(i, step.line.text, step.line.watch or "") for i, step in enumerate(plan.steps, 1)],
            other_school=_other_school(plan),
            turning="Pushrods seen turning" if c.follower == "flat" else "Pushrods steady",
            pressure_unit=units.shown_unit("pressure", system),
            temperature_unit="°F" if system == "us" else "°C",
            lift_unit=units.shown_unit("lift", system),
            cylinders=range(1, build.engine.cylinders + 1),
            lifts=[
                (name, units.show(card.lobe_lift_m, "lift", system, unit=False))
                for name, card in (("Intake", c.intake), ("Exhaust", c.exhaust))
            ],
            fuel=run_fuel(plan, system),
            charges=[(each.text, f"{each.amount:,.2f}") for each in plan.charges],
            # Of the charges as printed, so that they add up to the cent.
            total=f"{math.fsum(round(float(each.amount), 2) for each in plan.charges):,.2f}",
            total_note=(f"{low} to {high} with the uncertain values varied. " if low != high else "")
            + ("No dyno hours in the build sheet: run in on the car. " if not c.dyno_time_h else "")
            + "Labour to fit the parts is charged with the fitting.",
        )
    )


def _other_school(plan: RunInPlan) -> str:
    """What the other school does, where no maker's word and no speed of the sheet decides."""
    if not plan.steps or plan.school == "none" or plan.maker_instruction or plan.is_speed_given:
        return ""
    other = "varies it from 2,000 to 3,000 rpm" if plan.school == "hold" else "holds 3,500 rpm for 30 minutes"
    return f"Another school {other}; neither has a published source, and the build sheet chooses (run_in_school)."


def run_springs(plan: RunInPlan, system: str) -> list[str]:
    s, show = plan.springs, functools.partial(units.show, system=system)

    def told(seat: float, load: float, stress: float) -> str:
        nose = f", nose stress {show(stress, 'stress')} at cranking" if math.isfinite(stress) else ""
        return f"{show(seat, 'load')} closed, {show(load, 'load')} open{nose}"

    texts = [f"As fitted: {told(s.seat_n.value, s.open_n.value, s.stress_pa.value)}."]
    if s.is_lightened:
        c = plan.candidate
        ways = ["without the inner springs"] if c.is_run_in_without_inner else []
        ways += [f"with rockers of {c.run_in_rocker_ratio:g}"] if c.run_in_rocker_ratio is not None else []
        texts[0] += (
            f" For the run-in, {' and '.join(ways)}: "
            f"{told(s.run_in_seat_n.value, s.run_in_open_n.value, s.run_in_stress_pa.value)}."
        )
    if s.usual_open_n is not None:
        usual = show(s.usual_open_n, "load")
        above = s.run_in_open_n.value > s.usual_open_n
        text = f"Common practice for the run-in of a flat cam is up to about {usual} open: this is " + (
            "above it." if above else "within it."
        )
        ways = []
        if above and s.inner_out_open_n is not None:
            ways.append(f"without the inner springs it would be {show(s.inner_out_open_n, 'load')}")
        if above and s.ratio_for_usual is not None:
            ways.append(
                f"rockers of {math.floor(100.0 * s.ratio_for_usual) / 100.0:.2f} or less would bring it down to {usual}"
            )
        said = " and ".join(ways)
        texts.append(text + (f" {said[0].upper()}{said[1:]}." if said else ""))
        if s.run_in_stress_pa.value > plan.candidate.stress_caution_pa:
            texts.append(
                f"At cranking the nose bears more than the {show(plan.candidate.stress_caution_pa, 'stress')} above "
                "which to be careful (assumed): crank as little as you can."
            )
    return texts


def _run_notes(plan: RunInPlan, system: str) -> dict[str, str]:
    """What the build sheet adds to an act."""
    c, show = plan.candidate, functools.partial(units.from_si, system=system)
    unit, digits = units.shown_unit("lift", system), 4 if system == "us" else 3
    notes = {}
    if c.crown_radius_m is not None and c.face_diameter_m is not None and c.lobe_taper_m is not None:
        crown = crown_height_m(c.crown_radius_m, face_diameter_m=c.face_diameter_m)
        notes["gauge"] = (
            f"This sheet reckons with a crown of {show(crown, 'lift'):.{digits}f} {unit} over the face and a taper of "
            f"{show(c.lobe_taper_m, 'lift'):.{digits}f} {unit} across the lobe."
        )
    if c.lifter == "solid":
        notes["lash"] = (
            f"Hot: {units.show(c.intake_lash_m, 'lift', system)} intake, "
            f"{units.show(c.exhaust_lash_m, 'lift', system)} exhaust."
        )
    return notes


def _run_log(plan: RunInPlan) -> list[str]:
    """The first column of the log: minutes and speeds, a line about every four minutes."""
    if not plan.steps:
        return list(_ROLLER_LOG)
    every = max(_LOG_MINUTES * 60.0, plan.time_s / _MOST_LOG_LINES)
    rows, start = [], 0.0
    for step in plan.steps:
        lines = max(1, round(step.time_s / every))
        for i in range(lines):
            ends = [(start + step.time_s * share / lines) / 60.0 for share in (i, i + 1)]
            rows.append(f"{ends[0]:.3g} to {ends[1]:.3g} min: {speed_span(step.from_rpm, step.to_rpm)}")
        start += step.time_s
    return rows


def step_text(number: int, text: str, watch: str) -> str:
    return f"Step {number}: {text[0].lower() + text[1:]}." + (f" Watch {watch}." if watch else "")


def run_fuel(plan: RunInPlan, system: str) -> list[str]:
    if not plan.steps:
        return ["No fuel is charged to a lobe run-in: first start and seating of rings are the same for every cam."]
    show = functools.partial(units.show, system=system)

    def ranged(figure: Figure) -> str:
        low, high = (show(end, "volume", unit=False) for end in figure[1:])
        return f"{show(figure.value, 'volume')} ({low} to {high})"

    texts = [
        "Fuel for "
        + ", ".join(f"step {i}: {ranged(step.fuel_m3)}" for i, step in enumerate(plan.steps, 1))
        + (f"; in all {ranged(plan.fuel_m3)}" if len(plan.steps) > 1 else "")
        + ". It is reckoned on the high side (efficiency at light load, assumed). Have half as much again in the tank."
    ]
    heat, brake = plan.heat_w, max(step.brake_w for step in plan.steps)
    low, high = (show(end, "heat", unit=False) for end in heat[1:])
    shares = ", ".join(
        f"{where} {share.value:.0%} ({show(heat.value * share.value, 'heat')})"
        for where, share in plan.heat_shares.items()
    )
    texts.append(
        f"Heat to carry away in the hottest step: about {show(heat.value, 'heat')} ({low} to {high}), what the fuel "
        f"holds less {show(brake, 'power')} at the crank. Shares assumed: {shares}. On the car the load is less, and "
        "so is all of this."
    )
    return texts
