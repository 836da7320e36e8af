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

Nothing is ever overwritten: a correction adds a version and the older one stays. Every write is one transaction
that takes the write lock first, so two notebooks wait for each other and lose nothing, and a process that dies
leaves all of an entry or none. The file uses a rollback journal, not a write-ahead log: between writes the record is
this one file and nothing beside it, safe to copy and usable on a network folder.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import hashlib
import io
import os
import re
import sqlite3
import threading
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any, NamedTuple

from lobeledger.errors import BuildError
from lobeledger.record.entries import (
    CSV_COLUMNS,
    KINDS,
    LOSSES,
    READINGS,
    RESULTS,
    Entry,
    Field,
    checked,
    choice_of,
    csv_rows,
    date_of,
    disarmed,
    rearmed,
    text_of,
    uncertainty_si,
    value_si,
    with_article,
)
from lobeledger.sheet.files import on_one_line, write_text_atomically
from lobeledger.sheet.tables import data_dir

__all__ = ["SCHEMA", "Pair", "Record", "Taken", "default_path", "open_record"]

# Form of the file. Version 1, the first draft, kept no uncertainty, no running hours of a reading, no reasons and no
# withdrawals; it is still read, so that the way from an older file to a newer one is walked and tested.
SCHEMA = 2
_APPLICATION_ID = 0x4C4F4245  # "LOBE", in the file's header: tells this file from any other SQLite file
_BUSY_S = 30.0
_UID = re.compile(r"r-[0-9a-f]{32}")
_TABLE = {kind: f"{kind}s" for kind in KINDS}


class Pair(NamedTuple):
    """One lobe before and after, in SI units; an uncertainty nobody wrote down is None."""

    before_si: float
    after_si: float
    before_uncertainty_si: float | None
    after_uncertainty_si: float | None


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


# -- the file -------------------------------------------------------------------------------------------------


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="microseconds")


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
            f"made_at is '{on_one_line(text)}'; leave it as it was handed out, such as {_now()}, or empty the cell"
        )
    return when.astimezone(datetime.UTC).isoformat(timespec="microseconds")


def _today() -> str:
    return datetime.date.today().isoformat()


def _sql_type(each: Field) -> str:
    return {"number": "REAL", "count": "INTEGER"}.get(each.sort, "TEXT")


def _schema() -> list[str]:
    """Statements that make an empty record of the present form."""
    said = [
        "CREATE TABLE entries (id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, uid TEXT NOT NULL)",
        "CREATE UNIQUE INDEX entries_uid ON entries (uid)",
        "CREATE TABLE imports (digest TEXT PRIMARY KEY, name TEXT NOT NULL, made_at TEXT NOT NULL)",
    ]
    for kind, fields in KINDS.items():
        columns = ["id INTEGER NOT NULL REFERENCES entries (id)", "version INTEGER NOT NULL", "made_at TEXT NOT NULL"]
        columns += ["withdrawn INTEGER NOT NULL DEFAULT 0", "why TEXT NOT NULL DEFAULT ''"]
        for each in fields:
            link = each.sort in ("build", "candidate")
            sql = f"{each.name} INTEGER REFERENCES entries (id)" if link else f"{each.name} {_sql_type(each)}"
            columns.append(sql + (" NOT NULL" if each.required else ""))
        said.append(f"CREATE TABLE {_TABLE[kind]} ({', '.join(columns)}, PRIMARY KEY (id, version))")
    return said + _guards()


def _guards() -> list[str]:
    """Triggers that refuse to change or delete a version, whatever program tries."""
    return [
        f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'versions are kept: correct adds a new one'); END"
        for table in ("entries", *_TABLE.values())
        for act in ("UPDATE", "DELETE")
    ]


def _from_1_to_2() -> list[str]:
    said = ["ALTER TABLE entries ADD COLUMN uid TEXT NOT NULL DEFAULT ''"]
    said += ["UPDATE entries SET uid = 'r-' || lower(hex(randomblob(16)))"]
    said += ["CREATE UNIQUE INDEX entries_uid ON entries (uid)"]
    said += ["CREATE TABLE imports (digest TEXT PRIMARY KEY, name TEXT NOT NULL, made_at TEXT NOT NULL)"]
    for table in ("builds", "candidates", "plans", "readings", "outcomes", "notes"):
        said.append(f"ALTER TABLE {table} ADD COLUMN withdrawn INTEGER NOT NULL DEFAULT 0")
        said.append(f"ALTER TABLE {table} ADD COLUMN why TEXT NOT NULL DEFAULT ''")
    said += ["ALTER TABLE readings ADD COLUMN uncertainty REAL", "ALTER TABLE readings ADD COLUMN hours REAL"]
    return said + _guards()


