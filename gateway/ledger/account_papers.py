"""Papers of the accounts in the file of a ledger: kept with what happened in one commit, found by key, number and time.

The file itself refuses a number that is given twice or left out, a key that stands already, and any change. What is
found by time is read a few at a time: a ledger may hold years of them.
"""

import hashlib
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime
from typing import Any, NamedTuple

import orjson
import structlog

from gateway.account.paper import AccountPaper, PaperKind
from gateway.account.transfer import TransferPhase
from gateway.errors import GatewayError
from gateway.ledger.audit import adding
from gateway.ledger.codec import packed, unpacked
from gateway.ledger.intake import GivenEvent
from gateway.ledger.writer import Writer

__all__ = [
    "NUMBERED",
    "AccountPapers",
    "Known",
    "PaperError",
    "Span",
    "StoredPaper",
    "in_span",
    "newest_day",
    "open_transfers",
    "paper_digest",
    "paper_of",
    "papers_behind",
    "papers_between",
    "papers_linked",
    "read_known",
    "reference_word",
]

CARRIED_OVER = "ledger.accounts_carried_over"
NUMBERED = (PaperKind.TRANSFER, PaperKind.TICKET, PaperKind.AMOUNT)
_OPEN = frozenset(phase.value for phase in TransferPhase if not phase.is_over)
_COLUMNS = "papers.number, papers.kind, papers.key, tanks.name, papers.instant_ns, papers.body"
_FROM = "FROM papers LEFT JOIN tanks ON tanks.id = papers.tank"
_SLICE = 100
_LINKED = {PaperKind.TICKET: ("reverses", "replaces", "transfer"), PaperKind.AMOUNT: ("reverses", "ticket")}


class PaperError(GatewayError):
    """A paper cannot be read, or is none."""


class StoredPaper(NamedTuple):
    """One paper as it stands in the file."""

    number: int
    """Of its row: a greater one is newer."""
    kind: PaperKind
    key: str
    tank: str
    instant_ns: int
    document: Mapping[str, Any]


class Span(NamedTuple):
    """Papers of a kind of a span of time; `until` is not in it, and None has no end."""

    kind: PaperKind
    begin: datetime
    until: datetime | None
    at_most: int


class Known(NamedTuple):
    """What whoever goes on with the accounts has to know."""

    transfers: Mapping[int, Mapping[str, Any]]
    """By number, those that are not over: the newest document of each."""
    numbers: Mapping[PaperKind, int]
    """The last that was given; 0: none."""
    day: Mapping[str, Any] | None
    """The newest revision of the last day that was closed."""
    troubles: tuple[str, ...] = ()
    """Papers that are damaged: what they said nobody can go on with."""


_NOTHING = Known({}, dict.fromkeys(NUMBERED, 0), None)


