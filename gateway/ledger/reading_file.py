"""The file of a ledger opened by somebody who only looks: also while a gateway writes to it, also where nothing may be
written.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gateway.errors import LedgerError
from gateway.files import UnreadableError, open_regular
from gateway.ledger.reading_thread import open_to_read
from gateway.ledger.store import APPLICATION, NEWEST

__all__ = ["is_data_base", "opened", "site_of"]

_MAGIC = b"SQLite format 3\0"


def is_data_base(path: Path) -> bool:
    """Whether it begins like a file of SQLite. Raises UnreadableError."""
    with open_regular(path) as file:
        return file.read(len(_MAGIC)) == _MAGIC


@contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that can change nothing.

    Raises LedgerError for what is no ledger or a newer one, and for all that SQLite finds, also within the block.
    """
    try:
        if not is_data_base(path):
            raise LedgerError(f"{path}: is no ledger", "give the file of a ledger or a site file")
        connection = _connected(path)
    except UnreadableError as error:
        raise LedgerError(str(error)) from error
    except sqlite3.Error as error:
        raise _refusal(path, error) from error
    try:
        _check_kind(path, connection)
        yield connection
    except sqlite3.Error as error:
        raise _refusal(path, error) from error
    finally:
        connection.close()


def site_of(connection: sqlite3.Connection) -> str:
    """The site whose ledger it is."""
    found = connection.execute("SELECT value FROM about WHERE key = 'site'").fetchone()
    return str(found[0]) if found else ""


def _connected(path: Path) -> sqlite3.Connection:
    try:
        connection = open_to_read(path)
        try:
            connection.execute("PRAGMA user_version").fetchone()
        except BaseException:
            connection.close()
            raise
    except sqlite3.OperationalError as error:
        wal = Path(f"{path}-wal")
        if os.access(path.parent, os.W_OK) or not os.access(path, os.R_OK):
            raise
        if wal.exists() and wal.stat().st_size:
            raise LedgerError(
                f"{path}: its newest entries are in {wal.name}, which cannot be read where nothing may be written",
                "copy both files to a folder that may be written",
            ) from error
        # Nothing can change it, and nothing is in any other file.
        return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None)
    return connection


def _check_kind(path: Path, connection: sqlite3.Connection) -> None:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION or not version:
        raise LedgerError(f"{path}: is a data base of something else", "give the file of a ledger or a site file")
    if version > NEWEST:
        raise LedgerError(
            f"{path}: was written by a newer version (schema {version}; this one knows up to {NEWEST})",
            "use the version that wrote it",
        )


def _refusal(path: Path, error: sqlite3.Error) -> LedgerError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    hint = None
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        hint = "it is damaged; keep a copy, and see what `tank-gateway ledger export` still reads of it"
    elif code == sqlite3.SQLITE_CANTOPEN:
        hint = "who reads a ledger needs its folder too: run this as the gateway's user or as root"
    return LedgerError(f"{path}: {error}", hint)
