"""The record as a table: handed out as CSV, taken in again.

Write it as a table                    `Exchange.export_csv`
Take a table in                        `Exchange.import_csv` -> `Taken`
"""

from __future__ import annotations

import csv
import datetime
import hashlib
import io
import os
import re
from pathlib import Path
from typing import Any, NamedTuple

from lobeledger.errors import BuildError
from lobeledger.record.entries import CSV_COLUMNS, KINDS, Entry, checked, csv_rows, disarmed, rearmed, with_article
from lobeledger.record.ledger import Ledger, now
from lobeledger.sheet.files import on_one_line, write_text_atomically

__all__ = ["Exchange", "Taken"]

_UID = re.compile(r"r-[0-9a-f]{32}")


class Taken(NamedTuple):
    """What a table brought: entries added, entries corrected, rows that say what is here already, rows left out.

    Left out is what is older than a correction made here, and what has been withdrawn here.
    """

    added: int
    corrected: int
    same: int
    left: int

    @property
    def told(self) -> str:
        """The counts as words, those of nothing left out."""
        counts = (
            (self.added, "added"),
            (self.corrected, "corrected"),
            (self.same, "the same as here"),
            (self.left, "left out, older than what is here or withdrawn here"),
        )
        return "; ".join(f"{count} {what}" for count, what in counts if count) or "nothing"


def _made_at(text: str) -> str | None:
    """The time a row was written, as this record writes times; None where it does not say."""
    if not text.strip():
        return None
    try:
        when = datetime.datetime.fromisoformat(text.strip())
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise BuildError(
            f"made_at is '{on_one_line(text)}'; leave it as it was handed out, such as {now()}, or empty the cell"
        )
    return when.astimezone(datetime.UTC).isoformat(timespec="microseconds")


