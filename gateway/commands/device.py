"""A device to be asked by a tool: HOST:PORT with a unit, or SITE and INSTRUMENT; and the asking itself."""

import argparse
import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from typing import Any, NamedTuple

from gateway.acquisition.link import Link
from gateway.acquisition.modbus_tcp import ModbusTcpLink
from gateway.acquisition.plan import InstrumentPlan, LinePlan
from gateway.acquisition.register_map import Table
from gateway.calculation.units import Dimension, parse_quantity
from gateway.commands.line_guard import add_guard
from gateway.commands.site_argument import load
from gateway.commissioning.meanings import DeviceError
from gateway.errors import LinkError, QuantityError, UsageError
from gateway.settings.site import SiteSettings

__all__ = [
    "Asker",
    "Device",
    "add_device",
    "asking",
    "device_of",
    "duration_of",
    "host_and_port",
    "length_of",
    "quantity_of",
    "run",
    "site_device",
    "timeout_of",
]

_CONNECT_S = 3.0
_HIGHEST_UNIT = 255


class Device(NamedTuple):
    """Whom to ask."""

    host: str
    port: int
    unit: int
    instrument: InstrumentPlan | None = None
    line: LinePlan | None = None
    site: SiteSettings | None = None

    @property
    def address(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    @property
    def text(self) -> str:
        place = f"{self.address} unit {self.unit}"
        return place if self.instrument is None else f"{self.instrument.tag} ({place})"


class Asker:
    """A link that connects when it must, and whose errors say what they usually mean."""

    def __init__(self, link: Link, where: str, timeout_s: float) -> None:
        self._link = link
        self._where = where
        self._timeout_s = timeout_s

    async def read(self, unit: int, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Raises DeviceError."""
        try:
            return await self.try_read(unit, table, address, count)
        except LinkError as error:
            raise DeviceError(self._where, error) from error

    async def try_read(self, unit: int, table: Table, address: int, count: int) -> tuple[int, ...]:
        """Raises the LinkError itself."""
        if not self._link.connected:
            await self._link.connect(_CONNECT_S)
        return await self._link.read(unit, table, address, count, self._timeout_s)


@asynccontextmanager
async def asking(host: str, port: int, where: str, timeout_s: float) -> AsyncIterator[Asker]:
    """Ask at host:port until the block ends. `where` begins the text of every error."""
    link = ModbusTcpLink(host, port)
    try:
        yield Asker(link, where, timeout_s)
    finally:
        await link.close()


def run(work: Callable[[], Coroutine[Any, Any, int]]) -> int:
    """Run the asynchronous part of a tool; returns its exit code."""
    return asyncio.run(work())


def add_device(parser: argparse.ArgumentParser) -> None:
    """ADDRESS, or SITE INSTRUMENT; and the options of asking."""
    parser.add_argument("target", metavar="ADDRESS|SITE", help="HOST:PORT of a device, or a site file, or `demo`")
    parser.add_argument("instrument", metavar="INSTRUMENT", nargs="?", help="with SITE: tag of the instrument in it")
    parser.add_argument("--unit", type=int, metavar="N", help="Modbus unit identifier, 0 to 255; default 1, or SITE's")
    parser.add_argument("--timeout", metavar="TIME", help="longest wait for an answer; default 1 s, or SITE's")
    add_guard(parser)


def device_of(arguments: argparse.Namespace) -> Device:
    """The device that `add_device` asked for. Raises UsageError and SettingsError."""
    if arguments.unit is not None and not 0 <= arguments.unit <= _HIGHEST_UNIT:
        raise UsageError(f"--unit: {arguments.unit} is not a Modbus unit identifier", "give 0 to 255")
    address = host_and_port(arguments.target)
    if address is None:
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
    return Device(*address, 1 if arguments.unit is None else arguments.unit)


def site_device(site: SiteSettings, tag: str) -> Device:
    """The instrument of a site. Raises UsageError naming those that there are."""
    for line in site.lines:
        for instrument in line.instruments:
            if instrument.tag == tag:
                return Device(line.host, line.port, instrument.unit, instrument, line, site)
    tags = ", ".join(instrument.tag for line in site.lines for instrument in line.instruments)
    raise UsageError(f"site '{site.name}' has no instrument '{tag}'", f"its instruments: {tags}")


def host_and_port(text: str) -> tuple[str, int] | None:
    """`host:port` or `[v6]:port`; None for anything else."""
    host, _, port = text.rpartition(":")
    bare = host.removeprefix("[").removesuffix("]")
    if not bare or not port.isdecimal() or not port.isascii() or len(port) > 5 or int(port) > 65535:
        return None
    return None if ":" in bare and not host.startswith("[") else (bare, int(port))


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
