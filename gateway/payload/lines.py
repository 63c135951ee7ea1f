"""Pure: how lines and instruments do, counted since the start, as one document that is written and read here.

For tools that tell how a line does: two such documents give the counts of the time between them. JSON Schema:
gateway/payload/schemas/lines.json. A reader takes no notice of members that it does not know.
"""

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, NamedTuple

import orjson

from gateway.payload.plain import iso_time
from gateway.status import GatewaySnapshot, Histogram, InstrumentStatus, LineStatus

__all__ = ["LINES_SCHEMA", "LinesTold", "lines_json", "lines_of"]

LINES_SCHEMA = "tank-gateway/lines/1"
_LINE_COUNTS = (
    *("late_answers", "unsolicited_frames", "second_master_suspicions", "second_answers", "shifts"),
    *("connections_wanted", "connections_open"),
)


class LinesTold(NamedTuple):
    """What such a document says."""

    site: str
    boot: str
    simulated: bool
    started: datetime
    time: datetime
    lines: tuple[LineStatus, ...]
    instruments: tuple[InstrumentStatus, ...]


def lines_json(snapshot: GatewaySnapshot) -> bytes:
    """UTF-8 JSON."""
    return orjson.dumps(
        {
            "schema": LINES_SCHEMA,
            "site": snapshot.site,
            "boot": snapshot.boot,
            "version": snapshot.version,
            "started": iso_time(datetime.fromtimestamp(snapshot.started_ns / 1e9, UTC)),
            "time": iso_time(snapshot.instant),
            "simulated": snapshot.simulated,
            "lines": [_line(status) for status in snapshot.lines],
            "instruments": [_instrument(status) for status in snapshot.instruments],
        }
    )


def lines_of(document: Mapping[str, Any]) -> LinesTold:
    """What a document of `LINES_SCHEMA` says. Raises KeyError, TypeError or ValueError where it is not well formed."""
    return LinesTold(
        document["site"],
        document["boot"],
        document["simulated"],
        datetime.fromisoformat(document["started"]),
        datetime.fromisoformat(document["time"]),
        tuple(_line_of(each) for each in document["lines"]),
        tuple(_instrument_of(each) for each in document["instruments"]),
    )


def _line(status: LineStatus) -> dict[str, Any]:
    return {
        "line": status.line,
        "connected": status.connected,
        "path": status.path,
        "on_standby": status.on_standby,
        "busy_s": status.busy_s,
        "lateness": _histogram(status.lateness),
        **{name: getattr(status, name) for name in _LINE_COUNTS},
        "second_master_suspected": status.second_master_suspected,
        "since": _time(status.since_ns),
        # JSON has no numbers as names.
        "functions_sent": {str(code): count for code, count in sorted(status.functions_sent.items())},
    }


def _line_of(told: Mapping[str, Any]) -> LineStatus:
    return LineStatus(
        told["line"],
        told["connected"],
        told["busy_s"],
        _histogram_of(told["lateness"]),
        path=told["path"],
        on_standby=told["on_standby"],
        **{name: told[name] for name in _LINE_COUNTS},
        since_ns=_time_of(told.get("since")),
        second_master_suspected=told.get("second_master_suspected", False),
        functions_sent={int(code): count for code, count in told.get("functions_sent", {}).items()},
    )


def _instrument(status: InstrumentStatus) -> dict[str, Any]:
    return {
        "instrument": status.instrument,
        "line": status.line,
        "up": status.up,
        "requests": status.requests,
        "errors": dict(status.errors),
        "last_answer": _time(status.last_answer_ns),
        "response_time": _histogram(status.response_time),
        "timeout_s": status.timeout_s,
        "duplicate_address_suspicions": status.duplicate_address_suspicions,
    }


def _instrument_of(told: Mapping[str, Any]) -> InstrumentStatus:
    return InstrumentStatus(
        told["instrument"],
        told["line"],
        told["up"],
        told["requests"],
        dict(told["errors"]),
        _time_of(told["last_answer"]),
        _histogram_of(told["response_time"]),
        told["timeout_s"],
        told["duplicate_address_suspicions"],
    )


def _time(utc_ns: int | None) -> str | None:
    return None if utc_ns is None else iso_time(datetime.fromtimestamp(utc_ns / 1e9, UTC))


def _time_of(told: str | None) -> int | None:
    """UTC, ns, to the millisecond."""
    return None if told is None else round(datetime.fromisoformat(told).timestamp() * 1000.0) * 1_000_000


def _histogram(histogram: Histogram) -> dict[str, Any]:
    """JSON has no infinity: the last bound, which is infinite, is null."""
    bounds = [None if math.isinf(bound_s) else bound_s for bound_s in histogram.bounds_s]
    return {"bounds_s": bounds, "counts": list(histogram.counts), "sum_s": histogram.sum_s}


def _histogram_of(told: Mapping[str, Any]) -> Histogram:
    bounds = tuple(math.inf if bound_s is None else float(bound_s) for bound_s in told["bounds_s"])
    return Histogram(bounds, tuple(told["counts"]), told["sum_s"])
