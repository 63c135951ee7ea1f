"""The OPC UA server as a client sees it that is not ours: node-opcua, by npm."""

import asyncio
import gc
import os
import re
import shlex
import signal
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import pytest_asyncio

from gateway.delivery.opcua.child import Child
from gateway.records import Figure, Quality, Reason, ReasonCode, because
from gateway.states import LimitState
from gateway.status import AccountsStatus, GatewaySnapshot, OpenTransfer
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmKind, AlarmNow, AlarmPhase, AlarmStanding, Motion, Priority, TankState
from tests.support.opcua_peer import Peer, peer
from tests.support.opcua_yard import Yard, good, node, plan_for, processes, sheet, yard
from tests.support.records import bad

_LEVEL, _GSV = node("TK-1/level"), node("TK-1/gsv")


ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.asyncio(loop_scope="module")


class Served(NamedTuple):
    """One server and one client for the tests of this file, each with tanks and connections of its own."""

    yard: Yard
    peer: Peer


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def served(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Served]:
    async with yard(plan_for(tmp_path_factory.mktemp("opcua"))) as made, peer() as client:
        made.state = made.state._replace(tanks=tuple(f"TK-{number}" for number in range(1, 9)))
        await client.ask("connect", url=made.url)
        await shown(client, node("TK-8/level"), (None, "BadWaitingForInitialData"))
        yield Served(made, client)


async def shown(client: Peer, where: str, what: tuple[object, str]) -> None:
    """Until it is."""
    async with asyncio.timeout(20):
        while await values(client, where) != [what]:  # noqa: ASYNC110 (nothing tells)
            await asyncio.sleep(0.1)


async def values(client: Peer, *nodes: str) -> list[tuple[object, str]]:
    return await values_of(client, "it", *nodes)


async def values_of(client: Peer, connection: str, *nodes: str) -> list[tuple[object, str]]:
    found = await client.ask("read", connection, nodes=[*nodes])
    return [(each["value"], each["status"]) for each in found["values"]]


async def test_a_stranger_reads_values_with_status_and_time(served: Served) -> None:
    made, client = served
    assert await values(client, node("TK-1/level")) == [(None, "BadWaitingForInitialData")]
    doubt = Figure(812.5, Quality.UNCERTAIN, (Reason(ReasonCode.LAST_GOOD_USED, "the last good one"),), 0.0)
    by_hand = Figure(840.0, Quality.GOOD, (), 0.0, manual=True)
    broken = bad(Reason(ReasonCode.SENTINEL, "the gauge says that it has failed"))
    told = sheet("TK-1", 1, level=good(9.412), gsv=doubt, reference_density=by_hand, water_level=broken)
    made.made.offer(told)
    await made.told()
    found = await client.ask(
        "read",
        nodes=[
            node("TK-1/level"),
            node("TK-1/gsv"),
            node("TK-1/reference_density"),
            node("TK-1/water_level"),
            node("TK-1/second_level"),
        ],
    )
    assert [(each["value"], each["status"]) for each in found["values"]] == [
        (9.412, "Good"),
        (812.5, "UncertainLastUsableValue"),
        (840.0, "GoodLocalOverride"),
        # Bad carries no value, whatever was there before.
        (None, "BadSensorFailure"),
        # Good, and there is nothing to be told: never a zero.
        (None, "GoodNoData"),
    ]
    times = {datetime.fromisoformat(each["time"]) for each in found["values"]}
    # The clock of that client has milliseconds.
    assert [abs(each - told.inventory.instant) < timedelta(milliseconds=1) for each in times] == [True]
    assert await values(client, node("TK-1/quality"), node("TK-1/simulated"), node("TK-1/product")) == [
        ("Bad", "Good"),
        (False, "Good"),
        ("gasoline", "Good"),
    ]
    # Range and unit of an analogue item, by UNECE Recommendation 20: MTR, 0x4D5452.
    assert await values(client, node("TK-1/level/unit")) == [
        (
            {
                "unitId": 5067858,
                "namespaceUri": "http://www.opcfoundation.org/UA/units/un/cefact",
                "name": "m",
            },
            "Good",
        )
    ]
    assert (await values(client, node("TK-1/level/range")))[0] == ({"low": 0.0, "high": 50.0}, "Good")
    browsed = await client.ask("browse", node=node("TK-1"))
    kinds = {name: kind for _, name, kind in browsed["references"]}
    assert kinds["2:level"] == "ns=0;i=2368", "AnalogItemType"
    cautions = await values(client, node("tanks/cautions"))
    assert "Not for control" in str(cautions[0][0])
    assert "Not for custody transfer" in str(cautions[0][0])


