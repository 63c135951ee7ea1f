"""The ledger: records committed a second, bytes a record, and bytes written a day at 200 tanks every 10 s.

Bytes written are counted by the kernel for this process (`write_bytes` of /proc/self/io), with checkpoints, a cursor
that moves every 5 s and the memory of all tanks every minute; what opening writes is left out. The short form makes the
commits of half an hour as fast as they go, the long one in real time.
"""

import asyncio
import logging
import sqlite3
import tempfile
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import orjson
import structlog

from gateway.clock import SystemClock
from gateway.kept_memory import Kept
from gateway.ledger.codec import Encoder, present_dictionary
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.process.garbage import settled_collector
from gateway.resources import config_folder
from gateway.tank_record import TankRecord, plain_record
from tests.bench.interleaved import compare
from tests.bench.record_corpus import of_site_file, random_tanks

__all__ = ["BASELINE", "measure"]

BASELINE = "ready bodies into a table, a commit for each 5,000"
_UNSEEN = range(6_000_000, 6_000_020)
"""Seeds of random sites that the dictionary was not trained on."""
_BOOT = "0" * 32
_BEGIN = datetime(2026, 11, 28, 6, 0, tzinfo=UTC)
_COMMITS = 1800
_DAY_S = 86_400


def measure(*, long: bool) -> dict[str, Any]:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    tanks = list(random_tanks(_UNSEEN))[:200]
    records = [record for tank in tanks for record in tank.go_on(9)]
    table: list[tuple[str, str]] = []
    examples = [*sorted((config_folder() / "examples").glob("*.yaml")), config_folder() / "one_tank.yaml"]
    of_examples = [record for path in examples for record in of_site_file(path, 40, 2)]
    for name, given in (("random sites that it was not trained on", records), ("the example sites", of_examples)):
        plain, body = _bytes_each(given)
        table.append((f"bytes a record, {name}", f"{body:,.0f} (JSON {plain:,.0f})"))
    contenders: dict[str, Callable[[], tuple[float, float]]] = {
        BASELINE: partial(_plain_rate, records),
        "the ledger: packed, committed each second": partial(_ledger_rate, records, 60_000 if long else 20_000),
    }
    for found in compare(contenders, baseline=BASELINE, rounds=5 if long else 3):
        row = found.row()
        table.append((f"records a second, {found.name}", f"{row['median']:,.0f} ({row['cpu_us']:,.0f} us each)"))
    kept = Kept(0, 0, {f"T{index}": _one(tank.memory()) for index, tank in enumerate(tanks)})
    written, size, history = asyncio.run(_wear(records, kept, paced=long))
    seconds = _COMMITS
    table.append(("GB written a day, 200 tanks every 10 s", f"{written / seconds * _DAY_S / 1e9:.2f}"))
    table.append(
        ("MB the file grows a day, at the pace of its first half hour", f"{size / seconds * _DAY_S / 1e6:,.0f}")
    )
    table.append(("GB of history in 72 h", f"{history / seconds * 3 * _DAY_S / 1e9:.2f}"))
    return {"title": "The ledger", "columns": ["", ""], "table": table}


def _one(kept: Kept) -> Any:
    (tank,) = kept.tanks.values()
    return tank


def _bytes_each(records: Sequence[TankRecord]) -> tuple[float, float]:
    encoder = Encoder(present_dictionary())
    plain = sum(len(orjson.dumps(plain_record(record))) for record in records)
    return plain / len(records), sum(len(encoder.record_body(record)) for record in records) / len(records)


def _moved(record: TankRecord, tank: int, number: int) -> TankRecord:
    """As the sheet `number` of a tank."""
    given = record.tank_input
    instant = _BEGIN + timedelta(seconds=10 * number + tank / 20)
    return record._replace(
        identity=record.identity._replace(tank=f"T{tank}", boot=_BOOT, sequence=number + 1),
        tank_input=given._replace(instant=instant, steady_s=10.0 * number),
        inventory=record.inventory._replace(instant=instant),
    )


