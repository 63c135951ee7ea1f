"""Pure: records to the names and plain values that leave the gateway. Their JSON Schemas: gateway/payload/schemas.

SI always, at full precision; rounding is for displays. A Bad figure has the value null, whatever the record says, and a
number that JSON cannot carry is refused: it would arrive as null beside Good.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from math import isfinite
from typing import Any, Literal, NamedTuple

import orjson

from gateway.errors import DeliveryError
from gateway.figures import FIGURE_DEFINITIONS
from gateway.payload.plain import iso_time, reason_document, time_of_age
from gateway.payload.tank_state import state_document
from gateway.records import ElementUse, Inventory, LastGood, LevelState, Quality
from gateway.states import LimitState
from gateway.status import DestinationStatus, GatewaySnapshot, LastBoot
from gateway.tank_record import Identity, TankRecord
from gateway.tank_state import AlarmPhase, TankState
from gateway.validity import valid_until

__all__ = [
    "HEARTBEAT_SCHEMA",
    "INVENTORIES_SCHEMA",
    "INVENTORY_SCHEMA",
    "INVENTORY_VERSION_SCHEMA",
    "STATUS_SCHEMA",
    "StatusCause",
    "StatusContext",
    "heartbeat_json",
    "identity_document",
    "inventories_json",
    "inventories_pieces",
    "inventory_document",
    "inventory_json",
    "inventory_payload",
    "status_json",
    "status_payload",
]

INVENTORY_SCHEMA = "tank-gateway/inventory/1"
INVENTORY_VERSION_SCHEMA = "tank-gateway/inventory-version/1"
"""An inventory made again: the members of an inventory, and `version`."""
INVENTORIES_SCHEMA = "tank-gateway/inventories/1"
STATUS_SCHEMA = "tank-gateway/gateway-status/1"
HEARTBEAT_SCHEMA = "tank-gateway/heartbeat/1"

StatusCause = Literal["stopped", "connection_lost"]
"""Why a gateway is offline: it said so itself, or the server noticed (last will)."""

_BEYOND = tuple(state.value for state in LimitState if state.is_beyond)
_WORDS = tuple(quality.word for quality in Quality)
_BLANK_FIGURES: tuple[tuple[str, dict[str, Any]], ...] = tuple(
    (each.name, {"value": None, "unit": each.unit, "quality": None, "reason": None, "time": None})
    for each in FIGURE_DEFINITIONS
)
_BLANK_ELEMENT: dict[str, Any] = dict.fromkeys(("height", "value", "used", "weight", "quality", "reason", "submerged"))
"""Both are copied and filled in: at half the price of writing each of them out."""


def inventory_payload(record: TankRecord) -> dict[str, Any]:
    """The inventory of a record as plain values, as inventory.json describes them.

    Raises DeliveryError when a number is not finite or the instant has no zone.
    """
    return inventory_document(record.identity, record.inventory, record.valid_for_s, record.state)


def inventory_document(
    identity: Identity, inventory: Inventory, valid_for_s: float | None = None, state: TankState | None = None
) -> dict[str, Any]:
    """The same of an inventory that may have come without what it was made from. Raises as it does."""
    instant = inventory.instant
    time_now = iso_time(instant)
    payload: dict[str, Any] = {
        "schema": INVENTORY_SCHEMA,
        "identity": identity_document(identity),
        "product": inventory.product,
        "time": time_now,
        "valid_until": _end_of_validity(instant, valid_for_s),
        "valid_for_s": valid_for_s,
        "quality": _WORDS[inventory.quality],
    }
    if inventory.simulated:
        payload["simulated"] = True
        payload["notice"] = "SIMULATED"
    payload["sources"] = inventory.sources._asdict()
    reference_c = inventory.reference_temperature_c
    payload["reference_temperature"] = None if reference_c is None else {"value": reference_c, "unit": "degC"}
    payload["level_state"] = _level_state(inventory.level_state)
    payload["figures"] = _figures(inventory, time_now)
    if inventory.endings:
        payload["endings"] = [{"entry": entry, "expires": iso_time(expires)} for entry, expires in inventory.endings]
    payload["elements"] = [_element(inventory.tank, element) for element in inventory.elements]
    if state is not None:
        payload["state"] = state_document(state, inventory)
    return payload


def identity_document(identity: Identity) -> dict[str, Any]:
    """What a record or an event is known by; the tank is null for what happens to the gateway itself."""
    site, tank, boot, sequence = identity
    return {"site": site, "tank": tank or None, "boot": boot, "sequence": sequence}


def inventory_json(record: TankRecord) -> bytes:
    """`inventory_payload` as UTF-8 JSON. Raises DeliveryError as it does."""
    return _encode(inventory_payload(record))


def inventories_json(snapshot: GatewaySnapshot) -> bytes:
    """Every tank's newest inventory in one JSON document, as inventories.json describes it."""
    return b"".join(inventories_pieces(snapshot))


