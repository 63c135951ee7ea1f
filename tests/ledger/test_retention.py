"""What goes and what stays: by age never what a destination needs, by size the oldest, and that is said and counted."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.ledger.blocks import Blocks, counted, ends
from gateway.ledger.codec import Decoder
from gateway.ledger.cursors import begin, cursors, move
from gateway.ledger.outbox_parts import Source
from gateway.ledger.outboxes import Outboxes
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.retention import Limits, Retention, step
from tests.support.ledger_parts import SECOND, START_NS, ManualTransactions, PlainClock, Writing, new_file

NO_LIMIT = 1 << 40


class Bench:
    def __init__(self, path: Path) -> None:
        self.path = path
        self.connection = new_file(path)
        self.clock = PlainClock()
        self.transactions = ManualTransactions(self.connection, self.clock)
        self.transactions.before_commit(Blocks().add)
        self.writing = Writing(self.transactions)

    def write(self, records: int = 0, events: int = 0) -> None:
        self.writing.records(records)
        self.writing.events(events)
        self.transactions.commit()

    def step(self, limits: Limits, positions: dict[str, int] | None = None) -> tuple[int, dict[str, int]]:
        done = self.transactions.do(lambda connection: step(connection, limits, positions or {}, START_NS))
        self.transactions.commit()
        return done.result().deleted, dict(done.result().lost)

    def destination(self, name: str, position: int, *, records: bool = True, events: bool = True) -> None:
        begin(self.connection, name, records, events, 0)
        move(self.connection, name, position, 0)

    @property
    def used_bytes(self) -> int:
        (pages,) = self.connection.execute("PRAGMA page_count").fetchone()
        (free,) = self.connection.execute("PRAGMA freelist_count").fetchone()
        return int(pages - free) * 4096


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "ledger.db")
    yield made
    made.connection.close()


def test_by_age_goes_what_is_older_and_no_more(bench: Bench) -> None:
    """A record each second from the start: those of the first 100 seconds are older than the 101st."""
    bench.write(records=300)
    assert bench.step(Limits(START_NS + 100 * SECOND, NO_LIMIT)) == (100, {})
    assert ends(bench.connection) == (101, 300)


def test_by_age_never_goes_what_a_destination_needs(bench: Bench) -> None:
    bench.write(records=300)
    bench.destination("office", 300)
    bench.destination("yard", 40)
    assert bench.step(Limits(START_NS + 100 * SECOND, NO_LIMIT)) == (40, {})
    # What is known to have arrived counts before its cursor is written, which then follows.
    assert bench.step(Limits(START_NS + 100 * SECOND, NO_LIMIT), {"yard": 70}) == (30, {})
    assert {each.destination: each.position for each in cursors(bench.connection)} == {"office": 300, "yard": 70}


def test_a_step_is_bounded(bench: Bench) -> None:
    bench.write(records=300)
    limits = Limits(START_NS + 1000 * SECOND, NO_LIMIT, at_most=120)
    assert [bench.step(limits)[0] for _ in range(4)] == [120, 120, 60, 0]


def test_an_entry_dated_ahead_keeps_those_behind_it(bench: Bench) -> None:
    bench.write(records=10)
    bench.connection.execute("UPDATE history SET instant_ns = ? WHERE position = 5", (START_NS * 2,))
    assert bench.step(Limits(START_NS + 1000 * SECOND, NO_LIMIT)) == (4, {})


def test_by_size_goes_first_what_all_have_and_then_what_some_need_which_is_counted(bench: Bench) -> None:
    bench.write(records=1000, events=10)
    bench.write(records=1000)
    bench.destination("office", 500)
    bench.destination("log", 500, records=False)
    used = bench.used_bytes
    deleted, lost = bench.step(Limits(0, used * 8 // 10))
    # A fifth of 2,010 entries: all of them are among the 500 that both have.
    assert 380 < deleted < 500
    assert lost == {}
    deleted, lost = bench.step(Limits(0, used // 10))
    first, _ = ends(bench.connection)
    assert first > 1011
    # Positions 501 to first - 1: the ten events stand at 1001 to 1010.
    assert lost == {"office": first - 501, "log": 10}
    assert [each.lost for each in cursors(bench.connection)] == [10, first - 501]
    assert all(each.position == first - 1 for each in cursors(bench.connection))


def test_the_file_stays_within_its_size_and_the_newest_stay_in_it(bench: Bench) -> None:
    """Several times as much as fits is written."""
    largest = 320_000
    plan = LedgerPlan(largest_bytes=largest, keep_s=1e9)
    retention = Retention(plan, bench.transactions, bench.clock)
    for _ in range(150):
        bench.write(records=10)
        bench.clock.now_ns += 10 * SECOND
        (pages,) = bench.connection.execute("PRAGMA page_count").fetchone()
        assert pages * 4096 <= largest
    first, last = ends(bench.connection)
    assert last == 1_500
    assert 0 < last - first < 750
    assert retention.trouble is None, "there is no destination that lost anything"
    left_s = retention.buffer_left_s(0)
    assert left_s is not None
    # An entry a second comes, and about as many as are in it fit.
    assert left_s == pytest.approx(last - first, rel=0.2)


def test_what_is_forced_out_is_said_and_told_to_its_outbox(bench: Bench) -> None:
    outboxes = Outboxes(Source(bench.path, "harbour", bench.transactions, Decoder(), bench.clock))
    outbox = outboxes.outbox("office")
    bench.transactions.commit()
    plan = LedgerPlan(largest_bytes=600_000, keep_s=1e9)
    retention = Retention(plan, bench.transactions, bench.clock, positions=outboxes.positions, forced=outboxes.forced)
    for _ in range(40):
        bench.write(records=100)
        bench.clock.now_ns += 10 * SECOND
    bench.transactions.commit()
    first, last = ends(bench.connection)
    assert first > 1000
    backlog = outbox.backlog()
    assert (backlog.lost, backlog.waiting) == (first - 1, last - first + 1)
    trouble = retention.trouble
    assert trouble is not None
    assert f"{first - 1} of office" in trouble.text
    bench.clock.now_ns += 3601 * SECOND
    assert not retention.trouble
    outboxes.end()


def test_a_small_disk_is_used(bench: Bench) -> None:
    """4 GB are allowed, and the disk has 50 MB left: they are there to be filled."""
    bench.write(records=1000)
    bench.destination("office", 0)
    retention = Retention(LedgerPlan(keep_s=1e9), bench.transactions, bench.clock, free=lambda: 50_000_000)
    retention.begin()
    for _ in range(2):
        bench.clock.now_ns += 10 * SECOND
        bench.write(records=1)
    bench.transactions.commit()
    assert ends(bench.connection) == (1, 1002)


def test_a_disk_that_is_nearly_full_counts_like_the_size(bench: Bench) -> None:
    """20 MB are allowed; the disk has room for 20 kB more than there is, less than a twentieth of all."""
    bench.write(records=3000)
    plan = LedgerPlan(largest_bytes=20_000_000, keep_s=1e9)
    retention = Retention(plan, bench.transactions, bench.clock, free=lambda: 20_000)
    before = ends(bench.connection).first
    retention.begin()
    bench.transactions.commit()
    assert ends(bench.connection).first == before, "a destination may be about to say that it needs it"
    for _ in range(2):
        bench.clock.now_ns += 10 * SECOND
        bench.write(records=1)
    bench.transactions.commit()
    assert ends(bench.connection).first > before


def test_no_history_left_to_go_is_said(bench: Bench) -> None:
    insert = "INSERT INTO papers (kind, instant_ns, body, key, counted) VALUES ('ticket', 0, ?, 'ticket 1', 1)"
    bench.connection.execute(insert, ("x" * 500_000,))
    retention = Retention(LedgerPlan(largest_bytes=400_000), bench.transactions, bench.clock)
    retention.begin()
    bench.transactions.commit()
    assert retention.trouble is not None
    assert retention.trouble.code == "ledger_too_small"
    assert bench.connection.execute("SELECT count(*) FROM papers").fetchone() == (1,)


def test_room_is_made_for_a_writer_that_found_none(bench: Bench) -> None:
    bench.write(records=3000)
    (pages,) = bench.connection.execute("PRAGMA page_count").fetchone()
    bench.connection.execute(f"PRAGMA max_page_count = {pages}")
    bench.writing.records(500)
    bench.transactions.commit()
    assert ends(bench.connection).last == 3000, "there was no room"
    retention = Retention(LedgerPlan(keep_s=1e9), bench.transactions, bench.clock)
    bench.connection.execute("BEGIN IMMEDIATE")
    stepped = retention.make_room(bench.connection)
    bench.connection.execute("COMMIT")
    retention.tell(stepped)
    # A quarter of a megabyte, of some 1.3 MB.
    assert 300 < stepped.deleted < 1500
    bench.transactions.commit()
    assert ends(bench.connection).last == 3500


@settings(max_examples=20)
@given(
    batches=st.lists(st.tuples(st.integers(0, 3), st.integers(0, 900)), min_size=1, max_size=8),
    goes=st.integers(0, 3000),
    after=st.integers(-1, 5000),
    up_to=st.integers(-1, 5000),
)
def test_runs_count_what_a_count_would(
    tmp_path_factory: pytest.TempPathFactory, batches: list[tuple[int, int]], goes: int, after: int, up_to: int
) -> None:
    bench = Bench(tmp_path_factory.mktemp("blocks") / "ledger.db")
    for records, events in batches:
        bench.write(records, events)
    bench.step(Limits(START_NS + goes * SECOND, NO_LIMIT, at_most=5000))
    expected = dict(
        bench.connection.execute(
            "SELECT kind, count(*) FROM history WHERE position > ? AND position <= ? GROUP BY kind", (after, up_to)
        ).fetchall()
    )
    assert counted(bench.connection, after, up_to) == (expected.get(0, 0), expected.get(1, 0))
    bench.connection.close()


def test_a_transaction_that_was_undone_is_not_counted_twice(bench: Bench) -> None:
    bench.write(records=1000)
    bench.writing.records(500)
    bench.transactions.fail = sqlite3.OperationalError("disk is full")
    bench.transactions.commit()
    bench.transactions.commit()
    assert bench.connection.execute("SELECT records, events FROM blocks").fetchall() == [(1023, 0)]
