"""An outbox over a real file: in order, each at least once, known over restarts, and counted without counting."""

import asyncio
import gc
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.history import Entry, KeptEvent, KeptRecord, Previous
from gateway.ledger import outbox as outbox_module
from gateway.ledger.blocks import Blocks, take_out
from gateway.ledger.codec import Decoder, FormOf
from gateway.ledger.cursors import cursors, force, move
from gateway.ledger.entries import rows_between
from gateway.ledger.outbox import LedgerOutbox
from gateway.ledger.outbox_parts import Source
from gateway.ledger.outboxes import Outboxes
from gateway.tank_record import Event, TankRecord
from tests.support.ledger_parts import ManualTransactions, PlainClock, Writing, new_file

PATIENCE_S = 20.0


class Bench:
    """A file, its transactions and its outboxes."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.connection = new_file(path)
        self.clock = PlainClock()
        self.writing: Writing
        self.transactions: ManualTransactions
        self.outboxes: Outboxes
        self.begin()
        self.writing = Writing(self.transactions)

    def begin(self) -> None:
        """As a process does that has just been started on the file."""
        self.transactions = ManualTransactions(self.connection, self.clock)
        self.transactions.before_commit(Blocks().add)
        self.outboxes = Outboxes(Source(self.path, "harbour", self.transactions, Decoder(), self.clock))
        if hasattr(self, "writing"):
            self.writing.transactions = self.transactions

    def outbox(self, name: str = "office", *, records: bool = True, events: bool = True) -> LedgerOutbox:
        made = self.outboxes.outbox(name, records=records, events=events)
        self.transactions.commit()
        return made

    def write(self, records: int = 0, events: int = 0) -> None:
        self.writing.records(records)
        self.writing.events(events)
        self.transactions.commit()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "ledger.db")
    yield made
    made.outboxes.end()
    made.connection.close()


async def taken(outbox: LedgerOutbox, count: int) -> list[Entry]:
    found: list[Entry] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(found) < count:
            found += await outbox.take(count - len(found))
    return found


def positions(entries: list[Entry]) -> list[int]:
    return [entry.position for entry in entries]


async def test_everything_is_given_in_order_with_what_it_names_as_previous(bench: Bench) -> None:
    bench.write(records=400, events=1)
    outbox = bench.outbox()
    found = await taken(outbox, 401)
    assert positions(found) == list(range(1, 402))
    record, event = found[-2], found[-1]
    assert isinstance(record, KeptRecord)
    assert isinstance(event, KeptEvent)
    # 400 records of two tanks in turn: the last is the 200th of TK-2.
    assert (record.record.identity.tank, record.record.identity.sequence) == ("TK-2", 200)
    assert record.previous == Previous(record.record.identity.boot, 199)
    assert found[0].previous is None  # type: ignore[union-attr]
    assert event.identity.tank == ""


async def test_it_waits_for_what_is_committed_and_not_for_what_is_only_written(bench: Bench) -> None:
    outbox = bench.outbox()
    waiting = asyncio.create_task(outbox.take(10))
    bench.writing.records(1)
    bench.transactions.fail = sqlite3.OperationalError("disk is full")
    bench.transactions.commit()
    await asyncio.sleep(0.05)
    assert not waiting.done()
    assert outbox.backlog().waiting == 0
    bench.transactions.commit()
    assert positions(list(await asyncio.wait_for(waiting, PATIENCE_S))) == [1]


async def test_a_take_that_is_cancelled_takes_nothing(bench: Bench) -> None:
    outbox = bench.outbox()
    found: list[Entry] = []
    cancelled = 0
    for number in range(1, 21):
        waiting = asyncio.create_task(outbox.take(10))
        await asyncio.sleep(0)
        bench.write(records=1)
        waiting.cancel()
        await asyncio.wait([waiting])
        cancelled += waiting.cancelled()
        found += [] if waiting.cancelled() else waiting.result()
        assert outbox.backlog().waiting == number
    assert cancelled
    assert positions(found + await taken(outbox, 20 - len(found))) == list(range(1, 21))


async def test_what_was_not_delivered_is_given_again_after_a_rewind(bench: Bench) -> None:
    bench.write(records=5)
    outbox = bench.outbox()
    await taken(outbox, 4)
    outbox.delivered(2)
    outbox.rewind()
    outbox.delivered(3)  # its acknowledgement was on its way when the connection ended
    assert positions(await taken(outbox, 2)) == [4, 5]
    assert (outbox.backlog().waiting, outbox.backlog().delivered) == (2, 3)


async def test_whoever_waits_for_something_new_is_given_again_what_is_rewound(bench: Bench) -> None:
    bench.write(records=3)
    outbox = bench.outbox()
    await taken(outbox, 3)
    outbox.delivered(1)
    waiting = asyncio.create_task(outbox.take(10))
    await asyncio.sleep(0.05)
    assert not waiting.done()
    outbox.rewind()
    assert positions(list(await asyncio.wait_for(waiting, PATIENCE_S))) == [2, 3]


async def test_what_was_never_given_cannot_be_delivered(bench: Bench) -> None:
    bench.write(records=5)
    outbox = bench.outbox()
    await taken(outbox, 2)
    with pytest.raises(ValueError, match="9"):
        outbox.delivered(9)


async def test_after_an_orderly_end_it_goes_on_behind_what_was_delivered(bench: Bench) -> None:
    bench.write(records=9)
    outbox = bench.outbox()
    await taken(outbox, 6)
    outbox.delivered(4)
    bench.outboxes.end()
    bench.transactions.commit()
    bench.begin()
    again = bench.outbox()
    assert again.backlog().waiting == 5
    assert positions(await taken(again, 5)) == [5, 6, 7, 8, 9]


async def test_a_cursor_is_written_seldom(bench: Bench) -> None:
    bench.write(records=50)
    outbox = bench.outbox()
    asked = bench.transactions.asked
    for entry in await taken(outbox, 50):
        outbox.delivered(entry.position)
        await asyncio.sleep(0)
        bench.transactions.commit()
    assert bench.transactions.asked == asked + 1, "once within the first seconds"
    (cursor,) = cursors(bench.connection)
    assert 1 <= cursor.position < 50
    bench.outboxes.end()
    bench.transactions.commit()
    assert cursors(bench.connection)[0].position == 50


async def test_a_cursor_that_cannot_be_written_is_tried_again(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox_module, "CURSOR_EVERY_S", 0.01)
    bench.write(records=3)
    outbox = bench.outbox()
    await taken(outbox, 3)
    outbox.delivered(3)
    bench.transactions.fail = sqlite3.OperationalError("disk is full")
    async with asyncio.timeout(PATIENCE_S):
        while cursors(bench.connection)[0].position != 3:
            await asyncio.sleep(0.01)
            bench.transactions.commit()


@pytest.mark.parametrize(("records", "events", "wanted"), [(True, False, 3000), (False, True, 4), (True, True, 3004)])
async def test_only_what_is_wanted_is_given_and_counted(bench: Bench, records: bool, events: bool, wanted: int) -> None:
    """Three runs of 1,024 positions in one, so that runs without an event are passed over."""
    for _ in range(4):
        bench.write(events=1, records=750)
    outbox = bench.outbox(records=records, events=events)
    assert outbox.backlog().waiting == wanted
    found = await taken(outbox, wanted)
    kinds = {type(entry) for entry in found}
    assert kinds == ({KeptRecord} if records else set()) | ({KeptEvent} if events else set())
    outbox.delivered(found[-1].position)
    assert outbox.backlog().waiting == 0
    assert not outbox.ready()


async def test_what_nobody_wants_here_does_not_hold_the_cursor_back(bench: Bench) -> None:
    outbox = bench.outbox(records=False)
    waiting = asyncio.create_task(outbox.take(1))
    bench.write(records=2000)
    async with asyncio.timeout(PATIENCE_S):
        while outbox.position < 2000:  # noqa: ASYNC110 - nobody tells of it
            await asyncio.sleep(0.01)
    assert not waiting.done()
    waiting.cancel()


async def test_a_new_destination_gets_all_that_is_kept(bench: Bench) -> None:
    bench.write(records=10)
    bench.connection.execute("DELETE FROM history WHERE position <= 4")
    outbox = bench.outbox()
    assert outbox.backlog().lost == 0
    assert positions(await taken(outbox, 6)) == [5, 6, 7, 8, 9, 10]


async def test_a_cursor_behind_the_end_begins_again_at_the_oldest(bench: Bench) -> None:
    """The file is an older one: nothing of it is known to have arrived."""
    bench.write(records=3)
    bench.outbox()
    bench.outboxes.end()
    bench.connection.execute("UPDATE cursors SET position = 900")
    bench.begin()
    outbox = bench.outbox()
    assert positions(await taken(outbox, 3)) == [1, 2, 3]


async def test_entries_that_are_gone_count_as_lost(bench: Bench) -> None:
    bench.write(records=10)
    bench.outbox()
    bench.outboxes.end()
    bench.connection.execute("DELETE FROM history WHERE position <= 4")
    bench.begin()
    outbox = bench.outbox()
    assert positions(await taken(outbox, 6)) == [5, 6, 7, 8, 9, 10]
    assert outbox.backlog().lost == 4
    assert cursors(bench.connection)[0].lost == 4


async def test_what_is_forced_out_is_lost_and_the_rest_goes_on(bench: Bench) -> None:
    bench.write(records=600)
    outbox = bench.outbox()
    first = await taken(outbox, 10)
    outbox.delivered(first[4].position)
    bench.transactions.do(lambda connection: force(connection, 300, 0))
    bench.transactions.do(lambda connection: take_out(connection, 300))
    bench.transactions.commit()
    bench.outboxes.forced(300, {"office": 295})
    await asyncio.sleep(0)
    rest = await taken(outbox, 300)
    assert positions(rest) == list(range(301, 601))
    outbox.delivered(600)
    assert outbox.backlog()[:1] == (0,)
    assert (outbox.backlog().delivered, outbox.backlog().lost) == (305, 295)


async def test_what_is_refused_is_lost_and_whatever_becomes_of_it_once(bench: Bench) -> None:
    """Of ten, 2 and 5 are refused. The first four arrive, less one. The disk forces out all up to 6 while 5 is on its
    way back: 5 and 6 are lost by that. Then 7 to 10 arrive, and what is said of 5 comes too late."""
    bench.write(records=10)
    outbox = bench.outbox()
    await taken(outbox, 10)
    outbox.delivered(4, [2])
    assert (outbox.backlog().delivered, outbox.backlog().lost, outbox.backlog().waiting) == (3, 1, 6)
    bench.outboxes.forced(6, {"office": 2})
    await asyncio.sleep(0)
    outbox.delivered(10, [5])
    assert (outbox.backlog().delivered, outbox.backlog().lost, outbox.backlog().waiting) == (7, 3, 0)


async def test_a_damaged_body_is_lost_alone(bench: Bench) -> None:
    bench.write(records=5)
    bench.connection.execute("UPDATE history SET body = x'00' WHERE position = 3")
    outbox = bench.outbox()
    assert positions(await taken(outbox, 4)) == [1, 2, 4, 5]
    outbox.delivered(5)
    assert (outbox.backlog().waiting, outbox.backlog().lost) == (0, 1)


async def test_what_is_damaged_or_has_arrived_while_it_is_forced_out_is_counted_once(bench: Bench) -> None:
    """Of ten, 3 is damaged. Five are taken and none has arrived when retention asks and takes out six. Before it is
    told so, 1 and 2 arrive: of the six, two have arrived and four are lost."""
    bench.write(records=10)
    bench.connection.execute("UPDATE history SET body = x'00' WHERE position = 3")
    outbox = bench.outbox()
    assert positions(await taken(outbox, 5)) == [1, 2, 4, 5, 6]
    assert bench.outboxes.positions() == {"office": 0}
    bench.transactions.do(lambda connection: force(connection, 6, 0))
    bench.transactions.do(lambda connection: take_out(connection, 6))
    bench.transactions.commit()
    outbox.delivered(2)
    bench.outboxes.forced(6, {"office": 6})
    await asyncio.sleep(0)
    assert (outbox.backlog().delivered, outbox.backlog().lost, outbox.backlog().waiting) == (2, 4, 4)
    assert positions(await taken(outbox, 4)) == [7, 8, 9, 10]
    outbox.delivered(10)
    assert (outbox.backlog().delivered, outbox.backlog().lost, outbox.backlog().waiting) == (6, 4, 0)


async def test_a_file_that_cannot_be_read_is_tried_again(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox_module, "_AGAIN_S", 0.01)
    bench.write(records=2)
    outbox = bench.outbox()
    failures = iter([sqlite3.OperationalError("disk I/O error"), OSError(5, "Input/output error")])
    real = rows_between

    def failing(*arguments: object) -> object:
        for error in failures:
            raise error
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(outbox_module, "rows_between", failing)
    assert positions(await taken(outbox, 2)) == [1, 2]
    assert outbox.backlog().lost == 0


async def test_what_a_read_finds_after_the_end_is_not_said(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stop does not wait for the disk; the file may be gone by then."""
    before = set(threading.enumerate())
    bench.write(records=2)
    outbox = bench.outbox()
    reads, may_go_on = threading.Event(), threading.Event()

    def slow(*_: object) -> object:
        reads.set()
        may_go_on.wait(PATIENCE_S)
        raise FileNotFoundError("it is gone")

    monkeypatch.setattr(outbox_module, "rows_between", slow)
    waiting = asyncio.create_task(outbox.take(1))
    assert await asyncio.to_thread(reads.wait, PATIENCE_S)
    waiting.cancel()
    outbox.end()
    with capture_logs() as logs:
        may_go_on.set()
        while any(each.name == "outbox office" for each in set(threading.enumerate()) - before):  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.02)
    assert logs == []


