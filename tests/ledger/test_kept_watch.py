"""What the watch remembers is in the ledger with the very events that it has come to: never one without the other."""

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest

from gateway.calculation.memory import EMPTY_MEMORY
from gateway.history import GATEWAY
from gateway.kept_memory import Kept, KeptTank, KeptWatch, restored_watch
from gateway.ledger import writer
from gateway.ledger.ledger import Ledger
from gateway.ledger.papers import Paper
from gateway.ledger.plan import LedgerPlan
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmPhase
from gateway.watch.alarms.memory import AlarmMemory
from gateway.watch.house import HouseMemory
from gateway.watch.memory import WatchMemory
from tests.support.ledger_store import BOOTS, PATIENCE_S, SITE, Stand, events_in, rows_in, until

INSTANT = datetime(2026, 11, 28, 6, 0, tzinfo=UTC)


def raised(subject: str) -> Event:
    return Event(EventKind.ALARM_RAISED, INSTANT, subject)


def remembered(stand: Stand, *names: str, tank: str = "TK-1") -> KeptWatch:
    alarms = {name: AlarmMemory(INSTANT, AlarmPhase.UNACKNOWLEDGED, unheard_s=100.0) for name in names}
    memory = HouseMemory(alarms) if tank == GATEWAY else WatchMemory(alarms=alarms)
    return KeptWatch(tank, stand.utc_ns(), stand.monotonic_ns(), memory)


def _as_it_is(watch: KeptWatch) -> KeptWatch:
    return watch


def reopened(stand: Stand) -> Kept | None:
    """As another process finds it: the first has been killed, so that nothing was said to it."""
    copy = stand.file.with_name("copy.ledger")
    for end in ("", "-wal", "-shm"):
        part = stand.file.with_name(stand.file.name + end)
        if part.exists():
            copy.with_name(copy.name + end).write_bytes(part.read_bytes())
    ledger = Ledger.open(LedgerPlan(file=copy), SITE, BOOTS[5], stand)
    try:
        return ledger.memory()
    finally:
        assert ledger.close(PATIENCE_S)


def test_it_is_there_as_soon_as_the_event_is(tmp_path: Path) -> None:
    stand = Stand(tmp_path, commit_s=0.05)
    ledger = stand.open()
    watch = remembered(stand, "high_high")
    ledger.offer(stand.record(events=(raised("high_high"), raised("critical_high"))), lambda: watch)
    until(lambda: ledger.status().waiting == 0)
    kept = reopened(stand)
    assert kept is not None
    assert [event.subject for _, event in events_in(stand.file) if event.kind is EventKind.ALARM_RAISED] == [
        "high_high",
        "critical_high",
    ]
    assert kept.tanks["TK-1"].watch == watch.memory
    assert (kept.utc_ns, kept.steady_ns) == (watch.utc_ns, watch.steady_ns)
    assert ledger.close(PATIENCE_S)


