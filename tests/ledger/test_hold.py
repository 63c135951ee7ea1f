"""One process at a time writes to a ledger: another one waits for it, and loses and spoils nothing."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gateway.errors import LedgerError
from gateway.ledger import writer
from tests.support.ledger_store import BOOTS, PATIENCE_S, Stand, records_in, rows_in, until


@pytest.fixture
def stand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stand:
    monkeypatch.setattr(writer, "_FIRST_RETRY_S", 0.01)
    monkeypatch.setattr(writer, "_LONGEST_RETRY_S", 0.02)
    return Stand(tmp_path)


@contextmanager
def another_gateway(file: Path) -> Iterator[None]:
    """A process that writes to the ledger, killed in the end."""
    command = [sys.executable, "-m", "tests.support.ledger_store_process", str(file), BOOTS[1]]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        try:
            yield
        finally:
            process.kill()
            process.stdout.read()


def test_a_ledger_that_another_process_writes_to_is_waited_for(stand: Stand) -> None:
    with another_gateway(stand.file):
        ledger = stand.open(0)
        ledger.offer(stand.record())
        trouble = ledger.status().trouble
        assert trouble is not None
        assert trouble.code == "file_busy"
        boots = {boot for (boot,) in rows_in(stand.file, "SELECT boot FROM boots")}
        assert boots == {BOOTS[1]}, "not one row of this process beside the other"
    until(lambda: ledger.status().committed > 0)
    assert ledger.close(PATIENCE_S)
    assert ledger.status().lost == 0
    assert [each.identity.boot for each in records_in(stand.file)][-1] == BOOTS[0]
    positions = [position for (position,) in rows_in(stand.file, "SELECT position FROM history ORDER BY position")]
    assert positions == list(range(1, len(positions) + 1))


def test_a_destination_of_the_other_is_not_forgotten(stand: Stand) -> None:
    first = stand.open(0)
    first.outbox("office")
    assert first.close(PATIENCE_S)
    with another_gateway(stand.file):
        second = stand.open(2)
        second.keep_outboxes(["plant"])
        assert not second.close(0.2)
    assert rows_in(stand.file, "SELECT destination FROM cursors") == [("office",)]


def test_one_that_was_refused_holds_nothing(stand: Stand) -> None:
    assert stand.open(0).close(PATIENCE_S)
    with pytest.raises(LedgerError, match="of site"):
        stand.open(1, site="south")
    with another_gateway(stand.file):
        boots = {boot for (boot,) in rows_in(stand.file, "SELECT boot FROM boots")}
    assert boots == {BOOTS[0], BOOTS[1]}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
@pytest.mark.parametrize("kind", ["folder", "pipe", "link"])
def test_what_stands_in_the_place_of_the_lock_keeps_no_history_back(stand: Stand, kind: str) -> None:
    lock = stand.file.with_name(f"{stand.file.name}.lock")
    if kind == "folder":
        lock.mkdir()
    elif kind == "pipe":
        os.mkfifo(lock)
    else:
        lock.symlink_to(stand.file.parent / "elsewhere")
    ledger = stand.open(0)
    ledger.offer(stand.record())
    assert ledger.close(PATIENCE_S)
    assert len(records_in(stand.file)) == 1
    assert not (stand.file.parent / "elsewhere").exists()
