"""A device to be asked by a tool: an address with a unit, or SITE and INSTRUMENT; and the asking itself."""

import argparse
import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, NamedTuple

from serial.tools.list_ports import comports

from gateway.acquisition.links.link import Link
from gateway.acquisition.links.transports import open_path
from gateway.acquisition.plan import FrameKind, InstrumentPlan, LinePath, LinePlan, Parity, SerialPath, TcpPath
from gateway.commands.operator.running_gateway import host_and_port
from gateway.commands.service.site_argument import load
from gateway.commands.technician.line_guard import add_guard
from gateway.commissioning.meanings import DeviceError
from gateway.errors import LinkError, QuantityError, UsageError
from gateway.modbus.tables import Table
from gateway.settings.site import SiteSettings
from gateway.units.quantity import Dimension, parse_quantity

__all__ = [
    "Asker",
    "Device",
    "add_device",
    "add_way",
    "asking",
    "device_of",
    "duration_of",
    "forbidden_place",
    "host_and_port",
    "length_of",
    "path_of",
    "quantity_of",
    "run",
    "site_device",
    "timeout_of",
]

_CONNECT_S = 3.0
_HIGHEST_UNIT = 255
_SLOWEST_BAUD = 300
_FASTEST_BAUD = 921_600


class Device(NamedTuple):
    """Whom to ask."""

    path: LinePath
    unit: int
    instrument: InstrumentPlan | None = None
    line: LinePlan | None = None
    site: SiteSettings | None = None

    @property
    def address(self) -> str:
        return str(self.path)

    @property
    def text(self) -> str:
        place = f"{self.address} unit {self.unit}"
        return place if self.instrument is None else f"{self.instrument.tag} ({place})"


