"""Live panels for the notebooks; a notebook cell calls one function here.

Which cam for this build, and what will it cost?                                `choose`
What must be bought with it, how is it run in, what is at stake?                `break_in`
What does this lobe ask of its follower, and how much better could it be?       `lobes`
How fast can it turn before it leaves the lobe?                                 `valvetrain`

Each panel has a room of its own: pure compute, pure view (`report`, `plots`) and the wiring between them
(`sheet_panel`). Compute runs in `runner`.
"""

from __future__ import annotations

from pathlib import Path

import ipywidgets as w

from lobeledger import tables
from lobeledger.break_in_panel import BreakInPanel
from lobeledger.choose_panel import ChoosePanel
from lobeledger.lobes_panel import LobesPanel
from lobeledger.valvetrain_panel import ValvetrainPanel

__all__ = ["break_in", "choose", "lobes", "valvetrain"]


def _builds(folder: str | Path | None) -> Path:
    return Path(folder) if folder is not None else tables.data_dir() / "builds"


def choose(folder: str | Path | None = None, *, start: str = "budget-cruiser") -> w.Widget:
    """The choose panel. folder: where build sheets are read and saved; start: the sheet it opens with."""
    return ChoosePanel(_builds(folder), start).widget


def break_in(
    folder: str | Path | None = None, *, start: str = "budget-cruiser", record: str | Path | None = None
) -> w.Widget:
    """The break-in panel. folder and start as in `choose`; record: the shop's record, its usual place if not given."""
    return BreakInPanel(_builds(folder), start, Path(record) if record is not None else None).widget


def lobes(folder: str | Path | None = None, *, start: str = "budget-cruiser") -> w.Widget:
    """The lobes panel. folder and start as in `choose`."""
    return LobesPanel(_builds(folder), start).widget


def valvetrain(folder: str | Path | None = None, *, start: str = "budget-cruiser") -> w.Widget:
    """The valvetrain panel. folder and start as in `choose`."""
    return ValvetrainPanel(_builds(folder), start).widget
