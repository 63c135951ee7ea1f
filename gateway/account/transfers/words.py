"""Amounts and times as people are told them: no more digits than are known (a tenth under a thousand)."""

from collections.abc import Mapping
from datetime import datetime

from gateway.account.transfer import Planned
from gateway.account.transfers.moved import MASSES, main_measure
from gateway.records import Figure
from gateway.sentences import duration_words

__all__ = ["amount_words", "duration", "measure_words", "minute", "moved_words", "planned_lines"]

_NAMES = {"tov": "TOV", "gov": "GOV", "gsv": "GSV", "nsv": "NSV"}
duration = duration_words


def amount_words(value: float, measure: str) -> str:
    """`1,204 m3`, `963.2 m3`, `27.2 t`."""
    if measure in MASSES:
        return f"{value / 1000.0:,.1f} t"
    return f"{value:,.0f} m3" if abs(value) >= 1000.0 else f"{value:,.1f} m3"


def measure_words(measure: str) -> str:
    """`GSV`, `weight in air`."""
    return _NAMES.get(measure, measure.replace("_", " "))


def moved_words(moved: Mapping[str, Figure]) -> str:
    """The amount by the measure that counts."""
    measure = main_measure(moved)
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
