"""What every panel about a build has: a bar to open and change it, sliders, an answer, and errors as sentences.

A panel over one build sheet            `SheetPanel`; about one cam of it: `CamPanel`
Live figures in a grid                  `Charts`
A decision, found once a build          `decided`
A round top end for a slider            `round_top`
A file name from what a user typed      `file_stem`

A panel of its own kind says which controls it has (`make_controls`), what it computes from (`inputs`) and how a
result is shown (`show`); the runner is here once.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from html import escape
from pathlib import Path
from typing import Any, Generic, TypeVar

import ipywidgets as w

from lobeledger.choice.decision import decide
from lobeledger.choice.results import Decision
from lobeledger.doubt.speed import MOST_TRIALS
from lobeledger.errors import BuildError, LedgerError
from lobeledger.page.panels import screen
from lobeledger.page.panels.runner import Kept, Progress, Runner
from lobeledger.parts.build import Build
from lobeledger.sheet.change import change
from lobeledger.sheet.open import build_from_bytes, read_build

__all__ = ["WIDE", "CamPanel", "Charts", "SheetPanel", "decided", "file_stem", "round_top"]

Inputs = TypeVar("Inputs")
Result = TypeVar("Result")
Asked = TypeVar("Asked")
Found = TypeVar("Found")
WIDE = w.Layout(width="100%")
# A page may still be loading for so long after its panel was made; seconds after which texts are sent once more.
_LOADING_S = 60.0
_SAY_AGAIN_S = (2.0, 7.0)


class SheetPanel(Generic[Inputs, Result]):
    """Wiring that panels share; `widget` is what a cell shows, `runner` does the work.

    Work that is shown afterwards has a `further_runner` of its own.
    """

    def __init__(self, folder: Path, name: str, compute: Callable[[Inputs, Progress], Result]) -> None:
        self.folder, self.name = folder, name
        self.build: Build
        self.widget: w.Widget
        self._moved: dict[str, Any] = {}
        self._elsewhere: dict[str, Build] = {}  # a build that is in no file of the folder, by how the list names it
        self._quiet = self._stuck = False
        self._units_chosen = False  # by hand: a sheet that opens later does not change them back
        self._frame: w.Widget | None = None
        self._made_at = time.monotonic()
        self._drawing = threading.Lock()
        self._runners: list[Runner[Any, Any]] = []
        self.runner = self.further_runner(compute, self._show, fail=self._compute_failed, busy=self._busy, name=name)
        self.picker = w.Dropdown(options=self.names(), description="Build", style={"description_width": "40px"})
        self.picker.add_class("ll-picker")
        self.picker.observe(lambda event: self.open_file(event["new"]), names="value")
        self.upload = w.FileUpload(
            accept=".toml", description="Open file", tooltip="Read a build sheet (.toml) of your own"
        )
        self.upload.add_class("ll-upload")
        self.upload.observe(self._uploaded, names="value")
        self.system = w.ToggleButtons(
            options=[("US", "us"), ("Metric", "metric")], tooltips=["inches, lbf, psi", "mm, N, kPa"],
            style={"button_width": "68px"},
        )  # fmt: skip
        self.system.add_class("ll-system")
        self.system.observe(lambda _: self._other_units(), names="value")
        self.reset = self.button("Reset", "Back to the build as it was read", lambda: self.open(self._as_read))
        self.reset.add_class("ll-reset")
        self.bar = w.Box([])
        self.bar.add_class("ll-bar")
        self.message, self.answer, self.footer = (w.HTML(layout=WIDE) for _ in range(3))
        for view, kind in ((self.message, "message"), (self.answer, "verdict"), (self.footer, "foot")):
            view.add_class(f"ll-view-{kind}")
        self.progress = w.FloatProgress(
            min=0.0, max=1.0, layout=w.Layout(width="100%", visibility="hidden", height="10px")
        )
        self.progress.add_class("ll-progress")
        self.controls = w.Accordion(children=[], layout=WIDE)

    # -- what a panel of its own kind says -----------------------------------------------------------------

    def make_controls(self) -> dict[str, list[w.Widget]]:
        """Titles and controls of the accordion for the build that is open."""
        raise NotImplementedError

    def inputs(self) -> Inputs:
        """What to compute from, as the controls stand."""
        raise NotImplementedError

    def show(self, result: Result) -> None:
        """Bring the views to a result."""
        raise NotImplementedError

    def frame(self, body: Iterable[w.Widget]) -> w.Widget:
        """The whole panel: style, bar, message, answer, progress, then `body` and the footer."""
        widget = w.VBox(
            [screen.style_widget(), self.bar, self.message, self.answer, self.progress, *body, self.footer],
            layout=w.Layout(width="100%", overflow="hidden"),
        )
        widget.add_class("ll-panel")
        widget.add_class(f"ll-{self.name}")
        self._frame = widget
        return widget

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
        """Open a build: fresh controls, fresh result."""
        self.build, self._as_read, self._moved = build, build, {}
        if not self._units_chosen:
            self.quietly(lambda: setattr(self.system, "value", build.system))
        self.quietly(self._fill_controls)
        self.say("")
        self.request()

    def _other_units(self) -> None:
        """Controls in the other units, with what was moved kept."""

        def act() -> None:
            self._units_chosen = True
            self.build, self._moved = self.current(), {}
            self.quietly(self._fill_controls)

        self.attempt(act)
        self.request()

    def _fill_controls(self) -> None:
        sections = self.make_controls()
        self.controls.children = [w.VBox(children, layout=WIDE) for children in sections.values()]
        for i, title in enumerate(sections):
            self.controls.set_title(i, title)
        self.controls.selected_index = 0

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
    ) -> w.Widget:
        """A slider that moves one value of the sheet; the value now is always reachable.

        A value keeps its doubt as it is moved: its low and high go with it in proportion.
        """
        low, high = min(low, value), max(high, value)
        # A browser's slider snaps to its steps and sends back what it snapped to: the value now must be on one.
        step = next((s for s in (step, step / 5, step / 50, step / 500) if _on_step(value - low, s)), 1e-9)
        slider = w.FloatSlider(
            value=value, min=low, max=high, step=step, description=text, readout_format=",.0f" if step >= 1 else ",.1f" if step >= 0.1 else ",.2f",
            style={"description_width": "104px"}, layout=WIDE, tooltip=hint or self._meaning(path),
        )  # fmt: skip
        slider.add_class("ll-set-" + re.sub(r"[^a-z0-9]+", "-", path))

        def moved(event: dict[str, Any]) -> None:
            def text(number: float) -> str:
                return f"{number:.10g} {unit}".strip()

            new, datum = event["new"], self.build.data.get(path)
            if datum is None or datum.low is None or datum.high is None or not value:
                self.move(path, text(new))
            else:
                low, high = (end / float(datum.value) * new for end in (datum.low, datum.high))
                self.move(path, {"value": text(new), "low": text(low), "high": text(high)})

        slider.observe(moved, names="value")
        return slider

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
        self.progress.layout.visibility = "hidden" if share is None else "visible"
        self.progress.value = share or 0.0

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
        self.show(result)

    def tell(self, answer: str, reasons: Iterable[str]) -> None:
        """The answer and its reasons, at the top."""
        listed = "".join(f"<li>{escape(r)}</li>" for r in reasons)
        self.answer.value = (
            f'<div class="ll-answer" role="status" aria-live="polite">{escape(answer)}</div>'
            f'<ul class="ll-reasons">{listed}</ul>'
        )
        if time.monotonic() - self._made_at < _LOADING_S:
            for delay_s in _SAY_AGAIN_S:
                timer = threading.Timer(delay_s, self._say_again)
                timer.daemon = True
                timer.start()


class CamPanel(SheetPanel[Inputs, Result]):
    """A panel about one cam of the build, chosen in the bar, and where `which` is shown about one of its valves."""

    def __init__(self, folder: Path, name: str, compute: Callable[[Inputs, Progress], Result]) -> None:
        super().__init__(folder, name, compute)
        self.cam = w.Dropdown(options=[], description="Cam", style={"description_width": "32px"})
        self.cam.add_class("ll-cam")
        self.which = w.ToggleButtons(options=["intake", "exhaust"], style={"button_width": "82px"})
        self.which.add_class("ll-which")
        for each in (self.cam, self.which):
            each.observe(lambda _: self._other(), names="value")

    def forget(self) -> None:
        """Drop what belongs to the cam shown before."""

    def turn_pages(self, pages: dict[str, w.Widget], draw: Callable[[], None]) -> w.Tab:
        """Pages under their titles; `draw` is called when another is turned to.

        Plotly mislays a legend in a page that is hidden, so charts are drawn once their page is looked at.
        """
        made = w.Tab(list(pages.values()), layout=WIDE)
        for i, title in enumerate(pages):
            made.set_title(i, title)
        made.add_class("ll-pages")
        made.observe(lambda _: draw(), names="selected_index")
        return made

    def open(self, build: Build) -> None:
        """Open a build with the cam chosen before, or its first."""
        options = [(c.name, c.id) for c in build.candidates]
        before = self.cam.value

        def set_cams() -> None:
            self.cam.options = options
            self.cam.value = before if before in [cid for _, cid in options] else options[0][1]

        self.forget()
        self.quietly(set_cams)
        super().open(build)

    def _other(self) -> None:
        if not self._quiet:
            self.forget()
            self.quietly(self._fill_controls)
            self.request()


class Charts:
    """Live figures with their titles in a grid; drawn anew only where the traces no longer match."""

    def __init__(self, wide: tuple[str, ...] = ()) -> None:
        self.box = w.Box([])
        self.box.add_class("ll-grid")
        self.figures: dict[str, Any] = {}
        self._wide = wide
        self._alone = threading.Lock()  # a page turned draws on the kernel's thread, a result on a worker's

    def draw(self, figures: dict[str, dict[str, Any]]) -> None:
        """Bring the grid to these figures, by title."""
        with self._alone:
            self._bring(figures)

    def _bring(self, figures: dict[str, dict[str, Any]]) -> None:
        rebuild = list(figures) != list(self.figures)
        kept = {title: widget for title, widget in self.figures.items() if title in figures}
        for title, figure in figures.items():
            if title not in kept or not screen.redraw(kept[title], figure):
                kept[title] = screen.live_figure(figure)
                rebuild = True
        self.figures = {title: kept[title] for title in figures}
        if not rebuild:
            return
        boxes = []
        for title, widget in self.figures.items():
            box = w.VBox([w.HTML(f'<div class="ll-chart-title">{escape(title)}</div>'), widget], layout=WIDE)
            if title in self._wide:
                box.add_class("ll-wide")
            boxes.append(box)
        self.box.children = boxes


_DECISIONS: Kept[tuple[Build, bool], Decision] = Kept(4)


def decided(build: Build, progress: Progress, *, details: bool = False) -> Decision:
    """The decision on a build; the same one when the build is asked for again, as after a change of units.

    Without details it is a first answer: valvetrains are taken as tried before, or as they are given.
    """
    trials = MOST_TRIALS if details else 0
    return _DECISIONS.of((build, details), lambda: decide(build, step=progress.step, details=details, trials=trials))


def file_stem(name: str) -> str:
    """A file name from what the user typed. Raises BuildError when nothing usable is left."""
    stem = re.sub(r'[\\/:*?"<>|\x00-\x1f]+', "-", name.strip()).strip(". -")
    stem = stem.removesuffix(".toml")[:80]
    if not stem:
        raise BuildError("give the build a name to save it under, such as my-build")
    return stem


def _on_step(distance: float, step: float) -> bool:
    return abs(distance / step - round(distance / step)) < 1e-6


def round_top(top: float) -> float:
    """A round upper end for a slider."""
    return max(10.0, round(top, -1 if top < 1000 else -2))
