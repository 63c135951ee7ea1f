"""One process at a time writes to a ledger: for as long as it does, a file beside it is locked.

Two that wrote in turn would give positions twice and forget one another's destinations. On one machine gateways of a
site find each other by themselves; those in two containers, or on two machines with one disk, do so only here.
"""

import errno
import fcntl
import os
import sqlite3
from pathlib import Path

__all__ = ["Hold"]

_HELD = frozenset({errno.EAGAIN, errno.EACCES})
"""What locking says of a file that another process has locked."""


class Hold:
    """Of one process on one ledger. The system lets go of it when the process ends, however that is."""

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(f"{path.name}.lock")
        self._descriptor = -1

    def take(self) -> None:
        """Have it, where that can be: of what ails the disk the ledger itself tells, and one that knows no locks has
        none. Raises sqlite3.OperationalError with SQLITE_BUSY where another process has it."""
        if self._descriptor >= 0:
            return
        try:
            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
            descriptor = os.open(self._path, flags, 0o600)
        except OSError:
            return
        try:
            # Not flock: a folder that is shared by machines has only this kind.
            fcntl.lockf(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            if error.errno in _HELD:
                raise _held(self._path) from error
            return
        self._descriptor = descriptor

    def release(self) -> None:
        """Let another have it."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1


def _held(path: Path) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError(f"another gateway writes to it, and holds {path.name}; stop one of the two")
    error.sqlite_errorcode = sqlite3.SQLITE_BUSY
    error.sqlite_errorname = "SQLITE_BUSY"
    return error
