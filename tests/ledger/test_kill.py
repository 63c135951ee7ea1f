"""A process that keeps history is killed at any moment: every row that it said to be kept is there, whole and in order.

`LEDGER_KILLS` is how many.
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gateway.history import Previous
from gateway.tank_record import EventKind
from tests.support.ledger_store import PATIENCE_S, SITE, Stand, events_in, previous_in, records_in, rows_in

KILLS = int(os.environ.get("LEDGER_KILLS", "12"))
_ROUNDS = 4


def killed(file: Path, boot: str, after_s: float) -> int:
    """The last position that a process said to be committed before it was killed, so long after its first word."""
    command = [sys.executable, "-m", "tests.support.ledger_store_process", str(file), boot]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        said = [process.stdout.readline()]
        time.sleep(after_s)
        process.send_signal(signal.SIGKILL)
        said += process.stdout.readlines()
    # The last line may have been cut off by the kill.
    return max(int(line) for line in said if line.endswith(b"\n"))


@pytest.mark.parametrize("seed", range(max(1, KILLS // _ROUNDS)))
def test_every_row_that_was_said_to_be_kept_is_there(tmp_path: Path, seed: int) -> None:
    source = random.Random(seed)
    stand = Stand(tmp_path)
    kept: list[tuple[object, ...]] = []
    boots = [f"{source.getrandbits(128):032x}" for _ in range(_ROUNDS)]
    for boot in boots:
        said = killed(stand.file, boot, source.uniform(0.0, 0.4))
        rows = rows_in(stand.file, "SELECT position, tank, boot, sequence, body FROM history ORDER BY position")
        assert rows_in(stand.file, "PRAGMA quick_check") == [("ok",)]
        assert rows[: len(kept)] == kept, "what was kept stays"
        assert rows[-1][0] >= said
        assert [row[0] for row in rows] == list(range(1, len(rows) + 1))
        kept = rows
    assert stand.open(0, SITE).close(PATIENCE_S)
    last: dict[str, Previous] = {}
    for record, previous in zip(records_in(stand.file), previous_in(stand.file), strict=True):
        _, tank, boot, sequence = record.identity
        assert previous == last.get(tank)
        assert sequence == (last[tank].sequence + 1 if tank in last and last[tank].boot == boot else 1)
        last[tank] = Previous(boot, sequence)
    told = [event for _, event in events_in(stand.file) if event.kind is EventKind.GATEWAY_BROKE_OFF]
    assert [event.subject for event in told] == boots
