"""Pure: the newest reading of every signal with its raw words, and which addresses the gateway polls.

For the technician at the panel: a tool that finds the words here need not ask the instrument a second time, and a tool
that would ask can see that the line is taken. JSON Schema: gateway/payload/schemas/readings.json.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from itertools import islice
from math import isfinite
from typing import Any

import orjson

from gateway.errors import DeliveryError
from gateway.payload.plain import iso_time
from gateway.payload.told import sentence_documents
from gateway.reasons import Reason
from gateway.records import Quality, Reading
from gateway.status import GatewaySnapshot

__all__ = ["READINGS_SCHEMA", "readings_documents", "readings_json", "readings_pieces"]

READINGS_SCHEMA = "tank-gateway/readings/1"
_READINGS_A_PIECE = 100

Units = Mapping[tuple[str, str], str | None]
"""The unit of each (instrument, signal); None for a contact and for a number without one."""


def readings_json(
    snapshot: GatewaySnapshot, addresses: Mapping[str, str], readings: Iterable[Reading], units: Units
) -> bytes:
    """One JSON document. `addresses`: where each line is, by its name. Values in SI, each with its unit; a Bad one is
    null.

    Raises DeliveryError for a value that is not finite.
    """
    return b"".join(readings_pieces(snapshot, addresses, readings, units))


def readings_pieces(
    snapshot: GatewaySnapshot, addresses: Mapping[str, str], readings: Iterable[Reading], units: Units
) -> Iterator[bytes]:
    """`readings_json` in pieces, so that others have their turn between them. `readings` must not change meanwhile."""
    head: dict[str, Any] = {
        "schema": READINGS_SCHEMA,
        "site": snapshot.site,
        "time": iso_time(snapshot.instant),
        "simulated": snapshot.simulated,
        "lines": [
            {"line": status.line, "address": addresses[status.line], "connected": status.connected}
            for status in snapshot.lines
        ],
    }
    yield orjson.dumps(head).removesuffix(b"}") + b',"readings":['
    rest, comma = iter(readings), b""
    reasons: list[Reason] = []
    while some := list(islice(rest, _READINGS_A_PIECE)):
        yield comma + orjson.dumps([_reading(reading, units) for reading in some])[1:-1]
        reasons += [reading.reason for reading in some if reading.reason is not None]
        comma = b","
    yield b'],"sentences":' + orjson.dumps(sentence_documents(reasons)) + b"}"


def readings_documents(readings: Iterable[Reading], units: Units) -> list[dict[str, Any]]:
    """Of some, as plain values. Raises DeliveryError as `readings_json` does."""
    return [_reading(reading, units) for reading in readings]


def _reading(reading: Reading, units: Units) -> dict[str, Any]:
    value = None if reading.quality is Quality.BAD else reading.value
    if value is not None and not isfinite(value):
        raise DeliveryError(f"{reading.instrument}.{reading.signal} is {value}, which JSON cannot carry")
    reason = reading.reason
    return {
        "instrument": reading.instrument,
        "signal": reading.signal,
        "value": value,
        "unit": units.get((reading.instrument, reading.signal)),
        "quality": reading.quality.word,
        "reason": None if reason is None else {"code": str(reason.code), "text": reason.text},
        "time": iso_time(datetime.fromtimestamp(reading.time_ns / 1e9, UTC)),
        "raw": list(reading.raw),
    }
