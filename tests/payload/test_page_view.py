"""The documents of the page: each obeys its schema, and nothing of a Bad figure's value is in any of them."""

import math
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.commands.operator.tank_table import total_lines
from gateway.commands.operator.tank_table import view_of as view_of_inventory
from gateway.display import NO_VALUE, show_value
from gateway.payload.page_view import (
    VIEW_SCHEMA,
    AtWork,
    destination_documents,
    entered_documents,
    line_documents,
    row_document,
    total_documents,
)
from gateway.payload.plain import iso_time
from gateway.records import Figure, Figures, Inventory, LastGood, Quality, Reason, ReasonCode, because
from gateway.status import Backlog, DestinationStatus, EnteredStatus
from gateway.tank_record import TankRecord
from gateway.tank_state import (
    AlarmKind,
    AlarmNow,
    AlarmPhase,
    AlarmStanding,
    LimitTime,
    Motion,
    Priority,
    Stillness,
    TankState,
)
from gateway.totals import holding_of
from tests.support.messages import valid_message
from tests.support.records import BOOT, NOON, bad, inventories, inventory, na, record, record_of, snapshot

_LEAK = 123456.789
_VALUE = 9.412


def view_of(rows: dict[str, Any], **members: Any) -> dict[str, Any]:
    """A whole view, held against its schema."""
    document: dict[str, Any] = {
        "schema": VIEW_SCHEMA,
        "feed": f"{BOOT}:1",
        "time": iso_time(NOON),
        "machine_time": iso_time(NOON),
        "tanks": rows,
        "alarms": [],
        "lines": [],
        "destinations": [],
        "transfers": [],
        "next_day_close": None,
        "entered": [],
        "totals": [],
    }
    return valid_message(orjson.dumps(document | members))


def _state(**given: Any) -> TankState:
    rate = Figure(0.05, Quality.GOOD, (), 0.0)
    return TankState(Motion.FILLING, NOON, rate, rate)._replace(**given)


@settings(max_examples=50)
@given(st.lists(inventories(), max_size=3, unique_by=lambda each: each.tank))
def test_any_site_has_a_view_that_obeys_its_schema(sheets: list[Inventory]) -> None:
    records = [record_of("harbour", BOOT, 1, each, 10.0) for each in sheets]
    rows = {each.identity.tank: row_document(each) for each in records}
    view_of(rows, totals=total_documents(holding_of(each) for each in sheets))


@given(inventories())
def test_a_figure_is_told_as_the_record_has_it(sheet: Inventory) -> None:
    row = row_document(record_of("harbour", BOOT, 1, sheet, 10.0))
    for member, name in (("level", "level"), ("gsv", "gsv"), ("room", "room"), ("water", "water_level")):
        figure: Figure = getattr(sheet.figures, name)
        if figure.quality is Quality.BAD:
            assert row[member]["v"] is None
            assert row[member]["q"] == "Bad"
            assert ("last" in row[member]) == (name in sheet.last_good)
        elif figure.value is None:
            assert (member in row) == (figure.reasons[0].code is ReasonCode.NONE_DETECTED)
        else:
            assert (row[member]["v"], row[member]["q"]) == (figure.value, figure.quality.word)


@pytest.mark.parametrize("quality", list(Quality))
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_json_cannot_carry_is_bad(value: float, quality: Quality) -> None:
    sheet = record(gsv=Figure(value, quality, (Reason(ReasonCode.CALCULATION_FAILED, "odd"),), 0.0))
    row = row_document(sheet)
    assert (row["gsv"]["v"], row["gsv"]["q"]) == (None, "Bad")
    view_of({"TK-1": row}, totals=total_documents([holding_of(sheet.inventory)]))


def test_nothing_of_the_value_of_a_bad_figure_leaks() -> None:
    """Beside every Bad figure of the record stands a value, against the contract; it is found nowhere."""
    reasons = (Reason(ReasonCode.NO_ANSWER, "no answer"),)
    everything = Figures._make(Figure(_LEAK, Quality.BAD, reasons, 3.0) for _ in Figures._fields)
    sheet = record_of("harbour", BOOT, 1, inventory()._replace(figures=everything, quality=Quality.BAD), 10.0)
    state = _state(rate=Figure(_LEAK, Quality.BAD, reasons, 0.0), level_rate=Figure(_LEAK, Quality.BAD, reasons, 0.0))
    row = row_document(sheet._replace(state=state))
    totals = total_documents([holding_of(sheet.inventory)])
    assert str(_LEAK) not in orjson.dumps(view_of({"TK-1": row}, totals=totals)).decode()
    assert [each["value"] for each in totals] == [None, None, None]
    assert [(each["included"], each["of"]) for each in totals] == [(0, 1)] * 3


def test_a_schema_forbids_a_value_beside_bad() -> None:
    row = row_document(record(level=bad()))
    view_of({"TK-1": row})
    row["level"]["v"] = _VALUE
    with pytest.raises(Exception, match="not valid under any of the given schemas"):
        view_of({"TK-1": row})


