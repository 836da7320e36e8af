"""What every panel about a build has: a head to open and change it, controls, an answer, and errors as sentences.

A panel over one build sheet            `SheetPanel`
A round top end for a slider            `round_top`
A file name from what a user typed      `file_stem`

A panel of its own kind says which controls it has (`make_controls`), what it computes from (`inputs`) and how a
result is shown (`show`); the runner is here once. What is done to a build can be taken back (`steps`).
"""

from __future__ import annotations

import datetime
import re
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any, Generic, TypeVar

import ipywidgets as w

from lobeledger.errors import BuildError, LedgerError
from lobeledger.page.panels import screen
from lobeledger.page.panels.controls import Button, Control, Controls, Pick, Slider
from lobeledger.page.panels.runner import Progress, Runner
from lobeledger.page.panels.steps import Step, Steps
from lobeledger.page.words.board import split_answer
from lobeledger.page.words.glossary import glossary_html
from lobeledger.parts.build import Build
from lobeledger.sheet.change import change
from lobeledger.sheet.open import build_from_bytes, read_build

__all__ = ["ODDS", "WIDE", "SheetPanel", "boxed", "css_of", "file_stem", "round_top"]

Inputs = TypeVar("Inputs")
Result = TypeVar("Result")
Asked = TypeVar("Asked")
Found = TypeVar("Found")
WIDE = w.Layout(width="100%")
# Odds of one in so many that a slider stops at.
ODDS = (2, 3, 4, 5, 7, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 120, 150, 200, 300, 500, 1000)
# A page may still be loading for so long after its panel was made; seconds after which texts are sent once more.
_LOADING_S = 60.0
# First words of an answer longer than this are set smaller (characters).
_LONG = 72
_SAY_AGAIN_S = (2.0, 7.0)


def boxed(children: Iterable[w.Widget], css: str) -> w.Box:
    """A box with a class of its own."""
    made = w.Box(list(children))
    made.add_class(css)
    return made


