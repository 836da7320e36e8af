"""The shop's record as a part of the pages.

Search, add, correct, take in and hand out     `RecordView`
Open, look, close                              `Shelf`
Let the record speak                           `RecordTick`
A part that says what went well or wrong       `View`, `said`, `button`, `LABEL`, `NARROW`

The record is opened for each act and closed again, so that two notebooks never stand in each other's way.
"""

from __future__ import annotations

import contextlib
import math
import tempfile
from collections.abc import Callable, Iterator
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.choice.run_in import plan_kept, run_in_plan
from lobeledger.errors import BuildError, LedgerError
from lobeledger.page.panels.base import WIDE
from lobeledger.page.panels.screen import DownloadButton
from lobeledger.page.words import break_in as break_in_views
from lobeledger.parts.build import Build
from lobeledger.record.book import Record, default_path, open_record
from lobeledger.record.entries import KINDS, READINGS, RESULTS
from lobeledger.sheet import tables

__all__ = ["LABEL", "NARROW", "RecordTick", "RecordView", "Shelf", "View", "button", "said"]

LABEL = {"description_width": "104px"}
NARROW = w.Layout(width="300px")
_WRAPPED = w.Layout(flex_flow="row wrap")


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


def said(sentence: str, *, wrong: bool = False) -> str:
    """A sentence as a note, or as an error; nothing for an empty one."""
    kind, role = ("error", "alert") if wrong else ("note", "status")
    return f'<div class="ll-{kind}" role="{role}">{escape(sentence)}</div>' if sentence else ""


def _value_and_unit(text: str) -> tuple[float, str]:
    """The two halves of "0.0220 in"."""
    number, _, unit = text.strip().partition(" ")
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not unit.strip() or not math.isfinite(value):
        raise BuildError("a reading is a number and its unit with a space between, such as 0.0220 in")
    return value, unit.strip()


def button(text: str, hint: str, act: Callable[[], None], name: str) -> w.Button:
    """A button that does something; `name` is what tests find it by."""
    button = w.Button(description=text, tooltip=hint, layout=w.Layout(width="auto", flex="0 0 auto"))
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
        told = ", ".join(f"{kind} {lost} failed of {of}" for kind, (lost, of) in self._counts().items())
        whose = "the invented sample's results" if self._shelf.is_sample else "the shop log's results"
        self.box.description = f"Use {whose}: {told or 'nothing on it yet'}"

    def told(self) -> list[str]:
        """What must be said beside an answer the record has a part in: that its figures are invented."""
        if self.box.value and self._shelf.is_sample:
            return ["The results used here are the invented sample's, not this shop's own."]
        return []

    def seen(self) -> tuple[tuple[str, tuple[int, int]], ...]:
        """Losses and builds by follower, if ticked."""
        return tuple(sorted(self._counts().items())) if self.box.value else ()


class View:
    """A part with a line of its own for what went well or wrong."""

    def __init__(self) -> None:
        self.message = w.HTML(layout=WIDE)

    def attempt(self, act: Callable[[], str]) -> None:
        """Do something that answers with a sentence; a user's mistake becomes its sentence."""
        try:
            self.message.value = said(act())
        except LedgerError as trouble:
            self.message.value = said(str(trouble), wrong=True)


