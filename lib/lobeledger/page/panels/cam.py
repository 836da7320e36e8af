"""A panel about one cam of a build: chosen in the head, where it is shown with one of its valves, in pages to turn.

`CamPanel`
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import ipywidgets as w

from lobeledger.page.panels.base import WIDE, SheetPanel
from lobeledger.page.panels.controls import Pick
from lobeledger.page.panels.runner import Progress

__all__ = ["CamPanel"]

Inputs = TypeVar("Inputs")
Result = TypeVar("Result")


class CamPanel(SheetPanel[Inputs, Result]):
    """A panel about one cam of the build, chosen in the bar, and where `which` is shown about one of its valves."""

    def __init__(self, folder: Path, name: str, compute: Callable[[Inputs, Progress], Result]) -> None:
        self.which = Pick(
            "which", "Valve", "intake", lambda _: self._other(), css="ll-which",
            options=[["intake", "Intake"], ["exhaust", "Exhaust"]],
        )  # fmt: skip
        self.cam = w.Dropdown(options=[], description="Cam", style={"description_width": "auto"})
        self.cam.add_class("ll-cam")
        self.cam.observe(lambda _: self._other(), names="value")
        super().__init__(folder, name, compute)

    def pickers(self) -> list[w.Widget]:
        """The build and the cam."""
        return [self.picker, self.cam]

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

    def _fill_controls(self) -> None:
        """Controls of the cam chosen before, or of the build's first."""
        options = [(c.name, c.id) for c in self.build.candidates]
        before = self.cam.value

        def set_cams() -> None:
            self.cam.options = options
            self.cam.value = before if before in [cid for _, cid in options] else options[0][1]

        if list(self.cam.options) != options:
            self.forget()
            self.quietly(set_cams)
        super()._fill_controls()

    def _other(self) -> None:
        if not self._quiet:

            def act() -> None:
                self.build, self._moved = self.current(), {}
                self.quietly(self._fill_controls)
                if self._steps.now is not None:
                    self._steps.amend(self._step(self._steps.now.what))

            self.forget()
            self._keep_next = True
            self.attempt(act)
            self.request()
