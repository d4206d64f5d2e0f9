"""SQLite files beside the journal that may be deleted at any time: opening them, and one step of writing.

Rollback mode, so that a user who may only read the store can open them.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from edgeagent.errors import JournalWriteError
from edgeagent.store.files import make_folder

NOTES = "create table notes (name text primary key, value blob not null) without rowid;"
"""The table that every such file has, for its format among others."""
WRITER_WAITS_S = 0.02
"""How long a commit waits for a reader: the service must not stand still for one."""

_NOT_THE_FILE = frozenset(
    (
        *(sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR),
        *(sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_NOMEM),
    )
)


def open_for_reading(path: Path, form: int) -> sqlite3.Connection | None:
    """A file for reading only; None when there is none, or none of this format."""
    with contextlib.suppress(sqlite3.Error, OSError):
        if not path.is_file():
            return None
        # Read-only for SQLite too: a reader must never roll back what the service is just writing, or make a
        # file.
        db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
        with contextlib.suppress(sqlite3.Error):
            if note(db, "format") == str(form).encode():
                return db
        db.close()
    return None


def open_for_writing(path: Path, schema: str, form: int) -> sqlite3.Connection:
    """Open a file, or begin it; what cannot be read is thrown away. Raises JournalWriteError."""
    try:
        make_folder(path.parent)
        # Once more from nothing: a cache that a power cut or another version left unreadable is worth no start.
        with contextlib.suppress(sqlite3.Error):
            return _begun(path, schema, form)
        discard(path)
        return _begun(path, schema, form)
    except (sqlite3.Error, OSError) as error:
        raise JournalWriteError(f"{path}: {error}") from error


def _begun(path: Path, schema: str, form: int) -> sqlite3.Connection:
    # No implicit transactions: `one_commit` says where one begins.
    db = sqlite3.connect(path, timeout=WRITER_WAITS_S, isolation_level=None, check_same_thread=False)
    try:
        # A sync less per commit. What a power cut spoils is found by format, hash or position, and made anew.
        db.execute("pragma synchronous = normal")
        # What a query sorts here is small and needs no file.
        db.execute("pragma temp_store = memory")
        if not db.execute("select 1 from sqlite_master").fetchone():
            # In one step: a format without its tables would be taken for a whole file.
            with one_commit(db):
                for statement in filter(str.strip, (schema + NOTES).split(";")):
                    db.execute(statement)
                db.execute("insert into notes values ('format', ?)", (str(form).encode(),))
        if note(db, "format") != str(form).encode():
            raise sqlite3.DatabaseError("a file of another version")
    except BaseException:
        db.close()
        raise
    return db


def discard(path: Path) -> None:
    """Throw a file away. Raises JournalWriteError."""
    try:
        # The database first: without its rollback journal a half-made commit would read as whole, while SQLite
        # drops a journal that it finds without a database.
        for end in ("", "-journal"):
            path.with_name(path.name + end).unlink(missing_ok=True)
    except OSError as error:
        raise JournalWriteError(f"{path}: {error}") from error


def set_patience(db: sqlite3.Connection, seconds: float) -> None:
    """How long this connection waits for others from here on."""
    db.execute(f"pragma busy_timeout = {round(1000 * seconds)}")


def note(db: sqlite3.Connection, name: str) -> bytes | None:
    """Something kept by name. Raises sqlite3.Error."""
    row = db.execute("select value from notes where name = ?", (name,)).fetchone()
    return None if row is None else bytes(row[0])


@contextlib.contextmanager
def one_commit(db: sqlite3.Connection) -> Iterator[None]:
    """Everything inside in one commit, or nothing of it."""
    # Immediate: a second writer is refused here, not in the middle when a read turns into a write.
    db.execute("begin immediate")
    try:
        yield
        db.execute("commit")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            db.execute("rollback")
        raise


def is_busy(error: sqlite3.Error) -> bool:
    """Whether a reader holds the file, so that writing must wait."""
    # The low byte: above it SQLite says which kind of busy it was.
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def is_damaged(error: BaseException | None) -> bool:
    """Whether the file is to blame for an error of SQLite, and not the disk, a lock or the memory."""
    if not isinstance(error, sqlite3.Error):
        return False
    # Without its tables, or with entries that it cannot have, a file is no less damaged than with bad pages.
    return getattr(error, "sqlite_errorcode", 0) & 0xFF not in _NOT_THE_FILE


def words_of(error: sqlite3.Error) -> str:
    """What went wrong, for a reader."""
    # SQLite calls a file read-only that is not under its name any more.
    if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_READONLY_DBMOVED:
        return "somebody removed or renamed the file"
    return str(error)
