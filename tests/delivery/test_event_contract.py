"""The contract of a destination of events alone: people by e-mail, and a webhook."""

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, Protocol

import pytest

from gateway.delivery.contract import GOODBYE_S, DeliveryPlan, Destination, Surroundings, Wants
from gateway.delivery.destinations import make_destination, takes_records
from gateway.delivery.webhook.plan import WebhookPlan
from gateway.history import Entry
from tests.delivery.test_mail import plan_for
from tests.support.alarm_events import alarm_event
from tests.support.deliveries import until
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record
from tests.support.mail_server import MailServer
from tests.support.records import BOOT, record, snapshot
from tests.support.webhook_server import WebhookServer


class Peer(Protocol):
    """What a destination delivers to, in the hands of the test."""

    @property
    def plan(self) -> DeliveryPlan: ...

    async def is_there(self) -> None: ...

    async def is_away(self) -> None: ...

    def has(self) -> list[str]:
        """The tanks of which it was told an alarm, in order, repeats among them."""
        ...


class People:
    def __init__(self) -> None:
        self._server = MailServer()

    async def prepare(self) -> None:
        """Takes the port, which it has while it is away too."""
        await self._server.start()
        await self._server.stop()
        self.plan = plan_for(self._server, given_name="plant")

    async def is_there(self) -> None:
        await self._server.start()

    async def is_away(self) -> None:
        await self._server.stop()

    def has(self) -> list[str]:
        lines = [line for mail in self._server.mails for line in mail.text.splitlines()]
        return [line.split()[1] for line in lines if line.startswith("NOW ")]


class Web:
    def __init__(self) -> None:
        self._server = WebhookServer()

    async def prepare(self) -> None:
        await self._server.start()
        await self._server.stop()
        self.plan = WebhookPlan(
            self._server.url, given_name="plant", timeout_s=5.0, backoff_first_s=0.02, backoff_longest_s=0.1
        )

    async def is_there(self) -> None:
        await self._server.start()

    async def is_away(self) -> None:
        await self._server.stop()

    def has(self) -> list[str]:
        documents = [each.content for each in self._server.taken]
        return [each["identity"]["tank"] for each in documents if each["kind"] == "alarm_raised"]


@pytest.fixture(params=[People, Web])
async def peer(request: pytest.FixtureRequest) -> AsyncIterator[Peer]:
    made = request.param()
    await made.prepare()
    yield made
    await made.is_away()


def destination(plan: DeliveryPlan, outbox: MemoryOutbox | None) -> Destination:
    return make_destination(plan, Surroundings("harbour", BOOT, snapshot, random.Random(1), lambda _: None, outbox))


@asynccontextmanager
async def running(made: Destination) -> AsyncIterator[None]:
    """Runs it until the end of the block, and sees that it ends in the time that it has, by nothing else."""
    task = asyncio.create_task(made.run())
    try:
        yield
    finally:
        assert not task.done()
        task.cancel()
        ended, _ = await asyncio.wait([task], timeout=GOODBYE_S)
        assert ended
        assert task.cancelled()


def alarms(count: int, first: int = 1) -> list[Entry]:
    return [alarm_event(number, tank=f"TK-{number}") for number in range(first, first + count)]


def tanks(count: int) -> list[str]:
    return [f"TK-{number}" for number in range(1, count + 1)]


async def drained(outbox: MemoryOutbox) -> None:
    await until(lambda: outbox.backlog().waiting == 0)


async def test_it_wants_events_alone_and_its_outbox_has_nothing_else(peer: Peer) -> None:
    made = destination(peer.plan, MemoryOutbox())
    assert made.wants == Wants(live=False, history=False, events=True)
    assert not takes_records(peer.plan)
    made.offer(record("TK-1", 1))
    made.finish([record("TK-1", 2)])
    status = made.status()
    assert (status.destination, status.delivered, status.lost, status.waiting) == ("plant", 0, 0, 0)


async def test_what_is_kept_arrives_in_order_and_leaves_the_outbox(peer: Peer) -> None:
    await peer.is_there()
    outbox = MemoryOutbox([*alarms(9), kept_event(10), kept_record(11)])
    made = destination(peer.plan, outbox)
    async with running(made):
        await drained(outbox)
        await until(lambda: made.status().connected)
        status = made.status()
        assert status.troubles == ()
        assert status.history is not None
        assert (status.history.waiting, status.history.delivered, status.history.lost) == (0, 11, 0)
    assert peer.has() == tanks(9)
    assert not made.status().connected


