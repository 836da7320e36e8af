"""Hypothesis draws the same examples on every run, so that a failure is everybody's and no run stalls by luck."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from hypothesis import settings

# helpers and the figures that one test lends another are found from every folder
sys.path[:0] = [str(p) for p in Path(__file__).parent.iterdir() if p.is_dir()]

settings.register_profile("steady", derandomize=True, deadline=None)
# LOBELEDGER_HYPOTHESIS=default searches anew; do that before a release.
settings.load_profile(os.environ.get("LOBELEDGER_HYPOTHESIS", "steady"))
