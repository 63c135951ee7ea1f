"""Papers of the accounts in the file: one commit with events and audit, numbers once and in order, found without a look
at all of them."""

import gzip
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.account.paper import AccountPaper, PaperKind
from gateway.errors import LedgerError
from gateway.ledger import writer
from gateway.ledger.account_papers import (
    NUMBERED,
    PaperError,
    StoredPaper,
    newest_day,
    open_transfers,
    paper_of,
    papers_between,
    read_known,
)
from gateway.ledger.ledger import Ledger
from gateway.ledger.papers import newest_papers
from gateway.ledger.reading_file import opened
from gateway.ledger.store import NEWEST, open_store
from gateway.tank_record import Event, EventKind
from tests.support.ledger_store import BEGIN, PATIENCE_S, Stand, events_in, rows_in, until

KEPT = Path(__file__).parent / "kept" / "0001.ledger.gz"
AUDIT = (1, '{"by":"kim"}')


@pytest.fixture
def stand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stand:
    monkeypatch.setattr(writer, "_FIRST_RETRY_S", 0.01)
    monkeypatch.setattr(writer, "_LONGEST_RETRY_S", 0.02)
    return Stand(tmp_path)


@pytest.fixture
def ledger(stand: Stand) -> Iterator[Ledger]:
    ledger = stand.open()
    yield ledger
    ledger.close(PATIENCE_S)


def transfer(number: int, phase: str = "running", hours: float = 0.0) -> AccountPaper:
    since = BEGIN + timedelta(hours=hours)
    document: dict[str, Any] = {"schema": "tank-gateway/transfer/1", "key": f"transfer {number}"}
    document |= {"number": number, "phase": phase}
    return AccountPaper(
        PaperKind.TRANSFER, f"transfer {number}", "TK-1", since, document | {"since": since.isoformat()}
    )


def ticket(number: int, hours: float = 0.0, **more: Any) -> AccountPaper:
    document = {"schema": "tank-gateway/ticket/1", "key": f"ticket {number}", "number": number, **more}
    return AccountPaper(PaperKind.TICKET, f"ticket {number}", "TK-1", BEGIN + timedelta(hours=hours), document)


def day(text: str, revision: int = 1) -> AccountPaper:
    end = datetime.fromisoformat(text).replace(tzinfo=UTC) + timedelta(days=1, hours=6)
    document = {"schema": "tank-gateway/day-close/1", "key": f"day {text} {revision}", "day": text}
    return AccountPaper(PaperKind.DAY, f"day {text} {revision}", "", end, document | {"revision": revision})


def keep(ledger: Ledger, *papers: AccountPaper) -> None:
    ledger.keep_account(papers, (), AUDIT).result(PATIENCE_S)


def keys(found: Any) -> list[str]:
    return [each.key for each in found]


def test_papers_events_and_the_row_of_the_audit_trail_are_one_commit(stand: Stand, ledger: Ledger) -> None:
    event = Event(EventKind.TICKET_MADE, BEGIN, "ticket 1", document='{"key":"ticket 1"}')
    ledger.keep_account([transfer(1, "closed"), ticket(1)], [("TK-1", event)], AUDIT).result(PATIENCE_S)
    with pytest.raises(sqlite3.IntegrityError, match="not the next"):
        ledger.keep_account([ticket(2), ticket(2)], [("TK-1", event)], (2, "{}")).result(PATIENCE_S)
    assert ledger.close(PATIENCE_S)
    assert rows_in(stand.file, "SELECT kind, key, counted FROM papers") == [
        ("transfer", "transfer 1", 1),
        ("ticket", "ticket 1", 1),
    ]
    assert [event.kind for _, event in events_in(stand.file)].count(EventKind.TICKET_MADE) == 1
    assert rows_in(stand.file, "SELECT instant_ns, body FROM audit") == [AUDIT]
    assert rows_in(stand.file, "SELECT last FROM numbers WHERE kind = 'ticket'") == [(1,)]


