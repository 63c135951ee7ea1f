"""What the ledger writes and how its file grows at 200 tanks every 10 s.

The tanks are those of twenty random sites that the dictionary was not trained on, of all kinds, each with its own
pipeline and watch, in one unbroken course: two fifths of them fill or empty for half an hour at a time and rest, a
tenth have an instrument that is silent for some minutes of each hour, a tenth are rough. What they come to (alarms,
movements, sheets that are kept because something changed) is what their watch finds, not made up. Before anything is
counted they run for a quarter of an hour, by when what a start raises has been raised.

Bytes written are counted by the kernel for this process (`write_bytes` of /proc/self/io), with checkpoints, a cursor
that moves every 5 s and the memory of all tanks every minute; what opening writes is left out, as are plans, which come
once. The short form makes half an hour as fast as it goes, a commit for each second and each event; the long one takes
half an hour. Another half hour, always as fast as it goes, is counted with history going behind as fast as it comes, as
it does from the fourth day on.
"""

import asyncio
import logging
import sqlite3
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import structlog

from gateway.kept_memory import Kept, KeptTank, KeptWatch
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.tank_record import TankRecord
from tests.bench.record_corpus import BEGIN_NS, SimulatedTank, random_tanks

__all__ = ["UNSEEN", "measure"]

UNSEEN = range(6_000_000, 6_000_020)
"""Seeds of random sites that the dictionary was not trained on."""
_BOOT = "0" * 32
_TANKS = 200
_S = 1_000_000_000
_TICK_NS = _S // 10
_SETTLED_S = 900
_MEASURED_S = 1800
_KEPT_S = 600
"""In place of 72 h, and before it is counted what is written when history goes too."""
_DAY_S = 86_400


def measure(*, long: bool) -> dict[str, Any]:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    found = asyncio.run(_worn(paced=long))
    full = asyncio.run(_worn(keep_s=_KEPT_S))
    a_day = _DAY_S / _MEASURED_S
    table = [
        ("GB written a day", f"{found.written * a_day / 1e9:.2f}"),
        ("GB written a day, once the oldest goes as fast as it comes", f"{full.written * a_day / 1e9:.2f}"),
        ("GB of history in 72 h", f"{found.history * 3 * a_day / 1e9:.2f}"),
        ("MB the file grows a day, at the pace of its first half hour", f"{found.grown * a_day / 1e6:,.0f}"),
        ("records a tank each 10 s", f"{found.records / _TANKS / _MEASURED_S * 10:.3f}"),
        ("bytes a record", f"{found.bodies / found.records:,.0f}"),
        ("commits a second", f"{found.commits / _MEASURED_S:.2f}"),
        ("events an hour and tank", f"{sum(found.events.values()) / _MEASURED_S * 3600 / _TANKS:.2f}"),
    ]
    table += [(f"  {name}", f"{count:,}") for name, count in found.events.most_common(8)]
    return {"title": "What the ledger writes at 200 tanks every 10 s", "columns": ["", ""], "table": table}


class _Worn(NamedTuple):
    """Bytes written, by which the file grew, of pages of history and of the bodies of records. Minutes stand in the
    file for an hour, memory once: they make it grow in the first hour only."""

    written: int
    grown: int
    history: int
    bodies: int
    records: int
    commits: int
    events: "Counter[str]"


