"""What the folds of the accounts rest on, read from the file of a ledger: each read is as large as what it is for."""

import sqlite3
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple, TypeVar

from gateway.account.amount import AMOUNT
from gateway.account.commands import AccountRefusedError
from gateway.account.day import DAY, DayClose
from gateway.account.days.boundary import Day, day_named
from gateway.account.days.close import DayBooks
from gateway.account.gauging import Gauging, gauging_of
from gateway.account.paper import AccountPaper, PaperKind
from gateway.account.plan import AccountPlan
from gateway.account.ticket import TICKET, Ticket
from gateway.account.transfer import TRANSFER, Transfer
from gateway.history import KeptRecord
from gateway.ledger.account_papers import (
    Known,
    PaperError,
    StoredPaper,
    newest_day,
    open_transfers,
    paper_of,
    papers_behind,
    papers_between,
    read_known,
)
from gateway.ledger.blocks import RECORD, ends, runs_between
from gateway.ledger.codec import Decoder
from gateway.ledger.contract import Row
from gateway.ledger.document_reading import paper_from, ticket_from, with_documents
from gateway.ledger.entries import Names, entry_of, rows_between
from gateway.ledger.reading_file import site_of
from gateway.plain_form import PlainForm, PlainFormError
from gateway.records import Quality
from gateway.tank_record import TankRecord
from gateway.tank_state import Motion

__all__ = [
    "Before",
    "before_this",
    "closed_days",
    "day_books",
    "day_from",
    "first_sheet",
    "late_papers",
    "transfer_from",
]

_SLICE = 512
_A_WHILE = 200
"""Papers: more than are kept while the days that something late touches are closed again."""
_NEWEST_ROWS = 50_000
"""So far back the last record of each tank is looked for at a start."""
_LOOKED_AT = 5_000
"""Of one tank: so many of its records are looked through for one at rest."""
_RECENT = timedelta(days=7)
_NEWEST_TICKETS = 300
"""So far back the newest closing of each tank is looked for."""
_AFTER = timedelta(hours=6)
"""So long after a boundary the next sheet of a tank is looked for that had none before it."""
_FOREVER_NS = 1 << 62
T = TypeVar("T")


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


def transfer_from(document: Mapping[str, Any]) -> Transfer:
    """Raises PlainFormError."""
    return paper_from(TRANSFER, document)


def day_from(document: Mapping[str, Any]) -> DayClose:
    """Raises PlainFormError."""
    return paper_from(DAY, document)


def before_this(connection: sqlite3.Connection, boot: str, tanks: Collection[str], now: datetime) -> Before:
    """Raises sqlite3.Error."""
    recent_ns = _ns(now - _RECENT)
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
        tuple(_readable(TRANSFER, late.values())),
        tuple(_newest_tickets(connection, tanks)),
        first_sheet(connection),
    )


def first_sheet(connection: sqlite3.Connection) -> datetime | None:
    """When the oldest record that is kept was made. Raises sqlite3.Error."""
    first, last = ends(connection)
    for row in rows_between(connection, first - 1, last, 1, RECORD):
        return datetime.fromtimestamp(row.instant_ns / 1e9, UTC)
    return None


def day_books(connection: sqlite3.Connection, plan: AccountPlan, day: Day, products: Mapping[str, str]) -> DayBooks:
    """What the close of a day rests on. `products`: by tank of the site, what it held at its end.

    A day that was closed before keeps the sheets of that close: history may reach back to it no more.
    Raises sqlite3.Error, and PaperError where a paper of it cannot be read.
    """
    month = day_named(plan, f"{day.month}-01") if _is_day(plan, f"{day.month}-01") else day
    begin = min(month.begin, day.begin)
    begin_ns, end_ns = _ns(begin), _ns(day.end)
    closes = _all(DAY, papers_between(connection, PaperKind.DAY, begin_ns, end_ns + 1))
    earlier = _newest_day(connection, begin_ns)
    sheets = {tank: list(found) for tank, found in _sheets_at(connection, plan, day, products).items()}
    for close in closes:
        if close.day == day.name:
            for tank in close.tanks:
                if tank.gauging is not None:
                    sheets.setdefault(tank.tank, []).append(tank.gauging)
    around = timedelta(days=7), timedelta(days=31)
    found = _all(AMOUNT, papers_between(connection, PaperKind.AMOUNT, _ns(begin - around[0]), _ns(day.end + around[1])))
    tickets = _all(TICKET, papers_between(connection, PaperKind.TICKET, begin_ns, _FOREVER_NS))
    # A document may be of another month than its ticket: it counts where that is.
    amounts, tickets = with_documents(connection, found, tickets)
    return DayBooks(
        sheets=sheets,
        products=products,
        tickets=tuple(tickets),
        amounts=tuple(amounts),
        transfers=tuple(_all(TRANSFER, open_transfers(connection))),
        closes=(*closes, *([] if earlier is None else [earlier])),
    )


def closed_days(connection: sqlite3.Connection, begin: datetime) -> frozenset[str]:
    """Names of the days that ended then or later and have a close. Raises sqlite3.Error."""
    rows = connection.execute("SELECT key FROM papers WHERE kind = 'day' AND instant_ns >= ?", (_ns(begin),))
    return frozenset(key.split(" ")[1] for (key,) in rows)


