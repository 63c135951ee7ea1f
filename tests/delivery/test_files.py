"""The destination that writes files: with an outbox, with a disk that fails or hangs, and when it is killed."""

import asyncio
import builtins
import random
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Collection, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager, suppress
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import duckdb
import pytest
from structlog.testing import capture_logs

from gateway.delivery.contract import GOODBYE_S, Outbox, Surroundings, Wants
from gateway.delivery.files.delivery import FILES_NOT_WRITTEN, FILES_WRITTEN_AGAIN, FilesDelivery
from gateway.delivery.files.folder import HistoryFolder, Written
from gateway.delivery.files.rows import RECORDS
from gateway.delivery.plan import FilesPlan
from gateway.history import Entry
from gateway.records import Figure, Quality
from tests.support.deliveries import until
from tests.support.files_process import TANKS, entries, read_cursor
from tests.support.history_files import finished, identities, rows, unfinished
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record, streams
from tests.support.records import BOOT, NOON, bad, record, snapshot

ROOT = Path(__file__).resolve().parent.parent.parent


class Site:
    """A destination over an outbox in memory, and a clock in the hands of the test."""

    def __init__(self, folder: Path, outbox: Outbox | None, **changes: Any) -> None:
        self.now = NOON
        self.turns: list[float] = []
        make = changes.pop("make_folder", HistoryFolder)
        plan = FilesPlan(folder, **{"gather_s": 0.01, "backoff_first_s": 0.01, "backoff_longest_s": 0.05, **changes})
        around = Surroundings("harbour", BOOT, self._state, random.Random(1), self.turns.append, outbox)
        self.delivery = FilesDelivery(plan, around, make_folder=make)

    def _state(self) -> Any:
        return snapshot()._replace(instant=self.now, time_zone="Europe/Lisbon")

    @property
    def troubles(self) -> list[str]:
        return [each.text for each in self.delivery.status().troubles]

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        task = asyncio.create_task(self.delivery.run())
        try:
            yield
        finally:
            assert not task.done(), task
            task.cancel()
            ended, _ = await asyncio.wait([task], timeout=GOODBYE_S)
            assert ended
            assert task.cancelled()


def become(folder: Path, what: str) -> None:
    if folder.is_dir():
        folder.rmdir()
    else:
        folder.unlink(missing_ok=True)
    if what == "a file":
        folder.touch()
    elif what == "a folder":
        folder.mkdir()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "out"
    made.mkdir()
    return made


def test_it_wants_history_and_events_and_nothing_live(folder: Path) -> None:
    site = Site(folder, MemoryOutbox())
    assert site.delivery.wants == Wants(live=False, history=True, events=True)
    site.delivery.offer(record())
    site.delivery.finish([record()])
    status = site.delivery.status()
    assert (status.destination, status.connected) == (f"files:{folder}", False)
    assert (status.delivered, status.lost, status.waiting) == (0, 0, 0)


async def test_what_is_kept_is_written_and_what_comes_while_it_runs(folder: Path) -> None:
    outbox = MemoryOutbox([*streams(TANKS, 2), kept_event(7)])
    site = Site(folder, outbox)
    async with site.running():
        await until(lambda: outbox.backlog().waiting == 0)
        outbox.add(kept_record(8, "TK-1", 3, 2))
        await until(lambda: outbox.backlog().waiting == 0)
        await until(lambda: site.delivery.status().connected)
        assert site.delivery.status().history == outbox.backlog()
        assert finished(folder) == []
        site.now = NOON + timedelta(days=1)
        await until(lambda: finished(folder) and finished(folder, "events"))
    assert len(identities(*finished(folder))) == 7
    assert len(rows(*finished(folder, "events"))) == 1
    assert {row["local_time"] for row in rows(*finished(folder))} == {"2026-03-14T12:00:00.250+00:00"}
    assert not site.delivery.status().connected


