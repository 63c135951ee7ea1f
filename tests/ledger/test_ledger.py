"""The ledger as the daemon knows it: what is offered is kept, once, in order, over restarts and kills."""

import asyncio
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gateway.calculation.memory import EMPTY_MEMORY
from gateway.delivery.contract import Outbox
from gateway.errors import LedgerError
from gateway.history import GATEWAY, Entry, KeptEvent, KeptRecord, Previous
from gateway.kept_memory import Kept, KeptTank
from gateway.ledger import intake, pending
from gateway.ledger.codec import Encoder, present_dictionary
from gateway.ledger.contract import Committed
from gateway.ledger.forms import FormedEncoder
from gateway.ledger.kept import plan_in
from gateway.ledger.ledger import Ledger
from gateway.records import LastGood, ReasonCode
from gateway.tank_record import EventKind, Identity
from tests.support.ledger_store import (
    BOOTS,
    PATIENCE_S,
    SITE,
    Stand,
    events_in,
    happened,
    previous_in,
    records_in,
    rows_in,
    until,
)

MEMORY = EMPTY_MEMORY._replace(last_good={"tov": LastGood(600.0, 12.5)})
KEPT = Kept(1_795_608_000_000_000_000, 5, {"TK-1": KeptTank("plan", MEMORY), "TK-2": KeptTank("other", EMPTY_MEMORY)})


@pytest.fixture
def stand(tmp_path: Path) -> Stand:
    return Stand(tmp_path)


def abandon(ledger: Ledger) -> None:
    """As a kill would: nothing is written any more, nothing is said."""
    until(lambda: ledger.status().waiting == 0)
    writer: Any = ledger._writer
    writer._end = lambda: True
    writer._intake.close()
    assert writer._ended.wait(PATIENCE_S)


def test_what_is_offered_is_read_back_whole_and_in_order(stand: Stand) -> None:
    ledger = stand.open()
    given = []
    for number in range(6):
        stand.seconds = 10.0 * number
        for tank in ("TK-1", "TK-2"):
            given.append(stand.record(tank))
            ledger.offer(given[-1])
    assert ledger.close(PATIENCE_S)
    assert records_in(stand.file) == given
    assert [row[0] for row in rows_in(stand.file)] == list(range(1, 15)), "a start, twelve records and an end"


def test_each_names_the_one_before_it_also_over_a_restart_and_a_kill(stand: Stand) -> None:
    for boot in range(3):
        ledger = stand.open(boot)
        for _ in range(2):
            stand.seconds += 10.0
            ledger.offer(stand.record(boot=boot))
        if boot == 0:
            assert ledger.close(PATIENCE_S)
        else:
            abandon(ledger)
    assert previous_in(stand.file) == [
        None,
        Previous(BOOTS[0], 1),
        Previous(BOOTS[0], 2),
        Previous(BOOTS[1], 1),
        Previous(BOOTS[1], 2),
        Previous(BOOTS[2], 1),
    ]


def test_starts_and_ends_are_told_and_an_end_without_a_word_by_the_next_start(stand: Stand) -> None:
    ledger = stand.open(0)
    stand.seconds = 10.0
    ledger.offer(stand.record())
    assert ledger.close(PATIENCE_S)
    stand.seconds = 60.0
    ledger = stand.open(1)
    stand.seconds = 70.0
    ledger.offer(stand.record(boot=1))
    stand.seconds = 71.0
    abandon(ledger)
    stand.seconds = 100.0
    assert stand.open(2).close(PATIENCE_S)
    told = events_in(stand.file)
    assert [(event.kind, event.subject, identity) for identity, event in told] == [
        (EventKind.GATEWAY_STARTED, BOOTS[0], Identity(SITE, GATEWAY, BOOTS[0], 1)),
        (EventKind.GATEWAY_STOPPED, BOOTS[0], Identity(SITE, GATEWAY, BOOTS[0], 2)),
        (EventKind.GATEWAY_STARTED, BOOTS[1], Identity(SITE, GATEWAY, BOOTS[1], 1)),
        (EventKind.GATEWAY_BROKE_OFF, BOOTS[1], Identity(SITE, GATEWAY, BOOTS[2], 1)),
        (EventKind.GATEWAY_STARTED, BOOTS[2], Identity(SITE, GATEWAY, BOOTS[2], 2)),
        (EventKind.GATEWAY_STOPPED, BOOTS[2], Identity(SITE, GATEWAY, BOOTS[2], 3)),
    ]
    reason = told[3][1].reason
    assert reason is not None
    assert reason.code is ReasonCode.BROKE_OFF
    stand.seconds = 70.0
    assert dict(reason.values) == {"last": stand.utc_ns() / 1e9, "at_most": 0.01}
    assert rows_in(stand.file, "SELECT boot, is_clean FROM boots") == [(BOOTS[0], 1), (BOOTS[1], 0), (BOOTS[2], 1)]


