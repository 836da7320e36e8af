"""The builds that are shipped, compared once for all tests of a process that only look at the outcome.

A comparison is frozen all through, so that one test cannot change what the next one sees.
"""

from __future__ import annotations

import functools

import lobeledger as ll
from lobeledger.sheet.tables import data_dir

__all__ = ["compared"]


@functools.cache
def compared(name: str) -> ll.Comparison:
    """The comparison of a shipped build, by the name of its sheet."""
    return ll.compare(ll.read_build(data_dir() / "builds" / f"{name}.toml"))
