"""Charts by state: the page always gets the whole figure, so nothing that is sent can be half applied.

A figure that is redrawn in place        `LiveChart`
Figures with their titles in a grid      `Charts`

Plotly's own widget carries five megabytes of JavaScript in every figure. Here an invisible model carries it once, and
comes to the page only when a chart that stands there asks for it, so that nothing waits for it before.
"""

from __future__ import annotations

import functools
import pathlib
import re
import threading
from typing import Any

import anywidget
import ipywidgets as w
import numpy as np
import plotly
import traitlets

from lobeledger.page.panels.live import Live, Slot, script

__all__ = ["Charts", "LiveChart"]

# Shorter arrays are sent as plain numbers.
_FEW = 8


@functools.cache
def _bundle_source() -> str:
    """Plotly's widget bundle, with the library in it kept on the page as a promise instead of a widget exported."""
    source = (pathlib.Path(plotly.__file__).parent / "package_data" / "widgetbundle.js").read_text(encoding="utf-8")
    last = list(re.finditer(r"export\{[^}]*?([\w$]+) as default\}\s*;?", source))[-1]
    library = re.search(r"([\w$]+)\.default\.newPlot\(", source)
    assert library is not None, "this plotly's bundle is built otherwise: charts cannot find the library in it"
    name = f"{library.group(1)}.default"
    keep = (
        "\n;globalThis.__lobeledger_plotly_there = true;"
        f"(globalThis.__lobeledger_plotly_ready ? globalThis.__lobeledger_plotly_ready({name}) : "
        f"(globalThis.__lobeledger_plotly ??= Promise.resolve({name})));export default {{render(){{}}}};"
    )
    return source[: last.start()] + keep + source[last.end() :]


class _Bundle(anywidget.AnyWidget):
    """Never shown; its model alone puts plotly on the page. Reading five megabytes may take longer than a model has to
    initialise, so they are no module of its own but imported by it, which it does not wait for."""

    _esm = """
    export default { initialize({ model }) {
      const source = new Blob([model.get("source")], { type: "text/javascript" });
      const address = URL.createObjectURL(source);
      setTimeout(() => import(address).finally(() => URL.revokeObjectURL(address)), 0);
    } };
    """
    source = traitlets.Bytes().tag(sync=True)


def _packed(value: Any) -> Any:
    """Plain data for the wire: arrays of numbers as 4-byte floats, the rest as JSON holds it, NaN as null."""
    if isinstance(value, np.ndarray):
        if value.dtype.kind in "fiu" and value.ndim == 1 and value.size > _FEW:
            return {"f4": np.ascontiguousarray(value, dtype="<f4").tobytes()}
        return _packed(value.tolist())
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, dict):
        return {key: _packed(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_packed(each) for each in value]
    return None if isinstance(value, float) and value != value else value


class _ChartView(Live):
    _esm = script("live", "chart")


class LiveChart(Slot):
    """A figure given as plain data and layout, under its title; `figure` is what was last shown.

    A figure may have a `text` beside data and layout: what it shows, in a sentence, for those who cannot see it.
    """

    def __init__(self, title: str = "") -> None:
        self.title = title
        self.figure: dict[str, Any] = {"data": [], "layout": {}}
        super().__init__(_ChartView, {"title": title, "data": [], "layout": {}, "ghost": []}, self._asks)

    def show(self, figure: dict[str, Any], *, ghost: dict[str, Any] | None = None) -> bool:
        """Bring the chart to a figure, the lines of `ghost` behind it in grey; False where nothing differs."""
        self.figure = figure
        return self.push(
            {
                "title": self.title,
                "text": figure.get("text", ""),
                "data": _packed(figure["data"]),
                "layout": _packed(figure["layout"]),
                "ghost": _packed(ghost["data"]) if ghost else [],
            }
        )

    @staticmethod
    def _asks(content: dict[str, Any]) -> None:
        if content.get("type") == "plotly":
            _Bundle(source=_bundle_source().encode())


class Charts:
    """Charts by their titles in a grid."""

    def __init__(self, wide: tuple[str, ...] = ()) -> None:
        self.box = w.Box([])
        self.box.add_class("ll-grid")
        self.figures: dict[str, LiveChart] = {}
        self._wide = wide
        self._alone = threading.Lock()  # a page turned draws on the kernel's thread, a result on a worker's

    def draw(self, figures: dict[str, dict[str, Any]], ghosts: dict[str, dict[str, Any]] | None = None) -> None:
        """Bring the grid to these figures, by title; ghosts: older figures whose lines stand in grey behind them."""
        with self._alone:
            before = self.figures
            self.figures = {title: before.get(title) or self._new(title) for title in figures}
            for title, figure in figures.items():
                self.figures[title].show(figure, ghost=(ghosts or {}).get(title))
            if list(before) != list(self.figures):
                self.box.children = list(self.figures.values())
            for title, chart in before.items():
                if title not in self.figures:
                    chart.live.close()
                    chart.close()

    def _new(self, title: str) -> LiveChart:
        chart = LiveChart(title)
        if title in self._wide:
            chart.add_class("ll-wide")
        return chart
