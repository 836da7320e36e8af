"""The record's file: opened, made when missing, brought up to date, and written in whole transactions.

Open and close it                      `Storage`
Write several things, all or none      `Storage.together`

Every write is one transaction that takes the write lock first, so two notebooks wait for each other and lose nothing,
and a process that dies leaves all of an entry or none. The file uses a rollback journal, not a write-ahead log:
between writes the record is this one file and nothing beside it, safe to copy and usable on a network folder.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
import uuid
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from lobeledger.errors import BuildError
from lobeledger.record.schema import APPLICATION_ID, MIGRATIONS, SCHEMA, TABLE, new_form, set_form
from lobeledger.sheet.files import on_one_line

__all__ = ["Storage", "told"]

_BUSY_S = 30.0


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


def told(where: Path, error: sqlite3.Error) -> BuildError:
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


class Storage:
    """The open file of a record. Safe to use from several threads."""

    def __init__(self, path: Path) -> None:
        """Open `path`, an absolute one, making the record when there is none; raises BuildError."""
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
            raise told(path, error) from None
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
                raise told(path, error) from None
            raise

    def close(self) -> None:
        """Close the file; whatever was added is in it already."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Self:
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
        if self._pragma("application_id") != APPLICATION_ID:
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
        missing = {"entries", *TABLE.values()} - there
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
                set_form(db, new_form(), SCHEMA)
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
            if version not in MIGRATIONS:
                raise _damaged(self.path, f"form {version} is unknown")
            self._back_up(version)
            while version < SCHEMA:
                set_form(self._db, MIGRATIONS[version](), version + 1)
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
                raise told(self.path, error) from None
            finally:
                self._depth -= 1

    def _execute(self, sql: str, values: tuple[Any, ...] | dict[str, Any] = ()) -> sqlite3.Cursor:
        with self._lock:
            try:
                return self._db.execute(sql, values)
            except sqlite3.Error as error:
                raise told(self.path, error) from None

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
