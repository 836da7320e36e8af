"""The shop's record and the wear watch as parts of the break-in panel.

Search, add, correct, take in and hand out     `RecordView`
Lobe lift before and after, lash over hours    `WearView`
Open, look, close                              `Shelf`
Let the record speak                           `RecordTick`

The record is opened for each act and closed again, so that two notebooks never stand in each other's way.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger import break_in_plots, break_in_views, tables, wear
from lobeledger.entries import KINDS, RESULTS
from lobeledger.errors import BuildError, LedgerError
from lobeledger.parts import Build
from lobeledger.record import Record, default_path, open_record
from lobeledger.screen import DownloadButton
from lobeledger.sheet_panel import WIDE, Charts
from lobeledger.units import UnitTrouble, from_si, quantity, shown_unit

__all__ = ["RecordTick", "RecordView", "Shelf", "WearView"]

_LABEL = {"description_width": "104px"}
_NARROW = w.Layout(width="300px")


class Shelf:
    """Which record is in hand: the shop's own, or an invented sample that is thrown away with the page."""

    def __init__(self, path: Path | None = None) -> None:
        self._own = path
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    @property
    def is_sample(self) -> bool:
        """Whether the invented sample is in hand."""
        return self._folder is not None

    @contextlib.contextmanager
    def open(self) -> Iterator[Record]:
        """The record in hand, open for one act."""
        path = Path(self._folder.name) / "sample.sqlite" if self._folder else self._own
        with open_record(path) as record:
            yield record

    @contextlib.contextmanager
    def look(self) -> Iterator[Record | None]:
        """The record in hand to read; None where there is no file yet: looking does not make one."""
        if not self._folder and not (self._own or default_path()).exists():
            yield None
            return
        with self.open() as record:
            yield record

    def take_sample(self) -> None:
        """Take the invented sample in hand."""
        self._folder = tempfile.TemporaryDirectory(prefix="lobeledger-")
        with self.open() as record:
            record.import_csv(tables.data_dir() / "sample_record.csv")

    def take_own(self) -> None:
        """Take the shop's own record in hand again."""
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def counts(self) -> dict[str, tuple[int, int]]:
        """Losses and builds by follower."""
        with self.look() as record:
            return record.outcomes_by_follower() if record else {}


def _said(sentence: str, *, wrong: bool = False) -> str:
    kind, role = ("error", "alert") if wrong else ("note", "status")
    return f'<div class="ll-{kind}" role="{role}">{escape(sentence)}</div>' if sentence else ""


def _length_m(text: str, what: str) -> float:
    try:
        return quantity(text, "m")
    except UnitTrouble as trouble:
        raise BuildError(f"{what}: {trouble}") from None


def _button(text: str, hint: str, act: Callable[[], None], name: str) -> w.Button:
    button = w.Button(description=text, tooltip=hint, layout=w.Layout(width="auto"))
    button.add_class(f"ll-{name}")
    button.on_click(lambda _: act())
    return button


class RecordTick:
    """A box to tick so that the shop's record speaks: `seen()` is what it says, nothing while it is not ticked."""

    def __init__(self, shelf: Shelf, changed: Callable[[], None], fail: Callable[[str], None]) -> None:
        self._shelf, self._fail = shelf, fail
        self.box = w.Checkbox(value=False, indent=False, layout=WIDE)
        self.box.add_class("ll-use-record")
        self.refresh()
        self.box.observe(lambda _: changed(), names="value")

    def _counts(self) -> dict[str, tuple[int, int]]:
        try:
            return {kind: seen for kind, seen in self._shelf.counts().items() if seen[1]}
        except LedgerError as trouble:
            self._fail(str(trouble))
            return {}

    def refresh(self) -> None:
        """Say anew what is on record."""
        said = ", ".join(f"{kind} {lost} lost of {of}" for kind, (lost, of) in self._counts().items())
        self.box.description = f"Let the record speak: {said or 'nothing on it yet'}"

    def seen(self) -> tuple[tuple[str, tuple[int, int]], ...]:
        """Losses and builds by follower, if ticked."""
        return tuple(sorted(self._counts().items())) if self.box.value else ()


