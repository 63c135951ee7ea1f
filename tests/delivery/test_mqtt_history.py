"""History against a real server, counted by an outside subscriber with a session that the server keeps for it."""

import asyncio
import math
import random
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import orjson
import pytest
from structlog.testing import capture_logs

from gateway.delivery.mqtt import window as mqtt_window
from gateway.delivery.mqtt.delivery import MqttDelivery
from gateway.delivery.mqtt.window import ENDS_THE_CONNECTION
from gateway.history import Entry, KeptRecord
from gateway.payload.history import history_json
from gateway.records import Figure, Quality, ReasonCode, because
from gateway.status import DestinationStatus, GatewaySnapshot
from tests.support.deliveries import plan_for, running, until
from tests.support.kept_entries import MemoryOutbox, kept_event, kept_record, streams
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_subscriber import Subscriber
from tests.support.records import BOOT, bad, record, snapshot

both_protocols = pytest.mark.parametrize("protocol", ["3.1.1", "5"])
TANKS = ["TK-1", "TK-2", "TK-3"]


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, options=("allow_anonymous true", "max_queued_messages 0")) as mosquitto:
        yield mosquitto


def delivery_of(outbox: MemoryOutbox, port: int, **changes: Any) -> MqttDelivery:
    made: list[MqttDelivery] = []

    def state() -> GatewaySnapshot:
        statuses: tuple[DestinationStatus, ...] = (made[0].status(),) if made else ()
        return snapshot()._replace(destinations=statuses)

    made.append(MqttDelivery(plan_for(port, **changes), "harbour", BOOT, state, random=random.Random(1), outbox=outbox))
    return made[0]


def persistent(port: int, topic: str = "tanks/harbour/+/history") -> Subscriber:
    """One whose session the server keeps, messages that come while it is away among them."""
    return Subscriber(port, topic, ("-c", "-i", "historian"))


async def sequences(subscriber: Subscriber, tank: str, last: int) -> list[int]:
    """What comes of a tank up to that sequence."""
    found: list[int] = []
    while not found or found[-1] != last:
        message = await subscriber.next(lambda message: message.topic == f"tanks/harbour/{tank}/history")
        found.append(message.content["identity"]["sequence"])
    return found


def is_drained(outbox: MemoryOutbox) -> bool:
    return outbox.backlog().waiting == 0


def reached(outbox: MemoryOutbox, count: int) -> Callable[[], bool]:
    return lambda: len(outbox.arrived) >= count


@both_protocols
async def test_history_and_events_arrive_in_order_once_and_are_not_retained(server: Mosquitto, protocol: str) -> None:
    events = [kept_event(1_001), kept_event(1_002, tank="TK-2", sequence=9)]
    outbox = MemoryOutbox([*streams(TANKS, 40), *events])
    delivery = delivery_of(outbox, server.port, protocol=protocol)
    async with Subscriber(server.port) as subscriber, running(delivery):
        seen: dict[str, list[tuple[int, Any]]] = {}
        while sum(map(len, seen.values())) < 122:
            message = await subscriber.next(lambda each: each.topic.endswith(("/history", "/events")))
            assert not message.retained
            content = message.content
            seen.setdefault(message.topic, []).append((content["identity"]["sequence"], content.get("previous")))
        await until(lambda: is_drained(outbox))
    expected = [(1, None), *((number, {"boot": BOOT, "sequence": number - 1}) for number in range(2, 41))]
    assert {topic: found for topic, found in seen.items() if topic.endswith("/history")} == {
        f"tanks/harbour/{tank}/history": expected for tank in TANKS
    }
    assert seen["tanks/harbour/gateway/events"] == [(1, None)]
    assert seen["tanks/harbour/TK-2/events"] == [(9, None)]
    late = await asyncio.create_subprocess_exec(
        *("mosquitto_sub", "-h", "127.0.0.1", "-p", str(server.port), "-t", "tanks/#", "--retained-only"),
        *("-W", "2", "-F", "%t"),
        stdout=asyncio.subprocess.PIPE,
    )
    retained, _ = await late.communicate()
    assert set(retained.split()) == {b"tanks/harbour/gateway/status", b"tanks/harbour/gateway/heartbeat"}
    assert [entry.position for entry in outbox.arrived] == [*range(1, 121), 1_001, 1_002]


