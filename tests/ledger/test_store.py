"""Which files are opened, which are refused untouched, and which are set aside."""

import os
import sqlite3
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from gateway.errors import LedgerError
from gateway.ledger import store
from gateway.ledger.store import NEWEST, open_store
from gateway.records import ReasonCode
from gateway.tank_record import EventKind
from tests.support.ledger_store import PATIENCE_S, SITE, Stand, events_in, records_in, rows_in

PAGE = 4096


@pytest.fixture
def stand(tmp_path: Path) -> Stand:
    return Stand(tmp_path)


def filled(stand: Stand, records: int = 40) -> None:
    """A ledger of so many records that was closed well."""
    ledger = stand.open()
    for _ in range(records):
        stand.seconds += 10.0
        ledger.offer(stand.record())
    assert ledger.close(PATIENCE_S)


def bytes_in(folder: Path) -> dict[str, bytes]:
    """But for the empty file by which one process at a time holds the ledger."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if not path.name.endswith(".lock")}


def test_the_file_is_for_its_user_alone(stand: Stand) -> None:
    before = os.umask(0)
    try:
        ledger = stand.open()
        modes = {path.name: path.stat().st_mode & 0o777 for path in stand.file.parent.iterdir()}
        assert ledger.close(PATIENCE_S)
    finally:
        os.umask(before)
    names = ("north.ledger", "north.ledger-wal", "north.ledger-shm", "north.ledger.lock")
    assert modes == dict.fromkeys(names, 0o600)


def test_the_log_has_grown_beforehand_and_is_on_the_disk_at_each_commit(stand: Stand) -> None:
    opened = open_store(stand.file, SITE, 0)
    asked = {
        name: opened.connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "mmap_size", "wal_autocheckpoint", "journal_size_limit")
    }
    assert asked == {
        "journal_mode": "wal",
        "synchronous": 2,
        "mmap_size": 0,
        "wal_autocheckpoint": 2000,
        "journal_size_limit": 9_000_000,
    }
    assert stand.file.with_name("north.ledger-wal").stat().st_size >= 2000 * PAGE, "all between two checkpoints"
    opened.connection.close()


def test_one_of_another_site_is_refused_untouched(stand: Stand) -> None:
    filled(stand)
    before = bytes_in(stand.file.parent)
    with pytest.raises(LedgerError, match=r"is the ledger of site 'north yard', not of 'south yard'"):
        stand.open(1, site="south yard")
    assert bytes_in(stand.file.parent) == before


@pytest.mark.parametrize("with_wal", [False, True])
def test_one_of_a_newer_version_is_refused_untouched(stand: Stand, with_wal: bool) -> None:
    filled(stand)
    other = sqlite3.connect(stand.file)
    other.execute(f"PRAGMA user_version = {NEWEST + 1}")
    if not with_wal:
        other.close()
    before = {name: data for name, data in bytes_in(stand.file.parent).items() if not name.endswith("-shm")}
    assert ("north.ledger-wal" in before) == with_wal
    with pytest.raises(LedgerError, match=rf"written by a newer version \(schema {NEWEST + 1}; .* up to {NEWEST}\)"):
        stand.open(1)
    after = {name: data for name, data in bytes_in(stand.file.parent).items() if not name.endswith("-shm")}
    assert after == before
    other.close()


def test_what_is_no_ledger_is_refused_untouched(stand: Stand) -> None:
    stand.file.write_text("the minutes of the last meeting, which somebody will look for")
    before = bytes_in(stand.file.parent)
    with pytest.raises(LedgerError, match="is no ledger"):
        stand.open()
    assert bytes_in(stand.file.parent) == before


def test_the_data_base_of_something_else_is_refused_untouched(stand: Stand) -> None:
    other = sqlite3.connect(stand.file)
    other.execute("CREATE TABLE addresses (name TEXT)")
    other.commit()
    other.close()
    before = bytes_in(stand.file.parent)
    with pytest.raises(LedgerError, match="is a data base of something else"):
        stand.open()
    assert bytes_in(stand.file.parent) == before


def test_what_cannot_be_a_file_is_refused(stand: Stand, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    stand.plan = type(stand.plan)(file=tmp_path / "file" / "x.ledger")
    with pytest.raises(LedgerError, match="there is no folder"):
        stand.open()
    stand.plan = type(stand.plan)(file=tmp_path)
    with pytest.raises(LedgerError, match="is a folder"):
        stand.open()
    os.mkfifo(tmp_path / "pipe")
    stand.plan = type(stand.plan)(file=tmp_path / "pipe")
    with pytest.raises(LedgerError, match="is no regular file"):
        stand.open()


@pytest.mark.parametrize("left", [b"", "schema"])
def test_one_that_was_just_being_begun_is_begun(stand: Stand, left: bytes | str) -> None:
    """A power cut came between the steps of its beginning."""
    if isinstance(left, bytes):
        stand.file.write_bytes(left)
    else:
        half = sqlite3.connect(stand.file)
        half.execute("PRAGMA journal_mode = WAL")
        half.close()
    filled(stand, 3)
    assert len(records_in(stand.file)) == 3


def set_aside(stand: Stand) -> list[Path]:
    """Without what belongs to them."""
    found = stand.file.parent.glob("*.damaged-*")
    return sorted(path for path in found if not path.name.endswith(("-wal", "-shm")))


def break_page(file: Path, page: int) -> None:
    with file.open("r+b") as broken:
        broken.seek(page * PAGE)
        broken.write(b"\xa5" * PAGE)


@pytest.mark.parametrize("damage", ["begins with zeros", "first page", "a page of history", "cut off"])
def test_a_damaged_one_is_set_aside_whole_and_another_begun_loudly(stand: Stand, damage: str) -> None:
    filled(stand)
    if damage == "begins with zeros":
        with stand.file.open("r+b") as broken:
            broken.write(bytes(PAGE))
    elif damage == "first page":
        with stand.file.open("r+b") as broken:
            broken.seek(100)
            broken.write(b"\xa5" * (PAGE - 100))
    elif damage == "a page of history":
        (root,) = rows_in(stand.file, "SELECT rootpage FROM sqlite_master WHERE name = 'history'")[0]
        break_page(stand.file, root - 1)
    else:
        os.truncate(stand.file, 3 * PAGE)
    before = stand.file.read_bytes()
    with capture_logs() as logs:
        ledger = stand.open(1)
    stand.seconds += 10.0
    ledger.offer(stand.record(boot=1))
    assert ledger.close(PATIENCE_S)
    (kept,) = set_aside(stand)
    assert kept.read_bytes() == before
    (said,) = [each for each in logs if each["event"] == "ledger.set_aside"]
    assert said["log_level"] == "error"
    assert said["kept_as"] == str(kept)
    told = [event for _, event in events_in(stand.file)]
    assert [event.kind for event in told] == [
        EventKind.HISTORY_LOST,
        EventKind.GATEWAY_STARTED,
        EventKind.GATEWAY_STOPPED,
    ]
    assert told[0].reason is not None
    assert told[0].reason.code is ReasonCode.LEDGER_DAMAGED
    assert kept.name in told[0].reason.text
    assert len(records_in(stand.file)) == 1


def test_two_that_are_set_aside_in_the_same_second_both_stay(stand: Stand) -> None:
    for _ in range(2):
        filled(stand, 1)
        os.truncate(stand.file, 3 * PAGE)
        stand.open(1).close(PATIENCE_S)
        stand.sequences.clear()
        stand.seconds = 0.0
        stand.file.unlink()
    assert len(set_aside(stand)) == 2


def test_of_a_large_one_the_newest_entries_are_looked_through(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(stand)
    monkeypatch.setattr(store, "_WHOLE_CHECK_BYTES", 0)
    opened = open_store(stand.file, SITE, 0)
    assert not opened.is_checked
    opened.connection.close()
    (page,) = rows_in(stand.file, "SELECT rootpage FROM sqlite_master WHERE name = 'history'")[0]
    break_page(stand.file, page - 1)
    with pytest.raises(sqlite3.DatabaseError) as found:
        open_store(stand.file, SITE, 0)
    assert store.is_damage(found.value)