async def test_the_program_of_the_guide_reads_as_it_says(served: Served, tmp_path: Path) -> None:
    """deploy/opcua.md, word for word, at another port."""
    text = (ROOT / "deploy" / "opcua.md").read_text("utf-8")
    (program,) = re.findall(r"```js\n(.*?)```", text, re.DOTALL)
    (command,) = re.findall(r"```sh\nnode (.*?)\n```", text)
    (tmp_path / "read.js").write_text(program)
    script, _, *nodes = shlex.split(command.replace("TK-101", "TK-1"))
    told = sheet("TK-1", 9, level=good(4.25))
    served.yard.made.offer(told)
    await shown(served.peer, node("TK-1/level"), (4.25, "Good"))
    process = await asyncio.create_subprocess_exec(
        "node",
        str(tmp_path / script),
        served.yard.url,
        *nodes,
        stdout=asyncio.subprocess.PIPE,
        env={**os.environ, "NODE_PATH": str(ROOT / ".venv" / "node" / "node_modules")},
    )
    out, _ = await process.communicate()
    lines = [each for each in out.decode().splitlines() if each.startswith("ns=2")]
    at = told.inventory.instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    assert [each.rsplit(" ", 1)[0] for each in lines] == [
        "ns=2;s=TK-1/level 4.25 Good",
        "ns=2;s=TK-1/quality Good Good",
        "ns=2;s=TK-1/simulated false Good",
    ]
    assert abs(datetime.fromisoformat(lines[0].rsplit(" ", 1)[1]) - datetime.fromisoformat(at)) < timedelta(seconds=1)


async def test_what_is_offered_is_delivered_lost_or_waiting(served: Served) -> None:
    made, _ = served
    await made.told()

    def sums() -> int:
        status = made.made.status()
        return status.delivered + status.lost + status.waiting

    before = sums()
    for number in range(50):
        made.made.offer(sheet(f"TK-{number % 8 + 1}", number, level=good(1.0)))
        assert sums() == before + number + 1
    await made.told()
    assert sums() == before + 50
    assert made.made.status().oldest_waiting_s is None


async def test_nothing_can_be_written_or_called(served: Served) -> None:
    made, client = served
    made.made.offer(sheet("TK-2", 1, level=good(9.0)))
    await made.told()
    nodes = [node("TK-2/level"), node("TK-2/level/range"), "ns=0;i=2256", node("nowhere")]
    found = await client.ask("write", nodes=nodes)
    assert found["codes"] == ["BadNotWritable", "BadNotWritable", "BadNotWritable", "BadNodeIdUnknown"]
    for attribute in ("DisplayName", "AccessLevel", "Historizing"):
        found = await client.ask("write", nodes=[node("TK-2/level")], attribute=attribute)
        assert found["codes"] == ["BadNotWritable"]
    assert await values(client, node("TK-2/level")) == [(9.0, "Good")]
    for attribute, most in (("AccessLevel", 1), ("UserAccessLevel", 1), ("WriteMask", 0), ("UserWriteMask", 0)):
        found = await client.ask("read", nodes=[node("TK-2/level"), node("TK-2/gsv")], attribute=attribute)
        assert {each["value"] for each in found["values"]} == {most}
    # GetMonitoredItems of the server object: even what only reads is not called.
    found = await client.ask("call", object="ns=0;i=2253", method="ns=0;i=11492")
    assert found["status"] == "BadUserAccessDenied"


