"""What the tests of panels in process stand on."""

from __future__ import annotations

from pathlib import Path

import pytest

from panel_support import folder_of_builds


@pytest.fixture()
def folder(tmp_path: Path) -> Path:
    return folder_of_builds(tmp_path)
