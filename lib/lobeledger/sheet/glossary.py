"""The glossary: words of the trade in plain words.

Which terms are explained?      `read_glossary` -> `Term`
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

from lobeledger.errors import BuildError
from lobeledger.sheet.tables import data_dir, read_table

__all__ = ["Term", "read_glossary"]


@dataclass(frozen=True)
class Term:
    """A term of the trade. also: other forms under which a text may use it. text: its meaning, without a full stop."""

    name: str
    also: tuple[str, ...]
    text: str

    @property
    def forms(self) -> tuple[str, ...]:
        """All that it may be called."""
        return (self.name, *self.also)


def read_glossary() -> tuple[Term, ...]:
    """The terms of glossary.csv in its order; BuildError when a form is empty, stands twice or has no meaning.

    >>> next(term.text for term in read_glossary() if term.name == "open load")
    'spring force at full lift'
    """
    return _glossary(str(data_dir() / "glossary.csv"))


@functools.lru_cache(maxsize=4)
def _glossary(path_text: str) -> tuple[Term, ...]:
    del path_text  # only tells folders apart
    found: list[Term] = []
    seen: set[str] = set()
    for row in read_table("glossary.csv").rows:
        also = tuple(form.strip() for form in row["also"].split("|")) if row["also"] else ()
        term = Term(row["term"], also, row["text"])
        for form in term.forms:
            if not form or form.lower() in seen:
                raise BuildError(f"glossary.csv has the form '{form}' empty or a second time; keep it once")
            seen.add(form.lower())
        if not term.text:
            raise BuildError(f"glossary.csv does not say what '{term.name}' means; write it")
        found.append(term)
    return tuple(found)