def test_a_bad_figure_has_its_last_good_value_and_its_time_apart() -> None:
    since = NOON - timedelta(minutes=5)
    sheet = record(level=bad())
    sheet = sheet._replace(inventory=sheet.inventory._replace(last_good={"level": LastGood(_VALUE, since.timestamp())}))
    row = view_of({"TK-1": row_document(sheet)})["tanks"]["TK-1"]
    assert row["level"]["last"] == {"v": _VALUE, "t": iso_time(since)}
    # `bad` is 75 s old.
    assert row["level"]["t"] == iso_time(NOON - timedelta(seconds=75))
    assert row["quality"] == "Bad"
    assert row["reasons"] == [{"code": "no_answer", "text": "gauge did not answer within 1 s"}]


def test_what_is_uncertain_tells_its_reason_and_the_row_why() -> None:
    doubt = Reason(ReasonCode.STALE, "read 70 s ago")
    passed_on = Reason(ReasonCode.INPUT_UNCERTAIN, "rests on the level")
    level = Figure(_VALUE, Quality.UNCERTAIN, (doubt,), 70.0)
    row = row_document(record(level=level, tov=Figure(2394.7, Quality.UNCERTAIN, (passed_on,), 70.0)))
    assert row["level"]["r"]["code"] == "stale"
    assert row["tov"]["r"]["code"] == "input_uncertain"
    assert [each["code"] for each in row["reasons"]] == ["stale"], "the cause alone"


def test_time_is_told_where_it_is_not_that_of_the_row() -> None:
    row = row_document(
        record(
            level=Figure(_VALUE, Quality.GOOD, (), 0.4),
            liquid_temperature=Figure(15.0, Quality.GOOD, (), 2.5),
            tov=Figure(2394.7, Quality.GOOD, (), math.inf),
        )
    )
    assert "t" not in row["level"]
    assert row["temperature"]["t"] == iso_time(NOON - timedelta(seconds=2.5))
    assert row["tov"]["t"] is None
    view_of({"TK-1": row})


def test_what_does_not_apply_is_absent_and_what_is_not_detected_says_so() -> None:
    dry = Figure(None, Quality.GOOD, (Reason(ReasonCode.NONE_DETECTED, "no free water detected"),), 0.0)
    row = row_document(record(water_level=dry, gsv=na()))
    assert row["water"] == {
        "v": None,
        "u": "m",
        "q": "Good",
        "none": "none_detected",
        "r": {"code": "none_detected", "text": "no free water detected"},
    }
    assert "gsv" not in row
    doubted = row_document(record(water_level=dry._replace(quality=Quality.UNCERTAIN)))
    assert (doubted["water"]["q"], doubted["water"]["none"]) == ("Uncertain", "none_detected")
    view_of({"TK-1": row, "TK-2": doubted})


def test_the_mass_of_a_tank_whose_vapour_counts_is_that_of_both() -> None:
    mass, together = Figure(1000.0, Quality.GOOD, (), 0.0), Figure(1010.0, Quality.GOOD, (), 0.0)
    bullet = record(mass=mass, total_mass=together)
    row = row_document(bullet)
    assert (row["mass"]["v"], row["with_vapour"]) == (1010.0, True)
    totals = total_documents([holding_of(bullet.inventory), holding_of(record(mass=mass).inventory)])
    assert [(each["product"], each["value"], each["with_vapour"]) for each in totals] == [
        ("gasoline", 2010.0, True),
        (None, 2010.0, True),
    ]


def test_the_state_of_a_tank_by_hand_and_in_maintenance() -> None:
    times = (
        LimitTime("maximum_working", 14.5, 3600.4, NOON + timedelta(seconds=3600.4)),
        LimitTime("high_high", math.nan, 1.0, NOON),
    )
    sheet = record(level=Figure(_VALUE, Quality.UNCERTAIN, (Reason(ReasonCode.MANUAL, "by hand"),), 0.0, True))
    row = row_document(sheet._replace(state=_state(times=times, activity="thermal")), [AtWork("LT-1", NOON, "ann")])
    view_of({"TK-1": row})
    assert (row["by_hand"], row["motion"], row["activity"]) == (True, "filling", "thermal")
    assert row["maintenance"] == [{"instrument": "LT-1", "until": iso_time(NOON), "by": "ann"}]
    assert [(each["limit"], each["in_s"]) for each in row["times"]] == [("maximum_working", 3600)]
    entered_density = record(reference_density=Figure(840.0, Quality.GOOD, (), 0.0, True))
    assert row_document(entered_density)["by_hand"] is False, "a density is entered as a rule"


def test_a_tag_with_markup_is_a_tag() -> None:
    """JSON leaves it as it is, and nothing here is put into a page."""
    tag = "<img src=x onerror=alert(1)>"
    document = view_of({tag: row_document(record(tag))})
    assert list(document["tanks"]) == [tag]


# What stands beside the rows


def _lost(line: str, *, is_active: bool = True) -> AlarmNow:
    standing = AlarmStanding(
        f"line_lost.{line}", AlarmKind.LINE_LOST, AlarmPhase.ACKNOWLEDGED, Priority.SOON, is_active, NOON, NOON
    )
    return AlarmNow("", standing, "nothing is read", "see to it", 600.0)


