"""The wear watch as a part of the break-in panel.

Lobe lift before and after, lash over hours    `WearView`
"""

from __future__ import annotations

import contextlib
from html import escape

import ipywidgets as w

from lobeledger.errors import BuildError, LedgerError
from lobeledger.page.panels.base import WIDE
from lobeledger.page.panels.chart import Charts
from lobeledger.page.panels.record import LABEL, NARROW, Shelf, View, button, said
from lobeledger.page.plots import break_in as break_in_plots
from lobeledger.page.words import break_in as break_in_views
from lobeledger.page.words.wear import growth_answer, watch_answer
from lobeledger.parts.build import Build
from lobeledger.record import uncertainty, wear
from lobeledger.record.entries import Entry, uncertainty_si, value_si
from lobeledger.units import UnitTrouble, from_si, quantity, shown_unit

__all__ = ["WearView"]

_Lobe = tuple[int, str, str]  # cylinder, valve, stage
_STAGES = ("before", "after")
_SAME_LASH_M = 5e-7  # two lashes are one reading: below the last digit shown


def _length_m(text: str, what: str) -> float:
    try:
        return quantity(text, "m")
    except UnitTrouble as trouble:
        raise BuildError(f"{what}: {trouble}") from None


class WearView(View):
    """Lobe lifts before and after with their uncertainty, and lash over hours."""

    def __init__(self, shelf: Shelf) -> None:
        super().__init__()
        self._shelf = shelf
        self._system, self._cylinders = "us", 0
        self._check_every_h = wear.USUAL_CHECK_H
        self._quiet = False
        self.cells: dict[_Lobe, w.FloatText] = {}
        # What the record says of a cell, and of which build: such a reading keeps its own uncertainty and is not
        # written again.
        self._recorded: dict[_Lobe, Entry] = {}
        self._recorded_build: int | None = None
        self._is_sample = shelf.is_sample
        self.grid = w.GridBox([], layout=w.Layout(grid_template_columns="66px repeat(4, 108px)", grid_gap="2px 6px"))
        self.grid.add_class("ll-wear-grid")
        self.step, self.error, self.repeat, self.limit = (
            w.Text(value=value, description=text, style={"description_width": "190px"}, layout=w.Layout(width="300px"))
            for value, text in (
                ("0.0005 in", "dial's step"),
                ("0.0005 in", "dial's error, plus or minus"),
                ("0.0003 in", "repeat error, new setup"),
                ("0.005 in", "too much lift lost"),
            )
        )
        for each in (self.step, self.error, self.repeat, self.limit):
            each.continuous_update = False
            each.observe(lambda _: self.judge(), names="value")
        self.answer, self.table = w.HTML(layout=WIDE), w.HTML(layout=WIDE)
        self.answer.add_class("ll-wear-answer")
        self.charts = Charts()
        self.build_choice = w.Dropdown(
            options=[], description="Build on record", style=LABEL, layout=w.Layout(width="360px")
        )
        self.build_choice.add_class("ll-wear-build")
        load = button("Read from record", "The last readings of this build's lobes", self._load, "wear-load")
        keep = button("Write to record", "Keep what is new or changed under this build", self._keep, "wear-keep")
        self.hours = w.BoundedFloatText(
            value=0.0, min=0.0, max=1e6, description="engine hours", style=LABEL, layout=w.Layout(width="220px")
        )
        self.hours.add_class("ll-wear-hours")
        self.date = w.Text(placeholder="empty: today", description="Date", style=LABEL, layout=w.Layout(width="260px"))
        self.date.add_class("ll-wear-date")
        clear = button("Clear all", "Take every reading out of the table", self._clear, "wear-clear")
        caution = w.HTML(
            '<div class="ll-quiet">Lobe lift at the lifter or pushrod, before the break-in and after. Disconnect ignition and fuel '
            "pump first, turn the engine by hand, keep fingers clear of the springs. Do not run it again to find out: a "
            "lobe that is going spreads metal through the oil.</div>"
        )
        dial = w.VBox([self.step, self.error, self.repeat, self.limit])
        self.widget = w.VBox(
            [
                caution,
                w.HBox([self.build_choice, load, keep, clear], layout=w.Layout(flex_flow="row wrap")),
                w.HBox([self.hours, self.date], layout=w.Layout(flex_flow="row wrap")),
                self.message,
                self.answer,
                w.HBox([self.grid, dial], layout=w.Layout(flex_flow="row wrap")),
                self.charts.box,
                self.table,
                w.HTML('<div class="ll-chart-title">Lash over engine hours</div>'),
                *self._lash_boxes(),
            ],
            layout=WIDE,
        )

    def _lash_boxes(self) -> list[w.HBox]:
        """Lash over engine hours: which valve, its lines, what they say."""
        self.lash = w.Textarea(
            placeholder="hours and lash, a line each:\n0  0.0220 in\n15  0.0226 in", layout=w.Layout(width="300px", height="110px")
        )  # fmt: skip
        self.lash.continuous_update = False
        self.lash.add_class("ll-wear-lash")
        self.lash_limit = w.Text(value="0.030 in", description="too much lash", style=LABEL, layout=NARROW)
        self.lash_limit.continuous_update = False
        for each in (self.lash, self.lash_limit):
            each.observe(lambda _: self.judge_lash(), names="value")
        self.lash_cylinder = w.BoundedIntText(
            value=1, min=1, max=16, description="Cylinder", style=LABEL, layout=w.Layout(width="180px")
        )
        self.lash_valve = w.Dropdown(
            options=["intake", "exhaust"], layout=w.Layout(width="110px"), tooltip="Which valve"
        )
        lash_load = button("Read from record", "This valve's lash over engine hours", self._load_lash, "lash-load")
        lash_keep = button("Write to record", "Keep the lines that are new", self._keep_lash, "lash-keep")
        self.lash_answer = w.HTML(layout=WIDE)
        self.lash_answer.add_class("ll-wear-lash-answer")
        return [
            w.HBox([self.lash_cylinder, self.lash_valve, lash_load, lash_keep], layout=w.Layout(flex_flow="row wrap")),
            w.HBox([self.lash, w.VBox([self.lash_limit, self.lash_answer], layout=WIDE)], layout=WIDE),
        ]

    def fit(self, build: Build, candidate_id: str, system: str) -> None:
        """Bring the grid to a build's cylinders and the units of the page; readings are kept and rewritten."""
        check_every_h = build.candidate(candidate_id).lash_check_every_h or wear.USUAL_CHECK_H
        if check_every_h != self._check_every_h:
            self._check_every_h = check_every_h
            self.judge_lash()
        if (build.engine.cylinders, system) != (self._cylinders, self._system) or not self.cells:
            scale = from_si(1.0, "lift", system) / from_si(1.0, "lift", self._system)
            kept = {key: cell.value * scale for key, cell in self.cells.items()}
            as_recorded = [key for key in self.cells if self._is_recorded(key)]
            self._cylinders, self._system = build.engine.cylinders, system
            self._make_grid(kept | {key: self._shown(self._recorded[key]) for key in as_recorded})
        self.refresh()

    def refresh(self) -> None:
        """Read anew which builds are on record; readings of another record are taken out of the table."""
        if self._shelf.is_sample != self._is_sample:
            self._is_sample = self._shelf.is_sample
            if self._recorded:
                self._clear()
        with contextlib.suppress(LedgerError), self._shelf.look() as record:
            found = record.search(kind="build") if record else ()
            before, numbers = self.build_choice.value, [e.id for e in found]
            self.build_choice.options = [(f"{e.id}: {e['name']}", e.id) for e in found]
            self.build_choice.value = before if before in numbers else numbers[-1] if numbers else None

    def _make_grid(self, kept: dict[tuple[int, str, str], float]) -> None:
        unit = shown_unit("lift", self._system)
        heads = ["", *(f"{valve}, {stage}" for valve in ("intake", "exhaust") for stage in ("before", "after"))]
        children: list[w.Widget] = [w.HTML(f"<span class='ll-quiet'>{text}</span>") for text in heads]
        # Made whole before it is put in place: another thread may be judging what stands there.
        cells: dict[tuple[int, str, str], w.FloatText] = {}
        for cylinder in range(1, self._cylinders + 1):
            children.append(w.HTML(f"<span class='ll-quiet'>cyl. {cylinder}, {unit}</span>"))
            for valve in ("intake", "exhaust"):
                for stage in ("before", "after"):
                    key = (cylinder, valve, stage)
                    # the name is for those who listen; who looks has the heads of column and row
                    cell = w.FloatText(
                        value=round(kept.get(key, 0.0), 5), step=0.0005, layout=w.Layout(width="104px"),
                        description=f"Cylinder {cylinder}, {valve}, {stage}, {unit}", style={"description_width": "0px"},
                    )  # fmt: skip
                    cell.add_class(f"ll-wear-{cylinder}-{valve}-{stage}")
                    cell.observe(lambda _: self.judge(), names="value")
                    cells[key] = cell
                    children.append(cell)
        self.cells = cells
        self.grid.children = children
        self.judge()

    def _uncertainty_m(self) -> float:
        return uncertainty.reading_uncertainty_m(
            resolution_m=_length_m(self.step.value, "the dial's step"),
            indicator_error_m=_length_m(self.error.value, "the dial's error"),
            repeatability_m=_length_m(self.repeat.value, "the spread"),
        )

    def _shown(self, entry: Entry) -> float:
        """A reading of the record as its cell shows it."""
        return round(from_si(value_si(entry), "lift", self._system), 5)

    def _is_recorded(self, key: _Lobe) -> bool:
        """Whether a cell still holds what the record says."""
        entry = self._recorded.get(key)
        return entry is not None and key in self.cells and self.cells[key].value == self._shown(entry)

    def _reading(self, lobe: tuple[int, str], stage: str, own_m: float) -> tuple[float, float]:
        """Value and standard uncertainty of a cell, m: the record's own where it has them, else the page's dial."""
        key = (*lobe, stage)
        if self._is_recorded(key):
            entry = self._recorded[key]
            doubt = uncertainty_si(entry)
            return value_si(entry), own_m if doubt is None else doubt
        return self.cells[key].value * quantity(f"1 {shown_unit('lift', self._system)}", "m"), own_m

    def judge(self) -> None:
        """Judge the lobes that have both readings."""
        if self._quiet:
            return
        cells = self.cells
        lobes = [
            (cylinder, valve)
            for cylinder, valve in dict.fromkeys((cylinder, valve) for cylinder, valve, _ in cells)
            if all(cells[cylinder, valve, stage].value > 0.0 for stage in _STAGES)
        ]
        if not lobes:
            self.answer.value = said("Fill in lift before and after for every lobe you have measured.")
            self.table.value = ""
            self.charts.draw({})
            return

        def act() -> str:
            own = self._uncertainty_m()
            before, after = ([self._reading(lobe, stage, own) for lobe in lobes] for stage in _STAGES)
            watch = wear.watch_lobes(
                [value for value, _ in before],
                [value for value, _ in after],
                names=[f"{cylinder} {valve}" for cylinder, valve in lobes],
                kinds=[valve for _, valve in lobes],
                uncertainty_m=[doubt for _, doubt in before],
                after_uncertainty_m=[doubt for _, doubt in after],
                limit_m=_length_m(self.limit.value, "the limit of lift lost"),
            )
            self.answer.value = (
                f'<div class="ll-answer" role="status">{escape(watch_answer(watch, self._system))}</div>'
            )
            self.table.value = break_in_views.tables_html(break_in_views.watch_tables(watch, self._system))
            self.charts.draw({"Lift lost by lobe, 95% sure": break_in_plots.wear_figure(watch, self._system)})
            return ""

        self.attempt(act)

    def _lash_lines(self) -> list[tuple[float, str]]:
        """Hours and lash of each line of the box. Raises BuildError."""
        rows = [line.split(None, 1) for line in self.lash.value.splitlines() if line.strip()]
        for number, row in enumerate(rows, start=1):
            if len(row) != 2:
                raise BuildError(f"line {number} of the lash readings needs hours and a lash, such as: 15 0.0226 in")
        try:
            return [(float(row[0]), row[1]) for row in rows]
        except ValueError:
            raise BuildError("each line of the lash readings begins with the engine hours as a number") from None

    def judge_lash(self) -> None:
        """Judge the lash readings in the box."""

        def act() -> str:
            rows = self._lash_lines()
            if not rows:
                self.lash_answer.value = ""
                return ""
            growth = wear.lash_growth(
                [hours for hours, _ in rows],
                [_length_m(lash, f"the lash at {hours:g} h") for hours, lash in rows],
                limit_m=_length_m(self.lash_limit.value, "the limit of lash"),
                uncertainty_m=self._uncertainty_m(),
                check_every_h=self._check_every_h,
            )
            self.lash_answer.value = (
                f'<div class="ll-answer" role="status">{escape(growth_answer(growth, self._system))}</div>'
            )
            return ""

        self.attempt(act)

    def _chosen_build(self) -> int:
        if self.build_choice.value is None:
            raise BuildError("there is no build in the record yet; keep one under Record first")
        return int(self.build_choice.value)

    def _load(self) -> None:
        def act() -> str:
            build = self._chosen_build()
            with self._shelf.open() as record:
                found = record.lobe_readings(build)
            if not found:
                raise BuildError("this build has no lobe lift on record")
            self._recorded, self._recorded_build = found, build
            self._fill({key: self._shown(entry) for key, entry in found.items()})
            pairs = sum((cylinder, valve, "after") in found for cylinder, valve, stage in found if stage == "before")
            return f"{len(found)} readings of the record; {pairs} lobes were read before and after."

        self.attempt(act)
        told = self.message.value
        self.judge()
        self.message.value = self.message.value or told

    def _fill(self, values: dict[_Lobe, float]) -> None:
        """Set every cell; those not named are emptied, so that no reading of another build stays."""
        self._quiet = True
        for key, cell in self.cells.items():
            cell.value = values.get(key, 0.0)
        self._quiet = False

    def _keep(self) -> None:
        def act() -> str:
            build = self._chosen_build()
            if self._recorded and self._recorded_build != build:
                raise BuildError(
                    f"some of these readings are those of build {self._recorded_build}; choose that build, or empty "
                    "the table first"
                )
            unit = shown_unit("lift", self._system)
            doubt = round(self._uncertainty_m() * from_si(1.0, "lift", self._system), 7)
            fresh = {
                key: cell.value for key, cell in self.cells.items() if cell.value > 0.0 and not self._is_recorded(key)
            }
            with self._shelf.open() as record, record.together():
                numbers = {
                    (cylinder, valve, stage): record.add_reading(
                        build, what="lobe lift", value=value, unit=unit, uncertainty=doubt, cylinder=cylinder,
                        valve=valve, stage=stage, hours=self.hours.value, date=self.date.value.strip() or None,
                    )
                    for (cylinder, valve, stage), value in fresh.items()
                }  # fmt: skip
                kept = {key: record.entry(number) for key, number in numbers.items()}
            self._recorded, self._recorded_build = {**self._recorded, **kept}, build
            return f"{len(fresh)} readings written to the record." if fresh else "Nothing new to write."

        self.attempt(act)

    def _load_lash(self) -> None:
        def act() -> str:
            with self._shelf.open() as record:
                hours, lash, _ = record.over_hours(
                    self._chosen_build(), cylinder=self.lash_cylinder.value, valve=self.lash_valve.value
                )
            if not hours:
                raise BuildError("this valve has no lash with engine hours on record")
            unit = shown_unit("lift", self._system)
            # Six digits: what was written down must be known again when it is written to the record once more.
            self.lash.value = "\n".join(
                f"{h:g}  {from_si(value, 'lift', self._system):.6g} {unit}"
                for h, value in zip(hours, lash, strict=True)
            )
            return f"{len(hours)} readings of the record."

        self.attempt(act)

    def _keep_lash(self) -> None:
        def act() -> str:
            build, cylinder, valve = self._chosen_build(), self.lash_cylinder.value, self.lash_valve.value
            unit = shown_unit("lift", self._system)
            doubt = round(self._uncertainty_m() * from_si(1.0, "lift", self._system), 7)
            rows = [(hours, _length_m(lash, f"the lash at {hours:g} h")) for hours, lash in self._lash_lines()]
            with self._shelf.open() as record, record.together():
                there = list(zip(*record.over_hours(build, cylinder=cylinder, valve=valve)[:2], strict=True))
                fresh = [
                    (hours, value)
                    for hours, value in rows
                    if not any(hours == h and abs(value - v) < _SAME_LASH_M for h, v in there)
                ]
                for hours, value in fresh:
                    record.add_reading(
                        build, what="lash", value=round(from_si(value, "lift", self._system), 6), unit=unit,
                        uncertainty=doubt, cylinder=cylinder, valve=valve, hours=hours,
                        date=self.date.value.strip() or None,
                    )  # fmt: skip
            return f"{len(fresh)} readings written to the record." if fresh else "Nothing new to write."

        self.attempt(act)

    def _clear(self) -> None:
        self._recorded, self._recorded_build = {}, None
        self._fill({})
        self.message.value = ""
        self.judge()
