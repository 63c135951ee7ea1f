"""The readings document, held against its published schema by a validator that is not ours."""

from datetime import UTC, datetime

import pytest
from jsonschema import ValidationError

from gateway.errors import DeliveryError
from gateway.payload.readings import READINGS_SCHEMA, readings_json
from gateway.records import Quality, Reading, Reason, ReasonCode
from gateway.resources import config_path
from gateway.settings import load_site
from gateway.status import Histogram, LineStatus
from gateway.units.quantity import Dimension, si_conversion, units_of
from tests.support.messages import valid_message
from tests.support.records import snapshot

_LATENESS = Histogram((float("inf"),), (0,), 0.0)
_NOON_NS = 1_773_489_600_000_000_000
_FAULT = Reason(ReasonCode.SENTINEL, "innage: the instrument sends 65535, its sign for a value that is not valid")


def _document(*readings: Reading) -> bytes:
    state = snapshot()._replace(lines=[LineStatus("bus-a", True, 0.0, _LATENESS)])
    return readings_json(state, {"bus-a": "127.0.0.1:15020"}, readings, {("LT-1", "ullage"): "m"})


def test_a_good_reading_carries_its_words() -> None:
    message = valid_message(_document(Reading("LT-1", "ullage", 5.828, Quality.GOOD, None, _NOON_NS, 5, (0, 58280))))
    assert message["schema"] == READINGS_SCHEMA
    assert message["lines"] == [{"line": "bus-a", "address": "127.0.0.1:15020", "connected": True}]
    assert message["readings"] == [
        {
            "instrument": "LT-1",
            "signal": "ullage",
            "value": 5.828,
            "unit": "m",
            "quality": "Good",
            "reason": None,
            "time": "2026-03-14T12:00:00.000Z",
            "raw": [0, 58280],
        }
    ]


def test_a_bad_reading_has_no_value_whatever_the_record_says() -> None:
    message = valid_message(_document(Reading("LT-1", "innage", 9.0, Quality.BAD, _FAULT, _NOON_NS, 5, (65535,))))
    (reading,) = message["readings"]
    assert reading["value"] is None
    assert reading["reason"] == {"code": "sentinel", "text": _FAULT.text}
    assert reading["raw"] == [65535]


def test_the_schema_forbids_a_bad_reading_without_a_reason() -> None:
    with pytest.raises(ValidationError):
        valid_message(_document(Reading("LT-1", "innage", None, Quality.BAD, None, _NOON_NS, 5, ())))


def test_a_number_that_json_cannot_carry_is_refused() -> None:
    with pytest.raises(DeliveryError, match=r"LT-1\.innage is nan"):
        _document(Reading("LT-1", "innage", float("nan"), Quality.GOOD, None, _NOON_NS, 5, (1,)))


@pytest.mark.parametrize("count", [0, 1, 100, 101, 250])
def test_many_readings_make_one_document_in_their_order(count: int) -> None:
    readings = [Reading(f"LT-{n}", "ullage", n / 8, Quality.GOOD, None, _NOON_NS, 5, (n,)) for n in range(count)]
    message = valid_message(_document(*readings))
    assert [each["instrument"] for each in message["readings"]] == [f"LT-{n}" for n in range(count)]


def test_each_signal_of_a_site_file_has_the_unit_of_what_it_measures() -> None:
    """A flow is in m3/s though the map says m3/h, a current loop in what it means, and a contact has no unit."""
    units = load_site(config_path("site.yaml"), now=datetime(2026, 11, 26, tzinfo=UTC)).signal_units
    wanted = {
        ("XT-1", "ullage"): "m",
        ("XT-1", "second_innage"): "m",
        ("XT-1", "vapour_pressure"): "Pa",
        ("XT-1", "t1"): "degC",
        ("XT-1", "r1"): "ohm",
        ("XT-1", "fault"): None,
        ("XT-1", "measured"): None,
        ("XT-5", "delivered"): "m3/s",
    }
    assert {key: units[key] for key in wanted} == wanted


@pytest.mark.parametrize("dimension", Dimension)
def test_the_si_unit_of_a_quantity_is_that_of_its_numbers_inside(dimension: Dimension) -> None:
    if dimension.si_unit in units_of(dimension):
        assert si_conversion(dimension.si_unit, dimension) == (1.0, 0.0)
