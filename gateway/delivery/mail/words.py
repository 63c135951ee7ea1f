"""The words that every mail has: the cautions, what an alarm is called, a time, a value with its unit."""

from datetime import datetime, tzinfo

from gateway.display import printable, show_value
from gateway.sentences import duration_words
from gateway.tank_state import AlarmKind, Priority

__all__ = [
    "CAUTION",
    "LEAK_CAUTION",
    "SIMULATED",
    "alarm_words",
    "local",
    "place_words",
    "priority_words",
    "subject_of",
    "value_words",
]

CAUTION = (
    "Monitoring only. Not an overfill prevention system (API 2350) or safety instrumented system (IEC 61511). "
    "Independent protection must exist; a mail that does not come must not matter to safety."
)
LEAK_CAUTION = "A loss told here is not found by a regulatory leak-detection method."
SIMULATED = "SIMULATED"
_LONGEST_SUBJECT = 110
"""Characters: a phone shows the first 40 or so, so that the first words say what matters."""

_WORDS = {
    AlarmKind.HIGH_HIGH: "high-high",
    AlarmKind.HIGH_HIGH_SOON: "high-high soon",
    AlarmKind.MINIMUM: "below minimum",
    AlarmKind.MAXIMUM_WORKING: "above maximum working",
    AlarmKind.FILL_HIGH: "fill high",
}
_FIGURES = {
    AlarmKind.CRITICAL_HIGH: "level",
    AlarmKind.HIGH_HIGH: "level",
    AlarmKind.MAXIMUM_WORKING: "level",
    AlarmKind.MINIMUM: "level",
    AlarmKind.FILL_HIGH: "fill",
    AlarmKind.TEMPERATURE_HIGH: "liquid_temperature",
    AlarmKind.TEMPERATURE_LOW: "liquid_temperature",
    AlarmKind.PRESSURE_HIGH: "vapour_pressure",
    AlarmKind.PRESSURE_LOW: "vapour_pressure",
    AlarmKind.WATER_HIGH: "water_level",
}
"""Which figure of the sheet an alarm judges. Of others the reason alone tells the value."""
_FLOWS = (AlarmKind.FILLING_TOO_FAST, AlarmKind.EMPTYING_TOO_FAST)


def alarm_words(kind: AlarmKind | None, name: str) -> str:
    """What an alarm is called: `high-high`, `level lost`; one of the gateway itself with its subject."""
    if kind is None:
        return printable(name.replace("_", " "))
    words = _WORDS.get(kind, kind.value.replace("_", " "))
    _, _, subject = name.partition(".")
    return printable(f"{words} {subject}" if subject else words)


def value_words(kind: AlarmKind, value: float | None) -> str:
    """An SI value that an alarm judged, with its unit; empty where there is none, or its reason alone can tell it."""
    if value is None:
        return ""
    if kind in _FIGURES:
        return show_value(_FIGURES[kind], value).text
    if kind in _FLOWS:
        return f"{3600.0 * value:.0f} m³/h"
    return duration_words(value) if kind is AlarmKind.HIGH_HIGH_SOON else ""


def local(instant: datetime, zone: tzinfo, *, seconds: bool = False) -> str:
    """The site's own time with its offset from UTC: one that comes twice a year is known by that."""
    return instant.astimezone(zone).isoformat(sep=" ", timespec="seconds" if seconds else "minutes")


def place_words(tank: str) -> str:
    return printable(tank) or "gateway"


def subject_of(text: str, site: str, *, simulated: bool) -> str:
    """One line: what matters first, the site last."""
    whole = printable(f"{SIMULATED} {text}" if simulated else text)
    room = _LONGEST_SUBJECT - len(site) - 2
    if len(whole) > room > 0:
        whole = f"{whole[: room - 1]}…"
    # What looks like an encoded word (RFC 2047) would be read as one, be it a line end with another header behind it.
    return f"{whole}, {printable(site)}".replace("=?", "= ?")


def priority_words(priority: Priority) -> str:
    return priority.value.upper()
