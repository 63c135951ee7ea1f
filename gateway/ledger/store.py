"""The file of a ledger: opened or begun, brought to this version, looked through, set aside where it is damaged.

SQLite in WAL mode, each commit on the disk before it counts. The file is for the gateway's user alone.
"""

import errno
import os
import secrets
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

import structlog

from gateway.errors import LedgerError
from gateway.files import UnreadableError, open_regular

__all__ = [
    "APPLICATION",
    "NEWEST",
    "Store",
    "error_code",
    "is_damage",
    "open_store",
    "set_aside",
    "transaction",
]

LEDGER_MIGRATED = "ledger.migrated"

APPLICATION = 0x7467_6C67
"""In the head of the file: which program's it is."""
_MAGIC = b"SQLite format 3\0"
_MIGRATIONS = sorted(each.name for each in files("gateway.ledger").joinpath("schema").iterdir() if each.name[0] == "0")
NEWEST = len(_MIGRATIONS)
"""The version of the schema that this program writes and reads."""
_PAGE_BYTES = 4096
_BUSY_S = 2.0
"""Longest it is waited for another process that writes, such as one that prunes."""
_CHECKPOINT_PAGES = 2000
"""What is written in between is written once to the file itself, however often it changed."""
_WAL_BYTES = 9_000_000
"""A WAL that grows costs the file system more writes than one that has grown beforehand. It is cut to this size where a
reader has let it grow further."""
_CACHE_KB = 4000
_WHOLE_CHECK_BYTES = 64_000_000
"""A file of up to this size is looked through at the start (0.2 s on a slow processor); of a larger one all but history
and trends, and the newest entries. The whole of it is what `tank-gateway ledger verify` is for."""
_LARGE_TABLES = frozenset({"history", "trends"})
_NEWEST_ENTRIES = 2000


class Store(NamedTuple):
    """An open file."""

    path: Path
    connection: sqlite3.Connection
    was_there: bool
    """Whether it had been begun before."""
    is_checked: bool
    """Whether all of it was looked through; else the newest entries and all but history and trends."""


def open_store(path: Path, site: str, now_ns: int) -> Store:
    """Raises LedgerError for a file that is not this site's, or none of ours; OSError and sqlite3.Error for what ails
    the disk; `is_damage` tells of the latter whether it is the file."""
    _make(path)
    _refuse_what_is_not_ours(path)
    connection = sqlite3.connect(
        path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False, cached_statements=64
    )
    try:
        is_new = connection.execute("PRAGMA user_version").fetchone()[0] == 0
        _set_up(connection)
        if not is_new:
            _refuse_another_site(connection, path, site)
        is_checked = _check(connection, path)
        _migrate(connection, path, site, now_ns)
        _grow_wal(connection)
    except BaseException:
        connection.close()
        raise
    return Store(path, connection, not is_new, is_checked)


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All of the block, on the disk when it ends, or nothing of it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # A disk that is full may have ended it already.
        if connection.in_transaction:
            with suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
        raise


def error_code(error: BaseException) -> int | None:
    """SQLite's primary code of an error; None: it has none."""
    code = getattr(error, "sqlite_errorcode", None)
    return None if code is None else code & 0xFF


def is_damage(error: BaseException) -> bool:
    """Whether the file itself is broken, so that no other try can help."""
    return error_code(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def set_aside(path: Path, stamp: str) -> Path:
    """Give a damaged file another name, with what belongs to it. What is in it may yet be had by hand."""
    other = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while other.exists():
        number += 1
        other = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    os.rename(path, other)
    for ending in ("-wal", "-shm"):
        with suppress(FileNotFoundError):
            os.rename(f"{path}{ending}", f"{other}{ending}")
    return other


def _make(path: Path) -> None:
    """Where there is none, for this user alone; SQLite gives what it makes beside it the same mode."""
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NONBLOCK, 0o600)
    except FileNotFoundError as error:
        # It may yet come: a disk that is mounted late must not cost history until somebody starts the gateway anew.
        text = f"there is no folder {path.parent}; mount its disk, or make it for the gateway's user"
        raise FileNotFoundError(errno.ENOENT, text) from error
    except NotADirectoryError as error:
        raise LedgerError(f"{path}: there is no folder {path.parent}", "make it, for the gateway's user") from error
    except IsADirectoryError as error:
        raise LedgerError(f"{path}: is a folder", "name a file in it") from error
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise LedgerError(f"{path}: is no regular file", "name another one")
    finally:
        os.close(descriptor)