@pytest.mark.parametrize(
    ("connected", "alarms", "since"),
    [
        (True, [_lost("east")], None),
        (False, [_lost("east")], iso_time(NOON)),
        (False, [_lost("west")], None),
        (False, [_lost("east", is_active=False)], None),
        (False, [], None),
    ],
)
def test_since_when_a_line_is_lost(connected: bool, alarms: Sequence[AlarmNow], since: str | None) -> None:
    status = snapshot().lines[0]._replace(connected=connected, on_standby=False)
    (told,) = view_of({}, lines=line_documents([status], alarms))["lines"]
    assert told == {"name": "east", "connected": connected, "on_standby": False, "since": since}


def test_what_a_destination_has_lost_and_still_waits_for() -> None:
    live = DestinationStatus("mqtt", True, 40, 2, 1, 0.75)
    kept = DestinationStatus("files", False, 40, 0, 1, 0.75, (), Backlog(12, 61.4, 30, 3, math.inf))
    told = view_of({}, destinations=destination_documents([live, kept]))["destinations"]
    names = ("destination", "connected", "lost", "waiting", "oldest_s", "buffer_left_s")
    assert [[each[name] for name in names] for each in told] == [
        ["mqtt", True, 2, 1, 1, None],
        ["files", False, 3, 12, 61, None],
    ]


def test_what_people_have_entered() -> None:
    entered = [
        EnteredStatus("TK-1", "level", True, "level by hand: 9.412 m", "9.412 m", "anna@page", NOON, True),
        EnteredStatus("TK-1", "product", True, "product: diesel"),
    ]
    first, second = view_of({}, entered=entered_documents(entered))["entered"]
    assert first == {
        "about": "TK-1",
        "quantity": "level",
        "used": True,
        "text": "level by hand: 9.412 m",
        "value": "9.412 m",
        "by": "anna@page",
        "ends": iso_time(NOON),
        "stands_in": True,
    }
    assert (second["value"], second["by"], second["ends"], second["stands_in"]) == (None, None, None, False)


def test_a_quiet_tank_says_how_far_it_is_from_what_it_is_compared_with() -> None:
    told = _row(record("TK-1"), Stillness(-0.4, 1.27, True, NOON))
    assert told["still"] == {"change": -0.4, "band": 1.27, "within": True, "since": iso_time(NOON)}
    assert "still" not in _row(record("TK-1"), None)


def _row(sheet: TankRecord, still: Stillness | None) -> dict[str, Any]:
    made = row_document(sheet._replace(state=_state(motion=Motion.AT_REST, still=still)))
    view_of({"TK-1": made})
    return made


def test_sentences_with_values_are_taken_apart_once_in_each_row() -> None:
    reason = because(ReasonCode.STALE, "LT was last read {age:duration} ago", age=75.0)
    figure = Figure(5.0, Quality.UNCERTAIN, (reason,), 75.0)
    made = _row(record("TK-1", level=figure, tov=figure), None)
    (told,) = [each for each in made["sentences"] if each["text"] == reason.text]
    assert told["phrase"] == "LT was last read {age} ago"
    assert told["values"] == {"age": {"text": "75 s", "seconds": 75.0}}
    assert "sentences" not in _row(record("TK-1"), None)


def test_totals_say_how_many_they_include() -> None:
    """Three diesels of 100, 200 and one Bad: 300 of 2 of 3, estimated, as one is Uncertain; by hand."""
    doubt = (Reason(ReasonCode.STALE, "old"),)
    sheets: list[TankRecord] = [
        record("TK-1", gsv=Figure(100.0, Quality.GOOD, (), 0.0)),
        record("TK-2", gsv=Figure(200.0, Quality.UNCERTAIN, doubt, 0.0)),
        record("TK-3", gsv=bad()),
        record("TK-4", gsv=na()),
    ]
    (told,) = view_of({}, totals=total_documents(holding_of(each.inventory) for each in sheets))["totals"]
    assert told == {
        "product": "gasoline",
        "figure": "gsv",
        "with_vapour": False,
        "value": 300.0,
        "unit": "m3",
        "included": 2,
        "of": 3,
        "holding": 4,
        "estimated": True,
        "reference_temperature": None,
        "simulated": False,
    }


@settings(max_examples=30)
@given(st.lists(inventories(), max_size=3))
def test_totals_are_those_that_show_prints(sheets: list[Inventory]) -> None:
    """By the same rule, so that no two of our numbers differ: as a table of a terminal has them."""
    documents = total_documents(holding_of(each) for each in sheets)
    printed = "\n".join(total_lines([view_of_inventory(each) for each in sheets]))
    for each in documents:
        if each["product"] is not None and each["holding"] < 2:
            continue
        estimated = ", estimated" if each["estimated"] else ""
        shown = NO_VALUE if each["value"] is None else show_value(each["figure"], each["value"]).text
        name = "GSV" if each["figure"] == "gsv" else "mass"
        vapour = " incl. vapour" if each["with_vapour"] else ""
        assert f"{name}{vapour} {shown} ({each['included']} of {each['of']} tanks{estimated})" in printed