class _Site:
    """All tanks, and the clock by which they are read."""

    def __init__(self) -> None:
        self.now_ns = BEGIN_NS
        self.tanks = list(random_tanks(UNSEEN))[:_TANKS]
        self.sheets: list[tuple[TankRecord, SimulatedTank]] = []
        for number, tank in enumerate(self.tanks):
            tank.deliver = partial(self._take, f"T{number}", tank)

    def utc_ns(self) -> int:
        return self.now_ns

    def monotonic_ns(self) -> int:
        return self.now_ns - BEGIN_NS

    def go_on(self) -> Sequence[tuple[TankRecord, SimulatedTank]]:
        """The sheets of the next tenth of a second."""
        self.now_ns += _TICK_NS
        self.sheets = []
        for tank in self.tanks:
            tank.go_until(self.now_ns)
        return self.sheets

    def memory(self) -> Kept:
        kept: dict[str, KeptTank] = {}
        for number, tank in enumerate(self.tanks):
            (kept[f"T{number}"],) = tank.memory().tanks.values()
        return Kept(self.now_ns, self.monotonic_ns(), kept)

    def _take(self, name: str, tank: SimulatedTank, record: TankRecord) -> None:
        identity = record.identity._replace(tank=name, boot=_BOOT)
        self.sheets.append((record._replace(identity=identity), tank))


async def _worn(*, paced: bool = False, keep_s: int = 0) -> _Worn:
    """`keep_s`: so much of history is kept, and is there when counting begins; 0: nothing goes."""
    site = _Site()
    for _ in range(_SETTLED_S * _S // _TICK_NS):
        site.go_on()
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder:
        plan = LedgerPlan(file=Path(folder) / "x.ledger")
        ledger = Ledger.open(replace(plan, keep_s=keep_s or plan.keep_s), "north", _BOOT, site)
        outbox = ledger.outbox("database")
        events: Counter[str] = Counter()
        begun = used = commits = 0
        started = time.monotonic()
        for second in range(-keep_s, _MEASURED_S):
            if second == 0:
                begun, used = _written(), await asyncio.wrap_future(ledger.transactions.do(_used))
                commits = ledger.status().commit_time.counts[-1]
                events.clear()
            if second % 60 == 0:
                ledger.keep_memory(site.memory())
            for tick in range(_S // _TICK_NS):
                is_pressing = False
                for record, tank in site.go_on():
                    ledger.offer(record, partial(_watch, record.identity.tank, tank))
                    events.update(f"{event.kind} {event.subject}" for event in record.events)
                    is_pressing = is_pressing or bool(record.events)
                if paced:
                    until = started + second + (tick + 1) * _TICK_NS / _S
                    await asyncio.sleep(max(0.0, until - time.monotonic()))
                elif is_pressing:
                    await asyncio.wrap_future(ledger.transactions.do(_used, at_once=True))
            if second % 5 == 0:
                while outbox.ready():
                    entries = await outbox.take(500)
                    outbox.delivered(entries[-1].position)
            if not paced:
                cursor = partial(_move_cursor, ledger.status().committed) if second % 5 == 0 else _used
                await asyncio.wrap_future(ledger.transactions.do(cursor, at_once=True))
        written = _written() - begun
        grown = await asyncio.wrap_future(ledger.transactions.do(_used)) - used
        history = await asyncio.wrap_future(ledger.transactions.do(_of_history))
        bodies, records, told = await asyncio.wrap_future(ledger.transactions.do(_of_bodies))
        status = ledger.status()
        # Faster by losing some would not count, nor by thinking that there were some.
        assert status.lost == 0, status
        assert keep_s or told >= sum(events.values()), (told, events)
        assert await asyncio.to_thread(ledger.close, 60.0)
    return _Worn(written, grown, history, bodies, records, status.commit_time.counts[-1] - commits, events)


def _watch(name: str, tank: SimulatedTank) -> KeptWatch | None:
    kept = tank.watch_memory()
    return None if kept is None else kept._replace(tank=name)


def _move_cursor(position: int, connection: sqlite3.Connection) -> int:
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


def _of_bodies(connection: sqlite3.Connection) -> tuple[int, int, int]:
    """Bytes of the bodies of records, records, events."""
    found = "SELECT sum(length(body)), count(*) FROM history WHERE kind = ?"
    bodies, records = connection.execute(found, (0,)).fetchone()
    _, events = connection.execute(found, (1,)).fetchone()
    return int(bodies), int(records), int(events)


def _written() -> int:
    words = dict(line.split(": ") for line in Path("/proc/self/io").read_text("ascii").splitlines())
    return int(words["write_bytes"])
