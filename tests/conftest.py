"""Hypothesis draws the same examples on every run, so that a failure is everybody's and no run stalls by luck."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

from hypothesis import settings

# helpers and the figures that one test lends another are found from every folder
sys.path[:0] = [str(p) for p in Path(__file__).parent.iterdir() if p.is_dir()]

settings.register_profile("steady", derandomize=True, deadline=None)
# LOBELEDGER_HYPOTHESIS=default searches anew; do that before a release.
settings.load_profile(os.environ.get("LOBELEDGER_HYPOTHESIS", "steady"))

# Files that take longest. Run side by side a file goes to one processor as a whole: these are begun first, and the
# short ones fill the ends. A file that is not there any more is no matter.
LONGEST_FIRST = (
    "tests/assess/test_assess.py",
    "tests/choice/test_stake.py",
    "tests/choice/test_decision.py",
    "tests/page/test_panels.py",
    "tests/test_structure.py",
    "workbook/",
)


def pytest_collection_modifyitems(items: list[Any]) -> None:
    """Begin with the longest files; within a file everything stays in its order."""

    def rank(item: Any) -> int:
        found = [i for i, start in enumerate(LONGEST_FIRST) if item.nodeid.startswith(start)]
        return found[0] if found else len(LONGEST_FIRST)

    items.sort(key=rank)
