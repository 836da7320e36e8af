"""The valvetrain panel: how fast can it turn before the valve is out of control?

What it computes from, and how          `ValvetrainInputs`, `AtSpeed`, `compute_at_speed`
What follows when that is shown         `Doubts`, `compute_doubts`
The panel                               `ValvetrainPanel`
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.assess.candidate import assess
from lobeledger.assess.lobes import candidate_lobe
from lobeledger.assess.remedies import PricedRemedy, remedies_of
from lobeledger.doubt.limits import wanted_speed
from lobeledger.doubt.speed import SEARCHED_FROM, SEARCHED_TO, safe_speed_of
from lobeledger.errors import NoSolution
from lobeledger.lobe.lift import Lobe
from lobeledger.lobe.outline import Profile, flat_profile, roller_profile
from lobeledger.page.palette import style_of
from lobeledger.page.panels.base import WIDE, boxed
from lobeledger.page.panels.cam import CamPanel
from lobeledger.page.panels.chart import Charts
from lobeledger.page.panels.controls import Control, Controls, Slider
from lobeledger.page.panels.runner import Kept, Progress
from lobeledger.page.plots import valvetrain as valvetrain_plots
from lobeledger.page.words import break_in as break_in_views
from lobeledger.page.words import valvetrain as valvetrain_views
from lobeledger.page.words.glossary import marked
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.sheet.change import change
from lobeledger.train.control import (
    Allowed,
    UsefulLimit,
    allowed_by,
    control_at,
    useful_limit,
    weakest_rung,
)
from lobeledger.train.control import (
    Control as TrainControl,
)
from lobeledger.train.elastic import Train
from lobeledger.train.loss import LossBand
from lobeledger.train.motion import FirstLoss, Run, SpeedPoint, run, sweep
from lobeledger.train.of_candidate import (
    SEARCH_TO_RPM,
    Surge,
    limit_band,
    loss_of,
    search_from_rpm,
    surges_of,
    train_of,
)
from lobeledger.units import from_si, shown_unit

__all__ = ["AtSpeed", "Doubts", "ValvetrainInputs", "ValvetrainPanel", "compute_at_speed", "compute_doubts"]

_FORCE, _MAP, _MOTION, _SPRINGS, _BUYS = range(5)
_EXTRA_RPM = 500.0
_SPEEDS = 40
_CYCLES = 4


@dataclass(frozen=True)
class ValvetrainInputs:
    """A build as read, what was moved, the candidate, its valve and the speed looked at."""

    build: Build
    moved: tuple[tuple[str, Any], ...]
    candidate_id: str
    which: str
    speed_rpm: float
    system: str

    def current(self) -> tuple[Build, Candidate]:
        """The build with what was moved, and the candidate. Raises LedgerError."""
        build = change(self.build, dict(self.moved)) if self.moved else self.build
        return build, build.candidate(self.candidate_id)


@dataclass(frozen=True)
class AtSpeed:
    """The train, where control is lost, and what it does at the speed looked at and over a range of speeds.

    limit: up to which speed this valve is under control. loss: its first touch, a note.
    """

    inputs: ValvetrainInputs
    build: Build
    candidate: Candidate
    train: Train
    lobe: Lobe
    profile: Profile
    rigid_rpm: float
    limit: UsefulLimit
    loss: FirstLoss | None
    run: Run
    points: tuple[SpeedPoint, ...]
    surges: tuple[Surge, ...]

    @property
    def loss_rpm(self) -> float:
        """Crank speed of first touch."""
        return SEARCH_TO_RPM if self.loss is None else self.loss.crank_rpm


_AT_SPEED: Kept[tuple[Build, str, str, float], AtSpeed] = Kept()


def compute_at_speed(inputs: ValvetrainInputs, progress: Progress) -> AtSpeed:
    """Limit and first touch, one speed in full, and a map over speed. Raises LedgerError with one sentence."""
    build, c = inputs.current()
    found = _AT_SPEED.of((build, c.id, inputs.which, inputs.speed_rpm), lambda: _at_speed(inputs, build, c, progress))
    return dataclasses.replace(found, inputs=inputs)


def _at_speed(inputs: ValvetrainInputs, build: Build, c: Candidate, progress: Progress) -> AtSpeed:
    lobe = candidate_lobe(build, c, inputs.which).nominal
    figures = assess(build, c).figures
    if "elastic_limit" not in figures:
        raise NoSolution(
            f"{c.name}: one of its cards won't work with its lifter, so there is nothing to turn; see choose"
        )
    rigid, highest = figures["rigid_limit"].value, build.use.highest_speed_rpm
    train = train_of(c, inputs.which, build.model, build.engine.exhaust_valve_m)
    try:
        loss = loss_of(train, lobe, search_from_rpm(rigid))
    except NoSolution:
        raise NoSolution(
            f"{c.name}: its springs do not hold the {inputs.which} on the lobe even at low rpm; give them more load"
        ) from None
    progress.step(0.3)
    traces = run(train, lobe, inputs.speed_rpm, cycles=_CYCLES, tolerance=1e-6)
    limit = _limit(train, lobe, allowed_by(build.model), highest)
    top = max(1.25 * highest, 1.15 * (SEARCH_TO_RPM if loss is None else loss.crank_rpm))
    top = min(top, SEARCH_TO_RPM)
    points = _map(train, lobe, top)
    base = c.valvetrain.base_circle_radius_m
    profile = (
        flat_profile(lobe, base_radius_m=base)
        if c.wheel_diameter_m is None
        else roller_profile(lobe, base_radius_m=base, roller_radius_m=c.wheel_diameter_m / 2.0)
    )
    surges = surges_of(train, lobe, traces.last)
    return AtSpeed(inputs, build, c, train, lobe, profile, rigid, limit, loss, traces, points, surges)


@functools.lru_cache(maxsize=32)
def _limit(train: Train, lobe: Lobe, allowed: Allowed, highest_rpm: float) -> UsefulLimit:
    """Up to which speed a valve is under control; kept, since the speed looked at does not move it."""
    low, high = SEARCHED_FROM * highest_rpm, SEARCHED_TO * highest_rpm
    return useful_limit(train, lobe, allowed, low_rpm=low, high_rpm=high)


@functools.lru_cache(maxsize=32)
def _map(train: Train, lobe: Lobe, top_rpm: float) -> tuple[SpeedPoint, ...]:
    """What the train does from 1,500 rpm up; kept, since the speed looked at does not move it."""
    speeds = [1500.0 + (top_rpm - 1500.0) * i / (_SPEEDS - 1) for i in range(_SPEEDS)]
    return sweep(train, lobe, speeds, cycles=3, tolerance=1e-6)


@dataclass(frozen=True)
class Doubts:
    """How sure the limit is, what the other valve does, and what would raise the first touch; None where it has none.

    safe_rpm: what nine of ten tries of both valves hold. rung: where below the highest speed control of this valve is
    weakest; at_top: its control there.
    """

    inputs: ValvetrainInputs
    band: LossBand
    other: UsefulLimit
    safe_rpm: float
    rung: TrainControl
    at_top: TrainControl
    remedies: tuple[PricedRemedy, ...] | None


_DOUBTS: Kept[tuple[Build, str, str], Doubts] = Kept()


def compute_doubts(inputs: ValvetrainInputs, progress: Progress) -> Doubts:
    """The other valve, what nine of ten tries hold, the band of the first touch and what moves it: some seconds."""
    build, c = inputs.current()
    found = _DOUBTS.of((build, c.id, inputs.which), lambda: _doubts(inputs, build, c, progress))
    return dataclasses.replace(found, inputs=inputs)


def _doubts(inputs: ValvetrainInputs, build: Build, c: Candidate, progress: Progress) -> Doubts:
    allowed, highest, trains = allowed_by(build.model), build.use.highest_speed_rpm, {}
    for which in ("intake", "exhaust"):
        train = train_of(c, which, build.model, build.engine.exhaust_valve_m)
        trains[which] = (train, candidate_lobe(build, c, which).nominal)
    here = trains.pop(inputs.which)
    (there,) = trains.values()
    other = _limit(*there, allowed, highest)
    rung = weakest_rung(*here, allowed, low_rpm=SEARCHED_FROM * highest, below_rpm=highest)
    at_top = control_at(*here, highest, allowed)
    safe = safe_speed_of(assess(build, c).inputs, c.id, wanted_speed(build)).value
    progress.step(0.3)
    band = limit_band(build, c, inputs.which, candidate_lobe(build, c, inputs.which))
    progress.step(0.6)
    try:
        remedies = remedies_of(build, c, inputs.which, _EXTRA_RPM)
    except NoSolution:
        remedies = None
    return Doubts(inputs, band, other, safe, rung, at_top, remedies)


class ValvetrainPanel(CamPanel[ValvetrainInputs, AtSpeed]):
    """The panel; `widget` is what a cell shows, `later` finds band and remedies."""

    title = "Valvetrain"

    def __init__(self, folder: Path, start: str) -> None:
        super().__init__(folder, "valvetrain", compute_at_speed)
        self.result: AtSpeed | None = None
        self.doubts: Doubts | None = None
        self.later = self.further_runner(
            compute_doubts, self._show_doubts, fail=self._no_doubts, busy=self._doubts_busy, name="valvetrain-doubts"
        )
        self.speed = Slider(
            "look-at", "Look at", 3000.0, lambda _: self.request(), low=1000.0, high=9500.0, step=50.0, unit="rpm",
            css="ll-look-at",
        )  # fmt: skip
        self.speed_controls = Controls("Speed looked at", "ll-speed-box")
        self.speed_controls.fill({"": [self.speed]})
        self.tools.fill({"": [self.reset]})
        self._charts = {place: Charts() for place in range(3)}
        self.turn = Slider(
            "turn", "Cam angle", -40.0, lambda _: self._draw(), low=-120, high=120, step=4, unit="deg", turns=True,
            css="ll-turn",
        )  # fmt: skip
        turn = Controls("Turn the cam", "ll-turn-box")
        turn.fill({"": [self.turn]})
        self.springs, self.buys, self.wait = (w.HTML(layout=WIDE) for _ in range(3))
        self.buys.add_class("ll-buys")
        self.pages = self.turn_pages(
            {
                "Force": self._charts[_FORCE].box,
                "Speed map": self._charts[_MAP].box,
                "Motion": w.VBox([turn.box, self._charts[_MOTION].box], layout=WIDE),
                "Springs": self.springs,
                "How to gain 500 rpm": w.VBox([self.wait, self.buys], layout=WIDE),
            },
            self._draw,
        )
        self.reasons = w.HTML(layout=WIDE)
        self.reasons.add_class("ll-view-why")
        self.widget = self.frame([boxed([self.reasons, self.speed_controls.box, self.pages], "ll-main")])
        self.open_file(start)

    # -- controls ------------------------------------------------------------------------------------------

    def forget(self) -> None:
        """Drop band and remedies of the cam shown before."""
        self.doubts = None

    def open(self, build: Build) -> None:
        """Open a build, looked at at its highest speed."""
        with self.speed_controls.quietly():
            self.speed.value = self.speed.taken(build.use.highest_speed_rpm)
        super().open(build)

    def head_first(self) -> list[Control]:
        """Intake or exhaust."""
        return [self.which]

    def build_of(self, result: AtSpeed) -> Build:
        """The build of the train that is shown."""
        return result.build

    def opened_folds(self) -> Sequence[str]:
        """Springs and top speed, then masses."""
        return ("Springs and top rpm", "Masses")

    def make_controls(self, build: Build) -> dict[str, list[Control]]:
        """Springs, masses, stiffness, speed."""
        system = self.system.value
        c = build.candidate(self.cam.value)
        root = f"candidates.{c.id}"
        own, model = c.valvetrain, build.model

        def of(path: str, text: str, kind: str, si: float, low: float, high: float, step: float) -> Slider:
            unit = shown_unit(kind, system)
            value = round(from_si(si, kind, system), 4)
            return self.slider(path, text, value, low * value, high * value, step, unit)

        springs: list[Control] = [
            self.slider("use.highest_speed", "Top rpm", build.use.highest_speed_rpm, 1500, 9500, 50, "rpm"),
            of(f"{root}.springs.seat_load", "Seat load", "load", c.springs.seat_load_n, 0.4, 2.5, 1),
            of(f"{root}.springs.rate", "Spring rate", "rate", c.springs.rate_n_per_m, 0.4, 2.5, 1),
        ]
        if c.springs.has_inner:
            springs += [
                of(
                    f"{root}.springs.inner_seat_load",
                    "Inner seat load",
                    "load",
                    c.springs.inner_seat_load_n,
                    0.0,
                    2.5,
                    1,
                ),
                of(
                    f"{root}.springs.inner_rate", "Inner spring rate", "rate", c.springs.inner_rate_n_per_m, 0.0, 2.5, 1
                ),
            ]
        valve = f"{self.which.value}_valve_mass"
        valve_kg = own.intake_valve_mass_kg if self.which.value == "intake" else own.exhaust_valve_mass_kg
        masses = [
            of(f"{root}.lifter_mass", "Lifter weight", "mass", c.lifter_mass_kg, 0.5, 2.0, 1),
            of(f"{root}.valvetrain.pushrod_mass", "Pushrod weight", "mass", own.pushrod_mass_kg, 0.5, 2.0, 1),
            of(f"{root}.valvetrain.{valve}", "Valve weight", "mass", valve_kg, 0.5, 1.6, 1),
        ]
        per, of_rate = from_si(1.0, "rate", system), shown_unit("rate", system)
        usual = [f"{round(n_per_m * per, -2):,.0f}" for n_per_m in (3.5e6, 6e6, 8e6, 12e6)]
        stiffness: list[Control] = [
            self.slider(
                "model.valvetrain_stiffness", "Stiffness at the valve", round(model.valvetrain_stiffness_n_per_m * per),
                round(2e6 * per, -2), round(2e7 * per, -2), 500, of_rate,
                "shop rule of thumb: stock {} to {}, stiff pushrods and shaft rockers {} to {}".format(*usual),
            ),
            self.slider("model.valvetrain_damping", "Damping ratio", model.valvetrain_damping, 0.01, 0.2, 0.005, ""),
        ]  # fmt: skip
        if c.lifter == "hydraulic":
            stiffness.append(
                self.slider(
                    "model.oil_bulk_modulus", "Oil stiffness", model.oil_bulk_modulus_pa / 1e9, 0.1, 2.0, 0.05, "GPa",
                    "bulk modulus: air in the oil softens it",
                )
            )  # fmt: skip
        return {"Springs and top rpm": springs, "Masses": list(masses), "Stiffness": stiffness}

    def inputs(self) -> ValvetrainInputs:
        """The build, what was moved, the cam, its valve and the speed looked at."""
        return ValvetrainInputs(
            self.build, self.moved, self.cam.value, self.which.value, self.speed.value, self.system.value
        )

    # -- showing -------------------------------------------------------------------------------------------

    def show(self, result: AtSpeed) -> None:
        """Answer and charts; band and remedies follow."""
        before, self.result = self.result, result
        # The speed looked at moves neither the band nor what buys more.
        key = dataclasses.replace(result.inputs, speed_rpm=0.0)
        if before is None or key != dataclasses.replace(before.inputs, speed_rpm=0.0) or self.doubts is None:
            self.doubts = None
            self.later.request(key)
        self._tell()
        tables = valvetrain_views.spring_tables(
            result.candidate, result.surges, result.inputs.speed_rpm, result.inputs.system
        )
        self.springs.value = break_in_views.tables_html(tables)
        self._draw()

    def _tell(self) -> None:
        result = self.result
        if result is None:
            return
        c, top = result.candidate, result.build.use.highest_speed_rpm
        doubts, reasons = self.doubts, []
        answer = valvetrain_views.limit_sentence(result.limit, top)
        if doubts is not None:
            reasons += valvetrain_views.control_reasons(
                doubts.other, result.limit, doubts.safe_rpm, doubts.rung, doubts.at_top, top
            )
        angle = None if result.loss is None else result.loss.at_cam_rad
        band = None if doubts is None else doubts.band
        reasons.append(valvetrain_views.touch_reason(c, result.loss_rpm, angle, band))
        reasons += valvetrain_views.limit_reasons(
            result.rigid_rpm, result.loss_rpm, result.run.last, result.inputs.system
        )
        self.tell(f"{c.name}, {result.inputs.which}: {answer[0].lower()}{answer[1:]}")
        self.reasons.value = marked("".join(f"<p>{escape(each)}</p>" for each in reasons), place="why")

    def _draw(self) -> None:
        result, page = self.result, self.pages.selected_index
        if result is None or page not in self._charts:
            return
        style, system, ghost = style_of(result.candidate.follower, 0), result.inputs.system, None
        if page == _FORCE:
            title = f"Force on the lobe and valve lift at {result.inputs.speed_rpm:,.0f} rpm"
            figure = valvetrain_plots.force_figure(result.run, result.train, result.lobe, style, system)
            kept = self._before(result)
            if kept is not None:
                ghost = valvetrain_plots.force_figure(kept.run, kept.train, kept.lobe, style, system)
        elif page == _MAP:
            title = "Force, gap and bounce over speed"
            band = self.doubts.band if self.doubts is not None else None
            figure = valvetrain_plots.speed_figure(
                result.points,
                None if result.loss is None else result.loss_rpm,
                None if band is None else (band.low_rpm, band.high_rpm),
                result.build.use.highest_speed_rpm,
                system,
            )
        else:
            title = "Cam, follower and valve; the valve's lift drawn threefold"
            figure = valvetrain_plots.motion_figure_at(
                result.run, result.train, result.lobe, result.profile, math.radians(self.turn.value), style, system
            )
        self._charts[page].draw({title: figure}, {title: ghost} if ghost else None)

    def _before(self, result: AtSpeed) -> AtSpeed | None:
        """The baseline, where it is another build looked at in the same way."""
        kept = self.baseline
        if kept is None or kept.build == result.build:
            return None
        how = (result.inputs.candidate_id, result.inputs.which, result.inputs.speed_rpm)
        return kept if how == (kept.inputs.candidate_id, kept.inputs.which, kept.inputs.speed_rpm) else None

    def _show_doubts(self, doubts: Doubts) -> None:
        self.doubts = doubts
        self.wait.value = ""
        tables = [valvetrain_views.band_table(doubts.band)]
        if doubts.remedies is not None:
            build, c = doubts.inputs.current()
            tables.insert(
                0,
                valvetrain_views.remedy_table(
                    doubts.remedies, build, c, doubts.inputs.which, _EXTRA_RPM, doubts.inputs.system
                ),
            )
        self.buys.value = break_in_views.tables_html(tables)
        self._tell()
        if self.pages.selected_index == _MAP:
            self._draw()

    def _no_doubts(self, sentence: str) -> None:
        self.buys.value = ""
        self.wait.value = f'<div class="ll-note" role="status">{escape(sentence)}</div>'

    def _doubts_busy(self, share: float | None) -> None:
        text = "finding how sure that is and how to gain rpm, some seconds ..."
        self.wait.value = "" if share is None else f'<div class="ll-quiet">{text}</div>'