async def test_a_beginning_that_fails_is_tried_again(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox_module, "_AGAIN_S", 0.01)
    bench.write(records=2)
    bench.transactions.fail = sqlite3.OperationalError("disk is full")
    outbox = bench.outbox()
    waiting = asyncio.create_task(outbox.take(1))
    async with asyncio.timeout(PATIENCE_S):
        while not waiting.done():
            await asyncio.sleep(0.01)
            bench.transactions.commit()
    assert positions(list(waiting.result())) == [1]


async def test_the_oldest_that_waits_says_its_age(bench: Bench) -> None:
    bench.write(records=3)
    outbox = bench.outbox()
    bench.clock.now_ns += 60_000_000_000
    # The first record is of the first second.
    assert outbox.backlog().oldest_s == pytest.approx(60.0)
    found = await taken(outbox, 3)
    outbox.delivered(found[1].position)
    assert outbox.backlog().oldest_s == pytest.approx(58.0)
    outbox.delivered(found[2].position)
    assert outbox.backlog().oldest_s is None


async def test_another_destination_goes_its_own_way_and_one_that_is_gone_is_forgotten(bench: Bench) -> None:
    bench.write(records=4)
    office, yard = bench.outbox("office"), bench.outbox("yard")
    office.delivered((await taken(office, 4))[-1].position)
    assert (office.backlog().waiting, yard.backlog().waiting) == (0, 4)
    bench.outboxes.keep(["yard"])
    bench.transactions.commit()
    assert [cursor.destination for cursor in cursors(bench.connection)] == ["yard"]
    assert bench.outboxes.positions().keys() == {"yard"}


