"""From the ledger's file into files, by real processes that are killed: what was committed is there once, in order."""

import random
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

from tests.support.from_ledger import command
from tests.support.history_files import finished, rows, unfinished

ROOT = Path(__file__).resolve().parent.parent.parent


@contextmanager
def _process(folder: Path, file: Path, rounds: int) -> Iterator["subprocess.Popen[bytes]"]:
    with subprocess.Popen(command(file, rounds, "files", str(folder)), cwd=ROOT) as process:
        try:
            yield process
        finally:
            process.kill()


def _written(folder: Path) -> int:
    sizes = []
    for path in folder.iterdir():
        with suppress(FileNotFoundError):  # it has got its name meanwhile
            sizes.append(path.stat().st_size)
    return sum(sizes)


@pytest.mark.timeout(300)  # a dozen processes, each of which has to start first
def test_what_the_ledger_has_committed_is_in_the_files_once(memory_path: Path) -> None:
    folder, file, chance = memory_path / "out", memory_path / "harbour.ledger", random.Random(11)
    folder.mkdir()
    for _ in range(12):
        before = _written(folder)
        with _process(folder, file, 100_000) as process:
            while _written(folder) == before:
                assert process.poll() is None
                time.sleep(0.005)
            time.sleep(chance.uniform(0.0, 0.5))
    with _process(folder, file, 0) as process:
        assert process.wait(timeout=100) == 0
    with closing(sqlite3.connect(file)) as ledger, ledger:
        committed = ledger.execute(
            "SELECT position, tanks.name, boots.boot, sequence FROM history"
            " JOIN tanks ON tanks.id = history.tank JOIN boots ON boots.id = history.boot WHERE kind = 0"
        ).fetchall()
        events = ledger.execute("SELECT position FROM history WHERE kind = 1").fetchall()
    ledger.close()
    found = rows(*finished(folder), *unfinished(folder))
    there = [(int(row["position"]), row["tank"], row["boot"], int(row["sequence"])) for row in found]
    assert len(committed) > 300
    assert len({boot for _, _, boot, _ in committed}) > 6, "some were killed before their first record"
    assert sorted(there) == sorted(committed)
    told = rows(*finished(folder, "events"), *unfinished(folder, "events"))
    # The last is that of the stop, committed when the files were closed already: it waits for the next start.
    assert sorted(int(row["position"]) for row in told) == sorted(position for (position,) in events)[:-1]
    # In each stream a record names the one before it, which is there as well.
    known = {(tank, boot, sequence) for _, tank, boot, sequence in there}
    named = {
        (row["tank"], row["previous_boot"], int(row["previous_sequence"])) for row in found if row["previous_boot"]
    }
    assert named <= known
    for path in (*finished(folder), *unfinished(folder)):
        positions = [int(row["position"]) for row in rows(path)]
        assert positions == sorted(positions)
