"""From the ledger's file to people and to a webhook, by real processes that are killed: each event at least once and in
order."""

import asyncio
import random
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest

from tests.support.deliveries import until
from tests.support.mail_server import MailServer
from tests.support.webhook_server import WebhookServer

PROGRAM = """
import asyncio, random, secrets, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from gateway.clock import SystemClock
from gateway.delivery.contract import Surroundings
from gateway.delivery.destinations import make_destination, takes_records
from gateway.delivery.mail.plan import MailPlan
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.tank_record import Event, EventKind
from tests.support.alarm_events import standing_of
from tests.support.records import inventory, record_of, snapshot

kind, port, file, rounds = sys.argv[1:]
QUICK = {"backoff_first_s": 0.05, "backoff_longest_s": 0.2, "given_name": "people"}
if kind == "mail":
    plan = MailPlan(
        "127.0.0.1", int(port), "g@depot.example", ("s@depot.example",), encryption="none", tls=None, gather_s=0.05,
        most_per_hour=100000, still_alive=None, **QUICK,
    )
else:
    plan = WebhookPlan(f"http://127.0.0.1:{port}/events", **QUICK)

async def main():
    boot = secrets.token_hex(16)
    ledger = Ledger.open(LedgerPlan(Path(file), every_s=1.0, commit_s=0.05), "harbour", boot, SystemClock())
    outbox = ledger.outbox(plan.name, records=takes_records(plan))
    now = datetime.now(UTC)
    state = lambda: snapshot()._replace(boot=boot, instant=now)
    made = make_destination(plan, Surroundings("harbour", boot, state, random.Random(), lambda _: None, outbox))
    running = asyncio.create_task(made.run())
    for number in range(1, int(rounds) + 1):
        sheet = inventory("TK-1", instant=now + timedelta(milliseconds=number))
        standing = standing_of(name=f"high_high.{boot[:8]}-{number}")
        event = Event(EventKind.ALARM_RAISED, sheet.instant, standing.name, standing.reason, standing=standing)
        ledger.offer(record_of("harbour", boot, number, sheet, 10.0)._replace(events=(event,)))
        await asyncio.sleep(0.01)
    if int(rounds) == 0:
        # What waits is known only after the file has been looked at.
        while not made.status().connected or outbox.ready() or outbox.backlog().waiting:
            await asyncio.sleep(0.2)
        running.cancel()
        await asyncio.wait([running])
    ledger.close(5.0)

asyncio.run(main())
"""


async def begin(kind: str, port: int, file: Path, rounds: int) -> asyncio.subprocess.Process:
    arguments = [kind, str(port), str(file), str(rounds)]
    return await asyncio.create_subprocess_exec(sys.executable, "-c", PROGRAM, *arguments)


def committed(file: Path) -> list[str]:
    """The alarms of all events in the ledger, in order."""
    with closing(sqlite3.connect(file)) as ledger, ledger:
        rows = ledger.execute(
            "SELECT boots.boot, history.sequence FROM history JOIN boots ON boots.id = history.boot"
            " JOIN tanks ON tanks.id = history.tank WHERE kind = 1 AND tanks.name = 'TK-1' ORDER BY position"
        ).fetchall()
    ledger.close()
    return [f"{boot[:8]}-{sequence}" for boot, sequence in rows]


def told_by(server: MailServer | WebhookServer) -> list[str]:
    """The alarms as they came, repeats among them."""
    if isinstance(server, WebhookServer):
        documents = [each.content for each in server.taken]
        return [each["subject"].split(".")[1] for each in documents if each["kind"] == "alarm_raised"]
    lines = [line for mail in server.mails for line in mail.text.splitlines()]
    return [line.split("high-high ")[1].split(",")[0] for line in lines if line.strip().startswith("NOW ")]


@pytest.mark.timeout(300)  # several processes, each of which has to start first
@pytest.mark.parametrize("kind", ["mail", "webhook"])
async def test_each_committed_event_is_told_at_least_once_and_in_order(kind: str, memory_path: Path) -> None:
    server: MailServer | WebhookServer = MailServer() if kind == "mail" else WebhookServer()
    await server.start()
    file, chance = memory_path / "harbour.ledger", random.Random(11)
    try:
        for _ in range(4):
            before = len(told_by(server))
            process = await begin(kind, server.port, file, 100_000)
            await until(lambda before=before: len(told_by(server)) > before)  # type: ignore[misc]
            await asyncio.sleep(chance.uniform(0.0, 0.5))
            process.kill()
            await process.wait()
        process = await begin(kind, server.port, file, 0)
        assert await process.wait() == 0
    finally:
        await server.stop()
    there, told = committed(file), told_by(server)
    assert len(there) > 20
    assert len({name.split("-")[0] for name in there}) == 4
    assert sorted(set(told), key=told.index) == there
