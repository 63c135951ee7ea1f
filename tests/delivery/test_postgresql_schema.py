"""The tables of the database: made once by whoever is first, brought up to date, left alone where they are newer."""

import asyncio
import random
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import gateway.delivery.postgresql.schema as schema
from gateway.delivery.postgresql.connection import Connection
from gateway.delivery.postgresql.faults import FaultKind, PostgresqlFault
from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.delivery.postgresql.rows import RECORD_COLUMNS, record_row
from gateway.delivery.postgresql.schema import Months, month_of, prepare_schema, steps
from gateway.delivery.postgresql.transfer import Transfer
from gateway.history import KeptRecord
from gateway.records import Figure, Figures, Quality
from tests.support.alarm_events import alarm_event
from tests.support.kept_entries import kept_event
from tests.support.postgres import PASSWORD, Postgres, postgresql_plan
from tests.support.records import BOOT, inventory, record_of


@pytest.fixture
def plan(postgres: Postgres, tmp_path: Path) -> PostgresqlPlan:
    number = postgres.psql("SELECT count(*) FROM pg_database")[0]
    return postgresql_plan(postgres, tmp_path, database=postgres.database(f"scheme_{number}"))


@asynccontextmanager
async def connected(plan: PostgresqlPlan) -> AsyncIterator[Connection]:
    connection = await Connection.open(plan, PASSWORD, None)
    try:
        yield connection
    finally:
        await connection.close()


async def transfer_over(connection: Connection, plan: PostgresqlPlan) -> Transfer:
    await prepare_schema(connection, plan.schema_name)
    months = Months(connection, plan.schema_name)
    await months.look()
    transfer = Transfer(connection, months, lambda: None)
    await transfer.prepare()
    return transfer


def kept_at(*instants: datetime) -> Sequence[KeptRecord]:
    return [
        KeptRecord(index, record_of("harbour", BOOT, index, inventory(instant=instant)), None)
        for index, instant in enumerate(instants, 1)
    ]


def tables(postgres: Postgres, plan: PostgresqlPlan, like: str) -> list[str]:
    query = f"SELECT tablename FROM pg_tables WHERE schemaname = 'tanks' AND tablename ~ '{like}' ORDER BY 1"
    return postgres.psql(query, plan.database)


async def test_ten_at_once_take_each_step_once(plan: PostgresqlPlan, postgres: Postgres) -> None:
    async def one(number: int) -> None:
        async with connected(plan) as connection:
            transfer = await transfer_over(connection, plan)
            # A backlog that reaches back, the same for all: they race for the months as well.
            instants = [datetime(2025, month, 1 + number, tzinfo=UTC) for month in range(1, 7)]
            assert await transfer.write(kept_at(*instants)) == []

    await asyncio.gather(*map(one, range(10)))
    assert postgres.psql("SELECT number FROM tanks.schema_steps", plan.database) == [str(n) for n, _ in steps()]
    assert tables(postgres, plan, "^records_") == [f"records_2025_0{month}" for month in range(1, 7)]
    assert postgres.psql("SELECT count(*) FROM tanks.records", plan.database) == ["60"]


async def test_a_schema_of_a_later_version_is_left_untouched(plan: PostgresqlPlan, postgres: Postgres) -> None:
    async with connected(plan) as connection:
        await prepare_schema(connection, plan.schema_name)
    later = steps()[-1][0] + 1
    postgres.psql(f"INSERT INTO tanks.schema_steps (number) VALUES ({later})", plan.database)
    async with connected(plan) as connection:
        with pytest.raises(PostgresqlFault, match="made by a later version of this program") as caught:
            await prepare_schema(connection, plan.schema_name)
        assert caught.value.kind is FaultKind.PERSON