async def test_of_what_is_given_out_and_held_back_no_record_is_kept(bench: Bench) -> None:
    """As by a destination that waits a minute until it knows that somebody has read."""
    bench.write(3000, 0)
    outbox = bench.outbox()
    assert len(positions(await taken(outbox, 3000))) == 3000
    gc.collect()
    kept = sum(isinstance(each, KeptRecord) for each in gc.get_objects())
    assert kept < 600, "those that others may ask for next, and those read ahead"
    outbox.rewind()
    assert positions(await taken(outbox, 3000)) == list(range(1, 3001))


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("write"), st.integers(1, 300), st.integers(0, 2)),
        st.tuples(st.just("undone"), st.integers(1, 5), st.integers(0, 2)),
        st.tuples(st.just("take"), st.integers(1, 400), st.just(0)),
        st.tuples(st.just("deliver"), st.integers(0, 100), st.just(0)),
        st.tuples(st.just("rewind"), st.just(0), st.just(0)),
        st.tuples(st.just("late"), st.integers(0, 100), st.just(0)),
        st.tuples(st.just("force"), st.integers(1, 300), st.integers(0, 100)),
        st.tuples(st.just("end"), st.just(0), st.just(0)),
        st.tuples(st.just("crash"), st.just(0), st.just(0)),
    ),
    max_size=25,
)


