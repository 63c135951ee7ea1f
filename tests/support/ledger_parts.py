"""A ledger without its writer's thread: transactions that a test makes when it wants them, over one connection.

The bodies of its rows are as the writer makes them."""

import sqlite3
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from gateway.ledger.blocks import EVENT, RECORD, ends
from gateway.ledger.codec import Encoder, present_dictionary
from gateway.ledger.contract import Action, Committed, Row
from gateway.ledger.summaries import glance_of
from gateway.records import Figure, Quality
from gateway.tank_record import Event, EventKind, TankRecord
from tests.support import records

__all__ = [
    "SCHEMA",
    "START_NS",
    "Given",
    "ManualTransactions",
    "PlainClock",
    "Writing",
    "event_of",
    "new_file",
    "record_at",
]

T = TypeVar("T")
SCHEMA = sorted(Path("gateway/ledger/schema").glob("*.sql"))
START_NS = 1_773_489_600_000_000_000
SECOND = 1_000_000_000


class PlainClock:
    """Stands still until it is moved."""

    def __init__(self, now_ns: int = START_NS) -> None:
        self.now_ns = now_ns

    def utc_ns(self) -> int:
        return self.now_ns

    def monotonic_ns(self) -> int:
        return self.now_ns - START_NS


class Given(NamedTuple):
    """An entry to be kept."""

    kept: TankRecord | Event
    tank: str
    boot: str
    sequence: int
    number: int = 0
    previous: tuple[str, int] | None = None


def new_file(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA journal_mode = wal")
    for step in SCHEMA:
        connection.executescript(step.read_text("utf-8"))
    connection.execute("INSERT INTO dictionaries VALUES (?, ?)", present_dictionary())
    return connection


def event_of(instant_ns: int, subject: str = "") -> Event:
    return Event(EventKind.GATEWAY_STARTED, datetime.fromtimestamp(instant_ns / 1e9, UTC), subject)


def record_at(tank: str, sequence: int, instant_ns: int, boot: str = records.BOOT, **given: Figure) -> TankRecord:
    instant = datetime.fromtimestamp(instant_ns / 1e9, UTC)
    given.setdefault("level", Figure(sequence / 1000, Quality.GOOD, (), 0.0))
    made = records.record_of("harbour", boot, sequence, records.inventory(tank, **given))  # type: ignore[arg-type]
    return made._replace(
        inventory=made.inventory._replace(instant=instant),
        tank_input=made.tank_input._replace(instant=instant),
    )


class ManualTransactions:
    """`Transactions` over one connection: everything that waits is done when `commit` is called, in one transaction."""

    def __init__(self, connection: sqlite3.Connection, clock: PlainClock) -> None:
        self.connection = connection
        self.clock = clock
        self._codec = Encoder(present_dictionary())
        self.fail: Exception | None = None
        """Where set, the next commit fails with it, after all was done."""
        self.commits = 0
        self.asked = 0
        """How often `do` was called."""
        self._waiting: list[tuple[Action[Any], Future[Any]]] = []
        self._given: list[Given] = []
        self._heard: list[Callable[[Committed], None]] = []
        self._added: list[Callable[[sqlite3.Connection, Sequence[Row]], None]] = []

    def do(self, action: Action[T], *, at_once: bool = False) -> "Future[T]":
        future: Future[T] = Future()
        self.asked += 1
        self._waiting.append((action, future))
        return future

    def listen(self, heard: Callable[[Committed], None]) -> None:
        self._heard.append(heard)

    def before_commit(self, added: Callable[[sqlite3.Connection, Sequence[Row]], None]) -> None:
        self._added.append(added)

    def give(self, *given: Given) -> None:
        self._given.extend(given)

    def commit(self) -> list[Row]:
        """What was given and what is to be done, in one transaction; what is done by that comes with the next."""
        given, self._given = self._given, []
        waiting, self._waiting = self._waiting, []
        connection = self.connection
        self.commits += 1
        connection.execute("BEGIN IMMEDIATE")
        try:
            rows = [self._insert(each) for each in given]
            if rows:
                for added in self._added:
                    added(connection, rows)
            results = [action(connection) for action, _ in waiting]
            if self.fail is not None:
                raise self.fail
            connection.execute("COMMIT")
        except Exception as error:
            if connection.in_transaction:  # SQLite itself has undone one that found no room
                connection.execute("ROLLBACK")
            self.fail = None
            self._given = given + self._given
            for _, future in waiting:
                future.set_exception(error)
            if isinstance(error, sqlite3.Error):
                return []
            raise
        for (_, future), result in zip(waiting, results, strict=True):
            future.set_result(result)
        if rows:
            for heard in self._heard:
                heard(Committed(rows[0].position, rows[-1].position, self.clock.utc_ns()))
        return rows

    def _insert(self, given: Given) -> Row:
        if isinstance(given.kept, TankRecord):
            kind, instant, body = RECORD, given.kept.inventory.instant, self._codec.record_body(given.kept)
            glance = glance_of(given.kept.inventory.figures)
        else:
            kind, instant, body = EVENT, given.kept.instant, self._codec.event_body(given.kept)
            glance = None
        values = (
            kind,
            self._number("tanks", "name", given.tank),
            self._number("boots", "boot", given.boot),
            given.sequence,
            given.number,
            round(instant.timestamp() * 1e9),
            self._codec.number,
            body,
            None if given.previous is None else self._number("boots", "boot", given.previous[0]),
            None if given.previous is None else given.previous[1],
        )
        # As the ledger does: none comes again, also where all of history has gone since.
        position = ends(self.connection).last + 1
        self.connection.execute(
            "INSERT INTO history (position, kind, tank, boot, sequence, number, instant_ns, dictionary, body,"
            " previous_boot, previous_sequence) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (position, *values),
        )
        return Row(position, *values, glance)

    def _number(self, table: str, column: str, name: str) -> int:
        found = self.connection.execute(f"SELECT id FROM {table} WHERE {column} = ?", (name,)).fetchone()
        if found is not None:
            return int(found[0])
        more = ", started_ns" if table == "boots" else ""
        added = self.connection.execute(
            f"INSERT INTO {table} ({column}{more}) VALUES (?{', 0' if more else ''})", (name,)
        ).lastrowid
        assert added is not None
        return added


class Writing:
    """Records of some tanks in turn, one each second, each naming the one before it."""

    def __init__(self, transactions: ManualTransactions, tanks: Sequence[str] = ("TK-1", "TK-2")) -> None:
        self.transactions = transactions
        self._tanks = tanks
        self._previous: dict[str, int] = {}
        self._number = 0
        self.now_ns = START_NS

    def records(self, count: int, step_ns: int = SECOND) -> None:
        for _ in range(count):
            tank = self._tanks[self._number % len(self._tanks)]
            before = self._previous.get(tank)
            sequence = self._previous[tank] = (before or 0) + 1
            previous = None if before is None else (records.BOOT, before)
            record = record_at(tank, sequence, self.now_ns)
            self.transactions.give(Given(record, tank, records.BOOT, sequence, 0, previous))
            self._number += 1
            self.now_ns += step_ns

    def events(self, count: int) -> None:
        for _ in range(count):
            self._number += 1
            self.transactions.give(Given(event_of(self.now_ns), "", records.BOOT, self._number))
