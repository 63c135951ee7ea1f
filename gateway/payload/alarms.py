"""Pure: how an alarm stands, as a message and as a member of an event. JSON Schema: payload/schemas/alarm.json."""

from datetime import datetime
from typing import Any

import orjson

from gateway.payload.plain import iso_time, reason_document
from gateway.tank_state import AlarmNow, AlarmStanding

__all__ = ["ALARM_SCHEMA", "alarm_json", "standing_document"]

ALARM_SCHEMA = "tank-gateway/alarm/1"


def alarm_json(site: str, alarm: AlarmNow, instant: datetime, *, simulated: bool = False) -> bytes:
    """UTF-8 JSON. Raises DeliveryError when a time has no zone."""
    payload = {
        "schema": ALARM_SCHEMA,
        "site": site,
        "tank": alarm.tank or None,
        "time": iso_time(instant),
        "alarm": standing_document(alarm.standing),
        "consequence": alarm.consequence,
        "action": alarm.action,
        "response_s": alarm.response_s,
    }
    if simulated:
        payload |= {"simulated": True, "notice": "SIMULATED"}
    return orjson.dumps(payload)


def standing_document(standing: AlarmStanding) -> dict[str, Any]:
    """Plain values. Raises DeliveryError when a time has no zone."""
    return {
        "name": standing.name,
        "kind": standing.kind,
        "phase": standing.phase,
        "priority": standing.priority,
        "active": standing.is_active,
        "since": iso_time(standing.since),
        "raised": None if standing.raised is None else iso_time(standing.raised),
        "value": standing.value,
        "reason": None if standing.reason is None else reason_document(standing.reason),
        "by": standing.by,
        "until": None if standing.until is None else iso_time(standing.until),
        "why": standing.why,
        "order": standing.order,
    }
