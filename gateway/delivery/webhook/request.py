"""An event, or several, as a request: body, what it may be known by, and its signature."""

import hashlib
import hmac
from collections.abc import Sequence
from typing import NamedTuple
from urllib.parse import quote

from gateway.history import KeptEvent
from gateway.payload.history import event_json

__all__ = ["SIGNATURE", "Request", "request_of", "signature"]

SIGNATURE = "Tank-Gateway-Signature"


class Request(NamedTuple):
    body: bytes
    key: str
    """For `Idempotency-Key`: the same for the same events."""


def request_of(events: Sequence[KeptEvent], *, as_list: bool, simulated: bool) -> Request:
    """Raises DeliveryError where an event cannot be told."""
    documents = [event_json(event, simulated=simulated) for event in events]
    if not as_list:
        return Request(documents[0], _key(events[0]))
    key = _key(events[0]) if len(events) == 1 else f"{_key(events[0])}..{_key(events[-1])}"
    return Request(b"[" + b",".join(documents) + b"]", key)


def signature(secret: str, body: bytes) -> str:
    """HMAC-SHA256 (RFC 2104) over the body as it is sent, in hexadecimal."""
    return f"sha256={hmac.new(secret.encode(), body, hashlib.sha256).hexdigest()}"


def _key(event: KeptEvent) -> str:
    identity = event.identity
    return f"{quote(identity.tank, safe='')}:{identity.boot}:{identity.sequence}:{event.number}"
