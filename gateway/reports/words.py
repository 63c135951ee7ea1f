"""Pure: how instants, qualities and names are told in a report."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta, tzinfo

from gateway.display import DEFINITIONS, printable
from gateway.records import Figure, Quality, Reason, ReasonCode

__all__ = [
    "NONE_DETECTED",
    "NOT_APPLICABLE",
    "NO_VALUE",
    "absent_words",
    "both_times",
    "duration_words",
    "kind_words",
    "local_text",
    "quality_text",
    "reason_texts",
    "utc_text",
]

NO_VALUE = "no value"
NONE_DETECTED = "none detected"
NOT_APPLICABLE = "n/a"
_PASSED_ON = (ReasonCode.INPUT_BAD, ReasonCode.INPUT_UNCERTAIN)


def utc_text(instant: datetime) -> str:
    """ISO 8601 in whole seconds: `2026-11-27T06:00:00Z`."""
    return f"{instant.astimezone(UTC):%Y-%m-%dT%H:%M:%S}Z"


def local_text(instant: datetime, zone: tzinfo) -> str:
    """In the zone of the site, with the offset: `2026-11-27 07:00:00 +01:00`."""
    text = instant.astimezone(zone).isoformat(" ", "seconds")
    return f"{text[:19]} {text[19:]}"


def both_times(instant: datetime, zone: tzinfo) -> str:
    """Local, with UTC beside it."""
    return f"{local_text(instant, zone)} ({utc_text(instant)})"


def duration_words(span: timedelta) -> str:
    """`1 h 05 min`, `12 min 30 s`, `45 s`."""
    seconds = round(span.total_seconds())
    hours, rest = divmod(abs(seconds), 3600)
    minutes, left = divmod(rest, 60)
    sign = "-" if seconds < 0 else ""
    if hours:
        return f"{sign}{hours} h {minutes:02d} min"
    return f"{sign}{minutes} min {left:02d} s" if minutes else f"{sign}{left} s"


def kind_words(code: str) -> str:
    """A code as words: `tank_to_tank` is `tank to tank`."""
    return code.replace("_", " ")


def absent_words(figure: Figure) -> str:
    """What stands where a figure has no value."""
    if figure.quality is Quality.BAD:
        return NO_VALUE
    codes = {reason.code for reason in figure.reasons}
    return NONE_DETECTED if ReasonCode.NONE_DETECTED in codes else NOT_APPLICABLE


def reason_texts(reasons: Iterable[Reason]) -> tuple[str, ...]:
    """Each once. Those that only pass on the doubt of another are left out where the cause itself is told."""
    given = list(reasons)
    causes = [reason for reason in given if reason.code not in _PASSED_ON] or given
    return tuple(dict.fromkeys(printable(reason.text) for reason in causes))


def quality_text(quality: Quality, figures: Mapping[str, Figure], more: Iterable[Reason] = ()) -> str:
    """The word, which of the figures have no value, and why: `Bad: no GSV, NSV; the level is lost`."""
    bad = [DEFINITIONS[name].symbol for name, figure in figures.items() if figure.quality is Quality.BAD]
    doubtful = [figure for figure in figures.values() if figure.quality is not Quality.GOOD]
    reasons = [reason for figure in doubtful for reason in figure.reasons]
    parts = [f"no {', '.join(bad)}"] if bad else []
    parts += reason_texts([*more, *reasons])
    return f"{quality.word}: {'; '.join(parts)}" if parts else quality.word
