"""The metrics of a snapshot as the general-purpose library prometheus-client writes them, to hold ours against."""

from collections.abc import Iterable, Mapping
from math import inf, isfinite

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily, Metric
from prometheus_client.registry import Collector

from gateway.figures import FIGURE_DEFINITIONS
from gateway.records import Quality
from gateway.status import GatewaySnapshot, Histogram
from gateway.tank_record import TankRecord

__all__ = ["SnapshotCollector", "reference_text"]

_Labels = dict[str, str]
_QUALITY = "0 Good, 1 Uncertain, 2 Bad"


def reference_text(snapshot: GatewaySnapshot) -> bytes:
    registry = CollectorRegistry()
    registry.register(SnapshotCollector(snapshot))
    return generate_latest(registry)


class SnapshotCollector(Collector):
    """What a snapshot holds, as the library's own families of metrics."""

    def __init__(self, snapshot: GatewaySnapshot) -> None:
        self._snapshot = snapshot

    def collect(self) -> Iterable[Metric]:
        snapshot = self._snapshot
        labelled = [(record, _tank_labels(record)) for record in snapshot.inventories]
        for families in (
            _figures(labelled),
            _conditions(labelled),
            _elements(labelled),
            _instruments(snapshot),
            _lines(snapshot),
            _destinations(snapshot),
            _history(snapshot),
            _ledger(snapshot),
            _gateway(snapshot),
        ):
            yield from (family for family in families if family.samples)


def _tank_labels(record: TankRecord) -> _Labels:
    inventory = record.inventory
    labels = {"site": record.identity.site, "tank": inventory.tank, "product": inventory.product}
    if inventory.simulated:
        labels["simulated"] = "true"
    return labels


_Labelled = list[tuple[TankRecord, _Labels]]


def _figures(labelled: _Labelled) -> Iterable[Metric]:
    for position, definition in enumerate(FIGURE_DEFINITIONS):
        family = GaugeMetricFamily(definition.metric, f"{definition.title}.")
        for record, labels in labelled:
            figure = record.inventory.figures[position]
            if figure.value is not None and figure.quality is not Quality.BAD and isfinite(figure.value):
                family.add_sample(definition.metric, labels, figure.value * definition.metric_factor)
        yield family


def _conditions(labelled: _Labelled) -> Iterable[Metric]:
    quality = GaugeMetricFamily("tank_quality", f"Worst quality of the tank's figures that count: {_QUALITY}.")
    by_figure = GaugeMetricFamily(
        "tank_figure_quality",
        f"Quality of each figure: {_QUALITY}. One that does not apply to the tank is Good and has no value.",
    )
    time = GaugeMetricFamily(
        "tank_inventory_time_seconds", "Instant the newest inventory was calculated for, seconds since 1970 UTC."
    )
    reference = GaugeMetricFamily(
        "tank_reference_temperature_celsius",
        "To which the standard volumes are brought; absent where the product has none.",
    )
    for record, labels in labelled:
        inventory = record.inventory
        if inventory.reference_temperature_c is not None:
            reference.add_sample(reference.name, labels, inventory.reference_temperature_c)
        quality.add_sample(quality.name, labels, int(inventory.quality))
        time.add_sample(time.name, labels, inventory.instant.timestamp())
        for definition, figure in zip(FIGURE_DEFINITIONS, inventory.figures, strict=True):
            by_figure.add_sample(by_figure.name, {**labels, "figure": definition.name}, int(figure.quality))
    return quality, by_figure, time, reference, *_levels(labelled)


def _levels(labelled: _Labelled) -> Iterable[Metric]:
    states = ["below_minimum", "normal", "above_maximum_working", "above_high_high", "above_critical_high"]
    state = GaugeMetricFamily(
        "tank_limit_state",
        "Level against the limits: -1 below minimum, 0 none passed, or none set; above 1 maximum working, 2 high-high, "
        "3 critical high.",
    )
    limits = GaugeMetricFamily("tank_limit_metres", "Each limit that is set, above the datum.")
    roof = GaugeMetricFamily("tank_roof_state", "Floating roof: 0 landed, 1 in its critical zone, 2 afloat.")
    expires = GaugeMetricFamily(
        "tank_entry_expires_timestamp_seconds",
        "When a value entered by hand ends, seconds since 1970 UTC; there while that is soon or past.",
    )
    for record, labels in labelled:
        told = record.inventory.level_state
        if told.limit.value in states:
            state.add_sample(state.name, labels, states.index(told.limit.value) - 1)
        for name in ("minimum", "maximum_working", "high_high", "critical_high"):
            limit_m = getattr(told, f"{name}_m")
            if limit_m is not None:
                limits.add_sample(limits.name, {**labels, "limit": name}, limit_m)
        if told.roof is not None:
            roof.add_sample(roof.name, labels, ["landed", "critical_zone", "afloat"].index(told.roof.value))
        for ending in record.inventory.endings:
            expires.add_sample(expires.name, {**labels, "entry": ending.entry}, ending.expires.timestamp())
    return state, limits, roof, expires


