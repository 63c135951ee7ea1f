"""The counts of every line within a window: from a running gateway's metrics, or from polling for as long oneself."""

import asyncio
import random
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import NamedTuple

from prometheus_client.parser import text_string_to_metric_families

from gateway.acquisition.line import Line
from gateway.acquisition.plan import LinePlan, units_of_signals
from gateway.clock import SystemClock
from gateway.commands.running_gateway import NoGatewayError, fetch, fetch_json
from gateway.commissioning.line_findings import InstrumentCounts, LineCounts
from gateway.delivery.readings import READINGS_SCHEMA
from gateway.errors import GatewayError
from gateway.records import Reading
from gateway.status import InstrumentStatus, LineStatus
from gateway.tasks import end, fault_of, run_together

__all__ = ["Followed", "Observed", "observe_gateway", "poll_lines", "since_start"]

_TIMEOUT_S = 5.0
_LOOK_EVERY_S = 0.5
_PREFIX = "tank_gateway_"
_Labels = tuple[tuple[str, str], ...]
_Scrape = Mapping[str, Mapping[_Labels, float]]


class Followed(NamedTuple):
    """One signal's values in the order of reading, and their unit; empty where they have none."""

    values: tuple[float, ...]
    unit: str


class Observed(NamedTuple):
    """What was seen of a site's lines."""

    site: str
    simulated: bool
    source: str
    lines: tuple[LineCounts, ...]
    values: Mapping[tuple[str, str], Followed]
    """The values of each (instrument, signal) that changed or came again, in order; empty when none were followed."""


def observe_gateway(address: str, window_s: float) -> Observed:
    """A running gateway's lines over the next `window_s`. Raises NoGatewayError."""
    before = _scrape(address)
    values = _follow(address, window_s)
    after = _scrape(address)
    elapsed_s = _only(after, "clock_seconds", address) - _only(before, "clock_seconds", address)
    if _only(after, "start_time_seconds", address) != _only(before, "start_time_seconds", address):
        raise GatewayError(f"the gateway at {address} was started anew while it was watched; ask again")
    return _observed(address, after, before, max(elapsed_s, 0.001), values)


def since_start(address: str) -> Observed:
    """The same over all the time since the gateway was started."""
    now = _scrape(address)
    elapsed_s = _only(now, "clock_seconds", address) - _only(now, "start_time_seconds", address)
    return _observed(address, now, {}, max(elapsed_s, 0.001), {})


def poll_lines(site: str, simulated: bool, plans: Sequence[LinePlan], window_s: float) -> Observed:
    """Poll lines that nobody else holds for `window_s`, as a gateway would."""
    found, values = asyncio.run(_poll(plans, window_s))
    lines = tuple(
        LineCounts(
            status.line,
            status.connected,
            window_s,
            status.busy_s,
            status.late_answers,
            status.unsolicited_frames,
            tuple(_counts(each) for each in instruments),
            status.on_standby,
            status.connections_wanted,
            status.connections_open,
            status.second_answers,
            status.shifts,
        )
        for status, instruments in found
    )
    return Observed(site, simulated, f"{window_s:g} s of polling by this tool", lines, values)


def _counts(status: InstrumentStatus) -> InstrumentCounts:
    histogram = status.response_time
    buckets = tuple(zip(histogram.bounds_s, histogram.counts, strict=True))
    errors = dict(status.errors)
    return InstrumentCounts(status.instrument, status.requests, errors, buckets, histogram.sum_s, status.up)


async def _poll(
    plans: Sequence[LinePlan], window_s: float
) -> tuple[list[tuple[LineStatus, list[InstrumentStatus]]], dict[tuple[str, str], Followed]]:
    values: dict[tuple[str, str], list[float]] = defaultdict(list)

    def take(readings: Sequence[Reading]) -> None:
        for reading in readings:
            if reading.value is not None:
                values[reading.instrument, reading.signal].append(reading.value)

    lines = [Line(plan, take, clock=SystemClock(), random=random.Random()) for plan in plans]
    runs = [(f"line {plan.name}", line.run) for plan, line in zip(plans, lines, strict=True) if plan.instruments]
    polling = asyncio.create_task(run_together(runs), name="polling")
    try:
        await asyncio.wait([polling], timeout=window_s)
        if polling.done():
            raise fault_of(polling)
        statuses = [(line.status(), line.instrument_statuses()) for line in lines]
    finally:
        await end([polling])
    units = units_of_signals(plans)
    return statuses, {key: Followed(tuple(seen), units.get(key, "")) for key, seen in values.items()}


