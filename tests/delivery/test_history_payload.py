"""History and events as messages: their schemas, and that they are read back as they were."""

from datetime import datetime, timedelta
from typing import Any

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from gateway.errors import DeliveryError
from gateway.history import GATEWAY, KeptEvent, KeptRecord, Previous
from gateway.payload.alarms import alarm_json
from gateway.payload.history import event_json, history_json
from gateway.payload.reader import ToldEvent, event_of, history_of, inventory_of, state_of
from gateway.payload.schemas import schemas
from gateway.payload.writer import inventory_json
from gateway.records import Figure, Inventory, Quality, Reason, ReasonCode, because
from gateway.tank_record import Event, EventKind, Identity
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
from tests.support.kept_entries import kept_event, kept_record
from tests.support.messages import valid_message
from tests.support.records import BOOT, NOON, bad, inventories, record, record_of

OTHER_BOOT = "f" * 32
_names = st.text(min_size=1, max_size=12)
_times = st.integers(0, 3_000_000_000).map(lambda ms: NOON.replace(microsecond=0) + timedelta(milliseconds=ms))
_reasons = st.builds(lambda code, phrase: Reason(code, phrase), st.sampled_from(ReasonCode), _names)
_standings = st.builds(
    AlarmStanding,
    _names,
    st.sampled_from(AlarmKind),
    st.sampled_from(AlarmPhase),
    st.sampled_from(Priority),
    st.booleans(),
    _times,
    st.none() | _times,
    st.none() | st.floats(allow_nan=False, allow_infinity=False),
    st.none() | _reasons,
    st.none() | _names,
    st.none() | _times,
    st.text(max_size=12),
    st.none() | st.integers(1, 99),
)


def test_a_record_of_history_is_its_inventory_with_the_one_before() -> None:
    kept = kept_record(9, "TK-2", 31, Previous(OTHER_BOOT, 8), gsv=bad())
    message = valid_message(history_json(kept))
    live = valid_message(inventory_json(kept.record))
    assert message["schema"] == "tank-gateway/history/1"
    assert message["identity"] == {"site": "harbour", "tank": "TK-2", "boot": BOOT, "sequence": 31}
    assert message["previous"] == {"boot": OTHER_BOOT, "sequence": 8}
    own = {"schema", "previous", "valid_until", "valid_for_s"}
    assert {**message, **dict.fromkeys(own)} == {**live, **dict.fromkeys(own)}
    assert not {"valid_until", "valid_for_s", "position"} & message.keys()
    assert valid_message(history_json(kept_record(1)))["previous"] is None


@pytest.mark.parametrize("previous", [None, Previous(BOOT, 6), Previous(OTHER_BOOT, 1_000_000)])
@given(inventories())
@settings(max_examples=25, deadline=None)
def test_whatever_is_kept_obeys_its_schema_and_is_read_back(previous: Previous | None, sheet: Inventory) -> None:
    made = record_of("harbour", BOOT, 7, sheet, 10.0)
    message = valid_message(history_json(KeptRecord(3, made, previous)))
    told = history_of(message)
    assert (told.identity, told.previous) == (made.identity, previous)
    assert told.inventory == inventory_of(valid_message(inventory_json(made)))


def test_simulated_history_says_so() -> None:
    message = valid_message(history_json(KeptRecord(1, record("TK-1", 1, simulated=True), None)))
    assert (message["simulated"], message["notice"]) == (True, "SIMULATED")
    message = valid_message(event_json(kept_event(1), simulated=True))
    assert (message["simulated"], message["notice"]) == (True, "SIMULATED")
    assert "simulated" not in valid_message(event_json(kept_event(1)))


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_number_that_json_cannot_carry_is_refused(value: float) -> None:
    with pytest.raises(DeliveryError, match="tov is"):
        history_json(kept_record(1, tov=Figure(value, Quality.GOOD, (), 0.0)))


_papers = st.builds(
    lambda schema, key, more: orjson.dumps({"schema": schema, "key": key, "more": more}).decode(),
    st.sampled_from([f"tank-gateway/{kind}-document/1" for kind in ("transfer", "ticket", "amount", "day")]),
    _names,
    st.recursive(st.none() | st.text(max_size=5) | st.floats(allow_nan=False, allow_infinity=False), st.lists),
)


@given(
    st.builds(
        Event,
        st.sampled_from(EventKind),
        _times,
        st.text(max_size=12),
        st.none() | _reasons,
        st.none() | _names,
        st.none() | _standings,
        st.just("") | _papers,
    ),
    st.builds(Identity, _names, st.just(GATEWAY) | _names, st.just(BOOT), st.integers(0, 1_000_000)),
    st.integers(0, 50),
)
def test_an_event_obeys_its_schema_and_is_read_back(event: Event, identity: Identity, number: int) -> None:
    told = event_of(valid_message(event_json(KeptEvent(3, identity, number, event))))
    assert told == ToldEvent(identity, number, event)


def test_an_event_in_full() -> None:
    lost = because(ReasonCode.NO_ANSWER, "{count} records were not kept for {held:duration}", count=12, held=90.0)
    kept = kept_event(4, EventKind.HISTORY_LOST, reason=lost, subject="ledger", by="kim", number=2)
    assert valid_message(event_json(kept)) == {
        "schema": "tank-gateway/event/1",
        "identity": {"site": "harbour", "tank": None, "boot": BOOT, "sequence": 1},
        "number": 2,
        "kind": "history_lost",
        "time": "2026-03-14T12:00:00.250Z",
        "subject": "ledger",
        "reason": {"code": "no_answer", "text": "12 records were not kept for 90 s"},
        "by": "kim",
        "alarm": None,
        "document": None,
    }


