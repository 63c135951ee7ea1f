"""Against a real server, seen by an outside subscriber; every message is held against its schema on arrival."""

import asyncio
import math
import random
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from gateway.delivery.mqtt.delivery import MqttDelivery
from gateway.records import Figure, Quality
from gateway.status import Trouble
from tests.support.deliveries import make_delivery, plan_for, running, until
from tests.support.mosquitto import Mosquitto, free_port
from tests.support.mqtt_subscriber import Subscriber
from tests.support.records import BOOT, bad, record, snapshot

both_protocols = pytest.mark.parametrize("protocol", ["3.1.1", "5"])


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as mosquitto:
        yield mosquitto


@both_protocols
async def test_the_newest_inventory_is_retained(server: Mosquitto, protocol: str) -> None:
    delivery = make_delivery(server.port, protocol=protocol)
    async with running(delivery):
        delivery.offer(record("TK-1", 1))
        delivery.offer(record("TK-2", 1, gsv=bad()))
        await until(lambda: delivery.status().delivered == 2)
        delivery.offer(record("TK-1", 2))
        await until(lambda: delivery.status().delivered == 3)
        async with Subscriber(server.port) as subscriber:
            message = await subscriber.inventory("TK-1", 2)
            assert message.retained
            assert message.topic == "tanks/harbour/TK-1/inventory"
            assert message.content["figures"]["level"]["value"] == 9.412
        async with Subscriber(server.port, "tanks/harbour/TK-2/inventory") as subscriber:
            figure = (await subscriber.next()).content["figures"]["gsv"]
            assert (figure["quality"], figure["value"]) == ("Bad", None)
        status = delivery.status()
        assert (status.connected, status.lost, status.waiting, status.oldest_waiting_s) == (True, 0, 0, None)
        assert status.destination == f"mqtt:127.0.0.1:{server.port}"
    assert not delivery.status().connected


@both_protocols
async def test_online_at_connect_and_offline_at_a_clean_stop(server: Mosquitto, protocol: str) -> None:
    async with Subscriber(server.port, "tanks/harbour/gateway/status") as subscriber:
        async with running(make_delivery(server.port, protocol=protocol)):
            assert (await subscriber.next()).content["state"] == "online"
        offline = (await subscriber.next()).content
        assert (offline["state"], offline["cause"]) == ("offline", "stopped")
    async with Subscriber(server.port, "tanks/harbour/gateway/status") as subscriber:
        retained = await subscriber.next()
        assert retained.retained
        assert retained.content["cause"] == "stopped"
    assert "Client tanks" in server.log()
    assert "disconnected." in server.log(), "the server must have seen a DISCONNECT"


async def test_status_is_told_again_every_period(server: Mosquitto) -> None:
    async with (
        running(make_delivery(server.port, status_period_s=0.05)),
        Subscriber(server.port, "tanks/harbour/gateway/status") as subscriber,
    ):
        for _ in range(4):
            assert (await subscriber.next()).content["state"] == "online"


async def test_the_last_will_says_offline_when_the_process_is_killed(server: Mosquitto) -> None:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.support.deliveries", str(server.port), cwd=Path(__file__).parents[2]
    )
    try:
        async with Subscriber(server.port) as subscriber:
            await subscriber.state("online")
            await subscriber.inventory("TK-1", 1)
            process.kill()
            offline = (await subscriber.state("offline")).content
            assert offline["cause"] == "connection_lost"
            assert offline["boot"] == BOOT
        async with Subscriber(server.port) as subscriber:
            assert (await subscriber.state("offline")).retained
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()


