"""Rows of a database say what the payload says, digit by digit, and stand in the columns that the SQL makes."""

import json
import math
import re
from datetime import UTC, datetime
from typing import Any

import orjson
import pytest
from hypothesis import given

from gateway.delivery.postgresql.rows import EVENT_COLUMNS, FIGURE_COLUMNS, RECORD_COLUMNS, event_row, record_row
from gateway.delivery.postgresql.schema import steps
from gateway.errors import DeliveryError
from gateway.figures import FIGURE_DEFINITIONS
from gateway.history import KeptRecord, Previous
from gateway.payload.plain import iso_time
from gateway.payload.writer import inventory_payload
from gateway.records import ElementUse, Figure, Inventory, Quality, Reason, ReasonCode, because
from gateway.tank_record import Event, EventKind
from gateway.tank_state import AlarmPhase
from tests.support.alarm_events import standing_of
from tests.support.kept_entries import kept_event, kept_record
from tests.support.records import BOOT, NOON, bad, inventories, inventory, record_of

SQL = "\n".join(script for _, script in steps())


def row_of(kept: KeptRecord) -> dict[str, Any]:
    row = record_row(kept)
    assert len(row) == len(RECORD_COLUMNS)
    return dict(zip(RECORD_COLUMNS, row, strict=True))


def columns_of(table: str) -> dict[str, str]:
    """By name: the type, as the SQL has it."""
    body = SQL.partition(f"CREATE TABLE {table} (\n")[2]
    found = {}
    for line in body.splitlines():
        match = re.match(r"    ([a-z_0-9]+) ([a-z \[\]]+?)( NOT NULL| DEFAULT|,)", line)
        if match is None:
            break
        found[match[1]] = match[2]
    for added in re.findall(rf"ALTER TABLE {table}\n(.*?);", SQL, re.DOTALL):
        found |= dict(re.findall(r"    ADD COLUMN ([a-z_0-9]+) ([a-z \[\]]+)", added))
    return found


def test_the_sql_has_these_columns_and_when_they_arrived() -> None:
    assert set(columns_of("records")) == {*RECORD_COLUMNS, "arrived"}
    assert set(columns_of("events")) == {*EVENT_COLUMNS, "arrived"}


def test_every_figure_has_a_column_with_its_unit_and_one_for_its_quality() -> None:
    columns = columns_of("records")
    for definition in FIGURE_DEFINITIONS:
        column = FIGURE_COLUMNS[definition.name]
        assert columns[column] == "double precision"
        assert columns[f"{definition.name}_quality"] == "quality"
        unit = "ratio" if definition.unit == "1" else definition.unit
        title = definition.title.replace("'", "''")
        assert f"COMMENT ON COLUMN records.{column} IS '{title}, {unit}; NULL" in SQL
        assert f"({definition.name}_quality <> 'Bad' OR {column} IS NULL)" in SQL
    # SI units as they are written in names: no operator and no capital, so that nobody has to quote them.
    assert FIGURE_COLUMNS["reference_density"] == "reference_density_kg_m3"
    assert all(re.fullmatch(r"[a-z][a-z0-9_]*", column) for column in RECORD_COLUMNS + EVENT_COLUMNS)


def test_every_column_has_a_comment() -> None:
    for table in ("records", "events"):
        commented = set(re.findall(rf"COMMENT ON COLUMN {table}\.(\w+) IS", SQL))
        assert commented == set(columns_of(table))


@given(inventories())
def test_a_row_says_what_the_payload_says(found: Inventory) -> None:
    kept = KeptRecord(1, record_of("harbour", BOOT, 7, found), Previous(BOOT, 5))
    payload = inventory_payload(kept.record)
    row = row_of(kept)
    identity = {"site": row["site"], "tank": row["tank"], "boot": row["boot"], "sequence": row["sequence"]}
    if "\0" not in found.tank:
        assert identity == payload["identity"]
    assert (row["previous_boot"], row["previous_sequence"]) == (BOOT, 5)
    assert iso_time(row["instant"]) == payload["time"]
    assert row["quality"] == payload["quality"]
    assert row["simulated"] == payload.get("simulated", False)
    for name, told in payload["figures"].items():
        assert row[FIGURE_COLUMNS[name]] == told["value"]
        assert row[f"{name}_quality"] == told["quality"]
        assert (name in (row["manual_figures"] or ())) == told.get("manual", False)
        assert (name in json.loads(row["reasons"] or "{}")) == (told["quality"] != "Good")
        if told["quality"] == "Good" and told["value"] is None:
            none_detected = told["reason"]["code"] == "none_detected"
            assert (name in (row["none_detected"] or ())) == none_detected
    last_good = {name: told["last_good"] for name, told in payload["figures"].items() if "last_good" in told}
    assert json.loads(row["last_good"] or "{}") == last_good
    oldest = [told["time"] for told in payload["figures"].values() if told["value"] is not None]
    if oldest and None not in oldest:
        assert iso_time(row["oldest_input"]) == min(oldest)
    else:
        assert row["oldest_input"] is None
    sources = {name: row[f"{name}_source"] for name in ("level", "temperature", "water", "density")}
    assert sources == payload["sources"]
    state = payload["level_state"]
    assert (row["limit_state"], row["roof_zone"], row["limit_quality"]) == (
        state["limit"],
        state["roof"],
        state["quality"],
    )
    limits = ("minimum_level_m", "maximum_working_level_m", "high_high_level_m", "critical_high_level_m")
    assert [row[name] for name in limits] == [value for name, value in state["limits"].items() if name != "unit"]
    elements = payload["elements"]
    assert (row["element_temperature_degc"] or []) == [each["value"] for each in elements]
    assert (row["element_quality"] or []) == [each["quality"] for each in elements]
    assert (row["element_used"] or []) == [each["used"] for each in elements]
    reference = payload["reference_temperature"]
    assert row["reference_temperature_degc"] == (None if reference is None else reference["value"])


