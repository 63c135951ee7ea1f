import json
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given, settings
from jsonschema import Draft202012Validator, ValidationError

from gateway.errors import DeliveryError
from gateway.figures import FIGURE_DEFINITIONS
from gateway.payload.plain import iso_time
from gateway.payload.schemas import schemas
from gateway.payload.writer import heartbeat_json, inventories_json, inventory_json, inventory_payload, status_json
from gateway.records import (
    ElementUse,
    Figure,
    Inventory,
    LastGood,
    LevelState,
    Quality,
    Reason,
    ReasonCode,
)
from gateway.states import LimitState
from gateway.status import Backlog, ConnectedClient, DestinationStatus, LastBoot
from tests.support.messages import valid_message
from tests.support.records import BOOT, CONTEXT, NOON, bad, inventories, inventory, record, record_of, snapshot

WET = ElementUse(1.0, 17.6, True, 1.0, Quality.GOOD, None)
DRY = ElementUse(8.5, 19.0, False, 0.0, Quality.GOOD, Reason(ReasonCode.ELEMENT_DRY, "element 2 is above the surface"))
OPEN = ElementUse(11.0, 850.0, False, 0.0, Quality.BAD, Reason(ReasonCode.ELEMENT_FAILED, "element 3 is open"))


def test_one_inventory_in_full() -> None:
    sheet = inventory(
        level=Figure(9.412, Quality.GOOD, (), 2.0),
        gsv=bad(),
        tov=Figure(
            3725.9,
            Quality.UNCERTAIN,
            (Reason(ReasonCode.STALE, "level is 61 s old"), Reason(ReasonCode.AGES_DIFFER, "ages differ by 61 s")),
            61.0,
        ),
        ambient_temperature=Figure(11.5, Quality.UNCERTAIN, (Reason(ReasonCode.MANUAL, "by hand"),), 3600.0, True),
        elements=(WET, DRY, OPEN),
        last_good={"gsv": LastGood(3626.9, NOON.timestamp() - 80.0), "level": LastGood(1.0, 0.0)},
    )
    message = valid_message(inventory_json(record_of("harbour", BOOT, 7, sheet)))
    assert message["schema"] == "tank-gateway/inventory/1"
    assert message["identity"] == {"site": "harbour", "tank": "TK-1", "boot": BOOT, "sequence": 7}
    assert message["product"] == "gasoline"
    assert message["time"] == "2026-03-14T12:00:00.250Z"
    assert message["quality"] == "Bad"
    assert "simulated" not in message
    assert "notice" not in message
    assert message["figures"]["level"] == {
        "value": 9.412,
        "unit": "m",
        "quality": "Good",
        "reason": None,
        "time": "2026-03-14T11:59:58.250Z",
    }
    assert message["figures"]["gsv"] == {
        "value": None,
        "unit": "m3",
        "quality": "Bad",
        "reason": {"code": "no_answer", "text": "gauge did not answer within 1 s"},
        "time": "2026-03-14T11:58:45.250Z",
        "last_good": {"value": 3626.9, "time": "2026-03-14T11:58:40.250Z"},
    }
    assert [reason["code"] for reason in message["figures"]["tov"]["reasons"]] == ["stale", "ages_differ"]
    assert message["figures"]["tov"]["reason"]["code"] == "stale"
    assert message["figures"]["ambient_temperature"]["manual"] is True
    assert message["figures"]["room"]["reason"]["code"] == "not_applicable"
    assert [element["value"] for element in message["elements"]] == [17.6, 19.0, None]
    assert [element["used"] for element in message["elements"]] == [True, False, False]
    assert message["elements"][1]["reason"]["code"] == "element_dry"


def test_simulated_is_loud_on_the_message_and_on_every_figure() -> None:
    message = valid_message(inventory_json(record(simulated=True)))
    assert message["simulated"] is True
    assert message["notice"] == "SIMULATED"
    assert all(figure["simulated"] is True for figure in message["figures"].values())


