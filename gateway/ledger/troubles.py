"""What can be wrong with the ledger's file or its disk, in words, and that it is said once."""

import errno
import sqlite3
from collections.abc import Mapping

import structlog

from gateway.errors import LedgerError
from gateway.ledger.store import error_code
from gateway.status import Trouble

__all__ = ["DAMAGED", "SLOW", "Condition", "trouble_of"]

LEDGER_FAILING = "ledger.failing"
LEDGER_WELL_AGAIN = "ledger.well_again"

_WAITS = "history waits in memory as long as there is room, then it is lost"
_FULL = Trouble("disk_full", f"the disk is full: {_WAITS}")
_READ_ONLY = Trouble("disk_read_only", f"nothing can be written there: {_WAITS}")
_UNREACHABLE = Trouble("file_unreachable", f"the file cannot be opened: {_WAITS}")
_FAILING = Trouble("disk_failing", f"the disk reports faults: {_WAITS}")
_BUSY = Trouble("file_busy", f"another process has held the file for too long: {_WAITS}")
DAMAGED = Trouble("file_damaged", "the file was damaged and is set aside under another name: history begins anew")
SLOW = Trouble("disk_slow", "a commit takes longer than 2 s: history waits in memory meanwhile")
_BY_CODE: Mapping[int, Trouble] = {
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_PERM: _READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: _UNREACHABLE,
    sqlite3.SQLITE_BUSY: _BUSY,
    sqlite3.SQLITE_LOCKED: _BUSY,
    sqlite3.SQLITE_CORRUPT: DAMAGED,
    sqlite3.SQLITE_NOTADB: DAMAGED,
}
_BY_ERRNO: Mapping[int | None, Trouble] = {
    errno.ENOSPC: _FULL,
    errno.EDQUOT: _FULL,
    errno.EROFS: _READ_ONLY,
    errno.EACCES: _READ_ONLY,
    errno.EPERM: _READ_ONLY,
    errno.EIO: _FAILING,
}


def trouble_of(error: BaseException) -> Trouble:
    """What an error of a commit or an open says of the file."""
    if isinstance(error, LedgerError):
        return Trouble("file_refused", f"{error}: {_WAITS}")
    if isinstance(error, OSError):
        return _BY_ERRNO.get(error.errno, _UNREACHABLE)
    code = error_code(error)
    return _FAILING if code is None else _BY_CODE.get(code, _FAILING)


class Condition:
    """Whether all is well, and what was logged of it: each change once."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._log = structlog.get_logger("gateway.ledger")
        self.trouble: Trouble | None = None

    def fails(self, trouble: Trouble, error: BaseException | None = None) -> None:
        """It does, in this way."""
        before, self.trouble = self.trouble, trouble
        if before is None or before.code != trouble.code:
            self._log.error(
                LEDGER_FAILING,
                file=self._file,
                code=trouble.code,
                trouble=trouble.text,
                error=None if error is None else str(error),
                hint="the gateway watches and publishes on; see the disk",
            )

    def is_well(self) -> None:
        """It took everything in."""
        if self.trouble is not None:
            self.trouble = None
            self._log.info(LEDGER_WELL_AGAIN, file=self._file)