def _refuse_what_is_not_ours(path: Path) -> None:
    """Before anything is written, and without a connection that could: what is newer or foreign stays as it is."""
    try:
        with open_regular(path) as file:
            head = file.read(100)
    except UnreadableError as error:
        raise OSError(0, error.cause, str(path)) from error
    if not head:
        return
    if not head.startswith(_MAGIC):
        if any(head):
            raise LedgerError(f"{path}: is no ledger", "name another file, or move this one away")
        raise _damaged("it begins with zeros")
    # Without a WAL it is read as if nobody else could write: else one would be left beside it.
    alone = "" if path.with_name(f"{path.name}-wal").exists() else "&immutable=1"
    reading = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro{alone}", uri=True, timeout=_BUSY_S)
    try:
        application = reading.execute("PRAGMA application_id").fetchone()[0]
        version = reading.execute("PRAGMA user_version").fetchone()[0]
        has_tables = reading.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] > 0
    finally:
        reading.close()
    if application != APPLICATION and (has_tables or application != 0):
        raise LedgerError(f"{path}: is a data base of something else", "name another file, or move this one away")
    if version > NEWEST:
        raise LedgerError(
            f"{path}: was written by a newer version (schema {version}; this one knows up to {NEWEST})",
            "install that version again, or move the file away to begin anew",
        )


def _damaged(what: str) -> sqlite3.DatabaseError:
    error = sqlite3.DatabaseError(what)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    error.sqlite_errorname = "SQLITE_CORRUPT"
    return error


def _set_up(connection: sqlite3.Connection) -> None:
    connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise LedgerError(f"its file system cannot keep a ledger (journal mode {mode})", "use a local disk")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA mmap_size = 0")
    connection.execute("PRAGMA temp_store = MEMORY")
    connection.execute(f"PRAGMA cache_size = -{_CACHE_KB}")
    connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
    connection.execute(f"PRAGMA journal_size_limit = {_WAL_BYTES}")


def _refuse_another_site(connection: sqlite3.Connection, path: Path, site: str) -> None:
    found = connection.execute("SELECT value FROM about WHERE key = 'site'").fetchone()
    if found is None:
        raise _damaged("it does not say of which site it is")
    if found[0] != site:
        raise LedgerError(
            f"{path}: is the ledger of site '{found[0]}', not of '{site}'",
            "name another file; a site that has got another name begins a new ledger",
        )


def _check(connection: sqlite3.Connection, path: Path) -> bool:
    """Raises sqlite3.DatabaseError with SQLITE_CORRUPT for what is broken."""
    if path.stat().st_size <= _WHOLE_CHECK_BYTES:
        _quick_check(connection, "")
        return True
    tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    for table in sorted(set(tables) - _LARGE_TABLES):
        _quick_check(connection, f"('{table}')")
    newest = "SELECT length(body) FROM history ORDER BY position DESC LIMIT ?"
    for _ in connection.execute(newest, (_NEWEST_ENTRIES,)):
        pass
    return False


def _quick_check(connection: sqlite3.Connection, of: str) -> None:
    found: Sequence[tuple[str]] = connection.execute(f"PRAGMA quick_check{of}").fetchmany(1)
    if found != [("ok",)]:
        raise _damaged(str(found[0][0]) if found else "it cannot be looked through")


def _migrate(connection: sqlite3.Connection, path: Path, site: str, now_ns: int) -> None:
    """Step by step, each whole or not at all."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    for number in range(version + 1, NEWEST + 1):
        text = files("gateway.ledger").joinpath("schema", _MIGRATIONS[number - 1]).read_text("utf-8")
        with transaction(connection):
            for statement in _statements(text):
                connection.execute(statement)
            if number == 1:
                connection.execute(f"PRAGMA application_id = {APPLICATION}")
                told = {"site": site, "file": secrets.token_hex(16), "begun_ns": str(now_ns)}
                connection.executemany("INSERT INTO about VALUES (?, ?)", told.items())
            connection.execute(f"PRAGMA user_version = {number}")
        if version:
            structlog.get_logger("gateway.ledger").info(LEDGER_MIGRATED, file=str(path), schema=number)


def _statements(text: str) -> Iterator[str]:
    begun = ""
    for line in text.splitlines(keepends=True):
        begun += line
        if sqlite3.complete_statement(begun):
            yield begun
            begun = ""


def _grow_wal(connection: sqlite3.Connection) -> None:
    """By something that is written and taken away again."""
    try:
        connection.execute("DROP TABLE IF EXISTS room")
        # One after the other: what is taken away within its own transaction is never written.
        with transaction(connection):
            connection.execute("CREATE TABLE room (body BLOB)")
            connection.execute("INSERT INTO room VALUES (zeroblob(?))", (_WAL_BYTES,))
        connection.execute("DROP TABLE room")
        connection.execute("PRAGMA wal_checkpoint(RESTART)").fetchall()
    except sqlite3.Error as error:
        # There is room for records yet, maybe: each commit tells by itself.
        if error_code(error) != sqlite3.SQLITE_FULL:
            raise
