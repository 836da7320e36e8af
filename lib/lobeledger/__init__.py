"""Lobe Ledger: which camshaft and lifters, flat-tappet or roller, for this engine, use and budget.

    import lobeledger as ll
    build = ll.read_build("data/builds/budget-cruiser.toml")
    comparison = ll.compare(build)
    print(comparison.verdict)
    ll.write_customer_sheet(comparison, "sheet.html")

Read and change a build sheet      `read_build`, `build_from_text`, `change`, `write_build`
Compare its candidates             `compare` -> `Comparison`
Print what came out                `write_customer_sheet`
What goes wrong, in one sentence   `LedgerError`, `BuildError`, `OutOfRange`, `NoSolution`

The rooms behind these names are listed in DEVELOPERS.md. Names are imported when first used, so that reading
a build does not wait for plotting.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from lobeledger._startup import prepare

prepare()

if TYPE_CHECKING:
    from lobeledger.errors import BuildError, LedgerError, NoSolution, OutOfRange
    from lobeledger.page.paper.customer import write_customer_sheet
    from lobeledger.page.words.comparison import Comparison, compare
    from lobeledger.sheet.change import change, write_build
    from lobeledger.sheet.open import build_from_text, read_build

__version__ = "0.1.0"
_HOME = {
    "build_from_text": "sheet.open",
    "change": "sheet.change",
    "read_build": "sheet.open",
    "write_build": "sheet.change",
    "compare": "page.words.comparison",
    "Comparison": "page.words.comparison",
    "BuildError": "errors",
    "LedgerError": "errors",
    "NoSolution": "errors",
    "OutOfRange": "errors",
    "write_customer_sheet": "page.paper.customer",
}
__all__ = [
    "BuildError",
    "Comparison",
    "LedgerError",
    "NoSolution",
    "OutOfRange",
    "build_from_text",
    "change",
    "compare",
    "read_build",
    "write_build",
    "write_customer_sheet",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(importlib.import_module(f"lobeledger.{_HOME[name]}"), name)
    raise AttributeError(f"module 'lobeledger' has no attribute '{name}'")
