"""One connection to a PostgreSQL server: the one place that knows asyncpg. Each answer has a deadline."""

import asyncio
import ssl
from collections.abc import AsyncIterator, Awaitable, Sequence
from contextlib import suppress
from typing import Any, TypeVar

import asyncpg
from asyncpg.connect_utils import SessionAttribute

from gateway.delivery.postgresql.faults import FaultKind, PostgresqlFault, told
from gateway.delivery.postgresql.plan import PostgresqlPlan

__all__ = ["Connection"]

_ROWS_AT_ONCE = 20
"""Rows that are packed before the rest of the gateway has its turn: they take about 1 ms."""
_GOODBYE_S = 2.0

Answer = TypeVar("Answer")


class Connection:
    """Raises PostgresqlFault. After any fault but a refused entry it is of no use: `abort` it."""

    def __init__(self, plan: PostgresqlPlan, opened: "asyncpg.Connection[asyncpg.Record]") -> None:
        self._plan = plan
        self._opened = opened
        self.in_transaction = False

    @classmethod
    async def open(cls, plan: PostgresqlPlan, password: str | None, tls: ssl.SSLContext | None) -> "Connection":
        """Connected and prepared."""
        # What is given here, be it empty, is not looked for in environment variables and files of the user.
        connecting = asyncpg.connect(
            host=plan.host,
            port=plan.port,
            user=plan.user_name,
            password=password or "",
            database=plan.database,
            ssl=tls if tls is not None else False,
            direct_tls=False,
            target_session_attrs=SessionAttribute.any,
            timeout=plan.timeout_s,
        )
        try:
            async with asyncio.timeout(plan.timeout_s):
                opened = await connecting
        except Exception as exc:
            # Whatever comes of a peer that is no PostgreSQL server: nothing of ours has run yet.
            raise told(exc, f"server did not answer within {plan.timeout_s:g} s", connecting=True) from exc
        made = cls(plan, opened)
        try:
            await made.prepare()
        except BaseException:
            made.abort()
            raise
        return made

    async def prepare(self) -> None:
        """The server itself is to end what nobody waits for any more, and to be one that can be used."""
        milliseconds = str(round(1000 * self._plan.timeout_s))
        await self.rows(
            "SELECT set_config('statement_timeout', $1, false), set_config('lock_timeout', $1, false),"
            " set_config('idle_in_transaction_session_timeout', $1, false),"
            " set_config('application_name', 'tank-gateway', false), set_config('TimeZone', 'UTC', false),"
            # What is told to have been delivered must be on the server's disk.
            " set_config('synchronous_commit', CASE current_setting('synchronous_commit')"
            " WHEN 'off' THEN 'on' ELSE current_setting('synchronous_commit') END, false)",
            milliseconds,
        )
        ((encoding, version),) = await self.rows(
            "SELECT current_setting('server_encoding'), current_setting('server_version_num')::int"
        )
        if encoding != "UTF8":
            raise PostgresqlFault(
                FaultKind.PERSON, f"database '{self._plan.database}' is in {encoding}; make one with ENCODING 'UTF8'"
            )
        if version < 120_000:
            raise PostgresqlFault(FaultKind.PERSON, f"server is of version {version // 10_000}; 12 or later is needed")

    @property
    def has_ended(self) -> bool:
        return self._opened.is_closed()

    async def rows(self, query: str, *arguments: Any) -> Sequence[tuple[Any, ...]]:
        """What one statement gives."""
        return [tuple(row) for row in await self._answer(self._opened.fetch(query, *arguments))]

    async def execute(self, script: str, within_s: float | None = None) -> None:
        """Statements without arguments, several if need be."""
        await self._answer(self._opened.execute(script), within_s)

    async def copy(self, table: str, columns: Sequence[str], rows: Sequence[tuple[Any, ...]]) -> None:
        """Into a table of the session's own."""
        await self._answer(
            self._opened.copy_records_to_table(table, records=_in_slices(rows), columns=list(columns)), sending=True
        )

    async def begin(self) -> None:
        await self.execute("BEGIN")
        self.in_transaction = True

    async def commit(self) -> None:
        await self.execute("COMMIT")
        self.in_transaction = False

    async def roll_back(self) -> None:
        """After a refusal: the connection can go on."""
        await self.execute("ROLLBACK")
        self.in_transaction = False

    async def close(self) -> None:
        """In good order as far as that is quick."""
        with suppress(Exception):
            await self._opened.close(timeout=_GOODBYE_S)
        self.abort()

    def abort(self) -> None:
        """At once and without a word: the server undoes what is not committed."""
        self._opened.terminate()

    async def _answer(
        self, waiting: Awaitable[Answer], within_s: float | None = None, *, sending: bool = False
    ) -> Answer:
        within_s = self._plan.timeout_s if within_s is None else within_s
        try:
            async with asyncio.timeout(within_s):
                return await waiting
        except (ValueError, OverflowError, TypeError) as exc:
            # Of an answer that is no rows: a mistake of ours. Some errors of asyncpg itself are ValueErrors.
            if not sending:
                raise
            raise PostgresqlFault(FaultKind.ENTRY, f"{type(exc).__name__}: {exc}") from exc
        except (asyncpg.PostgresError, asyncpg.InterfaceError, asyncpg.InternalClientError, OSError) as exc:
            raise told(exc, f"server did not answer within {within_s:g} s") from exc


async def _in_slices(rows: Sequence[tuple[Any, ...]]) -> AsyncIterator[tuple[Any, ...]]:
    for index, row in enumerate(rows):
        if index % _ROWS_AT_ONCE == _ROWS_AT_ONCE - 1:
            await asyncio.sleep(0)
        yield row
