"""The lobes panel: what does this lobe ask of its follower, and how much better could it be?

What it computes from, and how          `LobesInputs`, `Motion`, `compute_motion`, `compute_share`
Flat against roller over duration       `StudyInputs`, `compute_study`
The panel                               `LobesPanel`
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.arrays import Array
from lobeledger.assess.best_lobe import JERK_LIMIT_M_PER_RAD3, equal_tasks, lobe_share_of
from lobeledger.assess.lobes import candidate_lobe
from lobeledger.best.share import ShareOfBest, flat_and_roller
from lobeledger.errors import BuildError, LedgerError
from lobeledger.lobe.card import CardLobe
from lobeledger.lobe.card_check import compare_with_card
from lobeledger.lobe.outline import Profile, face_travel, flat_profile, grinding, roller_profile
from lobeledger.lobe.reading_fit import lobe_lift_from_valve
from lobeledger.lobe.readings import ReadLobe, differenced, lobe_from_readings
from lobeledger.page.palette import style_of
from lobeledger.page.panels.base import WIDE, boxed
from lobeledger.page.panels.cam import CamPanel
from lobeledger.page.panels.chart import Charts
from lobeledger.page.panels.controls import Control, Controls, Download, Note, Slider
from lobeledger.page.panels.runner import Kept, Progress
from lobeledger.page.paper.profile import CARD_ORIGIN, profile_csv_text, profile_dxf_text
from lobeledger.page.plots import best as design_plots
from lobeledger.page.plots import lobes as lobe_plots
from lobeledger.page.plots.drawing import drawn_html
from lobeledger.page.words import break_in as break_in_views
from lobeledger.page.words import lobes as lobe_views
from lobeledger.page.words.glossary import marked
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.sheet import tables
from lobeledger.sheet.change import change
from lobeledger.sheet.readings_file import ReadingsTable, read_readings, readings_from_text
from lobeledger.units import INCH_M, deg, from_si, quantity, rad, show, shown_unit

__all__ = [
    "LobesInputs",
    "LobesPanel",
    "Motion",
    "StudyInputs",
    "compute_motion",
    "compute_share",
    "compute_study",
]

_MOTION, _OUTLINE, _BEST, _READINGS, _STUDY = range(5)


@dataclass(frozen=True)
class LobesInputs:
    """A build as read, what was moved, the candidate and which of its two lobes."""

    build: Build
    moved: tuple[tuple[str, Any], ...]
    candidate_id: str
    which: str
    system: str

    def current(self) -> Build:
        """The build with what was moved. Raises LedgerError."""
        return change(self.build, dict(self.moved)) if self.moved else self.build


@dataclass(frozen=True)
class Motion:
    """A card's lobes, and the true outlines its nominal lift needs under a flat face and under a roller."""

    build: Build
    candidate: Candidate
    which: str
    system: str
    card: CardLobe
    flat: Profile
    roller: Profile
    face_diameter_m: float


_MOTIONS: Kept[tuple[Build, str, str], Motion] = Kept()


def _usual_m(path: str, follower: str) -> float:
    """What the library assumes of a part that no candidate of the build has (m)."""
    row = tables.default_for(path, {"follower": follower})
    assert row is not None, path
    return quantity(row.value, "m")


def compute_motion(inputs: LobesInputs, progress: Progress) -> Motion:
    """Lobes and outlines of the chosen card. Raises LedgerError with one sentence."""
    build = inputs.current()
    found = _MOTIONS.of((build, inputs.candidate_id, inputs.which), lambda: _motion(inputs, build))
    return dataclasses.replace(found, system=inputs.system)


def _motion(inputs: LobesInputs, build: Build) -> Motion:
    c = build.candidate(inputs.candidate_id)
    card = candidate_lobe(build, c, inputs.which)
    base = c.valvetrain.base_circle_radius_m
    faces = [each.face_diameter_m for each in (c, *build.candidates) if each.face_diameter_m is not None]
    wheels = [each.wheel_diameter_m for each in (c, *build.candidates) if each.wheel_diameter_m is not None]
    wheel = (wheels[0] if wheels else _usual_m("candidate.wheel_diameter", "roller")) / 2.0
    return Motion(
        build,
        c,
        inputs.which,
        inputs.system,
        card,
        flat_profile(card.nominal, base_radius_m=base),
        roller_profile(card.nominal, base_radius_m=base, roller_radius_m=wheel),
        faces[0] if faces else build.block.lifter_bore_m,
    )


