"""Pure: what the gateway tells its OPC UA server, and what that answers: a JSON object a line, over two pipes.

The first line names the form; a server that is told another one ends. Values are SI and times are UTC. What travels of
a sheet is all that the server shows of it, so that value, quality and time of one sheet stay together.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from math import isfinite
from pathlib import Path
from typing import Any

import orjson

from gateway.delivery.opcua.plan import OpcuaPlan
from gateway.errors import GatewayError
from gateway.figures import reasons_behind
from gateway.records import Figure, Quality
from gateway.status import OpenTransfer
from gateway.tank_record import Event, TankRecord
from gateway.tank_state import AlarmPhase, AlarmStanding, Priority

__all__ = [
    "FEED_SCHEMA",
    "LONGEST_LINE",
    "SIMULATED",
    "FeedError",
    "clients_from",
    "event_of",
    "hello",
    "limit_event",
    "line",
    "message",
    "past_figures",
    "plan_of",
    "sheet_of",
    "standing_event",
    "transfers_of",
]

FEED_SCHEMA = "tank-gateway/opcua-feed/1"
LONGEST_LINE = 16_000_000
SIMULATED = "simulated"
"""In the place of a reason's code: of what was simulated before the site became real."""
_NEEDS_SOMEONE = (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.RETURNED)
_UNSEEN = (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.RETURNED)
_SEVERITY = {Priority.NOW: 900, Priority.SOON: 600, Priority.LOOK: 300}
_AHEAD = ("proposed", "planned")
"""Phases of transfers in which nothing has begun."""
_OF_NO_ALARM = 100
"""Severity, 1 to 1000 (OPC 10000-5, 6.4.2); which number for which priority is ours."""


class FeedError(GatewayError):
    """A line that is none of this form: gateway and server are of different versions, or it was cut off."""


def line(content: Mapping[str, Any]) -> bytes:
    return orjson.dumps(content) + b"\n"


def message(text: bytes) -> dict[str, Any]:
    """Raises FeedError."""
    try:
        found = orjson.loads(text)
    except ValueError as error:
        raise FeedError(f"a line that is no JSON: {text[:80]!r}") from error
    if not isinstance(found, dict):
        raise FeedError(f"a line that is no object: {text[:80]!r}")
    return found


def hello(plan: OpcuaPlan, site: str, version: str, simulated: bool, ledger: str | None) -> dict[str, Any]:
    """The first line."""
    told = {key: str(value) if isinstance(value, Path) else value for key, value in asdict(plan).items()}
    return {
        "form": FEED_SCHEMA,
        "site": site,
        "version": version,
        "simulated": simulated,
        "ledger": ledger,
        "plan": told,
    }


def plan_of(told: Mapping[str, Any]) -> OpcuaPlan:
    """The plan in the first line. Raises FeedError where that is of another form."""
    if told.get("form") != FEED_SCHEMA:
        raise FeedError(f"the gateway speaks {told.get('form')!r}; this server understands {FEED_SCHEMA}")
    plan = dict(told["plan"])
    plan["certificates"] = Path(plan["certificates"])
    plan["users_file"] = None if plan["users_file"] is None else Path(plan["users_file"])
    plan["security"] = tuple(plan["security"])
    return OpcuaPlan(**plan)


def sheet_of(record: TankRecord, left_s: float | None) -> dict[str, Any]:
    """What is shown of a record. `left_s`: for how long it holds from now on; None: nobody knows, so not at all."""
    inventory = record.inventory
    state = record.state
    told: list[list[Any] | None] = [_figure(figure) for figure in inventory.figures]
    told += [_figure(state.rate), _figure(state.level_rate)] if state is not None else [None, None]
    reasons = reasons_behind(inventory.figures, inventory.quality)
    alarms = None if state is None else state.alarms
    return {
        "tank": inventory.tank,
        "at": inventory.instant.timestamp(),
        "left": left_s,
        "figures": told,
        "quality": inventory.quality.word,
        "reason": "; ".join(reason.text for reason in reasons[:4]),
        "product": inventory.product,
        "limit": inventory.level_state.limit.value,
        "level_quality": int(inventory.level_state.quality),
        "roof": "" if inventory.level_state.roof is None else inventory.level_state.roof.value,
        "motion": None if state is None else state.motion.value,
        "motion_quality": int(Quality.BAD if state is None else state.rate.quality),
        "since": None if state is None or state.since is None else state.since.timestamp(),
        "activity": "" if state is None else state.activity,
        # Of a tank that nobody judged nothing is known of its alarms, least of all that there are none.
        "alarms": None if alarms is None else len(alarms),
        "unacknowledged": None if alarms is None else sum(each.phase in _UNSEEN for each in alarms),
        "worst_alarm": None if alarms is None else next((a.name for a in alarms if a.phase in _NEEDS_SOMEONE), ""),
        "phases": None if alarms is None else {each.name: each.phase.value for each in alarms},
        "simulated": inventory.simulated,
    }


