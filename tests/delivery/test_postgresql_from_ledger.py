"""From the ledger's file into the database, by real processes that are killed: what was committed is there once."""

import asyncio
import random
import sqlite3
from contextlib import closing
from functools import partial
from pathlib import Path

from tests.support.deliveries import until
from tests.support.from_ledger import command
from tests.support.postgres import USER, Postgres, postgresql_plan


async def test_what_the_ledger_has_committed_is_in_the_database_once(postgres: Postgres, tmp_path: Path) -> None:
    number = postgres.psql("SELECT count(*) FROM pg_database")[0]
    database = postgres.database(f"kept_{number}")
    password = postgresql_plan(postgres, tmp_path, database=database).password_file
    file = tmp_path / "harbour.ledger"
    chance = random.Random(11)

    async def begin(rounds: int) -> asyncio.subprocess.Process:
        arguments = [str(postgres.port), database, USER, str(password)]
        return await asyncio.create_subprocess_exec(*command(file, rounds, "postgresql", *arguments))

    def there() -> set[str]:
        query = "SELECT tank || ' ' || boot || ' ' || sequence FROM tanks.records"
        found = postgres.psql(query, database)
        assert len(found) == len(set(found))
        return set(found)

    def boots() -> int:
        return int(postgres.try_psql("SELECT count(DISTINCT boot) FROM tanks.records", database).stdout or 0)

    def has_more_boots(than: int) -> bool:
        return boots() > than

    for _ in range(4):
        process = await begin(100_000)
        await until(partial(has_more_boots, boots()))
        await asyncio.sleep(chance.uniform(0.0, 0.5))
        process.kill()
        await process.wait()
    process = await begin(0)
    assert await process.wait() == 0
    with closing(sqlite3.connect(file)) as ledger, ledger:
        rows = ledger.execute(
            "SELECT tanks.name || ' ' || boots.boot || ' ' || sequence FROM history"
            " JOIN tanks ON tanks.id = history.tank JOIN boots ON boots.id = history.boot WHERE kind = 0"
        ).fetchall()
    ledger.close()
    committed = {row[0] for row in rows}
    assert len(committed) > 100
    assert there() == committed
    # In each stream every record names the one before it, which is there as well.
    gaps = (
        "SELECT count(*) FROM tanks.records r WHERE previous_boot IS NOT NULL"
        " AND NOT EXISTS (SELECT FROM tanks.records p WHERE p.tank = r.tank"
        " AND p.boot = r.previous_boot AND p.sequence = r.previous_sequence)"
    )
    assert postgres.psql(gaps, database) == ["0"]