def test_events_come_behind_their_record_and_share_its_identity(stand: Stand) -> None:
    ledger = stand.open()
    record = stand.record(events=(happened(0.0, "first"), happened(0.0, "second")))
    ledger.offer(record)
    ledger.event(happened(1.0, "by hand"), "TK-1")
    ledger.event(happened(1.0, "of a tank without a sheet"), "TK-9")
    ledger.event(happened(1.0, "of the gateway"))
    assert ledger.close(PATIENCE_S)
    rows = rows_in(stand.file, "SELECT kind, sequence, number FROM history ORDER BY position")
    assert rows == [(1, 1, 0), (0, 1, 0), (1, 1, 0), (1, 1, 1), (1, 1, 2), (1, 0, 0), (1, 2, 0), (1, 3, 0)]
    assert [event.subject for _, event in events_in(stand.file)][1:-1] == [
        "first",
        "second",
        "by hand",
        "of a tank without a sheet",
        "of the gateway",
    ]
    assert records_in(stand.file) == [record]


def test_a_commit_is_told_to_who_listens_with_its_positions(stand: Stand) -> None:
    heard: list[Committed] = []
    ledger = stand.open()
    until(lambda: ledger.status().committed == 1)
    ledger.transactions.listen(heard.append)
    ledger.offer(stand.record())
    until(lambda: Committed(2, 2, stand.utc_ns()) in heard)
    assert ledger.close(PATIENCE_S)


def test_the_memory_is_replaced_whole_and_read_by_the_next(stand: Stand) -> None:
    ledger = stand.open()
    assert ledger.memory() is None
    assert ledger.keep_memory(KEPT._replace(steady_ns=4)).wait(PATIENCE_S)
    done = ledger.keep_memory(KEPT)
    assert ledger.close(PATIENCE_S)
    assert done.is_set()
    ledger = stand.open(1)
    assert ledger.memory() == KEPT
    assert ledger.close(PATIENCE_S)


def test_a_plan_is_kept_once(stand: Stand) -> None:
    made = []

    def body() -> bytes:
        made.append(1)
        return b"large"

    ledger = stand.open()
    for _ in range(3):
        ledger.keep_plan("a", body)
    ledger.keep_plan("b", b"small")
    assert ledger.close(PATIENCE_S)
    ledger = stand.open(1)
    ledger.keep_plan("a", body)
    assert ledger.close(PATIENCE_S)
    assert len(made) == 1
    with closing(sqlite3.connect(stand.file)) as connection, connection:
        assert [plan_in(connection, each) for each in ("a", "b", "c")] == [b"large", b"small", None]
    connection.close()


def test_its_status_counts_what_it_took(stand: Stand) -> None:
    ledger = stand.open()
    for number in range(5):
        stand.seconds = 10.0 * number
        ledger.offer(stand.record())
    until(lambda: ledger.status().waiting == 0)
    status = ledger.status()
    assert (status.file, status.committed, status.lost, status.trouble) == (str(stand.file), 6, 0, None)
    assert status.commit_time.counts[-1] >= 1
    assert ledger.close(PATIENCE_S)
    ledger = stand.open(1)
    status = ledger.status()
    stand.seconds = 0.0
    # That it has begun may be in it already.
    assert status.entries in (7, 8)
    assert status.oldest_ns == stand.utc_ns()
    assert status.size_bytes == stand.file.stat().st_size
    assert ledger.close(PATIENCE_S)


def test_positions_rise_also_where_the_clock_is_set_back(stand: Stand) -> None:
    ledger = stand.open()
    stand.seconds = 3600.0
    ledger.offer(stand.record())
    assert ledger.close(PATIENCE_S)
    stand.seconds = 0.0
    ledger = stand.open(1)
    ledger.offer(stand.record(boot=1))
    assert ledger.close(PATIENCE_S)
    assert [row[0] for row in rows_in(stand.file)] == [1, 2, 3, 4, 5, 6]


def test_without_a_folder_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch, stand: Stand) -> None:
    monkeypatch.delenv("TANK_GATEWAY_STATE", raising=False)
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    stand.plan = type(stand.plan)()
    with pytest.raises(LedgerError, match="there is no folder for the ledger") as refused:
        stand.open()
    assert refused.value.hint is not None


async def _all_of(outbox: Outbox, count: int) -> list[Entry]:
    found: list[Entry] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(found) < count:
            found += await outbox.take(100)
    return found