def test_full_precision_survives() -> None:
    value = 0.1 + 0.2
    message = valid_message(inventory_json(record(tov=Figure(value, Quality.GOOD, (), 0.0))))
    assert message["figures"]["tov"]["value"] == value


@given(inventories())
@settings(max_examples=60, deadline=None)
def test_any_inventory_obeys_the_schema_and_bad_never_has_a_value(any_inventory: Inventory) -> None:
    message = valid_message(inventory_json(record_of("harbour", BOOT, 1, any_inventory)))
    for name, figure in message["figures"].items():
        given_figure: Figure = getattr(any_inventory.figures, name)
        if given_figure.quality is Quality.BAD:
            assert figure["value"] is None
        else:
            assert figure["value"] == given_figure.value
        assert figure["quality"] == given_figure.quality.name.capitalize()
    for element in message["elements"]:
        assert element["quality"] != "Bad" or element["value"] is None


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_a_number_that_json_cannot_carry_is_refused(value: float) -> None:
    with pytest.raises(DeliveryError, match=r"tank TK-1: tov is .*not a finite number"):
        inventory_payload(record(tov=Figure(value, Quality.GOOD, (), 0.0)))
    with pytest.raises(DeliveryError, match=r"element at 1\.0 m"):
        inventory_payload(record_of("harbour", BOOT, 1, inventory(elements=(WET._replace(value=value),))))
    with pytest.raises(DeliveryError, match="weight"):
        inventory_payload(record_of("harbour", BOOT, 1, inventory(elements=(WET._replace(weight=value),))))
    with pytest.raises(DeliveryError, match="gsv, last good"):
        inventory_payload(record_of("harbour", BOOT, 1, inventory(gsv=bad(), last_good={"gsv": LastGood(value, 0.0)})))


def test_an_input_that_was_never_read_has_no_time() -> None:
    never = Figure(None, Quality.BAD, (Reason(ReasonCode.NOT_YET_READ, "not yet read"),), float("inf"))
    assert valid_message(inventory_json(record(level=never)))["figures"]["level"]["time"] is None


def test_times_are_utc_whatever_the_zone_and_a_missing_zone_is_refused() -> None:
    assert iso_time(NOON.astimezone(timezone(timedelta(hours=5, minutes=30)))) == "2026-03-14T12:00:00.250Z"
    assert iso_time(NOON.replace(microsecond=999_999)) == "2026-03-14T12:00:00.999Z"
    with pytest.raises(DeliveryError, match="no zone"):
        iso_time(datetime(2026, 3, 14))  # noqa: DTZ001 (the very mistake under test)


def test_an_inventory_says_until_when_it_holds() -> None:
    message = valid_message(inventory_json(record()))
    # 12:00:00.250 and ten seconds.
    assert (message["valid_until"], message["valid_for_s"]) == ("2026-03-14T12:00:10.250Z", 10.0)
    message = valid_message(inventory_json(record()._replace(valid_for_s=None)))
    assert (message["valid_until"], message["valid_for_s"]) == (None, None)


def test_what_is_told_by_a_clock_that_cannot_be_right_has_no_end_of_validity() -> None:
    waking = datetime(1970, 1, 1, 0, 2, tzinfo=UTC)
    message = valid_message(inventory_json(record_of("harbour", BOOT, 1, inventory(instant=waking), 10.0)))
    assert (message["time"], message["valid_until"], message["valid_for_s"]) == ("1970-01-01T00:02:00.000Z", None, 10.0)
    asleep = snapshot()._replace(instant=waking)
    assert valid_message(status_json(asleep, None, CONTEXT))["valid_until"] is None
    assert valid_message(heartbeat_json(asleep, CONTEXT))["valid_until"] is None


