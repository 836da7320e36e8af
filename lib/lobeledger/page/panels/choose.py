"""The choose panel: which cam for this build, and what will it cost?

What it computes from, and how          `ChooseInputs`, `compute_choice`
The panel                               `ChoosePanel`
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.choice.stake import record_changes
from lobeledger.errors import BuildError, LedgerError
from lobeledger.page.panels.base import WIDE, SheetPanel, boxed, file_stem, round_top
from lobeledger.page.panels.chart import Charts, LiveChart
from lobeledger.page.panels.controls import Button, Control, Controls, Download, Note, Numbers, Pick, Select, Tick
from lobeledger.page.panels.decided import decided
from lobeledger.page.panels.form import (
    BuildForm,
    CamForm,
    CamsForm,
    FormBox,
    LiftersForm,
    PricesForm,
    SpringsForm,
)
from lobeledger.page.panels.record import RecordTick, Shelf
from lobeledger.page.panels.runner import Progress
from lobeledger.page.paper import customer as report
from lobeledger.page.paper.quote import quote_html
from lobeledger.page.plots import compare as plots
from lobeledger.page.words.board import board_html, change_text
from lobeledger.page.words.comparison import Comparison
from lobeledger.page.words.figures import ORIGIN_WORDS
from lobeledger.page.words.flips import input_text
from lobeledger.page.words.glossary import marked
from lobeledger.parts.build import Build
from lobeledger.sheet.change import change, sheet_text, write_build
from lobeledger.sheet.open import build_from_text, starter_sheet

__all__ = ["ChooseInputs", "ChoosePanel", "compute_choice"]

_CHART_PX = 270
_COST, _ROOM, _RISK = (
    "Total cost, by where it goes",
    "Room left at each limit",
    "Cost against the odds of a wiped lobe",
)


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
        raise BuildError("no cam is ticked; tick at least one to compare")
    found = decided(dataclasses.replace(build, candidates=kept), progress, details=inputs.details)
    return Comparison(found, inputs.system)


class ChoosePanel(SheetPanel[ChooseInputs, Comparison]):
    """The panel; `widget` is what a cell shows."""

    title = "Choose a cam"

    def __init__(self, folder: Path, start: str, record: Path | None = None) -> None:
        self._left_out: set[str] = set()
        super().__init__(folder, "choose", compute_choice)
        self.comparison: Comparison | None = None
        self._baselines: dict[bool, Comparison] = {}
        self.use_record = RecordTick(Shelf(record), self.request, self.fail)
        # The best lobes take their time: the rest is shown first, and the table is filled in when they are there.
        self.later = self.further_runner(
            compute_choice, self._shown_later, fail=lambda sentence: None, name="choose-best"
        )
        self.board, self.why, self.table = (w.HTML(layout=WIDE) for _ in range(3))
        for view, kind in ((self.board, "board"), (self.why, "why"), (self.table, "table")):
            view.add_class(f"ll-view-{kind}")
        self._make_tools()
        self._make_chart()
        self._charts = Charts(wide=(_RISK,))
        self.charts = self._charts.box
        self._make_entries()
        heading = w.HTML("<h2>More charts</h2>")
        heading.add_class("ll-charts-head")
        more = boxed([self.why, heading, self.charts, self.table], "ll-more")
        self.widget = self.frame([self.entry_box, self.board, self.chart_box, more])
        self.open_file(start)

    # -- the head -----------------------------------------------------------------------------------------

    def _make_tools(self) -> None:
        fresh = Button(
            "fresh", "New build", self._fresh, css="ll-fresh",
            hint="A small build to start from; change it here or download its sheet",
        )  # fmt: skip
        self.save_name = w.Text(
            placeholder="Name for this copy", layout=w.Layout(width="190px"), tooltip="A name for this build"
        )
        self.save_name.add_class("ll-save-name")
        save = Button(
            "save", "Save", self._save, css="ll-save", hint="Save this build under the name given, beside the others"
        )
        downloads = [
            Download(name, label, self._file(name), hint, f"ll-get-{name}")
            for label, name, hint in (
                ("Customer sheet", "sheet", "Two pages to print for the customer (HTML)"),
                ("Quote", "quote", "Lines, quantities, prices and tax of the answer (HTML)"),
                ("Table", "table", "Every figure of every cam (CSV)"),
                ("Build sheet", "build", "This build, to keep or to edit (TOML)"),
            )
        ]
        self.tools.fill({"": [save, fresh, *downloads, self.reset]})
        self.tray.children = [self.upload, self.save_name, self.tools.box]

    def _fresh(self) -> None:
        def start() -> None:
            self.open_elsewhere(build_from_text(starter_sheet(), "new build"), "new")
            self.say(
                "A small invented build to start from. Put in your own figures under 'Whole sheet' (each line says what "
                "it is), or move the sliders; then save it under a name."
            )

        self.attempt(start)

    # -- forms in a box of their own -----------------------------------------------------------------------

    def entries(self) -> dict[str, tuple[str, Callable[[], w.Widget]]]:
        """What can be entered, by name: what its button says, and the maker of the form that it shows.

        A form hands the build it makes to `take`; if it has a `refresh(system)`, that is called after each result.
        """
        return {
            "cam": ("Enter a cam", self._made(CamForm)),
            "cams": ("The cams", self._made(CamsForm)),
            "springs": ("Springs", self._made(SpringsForm)),
            "lifters": ("Lifters", self._made(LiftersForm)),
            "prices": ("Prices", self._made(PricesForm)),
            "engine": ("Engine and car", self._made(BuildForm)),
            "sheet": ("Whole sheet", self._whole_sheet),
        }

    def _made(self, kind: type[FormBox]) -> Callable[[], w.Widget]:
        return lambda: kind(self.current, self.take, self.system.value)

    def head_first(self) -> list[Control]:
        """The way to the one thing a builder with a card in hand wants first."""
        self.enter_button = Button(
            "enter", "Enter a cam", self._turn_to("cam"), expanded=False, css="ll-enter",
            hint="From its card, from opening and closing events, or from what little is known",
        )  # fmt: skip
        return [self.enter_button]

    def _make_entries(self) -> None:
        self.entry_box = boxed([], "ll-entry")
        self.entry_box.layout.display = "none"
        self.entry_buttons = Controls("What you can enter", "ll-entries")
        self._entry = ""
        self._form: w.Widget | None = None
        self.entry_buttons.fill(
            {
                "": [
                    Button(name, label, self._turn_to(name), expanded=False, css=f"ll-enter-{name}")
                    for name, (label, _) in self.entries().items()
                ]
            }
        )

    def _turn_to(self, name: str) -> Callable[[], None]:
        return lambda: self.show_entry("" if name == self._entry else name)

    def show_entry(self, name: str) -> None:
        """Show the form of this name, or with '' none."""
        self._entry = name
        self._form = self.entries()[name][1]() if name else None
        self.entry_box.children = [self._form] if self._form is not None else []
        self.entry_box.layout.display = "" if name else "none"
        for button in self.entry_buttons.every():
            button.show(expanded=button.key == name)
        self.entry_buttons.push()
        self.enter_button.show(expanded=name == "cam")
        self.head.push()

    def _whole_sheet(self) -> w.Widget:
        self.sheet_text = w.Textarea(layout=w.Layout(width="100%", height="420px"))
        self.sheet_text.add_class("ll-sheet-text")
        self.sheet_text.value = sheet_text(self.current())

        def apply() -> None:
            self.attempt(lambda: self.take(build_from_text(self.sheet_text.value, "the sheet"), "the changed sheet"))
            # The text is long: what is wrong with it is said beside the button too.
            said.value = self.message.value

        said = w.HTML(layout=WIDE)
        button = self.button("Apply changes", "Read the text above as the build", apply)
        button.add_class("ll-apply")
        words = "The whole build sheet. Change it, then press Apply changes."
        return boxed([w.HTML(f"<h2>Whole sheet</h2><p>{words}</p>"), self.sheet_text, button, said], "ll-form")

    # -- controls ------------------------------------------------------------------------------------------

    def below_controls(self) -> list[w.Widget]:
        """The shop's record, and what can be entered."""
        return [self.use_record.box, self.entry_buttons.box]

    def opened_folds(self) -> Sequence[str]:
        """Driving and money."""
        return ("Driving", "Money")

    def make_controls(self, build: Build) -> dict[str, list[Control]]:
        """Use, money, chances, prices and candidates."""
        use, limits, shop, currency = build.use, build.limits, build.shop, build.currency
        driving: list[Control] = [
            self.slider("use.highest_speed", "Top rpm", use.highest_speed_rpm, 1500, 9500, 50, "rpm"),
            self.slider(
                "use.hours_a_year",
                "Engine hours a year",
                use.hours_a_year_h,
                0,
                max(400, 2 * use.hours_a_year_h),
                5,
                "h",
            ),
            self.slider("use.years", "Years you'll own it", use.years, 1, max(15, 2 * use.years), 1, ""),
        ]
        budget, worth, labour, dyno = (
            limits.budget_money, limits.torque_worth_money, shop.labour_rate_money_per_h, shop.dyno_rate_money_per_h,
        )  # fmt: skip
        money: list[Control] = [
            self.slider("limits.budget", "Budget", budget, 0, round_top(3 * budget), 50, currency),
            self.slider(
                "limits.torque_worth", "1% more torque is worth", worth, 0, round_top(max(200, 3 * worth)), 5, currency
            ),
            self.slider("shop.labour_rate", "Labor", labour, 0, round_top(3 * labour), 5, f"{currency}/h"),
            self.slider("shop.dyno_rate", "Dyno", dyno, 0, round_top(3 * dyno), 5, f"{currency}/h"),
        ]
        risks = [control for c in build.candidates for control in self._risk(build, c.id)]
        ticks = [
            Tick(f"tick-{c.id}", c.name, c.id not in self._left_out, self._ticked(c.id), css=f"ll-tick-{c.id}")
            for c in build.candidates
        ]
        return {
            "Driving": driving,
            "Money": money,
            "Rpm you use, and how often": self._bands(build),
            "Prices and install hours": self._prices(build),
            "Odds of failure": risks,
            "Cams compared": list(ticks),
        }

    def _ticked(self, candidate_id: str) -> Callable[[bool], None]:
        def act(is_in: bool) -> None:
            (self._left_out.discard if is_in else self._left_out.add)(candidate_id)
            self.request()

        return act

    def _bands(self, build: Build) -> list[Control]:
        """Bands of speed: from, to and a weight each; the weights are made to add up."""
        parts = [
            {"label": "from", "unit": "", "low": 500, "high": 9500},
            {"label": "to", "unit": "rpm", "low": 500, "high": 9500},
            {"label": "share", "unit": "%", "low": 0, "high": 100},
        ]
        return [
            Numbers(
                f"band-{i}", f"Band {i + 1}", (band.from_rpm, band.to_rpm, round(100 * band.share, 2)),
                lambda _: self._move_bands(), parts=parts, css="ll-band",
            )
            for i, band in enumerate(build.use.bands)
        ]  # fmt: skip

    def _move_bands(self) -> None:
        values = [control.value for control in self.controls.every() if control.key.startswith("band-")]
        total = sum(share for _, _, share in values)
        if total <= 0.0:
            self._compute_failed("the shares of time are all zero: give at least one band some time")
            return
        bands = [{"from": f"{low:g} rpm", "to": f"{high:g} rpm", "share": share / total} for low, high, share in values]
        self.move("use.bands", bands)

    def _risk(self, build: Build, candidate_id: str) -> list[Control]:
        c = build.candidate(candidate_id)
        stem, money = f"candidates.{c.id}.failure", c.failure.cost_money
        return [
            Note(f"note-risk-{c.id}", f"{c.name}: {c.failure.what}", strong=True),
            self.odds(
                f"{stem}.one_in", "Odds of failure", c.failure.one_in, f"chance-{c.id}",
                f"{c.failure.what}: about 1 build in so many",
            ),
            self.slider(f"{stem}.cost", "Cost if it fails", money, 0, round_top(3 * money), 50, build.currency),
        ]  # fmt: skip

    def _prices(self, build: Build) -> list[Control]:
        """The two dearest things to buy of each candidate, and its fitting time."""
        found: list[Control] = []
        for c in build.candidates:
            found.append(Note(f"note-price-{c.id}", c.name, strong=True))
            stem, hours = f"candidates.{c.id}", c.fitting_time_h
            dearest = sorted(range(len(c.parts)), key=lambda i: -c.parts[i].price_money * c.parts[i].quantity)[:2]
            for i in dearest:
                now, item = c.parts[i].price_money, c.parts[i].item
                if now > 0:
                    path = f"{stem}.parts.{i}.price"
                    found.append(self.slider(path, item, now, 0, round_top(3 * now), 5, build.currency, item))
            found.append(self.slider(f"{stem}.fitting_time", "Install hours", hours, 0, max(30, 2 * hours), 0.5, "h"))
        return found

    # -- computing -----------------------------------------------------------------------------------------

    def inputs(self) -> ChooseInputs:
        """The build, what was moved, and the candidates ticked."""
        left_in = tuple(c.id for c in self.build.candidates if c.id not in self._left_out)
        return ChooseInputs(self.build, self.moved, left_in, self.system.value, self.use_record.seen())

    def build_of(self, result: Comparison) -> Build:
        """The build that was compared."""
        return result.build

    # -- showing -------------------------------------------------------------------------------------------

    def show(self, result: Comparison) -> None:
        """Answer, board, charts, table; what takes longer follows."""
        self.later.request(dataclasses.replace(self.inputs(), details=True))
        self._views(result)

    def _set_baseline(self, result: Comparison) -> None:
        self._baselines = {_is_full(result): result}
        super()._set_baseline(result)

    def _shown_later(self, comparison: Comparison) -> None:
        # A first answer and a full one differ a little: each is told against a baseline of its own kind.
        first = self._baselines.get(False)
        if first is not None and True not in self._baselines and first.build == comparison.build:
            self._baselines[True] = comparison
        self.latest = comparison
        self._views(comparison)

    def _before(self) -> Comparison | None:
        """The baseline of what stands, if it is another one."""
        now = self.comparison
        if now is None or not self._baselines:
            return None
        kept = self._baselines.get(_is_full(now)) or next(iter(self._baselines.values()))
        return None if kept.build == now.build else kept

    def _views(self, comparison: Comparison) -> None:
        self.comparison = comparison
        before, look = self._before(), plots.styles(comparison)
        self.tell(comparison.answer, change_text(comparison, before, self.baseline_is))
        self.board.value = marked(board_html(comparison, look, before), place="board")
        self._fill_against(comparison)
        self._draw_chart()
        more = (text for text in comparison.next_texts if text not in comparison.reasons)
        self.why.value = marked(_why(comparison, [*comparison.reasons, *more]), place="why")
        self.table.value = (
            "<h2>All figures</h2><div class='ll-scroll' tabindex='0' role='region' aria-label='All figures'>"
            f"{report.side_table_html(comparison, before)}</div>"
        )
        self._charts.draw(
            {
                _COST: plots.cost_figure(comparison),
                _ROOM: plots.margin_figure(comparison),
                _RISK: plots.risk_figure(comparison),
            }
        )
        self.footer.value = _footer(comparison)
        # A form that shows what the build is follows what was done elsewhere.
        refresh = getattr(self._form, "refresh", None)
        if refresh is not None:
            refresh(self.system.value)

    # -- the one chart of the first screen -----------------------------------------------------------------

    def _make_chart(self) -> None:
        self.chart = LiveChart()
        self.which = Pick(
            "which", "Chart", "torque", lambda _: self._draw_chart(), css="ll-which-chart",
            options=[["torque", "Torque"], ["lift", "Valve lift"]],
        )  # fmt: skip
        self.against = Select("against", "against", "", lambda _: self._draw_chart(), options=[["", "the average cam"]])
        self.ghosts = Tick("ghosts", "Show before", True, lambda _: self._draw_chart(), css="ll-ghosts")
        self.chart_bar = Controls("Chart", "ll-chart-bar")
        self.chart_bar.fill({"": [self.which, self.against, self.ghosts]})
        self.chart_box = boxed([self.chart_bar.box, self.chart], "ll-chart-box")

    def _fill_against(self, comparison: Comparison) -> None:
        options = [["", "the average cam"], *([r.candidate.id, r.candidate.name] for r in comparison.results)]
        if options == self.against.facts["options"]:
            return
        # The cam that is in the engine now is what a gain is told against, where the sheet says which that is.
        fitted = next((r.candidate.id for r in comparison.results if r.candidate.is_fitted), "")
        with self.chart_bar.quietly():
            self.against.show(options=options)
            if self.against.value not in [each for each, _ in options] or not self.against.value:
                self.against.value = fitted

    def _draw_chart(self) -> None:
        now, before = self.comparison, self._before()
        if now is None:
            return

        def figure(comparison: Comparison) -> plots.Figure:
            if self.which.value == "lift":
                return plots.lift_figure(comparison, _CHART_PX)
            return plots.torque_figure(comparison, self.against.value, _CHART_PX)

        ghost = figure(before.in_units(now.system)) if before is not None and self.ghosts.value else None
        self.chart.show(figure(now), ghost=ghost)

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