def test_bad_has_no_number_though_the_record_says_one() -> None:
    # A record against its own contract: 9.412 m, and Bad.
    wrong = Figure(9.412, Quality.BAD, (Reason(ReasonCode.NO_ANSWER, "no answer"),), 2.0)
    row = row_of(kept_record(1, level=wrong))
    assert (row["level_m"], row["level_quality"]) == (None, "Bad")


def test_the_reason_of_the_tank_is_that_of_its_worst_figure() -> None:
    doubtful = Figure(1.0, Quality.UNCERTAIN, (because(ReasonCode.STRATIFIED, "layers"),), 0.0)
    gone = bad(because(ReasonCode.NO_ANSWER, "no answer within {limit_s} s", limit_s=2))
    row = row_of(kept_record(1, liquid_temperature=doubtful, gsv=gone))
    assert (row["quality"], row["reason_code"]) == ("Bad", "no_answer")
    assert row["reason_text"] == gone.reasons[0].text
    assert json.loads(row["reasons"])["liquid_temperature"]["code"] == "stratified"
    # A spare gauge that is lost leaves the tank Good: its reason is its own.
    row = row_of(kept_record(1, second_level=gone))
    assert (row["quality"], row["reason_code"], row["reason_text"]) == ("Good", None, None)
    assert json.loads(row["reasons"]).keys() == {"second_level"}


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(value: float) -> None:
    for kept in (
        kept_record(1, gsv=Figure(value, Quality.GOOD, (), 0.0)),
        KeptRecord(1, record_of("h", BOOT, 1, inventory()._replace(reference_temperature_c=value)), None),
        KeptRecord(
            1,
            record_of(
                "h",
                BOOT,
                1,
                inventory(elements=(ElementUse(1.0, value, True, 1.0, Quality.GOOD, None),)),
            ),
            None,
        ),
    ):
        with pytest.raises(DeliveryError, match="not a finite number"):
            record_row(kept)


def test_an_instant_without_a_zone_is_refused() -> None:
    with pytest.raises(DeliveryError, match="has no zone"):
        event_row(kept_event(1, instant=datetime(2026, 1, 1)))  # noqa: DTZ001


@pytest.mark.parametrize("instant", [datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)])
def test_the_ends_of_time_are_refused(instant: datetime) -> None:
    with pytest.raises(DeliveryError, match="no time of a record"):
        record_row(KeptRecord(1, record_of("h", BOOT, 1, inventory(instant=instant)), None))


def test_an_event() -> None:
    reason = because(ReasonCode.NO_ANSWER, "no answer")
    row = event_row(
        kept_event(9, EventKind.HISTORY_LOST, "TK-1", 4, number=2, subject="disk", reason=reason, by="R. Vale")
    )
    assert dict(zip(EVENT_COLUMNS, row, strict=True)) == {
        "site": "harbour",
        "tank": "TK-1",
        "boot": BOOT,
        "sequence": 4,
        "number": 2,
        "instant": NOON,
        "kind": "history_lost",
        "subject": "disk",
        "reason_code": "no_answer",
        "reason_text": reason.text,
        "done_by": "R. Vale",
        **dict.fromkeys(EVENT_COLUMNS[11:]),
    }


def test_an_event_of_an_alarm_says_how_it_stands_after_it() -> None:
    """Who, when, which phase and what priority: what an auditor asks of it."""
    standing = standing_of(phase=AlarmPhase.SHELVED, by="kim\0", until=NOON)._replace(why="gauge is checked")
    event = Event(EventKind.ALARM_SHELVED, NOON, standing.name, by="kim\0", standing=standing)
    row = event_row(kept_event(9, tank="TK-1")._replace(event=event))
    cells = dict(zip(EVENT_COLUMNS, row, strict=True))
    assert {name: cell for name, cell in cells.items() if name.startswith("alarm_")} == {
        "alarm_kind": "high_high",
        "alarm_priority": "now",
        "alarm_phase": "shelved",
        "alarm_active": True,
        "alarm_raised": NOON,
        "alarm_value": 13.56,
        "alarm_by": "kim\ufffd",
        "alarm_until": NOON,
        "alarm_why": "gauge is checked",
    }
    for value in (math.inf, math.nan):
        broken = event._replace(standing=standing._replace(value=value))
        with pytest.raises(DeliveryError, match="value of alarm high_high"):
            event_row(kept_event(9, tank="TK-1")._replace(event=broken))


def test_the_paper_of_an_event_is_json_that_a_database_can_hold() -> None:
    """PostgreSQL refuses the escape of a NUL in its JSON."""
    event = Event(EventKind.TICKET_MADE, NOON, "ticket 7", document=r'{"key":"ticket 7","partner":"a\u0000b"}')
    row = event_row(kept_event(9, tank="TK-1")._replace(event=event))
    document = dict(zip(EVENT_COLUMNS, row, strict=True))["document"]
    assert orjson.loads(document) == {"key": "ticket 7", "partner": "a\ufffdb"}
    assert event_row(kept_event(9, tank="TK-1"))[-1] is None


def test_what_no_text_of_a_database_can_hold_is_seen_to_be_missing() -> None:
    row = event_row(kept_event(9, subject="a\0b \ud800 ü", by="ü"))
    cells = dict(zip(EVENT_COLUMNS, row, strict=True))
    assert cells["subject"] == "a\ufffdb ? ü"
    assert cells["done_by"] == "ü"
