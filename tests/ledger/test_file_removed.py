"""A ledger's file that somebody takes away while it is in use: noticed, told, begun anew, and what waits is counted."""

import asyncio
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.history import KeptEvent
from gateway.ledger import writer
from gateway.ledger.ledger import Ledger
from gateway.records import ReasonCode
from gateway.tank_record import EventKind
from tests.support.ledger_store import PATIENCE_S, Stand, records_in, until


@pytest.fixture
def stand(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Stand:
    monkeypatch.setattr(writer, "_FIRST_RETRY_S", 0.01)
    monkeypatch.setattr(writer, "_LONGEST_RETRY_S", 0.02)
    return Stand(tmp_path)


def removed(stand: Stand) -> None:
    for each in stand.file.parent.glob(f"{stand.file.name}*"):
        each.unlink()


def replaced(stand: Stand) -> None:
    """By a copy of itself: what is written to the one that is open would be for nobody."""
    copy = stand.file.with_name("copy")
    shutil.copyfile(stand.file, copy)
    removed(stand)
    copy.rename(stand.file)


def offer(ledger: Ledger, stand: Stand, count: int) -> None:
    for _ in range(count):
        stand.seconds += 10.0
        ledger.offer(stand.record())
    until(lambda: ledger.status().waiting == 0)


@pytest.mark.parametrize("taken_away", [removed, replaced])
def test_what_comes_after_it_stands_under_its_name(stand: Stand, taken_away: Callable[[Stand], None]) -> None:
    ledger = stand.open()
    offer(ledger, stand, 3)
    taken_away(stand)
    stand.seconds += 10.0
    after = stand.record()
    ledger.offer(after)
    until(lambda: ledger.status().waiting == 0)
    assert after in records_in(stand.file)
    assert ledger.status().lost == 0
    assert ledger.close(PATIENCE_S)


async def test_a_destination_hears_of_it_and_its_backlog_stays_true(stand: Stand) -> None:
    """Four entries were not delivered: one start and three records. Then one event and two records wait."""
    ledger = stand.open()
    outbox = ledger.outbox("database")
    async with asyncio.timeout(PATIENCE_S):
        await outbox.take(1)
    offer(ledger, stand, 3)
    removed(stand)
    offer(ledger, stand, 2)
    async with asyncio.timeout(PATIENCE_S):
        while outbox.backlog().lost < 4:  # noqa: ASYNC110 - the writer's thread tells
            await asyncio.sleep(0.01)
        assert outbox.backlog().waiting == 3
        found = list(await outbox.take(100))
        while len(found) < 3:
            found += await outbox.take(100)
    assert isinstance(found[0], KeptEvent)
    assert found[0].event.kind is EventKind.HISTORY_LOST
    assert found[0].event.reason is not None
    assert found[0].event.reason.code is ReasonCode.LEDGER_DAMAGED
    outbox.delivered(found[-1].position)
    assert outbox.backlog().waiting == 0
    assert ledger.close(PATIENCE_S)