class Exchange(Ledger):
    """A record that travels as a table."""

    def export_csv(self, path: str | os.PathLike[str], *, replace: bool = False) -> Path:
        """Write the newest versions as a CSV that any spreadsheet opens and `import_csv` takes back.

        One row an entry, columns CSV_COLUMNS, UTF-8; older versions and withdrawn entries stay in the record. Text
        that a spreadsheet would run as a formula is led by an apostrophe. Raises BuildError.
        """
        with self._reading():
            entries = self.search()
            uid = {e.id: e.uid for e in entries}
        out = io.StringIO(newline="")
        writer = csv.DictWriter(out, CSV_COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        for e in sorted(entries, key=lambda e: (list(KINDS).index(e.kind), e.id)):
            row: dict[str, Any] = {"kind": e.kind, "ref": e.uid, "made_at": e.made_at, "version": e.version}
            for each in KINDS[e.kind]:
                value = e[each.name]
                if each.sort in ("build", "candidate") and value is not None:
                    value = uid[value]
                row[each.column] = disarmed(value) if isinstance(value, str) else value
            writer.writerow(row)
        # The mark at the start tells a spreadsheet that this is UTF-8.
        return write_text_atomically(path, "\ufeff" + out.getvalue(), replace=replace)

    def import_csv(self, path: str | os.PathLike[str]) -> Taken:
        """Take in a CSV, all of it or nothing; returns what it brought.

        Columns: any of CSV_COLUMNS, at least kind; comment lines (#) may stand before them. `build` and `candidate`
        name the `ref` of another row or of an entry that is here already, or say 'entry 12'. A row with the ref of an
        entry that is here and saying something else corrects it, unless what stands here was written later (made_at).
        The same file is not taken twice. Withdrawals do not travel. Raises BuildError with line and reason.
        """
        name = on_one_line(os.path.basename(os.fspath(path)))
        try:
            raw = Path(path).read_bytes()
        except (OSError, ValueError) as trouble:
            reason = on_one_line(getattr(trouble, "strerror", None) or str(trouble))
            raise BuildError(f"{name} cannot be read ({reason}); look at its name and folder") from None
        try:
            rows = csv_rows(raw)
            digest = hashlib.sha256(raw).hexdigest()
            with self.together():
                seen = self._execute("SELECT made_at FROM imports WHERE digest = ?", (digest,)).fetchone()
                if seen:
                    raise BuildError(f"the same file was taken in on {seen[0][:10]} already")
                taken = self._take_in(rows, name)
                self._execute("INSERT INTO imports VALUES (?, ?, ?)", (digest, name, now()))
        except BuildError as error:
            raise BuildError(f"nothing was taken in from {name}: {error}") from None
        return taken

    def _take_in(self, rows: list[tuple[int, dict[str, str]]], name: str) -> Taken:
        counts = dict.fromkeys(Taken._fields, 0)
        numbers: dict[str, int] = {}
        # Builds and candidates first, so that the order of the rows does not matter.
        order = list(KINDS)
        for line, row in sorted(rows, key=lambda r: (min(order.index(r[1]["kind"]), 2), r[0])):
            kind, ref = row["kind"], row.get("ref", "")
            try:
                if ref and ref in numbers:
                    raise BuildError(f"the ref '{on_one_line(ref)}' stands on two rows; give each its own")
                values, made_at = self._from_row(kind, row, numbers), _made_at(row.get("made_at", ""))
                here = self._by_uid(ref)
                if here is None:
                    number = self._add(kind, values, ref if _UID.fullmatch(ref) else None, made_at)
                    counts["added"] += 1
                else:
                    number = here.id
                    counts[self._meet(here, row, values, made_at, name)] += 1
            except BuildError as error:
                raise BuildError(f"line {line}: {error}") from None
            if ref:
                numbers[ref] = number
        return Taken(**counts)

    def _by_uid(self, ref: str) -> Entry | None:
        """The entry that goes by a ref this record or another has given."""
        if not _UID.fullmatch(ref):
            return None
        found = self._execute("SELECT id FROM entries WHERE uid = ?", (ref,)).fetchone()
        return self._latest(found[0]) if found else None

    def _meet(self, here: Entry, row: dict[str, str], values: dict[str, Any], made_at: str | None, name: str) -> str:
        """Let a row meet the entry it is about; returns what became of it, one of Taken's fields."""
        kind = row["kind"]
        if here.kind != kind:
            raise BuildError(
                f"this row is {with_article(kind)} and entry {here.id} of that ref {with_article(here.kind)}"
            )
        if here.withdrawn:
            return "left"
        # An empty cell empties the field, a column that is not there leaves it.
        changes = {each.name: values.get(each.name) for each in KINDS[kind] if each.column in row}
        if changes.get("date") is None:
            changes.pop("date", None)
        if checked(kind, {**here.values, **changes}) == dict(here.values):
            return "same"
        # Without a time it was written by hand and is meant; the time of the export itself is that of an edited copy.
        if made_at is not None and made_at < here.made_at:
            return "left"
        self._add_version(here.id, changes, withdrawn=False, why=f"taken in from {name}", made_at=made_at)
        return "corrected"

    def _from_row(self, kind: str, row: dict[str, str], numbers: dict[str, int]) -> dict[str, Any]:
        by_column = {each.column: each for each in KINDS[kind]}
        values: dict[str, Any] = {}
        for column, text in row.items():
            if column in ("kind", "ref", "made_at", "version") or not text.strip():
                continue
            each = by_column.get(column)
            if each is None:
                raise BuildError(f"{with_article(kind)} has no {column}; leave that cell empty")
            if each.sort in ("build", "candidate"):
                known = re.fullmatch(r"entry ([0-9]{1,18})", text)
                here = self._by_uid(text)
                if known is None and text not in numbers and here is None:
                    raise BuildError(
                        f"no {each.sort} of this file or this record has the ref '{on_one_line(text)}'; take in the "
                        f"file that has it first"
                    )
                values[each.name] = (
                    int(known.group(1)) if known else numbers[text] if text in numbers or here is None else here.id
                )
            elif each.sort in ("number", "count"):
                try:
                    values[each.name] = float(text)
                except ValueError:
                    hint = "write a decimal point, not a comma" if "," in text else "write a number without its unit"
                    raise BuildError(f"{column} is '{on_one_line(text)}'; {hint}") from None
            else:
                values[each.name] = rearmed(text)
        return values