@both_protocols
async def test_a_restart_of_the_server_loses_only_what_was_superseded_and_counts_it(
    server: Mosquitto, protocol: str
) -> None:
    delivery = make_delivery(server.port, protocol=protocol)
    with capture_logs() as logs:
        async with running(delivery):
            for tank in ("TK-1", "TK-2", "TK-3"):
                delivery.offer(record(tank, 1))
            await until(lambda: delivery.status().delivered == 3)
            server.kill()
            await until(lambda: not delivery.status().connected)
            for sequence in range(2, 12):
                delivery.offer(record("TK-1", sequence))
            delivery.offer(record("TK-2", 2))
            status = delivery.status()
            assert (status.delivered, status.lost, status.waiting) == (3, 9, 2)
            server.start()
            async with Subscriber(server.port) as subscriber:
                await subscriber.state("online")
                await subscriber.inventory("TK-1", 11)
            async with Subscriber(server.port) as subscriber:
                await subscriber.inventory("TK-2", 2)
            async with Subscriber(server.port) as subscriber:
                # The server forgot what it retained, so even what had been delivered is told again.
                await subscriber.inventory("TK-3", 1)
            await until(lambda: delivery.status().waiting == 0)
            status = delivery.status()
            assert (status.delivered, status.lost) == (5, 9)
    events = [entry["event"] for entry in logs]
    assert events.count("delivery.mqtt_lost") == 1
    assert next(entry for entry in logs if entry["event"] == "delivery.mqtt_lost")["reason"] in (
        "server closed the connection",
        "Connection reset by peer",
    )
    assert events.count("delivery.mqtt_connected") == 2
    again = [entry for entry in logs if entry["event"] == "delivery.mqtt_connected"][1]
    assert (again["lost"], again["lost_meanwhile"], again["waiting"]) == (9, 9, 2)
    assert again["log_level"] == "warning", "a reader of warnings must hear of records that are lost"


async def test_a_server_that_is_absent_at_start_is_waited_for(tmp_path: Path) -> None:
    port = free_port()
    delivery = make_delivery(port)
    with capture_logs() as logs:
        async with running(delivery):
            delivery.offer(record("TK-1", 1))
            await until(lambda: logs)
            with Mosquitto(tmp_path, port=port):
                async with Subscriber(port) as subscriber:
                    await subscriber.inventory("TK-1", 1)
                await until(lambda: delivery.status().delivered == 1)
    assert delivery.status().lost == 0
    failure = logs[0]
    assert failure["event"] == "delivery.mqtt_not_connected"
    assert failure["reason"] == "Connection refused"
    assert failure["server"] == f"127.0.0.1:{port}"
    assert sum(entry["event"] == "delivery.mqtt_not_connected" for entry in logs) <= 2, "logs changes, not attempts"


@both_protocols
async def test_a_frozen_server_never_blocks_an_offer_and_memory_stays_bounded(server: Mosquitto, protocol: str) -> None:
    delivery = make_delivery(server.port, protocol=protocol, window=5, timeout_s=0.4)
    tanks = [f"TK-{number}" for number in range(8)]
    with capture_logs() as logs:
        async with running(delivery):
            await until(lambda: delivery.status().connected)
            server.freeze()
            offered = 0
            sequence = 0
            while not any(entry["event"] == "delivery.mqtt_not_connected" for entry in logs):
                sequence += 1
                for tank in tanks:
                    delivery.offer(record(tank, sequence))
                    offered += 1
                status = delivery.status()
                assert status.waiting <= len(tanks) + 5
                assert status.delivered + status.lost + status.waiting == offered
                await asyncio.sleep(0.01)
            assert not delivery.status().connected
            server.thaw()
            async with Subscriber(server.port) as subscriber:
                await subscriber.inventory("TK-7", sequence)
            await until(lambda: delivery.status().waiting == 0)
            status = delivery.status()
            assert status.delivered + status.lost == offered
    reasons = [entry["reason"] for entry in logs if "reason" in entry]
    assert "no acknowledgement within 0.4 s" in reasons
    assert "server did not answer within 0.4 s" in reasons


async def test_stopping_while_the_server_is_frozen_is_bounded_and_leaves_the_word_to_the_will(
    server: Mosquitto,
) -> None:
    delivery = make_delivery(server.port, timeout_s=0.3)
    with capture_logs() as logs:
        async with running(delivery):
            await until(lambda: delivery.status().connected)
            server.freeze()
    assert logs[-1]["event"] == "delivery.mqtt_goodbye_failed"
    server.thaw()
    async with Subscriber(server.port) as subscriber:
        await subscriber.state("offline")


@pytest.mark.parametrize("moment", range(6))
async def test_cancelled_at_any_moment_of_connecting(server: Mosquitto, moment: int) -> None:
    delivery = make_delivery(server.port)
    task = asyncio.create_task(delivery.run())
    for _ in range(moment):
        await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert not delivery.status().connected


