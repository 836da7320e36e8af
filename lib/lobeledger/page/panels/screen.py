"""Screen parts that several panels share: downloads, style.

Hand a file to the browser                  `DownloadButton`
Style sheet of the panels                   `style_widget`
"""

from __future__ import annotations

import importlib.resources
from collections.abc import Callable

import ipywidgets as w

from lobeledger.page.panels.controls import Controls, Download

__all__ = ["DownloadButton", "style_widget"]


class DownloadButton(w.Box):
    """A button that hands a file to the browser; make() is as in `controls.Download`."""

    def __init__(self, make: Callable[[], tuple[str, str, str] | None], *, label: str, hint: str = "") -> None:
        self._make = make
        self._controls = Controls()
        self._controls.fill({"": [Download("file", label, make, hint)]})
        super().__init__([self._controls.box])


def style_widget() -> w.HTML:
    """The panels' style sheet as an invisible widget."""
    css = importlib.resources.files("lobeledger").joinpath("templates/panel.css").read_text(encoding="utf-8")
    return w.HTML(f"<style>{css}</style>", layout=w.Layout(display="none"))
