"""The decision on a build, found once.

`decided`
"""

from __future__ import annotations

from lobeledger.choice.decision import decide
from lobeledger.choice.results import Decision
from lobeledger.doubt.speed import MOST_TRIALS
from lobeledger.page.panels.runner import Kept, Progress
from lobeledger.parts.build import Build

__all__ = ["decided"]

_DECISIONS: Kept[tuple[Build, bool], Decision] = Kept(4)


def decided(build: Build, progress: Progress, *, details: bool = False) -> Decision:
    """The decision on a build; the same one when the build is asked for again, as after a change of units.

    Without details it is a first answer: valvetrains are taken as tried before, or as they are given.
    """
    trials = MOST_TRIALS if details else 0
    return _DECISIONS.of((build, details), lambda: decide(build, step=progress.step, details=details, trials=trials))
