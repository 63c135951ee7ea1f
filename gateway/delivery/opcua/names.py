"""Pure: what stands under the object of a tank, by the names that the same has in the JSON of the gateway."""

from collections.abc import Mapping
from typing import NamedTuple

from gateway.delivery.registers.layout import TANK_ALARMS
from gateway.figures import FIGURE_DEFINITIONS

__all__ = ["EVENT_FIELDS", "FIGURES", "NAMES", "STATES", "Variable"]


class Variable(NamedTuple):
    """One variable of a tank."""

    key: str
    """Its browse name, and behind `TAG/` its node id."""
    title: str
    unit: str = ""
    """SI symbol of an analogue item; empty: it is a text, a number without a unit, or a yes."""
    kind: str = "text"
    """`analog`, `text`, `count`, `yes` or `time`."""


FIGURES: tuple[Variable, ...] = (
    *(Variable(each.name, each.title, each.unit, "analog") for each in FIGURE_DEFINITIONS),
    Variable("rate", "Net flow into the tank, observed volume", "m3/s", "analog"),
    Variable("level_rate", "Speed of the level, upwards", "m/s", "analog"),
)
"""In this order they travel to the server."""

STATES: tuple[Variable, ...] = (
    Variable("quality", "Quality of the tank"),
    Variable("reason", "Why the tank is no better"),
    Variable("product", "Product, as the site file calls it"),
    Variable("limit", "Level against the limits of the tank"),
    Variable("roof", "Zone of the floating roof"),
    Variable("motion", "Whether the contents move"),
    Variable("since", "Since when they move or rest", kind="time"),
    Variable("activity", "What the movement is known to be"),
    Variable("alarms", "Alarms that are not normal", kind="count"),
    Variable("unacknowledged", "Alarms that nobody has seen yet", kind="count"),
    Variable("worst_alarm", "The first alarm that needs someone"),
    Variable("transfer", "Number of the transfer that is open here", kind="count"),
    Variable("transfer_kind", "Which kind of transfer it is"),
    Variable("transfer_phase", "Phase of that transfer"),
    Variable("simulated", "Whether the instruments are simulated", kind="yes"),
    *(Variable(f"alarm_{kind}", f"Alarm {kind.replace('_', ' ')}") for kind in TANK_ALARMS),
)

NAMES: Mapping[str, str] = {
    **{each.key: each.key for each in FIGURES},
    "time": "SourceTimestamp of each",
    **{key: key for key in ("quality", "product", "simulated", "limit", "roof", "motion", "since", "activity")},
    **{f"alarms.{kind}": f"alarm_{kind}" for kind in TANK_ALARMS},
    "transfer.number": "transfer",
    "transfer.kind": "transfer_kind",
    "transfer.phase": "transfer_phase",
    "events": "events of type TankEventType",
}
"""Key of the JSON -> browse path under the object of the tank, all in the name space of the gateway."""

EVENT_FIELDS: Mapping[str, str] = {
    "kind": "what happened, as in the JSON of an event",
    "tank": "tag of the tank; empty of the gateway itself",
    "name": "of the alarm or of what it is about",
    "phase": "how the alarm stands after this",
    "priority": "now, soon or look",
    "active": "whether what raises the alarm holds now",
    "by": "who did it, where a person did",
    "simulated": "whether the instruments are simulated",
}
"""What an event has beside the fields of BaseEventType, as browse names."""
