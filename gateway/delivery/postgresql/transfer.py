"""Entries of history into the tables of a database, each once however often it is sent: what is there stays there."""

import asyncio
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from gateway.delivery.postgresql.connection import Connection
from gateway.delivery.postgresql.faults import FaultKind, PostgresqlFault
from gateway.delivery.postgresql.rows import EVENT_COLUMNS, RECORD_COLUMNS, event_row, record_row
from gateway.delivery.postgresql.schema import Months, month_of
from gateway.errors import DeliveryError
from gateway.history import Entry, KeptEvent, KeptRecord

__all__ = ["Refusal", "Transfer"]

_ROWS_AT_ONCE = 20
_MOST_REFUSED = 10
"""In one batch: where more are refused it is not for what is in them, and none of them is given up."""


class Refusal(NamedTuple):
    """An entry that this database will never take."""

    entry: Entry
    why: str


class _Packed(NamedTuple):
    entry: Entry
    table: "_Table"
    row: tuple[Any, ...]
    instant: datetime


class _Table(NamedTuple):
    name: str
    columns: Sequence[str]
    order: str

    @property
    def incoming(self) -> str:
        return f"incoming_{self.name}"

    @property
    def insert(self) -> str:
        # In one order whoever sends: two gateways with the same rows would else wait for each other.
        columns = ", ".join(self.columns)
        return (
            f"INSERT INTO {self.name} ({columns}) SELECT {columns} FROM {self.incoming} ORDER BY {self.order}"
            " ON CONFLICT DO NOTHING"
        )


_RECORDS = _Table("records", RECORD_COLUMNS, "site, tank, instant, boot, sequence")
_EVENTS = _Table("events", EVENT_COLUMNS, "site, tank, instant, boot, sequence, number")
_TABLES = (_RECORDS, _EVENTS)


class Transfer:
    """Of one connection. `came_round` is called before each transaction."""

    def __init__(self, connection: Connection, months: Months, came_round: Callable[[], None]) -> None:
        self._connection = connection
        self._months = months
        self._came_round = came_round
        self._tanks: set[tuple[str, str]] = set()
        """Those that the table of tanks has."""

    async def prepare(self) -> None:
        """Tables of this session alone, which rows go through on their way."""
        for table in _TABLES:
            await self._connection.execute(
                f"CREATE TEMPORARY TABLE {table.incoming} (LIKE {table.name} INCLUDING DEFAULTS) ON COMMIT DELETE ROWS"
            )

    async def write(self, entries: Sequence[Entry]) -> list[Refusal]:
        """All of them committed, but those that are refused for good.

        Raises PostgresqlFault; then nothing is known of what has arrived. So it does where the database refuses more
        than a few, or every one: then it is not for what is in them.
        """
        refused: list[Refusal] = []
        packed = await _packed(entries, refused)
        await self._months.make({month_of(each.instant) for each in packed})
        by_server = await self._put(packed, []) if packed else []
        if by_server and len(by_server) == len(packed):
            raise PostgresqlFault(FaultKind.PERSON, f"every entry is refused: {by_server[0].why}")
        return refused + by_server

    async def _put(self, packed: Sequence[_Packed], refused: list[Refusal]) -> list[Refusal]:
        """Halved until what is refused is alone."""
        self._came_round()
        try:
            await self._commit(packed)
        except PostgresqlFault as fault:
            if fault.kind is not FaultKind.ENTRY:
                raise
            await self._connection.roll_back()
            if len(packed) > 1:
                half = len(packed) // 2
                return await self._put(packed[half:], await self._put(packed[:half], refused))
            refused = [*refused, Refusal(packed[0].entry, str(fault))]
            if len(refused) > _MOST_REFUSED:
                raise PostgresqlFault(FaultKind.PERSON, f"too many entries are refused to be true: {fault}") from fault
        return refused

    async def _commit(self, packed: Sequence[_Packed]) -> None:
        connection = self._connection
        await connection.begin()
        tanks = {each.row[:2] for each in packed if each.table is _RECORDS} - self._tanks
        if tanks:
            await self._add_tanks(sorted(tanks))
        for table in _TABLES:
            rows = [each.row for each in packed if each.table is table]
            if rows:
                await connection.copy(table.incoming, table.columns, rows)
                await connection.execute(table.insert)
        await connection.commit()
        self._tanks |= tanks

    async def _add_tanks(self, tanks: Iterable[tuple[Any, ...]]) -> None:
        sites, names = zip(*tanks, strict=True)
        await self._connection.rows(
            "INSERT INTO tanks (site, tank) SELECT * FROM unnest($1::text[], $2::text[]) ON CONFLICT DO NOTHING",
            list(sites),
            list(names),
        )


async def _packed(entries: Sequence[Entry], refused: list[Refusal]) -> list[_Packed]:
    """Rows; those that cannot be made are added to `refused`."""
    packed = []
    for index, entry in enumerate(entries):
        if index % _ROWS_AT_ONCE == _ROWS_AT_ONCE - 1:
            await asyncio.sleep(0)
        try:
            packed.append(_pack(entry))
        except DeliveryError as exc:
            refused.append(Refusal(entry, str(exc)))
    return packed


def _pack(entry: Entry) -> _Packed:
    match entry:
        case KeptRecord():
            return _Packed(entry, _RECORDS, record_row(entry), entry.record.inventory.instant)
        case KeptEvent():
            return _Packed(entry, _EVENTS, event_row(entry), entry.event.instant)
