"""Live panels for the notebooks: pure compute, pure view, and the wiring between them.

Which cam for this build, and what will it cost?     `choose`

A notebook cell calls one function here. Compute runs in `runner`, views come from `report` and `plots`; what
stands here is wiring and the choice of controls.
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

from lobeledger import plots, report, screen, tables
from lobeledger.buildfile import (
    build_from_bytes,
    build_from_text,
    change,
    read_build,
    sheet_text,
    starter_sheet,
    write_build,
)
from lobeledger.decision import compare
from lobeledger.errors import BuildError, LedgerError
from lobeledger.parts import Build
from lobeledger.results import Comparison
from lobeledger.runner import Progress, Runner

__all__ = ["ChooseInputs", "ChoosePanel", "choose", "compute_choice"]

_ONE_IN = (2, 3, 4, 5, 7, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200, 300, 500, 1000)
_WIDE = w.Layout(width="100%")


@dataclass(frozen=True)
class ChooseInputs:
    """What the choose panel computes from: a build as read, the values moved since, the candidates left in."""

    build: Build
    moved: tuple[tuple[str, Any], ...]
    left_in: tuple[str, ...]
    system: str


def compute_choice(inputs: ChooseInputs, progress: Progress) -> Comparison:
    """Compare the build with its moved values. Raises LedgerError with one sentence."""
    build = change(inputs.build, dict(inputs.moved)) if inputs.moved else inputs.build
    kept = tuple(c for c in build.candidates if c.id in inputs.left_in)
    if not kept:
        raise BuildError("no candidate is ticked: tick at least one to compare")
    return compare(dataclasses.replace(build, candidates=kept), system=inputs.system, step=progress.step)


def choose(folder: str | Path | None = None, *, start: str = "budget-cruiser") -> w.Widget:
    """The choose panel. folder: where build sheets are read and saved; start: the sheet it opens with."""
    return ChoosePanel(Path(folder) if folder is not None else tables.data_dir() / "builds", start).widget


class ChoosePanel:
    """Wiring of the choose panel; `widget` is what a cell shows, `runner` does the work."""

    def __init__(self, folder: Path, start: str) -> None:
        self.folder = folder
        self.comparison: Comparison | None = None
        self._moved: dict[str, Any] = {}
        self._quiet = self._stuck = False
        self.runner: Runner[ChooseInputs, Comparison] = Runner(
            compute_choice, self._show, fail=self._compute_failed, busy=self._busy, name="choose"
        )
        self._make_bar()
        self._make_views()
        self.controls = w.Accordion(children=[], layout=_WIDE)
        left = w.VBox([self.controls], layout=_WIDE)
        right = w.VBox([self.table], layout=_WIDE)
        body = w.Box([left, right])
        body.add_class("ll-body")
        self.charts = w.Box([])
        self.charts.add_class("ll-grid")
        self.widget = w.VBox(
            [screen.style_widget(), self.bar, self.message, self.answer, self.progress, body, self.charts, self.footer],
            layout=w.Layout(width="100%", overflow="hidden"),
        )
        self.widget.add_class("ll-panel")
        self.widget.add_class("ll-choose")
        self.open_file(start)

    # -- parts that stay ----------------------------------------------------------------------------------

    def _make_bar(self) -> None:
        self.picker = w.Dropdown(options=self._names(), description="Build", style={"description_width": "40px"})
        self.picker.add_class("ll-picker")
        self.picker.observe(lambda change_: self.open_file(change_["new"]), names="value")
        self.upload = w.FileUpload(
            accept=".toml", description="Open file", tooltip="Read a build sheet (.toml) of your own"
        )
        self.upload.add_class("ll-upload")
        self.upload.observe(self._uploaded, names="value")
        fresh = self._button(
            "Start new", "A small build to start from; change it here or download its sheet", self._fresh
        )
        fresh.add_class("ll-fresh")
        self.system = w.ToggleButtons(
            options=[("US", "us"), ("Metric", "metric")], tooltips=["inches, lbf, psi", "mm, N, kPa"],
            style={"button_width": "56px"},
        )  # fmt: skip
        self.system.add_class("ll-system")
        self.system.observe(lambda _: self._request(), names="value")
        reset = self._button("Reset", "Back to the build as it was read", self._reset)
        reset.add_class("ll-reset")
        self.save_name = w.Text(
            placeholder="save as ...", layout=w.Layout(width="120px"), tooltip="A name for this build"
        )
        self.save_name.add_class("ll-save-name")
        save = self._button("Save", "Save this build under the name given, beside the others", self._save)
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
        self.bar = w.Box([self.picker, self.upload, fresh, self.system, reset, self.save_name, save, *downloads])
        self.bar.add_class("ll-bar")

    @staticmethod
    def _button(text: str, hint: str, act: Callable[[], None]) -> w.Button:
        button = w.Button(description=text, tooltip=hint, layout=w.Layout(width="auto"))
        button.on_click(lambda _: act())
        return button

    def _make_views(self) -> None:
        self.message, self.answer, self.table, self.footer = (w.HTML(layout=_WIDE) for _ in range(4))
        for view, name in (
            (self.message, "message"),
            (self.answer, "verdict"),
            (self.table, "table"),
            (self.footer, "foot"),
        ):
            view.add_class(f"ll-view-{name}")
        self.progress = w.FloatProgress(
            min=0.0, max=1.0, layout=w.Layout(width="100%", visibility="hidden", height="10px")
        )
        self.progress.add_class("ll-progress")
        self._figures: dict[str, Any] = {}

    def _names(self) -> list[str]:
        return sorted(p.stem for p in self.folder.glob("*.toml"))

    # -- opening -------------------------------------------------------------------------------------------

    def open_file(self, name: str) -> None:
        """Open a build sheet of the folder by its name without ending."""
        self._try(lambda: self._open(read_build(self.folder / f"{name}.toml")))
        self._quietly(lambda: setattr(self.picker, "value", name if name in self.picker.options else None))

    def _uploaded(self, _: Any) -> None:
        if not self.upload.value:
            return
        file = self.upload.value[0]
        self._try(lambda: self._open(build_from_bytes(bytes(file["content"]), str(file["name"]))))
        self._quietly(lambda: setattr(self.upload, "value", ()))

    def _fresh(self) -> None:
        def start() -> None:
            self._open(build_from_text(starter_sheet(), "new build"))
            self._say(
                "A small invented build to start from. Put in your own figures under 'Whole sheet' on the left "
                "(each line says what it is), or move the sliders; then save it under a name."
            )

        self._try(start)

    def _open(self, build: Build) -> None:
        self.build, self._moved = build, {}
        self._quietly(self._make_controls)
        self._say("")
        self._request()

    def _reset(self) -> None:
        self._open(self.build)

    def _try(self, act: Callable[[], None]) -> None:
        """A user's mistake becomes its sentence; what was shown stays."""
        if self._quiet:
            return
        try:
            act()
        except LedgerError as trouble:
            self._fail(str(trouble))

    def _quietly(self, act: Callable[[], None]) -> None:
        before, self._quiet = self._quiet, True
        try:
            act()
        finally:
            self._quiet = before

    # -- controls ------------------------------------------------------------------------------------------

    def _make_controls(self) -> None:
        build = self.build
        use, limits = build.use, build.limits
        currency = build.currency
        rows = [
            self._slider("use.highest_speed", "Highest speed", use.highest_speed_rpm, 1500, 9500, 50, "rpm"),
            self._slider(
                "use.hours_a_year", "Hours a year", use.hours_a_year_h, 0, max(400, 2 * use.hours_a_year_h), 5, "h"
            ),
            self._slider("use.years", "Years counted", use.years, 1, max(15, 2 * use.years), 1, ""),
            *self._bands(),
        ]
        money = [
            self._slider("limits.budget", "Budget", limits.budget_money, 0, _nice(3 * limits.budget_money), 50, currency),
            self._slider("limits.torque_worth", "1 % torque worth", limits.torque_worth_money, 0, _nice(max(200, 3 * limits.torque_worth_money)), 5, currency),
            self._slider("shop.labour_rate", "Labour", build.shop.labour_rate_money_per_h, 0, _nice(3 * build.shop.labour_rate_money_per_h), 5, f"{currency}/h"),
            self._slider("shop.dyno_rate", "Dyno", build.shop.dyno_rate_money_per_h, 0, _nice(3 * build.shop.dyno_rate_money_per_h), 5, f"{currency}/h"),
            *self._prices(),
        ]  # fmt: skip
        risks = [widget for c in build.candidates for widget in self._risk(c.id)]
        ticks = [self._tick(c.id, c.name) for c in build.candidates]
        self._ticks = dict(zip((c.id for c in build.candidates), ticks, strict=True))
        sections = {
            "Use": rows,
            "Money": money,
            "Chances of failure": risks,
            "Candidates": ticks,
            "Whole sheet": self._whole_sheet(),
        }
        self.controls.children = [w.VBox(children, layout=_WIDE) for children in sections.values()]
        for i, title in enumerate(sections):
            self.controls.set_title(i, title)
        self.controls.selected_index = 0

    def _slider(
        self, path: str, text: str, value: float, low: float, high: float, step: float, unit: str, hint: str = ""
    ) -> w.Widget:
        """A slider that moves one value of the sheet; the value now is always reachable.

        A value keeps its doubt as it is moved: its low and high go with it in proportion.
        """
        low, high = min(low, value), max(high, value)
        # A browser's slider snaps to its steps and sends back what it snapped to: the value now must be on one.
        step = next((s for s in (step, step / 5, step / 50, step / 500) if _on_step(value - low, s)), 1e-9)
        slider = w.FloatSlider(
            value=value, min=low, max=high, step=step, description=text, readout_format=",.0f" if step >= 1 else ",.1f" if step >= 0.1 else ",.2f",
            style={"description_width": "104px"}, layout=_WIDE, tooltip=hint or _meaning(self.build, path),
        )  # fmt: skip
        slider.add_class("ll-set-" + re.sub(r"[^a-z0-9]+", "-", path))

        def moved(event: dict[str, Any]) -> None:
            def text(number: float) -> str:
                return f"{number:.10g} {unit}".strip()

            new, datum = event["new"], self.build.data.get(path)
            if datum is None or datum.low is None or datum.high is None or not value:
                self._move(path, text(new))
            else:
                low, high = (end / float(datum.value) * new for end in (datum.low, datum.high))
                self._move(path, {"value": text(new), "low": text(low), "high": text(high)})

        slider.observe(moved, names="value")
        return slider

    def _bands(self) -> list[w.Widget]:
        """Speed bands: a range and a weight each; the weights are made to add up."""
        found: list[w.Widget] = [
            w.HTML('<div class="ll-quiet">Speeds where torque matters, and the time spent there</div>')
        ]
        self._band_sliders: list[tuple[w.FloatRangeSlider, w.FloatSlider]] = []
        for band in self.build.use.bands:
            span = w.FloatRangeSlider(
                value=(band.from_rpm, band.to_rpm), min=500, max=9500, step=50, readout_format=",.0f", layout=_WIDE,
                description="rpm", style={"description_width": "104px"},
            )  # fmt: skip
            weight = w.FloatSlider(
                value=100 * band.share, min=0, max=100, step=1, readout_format=".0f", layout=_WIDE, description="share of time %",
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
        self._move("use.bands", bands)

    def _risk(self, candidate_id: str) -> list[w.Widget]:
        candidate = self.build.candidate(candidate_id)
        now = candidate.failure.one_in
        options = sorted({float(n) for n in (*_ONE_IN, now)})
        stem = f"candidates.{candidate_id}.failure"
        slider = w.SelectionSlider(
            options=[(f"1 in {n:,.0f}", n) for n in options], value=now, description="lost in", layout=_WIDE,
            style={"description_width": "104px"}, tooltip=f"{candidate.failure.what}: about 1 build in so many",
        )  # fmt: skip
        slider.add_class(f"ll-set-chance-{candidate_id}")
        slider.observe(lambda event: self._move(f"{stem}.one_in", event["new"]), names="value")
        money = candidate.failure.cost_money
        price = self._slider(f"{stem}.cost", "cost of one loss", money, 0, _nice(3 * money), 50, self.build.currency)
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
                        self._slider(f"candidates.{c.id}.parts.{i}.price", c.parts[i].item, now, 0, _nice(3 * now), 5, self.build.currency, c.parts[i].item)
                    )  # fmt: skip
            found.append(
                self._slider(
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
        box = w.Checkbox(value=True, description=name, indent=False, layout=_WIDE)
        box.add_class(f"ll-tick-{candidate_id}")
        box.observe(lambda _: self._request(), names="value")
        return box

    def _whole_sheet(self) -> list[w.Widget]:
        self.sheet_text = w.Textarea(layout=w.Layout(width="100%", height="420px"))
        self.sheet_text.add_class("ll-sheet-text")
        self.sheet_text.value = sheet_text(self.build)

        def apply() -> None:
            self._try(lambda: self._open(build_from_text(self.sheet_text.value, "the sheet")))

        button = self._button("Use this sheet", "Read the text above as the build", apply)
        button.add_class("ll-apply")
        return [
            w.HTML(
                '<div class="ll-quiet">Everything there is to say about the build. Change it and press the button below.</div>'
            ),
            self.sheet_text,
            button,
        ]

    # -- moving, computing, showing ------------------------------------------------------------------------

    def _move(self, path: str, value: Any) -> None:
        if not self._quiet:
            self._moved[path] = value
            self._request()

    def _request(self) -> None:
        if self._quiet:
            return
        left_in = tuple(cid for cid, tick in self._ticks.items() if tick.value)
        self.runner.request(ChooseInputs(self.build, tuple(self._moved.items()), left_in, self.system.value))

    def _busy(self, share: float | None) -> None:
        self.progress.layout.visibility = "hidden" if share is None else "visible"
        self.progress.value = share or 0.0

    def _compute_failed(self, sentence: str) -> None:
        self._stuck = True
        self._fail(sentence)

    def _fail(self, sentence: str) -> None:
        self.message.value = f'<div class="ll-error" role="alert">{escape(sentence)}</div>'

    def _say(self, sentence: str) -> None:
        self.message.value = f'<div class="ll-note" role="status">{escape(sentence)}</div>' if sentence else ""

    def _show(self, comparison: Comparison) -> None:
        fresh = self.comparison is None
        self.comparison = comparison
        if self._stuck:
            # Only a failed comparison is mended by a good one; what saving or opening said stays to be read.
            self._stuck = False
            self._say("")
        reasons = "".join(f"<li>{escape(r)}</li>" for r in comparison.reasons)
        self.answer.value = (
            f'<div class="ll-answer" role="status" aria-live="polite">{escape(comparison.answer)}</div>'
            f'<ul class="ll-reasons">{reasons}</ul>'
        )
        self.table.value = report.side_table_html(comparison)
        self.footer.value = _footer(comparison)
        self._draw(comparison, fresh)

    def _draw(self, comparison: Comparison, fresh: bool) -> None:
        makers = {
            "Cost of owning, by what it is spent on": plots.cost_figure,
            "Margin to each limit": plots.margin_figure,
            "Cost against the chance of a wiped lobe": plots.risk_figure,
            "Torque over speed": plots.torque_figure,
            "Valve lift": plots.lift_figure,
        }
        rebuild = fresh
        for title, make in makers.items():
            figure = make(comparison)
            if title not in self._figures or not screen.redraw(self._figures[title], figure):
                self._figures[title] = screen.live_figure(figure)
                rebuild = True
        if rebuild:
            boxes = [
                w.VBox([w.HTML(f'<div class="ll-chart-title">{title}</div>'), self._figures[title]], layout=_WIDE)
                for title in makers
            ]
            boxes[-1].add_class("ll-wide")
            self.charts.children = boxes

    # -- saving and handing out ----------------------------------------------------------------------------

    def _current(self) -> Build:
        return change(self.build, self._moved) if self._moved else self.build

    def _save(self) -> None:
        def save() -> None:
            stem = _stem(self.save_name.value)
            path = write_build(self._current(), self.folder / f"{stem}.toml")
            self._quietly(lambda: setattr(self.picker, "options", self._names()))
            self._quietly(lambda: setattr(self.picker, "value", stem))
            self._say(f"Saved as {path.name}; it is in the list of builds from now on.")

        self._try(save)

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
                    return f"{stem}-quote.html", "text/html", report.quote_html(comparison)
                if which == "table":
                    return f"{stem}-table.csv", "text/csv", comparison.table.to_csv(index=False)
                return f"{stem}.toml", "application/toml", sheet_text(self._current())
            except LedgerError as trouble:
                self._fail(str(trouble))
                return None

        return make


def _stem(name: str) -> str:
    """A file name from what the user typed. Raises BuildError when nothing usable is left."""
    stem = re.sub(r'[\\/:*?"<>|\x00-\x1f]+', "-", name.strip()).strip(". -")
    stem = stem.removesuffix(".toml")[:80]
    if not stem:
        raise BuildError("give the build a name to save it under, such as my-build")
    return stem


def _on_step(distance: float, step: float) -> bool:
    return abs(distance / step - round(distance / step)) < 1e-6


def _nice(top: float) -> float:
    return max(10.0, round(top, -1 if top < 1000 else -2))


def _meaning(build: Build, path: str) -> str:
    datum = build.data.get(path)
    return f"{datum.text}, {datum.origin}" if datum else ""


def _footer(comparison: Comparison) -> str:
    count = len(comparison.assumptions)
    rows = "".join(
        f"<tr><td>{escape(str(r['path']))}</td><td>{escape(str(r['written']))}</td><td>{escape(str(r['origin']))}</td><td>{escape(str(r['note']))}</td></tr>"
        for r in comparison.assumptions.to_dict("records")
    )
    cautions = "".join(
        f"<li><b>{escape(r.candidate.name)}</b>: {escape(text)}</li>"
        for r in comparison.results
        for text in r.assessment.cautions
    )
    return (
        (
            f"<details open><summary><b>Watch</b></summary><ul class='ll-reasons'>{cautions}</ul></details>"
            if cautions
            else ""
        )
        + f"<details><summary><b>{count} values are assumed or from tables</b>, because the sheet does not say</summary>"
        f"<table class='ll-side' style='width:auto'><tbody>{rows}</tbody></table></details>"
        "<p class='ll-quiet'>Estimates to choose by, not dynamometer figures. The part makers' instructions and local rules come first. "
        "A running engine, hot oil and springs under load can hurt: exhaust outside, extinguisher at hand, glasses and a proper spring compressor.</p>"
    )
