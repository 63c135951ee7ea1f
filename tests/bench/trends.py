"""How long a trend takes to read: a day of one tank by minutes, a year by hours, the same as the page asks for it over
HTTP (wanted: within 300 ms), and what the trends of a record cost.

The file is that of 200 tanks: each minute of two days and each hour of a year, levels that wander and are noisy. Beside
it, in the same rounds, a fixed loop of plain Python arithmetic.
"""

import random
import sqlite3
import tempfile
import time
import zlib
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from importlib.resources import files
from pathlib import Path

import orjson

from gateway.calculation.inventory import calculate
from gateway.calculation.memory import EMPTY_MEMORY
from gateway.ledger.codec import Decoder, Encoder, present_dictionary
from gateway.ledger.contract import Row
from gateway.ledger.summaries import HOUR_S, MINUTE_S, TRENDED, Extent, Summary, glance_of, packed, packed_block
from gateway.ledger.summary_rows import DAY_S, SummaryRows
from gateway.ledger.trends import trend
from gateway.process.garbage import settled_collector
from gateway.tank_record import Identity, TankRecord
from tests.bench.interleaved import compare
from tests.bench.sheet_time import BASELINE, inputs, plan
from tests.bench.trend_server import asking
from tests.support.records import BOOT

__all__ = ["measure"]

TANKS = 200
DAYS = 365
FIGURES = ["level", "liquid_temperature", "gsv"]
_BEGIN = 1_767_225_600
"""2026-01-01."""


def measure(*, long: bool) -> dict[str, object]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trends.ledger"
        size = _filled(path)
        connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
        end = _BEGIN + DAYS * DAY_S
        contenders: dict[str, Callable[[], tuple[float, float]]] = {
            BASELINE: partial(_rate, _plain_loop),
            "a day of one tank, by minutes": partial(
                _rate, lambda: _read(connection, end - DAY_S, end, MINUTE_S, 24 * 60 - 30)
            ),
            "a year of one tank, by hours": partial(
                _rate, lambda: _read(connection, _BEGIN, end, HOUR_S, 24 * DAYS - 1)
            ),
            "a record summed up": _summed_up(),
        }
        begin = f"from={_utc(_BEGIN)}&until={_utc(end)}"
        year = f"/api/1/tanks/TK-100/trend?{begin}&points=600&figures={','.join(FIGURES)}"
        # As in the gateway, which has its collector settled.
        with settled_collector(), asking(path, end, year) as ask:
            contenders["a year of one tank over HTTP, 600 steps"] = partial(_rate, lambda: _asked(ask))
            found = compare(contenders, baseline=BASELINE, rounds=7)
        connection.close()
    return {
        "title": f"Trends: three figures, out of a file of {TANKS} tanks and {size / 1e6:.0f} MB",
        "unit": "a second",
        "baseline": BASELINE,
        "rows": [contender.row() for contender in found],
    }


def _utc(at_s: int) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%dT%H:%M:%SZ}"


def _asked(ask: Callable[[], bytes]) -> int:
    figures = orjson.loads(ask())["figures"]
    assert all(len(figures[name]["times"]) > 500 for name in FIGURES)
    return 1


def _plain_loop() -> int:
    total = 0
    for number in range(20_000):
        total += number * number
    assert total > 0
    return 1


def _rate(work: Callable[[], int]) -> tuple[float, float]:
    done = 0
    wall, cpu = time.perf_counter(), time.process_time()
    while time.perf_counter() - wall < 0.5:
        done += work()
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    return done / wall, cpu / done * 1e6


def _read(connection: sqlite3.Connection, begin: int, end: int, span_s: int, at_least: int) -> int:
    found = trend(connection, "TK-100", FIGURES, begin, end, span_s)
    assert all(len(points) >= at_least for points in found.values()), [len(points) for points in found.values()]
    return 1


def _filled(path: Path) -> int:
    """Whole hours and days as packing leaves them, and the last half hour as rows of minutes."""
    chance = random.Random(7)
    connection = sqlite3.connect(path, isolation_level=None)
    connection.executescript(files("gateway.ledger").joinpath("schema", "0001_begin.sql").read_text("utf-8"))
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("BEGIN")
    connection.executemany("INSERT INTO tanks (name) VALUES (?)", [(f"TK-{number + 1}",) for number in range(TANKS)])
    end = _BEGIN + DAYS * DAY_S
    for start in range(end - 2 * DAY_S, end - HOUR_S, HOUR_S):
        _blocks(connection, MINUTE_S, start, 60, chance)
    for day in range(DAYS):
        _blocks(connection, HOUR_S, _BEGIN + day * DAY_S, 24, chance)
    for start in range(end - HOUR_S, end, MINUTE_S):
        rows = [(start, tank, packed(_summary(chance, tank))) for tank in range(1, TANKS + 1)]
        connection.executemany("INSERT INTO minutes VALUES (?, ?, ?)", rows)
    connection.execute("COMMIT")
    connection.close()
    return path.stat().st_size


def _blocks(connection: sqlite3.Connection, span_s: int, start: int, count: int, chance: random.Random) -> None:
    # One tank is drawn value by value, the others are like it, so that it is filled in seconds.
    block = packed_block({place: _summary(chance, 100) for place in range(count)})
    for tank in range(1, TANKS + 1):
        connection.execute("INSERT INTO trends VALUES (?, ?, ?, ?)", (span_s, tank, start, zlib.compress(block, 1)))


def _summary(chance: random.Random, tank: int) -> Summary:
    found = []
    for place in range(len(TRENDED)):
        middle = (tank + place) * 10.0 + chance.gauss(0.0, 0.002)
        found.append(Extent(middle - 0.001, middle + 0.001, middle, 0))
    return tuple(found)


def _summed_up() -> Callable[[], tuple[float, float]]:
    encoder = Encoder(present_dictionary())
    connection = sqlite3.connect(":memory:", isolation_level=None)
    connection.executescript(files("gateway.ledger").joinpath("schema", "0001_begin.sql").read_text("utf-8"))
    given = inputs()[0]
    sheet = calculate(plan(), given, EMPTY_MEMORY)[0]
    body = encoder.record_body(TankRecord(Identity("bench", "TK-1", BOOT, 1), given, sheet))
    glance = glance_of(sheet.figures)
    rows = SummaryRows(Decoder().plain)
    position = 0

    def add() -> int:
        nonlocal position
        batch = []
        for tank in range(TANKS):
            position += 1
            instant_ns = (_BEGIN + position * 10 // TANKS) * 1_000_000_000
            batch.append(Row(position, 0, tank, 1, position, 0, instant_ns, encoder.number, body, glance=glance))
        rows.add(connection, batch)
        return len(batch)

    return partial(_rate, add)