class Asker:
    """A link that connects when it must, and whose errors say what they usually mean."""

    def __init__(self, link: Link, where: str, timeout_s: float, *, serial: bool) -> None:
        self._serial = serial
        self._link = link
        self._where = where
        self._timeout_s = timeout_s

    async def read(self, unit: int, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Raises DeviceError."""
        try:
            return await self.try_read(unit, table, address, count)
        except LinkError as error:
            raise self.told(error) from error

    def told(self, error: LinkError) -> DeviceError:
        """The error in words, with what it usually means on this way."""
        return DeviceError(self._where, error, serial=self._serial)

    async def try_read(self, unit: int, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Raises the LinkError itself."""
        if not self._link.connected:
            await self._link.connect(_CONNECT_S)
        return await self._link.read(unit, table, address, count, self._timeout_s)


@asynccontextmanager
async def asking(path: LinePath, where: str, timeout_s: float) -> AsyncIterator[Asker]:
    """Ask on a line until the block ends. `where` begins the text of every error."""
    link = open_path(path)
    try:
        yield Asker(link, where, timeout_s, serial=isinstance(path, SerialPath))
    finally:
        await link.close()


def run(work: Callable[[], Coroutine[Any, Any, int]]) -> int:
    """Run the asynchronous part of a tool; returns its exit code."""
    return asyncio.run(work())


def add_device(parser: argparse.ArgumentParser) -> None:
    """ADDRESS, or SITE INSTRUMENT; and the options of asking."""
    parser.add_argument("target", metavar="ADDRESS|SITE", help="HOST:PORT, a serial port, a site file, or `demo`")
    parser.add_argument("instrument", metavar="INSTRUMENT", nargs="?", help="with SITE: tag of the instrument in it")
    parser.add_argument("--unit", type=int, metavar="N", help="Modbus unit identifier, 0 to 255; default 1, or SITE's")
    parser.add_argument("--timeout", metavar="TIME", help="longest wait for an answer; default 1 s, or SITE's")
    add_way(parser)
    add_guard(parser)


def add_way(parser: argparse.ArgumentParser) -> None:
    """How frames go to an address that no site file describes."""
    way = parser.add_argument_group("the way to an ADDRESS", "of a SITE, its file says it")
    way.add_argument(
        "--framing",
        choices=[kind.value for kind in FrameKind],
        help="default tcp for HOST:PORT (rtu for many converters), rtu for a serial port",
    )
    way.add_argument("--baud", type=int, metavar="N", help="of a serial port; default 9600")
    way.add_argument("--parity", choices=[parity.value for parity in Parity], help="of a serial port; default even")
    way.add_argument("--stop-bits", type=int, choices=[1, 2], help="of a serial port; default 1, or 2 without parity")


def path_of(arguments: argparse.Namespace) -> LinePath | None:
    """The way to an ADDRESS; None when the target is none. Raises UsageError for options that do not go with it."""
    serial = Path(arguments.target).is_char_device()
    if not serial and arguments.target.startswith("/dev/"):
        raise UsageError(f"there is no serial port {arguments.target} on this machine", _ports_here())
    address = None if serial else host_and_port(arguments.target)
    serial_options = {"baud": arguments.baud, "parity": arguments.parity, "stop_bits": arguments.stop_bits}
    for name, value in serial_options.items():
        if value is not None and not serial:
            raise UsageError(
                f"--{name.replace('_', '-')}: {arguments.target} is no serial port of this machine", "leave it away"
            )
    if serial:
        return _serial_path(arguments)
    if address is None:
        if arguments.framing is not None:
            raise UsageError("--framing: the site file says it", "leave it away")
        return None
    return TcpPath(*address, FrameKind(arguments.framing or FrameKind.TCP))


def _ports_here() -> str:
    """The serial ports that could have been meant."""
    ports = sorted(port.device for port in comports())
    return f"there are {', '.join(ports)}" if ports else "there is none: look whether the adapter is plugged in"


def _serial_path(arguments: argparse.Namespace) -> SerialPath:
    if arguments.framing == FrameKind.TCP:
        raise UsageError("--framing: tcp does not go over a serial port", "give rtu or ascii")
    baud = 9600 if arguments.baud is None else arguments.baud
    if not _SLOWEST_BAUD <= baud <= _FASTEST_BAUD:
        raise UsageError(f"--baud: {baud} is no usual rate", f"give {_SLOWEST_BAUD} to {_FASTEST_BAUD}, such as 9600")
    parity = Parity(arguments.parity or Parity.EVEN)
    # The specification asks for two stop bits where there is no parity bit (Modbus over serial line V1.02, 2.5.1).
    stop_bits = arguments.stop_bits or (2 if parity is Parity.NONE else 1)
    return SerialPath(arguments.target, baud, parity, stop_bits, FrameKind(arguments.framing or FrameKind.RTU))


def device_of(arguments: argparse.Namespace) -> Device:
    """The device that `add_device` asked for. Raises UsageError and SettingsError."""
    if arguments.unit is not None and not 0 <= arguments.unit <= _HIGHEST_UNIT:
        raise UsageError(f"--unit: {arguments.unit} is not a Modbus unit identifier", "give 0 to 255")
    path = path_of(arguments)
    if path is None:
        if arguments.instrument is None:
            hint = f"HOST:PORT, or SITE INSTRUMENT, for example 192.0.2.10:502 or {arguments.target} LT-101"
            raise UsageError(f"'{arguments.target}' is no HOST:PORT, and no INSTRUMENT of a site was given", hint)
        device = site_device(load(arguments.target), arguments.instrument)
        return device if arguments.unit is None else device._replace(unit=arguments.unit)
    if arguments.instrument is not None:
        raise UsageError(
            f"'{arguments.instrument}': an instrument is known by its tag in a site file only",
            "leave it away, or give SITE in place of HOST:PORT",
        )
    return Device(path, 1 if arguments.unit is None else arguments.unit)


def forbidden_place(instrument: InstrumentPlan, table: Table, address: int, count: int) -> str | None:
    """Which of these addresses the instrument's map says must never be read, in words; None when none."""
    for where, first, last in instrument.map.forbidden:
        if where is table and first < address + count and address <= last:
            return f"{table.replace('_', ' ')} {first} to {last}"
    return None


def site_device(site: SiteSettings, tag: str) -> Device:
    """The instrument of a site. Raises UsageError naming those that there are."""
    for line in site.lines:
        for instrument in line.instruments:
            if instrument.tag == tag:
                return Device(line.primary, instrument.unit, instrument, line, site)
    tags = ", ".join(instrument.tag for line in site.lines for instrument in line.instruments)
    raise UsageError(f"site '{site.name}' has no instrument '{tag}'", f"its instruments: {tags}")


def quantity_of(option: str, text: str, dimension: Dimension) -> float:
    """SI. Raises UsageError naming the option."""
    try:
        return parse_quantity(text, dimension)
    except QuantityError as error:
        raise UsageError(f"{option}: {error}", error.hint) from error


def length_of(option: str, text: str) -> float:
    """Metres."""
    return quantity_of(option, text, Dimension.LENGTH)


def timeout_of(arguments: argparse.Namespace, device: Device | None = None) -> float:
    """Seconds to wait for an answer."""
    if arguments.timeout is not None:
        return duration_of("--timeout", arguments.timeout)
    return 1.0 if device is None or device.instrument is None else device.instrument.timeout_s


def duration_of(option: str, text: str) -> float:
    """Seconds, above zero."""
    seconds = quantity_of(option, text, Dimension.TIME)
    if not seconds > 0.0:
        raise UsageError(f"{option}: {text} is not a length of time above zero", "give for example 1 s")
    return seconds