def _is_full(comparison: Comparison) -> bool:
    """Whether what takes longer is in it."""
    return comparison.decision.trials > 0


def _why(comparison: Comparison, reasons: Sequence[str]) -> str:
    listed = "".join(f"<li>{escape(each)}</li>" for each in reasons)
    return f"<h2>Why, and what would change it</h2><ul class='ll-reasons'>{listed}</ul>"


def _footer(comparison: Comparison) -> str:
    count = len(comparison.assumptions)
    rows = "".join(
        f"<tr><td>{escape(_called(comparison.build, str(r['path'])))}</td><td>{escape(str(r['written']))}</td>"
        f"<td>{escape(ORIGIN_WORDS.get(str(r['origin']), str(r['origin'])))}</td><td>{escape(str(r['note']))}</td></tr>"
        for r in comparison.assumptions.to_dict("records")
    )
    # What holds for several cams is said once.
    whose: dict[str, list[str]] = {}
    for result in comparison.results:
        for text in comparison.cautions(result.candidate.id):
            whose.setdefault(text, []).append(result.candidate.name)
    cautions = "".join(
        f"<li><b>{escape('every cam' if len(names) == len(comparison.results) > 1 else '; '.join(names))}</b>: "
        f"{escape(text)}</li>"
        for text, names in whose.items()
    )
    return (
        (
            f"<details open><summary><b>Watch</b></summary><ul class='ll-reasons'>{cautions}</ul></details>"
            if cautions
            else ""
        )
        + f"<details><summary><b>{count} numbers we filled in</b>, because the sheet does not say</summary>"
        f"<table class='ll-filled'><tbody>{rows}</tbody></table></details>"
        "<p class='ll-quiet'>Estimates to choose by, not dynamometer figures. The part makers' instructions and local rules come first. "
        "A running engine, hot oil and springs under load can hurt: exhaust outside, extinguisher at hand, glasses and a proper spring compressor.</p>"
    )
