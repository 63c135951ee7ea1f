"""The ledger: records committed a second and bytes a record. What it writes in a day is `wear`."""

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
from gateway.ledger.codec import Encoder, present_dictionary
from gateway.ledger.forms import FormedEncoder
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.process.garbage import settled_collector
from gateway.resources import config_folder
from gateway.tank_record import TankRecord, plain_record
from tests.bench.interleaved import compare
from tests.bench.record_corpus import of_site_file, random_tanks
from tests.bench.wear import UNSEEN

__all__ = ["BASELINE", "measure"]

BASELINE = "ready bodies into a table, a commit for each 5,000"
_BOOT = "0" * 32
_SHEETS = 30
"""Of each tank, one after the other; then again from the first."""
_BEGIN = datetime(2026, 11, 28, 6, 0, tzinfo=UTC)


def measure(*, long: bool) -> dict[str, Any]:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    tanks = list(random_tanks(UNSEEN))[:200]
    of_tanks = [[_named(record, f"T{number}") for record in tank.go_on(_SHEETS)] for number, tank in enumerate(tanks)]
    # The next of each tank in turn, as they come.
    records = [of_tank[number] for number in range(_SHEETS) for of_tank in of_tanks]
    table: list[tuple[str, str]] = []
    examples = [*sorted((config_folder() / "examples").glob("*.yaml")), config_folder() / "one_tank.yaml"]
    of_examples = [
        _named(record, f"{path.stem} {record.identity.tank}")
        for path in examples
        for record in of_site_file(path, 40, 2)
    ]
    for name, given in (("random sites that it was not trained on", records), ("the example sites", of_examples)):
        plain, body, formed = _bytes_each(given)
        table.append((f"bytes a record by itself, {name}", f"{body:,.0f} (JSON {plain:,.0f})"))
        table.append((f"bytes a record with a form of its tank, {name}", f"{formed:,.0f}"))
    contenders: dict[str, Callable[[], tuple[float, float]]] = {
        BASELINE: partial(_plain_rate, records),
        "the ledger: packed, committed each second": partial(_ledger_rate, records, 60_000 if long else 20_000),
    }
    for found in compare(contenders, baseline=BASELINE, rounds=5 if long else 3):
        row = found.row()
        table.append((f"records a second, {found.name}", f"{row['median']:,.0f} ({row['cpu_us']:,.0f} us each)"))
    return {"title": "The ledger", "columns": ["", ""], "table": table}


def _named(record: TankRecord, tank: str) -> TankRecord:
    """Sites have tanks of the same names."""
    return record._replace(identity=record.identity._replace(tank=tank))


def _bytes_each(records: Sequence[TankRecord]) -> tuple[float, float, float]:
    """Of those that have a form the last as they are in their rows; the forms themselves are counted by `wear`."""
    encoder = Encoder(present_dictionary())
    formed = FormedEncoder(encoder)
    plain = sum(len(orjson.dumps(plain_record(record))) for record in records) / len(records)
    sizes = [len(packed.body) for packed in map(formed.record, records) if packed.form is not None]
    return plain, sum(len(encoder.record_body(record)) for record in records) / len(records), sum(sizes) / len(sizes)


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