class SheetPanel(Generic[Inputs, Result]):
    """Wiring that panels share; `widget` is what a cell shows, `runner` does the work.

    Work that is shown afterwards has a `further_runner` of its own. `latest` is the result that stands, `baseline` the
    one that changes are told against: the first of a build that was opened, or what was kept as such.
    """

    title = ""

    def __init__(self, folder: Path, name: str, compute: Callable[[Inputs, Progress], Result]) -> None:
        self.folder, self.name = folder, name
        self.build: Build
        self.widget: w.Widget
        self.latest: Result | None = None
        self.baseline: Result | None = None
        self.baseline_is = "when opened"
        self._baseline_build: Build | None = None
        self._keep_next = True
        self._steps = Steps()
        self._moved: dict[str, Any] = {}
        self._elsewhere: dict[str, Build] = {}  # a build that is in no file of the folder, by how the list names it
        self._quiet = self._stuck = False
        self._units_chosen = False  # by hand: a sheet that opens later does not change them back
        self._frame: w.Box | None = None
        self._made_at = time.monotonic()
        self._drawing = threading.Lock()
        self._runners: list[Runner[Any, Any]] = []
        self.runner = self.further_runner(compute, self._show, fail=self._compute_failed, busy=self._busy, name=name)
        self.picker = w.Dropdown(options=self.names(), description="Build", style={"description_width": "auto"})
        self.picker.add_class("ll-picker")
        self.picker.observe(lambda event: self.open_file(event["new"]), names="value")
        self.upload = w.FileUpload(
            accept=".toml", description="Open a file", tooltip="Read a build sheet (.toml) of your own"
        )
        self.upload.add_class("ll-upload")
        self.upload.observe(self._uploaded, names="value")
        self.message, self.answer, self.footer, self.progress = (w.HTML(layout=WIDE) for _ in range(4))
        views = ((self.message, "message"), (self.answer, "answer"), (self.footer, "foot"), (self.progress, "progress"))
        for view, kind in views:
            view.add_class(f"ll-view-{kind}")
        self.paper_head = w.HTML()  # what paper says instead of the lists to choose from
        self.controls = Controls("What you can change")
        self.head = Controls("Units and changes", "ll-head-controls")
        self.tools = Controls("Files", "ll-tools")
        self.tray = boxed([self.upload, self.tools.box], "ll-tray")
        self._make_head()

    def _make_head(self) -> None:
        self.system = Pick(
            "system", "Units", "us", lambda _: self._other_units(), options=[["us", "US"], ["metric", "Metric"]],
            css="ll-system", hint="US: inches, lbf, psi. Metric: mm, N, kPa",
        )  # fmt: skip
        self.undo_button = Button("undo", "Undo", self.undo, on=False, shortcut="z", css="ll-undo")
        self.redo_button = Button("redo", "Redo", self.redo, on=False, shortcut="y", css="ll-redo")
        self.keep_button = Button(
            "keep", "Keep as baseline", self.keep, css="ll-keep", hint="Tell every change that follows against this"
        )
        self.reset = Button(
            "reset", "Undo all changes", self._reset, css="ll-reset", hint="To the build as it was opened"
        )
        self.files_button = Button(
            "files", "Files", self._turn_tray, expanded=False, css="ll-files", hint="Open, save, print and export"
        )
        printing = Button("print", "Print", does="print", css="ll-print", hint="This page on paper")
        self.head.fill(
            {
                "": [
                    *self.head_first(),
                    self.system,
                    self.undo_button,
                    self.redo_button,
                    self.keep_button,
                    printing,
                    self.files_button,
                ]
            }
        )
        self.tray.layout.display = "none"

    def _turn_tray(self) -> None:
        is_open = not self.files_button.facts["expanded"]
        self.files_button.show(expanded=is_open)
        self.head.push()
        self.tray.layout.display = "flex" if is_open else "none"

    # -- what a panel of its own kind says -----------------------------------------------------------------

    def head_first(self) -> list[Control]:
        """Controls that stand first in the head."""
        return []

    def make_controls(self, build: Build) -> dict[str, list[Control]]:
        """Titles and controls with the values of this build; nothing else may change by asking for them."""
        raise NotImplementedError

    def opened_folds(self) -> Sequence[str] | None:
        """Titles of the controls that are open at first; None for all."""
        return None

    def inputs(self) -> Inputs:
        """What to compute from, as the controls stand."""
        raise NotImplementedError

    def build_of(self, result: Result) -> Build:
        """The build of a result. Raises LedgerError."""
        return self.current()

    def show(self, result: Result) -> None:
        """Bring the views to a result."""
        raise NotImplementedError

    def frame(self, body: Iterable[w.Widget]) -> w.Box:
        """The whole panel: style, head, message, answer, controls, then `body` and the footer."""
        title = w.HTML(f"<h1>{escape(self.title)}</h1>")
        title.add_class("ll-title")
        self.paper_head.add_class("ll-paper")
        head = boxed([title, self.paper_head, *self.pickers(), self.head.box], "ll-head")
        controls = boxed([w.HTML("<h2>What you can change</h2>"), self.controls.box, *self.below_controls()], "ll-side")
        top = boxed([self.answer, self.progress], "ll-top")
        words = w.HTML(glossary_html(), layout=WIDE)
        words.add_class("ll-view-words")
        widget = boxed(
            [
                screen.style_widget(),
                head,
                self.tray,
                self.message,
                top,
                controls,
                *body,
                self.footer,
                words,
            ],
            "ll-panel",
        )
        widget.add_class(f"ll-{self.name}")
        self._frame = widget
        return widget

    def pickers(self) -> list[w.Widget]:
        """What is chosen in the head."""
        return [self.picker]

    def below_controls(self) -> list[w.Widget]:
        """What stands under the controls."""
        return []

    def _say_again(self) -> None:
        """Send every text once more.

        A page that is just being loaded takes the state of all widgets at one moment; what a worker sends between then
        and the page's own listening is lost.
        """
        waiting = [self._frame] if self._frame is not None else []
        while waiting:
            each = waiting.pop()
            if isinstance(each, w.HTML):
                each.send_state("value")
            waiting += getattr(each, "children", ())

    def further_runner(
        self,
        compute: Callable[[Asked, Progress], Found],
        show: Callable[[Found], None],
        *,
        fail: Callable[[str], None],
        busy: Callable[[float | None], None] = lambda share: None,
        name: str,
    ) -> Runner[Asked, Found]:
        """A runner that draws on this panel in turn with its others and is closed with it."""
        runner: Runner[Asked, Found] = Runner(compute, show, fail=fail, busy=busy, name=name, drawing=self._drawing)
        self._runners.append(runner)
        return runner

    def close(self) -> None:
        """Stop all work of this panel for good."""
        for runner in self._runners:
            runner.close()

    # -- opening -------------------------------------------------------------------------------------------

    def names(self) -> list[str]:
        """Names of the build sheets in the folder."""
        return sorted(p.stem for p in self.folder.glob("*.toml"))

    def open_file(self, name: str) -> None:
        """Open a build sheet of the folder by its name without ending, or the one that was opened from elsewhere."""

        def act() -> None:
            self.open(self._elsewhere[name] if name in self._elsewhere else read_build(self.folder / f"{name}.toml"))

        self.attempt(act)
        self.quietly(lambda: setattr(self.picker, "value", name if name in self.picker.options else None))

    def open_elsewhere(self, build: Build, how: str) -> None:
        """Open a build that is in no file of the folder; the list names it with how it came. Raises LedgerError."""
        self.open(build)
        label = f"{build.name} ({how})"
        self._elsewhere = {label: build}
        self.list_builds(label)

    def list_builds(self, chosen: str) -> None:
        """Read the folder's list anew and show one as chosen."""

        def bring() -> None:
            self.picker.options = [*self.names(), *self._elsewhere]
            self.picker.value = chosen

        self.quietly(bring)

    def _uploaded(self, _: Any) -> None:
        if not self.upload.value:
            return
        file = self.upload.value[0]
        self.attempt(lambda: self.open_elsewhere(build_from_bytes(bytes(file["content"]), str(file["name"])), "opened"))
        self.quietly(lambda: setattr(self.upload, "value", ()))

    def open(self, build: Build) -> None:
        """Open a build: fresh controls, fresh result, which is the baseline from then on."""
        self._as_read = build
        self._keep_next, self.baseline_is = True, "when opened"
        if not self._units_chosen:
            self.quietly(lambda: setattr(self.system, "value", build.system))
        self._bring(build, "opening the build")

    def take(self, build: Build, what: str) -> None:
        """Take a whole new build in place of the one that stands, as from a form; what: for Undo, as 'the new cam'.

        What it is compared with, and what Undo all changes goes back to, stay. Raises nothing: a build is whole.
        """
        self._bring(build, what)

    def _bring(self, build: Build, what: str) -> None:
        self.build, self._moved = build, {}
        self.quietly(self._fill_controls)
        self._steps.add(self._step(what))
        self._show_steps()
        self.say("")
        self.request()

    def _reset(self) -> None:
        if self._moved or self.build is not self._as_read:
            self.take(self._as_read, "undoing all changes")

    def _other_units(self) -> None:
        """Controls in the other units, with what was moved kept."""

        def act() -> None:
            self._units_chosen = True
            self.build, self._moved = self.current(), {}
            self.quietly(self._fill_controls)
            if self._steps.now is not None:
                self._steps.amend(self._step(self._steps.now.what))

        self.attempt(act)
        self.request()

    def _fill_controls(self) -> None:
        self.controls.fill(self.make_controls(self.build), self.opened_folds())
        self._mark_baseline()

    # -- taking back, doing again, what is compared with ---------------------------------------------------

    def _step(self, what: str) -> Step:
        return Step(self._as_read, self.build, self.moved, str(self.picker.value or ""), what)

    def undo(self) -> None:
        """Take back the last step."""
        self._go(-1)

    def redo(self) -> None:
        """Do again what was taken back."""
        self._go(1)

    def _go(self, by: int) -> None:
        before = self._steps.now
        step = self._steps.go(by)
        if step is None or before is None:
            return
        self._as_read, self.build, self._moved = step.as_read, step.build, dict(step.moved)

        def bring() -> None:
            if step.as_read is not before.as_read:
                self._keep_next, self.baseline_is = True, "when opened"
            if step.name in self.picker.options:
                self.picker.value = step.name
            made = self.make_controls(self.current())
            wanted = {control.key: control.value for section in made.values() for control in section}
            if step.build is not before.build or list(wanted) != [control.key for control in self.controls.every()]:
                self._fill_controls()
            with self.controls.quietly():
                for control in self.controls.every():
                    control.value = wanted.get(control.key, control.value)

        self.quietly(bring)
        self._show_steps()
        self.say("")
        self.request()

    def _show_steps(self) -> None:
        undoes, redoes = self._steps.undoes, self._steps.redoes
        self.undo_button.show(
            on=bool(undoes), hint=f"Take back: {undoes} (Ctrl+Z)" if undoes else "Nothing to take back"
        )
        self.redo_button.show(on=bool(redoes), hint=f"Do again: {redoes} (Ctrl+Y)" if redoes else "Nothing to do again")
        self.head.push()

    def keep(self) -> None:
        """Keep what stands as the baseline: every change that follows is told against it."""
        if self.latest is None:
            return
        self.baseline_is = "the baseline"
        self._set_baseline(self.latest)
        self.show_again()

    def show_again(self) -> None:
        """Show what stands once more, as after another baseline."""
        if self.latest is not None:
            self.show(self.latest)

    def _set_baseline(self, result: Result) -> None:
        self.baseline = result
        try:
            self._baseline_build = self.build_of(result)
        except LedgerError:
            return
        self._mark_baseline()
        self.controls.push()

    def _mark_baseline(self) -> None:
        """Where the baseline has each slider."""
        if self._baseline_build is None:
            return
        try:
            made = self.make_controls(self._baseline_build)
        except LedgerError:
            return  # the cam that is shown was not there then
        values = {control.key: control.value for section in made.values() for control in section}
        for control in self.controls.every():
            if isinstance(control, Slider):
                control.show(before=values.get(control.key))

    def attempt(self, act: Callable[[], None]) -> None:
        """A user's mistake becomes its sentence; what was shown stays."""
        if self._quiet:
            return
        try:
            act()
        except LedgerError as trouble:
            self.fail(str(trouble))

    def quietly(self, act: Callable[[], None]) -> None:
        """Set widgets without their asking for a new result."""
        before, self._quiet = self._quiet, True
        try:
            act()
        finally:
            self._quiet = before

    # -- controls ------------------------------------------------------------------------------------------

    @staticmethod
    def button(text: str, hint: str, act: Callable[[], None]) -> w.Button:
        """A button that does something."""
        button = w.Button(description=text, tooltip=hint, layout=w.Layout(width="auto"))
        button.on_click(lambda _: act())
        return button

    def slider(
        self, path: str, text: str, value: float, low: float, high: float, step: float, unit: str, hint: str = ""
    ) -> Slider:
        """A slider that moves one value of the sheet; the value now is always reachable.

        A value keeps its doubt as it is moved: its low and high go with it in proportion.
        """
        low, high = min(low, value), max(high, value)
        # A browser's slider snaps to its steps and sends back what it snapped to: the value now must be on one.
        step = next((s for s in (step, step / 5, step / 50, step / 500) if _on_step(value - low, s)), 1e-9)

        def moved(new: float) -> None:
            def text(number: float) -> str:
                return f"{number:.10g} {unit}".strip()

            datum = self.build.data.get(path)
            if datum is None or datum.low is None or datum.high is None or not value:
                self.move(path, text(new))
            else:
                low, high = (end / float(datum.value) * new for end in (datum.low, datum.high))
                self.move(path, {"value": text(new), "low": text(low), "high": text(high)})

        return Slider(
            path, text, value, moved, low=low, high=high, step=step, unit=unit, css=css_of(path),
            hint=hint or self._meaning(path),
        )  # fmt: skip

    def odds(self, path: str, text: str, value: float, name: str, hint: str = "") -> Slider:
        """A slider over odds of one in so many; name: for its class."""
        stops = sorted({float(n) for n in (*ODDS, value)})
        return Slider(
            path, text, value, lambda new: self.move(path, new), stops=stops, prefix="1 in", css=f"ll-set-{name}",
            hint=hint,
        )  # fmt: skip

    def _meaning(self, path: str) -> str:
        datum = self.build.data.get(path)
        return f"{datum.text}, {datum.origin}" if datum else ""

    # -- moving, computing, showing ------------------------------------------------------------------------

    def move(self, path: str, value: Any) -> None:
        """Move one value of the sheet and ask for the result."""
        self.move_all({path: value})

    def move_all(self, changes: Mapping[str, Any]) -> None:
        """Move several values of the sheet at once and ask for the result."""
        if not self._quiet:
            self._moved |= changes
            key = " ".join(changes)
            what = self.controls[key].label if key in self.controls else "the last change"
            self._steps.add(self._step(what), key)
            self._show_steps()
            self.request()

    @property
    def moved(self) -> tuple[tuple[str, Any], ...]:
        """What has been moved since the sheet was read."""
        return tuple(self._moved.items())

    def current(self) -> Build:
        """The build with what has been moved. Raises LedgerError."""
        return change(self.build, self._moved) if self._moved else self.build

    def request(self) -> None:
        """Ask for the result of the controls as they stand."""
        if not self._quiet:
            self.runner.request(self.inputs())

    def _busy(self, share: float | None) -> None:
        if self._frame is not None:
            (self._frame.remove_class if share is None else self._frame.add_class)("ll-busy")
        self.progress.value = (
            ""
            if share is None
            else f'<div class="ll-progress" role="progressbar" aria-label="Working it out" aria-valuemin="0" '
            f'aria-valuemax="100" aria-valuenow="{100 * share:.0f}"><i style="width:{100 * share:.0f}%"></i></div>'
        )

    def _compute_failed(self, sentence: str) -> None:
        self._stuck = True
        self.fail(sentence)

    def fail(self, sentence: str) -> None:
        """Say what went wrong."""
        self.message.value = f'<div class="ll-error" role="alert">{escape(sentence)}</div>'

    def say(self, sentence: str) -> None:
        """Say something in passing; empty takes it away."""
        self.message.value = f'<div class="ll-note" role="status">{escape(sentence)}</div>' if sentence else ""

    def _show(self, result: Result) -> None:
        if self._stuck:
            # Only a failed computation is mended by a good one; what saving or opening said stays to be read.
            self._stuck = False
            self.say("")
        self.latest = result
        self.paper_head.value = self._on_paper(result)
        if self._keep_next or self.baseline is None:
            self._keep_next = False
            self._set_baseline(result)
        self.show(result)

    def _on_paper(self, result: Result) -> str:
        try:
            name = self.build_of(result).name
        except LedgerError:
            return ""
        return f"{escape(name)}, {datetime.date.today():%d %B %Y}"

    def tell(self, answer: str, change: str = "") -> None:
        """The answer at the top, its first words large; change: what has become of it since the baseline."""
        first, rest = split_answer(answer)
        parts = [f"<p>{escape(each)}</p>" for each in rest]
        parts.insert(1, f'<p class="ll-change">{escape(change)}</p>' if change else "")
        said = "".join(parts)
        self.answer.value = (
            f'<div class="ll-answer" role="status" aria-live="polite" data-answer="{escape(answer)}">'
            f"<h2{' class=ll-long' if len(first) > _LONG else ''}>{escape(first)}</h2><div>{said}</div></div>"
        )
        if time.monotonic() - self._made_at < _LOADING_S:
            for delay_s in _SAY_AGAIN_S:
                timer = threading.Timer(delay_s, self._say_again)
                timer.daemon = True
                timer.start()


def file_stem(name: str) -> str:
    """A file name from what the user typed. Raises BuildError when nothing usable is left."""
    stem = re.sub(r'[\\/:*?"<>|\x00-\x1f]+', "-", name.strip()).strip(". -")
    stem = stem.removesuffix(".toml")[:80]
    if not stem:
        raise BuildError("give the build a name to save it under, such as my-build")
    return stem


def css_of(path: str) -> str:
    """The class of the control of a value of the sheet."""
    return "ll-set-" + re.sub(r"[^a-z0-9]+", "-", path)


def _on_step(distance: float, step: float) -> bool:
    return abs(distance / step - round(distance / step)) < 1e-6


def round_top(top: float) -> float:
    """A round upper end for a slider."""
    return max(10.0, round(top, -1 if top < 1000 else -2))