async def test_a_subscription_tells_each_change_and_what_is_stale_is_never_good(served: Served) -> None:
    made, client = served
    made.made.offer(sheet("TK-3", 1, level=good(9.0), gsv=good(800.0)))
    await made.told()
    found = await client.ask("subscribe", nodes=[node("TK-3/level"), node("TK-3/gsv")], interval=50)
    assert found["interval"] == 100, "the shortest that this site gives"
    await client.until(lambda told: told.get("changed") == node("TK-3/level") and told["value"] == 9.0)
    made.made.offer(sheet("TK-3", 2, level=good(9.1), gsv=good(800.0)))
    await client.until(lambda told: told.get("changed") == node("TK-3/level") and told["value"] == 9.1)
    # What holds no more becomes Bad by itself, without a further sheet.
    made.made.offer(sheet("TK-3", 3, valid_for_s=1.0, level=good(9.2), gsv=good(800.0)))
    last = await client.until(
        lambda told: told.get("changed") == node("TK-3/gsv") and told["status"] == "BadNoCommunication"
    )
    assert last["value"] is None
    # One that nobody knows how long it holds is not shown as the present at all.
    made.made.offer(sheet("TK-3", 4, valid_for_s=None, level=good(9.3)))
    await made.told()
    assert await values(client, node("TK-3/level")) == [(None, "BadNoCommunication")]


async def test_what_the_server_takes_late_holds_no_longer_for_that(served: Served) -> None:
    """Its process stands still for longer than the sheet holds that it is told meanwhile."""
    made, client = served
    (process,) = processes()
    await made.told()
    os.kill(process, signal.SIGSTOP)
    try:
        made.made.offer(sheet("TK-5", 1, valid_for_s=1.0, level=good(9.0)))
        await asyncio.sleep(1.5)
    finally:
        os.kill(process, signal.SIGCONT)
    await made.told()
    assert await values(client, node("TK-5/level")) == [(None, "BadNoCommunication")]


async def test_deadbands_hold_from_what_was_told_last_and_never_keep_back_a_status(served: Served) -> None:
    made, client = served
    level = node("TK-4/level")
    made.made.offer(sheet("TK-4", 1, level=good(9.0)))
    await made.told()
    client.came.clear()
    await client.ask("subscribe", nodes=[level], deadband=[1, 0.010])

    async def is_told(*status: str) -> None:
        await client.until(
            lambda _: [each["status"] for each in client.came if each.get("changed") == level] == [*status]
        )

    await is_told("Good")
    # 4 mm each time: no step passes 10 mm, the third is 12 mm from what was told.
    for step, metres in enumerate((9.004, 9.008, 9.012), 2):
        made.made.offer(sheet("TK-4", step, level=good(metres)))
        await made.told()
    await is_told("Good", "Good")
    assert [each["value"] for each in client.came if each.get("changed") == level] == [9.0, 9.012]
    made.made.offer(sheet("TK-4", 5, level=bad()))
    await is_told("Good", "Good", "BadNoCommunication")
    made.made.offer(sheet("TK-4", 6, level=good(9.012)))
    await is_told("Good", "Good", "BadNoCommunication", "Good")
    doubt = Figure(9.0121, Quality.UNCERTAIN, (Reason(ReasonCode.GAUGES_DISAGREE, "they differ"),), 0.0)
    made.made.offer(sheet("TK-4", 7, level=doubt))
    await is_told("Good", "Good", "BadNoCommunication", "Good", "UncertainSensorNotAccurate")


def _is_raised(source: str, told: dict[str, Any]) -> bool:
    return told.get("event") == source and told["fields"]["kind"] == "alarm_raised"


def _to_nobody(_: bytes) -> None:
    """What is written does not arrive."""


def pipe_of() -> Any:
    """To the server that began last."""
    alive = processes()
    found = [each for each in gc.get_objects() if isinstance(each, Child) and each.pid in alive]
    child = max(found, key=lambda each: each.pid)
    return child._process.stdin