class _View:
    """A part with a line of its own for what went well or wrong."""

    def __init__(self) -> None:
        self.message = w.HTML(layout=WIDE)

    def attempt(self, act: Callable[[], str]) -> None:
        """Do something that answers with a sentence; a user's mistake becomes its sentence."""
        try:
            self.message.value = _said(act())
        except LedgerError as trouble:
            self.message.value = _said(str(trouble), wrong=True)


class RecordView(_View):
    """The record: find, add, correct, take in, hand out. `changed` is called after every change."""

    def __init__(self, shelf: Shelf, current: Callable[[], tuple[Build, str]], changed: Callable[[], None]) -> None:
        super().__init__()
        self._shelf, self._current, self._changed = shelf, current, changed
        self.which = w.Dropdown(
            options=[("This shop's own", "own"), ("Invented sample, nothing is kept", "sample")],
            description="Record", style=_LABEL, layout=w.Layout(width="360px"),
        )  # fmt: skip
        self.which.add_class("ll-record-which")
        self.which.observe(lambda _: self._switch(), names="value")
        self.search = w.Text(placeholder="words to find", description="Find", style=_LABEL, layout=_NARROW)
        self.search.add_class("ll-record-find")
        self.search.observe(lambda _: self.refresh(), names="value")
        self.kind = w.Dropdown(
            options=[("everything", ""), *((f"{k}s", k) for k in KINDS)], layout=w.Layout(width="140px")
        )
        self.kind.observe(lambda _: self.refresh(), names="value")
        self.upload = w.FileUpload(accept=".csv", description="Take in CSV", tooltip="All of a file or nothing of it")
        self.upload.add_class("ll-record-import")
        self.upload.observe(self._uploaded, names="value")
        self.export = DownloadButton(self._export, label="Hand out CSV", hint="Newest versions, for any spreadsheet")
        self.export.add_class("ll-record-export")
        self.counts = w.HTML(layout=WIDE)
        self.list = w.HTML(layout=WIDE)
        self.list.add_class("ll-record-list")
        keep = _button(
            "Keep this build and cam",
            "Write the build, its sheet and the chosen cam into the record",
            self._keep,
            "record-keep",
        )
        self.candidate = w.Dropdown(options=[], description="Cam fitted", style=_LABEL, layout=w.Layout(width="480px"))
        self.candidate.add_class("ll-record-cam")
        self.result = w.Dropdown(options=RESULTS, description="How it went", style=_LABEL, layout=_NARROW)
        self.result.add_class("ll-record-result")
        self.hours = w.FloatText(value=0.0, description="running hours", style=_LABEL, layout=_NARROW)
        self.note = w.Text(placeholder="anything else worth keeping", description="Note", style=_LABEL, layout=WIDE)
        self.note.add_class("ll-record-note")
        outcome = _button("Write down outcome", "How this cam ended or stands", self._outcome, "record-outcome")
        note = _button("Write down note", "A note of the shop", self._note, "record-add-note")
        self.entry = w.BoundedIntText(value=1, min=1, max=10**9, description="Entry", style=_LABEL, layout=_NARROW)
        self.entry.observe(lambda _: self._fields(), names="value")
        self.field = w.Dropdown(options=[], description="Field", style=_LABEL, layout=_NARROW)
        self.value = w.Text(description="New value", style=_LABEL, layout=_NARROW)
        self.why = w.Text(description="Why", style=_LABEL, layout=WIDE)
        correct = _button("Correct", "The older version is kept", self._correct, "record-correct")
        withdraw = _button("Withdraw", "Out of searches and counts; kept in the history", self._withdraw, "record-out")
        restore = _button("Restore", "Bring a withdrawn entry back", self._restore, "record-back")
        self.history = w.HTML(layout=WIDE)
        add = w.VBox(
            [
                w.HBox([keep]),
                self.candidate,
                w.HBox([self.result, self.hours, outcome], layout=w.Layout(flex_flow="row wrap")),
                w.HBox([self.note, note]),
            ],
            layout=WIDE,
        )
        put_right = w.VBox(
            [
                w.HBox([self.entry, self.field, self.value], layout=w.Layout(flex_flow="row wrap")),
                self.why,
                w.HBox([correct, withdraw, restore]),
                self.history,
            ],
            layout=WIDE,
        )
        self.acts = w.Accordion(children=[add, put_right], layout=WIDE)
        self.acts.set_title(0, "Write down")
        self.acts.set_title(1, "Put right")
        self.acts.selected_index = None
        self.widget = w.VBox(
            [
                w.HBox([self.which, self.upload, self.export], layout=w.Layout(flex_flow="row wrap")),
                self.message,
                self.counts,
                self.acts,
                w.HBox([self.search, self.kind]),
                self.list,
            ],
            layout=WIDE,
        )
        self.refresh()

    def _switch(self) -> None:
        def act() -> str:
            if self.which.value == "sample":
                self._shelf.take_sample()
                return "This is an invented sample to try things on; nothing you do here is kept."
            self._shelf.take_own()
            return ""

        self.attempt(act)
        self.refresh()
        self._changed()

    def refresh(self) -> None:
        """Read the record anew into the list, the counts and the choices."""
        try:
            with self._shelf.look() as record:
                found = record.search(self.search.value, kind=self.kind.value or None) if record else ()
                seen = record.outcomes_by_follower() if record else {}
                builds = {e.id: e["name"] for e in record.search(kind="build")} if record else {}
                cams = record.search(kind="candidate") if record else ()
        except LedgerError as trouble:
            self.message.value = _said(str(trouble), wrong=True)
            return
        said = [f"{follower}: {lost} lost of {of}" for follower, (lost, of) in seen.items()]
        self.counts.value = (
            f"<div>Cams with an outcome: {escape('; '.join(said))}.</div>"
            if said
            else "<div>Nothing is on record yet. Keep a build and its cam under 'Write down', and how it went later.</div>"
        )
        self.list.value = break_in_views.tables_html(break_in_views.record_tables(found))
        before = self.candidate.value
        options = [(f"{e.id}: {builds[e['build_id']]}, {e['name']}", e.id) for e in cams if e["build_id"] in builds]
        self.candidate.options = options
        numbers = [number for _, number in options]
        # The newest stands ready: it is most likely the one that was just fitted.
        self.candidate.value = before if before in numbers else numbers[-1] if numbers else None
        self._fields()

    def _after(self, act: Callable[[], str]) -> None:
        self.attempt(act)
        self.refresh()
        self._changed()

    def _keep(self) -> None:
        def act() -> str:
            build, chosen = self._current()
            candidate = build.candidate(chosen)
            with self._shelf.open() as record, record.together():
                number = record.add_build(build.name, sheet=build.source)
                cam = record.add_candidate(
                    number, candidate.name, follower=candidate.follower, lifter=candidate.lifter, code=candidate.id
                )
            return f"Kept as build {number} with cam {cam}; write down how it went when you know."

        self._after(act)

    def _outcome(self) -> None:
        def act() -> str:
            if self.candidate.value is None:
                raise BuildError("there is no cam in the record yet; keep a build and its cam first")
            with self._shelf.open() as record:
                number = record.add_outcome(self.candidate.value, self.result.value, hours=self.hours.value or None)
            return f"Written down as entry {number}."

        self._after(act)

    def _note(self) -> None:
        def act() -> str:
            with self._shelf.open() as record:
                number = record.add_note(self.note.value)
            self.note.value = ""
            return f"Written down as entry {number}."

        self._after(act)

    def _fields(self) -> None:
        self.history.value = ""
        with contextlib.suppress(LedgerError), self._shelf.look() as record:
            if record is None:
                return
            entry = record.entry(self.entry.value)
            if tuple(self.field.options) != tuple(entry.values):
                self.field.options = list(entry.values)
            self._tell(record)

    def _tell(self, record: Record) -> None:
        rows = "".join(
            f"<li>version {e.version}, {escape(e.made_at[:16].replace('T', ' '))}"
            f"{', withdrawn' if e.withdrawn else ''}{': ' + escape(e.why) if e.why else ''}: "
            + escape(", ".join(f"{k} {v}" for k, v in e.values.items() if v not in (None, "") and k != "sheet"))
            + "</li>"
            for e in record.history(self.entry.value)
        )
        self.history.value = f"<ul class='ll-reasons'>{rows}</ul>"

    def _correct(self) -> None:
        def act() -> str:
            with self._shelf.open() as record:
                entry = record.entry(self.entry.value)
                name = self.field.value or next(iter(entry.values))
                sort = next(f.sort for f in KINDS[entry.kind] if f.name == name)
                new: Any = self.value.value
                if sort in ("number", "count", "build", "candidate") and new.strip():
                    try:
                        new = float(new)
                    except ValueError:
                        raise BuildError(f"{name} is a number; write one, such as 12.5") from None
                    new = int(new) if sort in ("build", "candidate") and new == int(new) else new
                version = record.correct(entry.id, {name: new}, why=self.why.value)
                self._tell(record)
            return f"Entry {entry.id} corrected; this is version {version}, the older ones are kept."

        self._after(act)

    def _withdraw(self) -> None:
        def act() -> str:
            with self._shelf.open() as record:
                record.withdraw(self.entry.value, why=self.why.value)
                self._tell(record)
            return f"Entry {self.entry.value} withdrawn; it stays in the history."

        self._after(act)

    def _restore(self) -> None:
        def act() -> str:
            with self._shelf.open() as record:
                record.restore(self.entry.value, why=self.why.value)
                self._tell(record)
            return f"Entry {self.entry.value} is back."

        self._after(act)

    def _uploaded(self, _: Any) -> None:
        if not self.upload.value:
            return
        file = self.upload.value[0]

        def act() -> str:
            with tempfile.TemporaryDirectory(prefix="lobeledger-") as folder, self._shelf.open() as record:
                path = Path(folder) / (Path(str(file["name"])).name or "record.csv")
                path.write_bytes(bytes(file["content"]))
                return f"From {path.name}: {record.import_csv(path).told}."

        self._after(act)
        self.upload.value = ()

    def _export(self) -> tuple[str, str, str] | None:
        try:
            with tempfile.TemporaryDirectory(prefix="lobeledger-") as folder, self._shelf.open() as record:
                path = record.export_csv(Path(folder) / "shop-record.csv")
                return path.name, "text/csv", path.read_text(encoding="utf-8")
        except LedgerError as trouble:
            self.message.value = _said(str(trouble), wrong=True)
            return None


