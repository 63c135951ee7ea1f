"""Pure: what was kept, one message each: a record of history, and an event. Written here, read by `payload.reader`.

JSON Schemas: gateway/payload/schemas/history.json and event.json. By its identity, an event by its number too, a
consumer drops a repeat.
"""

from typing import Any

import orjson

from gateway.errors import DeliveryError
from gateway.history import KeptEvent, KeptRecord
from gateway.payload.alarms import standing_document
from gateway.payload.plain import iso_time, reason_document
from gateway.payload.writer import identity_document, inventory_document

__all__ = ["EVENT_SCHEMA", "HISTORY_SCHEMA", "event_json", "history_json"]

HISTORY_SCHEMA = "tank-gateway/history/1"
EVENT_SCHEMA = "tank-gateway/event/1"


def history_json(kept: KeptRecord) -> bytes:
    """UTF-8 JSON: the members of an inventory, which record came before, and nothing of how long it holds: it is true
    of its instant for ever.

    Raises DeliveryError when a number is not finite or the instant has no zone.
    """
    payload = inventory_document(kept.record.identity, kept.record.inventory, state=kept.record.state)
    del payload["valid_until"], payload["valid_for_s"]
    payload["schema"] = HISTORY_SCHEMA
    payload["previous"] = None if kept.previous is None else kept.previous._asdict()
    return orjson.dumps(payload)


def event_json(kept: KeptEvent, *, simulated: bool = False) -> bytes:
    """UTF-8 JSON. `simulated`: of a gateway whose instruments are.

    Raises DeliveryError when its time has no zone, or the paper that it carries cannot be read.
    """
    event = kept.event
    payload = {
        "schema": EVENT_SCHEMA,
        "identity": identity_document(kept.identity),
        "number": kept.number,
        "kind": event.kind,
        "time": iso_time(event.instant),
        "subject": event.subject,
        "reason": None if event.reason is None else reason_document(event.reason),
        "by": event.by,
        "alarm": None if event.standing is None else standing_document(event.standing),
        "document": _document(event.document),
    }
    if simulated:
        payload |= {"simulated": True, "notice": "SIMULATED"}
    return orjson.dumps(payload)


def _document(text: str) -> dict[str, Any] | None:
    """A paper of the accounts, as it was kept."""
    if not text:
        return None
    try:
        document = orjson.loads(text)
    except ValueError as error:
        raise DeliveryError(f"an event carries a paper that cannot be read: {error}") from error
    if not isinstance(document, dict):
        raise DeliveryError("an event carries a paper that is none")
    return document