def _plain_rate(records: Sequence[TankRecord]) -> tuple[float, float]:
    encoder = Encoder(present_dictionary())
    bodies = [encoder.record_body(record) for record in records]
    count = 20_000
    with tempfile.TemporaryDirectory() as folder:
        connection = sqlite3.connect(Path(folder) / "plain", isolation_level=None)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE history (position INTEGER PRIMARY KEY, body BLOB)")
        wall, cpu = time.perf_counter(), time.process_time()
        for begin in range(0, count, 5000):
            connection.execute("BEGIN")
            rows = [(bodies[index % len(bodies)],) for index in range(begin, begin + 5000)]
            connection.executemany("INSERT INTO history (body) VALUES (?)", rows)
            connection.execute("COMMIT")
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        connection.close()
    return count / wall, cpu / count * 1e6


def _ledger_rate(records: Sequence[TankRecord], count: int) -> tuple[float, float]:
    with tempfile.TemporaryDirectory() as folder:
        ledger = Ledger.open(LedgerPlan(file=Path(folder) / "x.ledger"), "north", _BOOT, SystemClock())
        given = [_moved(records[index % len(records)], index % 200, index // 200) for index in range(count)]
        # As in the gateway, which has its collector settled.
        with settled_collector():
            wall, cpu = time.perf_counter(), time.process_time()
            for index, record in enumerate(given):
                ledger.offer(record)
                # As many as wait to be packed: what is packed waits for its second, and nobody for that.
                while index % 200 == 0 and ledger._writer._intake.waiting > 3000:
                    time.sleep(0.002)
            while ledger.status().waiting:
                time.sleep(0.002)
            wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        status = ledger.status()
        # Faster by losing some would not count, nor by thinking some alike.
        # With the records come the events of the watch.
        assert status.lost == 0, status
        assert status.committed > count, status
        assert ledger.close(60.0)
    return count / wall, cpu / count * 1e6


async def _wear(records: Sequence[TankRecord], kept: Kept, *, paced: bool) -> tuple[int, int, int]:
    """Bytes written by this process, by which the file grew, and of pages of history, in half an hour. Minutes stand in
    the file for an hour, memory once: they make it grow in the first hour only."""
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        ledger = Ledger.open(LedgerPlan(file=Path(folder) / "x.ledger"), "north", _BOOT, SystemClock())
        outbox = ledger.outbox("database")
        await asyncio.wrap_future(ledger.transactions.do(_used))
        begun, used = _written(), await asyncio.wrap_future(ledger.transactions.do(_used))
        started = time.monotonic()
        for second in range(_COMMITS):
            for index in range(20):
                tank = second % 10 * 20 + index
                ledger.offer(_moved(records[(tank * 9 + second) % len(records)], tank, second // 10))
            if second % 60 == 0:
                ledger.keep_memory(kept)
            if second % 5 == 0:
                while outbox.ready():
                    entries = await outbox.take(500)
                    outbox.delivered(entries[-1].position)
            if paced:
                await asyncio.sleep(max(0.0, started + second + 1 - time.monotonic()))
            else:
                cursor = partial(_move_cursor, position=second * 20) if second % 5 == 0 else _used
                await asyncio.wrap_future(ledger.transactions.do(cursor, at_once=True))
        written = _written() - begun
        grown = await asyncio.wrap_future(ledger.transactions.do(_used)) - used
        history = await asyncio.wrap_future(ledger.transactions.do(_of_history))
        status = ledger.status()
        assert status.lost == 0, status
        assert status.committed > _COMMITS * 20, status
        assert await asyncio.to_thread(ledger.close, 60.0)
    return written, grown, history


def _move_cursor(connection: sqlite3.Connection, position: int) -> int:
    """As often as it would be written in real time."""
    connection.execute("UPDATE cursors SET position = ?", (position,))
    return 0


def _used(connection: sqlite3.Connection) -> int:
    """Bytes of pages in use."""
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    (free,) = connection.execute("PRAGMA freelist_count").fetchone()
    return int((pages - free) * 4096)


def _of_history(connection: sqlite3.Connection) -> int:
    """Bytes of pages that hold rows of history."""
    found = connection.execute("SELECT pgsize FROM dbstat WHERE name = 'history' AND aggregate = TRUE").fetchone()
    return int(found[0])


def _written() -> int:
    words = dict(line.split(": ") for line in Path("/proc/self/io").read_text("ascii").splitlines())
    return int(words["write_bytes"])