@pytest.mark.parametrize(
    "papers",
    [
        [ticket(1)],
        [ticket(3)],
        [ticket(0)],
        [transfer(3)],
        [day("2026-11-27")],
        [ticket(2), transfer(9)],
        [AccountPaper(PaperKind.TICKET, "ticket two", "", BEGIN, {})],
    ],
    ids=["again", "left out", "none", "transfer left out", "revision again", "one of two", "no number"],
)
def test_a_number_is_given_once_and_none_is_left_out(stand: Stand, ledger: Ledger, papers: list[AccountPaper]) -> None:
    keep(ledger, transfer(1), ticket(1), day("2026-11-27"))
    before = ledger.accounts.known()
    with pytest.raises((sqlite3.IntegrityError, PaperError)):
        keep(ledger, *papers)
    assert ledger.accounts.known() == before
    assert len(rows_in(stand.file, "SELECT * FROM papers")) == 3
    keep(ledger, ticket(2), transfer(2), transfer(1, "closed"), day("2026-11-27", 2))
    known = ledger.accounts.known()
    assert known.numbers == {PaperKind.TRANSFER: 2, PaperKind.TICKET: 2, PaperKind.AMOUNT: 0}
    assert list(known.transfers) == [2]
    assert known.day is not None
    assert known.day["revision"] == 2


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE papers SET body = 'x'",
        "DELETE FROM papers",
        "UPDATE papers SET counted = 7",
        "UPDATE numbers SET last = 0",
    ],
)
def test_the_file_refuses_to_have_a_paper_changed_or_taken_out(stand: Stand, ledger: Ledger, change: str) -> None:
    keep(ledger, ticket(1))
    with (
        closing(sqlite3.connect(stand.file)) as connection,
        pytest.raises(sqlite3.IntegrityError, match=r"never|twice"),
    ):
        connection.execute(change)


def test_a_start_goes_on_with_what_is_open(stand: Stand, ledger: Ledger) -> None:
    for number in range(1, 6):
        keep(ledger, transfer(number))
    keep(ledger, transfer(2, "settling"), transfer(4, "cancelled"), transfer(5, "closed"), ticket(1))
    known = ledger.accounts.known()
    assert {number: document["phase"] for number, document in known.transfers.items()} == {
        1: "running",
        2: "settling",
        3: "running",
    }
    assert ledger.close(PATIENCE_S)
    again = stand.open(1)
    assert again.accounts.known() == known
    keep(again, transfer(6), transfer(1, "closed"), ticket(2))
    assert again.close(PATIENCE_S)


def test_they_are_found_by_key_number_and_time(stand: Stand, ledger: Ledger) -> None:
    days = [f"2026-11-{date}" for date in range(10, 20)]
    keep(ledger, *(ticket(number, hours=number % 7) for number in range(1, 301)), *map(day, days), day(days[3], 2))
    keep(ledger, transfer(1, hours=1.0), transfer(1, "paused", hours=2.0))

    def read(connection: sqlite3.Connection) -> None:
        begin_ns = stand.utc_ns() + 3 * 3_600_000_000_000
        found = list(papers_between(connection, PaperKind.TICKET, begin_ns, begin_ns + 3_600_000_000_000))
        assert keys(found) == [f"ticket {number}" for number in range(3, 301, 7)]
        everything = list(papers_between(connection, PaperKind.TICKET, 0, 1 << 62))
        assert sorted(keys(everything)) == sorted(f"ticket {number}" for number in range(1, 301))
        assert all(one.instant_ns <= two.instant_ns for one, two in pairwise(every(everything)))
        paper = paper_of(connection, PaperKind.TICKET, "ticket 123")
        assert paper is not None
        assert (paper.tank, paper.document["number"]) == ("", 123)
        assert paper_of(connection, PaperKind.TICKET, "ticket 301") is None
        newest = paper_of(connection, PaperKind.TRANSFER, "transfer 1")
        assert newest is not None
        assert newest.document["phase"] == "paused"
        last = newest_day(connection)
        assert last is not None
        assert last.key == "day 2026-11-19 1"
        end_ns = round(datetime(2026, 11, 14, 6, tzinfo=UTC).timestamp() * 1e9)
        before = newest_day(connection, end_ns + 1)
        assert before is not None
        assert before.key == "day 2026-11-13 2", "the newest revision"
        earlier = newest_day(connection, end_ns)
        assert earlier is not None
        assert earlier.key == "day 2026-11-12 1"

    ledger.read(read).result(PATIENCE_S)
    with opened(stand.file) as connection:
        read(connection)


def every(found: list[StoredPaper | PaperError]) -> list[StoredPaper]:
    assert all(isinstance(each, StoredPaper) for each in found)
    return [each for each in found if isinstance(each, StoredPaper)]


def test_one_that_is_damaged_keeps_back_no_other(stand: Stand, ledger: Ledger) -> None:
    keep(ledger, transfer(1), transfer(2), ticket(1), ticket(2))
    assert ledger.close(PATIENCE_S)
    with closing(sqlite3.connect(stand.file)) as connection:
        connection.execute("DROP TRIGGER papers_are_not_changed")
        connection.execute("UPDATE papers SET body = x'00' WHERE key IN ('transfer 1', 'ticket 1')")
        connection.commit()
        assert [isinstance(each, PaperError) for each in open_transfers(connection)] == [True, False]
        found = list(papers_between(connection, PaperKind.TICKET, 0, 1 << 62))
        assert [isinstance(each, PaperError) for each in found] == [True, False]
    again = stand.open(1)
    known = again.accounts.known()
    assert list(known.transfers) == [2]
    assert "transfer in row 1 cannot be read" in known.troubles[0]
    assert again.close(PATIENCE_S)


