"""Pure: what each figure, state and event of a tank is called, and where its quality stands, wherever it goes out.

One row for each, one column for each way. What one of them does not tell has an empty place.
"""

from collections.abc import Mapping
from typing import NamedTuple

from gateway.delivery.opcua import names as opcua
from gateway.delivery.postgresql.rows import FIGURE_COLUMNS
from gateway.delivery.registers import names as registers
from gateway.delivery.registers.layout import LIMITS, TANK_ALARMS
from gateway.delivery.sparkplug import names as sparkplug
from gateway.figures import FIGURE_DEFINITIONS

__all__ = ["PLACES", "QUALITIES", "Named", "named"]

PLACES = ("JSON", "Prometheus", "Sparkplug", "OPC UA", "SQL", "registers")
"""The columns, in their order. JSON is that of MQTT, HTTP and webhooks; Prometheus has base units, masses in g."""

QUALITIES: Mapping[str, str] = {
    "JSON": "`quality` beside the value: Good, Uncertain or Bad; Bad has the value null; stale: past `valid_until`",
    "Prometheus": "tank_figure_quality: 0 Good (left out), 1 Uncertain, 2 Bad; a Bad figure has no series; stale: "
    "tank_inventory_time_seconds",
    "Sparkplug": "property Quality: 192 Good, 500 Uncertain or stale, 0 Bad, which is null; a property of our own "
    "tells Uncertain from stale",
    "OPC UA": "StatusCode: Good, Uncertain... or Bad...; Bad has no value; stale is never Good",
    "SQL": "NAME_quality: Good, Uncertain or Bad; Bad is NULL; stale: `overdue` of the view `newest`",
    "registers": "NAME.quality: 2 Good, 3 Good without a number, 1 Uncertain, 0 Bad: NaN and 0x8000...; stale: "
    "main.validity is not 1 and everything is Bad",
}
"""How good it is, in each of them."""


class Named(NamedTuple):
    """One figure, state or event."""

    key: str
    """Its member of /inventories."""
    title: str
    unit: str
    """SI symbol; empty where it has none."""
    names: Mapping[str, str]
    """By `PLACES`, each that has it."""


class _State(NamedTuple):
    key: str
    title: str
    unit: str
    json: str
    prometheus: str = ""
    sql: str = ""


_STATES = (
    _State("quality", "Quality of the tank", "", "quality", "tank_quality", "records.quality"),
    _State("time", "Instant of the sheet", "", "time", "tank_inventory_time_seconds", "records.instant"),
    _State("valid_until", "By then the next sheet is overdue", "", "valid_until"),
    _State("sequence", "Number of the sheet", "", "identity.sequence", "", "records.sequence"),
    _State("boot", "Start of the gateway that made it", "", "identity.boot", "", "records.boot"),
    _State("product", "What the tank holds", "", "product", 'label "product"', "records.product"),
    _State(
        "simulated", "Whether its instruments are simulated", "", "simulated", 'label "simulated"', "records.simulated"
    ),
    _State("limit", "Level against its limits", "", "level_state.limit", "tank_limit_state", "records.limit_state"),
    _State("roof", "Floating roof", "", "level_state.roof", "tank_roof_state", "records.roof_zone"),
    *(
        _State(
            f"limits.{limit}",
            f"Limit: {limit.replace('_', ' ')}",
            "m",
            f"level_state.limits.{limit}",
            f'tank_limit_metres{{limit="{limit}"}}',
            f"records.{limit}_level_m",
        )
        for limit in LIMITS
    ),
    _State("motion", "Whether the contents move", "", "state.motion", "tank_motion"),
    _State("since", "Since when they move or rest", "", "state.since"),
    _State("activity", "What the movement is known to be", "", "state.activity"),
    _State("rate", "Net rate into the tank", "m3/s", "state.rate", "tank_net_flow_cubic_metres_per_second"),
    _State("level_rate", "Rate of the level, upwards", "m/s", "state.level_rate"),
    _State("times", "Until the level comes to each limit", "s", "state.times", "tank_limit_seconds"),
    _State("next_limit", "The limit that the level comes to first", "", "state.times[0].limit"),
    _State("next_limit_at", "When it comes there, at the rate of now", "", "state.times[0].at"),
    _State("reason", "Why the tank is no better", "", "figures.*.reason", "", "records.reason_text"),
    _State("alarms", "How many alarms are not normal", "", "state.alarms"),
    _State("unacknowledged", "Alarms that nobody has seen yet", "", "state.alarms[phase=unacknowledged]"),
    _State("worst_alarm", "The first alarm that needs someone", "", "state.alarms[0].name"),
    *(
        _State(
            f"alarms.{kind}",
            f"Alarm: {kind.replace('_', ' ')}",
            "",
            f"state.alarms[name={kind}].phase",
            f'tank_alarm_phase{{alarm="{kind}"}}',
            f"events.alarm_phase where alarm_kind = '{kind}'",
        )
        for kind in TANK_ALARMS
    ),
    _State("transfer.number", "Transfer in force: number", "", "open_transfers[].number of /inventories"),
    _State("transfer.kind", "Transfer in force: kind", "", "open_transfers[].kind"),
    _State("transfer.phase", "Transfer in force: phase", "", "open_transfers[].phase"),
    _State("transfer.since", "Transfer in force: since when in this phase", "", "open_transfers[].since"),
    _State("transfer.waits_for", "Transfer in force: why it cannot be closed", "", "open_transfers[].waits_for"),
    _State("events", "What happened", "", "…/events, webhook", "", "events"),
)


def named() -> list[Named]:
    """All rows."""
    rows = [
        Named(
            each.name,
            each.title,
            "" if each.unit == "1" else each.unit,
            {
                "JSON": f"figures.{each.name}",
                "Prometheus": each.metric,
                "SQL": f"records.{FIGURE_COLUMNS[each.name]}",
            },
        )
        for each in FIGURE_DEFINITIONS
    ]
    rows += [
        Named(each.key, each.title, each.unit, {"JSON": each.json, "Prometheus": each.prometheus, "SQL": each.sql})
        for each in _STATES
    ]
    return [_joined(row) for row in rows]


_OTHERS: Mapping[str, Mapping[str, str]] = {
    "Sparkplug": sparkplug.NAMES,
    "OPC UA": opcua.NAMES,
    "registers": registers.NAMES,
}


def _joined(row: Named) -> Named:
    names = {**row.names, **{place: table.get(row.key, "") for place, table in _OTHERS.items()}}
    return row._replace(names={place: name for place, name in names.items() if name})
