"""`ledger backup`: a copy of a ledger as it is at one instant, while the gateway goes on."""

import argparse
import sqlite3
from pathlib import Path

from gateway.clock import utc_now
from gateway.commands.new_file import new_file
from gateway.commands.output import write, write_json
from gateway.commands.service.ledger_file import add_file, file_of, looked_at
from gateway.display import printable
from gateway.errors import GatewayError
from gateway.ledger.blocks import ends
from gateway.ledger.copied import Copied, note_copy
from gateway.ledger.verification import broken_pages

__all__ = ["add_arguments", "execute"]

_PAGES = 2000
_FOR_ITS_OWNER = 0o600

_EPILOG = """What the gateway commits meanwhile is not in it. The copy is checked before it gets its name, and takes the
place of no other file. That it was made is noted beside the ledger, in LEDGER.copied.
To use it: stop the gateway, put the copy where its ledger was, without the -wal and -shm files
that lay beside that, and start it; what destinations have got since the copy they then get again.
Example: tank-gateway ledger backup site.yaml --out harbour-2026-03-01.ledger"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    add_file(parser)
    parser.add_argument("--out", metavar="FILE", required=True, help="the copy; it must not exist yet")
    parser.add_argument("--json", action="store_true", help="print what was copied for a program")


def execute(arguments: argparse.Namespace) -> int:
    path, out = file_of(arguments.file), Path(arguments.out)
    with looked_at(path) as connection, new_file(out, "no copy is replaced", _FOR_ITS_OWNER) as unfinished:
        first, last = _copied(connection, unfinished)
    size_bytes = out.stat().st_size
    noted = _noted(path, Copied(utc_now(), str(out.absolute()), size_bytes))
    if arguments.json:
        write_json({"file": str(out), "size_bytes": size_bytes, "first": first, "last": last, "noted": noted})
    else:
        count = last - first + 1
        write(printable(f"{out}: {size_bytes / 1e6:.1f} MB, {count:,} entries up to position {last:,}, checked"))
        if not noted:
            write("that it was made cannot be noted beside the ledger, so that the page does not know of it")
    return 0


def _noted(ledger: Path, copied: Copied) -> bool:
    """Who may only read the ledger makes a copy all the same."""
    try:
        note_copy(ledger, copied)
    except OSError:
        return False
    return True


def _copied(connection: sqlite3.Connection, unfinished: Path) -> tuple[int, int]:
    """The first and last position of what was copied. Raises GatewayError where the copy is not whole."""
    # As long as this is open, it is one instant that is read, and each commit of the gateway does not begin it anew.
    connection.execute("BEGIN")
    found = ends(connection)
    copy = sqlite3.connect(unfinished, isolation_level=None)
    try:
        connection.backup(copy, pages=_PAGES)
        connection.execute("ROLLBACK")
        # One file, which needs no other beside it.
        copy.execute("PRAGMA journal_mode = DELETE").fetchone()
        wrong = broken_pages(copy, 1)
        if wrong or ends(copy) != found:
            raise GatewayError(f"the copy is not whole ({wrong[0] if wrong else 'its end is another'}); it is not kept")
    except sqlite3.Error as error:
        raise GatewayError(f"it cannot be copied: {error}") from error
    finally:
        copy.close()
    return found.first, found.last