def test_a_sheet_without_events_asks_for_nothing(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()

    def never() -> KeptWatch | None:
        raise AssertionError("it is asked for each sheet")

    ledger.offer(stand.record(), never)
    assert ledger.close(PATIENCE_S)


def test_the_newer_of_two_counts_and_its_times_go_by_the_other_clock(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    before = remembered(stand, "minimum")
    assert isinstance(before.memory, WatchMemory)
    ledger.keep_memory(Kept(stand.utc_ns(), 50_000_000_000, {"TK-1": KeptTank("p", EMPTY_MEMORY, before.memory)})).wait(
        PATIENCE_S
    )
    stand.seconds += 30.0
    later = KeptWatch("TK-1", stand.utc_ns(), 80_000_000_000, remembered(stand, "minimum", "high_high").memory)
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: later)
    until(lambda: ledger.status().waiting == 0)
    kept = reopened(stand)
    assert kept is not None
    assert kept.tanks["TK-1"].plan == "p", "of the calculation there is no newer one"
    assert set(kept.tanks["TK-1"].watch.alarms) == {"minimum", "high_high"}
    assert kept.tanks["TK-1"].watch.alarms["high_high"].unheard_s == 100.0, "both by one steady clock"
    moved = restored_watch(kept, "TK-1", 95_000_000_000, 45.0)
    assert moved.alarms["high_high"].unheard_s == 100.0, "the same clock goes on: 45 s passed by both"
    assert ledger.close(PATIENCE_S)


def test_what_the_memory_of_the_site_has_in_it_is_dropped(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    early = remembered(stand, "high_high")._replace(steady_ns=50_000_000_000)
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: early)
    until(lambda: ledger.status().waiting == 0)
    stand.seconds += 10.0
    memory = WatchMemory(alarms={"high_high": AlarmMemory(INSTANT, AlarmPhase.ACKNOWLEDGED, by="kim")})
    ledger.keep_memory(site_memory(stand, memory)).wait(PATIENCE_S)
    assert rows_in(stand.file, "SELECT name FROM memory") == [("calculation",)]
    kept = reopened(stand)
    assert kept is not None
    assert kept.tanks["TK-1"].watch == memory
    assert ledger.close(PATIENCE_S)


def test_what_happened_after_a_clock_was_set_back_is_the_newer(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    before = remembered(stand, "minimum")
    assert isinstance(before.memory, WatchMemory)
    ledger.keep_memory(Kept(stand.utc_ns(), 50_000_000_000, {"TK-1": KeptTank("p", EMPTY_MEMORY, before.memory)})).wait(
        PATIENCE_S
    )
    stand.seconds -= 3600.0
    later = KeptWatch("TK-1", stand.utc_ns(), 80_000_000_000, remembered(stand, "minimum", "high_high").memory)
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: later)
    until(lambda: ledger.status().waiting == 0)
    kept = reopened(stand)
    assert kept is not None
    assert set(kept.tanks["TK-1"].watch.alarms) == {"minimum", "high_high"}, "else it were raised anew"
    assert kept.tanks["TK-1"].watch.alarms["high_high"].unheard_s == 100.0, "the steady clock was not set"
    assert ledger.close(PATIENCE_S)


def test_what_was_remembered_before_a_clock_was_set_back_does_not_come_back(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    early = remembered(stand, "high_high")._replace(steady_ns=50_000_000_000)
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: early)
    until(lambda: ledger.status().waiting == 0)
    stand.seconds -= 3600.0
    memory = WatchMemory(alarms={"high_high": AlarmMemory(INSTANT, AlarmPhase.ACKNOWLEDGED, by="kim")})
    ledger.keep_memory(Kept(stand.utc_ns(), 60_000_000_000, {"TK-1": KeptTank("p", EMPTY_MEMORY, memory)})).wait(
        PATIENCE_S
    )
    kept = reopened(stand)
    assert kept is not None
    assert kept.tanks["TK-1"].watch == memory, "kim has acknowledged it"
    assert ledger.close(PATIENCE_S)


def test_what_happened_after_the_memory_was_taken_is_not_dropped_with_what_it_has(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    taken = Kept(stand.utc_ns(), 50_000_000_000, {"TK-1": KeptTank("p", EMPTY_MEMORY)})
    stand.seconds += 1.0
    later = KeptWatch("TK-1", stand.utc_ns(), 51_000_000_000, remembered(stand, "high_high").memory)
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: later)
    until(lambda: ledger.status().waiting == 0)
    ledger.keep_memory(taken).wait(PATIENCE_S)
    kept = reopened(stand)
    assert kept is not None
    assert set(kept.tanks["TK-1"].watch.alarms) == {"high_high"}
    assert ledger.close(PATIENCE_S)


def site_memory(stand: Stand, watch: WatchMemory) -> Kept:
    return Kept(stand.utc_ns(), stand.monotonic_ns(), {"TK-1": KeptTank("p", EMPTY_MEMORY, watch)})


def acknowledged(stand: Stand) -> KeptWatch:
    memory = WatchMemory(alarms={"high_high": AlarmMemory(INSTANT, AlarmPhase.ACKNOWLEDGED, by="kim")})
    return KeptWatch("TK-1", stand.utc_ns(), stand.monotonic_ns(), memory)


def test_a_clock_that_is_set_back_brings_nothing_back(tmp_path: Path) -> None:
    """By UTC the memory of the site with the alarm unacknowledged is an hour newer than the acknowledgement."""
    stand = Stand(tmp_path)
    ledger = stand.open()
    unheard = remembered(stand, "high_high")
    assert isinstance(unheard.memory, WatchMemory)
    ledger.keep_memory(site_memory(stand, unheard.memory)).wait(PATIENCE_S)
    stand.seconds -= 3600.0
    watch = acknowledged(stand)
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: watch)
    until(lambda: ledger.status().waiting == 0)
    kept = reopened(stand)
    assert kept is not None
    assert kept.tanks["TK-1"].watch == watch.memory
    assert ledger.close(PATIENCE_S)


def test_what_was_kept_before_a_clock_was_set_back_is_dropped_all_the_same(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    watch = remembered(stand, "high_high")
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: watch)
    until(lambda: ledger.status().waiting == 0)
    stand.seconds -= 3600.0
    ledger.keep_memory(site_memory(stand, WatchMemory())).wait(PATIENCE_S)
    assert rows_in(stand.file, "SELECT name FROM memory") == [("calculation",)]
    assert ledger.close(PATIENCE_S)


def test_what_happens_while_the_memory_of_the_site_waits_stays(tmp_path: Path) -> None:
    """It is taken, something happens, then both come to the disk in one commit."""
    stand = Stand(tmp_path, commit_s=0.5)
    ledger = stand.open()
    unheard = remembered(stand, "high_high")
    assert isinstance(unheard.memory, WatchMemory)
    taken = site_memory(stand, unheard.memory)
    watch = acknowledged(stand)
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: watch)
    ledger.keep_memory(taken).wait(PATIENCE_S)
    kept = reopened(stand)
    assert kept is not None
    assert kept.tanks["TK-1"].watch == watch.memory
    assert ledger.close(PATIENCE_S)


