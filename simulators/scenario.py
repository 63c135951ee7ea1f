"""What a scenario file may say: lines, tanks, instruments on the lines, movements, faults and noise.

Every quantity is text with its unit (`9.412 m`) in a file, or a plain number in the dimension's own unit (m, m3, m3/s,
degC, K, Pa, s, kg/m3) when a scenario is made in Python.
"""

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from simulators.fields import (
    Address,
    Baud,
    Difference,
    Duration,
    Flow,
    FlowNoise,
    Height,
    Part,
    Port,
    Positive,
    PositiveDuration,
    PressureNoise,
    StopBits,
    Temperature,
    Text,
    Unit,
    Whole,
)
from simulators.signal_part import DIMENSION_OF, SignalPart
from simulators.tank_part import TankPart

__all__ = [
    "Forbidden",
    "InstrumentPart",
    "LinePart",
    "Movement",
    "NoisePart",
    "Scenario",
    "ScheduledFault",
    "SerialPart",
]


class Forbidden(Part):
    """Addresses the device answers with exception 2."""

    table: Literal["coil", "discrete", "holding", "input"]
    first: Address
    last: Address

    @model_validator(mode="after")
    def _in_order(self) -> "Forbidden":
        if self.last < self.first:
            raise ValueError(f"last: {self.last} is before 'first'; give {self.first} or more")
        return self


class InstrumentPart(Part):
    """A device on a line."""

    line: Annotated[Text, Field(description="Its line")]
    unit: Annotated[Unit, Field(description="Modbus unit number, another one for each instrument of a line")]
    signals: Annotated[dict[str, SignalPart], Field(min_length=1)]
    forbidden: tuple[Forbidden, ...] = ()
    gaps: Annotated[
        Literal["zeros", "exception"], Field(description="What it answers for addresses where nothing stands")
    ] = "zeros"


class SerialPart(Part):
    """A serial line: a real port of this machine, or a pair made for it, whose other end stands at a path."""

    port: Annotated[Text | None, Field(description="A real port, wired to that of the client: /dev/ttyUSB1")] = None
    pair: Annotated[
        Text | None, Field(description="Path at which the client finds its end of a pair: /tmp/simulated-bus")
    ] = None
    baud: Annotated[Baud, Field(description="A pair takes as long for an answer as a port at this rate")]
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Annotated[StopBits | None, Field(description="1 with a parity bit, 2 without, unless given")] = None

    @model_validator(mode="after")
    def _one_way(self) -> "SerialPart":
        if (self.port is None) == (self.pair is None):
            what = "is missing, and 'port' too" if self.pair is None else f"{self.pair!r} stands beside 'port'"
            raise ValueError(f"pair: {what}; give one of the two, for example pair: /tmp/simulated-bus")
        key, path = ("pair", self.pair) if self.port is None else ("port", self.port)
        if not str(path).startswith("/"):
            raise ValueError(f"{key}: {path!r} is no whole path; begin it with a slash, like /tmp/simulated-bus")
        return self


class LinePart(Part):
    """How the instruments of a line are reached: a port of this machine over TCP, or a serial line."""

    port: Annotated[Port, Field(description="TCP port; 0 is any free one")] = 0
    serial: SerialPart | None = None
    framing: Annotated[
        Literal["tcp", "rtu", "ascii"] | None,
        Field(
            description="Of the frames: tcp unless given, rtu on a serial line; rtu or ascii over TCP is a converter"
        ),
    ] = None
    unknown_unit: Annotated[
        Literal["silence", "exception"],
        Field(description="What comes for a unit that is not there: nothing, or exception 11 of a TCP server"),
    ] = "silence"

    @model_validator(mode="after")
    def _consistent(self) -> "LinePart":
        if self.serial is not None and self.framing == "tcp":
            raise ValueError("framing: 'tcp' is nothing for a serial line; give 'rtu' or 'ascii'")
        if self.serial is not None and self.port:
            raise ValueError(f"port: {self.port} stands beside 'serial'; leave one of the two out")
        if self.unknown_unit == "exception" and self.frames != "tcp":
            raise ValueError(f"unknown_unit: 'exception' is not to be had in frames of {self.frames}; give 'silence'")
        return self

    @property
    def frames(self) -> str:
        """The framing in use: tcp, rtu or ascii."""
        return self.framing or ("tcp" if self.serial is None else "rtu")


class Movement(Part):
    """Liquid pumped in or out from one time until another, or until a level is reached."""

    tank: Annotated[Text, Field(description="Its tank")]
    at: Annotated[Duration, Field(description="When it begins")] = 0.0
    flow: Annotated[Flow, Field(description="Positive for in, negative for out")]
    temperature: Annotated[Temperature | None, Field(description="Of what comes in; the tank's unless given")] = None
    of: Literal["product", "water"] = "product"
    until: Annotated[Duration | None, Field(description="When it ends at the latest")] = None
    until_level: Annotated[
        Height | None, Field(description="Level at which it ends; of the water where it is water")
    ] = None

    @model_validator(mode="after")
    def _consistent(self) -> "Movement":
        if self.until is not None and self.until <= self.at:
            raise ValueError(f"until: {self.until:g} s is not after 'at'; give more than {self.at:g} s")
        if self.flow == 0:
            raise ValueError("flow: 0 m3/h moves nothing; give more for in, less for out")
        return self


class ScheduledFault(Part):
    """A fault of an instrument from one time until another."""

    instrument: Annotated[Text, Field(description="Its instrument")]
    fault: Annotated[Text, Field(description="What happens")]
    from_: Annotated[Duration, Field(alias="from", description="When it begins")] = 0.0
    until: Annotated[Duration | None, Field(description="When it ends; never unless given")] = None
    options: Annotated[dict[str, Any], Field(description="Of the fault")] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _consistent(self) -> "ScheduledFault":
        if self.until is not None and self.until <= self.from_:
            raise ValueError(f"until: {self.until:g} s is not after 'from'; give more than {self.from_:g} s")
        return self


class NoisePart(Part):
    """Standard deviation of every signal of a kind that does not give its own."""

    level: Height = 0.0
    water: Height = 0.0
    temperature: Difference = 0.0
    pressure: PressureNoise = 0.0
    flow: FlowNoise = 0.0

    def of(self, quantity: str) -> float:
        """In the quantity's own unit."""
        if quantity in ("innage", "ullage"):
            return self.level
        dimension = DIMENSION_OF[quantity]
        return self.water if quantity == "water" else getattr(self, dimension) if dimension else 0.0


class Scenario(Part):
    """A whole simulated site."""

    name: Annotated[Text, Field(description="The file's name unless given")] = "scenario"
    description: Text = ""
    seed: Annotated[Whole, Field(description="Of the noise: the same seed takes the same course")] = 0
    time_factor: Annotated[Positive, Field(description="Scenario time that passes in a second of real time")] = 1.0
    tick: Annotated[PositiveDuration, Field(description="Real time between two states")] = 1.0
    noise: NoisePart = NoisePart()
    lines: Annotated[dict[str, LinePart], Field(min_length=1)]
    tanks: Annotated[dict[str, TankPart], Field(min_length=1)]
    instruments: Annotated[dict[str, InstrumentPart], Field(min_length=1)]
    movements: tuple[Movement, ...] = ()
    faults: tuple[ScheduledFault, ...] = ()
