"""The present state for Prometheus: every scrape is made from a fresh snapshot, so that nothing stale can linger.

A figure that is Bad, or has no value, is absent; `tank_quality` and `tank_figure_quality` say why a series is missing.
Series of simulated tanks carry the label simulated="true", series of real ones have no such label: a query with
{simulated!="true"} keeps simulated stock out of totals.
"""

from collections.abc import Callable, Iterator
from itertools import islice
from math import isfinite

from gateway.delivery.exposition import family, label_text, sample
from gateway.delivery.own_metrics import own_metrics
from gateway.delivery.slices import joined, packed
from gateway.delivery.watch_metrics import watch_metrics
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
    yield from watch_metrics(labelled, snapshot)
    yield from own_metrics(snapshot)


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