async def test_while_the_peer_is_away_all_of_it_waits(peer: Peer) -> None:
    outbox = MemoryOutbox(alarms(5))
    made = destination(peer.plan, outbox)
    async with running(made):
        await asyncio.sleep(0.3)
        status = made.status()
        assert status.history is not None
        assert (status.connected, status.history.waiting, status.history.lost) == (False, 5, 0)
        await peer.is_there()
        await drained(outbox)
        await peer.is_away()
        outbox.add(*alarms(1, 6))
        await until(lambda: not made.status().connected)
        await peer.is_there()
        await drained(outbox)
    assert peer.has() == tanks(6)


async def test_told_to_end_while_the_peer_is_away_it_ends(peer: Peer) -> None:
    outbox = MemoryOutbox(alarms(5))
    async with running(destination(peer.plan, outbox)):
        await asyncio.sleep(0.05)
    assert outbox.backlog().waiting == 5


async def test_run_again_it_begins_anew(peer: Peer) -> None:
    """As supervision does after a mistake in the program."""
    await peer.is_there()
    outbox = MemoryOutbox(alarms(2))
    made = destination(peer.plan, outbox)
    for position in (3, 4, 5):
        async with running(made):
            await drained(outbox)
        outbox.add(*alarms(1, position))
    async with running(made):
        await drained(outbox)
    assert peer.has() == tanks(5)


async def test_told_to_end_at_any_moment_it_ends_and_nothing_is_lost(peer: Peer) -> None:
    """Somewhere between dialling and the last word: whoever comes next has what did not arrive."""
    await peer.is_there()
    chance = random.Random(5)
    outbox = MemoryOutbox(alarms(3))
    for position in range(4, 24):
        async with running(destination(peer.plan, outbox)):
            await asyncio.sleep(chance.uniform(0.0, 0.15))
        outbox.add(*alarms(1, position))
    async with running(destination(peer.plan, outbox)):
        await drained(outbox)
    told = peer.has()
    assert sorted(set(told), key=lambda tank: int(tank[3:])) == tanks(23)
    firsts = sorted(set(told), key=told.index)
    assert firsts == tanks(23), "in order, repeats apart"


async def test_a_peer_that_accepts_and_never_says_a_word_is_left_and_all_waits() -> None:
    """As one does that is frozen: its machine still takes connections."""
    accepted: list[asyncio.StreamWriter] = []
    silent = await asyncio.start_server(lambda _, writer: accepted.append(writer), "127.0.0.1", 0)
    port = silent.sockets[0].getsockname()[1]
    server = MailServer()
    server.port = port
    quick: dict[str, Any] = {"timeout_s": 0.05, "backoff_first_s": 0.01, "backoff_longest_s": 0.02}
    for plan in (plan_for(server, **quick), WebhookPlan(f"http://127.0.0.1:{port}/", **quick)):
        accepted.clear()
        outbox = MemoryOutbox(alarms(2))
        made = destination(plan, outbox)
        async with running(made):
            await until(lambda: len(accepted) >= 3)
            assert not made.status().connected
        assert outbox.backlog().waiting == 2
        for writer in accepted:
            writer.close()
    silent.close()


@pytest.mark.parametrize("seed", range(3))
async def test_a_peer_that_speaks_anything_is_a_fault_and_no_mistake_of_ours(seed: int) -> None:
    """Random bytes, beginnings of answers, lines without an end: nothing of it leaves `run`."""
    chance = random.Random(seed)
    beginnings = [
        b"220 mail\r\n250",
        b"220-",
        b"999 x\r\n",
        b"220 a\r\n250-A\r\n250 AUTH\r\n",
        b"HTTP/1.1 ",
        b"HTTP/1.1 200 OK\r\n",
    ]
    conversations: list[None] = []

    async def has_spoken_often(plan: DeliveryPlan, told: list[None]) -> None:
        told.clear()
        outbox = MemoryOutbox(alarms(1))
        async with running(destination(plan, outbox)):
            await until(lambda: len(told) >= 40 or not outbox.backlog().waiting)

    async def speak(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        conversations.append(None)
        writer.write(chance.choice([b"", *beginnings]) + chance.randbytes(chance.choice([0, 3, 200, 70_000])))
        writer.close()

    server = await asyncio.start_server(speak, "127.0.0.1", 0)
    mail = MailServer()
    mail.port = server.sockets[0].getsockname()[1]
    quick: dict[str, Any] = {"timeout_s": 0.5, "backoff_first_s": 0.001, "backoff_longest_s": 0.002}
    for plan in (plan_for(mail, gather_s=0.001, **quick), WebhookPlan(f"http://127.0.0.1:{mail.port}/", **quick)):
        await has_spoken_often(plan, conversations)
    server.close()


async def test_without_a_ledger_it_says_so_and_goes_on(peer: Peer) -> None:
    made = destination(peer.plan, None)
    async with running(made):
        await until(lambda: made.status().troubles)
    assert made.status().history is None
