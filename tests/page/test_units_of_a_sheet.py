"""A page opens in the units of its sheet, and keeps those that were chosen by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import lobeledger as ll
from lobeledger.page.panels.base import SheetPanel
from lobeledger.page.panels.controls import Control, Note
from lobeledger.parts.build import Build
from lobeledger.sheet.open import starter_sheet


class Bare(SheetPanel[Any, Any]):
    """A panel with nothing of its own."""

    def make_controls(self, build: Build) -> dict[str, list[Control]]:
        return {"Engine": [Note("note", "Note")]}

    def inputs(self) -> tuple[Any, str]:
        return self.build, self.system.value

    def show(self, result: Any) -> None:
        pass


def test_a_page_opens_in_the_units_of_its_sheet(tmp_path: Path) -> None:
    us = ll.build_from_text(starter_sheet())
    metric = ll.build_from_text(starter_sheet().replace("schema = 1", 'schema = 1\nsystem = "metric"'))
    panel = Bare(tmp_path, "bare", lambda asked, _: asked)
    try:
        for build, system in ((us, "us"), (metric, "metric"), (us, "us")):
            panel.open(build)
            assert panel.system.value == system and panel.inputs()[1] == system
        panel.system.value = "metric"
        panel.open(us)
        assert panel.system.value == "metric"
    finally:
        panel.close()
