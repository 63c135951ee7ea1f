"""Alarms at a real server, seen by an outside subscriber: each retained under a topic of its own, newest wins."""

import random
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gateway.delivery.mqtt.alarm_topics import AlarmTopics
from gateway.delivery.mqtt.delivery import MqttDelivery
from gateway.status import GatewaySnapshot
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase, AlarmStanding, Priority
from tests.support.deliveries import plan_for, running, until
from tests.support.messages import valid_message
from tests.support.mosquitto import Mosquitto
from tests.support.mqtt_subscriber import Subscriber
from tests.support.records import BOOT, NOON, record, snapshot

both_protocols = pytest.mark.parametrize("protocol", ["3.1.1", "5"])


def alarm(phase: AlarmPhase = AlarmPhase.NORMAL, kind: AlarmKind = AlarmKind.HIGH_HIGH, tank: str = "TK-1") -> AlarmNow:
    name = kind.value if tank else f"{kind}.bus"
    standing = AlarmStanding(name, kind, phase, Priority.NOW, phase is not AlarmPhase.NORMAL, NOON)
    return AlarmNow(tank, standing, "it runs over", "stop the pump", 600.0)


class Site:
    """What a delivery is told of alarms."""

    def __init__(self, port: int, protocol: str) -> None:
        self.alarms = [alarm(), alarm(kind=AlarmKind.MINIMUM), alarm(kind=AlarmKind.LINE_LOST, tank="")]
        self.delivery = MqttDelivery(
            plan_for(port, protocol=protocol, status_period_s=0.2),
            "harbour",
            BOOT,
            self.snapshot,
            random=random.Random(1),
        )
        self.sequence = 0

    def snapshot(self) -> GatewaySnapshot:
        return snapshot()._replace(alarms=tuple(self.alarms), destinations=())

    def becomes(self, *alarms: AlarmNow) -> None:
        self.alarms = list(alarms)
        self.sequence += 1
        event = Event(EventKind.ALARM_RAISED, NOON, "high_high")
        self.delivery.offer(record("TK-1", self.sequence)._replace(events=(event,)))


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as mosquitto:
        yield mosquitto


@both_protocols
async def test_every_alarm_is_told_at_connect_and_on_each_change(server: Mosquitto, protocol: str) -> None:
    site = Site(server.port, protocol)
    async with Subscriber(server.port, "tanks/harbour/+/alarms/+") as subscriber, running(site.delivery):
        seen: dict[str, str] = {}
        while len(seen) < 3:
            message = await subscriber.next()
            seen[message.topic] = message.content["alarm"]["phase"]
        assert seen == {
            "tanks/harbour/TK-1/alarms/high_high": "normal",
            "tanks/harbour/TK-1/alarms/minimum": "normal",
            "tanks/harbour/gateway/alarms/line_lost.bus": "normal",
        }
        site.becomes(alarm(AlarmPhase.UNACKNOWLEDGED), *site.alarms[1:])
        content = (await subscriber.next()).content
        assert (content["tank"], content["alarm"]["phase"]) == ("TK-1", "unacknowledged")
        assert (content["consequence"], content["action"], content["response_s"]) == (
            "it runs over",
            "stop the pump",
            600,
        )
        # One of the gateway itself comes with no record of a tank.
        site.alarms[2] = alarm(AlarmPhase.UNACKNOWLEDGED, AlarmKind.LINE_LOST, "")
        content = (await subscriber.next()).content
        assert (content["tank"], content["alarm"]["name"]) == (None, "line_lost.bus")
    async with Subscriber(server.port, "tanks/harbour/TK-1/alarms/high_high") as late:
        message = await late.next()
        assert (message.retained, message.content["alarm"]["phase"]) == (True, "unacknowledged")


@both_protocols
async def test_an_alarm_that_is_no_more_leaves_nothing_behind(server: Mosquitto, protocol: str) -> None:
    site = Site(server.port, protocol)
    async with Subscriber(server.port, "tanks/harbour/TK-1/alarms/+") as subscriber, running(site.delivery):
        for _ in range(2):
            await subscriber.next()
        site.becomes(*site.alarms[1:])
        message = await subscriber.unchecked()
        assert (message.topic, message.payload) == ("tanks/harbour/TK-1/alarms/high_high", b"")
    async with Subscriber(server.port, "tanks/harbour/TK-1/alarms/+") as late:
        assert (await late.next()).topic.endswith("/minimum")


async def test_a_server_that_forgot_is_told_anew_and_what_came_meanwhile(server: Mosquitto) -> None:
    site = Site(server.port, "5")
    async with running(site.delivery):
        await until(lambda: site.delivery.status().connected)
        server.kill()
        await until(lambda: not site.delivery.status().connected)
        site.becomes(alarm(AlarmPhase.UNACKNOWLEDGED), *site.alarms[1:])
        server.start()
        async with Subscriber(server.port, "tanks/harbour/+/alarms/+") as subscriber:
            seen: dict[str, str] = {}
            while len(seen) < 3:
                message = await subscriber.next()
                seen[message.content["alarm"]["name"]] = message.content["alarm"]["phase"]
        assert seen == {"high_high": "unacknowledged", "minimum": "normal", "line_lost.bus": "normal"}


async def test_an_alarm_that_is_left_out_while_the_server_is_away_leaves_nothing_behind(server: Mosquitto) -> None:
    site = Site(server.port, "5")
    site.alarms[0] = alarm(AlarmPhase.UNACKNOWLEDGED)
    async with Subscriber(server.port, "tanks/harbour/TK-1/alarms/+") as subscriber, running(site.delivery):
        for _ in range(2):
            await subscriber.next()
        server.freeze()
        await until(lambda: not site.delivery.status().connected)
        site.alarms = site.alarms[1:]
        server.thaw()
        message = await subscriber.unchecked()
        while message.payload:
            message = await subscriber.unchecked()
        assert message.topic == "tanks/harbour/TK-1/alarms/high_high"


