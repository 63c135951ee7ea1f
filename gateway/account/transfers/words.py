"""Amounts and times as people are told them: no more digits than are known (a tenth under a thousand)."""

from collections.abc import Mapping
from datetime import datetime, tzinfo

from gateway.account.balance.shown import rounded
from gateway.account.gauging import MASSES
from gateway.account.transfer import Planned, TransferKind
from gateway.account.transfers.moved import told_measure
from gateway.records import Figure
from gateway.sentences import duration_words

__all__ = ["amount_words", "duration", "measure_words", "minute", "moved_words", "planned_lines", "site_minute"]

_NAMES = {"tov": "TOV", "gov": "GOV", "gsv": "GSV", "nsv": "NSV"}
_WHOLE_M3 = 1000
duration = duration_words


def amount_words(value: float, measure: str) -> str:
    """`1,204 m3`, `963.2 m3`, `27.2 t`."""
    if measure in MASSES:
        return f"{_shown(value / 1000.0, 1)} t"
    # As on the screen: by what is shown, 999.96 is 1,000.
    return f"{_shown(value, 0 if rounded(abs(value), 1) >= _WHOLE_M3 else 1)} m3"


def _shown(value: float, places: int) -> str:
    return f"{rounded(value, places):,}"


def measure_words(measure: str) -> str:
    """`GSV`, `weight in air`."""
    return _NAMES.get(measure, measure.replace("_", " "))


def moved_words(moved: Mapping[str, Figure], kind: TransferKind) -> str:
    """The amount by the measure that counts; of a water draw the water."""
    measure = told_measure(moved, kind)
    value = moved[measure].value
    if value is None:
        return f"{measure_words(measure)} not known"
    return f"{amount_words(value, measure)} {measure_words(measure)}"


def planned_lines(planned: Planned, moved: Mapping[str, Figure]) -> list[str]:
    """What was planned against what has moved."""
    if planned.amount is None:
        return []
    told = f"planned {amount_words(planned.amount, planned.measure)} {measure_words(planned.measure)}"
    value = moved[planned.measure].value
    if value is None:
        return [f"{told}: how much of it has moved is not known"]
    words = "more" if value > planned.amount else "less"
    return [f"{told}: {amount_words(abs(value - planned.amount), planned.measure)} {words} has moved"]


def minute(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M} UTC"


def site_minute(instant: datetime, zone: tzinfo) -> str:
    """By the clock of the site, which is what people there go by, and in UTC."""
    utc = minute(instant)
    return utc if str(zone) == "UTC" else f"{instant.astimezone(zone):%Y-%m-%d %H:%M %Z} ({utc})"