_MIGRATIONS = {1: _from_1_to_2}


def _run(db: sqlite3.Connection, statements: list[str], version: int) -> None:
    """Bring a file to a form, inside the transaction that is open."""
    for statement in statements:
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {version}")


def _put_in_place(new: Path, where: Path) -> None:
    """Give a file its name unless another has it by now."""
    try:
        os.link(new, where)
    except FileExistsError:
        return
    except OSError:
        # A file system without links: the moment between the two is accepted.
        if not where.exists():
            os.rename(new, where)


def _told(where: Path, error: sqlite3.Error) -> BuildError:
    """An SQLite error as one sentence that says what to do."""
    if isinstance(error, sqlite3.ProgrammingError) and "closed" in str(error):
        return BuildError("the record is closed; open it again with open_record")
    shown = on_one_line(str(where), longest=200)
    code = getattr(error, "sqlite_errorcode", None)
    plain = code & 0xFF if code is not None else None
    if plain in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return BuildError(
            f"{shown} has been held by another program for {_BUSY_S:g} s; nothing was written, so close or wait for "
            "that program and try again"
        )
    if plain in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH):
        return BuildError(
            f"{shown} cannot be written ({on_one_line(str(error))}); put it in a folder that exists and may be written "
            "to, or point LOBELEDGER_RECORD at one"
        )
    if plain == sqlite3.SQLITE_FULL:
        return BuildError(f"the disk of {shown} is full; nothing was written, so make room and try again")
    if plain in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return _damaged(where, str(error))
    return BuildError(f"{shown} cannot be used ({on_one_line(str(error), longest=150)}); nothing was written")


def _damaged(where: Path, reason: str) -> BuildError:
    shown = on_one_line(str(where), longest=200)
    return BuildError(
        f"{shown} is damaged or not a shop record ({on_one_line(reason)}); it was left as it is, so keep it, then put "
        "your last copy or a re-imported CSV in its place or give another file name"
    )