class RecordView(View):
    """The record: find, add, correct, take in, hand out. `changed` is called after every change."""

    def __init__(self, shelf: Shelf, current: Callable[[], tuple[Build, str]], changed: Callable[[], None]) -> None:
        super().__init__()
        self._shelf, self._current, self._changed = shelf, current, changed
        self._make_finding()
        # Tabs, not folds: the heads of an accordion cannot be reached by the keyboard.
        self.acts = w.Tab(children=[self._writing(), self._putting_right()], layout=WIDE)
        self.acts.set_title(0, "Save an entry")
        self.acts.set_title(1, "Fix an entry")
        self.widget = w.VBox(
            [
                w.HBox([self.which, self.upload, self.export], layout=_WRAPPED),
                self.message,
                self.counts,
                self.acts,
                w.HBox([self.search, self.kind]),
                self.list,
            ],
            layout=WIDE,
        )
        self.refresh()

    def _make_finding(self) -> None:
        """Which record, what is in it, in and out as a table."""
        self.which = w.Dropdown(
            options=[("This shop's own", "own"), ("Invented sample, nothing is kept", "sample")],
            description="Record", style=LABEL, layout=w.Layout(width="360px"),
        )  # fmt: skip
        self.which.add_class("ll-record-which")
        self.which.observe(lambda _: self._switch(), names="value")
        self.search = w.Text(placeholder="words to find", description="Find", style=LABEL, layout=NARROW)
        self.search.add_class("ll-record-find")
        self.search.observe(lambda _: self.refresh(), names="value")
        self.kind = w.Dropdown(
            options=[("everything", ""), *((f"{k}s", k) for k in KINDS)], layout=w.Layout(width="140px"),
            tooltip="What to list",
        )  # fmt: skip
        self.kind.observe(lambda _: self.refresh(), names="value")
        self.upload = w.FileUpload(accept=".csv", description="Import CSV", tooltip="Whole file or nothing")
        self.upload.add_class("ll-record-import")
        self.upload.observe(self._uploaded, names="value")
        self.export = DownloadButton(self._export, label="Export CSV", hint="Newest versions, for any spreadsheet")
        self.export.add_class("ll-record-export")
        self.counts = w.HTML(layout=WIDE)
        self.list = w.HTML(layout=WIDE)
        self.list.add_class("ll-record-list")

    def _writing(self) -> w.VBox:
        """What is written down: a cam, how it went, a note, a reading."""
        keep = button(
            "Keep this build and cam",
            "Write the build, its sheet, the chosen cam and its break-in plan into the record",
            self._keep,
            "record-keep",
        )
        self.candidate = w.Dropdown(options=[], description="Cam fitted", style=LABEL, layout=w.Layout(width="480px"))
        self.candidate.add_class("ll-record-cam")
        self.result = w.Dropdown(options=RESULTS, description="How it went", style=LABEL, layout=NARROW)
        self.result.add_class("ll-record-result")
        self.hours = w.FloatText(value=0.0, description="engine hours", style=LABEL, layout=NARROW)
        self.note = w.Text(placeholder="anything else worth keeping", description="Note", style=LABEL, layout=WIDE)
        self.note.add_class("ll-record-note")
        self.date = w.Text(placeholder="2026-11-26; empty: today", description="Date", style=LABEL, layout=NARROW)
        self.date.add_class("ll-record-date")
        outcome = button("Save result", "How this cam ended or stands", self._outcome, "record-outcome")
        note = button("Save note", "A note of the shop", self._note, "record-add-note")
        self._make_reading()
        reading = button("Save reading", "One reading of this cam", self._reading, "record-reading")
        return w.VBox(
            [
                w.HBox([keep]),
                self.candidate,
                w.HBox([self.hours, self.date], layout=_WRAPPED),
                w.HBox([self.result, outcome], layout=_WRAPPED),
                w.HBox([self.note, note]),
                w.HTML('<div class="ll-quiet">A reading at those hours; lobe lifts go in faster under Wear.</div>'),
                w.HBox([self.what, self.read, self.doubt], layout=_WRAPPED),
                w.HBox([self.cylinder, self.valve, self.stage], layout=_WRAPPED),
                w.HBox([reading]),
            ],
            layout=WIDE,
        )

    def _make_reading(self) -> None:
        """The parts of one reading."""
        self.what = w.Dropdown(options=list(READINGS), description="Reading", style=LABEL, layout=NARROW)
        self.what.add_class("ll-record-what")
        self.read = w.Text(
            placeholder="0.0220 in, 45 psi, 205 degF", description="Value, unit", style=LABEL, layout=NARROW
        )
        self.read.add_class("ll-record-read")
        self.doubt = w.Text(placeholder="0.0004, if known", description="plus or minus", style=LABEL, layout=NARROW)
        self.cylinder = w.BoundedIntText(value=0, min=0, max=16, description="Cylinder", style=LABEL, layout=NARROW)
        self.valve = w.Dropdown(
            options=[("no valve", ""), ("intake", "intake"), ("exhaust", "exhaust")],
            description="Valve",
            style=LABEL,
            layout=NARROW,
        )
        self.stage = w.Dropdown(
            options=[("at any time", ""), ("before the break-in", "before"), ("after it", "after")],
            description="Taken", style=LABEL, layout=NARROW,
        )  # fmt: skip

    def _putting_right(self) -> w.VBox:
        """An entry corrected, withdrawn or restored."""
        self.entry = w.BoundedIntText(value=1, min=1, max=10**9, description="Entry", style=LABEL, layout=NARROW)
        self.entry.observe(lambda _: self._fields(), names="value")
        self.field = w.Dropdown(options=[], description="Field", style=LABEL, layout=NARROW)
        self.value = w.Text(description="New value", style=LABEL, layout=NARROW)
        self.why = w.Text(description="Why", style=LABEL, layout=WIDE)
        correct = button("Correct", "The older version is kept", self._correct, "record-correct")
        withdraw = button("Withdraw", "Uncount it; history keeps it", self._withdraw, "record-out")
        restore = button("Restore", "Bring a withdrawn entry back", self._restore, "record-back")
        self.history = w.HTML(layout=WIDE)
        return w.VBox(
            [
                w.HBox([self.entry, self.field, self.value], layout=_WRAPPED),
                self.why,
                w.HBox([correct, withdraw, restore]),
                self.history,
            ],
            layout=WIDE,
        )

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
            self.message.value = said(str(trouble), wrong=True)
            return
        told = [f"{follower}: {lost} failed of {of}" for follower, (lost, of) in seen.items()]
        self.counts.value = (
            f"<div>Cams with an outcome: {escape('; '.join(told))}.</div>"
            if told
            else "<div>Nothing is on record yet. Keep a build and its cam under 'Save an entry', and how it went later.</div>"
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
            plan = plan_kept(run_in_plan(build, candidate), build.currency)
            with self._shelf.open() as record, record.together():
                number = record.add_build(build.name, sheet=build.source)
                cam = record.add_candidate(
                    number, candidate.name, follower=candidate.follower, lifter=candidate.lifter, code=candidate.id
                )
                record.add_plan(number, plan, candidate_id=cam)
            return f"Kept as build {number} with cam {cam} and its break-in plan; save how it went when you know."

        self._after(act)

    def _outcome(self) -> None:
        def act() -> str:
            if self.candidate.value is None:
                raise BuildError("there is no cam in the record yet; keep a build and its cam first")
            with self._shelf.open() as record:
                number = record.add_outcome(
                    self.candidate.value,
                    self.result.value,
                    hours=self.hours.value or None,
                    date=self.date.value.strip() or None,
                )
            return f"Written down as entry {number}."

        self._after(act)

    def _reading(self) -> None:
        def act() -> str:
            if self.candidate.value is None:
                raise BuildError("there is no cam in the record yet; keep a build and its cam first")
            value, unit = _value_and_unit(self.read.value)
            try:
                doubt = float(self.doubt.value) if self.doubt.value.strip() else None
            except ValueError:
                raise BuildError("plus or minus is a number in the reading's own unit, such as 0.0004") from None
            with self._shelf.open() as record:
                number = record.add_reading(
                    record.entry(self.candidate.value)["build_id"],
                    what=self.what.value,
                    value=value,
                    unit=unit,
                    uncertainty=doubt,
                    candidate_id=self.candidate.value,
                    cylinder=self.cylinder.value or None,
                    valve=self.valve.value,
                    stage=self.stage.value,
                    # A reading at no hours is one of a new engine.
                    hours=self.hours.value,
                    date=self.date.value.strip() or None,
                )
            self.read.value = ""
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
                return f"Taken in from {path.name}: {record.import_csv(path).told}."

        self._after(act)
        self.upload.value = ()

    def _export(self) -> tuple[str, str, str] | None:
        try:
            with tempfile.TemporaryDirectory(prefix="lobeledger-") as folder, self._shelf.open() as record:
                path = record.export_csv(Path(folder) / "shop-record.csv")
                return path.name, "text/csv", path.read_text(encoding="utf-8")
        except LedgerError as trouble:
            self.message.value = said(str(trouble), wrong=True)
            return None