class AccountPapers:
    """`keep`, `known` and `times_read` from any thread; `read` by whoever opened the file."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._lock = threading.Lock()
        self._known = _NOTHING
        self._row = 0
        """Of the newest paper that this process knows of."""
        self.times_read = 0
        """Grows each time that a file was opened: what is in it may not be what was known."""

    def read(self, connection: sqlite3.Connection) -> None:
        """Of a file that was opened. Where it is another than before, or an older copy of it, numbers go on behind all
        that this process has given, and what was open goes on being open.

        Raises sqlite3.Error.
        """
        found, row = read_known(connection), _newest_row(connection)
        with self._lock:
            before = self._known
            is_behind = row < self._row or any(found.numbers[kind] < before.numbers[kind] for kind in NUMBERED)
            self._known = before if is_behind else found
            self._row = row
            if is_behind:
                # Before anybody can give the next number: the file takes that only behind the last.
                self._writer.insist(lambda connection: _carry_over(connection, before), at_once=True)
            self.times_read += 1
        if is_behind:
            hint = "another file was begun, or an older one put in its place: tickets of before are not in it"
            structlog.get_logger("gateway.ledger").warning(
                CARRIED_OVER, transfers=len(before.transfers), numbers=dict(before.numbers), hint=hint
            )

    def found(self, known: Known) -> None:
        """What was read in the file, with all that was taken in before that."""
        with self._lock:
            self._known = known

    def known(self) -> Known:
        """As of the last commit."""
        with self._lock:
            return self._known

    def keep(
        self, papers: Sequence[AccountPaper], given: Sequence[GivenEvent], audit: tuple[int, str]
    ) -> "Future[None]":
        """In one commit with the events and the row of the audit trail, or nothing of it. Never waits."""
        bodies = [_body(paper) for paper in papers]
        row = 0

        def write(connection: sqlite3.Connection) -> None:
            nonlocal row
            for paper, body in zip(papers, bodies, strict=True):
                _insert(connection, paper, packed(body))
            adding(*audit)(connection)
            row = _newest_row(connection)

        future = self._writer.do_with(write, given)
        future.add_done_callback(lambda done: self._kept(done, papers, row))
        return future

    def _kept(self, done: "Future[None]", papers: Sequence[AccountPaper], row: int) -> None:
        if done.cancelled() or done.exception() is not None:
            return
        with self._lock:
            self._row = row
            transfers, numbers, day = dict(self._known.transfers), dict(self._known.numbers), self._known.day
            for paper in papers:
                number = _number_of(paper)
                if number is not None:
                    numbers[paper.kind] = max(numbers[paper.kind], number)
                if paper.kind is PaperKind.TRANSFER and number is not None:
                    transfers.pop(number, None)
                    if paper.document["phase"] in _OPEN:
                        transfers[number] = paper.document
                if paper.kind is PaperKind.DAY and (day is None or day["day"] <= paper.document["day"]):
                    day = paper.document
            self._known = Known(transfers, numbers, day)


def paper_digest(paper: AccountPaper) -> str:
    """SHA-256 of its document as it is kept, in hexadecimal: what the audit trail has of it."""
    return hashlib.sha256(_body(paper)).hexdigest()


def read_known(connection: sqlite3.Connection) -> Known:
    """What the file has. Raises sqlite3.Error."""
    numbers = dict(connection.execute("SELECT kind, last FROM numbers").fetchall())
    transfers: dict[int, Mapping[str, Any]] = {}
    troubles: list[str] = []
    for found in open_transfers(connection):
        if isinstance(found, PaperError):
            troubles.append(str(found))
        else:
            transfers[_counted(found.kind, found.key)] = found.document
    day = None
    try:
        newest = newest_day(connection)
        day = None if newest is None else newest.document
    except PaperError as error:
        troubles.append(str(error))
    return Known(transfers, {kind: int(numbers.get(kind.value, 0)) for kind in NUMBERED}, day, tuple(troubles))


def open_transfers(connection: sqlite3.Connection) -> list[StoredPaper | PaperError]:
    """By number, the newest paper of each that is not over; what is wrong with one that is damaged.

    Raises sqlite3.Error.
    """
    rows = connection.execute(
        f"SELECT {_COLUMNS} FROM open_transfers JOIN papers ON papers.number = open_transfers.paper"
        " LEFT JOIN tanks ON tanks.id = papers.tank ORDER BY open_transfers.counted"
    )
    return [_stored_or_why_not(row) for row in rows.fetchall()]


def paper_of(connection: sqlite3.Connection, kind: PaperKind, key: str) -> StoredPaper | None:
    """The newest of that key; None: there is none. Raises sqlite3.Error, PaperError."""
    if kind is PaperKind.TRANSFER:
        number = _counted(kind, key)
        given: tuple[object, ...] = (number,)
        where = "papers.kind = 'transfer' AND papers.counted = ?"
    else:
        given = (kind.value, key)
        # The three kinds are said again, so that the index of what stands once is used.
        where = "papers.kind = ? AND papers.key = ? AND papers.kind IN ('ticket', 'amount', 'day')"
    row = connection.execute(
        f"SELECT {_COLUMNS} {_FROM} WHERE {where} ORDER BY papers.number DESC LIMIT 1", given
    ).fetchone()
    return None if row is None else _stored(row)


def newest_day(connection: sqlite3.Connection, before_ns: int | None = None) -> StoredPaper | None:
    """The newest revision of the last day that ended before an instant (UTC); None: there is none.

    Raises sqlite3.Error, PaperError.
    """
    row = connection.execute(
        f"SELECT {_COLUMNS} {_FROM} WHERE papers.kind = 'day' AND papers.instant_ns < ?"
        " ORDER BY papers.instant_ns DESC, papers.number DESC LIMIT 1",
        ((1 << 62) if before_ns is None else before_ns,),
    ).fetchone()
    return None if row is None else _stored(row)


def papers_linked(connection: sqlite3.Connection, kind: PaperKind, name: str, word: str) -> list[StoredPaper]:
    """Those of a kind that say so: `reverses`, `ticket`, `reference` and so on; as they were kept.

    Raises sqlite3.Error, PaperError.
    """
    rows = connection.execute(
        f"SELECT {_COLUMNS} FROM links JOIN papers ON papers.number = links.paper"
        " LEFT JOIN tanks ON tanks.id = papers.tank WHERE links.name = ? AND links.word = ? ORDER BY links.paper",
        (f"{kind.value} {name}", word),
    )
    return [_stored(row) for row in rows.fetchall()]


def papers_behind(connection: sqlite3.Connection, number: int) -> list[AccountPaper]:
    """What was kept behind a row, of the accounts and no day. Raises sqlite3.Error, PaperError."""
    rows = connection.execute(
        f"SELECT {_COLUMNS} {_FROM} WHERE papers.number > ? AND papers.kind IN ('transfer', 'ticket', 'amount')"
        " ORDER BY papers.number",
        (number,),
    )
    found = map(_stored, rows.fetchall())
    return [
        AccountPaper(paper.kind, paper.key, paper.tank, _instant(paper.instant_ns), dict(paper.document))
        for paper in found
    ]


def _instant(utc_ns: int) -> datetime:
    return datetime.fromtimestamp(utc_ns / 1e9, UTC)


def reference_word(source: str, reference: str, product: str) -> str:
    """By which an amount is known that comes a second time."""
    return f"{source}\n{reference}\n{product}"


def papers_between(
    connection: sqlite3.Connection, kind: PaperKind, begin_ns: int, until_ns: int
) -> Iterator[StoredPaper | PaperError]:
    """Of `begin_ns` and before `until_ns`, UTC, by time and then as they were kept; each paper of a transfer, each
    revision of a day; what is wrong with one that is damaged.

    Raises sqlite3.Error.
    """
    after = (begin_ns, 0)
    while True:
        rows = connection.execute(
            f"SELECT {_COLUMNS} {_FROM} WHERE papers.kind = ? AND (papers.instant_ns, papers.number) > (?, ?)"
            " AND papers.instant_ns < ? ORDER BY papers.instant_ns, papers.number LIMIT ?",
            (kind.value, *after, until_ns, _SLICE),
        ).fetchall()
        if not rows:
            return
        yield from map(_stored_or_why_not, rows)
        after = (rows[-1][4], rows[-1][0])


def in_span(connection: sqlite3.Connection, span: Span) -> tuple[list[Mapping[str, Any]], bool]:
    """Documents, oldest first, and whether that are all. Raises sqlite3.Error, and PaperError for one that is damaged:
    a list that lacks it would look whole."""
    until_ns = 1 << 62 if span.until is None else round(span.until.timestamp() * 1e9)
    found: list[Mapping[str, Any]] = []
    for paper in papers_between(connection, span.kind, round(span.begin.timestamp() * 1e9), until_ns):
        if isinstance(paper, PaperError):
            raise paper
        if len(found) == span.at_most:
            return found, False
        found.append(paper.document)
    return found, True


def _stored_or_why_not(row: tuple[Any, ...]) -> StoredPaper | PaperError:
    try:
        return _stored(row)
    except PaperError as error:
        return error


def _stored(row: tuple[Any, ...]) -> StoredPaper:
    number, kind, key, tank, instant_ns, body = row
    try:
        document = orjson.loads(unpacked(body))
    except (GatewayError, ValueError, TypeError) as error:
        raise PaperError(f"{kind} in row {number} cannot be read: {error}") from error
    if not isinstance(document, dict) or document.get("key") != key:
        raise PaperError(f"{kind} in row {number} is another paper than its row says")
    return StoredPaper(number, PaperKind(kind), key, tank or "", instant_ns, document)


def _body(paper: AccountPaper) -> bytes:
    return orjson.dumps(paper.document)


def _insert(connection: sqlite3.Connection, paper: AccountPaper, body: bytes) -> None:
    """Within a transaction. Raises sqlite3.IntegrityError where its number is not the next one, or its key stands."""
    number = _number_of(paper)
    row = connection.execute(
        "INSERT INTO papers (kind, tank, instant_ns, body, key, counted)"
        " VALUES (?, (SELECT id FROM tanks WHERE name = ?), ?, ?, ?, ?)",
        (paper.kind.value, paper.tank, round(paper.instant.timestamp() * 1e9), body, paper.key, number),
    ).lastrowid
    connection.executemany("INSERT INTO links VALUES (?, ?, ?)", [(*link, row) for link in _links(paper)])
    if number is not None:
        connection.execute(
            "UPDATE numbers SET last = ? WHERE kind = ? AND last < ?", (number, paper.kind.value, number)
        )
    if paper.kind is PaperKind.TRANSFER:
        connection.execute("DELETE FROM open_transfers WHERE counted = ?", (number,))
        if paper.document["phase"] in _OPEN:
            connection.execute("INSERT INTO open_transfers VALUES (?, ?)", (number, row))


def _links(paper: AccountPaper) -> set[tuple[str, str]]:
    document = paper.document
    found = {
        (f"{paper.kind.value} {name}", str(document[name]))
        for name in _LINKED.get(paper.kind, ())
        if document.get(name) is not None
    }
    if paper.kind is PaperKind.AMOUNT and document.get("reference"):
        found.add(("amount reference", reference_word(document["source"], document["reference"], document["product"])))
    return found


def _carry_over(connection: sqlite3.Connection, before: Known) -> None:
    for kind in NUMBERED:
        number = before.numbers[kind]
        connection.execute("UPDATE numbers SET last = ? WHERE kind = ? AND last < ?", (number, kind.value, number))
    connection.execute("DELETE FROM open_transfers")
    for number, document in before.transfers.items():
        body = packed(orjson.dumps(document))
        row = connection.execute(
            "INSERT INTO papers (kind, instant_ns, body, key, counted) VALUES ('transfer', ?, ?, ?, ?)",
            (_since_ns(document), body, document["key"], number),
        ).lastrowid
        connection.execute("INSERT INTO open_transfers VALUES (?, ?)", (number, row))


def _newest_row(connection: sqlite3.Connection) -> int:
    (number,) = connection.execute("SELECT coalesce(max(number), 0) FROM papers").fetchone()
    return int(number)


def _since_ns(document: Mapping[str, Any]) -> int:
    return round(datetime.fromisoformat(document["since"]).timestamp() * 1e9)


def _number_of(paper: AccountPaper) -> int | None:
    return _counted(paper.kind, paper.key) if paper.kind in NUMBERED else None


def _counted(kind: PaperKind, key: str) -> int:
    """The number in a key. Raises PaperError for one that has none."""
    word, _, number = key.partition(" ")
    if word != kind.value or not number.isdecimal():
        raise PaperError(f"'{key}' is no key of a {kind.value}")
    return int(number)