@both_protocols
async def test_a_server_that_is_killed_and_restarted_again_and_again(tmp_path: Path, protocol: str) -> None:
    """It keeps on disk what it has acknowledged, and the session of the one who counts."""
    options = ("allow_anonymous true", "max_queued_messages 0", "persistence true", f"persistence_location {tmp_path}/")
    entries = streams(TANKS, 400)
    outbox = MemoryOutbox(entries)
    with Mosquitto(tmp_path, options=options) as server:
        delivery = delivery_of(outbox, server.port, protocol=protocol, window=8)
        counter = Counter()
        # The reader connects again by itself.
        async with persistent(server.port) as historian:
            await until(lambda: "Received SUBSCRIBE" in server.log())
            async with running(delivery):
                for _ in range(4):
                    await until(lambda: delivery.status().connected)
                    # On a busy machine all of it may be there already.
                    await counter.count_until(historian, reached(outbox, min(1_200, len(outbox.arrived) + 150)))
                    server.stop()
                    await until(lambda: not delivery.status().connected)
                    server.start()
                await counter.count_until(historian, lambda: counter.complete(entries))
                await until(lambda: is_drained(outbox))
    assert outbox.rewinds >= 4
    counter.assert_each_in_order(entries)
    assert counts(delivery) == (1_200, 0, 0)


async def test_a_killed_server_gets_again_what_it_had_not_acknowledged_and_nothing_before(tmp_path: Path) -> None:
    """Without a disk of its own: the entries of the first connection are in its log, those of the second too."""
    outbox = MemoryOutbox(streams(["TK-1"], 5_000))
    with Mosquitto(tmp_path, verbose=False) as server:
        delivery = delivery_of(outbox, server.port)
        async with Subscriber(server.port, "tanks/harbour/TK-1/history") as first, running(delivery):
            await Counter().count_until(first, lambda: len(outbox.arrived) >= 300)
            server.kill()
            known = len(outbox.arrived)
            await until(lambda: not delivery.status().connected)
            assert 0 < known < 5_000
            known = len(outbox.arrived)
            server.start()
            async with Subscriber(server.port, "tanks/harbour/TK-1/history") as second:
                # The subscriber may be later than the gateway, which then goes on: nothing before is sent again.
                message = await second.next()
                assert message.content["identity"]["sequence"] > known
                await until(lambda: is_drained(outbox))


async def test_a_frozen_server_holds_up_neither_offers_nor_the_outbox_and_gets_all_in_the_end(
    server: Mosquitto,
) -> None:
    outbox = MemoryOutbox(streams(TANKS, 200))
    delivery = delivery_of(outbox, server.port, timeout_s=0.4, window=6)
    counter = Counter()
    async with persistent(server.port) as historian, running(delivery):
        await counter.count_until(historian, lambda: len(outbox.arrived) >= 60)
        server.freeze()
        for sequence in range(1, 30):
            delivery.offer(record("TK-1", sequence))
            outbox.add(kept_record(10_000 + sequence, "TK-9", sequence, sequence - 1 or None))
            await asyncio.sleep(0)
        await until(lambda: not delivery.status().connected)
        waiting = delivery.status()
        assert waiting.history is not None
        assert waiting.history.waiting == 629 - len(outbox.arrived)
        assert (waiting.waiting, waiting.dropped) == (1, 28)
        assert (waiting.lost, waiting.history.lost) == (0, 0), (
            "a live record that a newer one replaced is in history, or was not to be"
        )
        server.thaw()
        everything = [*streams(TANKS, 200), *(kept_record(10_000 + n, "TK-9", n, n - 1 or None) for n in range(1, 30))]
        await counter.count_until(historian, lambda: counter.complete(everything))
        await until(lambda: is_drained(outbox))
    counter.assert_each_in_order(everything)


async def test_a_reader_that_is_away_gets_from_the_server_what_came_meanwhile(server: Mosquitto) -> None:
    async with persistent(server.port):
        pass
    outbox = MemoryOutbox(streams(["TK-1"], 50))
    delivery = delivery_of(outbox, server.port, protocol="5")
    async with running(delivery):
        await until(lambda: is_drained(outbox))
    async with persistent(server.port) as historian:
        assert await sequences(historian, "TK-1", 50) == list(range(1, 51))


