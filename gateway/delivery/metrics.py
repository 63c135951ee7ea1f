"""The present state for Prometheus: every scrape is made from a fresh snapshot, so that nothing stale can linger.

A figure that is Bad, or has no value, is absent; `tank_quality` and `tank_figure_quality` say why a series is missing.
Series of simulated tanks carry the label simulated="true", series of real ones have no such label: a query with
{simulated!="true"} keeps simulated stock out of totals.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from math import isfinite
from typing import Any

from gateway.delivery.exposition import Kind, family, histogram_samples, label_text, sample
from gateway.delivery.slices import joined, packed
from gateway.figures import FIGURE_DEFINITIONS, FigureDefinition
from gateway.records import Quality
from gateway.states import LimitState, RoofZone
from gateway.status import GatewaySnapshot
from gateway.tank_record import TankRecord

__all__ = ["Metrics"]

_LINES_A_PIECE = 1_000
"""Written in well under a millisecond."""
_QUALITY = "0 Good, 1 Uncertain, 2 Bad"
_BAD = Quality.BAD

_LIMIT_NUMBERS = {
    LimitState.BELOW_MINIMUM: -1,
    LimitState.NORMAL: 0,
    LimitState.ABOVE_MAXIMUM_WORKING: 1,
    LimitState.ABOVE_HIGH_HIGH: 2,
    LimitState.ABOVE_CRITICAL_HIGH: 3,
}
_LIMIT_NAMES = ("minimum", "maximum_working", "high_high", "critical_high")
_ROOF_NUMBERS = {RoofZone.LANDED: 0, RoofZone.CRITICAL: 1, RoofZone.FLOATING: 2}

_Labelled = list[tuple[TankRecord, str]]
"""Each record with its labels as text: most of a line, and the same in a hundred lines."""


class Metrics:
    """The gateway's metrics in Prometheus text format 0.0.4. Values in SI, masses in g."""

    def __init__(self, snapshot: Callable[[], GatewaySnapshot]) -> None:
        self._snapshot = snapshot

    def render(self) -> bytes:
        """The present state, in one go."""
        return b"".join(_pieces(self._snapshot()))

    async def render_in_slices(self) -> bytes:
        """The same: the snapshot is taken now, and written out while the event loop goes about its other work."""
        return await joined(_pieces(self._snapshot()))

    async def packed_in_slices(self) -> bytes:
        """The same, packed by gzip."""
        return await packed(_pieces(self._snapshot()))


def _pieces(snapshot: GatewaySnapshot) -> Iterator[bytes]:
    lines = _lines(snapshot)
    while piece := "".join(islice(lines, _LINES_A_PIECE)):
        yield piece.encode()


def _lines(snapshot: GatewaySnapshot) -> Iterator[str]:
    labelled = [(record, _tank_labels(record)) for record in snapshot.inventories]
    for position, definition in enumerate(FIGURE_DEFINITIONS):
        yield from family(definition.metric, "gauge", f"{definition.title}.", _figures(labelled, position, definition))
    yield from _conditions(labelled)
    yield from _elements(labelled)
    yield from _instruments(snapshot)
    yield from _line_metrics(snapshot)
    yield from _destinations(snapshot)
    yield from _whole(snapshot)


def _tank_labels(record: TankRecord) -> str:
    inventory = record.inventory
    labels = label_text(site=record.identity.site, tank=inventory.tank, product=inventory.product)
    return f'{labels},simulated="true"' if inventory.simulated else labels


# Tanks: a thousand of them make nine lines of ten, so these are written without a call for each line.


def _figures(labelled: _Labelled, position: int, definition: FigureDefinition) -> Iterator[str]:
    metric, factor = definition.metric, definition.metric_factor
    for record, labels in labelled:
        figure = record.inventory.figures[position]
        value = figure.value
        if value is not None and figure.quality is not _BAD and isfinite(value):
            yield f"{metric}{{{labels}}} {value * factor!r}\n"


def _conditions(labelled: _Labelled) -> Iterator[str]:
    yield from family(
        "tank_quality",
        "gauge",
        f"Worst quality of the tank's figures that count: {_QUALITY}.",
        (sample("tank_quality", labels, int(record.inventory.quality)) for record, labels in labelled),
    )
    yield from family(
        "tank_figure_quality",
        "gauge",
        f"Quality of each figure: {_QUALITY}. One that does not apply to the tank is Good and has no value.",
        _figure_qualities(labelled),
    )
    yield from family(
        "tank_inventory_time_seconds",
        "gauge",
        "Instant the newest inventory was calculated for, seconds since 1970 UTC.",
        (
            sample("tank_inventory_time_seconds", labels, record.inventory.instant.timestamp())
            for record, labels in labelled
        ),
    )
    yield from family(
        "tank_reference_temperature_celsius",
        "gauge",
        "To which the standard volumes are brought; absent where the product has none.",
        (
            sample("tank_reference_temperature_celsius", labels, record.inventory.reference_temperature_c)
            for record, labels in labelled
            if record.inventory.reference_temperature_c is not None
        ),
    )
    yield from _levels(labelled)
    yield from family(
        "tank_entry_expires_timestamp_seconds",
        "gauge",
        "When a value entered by hand ends, seconds since 1970 UTC; there while that is soon or past.",
        (
            f'tank_entry_expires_timestamp_seconds{{entry="{ending.entry}",{labels}}} {ending.expires.timestamp()!r}\n'
            for record, labels in labelled
            for ending in record.inventory.endings
        ),
    )


