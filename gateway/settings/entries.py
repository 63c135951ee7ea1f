"""Values entered by people: when they were entered, when they end, and why."""

from datetime import datetime, timedelta
from typing import Annotated, Any

from pydantic import BeforeValidator, GetJsonSchemaHandler, WithJsonSchema, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from gateway.calculation.units import Dimension, parse_quantity
from gateway.errors import QuantityError
from gateway.settings.fields import (
    DensityQuantity,
    Instant,
    Length,
    Ratio,
    Section,
    Temperature,
    Text,
    read_instant,
    refuse,
    require_text,
    text_or,
)

__all__ = [
    "AT_REFERENCE",
    "AT_TANK",
    "DAYS_OF_A_SAMPLE",
    "DAYS_OF_A_SUBSTITUTE",
    "DatedEntry",
    "DensityEntry",
    "LengthEntry",
    "RatioEntry",
    "TankDensityEntry",
    "TemperatureEntry",
]

_LONGEST_S = 366 * 86_400.0
DAYS_OF_A_SUBSTITUTE = 7
"""A value that stands in for an instrument."""
DAYS_OF_A_SAMPLE = 31
"""A laboratory density, or a dip where no instrument exists."""


def _read_end(value: Any) -> datetime | timedelta:
    """`expires` is an instant or a time after `entered`, such as `24 h`."""
    text = require_text(value, "a date and time or a time after `entered`, for example 24 h")
    try:
        seconds = parse_quantity(text, Dimension.TIME)
    except QuantityError:
        return read_instant(text)
    if not 0.0 < seconds <= _LONGEST_S:
        raise refuse(f"{text} is not a time for which a value may hold; give for example 24 h")
    return timedelta(seconds=seconds)


End = Annotated[
    datetime | timedelta,
    BeforeValidator(_read_end),
    WithJsonSchema({"type": "string", "examples": ["24 h", "7 d", "2026-12-02T06:00Z"]}),
]


class DatedEntry(Section):
    """A value with the time from which and until which it holds. A bare value is a block with `value` alone."""

    entered: Instant | None = None
    expires: End | None = None
    reason: Text | None = None

    @model_validator(mode="before")
    @classmethod
    def _bare_value(cls, data: Any) -> Any:
        return {"value": data} if isinstance(data, str) else data

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return text_or(handler(core))

    @property
    def ends(self) -> datetime | None:
        if isinstance(self.expires, timedelta):
            return None if self.entered is None else self.entered + self.expires
        return self.expires


class LengthEntry(DatedEntry):
    value: Length


class TemperatureEntry(DatedEntry):
    value: Temperature


class RatioEntry(DatedEntry):
    value: Ratio


class DensityEntry(DatedEntry):
    """A density at the product's reference temperature. Without dates it is nominal: results are Uncertain."""

    value: DensityQuantity


def _read_state(value: Any) -> str | float:
    text = require_text(value, "reference, tank or a temperature")
    if text in (AT_REFERENCE, AT_TANK):
        return text
    try:
        return parse_quantity(text, Dimension.TEMPERATURE)
    except QuantityError:
        raise refuse(
            f"'{text}' does not say where the density holds; write reference, tank or the temperature it was observed "
            "at, for example 20 degC"
        ) from None


AT_REFERENCE = "reference"
AT_TANK = "tank"


class TankDensityEntry(DensityEntry):
    """A density of the tank's own contents: at reference, at tank temperature, or observed at a temperature."""

    at: Annotated[
        str | float,
        BeforeValidator(_read_state),
        WithJsonSchema({"type": "string", "examples": ["reference", "tank", "20 degC"]}),
    ] = AT_REFERENCE