def test_an_inventory_says_at_which_temperature_its_standard_volumes_are() -> None:
    made = record("TK-1")
    at_60f = made._replace(inventory=made.inventory._replace(reference_temperature_c=28.0 / 1.8))
    assert valid_message(inventory_json(at_60f))["reference_temperature"] == {"value": 28.0 / 1.8, "unit": "degC"}
    assert valid_message(inventory_json(made))["reference_temperature"] is None


def test_status() -> None:
    full = record("TK-3")
    full = full._replace(inventory=full.inventory._replace(level_state=LevelState(LimitState.ABOVE_HIGH_HIGH)))
    records = (record("TK-1"), record("TK-2", level=bad()), full)
    site = snapshot(*records)._replace(tanks=("TK-1", "TK-2", "TK-3", "TK-4"))
    message = valid_message(status_json(site, None, CONTEXT))
    assert message["state"] == "online"
    assert message["cause"] is None
    assert message["boot"] == BOOT
    assert message["time"] == "2026-03-14T12:00:00.250Z"
    # 75 s, and the connection is an hour old.
    assert (message["valid_until"], message["valid_for_s"]) == ("2026-03-14T12:01:15.250Z", 75.0)
    assert message["connected_since"] == "2026-03-14T11:00:00.250Z"
    assert message["last_boot"] is None
    assert message["started"] == "2026-03-14T09:20:00.000Z"
    assert message["tanks"] == {
        "total": 4,
        "good": 2,
        "uncertain": 0,
        "bad": 1,
        "awaited": 1,
        "below_minimum": 0,
        "above_maximum_working": 0,
        "above_high_high": 1,
        "above_critical_high": 0,
    }
    assert message["lost_records"] == 2
    assert message["destinations"][0]["oldest_waiting_s"] == 0.75
    assert message["destinations"][0]["troubles"] == [{"code": "other_gateway", "text": "there are two"}]
    assert message["simulated"] is False
    assert "notice" not in message
    offline = valid_message(status_json(snapshot(simulated=True), "connection_lost", CONTEXT))
    assert (offline["state"], offline["cause"], offline["notice"]) == ("offline", "connection_lost", "SIMULATED")
    assert (offline["valid_until"], offline["valid_for_s"]) == (None, None), "offline holds until somebody is online"


def test_a_status_tells_the_backlog_of_each_destination() -> None:
    behind = DestinationStatus("mqtt", False, 40, 0, 1, 0.75, history=Backlog(12_000, 3_600.5, 90, 5), dropped=8)
    both = snapshot()._replace(destinations=(behind, behind._replace(history=None, lost=2, dropped=0)))
    message = valid_message(status_json(both, None, CONTEXT))
    first, second = message["destinations"]
    assert first["history"] == {
        "waiting": 12_000,
        "oldest_s": 3_600.5,
        "delivered": 90,
        "lost": 5,
        "buffer_left_s": None,
    }
    assert (first["delivered"], first["lost"], first["dropped"], first["waiting"]) == (40, 0, 8, 1)
    assert (second["history"], second["lost"]) == (None, 2)
    assert message["lost_records"] == 5 + 2, "what was dropped is not lost"
    assert valid_message(inventories_json(both))["destinations"] == message["destinations"]


def test_a_status_tells_who_reads_there() -> None:
    reader = ConnectedClient("10.0.0.7:50122", datetime(2026, 3, 14, 11, 30, tzinfo=UTC), None, "2 writes refused")
    serving = DestinationStatus("registers", True, 0, 0, 0, None, clients=(reader, reader._replace(name="panel")))
    both = snapshot()._replace(destinations=(serving, serving._replace(clients=())))
    message = valid_message(status_json(both, None, CONTEXT))
    first, second = message["destinations"]
    since = "2026-03-14T11:30:00.000Z"
    assert first["clients"] == [
        {"address": "10.0.0.7:50122", "since": since, "name": None, "refused": "2 writes refused"},
        {"address": "10.0.0.7:50122", "since": since, "name": "panel", "refused": "2 writes refused"},
    ]
    assert second["clients"] == []
    assert valid_message(inventories_json(both))["destinations"] == message["destinations"]


