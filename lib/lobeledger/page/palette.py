"""One palette for screens and paper: readable in grey print and by colour-blind people.

Which colour, dash and marker has this candidate?     `style_of`, `CandidateStyle`
Which shade has this group of cost?                   `GROUP_SHADES`, `GROUP_HATCHES`

Flat and roller keep their colour family everywhere, candidates of one kind differ by shade, dash and marker.
Lightness differs between all of them, so a grey print still tells them apart.
"""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["FONT", "GROUP_HATCHES", "GROUP_SHADES", "INK", "QUIET", "CandidateStyle", "style_of"]

INK = "#1c2530"
QUIET = "#4a5560"
FONT = "DejaVu Sans, Segoe UI, Helvetica Neue, Arial, sans-serif"


class CandidateStyle(NamedTuple):
    """How one candidate is drawn; dash and marker by plotly's names, svg_dash for SVG."""

    colour: str
    dash: str
    svg_dash: str
    marker: str


_COLOURS = {
    "flat": ("#8c3b00", "#c76a1a", "#e9a35c", "#5c2600"),
    "roller": ("#08456b", "#2f80b7", "#86bbdf", "#02283f"),
}
_DASHES = {"flat": ("solid", "dash"), "roller": ("dot", "dashdot")}
_SVG_DASHES = {"solid": "", "dash": "7 4", "dot": "2 3", "dashdot": "8 3 2 3"}
_MARKERS = {"flat": ("square", "diamond", "triangle-up", "x"), "roller": ("circle", "cross", "pentagon", "star")}


def style_of(follower: str, position: int) -> CandidateStyle:
    """Style of the candidate that is number `position` (from 0) among those with its kind of follower."""
    dash = _DASHES[follower][position % 2]
    return CandidateStyle(_COLOURS[follower][position % 4], dash, _SVG_DASHES[dash], _MARKERS[follower][position % 4])


# Cost groups from dark to light, alternating enough to be told apart where they touch.
GROUP_SHADES = {
    "parts": "#22384d",
    "machining": "#8fa3b5",
    "fitting": "#4f6b85",
    "break-in": "#c9d3dc",
    "freight and tax": "#70869b",
    "surprises": "#e4e9ee",
    "upkeep": "#a8763e",
    "fuel lost to friction": "#e7cfae",
    "risk of failure": "#7a1f1f",
}
# Costs after the start are hatched as well, so that grey print tells them from those at the start.
GROUP_HATCHES = {"upkeep": "/", "fuel lost to friction": ".", "risk of failure": "x"}
