"""`scan`: which unit numbers answer on a line, asked one at a time at a safe rate."""

import argparse
import asyncio
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from math import ceil
from typing import Any, NamedTuple

from gateway.acquisition.plan import FrameKind, LinePath, LinePlan, TcpPath
from gateway.acquisition.polling.failures import Failure, failure_of
from gateway.commands.output import write, write_json
from gateway.commands.service.site_argument import load
from gateway.commands.technician.device import (
    Asker,
    Device,
    add_way,
    asking,
    duration_of,
    forbidden_place,
    path_of,
    run,
    timeout_of,
)
from gateway.commands.technician.identify import identify
from gateway.commands.technician.line_guard import add_guard, gateway_address, refuse_if_held
from gateway.display import printable
from gateway.errors import (
    BadFrameError,
    DeviceExceptionError,
    LinkError,
    NoAnswerError,
    NoConnectionError,
    UsageError,
)
from gateway.modbus.tables import Table
from gateway.process.signals import stop_on_signals
from gateway.settings.site import SiteSettings

__all__ = ["add_arguments", "execute", "ranges_text", "units_of"]

_FASTEST_S = 0.1
_HIGHEST_UNIT = 255

_EPILOG = """Reads only: function 3, one holding register at address 0; with --identify also function 43/14.
One request at a time, never sooner after the last than --every. A line that a running gateway holds is left alone.
Example: tank-gateway scan 192.0.2.10:502 --units 1-32
         tank-gateway scan site.yaml bus-a --units 1-32,40"""


class Found(NamedTuple):
    """How one unit took the question."""

    unit: int
    outcome: str
    """`answers`, `exception`, `silent`, `broken` or `closed`."""
    text: str
    took_s: float
    identity: dict[str, str] | None = None

    @property
    def there(self) -> bool:
        return self.outcome in ("answers", "exception", "broken")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("target", metavar="ADDRESS|SITE", help="HOST:PORT, a serial port, a site file, or `demo`")
    parser.add_argument("line", metavar="LINE", nargs="?", help="with SITE: name of the line in it")
    parser.add_argument("--units", metavar="UNITS", default="1-32", help="such as 1-32 or 1,2,7-9; default 1-32")
    parser.add_argument("--every", metavar="TIME", default="1 s", help="least time between requests; default 1 s")
    parser.add_argument("--timeout", metavar="TIME", help="longest wait for an answer; default 1 s")
    parser.add_argument("--identify", action="store_true", help="ask those that answer for their identification too")
    parser.add_argument("--json", action="store_true", help="print it for a program, at the end")
    add_way(parser)
    add_guard(parser)


def execute(arguments: argparse.Namespace) -> int:
    units = units_of(arguments.units)
    every_s = duration_of("--every", arguments.every)
    if every_s < _FASTEST_S:
        raise UsageError(f"--every: {arguments.every} is too fast for a scan", f"give {_FASTEST_S:g} s or more")
    device = _device(arguments)
    timeout_s = timeout_of(arguments)
    tcp = _plain_tcp(device.path)
    if arguments.identify and tcp is None:
        raise UsageError("--identify: identification is asked for over plain Modbus TCP only", "leave it away")
    if not arguments.line_is_mine:
        refuse_if_held(gateway_address(arguments, device.site), device.address)
    if device.line is not None:
        units = _allowed(device.line, units)
    return run(lambda: _scan(arguments, device, tcp, units, every_s, timeout_s))


def _allowed(line: LinePlan, units: Sequence[int]) -> list[int]:
    """Without those whose register map says that the register a scan asks for must never be read; they are told."""
    barred = {
        instrument.unit: instrument.tag
        for instrument in line.instruments
        if forbidden_place(instrument, Table.HOLDING_REGISTERS, 0, 1) is not None
    }
    for unit in units:
        if unit in barred:
            sys.stderr.write(
                f"unit {unit} is left alone: holding register 0 of {barred[unit]} must never be read, "
                "as its register map says\n"
            )
    return [unit for unit in units if unit not in barred]


def units_of(text: str) -> list[int]:
    """`1-32` or `1,2,7-9` as unit numbers in order, each once. Raises UsageError."""
    found: dict[int, None] = {}
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()):
            raise UsageError(f"--units: '{part}' is not a unit number or a range", "give for example 1-32 or 1,2,7-9")
        low, high = int(first), int(last or first)
        if not 0 <= low <= high <= _HIGHEST_UNIT:
            raise UsageError(f"--units: '{part}' is not within 0 to {_HIGHEST_UNIT}, lowest first", "for example 1-32")
        found.update(dict.fromkeys(range(low, high + 1)))
    return list(found)


def ranges_text(units: Sequence[int]) -> str:
    """The opposite: `1-4, 7`."""
    parts: list[list[int]] = []
    for unit in sorted(units):
        if parts and unit == parts[-1][-1] + 1:
            parts[-1].append(unit)
        else:
            parts.append([unit])
    return ", ".join(f"{part[0]}-{part[-1]}" if len(part) > 1 else str(part[0]) for part in parts)