def inventories_pieces(snapshot: GatewaySnapshot) -> Iterator[bytes]:
    """`inventories_json` in pieces, one for each tank: the whole of a thousand would take too long to make at once."""
    head = _encode(
        {
            "schema": INVENTORIES_SCHEMA,
            "site": snapshot.site,
            "time": iso_time(snapshot.instant),
            "time_zone": snapshot.time_zone,
            "simulated": snapshot.simulated,
            **_pace(snapshot),
            "awaited": snapshot.awaited,
            "lines": [{"line": status.line, "connected": status.connected} for status in snapshot.lines],
            "destinations": [_destination(status) for status in snapshot.destinations],
            "entered": [
                {"about": each.about, "quantity": each.quantity, "used": each.is_used, "text": each.text}
                for each in snapshot.entered
            ],
            "open_transfers": [
                {
                    "number": each.number,
                    "kind": each.kind,
                    "phase": each.phase,
                    "tanks": list(each.tanks),
                    "since": iso_time(each.since),
                    "waits_for": each.waits_for,
                }
                for each in (() if snapshot.accounts is None else snapshot.accounts.open)
            ],
            "alarms": [
                {"name": each.standing.name, "phase": each.standing.phase, "priority": each.standing.priority}
                for each in snapshot.alarms
                if not each.tank and each.standing.phase is not AlarmPhase.NORMAL
            ],
        }
    )
    yield head.removesuffix(b"}") + b',"inventories":['
    comma = b""
    for record in snapshot.inventories:
        yield comma + inventory_json(record)
        comma = b","
    yield b"]}"


class StatusContext(NamedTuple):
    """What a status and a sign of life say beside the snapshot: of their connection, and of what was found there."""

    connected_since: datetime
    valid_for_s: float
    """How long they hold: until then the next comes."""
    last_boot: LastBoot | None = None


def status_payload(snapshot: GatewaySnapshot, cause: StatusCause | None, context: StatusContext) -> dict[str, Any]:
    """The gateway's own state, as gateway-status.json describes it: online, or offline for a `cause`.

    A last will is lodged at connect: its `time` and counts are those of the connect, not of the loss.
    """
    last_boot = context.last_boot
    holds_s = context.valid_for_s if cause is None else None
    counts = [0, 0, 0]
    states = dict.fromkeys(_BEYOND, 0)
    for record in snapshot.inventories:
        counts[record.inventory.quality] += 1
        limit = record.inventory.level_state.limit
        if limit in states:
            states[limit.value] += 1
    payload: dict[str, Any] = {
        "schema": STATUS_SCHEMA,
        "site": snapshot.site,
        "state": "online" if cause is None else "offline",
        "cause": cause,
        "version": snapshot.version,
        "boot": snapshot.boot,
        "started": iso_time(datetime.fromtimestamp(snapshot.started_ns / 1e9, UTC)),
        "time": iso_time(snapshot.instant),
        "valid_until": _end_of_validity(snapshot.instant, holds_s),
        "valid_for_s": holds_s,
        "connected_since": iso_time(context.connected_since),
        "last_boot": None if last_boot is None else last_boot._asdict(),
        "simulated": snapshot.simulated,
        **_pace(snapshot),
        "tanks": {
            "total": len(snapshot.inventories) + len(snapshot.awaited),
            "good": counts[Quality.GOOD],
            "uncertain": counts[Quality.UNCERTAIN],
            "bad": counts[Quality.BAD],
            "awaited": len(snapshot.awaited),
            **states,
        },
        "destinations": [_destination(status) for status in snapshot.destinations],
        "lost_records": sum(
            status.lost + (0 if status.history is None else status.history.lost) for status in snapshot.destinations
        ),
        "calculation_errors": snapshot.calculation_errors,
    }
    if snapshot.simulated:
        payload["notice"] = "SIMULATED"
    return payload


def status_json(snapshot: GatewaySnapshot, cause: StatusCause | None, context: StatusContext) -> bytes:
    """`status_payload` as UTF-8 JSON."""
    return _encode(status_payload(snapshot, cause, context))


