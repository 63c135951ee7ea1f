"""A ledger and one destination of history as a process, to be killed while entries flow from the one into the other.

`python -m tests.support.from_ledger LEDGER ROUNDS files FOLDER`
`python -m tests.support.from_ledger LEDGER ROUNDS postgresql PORT DATABASE USER PASSWORD_FILE`
`python -m tests.support.from_ledger LEDGER ROUNDS sparkplug PORT PRIMARY_HOST`

A round is a record of each of three tanks; without any round it ends when all that is kept has arrived.
"""

import asyncio
import random
import secrets
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from gateway.clock import SystemClock
from gateway.delivery.contract import DeliveryPlan, Surroundings
from gateway.delivery.destinations import make_destination
from gateway.delivery.plan import FilesPlan
from gateway.delivery.postgresql.plan import PostgresqlPlan
from gateway.delivery.sparkplug.plan import SparkplugPlan
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from tests.support.records import inventory, record_of, snapshot

__all__ = ["command"]

_TANKS = ("TK-1", "TK-2", "TK-3")
_APART = timedelta(seconds=20)
"""Between two rounds, by their sheets: hours of them, so that files are begun and done."""


def _files(folder: str) -> DeliveryPlan:
    return FilesPlan(Path(folder), each_s=3600.0, gather_s=0.01)


def _postgresql(port: str, database: str, user: str, password_file: str) -> DeliveryPlan:
    return PostgresqlPlan("127.0.0.1", int(port), database, user, Path(password_file), batch=50, gather_s=0.01)


def _sparkplug(port: str, host: str) -> DeliveryPlan:
    return SparkplugPlan(
        (("127.0.0.1", int(port)),),
        "plant",
        "harbour",
        host,
        keepalive_s=1,
        host_silence_s=1.0,
        backoff_first_s=0.05,
        backoff_longest_s=0.2,
    )


_PLANS: dict[str, Callable[..., DeliveryPlan]] = {
    "files": _files,
    "postgresql": _postgresql,
    "sparkplug": _sparkplug,
}


def command(ledger: Path, rounds: int, kind: str, *arguments: str) -> list[str]:
    """To be run in the folder of the repository."""
    return [sys.executable, "-m", "tests.support.from_ledger", str(ledger), str(rounds), kind, *arguments]


async def _main(file: str, rounds: int, plan: DeliveryPlan) -> None:
    boot = secrets.token_hex(16)
    ledger = Ledger.open(LedgerPlan(Path(file), every_s=1.0, commit_s=0.05), "harbour", boot, SystemClock())
    outbox = ledger.outbox(plan.name)
    around = Surroundings("harbour", boot, snapshot, random.Random(), lambda _: None, outbox)
    delivery = make_destination(plan, around)
    running = asyncio.create_task(delivery.run())
    begun = datetime.now(UTC)
    for number in range(1, rounds + 1):
        for tank in _TANKS:
            sheet = inventory(tank, instant=begun + number * _APART)
            record = record_of("harbour", boot, number, sheet, 10.0)
            ledger.offer(record)
            if delivery.wants.live:
                delivery.offer(record)
        await asyncio.sleep(0.002)
    if rounds == 0:
        # What waits is known only after the file has been looked at.
        while not delivery.status().connected or outbox.ready() or outbox.backlog().waiting:  # noqa: ASYNC110
            await asyncio.sleep(0.2)
        running.cancel()
        await asyncio.wait([running])
    ledger.close(5.0)


if __name__ == "__main__":
    asyncio.run(_main(sys.argv[1], int(sys.argv[2]), _PLANS[sys.argv[3]](*sys.argv[4:])))
