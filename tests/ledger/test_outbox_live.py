"""An outbox beside the writer's own thread: what is committed while it is read arrives, each once and in order."""

import asyncio
import random
import threading
from pathlib import Path

from gateway.history import KeptRecord, Previous
from tests.support.ledger_store import BOOTS, Stand, rows_in

RECORDS = 600
PATIENCE_S = 40.0


async def test_what_is_written_meanwhile_arrives_in_order_over_rewinds(tmp_path: Path) -> None:
    """Two tanks; the destination takes any number, loses its connection now and then, and acknowledges some of it."""
    stand = Stand(tmp_path, commit_s=0.005)
    ledger = stand.open()
    outbox = ledger.outbox("office", events=False)
    chance = random.Random(11)

    def write() -> None:
        for number in range(RECORDS):
            stand.seconds = number * 10.0
            ledger.offer(stand.record(f"TK-{number % 2 + 1}"))
            if number % 7 == 0:
                threading.Event().wait(0.002)

    # Of the loop's thread in the gateway; here another, so that both are at it at once.
    writing = threading.Thread(target=write)
    writing.start()
    arrived: list[KeptRecord] = []
    async with asyncio.timeout(PATIENCE_S):
        while len(arrived) < RECORDS:
            entries = await outbox.take(chance.randint(1, 50))
            sure = chance.randint(0, len(entries))
            if sure:
                outbox.delivered(entries[sure - 1].position)
                arrived += [entry for entry in entries[:sure] if isinstance(entry, KeptRecord)]
            if sure < len(entries):
                outbox.rewind()
            if chance.random() < 0.2:
                await asyncio.sleep(0.003)
    writing.join()
    assert outbox.backlog().waiting == 0
    for tank in ("TK-1", "TK-2"):
        mine = [entry for entry in arrived if entry.record.identity.tank == tank]
        assert [entry.record.identity.sequence for entry in mine] == list(range(1, RECORDS // 2 + 1))
        assert [entry.previous for entry in mine[1:]] == [
            Previous(BOOTS[0], sequence) for sequence in range(1, RECORDS // 2)
        ]
    positions = [entry.position for entry in arrived]
    assert positions == sorted(set(positions))
    assert await asyncio.to_thread(ledger.close, 20)
    (cursor,) = rows_in(stand.file, "SELECT position FROM cursors WHERE destination = 'office'")
    assert cursor[0] >= positions[-1]


async def test_a_reading_that_hangs_holds_up_neither_a_take_that_is_cancelled_nor_the_end(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    ledger = stand.open()
    outbox = ledger.outbox("office")
    hanging, let_go = threading.Event(), threading.Event()

    def hangs(*_: object) -> None:
        hanging.set()
        let_go.wait(PATIENCE_S)

    outbox._look = hangs  # type: ignore[method-assign, assignment]
    taking = asyncio.create_task(outbox.take(1))
    assert await asyncio.to_thread(hanging.wait, PATIENCE_S)
    taking.cancel()
    await asyncio.wait([taking], timeout=PATIENCE_S)
    assert taking.cancelled()
    assert outbox.backlog().waiting >= 1
    assert await asyncio.to_thread(ledger.close, 20)
    assert not let_go.is_set()
    let_go.set()