def _elements(labelled: _Labelled) -> Iterable[Metric]:
    temperature = GaugeMetricFamily(
        "tank_element_temperature_celsius", "Temperature of one element, counted from 1, lowest first."
    )
    used = GaugeMetricFamily("tank_element_used", "Whether the element is part of the average liquid temperature.")
    for record, labels in labelled:
        for number, element in enumerate(record.inventory.elements, start=1):
            element_labels = {**labels, "element": str(number)}
            used.add_sample(used.name, element_labels, int(element.used))
            if element.value is not None and element.quality is not Quality.BAD and isfinite(element.value):
                temperature.add_sample(temperature.name, element_labels, element.value)
    return temperature, used


def _instruments(snapshot: GatewaySnapshot) -> Iterable[Metric]:
    names = ("site", "line", "instrument")
    up = GaugeMetricFamily("tank_gateway_instrument_up", "Whether the last poll was answered in full.", labels=names)
    requests = CounterMetricFamily("tank_gateway_instrument_requests", "Requests sent.", labels=names)
    errors = CounterMetricFamily(
        "tank_gateway_instrument_errors", "Requests not answered well, by kind.", labels=(*names, "kind")
    )
    answered = GaugeMetricFamily(
        "tank_gateway_instrument_last_answer_time_seconds",
        "When it last answered, seconds since 1970 UTC.",
        labels=names,
    )
    response = HistogramMetricFamily(
        "tank_gateway_instrument_response_seconds", "From request to answer.", labels=names
    )
    timeout = GaugeMetricFamily(
        "tank_gateway_instrument_timeout_seconds",
        "How long an answer is waited for, learned from its own answers.",
        labels=names,
    )
    duplicates = CounterMetricFamily(
        "tank_gateway_instrument_duplicate_address_suspicions",
        "How often it began to seem that two devices have its address.",
        labels=names,
    )
    for status in snapshot.instruments:
        labels = (snapshot.site, status.line, status.instrument)
        up.add_metric(labels, int(status.up))
        requests.add_metric(labels, status.requests)
        for kind, count in status.errors.items():
            errors.add_metric((*labels, str(kind)), count)
        if status.last_answer_ns is not None:
            answered.add_metric(labels, status.last_answer_ns / 1e9)
        if status.timeout_s is not None:
            timeout.add_metric(labels, status.timeout_s)
        duplicates.add_metric(labels, status.duplicate_address_suspicions)
        _add_histogram(response, labels, status.response_time)
    return up, requests, errors, answered, timeout, duplicates, response


def _lines(snapshot: GatewaySnapshot) -> Iterable[Metric]:
    names = ("site", "line")
    connected = GaugeMetricFamily("tank_gateway_line_connected", "Whether the line is connected.", labels=names)
    wanted = GaugeMetricFamily("tank_gateway_line_connections_wanted", "Connections to its device.", labels=names)
    opened = GaugeMetricFamily("tank_gateway_line_connections_open", "Those that are open.", labels=names)
    standby = GaugeMetricFamily("tank_gateway_line_on_standby", "Whether its second way is in use.", labels=names)
    busy = CounterMetricFamily(
        "tank_gateway_line_busy_seconds", "Time spent waiting for answers; its rate is the occupancy.", labels=names
    )
    late = CounterMetricFamily(
        "tank_gateway_line_late_answers", "Answers that came after their request had timed out.", labels=names
    )
    unsolicited = CounterMetricFamily(
        "tank_gateway_line_unsolicited_frames", "Frames that answered no request.", labels=names
    )
    masters = CounterMetricFamily(
        "tank_gateway_line_second_master_suspicions",
        "How often it began to seem that another master is on the line.",
        labels=names,
    )
    seconds = CounterMetricFamily(
        "tank_gateway_line_second_answers",
        "Frames that look like another answer to a request that was answered.",
        labels=names,
    )
    shifts = CounterMetricFamily(
        "tank_gateway_line_shifts", "How often answers began to stay behind their requests.", labels=names
    )
    lateness = HistogramMetricFamily(
        "tank_gateway_line_poll_lateness_seconds", "How long after its due time each poll was begun.", labels=names
    )
    for status in snapshot.lines:
        labels = (snapshot.site, status.line)
        connected.add_metric(labels, int(status.connected))
        wanted.add_metric(labels, status.connections_wanted)
        opened.add_metric(labels, status.connections_open)
        standby.add_metric(labels, int(status.on_standby))
        busy.add_metric(labels, status.busy_s)
        late.add_metric(labels, status.late_answers)
        unsolicited.add_metric(labels, status.unsolicited_frames)
        masters.add_metric(labels, status.second_master_suspicions)
        seconds.add_metric(labels, status.second_answers)
        shifts.add_metric(labels, status.shifts)
        _add_histogram(lateness, labels, status.lateness)
    return connected, wanted, opened, standby, busy, late, unsolicited, masters, seconds, shifts, lateness


