"""Values entered by people: when they were entered, when they end, and why."""

from datetime import datetime, timedelta
from enum import StrEnum
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, WithJsonSchema, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from gateway.errors import QuantityError
from gateway.settings.reading.fields import (
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
from gateway.units.quantity import Dimension, parse_quantity

__all__ = [
    "AT_REFERENCE",
    "AT_TANK",
    "DAYS_OF_A_SAMPLE",
    "DAYS_OF_A_SUBSTITUTE",
    "DatedEntry",
    "DensityEntry",
    "LengthEntry",
    "RatioEntry",
    "ReadBy",
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


AT_REFERENCE = "reference"
AT_TANK = "tank"


def _read_state(*words: str) -> BeforeValidator:
    def read(value: Any) -> str | float:
        text = require_text(value, f"{' or '.join(words)}, or a temperature")
        if text in words:
            return text
        try:
            return parse_quantity(text, Dimension.TEMPERATURE)
        except QuantityError:
            raise refuse(
                f"'{text}' does not say where the density holds; write {', '.join(words)} or the temperature it was "
                "observed at, for example 20 degC"
            ) from None

    return BeforeValidator(read)


def _state_schema(*examples: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "examples": list(examples)})


class ReadBy(StrEnum):
    """What a density was read by."""

    HYDROMETER = "hydrometer"
    """Of glass, the reading not corrected for it."""
    DENSITY_METER = "density_meter"
    """An oscillating tube, of the laboratory or in the line: there is no glass to correct for."""


class DensityEntry(DatedEntry):
    """A density at the product's reference temperature, or observed at another. Without dates it is nominal: results
    are Uncertain."""

    value: DensityQuantity
    at: Annotated[
        str | float | None,
        _read_state(AT_REFERENCE),
        _state_schema("reference", "20 degC"),
        Field(description="Where it holds: 60 degF for degAPI and SG, else reference unless given"),
    ] = None
    by: Annotated[ReadBy | None, Field(description="hydrometer: its glass is corrected for, once")] = None
    made_for: Annotated[
        Temperature | None,
        Field(description="The hydrometer: 15 degC, or 60 degF for degAPI and SG, unless given; or 20 degC"),
    ] = None

    @model_validator(mode="after")
    def _reading_of_a_hydrometer(self) -> "DensityEntry":
        if self.by is ReadBy.HYDROMETER and not isinstance(self.at, float):
            raise refuse("by: hydrometer needs at, the temperature that it was read at, for example at: 24.5 degC")
        if self.by is not ReadBy.HYDROMETER and self.made_for is not None:
            raise refuse("made_for is for by: hydrometer; leave it out")
        return self


class TankDensityEntry(DensityEntry):
    """A density of the tank's own contents: at reference, at tank temperature, or observed at a temperature."""

    at: Annotated[
        str | float | None,
        _read_state(AT_REFERENCE, AT_TANK),
        _state_schema("reference", "tank", "20 degC"),
        Field(description="Where it holds: 60 degF for degAPI and SG, else reference unless given"),
    ] = None
