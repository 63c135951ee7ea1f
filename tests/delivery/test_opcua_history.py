"""History from the ledger, read over OPC UA by a client that is not ours: a day in pages, over a restart too."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from gateway.clock import SystemClock
from gateway.ledger.ledger import Ledger
from gateway.ledger.plan import LedgerPlan
from gateway.ledger.raw_history import Wanted, page_of
from gateway.ledger.reading_thread import open_to_read
from gateway.records import Figure, Quality, Reason, ReasonCode
from tests.support.opcua_peer import Peer, peer
from tests.support.opcua_yard import Yard, good, node, plan_for
from tests.support.records import BOOT, bad, inventory, record_of

_BEGIN = datetime(2026, 11, 27, 0, 0, tzinfo=UTC)
_APART = timedelta(seconds=60)
_DAY = 1440
_LEVEL, _GSV = node("TK-1/level"), node("TK-1/gsv")
_DOUBT = (Reason(ReasonCode.LAST_GOOD_USED, "the last good one"),)


def level_at(number: int) -> Figure:
    """Every hundredth is Bad, every hundredth but one in doubt."""
    if number % 100 == 0:
        return bad()
    if number % 100 == 1:
        return Figure(5.0 + number / 1000, Quality.UNCERTAIN, _DOUBT, 0.0)
    return good(5.0 + number / 1000)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of each of two tanks each minute."""
    file = tmp_path_factory.mktemp("ledger") / "harbour.ledger"
    ledger = Ledger.open(LedgerPlan(file, every_s=1.0, commit_s=0.05), "harbour", BOOT, SystemClock())
    for number in range(_DAY):
        for tank in ("TK-1", "TK-2"):
            level = level_at(number) if tank == "TK-1" else good(1.0)
            sheet = inventory(tank, instant=_BEGIN + number * _APART, level=level, gsv=good(700.0 + number))
            ledger.offer(record_of("harbour", BOOT, number + 1, sheet, 10.0))
    assert ledger.close(20.0)
    return file


class Told(NamedTuple):
    at: datetime
    value: float | None
    status: str


def expected(first: int, end: int) -> list[Told]:
    words = {Quality.GOOD: "Good", Quality.UNCERTAIN: "UncertainLastUsableValue", Quality.BAD: "BadNoCommunication"}
    found = [(number, level_at(number)) for number in range(first, end)]
    return [Told(_BEGIN + number * _APART, each.value, words[each.quality]) for number, each in found]


def told(result: dict[str, Any]) -> list[Told]:
    return [Told(datetime.fromisoformat(each["time"]), each["value"], each["status"]) for each in result["values"]]


def iso(number: int) -> str:
    return (_BEGIN + number * _APART).isoformat()


async def pages(client: Peer, span: dict[str, Any], *, most: int, point: str | None = None) -> list[dict[str, Any]]:
    """One after the other to the end."""
    found = []
    while True:
        more: dict[str, Any] = {} if point is None else {"points": [point]}
        (result,) = (await client.ask("history", nodes=[_LEVEL], most=most, **span, **more))["results"]
        found.append(result)
        point = result["point"]
        if point is None:
            return found


async def test_a_day_in_pages_and_over_a_restart(tmp_path: Path, day: Path) -> None:
    plan = plan_for(tmp_path)
    made = Yard(plan, day)
    await made.begin()
    async with peer() as client:
        await client.ask("connect", url=made.url)
        await made.until(lambda: bool(made.made.status().clients))
        whole = {"start": iso(0), "end": iso(_DAY)}
        found = await pages(client, whole, most=500)
        assert [len(each["values"]) for each in found] == [500, 500, 440]
        assert [each for result in found for each in told(result)] == expected(0, _DAY)
        # Backwards; and several figures of one tank, each with a point of its own.
        back = await pages(client, {"start": iso(99), "end": iso(49)}, most=20)
        assert [each for result in back for each in told(result)] == expected(50, 100)[::-1]
        both = (await client.ask("history", nodes=[_LEVEL, _GSV], start=iso(10), end=iso(13)))["results"]
        assert [each.value for each in told(both[1])] == [710.0, 711.0, 712.0]
        # Without an end, so many; without a begin, the last so many, newest first.
        (few,) = (await client.ask("history", nodes=[_LEVEL], start=iso(7), most=3))["results"]
        assert (told(few), few["point"]) == (expected(7, 10), None)
        (last,) = (await client.ask("history", nodes=[_LEVEL], end=iso(_DAY + 5), most=2))["results"]
        assert told(last) == expected(_DAY - 2, _DAY)[::-1]
        (none,) = (await client.ask("history", nodes=[_LEVEL], start=iso(-20), end=iso(-10)))["results"]
        assert (none["status"], none["values"]) == ("GoodNoData", [])
        # What is no history, no node, no point, or the point of another.
        nodes = [node("TK-1/quality"), node("TK-7/level"), "ns=0;i=2258"]
        refused = (await client.ask("history", nodes=nodes, **whole))["results"]
        assert [each["status"] for each in refused] == [
            "BadHistoryOperationUnsupported",
            "BadNodeIdUnknown",
            "BadHistoryOperationUnsupported",
        ]
        (first,) = (await client.ask("history", nodes=[_LEVEL], most=100, **whole))["results"]
        point = first["point"]
        for nodes, wrong in (([_LEVEL], "00" + point[2:]), ([_LEVEL], point[:-2]), ([_GSV], point)):
            (result,) = (await client.ask("history", nodes=nodes, points=[wrong], **whole))["results"]
            assert result["status"] == "BadContinuationPointInvalid"
        (flags,) = (await client.ask("read", nodes=[_LEVEL], attribute="Historizing"))["values"]
        (level,) = (await client.ask("read", nodes=[_LEVEL], attribute="AccessLevel"))["values"]
        assert (flags["value"], level["value"]) == (True, 5), "CurrentRead and HistoryRead"
        # Another process, another connection: the point still leads on.
        await made.end()
        await client.until(lambda each: each.get("lost") == "it")
        again = Yard(plan, day)
        await again.begin()
        await client.ask("connect", url=again.url)
        await again.until(lambda: bool(again.made.status().clients))
        rest = await pages(client, whole, most=900, point=point)
        assert [each for result in rest for each in told(result)] == expected(100, _DAY)
        await again.end()


def test_a_page_ends_where_its_time_does_and_the_next_goes_on(day: Path) -> None:
    """However little is done at a time, either way, all of it comes, once, in order."""
    connection = open_to_read(day)
    begin_ns = round(_BEGIN.timestamp()) * 10**9
    minute_ns = 60 * 10**9
    for forward in (True, False):
        wanted = Wanted("TK-1", begin_ns + 5 * minute_ns, begin_ns + 1400 * minute_ns, forward, at_most=70)
        instants, beyond = [], None
        while True:
            page = page_of(connection, wanted._replace(beyond=beyond), lambda: False)
            instants += [each.inventory.instant for each in page.records]
            beyond = page.beyond
            if beyond is None:
                break
        assert instants == sorted(instants, reverse=not forward)
        assert len(instants) == len(set(instants)) == 1395
    assert page_of(connection, Wanted("nowhere", 0, 1 << 62), lambda: True).records == ()
    connection.close()
