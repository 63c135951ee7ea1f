"""Lines, register maps and instruments as the site file gives them."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from gateway.acquisition.plan import FrameKind, Parity
from gateway.acquisition.signals.register_map import ByteOrder, ValueType
from gateway.modbus.tables import Table
from gateway.settings.reading.fields import (
    Address,
    Duration,
    Name,
    Number,
    RawNumber,
    Section,
    Text,
    UnitName,
    Whole,
    YesNo,
    refuse,
    require_text,
)

__all__ = [
    "Baud",
    "ChangedMapModel",
    "ForbiddenModel",
    "InstrumentModel",
    "LineModel",
    "LineTlsModel",
    "LoopModel",
    "MapModel",
    "PathModel",
    "PemFile",
    "Port",
    "SerialModel",
    "SignalChangeModel",
    "SignalModel",
]


_BAUD_RATES = (
    300,
    600,
    1200,
    2400,
    4800,
    9600,
    14400,
    19200,
    28800,
    38400,
    57600,
    76800,
    115200,
    230400,
    460800,
    921600,
)


def _read_baud(value: Any) -> int:
    text = require_text(value, "a baud rate, for example 9600")
    if not text.isdecimal() or not text.isascii():
        raise refuse(f"'{text}' is not a baud rate; write for example 9600")
    if int(text) not in _BAUD_RATES:
        nearest = min(_BAUD_RATES, key=lambda rate: abs(rate - int(text)))
        raise refuse(f"{text} is not a usual baud rate; did you mean {nearest}?")
    return int(text)


def _read_port(value: Any) -> str:
    text = require_text(value, "a serial port, for example /dev/ttyUSB0")
    if not text.startswith("/"):
        raise refuse(f"'{text}' is not the path of a serial port; write for example /dev/ttyUSB0")
    return text


Baud = Annotated[
    int,
    BeforeValidator(_read_baud),
    WithJsonSchema({"type": ["integer", "string"], "description": "9600, 19200 ...", "examples": ["9600"]}),
]
Port = Annotated[
    str,
    BeforeValidator(_read_port),
    WithJsonSchema(
        {
            "type": "string",
            "description": "Device file; its name in /dev/serial/by-id stays when adapters change places",
            "examples": ["/dev/ttyUSB0", "/dev/serial/by-id/usb-adapter-port0"],
        }
    ),
]
PemFile = Annotated[
    str,
    BeforeValidator(lambda value: require_text(value, "the path of a file")),
    WithJsonSchema({"type": "string", "description": "Path of a file in PEM form", "examples": ["gateway.pem"]}),
]


class SerialModel(Section):
    """A serial port of this machine, set as the instruments on it are."""

    port: Port
    baud: Baud
    parity: Parity = Parity.EVEN
    stop_bits: Annotated[Whole | None, Field(description="1 or 2; 1 with a parity bit, 2 without, unless given")] = None
    rs485: Annotated[YesNo, Field(description="Have the driver switch an RS-485 transmitter; most adapters do")] = False


class LineTlsModel(Section):
    """Modbus/TCP Security: files in PEM form; paths count from the file in which they stand."""

    ca: PemFile
    """Authorities, one of which must have signed the server's certificate."""
    certificate: PemFile
    """This gateway's own."""
    key: PemFile
    """Of that certificate, without a password."""


class PathModel(Section):
    """One way to the instruments of a line: by address or serial."""

    address: Annotated[Address | None, Field(description="host:port of an instrument, a server or a converter")] = None
    serial: SerialModel | None = None
    framing: Annotated[
        FrameKind | None, Field(description="tcp unless given, on a serial port rtu; rtu or ascii for a converter")
    ] = None
    tls: LineTlsModel | None = None


class LineModel(PathModel):
    """The instruments that are reached in one way."""

    description: Text | None = None
    standby: Annotated[PathModel | None, Field(description="A second way, taken while the first is lost")] = None
    fail_back: Annotated[Duration, Field(description="How often the first way is tried meanwhile")] = 30.0
    in_flight: Annotated[Whole, Field(description="Requests at once on a connection, 1 to 16; framing tcp only")] = 1
    connections: Annotated[Whole, Field(description="To one device at once, 1 to 8; framing tcp only")] = 1
    connect_timeout: Duration = 3.0
    backoff_first: Annotated[Duration, Field(description="First wait before connecting again; doubles")] = 0.5
    backoff_longest: Duration = 30.0


