"""Screen parts that several panels share: live figures, downloads, style.

A plotly figure that updates in place       `live_figure`, `redraw`
Hand a file to the browser                  `DownloadButton`
Style sheet of the panels                   `style_widget`

Plotly's own FigureWidget carries five megabytes of JavaScript in every figure. Here an invisible model carries it
once, and each figure a few lines that wait for it; the figure also refits when its box changes width, which plotly
does only for the window.
"""

from __future__ import annotations

import functools
import importlib.resources
import pathlib
import re
from collections.abc import Callable
from typing import Any

import anywidget
import ipywidgets
import numpy as np
import plotly
import plotly.graph_objects as go
import traitlets

__all__ = ["DownloadButton", "live_figure", "redraw", "style_widget"]

_SHIM = """
const ready = () => globalThis.__lobeledger_plotly ??= new Promise((r) => { globalThis.__lobeledger_plotly_ready = r; });
export default async () => {
  const plot = (await ready())();
  return { ...plot, async render(context) {
    const stop = await plot.render(context);
    let width = 0;
    const watch = new ResizeObserver(() => {
      const now = context.el.clientWidth;
      if (now > 0 && now !== width) { width = now; requestAnimationFrame(() => window.dispatchEvent(new Event("resize"))); }
    });
    watch.observe(context.el);
    return () => { watch.disconnect(); if (typeof stop === "function") stop(); };
  } };
};
"""


def _bundle_source() -> str:
    """Plotly's widget bundle with its export turned into a promise kept on the page."""
    source = (pathlib.Path(plotly.__file__).parent / "package_data" / "widgetbundle.js").read_text(encoding="utf-8")
    last = list(re.finditer(r"export\{[^}]*?([\w$]+) as default\}\s*;?", source))[-1]
    name = last.group(1)
    keep = (
        f"\n;(globalThis.__lobeledger_plotly_ready ? globalThis.__lobeledger_plotly_ready({name}) : "
        f"(globalThis.__lobeledger_plotly ??= Promise.resolve({name})));export default {{render(){{}}}};"
    )
    return source[: last.start()] + keep + source[last.end() :]


@functools.cache
def _bundle() -> anywidget.AnyWidget:
    class PlotlyBundle(anywidget.AnyWidget):
        """Never shown; its model alone puts plotly on the page."""

        _esm = _bundle_source()

    return PlotlyBundle()


class _SharedFigureWidget(go.FigureWidget):
    _esm = _SHIM
    # The plain figure last drawn, to send only what differs; plotly refuses attributes it does not know.
    _drawn: dict[str, Any] = {}

    def __setattr__(self, name: str, value: Any) -> None:
        if name == "_drawn":
            object.__setattr__(self, name, value)
        else:
            super().__setattr__(name, value)


def live_figure(figure: dict[str, Any]) -> go.FigureWidget:
    """A figure, given as plain data and layout, that can be redrawn in place; see `redraw`."""
    _bundle()
    widget = _SharedFigureWidget(figure)
    widget._config = {**widget._config, "displaylogo": False, "responsive": True, "displayModeBar": False}
    widget._drawn = figure
    return widget


def redraw(widget: go.FigureWidget, figure: dict[str, Any]) -> bool:
    """Bring a live figure to the state of another; False when the traces do not match one to one.

    Only what differs is checked and sent: an unchanged curve costs nothing on the wire.
    """
    before = widget._drawn
    if [t["type"] for t in before["data"]] != [t["type"] for t in figure["data"]]:
        return False
    with widget.batch_update():
        for trace, old, new in zip(widget.data, before["data"], figure["data"], strict=True):
            for key, value in new.items():
                if not _same(old.get(key), value):
                    trace[key] = value
        for key, value in figure["layout"].items():
            if not _same(before["layout"].get(key), value):
                widget.layout[key] = value
    widget._drawn = figure
    return True


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, np.ndarray) or isinstance(b, np.ndarray):
        return np.shape(a) == np.shape(b) and bool(np.array_equal(np.asarray(a), np.asarray(b)))
    return bool(a == b)


class DownloadButton(anywidget.AnyWidget):
    """A button that asks the kernel for a file and hands it to the browser; works with no outside help."""

    _esm = """
    function render({ model, el }) {
      const button = document.createElement("button");
      button.className = "ll-download jupyter-button widget-button";
      const name = () => { button.textContent = model.get("label"); button.title = model.get("hint"); };
      name();
      model.on("change:label", name);
      button.addEventListener("click", () => model.send({ type: "wanted" }));
      model.on("msg:custom", (message) => {
        if (message.type !== "file") return;
        const link = document.createElement("a");
        link.href = URL.createObjectURL(new Blob([message.text], { type: message.mime }));
        link.download = message.name;
        document.body.appendChild(link);
        link.click();
        link.remove();
        setTimeout(() => URL.revokeObjectURL(link.href), 10000);
      });
      el.appendChild(button);
    }
    export default { render };
    """
    label = traitlets.Unicode("Download").tag(sync=True)
    hint = traitlets.Unicode("").tag(sync=True)

    def __init__(self, make: Callable[[], tuple[str, str, str] | None], **traits: Any) -> None:
        """make() returns file name, media type and text, or None when there is nothing to hand out."""
        super().__init__(**traits)
        self._make = make
        self.on_msg(self._wanted)

    def _wanted(self, _widget: Any, content: Any, _buffers: Any) -> None:
        if isinstance(content, dict) and content.get("type") == "wanted":
            made = self._make()
            if made is not None:
                name, mime, text = made
                self.send({"type": "file", "name": name, "mime": mime, "text": text})


def style_widget() -> ipywidgets.HTML:
    """The panels' style sheet as an invisible widget."""
    css = importlib.resources.files("lobeledger").joinpath("templates/panel.css").read_text(encoding="utf-8")
    return ipywidgets.HTML(f"<style>{css}</style>", layout=ipywidgets.Layout(display="none"))