def test_a_paper_of_the_accounts_goes_with_its_event() -> None:
    """As it was kept, every digit; what is no paper is refused, so that no message is ever half of one."""
    paper = {"schema": "tank-gateway/ticket-document/1", "key": "ticket 7", "moved": 0.1 + 0.2}
    event = Event(EventKind.TICKET_MADE, NOON, "ticket 7", document=orjson.dumps(paper).decode())
    assert valid_message(event_json(KeptEvent(3, Identity("h", "TK-1", BOOT, 4), 0, event)))["document"] == paper
    for broken in ("{", "[]", "7", '{"a":NaN}'):
        with pytest.raises(DeliveryError, match="carries a paper"):
            event_json(KeptEvent(3, Identity("h", "TK-1", BOOT, 4), 0, event._replace(document=broken)))


_too_soon = (because(ReasonCode.TOO_SOON, "too soon"),)
_rates = st.builds(
    Figure, st.floats(-10.0, 10.0), st.just(Quality.GOOD), st.just(()), st.just(0.0), st.just(False)
) | st.sampled_from([Figure(1.5, Quality.UNCERTAIN, _too_soon, 0.0), Figure(None, Quality.BAD, _too_soon, 0.0)])
_states = st.builds(
    TankState,
    st.sampled_from(Motion),
    st.none() | _times,
    _rates,
    _rates,
    st.lists(
        st.builds(LimitTime, st.sampled_from(["minimum", "high_high"]), st.floats(0, 20), st.floats(0, 1e9), _times)
    ).map(tuple),
    st.sampled_from(["", "thermal", "water_draw"]),
    st.lists(_standings, max_size=3).map(tuple),
    still=st.none()
    | st.builds(Stillness, st.floats(-1e6, 1e6), st.floats(0.0, 1e6), st.booleans(), st.none() | _times),
)


@given(st.none() | _states)
@settings(max_examples=20, deadline=None)
def test_the_state_of_a_tank_obeys_the_schema_and_is_read_back(state: TankState | None) -> None:
    made = record("TK-1", 3)._replace(state=state)
    for message in (valid_message(inventory_json(made)), valid_message(history_json(KeptRecord(3, made, None)))):
        assert state_of(message) == state
        assert ("state" in message) == (state is not None)


@given(_standings, st.just("") | _names, st.booleans())
@settings(max_examples=25, deadline=None)
def test_an_alarm_obeys_its_schema(standing: AlarmStanding, tank: str, simulated: bool) -> None:
    alarm = AlarmNow(tank, standing, "it runs over", "stop the pump", 600.0)
    message = valid_message(alarm_json("harbour", alarm, NOON, 150.0, simulated=simulated))
    assert (message["site"], message["tank"], message["alarm"]["name"]) == ("harbour", tank or None, standing.name)
    assert (message["consequence"], message["action"], message["response_s"]) == ("it runs over", "stop the pump", 600)
    assert message.get("notice") == ("SIMULATED" if simulated else None)
    assert message["valid_for_s"] == 150.0
    until = datetime.fromisoformat(message["valid_until"])
    assert until - datetime.fromisoformat(message["time"]) == timedelta(seconds=150)


def test_a_reason_is_told_as_a_sentence_with_its_values() -> None:
    late = because(ReasonCode.STALE, "the level is {age:duration} old", age=61.0)
    both = (late, because(ReasonCode.AGES_DIFFER, "ages differ by {apart:duration}", apart=7200.0))
    kept = kept_record(1, tov=Figure(3725.9, Quality.UNCERTAIN, both, 61.0))
    for message in (valid_message(history_json(kept)), valid_message(inventory_json(kept.record))):
        figure = message["figures"]["tov"]
        assert figure["reason"] == {"code": "stale", "text": "the level is 61 s old"}
        assert [reason["text"] for reason in figure["reasons"]] == ["the level is 61 s old", "ages differ by 2.0 h"]


def _history(**changes: Any) -> dict[str, Any]:
    message: dict[str, Any] = orjson.loads(history_json(kept_record(1, gsv=bad())))
    return {**message, **changes}


def test_the_schema_of_history_refuses() -> None:
    validator = Draft202012Validator(schemas()["tank-gateway/history/1"])
    validator.validate(_history())
    assert not validator.is_valid(_history(valid_until=None)), "it holds for ever"
    assert not validator.is_valid(_history(extra=1))
    assert not validator.is_valid(_history(schema="tank-gateway/inventory/1"))
    assert not validator.is_valid(_history(previous={"boot": BOOT}))
    assert not validator.is_valid(_history(previous={"boot": BOOT, "sequence": 0}))
    message = _history()
    del message["previous"]
    assert not validator.is_valid(message)
    message = _history()
    message["figures"]["gsv"]["value"] = 0.0
    assert not validator.is_valid(message), "a value beside Bad"


def test_the_schema_of_events_follows_the_kinds_and_refuses() -> None:
    schema = schemas()["tank-gateway/event/1"]
    assert schema["properties"]["kind"]["enum"] == [kind.value for kind in EventKind]
    validator = Draft202012Validator(schema)
    message = orjson.loads(event_json(kept_event(1)))
    validator.validate(message)
    for changes in (
        {"kind": "no_such_kind"},
        {"simulated": True},
        {"notice": "SIMULATED"},
        {"time": "2026-03-14 12:00:00"},
        {"reason": {"code": "no_such_code", "text": "?"}},
        {"number": -1},
        {"by": ""},
        {"extra": 1},
    ):
        assert not validator.is_valid({**message, **changes}), changes