class LoopModel(Section):
    """A 4-20 mA signal: what 4 mA and 20 mA mean."""

    low: Annotated[Text, Field(description="At 4 mA, with its unit")]
    high: Annotated[Text, Field(description="At 20 mA, with its unit")]


class LoopChangeModel(Section):
    low: Text | None = None
    high: Text | None = None


class _SignalDetails(Section):
    order: ByteOrder = ByteOrder.ABCD
    bit: Annotated[Whole | None, Field(description="0 to 15, least significant first")] = None
    bits: Whole = 1
    scale: Number = 1.0
    offset: Number = 0.0
    unit: UnitName | None = None
    sentinels: Annotated[tuple[RawNumber, ...], Field(description="Raw numbers that mean: value invalid")] = ()
    none_detected: Annotated[tuple[RawNumber, ...], Field(description="Raw numbers that mean: nothing there")] = ()
    minimum: Annotated[Text | None, Field(description="Lowest value it can mean, with its unit")] = None
    maximum: Annotated[Text | None, Field(description="Highest value it can mean, with its unit")] = None
    repeat: Annotated[Whole | None, Field(description="So many alike, one behind another: t is t1, t2, ...")] = None
    spacing: Annotated[Whole | None, Field(description="Addresses from one repeated signal to the next")] = None


_Place = Annotated[Whole, Field(description="Zero-based, as it goes over the wire: 40001 is holding register 0")]


class SignalModel(_SignalDetails):
    """One value of an instrument: SI = (number * scale + offset) in `unit`."""

    table: Table
    address: _Place
    type: ValueType
    current_loop: LoopModel | None = None


class SignalChangeModel(_SignalDetails):
    """What is different in a signal of the map that another is based on; a new signal is given whole."""

    table: Table | None = None
    address: _Place | None = None
    type: ValueType | None = None
    current_loop: LoopChangeModel | None = None


class ForbiddenModel(Section):
    """Addresses that must never be read."""

    table: Table
    first: Whole
    last: Whole


class _MapDetails(Section):
    description: Text | None = None
    largest_block: Annotated[Whole, Field(description="Most registers in one request, 1 to 125")] = 125
    gaps: Annotated[YesNo, Field(description="Whether addresses without a signal may be read to join blocks")] = True
    forbidden: tuple[ForbiddenModel, ...] = ()
    fault_signals: Annotated[tuple[Name, ...], Field(description="bool signals; 1 makes all readings Bad")] = ()
    age_signal: Annotated[Name | None, Field(description="Says how long ago the device heard what it passes on")] = None
    counter_signal: Annotated[Name | None, Field(description="Has another number for each new measurement")] = None


class MapModel(_MapDetails):
    """The registers of a kind of instrument and how they may be read."""

    signals: dict[Name, SignalModel]
    based_on: Annotated[Name | None, Field(description="A map whose keys hold where this one gives none")] = None
    shift: Annotated[Whole | None, Field(description="By how much the addresses of that map are moved")] = None


class ChangedMapModel(_MapDetails):
    """A map that is based on another and gives only what is different."""

    based_on: Name
    shift: Whole | None = None
    signals: dict[Name, SignalChangeModel | Literal["none"]] = Field(default_factory=dict)


class InstrumentModel(Section):
    """One instrument on a line. Its registers by the name of a map, or in line by `signals`."""

    description: Text | None = None
    line: Name
    unit: Annotated[Whole, Field(description="Modbus unit identifier, 0 to 255")]
    map: Annotated[Name | None, Field(description="A map of `maps:` or one that comes with the program")] = None
    period: Duration
    timeout: Annotated[Duration, Field(description="Longest wait for an answer; a shorter one is learned")] = 1.0
    pause: Annotated[Duration | None, Field(description="From an answer to the next request, where needed")] = None
    signals: dict[Name, SignalModel] | None = None
    largest_block: Whole | None = None
    gaps: YesNo | None = None
    forbidden: tuple[ForbiddenModel, ...] | None = None
    fault_signals: tuple[Name, ...] | None = None
    age_signal: Name | None = None
    counter_signal: Name | None = None