async def test_a_slow_reader_holds_up_neither_history_nor_others(server: Mosquitto) -> None:
    outbox = MemoryOutbox(streams(TANKS, 40))
    delivery = delivery_of(outbox, server.port)
    async with Subscriber(server.port) as slow:
        async with persistent(server.port) as quick, running(delivery):
            await slow.state("online")
            slow.freeze()
            counter = Counter()
            await counter.count_until(quick, lambda: counter.complete(streams(TANKS, 40)))
            await until(lambda: is_drained(outbox))
            slow.thaw()
        message = await slow.next(lambda message: message.topic.endswith("TK-3/history"))
        assert message.content["identity"]["sequence"] == 1


@pytest.mark.parametrize("most", [1, 2, 3])
async def test_a_server_that_takes_few_at_a_time_gets_live_and_history(most: int, tmp_path: Path) -> None:
    options = ("allow_anonymous true", f"max_inflight_messages {most}")
    entries = streams(TANKS, 30)
    outbox = MemoryOutbox(entries)
    with Mosquitto(tmp_path, options=options) as server:
        delivery = delivery_of(outbox, server.port, protocol="5")
        async with persistent(server.port) as historian, running(delivery):
            counter = Counter()
            for sequence in range(1, 40):
                for tank in TANKS:
                    delivery.offer(record(tank, sequence))
                await asyncio.sleep(0)
            await counter.count_until(historian, lambda: counter.complete(entries))
            await until(lambda: is_drained(outbox))
            await until(lambda: not delivery.status().waiting)
    counter.assert_each_in_order(entries)
    live = delivery.status()
    assert (live.delivered + live.dropped, live.lost, live.waiting) == (117, 0, 0)


async def test_live_records_go_ahead_of_a_backlog(server: Mosquitto) -> None:
    """In the order in which the server got them: behind a live record that was offered, no more of history than what
    was on its way already, and a turn now and then."""
    outbox = MemoryOutbox(streams(TANKS, 3_400))
    delivery = delivery_of(outbox, server.port, window=20)
    offered = [f"TK-{number}" for number in range(100, 160)]
    async with running(delivery):
        await until(lambda: len(outbox.arrived) > 500)
        assert outbox.backlog().waiting > 5_000
        before = len(topics(server))
        for tank in offered:
            delivery.offer(record(tank, 1))
        await until(lambda: not delivery.status().waiting)
        assert not is_drained(outbox)
    got = topics(server)[before:]
    last = max(index for index, topic in enumerate(got) if topic.endswith("/inventory"))
    history = sum(topic.endswith("/history") for topic in got[:last])
    # 15 of a window of 20 were under way, some more may have come since the log was read, and each ninth is history's.
    assert history <= 15 + 15 + 60 // 8
    assert sum(topic.endswith("/inventory") for topic in got) == 60


async def test_live_records_do_not_keep_history_from_having_its_turn(server: Mosquitto) -> None:
    """More of them than there is room for, all the time."""
    outbox = MemoryOutbox(streams(TANKS, 30))
    delivery = delivery_of(outbox, server.port, window=2)
    async with running(delivery):
        sequence = 0
        while not is_drained(outbox):
            sequence += 1
            for tank in range(20):
                delivery.offer(record(f"TK-{tank}", sequence))
            await asyncio.sleep(0)
    assert delivery.status().lost == 0


async def test_a_topic_that_is_not_allowed_waits_is_told_and_goes_on_when_it_is(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    allowed = "topic readwrite tanks/harbour/gateway/#\ntopic readwrite tanks/harbour/{}/#\n"
    rules.write_text(allowed.format("TK-1"))
    entries = streams(["TK-1", "TK-2"], 20)
    outbox = MemoryOutbox(entries)
    with (
        Mosquitto(tmp_path, options=("allow_anonymous true", f"acl_file {rules}")) as server,
        capture_logs() as logs,
    ):
        delivery = delivery_of(outbox, server.port, protocol="5")
        async with running(delivery):
            await until(lambda: delivery.status().troubles)
            (trouble,) = delivery.status().troubles
            delivery.offer(record("TK-1", 1))
            await until(lambda: delivery.status().delivered == 1)
            assert not is_drained(outbox)
            rules.write_text(allowed.format("+"))
            server.reload()
            await until(lambda: is_drained(outbox))
            assert delivery.status().troubles == ()
    assert trouble.code == "records_refused"
    assert trouble.text == ("what is sent to tanks/harbour/TK-2/history is refused for now and waits: Not authorized")
    assert counts(delivery) == (40, 0, 0)
    refusals = [entry for entry in logs if entry["event"] == "delivery.history_refused"]
    assert [(entry["topic"], entry["lost"]) for entry in refusals] == [("tanks/harbour/TK-2/history", False)]


async def test_a_topic_that_stays_forbidden_is_lost_and_counted_when_patience_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_window, "PATIENCE_S", 0.3)
    rules = tmp_path / "rules"
    rules.write_text("topic readwrite tanks/harbour/gateway/#\ntopic readwrite tanks/harbour/TK-1/#\n")
    outbox = MemoryOutbox(streams(["TK-1", "TK-2"], 20))
    with Mosquitto(tmp_path, options=("allow_anonymous true", f"acl_file {rules}")) as server:
        delivery = delivery_of(outbox, server.port, protocol="5")
        async with running(delivery), Subscriber(server.port, "tanks/harbour/TK-1/history") as reader:
            await until(lambda: is_drained(outbox))
            (trouble,) = delivery.status().troubles
            assert (await reader.next()).content["identity"]["tank"] == "TK-1"
    assert counts(delivery) == (20, 20, 0)
    assert trouble.text == "what is sent to tanks/harbour/TK-2/history is refused and lost: Not authorized"


