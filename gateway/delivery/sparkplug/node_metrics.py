"""Pure: the gateway itself as metrics of the node: what it is, how its tanks do, its alarms, the accounts, cautions."""

from collections.abc import Collection
from datetime import UTC, datetime

from gateway.cautions import MONITORING, NOT_FOR_CUSTODY, VALVE
from gateway.delivery.sparkplug.datatypes import DataType
from gateway.delivery.sparkplug.metrics import Metric, Value, milliseconds, plain
from gateway.delivery.sparkplug.names import BOOT, EVENT, MetricDefinition, alarm_metric
from gateway.records import Quality
from gateway.status import GatewaySnapshot

__all__ = ["EVENT_METRIC", "node_metrics"]

EVENT_METRIC = MetricDefinition(EVENT, DataType.STRING, title="What happened, as JSON: history alone, with its time")


def node_metrics(snapshot: GatewaySnapshot, lost: Collection[str], ignored: int, history_lost: int) -> list[Metric]:
    """All that the node ever tells but what the protocol wants of it. `lost`: tanks that are dead here; `ignored`: how
    many commands were not obeyed; `history_lost`: entries that never arrive here."""
    text, count = DataType.STRING, DataType.INT64
    counts = [0, 0, 0]
    for record in snapshot.inventories:
        counts[record.inventory.quality] += 1
    accounts = snapshot.accounts
    started = datetime.fromtimestamp(snapshot.started_ns / 1e9, UTC)
    told: list[tuple[str, DataType, Value | datetime | None, str]] = [
        ("caution/monitoring", text, MONITORING, "Caution"),
        ("caution/control", text, VALVE, "Caution"),
        ("caution/custody", text, NOT_FOR_CUSTODY, "Caution"),
        ("gateway/site", text, snapshot.site, "Site"),
        (BOOT, text, snapshot.boot, "Start of the gateway, a name of its own each time"),
        ("gateway/version", text, snapshot.version, "Version"),
        ("gateway/started", DataType.DATE_TIME, started, "When it was started"),
        ("gateway/time_zone", text, snapshot.time_zone, "Time zone of the site"),
        ("gateway/simulated", DataType.BOOLEAN, snapshot.simulated, "Whether the instruments are simulated"),
        ("gateway/time_factor", DataType.DOUBLE, snapshot.time_factor, "How many times as fast the site's time passes"),
        ("gateway/commands_ignored", count, ignored, "Commands that were not obeyed: it only monitors"),
        ("gateway/history_lost", count, history_lost, "Entries of history that never arrive here"),
        ("tanks/total", count, len(snapshot.inventories) + len(snapshot.awaited), "Tanks of the site"),
        ("tanks/good", count, counts[Quality.GOOD], "Tanks whose sheet is Good"),
        ("tanks/uncertain", count, counts[Quality.UNCERTAIN], "Tanks whose sheet is Uncertain"),
        ("tanks/bad", count, counts[Quality.BAD], "Tanks whose sheet is Bad"),
        ("tanks/awaited", count, len(snapshot.awaited), "Tanks without a sheet yet"),
        ("tanks/lost", text, ", ".join(sorted(lost)), "Tanks of which nothing is known now"),
        ("transfers/open", count, None if accounts is None else len(accounts.open), "Transfers that are not over"),
        ("transfers/last", count, None if accounts is None else accounts.transfers, "Number of the last transfer"),
        ("tickets/last", count, None if accounts is None else accounts.tickets, "Number of the last ticket"),
        ("days/closed", text, None if accounts is None else accounts.day, "The last day that was closed"),
        ("days/revision", count, None if accounts is None else accounts.revision, "Its revision"),
    ]
    time_ms = milliseconds(snapshot.instant)
    found = [
        plain(MetricDefinition(name, datatype, title=title), value, time_ms) for name, datatype, value, title in told
    ]
    for alarm in snapshot.alarms:
        if not alarm.tank:
            definition = MetricDefinition(alarm_metric(alarm.standing.name), text, title="How this alarm stands")
            found.append(plain(definition, alarm.standing.phase.value, time_ms))
    return [*found, Metric(EVENT_METRIC, None, time_ms)]
