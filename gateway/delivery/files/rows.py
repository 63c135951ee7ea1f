"""History as rows of CSV by RFC 4180: the columns, in an order that is for ever, and what stands in each.

One row, one line, whatever a text holds. Numbers are SI with a decimal point and all their digits. A figure has three
columns: value, quality, reason. One that does not apply to the tank leaves all three empty; a Bad one has no value.
A text that a spreadsheet would take for a formula has an apostrophe before it, and so has one that begins with one; a
number never has. New columns come at the end only: importers go by their places.
"""

from collections.abc import Callable
from datetime import datetime, tzinfo
from typing import NamedTuple

from gateway.errors import DeliveryError
from gateway.figures import FIGURE_DEFINITIONS
from gateway.history import Entry, KeptEvent, KeptRecord
from gateway.payload.plain import iso_time
from gateway.records import Figure, Quality, ReasonCode
from gateway.tank_state import AlarmStanding

__all__ = ["EVENTS", "FORMULA_MARK", "RECORDS", "SORTS", "Column", "Sort", "line_of", "plain_text", "sort_of"]

_LINE_END = "\r\n"
_QUOTED = frozenset(',"')
FORMULA_MARK = "'"
"""Before a text: spreadsheets show what follows as it stands."""
_MARKED = frozenset(f"=+-@\t\uff1d\uff0b\uff0d\uff20{FORMULA_MARK}")
"""What begins so gets the mark: formulas, their signs also in full width (OWASP, CSV Injection), and the mark itself,
so that it can be taken away."""
_NO_LINE_ENDS = str.maketrans({"\r": " ", "\n": " ", "\0": " "})
_WORDS = tuple(quality.word for quality in Quality)
_NOT_APPLICABLE = ReasonCode.NOT_APPLICABLE
_BAD = Quality.BAD
_SUFFIXES = {"1": "", "m": "_m", "degC": "_degC", "Pa": "_Pa", "m3": "_m3", "kg": "_kg", "kg/m3": "_kg_m3"}


class Column(NamedTuple):
    name: str
    """Its unit last."""
    kind: str
    """As SQL calls it."""


class Sort(NamedTuple):
    """One sort of file."""

    name: str
    """In the names of files."""
    columns: tuple[Column, ...]
    row: Callable[..., str]

    @property
    def header(self) -> bytes:
        return (",".join(column.name for column in self.columns) + _LINE_END).encode()


_IDENTITY = (
    Column("time", "TIMESTAMP WITH TIME ZONE"),
    Column("local_time", "VARCHAR"),
    Column("site", "VARCHAR"),
    Column("tank", "VARCHAR"),
    Column("boot", "VARCHAR"),
    Column("sequence", "BIGINT"),
    Column("position", "BIGINT"),
)
"""Both sorts begin with it: what is in a file already is found by it."""

# Not the order of the sheet, to which figures may be added anywhere: a new one comes at the end here.
_FIGURES = (
    *("level", "ullage", "second_level", "level_difference", "water_level", "liquid_temperature"),
    *("temperature_spread", "vapour_temperature", "ambient_temperature", "bottom_pressure", "vapour_pressure", "tov"),
    *("fill", "measured_density", "density_difference", "free_water", "shell_temperature", "ctsh"),
    *("reference_density", "observed_density", "ctl", "cpl", "head_adjustment", "roof_displacement", "gov", "gsv"),
    *("sediment_water", "nsv", "mass", "weight_in_air", "net_mass", "net_weight_in_air", "solute_mass"),
    *("vapour_density", "vapour_mass", "total_mass", "pumpable", "room"),
)
_PLACES = {definition.name: place for place, definition in enumerate(FIGURE_DEFINITIONS)}
_ORDER = tuple(_PLACES[name] for name in _FIGURES)


def _figure_columns() -> list[Column]:
    columns = []
    for place in _ORDER:
        name, unit = FIGURE_DEFINITIONS[place].name, FIGURE_DEFINITIONS[place].unit
        columns.append(Column(f"{name}{_SUFFIXES[unit]}", "DOUBLE"))
        columns += [Column(f"{name}_quality", "VARCHAR"), Column(f"{name}_reason", "VARCHAR")]
    return columns


def sort_of(entry: Entry) -> Sort:
    """The sort of file that it belongs to."""
    return RECORDS if isinstance(entry, KeptRecord) else EVENTS


def line_of(entry: Entry, zone: tzinfo) -> bytes:
    """A row with its end, in UTF-8. Raises DeliveryError where a number is not finite or a time has no zone."""
    return sort_of(entry).row(entry, zone).encode("utf-8", "replace")


def _record_row(entry: KeptRecord, zone: tzinfo) -> str:
    record, previous = entry.record, entry.previous
    inventory, identity = record.inventory, record.identity
    state, reference_c = inventory.level_state, inventory.reference_temperature_c
    cells = [
        *_times(inventory.instant, zone),
        _text(identity.site),
        _text(identity.tank),
        identity.boot,
        str(identity.sequence),
        str(entry.position),
        "" if previous is None else previous.boot,
        "" if previous is None else str(previous.sequence),
        _text(inventory.product),
        _WORDS[inventory.quality],
        "true" if inventory.simulated else "false",
        state.limit.value,
        "" if state.roof is None else state.roof.value,
        *(source.value for source in inventory.sources),
        "" if reference_c is None else _number(inventory.tank, "reference temperature", reference_c),
        # Counted from 1, lowest first.
        " ".join([str(number) for number, each in enumerate(inventory.elements, start=1) if each.used]),
        " ".join([_FIGURES[index] for index, place in enumerate(_ORDER) if inventory.figures[place].manual]),
        _text(record.plan),
    ]
    figures = inventory.figures
    for place in _ORDER:
        _add_figure(cells, inventory.tank, place, figures[place])
    return ",".join(cells) + _LINE_END


