"""What the tests of panels in process share."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

from lobeledger.sheet.tables import data_dir

SHIPPED = ("budget-cruiser", "towing-engine", "weekend-racer")


def folder_of_builds(place: Path) -> Path:
    """A folder of the shipped sheets that a test may write into, with a space and a letter outside ASCII."""
    made = place / "my builds ü"
    made.mkdir()
    for name in SHIPPED:
        shutil.copy(data_dir() / "builds" / f"{name}.toml", made)
    return made


def told(html: str) -> str:
    """What a piece of a page says, without its tags and the tooltips of its terms."""
    without = re.sub(r'<span class="ll-tip".*?</span>', "", html, flags=re.DOTALL)
    return unescape(re.sub(r"<[^>]*>", "", without))


def walk(widget: Any) -> Iterator[Any]:
    """A widget and everything in it."""
    yield widget
    for child in getattr(widget, "children", ()):
        yield from walk(child)