def heartbeat_json(snapshot: GatewaySnapshot, context: StatusContext) -> bytes:
    """The latest sign of life, as heartbeat.json describes it, in UTF-8 JSON. A last will does not replace it."""
    payload: dict[str, Any] = {
        "schema": HEARTBEAT_SCHEMA,
        "site": snapshot.site,
        "boot": snapshot.boot,
        "time": iso_time(snapshot.instant),
        "valid_until": _end_of_validity(snapshot.instant, context.valid_for_s),
        "valid_for_s": context.valid_for_s,
        "connected_since": iso_time(context.connected_since),
        "simulated": snapshot.simulated,
        **_pace(snapshot),
    }
    if snapshot.simulated:
        payload["notice"] = "SIMULATED"
    return _encode(payload)


def _pace(snapshot: GatewaySnapshot) -> dict[str, float]:
    """Every time of such a site is its own, and runs ahead of the reader's."""
    return {} if snapshot.time_factor == 1.0 else {"time_factor": snapshot.time_factor}


def _figures(inventory: Inventory, time_now: str) -> dict[str, Any]:
    """`time_now`: its instant, in words."""
    instant = inventory.instant
    last_good = inventory.last_good
    simulated = inventory.simulated
    # The figures of one sheet rest on few distinct inputs, so few distinct ages come up.
    times: dict[float, str | None] = {0.0: time_now}
    figures: dict[str, Any] = {}
    for (name, blank), (value, quality, reasons, age_s, manual) in zip(_BLANK_FIGURES, inventory.figures, strict=True):
        if quality == 2:
            value = None
        # The difference of two infinities, and of anything with NaN, is NaN.
        elif value is not None and value - value != 0.0:
            raise _not_finite(inventory.tank, name, value)
        if age_s in times:
            time = times[age_s]
        else:
            time = times[age_s] = time_of_age(instant, age_s)
        figures[name] = figure = blank.copy()
        figure["value"] = value
        figure["time"] = time
        figure["quality"] = _WORDS[quality]
        if reasons:
            figure["reason"] = reason_document(reasons[0])
            if len(reasons) > 1:
                figure["reasons"] = [reason_document(reason) for reason in reasons]
        if manual:
            figure["manual"] = True
        if simulated:
            figure["simulated"] = True
        if quality == 2 and name in last_good:
            figure["last_good"] = _last_good(inventory.tank, name, last_good[name])
    return figures


def _element(tank: str, element: ElementUse) -> dict[str, Any]:
    height, value, used, weight, quality, reason, submerged = element
    if quality == 2:
        value = None
    elif value is not None and value - value != 0.0:
        raise _not_finite(tank, f"element at {height} m", value)
    if weight - weight != 0.0 or height - height != 0.0:
        raise _not_finite(tank, f"element at {height} m, weight", weight)
    told = _BLANK_ELEMENT.copy()
    told["height"] = height
    told["value"] = value
    told["used"] = used
    told["weight"] = weight
    told["quality"] = _WORDS[quality]
    if reason is not None:
        told["reason"] = reason_document(reason)
    told["submerged"] = submerged
    return told


def _level_state(state: LevelState) -> dict[str, Any]:
    limit, roof, quality, minimum_m, maximum_working_m, high_high_m, critical_high_m = state
    return {
        "limit": limit,
        "roof": roof,
        "quality": _WORDS[quality],
        "limits": {
            "minimum": minimum_m,
            "maximum_working": maximum_working_m,
            "high_high": high_high_m,
            "critical_high": critical_high_m,
            "unit": "m",
        },
    }


def _last_good(tank: str, name: str, last_good: LastGood) -> dict[str, Any]:
    if not isfinite(last_good.value):
        raise _not_finite(tank, f"{name}, last good", last_good.value)
    return {"value": last_good.value, "time": iso_time(datetime.fromtimestamp(last_good.time_s, UTC))}


def _end_of_validity(instant: datetime, for_s: float | None) -> str | None:
    end = valid_until(instant, for_s)
    return None if end is None else iso_time(end)


def _destination(status: DestinationStatus) -> dict[str, Any]:
    return {
        "destination": status.destination,
        "connected": status.connected,
        "delivered": status.delivered,
        "lost": status.lost,
        "dropped": status.dropped,
        "waiting": status.waiting,
        "oldest_waiting_s": status.oldest_waiting_s,
        "history": None if status.history is None else status.history._asdict(),
        "troubles": [trouble._asdict() for trouble in status.troubles],
        "clients": [
            {"address": each.address, "since": iso_time(each.since), "name": each.name, "refused": each.refused}
            for each in status.clients
        ],
    }


def _not_finite(tank: str, what: str, value: float) -> DeliveryError:
    return DeliveryError(f"tank {tank}: {what} is {value}, not a finite number; the record is not delivered")


def _encode(payload: dict[str, Any]) -> bytes:
    return orjson.dumps(payload)