class Record:
    """An open shop record. Safe to use from several threads; entries go by the number that add_... returned."""

    def __init__(self, path: Path) -> None:
        """Open `path`; use `open_record`, which also knows the usual place."""
        self.path = path
        self._lock = threading.RLock()
        self._depth = 0
        self._asking = False
        shown = on_one_line(str(path), longest=200)
        if path.is_dir():
            raise BuildError(f"{shown} is a folder; give the name of a file in it")
        try:
            self._make_if_missing()
            # The absolute path, so that no file name is taken for SQLite's own ':memory:'.
            self._db = sqlite3.connect(str(path), timeout=_BUSY_S, isolation_level=None, check_same_thread=False)
        except sqlite3.Error as error:
            raise _told(path, error) from None
        except ValueError:
            raise BuildError(f"{shown} is not a file name; give another one") from None
        except OSError as error:
            reason = on_one_line(error.strerror or str(error))
            raise BuildError(f"{shown} cannot be used ({reason}); give a file in a folder of your own") from None
        try:
            self._prepare()
        except BaseException as error:
            self._db.close()
            if isinstance(error, sqlite3.Error):
                raise _told(path, error) from None
            raise

    def close(self) -> None:
        """Close the file; whatever was added is in it already."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Record:
        """The record itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Close the file."""
        self.close()

    def _prepare(self) -> None:
        # EXTRA also flushes the folder once the journal is gone, so that a finished entry survives a power cut.
        for pragma in ("synchronous = EXTRA", "foreign_keys = ON", "trusted_schema = OFF", "cell_size_check = ON"):
            self._db.execute(f"PRAGMA {pragma}")
        shown = on_one_line(str(self.path), longest=200)
        if self._pragma("application_id") != _APPLICATION_ID:
            raise BuildError(f"{shown} is an SQLite file of something else; give another file name for the record")
        version = self._pragma("user_version")
        if version > SCHEMA:
            raise BuildError(
                f"{shown} was written by a newer Lobe Ledger (form {version}, this one knows up to {SCHEMA}); it was "
                "left as it is, so update Lobe Ledger and open it again"
            )
        found = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise _damaged(self.path, found)
        there = {name for (name,) in self._db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        missing = {"entries", *_TABLE.values()} - there
        if missing:
            raise _damaged(self.path, f"its table '{min(missing)}' is missing")
        if version < SCHEMA:
            self._migrate()

    def _pragma(self, name: str) -> int:
        return int(self._db.execute(f"PRAGMA {name}").fetchone()[0])

    def _make_if_missing(self) -> None:
        """Make an empty record where there is no file: whole under another name, then moved into its place.

        So a record that is seen at all is whole, and a file without a byte is one that was lost.
        """
        with contextlib.suppress(FileNotFoundError):
            if self.path.stat().st_size:
                return
            raise BuildError(
                f"{on_one_line(str(self.path), longest=200)} is empty, which a record never is: put your last copy in "
                "its place, or delete the empty file to begin a new record"
            )
        where = Path(os.path.realpath(self.path))  # a link may point at where the record shall lie
        new = where.with_name(f"{where.name}.{uuid.uuid4().hex}.new")
        try:
            with contextlib.closing(sqlite3.connect(str(new), isolation_level=None)) as db:
                db.execute("PRAGMA synchronous = EXTRA")
                db.execute("BEGIN IMMEDIATE")
                _run(db, _schema(), SCHEMA)
                db.execute("COMMIT")
            # Another notebook may be first: its record stays.
            _put_in_place(new, where)
        finally:
            new.unlink(missing_ok=True)

    def _migrate(self) -> None:
        """Bring an older form up to date in one transaction, after copying the file beside itself."""
        with self.together():
            version = self._pragma("user_version")  # again, now that nobody else can write
            if version >= SCHEMA:
                return
            if version not in _MIGRATIONS:
                raise _damaged(self.path, f"form {version} is unknown")
            self._back_up(version)
            while version < SCHEMA:
                _run(self._db, _MIGRATIONS[version](), version + 1)
                version += 1

    def _back_up(self, version: int) -> None:
        number = 0
        while True:
            number += 1
            copy = self.path.with_name(f"{self.path.name}.form{version}{f'-{number}' if number > 1 else ''}.backup")
            try:
                os.close(os.open(copy, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
                break
            except FileExistsError:
                continue
            except OSError as trouble:
                raise BuildError(
                    f"{on_one_line(str(copy), longest=200)} cannot be written ({on_one_line(trouble.strerror or '')}); "
                    "the record is of an older form and is brought up to date only with a copy beside it, so move it "
                    "to a folder that may be written to"
                ) from None
        try:
            # A second connection reads what is committed; closing() because sqlite3's own `with` does not close.
            with (
                contextlib.closing(sqlite3.connect(str(self.path), timeout=_BUSY_S)) as source,
                contextlib.closing(sqlite3.connect(str(copy), timeout=_BUSY_S)) as target,
            ):
                target.execute("PRAGMA synchronous = EXTRA")
                source.backup(target)
        except BaseException:
            copy.unlink(missing_ok=True)
            raise

    # -- writing ----------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """What is added inside is kept all or none: `with record.together(): ...`. Other writers wait meanwhile."""
        with self._lock:
            self._depth += 1
            # A block within a block undoes its own part only.
            begin, keep, undo = "BEGIN IMMEDIATE", "COMMIT", ["ROLLBACK"]
            if self._depth > 1:
                name = f"s{self._depth}"
                begin, keep, undo = f"SAVEPOINT {name}", f"RELEASE {name}", [f"ROLLBACK TO {name}", f"RELEASE {name}"]
            try:
                self._execute(begin)
                try:
                    yield
                    self._execute(keep)
                except BaseException:
                    # A full disk or a damaged page may have undone everything already.
                    for statement in undo if self._db.in_transaction else ():
                        self._db.execute(statement)
                    raise
            except sqlite3.Error as error:
                raise _told(self.path, error) from None
            finally:
                self._depth -= 1

    def _execute(self, sql: str, values: tuple[Any, ...] | dict[str, Any] = ()) -> sqlite3.Cursor:
        with self._lock:
            try:
                return self._db.execute(sql, values)
            except sqlite3.Error as error:
                raise _told(self.path, error) from None

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
        head = {"id": number, "version": version, "made_at": made_at or _now(), "withdrawn": int(withdrawn), "why": why}
        row = {**head, **said}
        marks = ", ".join(f":{name}" for name in row)
        self._execute(f"INSERT INTO {_TABLE[kind]} ({', '.join(row)}) VALUES ({marks})", row)

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
            f"SELECT e.uid, {columns} FROM {_TABLE[kind]} t JOIN entries e ON e.id = t.id {where}", values
        )
        with self._lock:
            try:
                got = rows.fetchall()
            except sqlite3.Error as error:
                raise _told(self.path, error) from None
        made = []
        for uid, number, version, made_at, withdrawn, why, *rest in got:
            said = MappingProxyType(dict(zip(names, rest, strict=True)))
            made.append(Entry(kind, number, version, made_at, bool(withdrawn), why, uid, said))
        return made

    def _newest(self, kind: str) -> list[Entry]:
        table = _TABLE[kind]
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

    @contextlib.contextmanager
    def _reading(self) -> Iterator[None]:
        """Several questions answered from one state of the file."""
        with self._lock:
            if self._depth or self._asking:
                yield
                return
            self._execute("BEGIN")
            self._asking = True
            try:
                yield
            finally:
                self._asking = False
                self._db.execute("ROLLBACK")

    def outcomes_by_follower(self) -> dict[str, tuple[int, int]]:
        """(losses, builds) for flat and for roller: what updates an opinion about the chance of a loss.

        A fitted candidate counts once however many outcomes it has, and as a loss if one of them is a wiped lobe or a
        roller failure; 'other' trouble is no loss of the cam.
        """
        lost: dict[int, bool] = {}
        with self._reading():
            for e in self.search(kind="outcome"):
                lost[e["candidate_id"]] = lost.get(e["candidate_id"], False) or e["result"] in LOSSES
            follower = {e.id: e["follower"] for e in self._newest("candidate")}
        counts = {"flat": (0, 0), "roller": (0, 0)}
        for candidate, loss in lost.items():
            losses, builds = counts[follower[candidate]]
            counts[follower[candidate]] = (losses + loss, builds + 1)
        return counts

    def lobe_readings(self, build_id: int, what: str = "lobe lift") -> dict[tuple[int, str, str], Entry]:
        """Last reading of each (cylinder, valve, stage)."""
        found = self.search(kind="reading", build_id=build_id, what=what)
        return {
            (e["cylinder"], e["valve"], e["stage"]): e
            for e in sorted(found, key=lambda e: (e["date"], e["hours"] or 0.0, e.id))
            if e["cylinder"] and e["valve"] and e["stage"]
        }

    def before_and_after(self, build_id: int, what: str = "lobe lift") -> dict[tuple[int, str], Pair]:
        """Last reading before and last reading after of each (cylinder, valve) that has both, in SI units."""
        last = self.lobe_readings(build_id, what)
        pairs = {}
        for cylinder, valve in sorted({(cylinder, valve) for cylinder, valve, _ in last}):
            before, after = (last.get((cylinder, valve, stage)) for stage in ("before", "after"))
            if before and after:
                pairs[cylinder, valve] = Pair(
                    value_si(before), value_si(after), uncertainty_si(before), uncertainty_si(after)
                )
        return pairs

    def over_hours(
        self, build_id: int, *, cylinder: int, valve: str, what: str = "lash"
    ) -> tuple[list[float], list[float], list[float | None]]:
        """Running hours, values and uncertainties (SI units) of one valve's readings, by rising hours."""
        found = [
            e
            for e in self.search(kind="reading", build_id=build_id, what=what)
            if e["cylinder"] == cylinder and e["valve"] == valve and e["hours"] is not None
        ]
        found.sort(key=lambda e: (e["hours"], e.id))
        return [e["hours"] for e in found], [value_si(e) for e in found], [uncertainty_si(e) for e in found]

    # -- tables in and out ------------------------------------------------------------------------------------

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
                self._execute("INSERT INTO imports VALUES (?, ?, ?)", (digest, name, _now()))
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