async def test_stopping_while_the_server_does_not_even_accept() -> None:
    """A listener whose queue is full: the dial hangs in its thread, which nothing can stop."""
    with socket.socket() as listener, socket.socket() as filler:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        filler.connect(listener.getsockname())
        delivery = make_delivery(listener.getsockname()[1], timeout_s=3.0)
        delivery.offer(record("TK-1", 1))
        async with running(delivery):
            await asyncio.sleep(0.05)  # the dial has begun by then, or is cancelled before it begins: both must end
        assert asyncio.all_tasks() == {asyncio.current_task()}
    assert delivery.status().waiting == 1


async def test_the_window_keeps_to_the_servers_receive_maximum() -> None:
    """A server of a few lines: MQTT 5 CONNACK with receive maximum 3 (section 3.2.2.3.3), and never a PUBACK."""
    published: list[int] = []
    connects: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                (kind,) = await reader.readexactly(1)
                length = shift = 0
                while True:
                    (byte,) = await reader.readexactly(1)
                    length |= (byte & 0x7F) << shift
                    shift += 7
                    if byte < 0x80:
                        break
                body = await reader.readexactly(length)
                if kind >> 4 == 1:
                    connects.append(body)
                    writer.write(bytes([0x20, 0x06, 0x00, 0x00, 0x03, 0x21, 0x00, 0x03]))
                elif kind >> 4 == 3:
                    published.append(kind)
                else:
                    others.append(kind)
        except asyncio.IncompleteReadError:
            pass
        finally:
            writer.close()

    others: list[int] = []
    listener = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with listener:
        port = listener.sockets[0].getsockname()[1]
        delivery = make_delivery(port, protocol="5", window=20, keepalive_s=1, timeout_s=2.5)
        async with running(delivery):
            for number in range(10):
                delivery.offer(record(f"TK-{number}", 1))
            # The keep-alive ping (1 s) comes after whatever was to be published.
            await until(lambda: 0xC0 in others)
            assert len(published) == 3
            assert delivery.status().waiting == 10
    assert all(kind & 0b0111 == 0b0011 for kind in published), "QoS 1 and retained"
    assert len(connects) == 1