async def test_a_further_step_is_taken_on_what_is_there(
    plan: PostgresqlPlan, postgres: Postgres, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with connected(plan) as connection:
        transfer = await transfer_over(connection, plan)
        await transfer.write(kept_at(datetime(2026, 5, 1, tzinfo=UTC)))
    further = [
        *steps(),
        (steps()[-1][0] + 1, "ALTER TABLE records ADD COLUMN colour text; SELECT 1 / count(*) FROM records"),
    ]
    monkeypatch.setattr(schema, "steps", lambda: further)
    async with connected(plan) as connection:
        await prepare_schema(connection, plan.schema_name)
    assert postgres.psql("SELECT tank, colour IS NULL FROM tanks.records", plan.database) == ["TK-1|t"]
    # One that fails leaves everything as it was.
    broken = [*further, (further[-1][0] + 1, "ALTER TABLE records DROP COLUMN colour; SELECT 1 / 0")]
    monkeypatch.setattr(schema, "steps", lambda: broken)
    async with connected(plan) as connection:
        with pytest.raises(PostgresqlFault, match="division by zero"):
            await prepare_schema(connection, plan.schema_name)
    assert postgres.psql("SELECT colour IS NULL FROM tanks.records", plan.database) == ["t"]
    assert len(postgres.psql("SELECT number FROM tanks.schema_steps", plan.database)) == len(further)


async def test_what_the_first_step_kept_gets_the_columns_of_alarms(
    plan: PostgresqlPlan, postgres: Postgres, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Old rows stay, in their months, and events of alarms come into the same ones."""
    with monkeypatch.context() as before:
        before.setattr(schema, "steps", lambda: steps()[:1])
        async with connected(plan) as connection:
            await prepare_schema(connection, plan.schema_name)
            months = Months(connection, plan.schema_name)
            await months.look()
            await months.make({(2026, 3)})
    postgres.psql(
        "INSERT INTO tanks.events (instant, sequence, number, site, tank, boot, kind, subject)"
        " VALUES ('2026-03-14 11:00Z', 1, 0, 'harbour', '', 'b', 'gateway_started', '')",
        plan.database,
    )
    async with connected(plan) as connection:
        transfer = await transfer_over(connection, plan)
        assert await transfer.write([alarm_event(1)]) == []
    found = postgres.psql(
        "SELECT kind, alarm_kind, alarm_priority, alarm_phase, alarm_active, alarm_value FROM tanks.events_2026_03"
        " ORDER BY instant",
        plan.database,
    )
    assert found == ["gateway_started|||||", "alarm_raised|high_high|now|unacknowledged|t|13.56"]


async def test_who_may_only_write_rows_needs_no_more_where_all_is_there(
    plan: PostgresqlPlan, postgres: Postgres, tmp_path: Path
) -> None:
    instant = datetime(2026, 5, 1, tzinfo=UTC)
    async with connected(plan) as connection:
        await (await transfer_over(connection, plan)).write(kept_at(instant))
    name = f"writer_{plan.database}"
    postgres.psql(
        f"CREATE ROLE {name} LOGIN PASSWORD '{PASSWORD}'; GRANT USAGE ON SCHEMA tanks TO {name};"
        f"GRANT SELECT, INSERT, UPDATE ON ALL TABLES IN SCHEMA tanks TO {name}",
        plan.database,
    )
    theirs = postgresql_plan(postgres, tmp_path, password_file=None, database=plan.database, user_name=name)
    async with connected(theirs) as connection:
        transfer = await transfer_over(connection, theirs)
        assert await transfer.write(kept_at(instant, instant.replace(day=2))) == []
        with pytest.raises(PostgresqlFault, match="must own the schema"):
            await transfer.write(kept_at(instant.replace(month=6)))
    assert postgres.psql("SELECT count(*) FROM tanks.records", plan.database) == ["2"]


MARCH = datetime(2028, 3, 1, tzinfo=UTC)
BORDERS = [
    datetime(2027, 12, 31, 23, 59, 59, 999_999, UTC),
    datetime(2028, 1, 1, tzinfo=UTC),
    datetime(2028, 2, 28, 23, 59, 59, 999_999, UTC),
    datetime(2028, 2, 29, 12, tzinfo=UTC),  # 2028 is a leap year
    datetime(2028, 2, 29, 23, 59, 59, 999_999, UTC),
    MARCH,
    datetime(1970, 1, 1, tzinfo=UTC),  # a clock that was never set
    datetime(9998, 12, 31, 23, 59, 59, 999_999, UTC),
]


async def test_each_record_is_in_the_table_of_its_month(plan: PostgresqlPlan, postgres: Postgres) -> None:
    async with connected(plan) as connection:
        transfer = await transfer_over(connection, plan)
        assert await transfer.write([*kept_at(*BORDERS), kept_event(99, instant=MARCH)]) == []
    found = postgres.psql(
        "SELECT sequence, tableoid::regclass, extract(epoch FROM instant) FROM tanks.records ORDER BY sequence",
        plan.database,
    )
    expected = [
        f"{index}|tanks.records_{instant.year:04d}_{instant.month:02d}" for index, instant in enumerate(BORDERS, 1)
    ]
    assert [line.rpartition("|")[0] for line in found] == expected
    for line, instant in zip(found, BORDERS, strict=True):
        seconds = (instant - datetime(1970, 1, 1, tzinfo=UTC)) // (datetime.resolution)
        assert round(float(line.rpartition("|")[2]) * 1e6) == pytest.approx(seconds, rel=1e-15)
    assert postgres.psql("SELECT tableoid::regclass FROM tanks.events", plan.database) == ["tanks.events_2028_03"]


@pytest.mark.parametrize(
    ("now", "names"),
    [
        (datetime(2026, 1, 31, 12, tzinfo=UTC), ["records_2026_01", "records_2026_02"]),
        (datetime(2026, 12, 31, 23, tzinfo=UTC), ["records_2026_12", "records_2027_01"]),
    ],
)
async def test_the_next_month_is_there_before_it_begins(
    now: datetime, names: list[str], plan: PostgresqlPlan, postgres: Postgres
) -> None:
    async with connected(plan) as connection:
        await prepare_schema(connection, plan.schema_name)
        months = Months(connection, plan.schema_name)
        await months.look()
        await months.make_ahead(now)
        await months.make_ahead(now)
    assert tables(postgres, plan, "^records_") == names


def test_a_month_is_of_utc() -> None:
    from_kiritimati = datetime.fromisoformat("2026-03-01T13:59:59+14:00")
    assert month_of(from_kiritimati) == (2026, 2)


async def test_a_month_that_its_owner_dropped_stays_dropped_until_it_is_needed(
    plan: PostgresqlPlan, postgres: Postgres
) -> None:
    old, new = datetime(2026, 5, 3, tzinfo=UTC), datetime(2026, 6, 3, tzinfo=UTC)
    async with connected(plan) as connection:
        transfer = await transfer_over(connection, plan)
        await transfer.write(kept_at(new, old))
        postgres.psql("DROP TABLE tanks.records_2026_05, tanks.events_2026_05", plan.database)
        assert await transfer.write(kept_at(new)) == []
        assert postgres.psql("SELECT count(*) FROM tanks.records", plan.database) == ["1"]
        # What was still to come of it is no fault of the row: it is tried again over a new connection.
        with pytest.raises(PostgresqlFault, match="no partition of relation") as caught:
            await transfer.write(kept_at(old))
        assert caught.value.kind is FaultKind.PASSING
    async with connected(plan) as connection:
        assert await (await transfer_over(connection, plan)).write(kept_at(old)) == []
    assert postgres.psql("SELECT count(*) FROM tanks.records", plan.database) == ["2"]


async def test_a_reader_with_a_long_query_does_not_hold_up_a_new_month(
    plan: PostgresqlPlan, postgres: Postgres
) -> None:
    async with connected(plan) as connection, connected(plan) as reader:
        transfer = await transfer_over(connection, plan)
        await transfer.write(kept_at(datetime(2026, 5, 3, tzinfo=UTC)))
        await reader.begin()
        await reader.rows("SELECT count(*) FROM tanks.records")
        assert await transfer.write(kept_at(datetime(2026, 6, 3, tzinfo=UTC))) == []
        await reader.commit()


async def test_where_the_extension_is_there_the_tables_become_its(plan: PostgresqlPlan, postgres: Postgres) -> None:
    """TimescaleDB itself is not here: a function with the name and the arguments of its own notes what it is asked."""
    postgres.psql(
        "CREATE TABLE asked (what text); CREATE FUNCTION create_hypertable(relation regclass, time_column_name name,"
        " chunk_time_interval anyelement) RETURNS void LANGUAGE sql AS"
        " $$ INSERT INTO public.asked VALUES (relation || ' ' || time_column_name || ' ' || chunk_time_interval) $$",
        plan.database,
    )
    async with connected(plan) as connection:
        transfer = await transfer_over(connection, plan)
        assert await transfer.write([*kept_at(*BORDERS), kept_event(99)]) == []
        assert await transfer.write([*kept_at(*BORDERS), kept_event(99)]) == []
    assert postgres.psql("SELECT what FROM asked", plan.database) == [
        "records instant 7 days",
        "events instant 7 days",
    ]
    kinds = "SELECT relkind FROM pg_class WHERE oid IN ('tanks.records'::regclass, 'tanks.events'::regclass)"
    assert postgres.psql(kinds, plan.database) == ["r", "r"]
    assert postgres.psql("SELECT count(*) FROM tanks.records", plan.database) == [str(len(BORDERS))]


async def test_every_number_arrives_as_it_was(plan: PostgresqlPlan, postgres: Postgres) -> None:
    """psql, which knows nothing of us, reads what our own row says: each digit."""
    chance = random.Random(3)
    sheet: dict[str, Any] = {name: Figure(chance.uniform(-1e6, 1e6), Quality.GOOD, (), 1.5) for name in Figures._fields}
    kept = KeptRecord(1, record_of("harbour", BOOT, 1, inventory(**sheet)), None)
    async with connected(plan) as connection:
        await (await transfer_over(connection, plan)).write([kept])
    names = [name for name in RECORD_COLUMNS if isinstance(record_row(kept)[RECORD_COLUMNS.index(name)], float)]
    assert len(names) == len(Figures._fields)
    (line,) = postgres.psql(f"SELECT {', '.join(names)} FROM tanks.records", plan.database)
    expected = [record_row(kept)[RECORD_COLUMNS.index(name)] for name in names]
    assert [float(cell) for cell in line.split("|")] == expected


async def test_the_database_itself_takes_no_number_beside_bad(plan: PostgresqlPlan, postgres: Postgres) -> None:
    async with connected(plan) as connection:
        await (await transfer_over(connection, plan)).write(kept_at(datetime(2026, 5, 3, tzinfo=UTC)))
    done = postgres.try_psql("UPDATE tanks.records SET gsv_m3 = 1, gsv_quality = 'Bad'", plan.database)
    assert "bad_has_no_value" in done.stderr
