"""What a clean stop leaves at a real server: of every tank that nobody watches it, and last of all `offline`."""

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from gateway.delivery.mqtt import goodbye
from gateway.records import Reason, ReasonCode
from gateway.tank_record import TankRecord
from tests.support.deliveries import make_delivery, running, until
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_subscriber import Subscriber
from tests.support.records import bad, record

TANKS = [f"TK-{number}" for number in range(60)]


def last(tank: str, sequence: int) -> TankRecord:
    return record(tank, sequence, level=bad(Reason(ReasonCode.NOT_WATCHED, "the gateway was stopped")))


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as mosquitto:
        yield mosquitto


def received(server: Mosquitto) -> list[str]:
    """Topics in the order in which the server got something on them."""
    return re.findall(r"Received PUBLISH from tanks\w+ \(.*'(tanks/harbour/[^']+)'", server.log())


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
@pytest.mark.parametrize("window", [1, 20])
async def test_every_tank_is_told_once_more_and_offline_when_all_are_there(
    server: Mosquitto, protocol: str, window: int
) -> None:
    delivery = make_delivery(server.port, protocol=protocol, window=window)
    async with running(delivery):
        for tank in TANKS:
            delivery.offer(record(tank, 1))
        await until(lambda: delivery.status().waiting == 0)
        delivery.finish([last(tank, 2) for tank in TANKS])
    status = delivery.status()
    assert (status.delivered, status.lost, status.waiting) == (120, 0, 0)
    # The server reads it after we have gone.
    await until(lambda: "Received DISCONNECT from tanks" in server.log())
    topics = received(server)
    assert topics[-1] == "tanks/harbour/gateway/status"
    assert set(topics[-61:-1]) == {f"tanks/harbour/{tank}/inventory" for tank in TANKS}
    log = server.log()
    assert log.rindex("Received DISCONNECT from tanks") > log.rindex("Received PUBLISH from tanks")
    for tank in (TANKS[0], TANKS[-1]):
        async with Subscriber(server.port, f"tanks/harbour/{tank}/inventory") as subscriber:
            message = await subscriber.next()
            assert message.retained
            assert message.content["identity"]["sequence"] == 2
            assert message.content["figures"]["level"]["reason"]["code"] == "not_watched"
    async with Subscriber(server.port, "tanks/harbour/gateway/status") as subscriber:
        content = (await subscriber.next()).content
        assert (content["state"], content["cause"]) == ("offline", "stopped")


async def test_what_still_waited_gives_way_and_is_counted(server: Mosquitto) -> None:
    delivery = make_delivery(server.port)
    async with running(delivery):
        await until(lambda: delivery.status().connected)
        delivery.finish([last("TK-1", 3)])
        # Offered in the very moment of the stop: the delivery has not come to it yet.
        delivery.offer(record("TK-1", 2))
    status = delivery.status()
    assert (status.delivered, status.lost, status.waiting) == (1, 1, 0)


async def test_a_stop_without_a_connection_says_nothing_and_ends(tmp_path: Path) -> None:
    delivery = make_delivery(1)
    async with running(delivery):
        delivery.finish([last("TK-1", 1)])
    assert delivery.status().delivered == 0


async def test_a_server_that_is_gone_in_the_middle_leaves_the_word_to_the_last_will(server: Mosquitto) -> None:
    delivery = make_delivery(server.port, window=1)

    async def kill_in_the_middle() -> None:
        await until(lambda: delivery.status().waiting == len(TANKS))
        server.kill()

    with capture_logs() as logs:
        async with asyncio.TaskGroup() as group, running(delivery):
            await until(lambda: delivery.status().connected)
            server.freeze()
            group.create_task(kill_in_the_middle())
            delivery.finish([last(tank, 1) for tank in TANKS])
    failed = [entry["reason"] for entry in logs if entry["event"] == "delivery.mqtt_goodbye_failed"]
    assert failed == ["server closed the connection"]


async def test_a_server_that_takes_ever_so_long_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A server of a few lines that acknowledges each message, and so slowly that there is no end to it."""
    monkeypatch.setattr(goodbye, "_GOODBYE_S", 0.5)
    ended: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"connection_lost")
        writer.write(bytes([0x20, 0x02, 0x00, 0x00]))
        number = 0
        try:
            while piece := await reader.read(65_536):
                ended.append(piece[-2:])
                await asyncio.sleep(0.02)
                number += 1
                writer.write(bytes([0x40, 0x02, number >> 8, number & 0xFF]))
        except ConnectionError:
            pass
        finally:
            writer.close()

    listener = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with listener:
        delivery = make_delivery(listener.sockets[0].getsockname()[1], window=1)
        with capture_logs() as logs:
            async with running(delivery):
                await until(lambda: delivery.status().connected)
                delivery.finish([last(f"TK-{number}", 1) for number in range(1_000)])
    failed = [entry["reason"] for entry in logs if entry["event"] == "delivery.mqtt_goodbye_failed"]
    assert failed == ["not all was told within 0.5 s"]
    assert ended[-1] != b"\xe0\x00", "no DISCONNECT: the last will is to speak"