def _destinations(snapshot: GatewaySnapshot) -> Iterable[Metric]:
    names = ("site", "destination")
    connected = GaugeMetricFamily("tank_gateway_destination_connected", "Whether it is connected.", labels=names)
    delivered = CounterMetricFamily(
        "tank_gateway_destination_delivered", "Records known to have arrived.", labels=names
    )
    lost = CounterMetricFamily("tank_gateway_destination_lost", "Records never known to have arrived.", labels=names)
    dropped = CounterMetricFamily(
        "tank_gateway_destination_dropped",
        "Live records not delivered where history is kept: a newer one took their place, or they were refused.",
        labels=names,
    )
    waiting = GaugeMetricFamily("tank_gateway_destination_waiting", "Records that wait for delivery.", labels=names)
    oldest = GaugeMetricFamily(
        "tank_gateway_destination_oldest_waiting_seconds", "Age of the oldest waiting record, if any.", labels=names
    )
    clients = GaugeMetricFamily(
        "tank_gateway_destination_clients", "Clients that are connected to it, of one that serves.", labels=names
    )
    trouble = GaugeMetricFamily(
        "tank_gateway_destination_trouble",
        "1 while there is something that a person must set right: client_id_shared, other_gateway, not_written, "
        "records_refused, destination_failed, destination_refuses, destination_unusable.",
        labels=(*names, "kind"),
    )
    for status in snapshot.destinations:
        labels = (snapshot.site, status.destination)
        for each in status.troubles:
            trouble.add_metric((*labels, each.code), 1.0)
        connected.add_metric(labels, int(status.connected))
        delivered.add_metric(labels, status.delivered)
        lost.add_metric(labels, status.lost)
        dropped.add_metric(labels, status.dropped)
        waiting.add_metric(labels, status.waiting)
        clients.add_metric(labels, len(status.clients))
        if status.oldest_waiting_s is not None:
            oldest.add_metric(labels, status.oldest_waiting_s)
    return connected, delivered, lost, dropped, waiting, oldest, clients, trouble


def _history(snapshot: GatewaySnapshot) -> Iterable[Metric]:
    names = ("site", "destination")
    prefix = "tank_gateway_destination_history"
    waiting = GaugeMetricFamily(
        f"{prefix}_waiting", "Records and events that are kept for it and not known to have arrived.", labels=names
    )
    oldest = GaugeMetricFamily(
        f"{prefix}_oldest_seconds", "Since the oldest of them was kept, if any waits.", labels=names
    )
    delivered = CounterMetricFamily(f"{prefix}_delivered", "Records and events known to have arrived.", labels=names)
    lost = CounterMetricFamily(
        f"{prefix}_lost",
        "Records and events that will never arrive: the disk forced them out, or they were refused.",
        labels=names,
    )
    left = GaugeMetricFamily(
        f"{prefix}_buffer_left_seconds",
        "For how long the ledger can go on keeping for it, at the rate of now; absent while not known.",
        labels=names,
    )
    for status in snapshot.destinations:
        labels, backlog = (snapshot.site, status.destination), status.history
        if backlog is not None:
            waiting.add_metric(labels, backlog.waiting)
            delivered.add_metric(labels, backlog.delivered)
            lost.add_metric(labels, backlog.lost)
            if backlog.oldest_s is not None:
                oldest.add_metric(labels, backlog.oldest_s)
            if backlog.buffer_left_s is not None:
                left.add_metric(labels, backlog.buffer_left_s)
    return waiting, oldest, delivered, lost, left