_SHARES: Kept[tuple[Build, str, str], ShareOfBest] = Kept()


def compute_share(inputs: LobesInputs, progress: Progress) -> tuple[LobesInputs, ShareOfBest]:
    """How much of the best lobe the chosen card uses."""
    build = inputs.current()
    c = build.candidate(inputs.candidate_id)
    return inputs, _SHARES.of((build, c.id, inputs.which), lambda: lobe_share_of(build, c, inputs.which))


@dataclass(frozen=True)
class StudyInputs:
    """A build with what was moved, a flat and a roller of it, and where durations are counted."""

    build: Build
    flat_id: str
    roller_id: str
    at_050: bool
    system: str


def compute_study(inputs: StudyInputs, progress: Progress) -> tuple[StudyInputs, dict[str, Array]]:
    """Best flat against best roller over duration, at equal limits."""
    build = inputs.build
    flat, roller = equal_tasks(build, build.candidate(inputs.flat_id), build.candidate(inputs.roller_id))
    progress.step(0.1)
    durations = [rad(d) for d in ((190, 205, 220, 235, 250, 265) if inputs.at_050 else (230, 245, 260, 275, 290, 305))]
    found = flat_and_roller(durations, flat=flat, roller=roller, at_lift_m=0.050 * INCH_M if inputs.at_050 else None)
    return inputs, found