async def test_a_server_that_says_why_it_ends_the_connection_is_quoted() -> None:
    """A server of a few lines: MQTT 5 CONNACK, then DISCONNECT with reason 0x8E (section 3.14.2.1)."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.write(bytes([0x20, 0x03, 0x00, 0x00, 0x00, 0xE0, 0x01, 0x8E]))
        await reader.read()
        writer.close()

    listener = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with listener:
        delivery = make_delivery(listener.sockets[0].getsockname()[1], protocol="5")
        with capture_logs() as logs:
            async with running(delivery):
                await until(lambda: any(entry["event"] == "delivery.mqtt_lost" for entry in logs))
    lost = next(entry for entry in logs if entry["event"] == "delivery.mqtt_lost")
    assert lost["reason"] == "server ended the connection: Session taken over"


async def test_a_record_refused_by_access_rules_is_lost_and_said_once(tmp_path: Path) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic readwrite tanks/harbour/gateway/#\ntopic readwrite tanks/harbour/TK-1/#\n")
    with (
        Mosquitto(tmp_path, options=("allow_anonymous true", f"acl_file {rules}")) as server,
        capture_logs() as logs,
    ):
        delivery = make_delivery(server.port, protocol="5")
        async with running(delivery):
            for sequence in (1, 2):
                delivery.offer(record("TK-1", sequence))
                delivery.offer(record("TK-2", sequence))
                await until(lambda: delivery.status().waiting == 0)
            (trouble,) = delivery.status().troubles
            # It is let write again: with the next record that arrives all is well.
            rules.write_text("topic readwrite tanks/harbour/#\n")
            server.reload()

            def arrives() -> bool:
                delivery.offer(record("TK-2", 3))
                return not delivery.status().troubles

            await until(arrives)
        assert delivery.status().lost >= 2
    assert trouble == Trouble("records_refused", "the records of TK-2 are refused and lost: Not authorized")
    refusals = [entry for entry in logs if entry["event"] == "delivery.record_refused"]
    assert [(entry["subject"], entry["reason"]) for entry in refusals] == [("TK-2", "Not authorized")]


async def test_a_record_that_json_cannot_carry_is_lost_and_the_rest_goes_on(server: Mosquitto) -> None:
    delivery = make_delivery(server.port)
    with capture_logs() as logs:
        async with running(delivery):
            delivery.offer(record("TK-1", 1, tov=Figure(math.nan, Quality.GOOD, (), 0.0)))
            delivery.offer(record("TK-2", 1))
            await until(lambda: delivery.status().delivered == 1)
            assert (delivery.status().lost, delivery.status().waiting) == (1, 0)
    assert [entry["subject"] for entry in logs if entry["event"] == "delivery.record_refused"] == ["TK-1"]


async def test_a_simulated_gateway_says_so_on_every_topic(server: Mosquitto) -> None:
    delivery = MqttDelivery(
        plan_for(server.port), "harbour", BOOT, lambda: snapshot(simulated=True), random=random.Random(1)
    )
    async with running(delivery), Subscriber(server.port) as subscriber:
        assert (await subscriber.state("online")).content["notice"] == "SIMULATED"
        delivery.offer(record("TK-1", 1, simulated=True))
        assert (await subscriber.inventory("TK-1", 1)).content["notice"] == "SIMULATED"


class NoWait(random.Random):
    """Draws the shortest wait each time, and keeps what it was asked for."""

    def __init__(self) -> None:
        super().__init__(1)
        self.asked: list[tuple[float, float]] = []

    def uniform(self, a: float, b: float) -> float:
        self.asked.append((a, b))
        return 0.0


async def test_tries_to_connect_are_spread_and_ever_rarer_up_to_the_longest() -> None:
    drawn = NoWait()
    plan = plan_for(free_port(), backoff_first_s=0.5, backoff_longest_s=10.0)
    async with running(MqttDelivery(plan, "harbour", BOOT, lambda: snapshot(), random=drawn)):
        await until(lambda: len(drawn.asked) >= 7)
    assert drawn.asked[:7] == [(0.0, longest) for longest in (0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0)]


async def test_a_slow_reader_holds_up_nobody_else(server: Mosquitto) -> None:
    """A subscriber that is stopped: the server keeps for it what it can."""
    delivery = make_delivery(server.port)
    async with running(delivery), Subscriber(server.port) as slow, Subscriber(server.port) as quick:
        await slow.state("online")
        slow.freeze()
        for sequence in range(1, 61):
            delivery.offer(record("TK-1", sequence))
            await until(lambda: delivery.status().waiting == 0)
        await quick.inventory("TK-1", 60)
        assert (delivery.status().delivered, delivery.status().lost) == (60, 0)
        slow.thaw()
        await slow.inventory("TK-1", 60)


@both_protocols
async def test_the_server_keeps_no_session_of_ours(server: Mosquitto, protocol: str) -> None:
    """It would gather what others say on our topic while we are away. mosquitto logs c1 for a clean session."""
    for _ in range(2):
        async with running(make_delivery(server.port, protocol=protocol)), Subscriber(server.port) as subscriber:
            await subscriber.state("online")
    number = {"3.1.1": "p2", "5": "p5"}[protocol]
    assert server.log().count(f"as tanks{BOOT[:18]} ({number}, c1, k20)") == 2
    assert ", c0, k" not in server.log()


async def test_a_sign_of_life_beside_the_status_survives_the_last_will(server: Mosquitto) -> None:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.support.deliveries", str(server.port), cwd=Path(__file__).parents[2]
    )
    try:
        async with Subscriber(server.port) as subscriber:
            online = (await subscriber.state("online")).content
            await subscriber.next(lambda message: message.topic == "tanks/harbour/gateway/heartbeat")
            process.kill()
            offline = (await subscriber.state("offline")).content
        assert offline["connected_since"] == online["connected_since"] == offline["time"]
        async with Subscriber(server.port, "tanks/harbour/gateway/heartbeat") as subscriber:
            heartbeat = await subscriber.next()
        assert heartbeat.retained
        assert heartbeat.content["boot"] == BOOT
        assert heartbeat.content["connected_since"] == online["connected_since"]
        # The rule of the front page: 2.5 periods, of 30 s each.
        assert (heartbeat.content["valid_for_s"], online["valid_for_s"], offline["valid_for_s"]) == (75.0, 75.0, None)
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()
