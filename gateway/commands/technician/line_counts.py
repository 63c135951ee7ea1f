"""The counts of every line within a window: from what a running gateway counts, or from polling for as long oneself."""

import asyncio
import random
import time
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import NamedTuple

from gateway.acquisition.line import Line
from gateway.acquisition.plan import LinePlan
from gateway.clock import SystemClock
from gateway.commands.operator.running_gateway import NoGatewayError, fetch_json
from gateway.commissioning.line_findings import InstrumentCounts, LineCounts
from gateway.errors import GatewayError
from gateway.payload.lines import LINES_SCHEMA, LinesTold, lines_of
from gateway.payload.readings import READINGS_SCHEMA
from gateway.process.tasks import end, fault_of, run_together
from gateway.records import Reading
from gateway.settings.site import SiteSettings
from gateway.status import Histogram, InstrumentStatus, LineStatus

__all__ = ["Followed", "Observed", "observe_gateway", "poll_lines", "since_start"]

_TIMEOUT_S = 5.0
_LOOK_EVERY_S = 0.5


class Followed(NamedTuple):
    """One signal's values in the order of reading, and their unit; empty where they have none."""

    values: tuple[float, ...]
    unit: str


class Observed(NamedTuple):
    """What was seen of a site's lines."""

    site: str
    simulated: bool
    source: str
    window_s: float
    """A line that was begun later counts for less: its own window says how long."""
    lines: tuple[LineCounts, ...]
    values: Mapping[tuple[str, str], Followed]
    """The values of each (instrument, signal) that changed or came again, in order; empty when none were followed."""


def observe_gateway(address: str, window_s: float) -> Observed:
    """A running gateway's lines over the next `window_s`. Raises NoGatewayError."""
    before = _told(address)
    values = _follow(address, window_s)
    after = _told(address)
    if after.boot != before.boot:
        raise GatewayError(f"the gateway at {address} was started anew while it was watched; ask again")
    return _observed(address, after, before, values)


def since_start(address: str) -> Observed:
    """The same over all the time since the gateway was started, or a line begun anew."""
    return _observed(address, _told(address), None, {})


def poll_lines(site: SiteSettings, plans: Sequence[LinePlan], window_s: float) -> Observed:
    """Poll lines of a site that nobody else holds for `window_s`, as a gateway would."""
    found, values = asyncio.run(_poll(plans, window_s))
    followed = {key: Followed(tuple(seen), site.signal_units.get(key) or "") for key, seen in values.items()}
    lines = tuple(_counts_of_line(status, None, instruments, window_s) for status, instruments in found)
    return Observed(site.name, site.simulated, f"{window_s:g} s of polling by this tool", window_s, lines, followed)


async def _poll(
    plans: Sequence[LinePlan], window_s: float
) -> tuple[list[tuple[LineStatus, list[InstrumentStatus]]], dict[tuple[str, str], list[float]]]:
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
    return statuses, values


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


def _told(address: str) -> LinesTold:
    document = fetch_json(address, "/lines", LINES_SCHEMA, _TIMEOUT_S)
    try:
        return lines_of(document)
    except (KeyError, TypeError, ValueError) as error:
        raise NoGatewayError(address, "its answer is not one that this version understands") from error


def _observed(
    address: str, now: LinesTold, before: LinesTold | None, values: Mapping[tuple[str, str], Followed]
) -> Observed:
    """The counts between two documents of one boot; since each line was begun where there is but one."""
    since = now.started if before is None else before.time
    window_s = _seconds(since, now.time)
    lines_before = {} if before is None else {each.line: each for each in before.lines}
    earlier = {} if before is None else {each.instrument: each for each in before.instruments}
    lines = []
    for line in now.lines:
        instruments = [each for each in now.instruments if each.line == line.line]
        was = lines_before.get(line.line)
        if was is not None and was.since_ns == line.since_ns:
            instruments = [_grown(each, earlier.get(each.instrument)) for each in instruments]
            lines.append(_counts_of_line(line, was, instruments, window_s))
        else:
            # Counted from nothing: since the gateway's start, or since a reload that changed the line.
            lines.append(_counts_of_line(line, None, instruments, _seconds(_begun(line, now.started), now.time)))
    source = f"the gateway at {address}, {window_s:.0f} s up to {now.time:%Y-%m-%d %H:%M:%S} UTC"
    return Observed(now.site, now.simulated, source, window_s, tuple(lines), values)


def _begun(line: LineStatus, started: datetime) -> datetime:
    return started if line.since_ns is None else datetime.fromtimestamp(line.since_ns / 1e9, UTC)


def _seconds(since: datetime, until: datetime) -> float:
    return max((until - since).total_seconds(), 0.001)


def _counts_of_line(
    now: LineStatus, before: LineStatus | None, instruments: Sequence[InstrumentStatus], window_s: float
) -> LineCounts:
    def grown(name: str) -> int:
        count: int = getattr(now, name)
        return count if before is None else count - getattr(before, name)

    return LineCounts(
        now.line,
        now.connected,
        window_s,
        now.busy_s if before is None else now.busy_s - before.busy_s,
        grown("late_answers"),
        grown("unsolicited_frames"),
        tuple(_counts(each) for each in instruments),
        now.on_standby,
        now.connections_wanted,
        now.connections_open,
        grown("second_answers"),
        grown("shifts"),
    )


def _grown(now: InstrumentStatus, before: InstrumentStatus | None) -> InstrumentStatus:
    """What has been counted since `before`."""
    if before is None:
        return now
    errors = {kind: count - before.errors.get(kind, 0) for kind, count in now.errors.items()}
    answers = zip(now.response_time.counts, before.response_time.counts, strict=True)
    return now._replace(
        requests=now.requests - before.requests,
        errors={kind: count for kind, count in errors.items() if count},
        response_time=Histogram(
            now.response_time.bounds_s,
            tuple(count - earlier for count, earlier in answers),
            now.response_time.sum_s - before.response_time.sum_s,
        ),
    )


def _counts(status: InstrumentStatus) -> InstrumentCounts:
    histogram = status.response_time
    buckets = tuple(zip(histogram.bounds_s, histogram.counts, strict=True))
    errors = dict(status.errors)
    return InstrumentCounts(status.instrument, status.requests, errors, buckets, histogram.sum_s, status.up)