def late_papers(connection: sqlite3.Connection) -> list[AccountPaper]:
    """What was kept after the newest close of a day, and a while before it: a stop may have come between something late
    and the last of the days that it touches. To look at one again costs little. Raises sqlite3.Error, PaperError."""
    paper = newest_day(connection)
    return [] if paper is None else papers_behind(connection, max(0, paper.number - _A_WHILE))


def _all(form: PlainForm[T], papers: Iterable[StoredPaper | PaperError]) -> list[T]:
    """Raises PaperError for one that cannot be read: without it a balance would be wrong, and look right."""
    found = []
    for paper in papers:
        if isinstance(paper, PaperError):
            raise paper
        try:
            found.append(paper_from(form, paper.document))
        except PlainFormError as error:
            raise PaperError(f"{paper.key} cannot be read: {error}") from error
    return found


def _readable(form: PlainForm[T], papers: Iterable[StoredPaper | PaperError]) -> list[T]:
    """A paper that nobody can read keeps back no other; `ledger verify` names it."""
    found = []
    for paper in papers:
        if isinstance(paper, StoredPaper):
            try:
                found.append(paper_from(form, paper.document))
            except PlainFormError:
                continue
    return found


def _newest_day(connection: sqlite3.Connection, begin_ns: int) -> DayClose | None:
    paper = newest_day(connection, begin_ns + 1)
    return None if paper is None else day_from(paper.document)


def _is_day(plan: AccountPlan, name: str) -> bool:
    try:
        day_named(plan, name)
    except AccountRefusedError:
        # A place may have left out the first of a month.
        return False
    return True


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
    return {tank: (rows[tank], record) for tank, record in _decoded(connection, names, rows).items()}


def _rested(connection: sqlite3.Connection, row: Row, record: TankRecord) -> TankRecord | None:
    """The last of the tank before it that was at rest and had a level, in the same start; None: it was itself."""
    if _is_at_rest(record):
        return None
    decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
    names, site = Names(connection), site_of(connection)
    looked_at, before = 0, row.position
    lowest = max(0, row.position - _NEWEST_ROWS)
    while before > lowest + 1:
        after = max(lowest, before - 1 - _SLICE)
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


def _sheets_at(
    connection: sqlite3.Connection, plan: AccountPlan, day: Day, products: Collection[str]
) -> dict[str, Sequence[Gauging]]:
    """By tank: the last sheet at or before the end of the day that is young enough, else the first soon after it."""
    names = Names(connection)
    end_ns = _ns(day.end)
    last: dict[str, Row] = {}
    for row in _records(connection, end_ns - round(plan.closing_age_s * 1e9), end_ns + 1):
        tank = names.tank(row.tank)
        known = last.get(tank)
        if known is None or row.instant_ns >= known.instant_ns:
            last[tank] = row
    records = _decoded(connection, names, last)
    if damaged := {tank: row for tank, row in last.items() if tank in products and tank not in records}:
        begin_ns = end_ns - round(plan.closing_age_s * 1e9)
        records |= _before_damaged(connection, names, damaged, begin_ns, end_ns + 1)
    found: dict[str, Sequence[Gauging]] = dict.fromkeys(products, ())
    lacking, last = set(products) - set(last), {}
    if lacking:
        for row in _records(connection, end_ns + 1, _ns(day.end + _AFTER)):
            tank = names.tank(row.tank)
            if tank in lacking:
                lacking.discard(tank)
                last[tank] = row
            if not lacking:
                break
    for tank, record in (records | _decoded(connection, names, last)).items():
        if tank in products:
            found[tank] = (gauging_of(record),)
    return found


def _before_damaged(
    connection: sqlite3.Connection, names: Names, damaged: Mapping[str, Row], begin_ns: int, until_ns: int
) -> dict[str, TankRecord]:
    """By tank: the last that can be read in that span, where its very last cannot."""
    rows: dict[str, list[Row]] = {tank: [] for tank in damaged}
    for row in _records(connection, begin_ns, until_ns):
        if (tank := names.tank(row.tank)) in rows:
            rows[tank].append(row)
    found: dict[str, TankRecord] = {}
    for tank, of_tank in rows.items():
        for row in sorted(of_tank, key=lambda row: (row.instant_ns, row.position), reverse=True):
            if record := _decoded(connection, names, {tank: row}):
                found |= record
                break
    return found


def _records(connection: sqlite3.Connection, begin_ns: int, until_ns: int) -> Iterable[Row]:
    for first, last in runs_between(connection, begin_ns, until_ns):
        after = first - 1
        while rows := rows_between(connection, after, last, _SLICE, RECORD):
            after = rows[-1].position
            yield from (row for row in rows if begin_ns <= row.instant_ns < until_ns)


def _decoded(connection: sqlite3.Connection, names: Names, rows: Mapping[str, Row]) -> dict[str, TankRecord]:
    decode = Decoder(connection.execute("SELECT id, body FROM dictionaries").fetchall())
    site = site_of(connection)
    found = {}
    for tank, row in rows.items():
        entry = entry_of(row, site, names, decode)
        if isinstance(entry, KeptRecord):
            found[tank] = entry.record
    return found


def _ns(instant: datetime) -> int:
    return round(instant.timestamp() * 1e9)
