"""Pure: how an alarm stands, as a message and as a member of an event. JSON Schema: payload/schemas/alarm.json."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

import orjson

from gateway.payload.plain import iso_time, reason_document
from gateway.status import GatewaySnapshot
from gateway.tank_state import AlarmNow, AlarmPhase, AlarmStanding
from gateway.validity import valid_until

__all__ = ["ALARMS_SCHEMA", "ALARM_SCHEMA", "alarm_documents", "alarm_json", "alarms_json", "standing_document"]

ALARM_SCHEMA = "tank-gateway/alarm/1"
ALARMS_SCHEMA = "tank-gateway/alarms/1"


def alarm_json(site: str, alarm: AlarmNow, instant: datetime, for_s: float, *, simulated: bool = False) -> bytes:
    """UTF-8 JSON. `for_s`: so long it holds. Raises DeliveryError when a time has no zone."""
    until = valid_until(instant, for_s)
    validity = {"valid_until": None if until is None else iso_time(until), "valid_for_s": for_s}
    payload = {"schema": ALARM_SCHEMA, "site": site, "time": iso_time(instant), **validity, **_member(alarm)}
    if simulated:
        payload |= {"simulated": True, "notice": "SIMULATED"}
    return orjson.dumps(payload)


def alarms_json(snapshot: GatewaySnapshot) -> bytes:
    """All that is not normal, first things first, as alarms.json describes it. Raises DeliveryError likewise."""
    payload = {
        "schema": ALARMS_SCHEMA,
        "site": snapshot.site,
        "time": iso_time(snapshot.instant),
        "time_zone": snapshot.time_zone,
        "simulated": snapshot.simulated,
        "watched_for": len(snapshot.alarms),
        "watched": [{"tank": tank, "watched_for": count} for tank, count in _counts(snapshot).items()],
        "alarms": alarm_documents(snapshot.alarms),
    }
    return orjson.dumps(payload)


def alarm_documents(alarms: Iterable[AlarmNow]) -> list[dict[str, Any]]:
    """Of those that are not normal, first things first. Raises DeliveryError likewise."""
    abnormal = [alarm for alarm in alarms if alarm.standing.phase is not AlarmPhase.NORMAL]
    return [_member(alarm) for alarm in sorted(abnormal, key=_place)]


def _counts(snapshot: GatewaySnapshot) -> dict[str | None, int]:
    """How many alarms of each tank, and of the gateway itself, have been judged: also of those without any."""
    counts: dict[str | None, int] = dict.fromkeys((None, *snapshot.tanks), 0)
    for alarm in snapshot.alarms:
        counts[alarm.tank or None] = counts.get(alarm.tank or None, 0) + 1
    return counts


def _place(alarm: AlarmNow) -> tuple[int, int, datetime]:
    """What is hidden last, then by priority, what waits for somebody first, the oldest first."""
    standing = alarm.standing
    return _PHASES[standing.phase], standing.priority.rank, standing.raised or standing.since


_PHASES = {
    AlarmPhase.UNACKNOWLEDGED: 0,
    AlarmPhase.RETURNED: 0,
    AlarmPhase.ACKNOWLEDGED: 0,
    AlarmPhase.SHELVED: 1,
    AlarmPhase.SUPPRESSED: 1,
    AlarmPhase.OUT_OF_SERVICE: 1,
    AlarmPhase.NORMAL: 2,
}


def _member(alarm: AlarmNow) -> dict[str, Any]:
    return {
        "tank": alarm.tank or None,
        "alarm": standing_document(alarm.standing),
        "consequence": alarm.consequence,
        "action": alarm.action,
        "response_s": alarm.response_s,
    }


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