async def test_events_tell_limits_and_alarms(served: Served) -> None:
    fields = ["EventType", "SourceName", "Severity", "Message", "2:kind", "2:tank", "2:name", "2:phase", "2:active"]
    made, client = served
    made.made.offer(sheet("TK-5", 1, level=good(9.0)))
    await made.told()
    await client.ask("subscribe", events=["ns=0;i=2253", node("TK-5")], fields=fields)
    over = sheet("TK-5", 2, level=good(12.0))
    state = over.inventory.level_state._replace(
        limit=LimitState.ABOVE_HIGH_HIGH, quality=Quality.GOOD, high_high_m=11.5
    )
    now = datetime.now(UTC)
    why = because(ReasonCode.ABOVE_LIMIT, "level {level:.3f} m is above {limit:.3f} m", level=12.0, limit=11.5)
    standing = AlarmStanding(
        "high_high", AlarmKind.HIGH_HIGH, AlarmPhase.UNACKNOWLEDGED, Priority.NOW, True, now, now, 12.0, why
    )
    raised = Event(EventKind.ALARM_RAISED, now, "high_high", why, standing=standing)
    made.made.offer(over._replace(inventory=over.inventory._replace(level_state=state), events=(raised,)))
    for source in ("ns=0;i=2253", node("TK-5")):
        found = await client.until(partial(_is_raised, source))
        assert found["fields"] == {
            "EventType": "ns=2;s=TankEventType",
            "SourceName": "TK-5",
            "Severity": 900,
            "Message": "TK-5: alarm raised high high: level 12.000 m is above 11.500 m",
            "kind": "alarm_raised",
            "tank": "TK-5",
            "name": "high_high",
            "phase": "unacknowledged",
            "active": True,
        }
    changed = await client.until(lambda told: "event" in told and told["fields"]["kind"] == "limit_changed")
    assert changed["fields"]["Message"] == (
        "TK-5: limit changed: level state unknown -> above_high_high, limit 11.500 m"
    )
    assert await values(client, node("TK-5/limit")) == [("above_high_high", "Good")]


async def test_tanks_come_and_go_and_clients_stay(served: Served) -> None:
    made, client = served
    before = made.state
    for tank in ("TK-7", "TK-8"):
        made.made.offer(sheet(tank, 1, level=good(9.0)))
    await made.told()
    two = node("TK-8/level")
    await client.ask("subscribe", nodes=[node("TK-7/level"), two])
    await client.until(lambda told: told.get("changed") == two)
    made.state = made.state._replace(tanks=("TK-7", "TK-9"))
    # Who subscribed to a tank that goes is told that it is no more.
    await client.until(lambda told: told.get("changed") == two and told["status"] == "BadNodeIdUnknown")
    assert await values(client, two) == [(None, "BadNodeIdUnknown")]
    made.made.offer(sheet("TK-9", 1, level=good(3.0)))
    made.made.offer(sheet("TK-7", 2, level=good(9.1)))
    await client.until(lambda told: told.get("changed") == node("TK-7/level") and told["value"] == 9.1)
    assert await values(client, node("TK-9/level")) == [(3.0, "Good")]
    names = [name for _, name, _ in (await client.ask("browse", node=node("tanks")))["references"]]
    assert [name for name in names if name.startswith("2:TK")] == ["2:TK-7", "2:TK-9"]
    made.state = before
    await shown(client, two, (None, "BadWaitingForInitialData"))
    made.made.offer(sheet("TK-8", 2, level=good(2.0)))
    await made.told()
    assert await values(client, two) == [(2.0, "Good")]


async def test_alarms_and_transfers_are_variables_and_the_gateways_own_alarms_are_events(served: Served) -> None:
    made, client = served
    before, now = made.state, datetime.now(UTC)
    normal = AlarmStanding("high_high", AlarmKind.HIGH_HIGH, AlarmPhase.NORMAL, Priority.NOW, False, now)
    lost = AlarmStanding("line_lost.east", AlarmKind.LINE_LOST, AlarmPhase.NORMAL, Priority.SOON, False, now)
    moved = OpenTransfer(41, "receipt", "running", ("TK-6",), now, "")

    def site(house: AlarmStanding) -> GatewaySnapshot:
        alarms = [AlarmNow(tank, each, "", "", None) for tank, each in (("TK-6", normal), ("", house))]
        return before._replace(alarms=alarms, accounts=AccountsStatus(open=[moved]))

    made.state = site(lost)
    raised = normal._replace(phase=AlarmPhase.UNACKNOWLEDGED, is_active=True)
    minimum = raised._replace(name="minimum", kind=AlarmKind.MINIMUM, priority=Priority.SOON)
    state = TankState(Motion.FILLING, now, good(0.02), good(0.0001), alarms=(raised, minimum))
    made.made.offer(sheet("TK-6", 3, level=good(9.0))._replace(state=state))
    await shown(client, node("TK-6/alarm_high_high"), ("unacknowledged", "Good"))
    await shown(client, node("TK-6/transfer"), (41, "Good"))
    names = ("alarm_minimum", "alarm_level_lost", "alarms", "worst_alarm", "motion", "rate", "transfer_phase")
    assert await values(client, *(node(f"TK-6/{each}") for each in names)) == [
        ("unacknowledged", "Good"),
        # The tank has no such alarm: nothing is said of it, least of all that it is normal.
        (None, "GoodNoData"),
        (2, "Good"),
        ("high_high", "Good"),
        ("filling", "Good"),
        (0.02, "Good"),
        ("running", "Good"),
    ]
    made.made.offer(sheet("TK-6", 4, level=good(9.0))._replace(state=state._replace(alarms=())))
    await shown(client, node("TK-6/alarm_high_high"), ("normal", "Good"))
    await client.ask("subscribe", events=[node("tanks")], fields=["Severity", "Message", "2:kind", "2:tank"])
    made.state = site(lost._replace(phase=AlarmPhase.UNACKNOWLEDGED))
    found = await client.until(lambda told: told.get("event") == node("tanks"))
    assert found["fields"] == {
        "Severity": 600,
        "Message": "gateway: alarm unacknowledged line lost.east",
        "kind": "alarm_unacknowledged",
        "tank": "",
    }
    made.state = before


