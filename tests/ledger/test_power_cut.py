"""The power goes at any moment, with what was not synced dropped or torn: the file opens, and all that was said to be
kept is in it.

The statements are those of a ledger at work, written down and run again on a disk that records. `POWER_CUTS` is how
many cuts.
"""

import os
import random
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from gateway.kept_memory import Kept
from gateway.ledger import open_file, store
from gateway.ledger.store import open_store
from tests.ledger.test_account_papers import ticket, transfer
from tests.support.ledger_store import PATIENCE_S, SITE, Stand, happened, until
from tests.support.ledger_store_power import Op, after_cuts, replayed

CUTS = int(os.environ.get("POWER_CUTS", "300"))
KEPT = Kept(1_795_608_000_000_000_000, 5, {})


def small(patched: pytest.MonkeyPatch) -> None:
    """So that the log goes round many times in a short story."""
    patched.setattr(store, "_WAL_BYTES", 150_000)
    patched.setattr(store, "_CHECKPOINT_PAGES", 30)


def statements_of(folder: Path, patched: pytest.MonkeyPatch) -> list[str]:
    """All that a ledger asks of SQLite from its beginning on: also memory, plans, cursors, and old entries deleted."""
    found: list[str] = []
    real = sqlite3.connect

    def recorded(path: Any, *given: Any, **more: Any) -> sqlite3.Connection:
        connection: sqlite3.Connection = real(path, *given, **more)
        if not str(path).startswith("file:"):
            connection.set_trace_callback(lambda statement: _note(found, statement))
        return connection

    small(patched)
    patched.setattr(sqlite3, "connect", recorded)
    source = random.Random(5)
    stand = Stand(folder, keep_s=3600.0)
    ledger = stand.open()
    ledger.keep_outboxes(["database"])
    for number in range(300):
        stand.seconds += 10.0
        for tank in range(source.randint(1, 4)):
            ledger.offer(stand.record(f"TK-{tank}"))
        if source.random() < 0.2:
            ledger.event(happened(stand.seconds), source.choice(["", "TK-1"]))
        if number % 25 == 0:
            ledger.keep_memory(KEPT._replace(steady_ns=number))
            ledger.keep_plan(f"{number:032x}", random.Random(number).randbytes(9000))
        if number % 10 == 0:
            given = number // 10 + 1
            papers = [transfer(given), ticket(given), transfer(given, "closed")]
            ledger.keep_account(papers, [("TK-1", happened(stand.seconds))], (number, "{}")).result(PATIENCE_S)
        until(lambda: ledger.status().waiting == 0)
    assert ledger.close(PATIENCE_S)
    return found


def _note(found: list[str], statement: str) -> None:
    """Where it sets off a trigger SQLite tells of a statement twice."""
    is_told = bool(found) and found[-1] == statement and statement.startswith(("INSERT INTO papers", "UPDATE numbers"))
    if not is_told:
        found.append(statement)


def rows_of(connection: sqlite3.Connection) -> list[tuple[Any, ...]]:
    """History, and where there is a place for them papers, numbers and the audit trail, which go with it."""
    found = connection.execute("SELECT position, body FROM history").fetchall()
    if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'open_transfers'").fetchone():
        found += connection.execute("SELECT -number, kind || key FROM papers").fetchall()
        found += connection.execute("SELECT 0, kind || last FROM numbers UNION SELECT 0, hash FROM audit").fetchall()
    return found


class Work:
    """What was asked for, and which rows of history are there after each COMMIT."""

    def __init__(self, statements: Sequence[str]) -> None:
        self.statements = statements
        self.rows: list[list[tuple[Any, ...]]] = [[]]
        """After as many commits as the index says."""
        playing = sqlite3.connect(":memory:", isolation_level=None)
        for statement in statements:
            playing.execute(statement).fetchall()
            if statement.strip() == "COMMIT":
                has_history = playing.execute("SELECT 1 FROM sqlite_master WHERE name = 'history'").fetchone()
                self.rows.append(rows_of(playing) if has_history else [])
        playing.close()


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Work:
    with pytest.MonkeyPatch.context() as patched:
        statements = statements_of(tmp_path_factory.mktemp("at work"), patched)
    return Work(statements)


def losses(work: Work, ops: Sequence[Op], folder: Path, cuts: int, seed: int) -> list[str]:
    """Of so many cuts, what came of those after which something is wrong."""
    found = []
    path = folder / "ledger"
    for said, files in after_cuts(ops, cuts, random.Random(seed)):
        for ending in ("", "-wal", "-shm", "-journal"):
            path.with_name(f"ledger{ending}").unlink(missing_ok=True)
        for name, data in files.items():
            folder.joinpath(name).write_bytes(data)
        if not path.exists():
            found += [f"after {said} commits there is no file"] if said else []
            continue
        connection = sqlite3.connect(path)
        try:
            checked = connection.execute("PRAGMA quick_check").fetchall()
            has_history = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'history'").fetchone()
            rows = rows_of(connection) if has_history else []
        except sqlite3.DatabaseError as error:
            found.append(f"after {said} commits: {error}")
            continue
        finally:
            connection.close()
        if checked != [("ok",)]:
            found.append(f"after {said} commits: {checked[:1]}")
        # One more than was said may be there: the power went before it could be said.
        elif rows not in work.rows[said : said + 2]:
            found.append(f"after {said} commits there are {len(rows)} rows instead of {len(work.rows[said])}")
    return found


def test_no_row_that_was_said_to_be_kept_is_lost(work: Work, tmp_path: Path) -> None:
    (tmp_path / "played").mkdir()
    ops = replayed(work.statements, tmp_path / "played")
    assert sum(op.what == "sync" and op.file == "ledger" for op in ops) > 20, "checkpoints are among what is cut"
    assert len({len(rows) for rows in work.rows}) > 100
    assert any(row[0] == -90 for row in work.rows[-1]), "thirty tickets, each with its transfer"
    assert losses(work, ops, tmp_path, CUTS, seed=1) == []


def test_with_less_syncs_rows_are_lost_and_this_would_show_it(work: Work, tmp_path: Path) -> None:
    (tmp_path / "played").mkdir()
    careless = Work([each.replace("synchronous = FULL", "synchronous = NORMAL") for each in work.statements])
    assert careless.statements != work.statements
    ops = replayed(careless.statements, tmp_path / "played")
    assert losses(careless, ops, tmp_path, 60, seed=2) != []


def test_a_ledger_opens_and_goes_on_after_any_cut(work: Work, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With its own checks: nothing is set aside that can be read."""
    small(monkeypatch)
    (tmp_path / "played").mkdir()
    ops = replayed(work.statements, tmp_path / "played")
    for number, (said, files) in enumerate(after_cuts(ops, max(10, CUTS // 10), random.Random(3))):
        folder = tmp_path / str(number)
        folder.mkdir()
        for name, data in files.items():
            folder.joinpath(name).write_bytes(data)
        opened = open_store(folder / "ledger", SITE, 0)
        rows = open_file.OpenFile(opened)
        assert rows.last >= max((row[0] for row in work.rows[said]), default=0)
        rows.close()