@example(steps=[("write", 20, 0), ("take", 10, 0), ("force", 8, 3)], wants=(True, True))
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS, wants=st.sampled_from([(True, True), (True, False), (False, True)]))
def test_whatever_happens_nothing_is_skipped_and_the_backlog_is_what_a_count_would_find(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int, int]], wants: tuple[bool, bool]
) -> None:
    asyncio.run(_play(tmp_path_factory.mktemp("outbox") / "ledger.db", steps, wants))


async def _play(path: Path, steps: list[tuple[str, int, int]], wants: tuple[bool, bool]) -> None:
    bench = Bench(path)
    outbox = bench.outbox(records=wants[0], events=wants[1])
    arrived: list[int] = []
    in_flight: list[int] = []
    late: list[int] = []
    """What was given out before a rewind: its acknowledgement may still come."""
    gone: set[int] = set()
    kinds = [number for number, wanted in enumerate(wants) if wanted]

    def wanted_behind(position: int) -> list[int]:
        marks = ", ".join("?" * len(kinds))
        statement = f"SELECT position FROM history WHERE position > ? AND kind IN ({marks}) ORDER BY position"
        return [row[0] for row in bench.connection.execute(statement, (position, *kinds))]

    for step, number, more in steps:
        match step:
            case "write":
                bench.write(number, more)
            case "undone":
                bench.writing.records(number)
                bench.writing.events(more)
                bench.transactions.fail = sqlite3.OperationalError("disk is full")
                bench.transactions.commit()
            case "take" if outbox.ready():
                async with asyncio.timeout(PATIENCE_S):
                    in_flight += positions(list(await outbox.take(number)))
            case "deliver" if in_flight:
                upto = in_flight[min(number, len(in_flight) - 1)]
                outbox.delivered(upto)
                arrived += [each for each in in_flight if each <= upto]
                in_flight = [each for each in in_flight if each > upto]
            case "rewind":
                outbox.rewind()
                late, in_flight = sorted({*late, *in_flight}), []
            case "late" if late:
                upto = late[min(number, len(late) - 1)]
                outbox.delivered(upto)
                arrived += [each for each in sorted({*late, *in_flight}) if each <= upto]
                in_flight = [each for each in in_flight if each > upto]
            case "force" if wanted_behind(outbox.position):
                # As retention does: where all have got is asked; what goes is counted by that; then it is told, and
                # `more` arrive in between.
                reached = bench.outboxes.positions()["office"]
                up_to = min(
                    reached + number, bench.connection.execute("SELECT max(position) FROM history").fetchone()[0]
                )
                gone |= {each for each in wanted_behind(0) if each <= up_to}
                move(bench.connection, "office", reached, 0)
                lost = force(bench.connection, up_to, 0)
                take_out(bench.connection, up_to)
                if in_flight:
                    upto = in_flight[min(more, len(in_flight) - 1)]
                    outbox.delivered(upto)
                    arrived += [each for each in in_flight if each <= upto]
                bench.outboxes.forced(up_to, lost)
                await asyncio.sleep(0)
                in_flight = [each for each in in_flight if each > max(up_to, outbox.position)]
            case "end" | "crash":
                if step == "end":
                    bench.outboxes.end()
                    bench.transactions.commit()
                bench.begin()
                outbox = bench.outbox(records=wants[0], events=wants[1])
                in_flight, late = [], []
                if step == "end":
                    assert outbox.position >= max(arrived, default=0)
                else:
                    # What the cursor did not know comes once more.
                    arrived = [each for each in arrived if each <= outbox.position]
            case _:
                pass
        late = [each for each in late if each > outbox.position]
        assert outbox.backlog().waiting == len(wanted_behind(outbox.position))
        bench.transactions.commit()
    waiting = wanted_behind(outbox.position)
    outbox.rewind()
    arrived += positions(await taken(outbox, len(waiting))) if waiting else []
    assert [each for each in arrived if each not in gone] == wanted_behind(0)
    bench.outboxes.end()
    bench.connection.close()


