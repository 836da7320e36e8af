"""Hypothesis draws the same examples on every run, so that a failure is everybody's and no run stalls by luck."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
# LOBELEDGER_HYPOTHESIS=default searches anew; do that before a release.
settings.load_profile(os.environ.get("LOBELEDGER_HYPOTHESIS", "steady"))
