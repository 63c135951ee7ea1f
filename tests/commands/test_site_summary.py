"""In front of the table: whether anything is wrong. Nothing that is wrong leaves the sentence that all is well."""

from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.commands.operator.liveness import view_of_message
from gateway.commands.operator.site_summary import client_lines, summary_lines
from gateway.commands.operator.tank_table import view_of
from gateway.payload.reader import inventory_of
from gateway.payload.writer import inventories_json
from gateway.records import Figure, LastGood, LevelState, Quality, Reason, ReasonCode
from gateway.states import LimitState, RoofZone
from gateway.status import Backlog, ConnectedClient, DestinationStatus, GatewaySnapshot, Trouble
from gateway.tank_record import TankRecord
from tests.support.records import NOON, record, snapshot

_WELL = DestinationStatus("mqtt:broker", True, 10, 0, 0, None)
_LIMITS = (0.5, 11.0, 11.5, 12.0)
_LEVELS = {Quality.GOOD: 9.412, Quality.UNCERTAIN: 9.412, Quality.BAD: None}


def _tank(
    name: str, quality: Quality = Quality.GOOD, limit: LimitState = LimitState.NORMAL, roof: RoofZone | None = None
) -> TankRecord:
    reasons = () if quality is Quality.GOOD else (Reason(ReasonCode.STALE, "old"),)
    made = record(name, level=Figure(_LEVELS[quality], quality, reasons, 2.0))
    state = LevelState(limit, roof, quality, *_LIMITS)
    return made._replace(inventory=made.inventory._replace(level_state=state))


def _site(*tanks: TankRecord, **changes: Any) -> GatewaySnapshot:
    names = [tank.inventory.tank for tank in tanks]
    return snapshot(*tanks)._replace(**{"tanks": names, "destinations": (_WELL,)} | changes)


def _said(site: GatewaySnapshot) -> list[str]:
    document = orjson.loads(inventories_json(site))
    return summary_lines([view_of(inventory_of(each)) for each in document["inventories"]], document)


def test_all_is_well() -> None:
    assert _said(_site(_tank("TK-1"))) == ["The only tank is Good, no level is beyond a limit."]
    assert _said(_site(_tank("TK-1"), _tank("TK-2"))) == ["All 2 tanks are Good, no level is beyond a limit."]


def test_tanks_without_limits_are_named_where_none_is_beyond_one() -> None:
    limited = _tank("TK-2")
    state = LevelState(LimitState.NORMAL, None, Quality.GOOD, None, 13.2)
    limited = limited._replace(inventory=limited.inventory._replace(level_state=state))
    unlimited = _tank("TK-1")
    state = LevelState(LimitState.NORMAL, None, Quality.GOOD)
    unlimited = unlimited._replace(inventory=unlimited.inventory._replace(level_state=state))
    said = _said(_site(unlimited, limited))
    assert said == ["All 2 tanks are Good, no level is beyond a limit; without any limit: TK-1."]


def test_each_kind_of_trouble_has_its_line_the_most_pressing_first() -> None:
    over, low = _tank("TK-1", limit=LimitState.ABOVE_HIGH_HIGH), _tank("TK-2", limit=LimitState.BELOW_MINIMUM)
    landed, bad, doubtful = (
        _tank("TK-3", roof=RoofZone.LANDED),
        _tank("TK-4", Quality.BAD),
        _tank("TK-5", Quality.UNCERTAIN),
    )
    site = _site(over, low, landed, bad, doubtful)
    line = site.lines[0]._replace(line="yard", connected=False)
    away = DestinationStatus("mqtt:broker", False, 10, 1, 5, 3.0, (Trouble("other_gateway", "another is online"),))
    site = site._replace(tanks=(*site.tanks, "TK-6"), lines=(line,), destinations=(away,))
    assert _said(site) == [
        "Beyond a limit, or the roof not afloat: TK-1, TK-2, TK-3",
        "Bad: TK-4",
        "Uncertain: TK-5",
        "No figures yet: TK-6",
        "Line not connected: yard",
        "mqtt:broker is not connected: nobody who reads there sees these figures",
        "mqtt:broker: another is online",
        "mqtt:broker: 1 record lost since the gateway's start",
    ]


def test_a_gauge_that_is_lost_above_a_limit_is_told_of_both() -> None:
    lost = _tank("TK-1", Quality.BAD, LimitState.UNKNOWN)
    state = LevelState(LimitState.UNKNOWN, None, Quality.BAD, 0.5, 8.0, 8.5, 9.0)
    last = {"level": LastGood(8.6, NOON.timestamp() - 5.0)}
    lost = lost._replace(inventory=lost.inventory._replace(level_state=state, last_good=last))
    assert _said(_site(lost)) == ["Beyond a limit when the level was last known: TK-1", "Bad: TK-1"]