def _ledger(snapshot: GatewaySnapshot) -> Iterable[Metric]:
    status = snapshot.ledger
    if status is None:
        return ()
    site, labels, prefix = {"site": snapshot.site}, (snapshot.site,), "tank_gateway_ledger"
    committed = CounterMetricFamily(f"{prefix}_committed", "Records and events committed.", labels=("site",))
    committed.add_metric(labels, status.committed)
    lost = CounterMetricFamily(f"{prefix}_lost", "Records and events that the disk did not take in.", labels=("site",))
    lost.add_metric(labels, status.lost)
    commit = HistogramMetricFamily(f"{prefix}_commit_seconds", "How long commits took.", labels=("site",))
    _add_histogram(commit, labels, status.commit_time)
    oldest = GaugeMetricFamily(
        f"{prefix}_oldest_entry_time_seconds",
        "When the oldest entry in the file was, seconds since 1970 UTC.",
        labels=("site",),
    )
    if status.oldest_ns is not None:
        oldest.add_metric(labels, status.oldest_ns / 1e9)
    trouble = GaugeMetricFamily(
        f"{prefix}_trouble",
        "1 while there is something about the ledger that a person must set right.",
        labels=("site", "kind"),
    )
    if status.trouble is not None:
        trouble.add_metric((snapshot.site, status.trouble.code), 1.0)
    waiting = "Records and events that wait for their commit."
    return (
        committed,
        lost,
        commit,
        oldest,
        trouble,
        _single(f"{prefix}_waiting", waiting, site, status.waiting),
        _single(f"{prefix}_size_bytes", "Size of the ledger's file.", site, status.size_bytes),
        _single(f"{prefix}_entries", "Records and events in the file.", site, status.entries),
    )


def _gateway(snapshot: GatewaySnapshot) -> Iterable[Metric]:
    site = {"site": snapshot.site}
    build = {**site, "version": snapshot.version, "boot": snapshot.boot}
    errors = CounterMetricFamily(
        "tank_gateway_calculation_errors", "Inventories not calculated for a defect of the gateway.", labels=("site",)
    )
    errors.add_metric((snapshot.site,), snapshot.calculation_errors)
    dropped = CounterMetricFamily(
        "tank_gateway_log_lines_dropped",
        "Log lines dropped because nobody read them or they could not be written.",
        labels=("site",),
    )
    dropped.add_metric((snapshot.site,), snapshot.log_lines_dropped)
    return (
        _single("tank_gateway_build_info", "Version of the gateway, and which start of it this is.", build, 1.0),
        _single("tank_gateway_simulated", "Whether any of this is simulated.", site, float(snapshot.simulated)),
        _single(
            "tank_gateway_start_time_seconds",
            "When it started, seconds since 1970 UTC.",
            site,
            snapshot.started_ns / 1e9,
        ),
        _single(
            "tank_gateway_clock_seconds",
            "The gateway's own clock, seconds since 1970 UTC.",
            site,
            snapshot.instant.timestamp(),
        ),
        errors,
        _single(
            "tank_gateway_site_file_refused",
            "1 while the site file, as it was last read, is refused: what is watched is an older one.",
            site,
            float(snapshot.site_file_refused),
        ),
        dropped,
        *_access(snapshot),
    )


def _access(snapshot: GatewaySnapshot) -> tuple[Metric, ...]:
    access, site = snapshot.access, {"site": snapshot.site}
    if access is None:
        return ()
    sessions = "Sessions of people who have signed in; absent without HTTP."
    refused = CounterMetricFamily(
        "tank_gateway_sign_ins_refused", "Wrong passwords and one-time codes.", labels=("site",)
    )
    refused.add_metric((snapshot.site,), access.refused)
    ends = "When the certificate of the HTTP interface ends, seconds since 1970 UTC; absent without TLS."
    until = access.certificate_until_s
    return (
        _single("tank_gateway_sessions", sessions, site, access.sessions),
        refused,
        *(() if until is None else (_single("tank_gateway_certificate_end_time_seconds", ends, site, until),)),
    )


def _single(name: str, title: str, labels: Mapping[str, str], value: float) -> Metric:
    family = GaugeMetricFamily(name, title)
    family.add_sample(name, dict(labels), value)
    return family


def _add_histogram(family: HistogramMetricFamily, labels: tuple[str, ...], histogram: Histogram) -> None:
    buckets = [
        ("+Inf" if bound == inf else repr(bound), float(count))
        for bound, count in zip(histogram.bounds_s, histogram.counts, strict=True)
    ]
    family.add_metric(labels, buckets, histogram.sum_s)
