"""The shop's own record: builds, what was fitted, readings, and how it ended, in one SQLite file.

Open it                                `open_record` -> `Record`, `default_path`
Write something down                   `Record.add_build`, `add_candidate`, `add_plan`, `add_reading`, `add_outcome`,
                                       `add_note`; several at once, all or none: `Record.together`
Put a mistake right                    `Record.correct`, `withdraw`, `restore`; what stood there before: `history`
Find it again                          `Record.entry`, `search` -> `Entry`
What has the shop learnt?              `Record.outcomes_by_follower`
What goes to the wear watch?           `Record.lobe_readings`, `before_and_after` -> `Pair`, `over_hours`
In and out as a table                  `Record.import_csv` -> `Taken`, `export_csv`
What may be written?                   room `entries`
How is it kept?                        rooms `schema`, `storage`; its entries: `ledger`

Nothing is ever overwritten: a correction adds a version and the older one stays. Two notebooks may write at once and
lose nothing, and between writes the record is one file with nothing beside it (`storage`).
"""

from __future__ import annotations

import os
from pathlib import Path

from lobeledger.record.counts import Counts
from lobeledger.record.exchange import Exchange
from lobeledger.sheet.tables import data_dir

__all__ = ["Record", "default_path", "open_record"]


class Record(Counts, Exchange):
    """An open shop record. Safe to use from several threads; entries go by the number that add_... returned."""


def default_path() -> Path:
    """Where the record lies unless told otherwise: LOBELEDGER_RECORD, else shop.sqlite in the data folder."""
    elsewhere = os.environ.get("LOBELEDGER_RECORD")
    return Path(elsewhere) if elsewhere else data_dir() / "shop.sqlite"


def open_record(path: str | os.PathLike[str] | None = None) -> Record:
    """Open the shop's record, making it when there is none; use it in a `with` block.

    path: the file, `default_path()` unless given. An older form is brought up to date after a copy of the file has
    been put beside it; a newer form, a damaged file and a file of something else are refused and left untouched. A
    file in a read-only place can be read. Raises BuildError.
    """
    where = Path(os.path.abspath(path if path is not None else default_path()))
    return Record(where)
