"""The break-in panel: what must be bought with it, how is it run in, what is at stake?

What it computes from, and how          `BreakInInputs`, `BreakIn`, `compute_break_in`
The panel                               `BreakInPanel`
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.choice.run_in import RunInPlan, run_in_plan
from lobeledger.choice.stake import Stakes, record_changes, stake
from lobeledger.errors import LedgerError
from lobeledger.page.panels import screen
from lobeledger.page.panels.base import WIDE, CamPanel, Charts, decided, round_top
from lobeledger.page.panels.record import RecordTick, RecordView, Shelf
from lobeledger.page.panels.runner import Kept, Progress
from lobeledger.page.panels.wear import WearView
from lobeledger.page.paper.order import order_sheet_html
from lobeledger.page.paper.run_in import run_sheet_html
from lobeledger.page.plots import break_in as break_in_plots
from lobeledger.page.plots import compare as plots
from lobeledger.page.words import break_in as break_in_views
from lobeledger.page.words.comparison import Comparison
from lobeledger.page.words.stake import stake_answer
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.rules import Precaution, RiskFactor
from lobeledger.sheet.change import change

__all__ = ["BreakIn", "BreakInInputs", "BreakInPanel", "compute_break_in"]

# Enough for a steady 5 % end while a slider moves; a script may draw a million.
_BUILDS_DRAWN = 100_000
_ONE_IN = (2, 3, 4, 5, 7, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200, 300, 500, 1000)
_AT_STAKE = 2  # page of the stakes
_LABEL = {"description_width": "104px"}


@dataclass(frozen=True)
class BreakInInputs:
    """A build as read, what was moved, the chosen candidate, and the shop's record by follower if it is to speak."""

    build: Build
    moved: tuple[tuple[str, Any], ...]
    candidate_id: str
    seen: tuple[tuple[str, tuple[int, int]], ...]
    system: str


@dataclass(frozen=True)
class BreakIn:
    """What the panel shows, and what had been moved for it."""

    moved: tuple[tuple[str, Any], ...]
    comparison: Comparison
    stakes: Stakes
    plan: RunInPlan
    candidate_id: str


_STAKES: Kept[Build, Stakes] = Kept()
_PLANS: Kept[tuple[Build, str], RunInPlan] = Kept()


def compute_break_in(inputs: BreakInInputs, progress: Progress) -> BreakIn:
    """Compare the build and weigh what is at stake. Raises LedgerError with one sentence."""
    changes = {**record_changes(inputs.build, dict(inputs.seen)), **dict(inputs.moved)}
    build = change(inputs.build, changes) if changes else inputs.build
    c = build.candidate(inputs.candidate_id)
    found = decided(build, progress)
    stakes = _STAKES.of(build, lambda: stake(found, count=_BUILDS_DRAWN))
    plan = _PLANS.of((build, c.id), lambda: run_in_plan(build, c))
    return BreakIn(inputs.moved, Comparison(found, inputs.system), stakes, plan, c.id)


