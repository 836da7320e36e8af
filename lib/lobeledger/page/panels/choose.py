"""The choose panel: which cam for this build, and what will it cost?

What it computes from, and how          `ChooseInputs`, `compute_choice`
The panel                               `ChoosePanel`
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.choice.stake import record_changes
from lobeledger.errors import BuildError, LedgerError
from lobeledger.page.panels import screen
from lobeledger.page.panels.base import WIDE, Charts, SheetPanel, decided, file_stem, round_top
from lobeledger.page.panels.record import RecordTick, Shelf
from lobeledger.page.panels.runner import Progress
from lobeledger.page.paper import customer as report
from lobeledger.page.paper.quote import quote_html
from lobeledger.page.plots import compare as plots
from lobeledger.page.words.comparison import Comparison
from lobeledger.page.words.figures import ORIGIN_WORDS
from lobeledger.page.words.flips import input_text
from lobeledger.parts.build import Build
from lobeledger.sheet.change import change, sheet_text, write_build
from lobeledger.sheet.open import build_from_text, starter_sheet

__all__ = ["ChooseInputs", "ChoosePanel", "compute_choice"]

_ONE_IN = (2, 3, 4, 5, 7, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200, 300, 500, 1000)


@dataclass(frozen=True)
class ChooseInputs:
    """What the choose panel computes from: a build as read, the values moved since, the candidates left in.

    seen: losses and builds of the shop's record by follower, if it is to speak. details: with what takes longer to find.
    """

    build: Build
    moved: tuple[tuple[str, Any], ...]
    left_in: tuple[str, ...]
    system: str
    seen: tuple[tuple[str, tuple[int, int]], ...] = ()
    details: bool = False


def compute_choice(inputs: ChooseInputs, progress: Progress) -> Comparison:
    """Compare the build with its moved values. Raises LedgerError with one sentence."""
    changes = {**record_changes(inputs.build, dict(inputs.seen)), **dict(inputs.moved)}
    build = change(inputs.build, changes) if changes else inputs.build
    kept = tuple(c for c in build.candidates if c.id in inputs.left_in)
    if not kept:
        raise BuildError("no candidate is ticked: tick at least one to compare")
    found = decided(dataclasses.replace(build, candidates=kept), progress, details=inputs.details)
    return Comparison(found, inputs.system)


class ChoosePanel(SheetPanel[ChooseInputs, Comparison]):
    """The panel; `widget` is what a cell shows."""

    def __init__(self, folder: Path, start: str, record: Path | None = None) -> None:
        super().__init__(folder, "choose", compute_choice)
        self.comparison: Comparison | None = None
        self.use_record = RecordTick(Shelf(record), self.request, self.fail)
        # The best lobes take their time: the rest is shown first, and the table is filled in when they are there.
        self.later = self.further_runner(compute_choice, self._views, fail=lambda sentence: None, name="choose-best")
        self.table = w.HTML(layout=WIDE)
        self.table.add_class("ll-view-table")
        self._make_bar()
        self._charts = Charts(wide=("Valve lift",))
        self.charts = self._charts.box
        body = w.Box([w.VBox([self.controls], layout=WIDE), w.VBox([self.table], layout=WIDE)])
        body.add_class("ll-body")
        self.widget = self.frame([body, self.charts])
        self.open_file(start)

    # -- the bar ------------------------------------------------------------------------------------------

    def _make_bar(self) -> None:
        fresh = self.button(
            "Start new", "A small build to start from; change it here or download its sheet", self._fresh
        )
        fresh.add_class("ll-fresh")
        self.save_name = w.Text(
            placeholder="save as ...", layout=w.Layout(width="120px"), tooltip="A name for this build"
        )
        self.save_name.add_class("ll-save-name")
        save = self.button("Save", "Save this build under the name given, beside the others", self._save)
        save.add_class("ll-save")
        downloads = [
            screen.DownloadButton(self._file(name), label=label, hint=hint)
            for label, name, hint in (
                ("Customer sheet", "sheet", "Two pages to print for the customer (HTML)"),
                ("Quote", "quote", "Lines, quantities, prices and tax of the answer (HTML)"),
                ("Table", "table", "Every figure of every candidate (CSV)"),
                ("Build sheet", "build", "This build, to keep or to edit (TOML)"),
            )
        ]
        for button, name in zip(downloads, ("sheet", "quote", "table", "build"), strict=True):
            button.add_class(f"ll-get-{name}")
        self.bar.children = [self.picker, self.upload, fresh, self.system, self.reset, self.save_name, save, *downloads]

    def _fresh(self) -> None:
        def start() -> None:
            self.open_elsewhere(build_from_text(starter_sheet(), "new build"), "new")
            self.say(
                "A small invented build to start from. Put in your own figures under 'Whole sheet' on the left "
                "(each line says what it is), or move the sliders; then save it under a name."
            )

        self.attempt(start)

    # -- controls ------------------------------------------------------------------------------------------

    def make_controls(self) -> dict[str, list[w.Widget]]:
        """Use, money, chances, candidates, and the whole sheet."""
        build = self.build
        use, limits = build.use, build.limits
        currency = build.currency
        rows = [
            self.slider("use.highest_speed", "Highest speed", use.highest_speed_rpm, 1500, 9500, 50, "rpm"),
            self.slider(
                "use.hours_a_year", "Hours a year", use.hours_a_year_h, 0, max(400, 2 * use.hours_a_year_h), 5, "h"
            ),
            self.slider("use.years", "Years counted", use.years, 1, max(15, 2 * use.years), 1, ""),
            *self._bands(),
        ]
        money = [
            self.slider("limits.budget", "Budget", limits.budget_money, 0, round_top(3 * limits.budget_money), 50, currency),
            self.slider("limits.torque_worth", "1 % torque worth", limits.torque_worth_money, 0, round_top(max(200, 3 * limits.torque_worth_money)), 5, currency),
            self.slider("shop.labour_rate", "Labour", build.shop.labour_rate_money_per_h, 0, round_top(3 * build.shop.labour_rate_money_per_h), 5, f"{currency}/h"),
            self.slider("shop.dyno_rate", "Dyno", build.shop.dyno_rate_money_per_h, 0, round_top(3 * build.shop.dyno_rate_money_per_h), 5, f"{currency}/h"),
            *self._prices(),
        ]  # fmt: skip
        risks = [self.use_record.box, *(widget for c in build.candidates for widget in self._risk(c.id))]
        ticks = [self._tick(c.id, c.name) for c in build.candidates]
        self._ticks = dict(zip((c.id for c in build.candidates), ticks, strict=True))
        return {
            "Use": rows,
            "Money": money,
            "Chances of failure": risks,
            "Candidates": ticks,
            "Whole sheet": self._whole_sheet(),
        }

    def _bands(self) -> list[w.Widget]:
        """Speed bands: a range and a weight each; the weights are made to add up."""
        found: list[w.Widget] = [
            w.HTML('<div class="ll-quiet">Speeds where torque matters, and the time spent there</div>')
        ]
        self._band_sliders: list[tuple[w.FloatRangeSlider, w.FloatSlider]] = []
        for band in self.build.use.bands:
            span = w.FloatRangeSlider(
                value=(band.from_rpm, band.to_rpm), min=500, max=9500, step=50, readout_format=",.0f", layout=WIDE,
                description="rpm", style={"description_width": "104px"},
            )  # fmt: skip
            weight = w.FloatSlider(
                value=100 * band.share, min=0, max=100, step=1, readout_format=".0f", layout=WIDE, description="share of time %",
                style={"description_width": "104px"},
            )  # fmt: skip
            for slider in (span, weight):
                slider.observe(lambda _: self._move_bands(), names="value")
            self._band_sliders.append((span, weight))
            found += [span, weight]
        return found

    def _move_bands(self) -> None:
        total = sum(weight.value for _, weight in self._band_sliders)
        if total <= 0.0:
            self._compute_failed("the shares of time are all zero: give at least one band some time")
            return
        bands = [
            {"from": f"{span.value[0]:g} rpm", "to": f"{span.value[1]:g} rpm", "share": weight.value / total}
            for span, weight in self._band_sliders
        ]
        self.move("use.bands", bands)

    def _risk(self, candidate_id: str) -> list[w.Widget]:
        candidate = self.build.candidate(candidate_id)
        now = candidate.failure.one_in
        options = sorted({float(n) for n in (*_ONE_IN, now)})
        stem = f"candidates.{candidate_id}.failure"
        slider = w.SelectionSlider(
            options=[(f"1 in {n:,.0f}", n) for n in options], value=now, description="lost in", layout=WIDE,
            style={"description_width": "104px"}, tooltip=f"{candidate.failure.what}: about 1 build in so many",
        )  # fmt: skip
        slider.add_class(f"ll-set-chance-{candidate_id}")
        slider.observe(lambda event: self.move(f"{stem}.one_in", event["new"]), names="value")
        money = candidate.failure.cost_money
        price = self.slider(f"{stem}.cost", "cost of one loss", money, 0, round_top(3 * money), 50, self.build.currency)
        head = w.HTML(f"<b>{escape(candidate.name)}</b> <span class='ll-quiet'>{escape(candidate.failure.what)}</span>")
        return [head, slider, price]

    def _prices(self) -> list[w.Widget]:
        """The two dearest things to buy of each candidate, and its fitting time."""
        found: list[w.Widget] = []
        for c in self.build.candidates:
            found.append(w.HTML(f"<b>{escape(c.name)}</b>"))
            dearest = sorted(range(len(c.parts)), key=lambda i: -c.parts[i].price_money * c.parts[i].quantity)[:2]
            for i in dearest:
                now = c.parts[i].price_money
                if now > 0:
                    found.append(
                        self.slider(f"candidates.{c.id}.parts.{i}.price", c.parts[i].item, now, 0, round_top(3 * now), 5, self.build.currency, c.parts[i].item)
                    )  # fmt: skip
            found.append(
                self.slider(
                    f"candidates.{c.id}.fitting_time",
                    "hours to fit",
                    c.fitting_time_h,
                    0,
                    max(30, 2 * c.fitting_time_h),
                    0.5,
                    "h",
                )
            )
        return found

    def _tick(self, candidate_id: str, name: str) -> w.Checkbox:
        box = w.Checkbox(value=True, description=name, indent=False, layout=WIDE)
        box.add_class(f"ll-tick-{candidate_id}")
        box.observe(lambda _: self.request(), names="value")
        return box

    def _whole_sheet(self) -> list[w.Widget]:
        self.sheet_text = w.Textarea(layout=w.Layout(width="100%", height="420px"))
        self.sheet_text.add_class("ll-sheet-text")
        self.sheet_text.value = sheet_text(self.build)

        def apply() -> None:
            self.attempt(lambda: self.open(build_from_text(self.sheet_text.value, "the sheet")))
            # The text is long: what is wrong with it is said beside the button too.
            said.value = self.message.value

        said = w.HTML(layout=WIDE)
        button = self.button("Use this sheet", "Read the text above as the build", apply)
        button.add_class("ll-apply")
        return [
            w.HTML(
                '<div class="ll-quiet">Everything there is to say about the build. Change it and press the button below.</div>'
            ),
            self.sheet_text,
            button,
            said,
        ]

    # -- computing and showing -----------------------------------------------------------------------------

    def inputs(self) -> ChooseInputs:
        """The build, what was moved, and the candidates ticked."""
        left_in = tuple(cid for cid, tick in self._ticks.items() if tick.value)
        return ChooseInputs(self.build, self.moved, left_in, self.system.value, self.use_record.seen())

    def show(self, comparison: Comparison) -> None:
        """Answer, table, charts."""
        self.later.request(dataclasses.replace(self.inputs(), details=True))
        self._views(comparison)

    def _views(self, comparison: Comparison) -> None:
        self.comparison = comparison
        more = (text for text in comparison.next_texts if text not in comparison.reasons)
        self.tell(comparison.answer, (*comparison.reasons, *more))
        self.table.value = report.side_table_html(comparison)
        self.footer.value = _footer(comparison)
        self._charts.draw(
            {
                "Total cost, by where it goes": plots.cost_figure(comparison),
                "Room left at each limit": plots.margin_figure(comparison),
                "Cost against the chance of a wiped lobe": plots.risk_figure(comparison),
                "Torque over speed": plots.torque_figure(comparison),
                "Valve lift": plots.lift_figure(comparison),
            }
        )

    # -- saving and handing out ----------------------------------------------------------------------------

    def _save(self) -> None:
        def save() -> None:
            stem = file_stem(self.save_name.value)
            path = write_build(self.current(), self.folder / f"{stem}.toml")
            self.list_builds(stem)
            self.say(f"Saved as {path.name}; it is in the list of builds from now on.")

        self.attempt(save)

    def _file(self, which: str) -> Callable[[], tuple[str, str, str] | None]:
        def make() -> tuple[str, str, str] | None:
            comparison = self.comparison
            if comparison is None:
                return None
            stem = re.sub(r"[^A-Za-z0-9]+", "-", comparison.build.name).strip("-").lower() or "build"
            try:
                if which == "sheet":
                    return f"{stem}-sheet.html", "text/html", report.customer_sheet_html(comparison)
                if which == "quote":
                    return (
                        f"{stem}-quote.html",
                        "text/html",
                        quote_html(comparison, candidate_id=comparison.winner_id or comparison.nearest_id),
                    )
                if which == "table":
                    return f"{stem}-table.csv", "text/csv", comparison.table.to_csv(index=False)
                return f"{stem}.toml", "application/toml", sheet_text(self.current())
            except LedgerError as trouble:
                self.fail(str(trouble))
                return None

        return make


def _called(build: Build, path: str) -> str:
    """What an input is called, and whose it is."""
    whose = f" ({build.candidate(path.split('.')[1]).name})" if path.startswith("candidates.") else ""
    return f"{input_text(build, path)}{whose}"


def _footer(comparison: Comparison) -> str:
    count = len(comparison.assumptions)
    rows = "".join(
        f"<tr><td>{escape(_called(comparison.build, str(r['path'])))}</td><td>{escape(str(r['written']))}</td>"
        f"<td>{escape(ORIGIN_WORDS.get(str(r['origin']), str(r['origin'])))}</td><td>{escape(str(r['note']))}</td></tr>"
        for r in comparison.assumptions.to_dict("records")
    )
    cautions = "".join(
        f"<li><b>{escape(r.candidate.name)}</b>: {escape(text)}</li>"
        for r in comparison.results
        for text in comparison.cautions(r.candidate.id)
    )
    return (
        (
            f"<details open><summary><b>Watch</b></summary><ul class='ll-reasons'>{cautions}</ul></details>"
            if cautions
            else ""
        )
        + f"<details><summary><b>{count} numbers we filled in</b>, because the sheet does not say</summary>"
        f"<table class='ll-side' style='width:auto'><tbody>{rows}</tbody></table></details>"
        "<p class='ll-quiet'>Estimates to choose by, not dynamometer figures. The part makers' instructions and local rules come first. "
        "A running engine, hot oil and springs under load can hurt: exhaust outside, extinguisher at hand, glasses and a proper spring compressor.</p>"
    )