def _add_figure(cells: list[str], tank: str, place: int, figure: Figure) -> None:
    value, quality, reasons, _, _ = figure
    if value is None and quality == 0 and reasons and reasons[0].code is _NOT_APPLICABLE:
        cells += ("", "", "")
        return
    told = "" if value is None or quality is _BAD else _number(tank, FIGURE_DEFINITIONS[place].name, value)
    cells += (told, _WORDS[quality], reasons[0].code.value if reasons else "")


def _event_row(entry: KeptEvent, zone: tzinfo) -> str:
    identity, event = entry.identity, entry.event
    reason = event.reason
    cells = [
        *_times(event.instant, zone),
        _text(identity.site),
        _text(identity.tank),
        identity.boot,
        str(identity.sequence),
        str(entry.position),
        str(entry.number),
        event.kind.value,
        _text(event.subject),
        "" if reason is None else reason.code.value,
        "" if reason is None else _text(reason.text),
        _text(event.by or ""),
        *_alarm(identity.tank, event.standing),
        _text(event.document),
    ]
    return ",".join(cells) + _LINE_END


def _alarm(tank: str, standing: AlarmStanding | None) -> tuple[str, ...]:
    if standing is None:
        return ("",) * 9
    return (
        standing.kind.value,
        standing.priority.value,
        standing.phase.value,
        "true" if standing.is_active else "false",
        "" if standing.raised is None else iso_time(standing.raised),
        "" if standing.value is None else _number(tank, f"value of alarm {standing.name}", standing.value),
        _text(standing.by or ""),
        "" if standing.until is None else iso_time(standing.until),
        _text(standing.why),
    )


def _times(instant: datetime, zone: tzinfo) -> tuple[str, str]:
    """In UTC, and by the site's own time with its distance from UTC, so that an hour that comes twice is told apart."""
    return iso_time(instant), instant.astimezone(zone).isoformat(timespec="milliseconds")


def _number(tank: str, name: str, value: float) -> str:
    # The difference of two infinities, and of anything with NaN, is NaN.
    if value - value != 0.0:
        raise DeliveryError(f"tank {tank}: {name} is {value}, not a finite number; the record is not delivered")
    return repr(float(value))


def _text(text: str) -> str:
    if text.isalnum():
        return text
    text = text.translate(_NO_LINE_ENDS)
    if text[:1] in _MARKED or text.lstrip()[:1] in _MARKED:
        text = FORMULA_MARK + text
    return f'"{text.replace(_QUOTE, _QUOTE * 2)}"' if not _QUOTED.isdisjoint(text) else text


def plain_text(cell: str) -> str:
    """The text that a cell was made of, but for its line ends."""
    return cell.removeprefix(FORMULA_MARK)


_QUOTE = '"'

RECORDS = Sort(
    "records",
    (
        *_IDENTITY,
        Column("previous_boot", "VARCHAR"),
        Column("previous_sequence", "BIGINT"),
        Column("product", "VARCHAR"),
        Column("quality", "VARCHAR"),
        Column("simulated", "BOOLEAN"),
        Column("limit_state", "VARCHAR"),
        Column("roof_state", "VARCHAR"),
        Column("level_source", "VARCHAR"),
        Column("temperature_source", "VARCHAR"),
        Column("water_source", "VARCHAR"),
        Column("density_source", "VARCHAR"),
        Column("reference_temperature_degC", "DOUBLE"),
        Column("elements_used", "VARCHAR"),
        Column("manual", "VARCHAR"),
        Column("plan", "VARCHAR"),
        *_figure_columns(),
    ),
    _record_row,
)
EVENTS = Sort(
    "events",
    (
        *_IDENTITY,
        Column("number", "BIGINT"),
        Column("kind", "VARCHAR"),
        Column("subject", "VARCHAR"),
        Column("reason", "VARCHAR"),
        Column("text", "VARCHAR"),
        Column("by", "VARCHAR"),
        # How the alarm stands after it; empty where it is of none.
        Column("alarm_kind", "VARCHAR"),
        Column("alarm_priority", "VARCHAR"),
        Column("alarm_phase", "VARCHAR"),
        Column("alarm_active", "BOOLEAN"),
        Column("alarm_raised", "TIMESTAMP WITH TIME ZONE"),
        Column("alarm_value", "DOUBLE"),
        Column("alarm_by", "VARCHAR"),
        Column("alarm_until", "TIMESTAMP WITH TIME ZONE"),
        Column("alarm_why", "VARCHAR"),
        # Of the accounts: the paper that it is about, as JSON.
        Column("document", "VARCHAR"),
    ),
    _event_row,
)
SORTS = {sort.name: sort for sort in (RECORDS, EVENTS)}

if set(_FIGURES) != set(_PLACES) or len(_FIGURES) != len(_PLACES):  # pragma: no cover
    raise AssertionError("the columns and the sheet must have the same figures")