async def test_rows_that_several_destinations_read_are_unpacked_once(bench: Bench) -> None:
    """One after the other, each from the file: 100 bodies are unpacked, and not 300. One that is damaged is tried for
    each: it is never at hand."""
    unpacked: list[bytes] = []
    decode = Decoder()

    def counted(kind: int, dictionary: int, body: bytes, form_of: FormOf) -> TankRecord | Event:
        unpacked.append(body)
        return decode(kind, dictionary, body, form_of)

    bench.outboxes = Outboxes(Source(bench.path, "harbour", bench.transactions, counted, bench.clock))
    outboxes = [bench.outbox(name) for name in ("one", "two", "three")]
    bench.write(records=99, events=1)
    given = [await taken(outbox, 100) for outbox in outboxes]
    assert len(unpacked) == 100
    assert given[0] == given[1] == given[2]
    assert positions(given[0]) == list(range(1, 101))
    bench.write(records=1)
    with bench.connection:
        bench.connection.execute("UPDATE history SET body = x'00' WHERE position = 101")
    bench.write(records=1)
    with capture_logs():
        given = [await taken(outbox, 1) for outbox in outboxes]
    assert [positions(each) for each in given] == [[102], [102], [102]]
    assert unpacked[100:].count(b"\0") == 3
    # Two who read at the very same instant may both unpack it, since neither waits for the other: one of them is kept,
    # and given to all.
    assert given[0][0] is given[1][0] is given[2][0]
    assert 104 <= len(unpacked) <= 106


def test_a_destination_counts_on_over_restarts_and_round(bench: Bench) -> None:
    office, plant = bench.outbox("office"), bench.outbox("plant")

    def counted(outbox: LedgerOutbox) -> int:
        number = outbox.next_number(3)
        bench.transactions.commit()
        return number.result(0)

    assert [counted(office) for _ in range(4)] == [0, 1, 2, 0]
    assert counted(plant) == 0
    bench.begin()
    assert [counted(bench.outbox("office")), counted(bench.outbox("plant"))] == [1, 1]
    # Whoever is forgotten and comes back goes on: a reader of before may still be there.
    bench.outboxes.keep(())
    bench.transactions.commit()
    assert counted(bench.outbox("office")) == 2