def _device(arguments: argparse.Namespace) -> Device:
    path = path_of(arguments)
    if path is not None:
        if arguments.line is not None:
            raise UsageError(
                f"'{arguments.line}': a line is known by its name in a site file only",
                "leave it away, or give SITE in place of HOST:PORT",
            )
        return Device(path, 0)
    if arguments.line is None:
        raise UsageError(
            f"'{arguments.target}' is no HOST:PORT, and no LINE of a site was given",
            f"HOST:PORT, or SITE LINE, for example 192.0.2.10:502 or {arguments.target} bus-a",
        )
    site = load(arguments.target)
    for line in site.lines:
        if line.name == arguments.line:
            return Device(line.primary, 0, None, line, site)
    names = ", ".join(line.name for line in site.lines)
    raise UsageError(f"site '{site.name}' has no line '{arguments.line}'", f"its lines: {names}")


def _plain_tcp(path: LinePath) -> TcpPath | None:
    if isinstance(path, TcpPath) and path.framing is FrameKind.TCP and path.tls is None:
        return path
    return None


async def _scan(
    arguments: argparse.Namespace,
    device: Device,
    tcp: TcpPath | None,
    units: Sequence[int],
    every_s: float,
    timeout_s: float,
) -> int:
    stop = asyncio.Event()
    stop_on_signals(stop)
    if not arguments.json:
        longest_s = len(units) * max(every_s, timeout_s)
        write(f"{device.address}: asking {len(units)} units, {ceil(longest_s)} s at the longest")
    found: list[Found] = []
    async with asking(device.path, device.address, timeout_s) as asker:
        for unit in units:
            begun = time.monotonic()
            found.append(await _ask(asker, unit, first=not found))
            if not arguments.json and found[-1].there:
                write(_line(found[-1], device.site, arguments.target, device))
            with suppress(TimeoutError):
                async with asyncio.timeout(max(0.0, every_s - (time.monotonic() - begun))):
                    await stop.wait()
            if stop.is_set():
                break
    # The link is closed before: a device may take one connection only.
    if arguments.identify and tcp is not None and not stop.is_set():
        found = await _identified(arguments, tcp, found, every_s, timeout_s)
    return _report(arguments, device, units, found)


async def _ask(asker: Asker, unit: int, *, first: bool) -> Found:
    begun = time.monotonic()
    try:
        (word,) = await asker.try_read(unit, Table.HOLDING_REGISTERS, 0, 1)
        outcome, text = "answers", f"holding register 0 is {word:04X}"
    except DeviceExceptionError as error:
        # Of these the converter tells for a unit that is not there.
        outcome, text = "silent" if failure_of(error) is Failure.SILENT else "exception", str(error)
    except NoAnswerError as error:
        outcome, text = "silent", str(error)
    except BadFrameError as error:
        outcome, text = "broken", f"{error}; perhaps two devices have this number"
    except NoConnectionError as error:
        if first:
            raise asker.told(error) from error
        outcome, text = "closed", str(error)
    return Found(unit, outcome, text, time.monotonic() - begun)


async def _identified(
    arguments: argparse.Namespace, tcp: TcpPath, found: Sequence[Found], every_s: float, timeout_s: float
) -> list[Found]:
    made = []
    for one in found:
        if one.there:
            begun = time.monotonic()
            try:
                identity = await identify(tcp.host, tcp.port, one.unit, timeout_s)
            except LinkError as error:
                identity = {"none": str(error)}
            one = one._replace(identity=identity)
            if not arguments.json:
                write(f"unit {one.unit} says: {printable(_identity_text(identity))}")
            await asyncio.sleep(max(0.0, every_s - (time.monotonic() - begun)))
        made.append(one)
    return made


def _identity_text(identity: dict[str, str]) -> str:
    if "none" in identity:
        return f"nothing of itself: {identity['none']}"
    return ", ".join(f"{name} {text}" for name, text in identity.items())


def _line(found: Found, site: SiteSettings | None, target: str, device: Device) -> str:
    known = ""
    if site is not None and device.line is not None:
        tags = [instrument.tag for instrument in device.line.instruments if instrument.unit == found.unit]
        known = f"  {tags[0]} in {target}" if tags else f"  not in {target}"
    return printable(f"unit {found.unit:3d}  {found.took_s * 1000:7.1f} ms  {found.text}{known}")


def _report(arguments: argparse.Namespace, device: Device, units: Sequence[int], found: Sequence[Found]) -> int:
    there = [one for one in found if one.there]
    if arguments.json:
        write_json(
            {
                "address": device.address,
                "asked": [one.unit for one in found],
                "not_asked": list(units[len(found) :]),
                "found": [_entry(one) for one in there],
                "silent": [one.unit for one in found if one.outcome == "silent"],
                "closed": [one.unit for one in found if one.outcome == "closed"],
            }
        )
    else:
        for outcome, words in (("silent", "no answer from"), ("closed", "the connection broke at")):
            those = [one.unit for one in found if one.outcome == outcome]
            if those:
                write(f"{words} {ranges_text(those)}")
        if len(found) < len(units):
            write(f"stopped; not asked: {ranges_text(units[len(found) :])}")
        write(f"{len(there)} of {len(found)} units asked are there")
    return 0 if there else 1


def _entry(found: Found) -> dict[str, Any]:
    made: dict[str, Any] = {
        "unit": found.unit,
        "outcome": found.outcome,
        "text": found.text,
        "took_s": round(found.took_s, 6),
    }
    if found.identity is not None:
        made["identity"] = None if "none" in found.identity else found.identity
    return made