async def test_a_name_that_is_taken_as_the_port_is_said(served: Served) -> None:
    made, plan = served.yard, served.yard.plan

    other = Yard(plan, None)
    task = asyncio.create_task(other.made.run())
    await made.until(lambda: bool(other.made.status().troubles))
    (trouble,) = other.made.status().troubles
    assert trouble.code == "destination_refuses"
    assert f"cannot serve at 127.0.0.1:{plan.port}" in trouble.text
    task.cancel()
    await asyncio.wait([task])


async def test_where_the_gateway_is_silent_everything_is_bad_and_says_so(served: Served, tmp_path: Path) -> None:
    """A gateway that hangs, and one that is killed: its server is what a client still hears."""
    client = served.peer
    async with yard(plan_for(tmp_path)) as made:
        await client.ask("connect", "silent", url=made.url)
        made.made.offer(sheet("TK-1", 1, level=good(9.0)))
        await made.told()
        await client.ask("subscribe", "silent", nodes=[node("TK-1/level"), node("TK-1/quality")])
        await client.until(lambda told: told.get("value") == 9.0)
        pipe = pipe_of()
        held, pipe.write = pipe.write, _to_nobody
        await client.until(lambda told: told.get("status") == "BadOutOfService")
        assert [each[1] for each in await values_of(client, "silent", node("TK-1/level"), node("TK-1/quality"))] == [
            "BadOutOfService"
        ] * 2
        assert await values_of(client, "silent", "ns=0;i=2259") == [(6, "Good")], "ServerState: CommunicationFault"
        pipe.write = held
        made.made.offer(sheet("TK-1", 2, level=good(9.5)))
        await client.until(lambda told: told.get("value") == 9.5)
        assert await values_of(client, "silent", "ns=0;i=2259") == [(0, "Good")]
        client.came.clear()
        # As where it is killed: its end of the pipe closes without a word.
        pipe.close()
        await client.until(lambda told: told.get("status") == "BadOutOfService")
        await client.until(lambda told: told.get("lost") == "silent")


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "hanging"])
async def test_a_server_that_is_killed_or_hangs_comes_back_with_the_same_nodes(
    served: Served, end: signal.Signals, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.delivery.opcua.delivery._MOST_UNHEARD", 2)
    made, client = served
    it, again = f"before {end.name}", f"after {end.name}"
    made.made.offer(sheet("TK-6", 1, level=good(9.0)))
    await made.told()
    await client.ask("connect", it, url=made.url)
    before = await client.ask("browse", it, node=node("TK-6"))
    (process,) = processes()
    os.kill(process, end)
    # No sheet comes any more: the beats alone tell that it hangs.
    await client.until(lambda told: told.get("lost") == it)
    await made.until(lambda: made.made.status().connected and processes() != [process] and processes() != [])
    await client.ask("connect", again, url=made.url)
    after = await client.ask("browse", again, node=node("TK-6"))
    assert after == {**before, "number": after["number"]}
    found = await client.ask("read", again, nodes=[node("TK-6/level")])
    assert found["values"][0]["value"] == 9.0, "the newest sheet is told to each process"
