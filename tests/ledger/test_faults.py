"""A disk that is full, read-only, slow or gone: nobody waits, what can be kept is kept, and what is lost is told."""

import errno
import os
import random
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from gateway.history import KeptRecord, Previous
from gateway.ledger import intake, pending, writer
from gateway.ledger.contract import Row
from gateway.ledger.ledger import Ledger
from gateway.ledger.open_file import OpenFile
from gateway.ledger.papers import Paper
from gateway.records import ReasonCode
from gateway.tank_record import EventKind
from tests.support.ledger_store import (
    BOOTS,
    PATIENCE_S,
    Stand,
    events_in,
    happened,
    previous_in,
    records_in,
    rows_in,
    until,
)


@pytest.fixture
def stand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stand:
    monkeypatch.setattr(writer, "_FIRST_RETRY_S", 0.01)
    monkeypatch.setattr(writer, "_LONGEST_RETRY_S", 0.02)
    return Stand(tmp_path)


class Disk:
    """Takes in nothing as long as it is told so."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.error: BaseException | None = None
        self.tries = 0
        commit = OpenFile.commit

        def may_fail(file: OpenFile, *given: Any, **more: Any) -> list[Row]:
            self.tries += 1
            if self.error is not None:
                raise self.error
            return commit(file, *given, **more)

        monkeypatch.setattr(OpenFile, "commit", may_fail)


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    return Disk(monkeypatch)


def sqlite_error(code: int) -> sqlite3.OperationalError:
    error = sqlite3.OperationalError("as the test says")
    error.sqlite_errorcode = code
    return error


def offer(ledger: Ledger, stand: Stand, count: int, boot: int = 0) -> None:
    for _ in range(count):
        stand.seconds += 10.0
        ledger.offer(stand.record(boot=boot))


FAULTS = {
    "disk_full": sqlite_error(sqlite3.SQLITE_FULL),
    "disk_failing": sqlite_error(sqlite3.SQLITE_IOERR),
    "disk_read_only": sqlite_error(sqlite3.SQLITE_READONLY),
    "file_unreachable": sqlite_error(sqlite3.SQLITE_CANTOPEN),
    "file_busy": sqlite_error(sqlite3.SQLITE_BUSY),
}


@pytest.mark.parametrize("code", FAULTS)
def test_what_the_disk_refuses_waits_and_is_kept_once_it_can_be(stand: Stand, disk: Disk, code: str) -> None:
    with capture_logs() as logs:
        ledger = stand.open()
        offer(ledger, stand, 2)
        until(lambda: ledger.status().committed == 3)
        disk.error = FAULTS[code]
        offer(ledger, stand, 5)
        ledger.event(happened(stand.seconds))
        tries = disk.tries
        until(lambda: disk.tries >= tries + 3)
        status = ledger.status()
        assert status.trouble is not None
        assert status.trouble.code == code
        assert (status.committed, status.waiting, status.lost) == (3, 6, 0)
        disk.error = None
        until(lambda: ledger.status().committed == 9)
        assert ledger.status().trouble is None
        assert ledger.close(PATIENCE_S)
    assert [record.identity.sequence for record in records_in(stand.file)] == [1, 2, 3, 4, 5, 6, 7]
    assert previous_in(stand.file)[1:] == [Previous(BOOTS[0], number) for number in range(1, 7)]
    said = [(each["event"], each.get("code")) for each in logs if each["event"].startswith("ledger.")]
    assert said == [("ledger.opened", None), ("ledger.failing", code), ("ledger.well_again", None)]


def test_what_there_is_no_room_for_is_counted_told_and_shows_as_a_gap(
    stand: Stand, disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = stand.open()
    offer(ledger, stand, 1)
    until(lambda: ledger.status().committed == 2)
    monkeypatch.setattr(pending, "_LARGEST_BYTES", 600)
    disk.error = FAULTS["disk_failing"]
    with capture_logs() as logs:
        offer(ledger, stand, 20)
        until(lambda: ledger._writer._intake.waiting == 0)
        ledger.event(happened(stand.seconds, "there is room for events"))
        until(lambda: ledger.status().lost > 0 and ledger.status().waiting + ledger.status().lost == 21)
        lost = ledger.status().lost
        disk.error = None
        until(lambda: ledger.status().waiting == 0 and ledger.status().committed == 2 + 21 - lost + 1)
    assert [each["log_level"] for each in logs if each["event"] == "ledger.loses"] == ["error"]
    offer(ledger, stand, 1)
    assert ledger.close(PATIENCE_S)
    kept = [record.identity.sequence for record in records_in(stand.file)]
    assert kept == [*range(1, 22 - lost), 22], "what was taken in stays, what came then is lost"
    assert previous_in(stand.file)[-1] == Previous(BOOTS[0], 21), "which nobody has"
    told = [event for _, event in events_in(stand.file) if event.kind is EventKind.HISTORY_LOST]
    assert [event.subject for event in told] == ["there is room for events", ""]
    assert told[1].reason is not None
    assert told[1].reason.code is ReasonCode.NOT_KEPT
    assert dict(told[1].reason.values)["count"] == lost
    assert rows_in(stand.file, "SELECT lost FROM boots") == [(lost,)]


def test_a_queue_that_the_writer_cannot_take_over_is_bounded(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "_LONGEST", 10)
    ledger = stand.open()
    begun, may = threading.Event(), threading.Event()

    def slow(_: sqlite3.Connection) -> None:
        begun.set()
        assert may.wait(PATIENCE_S)

    ledger.transactions.do(slow, at_once=True)
    assert begun.wait(PATIENCE_S)
    offer(ledger, stand, 25)
    assert (ledger.status().waiting >= 10, ledger.status().lost) == (True, 15)
    may.set()
    assert ledger.close(PATIENCE_S)
    assert len(records_in(stand.file)) == 10


def test_a_commit_that_takes_too_long_is_said_while_it_does(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = stand.open()
    monkeypatch.setattr(writer, "_SLOW_S", 0.05)
    begun, may = threading.Event(), threading.Event()

    def slow(_: sqlite3.Connection) -> None:
        begun.set()
        assert may.wait(PATIENCE_S)

    with capture_logs() as logs:
        ledger.transactions.do(slow, at_once=True)
        assert begun.wait(PATIENCE_S)
        until(lambda: ledger.status().trouble is not None)
        trouble = ledger.status().trouble
        assert trouble is not None
        assert trouble.code == "disk_slow"
        may.set()
        until(lambda: bool(logs))
        monkeypatch.setattr(writer, "_SLOW_S", 60.0)
        offer(ledger, stand, 1)
        until(lambda: ledger.status().trouble is None)
        assert ledger.close(PATIENCE_S)
    assert [each["event"] for each in logs] == ["ledger.failing", "ledger.well_again"]


def test_where_the_file_cannot_be_made_at_the_start_history_waits_for_it(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.open

    def read_only(path: Any, flags: int, *more: Any) -> int:
        if Path(path) == stand.file:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return real(path, flags, *more)

    with monkeypatch.context() as patched:
        patched.setattr(os, "open", read_only)
        ledger = stand.open()
        trouble = ledger.status().trouble
        assert trouble is not None
        assert trouble.code == "disk_read_only"
        assert ledger.memory() is None
        ledger.keep_plan("a", b"plan")
        offer(ledger, stand, 3)
    until(lambda: ledger.status().committed == 4)
    assert ledger.close(PATIENCE_S)
    assert [record.identity.sequence for record in records_in(stand.file)] == [1, 2, 3]
    assert rows_in(stand.file, "SELECT id FROM plans") == [("a",)]


def test_a_late_file_goes_on_from_what_stands_in_it(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = stand.open()
    offer(ledger, stand, 2)
    assert ledger.close(PATIENCE_S)
    with monkeypatch.context() as patched:
        patched.setattr("gateway.ledger.opening.open_store", fails(FAULTS["disk_failing"]))
        ledger = stand.open(1)
        offer(ledger, stand, 1, boot=1)
    until(lambda: ledger.status().committed == 2)
    assert ledger.close(PATIENCE_S)
    assert previous_in(stand.file)[-1] == Previous(BOOTS[0], 2)


def fails(error: BaseException) -> Callable[..., Any]:
    def failing(*_: object) -> Any:
        raise error

    return failing


async def test_a_file_that_proves_damaged_is_set_aside_and_a_destination_goes_on(stand: Stand, disk: Disk) -> None:
    ledger = stand.open()
    ledger.keep_plan("a", b"plan")
    outbox = ledger.outbox("database")
    offer(ledger, stand, 3)
    until(lambda: ledger.status().committed == 4)
    first = await outbox.take(1)
    outbox.delivered(first[0].position)
    disk.error = sqlite_error(sqlite3.SQLITE_CORRUPT)
    offer(ledger, stand, 1)
    until(lambda: ledger._writer._file is None)
    disk.error = None
    offer(ledger, stand, 1)
    found: list[int] = []
    while not found or found[-1] < 5:
        for entry in await outbox.take(10):
            if isinstance(entry, KeptRecord):
                found.append(entry.record.identity.sequence)
            outbox.delivered(entry.position)
    assert found[-2:] == [4, 5], "those before may have been read already"
    assert ledger.close(PATIENCE_S)
    positions = [row[0] for row in rows_in(stand.file)]
    assert positions[0] > 4, "a destination must not take a new entry for an old one"
    assert [record.identity.sequence for record in records_in(stand.file)] == [4, 5]
    assert rows_in(stand.file, "SELECT id FROM plans") == [("a",)]
    assert rows_in(stand.file, "SELECT destination FROM cursors") == [("database",)]
    (kept,) = [path for path in stand.file.parent.iterdir() if path.name.endswith("Z")]
    assert [record.identity.sequence for record in records_in(kept)] == [1, 2, 3]


def test_a_full_disk_takes_in_what_comes_in_place_of_the_oldest(stand: Stand) -> None:
    ledger = stand.open()
    offer(ledger, stand, 100)
    until(lambda: ledger.status().committed == 101)
    connection: Any = ledger._writer._file._connection  # type: ignore[union-attr]
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    (free,) = connection.execute("PRAGMA freelist_count").fetchone()
    connection.execute("CREATE TABLE filler (body BLOB)")
    connection.execute("INSERT INTO filler VALUES (zeroblob(?))", ((free - 4) * 4096,))
    connection.execute(f"PRAGMA max_page_count = {pages}")
    for _ in range(40):
        offer(ledger, stand, 10)
        until(lambda: ledger.status().waiting == 0)
    assert ledger.close(PATIENCE_S)
    kept = [record.identity.sequence for record in records_in(stand.file)]
    assert kept[-1] == 500
    assert kept[0] > 1
    assert kept == list(range(kept[0], 501))


def test_what_fails_in_one_part_costs_no_history(stand: Stand) -> None:
    ledger = stand.open()

    def wrong(connection: sqlite3.Connection) -> None:
        connection.execute("INSERT INTO papers (kind, instant_ns, body) VALUES ('half', 0, '')")
        connection.execute("INSERT INTO no_such_table VALUES (1)")

    def hook(connection: sqlite3.Connection, rows: Any) -> None:
        raise ZeroDivisionError("division by zero")

    with capture_logs() as logs:
        ledger.transactions.before_commit(hook)
        offer(ledger, stand, 1)
        refused = ledger.transactions.do(wrong)
        done = ledger.transactions.do(lambda connection: connection.execute("SELECT 7").fetchone())
        with pytest.raises(sqlite3.OperationalError, match="no such table"):
            refused.result(PATIENCE_S)
        assert done.result(PATIENCE_S) == (7,)
        offer(ledger, stand, 1)
        assert ledger.close(PATIENCE_S)
    assert len(records_in(stand.file)) == 2
    assert rows_in(stand.file, "SELECT * FROM papers") == []
    assert [each["error"] for each in logs if each["event"] == "ledger.part_failed"] == ["division by zero"]


def test_a_record_that_cannot_be_written_is_lost_alone(stand: Stand) -> None:
    ledger = stand.open()
    offer(ledger, stand, 1)
    with capture_logs() as logs:
        for _ in range(2):
            ledger.offer(stand.record()._replace(plan="\udc80"))
            stand.seconds += 20.0
        offer(ledger, stand, 1)
        assert ledger.close(PATIENCE_S)
    assert ledger.status().lost == 2
    assert [record.identity.sequence for record in records_in(stand.file)] == [1, 4]
    assert [each["tank"] for each in logs if each["event"] == "ledger.unwritable"] == ["TK-1"], "once"


def test_an_end_does_not_wait_for_ever(stand: Stand, disk: Disk) -> None:
    ledger = stand.open()
    offer(ledger, stand, 1)
    until(lambda: ledger.status().committed == 2)
    disk.error = FAULTS["disk_failing"]
    offer(ledger, stand, 1)
    with capture_logs() as logs:
        assert not ledger.close(0.2)
        # Its thread ends by itself, and may be at its last try yet.
        assert ledger._writer._ended.wait(PATIENCE_S)
    assert [each["event"] for each in logs if each["event"] == "ledger.not_all_kept"] == ["ledger.not_all_kept"]
    writing: Any = ledger._writer
    assert writing._ended.wait(PATIENCE_S), "its last try is over before the disk is well"
    disk.error = None
    ledger = stand.open(1)
    assert ledger.close(PATIENCE_S)
    kinds = [event.kind for _, event in events_in(stand.file)]
    assert kinds == [
        EventKind.GATEWAY_STARTED,
        EventKind.GATEWAY_BROKE_OFF,
        EventKind.GATEWAY_STARTED,
        EventKind.GATEWAY_STOPPED,
    ]


@contextmanager
def held(file: Path) -> Iterator[None]:
    """By another process, as one that prunes."""
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        other.execute("ROLLBACK")
        other.close()


def test_another_process_that_holds_the_file_is_waited_for(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.ledger.store._BUSY_S", 0.01)
    ledger = stand.open()
    until(lambda: ledger.status().committed == 1)
    with held(stand.file):
        offer(ledger, stand, 1)
        until(lambda: ledger.status().trouble is not None)
        trouble = ledger.status().trouble
        assert trouble is not None
        assert trouble.code == "file_busy"
    until(lambda: ledger.status().committed == 2)
    assert ledger.close(PATIENCE_S)


def has_been_tried(ledger: Ledger, disk: Disk, tries: int) -> bool:
    return disk.tries > tries or ledger.status().waiting == 0


@pytest.mark.parametrize("seed", range(6))
def test_over_faults_that_come_and_go_all_is_kept_once_and_in_order(stand: Stand, disk: Disk, seed: int) -> None:
    source = random.Random(seed)
    ledger = stand.open()
    for _ in range(30):
        disk.error = source.choice([None, None, *FAULTS.values()])
        offer(ledger, stand, source.randint(0, 4))
        if source.random() < 0.5:
            until(partial(has_been_tried, ledger, disk, disk.tries))
    disk.error = None
    assert ledger.close(PATIENCE_S)
    sequences = [record.identity.sequence for record in records_in(stand.file)]
    assert sequences == list(range(1, stand.sequences["TK-1", BOOTS[0]] + 1))
    assert previous_in(stand.file) == [None, *(Previous(BOOTS[0], number) for number in sequences[:-1])]


def test_a_folder_that_comes_late_is_waited_for(stand: Stand, tmp_path: Path) -> None:
    """Such as that of a disk that is mounted after the gateway has begun: history waits for it."""
    stand.plan = replace(stand.plan, file=tmp_path / "disk" / "x.ledger")
    with capture_logs() as logs:
        ledger = stand.open()
    (failing,) = [each for each in logs if each["event"] == "ledger.failing"]
    assert f"there is no folder {tmp_path}/disk; mount its disk" in failing["error"]
    ledger.offer(stand.record())
    trouble = ledger.status().trouble
    assert trouble is not None
    assert trouble.code == "file_unreachable"
    (tmp_path / "disk").mkdir()
    until(lambda: ledger.status().committed > 0)
    assert ledger.close(PATIENCE_S)
    assert len(records_in(stand.file)) == 1


def test_what_somebody_did_to_an_alarm_comes_into_the_trail_once_the_disk_takes_it(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It held when it was done. An entry, which then does not hold, is refused."""
    monkeypatch.setattr("gateway.ledger.store._BUSY_S", 0.01)
    ledger = stand.open()
    until(lambda: ledger.status().waiting == 0)
    with held(stand.file):
        done = ledger.keep_papers((), (), (1, '{"by": "kim"}'))
        entry = ledger.keep_papers([Paper("density TK-1", "TK-1", 2, "{}")], (), (2, '{"by": "bo"}'))
        with pytest.raises(sqlite3.OperationalError):
            entry.result(PATIENCE_S)
    done.result(PATIENCE_S)
    assert rows_in(stand.file, "SELECT number, instant_ns, body FROM audit") == [(1, 1, '{"by": "kim"}')]
    assert rows_in(stand.file, "SELECT * FROM papers") == []
    assert ledger.close(PATIENCE_S)
