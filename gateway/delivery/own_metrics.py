"""Pure: how the gateway itself does, for Prometheus: instruments, lines, destinations, ledger, and the whole."""

from collections.abc import Callable, Iterator, Sequence
from math import inf
from typing import Any

from gateway.delivery.account_metrics import account_metrics
from gateway.delivery.exposition import Kind, family, histogram_samples, label_text, sample
from gateway.status import GatewaySnapshot

__all__ = ["own_metrics"]


def own_metrics(snapshot: GatewaySnapshot) -> Iterator[str]:
    """Lines of text format 0.0.4."""
    yield from _instruments(snapshot)
    yield from _line_metrics(snapshot)
    yield from _destinations(snapshot)
    yield from _clients(snapshot)
    yield from _history(snapshot)
    yield from _ledger(snapshot)
    yield from account_metrics(snapshot)
    yield from _whole(snapshot)


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
    (
        "destination_dropped_total",
        "counter",
        "Live records not delivered where history is kept: a newer one took their place, or they were refused.",
        lambda status: status.dropped,
    ),
    ("destination_waiting", "gauge", "Records that wait for delivery.", lambda status: status.waiting),
    (
        "destination_oldest_waiting_seconds",
        "gauge",
        "Age of the oldest waiting record, if any.",
        lambda status: status.oldest_waiting_s,
    ),
    (
        "destination_clients",
        "gauge",
        "Clients that are connected to it, of one that serves.",
        lambda status: len(status.clients),
    ),
)
_OF_HISTORY: tuple[tuple[str, Kind, str, _Value], ...] = (
    (
        "destination_history_waiting",
        "gauge",
        "Records and events that are kept for it and not known to have arrived.",
        lambda backlog: backlog.waiting,
    ),
    (
        "destination_history_oldest_seconds",
        "gauge",
        "Since the oldest of them was kept, if any waits.",
        lambda backlog: backlog.oldest_s,
    ),
    (
        "destination_history_delivered_total",
        "counter",
        "Records and events known to have arrived.",
        lambda backlog: backlog.delivered,
    ),
    (
        "destination_history_lost_total",
        "counter",
        "Records and events that will never arrive: the disk forced them out, or they were refused.",
        lambda backlog: backlog.lost,
    ),
    (
        "destination_history_buffer_left_seconds",
        "gauge",
        "For how long the ledger can go on keeping for it, at the rate of now; absent while not known.",
        lambda backlog: backlog.buffer_left_s,
    ),
)
_OF_LEDGER: tuple[tuple[str, Kind, str, _Value], ...] = (
    ("ledger_committed_total", "counter", "Records and events committed.", lambda status: status.committed),
    ("ledger_waiting", "gauge", "Records and events that wait for their commit.", lambda status: status.waiting),
    (
        "ledger_lost_total",
        "counter",
        "Records and events that the disk did not take in.",
        lambda status: status.lost,
    ),
    ("ledger_size_bytes", "gauge", "Size of the ledger's file.", lambda status: status.size_bytes),
    ("ledger_entries", "gauge", "Records and events in the file.", lambda status: status.entries),
    (
        "ledger_oldest_entry_time_seconds",
        "gauge",
        "When the oldest entry in the file was, seconds since 1970 UTC.",
        lambda status: None if status.oldest_ns is None else status.oldest_ns / 1e9,
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
    (
        "sessions",
        "gauge",
        "Sessions of people who have signed in; absent without HTTP.",
        lambda snapshot: None if snapshot.access is None else snapshot.access.sessions,
    ),
    (
        "sign_ins_refused_total",
        "counter",
        "Wrong passwords and one-time codes.",
        lambda snapshot: None if snapshot.access is None else snapshot.access.refused,
    ),
    (
        "certificate_end_time_seconds",
        "gauge",
        "When the certificate of the HTTP interface ends, seconds since 1970 UTC; absent without TLS.",
        lambda snapshot: None if snapshot.access is None else snapshot.access.certificate_until_s,
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
        "1 while there is something that a person must set right: client_id_shared, other_gateway, not_written, "
        "records_refused, destination_failed, destination_refuses, destination_unusable.",
        (
            sample(trouble, f"{labels},{label_text(kind=kind)}", 1)
            for status, labels in labelled
            # A series that stands there twice makes the whole scrape invalid.
            for kind in dict.fromkeys(each.code for each in status.troubles)
        ),
    )


def _clients(snapshot: GatewaySnapshot) -> Iterator[str]:
    """A series for each host and name: a port is another one at each connect, and would be a series for ever."""
    earliest: dict[str, float] = {}
    for status in snapshot.destinations:
        for client in status.clients:
            labels = label_text(
                site=snapshot.site,
                destination=status.destination,
                client=client.address.rpartition(":")[0] or client.address,
                client_name=client.name or "",
            )
            earliest[labels] = min(client.since.timestamp(), earliest.get(labels, inf))
    name = "tank_gateway_destination_client_since_seconds"
    title = "Since when the client has been connected, of several from one host the first; seconds since 1970 UTC."
    yield from family(name, "gauge", title, (sample(name, labels, since) for labels, since in earliest.items()))


def _history(snapshot: GatewaySnapshot) -> Iterator[str]:
    labelled = [
        (status.history, label_text(site=snapshot.site, destination=status.destination))
        for status in snapshot.destinations
        if status.history is not None
    ]
    yield from _plain(_OF_HISTORY, labelled)


def _ledger(snapshot: GatewaySnapshot) -> Iterator[str]:
    status = snapshot.ledger
    if status is None:
        return
    labels = label_text(site=snapshot.site)
    yield from _plain(_OF_LEDGER, [(status, labels)])
    commit, trouble = "tank_gateway_ledger_commit_seconds", "tank_gateway_ledger_trouble"
    yield from family(
        commit, "histogram", "How long commits took.", histogram_samples(commit, labels, status.commit_time)
    )
    troubles = [] if status.trouble is None else [status.trouble]
    yield from family(
        trouble,
        "gauge",
        "1 while there is something about the ledger that a person must set right.",
        (sample(trouble, f"{labels},{label_text(kind=each.code)}", 1) for each in troubles),
    )


def _whole(snapshot: GatewaySnapshot) -> Iterator[str]:
    build = "tank_gateway_build_info"
    labels = label_text(site=snapshot.site, version=snapshot.version, boot=snapshot.boot)
    yield from family(
        build, "gauge", "Version of the gateway, and which start of it this is.", [sample(build, labels, 1)]
    )
    yield from _plain(_OF_THE_WHOLE, [(snapshot, label_text(site=snapshot.site))])