def test_a_status_tells_of_the_boot_before_and_that_what_it_had_waiting_is_unknown() -> None:
    before = LastBoot("a" * 32, "offline", "connection_lost", "2026-03-14T08:00:00.000Z", None)
    message = valid_message(status_json(snapshot(), None, CONTEXT._replace(last_boot=before)))
    assert message["last_boot"] == {
        "boot": "a" * 32,
        "state": "offline",
        "cause": "connection_lost",
        "time": "2026-03-14T08:00:00.000Z",
        "waiting": None,
    }


def test_a_sign_of_life() -> None:
    message = valid_message(heartbeat_json(snapshot(), CONTEXT))
    assert message == {
        "schema": "tank-gateway/heartbeat/1",
        "site": "harbour",
        "boot": BOOT,
        "time": "2026-03-14T12:00:00.250Z",
        "valid_until": "2026-03-14T12:01:15.250Z",
        "valid_for_s": 75.0,
        "connected_since": "2026-03-14T11:00:00.250Z",
        "simulated": False,
    }
    assert valid_message(heartbeat_json(snapshot(simulated=True), CONTEXT))["notice"] == "SIMULATED"


def test_all_inventories_in_one_document() -> None:
    message = valid_message(inventories_json(snapshot(record("TK-1"), record("TK-2"), simulated=False)))
    assert [one["identity"]["tank"] for one in message["inventories"]] == ["TK-1", "TK-2"]


def _broken(**changes: Any) -> dict[str, Any]:
    message: dict[str, Any] = json.loads(inventory_json(record(gsv=bad())))
    message["figures"]["gsv"] |= changes
    return message


@pytest.mark.parametrize(
    "changes",
    [
        {"value": 0.0},
        {"value": 3626.9},
        {"reason": None},
        {"unit": "bbl"},
        {"quality": "Fair"},
        {"reason": {"code": "no_such_code", "text": "?"}},
        {"reason": {"code": "stale"}},
        {"time": "2026-03-14 12:00:00"},
        {"extra": 1},
        {"quality": "Good", "value": None},
        {"quality": "Uncertain", "value": 1.0, "reason": None},
        {"quality": "Good", "value": 1.0, "last_good": {"value": 1.0, "time": "2026-03-14T12:00:00.250Z"}},
        {"simulated": True},
        {"manual": False},
    ],
)
def test_the_schema_refuses(changes: dict[str, Any]) -> None:
    schema = schemas()["tank-gateway/inventory/1"]
    Draft202012Validator(schema).validate(_broken())
    with pytest.raises(ValidationError):
        Draft202012Validator(schema).validate(_broken(**changes))


def test_the_schema_refuses_unknown_members_and_a_silent_simulation() -> None:
    validator = Draft202012Validator(schemas()["tank-gateway/inventory/1"])
    message = _broken()
    assert not validator.is_valid(message | {"extra": 1})
    assert not validator.is_valid(message | {"simulated": True})
    assert not validator.is_valid(message | {"notice": "SIMULATED"})
    assert not validator.is_valid({key: value for key, value in message.items() if key != "valid_until"})
    del message["figures"]["room"]
    assert not validator.is_valid(message)


def test_schemas_are_sound_and_follow_the_tables_in_the_code() -> None:
    for schema in schemas().values():
        Draft202012Validator.check_schema(schema)
    schema = schemas()["tank-gateway/inventory/1"]
    assert schema["$defs"]["reason"]["properties"]["code"]["enum"] == [code.value for code in ReasonCode]
    assert schema["$defs"]["quality"]["enum"] == [quality.word for quality in Quality]
    figures = schema["properties"]["figures"]
    assert figures["required"] == [definition.name for definition in FIGURE_DEFINITIONS]
    assert {name: figure["properties"]["unit"]["const"] for name, figure in figures["properties"].items()} == {
        definition.name: definition.unit for definition in FIGURE_DEFINITIONS
    }
