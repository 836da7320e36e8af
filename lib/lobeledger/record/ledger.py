"""Entries of the record: written down, put right, found again. Nothing is ever overwritten.

Write something down                   `Ledger.add_build`, `add_candidate`, `add_plan`, `add_reading`, `add_outcome`,
                                       `add_note`
Put a mistake right                    `Ledger.correct`, `withdraw`, `restore`; what stood there before: `history`
Find it again                          `Ledger.entry`, `search` -> `Entry`

A correction adds a version and the older one stays.
"""

from __future__ import annotations

import datetime
import sqlite3
import uuid
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from lobeledger.errors import BuildError
from lobeledger.record.entries import KINDS, READINGS, RESULTS, Entry, checked, choice_of, date_of, text_of
from lobeledger.record.schema import TABLE
from lobeledger.record.storage import Storage, told
from lobeledger.sheet.files import on_one_line

__all__ = ["Ledger", "now"]


def now() -> str:
    """The present time as the record writes times."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="microseconds")


def _today() -> str:
    return datetime.date.today().isoformat()


class Ledger(Storage):
    """The record's entries; they go by the number that add_... returned."""

    def _add(self, kind: str, values: dict[str, Any], uid: str | None = None, made_at: str | None = None) -> int:
        if any(each.name == "date" for each in KINDS[kind]) and values.get("date") is None:
            values = {**values, "date": _today()}
        said = checked(kind, values)
        with self.together():
            self._check_links(kind, said)
            made = self._execute(
                "INSERT INTO entries (kind, uid) VALUES (?, ?)", (kind, uid or f"r-{uuid.uuid4().hex}")
            )
            number = int(made.lastrowid or 0)
            self._insert(kind, number, 1, said, withdrawn=False, why="", made_at=made_at)
        return number

    def _insert(
        self,
        kind: str,
        number: int,
        version: int,
        said: dict[str, Any],
        *,
        withdrawn: bool,
        why: str,
        made_at: str | None = None,
    ) -> None:
        head = {"id": number, "version": version, "made_at": made_at or now(), "withdrawn": int(withdrawn), "why": why}
        row = {**head, **said}
        marks = ", ".join(f":{name}" for name in row)
        self._execute(f"INSERT INTO {TABLE[kind]} ({', '.join(row)}) VALUES ({marks})", row)

    def _check_links(self, kind: str, said: dict[str, Any]) -> None:
        linked: dict[str, Entry] = {}
        for each in KINDS[kind]:
            number = said[each.name]
            if each.sort not in ("build", "candidate") or number is None:
                continue
            found = self._latest(number)
            if found is None or found.kind != each.sort:
                raise BuildError(f"there is no {each.sort} {number} in this record; add it first")
            if found.withdrawn:
                raise BuildError(f"{each.sort} {number} is withdrawn in this record; restore it first")
            linked[each.sort] = found
        candidate = linked.get("candidate")
        if candidate and said.get("build_id") is not None and candidate["build_id"] != said["build_id"]:
            raise BuildError(
                f"candidate {candidate.id} belongs to build {candidate['build_id']}, not to build {said['build_id']}"
            )
        if candidate and candidate["follower"] == "flat" and said.get("result") == "roller failure":
            raise BuildError(
                f"candidate {candidate.id} is flat and has no roller to fail; write 'wiped lobe' or 'other'"
            )

    def add_build(self, name: str, *, sheet: str = "", date: datetime.date | str | None = None, note: str = "") -> int:
        """Write down a build; `sheet` is the text of its build sheet. Returns its number. Date: today if not given."""
        return self._add("build", {"name": name, "sheet": sheet, "date": date, "note": note})

    def add_candidate(
        self, build_id: int, name: str, *, follower: str, lifter: str, code: str = "", note: str = ""
    ) -> int:
        """Write down a candidate of a build; `code` is its id in the build sheet. Returns its number."""
        values = {"build_id": build_id, "name": name, "follower": follower, "lifter": lifter, "code": code}
        return self._add("candidate", {**values, "note": note})

    def add_plan(
        self,
        build_id: int,
        plan: Any,
        *,
        candidate_id: int | None = None,
        date: datetime.date | str | None = None,
        note: str = "",
    ) -> int:
        """Write down a run-in plan: JSON text, or lists and mappings that JSON can hold. Returns its number."""
        values = {"build_id": build_id, "plan": plan, "candidate_id": candidate_id, "date": date}
        return self._add("plan", {**values, "note": note})

    def add_reading(
        self,
        build_id: int,
        *,
        what: str,
        value: float,
        unit: str,
        uncertainty: float | None = None,
        candidate_id: int | None = None,
        place: str = "",
        cylinder: int | None = None,
        valve: str = "",
        stage: str = "",
        hours: float | None = None,
        date: datetime.date | str | None = None,
        note: str = "",
    ) -> int:
        """Write down a reading as it was read, with its unit. Returns its number.

        what: one of READINGS. uncertainty: standard uncertainty in the same unit. valve: intake or exhaust. stage:
        before or after. hours: running hours of the engine then. Raises BuildError, also for an implausible value.
        """
        values = {"build_id": build_id, "what": what, "value": value, "unit": unit, "uncertainty": uncertainty}
        values |= {"candidate_id": candidate_id, "place": place, "cylinder": cylinder, "valve": valve, "stage": stage}
        return self._add("reading", {**values, "hours": hours, "date": date, "note": note})

    def add_outcome(
        self,
        candidate_id: int,
        result: str,
        *,
        hours: float | None = None,
        date: datetime.date | str | None = None,
        note: str = "",
    ) -> int:
        """Write down how a fitted candidate did: one of RESULTS, after so many running hours. Returns its number."""
        values = {"candidate_id": candidate_id, "result": result, "hours": hours, "date": date, "note": note}
        return self._add("outcome", values)

    def add_note(self, text: str, *, build_id: int | None = None, date: datetime.date | str | None = None) -> int:
        """Write down anything else, of a build or of the shop. Returns its number."""
        return self._add("note", {"text": text, "build_id": build_id, "date": date})

    def correct(self, entry_id: int, changes: Mapping[str, Any], *, why: str = "") -> int:
        """Change the named fields of an entry by adding a version; the older one stays in `history`.

        Fields not named keep what the newest version says, so that two people correcting two fields both succeed;
        None or "" clears a field. Returns the new version's number. Raises BuildError.
        """
        return self._add_version(entry_id, changes, withdrawn=False, why=why)

    def withdraw(self, entry_id: int, *, why: str) -> int:
        """Take an entry out of searches and counts, with the reason; it stays in `history` and can be restored."""
        return self._add_version(entry_id, {}, withdrawn=True, why=why)

    def restore(self, entry_id: int, *, why: str = "") -> int:
        """Bring a withdrawn entry back."""
        return self._add_version(entry_id, {}, withdrawn=False, why=why, back=True)

    def _add_version(
        self,
        entry_id: int,
        changes: Mapping[str, Any],
        *,
        withdrawn: bool,
        why: str,
        back: bool = False,
        made_at: str | None = None,
    ) -> int:
        why = text_of("why", why)
        with self.together():
            old = self.entry(entry_id)
            if old.withdrawn != back:
                now = "is withdrawn; restore it first" if old.withdrawn else "is not withdrawn"
                raise BuildError(f"entry {entry_id} {now}")
            said = checked(old.kind, {**old.values, **changes})
            if not withdrawn:
                self._check_links(old.kind, said)
                self._check_followers(old, said)
            self._insert(old.kind, old.id, old.version + 1, said, withdrawn=withdrawn, why=why, made_at=made_at)
        return old.version + 1

    def _check_followers(self, old: Entry, said: dict[str, Any]) -> None:
        """A candidate must still agree with what points at it."""
        if old.kind != "candidate":
            return
        if said["follower"] == "flat" and self.search(kind="outcome", candidate_id=old.id, result="roller failure"):
            raise BuildError(
                f"candidate {old.id} has a roller failure on record; withdraw or correct that outcome first"
            )
        moved = said["build_id"] != old["build_id"]
        if moved and any(e.kind in ("reading", "plan") for e in self.search(candidate_id=old.id)):
            raise BuildError(f"candidate {old.id} has readings or plans in build {old['build_id']}; move those first")

    # -- reading ----------------------------------------------------------------------------------------------

    def _entries(self, kind: str, where: str = "", values: tuple[Any, ...] = ()) -> list[Entry]:
        names = [each.name for each in KINDS[kind]]
        columns = ", ".join(f"t.{name}" for name in ("id", "version", "made_at", "withdrawn", "why", *names))
        rows = self._execute(
            f"SELECT e.uid, {columns} FROM {TABLE[kind]} t JOIN entries e ON e.id = t.id {where}", values
        )
        with self._lock:
            try:
                got = rows.fetchall()
            except sqlite3.Error as error:
                raise told(self.path, error) from None
        made = []
        for uid, number, version, made_at, withdrawn, why, *rest in got:
            said = MappingProxyType(dict(zip(names, rest, strict=True)))
            made.append(Entry(kind, number, version, made_at, bool(withdrawn), why, uid, said))
        return made

    def _newest(self, kind: str) -> list[Entry]:
        table = TABLE[kind]
        return self._entries(
            kind, f"WHERE t.version = (SELECT max(version) FROM {table} WHERE id = t.id) ORDER BY t.id"
        )

    def _latest(self, entry_id: int) -> Entry | None:
        found = self._execute("SELECT kind FROM entries WHERE id = ?", (entry_id,)).fetchone()
        if found is None:
            return None
        rows = self._entries(found[0], "WHERE t.id = ? ORDER BY t.version DESC LIMIT 1", (entry_id,))
        return rows[0] if rows else None

    def entry(self, entry_id: int) -> Entry:
        """The newest version of an entry, withdrawn or not; BuildError when there is none of this number."""
        whole = isinstance(entry_id, int) and abs(entry_id) < 2**63
        found = self._latest(entry_id) if whole else None
        if found is None:
            raise BuildError(f"there is no entry {on_one_line(str(entry_id))} in this record; search for it")
        return found

    def history(self, entry_id: int) -> tuple[Entry, ...]:
        """Every version of an entry, the oldest first."""
        kind = self.entry(entry_id).kind
        return tuple(self._entries(kind, "WHERE t.id = ? ORDER BY t.version", (entry_id,)))

    def search(
        self,
        text: str = "",
        *,
        kind: str | None = None,
        build_id: int | None = None,
        candidate_id: int | None = None,
        what: str | None = None,
        result: str | None = None,
        since: datetime.date | str | None = None,
        until: datetime.date | str | None = None,
    ) -> tuple[Entry, ...]:
        """Entries in the order they were made, their newest versions, without the withdrawn.

        text: words that must all occur in the entry or in the name of its build or candidate, in any case. A filter
        leaves out entries that do not have the field. since, until: first and last date. What belongs to a withdrawn
        build or candidate is left out too. Raises BuildError for a word no filter knows.
        """
        for name, given, choices in (
            ("kind", kind, tuple(KINDS)),
            ("what", what, tuple(READINGS)),
            ("result", result, RESULTS),
        ):
            if given is not None and given not in choices:
                raise BuildError(f"{name} is '{on_one_line(str(given))}'; {choice_of(str(given), choices)}")
        first, last = (None if d is None else date_of("date", d) for d in (since, until))
        words = text.casefold().split()
        with self._reading():
            builds = {e.id: e for e in self._newest("build") if not e.withdrawn}
            candidates = {e.id: e for e in self._newest("candidate") if not e.withdrawn and e["build_id"] in builds}
            every = [e for each in KINDS if kind in (None, each) for e in self._newest(each)]

        def fits(e: Entry) -> bool:
            on_candidate = candidates.get(e.values.get("candidate_id") or 0)
            build_of = e.values.get("build_id") or (on_candidate["build_id"] if on_candidate else None)
            if e.kind == "build":
                build_of = e.id
            if e.withdrawn or (build_of and build_of not in builds):
                return False
            if e.values.get("candidate_id") and on_candidate is None:
                return False
            if build_id is not None and build_of != build_id:
                return False
            if candidate_id is not None and candidate_id != (
                e.id if e.kind == "candidate" else e.values.get("candidate_id")
            ):
                return False
            if (what and e.values.get("what") != what) or (result and e.values.get("result") != result):
                return False
            date = e.values.get("date")
            if (first and not (date and date >= first)) or (last and not (date and date <= last)):
                return False
            if not words:
                return True
            names = [x["name"] for x in (builds.get(build_of or 0), on_candidate) if x]
            everything = "\n".join(str(v) for v in [*e.values.values(), *names] if v is not None).casefold()
            return all(word in everything for word in words)

        return tuple(sorted((e for e in every if fits(e)), key=lambda e: e.id))
