"""Form of the record's file: its tables, what guards them, and the way from an older form to this one.

Which form is this, whose file?        `SCHEMA`, `APPLICATION_ID`, `TABLE`
What makes an empty record?            `new_form`
How does an older file come up to date? `MIGRATIONS`, `set_form`
"""

from __future__ import annotations

import sqlite3

from lobeledger.record.entries import KINDS, Field

__all__ = ["APPLICATION_ID", "MIGRATIONS", "SCHEMA", "TABLE", "new_form", "set_form"]

# Form of the file. Version 1, the first draft, kept no uncertainty, no running hours of a reading, no reasons and no
# withdrawals; it is still read, so that the way from an older file to a newer one is walked and tested.
SCHEMA = 2
APPLICATION_ID = 0x4C4F4245  # "LOBE", in the file's header: tells this file from any other SQLite file
TABLE = {kind: f"{kind}s" for kind in KINDS}


def _sql_type(each: Field) -> str:
    return {"number": "REAL", "count": "INTEGER"}.get(each.sort, "TEXT")


def new_form() -> list[str]:
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
        said.append(f"CREATE TABLE {TABLE[kind]} ({', '.join(columns)}, PRIMARY KEY (id, version))")
    return said + _guards()


def _guards() -> list[str]:
    """Triggers that refuse to change or delete a version, whatever program tries."""
    return [
        f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'versions are kept: correct adds a new one'); END"
        for table in ("entries", *TABLE.values())
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


MIGRATIONS = {1: _from_1_to_2}


def set_form(db: sqlite3.Connection, statements: list[str], version: int) -> None:
    """Bring a file to a form, inside the transaction that is open."""
    for statement in statements:
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {version}")