async def test_nothing_is_said_to_have_arrived_before_it_is_on_the_disk(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    sync = __import__("os").fsync

    def told(descriptor: int) -> None:
        sync(descriptor)
        order.append("sync")

    class Told(MemoryOutbox):
        def delivered(self, position: int, refused: Collection[int] = ()) -> None:
            order.append("delivered")
            super().delivered(position, refused)

    monkeypatch.setattr("gateway.delivery.files.part.os.fsync", told)
    outbox = Told()
    async with (site := Site(folder, outbox)).running():
        await until(lambda: site.delivery.status().connected)
        order.clear()
        outbox.add(kept_record(1))
        await until(lambda: outbox.backlog().waiting == 0)
    assert order.index("sync") < order.index("delivered")


async def test_a_reason_is_said_once_and_what_waited_is_written_once_it_is_over(folder: Path) -> None:
    become(folder, "nothing")
    outbox = MemoryOutbox(streams(TANKS, 2))
    site = Site(folder, outbox)
    with capture_logs() as logs:
        async with site.running():
            await until(lambda: len(site.turns) > 20)
            assert [each["event"] for each in logs] == [FILES_NOT_WRITTEN]
            (trouble,) = site.delivery.status().troubles
            assert trouble.code == "not_written"
            assert (
                trouble.text
                == f"{folder}: there is no such folder; make it once its disk is mounted: the gateway makes none"
            )
            become(folder, "a file")
            await until(lambda: site.troubles == [f"{folder}: it is no folder"])
            assert (outbox.backlog().waiting, outbox.backlog().delivered) == (6, 0)
            become(folder, "a folder")
            await until(lambda: site.delivery.status().connected)
            assert site.troubles == []
            await until(lambda: outbox.backlog().waiting == 0)
    events = [each["event"] for each in logs]
    assert events == [FILES_NOT_WRITTEN, FILES_NOT_WRITTEN, *events[2:-1], FILES_WRITTEN_AGAIN]
    assert len(identities(*unfinished(folder))) == 6


async def test_without_a_ledger_it_says_that_there_is_nothing_to_write(folder: Path) -> None:
    site = Site(folder, None)
    with capture_logs() as logs:
        async with site.running():
            await until(lambda: site.troubles)
    assert [(each["event"], each["log_level"]) for each in logs] == [(FILES_NOT_WRITTEN, "error")]
    assert site.troubles == ["there is no ledger, so that there is no history to write"]
    assert site.delivery.status().history is None


async def test_what_is_no_row_is_told_counted_and_passed_over(folder: Path) -> None:
    poison = kept_record(2, sequence=2, level=Figure(float("nan"), Quality.GOOD, (), 0.0))
    outbox = MemoryOutbox([kept_record(1), poison, kept_record(3, sequence=3)])
    site = Site(folder, outbox)
    async with site.running():
        await until(lambda: outbox.backlog().waiting == 0)
        status = site.delivery.status()
    assert status.history is not None
    assert (status.history.delivered, status.history.lost) == (2, 1)
    assert [each.code for each in status.troubles] == ["records_refused"]
    assert identities(*unfinished(folder)) == [("TK-1", 1), ("TK-1", 3)]


async def test_two_of_one_site_the_second_waits_and_takes_over(folder: Path) -> None:
    first, second = MemoryOutbox(streams(TANKS, 1)), MemoryOutbox(streams(TANKS, 2))
    one, other = Site(folder, first), Site(folder, second)
    async with one.running():
        await until(lambda: first.backlog().waiting == 0)
        async with other.running():
            await until(lambda: other.troubles)
            assert [each.code for each in other.delivery.status().troubles] == ["other_gateway"]
            assert second.backlog().delivered == 0
    async with other.running():
        await until(lambda: second.backlog().waiting == 0)
    assert sorted(identities(*unfinished(folder))) == sorted((tank, n) for tank in TANKS for n in (1, 2))


class Hanging(HistoryFolder):
    """On a disk that does not answer until it is told to."""

    answers = threading.Event()
    hangs_at = "write"

    def open(self) -> None:
        if self.hangs_at == "open":
            self.answers.wait()
        super().open()

    def write(self, entries: Sequence[Entry], zone: tzinfo) -> Written:
        if self.hangs_at == "write":
            self.answers.wait()
        return super().write(entries, zone)

    def finish(self, now: datetime) -> None:
        if self.hangs_at == "finish":
            self.answers.wait()
        super().finish(now)


@pytest.mark.parametrize("where", ["open", "write", "finish"])
async def test_a_disk_that_hangs_holds_up_nobody(folder: Path, monkeypatch: pytest.MonkeyPatch, where: str) -> None:
    monkeypatch.setattr(Hanging, "answers", answers := threading.Event())
    monkeypatch.setattr(Hanging, "hangs_at", where)
    outbox = MemoryOutbox(streams(TANKS, 2))
    site = Site(folder, outbox, make_folder=Hanging, timeout_s=0.05)
    with capture_logs() as logs:
        async with site.running():
            await until(lambda: site.troubles == [f"{folder}: the disk has not answered for 0.05 s"])
            turns = len(site.turns)
            await until(lambda: len(site.turns) > turns + 3)
            assert not site.delivery.status().connected
        # The block has ended it: the stop did not wait for the disk either.
        assert outbox.backlog().waiting == (0 if where == "finish" else 6)
        assert [each["event"] for each in logs] == [FILES_NOT_WRITTEN]
        async with site.running():
            await asyncio.sleep(0.05)
            answers.set()
            await until(lambda: outbox.backlog().waiting == 0 and site.delivery.status().connected)
    assert len(identities(*unfinished(folder))) == 6, "what hung is not written a second time"


async def test_a_write_that_ends_within_the_stop_counts(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Hanging, "answers", answers := threading.Event())
    outbox = MemoryOutbox(streams(TANKS, 2))
    site = Site(folder, outbox, make_folder=Hanging, timeout_s=0.05)
    async with site.running():
        await until(lambda: site.troubles)
        threading.Timer(0.1, answers.set).start()
    assert outbox.backlog().waiting == 0


async def test_a_mistake_in_the_program_leaves_it_and_it_begins_anew(folder: Path) -> None:
    class Wrong(HistoryFolder):
        wrong = True

        def write(self, entries: Sequence[Entry], zone: tzinfo) -> Written:
            if Wrong.wrong:
                Wrong.wrong = False
                raise ZeroDivisionError
            return super().write(entries, zone)

    outbox = MemoryOutbox(streams(TANKS, 2))
    site = Site(folder, outbox, make_folder=Wrong)
    with pytest.raises(ZeroDivisionError):
        await site.delivery.run()
    async with site.running():
        await until(lambda: outbox.backlog().waiting == 0)
    assert len(identities(*unfinished(folder))) == 6


class TestParquet:
    async def test_a_foreign_reader_gets_every_digit(self, folder: Path) -> None:
        outside = Figure(2386.634152759026, Quality.GOOD, (), 0.0)
        kept: list[Entry] = [
            kept_record(1, "TK,1", 1, gsv=outside, tov=bad()),
            kept_record(2, '=TK-"2"', 1, gsv=Figure(1 / 3, Quality.UNCERTAIN, (), 0.0)),
            kept_record(3, "TK,1", 2, 1, gsv=Figure(-5e-324, Quality.GOOD, (), 0.0)),
            kept_event(4),
        ]
        outbox = MemoryOutbox(kept)
        site = Site(folder, outbox, format="parquet")
        async with site.running():
            await until(lambda: outbox.backlog().waiting == 0)
            site.now = NOON + timedelta(days=1)
            await until(lambda: finished(folder) and finished(folder, "events"))
        (file,) = finished(folder)
        assert file.name == "harbour_2026-03-14_records.parquet"
        with duckdb.connect() as connection:
            connection.execute("SET TimeZone = 'UTC'")
            columns = connection.execute(f"DESCRIBE SELECT * FROM '{file}'").fetchall()
            found = connection.execute(
                "SELECT tank, sequence, previous_sequence, gsv_m3, tov_m3, tov_quality, simulated, epoch_ms(time) "
                f"FROM '{file}' ORDER BY position"
            ).fetchall()
            (event,) = connection.execute(f"SELECT kind, tank FROM '{finished(folder, 'events')[0]}'").fetchall()
        assert [(name, kind) for name, kind, *_ in columns] == [(each.name, each.kind) for each in RECORDS.columns]
        assert found == [
            ("TK,1", 1, None, 2386.634152759026, None, "Bad", False, round(NOON.timestamp() * 1000)),
            ('=TK-"2"', 1, None, 1 / 3, None, None, False, round(NOON.timestamp() * 1000)),
            ("TK,1", 2, 1, -5e-324, None, None, False, round(NOON.timestamp() * 1000)),
        ]
        assert event == ("gateway_started", None)
        assert unfinished(folder) == []

    async def test_not_installed_it_says_what_to_install(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        imported = builtins.__import__

        def without(name: str, *rest: Any) -> Any:
            if name == "duckdb":
                raise ImportError(name)
            return imported(name, *rest)

        monkeypatch.setattr(builtins, "__import__", without)
        outbox = MemoryOutbox([kept_record(1)])
        site = Site(folder, outbox, format="parquet")
        async with site.running():
            await until(lambda: site.troubles)
        assert site.troubles == [
            "format: parquet needs duckdb, which is not installed; pip install 'tank-gateway[parquet]'"
        ]
        assert outbox.backlog().waiting == 1


def test_duckdb_reads_the_csv_files_too(folder: Path) -> None:
    """As any importer would: told nothing but that there is a header."""
    made = HistoryFolder(FilesPlan(folder), "harbour")
    made.open()
    made.write(streams(TANKS, 3), __import__("zoneinfo").ZoneInfo("UTC"))
    made.finish(NOON + timedelta(days=1))
    made.close()
    (file,) = finished(folder)
    with duckdb.connect() as connection:
        found = connection.execute(f"SELECT tank, sequence, level_m FROM '{file}' ORDER BY position").fetchall()
    assert found == [(tank, n, 9.412) for n in (1, 2, 3) for tank in TANKS]


@contextmanager
def _process(folder: Path, cursor: Path, count: int, form: str) -> Iterator["subprocess.Popen[bytes]"]:
    command = [sys.executable, "-m", "tests.support.files_process", str(folder), str(cursor), str(count), form]
    with subprocess.Popen(command, cwd=ROOT) as process:
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.timeout(300)  # a dozen processes, each of which has to start first
@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_killed_a_dozen_times_each_row_is_there_once_and_in_order(memory_path: Path, form: str) -> None:
    """At random instants, while rows are written and files get their names."""
    folder, cursor = memory_path / "out", memory_path / "cursor"
    folder.mkdir()
    chance, count, killed = random.Random(14), 2400, 0
    while killed < 12:
        before = _written(folder)
        with _process(folder, cursor, count, form) as process:
            while process.poll() is None and _written(folder) == before:
                time.sleep(0.002)
            time.sleep(chance.uniform(0.0, 0.05))
            if process.poll() is not None:
                break
        killed += 1
    assert killed >= 8, "it was too fast to be killed"
    with _process(folder, cursor, count, form) as process:
        assert process.wait(timeout=200) == 0
    assert read_cursor(cursor) > 0
    assert _read(finished(folder)) == [each.position for each in entries(count)]
    assert unfinished(folder) == []


def _written(folder: Path) -> int:
    sizes = []
    for path in folder.iterdir():
        with suppress(FileNotFoundError):  # it has got its name meanwhile
            sizes.append(path.stat().st_size)
    return sum(sizes)


def _read(files: Sequence[Path]) -> list[int]:
    names = [str(each) for each in files]
    with duckdb.connect() as connection:
        reader = "read_parquet" if names[0].endswith("parquet") else "read_csv"
        found = connection.execute(f"SELECT position FROM {reader}(?) ORDER BY position", [names]).fetchall()
    return [position for (position,) in found]