def _follow(address: str, window_s: float) -> dict[tuple[str, str], Followed]:
    """Each new reading of each signal until the window has passed."""
    seen: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    units: dict[tuple[str, str], str] = {}
    end = time.monotonic() + window_s
    while (left_s := end - time.monotonic()) > 0.0:
        document = fetch_json(address, "/readings", READINGS_SCHEMA, _TIMEOUT_S)
        for reading in document["readings"]:
            if reading["value"] is not None:
                key = reading["instrument"], reading["signal"]
                seen[key][reading["time"]] = reading["value"]
                units[key] = reading["unit"] or ""
        time.sleep(min(_LOOK_EVERY_S, left_s))
    return {
        key: Followed(tuple(by_time[each] for each in sorted(by_time)), units[key]) for key, by_time in seen.items()
    }


def _scrape(address: str) -> _Scrape:
    """The gateway's own metrics, by name without the prefix and by labels without the site."""
    found: dict[str, dict[_Labels, float]] = defaultdict(dict)
    try:
        text = fetch(address, "/metrics", _TIMEOUT_S).decode()
        for family in text_string_to_metric_families(text):
            for sample in family.samples:
                if sample.name.startswith(_PREFIX):
                    labels = tuple(sorted((k, v) for k, v in sample.labels.items() if k != "site"))
                    found[sample.name.removeprefix(_PREFIX)][labels] = sample.value
                    if "site" in sample.labels:
                        found["site"][("site", sample.labels["site"]),] = 1.0
    except ValueError as error:
        raise NoGatewayError(address, "what answers there sends no metrics", surely=True) from error
    if not found:
        raise NoGatewayError(address, "what answers there sends no metrics of a gateway", surely=True)
    return found


def _only(scrape: _Scrape, name: str, address: str) -> float:
    if not scrape.get(name):
        raise NoGatewayError(address, f"its metrics have no {_PREFIX}{name}")
    return next(iter(scrape[name].values()))


def _observed(
    address: str, now: _Scrape, before: _Scrape, window_s: float, values: Mapping[tuple[str, str], Followed]
) -> Observed:
    def grown(name: str, labels: Mapping[str, str]) -> float:
        key = tuple(sorted(labels.items()))
        return now.get(name, {}).get(key, 0.0) - before.get(name, {}).get(key, 0.0)

    lines = []
    for labels, connected in now.get("line_connected", {}).items():
        line = dict(labels)
        instruments = tuple(
            _instrument(dict(each), now, before)
            for each in now.get("instrument_requests_total", {})
            if dict(each)["line"] == line["line"]
        )
        lines.append(
            LineCounts(
                line["line"],
                bool(connected),
                window_s,
                grown("line_busy_seconds_total", line),
                round(grown("line_late_answers_total", line)),
                round(grown("line_unsolicited_frames_total", line)),
                instruments,
                bool(now["line_on_standby"][labels]),
                round(now["line_connections_wanted"][labels]),
                round(now["line_connections_open"][labels]),
                round(grown("line_second_answers_total", line)),
                round(grown("line_shifts_total", line)),
            )
        )
    (site,) = (dict(labels)["site"] for labels in now["site"])
    since = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    source = f"the gateway at {address}, {window_s:.0f} s up to {since}"
    return Observed(site, bool(_only(now, "simulated", address)), source, tuple(lines), values)


def _instrument(labels: Mapping[str, str], now: _Scrape, before: _Scrape) -> InstrumentCounts:
    def change(name: str, key: _Labels) -> float:
        return now[name][key] - before.get(name, {}).get(key, 0.0)

    mine = set(labels.items())
    errors = {
        dict(key)["kind"]: round(change("instrument_errors_total", key))
        for key in now.get("instrument_errors_total", {})
        if mine <= set(key)
    }
    bucket = "instrument_response_seconds_bucket"
    buckets = sorted(
        (float(dict(key)["le"]), round(change(bucket, key))) for key in now.get(bucket, {}) if mine <= set(key)
    )
    key = tuple(sorted(labels.items()))
    total = "instrument_response_seconds_sum"
    return InstrumentCounts(
        labels["instrument"],
        round(change("instrument_requests_total", key)),
        {kind: count for kind, count in errors.items() if count},
        tuple(buckets),
        change(total, key) if key in now.get(total, {}) else 0.0,
        bool(now["instrument_up"][key]),
    )
