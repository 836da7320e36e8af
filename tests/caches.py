"""Everything the library keeps between calls, so that a test or a bench can begin from nothing."""

from __future__ import annotations

import sys
from collections.abc import Callable

__all__ = ["forget", "kept"]


def kept() -> list[Callable[[], None]]:
    """What empties each cache of the library, wherever it stands; compiled code and imports stay."""
    modules = [m for name, m in list(sys.modules.items()) if name.startswith("lobeledger.")]
    found = [f for m in modules for f in vars(m).values() if hasattr(f, "cache_clear") and not isinstance(f, type)]
    return [f.cache_clear for f in found]


def forget() -> None:
    """Empty them all."""
    for clear in kept():
        clear()