def test_of_what_is_not_live_nothing_is_said_and_all_is_not_well() -> None:
    """A record holds for 10 s from noon: eleven seconds after that it is not the present, as a line above says."""
    document = orjson.loads(inventories_json(_site(_tank("TK-1"))))
    later = NOON.replace(second=11)
    assert summary_lines([view_of_message(each, later) for each in document["inventories"]], document) == []


def test_of_many_tanks_some_are_named() -> None:
    tanks = [_tank(f"TK-{number}", Quality.BAD) for number in range(11)]
    assert _said(_site(*tanks)) == ["Bad: TK-0, TK-1, TK-2, TK-3, TK-4, TK-5, TK-6, TK-7 and 3 more"]


def test_the_answer_of_an_older_gateway_is_taken() -> None:
    document = orjson.loads(inventories_json(_site(_tank("TK-1"))))
    for member in ("awaited", "lines", "destinations"):
        del document[member]
    views = [view_of(inventory_of(each)) for each in document["inventories"]]
    assert summary_lines(views, document) == ["The only tank is Good, no level is beyond a limit."]


@given(
    st.lists(st.tuples(st.sampled_from(Quality), st.sampled_from(LimitState), st.none() | st.sampled_from(RoofZone))),
    st.booleans(),
    st.booleans(),
)
def test_it_is_well_only_where_everything_is(
    drawn: list[tuple[Quality, LimitState, RoofZone | None]], is_connected: bool, delivers: bool
) -> None:
    tanks = [_tank(f"TK-{number}", *each) for number, each in enumerate(drawn)]
    site = _site(*tanks, destinations=(_WELL._replace(connected=delivers),))
    said = _said(site._replace(lines=(site.lines[0]._replace(connected=is_connected),)))
    wrong = [
        quality is not Quality.GOOD or limit.is_beyond or roof in (RoofZone.LANDED, RoofZone.CRITICAL)
        for quality, limit, roof in drawn
    ]
    is_well = is_connected and delivers and not any(wrong)
    assert (said[0].startswith(("All ", "The only tank ")) and len(said) == 1) is is_well


@pytest.mark.parametrize("limit", LimitState)
def test_a_state_that_is_beyond_a_limit_is_named_for_it(limit: LimitState) -> None:
    assert limit.is_beyond is limit.startswith(("above", "below"))


def test_a_backlog_has_a_line_where_it_is_one() -> None:
    # A host of Sparkplug is given 90 s to be known for dead, and a ping some seconds.
    for oldest_s in (2.5, 100.0):
        usual = _WELL._replace(history=Backlog(40, oldest_s, 900, 0, 259_200.0))
        said = _said(_site(_tank("TK-1"), destinations=(usual,)))
        assert said == ["The only tank is Good, no level is beyond a limit."]
    behind = _WELL._replace(history=Backlog(12_345, 7_200.0, 900, 0, 252_000.0))
    assert _said(_site(_tank("TK-1"), destinations=(behind,))) == [
        "mqtt:broker: 12,345 entries of history wait, the oldest for 2.0 h; there is room for 70.0 h more"
    ]
    one = _WELL._replace(history=Backlog(1, 121.0, 900, 3), lost=1)
    assert _said(_site(_tank("TK-1"), destinations=(one,))) == [
        "mqtt:broker: 1 entry of history waits, the oldest for 2 min",
        "mqtt:broker: 4 records lost since the gateway's start",
    ]


def test_who_reads_is_told_and_is_nothing_that_is_wrong() -> None:
    reader = ConnectedClient("10.0.0.7:50122", NOON, None, "1 write refused")
    site = _site(
        _tank("TK-1"),
        destinations=(
            _WELL._replace(
                clients=(reader, reader._replace(name="panel\x1b", refused="")),
            ),
        ),
    )
    assert _said(site) == ["The only tank is Good, no level is beyond a limit."]
    document = orjson.loads(inventories_json(site))
    assert client_lines(document, ZoneInfo("Europe/Rome")) == [
        "mqtt:broker: 10.0.0.7:50122 is connected since 2026-03-14 13:00 CET (2026-03-14 12:00 UTC); 1 write refused",
        "mqtt:broker: 10.0.0.7:50122, panel?, is connected since 2026-03-14 13:00 CET (2026-03-14 12:00 UTC)",
    ]
    del document["destinations"][0]["clients"]
    assert client_lines(document, UTC) == []
