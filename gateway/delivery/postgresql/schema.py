"""The tables of a database: made and brought up to date by numbered files, and a table for each month made ahead.

Several gateways may begin at once: whoever changes something holds an advisory lock until it is committed.
"""

import re
from collections.abc import Iterable
from datetime import UTC, datetime
from importlib.resources import files

from gateway.delivery.postgresql.connection import Connection
from gateway.delivery.postgresql.faults import FaultKind, PostgresqlFault
from gateway.delivery.postgresql.plan import SCHEMA_S

__all__ = ["Month", "Months", "month_of", "prepare_schema", "steps"]

_LOCK = 0x74616E6B
"""One of the two numbers of our advisory locks; the other comes from the name of the schema."""
_TABLES = ("records", "events")
_PARTITIONED = " PARTITION BY RANGE (instant)"

Month = tuple[int, int]


def month_of(instant: datetime) -> Month:
    """Year and month in UTC."""
    utc = instant.astimezone(UTC)
    return utc.year, utc.month


def steps() -> list[tuple[int, str]]:
    """The numbered steps and their SQL, in order."""
    found = []
    for file in files("gateway.delivery.postgresql").joinpath("sql").iterdir():
        number = re.fullmatch(r"(\d{4})_\w+\.sql", file.name)
        if number is not None:
            found.append((int(number[1]), file.read_text("utf-8")))
    return sorted(found)


async def prepare_schema(connection: Connection, schema: str) -> None:
    """Bring the schema up to date and make it the search path. Needs no right to change where it is up to date.

    Raises PostgresqlFault, of kind PERSON where it is one of a later version, which is left untouched.
    """
    wanted = steps()
    if await _taken(connection, schema) < wanted[-1][0]:
        await _take_steps(connection, schema, wanted)
    await connection.rows("SELECT set_config('search_path', $1, false)", _quoted(schema))


async def _taken(connection: Connection, schema: str) -> int:
    """The last step that has been taken; 0 where there is nothing."""
    last = steps()[-1][0]
    # In the catalogue: to_regclass can miss what another session has made while this one waited for the lock.
    ((there,),) = await connection.rows(
        "SELECT count(*) FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
        " WHERE n.nspname = $1 AND c.relname = 'schema_steps'",
        schema,
    )
    if not there:
        return 0
    ((taken,),) = await connection.rows(f"SELECT coalesce(max(number), 0) FROM {_quoted(schema)}.schema_steps")
    if taken > last:
        raise PostgresqlFault(
            FaultKind.PERSON,
            f"schema '{schema}' is at step {taken}, made by a later version of this program, which knows {last}; "
            "update this gateway, or give another schema_name",
        )
    return int(taken)


async def _take_steps(connection: Connection, schema: str, wanted: Iterable[tuple[int, str]]) -> None:
    await connection.begin()
    await _lock(connection, schema)
    # Another may have been quicker.
    taken = await _taken(connection, schema)
    ((there,),) = await connection.rows("SELECT count(*) FROM pg_namespace WHERE nspname = $1", schema)
    if not there:
        await connection.execute(f"CREATE SCHEMA {_quoted(schema)}")
    await connection.execute(f"SET LOCAL search_path TO {_quoted(schema)}")
    maker = await _hypertable_maker(connection)
    await connection.execute(f"SET LOCAL statement_timeout TO {round(1000 * SCHEMA_S)}")
    for number, script in wanted:
        if number <= taken:
            continue
        await connection.execute(script if maker is None else script.replace(_PARTITIONED, ""), SCHEMA_S)
        if number == 1 and maker is not None:
            for table in _TABLES:
                await connection.execute(
                    f"SELECT {maker}('{table}', 'instant', chunk_time_interval => interval '7 days')", SCHEMA_S
                )
        await connection.execute(f"INSERT INTO schema_steps (number) VALUES ({number})")
    await connection.commit()


async def _hypertable_maker(connection: Connection) -> str | None:
    """The function of TimescaleDB, with its schema, where the extension is in this database."""
    found = await connection.rows(
        "SELECT quote_ident(n.nspname) || '.create_hypertable' FROM pg_proc p"
        " JOIN pg_namespace n ON n.oid = p.pronamespace WHERE p.proname = 'create_hypertable' LIMIT 1"
    )
    return str(found[0][0]) if found else None


class Months:
    """The months that have tables, as far as this connection knows. Of a hypertable all have."""

    def __init__(self, connection: Connection, schema: str) -> None:
        self._connection = connection
        self._schema = schema
        self._known: set[Month] = set()
        self._partitioned = True

    async def look(self) -> None:
        ((kind,),) = await self._connection.rows("SELECT relkind::text FROM pg_class WHERE oid = 'records'::regclass")
        self._partitioned = kind == "p"
        there = await self._attached()
        months = {(int(name[-7:-3]), int(name[-2:])) for name in there if re.search(r"_\d{4}_\d\d$", name)}
        self._known = {month for month in months if all(_name(table, month) in there for table in _TABLES)}

    async def make(self, months: Iterable[Month]) -> None:
        """Those of them that are not there yet, with tables for records and events."""
        missing = sorted(set(months) - self._known)
        if not missing or not self._partitioned:
            return
        await self._connection.begin()
        await _lock(self._connection, self._schema)
        there = await self._attached()
        for month in missing:
            for table in _TABLES:
                if _name(table, month) not in there:
                    await self._make(table, month)
        await self._connection.commit()
        self._known |= set(missing)

    async def make_ahead(self, now: datetime) -> str | None:
        """This month and the next, so that the turn of the month waits for nothing.

        Gives why that cannot be, where a person must help: until a row needs them the rest goes on.
        """
        year, month = month_of(now)
        try:
            await self.make({(year, month), (year + month // 12, month % 12 + 1)})
        except PostgresqlFault as fault:
            if fault.kind is FaultKind.PASSING:
                raise
            await self._connection.roll_back()
            return f"the tables of the next month cannot be made: {fault}"
        return None

    async def _attached(self) -> set[str]:
        rows = await self._connection.rows(
            "SELECT c.relname::text FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
            " WHERE i.inhparent IN ('records'::regclass, 'events'::regclass)"
        )
        return {str(name) for (name,) in rows}

    async def _make(self, table: str, month: Month) -> None:
        year, number = month
        begins = f"{year:04d}-{number:02d}-01 00:00:00+00"
        ends = f"{year + number // 12:04d}-{number % 12 + 1:02d}-01 00:00:00+00"
        name = _name(table, month)
        # To attach one locks out nobody who reads; to create it as a part would lock out all of them.
        await self._connection.execute(
            f"CREATE TABLE {name} (LIKE {table} INCLUDING ALL);"
            f"ALTER TABLE {table} ATTACH PARTITION {name} FOR VALUES FROM ('{begins}') TO ('{ends}')"
        )


def _name(table: str, month: Month) -> str:
    return f"{table}_{month[0]:04d}_{month[1]:02d}"


def _quoted(schema: str) -> str:
    """The settings let nothing pass that would need more."""
    return f'"{schema}"'


async def _lock(connection: Connection, schema: str) -> None:
    """Until the end of the transaction."""
    await connection.rows("SELECT pg_advisory_xact_lock($1, hashtext($2))", _LOCK, schema)
