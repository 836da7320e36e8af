"""The run sheet: how one candidate is run in, to print and fill in.

The sheet                         `write_run_sheet`, `run_sheet_html`
A step of it                      `step_text`
"""

from __future__ import annotations

import datetime
import functools
import math
from pathlib import Path

import markupsafe

from lobeledger import units
from lobeledger.choice.run_in import RunInPlan, run_in_plan
from lobeledger.lobe.flat import crown_height_m
from lobeledger.page.templates import style_text, templates
from lobeledger.page.words.comparison import Comparison
from lobeledger.page.words.figures import in_one_system
from lobeledger.page.words.run_in import reasons_not_to_run, run_answer, run_cautions, run_fuel, run_springs, speed_span
from lobeledger.sheet.files import write_text_atomically

__all__ = ["run_sheet_html", "step_text", "write_run_sheet"]

# Lines of the log: one about every four minutes, never more than fit on the page.
_LOG_MINUTES, _MOST_LOG_LINES = 4.0, 9
_ROLLER_LOG = ("fired, oil pressure there", "thermostat open, no leaks", "before it is shut down")


def write_run_sheet(comparison: Comparison, candidate_id: str, path: str | Path, *, replace: bool = False) -> Path:
    """Write the run sheet of one candidate. Raises BuildError when the file exists and `replace` is not given."""
    return write_text_atomically(path, run_sheet_html(comparison, candidate_id), replace=replace)


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
            one=functools.partial(in_one_system, system=system),
            style=markupsafe.Markup(style_text()),
            build=build,
            candidate=c,
            plan=plan,
            date=(date or datetime.date.today()).isoformat(),
            answer=run_answer(plan),
            cautions=run_cautions(plan),
            stopped=[b.text for b in reasons_not_to_run(comparison, candidate_id)],
            springs=run_springs(plan, system),
            notes=_run_notes(plan, system),
            log=_run_log(plan),
            step_texts=[
                in_one_system(step_text(i, step.line.text, step.line.watch or ""), system)
                for i, step in enumerate(plan.steps, 1)
            ],
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
            total_note=(f"{low} to {high} with the inputs varied. " if low != high else "")
            + ("No dyno hours on your sheet: break it in in the car. " if not c.dyno_time_h else "")
            + "Labor to install the parts is charged with the install.",
        )
    )


def _other_school(plan: RunInPlan) -> str:
    """What other shops do, where no maker's word and no speed of the sheet decides."""
    if not plan.steps or plan.school == "none" or plan.maker_instruction or plan.is_speed_given:
        return ""
    other = "vary the speed from 2,000 to 3,000 rpm" if plan.school == "hold" else "hold 3,500 rpm for 30 minutes"
    return f"Other shops {other}; neither way has a published source, and your sheet chooses."


def _run_notes(plan: RunInPlan, system: str) -> dict[str, str]:
    """What the build sheet adds to an act."""
    c, show = plan.candidate, functools.partial(units.from_si, system=system)
    unit, digits = units.shown_unit("lift", system), 4 if system == "us" else 3
    notes = {}
    if c.crown_radius_m is not None and c.face_diameter_m is not None and c.lobe_taper_m is not None:
        crown = crown_height_m(c.crown_radius_m, face_diameter_m=c.face_diameter_m)
        notes["gauge"] = (
            f"This sheet assumes a crown of {show(crown, 'lift'):.{digits}f} {unit} over the face and a taper of "
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