class BreakInPanel(CamPanel[BreakInInputs, BreakIn]):
    """The panel; `widget` is what a cell shows."""

    def __init__(self, folder: Path, start: str, record: Path | None = None) -> None:
        super().__init__(folder, "break-in", compute_break_in)
        self.result: BreakIn | None = None
        self.shelf = Shelf(record)
        self._factors: dict[str, w.Checkbox] = {}
        self._by_figures: set[str] = set()
        self._is_showing = False
        self.use_record = RecordTick(self.shelf, self.request, self.fail)
        downloads = [
            screen.DownloadButton(self._file(name), label=label, hint=hint)
            for label, name, hint in (
                ("Order list", "orders", "To print, with a box to tick on each line (HTML)"),
                ("Run sheet", "run", "The run-in step by step, with columns to fill in (HTML)"),
            )
        ]
        for button, name in zip(downloads, ("orders", "run"), strict=True):
            button.add_class(f"ll-get-{name}")
        self.bar.children = [self.picker, self.cam, self.upload, self.system, self.reset, *downloads]
        self.orders, self.run_in, self.at_stake = (w.HTML(layout=WIDE) for _ in range(3))
        self._stake_charts = Charts()
        self.record = RecordView(self.shelf, self._kept, self._record_changed)
        self.wear = WearView(self.shelf)
        self.pages = self.turn_pages(
            {
                "Order list": w.VBox([self.orders], layout=WIDE),
                "Run-in": w.VBox([self.run_in], layout=WIDE),
                "At stake": w.VBox([self._stake_charts.box, self.at_stake], layout=WIDE),
                "Record": self.record.widget,
                "Wear": self.wear.widget,
            },
            self._draw,
        )
        body = w.Box([w.VBox([self.controls], layout=WIDE), self.pages])
        body.add_class("ll-body")
        self.widget = self.frame([body])
        self.open_file(start)

    def _kept(self) -> tuple[Build, str]:
        return self.current(), self.cam.value

    # -- controls ------------------------------------------------------------------------------------------

    def open(self, build: Build) -> None:
        """Open a build with its answer's cam, or its first, chosen."""
        super().open(build)
        self.wear.fit(build, self.cam.value, self.system.value)

    def make_controls(self) -> dict[str, list[w.Widget]]:
        """Run-in, chance of a loss, and money."""
        build, currency = self.build, self.build.currency
        c = build.candidate(self.cam.value)
        stem = f"candidates.{c.id}"
        run_in: list[w.Widget] = []
        if c.follower == "flat":
            run_in += [
                self.slider(f"{stem}.run_in_time", "Minutes", c.run_in_time_s / 60.0, 5, 60, 1, "min"),
                self.slider(f"{stem}.run_in_speed", "Mean speed", c.run_in_speed_rpm, 1500, 4000, 50, "rpm"),
                self._school(stem, c.run_in_school or "varied"),
            ]
        run_in += [
            self.slider(f"{stem}.dyno_time", "Dyno", c.dyno_time_h, 0, max(6, 2 * c.dyno_time_h), 0.25, "h"),
            self.slider(
                f"{stem}.fitting_time", "Hours to fit", c.fitting_time_h, 0, max(30, 2 * c.fitting_time_h), 0.5, "h"
            ),
        ]
        maker = w.Textarea(
            value=c.maker_instruction or "", placeholder="The part maker's own words; they come before everything here.",
            layout=w.Layout(width="100%", height="84px"),
        )  # fmt: skip
        maker.continuous_update = False
        maker.add_class("ll-set-maker")
        maker.observe(lambda event: self.move(f"{stem}.maker_instruction", event["new"]), names="value")
        run_in += [w.HTML("<div class='ll-quiet'>Maker's instruction</div>"), maker]
        shop = build.shop
        money = [
            self.slider(
                "shop.labour_rate",
                "Labour",
                shop.labour_rate_money_per_h,
                0,
                round_top(3 * shop.labour_rate_money_per_h),
                5,
                f"{currency}/h",
            ),
            self.slider(
                "shop.dyno_rate",
                "Dyno",
                shop.dyno_rate_money_per_h,
                0,
                round_top(3 * shop.dyno_rate_money_per_h),
                5,
                f"{currency}/h",
            ),
            self.slider(
                "shop.run_in_oil",
                "Oil, filter, first service",
                shop.run_in_oil_money,
                0,
                round_top(3 * shop.run_in_oil_money),
                5,
                currency,
            ),
            self.slider(
                "limits.budget",
                "Budget",
                build.limits.budget_money,
                0,
                round_top(3 * build.limits.budget_money),
                50,
                currency,
            ),
        ]
        return {"Chance of a loss": self._risk(), "Run-in": run_in, "Money": money}

    def _school(self, stem: str, now: str) -> w.Widget:
        school = w.Dropdown(
            options=[("varied speed", "varied"), ("one speed held", "hold")], value=now, description="School",
            style=_LABEL, layout=WIDE, tooltip="Two schools of common practice; neither has a published source",
        )  # fmt: skip
        school.add_class("ll-set-school")
        school.observe(lambda event: self.move(f"{stem}.run_in_school", event["new"]), names="value")
        return school

    def _risk(self) -> list[w.Widget]:
        build = self.build
        c = build.candidate(self.cam.value)
        stem = f"candidates.{c.id}.failure"
        options = sorted({float(n) for n in (*_ONE_IN, c.failure.one_in)})
        chance = w.SelectionSlider(
            options=[(f"1 in {n:,.0f}", n) for n in options], value=c.failure.one_in, description="lost in",
            layout=WIDE, style=_LABEL, tooltip=f"{c.failure.what}: the opinion before factors, about 1 build in so many",
        )  # fmt: skip
        chance.add_class("ll-set-chance")
        chance.observe(lambda event: self.move(f"{stem}.one_in", event["new"]), names="value")
        worth = self.slider(
            f"{stem}.worth_builds",
            "sure as builds",
            c.failure.worth_builds,
            2,
            max(200, 2 * c.failure.worth_builds),
            1,
            "",
        )
        cost = self.slider(
            f"{stem}.cost",
            "cost of one loss",
            c.failure.cost_money,
            0,
            round_top(3 * c.failure.cost_money),
            50,
            build.currency,
        )
        found: list[w.Widget] = [
            w.HTML(f"<span class='ll-quiet'>{escape(c.failure.what)}</span>"),
            chance,
            worth,
            cost,
            self.use_record.box,
        ]
        factors = [f for f in build.factors if f.follower == c.follower]
        self._factors = self._boxes("factors", factors, (), lambda on: self._say_factors(stem, on))
        self._show_factors(build, c)
        precautions = self._boxes(
            "precautions",
            build.precautions_offered(c),
            c.failure.precaution_ids,
            lambda on: self.move(f"{stem}.precautions", " ".join(on)),
        )
        found += [w.HTML("<div class='ll-quiet'>What is against it</div>"), *self._factors.values()]
        found += [w.HTML("<div class='ll-quiet'>What is done about it</div>"), *precautions.values()]
        return found

    @staticmethod
    def _boxes(
        key: str, every: Iterable[RiskFactor | Precaution], on: Collection[str], say: Callable[[list[str]], None]
    ) -> dict[str, w.Checkbox]:
        """A box a row, by id; `say` is given the ids that are ticked."""
        boxes: dict[str, w.Checkbox] = {}
        for each in every:
            box = w.Checkbox(value=each.id in on, description=each.text, indent=False, layout=WIDE)
            box.add_class(f"ll-{key}-{each.id}")
            box.observe(lambda _: say([name for name, box in boxes.items() if box.value]), names="value")
            boxes[each.id] = box
        return boxes

    def _show_factors(self, build: Build, c: Candidate) -> None:
        """Tick the factors that are there, whether the sheet or the figures say so."""
        plain = dataclasses.replace(c, failure=dataclasses.replace(c.failure, factors="", factors_off=""))
        self._by_figures = {f.id for f in build.factors if build.is_automatic(f, plain)}
        there = {*c.failure.factor_ids, *(self._by_figures - set(c.failure.off_ids))}
        self._is_showing = True
        for name, box in self._factors.items():
            box.value = name in there
        self._is_showing = False

    def _say_factors(self, stem: str, on: list[str]) -> None:
        """Write the factors that the figures do not switch on, and those they would and that are not there."""
        if not self._is_showing:
            self.move_all(
                {
                    f"{stem}.factors": " ".join(name for name in on if name not in self._by_figures),
                    f"{stem}.factors_off": " ".join(name for name in sorted(self._by_figures) if name not in on),
                }
            )

    def _record_changed(self) -> None:
        self.use_record.refresh()
        self.wear.refresh()
        if self.use_record.box.value:
            self.request()

    # -- computing and showing -----------------------------------------------------------------------------

    def inputs(self) -> BreakInInputs:
        """The build, what was moved, the cam, and the record if it is to speak."""
        return BreakInInputs(self.build, self.moved, self.cam.value, self.use_record.seen(), self.system.value)

    def show(self, result: BreakIn) -> None:
        """Answer, order list, run-in, stakes."""
        self.result = result
        comparison, chosen = result.comparison, result.candidate_id
        answer, reasons = _answer(result)
        self.tell(answer, [*self.use_record.told(), *reasons])
        if result.moved == self.moved:  # else a newer tick is on its way to its own result
            self._show_factors(comparison.build, comparison.build.candidate(chosen))
        self.orders.value = break_in_views.tables_html(break_in_views.order_tables(comparison, chosen))
        tables = break_in_views.run_in_tables(comparison, result.plan)
        self.run_in.value = break_in_views.tables_html(tables)
        self.at_stake.value = break_in_views.tables_html(break_in_views.stake_tables(result.stakes, chosen))
        self._draw()
        self.wear.fit(comparison.build, chosen, comparison.system)

    def _draw(self) -> None:
        if self.result is None or self.pages.selected_index != _AT_STAKE:
            return
        comparison, chosen = self.result.comparison, self.result.candidate_id
        self._stake_charts.draw(
            {
                "Cost against the chance of a wiped lobe": plots.risk_figure(comparison),
                "What moves the cost of owning most": break_in_plots.tornado_figure(self.result.stakes, chosen),
            }
        )

    def _file(self, which: str) -> Callable[[], tuple[str, str, str] | None]:
        def make() -> tuple[str, str, str] | None:
            result = self.result
            if result is None:
                return None
            stem = (
                re.sub(r"[^A-Za-z0-9]+", "-", f"{result.comparison.build.name} {result.candidate_id}")
                .strip("-")
                .lower()
            )
            try:
                make_sheet = run_sheet_html if which == "run" else order_sheet_html
                return f"{stem}-{which}.html", "text/html", make_sheet(result.comparison, result.candidate_id)
            except LedgerError as trouble:
                self.fail(str(trouble))
                return None

        return make


def _answer(result: BreakIn) -> tuple[str, list[str]]:
    """The answer sentence and its reasons: break-evens first."""
    chosen = result.stakes.of(result.candidate_id)
    own = [
        result.comparison.break_even_text(b)
        for b in result.comparison.break_evens
        if result.candidate_id in (b.flat_id, b.roller_id)
    ]
    answer, *rest = [*own, stake_answer(result.comparison.build, chosen)]
    return answer, [*rest, f"The verdict: {result.comparison.answer}"]
