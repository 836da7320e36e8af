"""Live panels for the notebooks; a notebook cell calls one function here.

Which cam for this build, and what will it cost?                                `choose`
What else to buy, how to break it in, what is at stake?                         `break_in`
What does this lobe do to its lifter, and how much better could it be?          `lobes`
How high before the valves float?                                               `valvetrain`

Each panel has a room of its own: pure compute, pure view (`report`, `plots`) and the wiring between them
(`base`). Compute runs in `runner`; what is open goes from page to page with `keeper_panel`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ipywidgets as w

from lobeledger.page.panels.base import SheetPanel
from lobeledger.page.panels.break_in import BreakInPanel
from lobeledger.page.panels.choose import ChoosePanel
from lobeledger.page.panels.keeper_panel import Keeping
from lobeledger.page.panels.lobes import LobesPanel
from lobeledger.page.panels.valvetrain import ValvetrainPanel
from lobeledger.sheet import tables

__all__ = ["break_in", "choose", "lobes", "valvetrain"]

_FIRST_RESULT_S = 30.0


class _Choose(Keeping, ChoosePanel):
    pass


class _BreakIn(Keeping, BreakInPanel):
    pass


class _Lobes(Keeping, LobesPanel):
    pass


class _Valvetrain(Keeping, ValvetrainPanel):
    pass


def _ready(panel: SheetPanel[Any, Any]) -> w.Widget:
    """The panel's widget once its first result stands.

    A page takes the state of all widgets when it is loaded; what is there by then cannot be missed.
    """
    panel.runner.wait(_FIRST_RESULT_S)
    widget: w.Widget = panel.widget
    return widget


def _builds(folder: str | Path | None) -> Path:
    return Path(folder) if folder is not None else tables.data_dir() / "builds"


def choose(folder: str | Path | None = None, *, start: str = "budget-cruiser") -> w.Widget:
    """The choose panel. folder: where build sheets are read and saved; start: the sheet it opens with."""
    return _ready(_Choose(_builds(folder), start))


def break_in(
    folder: str | Path | None = None, *, start: str = "budget-cruiser", record: str | Path | None = None
) -> w.Widget:
    """The break-in panel. folder and start as in `choose`; record: the shop's record, its usual place if not given."""
    return _ready(_BreakIn(_builds(folder), start, Path(record) if record is not None else None))


def lobes(folder: str | Path | None = None, *, start: str = "budget-cruiser") -> w.Widget:
    """The lobes panel. folder and start as in `choose`."""
    return _ready(_Lobes(_builds(folder), start))


def valvetrain(folder: str | Path | None = None, *, start: str = "budget-cruiser") -> w.Widget:
    """The valvetrain panel. folder and start as in `choose`."""
    return _ready(_Valvetrain(_builds(folder), start))