async def test_a_destination_is_given_what_was_kept_and_after_a_restart_what_it_has_not_got(stand: Stand) -> None:
    ledger = stand.open()
    outbox = ledger.outbox("database")
    given = []
    for _ in range(4):
        stand.seconds += 10.0
        given.append(stand.record())
        ledger.offer(given[-1])
    found = await _all_of(outbox, 5)
    assert [each.record for each in found if isinstance(each, KeptRecord)] == given
    outbox.delivered(found[2].position)
    assert ledger.close(PATIENCE_S)
    ledger = stand.open(1)
    found = await _all_of(ledger.outbox("database"), 4)
    assert [each.record for each in found if isinstance(each, KeptRecord)] == given[2:]
    assert [each.event.kind for each in found if isinstance(each, KeptEvent)] == [
        EventKind.GATEWAY_STOPPED,
        EventKind.GATEWAY_STARTED,
    ]
    assert ledger.close(PATIENCE_S)


def test_runs_of_positions_are_counted_also_over_many_starts(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a start finds is written by opening the file, and counts as well; here a run is of four positions."""
    monkeypatch.setattr("gateway.ledger.blocks._SHIFT", 2)
    for boot in range(7):
        ledger = stand.open(boot)
        for _ in range((boot + 2) % 3):
            stand.seconds += 10.0
            ledger.offer(stand.record(boot=boot))
        abandon(ledger)
    rows = rows_in(stand.file, "SELECT position, kind FROM history")
    # A run is written down with the first entry behind it.
    whole = range(rows[-1][0] // 4)
    counted = rows_in(stand.file, "SELECT block, records, events FROM blocks ORDER BY block")
    assert counted == [
        (
            block,
            sum(kind == 0 for position, kind in rows if position // 4 == block),
            sum(kind == 1 for position, kind in rows if position // 4 == block),
        )
        for block in whole
    ]


@pytest.mark.parametrize(("first_s", "then_s"), [(0.01, 60.0), (60.0, 0.01)])
def test_what_a_crash_may_cost_is_told_by_the_interval_that_held_then(
    tmp_path: Path, first_s: float, then_s: float
) -> None:
    """A reload gives another one: with the old the next start would promise 10 ms of what may be a minute."""
    stand = Stand(tmp_path, commit_s=first_s)
    first = stand.open(0)
    first.take_over(replace(stand.plan, commit_s=then_s))
    # An event is committed at once, and with it what else waits.
    first.event(happened(1.0))
    until(lambda: rows_in(stand.file, "SELECT commit_s FROM boots") == [(then_s,)])
    # As it is left by a process that is killed.
    copy = Stand(tmp_path / "copy")
    copy.file.parent.mkdir()
    with closing(sqlite3.connect(stand.file)) as left, closing(sqlite3.connect(copy.file)) as as_left:
        left.backup(as_left)
    assert first.close(PATIENCE_S)
    assert copy.open(1).close(PATIENCE_S)
    (told,) = [event for _, event in events_in(copy.file) if event.kind is EventKind.GATEWAY_BROKE_OFF]
    assert told.reason is not None
    assert dict(told.reason.values)["at_most"] == then_s


def test_a_large_site_with_a_long_interval_of_commits_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """1,500 tanks each second with a commit each minute are 90,000 records of some 430 B: 39 MB, where 32 MB may wait.

    Here 4,000 records, where some 700 may wait, and not one second of the minute passes.
    """
    size = _bytes_with_a_form(Stand(tmp_path))
    monkeypatch.setattr(pending, "_LARGEST_BYTES", 700 * size)
    monkeypatch.setattr(pending, "_HEAVY_BYTES", 175 * size)
    monkeypatch.setattr(intake, "_HEAP", 50)
    stand = Stand(tmp_path, commit_s=60.0)
    ledger = stand.open()
    for _ in range(80):
        for _ in range(50):
            stand.seconds += 10.0
            ledger.offer(stand.record())
        until(lambda: ledger._writer._intake.waiting == 0)
    assert ledger.status().lost == 0
    assert ledger.close(PATIENCE_S)
    assert len(records_in(stand.file)) == 4000


def _bytes_with_a_form(stand: Stand) -> int:
    encoder = FormedEncoder(Encoder(present_dictionary()))
    return len([encoder.record(stand.record()).body for _ in range(10)][-1])


async def test_on_a_full_disk_nothing_goes_before_a_new_destination_has_said_that_it_needs_it(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the very first start that was the start itself, and it counted as lost to nobody."""
    monkeypatch.setattr("gateway.ledger.ledger.free_bytes", lambda folder: 0)
    ledger = stand.open()
    until(lambda: ledger._retention._stepped is not None)
    (entry,) = await _all_of(ledger.outbox("database"), 1)
    assert isinstance(entry, KeptEvent)
    assert entry.event.kind is EventKind.GATEWAY_STARTED
    assert ledger.close(PATIENCE_S)