def test_what_is_no_more_is_said_anew_after_each_connect_and_what_came_back_is_not() -> None:
    seen = snapshot()._replace(alarms=(alarm(), alarm(kind=AlarmKind.MINIMUM)))
    topics = AlarmTopics("tanks/harbour", lambda: seen, 10.0)
    topics.connected()

    def all_said() -> dict[str, bool]:
        return {due.topic.rsplit("/", 1)[1]: bool(due.payload) for due in iter(topics.rest, None)}

    assert all_said() == {"high_high": True, "minimum": True}
    seen = seen._replace(alarms=seen.alarms[1:])
    for _ in range(2):
        topics.connected()
        assert all_said() == {"high_high": False, "minimum": True}
    seen = seen._replace(alarms=(alarm(),))
    topics.connected()
    assert all_said() == {"high_high": True, "minimum": False}


def test_what_the_process_before_has_told_and_is_no_more_is_emptied_with_the_first_connect() -> None:
    before = (("TK-1", "high_high"), ("TK-1", "minimum"), ("TK-9", "minimum"), ("", "line_lost.old"))
    seen = snapshot()._replace(alarms=(alarm(),), alarms_before=before)
    topics = AlarmTopics("tanks/harbour", lambda: seen, 10.0)
    topics.connected()
    said = {due.topic: bool(due.payload) for due in iter(topics.rest, None)}
    assert said == {
        "tanks/harbour/TK-1/alarms/high_high": True,
        "tanks/harbour/TK-1/alarms/minimum": False,
        "tanks/harbour/TK-9/alarms/minimum": False,
        "tanks/harbour/gateway/alarms/line_lost.old": False,
    }


async def test_what_is_wrong_goes_before_a_thousand_records_and_what_is_normal_behind_them(server: Mosquitto) -> None:
    site = Site(server.port, "5")
    site.alarms[0] = alarm(AlarmPhase.UNACKNOWLEDGED)
    for number in range(300):
        site.delivery.offer(record(f"T-{number}", 1))
    async with Subscriber(server.port) as subscriber, running(site.delivery):
        topics: list[str] = []
        while len(topics) < 303:
            topic = (await subscriber.unchecked()).topic
            if "/gateway/status" not in topic and "/heartbeat" not in topic:
                topics.append(topic)
    assert topics[0] == "tanks/harbour/TK-1/alarms/high_high"
    assert [topic for topic in topics[-2:] if "/alarms/" in topic] == topics[-2:]


@both_protocols
async def test_a_folder_of_any_name_has_one_level_of_a_topic(server: Mosquitto, protocol: str) -> None:
    """A destination of files is called by its folder, in which a path may have what MQTT allows in no topic."""
    site = Site(server.port, protocol)
    odd = alarm(kind=AlarmKind.DESTINATION_LOST, tank="")
    named = odd.standing._replace(name="destination_lost.files:/srv/a+b #c 5%/ä\x07")
    site.alarms = [odd._replace(standing=named), alarm()]
    async with Subscriber(server.port, "tanks/harbour/+/alarms/+") as subscriber, running(site.delivery):
        messages = [await subscriber.next() for _ in site.alarms]
    seen = {(message.topic, message.content["alarm"]["name"]) for message in messages}
    assert seen == {
        ("tanks/harbour/gateway/alarms/destination_lost.files:%2Fsrv%2Fa%2Bb%20%23c%205%25%2Fä%07", named.name),
        ("tanks/harbour/TK-1/alarms/high_high", "high_high"),
    }


def drained(topics: AlarmTopics) -> dict[str, dict[str, Any]]:
    """All that is due, by its topic."""
    found = {}
    while (due := topics.urgent() or topics.rest()) is not None:
        found[due.topic] = valid_message(due.payload)
    return found


def test_what_is_told_of_an_alarm_is_told_anew_before_it_holds_no_more() -> None:
    """2.5 times 60 s for one that is not normal, 2.5 times 600 s for one that is; looked at each 10 s."""
    seen = snapshot()._replace(alarms=(alarm(AlarmPhase.ACKNOWLEDGED), alarm(kind=AlarmKind.MINIMUM)))
    topics = AlarmTopics("tanks", lambda: seen, 10.0)
    topics.connected()
    until: dict[str, datetime] = {}
    for seconds in range(0, 3000, 10):
        seen = seen._replace(instant=NOON + timedelta(seconds=seconds))
        topics.look()
        told = drained(topics)
        for topic, message in told.items():
            until[topic] = datetime.fromisoformat(message["valid_until"])
            lasts_s = 150.0 if "high_high" in topic else 1500.0
            assert message["valid_for_s"] == lasts_s
            assert until[topic] == datetime.fromisoformat(message["time"]) + timedelta(seconds=lasts_s)
        assert set(until) == {"tanks/TK-1/alarms/high_high", "tanks/TK-1/alarms/minimum"}
        assert all(end > seen.instant + timedelta(seconds=60) for end in until.values())
    seen = seen._replace(instant=NOON - timedelta(days=1))
    topics.look()
    assert len(drained(topics)) == 2, "a clock that was set back: all holds by the wrong time"


def test_where_the_time_of_a_site_flies_what_is_told_holds_as_much_longer() -> None:
    seen = snapshot()._replace(alarms=(alarm(AlarmPhase.ACKNOWLEDGED),), time_factor=60.0)
    topics = AlarmTopics("tanks", lambda: seen, 10.0)
    topics.connected()
    (message,) = drained(topics).values()
    assert message["valid_for_s"] == 2.5 * 600.0, "it looks each 10 s of the machine's, 600 s of the site's"