def past_figures(record: TankRecord, *, simulated: bool) -> list[list[Any] | None]:
    """Those of a record of the past. What was simulated in a site that is not (`simulated`) any more is no measurement:
    Good it is by no means."""
    figures: list[list[Any] | None] = sheet_of(record, None)["figures"]
    if simulated or not record.inventory.simulated:
        return figures
    return [
        each if each is None or each[0] is None else [each[0], int(Quality.UNCERTAIN), SIMULATED, each[3]]
        for each in figures
    ]


def _figure(figure: Figure) -> list[Any]:
    """Value, quality, code of the first reason, whether by hand. A number that is none is Bad: nobody can show it."""
    value, quality, reasons, _, manual = figure
    code = reasons[0].code.value if reasons else ""
    if quality is Quality.BAD:
        value = None
    elif value is not None and not isfinite(value):
        value, quality, code = None, Quality.BAD, "calculation_failed"
    return [value, int(quality), code, manual]


def transfers_of(open_ones: Iterable[OpenTransfer]) -> dict[str, list[Any]]:
    """By tank: number, kind and phase of the transfer that it takes part in; of several the one that is furthest on,
    and of those the oldest, as everywhere."""
    found: dict[str, list[Any]] = {}
    for each in sorted(open_ones, key=lambda each: (each.phase in _AHEAD, each.number)):
        for tank in each.tanks:
            found.setdefault(tank, [each.number, each.kind, each.phase])
    return found


def event_of(event: Event, tank: str, simulated: bool) -> dict[str, Any]:
    """An event of a tank, or of the gateway itself."""
    standing = event.standing
    words = event.reason.text if event.reason is not None else ""
    return {
        "kind": event.kind.value,
        "tank": tank,
        "name": event.subject if standing is None else standing.name,
        "at": event.instant.timestamp(),
        "text": words,
        "severity": _OF_NO_ALARM if standing is None else _SEVERITY[standing.priority],
        "phase": "" if standing is None else standing.phase.value,
        "priority": "" if standing is None else standing.priority.value,
        "active": standing is not None and standing.is_active,
        "by": event.by or "",
        "simulated": simulated,
    }


def standing_event(standing: AlarmStanding, simulated: bool) -> dict[str, Any]:
    """That an alarm of the gateway itself stands otherwise than before."""
    return {
        "kind": f"alarm_{standing.phase.value}",
        "tank": "",
        "name": standing.name,
        "at": standing.since.timestamp(),
        "text": "" if standing.reason is None else standing.reason.text,
        "severity": _SEVERITY[standing.priority],
        "phase": standing.phase.value,
        "priority": standing.priority.value,
        "active": standing.is_active,
        "by": standing.by or "",
        "simulated": simulated,
    }


def limit_event(record: TankRecord, before: str) -> dict[str, Any]:
    """That the level stands otherwise against its limits than in the sheet before."""
    inventory = record.inventory
    state = inventory.level_state
    passed = state.passed_m
    text = f"level state {before} -> {state.limit.value}"
    if passed is not None:
        text += f", limit {passed:.3f} m"
    return {
        "kind": "limit_changed",
        "tank": inventory.tank,
        "name": state.limit.value,
        "at": inventory.instant.timestamp(),
        "text": text,
        "severity": _SEVERITY[Priority.LOOK] if state.limit.is_beyond else _OF_NO_ALARM,
        "phase": "",
        "priority": "",
        "active": state.limit.is_beyond,
        "by": "",
        "simulated": inventory.simulated,
    }


def clients_from(told: Sequence[Any]) -> list[tuple[str, float, str | None, str]]:
    """Address, UTC seconds since it came, name, what it was refused."""
    return [(str(a), float(s), None if n is None else str(n), str(r)) for a, s, n, r in told]
