"""What was before a start of the gateway: what is open, the last sheet of each tank, the newest tickets."""

import sqlite3
from collections.abc import Collection, Mapping
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from gateway.account.paper import PaperKind
from gateway.account.ticket import Ticket
from gateway.account.transfer import TRANSFER, Transfer
from gateway.history import KeptRecord
from gateway.ledger.account_forms import decoded, readable, ticket_from, utc_ns
from gateway.ledger.account_papers import (
    Known,
    PaperError,
    StoredPaper,
    open_transfers,
    paper_of,
    papers_between,
    read_known,
)
from gateway.ledger.blocks import RECORD, ends
from gateway.ledger.codec import Decoder
from gateway.ledger.contract import Row
from gateway.ledger.entries import Names, entry_of, rows_between
from gateway.ledger.reading_file import site_of
from gateway.plain_form import PlainFormError
from gateway.records import Quality
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion

__all__ = ["Before", "before_this"]

_SLICE = 512
_NEWEST_ROWS = 50_000
"""So far back the last record of each tank is looked for."""
_LOOKED_AT = 5_000
"""Of one tank: so many of its records are looked through for one at rest."""
_RECENT = timedelta(days=7)
_NEWEST_TICKETS = 300
"""So far back the newest closing of each tank is looked for."""
_FOREVER_NS = 1 << 62


class Before(NamedTuple):
    """What was before this start of the gateway."""

    known: Known

    records: Mapping[str, TankRecord]
    """By tank, the last of another start."""
    rested: Mapping[str, TankRecord]
    """Of tanks that were not at rest then, or had no level: the last of the same start that was and had."""
    transfers: tuple[Transfer, ...]
    """Those that are not over, and those of late that are."""
    tickets: tuple[Ticket, ...]
    """Of late: the newest of each tank is among them."""
    first_sheet: datetime | None
    """The oldest that is kept."""


def before_this(connection: sqlite3.Connection, boot: str, tanks: Collection[str], now: datetime) -> Before:
    """Raises sqlite3.Error."""
    recent_ns = utc_ns(now - _RECENT)
    late = {
        paper.key: paper
        for paper in papers_between(connection, PaperKind.TRANSFER, recent_ns, _FOREVER_NS)
        if isinstance(paper, StoredPaper)
    }
    for paper in open_transfers(connection):
        if isinstance(paper, StoredPaper):
            late[paper.key] = paper
    last = _last_records(connection, boot, tanks)
    return Before(
        read_known(connection),
        {tank: record for tank, (_, record) in last.items()},
        {tank: rested for tank, found in last.items() if (rested := _rested(connection, *found)) is not None},
        tuple(readable(TRANSFER, late.values())),
        tuple(_newest_tickets(connection, tanks)),
        _first_sheet(connection),
    )


def _first_sheet(connection: sqlite3.Connection) -> datetime | None:
    """When the oldest record that is kept was made. Raises sqlite3.Error."""
    first, last = ends(connection)
    for row in rows_between(connection, first - 1, last, 1, RECORD):
        return datetime.fromtimestamp(row.instant_ns / 1e9, UTC)
    return None


def _newest_tickets(connection: sqlite3.Connection, tanks: Collection[str]) -> list[Ticket]:
    (last,) = connection.execute("SELECT last FROM numbers WHERE kind = 'ticket'").fetchone()
    lacking, found = set(tanks), []
    for number in range(last, max(0, last - _NEWEST_TICKETS), -1):
        if not lacking:
            break
        try:
            paper = paper_of(connection, PaperKind.TICKET, f"ticket {number}")
            ticket = None if paper is None else ticket_from(paper.document)
        except (PaperError, PlainFormError):
            continue
        if ticket is not None:
            found.append(ticket)
            lacking -= {side.tank for side in ticket.sides}
    return found


def _last_records(
    connection: sqlite3.Connection, boot: str, tanks: Collection[str]
) -> dict[str, tuple[Row, TankRecord]]:
    """By tank, with the row that it stands in."""
    names = Names(connection)
    first, last = ends(connection)
    rows: dict[str, Row] = {}
    before = last + 1
    while before > max(first, last - _NEWEST_ROWS) and len(rows) < len(tanks):
        after = max(first - 1, before - 1 - _SLICE)
        for row in reversed(rows_between(connection, after, before - 1, _SLICE, RECORD)):
            tank = names.tank(row.tank)
            if tank in tanks and tank not in rows and names.boot(row.boot) != boot:
                rows[tank] = row
        before = after + 1
    return {tank: (rows[tank], record) for tank, record in decoded(connection, names, rows).items()}


def _rested(connection: sqlite3.Connection, row: Row, record: TankRecord) -> TankRecord | None:
    """The last of the tank before it that was at rest and had a level, in the same start; None: it was itself."""
    if _is_at_rest(record):
        return None
    decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
    names, site = Names(connection), site_of(connection)
    looked_at, before = 0, row.position
    while before > max(0, row.position - _NEWEST_ROWS):
        after = max(0, before - 1 - _SLICE)
        for each in reversed(rows_between(connection, after, before - 1, _SLICE, RECORD)):
            if each.tank != row.tank:
                continue
            looked_at += 1
            if each.boot != row.boot or looked_at > _LOOKED_AT:
                return None
            entry = entry_of(each, site, names, decode)
            if isinstance(entry, KeptRecord) and _is_at_rest(entry.record):
                return entry.record
        before = after + 1
    return None


def _is_at_rest(record: TankRecord) -> bool:
    state = record.state
    level = record.inventory.figures.level
    return state is not None and state.motion is Motion.AT_REST and level.quality is not Quality.BAD