@pytest.mark.parametrize("is_copy", [False, True])
def test_another_file_gets_what_is_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_copy: bool) -> None:
    """Somebody removes the ledger, or puts an older copy in its place, and the gateway is killed soon after."""
    monkeypatch.setattr(writer, "_FIRST_RETRY_S", 0.01)
    stand = Stand(tmp_path, commit_s=60.0)
    ledger = stand.open()
    older = tmp_path / "older"
    with closing(sqlite3.connect(stand.file)) as connection:
        connection.execute("VACUUM INTO ?", (str(older),))
    unheard = remembered(stand, "high_high")
    assert isinstance(unheard.memory, WatchMemory)
    is_kept = ledger.keep_memory(site_memory(stand, unheard.memory))
    watch = acknowledged(stand)
    ledger.offer(stand.record(events=(raised("high_high"),)), lambda: watch)
    assert is_kept.wait(PATIENCE_S)
    until(lambda: ledger.status().waiting == 0)
    for each in tmp_path.glob("north.ledger*"):
        each.unlink()
    if is_copy:
        older.rename(stand.file)
    stand.seconds += 10.0
    ledger.offer(stand.record(events=(raised("minimum"),)))
    until(lambda: ledger.status().waiting == 0)
    until(lambda: rows_in(stand.file, "SELECT count(*) FROM memory") == [(2,)])
    kept = reopened(stand)
    assert kept is not None
    assert kept.tanks["TK-1"].plan == "p"
    assert kept.tanks["TK-1"].watch == watch.memory
    assert ledger.close(PATIENCE_S)


def test_an_older_copy_of_the_file_does_not_bring_back_what_was_entered_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "_FIRST_RETRY_S", 0.01)
    stand = Stand(tmp_path)
    ledger = stand.open()

    def enter(value: str) -> None:
        body = json.dumps({"key": "density TK-1", "value": value})
        ledger.keep_papers([Paper("density TK-1", "TK-1", stand.utc_ns(), body)], ()).result(PATIENCE_S)

    enter("838 kg/m3")
    older = tmp_path / "older"
    with closing(sqlite3.connect(stand.file)) as connection:
        connection.execute("VACUUM INTO ?", (str(older),))
    enter("841 kg/m3")
    for each in tmp_path.glob("north.ledger*"):
        each.unlink()
    older.rename(stand.file)
    stand.seconds += 10.0
    ledger.offer(stand.record())
    until(lambda: ledger.papers.times_read == 2)
    assert "841" in ledger.papers.newest()["density TK-1"].body
    newest = "SELECT body FROM papers ORDER BY number DESC LIMIT 1"
    until(lambda: "841" in rows_in(stand.file, newest)[0][0])
    assert ledger.close(PATIENCE_S)


def test_before_the_first_memory_of_the_site_no_tank_hides_what_happened_to_another(tmp_path: Path) -> None:
    """Killed within its first minute: rows are read by name, and the last of them was written first."""
    stand = Stand(tmp_path)
    ledger = stand.open()
    for tank in ("TK-3", "TK-2", "TK-1", GATEWAY):
        stand.seconds += 1.0
        watch = remembered(stand, "high_high", tank=tank)
        if tank == GATEWAY:
            ledger.event(raised("high_high"), watch=watch)
        else:
            ledger.offer(stand.record(tank, events=(raised("high_high"),)), partial(_as_it_is, watch))
        until(lambda: ledger.status().waiting == 0)
    kept = reopened(stand)
    assert kept is not None
    assert {tag: set(tank.watch.alarms) for tag, tank in kept.tanks.items()} == {
        tag: {"high_high"} for tag in ("TK-1", "TK-2", "TK-3")
    }
    assert set(kept.house.alarms) == {"high_high"}
    assert ledger.close(PATIENCE_S)


def test_the_gateway_itself_is_remembered_likewise(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    watch = remembered(stand, "line_lost.bus", tank=GATEWAY)
    ledger.event(raised("line_lost.bus"), watch=watch)
    until(lambda: ledger.status().waiting == 0)
    kept = reopened(stand)
    assert kept is not None
    assert kept.house == watch.memory
    assert ledger.close(PATIENCE_S)


def test_one_that_is_damaged_takes_nothing_else_with_it(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    ledger.offer(stand.record(events=(raised("a"),)), lambda: remembered(stand, "a"))
    ledger.offer(stand.record("TK-2", events=(raised("b"),)), lambda: remembered(stand, "b", tank="TK-2"))
    until(lambda: ledger.status().waiting == 0)
    ledger.transactions.do(
        lambda connection: connection.execute("UPDATE memory SET body = x'00' WHERE name = 'watch TK-1'"), at_once=True
    ).result(PATIENCE_S)
    kept = reopened(stand)
    assert kept is not None
    assert set(kept.tanks) == {"TK-2"}
    assert ledger.close(PATIENCE_S)
