"""Pure: records of the accounts as plain values for whoever reads them elsewhere: every field, also where it is empty.

Times are ISO 8601 in UTC, a quality is its word, a reason its code and its sentence. A Bad figure has the value null.
"""

from collections.abc import Mapping
from datetime import datetime
from enum import Enum
from math import isfinite
from typing import Any

from gateway.figures import FIGURE_DEFINITIONS
from gateway.payload.plain import iso_time, reason_document
from gateway.records import Figure, Quality, Reason

__all__ = ["outside"]

_UNITS: Mapping[str, str] = {definition.name: definition.unit for definition in FIGURE_DEFINITIONS}
_RATES: Mapping[str, str] = {"rate": "m3/s", "mean_rate": "m3/s"}
"""Of an amount by whichever measure: how fast is always told of observed volume."""


def outside(value: Any, unit: str | None = None) -> Any:
    """`unit`: of figures that do not stand under the name of one of the sheet. Raises DeliveryError for a time without
    a zone."""
    match value:
        case Quality():
            return value.word
        case Enum():
            return value.value
        case Reason():
            return reason_document(value)
        case Figure():
            return _figure(value, unit)
        case datetime():
            return iso_time(value)
        case float():
            return value if isfinite(value) else None
        case tuple() if (made := getattr(value, "_asdict", None)) is not None:
            named = made()
            own = _UNITS.get(str(named.get("measure", "")), unit)
            return {name: outside(each, _RATES.get(name, own)) for name, each in named.items()}
        case tuple() | list() | set() | frozenset():
            return [outside(each, unit) for each in value]
        case Mapping():
            return {str(name): outside(each, _UNITS.get(str(name), unit)) for name, each in value.items()}
        case _:
            return value


def _figure(figure: Figure, unit: str | None) -> dict[str, Any]:
    value = figure.value
    return {
        "value": None if value is None or figure.quality is Quality.BAD or not isfinite(value) else value,
        "unit": unit,
        "quality": figure.quality.word,
        "reasons": [reason_document(reason) for reason in figure.reasons],
        "manual": figure.manual,
    }
