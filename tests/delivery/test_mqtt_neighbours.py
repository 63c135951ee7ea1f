"""Others on our topics and under our name, at a real server: what is said of them, and what is then left alone."""

import asyncio
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import orjson
import pytest
from structlog.testing import capture_logs

from gateway.delivery.mqtt.delivery import MqttDelivery
from gateway.records import Reason, ReasonCode
from tests.support.deliveries import make_delivery, running, until
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_subscriber import Subscriber
from tests.support.records import BOOT, bad, record

both_protocols = pytest.mark.parametrize("protocol", ["3.1.1", "5"])
SECOND = "b" * 32
ASKED = "each takes the connection from the other. Give each client an id of its own"
LIKELY = f"the server ends each connection soon, as if another client used the client id tank-gateway-1 too: {ASKED}"
CERTAIN = f"another client uses the client id tank-gateway-1, says the server: {ASKED}"
NOT_WATCHED = bad(Reason(ReasonCode.NOT_WATCHED, "the gateway was stopped"))


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as mosquitto:
        yield mosquitto


def troubles(delivery: MqttDelivery) -> list[str]:
    return [trouble.code for trouble in delivery.status().troubles]


async def killed_gateway(server: Mosquitto) -> None:
    """A gateway with the boot BOOT that has come and was killed, and whose last will is there."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.support.deliveries", str(server.port), cwd=Path(__file__).parents[2]
    )
    async with Subscriber(server.port) as subscriber:
        await subscriber.inventory("TK-1", 1)
        process.kill()
        await process.wait()
        await subscriber.state("offline")


async def told_by(subscriber: Subscriber, boot: str, **members: Any) -> dict[str, Any]:
    """The first status of that boot with these members."""
    message = await subscriber.next(
        lambda message: (
            message.topic.endswith("/gateway/status")
            and message.content["boot"] == boot
            and all(message.content[name] == value for name, value in members.items())
        )
    )
    return message.content


class TestTheBootBefore:
    @both_protocols
    async def test_killed_it_leaves_unknown_what_it_had_waiting(self, server: Mosquitto, protocol: str) -> None:
        await killed_gateway(server)
        delivery = make_delivery(server.port, boot=SECOND, protocol=protocol)
        async with running(delivery), Subscriber(server.port, "tanks/harbour/gateway/status") as subscriber:
            content = (await subscriber.next(lambda message: message.content["last_boot"] is not None)).content
        assert content["state"] == "online"
        last = content["last_boot"]
        assert (last["boot"], last["cause"], last["waiting"]) == (BOOT, "connection_lost", None)

    async def test_stopped_it_has_said_so(self, server: Mosquitto) -> None:
        async with running(make_delivery(server.port)), Subscriber(server.port) as subscriber:
            await subscriber.state("online")
        async with Subscriber(server.port) as subscriber:
            async with running(make_delivery(server.port, boot=SECOND)):
                await subscriber.next(lambda message: b'"last_boot":{' in message.payload)
            last = (await told_by(subscriber, SECOND, state="offline"))["last_boot"]
        assert (last["boot"], last["cause"], last["waiting"]) == (BOOT, "stopped", 0)

    async def test_where_there_was_none_nothing_is_said_also_after_a_reconnect(self, server: Mosquitto) -> None:
        delivery = make_delivery(server.port, status_period_s=0.05)
        async with running(delivery):
            async with Subscriber(server.port) as subscriber:
                await told_by(subscriber, BOOT, state="online")
                await told_by(subscriber, BOOT, state="online")
            server.kill()
            await until(lambda: not delivery.status().connected)
            server.start()
            async with Subscriber(server.port) as subscriber:
                for _ in range(3):
                    assert (await told_by(subscriber, BOOT))["last_boot"] is None

    async def test_its_last_will_that_comes_late_hides_us_for_a_moment_only(self, server: Mosquitto) -> None:
        """As after a power cut: the server notices late that the old connection is dead. Ours is told anew."""
        old = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.support.deliveries", str(server.port), cwd=Path(__file__).parents[2]
        )
        async with Subscriber(server.port) as subscriber:
            await subscriber.inventory("TK-1", 1)
            # With half a minute between two tellings, ours would come far too late by itself.
            async with running(make_delivery(server.port, boot=SECOND)):
                await told_by(subscriber, SECOND, state="online")
                old.kill()
                await old.wait()
                await told_by(subscriber, BOOT, state="offline")
                await told_by(subscriber, SECOND, state="online")
                async with Subscriber(server.port, "tanks/harbour/gateway/status") as late:
                    assert (await late.next()).content["boot"] == SECOND


class TestTwoGatewaysOfOneSite:
    @both_protocols
    async def test_each_says_so_and_the_one_that_is_stopped_leaves_the_other_alone(
        self, server: Mosquitto, protocol: str
    ) -> None:
        first = make_delivery(server.port, protocol=protocol)
        with capture_logs() as logs:
            async with running(first), Subscriber(server.port) as subscriber:
                first.offer(record("TK-1", 7))
                await subscriber.inventory("TK-1", 7)
                second = make_delivery(server.port, boot=SECOND, protocol=protocol)
                async with running(second):
                    # Neither waits for the other's next period, half a minute away.
                    await until(lambda: troubles(first) == troubles(second) == ["other_gateway"])
                    await told_by(subscriber, BOOT, state="online")
                    second.finish([record("TK-1", 2, level=NOT_WATCHED)])
                await until(lambda: "disconnected." in server.log())
                async with Subscriber(server.port) as late:
                    inventory = await late.next(lambda message: message.topic.endswith("/TK-1/inventory"))
                    assert inventory.content["identity"]["sequence"] == 7
                    assert inventory.content["quality"] == "Good"
                async with Subscriber(server.port, "tanks/harbour/gateway/status") as late:
                    assert (await late.next()).content["state"] == "online"
        warned = {entry["other"]: entry["reason"] for entry in logs if entry["event"] == "delivery.mqtt_other_gateway"}
        assert set(warned) == {BOOT, SECOND}
        assert warned[SECOND].startswith(f"another gateway, boot {SECOND}, is online on the topics tanks/harbour/...")
        assert [entry["other"] for entry in logs if entry["event"] == "delivery.mqtt_left_to_other_gateway"] == [
            BOOT,
            SECOND,
        ], "the first cannot know yet that the second has gone, and leaves as quietly"

    async def test_it_stands_in_the_status(self, server: Mosquitto) -> None:
        async with running(make_delivery(server.port)), Subscriber(server.port) as subscriber:
            await subscriber.state("online")
            async with running(make_delivery(server.port, boot=SECOND)):
                content = (await subscriber.next(lambda message: b'"other_gateway"' in message.payload)).content
        (trouble,) = content["destinations"][0]["troubles"]
        assert trouble["code"] == "other_gateway"

    async def test_one_that_says_goodbye_is_forgotten_at_once(self, server: Mosquitto) -> None:
        """Of another version, which does not know of us: it says offline as it goes."""
        delivery = make_delivery(server.port)
        async with running(delivery):
            await until(lambda: delivery.status().connected)
            async with Subscriber(server.port) as subscriber:
                status = (await subscriber.state("online")).content | {"boot": SECOND}
                await publish(server, orjson.dumps(status))
                await until(lambda: troubles(delivery) == ["other_gateway"])
                gone = status | {"state": "offline", "cause": "stopped", "valid_until": None, "valid_for_s": None}
                await publish(server, orjson.dumps(gone))
                await until(lambda: troubles(delivery) == [])
                # And what it left on our topic is put right.
                await told_by(subscriber, SECOND, state="offline")
                await told_by(subscriber, BOOT, state="online")

    @pytest.mark.parametrize("payload", [b"", b"{}", b"\xff", b"[1]", b'{"schema":"tank-gateway/gateway-status/1"}'])
    async def test_nonsense_on_the_topic_changes_nothing(self, server: Mosquitto, payload: bytes) -> None:
        delivery = make_delivery(server.port)
        async with running(delivery):
            await until(lambda: delivery.status().connected)
            await publish(server, payload)
            delivery.offer(record("TK-1", 1))
            await until(lambda: delivery.status().delivered == 1)
            assert troubles(delivery) == []

    async def test_a_topic_that_we_may_not_read_is_told_once(self, tmp_path: Path) -> None:
        rules = tmp_path / "rules"
        rules.write_text("topic write tanks/harbour/#\n")
        with (
            Mosquitto(tmp_path, options=("allow_anonymous true", f"acl_file {rules}")) as server,
            capture_logs() as logs,
        ):
            delivery = make_delivery(server.port, status_period_s=0.05)
            async with running(delivery):
                await until(lambda: any(entry["event"] == "delivery.mqtt_topic_unread" for entry in logs))
                for sequence in range(1, 20):
                    delivery.offer(record("TK-1", sequence))
                    await until(lambda: delivery.status().waiting == 0)
        (told,) = [entry for entry in logs if entry["event"] == "delivery.mqtt_topic_unread"]
        assert told["topic"] == "tanks/harbour/gateway/status"
        assert told["reason"] == "what this gateway says there does not come back"


class TestTwoClientsWithOneIdentifier:
    @both_protocols
    async def test_it_is_said_in_a_sentence_until_one_of_them_goes(self, server: Mosquitto, protocol: str) -> None:
        def client(boot: str) -> MqttDelivery:
            return make_delivery(
                server.port, boot=boot, protocol=protocol, client_id="tank-gateway-1", status_period_s=0.05
            )

        first, second = client(BOOT), client(SECOND)
        with capture_logs() as logs:
            async with running(first):
                async with running(second):
                    await until(lambda: "client_id_shared" in troubles(first))
                    await until(lambda: "client_id_shared" in troubles(second))
                    # The two go on, and nothing more is said of it.
                    taken = server.log().count("already connected, closing old connection")
                    said = len(logs)
                    await until(lambda: server.log().count("already connected, closing old connection") > taken + 5)
                    noise = [entry["event"] for entry in logs[said:]]
                    assert "delivery.mqtt_lost" not in noise
                    assert "delivery.mqtt_connected" not in noise
                await until(lambda: troubles(first) == [])
                first.offer(record("TK-1", 1))
                await until(lambda: first.status().waiting == 0)
        sentences = [entry["reason"] for entry in logs if entry["event"] == "delivery.mqtt_client_id_shared"]
        # mosquitto 2.0.11 tells it in no protocol; later ones may in MQTT 5.
        assert set(sentences) <= {LIKELY, CERTAIN} if protocol == "5" else {LIKELY}
        assert 2 <= len(sentences) <= 4
        assert [entry["event"] for entry in logs].count("delivery.mqtt_client_id_free") >= 1

    async def test_the_word_of_the_server_is_taken(self) -> None:
        """A server of a few lines: MQTT 5 CONNACK, then DISCONNECT with reason 0x8E (section 3.14.2.1)."""

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await reader.read(1)
            writer.write(bytes([0x20, 0x03, 0x00, 0x00, 0x00, 0xE0, 0x01, 0x8E]))
            await reader.read()
            writer.close()

        listener = await asyncio.start_server(serve, "127.0.0.1", 0)
        async with listener:
            port = listener.sockets[0].getsockname()[1]
            delivery = make_delivery(port, protocol="5", client_id="tank-gateway-1")
            async with running(delivery):
                await until(lambda: delivery.status().troubles)
                (trouble,) = delivery.status().troubles
        assert (trouble.code, trouble.text) == ("client_id_shared", CERTAIN)

    async def test_an_identifier_that_nobody_else_can_have_is_not_blamed(self) -> None:
        """A server that accepts each connection and ends it, for a reason of its own."""

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            served.append(await reader.read(1))
            writer.write(bytes([0x20, 0x02, 0x00, 0x00]))
            await writer.drain()
            writer.close()

        served: list[bytes] = []
        listener = await asyncio.start_server(serve, "127.0.0.1", 0)
        async with listener:
            delivery = make_delivery(listener.sockets[0].getsockname()[1])
            async with running(delivery):
                await until(lambda: len(served) > 6)
                assert troubles(delivery) == []


async def publish(server: Mosquitto, payload: bytes) -> None:
    """As any client may, on the gateway's own topic."""
    arguments = ("-h", "127.0.0.1", "-p", str(server.port), "-q", "1", "-t", "tanks/harbour/gateway/status")
    content = "-s" if payload else "-n"
    process = await asyncio.create_subprocess_exec("mosquitto_pub", *arguments, content, stdin=asyncio.subprocess.PIPE)
    await process.communicate(payload)
    assert process.returncode == 0