class LobesPanel(CamPanel[LobesInputs, Motion]):
    """The panel; `widget` is what a cell shows, `later` finds the best lobe, `study_runner` the study."""

    title = "Lobes"

    def __init__(self, folder: Path, start: str) -> None:
        super().__init__(folder, "lobes", compute_motion)
        self.motion: Motion | None = None
        self.share: ShareOfBest | None = None
        self.read: dict[str, tuple[ReadLobe, ReadingsTable]] = {}
        self.later = self.further_runner(
            compute_share, self._show_share, fail=self._no_share, busy=self._share_busy, name="lobes-best"
        )
        self.study_runner = self.further_runner(
            compute_study, self._show_study, fail=self._no_study, busy=self._study_busy, name="lobes-study"
        )
        downloads = [
            Download(name, label, self._file(name), hint, f"ll-get-{name}")
            for label, name, hint in (
                ("Outline CSV", "csv", "Lift and outline of this lobe for its own follower"),
                ("Outline DXF", "dxf", "The closed outline as a drawing, in millimeters"),
            )
        ]
        self.tools.fill({"": [*downloads, self.reset]})
        self._charts = {place: Charts() for place in range(5)}
        self._make_outline_page()
        self._make_readings_page()
        self._make_study_page()
        self.best_words, self.best_wait = w.HTML(layout=WIDE), w.HTML(layout=WIDE)
        self.best_words.add_class("ll-best-words")
        self.pages = self.turn_pages(
            {
                "Motion": self._charts[_MOTION].box,
                "Outline": w.VBox([self.drawings, self.turn_box, self._charts[_OUTLINE].box], layout=WIDE),
                "Best lobe": w.VBox([self.best_wait, self._charts[_BEST].box, self.best_words], layout=WIDE),
                "Readings": self.readings_page,
                "Flat or roller": self.study_page,
            },
            self._draw,
        )
        self.reasons = w.HTML(layout=WIDE)
        self.reasons.add_class("ll-view-why")
        self.widget = self.frame([boxed([self.reasons, self.pages], "ll-main")])
        self.open_file(start)

    # -- controls ------------------------------------------------------------------------------------------

    def forget(self) -> None:
        """Drop the share of the cam shown before."""
        self.share = None

    def head_first(self) -> list[Control]:
        """Intake or exhaust."""
        return [self.which]

    def build_of(self, result: Motion) -> Build:
        """The build of the lobe that is shown."""
        return result.build

    def opened_folds(self) -> Sequence[str]:
        """The card and its follower."""
        return ("Card", "Follower")

    def make_controls(self, build: Build) -> dict[str, list[Control]]:
        """The card's numbers, the follower, springs and speed."""
        system = self.system.value
        c = build.candidate(self.cam.value)
        which = self.which.value
        card = c.intake if which == "intake" else c.exhaust
        root = f"candidates.{c.id}"
        stem = f"{root}.{which}"
        unit = shown_unit("lift", system)
        step = 0.001 if system == "us" else 0.02

        def length(path: str, text: str, value_m: float, low: float, high: float) -> Slider:
            value = round(from_si(value_m, "lift", system), 4)
            return self.slider(path, text, value, round(low * value, 4), round(high * value, 4), step, unit)

        numbers: list[Control] = []
        if f"{stem}.lobe_lift" in build.data:
            numbers.append(length(f"{stem}.lobe_lift", "Lobe lift", card.lobe_lift_m, 0.7, 1.4))
        for i, point in enumerate(card.points):
            path = f"{stem}.durations.{i}.duration"
            if path in build.data:
                now = round(deg(point.duration_rad), 3)
                text = f"Duration at {show(point.at_m, 'lift', system)}"
                numbers.append(self.slider(path, text, now, now - 40, now + 40, 1, "deg"))
        own = c.valvetrain
        follower: list[Control] = []
        if c.face_diameter_m is not None:
            follower.append(length(f"{root}.face_diameter", "Face diameter", c.face_diameter_m, 0.8, 1.3))
        if c.wheel_diameter_m is not None:
            follower.append(length(f"{root}.wheel_diameter", "Wheel diameter", c.wheel_diameter_m, 0.7, 1.4))
        base = own.base_circle_radius_m
        follower.append(length(f"{root}.valvetrain.base_circle_radius", "Base circle radius", base, 0.75, 1.3))
        load, rate = (shown_unit(kind, system) for kind in ("load", "rate"))
        seat_now = round(from_si(c.springs.seat_load_n, "load", system), 1)
        rate_now = round(from_si(c.springs.rate_n_per_m, "rate", system), 1)
        top = build.use.highest_speed_rpm
        springs = [
            self.slider(f"{root}.springs.seat_load", "Seat load", seat_now, 0, 3 * seat_now, 1, load),
            self.slider(f"{root}.springs.rate", "Spring rate", rate_now, 0, 3 * rate_now, 1, rate),
            self.slider("use.highest_speed", "Top rpm", top, 1500, 9500, 50, "rpm"),
        ]
        note = Note(
            "note-best",
            "Assumed for the best lobe: sharpness as on the card (flat or roller: "
            f"{from_si(JERK_LIMIT_M_PER_RAD3, 'lift', system):.3g} {unit}/rad\u00b3), a grinding wheel of "
            f"{show(2.0 * build.model.grinding_radius_m, 'lift', system)}, contact stress at the caution level.",
        )
        return {"Card": numbers, "Follower": follower, "Springs and speed": [*springs, note]}

    def inputs(self) -> LobesInputs:
        """The build, what was moved, the cam and its lobe."""
        return LobesInputs(self.build, self.moved, self.cam.value, self.which.value, self.system.value)

    # -- pages ---------------------------------------------------------------------------------------------

    def _make_outline_page(self) -> None:
        self.turn = Slider(
            "turn", "Cam angle", -60.0, lambda _: self._draw(), low=-180, high=180, step=5, unit="deg", turns=True,
            css="ll-turn",
        )  # fmt: skip
        self.turn_controls = Controls("Turn the cam", "ll-turn-box")
        self.turn_controls.fill({"": [self.turn]})
        self.turn_box = self.turn_controls.box
        self.drawings = w.HTML(layout=WIDE)
        self.drawings.add_class("ll-drawings")

    def _make_readings_page(self) -> None:
        shipped = sorted((tables.data_dir() / "readings").glob("*.csv"))
        self.table_choice = w.Dropdown(
            options=[("choose a table", ""), *((p.stem.replace("-", " "), str(p)) for p in shipped)],
            description="Invented", style={"description_width": "60px"}, layout=w.Layout(width="320px"),
        )  # fmt: skip
        self.table_choice.add_class("ll-readings-choice")
        self.table_choice.observe(lambda event: self._read_file(event["new"]), names="value")
        self.table_upload = w.FileUpload(
            accept=".csv", description="Open readings", layout=w.Layout(width="auto"),
            tooltip="CSV: cam or crank angle against lobe or valve lift",
        )  # fmt: skip
        self.table_upload.add_class("ll-readings-upload")
        self.table_upload.observe(self._table_uploaded, names="value")
        self.table_is = w.Dropdown(
            options=[("read as intake", "intake"), ("read as exhaust", "exhaust")], layout=w.Layout(width="160px"),
            tooltip="Which valve's lobe the readings are of",
        )  # fmt: skip
        self.table_is.add_class("ll-readings-as")
        drop = self.button("Clear", "Forget the readings", self._drop_readings)
        self.readings_message, self.readings_words = w.HTML(layout=WIDE), w.HTML(layout=WIDE)
        self.readings_words.add_class("ll-readings-words")
        self.readings_page = w.VBox(
            [
                w.HTML(
                    "<div class='ll-quiet'>Dial and degree-wheel readings: the first line names the columns, such as "
                    "<i>cam angle (deg), lobe lift (in)</i>. Turn by hand, ignition disconnected.</div>"
                ),
                w.HBox(
                    [self.table_is, self.table_choice, self.table_upload, drop], layout=w.Layout(flex_flow="row wrap")
                ),
                self.readings_message,
                self._charts[_READINGS].box,
                self.readings_words,
            ],
            layout=WIDE,
        )

    def _make_study_page(self) -> None:
        self.flat_choice = w.Dropdown(options=[], description="Flat", style={"description_width": "50px"})
        self.roller_choice = w.Dropdown(options=[], description="Roller", style={"description_width": "50px"})
        self.study_at = w.Dropdown(
            options=[("over duration between ramp tops", False), ("over duration at 0.050 in", True)],
            layout=w.Layout(width="260px"), tooltip="What the study moves along",
        )  # fmt: skip
        self.study_at.add_class("ll-study-at")
        go = self.button("Find best lobes", "Best flat and best roller at each duration; a second or two", self._study)
        go.add_class("ll-study-go")
        self.study_words = w.HTML(layout=WIDE)
        self.study_words.add_class("ll-study-words")
        self.study_page = w.VBox(
            [
                w.HTML(
                    "<div class='ll-quiet'>Both get the same sharpness (jerk), ramp, seat and rpm; springs, masses, stress "
                    "levels and geometry stay each one's own.</div>"
                ),
                w.HBox(
                    [self.flat_choice, self.roller_choice, self.study_at, go], layout=w.Layout(flex_flow="row wrap")
                ),
                self._charts[_STUDY].box,
                self.study_words,
            ],
            layout=WIDE,
        )

    def _fill_study_choices(self) -> None:
        for choice, kind in ((self.flat_choice, "flat"), (self.roller_choice, "roller")):
            options = [(c.name, c.id) for c in self.build.candidates if c.follower == kind]
            if list(choice.options) != options:
                choice.options = options
                choice.value = options[0][1] if options else None

    # -- showing -------------------------------------------------------------------------------------------

    def show(self, motion: Motion) -> None:
        """Answer, motion, outline; the best lobe follows."""
        self.motion = motion
        self._fill_study_choices()
        self._tell()
        self._draw()
        self.later.request(self.inputs())

    def _tell(self) -> None:
        motion = self.motion
        if motion is None:
            return
        c, system = motion.candidate, motion.system
        name = f"{c.name}, {motion.which}"
        reasons = []
        own = motion.flat if c.follower == "flat" else motion.roller
        made = grinding(own)
        if c.follower == "flat":
            run = face_travel(
                own, face_diameter_m=motion.face_diameter_m, lobe_width_m=c.valvetrain.lobe_width_m, lobe_offset_m=0.0
            )
            reasons.append(
                f"The contact runs {show(max(run.opening_m, run.closing_m), 'lift', system)} out from the lifter's "
                f"axis, {run.face_share:.0%} of its face's radius; least radius at the nose "
                f"{show(made.least_nose_radius_m, 'lift', system)}."
            )
        else:
            hollow = (
                "no hollow flank"
                if math.isinf(made.hollow_radius_m)
                else f"hollow flank of {show(made.hollow_radius_m, 'lift', system)} radius, so the grinding wheel must "
                "be smaller"
            )
            steepest = math.degrees(float(abs(own.pressure_angle_rad).max()))
            reasons.append(
                f"Greatest pressure angle {steepest:.1f} deg; least radius at the nose "
                f"{show(made.least_nose_radius_m, 'lift', system)}; {hollow}."
            )
        if self.share is not None:
            self.tell(lobe_views.share_sentence(name, self.share))
        else:
            self.tell(f"{name}: we are finding the best lobe its lifter allows.")
        self.reasons.value = marked("".join(f"<p>{escape(each)}</p>" for each in reasons), place="why")

    def _draw(self) -> None:
        motion = self.motion
        if motion is None:
            return
        page, charts = self.pages.selected_index, self._charts
        c, system = motion.candidate, motion.system
        if page == _MOTION:
            shown = [lobe_plots.ShownLobe(f"{c.name}, {motion.which}", motion.card, style_of(c.follower, 0))]
            face = motion.face_diameter_m if c.follower == "flat" else None
            figure = lobe_plots.motion_figure(shown, face_diameter_m=face, system=system)
            title, kept = "Lift, velocity and acceleration, with what the card leaves open", self.baseline
            ghosts = None
            if (
                kept is not None
                and kept.build != motion.build
                and (kept.candidate.id, kept.which) == (c.id, motion.which)
            ):
                before = [lobe_plots.ShownLobe(c.name, kept.card, style_of(c.follower, 0))]
                ghosts = {title: lobe_plots.motion_figure(before, face_diameter_m=None, system=system)}
            charts[page].draw({title: figure}, ghosts)
        elif page == _OUTLINE:
            riding = lobe_plots.riding_figure(
                motion.flat,
                motion.roller,
                theta_cam_rad=math.radians(self.turn.value),
                face_diameter_m=motion.face_diameter_m,
                system=system,
            )
            shape = lobe_plots.shape_figure(
                motion.flat,
                motion.roller,
                least_nose_radius_m=motion.build.model.least_nose_radius_m,
                pressure_angle_limit_rad=motion.build.limits.pressure_angle_rad,
                face_diameter_m=motion.face_diameter_m,
                face_edge_m=motion.build.model.face_edge_m,
                grinding_wheel_radius_m=motion.build.model.grinding_radius_m,
                system=system,
            )
            self.drawings.value = drawn_html(c, motion.flat if c.follower == "flat" else motion.roller, system)
            charts[page].draw(
                {
                    "The same lift under a flat face and under a roller": riding,
                    "Radius, pressure angle and contact over the turn": shape,
                }
            )
        elif page == _BEST and self.share is not None:
            figure = design_plots.best_figure(motion.card.nominal, self.share, style_of(c.follower, 0), system)
            charts[page].draw({"This card and the best lobe its follower allows": figure})
        elif page == _READINGS:
            self._draw_readings()

    def _show_share(self, found: tuple[LobesInputs, ShareOfBest]) -> None:
        inputs, share = found
        self.share = share
        words = [lobe_views.share_table(share, inputs.system), lobe_views.worth_table(share, inputs.system)]
        self.best_words.value = break_in_views.tables_html(words)
        self.best_wait.value = ""
        self._tell()
        if self.pages.selected_index == _BEST:
            self._draw()

    def _no_share(self, sentence: str) -> None:
        self.share = None
        self.best_words.value = ""
        self._charts[_BEST].draw({})
        self.best_wait.value = f'<div class="ll-note" role="status">No best lobe: {escape(sentence)}</div>'

    def _share_busy(self, share: float | None) -> None:
        self.best_wait.value = "" if share is None else '<div class="ll-quiet">finding the best lobe ...</div>'

    # -- readings ------------------------------------------------------------------------------------------

    def _read_file(self, path: str) -> None:
        if path:
            self._take(lambda: read_readings(path))

    def _table_uploaded(self, _: Any) -> None:
        if not self.table_upload.value:
            return
        file = self.table_upload.value[0]

        def read() -> ReadingsTable:
            try:
                text = bytes(file["content"]).decode("utf-8-sig")
            except UnicodeDecodeError:
                raise BuildError(f"{file['name']} is not UTF-8 text; save it as 'CSV UTF-8'") from None
            return readings_from_text(text, str(file["name"]))

        self._take(read)
        self.table_upload.value = ()

    def _take(self, read: Callable[[], ReadingsTable]) -> None:
        which = self.table_is.value
        try:
            table = read()
            c = self.current().candidate(self.cam.value)
            if table.lift_at == "valve":
                lash = c.intake_lash_m if which == "intake" else c.exhaust_lash_m
                made = lobe_lift_from_valve(
                    table.angle_cam_rad, table.lift_m, rocker_ratio=c.valvetrain.rocker_ratio, lash_m=lash,
                    lift_step_m=table.lift_step_m, lines=table.lines,
                )  # fmt: skip
                found = lobe_from_readings(
                    made.angle_cam_rad, made.lobe_lift_m, lift_step_m=made.lift_step_m, lines=made.lines,
                    handled=(*table.handled, *made.handled),
                )  # fmt: skip
            else:
                found = lobe_from_readings(
                    table.angle_cam_rad, table.lift_m, lift_step_m=table.lift_step_m, lines=table.lines,
                    handled=table.handled,
                )  # fmt: skip
            self.read[which] = (found, table)
            self.readings_message.value = ""
        except LedgerError as trouble:
            self.readings_message.value = f'<div class="ll-error" role="alert">{escape(str(trouble))}</div>'
        self._draw_readings()

    def _drop_readings(self) -> None:
        self.read = {}
        self.table_choice.value = ""
        self.readings_message.value = ""
        self._draw_readings()

    def _draw_readings(self) -> None:
        if not self.read or self.motion is None:
            self._charts[_READINGS].draw({})
            self.readings_words.value = ""
            return
        system, c = self.motion.system, self.motion.candidate
        lobes = {which: pair[0] for which, pair in self.read.items()}
        figures, words = {}, []
        for which, (lobe, table) in self.read.items():
            plain = differenced(table.angle_cam_rad, table.lift_m)
            figures[f"Acceleration from readings, {which}: {table.name}"] = design_plots.readings_figure(
                lobe, plain, style_of(c.follower, 0), system
            )
        both = len(lobes) == 2
        checks = compare_with_card(
            lobes.get("intake"), lobes.get("exhaust"), intake_card=c.intake, exhaust_card=c.exhaust,
            lobe_separation_rad=c.lobe_separation_rad if both else None,
        )  # fmt: skip
        for place, (lobe, _table) in enumerate(self.read.values()):
            words += lobe_views.readings_table(lobe, checks if place == 0 else (), lobe.handled, system)
        self._charts[_READINGS].draw(figures)
        self.readings_words.value = break_in_views.tables_html(words)

    # -- study ---------------------------------------------------------------------------------------------

    def _study(self) -> None:
        def ask() -> None:
            if self.flat_choice.value is None or self.roller_choice.value is None:
                raise BuildError("this build has no flat and roller to compare; give it one of each")
            self.study_words.value = '<div class="ll-quiet">finding best lobes ...</div>'
            flat_id, roller_id = self.flat_choice.value, self.roller_choice.value
            asked = StudyInputs(self.current(), flat_id, roller_id, self.study_at.value, self.system.value)
            self.study_runner.request(asked)

        self.attempt(ask)

    def _show_study(self, found: tuple[StudyInputs, dict[str, Array]]) -> None:
        inputs, table = found
        at = "at 0.050 in" if inputs.at_050 else "between ramp tops"
        figure = design_plots.study_figure(table, at, inputs.system)
        self._charts[_STUDY].draw({"Best lobes over duration": figure})
        self.study_words.value = break_in_views.tables_html([lobe_views.study_table(table, inputs.system)])

    def _no_study(self, sentence: str) -> None:
        self.study_words.value = f'<div class="ll-error" role="alert">{escape(sentence)}</div>'

    def _study_busy(self, share: float | None) -> None:
        self._busy(share)

    # -- handing out ---------------------------------------------------------------------------------------

    def _file(self, which: str) -> Callable[[], tuple[str, str, str] | None]:
        def make() -> tuple[str, str, str] | None:
            motion = self.motion
            if motion is None:
                return None
            c = motion.candidate
            title = f"{motion.build.name}: {c.name}, {motion.which}"
            stem = re.sub(r"[^A-Za-z0-9]+", "-", f"{motion.build.name} {c.id} {motion.which}").strip("-").lower()
            profile = motion.flat if c.follower == "flat" else motion.roller
            try:
                if which == "csv":
                    text = profile_csv_text(profile, title=title, origin=CARD_ORIGIN)
                    return f"{stem}.csv", "text/csv", text
                return f"{stem}.dxf", "image/vnd.dxf", profile_dxf_text(profile, title=title, origin=CARD_ORIGIN)
            except LedgerError as trouble:
                self.fail(str(trouble))
                return None

        return make