class WearView(_View):
    """Lobe lifts before and after with their uncertainty, and lash over hours."""

    def __init__(self, shelf: Shelf) -> None:
        super().__init__()
        self._shelf = shelf
        self._system, self._cylinders = "us", 0
        self._quiet = False
        self.cells: dict[tuple[int, str, str], w.FloatText] = {}
        self.grid = w.GridBox([], layout=w.Layout(grid_template_columns="66px repeat(4, 108px)", grid_gap="2px 6px"))
        self.grid.add_class("ll-wear-grid")
        self.step, self.error, self.repeat, self.limit = (
            w.Text(value=value, description=text, style={"description_width": "190px"}, layout=w.Layout(width="300px"))
            for value, text in (
                ("0.0005 in", "dial's step"),
                ("0.0005 in", "dial's error, plus or minus"),
                ("0.0003 in", "spread when set up anew"),
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
            options=[], description="Build on record", style=_LABEL, layout=w.Layout(width="360px")
        )
        self.build_choice.add_class("ll-wear-build")
        load = _button("Read from record", "Last readings before and after of this build", self._load, "wear-load")
        keep = _button("Write to record", "Keep the readings above under this build", self._keep, "wear-keep")
        clear = _button("Empty", "Take all readings out", self._clear, "wear-clear")
        self.lash = w.Textarea(
            placeholder="hours and lash, a line each:\n0  0.0220 in\n15  0.0226 in", layout=w.Layout(width="300px", height="110px")
        )  # fmt: skip
        self.lash.continuous_update = False
        self.lash.add_class("ll-wear-lash")
        self.lash_limit = w.Text(value="0.030 in", description="too much lash", style=_LABEL, layout=_NARROW)
        self.lash_limit.continuous_update = False
        for each in (self.lash, self.lash_limit):
            each.observe(lambda _: self.judge_lash(), names="value")
        self.lash_answer = w.HTML(layout=WIDE)
        self.lash_answer.add_class("ll-wear-lash-answer")
        caution = w.HTML(
            '<div class="ll-quiet">Lobe lift at the lifter or pushrod, before the run-in and after. Ignition and fuel '
            "pump disconnected, engine turned by hand, fingers clear of the springs. An engine with a lobe that is "
            "going spreads metal through its oil: do not run it again to find out.</div>"
        )
        dial = w.VBox([self.step, self.error, self.repeat, self.limit])
        self.widget = w.VBox(
            [
                caution,
                w.HBox([self.build_choice, load, keep, clear], layout=w.Layout(flex_flow="row wrap")),
                self.message,
                self.answer,
                w.HBox([self.grid, dial], layout=w.Layout(flex_flow="row wrap")),
                self.charts.box,
                self.table,
                w.HTML('<div class="ll-chart-title">Lash over running hours</div>'),
                w.HBox([self.lash, w.VBox([self.lash_limit, self.lash_answer], layout=WIDE)], layout=WIDE),
            ],
            layout=WIDE,
        )

    def fit(self, build: Build, system: str) -> None:
        """Bring the grid to a build's cylinders and the units of the page; readings are kept and rewritten."""
        if (build.engine.cylinders, system) != (self._cylinders, self._system) or not self.cells:
            kept = {key: cell.value for key, cell in self.cells.items()}
            scale = from_si(1.0, "lift", system) / from_si(1.0, "lift", self._system)
            self._cylinders, self._system = build.engine.cylinders, system
            self._make_grid({key: value * scale for key, value in kept.items()})
        self.refresh()

    def refresh(self) -> None:
        """Read anew which builds are on record."""
        with contextlib.suppress(LedgerError), self._shelf.look() as record:
            found = record.search(kind="build") if record else ()
            before, numbers = self.build_choice.value, [e.id for e in found]
            self.build_choice.options = [(f"{e.id}: {e['name']}", e.id) for e in found]
            self.build_choice.value = before if before in numbers else numbers[-1] if numbers else None

    def _make_grid(self, kept: dict[tuple[int, str, str], float]) -> None:
        unit = shown_unit("lift", self._system)
        heads = ["", *(f"{valve}, {stage}" for valve in ("intake", "exhaust") for stage in ("before", "after"))]
        children: list[w.Widget] = [w.HTML(f"<span class='ll-quiet'>{text}</span>") for text in heads]
        self.cells = {}
        for cylinder in range(1, self._cylinders + 1):
            children.append(w.HTML(f"<span class='ll-quiet'>cyl. {cylinder}, {unit}</span>"))
            for valve in ("intake", "exhaust"):
                for stage in ("before", "after"):
                    key = (cylinder, valve, stage)
                    cell = w.FloatText(value=round(kept.get(key, 0.0), 5), step=0.0005, layout=w.Layout(width="104px"))
                    cell.add_class(f"ll-wear-{cylinder}-{valve}-{stage}")
                    cell.observe(lambda _: self.judge(), names="value")
                    self.cells[key] = cell
                    children.append(cell)
        self.grid.children = children
        self.judge()

    def _uncertainty_m(self) -> float:
        return wear.reading_uncertainty_m(
            resolution_m=_length_m(self.step.value, "the dial's step"),
            indicator_error_m=_length_m(self.error.value, "the dial's error"),
            repeatability_m=_length_m(self.repeat.value, "the spread"),
        )

    def judge(self) -> None:
        """Judge the lobes that have both readings."""
        if self._quiet:
            return
        lobes = [
            (cylinder, valve, self.cells[cylinder, valve, "before"].value, self.cells[cylinder, valve, "after"].value)
            for cylinder in range(1, self._cylinders + 1)
            for valve in ("intake", "exhaust")
        ]
        lobes = [each for each in lobes if each[2] > 0.0 and each[3] > 0.0]
        if not lobes:
            self.answer.value = _said("Fill in lift before and after for every lobe you have measured.")
            self.table.value = ""
            self.charts.draw({})
            return

        def act() -> str:
            unit = shown_unit("lift", self._system)
            in_m = quantity(f"1 {unit}", "m")
            watch = wear.watch_lobes(
                [each[2] * in_m for each in lobes],
                [each[3] * in_m for each in lobes],
                names=[f"{each[0]} {each[1]}" for each in lobes],
                kinds=[each[1] for each in lobes],
                uncertainty_m=self._uncertainty_m(),
                limit_m=_length_m(self.limit.value, "the limit of lift lost"),
                system=self._system,
            )
            self.answer.value = f'<div class="ll-answer" role="status">{escape(watch.answer)}</div>'
            self.table.value = break_in_views.tables_html(break_in_views.watch_tables(watch, self._system))
            self.charts.draw(
                {"Lift lost by lobe, with its 95 % interval": break_in_plots.wear_figure(watch, self._system)}
            )
            return ""

        self.attempt(act)

    def judge_lash(self) -> None:
        """Judge the lash readings in the box."""

        def act() -> str:
            rows = [line.split(None, 1) for line in self.lash.value.splitlines() if line.strip()]
            for number, row in enumerate(rows, start=1):
                if len(row) != 2:
                    raise BuildError(
                        f"line {number} of the lash readings needs hours and a lash, such as: 15 0.0226 in"
                    )
            try:
                hours = [float(row[0]) for row in rows]
            except ValueError:
                raise BuildError("each line of the lash readings begins with the running hours as a number") from None
            if not rows:
                self.lash_answer.value = ""
                return ""
            growth = wear.lash_growth(
                hours,
                [_length_m(row[1], f"the lash at {row[0]} h") for row in rows],
                limit_m=_length_m(self.lash_limit.value, "the limit of lash"),
                uncertainty_m=self._uncertainty_m(),
                system=self._system,
            )
            self.lash_answer.value = f'<div class="ll-answer" role="status">{escape(growth.answer)}</div>'
            return ""

        self.attempt(act)

    def _load(self) -> None:
        def act() -> str:
            if self.build_choice.value is None:
                raise BuildError("there is no build in the record yet; keep one under Record first")
            with self._shelf.open() as record:
                pairs = record.before_and_after(self.build_choice.value)
            if not pairs:
                raise BuildError("this build has no lobe that was measured before and after")
            scale = from_si(1.0, "lift", self._system)
            self._quiet = True
            for (cylinder, valve), pair in pairs.items():
                for stage, value in (("before", pair.before_si), ("after", pair.after_si)):
                    if (cylinder, valve, stage) in self.cells:
                        self.cells[cylinder, valve, stage].value = round(value * scale, 5)
            self._quiet = False
            return f"{len(pairs)} lobes read from the record."

        self.attempt(act)
        said = self.message.value
        self.judge()
        self.message.value = self.message.value or said

    def _keep(self) -> None:
        def act() -> str:
            if self.build_choice.value is None:
                raise BuildError("there is no build in the record yet; keep one under Record first")
            unit = shown_unit("lift", self._system)
            doubt = self._uncertainty_m() * from_si(1.0, "lift", self._system)
            kept = 0
            with self._shelf.open() as record, record.together():
                for (cylinder, valve, stage), cell in self.cells.items():
                    if cell.value > 0.0:
                        record.add_reading(
                            self.build_choice.value, what="lobe lift", value=cell.value, unit=unit,
                            uncertainty=round(doubt, 7), cylinder=cylinder, valve=valve, stage=stage,
                        )  # fmt: skip
                        kept += 1
            return f"{kept} readings written to the record."

        self.attempt(act)

    def _clear(self) -> None:
        self._quiet = True
        for cell in self.cells.values():
            cell.value = 0.0
        self._quiet = False
        self.message.value = ""
        self.judge()