@pytest.mark.parametrize(
    ("option", "reason"),
    [
        ("max_packet_size 8000", "bytes, and the server takes 8,000 at most"),
        ("message_size_limit 8000", ENDS_THE_CONNECTION.text),
    ],
)
async def test_an_entry_that_is_too_large_for_the_server_is_passed_over_and_said(
    tmp_path: Path, option: str, reason: str
) -> None:
    """Where the server says so beforehand, nothing is sent. This one ends the connection otherwise, or our library
    does at an answer that the standard has not."""
    long = because(ReasonCode.NO_ANSWER, "no answer " * 200)
    large = kept_record(2, "TK-2", 1, tov=bad(long))
    assert len(history_json(large)) > 8_000 > len(history_json(kept_record(1)))
    outbox = MemoryOutbox([kept_record(1), large, kept_record(3, sequence=2, previous=1)])
    with Mosquitto(tmp_path, options=("allow_anonymous true", option)) as server, capture_logs() as logs:
        delivery = delivery_of(outbox, server.port, protocol="5")
        async with running(delivery), Subscriber(server.port, "tanks/harbour/TK-1/history") as reader:
            await until(lambda: is_drained(outbox))
            assert (await reader.next()).content["identity"]["sequence"] in (1, 2)
    assert counts(delivery) == (2, 1, 0)
    (refusal,) = [entry for entry in logs if entry["event"] == "delivery.history_refused"]
    assert refusal["topic"] == "tanks/harbour/TK-2/history"
    assert reason in refusal["reason"]


async def test_a_number_that_json_cannot_carry_is_lost_counted_and_the_rest_goes_on(server: Mosquitto) -> None:
    broken = kept_record(1, tov=Figure(math.nan, Quality.GOOD, (), 0.0))
    outbox = MemoryOutbox([broken, kept_record(2, sequence=2)])
    delivery = delivery_of(outbox, server.port)
    async with running(delivery):
        await until(lambda: is_drained(outbox))
    assert counts(delivery) == (1, 1, 0)


@pytest.mark.parametrize("connected", [True, False])
async def test_an_outbox_that_cannot_be_read_is_told_and_live_goes_on(server: Mosquitto, connected: bool) -> None:
    class Broken(MemoryOutbox):
        faults = 3

        async def take(self, at_most: int) -> Sequence[Entry]:
            if self.faults:
                self.faults -= 1
                raise OSError("disk")
            return await super().take(at_most)

    outbox = Broken([kept_record(1)])
    delivery = delivery_of(outbox, server.port)
    with capture_logs() as logs:
        async with running(delivery):
            delivery.offer(record("TK-1", 1))
            await until(lambda: delivery.status().delivered == 1)
            await until(lambda: is_drained(outbox))
    assert [entry["event"] for entry in logs].count("delivery.history_unread") == 1, "once, not each time"


async def test_a_stop_drains_no_backlog_and_says_what_waits(server: Mosquitto) -> None:
    outbox = MemoryOutbox(streams(TANKS, 3_400))
    delivery = delivery_of(outbox, server.port)
    async with Subscriber(server.port, "tanks/harbour/gateway/status") as subscriber:
        async with running(delivery):
            await until(lambda: len(outbox.arrived) > 200)
            delivery.finish([record("TK-1", 1)])
        offline = (await subscriber.state("offline")).content
    assert offline["cause"] == "stopped"
    waiting = outbox.backlog().waiting
    assert waiting > 1_000
    assert offline["destinations"][0]["history"]["waiting"] == waiting
    assert not outbox.ready() or len(await outbox.take(1)) == 1
    assert (delivery.status().delivered, delivery.status().waiting) == (1, 0)