def _levels(labelled: _Labelled) -> Iterator[str]:
    """Where the level stands, also while the volume is Bad; absent while there is no level."""
    yield from family(
        "tank_limit_state",
        "gauge",
        "Level against the limits: -1 below minimum, 0 none passed, or none set; above 1 maximum working, 2 high-high, "
        "3 critical high.",
        (
            sample("tank_limit_state", labels, _LIMIT_NUMBERS[record.inventory.level_state.limit])
            for record, labels in labelled
            if record.inventory.level_state.limit is not LimitState.UNKNOWN
        ),
    )
    yield from family(
        "tank_limit_metres",
        "gauge",
        "Each limit that is set, above the datum.",
        (
            f'tank_limit_metres{{limit="{name}",{labels}}} {limit_m!r}\n'
            for record, labels in labelled
            for name, limit_m in zip(_LIMIT_NAMES, record.inventory.level_state[-len(_LIMIT_NAMES) :], strict=True)
            if limit_m is not None
        ),
    )
    yield from family(
        "tank_roof_state",
        "gauge",
        "Floating roof: 0 landed, 1 in its critical zone, 2 afloat.",
        (
            sample("tank_roof_state", labels, _ROOF_NUMBERS[record.inventory.level_state.roof])
            for record, labels in labelled
            if record.inventory.level_state.roof is not None
        ),
    )


def _figure_qualities(labelled: _Labelled) -> Iterator[str]:
    starts = [f'tank_figure_quality{{figure="{definition.name}",' for definition in FIGURE_DEFINITIONS]
    for record, labels in labelled:
        ends = [f"{labels}}} {int(quality)}\n" for quality in Quality]
        for start, figure in zip(starts, record.inventory.figures, strict=True):
            yield start + ends[figure.quality]


def _elements(labelled: _Labelled) -> Iterator[str]:
    yield from family(
        "tank_element_temperature_celsius",
        "gauge",
        "Temperature of one element, counted from 1, lowest first.",
        (
            f'tank_element_temperature_celsius{{element="{number}",{labels}}} {element.value!r}\n'
            for record, labels in labelled
            for number, element in enumerate(record.inventory.elements, start=1)
            if element.value is not None and element.quality is not _BAD and isfinite(element.value)
        ),
    )
    yield from family(
        "tank_element_used",
        "gauge",
        "Whether the element is part of the average liquid temperature.",
        (
            f'tank_element_used{{element="{number}",{labels}}} {1 if element.used else 0}\n'
            for record, labels in labelled
            for number, element in enumerate(record.inventory.elements, start=1)
        ),
    )


# The gateway itself

_Value = Callable[[Any], float | None]
"""What one of the gateway's parts has for a metric; None for no series."""

