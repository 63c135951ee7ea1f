"""Ledgers of every version of the schema that was ever written, as they were: each is read, and gone on with.

A file of a new version is made by `python -m tests.ledger.test_kept_files` and added, never changed: a dictionary, the
shape of a record or the schema that this program writes no longer must still be read.
"""

import asyncio
import gzip
import sqlite3
import sys
import tempfile
from pathlib import Path

import pytest

from gateway.calculation.remembered import calculated_again
from gateway.clock import SystemClock
from gateway.commands.service.ledger_verify import is_told_alike
from gateway.history import Entry, KeptEvent, KeptRecord
from gateway.keeping import kept_in
from gateway.ledger.codec import unpacked
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.store import NEWEST, open_store
from gateway.pipeline import Pipeline
from gateway.plan_body import plan_from
from gateway.records import Figure, Quality, Reason, ReasonCode
from gateway.tank_record import EventKind, TankRecord
from tests.site_fuzz.through_gateway import load, readings_of, taken
from tests.support.ledger_store import Moment, records_in, rows_in

FOLDER = Path(__file__).parent / "kept"
FILES = sorted(FOLDER.glob("*.ledger.gz"))
SITE = "site"
PATIENCE_S = 20.0


def test_there_is_one_of_the_present_version() -> None:
    newest = max(path.name for path in (Path(__file__).parents[2] / "gateway" / "ledger" / "schema").glob("*.sql"))
    assert FILES[-1].name.startswith(newest[:4])


def test_it_has_the_schema_that_this_version_makes(tmp_path: Path) -> None:
    """One that was made before a step was put in or changed would be of no version that was ever written."""
    kept, new = tmp_path / "kept.ledger", tmp_path / "new.ledger"
    kept.write_bytes(gzip.decompress(FILES[-1].read_bytes()))
    open_store(new, SITE, 0).connection.close()
    made = "SELECT type, name, sql FROM sqlite_schema WHERE name <> 'sqlite_sequence' ORDER BY type, name"
    assert rows_in(kept, made) == rows_in(new, made)
    assert rows_in(kept, "PRAGMA user_version") == [(NEWEST,)]


@pytest.fixture(params=FILES, ids=lambda path: path.name)
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    file = tmp_path / "site.ledger"
    file.write_bytes(gzip.decompress(request.param.read_bytes()))
    return file


def test_each_record_of_it_is_calculated_again(kept: Path) -> None:
    texts = {plan_id: unpacked(body) for plan_id, body in rows_in(kept, "SELECT id, body FROM plans")}
    records = records_in(kept)
    assert len(records) >= 8
    for record in records:
        made = calculated_again(plan_from(record.plan, texts[record.plan]), record)
        # A rule that was mended since may make another volume of it; that it is the same today is `test_keeping.py`.
        assert is_told_alike(made.figures.level, record.inventory.figures.level)


def test_a_sentence_that_is_made_otherwise_is_the_same_and_another_is_not() -> None:
    was = Reason(ReasonCode.LOW_HEAD, "no liquid above {at:.3f} m", (("at", 0.469),))
    level = Figure(None, Quality.BAD, (was,), 0.0)
    made = level._replace(reasons=(was._replace(phrase="no liquid above {at:m .3f}"),))
    assert made != level
    assert is_told_alike(made, level)
    for other in (
        made._replace(quality=Quality.UNCERTAIN),
        made._replace(reasons=()),
        made._replace(reasons=(was._replace(values=(("at", 0.47),)),)),
        made._replace(reasons=(was._replace(code=ReasonCode.STALE),)),
        made._replace(value=0.469),
    ):
        assert not is_told_alike(other, level)


async def test_a_gateway_goes_on_with_it_and_delivers_what_it_has(kept: Path) -> None:
    before = len(records_in(kept))
    ledger = Ledger.open(LedgerPlan(file=kept), SITE, "c" * 32, SystemClock())
    try:
        outbox = ledger.outbox("office")
        entries: list[Entry] = []
        async with asyncio.timeout(PATIENCE_S):
            while not (entries and entries[-1].position >= before + 3):
                entries += await outbox.take(100)
    finally:
        assert await asyncio.to_thread(ledger.close, PATIENCE_S)
    assert [entry.position for entry in entries] == sorted({entry.position for entry in entries})
    assert sum(isinstance(entry, KeptRecord) for entry in entries) == before
    kinds = [entry.event.kind for entry in entries if isinstance(entry, KeptEvent)]
    assert kinds == [EventKind.GATEWAY_STARTED, EventKind.GATEWAY_STOPPED, EventKind.GATEWAY_STARTED]


def _make(file: Path) -> None:
    """A small ledger of random sites, as this version writes it: of each tank enough records to have a form."""
    with tempfile.TemporaryDirectory() as folder:
        keeping = kept_in(Path(folder), SITE, LedgerPlan(every_s=1.0))("b" * 32, SystemClock())
        for seed in range(6_000_000, 6_000_040, 10):
            place = Path(folder, str(seed))
            place.mkdir()
            site, _ = taken(seed, place)
            setups = load(site, place)
            for seen in site.tanks:
                setup = setups[seen.tank.tag]
                for moment in seen.moments[:6]:
                    utc_ns, steady_ns, latest = readings_of(setup, moment.shown)
                    records: list[TankRecord] = []
                    clock = Moment(utc_ns, steady_ns)
                    watched = [(setup.plan, setup.binding, 2.0)]
                    pipeline = Pipeline(SITE, "b" * 32, watched, records.append, clock)
                    pipeline._latest.update(latest)
                    pipeline._calculate(pipeline._tanks[0])
                    keeping.offer(records[0], pipeline.plan_text)
        asyncio.run(keeping.close(None))
        small = Path(folder, "small")
        connection = sqlite3.connect(Path(folder, f"{SITE}.ledger"))
        connection.execute("VACUUM INTO ?", (str(small),))
        connection.close()
        file.write_bytes(gzip.compress(small.read_bytes(), mtime=0))


if __name__ == "__main__":
    _make(Path(sys.argv[1]))
