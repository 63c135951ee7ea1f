"""Lines, register maps and instruments as the site file gives them."""

from typing import Annotated, Literal

from pydantic import Field

from gateway.acquisition.register_map import ByteOrder, Table, ValueType
from gateway.settings.fields import Address, Duration, Name, Number, Section, Text, UnitName, Whole, YesNo

__all__ = ["ForbiddenModel", "InstrumentModel", "LineModel", "LoopModel", "MapModel", "SignalModel"]


class LineModel(Section):
    """One connection on which instruments answer."""

    protocol: Literal["modbus_tcp"] = "modbus_tcp"
    address: Annotated[Address, Field(description="host:port of the instrument or the serial server")]
    description: Text | None = None
    connect_timeout: Duration = 3.0
    backoff_first: Annotated[Duration, Field(description="First wait before connecting again; doubles")] = 0.5
    backoff_longest: Duration = 30.0


class LoopModel(Section):
    """A 4-20 mA signal: what 4 mA and 20 mA mean."""

    low: Annotated[Text, Field(description="At 4 mA, with its unit")]
    high: Annotated[Text, Field(description="At 20 mA, with its unit")]


class SignalModel(Section):
    """One value of an instrument: SI = (number * scale + offset) in `unit`."""

    table: Table
    address: Annotated[Whole, Field(description="Zero-based, as it goes over the wire: 40001 is holding register 0")]
    type: ValueType
    order: ByteOrder = ByteOrder.ABCD
    bit: Annotated[Whole | None, Field(description="0 to 15, least significant first")] = None
    bits: Whole = 1
    scale: Number = 1.0
    offset: Number = 0.0
    unit: UnitName | None = None
    sentinels: Annotated[tuple[Whole, ...], Field(description="Raw numbers that mean: value invalid")] = ()
    none_detected: Annotated[tuple[Whole, ...], Field(description="Raw numbers that mean: nothing there")] = ()
    current_loop: LoopModel | None = None
    minimum: Annotated[Text | None, Field(description="Lowest value it can mean, with its unit")] = None
    maximum: Annotated[Text | None, Field(description="Highest value it can mean, with its unit")] = None


class ForbiddenModel(Section):
    """Addresses that must never be read."""

    table: Table
    first: Whole
    last: Whole


class MapModel(Section):
    """The registers of a kind of instrument and how they may be read."""

    description: Text | None = None
    signals: dict[Name, SignalModel]
    largest_block: Annotated[Whole, Field(description="Most registers in one request, 1 to 125")] = 125
    gaps: Annotated[YesNo, Field(description="Whether addresses without a signal may be read to join blocks")] = True
    forbidden: tuple[ForbiddenModel, ...] = ()
    fault_signals: Annotated[tuple[Name, ...], Field(description="bool signals; 1 makes all readings Bad")] = ()


class InstrumentModel(Section):
    """One instrument on a line. Its registers by the name of a map, or in line by `signals`."""

    description: Text | None = None
    line: Name
    unit: Annotated[Whole, Field(description="Modbus unit identifier, 0 to 255")]
    map: Annotated[Name | None, Field(description="A map of `maps:` or one that comes with the program")] = None
    period: Duration
    timeout: Duration = 1.0
    signals: dict[Name, SignalModel] | None = None
    largest_block: Whole | None = None
    gaps: YesNo | None = None
    forbidden: tuple[ForbiddenModel, ...] | None = None
    fault_signals: tuple[Name, ...] | None = None
