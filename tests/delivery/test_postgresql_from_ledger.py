"""From the ledger's file into the database, by real processes that are killed: what was committed is there once."""

import asyncio
import random
import sqlite3
import sys
from functools import partial
from pathlib import Path

from tests.support.deliveries import until
from tests.support.postgres import USER, Postgres, postgresql_plan

PROGRAM = """
import asyncio, random, secrets, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from gateway.clock import SystemClock
from gateway.delivery.contract import Surroundings
from gateway.delivery.postgresql.delivery import PostgresqlDelivery
from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from tests.support.records import inventory, record_of, snapshot

port, database, user, password, file, rounds = sys.argv[1:]

async def main():
    boot = secrets.token_hex(16)
    ledger = Ledger.open(LedgerPlan(Path(file), every_s=1.0, commit_s=0.05), "harbour", boot, SystemClock())
    outbox = ledger.outbox("plant")
    plan = PostgresqlPlan("127.0.0.1", int(port), database, user, Path(password), batch=50, gather_s=0.01)
    around = Surroundings("harbour", boot, snapshot, random.Random(), lambda _: None, outbox)
    delivery = PostgresqlDelivery(plan, around)
    running = asyncio.create_task(delivery.run())
    begun = datetime.now(UTC)
    for number in range(1, int(rounds) + 1):
        for tank in ("TK-1", "TK-2", "TK-3"):
            sheet = inventory(tank, instant=begun + timedelta(seconds=number))
            ledger.offer(record_of("harbour", boot, number, sheet, 10.0))
        await asyncio.sleep(0.002)
    if int(rounds) == 0:
        # What waits is known only after the file has been looked at.
        while not delivery.status().connected or outbox.ready() or outbox.backlog().waiting:
            await asyncio.sleep(0.2)
        running.cancel()
        await asyncio.wait([running])
    ledger.close(5.0)

asyncio.run(main())
"""


async def test_what_the_ledger_has_committed_is_in_the_database_once(postgres: Postgres, tmp_path: Path) -> None:
    number = postgres.psql("SELECT count(*) FROM pg_database")[0]
    database = postgres.database(f"kept_{number}")
    password = postgresql_plan(postgres, tmp_path, database=database).password_file
    file = tmp_path / "harbour.ledger"
    chance = random.Random(11)

    async def begin(rounds: int) -> asyncio.subprocess.Process:
        arguments = [str(postgres.port), database, USER, str(password), str(file), str(rounds)]
        return await asyncio.create_subprocess_exec(sys.executable, "-c", PROGRAM, *arguments)

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
    with sqlite3.connect(file) as ledger:
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
