"""What was done to a build on a page, to take back and do again.

One state of the page              `Step`
Where we stand, and what we can    `Steps`
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from lobeledger.parts.build import Build

__all__ = ["Step", "Steps"]

# Moves of one control within so long are one step (s), and so many steps are kept.
_ONE_MOVE_S = 1.2
_MOST = 60


@dataclass(frozen=True)
class Step:
    """A build as read or entered, the values moved since, how the list of builds names it, and what was done."""

    as_read: Build
    build: Build
    moved: tuple[tuple[str, Any], ...]
    name: str
    what: str


class Steps:
    """Steps in order; `now` is the one that stands."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._steps: list[Step] = []
        self._at = -1
        self._touched: tuple[str, float] = ("", 0.0)

    @property
    def now(self) -> Step | None:
        """The step that stands; None before the first."""
        return self._steps[self._at] if self._steps else None

    @property
    def undoes(self) -> str:
        """What taking back would take back; empty when there is nothing."""
        return self._steps[self._at].what if self._at > 0 else ""

    @property
    def redoes(self) -> str:
        """What doing again would do; empty when there is nothing."""
        return self._steps[self._at + 1].what if self._at + 1 < len(self._steps) else ""

    def add(self, step: Step, key: str = "") -> None:
        """Do a step; what was taken back before is forgotten. key: of a control, whose quick moves are one step."""
        now = self._clock()
        same = key and key == self._touched[0] and now - self._touched[1] < _ONE_MOVE_S and self._at > 0
        self._touched = (key, now)
        start = self._at if same else self._at + 1
        self._steps = [*self._steps[:start], step][-_MOST:]
        self._at = len(self._steps) - 1

    def amend(self, step: Step) -> None:
        """Put a step in place of the one that stands, as after a change of units."""
        if self._steps:
            self._steps[self._at] = step

    def go(self, by: int) -> Step | None:
        """Go back (-1) or forth (+1); None when there is nothing there."""
        if not 0 <= self._at + by < len(self._steps):
            return None
        self._at += by
        self._touched = ("", 0.0)
        return self._steps[self._at]