def test_a_read_has_what_was_taken_in_before_it(tmp_path: Path) -> None:
    stand = Stand(tmp_path, commit_s=60.0)
    ledger = stand.open()
    stand.seconds += 1.0
    ledger.offer(stand.record())
    count = ledger.read(lambda connection: connection.execute("SELECT count(*) FROM history WHERE kind = 0").fetchone())
    assert count.result(PATIENCE_S) == (1,)
    with pytest.raises(sqlite3.OperationalError):
        ledger.read(lambda connection: connection.execute("SELECT * FROM nothing")).result(PATIENCE_S)
    assert ledger.read(lambda connection: 7).result(PATIENCE_S) == 7
    assert ledger.close(PATIENCE_S)


@pytest.mark.parametrize("older", [True, False], ids=["an older copy", "none"])
def test_numbers_go_on_where_another_file_takes_the_place_of_the_first(
    stand: Stand, ledger: Ledger, older: bool
) -> None:
    keep(ledger, transfer(1), transfer(2), ticket(1))
    copy = stand.file.with_name("older")
    with closing(sqlite3.connect(stand.file)) as connection:
        connection.execute("VACUUM INTO ?", (str(copy),))
    keep(ledger, ticket(2), transfer(1, "cancelled"))
    for each in stand.file.parent.glob("north.ledger*"):
        each.unlink()
    if older:
        copy.rename(stand.file)
    stand.seconds += 10.0
    ledger.offer(stand.record())
    until(lambda: ledger.accounts.times_read == 2)
    assert ledger.accounts.known().numbers[PaperKind.TICKET] == 2
    keep(ledger, ticket(3))
    assert ledger.close(PATIENCE_S)
    with opened(stand.file) as connection:
        known = read_known(connection)
    assert dict(known.numbers) == {PaperKind.TRANSFER: 2, PaperKind.TICKET: 3, PaperKind.AMOUNT: 0}
    assert list(known.transfers) == [2], "what was over does not come back"


def test_a_file_of_the_version_before_is_brought_up_to_this_one(tmp_path: Path) -> None:
    file = tmp_path / "site.ledger"
    file.write_bytes(gzip.decompress(KEPT.read_bytes()))
    with closing(sqlite3.connect(file)) as connection:
        insert = "INSERT INTO papers (kind, instant_ns, body) VALUES ('entry', 1, ?)"
        connection.executemany(insert, [('{"key":"level TK-1"}',), ('{"key":"density TK-1"}',)])
        connection.commit()
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    store = open_store(file, "site", 1)
    with closing(store.connection) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (NEWEST,)
        assert connection.execute("SELECT kind, key FROM papers").fetchall() == [("entry", None)] * 2
        # By the key within the body: the column is of the accounts.
        assert set(newest_papers(connection)) == {"level TK-1", "density TK-1"}
        assert read_known(connection) == ({}, dict.fromkeys(NUMBERED, 0), None, ())
        connection.execute(f"PRAGMA user_version = {NEWEST + 1}")
    with pytest.raises(LedgerError, match="newer version"):
        open_store(file, "site", 1)


_kinds = st.sampled_from(["transfer", "ticket", "amount"])


@settings(max_examples=60)
@given(st.lists(st.tuples(_kinds, st.integers(-1, 2)), max_size=25))
def test_whatever_is_tried_numbers_have_no_gap_and_no_double(tries: list[tuple[str, int]]) -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    for step in sorted(Path("gateway/ledger/schema").glob("*.sql")):
        connection.executescript(step.read_text("utf-8"))
    insert = "INSERT INTO papers (kind, instant_ns, body, key, counted) VALUES (?, 0, '', ?, ?)"
    given_so_far = dict.fromkeys(("transfer", "ticket", "amount"), 0)
    for kind, off in tries:
        number = given_so_far[kind] + off
        fits = off == 1 or (kind == "transfer" and off <= 0)
        try:
            connection.execute(insert, (kind, f"{kind} {number}", number))
        except sqlite3.IntegrityError:
            assert not fits
            continue
        assert fits
        connection.execute("UPDATE numbers SET last = max(last, ?) WHERE kind = ?", (number, kind))
        given_so_far[kind] = max(given_so_far[kind], number)
    for kind in ("ticket", "amount"):
        found = connection.execute("SELECT counted FROM papers WHERE kind = ? ORDER BY number", (kind,)).fetchall()
        assert [number for (number,) in found] == list(range(1, given_so_far[kind] + 1))
    connection.close()
