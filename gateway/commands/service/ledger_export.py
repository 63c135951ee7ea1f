"""`ledger export`: records or events of a span of time, as CSV of figures or as the messages that destinations get."""

import argparse
import sqlite3
import sys
from collections.abc import Callable, Iterator
from datetime import UTC
from pathlib import Path

from gateway.commands.new_file import write_new_file
from gateway.commands.output import note
from gateway.commands.service.ledger_file import add_file, file_of, looked_at, time_of
from gateway.delivery.files.rows import EVENTS, RECORDS, line_of
from gateway.display import printable
from gateway.errors import DeliveryError, UsageError
from gateway.history import Entry, KeptRecord
from gateway.ledger.blocks import EVENT, RECORD
from gateway.ledger.entries import Unreadable
from gateway.ledger.span import entries_of_span
from gateway.payload.history import event_json, history_json

__all__ = ["add_arguments", "execute"]

_EPILOG = """Times are UTC unless they say another zone; from is in it, until is not. CSV has a line of headers and SI
units in them; JSON lines are the messages that destinations get. Records come in the order in which they were kept.
Examples: tank-gateway ledger export site.yaml --from 2026-03-01 --until 2026-03-02 --out march-1.csv
          tank-gateway ledger export harbour.ledger --tank TK-101 --format jsonl | gzip > tk-101.jsonl.gz
          tank-gateway ledger export site.yaml --events
Exit codes: 0 well; 1 entries could not be read, and are left out; 2 typed wrongly, or no ledger of this version."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    add_file(parser)
    parser.add_argument("--from", dest="begin", metavar="TIME", help="the first instant; the oldest kept unless given")
    parser.add_argument("--until", metavar="TIME", help="the instant to stop before; all unless given")
    parser.add_argument("--tank", metavar="TAG", action="append", help="only of this tank; may be given more than once")
    parser.add_argument("--events", action="store_true", help="events in place of records")
    parser.add_argument("--format", choices=("csv", "jsonl"), default="csv", help="csv unless given")
    parser.add_argument("--out", metavar="FILE", help="a new file, written whole or not at all; else standard output")


def execute(arguments: argparse.Namespace) -> int:
    begin_ns = time_of("--from", arguments.begin)
    until_ns = time_of("--until", arguments.until)
    if begin_ns is not None and until_ns is not None and begin_ns >= until_ns:
        text = f"--until {arguments.until} is not after --from {arguments.begin}"
        raise UsageError(text, "give the earlier one as --from")
    path = file_of(arguments.file)
    with looked_at(path) as connection:
        export = _Export(
            connection,
            begin_ns,
            until_ns,
            _tanks(connection, path, arguments.tank),
            EVENT if arguments.events else RECORD,
        )
        pieces = export.csv() if arguments.format == "csv" else export.json_lines()
        if arguments.out is None:
            for piece in pieces:
                sys.stdout.write(piece.decode("utf-8"))
        else:
            write_new_file(Path(arguments.out), pieces, "no file is replaced")
    what = "events" if arguments.events else "records"
    if export.unreadable:
        first = export.unreadable[0]
        count = len(export.unreadable)
        note(f"{count} {what} cannot be read and are left out, the first at position {first.position}: {first.trouble}")
    elif not export.count:
        note(f"there are no {what} of that in {path}")
    elif arguments.out is not None:
        note(f"{export.count:,} {what} in {arguments.out}")
    return 1 if export.unreadable else 0


class _Export:
    """What was chosen; counts what it gives."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        begin_ns: int | None,
        until_ns: int | None,
        tanks: frozenset[int] | None,
        kind: int,
    ) -> None:
        self._connection = connection
        self._begin_ns, self._until_ns = begin_ns, until_ns
        self._tanks = tanks
        self._kind = kind
        self.count = 0
        self.unreadable: list[Unreadable] = []

    def csv(self) -> Iterator[bytes]:
        yield (RECORDS if self._kind == RECORD else EVENTS).header
        yield from self._pieces(lambda entry: line_of(entry, UTC))

    def json_lines(self) -> Iterator[bytes]:
        yield from self._pieces(_json_line)

    def _pieces(self, piece_of: Callable[[Entry], bytes]) -> Iterator[bytes]:
        for entry in self._entries():
            try:
                piece = piece_of(entry)
            except DeliveryError as error:
                # Such as a number that is none: no destination gets it either, and those behind it are well.
                self.unreadable.append(Unreadable(entry.position, str(error)))
                continue
            self.count += 1
            yield piece

    def _entries(self) -> Iterator[Entry]:
        for entry in entries_of_span(self._connection, self._kind, self._begin_ns, self._until_ns, self._tanks):
            if isinstance(entry, Unreadable):
                self.unreadable.append(entry)
            else:
                yield entry


def _json_line(entry: Entry) -> bytes:
    return (history_json(entry) if isinstance(entry, KeptRecord) else event_json(entry)) + b"\n"


def _tanks(connection: sqlite3.Connection, path: Path, tags: list[str] | None) -> frozenset[int] | None:
    """Their numbers. Raises UsageError for one of which the ledger knows nothing."""
    if tags is None:
        return None
    known = dict(connection.execute("SELECT name, id FROM tanks WHERE name != ''").fetchall())
    for tag in tags:
        if tag not in known:
            raise UsageError(
                f"{path} has nothing of tank '{tag}'", f"its tanks: {printable(', '.join(sorted(known))) or 'none yet'}"
            )
    return frozenset(known[tag] for tag in tags)
