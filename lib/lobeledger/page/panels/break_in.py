"""The break-in panel: what must be bought with it, how is it run in, what is at stake?

What it computes from, and how          `BreakInInputs`, `BreakIn`, `compute_break_in`
The panel                               `BreakInPanel`
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.choice.run_in import RunInPlan, run_in_plan
from lobeledger.choice.stake import Stakes, record_changes, stake
from lobeledger.errors import LedgerError
from lobeledger.page.panels.base import WIDE, boxed, round_top
from lobeledger.page.panels.cam import CamPanel
from lobeledger.page.panels.chart import Charts
from lobeledger.page.panels.controls import Control, Download, Note, Select, Text, Tick
from lobeledger.page.panels.decided import decided
from lobeledger.page.panels.record import RecordTick, RecordView, Shelf
from lobeledger.page.panels.runner import Kept, Progress
from lobeledger.page.panels.wear import WearView
from lobeledger.page.paper.order import order_sheet_html
from lobeledger.page.paper.run_in import run_sheet_html
from lobeledger.page.plots import break_in as break_in_plots
from lobeledger.page.plots import compare as plots
from lobeledger.page.words import break_in as break_in_views
from lobeledger.page.words.comparison import Comparison
from lobeledger.page.words.figures import money_text
from lobeledger.page.words.glossary import marked
from lobeledger.page.words.run_in import reasons_not_to_run, run_answer
from lobeledger.page.words.stake import stake_answer
from lobeledger.parts.build import Build
from lobeledger.parts.candidate import Candidate
from lobeledger.parts.rules import Precaution, RiskFactor
from lobeledger.sheet.change import change

__all__ = ["BreakIn", "BreakInInputs", "BreakInPanel", "compute_break_in"]

# Enough for a steady 5 % end while a slider moves; a script may draw a million.
_BUILDS_DRAWN = 100_000
_AT_STAKE = 2  # page of the stakes


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

    title = "Break in"

    def __init__(self, folder: Path, start: str, record: Path | None = None) -> None:
        super().__init__(folder, "break-in", compute_break_in)
        self.result: BreakIn | None = None
        self.shelf = Shelf(record)
        self._by_figures: set[str] = set()
        self.use_record = RecordTick(self.shelf, self.request, self.fail)
        downloads = [
            Download(name, label, self._file(name), hint, f"ll-get-{name}")
            for label, name, hint in (
                ("Order list", "orders", "To print, with a box to tick on each line (HTML)"),
                ("Run sheet", "run", "The break-in step by step, with columns to fill in (HTML)"),
            )
        ]
        self.tools.fill({"": [*downloads, self.reset]})
        self.orders, self.run_in, self.at_stake = (w.HTML(layout=WIDE) for _ in range(3))
        self._stake_charts = Charts()
        self.record = RecordView(self.shelf, self._kept, self._record_changed)
        self.wear = WearView(self.shelf)
        self.pages = self.turn_pages(
            {
                "Order list": w.VBox([self.orders], layout=WIDE),
                "Break-in": w.VBox([self.run_in], layout=WIDE),
                "At stake": w.VBox([self._stake_charts.box, self.at_stake], layout=WIDE),
                "Record": self.record.widget,
                "Wear": self.wear.widget,
            },
            self._draw,
        )
        self.reasons = w.HTML(layout=WIDE)
        self.reasons.add_class("ll-view-why")
        self.widget = self.frame([boxed([self.pages, self.reasons], "ll-main")])
        self.open_file(start)

    def _kept(self) -> tuple[Build, str]:
        return self.current(), self.cam.value

    # -- controls ------------------------------------------------------------------------------------------

    def open(self, build: Build) -> None:
        """Open a build with its answer's cam, or its first, chosen."""
        super().open(build)
        self.wear.fit(build, self.cam.value, self.system.value)

    def build_of(self, result: BreakIn) -> Build:
        """The build as it was compared, the record's changes in it."""
        return result.comparison.build

    def below_controls(self) -> list[w.Widget]:
        """The shop's record."""
        return [self.use_record.box]

    def opened_folds(self) -> Sequence[str]:
        """The break-in."""
        return ("Break-in",)

    def make_controls(self, build: Build) -> dict[str, list[Control]]:
        """Break-in, odds of failure, and money."""
        currency, shop = build.currency, build.shop
        c = build.candidate(self.cam.value)
        stem, hours = f"candidates.{c.id}", c.fitting_time_h
        run_in: list[Control] = []
        if c.follower == "flat":
            run_in += [
                self.slider(f"{stem}.run_in_time", "Break-in time", c.run_in_time_s / 60.0, 5, 60, 1, "min"),
                self.slider(f"{stem}.run_in_speed", "Mean break-in rpm", c.run_in_speed_rpm, 1500, 4000, 50, "rpm"),
                Select(
                    "school", "How the speed is held", c.run_in_school or "varied",
                    lambda new: self.move(f"{stem}.run_in_school", new), css="ll-set-school",
                    options=[["varied", "varied speed"], ["hold", "one speed held"]],
                    hint="Two ways shops do it; neither has a published source",
                ),
            ]  # fmt: skip
        run_in += [
            self.slider(f"{stem}.dyno_time", "Hours on the dyno", c.dyno_time_h, 0, max(6, 2 * c.dyno_time_h), 0.25, "h"),
            self.slider(f"{stem}.fitting_time", "Install hours", hours, 0, max(30, 2 * hours), 0.5, "h"),
            Text(
                "maker", "Maker's instruction", c.maker_instruction or "",
                lambda new: self.move(f"{stem}.maker_instruction", new), css="ll-set-maker", lines=3,
                placeholder="The part maker's own words; they come before everything here.",
            ),
        ]  # fmt: skip

        if c.is_fitted:
            run_in = run_in[-1:]  # what its maker said stays to be read; its break-in is behind it

        def price(path: str, text: str, now: float, unit: str, step: float = 5) -> Control:
            return self.slider(path, text, now, 0, round_top(3 * now), step, unit)

        money = [
            price("shop.labour_rate", "Labor", shop.labour_rate_money_per_h, f"{currency}/h"),
            price("shop.dyno_rate", "Dyno", shop.dyno_rate_money_per_h, f"{currency}/h"),
            price("shop.run_in_oil", "Oil, filter, first service", shop.run_in_oil_money, currency),
            price("limits.budget", "Budget", build.limits.budget_money, currency, 50),
        ]
        return {"Break-in": run_in, "Odds of failure": self._risk(build), "Money": money}

    def _risk(self, build: Build) -> list[Control]:
        c = build.candidate(self.cam.value)
        stem = f"candidates.{c.id}.failure"
        builds, cost = c.failure.worth_builds, c.failure.cost_money
        factors = build.factors_for(c)
        return [
            Note("note-what", c.failure.what, strong=True),
            self.odds(
                f"{stem}.one_in", "Your starting odds", c.failure.one_in, "chance",
                f"{c.failure.what}: before what raises or lowers it, about 1 build in so many",
            ),
            self.slider(f"{stem}.worth_builds", "As sure as after builds", builds, 2, max(200, 2 * builds), 1, ""),
            self.slider(f"{stem}.cost", "Cost if it fails", cost, 0, round_top(3 * cost), 50, build.currency),
            Note("note-factors", "What raises the risk", strong=True),
            *self._boxes("factors", factors, self._factors_there(build, c), lambda on: self._say_factors(stem, on)),
            Note("note-precautions", "What you'll do about it", strong=True),
            *self._boxes(
                "precautions",
                build.precautions_offered(c),
                c.failure.precaution_ids,
                lambda on: self.move(f"{stem}.precautions", " ".join(on)),
            ),
        ]  # fmt: skip

    def _boxes(
        self, key: str, every: Iterable[RiskFactor | Precaution], on: Collection[str], say: Callable[[list[str]], None]
    ) -> list[Tick]:
        """A box a row, by id; `say` is given the ids that are ticked."""

        def moved(_: bool) -> None:
            ticked = [tick for tick in self.controls.every() if tick.key.startswith(f"{key}-") and tick.value]
            say([tick.key.removeprefix(f"{key}-") for tick in ticked])

        return [Tick(f"{key}-{each.id}", each.text, each.id in on, moved, css=f"ll-{key}-{each.id}") for each in every]

    @staticmethod
    def _by_figures_of(build: Build, c: Candidate) -> set[str]:
        """Factors that the figures switch on, whatever the sheet says of them."""
        plain = dataclasses.replace(c, failure=dataclasses.replace(c.failure, factors="", factors_off=""))
        return {f.id for f in build.factors if build.is_automatic(f, plain)}

    def _factors_there(self, build: Build, c: Candidate) -> set[str]:
        """The factors that are there, whether the sheet or the figures say so."""
        return {*c.failure.factor_ids, *(self._by_figures_of(build, c) - set(c.failure.off_ids))}

    def _show_factors(self, build: Build, c: Candidate) -> None:
        """Tick the factors that are there."""
        self._by_figures = self._by_figures_of(build, c)
        there = self._factors_there(build, c)
        with self.controls.quietly():
            for tick in self.controls.every():
                if tick.key.startswith("factors-"):
                    tick.value = tick.key.removeprefix("factors-") in there

    def _say_factors(self, stem: str, on: list[str]) -> None:
        """Write the factors that the figures do not switch on, and those they would and that are not there."""
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
        self.tell(answer, " ".join(self.use_record.told()))
        said = "".join(f"<li>{escape(each)}</li>" for each in reasons)
        self.reasons.value = marked(f"<h2>What is at stake</h2><ul class='ll-reasons'>{said}</ul>", place="why")
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
                "Cost against the odds of a wiped lobe": plots.risk_figure(comparison),
                "What moves the total cost most": break_in_plots.tornado_figure(self.result.stakes, chosen),
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
    """What to do and what it takes, then what is at stake: break-evens first."""
    comparison, build = result.comparison, result.comparison.build
    chosen = result.stakes.of(result.candidate_id)
    stops = reasons_not_to_run(comparison, result.candidate_id)
    do = f"Do not run this as it is: {stops[0].text}. To fix it: {stops[0].give}." if stops else run_answer(result.plan)
    orders = break_in_views.orders_of(build, build.candidate(result.candidate_id), comparison.system)
    count = len(orders["buy"])
    first = comparison.result(result.candidate_id).figures["first_cost"].value
    buy = f"To buy: {count} things; all of it, install and break-in too, comes to {money_text(build)(first)} up front."
    if result.plan.candidate.is_fitted:
        buy = "There is nothing to buy."
    reasons = [
        comparison.break_even_text(b) for b in comparison.break_evens if result.candidate_id in (b.flat_id, b.roller_id)
    ]
    # A pick is made on the choose page, where all that is not sure has been tried.
    return f"{do} {buy}", [*reasons, stake_answer(build, chosen)]