async def test_who_comes_next_goes_on_where_this_one_left_off(server: Mosquitto) -> None:
    """A reload, or a mistake in the program: the outbox is the same."""
    entries = streams(TANKS, 300)
    outbox = MemoryOutbox(entries)
    counter = Counter()
    async with persistent(server.port) as historian:
        for part in (200, 500, 900):
            delivery = delivery_of(outbox, server.port)
            async with running(delivery):
                await counter.count_until(historian, reached(outbox, part))
        await counter.count_until(historian, lambda: counter.complete(entries))
    counter.assert_each_in_order(entries)
    # All that was acknowledged before each goodbye was counted: nothing came twice.
    assert counter.messages == 900


async def test_what_mqtt_5_tells_beside_a_message(server: Mosquitto) -> None:
    """By mosquitto_sub's own words for user properties (%P) and message expiry (%E)."""
    outbox = MemoryOutbox([kept_record(1, "TK-1", 7), kept_event(2, sequence=3)])
    delivery = delivery_of(outbox, server.port, protocol="5")
    process = await asyncio.create_subprocess_exec(
        *("mosquitto_sub", "-V", "5", "-h", "127.0.0.1", "-p", str(server.port), "-t", "tanks/harbour/#", "-q", "1"),
        *("-F", "%t|%P|%E|%r", "-C", "5"),
        stdout=asyncio.subprocess.PIPE,
    )
    await until(lambda: "Received SUBSCRIBE" in server.log())
    async with running(delivery):
        delivery.offer(record("TK-2", 4))
        told, _ = await asyncio.wait_for(process.communicate(), 20.0)
    lines = {
        line.split("|")[0].removeprefix("tanks/harbour/"): line.split("|")[1:] for line in told.decode().split("\n")
    }
    assert lines["TK-1/history"][0] == f"schema:tank-gateway/history/1 boot:{BOOT} sequence:7"
    assert lines["gateway/events"][0] == f"schema:tank-gateway/event/1 boot:{BOOT} sequence:3"
    assert lines["TK-2/inventory"][0] == f"schema:tank-gateway/inventory/1 boot:{BOOT} sequence:4"
    assert lines["gateway/status"][0] == f"schema:tank-gateway/gateway-status/1 boot:{BOOT}"
    # Seven days in seconds, of which the server has used up a moment; what is retained never expires.
    assert 604_790 <= int(lines["TK-1/history"][1]) <= 604_800
    assert 604_790 <= int(lines["gateway/events"][1]) <= 604_800
    assert lines["TK-2/inventory"][1] == lines["gateway/status"][1] == ""


def counts(delivery: MqttDelivery) -> tuple[int, int, int]:
    """Of history: delivered, lost, waiting."""
    history = delivery.status().history
    assert history is not None
    return history.delivered, history.lost, history.waiting


def topics(server: Mosquitto) -> list[str]:
    """In the order in which the server got something on them."""
    return re.findall(r"Received PUBLISH from tanks\w+ \(.*'(tanks/harbour/[^']+)'", server.log())


class Counter:
    """What one reader has got of history, over all its sessions."""

    def __init__(self) -> None:
        self.messages = 0
        self._first: dict[str, list[int]] = {}
        """By tank: sequences in the order in which they came first."""
        self._known: dict[str, set[int]] = {}

    async def count_until(self, subscriber: Subscriber, done: Callable[[], bool]) -> None:
        while not done():
            try:
                async with asyncio.timeout(0.1):
                    message = await subscriber.unchecked()
            except TimeoutError:
                continue
            identity = orjson.loads(message.payload)["identity"]
            known = self._known.setdefault(identity["tank"], set())
            self.messages += 1
            if identity["sequence"] not in known:
                known.add(identity["sequence"])
                self._first.setdefault(identity["tank"], []).append(identity["sequence"])

    def complete(self, entries: Sequence[Entry]) -> bool:
        return sum(map(len, self._known.values())) >= len(entries)

    def assert_each_in_order(self, entries: Sequence[Entry]) -> None:
        wanted: dict[str, list[int]] = {}
        for entry in entries:
            assert isinstance(entry, KeptRecord)
            wanted.setdefault(entry.record.identity.tank, []).append(entry.record.identity.sequence)
        assert self._first == wanted