_OF_INSTRUMENTS: tuple[tuple[str, Kind, str, _Value], ...] = (
    ("instrument_up", "gauge", "Whether the last poll was answered in full.", lambda status: status.up),
    ("instrument_requests_total", "counter", "Requests sent.", lambda status: status.requests),
    (
        "instrument_last_answer_time_seconds",
        "gauge",
        "When it last answered, seconds since 1970 UTC.",
        lambda status: None if status.last_answer_ns is None else status.last_answer_ns / 1e9,
    ),
    (
        "instrument_timeout_seconds",
        "gauge",
        "How long an answer is waited for, learned from its own answers.",
        lambda status: status.timeout_s,
    ),
    (
        "instrument_duplicate_address_suspicions_total",
        "counter",
        "How often it began to seem that two devices have its address.",
        lambda status: status.duplicate_address_suspicions,
    ),
)
_OF_LINES: tuple[tuple[str, Kind, str, _Value], ...] = (
    ("line_connected", "gauge", "Whether the line is connected.", lambda status: status.connected),
    ("line_connections_wanted", "gauge", "Connections to its device.", lambda status: status.connections_wanted),
    ("line_connections_open", "gauge", "Those that are open.", lambda status: status.connections_open),
    ("line_on_standby", "gauge", "Whether its second way is in use.", lambda status: status.on_standby),
    (
        "line_busy_seconds_total",
        "counter",
        "Time spent waiting for answers; its rate is the occupancy.",
        lambda status: status.busy_s,
    ),
    (
        "line_late_answers_total",
        "counter",
        "Answers that came after their request had timed out.",
        lambda status: status.late_answers,
    ),
    (
        "line_unsolicited_frames_total",
        "counter",
        "Frames that answered no request.",
        lambda status: status.unsolicited_frames,
    ),
    (
        "line_second_master_suspicions_total",
        "counter",
        "How often it began to seem that another master is on the line.",
        lambda status: status.second_master_suspicions,
    ),
    (
        "line_second_answers_total",
        "counter",
        "Frames that look like another answer to a request that was answered.",
        lambda status: status.second_answers,
    ),
    (
        "line_shifts_total",
        "counter",
        "How often answers began to stay behind their requests.",
        lambda status: status.shifts,
    ),
)
_OF_DESTINATIONS: tuple[tuple[str, Kind, str, _Value], ...] = (
    ("destination_connected", "gauge", "Whether it is connected.", lambda status: status.connected),
    ("destination_delivered_total", "counter", "Records known to have arrived.", lambda status: status.delivered),
    ("destination_lost_total", "counter", "Records never known to have arrived.", lambda status: status.lost),
    ("destination_waiting", "gauge", "Records that wait for delivery.", lambda status: status.waiting),
    (
        "destination_oldest_waiting_seconds",
        "gauge",
        "Age of the oldest waiting record, if any.",
        lambda status: status.oldest_waiting_s,
    ),
)
_OF_THE_WHOLE: tuple[tuple[str, Kind, str, _Value], ...] = (
    ("simulated", "gauge", "Whether any of this is simulated.", lambda snapshot: snapshot.simulated),
    (
        "start_time_seconds",
        "gauge",
        "When it started, seconds since 1970 UTC.",
        lambda snapshot: snapshot.started_ns / 1e9,
    ),
    (
        "clock_seconds",
        "gauge",
        "The gateway's own clock, seconds since 1970 UTC.",
        lambda snapshot: snapshot.instant.timestamp(),
    ),
    (
        "calculation_errors_total",
        "counter",
        "Inventories not calculated for a defect of the gateway.",
        lambda snapshot: snapshot.calculation_errors,
    ),
    (
        "site_file_refused",
        "gauge",
        "1 while the site file, as it was last read, is refused: what is watched is an older one.",
        lambda snapshot: snapshot.site_file_refused,
    ),
    (
        "log_lines_dropped_total",
        "counter",
        "Log lines dropped because nobody read them or they could not be written.",
        lambda snapshot: snapshot.log_lines_dropped,
    ),
)


def _plain(metrics: tuple[tuple[str, Kind, str, _Value], ...], labelled: Sequence[tuple[object, str]]) -> Iterator[str]:
    """Metrics with at most one series for each part."""
    for suffix, kind, title, value_of in metrics:
        name = f"tank_gateway_{suffix}"
        values = [(labels, value_of(part)) for part, labels in labelled]
        lines = [sample(name, labels, value) for labels, value in values if value is not None]
        yield from family(name, kind, title, lines)


def _instruments(snapshot: GatewaySnapshot) -> Iterator[str]:
    site = snapshot.site
    labelled = [
        (status, label_text(site=site, line=status.line, instrument=status.instrument))
        for status in snapshot.instruments
    ]
    yield from _plain(_OF_INSTRUMENTS, labelled)
    errors = "tank_gateway_instrument_errors_total"
    yield from family(
        errors,
        "counter",
        "Requests not answered well, by kind.",
        (
            sample(errors, f"{labels},{label_text(kind=str(kind))}", count)
            for status, labels in labelled
            for kind, count in status.errors.items()
        ),
    )
    response = "tank_gateway_instrument_response_seconds"
    yield from family(
        response,
        "histogram",
        "From request to answer.",
        (line for status, labels in labelled for line in histogram_samples(response, labels, status.response_time)),
    )


def _line_metrics(snapshot: GatewaySnapshot) -> Iterator[str]:
    labelled = [(status, label_text(site=snapshot.site, line=status.line)) for status in snapshot.lines]
    yield from _plain(_OF_LINES, labelled)
    lateness = "tank_gateway_line_poll_lateness_seconds"
    yield from family(
        lateness,
        "histogram",
        "How long after its due time each poll was begun.",
        (line for status, labels in labelled for line in histogram_samples(lateness, labels, status.lateness)),
    )


def _destinations(snapshot: GatewaySnapshot) -> Iterator[str]:
    labelled = [
        (status, label_text(site=snapshot.site, destination=status.destination)) for status in snapshot.destinations
    ]
    yield from _plain(_OF_DESTINATIONS, labelled)
    trouble = "tank_gateway_destination_trouble"
    yield from family(
        trouble,
        "gauge",
        "1 while there is something that a person must set right: client_id_shared, other_gateway, records_refused, "
        "destination_failed, destination_refuses, destination_unusable.",
        (
            sample(trouble, f"{labels},{label_text(kind=each.code)}", 1)
            for status, labels in labelled
            for each in status.troubles
        ),
    )


def _whole(snapshot: GatewaySnapshot) -> Iterator[str]:
    build = "tank_gateway_build_info"
    labels = label_text(site=snapshot.site, version=snapshot.version, boot=snapshot.boot)
    yield from family(
        build, "gauge", "Version of the gateway, and which start of it this is.", [sample(build, labels, 1)]
    )
    yield from _plain(_OF_THE_WHOLE, [(snapshot, label_text(site=snapshot.site))])
