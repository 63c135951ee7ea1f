"""Pure: what this node calls things: the metrics of a tank with type, unit and title, and topics.

The name of a metric is the name of the same thing in JSON, with a folder before it. No two differ in capitals alone.
"""

from collections.abc import Mapping
from typing import NamedTuple

from gateway.delivery.sparkplug.datatypes import DataType
from gateway.figures import FIGURE_DEFINITIONS
from gateway.tank_state import AlarmKind

__all__ = [
    "ALARMS",
    "BDSEQ",
    "BOOT",
    "EVENT",
    "FIGURES",
    "NAMES",
    "NAMESPACE",
    "REBIRTH",
    "TANK_METRICS",
    "MetricDefinition",
    "Topics",
    "alarm_metric",
    "forbidden",
]

NAMESPACE = "spBv1.0"
REBIRTH = "Node Control/Rebirth"
BDSEQ = "bdSeq"
BOOT = "gateway/boot"
EVENT = "event"
_FORBIDDEN = "+/#"
_STATE = "STATE"


class MetricDefinition(NamedTuple):
    """What a birth says of a metric, beside its value."""

    name: str
    datatype: DataType
    unit: str = ""
    """SI symbol; empty where it has none."""
    title: str = ""


FIGURES: tuple[MetricDefinition, ...] = tuple(
    MetricDefinition(f"figures/{each.name}", DataType.DOUBLE, each.unit, each.title) for each in FIGURE_DEFINITIONS
)
"""In the order of `Figures`."""
_SHEET = {
    "time": MetricDefinition("sheet/time", DataType.DATE_TIME, title="Instant that the sheet is of"),
    "valid_until": MetricDefinition("sheet/valid_until", DataType.DATE_TIME, title="By then the next is overdue"),
    "sequence": MetricDefinition("sheet/sequence", DataType.UINT64, title="Counts the sheets of this tank and boot"),
    "boot": MetricDefinition("sheet/boot", DataType.STRING, title="Start of the gateway that made the sheet"),
    "quality": MetricDefinition("sheet/quality", DataType.STRING, title="Worst of the figures that count"),
    "simulated": MetricDefinition("sheet/simulated", DataType.BOOLEAN, title="Whether its instruments are simulated"),
    "product": MetricDefinition("sheet/product", DataType.STRING, title="What the tank holds"),
}
_STATES = {
    "limit": MetricDefinition("level_state/limit", DataType.STRING, title="The limit that the level has passed"),
    "roof": MetricDefinition("level_state/roof", DataType.STRING, title="Where the floating roof is"),
    "limits.minimum": MetricDefinition("limits/minimum", DataType.DOUBLE, "m", "Minimum working level"),
    "limits.maximum_working": MetricDefinition("limits/maximum_working", DataType.DOUBLE, "m", "Maximum working level"),
    "limits.high_high": MetricDefinition("limits/high_high", DataType.DOUBLE, "m", "High-high level"),
    "limits.critical_high": MetricDefinition("limits/critical_high", DataType.DOUBLE, "m", "Critical high level"),
    "motion": MetricDefinition("state/motion", DataType.STRING, title="Whether the contents move"),
    "since": MetricDefinition("state/since", DataType.DATE_TIME, title="Since when they move or rest"),
    "activity": MetricDefinition("state/activity", DataType.STRING, title="What the movement is known to be"),
    "rate": MetricDefinition("state/rate", DataType.DOUBLE, "m3/s", "Net flow into the tank"),
    "level_rate": MetricDefinition("state/level_rate", DataType.DOUBLE, "m/s", "How fast the level rises"),
    "next_limit": MetricDefinition("state/next_limit", DataType.STRING, title="The limit that the level comes to"),
    "next_limit_at": MetricDefinition("state/next_limit_at", DataType.DATE_TIME, title="When, at the rate of now"),
}
_TRANSFER = {
    "number": MetricDefinition("transfer/number", DataType.INT64, title="Of the open transfer that is furthest on"),
    "kind": MetricDefinition("transfer/kind", DataType.STRING, title="Its kind"),
    "phase": MetricDefinition("transfer/phase", DataType.STRING, title="Its phase"),
    "since": MetricDefinition("transfer/since", DataType.DATE_TIME, title="Since when it is in this phase"),
    "waits_for": MetricDefinition("transfer/waits_for", DataType.STRING, title="Why it cannot be closed yet"),
}
_OF_THE_GATEWAY = (
    AlarmKind.LINE_LOST,
    AlarmKind.SECOND_MASTER,
    AlarmKind.DESTINATION_LOST,
    AlarmKind.HISTORY_AT_RISK,
    AlarmKind.CLOCK_UNTRUSTED,
    AlarmKind.SITE_FILE_REFUSED,
)
ALARMS: Mapping[str, MetricDefinition] = {
    kind.value: MetricDefinition(f"alarms/{kind}", DataType.STRING, title="How this alarm stands")
    for kind in AlarmKind
    if kind not in _OF_THE_GATEWAY
}
"""Of a tank, by the name of the alarm."""
TANK_METRICS: Mapping[str, MetricDefinition] = {
    each.name: each for each in (*_SHEET.values(), *FIGURES, *_STATES.values(), *_TRANSFER.values(), *ALARMS.values())
}
"""Every metric that a tank ever has, by its name."""
NAMES: Mapping[str, str] = {
    **{key: each.name for key, each in _SHEET.items()},
    **{definition.name: metric.name for definition, metric in zip(FIGURE_DEFINITIONS, FIGURES, strict=True)},
    **{key: each.name for key, each in _STATES.items()},
    "events": EVENT,
    **{f"transfer.{key}": each.name for key, each in _TRANSFER.items()},
    **{f"alarms.{name}": each.name for name, each in ALARMS.items()},
}
"""The name of a metric under the tank, by that of the same thing in JSON: of an inventory, its `state`, /alarms."""


def alarm_metric(name: str) -> str:
    """Of an alarm of the gateway itself, which is called KIND or KIND.SUBJECT."""
    return f"alarms/{name.replace('.', '/', 1)}"


def forbidden(text: str) -> str:
    """Which characters of a group, node or host Sparkplug or MQTT do not allow in a topic; empty: none."""
    found = dict.fromkeys(each for each in text if each in _FORBIDDEN or not each.isprintable())
    return "".join(found)


class Topics:
    """Of one node."""

    def __init__(self, group: str, node: str, host: str | None = None) -> None:
        self._group, self._node = group, node
        self.state = None if host is None else f"{NAMESPACE}/{_STATE}/{host}"
        """Where the primary host says how it stands; None: there is none."""

    def of(self, message: str, device: str = "") -> str:
        """`message`: NBIRTH, DDATA and so on. Those of a device name it."""
        return f"{NAMESPACE}/{self._group}/{message}/{self._node}{'/' if device else ''}{device}"
